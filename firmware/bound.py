"""What the speed swing between two edges may do to an angle: worked out when the wheel is set.

With floating point, unlike what runs in the loop; see host/sparkwitness/timing/budget.py,
swing_uncertainty, unequal_uncertainty and resolves_swing.
"""

from array import array
from math import cos, radians, sin, sqrt

from micropython import const

CURVE = const(32)  # places for the bound of a coarse wheel
# Peak speed swing, 1/1000, at 800 rev/min and two firings per revolution, half as much again as
# the host assumes, for here nobody can type it; falling with the square of the speed.
SWING = const(120)
SWING_LEAST = const(2)
SWING_MOST = const(250)
DEGREES = 57.3


def _left(x, order, step):
    """Square of what the cubic through four edges, step degrees apart, leaves of a wave of this
    order per revolution and of amplitude 1, x degrees after the second one.
    """
    share = x / step
    c, s = cos(radians(order * x)), sin(radians(order * x))
    for k in range(-1, 3):
        weight = 1.0
        for m in range(-1, 3):
            if m != k:
                weight *= (share - m) / (k - m)
        c -= weight * cos(radians(order * k * step))
        s -= weight * sin(radians(order * k * step))
    return c * c + s * s


def _waves(x, n, step):
    """Square of what is left of the firing order and its overtones, degrees; swing 1.

    Torque comes in a hump that falls off within some 28 degrees (common practice, no source), and
    the angle follows the torque with the square of the order.
    """
    total = 0.0
    for m in range(1, 9):
        share = (1 + (n / 2) ** 2) / (1 + (m * n / 2) ** 2) / m**2
        total += _left(x, m * n, step) * (DEGREES / n * share) ** 2
    return total


class Bound:
    """Standard uncertainty of an angle between the edges of a wheel, 1/1000 degree."""

    def __init__(self):
        # For each 1/1000 of swing, times 16: by distance to the nearer edge, or, of a wheel with at
        # least four edges per firing, away from its gap and beside or in it.
        self._curve = array("I", [0] * CURVE)

    def set(self, teeth, missing, turns, cylinders, strokes):
        """Another wheel or engine; takes up to some 200 ms."""
        n = cylinders * 2 / strokes
        self._step = 360000 * turns // teeth
        self._gap = missing
        self._near = (teeth - missing - 2) * self._step  # from there on the gap is beside or here
        self._fine = 360000 // self._step >= 4 * n
        self._swing = int(SWING * (2 / n) ** 1.5)
        step = self._step / 1000
        if self._fine:
            for k in range(2):
                wide = step * (missing + 1 if k else 1)
                u = _waves(wide / 2, n, wide) / 2  # the worst place, for every wheel and engine
                self._curve[k] = int(16 * sqrt(u)) + 1
            return
        for k in range(CURVE):
            x = step / 2 * (k + 1) / CURVE
            u = (DEGREES / n) ** 2 * max(0.0, 1 - cos(radians(n * x)))
            for order in (0.5, 1.0, 1.5):
                if cylinders < 2 or (strokes == 2 and order != 1.0):
                    continue
                hump = (1 + (n / 2) ** 2) / (1 + (order / 2) ** 2)
                amplitude = n / (order * cylinders) * hump * DEGREES / order
                u += 0.49 * amplitude**2 * _left(x, order, step) / 2
            self._curve[k] = int(16 * sqrt(u)) + 1

    def at(self, after, rpm):
        """At an angle after the index edge, modulo the wheel's turn, and a speed; at most 15000."""
        step = self._step
        if self._fine:
            k = 0 if not self._gap or step <= after < self._near else 1
        else:
            after %= step
            k = min(min(after, step - after) * 2 * CURVE // step, CURVE - 1)
        swing = self._swing * 640000 // (rpm * rpm + 1)
        swing = min(max(swing, SWING_LEAST), SWING_MOST)
        return min(self._curve[k] * swing // 16, 15000)
