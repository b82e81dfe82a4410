"""Many recordings: one table, and what fails does not cost the rest."""

import csv
import json
import multiprocessing
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet
import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.cli.summarize import _Estimate
from sparkwitness.records import spread, summary


def run(*arguments: object):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments])


@pytest.fixture
def folder(tmp_path: Path, marine, corrected, far) -> Path:
    (tmp_path / "in" / "deep").mkdir(parents=True)
    for made, name in ((marine, "a.rec"), (corrected, "b.anything"), (far, "deep/c.rec")):
        shutil.copy(made.path, tmp_path / "in" / name)
    return tmp_path / "in"


def test_all_in_one_table_equal_to_the_measurements(folder: Path, tmp_path: Path, marine, far):
    (folder / "readme.txt").write_text("not a recording")
    out = tmp_path / "all.parquet"
    answer = run("summarize", folder, "--out", out, "--jobs", 2, "--json")
    assert answer.exit_code == 0
    assert json.loads(answer.stdout)["skipped"] == 1
    table = pyarrow.parquet.read_table(out)
    rows = {r["file"]: r for r in table.to_pylist()}
    assert list(rows) == ["a.rec", "b.anything", str(Path("deep/c.rec"))]
    assert rows["a.rec"]["timing"] == marine.result.timing
    assert rows["a.rec"]["timing_expanded"] == marine.result.expanded
    assert rows["a.rec"]["next_setting"] == marine.result.advice.setting
    assert rows["a.rec"]["sparks_per_event"] == pytest.approx(3, abs=0.2)
    assert rows["b.anything"]["setting"] == 3.25
    assert rows[str(Path("deep/c.rec"))]["error"] == far.result.error
    assert "pulse_far" in rows[str(Path("deep/c.rec"))]["findings"]
    units = {f.name: (f.metadata or {}).get(b"unit") for f in table.schema}
    assert (units["timing"], units["speed"], units["supply_least"]) == (b"deg", b"rev/min", b"mV")


def test_what_fails_is_listed_and_the_rest_is_done(folder: Path, tmp_path: Path, marine):
    whole = marine.path.read_bytes()
    head = whole[: whole.index(b"\n") + 1]
    (folder / "junk.rec").write_text("junk")
    (folder / "empty.rec").write_bytes(head)
    (folder / "noise.rec").write_bytes(head + bytes(range(1, 200)) * 9)
    header = json.loads(head)
    header["setup"] = None
    (folder / "untyped.rec").write_bytes(json.dumps(header).encode() + whole[len(head) - 1 :])
    header["setup"] = {"reference": {"teeth": "many"}}
    (folder / "odd.rec").write_bytes(json.dumps(header).encode() + whole[len(head) - 1 :])
    (folder / "cut.rec").write_bytes(whole[: len(whole) // 2])  # readable up to the cut
    out = tmp_path / "all.parquet"
    answer = run("summarize", folder, "--out", out, "--jobs", 1)
    assert answer.exit_code == 5
    assert "4 of 9 recordings" in answer.stdout
    for name, why in (
        ("junk", "not a sparkwitness recording"), ("empty", "empty recording"),
        ("noise", "not one good frame"), ("untyped", "does not say what was typed"), ("odd", ""),
    ):  # fmt: skip
        line = next(x for x in answer.stdout.splitlines() if f"{name}.rec: " in x)
        assert line.startswith("! ") and why in line
    assert "Traceback" not in answer.output
    assert pyarrow.parquet.read_table(out).num_rows == 4
    with open(tmp_path / "all-failed.csv", newline="", encoding="utf-8") as file:
        kept = {row["file"]: row["why"] for row in csv.DictReader(file)}
    assert list(kept) == ["empty.rec", "junk.rec", "noise.rec", "odd.rec", "untyped.rec"]
    assert "not one good frame" in kept["noise.rec"] and all(kept.values())
    # The table is not written over, nor what failed beside it.
    out.unlink()
    again = run("summarize", folder, "--out", out)
    assert again.exit_code == 1 and "all-failed.csv already exists" in again.output
    for name in kept:
        (folder / name).unlink()
    assert run("summarize", folder, "--out", out, "--force", "--jobs", 1).exit_code == 0
    assert not (tmp_path / "all-failed.csv").exists()


def test_refusals(tmp_path: Path, folder: Path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "x.txt").write_text("x")
    nothing = run("summarize", tmp_path / "empty")
    assert nothing.exit_code == 1 and "no recordings in" in nothing.output
    out = tmp_path / "all.parquet"
    out.write_text("mine")
    there = run("summarize", folder, "--out", out)
    assert there.exit_code == 1 and out.read_text() == "mine"
    nowhere = run("summarize", folder, "--out", tmp_path / "no" / "x.parquet")
    assert nowhere.exit_code == 1 and "cannot write" in nowhere.output


def journal_of(folder: Path, out: Path, done: int) -> list[summary.File]:
    """As a run leaves it that is broken off after so many recordings."""
    files, _, _ = summary.find(folder)
    with summary.Journal(out, files) as journal:
        for one in files[:done]:
            journal.add(one, *summary.attempt(str(folder / one.name)))
    return files


def test_broken_off_it_goes_on_to_the_same_bytes(folder: Path, tmp_path: Path):
    whole, parted = tmp_path / "whole.parquet", tmp_path / "parted.parquet"
    run("summarize", folder, "--out", whole, "--jobs", 1)
    files = journal_of(folder, parted, 2)
    part = tmp_path / "parted.parquet.part"
    with open(part, "ab") as file:
        file.write(b'{"file": "deep/c.rec", "sta')  # torn as the computer went down
    answer = run("summarize", folder, "--out", parted, "--jobs", 1, "--json")
    assert answer.exit_code == 0 and json.loads(answer.stdout)["kept"] == 2
    assert "2 of 3 recordings were done" in answer.stderr
    assert parted.read_bytes() == whole.read_bytes() and not part.exists()
    # A recording that was changed since is evaluated again, and so is one that failed.
    parted.unlink()
    journal_of(folder, parted, 3)
    shutil.copy(folder / files[0].name, folder / files[1].name)
    os.utime(folder / files[1].name, ns=(1, 1))
    told = json.loads(run("summarize", folder, "--out", parted, "--json", "--jobs", 1).stdout)
    assert told["kept"] == 2
    hashes = pyarrow.parquet.read_table(parted)["sha256"].to_pylist()
    assert hashes[0] == hashes[1] != hashes[2]


def test_what_another_version_left_is_not_mixed_in(folder: Path, tmp_path: Path):
    out = tmp_path / "all.parquet"
    (tmp_path / "all.parquet.part").write_text('{"format": "other"}\n')
    answer = run("summarize", folder, "--out", out)
    assert answer.exit_code == 1 and "delete it" in answer.output


def ends_its_worker(path: str) -> tuple[summary.Row | None, str]:
    if path.endswith("b.anything"):
        os._exit(9)
    return summary.attempt(path)


def test_a_file_that_ends_its_worker_costs_no_other(folder: Path):
    files, _, _ = summary.find(folder)
    found = {f.name: (row, why) for f, row, why in spread.local(folder, files, 2, ends_its_worker)}
    assert found.pop("b.anything") == (None, "its worker was ended, perhaps for want of memory")
    assert len(found) == 2
    assert all(value == summary.attempt(str(folder / name)) for name, value in found.items())
    assert not multiprocessing.active_children()


def test_the_estimate_goes_by_bytes(monkeypatch: pytest.MonkeyPatch, capsys):
    now = 0.0
    monkeypatch.setattr(time, "monotonic", lambda: now)
    files = [summary.File(f"{k}", 10**6 if k < 10 else 9 * 10**6, 0) for k in range(20)]
    estimate = _Estimate(files)
    for one in files[:10]:
        now += 60.0
        estimate(one, 0)
    # 10 of 100 MB took 10 min: 90 min are left, though half of the files are done.
    assert "10 of 20 recordings, 0 failed, about 1 h 30 min left" in capsys.readouterr().err


def test_a_cluster_that_loses_a_worker_gives_the_same_bytes(folder: Path, tmp_path: Path):
    """A Dask scheduler and two workers as `dask` starts them; one is killed in the middle."""
    pytest.importorskip("distributed")
    for k in range(60):
        shutil.copy(folder / "a.rec", folder / f"more{k:02}.rec")
    (folder / "junk.rec").write_text("junk")
    plain, spread_out = tmp_path / "plain.parquet", tmp_path / "cluster.parquet"
    assert run("summarize", folder, "--out", plain, "--jobs", 1).exit_code == 5
    where = tmp_path / "scheduler.json"
    started: list[subprocess.Popen[bytes]] = []

    def start(*typed: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", *typed]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        started.append(subprocess.Popen(command, cwd=tmp_path, **quiet))
        return started[-1]

    try:
        start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
              "--no-dashboard", "--scheduler-file", str(where))  # fmt: skip
        lost, _ = (
            start("distributed.cli.dask_worker", "--scheduler-file", str(where), "--nthreads", "1",
                  "--no-nanny", "--no-dashboard") for _ in range(2)
        )  # fmt: skip
        while not where.exists() or not where.read_text():
            time.sleep(0.05)
        address = json.loads(where.read_text())["address"]
        doing = start("sparkwitness", "summarize", str(folder), "--out", str(spread_out),
                      "--scheduler", address)  # fmt: skip
        part = tmp_path / "cluster.parquet.part"
        while doing.poll() is None and (not part.exists() or part.read_bytes().count(b"\n") < 2):
            time.sleep(0.01)
        lost.kill()
        assert doing.wait(60) == 5
    finally:
        for one in started:
            one.kill()
            one.wait()
    assert spread_out.read_bytes() == plain.read_bytes()
    assert (tmp_path / "cluster-failed.csv").read_text() == (
        tmp_path / "plain-failed.csv"
    ).read_text()


def test_no_scheduler_gets_a_sentence(folder: Path, tmp_path: Path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(spread, "_WAIT_S", 0.5)
    where = ("--out", tmp_path / "x.parquet", "--scheduler", "tcp://127.0.0.1:1")
    answer = run("summarize", folder, *where)
    assert answer.exit_code == 1 and "no scheduler answers at tcp://127.0.0.1:1" in answer.output
    both = run("summarize", folder, *where, "--jobs", 2)
    assert both.exit_code == 1 and "--jobs" in both.output
