"""Damage to valid input: to streams of frames, and to structured text. All from one `Random`."""

import re
import struct
import zlib
from functools import lru_cache
from random import Random

from cobs import cobs

from sparkwitness.decode import wire

EDGE_VALUES = [
    0, 1, 2, 3, 57, 58, 59, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x10000,
    0x7FFFFFFE, 0x7FFFFFFF, 0x80000000, 0x80000001, 0xFFFFFFFE, 0xFFFFFFFF,
]  # fmt: skip
NUMBERS = sorted({*wire.NUMBER.values(), 0, 6, 15, 24, 255})


def frames(rng: Random, data: bytes, most: int = 4) -> bytes:
    """A stream damaged in a few places; half of the damage gets a CRC that fits."""
    pieces = data.split(b"\0")
    for _ in range(rng.randint(1, most)):
        k = rng.randrange(len(pieces))
        act = rng.randrange(12)
        if act == 0 and len(pieces) > 1:
            del pieces[k]
        elif act == 1:
            pieces.insert(rng.randrange(len(pieces) + 1), pieces[k])
        elif act == 2:
            m = rng.randrange(len(pieces))
            pieces[k], pieces[m] = pieces[m], pieces[k]
        elif act == 3:
            pieces[k] = raw(rng, pieces[k])
        elif act == 4 and pieces[k]:
            pieces[k] = pieces[k][: rng.randrange(len(pieces[k]))]
        elif act == 5 and k + 1 < len(pieces):  # a lost delimiter
            pieces[k : k + 2] = [pieces[k] + pieces[k + 1]]
        elif act == 6:
            junk = rng.choice((0, 1, 13, 254, 255, 256, 300, 600))
            pieces.insert(k, rng.randbytes(junk).replace(b"\0", b"\x05"))
        elif act == 7:
            size = rng.choice((0, 1, 2, 10, 24, 48, 242, 243))
            head = struct.pack(
                "<BBHI", rng.choice(NUMBERS), 0, rng.randrange(3), rng.choice(EDGE_VALUES)
            )
            pieces.insert(k, _sealed(head + rng.randbytes(size)))
        else:
            pieces[k] = _resealed(rng, pieces[k])
    return b"\0".join(pieces)


def raw(rng: Random, data: bytes) -> bytes:
    """A few bytes changed, cut out or put in."""
    made = bytearray(data)
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(made) + 1)
        act = rng.randrange(4)
        if act == 0:
            made[at:at] = rng.randbytes(rng.randint(1, 8))
        elif act == 1:
            del made[at : at + rng.randint(1, 8)]
        elif at < len(made):
            made[at] = made[at] ^ 1 << rng.randrange(8) if act == 2 else rng.randrange(256)
    return bytes(made)


def _sealed(body: bytes) -> bytes:
    """Frame without its delimiter; by the C package, since this is done a million times."""
    return cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))


def _resealed(rng: Random, piece: bytes) -> bytes:
    """The body changed, CRC and stuffing right again: only its meaning is hostile."""
    try:
        whole = cobs.decode(piece)
    except cobs.DecodeError:
        return raw(rng, piece)
    if len(whole) < 4 or zlib.crc32(whole[:-4]) != int.from_bytes(whole[-4:], "little"):
        return raw(rng, piece)
    body = bytearray(whole[:-4])
    act = rng.randrange(5)
    if act == 0 and len(body) > 8:  # one 16-, 32- or 64-bit field
        size = rng.choice((1, 2, 4, 4, 8))
        # Where fields begin in most messages; in a block of edges its number and first count.
        at = min(rng.choice((8, 12, 16, rng.randrange(8, len(body)))), len(body) - 1)
        old = int.from_bytes(body[at : at + size], "little")
        new = rng.choice((rng.choice(EDGE_VALUES), old + 1, old - 1, old + (1 << 31), ~old))
        body[at : at + size] = (new & ((1 << 8 * size) - 1)).to_bytes(size, "little")
    elif act == 1 and len(body) >= 8:  # seq
        old = int.from_bytes(body[4:8], "little")
        new = rng.choice((rng.choice(EDGE_VALUES), old + 1, old + 2, old - 1, old + (1 << 31)))
        body[4:8] = (new & 0xFFFFFFFF).to_bytes(4, "little")
    elif act == 2 and len(body) >= 4:  # type, flags or session
        at = rng.randrange(4)
        body[at] = rng.choice(NUMBERS) if at == 0 else rng.randrange(256)
    elif act == 3:
        body = body[: rng.randrange(len(body) + 1)]
    else:
        body = bytearray(raw(rng, bytes(body)))
    return _sealed(bytes(body[: wire.MAX_BODY - 4]))


TOKENS = [
    b"nan", b"inf", b"-inf", b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-1e999", b"1e-320",
    b"0", b"-0.0", b"-1", b"1", b"2", b"0.5", b"1e300", b"true", b"false", b"null", b'""', b"''",
    b'"x"', b"[]", b"{}", b"[[]]", b"[[1,2],[3,4]]", b"[1,2,3]", b'{"a":1}', b"9" * 400,
    b"9" * 5000, b"0x" + b"f" * 5000, b"1979-05-27", b"1979-05-27T07:32:00Z", b"07:32:00",
    b"[" * 3000, b'{"a":' * 3000, b"a." * 1500, b'"\\u0000"', b'"\\ud800"', b"\xff\xfe",
    b"\xef\xbb\xbf", b"\0", "µ°".encode(), b'"../../etc/passwd"', b"=", b",", b"\n", b'"""', b"#",
]  # fmt: skip
_PARTS = re.compile(rb"[A-Za-z0-9_.+-]+|\"[^\"\n]*\"|\s+|.", re.DOTALL)


_NUMBER = re.compile(rb"-?[0-9.]+")
_NUMBERS = [b"0", b"1", b"2", b"3", b"4", b"0.5", b"1.5", b"10", b"60", b"100", b"1000", b"6000"]


@lru_cache(256)
def _words(data: bytes) -> tuple[list[bytes], list[int], list[int]]:
    """Text in parts, and which are words, which numbers: few texts are damaged again and again."""
    parts = _PARTS.findall(data) or [b""]
    words = [k for k, p in enumerate(parts) if p.strip(b" \n\t,:={}[]")] or [0]
    return parts, words, [k for k in words if _NUMBER.fullmatch(parts[k])] or words


def text(rng: Random, data: bytes) -> bytes:
    """TOML or JSON: numbers changed, words or lines replaced by what nobody should write."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        act = rng.randrange(12)
        if act == 0:
            data = raw(rng, data)
        elif act == 1:
            lines = data.split(b"\n")
            k = rng.randrange(len(lines))
            if rng.random() < 0.5:
                del lines[k]
            else:
                lines.insert(rng.randrange(len(lines) + 1), lines[k])
            data = b"\n".join(lines)
        else:
            found, words, numbers = _words(data)
            parts, k = list(found), rng.choice(words)
            if act == 2:
                parts[k] = parts[rng.choice(words)]
            elif act < 6:
                parts[k] = rng.choice(TOKENS)
            else:
                k = rng.choice(numbers)
                parts[k] = _other_number(rng, parts[k])
            data = b"".join(parts)
    return data


def _other_number(rng: Random, old: bytes) -> bytes:
    """One that may be in range."""
    act = rng.randrange(6)
    if act == 0 and old:
        k = rng.randrange(len(old))
        return old[:k] + b"%d" % rng.randrange(10) + old[k + 1 :]
    if act == 1:
        return old + rng.choice((b"0", b"000", b"e9", b"e-9", b".0", b".5"))
    if act == 2:
        return old[1:] if old.startswith(b"-") else b"-" + old
    if act == 3 and len(old) > 1:
        return old[:-1]
    if act == 4:
        return b"%d" % rng.choice(EDGE_VALUES)
    return rng.choice(_NUMBERS)
