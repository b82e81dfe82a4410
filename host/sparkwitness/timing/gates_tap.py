"""Gates on what the trigger tap shows: rows like those of `gates`, which judges them."""

from dataclasses import dataclass, replace
from math import isfinite

from sparkwitness.timing import gates
from sparkwitness.timing.advice import Advice
from sparkwitness.timing.dwell import Dwell
from sparkwitness.timing.firings import Choice
from sparkwitness.timing.gates import NOTE, WARNING, Fields, Finding, Gate
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.trigger import Split
from sparkwitness.timing.wording import plus_minus

SLOW_US = 500.0  # electronics answers sooner (common practice, no source)
_FEWEST, _SHARE = 3, 0.005  # missing or needless sparks worth a word
_WORTH = 0.05  # degrees
# Of the current's rise 1 - exp(-t R / L): after one time constant 63 %, after five 99 %.
_SHORTEST, _LONGEST = 1.0, 5.0
_NO_DWELL = 0.9  # share of the interval: a level that long is a rest level, no charging
_SHORT_MS, _SPARK_MS = 0.5, 1.0  # to charge any coil; for the spark to burn (common practice)


@dataclass(frozen=True)
class Evidence:
    """All that the gates look at.

    Attributes:
        setup: what was typed.
        choice: of the flank that fires.
        split: None where the flank is not known.
        edges: of the tap.
    """

    setup: Setup
    choice: Choice
    split: Split | None
    edges: int

    @property
    def dwell(self) -> Dwell | None:
        """The coil's, where the level before the firing flank can be one."""
        found = self.split.dwell if self.split else None
        if found is None or found.share > _NO_DWELL:
            return None
        return None if self.setup.clamp_kind == "clamp_capacitive" else found


def _delays(e: Evidence) -> str:
    return " and ".join(f"the {n} one after {1e6 * d:.0f} µs" for n, d in e.choice.delay_s)


def _both(e: Evidence) -> Fields:
    return {"delays": _delays(e)} if e.choice.why == "both" else None


def _none(e: Evidence) -> Fields:
    return {"edges": e.edges} if e.choice.why == "none" else None


def _one(e: Evidence) -> Fields:
    return {} if e.choice.why == "one" else None


def _few(e: Evidence) -> Fields:
    return {"edges": e.edges} if e.choice.why == "few" else None


def _slow(e: Evidence) -> Fields:
    if e.split is None or e.split.delay_us <= SLOW_US:
        return None
    return {"us": e.split.delay_us, "flank": e.split.flank, "most": SLOW_US}


def _early(e: Evidence) -> Fields:
    if e.split is None or e.split.delay_us >= -2 * e.split.delay_us.u95:
        return None
    return {"us": -e.split.delay_us}


def _share(e: Evidence, name: str) -> Fields:
    if e.split is None:
        return None
    n, asked = getattr(e.split.counts, name), max(e.split.counts.asked, 1)
    if n < _FEWEST or n < _SHARE * asked:
        return None
    return {"n": n, "asked": asked, "share": 100 * n / asked}


def _no_spark(e: Evidence) -> Fields:
    return _share(e, "no_spark")


def _no_trigger(e: Evidence) -> Fields:
    return _share(e, "no_trigger")


def _unasked(e: Evidence) -> Fields:
    return _share(e, "unasked")


def _latency(e: Evidence) -> Fields:
    one = e.split
    if one is None or abs(one.module) <= max(one.module.u95, _WORTH) or one.delay_us > SLOW_US:
        return None
    if one.delay_us < 0:
        return None
    return {"delay": plus_minus(one.delay_us, one.delay_us.u95, " µs"), "deg": one.module}


def _bounce(e: Evidence) -> Fields:
    one = e.split.dwell if e.split else None
    if one is None or one.bounced < 0.01:
        return None
    return {"share": 100 * one.bounced, "us": one.bounce_us}


def _dwell_short(e: Evidence) -> Fields:
    one = e.dwell
    if one is None:
        return None
    if one.charged is not None and e.setup.coil_ms is not None:
        if one.ms + one.ms.u95 >= _SHORTEST * e.setup.coil_ms:
            return None
        limit = (
            f"one time constant, {e.setup.coil_ms:.3g} ms (L / R as typed); the current reaches "
            f"{100 * one.charged:.0f} % of its final value (1 - exp(-t R / L))"
        )
    elif one.ms + one.ms.u95 < _SHORT_MS:
        limit = f"{_SHORT_MS:g} ms, in which no coil charges (common practice, no source)"
    else:
        return None
    return {"ms": one.ms, "limit": limit}


def _dwell_long(e: Evidence) -> Fields:
    one = e.dwell
    if one is None:
        return None
    if e.setup.coil_ms is not None and one.ms - one.ms.u95 > _LONGEST * e.setup.coil_ms:
        limit = (
            f"{_LONGEST:g} time constants, {_LONGEST * e.setup.coil_ms:.3g} ms (L / R as typed): "
            "after those the current rises no more and only heats the coil"
        )
    elif isfinite(one.pause_ms) and one.pause_ms < _SPARK_MS:
        limit = (
            f"what leaves {_SPARK_MS:g} ms for the spark to burn (common practice, no source): "
            f"{one.pause_ms:.2f} ms are left at this speed"
        )
    else:
        return None
    return {"ms": one.ms, "limit": limit}


ROWS: tuple[Gate, ...] = (
    Gate(
        "tap_both", NOTE, True, _both,
        "the sparks follow both flanks of the trigger alike ({delays}), so which one fires cannot "
        "be told: say it with --trigger rising or --trigger falling",
    ),
    Gate(
        "tap_one", NOTE, True, _one,
        "only one flank of the trigger was stamped, and it need not be the one that fires: "
        "controller and module are not told apart. Measure anew so that both are stamped, or say "
        "with --trigger that this one fires",
    ),
    Gate(
        "tap_none", NOTE, True, _none,
        "the trigger tap has {edges} edges, but the sparks follow neither flank: it is on another "
        "coil's trigger, the flank is typed wrong, or it hears noise. Check where it is clipped; "
        "--trigger none leaves it out",
    ),
    Gate(
        "tap_few", NOTE, True, _few,
        "the trigger tap has only {edges} edges, too few to tell controller and module apart",
    ),
    Gate(
        "module_early", WARNING, False, _early,
        "the sparks come {us:.1f} µs before their trigger, and none can: the wrong flank, or "
        "--trigger-kind or --clamp-kind does not say what is connected. Check them",
    ),
    Gate(
        "module_slow", WARNING, False, _slow,
        "the sparks come {us:.0f} µs after the {flank} flank, later than a module's electronics "
        "answers ({most:.0f} µs, common practice, no source): most likely the other flank fires. "
        "Look it up, or say --confirm module_slow",
    ),
    Gate(
        "trigger_no_spark", NOTE, True, _no_spark,
        "{n} of {asked} triggers ({share:.1f} %) had no spark: the controller asked, so look "
        "behind the trigger, at module, coil, lead and plug, and at the clamp's seat",
    ),
    Gate(
        "no_trigger", NOTE, True, _no_trigger,
        "{n} firings had neither trigger nor spark (of {asked} triggers, {share:.1f} %): nobody "
        "asked, so look before the module, at the controller, its sensor and its supply",
    ),
    Gate(
        "spark_no_trigger", NOTE, True, _unasked,
        "{n} sparks came without a trigger ({share:.1f} %): the clamp hears another lead, the "
        "module fires by itself, or the tap has a poor contact",
    ),
    Gate(
        "latency", NOTE, True, _latency,
        "the module answers {delay} after its trigger, {deg:+.2f}° at this speed and more at a "
        "higher one. No offset cures a delay: raise the controller's own delay (latency) setting "
        "by so many µs, if it has one",
    ),
    Gate(
        "bounce", NOTE, True, _bounce,
        "in {share:.0f} % of the firings the contacts bounce, for {us:.0f} µs after they close; "
        "the dwell counts from the first closing. Worn contacts or a weak spring do this",
    ),
    Gate(
        "dwell_short", NOTE, True, _dwell_short,
        "the coil charges for {ms:.2f} ms, less than {limit}: a weak spark is to be expected",
    ),
    Gate(
        "dwell_long", NOTE, True, _dwell_long,
        "the coil charges for {ms:.2f} ms, longer than {limit}",
    ),
)  # fmt: skip


def advise(
    setup: Setup, split: Split, findings: tuple[Finding, ...]
) -> tuple[Advice | None, list[Finding]]:
    """The next setting, which cures the controller's part alone; see `gates.advise`."""
    if split.controller is None:
        return None, []
    tip, more = gates.advise(setup, split.controller, split.controller.u95, findings)
    if tip is None:
        return None, more
    note = tip.note
    if abs(split.module) > max(split.module.u95, _WORTH):
        left = f"the module's {split.module:+.2f}° at this speed stay: no offset cures a delay"
        note = f"{note}; {left}" if note else left
    return replace(tip, remaining=tip.remaining + split.module, note=note), more
