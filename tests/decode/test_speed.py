"""The compiled kernels and numpy give the same to the last bit; memory has an end. No timing."""

import importlib.util
import os
from contextlib import contextmanager
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sparkwitness.decode import framing, kernels, wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.errors import UserError
from sparkwitness.timing import analyzer as analyzing
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import CrankTracker, Reference
from sparkwitness.timing.placing import AngleReader
from sparkwitness.timing.setup import Setup
from streams import Stream, random_stream
from test_angle import KINDS, NONE, teeth, time_of
from test_edges import VECTORS, damage

pytestmark = pytest.mark.slow  # numba compiles for many seconds
compiled = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="the optional extra `fast` is not installed"
)
CHUNKS = st.sampled_from([1 << 30, 5000, 611, 97])


@compiled
@contextmanager
def using(choice: str):
    before = os.environ.get("SPARKWITNESS_KERNELS")
    os.environ["SPARKWITNESS_KERNELS"] = choice
    try:
        yield
    finally:
        del os.environ["SPARKWITNESS_KERNELS"]
        if before is not None:
            os.environ["SPARKWITNESS_KERNELS"] = before


def both(work):
    """What some work gives with numpy, after showing that numba gives the same."""
    with using("numpy"):
        plain = work()
    with using("numba"):
        compiled = work()
    same(plain, compiled)
    return plain


def same(a, b):
    """Equal in type and to the last bit, NaN and the sign of zero included."""
    assert type(a) is type(b)
    if isinstance(a, np.ndarray):
        assert a.dtype == b.dtype and a.shape == b.shape
        assert a.tobytes() == b.tobytes()
    elif isinstance(a, tuple | list):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            same(one, other)
    elif hasattr(a, "__dataclass_fields__"):
        for name in a.__dataclass_fields__:
            same(getattr(a, name), getattr(b, name))
    else:
        assert a == b or (a != a and b != b)


def decoded(data: bytes, chunk: int):
    decoder, found = EdgeDecoder(), []
    for at in range(0, len(data), chunk):
        for batch in decoder.feed(data[at : at + chunk]):
            messages = [asdict(m) for m in batch.messages]
            found.append((batch.session, batch.ticks, batch.breaks, batch.complete, messages))
    decoder.finish()
    # What was cut into blocks differently is the same once joined.
    ticks = [np.concatenate([NONE, *(f[1][i] for f in found)]) for i in range(4)]
    done, breaks = [0] * 4, []
    for _, parts, cuts, _, _ in found:
        breaks += [(i, int(k) + done[i]) for i in range(4) for k in cuts[i]]
        done = [have + len(p) for have, p in zip(done, parts, strict=True)]
    messages = [m for f in found for m in f[4]]
    return decoder.loss, decoder.hello, ticks, sorted(breaks), [str(m) for m in messages]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32), chunk=CHUNKS, start=st.sampled_from([0, (5 << 32) - 99_000]))
def test_decoding_of_random_streams(seed, chunk, start):
    made, truth = random_stream(np.random.default_rng(seed), 90, start)
    loss, _, ticks, _, _ = both(lambda: decoded(made.data, chunk))
    assert not loss.any()
    same(ticks, truth)


@compiled
@settings(max_examples=120, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    kinds=st.lists(st.sampled_from(["drop", "flip", "repeat", "insert"]), min_size=1, max_size=9),
    chunk=CHUNKS,
)
def test_decoding_of_damaged_streams(seed, kinds, chunk):
    rng = np.random.default_rng(seed)
    data = damage(rng, random_stream(rng, 60)[0].data, kinds)
    both(lambda: decoded(data, chunk))


@compiled
@settings(max_examples=120, deadline=None)
@given(noise=st.lists(st.binary(max_size=300), max_size=6), seed=st.integers(0, 99), chunk=CHUNKS)
def test_decoding_of_noise_among_good_frames(noise, seed, chunk):
    rng = np.random.default_rng(seed)
    frames = random_stream(rng, 20)[0].frames
    for piece in noise:
        frames.insert(int(rng.integers(3, len(frames))), piece)
    both(lambda: decoded(b"\0" + b"".join(frames), chunk))


EDGE = [0, 1, 2**31 - 1, 2**31, 2**32 - 1]


@compiled
@settings(max_examples=120, deadline=None)
@given(st.data())
def test_decoding_of_good_frames_with_bad_values(data):
    """CRC and COBS are right, but numbers lie: of frames, edges, inputs, times and counts."""
    made = Stream(seq=data.draw(st.sampled_from([0, 5, 2**32 - 3])))
    made.heartbeat(data.draw(st.sampled_from([0, 2**32 - 5, 2**62 - 1])))
    for _ in range(data.draw(st.integers(1, 8))):
        kind = data.draw(st.sampled_from(["good", "seq", "session", "first", "raw", "beat"]))
        if kind == "seq":
            made.seq = data.draw(st.sampled_from(EDGE))
        elif kind == "session":
            made.session = data.draw(st.integers(6, 8))
        elif kind == "first":
            made.first[1] = data.draw(st.sampled_from(EDGE))
        elif kind == "beat":
            made.heartbeat(data.draw(st.sampled_from([0, 2**31, 2**32, 2**62 - 1])))
        elif kind == "raw":
            number = data.draw(st.sampled_from([2, 3, 4, 9]))
            head = bytes([number, 0]) + made.session.to_bytes(2, "little")
            payload = data.draw(st.one_of(st.binary(max_size=90), st.just(b"\xff" * 72)))
            made.frames.append(framing.seal(head + made.seq.to_bytes(4, "little") + payload))
            made.seq = (made.seq + 1) & 0xFFFFFFFF
        made.seq &= 0xFFFFFFFF
        made.edges(1, np.asarray(data.draw(st.lists(st.sampled_from(EDGE), max_size=4)), np.int64))
        made.seq &= 0xFFFFFFFF
    chunk = data.draw(CHUNKS)
    both(lambda: decoded(made.data, chunk))


@compiled
def test_compiled_path_is_taken():
    """Else all the comparisons above would compare numpy with itself."""
    made, _ = random_stream(np.random.default_rng(1), 300)
    with using("numba"):
        decoder = EdgeDecoder()
        decoder.feed(made.data[:5000])
        taken = []
        orderly = decoder._orderly
        decoder._orderly = lambda *a: taken.append(orderly(*a)) or taken[-1]
        decoder.feed(made.data[5000:])
    assert taken and all(taken)


@compiled
@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    rpm=st.floats(150, 9000),
    swing=st.floats(0, 0.3),
    holes=st.integers(0, 12),
    learned=st.booleans(),
    chunk=st.sampled_from([1 << 30, 400, 33]),
)
def test_angles(kind, seed, rpm, swing, holes, learned, chunk):
    rng = np.random.default_rng(seed)
    reference = Reference.parse(kind, 0, 0)
    if learned:
        errors = tuple(rng.normal(0, 0.02 * reference.step, reference.edges).tolist())
        reference = Reference(reference.teeth, reference.missing, reference.turns, errors=errors)
    crank = time_of(teeth(reference, 30), rpm, swing)
    crank = np.delete(crank, rng.integers(0, len(crank), holes))
    crank = np.unique(np.append(crank, rng.integers(crank[0], crank[-1], holes)))
    breaks = np.unique(rng.integers(1, len(crank), holes // 3))
    marks = np.unique(rng.integers(0, crank[-1] + 1000, 200))

    def work():
        tracker, reader, found, done = CrankTracker(reference), AngleReader(reference), [], 0
        for at in range(0, len(crank), chunk):
            end = min(at + chunk, len(crank))
            last = end == len(crank)
            mine = breaks[(breaks >= at) & (breaks < end)] - at
            track, periods = tracker.feed(crank[at:end], mine, last)
            until = len(marks) if last else int(np.searchsorted(marks, crank[end - 1]))
            placed = reader.feed(track, marks[done:until], int(crank[end - 1]), last)
            found.append((track.cut(0), periods, placed))
            done = until
        return found, tracker.edges_seen, tracker.edges_rejected

    both(work)


def engine_stream(seconds: float = 4.0):
    """A 60-2 wheel with bursts of three on clamp A, in short blocks."""
    reference = Reference(60, 2, angle=60.0)
    turns = int(seconds * 50)
    crank = time_of(teeth(reference, turns), 3000, 0.02)
    sparks = time_of(np.arange(0, turns // 2)[:, None] * 720.0 + 31 + 5.0 * np.arange(3), 3000)
    made = Stream()
    made.hello()
    made.heartbeat(0)
    step = round(0.1 / 24e-9)
    for beat in range(step, int(crank[-1]) + step, step):
        for which, ticks in ((0, crank), (1, sparks.ravel())):
            made.edges(which, ticks[(ticks >= beat - step) & (ticks < beat)])
        made.heartbeat(beat)
    return Setup(reference, 29.0, dead_time_us=150.0), made.data


@compiled
@pytest.mark.parametrize("chunk", [1 << 20, 4001])
def test_whole_measurement(chunk):
    setup, data = engine_stream()

    def work():
        analyzer = Analyzer(setup)
        for at in range(0, len(data), chunk):
            analyzer.feed(data[at : at + chunk])
        tables = analyzer.finish()
        result = measure.evaluate(setup, tables)
        assert result.sparks == {3: result.events} and result.events > 90
        return tables.sparks, tables.periods, tables.lost_before, str(result.to_dict())

    both(work)


@pytest.mark.parametrize("chunk", [1 << 20, 20_000, 997])
@pytest.mark.parametrize(("sparks", "periods"), [(40, 10**6), (10**6, 30), (35, 20)])
def test_newest_are_kept_whatever_the_chunks(monkeypatch, chunk, sparks, periods):
    """The tables are the end of those without a bound, and what was dropped is counted."""
    setup, data = engine_stream()
    whole = Analyzer(setup)
    whole.feed(data)
    everything = whole.finish()
    monkeypatch.setattr(analyzing, "MOST_SPARKS", sparks)
    monkeypatch.setattr(analyzing, "MOST_PERIODS", periods)
    analyzer = Analyzer(setup)
    for at in range(0, len(data), chunk):
        analyzer.feed(data[at : at + chunk])
        assert analyzer._sparks.n <= sparks * 9 // 8 and analyzer._periods.n <= periods * 9 // 8
    tables = analyzer.finish()
    kept = len(tables.sparks.tick)
    assert tables.dropped == len(everything.sparks.tick) - kept > 0
    assert kept <= sparks and len(tables.periods.start) <= periods
    for name in vars(tables.sparks):
        same(getattr(tables.sparks, name), getattr(everything.sparks, name)[-kept:].copy())
    for name in vars(tables.periods):
        last = len(everything.periods.start) - len(tables.periods.start)
        same(getattr(tables.periods, name), getattr(everything.periods, name)[last:].copy())
    # Every spark left has its period, and none left could be taken for the first of its event.
    assert tables.periods.number[0] * setup.reference.period <= np.nanmin(tables.sparks.degrees)
    assert tables.lost_before[0]
    result = measure.evaluate(setup, tables)
    assert all(count == 3 for count in result.sparks)


@pytest.mark.parametrize("newest", [1, 2, 50, 10**6])
def test_a_look_at_the_newest_takes_no_event_apart(newest):
    setup, data = engine_stream()
    analyzer = Analyzer(setup)
    analyzer.feed(data)
    everything, look = analyzer.tables(), analyzer.tables(newest)
    kept = min(newest, len(everything.sparks.tick))
    for name in vars(look.sparks):
        same(getattr(look.sparks, name), getattr(everything.sparks, name)[-kept:])
    assert look.lost_before[0] == (kept == newest) and not everything.lost_before.any()
    assert look.periods.start[0] <= look.sparks.tick[0] or kept < newest
    assert look.dropped == 0
    if newest > 2:
        result = measure.evaluate(setup, look, any_speed=True)
        assert kept / 3 - 2 < result.events <= kept / 3
        assert all(count == 3 for count in result.sparks)


def test_dropped_sparks_are_told(monkeypatch):
    setup, data = engine_stream(10.0)
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 400)
    analyzer = Analyzer(setup)
    analyzer.feed(data)
    result = measure.evaluate(setup, analyzer.finish())
    assert result.timing is not None
    text = {f.code: f.text for f in result.findings}["long"]
    assert text.startswith("the oldest ") and "only the newest are kept" in text


@pytest.mark.parametrize("vector", VECTORS["good"], ids=lambda v: v["name"])
def test_fast_messages_agree_with_construct(vector):
    frame = bytes.fromhex(vector["frame"]).strip(b"\0")
    body, at = framing.unseal(frame), wire.HEADER.sizeof()
    message = wire.decode(frame)
    assert message.fields == wire._parse(vector["message"], body[at:])


@settings(max_examples=200, deadline=None)
@given(name=st.sampled_from(sorted(wire.LAYOUT)), values=st.data())
def test_fixed_messages_agree_with_construct_on_any_bytes(name, values):
    size = wire.LAYOUT[name].itemsize
    payload = values.draw(st.binary(min_size=size - 1, max_size=size + 1))
    body = bytes([wire.NUMBER[name], 0, 1, 0, 2, 0, 0, 0]) + payload
    try:
        expected = wire._parse(name, payload)
        wire._check_ranges(name, expected)
    except (framing.FrameError, ValueError):
        with pytest.raises(framing.FrameError):
            wire.decode_body(body)
        return
    assert wire.decode_body(body).fields == expected
    record = np.frombuffer(payload, wire.LAYOUT[name])[0]
    assert {k: record[k].tolist() for k in expected} == expected


def test_choice_of_kernels_is_said_clearly(monkeypatch):
    with using("fortran"), pytest.raises(UserError, match="must be numpy or numba, not fortran"):
        kernels.chosen()
    monkeypatch.setattr(kernels.compiled, "load", lambda: None)
    with using("numba"), pytest.raises(UserError, match="pip install 'sparkwitness\\[fast\\]'"):
        kernels.chosen()


def test_compiled_kernels_are_for_long_files(monkeypatch):
    """From 24 MiB on, in pieces of 128 KiB at least, which no board sends at once."""
    monkeypatch.setenv(kernels.VARIABLE, "")
    monkeypatch.setattr(kernels.compiled, "loaded", [])
    monkeypatch.setattr(kernels.compiled, "load", lambda: "compiled")
    long, piece = 24 * 1024 * 1024, 128 * 1024
    assert kernels.chosen(long, piece) == "compiled"
    for total, once in ((long - 1, piece), (long, piece - 1), (0, 0)):
        assert kernels.chosen(total, once) is kernels.plain
    assert kernels.chosen() is kernels.plain
    monkeypatch.setattr(kernels.compiled, "load", lambda: None)
    assert kernels.chosen(long, piece) is kernels.plain  # not installed, and not asked for
    monkeypatch.setattr(kernels.compiled, "loaded", ["before"])
    assert kernels.chosen() == "before"
    monkeypatch.setenv(kernels.VARIABLE, "numpy")
    assert kernels.chosen(long, piece) is kernels.plain
    monkeypatch.setenv(kernels.VARIABLE, "numba")
    monkeypatch.setattr(kernels.compiled, "load", lambda: "compiled")
    assert kernels.chosen() == "compiled"


def test_small_pieces_never_load_the_kernels(monkeypatch):
    """A board that streams must not wait for a compiler."""
    monkeypatch.setattr(kernels.compiled, "loaded", [])
    monkeypatch.delenv("SPARKWITNESS_KERNELS", raising=False)
    monkeypatch.setattr(kernels.compiled, "load", lambda: "compiled")
    assert kernels.chosen(1 << 40, 40_000) is kernels.plain
    assert kernels.chosen(1 << 20, 1 << 20) is kernels.plain
    assert kernels.chosen(1 << 40, 1 << 20) == "compiled"
