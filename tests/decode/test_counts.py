"""Counts, levels and losses of a stream, edge by edge: by hand.

Longer than other files: one small stream after the other, none of which has a part in common.
"""

import json
import zlib
from dataclasses import fields
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from sparkwitness.decode import edges, flanks, framing, kernels, wire
from sparkwitness.decode.edges import EdgeDecoder, Loss
from sparkwitness.decode.kernels import plain
from streams import HELLO, Stream, loops, random_stream

NONE = np.empty(0, np.int64)


def test_what_counts_as_a_loss():
    """Each count by itself; those that are no loss, and one session, are none."""
    harmless = {"bytes_total", "frames_good", "bytes_damaged", "frames_before", "edges_unplaced",
                "board_lost"}  # fmt: skip
    assert not Loss().any()
    for field in fields(Loss):
        for k in range(4) if isinstance(getattr(Loss(), field.name), list) else [None]:
            made = Loss()
            if k is None:
                setattr(made, field.name, 1)
            else:
                getattr(made, field.name)[k] = 1
            assert made.any() == (field.name not in harmless | {"sessions"}), field.name
    assert not Loss(sessions=1).any() and Loss(sessions=2).any()


def test_counters_that_wrap_or_are_begun_anew():
    beat = np.zeros(3, wire.LAYOUT["heartbeat"])
    beat["driven"] = 2**32 - 3, 2**32 - 1, 7
    beat["unsent"] = 65_530, 2, 9
    beat["stalls"] = [[1, 0, 0, 9], [2, 0, 5, 0], [4, 0, 5, 1]]
    assert wire.gone_on(beat["driven"]) == 10 and wire.gone_on(beat["unsent"]) == 2 + 7
    assert wire.gone_on(beat["stalls"]).tolist() == [3, 0, 5, 1]
    assert (
        wire.gone_on([5, (1 << 31) + 7]) == 0 and wire.gone_on([5, (1 << 31) + 4]) == (1 << 31) - 1
    )
    # At the very border: half the way round is no way on, and what began there tells nothing.
    assert wire.gone_on([(1 << 31) + 5, 5]) == 5 and wire.gone_on([(1 << 31) + 9, 1 << 31]) == 0
    assert wire.gone_on([(1 << 32) - 1, (1 << 31) - 1]) == (1 << 31) - 1
    assert wire.gone_on([(1 << 31) + 9, 5]) == (1 << 31) - 4 and wire.gone_on([7]) == 0


@pytest.mark.parametrize("base", [0, 5, (1 << 31) - 3, (1 << 32) - 2, (7 << 32) + (1 << 30)])
def test_doubled_counts_have_31_bits_of_time(base: int):
    """From 2^30 ticks before the heartbeat to 2^30 - 1 after it; the level is in bit 0."""
    ahead = np.array([0, 1, -1, 7, -5, (1 << 30) - 1, -(1 << 30)])
    when = base + ahead[(base + ahead) >= 0]
    for level in (0, 1):
        words = ((2 * when + level) & 0xFFFFFFFF).astype(np.uint32)
        found = flanks.undoubled(words, np.full(len(when), base))
        assert found.tolist() == (when & 0xFFFFFFFF).tolist()


def decoded(made: Stream, size: int = 1 << 30):
    decoder = EdgeDecoder()
    ticks, levels, breaks = [NONE], [np.empty(0, np.int8)], []
    for at in range(0, len(made.data), size):
        for batch in decoder.feed(made.data[at : at + size]):
            breaks += [sum(map(len, ticks)) + k for k in batch.breaks[0].tolist()]
            ticks.append(batch.ticks[0])
            if batch.levels[0] is not None:
                levels.append(batch.levels[0])
    decoder.finish()
    return decoder, np.concatenate(ticks).tolist(), np.concatenate(levels).tolist(), breaks


@pytest.mark.parametrize("size", [1 << 30, 40])
@pytest.mark.parametrize("start", [0, (1 << 31) - 2_000, (3 << 32) - 2_000])
def test_edges_of_both_flanks_before_and_after_their_heartbeat(start: int, size: int):
    made = Stream()
    made.hello()
    made.heartbeat(start + 1_000)
    first = start + np.array([400, 990, 1_001, 1_500])
    made.edges(0, first, levels=np.array([1, 0, 1, 0]))
    made.heartbeat(start + 2_000)
    second = start + np.array([1_900, 2_100, 3_000])
    made.edges(0, second, levels=np.array([1, 0, 0]))
    decoder, ticks, levels, breaks = decoded(made, size)
    assert ticks == [*first.tolist(), *second.tolist()]
    assert levels == [1, 0, 1, 0, 1, 0, 0] and not breaks and not decoder.loss.any()


@pytest.mark.parametrize("both", [False, True])
def test_a_block_out_of_order_is_refused_and_the_rest_kept(both: bool):
    """Its edges are counted as lost, once, where the next block begins; it is no good frame; of an
    input with both flanks the levels of those kept stay with them."""
    made = Stream()
    made.hello()
    made.heartbeat(0)

    def block(ticks: list[int], levels: list[int]) -> None:
        made.edges(0, np.array(ticks), levels=np.array(levels) if both else None)

    block([100, 200, 300], [1, 0, 1])
    block([250, 260], [0, 0])  # before what has come
    block([400, 500], [0, 1])
    made.first[0] += 4
    block([900], [1])
    block([950, 940], [1, 0])  # falls within itself
    block([1_000], [0])
    block([990, 980, 970], [0, 1, 0])  # the last: the board's own total tells of it
    made.heartbeat(2_000)
    decoder, ticks, levels, breaks = decoded(made)
    assert ticks == [100, 200, 300, 400, 500, 900, 1_000] and breaks == [3, 5, 6]
    assert levels == ([1, 0, 1, 0, 1, 1, 0] if both else [])
    loss = decoder.loss
    assert (loss.frames_damaged, loss.frames_good) == (3, 10 - 3)
    assert loss.edges_lost == [2 + 4 + 2 + 3, 0, 0, 0] and loss.frames_missing == 0


def test_one_flank_of_both():
    """Of rising ones the lost mark goes on to the next one that is kept, over pieces too."""
    flank = flanks.Flank(1)
    levels = np.array([1, 0, 1, flanks.UNKNOWN, 0], np.int8)
    ticks, breaks = flank.feed(np.arange(5) * 10, np.array([1, 3]), levels)
    assert (ticks.tolist(), breaks.tolist()) == ([0, 20, 30], [1, 2])
    ticks, breaks = flank.feed(np.arange(5, 8) * 10, np.array([0]), np.array([0, 0, 1], np.int8))
    assert (ticks.tolist(), breaks.tolist()) == ([70], [0])
    ticks, breaks = flank.feed(np.array([80]), np.array([0]), np.array([0], np.int8))
    assert (ticks.tolist(), breaks.tolist()) == ([], [])
    ticks, breaks = flank.feed(np.array([90, 95]), NONE, None)
    assert (ticks.tolist(), breaks.tolist()) == ([90, 95], [0])
    ticks, breaks = flank.feed(np.array([100]), NONE, None)
    assert (ticks.tolist(), breaks.tolist()) == ([100], [])
    falling = flanks.Flank(0)
    assert falling.feed(np.arange(5), NONE, levels)[0].tolist() == [1, 3, 4]


def test_a_tap_marks_where_a_flank_was_too_short():
    tap = flanks.Tap(1)
    lost, level = tap.feed(np.arange(4), np.array([2]), np.array([1, 0, 1, 1], np.int8))
    assert (lost.tolist(), level.tolist()) == ([False, False, True, True], [1, 0, 1, 1])
    lost, _ = tap.feed(np.arange(2), NONE, np.array([1, 0], np.int8))
    assert lost.tolist() == [True, False]
    lost, _ = tap.feed(np.arange(1), NONE, np.array([1], np.int8))
    assert lost.tolist() == [False]
    lost, level = flanks.Tap(0).feed(np.arange(3), np.array([1]), None)
    assert (lost.tolist(), level.tolist()) == ([False, True, False], [0, 0, 0])


def test_counts_of_both_flanks_are_made_plain_in_place():
    """Words by hand: a frame is a fixer, two of header, input | n << 8 | levels << 16, number of
    the first edge, counts. Between blocks a heartbeat, of words that say nothing here."""
    late = (1 << 31) + 5  # the time of that heartbeat: above what 31 bits hold
    frames = [
        [9, 0, 0, 1 | 2 << 8 | 1 << 16, 0, 2 * 100 + 1, 2 * 150],
        [9, 0, 0, 0 | 1 << 8, 0, 700],
        [9, *range(11)],
        [9, 0, 0, 1 | 1 << 8 | 1 << 16, 2, 2 * (late + 4) + 1 - (1 << 32)],
        [9, 0, 0, 1 | 1 << 8, 3, 77],
        [9, 0, 0, 3 | 2 << 8 | 1 << 16, 0, 2 * (late - 2) - (1 << 32), 2 * late + 1 - (1 << 32)],
    ]
    begins = np.cumsum([0, *map(len, frames)])[:-1]

    def undoubled(kinds: list[int]):
        packed = np.array([w for f in frames for w in f], np.uint32)
        for at, kind in zip(begins[[0, 1, 3, 4, 5]], kinds, strict=True):
            packed[at + 3] = int(packed[at + 3]) & 0xFFFF | kind << 16
        kept = packed.copy()
        found = flanks.undouble(
            wire.PLACES, packed, begins, 0, np.array([2]), np.array([late]), 4
        )  # fmt: skip
        return found, packed, kept

    levels, packed, kept = undoubled([1, 0, 1, 0, 1])
    assert [None if one is None else one.tolist() for one in levels] == [
        None, [1, 0, 1, flanks.UNKNOWN], None, [0, 1],
    ]  # fmt: skip
    assert all(one is None or one.dtype == np.int8 for one in levels)
    changed = {begins[0] + 5: 100, begins[0] + 6: 150, begins[3] + 5: late + 4,
               begins[5] + 5: late - 2, begins[5] + 6: late}  # fmt: skip
    assert {int(k): int(packed[k]) for k in np.flatnonzero(packed != kept)} == changed
    none, packed, kept = undoubled([0] * 5)
    assert none == (None,) * 4 and (packed == kept).all()
    for neither in (2, 3, 255):
        assert undoubled([1, 0, neither, 0, 1])[0] is None
        assert undoubled([0, 0, 0, 0, neither])[0] is None


@pytest.mark.parametrize("levels", [2, 3])
def test_a_block_of_neither_kind_is_damage(levels: int):
    made = Stream()
    made.hello()
    made.heartbeat(0)
    good = Stream(seq=2)
    good.edges(0, np.array([100, 200]), levels=np.array([1, 0]))
    good.edges(0, np.array([300, 350]), levels=np.array([1, 0]))
    odd = bytearray(framing.unseal(good.frames[1][:-1]))
    assert odd[10] == 1
    odd[10] = levels
    good.frames[1] = framing.seal(bytes(odd))
    good.edges(0, np.array([400, 500]), levels=np.array([0, 1]))
    good.heartbeat(1_000)
    decoder = EdgeDecoder()
    decoder.feed(made.data)
    (batch,) = decoder.feed(b"".join(good.frames))
    assert batch.ticks[0].tolist() == [100, 200, 400, 500] and batch.breaks[0].tolist() == [2]
    assert batch.levels[0].tolist() == [1, 0, 0, 1] and batch.levels[1:] == (None,) * 3
    loss = decoder.loss
    assert (loss.frames_damaged, loss.frames_good, loss.edges_lost[0]) == (1, 5, 2)
    assert loss.bytes_damaged == 8 + 8 + 4 * 2 + 4 + 1  # header, block, counts, CRC, code


@pytest.mark.parametrize(
    ("falling", "which", "level"), [(0b0101, 0, 0), (0b0101, 1, 1), (0b0101, 2, 0), (0b1000, 3, 0)]
)
def test_the_flank_that_a_board_was_asked_for(falling: int, which: int, level: int):
    assert flanks.meant({**HELLO, "falling": falling}, which) == level
    assert flanks.meant(None, which) == 1 and flanks.meant(None, which, True) == 0


def test_where_the_pace_changes():
    """An interval longer than the next, or the one before, by more than a quarter of it."""
    steps = np.array([100, 125, 126, 157, 158, 200, 160, 128, 103, 83, 1 << 40, 1 << 40])
    ticks = np.concatenate(([7], 7 + np.cumsum(steps)))
    index = np.zeros(len(ticks), np.int64)
    n = plain.uneven(ticks, index)
    by_hand = [
        k + 1 for k, (a, b) in enumerate(pairwise(steps.tolist()))
        if b > a + a // 4 or a > b + b // 4
    ]  # fmt: skip
    assert index[:n].tolist() == by_hand == [5, 10]


def test_an_edge_left_out_against_the_cubic_through_its_neighbours():
    """Even pace, 1000 ticks a step of 10°. numpy's polynomial through the four others at its time.

    Left out is the fourth edge before the end; near are the two on either side, wide those twice
    as far.
    """
    even = 1000 * np.arange(60, dtype=np.int64)
    for edge, late in ((36, 50), (37, 80), (38, -40), (34, 30), (32, 70), (40, 90)):
        ticks = even.copy()
        ticks[edge] += late
        table = np.full((2, 1), np.nan)
        one = np.zeros(1, np.int64)
        plain.misses(ticks, one, one + 40, one, one + 3, 36, 36, 0, np.arange(60.0), 0, 10.0, table)
        for row, reach in enumerate((1, 2)):
            nodes = 36 + reach * np.array([-2, -1, 1, 2])
            x = (ticks[nodes] - ticks[36]) / 1000
            through = np.polyfit(x, nodes - 36.0, 3)[-1]
            assert table[row, 0] == pytest.approx(10 * through, abs=1e-9), (edge, reach)
    # From turn to turn another edge is left out; one that lies before what is good is not known.
    for turn, back in ((1, 9), (2, 14), (7, 4 + 35)):
        ticks = even.copy()
        ticks[40 - back + 1] += 100
        table, one = np.full((2, 1), np.nan), np.zeros(1, np.int64)
        plain.misses(
            ticks, one, one + 40, one + turn, one + 3, 36, 36, 5, np.arange(60.0), 0, 10.0, table
        )
        if back + 2 <= 40 - 2:
            assert table[0, 0] == pytest.approx(-10 * 2 / 3 * 0.1, rel=0.2)
        plain.misses(
            ticks, one, one + 40, one + turn, one, 36, 36, 5, np.arange(60.0), 0, 10.0,
            short := np.full((2, 1), np.nan),
        )  # fmt: skip
        assert np.isnan(short[0, 0]) == (back + 4 > 36)
    half = np.full((2, 1), np.nan)
    one = np.zeros(1, np.int64)
    plain.misses(
        even, one, one + 40, one + 1, one + 3, 36, 18, 5, np.arange(60.0), 0, 10.0, half
    )  # of two periods a turn the second
    assert np.isnan(half).all()


@pytest.mark.parametrize(("first", "second"), [(1, 30), (1200, 1600), (1600, 1200)])
def test_a_piece_may_be_larger_than_the_one_before(first: int, second: int):
    """Of the shortest frames, 26 bytes, of which a block of its size takes the most room."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    truth = 10 * np.arange(1, first + second + 1)
    made.edges(0, truth, block=1)
    assert {len(f) for f in made.frames[2:]} == {26}
    decoder, got = EdgeDecoder(), []
    for a, b in pairwise((0, 2, 2 + first, 2 + first + second)):
        for batch in decoder.feed(b"".join(made.frames[a:b])):
            got += batch.ticks[0].tolist()
    assert got == truth.tolist() and not decoder.loss.any()


@pytest.mark.parametrize("apart", [False, True])
def test_blocks_before_the_first_heartbeat(apart: bool):
    """3 edges and 1: counted, as plain numbers; what follows the heartbeat is whole. Frame by
    frame as well: the session is known by then, its time is not."""
    made = Stream()
    made.hello()
    made.edges(0, np.array([1, 2, 3]))
    made.edges(2, np.array([5]))
    made.heartbeat(10)
    made.edges(0, np.array([20, 30]))
    made.heartbeat(40)
    decoder, pieces = EdgeDecoder(), made.frames if apart else [made.data]
    batches = [batch for piece in pieces for batch in decoder.feed(piece)]
    ticks = [t for batch in batches for t in batch.ticks[0].tolist()]
    decoder.finish()
    loss = decoder.loss
    assert (loss.frames_unplaced, loss.edges_unplaced) == (2, 4) and ticks == [20, 30]
    assert type(loss.edges_unplaced) is int and type(loss.frames_unplaced) is int
    assert loss.edges_lost == [0, 0, 0, 0]
    assert json.loads(json.dumps(loss.to_dict())) == loss.to_dict()  # input 2 told no more


def test_a_tail_that_comes_after_all_is_not_lost_twice():
    """3 of 10 came, then single ones whose counts begin at 5, 9 and 14: 2 + 3 + 4 are missing."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([10, 20, 30]))
    made.heartbeat(100, total=[10, 0, 0, 0])
    decoder = EdgeDecoder()
    decoder.feed(made.data)
    for _ in range(2):
        decoder.finish()
        assert decoder.loss.edges_lost[0] == 7
    for k, (first, lost) in enumerate(((5, 7), (9, 7), (14, 9))):
        made.first[0] = first
        made.edges(0, np.array([200 + k]))
        decoder.feed(made.frames[-1])
        assert decoder.loss.edges_lost[0] == lost
    decoder.finish()
    assert decoder.loss.edges_lost == [9, 0, 0, 0]


def test_the_longest_frame_may_come_before_its_delimiter():
    """254 bytes of body and CRC, 255 stuffed; one more without a delimiter is no frame."""
    frame = wire.encode("log", 7, 0, level=1, text="x" * 241)
    assert len(frame) == 256
    decoder = EdgeDecoder()
    assert decoder.feed(frame[:-1]) == []
    (batch,) = decoder.feed(b"\0")
    assert batch.messages[0].fields["text"] == "x" * 241
    assert (decoder.loss.frames_good, decoder.loss.frames_damaged) == (1, 0)
    decoder.feed(b"\1" * 256)
    assert (decoder.loss.frames_damaged, decoder.loss.bytes_damaged) == (1, 256)
    decoder.feed(b"\1" * 9 + frame[-1:] + wire.encode("log", 7, 1, level=1, text=""))
    assert (decoder.loss.frames_good, decoder.loss.frames_damaged) == (2, 1)
    assert decoder.loss.bytes_damaged == 256 + 9


@pytest.mark.parametrize(
    ("seqs", "missing", "repeated"),
    [
        ((0, (1 << 31) - 1, (1 << 31) + (1 << 30)), (1 << 31) - 2 + (1 << 30), 0),
        # 2^30 - 1, and the next 2^31 - 4 further on
        ((0, (1 << 30) - 1, (1 << 32) - (1 << 30) - 5), (1 << 30) - 2 + (1 << 31) - 5, 0),
        ((0, 1 << 30, 3), (1 << 30) - 1, 1),
        ((5, 3, 4, 6, 9, 8), 2, 3),
        # Over the end of 32 bits
        ((0, (1 << 31) - 1, (1 << 32) - 2, 3), (1 << 31) - 2 + (1 << 31) - 2 + 4, 0),
    ],
)
def test_frames_missing_and_repeated_whatever_the_pieces(seqs, missing, repeated):
    frames = [wire.encode("log", 7, s, level=1, text="x") for s in seqs]
    for pieces in ([b"".join(frames)], [frames[0], b"".join(frames[1:])], frames):
        decoder = EdgeDecoder()
        for piece in pieces:
            decoder.feed(piece)
        loss = decoder.loss
        assert (loss.frames_missing, loss.frames_repeated) == (missing, repeated)
        assert loss.frames_good == len(seqs) - repeated


@pytest.mark.parametrize("both", [False, True])
def test_what_is_in_order_goes_the_quick_way_and_is_the_same(both: bool, monkeypatch):
    """Several inputs, heartbeats between, over the end of 32 bits; then one frame is repeated."""
    monkeypatch.setenv(kernels.VARIABLE, "numpy")
    made, truth = random_stream(np.random.default_rng(9), 200, start=(1 << 32) - 200_000)
    if both:
        more = truth[3][-1] + 10 * np.arange(1, 200)
        made.edges(3, more, levels=np.arange(199) % 2)
        truth[3] = np.append(truth[3], more)
        made.heartbeat(int(more[-1]))
    ways = []
    plainly = framing.unseal_all
    monkeypatch.setattr(framing, "unseal_all", lambda *a: ways.append("slow") or plainly(*a))
    for cut in (2, 3, 30):
        ways.clear()
        decoder = EdgeDecoder()
        batches = decoder.feed(b"".join(made.frames[:2]))
        assert ways == ["slow"]
        for a, b in ((2, cut), (cut, len(made.frames))):
            batches += decoder.feed(b"".join(made.frames[a:b])) if a < b else []
        assert ways == ["slow"]
        for i in range(4):
            got = np.concatenate([x.ticks[i] for x in batches])
            assert got.tolist() == truth[i].tolist()
        assert decoder.loss.frames_good == len(made.frames) and not decoder.loss.any()
        decoder.feed(made.frames[-1])
        assert ways == ["slow"] * 2 and decoder.loss.frames_repeated == 1


def test_one_call_checks_all_frames_of_whole_words(monkeypatch):
    """Others, and where one is damaged all, are checked one by one."""
    calls = []

    def crc32(data, *start):
        calls.append(len(memoryview(data).cast("B")))
        return zlib.crc32(data, *start)

    whole = [framing.seal(bytes([k]) * n) for k, n in ((65, 12), (66, 40), (67, 248), (68, 100))]
    odd = [framing.seal(bytes([k]) * n) for k, n in ((70, 13), (71, 42), (72, 247))]
    wrong = whole[1][:9] + b"x" + whole[1][10:]
    monkeypatch.setattr(framing, "zlib", SimpleNamespace(crc32=crc32))
    for frames, lengths in (
        (whole, [4 * 8 + 400]),
        (whole + odd, [4 * 8 + 400, 17, 46, 251]),
        ([wrong, whole[0], odd[0]], [2 * 8 + 52, 44, 16, 17]),
    ):
        calls.clear()
        every = np.frombuffer(b"".join(frames), np.uint8)
        rows, sizes, bad, _ = framing.unseal_all(every, 12, 254)
        assert calls == lengths and bad == (wrong in frames)
        bodies = [r[4 : 4 + n - 4].tobytes() for r, n in zip(rows, sizes.tolist(), strict=True)]
        assert bodies == [framing.cobs_decode(f[:-1])[:-4] for f in frames if f != wrong]


def test_losses_of_what_is_too_long_are_plain_numbers():
    """300 bytes without a delimiter, 7 more of them, then a frame in the same piece."""
    decoder = EdgeDecoder()
    decoder.feed(b"x" * 300)
    decoder.feed(b"y" * 7 + b"\0" + wire.encode("log", 7, 0, level=1, text="x"))
    told = decoder.loss.to_dict()
    assert json.loads(json.dumps(told)) == told
    assert (told["bytes_damaged"], told["frames_damaged"], told["frames_good"]) == (307, 1, 1)


@pytest.mark.parametrize("zeros", [1, 200, 440, 700, 100_000])
def test_a_line_that_rests_low_for_a_while_is_no_harm(zeros: int, monkeypatch):
    """Delimiters with nothing between them, in the midst of a session: more words than bytes."""
    monkeypatch.setenv(kernels.VARIABLE, "numpy")
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([100, 200]))
    decoder = EdgeDecoder()
    for piece in (*made.frames[:2], bytes(zeros), bytes(zeros) + made.frames[2]):
        batches = decoder.feed(piece)
    assert batches[-1].ticks[0].tolist() == [100, 200]
    assert decoder.loss.frames_good == 3 and not decoder.loss.any()


@pytest.mark.parametrize("begun", [False, True])
@pytest.mark.parametrize(
    ("at", "value"),
    [(8, 4), (8, 255), (9, 0), (9, 1), (9, 3), (10, 2), (0, 3), (12, 3 + 128)],
)
def test_a_block_that_lies_about_itself(at: int, value: int, begun: bool):
    """Its input, number of edges, levels, kind or count before: refused and counted, the rest kept.

    Bytes of the body by hand: 8 of header, of which the first is the kind; input, edges, levels;
    from 12 on how many edges were before it.
    """
    made = Stream()
    made.hello()
    made.heartbeat(0)
    for k in range(3):
        made.edges(0, 100 * (k + 1) + np.array([0, 10]))
    body = bytearray(framing.unseal(made.frames[3][:-1]))
    body[at] = value
    if at == 12:
        body[15] = 128  # far back
    made.frames[3] = framing.seal(bytes(body))
    decoder, ticks = EdgeDecoder(), []
    cut = 2 if begun else 0
    for frames in (made.frames[:cut], made.frames[cut:]):
        for batch in decoder.feed(b"".join(frames)):
            ticks += batch.ticks[0].tolist()
            assert not any(len(batch.ticks[i]) for i in (1, 2, 3))
            counts = (decoder.loss.frames_good, decoder.loss.frames_damaged)
            assert all(type(k) is int for k in (*counts, decoder.loss.bytes_damaged))
    loss = decoder.loss
    assert ticks == [100, 110, 300, 310]
    assert (loss.frames_damaged, loss.frames_good) == (1, 4)
    assert loss.edges_lost[0] == 2
    assert loss.bytes_damaged == (0 if at == 12 else 8 + 8 + 2 * 4 + 4 + 1)


@pytest.mark.parametrize("begun", [False, True])
@pytest.mark.parametrize(("first", "taken"), [(-1, False), (0, True)])
def test_no_edge_is_older_than_its_session(first: int, taken: bool, begun: bool):
    """A count just below that of a heartbeat at 0 would be of before it began: damage."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([first, 7]))
    made.edges(0, np.array([20]))
    decoder, ticks = EdgeDecoder(), []
    cut = 2 if begun else 0
    for frames in (made.frames[:cut], made.frames[cut:]):
        for batch in decoder.feed(b"".join(frames)):
            ticks += batch.ticks[0].tolist()
    assert ticks == ([0, 7, 20] if taken else [20])
    assert decoder.loss.frames_damaged == (not taken)
    assert decoder.loss.edges_lost[0] == (0 if taken else 2)


@pytest.mark.parametrize(("second", "taken"), [(211, True), (210, False), (90, False)])
def test_times_rise_from_piece_to_piece(second: int, taken: bool):
    made = Stream()
    made.hello()
    made.heartbeat(0)
    for ticks in ([100, 110], [200, 210], [second, 400], [500]):
        made.edges(0, np.array(ticks))
    decoder, ticks = EdgeDecoder(), []
    for frames in (made.frames[:2], *([f] for f in made.frames[2:])):
        for batch in decoder.feed(b"".join(frames)):
            ticks += batch.ticks[0].tolist()
    assert ticks == [100, 110, 200, 210, *([second, 400] if taken else []), 500]
    assert decoder.loss.frames_damaged == (not taken)


def test_a_heartbeat_with_a_value_that_cannot_be():
    """Busy for 1001 thousandths: damage, and its time does not place what follows."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.heartbeat(7 << 32, busy_permille=1000)
    made.heartbeat(9 << 32)
    made.edges(0, (7 << 32) + np.array([100]))
    body = bytearray(framing.unseal(made.frames[3][:-1]))
    at = 8 + 8 + 3 * 16 + 2 * 4  # behind header, time, three counts per input and two more
    assert body[at : at + 2] == (10).to_bytes(2, "little")
    body[at : at + 2] = (1001).to_bytes(2, "little")
    made.frames[3] = framing.seal(bytes(body))
    decoder = EdgeDecoder()
    decoder.feed(b"".join(made.frames[:2]))
    (batch,) = decoder.feed(b"".join(made.frames[2:]))
    assert batch.ticks[0].tolist() == [(7 << 32) + 100] and batch.complete == 7 << 32
    assert (decoder.loss.frames_damaged, decoder.loss.frames_good) == (1, 4)
    assert json.loads(json.dumps(decoder.loss.to_dict())) == decoder.loss.to_dict()


def test_what_the_board_counted_over_pieces():
    """Looks of 1, 2 and 4 lost edges, then 7 and 7, then 8: each new one once, 8 in all; frames
    not sent 0, 3, 3, 5, 5, 9; stalls 0, 0, 1, 1, 1, 1."""
    made = Stream()
    made.hello()
    for k, (lost, unsent, stalls) in enumerate(
        zip((1, 2, 4, 7, 7, 8), (0, 3, 3, 5, 5, 9), (0, 0, 1, 1, 1, 1), strict=True)
    ):
        made.heartbeat(100 * k, lost=[0, lost, 0, 0], unsent=unsent, stalls=[stalls, 0, 0, 0])
    decoder, frames = EdgeDecoder(), made.frames
    told = []
    for piece in (frames[:1], frames[1:4], frames[4:6], frames[6:]):
        (batch,) = decoder.feed(b"".join(piece))
        loss = decoder.loss
        told.append((batch.complete, loss.board_lost[1], loss.board_unsent, loss.board_stalls[0]))
    assert told == [(0, 0, 0, 0), (200, 4, 3, 1), (400, 7, 5, 1), (500, 8, 9, 1)]
    assert json.loads(json.dumps(decoder.loss.to_dict())) == decoder.loss.to_dict()


def test_one_edge_alone_that_is_missing():
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([10, 20]))
    made.first[0] += 1
    made.edges(0, np.array([40, 50]))
    decoder, ticks, _, breaks = decoded(made)
    assert (ticks, breaks, decoder.loss.edges_lost[0]) == ([10, 20, 40, 50], [2], 1)


def test_a_block_that_falls_where_the_stream_joined():
    """How many edges were before it is not known: what is refused is lost, and no more."""
    made = Stream(seq=5)
    made.hello()
    made.heartbeat(0)
    made.first[0] = 1000
    made.edges(0, np.array([50, 40]))
    made.edges(0, np.array([60, 70]))
    decoder, ticks, _, _ = decoded(made)
    assert (ticks, decoder.loss.edges_lost[0]) == ([60, 70], 2)
    assert (decoder.loss.frames_damaged, decoder.loss.frames_missing) == (1, 0)


@pytest.mark.parametrize("joined", [False, True])
def test_an_input_that_begins_late(joined: bool):
    """Ten edges of it were before its first block: lost where the stream is whole from its start,
    none of ours where it joined in the middle. Other inputs were in order up to there."""
    made = Stream(seq=5 if joined else 0)
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([10, 20]))
    for k in range(4):
        made.edges(0, 100 * (k + 1) + np.array([0, 50]))
    made.first[2] = 10
    made.edges(2, np.array([900, 910]))
    decoder, ticks = EdgeDecoder(), []
    for piece in (made.frames[:3], made.frames[3:5], made.frames[5:7], made.frames[7:]):
        for batch in decoder.feed(b"".join(piece)):
            ticks += batch.ticks[2].tolist()
            breaks = batch.breaks[2].tolist()
    assert ticks == [900, 910]
    assert (decoder.loss.edges_lost[2], breaks) == ((0, []) if joined else (10, [0]))


@pytest.mark.parametrize(
    ("total", "lost"),
    [(3, 0), (4, 1), ((1 << 31) + 2, (1 << 31) - 1), ((1 << 31) + 3, 0), (2, 0), (0, 0)],
)
def test_edges_announced_and_those_sent_since(total: int, lost: int):
    """Three came. A total from 2^31 ahead on is one behind: of before the last block."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([10, 20, 30]))
    made.heartbeat(100, total=[total, 0, 0, 0])
    decoder = EdgeDecoder()
    decoder.feed(made.data)
    decoder.finish()
    assert decoder.loss.edges_lost == [lost, 0, 0, 0]


def test_a_stream_that_ends_twice():
    """What was cut off at the end is counted once; what comes after is another stream."""
    frame = wire.encode("log", 7, 0, level=1, text="some words")
    decoder = EdgeDecoder()
    decoder.feed(frame[:9])
    for _ in range(2):
        decoder.finish()
        assert (decoder.loss.frames_damaged, decoder.loss.bytes_damaged) == (1, 9)
    decoder.feed(b"\1" * 300)
    for _ in range(2):
        assert (decoder.loss.frames_damaged, decoder.loss.bytes_damaged) == (2, 309)
        decoder.finish()
    decoder.feed(b"\1" * 5 + b"\0" + frame)
    assert (decoder.loss.frames_damaged, decoder.loss.bytes_damaged) == (3, 314)
    assert decoder.loss.frames_good == 1


def test_a_file_is_decoded_in_blocks(monkeypatch):
    """4 KiB at a session's start, which the quick way cannot take; from its first frame on, or
    where all was damage, a MiB and what was left of a piece before; cut behind a delimiter."""
    decoder, sizes = EdgeDecoder(), []
    monkeypatch.setattr(decoder, "_block", lambda _, start, stop, __: sizes.append(stop - start))
    decoder.feed(bytes(10_000))
    assert sizes == [4096, 4096, 10_000 - 2 * 4096]
    most = (1 << 20) + 4096
    for damaged, begun in ((1, False), (0, True), (3, True)):
        sizes.clear()
        decoder.loss.frames_damaged = damaged
        decoder._session = edges._Session(7, 0) if begun else None
        decoder.feed(bytes(2 * most + 5))
        assert sizes == [most, most, 5]
    sizes.clear()
    decoder.feed(b"\1" * (most - 1) + b"\0" + b"\1" * (most + 7) + b"\0" + b"\1" * 3)
    assert sizes == [most, most + 8] and decoder._rest == b"\1" * 3


def test_a_heartbeat_is_unpacked_once():
    made = Stream()
    made.hello()
    made.heartbeat(5)
    made.heartbeat(9)
    decoder = EdgeDecoder()
    (batch,) = decoder.feed(made.data)
    assert batch.messages[1] is batch.messages[1] and batch.messages[-1].fields["time"] == 9
    assert [m.fields["time"] for m in batch.messages[1:]] == [5, 9] and len(batch.messages) == 3
    assert type(batch.session) is int


def test_nothing_is_lost_where_nothing_was_announced():
    made = Stream()
    made.hello()
    decoder = EdgeDecoder()
    decoder.feed(made.data)
    decoder.finish()
    assert decoder.loss.edges_lost == [0] * 4 and not decoder.loss.any()


@pytest.mark.filterwarnings("ignore:overflow encountered in scalar")  # as numba wraps
@pytest.mark.parametrize("kernel", ["numpy", "numba"])
def test_damage_within_what_is_in_order_is_damage(kernel: str, monkeypatch):
    """A bit of a count is another one, so that all fits but the CRC: that frame alone is lost."""
    if kernel == "numba":
        monkeypatch.setattr(kernels, "chosen", lambda *_: loops())
    monkeypatch.setenv(kernels.VARIABLE, "numpy")
    made = Stream()
    made.hello()
    made.heartbeat(0)
    for k in range(3):
        made.edges(0, 1000 * k + np.array([0x101, 0x103, 0x105]))
    good = made.frames[3]
    at = good.index(bytes([(0x105 + 1000) & 0xFF]), 12)
    made.frames[3] = good[:at] + bytes([good[at] ^ 2]) + good[at + 1 :]
    decoder, ticks = EdgeDecoder(), []
    for frames in (made.frames[:2], made.frames[2:]):
        for batch in decoder.feed(b"".join(frames)):
            ticks += batch.ticks[0].tolist()
    assert ticks == [0x101, 0x103, 0x105, 2000 + 0x101, 2000 + 0x103, 2000 + 0x105]
    assert (decoder.loss.frames_damaged, decoder.loss.edges_lost[0]) == (1, 3)
