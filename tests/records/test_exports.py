"""Exports: each file read back by its format's own library is equal to the recording's ticks."""

import csv
import json
import shutil
import signal
import subprocess
import sys
import tracemalloc
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import asammdf
import duckdb
import numpy as np
import pyarrow.csv
import pyarrow.parquet
import pytest
import vcdvcd
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.cli.typed import setup_from
from sparkwitness.decode import wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.recording import Recording
from sparkwitness.records import tables
from sparkwitness.records.export import vcd
from sparkwitness.records.export.csv import CsvWriter
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed, time_events
from streams import TICK_PS, Stream, random_stream
from truth import cases, frames

if hasattr(signal, "SIGPIPE"):
    # vcdvcd lets a closed pipe end the whole process from its import on; Python's way again.
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)

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
    """The event table from the measuring path itself, strays apart."""
    source = Recording(path)
    assert source.setup is not None
    setup = Setup.from_dict(source.setup)
    analyzer = Analyzer(setup, source.tick_ps)
    for chunk in source.chunks():
        analyzer.feed(chunk)
    timed = time_events(setup, analyzer.finish())
    assert isinstance(timed, Timed) and len(timed.angles) > 40
    sparks = np.where(timed.events.sparks > 0, timed.events.sparks, None)
    return {"tick": timed.events.tick, "timing_deg_btdc": timed.angles, "sparks": sparks}


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
    assert columns["timing_deg_btdc"]["schema:unitText"] == "deg"
    # Ticks and seconds say the same.
    seconds = np.array(events["time_s"].to_pylist())
    assert (np.rint(seconds / TICK_S) == np.array(events["tick"].to_pylist())).all()


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
    assert supply.schema.field("supply_mv").metadata[b"unit"] == b"mV"
    pairs = zip(supply["tick"].to_pylist(), supply["supply_mv"].to_pylist(), strict=True)
    assert list(pairs) == expected_supply(path)
    if which == "marine":
        events = pyarrow.parquet.read_table(f"{stem}-events.parquet")
        for name, values in expected_events(path).items():
            assert events[name].to_pylist() == values.tolist()


def vcd_changes(path: Path) -> tuple[dict[str, list[tuple[int, str]]], int]:
    """Per variable its (time, value) by vcdvcd, and ps per unit of time."""
    read = vcdvcd.VCDVCD(str(path))
    changes = {name.rpartition(".")[2]: list(read[name].tv) for name in read.references_to_ids}
    return changes, round(read.timescale["timescale"] * Decimal(10**12))


def rises(changes: list[tuple[int, str]]) -> list[int]:
    """Times at which a wire goes from 0 to 1."""
    return [at for (_, old), (at, new) in pairwise(changes) if (old, new) == ("0", "1")]


def test_vcd_by_vcdvcd(tmp_path: Path, marine):
    stem = export(marine.path, "vcd", tmp_path)
    changes, unit = vcd_changes(Path(f"{stem}.vcd"))
    scale = TICK_PS // unit
    assert unit == 1000
    rows = decoded(marine.path)
    levels = [one.levels for one in tables.sessions(Recording(marine.path))[0]]
    for which, name in enumerate(wire.INPUTS):
        wanted = [r[1] * scale for r in rows if r[2] == which]
        if levels[0][which] is None:
            assert rises(changes[name]) == wanted
        else:  # both flanks: the wire has the levels
            assert changes[name][0] == (0, str(levels[0][which]))
            assert [t for t, v in changes[name] if v in "01"][1:] == wanted
        assert changes[name][0][0] == 0 and changes[name][-1][1] == "x"
        # A pulse has fallen before the next rises.
        assert rises(changes[f"{name}_lost_before"]) == []
    events = expected_events(marine.path)
    # Not known before the first event: NaN, since a real has no x.
    assert changes["timing_deg_btdc"][0][1].lower() == "nan"
    angles = {at: float(value) for at, value in changes["timing_deg_btdc"]}
    last = None
    for tick, angle in zip(
        events["tick"].tolist(), events["timing_deg_btdc"].tolist(), strict=True
    ):
        # A value that repeats is no change (IEEE 1364-2005, 18.2).
        last = angles.get(tick * scale, last)
        assert last == pytest.approx(angle, abs=1e-9)


def test_vcd_puts_sessions_one_after_the_other(tmp_path: Path, broken: Path):
    stem = export(broken, "vcd", tmp_path)
    changes, unit = vcd_changes(Path(f"{stem}.vcd"))
    scale, rows = TICK_PS // unit, decoded(broken)
    second = changes["session"][-1][0]
    assert second > max(r[1] for r in rows if r[0] == 0) * scale
    for which, name in enumerate(wire.INPUTS):
        shift = (0, second)
        mine = [(r[1] * scale + shift[r[0]], r[3]) for r in rows if r[2] == which]
        assert rises(changes[name]) == [t for t, _ in mine]
        assert rises(changes[f"{name}_lost_before"]) == [t for t, lost in mine if lost]
        # Nobody watched between the sessions.
        assert [v for t, v in changes[name] if t < second][-1] == "x"


def test_vcd_by_sigrok(tmp_path: Path, broken: Path):
    """sigrok lists every wire, and counts the edges that are there."""
    if shutil.which("sigrok-cli") is None:
        pytest.skip("sigrok-cli is not installed")
    made = Stream()
    made.hello()
    made.heartbeat(0)
    for k in range(20):
        made.edges(0, 1000 + 5000 * np.arange(k * 30, (k + 1) * 30))
        made.edges(1, 1300 + 5000 * np.arange(k * 30, (k + 1) * 30, 10))
        made.heartbeat(5000 * (k + 1) * 30 + 1000)
    stem = export(recording(tmp_path / "a.rec", made.data), "vcd", tmp_path)
    options = "vcd:downsample=1000"  # samples of 1 us; a pulse is longer
    shown = subprocess.run(
        ["sigrok-cli", "-i", f"{stem}.vcd", "-I", options, "--show"],
        capture_output=True, text=True, check=True, timeout=60,
    ).stdout  # fmt: skip
    for name in wire.INPUTS:
        assert f"{name}: logic" in shown or f"{name}" in shown
    table = subprocess.run(
        ["sigrok-cli", "-i", f"{stem}.vcd", "-I", options, "-O", "csv:label=channel:header=false",
         "-C", "crank,clamp_a"], capture_output=True, text=True, check=True, timeout=60,
    ).stdout.split()  # fmt: skip
    levels = np.array([row.split(",") for row in table if row in ("0,0", "0,1", "1,0", "1,1")], int)
    assert (np.diff(levels, axis=0) > 0).sum(axis=0).tolist() == [600, 60]


@pytest.mark.parametrize(("tick", "said"), [
    (24_000, (24, "1 ns")), (16_000, (16, "1 ns")), (20_000, (2, "10 ns")), (1, (1000, "1 fs")),
    (31_250, (3125, "10 ps")), (1_000_000, (10, "100 ns")),
])  # fmt: skip
def test_vcd_time_scale_is_one_the_standard_allows(tick: int, said: tuple[int, str]):
    """IEEE 1364-2005, 18.2.3.8: 1, 10 or 100 of a unit."""
    assert vcd._timescale(tick) == said


def test_mdf4_by_asammdf(tmp_path: Path, marine, broken: Path):
    for path, folder in ((marine.path, "a"), (broken, "b")):
        (tmp_path / folder).mkdir()
        stem = export(path, "mdf4", tmp_path / folder)
        rows, found, first = decoded(path), [], {}
        with asammdf.MDF(f"{stem}.mf4") as mdf:
            assert mdf.version.startswith("4.1")
            # Each name once, the axes of time too.
            assert all(len(where) == 1 for where in mdf.channels_db.values())
            for name in wire.INPUTS:
                if f"{name}_tick" not in mdf.channels_db:
                    continue
                tick, lost, session = (
                    mdf.get(f"{name}_{what}") for what in ("tick", "lost_before", "session")
                )
                assert tick.samples.dtype == np.int64 and tick.unit == "24000 ps"
                # One axis over all sessions, whose steps are the ticks'.
                assert (np.diff(tick.timestamps) > 0).all()
                shift = np.rint(tick.timestamps / TICK_S).astype(int) - tick.samples
                for number in np.unique(session.samples).tolist():
                    assert len(np.unique(shift[session.samples == number])) == 1
                    first[number] = int(shift[session.samples == number][0])
                which = wire.INPUTS.index(name)
                columns = (session.samples, tick.samples, lost.samples)
                found += [
                    (number, t, which, bool(x))
                    for number, t, x in zip(*(c.tolist() for c in columns), strict=True)
                ]
            place = {number: k for k, number in enumerate(sorted(first, key=lambda n: first[n]))}
            if path == broken:
                assert place == {7: 0, 8: 1}
                end = max(t for n, t, *_ in found if n == 7)
                assert first[7] == 0 and first[8] * TICK_S >= end * TICK_S + 1
            assert sorted((place[s], *rest) for s, *rest in found) == rows
            if path == marine.path:
                for name, values in expected_events(path).items():
                    signal = mdf.get(f"events_{name}", ignore_invalidation_bits=True)
                    bad = signal.invalidation_bits
                    got = signal.samples.tolist()
                    if bad is not None:
                        got = [None if b else v for v, b in zip(got, bad.tolist(), strict=True)]
                    assert got == values.tolist()
                assert mdf.get("events_timing_deg_btdc").unit == "deg"
                assert mdf.get("events_speed_rpm").unit == "rev/min"
                supply = mdf.get("supply_supply_mv").samples.tolist()
                assert supply == [v for _, v in expected_supply(path)]


def test_what_is_not_known_is_null(tmp_path: Path):
    """Read by DuckDB: the mean of what is known, which a 0 would have lowered."""
    head, _, data = (
        (Path(__file__).parents[1] / "data" / "idle-four.swrec").read_bytes().partition(b"\n")
    )
    frames = data.split(b"\0")
    clamp = [
        k for k, frame in enumerate(frames)
        if frame and (m := wire.decode(frame)).name == "edges" and m.fields["input"] == 1
    ]  # fmt: skip
    del frames[clamp[len(clamp) // 2]]  # the burst before it has no end that was seen
    path = tmp_path / "lost.rec"
    path.write_bytes(head + b"\n" + b"\0".join(frames))
    found = [columns for _, columns in tables.events(
        Recording(path), Setup.from_dict(Recording(path).setup))]  # fmt: skip
    sparks = np.concatenate([columns["sparks"] for columns in found])
    assert (sparks == 0).any() and (sparks > 0).sum() > 20
    for to in ("csv", "parquet"):
        stem = export(path, to, tmp_path)
        mean, known, every, last = duckdb.sql(
            f"SELECT avg(sparks), count(sparks), count(*), max(time_s) FROM '{stem}-events.{to}'"
        ).fetchall()[0]
        assert (known, every) == ((sparks > 0).sum(), len(sparks))
        assert mean == sparks[sparks > 0].mean()
        ticks, seconds = duckdb.sql(
            f"SELECT max(tick), max(time_s) FROM '{stem}-edges.{to}'"
        ).fetchall()[0]
        assert seconds == pytest.approx(ticks * TICK_S, rel=1e-12) and seconds >= last


def test_events_that_the_setup_did_not_give_are_missed(tmp_path: Path, broken: Path):
    """Nothing goes in silence: the finding is said, and the exit code is that of a part."""
    path = Path(__file__).parents[1] / "data" / "idle-four.swrec"
    header, _, data = path.read_bytes().partition(b"\n")
    values = json.loads(header)
    values["setup"]["reference"] |= {"teeth": 60, "missing": 2}
    wrong = tmp_path / "wrong.rec"
    wrong.write_bytes(json.dumps(values).encode() + b"\n" + data)
    answer = run("export", wrong, "--to", "csv", "--out", tmp_path / "o")
    assert answer.exit_code == 5 and "! no timing of events in session" in answer.output
    assert len((tmp_path / "o-events.csv").read_text().splitlines()) == 1
    told = run("export", wrong, "--to", "csv", "--out", tmp_path / "o", "--force", "--json")
    (refused,) = json.loads(told.stdout)["events_refused"]
    assert told.exit_code == 5 and refused["code"] in ("no_sync", "no_reference")
    untyped = run("export", broken, "--to", "csv", "--only", "events", "--out", tmp_path / "p")
    assert untyped.exit_code == 1 and "does not say what was typed" in untyped.output


def test_a_run_whose_angle_is_refused_gives_events_without_angles(tmp_path: Path):
    """Odd firing under one coil lead: `measure` shows none, and no file hands one on."""
    row = next(r for r in cases.rows() if r.name == "36-1 odd firing, coil lead")
    rng = np.random.default_rng(1)
    case = row.draw(rng)
    setup = setup_from(case.typed, None, ask=False)
    path = tmp_path / "odd.swrec"
    header = {
        "format": "sparkwitness recording", "version": 1, "board": {"tick_ps": 24000},
        "setup": setup.to_dict(),
    }  # fmt: skip
    path.write_bytes(json.dumps(header).encode() + b"\n" + cases.recording(case.world, rng))
    told = run("export", path, "--to", "csv", "--out", tmp_path / "o", "--json")
    (refused,) = json.loads(told.stdout)["events_refused"]
    assert told.exit_code == 5 and refused["code"] == "several_places"
    events = duckdb.sql(f"SELECT * FROM '{tmp_path / 'o-events.csv'}'").df()
    assert len(events) > 30 and events["timing_deg_btdc"].isna().all()
    assert events["speed_rpm"].notna().sum() > 30


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


def test_strays_are_told_as_such_and_not_dropped(tmp_path: Path):
    """Every third of a stretch comes 15° early, by hand: all are there, those marked."""
    degree_s = 1 / (6 * 900)
    cycles = np.arange(80)
    early = np.where((cycles > 20) & (cycles < 40) & (cycles % 3 == 0), 15.0, 0.0)
    teeth = np.delete(np.arange(81 * 72), slice(35, None, 36)) * 10.0
    edges = {
        "crank": (teeth + 5.0) * degree_s,
        "clamp_a": (cycles * 720 + 400.0 - early) * degree_s,
    }
    setup = Setup(Reference(36, 1, angle=60.0), 20.0, cylinders=4, clamp="plug", delay_us=0.0)
    source = recording(tmp_path / "r.swrec", frames.encode(edges, 81 * 720 * degree_s),
                       setup.to_dict())  # fmt: skip
    export(source, "csv", tmp_path)
    table = list(csv.DictReader((tmp_path / "o-events.csv").read_text("utf-8").splitlines()))
    stray = np.array([row["stray"] == "true" for row in table])
    inside = cycles[1:-1] if len(table) == 78 else cycles[len(cycles) - len(table) :]
    assert len(table) >= 78 and np.array_equal(stray, early[inside] > 0) and stray.sum() == 7
    angle = np.array([float(row["timing_deg_btdc"]) for row in table])
    # The index edge is 60° BTDC and comes at 5°; 395° later is 335° ATDC, or 25° BTDC.
    assert angle[~stray] == pytest.approx(25.0, abs=0.01)
    assert angle[stray] == pytest.approx(40.0, abs=0.01)
