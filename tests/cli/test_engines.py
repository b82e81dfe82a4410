"""Saved engines, the file of defaults, completion, and what belongs to a shell."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.errors import UserError
from sparkwitness.records import engines
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

SETUP = Setup(
    Reference(36, 1, 1, 68.0, 0.1, (0.0, *(0.01,) * 34), 0.02), commanded=9.0, clamp="coil",
    setting=5.5, counts="distributor", retards=True, step=0.25, least=0.0, falling=("crank",),
)  # fmt: skip


@pytest.fixture(autouse=True)
def places(tmp_path: Path, monkeypatch):
    monkeypatch.setenv("SPARKWITNESS_ENGINES", str(tmp_path / "engines"))
    monkeypatch.setenv("SPARKWITNESS_CONFIG", str(tmp_path / "config.toml"))
    monkeypatch.setenv("SPARKWITNESS_LOGBOOK", str(tmp_path / "book.db"))
    return tmp_path


def run(*arguments: object, **more):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments], **more)


def sentence(result) -> str:
    assert result.exit_code in (1, 2) and "Traceback" not in result.output
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return " ".join(result.output.split())


def test_what_is_saved_is_read_back():
    engines.save("Heron 2", SETUP)
    assert engines.names() == ["Heron 2"] and engines.load("Heron 2") == ("Heron 2", SETUP)
    with pytest.raises(UserError, match="saved already"):
        engines.save("Heron 2", SETUP)
    with pytest.raises(UserError, match="did you mean Heron 2"):
        engines.load("Heron 3")
    engines.remove("Heron 2")
    assert engines.names() == []


@pytest.mark.parametrize("name", ["", ".", "../x", "a/b", "a\\b", "-x", "x" * 41, "a\n", "a\x00"])
def test_no_name_leaves_the_folder(name: str):
    with pytest.raises(UserError):
        engines.save(name, SETUP)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "format = 1"),
        ("format = 2", "newer sparkwitness"),
        ("format = 1", "no usable name"),
        ('format = 1\nname = "x"', "reference"),
        ('format = 1\nname = "../x"\nreference = "36-1"\nreference_angle = 1', "no usable name"),
        ('format = 1\nname = "x"\nreference = "36-40"\nreference_angle = 1', "40 left out"),
        ('format = 1\nname = "x"\nreference = "36-1"\nreference_angle = nan', "reference"),
        ('format = 1\nname = "x"\nreference = "36-1"\nreference_angle = 1e400', "reference"),
        ('format = 1\nname = "x"\nreference = "36-1"\nreference_angle = 1\nstep = true', "step"),
        ('format = 1\nname = "x"\nreference = "36-1"\nreference_angle = 1\ncylinder = 4',
         "did you mean cylinders"),
        ('format = 1\nname = "x"\nreference = "36-1"\nreference_angle = 1\ncylinders = 99',
         "from 1 to 16"),
        ('format = 1\nname = "x"\nreference = "36-1"\nreference_angle = 1\nfalling = ["x"]',
         "no input"),
        ("a = 1\na = 2", "TOML"),
        ("a = " + "[" * 5000, "TOML"),
        ("a = 1" + "0" * 5000, "TOML"),
        ("# " + "x" * 70_000, "larger than"),
        ("\udcff", "UTF-8"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_engine_is_refused_in_time(tmp_path: Path, text: str, words: str):
    path = tmp_path / "friend.toml"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    began = time.monotonic()
    assert words in sentence(run("engine", "add", path))
    assert time.monotonic() - began < 1
    assert engines.names() == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no FIFOs here")
def test_a_pipe_or_device_is_no_engine(tmp_path: Path):
    os.mkfifo(tmp_path / "pipe.toml")
    assert "no file" in sentence(run("engine", "add", tmp_path / "pipe.toml"))


def test_the_commands(tmp_path: Path):
    added = run(
        "engine", "add", "Heron", "--reference", "36-1", "--reference-angle", 68, "--commanded", 9,
        "--clamp", "coil", "--setting", 5.5, "--counts", "distributor", "--retards", "--step", 0.25,
    )  # fmt: skip
    assert added.exit_code == 0, added.output
    assert "Heron" in run("engine", "list").output
    (listed,) = json.loads(run("engine", "list", "--json").stdout)["engines"]
    assert listed["name"] == "Heron" and listed["setup"]["commanded_deg_btdc"] == 9.0
    text = run("engine", "show", "Heron").stdout
    assert 'reference = "36-1"' in text and "BTDC" in text
    (tmp_path / "sent.toml").write_text(text.replace('"Heron"', '"From a friend"'))
    assert run("engine", "add", tmp_path / "sent.toml").exit_code == 0
    assert engines.names() == ["From a friend", "Heron"]
    editor = f"{sys.executable} -c \"import sys, pathlib; p = pathlib.Path(sys.argv[1]); " \
             "p.write_text(p.read_text().replace('9.0', '8.0'))\""  # fmt: skip
    edited = run("engine", "edit", "Heron", env={"EDITOR": editor, "VISUAL": editor})
    assert edited.exit_code == 0, edited.output
    assert engines.load("Heron")[1].commanded == 8.0
    broken = editor.replace("8.0", "800.0").replace("9.0", "8.0")
    kept = run("engine", "edit", "Heron", env={"EDITOR": broken, "VISUAL": broken})
    assert "nothing was changed" in sentence(kept)
    assert engines.load("Heron")[1].commanded == 8.0
    assert run("engine", "remove", "Heron", "--yes").exit_code == 0
    assert "no engine called" in sentence(run("engine", "show", "Heron"))


def test_an_engine_is_the_set_up_of_a_measurement_and_of_its_repetition():
    typed = ("--simulate", "marine-four", "--once", "--json")
    added = run(
        "engine", "add", "Heron", "--reference", "36-1", "--reference-angle", 68,
        "--reference-within", 0.4, "--clamp", "coil", "--commanded", 7,
    )  # fmt: skip
    assert added.exit_code == 0
    found = json.loads(run("measure", *typed, "--engine", "Heron").stdout)
    assert found["setup"]["commanded_deg_btdc"] == 7
    assert found["setup"]["reference"]["angle_standard_deg"] == 0.2
    like = json.loads(run("measure", *typed, "--like", found["run"], "--commanded", 8).stdout)
    assert like["setup"] == {**found["setup"], "commanded_deg_btdc": 8.0}
    assert "no run 99" in sentence(run("measure", *typed, "--like", 99))
    made = run("engine", "add", "Again", "--like", found["run"])
    assert made.exit_code == 0 and engines.load("Again")[1].commanded == 7


def test_defaults_come_from_the_file_and_what_is_typed_comes_first(places: Path):
    file = places / "config.toml"
    assert "There is no" in run("config").output and "[measure]" in run("config").output
    file.write_text("[measure]\ncommanded = 11\nonce = true\n[tdc.lamp]\nflash = 60\n")
    found = json.loads(run("measure", "--simulate", "marine-four", "--json").stdout)
    assert found["setup"]["commanded_deg_btdc"] == 11
    typed = run("measure", "--simulate", "marine-four", "--json", "--commanded", 12)
    assert json.loads(typed.stdout)["setup"]["commanded_deg_btdc"] == 12
    assert "commanded = 11" in run("config").output
    for text, words in (
        ("[measur]\n", "did you mean measure"),
        ("[measure]\ncomanded = 1\n", "did you mean commanded"),
        ("measure = 3\n", "must be a table"),
        ('[measure]\ncommanded = "x"\n', "is not a number"),
        ("[measure\n", "TOML"),
    ):
        file.write_text(text)
        assert words in sentence(run("measure", "--simulate", "marine-four")), text
    assert run("config").exit_code == 0  # shows a file that cannot be used, to mend it


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_of_the_shell_and_knows_commands_options_and_scenarios(shell: str):
    script = run("completion", shell).output
    assert "_SPARKWITNESS_COMPLETE" in script and shell in script

    def completed(*words: str) -> str:
        env = {
            **os.environ, "_SPARKWITNESS_COMPLETE": f"{shell}_complete",
            "COMP_WORDS": " ".join(("sparkwitness", *words)), "COMP_CWORD": f"{len(words)}",
        }  # fmt: skip
        if shell == "fish":
            env["COMP_CWORD"] = words[-1]
        done = subprocess.run(
            [sys.executable, "-m", "sparkwitness"], env=env, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        return done.stdout

    assert "measure" in completed("mea")
    assert "--commanded" in completed("measure", "--comm")
    assert "van-six" in completed("measure", "--simulate", "van")


def test_quiet_leaves_results_findings_and_cautions():
    loud = run("measure", "--simulate", "marine-four", "--once")
    quiet = run("--quiet", "measure", "--simulate", "marine-four", "--once")
    assert "kept as run" in loud.output and "kept as run" not in quiet.output
    assert "true timing" in quiet.output and "! " in quiet.output
    assert "Before you go near it" in run("--quiet", "demo", "scooter-single").output


def test_the_module_is_the_command():
    done = subprocess.run(
        [sys.executable, "-m", "sparkwitness", "--version"], capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert done.stdout.startswith("sparkwitness")
