"""Timing error against speed: a fixed angle and a time delay told apart.

error(N) = a - 6 N t_d: a in crank degrees goes into the controller's reference offset, t_d into
its delay compensation. Advance positive; a delay retards, so its error is negative.

That the points follow such a line is tested, not assumed: their misfit against the scatter inside
each of them (F test of lack of fit: Draper & Smith, Applied Regression Analysis, 3rd ed., 2.1). A
small misfit that is surely there (tooth errors) widens both results; a large one, a knee or a line
that rises with the speed is no delay, and no figure is given to enter.

Speeds that are passed in order of time are no independent points: a drift that goes on with the
time looks like a dependence on speed. Where the passages are known the line goes through them,
with a drift of unknown size, memory and smoothness beside it (`visits.wander`). What it does to
the line is told by how the same speeds differ up and down and by how the rest runs on from one
speed to the next.
"""

from dataclasses import asdict, dataclass
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.timing import visits
from sparkwitness.timing.stats import f_tail, least_squares, student_quantile

Floats = NDArray[np.float64]

_COVERAGE = 0.95
_LACK = 0.01  # probability of such a misfit by chance, below which it is taken for real
_FEWEST_PASSAGES = 4  # that tell what they miss a line by
_K = 1000.0  # rev/min: columns of a like size
DRIFT = 6.0
"""A drift is told of that moves a point's mean by more than this part of the target."""


@dataclass(frozen=True)
class Passages:
    """Each time that some speeds were passed, in order of time.

    Attributes:
        rpm, error, u: float64[k]: mean speed, error, and the standard uncertainty of this from
            one event to the next, degrees.
        begin, end: float64[k] seconds.
        of: float64[k, n]: share of its events in each of the points of `fit_delay`.
        moved: root mean square of what the points differ by between two passages, halved: what
            a drift moves a point's mean by, degrees.
        once: no speed was passed again.
    """

    rpm: Floats
    error: Floats
    u: Floats
    begin: Floats
    end: Floats
    of: Floats
    moved: float = 0.0
    once: bool = False


@dataclass(frozen=True)
class DelayFit:
    """Result of `fit_delay`; uncertainties are half-widths of 95 % intervals.

    Attributes:
        fixed, u_fixed: a in crank degrees.
        delay_us, u_delay_us: t_d in microseconds.
        correlation: between the two.
        covariance: float 2x2 of (a in degrees, slope in degrees per rev/min), random parts and
            drift only.
        systematic: expanded uncertainty of `fixed` from what all points share, degrees; in
            `u_fixed` already.
        spread: how far the points scatter against their own uncertainties; about 1 is right.
        freedom: points less two; with passages what they leave of it.
        lack_p: probability of a misfit as large by chance (F test); NaN where there is none to
            test.
        misfit: root mean square of the residuals, degrees.
        knee: rev/min at which two straight lines meet that describe a bent course far better; None.
        told_apart: the speeds lie far enough apart for the question asked.
        note: what a person must know.
        shared: float 2x2 of the same two, parts that move all points together.
    """

    fixed: float
    u_fixed: float
    delay_us: float
    u_delay_us: float
    correlation: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    systematic: float
    spread: float
    freedom: int
    told_apart: bool
    note: str
    lack_p: float = float("nan")
    misfit: float = 0.0
    knee: float | None = None
    shared: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0))

    def predict(self, rpm: float) -> tuple[float, float]:
        """Error at another speed and the half-width of its 95 % interval, degrees."""
        row = np.array([1.0, rpm])
        variance = float(row @ np.array(self.covariance) @ row)
        common = float(row @ np.array(self.shared) @ row)
        return self.fixed - 6e-6 * rpm * self.delay_us, float(
            np.hypot(_quantile(self.freedom) * np.sqrt(variance), 2 * np.sqrt(max(common, 0.0)))
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {k: None if v != v else v for k, v in asdict(self).items()}


def _quantile(freedom: int) -> float:
    """Student's t; two points say nothing of their own scatter, so k = 2 as they state it."""
    return student_quantile((1 + _COVERAGE) / 2, freedom) if freedom > 0 else 2.0


def fit_delay(
    rpm: Floats,
    error: Floats,
    u: Floats,
    systematic: float = 0.0,
    target: float = 0.25,
    pure: float = inf,
    shared: Floats | None = None,
    passages: Passages | None = None,
) -> DelayFit:
    """Straight line through errors at several speeds.

    Weighted least squares with covariance, JCGM 100:2008 H.3 and H.3.5 for predictions. What
    moves all points together goes through the fit as correlated inputs, JCGM 100:2008 5.2.2: with
    (a, slope) = G error, its covariance is G (sum of s s^T) G^T.

    Args:
        rpm: float64[n] rev/min.
        error: float64[n] measured less commanded, crank degrees.
        u: float64[n] standard uncertainties of the random parts, degrees.
        systematic: expanded uncertainty common to all points (reference angle), degrees.
        target: wanted half-width of `fixed`'s random part; beyond it the speeds are called too
            close.
        pure: degrees of freedom behind `u`, for the test of lack of fit.
        shared: float64[m, n] standard uncertainties in degrees, a row for each cause that moves
            all points together, each as far as its row says.
        passages: of the same events; None: the points are independent.

    Raises:
        UserError: fewer than two speeds.
    """
    if len(np.unique(rpm)) < 2:
        raise UserError(
            "one speed cannot tell a fixed angle from a time delay: measure at a second speed"
        )
    fitted = least_squares(np.column_stack((np.ones_like(rpm), rpm)), error, u)
    spread = float(np.sqrt(fitted.chi2 / fitted.freedom)) if fitted.freedom else 1.0
    lack_p = f_tail(spread**2, fitted.freedom, pure) if fitted.freedom else float("nan")
    rest = error - fitted.values[0] - fitted.values[1] * rpm
    misfit = float(np.sqrt(np.mean(rest**2)))
    causes = np.zeros((0, len(rpm))) if shared is None else shared
    if systematic:
        causes = np.vstack((causes, np.full(len(rpm), systematic / 2)))
    # A shared cause that does not grow in proportion to the speed bends the course as well, and
    # of a drift as much is alike on the way up and down as is not.
    explained = _bend(rpm, u, causes)
    if passages is None or len(passages.rpm) < _FEWEST_PASSAGES:
        (a, slope), covariance = fitted.values, fitted.covariance
        freedom, drifts = fitted.freedom, 0.0
        u_a, u_slope = _quantile(freedom) * np.sqrt(np.diag(covariance))
        together = _through(rpm, u, causes)
    else:
        a, slope, covariance, freedom, gain = _beside_a_drift(passages)
        u_a, u_slope = _quantile(freedom) * np.sqrt(np.diag(covariance))
        drifts = passages.moved
        moved = gain @ passages.of @ causes.T
        together = moved @ moved.T
    u_still = float(_quantile(fitted.freedom) * np.sqrt(fitted.covariance[0, 0]))
    systematic, common_slope = 2 * np.sqrt(np.diag(together))
    bent = bool(fitted.freedom and lack_p < _LACK)
    if bent and misfit > 2 * drifts:  # neighbours miss alike, so more points do not average it out
        u_a = float(np.hypot(u_a, 2 * misfit))
        u_still = float(np.hypot(u_still, 2 * misfit))
        u_slope = float(np.hypot(u_slope, 4 * misfit / np.ptp(rpm)))
    crooked = bent and misfit > max(target, 2 * float(np.hypot(explained, drifts)))
    knee = _knee(rpm, error, u, fitted.chi2) if crooked else None
    early = bool(slope > np.hypot(u_slope, common_slope))
    straight = not (crooked or early)
    told_apart = bool(straight and u_still <= 3 * target)
    # Of what drifts the line keeps its own interval: told where it tells more than nothing.
    drifted = straight and not told_apart and drifts > target / DRIFT
    sure = abs(slope) > np.hypot(u_slope, common_slope)
    told_apart = bool(told_apart or (drifted and sure))
    passing = told_apart and bent and passages is not None and passages.once
    passing = passing and u_a > max(target, 4 * explained)
    told_apart = told_apart and not passing
    note = ""
    if crooked:
        where = f" with a knee near {knee:.0f} rpm" if knee is not None else ""
        note = (
            f"the errors do not follow a straight line in speed{where} (they miss it by "
            f"{misfit:.2f}°; by chance with p = {_p(lack_p)}), so they are neither a fixed angle "
            "nor a delay: lock the timing, or give the controller's map with --against; no figure "
            "to enter"
        )
    elif early:
        note = (
            "the spark comes earlier the faster it turns (as with a delay of "
            f"{-slope / 6e-6:.0f} µs, which cannot be): the timing is not locked, or it is not a "
            "delay; lock the timing, or give the controller's map with --against; no figure to "
            "enter"
        )
    elif passing:
        note = (
            f"the errors miss a straight line by {misfit:.2f}° (by chance with p = {_p(lack_p)}), "
            "and the speed went one way only: a drift in time and a course that is not locked look "
            "the same; go up and down again, twice if you can; no figure to enter"
        )
    elif drifted and not told_apart:
        note = (
            f"the timing was not the same on the way up and down ({2 * drifts:.2f}°), which hides "
            f"a delay of less than {np.hypot(u_slope, common_slope) / 6e-6:.0f} µs: find out why "
            "it drifts, or go up and down several times more; no figure to enter"
        )
    elif not told_apart and bent:
        note = (
            f"the errors miss a straight line by {misfit:.2f}° (by chance with p = {_p(lack_p)}), "
            f"which leaves the fixed angle known to ±{u_still:.1f}° only: drift, tooth errors or a "
            "course that is not locked; learn the wheel (sparkwitness wheel) and measure again"
        )
    elif not told_apart:
        note = (
            f"the speeds ({rpm.min():.0f} to {rpm.max():.0f} rpm) are too close to tell a fixed "
            f"angle from a delay better than ±{u_still:.1f}°: measure at speeds further apart"
        )
    return DelayFit(
        fixed=float(a),
        u_fixed=float(np.hypot(u_a, systematic)),
        delay_us=float(-slope / 6e-6),
        u_delay_us=float(np.hypot(u_slope, common_slope) / 6e-6),
        correlation=float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])),
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        systematic=float(systematic),
        spread=spread,
        freedom=freedom,
        told_apart=told_apart,
        note=note,
        shared=tuple(tuple(float(v) for v in row) for row in together),  # type: ignore[arg-type]
        lack_p=lack_p,
        misfit=misfit,
        knee=knee,
    )


def _beside_a_drift(passages: Passages) -> tuple[float, float, Floats, int, Floats]:
    """a, slope, their covariance with its degrees of freedom, and float64[2, k] of the errors to
    both, with a drift in time beside the line.

    What a drift is in the long run no sweep knows. It is counted from its mean over the sweep, and
    `a` may be off by as much as it was seen to move.
    """
    columns = np.column_stack((np.ones_like(passages.rpm), passages.rpm / _K))
    lasted = passages.end - passages.begin
    centre = np.eye(len(lasted)) - lasted / lasted.sum()
    ways = visits.of_any_shape(passages.begin, passages.end)
    ways = (centre @ way @ centre.T for way in ways)
    found = visits.wander(columns, passages.error, passages.u, ways, few=True)
    by = np.array([1.0, 1 / _K])
    freedom = int(min(found.freedom.min(), len(passages.rpm) - 2))
    # Student's t of fewer degrees of freedom is wider at the same u: no narrower than found.
    wider = by * found.u / np.sqrt(np.diag(found.covariance))
    covariance = found.covariance * np.outer(wider, wider)
    covariance[0, 0] += passages.moved**2
    a, slope = by * found.values
    return float(a), float(slope), covariance, freedom, by[:, None] * found.gain


def _bend(rpm: Floats, u: Floats, causes: Floats) -> float:
    """Root mean square in degrees of what shared causes leave beside a straight line."""
    line = np.column_stack((np.ones_like(rpm), rpm / rpm.max()))
    rest = causes.T - line @ (np.linalg.pinv(line / u[:, None]) @ (causes / u).T)
    return float(np.sqrt((rest**2).mean(axis=0).sum()))


def _p(p: float) -> str:
    return f"{p:.2g}" if p >= 1e-4 else "less than 0.0001"


def _knee(rpm: Floats, error: Floats, u: Floats, chi2: float) -> float | None:
    """Where two straight lines meet, if they miss the points ten times less than one does."""
    if len(rpm) < 5:  # of four that scatter, two lines miss one in five ten times less
        return None
    best: tuple[float, float] | None = None
    for k in range(2, len(rpm) - 1):
        knee = float((rpm[k - 1] + rpm[k]) / 2)
        columns = np.column_stack((np.ones_like(rpm), rpm, np.maximum(0.0, rpm - knee)))
        found = least_squares(columns, error, u).chi2
        if best is None or found < best[0]:
            best = found, knee
    return best[1] if best is not None and best[0] < 0.1 * chi2 else None


def _through(rpm: Floats, u: Floats, causes: Floats) -> Floats:
    """Covariance float64[2, 2] that shared causes give to intercept and slope."""
    scale = float(rpm.max())
    columns = np.column_stack((np.ones_like(rpm), rpm / scale)) / u[:, None]
    moved: Floats = np.linalg.pinv(columns) @ (causes / u).T / np.array([[1.0], [scale]])
    covariance: Floats = moved @ moved.T
    return covariance


def trend(fit: DelayFit) -> str:
    """The sign in words; empty where a straight line does not tell it."""
    if fit.knee is not None or (fit.delay_us > 0 and not fit.told_apart):
        return ""
    if not abs(fit.delay_us) > fit.u_delay_us:
        return "no change with speed is seen"
    return f"the spark {'retards' if fit.delay_us > 0 else 'advances'} with speed"


def recommend(fit: DelayFit) -> str:
    """One sentence: what goes where."""
    if not fit.told_apart:
        return fit.note
    fixed = f"{fit.fixed:+.2f}° ± {fit.u_fixed:.2f}°"
    delay = f"{fit.delay_us:.0f} ± {fit.u_delay_us:.0f} µs"
    if fit.lack_p == fit.lack_p:
        delay += f" (straight line: p = {_p(fit.lack_p)})"
    has_fixed, has_delay = abs(fit.fixed) > fit.u_fixed, abs(fit.delay_us) > fit.u_delay_us
    if has_fixed and has_delay:
        return (
            f"correct {fixed} in the reference offset and {delay} in the delay compensation; "
            "where the controller has none, the offset can be right at one speed only"
        )
    if has_delay:
        return (
            f"leave the reference offset; correct {delay} in the delay compensation: no fixed "
            "offset can cure a delay"
        )
    if has_fixed:
        return f"correct {fixed} in the reference offset; no delay is seen ({delay})"
    return f"nothing to correct: fixed {fixed}, delay {delay}"
