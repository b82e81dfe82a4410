"""The search for the lost spark in words."""

import math
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

from sparkwitness.decode import wire
from sparkwitness.faces import safety
from sparkwitness.faces.console import Console
from sparkwitness.fault import model as ff

LETTERS = "abcdefgh"
ENDS = {
    "link": "one link, with the deciding answer looked at twice",
    "likely": "one link is the most likely, and it is not sure",
    "nothing": "nothing found: no test shows a fault",
    "unlisted": "not in the list: the signals are wrong, and no listed part is bad",
    "fleeting": "it comes and goes: the answers differ from one look to the next",
}
_THEN = {
    "nothing": "Check the firing order, compression and fuel; try to start it again. If it does "
    "not start, the fault may come and go: leave the board connected, crank until it fails, and "
    "look at which signal is missing then.",
    "unlisted": "Disconnect what hangs on the line that is dead (rev counter, alarm, cut-out, "
    "suppressor) one by one and look again; while cranking, measure what only lives then; check "
    "firing order and whether the starter disturbs the signals. Buy no part for this.",
    "fleeting": "Leave the board connected (sparkwitness live) while it runs or cranks; warm the "
    "suspected part, cool it, wriggle its wires and plugs: the signal that drops first is the one "
    "before the fault. Buy no part before it has been seen to fail.",
}
"""What to do when the search does not end with a link."""

HAZARDS = ("ignition off", "ignition on, nothing turns", "engine turns", "high voltage in the open")


def state(chain: ff.Chain, run: ff.Run, path: Path | None) -> dict[str, Any]:
    """Run, next test and finding as plain values for JSON."""
    choice = None if ff.started(run) else ff.next_test(chain, run.events, run.sure)
    result = ff.finding(chain, run.events)
    ends = ff.result(chain, run.events, run.sure)
    conflict = result.contradiction
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
        "file": str(path) if path else None,
        "over": choice is None,
        "starts": ff.started(run),
        "next": following,
        "finding": {
            "link": result.link.id, "name": result.link.name, "probability": result.chance,
            "probability_low": result.low, "probability_high": result.high,
            "interval": "5 to 95 % over other odds to start from and less careful testers",
            "named_alike": result.agree, "sure": ends.sure,
            "result": ends.kind, "result_probability": ends.chance,
            "result_in_words": ENDS[ends.kind],
            "with_even_odds": {"link": result.evens[0].id, "probability": result.evens[1]},
            "two_links": result.two,
            "others": [{"link": x.id, "probability": p} for x, p in result.others],
            "why": [
                {"test": r.event.test, "answer": outcome(chain, r.event), "bits": r.bits}
                for r in result.reasons if isinstance(r.event, ff.Answer)
            ],
            "not_tested": [x.id for x in result.untested],
            "could_not_be_done": skipped(run),
            "confirm": result.link.confirm,
            "confirming_test": result.confirm.id if result.confirm else None,
            "repair": result.link.repair,
            "then": "sparkwitness measure: a changed part changes the timing",
        },
        "contradiction": None if conflict is None else {
            "an_answer_wrong": conflict.slip, "check": list(conflict.suspects),
            "each_wrong": list(conflict.slips), "two_links": conflict.two,
        },
        "run": ff.run_to_dict(run),
    }  # fmt: skip


def show_choice(
    out: Console,
    chain: ff.Chain,
    run: ff.Run,
    choice: ff.Choice,
    number: int,
    shown: set[str],
    yes: bool,
) -> None:
    """Head of a question: hazard, time, cautions not shown yet, what to connect first."""
    tests = choice.tests
    hazard = HAZARDS[choice.hazard]
    again = "once more, in another way  ·  " if choice.again else ""
    out.print()
    work = chain.work(tests, ff.paid_setups(chain, run.events))
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
    paid = ff.paid_setups(chain, run.events)
    todo = dict.fromkeys(s for t in tests for s in t.setups if s not in paid)
    for i, name in enumerate(todo):
        out.print(f"{'Then' if i else 'First'}: {ff.model()['setups'][name]['do']}.")
    if choice.again:
        out.print(another_way(chain, choice))


def another_way(chain: ff.Chain, choice: ff.Choice) -> str:
    """How to look a second time, so that the first mistake is not made again."""
    test = choice.tests[0]
    others = [chain.tests[x].ask for x in test.same if x in chain.tests]
    if others:
        return f"By other means, if you can: {others[0]}"
    how = {
        "board": "Clip it on anew, on another lead or terminal where there is one.",
        "person": "Another meter, range, light or pair of eyes; read the question and the manual's "
        "line again before you look.",
    }
    return how[test.by]


def why(chain: ff.Chain, run: ff.Run, choice: ff.Choice) -> str:
    """What a test can show."""
    chances = ff.chances(chain, run)
    names = {
        link_id for t in choice.tests for link_id in t.bad if link_id in chain.index
    }  # fmt: skip
    ranked = sorted(names, key=lambda x: -chances[chain.index[x]])[:4]
    seen = ", ".join(f"{x} ({chances[chain.index[x]]:.0%})" for x in ranked)
    text = f"It can show whether one of these is bad: {seen}."
    if math.isnan(choice.bits):
        return f"{text}\nMuch rests on your answer to it, and answers can be wrong: look again."
    safer = any(
        c.hazard < choice.hazard and c.bits >= choice.bits for c in ff.choices(chain, run.events)
    )
    words = "a safer test would tell as much" if safer else "no safer test tells as much"
    return (
        f"{text}\nIt should tell {choice.bits:.2f} of the {ff.open_bits(chain, run):.2f} bits "
        f"still open; {words}."
    )


def show_finding(out: Console, chain: ff.Chain, run: ff.Run) -> None:
    """The link found, how surely, why, and what to do."""
    result = ff.finding(chain, run.events)
    out.print()
    ends = ff.result(chain, run.events, run.sure)
    if ends.kind in _THEN:
        out.print(Text(f"{ENDS[ends.kind].capitalize()} ({ends.chance:.0%}).", style="bold"))
        out.print(_THEN[ends.kind])
    head = "Found" if ends.sure else "Not sure. Of the links, the most likely"
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
        f"{title(r.event.test)}: {outcome(chain, r.event)} ({_weight(r.bits)})"
        for r in result.reasons[:4]
        if isinstance(r.event, ff.Answer) and abs(r.bits) >= 0.3
    ]
    rows.add_row("why", "\n".join(words) or "only the odds to start from speak for it")
    if result.others:
        rest = ", ".join(f"{x.name} {p:.0%}" for x, p in result.others[:3])
        rows.add_row("else", rest)
    if result.two > 0.15:
        rows.add_row("two faults", f"{result.two:.0%}: two links may be bad at once")
    if result.untested:
        names = ", ".join(x.id for x in result.untested)
        rows.add_row("not tested", f"{names}: no answer says yet whether they are good")
    if cannot := skipped(run):
        rows.add_row("not done", ", ".join(title(x) for x in cannot))
    if result.confirm is not None:
        clears = f"{title(result.confirm.id)}: {result.confirm.ask}"
        rows.add_row("would clear it", clears)
    if ends.kind not in _THEN:
        rows.add_row("before you buy", result.link.confirm)
        rows.add_row("then", result.link.repair)
    rows.add_row("at last", "sparkwitness measure: a changed part changes the timing")
    out.print(rows)
    show_doubt(out, chain, run)
    out.print(safety.DEFER, style="dim")


def show_doubt(out: Console, chain: ff.Chain, run: ff.Run) -> None:
    """That the answers do not go together, if so."""
    doubt = ff.contradiction(chain, run.events)
    if doubt is None:
        return
    names = " or ".join(title(x) for x in doubt.suspects)
    out.print(
        f"! The answers do not go together: with {doubt.slip:.0%} at least one was taken wrong. "
        f"Look again at: {names}; or two links are bad ({doubt.two:.0%}).",
        style="bold",
    )


def skipped(run: ff.Run) -> list[str]:
    """Tests that could not be done, in the order in which they were asked."""
    last = {e.test: e.outcome for e in run.events if isinstance(e, ff.Answer)}
    return [test for test, outcome in last.items() if outcome is None]


def so_far(chain: ff.Chain, run: ff.Run) -> str:
    """What is likely now: the likeliest links, and what is no link of the list."""
    chances = ff.chances(chain, run)[: chain.listed]
    order = chances.argsort()[::-1][:4]
    parts = [(chain.links[i].id, float(chances[i])) for i in order]
    nothing, unlisted, _ = ff.no_link(chain, ff.belief(chain, run.events))
    parts += [("not in the list", unlisted), ("nothing found", nothing)]
    return "Now: " + ", ".join(f"{what} {chance:.0%}" for what, chance in parts if chance >= 0.01)


def farewell(run: ff.Run) -> str:
    """What to do once it starts."""
    last = run.events[-1]
    mended = last.link if isinstance(last, ff.Repair) else ""
    return (
        f"\n{mended} mended, the engine starts. Now check the timing: sparkwitness measure. A "
        "changed part changes it, and the setting that was right before may not be now. An idle "
        "speed that rose by itself is a sign of advanced timing. `sparkwitness case` keeps it all."
    )


def _weight(bits: float) -> str:
    side = "for it" if bits > 0 else "against it"
    size = abs(bits)
    how = "strongly " if size >= 3 else "" if size >= 1 else "weakly "
    return f"{how}{side}"


def title(test: str) -> str:
    """Short name of a test."""
    return test.replace("_", " ")


def outcome(chain: ff.Chain, event: ff.Event) -> str:
    """An answer in words."""
    if not isinstance(event, ff.Answer):
        return f"mended, {'starts' if event.starts else 'does not start'}"
    if event.outcome is None:
        return "cannot be tested"
    text = chain.tests[event.test].outcomes[event.outcome]
    unit = chain.tests[event.test].unit
    return text if event.reading is None else f"{event.reading:g} {unit}, {text}"


def show_all(out: Console, chain: ff.Chain) -> None:
    """All links and tests of an ignition."""
    links = Table(box=None, header_style="dim")
    for head in ("link", "odds", ""):
        links.add_column(head)
    for x in chain.links[: chain.listed]:
        links.add_row(x.id, f"{x.odds:g}", x.name)
    tests = Table(box=None, header_style="dim")
    for head in ("test", "by", "min", "hazard", "answers"):
        tests.add_column(head)
    for t in chain.tests.values():
        answers = "; ".join(f"{x} {o}" for x, o in zip(LETTERS, t.outcomes, strict=False))
        tests.add_row(t.id, t.by, f"{t.minutes:g}", HAZARDS[t.hazard], answers)
    out.print(links)
    out.print()
    out.print(tests)
    inputs = ", ".join(wire.INPUTS)
    out.print(f"Odds are relative and from common practice; the board's inputs: {inputs}.",
              style="dim")  # fmt: skip
