"""`sparkwitness summarize`: many recordings, one table, all cores or a cluster."""

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from sparkwitness.cli import codes, options, printing
from sparkwitness.errors import UserError, needed, new_file
from sparkwitness.faces.console import Console
from sparkwitness.foreign import shown
from sparkwitness.records import spread, summary

_EVERY_S = 60.0  # a line of progress, where there is no terminal


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
@click.option("--scheduler", metavar="ADDRESS", help="Of a Dask cluster, such as "
              "tcp://10.0.0.5:8786; its workers reach FOLDER by the same name.")  # fmt: skip
@click.option("--force", is_flag=True, help="Replace the table if it is there.")
@options.as_json
def command(
    folder: Path, out: Path, jobs: int | None, scheduler: str | None, force: bool, as_json: bool
) -> None:
    """Evaluate all recordings in FOLDER and below, and write one Parquet table, a row each.

    Recordings are recognised by their content, or by the suffix .rec. Those that fail are listed in
    a file beside the table, with why; the others are still evaluated. Broken off, the same command
    goes on where it was. With --scheduler the same function runs on a cluster, to the last bit.
    Exit code 5: some could not be evaluated.
    """
    if scheduler is not None and jobs is not None:
        raise UserError("--jobs is for this computer; a cluster has its own workers")
    beside = summary.failures_of(out)
    for path in (out, beside):
        if path.exists() and not force:
            raise UserError(f"{path} already exists; choose another name with --out, or --force")
    if not out.absolute().parent.is_dir():
        raise UserError(f"cannot write {out}: there is no folder {out.parent}")
    needed("pyarrow.parquet", "parquet")
    files, others, closed = summary.find(folder)
    if not files:
        raise UserError(f"no recordings in {folder}: looked at {others} files there and below")
    with summary.Journal(out, files) as journal:
        if journal.kept and not options.quiet():
            text = f"{journal.kept} of {len(files)} recordings were done before it was broken off"
            click.echo(text, err=True)
        todo = journal.open(files)
        work: Iterator[spread.Done] = iter(())
        if todo and scheduler is not None:
            work = spread.cluster(folder, todo, scheduler)
        elif todo:
            work = spread.local(folder, todo, jobs or os.cpu_count() or 1)
        with _progress(todo) as advance:
            for file, row, why in work:
                journal.add(file, row, why)
                advance(file, len(journal.failed))
        failed = {**{name: f"cannot be read: {why}" for name, why in closed.items()},
                  **journal.failed}  # fmt: skip
        done = summary.write(out, journal.rows(files))
        if force:
            beside.unlink(missing_ok=True)
        if failed:
            with new_file(beside, newline="") as listing:
                summary.write_failures(listing, failed)
        journal.remove()
    if as_json:
        told = {"table": str(out), "failures": str(beside) if failed else None, "done": done,
                "kept": journal.kept, "skipped": others, "failed": failed}  # fmt: skip
        printing.answer("summarize", told)
    else:
        left = f", {others} other files left alone" if others else ""
        click.echo(f"{done} of {len(files)} recordings in {out}{left}")
        for name, why in list(failed.items())[:20]:
            click.echo(f"! {shown(name)}: {shown(why)}")
        if failed:
            click.echo(f"{len(failed)} failed: {beside}")
    sys.exit(codes.NOT_SURE if failed else 0)


class _Estimate:
    """Lines of progress where there is no terminal: bytes tell how much is left."""

    def __init__(self, files: list[summary.File]) -> None:
        self._files, self._bytes = len(files), sum(one.size for one in files)
        self._done = self._read = 0
        self._began = self._said = time.monotonic()

    def __call__(self, file: summary.File, failed: int) -> None:
        self._done += 1
        self._read += file.size
        now = time.monotonic()
        if now - self._said < _EVERY_S:
            return
        self._said = now
        left = (now - self._began) * (self._bytes / max(self._read, 1) - 1)
        text = f"{self._done} of {self._files} recordings, {failed} failed, {_time(left)} left"
        click.echo(text, err=True)


def _time(seconds: float) -> str:
    hours, rest = divmod(int(seconds), 3600)
    return f"about {hours} h {rest // 60:02} min" if hours else f"about {rest // 60 + 1} min"


@contextmanager
def _progress(files: list[summary.File]) -> Iterator[Callable[[summary.File, int], None]]:
    """A function to call for each file that is done: a bar in a terminal, else lines."""
    console = Console(stderr=True)
    if options.quiet():
        yield lambda *_: None
        return
    if not console.is_terminal:
        yield _Estimate(files)
        return
    told, share = TextColumn("{task.fields[told]}"), TextColumn("{task.percentage:.0f} %")
    left = TimeRemainingColumn()
    with Progress(told, BarColumn(), share, left, console=console, transient=True) as bar:
        task = bar.add_task("", total=sum(one.size for one in files), told="")
        done = 0

        def advance(file: summary.File, failed: int) -> None:
            nonlocal done
            done += 1
            text = f"{done} of {len(files)} recordings" + (f", {failed} failed" if failed else "")
            bar.update(task, advance=file.size, told=text)

        yield advance
