"""A case: one repair from the symptom to the proof, as steps in the logbook.

The order of the steps is common practice, no source: does it turn over, fuel and air, spark,
repair, timing, correction, and a last look after the timing is unlocked.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sparkwitness.errors import UserError
from sparkwitness.foreign import one_line
from sparkwitness.records.logbook import Logbook, Run

OUTCOMES = ("yes", "no", "done", "skip")
_MOST_TEXT = 500


@dataclass(frozen=True)
class Step:
    """One step of a case.

    Attributes:
        name: what it is called.
        ask: what to do or to answer.
        outcomes: those that can be given.
        kind: kind of logbook run that it rests on, or None.
        again: what to do where the outcome is no.
        before, after: questions with a yes or a no, each with the words for a yes and for a no,
            asked before the run is made and after it; a no makes the outcome no.
    """

    name: str
    ask: str
    outcomes: tuple[str, ...] = ("yes", "no", "skip")
    kind: str | None = None
    again: str = ""
    before: tuple[tuple[str, str, str], ...] = ()
    after: tuple[tuple[str, str, str], ...] = ()


STEPS = (
    Step(
        "turns", "Does the starter turn the engine over as it should?",
        again="Battery, cables and starter come first: `sparkwitness check supply` looks at them.",
    ),
    Step(
        "fuel", "Does it get fuel and air?",
        again="Mend that first; without fuel and air a good spark starts nothing.",
    ),
    Step(
        "search", "Search for the lost spark: `sparkwitness findfault`.", ("done", "skip"),
        "faultfind",
    ),
    Step(
        "repair", "Mend what was found. Say what was done (note). Does the engine start now?",
        again="Then something else is wrong too: search again.",
    ),
    Step(
        "measure", "Lock the timing and measure: `sparkwitness measure`. A part that was replaced "
        "or moved moves the spark; an idle speed that rose by itself is a sign of advanced timing.",
        ("done", "skip"), "measurement",
    ),
    Step(
        "correct", "Enter the next setting, switch the ignition off and on, measure once more.",
        ("done", "skip"), "measurement",
    ),
    Step(
        "last", "Last look: timing unlocked again, setting kept with the ignition off and on, idle "
        "as it was before? Then measure once more, locked for that alone, and unlock.",
        ("yes", "no", "skip"), "measurement",
        "Put that right first: a lock that was forgotten, or a setting that was not kept.",
        (
            ("Ignition off and on again: does the controller still show the setting?",
             "setting kept", "setting NOT kept"),
            ("Is the idle speed as it was before?", "idle as before", "idle NOT as before"),
        ),
        (("Is the timing unlocked again, after this measurement?", "unlocked", "still LOCKED"),),
    ),
)  # fmt: skip
NAMES = tuple(step.name for step in STEPS)


@dataclass(frozen=True)
class Done:
    """A step that was taken; `run` is the run that it rests on, or None."""

    made: str
    step: str
    outcome: str
    text: str
    run: int | None


@dataclass(frozen=True)
class Case:
    """One case with its steps, oldest first."""

    id: int
    made: str
    symptom: str
    engine: str | None
    steps: tuple[Done, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "id": self.id, "made": self.made, "symptom": self.symptom, "engine": self.engine,
            "steps": [vars(one) for one in self.steps],
        }  # fmt: skip


def next_step(case: Case) -> Step | None:
    """The step to take next; None when the last look was taken or left out."""
    at = 0
    for done in case.steps:
        place = NAMES.index(done.step)
        if done.outcome == "no":
            at = NAMES.index("search") if done.step == "repair" else place
        else:
            at = place + 1
    return STEPS[at] if at < len(STEPS) else None


def left_out(case: Case) -> list[str]:
    """Names of the steps before the next one that were not taken, or were skipped."""
    step = next_step(case)
    end = len(STEPS) if step is None else NAMES.index(step.name)
    taken = {done.step for done in case.steps if done.outcome != "skip"}
    return [name for name in NAMES[:end] if name not in taken]


def why_not_proved(run: Run) -> str | None:
    """Why a measurement does not prove that the spark comes where it is commanded; None: it does.

    It does when its error is no more than its uncertainty and half a step of the setting (common
    practice, no source), the uncertainty met its target, and no finding forbids advice: a wide
    interval holds zero too, and proves nothing.
    """
    result = run.result
    error, expanded = result.get("error_deg"), result.get("error_expanded_deg")
    if error is None or expanded is None:
        return "the last measurement gave no error against a commanded angle"
    told = f"{error:+.2f}° ± {expanded:.2f}°"
    if not result.get("target_met"):
        return f"the error, {told}, is too uncertain"
    if not result.get("advice_allowed"):
        return f"the last measurement has a finding to clear first (`sparkwitness report {run.id}`)"
    gain = (result.get("advice") or {}).get("gain", 0.0)
    half = abs(gain) * (run.setup or {}).get("step", 0.0) / 2
    if abs(error) > expanded + half:
        return f"the error is still {told}"
    return None


def proved(case: Case, runs: dict[int, Run]) -> bool:
    """Whether the last look was taken and its measurement is a proof, see `why_not_proved`."""
    if next_step(case) is not None or case.steps[-1].run is None:
        return False
    return why_not_proved(runs[case.steps[-1].run]) is None


def verdict(case: Case, runs: dict[int, Run]) -> str:
    """What the case has shown so far, in a sentence or two."""
    if next_step(case) is not None:
        return "Open."
    last = case.steps[-1]
    if last.run is None:
        return "Not proved: the last look was left out."
    why = why_not_proved(runs[last.run])
    if why is not None:
        return f"Not proved: {why}. Correct it and take the last look again."
    result = runs[last.run].result
    told = f"{result['error_deg']:+.2f}° ± {result['error_expanded_deg']:.2f}°"
    return f"Proved: the spark comes where it is commanded, error {told}."


def start(book: Logbook, symptom: str, engine: str | None) -> int:
    """Begin a case; its number.

    Raises:
        UserError: no symptom, or the logbook cannot be written.
    """
    text = _checked(symptom)
    if not text:
        raise UserError('say what is wrong, such as "does not start"')
    with book.writing() as db:
        row = db.execute(
            "INSERT INTO cases (made, symptom, engine) VALUES (?,?,?)",
            (_now(), text, engine and one_line(engine)),
        )
        return int(row.lastrowid or 0)


def add(
    book: Logbook, number: int, step: str, outcome: str, text: str = "", run: int | None = None
) -> None:
    """Add a step that was taken.

    Raises:
        UserError: no such case, step or run, or one that does not fit the step.
    """
    case = load(book, number)
    wanted = next((s for s in STEPS if s.name == step), None)
    if wanted is None:
        raise UserError(f"there is no step {step!a}; the steps are {', '.join(NAMES)}")
    if outcome not in wanted.outcomes:
        raise UserError(f"{step} ends with {' or '.join(wanted.outcomes)}, not {outcome!a}")
    if wanted.kind is not None and outcome in ("yes", "done"):
        if run is None:
            raise UserError(f"{step} rests on a {wanted.kind} of the logbook: give --run NUMBER")
        check_run(book, case, wanted, run)
    elif run is not None:
        raise UserError(f"{step} rests on no run: leave --run out")
    with book.writing() as db:
        db.execute(
            "INSERT INTO case_steps (case_id, made, step, outcome, text, run) VALUES (?,?,?,?,?,?)",
            (case.id, _now(), step, outcome, _checked(text), run),
        )


def check_run(book: Logbook, case: Case, step: Step, run: int) -> None:
    """Whether a step of a case may rest on a run.

    Raises:
        UserError: there is no such run, or it does not fit.
    """
    rests = book.run(run)
    if rests.kind != step.kind:
        raise UserError(f"run {run} is a {rests.kind}; {step.name} rests on a {step.kind}")
    if rests.kind == "measurement" and rests.result.get("timing_deg_btdc") is None:
        raise UserError(f"run {run} measured nothing; measure again and give that run")
    before = max((d.run for d in case.steps if d.run is not None), default=0)
    if run <= before:
        raise UserError(f"{step.name} rests on a newer run than {before}, the last one of the case")


def load(book: Logbook, number: int) -> Case:
    """A case by its number.

    Raises:
        UserError: there is none.
    """
    with book.said():
        row = book.db.execute(
            "SELECT id, made, symptom, engine FROM cases WHERE id = ?", (number,)
        ).fetchone()
        if row is None:
            raise UserError(f"there is no case {number}; `sparkwitness case list` shows them")
        steps = book.db.execute(
            "SELECT made, step, outcome, text, run FROM case_steps WHERE case_id = ? ORDER BY id",
            (number,),
        ).fetchall()
    known: Sequence[Done] = [Done(*one) for one in steps if one[1] in NAMES]
    return Case(int(row[0]), row[1], row[2], row[3], tuple(known))


def every(book: Logbook) -> list[Case]:
    """All cases, oldest first."""
    with book.said():
        numbers = book.db.execute("SELECT id FROM cases ORDER BY id").fetchall()
    return [load(book, int(number)) for (number,) in numbers]


def runs_of(book: Logbook, case: Case) -> dict[int, Run]:
    """The runs that a case rests on, by number."""
    return {d.run: book.run(d.run) for d in case.steps if d.run is not None}


def _checked(text: str) -> str:
    text = " ".join(text.split())
    if len(text) > _MOST_TEXT:
        raise UserError(f"that is {len(text)} characters; {_MOST_TEXT} are the most")
    if not text.isprintable():
        raise UserError("the text has characters that cannot be shown")
    return text


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
