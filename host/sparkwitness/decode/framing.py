"""Frames: Consistent Overhead Byte Stuffing and CRC-32, one frame at a time.

COBS after Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999. CRC-32/ISO-HDLC as in
`zlib.crc32`. Bulk decoding of many frames at once is in `edges`; both must agree.
"""

import zlib


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
