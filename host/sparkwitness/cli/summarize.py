"""`sparkwitness summarize`: many recordings, one table, all cores."""

import json
import multiprocessing
import os
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import click
from rich.progress import Progress

from sparkwitness import __version__
from sparkwitness.cli import codes, options
from sparkwitness.decode.recording import FORMAT, Recording
from sparkwitness.errors import UserError, needed
from sparkwitness.faces.console import Console
from sparkwitness.foreign import shown
from sparkwitness.records import logbook
from sparkwitness.timing.setup import Setup

SUFFIX = ".rec"

# Column: (Parquet type, unit, path in the result's plain values).
COLUMNS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "timing": ("double", "deg", ("timing_deg_btdc",)),
    "timing_expanded": ("double", "deg", ("timing_expanded_deg",)),
    "commanded": ("double", "deg", ("commanded_deg_btdc",)),
    "error": ("double", "deg", ("error_deg",)),
    "scatter": ("double", "deg", ("scatter_deg",)),
    "speed": ("double", "rev/min", ("rpm",)),
    "speed_expanded": ("double", "rev/min", ("rpm_expanded",)),
    "events": ("int64", "", ("events",)),
    "sparks_per_event": ("double", "", ()),
    "spark_spacing": ("double", "us", ("spark_spacing_us",)),
    "burst_duration": ("double", "us", ("burst_duration_us",)),
    "firings_expected": ("int64", "", ("firings_expected",)),
    "firings_missing": ("int64", "", ("firings_missing",)),
    "events_stray": ("int64", "", ("events_stray",)),
    "edges_ringing": ("int64", "", ("edges_ringing",)),
    "supply_least": ("int64", "mV", ("supply_least_mv",)),
    "seconds": ("double", "s", ("seconds",)),
    "setting": ("double", "", ()),
    "next_setting": ("double", "", ("advice", "setting")),
    "frames_damaged": ("int64", "", ("loss", "frames_damaged")),
    "frames_missing": ("int64", "", ("loss", "frames_missing")),
    "edges_lost": ("int64", "", ()),
    "findings": ("string", "", ()),
}


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("summary.parquet"),
    show_default=True,
    help="The table's file.",
)
@click.option("--jobs", type=click.IntRange(1), help="Parallel processes. Default: one per core.")
@click.option("--force", is_flag=True, help="Replace the table if it is there.")
@options.as_json
def command(folder: Path, out: Path, jobs: int | None, force: bool, as_json: bool) -> None:
    """Evaluate all recordings in FOLDER and below, and write one Parquet table, a row each.

    Recordings are recognised by their content, or by the suffix .rec. Those that fail are listed;
    the others are still evaluated.
    """
    if out.exists() and not force:
        raise UserError(f"{out} already exists; choose another name with --out, or --force")
    if not out.absolute().parent.is_dir():
        raise UserError(f"cannot write {out}: there is no folder {out.parent}")
    arrow, parquet = needed("pyarrow", "parquet"), needed("pyarrow.parquet", "parquet")
    files, others = find(folder)
    if not files:
        raise UserError(f"no recordings in {folder}: looked at {others} files there and below")
    rows, failed = _all(files, jobs or os.cpu_count() or 1)
    table = _table(arrow, rows, folder)
    part = out.with_name(out.name + ".part")
    try:
        parquet.write_table(table, part)
        os.replace(part, out)
    except OSError as error:
        raise UserError(f"cannot write {out}: {error.strerror or error}") from None
    if as_json:
        answer = {"table": str(out), "done": len(rows), "skipped": others,
                  "failed": {str(k): v for k, v in failed.items()}}  # fmt: skip
        click.echo(json.dumps(answer, indent=2))
    else:
        beside = f", {others} other files left alone" if others else ""
        click.echo(f"{len(rows)} of {len(files)} recordings in {out}{beside}")
        for path, why in failed.items():
            click.echo(f"! {path}: {why}")
    sys.exit(codes.NOT_SURE if failed else 0)


def find(folder: Path) -> tuple[list[Path], int]:
    """Recordings in a folder and below in order of their names, and how many other files."""
    files, others = [], 0
    start = f'{{"format": "{FORMAT}"'.encode()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        try:
            with open(path, "rb") as file:
                is_recording = file.read(len(start)) == start
        except OSError:
            is_recording = False
        if is_recording or path.suffix == SUFFIX:
            files.append(path)
        else:
            others += 1
    return files, others


def evaluate(path: Path) -> dict[str, Any]:
    """One row of the table: plain values by the names of `COLUMNS`, and those of the file.

    Raises:
        UserError: it cannot be read, holds no good frame, or does not say what was typed.
    """
    recording = Recording(path)
    if recording.setup is None:
        raise UserError("it does not say what was typed (crank reference, cylinders …)")
    setup = Setup.from_dict(recording.setup)
    result = logbook.replay(path, setup)
    if not result.loss.frames_good:
        raise UserError(f"its {result.loss.bytes_total} bytes hold not one good frame")
    plain = result.to_dict()
    row: dict[str, Any] = {
        "recorded": str(recording.header.get("utc_start", "")),
        "sha256": logbook.hash_of(path)[0],
        "setup": logbook.canonical(recording.setup),
    }
    for name, (_, _, keys) in COLUMNS.items():
        value: Any = plain if keys else None
        for key in keys:
            value = value.get(key) if value is not None else None
        row[name] = value
    total = sum(result.sparks.values())
    row["sparks_per_event"] = (
        sum(k * n for k, n in result.sparks.items()) / total if total else None
    )
    row["setting"] = setup.setting
    row["edges_lost"] = sum(result.loss.edges_lost)
    row["findings"] = " ".join(f.code for f in result.findings)
    return row


def _try(path: Path) -> tuple[dict[str, Any] | None, str]:
    """In a worker: a row, or the sentence that says why there is none."""
    try:
        return evaluate(path), ""
    except UserError as error:
        return None, error.message
    except Exception as error:  # one odd file must not cost the others
        return None, f"{type(error).__name__}: {error}"


def _all(files: list[Path], jobs: int) -> tuple[list[dict[str, Any]], dict[Path, str]]:
    """Rows in order of the files' names, and what failed."""
    found: dict[Path, tuple[dict[str, Any] | None, str]] = {}
    # Spawned, not forked: the progress bar runs in a thread.
    context = multiprocessing.get_context("spawn")
    with (
        Progress(console=Console(stderr=True), transient=True) as bar,
        ProcessPoolExecutor(min(jobs, len(files)), context) as pool,
    ):
        task = bar.add_task("recordings", total=len(files))
        waiting = {pool.submit(_try, path): path for path in files}
        for done in as_completed(waiting):
            try:
                found[waiting[done]] = done.result()
            except BrokenProcessPool:
                found[waiting[done]] = None, "its worker was ended, perhaps for want of memory"
            bar.advance(task)
    rows = [{"file": path, **row} for path in files if (row := found[path][0]) is not None]
    return rows, {path: found[path][1] for path in files if found[path][0] is None}


def _table(pa: Any, rows: list[dict[str, Any]], folder: Path) -> Any:
    kinds = {"double": pa.float64(), "int64": pa.int64(), "string": pa.string()}
    first = [pa.field(n, pa.string()) for n in ("file", "recorded", "sha256")]
    fields = [
        pa.field(name, kinds[kind], metadata={"unit": unit} if unit else None)
        for name, (kind, unit, _) in COLUMNS.items()
    ]
    schema = pa.schema(
        [*first, *fields, pa.field("setup", pa.string())],
        metadata={"software": f"sparkwitness {__version__}", "expanded": "k = 2"},
    )
    plain = [{**row, "file": shown(str(row["file"].relative_to(folder)))} for row in rows]
    return pa.Table.from_pylist(plain, schema=schema)
