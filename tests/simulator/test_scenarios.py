"""Every scenario that comes with the package, against its own truth, as the estimator sees it.

What is compared with is the simulated world's book of what really happened, which nothing that
measures reads; the edges go straight to the analyzer here, without a board (that is shown in
tests/timing/test_measure.py).
"""

import functools
import json

import numpy as np
import pytest
from click.testing import CliRunner

from bench_world import MODULES
from sparkwitness import cli
from sparkwitness.cli import sources
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch
from sparkwitness.simulator import scenario
from sparkwitness.simulator.world import TICK_PS, Truth, edges_for
from sparkwitness.timing import curve, measure
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.setup import Setup

NONE = np.empty(0, np.int64)
STEADY = (
    "cam-pulse", "fast-six", "idle-four", "marine-four", "noisy-four", "pulse-far", "pulse-near",
    "scooter-single", "van-six", "wasted-twin", "worn-four",
)  # fmt: skip
"""Steady speed: one timing, inside its interval."""
SECONDS = {"noisy-four": 6.0}
"""Its speed strays too far for one timing in a longer run."""
OTHER = ("no-reference", "no-start", "slow-twin", "stall-four", "sweep-four")
"""Each has a test of its own below, or in tests/timing/test_curve.py (sweep-four)."""


@functools.cache
def played(name: str, seconds: float, seed: int = 1) -> tuple[Setup, Tables, Truth]:
    built = scenario.load(name)
    setup = Setup.from_dict(sources.typed_by_user(built.setup))
    edges, truth = edges_for(built, seconds, seed)
    analyzer = Analyzer(setup, TICK_PS)
    ticks = tuple(edges[i] for i in wire.INPUTS)
    analyzer.take(Batch(1, ticks, (NONE,) * 4, round(seconds * 1e12 / TICK_PS), []))
    return setup, analyzer.finish(), truth


def test_every_scenario_is_here_and_says_what_it_is():
    assert set(scenario.names("engine")) == {*STEADY, *OTHER}
    assert {name.removeprefix("bench-") for name in scenario.names("bench")} == {
        *MODULES,
        "jumpers",
    }
    titles = [scenario.load(name).title for name in scenario.names()]
    assert all(20 <= len(title) <= 100 for title in titles)
    assert len(set(titles)) == len(titles)


@pytest.mark.parametrize("name", STEADY)
def test_timing_is_inside_its_interval(name: str):
    setup, tables, truth = played(name, SECONDS.get(name, 20.0))
    found = measure.evaluate(setup, tables)
    assert found.timing is not None and found.expanded is not None, found.findings
    mine = truth.on_a & (truth.sparks > 0)
    true = float(np.mean(truth.btdc_deg[mine]))
    assert abs((found.timing - true + 180) % 360 - 180) <= found.expanded


@pytest.mark.parametrize("name", [n for n in STEADY if scenario.load(n).truth.controller.setting])
def test_the_next_setting_is_the_right_one(name: str):
    """The controller's right setting, less what the module's delay asks for, to one step."""
    setup, tables, _ = played(name, SECONDS.get(name, 20.0))
    found = measure.evaluate(setup, tables)
    truth = scenario.load(name).truth
    assert found.advice is not None and found.expanded is not None and found.rpm is not None
    right = truth.controller.right_setting + 6e-6 * found.rpm * truth.module.delay_us / setup.gain
    off = abs(found.advice.setting - right) * abs(setup.gain)
    assert off <= found.expanded + setup.step * abs(setup.gain) / 2 + 1e-9
    steps = found.advice.setting / setup.step
    assert steps == pytest.approx(round(steps))


def test_sparks_are_counted_where_a_module_gives_several():
    setup, tables, truth = played("marine-four", 20.0)
    found = measure.evaluate(setup, tables)
    assert found.spacing_us == pytest.approx(640, abs=2)
    counts = truth.sparks[truth.sparks > 0]
    total = sum(found.sparks.values())
    for number in np.unique(counts):
        share = float(np.mean(counts == number))
        assert found.sparks.get(int(number), 0) / total == pytest.approx(share, abs=0.02)


def test_the_scooter_loses_more_sparks_as_it_warms_up():
    """Share of firings missed, cold and hot, against the truth's by the binomial's interval."""
    setup, tables, truth = played("scooter-single", 120.0)
    whole = measure.evaluate(setup, tables)
    missed = np.count_nonzero(truth.sparks == 0)
    assert abs(whole.missing - missed) <= 3 and whole.expected == pytest.approx(
        len(truth.sparks), abs=4
    )
    shares = []
    for begin, end in ((0.0, 10.0), (100.0, 120.0)):
        part = truth.between(begin, end)
        shares.append(np.mean(part.sparks == 0))
    assert shares[0] < 0.08 < 0.2 < shares[1]


def test_the_twins_delay_and_fixed_angle_are_told_apart():
    setup, tables, _ = played("slow-twin", 55.0)
    fit = curve.curve(setup, tables).fit
    assert fit.told_apart
    assert abs(fit.fixed + 1.5) <= fit.u_fixed
    assert abs(fit.delay_us - 310) <= fit.u_delay_us + 0.02 * 310  # the speed of the moment swings


@pytest.mark.parametrize(
    ("name", "code"), [("no-start", "no_spark"), ("no-reference", "no_reference")]
)
def test_what_cannot_be_measured_is_said(name: str, code: str):
    setup, tables, _ = played(name, 15.0)
    found = measure.evaluate(setup, tables)
    assert found.timing is None and found.findings[0].code == code


def test_no_angle_where_the_crank_turned_back():
    """Each angle that is given is one that truly was; a stalling engine swings backwards."""
    setup, tables, truth = played("stall-four", 14.0)
    after = tables.sparks.degrees[np.isfinite(tables.sparks.degrees)]
    angles = setup.reference.angle - after
    assert len(angles) > 20
    true = truth.btdc_deg[truth.on_a & (truth.sparks > 0)]
    off = np.abs((angles[:, None] - true[None, :] + 180) % 360 - 180).min(axis=1)
    assert off.max() < 1.5


def run(*arguments: str):
    return CliRunner().invoke(cli.main, list(arguments))


def test_the_list_names_them_all():
    listed = run("scenarios")
    assert listed.exit_code == 0
    for name in scenario.names():
        assert f"  {name} " in listed.output
    assert [
        row["name"] for row in json.loads(run("scenarios", "--json").stdout)["scenarios"]
    ] == scenario.names()


def test_the_demo_ends_inside_half_a_step():
    done = run("demo")
    assert done.exit_code == 0, done.output
    text = " ".join(done.output.split())
    assert "setting 4 entered" in text and "no more than half a step" in text
    assert text.count(": inside the interval") == 2 and "OUTSIDE" not in text


@pytest.mark.parametrize(
    ("name", "code", "words"),
    [
        ("slow-twin", 0, "delay compensation"),
        ("scooter-single", 0, "missing sparks"),
        ("no-reference", 3, "no crank"),
        ("bench-dead", 3, "no spark answered"),
        ("no-such", 1, "no scenario called"),
    ],
)
def test_the_demo_plays_any_of_them(name: str, code: int, words: str):
    done = run("demo", name)
    assert done.exit_code == code, done.output
    assert words in " ".join(done.output.split())
