"""The streaming decoder: exact, indifferent to chunks, honest about damage."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sparkwitness import shipped
from sparkwitness.decode import framing, wire
from sparkwitness.decode.edges import EdgeDecoder
from streams import TICK_PS, Stream, random_stream

VECTORS = json.loads((shipped.folder("protocol") / "vectors.json").read_text())
NONE = np.empty(0, np.int64)


def decode(data: bytes, chunk: int = 1 << 30):
    decoder = EdgeDecoder()
    ticks = [[NONE] for _ in range(4)]
    breaks = [[] for _ in range(4)]
    for at in range(0, len(data), chunk):
        for batch in decoder.feed(data[at : at + chunk]):
            for i in range(4):
                have = sum(map(len, ticks[i]))
                breaks[i] += (batch.breaks[i] + have).tolist()
                ticks[i].append(batch.ticks[i])
    decoder.finish()
    return decoder, [np.concatenate(t) for t in ticks], breaks


@pytest.mark.parametrize("chunk", [1 << 30, 1000, 61, 1])
def test_every_edge_comes_out_whatever_the_chunks(chunk):
    # The start lies such that 32 bits wrap twice within the stream.
    made, truth = random_stream(np.random.default_rng(1), 300, start=(5 << 32) - 300_000)
    decoder, ticks, breaks = decode(made.data, chunk)
    for got, expected in zip(ticks, truth, strict=True):
        np.testing.assert_array_equal(got, expected)
    assert breaks == [[], [], [], []]
    assert not decoder.loss.any()
    assert decoder.loss.bytes_total == len(made.data)
    assert decoder.hello["tick_ps"] == TICK_PS


def test_silence_of_any_length_is_unwrapped_by_the_heartbeat():
    made = Stream()
    made.hello()
    made.heartbeat(0)
    late = 3 * (1 << 32) + 12345  # five minutes: the 32-bit counts have wrapped three times
    made.edges(0, np.array([1000]))
    made.heartbeat(late)
    made.edges(0, np.array([late + 7]))
    _, ticks, _ = decode(made.data)
    assert ticks[0].tolist() == [1000, late + 7]


def test_agrees_with_construct_on_every_vector():
    for vector in VECTORS["good"]:
        decoder, ticks, _ = decode(bytes.fromhex(vector["frame"]))
        loss = decoder.loss
        from_host = vector["message"] in wire.FROM_HOST
        assert loss.frames_damaged == 0
        assert loss.frames_unknown == int(from_host)
        if vector["message"] == "edges":
            # Without a heartbeat before it a block has no wide time: counted, not guessed.
            assert loss.edges_unplaced == vector["fields"]["n"] and not len(np.concatenate(ticks))
    for vector in VECTORS["bad"]:
        frame = bytes.fromhex(vector["frame"])
        decoder, ticks, _ = decode(frame)
        assert decoder.loss.frames_damaged >= 1, vector["name"]
        assert decoder.loss.frames_good <= frame.count(0) - 1
    for vector in VECTORS["unknown"]:
        decoder, _, _ = decode(bytes.fromhex(vector["frame"]))
        assert (decoder.loss.frames_unknown, decoder.loss.frames_damaged) == (1, 0)


def reference_decode(data: bytes):
    """The construct path, one frame at a time: good frames and damaged ones."""
    good, damaged = [], 0
    for frame in data.split(b"\0")[:-1]:
        if not frame:
            continue
        try:
            good.append(wire.decode(frame) if len(frame) <= wire.MAX_BODY + 1 else None)
        except framing.FrameError:
            damaged += 1
        else:
            if good[-1] is None:
                good.pop()
                damaged += 1
    return good, damaged


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=900), st.integers(1, 400))
def test_agrees_with_construct_on_random_bytes(noise, chunk):
    decoder = EdgeDecoder()
    data = noise + b"\0"
    for at in range(0, len(data), chunk):
        decoder.feed(data[at : at + chunk])
    good, damaged = reference_decode(data)
    assert decoder.loss.frames_damaged == damaged
    assert decoder.loss.frames_good == len(good)


def damage(rng: np.random.Generator, data: bytes, kinds: list[str]) -> bytes:
    for kind in kinds:
        at = int(rng.integers(0, len(data) - 40))
        length = int(rng.integers(1, 40))
        if kind == "drop":
            data = data[:at] + data[at + length :]
        elif kind == "flip":
            flipped = bytearray(data)
            flipped[at] ^= 1 << int(rng.integers(0, 8))
            data = bytes(flipped)
        elif kind == "repeat":
            data = data[: at + length] + data[at:]
        else:
            data = data[:at] + rng.bytes(length) + data[at:]
    return data


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(
    st.integers(0, 2**32),
    st.lists(st.sampled_from(["drop", "flip", "repeat", "insert"]), min_size=1, max_size=8),
    st.sampled_from([1 << 30, 500, 37]),
)
def test_damage_never_makes_an_edge_up_and_is_counted(seed, kinds, chunk):
    rng = np.random.default_rng(seed)
    made, truth = random_stream(rng, 40)
    data = damage(rng, made.data, kinds)
    decoder, ticks, breaks = decode(data, chunk)
    loss = decoder.loss
    for i in range(4):
        assert np.isin(ticks[i], truth[i]).all()
        lost = len(truth[i]) - len(ticks[i])
        # Every edge that is missing is counted: as lost, or as never placed in time; unless the
        # last heartbeat itself was lost, then missing frames speak for it.
        if lost and data[-60:] == made.data[-60:]:
            assert loss.edges_lost[i] + loss.edges_unplaced + loss.frames_damaged > 0
        # Wherever edges of the truth are skipped between two that came, there is a break.
        where = np.searchsorted(truth[i], ticks[i])
        skipped = np.flatnonzero(np.diff(where) > 1) + 1
        assert set(skipped.tolist()) <= set(breaks[i])
    if data != made.data:
        assert loss.any() or all(map(np.array_equal, ticks, truth))


def test_right_again_at_the_next_frame():
    made, truth = random_stream(np.random.default_rng(3), 40)
    frames = made.frames
    data = b"".join(frames[:10]) + frames[10][:7] + b"garbage" + b"".join(frames[11:])
    decoder, ticks, _ = decode(data)
    # The cut frame swallowed the next one, which lost its leading delimiter; all else is there.
    assert decoder.loss.frames_damaged == 1
    assert decoder.loss.frames_missing == 2
    lost = sum(map(len, truth)) - sum(map(len, ticks))
    assert lost == sum(decoder.loss.edges_lost) > 0


def test_lost_tail_is_counted_from_the_heartbeat():
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.arange(100, 5800, 100))
    made.heartbeat(10_000)
    del made.frames[2]
    decoder, ticks, _ = decode(made.data)
    assert decoder.loss.edges_lost[0] == 57 and not len(ticks[0])


def test_board_overrun_is_shown():
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(1, np.arange(1, 101))
    made.first[1] += 50
    made.edges(1, np.arange(1001, 1101))
    made.heartbeat(2000, lost=[0, 50, 0, 0], stalls=[0, 1, 0, 0], unsent=3)
    decoder, _, breaks = decode(made.data)
    assert decoder.loss.edges_lost == [0, 50, 0, 0] == decoder.loss.board_lost
    assert decoder.loss.board_stalls[1] == 1 and decoder.loss.board_unsent == 3
    assert breaks[1] == [100]


def test_new_session_has_its_own_time():
    a, _ = random_stream(np.random.default_rng(4), 10)
    b = Stream(session=9)
    b.hello()
    b.heartbeat(0)
    b.edges(2, np.array([5, 6]))
    decoder = EdgeDecoder()
    batches = decoder.feed(a.data + b.data)
    assert [x.session for x in batches] == [7, 9]
    assert batches[1].ticks[2].tolist() == [5, 6]
    assert decoder.loss.sessions == 2 and decoder.loss.any()


def test_joining_in_the_middle_is_no_loss():
    made, truth = random_stream(np.random.default_rng(5), 60)
    decoder, ticks, _ = decode(b"".join(made.frames[20:]))
    loss = decoder.loss
    assert loss.frames_before == 20 and loss.frames_missing == 0
    for i in range(4):
        assert np.array_equal(ticks[i], truth[i][len(truth[i]) - len(ticks[i]) :])


def test_losses_of_every_kind_are_plain_numbers():
    """JSON knows no numbers of numpy's: damage, gaps, repeats, two sessions, a lost tail."""
    made, _ = random_stream(np.random.default_rng(6), 40)
    frames = made.frames
    other = Stream(session=9)
    other.hello()
    other.heartbeat(0)
    other.first[1] = 5
    other.edges(1, np.array([5, 6]))
    other.heartbeat(100, lost=[0, 5, 0, 0], stalls=[1, 0, 0, 0], unsent=2)
    data = b"".join((*frames[:9], frames[8], b"x" * 300 + b"\0", b"short\0", *frames[12:]))
    decoder, _, _ = decode(data + other.data + b"cut")
    told = decoder.loss.to_dict()
    assert json.loads(json.dumps(told)) == told
    assert min(told["frames_damaged"], told["frames_missing"], told["frames_repeated"]) > 0
    assert told["bytes_damaged"] == 300 + 5 + 3 and told["frames_damaged"] == 3
    assert told["edges_lost"][1] >= 5 and told["sessions"] == 2 and told["board_unsent"] == 2
    assert told["frames_repeated"] == 1 and told["frames_missing"] == 3


def test_memory_is_bounded_without_delimiters():
    decoder = EdgeDecoder()
    for _ in range(50):
        decoder.feed(b"\x55" * 10_000)
    assert decoder.loss.frames_damaged == 1
    assert decoder.loss.bytes_damaged >= 490_000
    assert len(decoder._rest) <= 300
