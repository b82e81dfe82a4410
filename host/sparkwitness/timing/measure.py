"""The main job: tables of sparks and crank periods to true timing, error and advice.

`analyzer.Analyzer` (bytes to tables) is the streaming half, `evaluate` (tables to a `Measurement`)
the pure one. Both give the same result live and from a recording.
"""

from dataclasses import asdict, dataclass, field, replace
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
    gates_tap,
    groups,
    seating,
    torque,
    trigger,
)
from sparkwitness.timing import cylinders as each
from sparkwitness.timing import ripple as crank
from sparkwitness.timing.advice import Advice
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.cycle import Cycle
from sparkwitness.timing.events import (
    Events,
    Grouping,
    burst_gap,
    fold,
    fold_of,
    group,
    missing_between,
    strays,
)
from sparkwitness.timing.gates import REFUSED, Finding
from sparkwitness.timing.number import Number
from sparkwitness.timing.ripple import Turns
from sparkwitness.timing.seating import Seats
from sparkwitness.timing.setup import Setup

FEWEST_EVENTS, FEWEST_REVS = 30, 20
_STEADY_SHARE, _STEADY_RPM, _STEADY_REVS = 0.10, 75.0, 20
_MISFIT = 0.1  # share of the crank's edges, from which on it is told as a cause
_FEWEST_STEPS = 3  # from event to event, that tell a rhythm
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
            "cannot_tell": gates.CANNOT_TELL if self.timing is not None else None,
            "advice_allowed": all(f.advice for f in self.findings),
            "findings": [asdict(f) for f in self.findings],
            "loss": self.loss.to_dict(),
        }

    to_dict = as_dict  # as all results have it


@dataclass
class Timed:
    """Events of one clamp with their timing; all arrays have one element per event.

    Attributes:
        events: strays taken out.
        angles: float64 first-spark angle, degrees BTDC, folded around the commanded one.
        speed: float64 rev/min around each event; NaN where no neighbour tells it.
        spacing: degrees between firings at the clamp.
        modulo: degrees modulo which the angles are known.
        stray, cut, unplaced: what was left out, see `Measurement`.
        clamp: where the clamp sits, as typed or as found, a key of `setup.CLAMPS`.
        kind, late: see `groups.Places`.
        places: degrees BTDC and share of the events of each place, the main one first.
        every: all events, those left out as well; where cylinders are looked at, each as it is.
        seats, seated: of these, their places in the firing order and their timing; None: not
            looked at.
    """

    events: Events
    angles: NDArray[np.float64]
    speed: NDArray[np.float64]
    spacing: float
    modulo: float
    stray: int
    cut: int
    unplaced: int
    clamp: str = "plug"
    kind: str = groups.OWN
    places: tuple[tuple[float, float], ...] = ()
    late: float = 0.0
    every: Events | None = None
    seats: Seats | None = None
    seated: NDArray[np.float64] | None = None

    def pick(self, mask: NDArray[np.bool_]) -> "Timed":
        """The events selected by a mask."""
        return replace(
            self,
            events=self.events.pick(mask),
            angles=self.angles[mask],
            speed=self.speed[mask],
        )


def timed(setup: Setup, tables: Tables) -> Timed | Finding:
    """Tables to timed events: pure; or the finding that says why there are none."""
    where = setup.clamp_input.replace("_", " ")[:-1] + setup.clamp_input[-1].upper()
    if not len(tables.periods.start):
        return _no_crank(setup, tables)
    if not tables.clamp_edges:
        text = f"no spark on {where} in {tables.seconds:.0f} s while the crank turned at "
        return Finding("no_spark", f"{text}{_mean_speed(setup, tables):.0f} rpm", REFUSED, False)
    grouping, firing = _events(setup, tables)
    events = grouping.events
    text = (
        f"{len(tables.sparks.tick)} sparks on {where}: not enough yet{_crank_misses(setup, tables)}"
    )
    few = Finding("few_events", text, REFUSED, False)
    if np.count_nonzero(np.isfinite(events.steps())) < _FEWEST_STEPS:
        return few
    if firing is None:
        return clamps.no_reading(setup, events.steps())
    modulo = fold_of(setup.reference, setup.cycle, firing.parts)
    mean_speed = _mean_speed(setup, tables)
    seats: Seats | None = None
    whole = events
    if setup.by_cylinder and firing.clamp == "coil":
        seats, whole, events = _seated(setup, tables, events, modulo)
    level = events
    if seats is not None:
        # What a cylinder alone has is no place of its own.
        level = replace(events, degrees=seating.levelled(events.degrees, seats, setup))
    found = groups.places(
        level, modulo, firing.spacing, _spark_degrees(events, tables.tick_s, mean_speed)
    )
    mine = np.ones(len(events.tick), np.bool_)
    if found.kind in (groups.OTHER_LEAD, groups.FIRST_MISSED, groups.LATE):
        mine = found.of == 0
    # Strays first, so that crossfire neither shifts the mean nor hides a missing spark.
    mine[mine] = ~strays(level.degrees[mine], modulo)
    good, even = whole.pick(mine), events.pick(mine)
    steps = even.steps()
    if np.count_nonzero(np.isfinite(steps)) < _FEWEST_STEPS:
        return few
    # What comes evenly, but not as often as typed, is a matter of what was typed.
    every = events.steps()
    usual = float(np.nanmedian(every))
    often = np.nanmean(np.abs(every / usual - 1) < 0.15) > 0.8
    if found.kind == groups.SEVERAL and often and abs(usual / firing.spacing - 1) > 0.15:
        return clamps.no_reading(setup, every)
    step = float(np.nanmedian(steps))
    if found.kind != groups.SEVERAL and abs(step / firing.spacing - 1) > 0.15:
        return clamps.no_reading(setup, steps)
    speed = _speed(good, tables.tick_s)
    delay = setup.delay(mean_speed).us * 1e-6
    late = timing.degrees_of(delay, np.where(np.isfinite(speed), speed, mean_speed))
    raw = setup.reference.btdc(even.degrees) + late
    typed = setup.commanded if setup.seen is None else setup.seen
    around = fold(
        np.array([timing.circular_mean(raw, modulo)]), modulo, 10.0 if typed is None else typed
    )
    delayed = timing.degrees_of(delay, mean_speed)
    seated = None
    if seats is not None:
        seated = fold(setup.reference.btdc(events.degrees) + delayed, modulo, float(around[0]))
    middles = setup.reference.btdc(np.array([p.degrees for p in found.places])) + delayed
    total = sum(p.events for p in found.places)
    return Timed(
        good,
        fold(raw, modulo, float(around[0])),
        speed,
        firing.spacing,
        modulo,
        int(np.count_nonzero(~mine)),
        grouping.cut,
        grouping.unplaced,
        firing.clamp,
        found.kind,
        tuple(
            (float(a), p.events / total)
            for a, p in zip(fold(middles, modulo, float(around[0])), found.places, strict=True)
        ),
        found.late,
        whole,
        seats,
        seated,
    )


def _seated(
    setup: Setup, tables: Tables, events: Events, modulo: float
) -> tuple[Seats | None, Events, Events]:
    """Places in the firing order, the events, and these as if the engine fired evenly."""
    around = setup.commanded if setup.seen is None else setup.seen
    around = 10.0 if around is None else around
    if not setup.odd:
        found = timing.circular_mean(setup.reference.btdc(events.degrees), modulo)
        around = float(fold(np.array([found]), modulo, around)[0])
    seats = seating.seat(
        events.degrees, events.segment, setup, around,
        tables.index.at.tick if setup.index else None, events.tick, tables.tick_s,
    )  # fmt: skip
    if not setup.odd:
        return seats, events, events
    known = seats.place >= 0
    seats, events = seats.pick(known), events.pick(known)
    even = seating.evened(events.degrees, seats, setup)
    moved = even - events.degrees
    return (
        seats, events,
        replace(events, degrees=even, last_degrees=events.last_degrees + moved),
    )  # fmt: skip


def used(result: Measurement, found: Timed, tick_s: float) -> NDArray[np.bool_]:
    """bool per event of `found`: those of the steady stretch that `result` rests on."""
    seconds = found.events.tick * tick_s
    if result.from_s is None or result.to_s is None:
        return np.zeros(len(seconds), np.bool_)
    return np.asarray((seconds >= result.from_s) & (seconds <= result.to_s))


def _spark_degrees(events: Events, tick_s: float, rpm: float) -> float:
    """Crank degrees from one spark of a burst to the next; NaN without bursts."""
    bursts = events.pick(events.sparks > 1)
    if not len(bursts.tick):
        return float("nan")
    each = (bursts.last_degrees - bursts.degrees) / (bursts.sparks - 1)
    return float(np.median(each))


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
    found = timed(setup, tables)
    if isinstance(found, Finding):
        result.findings.append(found)
        if found.code == "no_spark":
            result.rpm = Number(_mean_speed(setup, tables))
        return result
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
        text = f"{result.events} of {fewest} events at steady speed{_crank_misses(setup, tables)}"
        result.findings.append(Finding("few_events", text, REFUSED, False))
        return result
    _timing(result, setup, steady, tables, sessions)
    if tables.dropped:
        text = f"the oldest {tables.dropped} sparks are left out: only the newest are kept"
        result.findings.append(Finding("long", text))
    return result


def _mean_speed(setup: Setup, tables: Tables) -> float:
    """rev/min over all good periods."""
    periods = tables.periods
    turned = len(periods.length) * setup.reference.period
    return turned / 6.0 / (float(periods.length.sum()) * tables.tick_s)


def _crank_misses(setup: Setup, tables: Tables) -> str:
    """What keeps events from being placed, where most likely the crank does; else nothing."""
    share = tables.crank_rejected / max(tables.crank_edges, 1)
    if share < _MISFIT:
        return ""
    return (
        f"; {100 * share:.0f} % of the crank's edges are in turns that do not fit a "
        f"{setup.reference} reference, and sparks there have no angle: check the sensor's gap, its "
        "screen and ground, and the wheel typed"
    )


def _no_crank(setup: Setup, tables: Tables) -> Finding:
    if tables.crank_edges:
        return Finding(
            "no_sync",
            f"{tables.crank_edges} edges on the crank reference do not fit a {setup.reference} "
            f"reference: check the wheel typed in, the edge polarity and the sensor's gap",
            REFUSED,
            False,
        )
    return Finding(
        "no_reference",
        f"no crank reference pulse in {tables.seconds:.0f} s: check the sensor, its supply and "
        "its wire, and that the engine turns",
        REFUSED,
        False,
    )


def _events(setup: Setup, tables: Tables) -> tuple[Grouping, clamps.Reading | None]:
    """Group sparks; where the spacing is to be inferred, once more with what was found."""
    degrees = tables.sparks.degrees
    steps = np.diff(degrees)
    steps[np.diff(tables.sparks.segment) != 0] = np.nan
    widest = _widest_burst(setup, _mean_speed(setup, tables))
    period = setup.reference.period

    def grouped(spacing: float) -> Grouping:
        gap = min(burst_gap(steps, spacing), widest)
        return group(tables.sparks, tables.lost_before, tables.periods, period, gap)

    if setup.clamp != "auto" or setup.odd:
        reading = clamps.typed(setup if setup.clamp != "auto" else replace(setup, clamp="coil"))
        return grouped(reading.spacing), reading
    first = grouped(float("nan"))
    between = first.events.steps()
    found = clamps.inferred(setup, between[np.isfinite(between)])
    return first if found is None else grouped(found.spacing), found


def _widest_burst(setup: Setup, rpm: float) -> float:
    """Degrees between sparks beyond which they are no longer one burst.

    What another cylinder's lead induces comes a firing interval away at the least, the sparks of
    one burst 2 ms apart at the most (common practice, no source).
    """
    interval = setup.cycle / setup.cylinders
    return min(max(0.4 * min(interval, 90.0), timing.degrees_of(2e-3, rpm)), 0.8 * interval)


def _speed(events: Events, tick_s: float) -> NDArray[np.float64]:
    """rev/min around each event: mean speed since the event before, or to the one after."""
    with np.errstate(invalid="ignore"):
        between = events.steps() / (np.diff(events.tick) * tick_s) / 6.0
    speed = np.concatenate(([np.nan], between))
    after = np.append(between, np.nan)
    return np.where(np.isfinite(speed), speed, after)


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
        rpm, _ = timing.mean_and_deviation(known)
        result.u_rpm = timing.COVERAGE * float(
            np.hypot(timing.standard_error(known), _CRYSTAL * rpm)
        )
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
    first, last = int(events.tick[0]), int(events.tick[-1])
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
    whole = _whole(steady)
    if whole is None:
        return None
    seats, events, angles = whole
    lost = tables.sparks.tick[tables.lost_before]
    first = np.flatnonzero(np.diff(events.segment, prepend=-2))
    phases = dict(zip(events.segment[first].tolist(), seats.base[first].tolist(), strict=True))
    teeth = next((c.u for c in budget.components if c.name == "index tooth"), 0.0)
    timing_deg = float(np.median(angles))

    def gains(level: float) -> torque.Index | None:
        return torque.index(shape, setup, phases, timing_deg, rpm, teeth, level)

    return each.evaluate(
        setup, seats, events, angles, steady.spacing, budget, tap, tables.tick_s, lost, gains
    )


def _whole(steady: Timed) -> tuple[Seats, Events, NDArray[np.float64]] | None:
    """All events between the first and the last, with their places; None: not looked at."""
    every, seats, seated = steady.every, steady.seats, steady.seated
    if every is None or seats is None or seated is None:
        return None
    first, last = steady.events.tick[[0, -1]]
    now = (every.tick >= first) & (every.tick <= last) & (seats.place >= 0)
    return seats.pick(now), every.pick(now), seated[now]


def cylinder_numbers(setup: Setup, found: Timed) -> NDArray[np.int64]:
    """Number of the cylinder of each event, 0 where it is not told."""
    numbers = np.zeros(len(found.events.tick), np.int64)
    if found.seats is None or found.every is None or not found.seats.sure or not len(numbers):
        return numbers
    at = np.searchsorted(found.every.tick, found.events.tick)
    place = found.seats.place[np.minimum(at, len(found.every.tick) - 1)]
    order = np.array(setup.order or range(1, setup.cylinders + 1))
    return np.where(place >= 0, order[place], 0)


def _picture(result: Measurement, setup: Setup, steady: Timed) -> Cycle:
    """The picture of a cycle."""
    whole = _whole(steady)
    if result.cylinders is None or whole is None:
        return cycle.of_one(setup, steady.events, steady.angles, result.split)
    return cycle.of_each(setup, result.cylinders, *whole)


def _tapped(
    result: Measurement, setup: Setup, tables: Tables, tap: trigger.Tap, error_shown: bool
) -> None:
    """What the trigger tap shows, as far as its gates let it through."""
    edges = len(tables.trigger)
    judged = gates.judge(gates_tap.Evidence(setup, tap.choice, tap.split, edges), gates_tap.ROWS)
    result.findings += judged.findings
    if tap.split is None or tap.fires is None or not judged.shown:
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
