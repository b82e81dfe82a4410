"""A distributor whose rotor is fixed to its shaft: an engine that runs up, its advance rising.

The truth is where the shaft stood at each spark, from the crank's own motion and nothing else.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

from .engine import Engine, even, turn
from .frames import TICK_PS, encode
from .judged import U_ANGLE, U_DELAY_US, Row
from .starts import marked

Rng = np.random.Generator


@dataclass(frozen=True)
class Cap:
    """A distributor as it really is.

    Attributes:
        cylinders: of a four-stroke that fires evenly.
        low, high: advance at the lowest and highest speed, degrees BTDC, linear between.
        slow, fast: these speeds.
        points_at: crank degrees BTDC at which the rotor stands under its segment.
        burst, spacing_us: sparks per event, and the time between them.
        jitter: standard deviation of the timing, degrees.
    """

    cylinders: int = 6
    low: float = 8.0
    high: float = 30.0
    slow: float = 800.0
    fast: float = 3200.0
    points_at: float = 18.0
    burst: int = 1
    spacing_us: float = 500.0
    jitter: float = 0.2


@dataclass
class Stood:
    """Distributor degrees before (+) or past (-) the segment's middle, at each event's first spark
    and at its last, and the speed there."""

    first: np.ndarray
    last: np.ndarray
    rpm: np.ndarray


def driven(
    made: Cap, rng: Rng, reference: str = "60-2", **typed: Any
) -> tuple[measure.Measurement, Stood]:
    """Its recording as it is measured, and the truth; it runs up, then holds the speed."""
    up = 100.0
    seconds = 1.0 + (made.fast - made.slow) / up
    mean = (made.slow + made.fast) / 2
    engine = Engine(even(made.cylinders), 720.0, made.slow, 0.004, jitter=0.0005, ramp=up)
    motion = turn(engine, int(seconds * mean / 120), rng)
    low, high = motion.degrees[[0, -1]]
    tdc = np.arange(np.ceil((low + 120) / 720), np.floor((high - 120) / 720))[:, None] * 720
    tdc = (tdc + np.array(engine.tdc)).ravel()
    rpm = 20.0 / (motion.at(tdc) - motion.at(tdc - 120))
    share = np.clip((rpm - made.slow) / (made.fast - made.slow), 0, 1)
    asked = made.low + (made.high - made.low) * share + made.jitter * rng.standard_normal(len(tdc))
    spark = motion.at(tdc - asked)
    last = spark + (made.burst - 1) * made.spacing_us * 1e-6
    every = spark[:, None] + made.spacing_us * 1e-6 * np.arange(made.burst)
    mark = marked(rng, reference)
    late = rng.normal(0, U_DELAY_US) * 1e-6
    edges = {"crank": mark.edges(motion, rng), "clamp_a": np.sort(every.ravel()) + late}
    data = encode(edges, motion.length, 1, 0.0, rng)
    setup = Setup(
        Reference(mark.teeth, mark.missing, mark.turns,
                  mark.angle + float(rng.normal(0, U_ANGLE)), U_ANGLE),
        cylinders=made.cylinders, strokes=4, clamp="coil", delay_us=0.0, u_delay_us=U_DELAY_US,
        seen=made.high, confirmed=("clamp_side", "large_error"),
        **{"commanded": made.high, **typed},
    )  # fmt: skip
    analyzer = Analyzer(setup, TICK_PS)
    analyzer.feed(data)
    ends = tdc - motion.angle(last)  # degrees BTDC of the last sparks
    stood = Stood((asked - made.points_at) / 2, (ends - made.points_at) / 2, rpm)
    return measure.evaluate(setup, analyzer.finish()), stood


def judge(found: measure.Measurement, true: Stood, made: Cap) -> dict[str, tuple[bool, str]]:
    """Earliest spark and latest end against what happened, and what is said of the window."""
    one = found.rotor
    if one is None or one.earliest is None or one.latest is None:
        return {"told": (False, "true")}
    early, late = float(np.quantile(true.first, 0.995)), float(np.quantile(true.last, 0.005))
    return {
        "told": (True, "true"),
        "earliest": (abs(one.earliest - early) <= one.earliest.u95, "all"),
        "latest": (abs(one.latest - late) <= one.latest.u95, "all"),
        "swept": (abs(one.swept - (early - late)) <= max(one.swept.u95, 0.3), "often"),
        "window": (not one.outside or max(early, -late) > 10.0, "often"),
    }


def _made(rng: Rng, reference: str) -> tuple[measure.Measurement, Stood, Cap]:
    low = float(rng.uniform(0, 12))
    made = Cap(
        int(rng.choice((4, 6, 8))), low, low + float(rng.uniform(8, 30)), 800.0,
        float(rng.uniform(2000, 3600)), float(rng.uniform(5, 35)), int(rng.choice((1, 3))),
        float(rng.uniform(300, 700)), float(rng.uniform(0.1, 0.4)),
    )  # fmt: skip
    within = 0.6
    typed = made.points_at + float(rng.normal(0, within / 2))
    return *driven(made, rng, reference, rotor=typed, rotor_within=within), made


def rows() -> list[Row]:
    """Rows of the accuracy table."""
    return [
        Row(f"rotor, {kind}", None, judge, lambda rng, k=kind: _made(rng, k))
        for kind in ("60-2", "cam 60-2")
    ]
