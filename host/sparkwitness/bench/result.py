"""What a bench test has found: plain values with their intervals, and their JSON."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.bench.answers import Coupling
from sparkwitness.bench.plan import Plan, Segment
from sparkwitness.bench.shots import Stretch
from sparkwitness.bench.steps import Change, Threshold
from sparkwitness.decode.edges import Loss
from sparkwitness.timing import budget as timing
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.gates import Finding

Floats = NDArray[np.float64]

FEWEST = 10
"""Answered triggers below which no mean is told."""
SURE = 0.99
"""Confidence of what is told as sure of a whole run."""
STAMP_US = 0.014
"""Standard uncertainty of a delay by its stamps: 0.024 / sqrt(12) * sqrt(2), rounded up."""
_HIDDEN = 0.1  # share of answers missing where the drive couples in
_RIGID = 0.05
_NOT_SETTLED = 30.0  # a run may be so short against the time that the module takes to warm up


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
        u, freedom = s * sqrt(alike / n), max(1.0, n / alike - 1)
        square = (values - mean) ** 2
        # u(s^2) = 2 s u(s); for a normal distribution s / sqrt(2 (n - 1)), JCGM 100:2008, E.4.3.
        alike_square = intervals.correlation_time(square)
        u_s = float(square.std()) * sqrt(alike_square / n) / (2 * s) if s else 0.0
        return cls(
            mean, u, _expanded(u, freedom, systematic), s, n, float(values.min()),
            float(values.max()), freedom, max(u_s, s / sqrt(2 * (n - 1))),
        )  # fmt: skip

    def told(self, value: float, u: float, freedom: float, systematic: float = 0.0) -> "Mean":
        """The same values with a mean that more than themselves has told."""
        return replace(
            self, value=value, u=u, freedom=freedom, expanded=_expanded(u, freedom, systematic)
        )

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


def _expanded(u: float, freedom: float, systematic: float) -> float:
    return timing.COVERAGE * sqrt(timing.for_two(u, freedom) ** 2 + systematic**2)


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
    visits: int
    clumping: float
    in_band: int

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
    """Speeds at which something happens at passage after passage.

    Attributes:
        low, high: rpm.
        triggers: driven there; hits: of these.
        passages: in which it happened, `of` so many.
        way: "" for both; "rising" or "falling": only while the speed does that.
        clumping: how many come together inside, see `stats.clumping`.
    """

    low: float
    high: float
    triggers: int
    hits: int
    passages: int
    of: int
    way: str = ""
    clumping: float = 1.0

    @property
    def name(self) -> str:
        """For a person."""
        text = f"{self.low:.0f} to {self.high:.0f} rpm"
        return f"{text}, {self.way}" if self.way else text


@dataclass(frozen=True)
class Heat:
    """What the delay did with time at the same speeds, µs: from the first visit to the last.

    Attributes:
        change, u_change: the trend over the whole run, told apart from speed by coming back.
        left: how much more of it may come, from how it slowed down; inf: it did not.
        between: standard deviation from visit to visit, what the trend does in it.
        freedom: of the change.
    """

    change: float
    u_change: float
    left: float
    between: float
    freedom: float

    @property
    def moved(self) -> bool:
        """Whether the change is surely not 0 (99 %)."""
        if not self.u_change:
            return False
        k = intervals.student_quantile((1 + SURE) / 2, max(1, self.freedom))
        return abs(self.change) > k * self.u_change

    @property
    def allowance(self) -> float:
        """How much another run may differ for that alone."""
        if not self.moved:
            return 0.0
        return abs(self.change) + min(self.left, _NOT_SETTLED * abs(self.change))


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
        bands: speeds with drop-outs that come back there, other than beyond a rev limit.
        double_bands: the same of false events.
        spell: triggers without a spark in a row elsewhere, from one speed to another.
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
    double_bands: tuple[Band, ...] = ()
    spell: tuple[float, ...] | None = None
    heat: Heat | None = None


@dataclass
class Result:
    """The whole test. `rigid`: largest share of the answers at one speed that do not scatter."""

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
    rigid: float = 0.0
    measured_s: float = 0.0
    missing: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    loss: Loss = field(default_factory=Loss)
    stretches: list[Stretch] = field(default_factory=list, repr=False)

    @property
    def unsure(self) -> str:
        """Why what is taken for answers may not be the module's; empty: it is."""
        if any(c.lost > _HIDDEN for c in self.couplings):
            return "the drive's own edges hide answers: move the clamp and its lead"
        if self.rigid > _RIGID:
            return (
                "the answers scatter less than sparks do, so they may be the drive's own edge: "
                "switch the module's supply off, and see whether they stay"
            )
        return ""

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
            "answers_without_scatter": self.rigid,
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
