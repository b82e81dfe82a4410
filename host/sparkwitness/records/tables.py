"""A recording's edges, events and supply voltage as tables, in pieces however long it is."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, EdgeDecoder, Loss
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.timing import measure, trigger
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup

Ticks = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]
Progress = Callable[[int], None]

_WINDOW, _OVERLAP = 50_000, 100  # clamp edges and events, see `events`


@dataclass(frozen=True)
class Column:
    """A column: numpy type, unit ("" for none) and meaning."""

    kind: str
    unit: str
    about: str


_SESSION = Column("uint16", "", "the board's session; ticks count from its start")
TABLES: dict[str, dict[str, Column]] = {
    "edges": {
        "session": _SESSION,
        "input": Column("str", "", f"input: {', '.join(wire.INPUTS)}"),
        "tick": Column("int64", "tick", "time of the edge"),
        "lost_before": Column("bool", "", "edges of this input were lost just before this one"),
    },
    "events": {
        "session": _SESSION,
        "tick": Column("int64", "tick", "time of the first spark"),
        "timing": Column("float64", "deg", "crank angle of the first spark, BTDC positive"),
        "speed": Column("float64", "rev/min", "crank speed around the event; NaN: not known"),
        "sparks": Column("int64", "", "number of sparks; 0: the burst's end was not seen"),
        "last_tick": Column("int64", "tick", "time of the last spark"),
        "to_edge": Column("float64", "deg", "crank angle to the nearest reference edge"),
        "cylinder": Column("int64", "", "number of the cylinder; 0: not told"),
        "trigger": Column("float64", "deg", "trigger angle, BTDC positive; NaN: no trigger"),
        "delay": Column("float64", "us", "from the trigger to the first spark; NaN: no trigger"),
        "dwell": Column("float64", "ms", "on-time before the trigger; NaN: not known"),
    },
    "supply": {
        "session": _SESSION,
        "tick": Column("int64", "tick", "time of the heartbeat"),
        "supply": Column("int64", "mV", "lowest supply voltage since the heartbeat before"),
    },
}


@dataclass
class Piece:
    """Edges of all inputs in order of time.

    Attributes:
        number: of the session in the recording, from 0.
        session: the board's number for it.
        tick: int64[n].
        which: int64[n], index into `wire.INPUTS`.
        lost_before: bool[n].
    """

    number: int
    session: int
    tick: Ticks
    which: Ticks
    lost_before: NDArray[np.bool_]


@dataclass
class Session:
    """One session of a recording.

    Attributes:
        id: the board's number for it.
        last: tick of the last edge or heartbeat.
        supply: tick int64[n] and lowest supply voltage in mV int64[n] of the heartbeats.
    """

    id: int
    last: int = 0
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
    for batch in _batches(recording, decoder, progress):
        if not found or batch.session != found[-1].id:
            found.append(Session(batch.session))
            beats.append([])
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
    tick, mark = np.concatenate(batch.ticks), np.concatenate(lost)
    return Piece(number, batch.session, tick, which, mark)


def _cut(piece: Piece, part: slice) -> Piece:
    return replace(
        piece,
        tick=piece.tick[part],
        which=piece.which[part],
        lost_before=piece.lost_before[part],
    )


def _merge(held: list[Piece]) -> Piece:
    tick = np.concatenate([p.tick for p in held])
    which = np.concatenate([p.which for p in held])
    lost = np.concatenate([p.lost_before for p in held])
    order = np.lexsort((which, tick))
    return replace(held[0], tick=tick[order], which=which[order], lost_before=lost[order])


def events(
    recording: Recording, setup: Setup, progress: Progress = lambda _: None
) -> Iterator[tuple[int, Columns]]:
    """Events in order: (number of the session from 0, columns as in `TABLES["events"]`).

    A recording of up to `_WINDOW` clamp edges is judged as a whole, as `measure` does it; a longer
    one in stretches of that length that overlap.
    """
    which = wire.INPUTS.index(setup.clamp_input)
    number, session, told, new = -1, -1, -1, 0
    analyzer: Analyzer | None = None
    for batch in _batches(recording, EdgeDecoder(), progress):
        if batch.session != session:
            if analyzer is not None:
                yield number, _told(setup, analyzer.finish(), session, told)
            analyzer = Analyzer(setup, recording.tick_ps)
            number, session, told, new = number + 1, batch.session, -1, 0
        assert analyzer is not None
        analyzer.take(batch)
        new += len(batch.ticks[which])
        if new < _WINDOW:
            continue
        new = 0
        tables = analyzer.tables()
        timed = measure.timed(setup, tables)
        if isinstance(timed, Finding):
            analyzer.forget(batch.complete)
        elif len(timed.events.tick) > 2 * _OVERLAP:
            ticks = timed.events.tick
            cut = int(ticks[-_OVERLAP])
            yield number, _told(setup, tables, session, told, cut)
            told = cut - 1
            analyzer.forget(int(ticks[-2 * _OVERLAP]))
    if analyzer is not None:
        yield number, _told(setup, analyzer.finish(), session, told)


def _told(setup: Setup, tables: Tables, session: int, after: int, before: int = 1 << 62) -> Columns:
    """Columns of the events between two ticks, both excluded."""
    timed = measure.timed(setup, tables)
    if isinstance(timed, Finding):
        return {n: np.empty(0, c.kind) for n, c in TABLES["events"].items()}
    part = timed.pick((timed.events.tick > after) & (timed.events.tick < before))
    found = part.events
    tap = trigger.each(setup, tables, found, part.angles, part.speed)
    return {
        "session": np.full(len(found.tick), session, np.uint16), "tick": found.tick,
        "timing": part.angles, "speed": part.speed, "sparks": found.sparks,
        "last_tick": found.last_tick, "to_edge": found.to_edge,
        "cylinder": measure.cylinder_numbers(setup, part), "trigger": tap.asked,
        "delay": tap.delay_us, "dwell": tap.dwell_ms,
    }  # fmt: skip


def supply(session: Session) -> Columns:
    """A session's supply table: columns as in `TABLES["supply"]`."""
    tick, millivolts = session.supply
    return {
        "session": np.full(len(tick), session.id, np.uint16), "tick": tick, "supply": millivolts
    }  # fmt: skip
