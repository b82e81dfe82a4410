"""`sparkwitness compare`: before against after."""

from pathlib import Path

import click
from rich.table import Table

from sparkwitness.cli import keeping, options, printing
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.records import replay
from sparkwitness.timing import compare
from sparkwitness.timing.compare import Side
from sparkwitness.timing.setup import Setup


@click.command()
@click.argument("before", metavar="BEFORE")
@click.argument("after", metavar="AFTER")
@click.option("--moved", is_flag=True, help="Sensor or clamp was moved in between.")
@keeping.logbook_option
@options.as_json
def command(before: str, after: str, moved: bool, logbook_file: Path | None, as_json: bool) -> None:
    """Before against after a part swap: timing, scatter, sparks, misfires, delay.

    BEFORE and AFTER are numbers of runs in the logbook, or recordings. With the same set-up, the
    errors that both have in common cancel: then the difference is far more certain than each
    value.
    """
    out, beside = consoles(as_json)
    sides = [_side(source, logbook_file, beside) for source in (before, after)]
    found = compare.compare(sides[0], sides[1], untouched=not moved)
    if as_json:
        printing.answer("compare", found.to_dict())
        return
    table = Table(box=None, padding=(0, 2, 0, 0))
    for heading in ("", found.before, found.after, "change (k = 2)", ""):
        table.add_column(heading)
    for change in found.changes:
        if change.moved is None:
            table.add_row(change.name, "", "", "not known", change.note)
            continue
        unit = change.unit if change.unit in ("°", "") else f" {change.unit}"
        values = [show.plus_minus(*side, unit) if side else "" for side in
                  (change.before, change.after)]  # fmt: skip
        style = "bold" if change.verdict == "moved" else None
        table.add_row(change.name, *values, change.text(), change.verdict, style=style)
    out.print(found.headline[:1].upper() + found.headline[1:], style="bold")
    out.print(table)
    for line in found.assumed:
        out.print(f"- {line}")


def _side(source: str, logbook_file: Path | None, beside: Console) -> Side:
    """A run or a recording as a side of the comparison."""
    if not source.isdecimal() or Path(source).exists():
        path = Path(source)
        typed = Recording(path).setup
        if typed is None:
            raise UserError(
                f"{path} does not say what was typed: measure from it first "
                "(`sparkwitness measure --from`), then compare the runs"
            )
        return replay.side_of_recording(path, path.stem, Setup.from_dict(typed))
    with keeping.open_logbook(logbook_file, beside) as book:
        run = book.run(int(source))
        name = f"run {run.id}"
        if run.kind != "measurement" or run.setup is None:
            return Side(name, run.result)
        setup = Setup.from_dict(run.setup)
        try:
            delays = replay.tap_delays(Recording(book.recording_of(run)), setup)
        except UserError as error:
            beside.print(f"! {error.message}: nothing is known of the delay")
            delays = None
        return Side(name, run.result, setup, delays)
