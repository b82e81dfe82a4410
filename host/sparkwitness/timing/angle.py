"""Crank edges to the crank's track: find the wheel's pattern. `placing` reads angles from it.

Angles here are degrees of crank rotation after the first edge ever synchronised on, counted so
that every index edge (the pulse, or the first edge after the gap) falls on a whole multiple of
the wheel's period. `Reference.btdc` turns them into degrees before top dead centre.
"""

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import kernels
from sparkwitness.errors import UserError
from sparkwitness.timing.number import plain

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

_STRIDE = 13  # from turn to turn, takes the edge that is left out round the wheel
# Neighbouring intervals, each divided by its number of tooth steps, may differ by this factor
# at most; beyond it an edge was missed, a stray one came in, or the crank stopped.
_EVEN = 1.55


@dataclass(frozen=True)
class Reference:
    """What marks the crank.

    Attributes:
        teeth: places for teeth on one turn of the wheel, the gap's counted; 1: a single pulse.
        missing: teeth left out (0: none).
        turns: crank revolutions per turn of the wheel: 1 on the crank, 2 on cam or distributor.
        angle: crank degrees BTDC at which the index edge passes: the pulse, the first edge
            after the gap, or any edge of an even wheel.
        u_angle: standard uncertainty of `angle` in degrees.
        errors: crank degrees by which each tooth, from the index one on, stands past its even
            place, see `wheel`; empty where they are not known.
        u_errors: standard uncertainty of the learned errors that the wheel itself cannot show,
            degrees.
    """

    teeth: int
    missing: int = 0
    turns: int = 1
    angle: float = 0.0
    u_angle: float = 0.25
    errors: tuple[float, ...] = ()
    u_errors: float = 0.0

    def __post_init__(self) -> None:
        plain(self)
        whole = (self.teeth, self.missing, self.turns)
        numbers = (self.angle, self.u_angle, self.u_errors, *self.errors)
        if not all(isinstance(n, int) for n in whole) or not all(
            isinstance(n, int | float) for n in numbers
        ):
            raise UserError("a reference is made of numbers, with teeth and turns whole ones")
        if not 1 <= self.teeth <= 720:
            raise UserError(f"a reference wheel has from 1 to 720 teeth, not {self.teeth}")
        if not 0 <= self.missing <= 3 or (self.missing and self.teeth - self.missing < 3):
            raise UserError(
                f"a wheel with {self.teeth} teeth cannot have {self.missing} left out; "
                "type it as 36-1, 36-2 or 60-2"
            )
        if self.turns not in (1, 2):
            raise UserError("the reference turns once per crank revolution (1) or per two (2)")
        if not -360 <= self.angle <= 360:
            raise UserError(
                f"the reference angle must be from -360 to 360 degrees BTDC, not {self.angle}"
            )
        if not (0 <= self.u_angle <= 90 and 0 <= self.u_errors <= 90):
            raise UserError(
                "the uncertainty of the reference angle must be from 0 to 90 degrees, "
                f"not {self.u_angle} with {self.u_errors} for the teeth"
            )
        if self.errors and len(self.errors) != self.edges:
            raise UserError(
                f"{len(self.errors)} tooth errors do not fit a wheel with {self.edges} teeth"
            )
        if any(not abs(e) < self.step / 4 for e in self.errors):
            raise UserError("a tooth error of a quarter of the tooth spacing or more is no error")

    @property
    def offsets(self) -> Floats:
        """Tooth errors in tooth steps, float64[steps], zero where nothing is known."""
        result = np.zeros(self.steps)
        result[: len(self.errors)] = np.asarray(self.errors) / self.step
        return result

    @property
    def step(self) -> float:
        """Crank degrees from one tooth place to the next."""
        return 360.0 * self.turns / self.teeth

    @property
    def period(self) -> float:
        """Crank degrees after which the pattern repeats and the angle is known again."""
        return 360.0 * self.turns if self.missing else self.step

    @property
    def edges(self) -> int:
        """Edges per period."""
        return self.teeth - self.missing if self.missing else 1

    @property
    def steps(self) -> int:
        """Tooth places per period, the gap's counted."""
        return self.teeth if self.missing else 1

    @property
    def periods_per_rev(self) -> float:
        """Periods per crank revolution."""
        return 360.0 / self.period

    def left_out(self, number: Ticks) -> Floats:
        """Crank angle, as this module counts it, of the edge that `Periods.miss` leaves out."""
        back = self._back(number)
        whole, place = np.divmod(self.edges - back, self.edges)
        result: Floats = number * self.period + (whole * self.steps + place) * self.step
        return result

    def even_around(self, number: Ticks) -> NDArray[np.bool_]:
        """Whether that edge and the four on either side of it stand one tooth step apart each."""
        place = (self.edges - self._back(number)) % self.edges
        if not self.missing:
            return np.ones(len(number), np.bool_)
        return np.asarray((place >= 4) & (place < self.edges - 4))

    def _back(self, number: Ticks) -> Ticks:
        """How many edges before the period's end that edge is: at least four, for its neighbours.

        Another one each turn.
        """
        present = self.teeth - self.missing
        return 4 + number // (present // self.edges) * _STRIDE % present

    def btdc(self, degrees: Floats) -> Floats:
        """Degrees BTDC (not folded) of crank angles as this module counts them."""
        return self.angle - degrees

    @classmethod
    def parse(cls, kind: str, angle: float, u_angle: float) -> "Reference":
        """Reference from what a person types.

        Args:
            kind: "pulse" (one per crank revolution), "cam" (one per two), "N" (N even teeth),
                "N-M" (M of N left out), "cam N" or "cam N-M" (such a wheel on the cam).

        Raises:
            UserError: not one of these.
        """
        text = kind.strip().lower()
        turns = 1
        if text.startswith("cam"):
            turns, text = 2, text[3:].strip(" -") or "pulse"
        if text == "pulse":
            return cls(1, 0, turns, angle, u_angle)
        teeth, dash, missing = text.partition("-")
        if not teeth.isdecimal() or (dash and not missing.isdecimal()):
            raise UserError(
                f'the reference "{kind}" is not known: type pulse, cam, a wheel such as 36-1 or '
                '60-2, a number of even teeth, or "cam 36-1"'
            )
        return cls(int(teeth), int(missing or 0), turns, angle, u_angle)

    def __str__(self) -> str:
        if self.teeth == 1:
            return "pulse" if self.turns == 1 else "cam"
        wheel = f"{self.teeth}-{self.missing}" if self.missing else f"{self.teeth}"
        return wheel if self.turns == 1 else f"cam {wheel}"


@dataclass
class Track:
    """Consecutive crank edges, and the stretches that they make up.

    Interval k runs from edge k to edge k + 1. A stretch is a period of the wheel where the crank is
    known; of a wheel without a gap, a run of them.

    Attributes:
        edges: int64[n + 1] ticks.
        begin: int64[m] first interval of each stretch, rising from 0.
        step: int64[m] number of tooth steps from the origin to each stretch.
        segment: int64[m] number of the unbroken synchronisation that each stretch is part of, -1
            where there is none.
    """

    edges: Ticks
    begin: Ticks
    step: Ticks
    segment: Ticks

    def __len__(self) -> int:
        """Number of intervals."""
        return max(0, len(self.edges) - 1)

    @classmethod
    def join(cls, tracks: "list[Track]") -> "Track":
        """One track of several consecutive ones, each beginning with the last edge before it."""
        tracks = [t for t in tracks if len(t)]
        if not tracks:
            return cls(*(np.empty(0, np.int64) for _ in range(4)))
        if len(tracks) == 1:
            return tracks[0]
        before = accumulate((len(t) for t in tracks[:-1]), initial=0)
        return cls(
            np.concatenate([*(t.edges[:-1] for t in tracks), tracks[-1].edges[-1:]]),
            np.concatenate([t.begin + k for t, k in zip(tracks, before, strict=True)]),
            np.concatenate([t.step for t in tracks]),
            np.concatenate([t.segment for t in tracks]),
        )

    def cut(self, first: int) -> "Track":
        """A copy without the intervals before one of them."""
        at = max(0, int(np.searchsorted(self.begin, first, side="right")) - 1)
        begin, step = self.begin[at:] - first, self.step[at:].copy()
        step[:1] -= begin[:1]
        begin[:1] = 0
        return Track(self.edges[first:].copy(), begin, step, self.segment[at:].copy())

    def head(self, least: int) -> "Track":
        """The first stretches, whole ones that together have at least so many intervals."""
        m = int(np.searchsorted(self.begin, least))
        if m == len(self.begin):
            return self
        end = self.begin[m]
        return Track(self.edges[: end + 1], self.begin[:m], self.step[:m], self.segment[:m])


@dataclass
class Periods:
    """The wheel's periods (revolutions, for most wheels), whole ones only.

    Attributes:
        start: int64[n] tick of the index edge.
        length: int64[n] ticks to the next index edge.
        segment: int64[n] as in `Track`.
        number: int64[n] period number: its start is at number * Reference.period degrees. It
            goes on counting over a break, where the true number is not known.
        miss: float64[n] degrees by which one of the wheel's last edges, another one each turn,
            misses the cubic through its four neighbours: speed changes too quick for the wheel,
            and its tooth errors. One finite value per turn; NaN elsewhere and where a neighbour is
            unknown.
        wide: float64[n] the same with neighbours twice as far away, by which the two can be told
            apart.
    """

    start: Ticks
    length: Ticks
    segment: Ticks
    number: Ticks
    miss: Floats
    wide: Floats

    @classmethod
    def join(cls, parts: "list[Periods]") -> "Periods":
        """One table of several consecutive ones."""
        if not parts:
            none, nothing = np.empty(0, np.int64), np.empty(0)
            return cls(none, none, none, none, nothing, nothing)
        names = cls.__dataclass_fields__
        return cls(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))

    def since(self, segment: int, tick: int) -> int:
        """Index of the first period that begins at a tick of a segment or later."""
        low, high = np.searchsorted(self.segment, [segment, segment + 1]).tolist()
        return int(low + np.searchsorted(self.start[low:high], tick))

    def pick(self, mask: NDArray[np.bool_] | slice) -> "Periods":
        """The periods selected by a mask, or a slice of them."""
        return Periods(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))


class CrankTracker:
    """Streaming synchronisation on the wheel: edges in, intervals and periods out.

    In whatever pieces the edges arrive, the result is the same to the last bit: a stretch is
    judged only once the edges that decide about it are there.
    """

    def __init__(self, reference: Reference) -> None:
        self.reference = reference
        self.edges_seen = 0
        self.edges_rejected = 0  # in stretches that do not fit the wheel, after the first that did
        self._room: Ticks = np.empty(0, np.int64)
        self._ticks: Ticks = self._room  # in it, those not done with
        self._breaks: Ticks = np.empty(0, np.int64)  # edges before which others were lost
        self._origin = 0  # the first undecided interval begins at this edge of those kept
        self._at_index = not reference.missing  # that edge is an index edge
        self._open = False  # the period that ends there is good
        self._segment = self._none_yet = -1  # of this tracker no segment has been good
        self._number = 0
        self._opened = 0  # number of the segment's first period
        # Where edges stand, in tooth steps past the index edge, from the turn before it on.
        self._steps_from = -reference.teeth - 8
        whole, place = np.divmod(np.arange(self._steps_from, reference.edges + 1), reference.edges)
        self._steps: Floats = whole * reference.steps + place + reference.offsets[place]

    def feed(self, ticks: Ticks, breaks: Ticks, last: bool = False) -> tuple[Track, Periods]:
        """Judge what can be judged.

        Args:
            ticks: int64[n] edge times, strictly rising over all calls.
            breaks: int64[m], indices k into `ticks`: edges were lost before ticks[k].
            last: nothing will follow.

        Returns:
            The intervals decided by this call, consecutive with those of the calls before, and
            the good periods among them. The track is good until the next call, `cut` copies it.
        """
        self.edges_seen += len(ticks)
        if len(breaks):
            self._breaks = np.concatenate((self._breaks, breaks + len(self._ticks)))
        # Memory is kept: to get it anew for each piece takes longer than to fill it.
        rest, n = self._ticks, len(self._ticks) + len(ticks)
        if n > len(self._room):
            self._room = np.empty(n + n // 8, np.int64)
        self._ticks = self._room[:n]
        self._ticks[: len(rest)] = rest
        self._ticks[len(rest) :] = ticks
        cut = np.zeros(n if len(self._breaks) else 0, np.bool_)
        cut[self._breaks] = True
        uneven = np.empty(n, np.int64)
        uneven = uneven[: kernels.chosen().uneven(self._ticks, uneven)]
        index = self._index_edges(uneven, cut)
        bounds = np.concatenate(([self._origin], index))
        unfinished = n - 1 if last else n - 2
        if unfinished > bounds[-1] and (last or unfinished - bounds[-1] > self.reference.edges + 8):
            # No period can be made of these any more: give them up now, to bound memory.
            bounds = np.append(bounds, unfinished)
        starts, ends = bounds[:-1], bounds[1:]
        if not len(starts):
            return Track.join([]), Periods.join([])
        good = self._fits(starts, ends, index, uneven, cut)
        judged = len(starts) - 1 if last else len(starts)
        result = self._emit(starts, ends, good, judged)
        # What follows needs one decided interval before it, and `_misses` a turn.
        end = bounds[-1]
        self._at_index = bool(len(index)) and bool(end == index[-1])
        keep = max(end - self.reference.teeth - 8, 0)
        self._ticks, self._breaks = self._ticks[keep:], self._breaks[self._breaks >= keep] - keep
        self._origin = end - keep
        return result

    def successor(self) -> "CrankTracker":
        """A tracker for a new time base that goes on counting where this one ends."""
        new = CrankTracker(self.reference)
        new.edges_seen, new.edges_rejected = self.edges_seen, self.edges_rejected
        new._segment, new._number = self._segment, self._number
        new._none_yet = self._segment
        return new

    def _index_edges(self, uneven: Ticks, cut: NDArray[np.bool_]) -> Ticks:
        """Positions after the origin of the index edges.

        Args:
            uneven: int64[m], edges at which the pace changes, see `kernels.plain.uneven`.
            cut: bool per edge, others were lost before it; empty where none were.
        """
        missing = self.reference.missing
        if not missing:
            return np.arange(self._origin + 1, len(self._ticks) - 1)
        # A gap is longer than both its neighbours by about missing + 1; halfway in ratio.
        longer = float(np.sqrt(missing + 1.0) * 1.05)
        opens = uneven[(uneven >= self._origin) & (uneven < len(self._ticks) - 2)]
        before, start, end, after = (self._ticks[opens + k] for k in (-1, 0, 1, 2))
        middle = end - start
        gap = (middle > longer * (start - before)) & (middle > longer * (after - end))
        if len(cut):
            # After a loss at its other end the stretches on both sides do not fit anyway.
            gap &= ~cut[opens]
        result: Ticks = opens[gap] + 1
        return result

    def _fits(
        self,
        starts: Ticks,
        ends: Ticks,
        index: Ticks,
        uneven: Ticks,
        cut: NDArray[np.bool_],
    ) -> NDArray[np.bool_]:
        """Stretches with the right number of edges, evenly spaced, none lost in between.

        From the interval before the first edge to the one after the last all must fit. What ends
        without an index edge does not: it is too long, or ends with the last edge there is.
        """
        gap_width = self.reference.missing + 1
        at, before, after = (self._ticks[uneven + k] for k in (0, -1, 1))
        pace_before, pace = (at - before).astype(np.float64), (after - at).astype(np.float64)
        if gap_width > 1:
            gaps = index - 1
            if self._at_index:
                gaps = np.concatenate(([self._origin - 1], gaps))
            # The pace changes much at either end of a gap.
            pace[np.searchsorted(uneven, gaps)] /= gap_width
            pace_before[np.searchsorted(uneven, gaps + 1)] /= gap_width
        ratio = pace / pace_before
        bad = uneven[(ratio > _EVEN) | (ratio < 1 / _EVEN)]
        if len(cut):
            bad = np.union1d(bad, np.concatenate((self._breaks, self._breaks - 1)))
        bad = np.concatenate(([0], bad, [len(self._ticks) - 1]))
        result: NDArray[np.bool_] = ends - starts == self.reference.edges
        result[0] &= self._at_index
        # A bad edge where one stretch ends and the next begins spoils both.
        bad = bad[(bad >= starts[0]) & (bad <= ends[-1])]
        result[np.searchsorted(starts, bad, side="right") - 1] = False
        result[np.searchsorted(ends, bad)] = False
        return result

    def _emit(
        self,
        starts: Ticks,
        ends: Ticks,
        good: NDArray[np.bool_],
        judged: int,
    ) -> tuple[Track, Periods]:
        """Number the stretches; those that are periods, once more as such."""
        new = good.copy()  # where a segment begins
        new[1:] &= ~good[:-1]
        new[0] &= not self._open
        segment = np.cumsum(new) + self._segment
        # Only good periods count, so that giving up a stretch early or late changes nothing.
        number = np.cumsum(good) + (self._number - 1)
        opened = np.maximum.accumulate(np.where(new, number, self._opened))
        self._segment, self._number = segment[-1], number[-1] + 1
        self._opened = opened[-1]
        self._open = bool(good[-1])
        if not good.all():
            # What comes before the first good period, or is cut off by the end, is no fault.
            refused = ~good & (segment > self._none_yet)
            self.edges_rejected += int((ends - starts)[:judged][refused[:judged]].sum())
            segment[~good] = -1

        begin, end = starts[0], ends[-1]
        edges, step = self._ticks[begin : end + 1], number * self.reference.steps
        if self.reference.missing:
            track = Track(edges, starts - begin, step, segment)
        else:
            first = np.ones(len(starts), np.bool_)
            first[1:] = segment[1:] != segment[:-1]
            track = Track(edges, starts[first] - begin, step[first], segment[first])
        starts, ends, number = starts[good], ends[good], number[good]
        opens, closes = self._ticks[starts], self._ticks[ends]
        misses = np.full((2, len(number)), np.nan)
        kernels.chosen().misses(
            self._ticks, starts, ends, number, number - opened[good],
            self.reference.teeth - self.reference.missing, self.reference.edges, _STRIDE,
            self._steps, self._steps_from, self.reference.step, misses,
        )  # fmt: skip
        return track, Periods(opens, closes - opens, segment[good], number, *misses)
