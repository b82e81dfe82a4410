"""Tables of other programs: what their columns mean, and the edges in them.

Four kinds are told apart: one row an edge, with the channel's name in a column; levels at the
times of a column, at every sample or at every change; voltages in the same way; and a column of
times for each channel.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.records.import_ import analog
from sparkwitness.records.import_.base import (
    MOST_TICKS,
    NONE,
    UNITS,
    Channel,
    Floats,
    Logged,
    Options,
    Ticks,
    levels_to_edges,
    one_clock,
    strictly,
    tick_of_rate,
    unit_ps,
)

Table = dict[str, NDArray[Any]]
"""Columns of equal length: float64, int64, bool, or text."""

UNIT_WORDS = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms", "us": "us",
    "µs": "us", "μs": "us", "ns": "ns", "ps": "ps", "sample": "samples", "samples": "samples",
}  # fmt: skip
_TIME = re.compile(
    r"(?:time|t|timestamp|seconds?|secs?|samples?|index|x-?axis)?"
    r"(?:[ _]?[\[(]?(s|secs?|seconds?|ms|us|µs|μs|ns|ps|samples?)[\])]?)?",
    re.IGNORECASE,
)
_SUFFIX = re.compile(r"[ _]?[\[(]?(?<![a-z])(s|sec|seconds?|ms|us|µs|μs|ns|ps|samples?)[\])]?$",
                     re.IGNORECASE)  # fmt: skip
_NAMES = ("input", "channel", "signal", "name")
_DIRECTIONS = ("edge", "level", "value", "state", "direction", "polarity")
_UP = {"1", "1.0", "true", "rising", "rise", "r", "up", "high", "h"}
_DOWN = {"0", "0.0", "false", "falling", "fall", "f", "down", "low", "l"}
_TRUE = {"1", "true", "yes"}


@dataclass(frozen=True)
class Source:
    """A table that can be read more than once.

    Attributes:
        tables: its rows in pieces.
        tick_ps: length of the unit of a column `tick`, as the file or its neighbour says.
        rate: samples a second, as the file says.
        rows: what a row is called in a sentence, such as "row".
    """

    tables: Callable[[], Iterable[Table]]
    tick_ps: int | None = None
    rate: float | None = None


def read(source: Source, options: Options) -> Logged:
    """Edges of a table.

    Raises:
        UserError: the columns' meaning cannot be told, or their values make no sense.
    """
    first = next(iter(source.tables()), None)
    if first is None or not len(next(iter(first.values()), NONE)):
        raise UserError("the table has no rows: export it again from the logger's program")
    rate = options.rate or source.rate
    name = _named_column(first)
    if name is not None:
        return _edge_rows(source, name, options)
    time = _time_column(first, options)
    rest = [c for c in first if c != time and _is_number(first[c])]
    if time is None and (rate is None or options.unit is not None):
        return _times_each(source, rest, options)
    if not rest:
        if time is not None and options.time is None:
            return _times_each(source, [time], options)
        raise UserError(f"there is no column of levels beside {time}")
    clock = _Clock(time, options, rate, source)
    if all(_two_levels(first[c]) for c in rest):
        return _levels(source, rest, clock)
    return _voltages(source, rest, clock, options)


def _is_number(values: NDArray[Any]) -> bool:
    return values.dtype.kind in "fiub"


def _two_levels(values: NDArray[Any]) -> bool:
    return bool(np.isin(values, (0, 1)).all())


def _named_column(table: Table) -> str | None:
    """The column with the channels' names: the only one of text, or the one that is called so."""
    text = [c for c, values in table.items() if not _is_number(values)]
    called = [c for c in text if c.strip().lower() in _NAMES]
    others = [c for c in text if c.strip().lower() not in _DIRECTIONS]
    return called[0] if called else others[0] if len(others) == 1 else None


def _time_column(table: Table, options: Options) -> str | None:
    if options.time is not None:
        if options.time not in table:
            raise UserError(
                f"there is no column {options.time!a}; the table has {', '.join(table)}"
            )
        return options.time
    numbers = [c for c in table if _is_number(table[c])]
    exact = [c for c in numbers if c.strip().lower() == "tick"]
    return next(iter(exact), None) or next(
        (c for c in numbers if c.strip() and _TIME.fullmatch(c.strip())), None
    )


def _unit_of(name: str, options: Options, source: Source) -> str | int:
    """Unit of a column: one of `UNITS`, or picoseconds of its ticks."""
    if options.unit is not None:
        return options.unit
    if name.strip().lower() == "tick":
        if source.tick_ps is None:
            raise UserError(
                "the length of a tick is not known: give --time with another column, or --unit "
                "samples with --rate (or keep the file -metadata.json beside the table)"
            )
        return source.tick_ps
    if name.strip().lower() in ("sample", "samples", "index"):
        return "samples"
    match = _SUFFIX.search(name.strip())
    unit = UNIT_WORDS.get(match[1].lower(), "s") if match else "s"
    assert unit in UNITS
    return unit


class _Clock:
    """Times of a table's rows in picoseconds, in order."""

    def __init__(
        self, column: str | None, options: Options, rate: float | None, source: Source
    ) -> None:
        self.column, self.rate = column, rate
        unit = "samples" if column is None else _unit_of(column, options, source)
        self.unit = Fraction(unit) if isinstance(unit, int) else unit_ps(unit, rate)
        # The step of the times as stated: a whole unit where they count something.
        self.counts = isinstance(unit, int) or unit == "samples"
        self.start()

    def start(self) -> None:
        self.rows, self.last, self.step = 0, -1, 0
        self.origin: float | int | None = None

    def of(self, table: Table) -> Ticks:
        """int64[n] picoseconds of the next rows.

        Raises:
            UserError: a time that is no number, too large, or earlier than the one before.
        """
        n = len(next(iter(table.values())))
        values = np.arange(self.rows, self.rows + n) if self.column is None else table[self.column]
        found = picoseconds(values, self.unit, self.rows, self.origin_of(values))
        if len(found):
            back = np.flatnonzero(np.diff(found, prepend=self.last) < 0)
            if len(back):
                raise UserError(
                    f"row {self.rows + int(back[0]) + 1} of the table is earlier than the one "
                    "before: the rows must be in order of time"
                )
            self.last = int(found[-1])
            self.step = int(np.gcd(self.step, np.gcd.reduce(found)))
        self.rows += n
        return found

    def origin_of(self, values: NDArray[Any]) -> float | int:
        """What is taken off all times: the first, where they are negative or of a calendar."""
        if self.origin is None:
            first = values[0] if len(values) else 0
            limit = 4000e12 / float(self.unit)
            self.origin = first if first < 0 or first > limit else 0
        return self.origin


def picoseconds(
    values: NDArray[Any], unit: Fraction, row: int = 0, origin: float | int = 0
) -> Ticks:
    """int64[n] whole picoseconds of times.

    Args:
        values: float64[n] or int64[n], in units.
        unit: picoseconds of a unit.
        row: number of rows before, for the sentence.
        origin: taken off before.

    Raises:
        UserError: a time that is no number or too large.
    """
    bad = np.flatnonzero(~np.isfinite(values)) if values.dtype.kind == "f" else NONE
    if len(bad):
        raise UserError(f"row {row + int(bad[0]) + 1} of the table has no time")
    values = values - origin
    most = int(np.abs(values).max()) if len(values) else 0
    if most * unit > MOST_TICKS:
        raise UserError(
            f"a time near row {row + int(np.argmax(np.abs(values))) + 1} of the table is too large "
            "to be one: are the times in the unit that the column's name says? --unit says another"
        )
    if values.dtype.kind in "iu" and unit.denominator == 1:
        return values.astype(np.int64) * int(unit)
    made: Ticks = np.rint(values.astype(np.float64) * float(unit)).astype(np.int64)
    return made


def _ticks(
    channels: Iterable[Channel],
    step: int,
    rate: float | None,
    notes: list[str],
    times: Ticks = NONE,
) -> int:
    """Turn picoseconds into ticks of one clock, in place; gives the tick's length.

    Args:
        channels, notes: changed.
        step, rate: see `one_clock`.
        times: int64[n] picoseconds of what else the clock has timed.
    """
    channels = list(channels)
    tick = one_clock([times, *(t for c in channels for t in (c.rising, c.falling))], step, rate)
    merged = 0
    for channel in channels:
        for name in ("rising", "falling"):
            ticks, double = strictly((getattr(channel, name) + tick // 2) // tick)
            setattr(channel, name, ticks)
            merged += double
        channel.lost = (channel.lost + tick // 2) // tick
    if merged:
        notes.append(f"{merged} edges closer than {tick / 1000:g} ns to the one before left out")
    return tick


def _edge_rows(source: Source, name: str, options: Options) -> Logged:
    """One row an edge: a time, the channel's name, perhaps its direction and session."""
    sessions: dict[int, dict[str, list[tuple[NDArray[Any], ...]]]] = {}
    clocks: dict[int, _Clock] = {}
    rate = options.rate or source.rate
    for table in source.tables():
        time = _time_column(table, options)
        if time is None:
            raise UserError(f"no column is called time; name one of {', '.join(table)} with --time")
        way = next((c for c in table if c.strip().lower() in _DIRECTIONS and c != name), None)
        n = len(table[time])
        up, told = _ups(table[way], way) if way is not None else (np.ones(n, np.bool_),) * 2
        told = told & (way is not None)
        lost = table.get("lost_before", np.zeros(n, np.bool_))
        if lost.dtype.kind not in "b":
            lost = np.isin(np.char.lower(lost.astype(str)), list(_TRUE))
        number = table.get("session", np.zeros(n, np.int64))
        for session in dict.fromkeys(number.tolist()):
            mine = number == session
            clock = clocks.setdefault(session, _Clock(time, options, rate, source))
            picos = clock.of({time: table[time][mine]})
            names = table[name][mine].astype(str)
            groups = sessions.setdefault(session, {})
            for channel in dict.fromkeys(names.tolist()):
                at = names == channel
                part = (
                    picos[at], up[mine][at], lost[mine][at].astype(np.bool_), told[mine][at]
                )  # fmt: skip
                groups.setdefault(channel, []).append(part)
    if len(sessions) > 1000:
        raise UserError(f"the table has {len(sessions)} sessions: is `session` something else?")
    made: list[dict[str, Channel]] = []
    for groups in sessions.values():
        channels = {}
        for channel, parts in groups.items():
            picos, ups, losts, told = (np.concatenate([p[k] for p in parts]) for k in range(4))
            directed = bool(told.all())
            ups |= not directed
            rising = picos[ups]
            one = Channel(channel, rising, picos[~ups], picos[losts], directed)
            channels[channel] = one
        made.append(channels)
    notes: list[str] = []
    every = [c for channels in made for c in channels.values()]
    first = next(iter(clocks.values()))
    counted = options.unit is None and first.counts and source.tick_ps is not None
    step = int(first.unit) if first.counts else 1
    tick = _ticks(every, step, None if counted else rate, notes)
    if counted and source.tick_ps is not None and tick != source.tick_ps:
        for one in every:  # the length of the board's tick is known: keep it
            for side in ("rising", "falling", "lost"):
                setattr(one, side, getattr(one, side) * tick // source.tick_ps)
        tick = source.tick_ps
    last = [max((int(t[-1]) for c in channels.values() for t in (c.rising, c.falling) if len(t)),
                default=0) for channels in made]  # fmt: skip
    ids = list(sessions)
    if not all(0 <= number < 1 << 16 for number in ids):
        ids = list(range(1, len(made) + 1))
    return Logged(made, tick, last, notes, ids=ids)


def _ups(values: NDArray[Any], column: str) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which edges rise, and of which that is told; a blank tells nothing."""
    words = np.char.lower(np.char.strip(values.astype(str)))
    up, down = np.isin(words, list(_UP)), np.isin(words, list(_DOWN))
    blank = np.isin(words, ("", "nan", "none"))
    odd = np.flatnonzero(~(up | down | blank))
    if len(odd):
        raise UserError(
            f"{str(words[odd[0]])!a} in column {column} is no level or direction: use 0 and 1, or "
            "rising and falling"
        )
    return up | blank, ~blank


def _times_each(source: Source, columns: Sequence[str], options: Options) -> Logged:
    """A column of times for each channel, of different lengths."""
    if not columns:
        raise UserError("the table has no column of numbers")
    parts: dict[str, list[Ticks]] = {c: [] for c in columns}
    units = {c: _unit_of(c, options, source) for c in columns}
    rate = options.rate
    origin: float | int | None = None
    row = 0
    for table in source.tables():
        for column in columns:
            values = table[column]
            if values.dtype.kind == "f":
                values = values[~np.isnan(values)]  # the shorter columns end in blanks
            unit = units[column]
            length = Fraction(unit) if isinstance(unit, int) else unit_ps(unit, rate)
            if origin is None and len(values):
                limit = 4000e12 / float(length)
                starts = [_first(table[c]) for c in columns]
                lowest = min((s for s in starts if s is not None), default=0)
                origin = lowest if lowest < 0 or lowest > limit else 0
            parts[column].append(picoseconds(values, length, row, origin or 0))
        row += len(table[columns[0]])
    channels = {}
    for column, found in parts.items():
        times = np.concatenate([NONE, *found])
        back = np.flatnonzero(np.diff(times) <= 0)
        if len(back):
            raise UserError(
                f"column {column} does not rise at its time {int(back[0]) + 2}: a column of times "
                "must rise; --time names the column of times for levels, --rate the samples a "
                "second where no column has times"
            )
        channels[column] = Channel(column, times, directed=False)
    notes: list[str] = []
    tick = _ticks(channels.values(), 1, rate, notes)
    last = max((int(c.rising[-1]) for c in channels.values() if len(c.rising)), default=0)
    return Logged([channels], tick, [last], notes)


def _first(values: NDArray[Any]) -> Any:
    real = values[~np.isnan(values)] if values.dtype.kind == "f" else values
    return real[0] if len(real) else None


def _levels(source: Source, columns: Sequence[str], clock: _Clock) -> Logged:
    """Columns of 0 and 1 at every sample or at every change."""
    found: dict[str, list[list[Ticks]]] = {c: [[], []] for c in columns}
    before: dict[str, bool | None] = dict.fromkeys(columns)
    clock.start()
    for table in source.tables():
        row, picos = clock.rows, clock.of(table)
        for column in columns:
            values = table[column]
            odd = np.flatnonzero(~np.isin(values, (0, 1)))
            if len(odd):
                raise UserError(
                    f"row {row + int(odd[0]) + 1} of column {column} holds {values[odd[0]]!s:.20}: "
                    "levels must be 0 or 1 from the first row to the last"
                )
            level = values.astype(np.bool_)
            for kept, part in zip(
                found[column], levels_to_edges(picos, level, before[column]), strict=True
            ):
                kept.append(part)
            before[column] = bool(level[-1]) if len(level) else before[column]
    channels = {}
    for column, (rising, falling) in found.items():
        up, down = np.concatenate([NONE, *rising]), np.concatenate([NONE, *falling])
        channels[column] = Channel(column, up, down)
    notes: list[str] = []
    # All rows tell the clock's step, not only those with an edge.
    tick = _ticks(channels.values(), 1, clock.rate, notes, np.array([clock.step]))
    return Logged([channels], tick, [clock.last // tick], notes)


def _voltages(source: Source, columns: Sequence[str], clock: _Clock, options: Options) -> Logged:
    """Columns of voltages: edges where they cross a level."""

    def samples() -> Iterator[analog.Block]:
        clock.start()
        for table in source.tables():
            picos = clock.of(table).astype(np.float64)
            values = np.stack([table[c].astype(np.float64) for c in columns], axis=1)
            if not np.isfinite(values).all():
                row = int(np.flatnonzero(~np.isfinite(values).all(axis=1))[0])
                raise UserError(f"row {clock.rows - len(picos) + row + 1} lacks a voltage")
            yield picos, values

    step = _sample_ps(samples())
    length = max(16, round(analog.BLOCK_S * 1e12 / step))
    made, traces = analog.edges(lambda: analog.in_blocks(samples(), length), columns, options)
    tick = max(1, min(tick_of_rate(1e12 / step), 10**9) // 64)
    channels = {}
    for channel, up, down in made:
        channel.rising, channel.falling = (
            strictly(np.rint(t / tick).astype(np.int64))[0] for t in (up, down)
        )
        channels[channel.name] = channel
    return Logged([channels], tick, [clock.last // tick], [], traces, 0.5e-6 * step)


def _sample_ps(blocks: Iterator[analog.Block]) -> float:
    """Time between two samples: the middle one of the first piece."""
    time: Floats = next(blocks)[0]
    step = float(np.median(np.diff(time))) if len(time) > 1 else 0.0
    if step <= 0:
        raise UserError("the times of the voltages do not rise")
    return step
