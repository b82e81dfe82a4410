"""Top dead centre by the piston-stop method, with the correction for an offset piston pin.

A stop screwed into the plug hole halts the piston at one height on the way up in either
direction; the top lies midway between the two readings of the degree wheel. With the pin (or the
cylinder) offset, the piston's motion is not symmetric about its top and the midpoint is a little
off it. Slider-crank kinematics: e.g. Heywood, Internal Combustion Engine Fundamentals, 2.2, with
the offset added to the rod's projection (Taylor, The Internal Combustion Engine, vol. 2).
"""

from dataclasses import asdict, dataclass
from math import remainder
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TopDeadCentre:
    """Result of `from_stops`.

    Attributes:
        reading: of the degree wheel at the top, in its own degrees, -180 to 180.
        u: its standard uncertainty, degrees.
        half: half the angle between the stops, degrees.
        correction: degrees added to the midpoint for the offset pin.
    """

    reading: float
    u: float
    half: float
    correction: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def piston_height(degrees: Floats, stroke: float, rod: float, offset: float = 0.0) -> Floats:
    """Height of the piston pin above the crank's axis.

    r cos(a) + sqrt(l^2 - (r sin(a) - e)^2), a in degrees after the crank points up.

    Args:
        degrees: float64[n].
        stroke, rod, offset: stroke, rod length between centres and pin offset, one unit; the
            offset is positive towards the side to which the crank pin moves after the top.
    """
    turn = np.radians(degrees)
    r = stroke / 2
    result: Floats = r * np.cos(turn) + np.sqrt(rod**2 - (r * np.sin(turn) - offset) ** 2)
    return result


def top_angle(stroke: float, rod: float, offset: float) -> float:
    """Crank angle at which the piston is highest: crank and rod in line, degrees."""
    return float(np.degrees(np.arcsin(offset / (rod + stroke / 2))))


def pin_correction(half: float, stroke: float, rod: float, offset: float) -> float:
    """Degrees from the midpoint of two stop readings to the piston's real top.

    Args:
        half: half the angle between the stops, degrees.
        stroke, rod, offset: see `piston_height`.

    Raises:
        UserError: measures that no engine has.
    """
    if not (stroke > 0 and abs(offset) < rod - stroke / 2):  # so the rod is longer, too
        raise UserError(
            "stroke, rod length and pin offset do not make an engine: the rod must be longer than "
            "half the stroke, the offset small against both; all in one unit"
        )
    top = top_angle(stroke, rod, offset)
    # Where the midpoint m has equal heights at m - half and m + half: no further than half from the
    # top, for there one of the two stands on it.
    low, high = top - half, top + half
    for _ in range(80):
        middle = (low + high) / 2
        before, after = piston_height(np.array([middle - half, middle + half]), stroke, rod, offset)
        low, high = (middle, high) if after > before else (low, middle)
    return top - (low + high) / 2


def from_stops(
    before: float,
    after: float,
    u_reading: float = 0.25,
    stroke: float | None = None,
    rod: float | None = None,
    offset: float = 0.0,
) -> TopDeadCentre:
    """Reading of the degree wheel at top dead centre from its readings at the stop.

    Args:
        before: reading where the piston touches the stop turning in running direction.
        after: reading where it touches it turning backwards.
        u_reading: standard uncertainty of one reading, degrees.
        stroke, rod, offset: for the offset pin; all or none.

    Raises:
        UserError: readings that cannot be right, or measures that no engine has.
    """
    if not all(map(np.isfinite, (before, after, u_reading))) or u_reading < 0:
        raise UserError("the two stop readings and their uncertainty must be numbers in degrees")
    for reading in (before, after):
        if abs(reading) > 360:
            raise UserError(
                f"a degree wheel does not read {reading:g}°: type its reading from -360 to 360"
            )
    span = (after - before) % 360.0
    if not 2 <= span <= 180:
        raise UserError(
            f"the stop readings {before:g}° and {after:g}° lie {span:.1f}° apart in running "
            "direction; from 2° to 180° makes sense: read the wheel again, and give first the "
            "reading reached in running direction"
        )
    half = span / 2
    correction = 0.0
    if offset:
        if stroke is None or rod is None:
            raise UserError("the pin offset needs stroke and rod length as well")
        correction = pin_correction(half, stroke, rod, offset)
    reading = remainder(before + half + correction, 360.0)
    # Each reading enters with weight 1/2 (JCGM 100, 5.1.2).
    return TopDeadCentre(reading, float(u_reading / np.sqrt(2)), half, correction)
