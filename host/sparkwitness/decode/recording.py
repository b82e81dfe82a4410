"""Recordings: one JSON line that says what this is, then the bytes exactly as received.

A recording cut anywhere after its first line is readable up to the cut.
"""

import json
import queue
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

from sparkwitness.errors import UserError, not_written, ordinary

FORMAT = "sparkwitness recording"
MEASURED = "board"
SIMULATED = "simulated"
IMPORTED = "imported"
_SIMULATORS_BOARD = "unix port"
VERSION = 1
_TICK_PS, _FOREIGN_TICK_PS = (1000, 32000), (1, 10**9)
_HEADER_LIMIT = 1 << 16
_CHUNK = 1 << 20
_FLUSH_S = 0.5
_MOST_BEHIND = 64 << 20  # bytes: hours of one engine
_LAST_S = 5.0


class Recorder:
    """Appends bytes to a new file and flushes them at least once a second."""

    def __init__(
        self,
        path: Path,
        board: dict[str, Any],
        setup: dict[str, Any] | None,
        source: str = MEASURED,
        more: dict[str, Any] | None = None,
    ) -> None:
        """Create the file; an existing one is never overwritten.

        Args:
            path: the file.
            board: its hello.
            setup: what was typed, or None.
            source: where the bytes come from: `MEASURED`, or in words what else they are.
            more: further entries of the header.

        Raises:
            UserError: the file exists or cannot be written.
        """
        self.path = path
        header = {
            "format": FORMAT,
            "version": VERSION,
            "utc_start": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "source": source,
            "board": {k: v.hex() if isinstance(v, bytes) else v for k, v in board.items()},
            "setup": setup,
            **(more or {}),
        }
        try:
            self._file: BinaryIO = open(path, "xb")  # noqa: SIM115 (held open on purpose)
        except FileExistsError:
            raise UserError(
                f"{path} already exists; choose another name, recordings are never overwritten"
            ) from None
        except OSError as error:
            raise not_written(path, error) from error
        self._flushed = time.monotonic()
        try:
            self._file.write(json.dumps(header).encode() + b"\n")
            self._file.flush()
        except OSError as error:
            with suppress(OSError):  # its own flush fails again
                self._file.close()
            with suppress(OSError):  # nothing is in it that anybody could read
                path.unlink()
            raise not_written(path, error) from error

    def write(self, data: bytes) -> None:
        """Append bytes as received.

        Raises:
            UserError: the disk is full or gone; what was written before stays readable.
        """
        try:
            self._file.write(data)
        except OSError as error:
            raise self._stopped(error) from error
        if time.monotonic() - self._flushed >= _FLUSH_S:
            self.flush()

    def flush(self) -> None:
        """Hand everything to the operating system.

        Raises:
            UserError: as for `write`.
        """
        try:
            self._file.flush()
        except OSError as error:
            raise self._stopped(error) from error
        self._flushed = time.monotonic()

    def _stopped(self, error: OSError) -> UserError:
        return UserError(
            f"stopped recording to {self.path}: {error.strerror}; everything up to now is intact"
        )

    def close(self) -> None:
        """Flush and close; may be called twice."""
        try:
            self._file.close()
        except OSError as error:
            raise UserError(
                f"cannot finish {self.path}: {error.strerror}; what was written before can be read"
            ) from error


class Behind:
    """Writes to a recorder in a thread of its own: a disk that does not answer, such as one at
    the other end of a network, holds up nobody who measures.
    """

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._waiting: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._given = self._written = 0
        self._fault: UserError | None = None
        self._thread: threading.Thread | None = None

    def write(self, data: bytes) -> None:
        """Hand bytes on; a fault is said at one of the next calls.

        Raises:
            UserError: the disk is full, gone, or far behind.
        """
        if self._given - self._written > _MOST_BEHIND:
            self._fault = self._no_answer()
        if self._fault is not None:
            raise self._fault
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
            self._thread.start()
        self._given += len(data)
        self._waiting.put(data)

    def close(self) -> None:
        """Write what waits and close; may be called twice.

        Raises:
            UserError: that cannot be done, or takes the disk too long.
        """
        if self._thread is None:
            self._recorder.close()
            return
        self._waiting.put(None)
        self._thread.join(_LAST_S)
        if self._thread.is_alive():
            raise self._no_answer()
        if self._fault is not None:
            raise self._fault

    def _work(self) -> None:
        try:
            while (data := self._waiting.get()) is not None:
                self._recorder.write(data)
                self._written += len(data)
            self._recorder.close()
        except UserError as error:
            self._fault = error
            with suppress(UserError):
                self._recorder.close()

    def _no_answer(self) -> UserError:
        return UserError(
            f"the disk of {self._recorder.path} does not answer: what came last is not in the "
            "recording"
        )


class Recording:
    """An existing recording: its header, and its bytes in chunks."""

    def __init__(self, path: Path) -> None:
        """Read and check the header.

        Raises:
            UserError: no such file, not a recording, of a later format, or empty.
        """
        self.path = path
        try:
            with ordinary(path) as file:
                line = file.readline(_HEADER_LIMIT)
                self.header = _header(path, line)
                self._offset = len(line)
                if not file.read(1):
                    raise UserError(
                        f"{path} is an empty recording: it holds no bytes from a board; "
                        "record again and check that the board was streaming"
                    )
        except OSError as error:
            raise UserError(f"cannot read {path}: {error.strerror}") from None

    @property
    def setup(self) -> dict[str, Any] | None:
        """What the user had typed, if anything."""
        setup = self.header.get("setup")
        return setup if isinstance(setup, dict) else None

    @property
    def source(self) -> str:
        """`MEASURED`, or in words what the bytes are: "simulated: NAME", "imported: FILE"."""
        source, board = self.header.get("source"), self.header.get("board")
        # Recordings of versions before said it only by what ran the firmware.
        words = str(board.get("board", "")) if isinstance(board, dict) else ""
        if words.startswith(_SIMULATORS_BOARD) and not str(source).startswith(SIMULATED):
            return SIMULATED
        return source if isinstance(source, str) else MEASURED

    @property
    def imported(self) -> bool:
        """Whether another logger timed the edges, with inputs of its own."""
        return self.source.startswith(IMPORTED)

    @property
    def defaults(self) -> dict[str, Any] | None:
        """What is known before anything is typed: the set-up, or what an import takes for its
        logger's inputs in place of what is known of a board's.
        """
        about = self.header.get("imported")
        assumed = about.get("assumed") if self.imported and isinstance(about, dict) else None
        return self.setup or (assumed if isinstance(assumed, dict) else None)

    @property
    def tick_ps(self) -> int:
        """Tick length that the board had announced."""
        board = self.header.get("board")
        value = board.get("tick_ps") if isinstance(board, dict) else None
        low, high = _FOREIGN_TICK_PS if self.imported else _TICK_PS
        if not isinstance(value, int) or not low <= value <= high:
            raise UserError(f"{self.path} does not say the board's tick length; it is damaged")
        return value

    def chunks(self, size: int = _CHUNK) -> Iterator[bytes]:
        """The bytes as received, in order."""
        with open(self.path, "rb") as file:
            file.seek(self._offset)
            while data := file.read(size):
                yield data


def _header(path: Path, line: bytes) -> dict[str, Any]:
    try:
        header = json.loads(line) if line.endswith(b"\n") else None
    except (ValueError, RecursionError):
        header = None
    if not isinstance(header, dict) or header.get("format") != FORMAT:
        raise UserError(f"{path} is not a sparkwitness recording")
    if header.get("version") != VERSION:
        raise UserError(
            f"{path} has recording format {header.get('version')}, this program reads "
            f"{VERSION}: install a newer sparkwitness"
        )
    return header


def part_path(path: Path, number: int) -> Path:
    """File of a run's n-th part, from 1."""
    return path if number == 1 else path.with_stem(f"{path.stem}-{number}")


def parts_to(path: Path) -> list[Path]:
    """All parts of a run from the first to this one, which most often is the only one."""
    stem, _, number = path.stem.rpartition("-")
    first = path.with_stem(stem) if stem else path
    if number.isdecimal() and int(number) > 1 and first.exists():
        return [part_path(first, k) for k in range(1, int(number) + 1)]
    return [path]
