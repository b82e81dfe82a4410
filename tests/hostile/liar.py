"""A port with no honest board behind it: frames that pass every check sum, and say nonsense."""

import os
import threading
import time
import tty
from collections.abc import Callable
from random import Random

import numpy as np

from hostile import nasty
from sparkwitness.decode import framing, wire

HEADER = wire.HEAD.itemsize


def body(rng: Random, name: str, seq: int, session: int = 1) -> bytes:
    """A message whose header is right; its fields are random, often at the ends of their types."""
    payload = bytearray()
    for field in wire.FRONT[name].fields or ():
        kind = wire.FRONT[name].fields[field][0]
        for _ in range(int(np.prod(kind.shape)) or 1):
            size = kind.base.itemsize
            payload += rng.choice([
                bytes(size), b"\xff" * size, b"\1".ljust(size, b"\0"), rng.randbytes(size),
                b"\xff" * (size - 1) + b"\x7f", b"\0" * (size - 1) + b"\x80",
            ])  # fmt: skip
    if rng.random() < 0.5:
        payload += nasty.text(rng).encode("utf-8", "replace")[:100]
    if name == "hello" and rng.random() < 0.7:
        payload[:2] = wire.PROTOCOL.to_bytes(2, "little")
    head = bytes([wire.NUMBER[name], 0]) + session.to_bytes(2, "little")
    return head + (seq & 0xFFFFFFFF).to_bytes(4, "little") + bytes(payload)


def good_hello(rng: Random, hello: bytes) -> bytes:
    """A real board's hello with some bytes of it changed."""
    changed = bytearray(hello)
    for _ in range(rng.randint(0, 3)):
        at = rng.randrange(HEADER + 2, len(changed))
        changed[at] = rng.choice([0, 0xFF, rng.randrange(256)])
    return bytes(changed)


class Liar:
    """A pseudo-terminal with somebody at it who answers as he likes; a context manager.

    Attributes:
        port: its name.
    """

    def __init__(self, rng: Random, hello: bytes) -> None:
        self._rng, self._hello = rng, hello
        self._ours, theirs = os.openpty()
        tty.setraw(theirs)
        self.port = os.ttyname(theirs)
        self._theirs, self._ended, self._seq = theirs, threading.Event(), 0
        ways: list[Callable[[], bytes]] = [
            self._modem, self._echo, self._flood, self._honest_then_not, self._other_version,
            self._silent, self._backwards,
        ]  # fmt: skip
        self.way = rng.choice(ways)
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> "Liar":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(5)
        for one in (self._ours, self._theirs):
            os.close(one)

    def _work(self) -> None:
        os.set_blocking(self._ours, False)
        self._heard = b""
        while not self._ended.is_set():
            try:
                self._heard = os.read(self._ours, 4096)
            except BlockingIOError:
                self._heard = b""
            said = self.way()
            while said and not self._ended.is_set():
                try:
                    said = said[os.write(self._ours, said) :]
                except BlockingIOError:
                    time.sleep(0.002)
            time.sleep(0.005)

    def _frame(self, content: bytes) -> bytes:
        self._seq += 1
        return framing.seal(content[: wire.MAX_BODY - 4])

    def _acks(self) -> bytes:
        """What a board says that has done whatever it was told."""
        said = b""
        for piece in self._heard.split(b"\0"):
            try:
                message = framing.unseal(piece)
            except framing.FrameError:
                continue
            if message[0] == wire.NUMBER["identify"]:
                said += self._frame(self._hello)
            elif message[0] not in (wire.NUMBER["alive"], wire.NUMBER["renew"]):
                seq = int.from_bytes(message[4:8], "little")
                said += wire.encode(
                    "ack", 1, self._seq, command=message[0], command_seq=seq, result=0, text=""
                )
        return said

    def _modem(self) -> bytes:
        return b"\r\nERROR\r\n" if self._heard else b""

    def _echo(self) -> bytes:
        return self._heard

    def _silent(self) -> bytes:
        return b""

    def _flood(self) -> bytes:
        names = ["hello", "ack", "log", "heartbeat"]
        return b"".join(
            self._frame(body(self._rng, self._rng.choice(names), self._seq)) for _ in range(40)
        )

    def _other_version(self) -> bytes:
        hello = bytearray(self._hello)
        hello[HEADER : HEADER + 2] = self._rng.choice([0, 3, 0x7FFF, 0xFFFF]).to_bytes(2, "little")
        return self._frame(bytes(hello)) if self._heard else b""

    def _honest_then_not(self) -> bytes:
        said = self._acks()
        if self._heard:
            self._hello = good_hello(self._rng, self._hello)
        names = ["heartbeat", "edges", "log", "ack"]
        return said + self._frame(body(self._rng, self._rng.choice(names), self._seq))

    def _backwards(self) -> bytes:
        """Heartbeats whose clock and counters run back."""
        beat = body(self._rng, "heartbeat", self._seq)
        at = HEADER + wire.LAYOUT["heartbeat"].fields["time"][1]
        when = max(0, (1 << 40) - self._seq * 1_000_000)
        return self._acks() + self._frame(beat[:at] + when.to_bytes(8, "little") + beat[at + 8 :])
