"""Where the clamp sits, as typed or as the sparks' rhythm tells it, and what contradicts that."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import ripple as crank
from sparkwitness.timing.events import spacing_of
from sparkwitness.timing.gates import REFUSED, Finding
from sparkwitness.timing.ripple import Ripple
from sparkwitness.timing.setup import Setup

Floats = NDArray[np.float64]

_REGULAR = 0.5  # share of the distances that are alike, below which there is no rhythm
_ALMOST_ALL, _SOME = 0.95, 0.1  # of the distances
_WHOLE = 0.25  # of a firing
_TURNED = 40.0  # degrees that a timing may move by in a run, and more
_NEAR = 0.15  # a spacing off by less is that spacing
_WORDS = {
    "plug": "one plug lead",
    "wasted": "a wasted-spark lead",
    "coil": "the coil's lead with {cylinders} cylinders",
}
_SHAFTS = {1: "the reference on the crank", 2: "the reference on the cam"}


@dataclass(frozen=True)
class Reading:
    """A place of the clamp, and events per cycle there.

    Attributes:
        clamp: a key of `setup.CLAMPS`, not auto.
        parts: events per cycle.
        spacing: crank degrees from event to event.
    """

    clamp: str
    parts: int
    spacing: float


def _reading(setup: Setup, clamp: str) -> Reading:
    parts = {"plug": 1, "wasted": setup.strokes // 2, "coil": setup.cylinders}[clamp]
    return Reading(clamp, parts, setup.cycle / parts)


def typed(setup: Setup) -> Reading:
    """The place that was typed (not auto)."""
    return _reading(setup, setup.clamp)


def inferred(setup: Setup, steps: Floats) -> Reading | None:
    """The place whose spacing the events have; None if none has.

    Args:
        steps: float64[n] degrees from each event to the next.
    """
    all_of = [_reading(setup, clamp) for clamp in _WORDS]
    spacing = spacing_of(steps, tuple(r.spacing for r in all_of))
    return next((r for r in all_of if r.spacing == spacing), None)


def readings(setup: Setup, step: float) -> list[tuple[str, int]]:
    """All places and shafts with which events come every so many degrees of the typed reference.

    Args:
        step: degrees from event to event, if the reference is as typed.

    Returns:
        (clamp, revolutions per turn of the wheel) of each.
    """
    found: list[tuple[str, int]] = []
    for clamp in _WORDS:
        spacing = _reading(setup, clamp).spacing
        for turns in (1, 2) if setup.strokes == 4 else (1,):
            seen = spacing * setup.reference.turns / turns
            if abs(step / seen - 1) < _NEAR:
                found.append((clamp, turns))
    return found


def _said(setup: Setup, found: list[tuple[str, int]]) -> str:
    words = [
        f"{_WORDS[clamp].format(cylinders=setup.cylinders)} and {_SHAFTS[turns]}"
        for clamp, turns in found
    ]
    return ", or ".join(words)


def no_reading(setup: Setup, steps: Floats) -> Finding:
    """The sparks do not come as often as they would with what was typed: what would fit.

    Args:
        steps: float64[n] degrees from each event to the next, NaN across a break.
    """
    expected = " or ".join(f"{s:g}°" for s in setup.spacings)
    steps = steps[np.isfinite(steps)]
    step = float(np.median(steps))
    if np.mean(np.abs(steps / step - 1) < _NEAR) < _REGULAR:
        low, high = np.quantile(steps, (0.1, 0.9))
        text = (
            f"sparks come at no regular distance ({low:.0f}° to {high:.0f}° of crank), not every "
            f"{expected}: most likely noise on the clamp, several leads in it, or many sparks that "
            "it does not see. Seat it on one lead, away from the others and from the coil, and "
            "check its cable and ground"
        )
        return Finding("spacing", text, REFUSED, False)
    text = f"sparks come every {step:.0f}° of crank by the typed reference, not every {expected}"
    fitting = _said(setup, readings(setup, step))
    if fitting:
        text += f": what was typed cannot be right. {fitting} would fit: look which it is"
    else:
        text += (
            ": check the number of cylinders and strokes, where the clamp sits, whether it hears "
            "other leads, and the reference's teeth"
        )
    return Finding("spacing", text, REFUSED, False)


def misfires(steps: Floats, spacing: float) -> bool:
    """Whether events come as typed, and most firings have none.

    Then every distance is some whole firings, now and then a single one; what comes half as often
    as typed never comes after a single one.

    Args:
        steps: float64[n] degrees from each event to the next, NaN across a break.
        spacing: degrees between firings, as typed.
    """
    firings = steps[np.isfinite(steps)] / spacing
    whole = np.abs(firings - np.rint(firings)) < _NEAR
    single = np.abs(firings - 1) < _NEAR
    return bool(np.mean(whole) > _ALMOST_ALL and np.mean(single) > _SOME)


def miscounted(setup: Setup, steps: Floats, spacing: float) -> Finding | None:
    """A wheel of even teeth that has more or fewer than typed: none of its turns looks odd.

    So all firings together lie further apart, or less far, by the share of the teeth.

    Args:
        steps: float64[n] degrees from each event to the next, NaN across a break.
        spacing: degrees between firings, as typed.
    """
    wheel = setup.reference
    firings = steps[np.isfinite(steps)] / spacing
    # A stray cuts a step in two parts, of which neither is a whole firing.
    whole = (np.rint(firings) >= 1) & (np.abs(firings - np.rint(firings)) < _WHOLE)
    steps = firings[whole] * spacing
    due = float(np.rint(firings[whole]).sum()) * spacing
    off = float(steps.sum()) - due
    if wheel.missing or abs(off) < max(_TURNED, due / wheel.teeth / 2):
        return None
    text = (
        f"sparks come every {spacing * (1 + off / due):.1f}° of crank by the typed reference, not "
        f"every {spacing:g}°: a wheel with {wheel.teeth * (1 + off / due):.0f} teeth would fit "
        f"better than {wheel.teeth}. Count its teeth and type them"
    )
    return Finding("spacing", text, REFUSED, False)


def doubt(setup: Setup, step: float, ripple: Ripple | None, alternates: bool) -> Finding | None:
    """For `auto`: None if one reading alone fits; else the finding that names them all.

    Args:
        step: degrees from event to event.
        ripple, alternates: what the crank's edges show, see `ripple.shaft`.
    """
    found = readings(setup, step)
    shafts = {turns for _, turns in found}
    if len(shafts) < 2:
        return None
    shaft = crank.shaft(ripple, alternates, setup.cylinders)
    if shaft == setup.reference.turns:
        return None
    if shaft:
        text = (
            f"the speed's ripple over a turn of the wheel fits {_SHAFTS[shaft]}, and "
            f"{setup.reference} is typed: look where the wheel sits and type it as it is"
        )
        return Finding("shaft", text, REFUSED, False)
    text = (
        f"the sparks fit {_said(setup, found)}, and the speed shows no ripple that tells them "
        "apart: look, and type --clamp in place of auto"
    )
    return Finding("which_clamp", text, REFUSED, False)
