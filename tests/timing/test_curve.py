"""Timing against speed on simulated sweeps, and tooth errors learned from a run."""

import json

import numpy as np
import pytest

from sparkwitness.cli import sources
from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch
from sparkwitness.errors import UserError
from sparkwitness.simulator import scenario
from sparkwitness.simulator.world import TICK_PS, edges_for
from sparkwitness.timing import curve, wheel
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import CrankTracker, Reference
from sparkwitness.timing.setup import Setup
from test_measure import invoke, sentence

NONE = np.empty(0, np.int64)
TICK_S = TICK_PS * 1e-12


def swept(name: str, seconds: float, **changes):
    """(setup, tables, truth) of a scenario, without the interpreter."""
    built = scenario.load(name)
    setup = Setup.from_dict({**sources.typed_by_user(built.setup), **changes})
    edges, truth = edges_for(built, seconds, 3)
    analyzer = Analyzer(setup, TICK_PS)
    ticks = tuple(edges[i] for i in wire.INPUTS)
    analyzer.take(Batch(1, ticks, (NONE,) * 4, int(seconds / TICK_S), []))
    return setup, analyzer.finish(), truth


@pytest.fixture(scope="module")
def delayed():
    return swept("slow-twin", 50.0)


def test_delay_and_fixed_angle_are_told_apart(delayed):
    setup, tables, _ = delayed
    found = curve.curve(setup, tables)
    built = scenario.load("slow-twin").truth
    # The controller's own delay and the module's are both behind the commanded angle.
    delay = built.controller.delay_ms * 1e3 + built.module.delay_us
    gain = built.controller.sign * (2 if built.controller.counts == "distributor" else 1)
    fixed = gain * (built.controller.setting - built.controller.right_setting)
    assert abs(found.fit.fixed - fixed) <= found.fit.u_fixed
    # A delay acts at the speed of the moment, which swings; hence some per cent of leeway.
    assert found.fit.delay_us == pytest.approx(delay, rel=0.03)
    ahead, half = found.fit.predict(6000.0)
    assert ahead == pytest.approx(fixed - 6e-6 * 6000 * delay, abs=half + 0.5)


def test_bins_are_the_truth(delayed):
    setup, tables, truth = delayed
    found = curve.curve(setup, tables, width=500)
    used = truth.on_a & (truth.sparks > 0)
    for b in found.bins:
        near = used & (np.abs(truth.rpm - b.rpm) < 60)
        if near.sum() < 20:
            continue
        assert abs(b.timing - truth.btdc_deg[near].mean()) < b.expanded + 0.25


def test_against_the_controllers_map(tmp_path):
    setup, tables, _ = swept("sweep-four", 60.0)
    built = scenario.load("sweep-four").truth.controller.curve
    path = tmp_path / "map.csv"
    path.write_text("rpm,degrees\n" + "".join(f"{n},{a}\n" for n, a in built))
    found = curve.curve(setup, tables, 250.0, curve.read_curve(path))
    errors = np.array([b.error for b in found.bins])
    assert np.nanmax(np.abs(errors)) < 1.0 and len(errors) > 10
    assert found.stray <= 2
    locked = curve.curve(setup, tables)
    assert not locked.fit.told_apart and "straight line" in locked.fit.note


@pytest.mark.parametrize("text", ["", "800,10\n", "800,x\n900,3\n", "900,1\n900,2\n", "a,b\nc,d\n"])
def test_nonsense_curve_is_refused(tmp_path, text):
    path = tmp_path / "map.csv"
    path.write_text(text)
    found = sentence(invoke("curve", "--simulate", "idle-four", "--against", str(path)))
    assert str(path) in found.replace("\n", "") or "rpm and degrees" in found


@pytest.mark.slow
def test_curve_command():
    done = invoke("curve", "--simulate", "slow-twin", "--seconds", "30", "--json")
    assert done.exit_code == 0, done.output
    values = json.loads(done.stdout)
    assert len(values["bins"]) >= 3 and values["fit"]["delay_us"] > 250
    assert invoke("curve", "--simulate", "no-start", "--seconds", "2").exit_code == 3


def learned(tooth_error: float, rpm: float = 4000.0, seed: int = 5):
    built = scenario.vary(
        scenario.load("idle-four"),
        {"truth.reference.tooth_error_deg": tooth_error, "truth.speed.program": [[0, rpm]],
         "truth.engine.variation": 0.0},
    )  # fmt: skip
    edges, _ = edges_for(built, 10.0, seed)
    reference = Reference(36, 1)
    learner = wheel.WheelLearner(reference)
    tracker = CrankTracker(reference)
    for at in range(0, len(edges["crank"]), 997):
        learner.feed(tracker.feed(edges["crank"][at : at + 997], NONE)[0])
    return learner.result(2.0, TICK_S)


def test_tooth_errors_are_learned():
    # The same seed makes the same wheel; a slow, quiet engine is not needed to know it: the
    # simulator's own wheel tells the truth.
    from sparkwitness.simulator.world import World

    found = learned(0.1)
    built = scenario.vary(scenario.load("idle-four"), {"truth.reference.tooth_error_deg": 0.1})
    truth = World(built, 5).source.wheel.places - np.arange(35) * 10.0
    errors = np.array(found.reference.errors)
    off = errors - truth
    assert np.std(truth) > 0.07
    assert np.sqrt(np.mean(off**2)) < 2.5 * found.reference.u_errors < 0.16
    assert found.rpm == pytest.approx(4000, rel=0.01)


def test_even_wheel_has_no_errors_to_learn():
    found = learned(0.0)
    assert np.abs(found.reference.errors).max() < 4 * found.reference.u_errors
    with pytest.raises(UserError, match="gap"):
        wheel.WheelLearner(Reference(36))
    with pytest.raises(UserError, match="steady turns"):
        wheel.WheelLearner(Reference(36, 1)).result(2.0, TICK_S)


@pytest.mark.slow
def test_wheel_command(tmp_path):
    record, out = tmp_path / "run", tmp_path / "wheel.json"
    done = invoke("curve", "--simulate", "fast-six", "--seconds", "10", "--record", str(record))
    assert done.exit_code == 0, done.output
    kind = str(Setup.from_dict(json.loads(record.read_bytes().split(b"\n")[0])["setup"])
               .reference)  # fmt: skip
    done = invoke("wheel", str(record), "--reference", kind, "--cylinders", "6", "--out", str(out))
    assert done.exit_code == 0, done.output
    again = invoke("measure", "--from", str(record), "--wheel", str(out), "--json")
    assert again.exit_code == 0, again.output
    assert json.loads(again.stdout)["setup"]["reference"]["tooth_errors_deg"]
    assert "already exists" in sentence(
        invoke("wheel", str(record), "--reference", kind, "--out", str(out))
    )
    assert "is of a" in sentence(
        invoke("measure", "--from", str(record), "--reference", "36-2", "--reference-angle", "3",
               "--wheel", str(out))
    )  # fmt: skip
