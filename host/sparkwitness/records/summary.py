"""Many recordings to one table: which files, a row each, what is kept on the way, the table.

A row is a pure function of a recording's bytes (`evaluate`), so it is the same wherever it is made.
Rows go to a journal beside the table as they come: a run that is broken off goes on from there, and
memory holds no more than a place in the journal for each recording.
"""

import csv
import errno
import json
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from sparkwitness import __version__
from sparkwitness.decode.recording import FORMAT, Recording
from sparkwitness.errors import UserError, needed, not_written, whole_file
from sparkwitness.foreign import shown
from sparkwitness.records import logbook
from sparkwitness.timing.setup import Setup

SUFFIX = ".rec"
_BATCH = 10_000  # rows of the table in memory at once

# Column: (Parquet type, unit, path in the result's plain values).
COLUMNS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "timing": ("double", "deg", ("timing_deg_btdc",)),
    "timing_expanded": ("double", "deg", ("timing_expanded_deg",)),
    "commanded": ("double", "deg", ("commanded_deg_btdc",)),
    "error": ("double", "deg", ("error_deg",)),
    "scatter": ("double", "deg", ("scatter_deg",)),
    "speed": ("double", "rev/min", ("rpm",)),
    "speed_expanded": ("double", "rev/min", ("rpm_expanded",)),
    "events": ("int64", "", ("events",)),
    "sparks_per_event": ("double", "", ()),
    "spark_spacing": ("double", "us", ("spark_spacing_us",)),
    "burst_duration": ("double", "us", ("burst_duration_us",)),
    "firings_expected": ("int64", "", ("firings_expected",)),
    "firings_missing": ("int64", "", ("firings_missing",)),
    "events_stray": ("int64", "", ("events_stray",)),
    "edges_ringing": ("int64", "", ("edges_ringing",)),
    "supply_least": ("int64", "mV", ("supply_least_mv",)),
    "seconds": ("double", "s", ("seconds",)),
    "setting": ("double", "", ()),
    "next_setting": ("double", "", ("advice", "setting")),
    "frames_damaged": ("int64", "", ("loss", "frames_damaged")),
    "frames_missing": ("int64", "", ("loss", "frames_missing")),
    "edges_lost": ("int64", "", ()),
    "findings": ("string", "", ()),
}

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class File:
    """A recording by its name below the folder, with what tells whether it was changed."""

    name: str
    size: int
    changed_ns: int


def find(folder: Path) -> tuple[list[File], int, dict[str, str]]:
    """Recordings in a folder and below in order of their names.

    Returns:
        The recordings; how many other files; folders that could not be read, and why.
    """
    files: list[File] = []
    others, closed = 0, {}
    start = f'{{"format": "{FORMAT}"'.encode()

    def refused(error: OSError) -> None:
        closed[os.path.relpath(error.filename, folder)] = error.strerror or str(error)

    for where, _, names in os.walk(folder, onerror=refused):
        for name in names:
            path = os.path.join(where, name)
            try:
                about = os.stat(path)
                if not stat.S_ISREG(about.st_mode):  # a FIFO would wait for ever
                    others += 1
                    continue
                with open(path, "rb") as file:
                    is_recording = file.read(len(start)) == start
            except OSError:
                is_recording = False
            if is_recording or name.endswith(SUFFIX):
                below = os.path.relpath(path, folder)
                files.append(File(below, about.st_size, about.st_mtime_ns))
            else:
                others += 1
    files.sort(key=lambda one: one.name.split(os.sep))
    return files, others, closed


def evaluate(path: Path) -> Row:
    """One row of the table: plain values by the names of `COLUMNS`, and those of the file.

    Raises:
        UserError: it cannot be read, holds no good frame, or does not say what was typed.
    """
    recording = Recording(path)
    if recording.setup is None:
        raise UserError("it does not say what was typed (crank reference, cylinders …)")
    setup = Setup.from_dict(recording.setup)
    result = logbook.replay(path, setup)
    if not result.loss.frames_good:
        raise UserError(f"its {result.loss.bytes_total} bytes hold not one good frame")
    plain = result.to_dict()
    row: Row = {
        "recorded": str(recording.header.get("utc_start", "")),
        "sha256": logbook.hash_of(path)[0],
        "setup": logbook.canonical(recording.setup),
    }
    for name, (_, _, keys) in COLUMNS.items():
        value: Any = plain if keys else None
        for key in keys:
            value = value.get(key) if value is not None else None
        row[name] = value
    total = sum(result.sparks.values())
    row["sparks_per_event"] = (
        sum(k * n for k, n in result.sparks.items()) / total if total else None
    )
    row["setting"] = setup.setting
    row["edges_lost"] = sum(result.loss.edges_lost)
    row["findings"] = " ".join(f.code for f in result.findings)
    return row


def attempt(path: str) -> tuple[Row | None, str]:
    """A row, or the sentence that says why there is none: what a worker does, wherever it is."""
    try:
        return evaluate(Path(path)), ""
    except UserError as error:
        return None, error.message
    except Exception as error:  # one odd file must not cost the others
        return None, f"{type(error).__name__}: {error}"


def _own(path: str, flags: int) -> int:
    """Open a file of this user's alone, that has no other name."""
    number = os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o600)
    info = os.fstat(number)
    others = hasattr(os, "getuid") and info.st_uid != os.getuid()
    if others or info.st_nlink > 1 or not stat.S_ISREG(info.st_mode):
        os.close(number)
        raise OSError(errno.EPERM, "it was put there by somebody else: delete it")
    return number


class Journal:
    """What has been done so far, a line of JSON each, in `table`.part.

    Attributes:
        failed: name: why, of this run.
    """

    def __init__(self, table: Path, files: list[File]) -> None:
        """Goes on with the journal that is there, or begins one.

        Raises:
            UserError: it cannot be written, or is another program's or version's.
        """
        self.path = table.with_name(table.name + ".part")
        self.failed: dict[str, str] = {}
        self._places: dict[str, int] = {}
        self._known = {one.name: one for one in files}
        try:
            # Its name is known beforehand, since it must be found again: no link is followed.
            self._file = open(self.path, "a+b", opener=_own)  # noqa: SIM115  (closed by __exit__)
            self._take()
        except OSError as error:
            raise not_written(self.path, error) from None
        self.kept = len(self._places)

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def _take(self) -> None:
        head = {"format": "sparkwitness summary", "software": __version__}
        self._file.seek(0)
        first, end = self._file.readline(), 0
        if first.endswith(b"\n"):
            if first.rstrip() != json.dumps(head).encode():
                self._file.close()
                raise UserError(
                    f"{self.path} is not what this version left when it was broken off: delete "
                    "it, or choose another name with --out"
                )
            end = len(first)
            for line in self._file:
                try:
                    told = json.loads(line)
                except ValueError:
                    break  # torn as the computer went down
                if not line.endswith(b"\n"):
                    break
                one = self._known.get(told["file"])
                same = one is not None and [one.size, one.changed_ns] == told["state"]
                # What failed is tried again: its worker may have been lost.
                if same and told["row"] is not None:
                    self._places[told["file"]] = end
                end += len(line)
        self._file.truncate(end)
        self._file.seek(end)
        if not end:
            self._line(head)

    def _line(self, told: dict[str, Any]) -> None:
        self._file.write(json.dumps(told).encode() + b"\n")
        self._file.flush()

    def open(self, files: list[File]) -> list[File]:
        """Those that are still to be done."""
        return [one for one in files if one.name not in self._places]

    def add(self, file: File, row: Row | None, why: str) -> None:
        """Keep what was found in a recording.

        Raises:
            UserError: the disk is full or gone; what was kept before stays.
        """
        place = self._file.tell()
        state = [file.size, file.changed_ns]
        try:
            self._line({"file": file.name, "state": state, "row": row, "why": why})
        except OSError as error:
            raise UserError(
                f"cannot write {self.path}: {error.strerror}; the same command goes on from there"
            ) from None
        if row is None:
            self.failed[file.name] = why
        else:
            self._places[file.name] = place

    def rows(self, files: list[File]) -> Iterator[Row]:
        """All rows in order of the files."""
        for one in files:
            if one.name in self._places:
                self._file.seek(self._places[one.name])
                yield {"file": shown(one.name), **json.loads(self._file.readline())["row"]}

    def remove(self) -> None:
        """All of it is in the table now."""
        self._file.close()
        self.path.unlink(missing_ok=True)


def write(out: Path, rows: Iterator[Row], each: Callable[[], None] = lambda: None) -> int:
    """Write the table as Parquet, all of it or nothing; returns the number of rows.

    Raises:
        UserError: it cannot be written, or pyarrow is not installed.
    """
    pa, parquet = needed("pyarrow", "parquet"), needed("pyarrow.parquet", "parquet")
    schema = _schema(pa)
    count = 0
    with whole_file(out, True) as new, parquet.ParquetWriter(new, schema) as writer:
        batch: list[Row] = []
        for row in rows:
            batch.append(row)
            each()
            if len(batch) == _BATCH:
                writer.write_table(pa.Table.from_pylist(batch, schema=schema))
                count, batch = count + len(batch), []
        writer.write_table(pa.Table.from_pylist(batch, schema=schema))
    return count + len(batch)


def _schema(pa: Any) -> Any:
    kinds = {"double": pa.float64(), "int64": pa.int64(), "string": pa.string()}
    first = [pa.field(n, pa.string()) for n in ("file", "recorded", "sha256")]
    fields = [
        pa.field(name, kinds[kind], metadata={"unit": unit} if unit else None)
        for name, (kind, unit, _) in COLUMNS.items()
    ]
    return pa.schema(
        [*first, *fields, pa.field("setup", pa.string())],
        metadata={"software": f"sparkwitness {__version__}", "expanded": "k = 2"},
    )


def failures_of(table: Path) -> Path:
    """Where what failed is kept, beside the table."""
    return table.with_name(f"{table.stem}-failed.csv")


def write_failures(file: TextIO, failed: dict[str, str]) -> None:
    """Two columns: file, why."""
    lines = csv.writer(file, lineterminator="\n")
    lines.writerow(("file", "why"))
    lines.writerows((shown(name), shown(why)) for name, why in sorted(failed.items()))
