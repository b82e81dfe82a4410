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

from .errors import UserError

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
    made = SimpleNamespace(**{one.__name__: numba.njit(cache=True)(one) for one in _KERNELS})
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
        ticks, cut: int64[n] and bool[n], edges, and whether others were lost before them.
        origin: edges up to this one do not count.
        longer: how many times as long as both its neighbours a gap is.
        index: int64[n], gets the numbers of the edges.

    Returns:
        How many they are.
    """
    found = 0
    for k in range(1, len(ticks) - 2):
        middle = ticks[k + 1] - ticks[k]
        if (
            k + 1 > origin
            and middle > longer * (ticks[k] - ticks[k - 1])
            and middle > longer * (ticks[k + 2] - ticks[k + 1])
            and not (cut[k] or cut[k + 1] or cut[k + 2])
        ):
            index[found] = k + 1
            found += 1
    return found


def follow(
    ticks: Ticks, cut: Bools, starts: Ticks, ends: Ticks, indexed: int, after_gap: bool,
    edges: int, gap_width: int, even: float, good: Bools,
) -> None:  # fmt: skip
    """Which stretches between index edges are whole periods: see `angle.CrankTracker`.

    Args:
        ticks, cut: int64[n] and bool[n], edges, and whether others were lost before them.
        starts, ends: int64[m], first and last edge of each stretch, one following the other.
        indexed: how many of the ends are index edges.
        after_gap: the interval before the first start is a gap.
        edges, gap_width: per period, and tooth steps over its gap.
        even: by how much neighbouring intervals may differ.
        good: bool[m], true where the stretch may be one; set to false where it is none.
    """
    for p in range(len(starts)):
        if not good[p]:
            continue
        begin, end = starts[p], ends[p]
        if end - begin != edges or begin == 0 or end >= len(ticks) - 1:
            good[p] = False
            continue
        # From the interval before to the one after; a slice spares a test at every access.
        part, lost = ticks[begin - 1 : end + 2], cut[begin : end + 2]
        before = (part[1] - part[0]) / (gap_width if p > 0 or after_gap else 1)
        gap = edges - 1 if p < indexed else -1
        fits = not lost[0]
        for k in range(edges + 1):
            pace = np.float64(part[k + 2] - part[k + 1])
            if k == gap:
                pace /= gap_width
            # Most are alike beyond doubt, which spares the division.
            if not (pace < 1.5 * before and before < 1.5 * pace):
                ratio = pace / before
                fits &= not (ratio > even or ratio < 1 / even)
            fits &= not lost[k + 1]
            before = pace
        good[p] = fits


def lay_out(
    ticks: Ticks, starts: Ticks, ends: Ticks, good: Bools, segment: Ticks, number: Ticks,
    indexed: int, steps: int, gap_width: int, table: Ticks,
) -> None:  # fmt: skip
    """Write the intervals of all stretches: see `angle.Track`.

    Args:
        ticks, starts, ends, good, indexed, gap_width: as for `follow`.
        segment, number: int64[m] per stretch.
        steps: tooth steps per period.
        table: int64[5, ends[-1] - starts[0]], gets start, length, step, width and segment.
    """
    at = 0
    for p in range(len(starts)):
        first, size = number[p] * steps, ends[p] - starts[p]
        part = ticks[starts[p] : ends[p] + 1]
        start, length = table[0, at : at + size], table[1, at : at + size]
        step, width, owner = (
            table[2, at : at + size], table[3, at : at + size], table[4, at : at + size]
        )  # fmt: skip
        for k in range(size):
            start[k] = part[k]
            length[k] = part[k + 1] - part[k]
        if good[p]:
            for k in range(size):
                step[k] = first + k
        else:
            step[:] = -1
        width[:] = 1
        owner[:] = segment[p]
        at += size
        if p < indexed:
            table[3, at - 1] = gap_width


def place(
    start: Ticks, length: Ticks, step: Ticks, width: Ticks, segment: Ticks, ticks: Ticks,
    interval: Ticks, teeth: int, present: int, stride: int, degree: float, offsets: Floats,
    owner: Ticks, table: Floats,
) -> None:  # fmt: skip
    """Crank angle at given times: see `angle.place`, whose arithmetic this is, edge by edge.

    Args:
        start, length, step, width, segment: int64[n], the `angle.Track`.
        ticks, interval: int64[m], times, and the interval in which each lies or -1.
        teeth, present: places on the wheel, and those that are teeth.
        stride: see `angle`.
        degree: degrees per tooth step.
        offsets: float64[steps], tooth errors in tooth steps; empty where all are 0.
        owner: int64[m], gets the segments.
        table: float64[5, m], all NaN; gets degrees, to_edge, rate, residual and wide.
    """
    n, round_ = len(start), len(offsets)
    node_x, node_y = np.empty(4), np.empty(4)
    for one in range(len(ticks)):
        i = interval[one]
        owner[one] = -1
        if i < 0 or ticks[one] - start[i] >= length[i] or segment[i] < 0:
            continue
        mine = segment[i]
        owner[one] = mine
        here = step[i]
        with_left = i > 0 and segment[i - 1] == mine
        with_right = i < n - 1 and segment[i + 1] == mine
        long = np.float64(length[i])
        x = (ticks[one] - start[i]) / long
        away = offsets[here % round_] if round_ else 0.0
        w = np.float64(width[i])
        if round_:
            w += offsets[(here + width[i]) % round_] - away
        a, b = 1.0, 2.0
        second = third = through_left = 0.0
        if with_left:
            a = length[i - 1] / long
            wl = np.float64(step[i - 1] - here)
            if round_:
                wl += offsets[step[i - 1] % round_] - away
            wl = -wl
            through_left = (w - wl / a) / (1.0 + a)
            second = through_left
        if with_right:
            b = 1.0 + length[i + 1] / long
            there = step[i + 1] + width[i + 1]
            wr = np.float64(there - here)
            if round_:
                wr += offsets[there % round_] - away
            if with_left:
                third = (wr - w * b - through_left * b * (b - 1.0)) / (b * (b - 1.0) * (b + a))
            else:
                second = (wr - w * b) / (b * (b - 1.0))
        y = w * x + x * (x - 1.0) * (second + third * (x + a))
        table[0, one] = (here + away + y) * degree
        table[1, one] = min(y, w - y) * degree
        table[2, one] = w * degree / long
        back = 3 + (here // teeth * stride) % present
        inner = max(i - back, 0)
        if segment[inner] != mine:
            continue
        for reach in range(1, 3):
            ends = 2 * reach
            if (
                inner < ends or inner > n - ends
                or segment[inner - ends] != mine or segment[inner - reach] != mine
                or segment[inner + reach] != mine or segment[inner + ends - 1] != mine
            ):  # fmt: skip
                continue
            scale = np.float64(length[inner])
            base = step[inner]
            for node in range(4):
                if node == 3:
                    j = inner + ends - 1
                    time = start[j] + length[j] - start[inner]
                    there = step[j] + width[j]
                else:
                    j = inner + (-ends if node == 0 else -reach if node == 1 else reach)
                    time = start[j] - start[inner]
                    there = step[j]
                node_x[node] = time / scale
                node_y[node] = np.float64(there - base)
                if round_:
                    node_y[node] += offsets[there % round_] - offsets[base % round_]
            value = 0.0
            for node in range(4):
                weight = 1.0
                for other in range(4):
                    if other != node:
                        weight *= node_x[other] / (node_x[other] - node_x[node])
                value += weight * node_y[node]
            table[2 + reach, one] = value * degree


def running_median(values: Floats, reach: int, medians: Floats) -> None:
    """Median of each value and its `reach` neighbours on either side.

    Args:
        values: float64[n], none NaN, n > 2 * reach.
        medians: float64[n - 2 * reach], gets them.
    """
    size = 2 * reach + 1
    window = np.sort(values[:size])
    medians[0] = window[reach]
    for k in range(size, len(values)):
        old, new = values[k - size], values[k]
        # Out goes the one, in comes the other; what lies between moves by one place.
        j = 0
        while window[j] != old:
            j += 1
        while j + 1 < size and window[j + 1] < new:
            window[j] = window[j + 1]
            j += 1
        while j > 0 and window[j - 1] > new:
            window[j] = window[j - 1]
            j -= 1
        window[j] = new
        medians[k - size + 1] = window[reach]


_KERNELS: tuple[Callable[..., Any], ...] = (
    gather, spread, find_gaps, follow, lay_out, place, running_median,
)  # fmt: skip
