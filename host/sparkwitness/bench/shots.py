"""Bytes of a driven board to shots: what the module under test made of each trigger.

The board's bench output is also looped back to the trigger tap, so each trigger has an exact
stamp, and the crank angle between triggers is known from the drive: angles are exact, speed is
measured from the stamps.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from math import inf

import numpy as np
from numpy.typing import NDArray

from sparkwitness.bench import answers
from sparkwitness.bench.plan import SETTLE_S, Plan, Segment
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, EdgeDecoder
from sparkwitness.timing.events import DeadTime

Ticks = NDArray[np.int64]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TRIGGER = wire.INPUTS.index("trigger")
_BENCH_ON = wire.ENUMS["output_bits"]["bench"]
_NOT_MEASURED = 65535
# An answer comes, and its sparks follow each other, within this share of the time between two
# triggers; what comes later is a false event.
_ANSWER_SHARE = 0.35
_BEFORE = 0.1  # a late answer may come so much of the interval sooner than expected
_BURST_SPACINGS = 2.5  # so that one unseen spark does not cut a burst in two
_SPEED_WITHIN = 0.01


@dataclass(frozen=True, eq=False)
class Shots:
    """What the module made of each trigger; one element per trigger.

    Attributes:
        time: s since the board's session began.
        rpm: crank speed by the time since the trigger before; NaN where that is not known.
        delay_us: trigger to first spark; NaN: no spark answered.
        sparks: in the event, 0 for a drop-out.
        duration_us: first to last spark of the event; NaN: no spark answered.
        false: number of false events before the next trigger.
        false_us: trigger to the first of them, NaN where there is none.
    """

    time: Floats
    rpm: Floats
    delay_us: Floats
    sparks: Ints
    duration_us: Floats
    false: Ints
    false_us: Floats

    def pick(self, which: Bools) -> "Shots":
        """Those selected by a mask."""
        return Shots(*(getattr(self, f.name)[which] for f in fields(self)))

    @classmethod
    def join(cls, parts: Sequence["Shots"]) -> "Shots":
        """All of several, in order; empty for none."""
        none = (np.empty(0), np.empty(0, np.int64))
        return cls(
            *(
                np.concatenate([none[f.name in ("sparks", "false")]]
                               + [getattr(p, f.name) for p in parts])
                for f in fields(cls)
            )
        )  # fmt: skip

    @property
    def answered(self) -> Bools:
        """Whether a spark came."""
        return self.sparks > 0


def pair(
    trigger: Ticks,
    trigger_lost: Bools,
    spark: Ticks,
    spark_lost: Bools,
    complete: int,
    pitch_deg: float,
    tick_s: float,
    dwell_s: float = 0.0,
    late: answers.Late | None = None,
) -> tuple[Shots, Bools]:
    """Sparks to the trigger before them.

    Args:
        trigger: int64[n] firing edges, rising.
        trigger_lost: bool[n], triggers were lost just before this one.
        spark: int64[m] sparks, ringing taken out, rising.
        spark_lost: bool[m], edges were lost just before this one.
        complete: every edge older than this is here or counted as lost.
        pitch_deg: crank degrees between two triggers.
        tick_s: seconds per tick.
        dwell_s: an answer comes before the next dwell begins: what the clamp gives then is the
            coil being switched on. 0: no dwell.
        late: where answers come late, how late; they are then looked for there.

    Returns:
        The shots float64[n], and bool[n]: True where nothing of the shot can be missing.
    """
    n = len(trigger)
    before = np.full(n, np.nan)
    before[1:] = np.diff(trigger)
    before[trigger_lost] = np.nan
    after = np.append(before[1:], np.nan) if n else before
    # The last trigger of a stretch has no next one: its answer has as long as the one before.
    period = np.where(np.isfinite(after), after, before)
    # An answer is looked for from here on.
    expect = trigger
    if late is not None and n:
        ahead = late.at(period) - _BEFORE * period
        ahead = np.where(np.abs(ahead) > _BEFORE * period, ahead, 0.0)
        expect = np.maximum.accumulate(trigger + np.rint(ahead).astype(np.int64))
        dwell_s = 0.0
    sure = np.maximum(expect, trigger) + period <= complete
    if n:
        sure[:-1] &= ~trigger_lost[1:]

    owner = np.searchsorted(expect, spark, side="right") - 1
    for k in np.flatnonzero(spark_lost):
        first = owner[k - 1] if k else 0
        sure[max(first, 0) : owner[k] + 1] = False
    mine = owner >= 0
    spark, owner = spark[mine], owner[mine]
    m = len(spark)
    begins = np.ones(m, np.bool_)  # first spark after its trigger
    begins[1:] = np.diff(owner) > 0
    step = spark - expect[owner]
    step[~begins] = np.diff(spark)[~begins[1:]]
    reach = np.minimum(_ANSWER_SHARE * period, period - dwell_s / tick_s)[owner]
    within = step <= reach
    inside = within & ~begins
    if inside.any():
        within &= begins | (step <= _BURST_SPACINGS * np.median(step[inside]))
    # A spark is of the answer if it and all before it since the trigger are within reach.
    breaks = np.cumsum(~within)
    at_begin = np.maximum.accumulate(np.where(begins, np.arange(m), 0))
    so_far = breaks - (breaks - ~within)[at_begin] if m else breaks
    answer = so_far == 0
    false_start = ~within

    sparks = np.bincount(owner[answer], minlength=n)
    first = np.full(n, np.nan)
    last = np.full(n, np.nan)
    starts = answer & begins
    first[owner[starts]] = spark[starts]
    last[owner[answer]] = spark[answer]  # ascending: the last one stays
    false_us = np.full(n, np.nan)
    falses = np.flatnonzero(false_start)[::-1]
    false_us[owner[falses]] = (spark[falses] - trigger[owner[falses]]) * tick_s * 1e6
    with np.errstate(divide="ignore", invalid="ignore"):
        rpm = pitch_deg / (6.0 * before * tick_s)
    shots = Shots(
        time=np.asarray(trigger * tick_s),
        rpm=rpm,
        delay_us=np.asarray((first - trigger) * tick_s * 1e6),
        sparks=sparks.astype(np.int64),
        duration_us=(last - first) * tick_s * 1e6,
        false=np.bincount(owner[false_start], minlength=n).astype(np.int64),
        false_us=false_us,
    )
    return shots, sure


@dataclass(frozen=True, eq=False)
class Stretch:
    """What was measured of one segment of the plan, in one go.

    Attributes:
        index: into `Plan.segments`; segment: that, with the seconds driven here.
        begin, end: s since the session began; outside of them the speed was not settled.
        shots: all that are sure and at the segment's speed.
        cut: triggers not counted since edges were lost, or the stretch ended, around them.
        off_speed: triggers not counted since the speed was not the segment's.
        driven, seen: pulses that the board says it drove in some time, and stamps in that time.
        supply_mv: lowest, or None.
        outputs_off: the board switched its outputs off by itself.
    """

    index: int
    segment: Segment
    begin: float
    end: float
    shots: Shots
    cut: int
    off_speed: int
    driven: int
    seen: int
    supply_mv: int | None
    outputs_off: bool

    @property
    def share(self) -> float:
        """Share of the segment that was measured."""
        wanted = self.segment.seconds
        if self.segment.kind == "ramp":
            # Its ends, at which the time is known to some 0.1 s, belong to it.
            wanted -= 2 * SETTLE_S
        return min(1.0, max(0.0, self.end - self.begin) / (0.97 * wanted))


@dataclass
class _Beat:
    """A heartbeat: time in ticks, and what the drive did."""

    time: int
    driven: int
    supply_mv: int
    outputs: int


@dataclass
class _Session:
    """Everything of one session of the board, as it comes."""

    triggers: list[Ticks] = field(default_factory=list)
    trigger_lost: list[Bools] = field(default_factory=list)
    sparks: list[Ticks] = field(default_factory=list)
    spark_lost: list[Bools] = field(default_factory=list)
    beats: list[_Beat] = field(default_factory=list)
    drives: list[int] = field(default_factory=list)  # heartbeats before each drive command's ack
    complete: int = 0


@dataclass
class _Answers:
    """Edges that may be answers, and what was found on the way to them."""

    spark: Ticks
    lost: Bools
    ringing: int
    own: Bools
    edges: Ticks
    couplings: list[answers.Coupling]
    late: answers.Late | None


class Collector:
    """Streaming: bytes as received in, stretches out. The pieces' sizes change nothing.

    Args:
        plan: what is driven.
        order: (index into the plan's segments, seconds) of each drive command, in order.
        tick_ps: length of a tick, until the board says it.
    """

    def __init__(self, plan: Plan, order: Sequence[tuple[int, float]], tick_ps: int) -> None:
        self.plan = plan
        self.order = list(order)
        self.tick_ps = tick_ps
        self.decoder = EdgeDecoder()
        self.log: list[str] = []
        self.trigger_edges = self.spark_edges = self.ringing = self.trigger_noise = 0
        self._clamp = wire.INPUTS.index(plan.clamp_input)
        self._id: int | None = None
        self._session = _Session()
        self._stretches: list[Stretch] = []
        self._driven_before = 0
        self.cut = 0  # why the board switched outputs off, bits of wire.ENUMS["cut"]
        self.couplings: list[answers.Coupling] = []
        self.lates: list[answers.Late] = []
        self._dead_trigger = self._new_dead_trigger()

    def _ticks(self, us: float) -> int:
        return round(us * 1e6 / self.tick_ps)

    def _new_dead_trigger(self) -> DeadTime:
        """Filter against noise on the trigger tap."""
        fastest = max(max(s.rpm_from, s.rpm_to) for s in self.plan.segments)
        return DeadTime(self._ticks(0.5 * self.plan.pitch_deg / (6e-6 * fastest)))

    @property
    def seconds(self) -> float:
        """Board time of this session by its last heartbeat."""
        beats = self._session.beats
        return beats[-1].time * self.tick_ps * 1e-12 if beats else 0.0

    @property
    def drives(self) -> int:
        """Drive commands that the board has acknowledged in this stream."""
        return self._driven_before + len(self._session.drives)

    @property
    def restarted(self) -> bool:
        """Whether another session began after something had been driven."""
        return self._driven_before > 0

    @property
    def driving_since(self) -> float:
        """Board time at which the last drive command surely stood; inf before any."""
        session = self._session
        if not session.drives or session.drives[-1] >= len(session.beats):
            return inf
        return session.beats[session.drives[-1]].time * self.tick_ps * 1e-12 + SETTLE_S / 2

    @property
    def outputs_cut(self) -> bool:
        """Whether two heartbeats say that it drives no more: then it has said why, see `cut`."""
        return not any(beat.outputs & _BENCH_ON for beat in self._session.beats[-2:])

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        for batch in self.decoder.feed(data):
            if batch.session != self._id:
                self._close()
                self._id = batch.session
            for message in batch.messages:
                if message.name == "hello" and message.fields["tick_ps"] != self.tick_ps:
                    self.tick_ps = message.fields["tick_ps"]
                    self._dead_trigger = self._new_dead_trigger()
                if message.name == "driving":
                    self.cut = message.fields["cut"]
            self._take(batch)

    def _take(self, batch: Batch) -> None:
        session = self._session
        trigger, lost = self._dead_trigger.feed(batch.ticks[TRIGGER], batch.breaks[TRIGGER])
        session.triggers.append(trigger)
        session.trigger_lost.append(lost)
        spark = batch.ticks[self._clamp]
        lost = np.zeros(len(spark), np.bool_)
        lost[batch.breaks[self._clamp]] = True
        session.sparks.append(spark)
        session.spark_lost.append(lost)
        session.complete = batch.complete
        self.trigger_edges += len(batch.ticks[TRIGGER])
        self.spark_edges += len(batch.ticks[self._clamp])
        for message in batch.messages:
            if message.name == "heartbeat":
                beat = message.fields
                session.beats.append(
                    _Beat(beat["time"], beat["driven"], beat["supply_mv"], beat["outputs"])
                )
            elif message.name == "ack" and message.fields["command"] == wire.NUMBER["drive"]:
                if message.fields["result"] == wire.ENUMS["result"]["ok"]:
                    session.drives.append(len(session.beats))
            elif message.name == "log":
                self.log.append(message.fields["text"])

    def stretches(self) -> list[Stretch]:
        """What can be told by now."""
        return [*self._stretches, *self._measured(self._session)[0]]

    def finish(self) -> list[Stretch]:
        """Judge what was held back, and give all stretches."""
        self._close()
        self.decoder.finish()
        return self._stretches

    def _close(self) -> None:
        made, answered = self._measured(self._session)
        self._stretches += made
        self._driven_before += len(self._session.drives)
        self.ringing += answered.ringing
        self.couplings += answered.couplings
        self.lates += [answered.late] if answered.late else []
        self.trigger_noise += self._dead_trigger.rejected
        self._session = _Session()
        self._dead_trigger = self._new_dead_trigger()

    def _answers(self, session: _Session, trigger: Ticks, trigger_lost: Bools) -> "_Answers":
        """Edges that may be answers: without the drive's own, without ringing."""
        edges = np.concatenate([np.empty(0, np.int64), *session.sparks])
        lost = np.concatenate([np.empty(0, np.bool_), *session.spark_lost])
        plan, tick_us = self.plan, self.tick_ps * 1e-6
        width = self._ticks(plan.width_us)
        other = width if plan.fires_at == "start" else -width
        dead = self._ticks(plan.dead_time_us)
        own, found = answers.coupled(trigger, other, edges, dead, tick_us)
        noisy, more = answers.loose(trigger, edges, own, tick_us)
        own |= noisy
        found += [more] if more else []
        # Edges lost before one that is set aside are lost before the next one kept.
        so_far = np.cumsum(lost)[~own]
        spark = edges[~own]
        silent = DeadTime(dead)
        spark, lost = silent.feed(spark, np.flatnonzero(np.diff(so_far, prepend=0) > 0))
        late = answers.follow(trigger, ~trigger_lost[1:], spark)
        return _Answers(spark, lost, silent.rejected, own, edges, found, late)

    def _measured(self, session: _Session) -> tuple[list[Stretch], "_Answers"]:
        tick_s = self.tick_ps * 1e-12
        trigger = np.concatenate([np.empty(0, np.int64), *session.triggers])
        trigger_lost = np.concatenate([np.empty(0, np.bool_), *session.trigger_lost])
        found = self._answers(session, trigger, trigger_lost)
        order = self.order[self._driven_before :][: len(session.drives)]
        if not order:
            return [], found
        shots, sure = pair(
            trigger,
            trigger_lost,
            found.spark,
            found.lost,
            session.complete,
            self.plan.pitch_deg,
            tick_s,
            self.plan.width_us * 1e-6 if self.plan.kind == "inductive" else 0.0,
            found.late,
        )
        found.couplings = answers.hidden(
            found.couplings, trigger, found.edges[found.own], shots.answered
        )
        ends = [*session.drives[1:], len(session.beats)]
        made = []
        for (index, seconds), first, last in zip(order, session.drives, ends, strict=False):
            # The command stands from some time between the heartbeats around its answer on.
            beats = session.beats[first:last]
            if len(beats) < 2:
                continue
            off = last < len(session.beats) and not all(b.outputs & _BENCH_ON for b in beats)
            begin = beats[0].time * tick_s + SETTLE_S / 2
            end = min(beats[-1].time * tick_s, begin + seconds)
            planned = self.plan.segments[index]
            segment = Segment(planned.kind, planned.rpm_from, planned.rpm_to, seconds)
            made.append(
                _stretch(index, segment, begin, end, shots, sure, beats, trigger, tick_s, off)
            )
        return made, found


def _stretch(
    index: int,
    segment: Segment,
    begin: float,
    end: float,
    shots: Shots,
    sure: Bools,
    beats: list[_Beat],
    trigger: Ticks,
    tick_s: float,
    outputs_off: bool,
) -> Stretch:
    """The shots of a segment: in its time, at its speed, and sure."""
    there = (shots.time >= begin) & (shots.time < end)
    low = min(segment.rpm_from, segment.rpm_to) * (1 - _SPEED_WITHIN)
    high = max(segment.rpm_from, segment.rpm_to) * (1 + _SPEED_WITHIN)
    with np.errstate(invalid="ignore"):
        at_speed = (shots.rpm >= low) & (shots.rpm <= high)
    seen = np.searchsorted(trigger, [beats[0].time, beats[-1].time])
    supply = [b.supply_mv for b in beats[1:] if b.supply_mv != _NOT_MEASURED]
    return Stretch(
        index=index,
        segment=segment,
        begin=begin,
        end=end,
        shots=shots.pick(there & sure & at_speed),
        cut=int(np.count_nonzero(there & ~sure)),
        off_speed=int(np.count_nonzero(there & sure & ~at_speed)),
        driven=int(wire.gone_on([b.driven for b in beats])),
        seen=int(seen[1] - seen[0]),
        supply_mv=min(supply, default=None),
        outputs_off=outputs_off,
    )
