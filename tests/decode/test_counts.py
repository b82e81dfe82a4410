"""Counts, levels and losses of a stream, edge by edge: by hand."""

from dataclasses import fields

import numpy as np
import pytest

from sparkwitness.decode import flanks, wire
from sparkwitness.decode.edges import EdgeDecoder, Loss
from streams import HELLO, Stream

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


def test_a_block_out_of_order_is_refused_and_the_rest_kept():
    """Its edges are counted as lost, it is no good frame, and nothing after it is missing."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, np.array([100, 200, 300]))
    made.edges(0, np.array([250, 260]))  # before what has come
    made.first[0] = 3
    made.edges(0, np.array([400, 500]))
    made.first[0] += 4
    made.edges(0, np.array([900]))
    made.edges(0, np.array([950, 940]))  # falls within itself
    made.first[0] -= 2
    made.edges(0, np.array([1_000]))
    made.heartbeat(2_000)
    decoder, ticks, _, breaks = decoded(made)
    assert ticks == [100, 200, 300, 400, 500, 900, 1_000] and breaks == [5]
    loss = decoder.loss
    assert (loss.frames_damaged, loss.frames_good) == (2, 9 - 2)
    assert loss.edges_lost == [2 + 4 + 2, 0, 0, 0] and loss.frames_missing == 0


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


@pytest.mark.parametrize(
    ("falling", "which", "level"), [(0b0101, 0, 0), (0b0101, 1, 1), (0b0101, 2, 0), (0b1000, 3, 0)]
)
def test_the_flank_that_a_board_was_asked_for(falling: int, which: int, level: int):
    assert flanks.meant({**HELLO, "falling": falling}, which) == level
    assert flanks.meant(None, which) == 1 and flanks.meant(None, which, True) == 0
