"""A simulated hour of a 60-2 wheel at 6000 rpm through the host's path, faster than real time.

    python tests/bench/soak.py [--minutes 60]

Printed: resident memory every few minutes and its slope after the first ones; the difference
between the board's time and the decoded time of every edge, in ticks (must be 0: the 32-bit counts
wrap every 103 s); and the timing against the truth. Like the live view, the analyzer keeps the
newest minute. Exit code 1 if memory grows, a tick is off, or anything counts as lost.
"""

import argparse
import struct
import sys
import time
import zlib
from pathlib import Path

import numpy as np
from cobs import cobs

from sparkwitness.decode import wire
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from sparkwitness.timing.setup import Setup
from streams import HELLO, TICK_PS

RPM, TEETH, MISSING, SPARK_BTDC, REFERENCE_ANGLE = 6000, 60, 2, 20.0, 60.0
TURN = 10**12 * 60 // RPM // TICK_PS * TICK_PS / TICK_PS  # ticks, made whole by rounding each edge
BLOCK = wire.DEFINITION["messages"]["edges"]["fields"][1]["range"][1]
KEEP_S, BEAT_TURNS = 60, 10
FLAT_MB_PER_HOUR = 8.0


def frame(number: int, seq: int, payload: bytes) -> bytes:
    """One frame by the C packages; encoding is not what is measured here."""
    body = struct.pack("<BBHI", number, 0, 7, seq) + payload
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def beats(turns: int):
    """Per heartbeat: the bytes, and the edges of crank and clamp that are in them (wide ticks)."""
    edges, heartbeat = wire.NUMBER["edges"], wire.NUMBER["heartbeat"]
    hello = wire.encode("hello", 7, 0, **HELLO)
    totals = [0, 0]
    teeth = np.arange(TEETH - MISSING) / TEETH
    # The first edge after the gap stands at the reference angle before TDC.
    spark = (REFERENCE_ANGLE - SPARK_BTDC) / 360.0
    seq = 1

    def beat(now: int) -> bytes:
        fields = (now, *totals, 0, 0, *(0,) * 8, 0, 50, 10, 0, 13_800, 1, 0)
        return struct.pack("<Q12IIIHHHBB", *fields)

    yield b"\0" + hello + frame(heartbeat, seq, beat(0)), ([], [])
    for turn in range(0, turns, BEAT_TURNS):
        starts = turn + np.arange(BEAT_TURNS)
        both = (
            np.rint((starts[:, None] + teeth).ravel() * TURN).astype(np.int64) + 1000,
            np.rint((starts + spark) * TURN).astype(np.int64) + 1000,
        )
        out = []
        for which, ticks in enumerate(both):
            for at in range(0, len(ticks), BLOCK):
                piece = ticks[at : at + BLOCK]
                seq += 1
                head = struct.pack("<BBHI", which, len(piece), 0, totals[which] & 0xFFFFFFFF)
                low = (piece & 0xFFFFFFFF).astype("<u4").tobytes()
                out.append(frame(edges, seq, head + low))
                totals[which] += len(piece)
        seq += 1
        out.append(frame(heartbeat, seq, beat(round((turn + BEAT_TURNS) * TURN))))
        yield b"".join(out), both


def resident_mb() -> float:
    """Resident memory now (Linux); else what was the most."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * 4096 / 1e6
    except OSError:
        import resource

        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def soak(minutes: float) -> int:
    """Run and print; 0 if all held."""
    setup = Setup(
        Reference(TEETH, MISSING, 1, REFERENCE_ANGLE, 0.0), commanded=SPARK_BTDC, cylinders=2,
        clamp="wasted", delay_us=0.0,
    )  # fmt: skip
    analyzer = Analyzer(setup, TICK_PS)
    take = analyzer.take
    expected: list[tuple[np.ndarray, np.ndarray]] = []
    edges = worst = 0

    def compared(batch) -> None:
        nonlocal edges, worst
        for i in range(2):
            want = np.concatenate([np.empty(0, np.int64), *(pair[i] for pair in expected)])
            got = batch.ticks[i]
            if len(want) != len(got):
                raise SystemExit(f"{len(got)} edges came of {len(want)}")
            if len(got):
                worst = max(worst, int(np.abs(got - want).max()))
                edges += len(got)
        expected.clear()
        take(batch)

    analyzer.take = compared  # type: ignore[method-assign]
    turns = round(minutes * RPM)
    per_look = RPM // 6 // BEAT_TURNS  # ten seconds
    rows: list[tuple[float, float]] = []
    begun = time.monotonic()
    pending: list[bytes] = []
    print(f"{'board min':>9}{'RSS MB':>9}{'edges':>12}{'timing':>10}{'speed-up':>10}")
    for k, (data, both) in enumerate(beats(turns)):
        if len(both[0]):
            expected.append(both)
        pending.append(data)
        if k % 10 and k * BEAT_TURNS < turns:
            continue
        analyzer.feed(b"".join(pending))
        pending.clear()
        if k % per_look == 0 and k:
            _, now = analyzer.clock
            analyzer.forget(now - round(KEEP_S * 1e12 / TICK_PS))
            minute = now * TICK_PS * 1e-12 / 60
            rows.append((minute, resident_mb()))
            if k % (30 * per_look) == 0:
                timing = measure.evaluate(setup, analyzer.tables()).timing or float("nan")
                ratio = minute * 60 / (time.monotonic() - begun)
                print(f"{minute:>9.0f}{rows[-1][1]:>9.1f}{edges:>12}{timing:>9.3f}°{ratio:>9.0f}x",
                      flush=True)  # fmt: skip
    tables = analyzer.finish()
    result = measure.evaluate(setup, tables)
    late = [row for row in rows if row[0] >= minutes / 4]
    slope = float(np.polyfit(*zip(*late, strict=True), 1)[0]) * 60
    off = abs((result.timing or 0) - SPARK_BTDC)
    lost = tables.loss.any()
    print(f"memory slope after the first quarter: {slope:+.2f} MB per hour")
    print(f"largest difference of decoded from board time: {worst} ticks over {edges} edges")
    print(f"timing off by {off:.4f}°, stated ±{result.expanded or 0:.4f}°; lost: {lost}")
    held = slope * minutes / 60 < FLAT_MB_PER_HOUR and not worst and not lost and off < 0.02
    return 0 if held else 1


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    sys.exit(soak(parser.parse_args().minutes))
