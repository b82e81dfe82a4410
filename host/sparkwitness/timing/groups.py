"""Events that come at more than one place of the crank: found, counted, and named.

One mean of two places is the timing of neither. Places are told apart by the gaps between the
sorted angles, or, where two of them nearly touch, by the split that leaves the least spread on
both sides (Otsu, IEEE Trans. SMC 9(1), 1979), if it lies further apart than chance splits one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.events import Events, fold

Floats = NDArray[np.float64]

_LEAST_SHARE, _LEAST_EVENTS = 0.08, 3  # fewer are strays
_APART, _GAP = 1.0, 4.0  # degrees between places; a gap against the spread beside it
# The best split of one normal heap leaves means 2.65 pooled deviations apart, of an even one 3.46.
_TWO_HEAPS = 5.0
_MOST = 8
_SAMPLE = 2000

# What the places are taken for: see `Places.kind`.
OWN, OTHER_LEAD, FIRST_MISSED = "own", "other lead", "first missed"
LATE, MOVED, SEVERAL = "late", "moved", "several"
_EVERY, _NOW_AND_THEN = 0.8, 0.7  # of the firings: a place that each cycle has, and one that not
_ONE_LEAD = 1.1  # events for each firing, all places together, if they are one lead's
_MOSTLY, _LATE_DEG = 0.75, 45.0
_WIDEST = 6.0  # degrees, spread beyond which angles are strays and no place


@dataclass(frozen=True)
class Place:
    """Events that come at one place.

    Attributes:
        degrees: middle, in the same count as the angles given, modulo the same.
        spread: standard deviation, degrees.
        events: how many.
        presence: events for each firing that could have been there.
        sparks: mean sparks per event.
    """

    degrees: float
    spread: float
    events: int
    presence: float
    sparks: float


@dataclass(frozen=True)
class Places:
    """All places of a clamp's events.

    Attributes:
        places: the main one first (that with the most events; with missed first sparks the
            earliest).
        kind: OWN: there is one place. OTHER_LEAD: one comes every time, what comes now and then
            besides is another lead's. FIRST_MISSED: later places are the first by whole spark
            spacings late, and have so many sparks less. LATE: most come at one place, the rest
            at others in its stead. MOVED: one place after the other. SEVERAL: none can be chosen.
        of: int64[n] place of each event, -1 for strays.
        late: FIRST_MISSED, LATE: share of the events at the other places.
    """

    places: tuple[Place, ...]
    kind: str
    of: NDArray[np.int64]
    late: float = 0.0


def heaps(degrees: Floats, period: float) -> list[tuple[float, float]]:
    """Spans that hold angles which belong together.

    Args:
        degrees: float64[n] angles, n > 0.
        period: degrees of a full turn.

    Returns:
        Bounds [low, high) of each span, rising from the turn's widest gap on, high < low + period;
        spans with few angles are left out.
    """
    if len(degrees) > _SAMPLE:  # by steps that are no whole number: places may take turns
        degrees = degrees[np.linspace(0, len(degrees) - 1, _SAMPLE).astype(np.int64)]
    turned = np.sort(degrees % period)
    gaps = np.diff(turned, append=turned[0] + period)
    cut = np.argmax(gaps)
    start = float(turned[(cut + 1) % len(turned)])
    x = np.sort((turned - start) % period)
    least = max(_LEAST_EVENTS, _LEAST_SHARE * len(x))
    parts = [p for p in _parted(x, least) if len(p) >= least]
    close = [p for p in parts if float(np.std(p)) < _WIDEST]
    parts = close or sorted(parts, key=len)[-1:]
    return [(start + float(p[0]), start + float(p[-1])) for p in parts[:_MOST]]


def _parted(x: Floats, least: float) -> list[Floats]:
    """Sorted values in parts that are each one heap."""
    n = len(x)
    gaps = np.diff(x)
    # By gaps: the widest that has enough on either side.
    inner = np.arange(1, n)
    enough = inner[(inner >= least) & (n - inner >= least)]
    if not len(enough):
        return [x]
    by_gap = enough[np.argmax(gaps[enough - 1])]
    if gaps[by_gap - 1] > max(_APART, _GAP * min(_robust(x[:by_gap]), _robust(x[by_gap:]))):
        return _parted(x[:by_gap], least) + _parted(x[by_gap:], least)
    # By the best split of what is not far out.
    low, high = np.quantile(x, (0.02, 0.98))
    core = x[(x >= low) & (x <= high)]
    count = np.arange(1, len(core))
    total = np.cumsum(core)
    apart = (total[-1] - total[:-1]) / (len(core) - count) - total[:-1] / count
    k = np.argmax(count * (len(core) - count) * apart**2)
    pooled = np.sqrt(
        (np.var(core[: k + 1]) * (k + 1) + np.var(core[k + 1 :]) * (len(core) - k - 1)) / len(core)
    )
    few = min(k + 1, len(core) - k - 1) < least
    if few or apart[k] < _APART or apart[k] < _TWO_HEAPS * pooled:
        return [x]
    at = np.searchsorted(x, (core[k] + core[k + 1]) / 2)
    return _parted(x[:at], least) + _parted(x[at:], least)


def _robust(x: Floats) -> float:
    """Standard deviation by the median absolute deviation."""
    return 1.4826 * float(np.median(np.abs(x - np.median(x))))


def places(events: Events, modulo: float, spacing: float, spark_degrees: float) -> Places:
    """Where events come, and what that means.

    Args:
        events: all of one clamp, at steady speed.
        modulo: degrees modulo which their angles are known.
        spacing: degrees between two firings of the clamp's own.
        spark_degrees: crank degrees from one spark of a burst to the next; NaN without bursts.
    """
    degrees = events.degrees
    spans = heaps(degrees, modulo)
    if not spans:
        return Places((), OWN, np.full(len(degrees), -1))
    low, high = np.array(spans).T
    half, middle = (high - low) / 2, (low + high) / 2
    # How far outside each span an angle lies; the nearest takes it, where spans nearly touch, too.
    off = np.abs(fold(degrees[:, None] - middle, modulo)) - half
    nearest = np.argmin(off, axis=1)
    margin = np.clip(half, _APART, 2.0)[nearest]
    of = np.where(off[np.arange(len(off)), nearest] <= margin, nearest, -1)
    steps = events.steps()
    turned = float(np.nansum(steps)) + spacing
    found = []
    for k, (low, _) in enumerate(spans):
        mine = degrees[of == k]
        off = fold(mine - low, modulo)
        counted = events.sparks[(of == k) & (events.sparks > 0)]
        found.append(
            Place(
                low + float(off.mean()),
                float(off.std()),
                len(mine),
                len(mine) * spacing / turned,
                float(counted.mean()) if len(counted) else float("nan"),
            )
        )
    order = sorted(range(len(found)), key=lambda k: -found[k].events)
    missed = _first_missed(found, modulo, spark_degrees)
    if missed is not None:
        order = [missed, *(k for k in order if k != missed)]
    ranked = tuple(found[k] for k in order)
    of = np.where(of >= 0, np.argsort(order)[of], -1)
    if len(ranked) <= 1:
        return Places(ranked, OWN, of)
    late = 1 - ranked[0].events / sum(p.events for p in ranked)
    if missed is not None:
        return Places(ranked, FIRST_MISSED, of, late)
    known = of[of >= 0]
    if np.count_nonzero(np.diff(known)) < max(2 * len(ranked), 0.2 * late * len(known)):
        return Places(ranked, MOVED, of)
    if sum(p.presence for p in ranked) < _ONE_LEAD:
        after = np.array([p.degrees - ranked[0].degrees for p in ranked])
        near = np.abs(fold(after, modulo)) < _LATE_DEG
        mostly = bool(near.all()) and late < 1 - _MOSTLY
        return Places(ranked, LATE if mostly else SEVERAL, of, late)
    if ranked[0].presence > _EVERY and ranked[1].presence < _NOW_AND_THEN:
        return Places(ranked, OTHER_LEAD, of)
    return Places(ranked, SEVERAL, of)


def _first_missed(found: list[Place], modulo: float, spark_degrees: float) -> int | None:
    """Index of the place that has all first sparks, if the bursts prove that."""
    if not np.isfinite(spark_degrees):
        return None
    # The earliest: the one from which all others lie less than half a turn later.
    middles = np.array([p.degrees for p in found])
    for k, place in enumerate(found):
        later = (middles - place.degrees) % modulo
        if not (later < modulo / 2).all():
            continue
        spacings = later / spark_degrees
        whole = np.rint(spacings)
        fits = np.abs(spacings - whole) < 0.2 * np.maximum(whole, 1)
        # A spark less for each spacing late: the burst ends where it always does.
        fewer = np.array([place.sparks - p.sparks for p in found])
        proven = np.abs(fewer - whole) < 0.35 * np.maximum(whole, 1) + 0.1
        if fits.all() and proven.all() and sum(p.presence for p in found) < 1.15:
            return k
    return None
