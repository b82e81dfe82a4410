"""`sparkwitness report`: a run as a page to keep, print or send."""

from pathlib import Path

import click

from sparkwitness.cli import keeping
from sparkwitness.errors import UserError, whole_file
from sparkwitness.faces import report
from sparkwitness.faces.console import Console
from sparkwitness.records.logbook import Logbook, Run


@click.command()
@click.argument("source", metavar="RUN|RECORDING")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The page's file. Default: report-RUN.html in this folder.",
)
@click.option("--pdf", is_flag=True, help="Write a PDF beside the page, for print.")
@click.option("--paper", type=click.Choice(report.PAPERS), default="a4", show_default=True,
              help="Of the PDF.")  # fmt: skip
@click.option("--by", help="Person responsible for the measurement.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
@keeping.logbook_option
def command(
    source: str, out: Path | None, pdf: bool, paper: str, by: str | None, force: bool,
    logbook_file: Path | None,
) -> None:  # fmt: skip
    """Write a report on a run of the logbook, or on a recording, as one self-contained HTML file.

    Result, cautions, plots, uncertainty, set-up, what was lost, and where it all comes from. The
    plots are drawn from the recording.
    """
    beside = Console(stderr=True)
    trials = []
    if source.isdecimal() and not Path(source).exists():
        with keeping.open_logbook(logbook_file, beside) as book:
            run = book.run(int(source))
            trials = book.trials(run.id)
            told = _told(run, book, beside)
    else:
        run = report.transient(Path(source))
        told = report.read(run, Path(source))
    out = out or Path(f"report-{run.id or Path(source).stem}.html")
    html = report.page(run, told, trials, by)
    write(out, html.encode(), force)
    if pdf:
        write(out.with_suffix(".pdf"), report.pdf(html, paper), force)


def _told(run: Run, book: Logbook, beside: Console) -> report.Told:
    """Plots from the recording where it is there, else what the kept result gives."""
    if run.kind != "measurement":
        return report.without_recording(run, "")
    try:
        path = book.recording_of(run)
    except UserError as error:
        beside.print(f"! no plots: {error.message}")
        return report.without_recording(run, error.message)
    return report.read(run, path)


def write(path: Path, data: bytes, force: bool) -> None:
    """Write a page's file, never over another one unless told to."""
    with whole_file(path, force) as part:
        part.write_bytes(data)
    click.echo(f"{path}  {len(data) / 1e3:.0f} kB")
