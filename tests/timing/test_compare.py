"""Before against after: differences, what cancels in them, and their intervals.

Longer than other files: each row of the table of changes has its numbers worked by hand.
"""

import json
from dataclasses import replace
from math import hypot, inf, sqrt
from pathlib import Path

import GTC
import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats

from sparkwitness import cli
from sparkwitness.records import logbook
from sparkwitness.records.replay import side_of_recording
from sparkwitness.timing import budget as timing
from sparkwitness.timing import compare
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.compare import Side
from sparkwitness.timing.setup import Setup


def run(*arguments: object, **more):
    return CliRunner().invoke(cli.main, [str(a) for a in arguments], **more)


def side(made, name: str) -> Side:
    return side_of_recording(made.path, name, made.setup)


def plain(at: float, rpm: float, parts: dict[str, float], **more) -> dict:
    """A measurement's plain values with this budget."""
    u = sqrt(sum(p * p for p in parts.values()))
    kinds = {"scatter of the sparks": "A"}
    components = [{"name": n, "u": p, "kind": kinds.get(n, "B")} for n, p in parts.items()]
    return {
        "timing_deg_btdc": at, "timing_expanded_deg": 2 * u, "commanded_deg_btdc": 20.0,
        "error_deg": at - 20, "rpm": rpm, "rpm_expanded": 1.0, "events": 200, "scatter_deg": 0.2,
        "budget": {"components": components, "u_deg": u}, "firings_expected": 200,
        "firings_missing": 0, **more,
    }  # fmt: skip


def change(found: compare.Comparison, name: str) -> compare.Change:
    return next(c for c in found.changes if c.name == name)


# The budget of a difference


def test_what_both_share_cancels_as_a_reference_library_computes_it():
    """GTC (Measurement Standards Laboratory of New Zealand) follows the GUM, correlations too."""
    scatter = (0.012, 0.017)
    stamp, tooth = 0.0004, 0.02
    speeds = (900.0, 3000.0)
    u_angle, u_delay = 0.25, 2e-6
    # Shared inputs are one object in GTC; the rest are objects of their own.
    angle, delay = GTC.ureal(47.0, u_angle), GTC.ureal(0.0, u_delay)
    timings = [
        angle + 6 * rpm * delay + GTC.ureal(0.0, s) + GTC.ureal(0.0, stamp) + GTC.ureal(0.0, tooth)
        for rpm, s in zip(speeds, scatter, strict=True)
    ]
    reference = timings[1] - timings[0]
    setup = Setup(Reference(36, 1, 1, 47.0, u_angle), commanded=16.0)
    sides = [
        Side(
            n,
            plain(30.0 - k, rpm, {
                "scatter of the sparks": s, "time stamp": stamp, "interpolation": tooth,
                "reference angle": u_angle, "clamp and conditioner delay": 6 * rpm * u_delay,
            }),
            setup,
        )
        for k, (n, rpm, s) in enumerate(zip("ab", speeds, scatter, strict=True))
    ]  # fmt: skip
    found = compare.compare(*sides)
    moved = change(found, "timing")
    assert moved.moved == pytest.approx(-1.0)
    assert (moved.high - moved.low) / 4 == pytest.approx(GTC.uncertainty(reference), rel=1e-12)
    assert "cancel" in found.assumed[0] and any("speeds differ" in a for a in found.assumed)
    # Moved in between: nothing cancels, and GTC gets inputs of their own.
    apart = [
        GTC.ureal(47.0, u_angle) + 6 * rpm * GTC.ureal(0.0, u_delay) + GTC.ureal(0.0, s)
        + GTC.ureal(0.0, stamp) + GTC.ureal(0.0, tooth)
        for rpm, s in zip(speeds, scatter, strict=True)
    ]  # fmt: skip
    wide = change(compare.compare(*sides, untouched=False), "timing")
    assert (wide.high - wide.low) / 4 == pytest.approx(
        GTC.uncertainty(apart[1] - apart[0]), rel=1e-12
    )
    # So it is where a set-up was typed differently.
    other = replace(setup, reference=Reference(36, 1, 1, 54.0, u_angle))
    typed = compare.compare(sides[0], replace(sides[1], setup=other))
    assert change(typed, "timing").high - change(typed, "timing").low == pytest.approx(
        wide.high - wide.low
    )
    assert "nothing cancels" in typed.assumed[0]


@pytest.mark.parametrize(("near", "moved"), [(72.0, 13.0), (30.0, -5.0), (10.0, 0.5), (100.0, 40)])
def test_the_swing_left_in_a_difference_is_bounded(near: float, moved: float):
    """Against drawing phases at random: the definition of the swing, no formula of ours.

    Speed N (1 + s cos(n theta + phase)); its phase shifts by up to what the spark moved.
    """
    rng = np.random.default_rng(3)
    setup = Setup(Reference(1, 0, 1, 60.0, 0.0), cylinders=4, swing=0.05)
    n, s = setup.firings_per_rev, 0.05
    phase = rng.uniform(0, 2 * np.pi, 200_000)

    def error(x: float, phase: np.ndarray) -> np.ndarray:
        return np.degrees(s / n * (np.sin(np.radians(n * x) + phase) - np.sin(phase)))

    u_b = timing.swing_uncertainty(near - moved, s, n)
    bound = compare._swing(800, 800, setup, moved, u_b, u_b)
    for share in (0.0, 0.5, -0.5, 1.0, -1.0):
        shifted = phase + share * np.radians(n * moved)
        drawn = error(near, phase) - error(near - moved, shifted)
        assert np.sqrt(np.mean(drawn**2)) <= bound * 1.01
    for faster in (1.3, 2.5):  # the same torque swings it less by the square (Newton)
        drawn = error(near, phase) - error(near - moved, phase) / faster**2
        after = compare._swing(800, 800 * faster, setup, moved, u_b, u_b)
        before = compare._swing(800 * faster, 800, setup, moved, u_b, u_b)
        assert np.sqrt(np.mean(drawn**2)) <= 1.01 * min(after, before)
        assert after <= bound + u_b * (1 - 1 / faster**2) + 1e-12
    still = error(near, phase) - error(near - moved, phase)
    between = timing.swing_uncertainty(abs(moved), s, n)
    assert np.sqrt(np.mean(still**2)) == pytest.approx(between, rel=0.01)


def test_interval_of_the_scatter_is_that_of_the_f_distribution():
    """scipy.stats is the reference for F; the case is the textbook one of two variances."""
    sides = [
        Side(n, plain(20.0, 900, {"scatter of the sparks": s / sqrt(200)}, scatter_deg=s), SETUP)
        for n, s in (("a", 0.2), ("b", 0.31))
    ]
    found = change(compare.compare(*sides), "scatter")
    low = 1.55 / sqrt(stats.f.ppf(0.975, 199, 199))
    high = 1.55 / sqrt(stats.f.ppf(0.025, 199, 199))
    assert (found.moved, found.low, found.high) == pytest.approx((1.55, low, high), rel=1e-6)
    assert found.verdict == "moved"


SETUP = Setup(Reference(36, 1, 1, 47.0, 0.1), commanded=16.0)
PARTS = {"scatter of the sparks": 0.01, "reference angle": 0.1}


def test_alike_neighbours_widen_the_interval_of_the_scatter():
    alone = 0.2 / sqrt(200)
    wide = [
        change(
            compare.compare(*(
                Side(n, plain(20.0, 900, {"scatter of the sparks": f * alone}), SETUP) for n in "ab"
            )),
            "scatter",
        )
        for f in (1.0, 3.0)
    ]  # fmt: skip
    assert wide[1].high - wide[1].low > 2.5 * (wide[0].high - wide[0].low)


def test_counts_that_never_varied_are_not_called_certain():
    """Rule of three (Hanley & Lippman-Hand, JAMA 249(13), 1983): 0 of n leaves up to 3 / n."""
    counts = {"sparks_per_event": {"1": 300}}
    sides = [Side(n, plain(20.0, 900, PARTS, **counts), SETUP) for n in "ab"]
    found = change(compare.compare(*sides), "sparks per event")
    assert found.before == (1.0, 0.01) and found.verdict == "not seen to move"
    assert found.high == pytest.approx(hypot(0.01, 0.01))


def test_verdicts_of_timing():
    def verdict(at: float, **more) -> str:
        sides = [Side("a", plain(20.0, 900, PARTS), SETUP)]
        sides.append(Side("b", plain(at, 900, PARTS, **more), SETUP))
        return compare.compare(*sides).headline

    assert verdict(9.0) == "timing moved by 11.000 ± 0.028° (retarded)"
    assert verdict(20.5) == "timing moved by 0.500 ± 0.028° (advanced)"
    assert verdict(20.01).startswith("no change of timing seen: +0.010 ± 0.028°")
    # Commanded elsewhere the second time: the timing had to move, the error had not.
    said = verdict(25.0, commanded_deg_btdc=25.0, error_deg=0.0)
    assert said.startswith("no change of error seen")


# Each number of a row, worked by hand


def rows(a: dict, b: dict, setup: Setup = None, other: Setup = None, **more) -> dict:
    sides = [Side("a", a, setup or SETUP), Side("b", b, other or setup or SETUP)]
    found = compare.compare(*sides, **more)
    return {c.name: c for c in found.changes} | {"assumed": found.assumed}


def test_mean_sparks_per_event_and_its_interval_by_hand():
    """90 events of 1, 10 of 2: mean 1.1, s² = (90·0.1² + 10·0.9²) / 99 = 9 / 99; U = 2 s / 10."""
    a = plain(20.0, 900, PARTS, sparks_per_event={"1": 90, "2": 10})
    b = plain(20.0, 900, PARTS, sparks_per_event={"1": 40, "2": 60})
    found = rows(a, b)["sparks per event"]
    u_a = 2 * sqrt(9 / 99 / 100)
    u_b = 2 * sqrt((40 * 0.6**2 + 60 * 0.4**2) / 99 / 100)
    assert found.before == pytest.approx((1.1, u_a)) and found.after == pytest.approx((1.6, u_b))
    assert found.moved == pytest.approx(0.5) and found.verdict == "moved"
    assert found.low == pytest.approx(0.5 - hypot(u_a, u_b))
    assert found.high == pytest.approx(0.5 + hypot(u_a, u_b))
    assert rows(b, a)["sparks per event"].moved == pytest.approx(-0.5)
    # One event has no scatter, so that nothing can be said.
    assert "sparks per event" not in rows(plain(20.0, 900, PARTS, sparks_per_event={"1": 1}), b)
    two = rows(plain(20.0, 900, PARTS, sparks_per_event={"1": 2}), b)["sparks per event"]
    assert two.before == (1.0, 1.5)


def test_firings_without_a_spark_by_hand():
    """4 of 200, then 30 of 150; Newcombe's method 10 from scipy's Wilson intervals."""
    a = plain(20.0, 900, PARTS, firings_missing=4, firings_expected=200)
    b = plain(20.0, 900, PARTS, firings_missing=30, firings_expected=150)
    found = rows(a, b)["firings without a spark"]
    (low_a, high_a), (low_b, high_b) = (
        100 * np.array(stats.binomtest(k, n).proportion_ci(method="wilson"))
        for k, n in ((4, 200), (30, 150))
    )
    assert found.before == pytest.approx((2.0, (high_a - low_a) / 2))
    assert found.after == pytest.approx((20.0, (high_b - low_b) / 2))
    assert found.moved == pytest.approx(18.0) and found.verdict == "moved"
    assert found.low == pytest.approx(18 - hypot(20 - low_b, high_a - 2))
    assert found.high == pytest.approx(18 + hypot(high_b - 20, 2 - low_a))
    assert found.note == "4 of 200, then 30 of 150"
    assert rows(b, a)["firings without a spark"].moved == pytest.approx(-18.0)
    none = plain(20.0, 900, PARTS, firings_missing=0, firings_expected=0)
    assert "firings without a spark" not in rows(none, b)
    assert "firings without a spark" not in rows(a, none)
    del none["firings_missing"]
    some = rows({**none, "firings_expected": 200}, b)["firings without a spark"]
    assert some.before[0] == 0.0 and some.moved == pytest.approx(20.0)


@pytest.mark.parametrize("untouched", [True, False])
def test_delay_by_hand(untouched: bool):
    """Alternating ± 1 has no like neighbours: s / sqrt(n) = 1 / sqrt(n - 1) (s² = n / (n - 1)).

    Twice that becomes Student's t of n - 1 (JCGM 100, G.3).
    """
    setup = replace(SETUP, delay_us=3.0, u_delay_us=0.5)
    sides = [
        Side(n, plain(20.0, 900, PARTS), setup, middle + np.tile([1.0, -1.0], half))
        for n, middle, half in (("a", 60.0, 50), ("b", 55.0, 200))
    ]
    found = change(compare.compare(*sides, untouched=untouched), "delay")
    u_a, u_b = (stats.t.ppf(0.97725, n) / 2 / sqrt(n) for n in (99, 399))
    assert found.before == pytest.approx((60.0, 2 * hypot(u_a, 0.5)))
    assert found.after == pytest.approx((55.0, 2 * hypot(u_b, 0.5)))
    half = 2 * (hypot(u_a, u_b) if untouched else hypot(u_a, u_b, 0.5, 0.5))
    assert (found.moved, found.low, found.high) == pytest.approx((-5.0, -5 - half, -5 + half))
    assert found.verdict == "moved"
    bare = compare.compare(sides[0], replace(sides[1], delays=None))
    assert change(bare, "delay").note == "b has no recording to take the delay from"
    few = compare.compare(replace(sides[0], delays=np.array([60.0, 61.0])), sides[1])
    assert change(few, "delay").note == "a has no edges of the trigger tap"
    three = replace(sides[0], delays=np.array([60.0, 61.0, 60.0]))
    assert change(compare.compare(three, sides[1]), "delay").verdict == "moved"


def test_spacing_burst_and_speed_by_hand():
    told = [
        plain(
            20.0, rpm, PARTS, spark_spacing_us=s, spark_spacing_expanded_us=3.0,
            burst_duration_us=d, burst_duration_expanded_us=4.0, rpm_expanded=5.0,
        )
        for rpm, s, d in ((900.0, 640.0, 1920.0), (910.0, 650.0, 1924.0))
    ]  # fmt: skip
    found = rows(*told)
    spacing, length, speed = (found[n] for n in ("between sparks", "length of a burst", "speed"))
    assert (spacing.before, spacing.after) == ((640.0, 3.0), (650.0, 3.0))
    assert (spacing.moved, spacing.low, spacing.high) == pytest.approx(
        (10, 10 - sqrt(18), 10 + sqrt(18))
    )
    assert (length.moved, length.low, length.high) == pytest.approx((4, 4 - sqrt(32), 4 + sqrt(32)))
    assert (speed.moved, speed.low, speed.high) == pytest.approx((10, 10 - sqrt(50), 10 + sqrt(50)))
    assert [c.verdict for c in (spacing, length, speed)] == ["moved", "not seen to move", "moved"]
    assert [c.unit for c in (spacing, length, speed)] == ["µs", "µs", "rpm"]
    assert spacing.text() == "+10.0 ± 4.2 µs" and length.text() == "+4.0 ± 5.7 µs"
    half_known = dict(told[0], spark_spacing_expanded_us=None)
    assert "between sparks" not in rows(half_known, told[1])


def test_scatter_fewer_than_half_known_and_its_own_interval():
    """JCGM 100, E.4.3: u(s) / s = 1 / sqrt(2 (n - 1)); alike neighbours count as fewer."""
    alone = 0.2 / sqrt(200)
    a = plain(20.0, 900, {"scatter of the sparks": alone}, scatter_deg=0.2)
    b = plain(20.0, 900, {"scatter of the sparks": 2 * alone}, scatter_deg=0.2)
    found = rows(a, b)["scatter"]
    assert found.before == pytest.approx((0.2, 2 * 0.2 / sqrt(2 * 199)))
    assert found.after == pytest.approx((0.2, 2 * 0.2 / sqrt(2 * 199 / 4)))
    half = [sqrt(stats.f.ppf(p, 199, 199 / 4)) for p in (0.025, 0.975)]
    # s_b / s_a = 1: its interval is that of sqrt(F) with the degrees of freedom exchanged.
    assert (found.low, found.high) == pytest.approx((half[0], half[1]), rel=1e-6)
    assert found.verdict == "not seen to move" and found.moved == 1.0
    assert found.text() == f"× 1.00 ({half[0]:.2f} to {half[1]:.2f})"
    none = plain(20.0, 900, {"scatter of the sparks": alone}, scatter_deg=0.0)
    assert "scatter" not in rows(none, b) and "scatter" not in rows(b, none)


@pytest.mark.parametrize(("typed", "speeds"), [(0.05, (700.0, 800.0)), (None, (700.0, 800.0))])
def test_the_swing_of_a_pulse_in_a_difference_by_hand(typed, speeds):
    """(s / n) sqrt(1 - cos n x) for what lies between; its phase and size on top, see `_swing`.

    Default swing (common practice, no source): 8 % at 800 rev/min with two firings per revolution,
    falling with the square of the speed; so does what is typed, from the one speed to the other.
    """
    setup = replace(SETUP, reference=Reference(1, 0, 1, 60.0, 0.0), swing=typed)
    s_a = 0.08 * (800 / speeds[0]) ** 2 if typed is None else typed
    a, b = (
        plain(at, r, {"scatter of the sparks": 0.01, "speed swing": 1.0})
        for at, r in zip((20.0, 17.0), speeds, strict=True)
    )
    found = rows(a, b, setup)["timing"]
    between = s_a / 2 * 180 / np.pi * sqrt(1 - np.cos(np.radians(2 * 3)))
    part = between + 2 * np.sin(np.radians(3)) + 1 - (700 / 800) ** 2
    half = 2 * sqrt(part**2 + 2 * 0.01**2)
    assert (found.moved, found.low, found.high) == pytest.approx((-3, -3 - half, -3 + half))


def test_speeds_that_differ_by_more_than_two_percent_are_told():
    def told(fast: float) -> bool:
        found = rows(plain(20.0, 1000.0, PARTS), plain(20.0, fast, PARTS))["assumed"]
        return any("the speeds differ" in line for line in found)

    assert not told(1015.0) and told(1030.0)
    at_the_border = rows(plain(20.0, 980.0, PARTS), plain(20.0, 1000.0, PARTS))["assumed"]
    assert not any("differ" in line for line in at_the_border)
    slower = rows(plain(20.0, 1030.0, PARTS), plain(20.0, 1000.0, PARTS))["assumed"]
    assert any("(1000 and 1030 rpm)" in line for line in slower)
    assert not any(
        "differ" in x for x in rows(plain(20.0, 0, PARTS), plain(20, 9, PARTS))["assumed"]
    )


@pytest.mark.parametrize(
    "typed",
    [
        {"sensor": "logic"}, {"clamp": "coil"}, {"clamp_input": "clamp_b"},
        {"clamp_kind": "clamp_capacitive"}, {"falling": ("crank",)}, {"delay_us": 2.0},
        {"u_delay_us": 1.0}, {"swing": 0.03}, {"cylinders": 6}, {"strokes": 2},
    ],
)  # fmt: skip
def test_any_part_of_the_set_up_that_differs_ends_the_cancelling(typed: dict):
    a, b = plain(20.0, 900, PARTS), plain(21.0, 900, PARTS)
    same, other = rows(a, b), rows(a, b, SETUP, replace(SETUP, **typed))
    assert (same["timing"].high - same["timing"].low) == pytest.approx(4 * hypot(0.01, 0.01))
    assert (other["timing"].high - other["timing"].low) == pytest.approx(
        4 * hypot(0.01, 0.01, 0.1, 0.1)
    )
    assert "the set-ups differ" in other["assumed"][0]


def test_what_may_be_absent_and_what_warns():
    told = {
        "findings": [{"text": "a lead beside", "level": "warning"}, {"text": "x", "level": "note"}]
    }
    a, b = plain(20.0, 900, PARTS, **told), plain(22.0, 900, PARTS)
    found = rows(a, b)
    assert "a: a lead beside" in found["assumed"] and not any(
        "x" in x for x in found["assumed"][1:2]
    )
    assert rows(dict(a, commanded_deg_btdc=None), b)["timing"].moved == pytest.approx(2.0)
    moved = rows(dict(a, commanded_deg_btdc=18.0, error_deg=2.0), b)
    assert moved["error"].before == (2.0, a["timing_expanded_deg"])
    assert (
        moved["error"].moved == pytest.approx(0.0) and "timing had to move" in moved["assumed"][-1]
    )
    none = rows(dict(a, timing_deg_btdc=None), b)["timing"]
    assert none.moved is None and none.note == "a has no timing" and none.verdict == "not known"
    assert rows(a, dict(b, timing_deg_btdc=None))["timing"].note == "b has no timing"


def test_words_of_a_change():
    """A half-width where the value is in the middle, to a hundredth of it, else both ends."""

    def said(moved: float, low: float, high: float, unit: str = "µs", **more) -> str:
        return compare.Change("x", unit, None, None, moved, low, high, "moved", **more).text()

    assert said(0.0, -99.0, 101.0) == "+0 ± 100 µs"
    assert said(0.0, -99.0, 101.1) == "+0 µs (-99 to +101)"
    assert said(2.0, -98.0, 101.9, "°") == "+2 ± 100°"
    assert said(-2.5, -3.0, -1.5) == "-2.5 µs (-3 to -1.5)"
    assert said(-2.5, -3.0, -2.0, "") == "-2.50 ± 0.50"
    # Four digits where two would not part the ends: 0.02 wide.
    assert said(1.0, 0.99, 1.0095, ratio=True) == "× 1.0000 (0.9900 to 1.0095)"
    assert said(1.0, 0.99, 1.0105, ratio=True) == "× 1.00 (0.99 to 1.01)"


def test_what_is_not_known_has_no_ends():
    unknown = compare.compare(
        Side("a", plain(20.0, 900, PARTS), SETUP), Side("b", plain(20.0, 900, PARTS), SETUP)
    )
    delay = change(unknown, "delay")
    assert (delay.moved, delay.low, delay.high, delay.verdict) == (None, -inf, inf, "not known")
    told = {c["name"]: c for c in unknown.to_dict()["changes"]}
    assert (told["delay"]["low"], told["delay"]["high"]) == (None, None)
    timing_ = change(unknown, "timing")
    assert (told["timing"]["low"], told["timing"]["high"]) == (timing_.low, timing_.high)


def test_a_part_that_one_of_the_two_alone_has():
    """Tooth errors 0.3 before only, learned 0.4 after only: 0.5 together; the scatter beside."""
    a = plain(20.0, 900, {"scatter of the sparks": 0.01, "index tooth": 0.3})
    b = plain(20.0, 900, {"scatter of the sparks": 0.01, "tooth errors left": 0.4})
    found = rows(a, b)["timing"]
    assert found.high == pytest.approx(2 * sqrt(0.3**2 + 0.4**2 + 2 * 0.01**2))


@pytest.mark.parametrize("moved", [100.0, -100.0, 170.0, -170.0])
def test_the_phase_of_the_swing_may_shift_by_half_a_wave_at_most(moved: float):
    """Two firings a turn, 90° and more of crank either way: the swing turned round, 2 u."""
    setup = replace(SETUP, swing=0.05)
    between = timing.swing_uncertainty(abs(moved), 0.05, 2.0)
    assert compare._swing(800, 800, setup, moved, 0.3, 0.7) == pytest.approx(between + 2 * 0.7)
    # Before that by the chord of the angle that it turns: 60° of wave, 2 sin(30°).
    by = 30.0 if moved > 0 else -30.0
    between = timing.swing_uncertainty(30.0, 0.05, 2.0)
    found = compare._swing(400, 800, setup, by, 0.3, 0.7)
    assert found == pytest.approx(between + 0.7 + 0.7 * 0.75)


@pytest.mark.parametrize(("before", "after"), [(0.3, 0.7), (0.7, 0.3)])
def test_a_swing_adds_no_more_than_both_sides_own(before: float, after: float):
    """Half a wave apart the bound is 2.9° and more; what two errors of 0.3° and 0.7° can differ
    by is 1°."""
    setup = replace(SETUP, reference=Reference(1, 0, 1, 60.0, 0.0), swing=0.05)
    a, b = (
        plain(at, 800.0, {"scatter of the sparks": 0.01, "speed swing": u})
        for at, u in ((20.0, before), (-70.0, after))
    )
    found = rows(a, b, setup)["timing"]
    half = 2 * sqrt(1.0**2 + 2 * 0.01**2)
    assert (found.moved, found.high) == pytest.approx((-90.0, -90.0 + half))


def test_freedom_of_a_scatter():
    """n - 1 of n alone; as much less as its mean's variance is more than s² / n, but 2."""
    alone = 0.2 / sqrt(200)

    def freedom(u: float | None) -> float:
        parts = {} if u is None else {"scatter of the sparks": u}
        return compare._freedom(plain(20.0, 900, {**parts, "index tooth": 0.1}))

    assert freedom(None) == 199.0 and freedom(0.5 * alone) == 199.0
    assert freedom(2 * alone) == pytest.approx(199 / 4)
    assert freedom(1.0) == 2.0


def test_quantities_that_say_little_of_themselves():
    """Without a number of values a count is known to ± 3 (rule of three, of one); µs as told."""
    point = {"rpm_set": 900, "sparks": {"mean": 3.0, "expanded": 0.1},
             "delay_us": {"mean": 40.0, "expanded": 0.4}, "dwell_ms": {"mean": 3.0, "expanded": 1},
             "gap": {"mean": 1.0}}  # fmt: skip
    assert compare.quantities({"points": [point]}) == {
        "sparks at 900 rpm": (3.0, 3.0, ""), "delay at 900 rpm": (40.0, 0.4, "µs"),
        "dwell at 900 rpm": (3.0, 1, "ms"),
    }  # fmt: skip


def test_runs_of_other_kinds_by_hand():
    def run_of(delay: float, fixed: float, step: float) -> Side:
        return Side("x", {
            "quantities": {"delay": {"value": delay, "expanded": 3.0, "unit": "µs"},
                           "unknown": {"value": None, "expanded": 1.0}},
            "fit": {"fixed": fixed, "u_fixed": 0.3, "delay_us": 100.0, "u_delay_us": 8.0},
            "points": [
                {"rpm_set": 1500, "delay_us": {"mean": step, "expanded": 0.4, "n": 30},
                 "sparks": {"mean": 3.0, "expanded": 0.01, "n": 30}, "angle_deg": {"mean": 1}},
                {"kind": "ramp", "rpm_set": 900, "delay_us": {"mean": 1.0, "expanded": 0.1}},
            ],
        })  # fmt: skip

    found = compare.compare(run_of(20.0, 1.0, 40.0), run_of(26.0, 1.2, 41.0))
    told = {c.name: c for c in found.changes}
    assert set(told) == {"delay", "fixed angle", "delay at 1500 rpm", "sparks at 1500 rpm"}
    # The fit's delay is the run's own: 100 µs both times.
    assert told["delay"].before == (100.0, 8.0) and told["delay"].moved == 0.0
    fixed, step, sparks = (told[n] for n in list(told) if n != "delay")
    assert (fixed.moved, fixed.low, fixed.high, fixed.unit) == (
        pytest.approx(0.2), pytest.approx(0.2 - hypot(0.3, 0.3)),
        pytest.approx(0.2 + hypot(0.3, 0.3)), "°",
    )  # fmt: skip
    assert (step.moved, step.high, step.unit) == (1.0, pytest.approx(1 + hypot(0.4, 0.4)), "µs")
    assert sparks.before == (3.0, 0.1)  # rule of three: 3 / 30
    assert found.headline == "moved: delay at 1500 rpm"
    still = compare.compare(run_of(20.0, 1.0, 40.0), run_of(20.0, 1.0, 40.0))
    assert still.headline == "no change seen in 4 quantities"


# Real recordings


def test_a_correction_of_the_setting_is_seen_as_what_it_truly_was(marine, corrected):
    found = compare.compare(side(marine, "before"), side(corrected, "after"))
    truly = [m.truth.btdc_deg[m.truth.sparks > 0].mean() for m in (marine, corrected)]
    moved = change(found, "timing")
    assert moved.low <= truly[1] - truly[0] <= moved.high
    assert moved.verdict == "moved" and "advanced" in found.headline
    each = hypot(marine.result.expanded or 0, corrected.result.expanded or 0)
    assert moved.high - moved.moved < 0.6 * each  # sharing the set-up is worth that much
    for name in ("sparks per event", "firings without a spark", "delay"):
        # Nothing moved, so one interval in twenty may say it did; none is off by twice its width.
        same = change(found, name)
        nothing = 1.0 if same.ratio else 0.0
        assert 2 * same.low - same.moved <= nothing <= 2 * same.high - same.moved, name
    # The module's delay is 18 µs in the scenario (marine-four.toml), plus the pickup's.
    delay = change(found, "delay")
    assert delay.before is not None and abs(delay.before[0] - 18) < delay.before[1]


def test_a_recording_against_itself_shows_nothing(marine):
    found = compare.compare(side(marine, "a"), side(marine, "b"))
    assert {c.verdict for c in found.changes} == {"not seen to move"}
    assert all(c.moved == (1 if c.ratio else 0) for c in found.changes)


def test_the_command(tmp_path: Path, marine, corrected, far):
    env = {"SPARKWITNESS_LOGBOOK": str(tmp_path / "book.db")}
    with logbook.Logbook(tmp_path / "book.db") as book:
        first = book.keep_measurement(marine.result, marine.setup, recording=marine.path)
        bare = book.keep_measurement(corrected.result, corrected.setup)
        bench = [
            book.keep("bench", "x", {"quantities": {"delay": {"value": v, "expanded": 1.0}}})
            for v in (20.0, 26.0)
        ]
    answer = run("compare", first, corrected.path, "--json", env=env)
    assert answer.exit_code == 0
    found = json.loads(answer.stdout)
    assert found["before"] == f"run {first}" and found["after"] == "corrected"
    assert found["changes"][0]["moved"] == corrected.result.timing - marine.result.timing
    shown = run("compare", first, bare, env=env)
    assert shown.exit_code == 0 and "Timing moved by" in shown.output
    assert "without a recording" in shown.output
    looser = json.loads(run("compare", first, corrected.path, "--moved", "--json", env=env).stdout)
    assert looser["changes"][0]["high"] > found["changes"][0]["high"]
    benches = json.loads(run("compare", *bench, "--json", env=env).stdout)
    assert benches["headline"] == "moved: delay"
    other = run("compare", marine.path, far.path, env=env)
    assert other.exit_code == 0 and "the speeds differ" in other.output.replace("\n", " ")
    mixed = run("compare", first, bench[0], env=env)
    assert mixed.exit_code == 0 and "no quantity in common" in mixed.output
    for wrong in ((first, 99), (first, tmp_path / "none.rec")):
        refused = run("compare", *wrong, env=env)
        assert refused.exit_code == 1 and refused.output.startswith("Error: ")


def test_an_interval_that_ends_at_no_change_is_none_seen():
    for low, high, same, told in (
        (0.0, 1.0, 0.0, "not seen to move"), (-1.0, 0.0, 0.0, "not seen to move"),
        (0.001, 1.0, 0.0, "moved"), (-1.0, -0.001, 0.0, "moved"),
        (1.0, 2.0, 1.0, "not seen to move"), (1.1, 2.0, 1.0, "moved"),
    ):  # fmt: skip
        assert compare._judged(low, high, same) == told


def test_words_where_the_value_is_at_one_side():
    """Above the middle as below it; of a ratio two digits from more than 0.02 wide on."""
    for moved in (2.0, -2.0):
        text = compare.Change("x", "µs", None, None, moved, -100.0, 100.0, "moved").text()
        assert text == f"{moved:+g} µs (-100 to +100)"
    exact = compare.Change("x", "", None, None, 0.01, 0.0, 0.02, "moved", ratio=True).text()
    assert exact == "× 0.0100 (0.0000 to 0.0200)"


def test_what_is_said_of_the_rest_when_a_part_is_absent():
    a, b = plain(20.0, 900, PARTS), plain(22.0, 900, PARTS)
    moved_away = rows(a, b, untouched=False)["assumed"]
    assert moved_away[0] == (
        "sensor or clamp was moved in between: nothing cancels in the difference"
    )
    # A timing that had to move is told, whether the scatter is known or not; of none nothing.
    for less, told in (({"scatter_deg": None}, True), ({"timing_deg_btdc": None}, False)):
        one = dict(a, commanded_deg_btdc=18.0, error_deg=2.0, **less)
        if not told:
            one["error_deg"] = None
        assert any("had to move" in line for line in rows(one, b)["assumed"]) is told
    for absent in ("firings_expected", "firings_missing"):
        bare = {k: v for k, v in a.items() if k != absent}
        assert ("firings without a spark" in rows(bare, b)) is (absent == "firings_missing")
    # A speed that is not known is no other speed.
    assert not any("speeds differ" in line for line in rows(dict(a, rpm=None), b)["assumed"])


def test_the_clamps_delay_is_that_of_the_run_s_speed():
    """A coil's path is known less well at one speed than at another: the set-up says how well."""
    setup = replace(SETUP, sensor="vr", falling=("crank",))
    delays = 60 + np.tile([1.0, -1.0], 50)
    u = stats.t.ppf(0.97725, 99) / 2 / sqrt(99)
    at = {rpm: setup.delay(rpm).u_us for rpm in (100.0, 900.0, 3000.0)}
    assert len({round(one, 3) for one in at.values()}) == 3
    side_b = Side("b", plain(20.0, 900, PARTS), setup, delays)
    for rpm, clamp in at.items():
        side_a = Side("a", plain(20.0, rpm, PARTS), setup, delays)
        found = change(compare.compare(side_a, side_b), "delay")
        assert found.before == pytest.approx((60.0, 2 * hypot(u, clamp)))
    side_a = Side("a", dict(plain(20.0, 900, PARTS), rpm=None), setup, delays)
    found = change(compare.compare(side_a, side_b), "delay")
    assert found.moved is None and "a: the delay of the vr input depends on the speed" in found.note
    # Of another sensor it hangs on no speed.
    side_a, side_b = (replace(side, setup=SETUP) for side in (side_a, side_b))
    assert change(compare.compare(side_a, side_b), "delay").moved == 0.0


def test_each_side_has_its_own_uncertainty_and_unit():
    a, b = plain(20.0, 900, PARTS), plain(22.0, 900, {**PARTS, "index tooth": 0.3})
    found = rows(a, b)
    assert found["timing"].before == (20.0, pytest.approx(2 * hypot(0.01, 0.1)))
    assert found["timing"].after == (22.0, pytest.approx(2 * sqrt(0.01**2 + 0.1**2 + 0.3**2)))
    units = {name: one.unit for name, one in found.items() if name != "assumed"}
    assert units == {
        "timing": "°", "scatter": "°", "firings without a spark": "%", "delay": "µs",
        "speed": "rpm",
    }  # fmt: skip
    # A command that one of the two did not type is no other one.
    assert rows(a, dict(b, commanded_deg_btdc=None))["timing"].moved == pytest.approx(2.0)
    nothing = rows(*(dict(one, timing_deg_btdc=None) for one in (a, b)))["timing"]
    assert nothing.note == "a has no timing"


@pytest.mark.parametrize("turned", [False, True])
def test_the_clamps_delay_of_either_side(turned: bool):
    """A VR sensor's path at 100 and at 900 rev/min; moved in between both count."""
    setup = replace(SETUP, sensor="vr", falling=("crank",))
    delays = 60 + np.tile([1.0, -1.0], 50)
    u = stats.t.ppf(0.97725, 99) / 2 / sqrt(99)
    speeds = (900.0, 100.0) if turned else (100.0, 900.0)
    sides = [Side(f"{rpm}", plain(20.0, rpm, PARTS), setup, delays) for rpm in speeds]
    clamps = [setup.delay(rpm).u_us for rpm in speeds]
    found = change(compare.compare(*sides, untouched=False), "delay")
    assert (found.before, found.after) == (
        pytest.approx((60.0, 2 * hypot(u, clamps[0]))),
        pytest.approx((60.0, 2 * hypot(u, clamps[1]))),
    )
    assert found.high == pytest.approx(2 * hypot(u, u, *clamps))


def test_a_swing_between_two_commands_is_that_of_the_timings():
    """30° of crank further on, though the error is the same: a sixth of a wave of two a turn."""
    setup = replace(SETUP, reference=Reference(1, 0, 1, 60.0, 0.0), swing=0.01)
    a = plain(20.0, 800.0, {"scatter of the sparks": 0.01, "speed swing": 0.4})
    b = dict(
        plain(50.0, 800.0, {"scatter of the sparks": 0.01, "speed swing": 0.4}),
        commanded_deg_btdc=50.0, error_deg=0.0,
    )  # fmt: skip
    found = rows(a, b, setup)["error"]
    # (s / n) sqrt(1 - cos 60°) and the phase's chord 2 · 0.4 sin 30°.
    part = np.degrees(0.01 / 2) * sqrt(0.5) + 0.4
    assert (found.moved, found.high) == pytest.approx((0.0, 2 * sqrt(part**2 + 2 * 0.01**2)))


def test_what_could_hide_is_the_farther_end():
    for at, said in ((20.01, "+0.010 ± 0.028"), (19.99, "-0.010 ± 0.028")):
        sides = [Side(n, plain(t, 900, PARTS), SETUP) for n, t in (("a", 20.0), ("b", at))]
        told = compare.compare(*sides).headline
        assert told == (
            f"no change of timing seen: {said}°; a change of less than 0.038° could hide in it"
        )


def test_quantities_of_points_and_of_half_a_fit():
    """The speed itself and angles are none; a count of none is known as one of one (± 3)."""
    told = {"mean": 1.0, "expanded": 0.5}
    point = {
        "rpm_set": 900, "rpm": told, "trigger_angle_deg": told, "first_spark_us": told,
        "sparks_per_event": {**told, "n": 0},
    }  # fmt: skip
    result = {
        "points": [point], "fit": {"delay_us": 100.0, "u_delay_us": 8.0},
        "quantities": {"delay": {"value": 1.0, "expanded": None}},
    }  # fmt: skip
    assert compare.quantities(result) == {
        "delay": (100.0, 8.0, "µs"), "first spark at 900 rpm": (1.0, 0.5, "µs"),
        "sparks per event at 900 rpm": (1.0, 3.0, ""),
    }  # fmt: skip
    unsure = {"quantities": {"length": {"value": 1.0, "expanded": None}}}
    assert compare.quantities(unsure) == {}
