"""One function per reader of foreign input: takes bytes, raises where a promise is broken.

Each returns True if the input was accepted, False if it was refused in the documented way. What
is promised: no exception but UserError (or FrameError, ValueError where said), nothing but finite
numbers, and two ways to read the same bytes agree. Hangs and memory are watched by the drivers.
"""

import json
import math
import os
import re
import sqlite3
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
from cobs import cobs

from sparkwitness import shipped
from sparkwitness.bench import plan as bench_plan
from sparkwitness.cli import typed
from sparkwitness.decode import framing, wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.errors import UserError
from sparkwitness.fault import model as faultfind
from sparkwitness.fault import store
from sparkwitness.records.logbook import Logbook
from sparkwitness.simulator import scenario
from sparkwitness.simulator.world import World
from sparkwitness.timing import measure, wheel
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup
from streams import Stream

from . import mutate, reference, rims

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
    longest: int  # bytes of an input: some more than the longest of the good ones
    # How often to damage a good input afresh: of what libFuzzer keeps for its novelty, most is
    # refused early, and more damage gets no further.
    afresh: float = 0.0
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


ONE_IN = 1  # of so many frames one is read in the slow ways too; `make fuzz` takes 8


def frames(data: bytes) -> bool:
    """The decoder of a stream (edges.py) and of one frame (framing.py, wire.py).

    Promised: whatever the bytes and however they are cut into pieces, the numpy path finds the
    same edges, breaks, messages and counts of damage as reference.py, which takes frame by frame
    with the C package `cobs` and `struct`; what is not a good frame is counted; no more than 1000
    bytes wait for their end. In the test suite each input is decoded whole and in pieces, and each
    of its frames is also read by construct and by the path for single frames, with the same result
    or the same refusal. Of the million of `make fuzz`, half (by their CRC) are decoded whole and
    half in pieces, and one frame in eight is read in those other ways too.
    """
    expected = reference.Decoder(data, ONE_IN)
    made = [(s.number, s.ticks, s.breaks, s.messages) for s in expected.sessions]
    rng = Random(zlib.crc32(data))
    both = (lambda: 1 << 30, _pieces(rng, len(data)))
    for chunks in both if ONE_IN == 1 else (rng.choice(both),):
        decoder, sessions = decoded(data, chunks)
        assert decoder.loss == expected.loss
        assert sessions == made
    for piece in set(data.split(b"\0")):
        if reference.chosen(piece, ONE_IN):
            _one_frame(piece)
    return expected.loss.frames_good > 0


def _pieces(rng: Random, size: int) -> Callable[[], int]:
    """How a stream is cut: once, or into small pieces, down to single bytes."""
    if rng.random() < 0.1:
        most = rng.choice((1, 60, 300, 300))
        return lambda: rng.randint(1, most)
    cuts = iter((rng.randint(1, size or 1),))
    return lambda: next(cuts, 1 << 30)


def _one_frame(piece: bytes) -> None:
    """The single-frame path against the C package and construct."""
    try:
        theirs = cobs.decode(piece) if piece else None
    except cobs.DecodeError:
        theirs = None
    try:
        ours = framing.cobs_decode(piece)
    except framing.FrameError:
        ours = None
    assert ours == theirs
    sound = (
        ours is not None
        and len(ours) >= reference.HEAD.size + 4
        and zlib.crc32(ours[:-4]) == int.from_bytes(ours[-4:], "little")
    )
    fields: dict[str, Any] | None = None
    if sound:
        kind, _, session, seq = reference.HEAD.unpack_from(ours)
        name = wire.NAME.get(kind)
        try:
            fields = reference.fields_of(name, ours[8:-4]) if name else {}
        except reference.Damaged:
            sound = False
    try:
        message = wire.decode(piece)
    except framing.FrameError:
        assert not sound, piece.hex()
        return
    assert sound, piece.hex()
    assert (message.name, message.session, message.seq) == (name, session, seq)
    assert message.fields == fields


# A heartbeat without zero bytes: COBS with many is slow to undo, and one good input has them.
_MANY = 0x01010101
BEAT = {"lost": [_MANY] * 4, "stalls": [_MANY] * 4, "driven": _MANY, "worst_us": _MANY,
        "busy_permille": 257, "unsent": 257, "outputs": 7}  # fmt: skip


def dense_stream(start: int, seq: int = 0) -> Stream:
    """A short stream with few zero bytes."""
    made = Stream(session=1 + seq % 0xFFFF, seq=seq, first=[seq] * 4)
    made.heartbeat(start, **BEAT)
    made.edges(0, start + 0x0101 * np.arange(1, 9))
    made.edges(1, start + np.array([0x0211]))
    made.edges(0, start + 0x0101 * np.arange(9, 12))
    made.heartbeat(start + 0x0F0F, **BEAT)
    made.edges(1, start + np.array([0x1011, 0x1012]))
    return made


def frame_seeds() -> list[bytes]:
    """Streams as a board sends them, and every vector."""
    far = dense_stream(0x1234567812345678, 0x01020304)
    made = [dense_stream(0x01010101).data, far.data]
    made.append(dense_stream((1 << 32) - 0x0808, 0xFFFFFFFE).data + b"".join(far.frames[:2]))
    for kind in ("good", "bad", "unknown", "other_version"):
        made += [b"\0" + bytes.fromhex(v["frame"]) for v in VECTORS[kind]]
    small = Stream()
    small.hello()
    small.heartbeat(0)
    small.edges(0, np.arange(10, 590, 10))
    small.add("log", level=1, text="µ")
    small.add("ack", command=16, result=0, command_seq=0, text="")
    small.heartbeat(700)
    return [*made, small.data]


# --- messages: protocol/vectors.json ----------------------------------------------------------


def vectors(data: bytes) -> bool:
    """Fields of a message, as in protocol/vectors.json, to a frame and back (wire.py, framing.py).

    Promised: what cannot be sent is refused with a reason (ValueError); what is sent is one frame
    that fits, its delimiter at the end and nowhere else, and every way to read it gives the fields
    again.
    """
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
    if name == "hello" and fields.get("protocol") == 1:
        return False  # its hello was shorter; only read, never made
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
            sent = fields.get(one["name"], one.get("default"))
            assert message.fields[one["name"]] == sent, one["name"]
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
    """A recording's file as `measure --from` takes it: header, set-up, bytes, result (recording.py,
    typed.py, measure.py and what they call).

    Promised: a sentence, or a result in which every number is finite (those in sentences too), a
    timing has its uncertainty, and where there is no timing a finding says why; it can be written
    as JSON. One in sixteen (by its CRC) is read once more in small pieces: not a bit may change.
    """
    FILE.write_bytes(data)
    try:
        result = _measured()
    except UserError as error:
        return _refused(error)
    plain = result.to_dict()
    json.dumps(plain, allow_nan=False)
    assert (result.timing is None) or result.expanded is not None
    assert result.timing is not None or result.findings, "neither a number nor a reason"
    for finding in result.findings:
        assert not NO_NUMBER.search(finding.text), finding.text
    if zlib.crc32(data) % 16 == 0:
        cut = _measured(300 + zlib.crc32(data) % 1201)
        assert cut.to_dict() == plain, "cutting it into pieces changes the result"
    return True


NO_NUMBER = re.compile(r"\b(nan|inf)\b")


def _measured(size: int = 1 << 20) -> measure.Measurement:
    opened = Recording(FILE)
    setup = typed.setup_from({}, opened.setup, ask=False)
    analyzer = Analyzer(setup, opened.tick_ps)
    for chunk in opened.chunks(size):
        analyzer.feed(chunk)
    return measure.evaluate(setup, analyzer.finish())


def recording_seeds() -> list[bytes]:
    """A whole measurement on a small wheel, and short pieces of it."""
    made = Stream()
    made.hello()
    turn, start = 600_000, 0x11111111
    made.heartbeat(start, **BEAT)
    for k in range(0, 42, 7):
        turns = start + (k + np.arange(7)[:, None]) * turn
        speed = 300 * (np.arange(7)[:, None] % 3)
        made.edges(0, (turns + np.arange(5) * (turn // 6) + 1000).ravel())
        made.edges(1, (turns + speed + np.array([137_000, 180_000])).ravel())
        made.heartbeat(start + (k + 7) * turn, **BEAT)
    frames_ = [b"\0" + b"".join(made.frames[:n]) for n in (1, 4, 9)]
    line, *others = headers()
    return [line + made.data, *(line + f for f in frames_), line + b"\0", line,
            *(other + made.data for other in others)]  # fmt: skip


@cache
def headers() -> list[bytes]:
    """First lines that fit the stream of the good recording more or less."""
    lines = []
    for setup in (
        Setup(Reference(6, 1, 1, 60.0), commanded=10.0, cylinders=1, strokes=2,
                      setting=3.0, step=1.0),
        Setup(Reference(6, 1, 2, 60.0, errors=(0.5, -0.5, 0.0, 0.1, 0.2)), clamp="coil",
                      clamp_kind="clamp_capacitive", retards=True, setting=0.0, least=-5.0,
                      most=5.0),
        Setup(Reference(1, angle=-30.0), commanded=-20.0, swing=0.05, delay_us=40.0),
        Setup(Reference(5), clamp="wasted", dead_time_us=500.0),
    ):  # fmt: skip
        FILE.unlink(missing_ok=True)
        Recorder(FILE, {"tick_ps": 24_000, "uid": b"12345678"}, setup.to_dict()).close()
        lines.append(FILE.read_bytes())
    return lines


def recording_mutate(rng: Random, data: bytes) -> bytes:
    """The header as text, or the bytes as frames, then mostly behind a header that is good."""
    line, newline, rest = data.partition(b"\n")
    if rng.random() < 0.6:
        return mutate.text(rng, line) + newline + rest
    good = rng.choice(headers()) if rng.random() < 0.5 else line + newline
    return good + mutate.frames(rng, rest, 3)


def plan(data: bytes) -> bool:
    """A bench plan in TOML (bench_plan.py).

    Promised: a sentence, or a plan that survives being kept as JSON and whose segments are all
    drive commands that the wire format allows.
    """
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
    """A scenario in TOML (simulator/scenario.py).

    Promised: a sentence, or a world that can be simulated; one in 64 (by its CRC) is.
    """
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
    """A wheel's tooth errors in JSON (wheel.py).

    Promised: a sentence, or finite errors that fit the wheel and their uncertainty.
    """
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
    """A stored search for the lost spark in JSON (fault/store.py, fault/model.py).

    Promised: a sentence, or a run that survives being kept again and whose answers give
    probabilities: none negative, their sum 1.
    """
    FILE.write_bytes(data)
    try:
        run = store.load(FILE)
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
    """A logbook's file, as the user names it with --logbook (logbook.py).

    Promised: a sentence, or a logbook that can be read and written; a damaged one is set aside
    with every byte it had, never changed or deleted.
    """
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
    """One with a few rows, one empty; in small pages, so that most bytes mean something."""
    FILE.unlink(missing_ok=True)
    with Logbook(FILE) as book:
        first = book.keep("check", "a coil", {"quantities": {}}, {"x": 1}, engine="e", module="m")
        book.note(first, "warm")
        book.keep_trial(first, 3.0, -4.0, 0.1)
    db = sqlite3.connect(FILE)
    for line in ("journal_mode = DELETE", "page_size = 512", "journal_mode = DELETE"):
        db.execute(f"PRAGMA {line}")
    db.execute("VACUUM")
    db.execute("PRAGMA journal_mode = WAL")
    db.close()
    whole = FILE.read_bytes()
    return [whole, whole, whole, b""]


def logbook_mutate(rng: Random, data: bytes) -> bytes:
    """Bytes overwritten, a page blank or in another's place, the end cut off; or moved by a few."""
    page, made = 512, bytearray(data)
    if len(data) < 2 * page or rng.random() < 0.2:
        return mutate.raw(rng, data)
    a, b = (rng.randrange(len(data) // page) * page for _ in range(2))
    act = rng.randrange(8)
    if act == 0:
        made[a : a + page] = made[b : b + page]
    elif act == 1:
        made[a : a + page] = bytes(page)
    elif act == 2:
        del made[rng.choice((a, rng.randrange(len(made)))) :]
    else:
        for _ in range(rng.randint(1, 3)):
            made[rng.randrange(len(made))] = rng.choice((0, 1, 255, rng.randrange(256)))
    return bytes(made)


# A logbook takes SQLite some 3 ms to check, keep or set aside, and the bytes are read by SQLite,
# not by code of ours: what is tried is what is done about it, in a fifth of the inputs.
TARGETS: dict[str, Target] = {
    "frames": Target(frames, mutate.frames, frame_seeds, 600),
    "recording": Target(recording, recording_mutate, recording_seeds, 3000),
    "vectors": Target(vectors, mutate.text, vector_seeds, 2000, 0.5),
    "plan": Target(plan, mutate.text, plan_seeds, 2500, 0.5),
    "scenario": Target(scenarios, mutate.text, scenario_seeds, 3000, 0.5),
    "wheel": Target(wheels, mutate.text, wheel_seeds, 1500, 0.5),
    "search": Target(searches, mutate.text, search_seeds, 3000, 0.5),
    "logbook": Target(logbooks, logbook_mutate, logbook_seeds, 20_000, 0.5, share=0.2),
    "names": Target(rims.names, rims.name_mutate, rims.name_seeds, 2000),
    "engines": Target(rims.saved_engines, mutate.text, rims.engine_seeds, 2500, 0.5),
    # Files, a web application and a terminal take milliseconds each.
    "others": Target(rims.others, rims.other_mutate, rims.other_seeds, 3000, 0.5, share=0.1),
    "requests": Target(rims.requests, mutate.text, rims.request_seeds, 1500, 0.5, share=0.05),
    "prompts": Target(rims.prompts, mutate.text, rims.prompt_seeds, 300, 0.5, share=0.02),
}
