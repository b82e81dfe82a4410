"""Bench results weighed: against typed limits, or against a run of a known good module.

Each check is an interval against limits or against a margin that does not matter. All intervals
of one verdict hold together at 95 %: each one alone is at 1 - 0.05 / m (Bonferroni; Dunn, J. Am.
Stat. Assoc. 56(293), 1961), so that twenty checks do not find one fault in a good module by luck.
"Same" means that the whole interval lies inside the margin (two one-sided tests: Schuirmann, J.
Pharmacokinet. Biopharm. 15(6), 1987), not that no difference was found.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from math import exp, inf, isfinite, sqrt
from statistics import NormalDist
from typing import Any

from sparkwitness.bench.evaluate import FEWEST, Mean, Point, Result, difference, switch_over
from sparkwitness.bench.plan import Limit, Plan
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.stats import Interval, Threshold

CONFIDENCE = 0.95
WITHIN, OUTSIDE, SAME, DIFFERS, UNKNOWN = "within", "outside", "same", "differs", "cannot tell"
_SAME_SPEED = 0.01
_SUPPLY = 0.03  # relative, the divider's resistors, k = 2


@dataclass(frozen=True)
class Check:
    """One quantity at one place against one limit or margin.

    Attributes:
        quantity: key of `bench_plan.QUANTITIES`.
        where: the speed, or "sweep".
        value: measured value, or difference (this run less the other); None: not measured.
        low, high: its interval, all intervals together at 95 %.
        least, most: limits, or minus and plus the margin.
        verdict: within, outside, same, differs, cannot tell.
        note: why it cannot be told, and what would help.
    """

    quantity: str
    where: str
    value: float | None
    low: float
    high: float
    least: float
    most: float
    verdict: str
    note: str = ""


@dataclass(frozen=True)
class Verdict:
    """All checks of one kind. `overall` is bad if any check is, and good only if all are."""

    against: str
    checks: tuple[Check, ...]
    overall: str
    each_at: float
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; an open end of an interval is null."""
        return {
            "against": self.against,
            "overall": self.overall,
            "confidence_together": CONFIDENCE,
            "confidence_each": self.each_at,
            "checks": [
                {k: None if isinstance(v, float) and not isfinite(v) else v
                 for k, v in asdict(c).items()}
                for c in self.checks
            ],
            "notes": list(self.notes),
        }  # fmt: skip


_SHARES = ("drop_out_percent", "double_percent")
# Value and interval at a confidence; None with a reason if it was not measured.
_Measured = tuple[float | None, Interval, str]
_Ask = Callable[[float], _Measured]
_NOTHING: Interval = (-inf, inf)


def against_limits(result: Result) -> Verdict | None:
    """Check a run against its plan's limits; None if none were typed."""
    asks: list[tuple[str, str, Limit, _Ask]] = []
    steady = [p for p in result.points if p.segment.kind == "step"] or result.points
    for quantity, limit in result.plan.limits.items():
        if quantity in _OF_SWEEP:
            asks.append((quantity, "sweep", limit, _bind_sweep(quantity, result)))
            continue
        for point in steady:
            where = f"{point.segment.rpm_to:g} rpm"
            asks.append((quantity, where, limit, _bind_point(quantity, point, result.plan)))
        if not steady:
            asks.append((quantity, "any speed", limit, lambda _: (None, _NOTHING, "no data")))
    if not asks:
        return None
    each_at = 1 - (1 - CONFIDENCE) / len(asks)
    checks = []
    for quantity, where, limit, ask in asks:
        value, (low, high), note = ask(each_at)
        least = -inf if limit.least is None else limit.least
        most = inf if limit.most is None else limit.most
        verdict = _judge(value, low, high, least, most, WITHIN, OUTSIDE)
        if verdict == UNKNOWN and not note:
            note = "its interval reaches over the limit: measure longer"
            if quantity in _SHARES and value == 0:
                enough = intervals.trials_for(most / 100, each_at)
                note = f"{enough} triggers without one would tell: measure longer"
        checks.append(Check(quantity, where, value, low, high, least, most, verdict, note))
    return Verdict("limits", tuple(checks), _overall(checks, WITHIN, OUTSIDE), each_at)


def against_run(result: Result, good: Result, name: str) -> Verdict:
    """Compare a run with a stored run of a known good module.

    Args:
        result: this run.
        good: the other one, evaluated again from its own recording.
        name: of the other, for a person.
    """
    asks: list[tuple[str, str, _Ask]] = []
    notes = _alike(result.plan, good.plan)
    plan = result.plan
    pairs: list[tuple[Point, Point]] = []
    for point in result.points:
        other = _partner(point, good.points)
        if other is None:
            notes.append(f"{point.segment.name} was not driven in {name}: not compared")
            continue
        pairs.append((point, other))
        for quantity in ("delay_us", "drop_out_percent", "sparks_per_event"):
            ask = _bind_difference(quantity, point, other, plan)
            asks.append((quantity, f"{point.segment.rpm_to:g} rpm", ask))
    if pairs:
        asks += [(quantity, "all steps", _bind_pooled(quantity, pairs)) for quantity in _SHARES]
    if any(r.sweep.switch_up for r in (result, good)):
        asks.append(("switch_over_rpm", "sweep", lambda c: _switch_difference(result, good, c)))
    each_at = 1 - (1 - CONFIDENCE) / max(1, len(asks))
    checks = []
    for quantity, where, ask in asks:
        margin = plan.margin(quantity) or inf
        value, (low, high), note = ask(each_at)
        verdict = _judge(value, low, high, -margin, margin, SAME, DIFFERS)
        if verdict == UNKNOWN and not note:
            note = "its interval reaches over the margin: measure longer"
        checks.append(Check(quantity, where, value, low, high, -margin, margin, verdict, note))
    if not checks:
        notes.append("the two runs have no speed in common: nothing could be compared")
    overall = _overall(checks, SAME, DIFFERS)
    return Verdict(name, tuple(checks), overall, each_at, tuple(notes))


def _judge(
    value: float | None, low: float, high: float, least: float, most: float, good: str, bad: str
) -> str:
    if value is None:
        return UNKNOWN
    if least <= low and high <= most:
        return good
    return bad if high < least or low > most else UNKNOWN


def _overall(checks: Sequence[Check], good: str, bad: str) -> str:
    verdicts = {c.verdict for c in checks}
    if bad in verdicts:
        return bad
    return good if verdicts == {good} else UNKNOWN


def _bind_point(quantity: str, point: Point, plan: Plan) -> _Ask:
    return lambda confidence: _of_point(quantity, point, plan, confidence)


def _of_point(quantity: str, point: Point, plan: Plan, confidence: float) -> _Measured:
    """A quantity at one speed with its interval."""
    if not point.triggers:
        return None, _NOTHING, "no trigger was counted at this speed"
    if quantity == "drop_out_percent":
        return _share(point.drop_outs, point.triggers, confidence)
    if quantity == "supply_v":
        if point.supply_mv is None:
            return None, _NOTHING, "this board does not measure the supply"
        volts = point.supply_mv / 1000
        return volts, (volts * (1 - _SUPPLY), volts * (1 + _SUPPLY)), ""
    if point.answered < FEWEST:
        return None, _NOTHING, f"only {point.answered} of {point.triggers} triggers were answered"
    if quantity == "double_percent":
        return _share(point.doubles, point.answered, confidence)
    if quantity == "sparks_per_event":
        return _count(point, confidence)
    delay = point.delay_us
    assert delay is not None  # enough were answered
    if quantity == "spread_us":
        # ln s has the standard uncertainty 1 / sqrt(2 (n - 1)): JCGM 100:2008, E.4.3.
        z = NormalDist().inv_cdf((1 + confidence) / 2)
        by = exp(z / sqrt(2 * (delay.n - 1)))
        return delay.s, (delay.s / by, delay.s * by), ""
    u = sqrt(delay.u**2 + plan.u_clamp_delay_us**2)
    freedom = intervals.combined_freedom(
        [(delay.u, delay.n - 1.0), (plan.u_clamp_delay_us, inf)]
    )  # fmt: skip
    half = u * intervals.student_quantile((1 + confidence) / 2, freedom)
    return delay.value, (delay.value - half, delay.value + half), ""


def _share(hits: int, n: int, confidence: float) -> _Measured:
    low, high = intervals.clopper_pearson(hits, n, confidence)
    return 100 * hits / n, (100 * low, 100 * high), ""


def _count(point: Point, confidence: float) -> _Measured:
    assert point.count is not None
    half = point.half_count(confidence)
    return point.count.value, (point.count.value - half, point.count.value + half), ""


def _bind_sweep(quantity: str, result: Result) -> _Ask:
    return lambda confidence: _OF_SWEEP[quantity](result, confidence)


def _switch(result: Result, confidence: float) -> _Measured:
    found = switch_over(result, True, confidence)
    if found is None:
        always = result.sweep.always
        seen = f"{always} sparks at every speed" if always else "no clear switch-over"
        return None, _NOTHING, f"{seen} up to {result.sweep.most_rpm:.0f} rpm"
    return found.value, (found.low, found.high), ""


def _window(result: Result, confidence: float) -> _Measured:
    window = result.sweep.window_deg
    if window is None:
        return None, _NOTHING, "no bursts of two or more sparks of one length in degrees"
    return sum(window) / 2, window, ""


def _rev_limit(result: Result, confidence: float) -> _Measured:
    found = result.sweep.rev_limit
    if found is not None:
        return found.value, (found.low, found.high), ""
    if not result.answered:
        return None, _NOTHING, "no spark at any speed"
    most = result.sweep.most_rpm
    return most, (most, inf), f"none up to {most:.0f} rpm, the greatest speed driven"


_OF_SWEEP: dict[str, Callable[[Result, float], _Measured]] = {
    "switch_over_rpm": _switch,
    "burst_window_deg": _window,
    "rev_limit_rpm": _rev_limit,
}


def _alike(plan: Plan, good: Plan) -> list[str]:
    """What was typed differently for the two runs."""
    return [
        f"{name.replace('_', ' ')} was {getattr(good, name):g} then and is "
        f"{getattr(plan, name):g} now"
        if isinstance(getattr(plan, name), int | float)
        else f"{name.replace('_', ' ')} was {getattr(good, name)} then, {getattr(plan, name)} now"
        for name in ("kind", "edge", "width_us", "pitch_deg", "clamp_input")
        if getattr(plan, name) != getattr(good, name)
    ]


def _partner(point: Point, others: Sequence[Point]) -> Point | None:
    """The other run's point of the same kind at the same speed, the n-th to the n-th."""
    rpm, kind = point.segment.rpm_to, point.segment.kind
    near = [
        p for p in others
        if p.segment.kind == kind and abs(p.segment.rpm_to / rpm - 1) < _SAME_SPEED
    ]  # fmt: skip
    return min(near, key=lambda p: abs(p.index - point.index), default=None)


def _bind_difference(quantity: str, a: Point, b: Point, plan: Plan) -> _Ask:
    return lambda confidence: _difference(quantity, a, b, plan, confidence)


def _bind_pooled(quantity: str, pairs: Sequence[tuple[Point, Point]]) -> _Ask:
    """Over all speeds together: what is rare at each speed may show in all."""

    def counts(points: Sequence[Point]) -> tuple[int, int]:
        if quantity == "double_percent":
            return sum(p.doubles for p in points), sum(p.answered for p in points)
        return sum(p.drop_outs for p in points), sum(p.triggers for p in points)

    a, b = counts([p for p, _ in pairs]), counts([p for _, p in pairs])
    return lambda confidence: _share_difference(a, b, confidence)


def _difference(quantity: str, a: Point, b: Point, plan: Plan, confidence: float) -> _Measured:
    """This run's point less the other's."""
    if quantity == "drop_out_percent":
        return _share_difference((a.drop_outs, a.triggers), (b.drop_outs, b.triggers), confidence)
    for point, whose in ((a, "this"), (b, "the other")):
        if point.answered < FEWEST:
            text = f"in {whose} run only {point.answered} of {point.triggers} triggers answered"
            return None, _NOTHING, text
    if quantity == "sparks_per_event":
        assert a.count is not None and b.count is not None
        half = sqrt(a.half_count(confidence) ** 2 + b.half_count(confidence) ** 2)
        value = a.count.value - b.count.value
        return value, (value - half, value + half), ""
    one, two = a.delay_us, b.delay_us
    assert isinstance(one, Mean) and isinstance(two, Mean)
    value, interval = difference(one, two, sqrt(2) * plan.u_clip_us, confidence)
    return value, interval, ""


def _share_difference(a: tuple[int, int], b: tuple[int, int], confidence: float) -> _Measured:
    if not a[1] or not b[1]:
        return None, _NOTHING, "no trigger was counted in one of the runs"
    low, high = intervals.share_difference(*a, *b, confidence)
    return 100 * (a[0] / a[1] - b[0] / b[1]), (100 * low, 100 * high), ""


def _switch_difference(result: Result, good: Result, confidence: float) -> _Measured:
    found: list[Threshold] = []
    for run, whose in ((result, "this"), (good, "the other")):
        one = switch_over(run, True, confidence)
        if one is None:
            most = run.sweep.most_rpm
            return None, _NOTHING, f"{whose} run shows no switch-over up to {most:.0f} rpm"
        found.append(one)
    a, b = found
    return a.value - b.value, (a.low - b.high, a.high - b.low), ""
