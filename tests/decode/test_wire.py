"""Framing and messages against the outside: CRC catalogue, COBS paper, the package `cobs`."""

import json
import random
import struct
import zlib

import construct
import numpy as np
import pytest
from cobs import cobs

from sparkwitness import shipped
from sparkwitness.decode import framing, wire

VECTORS = json.loads((shipped.folder("protocol") / "vectors.json").read_text())


def test_crc_is_iso_hdlc():
    # Catalogue of parametrised CRC algorithms (G. Cook), CRC-32/ISO-HDLC: check 0xcbf43926.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    # The same catalogue's residue: 0xdebb20e3 before the final XOR with 0xffffffff.
    data = b"123456789" + (0xCBF43926).to_bytes(4, "little")
    assert zlib.crc32(data) == 0xDEBB20E3 ^ 0xFFFFFFFF


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        # Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999, figure 3 (from memory): the
        # start of an IPv4 packet.
        (
            "4500002c4c79000040064f37",
            "0245010 42c4c79010540064f37".replace(" ", ""),
        ),
        # Worked examples of the same algorithm as given with the public-domain reference tests of
        # the package cobs (C. McQueen).
        ("", "01"),
        ("00", "0101"),
        ("0000", "010101"),
        ("11220033", "0311220233"),
        ("11000000", "0211010101"),
        ("01" * 254, "ff" + "01" * 254),
        # By the paper's rule: fe is 253 bytes and a zero, ff is 254 bytes and none.
        ("01" * 253 + "00", "fe" + "01" * 253 + "01"),
        ("01" * 253 + "0002", "fe" + "01" * 253 + "0202"),
        ("01" * 255, "ff" + "01" * 254 + "0201"),
        ("00" + "01" * 254, "01ff" + "01" * 254),
        # By hand: a code of 255 says 254 bytes and no zero, one of 254 has 253 bytes and a zero.
        ("07" * 253, "fe" + "07" * 253),
        ("07" * 253 + "0009", "fe" + "07" * 253 + "0209"),
        ("07" * 254 + "0009", "ff" + "07" * 254 + "010209"),
        ("07" * 253 + "09", "ff" + "07" * 253 + "09"),
        ("05" * 254 + "07" * 253 + "09", "ff" + "05" * 254 + "ff" + "07" * 253 + "09"),
        ("05" * 254 + "07" * 252, "ff" + "05" * 254 + "fd" + "07" * 252),
    ],
)
def test_cobs_examples(plain, stuffed):
    assert framing.cobs_encode(bytes.fromhex(plain)).hex() == stuffed
    assert framing.cobs_decode(bytes.fromhex(stuffed)).hex() == plain


@pytest.mark.slow
def test_cobs_agrees_with_the_package_on_random_payloads():
    rng = np.random.default_rng(20)
    for _ in range(10_000):
        payload = rng.integers(0, 256, int(rng.integers(0, 2001)), np.uint8)
        payload[rng.random(len(payload)) < rng.choice((0.0, 0.004, 0.2, 0.9))] = 0
        data = payload.tobytes()
        stuffed = framing.cobs_encode(data)
        assert stuffed == cobs.encode(data)
        assert cobs.decode(stuffed) == data
        assert framing.cobs_decode(stuffed) == data


def test_cobs_refuses_what_the_package_refuses():
    random.seed(21)
    refused = 0
    for _ in range(5000):
        data = bytes(random.choice((0, 1, 2, 3, 5, 255)) for _ in range(random.randrange(1, 12)))
        try:
            expected = cobs.decode(data)
        except cobs.DecodeError:
            refused += 1
            with pytest.raises(framing.FrameError):
                framing.cobs_decode(data)
        else:
            assert framing.cobs_decode(data) == expected
    assert refused > 1000


def test_the_shortest_frame_and_a_code_that_points_past_the_end():
    """The CRC of nothing is 0 (CRC-32/ISO-HDLC: all ones, and all ones taken off again)."""
    assert framing.unseal(framing.cobs_encode(bytes(4))) == b""
    with pytest.raises(framing.FrameError, match="too short"):
        framing.unseal(framing.cobs_encode(bytes(3)))
    with pytest.raises(framing.FrameError, match="CRC does not match"):
        framing.unseal(framing.cobs_encode(b"\1" + bytes(4)))
    # Whole but for its last code, which says one byte more: alone, and among others.
    body = wire.encode("edges", 7, 1, input=0, n=2, first=0, counts=[0x01020304, 0x05060708])[:-1]
    at, codes = 0, []
    while at < len(body):
        codes.append(at)
        at += body[at]
    wrong = bytearray(body)
    wrong[codes[-1]] += 1
    with pytest.raises(framing.FrameError, match="cut short"):
        framing.unseal(bytes(wrong))
    stream = np.frombuffer(b"\0".join((body, bytes(wrong), body, b"")), np.uint8)
    rows, sizes, bad, bad_bytes = framing.unseal_all(stream, 12, 254)
    assert len(rows) == 2 and (bad, bad_bytes) == (1, len(wrong))
    assert [r[4 : 4 + n - 4].tobytes() for r, n in zip(rows, sizes, strict=True)] == (
        [framing.unseal(body)] * 2
    )
    assert type(bad) is int and type(bad_bytes) is int


def test_frames_that_are_too_long_or_too_short_are_damage():
    """Bodies with CRC of 13 to 20 bytes are taken, both ends too; an empty one is no frame."""
    sealed = [framing.seal(bytes([65]) * n) for n in range(6, 20)]
    every = np.frombuffer(b"".join([b"\0", *sealed]), np.uint8)
    rows, sizes, bad, bad_bytes = framing.unseal_all(every, 13, 20)
    assert sizes.tolist() == list(range(13, 21)) and len(rows) == 8
    assert bad == len(sealed) - 8
    assert bad_bytes == sum(len(s) - 1 for s in sealed if not 13 <= len(s) - 2 <= 20)
    none = framing.unseal_all(every, 100, 120)
    assert (len(none[0]), none[2], none[3]) == (0, 14, sum(len(s) - 1 for s in sealed))
    for nothing in (none, framing.unseal_all(np.empty(0, np.uint8), 13, 20)):
        assert nothing[0].shape == (0, 260) and nothing[1].tolist() == []
    assert framing.unseal_all(np.empty(0, np.uint8), 13, 20)[2:] == (0, 0)


def test_good_frames_are_checked_in_one_go(monkeypatch):
    """Those of whole words: the fixer, body and CRC of each; the others one by one. One damaged
    frame, and all are looked at alone."""
    calls, real = [], framing.crc_good
    monkeypatch.setattr(framing, "crc_good", lambda words: calls.append(words) or real(words))
    bodies = [bytes(range(n)) for n in (12, 13, 16, 15, 18, 248, 250, 20)]  # and a CRC of four
    data = b"".join(map(framing.seal, bodies))
    rows, sizes, *bad = framing.unseal_all(np.frombuffer(data, np.uint8), 12, 254)
    assert sizes.tolist() == [len(b) + 4 for b in bodies] and bad == [0, 0]
    assert [rows[k, 4 : 4 + len(b)].tobytes() for k, b in enumerate(bodies)] == bodies
    fixer = 0x4C9DD581.to_bytes(4, "little")
    (words,) = calls
    assert real(words) and words.tobytes() == b"".join(
        fixer + b + zlib.crc32(b).to_bytes(4, "little") for b in bodies if len(b) % 4 == 0
    )
    # CRC-32/ISO-HDLC works on and on: behind frame and fixer it stands as at the beginning.
    once = bodies[0] + zlib.crc32(bodies[0]).to_bytes(4, "little")
    assert zlib.crc32(once + fixer + b"123456789") == 0xCBF43926
    for k in range(len(bodies)):
        wrong = bytearray(data)
        wrong[sum(len(framing.seal(b)) for b in bodies[:k]) + 3] ^= 0x80
        rows, sizes, *bad = framing.unseal_all(np.frombuffer(wrong, np.uint8), 12, 254)
        assert bad == [1, len(bodies[k]) + 5]
        assert sizes.tolist() == [len(b) + 4 for b in bodies[:k] + bodies[k + 1 :]]


def test_definition_is_sound():
    numbers = [m["number"] for m in wire.DEFINITION["messages"].values()]
    assert len(set(numbers)) == len(numbers)
    for name, message in wire.DEFINITION["messages"].items():
        assert (message["number"] >= 16) == (message["from"] == "host"), name
        assert message["doc"]
        assert all(f["doc"] for f in message["fields"])


@pytest.mark.parametrize("vector", VECTORS["good"], ids=lambda v: v["name"])
def test_good_vectors(vector):
    frame = bytes.fromhex(vector["frame"])
    assert frame.endswith(b"\0") and 0 not in frame[:-1]
    message = wire.decode(frame[:-1])
    fields = {k: v.hex() if isinstance(v, bytes) else v for k, v in message.fields.items()}
    assert (message.name, message.session, message.seq, fields) == (
        vector["message"], vector["session"], vector["seq"], vector["fields"],
    )  # fmt: skip
    again = wire.encode(message.name, message.session, message.seq, **message.fields)
    assert again == frame
    # Reserved fields may be left out; they are sent as 0.
    named = {k: v for k, v in message.fields.items() if k != "reserved"}
    assert wire.encode(message.name, message.session, message.seq, **named) == frame


@pytest.mark.parametrize("vector", VECTORS["bad"], ids=lambda v: v["name"])
def test_bad_vectors(vector):
    with pytest.raises(framing.FrameError):
        wire.decode(bytes.fromhex(vector["frame"]).rstrip(b"\0"))


@pytest.mark.parametrize("vector", VECTORS["unknown"], ids=lambda v: v["name"])
def test_unknown_types_are_no_damage(vector):
    message = wire.decode(bytes.fromhex(vector["frame"])[:-1])
    assert message.name is None and message.number == vector["number"]


def test_wrong_version_is_told_from_any_hello():
    for vector in VECTORS["other_version"]:
        body = framing.unseal(bytes.fromhex(vector["frame"])[:-1])
        assert wire.protocol_of(body) == vector["protocol"] != wire.PROTOCOL


def test_a_hello_too_short_to_tell_its_version():
    """Header of eight bytes, then two of the version, lowest first."""
    for size, told in ((0, None), (8, None), (9, None), (10, 0x0201), (11, 0x0201)):
        assert wire.protocol_of((bytes(8) + b"\1\2\3")[:size]) == told


def test_the_longest_message_that_fits():
    """254 bytes with header and CRC: of a log 254 - 8 - 4 - 1 of text."""
    frame = wire.encode("log", 1, 2, level=0, text="a" * 241)
    assert len(framing.cobs_decode(frame[:-1])) == 254
    with pytest.raises(ValueError, match="log is 255 bytes long, at most 254 fit"):
        wire.encode("log", 1, 2, level=0, text="a" * 242)


def test_messages_of_fixed_length_need_no_construct(monkeypatch):
    """They are many; but a message longer or shorter than it should be is left to construct."""
    bodies = {
        v["message"]: framing.unseal(bytes.fromhex(v["frame"])[:-1])
        for v in VECTORS["good"] if v["message"] in wire.LAYOUT
    }  # fmt: skip
    asked = []
    monkeypatch.setattr(wire, "_parse", lambda name, payload: asked.append(name) or {})
    assert "heartbeat" in bodies and len(bodies) > 5
    for name, body in bodies.items():
        assert wire.decode_body(body).fields and not asked
        for other in (body + b"\0", body[:-1]):
            wire.decode_body(other)
            assert asked.pop() == name and not asked


def test_out_of_range_is_refused_by_the_sender():
    with pytest.raises(ValueError, match="flash_us must be from 2 to 200"):
        wire.encode("lamp", 0, 0, mode=1, teeth=1, missing=0, input=0, angle_mdeg=0, flash_us=500)
    with pytest.raises(ValueError, match="lacks"):
        wire.encode("configure", 0, 0, enabled=1)


def firmware() -> dict[str, object]:
    """The constants that protocol/generate.py has made for the board."""
    text = (shipped.folder("firmware") / "wire.py").read_text(encoding="utf-8")
    names: dict[str, object] = {}
    exec(text.replace("from micropython import const", "const = int"), names)
    return names


@pytest.mark.parametrize("name", wire.DEFINITION["messages"])
def test_construct_numpy_and_the_board_read_a_field_at_the_same_place(name):
    """Whatever bytes stand there: the fields of fixed length, header included."""
    board, front = firmware(), wire.FRONT[name]
    assert board[name.upper()] == wire.NUMBER[name]
    assert board["HEADER_SIZE"] == wire.HEAD.itemsize == wire.HEADER.sizeof()
    assert board[f"{name.upper()}_SIZE"] == wire.HEAD.itemsize + front.itemsize
    body = np.random.default_rng(7).integers(1, 256, 200, np.uint8).tobytes()
    size = wire.HEAD.itemsize + front.itemsize
    fixed = construct.Struct(*(s for s in wire.PAYLOAD[name].subcons if s.name in front.names))
    for prefix, record, reference, start in (
        ("HEADER", wire.HEAD, wire.HEADER, 0),
        (name.upper(), front, fixed, wire.HEAD.itemsize),
    ):
        expected = reference.parse(body[start:size])
        read = np.frombuffer(body, record, 1, start)[0]
        for key in record.names:
            value, at = expected[key], board[f"{prefix}_{key.upper()}"]
            assert at == start + record.fields[key][1]
            width = record[key].base.itemsize
            many = value if isinstance(value, list) else [value]
            if not isinstance(value, bytes):
                value = list(value) if isinstance(value, list) else value
                assert read[key].tolist() == value
                for k, one in enumerate(many):
                    piece = body[at + k * width : at + (k + 1) * width]
                    assert int.from_bytes(piece, "little") == one
            else:
                assert value == body[at : at + width] == read[key].tobytes()


@pytest.mark.parametrize("name", sorted(wire.FROM_HOST & wire.LAYOUT.keys()))
def test_the_board_unpacks_a_command_as_construct_does(name):
    format_ = firmware()[f"{name.upper()}_FORMAT"]
    payload = np.random.default_rng(8).integers(0, 256, 100, np.uint8).tobytes()
    expected = wire.PAYLOAD[name].parse(payload[: wire.LAYOUT[name].itemsize])
    values = [v for k, v in expected.items() if k not in ("_io", "reserved")]
    assert list(struct.unpack_from(format_, payload)) == values


def test_the_kernels_look_where_construct_does():
    counts = list(range(1, 59))
    body = wire.HEADER.build({"type": 2, "flags": 0, "session": 0xABCD, "seq": 0x12345678})
    body += wire.PAYLOAD["edges"].build(
        {"input": 3, "n": 58, "levels": 0, "reserved": 0, "first": 0x87654321, "counts": counts}
    )
    words = np.frombuffer(bytes(4) + body, "<u4")
    places = wire.PLACES
    assert words[1] & 0xFF == places.edges and words[1] >> 16 == 0xABCD
    assert words[2] == 0x12345678
    assert words[places.block] & 0xFFFF == 3 | 58 << 8
    assert words[places.first] == 0x87654321
    assert words[places.counts :].tolist() == counts
    beat = next(v for v in VECTORS["good"] if v["message"] == "heartbeat")
    assert len(framing.cobs_decode(bytes.fromhex(beat["frame"])[:-1])) == places.beat_size
