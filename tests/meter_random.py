"""Random engines and faults of the second hand (tests/truth/cases.py) for the stand-alone meter.

No number may be wrong by more than 0.5 degrees where no reason stands with it, nor by more than
twice its own interval (k = 2) in any case; but for VR WIRES RIGHT?, which says that the
whole number may be half a tooth off, and TWO EDGES EACH?, where the first may be no spark. A tenth
is shown: half of it more.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from meter_rig import Look, Play, ticks
from truth import cases
from truth.engine import turn

CLAMPS = {"plug": 0, "wasted": 1, "coil": 2}
# As firmware/settings.py has them; a breadboard's sensor that is not said more closely: Hall.
SENSORS = {"hall_optical": 0, "vr": 1, "logic": 2, "first_spark": 3, "first_spark_hall": 3,
           "first_spark_logic": 4}  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """A random case: its row, what the meter gets, and the angles that are true of it."""

    row: cases.Row
    play: Play
    truths: tuple[float, ...]


def draw(seed: int) -> list[Drawn]:
    """One case of each row that the meter can be set for."""
    found = []
    for row in cases.as_typed() + cases.faults():
        if row.name == "two sessions":
            continue
        rng = np.random.default_rng((seed, zlib.crc32(row.name.encode())))
        case = row.draw(rng)
        typed, world = case.typed, case.world
        if typed["clamp"] == "auto":  # the meter wants to be told
            continue
        mark = cases.mark_of(typed["reference"], 0.0)
        angle = float(typed["reference_angle"])
        # What is typed wrong by a little is in the interval, see `blind`.
        if abs((world.mark.angle - angle + 180) % 360 - 180) < 4:
            angle = (world.mark.angle + 360) % 720 - 360
        motion = turn(world.engine, world.cycles, rng)
        play = Play(
            ticks(world.mark.edges(motion, rng)),
            ticks(world.clamp.edges(world.engine, world.sparks, motion, rng)),
            {"teeth": mark.teeth, "missing": mark.missing, "turns": mark.turns,
             "reference_mdeg": round(1000 * angle),
             "sensor": SENSORS[typed.get("sensor", "hall_optical")],
             "falling": int("crank" in typed.get("falling", ())),
             "within_mdeg": round(1000 * float(typed["reference_within"])),
             "cylinders": int(typed["cylinders"]), "strokes": int(typed["strokes"]),
             "clamp": CLAMPS[typed["clamp"]],
             "commanded_mdeg": round(1000 * float(typed["commanded"]))},
            ms=min(8_000, int(1000 * motion.length)), step=3,
        )  # fmt: skip
        found.append(Drawn(row, play, case.truths))
    return found


def wrong(looks: list[Look], truths: tuple[float, ...]) -> list[Look]:
    """What was shown and must not have been."""
    found = []
    for look in looks:
        off = min(abs(look.timing - one) for one in truths) - 0.051
        alone = off > 0.5 and not look.reason
        open_ = look.reason in ("WIRES", "TWICE")
        if look.timed and (alone or (off > 2 * look.within and not open_)):
            found.append(look)
    return found
