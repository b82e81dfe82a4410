"""Streaming: a board's bytes to tables of sparks and crank periods.

The pieces in which the bytes come change nothing; memory is bounded at any length.
"""

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, EdgeDecoder, Loss
from sparkwitness.decode.flanks import Flank, Tap, meant
from sparkwitness.timing.angle import CrankTracker, Periods, Reference, Track
from sparkwitness.timing.events import DeadTime
from sparkwitness.timing.placing import AngleReader, Marked, Placed
from sparkwitness.timing.polarity import Polarity, PolarityKeeper
from sparkwitness.timing.ripple import TurnKeeper, Turns
from sparkwitness.timing.setup import Setup

Ticks = NDArray[np.int64]

CRANK, TRIGGER = wire.INPUTS.index("crank"), wire.INPUTS.index("trigger")
# Kept by `Analyzer`: 26 MB, 72 MB and 51 MB.
MOST_SPARKS, MOST_PERIODS, MOST_TRIGGERS = 750_000, 1_500_000, 1_500_000
LOOK_SPARKS = 10_000  # the newest: more make no look better, only slower
_SUPPLY_KEPT, _LOG_KEPT = 600, 100  # after `Analyzer.forget`: a minute of heartbeats
_MOST_SUPPLY, _MOST_LOG = 100_000, 10_000
_NOT_MEASURED = 65535


@dataclass
class Tables:
    """All that the stream held, ready for `evaluate`.

    Attributes:
        sparks: placed sparks of the clamp, ringing taken out; `lost_before` bool per spark.
        periods: the crank's good periods.
        tick_s: seconds per tick.
        seconds: length of the stream by the board's clock.
        crank_edges, crank_rejected: edges seen, and those in stretches that do not fit the wheel.
        clamp_edges, ringing: edges seen on the clamp, and those refused by the dead time.
        supply_mv: lowest supply voltage by heartbeat; empty if not measured.
        supply_tick: of the last ones of these, those of the last session, when they came.
        loss: the decoder's counts.
        dropped: the oldest sparks, left out because more came than are kept.
        turns: the newest whole turns of the wheel, of the last session; None: not kept.
        sessions: where sparks, periods, trigger and index of each session begin; a board that was
            restarted, or recordings joined to one, make several.
        trigger: edges of the trigger tap.
        index: sparks of the other clamp, where it is used.
        cut: the session's beginning is not in it any more.
        polarity: what the last session's slow turns show of a VR sensor; None: of no such one.
    """

    sparks: Placed
    lost_before: NDArray[np.bool_]
    periods: Periods
    tick_s: float
    seconds: float
    crank_edges: int
    crank_rejected: int
    clamp_edges: int
    ringing: int
    supply_mv: list[int]
    loss: Loss
    dropped: int = 0
    turns: Turns | None = None
    sessions: tuple[tuple[int, ...], ...] = ((0, 0, 0, 0),)
    trigger: Marked = field(default_factory=Marked.none)
    index: Marked = field(default_factory=Marked.none)
    supply_tick: list[int] = field(default_factory=list)
    cut: bool = False
    polarity: Polarity | None = None

    def apart(self) -> "list[Tables]":
        """The sessions' own tables, those without a spark left out; counts are of all."""
        ends = (len(self.sparks), len(self.periods.start), len(self.trigger), len(self.index))
        parts = []
        for k, (start, end) in enumerate(pairwise((*self.sessions, ends))):
            if end[0] > start[0] and end[1] > start[1]:
                sparks, periods, trigger, index = map(slice, start, end)
                last = k == len(self.sessions) - 1
                parts.append(
                    replace(
                        self,
                        sparks=self.sparks.pick(sparks),
                        lost_before=self.lost_before[sparks],
                        periods=self.periods.pick(periods),
                        turns=self.turns if last else None,
                        sessions=((0, 0, 0, 0),),
                        trigger=self.trigger.pick(trigger),
                        index=self.index.pick(index),
                        supply_tick=self.supply_tick if last else [],
                        cut=self.cut and k == 0,
                        polarity=self.polarity if last else None,
                    )
                )
        return parts


class _Columns:
    """A table that grows at its end and loses its beginning; what it gave out stays as it was."""

    def __init__(self, **empty: NDArray[Any]) -> None:
        self._columns = empty
        self.n = 0

    def append(self, **part: NDArray[Any]) -> None:
        end = self.n + len(next(iter(part.values())))
        for name, values in part.items():
            column = self._columns[name]
            if len(column) < end:
                # One column after the other, so that memory never holds the table twice; room that
                # is not written yet takes none.
                column = np.empty(4 * end, column.dtype)
                column[: self.n] = self._columns[name][: self.n]
                self._columns[name] = column
            column[self.n : end] = values
        self.n = end

    def drop(self, k: int) -> None:
        """Lose the first k rows."""
        if k > 0:
            for name, column in self._columns.items():
                self._columns[name] = column[k : self.n].copy()
            self.n -= k

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self._columns[name][: self.n]

    def all(self) -> dict[str, NDArray[Any]]:
        return {name: self[name] for name in self._columns}


class _Lane:
    """Edges of one input with their angles, from piece to piece and session to session."""

    def __init__(self, reference: Reference) -> None:
        self._reference = reference
        self._placed = _Columns(**vars(Placed.join([])))
        none = Marked.none()
        self._marks = _Columns(lost=none.lost, level=none.level)

    def open(self) -> None:
        """Begin a session: no angle across the gap."""
        self._reader = AngleReader(self._reference)

    @property
    def n(self) -> int:
        return self._placed.n

    @property
    def ticks(self) -> NDArray[np.int64]:
        return self._placed["tick"]

    @property
    def placed(self) -> _Columns:
        return self._placed

    def feed(
        self, track: Track, ticks: NDArray[np.int64], lost: NDArray[np.bool_],
        level: NDArray[np.int8], complete: int, last: bool = False,
    ) -> None:  # fmt: skip
        """Take the next edges; see `AngleReader.feed`."""
        self._marks.append(lost=lost, level=level)
        self._placed.append(**vars(self._reader.feed(track, ticks, complete, last)))

    def since(self, begins: int, tick: int) -> int:
        """The first edge at a tick or later of the last session, which begins at that edge."""
        return begins + int(np.searchsorted(self.ticks[begins:], tick))

    def drop(self, k: int) -> None:
        """Lose the first k edges."""
        self._placed.drop(k)
        self._marks.drop(k)

    def table(self, first: int) -> Marked:
        """The edges from one on."""
        part = slice(first, self.n)
        marks = self._marks
        return Marked(
            Placed(**self._placed.all()).pick(part), marks["lost"][part], marks["level"][part]
        )


class Analyzer:
    """Streaming: bytes as received in, tables out. The pieces' sizes change nothing.

    Memory stays bounded at any length: of what is placed, the newest `MOST_SPARKS` sparks and
    `MOST_PERIODS` crank periods are kept (with four sparks a cycle at 6000 rev/min, 62 minutes).
    """

    def __init__(self, setup: Setup, tick_ps: int = 24_000) -> None:
        self.setup = setup
        self.decoder = EdgeDecoder()
        self.tick_ps = tick_ps
        self.log: list[str] = []
        self._clamp = wire.INPUTS.index(setup.clamp_input)
        self._other = None if setup.index is None else wire.INPUTS.index(setup.index)
        self._session: int | None = None
        self._sparks, self._trigger, self._index = (_Lane(setup.reference) for _ in range(3))
        self._periods = _Columns(**vars(Periods.join([])))
        self._supply: list[int] = []
        self._supply_tick: list[int] = []
        self._seconds = 0.0
        self._clamp_edges = 0
        self._ringing = 0
        self._crank = CrankTracker(setup.reference)
        self._turns = TurnKeeper(setup.reference)
        self._polarity: PolarityKeeper | None = None
        if setup.sensor == "vr":
            self._polarity = PolarityKeeper(setup.reference, "crank" in setup.falling)
        self._begins: list[tuple[int, ...]] = [(0, 0, 0, 0)]  # see `Tables.sessions`
        self._forgotten = False
        self._dropped = 0
        self._open()

    def _open(self) -> None:
        """Begin a session: new time base, no angle across the gap."""
        dead = max(1, round(self.setup.dead_time_us * 1e6 / self.tick_ps))
        self._dead, self._dead_other = DeadTime(dead), DeadTime(dead)
        for lane in (self._sparks, self._trigger, self._index):
            lane.open()
        self._flanks = {name: Flank(0 if name in self.setup.falling else 1) for name in wire.INPUTS}
        falling = "trigger" in self.setup.falling
        self._tap = Tap(meant(self.decoder.hello, TRIGGER, falling))
        if self._polarity is not None:
            self._polarity.cut()
        self._complete = 0

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        for batch in self.decoder.feed(data):
            if batch.session != self._session:
                self._close()
                if self._rows() != self._begins[-1]:
                    self._begins.append(self._rows())
                    self._turns.clear()
                    if self._polarity is not None:
                        self._polarity.clear()
                self._session = batch.session
                for message in batch.messages:
                    if message.name == "hello":
                        self.tick_ps = message.fields["tick_ps"]
                self._open()
                self._supply_tick = []
            self.take(batch)

    def finish(self) -> Tables:
        """Judge what was held back, and give the tables."""
        self._close()
        self.decoder.finish()
        return self.tables()

    def _rows(self) -> tuple[int, ...]:
        return self._sparks.n, self._periods.n, self._trigger.n, self._index.n

    def _close(self) -> None:
        none = Marked.none()
        ticks = none.at.tick
        track, periods = self._crank.feed(ticks, ticks, last=True)
        self._turned(track, periods)
        for lane in (self._sparks, self._trigger, self._index):
            lane.feed(track, ticks, none.lost, none.level, self._complete, last=True)
        self._seconds += self._complete * self.tick_ps * 1e-12
        self._ringing += self._dead.rejected
        self._crank = self._crank.successor()
        self._open()

    def _turned(self, track: Track, periods: Periods) -> None:
        """Keep what the crank has turned."""
        self._turns.feed(track)
        if self._polarity is not None:
            self._polarity.take(track, periods, self.tick_ps * 1e-12)
        self._periods.append(**vars(periods))

    def _wanted(self, batch: Batch, which: int) -> tuple[Ticks, Ticks]:
        """Edges of the flank that is timed, and their breaks."""
        flank = self._flanks[wire.INPUTS[which]]
        return flank.feed(batch.ticks[which], batch.breaks[which], batch.levels[which])

    def take(self, batch: Batch) -> None:
        """Take the next decoded edges of the session."""
        if self._polarity is not None:
            self._polarity.feed(batch.ticks[CRANK], batch.breaks[CRANK], batch.levels[CRANK])
        track, periods = self._crank.feed(*self._wanted(batch, CRANK))
        edges, breaks = self._wanted(batch, self._clamp)
        clamp, lost = self._dead.feed(edges, breaks)
        self._clamp_edges += len(edges)
        self._complete = done = batch.complete
        self._turned(track, periods)
        self._sparks.feed(track, clamp, lost, np.ones(len(clamp), np.int8), done)
        if self.setup.trigger != "none":
            tap = self._tap.feed(batch.ticks[TRIGGER], batch.breaks[TRIGGER], batch.levels[TRIGGER])
            self._trigger.feed(track, batch.ticks[TRIGGER], *tap, done)
        if self._other is not None:
            clamp, lost = self._dead_other.feed(*self._wanted(batch, self._other))
            self._index.feed(track, clamp, lost, np.ones(len(clamp), np.int8), done)
        measured = batch.beats[batch.beats["supply_mv"] != _NOT_MEASURED]
        self._supply += measured["supply_mv"].tolist()
        self._supply_tick += measured["time"].tolist()
        if len(batch.messages) > len(batch.beats):
            self.log += [m.fields["text"] for m in batch.messages if m.name == "log"]
        self._bound()

    def _bound(self) -> None:
        """Let the oldest go once there is an eighth more than is kept."""
        if (
            self._sparks.n > MOST_SPARKS * 9 // 8
            or self._periods.n > MOST_PERIODS * 9 // 8
            or max(self._trigger.n, self._index.n) > MOST_TRIGGERS * 9 // 8
        ):
            self._drop_old()
        if len(self._supply) > _MOST_SUPPLY * 5 // 4:
            # The lowest stays the lowest.
            self._supply[:-_MOST_SUPPLY] = [min(self._supply[:-_MOST_SUPPLY])]
            del self._supply_tick[: -_MOST_SUPPLY - 1]
        del self.log[:-_MOST_LOG]

    def _drop_old(self) -> None:
        """Keep no more than the newest of each."""
        sparks, periods = self._sparks.placed, self._periods
        k, m = sparks.n - MOST_SPARKS, periods.n - MOST_PERIODS
        if m > 0:
            periods.drop(m)
            # A spark must not outlive the period in which it came.
            first = periods["segment"][0]
            begins = periods["number"][0] * self.setup.reference.period
            segment = sparks["segment"]
            orphan = (segment >= 0) & (
                (segment < first) | ((segment == first) & (sparks["degrees"] < begins))
            )
            k = max(k, int(np.flatnonzero(orphan)[-1]) + 1 if orphan.any() else 0)
        rest = [max(0, lane.n - MOST_TRIGGERS) for lane in (self._trigger, self._index)]
        if 0 < k < sparks.n:
            # The session of the first spark that is left, and what came before it in that.
            at = max(j for j, begin in enumerate(self._begins) if begin[0] <= k)
            tick, begin = sparks["tick"][k], self._begins[at]
            ends = self._begins[at + 1] if at + 1 < len(self._begins) else self._rows()
            for j, lane in enumerate((self._trigger, self._index)):
                part = lane.ticks[begin[2 + j] : ends[2 + j]]
                rest[j] = max(rest[j], begin[2 + j] + int(np.searchsorted(part, tick)))
        for lane, gone in zip((self._trigger, self._index), rest, strict=True):
            lane.drop(gone)
        if k > 0:
            self._sparks.drop(k)
            self._forgotten = True
            self._dropped += k
        self._shift((k, m, *rest))

    def _shift(self, gone: tuple[int, ...]) -> None:
        """So many of the oldest went: sessions begin so much earlier, some are gone."""
        moved = [
            tuple(max(0, at - max(k, 0)) for at, k in zip(begin, gone, strict=True))
            for begin in self._begins
        ]
        ended = [not any(after[:2]) for after in moved[1:]]
        self._begins = [m for m, over in zip(moved, [*ended, False], strict=True) if not over]

    @property
    def clock(self) -> tuple[int | None, int]:
        """Session that streams now, and its tick before which every edge has arrived."""
        return self._session, self._complete

    def forget(self, before: int) -> None:
        """Bound memory where only the newest counts: drop sparks and crank before a tick.

        Sessions before this one go altogether; counts of losses and of refused edges stay. The
        first spark that is left counts as one before which edges were lost, since its event may
        have begun among those dropped.
        """
        begins = self._begins[-1]
        k = self._sparks.since(begins[0], before)
        ends = (self._periods["start"] + self._periods["length"])[begins[1] :]
        m = begins[1] + int(np.searchsorted(ends, before, side="right"))
        self._sparks.drop(k)
        self._periods.drop(m)
        self._trigger.drop(self._trigger.since(begins[2], before))
        self._index.drop(self._index.since(begins[3], before))
        self._begins = [(0, 0, 0, 0)]
        self._forgotten |= k > 0
        del self._supply[:-_SUPPLY_KEPT], self.log[:-_LOG_KEPT]
        del self._supply_tick[:-_SUPPLY_KEPT]

    def tables(self, newest: int | None = None) -> Tables:
        """What can be told by now.

        Args:
            newest: no more than so many sparks, and the crank since then, so that a look takes
                no longer the longer the run is; None: all.
        """
        self._drop_old()
        sessions = tuple(self._begins)
        start, tick = [0, 0, 0], None
        if newest is not None and self._sparks.n > newest:
            begins, sessions = sessions[-1], ((0, 0, 0, 0),)
            newest = max(1, min(newest, self._sparks.n - begins[0]))
            tick = int(self._sparks.ticks[-newest])
            start = [
                self._sparks.n - newest,
                self._trigger.since(begins[2], tick),
                self._index.since(begins[3], tick),
            ]
        sparks, periods = self._sparks.table(start[0]), Periods(**self._periods.all())
        if tick is not None:
            first = periods.since(sparks.at.segment[0], tick) - 1
            periods = periods.pick(slice(max(0, first), None))
        lost = sparks.lost
        if self._forgotten or tick is not None:
            lost = lost.copy()  # a look marks nothing in what is kept
            lost[:1] = True  # its event may have begun before
        return Tables(
            sparks=sparks.at,
            lost_before=lost,
            periods=periods,
            tick_s=self.tick_ps * 1e-12,
            seconds=self._seconds + self._complete * self.tick_ps * 1e-12,
            crank_edges=self._crank.edges_seen,
            crank_rejected=self._crank.edges_rejected,
            clamp_edges=self._clamp_edges,
            ringing=self._ringing + self._dead.rejected,
            supply_mv=self._supply,
            loss=self.decoder.loss,
            dropped=self._dropped,
            turns=self._turns.turns(),
            sessions=sessions,
            trigger=self._trigger.table(start[1]),
            index=self._index.table(start[2]),
            supply_tick=self._supply_tick,
            cut=self._forgotten or tick is not None,
            polarity=None if self._polarity is None else self._polarity.result(),
        )
