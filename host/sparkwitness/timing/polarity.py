"""Which way round a variable-reluctance sensor is wired, as far as its pulses tell.

Its voltage falls through zero at the middle of a tooth, and there the pin falls. It is high while a
tooth comes near, so the first one after the gap, which comes out of empty space, makes a longer
pulse than its fellows. With the wires swapped the pin is high while a tooth goes away: then it is
the last one before the gap whose pulse is longer, or the pin stays high over the whole gap. Narrow
teeth, a single one, and wheels without a gap may look alike both ways: then nothing is said.

Rule and figures: hardware/delays.json, vr, polarity. Own derivation, checked against
hardware/spice/vr_wheel.cir.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import conditioner
from sparkwitness.timing.angle import Periods, Reference, Track

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

KEPT = 64  # turns, the newest slow ones
_FEWEST = 8
_FEWEST_STEPS = 6
_NEAR = [1, 2, -3, -4]  # steps beside those that touch the gap; the gap is the last one
_REACH = 3  # steps from the gap's middle to those


@dataclass(frozen=True)
class Polarity:
    """Medians over slow turns of the wheel; NaN where a turn cannot show it.

    Attributes:
        reference: the wheel.
        stamped: both flanks were.
        turns: slow enough, and with every pulse seen.
        gap: in tooth steps.
        high: time that the pin is high before the first tooth after the gap, tooth steps; of a
            single tooth its share of the turn.
        longer: by how many steps that is longer than before the last tooth.
        slope: by which part of itself a step differs from the next at the most: how much the
            speed swings.
    """

    reference: Reference
    stamped: bool
    turns: int = 0
    gap: float = np.nan
    high: float = np.nan
    longer: float = np.nan
    slope: float = np.nan

    @property
    def against(self) -> str:
        """What shows that the wires are swapped, with its limit; "" where nothing does."""
        if self.turns < _FEWEST:
            return ""
        rule = conditioner.polarity()
        if self.reference.teeth == 1:
            if self.high <= rule.most_high_turn:
                return ""
            return (
                f"the pin is high for {self.high:.2f} of a turn, and the right way round it is for "
                f"{rule.most_high_turn:g} at the most"
            )
        whole = self.reference.missing + 1
        if self.high > rule.most_high_pitches:
            return (
                f"the pin is high for {self.high:.2f} tooth steps in the wheel's gap, and the "
                f"right way round it is for {rule.most_high_pitches:g} at the most"
            )
        if abs(self.gap / whole - 1) > rule.gap_within + _REACH * self.slope:
            low, high = whole * (1 - rule.gap_within), whole * (1 + rule.gap_within)
            return (
                f"the wheel's gap measures {self.gap:.2f} tooth steps, and the right way round it "
                f"is {low:.2f} to {high:.2f}"
            )
        if self.longer < -rule.longer_pitches - self.slope:
            return (
                f"the pulse of the first tooth after the gap is {-self.longer:.2f} tooth steps "
                f"shorter than that of the last one, and the right way round it is "
                f"{rule.longer_pitches:g} at the most"
            )
        return ""

    @property
    def right(self) -> bool:
        """The pulses show that it is the right way round, at a speed that swings little."""
        if self.turns < _FEWEST or self.against or self.reference.teeth == 1:
            return False
        rule = conditioner.polarity()
        return self.slope < rule.gap_within and self.longer > rule.longer_pitches + self.slope

    @property
    def unseen(self) -> str:
        """Why it cannot be told, and what would."""
        rpm = conditioner.polarity().check_rpm
        if self.reference.teeth > 1 and not self.reference.missing:
            return "a wheel without a gap looks the same both ways"
        if not self.stamped:
            return (
                "one flank of the crank input only is in this recording: measure anew on a board, "
                f"cranking or at idle below {rpm:g} rpm"
            )
        if self.turns < _FEWEST:
            return f"its pulses can show it below {rpm:g} rpm: let it idle there, or crank it"
        return "teeth as narrow as these look the same both ways"


class PolarityKeeper:
    """Streaming: edges and their track in, `Polarity` out; the pieces' sizes change nothing.

    Args:
        reference: the wheel.
        falling: the flank that marks a tooth; the pin's time at the other level is before it.
    """

    def __init__(self, reference: Reference, falling: bool) -> None:
        self._reference = reference
        self._mark = 0 if falling else 1
        self._edges = reference.teeth - reference.missing
        self.clear()

    def clear(self) -> None:
        """Begin anew."""
        self._rows = np.empty((0, 4))
        self._stamped = False
        self.cut()

    def cut(self) -> None:
        """Begin a time base; what turns have shown stays."""
        self._last = (0, self._mark)  # tick and level of the newest edge
        self._ticks, self._high = np.empty(0, np.int64), np.empty(0, np.int64)

    def feed(self, ticks: Ticks, breaks: Ticks, levels: NDArray[np.int8] | None) -> None:
        """Take the next edges, as in `edges.Batch`, before the track that is made of them."""
        if levels is None or not len(ticks):
            return
        self._stamped = True
        before = np.append(self._last[0], ticks[:-1])
        went = np.append(self._last[1], levels[:-1])
        whole = (levels == self._mark) & (went == 1 - self._mark)
        whole[breaks] = False
        kept = levels != 1 - self._mark
        high = np.where(whole, ticks - before, -1)[kept]
        self._ticks = np.concatenate((self._ticks, ticks[kept]))
        self._high = np.concatenate((self._high, high))
        self._last = ticks[-1], levels[-1]

    def take(self, track: Track, periods: Periods, tick_s: float) -> None:
        """Take the next intervals and periods."""
        if len(self._ticks) and len(track):
            reference = self._reference
            turns = self._turns(track, periods)
            rpm = conditioner.polarity().check_rpm
            slow = turns[:, -1] - turns[:, 0] > 60.0 * reference.turns / rpm / tick_s
            turns = turns[slow]
            at = np.minimum(np.searchsorted(self._ticks, turns), len(self._ticks) - 1)
            high = np.where(self._ticks[at] == turns, self._high[at], -1)
            whole = (high[:, -2:] >= 0).all(axis=1) if reference.missing else high[:, -1] >= 0
            look = _of_wheel if reference.missing else _of_one
            rows = look(turns[whole], high[whole].astype(np.float64), reference.missing + 1)
            self._rows = np.concatenate((self._rows, rows))[-KEPT:]
        if len(track):
            # What follows begins with the last edge of this.
            done = np.searchsorted(self._ticks, track.edges[-1])
            self._ticks, self._high = self._ticks[done:], self._high[done:]

    def _turns(self, track: Track, periods: Periods) -> Ticks:
        """int64[n, m + 1] ticks of the m edges of each good turn, and of the next one's first."""
        if self._reference.missing:
            at = track.begin[track.segment >= 0]
            found: Ticks = track.edges[at[:, None] + np.arange(self._edges + 1)]
            return found
        if self._reference.teeth == 1:
            return np.column_stack((periods.start, periods.start + periods.length))
        return np.empty((0, 2), np.int64)

    def result(self) -> Polarity:
        """What the newest slow turns show."""
        n = len(self._rows)
        seen = np.median(self._rows, axis=0).tolist() if n else []
        return Polarity(self._reference, self._stamped, n, *seen)


def _of_one(turns: Ticks, high: Floats, whole: int) -> Floats:
    """float64[n, 4] of a single tooth's turns: its share of the turn, nothing else."""
    rows = np.full((len(turns), 4), np.nan)
    rows[:, 1] = high[:, -1] / (turns[:, -1] - turns[:, 0])
    return rows


def _of_wheel(turns: Ticks, high: Floats, whole: int) -> Floats:
    """float64[n, 4] of a wheel's turns: gap, high, longer, slope, as in `Polarity`.

    Each time is put against a step near it, so that a swing of the speed stays out.
    """
    steps = np.diff(turns).astype(np.float64)
    gap, even = steps[:, -1], steps[:, :-1]
    rows = np.full((len(turns), 4), np.nan)
    rows[:, 1] = high[:, -1] / gap * whole
    rows[:, 2] = rows[:, 1] - high[:, -2] / even[:, -1]
    if even.shape[1] < _FEWEST_STEPS:
        rows[:, 3] = np.inf  # too few to tell a swing of the speed
        return rows
    rows[:, 0] = gap / np.median(steps[:, _NEAR], axis=1)
    rows[:, 3] = np.abs(np.log(even[:, 2:-1] / even[:, 1:-2])).max(axis=1)
    return rows
