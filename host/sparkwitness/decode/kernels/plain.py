"""The innermost loops in numpy; see the package for what each is for.

A call of numpy takes about a microsecond and then some nanosecond per element: what there is much
of (bytes, edges) is gone through as few times as can be, what there is little of (frames, turns of
the crank, sparks) as often as reads well.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode.wire import Places

Ticks = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

_HOPS = 4  # from code to code of COBS, before those that have arrived are taken out
_DENSE = 4  # where less than one word in so many is wanted, they are listed one by one
_PIECE = 1 << 15  # edges at a time: what is made of them stays in the cache


def gather(
    places: Places, stuffed: Bytes, start: int, stop: int, fixer: int, session: int, seq: int,
    firsts: Ticks, counts: Ticks, packed: Words, begins: Ticks, beats_at: Ticks,
) -> tuple[int, int, int]:  # fmt: skip
    """Undo COBS of a block whose frames are all as they should be: blocks of edges and heartbeats
    of one session, none missing, no edge lost. Their CRC is left to be checked.

    Args:
        places: where what stands in a frame.
        stuffed: uint8[m]; from start to stop whole frames, the last byte a delimiter.
        fixer: word to be put before each frame.
        session, seq: of the frame before.
        firsts: int64[4], edges before the next block of each input, -1 where not known; counted on.
        counts: int64[4], all 0; gets the number of edges per input.
        packed: uint32[at least m + 260], gets fixer, body and CRC of frame after frame.
        begins: int64[like packed], gets the word in `packed` at which each frame begins.
        beats_at: int64[like begins], gets the numbers of the frames that are heartbeats.

    Returns:
        Number of words in `packed`, of frames, of heartbeats; -1, 0, 0 where anything is amiss.
    """
    amiss = -1, 0, 0
    block = stuffed[start:stop].tobytes()
    # Three bytes for each delimiter, and three before the first frame: every body begins on a
    # word, and its code byte is the last byte of the word before.
    spaced = block.replace(b"\0", b"\0\0\0")
    n, words = (len(spaced) - len(block)) // 2, len(spaced) // 4
    flat = packed.view(np.uint8)
    packed[0] = 0
    flat[3 : 3 + len(spaced)] = np.frombuffer(spaced, np.uint8)
    begin = np.flatnonzero((packed[:words] & 0xFFFFFF) == 0)
    if len(spaced) & 3 or len(begin) != n:
        return amiss
    sizes = 4 * np.diff(begin, append=words) - 4
    if (sizes >> 8).any():  # longer than a frame may be; those too short are found below
        return amiss
    code = 4 * begin + 3
    if not _unstuffed(flat, code, code + sizes + 1):
        return amiss
    packed[begin] = fixer

    head = packed[begin + 1]
    in_turn = np.arange(seq + 1, seq + 1 + n).astype(np.uint32)
    if (head >> 16 != session).any() or (packed[begin + 2] != in_turn).any():
        return amiss
    kind = head & 0xFF
    other = np.flatnonzero(kind != places.edges)
    if (kind[other] != places.beat).any() or (sizes[other] != places.beat_size).any():
        return amiss
    begins[:n] = begin
    beats_at[: len(other)] = other
    begin, sizes = np.delete(begin, other), np.delete(sizes, other)
    if not len(begin):
        return words, n, n
    order, at, many = _by_input(places, packed, begin)
    if at[-1] != len(order) or not many.all():  # not one of the four inputs, or an empty block
        return amiss
    if (sizes[order] != 4 * (many + places.counts)).any():
        return amiss
    opens = packed[begin[order] + places.first]
    after = opens + many.astype(np.uint32)
    for i, (a, b) in enumerate(pairwise(at)):
        if a < b:
            if opens[a] != firsts[i] or (opens[a + 1 : b] != after[a : b - 1]).any():
                return amiss
            firsts[i] = after[b - 1]
            counts[i] = many[a:b].sum()
    return words, n, len(other)


def _by_input(places: Places, packed: Words, begin: Ticks) -> tuple[Ticks, list[int], Ticks]:
    """Blocks of edges put in order by input.

    Args:
        places, packed: see `gather`.
        begin: int64[n], the word at which each block's frame begins.

    Returns:
        order int64[n], the blocks of one input after those of the one before; where in it each of
        the four inputs begins and the last one ends; number of edges int64[n] in this order.
    """
    head = packed[begin + places.block]
    which, many = (head & 0xFF).astype(np.uint8), (head >> 8 & 0xFF).astype(np.int64)
    order = np.argsort(which, kind="stable")
    at: list[int] = np.searchsorted(which[order], np.arange(5, dtype=np.uint8)).tolist()
    return order, at, many[order]


def _unstuffed(flat: Bytes, at: Ticks, goal: Ticks) -> bool:
    """Write a zero over every code of COBS, of all frames side by side.

    Each code says how far the next one is. At a frame's end stands a zero already, so that who
    has arrived rests.

    Args:
        flat: uint8[n], changed.
        at, goal: int64[frames], first code of each, and the byte behind its last.

    Returns:
        True if all end at their goal.
    """
    while len(at):
        for _ in range(_HOPS):
            code = flat[at]
            flat[at] = 0
            at = at + code
        on_the_way = at < goal
        if (at > goal).any():
            return False
        at, goal = at[on_the_way], goal[on_the_way]
    return True


def _runs(words: Words, at: Ticks, n: Ticks) -> Words:
    """Runs of `n` words from each `at` on, one behind the other; int64[k], rising."""
    total = n.sum()
    if total * _DENSE < len(words):
        listed: Words = words[np.arange(total) + np.repeat(at + n - np.cumsum(n), n)]
        return listed
    skip_take = np.empty((len(at), 2), np.int64)
    skip_take[:, 1] = n
    skip_take[0, 0] = at[0]
    skip_take[1:, 0] = at[1:] - (at + n)[:-1]
    mask = np.repeat(np.tile([False, True], len(at)), skip_take.ravel())
    result: Words = words[: len(mask)][mask]
    return result


def spread(
    places: Places, packed: Words, begins: Ticks, beat: int, beats_at: Ticks, beats: Ticks,
    last: Ticks, filled: Ticks, ticks: Ticks,
) -> bool:  # fmt: skip
    """64-bit times of the edges in a block that `gather` has found in order.

    Args:
        places: where what stands in a frame.
        packed, begins: from `gather`, without what is behind its words and frames.
        beat: time of the newest heartbeat before the first frame.
        beats_at, beats: int64[m], which frames are heartbeats, and their times.
        last: int64[4], time of the edge before, per input; counted on.
        filled: int64[4], where in `ticks` each input's times begin; counted on.
        ticks: int64[edges], gets the times.

    Returns:
        True if all times of each input rise strictly; else what was written counts for nothing.
    """
    before = beats_at - np.arange(len(beats_at))  # blocks before each heartbeat
    begin = np.delete(begins, beats_at)
    if not len(begin):
        return True
    times = np.concatenate(([beat], beats))
    newest = np.repeat(times, np.diff(before, prepend=0, append=len(begin)))
    order, cuts, many = _by_input(places, packed, begin)
    begin, newest = begin[order] + places.counts, newest[order]
    for i, (a, b) in enumerate(pairwise(cuts)):
        if a == b:
            continue
        at, n, near = begin[a:b], many[a:b], newest[a:b]
        counts, end = _runs(packed, at, n), np.cumsum(n)
        into = ticks[filled[i] : filled[i] + end[-1]]
        into[:] = counts
        # A count is the time's lower half. Where the upper half is the same at both ends of a
        # block of rising counts, it is the same in between.
        low = near.astype(np.uint32)
        upper, upper_last = (
            near + (count - low).view(np.int32) - count
            for count in (packed[at], packed[at + n - 1])
        )
        new = np.flatnonzero(upper[1:] != upper[:-1]) + 1
        parts = pairwise([0, *end[new - 1].tolist(), len(into)])
        for (start, stop), high in zip(parts, upper[[0, *new]].tolist(), strict=True):
            into[start:stop] += high
        for k in np.flatnonzero(upper_last != upper).tolist():
            block = slice(end[k] - n[k], end[k])
            into[block] = near[k] + (counts[block] - low[k]).view(np.int32)
        if into[0] <= last[i] or not (into[1:] > into[:-1]).all():
            return False
        filled[i] += len(into)
        last[i] = into[-1]
    return True


def uneven(ticks: Ticks, index: Ticks) -> int:
    """Edges at which the pace changes: of the intervals before and after, one is longer than the
    other by more than a quarter, rounded down, of the other.

    Args:
        ticks: int64[n], edges.
        index: int64[n], gets the numbers of those edges, rising.

    Returns:
        How many they are.
    """
    found = 0
    for begin in range(0, len(ticks), _PIECE):
        part = ticks[begin : begin + _PIECE + 2]
        length = part[1:] - part[:-1]
        longer = (length.view(np.uint64) >> np.uint64(2)).view(np.int64)
        longer += length
        odd = length[1:] > longer[:-1]
        odd |= length[:-1] > longer[1:]
        at = np.flatnonzero(odd)
        index[found : found + len(at)] = at + (begin + 1)
        found += len(at)
    return found


def misses(
    ticks: Ticks, starts: Ticks, ends: Ticks, number: Ticks, run: Ticks, present: int, edges: int,
    stride: int, steps: Floats, steps_from: int, degree: float, table: Floats,
) -> None:  # fmt: skip
    """How far an edge that is left out misses the cubic through its neighbours: see
    `angle.Periods`.

    Args:
        ticks: int64[k], edges.
        starts, ends: int64[n], first and last edge of each good period.
        number, run: int64[n], its number, and how many good ones are right before it.
        present, edges: teeth of the wheel, and edges per period.
        stride: from turn to turn, takes the edge that is left out round the wheel.
        steps, steps_from: where edges stand, float64, the first of them that many past the start.
        degree: degrees per tooth step.
        table: float64[2, n], all NaN; gets the misses with neighbours near and wide.
    """
    turn, part = np.divmod(number, present // edges)
    back = 4 + turn * stride % present
    known = (part == 0) & (back + 4 <= (run + 1) * edges)
    at = (ends - back)[known]
    place = at - starts[known] - steps_from
    x_at, y_at = ticks[at], steps[place]
    for reach in (1, 2):
        nodes = [k * reach for k in (-2, -1, 1, 2)]
        x0, x1, x2, x3 = ((ticks[at + k] - x_at).astype(np.float64) for k in nodes)
        y0, y1, y2, y3 = (steps[place + k] - y_at for k in nodes)
        # Value at 0 of the cubic through four nodes (Lagrange, Abramowitz & Stegun 25.2.2).
        d10, d20, d30, d21, d31, d32 = x1 - x0, x2 - x0, x3 - x0, x2 - x1, x3 - x1, x3 - x2
        missed = (
            (x1 * y0 * (d21 * d31) - x0 * y1 * (d20 * d30)) * (x2 * x3 * d32)
            + (x3 * y2 * (d30 * d31) - x2 * y3 * (d20 * d21)) * (x0 * x1 * d10)
        ) / (d10 * d21 * d31 * (d20 * d30 * d32))
        table[reach - 1, known] = missed * degree


def place(
    edges: Ticks, begin: Ticks, step: Ticks, segment: Ticks, ticks: Ticks, gap_width: int,
    degree: float, offsets: Floats, owner: Ticks, table: Floats,
) -> None:  # fmt: skip
    """Crank angle at given times: see `placing.place`.

    Within its interval the angle follows the cubic through the two edges and one more on either
    side (Newton's divided differences, e.g. Abramowitz & Stegun 25.2.26); where a neighbour
    belongs to another segment, the quadratic or the line through those that are left.

    Args:
        edges, begin, step, segment: int64[n + 1], n > 0, and int64[m], the `angle.Track`.
        ticks: int64[k], times; quick where they rise.
        gap_width: tooth steps over the gap, 1 if there is none.
        degree: degrees per tooth step.
        offsets: float64[steps], tooth errors in tooth steps; empty where all are 0.
        owner: int64[k], gets the segments, -1 where there is none.
        table: float64[2, k], gets degrees and to_edge, NaN where there is no angle.
    """
    owner[:], table[:] = -1, np.nan
    i = np.searchsorted(edges, ticks, side="right") - 1
    s = np.searchsorted(begin, i, side="right") - 1
    known = (i >= 0) & (i < len(edges) - 1)
    known &= segment[s] >= 0  # s is -1 before the first edge
    at = np.flatnonzero(known)
    if len(at) < len(ticks):
        i, s, ticks = i[at], s[at], ticks[at]
    if not len(at):
        return
    owner[at] = segment[s]
    track = edges, begin, step, segment
    easy = np.zeros(len(at), np.bool_)
    if not len(offsets):
        # Most often the intervals on either side are of the same stretch too, and none is its gap.
        easy = (i > begin[s]) & (i + 2 < np.append(begin[1:], len(edges) - 1)[s])
    if easy.all():
        table[:, at] = _place_inside(*track, ticks, i, s)
    else:
        one, other = np.flatnonzero(easy), np.flatnonzero(~easy)
        table[:, at[one]] = _place_inside(*track, ticks[one], i[one], s[one])
        table[:, at[other]] = _place_anywhere(
            *track, ticks[other], i[other], s[other], gap_width, offsets
        )
    table *= degree


def _place_inside(
    edges: Ticks, begin: Ticks, step: Ticks, segment: Ticks, ticks: Ticks, i: Ticks, s: Ticks
) -> tuple[Floats, Floats]:
    """As below, where the nodes stand even, one tooth step from the next: -1, 0, 1 and 2."""
    start, stop = edges[i], edges[i + 1]
    length = (stop - start).astype(np.float64)
    x = (ticks - start) / length
    a = (start - edges[i - 1]) / length
    b = 1.0 + (edges[i + 2] - stop) / length
    second = (1.0 - 1.0 / a) / (1.0 + a)
    to_b = b - 1.0
    third = (2.0 - b - second * b * to_b) / (b * to_b * (b + a))
    turned = x + x * (x - 1.0) * (second + third * (x + a))
    return (step[s] + i - begin[s]) + turned, np.minimum(turned, 1.0 - turned)


def _place_anywhere(
    edges: Ticks, begin: Ticks, step: Ticks, segment: Ticks, ticks: Ticks, i: Ticks, s: Ticks,
    gap_width: int, offsets: Floats,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Tooth steps to each time, and from it to the nearest edge.

    Args:
        edges, begin, step, segment, gap_width, offsets: see `place`.
        ticks, i, s: int64[k], the times, their intervals, and the stretches of these.
    """
    mine, first = segment[s], begin[s]
    end = np.append(begin[1:], len(edges) - 1)
    following = end[s]
    before, after = np.maximum(s - 1, 0), np.minimum(s + 1, len(begin) - 1)
    here = step[s] + i - first
    width = np.where(i + 1 == following, gap_width, 1)
    inner_left, inner_right = i > first, i + 1 < following
    with_left = inner_left | ((s > 0) & (segment[before] == mine))
    with_right = inner_right | ((s + 1 < len(begin)) & (segment[after] == mine))
    left = np.where(inner_left, here, step[before] + i - begin[before]) - 1
    right = np.where(inner_right, here + 1, step[after]) + np.where(
        i + 2 == np.where(inner_right, following, end[after]), gap_width, 1
    )
    start, stop = edges[i], edges[i + 1]
    length = (stop - start).astype(np.float64)
    x = (ticks - start) / length
    # The left node at -a, the right one at b, in lengths of the interval.
    a = np.where(with_left, (start - edges[np.maximum(i - 1, 0)]) / length, 1.0)
    next_length = edges[np.minimum(i + 2, len(edges) - 1)] - stop
    b = np.where(with_right, 1.0 + next_length / length, 2.0)
    # Tooth steps from the interval's start to its end, to the left node and to the right one.
    w, wl, wr, base = (
        steps.astype(np.float64) for steps in (width, left - here, right - here, here)
    )
    if m := len(offsets):
        away = offsets[here % m]
        w += offsets[(here + width) % m] - away
        wl += offsets[left % m] - away
        wr += offsets[right % m] - away
        base += away
    through_left = (w - -wl / a) / (1.0 + a)
    through_right = (wr - w * b) / (b * (b - 1.0))
    second = np.where(with_left, through_left, np.where(with_right, through_right, 0.0))
    third = np.where(
        with_left & with_right,
        (wr - w * b - through_left * b * (b - 1.0)) / (b * (b - 1.0) * (b + a)),
        0.0,
    )
    turned = w * x + x * (x - 1.0) * (second + third * (x + a))
    return base + turned, np.minimum(turned, w - turned)


def firsts(degrees: Floats, segment: Ticks, lost: Bools, gap: float, first: Bools) -> None:
    """Which sparks begin an event: see `events.group`.

    Args:
        degrees, segment, lost: float64[n], int64[n], bool[n] of the sparks, n > 0.
        gap: degrees between events.
        first: bool[n], gets it.
    """
    first[0] = True
    first[1:] = (np.diff(degrees) > gap) | (np.diff(segment) != 0) | lost[1:]
