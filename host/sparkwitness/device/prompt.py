"""A board at its MicroPython prompt: brought there, asked what it is, its files read and written.

Reached through `mpremote` (extra `board`).
"""

import base64
import contextlib
import io
import json
import re
import struct
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import serial

from sparkwitness import shipped
from sparkwitness.decode import framing, wire
from sparkwitness.device import link
from sparkwitness.errors import UserError

_CHUNK = 768  # bytes per line sent to the prompt: a multiple of 3, so that base64 needs no padding
_SETTLE_S = 0.4
_ANSWER_S = 10.0
_BOOT_S = 10.0
_KNOCK = b"\r\x03\x03\x02"  # end the line, interrupt twice, back to the friendly prompt
_PROMPT = b">>> "

# Index: sys.implementation._mpy >> 10 & 15 (MicroPython documentation, "MicroPython .mpy files").
ARCHITECTURES = (
    "", "x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp",
    "xtensa", "xtensawin", "rv32imc", "rv64imc",
)  # fmt: skip

_GET_MPREMOTE = "mpremote is not installed: run `pip install 'sparkwitness[board]'`"

# Runs on the board. Hash of each file, None where there is none.
_ON_BOARD = """
import os, sys, hashlib, binascii
def sw_hash(name):
    h = hashlib.sha256()
    b = bytearray(512)
    try:
        with open(name, 'rb') as f:
            while True:
                n = f.readinto(b)
                if not n:
                    return binascii.hexlify(h.digest()).decode()
                h.update(memoryview(b)[:n])
    except OSError:
        return None
"""


@dataclass(frozen=True)
class Traits:
    """What a board at its prompt says of itself.

    Attributes:
        platform: sys.platform; machine: its name in words.
        release: MicroPython version, (major, minor, patch).
        mpy: sys.implementation._mpy: what compiled files it loads.
        free: bytes free on its file system; block: bytes of one block of it.
    """

    platform: str
    machine: str
    release: tuple[int, int, int]
    mpy: int
    free: int
    block: int

    @property
    def architecture(self) -> str:
        """Name of the native architecture for mpy-cross; "" if it loads no native code."""
        index = self.mpy >> 10 & 15
        return ARCHITECTURES[index] if index < len(ARCHITECTURES) else ""


def to_prompt(port: str, patience: float = 1.0) -> bool:
    """Bring whatever runs on the board to the MicroPython prompt.

    Interrupts first, as one does at a prompt; only what does not heed that gets our "leave", which
    has the same number in every version of the protocol.

    Returns:
        Whether our firmware answered.

    Raises:
        UserError: nothing there gives a prompt, or the port cannot be opened.
    """
    line = link.open_port(port)
    heard = b""
    try:
        for _ in range(4):
            line.write(_KNOCK)
            heard += _hear(line, port, _SETTLE_S * patience, _PROMPT)
            if heard.endswith(_PROMPT):
                return _speaks(heard)
            line.write(b"\0" + wire.encode("leave", 0, 0))
            heard += _hear(line, port, _SETTLE_S * patience, _PROMPT)
    except (OSError, serial.SerialException, TypeError):
        # pyserial raises TypeError when the port vanishes under its read.
        raise UserError(f"the board on {port} went away; plug it in again and retry") from None
    finally:
        line.close()
    if not heard:
        raise UserError(
            f"nothing answers on {port}: check the cable and the port, or give a slow board more "
            "time with --patience"
        )
    pins = json.loads((shipped.folder("hardware") / "pins.json").read_text(encoding="utf-8"))
    button = pins["pins"]["button_a"]["gpio"]
    raise UserError(
        f"the program on the board at {port} neither leaves nor can be interrupted: hold its "
        f"button A (GP{button} to ground) while plugging it in, then try again"
    )


def _hear(line: Any, port: str, seconds: float, until: bytes) -> bytes:
    """What comes within some time, or until it ends with something."""
    heard = b""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline and not heard.endswith(until):
        heard += line.read(4096 if "://" in port else max(1, line.in_waiting))
    return heard


def _speaks(heard: bytes) -> bool:
    """Whether there is a frame of ours, of whatever version, in what was heard."""
    for piece in heard.split(b"\0"):
        with contextlib.suppress(framing.FrameError):
            framing.unseal(piece)
            return True
    return False


class BoardFault(Exception):
    """The board raised an exception; the text is its last line."""


class Prompt:
    """A board at its raw prompt; use as a context manager.

    Args:
        port: of a board at its prompt.
        patience: factor on all time-outs.

    Raises:
        UserError: mpremote is missing, or the board does not give its raw prompt.
    """

    def __init__(self, port: str, patience: float = 1.0) -> None:
        try:
            from mpremote import transport_serial  # type: ignore[import-untyped]
            from mpremote.transport import TransportError  # type: ignore[import-untyped]
        except ImportError:
            raise UserError(_GET_MPREMOTE) from None
        self.port = port
        self.patience = patience
        self._faults = (TransportError, OSError, serial.SerialException, struct.error, TypeError)
        with self._careful():
            self._board = transport_serial.SerialTransport(port)
            # Without this a read waits for ever on a board that has gone silent.
            self._board.serial.timeout = _ANSWER_S * patience
            try:
                self._board.enter_raw_repl(timeout_overall=_ANSWER_S * patience)
            except BaseException:
                self.close()
                raise
        self.run(_ON_BOARD)

    def __enter__(self) -> "Prompt":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Release the port; the board stays where it is."""
        with contextlib.suppress(*self._faults):
            self._board.close()

    @contextlib.contextmanager
    def _careful(self) -> Iterator[None]:
        """mpremote prints what it did not expect and raises many things: one sentence for all."""
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                yield
        except self._faults as error:
            text = str(error)
            if "failed to access" in text:
                raise UserError(
                    f"cannot open {self.port}: another program may have it open; close it, or see "
                    "`sparkwitness board list`"
                ) from None
            raise UserError(
                f"the connection to the board's prompt on {self.port} broke off "
                f"({text.splitlines()[0] if text else type(error).__name__}): check the cable, "
                "unplug the board, plug it in and install again"
            ) from None

    def run(self, code: str) -> str:
        """Run code on the board; gives what it printed.

        Raises:
            BoardFault: the code raised an exception there.
            UserError: the talk broke off.
        """
        with self._careful():
            printed, fault = self._board.exec_raw(code, timeout=_ANSWER_S * self.patience)
        if fault:
            lines = fault.decode(errors="replace").strip().splitlines()
            raise BoardFault(lines[-1] if lines else "unknown")
        text: str = printed.decode(errors="replace")
        return text

    def traits(self) -> Traits:
        """What the board is."""
        said = self.run(
            "import json\n"
            "i = sys.implementation\n"
            "s = os.statvfs('/')\n"
            "m = getattr(i, '_machine', sys.platform)\n"
            "print(json.dumps([sys.platform, m, list(i.version)[:3], getattr(i, '_mpy', 0),"
            " s[4] * s[1], s[1]]))"
        )
        try:
            platform, machine, release, mpy, free, block = json.loads(said)
            major, minor, patch = release
        except ValueError:
            raise UserError(
                f"the board on {self.port} describes itself in an unexpected way: unplug it, plug "
                "it in and install again"
            ) from None
        return Traits(platform, machine, (major, minor, patch), mpy, free, block)

    def hashes(self, names: list[str]) -> dict[str, str]:
        """SHA-256 of those of the files that are there, computed on the board."""
        found = {}
        for name in names:
            said = self.run(f"print(sw_hash({name!r}))").strip()
            if said != "None":
                found[name] = said
        return found

    def size(self, name: str) -> int:
        """Bytes of a file that is there."""
        return int(self.run(f"print(os.stat({name!r})[6])"))

    def read(self, name: str) -> bytes:
        """A small file's bytes."""
        said = self.run(f"print(binascii.b2a_base64(open({name!r}, 'rb').read()).decode())")
        return base64.b64decode(said)

    def remove(self, name: str) -> None:
        """Delete a file."""
        self.run(f"os.remove({name!r})")

    def write(self, name: str, data: bytes, sent: Callable[[int], None]) -> None:
        """Write a file.

        Args:
            sent: called with the number of bytes of each piece that has arrived.

        Raises:
            UserError: the board's file system is full.
        """
        try:
            self.run(f"f = open({name!r}, 'wb')\na = binascii.a2b_base64")
            for at in range(0, len(data), _CHUNK):
                piece = data[at : at + _CHUNK]
                self.run(f"f.write(a({base64.b64encode(piece)!r}))")
                sent(len(piece))
            self.run("f.close()")
        except BoardFault as fault:
            if re.search(r"\b28\b|ENOSPC", str(fault)):
                raise UserError(full_sentence(name)) from None
            raise UserError(f"the board cannot write {name}: {fault}") from None

    def restart(self) -> dict[str, Any]:
        """Start the board anew by a soft reset; gives the firmware's hello.

        Nothing is sent meanwhile: a byte 3 would interrupt the firmware before it is up.

        Raises:
            UserError: the firmware does not start, with what the board said instead.
        """
        with self._careful():
            self._board.exit_raw_repl()
            self._board.serial.write(b"\x04")
            line = self._board.serial
            line.timeout = 0.1
            heard = b""
            deadline = time.monotonic() + _BOOT_S * self.patience
            while time.monotonic() < deadline:
                heard += line.read(4096 if "://" in self.port else max(1, line.in_waiting))
                if hello := _hello_in(heard):
                    return hello
                if b"soft reboot" in heard and heard.endswith(_PROMPT):
                    break
        raise UserError(
            "the firmware is installed and verified, but does not start"
            + _last_words(heard)
            + ": unplug the board and plug it in, then try `sparkwitness board identify`"
        )


def _hello_in(heard: bytes) -> dict[str, Any] | None:
    for frame in heard.split(b"\0")[1:-1]:
        try:
            message = wire.decode(frame)
        except framing.FrameError:
            continue
        if message.name == "hello":
            return message.fields
    return None


def _last_words(heard: bytes) -> str:
    lines = [one.strip() for one in heard.decode(errors="replace").splitlines()]
    faults = [one for one in lines if re.match(r"\w*(Error|Exception|Interrupt)\b", one)]
    return f" ({faults[-1]})" if faults else ""


def full_sentence(name: str) -> str:
    return (
        f"the board's file system became full while {name} was written: delete files of yours on "
        "it with `mpremote rm :NAME` and install again"
    )
