"""Where the clamp sits: what the sparks' rhythm tells, and what contradicts what was typed."""

from dataclasses import replace

import numpy as np
import pytest

from sparkwitness.timing import clamps
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.gates import REFUSED
from sparkwitness.timing.setup import Setup

FOUR = Setup(Reference(36, 1), cylinders=4)
TWO = replace(FOUR, cylinders=3, strokes=2)


def refused(found, code: str) -> str:
    assert (found.code, found.level, found.advice) == (code, REFUSED, False)
    return found.text


@pytest.mark.parametrize(
    ("setup", "clamp", "parts", "spacing"),
    [
        (FOUR, "plug", 1, 720), (FOUR, "wasted", 2, 360), (FOUR, "coil", 4, 180),
        (replace(FOUR, cylinders=6), "coil", 6, 120), (TWO, "plug", 1, 360),
        (TWO, "wasted", 1, 360), (TWO, "coil", 3, 120),
    ],
)  # fmt: skip
def test_events_in_a_cycle(setup, clamp, parts, spacing):
    """A plug once in a cycle, 720° or 360; a wasted-spark lead once a turn; a coil for all."""
    found = clamps.typed(replace(setup, clamp=clamp))
    assert (found.clamp, found.parts, found.spacing) == (clamp, parts, spacing)
    assert isinstance(found.parts, int)  # `fold_of` wants whole numbers
    told = clamps.inferred(setup, np.full(5, float(spacing)))
    assert told.spacing == spacing and clamps.inferred(setup, np.full(5, 0.5 * 97)) is None
    assert clamps.inferred(setup, np.empty(0)) is None


@pytest.mark.parametrize(
    ("setup", "turns", "step", "found"),
    [
        # Typed on the crank; were it on the cam, everything would seem to come twice as often.
        (FOUR, 1, 720, [("plug", 1)]), (FOUR, 1, 360, [("plug", 2), ("wasted", 1)]),
        (FOUR, 1, 180, [("wasted", 2), ("coil", 1)]), (FOUR, 1, 90, [("coil", 2)]),
        (FOUR, 2, 1440, [("plug", 1)]), (FOUR, 2, 720, [("plug", 2), ("wasted", 1)]),
        (FOUR, 2, 360, [("wasted", 2), ("coil", 1)]), (FOUR, 1, 250, []),
        # A two-stroke has one shaft.
        (TWO, 1, 360, [("plug", 1), ("wasted", 1)]), (TWO, 1, 120, [("coil", 1)]),
        (TWO, 1, 180, []), (TWO, 1, 60, []),
        # Fifteen per cent either way.
        (FOUR, 1, 720 * 1.149, [("plug", 1)]), (FOUR, 1, 720 * 1.151, []),
        (FOUR, 1, 720 * 0.851, [("plug", 1)]), (FOUR, 1, 720 * 0.849, []),
    ],
)  # fmt: skip
def test_places_and_shafts_that_would_fit(setup, turns, step, found):
    reference = replace(setup.reference, turns=turns)
    assert clamps.readings(replace(setup, reference=reference), step) == found


def test_words_for_a_rhythm_that_was_not_typed():
    text = refused(clamps.no_reading(replace(FOUR, clamp="coil"), np.full(9, 90.0)), "spacing")
    assert text.startswith("sparks come every 90° of crank by the typed reference, not every 180°")
    assert "the coil's lead with 4 cylinders and the reference on the cam would fit" in text
    text = refused(clamps.no_reading(replace(FOUR, clamp="plug"), np.full(9, 360.0)), "spacing")
    assert "one plug lead and the reference on the cam, or a wasted-spark lead and the" in text
    text = refused(
        clamps.no_reading(FOUR, np.array([100.0, 200.0, 300.0, 400.0, 500.0])), "spacing"
    )
    assert "at no regular distance (140° to 460° of crank), not every 180° or 360° or 720°" in text
    # 15 % of the middle one is alike: half of them are enough.
    for near, said in ((340.0, "every 300°"), (346.0, "no regular distance")):
        steps = np.array([300.0, 300.0, 300.0, near, 100.0, 900.0, 950.0])
        assert said in clamps.no_reading(FOUR, steps).text
    # Just half; what is across a break is at no distance at all, regular or not.
    half = np.array([300.0, 300.0, 100.0, 900.0])
    broken = np.append(half, np.full(9, np.nan))
    for steps in (half, broken):
        assert "every 300°" in clamps.no_reading(FOUR, steps).text
    text = clamps.no_reading(FOUR, np.array([100.0, 200.0, np.nan, 300.0, 400.0, 500.0])).text
    assert "at no regular distance (140° to 460° of crank)" in text


def test_sparks_that_are_mostly_missing():
    """Every distance some whole firings, more than 95 of 100; single ones more than one in ten."""

    def mostly(*firings: float) -> bool:
        return clamps.misfires(180.0 * np.array(firings), 180.0)

    assert mostly(*[3] * 17, 1, 1, 1) and not mostly(*[3] * 18, 1, 1)
    assert mostly(*[3] * 30, *[1] * 9, 1.5) and not mostly(*[3] * 10, *[1] * 9, 1.5)
    assert mostly(*[2] * 15, *[1] * 5, np.nan, np.nan) and not mostly(*[2] * 20)
    # Less than a firing apart is no single one, and at 0.15 (27° of 180) no whole one.
    assert not mostly(*[3] * 17, *[0.1] * 3)
    assert mostly(*[3] * 16, 1, 1, 1, 0.14) and not mostly(*[3] * 16, 1, 1, 1, 27 / 180)
    for off, told in ((0.149, True), (0.151, False)):
        for sign in (1, -1):
            assert mostly(*[3 + sign * off] * 8, *[1.0] * 2) is told
            assert mostly(*[3] * 8, *[1 + sign * off] * 2) is told


EVEN = Setup(Reference(24), cylinders=4, clamp="plug")


def told(*steps: float, setup: Setup = EVEN, spacing: float = 720.0) -> str | None:
    found = clamps.miscounted(setup, np.array(steps), spacing)
    return None if found is None else refused(found, "spacing")


@pytest.mark.parametrize("teeth", [23, 25])
def test_a_wheel_with_a_tooth_more_or_less(teeth: int):
    """24 typed: a turn of 23 is taken for 345°, so a cycle for 690."""
    step = 720.0 * teeth / 24
    text = told(*[step] * 10)
    assert text.startswith(
        f"sparks come every {step:.1f}° of crank by the typed reference, not every 720°: a wheel "
        f"with {teeth} teeth would fit better than 24"
    )
    # So where firings are missing; what is across a break, or no whole firings, tells nothing.
    assert told(*[2 * step] * 5, np.nan) == text
    assert told(*[step] * 10, 1.25 * 720, 0.2 * 720, 1.6 * 720, 0.75 * 720) == text
    assert told(*[step] * 10, setup=replace(EVEN, reference=Reference(24, 1))) is None


def test_how_far_off_is_a_tooth():
    """Half a tooth of 24 in all, 1 in 48; and 40° at least, which a timing may move by."""
    for sign in (1, -1):
        assert told(*[720 * (1 + sign * 0.0209)] * 10) and not told(
            *[720 * (1 + sign * 0.0207)] * 10
        )
        assert told(720.0 + sign * 40.1) and not told(720.0 + sign * 39.9)
    # A firing a quarter off, or more, is none; a little less is one.
    assert told(*[690.0] * 10, 1.26 * 720) and told(*[690.0] * 10, 1.24 * 720) is None
    assert told(552.0, spacing=512.0) and not told(551.0, spacing=512.0)
    coarse = replace(EVEN, reference=Reference(4))
    assert told(*[720 * 1.126] * 10, setup=coarse) and not told(*[720 * 1.124] * 10, setup=coarse)


@pytest.mark.parametrize(
    ("step", "shaft", "code"),
    [
        (720.0, 0, None), (90.0, 2, None),  # one reading alone
        (360.0, 1, None), (180.0, 1, None), (360.0, 2, "shaft"), (360.0, 0, "which_clamp"),
    ],
)  # fmt: skip
def test_two_readings_and_what_the_ripple_tells(monkeypatch, step, shaft, code):
    asked = []

    def by_ripple(*args):
        asked.append(args)
        return shaft

    monkeypatch.setattr(clamps.crank, "shaft", by_ripple)
    found = clamps.doubt(FOUR, step, None, True)
    if code is None:
        assert found is None
    elif code == "shaft":
        assert "fits the reference on the cam, and 36-1 is typed" in refused(found, code)
    else:
        assert refused(found, code).startswith(
            "the sparks fit one plug lead and the reference on the cam, or a wasted-spark lead and "
            "the reference on the crank"
        )
    assert asked == ([(None, True, 4)] if step in (360.0, 180.0) else [])
    on_cam = replace(FOUR, reference=Reference(36, 1, 2))
    if shaft:
        other = clamps.doubt(on_cam, 2 * step, None, True)
        assert (other is None) is (step == 90.0 or shaft == 2)
