"""Speeds at which something is missing, or comes too much, at passage after passage.

A spell of drop-outs lies anywhere; what belongs to a speed comes back there. So speed is cut into
cells, each stretch is a passage through those that it drove, and how often passages are hit
elsewhere says how often one would be hit here by chance.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import comb

import numpy as np
from numpy.typing import NDArray

from sparkwitness.bench.result import Band
from sparkwitness.bench.shots import Shots, Stretch
from sparkwitness.timing.stats import clumping

Bools = NDArray[np.bool_]

_CELL_RPM = 100.0  # wide; one begins every half of that
_FEWEST = 3  # triggers of a passage through a cell
_HIT_SHARE, _HIT_COUNT = 0.2, 2  # of them, in a passage that is hit
_BY_CHANCE = 0.01
_FEWEST_HITS = 6


def missing(shots: Shots) -> Bools:
    """Triggers without a spark."""
    return ~shots.answered


def doubled(shots: Shots) -> Bools:
    """Answered triggers after which a false event came."""
    return np.asarray((shots.false > 0) & shots.answered)


def goes(stretch: Stretch, way: str) -> bool:
    """Whether the speed rises or falls there; a speed that is held does neither. "": any."""
    low, high = stretch.segment.rpm_from, stretch.segment.rpm_to
    return {"": True, "rising": low < high, "falling": low > high}[way]


def bands(stretches: Sequence[Stretch], happened: Callable[[Shots], Bools]) -> list[Band]:
    """Speeds where it happens at most passages, more often than chance would have it there.

    Args:
        stretches: in order of time.
        happened: bool per trigger.
    """
    seen = [s for s in stretches if len(s.shots.time)]
    flags = [happened(s.shots) for s in seen]
    cells: dict[int, dict[int, bool]] = {}
    for number, (s, flag) in enumerate(zip(seen, flags, strict=True)):
        half = np.floor(s.shots.rpm / (_CELL_RPM / 2)).astype(np.int64)
        for k in np.unique(np.concatenate((half, half - 1))).tolist():
            mine = (half == k) | (half == k + 1)
            n, hits = np.count_nonzero(mine), np.count_nonzero(mine & flag)
            if n >= _FEWEST:
                hit = hits >= _HIT_COUNT and hits >= _HIT_SHARE * n
                cells.setdefault(k, {})[number] = bool(hit)
    ways = {
        way: [i for i, s in enumerate(seen) if goes(s, way)] for way in ("", "rising", "falling")
    }
    found: list[Band] = []
    for way, passages in ways.items():
        counts = {
            k: (sum(cell[i] for i in passages if i in cell), sum(i in cell for i in passages))
            for k, cell in cells.items()
        }
        hot = sorted(k for k, (hits, n) in counts.items() if hits >= 2 and 2 * hits > n)
        cold = [hit for k, cell in cells.items() if k not in hot for hit in cell.values()]
        chance = (sum(cold) + 1) / (len(cold) + 1)
        for first, last in _runs(hot):
            low, high = first * _CELL_RPM / 2, (last + 2) * _CELL_RPM / 2
            luck = min(
                len(cells) / 2 * comb(n, hits) * chance**hits
                for hits, n in (counts[k] for k in hot if first <= k <= last)
            )
            band = _band(low, high, [(seen[i].shots, flags[i]) for i in passages], way)
            if luck >= _BY_CHANCE or band is None:
                continue
            if not any(b.low <= band.high and band.low <= b.high for b in found):
                found.append(band)  # else it is told for both ways already
    return sorted(found, key=lambda b: b.low)


def _runs(cells: Sequence[int]) -> list[tuple[int, int]]:
    """First and last of cells that overlap or touch."""
    if not cells:
        return []
    cuts = [i for i, (a, b) in enumerate(pairwise(cells)) if b > a + 2]
    begins = [0, *(i + 1 for i in cuts)]
    ends = [*cuts, len(cells) - 1]
    return [(cells[a], cells[b]) for a, b in zip(begins, ends, strict=True)]


def _band(
    low: float, high: float, passages: Sequence[tuple[Shots, Bools]], way: str
) -> Band | None:
    """From the first to the last place where it happened, over neighbouring ones on either side."""
    ends: list[float] = []
    for shots, flag in passages:
        inside = np.flatnonzero((shots.rpm >= low) & (shots.rpm <= high) & flag)
        if not len(inside):
            continue
        first, last = inside[[0, -1]]
        while first > 0 and flag[first - 1]:
            first -= 1
        while last + 1 < len(flag) and flag[last + 1]:
            last += 1
        ends += [float(shots.rpm[first]), float(shots.rpm[last])]
    if not ends:
        return None
    low, high = min(ends), max(ends)
    parts = [flag[(shots.rpm >= low) & (shots.rpm <= high)] for shots, flag in passages]
    parts = [part for part in parts if len(part)]
    n, hits = sum(len(part) for part in parts), int(sum(part.sum() for part in parts))
    if hits < _FEWEST_HITS:
        return None
    return Band(
        low, high, n, hits, int(sum(bool(part.any()) for part in parts)), len(parts), way,
        clumping([parts]),
    )  # fmt: skip


def inside(rpm: NDArray[np.float64], found: Sequence[Band]) -> Bools:
    """bool[n]: which speeds lie in one of the bands."""
    there = np.zeros(len(rpm), np.bool_)
    for band in found:
        there |= (rpm >= band.low) & (rpm <= band.high)
    return there


def longest_once(stretches: Sequence[Stretch], found: Sequence[Band]) -> tuple[float, ...] | None:
    """The longest spell of drop-outs outside of the bands.

    Returns:
        Number of triggers, speed at its begin and end; None: no trigger was left out.
    """
    best: tuple[float, ...] | None = None
    for s in stretches:
        silent = missing(s.shots) & ~inside(s.shots.rpm, found)
        edges = np.flatnonzero(np.diff(np.concatenate(([0], silent.astype(np.int8), [0]))))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if best is None or b - a > best[0]:
                best = b - a, float(s.shots.rpm[a]), float(s.shots.rpm[b - 1])
    return best
