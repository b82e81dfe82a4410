"""Verdicts: right words, none on no data, and no more false alarms than promised."""

import dataclasses
import json

import pytest

from bench_world import collect, plan_for
from sparkwitness.bench import evaluate as bench
from sparkwitness.bench import verdict as bench_verdict
from sparkwitness.bench.plan import Plan
from sparkwitness.simulator import scenario as scenarios
from sparkwitness.timing import stats as intervals

STEPS = {"steps": [1000, 3000, 5000], "seconds": 3, "ramps": []}


def run(name, seed=1, limits=None, changes=None, **values):
    loaded = scenarios.load(f"bench-{name}")
    if changes:
        loaded = scenarios.vary(loaded, {f"truth.module.{k}": v for k, v in changes.items()})
    plan = plan_for(loaded, **{**STEPS, **values}, limits=limits or {})
    return bench.evaluate(plan, [collect(loaded, plan, seed=seed)[0]])


def verdicts(verdict, quantity):
    return [c.verdict for c in verdict.checks if c.quantity == quantity]


@pytest.fixture(scope="module")
def good():
    return run("capacitive", seed=50)


def test_never_a_pass_on_no_data():
    limits = {
        "delay_us": {"most": 60}, "drop_out_percent": {"most": 2}, "sparks_per_event": {"least": 1},
        "switch_over_rpm": {"least": 2500}, "burst_window_deg": {"least": 10},
        "rev_limit_rpm": {"least": 5000}, "spread_us": {"most": 5}, "double_percent": {"most": 2},
        "supply_v": {"least": 11},
    }  # fmt: skip
    plan = Plan.from_dict({"kind": "capacitive", "width_us": 800, "limits": limits})
    empty = bench.evaluate(plan, [])
    verdict = bench_verdict.against_limits(empty)
    assert {c.quantity for c in verdict.checks} == set(limits)
    assert {c.verdict for c in verdict.checks} == {"cannot tell"} == {verdict.overall}
    compared = bench_verdict.against_run(empty, empty, "other")
    assert compared.overall == "cannot tell"
    assert not compared.checks and "nothing could be compared" in compared.notes[-1]
    json.dumps(empty.to_dict(), allow_nan=False)
    json.dumps(verdict.to_dict(), allow_nan=False)


def test_no_limits_no_verdict():
    assert bench_verdict.against_limits(bench.evaluate(Plan(), [])) is None


def test_a_dead_module_is_outside_and_is_different(good):
    dead = run("dead", limits={"drop_out_percent": {"most": 2}, "delay_us": {"most": 60}})
    verdict = bench_verdict.against_limits(dead)
    assert verdict.overall == "outside"
    assert set(verdicts(verdict, "delay_us")) == {"cannot tell"}
    assert bench_verdict.against_run(dead, good, "good").overall == "differs"


def test_limits_that_hold_that_do_not_and_that_cannot_be_told():
    result = run("capacitive", limits={
        "delay_us": {"least": 10, "most": 60},
        "spread_us": {"most": 0.5},
        "drop_out_percent": {"most": 0.1},
        "sparks_per_event": {"least": 1},
        "supply_v": {"least": 12},
    })  # fmt: skip
    verdict = bench_verdict.against_limits(result)
    assert set(verdicts(verdict, "delay_us")) == {"within"}
    assert set(verdicts(verdict, "spread_us")) == {"outside"}
    assert set(verdicts(verdict, "drop_out_percent")) == {"cannot tell"}
    assert set(verdicts(verdict, "supply_v")) == {"within"}
    assert verdict.overall == "outside"
    note = next(c.note for c in verdict.checks if c.quantity == "drop_out_percent")
    enough = intervals.trials_for(0.001, verdict.each_at)
    assert note.startswith(f"{enough} triggers without one would tell: about --repeats ")
    assert verdict.each_at == pytest.approx(1 - 0.05 / len(verdict.checks))


def test_clamp_delay_counts_against_a_limit_but_not_between_runs(good):
    wide = run("capacitive", limits={"delay_us": {"most": 25}}, u_clamp_delay_us=5)
    assert bench_verdict.against_limits(wide).overall == "cannot tell"
    assert set(verdicts(bench_verdict.against_run(wide, good, "good"), "delay_us")) == {"same"}


def test_rev_limit_beyond_what_was_driven_cannot_be_told():
    verdict = {
        least: bench_verdict.against_limits(run("capacitive", limits={"rev_limit_rpm": limit}))
        for least, limit in (("low", {"least": 4500}), ("high", {"least": 7000}),
                             ("most", {"most": 4000}))
    }  # fmt: skip
    assert verdict["low"].overall == "within"
    assert verdict["high"].overall == "cannot tell"
    assert "none up to 5000 rpm" in verdict["high"].checks[0].note
    assert verdict["most"].overall == "outside"


def test_slow_differs_in_delay_and_in_nothing_else(good):
    verdict = bench_verdict.against_run(run("slow"), good, "good")
    assert verdict.overall == "differs"
    assert set(verdicts(verdict, "delay_us")) == {"differs"}
    assert set(verdicts(verdict, "sparks_per_event")) == {"same"}
    assert "differs" not in verdicts(verdict, "drop_out_percent")
    delay = next(c for c in verdict.checks if c.quantity == "delay_us")
    assert delay.low < 120 < delay.high


def test_dying_differs_in_drop_outs(good):
    verdict = bench_verdict.against_run(run("dying", seconds=6), good, "good")
    assert "differs" in verdicts(verdict, "drop_out_percent")
    assert set(verdicts(verdict, "delay_us")) == {"same"}


def test_another_switch_over_differs():
    ramps = {"steps": [], "ramps": [[2200, 3200, 8]]}
    a = run("capacitive", **ramps)
    b = run("capacitive", changes={"single_above_rpm": 2600, "multi_below_rpm": 2460}, **ramps)
    c = run("capacitive", seed=9, **ramps)
    differs = bench_verdict.against_run(b, a, "good")
    assert verdicts(differs, "switch_over_rpm") == ["differs"]
    found = next(c for c in differs.checks if c.quantity == "switch_over_rpm")
    assert found.low < -300 < found.high
    assert verdicts(bench_verdict.against_run(c, a, "good"), "switch_over_rpm") == ["same"]


def test_the_same_module_never_differs_more_often_than_promised(good):
    """25 runs of one good module: at 95 % together, 3 or more alarms have a chance of 0.13."""
    overall = [
        bench_verdict.against_run(run("capacitive", seed=s, seconds=1), good, "good").overall
        for s in range(25)
    ]
    assert overall.count("differs") <= 2


def test_long_enough_the_same_is_called_the_same():
    long = {"steps": [5000], "seconds": 12, "width_us": 500}
    a, b = (run("inductive", seed=s, **long) for s in (1, 2))
    verdict = bench_verdict.against_run(a, b, "good")
    assert verdict.overall == "same"
    narrow = dataclasses.replace(a.plan, margins={"delay_us": 0.5})
    a.plan = narrow
    assert bench_verdict.against_run(a, b, "good").overall == "cannot tell"


def test_what_was_typed_differently_is_said(good):
    other = run("inductive", cylinders=8, width_us=1000)
    notes = " ".join(bench_verdict.against_run(other, good, "good").notes)
    assert "kind was capacitive then, inductive now" in notes
    assert "pitch deg was 180 then and is 90 now" in notes


def test_measure_longer_says_how_long_and_that_length_tells():
    """No drop-out in a good module: the exact interval of none in n shrinks as 1 / n."""
    limits = {"drop_out_percent": {"most": 0.02}}
    short = bench_verdict.against_limits(run("capacitive", seed=3, limits=limits, seconds=1))
    checks = [c for c in short.checks if c.verdict == "cannot tell"]
    assert checks
    for check in checks:
        asked = int(check.note.partition("--repeats ")[2])
        n = intervals.trials_for(check.high / 100, short.each_at)
        longer = intervals.clopper_pearson(0, n * asked, short.each_at)
        assert n > 20 and 100 * longer[1] <= 0.021
