"""The innermost loops, compiled where numba is installed (`pip install 'sparkwitness[fast]'`).

They are plain Python on numpy arrays, and each has a numpy twin in the module that calls it. Both
give the same results to the last bit: integers, and floating-point operations that are each
rounded by IEEE 754 in the same order (no fastmath, no contraction to fused multiply-add).

Loading numba takes a second, so it is done only for streams that are long, and never while a board
waits. The environment variable SPARKWITNESS_KERNELS forces one: numpy or numba.
"""

import importlib
import os
from collections.abc import Callable
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError

Ticks = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

_VARIABLE = "SPARKWITNESS_KERNELS"
_LONG = 24 << 20  # bytes, some 15 minutes of a 60-2 wheel at 6000 rpm
_PIECE = 1 << 17  # no board sends as much at once: it is a file


def kernels(total: int = 0, piece: int = 0) -> Any | None:
    """The compiled kernels as attributes, or None where numpy is to be used.

    Args:
        total: bytes of the stream so far.
        piece: bytes that came at once.

    Raises:
        UserError: what SPARKWITNESS_KERNELS forces is not there.
    """
    choice = os.environ.get(_VARIABLE, "")
    if choice == "numpy":
        return None
    if choice == "numba":
        found = _compiled()
        if found is None:
            raise UserError(
                f"{_VARIABLE} asks for numba, which is not installed: "
                "pip install 'sparkwitness[fast]'"
            )
        return found
    if choice:
        raise UserError(f"{_VARIABLE} must be numpy or numba, not {choice}")
    if loaded:
        return loaded[0]
    return _compiled() if total >= _LONG and piece >= _PIECE else None


loaded: list[Any] = []


@cache
def _compiled() -> Any | None:
    """All kernels, compiled; the machine code is cached on disk beside the source."""
    try:
        numba = importlib.import_module("numba")
    except ImportError:
        return None
    compiler = numba.njit(cache=True, error_model="numpy")
    made = SimpleNamespace(**{one.__name__: compiler(one) for one in _KERNELS})
    loaded.append(made)
    return made


def gather(
    stuffed: Bytes, start: int, stop: int, fixer: int, session: int, seq: int, firsts: Ticks,
    counts: Ticks, packed: Words, places: Ticks, beats_at: Ticks,
) -> tuple[np.int64, np.int64, np.int64]:  # fmt: skip
    """Undo COBS of a block whose frames are all as they should be: blocks of edges and heartbeats
    of one session, none missing, no edge lost. Their CRC is left to be checked.

    Args:
        stuffed: uint8[m]; from start to stop whole frames, the last byte a delimiter.
        fixer: word to be put before each frame.
        session, seq: of the frame before.
        firsts: int64[4], edges before the next block of each input, -1 where not known; counted on.
        counts: int64[4], all 0; gets the number of edges per input.
        packed: uint32[at least m / 4 + 65], gets fixer, body and CRC of frame after frame.
        places: int64[at least m / 14], gets the word in `packed` at which each frame begins.
        beats_at: int64[like places], gets the numbers of the frames that are heartbeats.

    Returns:
        Number of words in `packed`, of frames, of heartbeats; -1, 0, 0 where anything is amiss.
    """
    # Indices without a sign spare the test for a negative one, which would slow every access.
    u = np.uint64
    low, high = u(0x0101010101010101), u(0x8080808080808080)
    flat = packed.view(np.uint8)
    wide = stuffed[: len(stuffed) // 8 * 8].view(u)
    many = u(len(wide))
    word, frames, beats = u(0), u(0), u(0)
    begin = at = u(start)
    while at < u(stop):
        if at & u(7) == u(0):
            # The next delimiter, eight bytes at a time.
            eight = at >> u(3)
            while eight < many and not ((wide[eight] - low) & ~wide[eight] & high):
                eight += u(1)
            at = eight << u(3)
            if at >= u(stop):
                break
        if stuffed[at]:
            at += u(1)
            continue
        length, source = at - begin, begin
        at += u(1)
        begin = at
        if not length:
            continue
        size = length - u(1)
        if size & u(3) or size < u(24) or length > u(255):
            return np.int64(-1), np.int64(0), np.int64(0)
        place = (word << u(2)) + u(3)  # the code byte lands in the fixer's place
        end = place + length
        for k in range(length):
            flat[place + k] = stuffed[source + k]
        while place < end:
            code = u(flat[place])
            flat[place] = 0
            place += code
        if place != end:
            return np.int64(-1), np.int64(0), np.int64(0)
        packed[word] = fixer
        head = packed[word + u(1)]
        seq = (seq + 1) & 0xFFFFFFFF
        if head >> 16 != session or packed[word + u(2)] != seq:
            return np.int64(-1), np.int64(0), np.int64(0)
        kind = head & 0xFF
        if kind == 2:
            block = packed[word + u(3)]
            which, n = block & 0xFF, np.int64((block >> 8) & 0xFF)
            if which > 3 or n == 0 or size != 20 + 4 * n or firsts[which] != packed[word + u(4)]:
                return np.int64(-1), np.int64(0), np.int64(0)
            firsts[which] = (firsts[which] + n) & 0xFFFFFFFF
            counts[which] += n
        elif kind == 3 and size == u(84):
            beats_at[beats] = frames
            beats += u(1)
        else:
            return np.int64(-1), np.int64(0), np.int64(0)
        places[frames] = word
        frames += u(1)
        word += (size >> u(2)) + u(1)
    return np.int64(word), np.int64(frames), np.int64(beats)


def spread(
    packed: Words, places: Ticks, beat: int, beats_at: Ticks, beats: Ticks, last: Ticks,
    filled: Ticks, ticks: Ticks,
) -> bool:  # fmt: skip
    """64-bit times of the edges in a block that `gather` has found in order.

    Args:
        packed, places: from `gather`.
        beat: time of the newest heartbeat before the first frame.
        beats_at, beats: int64[m], which frames are heartbeats, and their times.
        last: int64[4], time of the edge before, per input; counted on.
        filled: int64[4], where in `ticks` each input's times begin.
        ticks: int64[edges], gets the times.

    Returns:
        True if all times of each input rise strictly.
    """
    rising = True
    next_beat = 0
    for k in range(len(places)):
        if next_beat < len(beats_at) and beats_at[next_beat] == k:
            beat = beats[next_beat]
            next_beat += 1
            continue
        word = places[k]
        which = packed[word + 3] & 0xFF
        n = np.int64((packed[word + 3] >> 8) & 0xFF)
        counts = packed[word + 5 : word + 5 + n]
        into = ticks[filled[which] : filled[which] + n]
        low = np.uint32(beat & 0xFFFFFFFF)
        for j in range(n):
            into[j] = beat + np.int64(np.int32(counts[j] - low))
        rising &= into[0] > last[which]
        for j in range(1, n):
            rising &= into[j] > into[j - 1]
        filled[which] += n
        last[which] = into[n - 1]
    return rising


def find_gaps(ticks: Ticks, cut: Bools, origin: int, longer: float, index: Ticks) -> int:
    """Edges after a gap: see `angle.CrankTracker`.

    Args:
        ticks: int64[n], edges.
        cut: bool[n], whether others were lost before them; empty where none were.
        origin: edges up to this one do not count.
        longer: how many times as long as both its neighbours a gap is, more than 1.4.
        index: int64[n], gets the numbers of the edges.

    Returns:
        How many they are.
    """
    found, end = 0, len(ticks) - 2
    first = max(1, origin)
    while first < end:
        # Sixteen at a time are looked through for anything that might be one: 1.375 times as long.
        after = min(first + 16, end)
        part = ticks[first - 1 : after + 2]
        some = False
        for k in range(after - first):
            one = part[k + 1] - part[k]
            some |= part[k + 2] - part[k + 1] - one > (one >> 2) + (one >> 3)
        if some:
            for k in range(first, after):
                middle = ticks[k + 1] - ticks[k]
                if (
                    middle > longer * (ticks[k] - ticks[k - 1])
                    and middle > longer * (ticks[k + 2] - ticks[k + 1])
                    and not (len(cut) and (cut[k] or cut[k + 1] or cut[k + 2]))
                ):
                    index[found] = k + 1
                    found += 1
        first = after
    return found


def follow(
    ticks: Ticks, cut: Bools, starts: Ticks, ends: Ticks, after_gap: bool, edges: int,
    gap_width: int, even: float, good: Bools,
) -> None:  # fmt: skip
    """Which stretches between index edges are whole periods: see `angle.CrankTracker`.

    Args:
        ticks: int64[n], edges.
        cut: bool[n], whether others were lost before them; empty where none were.
        starts, ends: int64[m], first and last edge of each stretch, one following the other.
        after_gap: the interval before the first start is a gap.
        edges, gap_width: per period, and tooth steps over its gap.
        even: by how much neighbouring intervals may differ, more than 1.5.
        good: bool[m], true where the stretch ends at an index edge and may be one; set to false
            where it is none.
    """
    for p in range(len(starts)):
        if not good[p]:
            continue
        begin, end = starts[p], ends[p]
        if end - begin != edges or begin == 0 or end >= len(ticks) - 1:
            good[p] = False
            continue
        # From the interval before to the one after; a slice spares a test at every access.
        part = ticks[begin - 1 : end + 2]
        fits = True
        if len(cut):
            for k in range(begin, end + 2):
                fits &= not cut[k]
        # All but the first and the last two, which have to do with gaps, in one go.
        alike = True
        for k in range(1, edges - 1):
            one, next_ = part[k + 1] - part[k], part[k + 2] - part[k + 1]
            alike &= (next_ - one < one >> 1) & (one - next_ < next_ >> 1)
        k = 0
        while k <= edges:
            before, pace = np.float64(part[k + 1] - part[k]), np.float64(part[k + 2] - part[k + 1])
            if k == edges or (k == 0 and (p > 0 or after_gap)):
                before /= gap_width
            if k == edges - 1:
                pace /= gap_width
            ratio = pace / before
            fits &= not (ratio > even or ratio < 1 / even)
            k = edges - 1 if alike and k == 0 and edges > 1 else k + 1
        good[p] = fits


def misses(
    ticks: Ticks, starts: Ticks, ends: Ticks, number: Ticks, run: Ticks, present: int, edges: int,
    stride: int, steps: Floats, steps_from: int, degree: float, table: Floats,
) -> None:  # fmt: skip
    """How far an edge that is left out misses: see `angle.CrankTracker`, whose arithmetic this is.

    Args:
        ticks: int64[k], edges.
        starts, ends, number, run: int64[n], see there.
        present, edges: teeth of the wheel, and edges per period.
        stride: see `angle`.
        steps, steps_from: where edges stand, float64, the first of them that many past the start.
        degree: degrees per tooth step.
        table: float64[2, n], all NaN; gets the misses with neighbours near and wide.
    """
    per_turn = present // edges
    for p in range(len(starts)):
        turn = number[p] // per_turn
        if turn * per_turn != number[p]:
            continue
        back = 4 + turn * stride % present
        if back + 4 > (run[p] + 1) * edges:
            continue
        at = ends[p] - back
        place = at - starts[p] - steps_from
        x, y = ticks[at], steps[place]
        for reach in range(1, 3):
            x0, x1 = np.float64(ticks[at - 2 * reach] - x), np.float64(ticks[at - reach] - x)
            x2, x3 = np.float64(ticks[at + reach] - x), np.float64(ticks[at + 2 * reach] - x)
            y0, y1 = steps[place - 2 * reach] - y, steps[place - reach] - y
            y2, y3 = steps[place + reach] - y, steps[place + 2 * reach] - y
            d10, d20, d30, d21, d31, d32 = x1 - x0, x2 - x0, x3 - x0, x2 - x1, x3 - x1, x3 - x2
            missed = (
                (x1 * y0 * (d21 * d31) - x0 * y1 * (d20 * d30)) * (x2 * x3 * d32)
                + (x3 * y2 * (d30 * d31) - x2 * y3 * (d20 * d21)) * (x0 * x1 * d10)
            ) / (d10 * d21 * d31 * (d20 * d30 * d32))
            table[reach - 1, p] = missed * degree


def place(
    edges: Ticks, begin: Ticks, step: Ticks, segment: Ticks, ticks: Ticks, gap_width: int,
    degree: float, offsets: Floats, owner: Ticks, table: Floats,
) -> None:  # fmt: skip
    """Crank angle at given times: see `angle.place`, whose arithmetic this is, edge by edge.

    Args:
        edges, begin, step, segment: int64[n + 1] and int64[m], the `angle.Track`.
        ticks: int64[k], times; quick where they rise.
        gap_width: tooth steps over the gap, 1 if there is none.
        degree: degrees per tooth step.
        offsets: float64[steps], tooth errors in tooth steps; empty where all are 0.
        owner: int64[k], gets the segments.
        table: float64[2, k], gets degrees and to_edge.
    """
    n, stretches, round_ = len(edges) - 1, len(begin), len(offsets)
    i = s = 0
    for one in range(len(ticks)):
        tick = ticks[one]
        owner[one] = -1
        table[0, one] = table[1, one] = np.nan
        if tick < edges[0] or tick >= edges[n]:
            continue
        # Its interval, from the one before in strides that double.
        if tick < edges[i]:
            i = s = 0
        reach = 1
        while i + reach <= n and edges[i + reach] <= tick:
            i += reach
            reach *= 2
        above = min(i + reach, n)
        while above - i > 1:
            middle = (i + above) >> 1
            if edges[middle] <= tick:
                i = middle
            else:
                above = middle
        while s + 1 < stretches and begin[s + 1] <= i:
            s += 1
        mine = segment[s]
        if mine < 0:
            continue
        owner[one] = mine
        end = begin[s + 1] if s + 1 < stretches else n
        here = step[s] + i - begin[s]
        width = gap_width if i + 1 == end else 1
        long = np.float64(edges[i + 1] - edges[i])
        at = (tick - edges[i]) / long
        away = offsets[here % round_] if round_ else 0.0
        w = np.float64(width)
        if round_:
            w += offsets[(here + width) % round_] - away
        a, b = 1.0, 2.0
        second = third = through_left = 0.0
        inner_left, inner_right = i > begin[s], i + 1 < end
        with_left = inner_left or (s > 0 and segment[s - 1] == mine)
        if with_left:
            a = (edges[i] - edges[i - 1]) / long
            there = here - 1 if inner_left else step[s - 1] + i - 1 - begin[s - 1]
            wl = np.float64(there - here)
            if round_:
                wl += offsets[there % round_] - away
            wl = -wl
            through_left = (w - wl / a) / (1.0 + a)
            second = through_left
        with_right = inner_right or (s + 1 < stretches and segment[s + 1] == mine)
        if with_right:
            b = 1.0 + (edges[i + 2] - edges[i + 1]) / long
            if inner_right:
                there = here + 1 + (gap_width if i + 2 == end else 1)
            else:
                following = begin[s + 2] if s + 2 < stretches else n
                there = step[s + 1] + (gap_width if i + 2 == following else 1)
            wr = np.float64(there - here)
            if round_:
                wr += offsets[there % round_] - away
            if with_left:
                third = (wr - w * b - through_left * b * (b - 1.0)) / (b * (b - 1.0) * (b + a))
            else:
                second = (wr - w * b) / (b * (b - 1.0))
        turned = w * at + at * (at - 1.0) * (second + third * (at + a))
        table[0, one] = (here + away + turned) * degree
        table[1, one] = min(turned, w - turned) * degree


def firsts(degrees: Floats, segment: Ticks, lost: Bools, gap: float, first: Bools) -> None:
    """Which sparks begin an event: see `events.group`.

    Args:
        degrees, segment, lost: float64[n], int64[n], bool[n] of the sparks.
        gap: degrees between events.
        first: bool[n], gets it.
    """
    first[0] = True
    for k in range(1, len(first)):
        new = (degrees[k] - degrees[k - 1] > gap) | (segment[k] != segment[k - 1])
        first[k] = new | lost[k]


_KERNELS: tuple[Callable[..., Any], ...] = (
    gather, spread, find_gaps, follow, misses, place, firsts,
)  # fmt: skip
