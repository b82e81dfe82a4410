"""Bench numbers by hand: runs of typed-in figures; each interval is worked here or by scipy.

No module is simulated: a result is put together from its parts, so that a limit lies exactly where
it is wanted, on either side.
"""

from dataclasses import replace
from math import ceil, exp, hypot, inf, log, nan, sqrt

import numpy as np
import pytest
from scipy import stats

from bench_parts import made, mean, point, shots, stretch
from sparkwitness.bench import evaluate, findings, sweep, verdict
from sparkwitness.bench.answers import Coupling
from sparkwitness.bench.plan import Plan, Segment
from sparkwitness.bench.result import Band, Heat, Mean, Result, Sweep, difference
from sparkwitness.bench.steps import Change, Threshold
from sparkwitness.decode.edges import Loss
from sparkwitness.errors import UserError
from sparkwitness.timing.stats import correlation_time
from streams import HELLO


def check(result: Result, quantity: str, where: str | None = None) -> verdict.Check:
    found = verdict.against_limits(result)
    return next(c for c in found.checks if c.quantity == quantity and where in (None, c.where))


def beside(a: Result, b: Result, quantity: str, where: str | None = None) -> verdict.Check:
    found = verdict.against_run(a, b, "good")
    return next(c for c in found.checks if c.quantity == quantity and where in (None, c.where))


# Limits: each quantity's value and interval, and the word on both sides of each end


@pytest.mark.parametrize(
    ("limit", "word"),
    [
        # 12.6 V ± 3 %: 12.222 to 12.978 V.
        ({"least": 12.2}, "within"), ({"least": 12.25}, "cannot tell"),
        ({"least": 12.95}, "cannot tell"), ({"least": 13.0}, "outside"),
        ({"most": 13.0}, "within"), ({"most": 12.95}, "cannot tell"),
        ({"most": 12.25}, "cannot tell"), ({"most": 12.2}, "outside"),
        ({"least": 3.0, "most": 30.0}, "within"), ({"least": 30.0}, "outside"),
        ({"most": 3.0}, "outside"),
    ],
)  # fmt: skip
def test_supply(limit, word):
    found = check(made(point(supply_mv=12_600), limits={"supply_v": limit}), "supply_v")
    assert (found.value, found.low, found.high) == pytest.approx((12.6, 12.222, 12.978))
    assert found.verdict == word and found.where == "3000 rpm"
    assert (found.least, found.most) == (limit.get("least", -inf), limit.get("most", inf))


def test_supply_that_is_not_measured():
    found = check(made(point(), limits={"supply_v": {"least": 12}}), "supply_v")
    assert (found.value, found.verdict) == (None, "cannot tell")
    assert found.note == "this board does not measure the supply"


def test_delay_and_spread_with_the_clamps_part_and_two_checks_together():
    """Two checks: each at 1 - 0.05 / 2. Delay: u = 2 / sqrt(100) and 1.5 µs of the clamp's."""
    limits = {"delay_us": {"most": 60}, "spread_us": {"most": 5}}
    run = made(point(), limits=limits, u_clamp_delay_us=1.5)
    found = verdict.against_limits(run)
    assert found.each_at == pytest.approx(0.975) and found.overall == "within"
    u = hypot(0.2, 1.5)
    half = u * stats.t.ppf(0.9875, u**4 / (0.2**4 / 99))
    delay, spread = found.checks
    assert (delay.value, delay.low, delay.high) == pytest.approx((40, 40 - half, 40 + half))
    by = exp(stats.norm.ppf(0.9875) / sqrt(2 * 99))
    assert (spread.value, spread.low, spread.high) == pytest.approx((2, 2 / by, 2 * by))
    plain = found.to_dict()
    assert plain["confidence_each"] == pytest.approx(0.975)
    assert plain["checks"][0]["least"] is None and plain["checks"][0]["most"] == 60.0


def test_few_values_have_the_wider_t():
    """6 values, s = 2, nothing of the clamp's: t(0.975, 5) = 2.571 (JCGM 100:2008, table G.2)."""
    few = point(triggers=400, delay=mean(40.0, 2.0, 6))
    found = check(made(few, limits={"delay_us": {"most": 60}}, u_clamp_delay_us=0.0), "delay_us")
    assert found.high - 40 == pytest.approx(2.571 * 2 / sqrt(6), rel=1e-3)


@pytest.mark.parametrize(
    ("end", "beyond", "word"),
    [
        ("most", 0.01, "within"), ("most", -0.01, "cannot tell"),
        ("least", 0.01, "outside"), ("least", -0.01, "cannot tell"),
    ],
)  # fmt: skip
def test_the_word_turns_at_the_ends_of_the_interval(end, beyond, word):
    half = check(made(point(), limits={"delay_us": {"most": 60}}), "delay_us").high - 40
    limit = {"delay_us": {end: 40 + half + beyond}}
    assert check(made(point(), limits=limit), "delay_us").verdict == word


@pytest.mark.parametrize(
    ("together", "missed"), [(1.0, 6), (3.0, 1), (3.0, 6), (3.0, 319), (3.0, 320)]
)
def test_share_of_drop_outs(together, missed):
    """Clopper & Pearson by scipy; in threes they are worth a third; four fifths are no spells."""
    run = made(point(missed=missed, clumping=together), limits={"drop_out_percent": {"most": 5}})
    by = together if missed < 320 else 1.0
    k, n = missed / by, 400 / by
    found = check(run, "drop_out_percent")
    ends = stats.beta.ppf(0.025, k, n - k + 1), stats.beta.ppf(0.975, k + 1, n - k)
    assert found.value == pytest.approx(missed / 4)
    assert (found.low / 100, found.high / 100) == pytest.approx(ends, rel=1e-6)


def test_share_of_double_events_is_of_the_answered():
    run = made(point(missed=20, doubles=19), limits={"double_percent": {"most": 1}})
    found = check(run, "double_percent")
    low, high = stats.binomtest(19, 380).proportion_ci(method="exact")
    assert (found.value, found.low, found.high) == pytest.approx((5.0, 100 * low, 100 * high))
    assert found.verdict == "outside"


def test_sparks_per_event():
    """Varied: t with 399 degrees of freedom. All alike: one in n may differ, 1 - 0.05^(1/n)."""
    varied = made(point(count=mean(2.5, 0.5, 400)), limits={"sparks_per_event": {"least": 2.4}})
    found = check(varied, "sparks_per_event")
    half = stats.t.ppf(0.975, 399) * 0.025
    assert (found.value, found.low, found.high) == pytest.approx((2.5, 2.5 - half, 2.5 + half))
    alike = made(point(count=mean(3.0, 0.0, 400)), limits={"sparks_per_event": {"least": 2.4}})
    found = check(alike, "sparks_per_event")
    assert found.high - 3 == pytest.approx(3 - found.low) == pytest.approx(1 - 0.05 ** (1 / 400))


def test_too_few_answers_and_no_trigger_are_no_verdict():
    limits = {q: {"most": 50} for q in ("delay_us", "spread_us", "double_percent", "supply_v")}
    few = verdict.against_limits(made(point(triggers=400, missed=391), limits=limits))
    notes = [c.note for c in few.checks]
    assert notes[:3] == ["only 9 of 400 triggers were answered"] * 3
    ten = verdict.against_limits(made(point(triggers=400, missed=390), limits=limits))
    assert [c.value is None for c in ten.checks] == [False, False, False, True]
    none = made(point(triggers=0), limits={"drop_out_percent": {"most": 1}})
    assert check(none, "drop_out_percent").note == "no trigger was counted at this speed"


def test_all_events_together_without_those_of_a_dead_band():
    """Points 400 + 600, ramp 1000 triggers; 3 + 5 + 22 missed, of which 20 lie in a band."""
    ramp = point(kind="ramp", triggers=1000, missed=22, in_band=20, clumping=2.0)
    run = made(
        point(missed=3), point(1000.0, 600, 5), ramps=[ramp],
        limits={"drop_out_percent": {"most": 2}},
        sweep_of=Sweep(most_rpm=6000.0, bands=(Band(4000, 4100, 50, 20, 4, 4),)),
    )  # fmt: skip
    found = check(run, "drop_out_percent", "all events")
    each = verdict.against_limits(run).each_at
    # Two speeds, all events, the ramp and the band; the last two are listed only if they sound.
    assert each == pytest.approx(1 - 0.05 / 5)
    k, n = 10 / 2, 1980 / 2
    assert found.value == pytest.approx(100 * 10 / 1980)
    assert found.low / 100 == pytest.approx(stats.beta.ppf((1 - each) / 2, k, n - k + 1))
    assert found.high / 100 == pytest.approx(stats.beta.ppf((1 + each) / 2, k + 1, n - k))
    band = check(run, "drop_out_percent", "4000 to 4100 rpm")
    assert band.value == pytest.approx(40.0) and band.verdict == "outside"
    doubles = made(
        point(missed=3, doubles=4), point(1000.0, 600, 5, doubles=6), ramps=[ramp],
        limits={"double_percent": {"most": 2}},
    )  # fmt: skip
    assert check(doubles, "double_percent", "all events").value == pytest.approx(
        100 * 10 / (397 + 595 + 978)
    )


def test_window_and_rev_limit_against_limits():
    limits = {"burst_window_deg": {"least": 17}, "rev_limit_rpm": {"least": 5000}}
    limit = Threshold(6200.0, 6190.0, 6215.0, 1.0, 0.0, 900)
    seen = Sweep(most_rpm=6500.0, window_deg=(18.0, 21.0), rev_limit=limit)
    window, end = verdict.against_limits(made(point(), limits=limits, sweep_of=seen)).checks
    assert (window.value, window.low, window.high) == (19.5, 18.0, 21.0)
    assert (end.value, end.low, end.high) == (6200.0, 6190.0, 6215.0)
    assert window.verdict == end.verdict == "within" and window.where == "sweep"
    none = verdict.against_limits(made(point(), limits=limits)).checks
    assert none[0].value is None and "no bursts of two or more" in none[0].note
    assert (none[1].value, none[1].low, none[1].high) == (6000.0, 6000.0, inf)
    assert none[1].note == "none up to 6000 rpm, the greatest speed driven"
    # Driven just as far as the limit asks is far enough, and an end of an interval on it within.
    for least, word in ((6000, "within"), (6001, "cannot tell")):
        asked = made(point(), limits={"rev_limit_rpm": {"least": least}})
        assert verdict.against_limits(asked).checks[0].verdict == word
    for most, word in ((6215, "within"), (6214, "cannot tell"), (6190, "cannot tell"),
                       (6189, "outside")):  # fmt: skip
        asked = made(point(), limits={"rev_limit_rpm": {"most": most}}, sweep_of=seen)
        assert verdict.against_limits(asked).checks[0].verdict == word


# How much longer would tell: the interval shrinks with the root of the time, a fifth to spare


def test_how_much_longer():
    def note(limits, measured=20.0, repeats=1, **seen):
        swept = Sweep(most_rpm=6000.0, **seen)
        run = made(point(), limits=limits, sweep_of=swept, repeats=repeats)
        run.measured_s = measured
        return verdict.against_limits(run).checks[0].note

    half = check(made(point(), limits={"delay_us": {"most": 60}}), "delay_us").high - 40
    for limit, room in (
        ({"most": 43}, 3.0),
        ({"least": 42}, 2.0),
        ({"least": 38, "most": 60}, 2.0),
    ):
        by = 1.2 * (half / room) ** 2
        assert f"about --repeats {ceil(by)} would tell" in note({"delay_us": limit})
        assert f"about --repeats {ceil(3 * by)} would" in note({"delay_us": limit}, repeats=3)
    assert "over the limit: " in note({"delay_us": {"most": 43}})
    assert "over the margin or limit: " in note({"delay_us": {"least": 38, "most": 60}})
    # 18 to 20 degrees at least 18.5: room 0.5, half 1, 4.8 times as long.
    window = {"burst_window_deg": {"least": 18.5}}
    assert "about 96 s in all (now 20 s)" in note(window, window_deg=(18.0, 20.0))
    assert "about 4 min in all (now 50 s)" in note(window, 50.0, window_deg=(18.0, 20.0))
    assert "no usual length of run" in note({"burst_window_deg": {"least": 18.99}},
                                            window_deg=(18.0, 20.0))  # fmt: skip
    # A limit above all that was driven: no longer run tells, but faster ones; the note has them.
    none = note({"rev_limit_rpm": {"least": 7000}})
    assert none == "none up to 6000 rpm, the greatest speed driven"


def test_how_many_triggers_without_a_drop_out_would_tell():
    """None in n is below a share where (1 - share)^n < 0.025: n = ln 0.025 / ln(1 - share)."""
    found = check(made(point(), limits={"drop_out_percent": {"most": 0.1}}), "drop_out_percent")
    enough = ceil(log(0.025) / log(1 - 0.001))
    assert (found.value, found.low) == (0.0, 0.0)
    assert found.high / 100 == pytest.approx(1 - 0.025 ** (1 / 400))
    assert found.note.startswith(f"{enough} triggers without one would tell: about --repeats 10")


# Two runs


def test_difference_of_delays_has_the_sign_of_this_run_and_twice_the_clip():
    """u² = 0.2² + 0.2² + 2 · 0.5²: the clamp was clipped on twice; its own delay falls out."""
    for this, other, value in ((70.0, 40.0, 30.0), (40.0, 70.0, -30.0)):
        found = beside(made(point(delay=this)), made(point(delay=other)), "delay_us")
        u = sqrt(0.04 + 0.04 + 0.5)
        each = 1 - 0.05 / 7  # delay, spread, sparks; drop-outs and doubles, here and of all
        half = u * stats.t.ppf((1 + each) / 2, u**4 / (2 * 0.2**4 / 99))
        assert found.value == pytest.approx(value)
        assert (found.low, found.high) == pytest.approx((value - half, value + half))
        assert (found.least, found.most, found.verdict) == (-5.0, 5.0, "differs")


@pytest.mark.parametrize(
    ("other", "this", "word"),
    [
        # Driven once: what heat may move, 10 µs or three tenths of the delay, is no difference.
        (20.0, 33.0, "cannot tell"), (20.0, 37.6, "differs"), (20.0, 2.4, "differs"),
        (20.0, 7.0, "cannot tell"), (100.0, 135.0, "cannot tell"), (100.0, 138.0, "differs"),
        (20.0, 21.0, "same"), (20.0, 24.0, "cannot tell"),
    ],
)  # fmt: skip
def test_heat_may_move_a_delay_that_was_driven_once(other, this, word):
    found = beside(made(point(delay=this)), made(point(delay=other)), "delay_us")
    assert found.verdict == word
    if abs(this - other) > 10 and word == "cannot tell":
        assert "--repeats 3" in found.note


def test_difference_of_spreads_of_counts_and_of_shares():
    a = made(point(delay=mean(40.0, 4.0), missed=4, count=mean(2.5, 0.5, 396)))
    b = made(point(delay=mean(40.0, 1.0, 400), missed=40, count=mean(2.0, 0.4, 360)))
    each = verdict.against_run(a, b, "good").each_at
    z = stats.norm.ppf((1 + each) / 2)
    spread = beside(a, b, "spread_us")
    half = z * hypot(4 / sqrt(198), 1 / sqrt(798))
    assert (spread.value, spread.low, spread.high) == pytest.approx((3.0, 3 - half, 3 + half))
    count = beside(a, b, "sparks_per_event")
    half = hypot(
        stats.t.ppf((1 + each) / 2, 395) * 0.5 / sqrt(396),
        stats.t.ppf((1 + each) / 2, 359) * 0.4 / sqrt(360),
    )
    assert (count.value, count.low, count.high) == pytest.approx((0.5, 0.5 - half, 0.5 + half))
    assert count.verdict == "differs"
    shares = beside(a, b, "drop_out_percent", "all events")
    (la, ha), (lb, hb) = (stats.binomtest(k, 400).proportion_ci(each, "wilson") for k in (4, 40))
    assert shares.value == pytest.approx(-9.0)
    assert shares.low / 100 == pytest.approx(-0.09 - hypot(0.01 - la, hb - 0.1))
    assert shares.high / 100 == pytest.approx(-0.09 + hypot(ha - 0.01, 0.1 - lb))
    assert shares.verdict == "differs" and beside(b, a, "drop_out_percent").value > 0


def test_what_scatters_from_speed_to_speed_widens_each_difference():
    """Differences 1, 3 and 5 µs: variance 4, less 2 · 0.2² of the means themselves; 2 freedoms."""
    speeds = (1000.0, 2000.0, 3000.0)
    a = made(*(point(r, delay=d) for r, d in zip(speeds, (41.0, 43.0, 45.0), strict=True)))
    b = made(*(point(r, delay=40.0) for r in speeds))
    found = beside(a, b, "delay_us", "2000 rpm")
    each = verdict.against_run(a, b, "good").each_at
    between = sqrt(4 - 0.08)
    u = sqrt(0.08 + 0.5 + between**2)
    half = u * stats.t.ppf((1 + each) / 2, u**4 / (2 * 0.2**4 / 99 + between**4 / 2))
    assert (found.value, found.high) == pytest.approx((3.0, 3 + half))


def test_heat_within_the_runs_widens_the_difference():
    warm = Heat(change=6.0, u_change=0.5, left=2.0, between=0.1, freedom=20)
    still = Heat(change=0.2, u_change=0.5, left=2.0, between=0.1, freedom=20)
    a = made(point(delay=44.0), sweep_of=Sweep(most_rpm=6000.0, heat=warm))
    b = made(point(delay=40.0), sweep_of=Sweep(most_rpm=6000.0, heat=still))
    c = made(point(delay=40.0), sweep_of=Sweep(most_rpm=6000.0, heat=replace(still)))
    found, alone = beside(a, b, "delay_us"), beside(c, b, "delay_us")
    assert warm.allowance == 8.0 and still.allowance == 0.0
    assert found.high - 4 == pytest.approx(alone.high + 8)
    assert 4 - found.low == pytest.approx(8 - alone.low)
    assert "soak both warm first" in found.note
    notes = verdict.against_run(a, b, "good").notes
    assert any("in this run the delay moved by +6.0 µs" in n and "up to 8.0 µs" in n for n in notes)


def test_heat_is_told_only_where_it_is_sure():
    """t(0.995, 20) = 2.845 (table of Student's t); what is left counts up to thirty times."""

    def heat(change, left=0.0):
        return Heat(change, 1.0, left, 0.1, 20)

    assert heat(2.90).moved and heat(-2.90).moved and not heat(2.80).moved
    assert Heat(5.8, 2.0, 0, 0, 20).moved and not Heat(5.6, 2.0, 0, 0, 20).moved
    assert heat(-4.0, 1.0).allowance == 5.0 and heat(4.0, inf).allowance == 124.0
    assert heat(2.0, 9.0).allowance == 0.0 and not Heat(5.0, 0.0, 0.0, 0.0, 20).moved
    assert Heat(60.0, 1.0, 0, 0, 0.2).moved is False  # t(0.995, 1) = 63.66


def limited(value=None, low=0.0, high=0.0, most=7000.0) -> Result:
    limit = None if value is None else Threshold(value, low, high, 1.0, 0.0, 500)
    return made(point(), sweep_of=Sweep(most_rpm=most, rev_limit=limit))


def test_difference_of_rev_limits():
    found = beside(limited(5000, 4990, 5010), limited(5200, 5190, 5215), "rev_limit_rpm")
    assert (found.value, found.low, found.high) == (-200.0, -225.0, -180.0)
    assert found.verdict == "differs" and found.where == "sweep" and found.note == ""
    found = beside(limited(5000, 4990, 5010), limited(), "rev_limit_rpm")
    assert (found.value, found.low, found.high) == (-2000.0, -inf, -1990.0)
    assert found.note == "the other run shows none up to 7000 rpm"
    found = beside(limited(), limited(5000, 4990, 5010), "rev_limit_rpm")
    assert (found.value, found.low, found.high) == (2000.0, 1990.0, inf)
    assert found.note == "this run shows none up to 7000 rpm"
    with pytest.raises(StopIteration):
        beside(limited(), limited(), "rev_limit_rpm")


@pytest.mark.parametrize(
    ("plans", "supplies", "said"),
    [
        (({"width_us": 3000}, {"width_us": 3055}), (None, None), ""),
        (({"width_us": 3000}, {"width_us": 3065}), (None, None), "was 3065 µs long"),
        (({"width_us": 3065}, {"width_us": 3000}), (None, None), "was 3000 µs long"),
        (({"active": "low"}, {}), (None, None), "an inductive module by the falling edge"),
        (({}, {}), (12_600, 13_050), ""),
        (({}, {}), (12_600, 13_100), ""),
        (({}, {}), (12_600, 13_150), "between 12.6 and 13.2 V"),
        (({}, {}), (13_150, 12_600), "between 12.6 and 13.2 V"),
        (({}, {}), (None, 9_000), ""),
    ],
)
def test_what_was_driven_otherwise_is_no_difference_of_the_module(plans, supplies, said):
    a, b = (
        made(point(delay=d, supply_mv=v), **p)
        for p, v, d in zip(plans, supplies, (90.0, 40.0), strict=True)
    )
    found = beside(a, b, "delay_us")
    assert found.verdict == ("cannot tell" if said else "differs")
    assert said in found.note


def test_answers_that_may_not_be_the_modules_are_not_judged():
    good, bad = made(point()), made(point())
    bad.rigid = 0.06
    for a, b in ((good, bad), (bad, good)):
        found = verdict.against_run(a, b, "good")
        assert {c.verdict for c in found.checks if c.quantity == "delay_us"} == {"cannot tell"}
    bad.rigid = 0.05
    assert not bad.unsure
    bad.rigid = 0.04
    assert beside(bad, good, "delay_us").verdict == "same"
    for lost, unsure in ((0.09, False), (0.1, False), (0.11, True)):
        hidden = made(point())
        hidden.couplings = [Coupling("firing", 0.5, 0.02, 90, 0.2, lost)]
        assert bool(hidden.unsure) is unsure
        # One session of two is enough.
        hidden.couplings.insert(0, Coupling("firing", 0.5, 0.02, 90, 0.2, 0.0))
        assert bool(hidden.unsure) is unsure


def test_the_partner_is_of_the_same_speed_and_kind():
    a = made(point(3000.0, delay=90.0))
    near, far = made(point(3029.0, delay=40.0)), made(point(3031.0, delay=40.0))
    assert beside(a, near, "delay_us").value == pytest.approx(50.0)
    assert not verdict.against_run(a, far, "good").checks
    soak = made(point(3000.0, delay=40.0, kind="soak"))
    assert not verdict.against_run(a, soak, "good").checks
    twice = made(point(delay=80.0), point(delay=60.0))
    first, second = [
        c.value for c in verdict.against_run(twice, made(point(delay=10.0), point(delay=20.0)), "x")
        .checks if c.quantity == "delay_us"
    ]  # fmt: skip
    assert (first, second) == pytest.approx((70.0, 40.0))


def test_a_dead_band_of_one_run_against_the_same_speeds_of_the_other():
    """This run: 20 of 50 between 4000 and 4100 rpm; the other: 1 of 40, its ramps up only."""
    band = Band(4000, 4100, 50, 20, 4, 4, "rising")
    rpm = np.linspace(4000.0, 4100.0, 40)
    up = stretch(shots([*rpm, 5000.0], [0, *[1] * 40]))
    down = stretch(shots(rpm, [0] * 40), 6000.0, 1000.0)
    a = made(point(), sweep_of=Sweep(most_rpm=6000.0, bands=(band,)))
    b = made(point(), stretches=(up, down))
    found = beside(a, b, "drop_out_percent", "4000 to 4100 rpm, rising")
    assert found.value == pytest.approx(100 * (20 / 50 - 1 / 40)) and found.verdict == "differs"
    back = beside(b, a, "drop_out_percent", "4000 to 4100 rpm, rising")
    assert (back.value, back.low, back.high) == pytest.approx(
        (-found.value, -found.high, -found.low)
    )
    each = verdict.against_run(a, b, "good").each_at
    (la, ha), (lb, hb) = (
        stats.binomtest(k, n).proportion_ci(each, "wilson") for k, n in ((20, 50), (1, 40))
    )
    assert found.low / 100 == pytest.approx(0.375 - hypot(0.4 - la, hb - 1 / 40))
    assert found.high / 100 == pytest.approx(0.375 + hypot(ha - 0.4, 1 / 40 - lb))
    few = made(point(), stretches=(stretch(shots(rpm[:9], [1] * 9)),))
    assert "4000 to 4100 rpm, rising" not in {
        c.where for c in verdict.against_run(a, few, "good").checks
    }


# Means and what a run's plain values say


def test_a_mean_of_three_by_hand():
    """1, 2, 4: mean 7/3, s² = 7/3; with 0.5 that all share, by t of 2 degrees of freedom."""
    found = Mean.of(np.array([1.0, 2.0, 4.0]), 0.5)
    s = sqrt(7 / 3)
    assert (found.value, found.s, found.u, found.n) == pytest.approx((7 / 3, s, s / sqrt(3), 3))
    t = stats.t.ppf(0.97725, 2)
    assert found.expanded == pytest.approx(sqrt(7 / 9 * t**2 + 1.0))
    assert (found.least, found.most, found.freedom) == (1.0, 4.0, 2.0)
    # JCGM 100, E.4.3: u(s) = s / sqrt(2 (n - 1)); the squares' own scatter is smaller here.
    assert found.u_s == pytest.approx(s / 2)
    assert found.half(0.95) == pytest.approx(stats.t.ppf(0.975, 2) * s / sqrt(3))
    wide = sqrt(7 / 9 + 1)
    assert found.half(0.9, 1.0) == pytest.approx(
        stats.t.ppf(0.95, wide**4 / ((7 / 9) ** 2 / 2)) * wide
    )
    plain = found.scaled(3.0).to_dict()
    assert plain == pytest.approx({
        "mean": 7, "expanded": 3 * found.expanded, "u_scatter": sqrt(7), "n": 3,
        "standard_deviation": 3 * s, "standard_deviation_expanded": 3 * s, "least": 3, "most": 12,
    })  # fmt: skip
    assert Mean.of(np.array([1.0])) is None and Mean.of(np.array([3.0, 5.0])).value == 4.0
    still = Mean.of(np.array([5.0, 5.0, 5.0]))
    assert (still.u, still.s, still.half(0.95), still.expanded) == (0.0, 0.0, 0.0, 0.0)


def test_values_all_alike_have_no_scatter():
    one = Mean.of(np.full(20, 5.0))
    assert (one.value, one.s, one.u, one.u_spread, one.u_s) == (5.0, 0.0, 0.0, 0.0, 0.0)
    assert difference(one, replace(one, value=3.0)) == (2.0, (2.0, 2.0))
    many = made(point(missed=390))
    (share,) = many.quantities().values()
    low = stats.binomtest(390, 400).proportion_ci(0.95, "exact").low
    assert share["value"] == 97.5 and share["expanded"] == pytest.approx(97.5 - 100 * low)
    empty = Sweep()
    assert (empty.window_constant, empty.clean_triggers, empty.most_rpm) == (True, 0, 0.0)
    bare = Result(Plan())
    assert (bare.triggers, bare.answered, bare.rigid, bare.measured_s) == (0, 0, 0, 0)


def test_like_neighbours_count_as_fewer():
    """Blocks of 50 alike: a wave worth far fewer than 400 values, and so is the wave's size."""
    values = np.tile(np.repeat([0.0, 1.0], 50), 4)
    alone = Mean.of(np.random.default_rng(4).permutation(values))
    found = Mean.of(values)
    assert found.s == pytest.approx(alone.s) and found.u > 3 * alone.u
    assert found.freedom < 60 < 300 < alone.freedom
    square = np.random.default_rng(5).standard_normal(400) * np.repeat([1.0, 6.0], 200)
    uneven = Mean.of(square)
    assert uneven.u_s > 2 * uneven.s / sqrt(2 * 399)
    # u(s²) = 2 s u(s), of squares as few as their own memory leaves.
    off = (square - square.mean()) ** 2
    own = off.std() * sqrt(correlation_time(off) / 400)
    assert uneven.u_s == pytest.approx(own / (2 * uneven.s))


def test_difference_of_two_means_is_welchs():
    a, b = np.array([1.0, 2.0, 4.0]), np.array([7.0, 9.0])
    value, (low, high) = difference(Mean.of(a), Mean.of(b))
    welch = stats.ttest_ind(a, b, equal_var=False).confidence_interval(0.95)
    assert value == pytest.approx(7 / 3 - 8)
    assert (low, high) == pytest.approx((welch.low, welch.high))
    wider = difference(Mean.of(a), Mean.of(b), [(3.0, inf)], 0.9)
    u = sqrt(7 / 9 + 1 + 9)
    half = u * stats.t.ppf(0.95, u**4 / ((7 / 9) ** 2 / 2 + 1.0))
    assert wider == (value, pytest.approx((value - half, value + half)))


def test_plain_values_of_a_point():
    """3000 rpm: 6 N t, 0.018 degrees a µs."""
    one = point(
        missed=10, doubles=5, strays=2, false_us=4000.0, duration_us=mean(1000.0, 4.0),
        spacing_us=mean(500.0), sparks={2: 40, 1: 350}, supply_mv=12_500, cut=3, off_speed=4,
        visits=2, clumping=1.5,
    )  # fmt: skip
    plain = one.to_dict()
    assert plain["delay_us"]["mean"] == 40.0
    assert plain["delay_deg"]["mean"] == pytest.approx(40 * 0.018)
    assert plain["delay_deg"]["expanded"] == pytest.approx(2 * hypot(0.2, 2) * 0.018)
    assert plain["burst_duration_deg"]["mean"] == pytest.approx(18.0)
    assert plain["burst_duration_us"]["mean"] == 1000.0
    assert plain["spark_spacing_us"]["mean"] == 500.0
    assert list(plain["sparks_per_event"].items()) == [("1", 350), ("2", 40)]
    names = ("triggers", "answered", "drop_outs", "double_events", "stray_events", "triggers_cut",
             "triggers_at_other_speed", "visits", "supply_least_mv")  # fmt: skip
    assert [plain[n] for n in names] == [400, 390, 10, 5, 2, 3, 4, 2, 12_500]
    assert plain["drop_outs_together"] == 1.5 and plain["false_event_after_trigger_us"] == 4000.0
    assert plain["drop_out_share_95"] == pytest.approx(
        tuple(stats.binomtest(10, 400).proportion_ci(method="exact"))
    )
    assert plain["double_share_95"] == pytest.approx(
        tuple(stats.binomtest(5, 390).proportion_ci(method="exact"))
    )
    # Of 100 values: u(s) = s / sqrt(198), JCGM 100, E.4.3.
    assert plain["delay_us"]["standard_deviation"] == 2.0
    assert plain["delay_us"]["standard_deviation_expanded"] == pytest.approx(4 / sqrt(198))
    # What was asked for is the end of a ramp; what was measured is beside it.
    up = replace(one, segment=Segment("ramp", 1000.0, 5000.0, 20.0), rpm=mean(2990.0, 600.0))
    plain = up.to_dict()
    assert (plain["kind"], plain["rpm_set"], plain["rpm"]["mean"]) == ("ramp", 5000.0, 2990.0)
    assert plain["sparks_per_event_mean"]["mean"] == 1.0
    assert plain["delay_deg"]["mean"] == pytest.approx(40 * 0.01794)
    assert replace(one, rpm=None).to_degrees == pytest.approx(0.018)
    assert replace(one, rpm=mean(1500.0)).to_degrees == pytest.approx(0.009)


def test_plain_values_of_a_run():
    """Each under its own name."""
    one = Coupling("firing", 0.5, 0.02, 90, 0.2, 0.05)
    left = findings.Finding("window", "so it is")
    run = replace(
        made(point(missed=10), point(2000.0, missed=4), ramps=[point(kind="ramp")]),
        couplings=[one], late_us=(4.0, 9.0), rigid=0.25, ringing=3, trigger_noise=5,
        missing=["4000 rpm"], findings=[left], loss=Loss(bytes_total=70), measured_s=19.5,
    )  # fmt: skip
    plain = run.to_dict()
    names = ("triggers", "answered", "edges_ringing", "trigger_edges_refused", "seconds",
             "answers_without_scatter", "late_us", "not_measured")  # fmt: skip
    assert [plain[n] for n in names] == [800, 786, 3, 5, 19.5, 0.25, [4.0, 9.0], ["4000 rpm"]]
    assert [p["rpm_set"] for p in plain["points"]] == [3000.0, 2000.0]
    assert [p["kind"] for p in plain["ramps"]] == ["ramp"] and plain["plan"]["width_us"] == 3000.0
    assert plain["coupling"] == [
        {"edge": "firing", "at_us": 0.5, "scatter_us": 0.02, "edges": 90, "share": 0.2,
         "lost": 0.05},
    ]  # fmt: skip
    assert [f["code"] for f in plain["findings"]] == ["window"]
    assert plain["loss"]["bytes_total"] == 70 and plain["sweep"]["most_rpm"] == 6000.0
    assert set(plain["quantities"]) == {"drop-outs at 3000 rpm", "drop-outs at 2000 rpm"}
    # JSON knows no NaN: of too few pulses with such an edge, or without, nothing can be told.
    assert replace(run, couplings=[replace(one, lost=nan)]).to_dict()["coupling"][0]["lost"] is None


def test_what_two_runs_are_compared_by():
    up = Change(2800.0, 2790.0, 2815.0, 0.0, 0.0, 50.0, 1.0, 0.0, 900)
    down = replace(up, value=2700.0, low=2670.0, high=2710.0)
    limit = Threshold(6200.0, 6190.0, 6215.0, 1.0, 0.0, 900)
    swept = Sweep(most_rpm=6500.0, switch_up=up, switch_down=down, rev_limit=limit)
    found = made(point(missed=10), sweep_of=swept).quantities()
    low, high = stats.binomtest(10, 400).proportion_ci(method="exact")
    share = found["drop-outs at 3000 rpm"]
    assert share["value"] == pytest.approx(2.5) and share["unit"] == "%"
    assert share["expanded"] == pytest.approx(100 * max(high - 0.025, 0.025 - low))
    assert found["switch-over going up"] == {"value": 2800.0, "expanded": 15.0, "unit": "rpm"}
    assert found["switch-over going down"] == {"value": 2700.0, "expanded": 30.0, "unit": "rpm"}
    assert found["rev limit"] == {"value": 6200.0, "expanded": 15.0, "unit": "rpm"}


# What shows over all speeds


def test_delay_against_speed_is_the_line_of_a_reference_library():
    speeds, delays = (1000.0, 2000.0, 4000.0, 5000.0), (21.5, 22.8, 26.1, 27.4)
    points = [point(r, delay=d) for r, d in zip(speeds, delays, strict=True)]
    found = sweep._delay(Plan(u_clamp_delay_us=1.5), points)
    (slope, at_0), covariance = np.polyfit(
        np.array(speeds) / 1000, delays, 1, w=[5.0] * 4, cov="unscaled"
    )
    assert found.model == "speed" and found.points == 4
    assert (found.per_x, found.constant_us) == pytest.approx((slope, at_0))
    assert found.u_per_x == pytest.approx(sqrt(covariance[0, 0]))
    assert found.u_constant_us == pytest.approx(hypot(sqrt(covariance[1, 1]), 1.5))
    rest = np.array(delays) - at_0 - slope * np.array(speeds) / 1000
    assert found.fits == pytest.approx((rest**2).sum() / 0.04 / 2)
    assert found.mean_us == pytest.approx(np.mean(delays))
    spread = ((np.array(delays) - np.mean(delays)) ** 2).sum() / 0.04 / 3
    assert found.u_mean_us == pytest.approx(hypot(0.1 * sqrt(spread), 1.5)) and found.depends


def test_a_delay_that_is_an_angle_and_one_of_too_few_speeds():
    """0.4 degrees are 0.4 / (6 N) as a time: 66.7 µs at 1000 rpm."""
    speeds = (1000.0, 2000.0, 4000.0, 6000.0)
    points = [point(r, delay=10 + 0.4e6 / (6 * r)) for r in speeds]
    found = sweep._delay(Plan(), points)
    assert found.model == "angle" and found.depends
    assert (found.per_x, found.constant_us) == pytest.approx((0.4, 10.0))
    two = sweep._delay(Plan(u_clamp_delay_us=0.0), points[:2])
    assert (two.model, two.per_x, two.u_per_x, two.depends) == ("constant", 0, 0, False)
    assert two.constant_us == two.mean_us == pytest.approx((76.667 + 43.333) / 2, abs=1e-2)
    assert sweep._delay(Plan(), [point(delay=None)]) is None


@pytest.mark.parametrize(
    ("slope", "depends"),
    # Three speeds, one degree of freedom: t(0.995, 1) = 63.66; u of the slope is
    # 0.2 / sqrt(sum (x - mean)²) = 0.2 / sqrt(2) a thousand rpm.
    [(63.66 * 0.2 / sqrt(2) * 1.01, True), (63.66 * 0.2 / sqrt(2) * 0.99, False),
     (-63.66 * 0.2 / sqrt(2) * 1.01, True)],
)  # fmt: skip
def test_a_delay_depends_on_speed_where_it_surely_does(slope, depends):
    points = [point(1000.0 * k, delay=100 + slope * k) for k in (1, 2, 3)]
    found = sweep._delay(Plan(), points)
    assert found.per_x == pytest.approx(slope) and found.depends is depends


def test_window_clean_speeds_and_limit_by_hand():
    """4 sparks in 3 ms at 1000 rpm are 18 degrees; a fifth would have come at 24."""
    burst = stretch(shots([1000.0] * 12, [4] * 12, 3000.0), kind="step")
    found = sweep.sweep_of(Plan(), [burst], [])
    assert found.window_deg == pytest.approx((18.0, 24.0)) and found.window_constant
    assert found.always == "many" and found.most_rpm == 1000.0
    assert (found.clean_to, found.clean_triggers, found.first_drop_out) == (1000.0, 12, None)
    both = stretch(shots([1000.0] * 12 + [2000.0] * 12, [4] * 12 + [2] * 12,
                         [3000.0] * 12 + [1000.0] * 12), kind="step")  # fmt: skip
    # 2 sparks in 1 ms at 2000 rpm: 12 to 24 degrees. Both hold from 18 to 24.
    assert sweep.sweep_of(Plan(), [both], []).window_deg == pytest.approx((18.0, 24.0))
    apart = stretch(shots([1000.0] * 12 + [2000.0] * 12, [4] * 12 + [2] * 12,
                          [3000.0] * 12 + [600.0] * 12), kind="step")  # fmt: skip
    assert not sweep.sweep_of(Plan(), [apart], []).window_constant  # 18 on, but below 14.4
    few = stretch(shots([1000.0] * 9, [4] * 9, 3000.0), kind="step")
    assert sweep.sweep_of(Plan(), [few], []).window_deg is None
    missing = stretch(shots(np.arange(1000.0, 3000.0, 100), [1] * 7 + [0] + [1] * 12))
    found = sweep.sweep_of(Plan(), [missing], [])
    assert (found.clean_to, found.clean_triggers, found.first_drop_out) == (1600.0, 7, 1700.0)
    assert found.always == "single" and found.rev_limit is None and found.most_rpm == 2900.0
    ended = stretch(shots(np.arange(1000.0, 3000.0, 50), [1] * 30 + [0] * 10))
    limit = sweep.sweep_of(Plan(), [ended], []).rev_limit
    # A place earlier: 1 of 11 above, -2 (ln 1/11 + 10 ln 10/11) = 6.7, within 7.35; later: 8.8.
    assert (limit.low, limit.value, limit.high) == (2400.0, 2475.0, 2500.0)
    assert (limit.below, limit.above, limit.n) == (1.0, 0.0, 40)


def test_which_way_a_segment_goes():
    plan = Plan.from_dict(
        {"steps": [1000, 3000, 2000], "repeats": 2, "ramps": [[900, 4000, 5], [4000, 900, 5]]}
    )
    # 1000, 3000, 2000; back: 2000, 3000, 1000; then the ramps.
    assert [sweep.going_up(plan, k) for k in range(8)] == [
        True, True, False, True, True, False, True, False,
    ]  # fmt: skip


# What must be said


def said(run: Result, code: str) -> str:
    found = [f.text for f in findings.findings(run, [])]
    codes = [f.code for f in findings.findings(run, [])]
    return found[codes.index(code)] if code in codes else ""


def test_nothing_measured_is_nothing_counted():
    plain = evaluate.evaluate(Plan(), []).to_dict()
    names = ("triggers", "answered", "edges_ringing", "trigger_edges_refused", "seconds",
             "answers_without_scatter")  # fmt: skip
    assert [plain[n] for n in names] == [0, 0, 0, 0, 0.0, 0.0]
    assert plain["late_us"] is None and plain["soak"] is None and plain["loss"]["sessions"] == 1


def counted(driven: int, seen: int, n: int = 1) -> Result:
    parts = [stretch(shots([], []), driven=driven, seen=seen) for _ in range(n)]
    return made(point(), stretches=parts)


def test_triggers_driven_against_seen():
    assert said(counted(5, 0), "no_trigger").startswith("the board drove 5 pulses")
    assert not said(counted(4, 0), "no_trigger")
    # Two at each stretch's ends and one in a hundred are allowed for.
    assert not said(counted(100, 97), "trigger_count") and not said(
        counted(100, 103), "trigger_count"
    )
    assert "drove 100 pulses, its trigger input saw 96" in said(counted(100, 96), "trigger_count")
    assert "saw 104" in said(counted(100, 104), "trigger_count")
    assert not said(counted(100, 97, 2), "trigger_count")
    assert not said(counted(0, 5), "trigger_count")  # a board that says nothing of its pulses


def test_supply_dead_module_and_false_events():
    assert said(made(point(supply_mv=8_940)), "supply_low").startswith("the supply fell to 8.9 V")
    assert said(made(point(supply_mv=8_999)), "supply_low")
    assert not said(made(point(supply_mv=9_000)), "supply_low")
    assert "no spark answered 12 triggers" in said(made(point(triggers=12, missed=12)), "no_spark")
    assert not said(made(point(triggers=11, missed=11)), "no_spark")
    assert "clamp B closed round the coil lead" in said(
        made(point(triggers=12, missed=12), clamp_input="clamp_b"), "no_spark"
    )
    off = made(
        point(), stretches=[stretch(shots([], [])), stretch(shots([], []), outputs_off=True)]
    )
    assert "outputs off by itself" in said(off, "outputs_off")
    assert not said(counted(4, 4), "outputs_off")
    # What the drive's own edges hide is said once.
    bare = made(point())
    bare.rigid = 0.06
    assert said(bare, "no_scatter") and not said(bare, "coupling")
    bare.couplings = [Coupling("firing", 0.5, 0.02, 90, 0.2, 0.2)]
    assert "none of it is judged" in said(bare, "coupling") and not said(bare, "no_scatter")
    # 4 firings in two turns at 3000 rpm: 10 ms apart; the dwell of 3 ms begins after 7 ms.
    for at, dwell in ((6_950.0, False), (7_050.0, True), (7_850.0, True), (7_950.0, False)):
        text = said(made(point(doubles=6, false_us=at), width_us=3000), "double_events")
        assert text.startswith(f"6 events were followed by a false one, typically {at:.0f} µs")
        assert ("as the dwell begins" in text) is dwell


def test_heat_spell_and_bands_are_said_with_their_numbers():
    def of(**more):
        return made(point(), sweep_of=Sweep(most_rpm=6000.0, **more))

    warm = Heat(-6.0, 0.5, 2.9, 0.1, 20)
    assert "moved by -6.0 µs over the run and would go on by some 2.9 µs" in said(
        of(heat=warm), "heat"
    )
    assert "has not settled" in said(of(heat=replace(warm, left=3.1)), "heat")
    assert "no spark for 12 triggers in a row, at 3000 rpm" in said(
        of(spell=(12, 3000, 3009)), "spell"
    )
    assert "at 3000 to 3010 rpm" in said(of(spell=(13, 3000, 3010)), "spell")
    assert "at 3011 to 3000 rpm" in said(of(spell=(13, 3011, 3000)), "spell")
    assert not said(of(spell=(11, 3000, 3000)), "spell")
    band = Band(4000, 4100, 50, 20, 3, 4)
    assert said(of(bands=(band,)), "dead_band") == (
        "sparks are missing between 4000 to 4100 rpm: 20 of 50 triggers, in 3 of 4 passages"
    )
    assert said(of(bands=(replace(band, hits=50),)), "dead_band").startswith("no spark between")
    assert "after 20 of 50 triggers, in 3 of 4" in said(of(double_bands=(band,)), "double_band")


@pytest.mark.parametrize(("away", "near"), [(590.0, True), (610.0, False), (-590.0, True)])
def test_answers_at_the_pulses_other_edge(away: float, near: bool):
    """3 ms of dwell before the firing edge; a fifth of that is near."""
    run = made(point())
    run.sweep.delay = sweep._delay(Plan(), [point(delay=-3000.0 + away)])
    assert ("near the pulse's other edge (-3000 µs)" in said(run, "late")) is near
    assert bool(said(run, "late")) is near


def test_bursts_of_no_one_angle_are_said():
    assert not said(made(point()), "window")
    odd = made(point(), sweep_of=Sweep(most_rpm=6000.0, window_constant=False))
    assert "no one crank angle describes" in said(odd, "window")


def test_late_answers_are_said_with_their_angle():
    """800 µs at 6000 rpm: 6 N t = 28.8 degrees."""
    late = made(point(), sweep_of=Sweep(most_rpm=6000.0))
    late.late_us = (790.0, 810.0)
    text = said(late, "late")
    assert "answers come 790 µs after" in text and "(29° at 6000 rpm)" in text
    late.late_us = (700.0, 900.0)
    assert "answers come 700 to 900 µs after" in said(late, "late")
    late.late_us = (-3100.0, -3000.0)  # 3 ms of dwell before the firing edge
    assert "near the pulse's other edge (-3000 µs)" in said(late, "late")
    coupled = made(point())
    coupled.couplings = [
        Coupling("firing", 0.5, 0.02, 90, 0.2, 0.0),
        Coupling("other", 0.5, 0.02, 60, 0.45, 0.0),
    ]
    assert "150 edges stand" in said(coupled, "coupling")
    assert "up to 45 % of the pulses" in said(coupled, "coupling")


# What a board allows


BOARD = {**HELLO, "bench_rate": 200, "active_us": [3000, 20000], "duty_permille": [600, 750],
         "mean_permille": [500, 500], "minute_ms": [36_200, 51_100]}  # fmt: skip


def allowed(board=None, **plan) -> str:
    try:
        Plan.from_dict({"ramps": [], **plan}).check_board({**BOARD, **(board or {})})
    except UserError as error:
        return error.message
    return ""


def test_limits_of_the_board_from_both_sides():
    """4 firings in two turns at 6000 rpm: 200 a second; 3 ms of 5 ms are 60 %."""
    typed = {"steps": [6000], "width_us": 3000, "seconds": 1}
    assert not allowed(**typed)
    assert "200 pulses a second at 6000 rpm" in allowed({"bench_rate": 199}, **typed)
    assert "for an inductive module, 2999 µs" in allowed({"active_us": [2999, 20000]}, **typed)
    told = allowed({"duty_permille": [590, 750]}, **typed)
    assert "active for 60 % of the time; this board allows 59 %" in told and "2950 µs" in told
    # Capacitive modules have limits of their own.
    other = {**typed, "kind": "capacitive", "width_us": 3000}
    assert not allowed({"active_us": [1, 3000], "duty_permille": [1, 600]}, **other)


def test_the_length_that_a_board_allows_is_one_that_it_allows():
    """59 % of 60 s / (2 · rpm), rounded down: 3540 µs at 5000 rpm."""
    board = {"duty_permille": [590, 750], "active_us": [4990, 1]}
    for rpm in range(4200, 6000, 130):
        told = allowed(board, steps=[rpm], width_us=4240, seconds=1)
        most = int(told.partition("type at most ")[2].partition(" ")[0])
        assert most == int(0.59 * 30e6 / rpm)
        assert not allowed(board, steps=[rpm], width_us=most, seconds=1)


def test_a_board_drives_what_the_fastest_part_of_a_plan_asks_for():
    """6000 rpm are 200 pulses a second; the fastest may be at either end of a ramp."""
    for more in ({"steps": [1000, 6060]}, {"steps": [6060, 1000]},
                 {"steps": [1000], "ramps": [[1000, 6060, 5]]},
                 {"steps": [1000], "ramps": [[6060, 1000, 5]]}):  # fmt: skip
        assert "202 pulses a second at 6060 rpm" in allowed(width_us=1000, seconds=1, **more)
    assert not allowed(width_us=1000, steps=[1000], ramps=[[1000, 6000, 5], [6000, 1000, 5]])


def test_what_a_board_allows_to_the_last_digit():
    """100 pulses a second of 6 ms are 60 %. Of 7 ms 70 %: 0.2 s each second fill 6 s in 30."""
    wide = {"active_us": [9000, 1]}
    assert not allowed(wide, steps=[3000], width_us=6000, seconds=1)
    assert "60 %" in allowed(wide, steps=[3000], width_us=6000.003, seconds=1)
    hot = {**wide, "duty_permille": [700, 1]}
    assert not allowed(hot, steps=[3000], width_us=7000, seconds=29.98)
    assert "would heat" in allowed(hot, steps=[3000], width_us=7000, seconds=30.02)
    # A soak of 60 ms is a part as well: half a second and less are one.
    assert not allowed(hot, steps=[3000], width_us=7000, seconds=29.9, soak_minutes=0.001,
                       soak_rpm=3000)  # fmt: skip
    for soak_s in (0.2, 1.2):
        assert "would heat" in allowed(hot, steps=[3000], width_us=7000, seconds=29.9,
                                       soak_minutes=soak_s / 60, soak_rpm=3000)  # fmt: skip


def test_heat_that_a_board_allows():
    """Room: 36.2 s a minute less 60 · 0.5 s less 0.2 s to spare = 6 s; 60 % of the time fills it
    by 0.1 s each second, in 60 s; 40 % drains it as fast."""
    typed = {"width_us": 3000}
    assert not allowed(**typed, steps=[6000], seconds=59)
    assert "would heat the module" in allowed(**typed, steps=[6000], seconds=61)
    assert "50 % of the time in the long run" in allowed(**typed, steps=[6000], seconds=61)
    assert "would heat" in allowed(**typed, steps=[6000], seconds=31, repeats=2)
    assert not allowed(**typed, steps=[6000, 4000, 6000], seconds=40)
    assert "would heat" in allowed(**typed, steps=[6000, 4900, 6000], seconds=40)
    # A ramp stands for each of its half seconds at one speed, the first and the last at its ends:
    # one from 6000 to 4000 rpm in 1 s fills 0.1 · 0.5 s, 0.05 s, before it drains.
    down = {"ramps": [[6000, 4000, 1]]}
    assert not allowed(**typed, steps=[6000], seconds=59.4, **down)  # 5.94 + 0.05 s
    assert "6000 → 4000 rpm would heat" in allowed(**typed, steps=[6000], seconds=59.6, **down)
    # From 4000 to 6000 rpm it drains first; the second half alone fills, by 0.05 s each second.
    assert not allowed(**typed, steps=[], ramps=[[4000, 6000, 230]])  # 5.75 s
    assert "would heat" in allowed(**typed, steps=[], ramps=[[4000, 6000, 250]])  # 6.25 s
    # A ramp from 5000 to 6000 rpm: 55 % on the average, 0.05 s each second.
    assert not allowed(**typed, steps=[], ramps=[[5000, 6000, 118]])
    assert "would heat" in allowed(**typed, steps=[], ramps=[[5000, 6000, 122]])
