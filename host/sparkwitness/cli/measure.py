"""`sparkwitness measure`: the main job."""

import sys
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from sparkwitness.cli import ask, codes, options, printing, sources
from sparkwitness.cli import keeping as keep
from sparkwitness.cli import typed as typing
from sparkwitness.decode.recording import Recording
from sparkwitness.device import link
from sparkwitness.device import run as session
from sparkwitness.errors import UserError
from sparkwitness.faces import picture, safety
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.faces.voice import Voice
from sparkwitness.records.logbook import Logbook
from sparkwitness.records.replay import replay
from sparkwitness.timing import advice, gates, measure
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import time_events


@click.command()
@options.source
@click.option("--from", "from_file", type=click.Path(path_type=Path), help="Replay a recording.")
@click.option("--record", type=click.Path(path_type=Path), help="Keep the bytes as received.")
@typing.setup_options
@click.option("--longest", type=click.FloatRange(1, 3600), default=90.0, show_default=True,
              help="Give up after this many seconds.")  # fmt: skip
@click.option("--budget", is_flag=True, help="Show the uncertainty budget.")
@click.option(
    "--say", is_flag=True, help="Speak or sound the result: rising is early, falling late."
)
@click.option("--once", is_flag=True, help="One measurement; do not offer trials of a new setting.")
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
    longest: float,
    budget: bool,
    say: bool,
    once: bool,
    yes: bool,
    as_json: bool,
    keeping: keep.Keeping,
    like: int | None,
    **typed: Any,
) -> None:
    """True timing of the first spark at steady speed, its error, and the next setting.

    Lock the controller's timing at a known angle, clip the clamp on a plug lead, hold the speed.
    The measurement ends when the uncertainty (k = 2) is below the target.

    What is not given as an option is taken from --engine, --like, the recording or the scenario;
    the rest is asked for, with the last answers in brackets.
    """
    if sum(x is not None for x in (from_file, simulate, port)) > 1:
        raise UserError("give one of --port, --simulate and --from")
    out, beside = consoles(as_json)
    keeping.book(beside)
    voice = Voice(lambda: click.echo("\a", nl=False, err=True)) if say else None
    if voice is not None and not options.quiet():
        beside.print(voice.means(), style="dim")
    job = _Job(out, beside, keeping, budget, as_json, voice)
    if from_file is not None:
        if record is not None:
            raise UserError("--record makes no sense with --from: it is a recording already")
        recording = Recording(from_file)
        origin = f"replay of {recording.source}"
        setup = typing.setup_from(typed, recording.defaults, ask=False)
        tables = replay(recording, setup)
        result = measure.evaluate(setup, tables)
        job.tell(result, setup, tables, from_file, origin)
        sys.exit(0 if result.timing is not None else codes.NOTHING)

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
        trials: list[advice.Trial] = []
        series: int | None = None
        while True:
            recorded = keeping.recording(_numbered(record, len(trials)), beside)
            tables = _live(source, patience, setup, recorded, job, longest)
            result = measure.evaluate(setup, tables)
            run = job.tell(result, setup, tables, recorded, source.name)
            if once or not interactive or result.error is None or setup.setting is None:
                break
            trials.append(advice.Trial(setup.setting, result.error, (result.expanded or 0) / 2))
            series = keeping.keep_trial(beside, run, trials[-1], series)
            following = _ask_setting(out, setup, trials, tuple(result.findings))
            if following is None:
                break
            source.enter_setting(following)
            learned = advice.learn_gain(trials, setup.stated_gain)
            setup = replace(setup, setting=following, learned_gain=learned.gain)
    sys.exit(0 if result.timing is not None else codes.NOTHING)


@dataclass
class _Job:
    """What tells a result, and keeps it."""

    out: Console
    beside: Console
    keeping: keep.Keeping
    budget: bool
    as_json: bool
    voice: Voice | None

    def tell(
        self,
        result: measure.Measurement,
        setup: Setup,
        tables: Tables,
        recording: Path | None,
        source: str,
    ) -> int | None:
        """The result on the screen, then in the logbook; for a script in one piece, with the
        run's number in it. Gives that number.
        """
        try:
            if not self.as_json:
                _report(self.out, result, setup, tables, source, self.budget)
            if self.voice is not None:
                self.voice.result(result)
        finally:  # kept as well where the screen takes nothing
            run = self.keeping.keep(
                self.beside, Logbook.keep_measurement, result, setup, recording=recording,
                source=source,
            )  # fmt: skip
        if self.as_json:
            found = {"run": run, "source": source, "setup": setup.to_dict(), **result.to_dict()}
            printing.answer("measure", found)
        else:
            keep.kept(self.out, run)
        return run


def _live(
    source: sources.Source,
    patience: float,
    setup: Setup,
    record: Path | None,
    job: _Job,
    longest: float,
) -> Tables:
    beside, keeping, voice = job.beside, job.keeping, job.voice
    with link.Link(source.port, patience) as board:
        typed = setup.to_dict()
        recorder = keeping.recorder(beside, record, board.hello, typed, source.name)
        waiting: AbstractContextManager[Any] = (
            beside.status("waiting for the crank")
            if beside.is_terminal and not options.quiet()
            else nullcontext()
        )
        try:
            with waiting as line:

                def watch(result: measure.Measurement) -> None:
                    if voice is not None:
                        voice.meanwhile(result)
                    if line is not None:
                        line.update(show.status(result, setup.target))

                return session.tables(
                    board, setup, recorder, watch, longest, partial(keeping.unrecorded, beside)
                )
        except UserError as error:
            if record and not keeping.broken:
                raise UserError(f"{error.message}; the recording up to here is {record}") from None
            raise


def _numbered(record: Path | None, trial: int) -> Path | None:
    """The first trial's recording has the name given, later ones a number."""
    if record is None or not trial:
        return record
    return record.with_stem(f"{record.stem}-{trial + 1}")


def _report(
    out: Console,
    result: measure.Measurement,
    setup: Setup,
    tables: Tables,
    source: str,
    budget: bool,
) -> None:
    show.origin(out, source)
    out.print(show.measurement(result, setup))
    if out.is_terminal and not options.quiet():
        _picture(out, result, setup, tables)
    if budget and result.budget is not None:
        out.print(show.budget(result.budget))


def _picture(out: Console, result: measure.Measurement, setup: Setup, tables: Tables) -> None:
    found = time_events(setup, tables)
    if isinstance(found, Finding):
        return
    used = measure.used(result, found, tables.tick_s)
    drawn = picture.spread(result, found.angles[used])
    if drawn is not None:
        out.print()
        out.print(drawn)


def _ask_setting(
    out: Console, setup: Setup, trials: list[advice.Trial], told: tuple[Finding, ...]
) -> float | None:
    """The setting that the user has entered now, or None to stop."""
    learned = advice.learn_gain(trials, setup.stated_gain)
    if learned.contradicts:
        out.print(f"! {learned.note}")
        last = trials[-1]
        tip, findings = gates.advise(
            replace(setup, learned_gain=learned.gain), last.error, 2 * last.u_error, told
        )
        for finding in findings:
            out.print(f"! {finding.text}")
        if tip is not None:
            out.print(f"→ by what the trials say the next setting is {tip.setting:g}", style="bold")
    out.print(
        "Enter the next setting in the controller, switch the ignition off and on so that it "
        "keeps it, then measure again."
    )

    def convert(typed: str) -> float | None:
        if typed.lower() in ("q", "quit"):
            return None
        value = options.NUMBER.convert(typed, None, None)
        replace(setup, setting=value)  # refuses what no controller has
        if setup.least is not None and value < setup.least:
            raise UserError(f"the least setting is {setup.least:g}")
        if setup.most is not None and value > setup.most:
            raise UserError(f"the greatest setting is {setup.most:g}")
        return value

    answer: float | None = ask.question(
        "Setting now in the controller (Enter or q: stop)", convert, None,
        "The number that the controller shows after you entered it and switched the ignition off "
        "and on; it need not be the one advised.", True,
    )  # fmt: skip
    return answer
