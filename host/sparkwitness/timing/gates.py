"""The one place that decides whether an angle is shown as the timing, and whether to advise.

Each gate is a row of `GATES`: a name, what it does to the number, a test on the evidence, and the
sentence for the person: the likely cause, what to check, and how. Every face shows what `judge`
and `advise` let through, and nothing else. Longer than other files: one table with its sentences.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from math import ceil, floor, inf
from typing import Any

from sparkwitness.timing import advice
from sparkwitness.timing.advice import Advice
from sparkwitness.timing.polarity import Polarity
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.wording import angle

# What a finding does to the number.
NOTE, WARNING, REFUSED = "note", "warning", "refused"

EARLIEST, LATEST = 70.0, -30.0  # degrees BTDC: no engine fires outside (common practice, no source)
SLOWEST, FASTEST = 20.0, 25000.0  # rev/min: a hand, and racing engines' 20 000 (from memory)
LARGE_ERROR = 25.0  # degrees: more is a wrong lead, mark or typed angle before it is an error
WIDE_SCATTER = 2.5  # degrees: worn distributors reach 2 (common practice, no source)
NOISY_CRANK = 0.05  # share of the crank's edges that do not fit
_MISFIT = 0.25  # from here on it may be the wheel or its sensor, and what fits is a choice
# A reversed clamp stamps the second half wave of the ringing, at most so much later:
# hardware/delays.json, "clamp_longest_pulse_us" over three half waves, and from memory.
SECOND_FLANK_S = 65e-6
# Sparks of a burst come sooner than this after each other; a coil charges longer (common practice,
# no source).
FARTHEST_S = 1.8e-3
COIL_HEARD = 0.25  # share of the events, fewer are noise
# Share of the pulses: of 60 that scatter by 0.9 µs, as the steadiest spark does at 9000 rev/min, at
# most a quarter come in the first half of a microsecond.
_CAUSED = 0.3
_PAIRS = 0.8  # share of the events: less often a burst's number of sparks varies, as bursts' does
_WORTH = 0.4  # degrees: less is not worth a second run
# A single tooth under a swapped VR sensor: hardware/spice/vr_wheel.cir.
_ONE_TOOTH = 17.0
# A wheel without a gap that repeats within so many degrees: a person who set the distributor a
# mark wrong may still have a running engine.
_REPEATS = 120.0
_GAIN_OFF = 0.2  # of 1 or 2


CANNOT_TELL = (
    "No time stamp can tell a reference angle typed wrong, a sensor or clamp that stamps its other "
    "flank, a pulse that comes more often than typed, or a timing mark that slipped. Find top dead "
    "centre with a piston stop, look at the mark with a lamp, compare the speed shown with the "
    "engine's, and turn the clamp round once, before you trust the angle."
)


@dataclass(frozen=True)
class Finding:
    """Something a person must know.

    Attributes:
        code: stable, for scripts and for `--confirm`.
        text: a sentence: what was seen, the likely cause, what to check and how.
        level: NOTE; WARNING: the number is shown with it; REFUSED: no number is shown.
        advice: whether a next setting may be told all the same.
    """

    code: str
    text: str
    level: str = NOTE
    advice: bool = True


@dataclass(frozen=True)
class Evidence:
    """All that the gates look at; degrees are crank degrees, advance (BTDC) positive.

    Attributes:
        setup: what was typed.
        timing, expanded, scatter, rpm: the number, its U (k = 2), standard deviation, speed.
        modulo: degrees modulo which the timing is known.
        places: (degrees BTDC, share of the events) of each place, the main one first.
        kind: see `groups`.
        alternates: the wheel's turns are of two kinds, as a four-stroke's crank makes them.
        gap: what the gap and the step beside it measure in pitches, where no such wheel is, and
            whether that is sure.
        noisy: share of the crank's edges that did not fit the wheel.
        sessions: in words, the timing of each where the recording holds several.
        second: share of the events whose second edge comes later than a burst's would, how much
            later, s, and the crank degrees that pass.
        polarity: what a VR sensor's pulses show; None: not known, or no such sensor.
        pairs: share of the events with just two edges of the clamp, s and crank degrees from one
            to the other.
        caused: share of the pulses soon after a spark that come at one and the same time after it,
            and that time, s.
        sweep: over many speeds: a clamp the wrong way round, late by a time, is judged elsewhere.
    """

    setup: Setup
    timing: float
    expanded: float
    scatter: float
    rpm: float
    modulo: float = inf
    places: tuple[tuple[float, float], ...] = ()
    kind: str = "own"
    late: float = 0.0
    alternates: bool = False
    gap: tuple[float, float, bool] | None = None
    noisy: float = 0.0
    sessions: str = ""
    second: tuple[float, float, float] = (0.0, 0.0, 0.0)
    polarity: Polarity | None = None
    pairs: tuple[float, float, float] = (0.0, 0.0, 0.0)
    caused: tuple[float, float] = (0.0, 0.0)
    sweep: bool = False

    @property
    def look(self) -> float | None:
        """How far the lamp's reading is from the timing; None: nobody looked."""
        return None if self.setup.seen is None else abs(self.setup.seen - self.timing)

    @property
    def looked(self) -> bool:
        """A lamp shows the same place, and no other that the reference cannot tell from it."""
        if self.look is None or self.look > self.setup.seen_within + self.expanded:
            return False
        return self.modulo - self.look > max(self.look, self.setup.seen_within)


Fields = dict[str, Any] | None
Test = Callable[[Any], Fields]


@dataclass(frozen=True)
class Gate:
    """A row of the table.

    Attributes:
        name: code of its finding.
        level: what it does to the number.
        advice: whether a next setting may be told.
        test: what it looks for; the sentence's fields where it strikes, else None.
        text: the sentence.
        look: a lamp's reading that agrees takes it away.
        confirm: the person may say that it was checked, which takes its ban on advice away.
    """

    name: str
    level: str
    advice: bool
    test: Test
    text: str
    look: bool = False
    confirm: bool = True


def btdc(degrees: float) -> str:
    """Degrees with the side of top dead centre in words."""
    return angle(degrees, ".1f")


def _listed(e: Evidence) -> str:
    return ", ".join(f"{btdc(a)} ({100 * share:.0f} %)" for a, share in e.places)


def _several(e: Evidence) -> Fields:
    return {"places": _listed(e)} if e.kind == "several" else None


def _coil_on(e: Evidence) -> Fields:
    share, late, degrees = e.second
    if share < COIL_HEARD:
        return None
    first = e.timing if e.kind == "own" else max(a for a, _ in e.places)
    return {
        "share": 100 * share, "ms": 1e3 * late,
        "first": btdc(first), "second": btdc(first - degrees),
    }  # fmt: skip


def _pairs(e: Evidence) -> Fields:
    share, apart, degrees = e.pairs
    if share < _PAIRS:
        return None
    return {"share": 100 * share, "ms": 1e3 * apart, "second": btdc(e.timing - degrees)}


def _caused(e: Evidence) -> Fields:
    share, after = e.caused
    return {"share": 100 * share, "us": 1e6 * after} if share > _CAUSED else None


def _other_lead(e: Evidence) -> Fields:
    return {"places": _listed(e)} if e.kind == "other lead" else None


def _first_missed(e: Evidence) -> Fields:
    return {"share": 100 * e.late} if e.kind == "first missed" else None


def _late(e: Evidence) -> Fields:
    return {"places": _listed(e), "share": 100 * e.late} if e.kind == "late" else None


def _moved(e: Evidence) -> Fields:
    return {"places": _listed(e)} if e.kind == "moved" else None


def _gap(e: Evidence) -> Fields:
    return _of_gap(e, True)


def _gap_unsure(e: Evidence) -> Fields:
    return _of_gap(e, False)


def _of_gap(e: Evidence, sure: bool) -> Fields:
    if e.gap is None or e.gap[2] != sure:
        return None
    whole = e.setup.reference.missing + 1
    return {"gap": e.gap[0], "beside": e.gap[1], "whole": whole}


def _shaft(e: Evidence) -> Fields:
    wrong = e.alternates and e.setup.reference.turns == 2 and e.setup.strokes == 4
    return {"typed": e.setup.reference} if wrong else None


def alternatives(timing: float, modulo: float) -> list[float]:
    """Other angles that a reference which repeats cannot tell from this one, plausible ones."""
    if not modulo <= EARLIEST - LATEST:
        return []
    first, last = ceil((LATEST - timing) / modulo), floor((EARLIEST - timing) / modulo)
    return [timing + k * modulo for k in range(first, last + 1) if k]


def _ambiguous(e: Evidence) -> Fields:
    if e.setup.reference.period > _REPEATS and not alternatives(e.timing, e.modulo):
        return None
    return {"timing": btdc(e.timing), "modulo": e.modulo}


def _look_differs(e: Evidence) -> Fields:
    if e.look is None or e.look <= e.setup.seen_within + e.expanded:
        return None
    assert e.setup.seen is not None
    return {"seen": btdc(e.setup.seen), "timing": btdc(e.timing)}


def _implausible(e: Evidence) -> Fields:
    if LATEST <= e.timing <= EARLIEST:
        return None
    firing = e.setup.cycle / e.setup.cylinders
    return {"timing": btdc(e.timing), "firing": firing}


def _speed(e: Evidence) -> Fields:
    if SLOWEST <= e.rpm <= FASTEST:
        return None
    return {"rpm": f"{e.rpm:.3g}" if e.rpm < SLOWEST else f"{e.rpm:.0f}"}


def _large_error(e: Evidence) -> Fields:
    if e.setup.commanded is None or abs(e.timing - e.setup.commanded) <= LARGE_ERROR:
        return None
    firing = e.setup.cycle / e.setup.cylinders
    return {"error": e.timing - e.setup.commanded, "firing": firing}


def _scatter(e: Evidence) -> Fields:
    return {"scatter": e.scatter} if e.scatter > WIDE_SCATTER else None


def _clamp_side(e: Evidence) -> Fields:
    late = 6 * e.rpm * SECOND_FLANK_S
    struck = late > max(_WORTH, 2 * e.expanded) and not e.sweep
    return {"late": late} if struck else None


def _vr_reversed(e: Evidence) -> Fields:
    if e.polarity is None or not e.polarity.against:
        return None
    return {"figure": e.polarity.against}


def _vr_wires(e: Evidence) -> Fields:
    if e.setup.sensor != "vr" or (e.polarity is not None and e.polarity.right):
        return None
    wheel = e.setup.reference
    half = _ONE_TOOTH if wheel.teeth == 1 else wheel.step / 2
    if e.look is not None and e.look + e.setup.seen_within < half:
        return None  # a lamp tells the one from the other
    why = "no pulse of it was seen whole" if e.polarity is None else e.polarity.unseen
    return {"half": half, "why": why}


def _misfit(e: Evidence) -> Fields:
    return {"share": 100 * e.noisy, "wheel": e.setup.reference} if e.noisy > _MISFIT else None


def _noise(e: Evidence) -> Fields:
    return {"share": 100 * e.noisy} if NOISY_CRANK < e.noisy <= _MISFIT else None


def _sessions(e: Evidence) -> Fields:
    return {"each": e.sessions} if e.sessions else None


GATES: tuple[Gate, ...] = (
    Gate(
        "coil_on", REFUSED, False, _coil_on,
        "in {share:.0f} % of the events the clamp stamps a second edge {ms:.1f} ms after the "
        "first, later than a burst's next spark comes. Most likely the first is the coil being "
        "switched on, and the spark is at {second}; if the second is the spark's end, it is at "
        "{first}. Move the clamp to a plug lead, away from coil and module, or turn it round. A "
        "lamp's reading typed with --seen settles it, or say --confirm coil_on",
        look=True,
    ),
    Gate(
        "several_places", REFUSED, False, _several,
        "the sparks come at several places: {places}; one mean would be the timing of none. Odd "
        "firing under one coil lead, a lead beside the clamp, or a spark that often comes late "
        "does this: clip the clamp on one plug lead, away from the others, and measure again",
        confirm=False,
    ),
    Gate(
        "vr_reversed", REFUSED, False, _vr_reversed,
        "the crank sensor is most likely wired the wrong way round: {figure}. Every angle would be "
        "off by up to half a tooth. Stop the engine, swap the two wires of the sensor, and measure "
        "again",
        confirm=False,
    ),
    Gate(
        "odd_gap", REFUSED, False, _gap,
        "the wheel's gap measures {gap:.2f} tooth steps and the step beside it {beside:.2f}, in "
        "place of {whole} and 1: the sensor's two wires are most likely swapped, or its other edge "
        "is stamped, and then every angle is off by a part of a tooth. Swap the wires (or change "
        "--falling crank) and measure again",
        confirm=False,
    ),
    Gate(
        "shaft", REFUSED, False, _shaft,
        "the speed differs from each turn of the wheel to the next and comes back every second "
        "one: so turns a crank, but {typed} is typed. Look where the wheel sits and type it as it "
        "is",
        confirm=False,
    ),
    Gate(
        "vr_wires", REFUSED, False, _vr_wires,
        "a variable-reluctance sensor whose two wires are swapped reads up to {half:.3g}° wrong, "
        "and which way round this one is was not seen: {why}. Else check it as in "
        "hardware/bring-up.md, step 6, then say --confirm vr_wires",
    ),
    Gate(
        "ambiguous", WARNING, False, _ambiguous,
        "the reference repeats, so the timing is {timing} or that ± k · {modulo:.4g}°: the one "
        "nearest to the commanded angle is shown. Look with a lamp or strobe which one it is, and "
        "type what it shows with --seen",
        look=True, confirm=False,
    ),
    Gate(
        "gap_unsure", WARNING, False, _gap_unsure,
        "the wheel's gap measures {gap:.2f} tooth steps and the step beside it {beside:.2f}, in "
        "place of {whole} and 1. The speed swings too much to be sure of it; if it is so, the "
        "sensor's two wires are swapped or its other edge is stamped, and the angle is off by a "
        "part of a tooth. Measure again at a higher, steady speed, or look with a lamp and type "
        "what it shows with --seen",
        look=True,
    ),
    Gate(
        "look_differs", WARNING, False, _look_differs,
        "the lamp showed {seen}, the time stamps say {timing}: the typed reference angle, the "
        "timing mark, the sensor's edge or the lead under the clamp is wrong. Find top dead centre "
        "with a piston stop and look again",
    ),
    Gate(
        "speed", WARNING, False, _speed,
        "{rpm} rev/min is no speed of an engine: most likely the wheel typed in has more or "
        "fewer teeth than the engine's, or times that come from elsewhere are not in seconds. "
        "Compare the speed with the engine's own",
    ),
    Gate(
        "implausible", WARNING, False, _implausible,
        "{timing} is no timing at which an engine runs: most likely the clamp is on another "
        "cylinder's lead (they fire every {firing:.4g}°), or the reference angle is typed wrong. "
        "Check the lead and the mark; a lamp's reading typed with --seen settles it",
        look=True,
    ),
    Gate(
        "large_error", WARNING, False, _large_error,
        "{error:+.1f}° is more than a controller's offset is off: most likely the clamp is on "
        "another cylinder's lead (they fire every {firing:.4g}°), or the reference angle is typed "
        "wrong. Check the lead and the mark; a lamp's reading typed with --seen settles it",
        look=True,
    ),
    Gate(
        "sessions", WARNING, False, _sessions,
        "the recording holds more than one session (the board was restarted, or recordings were "
        "joined), measured apart: {each}; the last one is shown. Measure once more without a break",
    ),
    Gate(
        "pairs", WARNING, False, _pairs,
        "in {share:.0f} % of the events the clamp stamps two edges, {ms:.1f} ms apart. If this "
        "ignition fires twice each time, the first is the spark: say --confirm pairs. If it fires "
        "once, the first is something else, most likely the coil being switched on, and the spark "
        "is at {second}. Look with a lamp and type what it shows with --seen",
        look=True,
    ),
    Gate(
        "caused", WARNING, False, _caused,
        "{share:.0f} % of the pulses near a spark come {us:.0f} µs after it, always alike: no "
        "engine turns so evenly. Most likely the crank's input hears the spark, or is held back by "
        "it, and the angle is not the pulse's. Lead the sensor's cable away from coil and plug "
        "leads, check its screen and ground, and measure again; or look with a lamp and type what "
        "it shows with --seen",
        look=True,
    ),
    Gate(
        "other_lead", WARNING, False, _other_lead,
        "the sparks come at {places}: one place has a spark every time and is shown, at the other "
        "most likely a lead beside the clamp is heard. Lead the cable away from the others, and "
        "measure again before you set anything",
    ),
    Gate(
        "first_missed", WARNING, False, _first_missed,
        "in {share:.0f} % of the events the first spark was not seen: those come a spark's spacing "
        "late and have one spark less. The timing shown is that of the others. Weak first sparks "
        "or a clamp that sits loosely do this: seat the clamp, and measure again",
    ),
    Gate(
        "late", WARNING, False, _late,
        "the sparks come at {places}: in {share:.0f} % of the events the first one seen is later. "
        "Either the first spark was not seen there (seat the clamp), or the firing itself is late "
        "(a wide gap, a slow trigger). The place of most events is shown",
    ),
    Gate(
        "moved", WARNING, False, _moved,
        "the timing moved during the run: {places}. Lock it, hold the speed, and measure again",
    ),
    Gate(
        "scatter", WARNING, False, _scatter,
        "the sparks scatter by {scatter:.1f}° (standard deviation), more than a sound ignition's "
        "do: the mean is right for the mean only. Look for play in the distributor's drive, a "
        "loose trigger, or a clamp that hears other leads",
    ),
    Gate(
        "clamp_side", WARNING, False, _clamp_side,
        "at this speed a clamp that sits the wrong way round would read {late:.1f}° late, which no "
        "time stamp shows. Turn the clamp round once and measure again: the earlier reading is "
        "right. Then say --confirm clamp_side",
    ),
    Gate(
        "crank_misfit", WARNING, False, _misfit,
        "{share:.0f} % of the crank's edges do not fit a {wheel} reference and were left out with "
        "the turns around them. Most likely the sensor picks up sparks or sits loosely, its two "
        "wires are swapped, or another wheel is there: check its gap, screen, ground and wires and "
        "the wheel typed, or look with a lamp and type what it shows with --seen",
        look=True,
    ),
    Gate(
        "crank_noise", NOTE, True, _noise,
        "{share:.0f} % of the crank's edges do not fit the wheel and were left out with the turns "
        "around them: check the sensor's gap, its screen and its ground",
    ),
)  # fmt: skip
BY_NAME = {gate.name: gate for gate in GATES}
NAMES = (*BY_NAME, "beyond_range", "gain")


@dataclass(frozen=True)
class Judgement:
    """What may be shown.

    Attributes:
        shown: the angle may be shown as the timing.
        error_shown: the difference from the commanded angle, too.
        findings: what to say, the gravest first.
    """

    shown: bool
    error_shown: bool
    findings: tuple[Finding, ...] = field(default_factory=tuple)


def judge(evidence: Any, rows: tuple[Gate, ...] = GATES) -> Judgement:
    """All gates on the evidence.

    Args:
        evidence: an `Evidence`, or what other rows look at, with `setup`, and with `looked` where
            a row has `look`.
        rows: the gates.
    """
    findings = []
    for gate in rows:
        values = gate.test(evidence)
        if values is None or (gate.look and evidence.looked):
            continue
        level, may = gate.level, gate.advice
        if gate.confirm and gate.name in evidence.setup.confirmed:
            level, may = NOTE, True
        findings.append(Finding(gate.name, gate.text.format(**values), level, may))
        if level == REFUSED:
            return Judgement(False, False, tuple(findings))
    codes = {f.code for f in findings}
    return Judgement(True, "ambiguous" not in codes, tuple(findings))


def withheld(findings: Iterable[Finding]) -> Finding | None:
    """The finding for which single angles are not to be shown either, as in a plot; else None."""
    waiting = ("few_events", "unsteady")  # not enough yet, and no word against what there is
    return next((f for f in findings if f.level == REFUSED and f.code not in waiting), None)


def advise(
    setup: Setup, error: float | None, expanded: float, findings: tuple[Finding, ...]
) -> tuple[Advice | None, list[Finding]]:
    """The next setting if it may be told, and what more must be said.

    Args:
        setup: with the setting, its gain and range.
        error: measured less commanded, degrees; None: not known.
        expanded: U of the error (k = 2), degrees.
        findings: of the measurement; one that forbids advice is enough.
    """
    if error is None or setup.setting is None or not all(f.advice for f in findings):
        return None, []
    gain = setup.gain
    if min(abs(abs(gain) - 1.0), abs(abs(gain) - 2.0)) > _GAIN_OFF:
        text = (
            f"the trials say that one unit of the setting moves the timing by {gain:+.2f}°, and "
            "that is neither one crank degree nor one distributor degree: the setting had no "
            "effect, or something else moved. Check that the controller keeps what is entered"
        )
        said = "gain" in setup.confirmed and abs(gain) > _GAIN_OFF
        if not said:
            return None, [Finding("gain", text, WARNING, False)]
    low = -inf if setup.least is None else setup.least
    high = inf if setup.most is None else setup.most
    exact = setup.setting - error / gain
    if not low <= exact <= high and "beyond_range" not in setup.confirmed:
        text = (
            f"the next setting would be {exact:.2f}, outside the controller's range ({low:g} to "
            f"{high:g}): most likely the reference angle is typed wrong or the distributor is a "
            "tooth off. Check both before you set anything"
        )
        return None, [Finding("beyond_range", text, WARNING, False)]
    return advice.next_setting(setup.setting, error, expanded, gain, setup.step, low, high), []
