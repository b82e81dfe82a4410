"""Comma-separated values of other programs, and our own."""

import csv
import json
import re
from collections.abc import Iterator
from contextlib import suppress
from decimal import Decimal, InvalidOperation
from itertools import islice
from math import isfinite
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError, small_text
from sparkwitness.records.import_ import columns
from sparkwitness.records.import_.base import Logged, Options, simulated
from sparkwitness.records.import_.sigrok import rate_of

_ROWS = 100_000
_SAMPLE = 1 << 16
_LONGEST = 10_000  # characters of a line
_COMMENT = ("#", ";", "%", "//")
_TICK = re.compile(r"(\d+) ps")
_CALENDAR = 1e6
_UNIT = re.compile(r"[a-zµμ°%]*")


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
        rest = [(k, line) for k, line in enumerate(lines) if k >= self.skip and line.strip()]
        if not rest:
            raise UserError(f"{path} holds no table")
        texts = [line for _, line in rest]
        body = texts[len(texts) // 2 :][:50]
        self.delimiter = _delimiter(body)
        self.comma = self.delimiter != "," and bool(
            re.search(r"(^|[;\t ])-?\d+,\d+", "\n".join(texts[1:50]), re.MULTILINE)
        )
        # Some programs write what they know of the logger before the names of the columns.
        widths = [len(self._fields(line)) for line in body]
        width = max(widths, key=widths.count)
        head = next((k for k, line in enumerate(texts) if len(self._fields(line)) == width), 0)
        if self._is_data(texts[head]):
            head = 0
        self.skip = rest[head][0]
        first = self._fields(texts[head])
        self.headed = not self._is_data(texts[head])
        self.names = (
            [c.strip() or str(k + 1) for k, c in enumerate(first)]
            if self.headed
            else [str(k + 1) for k in range(len(first))]
        )
        self.units = self.headed and self._has_units(texts[head + 1 : head + 3])
        if len(set(self.names)) < len(self.names):
            raise UserError(f"{path} has two columns of one name: {', '.join(self.names)}")

    def _fields(self, line: str) -> list[str]:
        return next(csv.reader([line], delimiter=self.delimiter, skipinitialspace=True), [])

    def _is_data(self, line: str) -> bool:
        return all(self._number(cell) is not None for cell in self._fields(line) if cell.strip())

    def _has_units(self, lines: list[str]) -> bool:
        """Whether a row of units follows the names; it tells the column of times and its unit."""
        if len(lines) < 2 or not self._is_data(lines[1]):
            return False
        units = [c.strip().strip("()[]").lower() for c in self._fields(lines[0])]
        if len(units) != len(self.names) or not all(_UNIT.fullmatch(unit) for unit in units):
            return False
        time = next((k for k, unit in enumerate(units) if unit in columns.UNIT_WORDS), None)
        if time is not None:
            self.names[time] = f"time ({columns.UNIT_WORDS[units[time]]})"
        return True

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
        lines = (line for line in islice(file, self.skip, None) if line.strip())
        for _ in range(self.headed + self.units):
            next(lines, None)
        row = 0
        origins: dict[int, Decimal] | None = None
        while some := list(islice(lines, _ROWS)):
            if origins is None:
                origins = self._calendar(some[0])
            quick = None if origins else self._numbers(some)
            yield quick or self._cells(some, row, origins)
            row += len(some)

    def _numbers(self, lines: list[str]) -> columns.Table | None:
        """The quick way for rows of short numbers alone; None where there is more to it."""
        if self.comma:
            return None
        try:
            table = np.loadtxt(
                lines, delimiter=None if self.delimiter == " " else self.delimiter,
                comments=None, ndmin=2,
            )  # fmt: skip
        except ValueError:
            return None
        if table.shape != (len(lines), len(self.names)) or not np.isfinite(table).all():
            return None
        whole = (table == np.rint(table)).all(axis=0) & (np.abs(table) < 1 << 53).all(axis=0)
        return {
            name: table[:, k].astype(np.int64) if whole[k] else table[:, k]
            for k, name in enumerate(self.names)
        }

    def _cells(self, lines: list[str], row: int, origins: dict[int, Decimal]) -> columns.Table:
        """Rows of anything."""
        rows = list(csv.reader(lines, delimiter=self.delimiter, skipinitialspace=True))
        width = len(self.names)
        if all(len(r) == width + 1 and not r[-1].strip() for r in rows):
            rows = [r[:width] for r in rows]  # each line ends with the delimiter
        for k, cells in enumerate(rows):
            if len(cells) != width:
                raise UserError(
                    f"row {row + k + 1} of {self.path} has {len(cells)} fields where the others "
                    f"have {width}: the file is cut or damaged there"
                )
        made = zip(*rows, strict=True)
        return {
            name: self._column(cells, row, name, origins.get(k))
            for k, (name, cells) in enumerate(zip(self.names, made, strict=True))
        }

    def _column(
        self, cells: tuple[str, ...], row: int, name: str, origin: Decimal | None
    ) -> NDArray[Any]:
        """Numbers, levels or text."""
        if self.comma:
            cells = tuple(c.replace(",", ".") for c in cells)
        if origin is not None:
            with suppress(InvalidOperation, OverflowError):
                return _less(cells, origin)
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
        return values

    def _calendar(self, line: str) -> dict[int, Decimal]:
        """Columns of times of a calendar, such as seconds since 1970, and what is taken off them.

        Binary numbers so large have not the digits of a nanosecond.
        """
        cells = self._fields(line)
        large = {}
        for k, cell in enumerate(cells):
            value = self._number(cell)
            if value is None or not isfinite(value) or abs(value) <= _CALENDAR:
                continue
            if not float(value).is_integer():
                large[k] = Decimal(int(value))
        return dict.fromkeys(large, min(large.values())) if large else {}


def _less(cells: tuple[str, ...], origin: Decimal) -> NDArray[np.float64]:
    """Large numbers less a first one, to the last digit."""
    return np.array([float(Decimal(c.strip()) - origin) if c.strip() else np.nan for c in cells])


def _delimiter(lines: list[str]) -> str:
    """What stands between the fields: what every line has as often as the first.

    Where more than one does, not the comma, which may be that of the numbers.
    """
    best = max(
        ("\t", ";", ","),
        key=lambda d: (d in lines[0] and len({line.count(d) for line in lines}) == 1,
                       d != "," and d in lines[0], lines[0].count(d)),
    )  # fmt: skip
    if best not in lines[0] and " " in lines[0].strip() and len(lines[0].split()) > 1:
        return " "
    return best


def _beside(path: Path) -> tuple[int | None, str]:
    """Length of a tick, and the words of the description beside our own tables."""
    beside = path.with_name(f"{path.name}-metadata.json")
    try:
        about = json.loads(small_text(beside))
        for column in about["tableSchema"]["columns"]:
            if column["name"] == "tick" and (m := _TICK.fullmatch(column["schema:unitText"])):
                return int(m[1]), str(about.get("dc:description"))
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return None, ""
