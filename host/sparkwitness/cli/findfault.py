"""`sparkwitness findfault`: guided search for the link that lost the spark."""

import json
import math
import os
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
import platformdirs
from rich.console import Console
from rich.table import Table
from rich.text import Text

from sparkwitness.cli import keeping as keep
from sparkwitness.cli import options, sources, starter
from sparkwitness.decode import wire
from sparkwitness.device import link
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces import text as show
from sparkwitness.fault import cranking
from sparkwitness.fault import model as ff
from sparkwitness.records.logbook import Logbook
from sparkwitness.timing.angle import Reference

NOT_OVER = 3
"""Exit code: the search still has a test to ask, or ended without being sure."""

HAZARDS = ("ignition off", "ignition on, nothing turns", "engine turns", "high voltage in the open")
_LETTERS = "abcdefgh"
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
        if self.path is not None:
            store(self.path, self.run)


@click.command()
@options.source
@click.option("--by-hand", is_flag=True, help="No board: only tests that a person does.")
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
              help="JSON file {test: answer}; used when the search asks for it.")  # fmt: skip
@click.option("--mended", metavar="LINK", help="This link was mended; the engine still does not "
              "start, unless --starts.")  # fmt: skip
@click.option("--starts", is_flag=True, help="With --mended: now it starts.")
@click.option("--resume", type=click.Path(path_type=Path), help="Go on with a stored run.")
@click.option("--store", "store_at", type=click.Path(path_type=Path),
              help="File for the run. Default: a new one in your data folder.")  # fmt: skip
@click.option("--list", "listing", is_flag=True, help="Show links and tests, and stop.")
@keep.options
@options.yes
@options.as_json
def command(
    port: str | None, simulate: str | None, patience: float, by_hand: bool, listing: bool,
    say: tuple[str, ...], answers: Path | None, mended: str | None, starts: bool,
    resume: Path | None, store_at: Path | None, yes: bool, as_json: bool, seconds: float,
    keeping: keep.Keeping, **typed: Any,
) -> None:  # fmt: skip
    """Engine cranks and does not start: find the link that lost the spark.

    Asks for the test that tells most for its effort and risk, first air and fuel, then spark.
    Answer with the letter of what you see, a number where one is asked for, or:
    s skip (cannot test), w why this test, o other tests, u undo, q quit (the run is kept).

    Without a terminal: give answers with --say or --answers; the next test comes out as text or
    --json. Exit code 3: the search is not over, or it ended without being sure.
    """
    out, beside = show.consoles(as_json)
    keeping.book(beside)
    if sum(x is not None for x in (port, simulate)) + by_hand > 1:
        raise UserError("give one of --port, --simulate and --by-hand")
    if starts and mended is None:
        raise UserError("--starts goes with --mended LINK")
    interactive = sys.stdin.isatty() and not as_json and not listing
    run = _begin(resume, typed, interactive, simulate is not None or port is not None, by_hand)
    session = Session(
        run, _pure(run.chain), resume or store_at, out, beside, port, simulate, patience, seconds,
        live=simulate is not None or port is not None,
    )  # fmt: skip
    if listing:
        _list(session)
        return
    if session.path is None:
        session.path = default_path(run.started)
    if resume is None and session.path.exists():
        raise UserError(f"{session.path} is there already; go on with --resume {session.path}")
    session.save()
    for text in say:
        name, _, answer = text.partition("=")
        session.add(_answer(session.chain, name.strip(), answer.strip()))
    if mended is not None:
        session.add(_repair(session, mended, starts))
    prepared = _prepared(answers, session.chain)
    if interactive:
        _talk(session, prepared, yes)
    else:
        _batch(session, prepared)
        _print_state(session, as_json)
    over = ff.next_test(session.chain, session.run.events, session.run.sure) is None
    chances = _chances(session)
    if over or _started(session.run):
        _keep(session, keeping, simulate)
    if not (_started(session.run) or (over and chances.max() >= session.run.sure)):
        sys.exit(NOT_OVER)


def _keep(session: Session, keeping: keep.Keeping, simulate: str | None) -> None:
    """A search that has ended goes into the logbook."""
    told = state(session)
    found = told["finding"]
    headline = f"{found['name']}, probability {found['probability']:.0%}"
    if told["starts"]:
        headline = f"starts again; last found: {headline}"
    source = f"simulated: {simulate}" if simulate else "board" if session.live else "by hand"
    run = keeping.keep(session.beside, Logbook.keep, "faultfind", headline, told, source=source)
    if run is not None:
        session.beside.print(keep.kept(run), style="dim")


# --- beginning -------------------------------------------------------------------------------


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
        board = click.confirm("Will the board be connected for live tests?", default=False)
    started = datetime.now(UTC).isoformat(timespec="seconds")
    return ff.Run(
        _pure(ff.variant_of, **kinds), board, (), odds, minutes,
        ff.SURE if sure is None else sure, ff.SECOND_FAULT if second is None else second,
        started, engine,
    )  # fmt: skip


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
        for letter, value in zip(_LETTERS, values, strict=False):
            click.echo(f"  {letter}  {known[kind][value]}")
        choice = click.Choice([*_LETTERS[: len(values)]], case_sensitive=False)
        picked = click.prompt("Which", type=choice, show_choices=False)
        kinds[kind] = values[_LETTERS.index(picked)]


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
        table = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    except (ValueError, RecursionError):
        raise UserError(f"{path} is not JSON; write {{'test': 'answer'}}") from None
    if not isinstance(table, dict):
        raise UserError(f"{path} holds no object; write {{'test': 'answer'}}")
    return {str(name): _answer(chain, str(name), answer) for name, answer in table.items()}


def _answer(chain: ff.Chain, name: str, said: Any, how: str = "typed") -> ff.Answer:
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
    if len(text) == 1 and text.lower() in _LETTERS[: len(test.outcomes)]:
        return ff.Answer(name, _LETTERS.index(text.lower()), how=how, time=now)
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
            return ff.Answer(name, _pure(test.outcome_of, reading), reading, how, now)
    known = "; ".join(f"{x} {o}" for x, o in zip(_LETTERS, test.outcomes, strict=False))
    number = f", a number in {test.unit}" if test.unit else ""
    raise UserError(f"'{said}' is no answer to {name}: type {known}{number}; or skip")


def _repair(session: Session, name: str, starts: bool) -> ff.Repair:
    if name not in session.chain.index:
        names = ", ".join(session.chain.index)
        raise UserError(f"this ignition has no link '{name}'; it has {names}")
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return ff.Repair(name, starts, now)


# --- stored runs -----------------------------------------------------------------------------


def default_path(started: str) -> Path:
    """A file of its own in the user's data folder."""
    folder = Path(platformdirs.user_data_dir("sparkwitness")) / "findfault"
    name = started.replace(":", "").removesuffix("+0000")
    path, n = folder / f"{name}.json", 1
    while path.exists():
        n += 1
        path = folder / f"{name}-{n}.json"
    return path


def store(path: Path, run: ff.Run) -> None:
    """Write a run so that a crash leaves the old file or the new one, never half of one.

    Raises:
        UserError: the file cannot be written.
    """
    text = json.dumps(ff.run_to_dict(run), indent=1, ensure_ascii=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UserError(f"cannot store the run in {path}: {error.strerror}") from None


def load(path: Path) -> ff.Run:
    """Read a stored run.

    Raises:
        UserError: it cannot be read, or is no such run; the file is left as it is.
    """
    try:
        return ff.run_from_dict(json.loads(path.read_text("utf-8")))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        broken = isinstance(error, (json.JSONDecodeError, RecursionError))
        why = "it is not JSON" if broken else str(error)
        if isinstance(error, UnicodeDecodeError):
            why = "it is not text"
        raise UserError(f"{path} cannot be resumed: {why}") from None


# --- live tests ------------------------------------------------------------------------------


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
        known["cylinders"] = click.prompt("Cylinders", type=click.IntRange(1, 16), default=4)
        wheel = "What marks the crank (pulse, 36-1, cam …; Enter: not known)"
        while kind := click.prompt(wheel, default="", show_default=False).strip():
            try:
                Reference.parse(kind, 0.0, 0.0)
            except UserError as error:
                session.out.print(error.message)
                continue
            known["reference"] = kind
            break
        session.run = replace(session.run, engine=known)
    reference: Reference | None = None
    if "reference" in known:
        reference = Reference.parse(known["reference"], 0.0, 0.0)
    elif source.setup is not None:
        typed = source.setup["reference"]
        reference = Reference(typed["teeth"], typed["missing"], typed["turns"])
    wasted = session.run.variant.distribution == "leads" and known["cylinders"] > 1
    return cranking.Engine(known["cylinders"], int(known.get("strokes", 4)), reference, wasted)


def _measure(session: Session, tests: Sequence[ff.Test]) -> list[tuple[ff.Answer, str]] | None:
    """One crank: an answer to each board test with the words for it; None if nothing turned."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    with sources.board(session.simulate, session.port) as source:
        engine, leads = _engine(session, source), _leads(session, source)
        tap = "trigger_edges" if source.simulated is not None else None
        heard = starter.listen(
            source.port, session.patience, session.seconds, session.beside, engine.reference
        )
    if cranking.turning(heard) is None:
        return None
    if heard.rpm is not None and heard.rpm > cranking.FASTEST_RPM:
        raise UserError(
            f"the crank turned at {heard.rpm:.0f} rpm: the engine runs, so there is nothing to "
            "find here; use sparkwitness measure"
        )
    found: list[tuple[ff.Answer, str]] = []
    one_coil = session.run.variant.distribution == "distributor"
    for test in tests:
        judged: cranking.Heard | None = None
        name, reading, why, leads_input = test.id, None, "not connected", ""
        if test.input == "supply":
            fall = cranking.supply_fall(heard)
            if fall is not None:
                reading = round(fall.turning, 2)
                within = cranking.SUPPLY_RELATIVE * fall.turning
                outcome, why = test.outcome_of(reading), show.plus_minus(reading, within, " V")
                found.append((ff.Answer(name, outcome, reading, "board", now), why))
                continue
            why = "the board does not measure the supply"
        elif test.input == "crank":
            judged = cranking.judge_crank(heard, engine)
        elif test.input == "trigger":
            if tap in (None, name):
                judged = cranking.judge_firings(
                    heard, engine, "trigger", "coil" if one_coil else "plug"
                )
        else:
            lead = "coil" if name == "clamp_coil_lead" else "plug"
            inputs = [i for i, on in leads.items() if on == lead]
            if inputs:
                leads_input, why = inputs[0], "it did not turn for long enough"
                judged = cranking.judge_firings(heard, engine, inputs[0], lead)
        channel = leads_input or test.input
        if judged is not None and channel in wire.INPUTS:
            i = wire.INPUTS.index(channel)
            if heard.loss.edges_lost[i] or heard.loss.board_stalls[i]:
                judged, why = None, "edges were lost on the way: crank again"
        if judged is None:
            found.append((ff.Answer(name, None, None, "board", now), why))
        else:
            found.append((ff.Answer(name, judged.outcome, None, "board", now), judged.sentence))
    lost = heard.loss.any()
    session.beside.print(("! " if lost else "") + f"lost: {show.loss(heard.loss)}", style="dim")
    return found


# --- without a terminal ----------------------------------------------------------------------


def _batch(session: Session, prepared: dict[str, ff.Answer]) -> None:
    """Answer what can be answered: prepared answers, and board tests with a board at hand."""
    shown: set[str] = set()
    while not _started(session.run):
        choice = ff.next_test(session.chain, session.run.events, session.run.sure)
        if choice is None:
            return
        live = [t for t in choice.tests if t.by == "board" and t.id not in prepared]
        if choice.again or (live and not session.live):
            return
        if any(t.by != "board" and t.id not in prepared for t in choice.tests):
            return
        for test in choice.tests:
            if test.id in prepared:
                session.add(prepared[test.id])
        if live:
            fresh = {c for t in live for c in t.cautions} - shown
            if fresh:
                safety.show(session.beside, *(getattr(safety, c) for c in sorted(fresh)))
                shown |= fresh
            found = _measure(session, live)
            if found is None:
                raise UserError("nothing turned while the board listened; crank and try again")
            for answer, words in found:
                session.beside.print(f"{answer.test}: {_outcome(session, answer)} ({words})")
            session.add(*(answer for answer, _ in found))


def state(session: Session) -> dict[str, Any]:
    """Run, next test and finding as plain values for JSON."""
    run, chain = session.run, session.chain
    choice = None if _started(run) else ff.next_test(chain, run.events, run.sure)
    result = ff.finding(chain, run.events)
    doubt = result.contradiction
    following = None
    if choice is not None:
        following = {
            "again": choice.again, "minutes": choice.minutes,
            "expected_bits": None if math.isnan(choice.bits) else choice.bits,
            "tests": [
                {"test": t.id, "ask": t.ask, "by": t.by, "hazard": HAZARDS[t.hazard],
                 "cautions": [getattr(safety, c) for c in t.cautions],
                 "outcomes": list(t.outcomes), "unit": t.unit or None}
                for t in choice.tests
            ],
        }  # fmt: skip
    return {
        "file": str(session.path) if session.path else None,
        "over": choice is None,
        "starts": _started(run),
        "next": following,
        "finding": {
            "link": result.link.id, "name": result.link.name, "probability": result.chance,
            "probability_low": result.low, "probability_high": result.high,
            "interval": "5 to 95 % over other odds to start from and less careful testers",
            "named_alike": result.agree, "sure": result.chance >= run.sure,
            "with_even_odds": {"link": result.evens[0].id, "probability": result.evens[1]},
            "two_links": result.two,
            "others": [{"link": x.id, "probability": p} for x, p in result.others],
            "why": [
                {"test": r.event.test, "answer": _outcome(session, r.event), "bits": r.bits}
                for r in result.reasons if isinstance(r.event, ff.Answer)
            ],
            "confirm": result.link.confirm,
            "confirming_test": result.confirm.id if result.confirm else None,
            "repair": result.link.repair,
            "then": "sparkwitness measure: a changed part changes the timing",
        },
        "contradiction": None if doubt is None else {
            "chance": doubt.chance, "chance_alone": doubt.alone, "check": list(doubt.suspects),
            "two_links": doubt.two,
        },
        "run": ff.run_to_dict(run),
    }  # fmt: skip


def _print_state(session: Session, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(state(session), indent=1, ensure_ascii=False))
        return
    choice = (
        None if _started(session.run)
        else ff.next_test(session.chain, session.run.events, session.run.sure)
    )  # fmt: skip
    if choice is None:
        _show_finding(session)
    else:
        _doubt(session)
        _so_far(session)
        session.out.print(f"\nNext ({HAZARDS[choice.hazard]}):", style="bold")
        keys = sorted({c for t in choice.tests for c in t.cautions})
        if keys:
            safety.show(session.out, *(getattr(safety, key) for key in keys))
        for test in choice.tests:
            session.out.print(f"  {test.id}: {test.ask}")
            for letter, outcome in zip(_LETTERS, test.outcomes, strict=False):
                session.out.print(f"    {letter}  {outcome}")
        name = choice.tests[0].id
        session.out.print(
            f"Go on with: sparkwitness findfault --resume {session.path} --say {name}=a",
            style="dim", soft_wrap=True,
        )  # fmt: skip


# --- with a person ---------------------------------------------------------------------------


def _talk(session: Session, prepared: dict[str, ff.Answer], yes: bool) -> None:
    """Ask, answer, until named and mended, or stopped."""
    out, shown = session.out, set[str]()
    out.print(f"The run is kept in {session.path}", style="dim", soft_wrap=True)
    picked: ff.Choice | None = None
    try:
        while not _started(session.run):
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
            _show_choice(session, choice, len(_asks(run)) + 1, shown, yes)
            if choice.tests[0].by == "board" and not choice.again:
                picked = _ask_board(session, choice)
            else:
                picked = _ask(session, choice)
            if picked is None:
                _doubt(session)
                _so_far(session)
        if _started(session.run):
            _farewell(session)
    except (click.Abort, EOFError, KeyboardInterrupt, _Quit):
        out.print(f"\nKept. Go on with: sparkwitness findfault --resume {session.path}",
                  soft_wrap=True)  # fmt: skip


class _Quit(Exception):
    """The person wants to stop; the run is kept."""


def _show_choice(
    session: Session, choice: ff.Choice, number: int, shown: set[str], yes: bool
) -> None:
    out, tests = session.out, choice.tests
    hazard = HAZARDS[choice.hazard]
    again = "once more, to be sure  ·  " if choice.again else ""
    out.print()
    work = session.chain.work(tests, ff.paid_setups(session.chain, session.run.events))
    takes = f"about {work:.0f} min" if work >= 1 else "a moment"
    out.rule(f"{number}  ·  {again}{hazard}  ·  {takes}", align="left")
    keys = sorted({c for t in tests for c in t.cautions})
    fresh = [c for c in keys if c not in shown]
    if fresh and not yes:
        safety.show(out, *(getattr(safety, c) for c in fresh))
        shown.update(fresh)
    elif keys:
        words = ", ".join(k.lower().replace("_", " ") for k in keys)
        out.print(f"Cautions as shown before: {words}.", style="dim")
    paid = ff.paid_setups(session.chain, session.run.events)
    todo = dict.fromkeys(s for t in tests for s in t.setups if s not in paid)
    for i, name in enumerate(todo):
        out.print(f"{'Then' if i else 'First'}: {ff.model()['setups'][name]['do']}.")


def _ask(session: Session, choice: ff.Choice) -> ff.Choice | None:
    """Ask a person's test; an answer is stored. Returns another choice if that was picked."""
    test, out = choice.tests[0], session.out
    out.print(Text(test.ask, style="bold"))
    for letter, outcome in zip(_LETTERS, test.outcomes, strict=False):
        out.print(f"  {letter}  {outcome}")
    kinds = f"{_LETTERS[0]}-{_LETTERS[len(test.outcomes) - 1]}"
    unit = f", a number in {test.unit}" if test.unit else ""
    hint = f"{kinds}{unit}, s skip, w why, o other, u undo, q quit"
    while True:
        text = click.prompt(hint, prompt_suffix=": ").strip()
        done, other = _commanded(session, choice, text)
        if done:
            return other
        if other is not None:
            continue
        try:
            answer = _answer(session.chain, test.id, text)
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
        text = click.prompt(hint, default="", show_default=False, prompt_suffix=": ").strip()
        done, other = _commanded(session, choice, text)
        if done:
            return other
        if other is not None:
            continue
        words = text.replace(",", " ").split()
        if text.lower() == "t":
            for test in tests:
                _ask(session, ff.Choice((test,), choice.bits, choice.minutes))
            return None
        if not all(w.isdecimal() and 1 <= int(w) <= len(tests) for w in words):
            out.print(f"type numbers from 1 to {len(tests)}, or just Enter")
            continue
        off = {int(w) - 1 for w in words}
        wanted = [t for i, t in enumerate(tests) if i not in off]
        skipped = [_answer(session.chain, t.id, None) for i, t in enumerate(tests) if i in off]
        if not wanted:
            session.add(*skipped)
            return None
        if session.simulate is None:
            out.print("Crank for five seconds as soon as it says so.", style="bold")
        try:
            found = _measure(session, wanted)
        except UserError as error:
            out.print(f"{error.message}.")
            continue
        if found is None:
            out.print("Nothing turned: no crank pulse, and the supply did not fall. Try again.")
            continue
        for answer, words_for in found:
            out.print(f"  {session.chain.tests[answer.test].ask}")
            out.print(f"    [bold]{_outcome(session, answer)}[/]  ({words_for})")
        if click.confirm("Take these answers?", default=True):
            session.add(*(answer for answer, _ in found), *skipped)
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
        _why(session, choice)
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


def _why(session: Session, choice: ff.Choice) -> None:
    chances = _chances(session)
    names = {
        link_id for t in choice.tests for link_id in t.bad if link_id in session.chain.index
    }  # fmt: skip
    ranked = sorted(names, key=lambda x: -chances[session.chain.index[x]])[:4]
    seen = ", ".join(f"{x} ({chances[session.chain.index[x]]:.0%})" for x in ranked)
    session.out.print(f"It can show whether one of these is bad: {seen}.")
    if math.isnan(choice.bits):
        session.out.print("Your answer to it does not go with the others, so look once more.")
    else:
        safer = any(
            c.hazard < choice.hazard and c.bits >= choice.bits
            for c in ff.choices(session.chain, session.run.events)
        )
        words = "a safer test would tell as much" if safer else "no safer test tells as much"
        session.out.print(
            f"It should tell {choice.bits:.2f} of the {_left_bits(session):.2f} bits still open; "
            f"{words}."
        )


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
        table.add_row(f"{i}", t.id, f"{c.bits:.2f}", f"{c.minutes:.0f}", HAZARDS[t.hazard])
    session.out.print(table)
    last = len(found)
    picked: int = click.prompt("Number, 0 to go back", type=click.IntRange(0, last), default=0)
    return found[picked - 1] if picked else None


def _after_finding(session: Session) -> ff.Choice | bool | None:
    """Show the result; then confirm, mend, test more or stop. None: stop."""
    _show_finding(session)
    result = ff.finding(session.chain, session.run.events, draws=2)
    can = "c confirming test, " if result.confirm else ""
    while True:
        text = click.prompt(f"{can}m mended, o other test, u undo, q quit", prompt_suffix=": ")
        word = text.strip().lower()
        if word == "c" and result.confirm is not None:
            cost = session.chain.cost((result.confirm,))
            return ff.Choice((result.confirm,), 0.0, cost)
        if word in ("m", "mended"):
            names = click.Choice(list(session.chain.index))
            name = click.prompt("Which link", type=names, default=result.link.id,
                                show_choices=False)  # fmt: skip
            starts = click.confirm("Does the engine start now?")
            session.add(_repair(session, name, starts))
            return True
        if word in ("o", "other"):
            other = _other(session)
            if other is not None:
                return other
        elif word in ("u", "undo", "q", "quit") and session.run.events:
            _commanded(session, None, word)
            return True
        else:
            session.out.print("Type one of the letters.")


# --- words -----------------------------------------------------------------------------------


def _show_finding(session: Session) -> None:
    out, run = session.out, session.run
    result = ff.finding(session.chain, run.events)
    out.print()
    sure = result.chance >= run.sure
    head = "Most likely" if sure else "Not sure, and no test left tells enough. Most likely"
    out.print(Text(f"{head}: {result.link.name}", style="bold"))
    rows = Table.grid(padding=(0, 3))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column()
    rows.add_row(
        "probability",
        f"{result.chance:.0%} ({result.low:.0%} to {result.high:.0%} with other odds to start "
        f"from and a less careful tester; {result.agree:.0%} of those name the same link)",
    )
    even, chance = result.evens
    rows.add_row(
        "", "with all links equally likely at the start: "
        + (f"the same link, {chance:.0%}" if even.id == result.link.id
           else f"{even.name}, {chance:.0%}: your experience decides"),
    )  # fmt: skip
    words = [
        f"{_title(session, r.event.test)}: {_outcome(session, r.event)} ({_weight(r.bits)})"
        for r in result.reasons[:4]
        if isinstance(r.event, ff.Answer) and abs(r.bits) >= 0.3
    ]
    rows.add_row("why", "\n".join(words) or "only the odds to start from speak for it")
    if result.others:
        rest = ", ".join(f"{x.name} {p:.0%}" for x, p in result.others[:3])
        rows.add_row("else", rest)
    if result.two > 0.15:
        rows.add_row("two faults", f"{result.two:.0%}: two links may be bad at once")
    rows.add_row("confirm first", result.link.confirm)
    rows.add_row("then", result.link.repair)
    rows.add_row("at last", "sparkwitness measure: a changed part changes the timing")
    out.print(rows)
    _doubt(session)
    out.print(safety.DEFER, style="dim")


def _doubt(session: Session) -> None:
    doubt = ff.contradiction(session.chain, session.run.events)
    if doubt is None:
        return
    names = " or ".join(_title(session, x) for x in doubt.suspects)
    session.out.print(
        f"! The answers do not go together: one of them had a chance of {doubt.chance:.1%} given "
        f"the others ({doubt.alone:.0%} on its own). Look again at: {names}; or two links are bad "
        f"({doubt.two:.0%}).",
        style="bold",
    )


def _so_far(session: Session) -> None:
    chances = _chances(session)
    order = chances.argsort()[::-1][:4]
    links = session.chain.links
    parts = [f"{links[i].id} {chances[i]:.0%}" for i in order if chances[i] >= 0.01]
    session.out.print("Now: " + ", ".join(parts), style="dim")


def _farewell(session: Session) -> None:
    last = session.run.events[-1]
    mended = last.link if isinstance(last, ff.Repair) else ""
    session.out.print(
        f"\n{mended} mended, the engine starts. Now check the timing: sparkwitness measure. A "
        "changed part changes it, and the setting that was right before may not be now."
    )


def _weight(bits: float) -> str:
    side = "for it" if bits > 0 else "against it"
    size = abs(bits)
    how = "strongly " if size >= 3 else "" if size >= 1 else "weakly "
    return f"{how}{side}"


def _title(session: Session, test: str) -> str:
    """Short name of a test."""
    return test.replace("_", " ")


def _outcome(session: Session, event: ff.Event) -> str:
    if not isinstance(event, ff.Answer):
        return f"mended, {'starts' if event.starts else 'does not start'}"
    if event.outcome is None:
        return "cannot be tested"
    text = session.chain.tests[event.test].outcomes[event.outcome]
    unit = session.chain.tests[event.test].unit
    return text if event.reading is None else f"{event.reading:g} {unit}, {text}"


def _chances(session: Session) -> Any:
    run, chain = session.run, session.chain
    return ff.link_chances(chain, ff.belief(chain, run.events), ff.mended_by(run.events))


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


def _left_bits(session: Session) -> float:
    p = ff.belief(session.chain, session.run.events)
    return float(-(p[p > 0] * [math.log2(x) for x in p[p > 0]]).sum())


def _started(run: ff.Run) -> bool:
    return any(isinstance(e, ff.Repair) and e.starts for e in run.events)


def _list(session: Session) -> None:
    out = session.out
    links = Table(box=None, header_style="dim")
    for head in ("link", "odds", ""):
        links.add_column(head)
    for x in session.chain.links:
        links.add_row(x.id, f"{x.odds:g}", x.name)
    tests = Table(box=None, header_style="dim")
    for head in ("test", "by", "min", "hazard", "answers"):
        tests.add_column(head)
    for t in session.chain.tests.values():
        answers = "; ".join(f"{x} {o}" for x, o in zip(_LETTERS, t.outcomes, strict=False))
        tests.add_row(t.id, t.by, f"{t.minutes:g}", HAZARDS[t.hazard], answers)
    out.print(links)
    out.print()
    out.print(tests)
    inputs = ", ".join(wire.INPUTS)
    out.print(f"Odds are relative and from common practice; the board's inputs: {inputs}.",
              style="dim")  # fmt: skip


def _pure(work: Any, *args: Any, **kwargs: Any) -> Any:
    """Call a pure function; its ValueError is a sentence for the user."""
    try:
        return work(*args, **kwargs)
    except ValueError as error:
        raise UserError(str(error)) from None
