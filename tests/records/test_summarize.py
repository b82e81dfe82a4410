"""Many recordings: one table, and what fails does not cost the rest."""

import json
import shutil
from pathlib import Path

import pyarrow.parquet
import pytest
from click.testing import CliRunner

from sparkwitness import cli


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
    answer = run("summarize", folder, "--out", out)
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
