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
        systematic: expanded uncertainty that all points share, degrees; in `u_fixed` already.
        spread: how far the points scatter against their own uncertainties; about 1 is right.
        freedom: points less two.
        lack_p: probability of a misfit as large by chance (F test); NaN where there is none to
            test.
        misfit: root mean square of the residuals, degrees.
        knee: rev/min at which two straight lines meet that describe a bent course far better; None.
        told_apart: the speeds lie far enough apart for the question asked.
        note: what a person must know.
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

    def predict(self, rpm: float) -> tuple[float, float]:
        """Error at another speed and the half-width of its 95 % interval, degrees."""
        row = np.array([1.0, rpm])
        variance = float(row @ np.array(self.covariance) @ row)
        k = student_quantile((1 + _COVERAGE) / 2, max(self.freedom, 1))
        return self.fixed - 6e-6 * rpm * self.delay_us, float(
            np.hypot(k * np.sqrt(variance), self.systematic)
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {k: None if v != v else v for k, v in asdict(self).items()}


def fit_delay(
    rpm: Floats,
    error: Floats,
    u: Floats,
    systematic: float = 0.0,
    target: float = 0.25,
    pure: float = inf,
) -> DelayFit:
    """Straight line through errors at several speeds.

    Weighted least squares with covariance, JCGM 100:2008 H.3 and H.3.5 for predictions.

    Args:
        rpm: float64[n] rev/min.
        error: float64[n] measured less commanded, crank degrees.
        u: float64[n] standard uncertainties of the random parts, degrees.
        systematic: expanded uncertainty common to all points (reference angle), degrees.
        target: wanted half-width of `fixed`'s random part; beyond it the speeds are called too
            close.
        pure: degrees of freedom behind `u`, for the test of lack of fit.

    Raises:
        UserError: fewer than two speeds.
    """
    if len(rpm) < 2 or np.ptp(rpm) <= 0:
        raise UserError(
            "one speed cannot tell a fixed angle from a time delay: measure at a second speed"
        )
    fitted = least_squares(np.column_stack((np.ones_like(rpm), rpm)), error, u)
    (a, slope), covariance = fitted.values, fitted.covariance
    k = student_quantile((1 + _COVERAGE) / 2, max(fitted.freedom, 1))
    if fitted.freedom == 0:
        k = 2.0  # two points: nothing but their own stated uncertainties is known
    u_a, u_slope = k * np.sqrt(np.diag(covariance))
    spread = float(np.sqrt(fitted.chi2 / fitted.freedom)) if fitted.freedom else 1.0
    lack_p = f_tail(spread**2, fitted.freedom, pure) if fitted.freedom else float("nan")
    rest = error - a - slope * rpm
    misfit = float(np.sqrt(np.mean(rest**2)))
    bent = bool(fitted.freedom and lack_p < _LACK)
    if bent:  # neighbours miss alike, so more points do not average it out
        u_a = float(np.hypot(u_a, 2 * misfit))
        u_slope = float(np.hypot(u_slope, 4 * misfit / np.ptp(rpm)))
    crooked = bent and misfit > target
    knee = _knee(rpm, error, u, fitted.chi2) if crooked else None
    early = bool(slope > u_slope)
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
            f"the spark comes earlier the faster it turns (as with a delay of "
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
        u_delay_us=float(u_slope / 6e-6),
        correlation=float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])),
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        systematic=systematic,
        spread=spread,
        freedom=fitted.freedom,
        told_apart=told_apart,
        note=note,
        lack_p=lack_p,
        misfit=misfit,
        knee=knee,
    )


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
