"""Speed and memory of the host: one hour of a 60-2 wheel at 6000 rpm, and the live path.

`make bench`, or `python tests/bench/speed.py --help`. Every figure is a ratio against a peer that
does its part on the same bytes in the same run, since the machine's own speed comes and goes.
The hour of bytes is made once and kept in build/bench.
"""

import argparse
import importlib.util
import json
import os
import resource
import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from sparkwitness.decode import framing, kernels, wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.simulator import scenario, world
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import LOOK_SPARKS, Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

ROOT = Path(__file__).resolve().parents[2]
TICK_PS = world.TICK_PS
BLOCK, AGE_MS, BEAT_MS = 58, 20, 100  # as the firmware cuts the stream
CHUNK = 1 << 20
LOOKS = 10  # a second
GOALS = {"numpy": (10, 25), "numba": (5, 15)}  # passes of the hour: decoding, everything
LENGTHS = (60, 600, 3600)
REFERENCE = Reference(60, 2, angle=114.0, u_angle=0.25)


def setup(clamp: str, tap: int = 0) -> Setup:
    """What would be typed for the streams here; `tap`: the trigger's edges are read, too."""
    trigger = "auto" if tap else "none"
    return Setup(REFERENCE, 28.0, cylinders=6, clamp=clamp, dead_time_us=150.0, trigger=trigger)


def engine(rpm: float, clamp: str, spacing_ms: float) -> scenario.Scenario:
    """A 60-2 wheel and four sparks per event at any speed."""
    return scenario.vary(
        scenario.load("fast-six"),
        {
            "setup.clamp": clamp,
            "truth.pickup.clamp_a": clamp,
            "truth.speed.program": [[0, rpm]],
            "truth.module.multi_below_rpm": 20000.0,
            "truth.module.single_above_rpm": 20000.0,
            "truth.module.most_sparks": 4,
            "truth.module.spacing_ms": spacing_ms,
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
        ring_edges=2048, uid=bytes(range(8)), both=0, edge_rate=120_000,
        lease_ms=900, bench_rate=6000, crank_rate=45000,
        active_us=[15000, 20000], duty_permille=[700, 750], second_ms=[810, 900],
        minute_ms=[36100, 51100], mean_permille=[500, 750], flash_us=200, flash_permille=50,
        checksum=0, board="bench",
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
                    made.append(
                        (int(ticks[until - 1]), 1, which, ticks[at:until], int(total[which]))
                    )
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


def stream(
    seconds: float, rpm: float = 6000.0, clamp: str = "plug", spacing_ms: float = 0.3
) -> Path:
    """File of a stream's bytes, made where it is not there yet."""
    path = ROOT / "build" / "bench" / f"60-2-{clamp}-{rpm:.0f}rpm-{seconds:.0f}s.bytes"
    if not path.is_file():
        path.parent.mkdir(parents=True, exist_ok=True)
        being = path.with_suffix(".part")
        edges = world.stream_edges(engine(rpm, clamp, spacing_ms), seconds, tick_ps=TICK_PS)
        with open(being, "wb") as file:
            for piece in frames_of(edges, seconds):
                file.write(piece)
        being.rename(path)
    return path


def chunks(path: Path, size: int = CHUNK) -> Iterator[bytes]:
    """The file in pieces, as a recording is read."""
    with open(path, "rb") as file:
        while data := file.read(size):
            yield data


def spent(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds of processor time that some work takes, and its result."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def by_construct(data: bytes) -> int:
    """Frame by frame through construct and the pure-Python framing; edges read."""
    edges = 0
    head = wire.HEADER.sizeof()
    for frame in data.split(b"\0"):
        if frame:
            body = framing.unseal(frame)
            header = wire.HEADER.parse(body)
            fields = wire.PAYLOAD[wire.NAME[header.type]].parse(body[head:])
            edges += len(fields.counts) if header.type == wire.NUMBER["edges"] else 0
    return edges


def by_cobs(data: bytes) -> int:
    """Frame by frame through the C extension cobs, zlib, struct and numpy; edges read."""
    ticks: list[list[NDArray[np.int64]]] = [[] for _ in wire.INPUTS]
    beat = 0
    for frame in data.split(b"\0"):
        if not frame:
            continue
        whole = cobs.decode(frame)
        if zlib.crc32(whole) != 0x2144DF1C:  # any data followed by its own CRC
            raise ValueError("a damaged frame")
        kind, _, _, _ = struct.unpack_from("<BBHI", whole)
        if kind == wire.NUMBER["heartbeat"]:
            (beat,) = struct.unpack_from("<Q", whole, 8)
        elif kind == wire.NUMBER["edges"]:
            which, n, _, _ = struct.unpack_from("<BBHI", whole, 8)
            counts = np.frombuffer(whole, "<u4", n, 16)
            near = (counts - np.uint32(beat & 0xFFFFFFFF)).view(np.int32)
            ticks[which].append(beat + near.astype(np.int64))
    return sum(len(np.concatenate(parts)) for parts in ticks if parts)


def by_decoder(data: bytes) -> int:
    """The same through `EdgeDecoder`."""
    decoder = EdgeDecoder()
    batches = decoder.feed(data)
    return sum(len(ticks) for batch in batches for ticks in batch.ticks)


def peers() -> dict[str, float]:
    """Seconds for one piece of the stream: by construct, by cobs, and here."""
    data = next(chunks(stream(60)))
    data = data[: data.rfind(b"\0") + 1]
    few = data[: data.rfind(b"\0", 0, 1 << 17) + 1]
    times: dict[str, float] = {}
    found = set()
    for name, work in (("cobs", by_cobs), ("here", by_decoder)):
        runs = [spent(lambda work=work: work(data)) for _ in range(15)]
        times[name] = min(t for t, _ in runs)
        found.add(runs[0][1])
    assert len(found) == 1, "the ways do not agree"
    runs = [spent(lambda: by_construct(few)) for _ in range(3)]
    assert runs[0][1] == by_decoder(few)
    times["construct"] = min(t for t, _ in runs) * len(data) / len(few)
    return times


def passes(seconds: float, repeats: int, tap: int = 0) -> dict[str, float]:
    """Time of each step as a multiple of one zlib.crc32 over the same bytes.

    Each piece counts with the quickest of its repeats, so that what else runs on the machine
    falls out of both sides of the ratio.
    """
    path = stream(seconds)
    best: dict[str, list[float]] = {}
    result = measure.Measurement()
    for _ in range(repeats):
        decoder, analyzer = EdgeDecoder(), Analyzer(setup("plug", tap), TICK_PS)
        for name, feed in (("decode", decoder.feed), ("feed", analyzer.feed)):
            for k, data in enumerate(chunks(path)):
                for what, work in (("crc", zlib.crc32), (name, feed)):
                    took, _ = spent(lambda work=work, data=data: work(data))
                    times = best.setdefault(what, [])
                    if k == len(times):
                        times.append(took)
                    times[k] = min(times[k], took)
        took, result = spent(lambda a=analyzer: measure.evaluate(setup("plug", tap), a.finish()))
        best["evaluate"] = [min([took, *best.get("evaluate", [])])]
    assert result.sparks.keys() == {4} and not result.loss.any(), "the stream is not read whole"
    total = {name: sum(times) for name, times in best.items()}
    return {**total, "bytes": path.stat().st_size}


def memory(hours: int) -> list[float]:
    """Peak resident MB of analysing the hour over and over, after each time."""
    analyzer, peaks = Analyzer(setup("plug"), TICK_PS), []
    for _ in range(hours):
        for data in chunks(stream(3600)):
            analyzer.feed(data)
        measure.evaluate(setup("plug"), analyzer.tables())
        peaks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        # The same bytes again, as one more session of the board.
        analyzer.decoder, analyzer._session = EdgeDecoder(), -1
    return peaks


def live(window_s: int, newest: int, tap: int = 0, seconds: int = 60) -> dict[str, float]:
    """From bytes to numbers, every 100 ms, at 10 000 edges a second.

    Args:
        window_s: what is older than this is forgotten, as the live page does; 0: nothing is.
        newest: sparks looked at, as `measure` does while it runs; 0: all.
        tap: see `setup`.
    """
    data = stream(seconds, 8600, "coil", 0.2).read_bytes()
    analyzer = Analyzer(setup("coil", tap), TICK_PS)
    cuts = np.linspace(0, len(data), seconds * LOOKS + 1).astype(int).tolist()
    times = []
    result = measure.Measurement()
    for a, b in pairwise(cuts):

        def look(a: int = a, b: int = b) -> measure.Measurement:
            analyzer.feed(data[a:b])
            if window_s:
                analyzer.forget(analyzer.clock[1] - round(window_s * 1e12 / TICK_PS))
            return measure.evaluate(setup("coil", tap), analyzer.tables(newest or None))

        took, result = spent(look)
        times.append(took)
    assert result.timing is not None and result.sparks.keys() == {4}
    tables = analyzer.tables()
    last = times[-10 * LOOKS :]
    return {
        "edges_per_s": (tables.crank_edges + tables.clamp_edges) / seconds,
        "median_ms": 1e3 * float(np.median(last)),
        "p95_ms": 1e3 * float(np.quantile(last, 0.95)),
        "core": sum(last) / 10,
        "sparks": len(tables.sparks.tick),
    }


def child(choice: str, *what: str) -> Any:
    """One measurement in a process of its own, with the kernels chosen."""
    # One thread: others that wait for a busy core spin, and count as processor time.
    environment = {**os.environ, "SPARKWITNESS_KERNELS": choice, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, __file__, "--only", *what]
    done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, check=True, text=True)
    return json.loads(done.stdout)


def mark(value: float, goal: float, at_least: bool = False) -> str:
    """Goal, and whether it is met."""
    met = value >= goal if at_least else value <= goal
    return f"goal {'at least' if at_least else 'at most'} {goal:g}: {'met' if met else 'NOT MET'}"


def report(choices: list[str], lengths: list[int], hours: int) -> None:
    """All measurements, printed."""
    for seconds in lengths:
        stream(seconds)
    for choice in choices:
        decoding, everything = GOALS[choice]
        print(f"\n{choice}, one core, processor time")
        times = child(choice, "peers")
        ratio = times["construct"] / times["here"]
        print(f"  decode against construct        {ratio:8.0f} x   {mark(ratio, 50, True)}")
        ratio = times["cobs"] / times["here"]
        print(f"  decode against cobs and struct  {ratio:8.1f} x   {mark(ratio, 5, True)}")
        for seconds in lengths:
            t = child(choice, "passes", str(seconds))
            decode, whole = t["decode"] / t["crc"], (t["feed"] + t["evaluate"]) / t["crc"]
            tapped = child(choice, "passes", str(seconds), "1")
            both = (tapped["feed"] + tapped["evaluate"]) / tapped["crc"]
            hour = seconds == 3600
            print(
                f"  {seconds // 60:3d} min, {t['bytes'] / 1e6:6.1f} MB: zlib.crc32 "
                f"{1e3 * t['crc']:5.1f} ms ({t['bytes'] / t['crc'] / 1e9:.1f} GB/s), decode "
                f"{t['decode']:6.3f} s = {decode:5.1f} passes"
                f"{f' ({mark(decode, decoding)})' * hour}, "
                f"all {t['feed'] + t['evaluate']:6.3f} s = {whole:5.1f} passes"
                f"{f' ({mark(whole, everything)})' * hour}, with the trigger tap {both:.1f}"
            )
        if 3600 in lengths:
            peaks = child(choice, "memory", str(hours))
            shown = ", ".join(f"{p:.0f} MB at {k + 1} h" for k, p in enumerate(peaks)
                              if k + 1 in (1, 2, 3, 6, 12, 24))  # fmt: skip
            print(f"  peak memory: {shown}   {mark(max(peaks), 400)}")
    # A live stream never loads the kernels: that would keep the board waiting.
    print(f"\nlive, 60 s, {LOOKS} looks a second, numpy, processor time; the last 10 s")
    for what, window_s, newest, tap in (
        ("as the live page, 10 s kept", 10, 0, 0),
        (f"as measure, the newest {LOOK_SPARKS} sparks", 0, LOOK_SPARKS, 0),
        ("as measure, with the trigger tap", 0, LOOK_SPARKS, 1),
    ):
        t = child("numpy", "live", str(window_s), str(newest), str(tap))
        print(
            f"  {what}: {t['edges_per_s']:.0f} edges/s, {t['sparks']} sparks held, bytes to "
            f"numbers {t['median_ms']:.1f} ms, 95 % below {t['p95_ms']:.1f} ms "
            f"({mark(t['p95_ms'], 20)}), {100 * t['core']:.0f} % of a core "
            f"({mark(100 * t['core'], 20)})"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=60, help="longest stream (default 60)")
    parser.add_argument("--hours", type=int, default=3, help="length for the memory (default 3)")
    parser.add_argument("--kernels", choices=("numpy", "numba"), help="only one of them")
    parser.add_argument("--only", nargs="+", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.only:
        name, *values = given.only
        if name != "live":
            kernels.chosen()
        work: dict[str, Callable[..., Any]] = {
            "peers": peers, "live": live, "memory": memory,
            "passes": lambda seconds, tap=0: passes(seconds, 7, tap),
        }  # fmt: skip
        print(json.dumps(work[name](*map(int, values))))
        return
    there = ["numpy"] + ["numba"] * (importlib.util.find_spec("numba") is not None)
    report(
        [given.kernels] if given.kernels else there,
        [s for s in LENGTHS if s <= 60 * given.minutes],
        given.hours,
    )


if __name__ == "__main__":
    main()
