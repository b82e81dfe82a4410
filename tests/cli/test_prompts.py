"""Every question of `measure` in a real terminal: right, wrong, empty and strange answers."""

import sys
import tomllib
from pathlib import Path

import pytest

from sparkwitness.records.logbook import Logbook
from sparkwitness.simulator import scenario
from sparkwitness.simulator.board import SimulatedBoard
from sparkwitness.simulator.world import World

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals", allow_module_level=True)
from terminal import Terminal

STRANGE = ("nan", "1e999", "7,5,3", "-", "x" * 5000, "\x1b[31mred", "9" * 150, b"\xff\xfe\n",
           "1_0", "0x10", "'; DROP TABLE", "二")  # fmt: skip
# What to wait for, a wrong answer where a plain one exists, and the right one.
QUESTIONS = (
    ("What marks the crank", "37-40", "36-1"),
    ("Crank degrees BTDC of the pulse", "400", "68"),
    ("How well is that known", "-3", "0.15"),
    ("Crank sensor's input", "tape", "hall-optical"),
    ("Edge of the crank signal", "up", ""),
    ("Angle the controller is locked at", "91", "９"),  # a full-width digit is a digit
    ("Cylinders", "4.5", "4"),
    ("Strokes", "3", "4"),
    ("The clamp sits on", "belt", "coil"),
    ("Controller's reference offset now", "many", "5.5"),
    ("It counts degrees of", "cam", "distributor"),
    ("A larger setting", "both", "retards"),
    ("Smallest step of the setting", "-1", "0.25"),
    ("Least setting it takes", "none", "0"),
    ("Greatest setting it takes", "none", "12"),
)


@pytest.fixture
def board():
    world = World(scenario.load("marine-four"), 1)
    with SimulatedBoard(world) as made:
        yield made


def places(tmp_path: Path) -> dict[str, str]:
    return {
        "SPARKWITNESS_LOGBOOK": str(tmp_path / "book.db"),
        "SPARKWITNESS_ENGINES": str(tmp_path / "engines"),
    }


def test_every_question_takes_any_answer(board, tmp_path: Path):
    shell = Terminal("measure", "--port", board.port, "--once", **places(tmp_path))
    for text, wrong, right in QUESTIONS:
        for typed in ("?", wrong, *(STRANGE if text != "The clamp sits on" else STRANGE[:3])):
            shell.expect(text)
            shell.expect(": ")
            shell.send(typed)
        shell.expect(text)
        shell.expect(": ")
        shell.send(right)
    shell.expect("Save these answers as an engine?")
    shell.send("../up")
    shell.expect("Save these answers as an engine?")
    shell.send("Heron")
    shell.expect("taken the precautions?")
    shell.send("maybe")
    shell.expect("type y for yes".capitalize())
    shell.expect("taken the precautions?")
    shell.send("y")
    code = shell.close()
    assert code == 0, shell.said[-3000:]
    assert "true timing" in shell.said and "next setting" in shell.said
    kept = tomllib.loads((tmp_path / "engines" / "Heron.toml").read_text(encoding="utf-8"))
    for key, value in {
        "reference": "36-1", "reference_angle": 68.0, "reference_within": 0.15, "commanded": 9.0,
        "cylinders": 4, "clamp": "coil", "setting": 5.5, "counts": "distributor",
        "retards": True, "step": 0.25, "least": 0.0, "most": 12.0,
    }.items():  # fmt: skip
        assert kept[key] == value, key
    with Logbook(tmp_path / "book.db") as book:
        (run,) = book.runs()
    assert run.result["advice"]["setting"] == 3.25

    # The saved engine asks for the setting alone; it may have been changed since.
    again = Terminal(
        "measure", "--port", board.port, "--once", "--yes", "--engine", "Heron", **places(tmp_path)
    )
    again.expect("reference offset now [5.5]: ")
    again.send("")
    assert again.close() == 0
    with Logbook(tmp_path / "book.db") as book:
        assert [r.engine for r in book.runs()] == [None, "Heron"]

    # So does a run that is repeated; and new questions offer the last answers.
    like = Terminal("measure", "--port", board.port, "--once", "--yes", "--like", 2,
                    **places(tmp_path))  # fmt: skip
    like.expect("reference offset now [5.5]: ")
    like.send("")
    assert like.close() == 0
    last = Terminal("measure", "--port", board.port, "--once", "--yes", **places(tmp_path))
    last.expect("[36-1]: ")
    last.send("")
    last.expect("[68]: ")
    last.send(b"\x04")  # end of input
    assert last.close() == 1
    assert "the input ended" in last.said


def test_ctrl_c_at_a_question_ends_it(board, tmp_path: Path):
    shell = Terminal("measure", "--port", board.port, **places(tmp_path))
    shell.expect("What marks the crank")
    shell.expect(": ")
    shell.send(b"\x03")
    assert shell.close() == 1
    assert not (tmp_path / "book.db").exists() or not Logbook(tmp_path / "book.db").runs()


@pytest.mark.parametrize("columns", [1, 20])
def test_a_narrow_window_is_no_reason_to_fail(board, tmp_path: Path, columns: int):
    shell = Terminal("measure", "--port", board.port, columns=columns, **places(tmp_path))
    shell.expect("What marks the crank")
    shell.send(b"\x04")
    assert shell.close() == 1


def test_no_to_the_cautions_measures_nothing(board, tmp_path: Path):
    shell = Terminal(
        "measure", "--port", board.port, "--once", "--reference", "36-1", "--reference-angle", 68,
        "--reference-within", 0.15, "--falling", "trigger", "--commanded", 9, "--cylinders", 4,
        "--strokes", 4, "--clamp", "coil", "--setting", 5.5, "--counts", "distributor",
        "--retards", "--step", 0.25, "--least", 0, "--most", 12, **places(tmp_path),
    )  # fmt: skip
    shell.expect("taken the precautions?")
    shell.send("n")
    assert shell.close() == 1
    assert "nothing was done" in shell.said
