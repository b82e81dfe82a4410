"""The innermost loops for numba: plain Python on numpy arrays, an element at a time.

Each has a twin of the same name in `plain`, which says what it does, takes and returns; the
package says when which is used. Only what a compiler must be told stands here.
"""

import importlib
from collections.abc import Callable
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode.wire import Places

Ticks = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

loaded: list[Any] = []  # what `load` has made, so that nobody else need load it


@cache
def load() -> Any | None:
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
    places: Places, stuffed: Bytes, start: int, stop: int, fixer: int, session: int, seq: int,
    firsts: Ticks, counts: Ticks, packed: Words, begins: Ticks, beats_at: Ticks,
) -> tuple[np.int64, np.int64, np.int64]:  # fmt: skip
    """See `plain.gather`."""
    # Indices without a sign spare the test for a negative one, which would slow every access.
    u = np.uint64
    low, high = u(0x0101010101010101), u(0x8080808080808080)
    amiss = np.int64(-1), np.int64(0), np.int64(0)
    at_block, at_first = u(places.block), u(places.first)
    block_size, beat_size = 4 * places.counts, u(places.beat_size)
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
        size = length - u(1)
        if size >> u(8):  # longer than a frame may be, or nothing; all else is found below
            return amiss
        place = (word << u(2)) + u(3)  # the code byte lands in the fixer's place
        end = place + length
        for k in range(length):
            flat[place + k] = stuffed[source + k]
        while place < end:
            code = u(flat[place])
            flat[place] = 0
            place += code
        if place != end:
            return amiss
        packed[word] = fixer
        head = packed[word + u(1)]
        seq = (seq + 1) & 0xFFFFFFFF
        if head >> 16 != session or packed[word + u(2)] != seq:
            return amiss
        kind = head & 0xFF
        if kind == places.edges:
            block = packed[word + at_block]
            which, n = block & 0xFF, np.int64((block >> 8) & 0xFF)
            if (
                which > 3
                or n == 0
                or size != block_size + 4 * n
                or firsts[which] != packed[word + at_first]
            ):
                return amiss
            firsts[which] = (firsts[which] + n) & 0xFFFFFFFF
            counts[which] += n
        elif kind == places.beat and size == beat_size:
            beats_at[beats] = frames
            beats += u(1)
        else:
            return amiss
        begins[frames] = word
        frames += u(1)
        word += (size >> u(2)) + u(1)
    return np.int64(word), np.int64(frames), np.int64(beats)


def spread(
    places: Places, packed: Words, begins: Ticks, beat: int, beats_at: Ticks, beats: Ticks,
    last: Ticks, filled: Ticks, ticks: Ticks,
) -> bool:  # fmt: skip
    """See `plain.spread`."""
    rising = True
    next_beat = 0
    for k in range(len(begins)):
        if next_beat < len(beats_at) and beats_at[next_beat] == k:
            beat = beats[next_beat]
            next_beat += 1
            continue
        word = begins[k]
        head = packed[word + places.block]
        which, n = head & 0xFF, np.int64((head >> 8) & 0xFF)
        counts = packed[word + places.counts : word + places.counts + n]
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


def uneven(ticks: Ticks, index: Ticks) -> int:
    """See `plain.uneven`."""
    found, end = 0, len(ticks) - 1
    first = 1
    while first < end:
        # Sixteen at a time are looked through, most often for nothing.
        after = min(first + 16, end)
        part = ticks[first - 1 :]
        some: Any = False
        for k in range(after - first):
            # Without a sign: a shift with one has no instruction that does several at once.
            one, next_ = np.uint64(part[k + 1] - part[k]), np.uint64(part[k + 2] - part[k + 1])
            some |= np.int64(next_) > np.int64(one + (one >> np.uint64(2)))
            some |= np.int64(one) > np.int64(next_ + (next_ >> np.uint64(2)))
        if some:
            for k in range(first, after):
                one, next_ = ticks[k] - ticks[k - 1], ticks[k + 1] - ticks[k]
                if next_ > one + (one >> 2) or one > next_ + (next_ >> 2):
                    index[found] = k
                    found += 1
        first = after
    return found


def misses(
    ticks: Ticks, starts: Ticks, ends: Ticks, number: Ticks, run: Ticks, present: int, edges: int,
    stride: int, steps: Floats, steps_from: int, degree: float, table: Floats,
) -> None:  # fmt: skip
    """See `plain.misses`."""
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
    """See `plain.place`."""
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
        a = 1.0
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
    """See `plain.firsts`."""
    first[0] = True
    for k in range(1, len(first)):
        new = (degrees[k] - degrees[k - 1] > gap) | (segment[k] != segment[k - 1])
        first[k] = new | lost[k]


_KERNELS: tuple[Callable[..., Any], ...] = (
    gather, spread, uneven, misses, place, firsts,
)  # fmt: skip
