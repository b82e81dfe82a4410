"""Means from visits in turn, where what is measured wanders from visit to visit.

Inside a visit only its scatter is seen; what moves more slowly shows between the visits. It is
taken for a process with an exponential memory (Uhlenbeck & Ornstein, Phys. Rev. 36, 1930), whose
size and memory are not known: all of them are tried, and each counts by how likely it makes what
is left beside the model (a Gaussian process with explicit basis functions: Rasmussen & Williams,
Gaussian Processes for Machine Learning, 2006, 2.7 and 5.2). So the intervals are as wide as
what is not known about the memory makes them.

Where single visits are short beside what wanders (a sweep through many speeds), its smoothness
shows as well: a drift that swings runs on as it ran, which a rough wander never does, so that
rough ones alone would be too sure. Then smooth kernels are tried beside the rough one (Matérn of
order 3/2, squared exponential: the same book, 4.2.1).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import erf, inf, sqrt

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.stats import Fit, Floats, Interval, least_squares, student_quantile

Span = tuple[Floats, Floats]

_MEMORIES, _SIZES = 9, 11
_LEAST_MEMORY, _MOST_MEMORY = 0.2, 2.0  # of the shortest visit, of the whole: shorter is scatter
_LEAST_SIZE, _MOST_SIZE = 0.3, 4.0  # of a visit's uncertainty; of what is left beside the model
_MOST_OF_FEW, _SIZES_OF_FEW = 16.0, 16
_STILL = 4.0  # times as credible beforehand as one size: nothing wanders
_COUNTS = 0.01  # of the likeliest weight
# Nodes in a visit; shortest memory of a visit; shapes by the distance in memories: exponential,
# Matérn of order 3/2, squared exponential.
_NODES, _HALF = 4, 0.5
_SHAPES: tuple[Callable[[Floats], Floats], ...] = (
    lambda d: np.exp(-d),
    lambda d: (1 + np.sqrt(3) * d) * np.exp(-np.sqrt(3) * d),
    lambda d: np.exp(-(d**2) / 2),
)
# A series: parts it is cut into, fewest that tell anything, memories from a part to a share of the
# whole, sizes against a part's scatter; how much likelier than a size stillness is beforehand (all
# sizes together have a fifth), and its share afterwards from which on nothing wanders.
_PARTS, _FEWEST = 40, 8
_PART_MEMORIES, _PART_SIZES = (0.5, 0.4, 8), (0.05, 200.0, 10)
_QUIET, _STANDS = 300.0, 0.5
_BEYOND_TWO = 1 - erf(sqrt(2.0))  # of a normal distribution beyond two deviations


@dataclass(frozen=True)
class Wander:
    """What visits tell of a model's numbers, and of themselves.

    Attributes:
        values: float64[p] of the model's numbers; u, freedom: float64[p], Student's t.
        u_visit, of_visit: float64[n], the same of how far each visit's mean lies from the model.
        size: standard deviation of what wanders.
        gain: float64[p, n]: values = gain @ y.
        covariance: float64[p, p] of the values.
    """

    values: Floats
    u: Floats
    freedom: Floats
    u_visit: Floats
    of_visit: Floats
    size: float
    gain: Floats
    covariance: Floats


def wander(
    columns: Floats, y: Floats, u: Floats, ways: Iterable[Floats], few: bool = False
) -> Wander:
    """Weighted least squares with a wander of unknown size and memory beside the scatter.

    Args:
        columns: float64[n, p] design matrix, n > p, of full rank.
        y, u: float64[n] means of the visits and their standard uncertainties from inside, > 0.
        ways: covariances float64[n, n] of all ways that it may wander in, with variance 1: see
            `rough`, `of_any_shape`.
        few: hardly more than one repeat shows the wander, so that by luck most of it may hide in
            the model: all sizes are alike beforehand, up to far larger ones, and not all orders of
            magnitude (Gelman, Bayesian Analysis 1(3), 2006).
    """
    n, p = columns.shape
    free = np.linalg.qr(columns, mode="complete")[0][:, p:].T
    rest = free @ y
    root = np.linalg.inv(np.linalg.cholesky(free * u**2 @ free.T))
    white = root @ rest
    scale = float(np.sqrt(np.mean(rest**2)))
    least = _LEAST_SIZE * min(float(np.median(u)), scale)
    most, count = (_MOST_OF_FEW, _SIZES_OF_FEW) if few else (_MOST_SIZE, _SIZES)
    sizes = np.concatenate(([0.0], np.geomspace(least, most * scale, count))) if scale else (
        np.zeros(1)
    )  # fmt: skip
    kernels: list[Floats] = []
    told: list[Floats] = []
    for kernel in ways:
        waves, turned = np.linalg.eigh(root @ (free @ kernel @ free.T) @ root.T)
        more = 1 + np.outer(sizes**2, np.maximum(waves, 0.0))
        told.append(-(np.log(more) + (turned.T @ white) ** 2 / more).sum(axis=1) / 2)
        kernels.append(kernel)
    likely = np.exp(np.array(told) - np.max(told))
    likely[:, 0] *= _STILL
    if few:
        likely[:, 1:] *= sizes[1:] / scale
    which, size = np.nonzero(likely > _COUNTS * likely.max())
    share = likely[which, size] / likely[which, size].sum()
    more = sizes[size, None, None] ** 2 * np.array(kernels)[which]
    covariance = np.diag(u**2) + more
    weighed = np.linalg.solve(covariance, np.broadcast_to(columns, (len(share), n, p)))
    inverse = np.linalg.inv(columns.T @ weighed)
    values = np.einsum("kij,knj,n->ki", inverse, weighed, y)
    mean = share @ values
    off = values - mean
    between = share @ off**2
    u_mean, freedom = _student(share, np.einsum("kii->ki", inverse), between)
    u_visit, of_visit = _student(share, np.einsum("kii->ki", covariance), np.zeros(n))
    moved = float(np.sqrt(share @ np.einsum("kii->k", more) / n))
    gain = np.einsum("k,kij,knj->in", share, inverse, weighed)
    together = np.einsum("k,kij->ij", share, inverse) + (share * off.T) @ off
    return Wander(mean, u_mean, freedom, u_visit, of_visit, moved, gain, together)


def rough(clocks: Sequence[Span]) -> Iterable[Floats]:
    """Ways to wander for `wander`, with an exponential memory.

    Args:
        clocks: by which the memory may run out: float64[n] begin and end of each visit, rising.
    """
    for begin, end in clocks:
        shortest, whole = float((end - begin).min()), float(end.max() - begin.min())
        for memory in np.geomspace(_LEAST_MEMORY * shortest, _MOST_MEMORY * whole, _MEMORIES):
            yield _alike(begin, end, memory)


def of_any_shape(begin: Floats, end: Floats) -> Iterable[Floats]:
    """Ways to wander for `wander`, rough and smooth; visits may overlap.

    Means over the spans by Gauss-Legendre nodes: what forgets faster than half a visit is scatter.

    Args:
        begin, end: float64[n] of each visit.
    """
    at, share = np.polynomial.legendre.leggauss(_NODES)
    nodes = (begin[:, None] + np.outer(end - begin, (at + 1) / 2)).ravel()
    apart = np.abs(nodes[:, None] - nodes[None, :])
    n, memories = len(begin), (_HALF * float(np.median(end - begin)), float(np.ptp(nodes)))
    for shape in _SHAPES:
        for memory in np.geomspace(*memories, _MEMORIES):
            fine = shape(apart / memory).reshape(n, _NODES, n, _NODES)
            yield np.einsum("iajb,a,b->ij", fine, share / 2, share / 2)


def of_series(values: Floats) -> float | None:
    """Half of what holds the mean of a series that wanders as often as two deviations would.

    As in `wander`, with the scatter not known either (it is integrated out: a Student's t for each
    memory and size, whose mixture's interval is taken), of the means of equal parts of the series.
    The mean's error is taken whole, with what the seen parts cannot tell.

    Args:
        values: float64[n] in order of time.

    Returns:
        None where the series rather stands still, or is too short to tell.
    """
    n = len(values)
    m = min(n, _PARTS)
    if m < _FEWEST or not np.ptp(values):
        return None
    cuts = np.linspace(0, n, m + 1).astype(np.intp)
    parts = np.add.reduceat(values - values.mean(), cuts[:-1]) / np.diff(cuts)
    if np.std(parts) < 1e-9 * np.std(values):
        return None
    waves, ways, kept = _memories(m)
    sizes = np.concatenate(([0.0], np.geomspace(*_PART_SIZES)))
    more = 1 + sizes[:, None] * waves[:, None, :]
    left = ((ways @ parts)[:, None, :] ** 2 / more).sum(axis=2)
    told = -(np.log(more).sum(axis=2) + (m - 1) * np.log(left)) / 2
    likely = np.exp(told - told.max())
    likely[:, 0] *= _QUIET / len(kept)
    likely /= likely.sum()
    if likely[:, 0].sum() > _STANDS:
        return None
    which = likely > 0.1 * _COUNTS * likely.max()
    share = likely[which] / likely[which].sum()
    u = np.sqrt(left / (m - 1) * (1 / m + sizes * kept[:, None]))[which]
    # Of many degrees of freedom a t is a normal distribution a little wider.
    u = u * student_quantile(1 - _BEYOND_TWO / 2, m - 1) / 2
    low, high = 0.0, 4.0 * float(u.max())
    for _ in range(25):
        half = (low + high) / 2
        beyond = sum(p * (1 - erf(half / v / sqrt(2))) for p, v in zip(share, u, strict=True))
        low, high = (half, high) if beyond > _BEYOND_TWO else (low, half)
    return high / 2


@lru_cache(maxsize=_PARTS)
def _memories(m: int) -> tuple[Floats, Floats, Floats]:
    """Of each memory over m parts: float64[k, m - 1] variances and float64[k, m - 1, m] directions
    of what the mean leaves free, and float64[k] the mean's own variance."""
    free = np.linalg.qr(np.ones((m, 1)), mode="complete")[0][:, 1:]
    ends = np.arange(1.0, m + 1)
    shortest, whole, count = _PART_MEMORIES
    waves, ways, kept = [], [], []
    for memory in np.geomspace(shortest, whole * m, count):
        kernel = _alike(ends - 1, ends, memory)
        values, vectors = np.linalg.eigh(free.T @ kernel @ free)
        waves.append(np.maximum(values, 0.0))
        ways.append((free @ vectors).T)
        kept.append(kernel.mean())
    return np.array(waves), np.array(ways), np.array(kept)


def by_count(weight: Floats) -> Span:
    """A clock that goes by the number of values."""
    ends = np.cumsum(weight)
    return ends - weight, ends


def _alike(begin: Floats, end: Floats, memory: float) -> Floats:
    """Covariance float64[n, n] of means over spans, of a process of variance 1: exp(-t / memory)
    integrated over both."""
    length = (end - begin) / memory
    inside = -np.expm1(-length) / length
    apart = np.maximum(begin[:, None] - end[None, :], begin[None, :] - end[:, None]) / memory
    kernel = np.outer(inside, inside) * np.exp(-np.maximum(0.0, apart))
    np.fill_diagonal(kernel, 2 / length * (1 - inside))
    return np.asarray(kernel)


def _student(share: Floats, variance: Floats, between: Floats) -> tuple[Floats, Floats]:
    """Student's t with the variance, and the scatter of that, of a mixture of normal distributions.

    Of a t of f degrees of freedom and scale u the variance is u^2 f / (f - 2); the variances that
    it mixes scatter by 2 / (f - 4) of their square.

    Args:
        share, variance: float64[m], float64[m, p] of each; between: float64[p] of their means.
    """
    mean = share @ variance
    scatter = share @ (variance - mean) ** 2 / mean**2
    with np.errstate(divide="ignore"):
        freedom = np.where(scatter > 1e-9, 4 + 2 / scatter, inf)
    return np.sqrt((mean + between) * (1 - 2 / freedom)), freedom


@dataclass(frozen=True)
class Visits:
    """Means at several places, from visits in time; see `from_visits`.

    Attributes:
        values: float64[p], at the middle of the time; u, freedom: float64[p], Student's t.
        between: standard deviation of what differs from visit to visit.
        drift: what the trend in time changed from the first visit to the last, with
            u_drift, and its part in the second half of the time: drift_late.
        slowed: that part against the first half's, and its standard uncertainty; inf: not known.
        of_trend: degrees of freedom of drift and slowed; 0: every place was visited once.
    """

    values: Floats
    u: Floats
    freedom: Floats
    between: float
    drift: float
    u_drift: float
    drift_late: float
    slowed: Interval
    of_trend: float


def from_visits(
    place: NDArray[np.int64], at: Floats, y: Floats, u: Floats, weight: Floats | None = None
) -> Visits:
    """Means at places that were visited in turn, some of them again.

    What differs from visit to visit is more than the scatter inside a visit where the thing
    measured wanders; it is found so that the residuals come out right (Paule & Mandel, J. Res.
    Nat. Bur. Stand. 87, 1982). A trend in time, a parabola where there are visits enough, is told
    from the places by coming back to them.

    Args:
        place: int64[n], 0 to p - 1, each at least once.
        at: float64[n] time of each visit.
        y, u: float64[n] its mean, and that mean's standard uncertainty from inside the visit, > 0.
        weight: float64[n] number of values in each; None: all alike.
    """
    p, n = place.max() + 1, len(y)
    order = np.argsort(at, kind="stable")
    weight = np.ones(n) if weight is None else weight
    place, at, y, u, weight = place[order], at[order], y[order], u[order], weight[order]
    columns = np.zeros((n, p))
    columns[np.arange(n), place] = 1.0
    span = float(np.ptp(at))
    x = 2 * (at - at.min()) / span - 1 if span else np.zeros(n)
    spare = n - p
    powers = 0 if spare < 2 else 1 if spare < 6 else 2
    for power in range(1, powers + 1):
        columns = np.column_stack((columns, x if power == 1 else x**2 - np.mean(x**2)))
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        columns, powers = columns[:, :p], 0
    freedom = n - columns.shape[1]

    u = pooled(place, u, weight)
    # A short visit sees more of a wander's way from its middle than a long one: how much more
    # depends on how fast it wanders, and the likelihood tells; of one free number it cannot.
    shapes = [(np.mean(weight) / weight) ** power for power in (0.0, 0.5, 1.0)]
    shapes = shapes if freedom > 1 else shapes[:1]
    fit, _ = min((_between(columns, y, u, shape) for shape in shapes), key=lambda f: f[1])
    values, covariance = fit.values, fit.covariance
    drift = u_drift = late = 0.0
    slowed = (inf, inf)
    if powers:
        ends = np.zeros((2, columns.shape[1]))
        ends[:, p] = 1.0
        if powers > 1:
            ends[:, p + 1] = -1.0, 1.0
        halves = ends @ values
        spread = ends @ covariance @ ends.T
        drift, late = float(halves.sum()), float(halves[1])
        u_drift = float(np.sqrt(spread.sum()))
        if powers > 1 and halves[0]:
            ratio = float(halves[1] / halves[0])
            variance = spread[1, 1] + ratio**2 * spread[0, 0] - 2 * ratio * spread[0, 1]
            slowed = ratio, float(np.sqrt(max(0.0, variance)) / abs(halves[0]))
    if n == p:
        return Visits(values, u, np.full(p, inf), 0.0, drift, u_drift, late, slowed, 0.0)
    # A trend may be a slow wander all the same: its middle is no surer than that lets it be.
    half = np.where(at % 1 == 0, 0.5, 1.0)  # two in a row are one visit
    found = wander(columns[:, :p], y, u, rough((by_count(weight), (at - half, at + half))))
    sure = student_quantile(0.995, freedom)
    return Visits(
        values[:p] if abs(drift) > sure * u_drift else found.values, found.u, found.freedom,
        found.size, drift, u_drift, late, slowed, float(freedom),
    )  # fmt: skip


def pooled(place: NDArray[np.int64], u: Floats, weight: Floats) -> Floats:
    """Standard uncertainties of visits from the scatter of one value in all of them.

    By luck a visit may lie in a quiet spell, and would seem the surest: the scatter of one value
    is that of its place, but no less than that of all places together.
    """
    single = weight**2 * u**2  # a visit's variance, weighed by its number of values
    there = np.bincount(place, single) / np.bincount(place, weight)
    return np.asarray(np.sqrt(np.maximum(there[place], single.sum() / weight.sum()) / weight))


def _between(columns: Floats, y: Floats, u: Floats, shape: Floats) -> tuple[Fit, float]:
    """Fit with as much variance of a shape between the visits as they ask for, and the logarithm
    of its determinant: the less, the likelier, since what is left comes out alike for all shapes.

    Both are found in what the columns leave free, where nothing else is unknown (restricted
    likelihood: Patterson & Thompson, Biometrika 58, 1971).
    """
    n, k = columns.shape
    free = np.linalg.qr(columns, mode="complete")[0][:, k:].T
    rest, inside, beside = free @ y, free * u**2 @ free.T, free * shape @ free.T

    def chi2(between: float) -> float:
        return float(rest @ np.linalg.solve(inside + between**2 * beside, rest))

    low, high = 0.0, float(np.ptp(y)) + float(u.max())
    if chi2(0.0) > n - k:
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (middle, high) if chi2(middle) > n - k else (low, middle)
    else:
        high = 0.0
    fit = least_squares(columns, y, np.sqrt(u**2 + high**2 * shape))
    _, size = np.linalg.slogdet(inside + high**2 * beside)
    return fit, float(size)
