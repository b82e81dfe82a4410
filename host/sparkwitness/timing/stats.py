"""Confidence intervals for shares and means, with their quantiles, in plain Python and numpy.

scipy has all of these too; the tests check them against it. It is some 40 times the size of this
package, for five formulas, so it is not needed at run time.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, expm1, inf, lgamma, log, log1p, nan, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Interval = tuple[float, float]


def beta_share(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b).

    Continued fraction 8.17.22 of the NIST Digital Library of Mathematical Functions, evaluated
    by the modified Lentz method (Thompson & Barnett, J. Comput. Phys. 64(2), 1986).

    Args:
        a, b: > 0.
        x: from 0 to 1.
    """
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1.0 - beta_share(b, a, 1.0 - x)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x)) / a
    tiny = 1e-300
    c, d = 1.0, 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1), tiny)
    result = d
    for m in range(1, 10_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _not_zero(1.0 + term * d, tiny)
            c = _not_zero(1.0 + term / c, tiny)
            result *= c * d
        if abs(c * d - 1.0) < 1e-14:
            break
    return front * result


def _not_zero(value: float, tiny: float) -> float:
    return value if abs(value) > tiny else tiny


def _solve(rising: Callable[[float], float], aim: float, low: float, high: float) -> float:
    """Where a rising function reaches `aim`, by bisection to the last digit."""
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if rising(middle) < aim:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def beta_quantile(p: float, a: float, b: float) -> float:
    """x with I_x(a, b) = p."""
    return _solve(lambda x: beta_share(a, b, x), p, 0.0, 1.0)


def student_quantile(p: float, freedom: float) -> float:
    """Quantile of Student's t: for t >= 0, P(T > t) = I_{f/(f+t^2)}(f/2, 1/2) / 2.

    NIST DLMF 8.17 with Abramowitz & Stegun 26.7.1.

    Args:
        p: from 0 to 1, not at the ends.
        freedom: degrees of freedom, > 0; inf gives the normal distribution.
    """
    if freedom == inf or freedom > 1e7:
        return NormalDist().inv_cdf(p)
    if p < 0.5:
        return -student_quantile(1 - p, freedom)
    # y = t^2 / (f + t^2) runs from 0 to 1 with t.
    y = beta_quantile(2 * p - 1, 0.5, freedom / 2)
    return sqrt(freedom * y / (1 - y)) if y < 1 else inf


def clopper_pearson(hits: int, n: int, confidence: float = 0.95) -> Interval:
    """Exact interval for a share: Clopper & Pearson, Biometrika 26(4), 1934.

    Args:
        hits: 0 <= hits <= n.
        n: trials; with 0 nothing is known and the interval is (0, 1).
    """
    rest = (1 - confidence) / 2
    low = beta_quantile(rest, hits, n - hits + 1) if hits else 0.0
    high = beta_quantile(1 - rest, hits + 1, n - hits) if hits < n else 1.0
    return low, high


def most_with_none(n: int, confidence: float = 0.95) -> float:
    """Largest share that is still compatible with 0 hits in n trials, one-sided: 1 - a^(1/n)."""
    return -expm1(log(1 - confidence) / n) if n else 1.0


def trials_for(share: float, confidence: float = 0.95) -> int:
    """Trials without a hit after which the exact two-sided interval lies below a share."""
    if not 0 < share < 1:
        return 0
    return int(np.ceil(log((1 - confidence) / 2) / log1p(-share)))


def wilson(hits: int, n: int, confidence: float = 0.95) -> Interval:
    """Score interval for a share: Wilson, J. Am. Stat. Assoc. 22(158), 1927."""
    if not n:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    p = hits / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return max(0.0, middle - half), min(1.0, middle + half)


def share_difference(
    hits_1: int, n_1: int, hits_2: int, n_2: int, confidence: float = 0.95
) -> Interval:
    """Interval for the difference of two shares, first less second.

    Newcombe, Statistics in Medicine 17(8), 1998, 873-890, method 10.
    """
    if not n_1 or not n_2:
        return -1.0, 1.0
    p, q = hits_1 / n_1, hits_2 / n_2
    low_p, high_p = wilson(hits_1, n_1, confidence)
    low_q, high_q = wilson(hits_2, n_2, confidence)
    return (
        p - q - sqrt((p - low_p) ** 2 + (high_q - q) ** 2),
        p - q + sqrt((high_p - p) ** 2 + (q - low_q) ** 2),
    )


def combined_freedom(parts: list[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum: Welch-Satterthwaite, JCGM 100:2008, G.4.1.

    Args:
        parts: (standard uncertainty, degrees of freedom; inf for type B) of each.
    """
    total = sum(u * u for u, _ in parts) ** 2
    rest = sum(u**4 / freedom for u, freedom in parts if freedom != inf)
    return total / rest if rest > 0 else inf


@dataclass(frozen=True)
class Threshold:
    """Where a yes/no property changes with rising speed.

    Attributes:
        value: middle of the two speeds between which the change fits best.
        low, high: interval; at its ends are speeds that were really seen.
        below, above: share of yes on each side.
        n: observations used.
    """

    value: float
    low: float
    high: float
    below: float
    above: float
    n: int


def threshold(speed: Floats, yes: Bools, confidence: float = 0.95) -> Threshold | None:
    """The speed above which a property that held before holds no longer.

    Maximum of the binomial likelihood over all places of one step, with a share of its own on
    each side; the interval holds all places whose likelihood ratio is below the critical value,
    P(LR <= x) = (1 - exp(-x/2))^2: 7.35 at 95 % (Hansen, Econometrica 68(3), 2000, theorem 2).
    A clean step gives the two speeds beside it.

    Args:
        speed: float64[n].
        yes: bool[n].

    Returns:
        None if there is no such step: fewer than 3 observations on a side, or the shares differ
        by less than a half.
    """
    order = np.argsort(speed, kind="stable")
    speed, yes = speed[order], yes[order]
    n = len(speed)
    cut = np.flatnonzero(np.diff(speed) > 0) + 1
    cut = cut[(cut >= 3) & (cut <= n - 3)]
    if not len(cut):
        return None
    hits = np.concatenate(([0], np.cumsum(yes)))
    low_hits, low_n = hits[cut], cut
    high_hits, high_n = hits[-1] - low_hits, n - cut
    fit = _binomial_fit(low_hits, low_n) + _binomial_fit(high_hits, high_n)
    fit = np.where(low_hits / low_n > high_hits / high_n, fit, -np.inf)
    best = int(np.argmax(fit))
    below, above = low_hits[best] / low_n[best], high_hits[best] / high_n[best]
    if not np.isfinite(fit[best]) or below - above < 0.5:
        return None
    inside = np.flatnonzero(fit >= fit[best] + log(1 - sqrt(confidence)))
    return Threshold(
        value=float(speed[cut[best] - 1] + speed[cut[best]]) / 2,
        low=float(speed[cut[inside[0]] - 1]),
        high=float(speed[cut[inside[-1]]]),
        below=float(below),
        above=float(above),
        n=n,
    )


def _binomial_fit(hits: NDArray[np.int64], n: NDArray[np.int64]) -> Floats:
    """Greatest log-likelihood of each share: k ln(k/n) + (n-k) ln((n-k)/n), 0 ln 0 = 0."""
    misses = n - hits
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(
            np.where(hits > 0, hits * np.log(hits / n), 0.0)
            + np.where(misses > 0, misses * np.log(misses / n), 0.0)
        )


@dataclass(frozen=True)
class Fit:
    """Least squares: `values` float64[k], `covariance` float64[k, k], `chi2` with `freedom`."""

    values: Floats
    covariance: Floats
    chi2: float
    freedom: int


def least_squares(columns: Floats, y: Floats, u: Floats | None = None) -> Fit:
    """Weighted linear least squares, JCGM 100:2008 H.3 with weights 1/u^2.

    The covariance is (X^T W X)^-1, scaled up by chi2 / freedom where the points scatter more
    than their uncertainties say (Birge, Phys. Rev. 40, 1932), never down; where no uncertainties
    are given it is always scaled, as in H.3.

    Args:
        columns: float64[n, k] design matrix, n >= k.
        y: float64[n] values.
        u: float64[n] their standard uncertainties, u > 0; None: unknown and equal.
    """
    known = u is not None
    u = np.ones_like(y) if u is None else u
    weighted = columns / u[:, None]
    # Scale the columns, so that a mix of units does not spoil the conditioning.
    scale = np.linalg.norm(weighted, axis=0)
    values, *_ = np.linalg.lstsq(weighted / scale, y / u, rcond=None)
    # The covariance from the triangular factor, not from X^T X, whose condition is squared.
    root = np.linalg.pinv(np.linalg.qr(weighted / scale, mode="r"))
    inverse = root @ root.T
    values = values / scale
    chi2 = float((((y - columns @ values) / u) ** 2).sum())
    freedom = len(y) - columns.shape[1]
    birge = chi2 / freedom if freedom else 1.0
    if known:
        birge = max(1.0, birge)
    return Fit(values, inverse / np.outer(scale, scale) * birge, chi2, freedom)


def slope(x: Floats, y: Floats, u: Floats, confidence: float = 0.95) -> tuple[float, Interval]:
    """Slope of a weighted straight line and its t-interval; NaN with fewer than 3 points."""
    if len(x) < 3 or np.ptp(x) == 0:
        return nan, (-inf, inf)
    fit = least_squares(np.column_stack((np.ones_like(x), x)), y, u)
    half = student_quantile((1 + confidence) / 2, fit.freedom) * sqrt(fit.covariance[1, 1])
    return float(fit.values[1]), (float(fit.values[1]) - half, float(fit.values[1]) + half)
