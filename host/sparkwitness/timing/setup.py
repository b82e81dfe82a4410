"""Validated settings of a measurement."""

from dataclasses import asdict, dataclass, field
from typing import Any

from sparkwitness.decode import wire
from sparkwitness.errors import UserError
from sparkwitness.timing import advice, conditioner
from sparkwitness.timing.angle import Reference

CLAMPS = {
    "plug": "one plug lead, fired once per cycle",
    "wasted": "one plug lead, fired every revolution (wasted spark or two-stroke)",
    "coil": "the lead between coil and distributor, which carries every cylinder's spark",
    "auto": "inferred from the sparks",
}
COUNTS = tuple(advice.GAIN)
_MAY_BE_MISSING = (
    "commanded", "setting", "swing", "delay_us", "least", "most", "learned_gain", "seen",
    "coil_ohm", "coil_henry",
)  # fmt: skip


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
        coil_ohm, coil_henry: resistance and inductance of a variable-reluctance sensor; None: not
            known, and then the delay is less sure.
        falling: inputs whose falling edge is stamped.
        seen, seen_within: timing as an independent look showed it (lamp or strobe on the marks),
            degrees BTDC, and how well (k = 2); None: nobody looked.
        confirmed: codes of findings (see `gates`) that were checked.
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
    coil_ohm: float | None = None
    coil_henry: float | None = None
    falling: tuple[str, ...] = ()
    seen: float | None = None
    seen_within: float = 3.0
    confirmed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, low, high, unit in (
            ("commanded", -60, 80, "degrees BTDC"), ("cylinders", 1, 16, ""),
            ("setting", -1e6, 1e6, ""), ("step", 0, 1e3, ""), ("target", 0.01, 20, "degrees"),
            ("swing", 0, 0.5, "(0.08 is 8 %)"), ("dead_time_us", 1, 5000, "µs"),
            ("delay_us", -1e4, 1e4, "µs"), ("u_delay_us", 0, 1e4, "µs"),
            ("least", -1e6, 1e6, ""), ("most", -1e6, 1e6, ""), ("learned_gain", -1e3, 1e3, ""),
            ("seen", -60, 80, "degrees BTDC"), ("seen_within", 0, 30, "degrees"),
            ("coil_ohm", 1, 1e5, "Ω"), ("coil_henry", 1e-3, 10, "H"),
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
            ("clamp_kind", conditioner.CLAMP_KINDS),
        ):  # fmt: skip
            if getattr(self, name) not in allowed:
                known = ", ".join(map(str, allowed))
                raise UserError(f"{name.replace('_', ' ')} must be one of {known}")
        if self.least is not None and self.most is not None and self.least >= self.most:
            raise UserError("the least setting must be below the most")

    def delay(self, rpm: float) -> conditioner.Delay:
        """Clamp path's delay less the crank path's at a speed in rev/min."""
        if self.delay_us is not None:
            return conditioner.Delay(self.delay_us, self.u_delay_us)
        falling = "crank" in self.falling
        wheel = self.reference
        coil = conditioner.Coil(wheel.teeth / wheel.turns, self.coil_ohm, self.coil_henry)
        return conditioner.clamp_less_crank(self.clamp_kind, self.sensor, falling, rpm, coil)

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
            reference = {**values["reference"]}
            reference["errors"] = tuple(reference.get("errors", ()))
            lists = {name: tuple(values.get(name, ())) for name in ("falling", "confirmed")}
            return cls(**{**values, "reference": Reference(**reference), **lists})
        except (TypeError, KeyError) as error:
            raise UserError(f"the stored set-up cannot be used ({error})") from None
