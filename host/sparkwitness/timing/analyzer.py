"""Streaming: a board's bytes to tables of sparks and crank periods.

The pieces in which the bytes come change nothing; memory is bounded at any length.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, EdgeDecoder, Loss
from sparkwitness.timing.angle import CrankTracker, Periods
from sparkwitness.timing.events import DeadTime
from sparkwitness.timing.placing import AngleReader, Placed
from sparkwitness.timing.ripple import TurnKeeper, Turns
from sparkwitness.timing.setup import Setup

CRANK = wire.INPUTS.index("crank")
MOST_SPARKS, MOST_PERIODS = 750_000, 1_500_000  # kept by `Analyzer`: 43 MB and 48 MB
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
        loss: the decoder's counts.
        dropped: the oldest sparks, left out because more came than are kept.
        turns: the newest whole turns of the wheel, of the last session; None: not kept.
        sessions: where the sparks and the periods of each session begin; a board that was
            restarted, or recordings joined to one, make several.
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
    sessions: tuple[tuple[int, int], ...] = ((0, 0),)

    def apart(self) -> "list[Tables]":
        """The sessions' own tables, those without a spark left out; counts are of all."""
        starts = [*self.sessions, (len(self.sparks.tick), len(self.periods.start))]
        parts = []
        for k, ((spark, period), (spark_end, period_end)) in enumerate(pairwise(starts)):
            if spark_end > spark and period_end > period:
                sparks = slice(spark, spark_end)
                parts.append(
                    replace(
                        self,
                        sparks=self.sparks.pick(sparks),
                        lost_before=self.lost_before[sparks],
                        periods=self.periods.pick(slice(period, period_end)),
                        turns=self.turns if k == len(self.sessions) - 1 else None,
                        sessions=((0, 0),),
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
            self.n = max(0, self.n - k)

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self._columns[name][: self.n]

    def all(self) -> dict[str, NDArray[Any]]:
        return {name: self[name] for name in self._columns}


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
        self._session: int | None = None
        self._sparks = _Columns(**vars(Placed.join([])))
        self._lost = _Columns(before=np.empty(0, np.bool_))
        self._periods = _Columns(**vars(Periods.join([])))
        self._supply: list[int] = []
        self._seconds = 0.0
        self._complete = 0
        self._clamp_edges = 0
        self._ringing = 0
        self._crank = CrankTracker(setup.reference)
        self._turns = TurnKeeper(setup.reference)
        self._begins = [(0, 0)]  # sparks and periods before each session
        self._forgotten = False
        self._dropped = 0
        self._open()

    def _open(self) -> None:
        """Begin a session: new time base, no angle across the gap."""
        self._dead = DeadTime(max(1, round(self.setup.dead_time_us * 1e6 / self.tick_ps)))
        self._reader = AngleReader(self.setup.reference)
        self._complete = 0

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        for batch in self.decoder.feed(data):
            if batch.session != self._session:
                self._close()
                if (self._sparks.n, self._periods.n) != self._begins[-1]:
                    self._begins.append((self._sparks.n, self._periods.n))
                    self._turns.clear()
                self._session = batch.session
                for message in batch.messages:
                    if message.name == "hello":
                        self.tick_ps = message.fields["tick_ps"]
                self._open()
            self.take(batch)

    def finish(self) -> Tables:
        """Judge what was held back, and give the tables."""
        self._close()
        self.decoder.finish()
        return self.tables()

    def _close(self) -> None:
        none = np.empty(0, np.int64)
        track, periods = self._crank.feed(none, none, last=True)
        self._turns.feed(track)
        self._periods.append(**vars(periods))
        self._sparks.append(**vars(self._reader.feed(track, none, self._complete, last=True)))
        self._seconds += self._complete * self.tick_ps * 1e-12
        self._ringing += self._dead.rejected
        self._crank = self._crank.successor()
        self._open()

    def take(self, batch: Batch) -> None:
        """Take the next decoded edges of the session."""
        track, periods = self._crank.feed(batch.ticks[CRANK], batch.breaks[CRANK])
        self._turns.feed(track)
        clamp, lost = self._dead.feed(batch.ticks[self._clamp], batch.breaks[self._clamp])
        self._clamp_edges += len(batch.ticks[self._clamp])
        self._complete = batch.complete
        self._periods.append(**vars(periods))
        self._lost.append(before=lost)
        self._sparks.append(**vars(self._reader.feed(track, clamp, batch.complete)))
        supply = batch.beats["supply_mv"]
        self._supply += supply[supply != _NOT_MEASURED].tolist()
        if len(batch.messages) > len(batch.beats):
            self.log += [m.fields["text"] for m in batch.messages if m.name == "log"]
        self._bound()

    def _bound(self) -> None:
        """Let the oldest go once there is an eighth more than is kept."""
        if self._sparks.n > MOST_SPARKS * 9 // 8 or self._periods.n > MOST_PERIODS * 9 // 8:
            self._drop_old()
        if len(self._supply) > _MOST_SUPPLY * 5 // 4:
            # The lowest stays the lowest.
            self._supply[:-_MOST_SUPPLY] = [min(self._supply[:-_MOST_SUPPLY])]
        del self.log[:-_MOST_LOG]

    def _drop_old(self) -> None:
        """Keep no more than the newest `MOST_SPARKS` and `MOST_PERIODS`."""
        sparks, periods = self._sparks, self._periods
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
        if k > 0:
            sparks.drop(k)
            self._lost.drop(k)
            self._forgotten = True
            self._dropped += k
        self._shift(k, m)

    def _shift(self, sparks: int, periods: int) -> None:
        """So many of the oldest went: sessions begin so much earlier, some are gone."""
        moved = [(max(0, k - max(sparks, 0)), max(0, m - max(periods, 0))) for k, m in self._begins]
        gone = [a == (0, 0) and b == (0, 0) for a, b in pairwise(moved)]
        self._begins = [m for m, lost in zip(moved, [*gone, False], strict=True) if not lost]

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
        old, older = self._begins[-1]
        k = old + int(np.searchsorted(self._sparks["tick"][old:], before))
        ends = (self._periods["start"] + self._periods["length"])[older:]
        m = older + int(np.searchsorted(ends, before, side="right"))
        self._sparks.drop(k)
        self._lost.drop(k)
        self._periods.drop(m)
        self._begins = [(0, 0)]
        self._forgotten |= k > 0
        del self._supply[:-_SUPPLY_KEPT], self.log[:-_LOG_KEPT]

    def tables(self, newest: int | None = None) -> Tables:
        """What can be told by now.

        Args:
            newest: no more than so many sparks, and the crank since then, so that a look takes
                no longer the longer the run is; None: all.
        """
        self._drop_old()
        if self._forgotten:
            self._lost["before"][:1] = True
        sparks, periods = Placed(**self._sparks.all()), Periods(**self._periods.all())
        lost = self._lost["before"][: self._sparks.n]
        sessions = tuple(self._begins)
        if newest is not None and len(lost) > newest:
            sessions = ((0, 0),)
            newest = max(1, min(newest, len(lost) - self._begins[-1][0]))
            sparks = sparks.pick(slice(-newest, None))
            first = periods.since(sparks.segment[0], sparks.tick[0]) - 1
            periods = periods.pick(slice(max(0, first), None))
            lost = lost[-newest:].copy()
            lost[0] = True  # its event may have begun before
        return Tables(
            sparks=sparks,
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
        )
