"""Controller and module told apart at the trigger tap; dwell; missing sparks by cause.

The engines are of the second hand (tests/truth), which shares no code with what measures. Many
runs of each are `make accuracy`.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from sparkwitness.cli import main
from sparkwitness.decode.flanks import UNKNOWN
from sparkwitness.errors import UserError
from sparkwitness.timing import dwell, firings, gates, gates_tap
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.firings import Choice
from sparkwitness.timing.placing import Marked, Placed
from sparkwitness.timing.setup import Setup
from truth import where

TICK_S = 24e-9
ROWS = {row.name: row for row in where.rows()}


@pytest.mark.parametrize("name", [n for n in ROWS if " 800" in n or "rpm" not in n])
def test_a_few_runs_of_each_row(name):
    done = where.score(name, 3, 50_000)
    assert not [f for f in done.missed() if done.outcomes[f][2] == "true"]


def _tap(rises, falls) -> Marked:
    ticks = np.concatenate((rises, falls))
    level = np.repeat((1, 0), (len(rises), len(falls))).astype(np.int8)
    order = np.argsort(ticks)
    ticks = np.rint(ticks[order] / TICK_S).astype(np.int64)
    n = len(ticks)
    at = Placed(ticks, ticks * TICK_S * 6000.0, np.zeros(n, np.int64), np.ones(n))
    return Marked(at, np.zeros(n, np.bool_), level[order])


def _ticks(seconds) -> np.ndarray:
    return np.rint(np.asarray(seconds) / TICK_S).astype(np.int64)


FIRES = 0.02 * np.arange(1, 101)


def test_both_flanks_fit_a_short_pulse_that_is_always_as_long():
    tap = _tap(FIRES - 300e-6, FIRES)
    choice = firings.choose(tap, _ticks(FIRES + 20e-6), TICK_S, "auto")
    assert (choice.level, choice.why) == (None, "both")
    # Typed, it is no question.
    assert firings.choose(tap, _ticks(FIRES + 20e-6), TICK_S, "falling").level == firings.FALLING


def test_the_flank_is_told_by_what_scatters():
    rng = np.random.default_rng(4)
    wide = 300e-6 + 30e-6 * rng.standard_normal(len(FIRES))
    tap = _tap(FIRES - wide, FIRES)
    assert firings.choose(tap, _ticks(FIRES + 20e-6), TICK_S, "auto").level == firings.FALLING


def test_sparks_that_follow_neither_flank():
    rng = np.random.default_rng(5)
    tap = _tap(FIRES - 3e-3, FIRES)
    choice = firings.choose(tap, _ticks(np.sort(rng.uniform(0, 2, 100))), TICK_S, "auto")
    assert (choice.level, choice.why) == (None, "none")


def test_one_stamped_flank_far_from_the_spark_may_be_the_wrong_one():
    tap = _tap(FIRES - 600e-6, FIRES)
    one = tap.pick(tap.level == 1)
    assert firings.choose(one, _ticks(FIRES + 20e-6), TICK_S, "auto").why == "one"
    near = tap.pick(tap.level == 0)
    assert firings.choose(near, _ticks(FIRES + 20e-6), TICK_S, "auto").level == firings.FALLING


def test_bounce_of_closing_and_opening_is_no_firing():
    """Closing bounce 0.1 ms and opening bounce: one firing each, dwell from the first closing."""
    ons = np.sort(np.concatenate((FIRES - 8e-3, FIRES - 8e-3 + 180e-6, FIRES + 120e-6)))
    offs = np.sort(np.concatenate((FIRES - 8e-3 + 100e-6, FIRES, FIRES + 170e-6)))
    tap = _tap(offs, ons)  # contacts: closed is low
    found = firings.firings(tap, firings.RISING, _ticks(FIRES + 5e-6), TICK_S)
    inner = found.pick(np.arange(1, len(found) - 1))
    np.testing.assert_allclose(inner.tick * TICK_S, FIRES[1:-1], atol=TICK_S)
    np.testing.assert_allclose((inner.tick - inner.on_tick) * TICK_S, 8e-3, atol=2 * TICK_S)
    assert (inner.bounces == 2).all()


def test_a_lost_edge_makes_a_firing_unknown_and_nothing_else():
    tap = _tap(FIRES - 3e-3, FIRES)
    whole = firings.firings(tap, firings.FALLING, _ticks(FIRES + 1e-5), TICK_S)
    keep = np.ones(len(tap), np.bool_)
    keep[40] = False  # a rising one
    cut = tap.pick(keep)
    cut.lost[40] = True
    found = firings.firings(cut, firings.FALLING, _ticks(FIRES + 1e-5), TICK_S)
    np.testing.assert_array_equal(found.tick, whole.tick)
    assert np.count_nonzero(~found.known[1:]) == 1  # before the first nothing is known
    assert np.count_nonzero(found.on_tick < 0) == 1


def test_unknown_levels_are_of_no_flank():
    tap = _tap(FIRES - 3e-3, FIRES)
    blind = Marked(tap.at, tap.lost, np.full(len(tap), UNKNOWN, np.int8))
    assert firings.choose(blind, _ticks(FIRES + 1e-5), TICK_S, "auto").why == "none"


@pytest.mark.parametrize(
    ("cylinders", "share", "degrees"),
    # Closing angle = closed share of 360° / z (handbooks' arithmetic; values of the trade's
    # tables from memory: 4 cylinders 50° are 56 %, 6 cylinders 38° are 63 %, 8 cylinders 27° 60 %).
    [(4, 0.5556, 50.0), (6, 0.6333, 38.0), (8, 0.6, 27.0)],
)
def test_closing_angle_as_in_the_handbooks(cylinders, share, degrees):
    assert dwell.closing_angle(cylinders, share) == pytest.approx(degrees, abs=0.01)


@pytest.mark.parametrize(
    ("cylinders", "closed", "ms", "share"), [(4, 60.0, 4.0, 0.667), (6, 35.0, 2.33, 0.583)]
)
def test_dwell_as_in_a_published_worked_example(cylinders, closed, ms, share):
    """Worked example of "The dwell angle" (ignitioncarsystem.wixsite.com/ignitionphysics/
    cam-dwell-angle, read November 2026): at 5000 rpm a four has a spark every 6 ms, and contacts
    closed for 60° of 90° stand closed for 4 ms of it; a six every 4 ms, 35° of 60° are 58 %.
    """
    rng = np.random.default_rng(1)
    world, typed = where.usual(
        rng, 5000, cylinders, coil=True, falls=False, swing=0.001, delay_us=4.0,
        dwell_deg=(2 * closed,) * cylinders,
    )  # fmt: skip
    world = replace(world, engine=replace(world.engine, rpm=5000.0))
    found = where.measured(world, typed, rng)[0].split.dwell
    assert found.ms == pytest.approx(ms, abs=0.02)
    assert found.ms + found.pause_ms == pytest.approx(120e3 / 5000 / cylinders, abs=0.02)
    assert found.share == pytest.approx(share, abs=2e-3)
    assert found.cam_deg == pytest.approx(closed, abs=0.05)
    assert dwell.closing_angle(cylinders, found.share) == pytest.approx(closed, abs=0.2)


def test_dwell_of_contacts_is_the_closing_angle():
    """An engine of the second hand with 100 crank degrees closed: 50 of the distributor, 56 %."""
    rng = np.random.default_rng(1)
    world, typed = where.usual(
        rng, 900, 4, coil=True, falls=False, dwell_deg=(100.0,) * 4, delay_us=4.0
    )
    found = where.measured(world, typed, rng)[0].split.dwell
    assert abs(found.crank_deg - 100) <= found.crank_deg.u95 + 0.02
    assert found.cam_deg == pytest.approx(found.crank_deg / 2)
    assert found.cam_deg == pytest.approx(
        dwell.closing_angle(4, found.share), rel=0.03
    )  # by time: the speed swings


def test_current_of_a_coil():
    """One time constant 63.2 %, three 95.0 %, five 99.3 % (e.g. any text on R-L circuits)."""
    for times, share in ((1, 0.632), (3, 0.950), (5, 0.993)):
        assert dwell.charged(times * 2.4, 2.4) == pytest.approx(share, abs=5e-4)


# Gates: every row strikes where it should, and says so.

SETUP = Setup(Reference(36, 1), commanded=20.0, cylinders=4, clamp="coil", setting=3.0)


def _evidence(**changes) -> gates_tap.Evidence:
    rng = np.random.default_rng(1)
    world, typed = where.usual(rng, 1500, 4, coil=True, delay_us=8.0)
    split = where.measured(world, typed, rng)[0].split
    split = replace(split, **{k: v for k, v in changes.items() if hasattr(split, k)})
    setup = replace(SETUP, coil_ms=changes.get("coil_ms"))
    choice = Choice(firings.FALLING, changes.get("why", ""), (("falling", 8e-6),))
    return gates_tap.Evidence(setup, choice, split, 400)


def _codes(evidence) -> dict:
    judged = gates.judge(evidence, gates_tap.ROWS)
    assert all("{" not in f.text and len(f.text) > 50 for f in judged.findings)
    return {f.code: f for f in judged.findings}


@pytest.fixture(scope="module")
def sound():
    return _evidence()


def test_a_sound_split_says_little(sound):
    assert set(_codes(sound)) <= {"latency"}


@pytest.mark.parametrize("why", ["both", "none", "one", "few"])
def test_a_flank_that_cannot_be_told_is_refused(sound, why):
    evidence = replace(sound, choice=replace(sound.choice, level=None, why=why), split=None)
    judged = gates.judge(evidence, gates_tap.ROWS)
    assert [f.code for f in judged.findings] == [f"tap_{why}"]
    assert judged.findings[0].advice  # the error itself may still be advised on


def test_what_the_split_shows_is_said(sound):
    number, split = type(sound.split.delay_us), sound.split

    def struck(**changes):
        return set(_codes(replace(sound, split=replace(split, **changes))))

    assert "module_slow" in struck(delay_us=number(812.0, 2.0))
    assert "module_early" in struck(delay_us=number(-9.0, 2.0))
    assert "latency" in struck(delay_us=number(80.0, 2.0), module=number(-0.7, 0.02))
    counts = split.counts
    assert "trigger_no_spark" in struck(counts=replace(counts, no_spark=9))
    assert "no_trigger" in struck(counts=replace(counts, no_trigger=9))
    assert "spark_no_trigger" in struck(counts=replace(counts, unasked=9))
    assert "bounce" in struck(dwell=replace(split.dwell, bounced=0.3, bounce_us=300.0))
    short = replace(split.dwell, ms=number(0.3, 0.01))
    assert "dwell_short" in struck(dwell=short)
    assert "dwell_long" in struck(dwell=replace(split.dwell, pause_ms=0.4))
    # With the coil's own time constant as the limit.
    coil = replace(sound.setup, coil_ms=1.0)
    full = replace(split.dwell, ms=number(6.0, 0.01), charged=dwell.charged(6.0, 1.0))
    evidence = replace(sound, setup=coil, split=replace(split, dwell=full))
    assert "dwell_long" in _codes(evidence)
    few = replace(split.dwell, ms=number(0.7, 0.01), charged=dwell.charged(0.7, 1.0))
    found = _codes(replace(sound, setup=coil, split=replace(split, dwell=few)))
    assert "50 %" in found["dwell_short"].text


def test_advice_cures_the_controllers_part_whole_and_leaves_the_modules(sound):
    number = type(sound.split.delay_us)
    split = replace(
        sound.split, controller=number(6.2, 0.2), module=number(-1.3, 0.02),
        delay_us=number(41.0, 1.0),
    )  # fmt: skip
    tip, more = gates_tap.advise(SETUP, split, ())
    assert not more and tip.setting == pytest.approx(3.0 - 6.2)
    assert tip.remaining == pytest.approx(-1.3)
    assert "no offset cures a delay" in tip.note


def test_behind_an_isolator_the_flank_has_the_signals_name():
    """The pin falls where the signal rises (hardware/delays.json, isolated)."""
    rng = np.random.default_rng(2)
    world, typed = where.usual(rng, 1500, 4, coil=True, falls=True, delay_us=30.0)
    isolated = {**typed, "trigger": "rising", "trigger_kind": "isolated"}
    split = where.measured(world, isolated, rng)[0].split
    assert split is not None and split.flank == "rising"
    assert abs(split.delay_us - 30.0) < 2.5


def test_set_up_refuses_what_cannot_be():
    for wrong in (
        {"order": (1, 3, 4)}, {"firing": (0.0, 90.0)}, {"index": "clamp_a"},
        {"trigger": "up"}, {"trigger_kind": "points", "trigger": "falling"}, {"coil_ms": 0.0},
    ):  # fmt: skip
        with pytest.raises(UserError):
            Setup(Reference(36, 1), cylinders=4, **wrong)


def test_the_command_tells_controller_and_module_first(tmp_path):
    done = CliRunner().invoke(
        main, ["measure", "--simulate", "van-six", "--once", "--yes", "--no-log"]
    )
    assert done.exit_code == 0, done.output
    lines = [line for line in done.output.splitlines() if not line.startswith("!")]
    assert lines[0].startswith("controller") and lines[1].startswith("module")
    as_json = CliRunner().invoke(
        main, ["measure", "--simulate", "van-six", "--once", "--yes", "--no-log", "--json"]
    )
    split = json.loads(as_json.stdout)["split"]
    truth = 32.0  # the scenario's delay_us
    assert abs(split["module_delay_us"] - truth) <= split["module_delay_expanded_us"]
    assert split["dwell"]["ms"] == pytest.approx(3.4, abs=0.01)


def test_without_a_tap_nothing_of_it_is_shown_but_one_hint():
    done = CliRunner().invoke(
        main, ["measure", "--simulate", "marine-four", "--once", "--yes", "--no-log"]
    )
    assert done.exit_code == 0, done.output
    text = " ".join(done.output.split())
    assert text.count("trigger tap") == 1
    for word in ("dwell", "controller asks", "module answers", "by cause"):
        assert word not in text
