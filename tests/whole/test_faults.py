"""Faults in the loop: the real firmware on a pseudo-terminal, a host that dies, stalls or runs out.

`make fuzz` sets SPARKWITNESS_LONG=1, which makes a hundred kills of the few that `make test` does.
"""

import json
import multiprocessing
import os
import random
import resource
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.cli import sources
from sparkwitness.decode import recording
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device import run as session
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError
from sparkwitness.records import logbook
from sparkwitness.records.logbook import Logbook
from sparkwitness.simulator import scenario
from sparkwitness.simulator.board import SimulatedBoard
from sparkwitness.simulator.world import World, edges_for
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.setup import Setup

LONG = bool(os.environ.get("SPARKWITNESS_LONG"))
KILLS = 100 if LONG else 5
RESETS = 20 if LONG else 3
PATIENCE = 4.0  # the machine that runs the tests may be busy
DRIVE = {
    "rpm_from": 1_000_000, "rpm_to": 1_000_000, "ramp_ms": 0, "width_us": 2000, "firings": 4,
    "turns": 2, "active_low": 0, "teeth": 0, "missing": 0, "load": 0,
}  # fmt: skip
SPAWN = multiprocessing.get_context("forkserver")
SPAWN.set_forkserver_preload(["sparkwitness.device.run", "sparkwitness.records.logbook"])


class Noting(Recorder):
    """Tells another process how much has been flushed."""

    noted = None

    def flush(self) -> None:
        super().flush()
        if self.noted is not None:
            self.noted.value = self._file.tell()


def host(port: str, record: Path, book: Path | None, drive: bool, flushed, kept) -> None:
    """A host that streams, drives and keeps findings until it is killed."""
    with Link(port, PATIENCE) as link:
        recorder = Noting(record, link.hello, None)
        recorder.noted = flushed
        link.command("configure", enabled=15, falling=0)
        log = Logbook(book) if book else None
        link.command("start")
        if drive:
            link.command("drive", **DRIVE)
        while True:
            recorder.write(link.receive(0.05))
            if log is not None:
                log.keep("check", f"{kept.value}", {"n": kept.value, "pid": os.getpid()})
                kept.value += 1


def decode(data: bytes) -> EdgeDecoder:
    """A whole stream."""
    decoder = EdgeDecoder()
    decoder.feed(data)
    decoder.finish()
    return decoder


def test_host_killed_at_any_moment(tmp_path: Path) -> None:
    """Recording readable to the last flush, logbook whole, outputs off, next host connects."""
    rng = random.Random(4)
    book = tmp_path / "logbook.db"
    world = World(scenario.load("bench-inductive"), seed=3)
    flushed, kept = SPAWN.Value("q", 0, lock=False), SPAWN.Value("q", 0, lock=False)
    off_after, readable = [], 0
    with SimulatedBoard(world, speed=1.0) as board:
        rig = world.source.rig
        for k in range(KILLS):
            record = tmp_path / f"{k}.rec"
            flushed.value, before = 0, kept.value
            child = SPAWN.Process(
                target=host, args=(board.port, record, book, True, flushed, kept), daemon=True
            )
            child.start()
            # Some die before they have said a word; most while they drive the module.
            wait_for_drive = k % 5 != 4
            end = time.monotonic() + 20
            while wait_for_drive and not rig.drive.rpm_to and time.monotonic() < end:
                time.sleep(0.005)
            time.sleep(rng.uniform(0, 1.5))
            driving = bool(rig.drive.rpm_to)
            assert driving or not wait_for_drive
            os.kill(child.pid, signal.SIGKILL)
            died = time.monotonic()
            child.join()
            while rig.drive.rpm_to and time.monotonic() < died + 10:
                time.sleep(0.005)
            assert not rig.drive.rpm_to
            if driving:
                off_after.append(time.monotonic() - died)
            if flushed.value:
                assert record.stat().st_size >= flushed.value > 1000
                loss = decode(b"".join(Recording(record).chunks())).loss
                # The last frame may be cut, and what lay in the line before was half of one.
                assert loss.frames_damaged <= 2
                assert loss.frames_good > 0
                readable += 1
            with Logbook(book) as log:
                assert not log.set_aside
                assert len(log.runs(newest=50)) >= min(50, kept.value) > 0 or not driving
                if kept.value > before:
                    numbers = {run.result["n"] for run in log.runs(newest=50)}
                    assert kept.value - 1 in numbers
            with Link(board.port, PATIENCE) as link:
                assert link.hello["tick_ps"] == 24_000
                link.command("stop")
    print(f"\n{KILLS} kills, {readable} recordings read, outputs off after "
          f"{np.median(off_after):.2f} s, at most {max(off_after):.2f} s")  # fmt: skip
    assert readable >= KILLS // 5
    # The board allows 0.9 s; a busy machine may add to some of them, not to most.
    assert np.median(off_after) <= 1.0 and max(off_after) < 2.0


def collect(link: Link, seconds: float) -> bytes:
    """Start and take what comes for some board seconds' worth of wall time."""
    link.command("configure", enabled=15, falling=0)
    link.receive(0)
    link.command("start")
    data, end = b"", time.monotonic() + seconds
    while time.monotonic() < end:
        data += link.receive(0.05)
    return data


def test_board_reset_or_unplugged_and_back_at_random(tmp_path: Path) -> None:
    """Each life of the board is a session of its own; no angle is made across the gap."""
    rng = random.Random(5)
    made = scenario.load("idle-four")
    setup = Setup.from_dict(sources.typed_by_user(made.setup))
    parts: list[bytes] = []
    with SimulatedBoard(World(made, seed=2)) as board:
        for k in range(RESETS):
            link = Link(board.port, PATIENCE)
            try:
                parts.append(collect(link, rng.uniform(0.5, 1.5)))
                if k % 2:
                    board.unplug()
                    with pytest.raises(UserError, match="went away"):
                        while True:
                            parts[-1] += link.receive(0.2)
                            link.command("alive")
                else:
                    board.reset()
                    # The same port: the new life says hello, the old one's last frame is cut.
                    end = time.monotonic() + 0.5
                    while time.monotonic() < end:
                        parts[-1] += link.receive(0.1)
            finally:
                link.close()
            if k % 2:
                board.reset(new_port=True)
        with Link(board.port, PATIENCE) as link:
            parts.append(collect(link, 1.0))
            link.command("stop")
            parts[-1] += link.receive(0.5)
    joined = Analyzer(setup)
    joined.feed(b"\0".join(parts))
    together = joined.finish()
    assert together.loss.sessions == len(parts)
    apart = []
    for part in parts:
        analyzer = Analyzer(setup)
        analyzer.feed(part + b"\0")
        apart.append(analyzer.finish())
    # Together they hold what they hold apart: nothing was placed from one life into another.
    assert len(together.sparks.tick) > 10 * len(parts)
    ticks = np.concatenate([t.sparks.tick for t in apart])
    degrees = np.concatenate([t.sparks.degrees % 720 for t in apart])
    np.testing.assert_array_equal(together.sparks.tick, ticks)
    known = np.isfinite(degrees)
    np.testing.assert_array_equal(np.isfinite(together.sparks.degrees), known)
    off = together.sparks.degrees[known] - degrees[known]
    np.testing.assert_allclose((off + 180) % 360 - 180, 0, atol=1e-6)
    assert sum(len(t.periods.start) for t in apart) == len(together.periods.start)


def test_host_stalled_for_five_seconds(tmp_path: Path) -> None:
    """The board counts what it dropped and says so; what came is right to the tick."""
    made = scenario.load("fast-six")
    record = tmp_path / "stalled.rec"
    flushed, kept = SPAWN.Value("q", 0, lock=False), SPAWN.Value("q", 0, lock=False)
    with SimulatedBoard(World(made, seed=8), speed=1.0) as board:
        child = SPAWN.Process(
            target=host, args=(board.port, record, None, False, flushed, kept), daemon=True
        )
        child.start()
        end = time.monotonic() + 20
        while flushed.value < 20_000 and time.monotonic() < end:
            time.sleep(0.05)
        os.kill(child.pid, signal.SIGSTOP)
        time.sleep(5)
        size = flushed.value
        os.kill(child.pid, signal.SIGCONT)
        end = time.monotonic() + 20
        while flushed.value < size + 60_000 and time.monotonic() < end:
            time.sleep(0.05)
        child.kill()
        child.join()
    decoder = EdgeDecoder()
    batches = decoder.feed(b"".join(Recording(record).chunks()))
    loss = decoder.loss
    assert loss.any() and loss.frames_damaged <= 1 and loss.frames_missing == 0
    # What the board says it dropped is what is missing here, on every input.
    assert loss.edges_lost == loss.board_lost
    assert loss.board_lost[0] > 10_000
    ticks = np.concatenate([b.ticks[0] for b in batches])
    seconds = ticks[-1] * 24e-9
    assert seconds > 5
    truth = edges_for(made, seconds + 0.1, seed=8)[0]["crank"]
    where = np.searchsorted(truth, ticks)
    np.testing.assert_array_equal(truth[where], ticks)
    # Each gap is marked, so that no angle is made across it.
    have, breaks = 0, []
    for batch in batches:
        breaks += (batch.breaks[0] + have).tolist()
        have += len(batch.ticks[0])
    gaps = np.flatnonzero(np.diff(where) > 1) + 1
    assert gaps.tolist() == breaks
    assert int((np.diff(where)[gaps - 1] - 1).sum()) == loss.edges_lost[0]


def run(*arguments: str | Path, most_bytes: int | None = None, **env: str):
    """The command in a process of its own; no file may grow beyond `most_bytes`."""

    def limit() -> None:
        if most_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    return subprocess.run(
        [Path(sys.executable).with_name("sparkwitness"), *map(str, arguments)],
        capture_output=True, text=True, timeout=120, check=False, preexec_fn=limit,
        env={**os.environ, **env},
    )  # fmt: skip


MEASURE = ("measure", "--simulate", "marine-four", "--once")


def test_disk_full_while_recording(tmp_path: Path) -> None:
    """The file system refuses to let the file grow: a sentence, and what is there is readable; the
    measurement goes on without it."""
    record = tmp_path / "full.rec"
    ended = run(*MEASURE, "--no-log", "--record", record, most_bytes=6_000)
    assert ended.returncode == 0, ended.stdout
    assert "Traceback" not in ended.stderr + ended.stdout
    said = ended.stdout.replace("\n", "")
    assert said.count("stopped recording") == 1 and "full.rec" in said and "BTDC" in said
    assert 5_000 < record.stat().st_size <= 6_000
    loss = decode(b"".join(Recording(record).chunks())).loss
    assert loss.frames_damaged <= 1 and loss.frames_missing == 0 and loss.frames_good > 30
    again = run("measure", "--from", record, "--no-log", "--json")
    assert json.loads(again.stdout)["loss"]["frames_good"] == loss.frames_good


def test_disk_full_for_the_logbook_costs_no_finding(tmp_path: Path) -> None:
    book = tmp_path / "logbook.db"
    with Logbook(book) as log:
        log.keep("check", "before", {"a": 1})
    size = max(p.stat().st_size for p in tmp_path.iterdir())
    record = tmp_path / "x.rec"
    ended = run(*MEASURE, "--json", "--record", record, "--logbook", book, most_bytes=4_000_000)
    assert ended.returncode == 0
    full = tmp_path / "none.db"
    ended = run(
        "measure", "--from", record, "--json", SPARKWITNESS_LOGBOOK="",
        most_bytes=size // 8, XDG_DATA_HOME=str(full),
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert json.loads(ended.stdout)["timing_deg_btdc"] is not None
    assert "kept" in ended.stderr and "Traceback" not in ended.stderr


def unwritable(tmp_path: Path) -> Path:
    """A folder in which nobody can make a file, not even root."""
    if os.geteuid():
        folder = tmp_path / "fixed"
        folder.mkdir(mode=0o555)
        return folder
    if not Path("/sys/kernel").is_dir():
        pytest.skip("root can write everywhere here, so that nothing can be tried")
    return Path("/sys/kernel")


def test_folder_that_cannot_be_written(tmp_path: Path, marine) -> None:
    folder = unwritable(tmp_path)
    for arguments, words in (
        ((*MEASURE, "--no-log", "--record", folder / "x.rec"), "cannot write"),
        (("measure", "--from", marine.path, "--logbook", folder / "book.db"), "logbook"),
        (("export", marine.path, "--to", "csv", "--out", folder / "x.csv"), "x.csv"),
    ):
        ended = run(*arguments)
        assert ended.returncode, arguments
        assert "Traceback" not in ended.stderr
        assert words in ended.stderr and ended.stderr.count("Error") == 1, ended.stderr


def test_clock_of_the_host_set_back(tmp_path: Path, monkeypatch) -> None:
    """Each look at the clock shows an hour less: no duration is taken from it, no order lost."""

    class Backwards(datetime):
        shown = datetime(2026, 3, 1, 12, 0, 0)

        @classmethod
        def now(cls, tz=None):
            cls.shown -= timedelta(hours=1)
            return cls.shown.replace(tzinfo=tz)

    wall = [1_000_000_000.0]

    def back() -> float:
        wall[0] -= 3600
        return wall[0]

    for module in (recording, logbook):
        monkeypatch.setattr(module, "datetime", Backwards)
    monkeypatch.setattr(time, "time", back)
    book = tmp_path / "logbook.db"
    results = []
    for _ in range(2):
        ended = CliRunner().invoke(
            cli.main, [*MEASURE, "--json", "--logbook", str(book)], catch_exceptions=False
        )
        assert ended.exit_code == 0
        results.append(json.loads(ended.stdout))
    assert all(abs(r["timing_deg_btdc"] - results[0]["timing_deg_btdc"]) < 0.3 for r in results)
    with Logbook(book) as log:
        runs = log.runs()
        assert [run.id for run in runs] == [1, 2]
        assert runs[1].made < runs[0].made
        for run in runs:
            # The numbers are the recording's, whatever the clock said.
            again = logbook.replay(log.recording_of(run), Setup.from_dict(run.setup or {}))
            assert again.timing == run.result["timing_deg_btdc"]


def test_silent_board_ends_the_run_with_a_sentence() -> None:
    """A board that hangs: not an endless wait."""
    made = scenario.load("idle-four")
    setup = Setup.from_dict(sources.typed_by_user(made.setup))
    with SimulatedBoard(World(made, seed=2)) as board, Link(board.port, 1.0) as link:
        process = board._run.process

        def done(tables: Tables) -> bool:
            os.kill(process.pid, signal.SIGSTOP)
            return False

        try:
            with pytest.raises(UserError, match=r"stopped sending|did not answer"):
                session.collect(link, setup, None, done)
        finally:
            os.kill(process.pid, signal.SIGCONT)
