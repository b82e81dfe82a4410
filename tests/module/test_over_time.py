"""What a bench run shows from passage to passage, visit to visit and minute to minute, by hand."""

from dataclasses import replace
from math import hypot, inf, isnan, log, nan, sqrt

import numpy as np
import pytest
from scipy import optimize, stats

from bench_parts import made, mean, point, shots, stretch
from sparkwitness.bench import bands, conditions, evaluate, findings, steps
from sparkwitness.bench.plan import SETTLE_S, Plan
from sparkwitness.bench.result import Band, Heat
from sparkwitness.bench.shots import Collector, Shots
from sparkwitness.decode import wire
from streams import Stream

# From bytes to stretches

TICK_S = 24e-9


def ticks(seconds) -> np.ndarray:
    return np.rint(np.asarray(seconds, float) / TICK_S).astype(np.int64)


def bytes_of(beats, drives, edges) -> bytes:
    """A stream: `beats` (time, fields), `drives` (time, accepted), `edges` input: (times, losses).

    `losses`: how many edges are lost just before the edge of that number.
    """
    made = Stream()
    made.hello()
    sent = dict.fromkeys(edges, 0)
    waiting = sorted(drives)
    for at, fields in beats:
        for which, (times, losses) in edges.items():
            upto = int(np.searchsorted(times, at))
            while sent[which] < upto:
                stop = min([upto, *(k for k in losses if k > sent[which])])
                made.first[which] += losses.get(sent[which], 0)
                made.edges(which, ticks(times[sent[which] : stop]))
                sent[which] = stop
        while waiting and waiting[0][0] <= at:
            number = wire.NUMBER["drive"]
            result = wire.ENUMS["result"]["ok" if waiting.pop(0)[1] else "not_now"]
            made.add("ack", command=number, result=result, command_seq=1, text="")
        made.heartbeat(int(ticks(at)), **fields)
    return made.data


def test_a_stretch_is_what_came_in_its_time_at_its_speed_and_surely():
    """3000 rev/min, a trigger each 10 ms; two drives, the first switched off by the board.

    Trigger 100 comes 0.3 ms late: two speeds are off. Before 150 one is lost: it is not known how
    long 149 had, nor the speed of 150. Spark 120 rings, trigger 130 is noisy.
    """
    triggers, taps, clamps = 0.251 + 0.01 * np.arange(380), wire.INPUTS.index("trigger"), 1
    triggers[100] += 0.3e-3
    sparks = np.delete(triggers, [60, 61]) + 40e-6 + 1e-6 * (np.arange(378) % 2)
    seen = np.sort(np.append(np.delete(triggers, 150), triggers[130] + 10e-6))
    rung = np.sort(np.append(sparks, triggers[120] + 55e-6))
    on = wire.ENUMS["output_bits"]["bench"]
    beats = []
    for k in range(42):
        at = round(0.1 * k, 1)
        beats.append((at, {
            "driven": 65_530 + int((triggers < at).sum()) & 0xFFFF_FFFF,
            "outputs": on if 3 <= k < 23 or k >= 26 else 0,
            "supply_mv": {2: 9_000, 3: 9_500, 10: 12_100, 12: 65_535, 30: 11_900}.get(k, 12_600),
        }))  # fmt: skip
    data = bytes_of(
        beats, [(0.11, False), (0.25, True), (2.45, True)],
        {taps: (seen, {151: 1}), clamps: (rung, {})},
    )  # fmt: skip
    plan = Plan(steps=(3000.0, 3030.0), ramps=(), cylinders=4, width_us=2_000.0)
    assert wire.INPUTS.index(plan.clamp_input) == clamps and plan.dead_time_us > 16
    collector = Collector(plan, [(0, 1.5), (1, 1.5)], 24_000)
    assert (collector.drives, collector.restarted, collector.seconds) == (0, False, 0.0)
    assert collector.driving_since == inf and collector.outputs_cut
    collector.feed(data[: len(data) // 2])
    collector.feed(data[len(data) // 2 :])
    assert (collector.drives, collector.restarted) == (2, False)
    assert collector.seconds == pytest.approx(4.1) and not collector.outputs_cut
    assert collector.driving_since == pytest.approx(2.5 + SETTLE_S / 2, abs=1e-6)
    first, second = collector.finish()
    begin = 0.3 + SETTLE_S / 2
    assert (first.begin, first.end) == pytest.approx((begin, begin + 1.5), abs=1e-6)
    assert (first.index, first.segment.seconds, first.outputs_off) == (0, 1.5, True)
    inside = np.flatnonzero((triggers >= begin) & (triggers < begin + 1.5))
    assert {60, 61, 100, 101, 149, 151} <= set(inside.tolist())
    # 150 did not come: 149 is cut; 100, 101 and 151 are of another or of no known speed.
    assert (first.cut, first.off_speed) == (1, 3)
    assert len(first.shots.time) == len(inside) - 1 - 1 - 3
    assert np.count_nonzero(~first.shots.answered) == 2
    assert first.shots.rpm == pytest.approx(3000.0, abs=0.1)
    assert set(np.round(first.shots.delay_us[first.shots.answered])) == {40, 41}
    until = 2.4  # the last heartbeat before the next drive
    assert first.driven == np.count_nonzero((triggers >= 0.3) & (triggers < until))
    assert first.seen == first.driven - 1 and first.supply_mv == 12_100
    assert (second.index, second.outputs_off, second.supply_mv) == (1, False, 11_900)
    # 3000 is a hundredth below 3030, within which it counts as that.
    assert second.off_speed == 0 and second.segment.rpm_to == 3030.0
    assert (second.begin, second.end) == pytest.approx((2.5 + SETTLE_S / 2, 4.0 + SETTLE_S / 2))
    assert first.share == pytest.approx(1.0)
    assert (collector.ringing, collector.trigger_noise) == (1, 1)
    assert (collector.trigger_edges, collector.spark_edges) == (380, 379)
    again = Collector(replace(plan, steps=(3031.0,)), [(0, 1.0)], 24_000)
    again.feed(data)
    (none,) = again.finish()
    assert none.off_speed == 100 and not len(none.shots.time)


@pytest.mark.parametrize(("middle", "scale"), [(2300.0, 40.0), (2600.0, 90.0)])
def test_a_switch_over_by_maximum_likelihood(middle: float, scale: float):
    """scipy: a logistic curve with its middle and scale free, and both profile intervals.

    Ends are those of the next place that was tried, at most a step further out.
    """
    speed = np.linspace(1000.0, 4000.0, 700)
    even = (np.arange(700) * 0.6180339887) % 1.0  # as even as can be, without chance
    share = 0.02 + 0.95 / (1 + np.exp((speed - middle) / scale))
    yes = even < share
    found = steps.change(speed, yes)
    far = [speed < found.value - 3 * found.width / (2 * log(9)),
           speed > found.value + 3 * found.width / (2 * log(9))]  # fmt: skip
    top, floor = ((yes[m].sum() + 0.5) / (m.sum() + 1) for m in far)

    def likely(m: float, s: float) -> float:
        p = floor + (top - floor) / (1 + np.exp(np.clip((speed - m) / s, -50, 50)))
        return float(np.where(yes, np.log(p), np.log(1 - p)).sum())

    best = optimize.minimize(
        lambda q: -likely(q[0], np.exp(q[1])), [middle, np.log(scale)], method="Nelder-Mead"
    )
    level = -best.fun - stats.chi2.ppf(0.95, 1) / 2

    def over(m: float) -> float:
        free = optimize.minimize_scalar(
            lambda q: -likely(m, np.exp(q)), bounds=(1.0, 6.0), method="bounded"
        )
        return float(-free.fun - level)

    low = optimize.brentq(over, best.x[0] - 200, best.x[0])
    high = optimize.brentq(over, best.x[0], best.x[0] + 200)
    wide = (high - low) / 2
    assert found.value == pytest.approx(best.x[0], abs=0.25 * wide)
    assert low - 0.7 * wide <= found.low <= low + 0.05 * wide
    assert high - 0.05 * wide <= found.high <= high + 0.7 * wide
    assert found.width == pytest.approx(2 * log(9) * np.exp(best.x[1]), rel=0.25)
    assert found.width_low < found.width < found.width_high < 3 * found.width
    at = steps.threshold(speed, yes).value
    shares = yes[speed < at].mean(), yes[speed > at].mean()
    assert found.n == 700 and (found.below, found.above) == pytest.approx(shares)


# Bands: a trigger each 10 rpm; cells of 100 rpm begin every 50

GRID = np.arange(4000.0, 5001.0, 10.0)
DEAD = (4410.0, 4590.0)


def passage(*dead, rpm=GRID, falling=False):
    """A ramp without a spark from the one to the other of each pair."""
    silent = np.zeros(len(rpm), np.bool_)
    for low, high in dead:
        silent |= (rpm >= low) & (rpm <= high)
    low, high, step = (6000.0, 1000.0, -1) if falling else (1000.0, 6000.0, 1)
    return stretch(shots(rpm[::step], ~silent[::step]), low, high)


def found(*passages, happened=bands.missing):
    return bands.bands(passages, happened)


def test_a_band_where_each_passage_is_dead():
    """19 of 19 triggers at each of four; the ends are those of the triggers."""
    (one,) = found(*[passage(DEAD)] * 4)
    assert one == Band(4410.0, 4590.0, 76, 76, 4, 4, "", 1.0)
    (up,) = found(*[passage(DEAD), passage(falling=True)] * 3)
    assert (up.way, up.passages, up.of, up.triggers, up.hits) == ("rising", 3, 3, 57, 57)
    (down,) = found(*[passage(), passage(DEAD, falling=True)] * 3)
    assert (down.way, down.low, down.high, down.hits) == ("falling", *DEAD, 57)


def test_a_band_ends_where_one_passage_goes_on():
    """Three are dead to 4590 rpm, one from 4250 to 4800: alone there, it is no band of its own."""
    (one,) = found(*[passage(DEAD)] * 3, passage((4250.0, 4800.0)))
    assert (one.low, one.high) == (4250.0, 4800.0)
    assert (one.hits, one.triggers, one.passages, one.of) == (3 * 19 + 56, 4 * 56, 4, 4)
    for dead, ends in (((4000.0, 4590.0), (4000.0, 4590.0)), ((4410.0, 5000.0), (4410.0, 5000.0))):
        (one,) = found(*[passage(DEAD)] * 3, passage(dead))
        assert (one.low, one.high) == ends
    (one,) = found(*[passage(DEAD)] * 3, passage((4250.0, 4400.0), DEAD, falling=True))
    assert (one.low, one.high, one.hits) == (4250.0, 4590.0, 4 * 19 + 16)


def test_most_passages_are_hit():
    """Half is not most; one alone tells nothing of coming back."""
    assert not found(*[passage(DEAD), passage()] * 2)
    (one,) = found(*[passage(DEAD), passage()] * 2, passage(DEAD))
    assert (one.passages, one.of, one.hits, one.triggers) == (3, 5, 57, 95)
    assert not found(passage(DEAD))


def test_a_passage_is_hit_by_two_and_a_fifth_of_its_triggers():
    """4450 and 4460: two of the ten in two cells. Together six hits at least."""
    two, one = (4450.0, 4460.0), (4450.0, 4450.0)
    (band,) = found(*[passage(two)] * 3)
    assert (band.low, band.high, band.hits, band.triggers) == (4450.0, 4460.0, 6, 6)
    assert not found(passage(two), passage(two), passage(one))
    assert not found(*[passage(one)] * 8)
    (band,) = found(passage(two), passage(two), passage((4450.0, 4470.0)), passage(one))
    assert (band.hits, band.triggers, band.passages) == (8, 12, 4)
    fine = np.arange(4000.0, 5001.0, 9.0)  # eleven or twelve in a cell: two are less than a fifth
    assert not found(*[passage((4446.0, 4464.0), rpm=fine)] * 3)


@pytest.mark.parametrize(
    ("stray", "ends"),
    [
        (4390.0, (4450.0, 4460.0)), (4400.0, (4400.0, 4460.0)), (4420.0, (4420.0, 4460.0)),
        (4550.0, (4450.0, 4550.0)), (4560.0, (4450.0, 4460.0)),
    ],
)  # fmt: skip
def test_a_lone_miss_within_the_cells_of_a_band_is_of_it(stray: float, ends: tuple):
    """4450 and 4460 are in the cells from 4400 and from 4450 on, which reach to 4550."""
    two = (4450.0, 4460.0)
    (one,) = found(passage(two, (stray, stray)), passage(two), passage(two))
    assert (one.low, one.high, one.hits) == (*ends, 7 if ends != two else 6)


def test_what_chance_would_do():
    """Two passages: 22 cells, 5 of them dead, none hit of the other 2 · 17: 11 / 35² < 0.01.

    Of 19 or 20 cells, 9.5 / 29² or 10 / 31² > 0.01. Three passages are enough there.
    """
    long, short = np.arange(4000.0, 5051.0, 10.0), np.arange(4000.0, 4901.0, 10.0)
    assert len(found(*[passage(DEAD, rpm=long)] * 2)) == 1
    assert not found(*[passage(DEAD, rpm=short)] * 2)
    assert not found(*[passage(DEAD, rpm=np.arange(4000.0, 4951.0, 10.0))] * 2)
    assert len(found(*[passage(DEAD, rpm=short)] * 3)) == 1
    # Spells elsewhere make a spell here likelier: 8 + 7 of 34 other cells.
    assert not found(passage(DEAD, (4000.0, 4300.0)), passage(DEAD, (4700.0, 5000.0)))


def test_a_band_at_the_ends_of_what_was_driven():
    (first, last) = found(*[passage((4000.0, 4100.0), (4900.0, 5000.0))] * 4)
    assert (first.low, first.high, first.hits) == (4000.0, 4100.0, 44)
    assert (last.low, last.high, last.hits) == (4900.0, 5000.0, 44)


def test_double_events_are_of_answered_triggers():
    there = (GRID >= 4410) & (GRID <= 4590)
    doubled = stretch(shots(GRID, 1, false=there.astype(np.int64)))
    (one,) = found(*[doubled] * 4, happened=bands.doubled)
    assert (one.low, one.high, one.hits) == (*DEAD, 76)
    silent = stretch(shots(GRID, 0, false=there.astype(np.int64)))
    assert not found(*[silent] * 4, happened=bands.doubled)
    assert not found(*[stretch(shots([], []))] * 4, happened=bands.doubled)


def test_the_longest_spell_outside_of_the_bands():
    band = Band(*DEAD, 76, 76, 4, 4, "", 1.0)
    one = passage(DEAD, (4100.0, 4140.0), (4900.0, 5000.0))
    assert bands.longest_once([one], [band]) == (11, 4900.0, 5000.0)
    assert bands.longest_once([one], []) == (19, *DEAD)
    other = passage((4100.0, 4200.0), falling=True)
    assert bands.longest_once([one, other], [band]) == (11, 4900.0, 5000.0)
    assert bands.longest_once([other], [band]) == (11, 4200.0, 4100.0)
    assert bands.longest_once([passage(DEAD)], [band]) is None
    assert bands.inside(np.array([4409.0, *DEAD, 4591.0]), [band]).tolist() == [
        False, True, True, False,
    ]  # fmt: skip


# A soak


def soak(minutes: float, per_min: float = 1.5, dropped=(), begin=100.0, since=0.0, every_s=1.0):
    """Delays on 40 + per_min · t, alternating by 0.5 µs; t goes on from `since` minutes."""
    n = round(60 * minutes / every_s)
    at = (np.arange(n) + 0.5) * every_s
    sparks = np.ones(n, np.int64)
    sparks[list(dropped)] = 0
    delay = 40 + per_min * (at / 60 + since) + 0.5 * np.tile([1.0, -1.0], n)[:n]
    made_of = replace(
        shots(np.full(n, 3000.0), sparks), time=begin + at,
        delay_us=np.where(sparks > 0, delay, nan),
    )  # fmt: skip
    return stretch(made_of, 3000.0, 3000.0, "soak", begin=begin, end=begin + 60 * minutes)


def test_what_heat_did_in_a_soak_of_two_parts():
    """1.5 µs a minute over four, a pause between; 12 of the last 60 triggers without a spark.

    A clamp that is 3 µs late, ± 2, falls out of all but the delays and their interval.
    """
    parts = [soak(2.0), soak(2.0, dropped=range(60, 84, 2), begin=1000.0, since=2.0)]
    plan = Plan(clamp_delay_us=3.0, u_clamp_delay_us=2.0)
    told = evaluate._soak(plan, parts)
    assert told.minutes == pytest.approx(4.0)
    assert [b.minutes for b in told.bins] == [0.5, 1.5, 2.5, 3.5]
    assert [b.triggers for b in told.bins] == [60] * 4
    assert [b.drop_outs for b in told.bins] == [0, 0, 0, 12]
    assert [b.delay_us.value for b in told.bins[:3]] == pytest.approx([37.75, 39.25, 40.75])
    one = told.bins[0].delay_us  # two standard deviations by t, and the clamp's 2 µs twice
    assert one.expanded == pytest.approx(hypot(stats.t.ppf(0.97725, int(one.freedom)) * one.u, 4.0))
    # Among the last 60, twelve of those with 0.5 µs more are missing.
    low, high = told.delay_slope_95
    assert told.delay_slope_us_per_min == pytest.approx(1.5, abs=0.05) and low < 1.5 < high
    x = np.array([0.5, 1.5, 2.5, 3.5])
    y, u = (np.array([getattr(b.delay_us, f) for b in told.bins]) for f in ("value", "u"))
    w = 1 / u**2
    middle = (w * x).sum() / w.sum()
    slope = (w * (x - middle) * y).sum() / (w * (x - middle) ** 2).sum()
    assert told.delay_slope_us_per_min == pytest.approx(slope)
    first, last = told.bins[0].delay_us, told.bins[-1].delay_us
    assert told.delay_change_us == pytest.approx(last.value - first.value)
    half = hypot(first.u, last.u) * stats.t.ppf(
        0.975, hypot(first.u, last.u) ** 4 / (first.u**4 / first.freedom + last.u**4 / last.freedom)
    )
    assert told.delay_change_95 == pytest.approx(
        (told.delay_change_us - half, told.delay_change_us + half)
    )
    assert told.drop_out_change == pytest.approx(0.2)
    (_, h0), (l12, h12) = (stats.binomtest(k, 60).proportion_ci(0.95, "wilson") for k in (0, 12))
    assert told.drop_out_change_95 == pytest.approx(
        (0.2 - hypot(0.2 - l12, h0), 0.2 + hypot(h12 - 0.2, 0.0))
    )


@pytest.mark.parametrize(
    ("minutes", "bins"), [(1.0, 4), (4.0, 4), (9.0, 9), (60.0, 60), (75.0, 60)]
)
def test_a_minute_a_bin_four_at_least_and_sixty_at_most(minutes: int, bins: int):
    told = evaluate._soak(Plan(), [soak(minutes, every_s=1.0 if minutes < 20 else 5.0)])
    assert len(told.bins) == bins and sum(b.triggers for b in told.bins) >= 60
    assert told.bins[-1].minutes == pytest.approx(minutes * (1 - 0.5 / bins))


def test_the_first_and_the_last_quarter_of_a_soak():
    """Of 80 s each 20: what comes right at 60 s is of the last, at 20 s not of the first."""
    for at, change in ((0.0, -1 / 21), (20.0, 0.0), (59.0, 0.0), (60.0, 1 / 21)):
        one = soak(80 / 60, begin=0.0)
        time = np.insert(one.shots.time, np.searchsorted(one.shots.time, at), at)
        more = replace(
            shots(np.full(81, 3000.0), np.where(time == at, 0, 1)), time=time,
            delay_us=np.where(time == at, nan, 40.0 + np.arange(81) % 2),
        )  # fmt: skip
        told = evaluate._soak(Plan(), [replace(one, shots=more)])
        assert told.drop_out_change == pytest.approx(change), at
    silent = soak(2.0, begin=0.0)
    early = silent.shots.pick(silent.shots.time < 90.0)
    assert evaluate._soak(Plan(), [replace(silent, shots=early)]).drop_out_change == 0.0


def test_a_soak_without_scatter_has_that_of_the_stamps():
    """40, 41, 40 and 43 µs, a minute each: 0.8 µs a minute, with two degrees of freedom."""
    one = soak(4.0, begin=0.0)
    minute = (one.shots.time // 60).astype(np.int64)
    still = replace(one.shots, delay_us=np.array([40.0, 41.0, 40.0, 43.0])[minute])
    told = evaluate._soak(Plan(), [replace(one, shots=still)])
    assert told.delay_slope_us_per_min == pytest.approx(0.8)
    low, high = told.delay_slope_95
    line = stats.linregress([0.5, 1.5, 2.5, 3.5], [40.0, 41.0, 40.0, 43.0])
    assert (
        high - 0.8
        == pytest.approx(0.8 - low)
        == pytest.approx(line.stderr * stats.t.ppf(0.975, 2), rel=1e-6)
    )


def test_a_soak_of_too_few():
    assert evaluate._soak(Plan(), []) is None
    assert evaluate._soak(Plan(), [soak(39 / 60)]) is None
    forty = evaluate._soak(Plan(), [soak(40 / 60)])
    assert [b.triggers for b in forty.bins] == [10] * 4
    dead = evaluate._soak(Plan(), [soak(2.0, dropped=range(120))])
    assert dead.delay_change_us is None and dead.delay_change_95 == (-inf, inf)
    assert isnan(dead.delay_slope_us_per_min) and dead.drop_out_change == 0.0
    assert all(b.delay_us is None for b in dead.bins)
    nine = evaluate._soak(Plan(), [soak(2.0, dropped=[k for k in range(30) if k > 8])])
    assert nine.bins[0].delay_us is None and nine.bins[1].delay_us is not None
    # No trigger in the first quarter, or in the last, or none at all in the time: no change told.
    whole = soak(2.0, begin=0.0)
    for first, last in ((40, 120), (0, 80)):
        kept = (whole.shots.time >= first) & (whole.shots.time < last)
        part = evaluate._soak(Plan(), [replace(whole, shots=whole.shots.pick(kept))])
        assert part.drop_out_change == 0.0 and part.delay_change_us is None
    assert evaluate._soak(Plan(), [replace(whole, end=whole.begin)]) is None


# Visits


def visits(plan: Plan, delays) -> tuple:
    """Groups and points of a plan's steps, of ten alternating delays a visit."""
    parts = []
    for index, delay in enumerate(delays):
        segment = plan.segments[index]
        ten = shots(np.full(10, segment.rpm_to), [1] * 10)
        ten = replace(ten, delay_us=delay + 0.3 * np.tile([1.0, -1.0], 5))
        parts.append(
            stretch(ten, segment.rpm_from, segment.rpm_to, "step", index, end=segment.seconds)
        )
    groups = evaluate._groups(plan, parts)
    points = [
        evaluate._point(plan, index, segment, mine, [], 1.0) for index, segment, mine in groups
    ]
    return groups, points


def test_the_same_speed_again_tells_what_time_does():
    """Two speeds, three passages up and down: 40 and 50 µs, with 0.5 more each visit."""
    plan = Plan(steps=(1000.0, 2000.0), repeats=3, ramps=(), clamp_delay_us=2.0,
                u_clamp_delay_us=1.5)  # fmt: skip
    delays = [40, 50.5, 51, 41.5, 42, 52.5]
    groups, points = visits(plan, delays)
    # Up and down: the speed at a turning point is driven twice on end, which is one visit.
    assert [[when for when, _ in evaluate._visits(mine)] for _, _, mine in groups] == [
        [0.0, 3.5], [1.5, 5.0],
    ]  # fmt: skip
    assert [p.delay_us.value for p in points] == pytest.approx([41.1667 - 2, 51.3333 - 2], abs=1e-3)
    heat = evaluate._steadied(plan, groups, points)
    # Four visits of two speeds: a line in time. 40, 41.75 at 0 and 3.5; 50.75, 52.5 at 1.5 and 5.
    assert heat.change == pytest.approx(0.5 * 5.0) and heat.left == inf and heat.freedom == 1
    # One degree of freedom proves no trend, so it stays in: each speed is the mean of its visits,
    # by as much nearer to the middle of the time (39.25, 49.25) as a wander may have a memory.
    low, high = (p.delay_us.value for p in points)
    assert 38.875 <= low < 39.25 and 49.25 < high <= 49.625
    for p in points:
        one = p.delay_us
        t = stats.t.ppf(0.97725, int(one.freedom))
        assert one.expanded == pytest.approx(2 * hypot(one.u * t / 2, 1.5))
        # 0.875 µs either way, of two visits: at least 0.875 / sqrt(2) of a standard deviation.
        assert 0.875 / sqrt(2) < one.u * sqrt(one.freedom / (one.freedom - 2)) < 4 * 1.75
    once = Plan(steps=(1000.0, 2000.0), repeats=1, ramps=())
    groups, points = visits(once, [40, 50])
    before = [p.delay_us for p in points]
    assert evaluate._steadied(once, groups, points) is None
    assert [p.delay_us for p in points] == before


def over_visits(a: float, b: float) -> tuple:
    """Two speeds, eight passages: a x + b x² µs beside 40 and 50, x from -1 to 1 in the plan."""
    plan = Plan(steps=(1000.0, 2000.0), repeats=8, ramps=())
    parts = []
    for index, segment in enumerate(plan.segments):
        turned = index - 0.5 + (index % 2) if 0 < index < 15 else index  # of the visit
        x = 2 * turned / 15 - 1
        delay = 30 + segment.rpm_to / 100 + a * x + b * x**2 + 0.004 * np.tile([1.0, -1.0], 5)
        parts.append(stretch(
            replace(shots(np.full(10, segment.rpm_to), [1] * 10), delay_us=delay),
            segment.rpm_from, segment.rpm_to, "step", index, end=segment.seconds,
        ))  # fmt: skip
    groups = evaluate._groups(plan, parts)
    points = [evaluate._point(plan, i, s, mine, [], 1.0) for i, s, mine in groups]
    return plan, groups, points


@pytest.mark.parametrize(
    ("a", "b", "left"),
    # Halves of the change: a - b and a + b. 0.15 and 0.05: a third; turned round; not slower.
    [(0.1, -0.05, None), (2.0, -1.0, None), (-0.1, 0.05, None), (0.05, -0.2, 0.0), (1.0, 0.5, inf),
     (1.0, -0.02, inf)],
)  # fmt: skip
def test_what_is_left_of_a_warming_that_slows_down(a: float, b: float, left: float | None):
    """The second half's share of the first at 99 %, on for ever: r + r² + ... = r / (1 - r).

    Nine visits: of 1000 rev/min 10, 20, 20, 20, 10 values, of 2000 four of 20, each known to a
    stamp's 14 ns; the scatter of one value is that of its speed, and no less than that of all:
    14² · 1400 / 80 and 14² · 1600 / 80, of all 14² · 3000 / 160.
    """
    heat = evaluate._steadied(*over_visits(a, b))
    assert heat.change == pytest.approx(2 * a, abs=1e-6) and heat.freedom == 9 - 4
    at = np.array([0.0, 3.5, 7.5, 11.5, 15.0, 1.5, 5.5, 9.5, 13.5])
    fast, n = np.arange(9) > 4, np.array([10, 20, 20, 20, 10, 20, 20, 20, 20])
    u = 0.014 * np.sqrt(np.where(fast, 1600 / 80, 3000 / 160) / n)
    x = 2 * at / 15 - 1
    design = np.column_stack((~fast, fast, x, x**2)) / u[:, None]
    spread = np.linalg.inv(design.T @ design)[2:, 2:]
    assert heat.u_change == pytest.approx(2 * sqrt(spread[0, 0]))
    ratio = (a + b) / (a - b)
    by = np.array([1 / (a - b) - (a + b) / (a - b) ** 2, 1 / (a - b) + (a + b) / (a - b) ** 2])
    most = ratio + stats.t.ppf(0.99, 5) * sqrt(by @ spread @ by)
    wanted = abs(a + b) * most / (1 - most) if left is None else left
    assert heat.left == pytest.approx(wanted)


# One spark too many


def test_a_second_spark_of_a_module_that_gives_one_is_a_false_event():
    """Of 200 triggers ten have two, or three, sparks: 5 % are false events, 5.5 % are bursts."""
    plan = Plan(steps=(3000.0,), ramps=())

    def of(more: int) -> Shots:
        sparks = np.ones(200, np.int64)
        sparks[:more], sparks[0] = 2, 3
        lasted = np.where(sparks > 1, 600.0, 0.0)
        (one,) = evaluate._single(
            plan, [stretch(shots(np.full(200, 3000.0), sparks, lasted), 3000.0, 3000.0, "step")]
        )
        return one.shots

    cut = of(10)
    assert cut.sparks.tolist() == [1] * 200 and cut.false.sum() == 10
    assert cut.false_us[:2] == pytest.approx([40 + 300, 40 + 600]) and isnan(cut.false_us[10])
    assert cut.duration_us.tolist() == [0.0] * 200
    assert of(11).sparks.sum() == 200 + 12


@pytest.mark.parametrize("up", [True, False])
def test_few_bursts_in_one_direction_are_no_false_events(up: bool):
    """40 of 1000 events have two sparks, below 1300 rev/min, while the speed rises or falls."""
    plan = Plan(steps=(), ramps=((1000.0, 4000.0, 20.0), (4000.0, 1000.0, 20.0)))

    def ramp(index: int, bursts: bool, n: int):
        rpm = np.linspace(1000.0, 4000.0, n)[:: -1 if index else 1]
        sparks = 1 + (bursts & (rpm <= np.sort(rpm)[39])).astype(np.int64)
        ends = (4000.0, 1000.0) if index else (1000.0, 4000.0)
        return stretch(shots(rpm, sparks, np.where(sparks > 1, 600.0, 0.0)), *ends, index=index)

    parts = [ramp(0, up, 400 if up else 600), ramp(1, not up, 600 if up else 400)]
    assert evaluate._single(plan, parts) == parts
    none = [ramp(0, False, 400), ramp(1, False, 600)]
    assert evaluate._single(plan, none) == none


# Findings and conditions at their borders


@pytest.mark.parametrize(("false_us", "dwell"), [(7_999.0, False), (8_001.0, True),
                                                  (8_599.0, True), (8_601.0, False)])  # fmt: skip
def test_false_events_as_the_dwell_begins(false_us: float, dwell: bool):
    """3000 rev/min, 180°: 10 ms; a dwell of 2 ms begins at 8, and three tenths of it are near."""
    plan = Plan(width_us=2_000.0, cylinders=4)
    assert plan.pitch_deg == 180.0
    assert findings._at_dwell(plan, point(3000.0, false_us=false_us)) is dwell


@pytest.mark.parametrize("left", [2.0, 2.2, inf])
def test_heat_that_goes_on(left: float):
    run = made(point())
    run.sweep.heat = Heat(4.2, 0.1, left, 0.0, 5)
    (text,) = [f.text for f in findings.findings(run, []) if f.code == "heat"]
    assert "moved by +4.2 µs" in text
    assert ("would go on by some 2.0 µs" in text) == (left == 2.0)
    assert ("has not settled" in text) == (left > 2.1)


def test_a_run_at_a_lower_speed_is_another_speed():
    """1500 and 1400 rev/min are not alike, whichever is the slower."""
    slow = made(point(1400.0, delay=mean(46.0, 0.4, 4)), width_us=4000.0)
    fast = made(point(1500.0, delay=mean(40.0, 0.4, 4)), width_us=2000.0)
    for runs in ([("a", fast), ("b", slow)], [("a", slow), ("b", fast)]):
        assert conditions.compare(runs).why == ("no speed was driven in two runs",)
    both = made(
        point(1400.0, delay=mean(40.0, 0.4, 4)), point(1500.0, delay=mean(41.0, 0.4, 4)),
        width_us=2000.0,
    )  # fmt: skip
    (one,) = conditions.compare([("a", both), ("b", slow)]).effects
    assert one.per_unit == pytest.approx(3.0)  # 46 less 40 at 1400 rev/min, 2 ms more
