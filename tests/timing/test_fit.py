"""Fits against the GUM's worked example, NIST certified values and the package GTC."""

from dataclasses import replace
from math import hypot, sqrt
from types import SimpleNamespace

import GTC
import numpy as np
import pytest
from scipy import stats

from sparkwitness.errors import UserError
from sparkwitness.timing import fit as fitting
from sparkwitness.timing.fit import Passages, fit_delay, recommend, trend
from sparkwitness.timing.stats import f_tail, least_squares, student_quantile

# JCGM 100:2008, table H.6: thermometer reading and correction, 11 points; t_0 = 20.
H3 = """21.521 -0.171  22.012 -0.169  22.512 -0.166  23.003 -0.159  23.507 -0.164  23.999 -0.165
24.513 -0.156  25.002 -0.157  25.503 -0.159  26.010 -0.161  26.511 -0.160"""
# NIST StRD, linear regression, Norris (y x pairs; public domain).
NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5
10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8
339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1
449.2 448.9 0.2 0.5"""
# NIST StRD, linear regression, Longley (y, x1 ... x6), the classic of nearly collinear columns.
LONGLEY = """60323 83.0 234289 2356 1590 107608 1947  61122 88.5 259426 2325 1456 108632 1948
60171 88.2 258054 3682 1616 109773 1949  61187 89.5 284599 3351 1650 110929 1950
63221 96.2 328975 2099 3099 112075 1951  63639 98.1 346999 1932 3594 113270 1952
64989 99.0 365385 1870 3547 115094 1953  63761 100.0 363112 3578 3350 116219 1954
66019 101.2 397469 2904 3048 117388 1955  67857 104.6 419180 2822 2857 118734 1956
68169 108.4 442769 2936 2798 120445 1957  66513 110.8 444546 4681 2637 121950 1958
68655 112.6 482704 3813 2552 123366 1959  69564 114.2 502601 3931 2514 125368 1960
69331 115.7 518173 4806 2572 127852 1961  70551 116.9 554894 4007 2827 130081 1962"""


def table(text: str, columns: int) -> np.ndarray:
    return np.array(text.split(), float).reshape(-1, columns)


def line(x: np.ndarray) -> np.ndarray:
    return np.column_stack((np.ones_like(x), x))


def test_gum_h3():
    t, b = table(H3, 2).T
    fit = least_squares(line(t - 20), b)
    s1, s2 = np.sqrt(np.diag(fit.covariance))
    # H.3.3: y1 = -0.1712, s = 0.0029; y2 = 0.00218, s = 0.00067; r = -0.930; s = 0.0035.
    assert fit.values[0] == pytest.approx(-0.1712, abs=5e-5)
    assert fit.values[1] == pytest.approx(0.00218, abs=5e-6)
    assert (round(s1, 4), round(s2, 5)) == (0.0029, 0.00067)
    assert fit.covariance[0, 1] / (s1 * s2) == pytest.approx(-0.930, abs=5e-4)
    assert np.sqrt(fit.chi2 / fit.freedom) == pytest.approx(0.0035, abs=5e-5)
    # H.3.4: predicted correction at 30 degrees, -0.1494 with u = 0.0041.
    at = np.array([1.0, 10.0])
    assert at @ fit.values == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at @ fit.covariance @ at) == pytest.approx(0.0041, abs=5e-5)


def test_same_as_gtc():
    t, b = table(H3, 2).T
    ours = least_squares(line(t - 20), b)
    theirs = GTC.type_a.line_fit(t - 20, b).a_b
    for k, number in enumerate(theirs):
        assert ours.values[k] == pytest.approx(GTC.value(number), rel=1e-10)
        assert np.sqrt(ours.covariance[k, k]) == pytest.approx(GTC.uncertainty(number), rel=1e-9)
    u = np.linspace(0.5, 2, len(t))
    weighted = least_squares(line(t - 20), b * 1000, u)
    expected = GTC.type_a.line_fit_wls(t - 20, b * 1000, u).a_b
    for k, number in enumerate(expected):
        assert weighted.values[k] == pytest.approx(GTC.value(number), rel=1e-9)


def test_norris():
    y, x = table(NORRIS, 2).T
    fit = least_squares(line(x), y)
    certified = (-0.262323073774029, 1.00211681802045)
    deviations = (0.232818234301152, 0.429796848199937e-03)
    np.testing.assert_allclose(fit.values, certified, rtol=1e-11)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), deviations, rtol=1e-11)
    assert np.sqrt(fit.chi2 / fit.freedom) == pytest.approx(0.884796396144373, rel=1e-11)


def test_longley():
    data = table(LONGLEY, 7)
    columns = np.column_stack((np.ones(len(data)), data[:, 1:]))
    fit = least_squares(columns, data[:, 0])
    certified = (
        -3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683,
        -1.03322686717359, -0.511041056535807e-01, 1829.15146461355,
    )  # fmt: skip
    deviations = (
        890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699,
        0.214274163161675, 0.226073200069370, 455.478499142212,
    )  # fmt: skip
    np.testing.assert_allclose(fit.values, certified, rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), deviations, rtol=1e-7)


def test_one_millisecond_is_six_degrees_at_a_thousand():
    # 6 N t, handbook: a delay of 1 ms is -6 degrees at 1000 and -12 at 2000 rev/min.
    fit = fit_delay(np.array([1000.0, 2000.0]), np.array([-6.0, -12.0]), np.full(2, 0.05))
    assert fit.fixed == pytest.approx(0, abs=1e-9)
    assert fit.delay_us == pytest.approx(1000)
    assert fit.predict(3000)[0] == pytest.approx(-18)
    assert "no fixed offset can cure" in recommend(fit)
    assert trend(fit) == "the spark retards with speed"


def test_fixed_angle_goes_into_the_offset():
    rpm = np.array([800.0, 2000.0, 4000.0])
    fit = fit_delay(rpm, np.array([14.0, 14.02, 13.99]), np.full(3, 0.05), systematic=0.2)
    assert fit.fixed == pytest.approx(14, abs=0.1) and abs(fit.delay_us) < fit.u_delay_us
    assert "reference offset" in recommend(fit) and "no delay" in recommend(fit)
    assert trend(fit) == "no change with speed is seen"
    assert fit.u_fixed > 0.2


@pytest.mark.parametrize("speeds", [(900.0, 3000.0), (800.0, 1500.0, 2500.0, 4000.0)])
def test_what_points_share_goes_through_the_fit(speeds):
    """Against GTC, which carries every shared input through the same formulas by itself."""
    rpm = np.array(speeds)
    error, u = 3.0 - 6e-6 * rpm * 250, np.linspace(0.05, 0.1, len(rpm))
    angle, delay = np.full(len(rpm), 0.25), 6e-6 * rpm * 1.1
    fit = fit_delay(rpm, error, u, shared=np.vstack((angle, delay)))
    reference, clamp = GTC.ureal(0, 0.25), GTC.ureal(0, 1.1)  # degrees, microseconds
    points = [
        GTC.ureal(e, s) + reference + 6e-6 * n * clamp
        for e, s, n in zip(error, u, rpm, strict=True)
    ]
    weights = 1 / u**2
    middle = float((weights * rpm).sum() / weights.sum())
    spread = float((weights * (rpm - middle) ** 2).sum())
    slope = sum(w * (n - middle) / spread * y for w, n, y in zip(weights, rpm, points, strict=True))
    mean = sum(w / weights.sum() * y for w, y in zip(weights, points, strict=True))
    fixed = mean - middle * slope
    ahead = fixed + 2000 * slope
    k = 2.0 if len(rpm) == 2 else student_quantile(0.975, len(rpm) - 2)

    def half(random, number):
        """k of the random part, 2 of what is shared."""
        return float(np.hypot(k * random, 2 * np.sqrt(GTC.uncertainty(number) ** 2 - random**2)))

    random = np.sqrt(np.diag(np.array(fit.covariance)))
    row = np.array([1.0, 2000.0])
    assert fit.u_fixed == pytest.approx(half(random[0], fixed), rel=1e-6)
    assert fit.u_delay_us == pytest.approx(half(random[1], slope) / 6e-6, rel=1e-6)
    value, interval = fit.predict(2000)
    assert value == pytest.approx(GTC.value(ahead), rel=1e-9)
    assert interval == pytest.approx(
        half(float(np.sqrt(row @ np.array(fit.covariance) @ row)), ahead), rel=1e-6
    )
    if len(rpm) == 2:  # the line through two points is as sure as they are
        assert fit.predict(900)[1] == pytest.approx(2 * GTC.uncertainty(points[0]), rel=1e-6)
        # and nothing says that they scatter otherwise than they state, or miss a line.
        assert (fit.freedom, fit.spread, fit.misfit) == (0, 1.0, pytest.approx(0.0, abs=1e-9))
        assert fit.lack_p != fit.lack_p


def test_what_is_entered_is_what_is_more_than_its_interval():
    fit = fit_delay(np.array([1000.0, 3000.0]), np.array([2.0, 0.0]), np.full(2, 0.1), target=5.0)
    for fixed, delay, said in (
        (1.01, 1.01, "correct +1.01° ± 1.00° in the reference offset and 1 ± 1 µs"),
        (-1.01, 0.99, "correct -1.01° ± 1.00° in the reference offset; no delay is seen"),
        (0.99, -1.01, "leave the reference offset; correct -1 ± 1 µs"),
        (0.99, 0.99, "nothing to correct: fixed +0.99° ± 1.00°, delay 1 ± 1 µs"),
        (-1.0, 1.0, "nothing to correct: fixed -1.00° ± 1.00°, delay 1 ± 1 µs"),
    ):
        at = replace(fit, fixed=fixed, u_fixed=1.0, delay_us=delay, u_delay_us=1.0)
        assert recommend(at).startswith(said) and "p =" not in recommend(at)
        assert "(straight line: p = 0.25)" in recommend(replace(at, lack_p=0.25))
    assert "p = less than 0.0001" in recommend(replace(fit, lack_p=9e-5))
    assert "p = 0.0001)" in recommend(replace(fit, lack_p=1e-4))


@pytest.mark.slow
def test_intervals_cover():
    rng = np.random.default_rng(0)
    rpm = np.array([800.0, 1500.0, 2500.0, 4000.0])
    u = np.array([0.1, 0.05, 0.05, 0.08])
    hits = np.zeros(3)
    for _ in range(2000):
        error = 3.0 - 6e-6 * rpm * 250 + rng.normal(0, u)
        fit = fit_delay(rpm, error, u)
        ahead, half = fit.predict(6000)
        hits += (
            abs(fit.fixed - 3) <= fit.u_fixed,
            abs(fit.delay_us - 250) <= fit.u_delay_us,
            abs(ahead - (3 - 6e-6 * 6000 * 250)) <= half,
        )
    assert (hits / 2000 > 0.93).all()


def test_speeds_too_close_are_said():
    fit = fit_delay(np.array([900.0, 950.0]), np.array([3.0, 3.1]), np.full(2, 0.1))
    assert not fit.told_apart and "too close" in recommend(fit)
    with pytest.raises(UserError, match="second speed"):
        fit_delay(np.array([900.0, 900.0]), np.array([3.0, 3.1]), np.full(2, 0.1))


SPEEDS = np.arange(800.0, 5001.0, 300.0)


def measured(course, seed: int = 5, u: float = 0.03):
    """A course of errors over `SPEEDS`, with noise of its stated size."""
    noise = u * np.random.default_rng(seed).standard_normal(len(SPEEDS))
    return fit_delay(SPEEDS, course(SPEEDS) + noise, np.full(len(SPEEDS), u), pure=1e4)


def test_a_plateau_is_no_delay_and_gets_no_figure():
    """2° more between 1500 and 3000 rpm: its line would be a small, sure delay."""
    for seed in range(20):
        fit = measured(lambda n: 2.0 * ((n > 1500) & (n < 3000)), seed)
        assert not fit.told_apart and fit.lack_p < 1e-4
        assert "neither a fixed angle nor a delay" in fit.note and "p = less than" in fit.note
        assert "correct" not in recommend(fit)


def test_advance_that_grows_with_speed_is_no_negative_delay():
    fit = measured(lambda n: 10 * (n - 800) / 4200)
    assert not fit.told_apart and "timing is not locked" in recommend(fit)
    assert "no figure to enter" in recommend(fit)
    assert trend(fit) == "the spark advances with speed"


def test_a_knee_is_named():
    fit = measured(lambda n: np.where(n < 2500, 0.0, -4 * (n - 2500) / 2500))
    assert not fit.told_apart and fit.knee == pytest.approx(2500, abs=300)
    assert trend(fit) == ""
    assert f"a knee near {fit.knee:.0f} rpm" in fit.note


def test_a_real_delay_is_told_with_its_p_and_a_small_wave_only_widens():
    covered = wide = 0
    for seed in range(100):
        straight = measured(lambda n: 1.0 - 6e-6 * n * 150, seed)
        assert straight.told_apart and "p = " in recommend(straight)
        covered += abs(straight.delay_us - 150) <= straight.u_delay_us
        wave = measured(lambda n: 1.0 - 6e-6 * n * 150 + 0.12 * np.sin(n / 700), seed)
        wide += abs(wave.delay_us - 150) <= wave.u_delay_us
    assert covered >= 90 and wide >= 95


def test_tail_of_f_against_scipy():
    from scipy.stats import chi2, f

    for ratio in (0.5, 1.0, 2.5, 8.0):
        for over, under in ((1, 3), (4, 20), (12, 1000)):
            assert f_tail(ratio, over, under) == pytest.approx(f.sf(ratio, over, under), abs=1e-12)
        assert f_tail(ratio, 5, np.inf) == pytest.approx(chi2.sf(5 * ratio, 5), abs=1e-6)


def passed(drift, ways: int = 2, noise: float = 0.02, delay: float = 150.0, seed: int = 3):
    """A sweep of 12 speeds, up and down: the fit of a delay and a drift in time, by the second."""
    rng = np.random.default_rng(seed)
    speeds = np.linspace(1000.0, 4300.0, 12)
    rpm = np.concatenate([speeds[:: 1 - 2 * (k % 2)] for k in range(ways)])
    at = np.arange(float(len(rpm)))
    error = 1.0 - 6e-6 * rpm * delay + drift(at / at[-1]) + noise * rng.standard_normal(len(rpm))
    of = (rpm[:, None] == speeds).astype(float)
    mean = of.T @ error / ways
    apart = error[:12] - error[12:24][::-1] if ways > 1 else np.zeros(12)
    moved = float(np.sqrt(np.mean(apart**2))) / 2
    passages = Passages(rpm, error, np.full(len(rpm), noise), at, at + 1, of, moved, ways < 2)
    u = np.full(12, np.hypot(noise, moved) / np.sqrt(ways))
    return fit_delay(speeds, mean, u, pure=12.0, passages=passages)


def test_a_drift_beside_a_delay():
    """The same speeds up and down differ: the delay is held, and known better than the angle."""
    still = passed(lambda t: 0 * t)
    assert abs(still.delay_us - 150) <= still.u_delay_us < 10 and still.told_apart
    for seed in range(6):
        swing = passed(lambda t: 0.5 * np.sin(2 * np.pi * (1.3 * t + 0.2)), seed=seed)
        assert swing.told_apart and abs(swing.delay_us - 150) <= swing.u_delay_us
        assert 3 * still.u_delay_us < swing.u_delay_us < 90  # 1 degree over 3300 rev/min: 50 us
        assert abs(swing.fixed - 1.0) <= swing.u_fixed and swing.u_fixed > 0.5
        middle, half = swing.predict(2500.0)
        assert abs(middle - (1 - 6e-6 * 2500 * 150)) <= half < 2.0


def test_a_drift_that_hides_the_delay_gives_no_figure():
    found = passed(lambda t: 3.0 * np.sin(2 * np.pi * (1.3 * t + 0.2)), delay=5.0)
    assert not found.told_apart and "not the same on the way up and down" in found.note
    assert "which hides a delay of less than" in found.note and recommend(found) == found.note


def test_one_way_alone_and_no_straight_line_gives_no_figure():
    """Half a swing, 0.5 degrees, misses a line by 0.15: drift or course, nobody knows."""
    found = passed(lambda t: 0.5 * np.sin(np.pi * t), ways=1)
    assert not found.told_apart and "one way only" in found.note
    assert passed(lambda t: 0 * t, ways=1).told_apart


# Beside a straight line: +1 -1 -1 +1 at speeds that are evenly apart is beside every one of them

APART = np.array([1000.0, 2000.0, 3000.0, 4000.0])
BENT = np.array([1.0, -1.0, -1.0, 1.0])


def bent(by: float, u: float = 0.02, **more):
    return fit_delay(APART, 2.0 - 6e-6 * APART * 150 + by * BENT, np.full(4, u), **more)


def random_part(by: float, u: float = 0.02) -> tuple[float, float]:
    """Half-widths of the two, numpy.polyfit's covariance as large as the points scatter."""
    error = 2.0 - 6e-6 * APART * 150 + by * BENT
    _, covariance = np.polyfit(APART, error, 1, w=np.full(4, 1 / u), cov="unscaled")
    more = stats.t.ppf(0.975, 2) * sqrt(max(1.0, 4 * by**2 / u**2 / 2))
    return more * sqrt(covariance[1, 1]), more * sqrt(covariance[0, 0]) / 6e-6


@pytest.mark.parametrize(("by", "real"), [(0.0303, False), (0.0304, True), (0.1, True)])
def test_a_misfit_that_is_no_chance_widens_both(by: float, real: bool):
    """chi² = 4 by² / u², p = exp(-chi² / 2): 1 in 100 at 0.03035. Twice it at both ends."""
    found, (u_fixed, u_delay) = bent(by, target=5.0), random_part(by)
    assert (found.fixed, found.delay_us, found.misfit) == pytest.approx((2.0, 150.0, by))
    assert found.lack_p == pytest.approx(np.exp(-2 * by**2 / 0.02**2), rel=1e-3)
    assert found.u_fixed == pytest.approx(hypot(u_fixed, 2 * by * real))
    assert found.u_delay_us == pytest.approx(hypot(u_delay, 4 * by * real / 3000 / 6e-6))
    assert found.told_apart and found.note == ""


def test_a_course_is_crooked_beyond_the_target_and_what_is_shared():
    for by, crooked in ((0.0999, False), (0.1001, True)):
        assert ("do not follow a straight line" in bent(by, target=0.1).note) is crooked
    # A shared cause that bends it by 0.06 explains twice that.
    shared = 0.06 * BENT[None, :]
    for by, crooked in ((0.119, False), (0.121, True)):
        found = bent(by, target=0.01, shared=shared)
        assert ("do not follow a straight line" in found.note) is crooked
    assert "they miss it by 0.10°" in bent(0.1001, target=0.1).note


def test_a_quarter_of_a_degree_is_wanted_where_nothing_is_said():
    for by, crooked in ((0.249, False), (0.251, True)):
        assert ("do not follow a straight line" in bent(by).note) is crooked


def test_a_fit_that_was_kept_before_it_told_what_points_share():
    """Then its random part is all that it knows: t sqrt(var(a) + 2 N cov + N² var(slope))."""
    made = bent(0.0, target=5.0, systematic=0.4)
    later = ("lack_p", "misfit", "knee", "shared")
    kept = {k: v for k, v in made.to_dict().items() if k not in later}
    old = fitting.DelayFit(**kept)
    (a, both), (_, slope) = made.covariance
    half = stats.t.ppf(0.975, 2) * sqrt(a + 2 * 2000 * both + 2000**2 * slope)
    assert old.predict(2000.0) == pytest.approx((made.predict(2000.0)[0], half))
    assert made.predict(2000.0)[1] == pytest.approx(hypot(half, 0.4))
    assert (old.misfit, old.knee) == (0.0, None) and "p =" not in recommend(old)


def test_a_bent_course_that_leaves_the_angle_too_wide():
    wide = hypot(random_part(0.1)[0], 0.2)
    assert bent(0.1, target=1.001 * wide / 3).told_apart
    found = bent(0.1, target=0.999 * wide / 3)
    assert not found.told_apart and "the errors miss a straight line by 0.10°" in found.note
    assert f"the fixed angle known to ±{wide:.1f}° only" in found.note


@pytest.mark.parametrize("shared", [0.0, 0.4])
def test_earlier_with_speed_is_told_where_it_is_sure(shared: float):
    """u of the slope is t u / sqrt(5e6); a shared cause in proportion to the speed beside it."""
    sure = hypot(stats.t.ppf(0.975, 2) * 0.1 / sqrt(5e6), 2 * shared / 1000)
    for share, early in ((0.99, False), (1.01, True)):
        slope = share * sure
        found = fit_delay(
            APART, 1.0 + slope * APART, np.full(4, 0.1), shared=shared * APART[None, :] / 1000,
            target=5.0,
        )  # fmt: skip
        assert ("comes earlier the faster it turns" in found.note) is early
        assert found.told_apart is not early
    assert f"a delay of {-slope / 6e-6:.0f} µs, which cannot be" in found.note
    assert found.delay_us == pytest.approx(-slope / 6e-6)


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
def test_where_two_lines_meet(k: int):
    """Flat up to half-way between two of eight speeds, falling from there: two points either way
    at least."""
    rpm = np.array([800.0, 1300.0, 1600.0, 2300.0, 2500.0, 3100.0, 3300.0, 4000.0])
    knee = (rpm[k - 1] + rpm[k]) / 2
    course = 1.0 - 0.002 * np.maximum(0.0, rpm - knee)
    found = fit_delay(rpm, course, np.full(8, 0.02), target=0.1)
    assert found.knee == knee and f"a knee near {knee:.0f} rpm" in found.note


def test_a_crooked_course_gets_no_figure_however_well_the_angle_is_known():
    """A hundred speeds that miss by 0.3° in turn: beyond the target of a quarter, yet with the
    random part, 2 · 0.3 sqrt(1 / 100 + 2500² / 7.65e7) = 0.18, 0.63 is less than three targets."""
    rpm = np.linspace(1000.0, 4000.0, 100)
    course = 2.0 - 6e-6 * rpm * 150 + 0.3 * np.resize(BENT, 100)
    found = fit_delay(rpm, course, np.full(100, 0.02), pure=1e4)
    assert found.misfit == pytest.approx(0.3, rel=1e-3)
    assert 2 * found.misfit < hypot(0.18, 0.6) < 3 * 0.25
    assert "do not follow a straight line" in found.note and not found.told_apart
    assert recommend(found) == found.note and found.delay_us == pytest.approx(150, abs=5)


@pytest.mark.parametrize("at", [0, 1, 3])
def test_what_shared_causes_leave_beside_a_line_by_numpy(at: int):
    """Points of unlike weight; squares of two causes add (JCGM 100:2008, 5.1.2)."""
    u = np.array([0.05, 0.2, 0.1, 0.4])
    one, two = np.eye(4)[at] * 0.3, 0.1 * BENT + 0.4 + APART / 7000
    left = [c - np.polyval(np.polyfit(APART, c, 1, w=1 / u), APART) for c in (one, two)]
    size = [np.mean(rest**2) for rest in left]
    assert fitting._bend(APART, u, one[None, :]) == pytest.approx(sqrt(size[0]))
    assert fitting._bend(APART, u, np.stack((one, two))) == pytest.approx(sqrt(sum(size)))


def test_a_shared_cause_that_moves_one_point_goes_into_a_prediction():
    """It tilts the line as numpy.polyfit does: off by as much as that line is at the speed."""
    u, cause = np.array([0.05, 0.2, 0.1, 0.4]), np.array([0.3, 0.0, 0.0, 0.0])
    found = fit_delay(APART, 2.0 - 6e-6 * APART * 150, u, target=5.0, shared=cause[None, :])
    bare = fit_delay(APART, 2.0 - 6e-6 * APART * 150, u, target=5.0)
    moved = np.polyfit(APART, cause, 1, w=1 / u)
    for rpm in (0.0, 1000.0, 2500.0, 6000.0):
        half = hypot(bare.predict(rpm)[1], 2 * np.polyval(moved, rpm))
        assert found.predict(rpm)[1] == pytest.approx(half, rel=1e-6)


def test_four_speeds_name_no_knee():
    """Two lines leave one degree of freedom of two: less than a tenth of a sum of squares is left
    by chance in 20 % (scipy, the beta distribution); of five speeds in 5 % for each knee."""
    assert stats.beta.cdf(0.1, 0.5, 0.5) == pytest.approx(0.205, abs=0.001)
    assert stats.beta.cdf(0.1, 1.0, 0.5) == pytest.approx(0.051, abs=0.001)
    for n, knee in ((4, None), (5, 2500.0)):
        rpm = 1000.0 * np.arange(1, n + 1)
        course = 1.0 - 0.002 * np.maximum(0.0, rpm - 2500.0)
        found = fit_delay(rpm, course, np.full(n, 0.02), target=0.1)
        assert "do not follow a straight line" in found.note and found.knee == knee


def test_a_single_speed_that_is_off_is_no_knee():
    """At least two points either way: of eight even speeds the first, or the last, is off by 1°.
    Two lines that meet between the second and the third miss two points, by 0.1° and 0.3°."""
    rpm = np.arange(1000.0, 5000.0, 500.0)
    for at in (0, 7):
        course = np.zeros(8)
        course[at] = 1.0
        found = fit_delay(rpm, course, np.full(8, 0.02), target=0.1)
        assert "do not follow a straight line" in found.note
        assert found.knee is None and "a knee near" not in found.note


@pytest.mark.parametrize(("beside", "named"), [(0.17, True), (0.21, False)])
def test_two_lines_fit_ten_times_better(beside: float, named: bool):
    """What is left beside the best of them, by numpy, against what is left beside one line."""
    rpm = np.arange(1000.0, 5000.0, 500.0)
    course = -0.002 * np.maximum(0.0, rpm - 2750) + beside * np.tile([1.0, -1.0], 4)
    hinges = [
        np.column_stack((line(rpm), np.maximum(0.0, rpm - (rpm[k - 1] + rpm[k]) / 2)))
        for k in range(2, 6)
    ]
    left = min(np.linalg.lstsq(one, course, rcond=None)[1][0] for one in hinges)
    share = left / np.linalg.lstsq(line(rpm), course, rcond=None)[1][0]
    assert (0.05 < share < 0.1) if named else (0.1 < share < 0.2)
    found = fit_delay(rpm, course, np.full(8, 0.05))
    assert (found.knee is not None) is named


def test_three_points_and_their_one_degree_of_freedom():
    rpm = np.array([1000.0, 2000.0, 3000.0])
    found = fit_delay(rpm, np.full(3, 1.0), np.full(3, 0.1), target=5.0)
    assert found.freedom == 1 and found.lack_p == pytest.approx(1.0)
    t = stats.t.ppf(0.975, 1)
    assert found.u_fixed == pytest.approx(t * 0.1 * sqrt(1 / 3 + 2))  # 2000² / 2e6
    assert found.u_delay_us == pytest.approx(t * 0.1 / sqrt(2e6) / 6e-6)


def ways(n: int, by: float, moved: float, once: bool = False) -> Passages:
    """Up, down and so on through the four speeds, a second each."""
    rpm = np.concatenate([APART[:: 1 - 2 * (k % 2)] for k in range(n)])
    error = 2.0 - 6e-6 * rpm * 150 + by * np.resize(BENT, len(rpm))
    at = np.arange(float(len(rpm)))
    of = (rpm[:, None] == APART).astype(float)
    return Passages(rpm, error, np.full(len(rpm), 0.02), at, at + 1, of, moved, once)


def test_a_misfit_less_than_twice_what_drifts_is_the_drifts():
    """0.1 beside the line in all passages: a drift that moves a mean by 0.05 explains it."""
    near, far = (bent(0.1, target=5.0, passages=ways(4, 0.1, m)) for m in (0.0499, 0.0501))
    assert near.delay_us == far.delay_us == pytest.approx(150, abs=3.0)
    assert near.u_delay_us == pytest.approx(hypot(far.u_delay_us, 0.4 / 3000 / 6e-6))
    for moved, crooked in ((0.0499, True), (0.0501, False)):
        found = bent(0.1, target=0.01, passages=ways(4, 0.1, moved))
        assert ("do not follow a straight line" in found.note) is crooked


def test_what_bends_a_course_and_what_drifts_add_as_squares():
    """0.03 and 0.04, twice: a misfit of 0.1 is explained, not of 0.11 (JCGM 100:2008, 5.1.2)."""
    for by, crooked in ((0.0999, False), (0.1001, True)):
        found = bent(by, target=0.01, shared=0.03 * BENT[None, :], passages=ways(4, by, 0.04))
        assert ("do not follow a straight line" in found.note) is crooked


def test_a_crooked_course_is_no_delay_however_it_drifts():
    """0.3° beside the line in all passages, a drift of 0.1, a target of 0.25."""
    found = bent(0.3, passages=ways(4, 0.3, 0.1))
    assert "do not follow a straight line" in found.note and not found.told_apart
    assert found.delay_us == pytest.approx(150, abs=3.0) and found.u_delay_us < 100


def test_a_bend_within_the_target_has_no_knee():
    """0.2° less at the last of six speeds by two lines: 0.1 or less beside one is within 0.25."""
    rpm = 1000.0 * np.arange(1, 7)
    found = fit_delay(rpm, 1.0 - 1e-4 * np.maximum(0.0, rpm - 3500), np.full(6, 0.001), target=0.25)
    assert found.lack_p < 1e-4 and found.misfit < 0.1 and found.knee is None
    assert "straight line" not in found.note


def test_what_the_points_share_goes_through_the_passages_too():
    """An angle of 0.25° and a delay of 1.1 µs: a straight line takes them as they are."""
    bare = bent(0.0, target=5.0, passages=ways(4, 0.0, 0.0))
    shared = np.vstack((np.full(4, 0.25), 6e-6 * APART * 1.1))
    found = bent(0.0, target=5.0, shared=shared, passages=ways(4, 0.0, 0.0))
    assert found.u_fixed == pytest.approx(hypot(bare.u_fixed, 0.5), rel=1e-6)
    assert found.systematic == pytest.approx(0.5, rel=1e-6)
    assert found.u_delay_us == pytest.approx(hypot(bare.u_delay_us, 2.2), rel=1e-6)
    # The fixed angle may be off by as much as the drift was seen to move it.
    t = stats.t.ppf(0.975, found.freedom)
    apart = bent(0.0, target=5.0, passages=ways(4, 0.0, 0.3))
    assert apart.u_fixed == pytest.approx(hypot(bare.u_fixed, t * 0.3), rel=1e-6)
    assert apart.u_delay_us == bare.u_delay_us and apart.freedom <= 14


def test_fewer_than_four_passages_tell_no_drift():
    four = ways(1, 0.0, 0.3)
    plain = bent(0.0, target=5.0)
    assert bent(0.0, target=5.0, passages=four).u_fixed > hypot(plain.u_fixed, 0.5)
    names = ("rpm", "error", "u", "begin", "end", "of")
    three = replace(four, **{name: getattr(four, name)[:3] for name in names})
    assert bent(0.0, target=5.0, passages=three) == plain


def test_one_way_and_bent_is_a_drift_or_a_course():
    """Told apart still where the fixed angle is known to the target, or to what is explained."""
    once = ways(1, 0.1, 0.0, once=True)
    wide = bent(0.1, target=5.0, passages=once).u_fixed
    for share, passing in ((0.99, True), (1.01, False)):
        found = bent(0.1, target=share * wide, passages=once)
        assert ("go up and down again, twice" in found.note) is passing is not found.told_apart
        shared = share * wide / 4 * BENT[None, :]
        found = bent(0.1, target=wide / 2, passages=once, shared=shared)
        assert ("go up and down again, twice" in found.note) is passing is not found.told_apart
    assert bent(0.1, target=wide / 2, passages=replace(once, once=False)).told_apart


def test_a_delay_that_is_surer_than_the_drift_is_told():
    """Points of ±1° leave the fixed angle at 4.30 sqrt(1 / 4 + 2500² / 5e6) = 5.27°, beyond three
    targets of 1°; the passages know a delay to some µs. A drift is one beyond a sixth of 1°."""
    assert stats.t.ppf(0.975, 2) * sqrt(1 / 4 + 1.25) == pytest.approx(5.27, abs=0.005)
    for moved, delay, told, said in (
        (0.17, 150, True, ""), (0.17, 0.1, False, "hides a delay of less than"),
        (0.16, 150, False, "too close to tell"),
    ):  # fmt: skip
        turned = 6e-6 * (150 - delay)
        seen = ways(4, 0.0, moved)
        seen = replace(seen, error=seen.error + turned * seen.rpm)
        error = 2.0 - 6e-6 * APART * 150 + turned * APART
        found = fit_delay(APART, error, np.ones(4), target=1.0, passages=seen)
        assert found.told_apart is told and (said in found.note) and bool(found.note) is not told
        assert found.delay_us == pytest.approx(delay, abs=0.01) and 0.1 < found.u_delay_us < 20
        if told:  # a delay that all points share is not told from the engine's
            for us, sure in ((60, True), (80, False)):
                both = fit_delay(
                    APART, error, np.ones(4), target=1.0, passages=seen,
                    shared=6e-6 * APART[None, :] * us,
                )  # fmt: skip
                assert both.told_apart is sure
        if said.startswith("hides"):  # up against down: twice what a mean is moved
            assert "up and down (0.34°), which" in found.note
            # A delay of 30 µs that all points share: 60 in the interval.
            late = 6e-6 * APART[None, :] * 30
            less = fit_delay(APART, error, np.ones(4), target=1.0, passages=seen, shared=late)
            assert less.u_delay_us == pytest.approx(hypot(found.u_delay_us, 60.0))
            assert f"a delay of less than {less.u_delay_us:.0f} µs" in less.note


def test_a_line_beside_a_drift_as_it_is_reckoned(monkeypatch):
    """Of 1000 rev/min; each drift is counted from its mean over the time that was driven."""
    told = SimpleNamespace(
        values=np.array([1.0, -2.0]), u=np.array([0.2, 0.3]), freedom=np.array([7.9, 5.9]),
        covariance=np.array([[0.01, -0.004], [-0.004, 0.04]]), gain=np.arange(16.0).reshape(2, 8),
    )  # fmt: skip
    asked = []

    def wander(columns, error, u, ways, few):
        asked.append((columns, list(ways), few))
        return told

    monkeypatch.setattr(fitting.visits, "wander", wander)
    monkeypatch.setattr(
        fitting.visits, "of_any_shape", lambda begin, _: [np.eye(len(begin)), np.ones((8, 8))]
    )
    seen = ways(2, 0.0, 0.4)
    lasted = np.arange(1.0, 9.0)
    seen = replace(seen, end=seen.begin + lasted)
    a, slope, covariance, freedom, gain = fitting._beside_a_drift(seen)
    columns, centred, few = asked[0]
    assert columns[:, 0].tolist() == [1.0] * 8 and columns[:, 1] == pytest.approx(seen.rpm / 1000)
    assert few is True and (a, slope, freedom) == (1.0, -0.002, 5)
    # Correlation -0.2, and u as found: 0.2, 0.3 in 1000; beside it what the drift moved.
    assert covariance == pytest.approx(np.array([[0.04 + 0.16, -1.2e-5], [-1.2e-5, 9e-8]]))
    assert gain == pytest.approx(np.stack((np.arange(8.0), np.arange(8.0, 16.0) / 1000)))
    for way in centred:
        assert lasted @ way == pytest.approx(np.zeros(8)) == way @ lasted
    assert np.trace(centred[0]) > 5 and centred[1] == pytest.approx(np.zeros((8, 8)))
    told.freedom = np.array([7.9, 6.9])
    assert fitting._beside_a_drift(seen)[3] == 6


def test_which_way_the_spark_goes_with_speed():
    """150 µs against what it is known to; a course with a knee, or not told apart, says nothing."""
    made = bent(0.0, target=5.0)
    for u, said in ((149.9, "the spark retards with speed"), (150.1, "no change with speed is")):
        assert trend(replace(made, u_delay_us=u)).startswith(said)
    assert trend(replace(made, delay_us=150.0, u_delay_us=150.0)).startswith("no change")
    assert trend(replace(made, delay_us=0.5, u_delay_us=0.1, told_apart=False)) == ""
    early = replace(made, delay_us=-150.0, told_apart=False)
    assert trend(replace(early, u_delay_us=149.9)) == "the spark advances with speed"
    assert trend(replace(made, told_apart=False)) == trend(replace(made, knee=2000.0)) == ""
