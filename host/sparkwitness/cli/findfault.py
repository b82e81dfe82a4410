"""`sparkwitness findfault`: guided search for the link that lost the spark."""

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from sparkwitness.cli import ask, codes, options, printing
from sparkwitness.cli import keeping as keep
from sparkwitness.cli.searching import Session, answer_of, measure, pure, repair_of, talk
from sparkwitness.device import link
from sparkwitness.errors import UserError, small_text
from sparkwitness.faces import fault_text, safety
from sparkwitness.faces.console import Console, consoles
from sparkwitness.fault import model as ff
from sparkwitness.fault.store import default_path, load
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing.angle import Reference

_AGAIN = " again"


@click.command()
@options.source
@click.option("--by-hand", is_flag=True, help="No board: only tests that a person does.")
@click.option("--turns-over", is_flag=True, help="It turns over as it should: do not ask.")
@click.option("--switch", type=click.Choice(["points", "inductive", "capacitive"]),
              help="What switches the coil.")  # fmt: skip
@click.option("--trigger", type=click.Choice(["points", "pickup", "controller"]),
              help="What tells it to fire.")  # fmt: skip
@click.option("--sensor", type=click.Choice(["coil", "hall", "none"]), help="Kind of pick-up.")
@click.option("--distribution", type=click.Choice(["distributor", "leads", "plugtop"]),
              help="How the spark gets to the plugs.")  # fmt: skip
@click.option("--feed", type=click.Choice(["steady", "pulsed"]),
              help="Whether the coil shows a steady 12 V.")  # fmt: skip
@click.option("--cylinders", type=click.IntRange(1, 16), help="For live tests.")
@click.option("--strokes", type=click.Choice(["2", "4"]), help="For live tests. Default 4.")
@click.option("--reference", help="For live tests: what marks the crank (pulse, 36-1, cam …); "
              "without it only the evenness of the pulses is judged.")  # fmt: skip
@click.option("--clamp-a", type=click.Choice(["coil", "plug", "none"]), help="Lead of clamp A.")
@click.option("--clamp-b", type=click.Choice(["coil", "plug", "none"]), help="Lead of clamp B.")
@click.option("--seconds", type=click.FloatRange(2, 60), default=6.0, show_default=True,
              help="How long one live test listens.")  # fmt: skip
@click.option("--odds", "odds", multiple=True, metavar="LINK=NUMBER",
              help="How often a link is the culprit, relative to the others.")  # fmt: skip
@click.option("--minutes", "minutes", multiple=True, metavar="TEST=NUMBER",
              help="Minutes a test takes you.")  # fmt: skip
@click.option("--sure", type=click.FloatRange(0.5, 0.999), default=None,
              help=f"Probability at which a link is named. Default {ff.SURE}.")  # fmt: skip
@click.option("--second", type=click.FloatRange(0, 0.9), default=None,
              help=f"Chance that two links are bad. Default {ff.SECOND_FAULT}.")  # fmt: skip
@click.option("--say", multiple=True, metavar="TEST=ANSWER",
              help="Answer a test, in any order. May be repeated.")  # fmt: skip
@click.option("--answers", type=click.Path(path_type=Path),
              help="JSON file {test: answer, \"test again\": answer at a second look}; used when "
              "the search asks for it.")  # fmt: skip
@click.option("--mended", metavar="LINK", help="This link was mended; the engine still does not "
              "start, unless --starts.")  # fmt: skip
@click.option("--starts", is_flag=True, help="With --mended: now it starts.")
@click.option("--resume", type=click.Path(path_type=Path), help="Continue a stored run.")
@click.option("--store", "store_at", type=click.Path(path_type=Path),
              help="File for the run. Default: a new one in your data folder.")  # fmt: skip
@click.option("--list", "listing", is_flag=True, help="Show links and tests, and stop.")
@keep.options
@options.yes
@options.as_json
def command(
    port: str | None, simulate: str | None, patience: float, by_hand: bool, listing: bool,
    say: tuple[str, ...], answers: Path | None, mended: str | None, starts: bool,
    turns_over: bool, resume: Path | None, store_at: Path | None, yes: bool, as_json: bool,
    seconds: float, keeping: keep.Keeping, **typed: Any,
) -> None:  # fmt: skip
    """Engine does not start: find the link that lost the spark.

    Begins where a person begins: does it turn over, has it fuel and air? Then asks for the test
    that tells most for its effort and risk.
    Answer with the letter of what you see, a number where one is asked for, or:
    s skip (cannot test), w why this test, o other tests, u undo, q quit (the run is kept).

    Without a terminal: give answers with --say or --answers; the next test comes out as text or
    --json. Exit code 3: the search is not over; 5: it ended without being sure.
    """
    out, beside = consoles(as_json)
    keeping.book(beside)
    if sum(x is not None for x in (port, simulate)) + by_hand > 1:
        raise UserError("give one of --port, --simulate and --by-hand")
    if starts and mended is None:
        raise UserError("--starts goes with --mended LINK")
    interactive = sys.stdin.isatty() and not as_json and not listing
    if interactive and resume is None and not turns_over and not say:
        _ask_turning(beside)
    run = _begin(resume, typed, interactive, simulate is not None or port is not None, by_hand)
    session = Session(
        run, pure(run.chain), resume or store_at, out, beside, port, simulate, patience, seconds,
        live=simulate is not None or port is not None,
    )  # fmt: skip
    if listing:
        fault_text.show_all(out, session.chain)
        return
    if session.path is None:
        session.path = default_path(run.started)
    if resume is None and session.path.exists():
        raise UserError(f"{session.path} already exists; continue it with --resume {session.path}")
    session.save()
    for text in say:
        name, _, answer = text.partition("=")
        session.add(_looked_again(session, answer_of(session.chain, name.strip(), answer.strip())))
    if mended is not None:
        session.add(repair_of(session, mended, starts))
    prepared = _prepared(answers, session.chain)
    if interactive:
        talk(session, prepared, yes)
    else:
        _batch(session, prepared)
        _print_state(session, as_json)
    over = ff.next_test(session.chain, session.run.events, session.run.sure) is None
    ends = ff.result(session.chain, session.run.events, session.run.sure)
    if over or ff.started(session.run):
        _keep(session, keeping, simulate)
    if not ff.started(session.run) and not (over and ends.sure):
        sys.exit(codes.NOT_SURE if over else codes.NOTHING)


def _keep(session: Session, keeping: keep.Keeping, simulate: str | None) -> None:
    """A search that has ended goes into the logbook."""
    told = fault_text.state(session.chain, session.run, session.path)
    found = told["finding"]
    headline = f"{found['name']}, probability {found['probability']:.0%}"
    if not found["sure"]:
        headline = f"{found['result_in_words']}; of the links {headline}"
    if told["starts"]:
        headline = f"starts again; last found: {headline}"
    source = f"simulated: {simulate}" if simulate else "board" if session.live else "by hand"
    run = keeping.keep(session.beside, Logbook.keep, "faultfind", headline, told, source=source)
    keep.kept(session.beside, run)


def _begin(
    resume: Path | None, typed: dict[str, Any], interactive: bool, live: bool, by_hand: bool
) -> ff.Run:
    kinds = {k: typed.pop(k) for k in ff.KINDS}
    kinds = {k: v for k, v in kinds.items() if v is not None}
    odds, minutes = (_pairs(typed.pop(k), k) for k in ("odds", "minutes"))
    sure, second = typed.pop("sure"), typed.pop("second")
    engine = {k: v for k, v in typed.items() if v is not None}
    if "reference" in engine:
        Reference.parse(engine["reference"], 0.0, 0.0)
    if resume is not None:
        run = load(resume)
        if kinds:
            raise UserError("a stored run keeps its kind of ignition; leave --" + next(iter(kinds)))
        changes: dict[str, Any] = {
            "odds": {**run.odds, **odds}, "minutes": {**run.minutes, **minutes},
            "engine": {**run.engine, **engine},
        }  # fmt: skip
        if sure is not None:
            changes["sure"] = sure
        if second is not None:
            changes["second"] = second
        return replace(run, **changes)
    if interactive:
        _ask_kinds(kinds)
    board = live or (not by_hand and bool(link.boards()))
    if interactive and not board and not by_hand:
        board = ask.yes_no("Will the board be connected for live tests?", False)
    started = datetime.now(UTC).isoformat(timespec="seconds")
    return ff.Run(
        pure(ff.variant_of, **kinds), board, (), odds, minutes,
        ff.SURE if sure is None else sure, ff.SECOND_FAULT if second is None else second,
        started, engine,
    )  # fmt: skip


def _ask_turning(beside: Console) -> None:
    """Where the starter does not do its work, the search for a spark has not begun."""
    turns = ask.yes_no(
        "Does the starter turn the engine over at its usual speed?", True,
        "A slow or dead starter, or a battery that breaks down, starts no engine, and can take "
        "the spark away with it.",
    )  # fmt: skip
    if not turns:
        beside.print(
            "Battery, cables, grounds and starter come first: `sparkwitness check supply` watches "
            "the supply while you crank. Search for the spark when it turns over."
        )
        sys.exit(codes.NOTHING)


def _ask_kinds(kinds: dict[str, str]) -> None:
    """Ask for the kinds of ignition that are not given, only where there is a choice."""
    known = ff.model()["kinds"]
    for kind in ff.KINDS:
        if kinds.get("switch") == "points":
            kinds.setdefault("trigger", "points")
            kinds.setdefault("sensor", "none")
            kinds.setdefault("feed", "steady")
        elif kinds.get("switch") == "capacitive":
            kinds.setdefault("feed", "pulsed")
        if kind in kinds:
            continue
        no_points = kind in ("trigger", "sensor") and kinds.get("switch") != "points"
        values = [
            v for v in known[kind]
            if v != "ask" and not (no_points and v in ("points", "none"))
            and not (kind == "distribution" and kinds["switch"] == "points" and v == "plugtop")
        ]  # fmt: skip
        click.echo(known[kind]["ask"])
        for letter, value in zip(fault_text.LETTERS, values, strict=False):
            click.echo(f"  {letter}  {known[kind][value]}")
        choice = click.Choice([*fault_text.LETTERS[: len(values)]], case_sensitive=False)
        picked = ask.question("Which", choice, help=str(known[kind]["ask"]))
        kinds[kind] = values[fault_text.LETTERS.index(picked)]


def _pairs(texts: Sequence[str], what: str) -> dict[str, float]:
    found = {}
    for text in texts:
        name, equals, number = text.partition("=")
        try:
            found[name.strip()] = float(number)
        except ValueError:
            equals = ""
        if not equals:
            raise UserError(f"'{text}' does not fit --{what}; type NAME=NUMBER, such as fuse=20")
    return found


def _prepared(path: Path | None, chain: ff.Chain) -> dict[str, ff.Answer]:
    """Answers from a JSON file."""
    if path is None:
        return {}
    try:
        table = json.loads(small_text(path))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    except (ValueError, RecursionError):
        raise UserError(f"{path} is not JSON; write {{'test': 'answer'}}") from None
    if not isinstance(table, dict):
        raise UserError(f"{path} holds no object; write {{'test': 'answer'}}")
    found = {}
    for name, answer in table.items():
        test = str(name).removesuffix(_AGAIN)
        found[str(name)] = replace(
            answer_of(chain, test, answer), again=str(name).endswith(_AGAIN)
        )  # fmt: skip
    return found


def _looked_again(session: Session, answer: ff.Answer) -> ff.Answer:
    """The answer, as a second look where the search asks for one."""
    choice = ff.next_test(session.chain, session.run.events, session.run.sure)
    again = choice is not None and choice.again and answer.test in [t.id for t in choice.tests]
    return replace(answer, again=again)


def _batch(session: Session, prepared: dict[str, ff.Answer]) -> None:
    """Answer what can be answered: prepared answers, and board tests with a board at hand."""
    shown: set[str] = set()
    while not ff.started(session.run):
        choice = ff.next_test(session.chain, session.run.events, session.run.sure)
        if choice is None:
            return
        more = _AGAIN if choice.again else ""
        live = [t for t in choice.tests if t.by == "board" and t.id + more not in prepared]
        if live and not session.live:
            return
        if any(t.by != "board" and t.id + more not in prepared for t in choice.tests):
            return
        for test in choice.tests:
            if test.id + more in prepared:
                session.add(prepared[test.id + more])
        if live:
            fresh = {c for t in live for c in t.cautions} - shown
            if fresh:
                safety.show(session.beside, *(getattr(safety, c) for c in sorted(fresh)))
                shown |= fresh
            found = measure(session, live)
            if found is None:
                raise UserError("nothing turned while the board listened; crank and try again")
            for answer, words in found:
                session.beside.print(
                    f"{answer.test}: {fault_text.outcome(session.chain, answer)} ({words})"
                )
            session.add(*(replace(answer, again=choice.again) for answer, _ in found))


def _print_state(session: Session, as_json: bool) -> None:
    if as_json:
        told = fault_text.state(session.chain, session.run, session.path)
        printing.answer("findfault", told)
        return
    choice = (
        None if ff.started(session.run)
        else ff.next_test(session.chain, session.run.events, session.run.sure)
    )  # fmt: skip
    if choice is None:
        fault_text.show_finding(session.out, session.chain, session.run)
    else:
        fault_text.show_doubt(session.out, session.chain, session.run)
        session.out.print(fault_text.so_far(session.chain, session.run), style="dim")
        session.out.print(f"\nNext ({fault_text.HAZARDS[choice.hazard]}):", style="bold")
        keys = sorted({c for t in choice.tests for c in t.cautions})
        if keys:
            safety.show(session.out, *(getattr(safety, key) for key in keys))
        if choice.again:
            session.out.print("  Once more, in another way.")
            session.out.print(f"  {fault_text.another_way(session.chain, choice)}")
        for test in choice.tests:
            session.out.print(f"  {test.id}: {test.ask}")
            for letter, outcome in zip(fault_text.LETTERS, test.outcomes, strict=False):
                session.out.print(f"    {letter}  {outcome}")
        name = choice.tests[0].id
        session.out.print(
            f"Go on with: sparkwitness findfault --resume {session.path} --say {name}=a",
            style="dim", soft_wrap=True,
        )  # fmt: skip
