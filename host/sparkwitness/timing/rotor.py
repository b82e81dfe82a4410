"""Rotor phase: where in the rotor's window the sparks fall, with the clamp on the coil's lead.

In a distributor the spark jumps from the rotor's tip to the segment that it stands under. The tip
is some 20 degrees of the distributor wide (common practice, no source): a spark outside jumps a
longer gap, to a neighbour in the worst case. A rotor fixed to the shaft moves through the window by
the whole advance; one that centrifugal weights turn with the cam follows that part of it.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import budget as timing
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Whole

Floats = NDArray[np.float64]

WINDOW = 20.0  # distributor degrees (common practice, no source)
_FEWEST, _FEWEST_IN_BIN = 20, 10
_ENDS = (0.005, 0.995)  # of the events: what lies beyond may be a stray
_SPEED_BIN = 0.15  # of the speed's logarithm


@dataclass(frozen=True)
class Course:
    """The rotor at one speed; distributor degrees before (+) or past (-) the segment's middle.

    Attributes:
        rpm: mean speed.
        timing: mean, crank degrees BTDC.
        first, last: rotor at the first sparks, and at the last of their bursts; None: where the
            segment is was not typed.
        events: how many.
    """

    rpm: float
    timing: float
    first: float | None
    last: float | None
    events: int


@dataclass(frozen=True)
class Rotor:
    """The rotor over all speeds of a recording.

    Attributes:
        shaft: "cam": the reference turns with the distributor, so that play of its drive is seen;
            "crank": it is taken as turning with the crank, without play.
        pitch: distributor degrees from segment to segment, the least.
        swept: from the earliest first spark to the latest end of a burst, distributor degrees,
            with u95.
        earliest, latest: rotor there, distributor degrees before (+) or past (-) the segment's
            middle, with u95; None: where that is was not typed.
        next_gap: from the latest end of a burst to the next segment's middle; previous_gap: from
            the earliest spark to the one before; None likewise.
        middle: crank degrees BTDC at which the rotor should point at the segment, so that the
            sweep lies in the middle of the window.
        events: how many.
        bursts: of these, with more than one spark.
        course: by speed, the slowest first.
    """

    shaft: str
    pitch: float
    swept: Number
    earliest: Number | None
    latest: Number | None
    next_gap: float | None
    previous_gap: float | None
    middle: Number
    events: int
    bursts: int
    course: tuple[Course, ...]

    @property
    def outside(self) -> float:
        """Distributor degrees by which sparks surely lie outside the window; 0: they do not."""
        if self.earliest is None or self.latest is None:
            return max(0.0, self.swept - self.swept.u95 - WINDOW)
        beyond = (self.earliest - self.earliest.u95, -self.latest - self.latest.u95)
        return max(0.0, max(beyond) - WINDOW / 2)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""

        def u95(one: Number | None) -> float | None:
            return None if one is None else one.u95

        return {
            "shaft": self.shaft, "segment_pitch_deg": self.pitch, "window_deg": WINDOW,
            "swept_deg": self.swept, "swept_expanded_deg": u95(self.swept),
            "earliest_deg": self.earliest, "earliest_expanded_deg": u95(self.earliest),
            "latest_deg": self.latest, "latest_expanded_deg": u95(self.latest),
            "to_next_segment_deg": self.next_gap, "to_previous_segment_deg": self.previous_gap,
            "middle_crank_deg_btdc": self.middle, "middle_expanded_deg": u95(self.middle),
            "outside_deg": self.outside, "events": self.events, "bursts": self.bursts,
            "course": [asdict(one) for one in self.course],
        }  # fmt: skip


def phase(timing_deg: Floats | float, centre: float, strokes: int) -> Floats | float:
    """Rotor before (+) or past (-) the segment's middle, distributor degrees.

    Args:
        timing_deg: crank degrees BTDC of a spark.
        centre: crank degrees BTDC at which the rotor points at the segment's middle.
        strokes: 4: the distributor turns half as fast as the crank; 2: as fast.
    """
    return (timing_deg - centre) / (strokes / 2)


def read(setup: Setup, all_events: Callable[[], Whole], clamp: str, budget: Budget) -> Rotor | None:
    """Where the sparks fall; None where nothing marks the distributor, or no coil lead is heard.

    Args:
        setup: what was typed.
        all_events: gives all of them, at whatever speed.
        clamp: where it sits, a key of `setup.CLAMPS`.
        budget: of the timing.
    """
    on_cam = setup.reference.turns == 2 or setup.strokes == 2
    if clamp != "coil" or setup.cylinders < 2 or (setup.rotor is None and not on_cam):
        return None
    found = all_events()
    known = np.isfinite(found.angles) & np.isfinite(found.speed) & (found.events.segment >= 0)
    # Crossfire and strays lie far from most; advance and scatter fill what is between.
    found = found.pick(known)
    if len(found.angles) < _FEWEST:
        return None
    middle = np.median(found.angles)
    found = found.pick(np.abs(found.angles - middle) < setup.cycle / setup.cylinders / 2)
    events, first = found.events, found.angles
    ratio = setup.strokes / 2
    burst = np.where(events.sparks > 1, events.last_degrees - events.degrees, 0.0)
    last = first - burst
    early, late = float(np.quantile(first, _ENDS[1])), float(np.quantile(last, _ENDS[0]))
    # What both ends share, the reference angle above all, falls out of their difference.
    own = [c.u for c in budget.components if c.kind == "B" and c.name != "reference angle"]
    u_swept = timing.COVERAGE * float(np.sqrt(2 * sum(u * u for u in own))) / ratio
    earliest = latest = gap = before = None
    pitch = float(np.min(np.diff([*setup.firing_angles, setup.cycle]))) / ratio
    centre = setup.rotor
    if centre is not None:
        u95 = float(np.hypot(budget.systematic, setup.rotor_within)) / ratio
        earliest = Number(float(phase(early, centre, setup.strokes)), u95)
        latest = Number(float(phase(late, centre, setup.strokes)), u95)
        gap, before = pitch + latest, pitch - earliest
    return Rotor(
        "cam" if on_cam else "crank", pitch, Number((early - late) / ratio, u_swept), earliest,
        latest, gap, before, Number((early + late) / 2, budget.systematic), len(first),
        int(np.count_nonzero(events.sparks > 1)), _course(setup, found, last),
    )  # fmt: skip


def _course(setup: Setup, found: Whole, last: Floats) -> tuple[Course, ...]:
    """The rotor by speed."""
    speed = found.speed
    low = float(np.quantile(speed, 0.02))
    of_bin = np.floor(np.log(speed / low) / _SPEED_BIN)
    made = []
    for k in np.unique(of_bin).tolist():
        mine = of_bin == k
        if np.count_nonzero(mine) < _FEWEST_IN_BIN:
            continue
        mean, end = float(found.angles[mine].mean()), float(last[mine].mean())
        centre, strokes = setup.rotor, setup.strokes
        at = None if centre is None else float(phase(mean, centre, strokes))
        past = None if centre is None else float(phase(end, centre, strokes))
        rpm, n = float(speed[mine].mean()), int(np.count_nonzero(mine))
        made.append(Course(rpm, mean, at, past, n))
    return tuple(made)
