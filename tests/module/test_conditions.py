"""Delay by dwell, supply and temperature: modules of a second hand whose law is known."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

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
    collector = Collector(plan, [(i, s.seconds) for i, s in enumerate(plan.segments)])
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
