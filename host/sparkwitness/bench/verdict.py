"""Bench results weighed: against typed limits, or against a run of a known good module.

Each check is an interval against limits or against a margin that does not matter. All intervals
of one verdict hold together at 95 %: each one alone is at 1 - 0.05 / m (Bonferroni; Dunn, J. Am.
Stat. Assoc. 56(293), 1961), so that twenty checks do not find one fault in a good module by luck.
Beside these there are alarms: places where a difference would show, but its absence would take too
long to prove (each ramp, each dead band, drop-outs at each speed of two runs). An alarm counts
among the m, and is listed only when it sounds. Drop-outs in spells, delays that wander and runs
that were not repeated widen the intervals (see `evaluate`); what heat moved within a run may also
lie between two runs.

"Same" means that the whole interval lies inside the margin (two one-sided tests: Schuirmann, J.
Pharmacokinet. Biopharm. 15(6), 1987), not that no difference was found. Longer than other files:
both verdicts share their checks, alarms and corrections.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from math import ceil, exp, inf, isfinite, log1p, sqrt
from statistics import NormalDist
from typing import Any

from sparkwitness.bench import bands
from sparkwitness.bench.plan import QUANTITIES, Limit, Plan
from sparkwitness.bench.result import FEWEST, Band, Mean, Point, Result, difference
from sparkwitness.bench.shots import Shots
from sparkwitness.bench.steps import Change
from sparkwitness.bench.sweep import switch_over
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.stats import Interval

CONFIDENCE = 0.95
WITHIN, OUTSIDE, SAME, DIFFERS, UNKNOWN = "within", "outside", "same", "differs", "cannot tell"
_SAME_SPEED = 0.01
_SAME_WIDTH = 0.02
# What heat may move a delay by where speeds were not driven again; common practice, no source.
_HEAT_US, _HEAT_SHARE = 10.0, 0.3
_ONCE = (
    "each speed was driven once, and heat alone may do that: drive both modules with --repeats 3"
)
_SAME_SUPPLY = 0.5  # V; beyond it a module's delay may move by more than it matters
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
_HIDEABLE = ("delay_us", "spread_us", "drop_out_percent", "sparks_per_event", "rev_limit_rpm")
# Value and interval at a confidence; None with a reason if it was not measured.
_Measured = tuple[float | None, Interval, str]
_Ask = Callable[[float], _Measured]
_NOTHING: Interval = (-inf, inf)


def against_limits(result: Result) -> Verdict | None:
    """Check a run against its plan's limits; None if none were typed."""
    asks: list[tuple[str, str, Limit, _Ask, bool]] = []
    plan = result.plan
    steady = [p for p in result.points if p.segment.kind == "step"] or result.points
    rest = [p for p in result.points if p not in steady]
    for quantity, limit in plan.limits.items():
        if quantity in _OF_SWEEP:
            asks.append((quantity, "sweep", limit, _bind_sweep(quantity, result), False))
            continue
        for point in steady:
            where = f"{point.segment.rpm_to:g} rpm"
            asks.append((quantity, where, limit, _bind_point(quantity, point, plan), False))
        if not steady:
            asks.append(
                (quantity, "any speed", limit, lambda _: (None, _NOTHING, "no data"), False)
            )
        for point in rest:
            ask = _bind_point(quantity, point, plan)
            asks.append((quantity, point.segment.name, limit, ask, False))
        if quantity in _SHARES and result.points and result.ramps:
            everywhere = [*result.points, *result.ramps]
            ask = _bind_shares(quantity, everywhere, result)
            asks.append((quantity, "all events", limit, ask, False))
        if quantity in (*_SHARES, "sparks_per_event"):
            for point in result.ramps:
                ask = _bind_point(quantity, point, plan)
                asks.append((quantity, point.segment.name, limit, ask, True))
        for band in _bands_of(quantity, result):
            asks.append((quantity, band.name, limit, _bind_band(band), True))
    if not asks:
        return None
    each_at = 1 - (1 - CONFIDENCE) / len(asks)
    checks = []
    for quantity, where, limit, ask, alarm in asks:
        least = -inf if limit.least is None else limit.least
        most = inf if limit.most is None else limit.most
        check = _checked(quantity, where, ask, each_at, (least, most), (WITHIN, OUTSIDE), result)
        if check.verdict == UNKNOWN and not check.note:
            note = _longer(check, result)
            if quantity in _SHARES and check.value == 0 < most:
                enough = intervals.trials_for(most / 100, each_at)
                # None in n is (1 - share)^n: n goes with the logarithm.
                by = log1p(-check.high / 100) / log1p(-most / 100)
                length = _length(by, check, result)
                note = f"{enough} triggers without one would tell: {length}"
            check = replace(check, note=note)
        if not alarm or check.verdict == OUTSIDE:
            checks.append(check)
    overall = _overall(checks, WITHIN, OUTSIDE)
    notes = _not_judged(result, {q for q, *_ in asks})
    return Verdict("limits", tuple(checks), overall, each_at, tuple(notes))


def _checked(
    quantity: str, where: str, ask: _Ask, each_at: float, ends: Interval,
    words: tuple[str, str], result: Result,
) -> Check:  # fmt: skip
    value, (low, high), note = ask(each_at)
    verdict = _judge(value, low, high, *ends, *words)
    if result.unsure and quantity in _HIDEABLE:
        verdict, note = UNKNOWN, result.unsure
    return Check(quantity, where, value, low, high, *ends, verdict, note)


def _longer(check: Check, result: Result) -> str:
    """What length of run would tell, by the interval shrinking with the root of the time."""
    reach = "limit" if isfinite(check.least) != isfinite(check.most) else "margin or limit"
    text = f"its interval reaches over the {reach}"
    half = (check.high - check.low) / 2
    assert check.value is not None
    room = max(
        min(check.most - check.value, check.value - check.least),
        max(check.least - check.value, check.value - check.most),
    )  # inside both ends, or outside one
    by = 1.2 * (half / room) ** 2 if room > 0 else inf
    if by > 400:
        return f"{text}, and its value lies at it: no usual length of run tells more"
    return f"{text}: {_length(by, check, result)} would tell"


def _length(by: float, check: Check, result: Result) -> str:
    """A run so many times as long, in what a person types or waits for."""
    plan = result.plan
    if plan.steps and (check.quantity in ("delay_us", "spread_us") or check.where.endswith("rpm")):
        return f"about --repeats {max(2, ceil(plan.repeats * by))}"
    seconds = result.measured_s * by
    length = f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
    return f"a run of about {length} in all (now {result.measured_s:.0f} s)"


def _not_judged(result: Result, judged: set[str]) -> list[str]:
    """What this verdict says nothing about."""
    plan, sweep = result.plan, result.sweep
    names = [QUANTITIES[q].partition(",")[0] for q in QUANTITIES if q not in judged]
    notes = [f"not judged, as no limit was given: {'; '.join(names)}"] if names else []
    if sweep.rev_limit and "rev_limit_rpm" not in judged:
        notes.append(
            f"a rev limit at {sweep.rev_limit.value:.0f} rpm was seen; no limit asks about it"
        )
    return [*notes, *_not_driven(plan)]


def _not_driven(plan: Plan) -> list[str]:
    notes = []
    if plan.repeats < 2 and plan.steps:
        notes.append(
            "each speed was driven once: what the module changes from time to time is not known "
            "(--repeats 3)"
        )
    if not plan.soak_minutes:
        notes.append("heat was not tested (--soak MINUTES)")
    if not plan.ramps:
        notes.append("only the speeds listed were driven: nothing is known between them (--ramp)")
    return notes


def against_run(result: Result, good: Result, name: str) -> Verdict:
    """Compare a run with a stored run of a known good module.

    Args:
        result: this run.
        good: the other one, evaluated again from its own recording.
        name: of the other, for a person.
    """
    asks: list[tuple[str, str, _Ask, bool]] = []
    notes, other_way = _alike(result.plan, good.plan), _driven_otherwise(result, good)
    plan = result.plan
    pairs: list[tuple[Point, Point]] = []
    for point in result.points:
        partner = _partner(point, good.points)
        if partner is None:
            notes.append(f"{point.segment.name} was not driven in {name}: not compared")
            continue
        pairs.append((point, partner))
    warm = result.sweep.heat is not None and good.sweep.heat is not None
    steps = [(a, b) for a, b in pairs if a.segment.kind == "step"]
    more = _more_between(steps, result, good)
    for a, b in pairs:
        where = f"{a.segment.rpm_to:g} rpm"
        for quantity in ("delay_us", "spread_us", "sparks_per_event"):
            ask = _bind_difference(quantity, a, b, plan, more)
            asks.append((quantity, where, ask, False))
        for quantity in _SHARES:
            asks.append((quantity, where, _bind_shares_of((a,), (b,), quantity), True))
    ramps = [(p, q) for p in result.ramps if (q := _partner(p, good.ramps)) is not None]
    for a, b in ramps:
        for quantity in (*_SHARES, "sparks_per_event"):
            ask = (
                _bind_shares_of((a,), (b,), quantity)
                if quantity in _SHARES
                else (_bind_difference(quantity, a, b, plan, more))
            )
            asks.append((quantity, a.segment.name, ask, True))
    if result.ramps and len(ramps) < len(result.ramps):
        notes.append(f"some ramps were not driven in {name}: not compared")
    everything = [*pairs, *ramps]
    if everything:
        mine, others = zip(*everything, strict=True)
        for quantity in _SHARES:
            ask = _bind_shares_of(mine, others, quantity)
            asks.append((quantity, "all events", ask, False))
        if any(r.sweep.rev_limit for r in (result, good)):
            asks.append(
                ("rev_limit_rpm", "sweep", lambda _: _limit_difference(result, good), False)
            )
        for run, other in ((result, good), (good, result)):
            for quantity in _SHARES:
                for band in _bands_of(quantity, run):
                    ask = _bind_band_difference(quantity, band, other, run is result)
                    asks.append((quantity, band.name, ask, True))
    if any(r.sweep.switch_up for r in (result, good)):
        asks.append(
            ("switch_over_rpm", "sweep", lambda c: _switch_difference(result, good, c), False)
        )
    each_at = 1 - (1 - CONFIDENCE) / max(1, len(asks))
    checks = []
    for quantity, where, ask, alarm in asks:
        margin = plan.margin(quantity) or inf
        ends = (-margin, margin)
        check = _checked(quantity, where, ask, each_at, ends, (SAME, DIFFERS), result)
        if good.unsure and quantity in _HIDEABLE:
            check = replace(check, verdict=UNKNOWN, note=f"in {name} {good.unsure}")
        if check.verdict == DIFFERS and quantity == "delay_us" and not warm:
            beyond = max(check.low - check.most, check.least - check.high)
            slowest = max(p.delay_us.value for p in good.points if p.delay_us)
            if beyond < max(_HEAT_US, _HEAT_SHARE * slowest):
                check = replace(check, verdict=UNKNOWN, note=_ONCE)
        if other_way and quantity in _HIDEABLE:
            check = replace(check, verdict=UNKNOWN, note=other_way)
        if check.verdict == UNKNOWN and not check.note:
            check = replace(check, note=_why_not(check, result, good))
        if not alarm or check.verdict == DIFFERS:
            checks.append(check)
    if not checks:
        notes.append("the two runs have no speed in common: nothing could be compared")
    else:
        notes += _compared(result, good, name)
    overall = _overall(checks, SAME, DIFFERS)
    return Verdict(name, tuple(checks), overall, each_at, tuple(notes))


def _compared(result: Result, good: Result, name: str) -> list[str]:
    notes = [
        "compared: delay, spread and sparks per event at each speed held; drop-outs and double "
        "events everywhere, ramps and soak too; switch-over and rev limit where one of the two "
        "has them",
        "not compared: temperature of the module, supply, burst window, delay within ramps",
    ]
    for run, whose in ((result, "this run"), (good, name)):
        heat = run.sweep.heat
        if heat is not None and heat.moved:
            notes.append(
                f"in {whose} the delay moved by {heat.change:+.1f} µs at the same speeds, as heat "
                f"does: up to {heat.allowance:.1f} µs of a difference may be that"
            )
    return notes + [n for n in _not_driven(result.plan) if "soak" not in n]


def _why_not(check: Check, result: Result, good: Result) -> str:
    heat = sum(r.sweep.heat.allowance for r in (result, good) if r.sweep.heat)
    if check.quantity == "delay_us" and heat > check.most / 2:
        return "the module warms up within a run: soak both warm first, then compare"
    return _longer(check, result)


def _more_between(
    pairs: Sequence[tuple[Point, Point]], result: Result, good: Result
) -> tuple[float, float, float]:
    """What two runs of one module may differ by beyond the scatter inside a visit.

    Returns:
        Standard uncertainty of a difference at one speed, its degrees of freedom, and an
        allowance for heat, µs. Where each speed was visited again both are in the points already;
        else the differences themselves say how far they scatter from speed to speed.
    """
    heat = sum(r.sweep.heat.allowance for r in (result, good) if r.sweep.heat)
    if result.sweep.heat is not None and good.sweep.heat is not None:
        return 0.0, inf, heat
    found = [
        (a.delay_us.value - b.delay_us.value, sqrt(a.delay_us.u**2 + b.delay_us.u**2))
        for a, b in pairs if a.delay_us and b.delay_us
    ]  # fmt: skip
    if len(found) < 3:
        return 0.0, inf, heat
    mean = sum(d for d, _ in found) / len(found)
    scatter = sum((d - mean) ** 2 for d, _ in found) / (len(found) - 1)
    own = sum(u**2 for _, u in found) / len(found)
    return sqrt(max(0.0, scatter - own)), len(found) - 1.0, heat


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


def _bind_shares(quantity: str, points: Sequence[Point], result: Result) -> _Ask:
    """A share over several places."""
    hits, n, together = _counts(quantity, points)
    return lambda confidence: _share(hits, n, confidence, together)


def _counts(quantity: str, points: Sequence[Point]) -> tuple[int, int, float]:
    """Hits and trials; of drop-outs those outside of dead bands, which are judged by themselves,
    with how many come together."""
    if quantity == "double_percent":
        return sum(p.doubles for p in points), sum(p.answered for p in points), 1.0
    band = sum(p.in_band for p in points)
    n = sum(p.triggers for p in points) - band
    return sum(p.drop_outs for p in points) - band, n, max(p.clumping for p in points)


def _bands_of(quantity: str, run: Result) -> tuple[Band, ...]:
    return {
        "drop_out_percent": run.sweep.bands, "double_percent": run.sweep.double_bands
    }.get(quantity, ())  # fmt: skip


def _bind_band(band: Band) -> _Ask:
    return lambda confidence: _share(band.hits, band.triggers, confidence, band.clumping)


def _bind_band_difference(quantity: str, band: Band, other: Result, mine: bool) -> _Ask:
    """What happens in a band of one run, against the same speeds in the other run."""
    happened = bands.missing if quantity == "drop_out_percent" else bands.doubled

    def ask(confidence: float) -> _Measured:
        shots = Shots.join([s.shots for s in other.stretches if bands.goes(s, band.way)])
        there = happened(shots)[bands.inside(shots.rpm, [band])].tolist()
        n, k = len(there), sum(there)
        if n < FEWEST:
            return None, _NOTHING, "not driven in the other run"
        value, (low, high), note = _share_difference(
            (band.hits, band.triggers), (k, n), confidence, band.clumping
        )
        assert value is not None
        return (value, (low, high), note) if mine else (-value, (-high, -low), note)

    return ask


def _bind_shares_of(a: Sequence[Point], b: Sequence[Point], quantity: str) -> _Ask:
    """Shares of two runs over the same places. What is rare at each may show in all."""
    (k, n, one), (m, o, two) = _counts(quantity, a), _counts(quantity, b)
    return lambda confidence: _share_difference((k, n), (m, o), confidence, max(one, two))


def _limit_difference(result: Result, good: Result) -> _Measured:
    """Rev limits; a run without one has it above all that it drove."""
    ends: list[Interval] = []
    values: list[float] = []
    for run in (result, good):
        found, most = run.sweep.rev_limit, run.sweep.most_rpm
        ends.append((found.low, found.high) if found else (most, inf))
        values.append(found.value if found else most)
    (low_a, high_a), (low_b, high_b) = ends
    note = ""
    for run, whose in ((result, "this"), (good, "the other")):
        if run.sweep.rev_limit is None:
            note = f"{whose} run shows none up to {run.sweep.most_rpm:.0f} rpm"
    return values[0] - values[1], (low_a - high_b, high_a - low_b), note


def _bind_point(quantity: str, point: Point, plan: Plan) -> _Ask:
    return lambda confidence: _of_point(quantity, point, plan, confidence)


def _of_point(quantity: str, point: Point, plan: Plan, confidence: float) -> _Measured:
    """A quantity at one speed with its interval."""
    if not point.triggers:
        return None, _NOTHING, "no trigger was counted at this speed"
    if quantity == "drop_out_percent":
        return _share(point.drop_outs, point.triggers, confidence, point.clumping)
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
        # ln s has the standard uncertainty u(s) / s: JCGM 100:2008, 5.1.2.
        z = NormalDist().inv_cdf((1 + confidence) / 2)
        by = exp(z * delay.u_s / delay.s) if delay.s else 1.0
        return delay.s, (delay.s / by, delay.s * by), ""
    half = delay.half(confidence, plan.u_clamp_delay_us)
    return delay.value, (delay.value - half, delay.value + half), ""


def _share(hits: int, n: int, confidence: float, together: float = 1.0) -> _Measured:
    if n <= 0:
        return None, _NOTHING, "no trigger was counted"
    by = together if 0 < hits < 0.8 * n else 1.0
    low, high = intervals.clopper_pearson(hits / by, n / by, confidence)
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


def _driven_otherwise(result: Result, good: Result) -> str:
    """Why a difference may be the drive's or the supply's; empty: it is the module's."""
    plan, before = result.plan, good.plan
    if plan.kind != before.kind or plan.edge != before.edge:
        return f"the other run drove an {before.kind} module by the {before.edge} edge"
    if abs(plan.width_us / before.width_us - 1) > _SAME_WIDTH:
        return (
            f"the other run's pulse was {before.width_us:g} µs long, and the delay may depend on "
            f"that: drive again with --width {before.width_us:g}"
        )
    supplies = [
        [p.supply_mv / 1000 for p in run.points if p.supply_mv is not None]
        for run in (result, good)
    ]
    if all(supplies):
        low, high = min(map(min, supplies)), max(map(max, supplies))
        if high - low > _SAME_SUPPLY:
            return (
                f"the supply was between {low:.1f} and {high:.1f} V, and answers may depend on "
                "that: hold it steady and alike in both runs"
            )
    return ""


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


def _bind_difference(
    quantity: str, a: Point, b: Point, plan: Plan, more: tuple[float, float, float]
) -> _Ask:
    return lambda confidence: _difference(quantity, a, b, plan, more, confidence)


def _difference(
    quantity: str, a: Point, b: Point, plan: Plan, more: tuple[float, float, float],
    confidence: float,
) -> _Measured:  # fmt: skip
    """This run's point less the other's."""
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
    if quantity == "spread_us":
        z = NormalDist().inv_cdf((1 + confidence) / 2)
        value, half = one.s - two.s, z * sqrt(one.u_s**2 + two.u_s**2)
        return value, (value - half, value + half), ""
    between, freedom, heat = more
    clip = sqrt(2) * plan.u_clip_us
    value, (low, high) = difference(
        one, two, [(clip, inf), (between, freedom)], confidence
    )  # fmt: skip
    return value, (low - heat, high + heat), ""


def _share_difference(
    a: tuple[int, int], b: tuple[int, int], confidence: float, together: float = 1.0
) -> _Measured:
    if a[1] <= 0 or b[1] <= 0:
        return None, _NOTHING, "no trigger was counted in one of the runs"
    # All or none of the triggers of one run is no spell of the other.
    by = together if max(a[0] / a[1], b[0] / b[1]) < 0.8 else 1.0
    low, high = intervals.share_difference(
        a[0] / by, a[1] / by, b[0] / by, b[1] / by, confidence
    )  # fmt: skip
    return 100 * (a[0] / a[1] - b[0] / b[1]), (100 * low, 100 * high), ""


def _switch_difference(result: Result, good: Result, confidence: float) -> _Measured:
    found: list[Change] = []
    for run, whose in ((result, "this"), (good, "the other")):
        one = switch_over(run, True, confidence)
        if one is None:
            most = run.sweep.most_rpm
            return None, _NOTHING, f"{whose} run shows no switch-over up to {most:.0f} rpm"
        found.append(one)
    a, b = found
    return a.value - b.value, (a.low - b.high, a.high - b.low), ""
