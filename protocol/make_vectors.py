"""Makes protocol/vectors.json: frames that every implementation must read alike.

Run it only when the format changes; the file is kept so that a change cannot pass unnoticed.
"""

import json
from pathlib import Path

from sparkwitness.decode import framing, wire

HELLO = {
    "protocol": 2, "firmware": [0, 1, 0], "state": 0, "tick_ps": 24000, "clock_hz": 125000000,
    "enabled": 15, "falling": 8, "dead_ns": 144, "min_pulse_ns": 96, "ring_edges": 2048,
    "uid": bytes(range(8)), "both": 8, "edge_rate": 120_000,
    "lease_ms": 900, "bench_rate": 6000, "crank_rate": 45000,
    "active_us": [15000, 20000], "duty_permille": [700, 750], "second_ms": [810, 900],
    "minute_ms": [36100, 51100], "mean_permille": [500, 750], "flash_us": 200,
    "flash_permille": 50, "checksum": 1, "board": "bench board µ",
}  # fmt: skip
BEAT = {
    "time": 5_000_000_000, "total": [3600, 400, 0, 4294967295], "lost": [0, 2, 0, 0],
    "stalls": [0, 0, 0, 1], "driven": 77, "worst_us": 812, "busy_permille": 203, "unsent": 0,
    "supply_mv": 13812, "state": 1, "outputs": 5,
}  # fmt: skip
DRIVE = {
    "rpm_from": 600_000, "rpm_to": 6_000_000, "ramp_ms": 30_000, "width_us": 3000, "firings": 8,
    "turns": 2, "active_low": 0, "teeth": 36, "missing": 1, "load": 1,
    "reserved": [0, 0],
}  # fmt: skip
LAMP = {
    "mode": 1, "teeth": 1, "missing": 0, "input": 1, "angle_mdeg": 12500, "flash_us": 60,
    "reserved": 0,
}  # fmt: skip
GOOD = [
    ("hello", 0x1234, 0, HELLO),
    ("edges", 0x1234, 2, {"input": 0, "n": 1, "levels": 0, "reserved": 0, "first": 0,
                             "counts": [0]}),
    (
        "edges", 0xFFFF, 0xFFFFFFFF,
        {"input": 3, "n": 58, "levels": 0, "reserved": 0, "first": 0xFFFFFFF0,
         "counts": [(0xFFFF0000 + 7919 * k) & 0xFFFFFFFF for k in range(58)]},
    ),
    ("heartbeat", 0x1234, 1, BEAT),
    ("log", 0x1234, 3, {"level": 1, "text": "no display found"}),
    ("ack", 0x1234, 4, {"command": 20, "result": 4, "reserved": 0, "command_seq": 9,
                        "text": "only while streaming"}),
    ("identify", 0, 0, {}),
    ("configure", 0, 1, {"enabled": 15, "falling": 2, "both": 0}),
    ("start", 0, 2, {}),
    ("stop", 0, 3, {}),
    ("drive", 0, 4, DRIVE),
    ("lamp", 0, 5, LAMP),
    ("leave", 0, 6, {}),
    ("alive", 0, 7, {}),
    ("renew", 0x1234, 8, {"lease": 4}),
    ("configure", 0, 9, {"enabled": 15, "falling": 2, "both": 8}),
    ("edges", 0x1234, 6, {"input": 3, "n": 2, "levels": 1, "reserved": 0, "first": 0,
                          "counts": [201, 400]}),
    ("driving", 0x1234, 5, {"pauses": 2, "dropped": 300, "cut": 18, "reserved": [0, 0, 0]}),
]  # fmt: skip


def vectors() -> dict:
    """All vectors, frames in hex with their delimiter."""
    plain = {"uid": HELLO["uid"].hex()}
    good = [
        {
            "name": f"{name}-{k}", "message": name, "session": session, "seq": seq,
            "fields": {**fields, **(plain if name == "hello" else {})},
            "frame": wire.encode(name, session, seq, **fields).hex(),
        }
        for k, (name, session, seq, fields) in enumerate(GOOD)
    ]  # fmt: skip
    whole = wire.encode(*GOOD[3][:3], **BEAT)
    flipped = bytearray(whole)
    flipped[20] ^= 0x10
    head = wire.HEADER.build({"type": 2, "flags": 0, "session": 1, "seq": 1})
    crc_less = framing.cobs_encode(head) + b"\0"
    bad = {
        "one bit flipped": bytes(flipped),
        "truncated at the front": whole[5:],
        "truncated at the end": whole[:-6] + b"\0",
        "two frames run together": whole[:-1] + whole,
        "code byte points past the end": b"\x20abc\0",
        "without CRC": crc_less,
        "shorter than the header": framing.seal(b"\x03\x00\x01"),
        "heartbeat one byte short": framing.seal(framing.unseal(whole[:-1])[:-1]),
        "heartbeat one byte long": framing.seal(framing.unseal(whole[:-1]) + b"\0"),
        "edges that announce more than they carry": framing.seal(
            head + bytes([0, 2, 0, 0]) + bytes(4) + bytes(4)
        ),
        "edges that carry more than they announce": framing.seal(
            head + bytes([0, 1, 0, 0]) + bytes(4) + bytes(8)
        ),
        "edges of an input that is not there": framing.seal(
            head + bytes([9, 1, 0, 0]) + bytes(4) + bytes(4)
        ),
        "edges without an edge": framing.seal(head + bytes([0, 0, 0, 0]) + bytes(4)),
        "text that is no UTF-8": framing.seal(
            wire.HEADER.build({"type": 4, "flags": 0, "session": 1, "seq": 1}) + b"\x00\xff\xfe"
        ),
    }
    unknown = [
        {
            "name": f"type {number}", "number": number,
            "frame": framing.seal(
                wire.HEADER.build({"type": number, "flags": 0, "session": 1, "seq": 8}) + body
            ).hex(),
        }
        for number, body in ((99, b""), (200, b"anything at all"))
    ]  # fmt: skip
    later = wire.HEADER.build({"type": 1, "flags": 0, "session": 1, "seq": 0})
    other = [
        {
            "name": "hello of version 3, same layout", "protocol": 3,
            "frame": wire.encode("hello", 1, 0, **{**HELLO, "protocol": 3}).hex(),
        },
        {
            "name": "hello of version 9, another layout", "protocol": 9,
            "frame": framing.seal(later + (9).to_bytes(2, "little") + b"who knows").hex(),
        },
    ]  # fmt: skip
    return {
        "doc": "Frames in hex, delimiter included. good: decode to the fields; bad: refused and "
        "counted as damaged; unknown: skipped and counted; other_version: refused by version.",
        "good": good,
        "bad": [{"name": name, "frame": frame.hex()} for name, frame in bad.items()],
        "unknown": unknown,
        "other_version": other,
    }


if __name__ == "__main__":
    path = Path(__file__).parent / "vectors.json"
    path.write_text(json.dumps(vectors(), indent=1) + "\n", encoding="utf-8")
