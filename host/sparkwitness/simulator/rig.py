"""Bench rig: what the board's drive outputs do, as exact angles and times."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Drive:
    """Drive command, units as in the wire message; all zero is off."""

    rpm_from: float = 0.0
    rpm_to: float = 0.0
    ramp_s: float = 0.0
    width_us: float = 0.0
    firings: int = 0
    turns: int = 1
    active_low: bool = False
    teeth: int = 0
    missing: int = 0


@dataclass(frozen=True, eq=False)
class Turned:
    """What one stretch of driving made; times in seconds.

    Attributes:
        trigger: starts of the active part of the trigger pulses; width: their lengths, s.
        apart_deg: crank degrees since the pulse before; NaN for the first after standing.
        crank_rising, crank_falling: edges of the bench crank.
    """

    trigger: Floats
    width: Floats
    apart_deg: Floats
    crank_rising: Floats
    crank_falling: Floats


class Rig:
    """Bench trigger and bench crank; tooth 0 and the first trigger pulse start at angle 0.

    A new command goes on from the angle reached, so that no pulse comes short between two speeds;
    another pattern of pulses starts again at angle 0.
    """

    def __init__(self) -> None:
        self.drive = Drive()
        self.driven = 0
        self.rpm = 0.0
        self._since = 0.0
        self._angle = 0.0
        self._next = [0, 0, 0]
        self._fresh = True

    def command(self, drive: Drive, now: float) -> None:
        """Take a command at time now, seconds; everything before has been turned."""
        old = self.drive
        same = (old.firings, old.turns, old.teeth, old.missing, old.active_low) == (
            drive.firings,
            drive.turns,
            drive.teeth,
            drive.missing,
            drive.active_low,
        )
        if same and old.rpm_to > 0:
            self._angle = self._angle_at(now)
        else:
            self._angle, self._next, self._fresh = 0.0, [0, 0, 0], True
        self.drive, self._since, self.driven = drive, now, 0
        self.rpm = drive.rpm_from

    def rpm_at(self, time: Floats) -> Floats:
        """Driven speed at each time since the last command."""
        drive, late = self.drive, time - self._since
        if drive.ramp_s <= 0:
            return np.full(len(time), drive.rpm_to)
        share = np.clip(late / drive.ramp_s, 0.0, 1.0)
        return np.asarray(drive.rpm_from + (drive.rpm_to - drive.rpm_from) * share)

    def _angle_at(self, time: float) -> float:
        drive, late = self.drive, time - self._since
        in_ramp = min(late, drive.ramp_s)
        slope = (drive.rpm_to - drive.rpm_from) / drive.ramp_s if drive.ramp_s > 0 else 0.0
        return (
            self._angle
            + 6.0 * in_ramp * (drive.rpm_from + 0.5 * slope * in_ramp)
            + 6.0 * (late - in_ramp) * drive.rpm_to
        )

    def _time_at(self, angle: Floats) -> Floats:
        """Inverse of `_angle_at`; angle may not lie beyond where the drive stops."""
        drive = self.drive
        way = (angle - self._angle) / 6.0
        start, slope = drive.rpm_from, 0.0
        ramp_way = 0.0
        if drive.ramp_s > 0:
            slope = (drive.rpm_to - start) / drive.ramp_s
            ramp_way = 0.5 * (start + drive.rpm_to) * drive.ramp_s
        with np.errstate(divide="ignore", invalid="ignore"):
            root = np.sqrt(np.maximum(start * start + 2.0 * slope * way, 0.0))
            ramped = np.where(way > 0, 2.0 * way / (start + root), 0.0)
            held = drive.ramp_s + (way - ramp_way) / drive.rpm_to
        return np.asarray(self._since + np.where(way < ramp_way, ramped, held))

    def turn(self, start: float, end: float) -> Turned:
        """Edges with start <= time < end, seconds, under the present command."""
        drive, none = self.drive, np.empty(0)
        if drive.rpm_from <= 0 and drive.rpm_to <= 0:
            self.rpm = 0.0
            return Turned(none, none, none, none, none)
        reach = self._angle_at(end)
        self.rpm = float(self.rpm_at(np.array([end]))[0])
        trigger = width = apart = rising = falling = none
        if drive.firings:
            pitch = 360.0 * drive.turns / drive.firings
            trigger = self._time_at(self._passed(0, pitch, 0.0, reach) * pitch)
            rpm = np.maximum(self.rpm_at(trigger), 1e-9)
            width = np.minimum(drive.width_us * 1e-6, 0.9 * pitch / (6.0 * rpm))
            apart = np.full(len(trigger), pitch)
            if self._fresh and len(trigger):
                apart[0], self._fresh = math.nan, False
            self.driven += len(trigger)
        if drive.teeth:
            pitch = 360.0 / drive.teeth
            edges = []
            for which, shift in ((1, 0.0), (2, 0.5)):
                number = self._passed(which, pitch, shift, reach)
                there = number % drive.teeth < drive.teeth - drive.missing
                edges.append(self._time_at((number[there] + shift) * pitch))
            rising, falling = edges
        return Turned(trigger, width, apart, rising, falling)

    def _passed(self, which: int, pitch: float, shift: float, reach: float) -> Floats:
        """Numbers of the pulses with (number + shift) * pitch below an angle, each once."""
        first = self._next[which]
        last = max(first, math.ceil(reach / pitch - shift))
        self._next[which] = last
        return np.arange(first, last, dtype=np.float64)
