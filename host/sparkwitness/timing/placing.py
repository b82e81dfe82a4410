"""Times to crank angles: interpolate between the edges of the crank's track, see `angle`."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import kernels
from sparkwitness.timing.angle import Reference, Track

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

_SEAM = 16  # intervals copied where one piece of the crank joins the next


@dataclass
class Placed:
    """Edges of another input with the crank angle at which they came; one element per edge.

    Attributes:
        tick: int64 time of the edge.
        degrees: float64 crank angle (see `angle`), NaN where the crank was not known.
        segment: int64 stretch of unbroken synchronisation, -1 where there is none.
        to_edge: float64 crank degrees to the nearest reference edge.
    """

    tick: Ticks
    degrees: Floats
    segment: Ticks
    to_edge: Floats

    def __len__(self) -> int:
        return len(self.tick)

    def pick(self, mask: NDArray[np.bool_] | Ticks | slice) -> "Placed":
        """The edges selected by a mask or indices, or a slice of them."""
        return Placed(*(getattr(self, name)[mask] for name in self.__dataclass_fields__))

    @classmethod
    def join(cls, parts: "list[Placed]") -> "Placed":
        """One table of several."""
        if not parts:
            none, nothing = np.empty(0, np.int64), np.empty(0)
            return cls(none, nothing, none, nothing)
        if len(parts) == 1:
            return parts[0]
        names = cls.__dataclass_fields__
        return cls(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))


@dataclass
class Marked:
    """Placed edges of an input with what is known of each beside its angle.

    Attributes:
        at: n edges.
        lost: bool[n] edges of this input were lost just before it.
        level: int8[n] level after it: 1, 0, or `decode.flanks.UNKNOWN`.
    """

    at: Placed
    lost: NDArray[np.bool_]
    level: NDArray[np.int8]

    @classmethod
    def none(cls) -> "Marked":
        """No edge."""
        return cls(Placed.join([]), np.empty(0, np.bool_), np.empty(0, np.int8))

    def __len__(self) -> int:
        return len(self.at)

    def pick(self, mask: NDArray[np.bool_] | slice) -> "Marked":
        """The edges selected by a mask, or a slice of them."""
        return Marked(self.at.pick(mask), self.lost[mask], self.level[mask])


def place(track: Track, ticks: Ticks, reference: Reference) -> Placed:
    """Crank angle at given times.

    A changing speed is taken into account, see `kernels.plain.place`.

    Args:
        track: consecutive intervals.
        ticks: int64[n], any order.
        reference: the wheel, with its tooth errors where they are known.

    Returns:
        n placed edges; those outside the track or in an unsynchronised interval have no angle.
    """
    if not len(track):
        nan = np.full(len(ticks), np.nan)
        return Placed(ticks, nan, np.full(len(ticks), -1), nan)
    owner, table = np.empty(len(ticks), np.int64), np.empty((2, len(ticks)))
    kernels.chosen().place(
        track.edges, track.begin, track.step, track.segment, ticks, reference.missing + 1,
        reference.step, reference.offsets if reference.errors else np.empty(0), owner, table,
    )  # fmt: skip
    return Placed(ticks, table[0], owner, table[1])


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
        parts: list[Placed] = []
        head = track.head(_SEAM)
        if len(head) < len(track) and complete >= head.edges[-1]:
            # Few edges are near the seam; for the rest the new intervals need not be copied.
            seam = np.searchsorted(self._ticks, track.edges[_SEAM // 2])
            if seam:
                joint = Track.join([self._track, head])
                parts.append(place(joint, self._ticks[:seam], self._reference))
            self._ticks = self._ticks[seam:]
            whole = track
        else:
            whole = Track.join([self._track, track])
        n = len(whole)
        if last:
            ready = len(self._ticks)
        elif n < 2:
            ready = 0
        else:
            # The interval of an edge needs its right neighbour.
            ready = np.searchsorted(self._ticks, whole.edges[-2], side="left")
        if ready:
            parts.append(place(whole, self._ticks[:ready], self._reference))
        self._ticks = self._ticks[ready:]
        # Edges still to come need their interval and one on either side.
        oldest = int(np.searchsorted(whole.edges, complete, side="right")) - 1
        self._track = whole.cut(max(0, min(oldest, n - 2) - 1))
        return Placed.join(parts)
