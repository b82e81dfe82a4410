"""`bench plan`: a plan file to edit that is a plan as it stands."""

import re
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparkwitness.bench import plan
from sparkwitness.cli import main


def run(*words: object):
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.mark.parametrize("kind", plan.KINDS)
def test_it_holds_the_defaults_and_every_entry(tmp_path: Path, kind: str):
    file = tmp_path / "p.toml"
    done = run("bench", "plan", file, "--kind", kind)
    assert done.exit_code == 0 and "edit it" in done.output
    made = plan.Plan.from_dict(plan.load(file))
    wanted = plan.Plan.from_dict({"kind": kind, "repeats": 3, "margins": plan.DEFAULT_MARGINS})
    width = 1000 if kind == "capacitive" else 3000
    assert {**made.to_dict(), "width_us": 0} == {**wanted.to_dict(), "width_us": 0}
    assert made.width_us == width
    named = set(tomllib.loads(file.read_text(encoding="utf-8")))
    # The clamp path's delay is taken from the conditioner's simulation, not typed.
    left = {"clamp_delay_us", "u_clamp_delay_us", "u_clip_us"}
    # Conditions have no value until they are read: they stand there as comments.
    left |= {"supply_v", "temperature_c"}
    assert all(
        f"# {name} = " in file.read_text(encoding="utf-8") for name in ("supply_v", "temperature_c")
    )
    assert named == set(plan.Plan().to_dict()) - left


@pytest.mark.parametrize("kind", plan.KINDS)
def test_each_limit_is_one_when_its_mark_is_taken_away(kind: str):
    text = re.sub(r"^# (\w+ = \{)", r"\1", plan.sample(kind), flags=re.MULTILINE)
    made = plan.Plan.from_dict(tomllib.loads(text))
    assert set(made.limits) == set(plan.QUANTITIES)


def test_no_file_is_written_over_and_the_plan_drives(tmp_path: Path):
    file = tmp_path / "plan.toml"
    assert run("bench", "plan", file).exit_code == 0
    again = run("bench", "plan", file)
    assert again.exit_code == 1 and "already exists" in again.output
    assert run("bench", "plan", tmp_path / "no" / "x.toml").exit_code == 1
    text = file.read_text(encoding="utf-8")
    short = re.sub(r"^(steps|ramps|seconds|repeats) = .*$", "", text, flags=re.MULTILINE)
    file.write_text(f"steps = [1000, 2000]\nseconds = 1\nrepeats = 1\nramps = []\n{short}")
    done = run("bench", "--plan", file, "--simulate", "inductive", "--yes", "--no-log")
    assert done.exit_code == 0, done.output


def test_defaults_from_the_file_reach_a_command_that_has_commands(tmp_path: Path, monkeypatch):
    monkeypatch.setenv("SPARKWITNESS_CONFIG", str(tmp_path / "config.toml"))
    config = tmp_path / "config.toml"
    config.write_text(
        '[bench]\nsteps = "1500"\nramp = ["none"]\nseconds = 1\n[bench.plan]\nkind = "capacitive"\n'
    )
    file = tmp_path / "p.toml"
    assert run("bench", "plan", file).exit_code == 0
    assert plan.load(file)["kind"] == "capacitive"
    done = run("bench", "--simulate", "inductive", "--repeats", 1, "--yes", "--no-log")
    assert done.exit_code == 0 and "1500 rpm, 1 s each" in done.output, done.output
    config.write_text("[bench]\nstep = 3\n")
    wrong = run("bench", "--simulate", "inductive", "--yes", "--no-log")
    assert wrong.exit_code == 1 and "did you mean steps" in " ".join(wrong.output.split())
