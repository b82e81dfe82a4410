"""Files that other programs wrote become recordings that give the numbers of the same times.

The engine of these files is made here: a 36-1 wheel at 1500 rev/min whose sparks come 12° before
top dead centre with a scatter of 0.1°. What is right is its truth, and what `measure_edges` says
of the same times.
"""

import csv
import json
import os
import shutil
import subprocess
import wave
from pathlib import Path

import numpy as np
import pyarrow
import pyarrow.parquet
import pytest
import soundfile
from click.testing import CliRunner
from vcd import VCDWriter

from sparkwitness import Reference, Setup, cli, measure_edges, measure_recording
from sparkwitness.decode.recording import Recording
from sparkwitness.records import tables

DATA = Path(__file__).parents[1] / "data"
RATE = 500_000
SECOND = 1 / (6 * 1500)  # of one crank degree
ENGINE = ("--reference", "36-1", "--reference-angle", 60, "--reference-within", 0.1,
          "--cylinders", 4, "--clamp", "plug", "--commanded", 10)  # fmt: skip
SETUP = Setup(
    Reference.parse("36-1", angle=60, u_angle=0.05), cylinders=4, clamp="plug", commanded=10
)


def run(*arguments: object, **more):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments], **more)


def engine(cycles: int = 36) -> tuple[np.ndarray, np.ndarray]:
    """Samples at which crank and spark edges come, from the first tooth after the gap on."""
    at = np.arange(cycles)[:, None] * 720.0
    wheel = np.arange(35) * 10.0
    crank = (at + np.concatenate([wheel, wheel + 360.0])).ravel() * SECOND + 0.01
    spark = (at.ravel() + 60.0 - 12.0 + np.random.default_rng(1).normal(0, 0.1, cycles)) * SECOND
    return np.rint(crank * RATE).astype(int), np.rint((spark + 0.01) * RATE).astype(int)


CRANK, SPARK = engine()


def levels() -> dict[str, np.ndarray]:
    """0 and 1 at each sample: teeth of 5°, sparks of 20 µs."""
    made = {}
    length = max(CRANK[-1], SPARK[-1]) + RATE // 50
    for name, edges, width in (("D0", CRANK, 5 * SECOND), ("D1", SPARK, 20e-6)):
        change = np.zeros(length + 1, int)
        np.add.at(change, edges, 1)
        np.add.at(change, edges + round(width * RATE), -1)
        made[name] = np.cumsum(change[:-1])
    return made


def check(answer, out: Path, crank: int = len(CRANK), sparks: int = len(SPARK)) -> None:
    """The recording gives the number of the times themselves."""
    assert answer.exit_code == 0, answer.output
    found = Recording(out)
    assert found.imported and found.source.startswith("imported: ")
    result = measure_recording(out)
    wanted = measure_edges(CRANK / RATE, SPARK / RATE, SETUP, 1 / RATE)
    assert (result.timing, result.rpm) == pytest.approx((wanted.timing, wanted.rpm), rel=1e-9)
    assert result.expanded == pytest.approx(wanted.expanded, rel=1e-6)
    assert abs(result.timing - 12) < result.expanded
    loss = result.loss
    assert not loss.any() and result.seconds > 2.8
    counts = np.bincount(np.concatenate([p.which for p in tables.pieces(found)]), minlength=2)
    assert counts[:2].tolist() == [crank, sparks]


NAMED = ("--channel", "crank=D0", "--channel", "clamp_a=D1")


def test_a_dump_that_pyvcd_wrote(tmp_path: Path):
    path, out = tmp_path / "a.vcd", tmp_path / "a.rec"
    changes = sorted(
        (int(t) * 2000, name, int(level))
        for name, values in levels().items()
        for t in np.flatnonzero(np.diff(values, prepend=0))
        for level in (values[t],)
    )
    with open(path, "w") as file, VCDWriter(file, timescale="1 ns", date="today") as writer:
        wires = {n: writer.register_var("logic", n, "wire", size=1, init=0) for n in ("D0", "D1")}
        bus = writer.register_var("logic", "bus", "reg", size=8)
        for time, name, level in changes:
            writer.change(wires[name], time, level)
            writer.change(bus, time, level * 17)
    check(run("import", path, "--out", out, *NAMED, *ENGINE), out)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session that sigrok-cli made of raw samples."""
    if shutil.which("sigrok-cli") is None:
        pytest.skip("sigrok-cli is not installed")
    folder = tmp_path_factory.mktemp("sigrok")
    one = levels()
    (folder / "raw.bin").write_bytes((one["D0"] | one["D1"] << 1).astype(np.uint8).tobytes())
    subprocess.run(
        ["sigrok-cli", "-i", folder / "raw.bin", "-I", f"binary:numchannels=8:samplerate={RATE}",
         "-o", folder / "a.sr"], check=True, timeout=60,
    )  # fmt: skip
    return folder / "a.sr"


def test_a_session_that_sigrok_wrote(session: Path, tmp_path: Path):
    out = tmp_path / "a.rec"
    names = ("--channel", "crank=0", "--channel", "clamp_a=1")
    check(run("import", session, "--out", out, *names, *ENGINE), out)


@pytest.mark.parametrize("to", ["csv", "vcd"])
def test_sigroks_own_exports(session: Path, to: str, tmp_path: Path):
    path, out = tmp_path / f"a.{to}", tmp_path / "a.rec"
    subprocess.run(["sigrok-cli", "-i", session, "-O", to, "-o", path], check=True, timeout=120)
    names = ("--channel", "crank=0", "--channel", "clamp_a=1")
    if to == "csv":  # its header names no channels: "logic" for each
        names = ()
        text = path.read_text().replace("logic,logic", "D0,D1", 1)
        head = next(line for line in text.splitlines() if "logic" in line or "D0" in line)
        path.write_text(text.replace(head, "D0,D1,D2,D3,D4,D5,D6,D7", 1))
        names = NAMED
    check(run("import", path, "--out", out, *names, *ENGINE), out)


def rows_of_edges(folder: Path, digits: int = 9) -> Path:
    path = folder / "edges.csv"
    rows = sorted([(t, "wheel") for t in CRANK] + [(t, "lead 1") for t in SPARK])
    with open(path, "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["Time [s]", "Channel"])
        writer.writerows((f"{t / RATE:.{digits}f}", name) for t, name in rows)
    return path


LEADS = ("--channel", "crank=wheel", "--channel", "clamp_a=lead 1")


def test_one_row_an_edge(tmp_path: Path):
    out = tmp_path / "a.rec"
    check(run("import", rows_of_edges(tmp_path), "--out", out, *LEADS, *ENGINE), out)


def test_times_of_a_calendar_keep_their_digits(tmp_path: Path):
    path, out = rows_of_edges(tmp_path), tmp_path / "a.rec"
    lines = path.read_text().splitlines()
    moved = [lines[0]]
    for line in lines[1:]:
        whole, _, rest = line.partition(".")
        moved.append(f"{int(whole) + 1_760_000_000}.{rest}")
    path.write_text("\n".join(moved) + "\n")
    check(run("import", path, "--out", out, *LEADS, *ENGINE), out)


@pytest.mark.parametrize("style", ["seconds", "samples", "semicolons", "microseconds", "no header"])
def test_a_column_of_times_for_each_channel(tmp_path: Path, style: str):
    path, out = tmp_path / "times.csv", tmp_path / "a.rec"
    unit = {"samples": RATE, "microseconds": 1e6}.get(style, 1)
    crank, spark = (t / RATE * unit for t in (CRANK, SPARK))
    delimiter = ";" if style == "semicolons" else ","
    names = {"microseconds": ("D0_us", "D1_us")}.get(style, ("D0", "D1"))
    with open(path, "w", newline="", encoding="utf-16" if style == "seconds" else "utf-8") as file:
        writer = csv.writer(file, delimiter=delimiter)
        if style != "no header":
            writer.writerow(names)
        for k, time in enumerate(crank):
            row = [f"{time:.7f}", f"{spark[k]:.7f}" if k < len(spark) else ""]
            writer.writerow([c.replace(".", ",") for c in row] if delimiter == ";" else row)
    if style == "no header":
        names = ("1", "2")
    said = ["--channel", f"crank={names[0]}", "--channel", f"clamp_a={names[1]}"]
    if style == "samples":
        said += ["--unit", "samples", "--rate", RATE]
    check(run("import", path, "--out", out, *said, *ENGINE), out)


@pytest.mark.parametrize("rows", ["changes", "decimal commas", "samples with a rate"])
def test_levels(tmp_path: Path, rows: str):
    path, out = tmp_path / "levels.csv", tmp_path / "a.rec"
    one = levels()
    table = np.stack([one["D0"], one["D1"]], axis=1)
    at = np.arange(len(table))
    timed, commas = rows != "samples with a rate", rows == "decimal commas"
    if timed:
        at = np.flatnonzero((np.diff(table, axis=0, prepend=-1) != 0).any(axis=1))
    with open(path, "w", newline="") as file:
        writer = csv.writer(file, delimiter=";" if commas else ",")
        writer.writerow(["time", "D0", "D1"] if timed else ["D0", "D1"])
        if timed:  # the first row's time is a whole number
            times = ["0", *(f"{k / RATE:.7f}".replace(".", ",."[not commas]) for k in at[1:])]
            writer.writerows([time, *table[k]] for time, k in zip(times, at, strict=True))
        else:
            file.write("\n".join(f"{a},{b}" for a, b in table.tolist()))
    more = () if timed else ("--rate", RATE)
    check(run("import", path, "--out", out, *NAMED, *more, *ENGINE), out)


ABOVE = {  # rows above the names and a row of units below them, as oscilloscopes write
    "units": "Time,D0,D1\n(ms),(V),(V)\n\n",
    "words": "Source,D0,D1\nms,Volt,Volt\n",
    "logger": "Model,one of many\nSampling rate,2000000\n\nTime,D0,D1\nms,V,V\n",
    "more": "Channels,D0,D1,and more\nTime (ms),D0,D1\n",
}


@pytest.mark.parametrize("kind", ABOVE)
def test_what_stands_above_the_rows(kind: str, tmp_path: Path):
    path, out = tmp_path / "levels.csv", tmp_path / "a.rec"
    table = np.stack(list(levels().values()), axis=1)
    at = np.flatnonzero((np.diff(table, axis=0, prepend=-1) != 0).any(axis=1))
    rows = [f"{k / RATE * 1e3:.4f},{table[k][0]},{table[k][1]}" for k in at]
    path.write_text(ABOVE[kind] + "\n".join(rows) + "\n")
    check(run("import", path, "--out", out, *NAMED, *ENGINE), out)


def test_a_row_of_words_that_are_no_units_is_no_row_of_units(tmp_path: Path):
    path = tmp_path / "levels.csv"
    path.write_text("time,D0,D1\nms,V,first one\n0.0,0,0\n0.1,1,1\n")
    assert "row 1 of column time holds 'ms', no number" in run("import", path, *NAMED).output


def test_parquet_that_duckdb_wrote(tmp_path: Path):
    duckdb = pytest.importorskip("duckdb")
    path, out = tmp_path / "edges.parquet", tmp_path / "a.rec"
    duckdb.sql(
        f'COPY (SELECT "Time [s]", "Channel" FROM read_csv(\'{rows_of_edges(tmp_path)}\')) '
        f"TO '{path}' (FORMAT parquet)"
    )
    check(run("import", path, "--out", out, *LEADS, *ENGINE), out)


def test_parquet_of_samples(tmp_path: Path):
    path, out = tmp_path / "levels.parquet", tmp_path / "a.rec"
    one = levels()
    table = {"sample": np.arange(len(one["D0"])), **{n: v == 1 for n, v in one.items()}}
    pyarrow.parquet.write_table(pyarrow.table(table), path)
    check(run("import", path, "--out", out, *NAMED, "--rate", RATE, *ENGINE), out)


def voltages(rate: int, sign: int = 1) -> np.ndarray:
    """A sound card's two channels: a sine a tooth that is gone in the gap, and damped pulses.

    The crank's edge is where the sine rises through half its height.
    """
    length = int((max(CRANK[-1], SPARK[-1]) / RATE + 0.05) * rate)
    time = np.arange(length) / rate
    made = np.random.default_rng(2).normal(0, 0.002, (length, 2))
    tooth = 10 * SECOND
    for start in CRANK / RATE:
        near = slice(int((start - tooth / 12) * rate), int((start + tooth) * rate) + 1)
        phase = (time[near] - start) / tooth + 1 / 12
        made[near, 0] += 0.6 * np.sin(2 * np.pi * phase) * ((phase >= 0) & (phase < 0.5))
    for start in SPARK / RATE:
        near = slice(int(start * rate) - 5, int(start * rate) + 60)
        since = time[near] - start
        made[near, 1] += sign * 0.8 * np.where(since >= 0, np.exp(-np.abs(since) / 100e-6), 0.0)
    return made


@pytest.mark.parametrize("kind", ["wave module", "float", "flac", "upside down"])
def test_sound_files(tmp_path: Path, kind: str):
    """48 samples a millisecond: right within what a sample's uncertainty allows."""
    rate = 48_000
    values = voltages(rate, -1 if kind == "upside down" else 1)
    path, out = tmp_path / f"a.{'flac' if kind == 'flac' else 'wav'}", tmp_path / "a.rec"
    if kind == "wave module":
        with wave.open(str(path), "wb") as file:
            file.setnchannels(2)
            file.setsampwidth(2)
            file.setframerate(rate)
            file.writeframes(np.rint(values * 32767).astype("<i2").tobytes())
    else:
        subtype = "FLOAT" if kind == "float" else None
        soundfile.write(path, values, rate, subtype=subtype)
    names = ("--channel", "crank=left", "--channel", "clamp_a=right")
    answer = run("import", path, "--out", out, *names, *ENGINE)
    assert answer.exit_code == 0, answer.output
    result = measure_recording(out)
    assert result.events >= len(SPARK) - 2
    assert abs(result.timing - 12) < result.expanded < 0.5
    assert result.expanded > 2 * 6 * 1500 * 0.5 / rate  # half a sample of each edge, k = 2
    assert ("go down" in answer.output) == (kind == "upside down")
    picture = out.with_suffix(".svg").read_text()
    assert "<svg" in picture and picture.count("clip-path") > 6
    lower = run("import", path, "--out", tmp_path / "b.rec", *names, "--threshold", "left=0.05",
                "--hysteresis", "left=0.02", *ENGINE)  # fmt: skip
    assert lower.exit_code == 0
    # At a lower level each tooth comes earlier: the sparks seem later, and so the angle smaller.
    assert measure_recording(tmp_path / "b.rec").timing < result.timing - 0.3


def test_voltages_in_a_table(tmp_path: Path):
    rate = 100_000
    path, out = tmp_path / "scope.csv", tmp_path / "a.rec"
    values = voltages(rate)
    with open(path, "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["Time (ms)", "CH1 (V)", "CH2 (V)"])
        writer.writerows((f"{1000 * k / rate:.4f}", f"{a:.4f}", f"{b:.4f}")
                         for k, (a, b) in enumerate(values.tolist()))  # fmt: skip
    names = ("--channel", "crank=CH1 (V)", "--channel", "clamp_a=CH2 (V)")
    answer = run("import", path, "--out", out, *names, *ENGINE)
    assert answer.exit_code == 0, answer.output
    result = measure_recording(out)
    assert abs(result.timing - 12) < result.expanded < 0.5


@pytest.mark.parametrize("name", ["idle-four", "wasted-twin", "pulse-near"])
@pytest.mark.parametrize("to", ["csv", "parquet", "vcd"])
def test_out_and_in_again_gives_the_same_numbers(name: str, to: str, tmp_path: Path):
    path, out = DATA / f"{name}.swrec", tmp_path / "again.rec"
    exported = run("export", path, "--to", to, "--out", tmp_path / "o")
    assert exported.exit_code == 0
    file = tmp_path / ("o.vcd" if to == "vcd" else f"o-edges.{to}")
    answer = run("import", file, "--out", out)
    assert answer.exit_code == 0, answer.output
    before, after = (
        [row for p in tables.pieces(Recording(one)) for row in zip(p.tick, p.which, strict=True)]
        for one in (path, out)
    )
    assert len(before) > 100 and before == after
    setup = Setup.from_dict(Recording(path).setup)
    before, after = measure_recording(path, setup), measure_recording(out, setup)
    for what in ("timing", "expanded", "rpm", "error", "scatter", "events"):
        assert getattr(before, what) == getattr(after, what)
    # What was simulated stays marked, through another format and back.
    assert Recording(out).source.startswith("imported: ") and "simulated" in Recording(out).source


def test_lost_edges_and_sessions_of_our_own_table_come_back(tmp_path: Path):
    path, out = tmp_path / "o-edges.csv", tmp_path / "a.rec"
    rows = [(7, "crank", 100 * k, "true" if k == 30 else "false") for k in range(80)]
    rows += [(8, "crank", 90 * k, "false") for k in range(50)] + [(8, "clamp_a", 4600, "false")]
    with open(path, "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["session", "input", "tick", "lost_before"])
        writer.writerows(rows)
    unknown = run("import", path, "--out", out)
    assert unknown.exit_code == 1 and "length of a tick is not known" in unknown.output
    about = {"tableSchema": {"columns": [{"name": "tick", "schema:unitText": "16000 ps"}]}}
    path.with_name("o-edges.csv-metadata.json").write_text(json.dumps(about))
    assert run("import", path, "--out", out).exit_code == 0
    found = list(tables.pieces(Recording(out)))
    assert [p.session for p in found] == [7, 8] or {p.session for p in found} == {7, 8}
    got = [
        (p.session, ("crank", "clamp_a")[w], t, "true" if lost else "false")
        for p in found
        for t, w, lost in zip(p.tick.tolist(), p.which.tolist(), p.lost_before.tolist(),
                              strict=True)
    ]  # fmt: skip
    assert got == rows and Recording(out).tick_ps == 16000


def odd(name: str, folder: Path) -> tuple[Path, str]:
    """A file that cannot be used, and a part of the sentence that says so."""
    path = folder / name
    text = {
        "empty.csv": ("", "is empty"),
        "blank.csv": ("\n\n\n", "holds no table"),
        "header.csv": ("time,a,b\n", "no rows"),
        "words.csv": ("to be, or not to be\nthat is, the question\n", ""),
        "back.csv": ("time,D0,D1\n0.1,0,0\n0.2,1,0\n0.15,0,1\n", "row 3 of the table is earlier"),
        "cut.csv": ("time,D0,D1\n0.1,0,0\n0.2,1,0\n0.3,1\n", "row 3 of"),
        "odd.csv": ("time,D0,D1\n0.1,0,0\n0.2,one,0\n0.3,1,1\n", "'one'"),
        "huge.csv": ("time,D0,D1\n0,0,0\n1,1,1\n1e300,0,0\n", "too large"),
        "nan.csv": ("time,D0,D1\n0,0,0\nnan,1,1\n0.3,0,0\n", "has no time"),
        "twice.csv": ("time,D0,D0\n0,0,0\n1,1,1\n", "two columns of one name"),
        "still.csv": ("time,D0,D1\n0,0,0\n0.001,0,0\n0.002,0,0\n", "no edge on any channel"),
        "coarse.csv": ("time,channel\n0,D0\n1,D1\n2,D0\n3,D1\n", "1 ms or finer"),
        "norate.csv": ("sample,D0,D1\n0,0,0\n1,1,1\n2,0,0\n", "--rate"),
        "head.vcd": ("$timescale 1 ns $end\n$var wire 1 ! a $end\n", "no edge on any channel"),
        "broken.vcd": ("$timescale 1 ns $end\n$var wire 1 ! a $end\n$enddefinitions $end\n#0\n0!\n"
                       "#5\n1!\n#3\n0!\n", "its time goes back"),
        "far.vcd": ("$timescale 1 s $end\n$var wire 1 ! a $end\n$enddefinitions $end\n#0\n0!\n"
                    "#9999999999999999999999\n1!\n", "damaged"),
        "slow.vcd": ("$timescale 1 s $end\n$var wire 1 ! a $end\n$enddefinitions $end\n#0\n0!\n"
                     "#5\n1!\n#7\n0!\n", "steps of"),
        "junk.vcd": ("$what is this\n", "no value change dump"),
        "junk.sr": ("PK\3\4 not a zip", "no whole sigrok session"),
        "junk.wav": ("RIFF....WAVEfmt ", "cannot be read as a sound file"),
        "junk.parquet": ("PAR1 and no more", "no whole Parquet file"),
    }  # fmt: skip
    if name in text:
        path.write_text(text[name][0])
        return path, text[name][1]
    if name == "silent.wav":
        soundfile.write(path, np.zeros((4800, 2)), 48_000)
        return path, "no edge on any channel"
    if name == "slow.wav":
        soundfile.write(path, np.zeros((480, 2)), 500)
        return path, "samples a second cannot be used"
    if name == "binary.csv":
        path.write_bytes(bytes(range(256)) * 20)
        return path, "is not text"
    if name == "pipe.csv":
        os.mkfifo(path)
        return path, "pipe or device"
    if name == "folder.csv":
        path.mkdir()
        return path, "is a folder"
    if name == "zero":
        return Path("/dev/zero"), "pipe or device"
    if name == "a.swrec":
        shutil.copy(DATA / "idle-four.swrec", path)
        return path, "is a recording already"
    assert name == "gone.csv"
    return path, "cannot read"


@pytest.mark.parametrize(
    "name",
    ["empty.csv", "blank.csv", "header.csv", "words.csv", "back.csv", "cut.csv", "odd.csv",
     "huge.csv", "nan.csv", "twice.csv", "still.csv", "coarse.csv", "norate.csv", "head.vcd",
     "broken.vcd", "far.vcd", "slow.vcd", "junk.vcd", "junk.sr", "junk.wav", "junk.parquet",
     "silent.wav", "slow.wav", "binary.csv", "pipe.csv", "folder.csv", "zero", "gone.csv",
     "a.swrec"],
)  # fmt: skip
def test_what_cannot_be_used_is_one_sentence(name: str, tmp_path: Path):
    path, said = odd(name, tmp_path)
    out = tmp_path / "out.rec"
    answer = run("import", path, "--out", out, *NAMED)
    assert answer.exit_code == 1, answer.output
    lines = answer.output.strip().splitlines()
    assert len(lines) == 1 and lines[0].startswith("Error: ") and said in lines[0], answer.output
    assert not out.exists()


def test_cut_files(session: Path, tmp_path: Path):
    """Every way to cut a file ends in a sentence or in a part of it, which is said."""
    whole = session.read_bytes()
    values = voltages(48_000)
    soundfile.write(tmp_path / "whole.wav", values, 48_000)
    for k, share in enumerate((0.1, 0.5, 0.99)):
        path = tmp_path / f"{k}.sr"
        path.write_bytes(whole[: int(share * len(whole))])
        answer = run("import", path, "--out", tmp_path / f"{k}.rec")
        assert answer.exit_code == 1 and "no whole sigrok session" in answer.output
    data = (tmp_path / "whole.wav").read_bytes()
    (tmp_path / "cut.wav").write_bytes(data[: len(data) // 2])
    names = ("--channel", "crank=left", "--channel", "clamp_a=right")
    answer = run("import", tmp_path / "cut.wav", "--out", tmp_path / "cut.rec", *names)
    assert answer.exit_code == 0 and "the file is cut" in answer.output


def test_channels_are_named_or_said(tmp_path: Path):
    path = rows_of_edges(tmp_path)
    for said, words in (
        ((), f"wheel ({len(CRANK)} edges)"),
        (("--channel", "crank=wheel"), "--channel clamp_a="),
        (("--channel", "crank=weel", "--channel", "clamp_a=lead 1"), "no channel 'weel'"),
        (("--channel", "crank=wheel", "--channel", "clamp_a=wheel"), "at once"),
        (("--channel", "crnk=wheel"), "no input crnk"),
        (("--channel", "crank"), "INPUT=NAME"),
        ((*LEADS, "--falling", "crank"), "without their direction"),
        ((*LEADS, "--time", "when"), "no column 'when'"),
        ((*LEADS, "--threshold", "left"), "NAME=LEVEL"),
    ):
        answer = run("import", path, "--out", tmp_path / "a.rec", *said)
        assert answer.exit_code == 1 and words in answer.output, answer.output
    assert not (tmp_path / "a.rec").exists()


def test_without_an_engine_it_waits_until_it_is_measured(tmp_path: Path):
    out = tmp_path / "a.rec"
    told = run("import", rows_of_edges(tmp_path), "--out", out, *LEADS, "--json")
    answer = json.loads(told.stdout)
    assert answer["edges"] == {"crank": len(CRANK), "clamp_a": len(SPARK)}
    assert answer["setup"] is None and answer["source"] == "imported: edges.csv"
    found = json.loads(run("measure", "--from", out, *ENGINE, "--no-log", "--json").stdout)
    wanted = measure_edges(CRANK / RATE, SPARK / RATE, SETUP, 1 / RATE)
    assert found["timing_deg_btdc"] == pytest.approx(wanted.timing, rel=1e-9)
    assert found["source"] == "replay of imported: edges.csv"
    again = run("import", tmp_path / "edges.csv", "--out", out, *LEADS)
    assert again.exit_code == 1 and "already exists" in again.output
    assert run("import", tmp_path / "edges.csv", "--out", out, *LEADS, "--force").exit_code == 0


def test_a_delay_of_the_logger_is_taken_off(tmp_path: Path):
    timings = []
    for k, delay in enumerate((0, 100)):
        out = tmp_path / f"{k}.rec"
        run("import", rows_of_edges(tmp_path), "--out", out, *LEADS, *ENGINE, "--delay", delay,
            "--delay-within", 3)  # fmt: skip
        timings.append(measure_recording(out))
    # 100 µs at 1500 rev/min are 6 · 1500 · 100e-6 = 0.9°; the spark was earlier by that.
    assert timings[1].timing - timings[0].timing == pytest.approx(0.9, rel=1e-6)
    assert timings[0].expanded > 2 * 6 * 1500 * 1.5e-6


@pytest.mark.parametrize("command", ["report", "export", "summarize", "compare"])
def test_all_commands_take_it(command: str, tmp_path: Path):
    (tmp_path / "in").mkdir()
    out = tmp_path / "in" / "a.rec"
    run("import", rows_of_edges(tmp_path), "--out", out, *LEADS, *ENGINE)
    words = {
        "report": [out, "--out", tmp_path / "a.html"],
        "export": [out, "--to", "csv", "--out", tmp_path / "o"],
        "summarize": [tmp_path / "in", "--out", tmp_path / "a.parquet"],
        "compare": [out, out],
    }[command]
    answer = run(command, *words)
    assert answer.exit_code == 0, answer.output
    if command == "report":
        assert "imported: edges.csv" in (tmp_path / "a.html").read_text()
