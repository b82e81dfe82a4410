"""Where words and orders turn, at the border itself and just beside it: by hand."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from sparkwitness.errors import UserError
from sparkwitness.timing import (
    budget,
    clamps,
    cycle,
    cylinders,
    events,
    firings,
    fit,
    gates,
    gates_start,
    gates_tap,
    measure,
    tdc,
    wheel,
)
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.cylinders import Cylinder
from sparkwitness.timing.events import Events, burst_gap
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.number import Number
from sparkwitness.timing.placing import Placed
from sparkwitness.timing.rotor import Rotor
from sparkwitness.timing.seating import Seats, seat
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.starting import Phase, Start
from sparkwitness.timing.visits import from_visits

SETUP = Setup(Reference(60, 2), cylinders=4)


def test_half_of_the_distances_alike_is_a_rhythm():
    """Half alike, within 15 % of the middle one, is enough; what was across a break is no rhythm's.

    Of 100, ... 500 degrees a tenth is below the one value and a tenth above the other.
    """

    def text(*steps: float) -> str:
        return clamps.no_reading(SETUP, np.array(steps)).text

    half = (100.0, 100.0, *[300.0] * 5, 500.0, 500.0, 500.0)
    assert "every 300° of crank" in text(*half)
    assert "every 300° of crank" in text(100, 100, 265, 300, 300, 300, 335, 500, 500, 500)
    assert "no regular distance" in text(100, 100, 265, 300, 300, 300, 350, 500, 500, 500)
    assert "no regular distance (100° to 500°" in text(100, *half[:6], *half[8:], 500)
    assert "no regular distance (140° to 460° of crank)" in text(*range(100, 501, 10), np.nan)


@pytest.mark.parametrize(
    ("n", "bend", "freedom", "drift"),
    # Visits beyond the two places: 1 tells no trend, 2 to 5 a line, 6 a parabola.
    [(3, 0.0, 1, 0.0), (4, 0.0, 1, 1.5), (7, 0.0, 4, 3.0), (8, 0.1, 4, 3.5 + 4.9)],
)
def test_trend_that_the_visits_can_tell(n: int, bend: float, freedom: int, drift: float):
    """Places 1 apart in turn, on 0.5 t + bend t² without scatter."""
    at, place = np.arange(float(n)), np.arange(n) % 2
    y = place + 0.5 * at + bend * at**2
    found = from_visits(place, at, y, np.full(n, 1e-3))
    assert (found.of_trend, found.drift) == (freedom, pytest.approx(drift))
    if drift:
        assert found.values[1] - found.values[0] == pytest.approx(1.0)
    if bend:  # from the middle, 3.5, to the end, 7
        assert found.drift_late == pytest.approx(1.75 + 4.9 - 1.225)
        assert found.slowed[0] == pytest.approx((1.75 + 4.9 - 1.225) / (1.75 + 1.225))


def test_a_trend_counts_from_99_of_100_on_either_side():
    """Where it is surely one (t of 3 freedoms: 5.84 of its uncertainty), the places are told at the
    middle of the time, by plain least squares with a line; else without one."""
    at, place = np.arange(6.0), np.array([0, 1] * 3)
    off = np.array([0.1, -0.1, -0.05, 0.1, -0.1, 0.05])
    columns = np.column_stack((place == 0, place == 1, at / 2.5 - 1)).astype(float)
    line = np.linalg.lstsq(columns, off, rcond=None)[0]
    # Twice the slope is what it changed by from the first to the last.
    rest = off - columns @ line
    u = 2 * np.sqrt(np.linalg.inv(columns.T @ columns)[2, 2] * (rest @ rest) / 3)
    for times, plain in ((0.97, False), (1.03, True)):
        rise = stats.t.ppf(0.995, 3) * u * times - 2 * line[2]
        y = off + rise / 5 * at
        found = from_visits(place, at, y, np.full(6, 1e-6))
        assert found.drift == pytest.approx(times * stats.t.ppf(0.995, 3) * u)
        assert found.u_drift == pytest.approx(u, rel=1e-3)
        middle = np.linalg.lstsq(columns, y, rcond=None)[0][:2]
        assert bool(np.abs(found.values - middle).max() < 1e-9) is plain


def test_visits_that_are_all_alike_have_no_trend_that_slows():
    found = from_visits(np.arange(8) % 2, np.arange(8.0), np.zeros(8), np.full(8, 1e-3))
    assert (found.drift, found.drift_late, found.slowed) == (0.0, 0.0, (np.inf, np.inf))


def test_the_trigger_and_the_dwell_in_the_picture():
    """Trigger 18° BTDC after 30° of dwell: on at 48°."""
    zero = np.zeros(4, np.int64)
    degrees = 720.0 * np.arange(4)
    four = Events(zero, degrees, zero, zero + 1, zero, degrees, degrees)

    def line(split: Any) -> cycle.Line:
        return cycle.of_one(SETUP, four, np.full(4, 17.0), cast(Any, split)).lines[0]

    both = line(SimpleNamespace(angle=18.0, dwell=SimpleNamespace(crank_deg=30.0)))
    assert (both.trigger, both.on, both.after) == (18.0, 48.0, 0.0)
    bare = line(SimpleNamespace(angle=18.0, dwell=None))
    assert (bare.trigger, bare.on) == (18.0, None)
    # A two-stroke's cycle is one revolution, and so is the picture of it.
    twin = replace(SETUP, strokes=2, cylinders=2)
    assert cycle.of_one(twin, four, np.full(4, 17.0), None).span == 360.0


@pytest.mark.parametrize(
    ("stroke", "rod", "offset"),
    [(0.0, 143.0, 0.8), (-86.0, 143.0, 0.8), (86.0, 43.0, 0.0), (86.0, 143.0, 100.0),
     (86.0, 143.0, -100.0), (86.0, 30.0, 0.8)],
)  # fmt: skip
def test_measures_that_no_engine_has(stroke: float, rod: float, offset: float):
    """The rod reaches round the crank only when longer than half the stroke and the offset."""
    with pytest.raises(UserError, match="do not make an engine"):
        tdc.pin_correction(30.0, stroke, rod, offset)


def test_measures_of_an_engine_in_any_unit():
    in_mm = tdc.pin_correction(30.0, 86.0, 143.0, 0.8)
    assert tdc.pin_correction(30.0, 0.086, 0.143, 0.0008) == pytest.approx(in_mm, abs=1e-9)
    assert abs(in_mm) > 0.01 and np.isfinite(tdc.pin_correction(30.0, 86.0, 143.0, 99.0))


def texts(start: Start | None, rotor: Rotor | None) -> dict[str, str]:
    found = gates.judge(gates_start.Evidence(SETUP, start, rotor), gates_start.ROWS).findings
    return {one.code: one.text for one in found}


@pytest.mark.parametrize(("at", "said"), [(15.6, "0.6° earlier"), (14.4, "0.6° later")])
def test_cranking_a_little_earlier_or_later(at: float, said: str):
    def phase(name: str, angle: float) -> Phase:
        return Phase(
            name, 0, 1, 200, 210, 9, Number(angle, 0.1), 0.1, angle, angle, None, None, 0, 9, None
        )

    start = Start(
        stood=True, sync_s=1.0, first_s=0.9, first_deg=700.0, before=0, caught_s=2.0, tries=0,
        phases=(phase("cranking", at), phase("running", 15.0)), supply="", rest_v=None, low_v=None,
        points=cast(Any, ()),
    )  # fmt: skip
    assert f", {said} than" in texts(start, None)["cranking_angle"]
    # Half a degree is not worth a word; a phase without a timing has none to differ.
    same = replace(start, phases=(phase("cranking", 15.5), phase("running", 15.0)))
    assert texts(same, None) == {}
    for bare in (0, 1):
        untold = list(start.phases)
        untold[bare] = replace(untold[bare], timing=None)
        assert texts(replace(start, phases=tuple(untold)), None) == {}


@pytest.mark.parametrize(("following", "before"), [(72.0, 81.0), (81.0, 72.0)])
def test_the_nearer_neighbour_of_the_rotor(following: float, before: float):
    """Four segments: from 18° before to 9° past the middle, or the other way round."""
    one = Rotor(
        shaft="cam", pitch=90.0, swept=Number(27.0, 0.5), earliest=Number(90.0 - before, 0.5),
        latest=Number(following - 90.0, 0.5), next_gap=following, previous_gap=before,
        middle=Number(20.0, 0.5), events=100, bursts=0, course=(),
    )  # fmt: skip
    text = texts(None, one)["rotor_outside"]
    assert "within 72° of a neighbour's" in text and "at 20.0° BTDC" in text
    assert "outside ±10° of the distributor" in text
    assert f"from {90 - before:.1f}° before to {90 - following:.1f}° past" in text
    assert "within 0°" in texts(None, replace(one, next_gap=0.0))["rotor_outside"]
    assert "within 0°" in texts(None, replace(one, previous_gap=0.0))["rotor_outside"]


def test_a_delay_needs_two_speeds():
    one = np.array([1000.0])
    for rpm in (one, np.full(2, 1000.0), np.full(5, 3000.0)):
        with pytest.raises(UserError, match="measure at a second speed"):
            fit.fit_delay(rpm, np.full(len(rpm), 1.0), np.full(len(rpm), 0.1))
    near = fit.fit_delay(np.array([1000.0, 1000.5]), np.array([1.0, 1.5]), np.full(2, 0.1))
    assert near.delay_us == pytest.approx(-1.0 / 6e-6)  # 1° per rev/min; 6 N t degrees


def test_events_that_wander_are_worth_fewer(monkeypatch: pytest.MonkeyPatch):
    """A hundred of which three, or four, that follow each other are alike."""
    values = np.zeros(100)
    for alike, said in ((2.9, "100 events"), (3.01, "100 events that wander, worth 33 that do not"),
                        (4.0, "100 events that wander, worth 25 that do not")):  # fmt: skip
        monkeypatch.setattr(budget, "correlation_time", lambda _, alike=alike: alike)
        assert budget._scatter(values).note == said
    monkeypatch.undo()
    # A drift from end to end is worth three: just a third of nine, and less of ten.
    assert budget._scatter(np.arange(9.0)).note == "9 events"
    assert "that wander, worth 3" in budget._scatter(np.arange(10.0)).note


def test_a_spark_and_the_firing_that_it_follows():
    """Firings at 100, 200, 300: a spark 5 early at most, 40 late at most; of two the first."""
    fires, sparks = (np.array(x, np.int64) for x in ((100, 200, 300), (94, 95, 140, 241, 260, 340)))
    spark, fire = firings.delays(fires, sparks, 5, 40)
    assert (spark.tolist(), fire.tolist()) == ([1, 5], [0, 2])
    spark, fire = firings.delays(fires, sparks, 6, 41)
    assert (spark.tolist(), fire.tolist()) == ([0, 3, 5], [0, 1, 2])
    none = firings.delays(fires, sparks[:0], 5, 40)
    assert [len(x) for x in none] == [0, 0]


def test_two_steps_are_two_heaps():
    """2 and 32 degrees: parted at their geometric mean, 8; one step is no heap but one."""
    assert burst_gap(np.array([2.0, 32.0]), np.nan) == pytest.approx(8.0)
    assert burst_gap(np.array([2.0]), np.nan) == pytest.approx(0.8)  # two fifths of it


def test_banks_of_unlike_numbers():
    """Cylinder 1 alone against 2, 3 and 4: u² = 0.01 + 0.03 / 9, and own² + own² / 3."""
    row = Cylinder("1", 0.0, 40, None, None, None, 40, 0, None, None, None, None, None)
    rows = [replace(row, name=n) for n in "1342"]
    found = cylinders._banks(
        replace(SETUP, order=(1, 3, 4, 2), bank=(1,)), rows, np.array([12.0, 10.0, 10.0, 10.6]),
        np.full(4, 0.1), 0.05,
    )  # fmt: skip
    assert found is not None and float(found) == pytest.approx(12 - 10.2)
    assert found.u95 == pytest.approx(2 * np.sqrt(0.01 + 0.03 / 9 + 0.05**2 * 4 / 3))


def test_a_line_of_the_picture_in_thousandths():
    line = cycle.Line("3", 180.0, 40.0, 20.0, (12.34567, 9.87649), 5.0, ())
    plain = cycle.Cycle(720.0, 10.0, (line,)).to_dict()
    assert plain["lines"][0]["sparks_deg_btdc"] == [12.346, 9.876]


def test_what_is_no_note_forbids_advice():
    for row in (*gates.GATES, *gates_tap.ROWS, *gates_start.ROWS):
        assert row.advice == (row.level == gates.NOTE), row.name


def test_turns_to_the_first_spark():
    """1781.9° are 4.95 turns; two cycles, 1440°, are what a controller may need."""
    late = Start(
        stood=True, sync_s=0.1, first_s=2.04, first_deg=1781.9, before=0, caught_s=None, tries=0,
        phases=(), supply="", rest_v=None, low_v=None, points=cast(Any, ()),
    )  # fmt: skip
    assert "came 4.9 turns (2.0 s) after" in texts(late, None)["late_first_spark"]
    assert texts(replace(late, first_deg=1440.0), None) == {}
    assert "4.0 turns" in texts(replace(late, first_deg=1440.1), None)["late_first_spark"]
    assert "came 100.0 turns" in texts(replace(late, first_deg=36_000.0), None)["late_first_spark"]
    for changes in ({"stood": False}, {"first_deg": None}, {"first_s": None}):
        assert texts(replace(late, **cast(Any, changes)), None) == {}


@pytest.mark.parametrize(("swept", "struck"), [(20.5, False), (20.51, True)])
def test_a_sweep_wider_than_a_rotor_covers(swept: float, struck: bool):
    """20° of the distributor, with all of its ± 0.5°."""
    one = Rotor(
        shaft="cam", pitch=90.0, swept=Number(swept, 0.5), earliest=None, latest=None,
        next_gap=None, previous_gap=None, middle=Number(20.0, 0.5), events=100, bursts=0,
        course=(),
    )  # fmt: skip
    found = texts(None, one)
    assert ("rotor_sweep" in found) == struck
    assert (
        not struck
        or "sweep 20.5° of the distributor, more than the 20° that" in (found["rotor_sweep"])
    )


def test_the_middle_angle_round_the_circle():
    """The sum of the distances is least from 355°, which is in the middle of 350, 355 and 10."""
    assert events.circular_median(np.array([350.0, 10.0, 355.0]), 360.0) == 355.0
    assert events.circular_median(np.array([350.0, 10.0, 355.0, 358.0]), 360.0) == 356.5
    assert events.circular_median(np.array([725.0, 4.0, 6.0]), 720.0) % 720 == 5.0
    # 80 and 160 have 320° to the others, 0 and 240 have 360.
    for angles in ([0.0, 80.0, 160.0, 240.0], [240.0, 0.0, 160.0, 80.0]):
        assert events.circular_median(np.array(angles), 360.0) == 120.0
    many = np.append(np.full(500, 80.0), np.linspace(200.0, 280.0, 400))
    assert events.circular_median(np.sort(many), 360.0) == 80.0


def test_the_cut_between_heaps_that_are_not_alike():
    """Ten of 1°, one 1.2 and one 2.4 further in the logarithm: between is n (12 - n) apart².

    After the ten 10 · 2 · 1.8² = 64.8, after eleven 11 · 1 · 2.29² = 57.7.
    """
    steps = np.exp(np.array([0.0] * 10 + [1.2, 2.4]))
    assert burst_gap(steps, 1000.0) == pytest.approx(np.exp(0.6))
    # Of a long series, in runs, the same.
    assert burst_gap(np.tile(steps, 4000), 1000.0) == pytest.approx(np.exp(0.6))


def test_an_event_at_the_end_of_a_stretch():
    """A gap of 20° after its last spark, or the next event in the stretch, shows its end."""
    n = 4
    number, zero = np.arange(n), np.zeros(n, np.int64)
    turned = Periods(1000 * number, zero + 1000, zero, number, *np.zeros((2, n)))
    for last, sparks in ((1420.0, 2), (1420.5, 0)):
        degrees = np.array([100.0, 106.0, 800.0, last - 6, last])
        at = Placed(np.arange(5), degrees, np.zeros(5, np.int64), np.zeros(5))
        made = events.group(at, np.zeros(5, np.bool_), turned, 360.0, 20.0)
        assert made.events.sparks.tolist() == [2, 1, sparks] and made.cut == 0
    # The beginning likewise: a gap after the crank was known.
    for first, cut in ((20.0, 0), (19.5, 1)):
        degrees = np.array([first, 400.0, 800.0])
        at = Placed(np.arange(3), degrees, np.zeros(3, np.int64), np.zeros(3))
        made = events.group(at, np.zeros(3, np.bool_), turned, 360.0, 20.0)
        assert (len(made.events.tick), made.cut) == (3 - cut, cut)
    none = at.pick(np.arange(3) > 5)
    made = events.group(none, np.zeros(0, np.bool_), turned, 360.0, 20.0)
    assert (len(made.events.tick), made.cut, made.unplaced) == (0, 0, 0)
    counts = events.missing_between(replace(made.events, degrees=np.array([0.0, 200.0, 300.0]),
                                            segment=np.zeros(3, np.int64)), 100.0)  # fmt: skip
    assert counts == (1, 3) and all(type(n) is int for n in counts)


def test_strays_beside_their_neighbours():
    """Two degrees are never one; from there on six robust deviations."""
    still = np.full(120, 20.0)
    still[[30, 60, 90]] = 22.1, 21.9, 17.9
    assert np.flatnonzero(events.strays(still, 360.0)).tolist() == [30, 90]
    wide = 20 + np.resize([1.0, 0.0, -1.0], 120)  # 1.4826 · 6 = 8.9
    wide[[31, 61]] += 8.5, 9.2
    assert np.flatnonzero(events.strays(wide, 360.0)).tolist() == [61]
    assert not len(events.strays(np.empty(0), 360.0))


def test_ringing_across_two_pieces():
    """A hundred ticks dead: the last of a piece rings into the next; a train of it goes as one."""
    dead, none = events.DeadTime(100), np.empty(0, np.int64)
    kept, lost = dead.feed(np.array([0, 1_000]), none)
    assert kept.tolist() == [0, 1_000] and not lost.any()
    kept, lost = dead.feed(np.array([1_099, 1_198, 2_000, 2_100]), np.array([1]))
    assert (kept.tolist(), lost.tolist()) == ([2_000, 2_100], [True, False])
    kept, lost = dead.feed(np.array([2_150]), np.array([0]))
    assert not len(kept)
    kept, lost = dead.feed(np.array([3_000]), none)
    assert (kept.tolist(), lost.tolist(), dead.rejected) == ([3_000], [True], 3)
    kept, lost = dead.feed(none, none)
    assert len(kept) == len(lost) == 0
    kept, lost = dead.feed(np.array([3_099, 3_199]), none)
    assert (kept.tolist(), lost.tolist(), dead.rejected) == ([3_199], [False], 4)


def test_a_line_of_the_picture_for_each_cylinder():
    row = Cylinder("1", 0.0, 2, None, None, None, 2, 0, None, None, 18.0, None, 30.0)
    rows = (row, replace(row, name="3", after=180.0, trigger=None, differs=("timing",)))
    zero = np.zeros(4, np.int64)
    degrees = 360.0 * np.arange(4)
    four = Events(zero, degrees, zero, zero + 2, zero, degrees + np.array([4, 6, 4, 6]), degrees)
    table = cylinders.Cylinders(rows, True, None, None, ())
    seats = Seats(np.array([0, 1, 0, 1]), (0,), degrees)
    one, three = cycle.of_each(SETUP, table, seats, four, np.array([20.0, 21.0, 20.5, 21.5])).lines
    assert (one.name, one.after, one.sparks, one.ends) == ("1", 0.0, (20.0, 20.5), 16.25)
    assert (one.on, one.trigger, one.differs) == (48.0, 18.0, ())
    assert (three.name, three.after, three.sparks, three.ends) == ("3", 180.0, (21.0, 21.5), 15.25)
    assert (three.on, three.trigger, three.differs) == (None, None, ("timing",))
    plain = cycle.Cycle(720.0, 18.0, (one, three)).to_dict()["lines"]
    assert [each["differs"] for each in plain] == [[], ["timing"]]
    # Bursts of 4, 5 and 12°: their last sparks are at 7° in the mean. A two-stroke turns once.
    four.last_degrees[:] = degrees + np.array([4, 5, 0, 12])
    twin = replace(SETUP, strokes=2, cylinders=2)
    alone = replace(table, rows=(row,))
    seats = replace(seats, place=np.zeros(4, np.int64))
    two = cycle.of_each(twin, alone, seats, four, np.full(4, 14.0))
    assert (two.span, two.lines[0].ends) == (360.0, 7.0)


@pytest.mark.parametrize("turns", [1, 2])
def test_orders_of_the_crank_are_taken_off_a_wheel(turns: int):
    """Per crank revolution, on a wheel of the crank or of the camshaft: nothing of them is left."""
    learner = wheel.WheelLearner(Reference(36, 1, turns, 60.0))
    places = np.arange(35) / 36
    turn = 2 * np.pi * turns * places
    saw = np.where(np.arange(35) == 7, 1.0, 0.0)
    left = learner._without(0.3 + 0.5 * np.sin(turn) - 0.2 * np.cos(2 * turn), [1.0, 2.0])
    assert np.abs(left).max() < 1e-9
    assert np.abs(learner._without(np.sin(3 * turn) + saw, [1.0, 2.0])).max() > 0.5


def test_events_of_the_steady_stretch():
    """From 0.15 to 0.45 s, both ends of it."""
    zero, at = np.zeros(6, np.int64), np.arange(6) * 150_000
    six = Events(at, at * 0.0, zero, zero + 1, at, at * 0.0, at * 0.0)
    found = SimpleNamespace(events=six)
    made = Measurement(from_s=150_000 * 1e-6, to_s=450_000 * 1e-6)  # as they come of the ticks
    assert measure.used(made, cast(Any, found), 1e-6).tolist() == [False, *[True] * 3, False, False]
    for none in (Measurement(), Measurement(from_s=0.15), Measurement(to_s=0.45)):
        assert not measure.used(none, cast(Any, found), 1e-6).any()


def test_what_shared_causes_leave_beside_a_line():
    """numpy.polyfit of each, all points alike; the squares of their residuals' means together."""
    rpm = np.array([1000.0, 2000.0, 3000.0, 4500.0])
    causes = np.array([[0.1, 0.0, 0.0, 0.1], [0.3, 0.3, 0.3, 0.3], [0.0, 0.2, 0.0, 0.0]])
    left = [c - np.polyval(np.polyfit(rpm, c, 1), rpm) for c in causes]
    by_hand = np.sqrt(sum(np.mean(r**2) for r in left))
    assert fit._bend(rpm, np.full(4, 0.1), causes) == pytest.approx(by_hand)


def test_how_late_a_spark_may_follow_its_flank():
    """1 ms, or 6 where the flank is typed, or 45 % of the way to the next firing."""
    assert firings.window(np.array([0, 1_000]), 1e-6, False) == 450
    assert firings.window(np.array([0, 30_000]), 1e-6, False) == 1_000
    assert firings.window(np.array([0, 30_000]), 1e-6, True) == 6_000
    assert firings.window(np.array([5]), 1e-6, True) == 6_000


@pytest.mark.parametrize(("apart_us", "turned"), [(900, (0,)), (-900, (0,)), (1_100, (0, 2))])
def test_cylinder_1_is_told_by_a_clamp_on_its_lead(apart_us: int, turned: tuple[int, ...]):
    """Once a turn the crank repeats: 1 and 4 look alike until a spark is heard within 1 ms."""
    setup = Setup(Reference(60, 2, 1, 60.0), cylinders=4, order=(1, 3, 4, 2), clamp="coil")
    n = 80
    degrees = 180.0 * np.arange(n) + 50.0
    tick = 30_000 * np.arange(n)
    first = tick[2::4] + apart_us  # cylinder 1 is the third that was seen
    found = seat(degrees, np.zeros(n, np.int64), setup, 10.0, first, tick, 1e-6)
    assert found.turned == turned
    if turned == (0,):
        assert found.place[:6].tolist() == [2, 3, 0, 1, 2, 3]
        assert found.base[:3] == pytest.approx([-310.0, -310.0, 410.0])
