"""Sweeps over speed on engines of the second hand: what `curve` makes of them, with the truth.

An engine is let run up and down again; the clamp answers late by a time that `curve` should find
beside the fixed angle. What spoils it: teeth that are off, one pulse a turn, drift, an advance
that is not locked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.cli.typed import setup_from
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.curve import curve
from sparkwitness.timing.fit import DelayFit
from sparkwitness.timing.gates import Finding
from truth.engine import Engine, Motion, even, turn
from truth.frames import TICK_PS, encode
from truth.pickups import Clamp, Mark, Sparks, clamp_late_us, late_us

Floats = NDArray[np.float64]

COMMANDED = 12.0


@dataclass(frozen=True)
class Course:
    """A sweep.

    Attributes:
        teeth, missing: of the wheel; 1 and 0: one pulse a turn.
        tooth_error, eccentric: crank degrees, see `pickups.Mark`.
        drift: crank degrees by which the timing wanders, 0.3 to 2 times over the sweep.
        advance: crank degrees per 1000 rpm above the slowest.
        swing: peak relative speed swing at the slowest.
    """

    teeth: int = 36
    missing: int = 1
    tooth_error: float = 0.0
    eccentric: float = 0.0
    drift: float = 0.0
    advance: float = 0.0
    swing: float = 0.03
    slow: float = 900.0
    fast: float = 4200.0


@dataclass(frozen=True)
class Swept:
    """What came out: the fit, or None; the delay that is true, µs; codes of the findings."""

    fit: DelayFit | None
    delay_us: float
    fixed: float
    codes: tuple[str, ...]


def _there_and_back(course: Course, rng: np.random.Generator) -> Motion:
    """Up from the slowest speed to the fastest and down again."""
    up = turn(Engine(even(4), rpm=course.slow, swing=course.swing,
                     ramp=(course.fast - course.slow) / 14.0), 300, rng)  # fmt: skip
    # The same back: time runs the other way round for a shaft that slows down.
    back = turn(Engine(even(4), rpm=course.slow, swing=course.swing,
                       ramp=(course.fast - course.slow) / 14.0), 300, rng)  # fmt: skip
    degrees, seconds = -back.degrees[::-1], -back.seconds[::-1]
    shift = np.ceil((up.degrees[-1] - degrees[0]) / 720.0) * 720.0
    gap = (degrees[0] + shift - up.degrees[-1]) / (6 * course.fast)
    return Motion(
        np.concatenate((up.degrees, degrees + shift)),
        np.concatenate((up.seconds, seconds - seconds[0] + up.seconds[-1] + gap)),
    )


def sweep(course: Course, rng: np.random.Generator) -> Swept:
    """One sweep through the functions that `sparkwitness curve` uses."""
    motion = _there_and_back(course, rng)
    delay, fixed = float(rng.uniform(50, 400)), float(rng.uniform(-3, 3))
    angle = float(rng.uniform(20, 80)) if course.teeth == 1 else float(rng.uniform(-150, 150))
    late = clamp_late_us(rng)
    mark = Mark(
        course.teeth, course.missing, 1, angle, course.tooth_error,
        eccentric=course.eccentric, delay_us=late_us(rng, "hall_optical"),
    )  # fmt: skip
    engine = Engine(even(4))
    sparks = Clamp(0, delay_us=late).edges(engine, Sparks(COMMANDED + fixed), motion, rng)
    speed = np.gradient(motion.angle(sparks), sparks) / 6
    turns = rng.uniform(0.3, 2.0) * sparks / motion.length
    slow = course.drift * np.sin(2 * np.pi * (turns + rng.random()))
    early = slow + course.advance * (speed - course.slow) / 1000
    sparks = sparks - early / (6 * speed) + delay * 1e-6
    edges = {"crank": mark.edges(motion, rng), "clamp_a": sparks}
    setup = setup_from(
        {
            "commanded": COMMANDED, "reference_angle": angle, "reference_within": 0.3,
            "reference": f"{course.teeth}-{course.missing}" if course.missing else "pulse",
            "cylinders": 4, "strokes": 4, "clamp": "plug", "setting": 0.0,
            "confirmed": ("clamp_side",),
        },
        None, ask=False,
    )  # fmt: skip
    analyzer = Analyzer(setup, TICK_PS)
    analyzer.feed(encode(edges, motion.length))
    found = curve(setup, analyzer.finish())
    if isinstance(found, Finding):
        return Swept(None, delay, fixed, (found.code,))
    return Swept(found.fit, delay, fixed, tuple(f.code for f in found.findings))
