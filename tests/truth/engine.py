"""A crank that turns unevenly: energy balance of a rigid crankshaft with a flywheel.

d(w^2 / 2)/dtheta = T(theta) / J (Newton's law for a shaft, angle as the variable): each firing
gives a pulse of torque, each compression takes some back, and a slow load holds the mean. From the
energy the speed, from the speed the time at every angle. Shapes: common practice, no source.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_GRID = 1.0  # degrees


@dataclass(frozen=True)
class Engine:
    """What turns the crank.

    Attributes:
        tdc: crank degrees in the cycle of each cylinder's firing top dead centre, in firing
            order; the first is 0.
        cycle: degrees, 720 or 360.
        rpm: mean speed at the start.
        swing: peak relative speed swing of the healthy engine inside a revolution.
        strength: share of a healthy firing that each cylinder gives; 0: compresses only.
        uneven: standard deviation of a firing's strength from cycle to cycle.
        hunting, hunting_hz: relative slow swing of the mean speed.
        ramp: rev/min per second, from the first second on.
        jitter: relative random walk of the speed from cycle to cycle.
    """

    tdc: tuple[float, ...] = (0.0, 180.0, 360.0, 540.0)
    cycle: float = 720.0
    rpm: float = 800.0
    swing: float = 0.03
    strength: tuple[float, ...] = ()
    uneven: float = 0.08
    hunting: float = 0.0
    hunting_hz: float = 0.7
    ramp: float = 0.0
    jitter: float = 0.001


def even(cylinders: int, cycle: float = 720.0) -> tuple[float, ...]:
    """Firing angles of an engine that fires evenly."""
    return tuple(cycle * k / cylinders for k in range(cylinders))


@dataclass
class Motion:
    """Time against angle. Angle 0 is the first cylinder's firing dead centre of cycle 0.

    Attributes:
        degrees: float64[n] grid, rising evenly.
        seconds: float64[n] when it is passed; 0 at the first.
    """

    degrees: Floats
    seconds: Floats

    def at(self, degrees: Floats) -> Floats:
        """Seconds when the crank passes the angles; NaN outside."""
        return np.interp(degrees, self.degrees, self.seconds, left=np.nan, right=np.nan)

    def angle(self, seconds: Floats) -> Floats:
        """Crank degrees at times."""
        return np.interp(seconds, self.seconds, self.degrees, left=np.nan, right=np.nan)

    @property
    def length(self) -> float:
        return float(self.seconds[-1])


def _pulse(after: Floats) -> Floats:
    """Torque of one firing, `after` degrees past its dead centre: a hump some 25 degrees wide."""
    x = np.clip(after, 0.0, 150.0)
    return np.where((after > 0) & (after < 150), x * np.exp(-x / 28.0), 0.0)


def _compression(after: Floats) -> Floats:
    """Torque of a compression: taken before the dead centre, given back after it."""
    inside = np.abs(after) < 150
    return np.where(inside, np.sin(np.radians(after) * 180 / 150) * np.exp(-np.abs(after) / 45), 0)


def turn(engine: Engine, cycles: int, rng: np.random.Generator) -> Motion:
    """The motion over some cycles."""
    cycle, n = engine.cycle, len(engine.tdc)
    start = float(rng.uniform(0, cycle))
    points = int((cycles * cycle) / _GRID) + 1
    degrees = start + np.arange(points) * _GRID
    strength = np.array(engine.strength or (1.0,) * n)
    whole = cycles + 3
    # All firings in order, one cycle before the first and one after the last.
    tdc = (np.arange(-1, whole - 1)[:, None] * cycle + np.array(engine.tdc)).ravel()
    gives = np.tile(strength, whole) * (1 + engine.uneven * rng.standard_normal(n * whole))
    torque = np.zeros(points)
    reach = np.arange(-150, 151)
    healthy_hump, squeeze = _pulse(reach.astype(float)), _compression(reach.astype(float))
    base = np.rint((tdc - start) / _GRID).astype(int)
    # Fractions of the grid do not matter to a torque this smooth, they are the same each cycle.
    for at, gift in zip(base, gives, strict=True):
        low, high = max(0, at - 150), min(points, at + 151)
        if low < high:
            part = slice(low - at + 150, high - at + 150)
            torque[low:high] += gift * healthy_hump[part] * 0.1 + 0.8 * squeeze[part]
    # The load holds the mean over some cycles; what is left is the swing.
    if cycles > 2:
        span = int(cycle / _GRID)
        sums = np.concatenate(([0.0], np.cumsum(torque)))
        centre = np.arange(points)
        a, b = np.maximum(centre - span, 0), np.minimum(centre + span, points)
        # Keep windows whole cycles: at the ends use the nearest whole one.
        a = np.clip(a, 0, points - 2 * span)
        b = a + 2 * span
        torque -= (sums[b] - sums[a]) / (b - a)
    else:
        torque -= torque.mean()
    energy = np.cumsum(torque) * _GRID
    # A healthy engine's own swing gives the scale, weak cylinders come on top of it.
    ideal = np.zeros(int(cycle / _GRID))
    fires = 1.0 if strength.any() else 0.0
    for at in np.rint(np.array(engine.tdc) / _GRID).astype(int):
        np.add.at(ideal, (at + reach) % len(ideal), fires * healthy_hump * 0.1 + 0.8 * squeeze)
    ideal = np.cumsum(ideal - ideal.mean())
    relative = 2 * engine.swing * energy / (np.ptp(ideal) / 2)  # of w^2
    relative -= relative.mean()
    # Slow parts by time; a first guess of the time is good enough to place them.
    guess = (degrees - start) / (6 * engine.rpm)
    mean = engine.rpm * (
        1 + engine.hunting * np.sin(2 * np.pi * (engine.hunting_hz * guess + rng.random()))
    )
    if engine.jitter:
        steps = rng.standard_normal(cycles + 2) * engine.jitter
        walk = np.cumsum(steps)
        walk -= np.linspace(walk[0], walk[-1], len(walk))  # bound at both ends
        mean *= 1 + np.interp(degrees - start, np.arange(cycles + 2) * cycle, walk)
    if engine.ramp:
        # w dw = a dtheta: under constant acceleration w^2 grows evenly with the angle.
        since = np.maximum(degrees - start - 6 * engine.rpm * 1.0, 0.0)
        mean = np.sqrt(np.maximum(mean**2 + 2 * engine.ramp * since / 6.0, (0.3 * mean) ** 2))
    # The same torque swings a faster engine less, by the square of the speed.
    relative = relative * (engine.rpm / mean) ** 2
    speed = mean * np.sqrt(np.maximum(1 + relative, 0.05))
    each = _GRID / (6.0 * speed)
    seconds = np.concatenate(([0.0], np.cumsum((each[1:] + each[:-1]) / 2)))
    return Motion(degrees, seconds)
