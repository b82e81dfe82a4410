"""A recording's edges, events and supply voltage as tables, in pieces however long it is."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, EdgeDecoder, Loss
from sparkwitness.decode.flanks import UNKNOWN, Levels
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.timing import gates, measure, rotor, trigger
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed, cylinder_numbers, time_events, whole

Ticks = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]
Progress = Callable[[int], None]

_WINDOW, _OVERLAP = 50_000, 100  # clamp edges and events, see `events`


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Attributes:
        kind: numpy type.
        unit: "" for none, "tick" for the board's counts; those of other units are in the name.
        about: meaning.
        unknown: what stands for a value that is not known; of numbers with decimals it is NaN.
    """

    kind: str
    unit: str
    about: str
    unknown: int | None = None

    def known(self, values: NDArray[Any]) -> NDArray[np.bool_]:
        """bool[n]: which values are known; the others are null in every format."""
        if values.dtype.kind == "f":
            return np.asarray(np.isfinite(values), np.bool_)
        if self.unknown is None:
            return np.ones(len(values), np.bool_)
        return np.asarray(values != self.unknown, np.bool_)


_SESSION = Column("uint16", "", "the board's session; ticks count from its start")
_TIME = Column("float64", "s", "the same in seconds on one axis: sessions follow one another")
TABLES: dict[str, dict[str, Column]] = {
    "edges": {
        "session": _SESSION,
        "input": Column("str", "", f"input: {', '.join(wire.INPUTS)}"),
        "tick": Column("int64", "tick", "time of the edge"),
        "time_s": _TIME,
        "level": Column("int8", "", "level after it; null: one flank only is stamped", UNKNOWN),
        "lost_before": Column("bool", "", "edges of this input were lost just before this one"),
    },
    "events": {
        "session": _SESSION,
        "tick": Column("int64", "tick", "time of the first spark"),
        "time_s": _TIME,
        "timing_deg_btdc": Column(
            "float64", "deg", "crank angle of the first spark, BTDC positive; null: refused"
        ),
        "stray": Column("bool", "", "at another place than most; left out of the measured timing"),
        "speed_rpm": Column("float64", "rev/min", "crank speed around the event; null: not known"),
        "sparks": Column("int64", "", "number of sparks; null: the burst's end was not seen", 0),
        "last_spark_tick": Column("int64", "tick", "time of the last spark"),
        "last_spark_s": _TIME,
        "to_edge_deg": Column("float64", "deg", "crank angle to the nearest reference edge"),
        "cylinder": Column("int64", "", "number of the cylinder; null: not told", 0),
        "trigger_deg_btdc": Column("float64", "deg", "trigger angle, BTDC positive; null: none"),
        "delay_us": Column("float64", "us", "trigger to first spark; null: no trigger"),
        "dwell_ms": Column("float64", "ms", "on-time before the trigger; null: not known"),
        "rotor_deg": Column(
            "float64",
            "deg",
            "distributor degrees of the rotor before (+) or past (-) its "
            "segment's middle at the first spark; null: not typed where that is",
        ),
    },
    "supply": {
        "session": _SESSION,
        "tick": Column("int64", "tick", "time of the heartbeat"),
        "time_s": _TIME,
        "supply_mv": Column("int64", "mV", "lowest supply voltage since the heartbeat before"),
    },
}
SECONDS = {"time_s": "tick", "last_spark_s": "last_spark_tick"}
"""Columns in seconds that an export adds, and the ticks they are made of."""


@dataclass
class Piece:
    """Edges of all inputs in order of time.

    Attributes:
        number: of the session in the recording, from 0.
        session: the board's number for it.
        tick: int64[n].
        which: int64[n], index into `wire.INPUTS`.
        lost_before: bool[n].
        level: int8[n] level after each edge, `flanks.UNKNOWN` where one flank is stamped.
    """

    number: int
    session: int
    tick: Ticks
    which: Ticks
    lost_before: NDArray[np.bool_]
    level: Levels

    def of(self, which: int) -> "Piece":
        """The edges of one input."""
        mine = self.which == which
        return replace(
            self, tick=self.tick[mine], which=self.which[mine],
            lost_before=self.lost_before[mine], level=self.level[mine],
        )  # fmt: skip


@dataclass
class Session:
    """One session of a recording.

    Attributes:
        id: the board's number for it.
        last: tick of the last edge or heartbeat.
        supply: tick int64[n] and lowest supply voltage in mV int64[n] of the heartbeats.
        levels: of each input, the level before its first edge where both flanks are stamped;
            None for the others.
    """

    id: int
    last: int = 0
    levels: list[int | None] = field(default_factory=lambda: [None] * len(wire.INPUTS))
    supply: tuple[Ticks, Ticks] = (np.empty(0, np.int64), np.empty(0, np.int64))


def sessions(
    recording: Recording, progress: Progress = lambda _: None
) -> tuple[list[Session], Loss]:
    """The sessions of a recording in order, and what was lost of it.

    Args:
        recording: the bytes.
        progress: called with the number of bytes just read.

    Raises:
        UserError: there is not one good frame in it.
    """
    decoder = EdgeDecoder()
    found: list[Session] = []
    beats: list[list[tuple[int, int]]] = []
    open_: set[int] = set()  # inputs without an edge yet
    for batch in _batches(recording, decoder, progress):
        if not found or batch.session != found[-1].id:
            found.append(Session(batch.session))
            beats.append([])
            open_ = set(range(len(wire.INPUTS)))
        for which in [w for w in open_ if len(batch.ticks[w])]:
            level = batch.levels[which]
            found[-1].levels[which] = None if level is None else int(level[0] == 0)
            open_.discard(which)
        times = [int(t[-1]) for t in batch.ticks if len(t)]
        for message in batch.messages:
            if message.name == "heartbeat":
                times.append(message.fields["time"])
                if message.fields["supply_mv"] != 65535:
                    beats[-1].append((message.fields["time"], message.fields["supply_mv"]))
        found[-1].last = max(found[-1].last, *times, 0)
    if not decoder.loss.frames_good:
        raise UserError(
            f"{recording.path} holds {decoder.loss.bytes_total} bytes but not one good frame: "
            "it is damaged, or it was not recorded from a sparkwitness board"
        )
    for session, pairs in zip(found, beats, strict=True):
        table = np.array(pairs, np.int64).reshape(-1, 2)
        session.supply = table[:, 0], table[:, 1]
    return found, decoder.loss


def pieces(recording: Recording, progress: Progress = lambda _: None) -> Iterator[Piece]:
    """All edges in order of time, session after session, in bounded memory."""
    held: list[Piece] = []
    number, session = -1, -1
    for batch in _batches(recording, EdgeDecoder(), progress):
        if batch.session != session:
            if held:
                yield _merge(held)
            held = []
            number, session = number + 1, batch.session
        held.append(_piece(number, batch))
        # Later bytes may hold earlier edges, but none before `complete`.
        merged = _merge(held)
        ready = int(np.searchsorted(merged.tick, batch.complete))
        if ready:
            yield _cut(merged, slice(0, ready))
        rest = _cut(merged, slice(ready, None))
        held = [rest] if len(rest.tick) else []
    if held:
        yield _merge(held)


def _batches(recording: Recording, decoder: EdgeDecoder, progress: Progress) -> Iterator[Batch]:
    for chunk in recording.chunks():
        yield from decoder.feed(chunk)
        progress(len(chunk))
    decoder.finish()


def _piece(number: int, batch: Batch) -> Piece:
    lost = []
    for ticks, breaks in zip(batch.ticks, batch.breaks, strict=True):
        mark = np.zeros(len(ticks), np.bool_)
        mark[breaks] = True
        lost.append(mark)
    which = np.repeat(np.arange(len(batch.ticks)), [len(t) for t in batch.ticks])
    level = [
        np.full(len(ticks), UNKNOWN, np.int8) if one is None else one
        for ticks, one in zip(batch.ticks, batch.levels, strict=True)
    ]
    tick, mark = np.concatenate(batch.ticks), np.concatenate(lost)
    return Piece(number, batch.session, tick, which, mark, np.concatenate(level))


def _cut(piece: Piece, part: slice) -> Piece:
    return replace(
        piece,
        tick=piece.tick[part],
        which=piece.which[part],
        lost_before=piece.lost_before[part],
        level=piece.level[part],
    )


def _merge(held: list[Piece]) -> Piece:
    tick = np.concatenate([p.tick for p in held])
    which = np.concatenate([p.which for p in held])
    lost = np.concatenate([p.lost_before for p in held])
    level = np.concatenate([p.level for p in held])
    order = np.lexsort((which, tick))
    return replace(
        held[0], tick=tick[order], which=which[order], lost_before=lost[order], level=level[order]
    )


def events(
    recording: Recording,
    setup: Setup,
    progress: Progress = lambda _: None,
    refused: Callable[[int, Finding], None] = lambda _, __: None,
) -> Iterator[tuple[int, Columns]]:
    """Events in order: (number of the session from 0, columns as in `TABLES["events"]` less those
    in seconds).

    Args:
        recording, setup: what was recorded, and what was typed.
        progress: called with the number of bytes just read.
        refused: called with a session's id and why no angle can be told in a stretch of it. Where
            `measure` would show none, events have no angle either.

    A recording of up to `_WINDOW` clamp edges is judged as a whole, as `measure` does it; a longer
    one in stretches of that length that overlap.
    """
    which = wire.INPUTS.index(setup.clamp_input)
    number, session, told, new = -1, -1, -1, 0
    analyzer: Analyzer | None = None

    def timed_of(tables: Tables) -> tuple[Tables, Timed | Finding]:
        timed = time_events(setup, tables)
        why = timed if isinstance(timed, Finding) else None
        if isinstance(timed, Timed):
            why = gates.withheld(measure.evaluate(setup, tables).findings)
            if why is not None:
                timed = replace(timed, angles=np.full(len(timed.angles), np.nan))
        if why is not None:
            refused(session, why)
        return tables, timed

    for batch in _batches(recording, EdgeDecoder(), progress):
        if batch.session != session:
            if analyzer is not None:
                yield number, _told(setup, *timed_of(analyzer.finish()), session, told)
            analyzer = Analyzer(setup, recording.tick_ps)
            number, session, told, new = number + 1, batch.session, -1, 0
        assert analyzer is not None
        analyzer.take(batch)
        new += len(batch.ticks[which])
        if new < _WINDOW:
            continue
        new = 0
        tables, timed = timed_of(analyzer.tables())
        if isinstance(timed, Finding):
            analyzer.forget(batch.complete)
        elif len(timed.events.tick) > 2 * _OVERLAP:
            ticks = timed.events.tick
            cut = int(ticks[-_OVERLAP])
            yield number, _told(setup, tables, timed, session, told, cut)
            told = cut - 1
            analyzer.forget(int(ticks[-2 * _OVERLAP]))
    if analyzer is not None:
        yield number, _told(setup, *timed_of(analyzer.finish()), session, told)


def _told(
    setup: Setup,
    tables: Tables,
    timed: Timed | Finding,
    session: int,
    after: int,
    before: int = 1 << 62,
) -> Columns:
    """Columns of the events between two ticks, both excluded."""
    if isinstance(timed, Finding):
        return {n: np.empty(0, c.kind) for n, c in TABLES["events"].items() if n not in SECONDS}
    kept = timed.events.tick
    all_of_them = whole(setup, tables, timed)
    tick = all_of_them.events.tick
    part = all_of_them.pick((tick > after) & (tick < before))
    found, angles, speed = part.events, part.angles, part.speed
    at = np.minimum(np.searchsorted(kept, found.tick), len(kept) - 1)
    stray = kept[at] != found.tick
    angles = np.where(stray, angles, timed.angles[at])
    if not np.isfinite(timed.angles).any():
        angles[:] = np.nan
    speed = np.where(stray, speed, timed.speed[at])
    tap = trigger.each(setup, tables, found, angles, speed)
    return {
        "session": np.full(len(found.tick), session, np.uint16), "tick": found.tick,
        "timing_deg_btdc": angles, "stray": stray, "speed_rpm": speed, "sparks": found.sparks,
        "last_spark_tick": found.last_tick, "to_edge_deg": found.to_edge,
        "cylinder": cylinder_numbers(setup, replace(timed, events=found)),
        "trigger_deg_btdc": tap.asked, "delay_us": tap.delay_us, "dwell_ms": tap.dwell_ms,
        "rotor_deg": _rotor(setup, angles),
    }  # fmt: skip


def _rotor(setup: Setup, angles: NDArray[np.float64]) -> NDArray[np.float64]:
    if setup.rotor is None:
        return np.full(len(angles), np.nan)
    return np.asarray(rotor.phase(angles, setup.rotor, setup.strokes), np.float64)


def supply(session: Session) -> Columns:
    """A session's supply table: columns as in `TABLES["supply"]`."""
    tick, millivolts = session.supply
    return {
        "session": np.full(len(tick), session.id, np.uint16), "tick": tick, "supply_mv": millivolts
    }  # fmt: skip
