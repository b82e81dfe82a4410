"""`sparkwitness curve`: timing against speed while the user sweeps."""

import sys
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np
from rich.table import Table

from sparkwitness.cli import ask, codes, options, printing, sources
from sparkwitness.cli import keeping as keep
from sparkwitness.cli import typed as typing
from sparkwitness.decode.recording import Recording
from sparkwitness.device import link
from sparkwitness.device import run as session
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.records.logbook import Logbook
from sparkwitness.records.replay import replay
from sparkwitness.timing import curve as curves
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.fit import recommend, trend
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import time_events


@click.command()
@options.source
@click.option("--from", "from_file", type=click.Path(path_type=Path), help="Replay a recording.")
@click.option("--record", type=click.Path(path_type=Path), help="Keep the bytes as received.")
@click.option(
    "--against", type=click.Path(path_type=Path), help="Reference curve: CSV rpm,degrees."
)
@click.option("--width", type=click.FloatRange(10, 5000), default=250.0, show_default=True,
              help="Width of a bin, rpm.")  # fmt: skip
@click.option(
    "--seconds",
    type=click.FloatRange(1, 3600),
    help="Stop after this many seconds (default: at Ctrl-C).",
)
@typing.setup_options
@keep.options
@keep.like_option
@options.yes
@options.as_json
def command(
    port: str | None,
    simulate: str | None,
    patience: float,
    from_file: Path | None,
    record: Path | None,
    against: Path | None,
    width: float,
    seconds: float | None,
    yes: bool,
    as_json: bool,
    keeping: keep.Keeping,
    like: int | None,
    **typed: Any,
) -> None:
    """Timing against speed, in bins, while you sweep the speed up and down.

    With the timing locked at a commanded angle, the errors at several speeds tell a fixed angle
    (for the reference offset) from a time delay (for the delay compensation). With the
    controller's own map running, give it as --against and see where the engine differs.
    """
    if sum(x is not None for x in (from_file, simulate, port)) > 1:
        raise UserError("give one of --port, --simulate and --from")
    wanted = curves.read_curve(against) if against is not None else None
    out, beside = consoles(as_json)
    keeping.book(beside)
    if from_file is not None:
        recording = Recording(from_file)
        setup = typing.setup_from(typed, recording.defaults, ask=False)
        origin = f"replay of {recording.source}"
        tables = replay(recording, setup)
        recorded: Path | None = from_file
    else:
        interactive = options.someone_answers(as_json)
        known = keeping.known(beside, like)
        with sources.board(simulate, port) as source:
            asks = interactive and simulate is None
            last = keeping.last(beside) if asks else None
            setup = typing.setup_from(typed, known or source.setup, asks, last)
            if simulate is None:
                safety.show(beside, safety.RUNNING_ENGINE)
                if interactive and not yes:
                    ask.cautions_taken()
            longest = seconds or (60.0 if simulate else None)
            recorded = keeping.recording(record, beside)
            origin = source.name
            tables = _sweep(source, patience, setup, recorded, beside, longest, keeping)
    result = curves.curve(setup, tables, width, wanted)
    run = None
    try:
        if isinstance(result, Finding):
            if not as_json:
                out.print(f"! {result.text}")
        elif not as_json:
            show.origin(out, origin)
            _print(out, result, tables)
    finally:  # kept as well where the screen takes nothing
        if not isinstance(result, Finding):
            values = curves.kept(result, tables, width, wanted)
            run = keeping.keep(
                beside, Logbook.keep, "curve", _headline(result), values, setup.to_dict(),
                recording=recorded, source=origin,
            )  # fmt: skip
    if as_json:
        body = (
            {"findings": [asdict(result)], "bins": []}
            if isinstance(result, Finding)
            else result.to_dict()
        )
        loss = tables.loss.to_dict()
        found = {"source": origin, "setup": setup.to_dict(), **body, "loss": loss, "run": run}
        printing.answer("curve", found)
    else:
        keep.kept(out, run)
    sys.exit(codes.NOTHING if isinstance(result, Finding) else 0)


def _headline(result: curves.Curve) -> str:
    low, high = result.bins[0].rpm, result.bins[-1].rpm
    text = f"{low:.0f} to {high:.0f} rpm, {sum(b.events for b in result.bins)} events"
    if result.fit is not None and result.fit.told_apart:
        text += f", fixed {result.fit.fixed:+.2f}°, delay {result.fit.delay_us:.0f} µs"
    return text


def _sweep(
    source: sources.Source,
    patience: float,
    setup: Setup,
    record: Path | None,
    beside: Console,
    longest: float | None,
    keeping: keep.Keeping,
) -> Tables:
    loud, unrecorded = beside, partial(keeping.unrecorded, beside)
    if options.quiet():
        beside = Console(quiet=True)
    beside.print("Sweep the speed slowly up and down; Ctrl-C ends the sweep.")
    with link.Link(source.port, patience) as board:
        recorder = keeping.recorder(loud, record, board.hello, setup.to_dict(), source.name)
        with beside.status("waiting for the crank") as line:

            def done(tables: Tables) -> bool:
                found = time_events(setup, tables)
                if isinstance(found, Finding):
                    line.update(found.text)
                else:
                    known = found.speed[np.isfinite(found.speed)]
                    line.update(
                        f"{known[-1]:.0f} rpm now, {known.min():.0f} to {known.max():.0f} so far, "
                        f"{len(known)} events"
                        if len(known)
                        else "waiting for sparks"
                    )
                return longest is not None and tables.seconds > longest

            return session.collect(
                board, setup, recorder, done, interrupt_ends=True, unrecorded=unrecorded
            )


def _print(out: Console, result: curves.Curve, tables: Tables) -> None:
    table = Table(
        title="First spark against speed, degrees BTDC (± k = 2; the same for the error)",
        title_justify="left",
    )
    for heading in ("rpm", "timing", "scatter", "events", "sparks", "up - down", "error"):
        table.add_column(heading, justify="right")
    for b in result.bins:
        table.add_row(
            f"{b.rpm:.0f}",
            f"{b.timing:.2f} ± {b.expanded:.2f}",
            f"{b.scatter:.2f}",
            f"{b.events}",
            "-" if np.isnan(b.sparks) else f"{b.sparks:.2f}",
            "-" if np.isnan(b.hysteresis) else f"{b.hysteresis:+.2f} ± {b.u_hysteresis:.2f}",
            "-" if np.isnan(b.error) else f"{b.error:+.2f}",
        )
    out.print(table)
    if result.fit is not None:
        fit = result.fit
        told = trend(fit)
        out.print(
            f"fixed angle {fit.fixed:+.2f}° ± {fit.u_fixed:.2f}°, delay "
            f"{show.plus_minus(fit.delay_us, fit.u_delay_us, ' µs')}  (95 %; error = fixed - "
            f"6 N t; points scatter {fit.spread:.1f} times what their uncertainties say)"
            + (f"; {told}" if told else "")
        )
        out.print(f"→ {recommend(fit)}")
    out.print(f"left out: {result.stray} stray events, {result.sparse} in bins with too few")
    out.print(f"lost: {show.loss(tables.loss)}")
    for finding in result.findings:
        out.print(f"! {finding.text}")
