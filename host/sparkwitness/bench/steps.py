"""Where a yes/no property changes with speed: at a step, or over a width."""

from dataclasses import dataclass
from math import log, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.stats import Bools, Floats

_WIDTHS = 2 * log(9)  # of a logistic curve: from 0.9 to 0.1, in its scale
_NEAREST = 400  # observations on either side that can tell of the change


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
    hits = np.cumsum(yes, dtype=np.int64)
    low_hits, low_n = hits[cut - 1], cut
    high_hits, high_n = hits[-1] - low_hits, n - cut
    fit = _binomial_fit(low_hits, low_n) + _binomial_fit(high_hits, high_n)
    fit = np.where(low_hits / low_n > high_hits / high_n, fit, -np.inf)
    best = np.argmax(fit)
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
class Change:
    """Where, and over which span, a yes becomes a no as the speed rises.

    Attributes:
        value: speed at which half of the change has happened; low, high: its interval.
        width: speed from nine tenths to one tenth of the change; width_low, width_high: its
            interval; from 0 where a sharp step describes it as well.
        below, above: share of yes far on either side.
        n: observations.
    """

    value: float
    low: float
    high: float
    width: float
    width_low: float
    width_high: float
    below: float
    above: float
    n: int


def change(speed: Floats, yes: Bools, confidence: float = 0.95) -> Change | None:
    """A change from yes to no that may be gradual: a logistic curve, by maximum likelihood.

    Intervals are profile likelihood ones, at the larger of the two critical values that hold for
    a smooth curve (chi2 with 1 degree of freedom) and, where no width is seen, for a step
    (`threshold`). A clean step may be a narrow change as well: its interval reaches some
    observations further than the two speeds beside it.

    Returns:
        None where `threshold` finds none.
    """
    step = threshold(speed, yes, confidence)
    if step is None:
        return None
    order = np.argsort(speed, kind="stable")
    x, y = speed[order], yes[order]
    begin = np.maximum(0, np.searchsorted(x, step.value) - _NEAREST)
    x, y = x[begin : begin + 2 * _NEAREST], y[begin : begin + 2 * _NEAREST]
    # Half a case more on either side keeps shares of 0 and 1 from being certain.
    k = np.searchsorted(x, step.value)
    top, floor = step.below, step.above
    gaps = float(np.ptp(x)) / len(x)
    scales = np.concatenate(([gaps / 20], np.geomspace(gaps / 2, float(np.ptp(x)) / 6, 12)))
    span = max(step.high - step.low, 8 * gaps)
    crit = NormalDist().inv_cdf((1 + confidence) / 2) ** 2 / 2
    near = x[np.maximum(0, k - 9) : k + 8]
    for _ in range(3):
        middles = np.unique(np.concatenate((
            np.linspace(max(x[0], step.value - span), min(x[-1], step.value + span), 41),
            (near[1:] + near[:-1]) / 2,
        )))  # fmt: skip
        fit = _logistic_fit(x, y, middles, scales, top, floor)
        best = np.unravel_index(np.argmax(fit), fit.shape)
        middle, scale = float(middles[best[0]]), float(scales[best[1]])
        far_low, far_high = x < middle - 3 * scale, x > middle + 3 * scale
        if far_low.sum() > 20 and far_high.sum() > 20:
            top = float((y[far_low].sum() + 0.5) / (far_low.sum() + 1))
            floor = float((y[far_high].sum() + 0.5) / (far_high.sum() + 1))
        over = fit.max(axis=1) >= fit.max() - crit
        if not (over[0] or over[-1]):
            break
        span *= 3
    sharp = bool(fit[:, 0].max() >= fit.max() - crit)
    if sharp:
        crit = max(crit, -log(1 - sqrt(confidence)))
    inside = np.flatnonzero(fit.max(axis=1) >= fit.max() - crit)
    wide = np.flatnonzero(fit.max(axis=0) >= fit.max() - crit)
    low, high = middles[max(0, inside[0] - 1)], middles[min(len(middles) - 1, inside[-1] + 1)]
    return Change(
        value=float((middles[inside[0]] + middles[inside[-1]]) / 2) if sharp else middle,
        low=float(low),
        high=float(high),
        width=0.0 if best[1] == 0 else _WIDTHS * scale,
        width_low=0.0 if sharp else _WIDTHS * float(scales[max(0, wide[0] - 1)]),
        width_high=_WIDTHS * float(scales[min(len(scales) - 1, wide[-1] + 1)]),
        below=step.below,
        above=step.above,
        n=step.n,
    )


def _logistic_fit(
    x: Floats, y: Bools, middles: Floats, scales: Floats, top: float, floor: float
) -> Floats:
    """Log-likelihood float64[middles, scales] of a logistic curve from `top` down to `floor`."""
    fit = np.empty((len(middles), len(scales)))
    for j, scale in enumerate(scales):
        z = (x[None, :] - middles[:, None]) / scale
        with np.errstate(over="ignore", divide="ignore"):
            share = floor + (top - floor) / (1 + np.exp(z))
            fit[:, j] = np.where(y, np.log(share), np.log1p(-share)).sum(axis=1)
    return fit
