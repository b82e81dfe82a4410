"""One engine cycle as a picture: for each cylinder dwell, trigger, sparks and the commanded angle.

Angles are crank degrees of the cycle: 0 is the dead centre of the first firing, and what comes n
degrees before a cylinder's own dead centre stands n degrees to the left of it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.cylinders import Cylinders
from sparkwitness.timing.events import Events
from sparkwitness.timing.seating import Seats
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.trigger import Split

Floats = NDArray[np.float64]

NEWEST = 24  # sparks of a cylinder that are drawn


@dataclass(frozen=True)
class Line:
    """One cylinder's line; angles in degrees BTDC of its own dead centre.

    Attributes:
        name: of the cylinder; "" where all are one.
        after: degrees of its dead centre after the first firing's.
        on, trigger: where the dwell begins, and where the trigger is; None: not known.
        sparks: of the newest events, first sparks.
        ends: mean angle of the last spark of the bursts; None: single sparks.
        differs: as in `cylinders.Cylinder`.
    """

    name: str
    after: float
    on: float | None
    trigger: float | None
    sparks: tuple[float, ...]
    ends: float | None
    differs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cycle:
    """The picture.

    Attributes:
        span: degrees of a cycle.
        commanded: degrees BTDC; None: not typed.
        lines: of the cylinders, in firing order.
    """

    span: float
    commanded: float | None
    lines: tuple[Line, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON and for whoever draws it."""
        return {
            "span_deg": self.span, "commanded_deg_btdc": self.commanded,
            "lines": [
                {
                    "name": one.name, "after_deg": one.after, "on_deg_btdc": one.on,
                    "trigger_deg_btdc": one.trigger,
                    "sparks_deg_btdc": [round(a, 3) for a in one.sparks],
                    "ends_deg_btdc": one.ends, "differs": list(one.differs),
                }
                for one in self.lines
            ],
        }  # fmt: skip


def _line(
    name: str, after: float, trigger: float | None, dwell: float | None, angles: Floats,
    ends: Floats, differs: tuple[str, ...] = (),
) -> Line:  # fmt: skip
    on = None if trigger is None or dwell is None else trigger + dwell
    burst = ends[ends > 0]
    end = float(np.mean(angles[ends > 0] - burst)) if len(burst) else None
    return Line(name, after, on, trigger, tuple(angles[-NEWEST:].tolist()), end, differs)


def of_one(setup: Setup, events: Events, angles: Floats, split: Split | None) -> Cycle:
    """All events in one line, where cylinders are not told apart.

    Args:
        setup: what was typed.
        events, angles: of a steady stretch, degrees BTDC.
        split: what the trigger shows.
    """
    trigger = None if split is None else float(split.angle)
    dwell = None if split is None or split.dwell is None else float(split.dwell.crank_deg)
    lasts = events.last_degrees - events.degrees
    line = _line("", 0.0, trigger, dwell, angles, lasts)
    return Cycle(setup.cycle, setup.commanded, (line,))


def of_each(setup: Setup, table: Cylinders, seats: Seats, events: Events, angles: Floats) -> Cycle:
    """A line for each cylinder.

    Args:
        setup: what was typed.
        table: of the cylinders.
        seats, events, angles: of all events of the stretch.
    """
    lines = []
    lasts = events.last_degrees - events.degrees
    for k, row in enumerate(table.rows):
        mine = seats.place == k
        lines.append(
            _line(
                row.name, row.after, row.trigger, row.dwell_deg, angles[mine], lasts[mine],
                row.differs,
            )
        )  # fmt: skip
    return Cycle(setup.cycle, setup.commanded, tuple(lines))
