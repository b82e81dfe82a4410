"""Whole results of tables that are typed in: sparks and periods of an even engine, by hand.

Longer than other files: one engine, and all that is told of it.
"""

import json
from dataclasses import fields, replace
from math import degrees as in_degrees
from math import radians, sqrt
from typing import Any

import numpy as np
import pytest

from sparkwitness.decode.edges import Loss
from sparkwitness.timing import groups, measure, timed
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.events import Events
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.placing import Marked, Placed
from sparkwitness.timing.ripple import Turns
from sparkwitness.timing.setup import Setup

# 1000 rev/min: a turn in 60 ms, 6° a ms; a tick is a µs. The index edge is 60° before the top.
WHEEL = Reference(36, 1, 1, 60.0, 0.2)
SETUP = Setup(
    WHEEL, commanded=18.0, cylinders=4, clamp="plug", delay_us=0.0, u_delay_us=5.0, setting=3.0,
    trigger="none", confirmed=("clamp_side",),
)  # fmt: skip
ALTERNATING = 0.2


def tables(
    n=60, at=None, spacing=720.0, rpm=1000.0, sessions=1, wheel=WHEEL, sparks=1, **more: Any
) -> Tables:
    """`n` events `spacing` degrees apart, 20° BTDC ± 0.2 in turn and `at` more, of `sparks` each
    4° apart; `rpm` of each turn. Sessions follow each other with the same numbers."""
    turns = int(n * spacing // 360 + 4)
    speed = np.broadcast_to(np.asarray(rpm, float), turns)
    length = np.rint(60e6 / speed).astype(np.int64)
    begins = np.concatenate(([0], np.cumsum(length)))
    btdc = 20 + ALTERNATING * (-1.0) ** np.arange(n) + (0.0 if at is None else np.asarray(at))
    degrees = 60 - btdc + spacing * np.arange(n) + (360.0 if spacing > 360 else 0.0)
    degrees = (degrees[:, None] + 4.0 * np.arange(sparks)).ravel()
    tick = np.interp(degrees, 360.0 * np.arange(turns + 1), begins)
    tick = np.rint(tick).astype(np.int64)
    size = wheel.period / 360
    every = np.arange(int(turns / size))
    starts = np.interp(every * wheel.period, 360.0 * np.arange(turns + 1), begins).astype(np.int64)
    ends = np.interp((every + 1) * wheel.period, 360.0 * np.arange(turns + 1), begins)
    k = np.repeat(np.arange(sessions), len(tick))
    j = np.repeat(np.arange(sessions), len(every))
    whole = int(begins[-1])
    tick, degrees = np.tile(tick, sessions) + k * whole, np.tile(degrees, sessions)
    zero = np.zeros(len(every) * sessions)
    starts = np.tile(starts, sessions) + j * whole
    lengths = np.tile(ends.astype(np.int64) - starts[: len(every)], sessions)
    periods = Periods(starts, lengths, j, np.tile(every, sessions), zero + 0.01, zero + 0.01)
    cuts = tuple((s * n * sparks, s * len(every), 0, 0) for s in range(sessions))
    made = Tables(
        Placed(tick, degrees, k, np.full(len(tick), 5.0)), np.zeros(len(tick), np.bool_), periods,
        1e-6, whole * 1e-6, 3500, 0, len(tick), 0, [], Loss(), sessions=cuts,
    )  # fmt: skip
    return replace(made, **more)


def codes(result: measure.Measurement) -> list[str]:
    return [f.code for f in result.findings]


def test_a_sound_run():
    result = measure.evaluate(SETUP, tables(ringing=7, supply_mv=[12_600, 11_900, 12_100]))
    assert float(result.timing) == pytest.approx(20.0, abs=0.01)
    assert float(result.error) == pytest.approx(2.0, abs=0.01)
    assert result.scatter == pytest.approx(ALTERNATING, rel=0.02)
    assert (result.events, result.missing, result.expected) == (60, 0, 59)
    assert (result.stray, result.cut, result.unplaced, result.unsteady) == (0, 0, 0, 0)
    assert (result.event_spacing, result.modulo, result.clamp) == (720.0, 360.0, "plug")
    assert (result.places, result.ringing, result.supply_least_mv) == ((), 7, 11_900)
    assert float(result.rpm) == pytest.approx(1000.0, abs=0.1)
    lines = {c.name: c.u for c in result.budget.components}
    assert lines["clamp and conditioner delay"] == pytest.approx(0.03, rel=1e-3)  # 5 µs
    assert lines["time stamp"] == pytest.approx(6e-3 / sqrt(6), rel=1e-3)
    assert result.timing.u95 == result.error.u95 == result.expanded == result.budget.expanded
    assert result.expanded == pytest.approx(2 * sqrt(sum(u * u for u in lines.values())))
    assert codes(result) == ["target", "one_speed"] and result.ready
    assert result.advice.setting == pytest.approx(1.0, abs=0.01)  # 3 less 2
    assert result.cycle.lines[0].name == "" and result.start is None and result.rotor is None
    assert (result.from_s, result.to_s) == pytest.approx(
        (0.060 + 0.006633, 0.060 + 0.006700 + 59 * 0.12), abs=1e-4
    )


def test_where_a_word_on_one_speed_is_due():
    for commanded, said in ((18.0, True), (22.0, True), (20.1, False), (None, False)):
        result = measure.evaluate(replace(SETUP, commanded=commanded), tables())
        assert ("one_speed" in codes(result)) is said, commanded
    assert result.error is None and result.advice is None and result.timing is not None


def test_a_delay_that_was_typed_is_taken_off():
    """100 µs at 1000 rev/min: the spark was 0.6° earlier than it was stamped."""
    late = replace(SETUP, delay_us=100.0, u_delay_us=20.0)
    result = measure.evaluate(late, tables())
    assert float(result.timing) == pytest.approx(20.6, abs=0.01)
    lines = {c.name: c.u for c in result.budget.components}
    assert lines["clamp and conditioner delay"] == pytest.approx(0.12, rel=1e-3)


def test_thirty_events_or_twenty_turns():
    few = measure.evaluate(SETUP, tables(29))
    assert codes(few) == ["few_events"] and few.timing is None
    assert few.findings[0].text == "29 of 30 events at steady speed"
    assert not few.to_dict()["advice_allowed"]
    assert measure.evaluate(SETUP, tables(30)).timing is not None
    coil = replace(SETUP, clamp="coil")
    # Every 180°: 40 events are twenty turns.
    few = measure.evaluate(coil, tables(39, spacing=180.0))
    assert few.findings[0].text.startswith("39 of 40 events")
    assert measure.evaluate(coil, tables(40, spacing=180.0)).timing is not None
    lost = measure.evaluate(SETUP, tables(29, crank_rejected=350)).findings[0].text
    assert "; 10 % of the crank's edges are in turns that do not fit a 36-1 reference" in lost
    assert "crank's" not in measure.evaluate(SETUP, tables(29, crank_rejected=349)).findings[0].text


def test_a_speed_that_changes():
    """84 turns at 1000, then at 1500 rev/min: what is steady is the end."""
    speed = np.where(np.arange(164) < 84, 1000.0, 1500.0)
    result = measure.evaluate(SETUP, tables(80, rpm=speed))
    # The 43rd spans both; the last three of which two are at another speed end with the 44th.
    assert (result.unsteady, result.events) == (44, 36)
    assert float(result.rpm) == pytest.approx(1500.0, rel=0.01)
    both = measure.evaluate(SETUP, tables(80, rpm=speed), any_speed=True)
    assert (both.events, both.unsteady) == (80, 0)
    rising = 600.0 * 1.03 ** np.arange(124)
    none = measure.evaluate(SETUP, tables(60, rpm=rising))
    assert none.timing is None
    # The last events are at another speed than all of those before: none is steady.
    swing = np.where(np.arange(124) % 8 < 4, 600.0, 1200.0)
    never = measure.evaluate(SETUP, tables(60, rpm=swing))
    assert codes(never) == ["unsteady"] and never.findings[0].text == (
        "the speed is not steady (600 to 1200 rpm): hold it and wait"
    )
    # Five of the last ten neither, and of six there are too few.
    for turn, code in ((110, "unsteady"), (108, "few_events")):
        end = np.where(np.arange(124) < turn, 1000.0, 1300.0)
        assert codes(measure.evaluate(SETUP, tables(60, rpm=end))) == [code]
    # With every cylinder's spark twenty turns are forty events, of whose last ten five are off: no
    # more than half.
    coil = replace(SETUP, clamp="coil")
    for turn, steady in ((77, True), (76, False)):
        end = np.where(np.arange(84) < turn, 1000.0, 1300.0)
        found = measure.evaluate(coil, tables(160, spacing=180.0, rpm=end))
        assert (found.timing is not None) is steady
    # Of the last forty 17 of the 20 newer ones are whole at it, and 20 of forty-two were no middle.
    end = np.where(np.arange(84) < 69, 1000.0, 1300.0)
    found = measure.evaluate(coil, tables(160, spacing=180.0, rpm=end))
    assert (codes(found), found.events) == (["few_events"], 17)
    # Four at the end are no new speed: twenty turns, ten events, tell the speed now.
    end = np.where(np.arange(124) < 112, 1000.0, 1300.0)
    assert codes(measure.evaluate(SETUP, tables(60, rpm=end))) == ["unsteady"]
    assert never.events == 0 and not never.to_dict()["advice_allowed"]
    # Two of the last four steps faster: the last event alone is left, and one speed has no scatter.
    fast = np.isin(np.arange(124), range(111, 115))
    last = measure.evaluate(SETUP, tables(60, rpm=np.where(fast, 1300.0, 1000.0)))
    assert (codes(last), last.events, last.rpm, last.u_rpm) == (["few_events"], 1, None, None)


def test_which_events_a_result_rests_on():
    """Those of the steady stretch, its first and its last among them; of a refused one none."""
    made = tables(80, rpm=np.where(np.arange(164) < 84, 1000.0, 1500.0))
    found = timed.time_events(SETUP, made)
    assert not isinstance(found, Finding)
    result = measure.evaluate(SETUP, made)
    assert measure.used(result, found, made.tick_s).tolist() == [False] * 44 + [True] * 36
    first = replace(result, from_s=float(found.events.tick[0] * made.tick_s),
                    to_s=float(found.events.tick[20] * made.tick_s))  # fmt: skip
    assert measure.used(first, found, made.tick_s).tolist() == [True] * 21 + [False] * 59
    for ends in ({"from_s": None}, {"to_s": None}):
        assert measure.used(replace(result, **ends), found, made.tick_s).tolist() == [False] * 80


def test_no_spark_and_no_crank():
    nothing = tables()
    silent = replace(nothing, sparks=nothing.sparks.pick(slice(0)), clamp_edges=0,
                     lost_before=nothing.lost_before[:0])  # fmt: skip
    quiet = measure.evaluate(SETUP, silent)
    assert codes(quiet) == ["no_spark"] and float(quiet.rpm) == pytest.approx(1000.0)
    assert "no spark on clamp A in 7 s while the crank turned at 1000 rpm" in quiet.findings[0].text
    assert quiet.start is None
    # Cranked at 200 rev/min: a start that a person must see, if one without a spark.
    slow = tables(rpm=200.0)
    slow = replace(slow, sparks=silent.sparks, clamp_edges=0, lost_before=silent.lost_before)
    (cranked,) = measure.evaluate(SETUP, slow).start.phases
    assert (cranked.name, cranked.events, cranked.timing) == ("cranking", 0, None)
    assert (cranked.rpm_low, cranked.rpm_high) == pytest.approx((200.0, 200.0))
    still = replace(silent, periods=nothing.periods.pick(slice(0)), crank_edges=0)
    result = measure.evaluate(SETUP, still)
    assert codes(result) == ["no_reference"] and result.rpm is None
    noise = measure.evaluate(replace(SETUP, sensor="vr"), replace(still, crank_edges=9))
    assert codes(noise) == ["no_sync"] and "9 edges on the crank" in noise.findings[0].text
    assert "two wires are swapped" in noise.findings[0].text
    few = measure.evaluate(SETUP, tables(3))
    assert codes(few) == ["few_events"] and "3 sparks on clamp A: not enough" in (
        few.findings[0].text
    )
    for found in (quiet, result, noise, few):
        assert not found.to_dict()["advice_allowed"]


def test_several_sessions_are_measured_apart():
    """One after the other, at 20° and, the last, at 20° again; fewer sparks: no timing of that."""
    twice = measure.evaluate(SETUP, tables(sessions=2))
    (said,) = [f.text for f in twice.findings if f.code == "sessions"]
    u = f"{twice.expanded:.1f}"
    assert f"measured apart: 20.0° BTDC ± {u}°, 20.0° BTDC ± {u}°; the last" in said
    assert twice.events == 60 and float(twice.timing) == pytest.approx(20.0, abs=0.01)
    three = measure.evaluate(SETUP, tables(sessions=3))
    (said,) = [f.text for f in three.findings if f.code == "sessions"]
    assert said.count("20.0° BTDC") == 3
    assert (twice.from_s, three.from_s) == pytest.approx((7.44 + 0.066633, 14.88 + 0.066633))
    short = tables(29, sessions=2)
    (*_, last) = measure.evaluate(SETUP, short).findings
    assert last.code == "few_events"
    once = measure.evaluate(SETUP, tables())
    assert "sessions" not in codes(once)


def test_what_was_left_out_and_what_did_not_fit():
    result = measure.evaluate(SETUP, tables(dropped=12, crank_rejected=700))
    texts = {f.code: f.text for f in result.findings}
    assert "the oldest 12 sparks are left out" in texts["long"]
    assert texts["crank_noise"].startswith("20 % of the crank's edges")
    assert "long" not in codes(measure.evaluate(SETUP, tables()))
    assert result.crank_rejected == 700
    # A single one that is 30° off is no timing; nor does it hide that none is missing.
    off = np.where(np.arange(60) == 30, 30.0, 0.0)
    one = measure.evaluate(SETUP, tables(at=off))
    assert (one.stray, one.events) == (1, 59)
    assert float(one.timing) == pytest.approx(20.0, abs=0.01)


def test_events_that_come_late_now_and_then():
    """Each tenth 8° late: their share, and the timing of the others."""
    late = np.where(np.arange(60) % 10 == 3, -8.0, 0.0)
    result = measure.evaluate(SETUP, tables(at=late))
    assert float(result.timing) == pytest.approx(20.02, abs=0.02) and "late" in codes(result)
    (a, most), (b, rest) = result.places
    assert (a, b) == pytest.approx((20.02, 11.8), abs=0.05)
    assert (most, rest) == pytest.approx((0.9, 0.1)) and result.stray == 6
    assert result.events == 54 and result.missing == 6
    # A clamp that is half a millisecond late: 3° earlier each of them at 1000 rev/min.
    result = measure.evaluate(replace(SETUP, delay_us=500.0), tables(at=late))
    assert [at for at, _ in result.places] == pytest.approx([23.02, 14.8], abs=0.05)
    assert float(result.timing) == pytest.approx(23.02, abs=0.02)


def test_bursts_of_three():
    made = tables(sparks=3)
    result = measure.evaluate(SETUP, made)
    assert result.sparks == {3: 60}
    lasted = np.mean(made.sparks.tick[2::3] - made.sparks.tick[::3])  # µs, each a tick
    assert float(result.duration_us) == pytest.approx(lasted, rel=1e-9)
    assert float(result.spacing_us) == pytest.approx(lasted / 2, rel=1e-9)
    assert float(result.spacing_us) == pytest.approx(4 / 6e-3, rel=1e-3)
    assert float(result.duration_us) == pytest.approx(8 / 6e-3, rel=1e-3)


def test_what_waiting_can_and_cannot_do():
    """Ready where the target is met, or the random part is a fifth of the rest."""
    loose = measure.evaluate(replace(SETUP, target=1.0), tables())
    assert loose.ready and "target" not in codes(loose)
    unsure = replace(SETUP, reference=replace(WHEEL, u_angle=1.0))
    stuck = measure.evaluate(unsure, tables())
    (text,) = [f.text for f in stuck.findings if f.code == "target"]
    assert stuck.ready and "±0.25° cannot be reached by waiting" in text
    assert f"most of the ±{stuck.expanded:.2f}° comes from the reference angle" in text
    # Sixty by turns 0.48° off either way: 2 · 0.48 / sqrt(59) = 0.125, the rest is ±0.61.
    known = replace(SETUP, reference=replace(WHEEL, u_angle=0.3))
    for by, ready in ((0.48, False), (0.45, True)):
        turn = (by - ALTERNATING) * (-1.0) ** np.arange(60)
        result = measure.evaluate(known, tables(at=turn))
        share = 2 * by / sqrt(59) / result.budget.systematic
        assert (0.2 < share < 0.22) is not ready and 0.18 < share < 0.22
        assert result.ready is ready and ("target" in codes(result)) is ready
    # At 6000 rev/min a tick of 1 µs is 0.036°: with all else known, the largest.
    fast = tables(rpm=6000.0, at=-ALTERNATING * (-1.0) ** np.arange(60))
    fast.periods.miss[:] = fast.periods.wide[:] = 0.0
    sure = replace(SETUP, reference=replace(WHEEL, u_angle=0.0), u_delay_us=0.0, target=0.01)
    (text,) = [f.text for f in measure.evaluate(sure, fast).findings if f.code == "target"]
    assert "most of the ±0.03° comes from the time stamp (" in text
    wide = np.random.default_rng(1).normal(0, 2.0, 60)
    waiting = measure.evaluate(replace(SETUP, target=0.3), tables(at=wide))
    assert not waiting.ready and "target" not in codes(waiting)


PULSE = Reference(1, 0, 1, 60.0, 0.2)


def test_a_pulse_nearer_to_the_spark():
    """40° off with a typed swing of 4 %, two firings a turn: U / 2 = s / n sqrt(1 - cos(n d))."""
    setup = replace(SETUP, reference=PULSE, swing=0.04)

    def u(distance: float) -> float:
        return in_degrees(0.04 / 2) * sqrt(1 - np.cos(radians(2 * distance)))

    made = tables(wheel=PULSE)
    made.sparks.to_edge[:] = 40.0
    result = measure.evaluate(setup, made)
    (text,) = [f.text for f in result.findings if f.code == "pulse_far"]
    assert "pulse is 40° from the spark" in text
    assert f"would save ±{2 * (u(40.0) - u(3.0)):.1f}°" in text
    assert u(40.0) > u(3.0) + 0.5
    # A twentieth of a degree is worth the word: 0.045 and 0.057.
    for near, said in ((3.0, False), (3.5, False), (3.8, False), (4.0, True), (6.0, True)):
        made.sparks.to_edge[:] = near
        assert ("pulse_far" in codes(measure.evaluate(setup, made))) is said
    assert "pulse_far" not in codes(measure.evaluate(SETUP, tables()))


CAM = Reference(36, 1, 2, 60.0, 0.2)
OWN = np.array([0.0, 1.0, -0.5, -0.5])


@pytest.mark.parametrize(("n", "sessions"), [(100, 1), (4, 25), (3, 30)])
def test_a_step_across_a_break_is_no_odd_one(n: int, sessions: int):
    """A spark every 240°, where 720 was typed: so it is said, into however many it is broken."""
    found = timed.time_events(SETUP, tables(n, spacing=240.0, sessions=sessions))
    assert isinstance(found, Finding) and found.code == "spacing"
    assert found.text.startswith("sparks come every 240° of crank by the typed reference, not")


def test_four_events_tell_a_rhythm_and_three_do_not():
    """Three steps; an event that is a stray bears none."""
    found = timed.time_events(SETUP, tables(4))
    assert not isinstance(found, Finding) and len(found.events.tick) == 4
    assert found.angles == pytest.approx([20.2, 19.8, 20.2, 19.8], abs=0.01)
    for off in ([0.0, 0, 0], [0.0, 40, 0, 0]):
        few = timed.time_events(SETUP, tables(len(off), at=off))
        assert isinstance(few, Finding) and few.code == "few_events"
    found = timed.time_events(SETUP, tables(5, at=[0.0, 40, 0, 0, 0]))
    assert not isinstance(found, Finding) and (len(found.events.tick), found.stray) == (4, 1)


def test_from_one_stretch_to_the_next_there_is_no_step(monkeypatch: pytest.MonkeyPatch):
    """Sparks 4° apart, three in an event each 720°, at 20.2, 19.8 and 20.2°; a stretch ends within
    the second event."""
    made = tables(3, sparks=3)
    made = replace(made, sparks=replace(made.sparks, segment=np.repeat([0, 1], [5, 4])))
    asked = []
    monkeypatch.setattr(timed, "burst_gap", lambda steps, _: asked.append(steps) or 20.0)
    monkeypatch.setattr(timed, "group", lambda *_: None)
    timed._events(SETUP, made)
    assert asked[0] == pytest.approx([4, 4, 712.4, 4, np.nan, 711.6, 4, 4], nan_ok=True, abs=0.01)


def each_cylinder(n=160, **more: Any) -> Tables:
    at = np.tile(OWN, n // 4) + 0.3 * (-1.0) ** (np.arange(n) // 4)
    return tables(n, at=at, spacing=180.0, wheel=CAM, **more)


def test_cylinders_by_a_wheel_on_the_cam():
    """Order 1-3-4-2: 3 fires a degree early, 4 and 2 half a degree late."""
    setup = replace(SETUP, reference=CAM, clamp="coil", order=(1, 3, 4, 2))
    result = measure.evaluate(setup, each_cylinder())
    assert [row.name for row in result.cylinders.rows] == ["1", "3", "4", "2"]
    assert [float(row.timing) for row in result.cylinders.rows] == pytest.approx(
        [20.2, 20.8, 19.7, 19.3], abs=0.01
    )
    assert [one.name for one in result.cycle.lines] == ["1", "3", "4", "2"]
    assert [one.sparks[-1] for one in result.cycle.lines] == pytest.approx(
        [19.9, 20.5, 19.4, 19.0], abs=0.01
    )
    found = timed.time_events(setup, each_cylinder())
    assert not isinstance(found, Finding)
    numbers = timed.cylinder_numbers(setup, found)
    at = np.searchsorted(found.every.tick, found.events.tick)
    assert numbers.tolist() == np.tile([1, 3, 4, 2], 40)[at].tolist()
    unknown = replace(found.seats, place=np.where(np.arange(160) == 5, -1, found.seats.place))
    holed = timed.cylinder_numbers(setup, replace(found, events=found.every, seats=unknown))
    assert holed.tolist() == [1, 3, 4, 2, 1, 0, *([4, 2, 1, 3] * 39)[:154]]
    # On the crank one turn looks like the other, and without an order none is told.
    crank = replace(setup, reference=WHEEL)
    other = timed.time_events(crank, replace(each_cylinder(), periods=tables(80).periods))
    assert timed.cylinder_numbers(crank, other).tolist() == [0] * len(other.events.tick)
    bare = timed.time_events(replace(setup, order=()), each_cylinder())
    assert not timed.cylinder_numbers(replace(setup, order=()), bare).any()
    seats, events, angles = timed.placed(found)
    assert (seats.place >= 0).all() and len(angles) == len(events.tick)
    first, last = found.events.tick[[0, -1]]
    assert events.tick[0] == first and events.tick[-1] == last
    cut = replace(found, events=found.events.pick(np.isin(np.arange(160), range(10, 20))))
    assert len(timed.placed(cut)[2]) == 10
    assert timed.placed(bare) is None
    assert result.scatter == pytest.approx(0.3, rel=0.02)

    late = measure.evaluate(replace(setup, delay_us=100.0), each_cylinder())
    assert [float(row.timing) for row in late.cylinders.rows] == pytest.approx(
        [20.8, 21.4, 20.3, 19.9], abs=0.01
    )


def test_too_few_events_of_each_cylinder_for_a_table(monkeypatch):
    """Places are known, yet hardly any holds enough: the picture is that of all together."""
    monkeypatch.setattr(measure.each, "evaluate", lambda *args: None)
    setup = replace(SETUP, reference=CAM, clamp="coil", order=(1, 3, 4, 2))
    result = measure.evaluate(setup, each_cylinder())
    assert result.cylinders is None and [one.name for one in result.cycle.lines] == [""]
    assert float(result.timing) == pytest.approx(20.0, abs=0.01)


def test_a_third_session_has_its_own_places(monkeypatch):
    """The base of the places in the firing order, by the number of the crank's segment; and of the
    doubts, that of the index tooth."""
    asked = []
    monkeypatch.setattr(measure.torque, "index", lambda *args: asked.append(args))
    setup = replace(SETUP, reference=CAM, clamp="coil", order=(1, 3, 4, 2))
    result = measure.evaluate(setup, each_cylinder(sessions=3))
    assert [list(one[2]) for one in asked] == [[0], [1], [2], [2]]
    (tooth,) = (c.u for c in result.budget.components if c.name == "index tooth")
    assert asked[-1][5] == tooth > 0


def test_cylinders_that_fire_unevenly():
    """At 0, 150, 360 and 510°: the second and the fourth come 30° sooner than evenly."""
    setup = replace(
        SETUP, reference=CAM, clamp="coil", order=(1, 3, 4, 2), firing=(0.0, 150.0, 360.0, 510.0)
    )  # fmt: skip
    at = np.tile([0.0, 30.0, 0.0, 30.0], 40) + 0.3 * (-1.0) ** (np.arange(160) // 4)
    made = tables(160, at=at, spacing=180.0, wheel=CAM)
    result = measure.evaluate(setup, made)
    assert [float(row.timing) for row in result.cylinders.rows] == pytest.approx(
        [20.2, 19.8, 20.2, 19.8], abs=0.01
    )
    # Without an order they are numbered as they fire.
    for order, numbers in (((1, 3, 4, 2), [1, 3, 4, 2]), ((), [1, 2, 3, 4])):
        typed = replace(setup, order=order)
        found = timed.time_events(typed, made)
        assert not isinstance(found, Finding) and found.stray == 0
        assert timed.cylinder_numbers(typed, found).tolist() == numbers * 40
    assert float(result.timing) == pytest.approx(20.0, abs=0.01) and result.stray == 0
    assert result.scatter == pytest.approx(0.3, rel=0.02)


def test_where_the_clamp_sits_is_inferred():
    for spacing, wheel, clamp in ((720.0, WHEEL, "plug"), (180.0, CAM, "coil")):
        auto = replace(SETUP, clamp="auto", reference=wheel)
        result = measure.evaluate(auto, tables(80, spacing=spacing, wheel=wheel))
        assert result.clamp == clamp and float(result.timing) == pytest.approx(20.0, abs=0.02)
    # Every 360° by a wheel that may turn once or twice as fast: nothing is said of the timing.
    unsure = measure.evaluate(replace(SETUP, clamp="auto"), tables(spacing=360.0))
    assert unsure.timing is None and len(unsure.findings) == 1
    assert unsure.findings[0].level == "refused" and unsure.clamp is not None
    # Every 240° no clamp on this engine has them.
    none = measure.evaluate(replace(SETUP, clamp="auto"), tables(80, spacing=240.0))
    assert codes(none) == ["spacing"] and none.timing is None and none.clamp is None


def test_what_does_not_come_as_often_as_was_typed():
    for clamp, spacing in (("wasted", 720.0), ("plug", 180.0), ("coil", 720.0)):
        result = measure.evaluate(replace(SETUP, clamp=clamp), tables(80, spacing=spacing))
        assert codes(result) == ["spacing"] and result.timing is None, (clamp, spacing)
        assert f"every {spacing:.0f}° of crank" in result.findings[0].text


@pytest.mark.parametrize("in_turn", [0.0, 4.0])
def test_by_how_much_of_a_firing_teeth_may_be_miscounted(in_turn: float):
    """Even teeth, 10° each, at one place or at three: 15 % of 720° are 108; 13.9 % more or less
    would be 41 and 31 teeth, 15.3 % and more is no count of teeth."""
    wheel = Reference(36, 0, 1, 60.0, 0.2)
    setup = replace(SETUP, reference=wheel)
    at = in_turn * (np.arange(60) % 3)  # the median step is by 4° shorter
    for spacing, teeth in ((820.0, 41), (620.0, 31), (830.0 + 2.5 * in_turn, 0), (610.0, 0)):
        found = timed.time_events(setup, tables(60, spacing=spacing, wheel=wheel, at=at))
        assert isinstance(found, Finding) and found.code == "spacing"
        text = f"a wheel with {teeth} teeth would fit" if teeth else "check the number of cylinders"
        assert text in found.text, (spacing, found.text)


def some(kept: np.ndarray, **more: Any) -> Tables:
    """Of as many firings those that have a spark."""
    made = tables(len(kept), **more)
    return replace(made, sparks=made.sparks.pick(kept), lost_before=made.lost_before[kept],
                   clamp_edges=int(kept.sum()))  # fmt: skip


def test_how_many_steps_make_a_distance_that_is_not_as_typed():
    """Each 240°, of six one missing: of 101 events 80 of 100 steps are alike, of 100 80 of 99."""
    for n, told in ((121, False), (120, True)):
        found = timed.time_events(SETUP, some(np.arange(n) % 6 != 5, spacing=240.0))
        assert isinstance(found, Finding) is told
        if told:
            assert found.text.startswith("sparks come every 240°")
    # Three steps of 177° and one of 189 are alike, by 7 %; 190 and 150 are not, by 21.
    for step, other in ((177.0, True), (190.0, False)):
        steps = np.resize([step, step, step, 720 - 3 * step], 120)
        at = 180.0 * np.arange(121) - np.append(0, np.cumsum(steps))
        found = timed.time_events(SETUP, tables(121, spacing=180.0, at=at))
        assert isinstance(found, Finding) is other


def test_an_engine_that_mostly_misfires_is_measured():
    """Two of three firings, at random, have no spark."""
    kept = np.random.default_rng(2).random(200) < 0.33
    result = measure.evaluate(SETUP, some(kept))
    first, last = np.flatnonzero(kept)[[0, -1]]
    assert float(result.timing) == pytest.approx(20.0, abs=0.1)
    assert (result.events, result.expected) == (kept.sum(), last - first)
    assert result.missing == last - first + 1 - kept.sum()


@pytest.mark.parametrize(("late", "measured"), [(19, True), (20, False)])
def test_one_that_misfires_and_comes_late_is_measured_if_most_come_at_one_place(late, measured):
    """A hundred of three hundred firings have a spark: more than four fifths at one place."""
    kept, at = np.zeros(300, np.bool_), np.zeros(300)
    kept[np.random.default_rng(2).permutation(300)[:100]] = True
    at[np.flatnonzero(kept)[np.random.default_rng(3).permutation(100)[:late]]] = -8.0
    found = timed.time_events(SETUP, some(kept, at=at))
    assert isinstance(found, Finding) is not measured
    if isinstance(found, Finding):
        assert found.code == "spacing"
    else:
        assert (found.kind, found.stray, len(found.events.tick)) == (groups.LATE, late, 100 - late)


def test_a_start_and_a_rotor():
    """Twelve turns at 200, then 1000 rev/min; the rotor points at the segment at 18° BTDC."""
    speed = np.where(np.arange(124) < 12, 200.0, 1000.0)
    coil = replace(SETUP, clamp="coil", rotor=18.0)
    made = tables(240, spacing=180.0, rpm=speed)
    pushed = replace(
        made, sparks=replace(made.sparks, tick=made.sparks.tick + 1_000_000),
        periods=replace(made.periods, start=made.periods.start + 1_000_000),
    )  # fmt: skip
    result = measure.evaluate(coil, pushed)
    assert result.start.stood and float(result.start.phase("running").timing) == pytest.approx(
        20.0, abs=0.02
    )
    assert result.start.phase("cranking").rpm_low == pytest.approx(200.0)
    assert float(result.rotor.earliest) == pytest.approx((20.2 - 18) / 2, abs=0.02)
    assert result.rotor.events == 240
    # The rotor's marks are known to 4°, where nothing else is typed; two of these are one here.
    u95 = sqrt(result.budget.systematic**2 + 4.0**2) / 2
    assert result.rotor.earliest.u95 == result.rotor.latest.u95 == pytest.approx(u95)
    # Where the timing is refused no phase has one.
    both = np.where(np.arange(240) % 8 < 4, 0.0, 40.0)
    at_two = tables(240, spacing=180.0, rpm=speed, at=both)
    refused = measure.evaluate(coil, at_two)
    assert refused.timing is None and refused.start.phase("running").timing is None
    assert refused.rotor is None and not refused.start.points
    assert json.loads(json.dumps(result.to_dict()))["events_at_other_speed"] == result.unsteady
    assert measure.evaluate(SETUP, tables()).start is None


def test_what_a_bad_start_shows_forbids_no_advice_of_its_own():
    """Cranked at 200, up to 600, and 200 rev/min again, at 25° ATDC; then 1000 at 20° BTDC."""
    speed = np.repeat([200.0, 600.0, 200.0, 1000.0], [10, 6, 10, 98])
    early = np.arange(240) < 52
    kept = np.arange(240) >= 9  # the first spark after 1620° and 85 more, 4.7 turns
    made = some(
        kept, at=-45.0 * early, spacing=180.0, rpm=speed, supply_tick=[0, 3_000_000, 9_000_000],
        supply_mv=[12_600, 9_000, 14_000],
    )  # fmt: skip
    pushed = replace(
        made, sparks=replace(made.sparks, tick=made.sparks.tick + 1_000_000),
        periods=replace(made.periods, start=made.periods.start + 1_000_000),
    )  # fmt: skip
    result = measure.evaluate(replace(SETUP, clamp="coil", rotor=45.0), pushed)
    found = {f.code: f for f in result.findings}
    assert not found["moved"].advice and result.advice is None
    for code, text in (
        ("cranking_angle", "comes at 25.0° ATDC, 45.0° later than the 20.0° BTDC"),
        ("cranking_supply", "falls to 9.0 V"), ("late_first_spark", "4.7 turns"),
        ("start_tries", "ran 1 times"), ("rotor_outside", "12.4° past to 35.1° past"),
        ("rotor_sweep", "sweep 22.7° of"),
    ):  # fmt: skip
        assert found[code].advice and found[code].level == "note" and text in found[code].text


def test_share_of_the_cranks_edges_that_do_not_fit():
    one = tables(crank_edges=1, crank_rejected=1)
    assert timed.crank_misses(SETUP, one).startswith("; 100 % of the crank's edges")
    assert timed.crank_misses(SETUP, tables(crank_edges=0)) == ""


def test_degrees_from_spark_to_spark():
    zero, at = np.zeros(3, np.int64), np.array([0.0, 720.0, 1440.0])
    three = Events(zero, at, zero, zero + np.array([3, 1, 3]), zero, at + 8.0, at)
    assert timed._spark_degrees(three, 1e-6, 1000.0) == 4.0
    two = replace(three, sparks=np.array([3, 1, 2]))  # 4 and 8: their middle
    assert timed._spark_degrees(two, 1e-6, 1000.0) == 6.0
    assert np.isnan(timed._spark_degrees(three.pick(np.array([False, True, False])), 1e-6, 1e3))


# With the trigger tap: 200 ± 10 µs before each spark, closed for 3 ms


TAPPED = replace(SETUP, trigger="rising", trigger_delay_us=0.0)


def tapped(n=60, delay=None, wheel=WHEEL, **more: Any) -> Tables:
    made = tables(n, wheel=wheel, **more)
    delay = np.resize([190, 210], n) if delay is None else delay
    fire = made.sparks.tick - delay
    tick = np.stack((fire - 3_000, fire), axis=1).ravel()
    none = np.zeros(len(tick), np.int64)
    at = Placed(tick, np.interp(tick, made.sparks.tick, made.sparks.degrees), none, none + 5.0)
    at.degrees = 6e-3 * (tick - made.sparks.tick[0]) + made.sparks.degrees[0]
    level = np.resize(np.array([0, 1], np.int8), len(tick))
    return replace(made, trigger=Marked(at, none > 0, level))


def test_tables_are_of_one_session_where_nothing_else_is_said():
    made = tapped()
    given = {one.name: getattr(made, one.name) for one in fields(made) if one.name != "sessions"}
    (whole,) = Tables(**{**given, "index": made.trigger}).apart()
    rows = whole.sparks, whole.periods.start, whole.trigger, whole.index
    assert [len(part) for part in rows] == [60, len(made.periods.start), 120, 120]


def test_controller_and_module_of_a_whole_run():
    """At 1000 rev/min 0.2 ms are 1.2°: asked for at 21.2° BTDC, closed 18° before that."""
    supply = {"supply_tick": [0, 3_600_000, 3_700_000, 8_000_000],
              "supply_mv": [9_000, 12_100, 12_100, 13_700, 13_700]}  # fmt: skip
    result = measure.evaluate(TAPPED, tapped(**supply))
    assert float(result.timing) == pytest.approx(20.0, abs=0.01)
    split = result.split
    assert (float(split.delay_us), float(split.module)) == pytest.approx((200.0, -1.2))
    assert float(split.angle) == pytest.approx(21.2, abs=0.01)
    assert float(split.controller) == pytest.approx(3.2, abs=0.01)
    assert (result.advice.setting, result.advice.remaining) == pytest.approx((-0.2, -1.2), abs=0.01)
    assert "latency" in codes(result) and "one_speed" not in codes(result)
    (line,) = result.cycle.lines
    assert (line.trigger, line.on) == pytest.approx((21.2, 39.2), abs=0.01)
    assert [one.volts for one in split.dwell.course] == pytest.approx([12.1, 13.7], abs=0.05)
    assert [one.ms for one in split.dwell.course] == pytest.approx([3.0, 3.0])
    assert measure.evaluate(TAPPED, tapped()).split.dwell.course == ()
    # Sparks that follow no flank; a setting beyond the range.
    late = np.random.default_rng(1).integers(-40_000, 40_000, 60)
    none = measure.evaluate(replace(TAPPED, trigger="auto"), tapped(delay=late))
    assert none.split is None and "tap_none" in codes(none)
    assert none.advice is not None and "one_speed" in codes(none)
    some = tapped()
    some = replace(some, trigger=some.trigger.pick(slice(0, 10)))
    few = measure.evaluate(TAPPED, some)
    assert few.split is None and few.cycle.lines[0].trigger is None and "tap_few" in codes(few)
    for setup, made in ((TAPPED, tapped()), (SETUP, tables())):
        far = measure.evaluate(replace(setup, least=2.0, most=4.0), made)
        assert far.advice is None and "beyond_range" in codes(far)


def test_a_reference_that_repeats_tells_no_error_of_either():
    """Six even teeth: 20° BTDC or 60° more, of the trigger as of the spark."""
    six = Reference(6, 0, 1, 60.0, 0.2)
    setup = replace(TAPPED, reference=six)
    result = measure.evaluate(setup, tapped(wheel=six))
    assert "ambiguous" in codes(result) and float(result.timing) == pytest.approx(20.0, abs=0.01)
    assert result.error is None and result.advice is None
    assert result.split.controller is None and float(result.split.delay_us) == pytest.approx(200.0)
    seen = measure.evaluate(replace(setup, seen=20.0), tapped(wheel=six))
    assert float(seen.error) == pytest.approx(2.0, abs=0.01)
    assert float(seen.split.controller) == pytest.approx(3.2, abs=0.01)


def test_where_the_timing_is_looked_for_when_none_is_typed():
    """Six even teeth tell it to 60°: within 30° of 10° BTDC."""
    six = Reference(6, 0, 1, 60.0, 0.2)
    setup = replace(SETUP, reference=six, commanded=None)
    for more, told in ((19.5, 39.5), (20.5, -19.5), (-39.5, -19.5), (-40.5, 39.5)):
        found = timed.time_events(setup, tables(at=np.full(60, more), wheel=six))
        assert np.median(found.angles) == pytest.approx(told, abs=0.25)


def test_turns_that_are_looked_at_are_those_of_the_events(monkeypatch):
    """Those that begin from the first event to the last; the periods of the crank likewise."""
    made = tables()
    first, last = made.sparks.tick[[0, -1]].tolist()
    begin = np.array([first - 1, first, first + 1, 3_000_000, last, last + 1])
    turns = Turns(begin[:, None] + np.arange(36), 0 * begin, np.arange(6))
    seen: dict[str, Any] = {}
    monkeypatch.setattr(measure.crank, "ripple", lambda shape, _: seen.update(shape=shape))
    monkeypatch.setattr(measure.crank, "odd_gap", lambda *_: None)
    plain = measure.timing.budget

    def budget(*args: Any) -> Any:
        seen["turned"] = args[3]
        return plain(*args)

    monkeypatch.setattr(measure.timing, "budget", budget)
    assert measure.evaluate(SETUP, replace(made, turns=turns)).timing is not None
    assert seen["shape"].edges[:, 0].tolist() == [first, first + 1, 3_000_000, last]
    starts = seen["turned"].start.tolist()  # those that begin between them
    assert (first, starts[0]) == (66_633, 120_000) and starts[-1] == last // 60_000 * 60_000


def test_a_pulse_on_the_crank_that_is_typed_for_the_cam():
    """990 and 1010 rev/min in turn: a cam's pulse would not show it; nor do 36 even teeth."""
    for teeth, said in ((1, True), (36, False)):
        wheel = Reference(teeth, 0, 1, 60.0, 0.2)
        setup = replace(SETUP, reference=replace(wheel, turns=2))
        for by in (10.0, 0.0):
            made = tables(rpm=1000 + by * (-1.0) ** np.arange(124), wheel=wheel)
            found = measure.evaluate(setup, made)
            assert (codes(found) == ["shaft"]) is (said and by > 0)


def test_of_a_place_that_most_come_at_the_firings_are_as_often_as_typed():
    """Two of nine are 8° late: the rest, less than four fifths, come each 720° or each 1440."""
    late = np.isin(np.arange(90) % 9, (3, 6))
    found = timed.time_events(SETUP, tables(90, at=-8.0 * late))
    assert not isinstance(found, Finding), found
    assert found.kind == groups.LATE and found.late == pytest.approx(2 / 9)
    assert len(found.events.tick) == 70 and found.stray == 20
    assert np.median(found.angles) == pytest.approx(20.0, abs=0.3)
    assert [share for _, share in found.places] == pytest.approx([7 / 9, 2 / 9])
    assert [at for at, _ in found.places] == pytest.approx([20.0, 12.0], abs=0.1)
    # Typed as a coil's lead, each fourth of its firings: what comes is not as often as that.
    coil = replace(SETUP, clamp="coil")
    assert isinstance(timed.time_events(coil, tables(90, at=-8.0 * late)), Finding)
