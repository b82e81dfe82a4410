"""A whole run put together from typed stretches: what is added up, left out and told of all speeds.

Each figure is worked beside it; the wander of visits is held in tests/timing/test_visits.py.
"""

import json
from dataclasses import replace
from math import hypot, nan
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from bench_parts import made, point, shots, stretch
from sparkwitness.bench import evaluate, sweep, verdict
from sparkwitness.bench.answers import Coupling, Late
from sparkwitness.bench.plan import Plan, Segment
from sparkwitness.bench.result import Band, Mean, Sweep
from sparkwitness.bench.shots import Collector, Shots
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Loss
from sparkwitness.timing import visits
from streams import Stream


def collector(*stretches, ringing=0, noise=0, loss=None, couplings=(), lates=(), tick_ps=24_000):
    """What is read of a `Collector`."""
    return SimpleNamespace(
        stretches=lambda: list(stretches), ringing=ringing, trigger_noise=noise, spark_edges=0,
        decoder=SimpleNamespace(loss=loss or Loss(sessions=1)), couplings=list(couplings),
        lates=list(lates), tick_ps=tick_ps,
    )  # fmt: skip


def step(index, rpm, delay, sparks=1, seconds=4.0, **more):
    """A speed held; delay: one or several in turn."""
    delay = np.atleast_1d(np.asarray(delay, float))
    made = replace(shots(np.full(len(delay), rpm), np.full(len(delay), sparks)), delay_us=delay)
    segment = Segment("step", rpm, rpm, seconds)
    return stretch(made, index=index, **{"segment": segment, "end": seconds, **more})


def scattered(n, around, by=0.3, seed=1):
    return around + by * np.random.default_rng(seed).standard_normal(n)


def test_parts_of_a_run_add_up():
    """Two parts; the first board restarted once, the second part is no restart."""
    plan = Plan(steps=(1000.0, 2000.0, 3000.0), ramps=(), soak_minutes=1.0)
    first = Loss(bytes_total=70, frames_good=5, edges_lost=[1, 2, 3, 4], sessions=2)
    second = Loss(bytes_total=30, frames_missing=2, edges_lost=[10, 0, 0, 5], board_unsent=7,
                  sessions=1)  # fmt: skip
    one, two = Coupling("firing", 0.5, 0.02, 90, 0.2), Coupling("other", 0.1, 0.02, 9, 0.1)
    made = evaluate.evaluate(plan, [
        collector(step(0, 1000.0, scattered(20, 40)), ringing=3, noise=2,
                  loss=first, couplings=[one],
                  lates=[Late(np.array([9.0, 4.0]), np.array([1000.0, 250.0]))]),
        collector(step(1, 2000.0, scattered(30, 41), begin=9.0, end=8.0),
                  step(1, 2000.0, scattered(30, 41), begin=10.0, end=13.5), ringing=4, noise=5,
                  loss=second, couplings=[two], tick_ps=10_000,
                  lates=[Late(np.array([9.0]), np.array([5000.0]))]),
    ])  # fmt: skip
    assert (made.ringing, made.trigger_noise) == (7, 7) and made.couplings == [one, two]
    wanted = Loss(bytes_total=100, frames_good=5, frames_missing=2, edges_lost=[11, 2, 3, 9],
                  board_unsent=7, sessions=2)  # fmt: skip
    assert made.loss == wanted
    assert made.measured_s == pytest.approx(4.0 + 0.0 + 3.5)
    # Lags of 250 and 1000 ticks of 24 ns, of 5000 of 10 ns.
    assert made.late_us == pytest.approx((6.0, 50.0))
    assert (made.triggers, made.answered, len(made.stretches)) == (80, 80, 3)
    # 3000 rpm was not driven, nor the soak, nor 2000 rpm to its end: 3.5 of 4 s.
    assert made.missing == ["2000 rpm", "3000 rpm", "3000 rpm, soak"]
    assert [p.index for p in made.points] == [0, 1]
    none = evaluate.evaluate(plan, [collector(loss=Loss(sessions=0))])
    assert none.loss.sessions == 1 and none.late_us is None and none.sweep.spell is None


@pytest.mark.parametrize(("seconds", "left"), [(58.1, [(1, 1.9)]), (58.3, [])])
def test_what_is_left_to_drive(seconds: float, left: list):
    """A soak goes on where more than 3 % of it is missing: 1.8 s of a minute."""
    plan = Plan(steps=(3000.0,), ramps=(), soak_minutes=1.0)
    parts = [
        step(0, 3000.0, [40.0] * 9), step(1, 3000.0, [40.0] * 9, end=30.0),
        step(1, 3000.0, [40.0] * 9, begin=100.0, end=70.0 + seconds),
    ]  # fmt: skip
    found = evaluate.remaining(plan, parts)
    assert [i for i, _ in found] == [i for i, _ in left]
    assert [s for _, s in found] == pytest.approx([s for _, s in left])
    assert evaluate.remaining(plan, parts[1:])[0] == (0, 4.0)
    # Of 6000 s exactly 180 are as good as none.
    long, segment = replace(plan, soak_minutes=100.0), Segment("soak", 3000.0, 3000.0, 6000.0)
    for lasted, wanting in ((5820.0, False), (5819.0, True)):
        done = [parts[0], stretch(parts[0].shots, index=1, segment=segment, end=lasted)]
        assert bool(evaluate.remaining(long, done)) == wanting


def test_numbers_of_one_speed():
    """12 bursts of 4 in 3 ms, a spark too many in one; 5 drop-outs, after two of them something;
    then bursts of 2, 1 ms apart."""
    n = 25
    sparks = np.array([4] * 12 + [1] * 8 + [0] * 5)
    made = replace(
        shots(np.full(n, 3000.0), sparks),
        delay_us=np.where(sparks > 0, 40.0 + np.arange(n) % 3, nan),
        duration_us=np.where(sparks > 1, 3000.0, np.where(sparks > 0, 0.0, nan)),
        false=np.array([1, *[0] * 19, 2, 0, 0, 3, 0]),
        false_us=np.array([4000.0, *[nan] * 19, 5000.0, nan, nan, 9000.0, nan]),
    )  # fmt: skip
    parts = [
        stretch(made, 3000.0, 3000.0, "step", cut=2, off_speed=3, supply_mv=12_400),
        stretch(shots([3000.0], [1]), 3000.0, 3000.0, "step", cut=5, off_speed=7,
                supply_mv=12_100),
        stretch(shots([], []), 3000.0, 3000.0, "step"),
    ]  # fmt: skip
    plan = Plan(steps=(3000.0,), clamp_delay_us=1.5, u_clamp_delay_us=0.25)
    one = evaluate._point(plan, 0, parts[0].segment, parts, [], 1.0)
    for band, misses in (((2990.0, 3000.0), 5), ((3001.0, 3100.0), 0)):
        inside = [Band(*band, 9, 9, 3, 3, "", 1.0)]
        assert evaluate._point(plan, 0, parts[0].segment, parts, inside, 1.0).in_band == misses
    pairs = replace(made, sparks=np.minimum(made.sparks, 2), duration_us=made.duration_us / 3)
    two = evaluate._point(plan, 0, parts[0].segment, [replace(parts[0], shots=pairs)], [], 1.0)
    assert two.spacing_us.value == two.duration_us.value == pytest.approx(1000.0)
    assert (one.triggers, one.answered, one.drop_outs, one.doubles, one.strays) == (26, 21, 5, 1, 5)
    assert (one.cut, one.off_speed, one.supply_mv, one.visits) == (7, 10, 12_100, 1)
    assert one.false_us == 5000.0 and one.sparks == {1: 9, 4: 12}
    plain = json.loads(json.dumps(one.to_dict()))  # no number of numpy's, which JSON refuses
    assert [plain[k] for k in ("drop_outs", "double_events", "stray_events")] == [5, 1, 5]
    assert [plain[k] for k in ("triggers_cut", "triggers_at_other_speed")] == [7, 10]
    assert one.spacing_us.value == pytest.approx(1000.0)
    assert one.duration_us.value == pytest.approx(3000.0)
    # The crystal's 50 in a million, k = 2, is all there is to these.
    assert one.spacing_us.expanded == pytest.approx(0.1) and one.duration_us.expanded == (
        pytest.approx(0.3)
    )
    assert one.rpm.expanded == pytest.approx(0.3)
    delays = [*(40 + np.arange(20) % 3), 40.0]
    assert one.delay_us.value == pytest.approx(np.mean(delays) - 1.5)
    assert one.delay_us.expanded == pytest.approx(with_the_clamp(one.delay_us, plan))
    assert one.count.value == pytest.approx((12 * 4 + 9) / 21)
    few = evaluate._point(
        plan, 0, parts[0].segment, [stretch(made_first(made, 9), 3000.0, 3000.0, "step")], [], 1.0
    )
    assert few.delay_us is None and few.count is None
    assert few.spacing_us is None and few.duration_us is None
    ten = evaluate._point(
        plan, 0, parts[0].segment, [stretch(made_first(made, 10), 3000.0, 3000.0, "step")], [], 1.0
    )
    assert ten.delay_us.n == ten.count.n == ten.spacing_us.n == ten.duration_us.n == 10


def made_first(all_of, n):
    return all_of.pick(np.arange(len(all_of.time)) < n)


@pytest.mark.parametrize(("hits", "by"), [(0, 1.0), (1, 4.0), (79, 4.0), (80, 1.0), (100, 1.0)])
def test_drop_outs_that_come_together_count_as_fewer_but_not_all_or_none(hits: int, by: float):
    """Four come together; from four fifths on it is no spell."""
    low = stats.beta.ppf(0.025, hits / by, (100 - hits) / by + 1) if hits else 0.0
    high = stats.beta.ppf(0.975, hits / by + 1, (100 - hits) / by) if hits < 100 else 1.0
    assert evaluate._share(hits, 100, 4.0) == pytest.approx((low, high))


def test_a_rev_limit_is_no_dead_band():
    """Dead from 4400 to 4500 and from 5500 rpm on at each of four passages."""
    rpm = np.arange(4000.0, 6001.0, 10.0)
    silent = ((rpm >= 4400) & (rpm <= 4500)) | (rpm >= 5500)
    plan = Plan(steps=(), ramps=((4000.0, 6000.0, 20.0),) * 4)
    ramps = [stretch(shots(rpm, ~silent), 4000.0, 6000.0, index=k) for k in range(4)]
    made = evaluate.evaluate(plan, [collector(*ramps)])
    assert made.sweep.rev_limit.value == 5495.0
    assert [(b.low, b.high) for b in made.sweep.bands] == [(4400.0, 4500.0)]
    assert made.sweep.spell is None  # all of it comes back at its speed
    assert len(made.ramps) == 4 and not made.points
    assert [p.in_band for p in made.ramps] == [11 + 51] * 4
    dead = evaluate.evaluate(plan, [collector(stretch(shots(rpm, 0 * rpm), 4000.0, 6000.0))])
    assert not dead.sweep.bands and dead.sweep.spell is None and dead.answered == 0


@pytest.mark.parametrize(
    ("begin", "end", "limit", "bands"),
    [(5300, 6000, 5495.0, []), (4800, 5800, 5485.0, [(4800, 5800)])],
)
def test_a_band_that_runs_into_a_rev_limit_is_told_where_most_of_it_lies_below(
    begin, end, limit, bands
):
    """Each third trigger is left out, all from 5500 rpm on: by its middle, 5650 rpm or 5300 rpm,
    the band is of the limit or before it. The last that answers is at 5490 or 5480 rpm."""
    rpm = np.arange(4000, end + 1, 10)
    silent = (rpm >= 5500) | ((rpm >= begin) & ((rpm - begin) % 30 == 0))
    plan = Plan(steps=(), ramps=((4000.0, float(end), 20.0),) * 4)
    ramps = [stretch(shots(rpm, ~silent), 4000.0, float(end), index=k) for k in range(4)]
    swept = evaluate.evaluate(plan, [collector(*ramps)]).sweep
    assert swept.rev_limit.value == limit
    assert [(b.low, b.high) for b in swept.bands] == bands


def test_the_largest_share_without_scatter_of_the_speeds_held():
    plan = Plan(steps=(1000.0, 2000.0), ramps=(), soak_minutes=1.0)
    parts = [step(0, 1000.0, np.linspace(30, 50, 40)),
             step(1, 2000.0, [*[45.0] * 10, *np.linspace(20, 38, 30)])]  # fmt: skip
    made = evaluate.evaluate(plan, [collector(*parts)])
    assert made.rigid == 0.25
    soaked = stretch(replace(parts[0].shots, delay_us=np.full(40, 45.0)), 3000.0, 3000.0, "soak", 2)
    assert evaluate.evaluate(plan, [collector(parts[0], soaked)]).rigid == 0.0


# Speeds that were driven once


def with_the_clamp(one, plan):
    """Two standard deviations by t, and the clamp's twice: JCGM 100, G.4.1 (whole degrees)."""
    t = stats.t.ppf(0.97725, int(one.freedom))
    return hypot(t * one.u, 2 * plan.u_clamp_delay_us)


def told(result, plan, rows, means, counts, clock, columns):
    """What `visits.wander` makes of visits in turn: u and freedom of each."""
    n = np.array(counts, float)
    u = np.array([max(m.u, 0.014) for m in means])
    found = visits.wander(
        np.array(rows)[:, :columns], np.array([m.value for m in means]),
        visits.pooled(np.arange(len(n)), u, n),
        visits.rough((visits.by_count(n), tuple(np.array(clock, float).T))),
    )  # fmt: skip
    for k, p in enumerate(result.points):
        assert p.delay_us.value == pytest.approx(means[k].value)
        assert (p.delay_us.u, p.delay_us.freedom) == pytest.approx(
            (found.u_visit[k], found.of_visit[k])
        )
        assert p.delay_us.expanded == pytest.approx(with_the_clamp(p.delay_us, plan))


def test_a_delay_wanders_as_it_does_beside_its_law_and_in_the_ramps():
    """Three speeds of 4 s, then a ramp of 16 s in eight pieces: delay = a + b / N + c N."""
    plan = Plan(steps=(1000.0, 2000.0, 4000.0), ramps=((1000.0, 5000.0, 16.0),),
                clamp_delay_us=2.0, u_clamp_delay_us=0.5)  # fmt: skip
    steps = [
        step(k, r, scattered(24 + 8 * k, d, seed=k))
        for k, (r, d) in enumerate(((1000.0, 40.0), (2000.0, 41.0), (4000.0, 44.0)))
    ]
    rpm = np.linspace(1000.0, 5000.0, 80)
    ramp = replace(shots(rpm, [1] * 80), delay_us=scattered(80, 42 + rpm / 2000, seed=9))
    driven = [*steps, stretch(ramp, 1000.0, 5000.0, index=3, begin=20.0, end=36.0)]
    result = evaluate.evaluate(plan, [collector(*driven)])
    assert result.sweep.heat is None
    speeds = [np.full(24, 1.0), np.full(32, 2.0), np.full(40, 4.0), *np.split(rpm / 1000, 8)]
    delays = [s.shots.delay_us - 2.0 for s in steps] + np.split(ramp.delay_us - 2.0, 8)
    rows = [(1.0, np.mean(1 / s), np.mean(s)) for s in speeds]
    clock = [(0, 4), (4, 8), (8, 12), *((12 + 2 * k, 14 + 2 * k) for k in range(8))]
    told(result, plan, rows, [Mean.of(d) for d in delays], [24, 32, 40, *[10] * 8], clock, 3)


def test_four_visits_tell_a_law_three_do_not():
    plan = Plan(steps=(1000.0, 2000.0, 3000.0, 4000.0), ramps=())
    steps = [step(k, 1000.0 * (k + 1), scattered(20, 40 + k * k, seed=k)) for k in range(4)]
    means = [Mean.of(s.shots.delay_us) for s in steps]
    rows = [(1.0, 1 / k, k) for k in (1.0, 2.0, 3.0, 4.0)]
    clock = [(4 * k, 4 * k + 4) for k in range(4)]
    told(evaluate.evaluate(plan, [collector(*steps)]), plan, rows, means, [20] * 4, clock, 2)
    three = evaluate.evaluate(replace(plan, steps=plan.steps[:3]), [collector(*steps[:3])])
    assert [p.delay_us.u for p in three.points] == [m.u for m in means[:3]]
    # Two speeds tell no bend, however many visits; a soak between takes its time and tells none.
    plan = Plan(steps=(1000.0, 2000.0, 1001.0, 2001.0, 1002.0), ramps=(), soak_minutes=1.0)
    many = [step(k, r, scattered(20, 40, seed=k)) for k, r in enumerate(plan.steps)]
    many.append(stretch(many[0].shots, 3000.0, 3000.0, "soak", 5, end=60.0))
    rows = [(1.0, 1000 / r, r / 1000) for r in plan.steps]
    means = [Mean.of(s.shots.delay_us) for s in many[:5]]
    clock = [(4 * k, 4 * k + 4) for k in range(5)]
    found = evaluate.evaluate(plan, [collector(*many)])
    found.points = found.points[:5]
    told(found, plan, rows, means, [20] * 5, clock, 2)


def test_speeds_are_apart_by_ten_and_a_trigger_without_a_spark_has_no_delay():
    """1000 and 1040 rpm are two, with 2000 three, and six visits tell a bend."""
    plan = Plan(steps=(1000.0, 2000.0, 1040.0, 1001.0, 2001.0, 1042.0), ramps=())
    steps = [step(k, r, scattered(20, 40 + k % 3, seed=k)) for k, r in enumerate(plan.steps)]
    means = [Mean.of(s.shots.delay_us) for s in steps]
    one = replace(shots([2000.0], [0]), delay_us=np.array([nan]))
    silent = Shots.join([steps[1].shots, one])
    steps[1] = replace(steps[1], shots=silent)
    rows = [(1.0, 1000 / r, r / 1000) for r in plan.steps]
    clock = [(4 * k, 4 * k + 4) for k in range(6)]
    told(evaluate.evaluate(plan, [collector(*steps)]), plan, rows, means, [20] * 6, clock, 3)


def test_five_answers_are_a_visit():
    """Up and down again: 1000 rpm is visited twice, 2000 once. Four answers are no visit."""
    plan = Plan(steps=(1000.0, 2000.0), repeats=2, ramps=())
    for n, heat in ((5, True), (4, False)):
        visited = ((1000.0, n, 40), (2000.0, 20, 41), (2000.0, 20, 41), (1000.0, 20, 42))
        parts = [step(k, rpm, scattered(m, at)) for k, (rpm, m, at) in enumerate(visited)]
        result = evaluate.evaluate(plan, [collector(*parts)])
        assert (result.sweep.heat is not None) == heat
        assert [p.triggers for p in result.points] == [20 + n, 40]
    once = Plan(steps=(1000.0, 2000.0, 3000.0, 4000.0), ramps=((1000.0, 1500.0, 4.0),))
    three = [step(k, 1000.0 * (k + 1), scattered(20, 40, seed=k)) for k in range(3)]
    for n, law in ((40, True), (39, False)):  # of eight pieces one has four
        rpm = np.linspace(1000.0, 1500.0, n)
        ramp = replace(shots(rpm, [1] * n), delay_us=scattered(n, 40, seed=9))
        parts = [*three[:1], stretch(ramp, 1000.0, 1500.0, index=4, end=4.0)]
        found = evaluate.evaluate(once, [collector(*parts)]).points[0].delay_us
        pieces = [np.full(20, 1.0), *np.array_split(rpm / 1000, 8)][: 9 if law else 8]
        delays = [three[0].shots.delay_us, *np.array_split(ramp.delay_us, 8)][: len(pieces)]
        u = np.array([max(Mean.of(d).u, 0.014) for d in delays])
        count = np.array([len(d) for d in delays], float)
        rows = np.array([(1.0, np.mean(1 / s), np.mean(s)) for s in pieces])
        clock = [(0.0, 4.0), *((4 + 0.5 * k, 4.5 + 0.5 * k) for k in range(len(pieces) - 1))]
        told_by = visits.wander(
            rows, np.array([d.mean() for d in delays]), visits.pooled(np.arange(len(u)), u, count),
            visits.rough((visits.by_count(count), tuple(np.array(clock).T))),
        )  # fmt: skip
        assert found.u == pytest.approx(told_by.u_visit[0])


def test_what_is_told_of_a_whole_run():
    """A dead speed beside one that misses 3 of 40; a second spark of 1 in 40 is a false event."""
    plan = Plan(steps=(1000.0, 2000.0), ramps=())
    dead = step(0, 1000.0, [nan] * 20, 0)
    live = step(1, 2000.0, np.where(np.arange(40) < 3, nan, 40.0), np.repeat([0, 1, 2], [3, 36, 1]))
    live = replace(live, shots=replace(live.shots, duration_us=np.repeat([0.0, 700.0], [39, 1])))
    result = evaluate.evaluate(plan, [collector(dead, live)])
    assert result.sweep.spell[0] == 20  # the dead one is the longest
    assert result.stretches[1].shots.sparks.max() == 1 and result.points[1].doubles == 1
    assert result.points[1].false_us == pytest.approx(740.0)
    assert result.findings and result.answered == 37
    # What the clamp gave of its own, after another trigger, is one more.
    at = np.arange(40) == 20
    odd = replace(live, shots=replace(live.shots, false=at.astype(np.int64),
                                      false_us=np.where(at, 900.0, nan)))  # fmt: skip
    twice = evaluate.evaluate(plan, [collector(dead, odd)]).points[1]
    assert result.points[0].false_us is None
    assert (twice.doubles, twice.false_us) == (2, pytest.approx((740.0 + 900.0) / 2))
    # What comes twice from 4400 to 4590 rpm at each of four passages.
    rpm = np.arange(4000.0, 5001.0, 10.0)
    there = ((rpm >= 4400) & (rpm <= 4590)).astype(np.int64)
    ramps = [stretch(shots(rpm, 1 + 0 * rpm, false=there), 4000.0, 5000.0, index=k)
             for k in range(4)]  # fmt: skip
    many = Plan(steps=(), ramps=((4000.0, 5000.0, 20.0),) * 4)
    bands = evaluate.evaluate(many, [collector(*ramps)]).sweep.double_bands
    assert [(b.low, b.high, b.hits) for b in bands] == [(4400.0, 4590.0, 80)]


def test_drop_outs_come_together_as_they_do_outside_of_the_soak():
    """Each twentieth trigger at the speed that was held; a spell of ten in the soak."""
    plan = Plan(steps=(1000.0,), ramps=(), soak_minutes=1.0)
    alone = np.where(np.arange(400) % 20, 1, 0)
    spell = np.where((np.arange(400) > 50) & (np.arange(400) <= 60), 0, 1)
    held = step(0, 1000.0, np.where(alone, 40.0, nan), alone)
    soaked = stretch(shots(np.full(400, 1000.0), spell), 1000.0, 1000.0, "soak", 1)
    result = evaluate.evaluate(plan, [collector(held, soaked)])
    assert [p.clumping for p in result.points] == [1.0, 1.0]


def test_a_speed_that_answered_too_seldom_has_no_delay_and_no_say_over_time():
    """Three passages over two speeds; 2000 rpm answered six times at one visit, else not at all."""
    plan = Plan(steps=(1000.0, 2000.0), repeats=3, ramps=())
    parts = []
    for k, segment in enumerate(plan.segments):
        n = 10 if segment.rpm_to == 1000.0 else 6 if k == 1 else 0
        delay = np.where(np.arange(10) < n, 40.0 + 0.3 * (np.arange(10) % 2), nan)
        few = replace(shots(np.full(10, segment.rpm_to), np.arange(10) < n), delay_us=delay)
        parts.append(stretch(few, segment.rpm_to, segment.rpm_to, "step", k, end=4.0))
    slow, fast = evaluate.evaluate(plan, [collector(*parts)]).points
    assert (fast.answered, fast.delay_us, slow.answered) == (6, None, 30)
    assert slow.delay_us.value == pytest.approx(40.15)


def test_a_speed_that_answered_too_seldom_does_not_hide_what_the_next_one_did_over_time():
    """1000, 2000, 2000, 1000, 1000, 2000 rpm: the slower one answers four times in all."""
    plan = Plan(steps=(1000.0, 2000.0), repeats=3, ramps=())
    parts = [
        step(k, s.rpm_to, scattered(20 if s.rpm_to > 1500 else 1 + (k == 0), 40 + 3 * k, seed=k))
        for k, s in enumerate(plan.segments)
    ]
    result = evaluate.evaluate(plan, [collector(*parts)])
    assert result.points[0].delay_us is None
    # 2000 rpm: 44.5 µs at its first visit, 55 µs at its second; no mean is surer than that.
    assert result.sweep.heat is not None and result.sweep.heat.between > 5.0
    assert result.points[1].delay_us.u > 5.0


def test_a_speed_that_only_the_way_back_drove_has_its_own_place_in_the_plan():
    """Two passages over three speeds; the first was cut short after 1000 rpm."""
    plan = Plan(steps=(1000.0, 2000.0, 3000.0), repeats=2, ramps=())
    parts = [step(k, plan.segments[k].rpm_to, scattered(20, 40, seed=k)) for k in (0, 3, 4, 5)]
    points = evaluate.evaluate(plan, [collector(*parts)]).points
    assert [(p.index, p.segment.rpm_to, p.triggers) for p in points] == [
        (0, 1000.0, 40), (3, 3000.0, 20), (4, 2000.0, 20),
    ]  # fmt: skip


def test_a_speed_of_which_no_visit_tells_enough_keeps_the_mean_of_all():
    """Four answers at each of three visits are twelve; the other speed has ten and twenty."""
    plan = Plan(steps=(1000.0, 2000.0), repeats=6, ramps=())
    parts = []
    for k, segment in enumerate(plan.segments):
        n = 10 if segment.rpm_to == 1000.0 else 4 * (k in (1, 5, 9))
        delay = np.where(np.arange(10) < n, 40.0 + k + 0.3 * (np.arange(10) % 2), nan)
        few = replace(shots(np.full(10, segment.rpm_to), np.arange(10) < n), delay_us=delay)
        parts.append(stretch(few, segment.rpm_to, segment.rpm_to, "step", k, end=4.0))
    slow, fast = evaluate.evaluate(plan, [collector(*parts)]).points
    every = np.concatenate([p.shots.delay_us[:4] for p in (parts[1], parts[5], parts[9])])
    own = Mean.of(every)
    assert (fast.visits, fast.answered) == (3, 12)
    assert (fast.delay_us.value, fast.delay_us.u) == pytest.approx((own.value, own.u))
    assert slow.delay_us.n == 60 and np.isfinite(slow.delay_us.u)


def test_a_dead_band_does_not_make_the_other_drop_outs_come_together():
    """19 in a row at each of four passages, and beside them one alone."""
    rpm = np.arange(4000.0, 5001.0, 10.0)
    silent = (rpm >= 4410) & (rpm <= 4590)
    plan = Plan(steps=(), ramps=((4000.0, 5000.0, 20.0),) * 4)
    ramps = [
        stretch(shots(rpm, ~(silent | (rpm == 4100 + 200 * (k == 3)))), 4000.0, 5000.0, index=k)
        for k in range(4)
    ]
    made = evaluate.evaluate(plan, [collector(*ramps)])
    assert [(b.low, b.high, b.hits) for b in made.sweep.bands] == [(4410.0, 4590.0, 76)]
    assert [p.clumping for p in made.ramps] == [1.0] * 4
    low, high = (stats.beta.ppf(q, *ab) for q, ab in ((0.025, (20, 82)), (0.975, (21, 81))))
    assert made.ramps[0].drop_out == pytest.approx((low, high))  # 20 of 101
    assert all(p.delay_us is None and p.count is not None for p in made.ramps)


def test_a_visit_of_too_few_tells_nothing():
    """Four answers at one speed; the four others tell a law without it."""
    plan = Plan(steps=(1000.0, 2000.0, 3000.0, 4000.0, 5000.0), ramps=())
    steps = [
        step(k, 1000.0 * (k + 1), scattered(4 if k == 4 else 20, 40, seed=k)) for k in range(5)
    ]
    result = evaluate.evaluate(plan, [collector(*steps)])
    assert result.points[4].delay_us is None
    result.points = result.points[:4]
    means = [Mean.of(s.shots.delay_us) for s in steps[:4]]
    rows = [(1.0, 1 / k, k) for k in (1.0, 2.0, 3.0, 4.0)]
    told(result, plan, rows, means, [20] * 4, [(4 * k, 4 * k + 4) for k in range(4)], 2)


# What shows over all speeds


@pytest.mark.parametrize(("lasted", "window"), [(725.0, (17.4, 18.0)), (700.0, None)])
def test_one_window_within_a_degree(lasted: float, window: tuple | None):
    """18 degrees at 1000 rpm; 2 sparks at 2000 rpm: below 2 · 0.012 degrees a µs."""
    made = stretch(shots([1000.0] * 12 + [2000.0] * 12, [4] * 12 + [2] * 12,
                         [3000.0] * 12 + [lasted] * 12), kind="step")  # fmt: skip
    found = sweep.sweep_of(Plan(), [made], [])
    assert found.window_constant is (window is not None)
    assert found.window_deg == (None if window is None else pytest.approx(window))


@pytest.mark.parametrize(("chi2", "model"), [(3.9, "speed"), (4.1, "angle")])
def test_an_angle_is_told_where_it_fits_better_by_four(chi2: float, model: str):
    """Delays on a + b / N, so that the angle's chi2 is 0; b such that the line's is as typed."""
    rpm = np.array([1000.0, 2000.0, 4000.0])
    bent = 1e6 / (6 * rpm)
    line = np.polyval(np.polyfit(rpm, bent, 1), rpm)
    size = np.sqrt(chi2 * 0.2**2 / ((bent - line) ** 2).sum())  # each mean is known to 0.2 µs
    points = [point(r, delay=float(40 + size * b)) for r, b in zip(rpm, bent, strict=True)]
    found = sweep._delay(Plan(), points)
    assert found.model == model
    assert found.fits == pytest.approx(chi2 if model == "speed" else 0.0, abs=1e-9)
    alone = sweep._delay(Plan(), points[:1])
    assert (alone.model, alone.fits, alone.points) == ("constant", 0.0, 1)


def test_delay_of_steps_else_of_what_there_is():
    held, soaked = point(1000.0, delay=30.0), point(3000.0, delay=50.0, kind="soak")
    made = stretch(shots([1000.0] * 9, [1] * 9), kind="step")
    assert sweep.sweep_of(Plan(), [made], [held, soaked]).delay.mean_us == 30.0
    assert sweep.sweep_of(Plan(), [made], [soaked]).delay.mean_us == 50.0
    assert sweep.sweep_of(Plan(), [made], []).always is None  # nine events tell no kind
    ten = stretch(shots([1000.0] * 10, [1] * 10), kind="step")
    assert sweep.sweep_of(Plan(), [ten], []).always == "single"


@pytest.mark.parametrize(
    ("many", "n", "kind"),
    [(0, 20, "single"), (1, 20, None), (1, 21, "single"), (1, 15, None), (19, 20, None),
     (20, 20, "many"), (20, 21, "many"), (14, 15, None)],
)  # fmt: skip
def test_one_kind_of_event_in_more_than_nineteen_of_twenty(many, n, kind):
    made = stretch(shots([2000.0] * n, [3] * many + [1] * (n - many), 900.0), kind="step")
    assert sweep.sweep_of(Plan(), [made], []).always == kind


@pytest.mark.parametrize(("every", "found"), [(12, True), (10, False), (7, False), (5, False)])
def test_above_a_rev_limit_less_than_a_tenth_are_answered(every, found):
    rpm = np.concatenate((np.linspace(1000, 4000, 60), np.linspace(5000, 6000, 60)))
    sparks = np.concatenate((np.ones(60), np.arange(60) % every == every // 2))
    limit = sweep.sweep_of(Plan(), [stretch(shots(rpm, sparks))], []).rev_limit
    assert (limit is not None) == found
    if limit:
        assert (limit.value, limit.above) == (4500.0, pytest.approx(1 / every))


def test_half_per_cent_at_either_end_of_a_window_is_left():
    """401 bursts of 4 sparks at 1000 rpm, 17 to 18 degrees: the third from above, and of their
    next spark, a third later, the third from below. Nine bursts tell nothing, ten do."""
    degrees = np.linspace(17.0, 18.0, 401)
    made = stretch(shots([1000.0] * 401, [4] * 401, degrees / 0.006), kind="step")
    found = sweep.sweep_of(Plan(), [made], [])
    assert found.window_deg == pytest.approx((17.995, 17.005 * 4 / 3))
    for n, told in ((9, False), (10, True)):
        few = stretch(shots([1000.0] * n, [4] * n, 3000.0), kind="step")
        assert (sweep.sweep_of(Plan(), [few], []).window_deg is not None) == told


@pytest.mark.parametrize(
    ("speeds", "model"),
    [((1000.0, 1004.0, 2000.0), "constant"), ((1000.0, 1040.0, 2000.0), "speed"),
     ((1000.0, 2000.0), "constant")],
)  # fmt: skip
def test_three_speeds_tell_a_slope(speeds, model):
    found = sweep._delay(Plan(), [point(r, delay=30 + r / 1000) for r in speeds])
    assert found.model == model
    if model == "speed":
        assert (found.per_x, found.constant_us) == pytest.approx((1.0, 30.0), rel=1e-9)


def test_an_angle_to_a_millionth():
    found = sweep._delay(
        Plan(), [point(r, delay=10 + 0.4e6 / (6 * r)) for r in (1000.0, 2000.0, 6000.0)]
    )
    assert found.per_x == pytest.approx(0.4, rel=1e-9)


def test_a_ramp_goes_by_its_own_ends_and_the_first_step_by_nothing():
    plan = Plan(steps=(1000.0,), ramps=((2000.0, 3000.0, 5.0), (3500.0, 3200.0, 5.0)))
    assert [sweep.going_up(plan, k) for k in range(3)] == [True, True, False]
    down = Plan(steps=(5000.0,), ramps=((2000.0, 3000.0, 5.0),))
    assert [sweep.going_up(down, k) for k in range(2)] == [True, True]


def turned(n, at, falling=False, index=0):
    rpm = np.linspace(2000.0, 4000.0, n)[:: -1 if falling else 1]
    sparks = np.where(rpm < at, 3, 1)
    made = shots(rpm, sparks, np.where(sparks > 1, 900.0, 0.0))
    return stretch(made, rpm[0], rpm[-1], index=index)


def test_hysteresis_is_up_less_down():
    plan = Plan(steps=(), ramps=((2000.0, 4000.0, 20.0), (4000.0, 2000.0, 20.0)))
    up, down = turned(201, 3005.0), turned(201, 2805.0, True, 1)
    found = sweep.sweep_of(plan, [up, down], [])
    a, b = found.switch_up, found.switch_down
    assert (a.value, b.value) == pytest.approx((3005.0, 2805.0), abs=5.0)
    assert found.hysteresis == pytest.approx((a.value - b.value, a.low - b.high, a.high - b.low))
    assert found.always is None
    alone = sweep.sweep_of(plan, [up], [])
    assert alone.switch_down is None and alone.hysteresis is None and alone.always is None
    # Eight bursts of 201 events are a switch-over all the same, and no single spark at all speeds.
    few = sweep.sweep_of(plan, [turned(201, 2075.0)], [])
    assert few.switch_up is not None and few.always is None
    quiet = stretch(shots(np.linspace(4000.0, 2000.0, 201), [1] * 201), 4000.0, 2000.0, index=1)
    both = sweep.sweep_of(plan, [turned(201, 2075.0), quiet], [])
    assert both.switch_down is None and both.hysteresis is None and both.always is None
    soak = stretch(shots([3000.0] * 90, [1] * 90), 3000.0, 3000.0, "soak", 1)
    assert sweep.sweep_of(plan, [up, soak], []).most_rpm == 4000.0
    assert sweep.sweep_of(plan, [soak], []).most_rpm == 3000.0
    empty = sweep.sweep_of(plan, [], [])
    assert (empty.delay, empty.most_rpm, empty.clean_to, empty.clean_triggers) == (None, 0, None, 0)


# From bytes: what is set aside, and what belongs to which time

PLAN = Plan(steps=(6000.0,), seconds=4.0, ramps=(), width_us=2_000.0)
TICK = 24e-9


def heard(trigger_s, clamp_s, plan=PLAN, until=5.0):
    """One drive, taken at 0.05 s; times in seconds."""
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.add("ack", command=wire.NUMBER["drive"], result=0, command_seq=1, text="")
    for k in range(1, round(10 * until) + 1):
        for which, times in ((3, trigger_s), (1, clamp_s)):
            times = np.asarray(times)
            times = np.sort(times[(times >= 0.1 * (k - 1)) & (times < 0.1 * k)])
            made.edges(which, np.rint(times / TICK).astype(np.int64))
        made.heartbeat(round(0.1 * k / TICK), outputs=wire.ENUMS["output_bits"]["bench"])
    collector = Collector(plan, [(0, plan.seconds)], 24_000)
    collector.feed(made.data)
    return collector


def test_trigger_edges_nearer_than_half_the_shortest_interval_are_noise():
    """6000 rpm, two a turn: 5 ms apart, so that 2.5 ms after one nothing is taken for the next."""
    for steps, after, noise in (
        ((6000.0,), (0.0, 2.4, 5.0, 7.6, 12.6), 1), ((6000.0,), (0.0, 2.6, 5.2), 0),
        ((3000.0,), (0.0, 4.9, 10.1, 15.2), 1), ((3000.0, 6000.0), (0.0, 4.9, 10.1, 15.2), 0),
    ):  # fmt: skip
        collector = heard(0.3 + 1e-3 * np.array(after), [], replace(PLAN, steps=steps))
        assert collector.finish()
        assert (collector.trigger_edges, collector.trigger_noise) == (len(after), noise)
    early = Stream()
    early.hello()
    early.heartbeat(0)
    early.add("ack", command=wire.NUMBER["drive"], result=0, command_seq=1, text="")
    collector = Collector(PLAN, [(0, 4.0)], 24_000)
    collector.feed(early.data)
    assert collector.drives == 1 and collector.driving_since == float("inf")


TRIGGERS = 0.3 + 0.005 * np.arange(700)


@pytest.mark.parametrize(("edge", "base"), [("firing", 0.0), ("other", -2_000.0)])
def test_the_drives_own_edges_are_set_aside(edge, base):
    """2.4 µs after the firing edge, or the pulse's other one, at each pulse but every fifth."""
    rng = np.random.default_rng(3)
    answers = TRIGGERS + 40e-6 + 2e-6 * rng.standard_normal(700)
    own = (TRIGGERS + (base + 2.4) * 1e-6)[np.arange(700) % 5 > 0]
    collector = heard(TRIGGERS, np.concatenate((answers, own)))
    (one,) = collector.finish()
    (found,) = collector.couplings
    assert (found.edge, found.edges) == (edge, 560) and found.at_us == pytest.approx(2.4, abs=0.02)
    assert found.share == pytest.approx(0.8) and found.lost == pytest.approx(0.0)
    assert found.scatter_us < 0.03
    assert one.shots.answered.all() and one.shots.delay_us.min() > 30 and not one.shots.false.any()


def test_a_noisy_edge_beside_the_drives_is_set_aside_as_well():
    """1 µs before each firing edge, by 0.4 µs sooner or later: the answers do not move with it."""
    rng = np.random.default_rng(4)
    answers = TRIGGERS + 60e-6 + 0.8e-6 * rng.standard_normal(700)
    noisy = TRIGGERS - 1e-6 + 0.4e-6 * rng.standard_normal(700)
    collector = heard(TRIGGERS, np.concatenate((answers, noisy)))
    (one,) = collector.finish()
    (found,) = collector.couplings
    assert (found.edge, found.edges) == ("firing", 700)
    assert (found.at_us, found.scatter_us) == pytest.approx((-1.0, 0.4), abs=0.05)
    assert one.shots.delay_us.min() > 45 and one.shots.sparks.tolist() == [1] * len(one.shots.time)


@pytest.mark.parametrize(
    ("kind", "lasted", "share"),
    # 97 % of 20 s are all of it; of a ramp 0.2 s at either end may be missing.
    [("step", 19.4, 1.0), ("step", 9.7, 0.5), ("ramp", 0.97 * 19.6, 1.0), ("ramp", 9.506, 0.5),
     ("step", -1.0, 0.0), ("soak", 30.0, 1.0)],
)  # fmt: skip
def test_share_of_a_segment_that_was_measured(kind, lasted, share):
    one = stretch(shots([], []), kind=kind, begin=5.0, end=5.0 + lasted)
    assert one.share == pytest.approx(share, abs=1e-9)


# Verdicts on what shows over all speeds


RAMPS = ((2000.0, 4000.0, 20.0), (4000.0, 2000.0, 20.0))


def switched(at, **more):
    """A run whose bursts end at one speed as it rises; one point, so that there is something."""
    up = turned(201, at)
    # The ramp stands behind the step in the plan.
    found = made(point(3000.0), stretches=[replace(up, index=1)], steps=[3000.0], **more)
    found.plan = replace(found.plan, ramps=RAMPS)
    found.sweep = sweep.sweep_of(found.plan, found.stretches, found.points)
    return found


def test_switch_over_against_limits():
    for limits, word in (
        ({"least": 2000.0}, "within"), ({"most": 4000.0}, "within"),
        ({"least": 3005.0}, "cannot tell"), ({"least": 3500.0}, "outside"),
        ({"most": 2500.0}, "outside"),
    ):  # fmt: skip
        run = switched(3005.0, limits={"switch_over_rpm": limits})
        (one,) = verdict.against_limits(run).checks
        seen = sweep.switch_over(run, True, 0.95)
        assert (one.value, one.low, one.high) == (seen.value, seen.low, seen.high)
        assert (one.verdict, one.where) == (word, "sweep") and 2900 < one.low < 3005 < one.high
    for at, says in ((2010.0, "single sparks at every speed up to 4000 rpm"),
                     (9000.0, "many sparks at every speed up to 4000 rpm")):  # fmt: skip
        run = switched(at, limits={"switch_over_rpm": {"least": 3000.0}})
        (one,) = verdict.against_limits(run).checks
        assert (one.value, one.verdict, one.note) == (None, "cannot tell", says)


def test_difference_of_switch_overs():
    a, b, none = switched(3205.0), switched(2805.0), switched(9000.0)

    def of(run, other):
        told = verdict.against_run(run, other, "good")
        found = [c for c in told.checks if c.quantity == "switch_over_rpm"]
        return told.each_at, found

    each, (one,) = of(a, b)
    up, down = (sweep.switch_over(r, True, each) for r in (a, b))
    assert one.value == up.value - down.value == pytest.approx(400.0, abs=10)
    assert (one.low, one.high) == (up.low - down.high, up.high - down.low)
    assert (one.verdict, one.most, one.where) == ("differs", 100.0, "sweep")
    assert of(b, a)[1][0].value == -one.value
    for run, other, whose in ((a, none, "the other"), (none, a, "this")):
        _, (lone,) = of(run, other)
        assert lone.value is None and lone.verdict == "cannot tell"
        assert lone.note == f"{whose} run shows no switch-over up to 4000 rpm"
    assert of(none, none)[1] == []


def wilson(k, n, confidence):
    z = stats.norm.ppf((1 + confidence) / 2)
    middle, half = k + z * z / 2, z * np.sqrt(k * (n - k) / n + z * z / 4)
    return (middle - half) / (n + z * z), (middle + half) / (n + z * z)


@pytest.mark.parametrize(
    ("missed", "n", "by"), [(316, 400, 3.0), (319, 400, 3.0), (320, 400, 1.0), (400, 400, 1.0)]
)
def test_drop_outs_in_spells_tell_less_of_a_difference(missed, n, by):
    """Newcombe's interval of the difference (method 10) of two shares, a third as many in threes;
    four fifths and more are no spell."""
    a = made(point(missed=missed, triggers=n, clumping=3.0))
    b = made(point(missed=40, triggers=n))
    told = verdict.against_run(a, b, "good")
    (one,) = [
        c for c in told.checks if c.quantity == "drop_out_percent" and c.where == "all events"
    ]
    p, q = missed / n, 0.1
    (la, ha), (lb, hb) = (wilson(k / by, n / by, told.each_at) for k in (missed, 40))
    assert one.value == pytest.approx(100 * (p - q))
    assert one.low == pytest.approx(100 * (p - q - np.hypot(p - la, hb - q)))
    assert one.high == pytest.approx(100 * (p - q + np.hypot(ha - p, q - lb)))


def test_one_trigger_is_a_share_none_is_not():
    one, missed = (made(point(missed=k, triggers=1, delay=None)) for k in (0, 1))
    none = made(point(triggers=0, delay=None))

    def of(a, b):
        told = verdict.against_run(a, b, "good").checks
        return next(c for c in told if c.quantity == "drop_out_percent")

    assert of(one, missed).value == -100.0 and of(missed, one).value == 100.0
    for a, b in ((one, none), (none, one)):
        assert of(a, b).note == "no trigger was counted in one of the runs"


def test_a_length_of_two_minutes_and_more_is_told_in_minutes():
    """18 to 20 degrees at least 18.5: 1.2 · (1 / 0.5)² = 4.8 times as long."""
    for measured, words in ((24.8, "119 s in all (now 25 s)"), (25.0, "2 min in all (now 25 s)")):
        run = made(point(), limits={"burst_window_deg": {"least": 18.5}},
                   sweep_of=Sweep(most_rpm=6000.0, window_deg=(18.0, 20.0)))  # fmt: skip
        run.measured_s = measured
        (one,) = verdict.against_limits(run).checks
        assert f"a run of about {words} would tell" in one.note


def test_the_longest_spell_of_one_passage_is_told():
    rpm = np.arange(4000.0, 6001.0, 10.0)
    plan = Plan(steps=(), ramps=((4000.0, 6000.0, 20.0),) * 3)
    ramps = [stretch(shots(rpm, 1 + 0 * rpm), 4000.0, 6000.0, index=k) for k in range(2)]
    lone = (rpm >= 5000) & (rpm <= 5110)
    ramps.append(stretch(shots(rpm, ~lone), 4000.0, 6000.0, index=2))
    assert evaluate.evaluate(plan, [collector(*ramps)]).sweep.spell == (12, 5000.0, 5110.0)
