"""Parts that bench results are put together from, each figure typed: no module is simulated."""

from dataclasses import replace
from math import hypot, sqrt

import numpy as np

from sparkwitness.bench.plan import Plan, Segment
from sparkwitness.bench.result import Mean, Point, Result, Sweep
from sparkwitness.bench.shots import Shots, Stretch
from sparkwitness.timing.stats import clopper_pearson


def mean(value: float, s: float = 2.0, n: int = 100) -> Mean:
    """Of independent values."""
    u = s / sqrt(n)
    return Mean(value, u, 2 * hypot(u, 2.0), s, n, value - 3 * s, value + 3 * s, n - 1.0)


def point(rpm: float = 3000.0, triggers: int = 400, missed: int = 0, delay: float | Mean = 40.0,
          kind: str = "step", **more) -> Point:  # fmt: skip
    answered = triggers - missed
    return Point(**{
        "index": 0, "segment": Segment(kind, rpm, rpm, 4.0), "rpm": mean(rpm, 1.0),
        "triggers": triggers, "answered": answered, "drop_out": clopper_pearson(missed, triggers),
        "doubles": 0, "strays": 0, "false_us": None,
        "delay_us": mean(delay) if isinstance(delay, float) else delay, "sparks": {1: answered},
        "count": mean(1.0, 0.0, max(2, answered)), "spacing_us": None, "duration_us": None,
        "supply_mv": None, "cut": 0, "off_speed": 0, "visits": 1, "clumping": 1.0,
        "in_band": 0, **more,
    })  # fmt: skip


def made(*points: Point, limits=None, ramps=(), sweep_of=None, stretches=(), **plan) -> Result:
    numbered = [replace(p, index=k) for k, p in enumerate(points)]
    return Result(
        Plan.from_dict({"ramps": [], "limits": limits or {}, **plan}),
        points=numbered, ramps=list(ramps), sweep=sweep_of or Sweep(most_rpm=6000.0),
        triggers=sum(p.triggers for p in points), answered=sum(p.answered for p in points),
        measured_s=20.0, stretches=list(stretches),
    )  # fmt: skip


def shots(rpm, sparks, duration=0.0, false=0) -> Shots:
    rpm, sparks = np.asarray(rpm, float), np.asarray(sparks, np.int64)
    n = len(rpm)
    return Shots(
        np.arange(n) * 0.01, rpm, np.where(sparks > 0, 40.0, np.nan), sparks,
        np.broadcast_to(np.asarray(duration, float), n), np.broadcast_to(np.int64(false), n),
        np.full(n, np.nan),
    )  # fmt: skip


def stretch(made_of: Shots, low=1000.0, high=6000.0, kind="ramp", index=0, **more) -> Stretch:
    return Stretch(**{
        "index": index, "segment": Segment(kind, low, high, 20.0), "begin": 0.0, "end": 20.0,
        "shots": made_of, "cut": 0, "off_speed": 0, "driven": 0, "seen": 0, "supply_mv": None,
        "outputs_off": False, **more,
    })  # fmt: skip
