"""Delay of the input conditioners and dead time, as hardware/delays.json has them.

The file is made by simulation of the schematic (hardware/simulate.py); this module only reads it.
"""

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from sparkwitness import shipped
from sparkwitness.errors import UserError

CRANK_KINDS = ("vr", "hall_optical", "logic")
CLAMP_KINDS = ("clamp", "clamp_inductive", "clamp_capacitive")
TRIGGER_KINDS = ("logic", "hall_optical", "points", "isolated", "isolated_5v", "isolated_12v")


@dataclass(frozen=True)
class Delay:
    """From the cause to the pin's edge: mean and standard uncertainty (k = 1), µs."""

    us: float
    u_us: float

    def __sub__(self, other: "Delay") -> "Delay":
        """Difference of two independent delays (JCGM 100, 5.1.2)."""
        return Delay(self.us - other.us, float(np.hypot(self.u_us, other.u_us)))


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


def delay(kind: str, falling: bool = False, rpm: float | None = None) -> Delay:
    """Delay of one kind of input.

    Args:
        kind: a name in `CRANK_KINDS`, `CLAMP_KINDS` or `TRIGGER_KINDS`.
        falling: the edge of the pin that is stamped.
        rpm: crank speed, rev/min; used where the delay depends on it (vr), and needed there.

    Raises:
        UserError: no such kind, edge or speed.
    """
    inputs = _file()["inputs"]
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
    # Between the speeds both change smoothly with the logarithm of the speed; outside, the
    # voltage-bound part grows as 1 / rpm^2 below, so only the simulated range is given.
    speeds = np.log([point["rpm"] for point in row["by_rpm"]])
    at = float(np.clip(np.log(rpm), speeds[0], speeds[-1]))
    mean, u = (
        float(np.interp(at, speeds, [point[name] for point in row["by_rpm"]]))
        for name in ("delay_us", "u_us")
    )
    if rpm < row["by_rpm"][0]["rpm"]:
        u *= (row["by_rpm"][0]["rpm"] / rpm) ** 2
    return Delay(mean, u)


def clamp_less_crank(
    clamp: str = "clamp", crank: str = "hall_optical", falling: bool = True, rpm: float = 1000.0
) -> Delay:
    """The clamp path's delay less the crank path's: `delay_us`, `u_delay_us` of a measurement.

    Args:
        clamp: one of `CLAMP_KINDS`; "clamp" where the kind of ignition is not known.
        crank: one of `CRANK_KINDS`.
        falling: the edge of the crank pin that is stamped.
        rpm: crank speed, rev/min.
    """
    return delay(clamp) - delay(crank, falling, rpm)


def dead_time_us(kind: str = "clamp") -> float:
    """An edge sooner than this after the one before is ringing, µs ("clamp" or "points").

    Raises:
        UserError: no dead time for that kind.
    """
    name = f"{kind}_us"
    if name not in _file()["dead_time"]:
        raise UserError(f"no dead time is known for {kind}: use clamp or points")
    return float(_file()["dead_time"][name])
