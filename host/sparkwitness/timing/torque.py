"""Speed by cylinder: how much speed each firing gives, as a relative index; no torque in Nm.

For a shaft of inertia J the work between two angles is J (w2^2 - w1^2) / 2 (work and energy; so
used on crankshafts by Rizzoni, IEEE Trans. Vehicular Technology 38(3), 1989, from memory). From
dead centre to the next dead centre the load takes back what a mean firing gives, so a weak cylinder
ends slower than it began. While cranking nothing fires, and what is compared is how much speed
each compression takes.
"""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.angle import Reference
from sparkwitness.timing.budget import standard_error
from sparkwitness.timing.number import Number
from sparkwitness.timing.ripple import Turns
from sparkwitness.timing.setup import Setup

Floats = NDArray[np.float64]

CRANKING_RPM = 400.0  # slower: the starter turns (common practice, no source)
_FEWEST = 12  # cycles
_WIDEST, _PART = 30.0, 3.0  # degrees over which a speed is taken; of the firing interval
_TEETH = 4  # per firing interval, at least
_LEAST_SWING = 0.002  # relative: below this there is nothing to compare


@dataclass(frozen=True)
class Index:
    """A relative index of each cylinder; 1 is the mean.

    Attributes:
        kind: "firing": speed gained; "compression": speed taken while cranking.
        each: with u95 corrected for looking at all, in firing order.
        cycles: how many went in.
    """

    kind: str
    each: tuple[Number, ...]
    cycles: int


def index(
    turns: Turns | None,
    setup: Setup,
    phases: dict[int, float],
    timing_deg: float,
    rpm: float,
    u_teeth: float,
    share: float,
) -> Index | None:
    """The index of each place of the firing order; None where the wheel or the run cannot tell.

    Args:
        turns: newest whole turns of the wheel at steady speed.
        setup: what was typed.
        phases: by segment, crank angle of the first place's spark in some cycle.
        timing_deg: mean timing, degrees BTDC.
        rpm: mean speed.
        u_teeth: standard uncertainty of a tooth's place, degrees.
        share: level of each comparison.
    """
    reference = setup.reference
    firing, cycle = np.array(setup.firing_angles), setup.cycle
    n = len(firing)
    narrow = float(np.min(np.diff([*firing, cycle])))
    if turns is None or not phases or n < 2 or reference.step * _TEETH > narrow:
        return None
    width = max(2 * reference.step, min(_WIDEST, narrow / _PART))
    cranking = rpm < CRANKING_RPM
    # At the dead centres the shaft is slowest, between them fastest.
    between = np.diff([*firing, cycle]) / 2
    asked = np.concatenate((firing, firing + between, [cycle]))
    rows = []
    for segment, phase in phases.items():
        speeds = _speeds(turns, reference, segment, phase + timing_deg + asked, cycle, width)
        rows.append(speeds)
    w2 = np.concatenate(rows)
    w2 = w2[np.isfinite(w2).all(axis=1)]
    if len(w2) < _FEWEST:
        return None
    dead, mid, following = w2[:, :n], w2[:, n : 2 * n], np.hstack((w2[:, 1:n], w2[:, -1:]))
    swing = float(np.mean(mid - (dead + following) / 2))
    if swing < 2 * _LEAST_SWING * float(np.mean(w2)):
        return None
    if cranking:
        # What the compression before each dead centre takes.
        before = np.roll(mid, 1, axis=1)
        gained = (before - dead) / swing
        gained /= gained.mean()
    else:
        gained = following - dead
        gained = 1.0 + (gained - gained.mean(axis=1, keepdims=True)) / swing
    mean = gained.mean(axis=0)
    z = NormalDist().inv_cdf(1 - share / 2)
    # A tooth that is off by d changes a speed over a width w by d / w, twice that in its square.
    teeth = 2 * np.sqrt(2) * u_teeth / width * np.sqrt(2) * float(np.mean(w2)) / swing
    found = []
    for k in range(n):
        se = standard_error(gained[:, k])
        found.append(Number(float(mean[k]), float(z * np.hypot(se, teeth))))
    return Index("compression" if cranking else "firing", tuple(found), len(w2))


def _speeds(
    turns: Turns, reference: Reference, segment: int, at: Floats, cycle: float, width: float
) -> Floats:
    """Squared speeds, (degrees per tick)^2, around angles of each cycle: float64[cycles, angles].

    Args:
        turns, reference: the wheel's.
        segment: of which turns are taken.
        at: float64[k] crank angles in some cycle.
        cycle: degrees.
        width: degrees over which a speed is taken.
    """
    mine = turns.segment == segment
    none = np.empty((0, len(at)))
    if not mine.any():
        return none
    m = turns.edges.shape[1] - 1
    places = np.arange(m) * reference.step
    places[: len(reference.errors)] += reference.errors[:m]
    whole = 360.0 * reference.turns
    degrees = (turns.number[mine][:, None] * whole + places).ravel()
    ticks = turns.edges[mine, :-1].ravel()
    low, high = degrees[0] + width, degrees[-1] - width
    first = np.ceil((low - at.min()) / cycle)
    last = np.floor((high - at.max()) / cycle)
    if last < first:
        return none
    wanted = np.arange(first, last + 1)[:, None] * cycle + at
    base = ticks[0]
    early, late = (
        np.interp(wanted + side * width / 2, degrees, (ticks - base).astype(np.float64))
        for side in (-1, 1)
    )
    w2: Floats = (width / (late - early)) ** 2
    # Not across turns that are missing.
    for k in (np.flatnonzero(np.diff(turns.number[mine]) > 1) + 1).tolist():
        left, right = degrees[k * m - 1], degrees[k * m]
        w2[(wanted + width / 2 > left) & (wanted - width / 2 < right)] = np.nan
    return w2
