"""Frames: body with CRC-32, made COBS and taken apart again, without allocation.

A frame buffer holds a body from index BODY on, so that the counts of an edge block lie on a
4-byte boundary; the COBS code byte goes just before it and the delimiter just after it.
COBS: Cheshire and Baker, IEEE/ACM Trans. Networking 7(2), 1999. CRC-32/ISO-HDLC.

In viper code here, 32-bit words must come out the same where the machine word has 64 bits:
mask after each right shift, never compare whole words.
"""

from array import array

import micropython
from micropython import const

BODY = const(4)
FRAME = const(3)  # where the frame starts in its buffer: the COBS code byte
BUFFER_SIZE = const(260)


def _crc_table():
    table = array("I", [0] * 256)
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xEDB88320 if crc & 1 else crc >> 1
        table[byte] = crc
    return table


CRC_TABLE = _crc_table()


@micropython.viper
def _seal(buffer, table, size: int) -> int:
    b = ptr8(buffer)
    t = ptr32(table)
    crc = -1
    code = 3
    end = 4 + size
    i = 4
    while i < end:
        byte = b[i]
        crc = ((crc >> 8) & 0xFFFFFF) ^ t[(crc ^ byte) & 0xFF]
        if byte == 0:
            b[code] = i - code
            code = i
        i += 1
    crc ^= -1
    end += 4
    while i < end:
        byte = crc & 0xFF
        crc = (crc >> 8) & 0xFFFFFF
        b[i] = byte
        if byte == 0:
            b[code] = i - code
            code = i
        i += 1
    b[code] = end - code
    b[end] = 0
    return end + 1 - 3


def seal(buffer, size):
    """Turn the body of `size` bytes at BODY into a frame with CRC and delimiter, in place.

    Returns the length of the frame, which starts at FRAME. `size` is at most 250.
    """
    return _seal(buffer, CRC_TABLE, size)


@micropython.viper
def _open(buffer, table, size: int) -> int:
    b = ptr8(buffer)
    t = ptr32(table)
    if size < 13 or size > 255:
        return -1
    # Unstuff in place: each code byte but the first becomes the zero that it stands for. A code
    # of 255, which stands for no zero, fits in here only as the first and only one.
    i = b[0]
    while i < size:
        following = b[i]
        if following == 0:
            return -1
        b[i] = 0
        i += following
    if i != size:
        return -1
    crc = -1
    i = 1
    while i < size:
        crc = ((crc >> 8) & 0xFFFFFF) ^ t[(crc ^ b[i]) & 0xFF]
        i += 1
    # A body followed by its own CRC leaves this residue (CRC catalogue: residue 0xDEBB20E3).
    if (crc & 0xFFFF) != 0x20E3 or ((crc >> 16) & 0xFFFF) != 0xDEBB:
        return -1
    return size - 5


def open_frame(buffer, size):
    """Unstuff and check, in place, a frame of `size` bytes (delimiter not counted) at index 0.

    Returns the body's length without CRC, the body then standing from index 1 on; -1 when the
    frame is damaged.
    """
    return _open(buffer, CRC_TABLE, size)


@micropython.viper
def put16(buffer, at: int, value: int):
    """Store a 16-bit number at body offset `at`."""
    b = ptr8(buffer)
    b[4 + at] = value & 0xFF
    b[5 + at] = (value >> 8) & 0xFF


@micropython.viper
def put32(buffer, at: int, value: int):
    """Store a number below 2^30 as 32 bits at body offset `at`."""
    b = ptr8(buffer)
    b[4 + at] = value & 0xFF
    b[5 + at] = (value >> 8) & 0xFF
    b[6 + at] = (value >> 16) & 0xFF
    b[7 + at] = (value >> 24) & 0xFF


@micropython.viper
def put_words(buffer, at: int, words, n: int):
    """Store the first `n` words of an array('I') at body offset `at`, a multiple of 4."""
    b = ptr32(buffer)
    w = ptr32(words)
    place = (at >> 2) + 1
    for i in range(n):
        b[place + i] = w[i]


@micropython.viper
def put_header(buffer, number: int, session: int, counter):
    """Start a body: type, session, and the sequence number counter[0], which is counted on."""
    b = ptr32(buffer)
    c = ptr32(counter)
    b[1] = number | (session << 16)
    b[2] = c[0]
    c[0] = c[0] + 1
