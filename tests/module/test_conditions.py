"""Delay by dwell, supply and temperature: modules of a second hand whose law is known."""

import json
from dataclasses import replace
from math import hypot, sqrt

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats

from bench_parts import made, point
from sparkwitness.bench import conditions, evaluate
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.shots import Collector
from sparkwitness.cli import main
from sparkwitness.errors import UserError
from sparkwitness.faces import conditions_text
from truth.modules import Module, answer, bytes_of, drive

PLAN = Plan(steps=(900.0, 1800.0), seconds=1.5, repeats=2, ramps=(), cylinders=4)
LAW = Module(delay_us=40.0, per_volt=2.0, per_width=0.003)  # 3 µs a ms of dwell, -2 µs a volt


def _run(rng, width=3000.0, volts=13.1, warm=None, module=LAW, measured=True, **more):
    plan = replace(PLAN, width_us=width, temperature_c=warm, **more)
    if warm is not None:
        module = replace(module, delay_us=module.delay_us + 0.1 * (warm - 20))
    segments = [(s.kind, s.rpm_from, s.rpm_to, s.seconds) for s in plan.segments]
    train = drive(segments, plan.pitch_deg, width * 1e-6, at_end=True)
    # Clipped on anew each time.
    late = replace(module, delay_us=module.delay_us + rng.normal(0, plan.u_clip_us))
    truth = answer(late, train, rng, np.array([volts]))
    collector = Collector(plan, [(i, s.seconds) for i, s in enumerate(plan.segments)], 24_000)
    collector.feed(bytes_of(truth, np.array([1000.0 * volts if measured else 65535.0])))
    collector.finish()
    return evaluate.evaluate(plan, [collector])


def _compared(seed, **lists):
    rng = np.random.default_rng(seed)
    n = len(next(iter(lists.values())))
    runs = [_run(rng, **{k: v[i] for k, v in lists.items()}) for i in range(n)]
    return conditions.compare([(f"run {i}", one) for i, one in enumerate(runs)])


@pytest.mark.parametrize(
    ("factor", "lists", "law"),
    [
        ("dwell_ms", {"width": [1500.0, 2500.0, 3500.0, 4500.0]}, 3.0),
        ("supply_v", {"volts": [9.0, 11.0, 13.0, 15.0]}, -2.0),
        ("temperature_c", {"warm": [-10.0, 20.0, 60.0, 90.0]}, 0.1),
    ],
)
def test_one_condition_is_told(factor, lists, law):
    covered = 0
    for seed in range(4):
        found = _compared(seed, **lists)
        (one,) = found.effects
        assert one.factor == factor and one.surely
        assert one.per_unit == pytest.approx(law, rel=0.25)
        covered += one.low <= law <= one.high
    assert covered >= 3


def test_two_conditions_are_told_apart_where_they_did_not_move_together():
    lists = {"width": [1500.0, 4500.0, 1500.0, 4500.0], "volts": [10.0, 10.0, 14.0, 14.0]}
    told = {one.factor: one for one in _compared(1, **lists).effects}
    assert told["dwell_ms"].low <= 3.0 <= told["dwell_ms"].high
    assert told["supply_v"].low <= -2.0 <= told["supply_v"].high
    together = _compared(1, width=[1500.0, 4500.0, 3000.0], volts=[10.0, 14.0, 12.0])
    assert not together.effects
    assert any("cannot be told apart" in line for line in together.why)


def test_no_effect_is_said_with_its_bound():
    still = [replace(LAW, per_width=0.0)] * 3
    many = [_compared(seed, width=[1500.0, 3000.0, 4500.0], module=still) for seed in range(4)]
    quiet = [found for found in many if not found.effects[0].surely]
    assert len(quiet) >= 3
    (line, *_) = conditions_text.words(quiet[0].to_dict())
    assert line.startswith("dwell: no effect seen between 1.5 and 4.5 ms; at most")


def test_what_is_not_known_is_said():
    found = _compared(4, measured=[False, False], width=[2000.0, 4000.0])
    said = " ".join(found.why)
    assert "supply: neither measured nor typed (--supply)" in said
    assert "temperature: neither measured nor typed (--temperature)" in said
    typed = _compared(4, measured=[False, False], supply_v=[10.0, 14.0], volts=[10.0, 14.0])
    assert {row.supply for row in typed.rows} == {"typed"}
    assert [one.factor for one in typed.effects] == ["supply_v"]
    one = conditions.compare([("alone", _run(np.random.default_rng(1)))])
    assert not one.effects and "no speed was driven in two runs" in one.why


def test_by_hand():
    """Two runs at one speed: the slope is the difference over the step, 12 µs in 2 ms."""
    rng = np.random.default_rng(5)
    low, high = _run(rng, width=2000.0), _run(rng, width=4000.0)
    found = conditions.compare([("a", low), ("b", high)])
    first, second = ([p.delay_us.value for p in one.points] for one in (low, high))
    (one,) = found.effects
    assert one.per_unit == pytest.approx(np.mean(np.subtract(second, first)) / 2, rel=0.02)


SHORT, LONG = 0.2**2 + 0.014**2, 0.5**2 + 0.3**2  # variance of one mean; of what a run shares


def told(*runs, speeds=(2000.0,)):
    """Runs of (ms, delays at the speeds, more of the plan, supplies in mV)."""
    return conditions.compare([
        (f"run {k}", made(
            *(point(s, delay=float(d), supply_mv=mv) for s, d, mv in
              zip(speeds, np.atleast_1d(delays), supplies or (None, None), strict=False)),
            width_us=1000.0 * ms, **more,
        ))
        for k, (ms, delays, more, supplies) in enumerate((*r, {}, ())[:4] for r in runs)
    ])  # fmt: skip


def test_a_slope_of_two_runs_and_its_interval():
    """6 µs in 2 ms; of the clip the larger uncertainty holds, no lines can be tried with two."""
    found = told((2.0, 40.0, {"u_clip_us": 0.5}), (4.0, 46.0, {"u_clip_us": 0.1}))
    (one,) = found.effects
    half = 1.959964 * sqrt(2 * (SHORT + LONG)) / 2
    assert (one.factor, one.least, one.most, one.surely) == ("dwell_ms", 2.0, 4.0, True)
    assert (one.per_unit, one.low, one.high) == pytest.approx((3.0, 3.0 - half, 3.0 + half))
    assert found.fits is None
    for delay, surely in ((40.0, False), (34.0, True)):
        found = told((2.0, 40.0, {"u_clip_us": 0.5}), (4.0, delay, {"u_clip_us": 0.5}))
        assert found.effects[0].surely == surely
    assert found.effects[0].high == pytest.approx(-3.0 + half)


@pytest.mark.parametrize(("fits", "freedom"), [(0.9, None), (1.5, 1), (8.0, 1)])
def test_three_runs_that_lie_beside_a_line(fits, freedom):
    """The middle one by e: it leaves e / 3 twice and 2 e / 3, chi square 2 e² / 3 over one."""
    e = sqrt(1.5 * fits * (SHORT + LONG))
    clip = {"u_clip_us": 0.5}
    found = told((2.0, 40.0, clip), (3.0, 43.0 + e, clip), (4.0, 46.0, clip))
    k = stats.t.ppf(0.975, freedom) * sqrt(fits) if freedom else 1.959964
    assert found.fits == pytest.approx(fits)
    (one,) = found.effects
    assert one.per_unit == pytest.approx(3.0)
    assert one.high - one.per_unit == pytest.approx(k * sqrt((SHORT + LONG) / 2), rel=1e-6)


def test_four_runs_leave_two_degrees_of_freedom():
    """Two at either end, 4 µs apart: each lies 2 µs beside the line."""
    clip = {"u_clip_us": 0.5}
    found = told(*((ms, delay, clip) for ms, delay in ((2, 40), (2, 44), (4, 46), (4, 50))))
    fits = 4 * 2**2 / (SHORT + LONG) / 2
    (one,) = found.effects
    assert (found.fits, one.per_unit) == pytest.approx((fits, 3.0))
    half = stats.t.ppf(0.975, 2) * sqrt(fits * (SHORT + LONG) / 4)  # 1 ms from the middle each
    assert one.per_unit - one.low == pytest.approx(half, rel=1e-6)


def test_what_a_run_shares_is_in_all_of_its_speeds():
    """6.0 and 6.2 µs in 2 ms at two speeds: their mean holds the clip and the run whole; how they
    differ, by 0.2 µs of four means, holds neither. A third speed was driven in one run only."""
    clip = {"u_clip_us": 0.5}
    found = told((2.0, (40.0, 50.0), clip), (4.0, (46.0, 56.2), clip), speeds=(1000.0, 2000.0))
    (one,) = found.effects
    half = 1.959964 * sqrt(SHORT + 2 * LONG) / 2
    assert (one.per_unit, one.high - one.per_unit) == pytest.approx((3.05, half))
    assert found.fits == pytest.approx(0.2**2 / (4 * SHORT))
    more = told((2.0, (40.0, 50.0), clip), (4.0, 46.0, clip), speeds=(1000.0, 2000.0))
    assert more.effects[0].per_unit == pytest.approx(3.0) and len(more.rows) == 3


@pytest.mark.parametrize(("rpm", "same"), [(2018.0, True), (2022.0, False), (1982.0, True)])
def test_speeds_within_a_hundredth_are_the_same(rpm, same):
    runs = [made(point(s, delay=d), width_us=w)
            for s, d, w in ((2000.0, 40.0, 2000.0), (rpm, 46.0, 4000.0))]  # fmt: skip
    found = conditions.compare(list(zip("ab", runs, strict=True)))
    assert [one.per_unit for one in found.effects] == pytest.approx([3.0] * same)
    assert found.why[0].startswith("supply" if same else "no speed was driven in two runs")


@pytest.mark.parametrize(
    ("factor", "values", "said"),
    [("dwell_ms", (3.0, 3.049), "dwell: 3.02 ms in every run"), ("dwell_ms", (3.0, 3.051), ""),
     ("supply_v", (12.0, 12.19), "supply: 12.1 V in every run"), ("supply_v", (12.0, 12.21), ""),
     ("temperature_c", (20.0, 21.9), "temperature: 20.9 °C in every run"),
     ("temperature_c", (20.0, 22.0), ""),
     ("temperature_c", (20.0, None), "temperature: not known of every run")],
)  # fmt: skip
def test_less_is_the_same_condition(factor, values, said):
    found = told(*(
        (v, 40.0) if factor == "dwell_ms" else (3.0, 40.0, {factor: v}) for v in values
    ))  # fmt: skip
    assert [one.factor for one in found.effects] == ([] if said else [factor])
    assert (said in found.why) == bool(said)


def test_what_changed_together_is_not_told_apart():
    """Two runs cannot tell two conditions, though the supply fell at each speed by itself; nor
    one that went with the speed."""
    two = (1000.0, 2000.0)
    found = told((2.0, (40, 50), {}, (12_000, 13_000)), (4.0, (46, 56), {}, (12_500, 12_600)),
                 speeds=two)  # fmt: skip
    assert (
        found.effects == ()
        and found.fits is None
        and found.why[-1]
        == ("dwell and supply changed together, and cannot be told apart: change one at a time")
    )
    found = told(*[(3.0, (40, 50), {}, (12_000, 13_000))] * 2, speeds=two)
    assert found.effects == () and found.why[-1] == (
        "supply changed together, and cannot be told apart: drive it at another value as well"
    )


def test_rows_of_a_run():
    """Of a speed held and measured, the slowest first; the supply measured, else typed."""
    run = made(
        point(2000.0, delay=50.0, supply_mv=12_400), point(1000.0, delay=40.0),
        point(1500.0, delay=None), point(3000.0, kind="soak"),
        width_us=2500.0, supply_v=13.5, temperature_c=60.0,
    )  # fmt: skip
    u, wide = hypot(0.2, 0.014), 2 * hypot(0.2, 2.0)
    assert conditions.rows("a", run) == [
        conditions.Row("a", 1000.0, 2.5, 13.5, "typed", 60.0, 40.0, wide, pytest.approx(u)),
        conditions.Row("a", 2000.0, 2.5, 12.4, "measured", 60.0, 50.0, wide, pytest.approx(u)),
    ]
    (none,) = conditions.rows("a", made(point()))
    assert (none.supply_v, none.supply, none.temperature_c) == (None, "", None)


def test_command_compares_kept_runs(tmp_path):
    def bench(*arguments):
        return CliRunner().invoke(main, ["bench", *map(str, arguments)])

    for name, width in (("a", 2000), ("b", 4000)):
        kept = bench(
            "--simulate", "inductive", "--steps", "1000", "--seconds", "1", "--ramp", "none",
            "--width", width, "--temperature", 20, "--record", tmp_path / f"{name}.swrec", "--yes",
        )  # fmt: skip
        assert kept.exit_code == 0, kept.output
    shown = bench("--from", tmp_path / "a.swrec", "--beside", tmp_path / "b.swrec", "--json")
    found = json.loads(shown.stdout)["conditions"]
    assert {row["dwell_ms"] for row in found["rows"]} == {2.0, 4.0}
    assert [one["factor"] for one in found["effects"]] == ["dwell_ms"]
    assert any(line.startswith("temperature: 20 °C in every run") for line in found["not_told"])
    text = bench("--from", tmp_path / "a.swrec", "--beside", tmp_path / "b.swrec").output
    assert "Trigger to first spark by condition" in text


def test_bad_input_is_one_sentence():
    with pytest.raises(UserError, match="temperature_c must be from -60 to 200 °C"):
        Plan.from_dict({"temperature_c": 900})
    with pytest.raises(UserError, match="supply_v must be a number"):
        Plan.from_dict({"supply_v": "twelve"})
