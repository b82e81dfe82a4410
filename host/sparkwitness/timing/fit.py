"""Timing error against speed: a fixed angle and a time delay told apart.

error(N) = a - 6 N t_d: a in crank degrees goes into the controller's reference offset, t_d into
its delay compensation. Advance positive; a delay retards, so its error is negative.

That the points follow such a line is tested, not assumed: their misfit against the scatter inside
each of them (F test of lack of fit: Draper & Smith, Applied Regression Analysis, 3rd ed., 2.1). A
small misfit that is surely there (tooth errors, drift) widens both results; a large one, a
knee or a line that rises with the speed is no delay, and no figure is given to enter.
"""

from dataclasses import asdict, dataclass
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.timing.stats import f_tail, least_squares, student_quantile

Floats = NDArray[np.float64]

_COVERAGE = 0.95
_LACK = 0.01  # probability of such a misfit by chance, below which it is taken for real


@dataclass(frozen=True)
class DelayFit:
    """Result of `fit_delay`; uncertainties are half-widths of 95 % intervals.

    Attributes:
        fixed, u_fixed: a in crank degrees.
        delay_us, u_delay_us: t_d in microseconds.
        correlation: between the two.
        covariance: float 2x2 of (a in degrees, slope in degrees per rev/min), random parts only.
        systematic: expanded uncertainty of `fixed` from what all points share, degrees; in
            `u_fixed` already.
        spread: how far the points scatter against their own uncertainties; about 1 is right.
        freedom: points less two.
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

    Raises:
        UserError: fewer than two speeds.
    """
    if len(rpm) < 2 or np.ptp(rpm) <= 0:
        raise UserError(
            "one speed cannot tell a fixed angle from a time delay: measure at a second speed"
        )
    fitted = least_squares(np.column_stack((np.ones_like(rpm), rpm)), error, u)
    (a, slope), covariance = fitted.values, fitted.covariance
    u_a, u_slope = _quantile(fitted.freedom) * np.sqrt(np.diag(covariance))
    causes = np.zeros((0, len(rpm))) if shared is None else shared
    if systematic:
        causes = np.vstack((causes, np.full(len(rpm), systematic / 2)))
    together = _through(rpm, u, causes)
    systematic, common_slope = 2 * np.sqrt(np.diag(together))
    spread = float(np.sqrt(fitted.chi2 / fitted.freedom)) if fitted.freedom else 1.0
    lack_p = f_tail(spread**2, fitted.freedom, pure) if fitted.freedom else float("nan")
    rest = error - a - slope * rpm
    misfit = float(np.sqrt(np.mean(rest**2)))
    bent = bool(fitted.freedom and lack_p < _LACK)
    if bent:  # neighbours miss alike, so more points do not average it out
        u_a = float(np.hypot(u_a, 2 * misfit))
        u_slope = float(np.hypot(u_slope, 4 * misfit / np.ptp(rpm)))
    # A shared cause that does not grow in proportion to the speed bends the course as well.
    explained = _bend(rpm, u, causes)
    crooked = bent and misfit > max(target, 2 * explained)
    knee = _knee(rpm, error, u, fitted.chi2) if crooked else None
    early = bool(slope > np.hypot(u_slope, common_slope))
    straight = not (crooked or early)
    told_apart = bool(straight and u_a <= 3 * target)
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
    elif not told_apart and bent:
        note = (
            f"the errors miss a straight line by {misfit:.2f}° (by chance with p = {_p(lack_p)}), "
            f"which leaves the fixed angle known to ±{u_a:.1f}° only: drift, tooth errors or a "
            "course that is not locked; learn the wheel (sparkwitness wheel) and measure again"
        )
    elif not told_apart:
        note = (
            f"the speeds ({rpm.min():.0f} to {rpm.max():.0f} rpm) are too close to tell a fixed "
            f"angle from a delay better than ±{u_a:.1f}°: measure at speeds further apart"
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
        freedom=fitted.freedom,
        told_apart=told_apart,
        note=note,
        shared=tuple(tuple(float(v) for v in row) for row in together),  # type: ignore[arg-type]
        lack_p=lack_p,
        misfit=misfit,
        knee=knee,
    )


def _bend(rpm: Floats, u: Floats, causes: Floats) -> float:
    """Root mean square in degrees of what shared causes leave beside a straight line."""
    line = np.column_stack((np.ones_like(rpm), rpm / np.abs(rpm).max()))
    rest = causes.T - line @ (np.linalg.pinv(line / u[:, None]) @ (causes / u).T)
    return float(np.sqrt((rest**2).mean(axis=0).sum()))


def _p(p: float) -> str:
    return f"{p:.2g}" if p >= 1e-4 else "less than 0.0001"


def _knee(rpm: Floats, error: Floats, u: Floats, chi2: float) -> float | None:
    """Where two straight lines meet, if they miss the points ten times less than one does."""
    best: tuple[float, float] | None = None
    for k in range(2, len(rpm) - 2):
        knee = float((rpm[k - 1] + rpm[k]) / 2)
        columns = np.column_stack((np.ones_like(rpm), rpm, np.maximum(0.0, rpm - knee)))
        found = least_squares(columns, error, u).chi2
        if best is None or found < best[0]:
            best = found, knee
    return best[1] if best is not None and best[0] < 0.1 * chi2 else None


def _through(rpm: Floats, u: Floats, causes: Floats) -> Floats:
    """Covariance float64[2, 2] that shared causes give to intercept and slope."""
    scale = float(np.abs(rpm).max())
    columns = np.column_stack((np.ones_like(rpm), rpm / scale)) / u[:, None]
    moved: Floats = np.linalg.pinv(columns) @ (causes / u).T / np.array([[1.0], [scale]])
    covariance: Floats = moved @ moved.T
    return covariance


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
