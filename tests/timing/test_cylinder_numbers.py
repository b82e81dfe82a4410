"""Cylinders, dwell, rotor and the picture of a cycle, by hand from events that are typed in.

Longer than other files: each row of the table of cylinders has its numbers worked by hand.
"""

import json
from dataclasses import replace
from math import exp, hypot, pi, sqrt
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from sparkwitness.timing import cycle, cylinders, dwell, rotor, torque, trigger
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.budget import Budget, Component
from sparkwitness.timing.events import Events
from sparkwitness.timing.firings import Firings
from sparkwitness.timing.number import Number
from sparkwitness.timing.seating import Seats
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Whole

CYCLES = 40
OWN, COMMON = 0.05, 0.2
BUDGET = Budget((
    Component("scatter of the sparks", "A", 0.1, ""), Component("interpolation", "B", OWN, ""),
    Component("reference angle", "B", COMMON, ""),
))  # fmt: skip
FOUR = Setup(
    Reference(36, 1, 2, 60.0), cylinders=4, clamp="coil", order=(1, 3, 4, 2), commanded=10.0
)
NONE = np.empty(0, np.int64)


def swings(by: float, n: int = CYCLES) -> np.ndarray:
    return by * np.tile([1.0, -1.0], n // 2)


def table(means, by=(0.3, 0.3, 0.3, 0.3), drop=(), lost=(), setup=FOUR, gains=None, sparks=1,
          tap=None, stray=(), unseated=(), turned=(0,)):  # fmt: skip
    """A run of 40 cycles; `drop`: (cycle, place) without a spark; `lost`: (cycle, place) likewise,
    with edges lost there; `stray`: 5° early; `unseated`: of no known place."""
    n = len(means)
    rows = [(c, k) for c in range(CYCLES) for k in range(n)]
    kept = [one for one in rows if one not in drop and one not in lost]
    firing = np.array(setup.firing_angles)
    place = np.array([k for _, k in kept])
    base = np.array([720.0 * c for c, _ in kept])
    angles = np.array([means[k] + swings(by[k])[c] + 5 * ((c, k) in stray) for c, k in kept])
    degrees = base + firing[place] + 50.0
    place[[one in unseated for one in kept]] = -1
    tick = np.rint(degrees * 1000).astype(np.int64)
    zero = np.zeros(len(kept), np.int64)
    counts = zero + sparks
    events = Events(tick, degrees, zero, counts, tick, degrees, degrees * 0)
    gaps = np.array([1000 * (720 * c + firing[k] + 50) + 5 for c, k in lost], np.int64)
    heard = tap(events) if tap is not None else None
    return cylinders.evaluate(
        setup, Seats(place, turned, base), events, angles, 180.0, BUDGET, heard, 1e-6, gaps,
        gains if callable(gains) else lambda _: gains,
    )  # fmt: skip


def test_timing_deviation_and_their_intervals():
    """One of four is 2° early. Median of three: sqrt(pi / 2) of a mean; Šidák's level of four."""
    found = table((10.0, 10.0, 10.0, 12.0))
    assert [r.name for r in found.rows] == ["1", "3", "4", "2"] and found.sure
    assert [r.after for r in found.rows] == [0.0, 180.0, 360.0, 540.0]
    assert [float(r.timing) for r in found.rows] == pytest.approx([10, 10, 10, 12])
    e = 0.3 / sqrt(39)
    few = e * stats.t.ppf(0.97725, 39) / 2
    assert found.rows[0].timing.u95 == pytest.approx(2 * sqrt(few**2 + OWN**2 + COMMON**2))
    assert [float(r.deviation) for r in found.rows] == pytest.approx([0, 0, 0, 2])
    share = 1 - 0.95**0.25
    wide = sqrt(pi / 2)
    se = hypot(e, wide * sqrt(3) * e / 3)
    u_own = OWN * hypot(1, wide / sqrt(3))
    half = hypot(stats.t.ppf(1 - share / 2, 39) * se, stats.norm.ppf(1 - share / 2) * u_own)
    assert found.rows[3].deviation.u95 == pytest.approx(half)
    assert [r.differs for r in found.rows] == [(), (), (), ("timing",)]
    late = table((10.0, 10.0, 10.0, 8.0))
    assert [r.differs for r in late.rows] == [(), (), (), ("timing",)]
    assert "cylinder 2 comes 2.00° late" in late.words[0]
    assert found.spread == pytest.approx(2.0)
    own = 0.3 * sqrt(40 / 39)
    assert found.scatter == pytest.approx(own) and found.rows[0].scatter == pytest.approx(own)
    assert [(r.events, r.expected, r.missing, r.sparks) for r in found.rows] == [(40, 40, 0, 1)] * 4
    assert found.banks is None and found.torque_kind == ""
    # A little more, or a little less, than the interval.
    near, far = (table((10.0, 10.0, 10.0, 10.0 + by * half)) for by in (0.97, 1.03))
    assert near.rows[3].differs == () and far.rows[3].differs == ("timing",)
    plain = found.to_dict()
    assert (
        plain["rows"][3]["deviation"] == pytest.approx(2.0) and plain["spread_deg"] == found.spread
    )
    assert plain["rows"][3]["deviation_corrected"] == pytest.approx(half)
    assert plain["rows"][3]["timing_expanded"] == found.rows[3].timing.u95


def test_freedom_that_is_no_whole_number_is_taken_down(monkeypatch: pytest.MonkeyPatch):
    """Of 40 that are alike for a while, 7.9: t of seven, for a deviation as for a mean."""
    monkeypatch.setattr(cylinders.timing, "mean_error", lambda angles: (0.1, 7.9))
    one = table((10.0,) * 4).rows[0]
    share, wide = 1 - 0.95**0.25, sqrt(pi / 2)
    half = hypot(
        stats.t.ppf(1 - share / 2, 7) * 0.1 * hypot(1, wide / sqrt(3)),
        stats.norm.ppf(1 - share / 2) * OWN * hypot(1, wide / sqrt(3)),
    )
    assert one.deviation.u95 == pytest.approx(half)
    few = 0.1 * stats.t.ppf(0.97725, 7) / 2
    assert one.timing.u95 == pytest.approx(2 * sqrt(few**2 + OWN**2 + COMMON**2))


def test_of_two_cylinders_each_is_the_others_measure():
    twin = replace(FOUR, cylinders=2, order=(1, 2))
    found = table((10.0, 11.0), (0.3, 0.3), setup=twin)
    e, share = 0.3 / sqrt(39), 1 - sqrt(0.95)
    half = hypot(
        stats.t.ppf(1 - share / 2, 39) * sqrt(2) * e,
        stats.norm.ppf(1 - share / 2) * OWN * sqrt(2),
    )
    assert [float(r.deviation) for r in found.rows] == pytest.approx([-1, 1])
    assert found.rows[0].deviation.u95 == pytest.approx(half)


def test_banks():
    """First bank 1 and 3: mean 10, the second 11; u² = 2 e² / 4 + own² / 2 of each."""
    found = table((10.0, 10.0, 10.0, 12.0), setup=replace(FOUR, bank=(1, 3)))
    e = 0.3 / sqrt(39)
    assert float(found.banks) == pytest.approx(-1.0)
    assert found.banks.u95 == pytest.approx(2 * sqrt(2 * (e * e / 2 + OWN**2 / 2)))
    assert found.to_dict()["banks_expanded_deg"] == found.banks.u95


def test_missing_sparks_and_those_that_were_lost_on_the_way():
    dropped = [(c, 1) for c in range(3, 15)]
    found = table((10.0,) * 4, drop=dropped)
    assert [(r.events, r.expected, r.missing) for r in found.rows] == [
        (40, 40, 0), (28, 40, 12), (40, 40, 0), (40, 40, 0),
    ]  # fmt: skip
    assert [r.differs for r in found.rows] == [(), ("misfires",), (), ()]
    assert "cylinder 3 misses 12 of 40 sparks" in found.words[0]
    lost = table((10.0,) * 4, lost=[(7, 1), (20, 2)])
    assert [(r.expected, r.missing) for r in lost.rows] == [(40, 0), (39, 0), (39, 0), (40, 0)]
    both = table((10.0,) * 4, drop=[(5, 0)], lost=[(7, 1)])
    assert [(r.expected, r.missing) for r in both.rows] == [(40, 1), (39, 0), (40, 0), (40, 0)]


@pytest.mark.parametrize(("times", "differs"), [(1.95, ()), (2.05, ("scatter",))])
def test_a_scatter_differs_from_twice_that_of_the_others_on(times, differs):
    found = table((10.0,) * 4, (0.3, 0.3, 0.3 * times, 0.3))
    assert found.rows[2].differs == differs and found.rows[0].differs == ()


def test_torque_that_is_surely_and_worth_the_word_less():
    each = (Number(1.2, 0.05), Number(0.84, 0.1), Number(0.86, 0.1), Number(0.7, 0.31))
    found = table((10.0,) * 4, gains=torque.Index("firing", each, 40))
    assert [r.differs for r in found.rows] == [(), ("torque",), (), ()]
    assert found.torque_kind == "firing" and found.rows[1].torque == 0.84
    even = (Number(0.5, 0.5), Number(0.5, 0.25), *each[2:])  # up to that of the others, and below
    found_even = table((10.0,) * 4, gains=torque.Index("firing", even, 40))
    assert [r.differs for r in found_even.rows] == [(), ("torque",), (), ()]
    assert "cylinder 3 gives less speed than the others (index 0.84 ± 0.10" in found.words[0]


def test_too_few_events_have_no_timing():
    most = [(c, 2) for c in range(CYCLES) if c not in range(5, 12)]
    found = table((10.0,) * 4, drop=most)
    assert found.rows[2].timing is None and found.rows[2].deviation is None
    assert found.rows[2].events == 7 and found.rows[0].timing is not None
    eight = [(c, 2) for c in range(CYCLES) if c not in range(5, 13)]
    assert table((10.0,) * 4, drop=eight).rows[2].timing is not None
    assert table((10.0,) * 4, sparks=3).rows[0].sparks == 3.0


def test_a_stray_is_a_spark_that_tells_no_angle():
    """40 came: none is missing; of 39 are the mean, the count and what a burst has."""
    sparks = np.where(np.arange(160) == 4 * 7 + 1, 9, 2)
    row = table((10.0,) * 4, stray=[(7, 1)], sparks=sparks).rows[1]
    assert (row.events, row.expected, row.missing, row.sparks) == (39, 40, 0, 2.0)


def test_an_event_alone_in_its_stretch_is_more_than_was_due():
    """The last of all comes after a break: 39 were due at its place, 40 came, none is missing."""
    last = table((10.0,) * 4, tap=lambda events: events.segment.__setitem__(-1, 1)).rows[3]
    assert (last.events, last.expected, last.missing) == (40, 39, 0)


def test_a_cylinder_with_few_events_is_known_less_well():
    """Eight of the second, alternating: t of seven; and at Šidák's level of four for the speed."""
    asked = []
    few = table((10.0,) * 4, drop=[(c, 1) for c in range(8, CYCLES)], gains=asked.append)
    e = 0.3 / sqrt(7) * stats.t.ppf(0.97725, 7) / 2
    u = sqrt(e**2 + OWN**2 + COMMON**2)
    assert few.rows[1].timing.u95 == pytest.approx(2 * u)
    table((10.0,) * 4, drop=[(c, 1) for c in range(CYCLES)], gains=asked.append)
    assert asked == [pytest.approx(1 - 0.95**0.25)] * 2


@pytest.mark.parametrize(("hits", "differs"), [(4, ()), (5, ("misfires",))])
def test_misfires_at_the_level_of_all_cylinders(hits: int, differs: tuple):
    """One elsewhere: twice the tail for 4 of 5 is 0.029, for 5 of 6 0.008; Šidák's level 0.0127."""
    tail = 2 * stats.hypergeom.sf(hits - 1, 160, hits + 1, 40)
    assert (tail < 1 - 0.95**0.25) == bool(differs) and tail < 0.05
    found = table((10.0,) * 4, drop=[(5, 0), *((10 + c, 1) for c in range(hits))])
    assert found.rows[1].differs == differs


def test_scatter_at_the_level_of_all_cylinders():
    """Twelve events, 7.4 times the variance: 3 · 1.96 / sqrt(11) is 1.77, Šidák's 2.25; ln 2.0."""
    few = [(c, 2) for c in range(12, CYCLES)]
    for square, told in ((7.0, False), (10.0, True)):
        row = table((10.0,) * 4, (0.3, 0.3, 0.3 * sqrt(square), 0.3), drop=few).rows[2]
        assert row.events == 12 and ("scatter" in row.differs) == told


def test_banks_of_which_not_all_are_known():
    """Of the second bank one cylinder tells: 10 less 12; or none, or none by its name."""
    setup, means = replace(FOUR, bank=(1, 3)), (10.0, 10.0, 11.0, 12.0)
    dead = [(c, 2) for c in range(CYCLES)]
    found = table(means, setup=setup, drop=dead)
    e = 0.3 / sqrt(39)
    assert float(found.banks) == pytest.approx(-2.0)
    assert found.banks.u95 == pytest.approx(2 * sqrt(e * e * 1.5 + OWN**2 * 1.5))
    assert table(means, setup=setup, drop=[*dead, *((c, 3) for c in range(CYCLES))]).banks is None
    assert table(means, setup=setup, turned=(0, 2)).banks is None


def test_firings_that_tell_nothing_of_a_cylinder():
    """One without an angle; most of the second place's on the other side of a break; and an event
    of no known place beside twelve that did not come."""

    def heard(change):
        def tap(events: Events) -> trigger.Tap:
            degrees = 50.0 + 180.0 * np.arange(4 * CYCLES)
            tick, none = np.rint(1000 * degrees).astype(np.int64), np.zeros(4 * CYCLES, np.int64)
            fires = Firings(
                1, tick, degrees, none, degrees * 0, tick - 3_000, degrees - 3.0, none, none,
                np.ones(len(tick), np.bool_),
            )  # fmt: skip
            change(fires)
            return trigger.Tap(cast(Any, None), fires, cast(Any, object()), None, (0, 1), 1e-6, 0.5)

        return tap

    def unknown(fires: Firings) -> None:
        fires.degrees[4 * 20 + 2] = np.nan

    def apart(fires: Firings) -> None:
        fires.degrees[1 : 4 * 30 : 4] += 30.0
        fires.segment[1 : 4 * 30 : 4] = 1

    means, steady = (10.0, 11.0, 12.0, 13.0), (0.0,) * 4
    for change in (unknown, apart):
        rows = table(means, steady, tap=heard(change)).rows
        assert [r.trigger for r in rows] == pytest.approx([10.5, 11.5, 12.5, 13.5])
        assert [r.dwell_deg for r in rows] == pytest.approx([3.0] * 4)
    dropped = [(c, 1) for c in range(3, 15)]
    rows = table(means, steady, dropped, tap=heard(lambda _: None), unseated=[(1, 2)]).rows
    assert [r.no_spark for r in rows] == [0, 12, 0, 0]


def test_strays_are_out_of_a_cylinders_mean():
    angles = np.array([10.0] * 30 + [12.9, 13.1, 7.1, 6.9])
    assert cylinders._near(angles).tolist() == [True] * 31 + [False, True, False]


def test_what_the_tap_shows_of_each_cylinder():
    """A firing with each spark from the first to the last, and beyond them others of no event.

    At 1000 ticks a degree and 1 µs a tick: dwell 3° and 3 ms, the very first and last 13.
    """
    dropped = [(c, 1) for c in range(3, 15)]

    def firings(events: Events) -> Firings:
        degrees = 50.0 + 180.0 * np.arange(-40, 4 * CYCLES + 40)
        tick = np.rint(1000 * degrees).astype(np.int64)
        none = np.zeros(len(tick), np.int64)
        first_or_last = (tick == events.tick[0]) | (tick == events.tick[-1])
        length = np.where(first_or_last, 13_000, 3_000)
        return Firings(
            1, tick, degrees, none, degrees * 0, tick - length, degrees - length / 1000, none,
            none, np.ones(len(tick), np.bool_),
        )  # fmt: skip

    def heard(change, window=(0, 1)):
        return lambda events: trigger.Tap(
            cast(Any, None), change(firings(events)), cast(Any, object()), None, window, 1e-6, 0.5
        )

    means, steady = (10.0, 11.0, 12.0, 13.0), (0.0,) * 4
    found = table(means, steady, dropped, tap=heard(lambda fires: fires))
    assert json.dumps([r.no_spark for r in found.rows]) == "[0, 12, 0, 0]"
    assert [r.trigger for r in found.rows] == pytest.approx([10.5, 11.5, 12.5, 13.5])
    longer = 3.0 + 10.0 / CYCLES
    assert [r.dwell_ms for r in found.rows] == pytest.approx([longer, 3.0, 3.0, longer])
    assert [r.dwell_deg for r in found.rows] == pytest.approx([longer, 3.0, 3.0, longer])

    def later(fires: Firings) -> Firings:
        """Asked 40° earlier; a dwell is known for nine firings of place 2 alone."""
        known = np.where((fires.degrees - 50) % 720 == 360, fires.on_degrees, np.nan)
        known[:-1][fires.tick[:-1] > 8 * 720_000] = np.nan
        return replace(fires, degrees=fires.degrees - 40, on_degrees=known)

    moved = table(means, steady, dropped, tap=heard(later))
    assert [r.trigger for r in moved.rows] == pytest.approx([50.5, 51.5, 52.5, 53.5])
    assert [r.dwell_ms is None for r in moved.rows] == [True, True, False, True]
    # An eighth of the way between two cylinders, or more: whose it is cannot be told.
    for by, told in ((45.0, True), (46.0, False)):
        near = table((10.0,) * 4, tap=heard(lambda f, by=by: replace(f, degrees=f.degrees - by)))
        assert all((r.trigger is not None) == told for r in near.rows)
    # Of a cylinder's own firings it takes eight.
    for n, told in ((8, True), (7, False)):

        def some(fires: Firings, n: int = n) -> Firings:
            third = (fires.degrees - 50.0) % 720 == 360
            return fires.pick(~third | (np.cumsum(third & (fires.degrees > 0)) <= n))

        few = table(means, steady, tap=heard(some)).rows
        assert [r.trigger is None for r in few] == [False, False, not told, False]
        assert [r.dwell_ms is None for r in few] == [False, False, not told, False]
        assert json.dumps([r.no_spark for r in few]) == "[0, 0, 0, 0]"
    # The window's ends belong to it: a spark 500 ticks before, or 800 after, the firing.
    for by, window, told in (
        (500, (500, 0), True), (500, (499, 0), False), (-800, (0, 801), True),
        (-800, (0, 799), False),
    ):  # fmt: skip
        at = heard(lambda f, by=by: replace(f, tick=f.tick + by), window)
        missed = sum(r.no_spark for r in table((10.0,) * 4, tap=at).rows)
        assert (missed < 3) == told, (by, window)


def seated(places, cycles, segment=0, jitter=0.0) -> tuple[Seats, Events]:
    """Events of a four at 1000 ticks a degree, a cycle each 720°."""
    place, cycle_ = np.array(places), np.array(cycles)
    base = 720.0 * cycle_ + jitter
    degrees = base + 180.0 * place + 50.0
    tick, zero = np.rint(1000 * degrees).astype(np.int64), np.zeros(len(place), np.int64)
    events = Events(tick, degrees, zero + segment, zero + 1, tick, degrees, degrees * 0)
    return Seats(place, (0,), base), events


@pytest.mark.parametrize(
    ("places", "cycles", "segment", "due"),
    [
        ((0, 3), (0, 0), 0, [1, 1, 1, 1]), ((0, 1), (0, 0), 0, [1, 1, 0, 0]),
        ((2, 1), (0, 2), 0, [2, 2, 2, 2]), ((2, 0), (0, 1), 0, [1, 0, 1, 1]),
        # One alone in its stretch tells of no firing; nor does one whose place is not known.
        ((0, 1, 2), (0, 0, 0), (0, 0, 1), [1, 1, 0, 0]), ((0, 1, -1), (0, 0, 5), 0, [1, 1, 0, 0]),
        ((0, 3, 0, 1), (0, 0, 7, 7), (0, 0, 1, 1), [2, 2, 1, 1]),
    ],
)  # fmt: skip
def test_firings_between_the_first_and_the_last_event(places, cycles, segment, due):
    seats, events = seated(places, cycles, segment)
    assert cylinders._due(seats, events, FOUR, NONE) == due
    # Half a degree off is the same firing, and the crank's count begins anywhere in the cycle.
    for begin in (0.0, 250.0, 3000.0):
        off = begin + np.resize([0.5, -0.4], len(places))
        assert cylinders._due(*seated(places, cycles, segment, off), FOUR, NONE) == due


def test_firings_that_are_not_due_where_edges_were_lost():
    """Events of 1, 3, 4, 2 in cycle 0; of 3 in cycle 1; of 1 in cycle 3. Between the last two 4
    and 2 of cycle 1 and all of cycle 2."""
    seats, events = seated((0, 1, 2, 3, 1, 0), (0, 0, 0, 0, 1, 3))
    first, last = int(events.tick[0]), int(events.tick[-1])

    def due(*lost: int) -> list[int]:
        return cylinders._due(seats, events, FOUR, np.array(lost, np.int64))

    assert due() == due(first) == due(last + 1) == due(first - 9) == [4, 3, 3, 3]
    assert due(last) == due(last - 5, last) == [3, 2, 1, 1]
    assert due(int(events.tick[1])) == [4, 3, 3, 3]  # nothing else is due between these two
    assert due(int(events.tick[4])) == [3, 3, 3, 3]
    assert due(int(events.tick[4]), last) == [2, 2, 1, 1]
    # Between the first two, 3 is lost.
    seats, events = seated((0, 2, 3), (0, 0, 0))
    assert due() == [1, 1, 1, 1] and due(int(events.tick[1])) == [1, 0, 1, 1]


def test_a_cylinder_that_never_sparks():
    found = table((10.0,) * 4, drop=[(c, 2) for c in range(CYCLES)])
    dead = found.rows[2]
    assert (dead.events, dead.expected, dead.missing) == (0, 40, 40)
    assert dead.timing is dead.deviation is dead.scatter is dead.sparks is None
    assert dead.differs == ("misfires",) and "cylinder 4 misses 40 of 40" in found.words[0]
    assert float(found.rows[0].deviation) == pytest.approx(0.0) and found.spread < 1e-9


def test_how_few_events_make_a_table():
    """Eight of two cylinders; of an engine with one, eight of that."""

    def left(*keep: int):
        return [(c, k) for k in range(4) for c in range(CYCLES) if c not in range(keep[k])]

    assert table((10.0,) * 4, drop=left(40, 7, 7, 7)) is None
    two = table((10.0, 11.0, 10.0, 10.0), drop=left(40, 8, 7, 7))
    assert [r.timing is None for r in two.rows] == [False, False, True, True]
    assert two.spread == pytest.approx(1.0)
    share = 1 - sqrt(0.95)  # of two that are compared
    few = hypot(0.3 / sqrt(39), 0.3 / sqrt(7))
    half = hypot(stats.t.ppf(1 - share / 2, 7) * few, stats.norm.ppf(1 - share / 2) * OWN * sqrt(2))
    assert two.rows[1].deviation.u95 == pytest.approx(half, rel=0.01)
    assert [r.events for r in table((10.0,) * 4, drop=left(8, 8, 8, 8)).rows] == [8] * 4
    single = replace(FOUR, cylinders=1, order=(1,), clamp="plug")
    alone = table((10.0,), (0.3,), drop=[(3, 0)], setup=single)
    assert (alone.rows[0].deviation, alone.spread, alone.rows[0].differs) == (None, None, ())
    assert (alone.rows[0].expected, alone.rows[0].missing) == (40, 1)
    assert float(alone.rows[0].timing) == pytest.approx(10.0, abs=0.01) and alone.words == ()
    assert table((10.0,), (0.3,), drop=[(c, 0) for c in range(33)], setup=single) is None


def test_of_three_cylinders_the_two_others_are_a_mean():
    """The median of two is their mean: no wider than one."""
    triple = replace(FOUR, cylinders=3, order=(1, 2, 3))
    found = table((10.0, 10.0, 11.0), (0.3,) * 3, setup=triple)
    e, share = 0.3 / sqrt(39), 1 - 0.95 ** (1 / 3)
    half = hypot(
        stats.t.ppf(1 - share / 2, 39) * e * sqrt(1.5),
        stats.norm.ppf(1 - share / 2) * OWN * sqrt(1.5),
    )
    assert found.rows[2].deviation.u95 == pytest.approx(half)
    assert float(found.rows[0].deviation) == pytest.approx(-0.5)


@pytest.mark.parametrize(("off", "differs"), [(0.099, ()), (0.101, ("timing",))])
def test_a_deviation_is_worth_a_word_from_a_tenth_of_a_degree_on(monkeypatch, off, differs):
    monkeypatch.setattr(cylinders, "_OWN", ())  # of which ± 0.15° would hide it
    found = table((10.0, 10.0, 10.0, 10.0 + off), (0.01,) * 4)
    assert found.rows[3].deviation.u95 < 0.01 and found.rows[3].differs == differs


def test_sparks_of_bursts_that_were_seen_whole():
    found = table((10.0,) * 4, sparks=np.resize([0, 0, 0, 0, 2, 2, 2, 2, 3, 3, 3, 3], 160))
    assert [r.sparks for r in found.rows] == pytest.approx([(13 * 2 + 13 * 3) / 26] * 4)


def test_how_far_a_stray_is_where_the_timing_scatters():
    """8 · 1.4826 of a median deviation of 1: 11.86; and never less than 3°, at which it stays."""
    wide = 10 + np.append(np.resize([1.0, -1.0], 40), [11.8, 11.9, -11.8, -11.9])
    assert cylinders._near(wide).tolist() == [True] * 40 + [True, False, True, False]
    assert cylinders._near(np.array([10.0] * 9 + [13.0])).all()
    assert cylinders._near(np.empty(0)).tolist() == []


@pytest.mark.parametrize(
    ("n", "near", "far"),
    # 3 · 1.96 / sqrt(8) = 2.079 in the logarithm; four times from some forty events on.
    [(9, 7.9, 8.1), (17, 4.34, 4.36), (101, 3.99, 4.01)],
)
def test_how_much_wider_is_wider(n: int, near: float, far: float):
    for ratio, wider in ((near, False), (far, True)):
        assert cylinders._wider(0.3 * ratio, [0.1, 0.3, 0.5], n, 0.05) is wider
    assert not cylinders._wider(0.0, [0.1, 0.3], n, 0.05)
    assert not cylinders._wider(0.3, [0.0, 0.0], n, 0.05)
    assert not cylinders._wider(4.0, [1.0], 999, 0.05)  # four times, and no more


def test_misfires_by_chance_against_scipy():
    """Twice the tail of the hypergeometric distribution, of what can be."""
    for hits, n, all_hits, all_n in (
        (1, 40, 1, 160), (2, 10, 150, 160), (3, 40, 5, 70), (10, 12, 20, 25), (40, 40, 40, 160),
        (5, 5, 9, 9),
        # The others cannot have so many: of three 2 or 3 of the four are missing, of ten from 5 on.
        (1, 3, 4, 5), (2, 3, 4, 5), (3, 3, 4, 5), (2, 10, 155, 160),
    ):  # fmt: skip
        tail = stats.hypergeom.sf(hits - 1, all_n, all_hits, n)
        assert cylinders._more(hits, n, all_hits, all_n) == pytest.approx(min(1, 2 * tail))
    assert cylinders._more(0, 40, 7, 160) == cylinders._more(0, 0, 0, 0) == 1.0


def test_two_that_look_alike_and_four():
    """Turned by two places of a four: a and b; of an eight by any second place: no number."""
    seats = Seats(NONE, (0, 2), np.empty(0))
    assert cylinders.names(FOUR, seats) == ["1 or 4 (a)", "2 or 3 (a)", "1 or 4 (b)", "2 or 3 (b)"]
    three = replace(FOUR, cylinders=6, order=(1, 5, 3, 6, 2, 4))
    found = cylinders.names(three, replace(seats, turned=(0, 2, 4)))
    assert found == [
        "1 or 2 or 3 (a)", "4 or 5 or 6 (a)", "1 or 2 or 3 (b)", "4 or 5 or 6 (b)",
        "1 or 2 or 3 (c)", "4 or 5 or 6 (c)",
    ]  # fmt: skip
    assert cylinders.names(FOUR, replace(seats, turned=(0, 1, 2, 3))) == [
        f"? ({letter})" for letter in "abcd"
    ]
    assert cylinders.names(replace(FOUR, order=()), replace(seats, turned=(0,))) == list("1234")
    # Of 1, 3, 4, 2 the pattern may begin a place later: what was taken for 1 is then 2, before it.
    one_on = cylinders.names(FOUR, replace(seats, turned=(0, 1)))
    assert one_on == ["1 or 2 (a)", "1 or 3 (a)", "3 or 4 (a)", "2 or 4 (a)"]


def test_a_tap_on_one_coil_of_two():
    """Asked for at places 1 and 3 of the order alone; the others have no trigger."""

    def heard(events: Events) -> trigger.Tap:
        mine = (events.degrees - 50) % 360 == 0
        degrees = events.degrees[mine] - 0.5
        tick, none = np.rint(1000 * degrees).astype(np.int64), np.zeros(mine.sum(), np.int64)
        fires = Firings(
            1, tick, degrees, none, degrees * 0, tick - 3_000, degrees - 3.0, none, none,
            np.ones(len(tick), np.bool_),
        )  # fmt: skip
        return trigger.Tap(
            cast(Any, None), fires, cast(Any, object()), None, (0, 1_000), 1e-6, 0.25
        )

    rows = table((10.0, 11.0, 12.0, 13.0), (0.0,) * 4, tap=heard).rows
    assert [r.trigger for r in rows] == [pytest.approx(10.75), None, pytest.approx(12.75), None]
    assert [r.no_spark for r in rows] == [0, 0, 0, 0]
    assert [r.dwell_ms for r in rows] == [pytest.approx(3.0), None, pytest.approx(3.0), None]


def test_words_with_their_numbers():
    def row(name, deviation, **more):
        return replace(
            table((10.0,) * 4).rows[0], name=name, deviation=Number(deviation, 0.15),
            timing=Number(10 + deviation, 0.2), **more,
        )  # fmt: skip

    late = row("2", -0.8, differs=("timing",))
    rest = [row(n, 0.0) for n in ("1", "3", "4")]
    assert "cylinder 2 comes 0.80° late" in cylinders.words([*rest, late], 4)[0]
    early = row("5", 0.7, differs=("timing",))
    six = cylinders.words([*rest, late, early], 6)[0]
    assert "cylinder 2 comes 0.80° late; cylinder 5 comes 0.70° early" in six
    assert cylinders.words([*rest, late, early], 5)[0] == six  # two of five, each by itself
    assert "from cylinder to cylinder by 1.50°" in cylinders.words([*rest, late, early], 4)[0]
    assert cylinders.words(rest, 4) == ("no cylinder differs by more than can be told, ±0.15°",)
    unlike = [*rest, *(replace(rest[0], deviation=d) for d in (Number(0.0, 0.24), None))]
    assert cylinders.words(unlike, 4) == ("no cylinder differs by more than can be told, ±0.24°",)
    wide = [*rest, row("2", 0.0, differs=("scatter",), scatter=1.234)]
    assert "cylinder 2 scatters by 1.23°" in cylinders.words(wide, 4)[0]
    asked = row("2", 0.0, differs=("misfires",), missing=20, expected=50, no_spark=15)
    assert (
        "misses 20 of 50 sparks: its lead, plug, or its place in the cap (15 of them with"
        in (cylinders.words([*rest, asked], 4)[0])
    )
    weak = [*rest, row("2", 0.0, differs=("torque",), torque=Number(0.7, 0.1))]
    (fires,), (pumps,) = (cylinders.words(weak, 4, kind) for kind in ("firing", "compression"))
    assert "cylinder 2 gives less speed than the others (index 0.70 ± 0.10," in fires
    assert "one): a spark that fails, fuel, low compression," in fires
    assert "cylinder 2 takes less speed to compress than the others (index 0.70 ± 0.10" in pumps
    assert "one): low compression," in pumps and "fuel" not in pumps


# Dwell


def fires(n=40, ms=3.0, by=0.1, pitch_ms=15.0, per_ms=12.0, since=10.0, bounces=()) -> Firings:
    """A µs a tick; `per_ms` degrees a ms."""
    at = since + pitch_ms * np.arange(n)
    length = ms + swings(by, n)
    none = np.zeros(n, np.int64)
    taken, lasted = none.copy(), none.copy()
    taken[list(bounces)], lasted[list(bounces)] = 2, 120
    tick = np.rint(1e3 * at).astype(np.int64)
    return Firings(
        1, tick, per_ms * at, none, at * 0, tick - np.rint(1e3 * length).astype(np.int64),
        per_ms * (at - length), taken, lasted, np.ones(n, np.bool_),
    )  # fmt: skip


def test_dwell_by_hand():
    """3 ± 0.1 ms of 15 at 12° a ms (2000 rpm): 36° of crank, 18 of the distributor, a fifth."""
    typed = replace(FOUR, coil_ms=3.0)
    found = dwell.of(fires(bounces=range(10)), typed, 1e-6, 2.0)
    u_b = hypot(2e-3, 1e-3 / sqrt(6))
    few = stats.t.ppf(0.97725, 39) / 2
    u_ms = sqrt((few * 0.1) ** 2 / 39 + u_b**2 + (50e-6 * 3) ** 2)
    assert float(found.ms) == pytest.approx(3.0) and found.ms.u95 == pytest.approx(2 * u_ms)
    assert found.scatter_ms == pytest.approx(0.1 * sqrt(40 / 39))
    u_deg = hypot(few * 1.2 / sqrt(39), 12 * u_b)
    assert float(found.crank_deg) == pytest.approx(36.0)
    assert found.crank_deg.u95 == pytest.approx(2 * u_deg)
    assert float(found.cam_deg) == pytest.approx(18.0)
    assert found.cam_deg.u95 == pytest.approx(u_deg)
    assert found.scatter_deg == pytest.approx(1.2 * sqrt(40 / 39))
    assert (found.share, found.pause_ms, found.firings) == pytest.approx((0.2, 12.0, 40))
    assert found.charged == pytest.approx(1 - exp(-1))
    assert (found.bounced, found.bounce_us) == pytest.approx((0.25, 120.0))
    assert found.bounce_us == pytest.approx(120.0, rel=1e-9)
    once = replace(fires(), bounces=np.resize([0, 0, 0, 1], 40), bounced=np.full(40, 80))
    once = dwell.of(once, FOUR, 1e-6, 2.0)
    assert (once.bounced, once.bounce_us) == pytest.approx((0.25, 80.0))
    unlike = replace(fires(), bounces=np.resize([0, 0, 1, 1], 40),
                     bounced=np.resize([0, 0, 50, 150], 40))  # fmt: skip
    assert dwell.of(unlike, FOUR, 1e-6, 2.0).bounce_us == pytest.approx(100.0)
    # Where nothing scatters the tick and the crystal are left.
    still = dwell.of(fires(by=0.0), FOUR, 1e-6, 0.0)
    assert still.ms.u95 == pytest.approx(2 * hypot(1e-3 / sqrt(6), 50e-6 * 3), rel=1e-7)
    assert still.crank_deg.u95 == pytest.approx(2 * 12e-3 / sqrt(6), rel=1e-7)
    # A firing whose on-time, or whose own angle, is not known is left out.
    for name in ("on_degrees", "degrees"):
        some = fires()
        getattr(some, name)[:7] = np.nan
        part = dwell.of(some, FOUR, 1e-6, 2.0)
        assert part.firings == 33 and float(part.crank_deg) == pytest.approx(36.0, abs=0.1)
    two = dwell.of(fires(), replace(FOUR, strokes=2), 1e-6, 2.0)
    assert float(two.cam_deg) == pytest.approx(36.0) and two.charged is None
    assert two.bounced == 0.0 and two.bounce_us == 0.0
    assert dwell.of(fires(8), FOUR, 1e-6, 2.0) is None and dwell.of(fires(10), FOUR, 1e-6, 2.0)
    assert dwell.of(fires(10).pick(np.arange(9)), FOUR, 1e-6, 2.0) is None


def test_the_time_between_firings_that_follow_each_other():
    """15 ms a third of the time; the rest is across lost edges, or across a break of the crank."""
    at = 10_000 + 1_000 * np.cumsum(np.resize([15, 30, 30], 42))
    for unknown in ("known", "segment"):
        made = fires(42)
        made = replace(made, tick=at, on_tick=at - 3_000)
        if unknown == "known":
            made.known[:] = np.resize([True, False, False], 42)
        else:
            made = replace(made, segment=np.cumsum(np.resize([0, 1, 1], 42)))
        found = dwell.of(made, FOUR, 1e-6, 2.0)
        assert (found.share, found.pause_ms) == pytest.approx((0.2, 12.0))
    made.known[:] = False
    assert np.isnan(dwell.of(made, FOUR, 1e-6, 2.0).share)
    # One trigger in the middle was not asked for: the others are 15 ms apart all the same.
    at = 10_000 + 1_000 * np.cumsum(np.where(np.arange(42) == 20, 30, 15))
    found = dwell.of(replace(fires(42), tick=at, on_tick=at - 3_000), FOUR, 1e-6, 2.0)
    assert (found.share, found.pause_ms) == pytest.approx((0.2, 12.0))


def test_closing_angle_of_a_handbook():
    """Half of the time closed: 45 of the 90 degrees that each of four has (from memory)."""
    assert dwell.closing_angle(4, 0.5) == 45.0 and dwell.closing_angle(6, 0.6) == 36.0
    assert dwell.charged(5.0, 1.0) == pytest.approx(0.9933, abs=1e-4)


def joined(a: Firings, b: Firings) -> Firings:
    parts = [
        np.concatenate((getattr(a, f), getattr(b, f)))
        for f in ("tick", "degrees", "segment", "to_edge", "on_tick", "on_degrees", "bounces",
                  "bounced", "known")
    ]  # fmt: skip
    return Firings(1, *parts)


def test_course_of_the_dwell_by_speed_and_by_supply():
    slow = fires(100)
    fast = fires(100, 2.5, 0.05, 7.5, 24.0, since=1600.0)
    found = dwell.course(joined(slow, fast), 1e-6, [], [], 2.0)
    assert len(found) == 2
    (a, b), n = found, (found[0].firings, found[1].firings)
    assert all(88 <= k <= 100 for k in n) and a.volts is None
    # At 12 and 24 degrees a ms: 2000 and 4000 rpm; next to the change some of the other's are near.
    assert (a.rpm, b.rpm) == pytest.approx((2000, 4000), rel=0.02)
    assert (a.ms, b.ms) == pytest.approx((3.0, 2.5), rel=0.01)
    assert (a.crank_deg, b.crank_deg) == pytest.approx((36.0, 60.0), rel=0.02)
    assert a.u_ms == pytest.approx(2 * hypot(0.1 / sqrt(n[0]), 2e-3), rel=0.05)
    assert dwell.course(slow, 1e-6, [], [], 2.0) == ()
    # The same speed, from 12.1 V to 13.3 V half-way.
    ends = [0, 746_000, 759_000, 1_600_000]
    volts = dwell.course(slow, 1e-6, ends, [12_100, 12_100, 13_300, 13_300], 2.0)
    assert [one.volts for one in volts] == pytest.approx([12.1, 13.3])
    assert [one.firings for one in volts] == [50, 50]
    assert [one.ms for one in volts] == pytest.approx([3.0, 3.0], rel=1e-6)
    assert dwell.course(slow, 1e-6, ends, [12_100, 12_100, 13_000, 13_000], 2.0) == ()


def runs(*parts: tuple[float, int]) -> Firings:
    """(rev/min, firings) one after the other: 18 degrees on before each 180th."""
    rpm = np.repeat([r for r, _ in parts], [n for _, n in parts])
    per_us = 6e-6 * rpm
    tick = np.rint(np.cumsum(180 / per_us)).astype(np.int64)
    on = tick - np.rint(18 / per_us).astype(np.int64)
    degrees, none = 180.0 * np.arange(1, len(rpm) + 1), np.zeros(len(rpm), np.int64)
    turned = per_us * (tick - on)
    return Firings(1, tick, degrees, none, none + 40.0, on, degrees - turned, none, none, none > -1)


def by_speed(*parts: tuple[float, int]) -> list[int]:
    return [one.firings for one in dwell.course(runs(*parts), 1e-6, [], [], 0.5)]


def test_the_dwell_over_all_speeds_at_two_voltages():
    """14 speeds, each 1.25 times the one before, at 12 and at 14 V: 28 rows, the fastest as well.

    18 degrees of crank are 3 ms at 1000 rev/min; they do not scatter, so that ±2 · 0.5 us is left.
    """
    speeds = [500 * 1.25**k for k in range(14)]
    made = runs(*((rpm, 60) for rpm in speeds for _ in range(2)))
    volts = np.resize(np.repeat([12_100, 14_100], 60), 28 * 60).tolist()
    found = dwell.course(made, 1e-6, made.tick.tolist(), volts, 0.5)
    kept = [one for one in found if one.firings > 40]  # others are of the ways between
    assert [one.volts for one in kept] == pytest.approx([12.1, 14.1] * 14, abs=0.01)
    # Of the 60 eight are at each end where the speed changes.
    for one, rpm in zip(kept, np.repeat(speeds, 2), strict=True):
        assert one.rpm == pytest.approx(rpm, rel=0.02)
        assert one.ms == pytest.approx(3000 / rpm, rel=0.02)
    steady = dwell.course(runs((1000.0, 200), (2000.0, 200)), 1e-6, [], [], 0.5)
    assert [one.rpm for one in steady] == pytest.approx([1000.0, 2000.0], rel=0.01)
    ends = [0, 15_000_000]  # two heartbeats are enough to tell a voltage
    alone = dwell.course(runs((1000.0, 400)), 1e-6, ends, [12_010, 13_990], 0.5)
    assert [one.u_ms for one in alone] == pytest.approx([1e-3] * 4, rel=1e-6)
    assert [one.rpm for one in alone] == pytest.approx([1000.0] * 4, rel=1e-6)
    assert [one.crank_deg for one in alone] == pytest.approx([18.0] * 4, rel=1e-6)
    # Of an earlier session come older voltages, of which the times are not told.
    later = dwell.course(runs((1000.0, 400)), 1e-6, ends, [9_000, 9_000, 12_010, 13_990], 0.5)
    assert later == alone


def test_rows_of_the_dwells_course_at_their_limits():
    """35 % more speed; bins of 0.15 in its logarithm; 20 firings; 2 of 100 at either end."""
    assert by_speed((1000.0, 100), (1345.0, 100)) == []
    assert len(by_speed((1000.0, 100), (1355.0, 100))) >= 2
    # Next to a change the eight on either side are between: of these few are alike.
    assert len(by_speed((1000.0, 100), (1000 * exp(0.145), 100), (2500.0, 100))) == 2
    assert len(by_speed((1000.0, 100), (1000 * exp(0.155), 100), (2500.0, 100))) == 3
    # A handful beyond tell nothing, a fortieth of all does.
    assert by_speed((1000.0, 5), (2000.0, 1000)) == by_speed((2000.0, 1000), (4000.0, 5)) == []
    assert len(by_speed((1000.0, 30), (2000.0, 1000))) == 2
    assert len(by_speed((2000.0, 1000), (4000.0, 30))) == 2
    made = runs((1000.0, 100))
    for few, counts in ((19, [81]), (20, [20, 80])):
        volts = np.repeat([12_100, 13_600], [few, 100 - few]).tolist()
        found = dwell.course(made, 1e-6, made.tick.tolist(), volts, 0.5)
        assert [one.firings for one in found] == counts
    # What has no on-time is in no row.
    made.on_degrees[30:60] = np.nan
    found = dwell.course(made, 1e-6, made.tick.tolist(), volts, 0.5)
    assert [one.firings for one in found] == [20, 50]
    made.on_degrees[:] = np.nan
    assert dwell.course(made, 1e-6, made.tick.tolist(), volts, 0.5) == ()


def test_the_speed_of_a_firing_is_that_of_the_eight_either_way():
    """A single 1 is a 17th in each of 17 means; at an end the nine that are there have a mean."""
    for at in (0, 20, 40):
        values = (np.arange(41) == at).astype(float)
        n = np.minimum(np.arange(41) + 8, 40) - np.maximum(np.arange(41) - 8, 0) + 1
        wanted = np.where(np.abs(np.arange(41) - at) <= 8, 1 / n, 0.0)
        assert dwell._smoothed(values) == pytest.approx(wanted)


# Rotor


def test_where_the_sparks_fall_in_the_distributor():
    """First sparks at 30° and 12° BTDC, bursts of 4°: ends at 8. The rotor points at 18° BTDC."""
    n = 100
    angles = np.repeat([30.0, 12.0], n)
    degrees = 720.0 * np.arange(2 * n)
    zero = np.zeros(2 * n, np.int64)
    tick = (degrees * 100).astype(np.int64)
    events = Events(tick, degrees, zero, zero + 3, tick, degrees + 4.0, degrees * 0)
    speed = np.repeat([3000.0, 900.0], n)
    setup = Setup(Reference(60, 2), cylinders=4, clamp="coil", rotor=18.0, rotor_within=2.0)
    found = rotor.read(setup, lambda: Whole(events, angles, speed), "coil", BUDGET)
    assert (found.pitch, found.events, found.bursts, found.shaft) == (90.0, 200, 200, "crank")
    assert (float(found.earliest), float(found.latest)) == pytest.approx((6.0, -5.0))
    assert (float(found.swept), float(found.middle)) == pytest.approx((11.0, 19.0))
    assert (found.next_gap, found.previous_gap) == pytest.approx((85.0, 84.0))
    systematic = 2 * hypot(OWN, COMMON)
    assert found.earliest.u95 == found.latest.u95 == pytest.approx(hypot(systematic, 2.0) / 2)
    assert found.swept.u95 == pytest.approx(2 * sqrt(2) * OWN / 2)
    assert found.middle.u95 == pytest.approx(systematic)
    assert found.outside == 0.0
    slow, fast = found.course
    assert (slow.rpm, slow.timing, slow.first, slow.last, slow.events) == (900, 12, -3, -5, 100)
    assert (fast.rpm, fast.timing, fast.first, fast.last) == (3000, 30, 6, 4)
    two = replace(setup, strokes=2, rotor=None)
    bare = rotor.read(two, lambda: Whole(events, angles, speed), "coil", BUDGET)
    assert (bare.pitch, float(bare.swept), bare.shaft) == (90.0, 22.0, "cam")
    assert bare.earliest is None and bare.outside == pytest.approx(22 - bare.swept.u95 - 20)
    single = replace(events, sparks=zero + 1)
    alone = rotor.read(setup, lambda: Whole(single, angles, speed), "coil", BUDGET)
    assert float(alone.latest) == -3.0 and alone.bursts == 0
    pair = replace(events, sparks=zero + 2)
    both = rotor.read(setup, lambda: Whole(pair, angles, speed), "coil", BUDGET)
    assert float(both.latest) == pytest.approx(-5.0) and both.bursts == 200
    assert rotor.read(setup, lambda: Whole(events, angles, speed), "plug", BUDGET) is None
    far = replace(found, earliest=Number(11.5, 0.5), latest=Number(-13.0, 0.5))
    assert far.outside == pytest.approx(2.5)


def falling(angles, speed=1000.0, segment=0) -> Whole:
    """Single sparks at these angles."""
    angles = np.asarray(angles, float)
    zero = np.zeros(len(angles), np.int64)
    degrees = 720.0 * np.arange(len(angles))
    tick = (degrees * 100).astype(np.int64)
    events = Events(tick, degrees, zero + segment, zero + 1, tick, degrees, degrees * 0)
    return Whole(events, angles, np.broadcast_to(np.asarray(speed, float), len(angles)).copy())


def swept(found: Whole, **typed) -> rotor.Rotor | None:
    plain = Setup(Reference(60, 2), cylinders=4, clamp="coil", rotor=18.0)
    return rotor.read(replace(plain, **typed), lambda: found, "coil", BUDGET)


def test_which_sparks_tell_of_the_rotor():
    """Those with angle, speed and segment, and less than half a firing interval from the middle."""
    at = np.tile([19.0, 21.0, 20.0, 20.0], 25)
    for far, out in ((110.0, True), (109.9, False), (-70.0, True), (-69.9, False)):
        found = swept(falling(np.append(at, np.full(5, far))))
        assert found.events == (100 if out else 105), far
    unknown = falling(np.append(at, [20.0] * 9), np.append(np.full(100, 900.0), [np.nan] * 9))
    assert swept(unknown).events == 100
    assert swept(falling(np.append(at, [np.nan] * 9))).events == 100
    assert swept(falling(at, segment=np.where(np.arange(100) < 30, -1, 2))).events == 70
    assert swept(falling(at[:20])).events == 20 and swept(falling(at[:19])) is None
    assert swept(falling(at[:0])) is None
    assert swept(falling(at), cylinders=2).pitch == 180.0
    assert swept(falling(at), cylinders=1) is None
    # The nearest segment of a cap that is uneven.
    assert swept(falling(at), firing=(0.0, 150.0, 360.0, 510.0)).pitch == 75.0
    # One in 200 at either end may be a stray: of 1001 from 10° to 20° those are 19.95° and 10.05°.
    ends = swept(falling(np.linspace(10.0, 20.0, 1001)))
    assert (ends.earliest, ends.latest) == pytest.approx(((19.95 - 18) / 2, (10.05 - 18) / 2))
    assert swept(falling(at), rotor=None) is None
    assert swept(falling(at), rotor=None, reference=Reference(36, 1, 2)).shaft == "cam"


def test_a_rotor_in_plain_values():
    """Nothing typed: sparks at 30° and 12° sweep 9° of the distributor, inside its 20."""
    at = np.repeat([30.0, 12.0], 50)
    bare = swept(falling(at), rotor=None, reference=Reference(36, 1, 2))
    plain = json.loads(json.dumps(bare.to_dict()))
    assert (plain["outside_deg"], plain["swept_deg"], plain["window_deg"]) == (0.0, 9.0, 20.0)
    assert plain["earliest_expanded_deg"] is None and plain["latest_expanded_deg"] is None
    assert plain["swept_expanded_deg"] == bare.swept.u95 > 0
    assert (plain["events"], plain["bursts"], plain["course"][0]["events"]) == (100, 0, 100)
    marked = swept(falling(at))
    assert marked.to_dict()["earliest_expanded_deg"] == marked.earliest.u95
    # One end alone: what is swept tells.
    assert replace(marked, latest=None).outside == 0.0
    wide = replace(marked, latest=None, swept=Number(23.0, 1.0))
    assert wide.outside == replace(wide, latest=Number(0.0, 1.0), earliest=None).outside == 2.0


def test_the_course_begins_at_the_second_hundredth_of_the_speeds():
    """9 of 300 at 500 rev/min: bins of 0.15 in the logarithm from there part 1000 and 1078."""
    speed = np.repeat([500.0, 1000.0, 1000 * exp(0.075)], [9, 150, 141])
    assert [c.events for c in swept(falling(np.full(300, 20.0), speed)).course] == [150, 141]
    speed = np.repeat([500.0, 1000.0, 1000 * exp(0.075)], [5, 150, 145])  # fewer are none
    assert [c.events for c in swept(falling(np.full(300, 20.0), speed)).course] == [295]


def test_a_rotors_marks_are_known_to_four_degrees_where_nothing_is_typed():
    """Common practice, no source: ±4 crank degrees, 2 at the distributor of a four-stroke."""
    systematic = 2 * hypot(OWN, COMMON)
    found = swept(falling(np.full(40, 20.0)))
    assert found.earliest.u95 == pytest.approx(hypot(systematic, 4.0) / 2)


# The picture


def test_lines_of_the_picture():
    angles = np.arange(40.0)
    ends = np.where(np.arange(40) % 2, 5.0, 0.0)
    line = cycle._line("3", 180.0, 25.0, 36.0, angles, ends, ("timing",))
    assert line.sparks == tuple(range(16, 40)) and (line.on, line.trigger) == (61.0, 25.0)
    assert line.ends == pytest.approx(20.0 - 5.0) and line.after == 180.0
    short = cycle._line("3", 180.0, 25.0, 36.0, angles, ends * 0.1)
    assert short.ends == pytest.approx(20.0 - 0.5)
    degrees = 720.0 * np.arange(4)
    zero = np.zeros(4, np.int64)
    four = Events(zero, degrees, zero, zero + 2, zero, degrees + 6.0, degrees)
    (whole,) = cycle.of_one(FOUR, four, np.full(4, 20.0), None).lines
    assert (whole.ends, whole.sparks, whole.on, whole.trigger) == (14.0, (20.0,) * 4, None, None)
    bare = cycle._line("", 0.0, None, 36.0, angles, np.zeros(40))
    assert bare.on is None and bare.ends is None
    assert cycle._line("", 0.0, 25.0, None, angles, ends).on is None


def test_one_line_of_all_events():
    """Trigger 25° BTDC, 36° closed before; none of the latter where one flank is stamped."""
    events = events_of(4, 6.0)
    bare = cycle.of_one(FOUR, events, np.full(4, 20.0), None)
    assert (bare.span, bare.commanded, bare.lines[0].after, bare.lines[0].name) == (720, 10, 0, "")
    closed = dwell.of(fires(), FOUR, 1e-6, 0.0)
    split = trigger.Split(
        "rising", True, Number(25.0, 0.1), 0.1, None, Number(8.0, 1.0), 1.0, Number(-0.1, 0.1), 4,
        trigger.Counts(4), closed, BUDGET, 0.0,
    )  # fmt: skip
    for has, on in ((closed, 61.0), (None, None)):
        (line,) = cycle.of_one(FOUR, events, np.full(4, 20.0), replace(split, dwell=has)).lines
        assert (line.trigger, line.on) == (25.0, on if on is None else pytest.approx(on))
        assert line.ends == pytest.approx(14.0) and line.differs == ()


def events_of(n: int, length: float) -> Events:
    """A burst of this length each 180°."""
    zero, degrees = np.zeros(n, np.int64), 180.0 * np.arange(n) + 50.0
    return Events(zero, degrees, zero, zero + 2, zero, degrees + length, degrees)


def test_a_line_of_each_cylinder():
    """Sparks of four places in turn at 20 to 23° BTDC, the third place's 1° on in each cycle."""
    rows = table((10.0, 10.0, 10.0, 12.0)).rows
    rows = tuple(replace(r, trigger=30.0 + k, dwell_deg=36.0 - k) for k, r in enumerate(rows))
    found = replace(table((10.0,) * 4), rows=rows)
    place = np.resize(np.arange(4), 12)
    angles = 20.0 + place + np.where(place == 2, np.arange(12) // 4, 0)
    made = cycle.of_each(FOUR, found, Seats(place, (0,), NONE), events_of(12, 5.5), angles)
    assert (made.span, made.commanded) == (720.0, 10.0)
    assert [one.name for one in made.lines] == ["1", "3", "4", "2"]
    assert [one.after for one in made.lines] == [0.0, 180.0, 360.0, 540.0]
    assert [one.trigger for one in made.lines] == [30.0, 31.0, 32.0, 33.0]
    assert [one.on for one in made.lines] == [66.0] * 4
    assert [one.sparks for one in made.lines] == [
        (20.0,) * 3, (21.0,) * 3, (22.0, 23.0, 24.0), (23.0,) * 3
    ]  # fmt: skip
    assert [one.ends for one in made.lines] == pytest.approx([14.5, 15.5, 17.5, 17.5])
    assert [one.differs for one in made.lines] == [(), (), (), ("timing",)]
    third = replace(made.lines[2], sparks=(22.12349, 22.1236, 23.0))
    plain = replace(made, lines=(third,)).to_dict()
    assert plain == {
        "span_deg": 720.0, "commanded_deg_btdc": 10.0,
        "lines": [{
            "name": "4", "after_deg": 360.0, "on_deg_btdc": 66.0, "trigger_deg_btdc": 32.0,
            "sparks_deg_btdc": [22.123, 22.124, 23.0], "ends_deg_btdc": pytest.approx(17.5),
            "differs": [],
        }],
    }  # fmt: skip


def test_when_each_cylinder_is_looked_at():
    """Where anything tells them apart: an order, uneven angles, a clamp on the first one's lead."""
    plain = Setup(Reference(36, 1))
    told = ({"order": (1, 3, 4, 2)}, {"firing": (0.0, 90.0, 360.0, 450.0)}, {"index": "clamp_b"})
    assert not plain.by_cylinder and all(replace(plain, **one).by_cylinder for one in told)
    assert not Setup(Reference(36, 1), cylinders=1, order=(1,)).by_cylinder
