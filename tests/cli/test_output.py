"""Output in characters that a terminal or file has, and a sentence where it cannot be written."""

import json
import os
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from sparkwitness import cli, foreign

ENCODINGS = ("cp1252", "ascii", "cp437", "cp932")
# Every command with something to say; those that need a board say that there is none.
COMMANDS = (
    ("measure", "--simulate", "marine-four", "--once", "--budget", "--no-log"),
    ("curve", "--simulate", "slow-twin", "--seconds", "12", "--no-log"),
    ("live", "--terminal", "--simulate", "marine-four", "--no-log"),
    ("tdc", "stops", "--", "-34.5", "31.5"),
    ("wheel", "missing.swrec", "--out", "wheel.json", "--reference", "36-1"),
    ("demo", "scooter-single"),
    ("scenarios",),
    ("check", "--help"),
    ("engine", "list"),
    ("logbook", "list"),
    ("compare", "1", "2"),
    ("report", "1"),
    ("import", "missing.csv"),
    ("export", "missing.swrec", "--to", "csv"),
    ("summarize", "."),
    ("bench", "--simulate", "slow", "--steps", "500,3000", "--repeats", "1", "--ramp", "none",
     "--seconds", "2", "--yes", "--no-log"),
    ("findfault", "--switch", "inductive", "--trigger", "pickup", "--sensor", "coil",
     "--distribution", "leads", "--feed", "steady", "--by-hand"),
    ("case", "list"),
    ("schema", "measure"),
    ("config",),
    ("completion", "bash"),
    ("board", "list"),
)  # fmt: skip


def run(folder: Path, encoding: str, *typed: str, seconds: float = 120) -> tuple[int, bytes]:
    env = {
        **os.environ, "PYTHONIOENCODING": encoding, "XDG_DATA_HOME": str(folder),
        "SPARKWITNESS_LOGBOOK": str(folder / "book.db"), "COLUMNS": "100",
    }  # fmt: skip
    command = [sys.executable, "-m", "sparkwitness", *typed]
    with subprocess.Popen(
        command,
        env=env,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    ) as process:
        if typed[0] == "live":
            import signal
            import time

            time.sleep(6)
            process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=seconds)
        return process.returncode, said


def test_every_command_is_here():
    assert {typed[0] for typed in COMMANDS} == set(cli.COMMANDS)


@pytest.mark.parametrize("encoding", ENCODINGS[:2])
@pytest.mark.parametrize("typed", COMMANDS, ids=[c[0] for c in COMMANDS])
def test_every_command_says_it_in_the_characters_that_there_are(
    tmp_path: Path, typed: tuple[str, ...], encoding: str
):
    code, said = run(tmp_path, encoding, *typed)
    text = said.decode(encoding)  # strict: each byte is of this encoding
    assert "Traceback" not in text and "UnicodeEncodeError" not in text, text[-2000:]
    assert code in (0, 1, 3, 4, 5) and text.strip(), (code, text)


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_a_degree_or_plus_minus_that_is_lacking_has_words(tmp_path: Path, encoding: str):
    _, said = run(tmp_path, encoding, *COMMANDS[0])
    text = said.decode(encoding)
    plain = re.search(r"true timing +4\.\d\d deg BTDC \+/- 0\.\d\d deg", text)
    assert plain or re.search(r"true timing +4\.\d\d° BTDC ± 0\.\d\d°", text), text
    assert bool(plain) == (encoding == "ascii")


def test_json_is_the_same_in_every_encoding(tmp_path: Path):
    typed = (*next(c for c in COMMANDS if c[0] == "findfault"), "--json")
    told = []
    for encoding in ("utf-8", "ascii"):
        folder = tmp_path / encoding
        folder.mkdir()
        _, said = run(folder, encoding, *typed)
        one = json.loads(said.decode(encoding))
        one.pop("path", None), one.pop("run", None)
        told.append({k: v for k, v in one.items() if "20" not in str(v)[:4]})
    assert told[0]["next"] == told[1]["next"]


def test_every_character_that_is_written_anywhere_has_a_plain_one():
    """None of the package's own characters ends as a question mark."""
    folder = Path(cli.__file__).parents[1]
    used = set()
    for path in folder.rglob("*.py"):
        if "live" not in path.parts:
            used |= set(path.read_text(encoding="utf-8"))
    lost = {c for c in used if not c.isascii() and foreign.plain(c) == "?"}
    assert not lost


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
@pytest.mark.parametrize(
    "typed",
    [("scenarios",), ("--help",), ("measure", "--help"), COMMANDS[0], ("completion", "bash"),
     ("measure", "--simulate", "marine-four", "--once", "--json", "--no-log")],
)  # fmt: skip
def test_a_full_disk_gets_a_sentence(tmp_path: Path, typed: tuple[str, ...]):
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "sparkwitness", *typed], stdout=full, stderr=subprocess.PIPE,
            check=False, text=True,
        )  # fmt: skip
    assert done.returncode == 1
    lines = [one for one in done.stderr.splitlines() if one.startswith("Error")]
    assert len(lines) == 1 and "could not be written" in lines[0]
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr


def test_a_pipe_that_closes_is_no_fault(tmp_path: Path):
    done = subprocess.run(
        f"{sys.executable} -m sparkwitness scenarios --json | head -c 10", shell=True,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout and done.stderr == ""


@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_a_closed_stream_is_no_fault(tmp_path: Path, closed: str):
    """What is measured is kept all the same, and in no file that took a stream's number."""
    book = tmp_path / "book.db"
    source = Path(__file__).resolve().parents[1] / "data" / "idle-four.swrec"
    command = (
        f"exec {sys.executable} -m sparkwitness measure --from {source} --logbook {book} {closed}"
    )
    done = subprocess.run(
        ["sh", "-c", command], capture_output=True, check=False, timeout=60, cwd=tmp_path
    )
    assert done.returncode == 0 and b"Traceback" not in done.stderr, done.stderr
    with closing(sqlite3.connect(book)) as db:
        assert db.execute("SELECT count(*) FROM runs").fetchone() == (1,)


def test_a_nul_in_the_defaults_gets_a_sentence(tmp_path: Path):
    """No name of a file can hold one."""
    file = tmp_path / "config.toml"
    file.write_text('[measure]\nlogbook = "a\\u0000b"\n')
    done = subprocess.run(
        [sys.executable, "-m", "sparkwitness", "measure", "--once"], capture_output=True,
        check=False, timeout=60, env={**os.environ, "SPARKWITNESS_CONFIG": str(file)},
    )  # fmt: skip
    assert done.returncode == 1 and b"NUL character" in done.stderr + done.stdout
    assert b"Traceback" not in done.stderr
