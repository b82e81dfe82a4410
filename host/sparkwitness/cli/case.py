"""`sparkwitness case`: one repair from the symptom to the proof."""

from pathlib import Path

import click

from sparkwitness.cli import ask, keeping, options, printing
from sparkwitness.errors import UserError
from sparkwitness.faces import case_page, safety
from sparkwitness.faces.console import Console
from sparkwitness.records import cases
from sparkwitness.records.logbook import Logbook, Run

_COMMANDS = {"faultfind": "findfault", "measurement": "measure"}


@click.group(invoke_without_command=True, short_help="One repair from symptom to proof.")
@click.pass_context
def command(ctx: click.Context) -> None:
    """One repair from the symptom to the proof, kept as steps in the logbook.

    Turns over? Fuel and air? Then the search for the spark, the repair, the timing, its correction,
    and a last look with the timing unlocked. Without a subcommand: goes on with the newest case
    that is open, or begins one. Stop at any time; the case is kept.
    """
    if ctx.invoked_subcommand is None:
        if not options.someone_answers():
            raise UserError("without a terminal, use case start, add, show and report (--help)")
        ctx.invoke(go)


@command.command()
@click.argument("symptom")
@click.option("--engine", help="Name of the engine.")
@keeping.logbook_option
def start(symptom: str, engine: str | None, logbook_file: Path | None) -> None:
    """Begin a case with what is wrong, such as "does not start"."""
    out = Console()
    with keeping.open_logbook(logbook_file, out) as book:
        number = cases.start(book, symptom, engine)
        _print_next(out, cases.load(book, number))


@command.command()
@click.argument("number", type=int)
@click.argument("step", type=click.Choice(cases.NAMES))
@click.argument("outcome", type=click.Choice(cases.OUTCOMES))
@click.option("--run", type=int, help="Run of the logbook that the step rests on.")
@click.option("--note", default="", help="What was seen or done.")
@keeping.logbook_option
def add(
    number: int, step: str, outcome: str, run: int | None, note: str, logbook_file: Path | None
) -> None:
    """Add a step that was taken to case NUMBER, and say what comes next."""
    out = Console()
    with keeping.open_logbook(logbook_file, out) as book:
        cases.add(book, number, step, outcome, note, run)
        _print_next(out, cases.load(book, number))


@command.command("list")
@keeping.logbook_option
@options.as_json
def list_(logbook_file: Path | None, as_json: bool) -> None:
    """All cases with a line each."""
    out = Console()
    with keeping.open_logbook(logbook_file, Console(stderr=True)) as book:
        found = cases.every(book)
        if as_json:
            printing.answer("case list", {"cases": [one.to_dict() for one in found]})
            return
        for one in found:
            told = cases.verdict(one, cases.runs_of(book, one))
            out.print(f"{one.id:4}  {one.made[:10]}  {one.symptom}: {told}")
    if not found:
        out.print('No case yet: `sparkwitness case start "does not start"` begins one.')


@command.command()
@click.argument("number", type=int)
@keeping.logbook_option
@options.as_json
def show(number: int, logbook_file: Path | None, as_json: bool) -> None:
    """The steps of a case, and what comes next."""
    out = Console()
    with keeping.open_logbook(logbook_file, Console(stderr=True)) as book:
        case = cases.load(book, number)
        runs = cases.runs_of(book, case)
        told = cases.verdict(case, runs)
    if as_json:
        step = cases.next_step(case)
        more = {"verdict": told, "next": step.name if step else None}
        printing.answer("case show", {**case.to_dict(), **more})
        return
    for done in case.steps:
        found = "" if done.run is None else f"; run {done.run}: {runs[done.run].headline}"
        line = f"{done.made[:16]}  {done.step:8} {done.outcome:5} {done.text}{found}"
        out.print(line)
    _print_verdict(out, case, runs)
    _print_next(out, case)


@command.command()
@click.argument("number", type=int)
@click.option("--out", type=click.Path(path_type=Path), help="Default: case-NUMBER.html.")
@click.option("--force", is_flag=True, help="Replace a file that is there.")
@keeping.logbook_option
def report(number: int, out: Path | None, force: bool, logbook_file: Path | None) -> None:
    """Write a case as one self-contained page."""
    from sparkwitness.cli.report import write

    with keeping.open_logbook(logbook_file, Console(stderr=True)) as book:
        case = cases.load(book, number)
        html = case_page.page(case, cases.runs_of(book, case))
    write(out or Path(f"case-{number}.html"), html.encode(), force)


@command.command()
@click.argument("number", type=int, required=False)
@click.option("--port", help="Port of the board, handed to the commands that need it.")
@click.option("--simulate", metavar="SCENARIO", help="A simulated engine in place of the board.")
@keeping.logbook_option
def go(
    number: int | None, port: str | None, simulate: str | None, logbook_file: Path | None
) -> None:
    """Go through a case step by step; runs the commands that the steps need."""
    if not options.someone_answers():
        raise UserError("this asks questions and needs a terminal; case add takes answers")
    out = Console()
    with keeping.open_logbook(logbook_file, out) as book:
        number = _chosen(book, number)
    safety.show(out, safety.CRANKING, safety.RUNNING_ENGINE)
    more = ["--port", port] if port else ["--simulate", simulate] if simulate else []
    if logbook_file is not None:
        more += ["--logbook", str(logbook_file)]
    while True:
        with keeping.open_logbook(logbook_file, out) as book:
            case = cases.load(book, number)
            step = cases.next_step(case)
            runs = cases.runs_of(book, case)
        if step is None:
            _print_verdict(out, case, runs)
            if cases.proved(case, runs) or not ask.yes_no("Correct and look again?", False):
                out.print(f"Its page: sparkwitness case report {number}")
                return
            step = cases.STEPS[cases.NAMES.index("correct")]
        _again(out, case, step)
        out.print(f"\n{step.name}: {step.ask}", style="bold")
        if not _take(case, step, more, logbook_file, out):
            out.print(f"Kept. Go on with: sparkwitness case go {number}")
            return


def _chosen(book: Logbook, number: int | None) -> int:
    """The case that was named, the newest open one, or a new one."""
    if number is not None:
        return cases.load(book, number).id
    still = [c for c in cases.every(book) if cases.next_step(c) is not None]
    if still and ask.yes_no(f"Go on with case {still[-1].id}, {still[-1].symptom}?", True):
        return still[-1].id
    symptom = ask.question("What is wrong?", help='In a few words, such as "does not start".')
    return cases.start(book, symptom, ask.question("Engine's name (Enter: none)", empty=True))


def _take(
    case: cases.Case, step: cases.Step, more: list[str], file: Path | None, out: Console
) -> bool:
    """Ask for one step and add it; False to stop here."""
    words = [*step.outcomes, "quit"]

    def convert(typed: str) -> str:
        near = [word for word in words if word.startswith(typed.lower())]
        if len(near) != 1:
            raise UserError(f"type {', '.join(words)}, or the first letter")
        return near[0]

    outcome = ask.question(f"{', '.join(words)}", convert, help=step.again or step.ask)
    if outcome == "quit":
        return False
    run: int | None = None
    said: list[str] = []
    if step.kind is not None and outcome in ("yes", "done"):
        fine, said = _asked(step.before)
        if fine:
            named = ["--engine", case.engine] if case.engine else []
            run = _run(case, step, [*more, *named], file, out)
            if run is None:
                return True
            fine, words_after = _asked(step.after)
            said += words_after
        if not fine:
            outcome, run = "no", None
    note = ask.question("Note (Enter: none)", empty=True, help="What was seen or done.") or ""
    text = "; ".join([*said, *([note] if note else [])])
    with keeping.open_logbook(file, out) as book:
        try:
            cases.add(book, case.id, step.name, outcome, text, run)
        except UserError as error:
            out.print(f"! {error.message}")
    return True


def _asked(questions: tuple[tuple[str, str, str], ...]) -> tuple[bool, list[str]]:
    """Whether each answer was a yes, and the words for those that were given; ends at a no."""
    said = []
    for text, good, bad in questions:
        fine = ask.yes_no(text)
        said.append(good if fine else bad)
        if not fine:
            return False, said
    return True, said


def _run(
    case: cases.Case, step: cases.Step, more: list[str], file: Path | None, out: Console
) -> int | None:
    """Number of the run that a step rests on: run the command now, or take one that is kept."""
    from sparkwitness.cli import main

    kind = str(step.kind)
    text = f"Enter runs `{_COMMANDS[kind]}` now; or the number of a run that is kept"

    def convert(typed: str) -> int:
        number = int(options.NUMBER.convert(typed, None, None))
        with keeping.open_logbook(file, out) as book:
            cases.check_run(book, case, step, number)
        return number

    typed: int | None = ask.question(text, convert, empty=True)
    if typed is not None:
        return typed
    with keeping.open_logbook(file, out) as book:
        before = max((r.id for r in book.runs(kind=kind, newest=1)), default=0)
    arguments = [_COMMANDS[kind], *more, "--once" if kind == "measurement" else "--turns-over"]
    try:
        main.main(arguments, standalone_mode=False)
    except SystemExit:
        pass
    except click.ClickException as error:
        out.print(f"! {error.format_message()}")
    with keeping.open_logbook(file, out) as book:
        after = max((r.id for r in book.runs(kind=kind, newest=1)), default=0)
    if after == before:
        out.print("! nothing was kept, so the step is still to be taken")
        return None
    return after


def _again(out: Console, case: cases.Case, step: cases.Step) -> None:
    """After a no: what it means."""
    if case.steps and case.steps[-1].outcome == "no":
        said = next(s for s in cases.STEPS if s.name == case.steps[-1].step).again
        out.print(f"! {said}")


def _print_verdict(out: Console, case: cases.Case, runs: dict[int, Run]) -> None:
    out.print(cases.verdict(case, runs), style="bold")
    without = cases.left_out(case)
    if without:
        out.print(f"Left out: {', '.join(without)}.")


def _print_next(out: Console, case: cases.Case) -> None:
    step = cases.next_step(case)
    if step is None:
        out.print(f"Case {case.id} is complete; its page: sparkwitness case report {case.id}")
        return
    _again(out, case, step)
    out.print(f"Case {case.id}, next: {step.name}. {step.ask}")
    out.print(
        f"Then: sparkwitness case add {case.id} {step.name} {step.outcomes[0]}"
        + (" --run NUMBER" if step.kind else ""),
        style="dim",
    )  # fmt: skip
