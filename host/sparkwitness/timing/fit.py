"""Timing error against speed: a fixed angle and a time delay told apart.

error(N) = a - 6 N t_d: a in crank degrees goes into the controller's reference offset, t_d into
its delay compensation. Advance positive; a delay retards, so its error is negative.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.timing.stats import least_squares, student_quantile

Floats = NDArray[np.float64]

_COVERAGE = 0.95
_CROOKED = 5.0  # scatter against stated uncertainty beyond which a line is no description


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
        return asdict(self)


def fit_delay(
    rpm: Floats, error: Floats, u: Floats, systematic: float = 0.0, target: float = 0.25
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
    straight = spread <= _CROOKED or u_a <= target
    told_apart = bool(straight and u_a <= 3 * target)
    note = ""
    if not straight:
        note = (
            "the errors do not follow a straight line in speed, so they are neither a fixed angle "
            "nor a delay: lock the timing, or give the controller's map with --against"
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
    )


def recommend(fit: DelayFit) -> str:
    """One sentence: what goes where."""
    if not fit.told_apart:
        return fit.note
    fixed = f"{fit.fixed:+.2f}° ± {fit.u_fixed:.2f}°"
    delay = f"{fit.delay_us:.0f} ± {fit.u_delay_us:.0f} µs"
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
