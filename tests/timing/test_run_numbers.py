"""Numbers of a whole run: speed by cylinder, what a sweep tells, means on a circle; by hand.

Longer than other files: what a sweep is cut into and what it tells belong together.
"""

from dataclasses import replace
from math import hypot, nan, radians, sin, sqrt
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from sparkwitness.errors import UserError
from sparkwitness.timing import advice, budget, curve, rotor, tdc, torque
from sparkwitness.timing import stats as intervals
from sparkwitness.timing import timed as timing
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.budget import Budget, Component
from sparkwitness.timing.events import Events
from sparkwitness.timing.ripple import Ripple, Turns
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed

TICK_S = 1e-6
FOUR = Setup(Reference(36, 1, 1, 60.0), cylinders=4, clamp="coil", order=(1, 3, 4, 2))


# Means on a circle: scipy


@pytest.mark.parametrize("period", [360.0, 720.0, 90.0])
def test_circular_mean_and_deviation(period: float):
    degrees = period + np.array([-8.0, -1.0, 3.0, 4.0, 10.0, 2.5])
    mean = budget.circular_mean(degrees, period)
    assert mean == pytest.approx(stats.circmean(degrees, high=period, low=0.0))
    assert 0 <= budget.circular_mean(degrees - 20, period) < period
    spread = budget.circular_deviation(degrees, period)
    assert spread == pytest.approx(stats.circstd(degrees, high=period, low=0.0))
    assert budget.circular_deviation(np.full(3, 17.0), period) == pytest.approx(0.0, abs=1e-5)


def test_error_of_a_mean_and_of_few():
    """Alternating: independent or better. 2 s / sqrt(n) holds as often as of a normal by t."""
    values = 5 + np.tile([1.0, -1.0], 8)
    u, freedom = budget.mean_error(values)
    s = sqrt(16 / 15)
    assert (u, freedom) == pytest.approx((s / 4, 15.0))
    within = stats.norm.cdf(2) - stats.norm.cdf(-2)
    t = stats.t.ppf((1 + within) / 2, 15)
    assert budget.standard_error(values) == pytest.approx(s / 4 * t / 2, rel=1e-5)


@pytest.mark.parametrize(
    ("wide", "freedom"), [(0.1, 15.0), (0.5, 4 * 16 / 15 - 1), (0.7, 2.0), (2.0, 2.0)]
)
def test_error_of_a_mean_that_its_wander_makes_wider(monkeypatch, wide: float, freedom: float):
    """Alternating, s² = 16 / 15. Where slow wander says more, the mean is worth as many values as

    have that error, s² / wide², less one, but 2; and twice it covers as it was found.
    """
    monkeypatch.setattr(budget.visits, "of_series", lambda _: wide)
    values = 5 + np.tile([1.0, -1.0], 8)
    s = sqrt(16 / 15)
    u, found = budget.mean_error(values)
    assert found == pytest.approx(freedom)
    t = stats.t.ppf(stats.norm.cdf(2), int(freedom))
    assert budget.standard_error(values) == pytest.approx(max(wide, s / 4 * t / 2), rel=1e-4)
    assert u == pytest.approx(s / 4 if wide < 0.2 else wide * 2 / t, rel=1e-4)
    # More than a thousand are as good as without end; a part of a degree of freedom is none.
    assert budget.for_two(1.0, 1e9) == pytest.approx(stats.t.ppf(stats.norm.cdf(2), 1000) / 2, 1e-4)
    assert budget.for_two(1.0, 3.9) == pytest.approx(stats.t.ppf(stats.norm.cdf(2), 3) / 2, 1e-4)
    assert budget.for_two(1.0, 0.5) == pytest.approx(stats.t.ppf(stats.norm.cdf(2), 1) / 2, 1e-4)


def test_error_of_a_mean_of_values_that_are_all_alike(monkeypatch):
    """16 values, s² = 16 / 15, of which twelve that follow each other are alike: worth 1.3 values,

    and no fewer degrees of freedom than 2.
    """
    monkeypatch.setattr(budget.visits, "of_series", lambda _: None)
    monkeypatch.setattr(budget, "correlation_time", lambda _: 12.0)
    values = 5 + np.tile([1.0, -1.0], 8)
    u = sqrt(16 / 15) * sqrt(12 / 16)
    assert budget.mean_error(values) == pytest.approx((u, 2.0))
    t = stats.t.ppf(stats.norm.cdf(2), 2)
    assert budget.standard_error(values) == pytest.approx(u * t / 2, rel=1e-4)


# Series whose neighbours are alike


def slow_correlation_time(x: np.ndarray) -> float:
    """The same in plain loops: window where lag >= 5 times the sum (Madras & Sokal), Wolff's bias,
    and never less than neighbours say with Marriott & Pope's correction."""
    n, rest = len(x), x - x.mean()
    zero = sum(r * r for r in rest)
    first, total = 0.0, 1.0
    for lag in range(1, n // 2 + 2):
        rho = sum(rest[k] * rest[k + lag] for k in range(n - lag)) / zero
        first = rho if lag == 1 else first
        total += 2 * rho
        if lag >= 5 * total or lag > n // 2 - 1:
            break
    alike = min(first + (1 + 3 * first) / n, 1 - 4 / n) if first > 2 / sqrt(n) else 0.0
    return max((1 + alike) / (1 - alike), total * (1 + (2 * lag + 1) / n), 0.0)


@pytest.mark.parametrize(("n", "by"), [(4, 0.0), (30, 0.0), (60, 0.7), (400, 0.9), (900, 0.98)])
def test_correlation_time(n: int, by: float):
    rng = np.random.default_rng(n)
    x = np.zeros(n)
    for k in range(1, n):
        x[k] = by * x[k - 1] + rng.normal()
    assert intervals.correlation_time(x) == pytest.approx(max(1.0, slow_correlation_time(x)))
    assert intervals.correlation_time(x[:3]) == intervals.correlation_time(np.ones(n)) == 1.0


def test_a_slow_wander_under_noise_has_a_long_time():
    """Its neighbours are hardly alike, so that all lags have to tell; and a trend's all are."""
    rng = np.random.default_rng(4)
    slow = np.zeros(1500)
    for k in range(1, 1500):
        slow[k] = 0.98 * slow[k - 1] + rng.normal(0, 0.2)
    noisy = slow + rng.normal(0, 1.0, 1500)
    wanders = slow_correlation_time(noisy)
    assert wanders > 30 and intervals.correlation_time(noisy) == pytest.approx(wanders)
    for n in (8, 12, 40):
        line = np.arange(float(n))
        assert intervals.correlation_time(line) == pytest.approx(slow_correlation_time(line))
    # -1, -1, 1, 1: 1 / 4 and -1 / 2 of the square, 1 + 1 / 2 - 1; corrected by 5 / 4 of it.
    assert intervals.correlation_time(np.array([-1.0, -1, 1, 1])) == pytest.approx(0.5 * 9 / 4)


def flags(*pattern: int) -> np.ndarray:
    return np.array(pattern, np.bool_)


def test_events_that_come_together():
    """Spells of five, a fifth of all: 5 against (1 + q) / (1 - q), q = 1 - 0.8²."""
    five = flags(*[1] * 5, *[0] * 20)
    together = 5 / (1.36 / 0.64)
    assert intervals.clumping([[five] * 4]) == pytest.approx(together)
    assert intervals.clumping([[five], [five], [five]]) == pytest.approx(together)
    # One answer between two misses does not part them, two do. 2 and 1: (4 + 1) / 3.
    one, two = flags(1, 0, 1, *[0] * 47, 1, *[0] * 49), flags(1, 0, 0, 1, *[0] * 96)
    q = 1 - 0.97**2
    assert intervals.clumping([[one]]) == pytest.approx(5 / 3 * (1 - q) / (1 + q))
    assert intervals.clumping([[two]]) == 1.0
    # No more than 1.3 times what chance does: pairs, at a share of a tenth, are.
    assert intervals.clumping([[flags(1, 1, *[0] * 18)] * 5]) == pytest.approx(2 * 0.81 / 1.19)
    assert intervals.clumping([[flags(1, 1, *[0] * 6)] * 5]) == 1.0
    # Where all are missing chance is taken to go on with nine in ten: (1 + 0.9) / (1 - 0.9).
    assert intervals.clumping([[flags(*[1] * 30)]]) == pytest.approx(30 / 19)
    assert intervals.clumping([]) == intervals.clumping([[flags(*[0] * 9)]]) == 1.0


def test_a_share_that_differs_from_visit_to_visit():
    """Of 50 each: none, none, none, 15, none, 15. chi² = (4 · 5² + 2 · 10²) / 4.5, of five."""
    none, many = flags(*[0] * 50), flags(*[1, 0, 0] * 15, *[0] * 5)
    assert intervals.clumping([[none, none, none, many, none, many]]) == pytest.approx(
        300 / 4.5 / 5
    )
    # Four visits have three degrees of freedom: too few; of two places they add up.
    assert intervals.clumping([[none, none, none, many]]) == 1.0
    share = (3 * 3.75**2 + 11.25**2) / (50 * 0.075 * 0.925) / 3
    assert intervals.clumping([[none, none, none, many]] * 2) == pytest.approx(share)
    # Two of 50 once in six visits: (5 / 9 + 25 / 9) / 0.331 / 5 = 2.01, below 1 + 2 sqrt(2 / 5).
    few = flags(*[1, 0, 0] * 2, *[0] * 44)
    assert intervals.clumping([[few, *[none] * 5]]) == 1.0


# All events of a recording


def test_how_far_apart_the_sparks_of_a_burst_are():
    """Four: 36° of 90, or 2 ms, or eight tenths of 180°. Twelve fire each 60°."""
    for rpm, widest in ((1000.0, 36.0), (6000.0, 72.0), (15000.0, 144.0)):
        assert timing._widest_burst(FOUR, rpm) == pytest.approx(widest)
    twelve = replace(FOUR, cylinders=12, order=())
    assert timing._widest_burst(twelve, 1000.0) == pytest.approx(24.0)
    assert timing._widest_burst(twelve, 9000.0) == pytest.approx(48.0)


def some(n=12, sparks=1, last_us=0.0, segment=None) -> Events:
    tick = np.rint(np.arange(n) * 0.15 / TICK_S).astype(np.int64)
    zero = np.zeros(n, np.int64)
    degrees = 720.0 * np.arange(n) + 40.0
    last = tick + np.rint(np.broadcast_to(last_us, n) * 1e-6 / TICK_S).astype(np.int64)
    part = zero if segment is None else segment
    return Events(tick, degrees, part, zero + sparks, last, degrees, degrees * 0)


def test_speed_around_each_event():
    """720° in 0.15 s are 800 rev/min; the first of a stretch has that of the next."""
    assert timing._speed(some(), TICK_S) == pytest.approx(np.full(12, 800.0))
    cut = timing._speed(some(segment=(np.arange(12) > 10).astype(np.int64)), TICK_S)
    assert np.isnan(cut[11]) and cut[10] == pytest.approx(800.0)


def test_all_events_with_their_own_delay():
    """40° past the edge at 60° BTDC: 20°; 100 µs at 800 rev/min are 0.48° later than it fired."""
    setup = replace(FOUR, delay_us=100.0, u_delay_us=1.0)
    found = Timed(some(4), np.full(4, 20.48), np.full(4, 800.0), 720.0, 360.0, 0, 0, 0)
    zero = np.zeros(9, np.int64)
    turned = Periods(
        75_000 * np.arange(9), zero + 75_000, zero, np.arange(9), zero + nan, zero + nan
    )
    tables = cast(Any, type("T", (), {"tick_s": TICK_S, "periods": turned})())
    alone = timing.whole(setup, tables, found)
    assert len(alone.angles) == 4
    assert alone.angles == pytest.approx(np.full(4, 20 + 6e-6 * 800 * 100))
    every = timing.whole(setup, tables, replace(found, every=some(12)))
    assert len(every.angles) == 12 and every.speed == pytest.approx(np.full(12, 800.0))
    assert every.pick(np.arange(12) < 5).angles == pytest.approx(np.full(5, 20.48))


def test_all_events_of_a_sensor_whose_delay_changes_with_the_speed():
    """Pairs of events 720° apart in 36, 3.6, 0.36 and 0.036 s: from 20 to 20000 rev/min."""
    setup = replace(FOUR, sensor="vr", falling=("crank",), delay_us=None)
    rpm = np.repeat([20.0, 200.0, 2000.0, 20_000.0], 2)
    tick = np.cumsum(np.where(np.arange(8) % 2, 720 / 6 / rpm / TICK_S, 1e8)).round()
    pair = np.arange(8) // 2
    events = replace(some(8, segment=pair), tick=tick.astype(np.int64))
    zero = np.zeros(2, np.int64)
    turned = Periods(zero, zero + 75_000, zero, zero, zero + nan, zero + nan)
    tables = cast(Any, type("T", (), {"tick_s": TICK_S, "periods": turned})())
    found = Timed(events, np.full(8, 20.0), rpm, 720.0, 360.0, 0, 0, 0)
    told = timing.whole(setup, tables, found)
    late = np.array([setup.delay(n).us for n in rpm])
    assert len(np.unique(np.abs(late).round(1))) == 4
    assert told.speed == pytest.approx(rpm) and told.angles == pytest.approx(20 + 6e-6 * rpm * late)


def test_events_of_two_edges():
    """Of eight with a known number six have two, 0.9 ms apart: 4.32° at 800 rev/min."""
    sparks = np.array([2] * 6 + [1, 3, 0, 0])
    share, apart, degrees = timing.pairs(some(10, sparks, 900.0), TICK_S, 800.0)
    assert (share, apart, degrees) == pytest.approx((0.75, 0.9e-3, 4.32), rel=1e-3)
    assert timing.pairs(some(10, 3, 900.0), TICK_S, 800.0) == (0.0, 0.0, 0.0)


def test_second_edges_later_than_a_burst():
    """Of ten events four have a second edge 3 ms later, two one of 1.7 ms: 14.4° at 800."""
    sparks = np.array([2] * 6 + [1] * 4)
    events = some(10, sparks)
    late = np.array([3000, 3000, 1700, 3000, 1700, 3000])
    edges = np.sort(np.append(events.tick, events.tick[:6] + late))
    tables = cast(Any, type("T", (), {
        "tick_s": TICK_S, "sparks": type("S", (), {"tick": edges})(),
    })())  # fmt: skip
    found = timing.second_edges(events, tables, 800.0)
    assert found == pytest.approx((0.4, 3e-3, 14.4))
    assert timing.second_edges(some(10), tables, 800.0) == (0.0, 0.0, 0.0)
    soon = np.sort(np.append(events.tick, events.tick[:6] + 1799))
    tables.sparks.tick = soon
    assert timing.second_edges(events, tables, 800.0) == (0.0, 0.0, 0.0)


def test_bins_of_the_rotors_course():
    """From the second hundredth of the speeds on, each 0.15 in the logarithm wide."""
    setup = replace(FOUR, rotor=18.0, rotor_within=2.0)
    for factor, rows in ((0.99, 1), (1.01, 2)):
        speed = np.repeat([1000.0, 1000 * np.exp(0.15) * factor], 50)
        events = some(100)
        found = timing.Whole(events, np.full(100, 20.0), speed)
        course = rotor._course(setup, found, np.full(100, 20.0))
        assert len(course) == rows and sum(c.events for c in course) == 100
    assert course[0].rpm == pytest.approx(1000.0) and course[0].first == pytest.approx(1.0)
    for n, rows in ((9, 1), (10, 2)):
        few = timing.Whole(
            some(50 + n), np.full(50 + n, 20.0), np.repeat([1000.0, 2000.0], [50, n])
        )
        assert len(rotor._course(setup, few, np.full(50 + n, 20.0))) == rows


def test_the_rotors_course_over_36_times_the_speed():
    """26 bins of 0.15 in the logarithm: from the starter's speed to the fastest, none left out."""
    k = np.repeat(np.arange(26), 20)
    speed = 100.0 * np.exp(0.15 * np.where(k, k + 0.3, 0.0))
    course = rotor._course(
        replace(FOUR, rotor=18.0), timing.Whole(some(520), np.full(520, 20.0), speed),
        np.full(520, 20.0),
    )  # fmt: skip
    assert [c.rpm for c in course] == pytest.approx(np.unique(speed))


@pytest.mark.parametrize(
    ("before", "after", "fits"),
    [(-90.0, 90.0, True), (-90.5, 90.0, False), (-1.0, 1.0, True), (-0.9, 1.0, False)],
)
def test_stops_from_two_degrees_to_half_a_turn_apart(before: float, after: float, fits: bool):
    if fits:
        found = tdc.from_stops(before, after)
        assert found.reading == pytest.approx(0.0) and found.half == (after - before) / 2
    else:
        with pytest.raises(UserError, match="from 2° to 180° makes sense"):
            tdc.from_stops(before, after)
    for value in (nan, -0.1):
        with pytest.raises(UserError, match="must be numbers"):
            tdc.from_stops(-20.0, 20.0, value)
    assert tdc.from_stops(-20.0, 20.0, 0.0).u == 0.0


# Speed by cylinder

SWING, TIMING, PHASE = 0.05, 10.0, 100.0


def turned(
    gains=(0.0,) * 4, swing=SWING, cycles=40, lost=(), reference=FOUR.reference, rpm=1500.0,
    order=2, rise=0.0, begin=0,
):  # fmt: skip
    """Turns of a crank whose squared speed is mean · (1 - swing cos 2a) and what the firings give.

    a: degrees from a dead centre, `order` times a turn; `gains`: of the mean square, gained evenly
    from each dead centre to the next one; `lost`: turns that were not kept; `rise`: of the square
    in a cycle; `begin`: first tick.
    """
    fine = np.arange(0.0, 720.0 * cycles + 720.0, 0.25)
    a = (fine - (PHASE + TIMING)) % 720.0
    ends = np.concatenate(([0.0], np.cumsum(gains)))
    square = 1 - swing * np.cos(np.radians(order * a)) + np.interp(a, 180.0 * np.arange(5), ends)
    square += rise * fine / 720
    speed = 6 * rpm * np.sqrt(square) * TICK_S  # degrees a tick
    time = np.concatenate(([0.0], np.cumsum(0.25 * 2 / (speed[1:] + speed[:-1]))))
    m = reference.teeth - reference.missing
    places = np.arange(m) * reference.step
    places[: len(reference.errors)] += reference.errors
    whole = 360.0 * reference.turns
    number = np.arange(2 * cycles // reference.turns)
    edges = np.interp(whole * number[:, None] + np.append(places, whole), fine, time)
    keep = ~np.isin(number, lost)
    ticks = np.rint(edges[keep]).astype(np.int64) + begin
    return Turns(ticks, np.zeros(keep.sum(), np.int64), number[keep])


def told(turns, setup=FOUR, rpm=1500.0, u_teeth=0.02, phases=None, share=0.05):
    phases = {0: PHASE} if phases is None else phases
    return torque.index(turns, setup, phases, TIMING, rpm, u_teeth, share)


# Over 30°: a wave of order 2 is seen by sin(30°) of 30° in radians; a bend of straight lines
# rounds by an eighth of the width times the change of slope.
SEEN = sin(radians(30)) / radians(30)
GAINS = np.array([0.006, -0.010, 0.006, -0.002])


def test_speed_that_each_firing_gives():
    found = told(turned(GAINS))
    assert found.kind == "firing" and found.cycles == 39
    bend = (GAINS - np.roll(GAINS, 1)) / 180 * 30 / 8
    gained = GAINS + np.roll(bend, -1) - bend
    # The last dead centre of a cycle is the next cycle's first.
    expected = 1 + gained / (2 * SWING * SEEN)
    assert [float(n) for n in found.each] == pytest.approx(expected, abs=0.006)
    assert np.mean([float(n) for n in found.each]) == pytest.approx(1.0)
    # Nothing scatters: two teeth's places at each of two dead centres, twice in the square.
    z = stats.norm.ppf(0.975)
    u = 2 * sqrt(2) * 0.02 / 30 * sqrt(2) / (2 * SWING * SEEN)
    assert [n.u95 for n in found.each] == pytest.approx([z * u] * 4, rel=0.02)
    tight = told(turned(GAINS), u_teeth=0.04, share=0.05 / 4)
    assert tight.each[0].u95 == pytest.approx(2 * u * stats.norm.ppf(1 - 0.05 / 8), rel=0.02)


def test_speed_that_each_compression_takes():
    """While cranking, slower than 400 rev/min: from the fastest point to the dead centre."""
    slow = turned(GAINS, rpm=200.0)
    found = told(slow, rpm=200.0)
    bend = (GAINS - np.roll(GAINS, 1)) / 180 * 30 / 8
    taken = 2 * SWING * SEEN - np.roll(GAINS, 1) / 2 - bend
    assert found.kind == "compression"
    assert [float(n) for n in found.each] == pytest.approx(taken / taken.mean(), abs=0.006)
    assert told(slow, rpm=399.0).kind == "compression" and told(slow, rpm=400.0).kind == "firing"


def test_a_strong_compression_counts_for_more_than_a_weak_one():
    """A run of 3 % swing and one of 10: the mean of what each takes, by the mean of all."""
    weak = turned(GAINS, 0.03, rpm=200.0)
    strong = turned(GAINS, 0.10, rpm=200.0, begin=int(weak.edges[-1, -1]))
    both = Turns(
        np.vstack((weak.edges, strong.edges)),
        np.repeat([0, 1], [len(weak.number), len(strong.number)]),
        np.append(weak.number, strong.number),
    )
    found = told(both, rpm=200.0, phases={0: PHASE, 1: PHASE})
    bend = (GAINS - np.roll(GAINS, 1)) / 180 * 30 / 8
    taken = 2 * 0.065 * SEEN - np.roll(GAINS, 1) / 2 - bend
    assert [float(n) for n in found.each] == pytest.approx(taken / taken.mean(), abs=0.006)


def test_speed_is_not_taken_across_turns_that_are_missing():
    """Of forty cycles one has no whole after the last; a turn that is lost takes one, or two."""
    assert told(turned(GAINS, lost=(21,))).cycles in (37, 38)
    whole = [float(n) for n in told(turned(GAINS)).each]
    assert [float(n) for n in told(turned(GAINS, lost=(21,))).each] == pytest.approx(
        whole, abs=1e-3
    )
    other = told(turned(GAINS), phases={0: PHASE, 1: 0.0})
    assert other.cycles == 39 and told(turned(GAINS), phases={1: 0.0}) is None
    assert told(turned(GAINS, cycles=13)).cycles == 12 and told(turned(GAINS, cycles=12)) is None
    assert told(None) is None


def test_teeth_that_were_learned_are_taken_off():
    errors = tuple(0.4 * np.sin(np.radians(70.0 * np.arange(35))))
    reference = replace(FOUR.reference, errors=errors)
    off = turned(GAINS, reference=reference)
    whole = [float(n) for n in told(turned(GAINS)).each]
    found = told(off, replace(FOUR, reference=reference))
    assert [float(n) for n in found.each] == pytest.approx(whole, abs=0.005)
    assert [float(n) for n in told(off).each] != pytest.approx(whole, abs=0.02)


@pytest.mark.parametrize(("swing", "seen"), [(0.0022, True), (0.0019, False)])
def test_a_swing_too_small_to_compare(swing: float, seen: bool):
    """0.2 % of the mean square either way, as seen over 30°: 0.0021."""
    assert (told(turned(swing=swing)) is not None) == seen


def test_a_wheel_with_too_few_teeth():
    """Four to a firing interval of 180°: 8 a turn."""
    for teeth, seen in ((8, True), (7, False)):
        reference = Reference(teeth, 0, 1, 60.0)
        found = told(turned(reference=reference), replace(FOUR, reference=reference))
        assert (found is not None) == seen
    # Steps of 20° are looked at two at a time: a wave of order 2 is seen by sin(40°) of 40°.
    few = replace(FOUR, reference=Reference(18, 0, 1, 60.0))
    found = told(turned(reference=few.reference), few)
    u = 2 * sqrt(2) * 0.02 / 40 * sqrt(2) / (2 * SWING * sin(radians(40)) / radians(40))
    assert found.each[0].u95 == pytest.approx(stats.norm.ppf(0.975) * u, rel=0.12)
    single = replace(FOUR, cylinders=1, order=(1,))
    assert told(turned(), single) is None and told(turned(order=0.5), single) is None


def test_the_same_by_a_wheel_on_the_cam():
    """72 teeth for two turns of the crank, as far apart as 36 for one."""
    cam = replace(FOUR, reference=Reference(72, 1, 2, 60.0))
    found = told(turned(GAINS, reference=cam.reference), cam)
    whole = [float(n) for n in told(turned(GAINS)).each]
    assert found.cycles == 39 and [float(n) for n in found.each] == pytest.approx(whole, abs=1e-3)


def test_a_twin_and_one_that_fires_unevenly():
    """Two firings a cycle are the least; four teeth to 40° of a 36 wheel, and none to 39°."""
    twin = replace(FOUR, cylinders=2, order=())
    found = told(turned(order=1), twin)
    assert [float(n) for n in found.each] == pytest.approx([1.0, 1.0], abs=0.01)
    # The wave is seen by sin(15°) of 15°, in radians, over 30°; half of it either way.
    u = 2 * sqrt(2) * 0.02 / 30 * sqrt(2) / (2 * SWING * sin(radians(15)) / radians(15))
    assert found.each[0].u95 == pytest.approx(stats.norm.ppf(0.975) * u, rel=0.02)
    three = replace(twin, cylinders=3)
    assert told(turned(order=1), replace(three, firing=(0.0, 321.0, 360.0))) is None
    found = told(turned(order=1), replace(three, firing=(0.0, 320.0, 360.0)))
    assert found.cycles == 39
    # Over 20° then, two of the wheel's steps: a third of the shortest interval is less.
    dead, mid, end = (np.cos(np.radians(a)) for a in ((0, 320, 360), (160, 340, 540), (320, 0, 0)))
    seen = SWING * np.mean((dead + end) / 2 - mid) * sin(radians(10)) / radians(10)
    u = 2 * sqrt(2) * 0.02 / 20 * sqrt(2) / seen
    assert found.each[0].u95 == pytest.approx(stats.norm.ppf(0.975) * u, rel=0.03)
    # Of a finer wheel over the third itself, 13.3°.
    fine = replace(three, firing=(0.0, 320.0, 360.0), reference=Reference(120, 1, 1, 60.0))
    found = told(turned(order=1, reference=fine.reference), fine)
    seen *= sin(radians(20 / 3)) / radians(20 / 3) / (sin(radians(10)) / radians(10))
    u = 2 * sqrt(2) * 0.02 / (40 / 3) * sqrt(2) / seen
    assert found.each[0].u95 == pytest.approx(stats.norm.ppf(0.975) * u, rel=0.03)


def test_a_speed_that_rises_is_no_cylinders_doing():
    """4 in 1000 of the square each cycle: a quarter of it to each firing, and 1.0 of each."""
    found = told(turned(rise=0.004))
    assert [float(n) for n in found.each] == pytest.approx([1.0] * 4, abs=0.006)
    # What compressions take is against their own mean, whatever the speed does.
    slow = told(turned(GAINS, rpm=200.0, rise=0.02), rpm=200.0)
    assert np.mean([float(n) for n in slow.each]) == pytest.approx(1.0, abs=1e-9)
    assert told(turned(GAINS), phases={}) is None


def test_ticks_after_years_lose_no_digit():
    late, early = told(turned(GAINS, begin=1 << 61)), told(turned(GAINS))
    assert late.each == early.each


def test_of_which_cycles_the_speed_is_taken():
    """Within half a width of the ends of what is kept, and not across a turn that is lost.

    Turn 21 is: nothing is known from 7540°, the last tooth before, to 7920°.
    """
    at = np.array([14.0, 15.0, 16.0, 324.0, 325.0, 326.0])

    def seen(turns, at, width=30.0):
        return torque._speeds(turns, FOUR.reference, 0, at, 720.0, width)

    gone = ~np.isfinite(seen(turned(lost=(21,)), at))
    assert np.argwhere(gone).tolist() == [[10, 5], [11, 0]] or np.argwhere(gone).tolist() == [
        [9, 5], [10, 0]
    ]  # fmt: skip
    # From 30° to the last edge, 14 380°, less 30°: twenty cycles less what is beyond.
    whole = turned(cycles=20)
    for first, cycles in ((30.0, 20), (29.0, 19), (670.0, 20), (671.0, 19)):
        assert len(seen(whole, np.array([first]))) == cycles, first
    assert len(seen(turned(cycles=1), np.array([25.0, 340.0]))) == 0
    assert len(seen(turned(cycles=1), np.array([30.0, 325.0, 670.0]))) == 1
    still = 6 * 1500.0 * TICK_S
    assert seen(turned(swing=0.0), at[:1]) == pytest.approx(np.full((39, 1), still**2), rel=1e-3)


# What a sweep tells


def sweep(speed, spacing=720.0) -> Timed:
    n = len(speed)
    tick = np.rint(np.arange(n) * 0.1 / TICK_S).astype(np.int64)
    zero = np.zeros(n, np.int64)
    events = Events(tick, spacing * np.arange(n), zero, zero + 1, tick, spacing * np.arange(n),
                    np.zeros(n))  # fmt: skip
    return Timed(events, np.zeros(n), np.asarray(speed, float), spacing, 360.0, 0, 0, 0)


def test_which_way_the_speed_goes():
    """Over twelve turns: six before, six after; at 720° an event that is three either way."""
    even = curve._trend(sweep(1000 + 5.0 * np.arange(40)), TICK_S)
    assert even == pytest.approx(np.full(40, 50.0))
    step = curve._trend(sweep(np.where(np.arange(40) < 20, 1000.0, 1060.0)), TICK_S)
    assert np.flatnonzero(step).tolist() == list(range(17, 23))
    assert step[17:23] == pytest.approx(60 / 0.6)
    assert curve._trend(sweep([1000.0]), TICK_S).tolist() == [0.0]
    for spacing, reach in ((180.0, 12), (4320.0, 1), (9000.0, 1), (617.0, 4), (618.0, 3)):
        step = curve._trend(sweep(np.where(np.arange(60) < 30, 0.0, 1.0), spacing), TICK_S)
        assert np.count_nonzero(step) == 2 * reach, spacing


def test_speed_at_the_spark_against_the_mean():
    """0.5° of the second order, 40° past the edge: the slope is -2 · 0.5° sin(80°)."""
    turns = turned(swing=0.0, cycles=5, rpm=1000.0)
    setup = replace(FOUR, reference=Reference(36, 1, 1, 60.0))
    row = bins((1000.0, 2.0, 0.0))[0]
    row = replace(row, timing=20.0)
    amplitude = np.zeros(8, np.complex128)
    amplitude[3] = 0.5
    ripple = Ripple(amplitude, np.full(8, 0.01), 20, 1)
    tables = cast(Any, type("T", (), {"turns": turns, "tick_s": TICK_S})())
    slope = radians(-2 * 0.5 * sin(radians(80)))
    assert curve._local(setup, tables, ripple, row) == pytest.approx(1 + slope, rel=1e-6)
    short = replace(ripple, amplitude=amplitude[:5])  # no third order is known
    assert curve._local(setup, tables, short, row) == pytest.approx(1 + slope, rel=1e-6)
    for rpm, by in ((2000.0, 0.25), (500.0, 4.0)):
        at = curve._local(setup, tables, ripple, replace(row, rpm=rpm))
        assert at == pytest.approx(1 + slope * by, rel=1e-5)
    huge = replace(ripple, amplitude=20 * amplitude)
    assert curve._local(setup, tables, huge, row) == pytest.approx(0.75)
    wave = np.zeros(14, np.complex128)
    # Order 6; halves and thirds of a turn do not count, nor does what is beyond.
    wave[11], wave[0], wave[2], wave[13] = 0.1j, 9.0, 9.0, 9.0
    at = curve._local(setup, tables, replace(ripple, amplitude=wave), row)
    assert at == pytest.approx(1 + radians(-6 * 0.1 * np.cos(radians(240))))
    wheel = replace(setup, reference=Reference(36, 1, 2, 60.0))
    cam = np.zeros(8, np.complex128)
    cam[3] = 0.5  # first order of the crank on a wheel of the camshaft
    long = replace(turns, edges=2 * turns.edges)
    tables = cast(Any, type("T", (), {"turns": long, "tick_s": TICK_S})())
    at = curve._local(wheel, tables, replace(ripple, amplitude=cam, turns=2), row)
    assert at == pytest.approx(1 + radians(-0.5 * sin(radians(40))))
    assert curve._local(setup, tables, None, row) == 1.0


def bins(*rows, u=0.02, gap=0.0, own=0.01, n=40) -> list[curve.Bin]:
    """Of (rpm, error, hysteresis beside `gap`)."""
    return [
        curve.Bin(rpm, 18.0 + error, u, 2 * u, 0.1, n, 1.0, 20.0, 20.0, gap + more, 2 * own, 18.0)
        for rpm, error, more in rows
    ]


DELAY, FIXED = 150.0, 2.0
RPM = (1000.0, 2000.0, 3000.0, 4000.0)


def fitted(delay=DELAY, local=1.0, u_delay=0.1, target=0.5, gap=0.0, confirmed=(), own=0.01):
    setup = Setup(
        Reference(36, 1, 1, 60.0), cylinders=4, target=target, delay_us=0.0, u_delay_us=u_delay,
        confirmed=confirmed,
    )  # fmt: skip
    rows = bins(*((n, FIXED - 6e-6 * n * local * delay, 0.0) for n in RPM), gap=gap, own=own)
    parts = Budget((Component("scatter of the sparks", "A", 0.02, ""),
                    Component("reference angle", "B", 0.3, "")))  # fmt: skip
    noise = np.full(4, own)
    fit, findings = curve._fitted(setup, rows, [parts] * 4, np.full(4, local), noise)
    return fit, {f.code: f for f in findings}


@pytest.mark.parametrize("local", [1.0, 0.9])
def test_delay_and_fixed_error_of_a_sweep(local: float):
    """Errors on fixed - 6 N t; u = 0.02° at 1000 to 4000: u_t = 0.02 / (6e-6 · sqrt(5e6)).

    Student's t of two degrees of freedom; ± 0.6° of the reference is in the fixed part alone.
    """
    fit, findings = fitted(local=local, own=0.0)
    assert fit.told_apart and not findings
    assert (fit.delay_us, fit.fixed) == pytest.approx((DELAY, FIXED))
    u = 0.02 / (6e-6 * local * sqrt(5e6))
    t = stats.t.ppf(0.975, 2)
    assert fit.u_delay_us == pytest.approx(t * u)
    bare = 0.02 * sqrt(1 / 4 + 2500**2 / 5e6)
    assert fit.u_fixed == pytest.approx(hypot(t * bare, 0.6))
    bare_bins = [replace(bins((1e3, 1.0, 0.0))[0], wanted=nan)] * 3
    assert curve._fitted(Setup(Reference(1)), bare_bins, [], np.ones(3), np.zeros(3)) == (None, ())


def test_what_a_sweep_cannot_tell():
    # The clamp's own ± 3.4 µs against half of ± 6.4: said; ± 3.0: not.
    assert "clamp's own delay is known to ±3.4 µs" in fitted(u_delay=1.7)[1]["clamp_delay"].text
    assert "clamp_delay" not in fitted(u_delay=1.5)[1]
    once = fitted(gap=nan)[1]["swept_once"]
    assert "one way only" in once.text and once.advice
    # Half of the hysteresis either way: twice that of more than a third of the target.
    assert "(0.20°)" in fitted(gap=0.2, own=0.0)[1]["drift"].text
    assert "drift" not in fitted(gap=0.16, own=0.0)[1]
    assert "drift" not in fitted(gap=0.2, own=0.0, target=0.62)[1]
    assert "drift" not in fitted(gap=0.2, own=0.19)[1]


def test_passages_of_a_sweep_by_hand():
    """Up and down through three spans of 250 rpm, twelve events in each, nine at the turn; three
    events over the border are of the passage that follows, and end none."""
    span = np.repeat([4, 5, 6, 5, 4], [12, 12, 9, 12, 12])
    span[5:8] = 5
    found = curve._runs(span)
    assert [(int(r[0]), int(r[-1]), len(r)) for r in found] == [
        (0, 11, 9), (5, 23, 15), (24, 32, 9), (33, 44, 12), (45, 56, 12)
    ]  # fmt: skip
    events = sweep(250.0 * span + 100)
    events = replace(events, angles=20 + 0.5 * (np.arange(len(span)) > 28) + 0.1 * (span == 4))
    rows = bins((1100, 20.0, 0.0), (1350, 20.0, 0.0), (1600, 20.0, 0.0))
    setup = Setup(Reference(1), commanded=18.0)
    told = curve._passages(setup, events, span, rows, np.array([1, 1, 0.9]), TICK_S, None)
    assert told.rpm == pytest.approx([1100, 1350, 0.9 * 1600, 1350, 1100])
    assert told.error == pytest.approx([2.1, 2.0, 2 + 0.5 * 4 / 9, 2.5, 2.6])
    assert told.begin == pytest.approx([0, 0.5, 2.4, 3.3, 4.5])
    assert told.end == pytest.approx([1.1, 2.3, 3.2, 4.4, 5.6])
    assert told.of.tolist() == np.eye(3)[[0, 1, 2, 1, 0]].tolist()
    # One step of 0.5 in eight differences of the third: half of its mean square; half a bin's
    # share of all 57 events elsewhere.
    third = 0.5**2 / 8 / 2
    assert told.u[2] == pytest.approx(sqrt(third / 9))
    assert told.u[0] == pytest.approx(sqrt(third * 9 / 57 / 9))
    # Against a curve, where it has a value; none of one bin alone.
    to = np.array([1000.0, 1500.0]), np.array([10.0, 20.0])
    rows = [*rows[:2], replace(rows[2], wanted=nan)]
    told = curve._passages(setup, events, span, rows, np.ones(3), TICK_S, to)
    assert told.error[:2] == pytest.approx([20.1 - 12, 20 - 17])
    short = [replace(r, wanted=nan) for r in rows[:2]] + [rows[2]]
    assert curve._passages(setup, events, span, short, np.ones(3), TICK_S, to) is None
    # Eight events are a span and a passage; seven are none, of either.
    for n, seen in ((8, [1100, 1350]), (7, None)):
        span = np.repeat([4, 5], [n, 12])
        made = bins((1100, 20.0, 0.0), (1350, 20.0, 0.0))[8 - n :]
        told = curve._passages(
            setup, sweep(250.0 * span + 100), span, made, np.ones(len(made)), TICK_S, None
        )
        assert (told if told is None else told.rpm.round(9).tolist()) == seen


def test_passages_without_end_are_counted_in_wider_spans():
    """Fifty times up and down through eight spans, nine events in each."""
    span = np.tile(np.repeat([0, 1, 2, 3, 4, 5, 6, 7, 7, 6, 5, 4, 3, 2, 1, 0], 9), 25)
    rows = bins(*((125 + 250.0 * k, 20.0, 0.0) for k in range(8)))
    setup = Setup(Reference(1), commanded=18.0)
    # What scatters on the way up alone belongs to the span, not to the way.
    up = np.tile(np.repeat([1, 0], 72), 25)
    events = replace(sweep(125 + 250.0 * span), angles=20 + 0.1 * up * (-1.0) ** np.arange(3600))
    told = curve._passages(setup, events, span, rows, np.ones(8), TICK_S, None)
    # Sixteen passages a time, ends in one: 351; in pairs of spans 8, ends in one: 151.
    assert len(told.rpm) == 25 * 6 + 1
    assert told.of[0].tolist() == [0.5, 0.5] + [0] * 6
    assert told.rpm[0] == pytest.approx(250.0) and (told.u > 0.005).all()
    assert told.u[1::6][1:] == pytest.approx(told.u[5::6][1:]) != pytest.approx(told.u[2])
    quiet = replace(events, angles=np.full(3600, 20.0))
    told = curve._passages(setup, quiet, span, rows, np.ones(8), TICK_S, None)
    assert told.u == pytest.approx(np.full(151, 1e-4))
    # Seven spans are too few to be paired, and of eight pairs are the most.
    seven = np.where(span > 6, 6, span)
    told = curve._passages(setup, quiet, seven, rows[:7], np.ones(7), TICK_S, None)
    assert len(told.rpm) == 200 and told.of[0].tolist() == [1.0] + [0.0] * 6
    often = np.tile(span, 2)
    twice = replace(sweep(125 + 250.0 * often), angles=np.full(7200, 20.0))
    told = curve._passages(setup, twice, often, rows, np.ones(8), TICK_S, None)
    assert len(told.rpm) == 200 and told.of[0].tolist() == [0.5, 0.5] + [0.0] * 6


def test_a_few_events_elsewhere_end_no_passage():
    """Seven in the next span, back within eight; eight end it."""
    for elsewhere, begins in ((7, [0]), (8, [0, 10, 18])):
        place = np.repeat([0, 1, 0], [10, elsewhere, 10])
        assert [int(run[0]) for run in curve._runs(place)] == begins
    assert [len(run) for run in curve._runs(np.repeat([-1, 0, -1, 1], [9, 7, 20, 8]))] == [8]
    # At a border two passages mix: the one that begins first comes first.
    mixed = curve._runs(np.array([1, 0, 0, *np.tile([1, 0], 8)]))
    assert [int(run[0]) for run in mixed] == [0, 1]


@pytest.mark.parametrize(
    ("delay", "told"), [(6.0, False), (7.0, True), (60.0, True), (71.0, True), (72.0, False),
                        (-10.0, False)]
)  # fmt: skip
def test_a_delay_that_a_clamp_the_wrong_way_round_would_add(delay: float, told: bool):
    """Surely more than none, and up to 65 µs and what the delay is known to."""
    fit, findings = fitted(delay)
    assert fit.u_delay_us == pytest.approx(6.41, abs=0.05)
    assert ("clamp_side" in findings) == told
    if told:
        assert "up to 65 µs" in findings["clamp_side"].text and not findings["clamp_side"].advice
    assert "clamp_side" not in fitted(delay, confirmed=("clamp_side",))[1]


# What trials of the setting tell


def test_a_gain_that_one_setting_cannot_tell_contradicts_nothing():
    found = advice.learn_gain([advice.Trial(5.0, 2.0, 0.1)], -2.0)
    assert (found.gain, found.u, found.contradicts) == (-2.0, np.inf, False)
    near = advice.learn_gain([advice.Trial(5.0, 2.0, 1.0), advice.Trial(5.1, 2.0, 1.0)], 1.0)
    assert (near.gain, near.contradicts) == (1.0, False)
    assert near.u == pytest.approx(1 / sqrt(2 * 0.05**2))


def test_noise_of_rising_less_falling_from_event_to_event():
    """Steps of 0.6 and of 0.2: half their squares over ten and over twenty; a slow rise is none."""
    up, down = np.resize([20.3, 19.7], 10), np.resize([18.1, 17.9], 20)
    angles = np.concatenate((up, [50.0, 60.0], down + np.linspace(0, 0.001, 20)))
    trend = np.concatenate((np.full(10, 41.0), [40.0, -40.0], np.full(20, -41.0)))
    found = curve._noise(angles, trend)
    assert found == pytest.approx(sqrt(0.36 / 2 / 10 + 0.04 / 2 / 20), rel=1e-3)
    assert np.isnan(curve._noise(angles[3:], trend[3:])) and curve._noise(angles[2:], trend[2:]) > 0


def test_trials_at_the_borders_of_what_they_tell():
    """Settings 0, 0, 2, 2, each ± 1: the slope is (mean at 2 less mean at 0) / 2, u = 1 / 2."""

    def told(slope: float, stated: float, u: float = 1.0) -> advice.LearnedGain:
        trials = [advice.Trial(x, slope * x, u) for x in (0.0, 0.0, 2.0, 2.0)]
        return advice.learn_gain(trials, stated)

    # Half of the stated 1 is just known well enough; of 0.99 it is not.
    assert told(1.0, 1.0).u == 0.5 and "agree with +1" in told(1.0, 1.0).note
    assert "too close together" in told(0.99, 0.99).note
    # 3 u off is no contradiction, more is; or a tenth of what is stated, where that is more.
    for slope, stated, u, contradicts in (
        (3.5, 2.0, 1.0, False), (3.51, 2.0, 1.0, True), (0.5, 2.0, 1.0, False),
        (0.49, 2.0, 1.0, True), (2.19, 2.0, 0.01, False), (2.21, 2.0, 0.01, True),
        (-1.81, -2.0, 0.01, False), (-1.79, -2.0, 0.01, True), (4.39, 4.0, 0.01, False),
        (4.41, 4.0, 0.01, True),
    ):  # fmt: skip
        found = told(slope, stated, u)
        assert found.contradicts is contradicts
        assert found.gain == pytest.approx(slope if contradicts else stated)
        assert found.u == pytest.approx(u / 2)


# The ends of a sweep


def test_which_way_the_speed_goes_at_the_ends():
    """The first event and the last have their neighbours on one side alone, 0.3 s of them."""
    for at, mine in ((0, range(4)), (39, range(36, 40))):
        speed = np.zeros(40)
        speed[at] = 3.0
        found = curve._trend(sweep(speed), TICK_S)
        assert np.flatnonzero(found).tolist() == list(mine)
        assert abs(found[at]) == pytest.approx(3.0 / 0.3)


def test_eight_events_on_either_way_are_enough():
    for n, known in ((7, False), (8, True)):
        assert np.isfinite(curve._part(np.arange(float(n)))).all() == known
    assert curve._part(np.arange(8.0))[0] == pytest.approx(3.5)


def test_passages_by_their_first_event():
    """The first of the one is before the other's first, its second after the other's second."""
    place = np.array([0, *[1] * 7, 0, 1, *[0] * 6])
    found = curve._runs(place)
    assert [run[:2].tolist() for run in found] == [[0, 8], [1, 2]]
    assert [len(run) for run in found] == [8, 8]


def test_as_many_passages_as_are_looked_at():
    """25 times up through eight spans, nine events in each: 200, and none in a wider span."""
    span = np.tile(np.repeat(np.arange(8), 9), 25)
    rows = bins(*((125 + 250.0 * k, 20.0, 0.0) for k in range(8)))
    events = replace(sweep(125 + 250.0 * span), angles=np.full(len(span), 20.0))
    setup = Setup(Reference(1), commanded=18.0)
    told = curve._passages(setup, events, span, rows, np.ones(8), TICK_S, None)
    assert len(told.rpm) == 200 and told.of[:8].tolist() == np.eye(8).tolist()
    # All in one span are no passages; in two they are.
    for to, n in ((9, None), (18, 2)):
        few = replace(events.pick(np.arange(to)))
        told = curve._passages(setup, few, span[:to], rows[: to // 9], np.ones(2), TICK_S, None)
        assert (None if told is None else len(told.rpm)) == n


def test_what_the_fit_of_a_sweep_is_given(monkeypatch):
    """Two bins are enough for one, one is not; once up is no twice; passages of the bins known."""
    asked = []
    made = curve.fit_delay

    def fit(*args, **more):
        asked.append((args, more))
        return made(*args, **{**more, "passages": None})

    monkeypatch.setattr(curve, "fit_delay", fit)
    setup = Setup(Reference(36, 1, 1, 60.0), delay_us=0.0, u_delay_us=0.1)
    part = Budget((Component("reference angle", "B", 0.3, ""),))
    of = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    flat = np.zeros(3)
    passages = curve.Passages(rpm=flat, error=flat, u=flat + 1, begin=flat, end=flat, of=of)
    for gap, once in ((nan, True), (0.2, False)):
        rows = bins((1e3, 1.0, 0.0), (2e3, 9.0, 0.0), (3e3, 1.0, 0.0), gap=gap, own=0.0)
        rows[1] = replace(rows[1], wanted=nan)
        found, _ = curve._fitted(setup, rows, [part] * 3, np.ones(3), np.zeros(3), passages)
        args, more = asked.pop()
        assert found is not None and args[0].tolist() == [1e3, 3e3]
        assert args[1] == pytest.approx([1.0, 1.0])
        assert more["passages"].of.tolist() == of[:, [0, 2]].tolist()
        assert more["passages"].once is once
        # Half of 0.2° either way, as large in the mean; of a sweep once up none is known.
        assert more["passages"].moved == pytest.approx(0.0 if once else 0.1)
        # With passages the drift is in these; without them it is a row more.
        rows_with = len(more["shared"])
        curve._fitted(setup, rows, [part] * 3, np.ones(3), np.zeros(3))
        assert len(asked.pop()[1]["shared"]) == rows_with + 1
    one = [replace(row, wanted=nan) for row in rows[:2]] + rows[2:]
    assert curve._fitted(setup, one, [part] * 3, np.ones(3), np.zeros(3)) == (None, ())
    assert not asked
    drift, both = curve._drift(bins((1e3, 0.0, 0.0), (2e3, 0.0, 0.0), gap=nan), np.zeros(2))
    assert drift.tolist() == [[0.0, 0.0]] and not both


def test_the_teeth_of_bins_near_by_are_the_same(monkeypatch):
    """0.1° of the teeth at 19°, 27° and 19° on 10° teeth: alike, and a fifth of that between."""
    asked = []
    made = curve.fit_delay
    monkeypatch.setattr(
        curve, "fit_delay", lambda *args, **more: asked.append(more) or made(*args, **more)
    )
    setup = Setup(Reference(36, 1, 1, 60.0), delay_us=0.0, u_delay_us=0.1)
    parts = Budget((
        Component("interpolation", "B", 0.1, ""), Component("reference angle", "B", 0.3, ""),
        Component("scatter of the sparks", "A", 0.7, ""),
    ))  # fmt: skip
    rows = bins((1e3, 1.0, 0.0), (2e3, 9.0, 0.0), (3e3, 1.0, 0.0))
    rows = [replace(row, timing=18 + e) for row, e in zip(rows, (1.0, 9.0, 1.0), strict=True)]
    curve._fitted(setup, rows, [parts] * 3, np.ones(3), np.zeros(3))
    (more,) = asked
    assert more["shared"][0] == pytest.approx(np.full(3, 0.3))
    teeth = more["shared"][1:4]
    expected = 0.01 * np.array([[1, 0.2, 1], [0.2, 1, 0.2], [1, 0.2, 1]])
    assert teeth.T @ teeth == pytest.approx(expected)
    assert len(more["shared"]) == 5 and not more["shared"][4].any()  # no drift is seen


def test_one_way_is_told_where_a_delay_is():
    told, findings = fitted(gap=nan)
    assert told.told_apart and "swept_once" in findings
    told, findings = fitted(gap=nan, target=0.01)
    assert not told.told_apart and "swept_once" not in findings


def test_events_beyond_the_curve_are_in_no_passage():
    """Nine events in each of two spans; the curve ends at 1620 rev/min, one event lies beyond."""
    span = np.repeat([5, 6], [9, 10])
    speed = np.where(span == 5, 1350.0, 1600.0)
    speed[12] = 1630.0
    events = replace(sweep(speed), angles=np.full(19, 20.0))
    rows = bins((1350, 20.0, 0.0), (1600, 20.0, 0.0))
    to = np.array([1000.0, 1620.0]), np.array([18.0, 18.0])
    told = curve._passages(Setup(Reference(1)), events, span, rows, np.ones(2), TICK_S, to)
    assert told.error == pytest.approx([2.0, 2.0]) and told.rpm == pytest.approx([1350, 1600])
