"""`sparkwitness export`: a recording for other programs."""

import sys
from pathlib import Path

import click
from rich.progress import Progress

from sparkwitness.cli import codes, keeping, options, printing
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.records.export import write
from sparkwitness.records.tables import TABLES
from sparkwitness.timing.setup import Setup


@click.command()
@click.argument("source", metavar="RECORDING|RUN")
@click.option("--to", type=click.Choice(list(write.WRITERS)), required=True, help="Format.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Name of the files without suffix. Default: the recording's, in this folder.",
)
@click.option(
    "--only",
    multiple=True,
    type=click.Choice(list(TABLES)),
    help="Only this table; may be repeated. Default: all of them.",
)
@click.option("--force", is_flag=True, help="Replace files that are there.")
@keeping.logbook_option
@options.as_json
def command(
    source: str,
    to: str,
    out: Path | None,
    only: tuple[str, ...],
    force: bool,
    logbook_file: Path | None,
    as_json: bool,
) -> None:
    """Write a recording's edges, events and supply voltage as CSV, Parquet, VCD or MDF4.

    RECORDING is a file; RUN the number of a run in the logbook. Times are the board's counts, and
    seconds on one axis for all sessions. What is not known is null or left blank. A recording of
    any length goes through in little memory.
    """
    out_console, beside = consoles(as_json)
    path, setup = keeping.recording_and_setup(source, logbook_file, beside)
    recording = Recording(path)
    stem = out or Path(recording.path.stem)
    wanted = only or tuple(TABLES)
    if setup is None and "events" in only:
        raise UserError(
            "there are no events: the recording does not say what was typed (crank reference …); "
            "measure from it first and export that run"
        )
    if setup is None and "events" in wanted:
        beside.print("! no events: the recording does not say what was typed (crank reference …)")
    size = write.PASSES * recording.path.stat().st_size
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"to {to}", total=size)
        told = write.export(
            recording,
            to,
            stem,
            Setup.from_dict(setup) if setup is not None else None,
            wanted,
            force,
            lambda done: bar.advance(task, done),
        )
    if as_json:
        found = {
            "files": [str(f) for f in told.files],
            "events_refused": [
                {"session": session, "code": why.code, "text": why.text}
                for session, why in told.refused
            ],
            "loss": told.loss.to_dict(),
        }
        printing.answer("export", found)
    else:
        for file in told.files:
            out_console.print(f"{file}  {file.stat().st_size / 1e6:.2f} MB", soft_wrap=True)
        for session, why in told.refused:
            out_console.print(f"! no timing of events in session {session}: {why.text}")
        out_console.print(f"lost: {show.loss(told.loss)}")
    sys.exit(codes.NOT_SURE if told.refused else 0)
