"""The bench test: what a driven module did, at each speed and over all of them.

Pure functions from the stretches that `bench_shots` makes of a stream to a `Result`; the same
recording always gives the same numbers.
"""

from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import pairwise
from math import inf, nan

import numpy as np
from numpy.typing import NDArray

from sparkwitness.bench import answers
from sparkwitness.bench import bands as places
from sparkwitness.bench.findings import findings
from sparkwitness.bench.plan import Plan, Segment
from sparkwitness.bench.result import (
    FEWEST,
    STAMP_US,
    SURE,
    Band,
    Bin,
    Heat,
    Mean,
    Point,
    Result,
    Soak,
    difference,
)
from sparkwitness.bench.shots import Collector, Shots, Stretch
from sparkwitness.bench.sweep import sweep_of, switch
from sparkwitness.decode.edges import Loss
from sparkwitness.timing import stats as intervals
from sparkwitness.timing import visits

Floats = NDArray[np.float64]

_CRYSTAL = 50e-6  # relative, tolerance of the board's crystal with temperature and ageing
_FEWEST_VISIT = 5
_FEWEST_FOR_LAW = 4  # visits that tell what they miss a law of the speed by
_PIECES = 8  # of a ramp, each a visit
_NO_BURST = 0.05
_DEAD_SHARE = 0.8


def evaluate(plan: Plan, collectors: Sequence[Collector]) -> Result:
    """Everything that one run, in one part or several, has shown. Pure.

    Args:
        plan: the run's.
        collectors: one per part, finished or not.
    """
    per_part = [c.stretches() for c in collectors]
    stretches = [s for part in per_part for s in part]
    result = Result(plan)
    for c in collectors:
        result.ringing += c.ringing
        result.trigger_noise += c.trigger_noise
        _add(result.loss, c.decoder.loss)
    # A part that was begun on purpose is no restart of the board.
    result.loss.sessions = 1 + sum(max(0, c.decoder.loss.sessions - 1) for c in collectors)
    result.measured_s = sum(max(0.0, s.end - s.begin) for s in stretches)
    result.couplings = [one for c in collectors for one in c.couplings]
    lags = [lag * c.tick_ps * 1e-6 for c in collectors for late in c.lates for lag in late.lag]
    stretches = _single(plan, stretches)
    result.stretches = stretches
    result.late_us = (min(lags), max(lags)) if lags else None
    groups = _groups(plan, stretches)
    alive = any(s.shots.answered.any() for s in stretches)
    bands = places.bands(stretches, places.missing)
    together = intervals.clumping(
        [[~v.answered[~places.inside(v.rpm, bands)] for _, v in _visits(g)]
         for _, _, g in groups if g[0].segment.kind != "soak"]
    )  # fmt: skip
    for index, segment, mine in groups:
        made = _point(plan, index, segment, mine, bands, together)
        (result.ramps if segment.kind == "ramp" else result.points).append(made)
    everything = Shots.join([s.shots for s in stretches])
    result.triggers = len(everything.time)
    result.answered = int(np.count_nonzero(everything.answered))
    heat = _steadied(plan, groups, result.points)
    result.sweep = sweep_of(plan, stretches, result.points)
    result.sweep.heat = heat
    limit = result.sweep.rev_limit
    result.sweep.bands = tuple(
        b for b in bands if limit is None or (b.low + b.high) / 2 < limit.value
    )
    result.sweep.double_bands = tuple(places.bands(stretches, places.doubled))
    result.sweep.spell = places.longest_once(stretches, bands) if alive else None
    result.rigid = max(
        (answers.rigid(Shots.join([s.shots for s in mine]).delay_us)
         for _, segment, mine in groups if segment.kind == "step"),
        default=0.0,
    )  # fmt: skip
    result.soak = _soak(plan, [s for s in stretches if s.segment.kind == "soak"])
    result.missing = [plan.segments[i].name for i, _ in remaining(plan, stretches)]
    result.findings = findings(result, collectors)
    return result


def _single(plan: Plan, stretches: list[Stretch]) -> list[Stretch]:
    """Where a module gives one spark at every speed, a second one is a false event.

    A burst is many sparks below some speed; a few events with one spark too many are none.
    """
    shots = Shots.join([s.shots for s in stretches])
    many = np.count_nonzero(shots.sparks > 1)
    if not many or many > _NO_BURST * np.count_nonzero(shots.answered):
        return stretches
    if any(switch(plan, stretches, up) for up in (True, False)):
        return stretches
    return [replace(s, shots=_cut(s.shots)) for s in stretches]


def _cut(shots: Shots) -> Shots:
    more = shots.sparks > 1
    second = shots.delay_us + shots.duration_us / np.maximum(1, shots.sparks - 1)
    return replace(
        shots,
        sparks=np.minimum(shots.sparks, 1),
        duration_us=np.where(more, 0.0, shots.duration_us),
        false=shots.false + more,
        false_us=np.where(more, second, shots.false_us),
    )


def _add(total: Loss, part: Loss) -> None:
    for f in fields(Loss):
        a, b = getattr(total, f.name), getattr(part, f.name)
        both = [x + y for x, y in zip(a, b, strict=True)] if isinstance(a, list) else a + b
        setattr(total, f.name, both)


def remaining(plan: Plan, stretches: Sequence[Stretch]) -> list[tuple[int, float]]:
    """What a continued run has to drive: (index, seconds). A soak goes on, the rest is repeated."""
    left = []
    for index, segment in enumerate(plan.segments):
        mine = [s for s in stretches if s.index == index]
        if segment.kind == "soak":
            rest = segment.seconds - sum(s.end - s.begin for s in mine)
            if rest > 0.03 * segment.seconds:
                left.append((index, rest))
        elif not any(s.share >= 1 for s in mine):
            left.append((index, segment.seconds))
    return left


def _groups(plan: Plan, stretches: list[Stretch]) -> list[tuple[int, Segment, list[Stretch]]]:
    """What is one place of the plan, in its order: a speed with all its repeats, a ramp, a soak."""
    made: dict[int, list[Stretch]] = {}
    first: dict[int, int] = {}
    n = len(plan.steps)
    for index in range(len(plan.segments)):
        mine = [s for s in stretches if s.index == index]
        key = index
        if index < n * plan.repeats:
            passage, key = divmod(index, n)
            if passage % 2:
                key = n - 1 - key
        if mine:
            made.setdefault(key, []).extend(mine)
            first.setdefault(key, index)
    return [(first[key], plan.segments[first[key]], mine) for key, mine in made.items()]


def _visits(stretches: list[Stretch]) -> list[tuple[float, Shots]]:
    """Shots of one place, visit by visit, with the visit's place in the plan as its time.

    What followed without another speed between is one visit.
    """
    visits: list[list[Stretch]] = []
    for s in stretches:
        if visits and s.index - visits[-1][-1].index <= 1:
            visits[-1].append(s)
        else:
            visits.append([s])
    return [(sum(s.index for s in v) / len(v), Shots.join([s.shots for s in v])) for v in visits]


def _steadied(
    plan: Plan, groups: list[tuple[int, Segment, list[Stretch]]], points: list[Point]
) -> Heat | None:
    """Delays of the steps from visit to visit; puts what that says into the points."""
    place, at, y, u, n = [], [], [], [], []
    steps: list[int] = []
    for index, segment, mine in groups:
        if segment.kind != "step":
            continue
        number = next(i for i, p in enumerate(points) if p.index == index)
        means = []
        for when, visit in _visits(mine):
            mean = Mean.of((visit.delay_us - plan.clamp_delay_us)[visit.answered])
            if mean is not None and mean.n >= _FEWEST_VISIT:
                means.append((when, mean))
        if points[number].delay_us is None or not means:
            continue
        for when, mean in means:
            place.append(len(steps))
            at.append(when)
            y.append(mean.value)
            u.append(max(mean.u, STAMP_US))
            n.append(mean.n)
        steps.append(number)
    if not steps:
        return None
    if len(y) == len(steps):
        _driven_once(plan, groups, points)
        return None
    found = visits.from_visits(*map(np.array, (place, at, y, u, n)))
    for k, number in enumerate(steps):
        old = points[number].delay_us
        assert old is not None
        points[number] = replace(points[number], delay_us=old.told(
            float(found.values[k]), float(found.u[k]), float(found.freedom[k]),
            plan.u_clamp_delay_us,
        ))  # fmt: skip
    ratio, u_ratio = found.slowed
    # Below 0 it has turned round: no warming that goes on.
    most = max(0.0, ratio + intervals.student_quantile(SURE, found.of_trend) * u_ratio)
    left = abs(found.drift_late) * most / (1 - most) if most < 1 else inf
    return Heat(found.drift, found.u_drift, left, found.between, found.of_trend)


def _driven_once(
    plan: Plan, groups: list[tuple[int, Segment, list[Stretch]]], points: list[Point]
) -> None:
    """How far a delay lies from its mean in the long run, where no speed was driven again.

    What moves more slowly than a visit lasts shows beside a law of the speed, and in the ramps,
    which pass the same speeds: put into the points. A law that bends more makes it larger.
    """
    law, at, means, clock, mine_of = [], [], [], [], []
    begun = 0.0
    for index, segment, mine in groups:
        shots = Shots.join([s.shots for s in mine])
        shots = shots.pick(shots.answered)
        lasted = sum(s.end - s.begin for s in mine)
        pieces = _PIECES if segment.kind == "ramp" else 1
        for k, which in enumerate(np.array_split(np.arange(len(shots.rpm)), pieces)):
            mean = Mean.of(shots.delay_us[which])
            if mean is None or mean.n < _FEWEST_VISIT or segment.kind == "soak":
                continue
            speed = shots.rpm[which] / 1000
            law.append([1.0, float(np.mean(1 / speed)), float(np.mean(speed))])
            at.append(float(np.mean(shots.rpm[which])))
            means.append(mean)
            clock.append([begun + lasted * k / pieces, begun + lasted * (k + 1) / pieces])
            mine_of.append(index)
        begun += lasted
    n = len(means)
    if n < _FEWEST_FOR_LAW:
        return
    weight = np.array([m.n for m in means], np.float64)
    u = np.array([max(m.u, STAMP_US) for m in means])
    speeds = len(set(np.round(at, -1)))
    found = visits.wander(
        np.array(law)[:, : min(n - 2, speeds)], np.array([m.value for m in means]),
        visits.pooled(np.arange(n), u, weight),
        visits.rough((visits.by_count(weight), tuple(np.array(clock).T))),
    )  # fmt: skip
    for number, point in enumerate(points):
        if point.segment.kind == "step" and point.delay_us and point.index in mine_of:
            k = mine_of.index(point.index)
            points[number] = replace(point, delay_us=point.delay_us.told(
                point.delay_us.value, float(found.u_visit[k]), float(found.of_visit[k]),
                plan.u_clamp_delay_us,
            ))  # fmt: skip


def _point(
    plan: Plan,
    index: int,
    segment: Segment,
    stretches: list[Stretch],
    bands: Sequence[Band],
    together: float,
) -> Point:
    shots = Shots.join([s.shots for s in stretches])
    hit = shots.answered
    n, answered = len(shots.time), int(np.count_nonzero(hit))
    many = shots.sparks > 1
    counts, events = np.unique(shots.sparks[hit], return_counts=True)
    false = shots.false > 0
    enough = answered >= FEWEST
    delays = shots.delay_us[hit] - plan.clamp_delay_us
    duration = shots.duration_us[many]
    spacing = duration / (shots.sparks[many] - 1)
    falses = shots.false_us[false]
    supplies = [s.supply_mv for s in stretches if s.supply_mv is not None]

    def crystal(values: Floats) -> float:
        return _CRYSTAL * float(np.mean(values)) if len(values) else 0.0

    return Point(
        index=index,
        segment=segment,
        rpm=Mean.of(shots.rpm, crystal(shots.rpm)),
        triggers=n,
        answered=answered,
        drop_out=_share(n - answered, n, together),
        doubles=int(np.count_nonzero(false & hit)),
        strays=int(shots.false[~hit].sum()),
        false_us=float(np.median(falses)) if len(falses) else None,
        delay_us=(
            Mean.of(delays, plan.u_clamp_delay_us) if enough and segment.kind != "ramp" else None
        ),
        sparks=dict(zip(counts.tolist(), events.tolist(), strict=True)),
        count=Mean.of(shots.sparks[hit].astype(np.float64)) if enough else None,
        spacing_us=Mean.of(spacing, crystal(spacing)) if len(spacing) >= FEWEST else None,
        duration_us=Mean.of(duration, crystal(duration)) if len(duration) >= FEWEST else None,
        supply_mv=min(supplies, default=None),
        cut=sum(s.cut for s in stretches),
        off_speed=sum(s.off_speed for s in stretches),
        visits=len(_visits(stretches)),
        clumping=together,
        in_band=int(np.count_nonzero(~hit & places.inside(shots.rpm, bands))),
    )


def _share(hits: int, n: int, together: float, confidence: float = 0.95) -> intervals.Interval:
    """Interval of a share of drop-outs that come so many together; all or none are no spells."""
    by = together if 0 < hits < _DEAD_SHARE * n else 1.0
    return intervals.clopper_pearson(hits / by, n / by, confidence)


def _soak(plan: Plan, stretches: list[Stretch]) -> Soak | None:
    """Delay and drop-outs over the minutes of a soak; pauses between parts are left out."""
    if not stretches:
        return None
    passed = 0.0
    minutes: list[Floats] = []
    for s in stretches:
        minutes.append((s.shots.time - s.begin + passed) / 60)
        passed += s.end - s.begin
    at = np.concatenate(minutes)
    shots = Shots.join([s.shots for s in stretches])
    total = passed / 60
    if len(at) < 4 * FEWEST or not total:
        return None
    edges = np.linspace(0, total, max(4, min(60, int(total))) + 1)
    bins = tuple(
        _bin(plan, (a + b) / 2, shots.pick((at >= a) & (at < b)))
        for a, b in pairwise(edges.tolist())
    )
    told = [(b.minutes, b.delay_us) for b in bins if b.delay_us]
    line, line_95 = intervals.slope(
        np.array([m for m, _ in told]),
        np.array([d.value for _, d in told]),
        np.array([max(d.u, STAMP_US) for _, d in told]),
    )
    first = _bin(plan, nan, shots.pick(at < total / 4))
    last = _bin(plan, nan, shots.pick(at >= total * 3 / 4))
    change, change_95 = None, (-inf, inf)
    if first.delay_us and last.delay_us:
        change, change_95 = difference(last.delay_us, first.delay_us)
    share = 0.0
    if first.triggers and last.triggers:
        share = last.drop_outs / last.triggers - first.drop_outs / first.triggers
    return Soak(
        minutes=total,
        bins=bins,
        delay_slope_us_per_min=line,
        delay_slope_95=line_95,
        delay_change_us=change,
        delay_change_95=change_95,
        drop_out_change=share,
        drop_out_change_95=intervals.share_difference(
            last.drop_outs, last.triggers, first.drop_outs, first.triggers
        ),
    )


def _bin(plan: Plan, minutes: float, shots: Shots) -> Bin:
    hit = shots.answered
    delays = shots.delay_us[hit] - plan.clamp_delay_us
    return Bin(
        minutes=float(minutes),
        delay_us=Mean.of(delays, plan.u_clamp_delay_us) if len(delays) >= FEWEST else None,
        triggers=len(hit),
        drop_outs=int(np.count_nonzero(~hit)),
    )
