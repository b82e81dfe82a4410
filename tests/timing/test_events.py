"""Sparks to events: bursts, strays, missing ones, and nothing where the beginning was not seen."""

import json
from dataclasses import replace
from itertools import pairwise
from math import nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.events import (
    _EVERY,
    _NEIGHBOURS,
    DeadTime,
    Events,
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


def test_what_is_of_the_first_spark_and_what_of_the_last():
    """Bursts of three and of two: time, angle and the distance to an edge are the first one's."""
    degrees = np.array([105.0, 111.0, 118.0, 820.0, 827.0])
    sparks = replace(placed(degrees), tick=np.array([7, 9, 12, 40, 44]))
    sparks.to_edge[:] = [15.0, 9.0, 2.0, 20.0, 13.0]
    made = group(sparks, np.zeros(5, bool), revolutions(100), 360.0, 20.0).events
    assert (made.tick.tolist(), made.last_tick.tolist()) == ([7, 40], [12, 44])
    assert (made.degrees.tolist(), made.last_degrees.tolist()) == ([105.0, 820.0], [118.0, 827.0])
    assert (made.to_edge.tolist(), made.sparks.tolist()) == ([15.0, 20.0], [3, 2])


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


@pytest.mark.parametrize("n", [1, 2, 3, 30, 31, 32, 33, 35, 36, 200])
def test_local_median_against_numpy(n):
    """numpy's median of the window around the value itself or one of the three before it."""
    values = np.random.default_rng(n).normal(0, 1, n)
    reach = min(15, (n - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(values, 2 * reach + 1)
    medians = np.median(windows, axis=1)
    at = np.clip(np.arange(n) - reach, 0, len(medians) - 1)
    assert _local_median(values).tolist() == medians[at - at % 4].tolist()


# Limits and counts by hand


def test_dead_time_from_both_sides_within_a_piece_and_across_two():
    for second, kept in ((99, []), (100, [100])):
        dead = DeadTime(100)
        assert dead.feed(np.array([0]), NONE)[0].tolist() == [0]
        assert dead.feed(np.array([second]), NONE)[0].tolist() == kept
        assert dead.feed(NONE, NONE)[0].tolist() == []
        whole = DeadTime(100)
        assert whole.feed(np.array([0, second]), NONE)[0].tolist() == [0, *kept]
        for one in (dead, whole):  # a plain number, as JSON takes it
            assert one.rejected == 1 - len(kept) and type(one.rejected) is int
    # Lost before an edge that is refused: the mark waits for the next piece, once.
    dead = DeadTime(100)
    dead.feed(np.array([0]), NONE)
    assert dead.feed(np.array([50]), np.array([0]))[1].tolist() == []
    assert dead.feed(np.array([500, 900]), NONE)[1].tolist() == [True, False]
    # Refused edges on both sides of the piece's last kept one.
    dead = DeadTime(100)
    assert dead.feed(np.array([0, 500, 550]), np.array([1]))[1].tolist() == [False, True]
    assert dead.feed(np.array([900]), NONE)[1].tolist() == [False]


def within_heaps(logs: np.ndarray, k: int) -> float:
    return float(k * np.var(logs[:k]) + (len(logs) - k) * np.var(logs[k:]))


@pytest.mark.parametrize("seed", range(12))
def test_the_cut_leaves_the_least_variance_within_the_heaps(seed):
    """Otsu (IEEE Trans. SMC 9(1), 1979, eq. 14 and 17): the same as the most between them."""
    rng = np.random.default_rng(seed)
    low, high = rng.normal(0, 0.5, rng.integers(2, 40)), rng.normal(4, 0.9, rng.integers(2, 9))
    logs = np.sort(np.concatenate((low, high)))
    k = min(range(1, len(logs)), key=lambda k: within_heaps(logs, k))
    expected = np.exp((logs[k - 1] + logs[k]) / 2)
    assert burst_gap(rng.permutation(np.exp(logs)), 1e9) == pytest.approx(expected)


def test_heaps_three_times_apart_are_two():
    assert burst_gap(np.array([1.0, 3.0]), 1e9) == pytest.approx(3**0.5)
    assert burst_gap(np.array([1.0, 2.999]), 1e9) == 1e9  # one heap, as one endless burst:
    assert burst_gap(np.array([1.0, 2.999]), 1e-3) == 4e-4  # or as lone sparks far apart
    assert burst_gap(np.full(5, 40.0), 100.0) == 100.0  # 40 is no more than 0.4 of 100
    assert burst_gap(np.full(5, 40.1), 100.0) == 40.0
    # More than half of them tell, not their mean: 231 of the first, 516 of the second.
    assert burst_gap(np.repeat([300.0, 150.0], [6, 5]), 720.0) == pytest.approx(288.0)
    assert burst_gap(np.repeat([280.0, 800.0], [6, 5]), 720.0) == 720.0
    # Two heaps, both of lone sparks: no burst is wider than 0.4 of the spacing.
    assert burst_gap(np.repeat([50.0, 500.0], 5), 100.0) == 40.0
    # What is no step at all, or backwards, tells nothing.
    odd = np.array([6.0, np.nan, 354.0, 0.0, -6.0, np.inf, -np.inf])
    assert burst_gap(odd, np.nan) == pytest.approx((6 * 354) ** 0.5)
    assert np.isnan(burst_gap(odd[[1, 3]], 720.0))


def test_of_a_long_series_runs_are_looked_at():
    """256 runs of 64 at even distances, here every 200 steps; all where it is twice as much."""
    n = 255 * 200 + 64
    seen = (200 * np.arange(256)[:, None] + np.arange(64)).ravel()
    steps = np.full(n, 50.0)
    steps[seen] = np.resize([6.0, 354.0], len(seen))
    steps[seen[0]], steps[seen[-1]] = 7.0, 300.0  # those next to the cut
    assert burst_gap(steps, 720.0) == pytest.approx((7 * 300) ** 0.5)
    for n, gap in ((32_768, (6 * 50) ** 0.5), (32_769, (6 * 354) ** 0.5)):
        steps = np.resize([6.0, 354.0], n)
        steps[101] = 50.0  # between the first run and the second
        assert burst_gap(steps, 1e9) == pytest.approx(gap)


def test_of_more_than_201_angles_every_other_tells_the_middle():
    """101 at ±20 and as many but one at 180: all have 180 in the middle, half of them 20."""
    degrees = np.full(201, 180.0)
    degrees[::2] = np.resize([20.0, -20.0], 101)
    assert circular_median(degrees, 360.0) == 180.0
    assert circular_median(np.append(degrees, 180.0), 360.0) in (20.0, -20.0, 100.0, -100.0)


def test_strays_where_the_timing_moves_and_wraps():
    """It moves by 30° in 300 events; 6 × 1.4826 × 1° = 8.9° is the limit, or 2°."""
    n = 300
    moves = np.linspace(340, 370, n)
    for by, limit in ((1.0, 8.8956), (0.1, 2.0)):
        # -1, 0, 1, ...: what is around each has the middle 0, and two of three are 1 from it.
        angles = np.resize([-by, 0.0, by], n)
        far, near = angles.copy(), angles.copy()
        at = np.array([61, 121, 181, 241])
        far[at], near[at] = limit + 0.001, limit - 0.001
        for turned in (0.0, 170.0, 359.0):
            assert np.flatnonzero(strays(far + turned, 360.0)).tolist() == at.tolist()
            assert not strays(near + turned, 360.0).any()
            assert not strays((near + turned) % 360.0, 360.0).any()
    angles = moves + np.resize([-0.1, 0.0, 0.1], n)
    angles[at] += 6.0
    whole = 360.0 * np.random.default_rng(0).integers(-3, 4, n)
    for some in (angles, angles % 360.0, angles + whole):
        assert np.flatnonzero(strays(some, 360.0)).tolist() == at.tolist()
    exact = np.full(50, 10.0)
    exact[25] = 12.0
    assert not strays(exact, 360.0).any()  # just 2° is none
    assert strays(exact, 360.0, 1.0).sum() == 1


def test_a_timing_that_moves_past_half_a_period_is_no_stray():
    """Eight cylinders, folded by 90°: held at 20°, then 0.1° a firing on to 80°, one firing off.

    Beyond half a period from the middle an angle stands at the other end, beside its neighbours.
    """
    degrees = np.concatenate((np.full(700, 20.0), 20 + 0.1 * np.arange(601)))
    assert not strays(degrees, 90.0).any() and not strays(degrees % 90, 90.0).any()
    degrees[1200] += 3.0
    assert np.flatnonzero(strays(degrees, 90.0)).tolist() == [1200]


def test_nothing_in_nothing_out_and_what_is_picked():
    for degrees, gap in (([], 20.0), ([100.0, 200.0], np.nan), ([np.nan] * 2, 20.0)):
        segment = -1 if degrees and np.isnan(degrees[0]) else 0
        made = grouped(np.array(degrees), gap, segment=segment)
        assert (len(made.events.tick), made.cut) == (0, 0)
        assert made.unplaced == (2 if segment else 0)
    made = grouped(np.array([100.0, 200.0, 300.0]), 20.0)
    assert made.events.pick(np.array([1, 2])).degrees.tolist() == [200.0, 300.0]
    assert made.events.pick(np.array([True, False, True])).degrees.tolist() == [100.0, 300.0]
    assert made.events.pick(np.ones(3, bool)) is made.events
    # Those without an angle at the beginning, or in between as well.
    for segment in ([-1, -1, 0, 0], [-1, 0, -1, 0]):
        made = grouped(np.array([50.0, 100.0, 200.0, 300.0]), 20.0, segment=segment)
        known = [d for d, s in zip((50.0, 100.0, 200.0, 300.0), segment, strict=True) if s >= 0]
        assert made.events.degrees.tolist() == known and made.unplaced == 2


def test_a_beginning_and_an_end_are_seen_from_one_gap_on():
    """Ten turns are known, 0 to 3600 degrees."""
    for degrees, starts, whole in (
        ([20.0, 3580.0], [20.0, 3580.0], [1, 1]),
        ([19.9, 3580.1], [3580.1], [0]),
    ):
        made = grouped(np.array(degrees), 20.0, n=10)
        assert made.events.degrees.tolist() == starts and made.events.sparks.tolist() == whole
        assert made.cut == 2 - len(starts)


@pytest.mark.parametrize(
    ("step", "spacing"),
    [(720.0, 720.0), (360.0, 360.0), (180.0, 180.0), (509.0, nan), (310.0, 360.0), (413.0, 360.0),
     (300.0, nan), (415.0, nan), (620.0, 720.0), (205.0, 180.0), (208.0, nan), (0.5, nan),
     (827.9, 720.0), (828.1, nan), (612.1, 720.0), (611.9, nan)],
)  # fmt: skip
def test_the_spacing_nearest_to_the_steps(step: float, spacing: float):
    """In the ratio; and within 15 %, or it is none."""
    for order in ((180.0, 360.0, 720.0), (720.0, 180.0, 360.0)):
        steps = np.array([step - 3, step, step + 40])
        assert spacing_of(steps, order) == pytest.approx(spacing, nan_ok=True)
    assert np.isnan(spacing_of(steps[:0], order))


def test_missing_firings_are_whole_numbers_in_a_file():
    """Steps of 1, 3 and 0.4 firings: two are missing of five."""
    degrees = 180.0 * np.cumsum([0.0, 1.02, 2.9, 0.4])
    zero = np.zeros(4, np.int64)
    events = Events(zero, degrees, zero, zero + 1, zero, degrees, degrees)
    assert json.dumps(missing_between(events, 180.0)) == "[2, 5]"


@pytest.mark.parametrize(
    ("degrees", "folded"),
    [(350.0, -10.0), (-5.0, -5.0), (190.0, 190.0), (199.5, 199.5), (200.5, -159.5),
     (-159.5, -159.5), (-160.5, 199.5), (3620.0, 20.0), (-179.5, 180.5)],
)  # fmt: skip
def test_angles_within_half_a_turn_of_20(degrees: float, folded: float):
    assert fold(np.array([degrees]), 360.0, 20.0) == pytest.approx([folded])
    assert fold(np.array([degrees]), 360.0) == pytest.approx([(degrees + 180) % 360 - 180])


def test_of_sparks_without_an_angle_there_are_no_events():
    zero = np.zeros(3, np.int64)
    blind = Placed(np.arange(3), np.full(3, nan), zero - 1, np.full(3, nan))
    periods = Periods(zero, zero + 1000, zero, np.arange(3), 1.0 * zero, 1.0 * zero)
    found = group(blind, np.zeros(3, np.bool_), periods, 360.0, 20.0)
    assert (found.unplaced, found.cut, found.gap) == (3, 0, 20.0)
    for name in ("tick", "degrees", "segment", "sparks", "last_tick", "last_degrees", "to_edge"):
        assert len(getattr(found.events, name)) == 0, name


def test_no_step_across_a_break():
    degrees, zero = np.array([10.0, 190.0, 365.0, 20.0, 200.0]), np.zeros(5, np.int64)
    events = Events(zero, degrees, np.array([0, 0, 0, 1, 1]), zero, zero, degrees, degrees)
    assert events.steps() == pytest.approx([180.0, 175.0, nan, 180.0], nan_ok=True)
    assert missing_between(replace(events, degrees=2 * degrees), 180.0) == (3, 6)


def test_the_median_at_the_very_end():
    """A window more than a whole number of them: the last one has its own, of its last values."""
    near, every = _NEIGHBOURS, _EVERY
    values = np.append(np.zeros(near + every), np.ones(near + 1))
    assert _local_median(values).tolist() == values.tolist()
