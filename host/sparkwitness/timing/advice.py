"""Timing error to advice: what to enter in the controller next.

error = measured - commanded, crank degrees, advance positive. `gain` is the change of measured
timing per unit of the controller's setting: +1 or -1 where it counts crank degrees, +2 or -2
where it counts distributor degrees, since the distributor turns once in two crank revolutions.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from sparkwitness.errors import UserError

GAIN = {"crank": 1.0, "distributor": 2.0}


@dataclass(frozen=True)
class Trial:
    """One setting of the reference offset and the timing error measured with it."""

    setting: float
    error: float
    u_error: float


@dataclass(frozen=True)
class Advice:
    """The next setting and what to expect of it.

    Attributes:
        setting: value to enter, rounded to the controller's step and kept in its range.
        exact: the same before rounding.
        expanded: expanded uncertainty (k = 2) of `exact`, in units of the setting.
        gain: crank degrees per unit of the setting that was used.
        remaining: error in crank degrees that rounding or the range leaves.
        note: what a person must know about it; empty if nothing.
    """

    setting: float
    exact: float
    expanded: float
    gain: float
    remaining: float
    note: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def next_setting(
    setting: float,
    error: float,
    expanded: float,
    gain: float,
    step: float,
    least: float,
    most: float,
) -> Advice:
    """new setting = old setting - error / gain, to the controller's step and range.

    Args:
        setting: value in the controller now.
        error: measured minus commanded, crank degrees, advance positive.
        expanded: expanded uncertainty of the error, crank degrees.
        gain: crank degrees of timing per unit of the setting, not 0.
        step: the controller's smallest change of the setting; 0: any value can be entered.
        least, most: range of the setting; -inf, inf: no end is known.
    """
    if gain == 0:
        raise UserError("the setting changes nothing (gain 0), so no next setting can be given")
    exact = setting - error / gain
    value = round(exact / step) * step if step > 0 else exact
    near = 1e-6 * step  # to an end of the range: as 3 * 0.1 is to 0.3
    past = (value > most + near) - (value < least - near)
    if past and least <= exact <= most:  # an end that is no whole step: the last step before it
        value -= past * step
        past = 0
    value = min(max(value, least), most)
    note = ""
    if past:
        note = f"{exact:.2f} is outside the controller's range; {value:g} is as far as it goes"
    elif abs(error) <= expanded:
        note = "the error is within its uncertainty: the setting may stay as it is"
    return Advice(
        setting=float(value),
        exact=float(exact),
        expanded=float(expanded / abs(gain)),
        gain=float(gain),
        remaining=float(error + gain * (value - setting)),
        note=note,
    )


@dataclass(frozen=True)
class LearnedGain:
    """Gain found from trials: crank degrees per unit of the setting, with standard uncertainty."""

    gain: float
    u: float
    contradicts: bool
    note: str


def learn_gain(trials: list[Trial], stated: float) -> LearnedGain:
    """What the trials say the setting does, against what was stated.

    Weighted least squares of error on setting (JCGM 100, H.3, with known weights).

    Args:
        trials: two or more with at least two different settings.
        stated: gain by the user's statement.

    Returns:
        The stated gain itself while the trials cannot tell (one setting, or a slope less certain
        than half the stated one).
    """
    settings = np.array([t.setting for t in trials])
    if len(np.unique(settings)) < 2:
        return LearnedGain(stated, float("inf"), False, "one setting tried: gain as stated")
    errors = np.array([t.error for t in trials])
    weights = 1 / np.array([max(t.u_error, 1e-6) for t in trials]) ** 2
    centre = np.average(settings, weights=weights)
    spread = float((weights * (settings - centre) ** 2).sum())
    gain = float((weights * (settings - centre) * errors).sum() / spread)
    u = float(1 / np.sqrt(spread))
    if u > abs(stated) / 2:
        return LearnedGain(stated, u, False, "settings too close together to tell the gain")
    contradicts = abs(gain - stated) > max(3 * u, 0.1 * abs(stated))
    note = (
        f"the trials say {gain:+.2f} ± {2 * u:.2f} crank degrees per unit of the setting, "
        f"not {stated:+g} as stated: look how the controller counts it"
        if contradicts
        else f"the trials agree with {stated:+g} crank degrees per unit"
    )
    return LearnedGain(gain if contradicts else stated, u, contradicts, note)
