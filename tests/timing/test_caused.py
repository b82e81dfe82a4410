"""Pulses of the crank that a spark makes or holds back; bursts, speeds and places: by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from sparkwitness.timing import timed
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.events import Events
from sparkwitness.timing.setup import Setup

TICK_S = 1e-8  # 10 ns
SETUP = Setup(Reference(1))


def seen(after_us: np.ndarray) -> tuple[float, float]:
    """Sparks each 0.1 s, and a pulse so long after each."""
    sparks = np.arange(1, len(after_us) + 1) * 10_000_000
    edges = sparks + np.rint(100 * np.asarray(after_us)).astype(np.int64)
    tables = SimpleNamespace(
        sparks=SimpleNamespace(tick=sparks), periods=SimpleNamespace(start=edges), tick_s=TICK_S
    )
    return timed.caused(SETUP, tables)  # type: ignore[arg-type]


def test_pulses_held_back_come_at_once():
    """Twelve of thirty at 150 µs, the rest evenly from 152 to 237 µs, 5 µs apart."""
    share, after = seen(np.append(np.full(12, 150.0), 152 + 5.0 * np.arange(18)))
    assert share == pytest.approx(12 / 30) and after == pytest.approx(150e-6)


def test_an_engine_does_not_keep_half_a_microsecond():
    """0.05° at 9000 rev/min are 0.93 µs: the steadiest spark of the fastest engine."""
    found = [seen(np.random.default_rng(k).normal(300, 0.93, 60))[0] for k in range(200)]
    assert max(found) < 0.3
    # A heap in the middle of the others is the engine's own.
    assert seen(np.append(np.full(12, 150.0), np.linspace(50, 149, 18)))[0] < 0.1


def test_few_pulses_or_late_ones_tell_nothing():
    assert seen(np.full(14, 150.0)) == (0.0, 0.0)
    assert seen(np.full(15, 150.0))[0] == 1.0
    assert seen(np.full(15, 1001.0)) == (0.0, 0.0)
    # Not those of before any spark, nor what comes a whole millisecond later.
    assert seen(np.append(np.full(15, 150.0), -20_000_000)) == (1.0, pytest.approx(150e-6))
    assert seen(np.append(np.full(14, 150.0), 1000.0)) == (0.0, 0.0)
    assert seen(np.append(np.full(14, 150.0), 999.9))[0] == pytest.approx(14 / 15)


def test_a_wheel_of_two_teeth_is_no_single_pulse():
    sparks = np.arange(1, 31) * 10_000_000
    tables = SimpleNamespace(
        sparks=SimpleNamespace(tick=sparks), periods=SimpleNamespace(start=sparks + 15_000),
        tick_s=TICK_S,
    )  # fmt: skip
    for teeth, share in ((1, 1.0), (2, 0.0)):
        found = timed.caused(Setup(Reference(teeth)), tables)  # type: ignore[arg-type]
        assert found[0] == share and (share or found == (0.0, 0.0))


# Bursts, speeds and places of events


def events(tick, degrees, sparks, last=None, segment=0) -> Events:
    """Events of one segment, or several; `last`: ticks of their last sparks."""
    tick, degrees = np.array(tick, np.int64), np.array(degrees, float)
    last = tick if last is None else np.array(last, np.int64)
    zero = np.zeros(len(tick), np.int64)
    return Events(
        tick, degrees, zero + segment, zero + np.array(sparks, np.int64), last,
        degrees + (last - tick) * 0.01, zero + 50.0,
    )  # fmt: skip


def test_events_of_just_two_edges():
    """Two of four with a known number, 900 µs and 700 µs apart: 4.8° at 1000 rev/min."""
    made = events([0, 10_000, 20_000, 30_000, 40_000], [0.0, 60, 120, 180, 240], [2, 2, 3, 0, 1],
                  [900, 10_700, 20_800, 30_000, 40_000])  # fmt: skip
    assert timed.pairs(made, 1e-6, 1000.0) == pytest.approx((0.5, 800e-6, 4.8))
    assert timed.pairs(made, 2e-6, 1000.0) == pytest.approx((0.5, 1600e-6, 9.6))
    assert timed.pairs(made.pick(made.sparks != 2), 1e-6, 1000.0) == (0.0, 0.0, 0.0)


def test_second_edges_that_come_late():
    """Sooner than 1.8 ms is a burst: of five events one is 2.0 and one 3.0 ms after its first."""
    first = [0, 10_000, 20_000, 30_000, 40_000]
    second = [2_000, 11_799, 23_000, 31_800]
    tables = SimpleNamespace(
        sparks=SimpleNamespace(tick=np.sort([*first, *second, 2_500])), tick_s=1e-6
    )
    made = events(first, np.zeros(5), [3, 2, 2, 2, 1])
    found = timed.second_edges(made, tables, 1000.0)  # type: ignore[arg-type]
    assert found == pytest.approx((0.4, 2.5e-3, 15.0))
    tables.tick_s = 1.001e-6  # then 31 800 is beyond as well, and 11 799 is 1.8008
    found = timed.second_edges(made, tables, 500.0)  # type: ignore[arg-type]
    assert found == pytest.approx((0.8, 1.9019e-3, 3000 * 1.9019e-3), rel=1e-6)
    tables.tick_s = 1e-9
    assert timed.second_edges(made, tables, 1e3) == (0.0, 0.0, 0.0)  # type: ignore[arg-type]
    single = made.pick(made.sparks == 1)
    assert timed.second_edges(single, tables, 1e3) == (0.0, 0.0, 0.0)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("cylinders", "rpm", "widest"),
    # 0.4 of 90° or of the interval, or 2 ms where these are more, to 0.8 of the interval.
    [(4, 1000.0, 36.0), (4, 4000.0, 48.0), (4, 15_000.0, 144.0), (1, 1000.0, 36.0),
     (8, 1000.0, 36.0), (10, 1000.0, 28.8), (10, 3000.0, 36.0), (10, 6000.0, 57.6)],
)  # fmt: skip
def test_sparks_further_apart_are_no_burst(cylinders: int, rpm: float, widest: float):
    setup = Setup(Reference(36, 1), cylinders=cylinders)
    assert timed._widest_burst(setup, rpm) == pytest.approx(widest)


def test_speed_around_each_event():
    """From the event before; of the first, and behind a break, to the one after; else unknown."""
    made = events([0, 120_000, 180_000, 500_000, 740_000, 900_000], [0, 720, 1440, 90, 810, 5], 1,
                  segment=[0, 0, 0, 1, 1, 2])  # fmt: skip
    found = timed._speed(made, 1e-6)
    assert found[:5] == pytest.approx([1000.0, 1000.0, 2000.0, 500.0, 500.0])
    assert np.isnan(found[5])
    assert timed._speed(made, 2e-6)[0] == pytest.approx(500.0)


def test_mean_speed_of_the_periods():
    """Four turns of a cam in 0.96 s are eight of the crank: 500 rev/min."""
    tables = SimpleNamespace(periods=SimpleNamespace(length=np.full(4, 240_000)), tick_s=1e-6)
    cam = Setup(Reference(36, 1, 2))
    assert timed.mean_speed(cam, tables) == pytest.approx(500.0)  # type: ignore[arg-type]
    plain = Setup(Reference(36, 1))
    assert timed.mean_speed(plain, tables) == pytest.approx(250.0)  # type: ignore[arg-type]


def test_each_event_with_the_delay_of_its_own_speed():
    """100 µs are 0.6° at 1000 and 1.2° at 2000 rev/min; one without a speed has the mean one."""
    setup = Setup(Reference(36, 1, 1, 60.0), delay_us=100.0)
    made = events([0, 120_000, 180_000, 500_000], [40.0, 760.0, 1480.0, 45.0], 1,
                  segment=[0, 0, 0, 1])  # fmt: skip
    tables = SimpleNamespace(periods=SimpleNamespace(length=np.full(4, 240_000)), tick_s=1e-6)
    steady = timed.Timed(made.pick(np.arange(4) < 2), np.array([19.0, 21.0]), np.ones(2), 720.0,
                         360.0, 0, 0, 0, every=made)  # fmt: skip
    found = timed.whole(setup, tables, steady)  # type: ignore[arg-type]
    assert found.angles == pytest.approx([20.6, 20.6, 21.2, 15 + 6e-4 * 250])
    assert len(found.events.tick) == 4 and np.isnan(found.speed[3])
    other = timed.Timed(made, np.array([-340.0, -339.0]), np.ones(2), 720.0, 360.0, 0, 0, 0)
    found = timed.whole(setup, tables, other)  # type: ignore[arg-type]
    assert found.angles[:3] == pytest.approx([-339.4, -339.4, -338.8])


@pytest.mark.parametrize(
    ("seen", "commanded", "first"),
    [(None, None, 0), (None, 18.0, 0), (18.0, -55.0, 0), (-55.0, 18.0, 3), (None, -55.0, 3),
     (-45.0, None, 0), (0.0, -55.0, 0)],
)  # fmt: skip
def test_the_first_cylinder_is_where_the_typed_angle_has_it(seen, commanded, first: int):
    """Every 180°, 40° BTDC: nearer to -55° than 40 is -140, three cylinders on. Else near 10°."""
    setup = Setup(Reference(36, 1, 2, 60.0), cylinders=4, clamp="coil", commanded=commanded,
                  seen=seen)  # fmt: skip
    made = events(30_000 * np.arange(12), 20 + 180.0 * np.arange(12), 1)
    tables = SimpleNamespace(tick_s=1e-6)
    seats, whole, even = timed._seated(setup, tables, made, 180.0)  # type: ignore[arg-type]
    assert seats is not None and seats.place.tolist() == [(first + k) % 4 for k in range(12)]
    assert whole is even is made


def test_an_odd_twin_is_evened_with_its_bursts():
    """315 and 405° apart: as if 360. A burst stays as it is; events of no place are left out."""
    setup = Setup(Reference(36, 1, 2, 60.0), cylinders=2, clamp="coil", firing=(0.0, 315.0),
                  commanded=40.0)  # fmt: skip
    degrees = 20 + np.array([720.0 * (k // 2) + 315.0 * (k % 2) for k in range(12)])
    tick = 60_000 * np.arange(12)
    made = events(tick, degrees, 2, tick + 500, segment=[*[0] * 9, 1, 1, 1])
    seats, whole, even = timed._seated(  # type: ignore[arg-type]
        setup, SimpleNamespace(tick_s=1e-6), made, 720.0
    )
    assert seats is not None and seats.place.tolist() == [0, 1, 0, 1, 0, 1, 0, 1, 0]
    assert whole.degrees.tolist() == degrees[:9].tolist()
    assert even.degrees == pytest.approx(20 + 360.0 * np.arange(9))
    assert even.last_degrees - even.degrees == pytest.approx(np.full(9, 5.0))
    tables = SimpleNamespace(periods=SimpleNamespace(length=np.full(4, 240_000)), tick_s=1e-6)
    steady = timed.Timed(even, np.full(9, 40.0), np.ones(9), 360.0, 720.0, 0, 0, 0,
                         every=whole, seats=seats)  # fmt: skip
    bare = replace(setup, delay_us=0.0)
    found = timed.whole(bare, tables, steady).angles  # type: ignore[arg-type]
    assert found == pytest.approx(np.resize([40.0, -320.0], 9))
    found = timed.whole(bare, tables, replace(steady, seats=None)).angles  # type: ignore[arg-type]
    assert found == pytest.approx(np.resize([40.0, -275.0], 9))


@pytest.mark.parametrize(("before", "share"), [(0, 0.5), (2, 0.5), (3, 0.05)])
def test_a_twentieth_may_come_before_the_heap(before: int, share: float):
    """Of forty pulses two: twenty at 150 µs, so many sooner, the rest later, each by itself."""
    sooner, later = 100 + 2.0 * np.arange(before), 160 + 3.0 * np.arange(20 - before)
    found, after = seen(np.concatenate((sooner, np.full(20, 150.0), later)))
    assert found == pytest.approx(share, abs=0.026)
    assert (after == pytest.approx(150e-6)) is (share == 0.5)
