"""Every other question in a real terminal: wrong, empty and strange answers, then the right one.

Those of a set-up are in test_prompts.py. The last test here looks that none is forgotten.
"""

import ast
import json
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.records import cases, engines
from sparkwitness.records.logbook import Logbook
from sparkwitness.simulator import scenario
from sparkwitness.simulator.board import SimulatedBoard
from sparkwitness.simulator.world import World

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals", allow_module_level=True)
from terminal import Terminal

HERE = Path(__file__).parent
PAGE = b"<html>\n  <head>\n <p>y</p>\n1\n  y\n</html>\n"
NO_NUMBERS = (
    "", "nan", "-inf", "1e999", "7,5,3", "7,5", "--", "x" * 5000, b"\xff\xfe\n", "\x1b[31m", "1_0",
    "0x10", "'; DROP TABLE runs", "二", "½", PAGE,
)  # fmt: skip
NO_WORDS = ("maybe", "9", "x" * 5000, b"\xff\xfe\n", "\x1b[31mred", "nan", PAGE)


def pester(shell: Terminal, prompt: str, wrong: tuple[str | bytes, ...], right: str | None) -> None:
    """Each wrong answer gets one sentence and the question again; then the right one is typed."""
    for typed in wrong:
        shell.expect(prompt)
        shell.expect(": ")
        shell.send(typed)
    shell.expect(prompt)
    shell.expect(": ")
    if right is not None:
        shell.send(right)


@contextmanager
def board(name: str) -> Iterator[SimulatedBoard]:
    with SimulatedBoard(World(scenario.load(name), 1)) as made:
        yield made


def run(*words: object):
    return CliRunner().invoke(cli.main, [str(w) for w in words])


@pytest.fixture
def places(tmp_path: Path, monkeypatch) -> dict[str, str]:
    made = {
        "SPARKWITNESS_LOGBOOK": str(tmp_path / "book.db"),
        "SPARKWITNESS_ENGINES": str(tmp_path / "engines"),
        "SPARKWITNESS_CONFIG": str(tmp_path / "config.toml"),
        "XDG_DATA_HOME": str(tmp_path / "data"),
    }
    for name, value in made.items():
        monkeypatch.setenv(name, value)
    return made


SETUP = (
    "--reference", "36-1", "--reference-angle", 68, "--reference-within", 0.15, "--falling",
    "trigger", "--commanded", 9, "--cylinders", 4, "--strokes", 4, "--clamp", "coil", "--setting",
    5.5, "--counts", "distributor", "--retards", "--step", 0.25, "--least", 0, "--most", 12,
)  # fmt: skip


def test_a_pasted_page_is_one_wrong_answer_and_answers_nothing_else(places):
    with board("marine-four") as made:
        shell = Terminal("measure", "--port", made.port, "--once", *SETUP, **places)
        shell.expect("taken the precautions?")
        shell.send(b"what is this?\ny\ny\ny\n")
        shell.expect("Type y for yes or n for no.")
        time.sleep(0.5)
        asked = shell.said.count("taken the precautions?")
        shell.send("n")
        assert shell.close() == 1 and "nothing was done" in shell.said
        assert asked <= 2 and shell.said.count("Type y for yes") == 1


def test_a_yes_typed_before_the_cautions_does_not_count(places):
    with board("marine-four") as made:
        shell = Terminal("measure", "--port", made.port, "--once", *SETUP, **places)
        shell.send("y")  # long before anything is shown
        shell.expect("taken the precautions?")
        time.sleep(0.5)
        assert "true timing" not in shell.said
        shell.send("n")
        assert shell.close() == 1 and "nothing was done" in shell.said


def test_the_setting_entered_after_a_measurement(places, tmp_path: Path):
    with board("marine-four") as made:
        shell = Terminal("measure", "--port", made.port, "--yes", *SETUP, **places)
        wrong = tuple(w for w in NO_NUMBERS if w != "")
        pester(shell, "Setting now in the controller", ("?", *wrong, "99", "-1"), "5.5")
        assert "The greatest setting is 12." in shell.said
        assert "The least setting is 0." in shell.said
        pester(shell, "Setting now in the controller", (), "q")
        assert shell.close() == 0
    with Logbook(tmp_path / "book.db") as book:
        assert len(book.runs()) == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("curve", *SETUP), "nothing was done"),
        (("live", "--terminal", *SETUP), "nothing was done"),
        (("check", "supply"), "nothing was done"),
        (("tdc", "lamp", "--reference", "36-1", "--reference-angle", 68), "nothing was done"),
    ],
)
def test_no_to_the_cautions_does_nothing(places, words, said: str):
    with board("marine-four") as made:
        shell = Terminal(*words, "--port", made.port, **places)
        pester(shell, "taken the precautions?", NO_WORDS, "n")
        assert shell.close() == 1 and said in shell.said
        assert made.world.lamp_now.mode == 0


def test_the_self_test_asks_whether_only_jumpers_are_there(places):
    with board("bench-jumpers") as made:
        shell = Terminal("board", "selftest", "--port", made.port, **places)
        pester(shell, "Is nothing but the jumpers connected?", NO_WORDS, "")
        assert shell.close() == 1 and "nothing was done" in shell.said


def test_what_the_lamp_shows(places):
    with SimulatedBoard(World(scenario.load("marine-four"), 1), speed=1.0) as made:
        shell = Terminal(
            "tdc", "lamp", "--reference", "36-1", "--reference-angle", 68, "--yes", "--port",
            made.port, **places,
        )  # fmt: skip
        wrong = tuple(w for w in NO_NUMBERS if w != "")
        pester(shell, "How far has the mark still to go", wrong, "-1.5")
        assert shell.close() == 0
        assert "The mark stands 1.50° past its place" in shell.said.replace("\n", " ")
        assert "photosensitive epilepsy" in shell.said  # beside any flashing light


def test_the_bench_asks_what_is_on_it(places):
    with board("bench-capacitive") as made:
        short = ("--steps", "1000", "--seconds", "1", "--ramp", "none", "--repeats", 1)
        shell = Terminal("bench", "--port", made.port, *short, **places)
        pester(shell, "Principle", NO_WORDS, "capacitive")
        pester(shell, "Active level of the trigger pulse", NO_WORDS, "")
        pester(shell, "It fires at the pulse's", NO_WORDS, "start")
        numbers = tuple(w for w in NO_NUMBERS if w != "")
        pester(shell, "Pulse width", numbers, "1000")
        pester(shell, "Firings per working cycle", (*numbers, "4.5"), "4")
        pester(shell, "Have you read this and taken the precautions?", NO_WORDS, "n")
        assert shell.close() == 1 and "nothing was done" in shell.said
        assert made.world.source.rig.drive.rpm_to == 0
        shell = Terminal("bench", "--port", made.port, *short, **places)
        for prompt, typed in (("Principle", "i"), ("Active level", ""), ("Dwell", "3000")):
            pester(shell, prompt, (), typed)
        pester(shell, "Firings per working cycle", (), "４")  # a full-width digit is a digit
        pester(shell, "taken the precautions?", (), "n")
        assert shell.close() == 1


def test_an_engine_is_deleted_after_a_yes_only(places, tmp_path: Path):
    assert run("engine", "add", "Heron", *SETUP).exit_code == 0
    shell = Terminal("engine", "remove", "Heron", **places)
    pester(shell, "Delete Heron?", NO_WORDS, "")
    assert shell.close() == 1 and engines.has("Heron")
    editor = tmp_path / "editor"
    editor.write_text("#!/bin/sh\necho 'cylinders = 99' > \"$1\"\n")
    editor.chmod(0o755)
    shell = Terminal("engine", "edit", "Heron", EDITOR=str(editor), VISUAL=str(editor), **places)
    pester(shell, "Edit it again?", NO_WORDS, "n")
    assert shell.close() == 1 and "nothing was changed" in shell.said
    shell = Terminal("engine", "remove", "Heron", **places)
    pester(shell, "Delete Heron?", (), "yes")
    assert shell.close() == 0 and not engines.has("Heron")


def test_recordings_are_deleted_after_a_yes_only(places, tmp_path: Path):
    folder = tmp_path / "recordings"
    folder.mkdir()
    lost = folder / "20260101T000000.000000Z-1.rec"
    lost.write_bytes(b"x")
    os.utime(lost, (1e9, 1e9))
    shell = Terminal("logbook", "tidy", **places)
    pester(shell, "Delete them?", NO_WORDS, "")
    assert shell.close() == 1 and lost.exists()
    shell = Terminal("logbook", "tidy", **places)
    pester(shell, "Delete them?", (), "y")
    assert shell.close() == 0 and not lost.exists()


def test_the_search_by_hand(places, tmp_path: Path):
    store = tmp_path / "run.json"
    shell = Terminal("findfault", "--store", store, **places)
    pester(shell, "turn the engine over", ("?", *NO_WORDS), "y")
    # Inductive, a pick-up, a coil of wire, a distributor, a steady feed: the questions in turn.
    for number in range(5):
        pester(shell, "Which", ("?", "", "z", "9", *(NO_WORDS if not number else ())), "b"
               if number == 0 else "a")  # fmt: skip
    pester(shell, "Will the board be connected", NO_WORDS, "")
    hint = "q quit: "
    for typed in ("", "purple", "x" * 5000, b"\xff\xfe\n", "\x1b[31m", PAGE, "1e999", "?", "w"):
        shell.expect(hint)
        shell.send(typed)
    shell.expect(hint)
    shell.send("u")
    shell.expect("nothing to undo")
    shell.expect(hint)
    shell.send("o")
    pester(shell, "Number, 0 to go back", ("nan", "-1", "999", "1.5", "二", PAGE), "0")
    shell.expect(hint)
    shell.send("a")
    shell.expect(hint)
    shell.send("q")
    assert shell.close() == 3
    assert "Kept. Go on with" in shell.said
    assert [e["test"] for e in json.loads(store.read_text())["events"]] == ["air_fuel"]


def test_no_starter_no_search(places, tmp_path: Path):
    shell = Terminal("findfault", "--store", tmp_path / "run.json", **places)
    pester(shell, "turn the engine over", (), "n")
    assert shell.close() == 3
    assert "check supply" in shell.said and not (tmp_path / "run.json").exists()


# The walk again: a link is not sure on one look.
FOUND = ("air_fuel=a", "supply_walk=b", "ground_drop=1.4", "rev_counter=b", "supply_walk=b")
KINDS = ("--switch", "inductive", "--trigger", "pickup", "--sensor", "coil", "--distribution",
         "distributor", "--feed", "steady")  # fmt: skip


def test_after_the_search_has_ended(places, tmp_path: Path):
    store = tmp_path / "run.json"
    say = [f"--say={answer}" for answer in FOUND]
    assert run("findfault", *KINDS, "--by-hand", "--store", store, *say).exit_code == 0
    shell = Terminal("findfault", "--resume", store, **places)
    pester(shell, "m mended, o other test", ("", "purple", "?", *NO_WORDS), "m")
    pester(shell, "Which link", ("no such", "nan", PAGE), "")
    pester(shell, "Does the engine start now?", ("", *NO_WORDS), "yes")
    shell.expect("idle speed that rose by itself")
    assert shell.close() == 0
    assert "sparkwitness measure" in shell.said


def test_one_crank_with_the_board(places, tmp_path: Path):
    """Live tests: what cannot be connected, the wheel, the cylinders, and taking the answers."""
    store = tmp_path / "run.json"
    with board("no-start") as made:
        shell = Terminal(
            "findfault", *KINDS, "--turns-over", "--store", store, "--port", made.port, **places
        )
        hint = "connected, now crank"
        shell.expect("q quit: ")
        shell.send("a")
        pester(shell, hint, ("purple", "0", "99", "二", "\x1b[31m", PAGE), "")
        pester(shell, "Cylinders", ("nan", "0", "17", "4.5", "1e999", PAGE), "4")
        pester(shell, "What marks the crank", ("37-40", "nan", "\x1b[31m"), "36-1")
        pester(shell, "Take these answers?", NO_WORDS, "n")
        pester(shell, hint, (), "q")
        assert shell.close() == 3


def test_a_case_from_the_symptom_to_the_last_look(places, tmp_path: Path):
    """All of `case`, each question with wrong answers first."""
    free = ("\x1b[31mred", "x" * 5000, b"\xff\xfe\n", PAGE)
    with board("marine-four") as made:
        saved = run("engine", "add", "Heron", *SETUP)
        assert saved.exit_code == 0, saved.output
        shell = Terminal("case", "--help", **places)
        assert shell.close() == 0
        shell = Terminal("case", "go", "--port", made.port, **places)
        pester(shell, "What is wrong?", ("", "?", *free), "runs badly; 二 cylinders")
        pester(shell, "Engine's name (Enter: none)", free, "Heron")
        outcomes = ("", "perhaps", "nan", *free)
        for step, word in (("turns:", "y"), ("fuel:", "y"), ("search:", "s"), ("repair:", "y")):
            shell.expect(step)
            pester(shell, "quit", ("?", *outcomes), word)
            pester(shell, "Note (Enter: none)", free if step == "turns:" else (), "")
        shell.expect("measure:")
        pester(shell, "quit", outcomes, "d")
        pester(shell, "runs `measure` now", ("nan", "0", "-3", "1e999", *free, "99"), "")
        pester(shell, "reference offset now", ("nan",), "")
        pester(shell, "taken the precautions?", NO_WORDS, "y")
        pester(shell, "Note (Enter: none)", (), "as found")
        shell.expect("correct:")
        pester(shell, "quit", (), "q")
        assert shell.close() == 0 and "case go 1" in shell.said
        # The setting is entered; the case is found again, and goes on.
        made.world.controller.setting = 3.25
        made.world.advance(100_000_000)
        engines.save("Heron", _with_setting(3.25), replace=True)
        shell = Terminal("case", "go", "--port", made.port, **places)
        pester(shell, "Go on with case 1, runs badly; 二 cylinders?", NO_WORDS, "")
        shell.expect("correct:")
        pester(shell, "quit", outcomes, "done")
        pester(shell, "runs `measure` now", (), "")
        pester(shell, "reference offset now", (), "3.25")
        pester(shell, "taken the precautions?", (), "y")
        pester(shell, "Note (Enter: none)", (), "entered, ignition off and on")
        shell.expect("last:")
        pester(shell, "quit", outcomes, "yes")
        pester(shell, "does the controller still show the setting?", ("", *NO_WORDS), "y")
        pester(shell, "idle speed as it was before?", ("", *NO_WORDS), "n")
        pester(shell, "Note (Enter: none)", (), "too fast")
        shell.expect("Put that right first")
        shell.expect("last:")
        pester(shell, "quit", (), "yes")
        pester(shell, "does the controller still show the setting?", (), "y")
        pester(shell, "idle speed as it was before?", (), "y")
        pester(shell, "runs `measure` now", (), "")
        pester(shell, "reference offset now", (), "")
        pester(shell, "taken the precautions?", (), "y")
        pester(shell, "timing unlocked again", ("", *NO_WORDS), "y")
        pester(shell, "Note (Enter: none)", (), "")
        shell.expect("Proved:")
        assert shell.close() == 0, shell.said[-2000:]
    with Logbook(tmp_path / "book.db") as book:
        case = cases.load(book, 1)
        assert cases.proved(case, cases.runs_of(book, case))
    assert [d.outcome for d in case.steps][-2:] == ["no", "yes"]
    assert case.steps[-2].text == "setting kept; idle NOT as before; too fast"
    assert case.steps[-1].text == "setting kept; idle as before; unlocked"


def _with_setting(setting: float):
    from dataclasses import replace

    return replace(engines.load("Heron")[1], setting=setting)


@pytest.mark.parametrize("key", [b"\x03", b"\x04"], ids=["Ctrl-C", "end of input"])
@pytest.mark.parametrize(
    ("words", "prompt"),
    [
        (("case", "go"), "What is wrong?"),
        (("findfault",), "turn the engine over"),
        (("logbook", "tidy"), "Delete them?"),
    ],
)
def test_every_way_out_is_clean(places, tmp_path: Path, words, prompt: str, key: bytes):
    folder = tmp_path / "recordings"
    folder.mkdir()
    lost = folder / "20260101T000000.000000Z-1.rec"
    lost.write_bytes(b"x")
    os.utime(lost, (1e9, 1e9))  # old enough to be tidied away
    shell = Terminal(*words, **places)
    shell.expect(prompt)
    shell.expect(": ")
    shell.send(key)
    assert shell.close() == 1


def test_stopped_by_a_key_and_back(places):
    """Ctrl-Z at a question, `fg`: it is asked again, since the terminal has thrown away what was
    typed and not read yet; the answer counts as if nothing had been.
    """
    shell = Terminal("case", "go", jobs=True, **places)
    shell.expect("What is wrong?")
    shell.expect(": ")
    shell.send(b"no sp\x1a")
    shell.expect("stopped")
    shell.expect("What is wrong?: ")
    shell.send("no spark")
    shell.expect("Engine's name (Enter: none): ")
    shell.send("")
    shell.expect("turns:")
    shell.expect(": ")
    shell.send("q")
    assert shell.close() == 0 and "case go 1" in shell.said
    with Logbook(Path(places["SPARKWITNESS_LOGBOOK"])) as book:
        assert cases.load(book, 1).symptom == "no spark"


def test_channels_and_engine_of_another_loggers_file(places, tmp_path: Path):
    file = tmp_path / "levels.csv"
    turn = ((0.001, 1, 0), (0.002, 0, 0), (0.004, 0, 1), (0.005, 0, 0))
    rows = [f"{k * 0.01 + at:.4f},{left},{right}" for k in range(60) for at, left, right in turn]
    file.write_text("\n".join(["time [s],left,right", "0,0,0", *rows]) + "\n")
    out = tmp_path / "made.rec"
    shell = Terminal("import", file, "--out", out, **places)
    pester(shell, "Which channel is the crank", ("", "?", *NO_WORDS), "left")
    pester(shell, "Which channel is the clamp a", ("", *NO_WORDS), "RIGHT")
    pester(shell, "Type now what the engine is?", NO_WORDS, "n")
    assert shell.close() == 0
    assert "crank: 60 rising edges of left" in shell.said
    assert "clamp a: 60 rising edges of right" in shell.said
    assert out.exists()


def test_no_question_is_forgotten():
    """The words of each question in the package stand in a test that types at it."""
    typed_at = "".join(
        (HERE / name).read_text(encoding="utf-8")
        for name in ("test_every_prompt.py", "test_prompts.py", "test_case.py")
    )
    forgotten = []
    for path in sorted((Path(cli.__file__).parent).glob("*.py")):
        if path.name == "ask.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = getattr(getattr(node, "func", None), "attr", "")
            if name not in ("question", "yes_no", "cautions_taken") or not node.args:
                continue
            first = node.args[0]
            parts = first.values if isinstance(first, ast.JoinedStr) else [first]
            said = [p.value for p in parts if isinstance(p, ast.Constant)]
            words = max(said, key=len, default="").strip()
            if words and not any(words[:n] in typed_at for n in (len(words), 22, 14)):
                forgotten.append(f"{path.name}:{node.lineno}: {words}")
    assert not forgotten
