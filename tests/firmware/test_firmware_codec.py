"""The firmware's frames, under the real MicroPython, against the `cobs` package and zlib."""

from __future__ import annotations

import random
import struct
import subprocess
import sys
import zlib

from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_board import FIRMWARE, ROOT, command, run_script

SEAL = """
import sys, struct
from frame import BODY, BUFFER_SIZE, FRAME, seal
data = sys.stdin.buffer.read()
buffer, at = bytearray(BUFFER_SIZE), 0
while at < len(data):
    n = data[at]
    buffer[BODY:BODY + n] = data[at + 1:at + 1 + n]
    size = seal(buffer, n)
    sys.stdout.buffer.write(struct.pack("<H", size) + buffer[FRAME:FRAME + size])
    at += 1 + n
"""

PACKED = """
import sys
from frame import CRC_TABLE, CRC_TABLE_1, CRC_TABLE_2, CRC_TABLE_3, stuff, sum_up
buffer = bytearray(sys.stdin.buffer.read())
words = len(buffer) // 4 - 1
sum_up(0, 0, 0, buffer, words, CRC_TABLE, CRC_TABLE_1, CRC_TABLE_2, CRC_TABLE_3)
stuff(0, 0, 0, buffer, words)
sys.stdout.buffer.write(buffer)
"""

OPEN = """
import sys, struct
from frame import open_frame
data = sys.stdin.buffer.read()
buffer, at = bytearray(256), 0
while at < len(data):
    n = data[at] | data[at + 1] << 8
    piece = data[at + 2:at + 2 + n]
    buffer[:len(piece)] = piece
    size = open_frame(buffer, n)
    sys.stdout.buffer.write(struct.pack("<h", size) + buffer[1:1 + max(size, 0)])
    at += 2 + n
"""


def packed(body: bytes) -> bytes:
    """The frame that the body must become."""
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def sealed(bodies: list[bytes]) -> list[bytes]:
    """Frames as the firmware makes them."""
    out = run_script(SEAL, stdin=b"".join(bytes([len(body)]) + body for body in bodies))
    frames = []
    while out:
        (size,) = struct.unpack("<H", out[:2])
        frames.append(out[2 : 2 + size])
        out = out[2 + size :]
    return frames


def opened(pieces: list[bytes]) -> list[bytes | None]:
    """What the firmware reads from pieces without zeros: bodies, None for damaged ones."""
    stdin = b"".join(struct.pack("<H", len(piece)) + piece for piece in pieces)
    out = run_script(OPEN, stdin=stdin)
    bodies: list[bytes | None] = []
    while out:
        (size,) = struct.unpack("<h", out[:2])
        assert size >= -1
        bodies.append(out[2 : 2 + size] if size >= 0 else None)
        out = out[2 + max(size, 0) :]
    return bodies


def expected(piece: bytes) -> bytes | None:
    """The same by cobs and zlib, with the limits of wire.md."""
    try:
        body = cobs.decode(piece)
    except cobs.DecodeError:
        return None
    if not 12 <= len(body) <= 254 or len(piece) != len(body) + 1:
        return None
    if zlib.crc32(body[:-4]) != struct.unpack("<I", body[-4:])[0]:
        return None
    return body[:-4]


def random_bodies(seed: int, n: int) -> list[bytes]:
    """Bodies of every length, with no, few, many and only zeros."""
    rng = random.Random(seed)
    bodies = [bytes([fill]) * size for size in range(8, 251) for fill in (0, 1, 255)]
    for _ in range(n):
        size = rng.randint(8, 250)
        share = rng.choice((0, 0.01, 0.3, 0.9))
        bodies.append(
            bytes(0 if rng.random() < share else rng.randint(1, 255) for _ in range(size))
        )
    return bodies


def test_crc_catalogue_check_value() -> None:
    # CRC-32/ISO-HDLC, check value for "123456789": 0xCBF43926 (CRC RevEng catalogue).
    (frame,) = sealed([b"123456789"])
    assert cobs.decode(frame[:-1]) == b"123456789" + struct.pack("<I", 0xCBF43926)


def test_frames_equal_cobs_and_zlib() -> None:
    bodies = random_bodies(1, 3000)
    assert sealed(bodies) == [packed(body) for body in bodies]


def test_many_edge_frames_in_one_buffer_equal_cobs_and_zlib() -> None:
    rng = random.Random(4)
    bodies, buffer = [], b""
    for k in range(500):
        n = rng.choice((1, 2, rng.randint(1, 58), 58))
        counts = [rng.getrandbits(32) & rng.choice((~0, 0xFFFFFF, 0xFF00FF, 0)) for _ in range(n)]
        body = struct.pack(f"<BBHIBBHI{n}I", 2, 0, 7, k, k & 3, n, 0, rng.getrandbits(32), *counts)
        bodies.append(body)
        buffer += bytes(4) + body + bytes(4)
    out = run_script(PACKED, stdin=buffer + bytes(4))
    # The code byte is the last of the word before a body; the zeros before it are delimiters.
    assert [piece + b"\0" for piece in out.split(b"\0") if piece] == [packed(b) for b in bodies]


def test_reads_what_cobs_and_zlib_make() -> None:
    bodies = random_bodies(2, 2000)
    assert opened([packed(body)[:-1] for body in bodies]) == bodies


def test_what_is_shorter_than_a_header_is_no_frame() -> None:
    """wire.md: a header of 8 bytes; the check of a shorter body may be right."""
    bodies = [bytes(range(1, 1 + size)) for size in range(12)]
    found = opened([packed(body)[:-1] for body in bodies])
    assert found == [None] * 8 + bodies[8:]


def test_what_is_longer_than_255_bytes_is_no_frame() -> None:
    """wire.md: a body with its check is at most 254 bytes, COBS makes one more of it."""
    bodies = [bytes(k % 3 for k in range(size)) for size in (249, 250, 251)]
    assert [len(packed(body)) - 1 for body in bodies] == [254, 255, 256]
    assert opened([packed(body)[:-1] for body in bodies]) == [*bodies[:2], None]


def test_every_bit_of_the_check_counts() -> None:
    """Checks that are wrong so that what is left of them, 0xDEBB20E3, is off in one bit alone: 32
    steps of the CRC (polynomial 0xEDB88320, reflected) backwards from there."""
    body = b"a command"
    frames = []
    for bit in range(32):
        wrong = 1 << bit
        for _ in range(32):
            wrong = ((wrong ^ 0xEDB88320) << 1 | 1) if wrong >> 31 else wrong << 1
        made = body + struct.pack("<I", zlib.crc32(body) ^ wrong)
        assert zlib.crc32(made) ^ 0xFFFFFFFF == 0xDEBB20E3 ^ 1 << bit
        frames.append(cobs.encode(made))
    assert opened([*frames, packed(body)[:-1]]) == [None] * 32 + [body]


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32))
def test_damaged_frames_never_pass(seed: int) -> None:
    rng = random.Random(seed)
    bodies, faults, pieces = [], [], []
    for _ in range(1000):
        body = rng.randbytes(rng.randint(8, 250))
        piece = bytearray(packed(body)[:-1])
        at = rng.randrange(len(piece))
        fault = rng.choice(("flip", "drop", "double", "insert", "cut", "none"))
        if fault == "flip":
            piece[at] ^= 1 << rng.randrange(8)
            piece[at] = piece[at] or 1
        elif fault == "drop":
            del piece[at]
        elif fault == "double":
            piece[at:at] = piece[: at + 1]
        elif fault == "insert":
            piece.insert(at, rng.randint(1, 255))
        elif fault == "cut":
            del piece[at:]
        bodies.append(body)
        faults.append(fault)
        pieces.append(bytes(piece[:255]))
    found = opened(pieces)
    assert found == [expected(piece) for piece in pieces]
    for body, fault, result in zip(bodies, faults, found, strict=True):
        if fault == "none":
            assert result == body


def test_random_bytes_never_pass() -> None:
    rng = random.Random(3)
    pieces = [bytes(rng.randint(1, 255) for _ in range(rng.randint(0, 255))) for _ in range(3000)]
    assert opened(pieces) == [None] * len(pieces)


def test_a_zero_where_a_code_should_be() -> None:
    """It would lead nowhere; a link hands none over, since a frame ends at a zero."""
    good = packed(b"a command")[:-1]
    assert good[0] == len(good)  # no zero in it: one code, of the whole
    assert opened([b"\0" + good[1:], b"\5" + good[1:5] + b"\0" + good[6:]]) == [None, None]


def test_generated_files_are_up_to_date() -> None:
    result = subprocess.run(
        [sys.executable, str(ROOT / "protocol" / "generate.py"), "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    assert command(23)[-1] == 0
    assert (FIRMWARE / "wire.py").exists()
