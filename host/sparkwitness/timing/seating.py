"""Which cylinder a spark under the coil's lead belongs to: places in the firing order.

A crank reference tells angles modulo one turn, and a cycle has two: for an engine that fires
evenly two cylinders look alike, and a second clamp on cylinder 1's lead, or a reference on the cam,
tells which is which. Of an engine that fires oddly the pattern itself tells.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.events import fold_of
from sparkwitness.timing.setup import Setup

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

_FEWEST = 6  # events of a stretch
_LIKE = 2.0  # degrees: patterns that fit equally well
_SAMPLE = 400
_VOTES = 0.6  # of the index clamp's sparks, for one place
_SAME_S = 1e-3  # both clamps hear one spark within that


@dataclass(frozen=True)
class Seats:
    """Places of events in the firing order.

    Attributes:
        place: int64[n] from 0 for the first of the order; -1: not known.
        turned: places by which all may be shifted alike, where the reference does not tell: (0,)
            if it does.
        base: float64[n] crank angle of the first firing of the event's own cycle's pattern.
    """

    place: Ticks
    turned: tuple[int, ...]
    base: Floats

    def pick(self, mask: NDArray[np.bool_]) -> "Seats":
        """Those selected by a mask."""
        return Seats(self.place[mask], self.turned, self.base[mask])

    @property
    def sure(self) -> bool:
        """Every place is that of one cylinder."""
        return len(self.turned) == 1


def seat(
    degrees: Floats,
    segment: Ticks,
    setup: Setup,
    around: float,
    index: Ticks | None = None,
    tick: Ticks | None = None,
    tick_s: float = 1.0,
) -> Seats:
    """Places of events in the firing order.

    Args:
        degrees, segment: of the first sparks of all cylinders, in order of time.
        setup: what was typed.
        around: the timing, degrees BTDC, to some degrees.
        index: ticks of the sparks on cylinder 1's lead; None: there is no such clamp.
        tick, tick_s: of the events, where `index` is given.
    """
    firing, cycle = np.array(setup.firing_angles), setup.cycle
    n, spacing = len(firing), setup.cycle / len(firing)
    place, base = np.full(len(degrees), -1), np.full(len(degrees), np.nan)
    modulo = fold_of(setup.reference, cycle, 1)
    # Counted in whole numbers: by steps of 720 / 322 there would be one too many.
    shifts: Floats = np.multiply(np.arange(round(cycle / modulo)), modulo)
    starts = np.flatnonzero(np.diff(segment, prepend=-2))
    ends = np.append(starts[1:], len(segment))
    turned: tuple[int, ...] | None = None
    for start, end in sorted(zip(starts.tolist(), ends.tolist(), strict=True), key=_length):
        if end - start < _FEWEST:
            continue
        mine = slice(start, end)
        x = degrees[mine]
        phases: Floats = np.add(shifts, setup.reference.angle - around)
        fits = _fitting(x, phases, firing, cycle)
        if index is not None and tick is not None:
            fits = _voted(x, tick[mine], fits, setup, firing, cycle, index, tick_s) or fits
        phase = fits[0]
        ways = tuple(sorted({round((f - phase) / spacing) % n for f in fits}))
        if turned is None:
            turned = ways
        elif len(ways) > 1:
            continue  # how it is turned against the longest stretch cannot be told
        off = _residual(x, phase, firing, cycle)
        place[mine] = np.argmin(np.abs(off), axis=1)
        base[mine] = x - off[np.arange(len(x)), place[mine]] - firing[place[mine]]
    return Seats(place, turned or (0,), base)


def _length(span: tuple[int, int]) -> int:
    return span[0] - span[1]


def _residual(x: Floats, phase: float, firing: Floats, cycle: float) -> Floats:
    """Degrees of each angle past each firing of the pattern, float64[n, firings], folded."""
    folded: Floats = (x[:, None] - phase - firing + cycle / 2) % cycle - cycle / 2
    return folded


def _fitting(x: Floats, phases: Floats, firing: Floats, cycle: float) -> list[float]:
    """The phases with which the pattern fits best, within `_LIKE`, in the order given."""
    if len(x) > _SAMPLE:  # by steps that are no whole number: cylinders take turns
        x = x[np.linspace(0, len(x) - 1, _SAMPLE).astype(np.int64)]
    scores = []
    for phase in phases.tolist():
        off = _residual(x, phase, firing, cycle)
        nearest = off[np.arange(len(x)), np.argmin(np.abs(off), axis=1)]
        shift = float(np.median(nearest))
        scores.append((float(np.mean(np.abs(nearest - shift))), abs(shift), phase))
    least = min(score for score, _, _ in scores)
    alike = [(shift, phase) for score, shift, phase in scores if score < least + _LIKE]
    near = min(shift for shift, _ in alike)
    return [phase for shift, phase in alike if shift < near + _LIKE]


def _voted(
    x: Floats, tick: Ticks, fits: list[float], setup: Setup, firing: Floats, cycle: float,
    index: Ticks, tick_s: float,
) -> list[float]:  # fmt: skip
    """The phase with which cylinder 1's place is where its own clamp hears it; [] if none is."""
    at = np.searchsorted(tick, index)
    heard = []
    for side in (at - 1, at):
        k = np.clip(side, 0, len(tick) - 1)
        heard.append(k[np.abs(tick[k] - index) * tick_s < _SAME_S])
    sparks = np.unique(np.concatenate(heard))
    if not len(sparks):
        return []
    first = setup.order.index(1) if setup.order else 0
    for phase in fits:
        off = _residual(x[sparks], phase, firing, cycle)
        if np.mean(np.argmin(np.abs(off), axis=1) == first) > _VOTES:
            return [phase]
    return []


def evened(degrees: Floats, seats: Seats, setup: Setup) -> Floats:
    """Angles as if the engine fired evenly, NaN where the place is not known."""
    firing = np.array(setup.firing_angles)
    even = np.arange(len(firing)) * (setup.cycle / len(firing))
    moved: Floats = np.where(seats.place >= 0, degrees - (firing - even)[seats.place], np.nan)
    return moved


def levelled(degrees: Floats, seats: Seats, setup: Setup) -> Floats:
    """Angles without what each cylinder has beside the mean of all.

    Args:
        degrees: as if the engine fired evenly.
        seats: their places.
        setup: what was typed.
    """
    n = setup.cylinders
    off = degrees - seats.base - seats.place * (setup.cycle / n)
    own = np.array([_middle(off[seats.place == k]) for k in range(n)])
    if np.isfinite(own).any():
        own -= np.nanmean(own)
    level: Floats = degrees - np.where(seats.place >= 0, np.nan_to_num(own)[seats.place], 0.0)
    return level


def _middle(values: Floats) -> float:
    return float(np.median(values)) if len(values) else float("nan")
