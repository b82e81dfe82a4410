"""Frames: Consistent Overhead Byte Stuffing and CRC-32, one at a time and many at once.

COBS after Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999. CRC-32/ISO-HDLC as in
`zlib.crc32`.
"""

import zlib

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

_RESIDUE = 0x2144DF1C  # crc32 of any data followed by its own crc32, little-endian
# Four bytes that take the CRC's register from where the end of any good frame leaves it back to
# its start, so that one call checks frame after frame. (Damage to two frames that makes up for
# each other passes with a chance of 2^-32, as damage to one does.)
CRC_FIXER = 0x4C9DD581
ROW = 260  # stuffed frame right-shifted so that its body starts on a 4-byte boundary
_COLUMNS = np.arange(ROW // 4, dtype=np.uint8)


class FrameError(ValueError):
    """The bytes between two delimiters are no good frame."""


def cobs_encode(data: bytes) -> bytes:
    """Stuff `data` of any length so that no byte of the result is zero."""
    out = bytearray()
    *runs, last = data.split(b"\0")
    for run in (*runs, last):
        while len(run) >= 254:
            out += b"\xff" + run[:254]
            run = run[254:]
        out.append(len(run) + 1)
        out += run
    if last and len(last) % 254 == 0:
        del out[-1]  # a full run at the end needs no empty one after it
    return bytes(out)


def cobs_decode(stuffed: bytes) -> bytes:
    """Undo `cobs_encode`.

    Raises:
        FrameError: a zero inside, an empty input, or a run that points past the end.
    """
    if not stuffed:
        raise FrameError("empty")
    if 0 in stuffed:
        raise FrameError("zero byte inside")
    out = bytearray()
    at = 0
    while at < len(stuffed):
        code = stuffed[at]
        run = stuffed[at + 1 : at + code]
        if len(run) != code - 1:
            raise FrameError("cut short")
        out += run
        at += code
        if code < 255 and at < len(stuffed):
            out.append(0)
    return bytes(out)


def seal(body: bytes) -> bytes:
    """Frame a body (header and payload): append CRC-32, stuff, close with the delimiter."""
    return cobs_encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"


def unseal(stuffed: bytes) -> bytes:
    """Body of one frame given without its delimiter.

    Raises:
        FrameError: not COBS, too short, or the CRC does not match.
    """
    data = cobs_decode(stuffed)
    if len(data) < 4:
        raise FrameError("too short")
    body, crc = data[:-4], int.from_bytes(data[-4:], "little")
    if zlib.crc32(body) != crc:
        raise FrameError("CRC does not match")
    return body


def crc_good(words: NDArray[np.uint32]) -> bool:
    """True if all frames are good: `CRC_FIXER`, body and CRC of one after the other."""
    return zlib.crc32(words.data, _RESIDUE) == _RESIDUE


def unseal_all(
    stuffed: Bytes, shortest: int, longest: int
) -> tuple[Bytes, NDArray[np.int64], int, int]:
    """The bodies of many frames: split at the delimiters, undo COBS side by side, check each CRC.

    Args:
        stuffed: uint8[m], whole frames, the last byte a delimiter.
        shortest, longest: bytes of a body with its CRC, at most 254.

    Returns:
        rows uint8[n, 260], good bodies with their CRC from column 4; their sizes with CRC;
        number of damaged frames and of their bytes.
    """
    ends = np.flatnonzero(stuffed == 0)
    if not len(ends):
        return np.empty((0, ROW), np.uint8), ends, 0, 0
    starts = np.concatenate(([0], ends[:-1] + 1))
    lengths = ends - starts
    fits = (lengths > shortest) & (lengths <= longest + 1)
    filled = int(np.count_nonzero(lengths))
    starts, ends, sizes = starts[fits], ends[fits], lengths[fits] - 1
    every = int(lengths.sum())
    if not len(starts):
        return np.empty((0, ROW), np.uint8), sizes, filled, every
    padded = np.zeros(len(stuffed) + ROW, np.uint8)
    padded[3 : 3 + len(stuffed)] = stuffed
    # A frame this short holds one chain of codes, each telling how far the next zero is.
    row, place = np.arange(len(starts)), starts
    places, intact = [], np.ones(len(starts), np.bool_)
    while len(row):
        places.append(place)
        place = place + stuffed[place]
        inside = place < ends[row]
        if not inside.all():
            intact[row[place > ends[row]]] = False
            row, place = row[inside], place[inside]
    padded[3 + np.concatenate(places)] = 0
    windows = np.lib.stride_tricks.sliding_window_view(padded, ROW)
    rows: Bytes = windows[starts]  # the code byte lands in column 3
    good = _good_rows(rows, sizes) & intact
    if not good.all():
        rows, sizes = rows[good], sizes[good]
    return rows, sizes, filled - len(rows), every - int(sizes.sum()) - len(rows)


def _good_rows(rows: Bytes, sizes: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which rows end with the CRC of what is before it; writes into the columns before them."""
    words = rows.view("<u4")
    words[:, 0] = CRC_FIXER
    whole = sizes % 4 == 0
    packed = words[((sizes // 4).astype(np.uint8)[:, None] >= _COLUMNS) & whole[:, None]]
    good: NDArray[np.bool_] = whole
    if not crc_good(packed):
        good = np.zeros(len(rows), np.bool_)
    # One by one, those of odd sizes, or all where one is damaged.
    view, crc = memoryview(rows.data).cast("B"), zlib.crc32
    left = np.flatnonzero(~good)
    first = left * ROW + 4
    last = (first + sizes[left]).tolist()
    good[left] = [crc(view[a:b]) == _RESIDUE for a, b in zip(first.tolist(), last, strict=True)]
    return good
