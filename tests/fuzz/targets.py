"""One function per reader of foreign input: takes bytes, raises where a promise is broken.

Each returns True if the input was accepted, False if it was refused in the documented way. What
is promised: no exception but UserError (or FrameError, ValueError where said), nothing but finite
numbers, and two ways to read the same bytes agree. Hangs and memory are watched by the drivers.
"""

import json
import math
import os
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from sparkwitness import bench_plan, faultfind, framing, measure, shipped, wheel, wire
from sparkwitness.angle import Reference
from sparkwitness.cli import findfault, typed
from sparkwitness.edges import EdgeDecoder
from sparkwitness.errors import UserError
from sparkwitness.logbook import Logbook
from sparkwitness.recording import Recorder, Recording
from sparkwitness.simulator import scenario
from sparkwitness.simulator.world import World
from streams import Stream, random_stream

from . import mutate, reference

_RAM = Path("/dev/shm")
SCRATCH = tempfile.TemporaryDirectory(dir=_RAM if os.access(_RAM, os.W_OK) else None)
FILE = Path(SCRATCH.name) / "input"
VECTORS: dict[str, Any] = json.loads((shipped.folder("protocol") / "vectors.json").read_text())


@dataclass(frozen=True)
class Target:
    """What to try, how to damage it, and the good inputs to begin with."""

    check: Callable[[bytes], bool]
    mutate: Callable[..., bytes]
    seeds: Callable[[], list[bytes]]
    share: float = 1.0  # of the inputs asked for, where one input is slow


def _refused(error: UserError) -> bool:
    assert error.message.strip(), "a refusal without a sentence"
    return False


def _finite(value: Any) -> None:
    """Every number in a result is one."""
    if isinstance(value, dict):
        for one in value.values():
            _finite(one)
    elif isinstance(value, list | tuple):
        for one in value:
            _finite(one)
    elif isinstance(value, float):
        assert math.isfinite(value), value


# --- frames: numpy, construct and C cobs ------------------------------------------------------


def decoded(data: bytes, chunks: Callable[[], int]) -> tuple[EdgeDecoder, list[tuple[Any, ...]]]:
    """What the numpy path makes of a stream cut into pieces: (session, ticks, breaks, messages)."""
    decoder = EdgeDecoder()
    sessions: list[tuple[int, list[list[int]], list[list[int]], list[Any]]] = []
    at = 0
    while at < len(data):
        size = chunks()
        for batch in decoder.feed(data[at : at + size]):
            if not sessions or sessions[-1][0] != batch.session:
                sessions.append((batch.session, [[], [], [], []], [[], [], [], []], []))
            _, ticks, breaks, messages = sessions[-1]
            for i in range(4):
                breaks[i] += (batch.breaks[i] + len(ticks[i])).tolist()
                ticks[i] += batch.ticks[i].tolist()
            messages += [(m.name, m.fields) for m in batch.messages]
        assert len(decoder._rest) <= 1000, "unbounded rest"
        at += size
    decoder.finish()
    return decoder, sessions


def frames(data: bytes) -> bool:
    """The numpy path against the one-frame-at-a-time reference, whole and in pieces."""
    expected = reference.Decoder(data)
    made = [(s.number, s.ticks, s.breaks, s.messages) for s in expected.sessions]
    rng = Random(zlib.crc32(data))
    for chunks in (lambda: 1 << 30, lambda: rng.randrange(1, len(data) + 1)):
        decoder, sessions = decoded(data, chunks)
        assert decoder.loss == expected.loss
        assert sessions == made
    for piece in rng.sample(pieces := data.split(b"\0"), min(3, len(pieces))):
        _one_frame(piece)
    return expected.loss.frames_good > 0


def _one_frame(piece: bytes) -> None:
    """The single-frame path against the C package and construct."""
    from cobs import cobs

    try:
        theirs = cobs.decode(piece) if piece else None
    except cobs.DecodeError:
        theirs = None
    try:
        ours = framing.cobs_decode(piece)
    except framing.FrameError:
        ours = None
    assert ours == theirs
    try:
        message = wire.decode(piece)
    except framing.FrameError:
        return
    assert ours is not None and zlib.crc32(ours[:-4]) == int.from_bytes(ours[-4:], "little")
    if message.name is not None:
        assert message.fields == reference.fields_of(message.name, ours[8:-4])


def frame_seeds() -> list[bytes]:
    """Streams as a board sends them, and every vector."""
    made = []
    for seed, blocks, start in ((1, 3, 0), (2, 6, (1 << 32) - 9000)):
        made.append(random_stream(np.random.default_rng(seed), blocks, start)[0].data)
    for kind in ("good", "bad", "unknown", "other_version"):
        made += [b"\0" + bytes.fromhex(v["frame"]) for v in VECTORS[kind]]
    small, other = Stream(), Stream(session=2)
    for stream in (small, other):
        stream.hello()
        stream.heartbeat(0)
        stream.edges(0, np.arange(10, 600, 10))
        stream.edges(1, np.array([15]))
        stream.add("log", level=1, text="µ")
        stream.add("ack", command=16, result=0, command_seq=0, text="")
        stream.heartbeat(700)
    return [*made, small.data, small.data + other.data]


# --- messages: protocol/vectors.json ----------------------------------------------------------


def vectors(data: bytes) -> bool:
    """A vector of protocol/vectors.json: encode and decode are each other's inverse."""
    try:
        vector = json.loads(data)
        name, fields = vector["message"], dict(vector["fields"])
        session, seq = vector["session"], vector["seq"]
    except (ValueError, TypeError, KeyError, RecursionError):
        return False  # no vector; the file itself is ours
    if not isinstance(name, str) or name not in wire.NUMBER:
        return False
    if type(session) is not int or type(seq) is not int:
        return False
    if not fields.keys() <= {one["name"] for one in wire.DEFINITION["messages"][name]["fields"]}:
        return False
    if isinstance(fields.get("uid"), str):
        try:
            fields["uid"] = bytes.fromhex(fields["uid"])
        except ValueError:
            return False
    if not isinstance(fields.get("uid", b""), bytes):
        return False  # construct would take a number for bytes; no caller has one
    try:
        frame = wire.encode(name, session, seq, **fields)
    except ValueError as error:
        assert str(error)
        return False
    assert frame.endswith(b"\0") and 0 not in frame[:-1] and len(frame) <= wire.MAX_BODY + 2
    message = wire.decode(frame[:-1])
    assert (message.name, message.session, message.seq) == (name, session, seq & 0xFFFFFFFF)
    for one in wire.DEFINITION["messages"][name]["fields"]:
        if one["name"] != "reserved":
            assert message.fields[one["name"]] == fields[one["name"]], one["name"]
    frames(b"\0" + frame)
    return True


def vector_seeds() -> list[bytes]:
    """The good vectors, without their frames."""
    return [
        json.dumps({k: v[k] for k in ("message", "session", "seq", "fields")}).encode()
        for v in VECTORS["good"]
    ]


# --- files ------------------------------------------------------------------------------------


def recording(data: bytes) -> bool:
    """`measure --from FILE`: set-up from the header, bytes to a result."""
    FILE.write_bytes(data)
    try:
        opened = Recording(FILE)
        setup = typed.setup_from({}, opened.setup, ask=False)
        analyzer = measure.Analyzer(setup, opened.tick_ps)
        for chunk in opened.chunks():
            analyzer.feed(chunk)
        tables = analyzer.finish()
        result = measure.evaluate(setup, tables)
    except UserError as error:
        return _refused(error)
    plain = result.to_dict()
    _finite({k: plain[k] for k in plain if k not in ("budget",)})
    json.dumps(plain)
    assert (result.timing is None) or result.expanded is not None
    assert result.timing is not None or result.findings, "neither a number nor a reason"
    return True


def recording_seeds() -> list[bytes]:
    """A whole measurement on a small wheel, and short pieces of it."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    turn, now = 600_000, 0
    for k in range(34):
        teeth = k * turn + np.arange(5) * (turn // 6) + 1000
        spark = k * turn + np.array([137_000 + 300 * (k % 3), 180_000])
        made.edges(0, teeth)
        made.edges(1, spark)
        now = (k + 1) * turn
        if k % 4 == 3:
            made.heartbeat(now)
    made.heartbeat(now)
    setup = measure.Setup(Reference(6, 1, 1, 60.0), commanded=10.0, cylinders=1, strokes=2,
                          setting=3.0, step=1.0)  # fmt: skip
    FILE.unlink(missing_ok=True)
    recorder = Recorder(FILE, {"tick_ps": 24_000, "uid": b"12345678"}, setup.to_dict())
    recorder.write(made.data)
    recorder.close()
    whole = FILE.read_bytes()
    line = whole[: whole.index(b"\n") + 1]
    frames_ = [b"\0" + b"".join(made.frames[:n]) for n in (1, 4, 9)]
    return [whole, *(line + f for f in frames_), line + b"\0", line]


def recording_mutate(rng: Random, data: bytes) -> bytes:
    """The header as text, or the bytes as frames."""
    line, newline, rest = data.partition(b"\n")
    if rng.random() < 0.5:
        return mutate.text(rng, line) + newline + rest
    return line + newline + mutate.frames(rng, rest, 3)


def plan(data: bytes) -> bool:
    """A bench plan: what is accepted can be driven."""
    FILE.write_bytes(data)
    try:
        made = bench_plan.Plan.from_dict(bench_plan.load(FILE))
    except UserError as error:
        return _refused(error)
    assert bench_plan.Plan.from_dict(json.loads(json.dumps(made.to_dict()))) == made
    for segment in made.segments[:50]:
        wire.encode("drive", 0, 0, **made.drive(segment))
    return True


def plan_seeds() -> list[bytes]:
    """The plan of the module's own text, and small ones."""
    doc = bench_plan.__doc__ or ""
    lines = [line[4:] for line in doc.splitlines() if line.startswith("    ") or not line]
    return ["\n".join(lines).encode(), b'kind = "capacitive"\nwidth_us = 900\nsteps = [500]\n',
            b"ramps = [[500, 7000, 20]]\nsoak_minutes = 1\nseconds = 1.5\n"]  # fmt: skip


def scenarios(data: bytes) -> bool:
    """A scenario: what is accepted can be simulated."""
    FILE.write_bytes(data)
    try:
        made = scenario.load(FILE)
    except UserError as error:
        return _refused(error)
    if zlib.crc32(data) % 64 == 0:
        World(made, seed=1).advance(100)
    return True


def scenario_seeds() -> list[bytes]:
    """All scenarios that come with the package."""
    folder = Path(scenario.__file__).with_name("scenarios")
    return [path.read_bytes() for path in sorted(folder.glob("*.toml"))]


WHEEL = Reference(12, 1)


def wheels(data: bytes) -> bool:
    """A wheel file."""
    FILE.write_bytes(data)
    try:
        made = wheel.load(FILE, WHEEL)
    except UserError as error:
        return _refused(error)
    _finite(list(made.errors))
    assert math.isfinite(made.u_errors) and made.u_errors >= 0
    assert np.isfinite(made.offsets).all()
    return True


def wheel_seeds() -> list[bytes]:
    """One as `sparkwitness wheel` writes it."""
    learned = wheel.Learned(Reference(12, 1, errors=(0.1, -0.2) + (0.0,) * 9), 0.01, 80, 900.0)
    return [json.dumps(learned.to_dict()).encode()]


def searches(data: bytes) -> bool:
    """A stored fault-finding run: what is accepted gives probabilities."""
    FILE.write_bytes(data)
    try:
        run = findfault.load(FILE)
    except UserError as error:
        return _refused(error)
    assert faultfind.run_from_dict(json.loads(json.dumps(faultfind.run_to_dict(run)))) == run
    chain = run.chain()
    p = faultfind.belief(chain, run.events)
    assert np.isfinite(p).all() and (p >= 0).all() and abs(p.sum() - 1) < 1e-9
    return True


VARIANT = faultfind.variant_of(
    switch="inductive", trigger="pickup", sensor="coil", distribution="distributor", feed="steady"
)


def search_seeds() -> list[bytes]:
    """A run with answers, readings and a repair."""
    run = faultfind.Run(VARIANT, True, odds={}, started="2026-01-01T00:00:00+00:00")
    chain = run.chain()
    plain = [json.dumps(faultfind.run_to_dict(run)).encode()]
    now = "2026-01-01T00:00:01+00:00"
    for k, name in enumerate(list(chain.tests)[:4]):
        run = run.with_event(faultfind.Answer(name, 0 if k else None, how="typed", time=now))
    run = run.with_event(faultfind.Repair(next(iter(chain.index)), False, now))
    return [*plain, json.dumps(faultfind.run_to_dict(run)).encode()]


def logbooks(data: bytes) -> bool:
    """A logbook's file, as the user names it with --logbook."""
    for path in FILE.parent.iterdir():
        path.unlink()
    FILE.write_bytes(data)
    try:
        with Logbook(FILE) as book:
            runs = book.runs()
            for run in runs:
                run.to_dict()
            if runs:
                book.trials(runs[0].id)
            kept = book.keep("check", "x", {"a": 1})
            assert book.run(kept).result == {"a": 1}
            aside = bool(book.set_aside)
    except UserError as error:
        return _refused(error)
    if aside:
        assert [p for p in FILE.parent.glob("input.damaged-*") if p.read_bytes() == data]
    return not aside


def logbook_seeds() -> list[bytes]:
    """One with a few rows, one empty."""
    FILE.unlink(missing_ok=True)
    with Logbook(FILE) as book:
        first = book.keep("check", "a coil", {"quantities": {}}, {"x": 1}, engine="e", module="m")
        book.note(first, "warm")
        book.keep_trial(first, 7.0, 14.0, 0.1)
        book._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return [FILE.read_bytes(), b""]


TARGETS: dict[str, Target] = {
    "frames": Target(frames, mutate.frames, frame_seeds),
    "vectors": Target(vectors, mutate.text, vector_seeds),
    "recording": Target(recording, recording_mutate, recording_seeds),
    "plan": Target(plan, mutate.text, plan_seeds),
    "scenario": Target(scenarios, mutate.text, scenario_seeds),
    "wheel": Target(wheels, mutate.text, wheel_seeds),
    "search": Target(searches, mutate.text, search_seeds),
    "logbook": Target(logbooks, mutate.raw, logbook_seeds, share=0.05),
}
