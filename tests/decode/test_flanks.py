"""Both flanks of an input: levels come through, and a lost edge cannot swap the flanks."""

import numpy as np
import pytest

from sparkwitness.decode import kernels
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.flanks import Flank
from streams import Stream

NONE = np.empty(0, np.int64)


def both_flanks(rng: np.random.Generator, blocks: int, start: int):
    """A session whose input 3 stamps both flanks, the others one; ticks, levels of input 3."""
    made, truth, level = Stream(), [[NONE] for _ in range(4)], []
    made.hello()
    made.heartbeat(start)
    now = start
    for k in range(blocks):
        which = int(rng.choice((0, 1, 3)))
        ticks = now + np.cumsum(rng.integers(1, 4000, int(rng.integers(1, 59))))
        now = int(ticks[-1])
        truth[which].append(ticks)
        have = sum(map(len, truth[3])) - len(ticks)
        levels = (np.arange(have, have + len(ticks)) % 2) if which == 3 else None
        if levels is not None:
            level.append(levels)
        made.edges(which, ticks, levels=levels)
        if k % 5 == 4:
            made.heartbeat(now)
    made.heartbeat(now)
    return made.data, [np.concatenate(t) for t in truth], np.concatenate(level)


@pytest.mark.parametrize("kernel", ["numpy", "numba"])
@pytest.mark.parametrize("chunk", [1 << 30, 5000, 61])
def test_times_and_levels_come_out_whatever_the_chunks(kernel, chunk, monkeypatch):
    if kernel == "numba":
        pytest.importorskip("numba")
    monkeypatch.setenv(kernels.VARIABLE, kernel)
    # 31 and 32 bits of the count wrap within the stream.
    data, truth, level = both_flanks(np.random.default_rng(2), 900, start=(5 << 31) - 900_000)
    decoder = EdgeDecoder()
    batches = [b for at in range(0, len(data), chunk) for b in decoder.feed(data[at : at + chunk])]
    decoder.finish()
    assert not decoder.loss.any()
    for i in range(4):
        got = np.concatenate([b.ticks[i] for b in batches])
        np.testing.assert_array_equal(got, truth[i])
    got = np.concatenate([b.levels[3] for b in batches if b.levels[3] is not None])
    np.testing.assert_array_equal(got, level)
    assert all(b.levels[i] is None for b in batches for i in (0, 1, 2))


def test_a_lost_frame_leaves_the_flanks_as_they_are():
    rng = np.random.default_rng(3)
    data, truth, level = both_flanks(rng, 300, start=0)
    frames = data.split(b"\0")
    whole = dict(zip(truth[3].tolist(), level.tolist(), strict=True))
    kept = [f for k, f in enumerate(frames) if k < 3 or k % 7]
    decoder = EdgeDecoder()
    batches = decoder.feed(b"\0".join(kept) + b"\0")
    assert decoder.loss.edges_lost[3] > 0
    for b in batches:
        if b.levels[3] is not None:
            for tick, one in zip(b.ticks[3].tolist(), b.levels[3].tolist(), strict=True):
                assert whole[tick] == one


def test_one_flank_of_both_and_its_losses():
    ticks, levels = np.arange(10) * 7, np.array([1, 0, 1, 0, 0, 1, 0, 1, 0, 1], np.int8)
    flank = Flank(1)
    kept, breaks = flank.feed(ticks, np.array([0, 4]), levels)
    assert kept.tolist() == [0, 14, 35, 49, 63]
    # The loss before the falling edge at 28 is one before the next rising edge, at 35.
    assert breaks.tolist() == [0, 2]
    pieces = Flank(1)
    parts = [
        pieces.feed(ticks[:5], np.array([0, 4]), levels[:5]),
        pieces.feed(ticks[5:], NONE, levels[5:]),
    ]
    assert np.concatenate([p[0] for p in parts]).tolist() == kept.tolist()
    assert parts[0][1].tolist() == [0]
    assert parts[1][1].tolist() == [0]


def test_one_flank_where_only_one_is_stamped():
    ticks, breaks = Flank(1).feed(np.arange(3), np.array([1]), None)
    assert (ticks.tolist(), breaks.tolist()) == ([0, 1, 2], [1])
