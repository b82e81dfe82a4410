"""Sparks to events: bursts, strays, missing ones, and nothing where the beginning was not seen."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.events import (
    DeadTime,
    _local_median,
    burst_gap,
    circular_median,
    fold,
    fold_of,
    group,
    missing_between,
    spacing_of,
    strays,
)
from sparkwitness.timing.placing import Placed

NONE = np.empty(0, np.int64)


def placed(degrees, segment=0) -> Placed:
    degrees = np.asarray(degrees, float)
    n = len(degrees)
    segments = np.broadcast_to(np.asarray(segment, np.int64), n).copy()
    zero = np.zeros(n)
    return Placed(np.arange(n), degrees, segments, zero)


def revolutions(n: int, segment: int = 0, first: int = 0) -> Periods:
    number = np.arange(first, first + n)
    return Periods(number * 1000, np.full(n, 1000), np.full(n, segment), number, *np.zeros((2, n)))


def grouped(degrees, gap, n=100, broken=None, segment=0, periods=None):
    sparks = placed(degrees, segment)
    lost = np.zeros(len(sparks.tick), bool) if broken is None else np.asarray(broken)
    return group(sparks, lost, periods or revolutions(n), 360.0, gap)


def test_dead_time_keeps_first_edges_only():
    dead = DeadTime(100)
    ticks = np.array([0, 10, 40, 1000, 1099, 1150, 1260, 5000])
    kept, lost = dead.feed(ticks, NONE)
    assert kept.tolist() == [0, 1000, 1260, 5000] and dead.rejected == 4
    assert not lost.any()


@given(
    st.lists(st.integers(1, 300), min_size=1, max_size=60),
    st.sets(st.integers(0, 59)),
    st.integers(1, 20),
)
def test_dead_time_does_not_depend_on_chunks(steps, breaks, chunk):
    ticks = np.cumsum(steps)
    cuts = np.array(sorted(b for b in breaks if b < len(ticks)), np.int64)
    whole, lost = DeadTime(100).feed(ticks, cuts)
    dead = DeadTime(100)
    parts, flags = [], []
    for at in range(0, len(ticks), chunk):
        mine = cuts[(cuts >= at) & (cuts < at + chunk)] - at
        kept, flag = dead.feed(ticks[at : at + chunk], mine)
        parts.append(kept)
        flags.append(flag)
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    np.testing.assert_array_equal(np.concatenate(flags), lost)
    # A loss before a refused edge is a loss before the next one kept.
    expected = [
        bool(((cuts > np.searchsorted(ticks, a)) & (cuts <= np.searchsorted(ticks, b))).any())
        for a, b in pairwise(whole)
    ]
    assert lost[1:].tolist() == expected


@pytest.mark.parametrize("within", [1.1, 3.0, 6.0, 12.0])
@pytest.mark.parametrize("sparks", [2, 4, 10])
def test_gap_is_found_between_the_heaps(within, sparks):
    rng = np.random.default_rng(0)
    start = np.arange(100) * 720.0 + rng.normal(0, 0.5, 100)
    degrees = (start[:, None] + within * np.arange(sparks)).ravel()
    gap = burst_gap(np.diff(degrees), 720.0)
    assert within < gap < 720 - within * sparks
    made = grouped(degrees, gap, 300)
    assert (made.events.sparks[:-1] == sparks).all() and len(made.events.tick) >= 99


def test_single_sparks_are_events_each():
    degrees = 90.0 * np.arange(200) + np.random.default_rng(1).normal(0, 0.3, 200)
    gap = burst_gap(np.diff(degrees), 90.0)
    made = grouped(degrees + 45, gap)
    assert (made.events.sparks[:-1] == 1).all() and len(made.events.tick) == 200


def test_gap_survives_strays():
    rng = np.random.default_rng(2)
    bursts = (np.arange(200)[:, None] * 720.0 + 6.0 * np.arange(4)).ravel()
    stray = rng.uniform(0, bursts[-1], 10)
    degrees = np.sort(np.append(bursts, stray))
    gap = burst_gap(np.diff(degrees), 720.0)
    assert 6 < gap < 300


def test_no_event_where_its_beginning_was_not_seen():
    burst = 6.0 * np.arange(3)
    degrees = np.concatenate((burst + 5, burst + 400, burst + 1100))
    broken = np.zeros(9, bool)
    broken[4] = True  # an edge of the second burst was lost
    made = grouped(degrees, 20.0, broken=broken)
    # The first began 5 degrees after synchronisation, less than a gap; of the second, the part
    # after the loss has no known beginning, and the part before it no known end.
    assert made.events.degrees.tolist() == [400.0, 1100.0]
    assert made.events.sparks.tolist() == [0, 3]
    assert made.cut == 2


def test_bursts_do_not_join_over_segments():
    degrees = np.array([350.0, 356.0, 362.0, 368.0, 800.0])
    segment = np.array([0, 0, 1, 1, 1])
    a, b = revolutions(1), revolutions(5, 1, 1)
    periods = Periods.join([a, b])
    made = grouped(degrees, 20.0, segment=segment, periods=periods)
    assert made.events.degrees.tolist() == [350.0, 800.0]
    assert made.events.sparks.tolist() == [0, 1]


def test_sparks_without_crank_angle_are_counted():
    made = grouped(np.array([100.0, np.nan, 900.0]), 20.0, segment=[0, -1, 0])
    assert made.unplaced == 1 and len(made.events.tick) == 2


@pytest.mark.parametrize(
    ("median", "allowed", "expected"),
    [(719, (720.0,), 720), (91, (90.0, 360.0, 720.0), 90), (180, (360.0, 720.0), None)],
)
def test_spacing_is_inferred(median, allowed, expected):
    found = spacing_of(np.full(9, float(median)), allowed)
    assert found == expected if expected else np.isnan(found)


@pytest.mark.parametrize(
    ("kind", "cycle", "parts", "expected"),
    [
        ("36-1", 720, 1, 360),
        ("36-1", 720, 8, 90),
        ("cam", 720, 1, 720),
        ("4", 720, 1, 90),
        ("cam 12-1", 720, 6, 120),
        # Thirds and sevenths of a turn, by hand: 360 and 720/7 both are multiples of 360/7.
        ("36-1", 720, 7, 360 / 7),
        ("36-1", 720, 11, 360 / 11),
        ("cam 36-1", 720, 13, 720 / 13),
        ("36-1", 360, 3, 120),
        ("24", 720, 5, 3),
    ],
)
def test_fold(kind, cycle, parts, expected):
    assert fold_of(Reference.parse(kind, 0, 0), cycle, parts) == expected
    angles = fold(np.array([-1000.0, 0.0, 1234.5]), expected, 20.0)
    assert (np.abs(angles - 20) <= expected / 2).all()


def test_strays_and_their_median():
    rng = np.random.default_rng(3)
    angles = rng.normal(359.9, 0.4, 300)
    angles[::20] = rng.uniform(30, 330, 15)
    assert abs((circular_median(angles, 360) - 359.9 + 180) % 360 - 180) < 0.1
    flags = strays(angles, 360)
    assert flags[::20].all() and flags.sum() == 15
    assert not strays(rng.normal(10, 3, 500), 360).any()
    assert strays(NONE.astype(float), 360).shape == (0,)


def test_missing_are_counted_against_the_crank():
    degrees = 90.0 * np.delete(np.arange(50), [7, 8, 30])
    made = grouped(degrees + 45, 20.0)
    assert missing_between(made.events, 90.0) == (3, 49)


@pytest.mark.parametrize("n", [1, 2, 3, 30, 31, 32, 33, 200])
def test_local_median_against_numpy(n):
    values = np.random.default_rng(n).normal(0, 1, n)
    made = _local_median(values)
    # numpy's median of a window whose middle is at most three values away.
    reach = min(15, (n - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
    medians = np.median(windows, axis=1)
    at = np.clip(np.arange(n) - reach, 0, len(medians) - 1)
    near = np.stack([medians[np.maximum(at - k, 0)] for k in range(4)])
    assert (made == near).any(axis=0).all()
