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


def _crc_tables():
    """Four tables, for four bytes at a time: table k takes a byte with k bytes after it."""
    tables = [array("I", [0] * 256) for _ in range(4)]
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xEDB88320 if crc & 1 else crc >> 1
        tables[0][byte] = crc
    for k in range(1, 4):
        for byte in range(256):
            crc = tables[k - 1][byte]
            tables[k][byte] = (crc >> 8) ^ tables[0][crc & 255]
    return tables


CRC_TABLE, CRC_TABLE_1, CRC_TABLE_2, CRC_TABLE_3 = _crc_tables()


@micropython.viper
def _seal(crc: int, x: int, k: int, buffer, table, table1, table2, table3, size: int) -> int:
    # To be called with -1, 0, 1: parameters, since the first three are kept in registers.
    b = ptr8(buffer)
    w = ptr32(buffer)
    t = ptr32(table)
    t1 = ptr32(table1)
    t2 = ptr32(table2)
    t3 = ptr32(table3)
    ones = 0x01010101
    highs = ones << 7
    code = 3
    last = 1 + (size >> 2)
    while k < last:  # four at a time; what is left over below
        x = w[k]
        crc ^= x
        crc = t3[crc & 255] ^ t2[(crc >> 8) & 255] ^ t1[(crc >> 16) & 255] ^ t[(crc >> 24) & 255]
        if (x - ones) & (x ^ -1) & highs:  # one of the four bytes is zero
            x = k << 2
            while x >> 2 == k:
                if b[x] == 0:
                    b[code] = x - code
                    code = x
                x += 1
        k += 1
    k <<= 2
    last = 4 + size
    while k < last:
        x = b[k]
        crc = ((crc >> 8) & 0xFFFFFF) ^ t[(crc ^ x) & 255]
        if x == 0:
            b[code] = k - code
            code = k
        k += 1
    crc ^= -1
    last += 4
    while k < last:
        b[k] = crc & 255
        if crc & 255 == 0:
            b[code] = k - code
            code = k
        crc >>= 8
        k += 1
    b[code] = last - code
    b[last] = 0
    return last - 2


def seal(buffer, size):
    """Turn the body of `size` bytes at BODY into a frame with CRC and delimiter, in place.

    Returns the length of the frame, which starts at FRAME. `size` is at most 250.
    """
    return _seal(-1, 0, 1, buffer, CRC_TABLE, CRC_TABLE_1, CRC_TABLE_2, CRC_TABLE_3, size)


@micropython.viper
def sum_up(k: int, crc: int, x: int, buffer, words: int, table, table1, table2, table3):
    """Put the CRC into each edge frame in the first `words` words of buffer; see stuff()."""
    b = ptr8(buffer)
    w = ptr32(buffer)
    t = ptr32(table)
    t1 = ptr32(table1)
    t2 = ptr32(table2)
    t3 = ptr32(table3)
    k = 0
    while k < words:
        end = k + 5 + b[(k << 2) + 13]
        crc = -1
        k += 1
        while k < end:
            x = crc ^ w[k]
            crc = t3[x & 255] ^ t2[(x >> 8) & 255] ^ t1[(x >> 16) & 255] ^ t[(x >> 24) & 255]
            k += 1
        w[k] = crc ^ -1
        k += 1


@micropython.viper
def stuff(k: int, x: int, code: int, buffer, words: int):
    """Make COBS frames of the edge frames in the first `words` words of buffer, in place.

    Each has a word whose last byte takes the code, four words of header and so on, n counts (n is
    the edge message's field), and the CRC; the zero bytes before its code are delimiters.
    """
    # k, x and code are parameters since the first three are kept in registers; call with 0, 0, 0.
    b = ptr8(buffer)
    w = ptr32(buffer)
    ones = 0x01010101
    highs = ones << 7
    k = 0
    while k < words:
        code = (k << 2) + 3
        end = k + 6 + b[code + 10]
        k += 1
        while k < end:
            x = w[k]
            if (x - ones) & (x ^ -1) & highs:  # one of the four bytes is zero
                x = k << 2
                while x >> 2 == k:
                    if b[x] == 0:
                        b[code] = x - code
                        code = x
                    x += 1
            k += 1
        b[code] = (k << 2) - code


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
def outside(body, limits, n: int) -> int:
    """Which of n numbers is the first one outside its limits; -1 when none is.

    limits: an array('I') of four words for each: index in the body, bytes (1, 2 or 4), lowest and
    highest value, which are below 2^30.
    """
    b = ptr8(body)
    w = ptr32(limits)
    for i in range(n):
        at = w[4 * i]
        wide = w[4 * i + 1]
        value = b[at]
        if wide > 1:
            value |= b[at + 1] << 8
        if wide > 2:
            if b[at + 3] >> 6:
                return i
            value |= (b[at + 2] << 16) | (b[at + 3] << 24)
        if value < w[4 * i + 2]:
            return i
        if value > w[4 * i + 3]:
            return i
    return -1


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
