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
        drift: crank degrees by which the timing moves in time; how is its `shape`: "wave", plus and
            minus so much, 0.3 to 2 times over the sweep; "line", from minus to plus so much;
            "jump", between both at one time; "walk", a random walk whose end has this standard
            deviation.
        times: up and down so often.
        one_way: up only.
        advance: crank degrees per 1000 rpm above the slowest.
        swing: peak relative speed swing at the slowest.
    """

    teeth: int = 36
    missing: int = 1
    tooth_error: float = 0.0
    eccentric: float = 0.0
    drift: float = 0.0
    shape: str = "wave"
    times: int = 1
    one_way: bool = False
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


def _up(course: Course, rng: np.random.Generator) -> Motion:
    """From the slowest speed to the fastest."""
    ramp = (course.fast - course.slow) / 14.0
    return turn(Engine(even(4), rpm=course.slow, swing=course.swing, ramp=ramp), 300, rng)


def _there_and_back(course: Course, rng: np.random.Generator) -> Motion:
    """Up from the slowest speed to the fastest and down again."""
    up = _up(course, rng)
    # The same back: time runs the other way round for a shaft that slows down.
    back = _up(course, rng)
    return _again(up, Motion(-back.degrees[::-1], -back.seconds[::-1]))


def _again(motion: Motion, other: Motion) -> Motion:
    """One motion after the other, which begins at the speed at which the first ends."""
    shift = np.ceil((motion.degrees[-1] - other.degrees[0]) / 720.0) * 720.0
    step = motion.seconds[-1] - motion.seconds[-2]
    step *= (other.degrees[0] + shift - motion.degrees[-1]) / np.diff(motion.degrees[-2:])[0]
    seconds = other.seconds - other.seconds[0] + motion.seconds[-1] + step
    return Motion(
        np.concatenate((motion.degrees, other.degrees + shift)),
        np.concatenate((motion.seconds, seconds)),
    )


def _moved(course: Course, passed: Floats, rng: np.random.Generator) -> Floats:
    """Crank degrees by which the timing has moved, at shares of the time."""
    if course.shape == "line":
        return course.drift * (2 * passed - 1)
    if course.shape == "jump":
        return np.where(passed < rng.uniform(0.1, 0.9), -course.drift, course.drift)
    if course.shape == "walk":
        steps = np.cumsum(rng.standard_normal(1000)) / np.sqrt(1000)
        return course.drift * np.interp(passed, np.linspace(0, 1, 1000), steps)
    turns = rng.uniform(0.3, 2.0) * passed
    return course.drift * np.sin(2 * np.pi * (turns + rng.random()))


def sweep(course: Course, rng: np.random.Generator) -> Swept:
    """One sweep through the functions that `sparkwitness curve` uses."""
    motion = _up(course, rng) if course.one_way else _there_and_back(course, rng)
    for _ in range(course.times - 1):
        motion = _again(motion, _there_and_back(course, rng))
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
    early = _moved(course, sparks / motion.length, rng)
    early = early + course.advance * (speed - course.slow) / 1000
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
