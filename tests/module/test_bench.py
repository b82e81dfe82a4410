"""What a driven module did: pairing, coverage of the truth over many simulated runs, claims.

The truth is the simulated world's own record; nothing of it is read by what is tested.
"""

import io
import json
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from bench_world import MODULES, collect, matching, plan_for, stream
from sparkwitness.bench import evaluate as bench
from sparkwitness.bench import verdict as bench_verdict
from sparkwitness.bench.answers import Late
from sparkwitness.bench.claim import check_claim
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.shots import Collector, Shots, pair
from sparkwitness.faces import bench_text as bench_show
from sparkwitness.simulator import scenario as scenarios
from sparkwitness.timing import stats as intervals

TICK_S = 24e-9
QUICK = {"steps": [700, 2400, 4500], "seconds": 1.5, "ramps": [[2500, 3150, 4], [3150, 2500, 4]]}


def ticks(us) -> np.ndarray:
    return np.round(np.asarray(us, float) / 0.024).astype(np.int64)


def paired(trigger_us, spark_us, trigger_lost=(), spark_lost=(), complete_us=1e9):
    trigger, spark = ticks(trigger_us), ticks(spark_us)
    lost = np.zeros(len(trigger), bool), np.zeros(len(spark), bool)
    lost[0][list(trigger_lost)] = True
    lost[1][list(spark_lost)] = True
    complete = int(ticks(complete_us))
    return pair(trigger, lost[0], spark, lost[1], complete, 180.0, TICK_S)


# Pairing


def test_a_burst_a_single_a_drop_out_and_a_false_event():
    # 180 degrees in 10 ms are 3000 rev/min.
    shots, sure = paired(
        [0, 10_000, 20_000, 30_000],
        [20, 1020, 2020, 10_025, 14_000, 34_000],
    )
    assert shots.sparks.tolist() == [3, 1, 0, 0]
    assert shots.delay_us[:2] == pytest.approx([20, 25], abs=0.05)
    assert np.isnan(shots.delay_us[2:]).all()
    assert shots.duration_us[:2] == pytest.approx([2000, 0], abs=0.05)
    assert shots.false.tolist() == [0, 1, 0, 1]
    assert shots.false_us[[1, 3]] == pytest.approx([4000, 4000], abs=0.05)
    assert shots.rpm[1:] == pytest.approx(3000, rel=1e-5)
    assert sure.all()


def test_an_unseen_spark_does_not_cut_a_burst_in_two():
    trigger = np.arange(6) * 20_000
    bursts = [t + 30 + k * 1000 for t in trigger for k in range(5) if (t, k) != (40_000, 2)]
    shots, _ = paired(trigger, bursts)
    assert shots.sparks.tolist() == [5, 5, 4, 5, 5, 5]
    assert not shots.false.any()


def test_a_coil_that_is_switched_on_is_no_second_spark():
    # 5 ms from firing to firing, 4.2 ms of dwell: the next dwell begins after 0.8 ms.
    trigger = np.arange(8) * 5000
    sparks = np.sort(np.concatenate((trigger + 14, trigger + 830)))
    none = np.zeros(8, bool), np.zeros(16, bool)
    shots, _ = pair(ticks(trigger), none[0], ticks(sparks), none[1], 1 << 40, 180.0, TICK_S, 4.2e-3)
    assert shots.sparks.tolist() == [1] * 8 and shots.false.tolist() == [1] * 8
    assert shots.false_us == pytest.approx([830] * 8, abs=0.05)


def test_sparks_before_the_first_trigger_belong_to_none():
    shots, _ = paired([5000, 15_000], [100, 5010, 15_010])
    assert shots.sparks.tolist() == [1, 1]


def test_lost_edges_make_the_shots_around_them_unsure():
    trigger = np.arange(8) * 10_000
    sparks = trigger + 15
    assert paired(trigger, sparks, spark_lost=[4])[1].tolist() == [True] * 3 + [False] * 2 + (
        [True] * 3
    )
    sure = paired(trigger, sparks, trigger_lost=[4])[1]
    assert sure.tolist() == [True] * 3 + [False] + [True] * 4
    assert np.isnan(paired(trigger, sparks, trigger_lost=[4])[0].rpm[4])


def test_the_last_trigger_counts_only_when_its_time_has_passed():
    assert not paired([0, 10_000], [15, 10_015], complete_us=19_000)[1][1]
    assert paired([0, 10_000], [15, 10_015], complete_us=20_001)[1][1]


def test_nothing_in_nothing_out():
    shots, sure = paired([], [])
    assert len(shots.time) == len(sure) == len(Shots.join([]).time) == 0


def late_pair(lag, offsets, n=8, complete=1 << 40, dwell_s=0.0, lost=()):
    """Triggers 10 000 ticks apart, and sparks so far from the trigger of that number, in ticks."""
    trigger = 10_000 * np.arange(1, n + 1)
    spark = np.sort([trigger[k] + at for k, at in offsets])
    period = np.array([20_000.0, 5_000.0])
    late = Late(period, np.full(2, float(lag)))
    missing = np.isin(np.arange(n), lost)
    return pair(
        trigger, missing, spark, np.zeros(len(spark), bool), complete, 180.0, TICK_S, dwell_s, late
    )


def test_late_answers_are_looked_for_where_they_come():
    """12 000 ticks late: from 11 000 on, a tenth of an interval before, to 14 500, 0.35 after."""
    for at, seen in ((12_000, 1), (11_000, 1), (14_500, 1), (14_510, 0), (10_990, 0)):
        shots, _ = late_pair(12_000, [(k, at) for k in range(8)])
        assert shots.sparks[1:].tolist() == [seen] * 7
        if seen:
            assert shots.delay_us == pytest.approx([at * 0.024] * 8)
            assert not shots.false.any()
    # What comes too late is a false event of its own trigger, too soon of the one before.
    assert late_pair(12_000, [(3, 14_510)])[0].false.tolist() == [0, 0, 0, 1, 0, 0, 0, 0]
    early = late_pair(12_000, [(3, 10_990)])[0]
    assert early.false.tolist() == [0, 0, 1, 0, 0, 0, 0, 0]
    assert early.false_us[2] == pytest.approx(20_990 * 0.024)
    # A dwell does not end the time for an answer: that would be the dwell of another firing.
    kept, _ = late_pair(12_000, [(k, 12_000) for k in range(8)], dwell_s=9_900 * TICK_S)
    assert kept.sparks.tolist() == [1] * 8


def test_answers_before_their_trigger_and_those_that_are_hardly_late():
    """3000 ticks ahead: looked for from 4000 ahead on. A lag of two tenths needs no looking."""
    shots, sure = late_pair(-3_000, [(k, -3_000) for k in range(8)])
    assert shots.sparks.tolist() == [1] * 8 and sure.all()
    assert shots.delay_us == pytest.approx([-72.0] * 8)
    for lag, whose in ((1_990, 3), (2_010, 2)):  # 990 and 1010 of the interval ahead
        found, _ = late_pair(lag, [(3, 900)])
        at = np.flatnonzero(found.sparks + found.false)
        assert at.tolist() == [whose] and found.sparks[3] == (whose == 3)


def test_a_late_answer_is_sure_when_its_time_has_passed():
    """The eighth, at 80 000, has until 80 000 + 11 000 + 10 000; one ahead until 90 000."""
    sparks = [(k, 12_000) for k in range(8)]
    for complete, sure in ((100_999, False), (101_000, True)):
        assert late_pair(12_000, sparks, complete=complete)[1].tolist() == [True] * 7 + [sure]
    for complete, sure in ((89_999, False), (90_000, True)):
        found = late_pair(-3_000, [(k, -3_000) for k in range(8)], complete=complete)[1]
        assert found.tolist() == [True] * 7 + [sure]
    # Before the fourth, triggers are lost: neither its speed nor the third's time is known.
    shots, sure = late_pair(12_000, sparks, lost=[3])
    assert sure.tolist() == [True, True, False, True, True, True, True, True]
    assert np.flatnonzero(np.isnan(shots.rpm)).tolist() == [0, 3]


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_pairing_agrees_with_the_plain_loop(seed):
    """The rule as a loop over triggers and their sparks, against the vectorised one."""
    rng = np.random.default_rng(seed)
    trigger = np.cumsum(rng.integers(200_000, 500_000, rng.integers(2, 12)))
    spark = np.unique(rng.integers(0, trigger[-1] + 300_000, rng.integers(0, 60)))
    none = np.zeros(len(trigger), bool), np.zeros(len(spark), bool)
    shots, _ = pair(trigger, none[0], spark, none[1], 1 << 40, 180.0, TICK_S)
    periods = np.append(np.diff(trigger), trigger[-1] - trigger[-2])
    mine = [
        [
            s
            for s in spark.tolist()
            if t <= s < (trigger[i + 1] if i + 1 < len(trigger) else 1 << 40)
        ]
        for i, t in enumerate(trigger.tolist())
    ]
    near = [
        b - a
        for i, sparks in enumerate(mine)
        for a, b in pairwise(sparks)
        if b - a <= 0.35 * periods[i]
    ]
    spacing = 2.5 * np.median(near) if near else math.inf
    for i, sparks in enumerate(mine):
        count = false = 0
        before, answering = int(trigger[i]), True
        for k, s in enumerate(sparks):
            joined = s - before <= 0.35 * periods[i] and (k == 0 or s - before <= spacing)
            if not joined:
                answering = False
                false += 1
            count += answering
            before = s
        assert (shots.sparks[i], shots.false[i]) == (count, false)


# From bytes


def test_result_does_not_depend_on_how_the_bytes_were_cut():
    loaded = scenarios.load("bench-ringing")
    plan = plan_for(loaded, **QUICK)
    data, _ = stream(loaded, plan)
    order = [(i, s.seconds) for i, s in enumerate(plan.segments)]
    results = []
    for size in (len(data), 1000, 37):
        collector = Collector(plan, order, 24_000)
        for at in range(0, len(data), size):
            collector.feed(data[at : at + size])
        collector.finish()
        results.append(bench.evaluate(plan, [collector]).to_dict())
    assert results[0]["answered"] > 500
    assert results[0] == results[1] == results[2]


def test_damage_is_counted_and_no_drop_out_is_made_of_it():
    """Cut frames out of a good module's stream: triggers around them are left out, not missed."""
    loaded = scenarios.load("bench-inductive")
    plan = plan_for(loaded, steps=[3000], seconds=8, ramps=[])
    data, _ = stream(loaded, plan)
    rng = np.random.default_rng(4)
    frames = data.split(b"\0")
    damaged = b"\0".join(
        f if f[1:2] != b"\x02" or rng.random() > 0.1 else f[:-1] + bytes([f[-1] ^ 0x55 or 1])
        for f in frames
    )
    collector = Collector(plan, [(0, 8.0)], 24_000)
    collector.feed(damaged)
    collector.finish()
    result = bench.evaluate(plan, [collector])
    assert result.loss.frames_damaged > 3
    assert sum(result.loss.edges_lost) > 20
    assert result.points[0].cut > 10
    assert result.points[0].answered == result.points[0].triggers > 300
    assert result.points[0].doubles == 0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_damage_makes_it_fail(seed):
    """Bytes cut, changed, doubled and mixed: a result and its texts come out in any case."""
    rng = np.random.default_rng(seed)
    data = bytearray(_SHORT_STREAM)
    kinds: set[int] = set()
    for _ in range(int(rng.integers(1, 30))):
        at, size = int(rng.integers(0, len(data))), int(rng.integers(1, 400))
        kind = int(rng.integers(0, 4))
        kinds.add(kind)
        if kind == 0:
            del data[at : at + size]
        elif kind == 1:
            data[at : at + size] = rng.bytes(size)
        elif kind == 2:
            data[at:at] = data[at : at + size]
        else:
            data[at:at] = data[-size:]
    order = [(i, s.seconds) for i, s in enumerate(_SHORT_PLAN.segments)]
    collector = Collector(_SHORT_PLAN, order, 24_000)
    collector.feed(bytes(data))
    collector.finish()
    result = bench.evaluate(_SHORT_PLAN, [collector])
    json.dumps(result.to_dict(), allow_nan=False)
    verdicts = [bench_verdict.against_limits(result), bench_verdict.against_run(result, result, "")]
    console = Console(width=80, file=io.StringIO())
    console.print(bench_show.result(result))
    for one in verdicts:
        console.print(bench_show.verdict(one))
    assert bench_show.headline(result, verdicts)
    # However much is missing, a good module is not blamed for it. (Frames from the future, kind 3,
    # are no damage that a line can do: there only nothing may fail.)
    if 3 not in kinds:
        assert result.answered == result.triggers


_SHORT = scenarios.load("bench-capacitive")
_SHORT_PLAN = plan_for(
    _SHORT,
    steps=[1000, 3000], seconds=0.5, ramps=[[2500, 3100, 1]], soak_minutes=0.02,
    limits={"delay_us": {"most": 60}, "switch_over_rpm": {"least": 2500}},
)  # fmt: skip
_SHORT_STREAM = stream(_SHORT, _SHORT_PLAN)[0]


# The truth, over many runs


@pytest.mark.parametrize("name", MODULES)
def test_each_module_against_its_truth(name):
    """Delay within 1 µs + 3 sigma of the truth at every speed, every trigger counted right."""
    loaded = scenarios.load(f"bench-{name}")
    spec = loaded.truth.module
    plan = plan_for(loaded, **{**QUICK, "ramps": [*QUICK["ramps"], [5800, 6400, 3]]})
    for seed in range(1, 4):
        collector, truth = collect(loaded, plan, seed=seed)
        result = bench.evaluate(plan, [collector])
        assert not result.missing
        for stretch in result.stretches:
            at = matching(truth, stretch.shots.time)
            assert (stretch.shots.sparks == truth.sparks[at]).all()
            assert ((stretch.shots.false > 0) == truth.doubled[at]).all()
        if name == "dead":
            assert result.answered == 0 and [f.code for f in result.findings] == ["no_spark"]
            assert f"no spark answered {result.triggers} triggers" in result.findings[0].text
            continue
        for point, stretch in zip(result.points, result.stretches, strict=False):
            at = matching(truth, stretch.shots.time)
            hit = truth.sparks[at] > 0
            true = 1e6 * np.mean((truth.spark_s - truth.trigger_s)[at][hit])
            assert point.delay_us is not None
            assert abs(point.delay_us.value - true) < 0.05  # stamps and clamp only
            if not spec.delay_us_hot:
                assert abs(point.delay_us.value - spec.delay_us) < 1 + 3 * point.delay_us.u
                assert abs(point.delay_us.s - spec.jitter_us) < 4 * point.delay_us.u_s
        sweep = result.sweep
        assert sweep.delay is not None
        if spec.single_above_rpm:
            up, down = sweep.switch_up, sweep.switch_down
            assert abs(up.value / spec.single_above_rpm - 1) < 0.02
            assert abs(down.value / spec.multi_below_rpm - 1) < 0.02
            assert up.low <= spec.single_above_rpm <= up.high
            assert down.low <= spec.multi_below_rpm <= down.high
            apart = spec.single_above_rpm - spec.multi_below_rpm
            assert sweep.hysteresis[1] <= apart <= sweep.hysteresis[2]
            assert sweep.window_deg[0] - 0.2 <= spec.window_deg <= sweep.window_deg[1] + 0.2
            at_700 = result.points[0]
            assert at_700.spacing_us.value == pytest.approx(spec.spacing_ms * 1e3, abs=1)
        else:
            assert sweep.switch_up is None and sweep.always == "single"
            assert sweep.window_deg is None
        if spec.limit_rpm:
            assert sweep.rev_limit.low <= spec.limit_rpm <= sweep.rev_limit.high
            assert sweep.clean_to < spec.limit_rpm < sweep.first_drop_out
        else:
            assert sweep.rev_limit is None


def test_switch_over_by_the_window_alone():
    """19 degrees at 0.62 ms: single above 19 / (6 * 0.00062) = 5108 rev/min, by definition."""
    loaded = scenarios.vary(
        scenarios.load("bench-capacitive"),
        {"truth.module.single_above_rpm": 0, "truth.module.multi_below_rpm": 0},
    )
    plan = plan_for(loaded, steps=[], ramps=[[4700, 5500, 6], [5500, 4700, 6]])
    for seed in range(3):
        sweep = bench.evaluate(plan, [collect(loaded, plan, seed=seed)[0]]).sweep
        assert abs(sweep.switch_up.value / (19 / (6 * 0.62e-3)) - 1) < 0.02
        assert sweep.hysteresis[1] <= 0 <= sweep.hysteresis[2]


def test_drop_out_interval_covers_the_true_share():
    """The dying module cold: in at least 95 % of 420 runs the true share is in the interval."""
    loaded = scenarios.vary(scenarios.load("bench-dying"), {"truth.module.misfire_hot": 0.0})
    spec = loaded.truth.module
    held = runs = 0
    for rpm in (1500, 3000, 6000):
        share = spec.misfire_share + spec.misfire_per_krpm * rpm / 1000
        plan = plan_for(loaded, steps=[rpm] * 70, seconds=0.5, ramps=[], width_us=500)
        for seed in (1, 2):
            result = bench.evaluate(plan, [collect(loaded, plan, seed=seed)[0]])
            for point in result.points:
                assert point.drop_out == intervals.clopper_pearson(point.drop_outs, point.triggers)
                held += point.drop_out[0] <= share <= point.drop_out[1]
                runs += 1
    assert runs == 420
    assert held >= 0.95 * runs


def test_delay_that_depends_on_speed_is_told_and_one_that_does_not_is_not():
    base = scenarios.load("bench-inductive")
    plan = plan_for(base, steps=list(range(800, 6001, 650)), seconds=1, ramps=[], width_us=2000)
    for slope, told in ((0.0, False), (1.5, True), (-2.0, True)):
        loaded = scenarios.vary(base, {"truth.module.delay_us_per_krpm": slope})
        held = depends = 0
        for seed in range(5):
            delay = bench.evaluate(plan, [collect(loaded, plan, seed=seed)[0]]).sweep.delay
            held += abs(delay.per_x - slope) <= 3 * delay.u_per_x
            depends += delay.depends
            assert abs(delay.constant_us - 14) < 1 + 3 * math.sqrt(delay.covariance[0][0])
            assert delay.covariance[0][1] < 0
        assert held == 5
        assert depends == 5 * told


def test_heat_in_a_soak_shows():
    loaded = scenarios.vary(
        scenarios.load("bench-dying"),
        {"truth.module.heat_seconds": 20, "truth.module.delay_us_hot": 12},
    )
    plan = plan_for(loaded, steps=[], ramps=[], soak_rpm=5000, soak_minutes=1.5, width_us=500)
    result = bench.evaluate(plan, [collect(loaded, plan)[0]])
    soak = result.soak
    assert soak.minutes == pytest.approx(1.5, abs=0.01)
    # First-order towards 5000 / 6000 of full heat: mean over the last less the first quarter.
    tau, end, full = 20.0, 90.0, 5 / 6

    def mean_heat(a, b):
        return full * (1 - tau * (math.exp(-a / tau) - math.exp(-b / tau)) / (b - a))

    change = mean_heat(3 * end / 4, end) - mean_heat(0, end / 4)
    low, high = soak.delay_change_95
    assert low - 0.1 < 12 * change < high + 0.1
    low, high = soak.drop_out_change_95
    assert low < 0.08 * change < high
    assert soak.delay_slope_us_per_min > 0


def test_clamp_delay_is_taken_off():
    loaded = scenarios.vary(scenarios.load("bench-inductive"), {"truth.pickup.delay_us": 9.0})
    plan = plan_for(loaded, steps=[2000], seconds=2, ramps=[], clamp_delay_us=9.0,
                    u_clamp_delay_us=0.5)  # fmt: skip
    point = bench.evaluate(plan, [collect(loaded, plan)[0]]).points[0]
    assert point.delay_us.value == pytest.approx(14, abs=0.4)
    assert point.delay_us.expanded == pytest.approx(2 * math.hypot(point.delay_us.u, 0.5), 1e-3)


@pytest.mark.parametrize(
    ("kind", "active", "fires_at", "edge"),
    [
        ("inductive", "high", "end", "falling"),
        ("inductive", "low", "end", "rising"),
        ("capacitive", "high", "start", "rising"),
        ("capacitive", "low", "start", "falling"),
        ("capacitive", "high", "end", "falling"),
        ("capacitive", "low", "end", "rising"),
    ],
)
def test_every_kind_and_polarity_is_stamped_on_its_firing_edge(kind, active, fires_at, edge):
    loaded = scenarios.vary(
        scenarios.load(f"bench-{kind}"), {"truth.module.fires_on": edge}
    )  # fmt: skip
    plan = Plan(kind=kind, active=active, fires_at=fires_at, width_us=1500, steps=(2000,), ramps=(),
                seconds=1)  # fmt: skip
    assert plan.edge == edge
    point = bench.evaluate(plan, [collect(loaded, plan)[0]]).points[0]
    assert point.delay_us.value == pytest.approx(loaded.truth.module.delay_us, abs=1)
    assert point.drop_outs == 0


# Claims


@pytest.mark.parametrize(
    ("sparks", "rpm", "pitch", "window", "possible", "verdict"),
    [
        # One event per revolution, 1 ms apart: (k - 1) * 6 N / 1000 degrees.
        (4, 1000, 360, 18, 4, "possible"),
        (4, 1200, 360, 21.6, 3, "not with these"),
        (20, 3000, 360, 342, 2, "not with these"),
        (20, 3000, 90, 72, 8, "not with these"),
        (40, 3000, 180, 342, 4, "impossible"),
        (2, 6000, 180, 0, 2, "possible"),
        # At the very ends: 2 of 2 in 18 degrees, 11 whose ten spacings fill the pitch of 180.
        (4, 3000, 180, 18, 4, "possible"),
        (22, 3000, 180, 180, 4, "impossible"),
        (20.01, 3000, 180, 180, 4, "impossible"),
        (20, 3000, 180, 162, 4, "not with these"),
        # Three in every second event, two in the others: the window must hold three.
        (2.5, 1000, 360, 12, 4, "possible"),
        (4.5, 1000, 360, 24, 4, "not with these"),
        (3.5, 1000, 360, 18, 4, "possible"),
        (0.5, 1000, 360, 0, 4, "possible"),
    ],
)
def test_claims(sparks, rpm, pitch, window, possible, verdict):
    found = check_claim(sparks, rpm, pitch, 1000, 20)
    assert found.window_deg == pytest.approx(window)
    assert found.possible == possible
    assert found.verdict == verdict
    if found.spacing_us is not None:
        # With the spacing it asks for, the claim just fits into the window.
        again = check_claim(sparks, rpm, pitch, found.spacing_us, 20)
        assert again.window_deg == pytest.approx(20)
        assert again.verdict == "possible"
