"""Slider-crank engine: from gas torque to kinetic energy to speed to crank angle against time.

Angles are absolute crank degrees, growing; 0 is a firing TDC of cylinder 1. A cycle (720 or 360
degrees) is counted from 30 degrees before that TDC, where no cylinder's combustion is under way.
Time against angle is a piecewise cubic through knots 2 degrees apart whose slopes are the inverse
speed; the cubic *is* the engine's motion, so angle to time and back agree to rounding error.

Everything per cycle is computed element by element and in order, with each cycle's random numbers
taken from streams of their own, so that results do not depend on how cycles are grouped in blocks.
Longer than other files: one chain of formulas, from pressure to angle, read in this order.
"""

import functools
import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.simulator.scenario import EngineSpec, SpeedSpec

Floats = NDArray[np.float64]

EARLY_DEG = 30.0
"""A cycle begins this far before cylinder 1's firing TDC."""
FINE_DEG = 1.0
KNOT_DEG = 2.0
SLOWEST_RPM = 30.0
"""Below this the simulated engine stands."""
REST_S = 0.15
"""A stalled crank swings back and stands after this."""
_GAMMA = 1.3
_AMBIENT_PA = 1.013e5
_LIMIT = 0.6
"""Gas work may change the squared speed by this share at most: a slow engine leaks down."""


def piston_mm(crank_deg: Floats, stroke_mm: float, rod_mm: float) -> Floats:
    """Distance of the piston from its top, mm; same shape as crank_deg (degrees after TDC).

    Source: Heywood, Internal Combustion Engine Fundamentals (1988), eq. 2.5:
    s = a cos(t) + sqrt(l^2 - a^2 sin^2(t)), so x = l + a - s.
    """
    a = stroke_mm / 2.0
    t = np.radians(crank_deg)
    s = a * np.cos(t) + np.sqrt(rod_mm**2 - (a * np.sin(t)) ** 2)
    return np.asarray(rod_mm + a - s)


def piston_rate_mm(crank_deg: Floats, stroke_mm: float, rod_mm: float) -> Floats:
    """Derivative of `piston_mm` by the crank angle, mm per radian."""
    a = stroke_mm / 2.0
    t = np.radians(crank_deg)
    sine = np.sin(t)
    return np.asarray(a * sine + a * a * sine * np.cos(t) / np.sqrt(rod_mm**2 - (a * sine) ** 2))


def firing_angles(spec: EngineSpec) -> Floats:
    """Firing TDCs within one cycle, degrees from cylinder 1's, shape (cylinders,)."""
    if spec.firing_deg:
        return np.array(spec.firing_deg)
    return np.arange(spec.cylinders, dtype=np.float64) * (180.0 * spec.strokes / spec.cylinders)


def cylinder_torque(spec: EngineSpec, after_tdc: Floats) -> tuple[Floats, Floats]:
    """Gas torque of one cylinder, Nm: motored, and what combustion adds; shapes as after_tdc.

    Closed part: p V^gamma is constant but for the heat released, by a Wiebe function (Heywood
    1988, eq. 9.30, a = 5, m = 2) from 18 degrees before to 37 degrees after TDC; from 50 degrees
    before bottom dead centre the pressure blends into that of the exhaust.

    Args:
        after_tdc: degrees after firing TDC, evenly spaced and ascending, one whole cycle.
    """
    half = 90.0 * spec.strokes
    angle = (after_tdc + half) % (2 * half) - half
    area = math.pi / 4.0 * (spec.bore_mm / 1000.0) ** 2
    swept = area * spec.stroke_mm / 1000.0
    volume = swept / (spec.compression - 1.0) + area * (
        piston_mm(angle, spec.stroke_mm, spec.rod_mm) / 1000.0
    )
    arm = area * piston_rate_mm(angle, spec.stroke_mm, spec.rod_mm) / 1000.0
    start = -180.0 if spec.strokes == 4 else -110.0
    end = -start
    intake = spec.manifold_bar * 1e5 if spec.strokes == 4 else _AMBIENT_PA
    at_start = float(np.interp(start, *_ordered(angle, volume)))
    motored = intake * (at_start / volume) ** _GAMMA
    burnt_share = 1.0 - np.exp(-5.0 * np.clip((angle + 18.0) / 55.0, 0.0, 1.0) ** 3)
    order = np.argsort(angle, kind="stable")
    heat = np.empty_like(volume)
    gain = volume[order] ** (_GAMMA - 1.0)
    # Midpoint of the volume's power over each step of the burnt share.
    gain = (gain + np.concatenate((gain[:1], gain[:-1]))) / 2.0
    heat[order] = np.cumsum(np.diff(burnt_share[order], prepend=0.0) * gain)
    burnt = heat * volume**-_GAMMA
    closed = (angle >= start) & (angle <= end)
    blend = np.clip((end - np.abs(angle)) / 50.0, 0.0, 1.0)
    open_from = 1.0 - np.cos(np.pi * blend)
    keep_late = np.where(closed, np.where(angle > 0, open_from / 2.0, 1.0), 0.0)
    other: Floats | float = _AMBIENT_PA
    if spec.strokes == 4:
        other = np.where(angle < start, intake, _AMBIENT_PA)
    pressure = motored * keep_late + other * (1.0 - keep_late)
    motored_torque = (pressure - _AMBIENT_PA) * arm
    burnt_torque = burnt * keep_late * arm
    step = math.radians(abs(after_tdc[1] - after_tdc[0]))
    work = float(np.sum(burnt_torque)) * step
    if work > 0 and spec.combustion:
        burnt_torque = burnt_torque * (spec.imep_bar * 1e5 * swept / work)
    else:
        burnt_torque = np.zeros_like(burnt_torque)
    return motored_torque, burnt_torque


def _ordered(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(x, kind="stable")
    return x[order], y[order]


@dataclass(frozen=True, eq=False)
class Dynamics:
    """Constants of one engine: work in (deg/s)^2 of squared speed, on a grid of FINE_DEG.

    Attributes:
        cycle_deg: 360 or 720.
        firing: firing TDCs, shape (cylinders,).
        steady: change of the squared speed with average combustion, shape (points,), closed.
        same: what one cylinder's combustion adds in its own cycle, shape (cylinders, points).
        carry: and in the next cycle, shape (cylinders, points).
        mass: relative moment of inertia against the angle, mean 1, shape (points,).
        inertia: moment of inertia, kg m^2; infinite without a swing.
    """

    cycle_deg: float
    firing: Floats
    steady: Floats
    same: Floats
    carry: Floats
    mass: Floats
    inertia: float

    def squared_speed(self, rpm: float) -> float:
        """The (deg/s)^2 with which the mean speed over a steady cycle is rpm exactly."""
        target = 1.0 / (6.0 * rpm)
        base = (6.0 * rpm) ** 2
        for _ in range(20):
            total = base + self.scale(base) * self.steady
            slow = np.sqrt(self.mass / total)[:-1]
            mean, slope = float(np.mean(slow)), float(np.mean(-0.5 * slow / total[:-1]))
            step = (target - mean) / slope
            base = max(base + step, 0.25 * base)
            if abs(step) <= 1e-13 * base:
                break
        return base

    def scale(self, base: float) -> float:
        """Share of the gas work that acts at a low squared speed; 1 but for very slow turning."""
        peak = float(np.max(np.abs(self.steady)))
        return 1.0 if peak <= 0 else min(1.0, _LIMIT * base / peak)

    def swing(self, rpm: float) -> float:
        """Peak-to-peak speed swing over a steady cycle at rpm, relative to rpm."""
        base = self.squared_speed(rpm)
        speed = np.sqrt((base + self.scale(base) * self.steady) / self.mass)
        return float(np.ptp(speed)) / (6.0 * rpm)


@functools.lru_cache(maxsize=64)
def dynamics(spec: EngineSpec) -> Dynamics:
    """Dynamics with the flywheel that makes the typed swing at the typed speed.

    Kinetic energy: (J + sum of m (dx/dt)^2 / w^2) w^2 / 2 = E0 + work of gas - work of load,
    the load taken constant over the cycle.
    """
    cycle = 180.0 * spec.strokes
    fine = 0.125
    grid = np.arange(round(cycle / fine) + 1, dtype=np.float64) * fine - EARLY_DEG
    keep = slice(None, None, round(FINE_DEG / fine))
    motored, burnt = cylinder_torque(spec, grid[:-1])
    firing = firing_angles(spec)
    points = len(grid[keep])
    steady_work, rotating = np.zeros(points), np.zeros(points)
    same, carry = np.zeros((spec.cylinders, points)), np.zeros((spec.cylinders, points))

    def integral(torque: Floats) -> Floats:
        closed = np.append(torque, torque[0])
        steps = (closed[1:] + closed[:-1]) * (math.radians(fine) / 2.0)
        return np.concatenate(([0.0], np.cumsum(steps)))[keep]

    for k, angle in enumerate(firing):
        shift = round(angle / fine)
        steady_work += integral(np.roll(motored, shift))
        # Combustion begins after EARLY_DEG before TDC: what a roll brings in at the front is late.
        rolled, late = np.roll(burnt, shift), np.zeros(len(burnt), dtype=bool)
        late[:shift] = True
        same[k] = integral(np.where(late, 0.0, rolled))
        carry[k] = integral(np.where(late, rolled, 0.0))
        steady_work += same[k] + carry[k]
        rate = piston_rate_mm(grid[keep] - angle, spec.stroke_mm, spec.rod_mm) / 1000.0
        rotating += spec.reciprocating_kg * rate**2
    steady_work -= steady_work[-1] * np.arange(points) / (points - 1)
    to_speed = 2.0 * math.degrees(1.0) ** 2

    def with_inverse(inverse: float) -> Dynamics:
        mass = 1.0 + inverse * rotating
        mean = float(np.mean(mass[:-1]))
        scale = inverse * to_speed / mean
        return Dynamics(
            cycle,
            firing,
            (steady_work - float(np.mean(steady_work[:-1]))) * scale,
            same * scale,
            carry * scale,
            mass / mean,
            mean / inverse if inverse > 0 else math.inf,
        )

    wanted = spec.swing_percent / 100.0
    if wanted <= 0:
        return with_inverse(0.0)
    low, high = 0.0, 1e-3
    while with_inverse(high).swing(spec.swing_rpm) < wanted and high < 1e6:
        low, high = high, high * 4.0
    for _ in range(50):
        middle = (low + high) / 2.0
        if with_inverse(middle).swing(spec.swing_rpm) < wanted:
            low = middle
        else:
            high = middle
        if high - low < 1e-12 * high:
            break
    return with_inverse(high)


@dataclass(frozen=True, eq=False)
class Block:
    """Some cycles of turning, or a time of standing.

    Attributes:
        cycle: number of the first cycle; cycles: how many.
        low, high: crank angles that belong to the block, low included; degrees.
        start, end: times of low and high, seconds.
        theta: angle of the first knot, degrees.
        knots: times of the knots, KNOT_DEG apart, seconds; empty while standing.
        slopes: seconds per degree there.
        cycle_starts: time at which each cycle begins, and the last one ends, shape (cycles + 1,).
        turning: false for a time of standing.
        stalled: the engine stopped at high; it swings back from there.
    """

    cycle: int
    cycles: int
    low: float
    high: float
    start: float
    end: float
    theta: float
    knots: Floats
    slopes: Floats
    cycle_starts: Floats
    turning: bool = True
    stalled: bool = False

    def time_at(self, angle: Floats) -> Floats:
        """Seconds at which the crank passes each angle (degrees, inside the block)."""
        # Exact but for the last line, so that the result does not depend on the block.
        place = angle * (1.0 / KNOT_DEG)
        first = self.theta / KNOT_DEG
        left = np.clip((np.floor(place) - first).astype(np.int64), 0, len(self.knots) - 2)
        u = place - (left + first)
        t0, t1 = self.knots[left], self.knots[left + 1]
        rest = 1.0 - u
        m0, m1 = self.slopes[left], self.slopes[left + 1]
        # Hermite form around the chord, so that the large times are not multiplied.
        rise = t1 - t0
        curve = (m0 * KNOT_DEG - rise) * rest - (m1 * KNOT_DEG - rise) * u
        return np.asarray(t0 + u * rise + u * rest * curve)

    def angle_at(self, time: Floats) -> Floats:
        """Crank angle, degrees, at each time (seconds, inside the block); inverse of `time_at`."""
        left = np.clip(np.searchsorted(self.knots, time, side="right") - 1, 0, len(self.knots) - 2)
        t0 = self.knots[left]
        rise = self.knots[left + 1] - t0
        bend0 = self.slopes[left] * KNOT_DEG - rise
        bend1 = self.slopes[left + 1] * KNOT_DEG - rise
        want = time - t0
        u = want / rise
        for _ in range(6):
            rest = 1.0 - u
            curve = bend0 * rest - bend1 * u
            value = u * rise + u * rest * curve
            slope = rise + (1.0 - 2.0 * u) * curve - u * rest * (bend0 + bend1)
            u = u - (value - want) / slope
        # Whole degrees first: exact, so that the result does not depend on the block.
        return np.asarray((self.theta + left * KNOT_DEG) + u * KNOT_DEG)

    def rpm_at(self, angle: Floats) -> Floats:
        """Momentary speed in rev/min at each angle, from the nearest knot."""
        nearest = np.rint((angle - self.theta) / KNOT_DEG).astype(np.int64)
        nearest = np.clip(nearest, 0, len(self.slopes) - 1)
        return np.asarray(1.0 / (6.0 * self.slopes[nearest]))


@dataclass(frozen=True)
class Run:
    """One stretch of turning: times (s) and speeds (rpm) of its points; end may be infinite."""

    times: tuple[float, ...]
    speeds: tuple[float, ...]

    @property
    def endless(self) -> bool:
        return math.isinf(self.times[-1])


def runs(speed: SpeedSpec) -> list[Run]:
    """Stretches in which the program is at SLOWEST_RPM or above."""
    points = list(speed.program)
    if speed.repeat:
        period = points[-1][0]
        again = points[1:]
        laps = max(1, min(10000 // len(again), math.ceil(86400.0 / period)))
        points += [(t + lap * period, n) for lap in range(1, laps) for t, n in again]
    points.append((math.inf, points[-1][1]))
    found: list[Run] = []
    times: list[float] = []
    speeds: list[float] = []
    for (t0, n0), (t1, n1) in itertools.pairwise(points):
        lowest = SLOWEST_RPM

        def crossing(t0: float = t0, n0: float = n0, t1: float = t1, n1: float = n1) -> float:
            return t0 + (SLOWEST_RPM - n0) / (n1 - n0) * (t1 - t0)

        if n0 >= lowest and not times:
            times, speeds = [t0], [n0]
        if n0 < lowest <= n1:
            times, speeds = [crossing()], [lowest]
        if times and n1 >= lowest:
            times.append(t1)
            speeds.append(n1)
        elif times:
            at = crossing()
            if at > times[-1]:
                times.append(at)
                speeds.append(lowest)
            found.append(Run(tuple(times), tuple(speeds)))
            times, speeds = [], []
    if times:
        found.append(Run(tuple(times), tuple(speeds)))
    return [run for run in found if run.times[-1] > run.times[0]]


class Engine:
    """Turns the crank, block after block.

    Args:
        spec, speed: what engine, and how fast.
        start_deg: crank angle at time 0.
        gains: gains(first, last) gives the relative combustion work of each cylinder in the
            cycles first..last-1, shape (last - first, cylinders); called in order.
        varies: false if all gains are 1.
    """

    def __init__(
        self,
        spec: EngineSpec,
        speed: SpeedSpec,
        start_deg: float,
        gains: Callable[[int, int], Floats],
        varies: bool,
    ) -> None:
        self.spec = spec
        self.dynamics = dynamics(spec)
        self.runs = runs(speed)
        self._rock_back = speed.rock_back_deg
        self._start_deg = start_deg
        self._gains = gains
        self._varies = spec.combustion and varies

    def blocks(self, cycles: Callable[[float], int]) -> Iterator[Block]:
        """Blocks in order of time, without end.

        Args:
            cycles: cycles(seconds per cycle) says how many cycles the next block shall have.
        """
        now, angle = 0.0, self._start_deg
        for run in self.runs:
            # A run waits until the crank has come to rest from the one before.
            begin = run.times[0] if now == 0.0 else max(run.times[0], now + REST_S)
            if begin > now:
                yield _standing(angle, now, begin)
            for block in self._turn(run, begin, angle, cycles):
                yield block
                now, angle = block.end, block.high
            # A whole cycle on, so that no cycle's random numbers are needed twice.
            angle += self.dynamics.cycle_deg - self._rock_back
        while True:
            yield _standing(angle, now, now + 1.0)
            now += 1.0

    def _turn(
        self, run: Run, begin: float, start_deg: float, cycles: Callable[[float], int]
    ) -> Iterator[Block]:
        dyn = self.dynamics
        cycle_deg, points = dyn.cycle_deg, len(dyn.steady)
        share = np.arange(points) / (points - 1)
        # Squared speed is linear in the angle where speed is linear in time.
        degrees = [start_deg]
        for t0, t1, n0, n1 in zip(
            run.times, run.times[1:], run.speeds, run.speeds[1:], strict=False
        ):
            degrees.append(degrees[-1] + (t1 - t0) * 3.0 * (n0 + n1))
        at = np.array(degrees)
        squared = {rpm: dyn.squared_speed(rpm) for rpm in set(run.speeds)}
        base_at = np.array([squared[rpm] for rpm in run.speeds])
        last = math.inf if run.endless else float(at[-1])
        if run.endless:
            at, base_at = at[:-1], base_at[:-1]
        peak = float(np.max(np.abs(dyn.steady)))
        wobbles = peak > 0
        cycle = math.floor((start_deg + EARLY_DEG) / cycle_deg)
        time, low, error = math.nan, start_deg, 0.0
        before = self._gains(cycle, cycle + 1) - 1.0
        first = True
        while low < last:
            theta = cycle * cycle_deg - EARLY_DEG
            base_here = float(np.interp(theta, at, base_at))
            count = max(1, cycles(cycle_deg / math.sqrt(base_here)))
            if not run.endless:
                count = min(count, max(1, math.ceil((last - theta) / cycle_deg)))
            edges = theta + np.arange(count + 1) * cycle_deg
            bases = np.interp(edges, at, base_at)
            inside = at[(at > edges[0]) & (at < edges[-1])]
            if len(inside) == 0 and bases[0] == bases[-1]:
                base = np.full((1, 1), bases[0])
            else:
                base = np.interp(edges[:-1, None] + cycle_deg * share, at, base_at)
            acting: Floats | float = 1.0
            if wobbles and float(np.min(base)) * _LIMIT < peak:
                acting = np.minimum(1.0, _LIMIT * base / peak)
            work: Floats = dyn.steady[None, :]
            if self._varies and wobbles:
                deviation = self._gains(cycle, cycle + count) - 1.0
                earlier = np.concatenate((before, deviation[:-1]))
                before = deviation[-1:]
                net = np.zeros(count)
                work = np.repeat(work, count, axis=0)
                for k in range(self.spec.cylinders):
                    work += deviation[:, k, None] * dyn.same[k]
                    work += earlier[:, k, None] * dyn.carry[k]
                    net += deviation[:, k] * dyn.same[k, -1] + earlier[:, k] * dyn.carry[k, -1]
                errors = np.empty(count)
                pull = self.spec.governor
                for i, change in enumerate(net.tolist()):
                    errors[i] = error
                    error = (1.0 - pull) * error + change
                work += errors[:, None] * (1.0 - pull * share)
            total = np.maximum(base + acting * work, 0.15 * base)
            slow = np.sqrt(dyn.mass / total)
            even, odd = slow[:, ::2], slow[:, 1::2]
            steps = (even[:, :-1] + 4.0 * odd + even[:, 1:]) * (FINE_DEG / 3.0)
            inside_cycle = np.cumsum(steps, axis=1)
            lengths = np.broadcast_to(inside_cycle[:, -1], (count,))
            if first:
                # The run begins inside its first cycle: lay time 0 of that cycle before it.
                probe = _join(cycle, 1, theta, 0.0, inside_cycle[:1], even[:1], lengths[:1])
                time = begin - float(probe.time_at(np.array([low]))[0])
                first = False
            block = _join(cycle, count, theta, time, inside_cycle, even, lengths)
            high = min(float(edges[-1]), last)
            marks = block.time_at(np.array([low, high]))
            yield Block(
                cycle,
                count,
                low,
                high,
                float(marks[0]),
                float(marks[1]) if high < edges[-1] else float(block.knots[-1]),
                theta,
                block.knots,
                block.slopes,
                block.cycle_starts,
                stalled=high == last and self._rock_back > 0,
            )
            time, low, cycle = float(block.knots[-1]), high, cycle + count


def _join(
    cycle: int,
    count: int,
    theta: float,
    time: float,
    inside_cycle: Floats,
    even: Floats,
    lengths: Floats,
) -> Block:
    starts = np.cumsum(np.concatenate(([time], lengths)))
    per = inside_cycle.shape[1]
    knots = np.empty(count * per + 1)
    body = knots[1:].reshape(count, per)
    body[:] = starts[:-1, None] + inside_cycle
    body[:, -1] = starts[1:]
    knots[0] = time
    slopes = np.empty(count * per + 1)
    slopes[:-1].reshape(count, per)[:] = even[:, :-1]
    slopes[-1] = even[-1, -1]
    return Block(
        cycle, count, theta, theta + count * per * KNOT_DEG, 0, 0, theta, knots, slopes, starts
    )


def _standing(angle: float, start: float, end: float) -> Block:
    none = np.empty(0)
    return Block(0, 0, angle, angle, start, end, angle, none, none, none, turning=False)
