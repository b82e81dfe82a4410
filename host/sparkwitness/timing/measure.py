"""The main job: tables of sparks and crank periods to true timing, error and advice.

`analyzer.Analyzer` (bytes to tables) is the streaming half, `timed.time_events` and `evaluate`
(tables to a `Measurement`) the pure one. Both give the same result live and from a recording.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from functools import cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode.edges import Loss
from sparkwitness.timing import budget as timing
from sparkwitness.timing import (
    clamps,
    cycle,
    dwell,
    gates,
    gates_start,
    gates_tap,
    starting,
    torque,
    trigger,
)
from sparkwitness.timing import cylinders as each
from sparkwitness.timing import ripple as crank
from sparkwitness.timing import rotor as rotors
from sparkwitness.timing.advice import Advice
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.cycle import Cycle
from sparkwitness.timing.events import Events, missing_between
from sparkwitness.timing.gates import REFUSED, Finding
from sparkwitness.timing.number import Number
from sparkwitness.timing.ripple import Turns
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import (
    Timed,
    Whole,
    caused,
    crank_misses,
    mean_speed,
    pairs,
    placed,
    second_edges,
    time_events,
    whole,
)

FEWEST_EVENTS, FEWEST_REVS = 30, 20
_STEADY_SHARE, _STEADY_RPM, _STEADY_REVS = 0.10, 75.0, 20
_CRYSTAL = 50e-6  # relative, tolerance of the board's crystal with temperature and ageing


@dataclass
class Measurement:
    """The result. Angles in crank degrees, advance (BTDC) positive; what cannot be told is None.

    Attributes:
        ready: the target is met, or more events could not help.
        target: expanded uncertainty at which to stop, degrees.
        timing: mean angle of the first sparks, degrees BTDC.
        expanded: expanded uncertainty (k = 2) of `timing` and `error`, degrees.
        error: `timing` less `commanded`, degrees; an advanced spark's is positive.
        commanded: as typed, degrees BTDC.
        scatter: standard deviation of the first sparks' angles, degrees.
        rpm: mean speed, rev/min; `u_rpm` its expanded uncertainty.
        events: firings that went into `timing`.
        sparks: how many events had so many sparks.
        spacing_us: from spark to spark of a burst, µs; `u_spacing_us` its expanded uncertainty.
        duration_us: from a burst's first spark to its last, µs; `u_duration_us` likewise.
        event_spacing: degrees from one firing at the clamp to the next.
        missing, expected: firings without a spark, and all that should have come.
        stray, cut, unplaced, unsteady: events or sparks left out: too far from their neighbours,
            beginning not seen, crank angle not known, at another speed.
        ringing: clamp edges refused by the dead time.
        crank_rejected: crank edges in stretches that do not fit the wheel.
        supply_least_mv: lowest supply voltage, mV.
        seconds: length of the stream; `from_s`, `to_s` where the steady stretch begins and ends.
        budget: what `expanded` is made of (JCGM 100:2008).
        advice: the next setting.
        modulo: degrees modulo which the timing is known.
        clamp: where the clamp sits, as typed or as found.
        places: degrees BTDC and share of the events, where they come at more than one place.
        split: controller and module told apart, where the trigger tap is connected.
        cylinders: each of them, where the firing order is typed.
        cycle: the picture of a cycle.
        start: from cranking to running, where the recording holds that.
        rotor: where the sparks fall in the distributor, where that is marked.
        findings: what a person must know; why something is None, see `gates`.
        loss: what did not arrive or was refused.
    """

    ready: bool = False
    target: float = 0.25
    timing: Number | None = None
    expanded: float | None = None
    error: Number | None = None
    commanded: float | None = None
    scatter: float | None = None
    rpm: Number | None = None
    u_rpm: float | None = None
    events: int = 0
    sparks: dict[int, int] = field(default_factory=dict)
    spacing_us: Number | None = None
    u_spacing_us: float | None = None
    duration_us: Number | None = None
    u_duration_us: float | None = None
    event_spacing: float | None = None
    missing: int = 0
    expected: int = 0
    stray: int = 0
    cut: int = 0
    unplaced: int = 0
    unsteady: int = 0
    ringing: int = 0
    crank_rejected: int = 0
    supply_least_mv: int | None = None
    seconds: float = 0.0
    from_s: float | None = None
    to_s: float | None = None
    budget: Budget | None = None
    advice: Advice | None = None
    modulo: float | None = None
    clamp: str | None = None
    places: tuple[tuple[float, float], ...] = ()
    split: trigger.Split | None = None
    cylinders: each.Cylinders | None = None
    cycle: Cycle | None = None
    start: starting.Start | None = None
    rotor: rotors.Rotor | None = None
    findings: list[Finding] = field(default_factory=list)
    loss: Loss = field(default_factory=Loss)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        return {
            "timing_deg_btdc": self.timing,
            "timing_expanded_deg": self.expanded,
            "commanded_deg_btdc": self.commanded,
            "error_deg": self.error,
            "error_expanded_deg": self.expanded if self.error is not None else None,
            "target_met": self.expanded is not None and self.expanded <= self.target,
            "scatter_deg": self.scatter,
            "rpm": self.rpm,
            "rpm_expanded": self.u_rpm,
            "events": self.events,
            "sparks_per_event": {str(k): v for k, v in sorted(self.sparks.items())},
            "spark_spacing_us": self.spacing_us,
            "spark_spacing_expanded_us": self.u_spacing_us,
            "burst_duration_us": self.duration_us,
            "burst_duration_expanded_us": self.u_duration_us,
            "event_spacing_deg": self.event_spacing,
            "firings_expected": self.expected,
            "firings_missing": self.missing,
            "events_stray": self.stray,
            "events_cut": self.cut,
            "events_at_other_speed": self.unsteady,
            "sparks_without_crank_angle": self.unplaced,
            "edges_ringing": self.ringing,
            "crank_edges_rejected": self.crank_rejected,
            "supply_least_mv": self.supply_least_mv,
            "seconds": self.seconds,
            "steady_from_s": self.from_s,
            "steady_to_s": self.to_s,
            "budget": self.budget.to_dict() if self.budget else None,
            "advice": self.advice.to_dict() if self.advice else None,
            "modulo_deg": self.modulo,
            "clamp": self.clamp,
            "places": [{"deg_btdc": a, "share": s} for a, s in self.places],
            "split": self.split.to_dict() if self.split else None,
            "cylinders": self.cylinders.to_dict() if self.cylinders else None,
            "cycle": self.cycle.to_dict() if self.cycle else None,
            "start": self.start.to_dict() if self.start else None,
            "rotor": self.rotor.to_dict() if self.rotor else None,
            "cannot_tell": gates.CANNOT_TELL if self.timing is not None else None,
            "advice_allowed": all(f.advice for f in self.findings),
            "findings": [asdict(f) for f in self.findings],
            "loss": self.loss.to_dict(),
        }

    to_dict = as_dict  # as all results have it


def used(result: Measurement, found: Timed, tick_s: float) -> NDArray[np.bool_]:
    """bool per event of `found`: those of the steady stretch that `result` rests on."""
    seconds = found.events.tick * tick_s
    if result.from_s is None or result.to_s is None:
        return np.zeros(len(seconds), np.bool_)
    return np.asarray((seconds >= result.from_s) & (seconds <= result.to_s))


def evaluate(setup: Setup, tables: Tables, any_speed: bool = False) -> Measurement:
    """Tables to the result: pure, the same for the same tables.

    Args:
        setup: what was typed.
        tables: from `Analyzer`.
        any_speed: take all events, not only the last stretch of steady speed.
    """
    parts = tables.apart()
    if len(parts) < 2:
        return _evaluate(setup, parts[0] if parts else tables, any_speed, "")
    results = [_evaluate(setup, part, any_speed, "") for part in parts]
    each = ", ".join(
        f"{gates.btdc(r.timing)} ± {r.expanded:.1f}°"
        if r.timing is not None
        else f"no timing ({r.findings[0].code})"
        for r in results
    )
    return _evaluate(setup, parts[-1], any_speed, each)


def _evaluate(setup: Setup, tables: Tables, any_speed: bool, sessions: str) -> Measurement:
    result = Measurement(
        target=setup.target,
        commanded=setup.commanded,
        ringing=tables.ringing,
        crank_rejected=tables.crank_rejected,
        supply_least_mv=min(tables.supply_mv, default=None),
        seconds=tables.seconds,
        loss=tables.loss,
    )
    found = time_events(setup, tables)
    if isinstance(found, Finding):
        result.findings.append(found)
        if found.code == "no_spark":
            result.rpm = Number(mean_speed(setup, tables))
        result.start = starting.read(setup, tables, None)
        return result
    everything = cache(partial(whole, setup, tables, found))  # only few runs need them
    start = starting.read(setup, tables, everything)
    # Angles wait for the gates.
    result.start = None if start is None else start.without_angles()
    result.event_spacing, result.clamp = found.spacing, found.clamp
    result.stray, result.cut, result.unplaced = found.stray, found.cut, found.unplaced
    keep = np.ones(len(found.speed), np.bool_)
    if not any_speed:
        keep = _steady(found.speed, int(_STEADY_REVS * 360 / found.spacing))
    result.unsteady = int(np.count_nonzero(~keep))
    if not keep.any():
        low, high = np.nanmin(found.speed), np.nanmax(found.speed)
        text = f"the speed is not steady ({low:.0f} to {high:.0f} rpm): hold it and wait"
        result.findings.append(Finding("unsteady", text, REFUSED, False))
        return result
    steady = found.pick(keep)
    _describe(result, steady, tables.tick_s)
    fewest = max(FEWEST_EVENTS, int(FEWEST_REVS * 360 / found.spacing))
    if result.events < fewest:
        text = f"{result.events} of {fewest} events at steady speed{crank_misses(setup, tables)}"
        result.findings.append(Finding("few_events", text, REFUSED, False))
        return result
    _timing(result, setup, steady, tables, sessions)
    if result.timing is not None:
        _over_all_speeds(result, setup, everything, start)
    if tables.dropped:
        text = f"the oldest {tables.dropped} sparks are left out: only the newest are kept"
        result.findings.append(Finding("long", text))
    return result


def _steady(speed: NDArray[np.float64], newest: int) -> NDArray[np.bool_]:
    """The last stretch of events in which the speed stayed within 10 % or 75 rev/min.

    Idle wanders from cycle to cycle; what must not be mixed is one speed with another.

    Args:
        speed: float64[n] rev/min at each event.
        newest: how many of the last events tell the speed now.
    """
    known = np.isfinite(speed)
    keep = np.zeros(len(speed), np.bool_)
    if not known.any():
        return keep
    now = float(np.median(speed[known][-max(newest, 5) :]))
    off = np.where(known, np.abs(speed - now), 0.0) > max(_STEADY_SHARE * now, _STEADY_RPM)
    # A single odd event is scatter; most of a few turns are another speed.
    few = max(3, newest // 4)
    so_far = np.concatenate((np.zeros(few, np.int64), np.cumsum(off, dtype=np.int64)))
    away = np.flatnonzero(2 * (so_far[few:] - so_far[:-few]) > few)
    keep[(away[-1] + 1 if len(away) else 0) :] = True
    return keep


def _describe(result: Measurement, steady: Timed, tick_s: float) -> None:
    """Speed, counts and bursts."""
    events, speed = steady.events, steady.speed
    result.from_s, result.to_s = (events.tick[[0, -1]] * tick_s).tolist()
    known = speed[np.isfinite(speed)]
    result.events = len(events.tick)
    if len(known) > 1:
        rpm, deviation = timing.mean_and_deviation(known)
        # That of these events: where the speed wanders, another minute has another one.
        u = np.hypot(deviation / np.sqrt(len(known)), _CRYSTAL * rpm)
        result.u_rpm = timing.COVERAGE * float(u)
        result.rpm = Number(rpm, result.u_rpm)
    counted = events.sparks[events.sparks > 0]
    sizes, times = np.unique(counted, return_counts=True)
    result.sparks = dict(zip(sizes.tolist(), times.tolist(), strict=True))
    bursts = events.pick(events.sparks > 1)
    if len(bursts.tick) > 1:
        length: NDArray[np.float64] = np.multiply(bursts.last_tick - bursts.tick, tick_s * 1e6)
        result.u_duration_us = timing.COVERAGE * timing.standard_error(length)
        result.duration_us = Number(length.mean(), result.u_duration_us)
        each: NDArray[np.float64] = np.divide(length, bursts.sparks - 1)
        result.u_spacing_us = timing.COVERAGE * timing.standard_error(each)
        result.spacing_us = Number(each.mean(), result.u_spacing_us)
    result.missing, result.expected = missing_between(events, steady.spacing)


def _timing(
    result: Measurement, setup: Setup, steady: Timed, tables: Tables, sessions: str
) -> None:
    """Timing and its uncertainty, and what the gates let through of error and advice."""
    rpm = result.rpm or 0.0
    events, angles, periods = steady.events, steady.angles, tables.periods
    first, last = events.tick[[0, -1]].tolist()
    turned = periods.pick(
        slice(*(periods.since(events.segment[k], events.tick[k]) for k in (0, -1)))
    )
    shape = tables.turns.between(first, last) if tables.turns is not None else None
    ripple = None if shape is None else crank.ripple(shape, setup.reference)
    mean, scatter = timing.mean_and_deviation(angles)
    budget = timing.budget(
        angles,
        6.0 * rpm * tables.tick_s,
        events.to_edge,
        turned,
        setup.reference,
        setup.firings_per_rev,
        rpm,
        setup.delay(rpm).u_us * 1e-6,
        setup.swing,
        ripple,
        setup.strokes,
        events.degrees,
    )
    alternates = ripple is not None and ripple.alternates
    if setup.reference.teeth == 1:
        alternates = crank.pulse_alternates(turned)
    result.modulo = steady.modulo
    result.places = steady.places if len(steady.places) > 1 else ()
    if setup.clamp == "auto" and (doubt := clamps.doubt(setup, steady.spacing, ripple, alternates)):
        result.findings.append(doubt)
        return
    assert steady.every is not None
    tap = trigger.read(
        setup, tables, events, angles, steady.every.tick, steady.spacing, rpm, turned, ripple
    )
    table = _by_cylinder(setup, tables, steady, budget, tap, shape, rpm)
    if table is not None and table.scatter is not None:
        scatter = table.scatter
    judged = gates.judge(
        gates.Evidence(
            setup,
            mean,
            budget.expanded,
            scatter,
            rpm,
            steady.modulo,
            steady.places,
            steady.kind,
            steady.late,
            alternates,
            None if shape is None else crank.odd_gap(shape, setup.reference, setup.firings_per_rev),
            tables.crank_rejected / max(tables.crank_edges, 1),
            sessions,
            second_edges(events, tables, rpm),
            tables.polarity,
            pairs(events, tables.tick_s, rpm),
            caused(setup, tables),
        )
    )
    result.findings += judged.findings
    if not judged.shown:
        return
    result.cylinders = table
    if tap is not None:
        _tapped(result, setup, tables, tap, judged.error_shown)
    result.cycle = _picture(result, setup, steady)
    result.budget, result.expanded, result.scatter = budget, budget.expanded, scatter
    result.timing = Number(mean, result.expanded)
    # Beyond the type B lines waiting helps only until the scatter no longer matters.
    random = timing.COVERAGE * budget.components[0].u
    result.ready = result.expanded <= setup.target or random <= 0.2 * budget.systematic
    if result.expanded > setup.target and result.ready:
        largest = max(budget.components[1:], key=lambda c: c.u)
        result.findings.append(
            Finding(
                "target",
                f"±{setup.target:g}° cannot be reached by waiting: most of the ±"
                f"{result.expanded:.2f}° comes from the {largest.name} ({largest.note})",
            )
        )
    if not timing.resolves_swing(setup.reference, setup.firings_per_rev):
        _pulse_advice(result, setup, events, rpm)
    if setup.commanded is None or not judged.error_shown:
        return
    result.error = Number(mean - setup.commanded, result.expanded)
    told = tuple(result.findings)
    if result.split is not None:
        result.advice, more = gates_tap.advise(setup, result.split, told)
    else:
        result.advice, more = gates.advise(setup, result.error, result.expanded, told)
    result.findings += more
    if abs(result.error) > result.expanded and result.split is None:
        result.findings.append(
            Finding(
                "one_speed",
                "measured at one speed only: a fixed angle and a time delay cannot be told apart; "
                "connect the trigger tap, or measure at a second speed before trusting the setting "
                "there",
            )
        )


def _by_cylinder(
    setup: Setup,
    tables: Tables,
    steady: Timed,
    budget: Budget,
    tap: trigger.Tap | None,
    shape: Turns | None,
    rpm: float,
) -> each.Cylinders | None:
    """The table of the cylinders, of all events between the first and the last."""
    whole = placed(steady)
    if whole is None:
        return None
    seats, events, angles = whole
    lost = tables.sparks.tick[tables.lost_before]
    first = np.flatnonzero(np.diff(events.segment, prepend=-2))
    phases = dict(zip(events.segment[first].tolist(), seats.base[first].tolist(), strict=True))
    teeth = sum(c.u for c in budget.components if c.name == "index tooth")
    timing_deg = float(np.median(angles))

    def gains(level: float) -> torque.Index | None:
        return torque.index(shape, setup, phases, timing_deg, rpm, teeth, level)

    return each.evaluate(
        setup, seats, events, angles, steady.spacing, budget, tap, tables.tick_s, lost, gains
    )


def _picture(result: Measurement, setup: Setup, steady: Timed) -> Cycle:
    """The picture of a cycle."""
    whole = placed(steady)
    if result.cylinders is None or whole is None:
        return cycle.of_one(setup, steady.events, steady.angles, result.split)
    return cycle.of_each(setup, result.cylinders, *whole)


def _over_all_speeds(
    result: Measurement, setup: Setup, events: Callable[[], Whole], start: starting.Start | None
) -> None:
    """What rests on more than the steady stretch: the start, and the rotor's window."""
    result.start = start
    assert result.budget is not None and result.clamp is not None
    result.rotor = rotors.read(setup, events, result.clamp, result.budget)
    evidence = gates_start.Evidence(setup, result.start, result.rotor)
    result.findings += gates.judge(evidence, gates_start.ROWS).findings


def _tapped(
    result: Measurement, setup: Setup, tables: Tables, tap: trigger.Tap, error_shown: bool
) -> None:
    """What the trigger tap shows, as far as its gates let it through."""
    edges = len(tables.trigger)
    judged = gates.judge(gates_tap.Evidence(setup, tap.choice, tap.split, edges), gates_tap.ROWS)
    result.findings += judged.findings
    if tap.split is None or tap.fires is None:
        return
    split = tap.split
    if split.dwell is not None:
        course = dwell.course(
            tap.fires, tables.tick_s, tables.supply_tick, tables.supply_mv, split.flanks_u_us
        )
        split = replace(split, dwell=replace(split.dwell, course=course))
    # A reference that cannot tell the spark's angle cannot tell the trigger's.
    result.split = split if error_shown else replace(split, controller=None)


def _pulse_advice(result: Measurement, setup: Setup, events: Events, rpm: float) -> None:
    """How much a pulse nearer to the spark would save."""
    distance = float(np.nanmedian(events.to_edge))
    swing = timing.default_swing(rpm, setup.firings_per_rev) if setup.swing is None else setup.swing
    now = timing.swing_uncertainty(distance, swing, setup.firings_per_rev)
    near = timing.swing_uncertainty(min(distance, 3.0), swing, setup.firings_per_rev)
    saved = timing.COVERAGE * (now - near)
    if saved > 0.05:
        result.findings.append(
            Finding(
                "pulse_far",
                f"the reference pulse is {distance:.0f}° from the spark and cannot show the speed "
                f"swing between them: a pulse within 3° would save ±{saved:.1f}°",
            )
        )
