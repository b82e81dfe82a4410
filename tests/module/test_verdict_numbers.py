"""What a verdict lists, leaves out and says beside its checks; each interval by scipy."""

from dataclasses import replace
from math import hypot, inf, sqrt

import numpy as np
import pytest
from scipy import stats

from bench_parts import made, mean, point, shots, stretch
from sparkwitness.bench import verdict
from sparkwitness.bench.plan import QUANTITIES
from sparkwitness.bench.result import Band, Heat, Sweep
from sparkwitness.bench.steps import Threshold

ONCE, SOAK, ONLY = "each speed was driven once", "heat was not tested", "only the speeds listed"


def limits_of(run):
    return {(c.quantity, c.where): c for c in verdict.against_limits(run).checks}


def beside(a, b):
    return {(c.quantity, c.where): c for c in verdict.against_run(a, b, "good").checks}


@pytest.mark.parametrize(
    ("plan", "said"),
    [({}, [ONCE, SOAK, ONLY]), ({"repeats": 2}, [SOAK, ONLY]),
     ({"soak_minutes": 1}, [ONCE, ONLY]), ({"ramps": ((1000.0, 2000.0, 5.0),)}, [ONCE, SOAK]),
     ({"steps": (), "soak_minutes": 1}, [ONLY])],
)  # fmt: skip
def test_what_was_not_driven(plan, said):
    run = made(point(), limits={"supply_v": {"least": 12}})
    run.plan = replace(run.plan, **plan)
    notes = verdict.against_limits(run).notes
    assert [n[: len(s)] for n, s in zip(notes[1:], said, strict=True)] == said
    assert notes[0].startswith("not judged, as no limit was given: ")
    two = verdict.against_run(run, made(point()), "good").notes
    left = [s for s in said if s != SOAK]
    assert [n[: len(s)] for n, s in zip(two[-len(left) :], left, strict=True)] == left
    assert not any(n.startswith(SOAK) for n in two)


def test_what_was_not_asked():
    names = {q: QUANTITIES[q].partition(",")[0] for q in QUANTITIES}
    limit = Threshold(6200.0, 6190.0, 6215.0, 1.0, 0.0, 900)
    one = made(point(), limits={"supply_v": {"least": 12}},
               sweep_of=Sweep(most_rpm=6500.0, rev_limit=limit))  # fmt: skip
    notes = verdict.against_limits(one).notes
    listed = notes[0].removeprefix("not judged, as no limit was given: ").split("; ")
    assert listed == [n for q, n in names.items() if q != "supply_v"]
    assert notes[1] == "a rev limit at 6200 rpm was seen; no limit asks about it"
    every = made(point(supply_mv=12_600), limits={q: {"most": 50} for q in QUANTITIES},
                 sweep_of=Sweep(most_rpm=6500.0, rev_limit=limit))  # fmt: skip
    assert not any("judged" in n or "rev limit" in n for n in verdict.against_limits(every).notes)


def test_each_speed_and_what_was_not_held():
    """A soak is named as one; without a step what there is is judged as a speed."""
    soak = point(kind="soak", delay=50.0)
    found = limits_of(made(point(), soak, limits={"delay_us": {"most": 60}}))
    assert {k[1]: c.value for k, c in found.items()} == {"3000 rpm": 40.0, "3000 rpm, soak": 50.0}
    found = limits_of(made(soak, limits={"delay_us": {"most": 60}}))
    assert {k[1]: c.value for k, c in found.items()} == {"3000 rpm": 50.0}
    (none,) = limits_of(made(limits={"delay_us": {"most": 60}})).values()
    assert (none.where, none.value, none.note) == ("any speed", None, "no data")


def test_double_events_of_all_places_stand_each_for_itself():
    """10 of 1970: however the drop-outs come together."""
    run = made(
        point(missed=3, doubles=4, clumping=3.0), point(1000.0, 600, 5, doubles=6, clumping=3.0),
        ramps=[point(kind="ramp", triggers=1000, missed=22)],
        limits={"double_percent": {"most": 2}},
    )  # fmt: skip
    found = limits_of(run)["double_percent", "all events"]
    each = verdict.against_limits(run).each_at
    low, high = stats.binomtest(10, 397 + 595 + 978).proportion_ci(each, "exact")
    assert (found.low, found.high) == pytest.approx((100 * low, 100 * high))
    other = made(point(missed=3, doubles=8, clumping=2.0), point(1000.0, 600, 5, clumping=2.0),
                 ramps=[point(kind="ramp", triggers=1000, missed=22)])  # fmt: skip
    found = beside(run, other)["double_percent", "all events"]
    each = verdict.against_run(run, other, "good").each_at
    (la, ha), (lb, hb) = (stats.binomtest(k, 1970).proportion_ci(each, "wilson") for k in (10, 8))
    assert found.value == pytest.approx(100 * 2 / 1970)
    assert found.low / 100 == pytest.approx(2 / 1970 - hypot(10 / 1970 - la, hb - 8 / 1970))
    assert found.high / 100 == pytest.approx(2 / 1970 + hypot(ha - 10 / 1970, 8 / 1970 - lb))


@pytest.mark.parametrize(("one", "two"), [(1.0, 4.0), (4.0, 1.0)])
def test_drop_outs_of_two_runs_count_as_those_that_come_together_most(one, two):
    """8 and 20 of 400: in fours they are worth 2 and 5 of 100 (Newcombe, Stat. Med. 17, 1998)."""
    a, b = made(point(missed=8, clumping=one)), made(point(missed=20, clumping=two))
    found = beside(a, b)["drop_out_percent", "all events"]
    each = verdict.against_run(a, b, "good").each_at
    (la, ha), (lb, hb) = (stats.binomtest(k, 100).proportion_ci(each, "wilson") for k in (2, 5))
    assert found.low / 100 == pytest.approx(-0.03 - hypot(0.02 - la, hb - 0.05))
    assert found.high / 100 == pytest.approx(-0.03 + hypot(ha - 0.02, 0.05 - lb))


def clipped(each, between=0.0):
    """Half the interval of a difference of two means of 100 values, s = 2, clipped on twice."""
    u = sqrt(0.08 + 0.5 + between**2)
    return u * stats.t.ppf((1 + each) / 2, u**4 / (2 * 0.2**4 / 99 + between**4 / 2))


def test_two_speeds_do_not_tell_how_they_scatter():
    """Differences of 1 and 5 µs: only the means' own scatter and the clip are known."""
    a = made(point(1000.0, delay=41.0), point(2000.0, delay=45.0))
    b = made(point(1000.0, delay=40.0), point(2000.0, delay=40.0))
    half = clipped(verdict.against_run(a, b, "good").each_at)
    for where, value in (("1000 rpm", 1.0), ("2000 rpm", 5.0)):
        found = beside(a, b)["delay_us", where]
        assert (found.value, found.high) == pytest.approx((value, value + half))


@pytest.mark.parametrize(
    ("this", "other", "verdict_of"),
    [(True, True, "differs"), (True, False, "cannot tell"), (False, True, "cannot tell"),
     (False, False, "cannot tell")],
)  # fmt: skip
def test_where_both_were_driven_again_heat_is_no_excuse(this, other, verdict_of):
    """13 µs are more than the margin of 5 and less than heat may do to a speed driven once."""
    still = Heat(change=0.0, u_change=0.5, left=0.0, between=0.1, freedom=20)
    a, b = (
        made(point(delay=d), sweep_of=Sweep(most_rpm=6000.0, heat=still if again else None))
        for d, again in ((33.0, this), (20.0, other))
    )
    found = beside(a, b)["delay_us", "3000 rpm"]
    assert found.verdict == verdict_of
    half = clipped(verdict.against_run(a, b, "good").each_at)
    assert (found.low, found.high) == pytest.approx((13 - half, 13 + half))


def test_rev_limits_alike_are_listed():
    limit = Threshold(5000.0, 4990.0, 5010.0, 1.0, 0.0, 500)
    run = made(point(), sweep_of=Sweep(most_rpm=7000.0, rev_limit=limit))
    found = beside(run, run)["rev_limit_rpm", "sweep"]
    assert (found.value, found.low, found.high, found.verdict) == (0.0, -20.0, 20.0, "same")


def test_how_long_none_at_all_must_be_seen():
    """(1 - share)^n = 0.025: of 1 trigger 97.5 % and more is not seen, 3688 show less than 0.1 %,
    3687.04 of them in full; of 400 a run 9.2 times as long. That there is none shows no number."""
    for n, repeats in ((1, 3688), (400, 10)):
        run = made(point(triggers=n), limits={"drop_out_percent": {"most": 0.1}})
        (found,) = limits_of(run).values()
        assert found.note == f"3688 triggers without one would tell: about --repeats {repeats}"
    never = made(point(), limits={"drop_out_percent": {"most": 0.0}})
    (found,) = limits_of(never).values()
    assert found.verdict == "cannot tell" and "no usual length of run tells more" in found.note


def test_three_speeds_tell_how_the_differences_scatter():
    """1, 3 and 5 µs though the delay itself moves by 10 from speed to speed."""
    speeds, b = (1000.0, 2000.0, 3000.0), (40.0, 50.0, 60.0)
    a = (41.0, 53.0, 65.0)
    one, two = (made(*(point(r, delay=d) for r, d in zip(speeds, x, strict=True))) for x in (a, b))
    found = beside(one, two)["delay_us", "2000 rpm"]
    half = clipped(verdict.against_run(one, two, "good").each_at, sqrt(4 - 0.08))
    assert (found.low, found.high) == pytest.approx((3 - half, 3 + half))
    # One of them driven again tells of itself alone; both tell of the difference.
    still = Heat(change=0.0, u_change=0.5, left=0.0, between=0.1, freedom=20)
    one.sweep.heat = still
    assert beside(one, two)["delay_us", "2000 rpm"].high == pytest.approx(3 + half)
    one.sweep.heat, two.sweep.heat = None, still
    assert beside(one, two)["delay_us", "2000 rpm"].high == pytest.approx(3 + half)
    one.sweep.heat = still
    half = clipped(verdict.against_run(one, two, "good").each_at)
    assert beside(one, two)["delay_us", "2000 rpm"].high == pytest.approx(3 + half)


@pytest.mark.parametrize(("this", "word"), [(48.0, "cannot tell"), (62.0, "differs")])
def test_heat_moves_by_a_share_of_the_longest_delay(this, word):
    """Driven once: 20 and 100 µs, of which three tenths are 30; 5 is the margin."""
    a = made(point(1000.0, delay=this), point(2000.0, delay=100.0))
    b = made(point(1000.0, delay=20.0), point(2000.0, delay=100.0))
    assert beside(a, b)["delay_us", "1000 rpm"].verdict == word


def ramp(**more):
    return point(kind="ramp", **{"triggers": 1000, **more})


def test_alarms_are_listed_when_they_sound():
    """A ramp's drop-outs, double events and sparks per event; drop-outs at one speed."""
    quiet = made(point(), ramps=[ramp()])
    kinds = ("drop_out_percent", "double_percent", "sparks_per_event")
    for bad, kind in (
        ({"missed": 200}, kinds[0]), ({"doubles": 200}, kinds[1]), ({"count": mean(3.0)}, kinds[2])
    ):  # fmt: skip
        for a, b in ((made(point(), ramps=[ramp(**bad)]), quiet),
                     (quiet, made(point(), ramps=[ramp(**bad)]))):  # fmt: skip
            found = beside(a, b)
            assert {k for k in found if "→" in k[1]} == {(kind, point(kind="ramp").segment.name)}
            assert found[kind, point(kind="ramp").segment.name].verdict == "differs"
        limits = {"drop_out_percent": {"most": 5}, "double_percent": {"most": 5},
                  "sparks_per_event": {"most": 1.5}}  # fmt: skip
        of_limits = limits_of(made(point(), ramps=[ramp(**bad)], limits=limits))
        assert {k[0] for k in of_limits if "→" in k[1]} == {kind}
    assert not {k for k in beside(quiet, quiet) if "→" in k[1]}
    many = made(point(missed=100), ramps=[ramp()])
    assert beside(many, quiet)["drop_out_percent", "3000 rpm"].verdict == "differs"
    assert ("drop_out_percent", "3000 rpm") not in beside(quiet, quiet)
    assert beside(quiet, quiet)["drop_out_percent", "all events"].verdict in ("same", "cannot tell")


def test_what_was_not_driven_in_both_runs():
    a = made(point(3000.0), point(1000.0), ramps=[ramp(), ramp()])
    b = made(point(1000.0), ramps=[ramp()])
    notes = verdict.against_run(a, b, "good").notes
    assert "3000 rpm was not driven in good: not compared" in notes
    assert {k[1] for k in beside(a, b)} == {"1000 rpm", "all events"}
    assert not any("ramps were not driven" in n for n in notes)  # each has the other's nearest
    none = verdict.against_run(a, made(point(3000.0), point(1000.0)), "good").notes
    assert "some ramps were not driven in good: not compared" in none
    for this, other in ((a, a), (made(point()), a)):
        notes = verdict.against_run(this, other, "good").notes
        assert not any("some ramps" in n for n in notes)
    apart = verdict.against_run(made(point(1000.0)), made(point(3000.0)), "good")
    assert (apart.checks, apart.overall, apart.each_at) == ((), "cannot tell", 0.95)
    assert apart.notes == (
        "1000 rpm was not driven in good: not compared",
        "the two runs have no speed in common: nothing could be compared",
    )


@pytest.mark.parametrize(("answered", "told"), [(9, False), (10, True)])
def test_ten_answers_in_each_run_are_compared(answered, told):
    few, many = made(point(missed=400 - answered)), made(point())
    for a, b, whose in ((few, many, "this"), (many, few, "the other")):
        found = beside(a, b)["delay_us", "3000 rpm"]
        assert (found.value is not None) == told
        assert told or found.note == f"in {whose} run only 9 of 400 triggers answered"


def test_a_band_of_one_way_against_that_way():
    """A dead band of 20 in 50, rising; the other run rose there without a miss, and held the
    speed, and fell, with nothing but misses. Ten triggers of it are enough."""
    rpm = np.linspace(4000.0, 4100.0, 40)
    for way, low, high in (("rising", 1000.0, 6000.0), ("falling", 6000.0, 1000.0)):
        band = Band(4000, 4100, 50, 20, 4, 4, way)
        for n, k in ((40, 0), (10, 0), (9, None)):
            driven = (stretch(shots(rpm[:n], [1] * n), low, high),
                      stretch(shots(rpm, [0] * 40), 4050.0, 4050.0),
                      stretch(shots(rpm, [0] * 40), high, low))  # fmt: skip
            a = made(point(), sweep_of=Sweep(most_rpm=6000.0, bands=(band,)))
            b = made(point(), stretches=driven)
            found = verdict._bind_band_difference("drop_out_percent", band, b, True)(0.95)
            assert found[0] == (None if k is None else pytest.approx(40.0))
            back = verdict._bind_band_difference("drop_out_percent", band, b, False)(0.95)
            if n == 40:
                assert back[0] == -found[0] and back[1] == (-found[1][1], -found[1][0])
                assert beside(a, b)["drop_out_percent", band.name].value == found[0]
                assert beside(b, a)["drop_out_percent", band.name].value == -found[0]


def test_lengths_up_to_four_hundred_times_are_told():
    """18 to 20 degrees at least 19 less the room: 1.2 / room² times as long."""
    for by, told in ((399.5, True), (400.5, False)):
        window = {"burst_window_deg": {"least": 19 - sqrt(1.2 / by)}}
        run = made(point(), limits=window, sweep_of=Sweep(most_rpm=6000.0, window_deg=(18.0, 20.0)))
        (found,) = limits_of(run).values()
        assert ("would tell" in found.note) == told


def test_an_interval_that_ends_at_a_limit_is_not_outside():
    limit = Threshold(6200.0, 6190.0, 6215.0, 1.0, 0.0, 900)
    seen = Sweep(most_rpm=6500.0, rev_limit=limit)
    for typed, word in (({"least": 6215}, "cannot tell"), ({"least": 6216}, "outside"),
                        ({"least": 6190}, "within"), ({"most": 6190}, "cannot tell")):  # fmt: skip
        run = made(point(), limits={"rev_limit_rpm": typed}, sweep_of=seen)
        assert limits_of(run)["rev_limit_rpm", "sweep"].verdict == word


def test_a_place_with_nothing_but_a_dead_band_has_no_share():
    """20 triggers, all of them in it; with one more, that one is the share."""
    bare = made(point(triggers=20, missed=20, in_band=20), ramps=[ramp(triggers=0)],
                limits={"drop_out_percent": {"most": 50}})  # fmt: skip
    found = limits_of(bare)["drop_out_percent", "all events"]
    assert (found.value, found.note) == (None, "no trigger was counted")
    more = made(point(triggers=21, missed=20, in_band=20), ramps=[ramp(triggers=0)],
                limits={"drop_out_percent": {"most": 50}})  # fmt: skip
    assert limits_of(more)["drop_out_percent", "all events"].value == 0.0


@pytest.mark.parametrize(("allowed", "warm"), [(2.4, False), (2.6, True)])
def test_heat_of_half_a_margin_is_why_a_delay_cannot_be_told(allowed, warm):
    """The margin is 5 µs; a spread that cannot be told has another reason."""
    heat = Heat(change=allowed, u_change=0.1, left=0.0, between=0.1, freedom=20)
    assert heat.allowance == allowed
    a = made(point(delay=mean(45.0, 6.0, 30)), sweep_of=Sweep(most_rpm=6000.0, heat=heat))
    b = made(point(delay=mean(40.0, 5.0, 30)))
    found = beside(a, b)
    assert found["delay_us", "3000 rpm"].verdict == "cannot tell"
    assert ("soak both warm" in found["delay_us", "3000 rpm"].note) == warm
    assert "soak both warm" not in found["spread_us", "3000 rpm"].note


def test_a_share_that_cannot_be_told_and_one_of_none():
    """One of 400 against at most a half per cent reaches over the limit; of none in 400, however
    drop-outs come together, the share is below 1 - 0.025^(1/400)."""
    run = made(point(missed=1), limits={"drop_out_percent": {"most": 0.5}})
    (found,) = limits_of(run).values()
    assert found.verdict == "cannot tell" and found.note.startswith("its interval reaches over")
    none = made(point(clumping=3.0), limits={"drop_out_percent": {"most": 2}})
    (found,) = limits_of(none).values()
    assert found.high / 100 == pytest.approx(1 - 0.025 ** (1 / 400))
    for check in verdict.against_limits(made(limits={"delay_us": {"most": 60}})).checks:
        assert (check.low, check.high) == (-inf, inf)


def test_a_band_within_the_limits_is_not_listed():
    for hits, listed in ((8, False), (100, True)):
        band = Band(4000, 4100, 400, hits, 4, 4)
        run = made(point(), limits={"drop_out_percent": {"most": 10}},
                   sweep_of=Sweep(most_rpm=6000.0, bands=(band,)))  # fmt: skip
        assert (("drop_out_percent", band.name) in limits_of(run)) == listed


def test_differences_alike_at_each_speed_scatter_no_more_than_their_means():
    """3 µs at each of three; a fourth, of which one run has no delay, tells nothing."""
    speeds = (1000.0, 2000.0, 3000.0)
    none = replace(point(4000.0, missed=395), delay_us=None)
    for more in ([], [none]):
        a = made(*(point(r, delay=43.0) for r in speeds), *(point(4000.0) for _ in more))
        b = made(*(point(r, delay=40.0) for r in speeds), *more)
        half = clipped(verdict.against_run(a, b, "good").each_at)
        assert beside(a, b)["delay_us", "2000 rpm"].high == pytest.approx(3 + half)
        assert beside(b, a)["delay_us", "2000 rpm"].low == pytest.approx(-3 - half)


def test_what_was_typed_otherwise_is_said():
    a = made(point(), width_us=3000, clamp_input="clamp_a", cylinders=4)
    b = made(point(), width_us=3030, clamp_input="clamp_b", cylinders=2)
    assert verdict._alike(a.plan, a.plan) == []
    assert verdict.against_run(a, b, "good").notes[:3] == (
        "width us was 3030 then and is 3000 now", "pitch deg was 360 then and is 180 now",
        "clamp input was clamp_b then, clamp_a now",
    )  # fmt: skip


def test_what_the_drives_own_edge_may_hide_is_not_judged_and_all_else_is():
    """A limit on each quantity that a run with a delay, a limit and a supply keeps."""
    limit = Threshold(6200.0, 6190.0, 6215.0, 1.0, 0.0, 900)
    limits = {
        "delay_us": {"most": 60}, "spread_us": {"most": 5}, "drop_out_percent": {"most": 5},
        "double_percent": {"most": 5}, "sparks_per_event": {"least": 0.5},
        "burst_window_deg": {"least": 10}, "rev_limit_rpm": {"least": 5000},
        "supply_v": {"least": 11},
    }  # fmt: skip
    hidden = {"delay_us", "spread_us", "drop_out_percent", "sparks_per_event", "rev_limit_rpm"}
    for rigid, away in ((0.0, set()), (0.06, hidden)):
        run, good = (
            made(point(supply_mv=12_600), limits=limits, sweep_of=Sweep(
                most_rpm=6500.0, window_deg=(18.0, 21.0), rev_limit=limit))
            for _ in range(2)
        )  # fmt: skip
        run.rigid = rigid
        found = verdict.against_limits(run).checks
        assert {c.quantity: c.verdict for c in found} == {
            q: "cannot tell" if q in away else "within" for q in limits
        }
        for a, b in ((run, good), (good, run)):
            words = {q: c.verdict for (q, _), c in beside(a, b).items() if q in hidden}
            assert words.keys() == hidden
            for quantity in hidden - {"drop_out_percent"}:
                assert words[quantity] == ("cannot tell" if away else "same")


def test_a_run_is_never_told_to_be_as_long_as_it_was():
    """Spread of 2 µs of 10 values: u(ln s) = 1 / sqrt(18), so 1.26 to 3.17. At most 3.1: half the
    interval is 0.957, the room 1.1, and 1.2 (0.957 / 1.1)² = 0.91 of a run is none."""
    run = made(point(delay=mean(40.0, 2.0, 10)), limits={"spread_us": {"most": 3.1}})
    (found,) = limits_of(run).values()
    assert (found.low, found.high) == pytest.approx((1.26, 3.174), abs=1e-2)
    assert found.verdict == "cannot tell" and "about --repeats 2 would tell" in found.note
