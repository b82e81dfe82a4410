"""Speed and memory of the host: one hour of a 60-2 wheel at 6000 rpm, and the live path.

`make bench`, or `python tests/bench/speed.py --help`. Every figure is a ratio against a peer that
does its part on the same bytes in the same run, since the machine's own speed comes and goes.
The hour of bytes is made once and kept in build/bench.
"""

import struct
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from sparkwitness import wire  # noqa: E402
from sparkwitness.simulator import scenario, world  # noqa: E402

TICK_PS = world.TICK_PS
BLOCK, AGE_MS, BEAT_MS = 58, 20, 100  # as the firmware cuts the stream
SCENARIO = scenario.vary(
    scenario.load("fast-six"),
    {
        "setup.clamp": "plug",
        "truth.pickup.clamp_a": "plug",
        "truth.speed.program": [[0, 6000]],
        "truth.module.multi_below_rpm": 20000.0,
        "truth.module.single_above_rpm": 20000.0,
        "truth.module.most_sparks": 4,
        "truth.module.spacing_ms": 0.3,
        "truth.module.window_deg": 60.0,
    },
)


def stuffed(bodies: list[NDArray[np.uint8]]) -> list[bytes]:
    """COBS frames, delimiters included, of bodies of one length each: uint8[n, length]."""
    frames: list[bytes] = []
    for body in bodies:
        n, size = body.shape
        crc = np.fromiter((zlib.crc32(row) for row in body), np.uint32, n)
        whole = np.zeros((n, size + 6), np.uint8)
        whole[:, 1 : size + 1] = body
        whole[:, size + 1 : size + 5] = crc.astype("<u4").view(np.uint8).reshape(n, 4)
        whole[:, 0] = 0
        # Each zero, the code byte in front among them, says how far the next one is.
        flat = whole.reshape(-1)
        zeros = np.flatnonzero(flat == 0)
        flat[zeros[:-1]] = np.diff(zeros)
        flat[size + 5 :: size + 6] = 0
        frames += [row.tobytes() for row in whole]
    return frames


def frames_of(parts: Iterator[dict[str, NDArray[np.int64]]], seconds: float) -> Iterator[bytes]:
    """A board's stream of the edges given, in pieces."""
    yield b"\0" + wire.encode(
        "hello", 7, 0, protocol=wire.PROTOCOL, firmware=[0, 1, 0], state=1, tick_ps=TICK_PS,
        clock_hz=125_000_000, enabled=15, falling=0, dead_ns=144, min_pulse_ns=96,
        ring_edges=2048, uid=bytes(range(8)), board="bench",
    )  # fmt: skip
    seq = 1
    age = round(AGE_MS * 1e9 / TICK_PS)
    beat = BEAT_MS // AGE_MS * age
    total = np.zeros(4, np.int64)
    due = 0  # next heartbeat
    end = int(seconds * 1e12 / TICK_PS)
    for part in parts:
        latest = max([int(t[-1]) for t in part.values() if len(t)], default=0)
        made: list[tuple[int, int, int, NDArray[np.int64], int]] = []
        for which, name in enumerate(wire.INPUTS):
            ticks = part[name]
            # A heartbeat sends all before it; else a block goes when full or AGE_MS old.
            at, stops = 0, np.searchsorted(ticks, np.arange(due, latest + beat, beat)).tolist()
            for stop in stops:
                while at < stop:
                    most = min(at + BLOCK, stop)
                    until = at + int(ticks[at:most].searchsorted(ticks[at] + age))
                    made.append((int(ticks[until - 1]), 1, which, ticks[at:until], int(total[which])))
                    total[which] += until - at
                    at = until
        while due <= min(latest, end):
            made.append((due, 0, 0, np.empty(0, np.int64), 0))
            due += beat
        made.sort(key=lambda one: one[:3])
        seen = [0] * 4
        before = total - [len(part[name]) for name in wire.INPUTS]
        out: list[NDArray[np.uint8]] = []
        for tick, kind, which, counts, first in made:
            n = len(counts)
            if kind:
                head = struct.pack("<BBHIBBHI", 2, 0, 7, seq, which, n, 0, first & 0xFFFFFFFF)
                body = head + (counts & 0xFFFFFFFF).astype("<u4").tobytes()
                seen[which] += n
            else:
                sums = [int(b) + s for b, s in zip(before, seen, strict=True)]
                body = struct.pack(
                    "<BBHIQ4I4I4IIIHHHBB", 3, 0, 7, seq, tick, *sums, *[0] * 8, 0, 180, 120, 0,
                    13_800, 1, 0,
                )  # fmt: skip
            out.append(np.frombuffer(body, np.uint8))
            seq += 1
        by_size: dict[int, list[int]] = {}
        for k, body in enumerate(out):
            by_size.setdefault(len(body), []).append(k)
        frames = [b""] * len(out)
        for places in by_size.values():
            group = np.array([out[k] for k in places])
            for k, frame in zip(places, stuffed([group]), strict=True):
                frames[k] = frame
        yield b"".join(frames)


def hour(seconds: float = 3600.0) -> Path:
    """File of the stream's bytes, made where it is not there yet."""
    path = ROOT / "build" / "bench" / f"60-2-6000rpm-{seconds:.0f}s.bytes"
    if not path.is_file():
        path.parent.mkdir(parents=True, exist_ok=True)
        being = path.with_suffix(".part")
        with open(being, "wb") as file:
            for piece in frames_of(world.stream_edges(SCENARIO, seconds, tick_ps=TICK_PS), seconds):
                file.write(piece)
        being.rename(path)
    return path


if __name__ == "__main__":
    hour()
