"""A disk that is full, gone, or does not answer costs neither the run nor its result."""

import errno
import json
import os
import sqlite3
import threading
import types
from contextlib import closing
from dataclasses import replace

import pytest
from click.testing import CliRunner

from hostile.ends import RECORDING, SMALL, run
from live_rig import capturing
from sparkwitness.cli import keeping, main
from sparkwitness.decode import recording
from sparkwitness.decode.recording import Behind, Recorder
from sparkwitness.device.stream import Stream
from sparkwitness.errors import UserError, whole_file
from sparkwitness.records import database
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.wheel import WheelLearner


@pytest.fixture
def standing(monkeypatch):
    """A disk, such as one at the other end of a network, from which no answer comes."""
    answer = threading.Event()
    kept = Logbook.keep

    def keep(*args, **more):
        answer.wait(30)
        return kept(*args, **more)

    monkeypatch.setattr(Logbook, "keep", keep)

    opened = keeping.open_logbook

    def open_then_stand(*args):
        book = opened(*args)
        keeping._LONGEST_S = 0.2
        return book

    monkeypatch.setattr(keeping, "_LONGEST_S", 40.0)  # and put back at the end
    monkeypatch.setattr(keeping, "open_logbook", open_then_stand)
    yield
    answer.set()


def test_the_result_is_on_the_screen_before_it_is_kept(tmp_path):
    said = run("measure", "--from", RECORDING, "--logbook", tmp_path / "book.db").output
    assert said.index("true timing") < said.index("kept as run 1")


def test_a_disk_that_does_not_answer_costs_a_sentence(tmp_path, standing):
    book = tmp_path / "book.db"
    done = run("measure", "--from", RECORDING, "--logbook", book)
    assert done.exit_code == 0
    said = " ".join(done.output.split())
    assert said.index("true timing") < said.index(f"! not kept: the disk of {book} does not answer")


def test_nor_does_it_keep_a_script_from_its_numbers(tmp_path, standing):
    done = CliRunner().invoke(
        main, ["measure", "--from", str(RECORDING), "--json", "--logbook", str(tmp_path / "b.db")]
    )
    assert done.exit_code == 0, repr(done.exception)
    found = json.loads(done.stdout)
    assert found["run"] is None and found["timing_deg_btdc"] is not None
    assert "does not answer" in " ".join(done.stderr.split())


class Stands:
    """A file to which nothing can be written, until it is told to fail."""

    def __init__(self, fault):
        self.fault, self.told = fault, threading.Event()

    def write(self, _):
        self.told.wait(30)
        raise OSError(self.fault, os.strerror(self.fault))

    def flush(self):
        pass

    def close(self):
        self.told.set()


def test_a_recording_that_stands_holds_nobody_up(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "_MOST_BEHIND", 5000)
    monkeypatch.setattr(recording, "_LAST_S", 0.1)
    recorder = Recorder(tmp_path / "run.rec", {}, None)
    recorder._file.close()
    recorder._file = stands = Stands(errno.ENOSPC)
    behind = Behind(recorder)
    with pytest.raises(UserError, match="does not answer"):
        for _ in range(20):
            behind.write(bytes(1000))
    with pytest.raises(UserError, match="does not answer"):
        behind.close()
    stands.told.set()
    behind._thread.join(5)


FAULTS = [errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.ESTALE]


@pytest.mark.parametrize("fault", FAULTS)
def test_a_recording_that_fails_is_said_and_the_stream_goes_on(tmp_path, fault):
    recorder = Recorder(tmp_path / "run.rec", {}, None)
    recorder._file.close()
    recorder._file = stands = Stands(fault)
    stands.told.set()
    said = []
    stream = Stream(None, recorder=recorder, unrecorded=said.append)  # no board is needed for it
    while not said:
        stream._keep(bytes(10))
    stream._keep(b"more")
    stream.close()
    assert len(said) == 1 and os.strerror(fault) in said[0] and "intact" in said[0]


@pytest.mark.parametrize("fault", FAULTS)
def test_the_old_file_stays_where_the_new_one_fails(tmp_path, fault):
    path = tmp_path / "page.html"
    path.write_text("old")
    with pytest.raises(UserError, match="cannot write"), whole_file(path, True) as part:
        part.write_text("half of the n")
        raise OSError(fault, os.strerror(fault))
    assert path.read_text() == "old" and list(tmp_path.iterdir()) == [path]
    with whole_file(path, True) as part:
        part.write_text("new")
    assert path.read_text() == "new" and list(tmp_path.iterdir()) == [path]


def test_nobody_can_lay_a_trap_where_a_file_will_be_written(tmp_path):
    """In a folder of all, a link with the name to be: no name can be known before."""
    with whole_file(tmp_path / "a", True) as one, whole_file(tmp_path / "a", True) as two:
        assert one != two and len(one.name) > 20
        one.touch()
        two.touch()


@pytest.mark.parametrize("trap", ["symbolic", "hard", "pipe"])
def test_what_lies_at_the_place_of_a_journal_is_not_written_to(tmp_path, trap):
    """`summarize` can go on after a stop, so others know the name of its journal."""
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "one.swrec").write_bytes(SMALL.read_bytes())
    precious, place = tmp_path / "precious", tmp_path / "table.csv.part"
    precious.write_bytes(b"")
    {
        "symbolic": lambda: place.symlink_to(precious),
        "hard": lambda: place.hardlink_to(precious),
        "pipe": lambda: os.mkfifo(place),
    }[trap]()
    done = run("summarize", tmp_path / "data", "--out", tmp_path / "table.csv", "--jobs", "1")
    assert done.exit_code == 1 and "cannot write" in done.output
    assert precious.read_bytes() == b""


@pytest.mark.parametrize("place", ["/dev/full", "/proc/out", "a/file/x", "a", "none/x"])
def test_a_wheel_that_cannot_be_written_is_shown_and_said(tmp_path, monkeypatch, place):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "file").write_text("x")
    reference = Reference.parse("36-1", 0.0, 0.0)
    learned = types.SimpleNamespace(
        reference=replace(reference, errors=(0.0,) * 35, u_errors=0.01), periods=30, rpm=3000.0,
        to_dict=lambda: {"errors": [0.0] * 35},
    )  # fmt: skip
    monkeypatch.setattr(WheelLearner, "result", lambda *_: learned)
    out = tmp_path / place  # an absolute one stays what it is
    done = run("wheel", RECORDING, "--reference", "36-1", "--out", out)
    assert done.exit_code == 1 and not isinstance(done.exception, OSError)
    assert done.output.index("30 turns at 3000 rpm") < done.output.index("Error: ")
    assert not list(tmp_path.rglob(".*.part"))


@pytest.mark.parametrize("fault", [UserError("the disk is full"), OSError(errno.EIO, "I/O error")])
def test_a_mark_that_cannot_be_kept_stays_on_the_page_and_is_said(fault):
    def keep(*_):
        raise fault

    with capturing(keep=keep) as rig:
        rig.newest.wait(lambda view: view["timing"])
        assert rig.capture.ask("mark", {}).result(10) == "point 1 marked"
        shown = rig.newest.wait(lambda view: "not kept" in " ".join(view["notes"]))
        assert len(shown["marks"]) == 1
        rig.newest.wait(lambda view: view["timing"])


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
def test_a_recording_without_room_is_refused_and_leaves_nothing(tmp_path, monkeypatch):
    path = tmp_path / "run.rec"

    def full(file, mode, **_):
        path.touch()
        return open("/dev/full", "wb")

    monkeypatch.setattr(recording, "open", full, raising=False)
    with pytest.raises(UserError, match=r"cannot write .*: No space left on device; look at"):
        Recorder(path, {}, None)
    assert not path.exists()


def test_a_logbook_without_room_says_so():
    """SQLite has ended the transaction by itself when the disk is full."""

    class Full(sqlite3.Connection):
        def execute(self, sql, *values):
            if sql.lstrip().startswith("CREATE"):
                super().execute("ROLLBACK")
                raise sqlite3.OperationalError("database or disk is full")
            return super().execute(sql, *values)

    db = sqlite3.connect(":memory:", factory=Full, isolation_level=None)
    with closing(db), pytest.raises(sqlite3.OperationalError, match="disk is full"):
        database.Database._migrate(None, db)
