"""What all formats share: files that come into being together, and what a writer is."""

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.errors import UserError, part_of
from sparkwitness.records.tables import SECONDS, TABLES, Column, Columns, Piece, Session

ROWS = 10_000  # of a table at a time where they become Python values
PAUSE_S = 1.0  # between sessions on the one axis of time


@dataclass
class Files:
    """Files that come into being together: written under another name, renamed at the end."""

    may_replace: bool
    parts: dict[Path, Path] = field(default_factory=dict)

    def new(self, path: Path) -> Path:
        """Name to write under for a file to be called `path`.

        Raises:
            UserError: it is there and may not be replaced.
        """
        if path.exists() and not self.may_replace:
            raise UserError(f"{path} already exists; choose another name with --out, or --force")
        if path.exists() and not path.is_file():
            raise UserError(f"{path} is no file that can be replaced; choose another --out")
        self.parts[path] = part_of(path)
        return self.parts[path]

    def done(self) -> list[Path]:
        """Give all files their names."""
        for path, part in self.parts.items():
            os.replace(part, path)
        return list(self.parts)

    def drop(self) -> None:
        """Remove what was written."""
        for part in self.parts.values():
            with suppress(OSError):
                part.unlink()


@dataclass
class About:
    """What a format gets beside the edges.

    Attributes:
        stem: path of the files without suffix.
        meta: plain values for a person.
        tables: the tables wanted.
        sessions: of the recording.
        small: events and supply in pieces, (number of the session, columns), in order of time;
            they can be gone through once.
    """

    stem: Path
    tick_ps: int
    meta: dict[str, str]
    tables: tuple[str, ...]
    sessions: list[Session]
    small: dict[str, Iterator[tuple[int, Columns]]]

    @property
    def shifts(self) -> list[int]:
        """Ticks by which each session is moved on the one axis of time of a file.

        A session begins `PAUSE_S` after the last sign of the one before.
        """
        shifts, at = [], 0
        pause = round(PAUSE_S * 1e12 / self.tick_ps)
        for session in self.sessions:
            shifts.append(at)
            at += session.last + pause
        return shifts

    def whole(self, table: str, number: int, columns: Columns) -> Columns:
        """Columns of a table in their order, those in seconds added.

        Args:
            table: of `TABLES`.
            number: of the session in the recording.
            columns: as `tables` gives them.
        """
        found = dict(columns)
        for name, ticks in SECONDS.items():
            if name in TABLES[table]:
                # Whole picoseconds first: the nearest number to each time, with few digits.
                moved = columns[ticks] + self.shifts[number]
                found[name] = moved.astype(np.float64) * self.tick_ps / 1e12
        return {name: found[name] for name in TABLES[table]}

    def path(self, table: str, suffix: str) -> Path:
        """File of one table."""
        return self.stem.with_name(f"{self.stem.name}-{table}{suffix}")


class Writer(Protocol):
    """A format: gets the edges piece by piece, the small tables from `About`."""

    def __init__(self, about: About, files: Files) -> None: ...

    def edges(self, piece: Piece) -> None:
        """The next edges."""
        ...

    def close(self) -> None:
        """Write what is left."""
        ...

    def abandon(self) -> None:
        """Let go of everything after a fault; may be called after close."""
        ...


def edge_columns(piece: Piece) -> Columns:
    names = np.array(wire.INPUTS)
    return {
        "session": np.full(len(piece.tick), piece.session, np.uint16),
        "input": names[piece.which], "tick": piece.tick, "level": piece.level,
        "lost_before": piece.lost_before,
    }  # fmt: skip


def unit_of(column: Column, tick_ps: int) -> str:
    return f"{tick_ps} ps" if column.unit == "tick" else column.unit
