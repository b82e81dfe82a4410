"""Both flanks of an input: counts that carry the level, and the flank that is wanted of them.

A board that stamps both flanks doubles each count and puts the level after the edge in bit 0. So
every edge says which flank it is, and a lost one cannot swap them.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode.wire import Places

Ticks = NDArray[np.int64]
Words = NDArray[np.uint32]
Levels = NDArray[np.int8]

UNKNOWN = -1
_HALF = 1 << 30  # the sign of 31 bits


def undoubled(words: Words, base: Ticks) -> Words:
    """Counts of both flanks as other counts are: the level goes, the top bit comes back.

    Args:
        words: uint32, doubled counts, 31 bits of time each.
        base: int64 of a shape that fits, time of the heartbeat before each.
    """
    ahead = ((words.astype(np.int64) >> 1) - base) & 0x7FFFFFFF
    ahead |= (ahead & _HALF) << 1
    return ((base + ahead) & 0xFFFFFFFF).astype(np.uint32)


def undouble(
    places: Places, packed: Words, begins: Ticks, beat: int, beats_at: Ticks, beats: Ticks,
    inputs: int,
) -> tuple[Levels | None, ...] | None:  # fmt: skip
    """The same in place, for a block of frames that `gather` has found in order.

    Args:
        places, packed, begins, beat, beats_at, beats: see `kernels.plain.spread`; counts in
            `packed` are changed.
        inputs: how many inputs there are.

    Returns:
        Per input int8 levels in order of its edges, None where it stamps one flank; None for all
        where a block is of neither kind.
    """
    begin = np.delete(begins, beats_at)
    head = packed[begin + places.block]
    doubled = head >> 16 & 0xFF
    if not doubled.any():
        return (None,) * inputs
    if doubled.max() > 1:
        return None
    which, many = head & 0xFF, (head >> 8 & 0xFF).astype(np.int64)
    before = beats_at - np.arange(len(beats_at))
    times = np.concatenate(([beat], beats))
    newest = np.repeat(times, np.diff(before, prepend=0, append=len(begin)))
    chosen = np.flatnonzero(doubled)
    n = many[chosen]
    at = np.repeat(begin[chosen] + places.counts - np.cumsum(n) + n, n) + np.arange(n.sum())
    words = packed[at]
    packed[at] = undoubled(words, np.repeat(newest[chosen], n))
    level = np.full(many.sum(), UNKNOWN, np.int8)
    ends = np.cumsum(many)
    into = np.repeat((ends - many)[chosen] - np.cumsum(n) + n, n) + np.arange(n.sum())
    level[into] = words & 1
    owner = np.repeat(which, many)
    seen = set(which[chosen].tolist())
    return tuple(level[owner == i] if i in seen else None for i in range(inputs))


def meant(hello: Mapping[str, Any] | None, which: int, falling: bool = False) -> int:
    """Level after the edges of the flank that a board was asked for.

    Args:
        hello: the board's; None: not seen.
        which: number of the input.
        falling: what was asked for where no hello tells it.
    """
    if hello is not None:
        falling = bool(hello["falling"] >> which & 1)
    return 0 if falling else 1


class Flank:
    """Streaming: of an input's edges those of one flank; without levels all of them."""

    def __init__(self, level: int) -> None:
        self._level = level
        self._lost = False

    def feed(self, ticks: Ticks, breaks: Ticks, levels: Levels | None) -> tuple[Ticks, Ticks]:
        """The next edges.

        Args:
            ticks, breaks: as in `edges.Batch`.
            levels: int8[n] level after each edge, or None where one flank only is stamped.

        Returns:
            The edges kept and their breaks.
        """
        if levels is None and not self._lost:
            return ticks, breaks
        keep = np.ones(len(ticks), np.bool_) if levels is None else levels != 1 - self._level
        at = np.concatenate(([0], np.cumsum(keep)))[breaks]
        if self._lost:
            at = np.append(0, at)
        kept = ticks[keep]
        # A loss before an edge of the other flank counts for the next one that is kept.
        self._lost = bool(len(at) and at[-1] == len(kept))
        return kept, np.unique(at[at < len(kept)])


class Tap:
    """Streaming: every edge of an input with its level and whether others were lost before it."""

    def __init__(self, level: int) -> None:
        self._level = level  # where one flank only is stamped
        self._last = UNKNOWN

    def feed(
        self, ticks: Ticks, breaks: Ticks, levels: Levels | None
    ) -> tuple[NDArray[np.bool_], Levels]:
        """The next edges, as in `edges.Batch`; bool[n] lost before each, int8[n] level after it.

        Two flanks alike in turn say that one between them was too short to be stamped.
        """
        lost = np.zeros(len(ticks), np.bool_)
        lost[breaks] = True
        if levels is None:
            return lost, np.full(len(ticks), self._level, np.int8)
        if len(levels):
            lost |= np.append(self._last, levels[:-1]) == levels
            self._last = levels[-1].item()
        return lost, levels
