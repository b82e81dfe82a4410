"""Exports: each file read back by its format's own library is equal to the recording's ticks."""

import csv
import json
import sys
import tracemalloc
from dataclasses import replace
from pathlib import Path

import asammdf
import numpy as np
import pyarrow.csv
import pyarrow.parquet
import pytest
from click.testing import CliRunner
from vcd import reader

from sparkwitness import cli
from sparkwitness.decode import wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.recording import Recording
from sparkwitness.records import tables
from sparkwitness.records.export import vcd
from sparkwitness.records.export.csv import CsvWriter
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup
from streams import TICK_PS, Stream, random_stream

TICK_S = TICK_PS * 1e-12


def run(*arguments: object, **more):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments], **more)


def recording(path: Path, data: bytes, setup: dict | None = None) -> Path:
    """A recording file around a stream of bytes."""
    header = {
        "format": "sparkwitness recording", "version": 1, "board": {"tick_ps": TICK_PS},
        "utc_start": "2026-03-04T05:06:07.000+00:00", "setup": setup,
    }  # fmt: skip
    path.write_bytes(json.dumps(header).encode() + b"\n" + data)
    return path


def decoded(path: Path) -> list[tuple[int, int, int, bool]]:
    """(session's place, tick, input, lost before) of every edge by the decoder alone, sorted."""
    rows, order, decoder = [], [], EdgeDecoder()
    for chunk in Recording(path).chunks():
        for batch in decoder.feed(chunk):
            if not order or order[-1] != batch.session:
                order.append(batch.session)
            for which, (ticks, breaks) in enumerate(zip(batch.ticks, batch.breaks, strict=True)):
                lost = set(breaks.tolist())
                place = len(order) - 1
                rows += [(place, tick, which, k in lost) for k, tick in enumerate(ticks.tolist())]
    return sorted(rows)


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sessions of random edges with a silence of hours, and frames lost in each."""
    rng = np.random.default_rng(5)
    first, _ = random_stream(rng, 60, start=3 * 10**11)
    second, _ = random_stream(rng, 40)
    parts = []
    for session, made in ((7, first), (8, second)):
        renamed = Stream(session=session)
        for frame in made.frames:
            message = wire.decode(frame[:-1])
            assert message.name is not None
            renamed.add(message.name, **message.fields)
        del renamed.frames[20:23], renamed.frames[30]
        parts.append(renamed.data)
    path = tmp_path_factory.mktemp("broken") / "broken.rec"
    return recording(path, b"".join(parts))


def test_pieces_are_in_order_complete_and_the_same_however_cut(broken: Path, monkeypatch):
    whole = decoded(broken)
    assert any(lost for *_, lost in whole) and {s for s, *_ in whole} == {0, 1}
    original = Recording.chunks
    for size in (1 << 20, 977):
        monkeypatch.setattr(Recording, "chunks", lambda self, n=size: original(self, n))
        rows = []
        for piece in tables.pieces(Recording(broken)):
            assert (np.diff(piece.tick) >= 0).all()
            columns = piece.tick.tolist(), piece.which.tolist(), piece.lost_before.tolist()
            rows += [(piece.number, *row) for row in zip(*columns, strict=True)]
        assert rows == whole


def export(path: Path, to: str, folder: Path) -> Path:
    answer = run("export", path, "--to", to, "--out", folder / "o")
    assert answer.exit_code == 0, answer.output
    assert not list(folder.glob("*.part"))
    return folder / "o"


def expected_events(path: Path) -> tables.Columns:
    """The event table from the measuring path itself."""
    source = Recording(path)
    assert source.setup is not None
    setup = Setup.from_dict(source.setup)
    analyzer = Analyzer(setup, source.tick_ps)
    for chunk in source.chunks():
        analyzer.feed(chunk)
    timed = measure.timed(setup, analyzer.finish())
    assert isinstance(timed, measure.Timed) and len(timed.angles) > 40
    return {"tick": timed.events.tick, "timing": timed.angles, "sparks": timed.events.sparks}


def expected_supply(path: Path) -> list[tuple[int, int]]:
    decoder, rows = EdgeDecoder(), []
    for chunk in Recording(path).chunks():
        for batch in decoder.feed(chunk):
            rows += [
                (m.fields["time"], m.fields["supply_mv"])
                for m in batch.messages
                if m.name == "heartbeat" and m.fields["supply_mv"] != 65535
            ]
    return rows


def test_csv_by_the_csv_module_and_by_arrow(tmp_path: Path, marine, broken: Path):
    stem = export(broken, "csv", tmp_path)
    with open(f"{stem}-edges.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    place = {"7": 0, "8": 1}
    got = [
        (place[r["session"]], int(r["tick"]), wire.INPUTS.index(r["input"]),
         r["lost_before"] == "true")
        for r in rows
    ]  # fmt: skip
    assert got == decoded(broken)
    assert not Path(f"{stem}-events.csv").exists()  # nothing was typed, so nothing is known

    stem = export(marine.path, "csv", tmp_path / "..")
    events = pyarrow.csv.read_csv(f"{stem}-events.csv")
    for name, values in expected_events(marine.path).items():
        assert events[name].to_pylist() == values.tolist()
    # W3C, Metadata Vocabulary for Tabular Data: names, datatypes and descriptions per column.
    about = json.loads(Path(f"{stem}-events.csv-metadata.json").read_text())
    assert about["@context"] == "http://www.w3.org/ns/csvw" and about["url"] == "o-events.csv"
    columns = {c["name"]: c for c in about["tableSchema"]["columns"]}
    assert list(columns) == events.column_names
    assert columns["tick"]["schema:unitText"] == "24000 ps"
    assert columns["timing"]["schema:unitText"] == "deg"


@pytest.mark.parametrize("which", ["marine", "broken"])
def test_parquet_by_arrow(tmp_path: Path, which: str, request: pytest.FixtureRequest):
    made = request.getfixturevalue(which)
    path = made if which == "broken" else made.path
    stem = export(path, "parquet", tmp_path)
    table = pyarrow.parquet.read_table(f"{stem}-edges.parquet")
    sessions = list(dict.fromkeys(table["session"].to_pylist()))
    rows = zip(
        [sessions.index(s) for s in table["session"].to_pylist()], table["tick"].to_pylist(),
        [wire.INPUTS.index(i) for i in table["input"].to_pylist()],
        table["lost_before"].to_pylist(), strict=True,
    )  # fmt: skip
    assert list(rows) == decoded(path)
    assert table.schema.field("tick").metadata[b"unit"] == b"24000 ps"
    assert b"lost" in table.schema.field("lost_before").metadata[b"description"]
    loss = json.loads(table.schema.metadata[b"loss"])
    assert (loss["frames_missing"] > 0) == (which == "broken")
    supply = pyarrow.parquet.read_table(f"{stem}-supply.parquet")
    assert supply.schema.field("supply").metadata[b"unit"] == b"mV"
    pairs = zip(supply["tick"].to_pylist(), supply["supply"].to_pylist(), strict=True)
    assert list(pairs) == expected_supply(path)
    if which == "marine":
        events = pyarrow.parquet.read_table(f"{stem}-events.parquet")
        for name, values in expected_events(path).items():
            assert events[name].to_pylist() == values.tolist()


def vcd_changes(path: Path) -> tuple[dict[str, list[tuple[int, float]]], int]:
    """Per variable its (time, value) after the initial dump, and ps per unit of time."""
    names, changes, now, dumping, unit = {}, {}, 0, False, 0
    with open(path, "rb") as file:
        for token in reader.tokenize(file):
            kind = token.kind.name
            if kind == "TIMESCALE":
                powers = {"ps": 0, "ns": 3, "us": 6, "ms": 9}
                unit = token.timescale.magnitude * 10 ** powers[token.timescale.unit.value]
            elif kind == "VAR":
                names[token.var.id_code] = token.var.reference
                changes[token.var.reference] = []
            elif kind == "CHANGE_TIME":
                now = token.time_change
            elif kind in ("DUMPVARS", "END"):
                dumping = kind == "DUMPVARS"
            elif kind.startswith("CHANGE_") and not dumping:
                value = token.data.value
                changes[names[token.data.id_code]].append((now, float(value)))
    return changes, unit


def test_vcd_by_pyvcd(tmp_path: Path, marine):
    stem = export(marine.path, "vcd", tmp_path)
    changes, unit = vcd_changes(Path(f"{stem}.vcd"))
    assert unit == 1000
    scale = TICK_PS // unit
    rows = decoded(marine.path)
    for which, name in enumerate(wire.INPUTS):
        assert [t for t, _ in changes[name]] == [r[1] * scale for r in rows if r[2] == which]
    events = expected_events(marine.path)
    angles = changes["timing_deg_btdc"]
    # A value that repeats is no change (IEEE 1364-2005, 18.2), so compare what holds at the end.
    held = dict(angles)
    last = None
    for tick, angle in zip(events["tick"].tolist(), events["timing"].tolist(), strict=True):
        last = held.get(tick * scale, last)
        assert last == pytest.approx(angle, abs=1e-9)
    assert {v for _, v in changes["sparks"]} <= set(map(float, events["sparks"].tolist()))


def test_vcd_puts_sessions_one_after_the_other(tmp_path: Path, broken: Path):
    stem = export(broken, "vcd", tmp_path)
    changes, unit = vcd_changes(Path(f"{stem}.vcd"))
    scale, rows = TICK_PS // unit, decoded(broken)
    second = changes["session"][-1][0]
    assert second > max(r[1] for r in rows if r[0] == 0) * scale
    for which, name in enumerate(wire.INPUTS):
        shift = (0, second)
        assert [t for t, _ in changes[name]] == [
            r[1] * scale + shift[r[0]] for r in rows if r[2] == which
        ]
        lost = [r[1] * scale + shift[r[0]] for r in rows if r[2] == which and r[3]]
        assert [t for t, _ in changes[f"{name}_lost_before"]] == lost


@pytest.mark.parametrize(("tick", "said"), [
    (24_000, (24, "1 ns")), (16_000, (16, "1 ns")), (20_000, (2, "10 ns")), (1, (1, "1 ps")),
    (31_250, (3125, "10 ps")), (1_000_000, (1, "1 us")),
])  # fmt: skip
def test_vcd_time_scale_is_one_the_standard_allows(tick: int, said: tuple[int, str]):
    """IEEE 1364-2005, 18.2.3.8: 1, 10 or 100 of a unit."""
    assert vcd._timescale(tick) == said


def test_mdf4_by_asammdf(tmp_path: Path, marine, broken: Path):
    for path, folder in ((marine.path, "a"), (broken, "b")):
        (tmp_path / folder).mkdir()
        stem = export(path, "mdf4", tmp_path / folder)
        rows, found = decoded(path), []
        with asammdf.MDF(f"{stem}.mf4") as mdf:
            assert mdf.version.startswith("4.1")
            order: list[str] = []
            for group, data in enumerate(mdf.groups):
                title = data.channel_group.acq_name
                name, _, session = title.partition(", session ")
                if name not in wire.INPUTS:
                    continue
                if session not in order:
                    order.append(session)
                tick = mdf.get(f"{name}_tick", group=group)
                lost = mdf.get(f"{name}_lost_before", group=group)
                assert tick.samples.dtype == np.int64 and tick.unit == "24000 ps"
                # The time channel, in seconds, falls on the same tick.
                assert (np.rint(tick.timestamps / TICK_S) == tick.samples).all()
                which = wire.INPUTS.index(name)
                found += [
                    (session, t, which, bool(x))
                    for t, x in zip(tick.samples.tolist(), lost.samples.tolist(), strict=True)
                ]
            place = {s: k for k, s in enumerate(sorted(order, key=lambda s: s))}
            if path == broken:
                assert place == {"7": 0, "8": 1}
            assert sorted((place[s], *rest) for s, *rest in found) == rows
            if path == marine.path:
                for name, values in expected_events(path).items():
                    if name != "tick":
                        assert mdf.get(name).samples.tolist() == values.tolist()
                assert mdf.get("timing").unit == "deg" and mdf.get("speed").unit == "rev/min"
                assert mdf.get("supply").samples.tolist() == [v for _, v in expected_supply(path)]


def test_a_long_recording_streams_in_bounded_memory(tmp_path: Path, monkeypatch):
    """Four times the length, about the same peak (chunks made small, so that length would show)."""
    original = Recording.chunks
    monkeypatch.setattr(Recording, "chunks", lambda self, size=32768: original(self, size))
    peaks = []
    for seconds in (20, 80):
        made = Stream()
        made.hello()
        made.heartbeat(0)
        step = 30_000
        for k in range(seconds * 10):
            ticks = np.arange(k * 139, (k + 1) * 139) * step
            made.edges(0, ticks)
            made.heartbeat((k + 1) * 139 * step)
        path = recording(tmp_path / f"{seconds}.rec", made.data)
        tracemalloc.start()
        count = sum(len(p.tick) for p in tables.pieces(Recording(path)))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count == seconds * 1390
    assert peaks[1] < 1.5 * peaks[0]


def test_events_of_a_long_recording_are_those_of_the_whole(tmp_path: Path, marine, monkeypatch):
    """Judged in overlapping stretches, none is told twice and none is missing."""
    setup = marine.setup
    whole = list(tables.events(Recording(marine.path), setup))
    monkeypatch.setattr(tables, "_WINDOW", 40)
    monkeypatch.setattr(tables, "_OVERLAP", 6)
    original = Recording.chunks
    monkeypatch.setattr(Recording, "chunks", lambda self, size=700: original(self, size))
    pieces = list(tables.events(Recording(marine.path), setup))
    assert len(whole) == 1 and len(pieces) > 2
    for name, values in whole[0][1].items():
        joined = np.concatenate([columns[name] for _, columns in pieces])
        exact = values.dtype.kind != "f"  # the mean speed of a stretch differs in the last digits
        assert np.allclose(joined, values, 0, 0 if exact else 1e-9, equal_nan=True), name
    # Where nothing fits what was typed, nothing is told and nothing piles up.
    wrong = replace(setup, reference=Reference(60, 2, 1, 68.0, 0.1))
    pieces = list(tables.events(Recording(marine.path), wrong))
    assert sum(len(columns["tick"]) for _, columns in pieces) == 0


def test_nothing_is_written_over_nor_stays_half_written(tmp_path: Path, marine, monkeypatch):
    stem = export(marine.path, "csv", tmp_path)
    again = run("export", marine.path, "--to", "csv", "--out", stem)
    assert again.exit_code == 1 and "already exists" in again.output
    forced = run("export", marine.path, "--to", "csv", "--out", stem, "--force", "--only", "edges")
    assert forced.exit_code == 0
    nowhere = run("export", marine.path, "--to", "csv", "--out", tmp_path / "no" / "o")
    assert nowhere.exit_code == 1 and "cannot write" in nowhere.output

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(CsvWriter, "edges", full)
    disk = run("export", marine.path, "--to", "csv", "--out", tmp_path / "full")
    assert disk.exit_code == 1 and "No space left" in disk.output
    assert not list(tmp_path.glob("*.part")) and not list(tmp_path.glob("full*"))


@pytest.mark.parametrize(("to", "module"), [
    ("parquet", "pyarrow"), ("vcd", "vcd"), ("mdf4", "asammdf")
])  # fmt: skip
def test_a_missing_library_is_one_sentence(to, module, tmp_path: Path, marine, monkeypatch):
    monkeypatch.setitem(sys.modules, module, None)
    answer = run("export", marine.path, "--to", to, "--out", tmp_path / "o")
    assert answer.exit_code == 1
    assert f"{module} is not installed: pip install 'sparkwitness[{to}]'" in answer.output


def test_runs_of_the_logbook_are_exported_too(tmp_path: Path, marine):
    env = {"SPARKWITNESS_LOGBOOK": str(tmp_path / "book.db")}
    kept = run("measure", "--from", marine.path, "--json", env=env)
    number = json.loads(kept.stdout)["run"]
    answer = run("export", number, "--to", "csv", "--out", tmp_path / "o", "--json", env=env)
    assert answer.exit_code == 0 and len(json.loads(answer.stdout)["files"]) == 6
    nothing = run("export", 55, "--to", "csv", env=env)
    assert nothing.exit_code == 1 and "no run 55" in nothing.output
    junk = tmp_path / "junk.rec"
    junk.write_text("junk")
    refused = run("export", junk, "--to", "csv", env=env)
    assert refused.exit_code == 1 and "not a sparkwitness recording" in refused.output
    noise = recording(tmp_path / "noise.rec", bytes(range(1, 200)) * 3)
    refused = run("export", noise, "--to", "csv", "--out", tmp_path / "noise", env=env)
    assert refused.exit_code == 1 and "not one good frame" in refused.output.replace("\n", " ")
