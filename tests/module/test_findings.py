"""What a person is told of a bench run: each word on both sides of its limit."""

from types import SimpleNamespace

import pytest

from bench_parts import made, point
from sparkwitness.bench import findings, sweep
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import Heat, Sweep


def said(run, code, edges=()):
    collectors = [SimpleNamespace(spark_edges=n) for n in edges]
    return next((f.text for f in findings.findings(run, collectors) if f.code == code), "")


def late(low, high, **plan):
    run = made(point(), sweep_of=Sweep(most_rpm=6000.0), **plan)
    run.late_us = low, high
    return said(run, "late")


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (70.0, 76.9, "70 µs"), (70.0, 78.0, "70 to 78 µs"), (90.0, 100.0, "90 to 100 µs"),
        (-76.5, -70.0, "-76 µs"), (-78.0, -70.0, "-78 to -70 µs"),
    ],
)  # fmt: skip
def test_a_lag_that_moves_by_less_than_a_tenth_is_one_number(low, high, told):
    assert f"answers come {told} after the trigger" in late(low, high)


@pytest.mark.parametrize(
    ("lag", "near"), [(-3000.0, True), (-3590.0, True), (-3600.0, False), (-2410.0, True),
                      (-2400.0, False)]
)  # fmt: skip
def test_a_lag_near_the_pulses_other_edge(lag, near):
    """Within a fifth of its 3 ms."""
    assert ("near the pulse's other edge (-3000 µs)" in late(lag, lag)) == near
    run = made(point())
    run.sweep.delay = sweep._delay(Plan(), [point(delay=lag)])
    assert bool(said(run, "late")) == near


@pytest.mark.parametrize(
    ("plan", "alone"),
    [({"steps": [3000]}, True), ({"steps": [3000, 3000]}, True), ({"steps": [1000, 3000]}, False),
     ({"steps": [], "soak_minutes": 1, "soak_rpm": 2000}, True),
     ({"steps": [3000], "soak_minutes": 1, "soak_rpm": 2000}, False)],
)  # fmt: skip
def test_at_one_speed_alone_a_lag_may_be_an_interval_more(plan, alone):
    assert ("at one speed alone" in late(70.0, 76.0, **plan)) == alone


@pytest.mark.parametrize("ramps", [((1000.0, 2000.0),), ((1000.0, 2000.0), (2000.0, 4000.0))])
def test_a_ramp_is_no_one_speed(ramps):
    run = made(point(), sweep_of=Sweep(most_rpm=6000.0))
    run.late_us = 70.0, 76.0
    run.plan = Plan(steps=(), ramps=tuple((*ramp, 5.0) for ramp in ramps))
    assert "at one speed alone" not in said(run, "late")


def test_a_dead_module_and_what_the_clamp_heard_all_the_same():
    dead = made(point(triggers=20, missed=20))
    assert "though clamp A gave 7 edges at other times" in said(dead, "no_spark", [3, 4])
    assert "though" not in said(dead, "no_spark", [0, 0]) and said(dead, "no_spark")


def test_the_lowest_supply_of_all_speeds_is_told():
    run = made(point(supply_mv=12_000), point(1000.0, supply_mv=8_900), point(2000.0))
    assert said(run, "supply_low").startswith("the supply fell to 8.9 V")
    assert said(made(point(supply_mv=8_999)), "supply_low")


def test_false_events_as_the_dwell_begins_at_every_speed():
    """4 firings in two turns at 3000 rpm, 3 ms of dwell: from 7 ms on for 0.9 ms."""
    for at, dwell in ((6_999.5, False), (7_000.5, True), (7_899.5, True), (7_900.5, False)):
        text = said(made(point(doubles=6, false_us=at), width_us=3000), "double_events")
        assert ("as the dwell begins" in text) == dwell, at
    assert not said(made(point(false_us=7_500.0)), "double_events")  # after drop-outs only
    three = made(*(point(doubles=1, false_us=at) for at in (1_000.0, 6_500.0, 2_000.0)))
    assert "typically 2000 µs" in said(three, "double_events")
    both = made(point(doubles=6, false_us=7_500.0), point(doubles=6, false_us=2_000.0),
                width_us=3000)  # fmt: skip
    text = said(both, "double_events")
    assert text.startswith("12 events were followed by a false one, typically 4750 µs")
    assert "as the dwell begins" not in text


def test_heat_that_is_half_told_would_go_on():
    for left, words in ((2.0, "would go on by some 2.0 µs"), (2.1, "has not settled")):
        heat = Heat(change=4.0, u_change=0.1, left=left, between=0.1, freedom=20)
        assert words in said(made(point(), sweep_of=Sweep(heat=heat)), "heat")


def test_a_module_that_fires_at_the_begin_of_its_pulse_may_answer_at_its_end():
    """0.8 ms of pulse: its other edge comes after the firing one."""
    plan = {"kind": "capacitive", "fires_at": "start", "width_us": 800}
    text = late(790.0, 810.0, **plan)
    assert "near the pulse's other edge (+800 µs)" in text and "no rev limit" not in text
    assert "no rev limit" in late(-810.0, -790.0, **plan)


def test_an_angle_of_a_lag_has_no_sign_and_is_that_of_its_middle():
    """6000 rpm: 36° a ms. From 0.7 to 0.9 ms, either way: 0.8 ms are 28.8°."""
    for low, high in ((700.0, 900.0), (-900.0, -700.0)):
        assert "(29° at 6000 rpm)" in late(low, high)


def test_what_did_not_move_surely_is_no_heat_and_what_never_answered_is_not_late():
    for change, told in ((4.0, True), (0.2, False)):
        heat = Heat(change=change, u_change=0.1, left=0.0, between=0.1, freedom=20)
        assert bool(said(made(point(), sweep_of=Sweep(heat=heat)), "heat")) == told
    dead = made(point(triggers=20, missed=20), sweep_of=Sweep(most_rpm=6000.0))
    dead.late_us = 700.0, 900.0  # of another time of the run
    assert not said(dead, "late")
