"""An ignition whose controller and module are known apart: triggers, dwell, sparks by cylinder.

All times in seconds, angles in crank degrees; angle 0 is the first firing's dead centre. What
holds the coil's charge begins at one flank of the trigger and ends at the other.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .engine import Engine, Motion

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ignition:
    """The ignition as it really is.

    Attributes:
        advance: degrees BTDC at which the controller asks, mean of all cylinders.
        each: by how much each cylinder is asked earlier, in firing order; empty: alike.
        jitter: standard deviation of the asked angle, degrees.
        delay_us, delay_jitter_us: from the firing flank to the first spark.
        falls: the falling flank fires, else the rising one.
        dwell_ms, dwell_jitter_ms: on-time before the firing flank.
        dwell_deg: on-time in crank degrees in its place, by cylinder; empty: in ms.
        misfire: probability of a trigger without a spark, by cylinder in firing order; empty: 0.
        skipped: probability that nobody asks.
        bounce: probability that contacts bounce as they close.
        burst, spacing_us: sparks per event, and the time between them.
    """

    advance: float = 15.0
    each: tuple[float, ...] = ()
    jitter: float = 0.1
    delay_us: float = 30.0
    delay_jitter_us: float = 0.8
    falls: bool = True
    dwell_ms: float = 3.0
    dwell_jitter_ms: float = 0.01
    dwell_deg: tuple[float, ...] = ()
    misfire: tuple[float, ...] = ()
    skipped: float = 0.0
    bounce: float = 0.0
    burst: int = 1
    spacing_us: float = 700.0


@dataclass
class Fired:
    """What happened, one element per due firing in order of time.

    Attributes:
        cylinder: int place in the firing order, from 0.
        asked: degrees BTDC of the firing flank; NaN: nobody asked.
        trigger, spark: seconds; NaN: none. on: seconds of the other flank.
        sparks: seconds of all sparks.
        rising, falling: seconds of the tap's flanks.
        bounced: bool, its contacts bounced.
    """

    cylinder: NDArray[np.int64]
    asked: Floats
    trigger: Floats
    spark: Floats
    on: Floats
    sparks: Floats
    rising: Floats
    falling: Floats
    bounced: NDArray[np.bool_]


def fire(engine: Engine, made: Ignition, motion: Motion, rng: np.random.Generator) -> Fired:
    """All firings of a motion."""
    n = len(engine.tdc)
    low, high = motion.degrees[[0, -1]]
    cycles = np.arange(np.floor(low / engine.cycle), np.ceil(high / engine.cycle) + 1)
    tdc = (cycles[:, None] * engine.cycle + np.array(engine.tdc)).ravel()
    cylinder = np.tile(np.arange(n), len(cycles))
    each = np.array(made.each or (0.0,) * n)
    asked = made.advance + each[cylinder] + made.jitter * rng.standard_normal(len(tdc))
    trigger = motion.at(tdc - asked)
    inside = np.isfinite(trigger) & (tdc - asked - 90 > low)
    cylinder, asked, trigger, tdc = (x[inside] for x in (cylinder, asked, trigger, tdc))
    late = made.delay_us + made.delay_jitter_us * rng.standard_normal(len(tdc))
    spark = trigger + np.maximum(late, 0.0) * 1e-6
    skip = rng.random(len(tdc)) < made.skipped
    asked[skip] = trigger[skip] = np.nan
    share = np.array(made.misfire or (0.0,) * n)
    spark[skip | (rng.random(len(tdc)) < share[cylinder])] = np.nan
    if made.dwell_deg:
        on = motion.at(tdc - asked - np.array(made.dwell_deg)[cylinder])
    else:
        longest = 0.8 * np.diff(motion.at(tdc), prepend=-1.0)
        length = made.dwell_ms * 1e-3 + made.dwell_jitter_ms * 1e-3 * rng.standard_normal(len(tdc))
        on = trigger - np.minimum(length, np.maximum(longest, 1e-4))
    on[skip] = np.nan
    asks = np.isfinite(trigger) & np.isfinite(on)
    ons, offs = [on[asks]], [trigger[asks]]
    bounced = asks & (rng.random(len(tdc)) < made.bounce)
    for t in on[bounced]:
        # Contacts open once or twice again for a tenth of a millisecond or two.
        at = t
        for _ in range(int(rng.integers(1, 3))):
            opens = at + rng.uniform(0.08e-3, 0.25e-3)
            at = opens + rng.uniform(0.04e-3, 0.2e-3)
            offs.append(np.array([opens]))
            ons.append(np.array([at]))
    start, end = np.sort(np.concatenate(ons)), np.sort(np.concatenate(offs))
    sparks = spark[np.isfinite(spark)]
    every = (sparks[:, None] + made.spacing_us * 1e-6 * np.arange(made.burst)).ravel()
    rising, falling = (start, end) if made.falls else (end, start)
    return Fired(cylinder, asked, trigger, spark, on, np.sort(every), rising, falling, bounced)
