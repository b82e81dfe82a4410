"""`sparkwitness logbook`: what was found before, and whether it still holds."""

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
from rich.table import Table

from sparkwitness.bench import evaluate as bench
from sparkwitness.bench import run as bench_run
from sparkwitness.bench.plan import Plan
from sparkwitness.cli import ask, codes, keeping, options, printing
from sparkwitness.decode.recording import Recording, parts_to
from sparkwitness.errors import UserError, new_file
from sparkwitness.faces import answers
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.records import logbook
from sparkwitness.records.logbook import Logbook, Run
from sparkwitness.records.replay import replay
from sparkwitness.timing import curve
from sparkwitness.timing.setup import Setup

_COMPUTED = ("measurement", "curve", "bench")


@click.group(invoke_without_command=True)
@click.pass_context
def command(ctx: click.Context) -> None:
    """List, show, export and check what was kept. Without a command: list.

    Every measurement, curve, bench test and fault search is kept, unless --no-log was given.
    """
    if ctx.invoked_subcommand is None:
        with list_runs.make_context("list", [], parent=ctx) as listing:  # reads the environment
            list_runs.invoke(listing)


@command.command("list")
@keeping.logbook_option
@click.option("--kind", type=click.Choice(list(logbook.KINDS)), help="Only runs of this kind.")
@click.option("--engine", help="Only runs of this engine.")
@click.option("--module", help="Only runs of this module.")
@click.option("--newest", type=click.IntRange(1), help="Only the newest runs, this many.")
@options.as_json
def list_runs(
    logbook_file: Path | None,
    kind: str | None,
    engine: str | None,
    module: str | None,
    newest: int | None,
    as_json: bool,
) -> None:
    """List the runs, one line each."""
    out, beside = consoles(as_json)
    with keeping.open_logbook(logbook_file, beside) as book:
        runs = book.runs(kind, engine, module, newest)
    if as_json:
        hidden = ("setup", "result", "board")
        rows = [{k: v for k, v in r.to_dict().items() if k not in hidden} for r in runs]
        printing.answer("logbook list", {"runs": rows})
        return
    if not runs:
        out.print(f"no runs in {book.path}")
        return
    table = Table(box=None, padding=(0, 2, 0, 0))
    for heading in ("run", "when (UTC)", "what", "finding"):
        table.add_column(heading, justify="right" if heading == "run" else "left",
                         no_wrap=heading != "finding")  # fmt: skip
    for run in runs:
        simulated = "simulated" if run.source.startswith("simulated") else None
        about = ", ".join(filter(None, (run.engine, run.module, simulated)))
        when = run.made[:16].replace("T", " ")
        table.add_row(str(run.id), when, run.kind, "\n".join(filter(None, (run.headline, about))))
    out.print(table)


@command.command("show")
@click.argument("run_number", metavar="RUN", type=int)
@keeping.logbook_option
@options.as_json
def show_run(run_number: int, logbook_file: Path | None, as_json: bool) -> None:
    """Show everything that was kept of one run."""
    out, beside = consoles(as_json)
    with keeping.open_logbook(logbook_file, beside) as book:
        run = book.run(run_number)
        trials = book.trials(run_number)
    if as_json:
        more = {"trials": [vars(t) for t in trials]}
        printing.answer("logbook show", {**_plain(run), **more})
        return
    rows = Table.grid(padding=(0, 3))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column(overflow="fold")
    rows.add_row("run", f"{run.id}, {logbook.KINDS[run.kind]}, {run.made} ({run.source})")
    rows.add_row("finding", run.headline)
    for name, value in (("engine", run.engine), ("module", run.module)):
        if value:
            rows.add_row(name, value)
    if run.recording is not None:
        rows.add_row("recording", f"{run.recording}\nSHA-256 {run.sha256}")
    rows.add_row("computed by", f"sparkwitness {run.software}, protocol {run.protocol}")
    for trial in trials:
        mark = "  ← this run" if trial.run == run.id else ""
        error = show.plus_minus(trial.error, 2 * trial.u_error, "°")
        rows.add_row(f"trial, run {trial.run}", f"setting {trial.setting:g}: error {error}{mark}")
    for made, text in run.notes:
        rows.add_row(f"note {made[:10]}", text)
    for title, values in (("typed", run.setup or {}), ("result", run.result)):
        rows.add_row("", "")
        rows.add_row(title, "")
        for name, text in logbook.flat(values):
            rows.add_row(f"  {name}", text)
    out.print(rows)


def _plain(run: Run) -> dict[str, Any]:
    board = None if run.board is None else answers.board(run.board)
    return {**run.to_dict(), "board": board}


@command.command()
@click.argument("run_number", metavar="RUN", type=int)
@click.argument("text")
@keeping.logbook_option
def note(run_number: int, text: str, logbook_file: Path | None) -> None:
    """Add a note to a run, such as what was changed before it."""
    with keeping.open_logbook(logbook_file, Console(stderr=True)) as book:
        book.note(run_number, text)


@command.command()
@keeping.logbook_option
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Default: the screen.")
def export(logbook_file: Path | None, out: Path | None) -> None:
    """Write everything as JSON lines, one run per line, notes and trials with it."""
    with keeping.open_logbook(logbook_file, Console(stderr=True)) as book:
        lines = []
        for run in book.runs():
            trial = next((t for t in book.trials(run.id) if t.run == run.id), None)
            told = {**_plain(run), "trial": vars(trial) if trial else None}
            lines.append(json.dumps(answers.publish("logbook export", told)))
    text = "".join(f"{line}\n" for line in lines)
    if out is None:
        click.echo(text, nl=False)
        return
    with new_file(out) as file:
        file.write(text)
    click.echo(f"{len(lines)} runs written to {out}")


@command.command()
@click.argument("numbers", metavar="[RUN]...", type=int, nargs=-1)
@click.option("--recording", type=click.Path(path_type=Path), help="Where the recording is now.")
@keeping.logbook_option
@options.as_json
def recompute(
    numbers: tuple[int, ...], recording: Path | None, logbook_file: Path | None, as_json: bool
) -> None:
    """Compute results again from their recordings and compare to the last bit.

    Covers measurements, curves and bench tests; a bench test's verdicts and compared conditions
    are skipped, as they may depend on other runs.

    Without numbers: all that have a recording.
    """
    if recording is not None and len(numbers) != 1:
        raise UserError("--recording goes with the number of one run")
    out, beside = consoles(as_json)
    answers = []
    with keeping.open_logbook(logbook_file, beside) as book:
        runs = [book.run(n) for n in numbers] if numbers else book.runs()
        able = [r for r in runs if r.kind in _COMPUTED and r.recording is not None]
        for run in runs if numbers else able:
            try:
                answers.append((run, *_again(book, run, recording)))
            except UserError as error:
                answers.append((run, False, [error.message]))
    if as_json:
        rows = [{"run": r.id, "same": same, "differences": d} for r, same, d in answers]
        printing.answer("logbook recompute", {"runs": rows})
    else:
        for run, same, found in answers:
            if same:
                out.print(f"run {run.id}: the same to the last bit: {run.headline}")
            else:
                out.print(f"run {run.id}: NOT the same" if len(found) > 1 else f"run {run.id}:")
                for line in found:
                    out.print(f"  {line}")
        if not answers:
            out.print("no run with a recording to compute again")
    sys.exit(0 if all(same for _, same, _ in answers) else codes.BAD_NEWS)


def _again(book: Logbook, run: Run, recording: Path | None) -> tuple[bool, list[str]]:
    """Whether a run's result comes out the same, and where not."""
    if run.kind not in _COMPUTED or run.setup is None:
        raise UserError(f"run {run.id} is a {logbook.KINDS[run.kind]}: nothing to compute again")
    path = book.recording_of(run, recording)
    if run.kind == "bench":
        plan, parts = Plan.from_dict(run.setup), bench_run.load_parts(parts_to(path)).parts
        again = bench.evaluate(plan, parts).to_dict()
        again |= {k: run.result[k] for k in ("verdicts", "conditions") if k in run.result}
    elif run.kind == "curve":
        setup = Setup.from_dict(run.setup)
        again = curve.again(setup, replay(Recording(path), setup), run.result)
    else:
        again = logbook.replay(path, Setup.from_dict(run.setup)).to_dict()
    if logbook.canonical(again) == run.result_text:
        return True, []
    found = logbook.differences(run.result, json.loads(logbook.canonical(again)))
    return False, [f"computed by sparkwitness {run.software}, protocol {run.protocol}", *found]


@command.command()
@click.option(
    "--older-than", "days", type=click.IntRange(0), metavar="DAYS",
    help="Also recordings of runs kept this many days ago or earlier.",
)  # fmt: skip
@click.option("--yes", is_flag=True, help="Do not ask.")
@keeping.logbook_option
@options.as_json
def tidy(days: int | None, yes: bool, logbook_file: Path | None, as_json: bool) -> None:
    """Delete recordings that no run needs any more. Runs and their results always stay.

    A run that is given no --record keeps its bytes beside the logbook, some 2 MB a minute with a
    fine wheel. Recordings of runs without a result are deleted; with --older-than also those of
    older runs, whose numbers then cannot be computed again.
    """
    out, beside = consoles(as_json)
    with keeping.open_logbook(logbook_file, beside) as book:
        there = book.recordings()
    until = datetime.now(UTC) - timedelta(days=days or 0)
    going = [
        (path, size)
        for path, size, made in there
        if made is None or (days is not None and datetime.fromisoformat(made) <= until)
    ]
    size = sum(size for _, size in going) / 1e6
    text = f"{len(there)} recordings beside {book.path}; to delete: {len(going)}, {size:.1f} MB"
    beside.print(text)
    if going and not yes and not ask.yes_no("Delete them?", False):
        raise UserError("nothing was deleted")
    gone, kept = [], []
    for path, _ in going:
        try:
            path.unlink(missing_ok=True)
            gone.append(path)
        except OSError as error:
            kept.append(f"{path}: {error.strerror}")
    if as_json:
        printing.answer("logbook tidy", {"deleted": [str(p) for p in gone], "not_deleted": kept})
    if kept:
        raise UserError(f"{len(kept)} could not be deleted, the first {kept[0]}")
    if gone and not as_json:
        out.print(f"deleted {len(gone)}")


@command.command()
@keeping.logbook_option
def where(logbook_file: Path | None) -> None:
    """Print the logbook's file name."""
    click.echo(logbook_file or logbook.default_path())
