"""Sparks to events: one event is the burst of sparks that one firing makes.

The first spark of an event is the timing; the rest is its count, spacing and duration.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import gcd

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import kernels
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.placing import Placed

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_MIN_RATIO = 3.0  # centres of "within a burst" and "between bursts" lie at least this far apart
_NEIGHBOURS = 15  # events on either side that tell where the next should be
_EVERY = 4  # and so many in a row are compared with the same
_SAMPLED, _RUN = 256, 64  # of long series, so many runs of so many steps tell the gap
_WIDEST_BURST = 0.4  # of the spacing of events: two bursts never run into each other


class DeadTime:
    """Streaming filter against ringing: an edge too soon after the one before is no spark."""

    def __init__(self, ticks: int) -> None:
        self.ticks = ticks
        self.rejected = 0
        self._last: int | None = None
        self._lost = False

    def feed(self, ticks: Ticks, breaks: Ticks) -> tuple[Ticks, Bools]:
        """The next edges without the ringing.

        Each edge is compared with the edge before it, kept or not, so a train of ringing is
        refused as a whole and the result does not depend on how the stream was cut.

        Args:
            ticks: int64[n], strictly rising over all calls.
            breaks: int64[m], indices k into `ticks`: edges were lost before ticks[k].

        Returns:
            The edges kept, and for each whether edges were lost before it; the refused ones are
            counted in `rejected`.
        """
        if not len(ticks):
            return ticks, np.empty(0, np.bool_)
        keep = np.ones(len(ticks), np.bool_)
        keep[1:] = np.diff(ticks) >= self.ticks
        keep[0] = self._last is None or ticks[0] - self._last >= self.ticks
        self._last = ticks[-1]
        self.rejected += int(np.count_nonzero(~keep))
        kept = ticks[keep]
        if not len(breaks) and not self._lost:
            return kept, np.zeros(len(kept), np.bool_)
        losses = np.zeros(len(ticks), np.bool_)
        losses[breaks] = True
        losses[0] |= self._lost
        so_far = np.cumsum(losses)
        at_kept = so_far[keep]
        lost = np.diff(at_kept, prepend=0) > 0
        self._lost = bool(so_far[-1] > (at_kept[-1] if len(at_kept) else 0))
        return kept, lost


def burst_gap(steps: Floats, spacing: float) -> float:
    """Angle that separates sparks of one burst from those of the next, found from the data.

    The distances between sparks fall in two heaps, within and between bursts; the cut is where
    the variance between the two heaps of their logarithms is largest (Otsu, IEEE Trans. SMC
    9(1), 1979). With a single heap there are no bursts and every spark is an event. Of a long
    series, runs of neighbours at even distances are looked at.

    Args:
        steps: float64[n] degrees from each spark to the next.
        spacing: degrees between events where known, else NaN.

    Returns:
        Degrees; sparks further apart than this belong to different events. NaN for no data.
    """
    if len(steps) > 2 * _SAMPLED * _RUN:
        runs = np.linspace(0, len(steps) - _RUN, _SAMPLED).astype(np.int64)
        steps = steps[(runs[:, None] + np.arange(_RUN)).ravel()]
    steps = steps[np.isfinite(steps) & (steps > 0)]
    if not len(steps):
        return float("nan")
    typical = spacing if np.isfinite(spacing) else float(np.max(steps))
    widest = _WIDEST_BURST * typical
    logs = np.sort(np.log(steps))
    n = len(logs)
    count = np.arange(1, n)
    total = np.cumsum(logs)
    apart = (total[-1] - total[:-1]) / (n - count) - total[:-1] / count
    between = count * (n - count) * apart**2
    if n < 2 or apart[k := np.argmax(between)] < np.log(_MIN_RATIO):
        # One heap: either lone sparks far apart, or one endless burst.
        return widest if float(np.median(steps)) > widest else typical
    return float(min(np.exp((logs[k] + logs[k + 1]) / 2), widest))


def spacing_of(steps: Floats, allowed: tuple[float, ...]) -> float:
    """Degrees from one event to the next as the clamp sees them, inferred.

    Args:
        steps: float64[n] degrees from each event's first spark to the next one's.
        allowed: the spacings that the engine can have (360 or 720, or 720 / cylinders, ...).

    Returns:
        The allowed one nearest to the median step, or NaN if none is within 15 %.
    """
    if not len(steps):
        return float("nan")
    middle = float(np.median(steps))
    best = min(allowed, key=lambda one: abs(np.log(middle / one)))
    return best if abs(middle / best - 1) < 0.15 else float("nan")


def fold_of(reference: Reference, cycle: float, parts: int) -> float:
    """Degrees modulo which a timing angle is defined.

    The wheel tells the angle modulo its period and the events repeat every `cycle / parts`; only
    the greatest common measure of both can be told. In whole numbers, so that it is exact.

    Args:
        reference: whose period is a whole turn of the wheel or a part of it.
        cycle: whole degrees.
        parts: events in it.
    """
    period = Fraction(360 * reference.turns, 1 if reference.missing else reference.teeth)
    spacing = Fraction(round(cycle), parts)
    common = gcd(period.numerator * spacing.denominator, spacing.numerator * period.denominator)
    return common / (period.denominator * spacing.denominator)


def fold(degrees: Floats, period: float, around: float = 0.0) -> Floats:
    """Angles moved by whole periods to within half a period of `around`."""
    folded: Floats = around + (degrees - around + period / 2) % period - period / 2
    return folded


@dataclass
class Events:
    """One element per event.

    Attributes:
        tick: int64 time of the first spark.
        degrees: float64 crank angle of the first spark (see `angle`).
        segment: int64 stretch of unbroken synchronisation.
        sparks: int64 number of sparks; 0 where the end of the burst was not seen.
        last_tick, last_degrees: of the last spark.
        to_edge: float64 degrees from the first spark to the nearest reference edge.
    """

    tick: Ticks
    degrees: Floats
    segment: Ticks
    sparks: Ticks
    last_tick: Ticks
    last_degrees: Floats
    to_edge: Floats

    def pick(self, mask: NDArray[np.bool_] | Ticks) -> "Events":
        """The events selected by a mask or indices; itself where that is all."""
        if mask.dtype == np.bool_ and mask.all():
            return self
        return Events(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))

    def steps(self) -> Floats:
        """Degrees from each event to the next, NaN across a break; one shorter than the table."""
        result = np.diff(self.degrees)
        result[np.diff(self.segment) != 0] = np.nan
        return result


@dataclass
class Grouping:
    """Events and what was left out in making them."""

    events: Events
    gap: float
    unplaced: int  # sparks while the crank angle was not known
    cut: int  # events whose beginning was not seen, so that their first spark is not known


def group(sparks: Placed, broken: Bools, periods: Periods, period: float, gap: float) -> Grouping:
    """Bursts to events.

    An event counts only if its beginning was surely seen: for `gap` degrees before it the crank
    was known and no edge of the clamp was lost.

    Args:
        sparks: placed edges of one clamp, ringing taken out.
        broken: bool per spark, edges of the clamp were lost just before it.
        periods: the crank's good periods.
        period: degrees per period.
        gap: degrees, see `burst_gap`.

    Returns:
        The events, and counts of sparks and events left out.
    """
    known = sparks.segment >= 0
    # Most often those without an angle are only the first, before the crank is known.
    first = np.count_nonzero(~known)
    chosen = slice(first, None) if known[first:].all() else known
    sparks, broken = sparks.pick(chosen), broken[chosen]
    n = len(sparks.tick)
    unplaced = len(known) - n
    if not n or not np.isfinite(gap):
        none, nan = np.empty(0, np.int64), np.empty(0)
        return Grouping(Events(none, nan, none, none, none, nan, nan), gap, unplaced, 0)
    tick, degrees, segment, lost = sparks.tick, sparks.degrees, sparks.segment, broken
    begins = np.empty(n, np.bool_)
    kernels.chosen().firsts(degrees, segment, lost, gap, begins)
    begin = np.flatnonzero(begins)
    end = np.append(begin[1:], n) - 1

    # Where each segment begins and ends, from the periods that make it up.
    edge = np.flatnonzero(np.diff(periods.segment)) + 1
    opens = np.concatenate(([0], edge))
    closes = np.append(edge, len(periods.segment)) - 1
    slot = np.searchsorted(periods.segment[opens], segment[begin])
    since_open = degrees[begin] - periods.number[opens][slot] * period
    until_close = (periods.number[closes][slot] + 1) * period - degrees[end]

    same = np.diff(segment[begin]) == 0
    follows, followed = np.append(False, same), np.append(same, False)
    seen = ~lost[begin] & (follows | (since_open >= gap))
    whole = (followed | (until_close >= gap)) & ~np.append(lost[begin[1:]], False)
    events = Events(
        tick[begin],
        degrees[begin],
        segment[begin],
        np.where(whole, end - begin + 1, 0),
        tick[end],
        degrees[end],
        sparks.to_edge[begin],
    )
    return Grouping(events.pick(seen), gap, unplaced, int(np.count_nonzero(~seen)))


def circular_median(degrees: Floats, period: float) -> float:
    """The angle from which the sum of circular distances to all others is least.

    Args:
        degrees: float64[n], n > 0.
        period: degrees of a full turn.
    """
    sample = degrees[:: (len(degrees) - 1) // 201 + 1]
    distance = np.abs(fold(sample[:, None] - sample[None, :], period))
    centre = float(sample[np.argmin(distance.sum(axis=1))])
    return centre + float(np.median(fold(degrees - centre, period)))


def _local_median(values: Floats) -> Floats:
    """Median of each value and `_NEIGHBOURS` on either side, float64[n].

    The window stands still for `_EVERY` values and at the ends of the series.
    """
    reach = min(_NEIGHBOURS, (len(values) - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
    medians = np.partition(windows[::_EVERY], reach, axis=1)[:, reach]
    at = np.clip(np.arange(len(values)) - reach, 0, len(windows) - 1)
    result: Floats = medians[at // _EVERY]
    return result


def strays(degrees: Floats, period: float, floor: float = 2.0) -> Bools:
    """Which angles stand too far from their neighbours' to be the same firing.

    Crossfire and noise come anywhere; the timing itself may move with the speed, so each angle is
    compared with the median of the events around it.

    Args:
        degrees: float64[n] first-spark angles in order of time, folded or not.
        period: degrees of a full turn.
        floor: degrees that are never called stray.

    Returns:
        bool[n]; limit: six robust standard deviations (1.4826 times the median absolute
        deviation), at least `floor`.
    """
    if not len(degrees):
        return np.zeros(0, np.bool_)
    off = fold(degrees - circular_median(degrees, period), period)
    away = np.abs(fold(off - _local_median(off), period))
    return away > max(floor, 6 * 1.4826 * float(np.median(away)))


def missing_between(events: Events, spacing: float) -> tuple[int, int]:
    """Firings that the crank says should have come between the events seen.

    Args:
        events: in order, strays taken out.
        spacing: degrees between firings at this clamp.

    Returns:
        (missing, expected): firings without a spark, and all firings in the same stretches.
    """
    steps = events.steps()
    steps = steps[np.isfinite(steps)]
    firings = np.maximum(np.rint(steps / spacing), 1)
    return int((firings - 1).sum()), int(firings.sum())
