"""Crank edges to crank angle: find the wheel's pattern, then interpolate between its edges.

Angles here are degrees of crank rotation after the first edge ever synchronised on, counted so
that every index edge (the pulse, or the first edge after the gap) falls on a whole multiple of
the wheel's period. `Reference.btdc` turns them into degrees before top dead centre.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import kernels
from .errors import UserError

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

_STRIDE = 13  # from turn to turn, takes the samples of the residual round the wheel
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
    """Consecutive intervals between crank edges; all arrays have one element per interval.

    Attributes:
        start: int64, tick of the edge at which the interval begins.
        length: int64, ticks to the next edge.
        step: int64, number of tooth steps from the origin to `start`; -1 where segment is.
        width: int64, tooth steps in the interval: 1, or missing + 1 over the gap.
        segment: int64, number of the stretch of unbroken synchronisation, -1 where there is none.
    """

    start: Ticks
    length: Ticks
    step: Ticks
    width: Ticks
    segment: Ticks

    @classmethod
    def join(cls, tracks: "list[Track]") -> "Track":
        """One track of several consecutive ones."""
        if not tracks:
            return cls(*(np.empty(0, np.int64) for _ in range(5)))
        if len(tracks) == 1:
            return tracks[0]
        names = ("start", "length", "step", "width", "segment")
        return cls(*(np.concatenate([getattr(t, n) for t in tracks]) for n in names))

    def cut(self, begin: int, end: int | None = None) -> "Track":
        """Intervals begin to end as a new track (views)."""
        piece = slice(begin, end)
        return Track(
            self.start[piece], self.length[piece], self.step[piece],
            self.width[piece], self.segment[piece],
        )  # fmt: skip


@dataclass
class Periods:
    """The wheel's periods (revolutions, for most wheels), whole ones only.

    Attributes:
        start: int64[n] tick of the index edge.
        length: int64[n] ticks to the next index edge.
        segment: int64[n] as in `Track`.
        number: int64[n] period number: its start is at number * Reference.period degrees. It
            goes on counting over a break, where the true number is not known.
    """

    start: Ticks
    length: Ticks
    segment: Ticks
    number: Ticks

    @classmethod
    def join(cls, parts: "list[Periods]") -> "Periods":
        """One table of several consecutive ones."""
        if not parts:
            return cls(*(np.empty(0, np.int64) for _ in range(4)))
        names = ("start", "length", "segment", "number")
        return cls(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))


class CrankTracker:
    """Streaming synchronisation on the wheel: edges in, intervals and periods out.

    In whatever pieces the edges arrive, the result is the same to the last bit: a stretch is
    judged only once the edges that decide about it are there.
    """

    def __init__(self, reference: Reference) -> None:
        self.reference = reference
        self.edges_seen = 0
        self.edges_rejected = 0  # in stretches that do not fit the wheel, after the first that did
        self._ticks: Ticks = np.empty(0, np.int64)
        self._cut: NDArray[np.bool_] = np.empty(0, np.bool_)
        self._origin = 0  # the first undecided interval begins at this edge of those kept
        self._at_index = not reference.missing  # that edge is an index edge
        self._open = False  # the period that ends there is good
        self._segment = -1
        self._number = 0

    def feed(self, ticks: Ticks, breaks: Ticks, last: bool = False) -> tuple[Track, Periods]:
        """Judge what can be judged.

        Args:
            ticks: int64[n] edge times, strictly rising over all calls.
            breaks: int64[m], indices k into `ticks`: edges were lost before ticks[k].
            last: nothing will follow.

        Returns:
            The intervals decided by this call, consecutive with those of the calls before, and
            the good periods among them.
        """
        cut = np.zeros(len(ticks), np.bool_)
        cut[breaks] = True
        self.edges_seen += len(ticks)
        self._ticks = np.concatenate((self._ticks, ticks))
        self._cut = np.concatenate((self._cut, cut))
        n = len(self._ticks)
        if n < 3 and not (last and n == 2):
            return Track.join([]), Periods.join([])
        compiled = kernels.kernels()
        index = self._index_edges(compiled)
        bounds = np.concatenate(([self._origin], index))
        at_index = self._at_index
        unfinished = n - 1 if last else n - 2
        if unfinished > bounds[-1] and (last or unfinished - bounds[-1] > self.reference.edges + 8):
            # No period can be made of these any more: give them up now, to bound memory.
            bounds = np.append(bounds, unfinished)
        starts, ends = bounds[:-1], bounds[1:]
        if not len(starts):
            return Track.join([]), Periods.join([])
        whole = np.ones(len(starts), np.bool_)
        whole[0] = at_index
        whole[len(index) :] = False
        good = self._fits(starts, ends, whole, index, compiled)
        judged = len(starts) - 1 if last and len(starts) > len(index) else len(starts)
        result = self._emit(starts, ends, good, judged, index, compiled)
        # What follows needs one decided interval before it as its left neighbour.
        end = int(bounds[-1])
        self._at_index = end == (index[-1] if len(index) else self._origin) and (
            bool(len(index)) or at_index
        )
        keep = max(end - 1, 0)
        self._ticks, self._cut = self._ticks[keep:], self._cut[keep:]
        self._origin = end - keep
        return result

    def successor(self) -> "CrankTracker":
        """A tracker for a new time base that goes on counting where this one ends."""
        new = CrankTracker(self.reference)
        new.edges_seen, new.edges_rejected = self.edges_seen, self.edges_rejected
        new._segment, new._number = self._segment, self._number
        return new

    def _index_edges(self, compiled: Any | None) -> Ticks:
        """Positions after the origin of the index edges."""
        missing = self.reference.missing
        if not missing:
            return np.arange(self._origin + 1, len(self._ticks) - 1)
        # A gap is longer than both its neighbours by about missing + 1; halfway in ratio.
        longer = float(np.sqrt(missing + 1.0) * 1.05)
        if compiled is not None:
            found = np.empty(len(self._ticks), np.int64)
            n = compiled.find_gaps(self._ticks, self._cut, self._origin, longer, found)
            return found[:n].copy()
        length = np.diff(self._ticks)
        middle = length[1:-1]
        gap = (middle > longer * length[:-2]) & (middle > longer * length[2:])
        cut = self._cut[1:]
        gap &= ~(cut[:-2] | cut[1:-1] | cut[2:])
        index = np.flatnonzero(gap) + 2
        return index[index > self._origin]

    def _fits(
        self,
        starts: Ticks,
        ends: Ticks,
        whole: NDArray[np.bool_],
        index: Ticks,
        compiled: Any | None,
    ) -> NDArray[np.bool_]:
        """Stretches with the right number of edges, evenly spaced, none lost in between."""
        edges, gap_width = self.reference.edges, self.reference.missing + 1
        after_gap = self._at_index and self._origin > 0
        if compiled is not None:
            good = whole.copy()
            compiled.follow(
                self._ticks, self._cut, starts, ends, len(index), after_gap, edges, gap_width,
                _EVEN, good,
            )  # fmt: skip
            return good
        length = np.diff(self._ticks)
        pace = length.astype(np.float64)
        if gap_width > 1:
            pace[index - 1] /= gap_width
            if after_gap:
                pace[self._origin - 1] /= gap_width
        ratio = pace[1:] / pace[:-1]
        unlike = np.ones(len(length) + 1, np.bool_)  # [k]: interval k differs from k - 1
        unlike[1:-1] = (ratio > _EVEN) | (ratio < 1 / _EVEN)
        cut = self._cut[1:]
        unlike[1:-1] |= cut[1:] | cut[:-1]
        before = np.concatenate(([0], np.cumsum(unlike)))
        result: NDArray[np.bool_] = (
            whole & (ends - starts == edges) & (before[ends + 1] == before[starts])
        )
        return result

    def _emit(
        self,
        starts: Ticks,
        ends: Ticks,
        good: NDArray[np.bool_],
        judged: int,
        index: Ticks,
        compiled: Any | None,
    ) -> tuple[Track, Periods]:
        joined = good & np.concatenate(([self._open], good[:-1]))
        segment = self._segment + np.cumsum(good & ~joined)
        # Only good periods count, so that giving up a stretch early or late changes nothing.
        number = self._number + np.cumsum(good) - 1
        # What comes before the first good period, or is cut off by the end, is no fault.
        refused = ~good & (segment >= 0)
        self.edges_rejected += int((ends - starts)[:judged][refused[:judged]].sum())
        self._segment = int(segment[-1])
        self._number = int(number[-1]) + 1
        self._open = bool(good[-1])
        segment = np.where(good, segment, -1)

        begin, end = int(starts[0]), int(ends[-1])
        steps, gap_width = self.reference.steps, self.reference.missing + 1
        if compiled is not None:
            table = np.empty((5, end - begin), np.int64)
            compiled.lay_out(
                self._ticks, starts, ends, good, segment, number, len(index), steps, gap_width,
                table,
            )  # fmt: skip
            track = Track(*table)
        else:
            size = ends - starts
            width = np.ones(end - begin, np.int64)
            width[index - begin - 1] = gap_width
            inside = np.arange(begin, end) - np.repeat(starts, size)
            place = np.repeat(number * steps, size) + inside
            track = Track(
                self._ticks[begin:end],
                np.diff(self._ticks[begin : end + 1]),
                np.where(np.repeat(good, size), place, -1),
                width,
                np.repeat(segment, size),
            )
        periods = Periods(
            self._ticks[starts[good]],
            self._ticks[ends[good]] - self._ticks[starts[good]],
            segment[good],
            number[good],
        )
        return track, periods


@dataclass
class Placed:
    """Edges of another input with the crank angle at which they came; one element per edge.

    Attributes:
        tick: int64 time of the edge.
        degrees: float64 crank angle (see module), NaN where the crank was not known.
        segment: int64 stretch of unbroken synchronisation, -1 where there is none.
        to_edge: float64 crank degrees to the nearest reference edge.
        rate: float64 crank degrees per tick around the edge.
        residual: float64 degrees by which one of the last turn's reference edges, another one
            each time, misses the cubic through its four neighbours: speed changes too quick for
            the wheel, and its tooth errors.
        wide: the same with neighbours twice as far away, by which the two can be told apart.
    """

    tick: Ticks
    degrees: Floats
    segment: Ticks
    to_edge: Floats
    rate: Floats
    residual: Floats
    wide: Floats

    @classmethod
    def join(cls, parts: "list[Placed]") -> "Placed":
        """One table of several."""
        if not parts:
            none, nothing = np.empty(0, np.int64), np.empty(0)
            return cls(none, nothing, none, nothing, nothing, nothing, nothing)
        names = cls.__dataclass_fields__
        return cls(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))


def place(track: Track, ticks: Ticks, reference: Reference) -> Placed:
    """Crank angle at given times.

    The angle within an interval follows the cubic through its two edges and one more on either
    side (Newton's divided differences, e.g. Abramowitz & Stegun 25.2.26), so a changing speed is
    taken into account; where a neighbour belongs to another segment, the quadratic or the line
    through those that are left.

    Args:
        track: consecutive intervals.
        ticks: int64[n], any order.
        reference: the wheel, with its tooth errors where they are known.

    Returns:
        n placed edges; those outside the track or in an unsynchronised interval have no angle.
    """
    n = len(track.start)
    if not n:
        nan = np.full(len(ticks), np.nan)
        return Placed(ticks, nan, np.full(len(ticks), -1), nan, nan, nan, nan)
    i = np.searchsorted(track.start, ticks, side="right") - 1
    if (compiled := kernels.kernels()) is not None:
        owner, table = np.empty(len(ticks), np.int64), np.full((5, len(ticks)), np.nan)
        compiled.place(
            track.start, track.length, track.step, track.width, track.segment, ticks, i,
            reference.teeth, reference.teeth - reference.missing, _STRIDE, reference.step,
            reference.offsets if reference.errors else np.empty(0), owner, table,
        )  # fmt: skip
        return Placed(ticks, table[0], owner, *table[1:])
    inside = i >= 0
    i = np.maximum(i, 0)
    inside &= (ticks - track.start[i] < track.length[i]) & (track.segment[i] >= 0)
    segment = np.where(inside, track.segment[i], -1)
    offsets = reference.offsets

    left, right = np.maximum(i - 1, 0), np.minimum(i + 1, n - 1)
    with_left = (left < i) & (track.segment[left] == segment)
    with_right = (right > i) & (track.segment[right] == segment)
    length = track.length[i].astype(np.float64)
    x = (ticks - track.start[i]) / length
    a = np.where(with_left, track.length[left] / length, 1.0)  # left node at -a
    b = np.where(with_right, 1.0 + track.length[right] / length, 2.0)  # right node at b
    # Tooth steps from the interval's start to its end, to the left node and to the right one.
    w = _steps_between(track, i, i, track.width[i], offsets)
    wl = -_steps_between(track, i, left, 0, offsets)
    wr = _steps_between(track, i, right, track.width[right], offsets)

    curve = x * (x - 1.0)
    through_left = np.where(with_left, (w - wl / a) / (1.0 + a), 0.0)
    through_right = (wr - w * b) / (b * (b - 1.0))
    second = np.where(with_left, through_left, np.where(with_right, through_right, 0.0))
    third = np.where(
        with_left & with_right,
        (wr - w * b - through_left * b * (b - 1.0)) / (b * (b - 1.0) * (b + a)),
        0.0,
    )
    y = w * x + curve * (second + third * (x + a))
    base = track.step[i] + offsets[track.step[i] % len(offsets)]
    step = reference.step
    degrees = np.where(inside, (base + y) * step, np.nan)
    to_edge = np.where(inside, np.minimum(y, w - y) * step, np.nan)
    rate = np.where(inside, w * step / length, np.nan)
    present = reference.teeth - reference.missing
    # At least two back, so that the edges after it are there whatever the chunks.
    back = 3 + (track.step[i] // reference.teeth * _STRIDE) % present
    there = np.maximum(i - back, 0)
    sampled = inside & (track.segment[there] == segment)
    residual, wide = (
        np.where(sampled, _leave_one_out(track, there, offsets, reach) * step, np.nan)
        for reach in (1, 2)
    )
    return Placed(ticks, degrees, segment, to_edge, rate, residual, wide)


def _steps_between(track: Track, i: Ticks, j: Ticks, more: Ticks | int, offsets: Floats) -> Floats:
    """Tooth steps from edge i to the edge `more` places after edge j, tooth errors included."""
    there, here = track.step[j] + more, track.step[i]
    m = len(offsets)
    result: Floats = (there - here) + (offsets[there % m] - offsets[here % m])
    return result


def _leave_one_out(track: Track, i: Ticks, offsets: Floats, reach: int) -> Floats:
    """Tooth steps by which edge i misses the cubic through two edges on either side.

    These are the edges `reach` and twice `reach` away; NaN where one of them is not in the same
    segment.
    """
    n = len(track.start)
    ends = 2 * reach
    if n < 2 * ends:
        return np.full(len(i), np.nan)
    inner = np.clip(i, ends, n - ends)
    ok = inner == i
    for k in (-ends, -reach, reach, ends - 1):
        ok &= track.segment[inner + k] == track.segment[inner]
    scale = track.length[inner].astype(np.float64)
    nodes = []
    for k in (-ends, -reach, reach, ends):
        past = k == ends  # the last edge is the end of the interval before it
        j = inner + k - past
        time = track.start[j] + (track.length[j] if past else 0) - track.start[inner]
        at = _steps_between(track, inner, j, track.width[j] if past else 0, offsets)
        nodes.append((time / scale, at))
    value = np.zeros(len(i))
    for k, (x, y) in enumerate(nodes):  # Lagrange's form at x = 0
        weight = np.ones(len(i))
        for m, (other, _) in enumerate(nodes):
            if m != k:
                weight *= other / (other - x)
        value += weight * y
    return np.where(ok, value, np.nan)


class AngleReader:
    """Streaming `place`: holds edges back until the intervals they need are decided."""

    def __init__(self, reference: Reference) -> None:
        self._reference = reference
        self._track = Track.join([])
        self._ticks: Ticks = np.empty(0, np.int64)

    def feed(self, track: Track, ticks: Ticks, complete: int, last: bool = False) -> Placed:
        """Angles of all edges that can be placed by now.

        Args:
            track: the next intervals of the crank.
            ticks: int64[n], rising over all calls.
            complete: edges older than this tick have all been fed.
            last: nothing will follow.
        """
        self._ticks = np.concatenate((self._ticks, ticks))
        self._track = whole = Track.join([self._track, track])
        n = len(whole.start)
        if last:
            ready = len(self._ticks)
        elif n < 2:
            return Placed.join([])
        else:
            # The interval of an edge needs its right neighbour.
            ready = int(np.searchsorted(self._ticks, whole.start[-1], side="left"))
        placed = place(whole, self._ticks[:ready], self._reference)
        self._ticks = self._ticks[ready:]
        # Edges still to come need their interval, one after it and a turn before it.
        held = min(complete, int(self._ticks[0])) if len(self._ticks) else complete
        oldest = int(np.searchsorted(whole.start, held, side="right")) - 1
        self._track = whole.cut(max(0, min(oldest, n - 2) - self._reference.teeth - 5))
        return placed
