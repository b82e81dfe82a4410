"""The bench test through the real firmware: every module, every way a run can end, the command."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from bench_world import MODULES, plan_for
from sparkwitness.bench import evaluate as bench
from sparkwitness.bench import run as bench_run
from sparkwitness.cli import main
from sparkwitness.decode.recording import Recorder
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError
from sparkwitness.simulator import scenario as scenarios
from sparkwitness.simulator.board import SimulatedBoard
from sparkwitness.simulator.world import World

SHORT = {"steps": [800, 4500], "seconds": 1, "ramps": [[2700, 3000, 1], [3000, 2700, 1]]}


def quiet(_: bench_run.Progress) -> None:
    pass


def drive(board, plan, path=None, watch=quiet, order=None):
    order = order or bench.remaining(plan, [])
    with Link(board.port) as link:
        recorder = Recorder(path, link.hello, bench_run.setup_of(plan, order)) if path else None
        return bench_run.run(link, plan, order, recorder, watch)


@pytest.mark.parametrize("name", MODULES)
def test_each_module_on_the_real_firmware(name, tmp_path):
    loaded = scenarios.load(f"bench-{name}")
    spec = loaded.truth.module
    extra = [[5900, 6500, 1]] if spec.limit_rpm else []
    plan = plan_for(loaded, **{**SHORT, "ramps": [*SHORT["ramps"], *extra]})
    path = tmp_path / "run.spark"
    with SimulatedBoard(World(loaded, 3)) as board:
        began = time.monotonic()
        ending = drive(board, plan, path)
        took = time.monotonic() - began
        truth = board.world.truth()
        assert board.world.source.rig.drive.rpm_to == 0  # outputs are off
    result = bench.evaluate(plan, [ending.collector])
    assert not result.loss.any()
    if name == "dead":
        assert took < 10
        assert ending.hopeless and not result.answered
        assert f"no spark answered {result.triggers} triggers" in result.findings[0].text
        assert "Look next" in result.findings[0].text
    else:
        assert ending.why == "" and not result.missing
        for point in result.points:
            mine = np.abs(truth.rpm - point.segment.rpm_to) < 1
            hit = mine & (truth.sparks > 0)
            true = 1e6 * np.mean((truth.spark_s - truth.trigger_s)[hit])
            assert abs(point.delay_us.value - true) < 1 + 3 * point.delay_us.u
            if not spec.delay_us_hot:
                assert abs(point.delay_us.value - spec.delay_us) < 1 + 3 * point.delay_us.u
            share = 1 - np.count_nonzero(hit) / np.count_nonzero(mine)
            assert point.drop_out[0] <= share <= point.drop_out[1]
        if spec.single_above_rpm:
            assert abs(result.sweep.switch_up.value / spec.single_above_rpm - 1) < 0.02
            assert abs(result.sweep.switch_down.value / spec.multi_below_rpm - 1) < 0.02
        if spec.limit_rpm:
            assert abs(result.sweep.rev_limit.value / spec.limit_rpm - 1) < 0.02
    assert "trigger_count" not in [f.code for f in result.findings]
    # The stored run gives the same numbers again.
    assert bench_run.load(path).result.to_dict() == result.to_dict()


def test_unplugged_in_the_middle_keeps_what_was_measured_and_goes_on_later(tmp_path):
    loaded = scenarios.load("bench-capacitive")
    plan = plan_for(loaded, steps=[1500, 2500, 5000], seconds=2, ramps=[])
    path = tmp_path / "run.spark"
    with SimulatedBoard(World(loaded, 3), speed=8.0) as board:

        def watch(now: bench_run.Progress) -> None:
            if now.segment == 1 and not pulled:
                pulled.append(True)
                threading.Thread(target=board.unplug).start()

        pulled: list[bool] = []
        ending = drive(board, plan, path, watch)
    assert "went away" in ending.why
    result = bench.evaluate(plan, [ending.collector])
    assert result.points[0].answered == result.points[0].triggers > 80
    assert "5000 rpm" in result.missing and "1500 rpm" not in result.missing
    stored = bench_run.load(path)
    assert stored.result.to_dict() == result.to_dict()

    with SimulatedBoard(World(loaded, 4)) as board:
        ending = drive(board, plan, stored.next_path, order=stored.remaining)
    assert ending.why == ""
    whole = bench_run.load(path)
    assert [p.name for p in whole.paths] == ["run.spark", "run-2.spark"]
    assert not whole.remaining and not whole.result.missing
    # The frame that was cut in two as the plug came out is damage, and no edge was in it.
    assert whole.result.loss.frames_damaged <= 1
    assert whole.result.loss.edges_lost == [0, 0, 0, 0]
    assert whole.result.points[0].triggers == result.points[0].triggers
    assert len(whole.result.points) == 3


def test_a_soak_goes_on_where_it_stopped(tmp_path):
    loaded = scenarios.load("bench-inductive")
    plan = plan_for(loaded, steps=[], ramps=[], soak_rpm=4000, soak_minutes=0.15)
    path = tmp_path / "soak.spark"

    def watch(now: bench_run.Progress) -> None:
        if now.done_s > 2:
            os.kill(os.getpid(), signal.SIGINT)

    with SimulatedBoard(World(loaded, 3)) as board:
        ending = drive(board, plan, path, watch)
        assert ending.why == "stopped by hand"
        assert board.world.source.rig.drive.rpm_to == 0
    stored = bench_run.load(path)
    ((index, left),) = stored.remaining
    done = stored.result.measured_s
    assert index == 0 and left == pytest.approx(9 - done) and 1 < done < 8
    with SimulatedBoard(World(loaded, 4)) as board:
        drive(board, plan, stored.next_path, order=stored.remaining)
    soak = bench_run.load(path).result.soak
    assert soak.minutes == pytest.approx(0.15, abs=0.01)
    assert sum(b.triggers for b in soak.bins) == pytest.approx(9 * 4000 / 30, rel=0.02)


def test_the_board_says_why_it_switched_its_outputs_off(tmp_path, monkeypatch):
    """A host that sends no renewal is silent for the lease, whatever else it sends."""
    send = Link._send
    monkeypatch.setattr(
        Link, "_send", lambda self, name, **fields:
        0 if name == "renew" else send(self, name, **fields)
    )  # fmt: skip
    with SimulatedBoard(World(scenarios.load("bench-inductive"), 3)) as board:
        ending = drive(board, plan_for(scenarios.load("bench-inductive")), tmp_path / "r.spark")
    assert ending.why == ("the board switched its outputs off: the host was silent for too long")
    assert "a minute allows" in bench_run.why_cut(4) and "fault" in bench_run.why_cut(8)
    assert bench_run.why_cut(2 | 16) == "the active time that a second allows was used up"
    assert bench_run.why_cut(16) == bench_run.why_cut(0) == "it does not say why"


def test_a_restart_of_the_board_ends_the_run(tmp_path):
    loaded = scenarios.load("bench-inductive")
    plan = plan_for(loaded, steps=[2000], seconds=30, ramps=[])
    with SimulatedBoard(World(loaded, 3), speed=8.0) as board:

        def watch(now: bench_run.Progress) -> None:
            if now.triggers > 60 and not reset:
                reset.append(True)
                board.reset()

        reset: list[bool] = []
        ending = drive(board, plan, None, watch)
    assert "restarted" in ending.why
    assert bench.evaluate(plan, [ending.collector]).answered > 20


def test_a_kill_leaves_the_outputs_off_and_the_recording_readable(tmp_path):
    """SIGTERM to the command in the middle of a run."""
    path = tmp_path / "run.spark"
    code = "from sparkwitness.cli import main; main()"
    command = [sys.executable, "-c", code, "bench", "--simulate", "inductive", "--record",
               str(path), "--steps", "2000", "--ramp", "none", "--seconds", "600"]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        deadline = time.monotonic() + 30
        while not path.exists() or path.stat().st_size < 20_000:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        os.kill(process.pid, signal.SIGTERM)
        said, _ = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    assert process.returncode == 5, said
    assert "stopped by hand" in said and "go on with --resume" in said.replace("\n", " ")
    assert bench_run.load(path).result.answered > 50


# The command


def invoke(*arguments: str, **more):
    return CliRunner().invoke(main, ["bench", *arguments], **more)


def test_command_json_record_against_and_plots(tmp_path):
    good, csv = tmp_path / "good.spark", tmp_path / "points.csv"
    plan = ("--steps", "1000,4500", "--seconds", "1", "--ramp", "none")
    first = invoke("--simulate", "capacitive", *plan, "--record", str(good), "--json",
                   "--points", str(csv), "--shots", str(tmp_path / "shots.csv"))  # fmt: skip
    assert first.exit_code == 0, first.output
    report = json.loads(first.stdout)
    assert [p["set_rpm"] for p in report["points"]] == [1000, 4500]
    assert report["points"][0]["delay_us"]["mean"] == pytest.approx(22, abs=1)
    assert len(csv.read_text().splitlines()) == 3
    shots = np.genfromtxt(tmp_path / "shots.csv", delimiter=",", names=True, dtype=None)
    assert len(shots) == report["triggers"]
    assert np.nanmean(shots["delay_us"]) == pytest.approx(22, abs=1)

    kept = CliRunner().invoke(main, ["logbook", "show", str(report["run"])])
    assert kept.exit_code == 0 and "drop-outs at 1000 rpm" in kept.output

    slow = invoke("--simulate", "slow", *plan, "--against", str(good), "--claim", "20@3000")
    assert slow.exit_code == 4, slow.output
    assert "DIFFERS from the known good module" in slow.output
    assert "Claim: " in slow.output
    paths = [line for line in slow.output.splitlines() if line.startswith("bytes in ")]
    assert max(len(line) for line in slow.output.splitlines() if line not in paths) <= 80

    again = invoke("--from", str(good), "--limit", "delay_us=:60", "--json")
    assert again.exit_code == 0
    assert json.loads(again.stdout)["points"] == report["points"]
    outside = invoke("--from", str(good), "--limit", "delay_us=:5")
    assert outside.exit_code == 4 and "OUTSIDE the limits" in outside.output


def test_command_says_what_a_dead_module_needs():
    began = time.monotonic()
    dead = invoke("--simulate", "dead")
    assert time.monotonic() - began < 10
    assert dead.exit_code == 3
    assert "no spark answered" in dead.output and "Look next" in dead.output


def test_claim_alone_needs_no_board():
    told = invoke("--claim-only", "--claim", "40@3000", "--cylinders", "4", "--json")
    assert told.exit_code == 0
    assert json.loads(told.stdout)["verdict"] == "impossible"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--steps", "-5"], "a step must be from 60 to 20000"),
        (["--steps", "fast"], "cannot be read; type it like 500,1000,3000"),
        (["--steps", "500:6000:0"], "the step must be above 0"),
        (["--steps", "500:6000:0.001"], "take a larger step"),
        (["--ramp", "500:6000"], "type it like 500:6000:20"),
        (["--limit", "delay_us"], "type it like delay_us=:60"),
        (["--limit", "delay_us=60:10"], "above its most"),
        (["--limit", "delay_us=:"], "neither least nor most"),
        (["--margin", "delay_us=x"], "type it like delay_us=5"),
        (["--claim", "20"], "type it like 9@2000"),
        (["--claim-only"], "needs a claim"),
        (["--simulate", "marine-four"], "is an engine, not a module"),
        (["--simulate", "nothing"], "no scenario called"),
        (["--plan", "/nonexistent.toml"], "cannot read the plan"),
        (["--against", "/nonexistent"], "cannot read"),
        (["--from", "/nonexistent"], "cannot read"),
        (["--resume", "/nonexistent"], "cannot read"),
        (["--from", "a", "--resume", "b"], "give one of"),
        (["--width", "nan"], "not a usable number"),
        (["--port", "/dev/nothing", "--kind", "inductive"], "before the cautions are confirmed"),
    ],
)
def test_bad_input_gets_one_sentence(arguments, sentence):
    told = invoke(*arguments)
    assert told.exit_code in (1, 2)
    text = " ".join(told.output.split())
    assert sentence in text
    assert "Traceback" not in told.output
    assert told.exception is None or isinstance(told.exception, SystemExit)


def test_a_recording_of_something_else_is_refused(tmp_path):
    path = tmp_path / "other.spark"
    recorder = Recorder(path, {"tick_ps": 24000}, {"cylinders": 4})
    recorder.write(b"\0abc\0")
    recorder.close()
    with pytest.raises(UserError, match="not of a bench test"):
        bench_run.load(path)
    plan = plan_for(scenarios.load("bench-inductive"))
    damaged = tmp_path / "damaged.spark"
    recorder = Recorder(damaged, {"tick_ps": 24000}, bench_run.setup_of(plan, [(0, 4.0)]))
    recorder.write(b"\0noise\0" * 40)
    recorder.close()
    with pytest.raises(UserError, match="not one good frame"):
        bench_run.load(damaged)
    for order in ([], [[99, 1]], "x", [[0]]):
        path = Path(tmp_path / f"order-{len(str(order))}.spark")
        recorder = Recorder(path, {"tick_ps": 24000}, {"bench": plan.to_dict(), "order": order})
        recorder.write(b"\0")
        recorder.close()
        with pytest.raises(UserError, match="does not say what was driven"):
            bench_run.load(path)


def test_a_bench_run_is_no_engine_recording(tmp_path):
    """`measure` refuses it in one sentence, too."""
    path = tmp_path / "run.spark"
    plan = plan_for(scenarios.load("bench-inductive"))
    recorder = Recorder(path, {"tick_ps": 24000}, bench_run.setup_of(plan, [(0, 4.0)]))
    recorder.write(b"\0abc\0")
    recorder.close()
    told = CliRunner().invoke(main, ["measure", "--from", str(path)])
    assert told.exit_code in (1, 2)
    assert told.exception is None or isinstance(told.exception, SystemExit)
