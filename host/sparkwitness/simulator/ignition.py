"""Ignition: the controller that asks for a spark and the module that makes one, or several."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.simulator.scenario import ControllerSpec, ModuleSpec

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


class Rows:
    """Random rows numbered from 0, the same however they are asked for.

    Args:
        rng: stream of its own.
        width: numbers per row.
        normal: standard normal, else uniform from 0 to 1.
    """

    def __init__(self, rng: np.random.Generator, width: int, normal: bool) -> None:
        self._rng, self._width, self._normal = rng, width, normal
        self._first = 0
        self._kept = np.empty((0, width))

    def get(self, first: int, last: int) -> Floats:
        """Rows first..last-1; rows before `first` are forgotten, so ask in ascending order."""
        if first > self._first + len(self._kept):
            self.get(self._first, first)
        need = last - (self._first + len(self._kept))
        if need > 0:
            draw = self._rng.standard_normal if self._normal else self._rng.random
            self._kept = np.concatenate((self._kept, draw((need, self._width))))
        if first < self._first:
            raise ValueError(f"row {first} was asked for after row {self._first}")
        self._kept = self._kept[first - self._first :]
        self._first = first
        return self._kept[: last - first]


class Controller:
    """Ignition controller; `setting` may be changed while the world runs.

    True static timing = commanded + gain * (setting - right_setting), crank degrees BTDC, with
    gain = sign * (1 for crank, 2 for distributor degrees); common practice, no source.
    """

    def __init__(self, spec: ControllerSpec) -> None:
        self.spec = spec
        self._setting = spec.setting
        self._curve = np.array(spec.curve or ((0.0, spec.commanded),))

    @property
    def setting(self) -> float:
        """Reference-offset setting now."""
        return self._setting

    @setting.setter
    def setting(self, value: float) -> None:
        """Enter a setting.

        Raises:
            ValueError: outside the range, or not on a step from 0.
        """
        spec = self.spec
        steps = value / spec.step
        if not math.isfinite(value) or not spec.setting_min <= value <= spec.setting_max:
            raise ValueError(
                f"the setting must lie from {spec.setting_min:g} to {spec.setting_max:g}, "
                f"not {value:g}"
            )
        if abs(steps - round(steps)) > 1e-6:
            raise ValueError(f"the setting goes in steps of {spec.step:g}, not to {value:g}")
        self._setting = round(steps) * spec.step

    @property
    def gain(self) -> float:
        """Change of timing, crank degrees, per unit of the setting."""
        return self.spec.sign * (2.0 if self.spec.counts == "distributor" else 1.0)

    @property
    def offset_deg(self) -> float:
        """Fixed part of the timing error now, crank degrees, advance positive."""
        return self.gain * (self._setting - self.spec.right_setting)

    def commanded(self, rpm: Floats) -> Floats:
        """Angle that the controller believes it gives at each speed, degrees BTDC."""
        return np.asarray(np.interp(rpm, self._curve[:, 0], self._curve[:, 1]))


@dataclass(frozen=True, eq=False)
class Response:
    """What the module made of triggers; arrays of one entry per trigger but for the last three.

    Attributes:
        first: time of the first spark at the coil, seconds; NaN: none.
        sparks: number of sparks, 0 for a drop-out; without those of a double event.
        rpm: crank speed that the module takes from its trigger, rev/min; NaN for the first.
        many: whether the module was in its multi-spark state.
        doubled: whether a second, false event followed.
        spark: time of each spark, seconds, by trigger; owner: index of its trigger.
    """

    first: Floats
    sparks: Ints
    rpm: Floats
    many: Flags
    doubled: Flags
    spark: Floats
    owner: Ints


class Module:
    """Ignition module. Its state (last trigger, one or many, heat) is carried from call to call.

    A capacitive module repeats its spark every spacing until the window, crank degrees taken from
    the time between its last two triggers, has passed, or its most sparks have come: a single
    spark above window / (6 * spacing) rev/min, the spacing in seconds (definition).
    """

    def __init__(self, spec: ModuleSpec, rng: np.random.Generator) -> None:
        self.spec = spec
        self._rng = rng
        self._last = math.nan
        self._many = True
        self.heat = 0.0
        """0 cold, 1 fully hot."""

    def respond(
        self, trigger: Floats, apart_deg: Floats, chance: Floats, shift: Floats
    ) -> Response:
        """Sparks for triggers.

        Args:
            trigger: times of the firing edges, seconds, ascending, shape (n,).
            apart_deg: crank degrees since the trigger before, shape (n,).
            chance: uniform random numbers, shape (n, 2): drop-out, double event.
            shift: standard normal random numbers, shape (n,): jitter of the delay.
        """
        spec, n = self.spec, len(trigger)
        period = np.diff(trigger, prepend=self._last)
        with np.errstate(divide="ignore", invalid="ignore"):
            rpm = apart_deg / (6.0 * period)
        known = np.isfinite(rpm) & (period > 0)
        rpm = np.where(known, rpm, np.nan)
        if n:
            self._last = float(trigger[-1])
        speed = np.where(known, rpm, 0.0)
        many = self._state(speed, known)
        heat = self._warm(period, speed)
        lost = spec.misfire_share + spec.misfire_per_krpm * speed / 1000.0 + spec.misfire_hot * heat
        fired = chance[:, 0] >= lost
        if spec.kind == "dead":
            fired &= False
        if spec.limit_rpm:
            fired &= speed <= spec.limit_rpm
        delay = spec.delay_us + spec.delay_us_per_krpm * speed / 1000.0 + spec.delay_us_hot * heat
        delay = np.maximum(delay + spec.jitter_us * shift, 0.0) * 1e-6
        first = np.where(fired, trigger + delay, np.nan)
        count = np.ones(n, dtype=np.int64)
        if spec.kind == "capacitive":
            window_s = np.where(known & (speed > 0), spec.window_deg * period / apart_deg, 0.0)
            more = np.floor(window_s / (spec.spacing_ms * 1e-3) + 1e-9).astype(np.int64)
            count += np.where(many & known, np.minimum(more, spec.most_sparks - 1), 0)
        count = np.where(fired, count, 0)
        owner = np.repeat(np.arange(n), count)
        place = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        spark = first[owner] + place * (spec.spacing_ms * 1e-3)
        if spec.kind == "capacitive" and spec.spacing_jitter_us:
            spread = self._rng.standard_normal(len(spark)) * (spec.spacing_jitter_us * 1e-6)
            spark += np.where(place > 0, spread, 0.0)
        doubled = fired & known & (chance[:, 1] < spec.double_share)
        if spec.double_share:
            again = np.flatnonzero(doubled)
            late = first[again] + 0.4 * period[again]
            owner = np.concatenate((owner, again))
            spark = np.concatenate((spark, late))
            order = np.argsort(owner, kind="stable")
            owner, spark = owner[order], spark[order]
        return Response(first, count, rpm, many, doubled, spark, owner)

    def _state(self, rpm: Floats, known: Flags) -> Flags:
        """One or many sparks, with hysteresis: the last crossing of a threshold decides."""
        spec, n = self.spec, len(rpm)
        if not spec.single_above_rpm or n == 0:
            return np.ones(n, dtype=bool)
        up = known & (rpm > spec.single_above_rpm)
        down = known & (rpm < spec.multi_below_rpm)
        last = np.maximum.accumulate(np.where(up | down, np.arange(n), -1))
        many = np.where(last >= 0, down[last], self._many)
        self._many = bool(many[-1])
        return many

    def _warm(self, period: Floats, rpm: Floats) -> Floats:
        """Heat after each period; first-order towards the share that the speed gives."""
        spec, n = self.spec, len(rpm)
        if not (spec.misfire_hot or spec.delay_us_hot):
            return np.zeros(n)
        out = np.empty(n)
        heat = self.heat
        passed = np.where(np.isfinite(period), period, 0.0)
        aims = np.minimum(rpm / spec.hot_rpm, 1.0)
        for i, (seconds, aim) in enumerate(zip(passed.tolist(), aims.tolist(), strict=True)):
            heat -= math.expm1(-seconds / spec.heat_seconds) * (aim - heat)
            out[i] = heat
        self.heat = heat
        return out
