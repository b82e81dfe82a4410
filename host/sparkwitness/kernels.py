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
    made = SimpleNamespace(
        **{one.__name__: numba.njit(cache=True)(one) for one in _KERNELS}
    )
    loaded.append(made)
    return made


def gather(
    stuffed: Bytes, start: int, stop: int, fixer: int, session: int, seq: int, firsts: Ticks,
    counts: Ticks, packed: Words, places: Ticks, beats_at: Ticks,
) -> tuple[int, int, int]:  # fmt: skip
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


_KERNELS: tuple[Callable[..., Any], ...] = (gather, spread)
