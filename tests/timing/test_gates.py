"""Every gate: strikes where it should, says what to check, and forbids advice where it must.

Where limits are from nowhere but practice, `gates` says so; here it is the logic that is held.
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from sparkwitness.errors import UserError
from sparkwitness.timing import clamps, gates, groups
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.events import Events
from sparkwitness.timing.gates import Evidence, Finding
from sparkwitness.timing.polarity import Polarity
from sparkwitness.timing.setup import Setup

SETUP = Setup(Reference(36, 1), commanded=20.0, cylinders=4, clamp="plug", setting=0.0)
SOUND = Evidence(SETUP, timing=21.0, expanded=0.5, scatter=0.3, rpm=800.0, modulo=360.0)
STRIKES = {
    "several_places": {"kind": "several", "places": ((42.5, 0.5), (-2.5, 0.5))},
    "vr_reversed": {"polarity": Polarity(Reference(36, 1), True, 60, 1.9, 1.8, 1.3, 0.01)},
    "odd_gap": {"gap": (1.85, 1.15, True)},
    "gap_unsure": {"gap": (1.85, 1.15, False)},
    "coil_on": {"second": (0.9, 3e-3, 14.4)},
    "pairs": {"pairs": (0.9, 0.8e-3, 3.84)},
    "caused": {"caused": (0.6, 150e-6)},
    "shaft": {"alternates": True, "setup": replace(SETUP, reference=Reference(36, 1, 2))},
    "ambiguous": {"modulo": 15.0},
    "look_differs": {"setup": replace(SETUP, seen=30.0)},
    "speed": {"rpm": 8.0},
    "implausible": {"timing": -70.0},
    "large_error": {"timing": 50.0},
    "sessions": {"sessions": "20.0° BTDC ± 0.5°, 25.0° BTDC ± 0.5°"},
    "other_lead": {"kind": "other lead", "places": ((20.0, 0.6), (110.0, 0.4))},
    "first_missed": {"kind": "first missed", "late": 0.3},
    "late": {"kind": "late", "late": 0.1, "places": ((20.0, 0.9), (15.0, 0.1))},
    "moved": {"kind": "moved", "places": ((20.0, 0.5), (25.0, 0.5))},
    "scatter": {"scatter": 3.0},
    "clamp_side": {"rpm": 6000.0},
    "vr_wires": {"setup": replace(SETUP, sensor="vr", falling=("crank",))},
    "crank_noise": {"noisy": 0.2},
    "crank_misfit": {"noisy": 0.3},
}


def test_a_sound_engine_passes_all():
    judged = gates.judge(SOUND)
    assert judged.shown and judged.error_shown and not judged.findings
    assert gates.advise(SETUP, 1.0, 0.5, judged.findings)[0].setting == -1.0


# What each says of its case, by hand: 21.0° BTDC where nothing else is given.
SAYS = {
    "several_places": ["at several places: 42.5° BTDC (50 %), 2.5° ATDC (50 %);"],
    "odd_gap": ["gap measures 1.85 tooth steps", "beside it 1.15, in place of 2 and 1:"],
    "gap_unsure": ["gap measures 1.85 tooth steps", "beside it 1.15, in place of 2 and 1."],
    "coil_on": ["in 90 % of", "edge 3.0 ms after", "spark is at 6.6° BTDC", "at 21.0° BTDC. Move"],
    "pairs": ["in 90 % of", "0.8 ms apart", "is at 17.2° BTDC"],
    "caused": ["60 % of the pulses", "come 150 µs after"],
    "ambiguous": ["timing is 21.0° BTDC or that ± k · 15°:"],
    "look_differs": ["showed 30.0° BTDC, the time stamps say 21.0° BTDC:"],
    "speed": ["8 rev/min is no speed"],
    "implausible": ["70.0° ATDC is no timing", "fire every 180°)"],
    "large_error": ["+30.0° is more", "fire every 180°)"],
    "sessions": ["apart: 20.0° BTDC ± 0.5°, 25.0° BTDC ± 0.5°;"],
    "other_lead": ["at 20.0° BTDC (60 %), 110.0° BTDC (40 %):"],
    "first_missed": ["in 30 % of"],
    "late": ["at 20.0° BTDC (90 %), 15.0° BTDC (10 %): in 10 % of"],
    "moved": ["during the run: 20.0° BTDC (50 %), 25.0° BTDC (50 %)."],
    "scatter": ["scatter by 3.0° (standard"],
    "clamp_side": ["read 2.3° late"],  # 65 µs at 36 000 degrees a second
    "vr_wires": ["up to 5° wrong"],
    "crank_noise": ["20 % of the crank's edges"],
    "crank_misfit": ["30 % of the crank's edges"],
}


@pytest.mark.parametrize("name", SAYS)
def test_the_numbers_that_a_gate_says(name):
    (found,) = [f for f in gates.judge(replace(SOUND, **STRIKES[name])).findings if f.code == name]
    for words in SAYS[name]:
        assert words in found.text


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"noisy": 0.05}, None), ({"noisy": 0.0501}, "crank_noise"),
        ({"noisy": 0.25}, "crank_noise"), ({"noisy": 0.2501}, "crank_misfit"),
        ({"scatter": 2.5}, None), ({"scatter": 2.51}, "scatter"),
        ({"timing": 45.0}, None), ({"timing": 45.1}, "large_error"), ({"timing": -5.0}, None),
        ({"timing": -5.1}, "large_error"), ({"second": (0.25, 3e-3, 14.4)}, "coil_on"),
        ({"second": (0.249, 3e-3, 14.4)}, None), ({"pairs": (0.8, 8e-4, 4.0)}, "pairs"),
        ({"pairs": (0.799, 8e-4, 4.0)}, None),
        ({"caused": (0.3, 1e-4)}, None), ({"caused": (0.301, 1e-4)}, "caused"),
        ({"modulo": 101.0}, None), ({"rpm": 20.0}, None), ({"rpm": 19.9}, "speed"),
        ({"rpm": 25000.0, "expanded": 5.0}, None), ({"rpm": 25000.5, "expanded": 5.0}, "speed"),
        ({"modulo": 51.1}, None), ({"modulo": 50.9}, "ambiguous"),  # 29.9° ATDC is plausible
        # 65 µs are 390 / 1000 degrees a 1000 rev/min: 1.0° at 2564 rev/min, twice the U.
        ({"rpm": 2560.0}, None), ({"rpm": 2570.0}, "clamp_side"),
        ({"rpm": 1020.0, "expanded": 0.1}, None), ({"rpm": 1030.0, "expanded": 0.1}, "clamp_side"),
    ],
)  # fmt: skip
def test_where_a_gate_begins_to_strike(changes, code):
    found = [f.code for f in gates.judge(replace(SOUND, **changes)).findings]
    assert found == ([] if code is None else [code])


@pytest.mark.parametrize(("timing", "struck"), [(70.0, 0), (70.1, 1), (-30.0, 0), (-30.1, 1)])
def test_no_engine_fires_there(timing, struck):
    free = replace(SOUND, timing=timing, setup=replace(SETUP, commanded=None))
    assert [f.code for f in gates.judge(free).findings] == ["implausible"] * struck


def test_the_gain_is_near_one_or_two():
    for gain, told in ((0.81, 1), (0.79, 0), (1.19, 1), (1.21, 0), (1.79, 0), (1.81, 1), (2.19, 1),
                       (2.21, 0), (-0.79, 0), (-2.19, 1)):  # fmt: skip
        tip, found = gates.advise(replace(SETUP, learned_gain=gain), 1.0, 0.5, ())
        assert (tip is not None) == bool(told), gain
        assert told or f"by {gain:+.2f}°" in found[0].text
        assert told or (found[0].level, found[0].advice) == (gates.WARNING, False)
    sure = replace(SETUP, confirmed=("gain",))
    assert gates.advise(replace(sure, learned_gain=0.21), 1.0, 0.5, ())[0] is not None
    assert gates.advise(replace(sure, learned_gain=0.19), 1.0, 0.5, ())[0] is None


@pytest.mark.parametrize(
    ("error", "told"), [(5.0, True), (5.1, False), (-3.0, True), (-3.1, False)]
)
def test_the_next_setting_lies_in_the_range(error, told):
    """Setting 1, from -4 to 4: 1 - 5 and 1 + 3 are its ends."""
    ranged = replace(SETUP, setting=1.0, least=-4.0, most=4.0)
    tip, found = gates.advise(ranged, error, 0.5, ())
    assert (tip is not None) == told
    assert told or f"would be {1 - error:.2f}, outside" in found[0].text
    assert told or "range (-4 to 4)" in found[0].text


def said(name, **changes):
    judged = gates.judge(replace(SOUND, **{**STRIKES[name], **changes}))
    return next(f.text for f in judged.findings if f.code == name)


def test_shares_and_times_to_their_last_digit():
    """Nine tenths are 90 %, a tenth of a second is 100.0 ms; at 720 000 µs a part in 10^6 shows."""
    for name, changes, words in (
        ("first_missed", {"late": 0.9}, "in 90 % of"), ("late", {"late": 0.9}, ": in 90 % of"),
        ("crank_misfit", {"noisy": 0.9}, "90 % of the crank's"),
        ("crank_noise", {"noisy": 0.2449}, "24 % of the crank's"),
        ("crank_noise", {"noisy": 0.2451}, "25 % of the crank's"),
        ("late", {"places": ((20.0, 0.9), (15.0, 0.1))}, "(90 %), 15.0° BTDC (10 %)"),
        ("coil_on", {"second": (0.9, 0.1, 14.4)}, "a second edge 100.0 ms after"),
        ("pairs", {"pairs": (0.9, 0.1, 3.84)}, "two edges, 100.0 ms apart"),
        ("caused", {"caused": (0.9, 0.72)}, "90 % of the pulses near a spark come 720000 µs after"),
    ):  # fmt: skip
        assert words in said(name, **changes)
    assert said("speed", rpm=30_000.4).startswith("30000 rev/min is no speed")


def test_of_several_places_the_coil_was_on_at_the_earliest():
    """42.5° and 2.5° after the top, 14.4° apart: the one, or 28.1°."""
    places = ((-2.5, 0.5), (42.5, 0.5))
    text = said("coil_on", kind="several", places=places)
    assert "spark is at 28.1° BTDC" in text and "it is at 42.5° BTDC" in text


def test_at_the_border_itself():
    """A lamp off by just what both do not know agrees; a late flank of just twice the U is none."""
    just = replace(SOUND, setup=replace(SETUP, seen=24.5))
    assert just.looked and not gates.judge(just).findings
    late = 6 * 6000.0 * gates.SECOND_FLANK_S
    for expanded, found in ((late / 2, []), (late / 2.01, ["clamp_side"])):
        judged = gates.judge(replace(SOUND, rpm=6000.0, expanded=expanded))
        assert [f.code for f in judged.findings] == found
    # 100° apart, and both ends of what an engine fires at.
    assert gates.alternatives(-30.0, 100.0) == [70.0]
    assert gates.alternatives(70.0, 100.0) == [-30.0]
    assert gates.alternatives(175.0, 180.0) == []
    assert len(gates.alternatives(0.0, 1.0)) == 100


@pytest.mark.parametrize(("seen", "found"), [(22.9, []), (23.0, ["vr_wires"])])
def test_a_lamp_that_tells_a_tooths_middle_from_its_end(seen, found):
    """Half of a 36 wheel's step is 5°: 2 off and known to 3 is no nearer than that."""
    setup = replace(SETUP, sensor="vr", falling=("crank",), seen=seen)
    assert [f.code for f in gates.judge(replace(SOUND, setup=setup)).findings] == found
    one = replace(SOUND, setup=replace(setup, reference=Reference(1)), timing=seen - 13.9)
    assert not {f.code for f in gates.judge(one).findings} & {"vr_wires"}
    one = replace(one, timing=seen - 14.0)  # of a single tooth 17°
    assert "vr_wires" in {f.code for f in gates.judge(one).findings}


def test_a_sentence_that_asks_for_a_lamp_is_settled_by_one():
    asks = {n for n, gate in gates.BY_NAME.items() if "--seen" in gate.text}
    assert len(asks) == 8
    for name, strike in STRIKES.items():
        at = {"implausible": -40.0, "look_differs": 26.0}.get(name, strike.get("timing", 21.0))
        lamp = 21.0 if name == "look_differs" else at
        setup = replace(strike.get("setup", SETUP), seen=lamp, seen_within=1.0)
        judged = gates.judge(replace(SOUND, **{**strike, "timing": at, "setup": setup}))
        settled = name in asks or name == "vr_wires"  # which a lamp within half a tooth tells
        assert (name in {f.code for f in judged.findings}) is not settled, name


def test_what_no_person_can_have_checked():
    """What one mean cannot be of, wires that are swapped, a gap that is wrong, another shaft; and
    which of the alike angles it is, only a lamp tells."""
    never = {"several_places", "vr_reversed", "odd_gap", "shaft", "ambiguous"}
    for name, strike in STRIKES.items():
        setup = replace(strike.get("setup", SETUP), confirmed=(name,))
        judged = gates.judge(replace(SOUND, **{**strike, "setup": setup}))
        (found,) = [f for f in judged.findings if f.code == name]
        assert found.advice == (name not in never or gates.BY_NAME[name].level == gates.NOTE)


def test_for_what_single_angles_are_withheld():
    refused = Finding("odd_gap", "x", gates.REFUSED, False)
    few = Finding("few_events", "x", gates.REFUSED, False)
    warned = Finding("scatter", "x", gates.WARNING, False)
    assert gates.withheld([warned, few, refused]) is refused
    assert gates.withheld([warned, few, Finding("unsteady", "x", gates.REFUSED)]) is None


W, R = gates.WARNING, gates.REFUSED
# What each does, whether a next setting may be told, whether a lamp settles it, and whether a
# person may say that it was checked.
DOES = {
    "several_places": (R, 0, 0, 0), "vr_reversed": (R, 0, 0, 0), "odd_gap": (R, 0, 0, 0),
    "shaft": (R, 0, 0, 0), "speed": (W, 0, 0, 1), "coil_on": (R, 0, 1, 1), "vr_wires": (R, 0, 0, 1),
    "ambiguous": (W, 0, 1, 0), "gap_unsure": (W, 0, 1, 1), "look_differs": (W, 0, 0, 1),
    "implausible": (W, 0, 1, 1), "large_error": (W, 0, 1, 1), "sessions": (W, 0, 0, 1),
    "pairs": (W, 0, 1, 1), "caused": (W, 0, 1, 1), "other_lead": (W, 0, 0, 1),
    "first_missed": (W, 0, 0, 1), "late": (W, 0, 0, 1), "moved": (W, 0, 0, 1),
    "scatter": (W, 0, 0, 1), "clamp_side": (W, 0, 0, 1), "crank_misfit": (W, 0, 1, 1),
    "crank_noise": (gates.NOTE, 1, 0, 1),
}  # fmt: skip


@pytest.mark.parametrize("name", DOES)
def test_what_a_gate_does(name: str):
    gate = gates.BY_NAME[name]
    assert (gate.level, gate.advice, gate.look, gate.confirm) == DOES[name]
    assert set(DOES) == set(gates.BY_NAME)
    assert gates.Finding("x", "y") == gates.Finding("x", "y", gates.NOTE, True)
    evidence = Evidence(SETUP, 20.0, 0.5, 0.3, 800.0)  # nothing more is known
    assert not gates.judge(evidence).findings


def test_of_a_sweep_the_clamps_side_is_judged_elsewhere():
    """Where the delay is told; a speed of no engine is one all the same."""
    fast = replace(SOUND, rpm=6000.0, sweep=True)
    assert not gates.judge(fast).findings
    (found,) = gates.judge(replace(fast, rpm=8.0)).findings
    assert found.code == "speed"


def test_a_wheel_that_repeats_and_where_a_lamp_cannot_tell():
    """Three even teeth come again after 120°, two after 180; 3° off a lamp that is sure to 3°
    must be nearer than the other place is: 3 of 6.1°, not of 6."""
    for teeth, struck in ((2, []), (3, ["ambiguous"])):
        setup = replace(SETUP, reference=Reference(teeth))
        found = gates.judge(replace(SOUND, setup=setup)).findings
        assert [f.code for f in found] == struck
    seen = replace(SETUP, seen=24.0)
    for modulo, struck in ((6.0, ["ambiguous"]), (6.1, [])):
        found = gates.judge(replace(SOUND, modulo=modulo, setup=seen)).findings
        assert [f.code for f in found] == struck


def test_a_gain_that_was_checked_may_be_negative():
    sure = replace(SETUP, confirmed=("gain",))
    for gain, setting in ((-0.5, 2.0), (0.5, -2.0), (-0.25, 4.0)):
        assert gates.advise(replace(sure, learned_gain=gain), 1.0, 0.5, ())[0].setting == setting
    for gain in (-0.19, 0.0):
        assert gates.advise(replace(sure, learned_gain=gain), 1.0, 0.5, ())[0] is None


def test_every_gate_has_a_case_here():
    assert set(STRIKES) == set(gates.BY_NAME)


@pytest.mark.parametrize("name", STRIKES)
def test_gate_strikes_and_says_so(name):
    gate = gates.BY_NAME[name]
    judged = gates.judge(replace(SOUND, **STRIKES[name]))
    (found,) = [f for f in judged.findings if f.code == name]
    assert found.level == gate.level and found.advice == gate.advice
    assert judged.shown == (gate.level != gates.REFUSED)
    assert judged.error_shown == (judged.shown and name != "ambiguous")
    assert len(found.text) > 60 and "{" not in found.text
    tip, _ = gates.advise(SETUP, 1.0, 0.5, judged.findings)
    assert (tip is not None) == gate.advice


@pytest.mark.parametrize(
    "name",
    [
        n
        for n, g in gates.BY_NAME.items()
        if g.level == gates.WARNING or (g.confirm and g.level == gates.REFUSED)
    ],
)
def test_what_was_checked_no_longer_forbids(name):
    strike = STRIKES[name]
    setup = replace(strike.get("setup", SETUP), confirmed=(name,))
    judged = gates.judge(replace(SOUND, **{**strike, "setup": setup}))
    (found,) = [f for f in judged.findings if f.code == name]
    assert found.advice == gates.BY_NAME[name].confirm and judged.shown


def test_a_look_settles_which_tooth_it_is():
    """24 teeth, one every 15°: a lamp within ±3° tells one from the next, one 7° off does not."""
    looked = replace(SOUND, modulo=15.0, setup=replace(SETUP, seen=22.0))
    assert gates.judge(looked).error_shown
    off = replace(SOUND, modulo=15.0, setup=replace(SETUP, seen=28.0))
    assert {f.code for f in gates.judge(off).findings} == {"ambiguous", "look_differs"}


def test_only_plausible_angles_are_alternatives():
    assert gates.alternatives(20.0, 360.0) == []
    assert gates.alternatives(20.0, 90.0) == []
    assert gates.alternatives(20.0, 60.0) == []
    assert gates.alternatives(5.0, 60.0) == [65.0]
    assert gates.alternatives(20.0, 45.0) == [-25.0, 65.0]
    assert gates.alternatives(20.0, 50.0) == [-30.0, 70.0]


def test_a_setting_that_did_nothing_gives_no_advice():
    """Trials at two settings with the same error: the gain is nothing, and no number follows."""
    still = replace(SETUP, learned_gain=0.004)
    tip, (found,) = gates.advise(still, 15.0, 0.5, ())
    assert tip is None and found.code == "gain" and "no effect" in found.text
    none = replace(SETUP, learned_gain=0.0, confirmed=("gain",))
    assert gates.advise(none, 15.0, 0.5, ())[0] is None
    for gain in (1.0, -1.0, 2.0, -2.0, 1.1):
        assert gates.advise(replace(SETUP, learned_gain=gain), 15.0, 0.5, ())[0] is not None


def test_a_setting_out_of_range_gives_no_advice_before_it_is_checked():
    narrow = replace(SETUP, least=-5.0, most=5.0)
    tip, (found,) = gates.advise(narrow, 12.0, 0.5, ())
    assert tip is None and found.code == "beyond_range"
    sure = replace(narrow, confirmed=("beyond_range",))
    assert gates.advise(sure, 12.0, 0.5, ())[0].setting == -5.0


def test_unknown_confirmations_are_refused_by_the_command():
    with pytest.raises(UserError):
        Setup(Reference(36, 1), seen=100.0)


def test_a_set_up_comes_back_from_json():
    """Its lists as the tuples they were, those of a learned wheel too; absent ones are empty."""
    learned = Reference(5, 1, errors=(0.1, -0.2, 0.05, 0.05))
    setup = Setup(
        learned, cylinders=4, clamp="coil", falling=("crank",), confirmed=("beyond_range",),
        order=(1, 3, 4, 2), firing=(0.0, 150.0, 360.0, 510.0), bank=(1, 3),
    )  # fmt: skip
    plain = json.loads(json.dumps(setup.to_dict()))
    assert Setup.from_dict(plain) == setup
    assert hash(Setup.from_dict(plain)) == hash(setup)
    del plain["reference"]["errors"]
    assert Setup.from_dict(plain) == replace(setup, reference=Reference(5, 1))


def _events(degrees, sparks=None):
    degrees = np.asarray(degrees, float)
    whole = np.zeros(len(degrees), np.int64)
    count = np.ones(len(degrees), np.int64) if sparks is None else np.asarray(sparks)
    tick = (degrees * 1000).astype(np.int64)
    return Events(tick, degrees, whole, count, tick, degrees, degrees * 0)


def test_places():
    rng = np.random.default_rng(0)
    own = 720.0 * np.arange(80) + rng.normal(0, 0.3, 80)
    assert groups.places(_events(own), 360, 720, np.nan).kind == groups.OWN
    beside = own[rng.random(80) < 0.5] + 90
    both = groups.places(_events(np.sort(np.append(own, beside))), 360, 720, np.nan)
    assert (both.kind == groups.OTHER_LEAD and abs(both.places[0].degrees % 360) < 1) or (
        both.places[0].degrees % 360 > 359
    )
    every = groups.places(_events(np.sort(np.append(own, own + 315))), 360, 360, np.nan)
    assert every.kind == groups.SEVERAL and len(every.places) == 2
    then = groups.places(_events(own + 8.0 * (np.arange(80) > 40)), 360, 720, np.nan)
    assert then.kind == groups.MOVED
    wide = 720.0 * np.arange(200) + rng.normal(0, 3, 200)
    assert groups.places(_events(wide), 360, 720, np.nan).kind == groups.OWN


def test_places_are_parted_where_the_squares_within_are_least():
    """Natural breaks (Fisher 1958, from memory): of all ways to part a row in two, the one whose
    squares about the two means are least. Few that are far off would draw the border to them."""
    far = (np.linspace(-0.5, 0.5, 120), np.linspace(1, 2, 20), np.linspace(2.5, 3.5, 6))
    x = 100.0 + np.concatenate(far)
    within = [np.var(x[:k]) * k + np.var(x[k:]) * (len(x) - k) for k in range(1, len(x))]
    assert 1 + int(np.argmin(within)) == 120
    spans = groups.heaps(x[np.random.default_rng(3).permutation(len(x))], 720.0)
    assert [bound for span in spans for bound in span] == pytest.approx([99.5, 100.5, 101, 103.5])


def test_missed_first_sparks_are_proven_by_the_burst():
    """Late by one spacing with one spark less: missed. Late with all sparks: late."""
    rng = np.random.default_rng(1)
    missed = rng.random(100) < 0.3
    at = 720.0 * np.arange(100) + rng.normal(0, 0.2, 100) + 4.0 * missed
    proven = groups.places(_events(at, 4 - missed), 360, 720, 4.0)
    assert proven.kind == groups.FIRST_MISSED and abs(proven.late - missed.mean()) < 0.01
    not_so = groups.places(_events(at, np.full(100, 4)), 360, 720, 4.0)
    assert not_so.kind == groups.SEVERAL


@pytest.mark.parametrize(
    ("turns", "step", "fitting"),
    [
        (1, 720, [("plug", 1)]),
        (1, 360, [("plug", 2), ("wasted", 1)]),
        (1, 180, [("wasted", 2), ("coil", 1)]),
        (2, 720, [("plug", 2), ("wasted", 1)]),
        (2, 1440, [("plug", 1)]),
        (1, 500, []),
    ],
)
def test_readings(turns, step, fitting):
    """By hand: a four, its plug once in two turns of the crank, one of the cam."""
    setup = Setup(Reference(36, 1, turns), cylinders=4)
    assert clamps.readings(setup, step) == fitting
    assert (clamps.doubt(setup, step, None, False) is not None) == (len(fitting) == 2)


def test_a_finding_is_plain():
    assert Finding("x", "y").level == gates.NOTE and Finding("x", "y").advice


def test_misfires_are_no_rhythm_typed_wrong():
    """Most firings without a spark: whole firings apart, now and then one. Half as often: never."""
    rng = np.random.default_rng(3)
    some = 720.0 * rng.geometric(0.3, 60) + rng.normal(0, 0.4, 60)
    assert clamps.misfires(some, 720.0)
    assert not clamps.misfires(2 * some, 720.0)
    assert not clamps.misfires(some / 3, 720.0)


@pytest.mark.parametrize("teeth", [24, 35, 36, 37, 60, 360])
def test_even_teeth_typed_one_off_are_counted(teeth):
    """Of a wheel with one tooth more than typed, a turn seems longer by a tooth's share."""
    setup = replace(SETUP, reference=Reference(teeth))
    steps = np.full(40, 720.0) + np.random.default_rng(1).normal(0, 0.5, 40)
    assert clamps.miscounted(setup, steps, 720.0) is None
    for real in (teeth - 1, teeth + 1):
        found = clamps.miscounted(setup, steps * real / teeth, 720.0)
        assert found.level == gates.REFUSED and f"with {real} teeth would fit" in found.text
    drifting = steps + 10 / 40  # the timing moves by 10 degrees meanwhile
    assert clamps.miscounted(setup, drifting, 720.0) is None
