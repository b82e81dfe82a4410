"""Attacks by the places where things are kept: disks, folders, other programs at the same file."""

import os
import resource
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from functools import partial
from pathlib import Path
from random import Random

from hostile.ends import (
    DATA,
    LOST,
    RECORDING,
    REFUSED,
    SMALL,
    TRACEBACK,
    TRIED,
    ended,
    outcome,
    run,
    worst,
)
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.errors import UserError, whole_file
from sparkwitness.records.database import VERSION
from sparkwitness.records.logbook import Logbook

LONGEST_S = 600  # it ends at all; how soon hangs on what else the computer does
# Commands that write, and what must be on the screen whatever the disk does.
WRITING: list[tuple[tuple[str, ...], str]] = [
    (("measure", "--from", "{recording}", "--yes"), "true timing"),
    (("measure", "--from", "{recording}", "--yes", "--json"), '"timing_deg_btdc"'),
    (("curve", "--from", "{recording}", "--reference", "36-1", "--reference-angle", "84"), ""),
    (("report", "{recording}", "--out", "{out}"), ""),
    (("report", "{recording}", "--out", "{out}", "--force"), ""),
    (("export", "{recording}", "--to", "csv", "--out", "{out}"), ""),
    (("export", "{recording}", "--to", "vcd", "--out", "{out}", "--force"), ""),
    (("import", "{table}", "--out", "{out}", "--channel", "crank=a", "--channel", "clamp_a=b",
      "--force"), ""),
    (("summarize", "{data}", "--out", "{out}", "--jobs", "1"), ""),
    (("check", "supply", "--rest", "12.6", "--lowest", "10.5"), "verdict"),
    (("case", "start", "no spark"), ""),
    (("logbook", "note", "1", "warm"), ""),
    (("findfault", "--by-hand", "--turns-over", "--switch", "inductive", "--trigger", "pickup",
      "--sensor", "coil", "--distribution", "distributor", "--feed", "steady", "--store", "{out}"),
     ""),
    (("bench", "plan", "{out}"), ""),
]  # fmt: skip


def disks(rng: Random, place: Path) -> str:
    """No room, a quota, a folder that is a file, a file that is a folder, a pipe nobody reads."""
    (place / "file").write_text("x")
    (place / "folder").mkdir()
    table = place / "table.csv"
    table.write_text(
        "time,a,b\n" + "".join(f"{k / 1e3},{k % 2},{k // 40 % 2}\n" for k in range(400))
    )
    os.mkfifo(place / "pipe")
    ends = [place / "file" / "x", place / "folder", place / "out", Path("/dev/full"),
            Path("/proc/out"), place / "none" / "out", place / "old"]  # fmt: skip
    books = [*ends, place / "a" / "b" / "logbook.db", place / "pipe"]
    most = rng.choice([0, 1, 4096, 20_000, 100_000, 10_000_000])
    command, promised = rng.choice(WRITING)
    out = rng.choice(ends)
    if out.name == "old":
        out.write_text("what was there before")
    words = {
        "recording": str(rng.choice([RECORDING, SMALL])), "out": str(out), "data": str(DATA),
        "table": str(table),
    }  # fmt: skip
    arguments = [one.format(**words) for one in command]
    named = command[0] in ("measure", "curve", "report", "case", "logbook") and rng.random() < 0.5
    if named:
        arguments += ["--logbook", str(rng.choice(books))]
    home = rng.choice([place / "home", place / "file"])
    usual = {key: text for key, text in os.environ.items() if key != "SPARKWITNESS_LOGBOOK"}
    try:
        done = subprocess.run(
            [sys.executable, "-m", "sparkwitness", *arguments], capture_output=True, check=False,
            stdin=subprocess.DEVNULL, env={**usual, "XDG_DATA_HOME": str(home)},
            preexec_fn=partial(resource.setrlimit, resource.RLIMIT_FSIZE, (most, most)),
            timeout=LONGEST_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return LOST
    said = (done.stdout + done.stderr).decode()
    end = ended(done.returncode, said)
    if promised and not named and promised not in said and end != TRACEBACK:
        return LOST
    if out.name == "old" and done.returncode and out.exists() and b"before" not in out.read_bytes():
        return LOST if "--force" in command and not out.stat().st_size else end
    if list(place.rglob(".*.part")):
        return LOST
    return end


def _newer(book: Path) -> str:
    """A logbook of a later version is refused, and not a byte of it changes."""
    with Logbook(book) as log:
        log.keep("check", "x", {"n": 1})
    with closing(sqlite3.connect(book)) as db:
        db.execute(f"PRAGMA user_version = {VERSION + 3}")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = book.read_bytes()
    end = outcome(run("logbook", "list", "--logbook", book))
    again = outcome(run("measure", "--from", SMALL, "--logbook", book))
    return end if (end, again) == (REFUSED, REFUSED) and book.read_bytes() == before else LOST


def _changed_in_the_middle(rng: Random, book: Path) -> str:
    """Another program changes the tables while this one has the logbook open."""
    with Logbook(book) as log:
        log.keep("check", "x", {"n": 1})
        with closing(sqlite3.connect(book)) as other:
            other.execute(rng.choice([
                "ALTER TABLE runs ADD COLUMN more TEXT", "ALTER TABLE runs RENAME TO runs_before",
                "DROP TABLE notes", "CREATE TABLE more (id INTEGER PRIMARY KEY)",
                "ALTER TABLE runs RENAME COLUMN made TO born",
            ]))  # fmt: skip
            other.commit()
        try:
            number = log.keep("check", "y", {"n": 2})
            return TRIED if log.run(number).result == {"n": 2} else LOST
        except UserError:
            return REFUSED


def _many_at_once(book: Path) -> str:
    """Several write: every row is there, each under its own number."""

    def one(k: int) -> int:
        with Logbook(book) as log:
            return log.keep("check", f"run {k}", {"n": k})

    with ThreadPoolExecutor(4) as pool:
        numbers = list(pool.map(one, range(12)))
    with Logbook(book) as log:
        right = all(log.run(n).result == {"n": k} for k, n in enumerate(numbers))
    return TRIED if right and len({*numbers}) == 12 else LOST


def _one_recording(place: Path) -> str:
    """Of two who record to one file one is refused; the other's bytes are whole."""
    path = place / "run.rec"

    def one(k: int) -> int:
        try:
            recorder = Recorder(path, {"tick_ps": 24_000}, None)
        except UserError:
            return -1
        recorder.write(bytes([k + 1]) * 1000)
        recorder.close()
        return k

    with ThreadPoolExecutor(4) as pool:
        wrote = [k for k in pool.map(one, range(4)) if k >= 0]
    if len(wrote) != 1:
        return LOST
    whole = b"".join(Recording(path).chunks()) == bytes([wrote[0] + 1]) * 1000
    return TRIED if whole else LOST


def _one_name(place: Path) -> str:
    """Of those who write a file at once one's is there, whole."""
    path = place / "page.html"

    def one(k: int) -> None:
        with suppress(UserError), whole_file(path, k % 2 == 1) as part:
            part.write_bytes(bytes([k]) * 5000)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(one, range(8)))
    data = path.read_bytes()
    return TRIED if len(data) == 5000 and len({*data}) == 1 else LOST


def _vanished(rng: Random, place: Path) -> str:
    """The logbook's file or folder goes away, or becomes another thing, while it is open."""
    folder = place / "books"
    book = folder / "logbook.db"
    with Logbook(book) as log:
        first = log.keep("check", "x", {"n": 1})
        match rng.randrange(4):
            case 0:
                for one in folder.iterdir():
                    one.unlink()
            case 1:
                folder.rename(place / "elsewhere")
            case 2:
                folder.rename(place / "elsewhere")
                folder.write_text("a file now")
            case _:
                book.write_bytes(b"something else\n" * 300)
        ends = []
        for _ in range(2):
            try:
                log.keep("check", "y", {"n": 2})
                ends.append(TRIED)
            except UserError:
                ends.append(REFUSED)
    ends.append(outcome(run("logbook", "show", str(first), "--logbook", book)))
    return worst(*ends)


def races(rng: Random, place: Path) -> str:
    """Two at one file, a later version, tables that change in the middle, a file that goes."""
    book = place / "logbook.db"
    return rng.choice([
        lambda: _newer(book), lambda: _changed_in_the_middle(rng, book),
        lambda: _many_at_once(book), lambda: _one_recording(place), lambda: _one_name(place),
        lambda: _vanished(rng, place),
    ])()  # fmt: skip
