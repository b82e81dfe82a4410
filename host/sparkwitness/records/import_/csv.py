"""Comma-separated values of other programs, and our own."""

import csv
import json
import re
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.records.import_ import columns
from sparkwitness.records.import_.base import Logged, Options, simulated
from sparkwitness.records.import_.sigrok import rate_of

_ROWS = 100_000
_SAMPLE = 1 << 16
_LONGEST = 10_000  # characters of a line
_COMMENT = ("#", ";", "%", "//")
_TICK = re.compile(r"(\d+) ps")
_CALENDAR = 4000.0  # numbers above have not the digits of a picosecond as binary ones


def read(path: Path, options: Options) -> Logged:
    """Edges of a table in text; what its columns mean is in `columns`.

    Raises:
        UserError: it is no table, or its columns' meaning cannot be told.
    """
    table = _Text(path)
    tick_ps, about = _beside(path)
    logged = columns.read(columns.Source(table.pieces, tick_ps, table.rate), options)
    logged.origin = simulated(about)
    return logged


class _Text:
    """A text table: how it is written, found in its beginning."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with open(path, "rb") as file:
            start = file.read(_SAMPLE)
        if b"\0" in start and not start.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise UserError(
                f"{path} is not text, and no format that can be read: use VCD, CSV, sigrok's .sr, "
                "a sound file or Parquet"
            )
        self.encoding = "utf-16" if start.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
        try:
            text = start.decode(
                self.encoding, errors="strict" if len(start) < _SAMPLE else "ignore"
            )
        except UnicodeDecodeError:
            self.encoding = "latin-1"
            text = start.decode(self.encoding)
        lines = text.splitlines()
        if max(map(len, lines), default=0) > _LONGEST:
            raise UserError(f"{path} has lines of more than {_LONGEST} characters: it is no table")
        comments = []
        for line in lines:
            if line.strip() and not line.lstrip().startswith(_COMMENT):
                break
            comments.append(line)
        self.skip = len(comments)
        rates = [r for line in comments if "rate" in line.lower() and (r := rate_of(line))]
        self.rate = rates[0] if rates else None
        rest = [line for line in lines[self.skip :] if line.strip()]
        if not rest:
            raise UserError(f"{path} holds no table")
        self.delimiter = _delimiter(rest[:50])
        self.comma = self.delimiter != "," and bool(
            re.search(r"(^|[;\t ])-?\d+,\d+", "\n".join(rest[1:50]))
        )
        first = next(csv.reader([rest[0]], delimiter=self.delimiter))
        self.headed = not all(self._number(cell) is not None for cell in first if cell.strip())
        self.names = (
            [c.strip() or str(k + 1) for k, c in enumerate(first)]
            if self.headed
            else [str(k + 1) for k in range(len(first))]
        )
        if len(set(self.names)) < len(self.names):
            raise UserError(f"{path} has two columns of one name: {', '.join(self.names)}")

    def _number(self, cell: str) -> float | None:
        try:
            return float(cell.replace(",", ".") if self.comma else cell)
        except ValueError:
            return None

    def pieces(self) -> Iterator[columns.Table]:
        """The rows, `_ROWS` at a time."""
        try:
            with open(self.path, encoding=self.encoding, newline="") as file:
                yield from self._pieces(file)
        except UnicodeDecodeError:
            raise UserError(f"{self.path} is damaged: it holds bytes that are no text") from None
        except csv.Error as error:
            raise UserError(f"{self.path} is no table: {error}") from None

    def _pieces(self, file: TextIO) -> Iterator[columns.Table]:
        lines = islice(file, self.skip, None)
        reader = csv.reader(lines, delimiter=self.delimiter)
        if self.headed:
            next(row for row in reader if any(row))
        width, row = len(self.names), 0
        origins: list[Decimal | None] = [None] * width
        while rows := list(islice(reader, _ROWS)):
            rows = [r for r in rows if any(cell.strip() for cell in r)]
            while rows and not rows[-1][-1].strip() and len(rows[-1]) == width + 1:
                rows = [r[:width] for r in rows]  # each line ends with the delimiter
            for k, cells in enumerate(rows):
                if len(cells) != width:
                    raise UserError(
                        f"row {row + k + 1} of {self.path} has {len(cells)} fields where the "
                        f"others have {width}: the file is cut or damaged there"
                    )
            if not rows:
                continue
            made = zip(*rows, strict=True)
            yield {
                name: self._column(cells, row, name, origins, k)
                for k, (name, cells) in enumerate(zip(self.names, made, strict=True))
            }
            row += len(rows)

    def _column(
        self, cells: tuple[str, ...], row: int, name: str, origins: list[Decimal | None], at: int
    ) -> NDArray[Any]:
        """Numbers, levels or text."""
        if self.comma:
            cells = tuple(c.replace(",", ".") for c in cells)
        try:
            return np.array(cells, np.int64)
        except (ValueError, OverflowError):
            pass
        words = {c.strip().lower() for c in cells}
        if words <= {"true", "false"}:
            return np.array([c.strip().lower() == "true" for c in cells])
        try:
            values = np.array([float(c) if c.strip() else np.nan for c in cells])
        except ValueError:
            if all(self._number(c) is None for c in cells[:20]):
                return np.array([c.strip() for c in cells])
            odd = next(k for k, c in enumerate(cells) if c.strip() and self._number(c) is None)
            raise UserError(
                f"row {row + odd + 1} of column {name} holds {cells[odd][:20]!a}, no number"
            ) from None
        if len(values) and np.nanmax(np.abs(values), initial=0.0) > _CALENDAR:
            return _less_the_first(cells, values, origins, at)
        return values


def _less_the_first(
    cells: tuple[str, ...], values: NDArray[np.float64], origins: list[Decimal | None], at: int
) -> NDArray[np.float64]:
    """Large numbers keep their last digits where the first one's whole part is taken off."""
    try:
        exact = [Decimal(c.strip()) if c.strip() else Decimal("NaN") for c in cells]
        if origins[at] is None:
            origins[at] = Decimal(int(next((d for d in exact if d.is_finite()), Decimal(0))))
        return np.array([float(d - origins[at]) for d in exact])  # type: ignore[operator]
    except (InvalidOperation, OverflowError, ValueError):
        return values


def _delimiter(lines: list[str]) -> str:
    """What stands between the fields: the one that every line has as often as the first."""
    best = max(
        (",", ";", "\t"),
        key=lambda d: (len({line.count(d) for line in lines}) == 1 and d in lines[0],
                       lines[0].count(d)),
    )  # fmt: skip
    if best not in lines[0] and " " in lines[0].strip() and len(lines[0].split()) > 1:
        return " "
    return best


def _beside(path: Path) -> tuple[int | None, str]:
    """Length of a tick, and the words of the description beside our own tables."""
    beside = path.with_name(f"{path.name}-metadata.json")
    try:
        about = json.loads(beside.read_text(encoding="utf-8"))
        for column in about["tableSchema"]["columns"]:
            if column["name"] == "tick" and (m := _TICK.fullmatch(column["schema:unitText"])):
                return int(m[1]), str(about.get("dc:description"))
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return None, ""
