"""Before against after: differences, what cancels in them, and their intervals."""

import json
from dataclasses import replace
from math import hypot, sqrt
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
    bound = compare._swing(800, 800, setup, moved, u_b)
    for share in (0.0, 0.5, -0.5, 1.0, -1.0):
        shifted = phase + share * np.radians(n * moved)
        drawn = error(near, phase) - error(near - moved, shifted)
        assert np.sqrt(np.mean(drawn**2)) <= bound * 1.01
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
