"""From stamps to shots and from bytes to stretches, a tick or a heartbeat at a time, by hand."""

import json
from dataclasses import replace

import numpy as np
import pytest

from sparkwitness.bench.answers import Late
from sparkwitness.bench.plan import SETTLE_S, Plan
from sparkwitness.bench.shots import Collector, Shots, pair
from sparkwitness.decode import wire
from streams import HELLO, Stream

TICK_S = 24e-9
ON = wire.ENUMS["output_bits"]["bench"]


def shot(trigger, spark, spark_lost=(), trigger_lost=(), complete=1 << 40, dwell_s=0.0):
    trigger, spark = np.array(trigger, np.int64), np.array(spark, np.int64)
    lost = np.isin(np.arange(len(trigger)), trigger_lost)
    missing = np.isin(np.arange(len(spark)), spark_lost)
    return pair(trigger, lost, spark, missing, complete, 180.0, TICK_S, dwell_s)


# Sparks to triggers


def test_times_to_a_millionth_of_a_tick():
    """Triggers 12 000 000 ticks apart, 0.288 s: a burst of 72 ms, then a false event."""
    shots, sure = shot(np.arange(3) * 12_000_000, [1_000_000, 4_000_000, 22_000_000])
    assert shots.time == pytest.approx([0.0, 0.288, 0.576], rel=1e-12)
    assert shots.delay_us[0] == pytest.approx(24_000.0, rel=1e-9)
    assert shots.duration_us[0] == pytest.approx(72_000.0, rel=1e-9)
    assert shots.false_us[1] == pytest.approx(240_000.0, rel=1e-9)
    assert shots.rpm[1] == pytest.approx(30 / 0.288, rel=1e-12)  # half a turn
    assert sure.all() and shots.sparks.tolist() == [2, 0, 0] and shots.false.tolist() == [0, 1, 0]


@pytest.mark.parametrize(
    ("sparks", "answered", "false"),
    [
        ([3500], 1, 0), ([3501], 0, 1),  # 0.35 of the interval
        ([4000, 8000], 0, 2),  # each too far from what was before it
        ([4000, 4100, 8000], 0, 2),  # the second is a ring of a false event
        ([3000, 6000, 9000], 3, 0), ([3000, 6501], 1, 1), ([3000, 6000, 9501], 2, 1),
        ([100, 400, 700, 1000, 1300, 2051], 5, 1), ([100, 400, 700, 1000, 1300, 2050], 6, 0),
        ([], 0, 0),
    ],
)  # fmt: skip
def test_within_reach_of_the_trigger_and_of_the_spark_before(sparks, answered, false):
    """2.5 spacings of 300 are 750."""
    shots, _ = shot([0, 10_000], sparks)
    assert (shots.sparks[0], shots.false[0]) == (answered, false)
    assert (shots.sparks[1], shots.false[1]) == (0, 0)
    if not answered and false:  # the first of them
        assert shots.false_us[0] == pytest.approx(0.024 * sparks[0], rel=1e-12)


@pytest.mark.parametrize(("at", "answered"), [(1999, True), (2000, True), (2001, False)])
def test_an_answer_comes_before_the_next_dwell(at, answered):
    """10 000 ticks less a dwell of 8000."""
    shots, _ = shot([0, 10_000], [at], dwell_s=8000 * TICK_S)
    assert bool(shots.sparks[0]) == answered


@pytest.mark.parametrize(
    ("lag", "at", "answered"),
    [(2000, 100, True), (2001, 100, False), (2001, 1000, False), (2001, 1001, True),
     (7000, 5999, False), (7000, 6000, True), (7000, 9500, True), (7000, 9501, False),
     (2000, 3500, True), (2000, 3501, False), (0, 0, True), (0, -1, False), (-1, -1001, True),
     (-1, -1002, False)],
)  # fmt: skip
def test_late_answers_are_looked_for_a_tenth_of_the_interval_sooner(lag, at, answered):
    """10 000 ticks apart: from 1000 before the lag to 3500 further, where that begins more than
    1000 beside the trigger. A dwell of 9000 says nothing of answers that are late."""
    trigger, known = 10_000 * np.arange(1, 7), Late(np.array([10_000.0]), np.array([float(lag)]))
    none, lost = np.zeros(6, np.bool_), np.zeros(1, np.bool_)
    begin = lag - 1000 if abs(lag - 1000) > 1000 else 0
    for short in (0, 1):
        complete = 70_000 + max(begin, 0) - short
        shots, sure = pair(
            trigger, none, trigger[2:3] + at, lost, complete, 180.0, TICK_S, 9000 * TICK_S, known
        )
        assert sure.tolist() == [True] * 5 + [not short]
        assert shots.sparks.tolist() == [0, 0, int(answered), 0, 0, 0]
        assert shots.false.sum() == (not answered)
        assert shots.delay_us[2] == pytest.approx(at * 0.024 if answered else np.nan, nan_ok=True)


def test_edges_lost_before_a_spark_make_all_since_the_one_before_unsure():
    trigger = 10_000 * np.arange(1, 6)
    for sparks, lost, sure in (
        # Before the first of all: from the first trigger on.
        ([30_100, 40_100], [0], [False] * 3 + [True] * 2),
        ([100, 30_100, 40_100], [0], [True] * 5), ([100, 30_100], [1], [False] * 3 + [True] * 2),
        ([10_100, 30_100, 40_100], [1], [False] * 3 + [True] * 2),
        ([20_100, 30_100, 30_200], [2], [True, True, False, True, True]),
        ([20_100, 30_100, 40_100], [1, 2], [True] + [False] * 3 + [True]),
    ):  # fmt: skip
        assert shot(trigger, sparks, spark_lost=lost)[1].tolist() == sure
    assert shot(trigger, [], trigger_lost=[2])[1].tolist() == [True, False, True, True, True]
    assert shot(trigger, [], complete=59_999)[1].tolist() == [True] * 4 + [False]
    assert shot(trigger, [], complete=60_000)[1].all()
    # A trigger alone, or lost on either side, has no time for an answer.
    assert shot([10_000], [10_100])[1].tolist() == [False]
    shots, sure = shot(trigger, trigger + 100, trigger_lost=[2, 3])
    assert sure.tolist() == [True, False, False, True, True] and shots.sparks[2] == 0


def test_kinds_of_numbers_that_are_joined():
    for parts in ([], [shot([0, 9_000], [100])[0]] * 2):
        joined = Shots.join(parts)
        kinds = {
            n: getattr(joined, n).dtype.kind
            for n in ("time", "rpm", "delay_us", "sparks", "duration_us", "false", "false_us")
        }
        assert kinds == dict.fromkeys(kinds, "f") | {"sparks": "i", "false": "i"}
        assert len(joined.time) == 2 * len(parts)


# From bytes

PLAN = Plan(steps=(3000.0,), ramps=(), cylinders=4, width_us=2_000.0)  # a trigger each 10 ms


def session(drives, until, triggers, sparks, number=7, tick_ps=24_000, more=(), losses=(),
            outputs=(), supply_mv=(13_800,) * 100):  # fmt: skip
    """Heartbeats each 0.1 s, all in s; `drives`: when taken; `more`: (s, message, fields);
    `losses`: (input, k), a number of edges is left out before edge k; `outputs` of the first."""
    made = Stream(number)
    made.add("hello", **{**HELLO, "tick_ps": tick_ps})
    given = {3: np.asarray(triggers, float), 1: np.asarray(sparks, float)}
    sent = {3: 0, 1: 0}
    waiting = sorted(
        [(at, "ack", {"command": wire.NUMBER["drive"], "result": 0, "command_seq": 1, "text": ""})
         for at in drives] + list(more), key=lambda x: x[0],
    )  # fmt: skip
    for beat in range(round(10 * until) + 1):
        at = beat / 10
        while waiting and waiting[0][0] <= at:
            _, name, fields = waiting.pop(0)
            made.add(name, **fields)
        for which, times in given.items():
            while sent[which] < np.searchsorted(times, at - 1e-9):
                k = sent[which]
                made.first[which] += sum(which == i and k == j for i, j in losses)
                made.edges(which, np.rint(times[k : k + 1] / (tick_ps * 1e-12)).astype(np.int64))
                sent[which] += 1
        out = outputs[beat] if beat < len(outputs) else ON
        made.heartbeat(round(at / (tick_ps * 1e-12)), outputs=out, supply_mv=supply_mv[beat])
    return made.data


TRIGGERS = 0.005 + 0.01 * np.arange(200)


def collected(data, order=((0, 1.0),), plan=PLAN):
    collector = Collector(plan, list(order), 24_000)
    collector.feed(data)
    return collector


def test_a_board_of_another_tick():
    """10 ns in place of 24: speed, delays and what is noise are of the board's own tick."""
    noise = TRIGGERS[100] + 4.9e-3  # half of the interval is 5 ms
    data = session([0.05], 2.0, np.sort([*TRIGGERS, noise]), TRIGGERS + 40e-6, tick_ps=10_000)
    collector = collected(data)
    (one,) = collector.finish()
    assert collector.tick_ps == 10_000 and collector.trigger_noise == 1
    assert one.shots.rpm == pytest.approx(3000.0, abs=0.1)
    assert one.shots.delay_us == pytest.approx(40.0, abs=0.011)
    assert (one.begin, one.end) == pytest.approx((0.1 + SETTLE_S / 2, 1.1 + SETTLE_S / 2))
    assert len(one.shots.time) == 100 and one.shots.answered.all()
    assert collector._ticks(30_000.0) == 3_000_000


def test_a_second_session_goes_on_with_what_is_left_to_drive():
    """The board begins anew: three drives in all, the times of each from its own begin."""
    plan = replace(PLAN, steps=(3000.0, 3010.0, 3020.0))
    noisy = np.sort([*TRIGGERS, TRIGGERS[50] + 1e-3])
    rung = np.sort([*(TRIGGERS + 40e-6), TRIGGERS[60] + 50e-6])
    first = session([0.05], 2.0, noisy, rung)
    second = session([0.05, 1.05], 2.0, noisy, rung, number=8)
    collector = collected(first, [(0, 0.5), (1, 0.5), (2, 0.5)], plan)
    assert not collector.restarted and (collector.drives, collector.seconds) == (
        1, pytest.approx(2.0),
    )  # fmt: skip
    assert (collector.ringing, collector.trigger_noise) == (0, 0)  # not before its session ends
    assert collector.driving_since == pytest.approx(0.1 + SETTLE_S / 2)
    collector.feed(second[: len(second) // 2])
    assert collector.restarted and collector.drives == 2
    collector.feed(second[len(second) // 2 :])
    assert [s.index for s in collector.stretches()] == [0, 1, 2]
    made = collector.finish()
    assert [s.index for s in made] == [0, 1, 2] and collector.drives == 3
    assert [s.begin for s in made] == pytest.approx(
        [0.1 + SETTLE_S / 2, 0.1 + SETTLE_S / 2, 1.1 + SETTLE_S / 2]
    )
    assert (collector.ringing, collector.trigger_noise) == (2, 2)
    assert all(len(s.shots.time) == 50 and s.shots.answered.all() for s in made)
    assert collector.decoder.loss.sessions == 2


def test_the_end_of_a_stream_is_counted():
    data = session([0.05], 1.0, TRIGGERS[:90], TRIGGERS[:90] + 40e-6)
    collector = collected(data + b"\x05ab")
    assert not collector.decoder.loss.bytes_damaged
    collector.finish()
    assert collector.decoder.loss.bytes_damaged == 3


def test_why_the_outputs_went_off():
    driving = {"pauses": 0, "dropped": 0, "cut": wire.ENUMS["cut"]["minute"], "reserved": [0] * 3}
    data = session([0.05], 1.0, TRIGGERS[:90], [], more=[(0.5, "driving", driving)])
    assert collected(data).cut == 4 and collected(session([0.05], 1.0, [], [])).cut == 0


@pytest.mark.parametrize(("until", "told"), [(0.1, False), (0.2, True)])
def test_two_heartbeats_make_a_stretch(until, told):
    """It ends with the last of them; the first comes 0.1 s before it is settled."""
    made = collected(session([0.05], until, TRIGGERS[:20], [])).finish()
    assert [(s.begin, s.end) for s in made] == (
        [(pytest.approx(0.2), pytest.approx(0.2))] if told else []
    )
    assert [s.seen for s in made] == ([10] if told else [])
    json.dumps([[s.cut, s.off_speed, s.driven, s.seen] for s in made])


def test_a_trigger_at_the_very_end_is_of_the_next():
    """Triggers at whole tenths too: of 0.2 to 1.0 s the begin counts, the end does not."""
    triggers = 0.01 * np.arange(1, 200)
    data = session([0.05, 1.05], 1.9, triggers, triggers + 40e-6, tick_ps=10_000)
    made = collected(data, [(0, 5.0), (0, 5.0)]).finish()
    first, second = made
    assert (first.begin, first.end) == pytest.approx((0.1 + SETTLE_S / 2, 1.0))
    assert len(first.shots.time) == 80
    assert first.shots.time[[0, -1]] == pytest.approx([0.2, 0.99])
    assert not first.outputs_off
    assert second.begin == pytest.approx(1.2) and (first.cut, first.off_speed) == (0, 0)


def test_noise_is_judged_by_the_fastest_speed_of_all():
    """A ramp from 3000 to 6000 rpm and one back: 5 ms apart at the most, 2.5 ms is no noise."""
    for ramp in ((3000.0, 6000.0, 4.0), (6000.0, 3000.0, 4.0)):
        plan = replace(PLAN, steps=(), ramps=(ramp,))
        close = np.sort([*TRIGGERS, TRIGGERS[50] + 2.6e-3, TRIGGERS[70] + 2.4e-3])
        collector = collected(session([0.05], 2.0, close, []), plan=plan)
        collector.finish()
        assert collector.trigger_noise == 1


def test_sparks_lost_before_the_first_that_is_kept():
    """The first two edges of the clamp come with the drive's own: set aside, and what was lost
    before them is lost before the next. No trigger up to there is sure."""
    sparks = TRIGGERS[60:] + 40e-6
    data = session([0.05], 2.0, TRIGGERS, sparks, losses=[(1, 0)])
    (one,) = collected(data, [(0, 1.5)]).finish()
    # From 0.2 s on: 20 to 60 are cut, 61 on are sure.
    assert one.cut == 41 and len(one.shots.time) == 109 and one.shots.answered.all()
    (all_of,) = collected(session([0.05], 2.0, TRIGGERS, sparks), [(0, 1.5)]).finish()
    assert all_of.cut == 0 and np.count_nonzero(~all_of.shots.answered) == 40


def test_answers_far_behind_their_trigger_are_followed():
    """7 ms of 10 after each; from 1 s on at 3030 rpm, with 9.9 ms. Where a trigger was lost, the
    intervals beside it tell nothing."""
    collector = collected(session([0.05], 2.0, TRIGGERS, TRIGGERS + 7e-3, losses=[(3, 90)]))
    (one,) = collector.finish()
    (late,) = collector.lates
    assert late.lag * TICK_S == pytest.approx([7e-3], rel=1e-3)
    assert one.shots.answered.all() and one.shots.delay_us == pytest.approx(7000.0, abs=0.1)
    assert one.cut == 1 and one.off_speed == 1


@pytest.mark.parametrize(("kind", "answered"), [("inductive", False), ("capacitive", True)])
def test_only_a_coil_that_is_charged_has_a_dwell(kind, answered):
    """8.2 ms of 10 are dwell: an answer 2 ms after its trigger would come within the next."""
    plan = replace(PLAN, kind=kind, width_us=8_200.0)
    (one,) = collected(session([0.05], 2.0, TRIGGERS, TRIGGERS + 2e-3), plan=plan).finish()
    assert one.shots.answered.all() == answered and one.shots.false.any() != answered


def test_outputs_are_off_when_two_heartbeats_say_so():
    other = wire.ENUMS["output_bits"]["crank"]
    for last, off in (((ON, 0, 0), True), ((ON, ON, 0), False), ((ON, 0, ON), False),
                      ((0, other, other), True), ((0, 0, ON | other), False)):  # fmt: skip
        collector = collected(session([], 0.2, [], [], outputs=last))
        assert collector.outputs_cut is off, last


def test_a_drive_stands_by_the_heartbeat_after_it():
    for drives, until, since in (
        ([], 1.0, np.inf),
        ([0.15], 1.0, 0.2),
        ([1.05], 1.0, np.inf),
        ([0.15, 0.55], 1.0, 0.6),
        ([0.1, 0.35, 0.75], 1.0, 0.8),
    ):
        collector = collected(session(drives, until, [], []), [(0, 1.0)] * 3)
        assert collector.driving_since == pytest.approx(since + SETTLE_S / 2)


@pytest.mark.parametrize(("mv", "told"), [(65_535, None), (65_534, 65_534), (11_900, 11_900)])
def test_a_supply_that_is_not_measured(mv, told):
    (one,) = collected(session([0.05], 1.0, TRIGGERS[:80], [], supply_mv=[mv] * 11)).finish()
    assert one.supply_mv == told
    # The heartbeat after the drive tells of the time before it; the next one counts.
    for beat, lowest in ((1, 13_800), (2, 9_000), (10, 9_000), (11, 13_800)):
        volts = [9_000 if k == beat else 13_800 for k in range(12)]
        (one,) = collected(session([0.05], 1.0, TRIGGERS[:80], [], supply_mv=volts)).finish()
        assert one.supply_mv == lowest, beat


def test_what_the_board_writes_is_kept():
    words = {"level": 1, "text": "pulses paused"}
    collector = collected(session([0.05], 1.0, [], [], more=[(0.5, "log", words)]))
    assert collector.log == ["pulses paused"]
    assert (collector._ticks(2000.0), collector._ticks(0.05)) == (83_333, 2)


def test_what_each_session_of_a_board_that_began_anew_has_shown_is_kept():
    """Answers 7 and 6 ms behind their triggers; then an edge of the drive's own 2.4 µs after each
    trigger, or after each second one."""
    plan = replace(PLAN, steps=(3000.0, 3010.0))
    order = [(0, 0.5), (1, 0.5)]
    first, second = (
        session([0.05], 2.0, TRIGGERS, TRIGGERS + late, number=n)
        for n, late in ((7, 7e-3), (8, 6e-3))
    )
    collector = collected(first + second, order, plan)
    collector.finish()
    lags = [float(late.lag[0]) * TICK_S for late in collector.lates]
    assert lags == pytest.approx([7e-3, 6e-3], rel=1e-3)
    answers = TRIGGERS + 40e-6 + 2e-6 * np.random.default_rng(5).standard_normal(200)
    first, second = (
        session([0.05], 2.0, TRIGGERS, np.sort([*answers, *(TRIGGERS[::by] + 2.4e-6)]), number=n)
        for n, by in ((7, 1), (8, 2))
    )
    collector = collected(first + second, order, plan)
    collector.finish()
    assert [c.edges for c in collector.couplings] == [200, 100]
