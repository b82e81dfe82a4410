"""Starts: a crank that stands, is turned by a starter, catches and runs, and what its ignition did.

The speed is drawn by time, the compressions ride on it by angle; nothing of it is fitted. Shapes
are common practice, no source.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

from .cases import mark_of
from .engine import Motion, even
from .frames import TICK_PS, encode
from .judged import U_ANGLE, U_DELAY_US, Row
from .pickups import Mark

Rng = np.random.Generator
_STEP_S = 1e-4
_SWITCH_RPM = 450.0  # the controller takes its other angle above


@dataclass(frozen=True)
class Begun:
    """A start as it really is.

    Attributes:
        cylinders: of a four-stroke that fires evenly.
        stands_s, cranks_s, runs_s: how long.
        crank_rpm, idle_rpm: mean speeds.
        rise_s: time constant of the catching.
        swing: relative swing of the speed by the compressions while cranking.
        blind: firings that the controller lets pass before it knows where the crank is.
        cranking, running: degrees BTDC at which it asks, below and above `_SWITCH_RPM`.
        jitter: standard deviation of that.
        delay_us: of the module.
        misfire: share of triggers without a spark while cranking.
        rest_v, low_v: supply before, and as the starter takes hold; 0.6 V more while it turns.
        catches: else the starter turns to the end.
    """

    cylinders: int = 4
    stands_s: float = 1.5
    cranks_s: float = 2.5
    runs_s: float = 8.0
    crank_rpm: float = 190.0
    idle_rpm: float = 950.0
    rise_s: float = 0.35
    swing: float = 0.12
    blind: int = 4
    cranking: float = 6.0
    running: float = 14.0
    jitter: float = 0.2
    delay_us: float = 40.0
    misfire: float = 0.0
    rest_v: float = 12.6
    low_v: float = 10.2
    catches: bool = True


@dataclass
class Truth:
    """What happened.

    Attributes:
        trigger, spark: seconds by firing; NaN: none.
        degrees: BTDC of the spark, by the crank's own motion.
        caught: seconds, when the engine begins to turn by itself.
        stood: seconds, the crank's first edge.
    """

    trigger: np.ndarray
    spark: np.ndarray
    degrees: np.ndarray
    caught: float
    stood: float


def _motion(made: Begun, rng: Rng) -> tuple[Motion, float]:
    """The motion, and when the mean speed leaves that of the starter."""
    length = made.stands_s + made.cranks_s + made.runs_s
    t = np.arange(0, length, _STEP_S)
    turning = t - made.stands_s
    mean = np.where(turning > 0, made.crank_rpm * (1 - np.exp(-np.maximum(turning, 0) / 0.05)), 0.0)
    catch = made.stands_s + made.cranks_s
    if made.catches:
        up = 1 - np.exp(-np.maximum(t - catch, 0) / made.rise_s)
        mean = mean + (made.idle_rpm - made.crank_rpm) * up
    base = np.concatenate(([0.0], np.cumsum(6.0 * mean[:-1] * _STEP_S)))
    # The compressions brake and push; the same energy swings a faster crank less, by its square.
    swing = made.swing * np.minimum(1.0, (made.crank_rpm / np.maximum(mean, 1.0)) ** 2)
    start = float(rng.uniform(0, 720))
    phase = np.radians((start + base) * made.cylinders / 2)
    speed = mean * (1 + swing * np.sin(phase))
    degrees = start + np.concatenate(([0.0], np.cumsum(6.0 * speed[:-1] * _STEP_S)))
    moves = np.flatnonzero(np.diff(degrees, prepend=degrees[0] - 1) > 0)
    return Motion(degrees[moves], t[moves]), catch


def draw(rng: Rng, **fixed: Any) -> Begun:
    """Some start."""
    made = Begun(
        int(rng.choice((1, 2, 3, 4, 6, 8))), float(rng.uniform(0.8, 2)), float(rng.uniform(2, 4)),
        float(rng.uniform(6, 10)), float(rng.uniform(130, 260)), float(rng.uniform(750, 1300)),
        float(rng.uniform(0.15, 0.6)), float(rng.uniform(0.02, 0.2)), int(rng.integers(0, 12)),
        float(rng.uniform(0, 12)), float(rng.uniform(5, 25)), float(rng.uniform(0.1, 0.4)),
        float(rng.uniform(5, 150)), float(rng.uniform(0, 0.1)), float(rng.uniform(12.2, 13)),
        float(rng.uniform(8, 11.5)),
    )  # fmt: skip
    # One cylinder gives half of two's events: a person waits until there are enough.
    made = replace(made, runs_s=made.runs_s * max(1.0, 2 / made.cylinders))
    return replace(made, **fixed)


def started(
    made: Begun, mark: Mark, rng: Rng, supply: bool = True, **typed: Any
) -> tuple[measure.Measurement, Truth]:
    """Its recording as it is measured, and the truth."""
    motion, catch = _motion(made, rng)
    low, high = motion.degrees[[0, -1]]
    tdc = np.arange(np.ceil((low + 90) / 720), np.floor(high / 720))[:, None] * 720
    tdc = (tdc + np.array(even(made.cylinders))).ravel()
    # Speed near each dead centre, by a quarter turn before it.
    rpm = 15.0 / (motion.at(tdc) - motion.at(tdc - 90))
    asked = np.where(rpm < _SWITCH_RPM, made.cranking, made.running)
    asked = asked + made.jitter * rng.standard_normal(len(tdc))
    trigger = motion.at(tdc - asked)
    trigger[: made.blind] = np.nan
    good = np.isfinite(motion.at(tdc))
    asked, trigger, tdc = asked[good], trigger[good], tdc[good]
    spark = trigger + made.delay_us * 1e-6 * (1 + 0.02 * rng.standard_normal(len(trigger)))
    spark[(rng.random(len(spark)) < made.misfire) & (trigger < catch)] = np.nan
    late = rng.normal(0, U_DELAY_US, 2) * 1e-6
    there = np.isfinite(trigger)
    edges = {
        "crank": mark.edges(motion, rng), "clamp_a": spark[np.isfinite(spark)] + late[0],
        "trigger": trigger[there] - 3e-3 + late[1],
    }  # fmt: skip

    def volts(now: float) -> float:
        if made.stands_s - 0.05 < now < made.stands_s + 0.1:
            return made.low_v  # the starter takes hold
        if made.stands_s < now < catch:
            return made.low_v + 0.6
        return made.rest_v + (1.4 if now > catch + 1 else 0.0)

    data = encode(
        edges, motion.length, 1, 0.0, rng, {"trigger": trigger[there] + late[1]},
        volts if supply else None,
    )  # fmt: skip
    off = float(rng.normal(0, U_ANGLE))
    setup = Setup(
        Reference(mark.teeth, mark.missing, mark.turns, mark.angle + off, U_ANGLE),
        cylinders=made.cylinders, strokes=4, clamp="coil", delay_us=0.0, u_delay_us=U_DELAY_US,
        trigger_delay_us=0.0, u_trigger_delay_us=U_DELAY_US, commanded=made.running,
        seen=made.running, trigger="falling", confirmed=("clamp_side", "large_error"), **typed,
    )  # fmt: skip
    analyzer = Analyzer(setup, TICK_PS)
    analyzer.feed(data)
    truth = Truth(trigger, spark, tdc - motion.angle(spark), catch, float(edges["crank"].min()))
    return measure.evaluate(setup, analyzer.finish()), truth


def marked(rng: Rng, reference: str) -> Mark:
    """A wheel of that kind somewhere on the crank."""
    mark = mark_of(reference, float(np.round(rng.uniform(30, 330), 1)))
    return Mark(**{**vars(mark), "delay_us": 0.0, "jitter_us": 0.2})


def judge(found: measure.Measurement, true: Truth, made: Begun) -> dict[str, tuple[bool, str]]:
    """First spark, catching, timing of each phase and supply, against what happened."""
    one = found.start
    if one is None or found.timing is None:
        return {"told": (False, "true")}
    first = float(np.nanmin(np.where(true.spark >= one.sync_s, true.spark, np.nan)))
    said = {
        "told": (one.stood and one.supply == "measured", "true"),
        "first spark": (abs(one.sync_s + (one.first_s or 0.0) - first) < 1e-5, "true"),
        "caught": (
            abs(one.sync_s + (one.caught_s or 0.0) - true.caught) < 150 / made.crank_rpm, "true",
        ),
        "supply": (
            one.low_v is not None and abs(one.low_v - made.low_v) < 0.01
            and one.rest_v is not None and abs(one.rest_v - made.rest_v) < 0.01, "true",
        ),
    }  # fmt: skip
    for phase in one.phases:
        mine = (true.spark > phase.from_s) & (true.spark <= phase.to_s)
        if phase.timing is not None and np.count_nonzero(mine) >= 4:
            off = abs(phase.timing - float(true.degrees[mine].mean()))
            said[phase.name] = (off <= phase.timing.u95, "all")
    return said


def _made(rng: Rng, reference: str) -> tuple[measure.Measurement, Truth, Begun]:
    made = draw(rng)
    return *started(made, marked(rng, reference), rng), made


def rows() -> list[Row]:
    """Rows of the accuracy table."""
    return [
        Row(f"start, {kind}", None, judge, lambda rng, k=kind: _made(rng, k))
        for kind in ("60-2", "36-1", "cam 60-2")
    ]
