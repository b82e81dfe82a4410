"""Delay of one module under several conditions: dwell, supply voltage, temperature.

Each run is driven under one condition. Delays at the same speed are compared over the runs:

    delay = a(speed) + b_dwell * dwell + b_supply * volts + b_temperature * degC

by generalized least squares (JCGM 100, H.3 for the fit; Aitken for the covariance): what one run
shares, such as how the clamp was clipped on, is correlated in all its speeds. The clamp path's own
delay is in every run alike and falls out.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from typing import Any

import numpy as np

from sparkwitness.bench.result import STAMP_US, Result
from sparkwitness.timing import stats

FACTORS = {
    "dwell_ms": ("dwell", "ms"), "supply_v": ("supply", "V"), "temperature_c": ("temperature", "°C")
}  # fmt: skip
_LEAST = {"dwell_ms": 0.05, "supply_v": 0.2, "temperature_c": 2.0}  # less is the same condition
_SAME_RPM = 0.01
_AGAIN_US = 0.3  # from run to run beside the clip: standard uncertainty (our own choice)


@dataclass(frozen=True)
class Row:
    """One run at one speed.

    Attributes:
        run: its name.
        rpm: as set.
        dwell_ms: dwell or pulse width.
        supply_v: lowest measured while driving, else as typed; None: neither.
        supply: "measured", "typed" or "".
        temperature_c: as typed; None: not typed.
        delay_us, expanded_us: mean and U (k = 2), the clamp's delay in it.
        u_us: standard uncertainty from scatter and stamps alone.
    """

    run: str
    rpm: float
    dwell_ms: float
    supply_v: float | None
    supply: str
    temperature_c: float | None
    delay_us: float
    expanded_us: float
    u_us: float


@dataclass(frozen=True)
class Effect:
    """What a condition does to the delay.

    Attributes:
        factor: a key of `FACTORS`.
        per_unit: µs per unit; low, high: its 95 % interval.
        least, most: between which it was varied.
        surely: 0 lies outside the interval.
    """

    factor: str
    per_unit: float
    low: float
    high: float
    least: float
    most: float

    @property
    def surely(self) -> bool:
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Conditions:
    """All runs and what differs with the condition.

    Attributes:
        rows: run by run, the slowest first.
        effects: of each condition that varied and could be told.
        why: of those that could not, a sentence each.
        fits: chi square over freedom, about 1 where straight lines describe the delays.
    """

    rows: tuple[Row, ...]
    effects: tuple[Effect, ...]
    why: tuple[str, ...]
    fits: float | None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        return {
            "rows": [asdict(row) for row in self.rows],
            "effects": [
                {
                    "factor": one.factor, "us_per_unit": one.per_unit,
                    "interval_95": [one.low, one.high], "varied_from": one.least,
                    "varied_to": one.most, "surely": one.surely,
                }
                for one in self.effects
            ],
            "not_told": list(self.why), "chi2_per_freedom": self.fits,
        }  # fmt: skip


def rows(name: str, result: Result) -> list[Row]:
    """A run's delays, speed by speed.

    Args:
        name: for a person.
        result: of the run.
    """
    plan, found = result.plan, []
    for point in result.points:
        if point.delay_us is None or point.segment.kind != "step":
            continue
        measured = point.supply_mv
        volts = plan.supply_v if measured is None else measured / 1000
        kind = "measured" if measured is not None else "typed" if volts is not None else ""
        delay = point.delay_us
        found.append(
            Row(
                name, point.segment.rpm_to, plan.width_us / 1000, volts, kind,
                plan.temperature_c, delay.value, delay.expanded, sqrt(delay.u**2 + STAMP_US**2),
            )
        )  # fmt: skip
    return sorted(found, key=lambda row: row.rpm)


def _driven_at(rpm: float, row: Row) -> bool:
    return abs(row.rpm / rpm - 1) < _SAME_RPM


def compare(runs: Sequence[tuple[str, Result]]) -> Conditions:
    """What the conditions do to the delay.

    Args:
        runs: name and result of each, of the same module.
    """
    listed = [row for name, result in runs for row in rows(name, result)]
    speeds: list[float] = []
    for row in listed:
        if not any(_driven_at(s, row) for s in speeds):
            speeds.append(row.rpm)
    shared = [s for s in speeds if len({r.run for r in listed if _driven_at(s, r)}) > 1]
    usable = [r for r in listed if any(_driven_at(s, r) for s in shared)]
    why, varied = [], []
    for factor, (word, unit) in FACTORS.items():
        values = [getattr(row, factor) for row in usable]
        if not usable or all(v is None for v in values):
            if factor != "dwell_ms":
                option = "--supply" if factor == "supply_v" else "--temperature"
                why.append(f"{word}: neither measured nor typed ({option})")
        elif any(v is None for v in values):
            why.append(f"{word}: not known of every run")
        elif max(values) - min(values) < _LEAST[factor]:
            why.append(f"{word}: {np.mean(values):.3g} {unit} in every run")
        else:
            varied.append(factor)
    if not shared:
        return Conditions(tuple(listed), (), ("no speed was driven in two runs",), None)
    clip = max(result.plan.u_clip_us for _, result in runs)
    effects, fits, more = _fitted(usable, shared, varied, clip)
    return Conditions(tuple(listed), effects, (*why, *more), fits)


def _fitted(
    usable: list[Row], speeds: list[float], varied: list[str], clip: float
) -> tuple[tuple[Effect, ...], float | None, list[str]]:
    """Slopes of the conditions that varied, how well lines fit, and what cannot be told."""
    if not varied:
        return (), None, []
    runs = {row.run for row in usable}
    place = [np.argmin([abs(row.rpm / s - 1) for s in speeds]) for row in usable]
    table = np.array([[getattr(row, f) for f in varied] for row in usable], np.float64)
    design = np.hstack((np.eye(len(speeds))[place], table))
    if np.linalg.matrix_rank(design) < design.shape[1] or len(runs) <= len(varied):
        words = " and ".join(FACTORS[f][0] for f in varied)
        need = "change one at a time" if len(varied) > 1 else "drive it at another value as well"
        return (), None, [f"{words} changed together, and cannot be told apart: {need}"]
    y = np.array([row.delay_us for row in usable])
    same = np.equal.outer([row.run for row in usable], [row.run for row in usable])
    covariance = np.diag([row.u_us**2 for row in usable]) + same * (clip**2 + _AGAIN_US**2)
    weight = np.linalg.inv(covariance)
    cov = np.linalg.inv(design.T @ weight @ design)
    found = cov @ design.T @ weight @ y
    left = y - design @ found
    freedom = len(usable) - design.shape[1]
    fits = float(left @ weight @ left) / freedom if freedom else None
    scale, k = 1.0, 1.959964
    if fits is not None and fits > 1.0:
        # Lines fit worse than the stated uncertainties: the residuals tell (Birge, Phys. Rev. 40,
        # 207, 1932), with as many degrees of freedom as there are runs left over.
        scale = sqrt(fits)
        k = stats.student_quantile(0.975, max(1, len(runs) - 1 - len(varied)))
    effects = []
    for j, factor in enumerate(varied):
        at = len(speeds) + j
        half = k * scale * float(np.sqrt(cov[at, at]))
        effects.append(
            Effect(
                factor, float(found[at]), float(found[at]) - half, float(found[at]) + half,
                float(table[:, j].min()), float(table[:, j].max()),
            )
        )  # fmt: skip
    return tuple(effects), fits, []
