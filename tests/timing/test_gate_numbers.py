"""Gates on start, rotor and trigger tap: each limit from both sides, each number that is said.

The limits themselves are common practice without a source, as said where they stand.
"""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from sparkwitness.timing import firings, gates, gates_start, gates_tap, measure
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.dwell import Dwell
from sparkwitness.timing.firings import Choice
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.number import Number
from sparkwitness.timing.rotor import Rotor
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.starting import Phase, Start
from sparkwitness.timing.trigger import Counts, Split, Tap

SETUP = Setup(
    Reference(36, 1), commanded=20.0, cylinders=4, clamp="coil", setting=3.0, coil_ms=None
)


def phase(name: str, timing: float | None, u95: float = 0.3) -> Phase:
    angle = None if timing is None else Number(timing, u95)
    return Phase(name, 0.0, 1.0, 200.0, 250.0, 9, angle, 0.1, 0.0, 0.0, None, None, 0, 9, None)


def two(cranking: float | None, running: float | None, u95: float = 0.3) -> tuple[Phase, Phase]:
    return phase("cranking", cranking, u95), phase("running", running, 0.1)


START = Start(
    True, 0.0, 1.0, 700.0, 0, 2.0, 0, two(15.0, 15.0), "measured", 12.6, 10.0, (),
)  # fmt: skip


def over_all_speeds(start: Start | None, rotor: Rotor | None) -> dict[str, str]:
    """Codes and texts of what a result says of these; each a note beside which advice stands."""
    result = Measurement(budget=Budget(()), clamp="plug")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure.rotors, "read", lambda *_: rotor)
        measure._over_all_speeds(result, SETUP, cast(Any, None), start)
    assert result.start is start and result.rotor is rotor
    assert all(f.level == gates.NOTE and f.advice for f in result.findings)
    return {f.code: f.text for f in result.findings}


def of_start(**changes: Any) -> dict[str, str]:
    return over_all_speeds(replace(START, **changes), None)


@pytest.mark.parametrize(
    ("cranking", "running", "u95", "said"),
    [
        (5.0, 15.0, 0.3, "at 5.0° BTDC, 10.0° later than the 15.0° BTDC of"),
        (-5.0, 15.0, 0.3, "at 5.0° ATDC, 20.0° later than the 15.0° BTDC of"),
        (17.0, 15.0, 0.3, "at 17.0° BTDC, 2.0° earlier than the 15.0° BTDC of"),
        (15.5, 15.0, 0.3, None), (15.6, 15.0, 0.3, "0.6° earlier"),  # half a degree is no word
        (14.5, 15.0, 0.3, None), (14.4, 15.0, 0.3, "0.6° later"),
        # What both do not know: 0.9 + 0.1.
        (16.0, 15.0, 0.9, None), (16.1, 15.0, 0.9, "1.1° earlier"), (15.9, 15.0, 0.9, None),
        (None, 15.0, 0.3, None), (5.0, None, 0.3, None),
    ],
)  # fmt: skip
def test_another_angle_while_cranking(cranking, running, u95, said):
    found = of_start(phases=two(cranking, running, u95))
    assert list(found) == ([] if said is None else ["cranking_angle"])
    assert said is None or said in found["cranking_angle"]


def test_a_phase_that_is_not_there():
    for only in two(5.0, 15.0):
        assert not of_start(phases=(only,))


@pytest.mark.parametrize(
    ("low", "rest", "said"),
    [
        (9.6, 12.6, None), (9.5, 12.6, "to 9.5 V while cranking (measured), below 9.6 V"),
        (9.7, 16.0, None), (19.1, 16.1, "19.1 V while cranking (measured), below 19.2 V"),
        (19.2, 24.0, None), (9.5, None, "below 9.6 V"), (9.7, None, None), (None, 12.6, None),
    ],
)  # fmt: skip
def test_the_supply_while_cranking(low, rest, said):
    found = of_start(low_v=low, rest_v=rest)
    assert list(found) == ([] if said is None else ["cranking_supply"])
    assert said is None or said in found["cranking_supply"]


@pytest.mark.parametrize(
    ("changes", "struck"),
    [
        ({"first_deg": 1440.0}, False), ({"first_deg": 1440.1}, True),
        ({"first_deg": 1800.0, "stood": False}, False), ({"first_deg": None}, False),
        ({"first_deg": 1800.0, "first_s": None}, False),
    ],
)  # fmt: skip
def test_a_late_first_spark(changes, struck):
    assert list(of_start(**changes)) == ["late_first_spark"] * struck


def test_numbers_of_a_first_spark_and_of_tries():
    said = of_start(first_deg=1980.0, first_s=1.6)["late_first_spark"]
    assert "came 5.5 turns (1.6 s) after" in said
    far = of_start(first_deg=198_000.0, first_s=160.0)["late_first_spark"]
    assert "came 550.0 turns (160.0 s) after" in far
    assert "ran 1 times" in of_start(tries=1)["start_tries"]
    assert not of_start(tries=0)
    assert not over_all_speeds(None, None)


ROTOR = Rotor(
    "crank", 45.0, Number(12.0, 0.5), Number(6.0, 1.0), Number(-6.0, 1.0), 39.0, 38.0,
    Number(18.0, 0.5), 100, 0, (),
)  # fmt: skip


def of_rotor(**changes: Any) -> dict[str, str]:
    return over_all_speeds(None, replace(ROTOR, **changes))


@pytest.mark.parametrize(
    ("early", "late", "beyond"),
    # Half of 20° wide, and ±1 not known.
    [(11.0, -6.0, 0.0), (11.5, -6.0, 0.5), (6.0, -11.0, 0.0), (6.0, -11.5, 0.5), (13.0, -12.5, 2.0),
     (-2.0, -14.0, 3.0), (14.0, 2.0, 3.0)],
)  # fmt: skip
def test_sparks_outside_the_window(early, late, beyond):
    made = {"earliest": Number(early, 1.0), "latest": Number(late, 1.0)}
    assert replace(ROTOR, **made).outside == pytest.approx(beyond)
    assert list(of_rotor(**made)) == ["rotor_outside"] * bool(beyond)


def test_without_the_segment_only_the_sweep_can_be_too_wide():
    bare = {"earliest": None, "latest": None, "next_gap": None, "previous_gap": None}
    for swept, beyond in ((20.5, 0.0), (20.7, 0.2), (18.0, 0.0)):
        one = replace(ROTOR, swept=Number(swept, 0.5), **bare)
        assert one.outside == pytest.approx(beyond)
        found = of_rotor(swept=Number(swept, 0.5), **bare)
        assert list(found) == ["rotor_sweep"] * bool(beyond)


def test_numbers_of_the_rotor():
    far = {"earliest": Number(14.2, 1.0), "latest": Number(-6.3, 1.0), "swept": Number(20.5, 0.4)}
    said = of_rotor(**far, next_gap=38.7, previous_gap=30.8)
    assert "from 14.2° before to 6.3° past the middle of" in said["rotor_outside"]
    assert "outside ±10° of" in said["rotor_outside"]
    assert "within 31° of" in said["rotor_outside"] and "at 18.0° BTDC" in said["rotor_outside"]
    assert "sweep 20.5° of the distributor, more than the 20°" in said["rotor_sweep"]
    assert "within 29° of" in of_rotor(**far, next_gap=29.0, previous_gap=30.8)["rotor_outside"]
    assert gates_start.side(0.0) == "0.0° before" and gates_start.side(-0.3) == "0.3° past"


# The tap. A dwell of 3 ms of 20 ms; a coil typed has 1.5 ms, so that it charges two of them.

DWELL = Dwell(Number(3.0, 0.01), 0.1, Number(54.0, 0.2), Number(27.0, 0.1), 1.0, 0.15, 17.0, 100)
SPLIT = Split(
    "rising", True, Number(20.0, 0.3), 0.2, Number(0.1, 0.3), Number(8.0, 2.0), 1.0,
    Number(-0.03, 0.01), 1000, Counts(1000), DWELL, Budget(()), 0.0,
)  # fmt: skip
SURE = Choice(firings.RISING, "", (("rising", 8e-6), ("falling", 308.4e-6)))


def tapped(setup: Setup, choice: Choice, split: Split | None) -> list[gates.Finding]:
    """What a result says of a tap with 400 edges."""
    result, tables = Measurement(), SimpleNamespace(trigger=range(400))
    measure._tapped(result, setup, cast(Any, tables), Tap(choice, None, split), True)
    return result.findings


def of_tap(setup: Setup = SETUP, choice: Choice = SURE, **changes: Any) -> dict[str, str]:
    """Codes and texts; a name of the dwell goes there."""
    own = {k: v for k, v in changes.items() if hasattr(DWELL, k) and k != "scatter_deg"}
    rest = {k: v for k, v in changes.items() if k not in own}
    split = replace(SPLIT, dwell=replace(DWELL, **own), **rest)
    found = tapped(setup, choice, split)
    for one in found:
        grave = one.code in ("module_early", "module_slow")
        assert (one.level, one.advice) == ((gates.WARNING, False) if grave else (gates.NOTE, True))
    return {f.code: f.text for f in found}


def test_a_split_with_nothing_to_say():
    assert of_tap() == {}
    assert not tapped(SETUP, SURE, replace(SPLIT, dwell=None))


@pytest.mark.parametrize(
    ("why", "said"),
    [
        ("both", "alike (the rising one after 8 µs and the falling one after 308 µs), so"),
        ("none", "tap has 400 edges, but"), ("one", "only one flank"),
        ("few", "has only 400 edges, too"),
    ],
)  # fmt: skip
def test_why_no_flank_is_told(why, said):
    (found,) = tapped(SETUP, Choice(None, why, SURE.delay_s), None)
    assert (found.code, found.level, found.advice) == (f"tap_{why}", gates.NOTE, True)
    assert said in found.text


@pytest.mark.parametrize(
    ("delay", "u95", "struck"),
    [(500.0, 2.0, []), (501.0, 2.0, ["module_slow"]), (-4.0, 2.0, []),
     (-4.1, 2.0, ["module_early"]), (-4.1, 2.1, []), (0.0, 2.0, [])],
)  # fmt: skip
def test_when_a_module_answers(delay, u95, struck):
    found = of_tap(delay_us=Number(delay, u95))
    assert list(found) == struck
    for text in found.values():
        said = "come 501 µs after the rising flank" if delay > 0 else "come 4.1 µs before"
        assert said in text
    assert delay < 500 or not struck or "answers (500 µs" in text


@pytest.mark.parametrize(
    ("module", "u95", "delay", "said"),
    [
        (-0.05, 0.01, 8.0, False), (-0.06, 0.01, 8.0, True), (0.06, 0.01, 8.0, True),
        (-0.06, 0.06, 8.0, False), (-0.06, 0.059, 8.0, True),
        (-6.0, 0.1, 500.0, True), (-6.0, 0.1, 501.0, False),
        (-6.0, 0.1, 0.0, True), (-6.0, 0.1, -1.0, False),
    ],
)  # fmt: skip
def test_a_delay_worth_a_word(module, u95, delay, said):
    found = of_tap(module=Number(module, u95), delay_us=Number(delay, 2.0))
    assert ("latency" in found) is said
    if said:
        assert f"{module:+.2f}° at this speed" in found["latency"]
        assert f"answers {delay:.1f} ± 2.0 µs" in found["latency"]


@pytest.mark.parametrize(
    ("name", "code", "said"),
    [
        ("no_spark", "trigger_no_spark", "{n} of {asked} triggers ({share} %)"),
        ("no_trigger", "no_trigger", "{n} firings had neither trigger nor spark (of {asked} "
         "triggers, {share} %)"),
        ("unasked", "spark_no_trigger", "{n} sparks came without a trigger ({share} %)"),
    ],
)  # fmt: skip
def test_missing_and_needless_sparks(name, code, said):
    """Three, and one in two hundred."""
    for n, asked, share in ((3, 600, "0.5"), (3, 40, "7.5"), (9, 0, "900.0"), (5, 1, "500.0")):
        found = of_tap(counts=replace(Counts(asked), **{name: n}))
        assert list(found) == [code]
        assert said.format(n=n, asked=max(asked, 1), share=share) in found[code]
    for n, asked in ((2, 10), (3, 601), (4, 801), (2, 0)):
        assert not of_tap(counts=replace(Counts(asked), **{name: n}))


def test_contacts_that_bounce():
    assert "bounce" not in of_tap(bounced=0.0099, bounce_us=300.0)
    for share, said in ((0.01, "in 1 %"), (0.3, "in 30 %"), (0.9, "in 90 %")):
        found = of_tap(bounced=share, bounce_us=310.4)
        assert list(found) == ["bounce"] and said in found["bounce"]
        assert "for 310 µs after" in found["bounce"]


COIL = replace(SETUP, coil_ms=1.5)


@pytest.mark.parametrize(
    ("setup", "changes", "said"),
    [
        # Nothing typed: half a millisecond is too short, whatever the coil.
        (SETUP, {"ms": Number(0.48, 0.02)}, None),
        (SETUP, {"ms": Number(0.47, 0.02)}, "for 0.47 ms, less than 0.5 ms, in which no"),
        # One time constant, of which the current has a share: 1 - exp(-1.4 / 1.5) = 0.607.
        (COIL, {"ms": Number(1.4, 0.1), "charged": 0.607}, None),
        (COIL, {"ms": Number(1.4, 0.09), "charged": 0.607},
         "for 1.40 ms, less than one time constant, 1.5 ms (L / R as typed); the current reaches "
         "61 % of its final"),
        (replace(SETUP, coil_ms=0.3), {"ms": Number(0.4, 0.02), "charged": 0.736}, None),
        (COIL, {"ms": Number(0.47, 0.02), "charged": None}, "less than 0.5 ms"),
    ],
)  # fmt: skip
def test_a_dwell_that_is_short(setup, changes, said):
    found = of_tap(setup, **changes)
    assert list(found) == ([] if said is None else ["dwell_short"])
    assert said is None or said in found["dwell_short"]


@pytest.mark.parametrize(
    ("setup", "changes", "said"),
    [
        (SETUP, {"pause_ms": 1.0}, None), (SETUP, {"pause_ms": float("nan")}, None),
        (SETUP, {"pause_ms": 0.98},
         "for 3.00 ms, longer than what leaves 1 ms for the spark to burn (common practice, no "
         "source): 0.98 ms are left"),
        (SETUP, {"ms": Number(9.0, 0.1)}, None),
        # Five time constants of 1.5 ms.
        (COIL, {"ms": Number(7.75, 0.25)}, None),
        (COIL, {"ms": Number(7.75, 0.24)},
         "for 7.75 ms, longer than 5 time constants, 7.5 ms (L / R as typed)"),
        (COIL, {"ms": Number(7.75, 0.25), "pause_ms": 0.5}, "what leaves 1 ms"),
    ],
)  # fmt: skip
def test_a_dwell_that_is_long(setup, changes, said):
    found = of_tap(setup, **changes)
    assert list(found) == ([] if said is None else ["dwell_long"])
    assert said is None or said in found["dwell_long"]


def test_a_level_that_is_no_dwell():
    """Nine tenths of the time is a rest level; a capacitive clamp hears no coil's current."""
    for share, said in ((0.9, True), (0.91, False)):
        assert ("dwell_long" in of_tap(pause_ms=0.5, share=share)) is said
        assert ("dwell_short" in of_tap(ms=Number(0.3, 0.01), share=share)) is said
    coupled = replace(SETUP, clamp_kind="clamp_capacitive")
    assert not of_tap(coupled, pause_ms=0.5, ms=Number(0.3, 0.01))
    # Contacts that bounce do so all the same.
    assert "bounce" in of_tap(coupled, bounced=0.3, share=0.95)


@pytest.mark.parametrize(
    ("module", "u95", "error", "note"),
    [
        (-1.3, 0.02, 6.2, "the module's -1.30° at this speed stay: no offset cures a delay"),
        (0.06, 0.02, 6.2, "the module's +0.06° at this speed stay: no offset cures a delay"),
        (0.05, 0.02, 6.2, ""), (-1.3, 1.3, 6.2, ""),
        (-1.3, 0.02, 0.2, "the error is within its uncertainty: the setting may stay as it is; "
         "the module's -1.30° at this speed stay: no offset cures a delay"),
    ],
)  # fmt: skip
def test_advice_on_the_controllers_part(module, u95, error, note):
    """Step 1: 3 less 6.2 is -3.2, so -3, and 6.2 - 6 are left with what the module does."""
    split = replace(SPLIT, controller=Number(error, 0.3), module=Number(module, u95))
    stepped = replace(SETUP, step=1.0)
    tip, more = gates_tap.advise(stepped, split, ())
    assert more == [] and tip is not None and tip.note == note
    assert tip.setting == (-3.0 if error == 6.2 else 3.0)
    assert tip.remaining == pytest.approx(0.2 + module) and tip.expanded == 0.3
    assert gates_tap.advise(stepped, replace(split, controller=None), ()) == (None, [])
    forbids = gates.Finding("late", "x", gates.WARNING, False)
    assert gates_tap.advise(stepped, split, (forbids,)) == (None, [])
    narrow = replace(stepped, least=2.0, most=4.0)
    if error == 6.2:
        none, (said,) = gates_tap.advise(narrow, split, ())
        assert none is None and said.code == "beyond_range" and not said.advice
