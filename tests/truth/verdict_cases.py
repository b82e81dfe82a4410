"""Verdicts on modules, curves and engines of a second hand: each case with what would be wrong.

A case is a function of a seed: one run, or a pair, through the functions that the commands use,
and a `Mark`: whether a verdict was wrong and looked sure, whether it was "cannot tell", and
whether an interval held the truth (None: the case has none).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.bench import evaluate, verdict
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import Result
from sparkwitness.bench.shots import Collector
from sparkwitness.fault import model as ff
from sparkwitness.timing import stats
from sparkwitness.timing.fit import fit_delay
from truth import circuits, courses, people
from truth.modules import Module, Truth, answer, bytes_of, drive

PLAN = {
    "kind": "capacitive", "width_us": 800, "cylinders": 4, "u_clamp_delay_us": 0.5,
    "steps": [1000, 2000, 3000, 4000, 5000, 6000], "seconds": 3, "repeats": 3,
    "ramps": [[600, 6500, 12], [6500, 600, 12]],
    "limits": {"delay_us": {"least": 5, "most": 60}, "drop_out_percent": {"most": 4}},
}  # fmt: skip
GOOD = Module(delay_us=25, jitter_us=1.0)
U = PLAN["u_clamp_delay_us"]


@dataclass(frozen=True)
class Mark:
    """Of one run: `wrong` and sure, `unknown` where the truth could be told, `held` by interval."""

    wrong: bool
    unknown: bool = False
    held: bool | None = None
    said: str = ""


def run(
    module: Module, seed: int, volts: NDArray[np.float64] | None = None, **plan: Any
) -> tuple[Result, Truth]:
    """One bench run; `volts` of the supply in each heartbeat, repeated."""
    made = Plan.from_dict({**PLAN, **plan})
    segments = [(s.kind, s.rpm_from, s.rpm_to, s.seconds) for s in made.segments]
    train = drive(segments, made.pitch_deg, made.width_us * 1e-6, made.fires_at == "end")
    truth = answer(module, train, np.random.default_rng([seed, 77]), volts)
    data = bytes_of(truth, None if volts is None else 1000 * volts)
    collector = Collector(made, [(i, s.seconds) for i, s in enumerate(made.segments)], 24_000)
    collector.feed(data)
    collector.finish()
    return evaluate.evaluate(made, [collector]), truth


def _codes(result: Result) -> set[str]:
    return {f.code for f in result.findings}


def _limits(
    module: Module, bad: bool, code: str = "", blind: bool = False, **plan: Any
) -> Callable[[int], Mark]:
    """Against the limits: outside or within is right; or a finding says what it is.

    Args:
        blind: no stamp can tell, so "cannot tell" is the right answer.
    """

    def case(seed: int) -> Mark:
        result, _ = run(module, seed, **plan)
        told = verdict.against_limits(result)
        assert told is not None
        wrong = told.overall == ("within" if bad else "outside")
        missing = bool(code) and code not in _codes(result)
        unknown = told.overall == "cannot tell" and not blind
        return Mark(wrong or missing, unknown, None, told.overall)

    return case


def _pair(
    a: Module, b: Module, same: bool, other: dict[str, Any] | None = None, **plan: Any
) -> Callable[[int], Mark]:
    """Two runs compared: of one law, or of two; `other`: what is not the same in the second."""

    def case(seed: int) -> Mark:
        one = run(a, 2 * seed, **plan)[0]
        two = run(b, 2 * seed + 1, **{**plan, **(other or {})})[0]
        told = verdict.against_run(one, two, "good")
        wrong = told.overall == ("differs" if same else "same")
        said = ", ".join(f"{c.quantity} {c.where} {c.value}" for c in told.checks
                         if c.verdict == told.overall)  # fmt: skip
        return Mark(wrong, told.overall == "cannot tell" and not same, None, said)

    return case


def _coverage(module: Module, **plan: Any) -> Callable[[int], Mark]:
    """The delay of one speed in turn, against the module's law in the long run."""

    def case(seed: int) -> Mark:
        result, _ = run(module, seed, **plan)
        steps = [p for p in result.points if p.segment.kind == "step"]
        point = steps[seed % len(steps)]
        assert point.delay_us is not None
        law = float(module.law_us(np.array([point.segment.rpm_to]))[0])
        half = point.delay_us.half(0.95)
        return Mark(False, held=abs(point.delay_us.value - law) <= half)

    return case


def _rev_limit_none(module: Module, code: str) -> Callable[[int], Mark]:
    def case(seed: int) -> Mark:
        result, _ = run(module, seed)
        share = result.answered / max(1, result.triggers)
        wrong = result.sweep.rev_limit is not None or code not in _codes(result) or share < 0.95
        return Mark(wrong, said=f"answered {share:.2f}")

    return case


def _delay_read(module: Module) -> Callable[[int], Mark]:
    """Coupling or not: the module's own delay is what is told."""

    def case(seed: int) -> Mark:
        result, _ = run(module, seed)
        point = result.points[seed % 6]
        value = point.delay_us.value if point.delay_us else float("nan")
        return Mark(not abs(value - module.delay_us) < 1.0 or "coupling" not in _codes(result))

    return case


def _switch(width: float) -> Callable[[int], Mark]:
    module = Module(single_rpm=2300, single_width=width)

    def case(seed: int) -> Mark:
        sweep = run(module, seed)[0].sweep
        up, gap = sweep.switch_up, sweep.hysteresis
        if up is None or gap is None:
            return Mark(False, True, False)
        said_sharp = up.width_low == 0 and up.width_high < width
        said_gap = not gap[1] <= 0 <= gap[2]
        return Mark(said_sharp or said_gap, held=up.low <= 2300 <= up.high)

    return case


def _switch_gap(gap: float) -> Callable[[int], Mark]:
    """A hysteresis that is there: held, and seen."""
    module = Module(single_rpm=2300, hysteresis=gap)

    def case(seed: int) -> Mark:
        told = run(module, seed)[0].sweep.hysteresis
        if told is None:
            return Mark(False, True, False)
        return Mark(False, told[1] <= 0 <= told[2], told[1] <= gap <= told[2])

    return case


def _more(note: str, now: int) -> int:
    """Repeats that a note asks for, as a person reads it; 0: it asks for none."""
    if found := re.search(r"--repeats (\d+)", note):
        return int(found[1])
    if found := re.search(r"a run of about (\d+) (s|min) in all \(now (\d+) s\)", note):
        seconds = int(found[1]) * (60 if found[2] == "min" else 1)
        return int(np.ceil(now * seconds / int(found[3])))
    return 0


def _asked(a: Module, b: Module) -> Callable[[int], Mark]:
    """Two laws; where it cannot be told, once more with the repeats that the tool asks for."""

    def case(seed: int) -> Mark:
        repeats, told = 3, None
        for _ in range(2):
            one = run(a, 2 * seed, repeats=repeats)[0]
            two = run(b, 2 * seed + 1, repeats=repeats)[0]
            told = verdict.against_run(one, two, "good")
            asked = max((_more(c.note, repeats) for c in told.checks), default=0)
            if told.overall != "cannot tell" or not asked:
                break
            repeats = min(50, asked)
        assert told is not None
        return Mark(told.overall == "same", told.overall == "cannot tell", None, f"{repeats}")

    return case


def _heat(seed: int) -> Mark:
    """Warms while it is driven: no dependence on speed is sure, and heat is said."""
    result, _ = run(Module(warm_us=8, warm_s=40), seed)
    delay = result.sweep.delay
    assert delay is not None
    return Mark(delay.depends or "heat" not in _codes(result), said=f"{delay.depends}")


def _curve(course: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Callable[[int], Mark]:
    """Errors at bins of speed that are no fixed angle and no delay: no figure to enter."""

    def case(seed: int) -> Mark:
        rng = np.random.default_rng([seed, 5])
        rpm = np.arange(900.0, 4600.0, 250.0) + rng.uniform(-60, 60, 15)
        u = rng.uniform(0.01, 0.05, len(rpm))
        fit = fit_delay(rpm, course(rpm) + u * rng.standard_normal(len(rpm)), u, 0.1, pure=5e3)
        return Mark(fit.told_apart, said=fit.note[:40])

    return case


def _swept(course: courses.Course, lie: bool = False, blind: bool = False) -> Callable[[int], Mark]:
    """The delay of a sweep on an engine.

    Args:
        lie: the course is no delay, none may be told.
        blind: nothing in the sweep can tell the delay: "cannot tell" is right.
    """

    def case(seed: int) -> Mark:
        found = courses.sweep(course, np.random.default_rng([seed, 9]))
        fit = found.fit
        if fit is None or not fit.told_apart:
            return Mark(False, not (lie or blind), None, "" if fit is None else fit.note[:60])
        held = abs(fit.delay_us - found.delay_us) <= fit.u_delay_us
        once = "swept_once" in found.codes
        said = f"{fit.delay_us:.0f} ± {fit.u_delay_us:.0f} for {found.delay_us:.0f}"
        warned = once or "drift" in found.codes
        return Mark(lie or not (held or warned), False, None if once else held, said)

    return case


def _line(seed: int) -> Mark:
    """A fixed angle and a delay, with scatter: told, and covered."""
    rng = np.random.default_rng([seed, 6])
    rpm = np.arange(900.0, 4600.0, 250.0) + rng.uniform(-60, 60, 15)
    u = rng.uniform(0.01, 0.05, len(rpm))
    delay, fixed = rng.uniform(50, 400), rng.uniform(-3, 3)
    error = fixed - 6e-6 * rpm * delay + u * rng.standard_normal(len(rpm))
    fit = fit_delay(rpm, error, u, 0.1, pure=5e3)
    return Mark(False, not fit.told_apart, abs(fit.delay_us - delay) <= fit.u_delay_us)


ONCE: dict[str, Any] = {"repeats": 1}
SHORT: dict[str, Any] = {"repeats": 1, "ramps": [], "seconds": 1}
TWICE: dict[str, Any] = {"ramps": 2 * PLAN["ramps"]}
VOLTS = np.linspace(13.8, 12.2, 400)
BAND = ((4200.0, 4800.0),)

RELATIVES: dict[str, Callable[[int], Mark]] = {
    "dead, couples 8 µs late": _limits(
        Module(dead=True, couple_share=1.0, couple_us=8), True, "no_scatter", True),
    "dead, couples 30 µs late": _limits(
        Module(dead=True, couple_share=1.0, couple_us=30), True, "no_scatter", True),
    "dead, couples with 0.1 µs of noise": _limits(
        Module(dead=True, couple_share=1.0, couple_us=2, couple_ns=100), True),
    "dead, couples with 0.4 µs of noise": _limits(
        Module(dead=True, couple_share=1.0, couple_us=2, couple_ns=400), True),
    "dead, one pulse in 20 couples": _limits(Module(dead=True, couple_share=0.05), True),
    "dead, firing edge alone couples": _limits(
        Module(dead=True, couple_share=1.0, couple_both=False), True),
    "good at 30 µs, couples with 0.1 µs of noise": _delay_read(
        Module(delay_us=30, couple_share=0.7, couple_us=2, couple_ns=100)),
    "delay as long as the pulse": _limits(
        Module(delay_us=50), False, width_us=50),
    "answers after 2.2 ms": _rev_limit_none(Module(delay_us=2200, jitter_us=5), "late"),
    "answers after 9 ms": _rev_limit_none(Module(delay_us=9000, jitter_us=5), "late"),
    "half of the sparks missing at 3300 to 3500": _limits(
        Module(dead_bands=((3300.0, 3500.0),), band_share=0.5), True),
    "half missing at 3300 to 3500 against none": _pair(
        Module(dead_bands=((3300.0, 3500.0),), band_share=0.5), GOOD, False),
    "dead from 3430 to 3490": _limits(Module(dead_bands=((3430.0, 3490.0),)), True),
    "dead from 4200 to 4800 in the one ramp up": _limits(
        Module(dead_bands=BAND, band_up=True), True, "spell", True),
    "dead from 4200 to 4800 in ramps up": _limits(
        Module(dead_bands=BAND, band_up=True), True, "dead_band", **TWICE),
    "dead from 4200 to 4800 in ramps up, against none": _pair(
        Module(dead_bands=BAND, band_up=True), GOOD, False, **TWICE),
    "doubles at 3300 to 3500 against none": _pair(
        Module(double_share=0.5, double_band=(3300.0, 3500.0), double_us=1500), GOOD, False),
    "doubles 2 % against none": _pair(Module(double_share=0.02, double_us=1500), GOOD, False),
    "same law, t of 2.5": _pair(*2 * (Module(jitter_us=1, tails=2.5),), True),
    "same law, t of 3, 6 µs": _pair(*2 * (Module(jitter_us=6, tails=3),), True),
    "same law, wandering over 20": _pair(*2 * (Module(wander_us=5, wander_events=20),), True),
    "same law, wandering over 1000": _pair(*2 * (Module(wander_us=5, wander_events=1000),), True),
    "same law, wandering over 4000": _pair(*2 * (Module(wander_us=5, wander_events=4000),), True),
    "same law, states of 50": _pair(*2 * (Module(state_us=8, state_events=50),), True),
    "same law, states of 1500": _pair(*2 * (Module(state_us=8, state_events=1500),), True),
    "same law, states of 5000": _pair(*2 * (Module(state_us=8, state_events=5000),), True),
    "same law, one jump of 8 µs, early and late": _pair(
        Module(jump_us=8, jump_at=0.35), Module(jump_us=8, jump_at=0.65), True),
    "same law, settles after each change": _pair(*2 * (Module(settle_us=10),), True),
    "same law, supply falls in one of them": _pair(
        *2 * (Module(per_volt=6.0),), True, other={"volts": VOLTS}),
    "same law, supply 1.2 V lower": _pair(
        *2 * (Module(per_volt=6.0),), True, other={"volts": np.array([11.9])}),
    "same law, pulse longer": _pair(
        *2 * (Module(per_width=0.03),), True, other={"width_us": 1200}),
    "warm against cold, 20 s": _pair(
        Module(warm_us=12, warm_s=20), Module(warm_us=12, warm_s=20, age_s=600), True),
    "warm against cold, 400 s": _pair(
        Module(warm_us=12, warm_s=400), Module(warm_us=12, warm_s=400, age_s=2000), True),
    "warm against cold, 1000 s": _pair(
        Module(warm_us=12, warm_s=1000), Module(warm_us=12, warm_s=1000, age_s=9000), True),
    "driven once: same law": _pair(GOOD, GOOD, True, **ONCE),
    "driven once: wandering": _pair(*2 * (Module(wander_us=5),), True, **ONCE),
    "driven once: wandering over 1000": _pair(
        *2 * (Module(wander_us=5, wander_events=1000),), True, **ONCE),
    "driven once: states of 300": _pair(*2 * (Module(state_us=8),), True, **ONCE),
    "driven once: states of 5000": _pair(
        *2 * (Module(state_us=8, state_events=5000),), True, **ONCE),
    "driven once: warm against cold": _pair(
        Module(warm_us=12, warm_s=90), Module(warm_us=12, warm_s=90, age_s=600), True, **ONCE),
    "driven once: spells of 50": _pair(
        *2 * (Module(drop_share=0.02, drop_run=50),), True, **ONCE),
    "one second a speed: states of 300": _pair(*2 * (Module(state_us=8),), True, **SHORT),
    "one second a speed: wandering": _pair(*2 * (Module(wander_us=5),), True, **SHORT),
    "jitter 7 against 1 µs (twice the margin)": _pair(Module(jitter_us=7), GOOD, False),
    "drop-outs 2 % against none (twice)": _pair(Module(drop_share=0.02), GOOD, False),
    "rev limit 6000 against 5800 (twice)": _pair(
        Module(limit_rpm=6000), Module(limit_rpm=5800), False),
    "switch-over 2300 against 2500 (twice)": _pair(
        Module(single_rpm=2300), Module(single_rpm=2500), False),
    "switch-over, hysteresis of 150": _switch_gap(150.0),
    "10 µs slower, wandering sd 5 µs, as long as asked": _asked(
        Module(delay_us=35, wander_us=5), Module(wander_us=5)),
    "drop-outs of 2 % in spells of 5, as long as asked": _asked(
        Module(drop_share=0.02, drop_run=5), GOOD),
    "delay, states of 1500: coverage": _coverage(Module(state_us=8, state_events=1500)),
    "delay, wandering over 1000: coverage": _coverage(Module(wander_us=5, wander_events=1000)),
    "delay, t of 2.5: coverage": _coverage(Module(jitter_us=1, tails=2.5)),
    "delay, driven once, wandering: coverage": _coverage(Module(wander_us=5), **ONCE),
}  # fmt: skip

CASES: dict[str, Callable[[int], Mark]] = {
    "dead, drive couples into the clamp": _limits(
        Module(dead=True, couple_share=1.0), True, "coupling"),
    "good at 30 µs, drive couples in": _delay_read(Module(delay_us=30, couple_share=1.0)),
    "good at 30 µs, half of the pulses couple": _delay_read(
        Module(delay_us=30, couple_share=0.5)),
    "good at 30 µs, coupling runs ahead": _delay_read(
        Module(delay_us=30, couple_share=1.0, couple_us=-0.6)),
    "dead against good, both couple": _pair(
        Module(dead=True, couple_share=1.0), Module(couple_share=1.0), False),
    "dead band 4200 to 4800 in the ramp": _limits(
        Module(dead_bands=((4200.0, 4800.0),)), True, "dead_band"),
    "dead band 4200 to 4800 against none": _pair(
        Module(dead_bands=((4200.0, 4800.0),)), GOOD, False),
    "rev limit 6050 against none": _pair(Module(limit_rpm=6050), GOOD, False),
    "answers the pulse's other edge": _rev_limit_none(
        Module(other_edge=True, delay_us=30), "late"),
    "answers after 4 ms": _rev_limit_none(Module(delay_us=4000, jitter_us=5), "late"),
    "answers after 5.5 ms": _rev_limit_none(Module(delay_us=5500, jitter_us=5), "late"),
    "good, against the limits": _limits(GOOD, False),
    "same law": _pair(GOOD, GOOD, True),
    "same law, spells of 5 drop-outs": _pair(
        *2 * (Module(drop_share=0.02, drop_run=5),), True),
    "same law, spells of 20": _pair(*2 * (Module(drop_share=0.02, drop_run=20),), True),
    "same law, spells of 50": _pair(*2 * (Module(drop_share=0.02, drop_run=50),), True),
    "drop-outs 6 % against none": _pair(Module(drop_share=0.06), GOOD, False),
    "same law, wandering sd 5 µs": _pair(*2 * (Module(wander_us=5),), True),
    "same law, two delays 8 µs apart": _pair(*2 * (Module(state_us=8),), True),
    "same module, warm against cold": _pair(
        Module(warm_us=12, warm_s=90), Module(warm_us=12, warm_s=90, age_s=600), True),
    "warms while driven": _heat,
    "10 µs slower (twice the margin)": _pair(Module(delay_us=35), GOOD, False),
    "jitter 12 against 1 µs": _pair(Module(jitter_us=12), GOOD, False),
    "delay, white jitter: coverage": _coverage(GOOD),
    "delay, wandering: coverage": _coverage(Module(wander_us=5)),
    "delay, two states: coverage": _coverage(Module(state_us=8)),
    "switch-over, sharp": _switch(0.0),
    "switch-over over 100 rpm": _switch(100.0),
    "curve: plateau of 2°": _curve(lambda n: 2.0 * ((n > 1500) & (n < 3000))),
    "curve: advance of 10° over speed": _curve(lambda n: 10 * (n - 900) / 3600),
    "curve: knee": _curve(lambda n: np.where(n < 2500, 0, -5 * (n - 2500) / 2000)),
    "curve: angle and delay": _line,
}  # fmt: skip

Course = courses.Course
CASES |= RELATIVES | {
    "sweep: 36-1": _swept(Course()),
    "sweep: teeth off by 0.1°": _swept(Course(tooth_error=0.1)),
    "sweep: 60-2, wheel runs out by 0.2°": _swept(Course(60, 2, eccentric=0.2)),
    "sweep: one pulse a turn": _swept(Course(1, 0)),
    "sweep: drift of ±0.5°": _swept(Course(drift=0.5)),
    "sweep: drift of ±0.2°": _swept(Course(drift=0.2)),
    "sweep: drift of ±1°": _swept(Course(drift=1.0)),
    "sweep: drift of ±2°": _swept(Course(drift=2.0)),
    "sweep: drift of 1° in a line": _swept(Course(drift=0.5, shape="line")),
    "sweep: timing jumps by 1°": _swept(Course(drift=0.5, shape="jump")),
    "sweep: timing walks, 1° at the end": _swept(Course(drift=1.0, shape="walk")),
    "sweep: twice up and down, drift of ±0.5°": _swept(Course(drift=0.5, times=2)),
    "sweep: one way": _swept(Course(one_way=True)),
    "sweep: one way, drift of ±0.5°": _swept(Course(drift=0.5, one_way=True), blind=True),
    "sweep: advance of 3° per 1000 rpm": _swept(Course(advance=3.0), lie=True),
}  # fmt: skip

# --- the search ------------------------------------------------------------------------------

FLEETS = ("one", "two", "fleeting", "unlisted", "nothing")


@dataclass(frozen=True)
class Searched:
    """How one search ended."""

    kind: str
    sure: bool
    right: bool
    tests: int
    doubted: bool
    erred: bool


def listed(kind: Any) -> list[str]:
    """Links of one kind of ignition."""
    chain = ff.chain_of(ff.variant_of(**kind))
    return [link.id for link in chain.links if not link.unlisted]


def search(engine: circuits.Circuit, person: people.Person) -> Searched:
    """Ask until it is over."""
    chain = ff.chain_of(ff.variant_of(**engine.kind))
    events: list[ff.Event] = []
    tests, doubted = 0, False
    while (choice := ff.next_test(chain, events)) is not None and tests < 40:
        tests += 1
        doubted |= ff.contradiction(chain, events) is not None
        events += [
            ff.Answer(t.id, person.answer(engine, t.id, choice.again), again=choice.again)
            for t in choice.tests
        ]
    ends = ff.result(chain, events)
    return Searched(
        ends.kind, ends.sure, ends.link in engine.faults, tests, doubted, person.erred > 0
    )


def searches(what: str, count: int, wrong: float, seed: int = 3) -> list[Searched]:
    """A fleet searched by people of whose answers a share is wrong; others in each fleet."""
    sort = FLEETS.index(what)
    return [
        search(engine, people.Person(np.random.default_rng([seed, i, 7, sort]), wrong=wrong))
        for i, engine in enumerate(circuits.fleet(count, what, seed, listed))
    ]


def share95(hits: int, n: int) -> str:
    """A share with its exact interval, %."""
    low, high = stats.clopper_pearson(hits, n)
    return f"{100 * hits / max(1, n):5.1f} ({100 * low:.0f} to {100 * high:.0f})"
