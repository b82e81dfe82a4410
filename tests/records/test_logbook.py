"""The logbook: nothing kept is lost, nothing damaged is written over, numbers compute again."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.bench import evaluate as bench
from sparkwitness.bench import plan as bench_plan
from sparkwitness.bench import run as bench_run
from sparkwitness.decode.recording import part_path
from sparkwitness.errors import UserError
from sparkwitness.records import database, logbook
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing.setup import Setup


def run(*arguments: object, **more):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments], **more)


@pytest.fixture
def book(tmp_path: Path):
    with Logbook(tmp_path / "book.db") as opened:
        yield opened


def keep(book: Logbook, made, **more) -> int:
    return book.keep_measurement(made.result, made.setup, recording=made.path, **more)


def test_what_is_kept_is_read_back(book: Logbook, marine):
    number = keep(book, marine, engine=" a Heron ", module="multi-spark", source="simulated: x")
    found = book.run(number)
    assert found.result == json.loads(json.dumps(marine.result.to_dict()))
    assert Setup.from_dict(found.setup or {}) == marine.setup
    assert (found.engine, found.module, found.source) == ("a Heron", "multi-spark", "simulated: x")
    assert found.recording == marine.path.resolve()
    # sha256sum of GNU coreutils is the reference for the hash.
    said = subprocess.run(["sha256sum", marine.path], capture_output=True, text=True, check=True)
    assert found.sha256 == said.stdout.split()[0]
    assert found.board is not None and found.board["tick_ps"] == 24_000
    assert f"{marine.result.timing:.2f}° BTDC" in found.headline


def test_the_same_result_of_the_same_recording_is_kept_once(book: Logbook, marine):
    first = keep(book, marine)
    assert keep(book, marine) == first
    changed = replace(marine.setup, setting=3.0)
    assert book.keep_measurement(marine.result, changed, recording=marine.path) != first
    # Without a recording two equal results are two findings.
    once = book.keep("bench", "fine", {"a": 1})
    assert book.keep("bench", "fine", {"a": 1}) != once


def test_names_notes_trials_and_filters(book: Logbook, marine, corrected):
    first = keep(book, marine, engine="A")
    second = keep(book, corrected, engine="B", module="new")
    third = book.keep("faultfind", "coil open", {"link": "coil"}, engine="B")
    book.keep_trial(first, 5.5, -4.6, 0.08)
    book.keep_trial(second, 3.25, -0.05, 0.08, series=first)
    book.note(second, " gap was 0.9 mm ")
    assert [r.id for r in book.runs(engine="B")] == [second, third]
    assert [r.id for r in book.runs(kind="measurement", newest=1)] == [second]
    assert [r.id for r in book.runs(module="new")] == [second]
    assert [(t.run, t.setting) for t in book.trials(second)] == [(first, 5.5), (second, 3.25)]
    assert book.trials(third) == []
    assert [text for _, text in book.run(second).notes] == ["gap was 0.9 mm"]
    with pytest.raises(UserError, match="no run 99"):
        book.note(99, "x")
    with pytest.raises(UserError, match="empty"):
        book.note(first, "  ")
    with pytest.raises(UserError, match="FOREIGN KEY"):
        book.keep_trial(99, 1.0, 1.0, 1.0)
    with pytest.raises(ValueError, match="kind"):
        book.keep("party", "x", {})


def test_an_older_file_is_brought_up_to_date(tmp_path: Path):
    path = tmp_path / "old.db"
    old = sqlite3.connect(path)
    old.executescript(database.MIGRATIONS[0])
    old.execute(f"PRAGMA application_id = {0x53504B57}")
    old.execute("PRAGMA user_version = 1")
    old.execute("INSERT INTO engines VALUES (1, 'old one', '2026-01-02T03:04:05+00:00')")
    old.execute(
        "INSERT INTO runs VALUES (5, 'measurement', '2026-01-02T03:04:05+00:00', 'board', "
        "'10.00° BTDC', 1, NULL, NULL, NULL, '{\"timing_deg_btdc\":10.0}', '0.0.9', 1, NULL)"
    )
    old.execute("INSERT INTO trials VALUES (5, 5, 4.0, 1.5, 0.1)")
    old.commit()
    old.close()
    with Logbook(path) as book:
        found = book.run(5)
        assert (found.engine, found.headline, found.notes) == ("old one", "10.00° BTDC", ())
        assert book.trials(5)[0].error == 1.5
        book.note(5, "new in this version")
        assert book.keep("bench", "later", {}) == 6
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA user_version").fetchone()[0] == database.VERSION > 1
    assert raw.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert raw.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    raw.close()


def test_a_later_file_is_refused_and_left_alone(tmp_path: Path):
    path = tmp_path / "late.db"
    Logbook(path).close()
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA user_version = 99")
    raw.close()
    before = path.read_bytes()
    with pytest.raises(UserError, match=r"format 99.*newer sparkwitness"):
        Logbook(path)
    assert path.read_bytes() == before


WRITER = """
import sys, time
from pathlib import Path
from sparkwitness.records.logbook import Logbook
path, who, rows, start = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), float(sys.argv[4])
time.sleep(max(0, start - time.time()))
with Logbook(path) as book:
    for k in range(rows):
        book.keep("bench", f"{who} {k}", {"k": k}, engine=f"engine {k % 3}", module=who)
"""


def test_programs_writing_at_once_lose_no_row(tmp_path: Path):
    """They also make the file at the same moment, and share names of engines."""
    path, rows, start = tmp_path / "book.db", 40, str(time.time() + 1.5)
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), who, str(rows), start],
            stderr=subprocess.PIPE, text=True,
        )
        for who in ("a", "b", "c")
    ]  # fmt: skip
    for writer in writers:
        _, said = writer.communicate(timeout=60)
        assert writer.returncode == 0, said
    with Logbook(path) as book:
        headlines = [r.headline for r in book.runs()]
        assert sorted(headlines) == sorted(f"{w} {k}" for w in "abc" for k in range(rows))
        assert len(book.runs(engine="engine 1")) == 3 * 13
    assert not list(tmp_path.glob("*damaged*"))


def test_a_program_killed_while_writing_costs_only_its_unfinished_row(tmp_path: Path):
    path = tmp_path / "book.db"
    script = (
        "import sys\nfrom pathlib import Path\nfrom sparkwitness.records.logbook import Logbook\n"
        "book = Logbook(Path(sys.argv[1]))\nbook.keep('bench', 'whole', {})\n"
        "with book.writing() as db:\n"
        "    db.execute(\"INSERT INTO engines (name, made) VALUES ('half', '')\")\n"
        "    print('now', flush=True)\n    sys.stdin.read()\n"
    )
    victim = subprocess.Popen(
        [sys.executable, "-c", script, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert victim.stdout is not None and victim.stdout.readline() == b"now\n"
    os.kill(victim.pid, signal.SIGKILL)
    victim.wait()
    with Logbook(path) as book:
        assert [r.headline for r in book.runs()] == ["whole"]
        assert not book.set_aside and not book.runs(engine="half")
        assert book.keep("bench", "next", {}) == 2


def damaged(path: Path) -> bytes:
    """A logbook with rows in which a page was overwritten, as a failing disk does."""
    with Logbook(path) as book:
        for k in range(60):
            book.keep("bench", f"row {k}", {"text": "x" * 400})
    data = bytearray(path.read_bytes())
    data[4096 * 3 : 4096 * 6] = os.urandom(4096 * 3)
    path.write_bytes(data)
    return bytes(data)


@pytest.mark.parametrize("named", [True, False])
def test_a_damaged_file_is_set_aside_not_written_over(tmp_path: Path, named: bool):
    path = tmp_path / "book.db"
    data = damaged(path)
    with Logbook(path, named=named) as book:
        assert "damaged" in book.set_aside
        assert book.runs() == [] and book.keep("bench", "new", {}) == 1
    (aside,) = tmp_path.glob("book.db.damaged-*Z")
    assert aside.read_bytes() == data
    assert str(aside) in book.set_aside
    with Logbook(path) as book:
        assert [r.headline for r in book.runs()] == ["new"] and not book.set_aside


def test_a_damaged_row_does_not_hide_the_others(tmp_path: Path, marine):
    path = tmp_path / "book.db"
    with Logbook(path) as book:
        first, second = keep(book, marine), book.keep("bench", "whole", {"a": 1})
        other = book.keep("bench", "odd", {"a": 2})
    raw = sqlite3.connect(path)
    raw.execute("UPDATE runs SET result = substr(result, 5) WHERE id = ?", (first,))
    odd = (b"{\xff\xfe", other)
    raw.execute("UPDATE runs SET result = CAST(? AS TEXT), headline = 'odd' WHERE id = ?", odd)
    raw.commit()
    raw.close()
    answer = run("logbook", "list", "--logbook", path, "--json")
    lines = [r["headline"] for r in json.loads(answer.stdout)["runs"]]
    assert lines[1] == "whole" and all("damaged in the logbook" in lines[k] for k in (0, 2))
    for number in (first, other):
        for command in (("logbook", "show", number), ("logbook", "recompute", number),
                        ("report", number, "--out", tmp_path / f"{number}.html"),
                        ("compare", number, second)):  # fmt: skip
            answer = run(*command, "--logbook", path)
            assert answer.exception is None or isinstance(answer.exception, SystemExit), command


def test_a_damaged_file_is_said_by_the_commands(tmp_path: Path):
    path = tmp_path / "book.db"
    damaged(path)
    answer = run("logbook", "list", "--logbook", path)
    assert answer.exit_code == 0 and "was damaged" in " ".join(answer.output.split())


def test_a_file_that_is_something_else_is_refused_and_left_alone(tmp_path: Path):
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0 not a logbook")
    with pytest.raises(UserError, match="not a logbook, and it is left as it is"):
        Logbook(photo)
    other = tmp_path / "other.db"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE recipes (name TEXT)")
    db.commit()
    db.close()
    before = other.read_bytes()
    with pytest.raises(UserError, match="of another program"):
        Logbook(other)
    assert other.read_bytes() == before
    assert photo.read_bytes().startswith(b"\xff\xd8") and len(list(tmp_path.iterdir())) == 2
    # In the usual place it can only be what is left of a logbook.
    usual = tmp_path / "usual.db"
    usual.write_bytes(b"\0" * 5000)
    with Logbook(usual, named=False) as book:
        assert "damaged" in book.set_aside
    assert next(tmp_path.glob("usual.db.damaged*")).read_bytes() == b"\0" * 5000


def test_a_place_that_cannot_be_used_is_said(tmp_path: Path):
    blocker = tmp_path / "file"
    blocker.write_text("")
    answer = run("logbook", "list", "--logbook", blocker / "book.db")
    assert answer.exit_code == 1 and "--logbook" in answer.output
    assert isinstance(answer.exception, SystemExit)
    answer = run("logbook", "list", "--logbook", tmp_path)
    assert answer.exit_code == 2 and "is a directory" in answer.output


def test_tidying_takes_what_no_run_needs_and_only_what_it_said(tmp_path: Path, marine):
    path = tmp_path / "book.db"
    hour_ago = time.time() - 3700
    with Logbook(path) as book:
        needed, stray, fresh = (book.new_recording() for _ in range(3))
        for one in (needed, stray, fresh):
            one.write_bytes(marine.path.read_bytes())
        beside = needed.with_suffix(".txt")
        beside.write_text("not a recording")
        for one in (needed, stray, beside):
            os.utime(one, (hour_ago, hour_ago))
        number = book.keep("measurement", "x", {"a": 1}, marine.setup.to_dict(), recording=needed)
        assert [(p, made is None) for p, _, made in book.recordings()] == [
            (needed, False), (stray, True),
        ]  # fmt: skip
    asked = run("logbook", "tidy", "--logbook", path, input="n\n")
    assert asked.exit_code == 1 and "1, " in asked.output and stray.exists()
    done = run("logbook", "tidy", "--logbook", path, "--yes", "--json")
    assert done.exit_code == 0 and json.loads(done.stdout)["deleted"] == [str(stray)]
    assert needed.exists() and fresh.exists() and beside.exists() and not stray.exists()
    said = run("logbook", "tidy", "--logbook", path, "--older-than", 1).output
    assert "delete: 0" in said.replace("\n", " ")
    assert run("logbook", "tidy", "--logbook", path, "--older-than", 0, "--yes").exit_code == 0
    assert not needed.exists() and fresh.exists()
    with Logbook(path) as book:
        assert book.run(number).result == {"a": 1}


# Recomputing


def test_a_measurement_computes_again_to_the_last_bit(tmp_path: Path, marine, corrected, far):
    path = tmp_path / "book.db"
    with Logbook(path) as book:
        for made in (marine, corrected, far):
            keep(book, made)
    answer = run("logbook", "recompute", "--logbook", path, "--json")
    assert answer.exit_code == 0
    rows = json.loads(answer.stdout)["runs"]
    assert [r["same"] for r in rows] == [True] * 3


def test_a_curve_computes_again_to_the_last_bit(tmp_path: Path):
    path, table = tmp_path / "book.db", tmp_path / "map.csv"
    table.write_text("rpm,degrees\n500,10\n3000,24\n9000,30\n")
    options = ("--simulate", "slow-twin", "--seconds", 20, "--logbook", path)
    for more in ((), ("--width", 400, "--against", table)):
        done = run("curve", *options, *more)
        assert done.exit_code == 0, done.output
    answer = run("logbook", "recompute", "--logbook", path, "--json")
    assert answer.exit_code == 0, answer.output
    assert [r["same"] for r in json.loads(answer.stdout)["runs"]] == [True] * 2
    with Logbook(path) as book:
        first, second = book.runs("curve")
        # One kept by an older program, which did not say how the bins were made.
        old = {k: v for k, v in first.result.items() if k != "bin_width_rpm"}
        number = book.keep("curve", "x", old, first.setup, recording=first.recording)
    assert len(second.result["against"]) == 3 and second.result["bin_width_rpm"] == 400
    answer = run("logbook", "recompute", number, "--logbook", path)
    assert answer.exit_code == 4 and "was not kept" in answer.output


def test_a_bench_test_computes_again_to_the_last_bit(tmp_path: Path):
    path = tmp_path / "book.db"
    done = run("bench", "--simulate", "inductive", "--logbook", path, "--steps", "1000,3000",
               "--ramp", "none", "--seconds", 2)  # fmt: skip
    assert "kept as run 1" in done.output, done.output
    answer = run("logbook", "recompute", "--logbook", path)
    assert answer.exit_code == 0 and "the same to the last bit" in answer.output
    with Logbook(path) as book:
        kept = book.run(1)
        changed = {**kept.result, "min_pulse_us": 1}
        book.keep("bench", "x", changed, kept.setup, recording=kept.recording)
    assert run("logbook", "recompute", 2, "--logbook", path).exit_code == 4


def test_a_bench_test_in_parts_keeps_them_all_and_computes_again(tmp_path: Path):
    path = tmp_path / "book.db"
    run("bench", "--simulate", "inductive", "--logbook", path, "--steps", "1000",
        "--ramp", "none", "--seconds", 2)  # fmt: skip
    with Logbook(path) as book:
        whole = book.run(1)
        first = whole.recording
        second = part_path(first, 2)
        second.write_bytes(first.read_bytes())
        plan = bench_plan.Plan.from_dict(whole.setup)
        both = bench.evaluate(plan, bench_run.load(first).parts).to_dict()
        book.keep("bench", "x", {**both, "verdicts": []}, whole.setup, recording=second)
        for one in (first, second):
            os.utime(one, (time.time() - 3700,) * 2)
        assert both != {k: v for k, v in whole.result.items() if k != "verdicts"}
    assert run("logbook", "recompute", "--logbook", path).exit_code == 0
    raw = sqlite3.connect(path)
    raw.execute("UPDATE runs SET recording = NULL WHERE id = 1")
    raw.commit()
    raw.close()
    with Logbook(path) as book:
        assert [made is not None for _, _, made in book.recordings()] == [True, True]


def test_a_number_that_was_changed_is_found(tmp_path: Path, marine):
    path = tmp_path / "book.db"
    with Logbook(path) as book:
        keep(book, marine)
    raw = sqlite3.connect(path)
    text = raw.execute("SELECT result FROM runs").fetchone()[0]
    result = json.loads(text)
    true = result["timing_deg_btdc"]
    result["timing_deg_btdc"] = true * (1 + 2**-52)  # the last bit
    assert result["timing_deg_btdc"] != true
    raw.execute("UPDATE runs SET result = ?", (logbook.canonical(result),))
    raw.commit()
    raw.close()
    answer = run("logbook", "recompute", 1, "--logbook", path)
    assert answer.exit_code == 4
    assert "NOT the same" in answer.output and "timing_deg_btdc" in answer.output


def test_a_recording_that_moved_or_changed_is_said(tmp_path: Path, marine):
    path, copy = tmp_path / "book.db", tmp_path / "here.rec"
    copy.write_bytes(marine.path.read_bytes())
    with Logbook(path) as book:
        number = book.keep_measurement(marine.result, marine.setup, recording=copy)
        bare = book.keep_measurement(marine.result, marine.setup)
    moved = tmp_path / "there.rec"
    copy.rename(moved)
    answer = run("logbook", "recompute", number, "--logbook", path)
    assert answer.exit_code == 4 and "no longer at" in " ".join(answer.output.split())
    answer = run("logbook", "recompute", number, "--logbook", path, "--recording", moved)
    assert answer.exit_code == 0
    answer = run("logbook", "recompute", number, "--logbook", path)  # it is remembered
    assert answer.exit_code == 0
    moved.write_bytes(moved.read_bytes()[:-1])
    answer = run("logbook", "recompute", number, "--logbook", path)
    assert answer.exit_code == 4 and "is not what run" in " ".join(answer.output.split())
    answer = run("logbook", "recompute", bare, "--logbook", path)
    assert answer.exit_code == 4 and "without a recording" in answer.output


# The commands


def test_measure_keeps_with_its_recording_unless_told_not_to(tmp_path: Path, marine):
    path = tmp_path / "book.db"
    first = run(
        "measure", "--simulate", "marine-four", "--once", "--json", "--logbook", path,
        "--engine", "the Heron", "--module", "new",
    )  # fmt: skip
    assert first.exit_code == 0, first.output
    number = json.loads(first.stdout)["run"]
    with Logbook(path) as book:
        found = book.run(number)
        assert (found.engine, found.source) == ("the Heron", "simulated: marine-four")
        assert found.recording is not None and found.recording.parent.name == "recordings"
        assert book.recording_of(found).exists()
    assert run("logbook", "recompute", number, "--logbook", path).exit_code == 0
    replayed = run("measure", "--from", marine.path, "--json", "--logbook", path)
    again = json.loads(replayed.stdout)
    assert again["run"] == number + 1
    assert again["timing_deg_btdc"] == marine.result.timing
    silent = run("measure", "--from", marine.path, "--json", "--no-log", "--logbook", path)
    assert silent.exit_code == 0 and json.loads(silent.stdout)["run"] is None
    with Logbook(path) as book:
        assert len(book.runs()) == 2


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_trials_at_a_terminal_are_kept_as_one_series(tmp_path: Path):
    import pty

    path = tmp_path / "book.db"
    child, terminal = pty.fork()
    if child == 0:
        command = [sys.executable, "-c", "from sparkwitness.cli import main; main()"]
        command += ["measure", "--simulate", "marine-four", "--logbook", str(path)]
        os.execv(sys.executable, command)
    said, answers, asked = b"", [b"3.25\n", b"q\n"], b"Setting now in the controller"
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            more = os.read(terminal, 4096)
        except OSError:  # how Linux says that the other end has closed
            break
        said += more
        if answers and said.count(asked) > 2 - len(answers):
            os.write(terminal, answers.pop(0))
    os.close(terminal)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0, said.decode(errors="replace")
    with Logbook(path) as book:
        first, second = book.trials(2)
    assert (first.run, first.setting, second.run, second.setting) == (1, 5.5, 2, 3.25)
    assert first.error < -4 and abs(second.error) < 2 * second.u_error


def test_a_logbook_that_cannot_be_used_never_costs_the_finding(tmp_path: Path, marine, monkeypatch):
    blocker = tmp_path / "file"
    blocker.write_text("")
    named = run("measure", "--from", marine.path, "--logbook", blocker / "book.db")
    assert named.exit_code == 1 and "Error:" in named.output and "BTDC" not in named.output
    monkeypatch.delenv("SPARKWITNESS_LOGBOOK")
    monkeypatch.setenv("XDG_DATA_HOME", str(blocker))
    usual = run("measure", "--from", marine.path)
    assert usual.exit_code == 0
    assert "nothing will be kept" in usual.output and "BTDC" in usual.output


def test_list_show_note_export_and_where(tmp_path: Path, marine, corrected):
    path = tmp_path / "book.db"
    with Logbook(path) as book:
        first = keep(book, marine, engine="the Heron")
        second = keep(book, corrected)
        book.keep_trial(first, 5.5, -4.6, 0.08)
        book.keep_trial(second, 3.25, -0.05, 0.08, series=first)
    env = {"SPARKWITNESS_LOGBOOK": str(path)}
    listed = run("logbook", env=env)
    assert "the Heron" in listed.output and f"{marine.result.timing:.2f}° BTDC" in listed.output
    assert run("logbook", "note", first, "as found", env=env).exit_code == 0
    shown = run("logbook", "show", first, env=env).output
    assert "as found" in shown and "setting 5.5: error -4.60 ± 0.16°" in shown
    out = tmp_path / "all.jsonl"
    assert run("logbook", "export", "--out", out, env=env).exit_code == 0
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert [x["id"] for x in lines] == [first, second]
    assert lines[0]["result"]["timing_deg_btdc"] == marine.result.timing
    assert lines[1]["trial"]["run"] == second and lines[1]["trial"]["setting"] == 3.25
    again = run("logbook", "export", "--out", out, env=env)
    assert again.exit_code == 1 and "already exists" in again.output
    assert run("logbook", "where", env=env).output.strip() == str(path)
    unknown = run("logbook", "show", 77, env=env)
    assert unknown.exit_code == 1 and "no run 77" in unknown.output
