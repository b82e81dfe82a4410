"""From cranking to running: against starts drawn by a second hand (tests/truth/starts.py)."""

import io
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from sparkwitness.faces import start_text, text
from sparkwitness.faces.console import Console
from sparkwitness.faces.live import view
from sparkwitness.timing import gates, gates_start, starting
from sparkwitness.timing.angle import Periods
from sparkwitness.timing.number import Number
from truth import starts, where
from truth.starts import Begun

MADE = Begun(cylinders=4, cranking=5.0, running=15.0, blind=3)


def _run(made=MADE, reference="60-2", seed=1, **more):
    rng = np.random.default_rng(seed)
    return starts.started(made, starts.marked(rng, reference), rng, **more)


@pytest.fixture(scope="module")
def usual():
    return _run()


def test_first_spark_and_each_phase(usual):
    said = starts.judge(*usual, MADE)
    assert {name for name, (so, _) in said.items() if not so} == set()
    assert {"cranking", "catching", "running"} <= set(said)


def test_phases_follow_each_other(usual):
    one = usual[0].start
    assert [p.name for p in one.phases] == ["cranking", "catching", "running"]
    for a, b in pairwise(one.phases):
        assert a.to_s == b.from_s and a.rpm_low <= a.rpm_high
    assert one.phases[0].rpm_high < 400 < one.phases[2].rpm_low
    # The truth's firings that nobody asked for come before the first spark.
    assert one.first_deg == pytest.approx(
        (one.first_s or 0) * MADE.crank_rpm * 6, rel=0.1
    )  # some turns at the starter's speed


def test_the_controllers_other_angle_is_said(usual):
    codes = {f.code: f for f in usual[0].findings}
    assert "5.0° BTDC, 9.8° later" in codes["cranking_angle"].text
    alike = _run(replace(MADE, cranking=15.0))[0]
    assert "cranking_angle" not in {f.code for f in alike.findings}


def test_the_module_is_shown_in_each_phase(usual):
    for phase in usual[0].start.phases:
        assert phase.delay_us == pytest.approx(MADE.delay_us, abs=3)
        # -6 N t leads from the trigger to the spark, to what the speed changes between.
        assert phase.trigger - phase.timing == pytest.approx(
            6e-6 * MADE.delay_us * (phase.rpm_low + phase.rpm_high) / 2, abs=0.15
        )


def test_missing_sparks_while_cranking():
    one = _run(replace(MADE, misfire=0.3, cranks_s=4.0))[0].start
    assert one.phase("cranking").missing > 0
    assert one.phase("running").missing == 0


def test_supply_measured_typed_or_neither(usual):
    one = usual[0].start
    assert one.supply == "measured"
    assert one.phase("cranking").supply_v == pytest.approx(MADE.low_v + 0.6)
    assert "dip of 2.4 V" in start_text.supply(one.to_dict())
    none = _run(supply=False)[0].start
    assert none.supply == "" and none.low_v is None
    assert "not measured" in start_text.supply(none.to_dict())
    typed = _run(supply=False, cranking_volts=8.7)[0]
    assert typed.start.supply == "typed" and typed.start.low_v == 8.7
    assert "cranking_supply" in {f.code for f in typed.findings}


def test_an_engine_that_runs_already_has_no_start():
    world, typed = where.usual(np.random.default_rng(1), 900, 4)
    found, _ = where.measured(world, typed, np.random.default_rng(1))
    assert found.start is None
    assert found.to_dict()["start"] is None


def test_an_engine_that_does_not_catch():
    one = _run(replace(MADE, catches=False, cranks_s=6.0, runs_s=4.0))[0].start
    assert one.caught_s is None
    assert [p.name for p in one.phases] == ["cranking"]
    assert "did not catch" in dict(start_text.start(one.to_dict()))["caught"]


def test_one_pulse_a_turn_has_no_timing_while_the_speed_changes():
    found = _run(reference="pulse")[0]
    assert found.timing is not None
    assert all(p.timing is None for p in found.start.phases)
    assert "too few marks" in found.start.why
    assert not found.start.points
    assert "cranking_angle" not in {f.code for f in found.findings}


def test_where_the_gates_refuse_no_angle_is_shown():
    found = _run(replace(MADE, runs_s=1.0))[0]  # too short for a timing
    assert found.timing is None and found.start is not None
    assert all(p.timing is None and p.trigger is None for p in found.start.phases)
    assert found.start.first_s is not None and found.start.why


def test_cycles_leave_the_compressions_out():
    """By hand: turns of 100 and 140 ticks, a four-stroke: 720 degrees in 240 ticks."""
    length = np.tile([100, 140], 10)
    start = np.cumsum(np.append(0, length[:-1]))
    n, nan = len(length), np.full(len(length), np.nan)
    periods = Periods(start, length, np.zeros(n, np.int64), np.arange(n), nan, nan)
    world, typed = where.usual(np.random.default_rng(1), 900, 4)
    del world
    setup = starts.Setup(starts.Reference(60, 2), cylinders=4, **typed)
    ends, rpm = starting.cycles(periods, setup, 1e-3)
    assert rpm == pytest.approx(np.full(n - 1, 720 / 6 / 0.240))
    assert ends.tolist() == np.cumsum(length)[1:].tolist()


def test_rows_of_the_gates_strike_and_say_so(usual):
    found, setup = usual[0], starts.Setup(starts.Reference(60, 2))

    def codes(**changes):
        evidence = gates_start.Evidence(setup, replace(found.start, **changes), None)
        judged = gates.judge(evidence, gates_start.ROWS).findings
        assert all("{" not in f.text and f.advice for f in judged)
        return {f.code for f in judged}

    assert codes() == {"cranking_angle"}
    assert "late_first_spark" in codes(first_deg=2000.0, first_s=1.8)
    assert "late_first_spark" not in codes(first_deg=2000.0, stood=False)
    assert "start_tries" in codes(tries=2)
    assert "cranking_supply" in codes(low_v=9.0)
    assert "cranking_supply" in codes(low_v=17.0, rest_v=25.2)  # of a 24 V system
    near = replace(found.start.phases[0], timing=Number(14.9, 0.4))
    assert not codes(phases=(near, *found.start.phases[1:]))


def test_faces_show_it(usual):
    found = usual[0]
    setup = starts.Setup(starts.Reference(60, 2), commanded=15.0, clamp="coil")
    out = io.StringIO()
    console = Console()
    console.file, console.width = out, 100
    console.print(text.measurement(found, setup))
    for word in ("first spark", "cranking", "catching", "running", "dip of"):
        assert word in out.getvalue()
    shown = view.numbers(setup, found)
    assert dict(shown["start"])["cranking"].startswith("2.")
    assert shown["rotor"] is None
