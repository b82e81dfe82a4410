"""Numbers of a bench run that only a made-up case shows: chance, visits, late answers, JSON.

Each figure is worked beside it; the wander of visits is held in tests/timing/test_visits.py.
"""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from bench_parts import made, mean, point, shots, stretch
from sparkwitness.bench import answers, bands, conditions, evaluate, findings
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import STAMP_US, Mean
from sparkwitness.decode.edges import Loss
from sparkwitness.timing import visits


def collector(*stretches):
    """What is read of a `Collector`."""
    return SimpleNamespace(
        stretches=lambda: list(stretches), ringing=0, trigger_noise=0, spark_edges=0,
        decoder=SimpleNamespace(loss=Loss(sessions=1)), couplings=[], lates=[], tick_ps=24_000,
    )  # fmt: skip


# Bands against chance. A trigger each 10 rpm; cells of 100 rpm begin every 50.


def passage(low, high, dead=(), every=10.0):
    rpm = np.arange(low, high, every)
    return stretch(shots(rpm, ~np.isin(rpm, dead)), 1000.0, 6000.0)


FIVE, FOUR = (4000.0, 4200.0), (4000.0, 4150.0)  # so many cells are driven


def told(fives, fours, alive=0, hit=()):
    """Two passages dead from 5000 to 5090, three cells; others that are whole, but for `hit`."""
    dead = np.arange(5000.0, 5100.0, 10.0)
    parts = [passage(*FIVE, hit if not k else ()) for k in range(fives)]
    parts += [passage(*FOUR)] * fours
    parts += [passage(5000.0, 5100.0, dead)] * 2 + [passage(5000.0, 5100.0)] * alive
    found = bands.bands(parts, bands.missing)
    assert [(b.low, b.high, b.hits, b.of) for b in found] in (
        [], [(5000.0, 5090.0, 20, 2 + alive)],
    )  # fmt: skip
    return bool(found)


def test_a_band_by_chance():
    """8 cells, 4 of them side by side; n cells elsewhere: 4 · C(passages, dead) · chance^dead."""
    assert told(4, 0) and not told(3, 1)  # 4 / 21² = 0.0091, 4 / 20² = 0.01
    # One passage is alive there: three ways. 12 / 35² = 0.0098, 12 / 34² = 0.0104.
    assert told(6, 1, alive=1) and not told(5, 2, alive=1)
    # One passage is hit in two cells: 4 · (3 / 61)² = 0.0097, 4 · (3 / 60)² = 0.01.
    hit = (4000.0, 4010.0)
    assert told(12, 0, hit=hit) and not told(11, 1, hit=hit)


def test_of_cells_side_by_side_the_least_likely_tells():
    """A third passage drives two of the three dead cells: 4.5 · (1 / 22)² < 0.01 in the other one;
    there it would be three times as likely. 4.5 / 17² is not."""
    dead = np.arange(5000.0, 5100.0, 10.0)
    for others, told in ((4, True), (3, False)):
        parts = [passage(*FIVE)] * others + [passage(5000.0, 5100.0, dead)] * 2
        found = bands.bands([*parts, passage(5050.0, 5150.0)], bands.missing)
        assert bool(found) == told


def test_a_passage_within_half_a_cell_drives_two():
    """5 cells, 2 k of the others whole: 2.5 / 17² < 0.01 < 2.5 / 15²."""
    dead = np.arange(5000.0, 5100.0, 10.0)
    for others, told in ((8, True), (7, False)):
        parts = [passage(4000.0, 4050.0)] * others + [passage(5000.0, 5100.0, dead)] * 2
        assert bool(bands.bands(parts, bands.missing)) == told


def test_cells_that_overlap_or_touch():
    assert bands._runs([]) == [] and bands._runs([7]) == [(7, 7)]
    assert bands._runs([1, 3, 6, 7, 9, 12]) == [(1, 3), (6, 9), (12, 12)]


def way(up, *dead):
    """4000 to 5000 rpm or back, silent from the one to the other of each pair."""
    rpm = np.arange(4000.0, 5001.0, 10.0)[:: 1 if up else -1]
    silent = np.any([(rpm >= low) & (rpm <= high) for low, high in dead], axis=0)
    return stretch(shots(rpm, ~(silent | np.zeros(101, bool))), *(1, 2) if up else (2, 1))


LOWER, UPPER = (4410.0, 4540.0), (4660.0, 4800.0)


@pytest.mark.parametrize(
    ("low", "high", "ends"),
    [
        ((LOWER,), (UPPER,), (4540.0, 4660.0)),
        ((LOWER, (4600.0, 4600.0)), (UPPER,), (4600.0, 4660.0)),
        ((LOWER,), (UPPER, (4600.0, 4600.0)), (4540.0, 4600.0)),
        ((LOWER, (4600.0, 4600.0)), (UPPER, (4600.0, 4600.0)), None),
    ],
)  # fmt: skip
@pytest.mark.parametrize("up", [True, False])
def test_a_band_of_each_way_beside_the_other(up, low, high, ends):
    """A lone miss within the cells of a band is of it. Where they meet, the second is no other."""
    found = bands.bands([way(up, *low), way(not up, *high)] * 6, bands.missing)
    rising = (4410.0, low[-1][1]) if up else (high[-1][0], 4800.0)
    if ends is None:
        assert [(b.way, b.low, b.high) for b in found] == [("rising", *rising)]
    else:
        names = ("rising", "falling") if up else ("falling", "rising")
        assert [(b.way, b.low, b.high) for b in found] == [
            (names[0], 4410.0, ends[0]), (names[1], ends[1], 4800.0),
        ]  # fmt: skip


def test_a_speed_that_is_held_is_no_way():
    """Falling is dead three times of three; held four times without a miss."""
    rpm = np.arange(4400.0, 4600.0, 10.0)
    held = stretch(shots(rpm, np.ones(20, bool)), 4500.0, 4500.0)
    parts = [way(False, (4410.0, 4590.0)), way(True)] * 3 + [held] * 4
    (one,) = bands.bands(parts, bands.missing)
    assert (one.way, one.low, one.high, one.passages, one.of) == ("falling", 4410.0, 4590.0, 3, 3)
    up = [way(True, (4410.0, 4590.0)), way(False)] * 3 + [held] * 4
    assert [(b.way, b.of) for b in bands.bands(up, bands.missing)] == [("rising", 3)]


def test_one_passage_alone_never_makes_a_band():
    """However unlikely it is: 1500 cells of 250 passages elsewhere are whole."""
    many = [passage(*FIVE)] * 250
    dead = np.arange(5000.0, 5100.0, 10.0)
    assert not bands.bands([*many, passage(5000.0, 5100.0, dead)], bands.missing)
    assert bands.bands([*many, *[passage(5000.0, 5100.0, dead)] * 2], bands.missing)


def test_one_miss_of_four_hits_no_passage():
    """A trigger each 25 rpm, four in a cell: one is more than a fifth of them, and chance."""
    assert not bands.bands([passage(4000.0, 5000.0, (4450.0,), 25.0)] * 9, bands.missing)
    (one,) = bands.bands([passage(4000.0, 5000.0, (4450.0, 4475.0), 25.0)] * 9, bands.missing)
    assert (one.low, one.high, one.hits) == (4450.0, 4475.0, 18)
    # Of three triggers a cell is told, of two not: 50 and 34 rpm apart.
    assert not bands.bands([passage(4000.0, 5000.0, (4450.0, 4500.0), 50.0)] * 9, bands.missing)
    (one,) = bands.bands([passage(4000.0, 5000.0, (4476.0, 4510.0), 34.0)] * 9, bands.missing)
    assert (one.low, one.high) == (4476.0, 4510.0)


# A whole run: speeds again and again


def test_speeds_up_and_down_and_up_again():
    """Three speeds, three passages; of 3000 rpm six answers in all, in its two visits five and
    one: it tells no delay, and no heat either."""
    plan = Plan(steps=(1000.0, 2000.0, 3000.0), repeats=3, ramps=(), seconds=4.0)
    rng = np.random.default_rng(8)
    parts, delays = [], {}
    for index, segment in enumerate(plan.segments):
        rpm = segment.rpm_to
        n = 12 + index if rpm < 2500 else {2: 3, 3: 2, 8: 1}[index]
        delay = 40 + rpm / 1000 + 0.1 * index + 0.3 * rng.standard_normal(n)
        delays[index] = delay
        held = replace(shots(np.full(n, rpm), [1] * n), delay_us=delay)
        parts.append(stretch(held, rpm, rpm, "step", index, segment=segment, end=4.0))
    result = evaluate.evaluate(plan, [collector(*parts)])
    # 1000: segments 0, 5 and 6; 2000: 1, 4, 7; 3000: 2, 3 and 8.
    assert [(p.index, p.rpm.value, p.rpm.s) for p in result.points] == [
        (0, 1000.0, 0.0), (1, 2000.0, 0.0), (2, 3000.0, 0.0),
    ]  # fmt: skip
    assert [p.triggers for p in result.points] == [12 + 17 + 18, 13 + 16 + 19, 6]
    assert [p.visits for p in result.points] == [2, 3, 2]
    assert result.points[2].delay_us is None
    rows = [(0, 0.0, [0]), (0, 5.5, [5, 6]), (1, 1.0, [1]), (1, 4.0, [4]), (1, 7.0, [7])]
    means = [Mean.of(np.concatenate([delays[i] for i in mine])) for _, _, mine in rows]
    found = visits.from_visits(
        np.array([r[0] for r in rows]), np.array([r[1] for r in rows]),
        np.array([m.value for m in means]), np.array([max(m.u, 0.014) for m in means]),
        np.array([m.n for m in means]),
    )  # fmt: skip
    heat = result.sweep.heat
    assert (heat.change, heat.u_change, heat.between, heat.freedom) == pytest.approx(
        (found.drift, found.u_drift, found.between, found.of_trend)
    )
    assert [p.delay_us.value for p in result.points[:2]] == pytest.approx(found.values)
    assert [p.delay_us.u for p in result.points[:2]] == pytest.approx(found.u)


def test_every_number_of_a_run_is_plain():
    """JSON knows no numbers of numpy's: drop-outs, doubles and strays, a band, a soak."""
    rpm = np.arange(2000.0, 4001.0, 10.0)
    dead = (rpm >= 3000) & (rpm <= 3100)
    plan = Plan(steps=(1000.0, 2500.0), ramps=((2000.0, 4000.0, 20.0),) * 4, soak_minutes=1.0)
    one = shots(np.full(60, 1000.0), [1] * 50 + [0] * 10, false=[2, *[0] * 57, 1, 1])
    one = replace(one, false_us=np.where(one.false > 0, 500.0, np.nan),
                  delay_us=np.where(one.sparks > 0, 40.0 + np.arange(60) % 3, np.nan))  # fmt: skip
    ramps = [stretch(shots(rpm, ~dead), 2000.0, 4000.0, index=2 + k) for k in range(4)]
    hot = replace(one, time=np.arange(60.0))
    soak = stretch(hot, 3000.0, 3000.0, "soak", 6, end=60.0)
    result = evaluate.evaluate(plan, [collector(
        stretch(one, 1000.0, 1000.0, "step", cut=3, off_speed=2, supply_mv=12_000),
        *ramps, soak,
    )])  # fmt: skip
    told = result.to_dict()
    assert json.loads(json.dumps(told)) == told
    assert (told["points"][0]["double_events"], told["points"][0]["stray_events"]) == (1, 2)
    assert (told["sweep"]["bands"][0]["hits"], told["sweep"]["bands"][0]["of"]) == (44, 4)
    assert [p["drop_outs"] for p in told["ramps"]] == [11] * 4
    assert sum(b["drop_outs"] for b in told["soak"]["bins"]) == 10
    assert told["triggers"] == 60 + 4 * 201 + 60 and told["answered"] == 50 + 4 * 190 + 50
    assert told["not_measured"] == ["2500 rpm"]
    assert {type(p.in_band) for p in (*result.points, *result.ramps)} == {int}


def test_what_follows_without_another_speed_is_one_visit():
    def of(*indices):
        parts = [stretch(shots([1000.0] * 3, [1] * 3), 1000.0, 1000.0, "step", k) for k in indices]
        return [(when, len(one.time)) for when, one in evaluate._visits(parts)]

    assert of(4, 5) == [(4.5, 6)] and of(5, 5, 6) == [(16 / 3, 9)]
    assert of(4, 6) == [(4.0, 3), (6.0, 3)] and of(0, 1, 3) == [(0.5, 6), (3.0, 3)]


def test_ten_answers_in_a_part_of_a_soak_tell_its_delay():
    """Four parts of a quarter of a minute, 15 triggers each: of the first 10 or 9 answered."""
    for missing, told in ((5, True), (6, False)):
        hot = replace(shots(np.full(60, 3000.0), np.arange(60) >= missing), time=np.arange(60.0))
        soaked = evaluate._soak(Plan(), [stretch(hot, 3000.0, 3000.0, "soak", end=60.0)])
        assert [b.triggers for b in soaked.bins] == [15] * 4
        assert (soaked.bins[0].delay_us is not None) == told
        assert (soaked.delay_change_us is not None) == told


# Answers that come late


def late(answer_ticks, pitches=(20_000, 16_000), n=40):
    period = np.repeat(pitches, n)
    trigger = np.cumsum(np.append(50_000, period[:-1])).astype(np.int64)
    spark = np.sort(np.concatenate([trigger + ticks(period) for ticks in answer_ticks]))
    found = answers.follow(trigger, np.diff(period) == 0, spark)
    return found.lag.tolist()


@pytest.mark.parametrize(
    ("second", "lags"),
    # Sparks at 8000 of 20000 ticks, then at this of 16000. A turn later or sooner costs twice the
    # steps: 6000 from 8000 to 14000, 2000 from 28000 to 30000; 3000 from 8000 to 5000, 1000 from
    # -12000 to -11000; 2500 from 8000 to 10500, 1500 from 28000 to 26500.
    [(14_000, [28_000, 30_000]), (5_000, [-12_000, -11_000]), (10_500, [8_000, 10_500])],
)
def test_a_turn_more_or_less_costs_twice_the_steps(second: int, lags: list):
    def at(period):
        return np.where(period == 20_000, 8_000, second)

    assert late([at]) == pytest.approx(lags, abs=1.0)


def test_each_spark_of_an_interval_may_be_the_answer():
    """At a quarter of each interval, and 15000 ticks late: that is constant in time."""
    found = late([lambda period: period // 4, lambda period: 0 * period + 15_000])
    assert found == pytest.approx([15_000, 15_000], abs=1.0)


# Conditions


def test_the_largest_clip_counts_and_what_changed_together_is_named():
    """Two runs of one speed, 2 ms apart: u of the slope is half of that of their difference."""

    def run(width, clip, **more):
        one = made(point(delay=mean(40.0 + width / 1000, 0.4, 16)), width_us=width, **more)
        one.plan = replace(one.plan, u_clip_us=clip)
        return one

    for clips in ((0.2, 1.5), (1.5, 0.2)):
        runs = [run(2000.0, clips[0]), run(4000.0, clips[1])]
        (one,) = conditions.compare([("a", runs[0]), ("b", runs[1])]).effects
        u = np.sqrt(2 * (0.1**2 + STAMP_US**2 + 1.5**2 + 0.3**2)) / 2
        assert one.high - one.per_unit == pytest.approx(1.959964 * u)
        assert one.per_unit == pytest.approx(1.0)
    both = [run(2000.0, 0.2, supply_v=10.0), run(4000.0, 0.2, supply_v=14.0)]
    why = conditions.compare([("a", both[0]), ("b", both[1])]).why
    assert "dwell and supply changed together, and cannot be told apart: change one at a time" in (
        why
    )


def test_rows_are_of_speeds_that_were_held_and_answered():
    ramp = point(2000.0, kind="ramp")
    silent = replace(point(2500.0), delay_us=None)
    assert [r.rpm for r in conditions.rows("x", made(point(), ramp, silent))] == [3000.0]


def test_an_interval_that_ends_at_0_is_not_sure():
    for low, high, surely in ((0.0, 1.0, False), (-1.0, 0.0, False), (0.1, 1.0, True),
                              (-1.0, -0.1, True)):  # fmt: skip
        assert conditions.Effect("dwell_ms", 0.0, low, high, 1, 2).surely is surely


def volts_and_dwell(*runs, temperatures=()):
    """Each run as dwell in µs, with delay and measured mV at 1000, 2000 rpm ..."""
    made_of = []
    for k, (width, *points) in enumerate(runs):
        given = [point(1000.0 * (i + 1), delay=mean(d, 0.4, 4), supply_mv=mv)
                 for i, (d, mv) in enumerate(points)]  # fmt: skip
        warm = {"temperature_c": temperatures[k]} if temperatures else {}
        made_of.append((f"run {k}", made(*given, width_us=width, **warm)))
    return conditions.compare(made_of)


def test_two_conditions_of_two_runs_cannot_be_told():
    """The supply moved within the runs too, but what a run has of its own is not to be told from
    its dwell and its supply. Of three runs all is told: 3 a ms, -2 a volt."""

    def run(width, *volts):
        return width, *((40 + 0.003 * width - 2 * v, 1000 * v) for v in volts)

    two = volts_and_dwell(run(2000.0, 12, 13), run(4000.0, 13, 15))
    assert not two.effects and "dwell and supply changed together" in two.why[-1]
    three = volts_and_dwell(run(2000.0, 12, 13), run(4000.0, 13, 15), run(2000.0, 14, 14))
    assert [(e.factor, e.least, e.most) for e in three.effects] == [
        ("dwell_ms", 2.0, 4.0), ("supply_v", 12.0, 15.0),
    ]  # fmt: skip
    assert [e.per_unit for e in three.effects] == pytest.approx([3.0, -2.0])
    assert three.fits == pytest.approx(0.0, abs=1e-9)
    # The same in JSON, each under its own name.
    plain = json.loads(json.dumps(three.to_dict()))
    for shown, e, told in zip(
        plain["effects"], three.effects, (("dwell_ms", 2, 4), ("supply_v", 12, 15)), strict=True
    ):
        assert (shown["factor"], shown["varied_from"], shown["varied_to"]) == told
        assert shown["us_per_unit"] == e.per_unit and shown["surely"] is True
        assert shown["interval_95"] == [e.low, e.high] and e.low < e.per_unit < e.high
    assert plain["chi2_per_freedom"] == three.fits
    assert plain["not_told"] == ["temperature: neither measured nor typed (--temperature)"]
    assert [(r["run"], r["rpm"], r["supply_v"], r["supply"]) for r in plain["rows"]][:3] == [
        ("run 0", 1000.0, 12.0, "measured"), ("run 0", 2000.0, 13.0, "measured"),
        ("run 1", 1000.0, 13.0, "measured"),
    ]  # fmt: skip
    row = plain["rows"][2]  # 40 + 12 - 26; u = 0.4 / sqrt(4), with the stamps' 0.014
    assert (row["delay_us"], row["dwell_ms"], row["temperature_c"]) == (26.0, 4.0, None)
    assert row["u_us"] == pytest.approx(np.hypot(0.2, 0.014))
    assert row["expanded_us"] == pytest.approx(2 * np.hypot(0.2, 2.0))


def test_a_condition_that_only_changed_with_the_speed():
    found = volts_and_dwell((2000.0, (40.0, 12_000), (50.0, 13_000)),
                            (2000.0, (41.0, 12_000), (51.0, 13_000)))  # fmt: skip
    assert not found.effects and found.why[-1].endswith("drive it at another value as well")


@pytest.mark.parametrize(("warm", "told"), [(21.9, False), (22.0, True)])
def test_two_degrees_are_another_temperature(warm, told):
    found = volts_and_dwell((2000.0, (40.0, 12_000)), (2000.0, (41.0, 12_000)),
                            temperatures=(20.0, warm))  # fmt: skip
    assert [e.factor for e in found.effects] == (["temperature_c"] if told else [])


def test_a_slower_speed_of_one_run_alone_tells_nothing():
    """6 µs in 2 ms at 2000 rpm, where both runs were; 1000 rpm was driven once."""
    one = [("a", made(point(2000.0, delay=mean(40.0, 0.4, 4)), width_us=2000.0))]
    other = made(
        point(1000.0, delay=mean(90.0, 0.4, 4)), point(2000.0, delay=mean(46.0, 0.4, 4)),
        width_us=4000.0,
    )  # fmt: skip
    found = conditions.compare([*one, ("b", other)])
    assert found.effects[0].per_unit == pytest.approx(3.0) and found.fits is None
    assert [row.rpm for row in found.rows] == [2000.0, 1000.0, 2000.0]


@pytest.mark.parametrize("bend", [0.7, 1.0, 1.3])
def test_what_is_left_counts_as_soon_as_it_is_more_than_stated(bend):
    """Bent by so many µs in the middle of three, 2/3 bend² is left with one degree of freedom."""
    found = volts_and_dwell(*((1000.0 * k, (40.0 + k + (bend if k == 2 else 0.0), 12_000))
                              for k in (1, 2, 3)))  # fmt: skip
    v = 0.2**2 + STAMP_US**2 + 0.5**2 + 0.3**2
    fits = 2 / 3 * bend**2 / v
    assert found.fits == pytest.approx(fits) and (bend < 0.8) == (fits < 1) and fits < 4
    k = 12.7062 * np.sqrt(fits) if fits > 1 else 1.959964  # t(0.975, 1)
    (one,) = found.effects
    assert one.high - one.per_unit == pytest.approx(k * np.sqrt(v / 2), rel=1e-5)


def test_what_is_left_is_told_for_each_degree_of_freedom():
    """10, 12 and 14 µs more at three speeds in 2 ms: 6 a ms, each of four delays 1 off what the
    runs and the speeds say; six less four are free."""
    found = volts_and_dwell(
        (2000.0, *((40.0 + 9 * k, 12_000) for k in range(3))),
        (4000.0, *((50.0 + 11 * k, 12_000) for k in range(3))),
    )
    assert found.fits == pytest.approx(4 * 1.0**2 / (0.2**2 + STAMP_US**2) / 2)
    assert found.effects[0].per_unit == pytest.approx(6.0)


def test_a_spell_of_ten_rpm_and_more_is_told_from_where_to_where():
    for end, words in ((3009.0, "at 3000 rpm"), (3010.0, "at 3000 to 3010 rpm")):
        run = made(point())
        run.sweep = replace(run.sweep, spell=(20, 3000.0, end))
        (text,) = [f.text for f in findings.findings(run, []) if f.code == "spell"]
        assert words in text
