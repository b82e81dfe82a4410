"""Cylinder by cylinder: timing, scatter, misfires, sparks and dwell of each, and who differs.

Many cylinders are looked at, so each comparison is made at the level 1 - 0.95^(1/N) (Šidák, JASA
62(318), 1967): of engines whose cylinders are alike at most 5 in 100 show one that differs.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from math import exp, lgamma
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import budget as timing
from sparkwitness.timing import torque
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.events import Events
from sparkwitness.timing.number import Number
from sparkwitness.timing.seating import Seats
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.stats import student_quantile
from sparkwitness.timing.trigger import Tap

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

CONFIDENCE = 0.95
FEWEST = 8  # events of a cylinder
# What of the budget is not the same at every cylinder: teeth, speed swing and run-out.
_OWN = (
    "interpolation", "wheel runs out", "tooth errors left", "speed swing", "unequal cylinders",
)  # fmt: skip
_STRAY_DEG, _STRAY_SIGMA = 3.0, 8.0  # from the cylinder's own median
_WORTH = 0.1  # degrees
_WEAK = 0.15  # of the torque index
_MEDIAN = float(np.sqrt(np.pi / 2))  # standard error of a median against that of a mean


@dataclass(frozen=True)
class Cylinder:
    """One cylinder. Angles in crank degrees, advance (BTDC) positive.

    Attributes:
        name: its number, or "1 or 4 (a)" where the reference does not tell two apart.
        after: degrees of its firing after the first of the order.
        events: with a spark at its place.
        timing: mean, with u95 (k = 2) of the whole budget; None: too few events.
        deviation: from the median of the others, with u95 corrected for looking at all.
        scatter: standard deviation from cycle to cycle.
        expected, missing: firings due, and of these without a spark.
        no_spark: of the missing, those with a trigger; None: there is no tap.
        sparks: mean sparks per event.
        trigger: mean trigger angle, degrees BTDC; None: no tap.
        dwell_ms, dwell_deg: mean on-time; None: no tap.
        torque: relative index of the speed it gives (see `torque`), with u95 corrected; None: the
            wheel is too coarse, or the run too short.
        differs: in what: "timing", "misfires", "scatter", "torque".
    """

    name: str
    after: float
    events: int
    timing: Number | None
    deviation: Number | None
    scatter: float | None
    expected: int
    missing: int
    no_spark: int | None
    sparks: float | None
    trigger: float | None
    dwell_ms: float | None
    dwell_deg: float | None
    torque: Number | None = None
    differs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cylinders:
    """All cylinders in firing order.

    Attributes:
        rows: one each.
        sure: every name is that of one cylinder.
        spread: degrees from the latest to the earliest cylinder.
        scatter: square root of the median of the cylinders' own variances, degrees.
        words: what the pattern points at, sentences.
        torque_kind: "firing" or "compression", see `torque`; "": no index.
        banks: first bank's mean timing less the second's, with u95; None: not typed.
    """

    rows: tuple[Cylinder, ...]
    sure: bool
    spread: float | None
    scatter: float | None
    words: tuple[str, ...]
    banks: Number | None = None
    torque_kind: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        rows = []
        for one in self.rows:
            row = asdict(one)
            deviation, found = one.deviation, one.timing
            row |= {
                "timing": found, "timing_expanded": None if found is None else found.u95,
                "deviation": deviation,
                "deviation_corrected": None if deviation is None else deviation.u95,
                "torque_corrected": None if one.torque is None else one.torque.u95,
            }  # fmt: skip
            rows.append(row)
        return {
            "rows": rows, "sure": self.sure, "spread_deg": self.spread,
            "scatter_deg": self.scatter, "words": list(self.words),
            "torque_kind": self.torque_kind, "banks_deg": self.banks,
            "banks_expanded_deg": None if self.banks is None else self.banks.u95,
        }  # fmt: skip


def level(n: int) -> float:
    """Šidák's level of each of n comparisons, so that 5 % is that of all."""
    return float(1.0 - CONFIDENCE ** (1.0 / n))


def names(setup: Setup, seats: Seats) -> list[str]:
    """What each place of the firing order is called."""
    n = setup.cylinders
    order = setup.numbers
    if seats.sure:
        return [str(one) for one in order]
    met: dict[tuple[int, ...], int] = {}
    found = []
    for k in range(n):
        # Where the pattern begins so many places later, this is an earlier one of it.
        either = tuple(sorted(order[k - by] for by in seats.turned))
        met[either] = met.get(either, 0) + 1
        letter = "abcdefghijklmnop"[met[either] - 1]
        either_text = " or ".join(map(str, either)) if len(either) < 4 else "?"
        found.append(f"{either_text} ({letter})")
    return found


def evaluate(
    setup: Setup,
    seats: Seats,
    events: Events,
    angles: Floats,
    spacing: float,
    budget: Budget,
    tap: Tap | None,
    tick_s: float,
    lost: Ticks,
    gains: Callable[[float], torque.Index | None],
) -> Cylinders | None:
    """The table of the cylinders.

    Args:
        setup: what was typed.
        seats: places of the events.
        events: of the coil's lead at steady speed, strays among them.
        angles: float64[n] timing of each, degrees BTDC.
        spacing: degrees from firing to firing, mean.
        budget: of the mean timing.
        tap: what the trigger shows.
        tick_s: seconds per tick.
        lost: ticks before which edges of the clamp were lost.
        gains: the speed by cylinder at a level of comparison.

    Returns:
        None where there are too few events.
    """
    n = setup.cylinders
    place = seats.place
    own = float(np.sqrt(sum(c.u**2 for c in budget.components if c.name in _OWN)))
    common = float(
        np.sqrt(sum(c.u**2 for c in budget.components if c.kind == "B" and c.name not in _OWN))
    )
    series = [np.flatnonzero(place == k) for k in range(n)]
    series = [mine[_near(angles[mine])] for mine in series]
    means, variances, errors, freedom = np.array([_of_its_own(angles[m]) for m in series]).T
    told = np.isfinite(means)
    known = means[told]
    compared = len(known)
    if compared < min(n, 2):
        return None
    due = _due(seats, events, setup, lost)
    tapped = _tapped(setup, seats, events, angles, tap, spacing)
    share = level(compared)
    normal = NormalDist().inv_cdf(1 - share / 2)
    came = place.tolist()
    misses = [max(0, d - came.count(k)) for k, d in enumerate(due)]
    gained = gains(level(n))
    rows = []
    for k, name in enumerate(names(setup, seats)):
        mine, differs = series[k], []
        found = deviation = scatter = sparks = None
        if told[k] and compared > 1:
            others = [j for j in range(n) if j != k and told[j]]
            # Against the middle one, so that one that is off does not make all others differ.
            off = float(means[k] - np.median(means[others]))
            wide = _MEDIAN if len(others) > 2 else 1.0
            rest = float(np.sqrt((errors[others] ** 2).sum())) / len(others)
            se = float(np.hypot(errors[k], wide * rest))
            u_own = own * float(np.hypot(1, wide / np.sqrt(len(others))))
            t = student_quantile(1 - share / 2, int(freedom[k]))
            half = float(np.hypot(t * se, normal * u_own))
            deviation = Number(off, half)
            if abs(off) > max(half, _WORTH):
                differs.append("timing")
            if _wider(variances[k], variances[others], len(mine), share):
                differs.append("scatter")
        if told[k]:
            scattered = timing.for_two(errors[k], freedom[k])
            u = float(np.sqrt(scattered**2 + own**2 + common**2))
            found = Number(float(means[k]), timing.COVERAGE * u)
            scatter = float(np.sqrt(variances[k]))
        gain = None if gained is None else gained.each[k]
        if gain is not None and gain + max(gain.u95, _WEAK) < 1.0:
            differs.append("torque")
        counted = events.sparks[mine][events.sparks[mine] > 0]
        if len(counted):
            sparks = float(counted.mean())
        if _more(misses[k], due[k], sum(misses), sum(due)) < share:
            differs.append("misfires")
        rows.append(
            Cylinder(
                name, setup.firing_angles[k], len(mine), found, deviation, scatter, due[k],
                misses[k], tapped[k].silent, sparks, tapped[k].trigger,
                tapped[k].dwell_ms, tapped[k].dwell_deg, gain, tuple(differs),
            )
        )  # fmt: skip
    spread = float(np.ptp(known)) if compared > 1 else None
    kind = "" if gained is None else gained.kind
    return Cylinders(
        tuple(rows), seats.sure, spread, float(np.sqrt(np.median(variances[told]))),
        words(rows, n, kind), _banks(setup, rows, means, errors, own), kind,
    )  # fmt: skip


def _of_its_own(angles: Floats) -> tuple[float, float, float, float]:
    """Mean, variance, standard error of the mean and its freedom; NaN: too few events."""
    if len(angles) < FEWEST:
        return np.nan, np.nan, np.nan, np.nan
    return float(angles.mean()), float(np.var(angles, ddof=1)), *timing.mean_error(angles)


def _near(angles: Floats) -> NDArray[np.bool_]:
    """Angles that are the cylinder's own and no stray."""
    if not len(angles):
        return np.zeros(0, np.bool_)
    off = np.abs(angles - np.median(angles))
    return off <= max(_STRAY_DEG, _STRAY_SIGMA * 1.4826 * float(np.median(off)))


def _due(seats: Seats, events: Events, setup: Setup, lost: Ticks) -> list[int]:
    """Firings of each place between the first and the last event of each stretch.

    A cycle in which edges of the clamp were lost is not expected to show all of them: what did not
    come in it does not count as due.
    """
    n, cycle = setup.cylinders, setup.cycle
    due = np.zeros(n, np.int64)
    known = seats.place >= 0
    firing = np.array(setup.firing_angles)
    segments = events.segment[known]
    for one in np.unique(segments).tolist():
        mine = np.flatnonzero(known & (events.segment == one))
        if len(mine) < 2:
            continue
        at = (seats.base[mine] - seats.base[mine[0]]) + firing[seats.place[mine]]
        low, high = float(at[0]), float(at[-1])
        for k in range(n):
            first = np.ceil((low - firing[k] - 1.0) / cycle)
            last = np.floor((high - firing[k] + 1.0) / cycle)
            due[k] += max(0, last - first + 1)
        ticks = events.tick[mine]
        gaps = np.unique(np.searchsorted(ticks, lost[(lost > ticks[0]) & (lost <= ticks[-1])]))
        for j in gaps.tolist():
            for k in range(n):
                first = np.floor((at[j - 1] - firing[k] + 1.0) / cycle) + 1
                last = np.ceil((at[j] - firing[k] - 1.0) / cycle) - 1
                due[k] -= max(0, last - first + 1)
    return due.tolist()


@dataclass(frozen=True)
class _Tapped:
    """A place's triggers: those without a spark, their mean angle, dwell; None without a tap."""

    silent: int | None = None
    trigger: float | None = None
    dwell_ms: float | None = None
    dwell_deg: float | None = None


def _tapped(
    setup: Setup, seats: Seats, events: Events, angles: Floats, tap: Tap | None, spacing: float
) -> list[_Tapped]:
    """What the tap shows of each place."""
    nothing = [_Tapped()] * setup.cylinders
    known = np.flatnonzero(seats.place >= 0)
    if tap is None or tap.fires is None or tap.split is None or not len(known):
        return nothing
    fires = tap.fires
    # A firing belongs to the place that is whole cycles and places from that of a near event.
    ticks = events.tick[known]
    inside = np.flatnonzero(
        (fires.tick >= ticks[0]) & (fires.tick <= ticks[-1]) & np.isfinite(fires.degrees)
    )
    near = known[np.searchsorted(ticks, fires.tick[inside])]
    same = events.segment[near] == fires.segment[inside]
    inside, near = inside[same], near[same]
    if not len(inside):
        return nothing
    firing, cycle = np.array(setup.firing_angles), setup.cycle
    asked = fires.degrees[inside] - events.degrees[near] + firing[seats.place[near]]
    off = (asked[:, None] - firing + cycle / 2) % cycle - cycle / 2
    place = np.argmin(np.abs(off), axis=1)
    off = off[np.arange(len(off)), place]
    if np.median(np.abs(off)) > spacing / 4:
        return nothing
    early, latest = tap.window
    low = np.searchsorted(events.tick, fires.tick[inside] - early)
    answered = np.searchsorted(events.tick, fires.tick[inside] + latest) > low
    found = []
    for k in range(setup.cylinders):
        mine = place == k
        fire = inside[mine]
        if len(fire) < FEWEST:
            found.append(_Tapped(int(np.count_nonzero(~answered[mine]))))
            continue
        have = fire[np.isfinite(fires.on_degrees[fire])]
        ms = degrees = None
        if len(have) >= FEWEST:
            ms = 1e3 * float((fires.tick - fires.on_tick)[have].mean()) * tap.tick_s
            degrees = float((fires.degrees - fires.on_degrees)[have].mean())
        trigger = float(np.median(angles[near[mine]] - off[mine])) + tap.late
        found.append(_Tapped(int(np.count_nonzero(~answered[mine])), trigger, ms, degrees))
    return found


def _wider(mine: float, others: Floats, n: int, share: float) -> bool:
    """Whether a variance is more than chance and twice that of the others.

    By the logarithm of the ratio, whose standard error for heavier tails than the normal one's is
    taken more than twice as large (3 / sqrt(n - 1) in place of sqrt(2 / (n - 1))).
    """
    rest = float(np.median(others))
    z = NormalDist().inv_cdf(1 - share / 2)
    return bool(rest > 0 and mine > rest * max(4.0, exp(z * 3.0 / np.sqrt(n - 1))))


def _more(hits: int, n: int, all_hits: int, all_n: int) -> float:
    """Probability of so many hits or more among n of all, by chance (hypergeometric tail)."""

    def choose(a: int, b: int) -> float:
        return lgamma(a + 1) - lgamma(b + 1) - lgamma(a - b + 1)

    whole = choose(all_n, all_hits)
    top = min(n, all_hits)
    terms = [
        exp(choose(n, k) + choose(all_n - n, all_hits - k) - whole)
        for k in range(hits, top + 1)
        if all_hits - k <= all_n - n
    ]
    return min(1.0, 2 * sum(terms))


def _banks(
    setup: Setup, rows: list[Cylinder], means: Floats, errors: Floats, own: float
) -> Number | None:
    """First bank less the second."""
    if not setup.bank:
        return None
    first = np.array([row.name.isdigit() and int(row.name) in setup.bank for row in rows])
    a, b = first & np.isfinite(means), ~first & np.isfinite(means)
    if not a.any() or not b.any():
        return None
    u2 = sum(float((errors[m] ** 2).sum()) / m.sum() ** 2 + own**2 / m.sum() for m in (a, b))
    return Number(float(means[a].mean() - means[b].mean()), timing.COVERAGE * float(np.sqrt(u2)))


def words(rows: list[Cylinder], n: int, kind: str = "") -> tuple[str, ...]:
    """What the pattern points at; what else could be is said with it (common practice, no source).

    Args:
        rows: the cylinders.
        n: how many there are.
        kind: of the torque index.
    """
    said = []
    by = {
        what: [r for r in rows if what in r.differs]
        for what in ("timing", "misfires", "scatter", "torque")
    }
    off = by["timing"]
    if len(off) == 1 or (len(off) == 2 and n > 4):
        each = "; ".join(
            f"cylinder {r.name} comes {abs(r.deviation or 0):.2f}° "
            f"{'early' if (r.deviation or 0) > 0 else 'late'}"
            for r in off
        )
        said.append(
            f"{each}, each time: its own lobe, reluctor tooth or trigger vane is off, or its "
            "cylinder's part of the controller's map. A lead or a plug does not move the timing"
        )
    elif off:
        known = [r.timing for r in rows if r.timing is not None]
        said.append(
            f"the timing differs from cylinder to cylinder by {max(known) - min(known):.2f}° and "
            "does so again each cycle: a bent or worn distributor shaft, worn lobes, or a trigger "
            "wheel off its centre. A typed wheel on the crank that runs out does the same to "
            "cylinders half a turn apart"
        )
    for r in by["misfires"]:
        cause = "its lead, plug, or its place in the cap"
        if r.no_spark is not None:
            asked = min(r.no_spark, r.missing)
            cause += f" ({asked} of them with a trigger)" if asked else ""
            if r.missing and not r.no_spark:
                cause = "its trigger, for none came: the controller or its sensor"
        said.append(f"cylinder {r.name} misses {r.missing} of {r.expected} sparks: {cause}")
    for r in by["scatter"]:
        said.append(
            f"cylinder {r.name} scatters by {r.scatter or 0:.2f}°, more than the others: a weak "
            "spark that comes late now and then (lead, plug), or a loose tooth or lobe"
        )
    for r in by["torque"]:
        if r.torque is None:
            continue
        what = "takes less speed to compress" if kind == "compression" else "gives less speed"
        other = "" if kind == "compression" else "a spark that fails, fuel, "
        said.append(
            f"cylinder {r.name} {what} than the others (index {r.torque:.2f} ± "
            f"{r.torque.u95:.2f}, a relative one): {other}low compression, a valve or a gasket do "
            "this, and so does its timing; a compression tester settles it"
        )
    if not said and rows:
        widest = max((r.deviation.u95 for r in rows if r.deviation is not None), default=None)
        if widest is not None:
            said.append(f"no cylinder differs by more than can be told, ±{widest:.2f}°")
    return tuple(said)
