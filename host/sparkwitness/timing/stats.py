"""Confidence intervals for shares and means, with their quantiles, in plain Python and numpy.

scipy has all of these too; the tests check them against it. It is some 40 times the size of this
package, for five formulas, so it is not needed at run time.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, expm1, inf, lgamma, log, log1p, nan, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Interval = tuple[float, float]
_FEW_LAGS = 12  # summed one by one, before it takes a Fourier transform for all


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


def beta_quantile(p: float, a: float, b: float) -> float:
    """x with I_x(a, b) = p, by Newton's steps kept inside what is known to hold it.

    Args:
        p: from 0 to 1.
        a, b: > 0.
    """
    if p <= 0 or p >= 1:
        return 0.0 if p <= 0 else 1.0
    low, high, x = 0.0, 1.0, min(max(a / (a + b), 1e-300), 1 - 1e-16)
    whole = lgamma(a + b) - lgamma(a) - lgamma(b)
    for _ in range(200):
        off = beta_share(a, b, x) - p
        low, high = (x, high) if off < 0 else (low, x)
        rises = exp(min(700.0, whole + (a - 1) * log(x) + (b - 1) * log1p(-x)))
        new = x - off / rises if rises else inf
        if not low < new < high:  # by half the way, or half the digits near 0
            new = high / 64 if not low else (low + high) / 2 if high < 64 * low else (
                sqrt(low * high)
            )  # fmt: skip
        if abs(new - x) <= 1e-13 * x or not new:  # or nearer to 0 than a float is
            return new
        x = new
    return x


@lru_cache(maxsize=4096)  # asked for again and again with the same few degrees of freedom
def student_quantile(p: float, freedom: float) -> float:
    """Quantile of Student's t: for t >= 0, P(T > t) = I_{f/(f+t^2)}(f/2, 1/2) / 2.

    NIST DLMF 8.17 with Abramowitz & Stegun 26.7.1.

    Args:
        p: from 0 to 1, not at the ends.
        freedom: degrees of freedom, > 0; inf gives the normal distribution.
    """
    if freedom > 1e7:
        return NormalDist().inv_cdf(p)
    if p < 0.5:
        return -student_quantile(1 - p, freedom)
    # y = t^2 / (f + t^2) runs from 0 to 1 with t.
    y = beta_quantile(2 * p - 1, 0.5, freedom / 2)
    return sqrt(freedom * y / (1 - y)) if y < 1 else inf


def f_tail(ratio: float, over: float, under: float) -> float:
    """P(F > ratio) for `over` and `under` degrees of freedom: Abramowitz & Stegun 26.6.2.

    `under` may be inf: then `over` * F is a chi-squared variable.
    """
    under = min(under, 1e7)
    return beta_share(under / 2, over / 2, under / (under + over * ratio))


def clopper_pearson(hits: float, n: float, confidence: float = 0.95) -> Interval:
    """Exact interval for a share: Clopper & Pearson, Biometrika 26(4), 1934.

    Args:
        hits: 0 <= hits <= n.
        n: trials; with 0 nothing is known and the interval is (0, 1).
    """
    rest = (1 - confidence) / 2
    low = beta_quantile(rest, hits, n - hits + 1) if hits else 0.0
    high = beta_quantile(1 - rest, hits + 1, n - hits) if hits < n else 1.0
    return low, high


def most_with_none(n: float, confidence: float = 0.95) -> float:
    """Largest share that is still compatible with 0 hits in n trials, one-sided: 1 - a^(1/n)."""
    return -expm1(log(1 - confidence) / n) if n else 1.0


def trials_for(share: float, confidence: float = 0.95) -> int:
    """Trials without a hit after which the exact two-sided interval lies below a share."""
    if not 0 < share < 1:
        return 0
    return int(np.ceil(log((1 - confidence) / 2) / log1p(-share)))


def wilson(hits: float, n: float, confidence: float = 0.95) -> Interval:
    """Score interval for a share: Wilson, J. Am. Stat. Assoc. 22(158), 1927."""
    if not n:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    p = hits / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return max(0.0, middle - half), min(1.0, middle + half)


def share_difference(
    hits_1: float, n_1: float, hits_2: float, n_2: float, confidence: float = 0.95
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


def correlation_time(values: Floats) -> float:
    """Integrated autocorrelation time, 1 + 2 sum of the autocorrelations, at least 1.

    The sum ends where its lag passes five times what it has found so far, so that the window
    grows with what it finds (Madras & Sokal, J. Stat. Phys. 50, 1988, appendix C), and is
    corrected for the mean that was taken off (Wolff, Comput. Phys. Commun. 156, 2004, eq. 49).
    A series too short for that shows a slow wander in its neighbours first: never less than for
    an autoregression with the correlation of neighbours, where there is one by more than chance,
    put right for its bias (Marriott & Pope, Biometrika 41, 1954). n values are worth n / time
    independent ones.

    Args:
        values: float64[n] in order of time.
    """
    n = len(values)
    if n < 4 or not np.ptp(values):
        return 1.0
    rest = values - values.mean()
    lags = np.array([np.dot(rest[k:], rest[: n - k]) for k in range(min(_FEW_LAGS, n // 2) + 1)])
    times = 1 + 2 * np.cumsum(lags[1:] / lags[0])
    past = np.flatnonzero(np.arange(1, len(times) + 1) >= 5 * times)
    if not len(past) and len(times) < n // 2:
        # A long memory: all lags at once.
        size = 1 << (2 * n - 1).bit_length()
        spectrum = np.fft.rfft(rest, size)
        lags = np.fft.irfft(spectrum * np.conj(spectrum), size)[: n // 2 + 1]
        times = 1 + 2 * np.cumsum(lags[1:] / lags[0])
        past = np.flatnonzero(np.arange(1, len(times) + 1) >= 5 * times)
    last = int(past[0]) if len(past) else len(times) - 1
    first = float(lags[1] / lags[0])
    alike = min(first + (1 + 3 * first) / n, 1 - 4 / n) if first > 2 / sqrt(n) else 0.0
    return max((1 + alike) / (1 - alike), float(times[last]) * (1 + (2 * last + 3) / n))


def clumping(places: Sequence[Sequence[Bools]]) -> float:
    """By how much events in spells say less about their share than single ones: at least 1.

    The larger of the length of a spell as seen from one of its events (sum of squares over sum:
    what a variance needs; Kish, Survey Sampling, 1965, 8.2) and of the scatter of the share from
    visit to visit of the same place against the binomial one.

    Args:
        places: for each place its visits, for each visit bool[n] in order of time.
    """
    sizes: list[int] = []
    chi2 = freedom = 0.0
    for visits in places:
        for part in visits:
            at = np.flatnonzero(part)
            if len(at):
                # Misses with at most one answer between them are one spell.
                cut = np.flatnonzero(np.diff(at) > 2) + 1
                sizes += [len(run) for run in np.split(at, cut)]
        n = np.array([len(part) for part in visits if len(part)], np.float64)
        k = np.array([np.count_nonzero(part) for part in visits if len(part)], np.float64)
        if 0 < k.sum() < n.sum():
            share = k.sum() / n.sum()
            chi2 += float((((k - n * share) ** 2) / (n * share * (1 - share))).sum())
            freedom += len(n) - 1
    if not sizes:
        return 1.0
    spell = float(np.square(sizes).sum() / np.sum(sizes))
    # By chance alone a spell goes on with q = 1 - (1 - share)^2: (1 + q) / (1 - q).
    share = sum(sizes) / sum(len(part) for visits in places for part in visits)
    q = min(0.9, 1 - (1 - share) ** 2)
    by_chance = (1 + q) / (1 - q)
    spell = spell / by_chance if spell > _MORE_THAN_CHANCE * by_chance else 1.0
    # A chi2 of f degrees of freedom is beyond f (1 + 2 sqrt(2 / f)) in some 3 of 100.
    if freedom > 3 and chi2 / freedom > 1 + 2 * sqrt(2 / freedom):
        return max(1.0, spell, chi2 / freedom)
    return max(1.0, spell)


_MORE_THAN_CHANCE = 1.3
