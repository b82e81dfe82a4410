"""The search for the lost spark as a conversation: ask, take the answer, go on."""

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.table import Table
from rich.text import Text

from sparkwitness.cli import ask as asking
from sparkwitness.cli import sources
from sparkwitness.cli.starter import listening
from sparkwitness.errors import UserError
from sparkwitness.faces import fault_text
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console
from sparkwitness.fault import cranking, live
from sparkwitness.fault import model as ff
from sparkwitness.fault.store import store
from sparkwitness.timing.angle import Reference

_SKIP = ("skip", "cannot", "s")


@dataclass
class Session:
    """One run with what belongs to this call of the program."""

    run: ff.Run
    chain: ff.Chain
    path: Path | None
    out: Console
    beside: Console
    port: str | None = None
    simulate: str | None = None
    patience: float = 1.0
    seconds: float = 6.0
    live: bool = False

    def add(self, *events: ff.Event) -> None:
        """Take events and store the run."""
        for event in events:
            self.run = self.run.with_event(event)
        self.save()

    def save(self) -> None:
        """Keep the run. What a person found stays on the screen where that fails later."""
        if self.path is None:
            return
        try:
            store(self.path, self.run)
        except UserError as error:
            if not self.run.events:
                raise
            self.beside.print(f"! {error.message}; the search goes on", style="bold")


def answer_of(chain: ff.Chain, name: str, said: Any, how: str = "typed") -> ff.Answer:
    """An answer from what was typed.

    Raises:
        UserError: no such test for this ignition, or an answer that it does not have.
    """
    now = datetime.now(UTC).isoformat(timespec="seconds")
    if name not in chain.tests:
        if name in ff.model()["tests"]:
            raise UserError(f"{name} is no test for this kind of ignition; --list shows those")
        raise UserError(f"there is no test '{name}'; --list shows them all")
    test = chain.tests[name]
    text = str(said).strip()
    if said is None or text.lower() in _SKIP:
        return ff.Answer(name, None, how=how, time=now)
    if len(text) == 1 and text.lower() in fault_text.LETTERS[: len(test.outcomes)]:
        return ff.Answer(name, fault_text.LETTERS.index(text.lower()), how=how, time=now)
    starting = [i for i, o in enumerate(test.outcomes) if o.lower().startswith(text.lower())]
    exact = [i for i, o in enumerate(test.outcomes) if o.lower() == text.lower()]
    if text and len(exact or starting) == 1:
        return ff.Answer(name, (exact or starting)[0], how=how, time=now)
    if test.unit:
        number = text.lower().removesuffix(test.unit.lower()).strip().replace(",", ".")
        try:
            reading = float(number)
        except ValueError:
            pass
        else:
            return ff.Answer(name, pure(test.outcome_of, reading), reading, how, now)
    known = "; ".join(f"{x} {o}" for x, o in zip(fault_text.LETTERS, test.outcomes, strict=False))
    number = f", a number in {test.unit}" if test.unit else ""
    raise UserError(f"'{said}' is no answer to {name}: type {known}{number}; or skip")


def repair_of(session: Session, name: str, starts: bool) -> ff.Repair:
    if name not in session.chain.index:
        names = ", ".join(session.chain.index)
        raise UserError(f"this ignition has no link '{name}'; it has {names}")
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return ff.Repair(name, starts, now)


def _leads(session: Session, source: sources.Source | None) -> dict[str, str]:
    """Lead ("coil", "plug", "none") that each clamp sits on."""
    engine = session.run.engine
    has_coil_lead = session.run.variant.distribution == "distributor"
    leads = {"clamp_a": "coil", "clamp_b": "plug"} if has_coil_lead else {
        "clamp_a": "plug", "clamp_b": "none"}  # fmt: skip
    if source is not None and source.simulated is not None:
        pickup = source.simulated.world.scenario.truth.pickup
        leads = {"clamp_a": pickup.clamp_a, "clamp_b": pickup.clamp_b}
    for name in leads:
        leads[name] = engine.get(name, leads[name])
    return leads


def _engine(session: Session, source: sources.Source) -> cranking.Engine:
    known = dict(session.run.engine)
    if source.setup is not None:
        known.setdefault("cylinders", source.setup["cylinders"])
        known.setdefault("strokes", source.setup["strokes"])
    if "cylinders" not in known:
        if not sys.stdin.isatty():
            raise UserError("live tests need the number of cylinders: give --cylinders")
        known["cylinders"] = asking.question("Cylinders", click.IntRange(1, 16), 4)
        wheel = "What marks the crank (pulse, 36-1, cam …; Enter: not known)"

        def convert(kind: str) -> str:
            Reference.parse(kind, 0.0, 0.0)
            return kind

        if kind := asking.question(wheel, convert, empty=True):
            known["reference"] = kind
        session.run = replace(session.run, engine=known)
    reference: Reference | None = None
    if "reference" in known:
        reference = Reference.parse(known["reference"], 0.0, 0.0)
    elif source.setup is not None:
        typed = source.setup["reference"]
        reference = Reference(typed["teeth"], typed["missing"], typed["turns"])
    wasted = session.run.variant.distribution == "leads" and known["cylinders"] > 1
    return cranking.Engine(known["cylinders"], int(known.get("strokes", 4)), reference, wasted)


def measure(session: Session, tests: Sequence[ff.Test]) -> list[tuple[ff.Answer, str]] | None:
    """One crank: an answer to each board test with the words for it; None if nothing turned."""
    with sources.board(session.simulate, session.port) as source:
        engine, leads = _engine(session, source), _leads(session, source)
        tap = "trigger_edges" if source.simulated is not None else None
        with listening(session.beside) as watch:
            heard = live.listen(
                source.port, session.patience, session.seconds, watch, engine.reference
            )
    found = live.answers(session.run, tests, heard, engine, leads, tap)
    if found is not None:
        lost = "! " if heard.loss.any() else ""
        session.beside.print(f"{lost}lost: {show.loss(heard.loss)}", style="dim")
    return found


def talk(session: Session, prepared: dict[str, ff.Answer], yes: bool) -> None:
    """Ask, answer, until named and mended, or stopped."""
    out, shown = session.out, set[str]()
    out.print(f"The run is kept in {session.path}", style="dim", soft_wrap=True)
    picked: ff.Choice | None = None
    try:
        while not ff.started(session.run):
            run = session.run
            choice = picked or ff.next_test(session.chain, run.events, run.sure)
            picked = None
            if choice is None:
                action = _after_finding(session)
                if action is None:
                    break
                picked = action if isinstance(action, ff.Choice) else None
                continue
            if len(choice.tests) == 1 and choice.tests[0].id in prepared and not choice.again:
                session.add(prepared.pop(choice.tests[0].id))
                continue
            fault_text.show_choice(out, session.chain, run, choice, len(_asks(run)) + 1, shown, yes)
            if choice.tests[0].by == "board":
                picked = _ask_board(session, choice)
            else:
                picked = _ask(session, choice)
            if picked is None:
                fault_text.show_doubt(session.out, session.chain, session.run)
                session.out.print(fault_text.so_far(session.chain, session.run), style="dim")
        if ff.started(session.run):
            out.print(fault_text.farewell(session.run))
    except (click.Abort, KeyboardInterrupt, asking.Ended, _Quit):
        out.print(f"\nKept. Go on with: sparkwitness findfault --resume {session.path}",
                  soft_wrap=True)  # fmt: skip


class _Quit(Exception):
    """The person wants to stop; the run is kept."""


def _ask(session: Session, choice: ff.Choice) -> ff.Choice | None:
    """Ask a person's test; an answer is stored. Returns another choice if that was picked."""
    test, out = choice.tests[0], session.out
    out.print(Text(test.ask, style="bold"))
    for letter, outcome in zip(fault_text.LETTERS, test.outcomes, strict=False):
        out.print(f"  {letter}  {outcome}")
    kinds = f"{fault_text.LETTERS[0]}-{fault_text.LETTERS[len(test.outcomes) - 1]}"
    unit = f", a number in {test.unit}" if test.unit else ""
    hint = f"{kinds}{unit}, s skip, w why, o other, u undo, q quit"
    while True:
        text = asking.question(hint, help="", bare=True)
        done, other = _commanded(session, choice, text)
        if done:
            return other
        if other is not None:
            continue
        try:
            answer = answer_of(session.chain, test.id, text)
        except UserError as error:
            out.print(error.message)
            continue
        if answer.reading is not None and answer.outcome is not None:
            out.print(f"  {answer.reading:g} {test.unit}: {test.outcomes[answer.outcome]}")
        session.add(replace(answer, again=choice.again))
        return None


def _ask_board(session: Session, choice: ff.Choice) -> ff.Choice | None:
    """Board tests: connect, crank, judge, confirm."""
    out, tests = session.out, choice.tests
    out.print(Text("One crank with the board listening:", style="bold"))
    for i, test in enumerate(tests, 1):
        out.print(f"  {i}  {test.ask}")
    off: set[int] = set()
    hint = "Enter: connected, now crank; numbers of what cannot be connected; w, o, u, q; t type in"
    while True:
        text = asking.question(hint, empty=True, bare=True) or ""
        done, other = _commanded(session, choice, text)
        if done:
            return other
        if other is not None:
            continue
        words = text.replace(",", " ").split()
        if text.lower() == "t":
            for test in tests:
                _ask(session, replace(choice, tests=(test,)))
            return None
        if not all(w.isdecimal() and 1 <= int(w) <= len(tests) for w in words):
            out.print(f"type numbers from 1 to {len(tests)}, or just Enter")
            continue
        off = {int(w) - 1 for w in words}
        wanted = [t for i, t in enumerate(tests) if i not in off]
        skipped = [
            replace(answer_of(session.chain, t.id, None), again=choice.again)
            for i, t in enumerate(tests) if i in off
        ]  # fmt: skip
        if not wanted:
            session.add(*skipped)
            return None
        if session.simulate is None:
            out.print("Crank for five seconds as soon as it says so.", style="bold")
        try:
            found = measure(session, wanted)
        except UserError as error:
            out.print(f"{error.message}.")
            continue
        if found is None:
            out.print("Nothing turned: no crank pulse, and the supply did not fall. Try again.")
            continue
        for answer, words_for in found:
            out.print(f"  {session.chain.tests[answer.test].ask}")
            found_out = Text(fault_text.outcome(session.chain, answer), "bold")
            out.print("    ", found_out, f"  ({words_for})", sep="")
        if asking.yes_no("Take these answers?", True):
            again = choice.again
            session.add(*(replace(answer, again=again) for answer, _ in found), *skipped)
            return None


def _commanded(
    session: Session, choice: ff.Choice | None, text: str
) -> tuple[bool, ff.Choice | None]:
    """Handle w, o, u, q.

    Returns:
        (True, other): done with this question, go to `other` or ask anew; (False, choice): handled,
        ask again; (False, None): not a command.
    """
    word = text.lower()
    if word in ("q", "quit"):
        raise _Quit
    if word in ("w", "why", "?") and choice is not None:
        session.out.print(fault_text.why(session.chain, session.run, choice))
        return False, choice
    if word in ("u", "undo"):
        if not session.run.events:
            session.out.print("There is nothing to undo.")
            return False, choice
        last = _asks(session.run)[-1]
        session.run = replace(session.run, events=session.run.events[: -len(last)])
        session.save()
        names = [e.test if isinstance(e, ff.Answer) else f"mended {e.link}" for e in last]
        session.out.print(f"Taken back: {', '.join(names)}.")
        return True, None
    if word in ("o", "other"):
        other = _other(session)
        return (True, other) if other is not None else (False, choice)
    return False, None


def _other(session: Session) -> ff.Choice | None:
    """List the tests that could be asked and let one be picked."""
    found = [
        c for c in ff.choices(session.chain, session.run.events) if len(c.tests) == 1
    ]  # fmt: skip
    table = Table(box=None, header_style="dim")
    for head in ("", "test", "bits", "min", "hazard"):
        table.add_column(head)
    for i, c in enumerate(found, 1):
        t = c.tests[0]
        table.add_row(
            f"{i}", t.id, f"{c.bits:.2f}", f"{c.minutes:.0f}", fault_text.HAZARDS[t.hazard]
        )
    session.out.print(table)
    last = len(found)
    picked: int = asking.question("Number, 0 to go back", click.IntRange(0, last), 0)
    return found[picked - 1] if picked else None


def _after_finding(session: Session) -> ff.Choice | bool | None:
    """Show the result; then confirm, mend, test more or stop. None: stop."""
    fault_text.show_finding(session.out, session.chain, session.run)
    result = ff.finding(session.chain, session.run.events, draws=2)
    can = "c confirming test, " if result.confirm else ""
    while True:
        word = asking.question(f"{can}m mended, o other test, u undo, q quit").lower()
        if word == "c" and result.confirm is not None:
            cost = session.chain.cost((result.confirm,))
            return ff.Choice((result.confirm,), 0.0, cost)
        if word in ("m", "mended"):

            def link(typed: str) -> str:
                return repair_of(session, typed, False).link

            name = asking.question("Which link", link, result.link.id)
            starts = asking.yes_no("Does the engine start now?")
            session.add(repair_of(session, name, starts))
            return True
        if word in ("o", "other"):
            other = _other(session)
            if other is not None:
                return other
        elif word in ("u", "undo", "q", "quit"):
            _commanded(session, None, word)
            return True
        else:
            session.out.print("Type one of the letters.")


def _asks(run: ff.Run) -> list[list[ff.Event]]:
    """The events, those of one crank of the starter together."""
    asks: list[list[ff.Event]] = []
    for event in run.events:
        last = asks[-1][-1] if asks else None
        same = (
            isinstance(event, ff.Answer) and isinstance(last, ff.Answer)
            and event.how == last.how == "board" and event.time == last.time
        )  # fmt: skip
        if same:
            asks[-1].append(event)
        else:
            asks.append([event])
    return asks


def pure(work: Any, *args: Any, **kwargs: Any) -> Any:
    """Call a pure function; its ValueError is a sentence for the user."""
    try:
        return work(*args, **kwargs)
    except ValueError as error:
        raise UserError(str(error)) from None
