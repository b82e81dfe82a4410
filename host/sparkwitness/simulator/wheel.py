"""Reference wheel and its sensor: which edges pass when the crank turns."""

import math

import numpy as np
from numpy.typing import NDArray

from sparkwitness.simulator.engine import REST_S, Block
from sparkwitness.simulator.scenario import ReferenceSpec

Floats = NDArray[np.float64]


class Wheel:
    """Teeth on a shaft; leading (rising) and trailing (falling) edges.

    Args:
        spec: the wheel.
        strokes: strokes per cycle of the engine, for the cam's gearing.
        rng: for the wheel's own spacing errors.
    """

    def __init__(self, spec: ReferenceSpec, strokes: int, rng: np.random.Generator) -> None:
        gear = strokes / 2.0 if spec.shaft == "cam" else 1.0
        self.spec = spec
        self.turn_deg = 360.0 * gear
        """Crank degrees per turn of the wheel."""
        count = spec.teeth - spec.missing
        pitch = self.turn_deg / spec.teeth
        errors = rng.normal(0.0, 1.0, count) * spec.tooth_error_deg
        errors[0] = 0.0
        self.places = np.arange(count) * pitch + errors
        """Crank degrees from tooth 0 to each tooth, shape (teeth - missing,)."""
        self.width = spec.width_deg * gear if spec.width_deg else pitch / 2.0

    def angles(self, low: float, high: float, falling: bool) -> Floats:
        """Crank angles of the edges in low <= angle < high, ascending."""
        origin = -self.spec.angle_btdc + (self.width if falling else 0.0)
        turns = np.arange(
            math.floor((low - origin) / self.turn_deg) - 1,
            math.ceil((high - origin) / self.turn_deg) + 1,
        )
        angles = (origin + turns[:, None] * self.turn_deg + self.places).ravel()
        if self.spec.tooth_error_deg:
            angles.sort()
        first, last = np.searchsorted(angles, (low, high))
        return angles[first:last]

    def swing_back(self, block: Block, back_deg: float) -> tuple[Floats, Floats]:
        """Edges while a stalled engine swings back and comes to rest.

        The crank moves from block.high back by back_deg along half a cosine in REST_S. Backwards,
        a tooth's trailing edge is the sensor's rising one.

        Returns:
            times of rising edges and of falling edges, seconds.
        """

        def times(falling: bool) -> Floats:
            angles = self.angles(block.high - back_deg, block.high, not falling)[::-1]
            share = np.clip((block.high - angles) / back_deg, 0.0, 1.0)
            return np.asarray(block.end + REST_S * np.arccos(1.0 - 2.0 * share) / math.pi)

        return times(False), times(True)
