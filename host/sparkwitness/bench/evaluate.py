"""The bench test: what a driven module did, at each speed and over all of them.

Pure functions from the stretches that `bench_shots` makes of a stream to a `Result`; the same
recording always gives the same numbers.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from itertools import pairwise
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.bench.answers import Coupling
from sparkwitness.bench.plan import Plan, Segment
from sparkwitness.bench.shots import Collector, Shots, Stretch
from sparkwitness.decode.edges import Loss
from sparkwitness.timing import budget as timing
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.stats import Change, Threshold

Floats = NDArray[np.float64]

_CRYSTAL = 50e-6  # relative, tolerance of the board's crystal with temperature and ageing
FEWEST = 10
"""Answered triggers below which no mean is told."""
FEWEST_DEAD = 12
"""Triggers without any spark after which a module counts as dead."""
_FEWEST_VISIT = 5
_HIDDEN = 0.1
_ON_OTHER = 0.2  # an answer so near the pulse's other edge, as a share of the width, may be of it
_CELL_RPM, _DEAD_SHARE, _BAND_TRIGGERS = 100.0, 0.8, 12
_SURE = 0.99
_STAMP_US = 0.014  # a tick of 24 ns on each of two stamps: 0.024 / sqrt(12) * sqrt(2), rounded up


@dataclass(frozen=True)
class Mean:
    """A mean: `u` its standard uncertainty from scatter alone, `expanded` (k = 2) from all.

    `s` is the standard deviation of the n values, `least` and `most` are single values. `freedom`
    is that of `u`; `u_spread` is the standard uncertainty of `s`.
    """

    value: float
    u: float
    expanded: float
    s: float
    n: int
    least: float
    most: float
    freedom: float = inf
    u_spread: float = 0.0

    @classmethod
    def of(cls, values: Floats, systematic: float = 0.0) -> "Mean | None":
        """From values in order of time; None if there are fewer than 2.

        Args:
            values: float64[n].
            systematic: standard uncertainty that all values share.
        """
        if len(values) < 2:
            return None
        n = len(values)
        mean, s = timing.mean_and_deviation(values)
        alike = intervals.correlation_time(values)
        u = s * sqrt(alike / n)
        expanded = timing.COVERAGE * sqrt(u * u + systematic * systematic)
        square = (values - mean) ** 2
        # u(s^2) = 2 s u(s); for a normal distribution s / sqrt(2 (n - 1)), JCGM 100:2008, E.4.3.
        alike_square = intervals.correlation_time(square)
        u_s = float(square.std()) * sqrt(alike_square / n) / (2 * s) if s else 0.0
        return cls(
            mean, u, expanded, s, n, float(values.min()), float(values.max()),
            max(1.0, n / alike - 1), max(u_s, s / sqrt(2 * (n - 1))),
        )  # fmt: skip

    @property
    def u_s(self) -> float:
        """Standard uncertainty of s."""
        return self.u_spread or self.s / sqrt(2 * (self.n - 1))

    def half(self, confidence: float, systematic: float = 0.0) -> float:
        """Half the interval: t at the freedom of the scatter, JCGM 100:2008, G.4.1."""
        freedom = intervals.combined_freedom([(self.u, self.freedom), (systematic, inf)])
        u = sqrt(self.u**2 + systematic**2)
        return u * intervals.student_quantile((1 + confidence) / 2, freedom) if u else 0.0

    def scaled(self, by: float) -> "Mean":
        """In another unit."""
        return Mean(
            self.value * by, self.u * by, self.expanded * by, self.s * by, self.n,
            self.least * by, self.most * by, self.freedom, self.u_spread * by,
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "mean": self.value, "expanded": self.expanded, "u_scatter": self.u, "n": self.n,
            "standard_deviation": self.s, "standard_deviation_expanded": 2 * self.u_s,
            "least": self.least, "most": self.most,
        }  # fmt: skip


@dataclass(frozen=True)
class Point:
    """What the module did at one speed.

    Attributes:
        index, segment: of the plan.
        rpm: as measured.
        triggers: counted; answered: of these.
        drop_out: Clopper-Pearson interval of their share, 95 %.
        doubles: answered triggers after which a false event came; strays: false events after a
            drop-out.
        false_us: median time from trigger to false event, or None.
        delay_us: trigger to first spark, clamp's delay taken off.
        sparks: distribution, sparks in an event: events.
        count: mean number of sparks per event.
        spacing_us: within a burst; duration_us: first to last spark of bursts of 2 or more.
        supply_mv: lowest, or None.
        cut, off_speed: triggers not counted, see `Stretch`.
        visits: how often the speed was driven, with other speeds in between.
        clumping: how many drop-outs come together, see `stats.clumping`; in `drop_out` already.
        in_band: drop-outs of these that lie in a dead band.
    """

    index: int
    segment: Segment
    rpm: Mean | None
    triggers: int
    answered: int
    drop_out: intervals.Interval
    doubles: int
    strays: int
    false_us: float | None
    delay_us: Mean | None
    sparks: dict[int, int]
    count: Mean | None
    spacing_us: Mean | None
    duration_us: Mean | None
    supply_mv: int | None
    cut: int
    off_speed: int
    visits: int = 1
    clumping: float = 1.0
    in_band: int = 0

    @property
    def drop_outs(self) -> int:
        """Triggers without a spark."""
        return self.triggers - self.answered

    def half_count(self, confidence: float) -> float:
        """Half the interval of the mean count; events all alike say only that others are rare."""
        if self.count is None:
            return inf
        if self.count.s == 0:
            return intervals.most_with_none(self.count.n, confidence)
        return self.count.half(confidence)

    @property
    def to_degrees(self) -> float:
        """Crank degrees per µs at this speed."""
        return timing.degrees_of(1e-6, self.rpm.value if self.rpm else self.segment.rpm_to)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""

        def plain(mean: Mean | None, by: float = 1.0) -> dict[str, Any] | None:
            return mean.scaled(by).to_dict() if mean else None

        by = self.to_degrees
        return {
            "kind": self.segment.kind,
            "rpm_set": self.segment.rpm_to,
            "rpm": plain(self.rpm),
            "triggers": self.triggers,
            "answered": self.answered,
            "drop_outs": self.drop_outs,
            "drop_out_share_95": self.drop_out,
            "drop_outs_together": self.clumping,
            "visits": self.visits,
            "double_events": self.doubles,
            "double_share_95": intervals.clopper_pearson(self.doubles, self.answered),
            "stray_events": self.strays,
            "false_event_after_trigger_us": self.false_us,
            "delay_us": plain(self.delay_us),
            "delay_deg": plain(self.delay_us, by),
            "sparks_per_event": {str(k): v for k, v in sorted(self.sparks.items())},
            "sparks_per_event_mean": plain(self.count),
            "spark_spacing_us": plain(self.spacing_us),
            "burst_duration_us": plain(self.duration_us),
            "burst_duration_deg": plain(self.duration_us, by),
            "supply_least_mv": self.supply_mv,
            "triggers_cut": self.cut,
            "triggers_at_other_speed": self.off_speed,
        }


@dataclass(frozen=True)
class Delay:
    """How the delay depends on speed: constant_us + per_x * x.

    Attributes:
        model: "speed": x is thousands of rev/min; "angle": x is the time of one crank degree in
            µs, so that per_x is a fixed angle in degrees; "constant": too few speeds for either.
        constant_us, u_constant_us: the latter with the clamp's delay.
        per_x, u_per_x: the part that depends on speed; depends: it is surely not 0 (99 %).
        covariance: of (constant_us, per_x), from scatter alone.
        mean_us, u_mean_us: where nothing depends on speed: the weighted mean.
        fits: chi2 / freedom, about 1 where the model describes the points.
    """

    model: str
    constant_us: float
    u_constant_us: float
    per_x: float
    u_per_x: float
    depends: bool
    covariance: list[list[float]]
    mean_us: float
    u_mean_us: float
    fits: float
    points: int


@dataclass(frozen=True)
class Bin:
    """A part of a soak: minutes since its start, delay, triggers and those not answered."""

    minutes: float
    delay_us: Mean | None
    triggers: int
    drop_outs: int


@dataclass(frozen=True)
class Soak:
    """What heat did. Changes are last quarter less first quarter, with their 95 % intervals."""

    minutes: float
    bins: tuple[Bin, ...]
    delay_slope_us_per_min: float
    delay_slope_95: intervals.Interval
    delay_change_us: float | None
    delay_change_95: intervals.Interval
    drop_out_change: float
    drop_out_change_95: intervals.Interval


@dataclass(frozen=True)
class Band:
    """Speeds at which no spark comes, seen at every passage: from, to, triggers, passages."""

    low: float
    high: float
    triggers: int
    passages: int


@dataclass(frozen=True)
class Heat:
    """What the delay did with time at the same speeds, µs: from the first visit to the last.

    Attributes:
        change, u_change: the trend over the whole run, told apart from speed by coming back.
        left: how much more of it may come, from how it slowed down; inf: it did not.
        between: standard deviation from visit to visit beside the trend.
        freedom: of both.
    """

    change: float
    u_change: float
    left: float
    between: float
    freedom: int

    @property
    def moved(self) -> bool:
        """Whether the change is surely not 0 (99 %)."""
        if not self.u_change:
            return False
        k = intervals.student_quantile((1 + _SURE) / 2, max(1, self.freedom))
        return abs(self.change) > k * self.u_change

    @property
    def allowance(self) -> float:
        """How much another run may differ for that alone."""
        return abs(self.change) + min(self.left, 3 * abs(self.change)) if self.moved else 0.0


@dataclass
class Sweep:
    """What shows only over all speeds; None where it does not show or cannot be told.

    Attributes:
        delay: how the delay depends on speed.
        switch_up, switch_down: rpm at which many sparks become one, and one becomes many.
        hysteresis: up less down, with its interval.
        window_deg: crank degrees in which sparks repeat: least and greatest compatible value.
        window_constant: False where no one angle fits all speeds.
        clean_to: greatest speed below the first drop-out, with the triggers up to there.
        first_drop_out: lowest speed with a drop-out.
        rev_limit: speed above which no spark is given.
        most_rpm: greatest speed driven.
        bands: speeds without a spark, with sparks above and below.
        heat: None where no speed was driven twice.
    """

    delay: Delay | None = None
    switch_up: Change | None = None
    switch_down: Change | None = None
    hysteresis: tuple[float, float, float] | None = None
    always: str | None = None
    window_deg: intervals.Interval | None = None
    window_constant: bool = True
    clean_to: float | None = None
    clean_triggers: int = 0
    first_drop_out: float | None = None
    rev_limit: Threshold | None = None
    most_rpm: float = 0.0
    bands: tuple[Band, ...] = ()
    heat: Heat | None = None


@dataclass
class Result:
    """The whole test."""

    plan: Plan
    points: list[Point] = field(default_factory=list)
    ramps: list[Point] = field(default_factory=list)
    sweep: Sweep = field(default_factory=Sweep)
    soak: Soak | None = None
    triggers: int = 0
    answered: int = 0
    ringing: int = 0
    trigger_noise: int = 0
    couplings: list[Coupling] = field(default_factory=list)
    late_us: tuple[float, float] | None = None
    measured_s: float = 0.0
    missing: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    loss: Loss = field(default_factory=Loss)
    stretches: list[Stretch] = field(default_factory=list, repr=False)

    @property
    def hides(self) -> bool:
        """Whether edges of the drive may hide the module's answers."""
        return any(c.lost > _HIDDEN for c in self.couplings)

    def quantities(self) -> dict[str, dict[str, Any]]:
        """What is not a mean and two runs can yet be compared by: value, half its 95 % interval."""
        found: dict[str, tuple[float, float, str]] = {}
        for p in self.points:
            if p.triggers:
                share = p.drop_outs / p.triggers
                half = max(share - p.drop_out[0], p.drop_out[1] - share)
                found[f"drop-outs at {p.segment.name}"] = (100 * share, 100 * half, "%")
        for name, one in (
            ("switch-over going up", self.sweep.switch_up),
            ("switch-over going down", self.sweep.switch_down),
            ("rev limit", self.sweep.rev_limit),
        ):
            if one:
                half = max(one.value - one.low, one.high - one.value)
                found[name] = (one.value, half, "rpm")
        names = ("value", "expanded", "unit")
        return {what: dict(zip(names, one, strict=True)) for what, one in found.items()}

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        plain: dict[str, Any] = _finite({
            "plan": self.plan.to_dict(),
            "points": [p.to_dict() for p in self.points],
            "ramps": [p.to_dict() for p in self.ramps],
            "coupling": [c.to_dict() for c in self.couplings],
            "late_us": self.late_us,
            "sweep": asdict(self.sweep),
            "soak": asdict(self.soak) if self.soak else None,
            "triggers": self.triggers,
            "answered": self.answered,
            "edges_ringing": self.ringing,
            "trigger_edges_refused": self.trigger_noise,
            "seconds": self.measured_s,
            "quantities": self.quantities(),
            "not_measured": self.missing,
            "findings": [asdict(f) for f in self.findings],
            "loss": self.loss.to_dict(),
        })  # fmt: skip
        return plain


def _finite(value: Any) -> Any:
    """JSON knows neither NaN nor infinity: they become null."""
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if isinstance(value, float) and not isfinite(value):
        return None
    return value


def evaluate(plan: Plan, collectors: Sequence[Collector]) -> Result:
    """Everything that one run, in one part or several, has shown. Pure.

    Args:
        plan: the run's.
        collectors: one per part, finished or not.
    """
    per_part = [c.stretches() for c in collectors]
    stretches = [s for part in per_part for s in part]
    result = Result(plan, stretches=stretches)
    for c in collectors:
        result.ringing += c.ringing
        result.trigger_noise += c.trigger_noise
        _add(result.loss, c.decoder.loss)
    # A part that was begun on purpose is no restart of the board.
    result.loss.sessions = 1 + sum(max(0, c.decoder.loss.sessions - 1) for c in collectors)
    result.measured_s = sum(max(0.0, s.end - s.begin) for s in stretches)
    result.couplings = [one for c in collectors for one in c.couplings]
    lags = [lag * c.tick_ps * 1e-6 for c in collectors for late in c.lates for lag in late.lag]
    result.late_us = (min(lags), max(lags)) if lags else None
    groups = _groups(plan, stretches)
    alive = any(s.shots.answered.any() for s in stretches)
    bands = _bands([s for s in stretches if len(s.shots.time)]) if alive else []
    together = intervals.clumping(
        [[~v.answered[~_inside(v.rpm, bands)] for _, v in _visits(g)]
         for _, _, g in groups if g[0].segment.kind != "soak"]
    )  # fmt: skip
    for index, segment, mine in groups:
        made = _point(plan, index, segment, mine, bands, together)
        (result.ramps if segment.kind == "ramp" else result.points).append(made)
    everything = Shots.join([s.shots for s in stretches])
    result.triggers = len(everything.time)
    result.answered = int(np.count_nonzero(everything.answered))
    heat = _steadied(plan, groups, result.points)
    result.sweep = _sweep(plan, stretches, result.points)
    result.sweep.heat = heat
    limit = result.sweep.rev_limit
    result.sweep.bands = tuple(b for b in bands if limit is None or b.low < limit.low)
    result.soak = _soak(plan, [s for s in stretches if s.segment.kind == "soak"])
    result.missing = [plan.segments[i].name for i, _ in remaining(plan, stretches)]
    result.findings = _findings(result, collectors)
    return result


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
    """What is one place of the plan: a speed with all its repeats, a ramp, a soak."""
    made: dict[int, list[Stretch]] = {}
    first: dict[int, int] = {}
    n = len(plan.steps)
    for index in range(len(plan.segments)):
        mine = [s for s in stretches if s.index == index]
        passage, key = divmod(index, n) if index < n * plan.repeats else (0, index)
        key = n - 1 - key if passage % 2 else key
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


def _bands(stretches: list[Stretch]) -> list[Band]:
    """Speeds without a spark at every one of two or more passages."""
    seen: dict[int, list[tuple[int, int]]] = {}
    for s in stretches:
        cell = np.floor(s.shots.rpm / _CELL_RPM).astype(np.int64)
        for k in np.unique(cell):
            mine = cell == k
            n, out = int(mine.sum()), int(np.count_nonzero(mine & ~s.shots.answered))
            if n >= 3:
                seen.setdefault(int(k), []).append((n, out))
    dead = sorted(
        k for k, found in seen.items()
        if len(found) > 1 and all(out >= _DEAD_SHARE * n for n, out in found)
    )  # fmt: skip
    bands: list[Band] = []
    for k in dead:
        if any(b.low <= (k + 0.5) * _CELL_RPM <= b.high for b in bands):
            continue
        low, high = k * _CELL_RPM, (k + 1) * _CELL_RPM
        while high / _CELL_RPM in dead:
            high += _CELL_RPM
        triggers, passages = 0, 0
        for s in stretches:
            rpm, silent = s.shots.rpm, ~s.shots.answered
            inside = (rpm >= low) & (rpm < high)
            if not inside.any():
                continue
            passages += 1
            # On, over the neighbouring drop-outs on either side.
            first, last = np.flatnonzero(inside)[[0, -1]]
            while first > 0 and silent[first - 1]:
                first -= 1
            while last + 1 < len(silent) and silent[last + 1]:
                last += 1
            triggers += int(last - first + 1)
            part = rpm[first : last + 1]
            low, high = min(low, float(part.min())), max(high, float(part.max()))
        if triggers >= _BAND_TRIGGERS:
            bands.append(Band(low, high, triggers, passages))
    return bands


def _inside(rpm: Floats, bands: Sequence[Band]) -> NDArray[np.bool_]:
    found = np.zeros(len(rpm), np.bool_)
    for band in bands:
        found |= (rpm >= band.low) & (rpm <= band.high)
    return found


def _steadied(
    plan: Plan, groups: list[tuple[int, Segment, list[Stretch]]], points: list[Point]
) -> Heat | None:
    """Delays of the steps from visit to visit; puts what that says into the points."""
    place, at, y, u = [], [], [], []
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
            u.append(max(mean.u, _STAMP_US))
        steps.append(number)
    if not steps or len(y) == len(steps):
        return None
    found = intervals.from_visits(np.array(place), np.array(at), np.array(y), np.array(u))
    if not found.freedom:
        return None
    for k, number in enumerate(steps):
        old = points[number].delay_us
        assert old is not None
        own = float(np.sqrt(found.covariance[k, k]))
        expanded = timing.COVERAGE * sqrt(own * own + plan.u_clamp_delay_us**2)
        points[number] = replace(
            points[number],
            delay_us=replace(old, value=float(found.values[k]), u=own, expanded=expanded,
                             freedom=float(found.freedom)),
        )  # fmt: skip
    early = found.drift - found.drift_late
    slowed = found.drift_late / early if early else inf
    left = abs(found.drift_late) * slowed / (1 - slowed) if 0 <= slowed < 1 else inf
    if slowed < 0:  # it has turned round: no warming that goes on
        left = 0.0
    return Heat(found.drift, found.u_drift, left, found.between, found.freedom)


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
        in_band=int(np.count_nonzero(~hit & _inside(shots.rpm, bands))),
    )


def _share(hits: int, n: int, together: float, confidence: float = 0.95) -> intervals.Interval:
    """Interval of a share of drop-outs that come so many together; all or none are no spells."""
    by = together if 0 < hits < _DEAD_SHARE * n else 1.0
    return intervals.clopper_pearson(hits / by, n / by, confidence)


def _sweep(plan: Plan, stretches: list[Stretch], points: list[Point]) -> Sweep:
    sweep = Sweep()
    steady = [s for s in stretches if s.segment.kind != "soak"] or stretches
    shots = Shots.join([s.shots for s in steady])
    if not len(shots.time):
        return sweep
    sweep.most_rpm = float(np.max(shots.rpm))
    sweep.delay = _delay(plan, [p for p in points if p.segment.kind == "step"] or points)
    sweep.switch_up, sweep.switch_down = (_switch(plan, steady, up) for up in (True, False))
    if sweep.switch_up and sweep.switch_down:
        up, down = sweep.switch_up, sweep.switch_down
        sweep.hysteresis = (up.value - down.value, up.low - down.high, up.high - down.low)
    many = shots.sparks > 1
    events = int(np.count_nonzero(shots.answered))
    if sweep.switch_up is None and sweep.switch_down is None and events >= FEWEST:
        share = np.count_nonzero(many) / events
        sweep.always = "single" if share < 0.05 else "many" if share > 0.95 else None
    _window(sweep, shots.pick(many))
    order = np.argsort(shots.rpm, kind="stable")
    speed, hit = shots.rpm[order], shots.answered[order]
    misses = np.flatnonzero(~hit)
    first = int(misses[0]) if len(misses) else len(hit)
    sweep.clean_triggers = first
    sweep.clean_to = float(speed[first - 1]) if first else None
    sweep.first_drop_out = float(speed[first]) if len(misses) else None
    limit = intervals.threshold(shots.rpm, shots.answered)
    if limit and limit.above < 0.1 and limit.below > 0.5:
        sweep.rev_limit = limit
    return sweep


def going_up(plan: Plan, index: int) -> bool:
    """Whether a segment of the plan brings a speed at least as high as the one before it."""
    segment = plan.segments[index]
    before = segment.rpm_from if segment.kind == "ramp" or not index else (
        plan.segments[index - 1].rpm_to
    )  # fmt: skip
    return segment.rpm_to >= before


def switch_over(result: Result, up: bool, confidence: float) -> Change | None:
    """The speed of the switch-over in one direction, at another confidence."""
    return _switch(result.plan, result.stretches, up, confidence)


def _switch(
    plan: Plan, stretches: Sequence[Stretch], up: bool, confidence: float = 0.95
) -> Change | None:
    shots = Shots.join(
        [s.shots for s in stretches
         if s.segment.kind != "soak" and going_up(plan, s.index) is up]
    )  # fmt: skip
    hit = shots.answered
    return intervals.change(shots.rpm[hit], shots.sparks[hit] > 1, confidence)


def _window(sweep: Sweep, bursts: Shots) -> None:
    """Bounds of the angle in which sparks repeat.

    An event of k sparks, spacing s, says that the window is at least (k-1) s long and shorter
    than k s. The half per cent of events at either end is left to unseen sparks.
    """
    if len(bursts.time) < FEWEST:
        return
    degrees = timing.degrees_of(1e-6, 1.0) * bursts.rpm * bursts.duration_us
    low = float(np.quantile(degrees, 0.995))
    high = float(np.quantile(degrees * bursts.sparks / (bursts.sparks - 1), 0.005))
    sweep.window_constant = high > low - 1.0
    if sweep.window_constant:
        sweep.window_deg = (min(low, high), max(low, high))


def _delay(plan: Plan, points: list[Point]) -> Delay | None:
    """Weighted fit of the delay at each speed; the model with the smaller chi2 is told."""
    known = [(p.rpm.value, p.delay_us) for p in points if p.delay_us and p.rpm]
    if not known:
        return None
    rpm = np.array([n for n, _ in known])
    y = np.array([d.value for _, d in known])
    u = np.array([max(d.u, _STAMP_US) for _, d in known])
    one = np.ones_like(rpm)
    flat = intervals.least_squares(one[:, None], y, u)
    model, fit = "constant", flat
    if len(set(np.round(rpm, -1))) >= 3:
        speed = intervals.least_squares(np.column_stack((one, rpm / 1000)), y, u)
        angle = intervals.least_squares(np.column_stack((one, 1e6 / (6 * rpm))), y, u)
        model, fit = ("angle", angle) if angle.chi2 < speed.chi2 - 4 else ("speed", speed)
    two = len(fit.values) > 1
    per_x, u_per_x = (float(fit.values[1]), float(np.sqrt(fit.covariance[1, 1]))) if two else (0, 0)
    sure = intervals.student_quantile((1 + _SURE) / 2, fit.freedom) if two else inf
    return Delay(
        model=model,
        constant_us=float(fit.values[0]),
        u_constant_us=float(np.hypot(np.sqrt(fit.covariance[0, 0]), plan.u_clamp_delay_us)),
        per_x=per_x,
        u_per_x=u_per_x,
        depends=two and abs(per_x) > sure * u_per_x,
        covariance=fit.covariance.tolist(),
        mean_us=float(flat.values[0]),
        u_mean_us=float(np.hypot(np.sqrt(flat.covariance[0, 0]), plan.u_clamp_delay_us)),
        fits=fit.chi2 / fit.freedom if fit.freedom else 0.0,
        points=len(known),
    )


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
    edges = np.linspace(0, total, max(4, min(60, int(total)) or 4) + 1)
    bins = tuple(
        _bin(plan, (a + b) / 2, shots.pick((at >= a) & (at < b)))
        for a, b in pairwise(edges.tolist())
    )
    told = [(b.minutes, b.delay_us) for b in bins if b.delay_us]
    line, line_95 = intervals.slope(
        np.array([m for m, _ in told]),
        np.array([d.value for _, d in told]),
        np.array([max(d.u, 1e-3) for _, d in told]),
    )
    first = _bin(plan, 0, shots.pick(at < total / 4))
    last = _bin(plan, 0, shots.pick(at >= total * 3 / 4))
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


def difference(
    a: Mean,
    b: Mean,
    more: Sequence[tuple[float, float]] = (),
    confidence: float = 0.95,
) -> tuple[float, intervals.Interval]:
    """Difference of two means, a less b, and its t-interval (Welch, Biometrika 34, 1947).

    Args:
        a, b: what is shared by both, such as the clamp's delay, falls out.
        more: (standard uncertainty, degrees of freedom) of what does not fall out.
    """
    parts = [(a.u, a.freedom), (b.u, b.freedom), *more]
    u = sqrt(sum(part * part for part, _ in parts))
    freedom = intervals.combined_freedom(parts)
    half = u * intervals.student_quantile((1 + confidence) / 2, freedom) if u else 0.0
    value = a.value - b.value
    return value, (value - half, value + half)


def _findings(result: Result, collectors: Sequence[Collector]) -> list[Finding]:
    """What a person must know, most important first."""
    plan, found = result.plan, []
    driven = sum(s.driven for s in result.stretches)
    seen = sum(s.seen for s in result.stretches)
    where = plan.clamp_input.replace("_", " ")[:-1] + plan.clamp_input[-1].upper()
    if driven > 4 and not seen:
        found.append(Finding(
            "no_trigger",
            f"the board drove {driven} pulses, but its trigger input saw none: connect the bench "
            "output to the trigger input as well as to the module",
        ))  # fmt: skip
    elif driven and abs(seen - driven) > 2 * len(result.stretches) + 0.01 * driven:
        found.append(Finding(
            "trigger_count",
            f"the board drove {driven} pulses, its trigger input saw {seen}: check the wire from "
            "the bench output to the trigger input, and its ground",
        ))  # fmt: skip
    if result.triggers >= FEWEST_DEAD and not result.answered:
        heard = sum(c.spark_edges for c in collectors)
        but = f", though {where} gave {heard} edges at other times" if heard else ""
        found.append(Finding(
            "no_spark",
            f"no spark answered {result.triggers} triggers{but}. Look next: supply and ground at "
            "the module under load; coil primary connected and whole (sparkwitness check); "
            f"trigger wire, polarity and width (this plan fires on the {plan.edge} edge of a "
            f"pulse that is active {plan.active} for {plan.width_us:g} µs); {where} closed round "
            "the coil lead. If all of these are good, the module is dead",
        ))  # fmt: skip
    found += _of_wires(result)
    falses = [p for p in result.points if p.doubles and p.false_us is not None and p.rpm]
    if falses:
        doubles = sum(p.doubles for p in falses)
        median = np.median([p.false_us for p in falses])
        text = (
            f"{doubles} events were followed by a false one, typically {median:.0f} µs after the "
            "trigger"
        )
        if plan.kind == "inductive" and all(_at_dwell(plan, p) for p in falses):
            text += (
                ", as the dwell begins: the clamp gives an edge when the coil is switched on; turn "
                "the clamp round or move it"
            )
        found.append(Finding("double_events", text))
    if any(s.outputs_off for s in result.stretches):
        found.append(Finding(
            "outputs_off", "the board switched its outputs off by itself: the host was silent"
        ))  # fmt: skip
    if not result.sweep.window_constant:
        found.append(Finding(
            "window", "no one crank angle describes the length of the bursts at all speeds: see "
            "their duration at each speed",
        ))  # fmt: skip
    supplies = [p.supply_mv for p in result.points if p.supply_mv is not None]
    if supplies and min(supplies) < 9000:
        found.append(Finding(
            "supply_low",
            f"the supply fell to {min(supplies) / 1000:.1f} V: the module may fail for that alone",
        ))  # fmt: skip
    return found


def _of_wires(result: Result) -> list[Finding]:
    """The drive's own edges in the clamp, answers late or at the other edge, dead bands, heat."""
    plan, sweep, found = result.plan, result.sweep, []
    if result.couplings:
        share = max(c.share for c in result.couplings)
        edges = sum(c.edges for c in result.couplings)
        text = (
            f"the drive's own edge couples into the clamp: {edges} edges stand at the pulse's "
            f"edges with the scatter of a stamp (up to {100 * share:.0f} % of the pulses), as no "
            "spark does; they are set aside. Keep the clamp and its lead away from the trigger "
            "wire"
        )
        if result.hides:
            text += ". Answers are missing where they stand, so none of it is judged"
        found.append(Finding("coupling", text))
    late = result.late_us
    other = plan.width_us if plan.fires_at == "start" else -plan.width_us
    if late is None and sweep.delay and abs(sweep.delay.mean_us - other) < _ON_OTHER * abs(other):
        late = sweep.delay.mean_us, sweep.delay.mean_us
    if late is not None and result.answered:
        low, high = late
        text = (
            f"answers come {low:.0f} µs after the trigger"
            if high - low < 0.1 * abs(high)
            else (f"answers come {low:.0f} to {high:.0f} µs after the trigger")
        )
        lag = (low + high) / 2
        if abs(lag - other) < _ON_OTHER * plan.width_us:
            text += (
                f", which is near the pulse's other edge ({other:+.0f} µs): the module may fire on "
                "that edge; check active level and firing edge before you judge the delay"
            )
        else:
            text += (
                ": a delay that takes up more of the crank's turn the faster it turns "
                f"({abs(timing.degrees_of(1e-6 * lag, sweep.most_rpm)):.0f}° at "
                f"{sweep.most_rpm:.0f} rpm), no rev limit"
            )
        if len({s.rpm_to for s in plan.segments} | {s.rpm_from for s in plan.segments}) == 1:
            text += "; at one speed alone it may be a whole interval more or less"
        found.append(Finding("late", text))
    for band in sweep.bands:
        found.append(Finding(
            "dead_band",
            f"no spark between {band.low:.0f} and {band.high:.0f} rpm: {band.triggers} triggers in "
            f"{band.passages} passages",
        ))  # fmt: skip
    heat = sweep.heat
    if heat is not None and heat.moved:
        more = (
            "and has not settled" if heat.left > 0.5 * abs(heat.change)
            else f"and would go on by some {heat.left:.1f} µs"
        )  # fmt: skip
        found.append(Finding(
            "heat",
            f"the delay at the same speeds moved by {heat.change:+.1f} µs over the run {more}: "
            "heat or wear-in, not speed; soak it warm first and drive again to compare it",
        ))  # fmt: skip
    return found


def _at_dwell(plan: Plan, point: Point) -> bool:
    """Whether the false events of a speed come as the dwell begins."""
    assert point.false_us is not None and point.rpm is not None
    period = plan.pitch_deg / timing.degrees_of(1e-6, point.rpm.value)
    return 0 <= point.false_us - (period - plan.width_us) < 0.3 * plan.width_us


@dataclass(frozen=True)
class Claim:
    """What a claimed number of sparks per crank revolution would need.

    Attributes:
        sparks_per_event: that the claim means.
        window_deg: crank degrees it needs at the spacing; pitch_deg: degrees there are.
        spacing_us: spacing it needs in the window; None where one spark is enough.
        possible: most sparks per revolution with this spacing and window.
        verdict: "possible", "not with these" or "impossible".
    """

    sparks_per_rev: float
    rpm: float
    sparks_per_event: float
    spacing_given_us: float
    window_given_deg: float
    window_deg: float
    pitch_deg: float
    spacing_us: float | None
    possible: float
    verdict: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def check_claim(
    sparks_per_rev: float, rpm: float, pitch_deg: float, spacing_us: float, window_deg: float
) -> Claim:
    """Weigh a claim of so many sparks per crank revolution at a speed.

    An event of k sparks lasts (k - 1) spacings, 6 N t degrees of crank each.

    Args:
        sparks_per_rev: claimed, > 0.
        rpm: speed for which it is claimed.
        pitch_deg: crank degrees from firing to firing.
        spacing_us: time between two sparks.
        window_deg: crank degrees in which sparks repeat.
    """
    firings = 360.0 / pitch_deg
    each = sparks_per_rev / firings
    between = max(0.0, each - 1)
    needed = between * timing.degrees_of(spacing_us * 1e-6, rpm)
    most = 1 + int(window_deg / timing.degrees_of(spacing_us * 1e-6, rpm) + 1e-9)
    if each <= most + 1e-9:
        verdict = "possible"
    else:
        verdict = "impossible" if needed >= pitch_deg else "not with these"
    return Claim(
        sparks_per_rev=sparks_per_rev,
        rpm=rpm,
        sparks_per_event=each,
        spacing_given_us=spacing_us,
        window_given_deg=window_deg,
        window_deg=needed,
        pitch_deg=pitch_deg,
        spacing_us=window_deg / (6e-6 * rpm * between) if between else None,
        possible=most * firings,
        verdict=verdict,
    )
