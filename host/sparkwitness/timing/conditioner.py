"""Delay of the input conditioners and dead time, as hardware/delays.json has them.

The file is made by simulation of the schematic (hardware/simulate.py); this module only reads it.
"""

import json
from dataclasses import dataclass
from functools import cache
from math import atan, pi, sqrt
from typing import Any

import numpy as np

from sparkwitness import shipped
from sparkwitness.errors import UserError

# "first_spark": the breadboard of hardware/first-spark.md, whose sensor is not said more closely.
CRANK_KINDS = (
    "vr", "hall_optical", "logic", "first_spark", "first_spark_hall", "first_spark_logic",
)  # fmt: skip
CLAMP_KINDS = ("clamp", "clamp_inductive", "clamp_capacitive", "first_spark_clamp")
TRIGGER_KINDS = ("logic", "hall_optical", "points", "isolated", "isolated_5v", "isolated_12v")


@dataclass(frozen=True)
class Delay:
    """From the cause to the pin's edge: mean and standard uncertainty (k = 1), µs."""

    us: float
    u_us: float

    def __sub__(self, other: "Delay") -> "Delay":
        """Difference of two independent delays (JCGM 100, 5.1.2)."""
        return Delay(self.us - other.us, float(np.hypot(self.u_us, other.u_us)))


@dataclass(frozen=True)
class Coil:
    """A variable-reluctance sensor's coil on its wheel.

    Attributes:
        teeth: tooth places that pass in one crank revolution.
        ohm, henry: resistance and inductance; None: not known.
    """

    teeth: float = 36.0
    ohm: float | None = None
    henry: float | None = None


@cache
def _file() -> dict[str, Any]:
    path = shipped.folder("hardware") / "delays.json"
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        found["inputs"]["clamp"]["rising"]["u_us"], found["dead_time"]["clamp_us"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UserError(
            f"the conditioner delays in {path} cannot be read ({error}); install sparkwitness "
            "again or make the file with `python hardware/simulate.py --write`"
        ) from None
    return found


def delay(
    kind: str, falling: bool = False, rpm: float | None = None, coil: Coil | None = None
) -> Delay:
    """Delay of one kind of input.

    Args:
        kind: a name in `CRANK_KINDS`, `CLAMP_KINDS` or `TRIGGER_KINDS`.
        falling: the edge of the pin that is stamped.
        rpm: crank speed, rev/min; used where the delay depends on it (vr), and needed there.
        coil: of a vr sensor, as far as it is known.

    Raises:
        UserError: no such kind, edge or speed, or a coil outside what was simulated.
    """
    inputs = _file()["inputs"]
    if kind == "first_spark":
        return _either(delay("first_spark_hall", falling), delay("first_spark_logic", falling))
    if kind not in inputs:
        raise UserError(f"no conditioner is named {kind}: use one of {', '.join(sorted(inputs))}")
    edge = "falling" if falling else "rising"
    other = "rising" if falling else "falling"
    if edge not in inputs[kind]:
        raise UserError(f"the {kind} input is timed on its {other} edge: stamp that one")
    row = inputs[kind][edge]
    if "by_rpm" not in row:
        return Delay(row["delay_us"], row["u_us"])
    if rpm is None or not rpm > 0:
        raise UserError(f"the delay of the {kind} input depends on the speed: give it in rpm")
    return _of_coil(row["by_rpm"], inputs[kind]["model"], rpm, coil or Coil())


def _either(a: Delay, b: Delay) -> Delay:
    """An equal mix of two: the second moment about the mean of both."""
    spread = (a.u_us**2 + b.u_us**2) / 2 + ((a.us - b.us) / 2) ** 2
    return Delay((a.us + b.us) / 2, sqrt(spread))


def _of_coil(by_rpm: list[Any], model: dict[str, Any], rpm: float, coil: Coil) -> Delay:
    """Delay of a vr sensor: hardware/delays.json, "model", says how it is put together.

    What does not hang on the coil is read where the voltage falls as fast as on the wheel that was
    simulated; the coil's own part is its low-pass, 1e6 atan(w tau) / w.
    """
    alike = rpm * sqrt(coil.teeth / model["teeth"])
    radians_s = 2 * pi * coil.teeth * rpm / 60
    least, most = _lags(model, coil)
    near, far = (1e6 * atan(radians_s * tau) / radians_s for tau in (least, most))
    rest = _between(model["rest"], alike)
    u = float(np.hypot(rest.u_us, (far - near) / sqrt(12)))
    if coil.ohm is not None or coil.henry is not None:
        return Delay(rest.us + (near + far) / 2, u)
    # The table holds the unknown coil of the simulated wheel: only the wheel's part changes. Its
    # coils lie evenly in their range; small ones are common, so the whole range counts.
    found = _between(by_rpm, alike)
    there = 2 * pi * model["teeth"] * alike / 60
    was = sum(1e6 * atan(there * tau) / there for tau in (least, most)) / 2
    return Delay(found.us - was + (near + far) / 2, max(found.u_us, u))


# An inductance as an instrument or a data sheet says it: common practice, no source.
_HENRY_WITHIN = 0.1


def _lags(model: dict[str, Any], coil: Coil) -> tuple[float, float]:
    """Least and most time constant of coil and input resistor, s."""
    least, most = model["coil_henry"]
    short, long = (ms * 1e-3 for ms in model["coil_ms"])
    series = model["r301_ohm"]
    if coil.henry is not None:
        if not least <= coil.henry <= most:
            raise UserError(
                f"a coil of {coil.henry:g} H was not simulated: known are {least:g} to {most:g} H"
            )
        low, high = coil.henry * (1 - _HENRY_WITHIN), coil.henry * (1 + _HENRY_WITHIN)
        ohms = (coil.henry / long, coil.henry / short) if coil.ohm is None else (coil.ohm, coil.ohm)
        return low / (series + ohms[1]), high / (series + ohms[0])
    if coil.ohm is not None:
        low, high = max(least, short * coil.ohm), min(most, long * coil.ohm)
        if low > high:
            raise UserError(
                f"a coil of {coil.ohm:g} Ω was not simulated: known are {least / long:.0f} to "
                f"{most / short:.0f} Ω"
            )
        return low / (series + coil.ohm), high / (series + coil.ohm)
    return least / (series + least / short), most / (series + most / long)


def _between(rows: list[Any], rpm: float) -> Delay:
    """A table's delay between its speeds."""
    # Between the speeds both change smoothly with the logarithm of the speed; outside, the
    # voltage-bound part grows as 1 / rpm^2 below, so only the simulated range is given.
    speeds = np.log([point["rpm"] for point in rows])
    at = float(np.clip(np.log(rpm), speeds[0], speeds[-1]))
    mean, u = (
        float(np.interp(at, speeds, [point[name] for point in rows]))
        for name in ("delay_us", "u_us")
    )
    if rpm < rows[0]["rpm"]:
        u *= (rows[0]["rpm"] / rpm) ** 2
    return Delay(mean, u)


def clamp_less_crank(
    clamp: str,
    crank: str,
    falling: bool,
    rpm: float,
    coil: Coil | None = None,
) -> Delay:
    """The clamp path's delay less the crank path's: `delay_us`, `u_delay_us` of a measurement.

    Args:
        clamp: one of `CLAMP_KINDS`; "clamp" where the kind of ignition is not known.
        crank: one of `CRANK_KINDS`; a breadboard's has its own clamp.
        falling: the edge of the crank pin that is stamped.
        rpm: crank speed, rev/min.
        coil: of a vr sensor, as far as it is known.
    """
    if crank.startswith("first_spark"):
        clamp = "first_spark_clamp"
    return delay(clamp) - delay(crank, falling, rpm, coil)


@dataclass(frozen=True)
class PolarityRule:
    """By what a VR sensor's wires tell which way round they are: delays.json, vr, polarity.

    Attributes:
        check_rpm: below which the figures hold, crank rev/min.
        gap_within: by which part of itself the wheel's gap may be off.
        most_high_pitches: for which the pin is high over the gap, tooth steps.
        longer_pitches: by which one pulse beside the gap must be longer to tell, tooth steps.
        most_high_turn: for which the pin is high of a single tooth's turn.
    """

    check_rpm: float
    gap_within: float
    most_high_pitches: float
    longer_pitches: float
    most_high_turn: float


@cache
def polarity() -> PolarityRule:
    """The rule that hardware/delays.json has."""
    found = _file()["inputs"]["vr"]["polarity"]
    return PolarityRule(*(float(found[name]) for name in PolarityRule.__dataclass_fields__))


def dead_time_us(kind: str = "clamp") -> float:
    """An edge sooner than this after the one before is ringing, µs ("clamp" or "points").

    Raises:
        UserError: no dead time for that kind.
    """
    name = f"{kind}_us"
    if name not in _file()["dead_time"]:
        raise UserError(f"no dead time is known for {kind}: use clamp or points")
    return float(_file()["dead_time"][name])
