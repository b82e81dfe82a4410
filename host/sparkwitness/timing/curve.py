"""Timing against speed: bins of rpm, rising against falling, and a reference curve.

Longer than other files: what a sweep is cut into, and all that is told of it, belong together.
"""

import csv
import io
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError, small_text
from sparkwitness.timing import budget as timing
from sparkwitness.timing import gates, groups
from sparkwitness.timing import ripple as crank
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.angle import Periods
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.fit import DRIFT, DelayFit, Passages, fit_delay
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.ripple import Ripple
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed, pairs, second_edges, time_events
from sparkwitness.timing.visits import pooled

Floats = NDArray[np.float64]

_FEWEST = 8  # events in a bin for a number
_MOST_PASSAGES = 200  # whose drift is looked at: the work grows with their cube
_LEAST_U = 1e-4  # degrees, of a passage's mean
_FEWEST_WIDE = 4  # spans of speed that passages are counted in
_LOCAL = "interpolation"  # line of the budget that is another one some teeth further on
_ORDERS, _MOST_SWING = 6, 0.25  # of a crank revolution, that swing the speed
_TREND_REVS = 12.0
_TREND_RPM_S = 40.0  # faster than idle wanders


@dataclass(frozen=True)
class Bin:
    """Events of one span of speed.

    Attributes:
        rpm: mean speed, rev/min.
        timing: mean first-spark angle, degrees BTDC.
        u_random: standard uncertainty of the random part, degrees.
        expanded: expanded uncertainty (k = 2) of `timing`, degrees.
        scatter: standard deviation, degrees.
        events: how many.
        sparks: mean sparks per event; NaN where no whole burst was seen.
        rising, falling: mean angle while the speed rose or fell, NaN with too few events.
        hysteresis, u_hysteresis: rising less falling, and its expanded uncertainty; what both
            share (reference angle, delays) cancels.
        wanted: the reference curve there, NaN where there is none.
    """

    rpm: float
    timing: float
    u_random: float
    expanded: float
    scatter: float
    events: int
    sparks: float
    rising: float
    falling: float
    hysteresis: float
    u_hysteresis: float
    wanted: float

    @property
    def error(self) -> float:
        """Measured less wanted, degrees; NaN where nothing is wanted."""
        return self.timing - self.wanted


@dataclass(frozen=True)
class Curve:
    """Result of `curve`: bins by rising speed, the fit of their errors, and what was left out."""

    bins: tuple[Bin, ...]
    fit: DelayFit | None
    findings: tuple[Finding, ...]
    stray: int
    sparse: int

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; NaN becomes null."""
        rows = [
            {k: None if v != v else v for k, v in {**asdict(b), "error": b.error}.items()}
            for b in self.bins
        ]
        return {
            "bins": rows,
            "fit": self.fit.to_dict() if self.fit else None,
            "findings": [asdict(f) for f in self.findings],
            "events_stray": self.stray,
            "events_in_sparse_bins": self.sparse,
        }


def read_curve(path: Path) -> tuple[Floats, Floats]:
    """Reference curve from CSV: rev/min and degrees BTDC in the first two columns.

    Returns:
        float64[n] rpm, rising, and float64[n] degrees.

    Raises:
        UserError: no such file, or a line that is not two numbers.
    """
    points: list[tuple[float, float]] = []
    try:
        for number, row in enumerate(csv.reader(io.StringIO(small_text(path), newline="")), 1):
            if not row or row[0].lstrip().startswith("#"):
                continue
            try:
                points.append((float(row[0]), float(row[1])))
            except (ValueError, IndexError):
                if number > 1:  # the first line may be a heading
                    raise UserError(
                        f"line {number} of {path} is not rpm and degrees, such as 1500,24"
                    ) from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UserError(f"cannot read the curve {path}: {error}") from None
    points.sort()
    rpm, degrees = np.array(points).reshape(-1, 2).T
    if len(points) < 2 or (np.diff(rpm) <= 0).any() or not np.isfinite(points).all():
        raise UserError(f"{path} needs two or more different speeds with their degrees BTDC")
    return rpm, degrees


def curve(
    setup: Setup,
    tables: Tables,
    width: float = 250.0,
    wanted: tuple[Floats, Floats] | None = None,
) -> Curve | Finding:
    """Bin a sweep by speed: pure.

    Args:
        setup, tables: see `timed.time_events`.
        width: of a bin in rev/min.
        wanted: reference curve (rpm, degrees BTDC), interpolated on straight lines; None: the
            commanded angle at every speed, where one is typed.

    Returns:
        The curve, or the finding that says why there is none.
    """
    parts = tables.apart()
    tables = parts[-1] if parts else tables
    found = time_events(setup, tables)
    if isinstance(found, Finding):
        return found
    ripple = None if tables.turns is None else crank.ripple(tables.turns, setup.reference)
    known = found.pick(np.isfinite(found.speed))
    trend = _trend(known, tables.tick_s)
    bins: list[Bin] = []
    budgets: list[Budget] = []
    noise: list[float] = []
    sparse = 0
    place = np.floor(known.speed / width).astype(np.int64)
    periods = tables.periods
    turned = np.floor(setup.reference.period / 6 / (periods.length * tables.tick_s) / width)
    for k in np.unique(place):
        mine = place == k
        if np.count_nonzero(mine) < _FEWEST:
            sparse += int(np.count_nonzero(mine))
            continue
        wheel = periods.pick(turned == k)
        mine_of = known.pick(mine)
        made, budget = _bin(setup, mine_of, wheel, trend[mine], tables.tick_s, wanted, ripple)
        bins.append(made)
        budgets.append(budget)
        noise.append(_noise(mine_of.angles, trend[mine]))
    if not bins:
        return Finding("few_events", f"no span of {width:g} rpm holds {_FEWEST} events yet")
    apart = "only the last is shown" if len(parts) > 1 else ""
    judged = gates.judge(_evidence(setup, found, tables, bins, ripple, apart))
    if not judged.shown:
        return judged.findings[0]
    if not judged.error_shown:
        bins = [replace(b, wanted=float("nan")) for b in bins]
    local = np.array([_local(setup, tables, ripple, b) for b in bins])
    passages = _passages(setup, known, place, bins, local, tables.tick_s, wanted)
    fit, findings = _fitted(setup, bins, budgets, local, np.array(noise), passages)
    if fit is not None and not all(f.advice for f in (*judged.findings, *findings)):
        note = "no correction is told before what the findings say is cleared"
        fit = replace(fit, told_apart=False, note=note)
    return Curve(tuple(bins), fit, (*judged.findings, *findings), found.stray, sparse)


def _evidence(
    setup: Setup,
    found: Timed,
    tables: Tables,
    bins: list[Bin],
    ripple: Ripple | None,
    sessions: str,
) -> gates.Evidence:
    """What the gates look at: the bin with the most events for all, the worst where one is."""
    most = max(bins, key=lambda b: b.events)
    shape = (
        None
        if tables.turns is None
        else crank.odd_gap(tables.turns, setup.reference, setup.firings_per_rev)
    )
    alternates = ripple is not None and ripple.alternates
    if setup.reference.teeth == 1:
        alternates = crank.pulse_alternates(tables.periods)
    # In a sweep the timing may move with the speed.
    kind = groups.OWN if found.kind == groups.MOVED else found.kind
    goal = most.wanted if np.isfinite(most.wanted) else None
    setup = replace(setup, commanded=goal)
    return gates.Evidence(
        setup, most.timing, most.expanded, most.scatter, most.rpm, found.modulo, found.places,
        kind, found.late, alternates, shape, tables.crank_rejected / max(tables.crank_edges, 1),
        sessions, second_edges(found.events, tables, most.rpm), tables.polarity,
        pairs(found.events, tables.tick_s, most.rpm),
        # A clamp the wrong way round reads late by a time: it spoils the delay, see `_fitted`.
        sweep=True,
    )  # fmt: skip


def kept(
    found: Curve, tables: Tables, width: float, wanted: tuple[Floats, Floats] | None
) -> dict[str, Any]:
    """What the logbook keeps of a curve; `again` computes it from the recording."""
    return {
        **found.to_dict(),
        "bin_width_rpm": width,
        "against": None if wanted is None else np.column_stack(wanted).tolist(),
        "loss": tables.loss.to_dict(),
    }


def again(setup: Setup, tables: Tables, values: dict[str, Any]) -> dict[str, Any]:
    """What `kept` gives, with the bins and the reference curve that kept values name.

    Raises:
        UserError: those values are no curve's, or the tables give none.
    """
    try:
        width = float(values["bin_width_rpm"])
        points = np.array(values["against"] or [], np.float64).reshape(-1, 2)
    except (KeyError, TypeError, ValueError):
        raise UserError(
            "how its bins were made was not kept, so it cannot be computed again"
        ) from None
    wanted = (points[:, 0], points[:, 1]) if len(points) else None
    found = curve(setup, tables, width, wanted)
    if isinstance(found, Finding):
        raise UserError(f"the recording gives no curve: {found.text}")
    return kept(found, tables, width, wanted)


def _fitted(
    setup: Setup,
    bins: list[Bin],
    budgets: list[Budget],
    local: Floats,
    noise: Floats,
    passages: Passages | None = None,
) -> tuple[DelayFit | None, tuple[Finding, ...]]:
    known = [k for k, b in enumerate(bins) if np.isfinite(b.wanted)]
    if len(known) < 2:
        return None, ()
    rpm = np.array([bins[k].rpm * local[k] for k in known])
    errors = np.array([bins[k].error for k in known])
    u, pure = _repeated([bins[k] for k in known])
    # What is not scatter is the same engine's, wheel's and clamp's in every bin.
    parts = [{c.name: c.u for c in budgets[k].components if c.kind == "B"} for k in known]
    same = [name for name in parts[0] if name != _LOCAL]
    shared = np.array([[p[name] for p in parts] for name in same])
    places = np.array([bins[k].timing for k in known])
    teeth = _of_teeth(places, np.array([p.get(_LOCAL, 0.0) for p in parts]), setup.reference.step)
    drift, swept = _drift([bins[k] for k in known], noise[known])
    moved = float(np.sqrt(np.mean(drift**2)))
    shared = np.vstack((shared, teeth, *([drift] if passages is None else [])))
    if passages is not None:
        passages = replace(passages, of=passages.of[:, known], moved=moved, once=not swept)
    fit = fit_delay(
        rpm, errors, u, target=setup.target, shared=shared, pure=pure, passages=passages
    )
    # The delay of clamp and conditioner is a delay like the one looked for.
    u_delay = timing.COVERAGE * setup.delay(float(rpm.mean())).u_us
    note = f"the clamp's own delay is known to ±{u_delay:.1f} µs only; more events do not help"
    told = [Finding("clamp_delay", note)] if u_delay > fit.u_delay_us / 2 else []
    if not swept and fit.told_apart:
        note = (
            "the speed went one way only: a slow drift of the timing looks the same as a delay; "
            "go up and down again, twice if you can"
        )
        told.append(Finding("swept_once", note, gates.WARNING))
    if moved > setup.target / DRIFT:
        note = (
            f"the timing was not the same on the way up and down ({2 * moved:.2f}°): a drift of "
            "that size is in the delay's uncertainty; each time up and down again makes it smaller"
        )
        told.append(Finding("drift", note, gates.WARNING))
    flank = gates.SECOND_FLANK_S * 1e6
    checked = "clamp_side" in setup.confirmed
    if fit.u_delay_us < fit.delay_us < flank + fit.u_delay_us and not checked:
        note = (
            f"a delay of up to {flank:.0f} µs is also what a clamp that sits the wrong way round "
            "adds: turn it round and measure again, the smaller delay is right. Then say "
            "--confirm clamp_side"
        )
        told.append(Finding("clamp_side", note, gates.WARNING, False))
    return fit, tuple(told)


def _passages(
    setup: Setup,
    known: Timed,
    place: NDArray[np.int64],
    bins: list[Bin],
    local: Floats,
    tick_s: float,
    wanted: tuple[Floats, Floats] | None,
) -> Passages | None:
    """Each time that the speed went through a bin, or through several where there are very many.

    Args:
        known, place: events with a speed, and the bins that they lie in, by floor.
        bins, local: those that have a number, in the same order, and see `_local`.
    """
    goal = np.full(len(place), np.nan if setup.commanded is None else setup.commanded)
    if wanted is not None:
        goal = np.interp(known.speed, *wanted, left=np.nan, right=np.nan)
    numbers, count = np.unique(place, return_counts=True)
    numbers = numbers[count >= _FEWEST]
    which = np.minimum(np.searchsorted(numbers, place), len(numbers) - 1)
    has_wanted = np.isfinite([b.wanted for b in bins])
    use = (numbers[which] == place) & has_wanted[which] & np.isfinite(goal)
    at = np.asarray(known.events.tick * tick_s, np.float64)
    error, speed = known.angles - goal, known.speed * local[which]
    wide = 1
    while len(found := _runs(np.where(use, which // wide, -1))) > _MOST_PASSAGES:
        if len(bins) < 2 * wide * _FEWEST_WIDE:
            found = found[:_MOST_PASSAGES]
            break
        wide *= 2
    spans = np.array([which[run[0]] // wide for run in found])
    if len(np.unique(spans)) < 2:
        return None
    n = np.array([len(run) for run in found], np.float64)
    own = np.array([np.mean(np.diff(error[run]) ** 2) / 2 for run in found])
    _, spans = np.unique(spans, return_inverse=True)
    return Passages(
        rpm=np.array([speed[run].mean() for run in found]),
        error=np.array([error[run].mean() for run in found]),
        u=np.maximum(pooled(spans, np.sqrt(own / n), n), _LEAST_U),
        begin=at[[run[0] for run in found]],
        end=at[[run[-1] for run in found]],
        of=np.array([np.bincount(which[r], minlength=len(bins)) / len(r) for r in found]),
    )


def _runs(place: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Where each place from 0 on was visited: numbers of its events; in order of time.

    A few events elsewhere end no visit: near the border of two bins the speed hunts to and fro.
    """
    found = []
    for k in np.unique(place[place >= 0]):
        mine = np.flatnonzero(place == k)
        runs = np.split(mine, np.flatnonzero(np.diff(mine) > _FEWEST) + 1)
        found += [run for run in runs if len(run) >= _FEWEST]
    return sorted(found, key=lambda run: run[0])


def _local(setup: Setup, tables: Tables, ripple: Ripple | None, at: Bin) -> float:
    """Speed at the spark against the mean speed: a delay turns the crank at the former.

    From the wheel's ripple, whole orders: those of the halves are not known in sign. The swing
    falls with the square of the speed (common practice, no source).
    """
    turns = tables.turns
    if ripple is None or turns is None or not len(turns.number):
        return 1.0
    length = float(np.mean(turns.edges[:, -1] - turns.edges[:, 0])) * tables.tick_s
    seen = 60.0 * ripple.turns / length
    past = np.radians(setup.reference.angle - at.timing)
    swing = 0.0
    for order in range(1, _ORDERS + 1):
        k = 2 * order * ripple.turns - 1  # orders are kept in halves of a turn of the wheel
        if k < len(ripple.amplitude):
            wave = 1j * order * ripple.amplitude[k] * np.exp(1j * order * past)
            swing += float(np.radians(wave.real))
    return 1.0 + float(np.clip(swing * (seen / at.rpm) ** 2, -_MOST_SWING, _MOST_SWING))


def _of_teeth(places: Floats, u: Floats, step: float) -> Floats:
    """What teeth off their places do to bins, float64[n, n] rows as `fit_delay` takes them.

    Sparks between the same two teeth err alike; a pitch further on other teeth err, by another
    amount. In between, in proportion.
    """
    apart = np.abs(places[:, None] - places[None, :]) / step
    covariance = np.outer(u, u) * np.maximum(0.0, 1 - apart)
    sizes, ways = np.linalg.eigh(covariance)
    rows: Floats = (ways * np.sqrt(np.maximum(sizes, 0.0))).T
    return rows


def _drift(bins: list[Bin], noise: Floats) -> tuple[Floats, bool]:
    """What a slow drift may do to the slope, float64[1, n], and whether both ways were driven.

    Of a drift, the part that is not alike on the way up and down shows as hysteresis. The other
    part, as large in the mean, looks like a dependence on speed. `noise` is what the hysteresis
    would be without any: its own uncertainty has the drift inside a bin in it.
    """
    rpm = np.array([b.rpm for b in bins])
    gap = np.array([b.hysteresis for b in bins])
    twice = np.isfinite(gap)
    if np.count_nonzero(twice) < 2:
        return np.zeros((1, len(bins))), False
    seen = max(0.0, float(np.mean(gap[twice] ** 2 - noise[twice] ** 2)))
    return (np.sqrt(seen) / 2 * (rpm - rpm.mean()) / rpm.std())[None, :], True


def _repeated(bins: list[Bin]) -> tuple[Floats, float]:
    """Standard uncertainty of each bin's mean, degrees, and its degrees of freedom.

    Where bins were passed rising and falling, what the two passages differ by beyond the scatter
    of single events (drift, hysteresis) is pure error of a repeated measurement and belongs to
    all bins.
    """
    u = np.array([b.u_random for b in bins])
    gap = np.array([b.hysteresis for b in bins])
    own = np.array([b.u_hysteresis for b in bins]) / timing.COVERAGE
    twice = np.isfinite(gap)
    events = float(sum(b.events - 1 for b in bins))
    n = np.count_nonzero(twice)
    if n < 2:
        return u, events
    # The two halves' difference has twice a passage's variance, their mean half of it.
    between = max(0.0, float(np.mean(gap[twice] ** 2 - own[twice] ** 2)) / 2)
    return np.sqrt(u**2 + between / 2), float(n) if between > float(np.mean(u**2)) else events


def _bin(
    setup: Setup,
    events: Timed,
    wheel: Periods,
    trend: Floats,
    tick_s: float,
    wanted: tuple[Floats, Floats] | None,
    ripple: Ripple | None,
) -> tuple[Bin, Budget]:
    rpm = float(events.speed.mean())
    mean, deviation = timing.mean_and_deviation(events.angles)
    table = events.events
    made = timing.budget(
        events.angles,
        6.0 * rpm * tick_s,
        table.to_edge,
        wheel,
        setup.reference,
        setup.firings_per_rev,
        rpm,
        setup.delay(rpm).u_us * 1e-6,
        setup.swing,
        ripple=ripple,
        strokes=setup.strokes,
        past=table.degrees,
    )
    up, u_up = _part(events.angles[trend > _TREND_RPM_S])
    down, u_down = _part(events.angles[trend < -_TREND_RPM_S])
    whole = table.sparks[table.sparks > 0]
    goal = float("nan") if setup.commanded is None else setup.commanded
    if wanted is not None:
        goal = float(np.interp(rpm, *wanted, left=np.nan, right=np.nan))
    row = Bin(
        rpm=rpm,
        timing=mean,
        u_random=timing.mean_error(events.angles)[0],
        expanded=made.expanded,
        scatter=deviation,
        events=len(events.angles),
        sparks=float(whole.mean()) if len(whole) else float("nan"),
        rising=up,
        falling=down,
        hysteresis=up - down,
        u_hysteresis=timing.COVERAGE * float(np.hypot(u_up, u_down)),
        wanted=goal,
    )
    return row, made


def _part(angles: Floats) -> tuple[float, float]:
    if len(angles) < _FEWEST:
        return float("nan"), float("nan")
    return timing.mean_and_deviation(angles)[0], timing.standard_error(angles)


def _noise(angles: Floats, trend: Floats) -> float:
    """Standard uncertainty of rising less falling, degrees, from one event to the next alone.

    Half the mean square of successive differences: what moves slowly is not in it (von Neumann,
    Ann. Math. Stat. 12(4), 1941).
    """
    ways = [angles[trend > _TREND_RPM_S], angles[trend < -_TREND_RPM_S]]
    if min(map(len, ways)) < _FEWEST:
        return float("nan")
    return float(np.sqrt(sum(np.mean(np.diff(way) ** 2) / 2 / len(way) for way in ways)))


def _trend(events: Timed, tick_s: float) -> Floats:
    """rev/min per second around each event: slope over some revolutions on either side."""
    n = len(events.speed)
    reach = max(1, round(_TREND_REVS * 360 / events.spacing / 2))
    at = events.events.tick * tick_s
    first = np.maximum(np.arange(n) - reach, 0)
    last = np.minimum(np.arange(n) + reach, n - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        slope: Floats = (events.speed[last] - events.speed[first]) / (at[last] - at[first])
    return np.where(np.isfinite(slope), slope, 0.0)
