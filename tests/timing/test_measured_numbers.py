"""Numbers beside the timing, and where its gates turn: by hand or by a reference library."""

from dataclasses import replace
from math import hypot, inf, sqrt

import numpy as np
import pytest
from scipy import optimize, special, stats

from sparkwitness.timing import budget as timing
from sparkwitness.timing import (
    curve,
    fit,
    gates,
    gates_start,
    gates_tap,
    interpolation,
    measure,
    rotor,
    starting,
    wording,
)
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.budget import Budget, Component
from sparkwitness.timing.events import Events, burst_gap, fold_of, missing_between, spacing_of
from sparkwitness.timing.gates import Evidence
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed

TICK_S = 24e-9


def alternating(middle: float, n: int, by: float = 1.0) -> np.ndarray:
    """No like neighbours: the standard error is s / sqrt(n), s² = by² n / (n - 1)."""
    return middle + by * np.tile([1.0, -1.0], n // 2)


def events(n: int, spacing: float = 720.0, sparks=1, last_us=0.0, step_s=0.15) -> Events:
    tick = np.rint(np.arange(n) * step_s / TICK_S).astype(np.int64)
    degrees = spacing * np.arange(n)
    zero = np.zeros(n, np.int64)
    last = tick + np.rint(np.broadcast_to(last_us, n) * 1e-6 / TICK_S).astype(np.int64)
    count = np.broadcast_to(np.asarray(sparks, np.int64), n).copy()
    return Events(tick, degrees, zero, count, last, degrees, np.full(n, 3.0))


def timed(table: Events, angles=None, speed=800.0, spacing=720.0) -> Timed:
    n = len(table.tick)
    return Timed(
        table, np.full(n, 20.0) if angles is None else angles,
        np.broadcast_to(np.asarray(speed, float), n).copy(), spacing, 360.0, 0, 0, 0,
    )  # fmt: skip


# Speed, bursts and counts


def test_speed_and_its_interval():
    """800 ± 10 rev/min alternating over 100 events; the crystal's 50 ppm on top."""
    result = Measurement()
    measure._describe(result, timed(events(100), speed=alternating(800.0, 100, 10.0)), TICK_S)
    assert result.rpm == pytest.approx(800.0)
    assert result.u_rpm == pytest.approx(2 * hypot(10 / sqrt(99), 0.04))
    assert result.rpm.u95 == result.u_rpm
    measure._describe(quiet := Measurement(), timed(events(100)), TICK_S)
    assert quiet.u_rpm == pytest.approx(2 * 0.04)
    assert (result.from_s, result.to_s) == pytest.approx((0.0, 99 * 0.15))
    assert result.events == 100 and result.sparks == {1: 100}
    # Of two, by 20 apart, s = 20 / sqrt(2).
    two = Measurement()
    measure._describe(two, timed(events(2), speed=[790.0, 810.0]), TICK_S)
    assert two.rpm == pytest.approx(800.0) and two.u_rpm == pytest.approx(2 * hypot(10, 0.04))
    unknown = Measurement()
    measure._describe(unknown, timed(events(10), speed=np.nan), TICK_S)
    assert unknown.rpm is None and unknown.u_rpm is None


def test_bursts():
    """Three sparks in 1280 ± 24 µs alternating: 640 ± 12 apart; single ones do not count."""
    sparks = np.array([3] * 60 + [1] * 10 + [0] * 5)
    last = np.concatenate((alternating(1280.0, 60, 24.0), np.zeros(15)))
    result = Measurement()
    measure._describe(result, timed(events(75, sparks=sparks, last_us=last)), TICK_S)
    assert result.sparks == {1: 10, 3: 60}
    assert result.duration_us == pytest.approx(1280.0, abs=0.02)
    assert result.spacing_us == pytest.approx(640.0, abs=0.01)
    t = stats.t.ppf(0.97725, 59)  # for two standard deviations
    assert result.u_duration_us == pytest.approx(t * 24 / sqrt(59), rel=2e-3)
    assert result.u_spacing_us == pytest.approx(t * 12 / sqrt(59), rel=2e-3)
    assert result.duration_us.u95 == result.u_duration_us
    assert result.spacing_us.u95 == result.u_spacing_us
    two = Measurement()
    measure._describe(two, timed(events(4, sparks=[2, 2, 1, 1], last_us=500.0)), TICK_S)
    assert two.duration_us == pytest.approx(500.0, abs=0.03) == two.spacing_us
    one = Measurement()
    measure._describe(one, timed(events(4, sparks=[2, 1, 1, 1], last_us=500.0)), TICK_S)
    assert one.duration_us is None and one.spacing_us is None


def test_missing_firings():
    table = events(20).pick(np.array([k not in (5, 9, 10) for k in range(20)]))
    result = Measurement()
    measure._describe(result, timed(table), TICK_S)
    assert (result.missing, result.expected) == (3, 19)
    # What lies across a break of the reference is not counted.
    cut = replace(table, segment=(np.arange(17) > 7).astype(np.int64))
    assert missing_between(cut, 720.0) == (1, 16)
    assert missing_between(replace(table, degrees=table.degrees * 0.2), 720.0)[0] == 0


def test_plain_values_of_a_measurement():
    made = Measurement(
        target=0.3, timing=Number(21.0, 0.3), expanded=0.3, error=Number(1.0, 0.3),
        sparks={2: 5, 1: 7}, places=((20.0, 0.75), (5.0, 0.25)), stray=1, cut=2, unplaced=3,
        unsteady=4, ringing=5, crank_rejected=6, missing=7, expected=8,
    )  # fmt: skip
    plain = made.to_dict()
    assert plain["target_met"] and plain["error_expanded_deg"] == 0.3
    assert not replace(made, expanded=0.301).to_dict()["target_met"]
    assert not replace(made, expanded=None).to_dict()["target_met"]
    assert replace(made, error=None).to_dict()["error_expanded_deg"] is None
    assert list(plain["sparks_per_event"].items()) == [("1", 7), ("2", 5)]
    assert plain["places"][1] == {"deg_btdc": 5.0, "share": 0.25}
    names = (
        "events_stray", "events_cut", "sparks_without_crank_angle", "events_at_other_speed",
        "edges_ringing", "crank_edges_rejected", "firings_missing", "firings_expected",
    )  # fmt: skip
    assert [plain[n] for n in names] == list(range(1, 9))
    assert plain["cannot_tell"] and replace(made, timing=None).to_dict()["cannot_tell"] is None
    stopped = replace(made, findings=[gates.Finding("x", "y", gates.WARNING, False)])
    assert plain["advice_allowed"] and not stopped.to_dict()["advice_allowed"]


def test_nothing_is_counted_before_it_is_measured():
    """A result that is refused at once shows what was counted until then, and no number."""
    plain = Measurement().to_dict()
    counts = (
        "events", "firings_expected", "firings_missing", "events_stray", "events_cut",
        "events_at_other_speed", "sparks_without_crank_angle", "edges_ringing",
        "crank_edges_rejected", "seconds",
    )  # fmt: skip
    assert [plain[name] for name in counts] == [0] * len(counts)
    assert not plain["target_met"] and not Measurement().ready and Measurement().target == 0.25
    empty = [name for name, value in plain.items() if value is None]
    assert {"timing_deg_btdc", "error_deg", "rpm", "advice", "split", "start", "rotor"} < set(empty)


@pytest.mark.parametrize(
    ("now", "before", "kept"),
    # Within 10 % or 75 rev/min of the speed now; begins where 3 of 5 in a row are.
    [(1000, 1100, 60), (1000, 900, 60), (600, 525, 60),
     (800, 879, 60), (800, 881, 28), (800, 721, 60), (800, 719, 28), (600, 674, 60),
     (600, 676, 28), (3000, 3290, 60), (3000, 3310, 28), (3000, 2710, 60), (3000, 2690, 28)],
)  # fmt: skip
def test_the_last_stretch_of_steady_speed(now, before, kept):
    speed = np.array([before] * 30 + [now] * 30, float)
    assert np.count_nonzero(measure._steady(speed, 20)) == kept


def test_five_events_tell_the_speed_now():
    """Of few turns, too: two at another speed are the end of what was steady, and no new one."""
    assert not measure._steady(np.array([1000.0] * 20 + [1200.0] * 2), 2).any()
    assert np.count_nonzero(measure._steady(np.array([1000.0] * 20 + [1200.0] * 3), 2)) == 2


def test_one_odd_event_ends_no_stretch():
    speed = np.full(60, 900.0)
    speed[[20, 40]] = 1500.0, np.nan
    assert measure._steady(speed, 20).all()
    speed[20:23] = 1500.0
    keep = measure._steady(speed, 20)
    assert not keep[:25].any() and keep[25:].all()
    assert not measure._steady(np.full(5, np.nan), 20).any()
    # Of ten in a row five are no more than half; six are, until only five of them are in the ten.
    for off, begin in ((5, 0), (6, 60)):
        speed = np.full(150, 900.0)
        speed[50 : 50 + off] = 1500.0
        assert np.flatnonzero(measure._steady(speed, 40))[0] == begin


# The budget


def line(u: float, kind: str = "B", shape: str = "normal", name: str = "x") -> Component:
    return Component(name, kind, u, "", shape)


def test_parts_of_a_budget():
    made = Budget((line(0.3, "A"), line(0.4), line(1.2, shape="arcsine")))
    assert made.u == pytest.approx(1.3) and made.expanded == pytest.approx(2.6)
    assert made.systematic == pytest.approx(2 * hypot(0.4, 1.2))
    plain = made.to_dict()
    assert (plain["u_deg"], plain["expanded_deg"], plain["coverage_factor"]) == (
        pytest.approx(1.3), pytest.approx(2.6), 2.0,
    )  # fmt: skip


@pytest.mark.parametrize(("normal", "sine"), [(2.0, 0.0), (0.2, 0.7), (1.0, 1.0), (3.0, 0.5),
                                              (0.0, 0.7)])  # fmt: skip
def test_interval_of_a_sine_and_a_normal_part(normal, sine):
    """scipy: cosine of an even phase with amplitude sqrt(2) u (JCGM 101, 6.4.6) plus a normal.

    P(|X| < h) is the mean over the phase of the normal's chance to stay within h.
    """
    found = Budget((line(normal), line(sine, shape="arcsine"))).interval95
    phase = np.pi * (np.arange(20_000) + 0.5) / 20_000
    shift = sqrt(2) * sine * np.cos(phase)

    def inside(h: float) -> float:
        wide = max(normal, 1e-4)
        return float(np.mean(special.ndtr((h - shift) / wide) - special.ndtr((-h - shift) / wide)))

    expected = optimize.brentq(lambda h: inside(h) - 0.95, 0.0, 10.0)
    # Of a sine alone the quadrature's steps are seen.
    assert found == pytest.approx(expected, rel=3e-6 if normal else 4e-3)
    if not sine:
        assert found == pytest.approx(normal * stats.norm.ppf(0.975), abs=1e-6)
    if not normal:  # arcsine: sin(0.95 pi / 2) of the amplitude
        assert found == pytest.approx(sqrt(2) * sine * np.sin(0.475 * np.pi), rel=4e-3)


NONE = np.zeros(40, np.int64)
TURNS = Periods(NONE, NONE + 1000, NONE, np.arange(40), np.zeros(40), np.zeros(40))


def golden(**more) -> dict[str, float]:
    typed = {
        "angles": alternating(20.0, 100, 0.5), "rate": 6e-4, "to_edge": np.full(100, 45.0),
        "periods": TURNS, "reference": Reference(1, 0, 1, 60.0, 0.3), "firings_per_rev": 2.0,
        "rpm": 1000.0, "u_delay_s": 5e-6,
    }  # fmt: skip
    made = timing.budget(**{**typed, **more})
    return {c.name: c.u for c in made.components} | {"all": made}


def test_budget_of_a_single_pulse_line_by_line():
    """Each line by its formula; the swing at 1000 rev/min is 8 % · (800 / 1000)² = 5.12 %."""
    found = golden()
    t = stats.t.ppf(0.97725, 99)  # for two standard deviations
    assert found["scatter of the sparks"] == pytest.approx(0.5 / sqrt(99) * t / 2)
    assert found["time stamp"] == pytest.approx(6e-4 / sqrt(6))
    swing = 0.0512 / 2 * 180 / np.pi * sqrt(1 - np.cos(np.radians(90)))
    assert found["speed swing"] == pytest.approx(swing)
    assert found["reference angle"] == 0.3
    assert found["clamp and conditioner delay"] == pytest.approx(0.03)  # 6 · 1000 · 5 µs
    assert found["unequal cylinders"] > 0 and "unequal cylinders" not in golden(swing=0.02)
    typed = golden(swing=0.02)
    assert typed["speed swing"] == pytest.approx(swing * 0.02 / 0.0512)
    lines = {c.name: c for c in typed["all"].components}
    assert lines["speed swing"].shape == "arcsine" and lines["scatter of the sparks"].kind == "A"
    assert lines["speed swing"].note == "spark 45.0° from the pulse, swing ±2.0 % typed"
    assert lines["clamp and conditioner delay"].note == "5.0 µs at 1000 rev/min"
    parts = [c.u for c in typed["all"].components]
    assert typed["all"].expanded == pytest.approx(2 * sqrt(sum(u * u for u in parts)))


def test_budget_where_speed_and_distances_are_not_those_of_the_others():
    """3000 rev/min: 6 · 3000 · 5 µs is 0.09°, the swing 8 % · (800 / 3000)², 0.57 %; a third of the

    sparks 75° from the pulse, two thirds 15°, one not known: the middle one stands for them.
    """
    to_edge = np.concatenate(([np.nan], np.tile([15.0, 75.0, 15.0], 33)))
    found = golden(rpm=3000.0, to_edge=to_edge)
    assert found["clamp and conditioner delay"] == pytest.approx(0.09)
    swing = 0.08 * (800 / 3000) ** 2 / 2 * 180 / np.pi * sqrt(1 - np.cos(np.radians(30)))
    assert found["speed swing"] == pytest.approx(swing)
    notes = {c.name: c.note for c in found["all"].components}
    assert notes["clamp and conditioner delay"] == "5.0 µs at 3000 rev/min"
    assert notes["speed swing"] == "spark 15.0° from the pulse, swing ±0.6 % assumed"
    assert notes["unequal cylinders"] == "assumed; the pulse cannot show"
    near = golden(rpm=3000.0, to_edge=np.full(100, 15.0))
    assert found["unequal cylinders"] == near["unequal cylinders"]


def test_two_vanes_are_a_wheel_and_no_pulse(monkeypatch):
    """Two teeth show their own errors, and which of them was typed is not known."""
    from sparkwitness.timing.ripple import Ripple

    monkeypatch.setattr(timing, "teeth_at_most", lambda *_: (0.11, 0.157, 0.08))
    ripple = Ripple(np.array([0.0, 0.12j], complex), np.full(2, 0.001), 20, 1)
    found = golden(reference=Reference(2, 0, 1, 60.0, 0.3), ripple=ripple)
    assert (found["interpolation"], found["index tooth"]) == (0.11, 0.08)
    # Run-out of 0.12° against any edge: sqrt(2) · 0.12 / sqrt(6).
    assert found["wheel runs out"] == pytest.approx(0.12 / sqrt(3))
    notes = {c.name: c.note for c in found["all"].components}
    assert notes["unequal cylinders"] == "assumed; the teeth cannot show"
    # Two sparks of three 40° past the index edge, one 130°: at 40° it is 0.12 · sin 40°.
    skewed = np.tile([20.0, 20.0, -70.0], 33)
    late = golden(reference=Reference(12, 1, 1, 60.0), ripple=ripple, angles=skewed)
    u = 0.12 * np.sin(np.radians(40.0)) / sqrt(3)
    assert late["wheel runs out"] == pytest.approx(u)


def test_budget_of_a_wheel_line_by_line(monkeypatch):
    """36 - 1 with learned teeth, 0.06° past their places in the mean; sparks 40° past the index."""
    from sparkwitness.timing.ripple import Ripple

    asked = []

    def interpolation(*args):
        asked.append(args)
        return 0.11, 0.0236, 0.08

    monkeypatch.setattr(timing, "interpolation", interpolation)
    ripple = Ripple(np.array([0.0, 0.12], complex), np.full(2, 0.001), 20, 1)
    errors = (0.0, 0.12, *(0.06,) * 33)
    wheel = Reference(36, 1, 1, 60.0, 0.3, errors, 0.04)
    found = golden(reference=wheel, ripple=ripple)
    assert list(found)[:-1] == [
        "scatter of the sparks", "time stamp", "interpolation", "index tooth", "wheel runs out",
        "reference angle", "tooth errors left", "clamp and conditioner delay",
    ]  # fmt: skip
    assert found["interpolation"] == 0.11
    assert found["index tooth"] == pytest.approx(hypot(0.08, 0.06 / sqrt(3)))
    assert found["wheel runs out"] == timing.run_out_uncertainty(ripple, 40.0, False) > 0.01
    assert (found["reference angle"], found["tooth errors left"]) == (0.3, 0.04)
    notes = {c.name: c.note for c in found["all"].components}
    assert notes["interpolation"] == "wheel's own edges miss by 0.024° when left out"
    assert asked[0][5] == pytest.approx(60 - alternating(20.0, 100, 0.5))
    assert asked[0][3:5] == (wheel, 2.0)
    past = np.full(100, 400.0)
    assert golden(reference=replace(wheel, errors=()), past=past)["index tooth"] == 0.08
    assert asked[1][5] is past and "speed swing" not in found
    # Sparks before the index edge, and an even wheel, of which any edge may be the typed one.
    late = golden(reference=replace(wheel, angle=10.0), ripple=ripple)["wheel runs out"]
    assert late == timing.run_out_uncertainty(ripple, 350.0, False)
    even = golden(reference=Reference(36, 0, 1, 60.0), ripple=ripple)["wheel runs out"]
    assert even == timing.run_out_uncertainty(ripple, 0.0, True) > late


def test_a_coarse_wheel_has_the_lines_of_a_pulse_and_of_a_wheel(monkeypatch):
    """Eight cylinders and twelve teeth: three edges a firing show no swing, but their errors."""
    from sparkwitness.timing.ripple import Ripple

    monkeypatch.setattr(timing, "teeth_at_most", lambda *_: (0.11, 0.157, 0.08))
    ripple = Ripple(np.array([0.0, 0.12], complex), np.full(2, 0.001), 20, 1)
    wheel = Reference(12, 1, 1, 60.0, 0.3)
    found = golden(reference=wheel, ripple=ripple, firings_per_rev=4.0)
    assert list(found)[:-1] == [
        "scatter of the sparks", "time stamp", "interpolation", "index tooth", "wheel runs out",
        "speed swing", "unequal cylinders", "reference angle", "tooth errors left",
        "clamp and conditioner delay",
    ]  # fmt: skip
    assert (found["interpolation"], found["index tooth"]) == (0.11, 0.08)
    assert found["wheel runs out"] == timing.run_out_uncertainty(ripple, 40.0, False) > 0.01
    notes = {c.name: c.note for c in found["all"].components}
    assert notes["interpolation"] == "wheel's own edges miss by 0.157° when left out"
    assert "from the nearest tooth" in notes["speed swing"]
    assert notes["unequal cylinders"] == "assumed; the teeth cannot show"
    pulse = golden(reference=Reference(1, 0, 1, 60.0, 0.3), ripple=ripple, firings_per_rev=4.0)
    assert "index tooth" not in pulse and "interpolation" not in pulse


def test_swing_that_is_assumed():
    """8 % at 800 rev/min and two firings a turn; square of the speed, power 1.5 of the firings."""
    assert timing.default_swing(800.0, 2.0) == pytest.approx(0.08)
    assert timing.default_swing(1600.0, 2.0) == pytest.approx(0.02)
    assert timing.default_swing(800.0, 4.0) == pytest.approx(0.08 / 2**1.5)
    assert timing.default_swing(800.0, 1.0) == pytest.approx(0.08 * 2**1.5)
    assert timing.default_swing(100.0, 2.0) == 0.25 and timing.default_swing(9000.0, 4.0) == 0.002


def test_a_wheel_that_resolves_the_swing_has_four_edges_a_firing():
    assert timing.resolves_swing(Reference(8), 2.0) and not timing.resolves_swing(Reference(7), 2.0)
    assert timing.resolves_swing(Reference(16), 4.0) and not timing.resolves_swing(
        Reference(8), 4.0
    )


def test_one_weak_cylinder_by_its_formula():
    """Swing s at the firing order n of N cylinders; at order k one makes, as relative speed,

    s n / (k N) (1 + (n/2)²) / (1 + (k/2)²); as an angle a k-th of that.
    """
    for order, n, strokes in ((0.5, 2.0, 4), (1.0, 2.0, 4), (1.0, 3.0, 2), (1.5, 4.0, 4)):
        cylinders = n * strokes / 2
        relative = 0.05 * n / (order * cylinders) * (1 + n**2 / 4) / (1 + order**2 / 4)
        assert timing.unequal_amplitude(order, 0.05, n, strokes) == pytest.approx(
            np.degrees(relative / order)
        )
    assert timing.unequal_amplitude(0.5, 0.05, 0.5, 4) == 0.0  # one cylinder has no other
    assert timing.unequal_amplitude(1.0, 0.05, 1.0, 4) > 0.0


@pytest.mark.parametrize(("strokes", "teeth"), [(2, 1), (4, 1), (4, 2)])
def test_what_unequal_cylinders_leave_beside_a_cubic(strokes, teeth):
    """Against scipy's Lagrange cubic through four pulses, over all phases of each order."""
    from scipy.interpolate import lagrange

    reference, n, swing = Reference(teeth, 0, 1, 60.0, 0.0), 2.0, 0.05
    apart = 360.0 / teeth
    nodes = apart * np.array([-1.0, 0.0, 1.0, 2.0])
    phases = np.linspace(0, 2 * np.pi, 8, endpoint=False)  # exact for a sine's square
    for to_edge in (40.0, 130.0):
        total = 0.0
        for order in (0.5, 1.0, 1.5) if strokes == 4 else (1.0,):
            size = timing.unequal_amplitude(order, swing, n, strokes)
            left = []
            for phase in phases:
                wave = size * np.sin(np.radians(order) * nodes + phase)
                cubic = lagrange(nodes / apart, wave)(to_edge / apart)
                left.append(size * np.sin(np.radians(order) * to_edge + phase) - cubic)
            total += float(np.mean(np.square(left)))
        found = timing.unequal_uncertainty(to_edge, swing, reference, n, strokes)
        assert found == pytest.approx(0.7 * sqrt(total), rel=1e-6)
    assert timing.unequal_uncertainty(40.0, swing, reference, 0.5, 4) == 0.0


# Gates, from both sides


SETUP = Setup(Reference(36, 1), commanded=20.0, cylinders=4, clamp="plug", setting=0.0)
SOUND = Evidence(SETUP, timing=21.0, expanded=0.5, scatter=0.3, rpm=800.0, modulo=360.0)


def seen(at: float) -> Setup:
    return replace(SETUP, seen=at)


def codes(**more) -> set[str]:
    return {f.code for f in gates.judge(replace(SOUND, **more)).findings}


@pytest.mark.parametrize(
    ("name", "passes", "strikes"),
    [
        ("implausible", {"timing": 69.9}, {"timing": 70.1}),
        ("implausible", {"timing": -29.9}, {"timing": -30.1}),
        ("large_error", {"timing": 44.9}, {"timing": 45.1}),
        ("large_error", {"timing": -4.9}, {"timing": -5.1}),
        ("scatter", {"scatter": 2.45}, {"scatter": 2.55}),
        ("crank_noise", {"noisy": 0.049}, {"noisy": 0.051}),
        ("coil_on", {"second": (0.24, 3e-3, 14.4)}, {"second": (0.26, 3e-3, 14.4)}),
        # A second flank is 65 µs late: 6 N t. It is told above 0.4° and above twice U.
        ("clamp_side", {"rpm": 1020.0, "expanded": 0.1}, {"rpm": 1030.0, "expanded": 0.1}),
        ("clamp_side", {"rpm": 2550.0, "expanded": 0.5}, {"rpm": 2580.0, "expanded": 0.5}),
        ("look_differs", {"setup": seen(24.4)}, {"setup": seen(24.6)}),
        ("look_differs", {"setup": seen(17.6)}, {"setup": seen(17.4)}),
    ],
)  # fmt: skip
def test_gates_turn_where_they_should(name, passes, strikes):
    assert name not in codes(**passes) and name in codes(**strikes)


def test_a_cam_wheel_whose_turns_differ_is_on_the_crank_of_a_four_stroke():
    cam = replace(SETUP, reference=Reference(36, 1, 2))
    assert "shaft" in codes(alternates=True, setup=cam)
    assert "shaft" not in codes(alternates=True, setup=replace(cam, strokes=2))
    assert "shaft" not in codes(alternates=True) and "shaft" not in codes(setup=cam)


def test_numbers_that_the_gates_say():
    def text(**more) -> str:
        return gates.judge(replace(SOUND, **more)).findings[0].text

    assert text(timing=50.0).startswith("+30.0°") and "every 180°" in text(timing=50.0)
    assert text(timing=-9.0).startswith("-29.0°")
    assert text(timing=-35.0).startswith("35.0° ATDC") and "every 180°" in text(timing=-35.0)
    assert "by 3.0°" in text(scatter=3.0) and text(noisy=0.2).startswith("20 %")
    assert "read 2.3° late" in text(rpm=6000.0)  # 6 · 6000 · 65 µs = 2.34°
    heard = text(second=(0.9, 3e-3, 14.4))
    assert "in 90 % of the events" in heard and "3.0 ms" in heard
    assert "the spark is at 6.6° BTDC" in heard and "it is at 21.0° BTDC" in heard
    late = text(kind="late", late=0.1, places=((20.0, 0.9), (-15.0, 0.1)))
    assert "20.0° BTDC (90 %), 15.0° ATDC (10 %)" in late and "in 10 % of" in late
    assert "showed 30.0° BTDC, the time stamps say 21.0° BTDC" in text(
        setup=replace(SETUP, seen=30.0)
    )
    assert "21.0° BTDC or that ± k · 15°" in text(modulo=15.0)
    gap = text(gap=(1.85, 1.15, True), setup=replace(SETUP, reference=Reference(60, 2)))
    assert "measures 1.85 tooth steps and the step beside it 1.15" in gap and "of 3 and 1" in gap
    wires = replace(SETUP, sensor="vr", falling=("crank",))
    assert "up to 5° wrong" in text(setup=wires)  # half of 10
    assert "up to 17° wrong" in text(setup=replace(wires, reference=Reference(1)))
    assert gates.btdc(0.0) == "0.0° BTDC" and gates.btdc(-0.4) == "0.4° ATDC"


def test_a_lamp_tells_one_place_from_the_next_only_if_it_is_near_enough():
    """Off by 1, known to 3: of places 4 apart the next is 3 off, as near as the lamp is sure."""
    seen = replace(SOUND, setup=replace(SETUP, seen=22.0))
    assert seen.look == 1.0 and replace(SOUND, setup=replace(SETUP, seen=20.0)).look == 1.0
    assert SOUND.look is None and not SOUND.looked
    assert replace(seen, modulo=4.1).looked and not replace(seen, modulo=3.9).looked
    assert replace(SOUND, setup=replace(SETUP, seen=24.4)).looked
    assert not replace(SOUND, setup=replace(SETUP, seen=24.6)).looked
    far = replace(SETUP, seen=24.0, seen_within=1.0)
    assert replace(SOUND, expanded=2.1, modulo=6.1, setup=far).looked
    assert not replace(SOUND, expanded=2.1, modulo=5.9, setup=far).looked


def test_other_angles_of_a_reference_that_repeats():
    assert gates.alternatives(10.0, 30.0) == [-20.0, 40.0, 70.0]
    assert gates.alternatives(0.0, 30.0) == [-30.0, 30.0, 60.0]
    assert gates.alternatives(0.0, 31.0) == [31.0, 62.0]
    assert gates.alternatives(-29.0, 99.0) == [70.0] and gates.alternatives(-29.0, 101.0) == []
    assert gates.alternatives(0.0, inf) == []
    three = replace(SETUP, reference=Reference(3))
    assert "ambiguous" in codes(modulo=120.0, setup=three)
    assert "ambiguous" not in codes(modulo=180.0, setup=replace(SETUP, reference=Reference(2)))


@pytest.mark.parametrize(
    ("gain", "advised"),
    [(0.81, True), (0.79, False), (1.19, True), (1.21, False), (1.81, True), (1.79, False),
     (2.19, True), (2.21, False), (-0.81, True), (-0.79, False), (-2.19, True), (-2.21, False)],
)  # fmt: skip
def test_gains_that_are_crank_or_distributor_degrees(gain, advised):
    tip, more = gates.advise(replace(SETUP, learned_gain=gain), 4.0, 0.5, ())
    assert (tip is not None) is advised
    if tip:
        assert tip.exact == pytest.approx(-4.0 / gain) and not more
    else:
        assert f"{gain:+.2f}°" in more[0].text


def test_advice_at_the_ends_of_the_range_and_without_its_inputs():
    narrow = replace(SETUP, setting=2.0, least=-4.0, most=5.0)
    assert gates.advise(narrow, 6.0, 0.5, ())[0].setting == -4.0
    assert gates.advise(narrow, -3.0, 0.5, ())[0].setting == 5.0
    low, high = gates.advise(narrow, 6.1, 0.5, ()), gates.advise(narrow, -3.1, 0.5, ())
    assert low[0] is None and "would be -4.10, outside" in low[1][0].text
    assert high[0] is None and "would be 5.10" in high[1][0].text and "(-4 to 5)" in high[1][0].text
    # Of a distributor a degree is two of the crank: 2 - 13 / 2 = -4.5, and 2 - 12 / 2 = -4.
    halved = replace(narrow, learned_gain=2.0)
    beyond = gates.advise(halved, 13.0, 0.5, ())
    assert beyond[0] is None and "would be -4.50, outside" in beyond[1][0].text
    assert gates.advise(halved, 12.0, 0.5, ())[0].setting == -4.0
    assert gates.advise(SETUP, None, 0.5, ()) == (None, [])
    assert gates.advise(replace(SETUP, setting=None), 1.0, 0.5, ()) == (None, [])
    tip = gates.advise(replace(SETUP, learned_gain=2.0, step=0.5), 4.4, 0.6, ())[0]
    assert (tip.setting, tip.exact, tip.expanded) == pytest.approx((-2.0, -2.2, 0.3))


# The start, the rotor and the tap: where a word is said


def phase(name: str, at: float, u: float = 0.4) -> starting.Phase:
    return starting.Phase(
        name, 0, 1, 200, 210, 9, Number(at, u), 0.1, at, at, None, None, 0, 9, 11.0
    )


def begun(**more) -> starting.Start:
    return starting.Start(**{
        "stood": True, "sync_s": 1.0, "first_s": 0.9, "first_deg": 700.0, "before": 0,
        "caught_s": 2.0, "tries": 0, "phases": (phase("cranking", 5.0), phase("running", 15.0)),
        "supply": "measured", "rest_v": 12.6, "low_v": 10.5, "points": (), **more,
    })  # fmt: skip


def started(**more) -> dict[str, str]:
    evidence = gates_start.Evidence(SETUP, begun(**more), None)
    return {f.code: f.text for f in gates.judge(evidence, gates_start.ROWS).findings}


def test_words_of_the_start_from_both_sides():
    alike = (phase("running", 15.0),)
    for crank, said in ((14.25, False), (14.15, True), (15.75, False), (15.85, True)):
        found = started(phases=(phase("cranking", crank), *alike))
        assert ("cranking_angle" in found) is said
    surely = (phase("cranking", 14.55, 0.1), phase("running", 15.0, 0.1))
    assert "cranking_angle" not in started(phases=surely)  # less than half a degree
    assert (
        "0.6° later" in started(phases=(phase("cranking", 14.4, 0.1), surely[1]))["cranking_angle"]
    )
    assert "9.0° earlier" in started(phases=(phase("cranking", 24.0), *alike))["cranking_angle"]
    assert "cranking_supply" not in started(low_v=9.6)
    assert "falls to 9.5 V" in started(low_v=9.5)["cranking_supply"]
    assert "cranking_supply" not in started(low_v=19.2, rest_v=25.0)
    assert "below 19.2 V" in started(low_v=19.1, rest_v=25.0)["cranking_supply"]
    assert "below 9.6 V" in started(low_v=9.0, rest_v=16.0)["cranking_supply"]
    assert "late_first_spark" not in started(first_deg=1440.0)
    assert "came 4.5 turns (0.9 s)" in started(first_deg=1620.0)["late_first_spark"]
    assert "ran 2 times" in started(tries=2)["start_tries"] and "start_tries" not in started()


def test_where_the_rotor_points():
    """By hand: twice as many crank degrees, halved on a four-stroke."""
    assert rotor.phase(24.0, 18.0, 4) == 3.0 and rotor.phase(12.0, 18.0, 2) == -6.0


def test_words_for_one_number():
    assert wording.angle(7.126) == "7.13° BTDC" and wording.angle(-7.124) == "7.12° ATDC"
    assert wording.angle(0.0) == "0.00° BTDC"
    # Two significant digits of the uncertainty: JCGM 100, 7.2.6.
    for expanded, said in ((0.123, "12.35 ± 0.12"), (1.23, "12.3 ± 1.2"), (12.3, "12 ± 12"),
                           (123.0, "12 ± 123"), (0.0456, "12.346 ± 0.046"), (0.0, "12 ± 0"),
                           (1.0, "12.3 ± 1.0"), (10.0, "12 ± 10")):  # fmt: skip
        assert wording.plus_minus(12.3456, expanded) == said
    assert wording.plus_minus(12.3456, 1.0, " µs") == "12.3 ± 1.0 µs"
    assert wording.plus_minus(12.6, None, " V") == "13 V (uncertainty not known)"


# Events


def test_gap_between_bursts_by_hand():
    """Two heaps: the cut is halfway between the nearest logarithms, at most 0.4 of the spacing."""
    assert burst_gap(np.array([2.0, 2.0, 8.0, 8.0]), 40.0) == pytest.approx(4.0)
    assert burst_gap(np.array([4.0, 4.0, 100.0, 100.0]), 40.0) == pytest.approx(16.0)
    assert burst_gap(np.array([4.0, 4.0, 100.0, 100.0]), np.nan) == pytest.approx(20.0)
    # Heaps nearer than a factor of three are one; lone sparks, or one endless burst.
    assert burst_gap(np.array([30.0, 30.0, 60.0]), 40.0) == pytest.approx(16.0)
    assert burst_gap(np.array([10.0, 10.0, 12.0]), 40.0) == pytest.approx(40.0)
    assert np.isnan(burst_gap(np.array([np.nan, 0.0, -3.0]), 40.0))


def test_spacing_by_hand():
    allowed = (180.0, 360.0, 720.0)
    for step, found in ((206.0, 180.0), (154.0, 180.0), (413.0, 360.0), (307.0, 360.0)):
        assert spacing_of(np.full(5, step), allowed) == found
    for step in (208.0, 152.0, 415.0, 305.0):
        assert np.isnan(spacing_of(np.full(5, step), allowed))
    assert np.isnan(spacing_of(np.empty(0), allowed))


def test_what_a_wheel_tells_modulo():
    """Greatest common measure: of 15° teeth and 180° between firings 15; of 360 and 720 / 5 144."""
    assert fold_of(Reference(24), 720.0, 4) == 15.0
    assert fold_of(Reference(36, 1), 720.0, 5) == 72.0
    assert fold_of(Reference(36, 1, 2), 720.0, 1) == 720.0
    assert fold_of(Reference(36, 1), 720.0, 8) == 90.0
    assert fold_of(Reference(7), 720.0, 4) == pytest.approx(180 / 7)


# The curve's bins and the fit


def swept(n: int, up: float, down: float, by: float = 50.0) -> tuple[curve.Bin, Budget]:
    angles = np.concatenate((alternating(up, n, 0.3), alternating(down, n, 0.3)))
    table = events(2 * n, sparks=np.array([2] * n + [1] * (n - 2) + [0] * 2))
    trend = np.array([by] * n + [-by] * n)
    setup = Setup(Reference(1, 0, 1, 60.0, 0.2), commanded=18.0, delay_us=0.0, u_delay_us=5.0,
                  swing=0.0)  # fmt: skip
    return curve._bin(setup, timed(table, angles, 1000.0), TURNS, trend, TICK_S, None, None)


def test_a_bin_by_hand():
    """20 events rising at 20.4, 20 falling at 20.0, ± 0.3 alternating in each."""
    row, made = swept(20, 20.4, 20.0)
    assert (row.rpm, row.timing, row.events) == (1000.0, pytest.approx(20.2), 40)
    assert (row.rising, row.falling) == pytest.approx((20.4, 20.0))
    assert row.hysteresis == pytest.approx(0.4)
    each = 0.3 / sqrt(19) * stats.t.ppf(0.97725, 19) / 2
    assert row.u_hysteresis == pytest.approx(2 * sqrt(2) * each)
    assert row.scatter == pytest.approx(sqrt((0.2**2 + 0.3**2) * 40 / 39))
    assert row.sparks == pytest.approx((2 * 20 + 18) / 38)
    assert row.wanted == 18.0 and row.error == pytest.approx(2.2)
    # Two levels one after the other are no 40 that scatter alone, but two.
    assert row.scatter / sqrt(40) < row.u_random < row.scatter / sqrt(2)
    few = stats.t.ppf(0.97725, np.arange(2, 39)) / 2  # of as many as they are worth, less one
    assert np.isclose(made.components[0].u, few * row.u_random, rtol=1e-6).any()
    assert row.expanded == pytest.approx(hypot(made.systematic, 2 * made.components[0].u))
    assert made.systematic == pytest.approx(2 * sqrt(0.2**2 + 0.03**2 + (6e3 * TICK_S) ** 2 / 6))
    # A tick of 24 ns at 1000 rev/min is 0.144 thousandths of a degree; on spark and on edge.
    stamp = {c.name: c.u for c in made.components}["time stamp"]
    assert stamp == pytest.approx(0.144e-3 / sqrt(6))
    idle, _ = swept(20, 20.4, 20.0, 40.0)  # as fast as idle wanders is no sweep
    assert np.isnan(idle.rising) and np.isnan(idle.falling)
    apart, _ = swept(6, 20.4, 20.0)  # too few on either way
    assert np.isnan(apart.rising) and np.isnan(apart.hysteresis)


def components(setup: Setup, degrees: np.ndarray, wheel: Periods) -> dict[str, float]:
    """Of a bin at 1000 rev/min with sparks there; the timing is folded to 60 - 165°."""
    n = len(degrees)
    table = replace(events(n), degrees=degrees)
    found = timed(table, alternating(60.0 - 165.0, n, 0.1), 1000.0)
    _, made = curve._bin(setup, found, wheel, np.zeros(n), TICK_S, None, None)
    return {c.name: c.u for c in made.components}


def test_the_budget_of_a_bin_is_that_of_its_engine():
    """A two-stroke's unequal cylinders; a coil's delay at the bin's own speed; where on the wheel
    the sparks lie, here over the gap, which the folded angle does not say."""
    pulse = Setup(Reference(1, 0, 1, 60.0, 0.2), cylinders=2, clamp="coil", commanded=18.0)
    degrees = 720.0 * np.arange(20)
    for strokes in (2, 4):
        typed = replace(pulse, strokes=strokes, sensor="vr", falling=("crank",))
        found = components(typed, degrees, TURNS)
        n = typed.firings_per_rev
        swing = timing.default_swing(1000.0, n)
        assert found["unequal cylinders"] == pytest.approx(
            timing.unequal_uncertainty(3.0, swing, typed.reference, n, strokes)
        )
        delay = typed.delay(1000.0).u_us
        assert found["clamp and conditioner delay"] == pytest.approx(6e3 * delay * 1e-6)
    number = np.arange(80)
    miss = 0.1 * (-1.0) ** number
    turn = np.full(80, 2_500_000)
    wheel = Periods(number * 2_500_000, turn, number * 0, number, miss, miss)
    toothed = replace(pulse, reference=Reference(36, 1, 1, 60.0))
    there, other = (
        components(toothed, 720.0 * np.arange(20) + past, wheel) for past in (345.0, 165.0)
    )
    for found, past in ((there, 345.0), (other, 165.0)):
        told = interpolation.interpolation(
            miss, miss, number, toothed.reference, 1.0, np.full(20, past)
        )
        assert found["interpolation"] == pytest.approx(told[0])
    assert there["interpolation"] > 1.05 * other["interpolation"]


def bins(*rows) -> list[curve.Bin]:
    return [
        curve.Bin(rpm, 20.0, u, 2 * u, 0.3, n, 1.0, 20.0, 20.0, gap, 2 * own, 18.0)
        for rpm, u, n, gap, own in rows
    ]


def test_what_differs_from_passage_to_passage_by_hand():
    """Gaps 0.3 and -0.5, own 0.1: mean of the squares 0.17 - 0.01; half of it a passage's, and
    half of that the mean's of two."""
    two = bins((1000, 0.05, 30, 0.3, 0.1), (2000, 0.05, 40, -0.5, 0.1))
    u, freedom = curve._repeated(two)
    assert u == pytest.approx(np.full(2, sqrt(0.05**2 + 0.16 / 4))) and freedom == 2.0
    drift, both = curve._drift(two, np.full(2, 0.1))
    # Half of the gap's root mean square over the speed's own standard deviation.
    assert both and drift[0] == pytest.approx([-0.4 / 2, 0.4 / 2])
    # Freedom is that of the gaps where a passage's part, 0.0101 or 0.0098, is more than 0.1².
    for gap, freedom in ((0.151, 2.0), (0.149, 29.0 + 39.0)):
        near = bins((1000, 0.1, 30, gap, 0.05), (2000, 0.1, 40, -gap, 0.05))
        u, told = curve._repeated(near)
        assert told == freedom
        assert u == pytest.approx(np.full(2, sqrt(0.01 + (gap**2 - 0.0025) / 4)))
    once = bins((1000, 0.05, 30, np.nan, np.nan), (2000, 0.05, 40, 0.3, 0.1))
    u, freedom = curve._repeated(once)
    assert u.tolist() == [0.05, 0.05] and freedom == 29 + 39
    drift, both = curve._drift(once, np.full(2, 0.1))
    assert not both and not drift.any()
    calm = bins((1000, 0.05, 30, 0.05, 0.1), (2000, 0.05, 40, 0.05, 0.1))
    assert curve._repeated(calm)[0].tolist() == [0.05, 0.05] and curve._repeated(calm)[1] == 68.0
    assert not curve._drift(calm, np.full(2, 0.1))[0].any()
    assert curve._repeated(bins((1000, 0.0, 30, 0.0, 0.0), (2000, 0.0, 40, 0.0, 0.0)))[1] == 68.0


def test_noise_of_a_passage_has_no_drift_in_it():
    """Rising by 0.1 an event, 0.3 more in turn: steps of 0.4 and -0.2; falling without steps."""
    way = np.array([50.0] * 9 + [-50.0] * 8)
    up = 20 + 0.1 * np.arange(9) + 0.3 * (np.arange(9) % 2)
    steps = (4 * 0.4**2 + 4 * 0.2**2) / 8
    found = curve._noise(np.concatenate((up, np.full(8, 20.0))), way)
    assert found == pytest.approx(sqrt(steps / 2 / 9))
    assert np.isnan(curve._noise(up, way[:9]))


def test_teeth_that_err_alike_and_apart():
    """Covariance of two bins u v (1 - distance / pitch): same teeth 1, a pitch further 0."""
    rows = curve._of_teeth(np.array([20.0, 22.5, 40.0]), np.array([0.1, 0.2, 0.3]), 10.0)
    wanted = np.array([[0.01, 0.015, 0], [0.015, 0.04, 0], [0, 0, 0.09]])
    assert rows.T @ rows == pytest.approx(wanted, abs=1e-12)
    rows = curve._of_teeth(np.array([40.0, 22.5, 20.0]), np.array([0.3, 0.2, 0.1]), 10.0)
    assert rows.T @ rows == pytest.approx(wanted[::-1, ::-1], abs=1e-12)


def test_correlation_scatter_and_prediction_of_the_delay_fit_by_numpy():
    """numpy.polyfit with weights 1 / u and unscaled covariance; t(0.975, 2) = 4.303."""
    rpm = np.array([1000.0, 2000.0, 3000.0, 4000.0])
    error, u = np.array([2.1, 0.2, -1.4, -3.9]), np.array([0.2, 0.3, 0.2, 0.4])
    found = fit.fit_delay(rpm, error, u, target=5.0)
    (slope, at_0), covariance = np.polyfit(rpm, error, 1, w=1 / u, cov="unscaled")
    chi2 = float((((error - at_0 - slope * rpm) / u) ** 2).sum())
    scale = max(1.0, chi2 / 2)
    v_slope, both, v_0 = (covariance[k] * scale for k in ((0, 0), (0, 1), (1, 1)))
    t = stats.t.ppf(0.975, 2)
    assert (found.fixed, found.delay_us) == pytest.approx((at_0, -slope / 6e-6))
    assert found.u_fixed == pytest.approx(t * sqrt(v_0))
    assert found.u_delay_us == pytest.approx(t * sqrt(v_slope) / 6e-6)
    assert found.correlation == pytest.approx(both / sqrt(v_0 * v_slope)) and found.correlation < 0
    assert np.array(found.covariance) == pytest.approx(np.array([[v_0, both], [both, v_slope]]))
    assert found.spread == pytest.approx(sqrt(chi2 / 2)) and found.freedom == 2
    assert found.lack_p == pytest.approx(stats.chi2.sf(chi2, 2), rel=1e-4)
    assert found.misfit == pytest.approx(np.sqrt(np.mean((error - at_0 - slope * rpm) ** 2)))
    value, half = found.predict(6000.0)
    assert value == pytest.approx(at_0 + 6000 * slope)
    assert half == pytest.approx(t * sqrt(v_0 + 2 * 6000 * both + 6000**2 * v_slope))
    assert found.systematic == 0.0 and found.told_apart
    pure = fit.fit_delay(rpm, error, u, target=5.0, pure=20.0)
    assert pure.lack_p == pytest.approx(stats.f.sf(chi2 / 2, 2, 20))


def test_what_all_points_share_widens_the_fixed_angle_alone():
    rpm, error = np.array([1000.0, 3000.0]), np.array([2.0, 0.0])
    bare = fit.fit_delay(rpm, error, np.full(2, 0.1), target=5.0)
    wide = fit.fit_delay(rpm, error, np.full(2, 0.1), systematic=0.6, target=5.0)
    assert wide.systematic == pytest.approx(0.6)
    assert wide.u_fixed == pytest.approx(hypot(bare.u_fixed, 0.6))
    assert wide.u_delay_us == pytest.approx(bare.u_delay_us)
    # Two points: the line's ends are as sure as they are, k = 2.
    assert bare.u_fixed == pytest.approx(2 * 0.1 * hypot(1.5, 0.5))
    assert bare.u_delay_us == pytest.approx(2 * 0.1 * sqrt(2) / 2000 / 6e-6)
    assert wide.predict(2000.0)[1] == pytest.approx(hypot(2 * 0.1 / sqrt(2), 0.6))
    plain = bare.to_dict()
    assert plain["lack_p"] is None and plain["knee"] is None and plain["fixed"] == bare.fixed


@pytest.mark.parametrize(
    ("target", "told"),
    # Half-width of the random part: 2 · 0.1 · sqrt(1.5² + 0.5²) = 0.316; three targets are enough.
    [(0.106, True), (0.105, False)],
)
def test_speeds_are_too_close_beyond_three_targets(target, told):
    rpm, error = np.array([1000.0, 3000.0]), np.array([2.0, 0.0])
    found = fit.fit_delay(rpm, error, np.full(2, 0.1), target=target)
    assert found.told_apart is told
    if not told:
        assert "(1000 to 3000 rpm)" in found.note and "better than ±0.3°" in found.note


def test_what_is_recommended_says_the_numbers():
    rpm = np.array([1000.0, 3000.0])

    def said(first, second, u=0.1):
        return fit.recommend(
            fit.fit_delay(rpm, np.array([first, second]), np.full(2, u), target=5.0)
        )

    # Slope -1° in 1000 rpm: 1 / 6 ms... a delay of 166.7 µs; 3° at no speed.
    both = said(2.0, 0.0)
    assert "correct +3.00° ± 0.32° in the reference offset and 167 ± 24 µs in the delay" in both
    assert said(2.0, 2.0).startswith("correct +2.00° ± 0.32° in the reference offset; no delay")
    assert said(-1.0, -3.0).startswith("leave the reference offset; correct 167 ± 24 µs")
    assert said(0.1, 0.1) == "nothing to correct: fixed +0.10° ± 0.32°, delay -0 ± 24 µs" or (
        said(0.1, 0.1).startswith("nothing to correct: fixed +0.10° ± 0.32°, delay")
    )


# The tap's words


def test_missing_and_needless_sparks_are_said_from_three_and_from_a_two_hundredth_on():
    from sparkwitness.timing.firings import Choice
    from sparkwitness.timing.trigger import Counts, Split

    def text(asked, **counts) -> dict[str, str]:
        split = Split(
            "rising", True, Number(20, 0.1), 0.1, None, Number(50.0, 1.0), 0.1,
            Number(-0.3, 0.01), 100, Counts(asked, **counts), None, Budget((line(0.1),)), 0.0,
        )  # fmt: skip
        evidence = gates_tap.Evidence(SETUP, Choice(1, "", ()), split, 2 * asked)
        return {f.code: f.text for f in gates.judge(evidence, gates_tap.ROWS).findings}

    assert "trigger_no_spark" not in text(100, no_spark=2)
    assert text(100, no_spark=3)["trigger_no_spark"].startswith("3 of 100 triggers (3.0 %)")
    assert text(80, no_spark=7)["trigger_no_spark"].startswith("7 of 80 triggers (8.8 %)")
    assert "trigger_no_spark" not in text(1001, no_spark=5)
    assert text(1000, no_spark=5)["trigger_no_spark"].startswith("5 of 1000 triggers (0.5 %)")
    assert text(100, no_trigger=4)["no_trigger"].startswith("4 firings had neither")
    assert text(100, unasked=4)["spark_no_trigger"].startswith(
        "4 sparks came without a trigger (4.0 %)"
    )
    assert "module_slow" not in text(100)
    assert "answers 50.0 ± 1.0 µs after its trigger, -0.30° at this speed" in text(100)["latency"]


def tapped(
    setup: Setup = SETUP, delay=50.0, u=1.0, module=-0.3, counts=None, **on
) -> dict[str, str]:
    from sparkwitness.timing.dwell import Dwell
    from sparkwitness.timing.firings import Choice
    from sparkwitness.timing.trigger import Counts, Split

    dwell = None
    if on:
        deg = Number(20.0, 0.1)
        dwell = Dwell(**{
            "ms": Number(3.0, 0.1), "scatter_ms": 0.1, "crank_deg": deg, "cam_deg": deg,
            "scatter_deg": 0.1, "share": 0.2, "pause_ms": 9.0, "firings": 99, **on,
        })  # fmt: skip
    split = Split(
        "rising", True, Number(20, 0.1), 0.1, None, Number(delay, u), 0.1, Number(module, 0.01),
        100, counts or Counts(100), dwell, Budget((line(0.1),)), 0.0,
    )  # fmt: skip
    evidence = gates_tap.Evidence(setup, Choice(1, "", ()), split, 200)
    return {f.code: f.text for f in gates.judge(evidence, gates_tap.ROWS).findings}


def test_contacts_that_bounce_from_a_hundredth_on():
    assert "bounce" not in tapped(bounced=0.0099) and "bounce" not in tapped()
    assert "in 1 % of the firings" in tapped(bounced=0.01)["bounce"]
    said = tapped(bounced=0.9, bounce_us=250.4)["bounce"]
    assert "in 90 % of the firings" in said and "for 250 µs" in said


def test_a_coil_that_charges_too_short_or_too_long_by_hand():
    """One and five time constants of 2 ms; without them half a millisecond, and 1 ms of spark."""
    coil = replace(SETUP, coil_ms=2.0)
    for ms, short, long in ((1.85, True, False), (1.95, False, False), (10.05, False, False),
                            (10.15, False, True)):  # fmt: skip
        found = tapped(coil, ms=Number(ms, 0.1), charged=0.58)
        assert ("dwell_short" in found, "dwell_long" in found) == (short, long), ms
    said = tapped(coil, ms=Number(1.0, 0.1), charged=0.9)["dwell_short"]
    assert "charges for 1.00 ms, less than one time constant, 2 ms" in said
    assert "reaches 90 % of its final value" in said
    assert "5 time constants, 10 ms" in tapped(coil, ms=Number(12.0, 0.1))["dwell_long"]
    # The time constant is worth a word only with what the current reaches.
    assert "dwell_short" not in tapped(coil, ms=Number(1.0, 0.1))
    assert "less than 0.5 ms" in tapped(ms=Number(0.3, 0.1))["dwell_short"]
    assert "dwell_short" not in tapped(ms=Number(0.45, 0.1))
    assert "dwell_long" not in tapped(pause_ms=1.0) and "dwell_long" not in tapped(pause_ms=inf)
    said = tapped(pause_ms=0.95)["dwell_long"]
    assert "longer than what leaves 1 ms for the spark" in said and "0.95 ms are left" in said
    # A level that lasts nine tenths is a rest level; a capacitive clamp hears no coil.
    assert "dwell_short" in tapped(ms=Number(0.3, 0.1), share=0.9)
    assert "dwell_short" not in tapped(ms=Number(0.3, 0.1), share=0.901)
    other = replace(SETUP, clamp_kind="clamp_capacitive")
    assert "dwell_short" not in tapped(other, ms=Number(0.3, 0.1))


def test_words_of_the_modules_delay_from_both_sides():
    """Half a millisecond; earlier than twice its own U; a twentieth of a degree, or its U."""
    for delay, u, said in ((500.0, 1.0, "latency"), (500.1, 1.0, "module_slow"),
                           (-2.0, 1.0, None), (-2.1, 1.0, "module_early"), (-0.1, 1.0, None),
                           (0.0, 1.0, "latency")):  # fmt: skip
        assert list(tapped(delay=delay, u=u)) == ([] if said is None else [said]), delay
    assert "come 700 µs after the rising flank" in tapped(delay=700.0)["module_slow"]
    assert "come 5.0 µs before" in tapped(delay=-5.0)["module_early"]
    assert not tapped(module=0.05) and not tapped(module=-0.05)
    assert "+0.06°" in tapped(module=0.06)["latency"]
    from sparkwitness.timing.trigger import Counts

    one = tapped(counts=Counts(1, unasked=4))["spark_no_trigger"]
    assert one.startswith("4 sparks came without a trigger (400.0 %)")
    none = tapped(counts=Counts(0, unasked=4))["spark_no_trigger"]
    assert "(400.0 %)" in none


def test_the_taps_advice_cures_the_controllers_part_alone():
    """Controller +2 ± 0.2 of gain 2: 1 lower; the module's part stays and is said."""
    from sparkwitness.timing.trigger import Counts, Split

    def tip(module: float, u: float = 0.01, controller: Number | None = None):
        split = Split(
            "rising", True, Number(22, 0.1), 0.1, controller, Number(50.0, 1.0), 0.1,
            Number(module, u), 100, Counts(100), None, Budget((line(0.1),)), 0.0,
        )  # fmt: skip
        return gates_tap.advise(replace(SETUP, counts="distributor"), split, ())

    found, more = tip(-0.3, controller=Number(2.0, 0.2))
    assert (found.setting, found.expanded, found.remaining) == pytest.approx((-1.0, 0.1, -0.3))
    assert found.note == "the module's -0.30° at this speed stay: no offset cures a delay"
    assert not more and tip(-0.3) == (None, [])
    small, _ = tip(-0.3, controller=Number(0.1, 0.2))
    assert small.note.endswith(
        "as it is; the module's -0.30° at this speed stay: no offset cures a delay"
    )
    for module, u, said in ((0.06, 0.01, True), (0.04, 0.01, False), (0.3, 0.31, False)):
        assert ("module's" in tip(module, u, Number(2.0, 0.2))[0].note) is said


def test_a_knee_is_one_only_where_two_lines_fit_ten_times_better():
    rpm = np.arange(1000.0, 5000.0, 500.0)
    bend = 0.002 * np.maximum(0.0, rpm - 2750)
    noise = np.tile([1.0, -1.0], 4)
    u = np.full(8, 0.05)
    for size, named in ((0.05, True), (0.9, False)):
        found = fit.fit_delay(rpm, -bend + size * noise, u, pure=1e4)
        assert (found.knee is not None) is named and not found.told_apart
    assert fit.fit_delay(rpm, -bend + 0.05 * noise, u, pure=1e4).knee == pytest.approx(2750.0)


@pytest.mark.parametrize(
    ("size", "degrees", "even", "turns", "u"),
    [
        # Even: any edge may be the typed one, sqrt(2) · size / sqrt(6); at most 0.3° of crank.
        (0.12, 90.0, True, 1, 0.12 / sqrt(3)), (0.5, 90.0, True, 1, 0.3 / sqrt(3)),
        (0.5, 180.0, False, 1, 0.6 / sqrt(6)), (0.5, 20.0, False, 1, 0.3 / sqrt(6)),
        (0.5, 180.0, False, 2, 0.5 / sqrt(3)), (0.7, 360.0, False, 2, 1.2 / sqrt(6)),
        # What the edges show there, rectangular; or the whole size's part of a distance.
        (0.12, 0.0, False, 1, 0.12 / sqrt(3)), (0.12, 90.0, False, 1, 0.12 / sqrt(3)),
        (0.12j, 180.0, False, 1, 0.24 / sqrt(24)), (0.12j, 90.0, False, 1, 0.12 / sqrt(3)),
    ],
)  # fmt: skip
def test_run_out_of_the_wheel(size, degrees, even, turns, u):
    from sparkwitness.timing.ripple import Ripple

    found = Ripple(np.array([0.0, size], complex), np.full(2, 0.001), 20, turns)
    assert timing.run_out_uncertainty(found, degrees, even) == pytest.approx(u)
    assert timing.run_out_uncertainty(None, degrees, even) == 0.0
