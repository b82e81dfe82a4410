"""Validated settings of a measurement."""

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.errors import UserError
from sparkwitness.timing import advice, conditioner
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.number import plain

CLAMPS = {
    "plug": "one plug lead, fired once per cycle",
    "wasted": "one plug lead, fired every revolution (wasted spark or two-stroke)",
    "coil": "the lead between coil and distributor, which carries every cylinder's spark",
    "auto": "inferred from the sparks",
}
COUNTS = tuple(advice.GAIN)
_MAY_BE_MISSING = (
    "commanded", "setting", "swing", "delay_us", "least", "most", "learned_gain", "seen",
    "sensor_ohm", "sensor_henry",
    "trigger_delay_us", "coil_ms", "rotor", "cranking_volts",
)  # fmt: skip
TRIGGERS = {
    "auto": "found from which flank the sparks follow",
    "rising": "the spark comes at the rising flank (points that open)",
    "falling": "the spark comes at the falling flank (end of a coil driver's on-time)",
    "none": "the tap is not connected, or not to be looked at",
}


@dataclass(frozen=True)
class Setup:
    """Validated settings of a measurement.

    Attributes:
        reference: what marks the crank.
        commanded: the controller's locked angle, crank degrees BTDC, or None.
        cylinders, strokes: of the engine (strokes 4 or 2).
        clamp: where the clamp sits, a key of `CLAMPS`.
        clamp_input: name of the input in `wire.INPUTS`.
        setting: the controller's reference offset now, or None.
        counts: what the setting counts, a key of `advice.GAIN`.
        retards: True if a larger setting retards the spark.
        step, least, most: of the setting.
        target: expanded uncertainty in degrees at which to stop.
        swing: relative peak speed swing inside a revolution where known, else None.
        dead_time_us: an edge sooner than this after the one before is ringing; as the clamp's
            simulation says where nothing is typed.
        learned_gain: crank degrees per unit of the setting as trials have shown, else None.
        delay_us, u_delay_us: clamp path's delay less the crank path's, and its standard
            uncertainty; None: as the conditioners' simulation says for `sensor` and `clamp_kind`.
        sensor, clamp_kind: see `conditioner`.
        sensor_ohm, sensor_henry: resistance and inductance of a variable-reluctance sensor; None:
            not known, and then the delay is less sure.
        falling: inputs whose falling edge is stamped.
        seen, seen_within: timing as an independent look showed it (lamp or strobe on the marks),
            degrees BTDC, and how well (k = 2); None: nobody looked.
        confirmed: codes of findings (see `gates`) that were checked.
        trigger: flank of the trigger tap that fires, a key of `TRIGGERS`.
        trigger_kind: what the tap is connected to, see `conditioner`.
        trigger_delay_us, u_trigger_delay_us: trigger path's delay less the crank path's, and its
            standard uncertainty; None: as the conditioners' simulation says.
        coil_ms: time constant L / R of coil and primary circuit, ms (`check` tells it); None: not
            known.
        order: cylinder numbers in firing order; empty: not typed.
        firing: crank degrees of each firing, in that order, from the first; empty: even.
        index: input of a second clamp, on cylinder 1's plug lead; None: there is none.
        bank: cylinders of the first bank; empty: not typed.
        rotor, rotor_within: crank degrees BTDC at which the distributor's rotor points at the
            middle of the segment that fires, by its own marks, and how well that is known (k = 2);
            None: not typed.
        cranking_volts: lowest supply voltage while cranking, as read elsewhere; None: not typed.
    """

    reference: Reference
    commanded: float | None = None
    cylinders: int = 4
    strokes: int = 4
    clamp: str = "auto"
    clamp_input: str = "clamp_a"
    setting: float | None = None
    counts: str = "crank"
    retards: bool = False
    step: float = 0.0
    least: float | None = None
    most: float | None = None
    learned_gain: float | None = None
    target: float = 0.25
    swing: float | None = None
    dead_time_us: float = field(default_factory=conditioner.dead_time_us)
    delay_us: float | None = None
    u_delay_us: float = 0.5
    sensor: str = "hall_optical"
    clamp_kind: str = "clamp"
    sensor_ohm: float | None = None
    sensor_henry: float | None = None
    falling: tuple[str, ...] = ()
    seen: float | None = None
    seen_within: float = 3.0
    confirmed: tuple[str, ...] = ()
    trigger: str = "auto"
    trigger_kind: str = "logic"
    trigger_delay_us: float | None = None
    u_trigger_delay_us: float = 0.5
    coil_ms: float | None = None
    order: tuple[int, ...] = ()
    firing: tuple[float, ...] = ()
    index: str | None = None
    bank: tuple[int, ...] = ()
    rotor: float | None = None
    rotor_within: float = 4.0
    cranking_volts: float | None = None

    def __post_init__(self) -> None:
        plain(self)
        for name, low, high, unit in (
            ("commanded", -60, 80, "degrees BTDC"), ("cylinders", 1, 16, ""),
            ("setting", -1e6, 1e6, ""), ("step", 0, 1e3, ""), ("target", 0.01, 20, "degrees"),
            ("swing", 0, 0.5, "(0.08 is 8 %)"), ("dead_time_us", 1, 5000, "µs"),
            ("delay_us", -1e4, 1e4, "µs"), ("u_delay_us", 0, 1e4, "µs"),
            ("least", -1e6, 1e6, ""), ("most", -1e6, 1e6, ""), ("learned_gain", -1e3, 1e3, ""),
            ("seen", -60, 80, "degrees BTDC"), ("seen_within", 0, 30, "degrees"),
            ("sensor_ohm", 1, 1e5, "Ω"), ("sensor_henry", 1e-3, 10, "H"),
            ("trigger_delay_us", -1e4, 1e4, "µs"), ("u_trigger_delay_us", 0, 1e4, "µs"),
            ("coil_ms", 1e-3, 1e3, "ms"), ("rotor", -60, 80, "degrees BTDC"),
            ("rotor_within", 0, 30, "degrees"), ("cranking_volts", 1, 60, "V"),
        ):  # fmt: skip
            value = getattr(self, name)
            if value is None and name in _MAY_BE_MISSING:
                continue
            label = name.replace("_", " ").removesuffix(" us")
            if not isinstance(value, int if name == "cylinders" else int | float):
                kind = "a whole number" if name == "cylinders" else "a number"
                raise UserError(f"{label} must be {kind}, not {value!s:.40}")
            if not low <= value <= high:
                raise UserError(
                    f"{label} must be from {low:g} to {high:g} {unit}".rstrip()
                    + f", not {value!s:.40}"
                )
        unknown = set(self.falling) - set(wire.INPUTS)
        if unknown:
            raise UserError(f"there is no input {', '.join(sorted(unknown))}")
        for name, allowed in (
            ("strokes", (2, 4)), ("clamp", tuple(CLAMPS)), ("counts", COUNTS),
            ("clamp_input", wire.INPUTS[1:3]), ("sensor", conditioner.CRANK_KINDS),
            ("clamp_kind", conditioner.CLAMP_KINDS), ("trigger", tuple(TRIGGERS)),
            ("trigger_kind", conditioner.TRIGGER_KINDS), ("index", (None, *wire.INPUTS[1:3])),
        ):  # fmt: skip
            value = getattr(self, name)
            if value not in allowed or isinstance(value, float):
                known = ", ".join(map(str, allowed))
                raise UserError(f"{name.replace('_', ' ')} must be one of {known}")
        if self.least is not None and self.most is not None and self.least >= self.most:
            raise UserError("the least setting must be below the most")
        self._check_cylinders()

    def _check_cylinders(self) -> None:
        n = self.cylinders
        if not all(isinstance(number, int) for number in (*self.order, *self.bank)):
            raise UserError("the firing order and the first bank are made of whole numbers")
        if self.order and sorted(self.order) != list(range(1, n + 1)):
            raise UserError(
                f"the firing order must name each of the {n} cylinders once, such as "
                f"{'-'.join(map(str, range(1, n + 1)))}, not {'-'.join(map(str, self.order))}"
            )
        if self.firing:
            apart = np.diff([*self.firing, self.firing[0] + self.cycle])
            if len(self.firing) != n or self.firing[0] != 0 or (apart < 20).any():
                raise UserError(
                    f"the firing angles must be {n} crank degrees from 0 up, 20° or more apart "
                    f"and below {self.cycle:g}°, one for each cylinder in firing order"
                )
        if self.bank and not set(self.bank) < set(range(1, n + 1)):
            raise UserError(f"the first bank must name some of the {n} cylinders, not all")
        if self.trigger_kind == "points" and self.trigger == "falling":
            raise UserError("points fire when they open: leave --trigger out, or type rising")
        if self.index == self.clamp_input:
            raise UserError("the index clamp must be on the other clamp input")

    def trigger_delay(self, rpm: float, falls: bool) -> conditioner.Delay:
        """Trigger path's delay less the crank path's at a speed in rev/min."""
        if self.trigger_delay_us is not None:
            return conditioner.Delay(self.trigger_delay_us, self.u_trigger_delay_us)
        if self.delay_us is not None:
            # One typed delay stands for paths that are alike.
            return conditioner.Delay(0.0, self.u_trigger_delay_us)
        crank = conditioner.delay(self.sensor, "crank" in self.falling, rpm, self._coil)
        return conditioner.delay(self.trigger_kind, falls) - crank

    def answer_delay(self, falls: bool) -> conditioner.Delay:
        """The clamp path's delay less the trigger path's: what a module's delay seems longer by."""
        if self.trigger_delay_us is None and self.delay_us is None:
            tap = conditioner.delay(self.trigger_kind, falls)
            return conditioner.delay(self.clamp_kind) - tap
        clamp = conditioner.Delay(self.delay_us or 0.0, self.u_delay_us)
        return clamp - conditioner.Delay(self.trigger_delay_us or 0.0, self.u_trigger_delay_us)

    @property
    def firing_angles(self) -> tuple[float, ...]:
        """Crank degrees of each firing from the first, in firing order."""
        return self.firing or tuple(k * self.cycle / self.cylinders for k in range(self.cylinders))

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the cylinders in firing order; as they fire where none was typed."""
        return self.order or tuple(range(1, self.cylinders + 1))

    @property
    def by_cylinder(self) -> bool:
        """Each cylinder is to be looked at."""
        return self.cylinders > 1 and bool(self.order or self.firing or self.index)

    @property
    def odd(self) -> bool:
        """The engine does not fire evenly."""
        return bool(np.ptp(np.diff([*self.firing_angles, self.cycle])) > 0.01)

    def delay(self, rpm: float) -> conditioner.Delay:
        """Clamp path's delay less the crank path's at a speed in rev/min."""
        if self.delay_us is not None:
            return conditioner.Delay(self.delay_us, self.u_delay_us)
        falling = "crank" in self.falling
        return conditioner.clamp_less_crank(self.clamp_kind, self.sensor, falling, rpm, self._coil)

    @property
    def _coil(self) -> conditioner.Coil:
        wheel = self.reference
        return conditioner.Coil(wheel.teeth / wheel.turns, self.sensor_ohm, self.sensor_henry)

    @property
    def firings_per_rev(self) -> float:
        """Firings of the whole engine per crank revolution."""
        return self.cylinders / (self.strokes / 2)

    @property
    def cycle(self) -> float:
        """Crank degrees of a working cycle."""
        return 180.0 * self.strokes

    @property
    def spacings(self) -> tuple[float, ...]:
        """Degrees between events that the clamp can see, as far as typed."""
        return {
            "plug": (self.cycle,),
            "wasted": (360.0,),
            "coil": (self.cycle / self.cylinders,),
            "auto": tuple(sorted({self.cycle, 360.0, self.cycle / self.cylinders})),
        }[self.clamp]

    @property
    def stated_gain(self) -> float:
        """Crank degrees of timing per unit of the setting, by the user's statement."""
        return -advice.GAIN[self.counts] if self.retards else advice.GAIN[self.counts]

    @property
    def gain(self) -> float:
        """Crank degrees of timing per unit of the setting: as learned, else as stated."""
        return self.stated_gain if self.learned_gain is None else self.learned_gain

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; `from_dict` takes them back."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> "Setup":
        """A set-up from plain values.

        Raises:
            UserError: an unknown or missing name, or a value out of range.
        """
        try:
            return cls(**{**values, "reference": Reference(**values["reference"])})
        except (TypeError, KeyError) as error:
            raise UserError(f"the stored set-up cannot be used ({error})") from None
