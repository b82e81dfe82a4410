"""Fits against the GUM's worked example, NIST certified values and the package GTC."""

import GTC
import numpy as np
import pytest

from sparkwitness.errors import UserError
from sparkwitness.timing.fit import fit_delay, recommend
from sparkwitness.timing.stats import least_squares

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


def test_fixed_angle_goes_into_the_offset():
    rpm = np.array([800.0, 2000.0, 4000.0])
    fit = fit_delay(rpm, np.array([14.0, 14.02, 13.99]), np.full(3, 0.05), systematic=0.2)
    assert fit.fixed == pytest.approx(14, abs=0.1) and abs(fit.delay_us) < fit.u_delay_us
    assert "reference offset" in recommend(fit) and "no delay" in recommend(fit)
    assert fit.u_fixed > 0.2


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
