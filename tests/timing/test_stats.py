"""Intervals against scipy, published examples, and the coverage they promise."""

import math

import GTC
import numpy as np
import pytest
from scipy import special, stats

from sparkwitness.timing import stats as intervals


@pytest.mark.parametrize("a", [0.5, 1, 3, 40, 2500])
@pytest.mark.parametrize("b", [0.5, 2, 17, 900])
def test_incomplete_beta_is_scipys(a, b):
    for x in (0.0, 1e-6, 0.01, 0.3, 0.5, 0.9, 0.999, 1.0):
        assert intervals.beta_share(a, b, x) == pytest.approx(
            special.betainc(a, b, x), rel=1e-9, abs=1e-14
        )
    for p in (1e-4, 0.025, 0.5, 0.9, 0.9999):
        assert intervals.beta_quantile(p, a, b) == pytest.approx(stats.beta.ppf(p, a, b), rel=1e-8)


@pytest.mark.parametrize("a", [1e-20, 0.003, 0.03, 50.0])
@pytest.mark.parametrize("b", [1e-20, 0.001, 1.0, 50.0])
def test_a_quantile_that_no_float_can_hold_is_the_end_of_the_range(a, b):
    """Drop-outs in long spells are worth less than a hundredth of one that comes by itself."""
    for p in (0.025, 0.975):
        found = intervals.beta_quantile(p, a, b)
        if max(a, b) > 1e-3:  # beyond, scipy's own is no reference
            assert found == pytest.approx(stats.beta.ppf(p, a, b), rel=1e-6, abs=1e-12)
        assert 0 <= found <= 1
    assert intervals.clopper_pearson(0.003, 2.0)[0] == 0.0


@pytest.mark.parametrize("freedom", [1, 2, 3.7, 9, 30, 1000, 1e6])
def test_student_quantile_is_scipys(freedom):
    for p in (0.001, 0.025, 0.4, 0.5, 0.8, 0.975, 0.9995):
        assert intervals.student_quantile(p, freedom) == pytest.approx(
            stats.t.ppf(p, freedom), rel=1e-6, abs=1e-9
        )


def test_student_quantiles_of_the_guides_table():
    """JCGM 100:2008, table G.2, p = 95 %: printed to two decimals."""
    for freedom, printed in ((1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (50, 2.01)):
        assert round(intervals.student_quantile(0.975, freedom), 2) == printed
    assert intervals.student_quantile(0.975, math.inf) == pytest.approx(1.960, abs=5e-4)


@pytest.mark.parametrize("n", [1, 7, 40, 333, 20_000])
def test_clopper_pearson_and_wilson_are_scipys(n):
    for hits in sorted({0, 1, n // 7, n // 2, n - 1, n}):
        for confidence in (0.95, 0.9975):
            truth = stats.binomtest(hits, n)
            exact = truth.proportion_ci(confidence, "exact")
            assert intervals.clopper_pearson(hits, n, confidence) == pytest.approx(
                tuple(exact), rel=1e-8, abs=1e-12
            )
            score = truth.proportion_ci(confidence, "wilson")
            assert intervals.wilson(hits, n, confidence) == pytest.approx(
                tuple(score), rel=1e-9, abs=1e-12
            )


def test_intervals_are_of_95_in_100_where_nothing_is_said():
    found = stats.binomtest(3, 10)
    assert intervals.wilson(3, 10) == pytest.approx(tuple(found.proportion_ci(0.95, "wilson")))
    assert intervals.clopper_pearson(3, 10) == pytest.approx(
        tuple(found.proportion_ci(0.95, "exact"))
    )
    # 5 in 100 at one end, 2.5 at each of two: (1 - share)^n.
    assert (1 - intervals.most_with_none(59)) ** 59 == pytest.approx(0.05)
    n = intervals.trials_for(0.1)
    assert 0.9**n <= 0.025 < 0.9 ** (n - 1)


def test_nothing_known_from_nothing():
    assert intervals.clopper_pearson(0, 0) == (0.0, 1.0)
    assert intervals.wilson(0, 0) == (0.0, 1.0)
    assert intervals.share_difference(0, 0, 3, 9) == (-1.0, 1.0)
    assert intervals.most_with_none(0) == 1.0


@pytest.mark.parametrize(
    ("counts", "printed"),
    [((56, 70, 48, 80), (0.0524, 0.3339)), ((9, 10, 3, 10), (0.1705, 0.8090))],
)
def test_share_difference_of_newcombe(counts, printed):
    """Newcombe, Statistics in Medicine 17, 1998, table II, contrasts (a) and (b), method 10."""
    assert intervals.share_difference(*counts) == pytest.approx(printed, abs=6e-5)


def test_rule_of_three():
    """None in n trials: at most about 3/n at 95 % (Hanley & Lippman-Hand, JAMA 249(13), 1983)."""
    for n in (50, 300, 5000):
        assert intervals.most_with_none(n) == pytest.approx(3 / n, rel=0.04)


def test_no_trials_tell_of_a_share_of_none_or_all():
    assert [intervals.trials_for(share) for share in (0.0, 1.0, -0.1, 1.5)] == [0] * 4


def test_a_quantile_takes_few_steps(monkeypatch):
    """By Newton: near the answer each step doubles the digits; by halves it is over fifty."""
    asked, share = [], intervals.beta_share
    monkeypatch.setattr(
        intervals, "beta_share", lambda *given: asked.append(given) or share(*given)
    )
    for a, b in ((3.0, 17.0), (40.0, 0.5), (0.5, 500.0), (2500.0, 900.0)):
        for p in (0.025, 0.5, 0.975):
            asked.clear()
            assert intervals.beta_quantile(p, a, b) == pytest.approx(stats.beta.ppf(p, a, b))
            assert len(asked) <= 40, (a, b, p)


@pytest.mark.parametrize("share", [0.3, 0.02, 0.001])
def test_trials_needed_are_just_enough(share):
    n = intervals.trials_for(share)
    assert intervals.clopper_pearson(0, n)[1] <= share < intervals.clopper_pearson(0, n - 1)[1]


def test_least_squares_is_scipys():
    rng = np.random.default_rng(5)
    x = np.linspace(0.5, 7, 9)
    u = rng.uniform(0.1, 0.4, 9)
    y = 21 + 0.7 * x + u * rng.standard_normal(9) * 2
    fit = intervals.least_squares(np.column_stack((np.ones(9), x)), y, u)
    from scipy.optimize import curve_fit

    values, covariance = curve_fit(
        lambda x, a, b: a + b * x, x, y, (1, 1), sigma=u, absolute_sigma=True
    )
    assert fit.values == pytest.approx(values, rel=1e-6)
    birge = max(1.0, fit.chi2 / fit.freedom)
    assert birge > 1
    assert fit.covariance == pytest.approx(covariance * birge, rel=1e-5)


def test_line_of_the_guide():
    """JCGM 100:2008, H.3.4: thermometer calibration, y1 = -0.1712, y2 = 0.002 18, r = -0.930."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
                  26.511])  # fmt: skip
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    columns = np.column_stack((np.ones(11), t - 20))
    fit = intervals.least_squares(columns, b, np.full(11, 1e-6))
    assert fit.values == pytest.approx((-0.1712, 0.00218), abs=6e-5)
    # With weights far too large, the scatter alone decides, as in the guide.
    assert math.sqrt(fit.covariance[0, 0]) == pytest.approx(0.0029, abs=6e-5)
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(0.00067, abs=6e-6)
    r = fit.covariance[0, 1] / math.sqrt(fit.covariance[0, 0] * fit.covariance[1, 1])
    assert r == pytest.approx(-0.930, abs=6e-4)


def test_freedom_of_a_sum_as_in_the_guide():
    """JCGM 100:2008, H.1.6 (from memory): parts of an end gauge's length, 25, 9.7, 2.9 and 16.6 nm
    of 18, 25.6, 50 and 2 degrees of freedom, have 16.7 together. GTC reckons it in its own way."""
    gauge = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    assert intervals.combined_freedom(gauge) == pytest.approx(16.7, abs=0.1)
    for parts in (gauge, [(0.3, 4.0), (0.8, math.inf)], [(3.0, 1.0), (0.1, 9.0), (1.0, math.inf)]):
        whole = sum(GTC.ureal(0, u, freedom) for u, freedom in parts)
        assert intervals.combined_freedom(parts) == pytest.approx(GTC.dof(whole))
    assert intervals.combined_freedom([(0.3, math.inf), (0.8, math.inf)]) == math.inf


def test_a_line_through_two_points_by_hand():
    """5 ± 1 at 0 and 9 ± 3 at 2: slope 2 ± sqrt(1 + 9) / 2; nothing is left that could scatter."""
    columns = np.array([[1.0, 0.0], [1.0, 2.0]])
    fit = intervals.least_squares(columns, np.array([5.0, 9.0]), np.array([1.0, 3.0]))
    assert fit.values == pytest.approx([5.0, 2.0]) and fit.freedom == 0
    assert fit.covariance == pytest.approx(np.array([[1.0, -0.5], [-0.5, 2.5]]))


def test_slope_interval_covers():
    rng = np.random.default_rng(12)
    x = np.arange(8.0)
    held = 0
    for _ in range(300):
        low, high = intervals.slope(x, 3 + 0.2 * x + rng.standard_normal(8), np.ones(8))[1]
        held += low <= 0.2 <= high
    assert held >= 285


def wandering(n: int, memory: float, rng: np.random.Generator) -> np.ndarray:
    """An autoregression of sd 1 that forgets over `memory` values."""
    keep = math.exp(-1 / memory)
    made = rng.standard_normal(n) * math.sqrt(1 - keep**2)
    made[0] = rng.standard_normal()
    for k in range(1, n):
        made[k] += keep * made[k - 1]
    return made


def test_correlation_time_of_an_autoregression():
    """(1 + a) / (1 - a) exactly, a the correlation of neighbours (Priestley, Spectral Analysis)."""
    rng = np.random.default_rng(21)
    for memory in (0.5, 3.0, 20.0):
        keep = math.exp(-1 / memory)
        found = [intervals.correlation_time(wandering(4000, memory, rng)) for _ in range(20)]
        assert np.mean(found) == pytest.approx((1 + keep) / (1 - keep), rel=0.25)
    assert intervals.correlation_time(np.ones(50)) == 1.0
    assert np.mean([intervals.correlation_time(rng.standard_normal(500)) for _ in range(50)]) < 1.2


def test_clumping():
    rng = np.random.default_rng(24)
    single = [[rng.random(400) < 0.02 for _ in range(3)] for _ in range(7)]
    assert intervals.clumping(single) == 1.0
    spells = [[np.repeat(rng.random(20) < 0.05, 20) for _ in range(3)] for _ in range(7)]
    assert 15 < intervals.clumping(spells) < 45
    assert intervals.clumping([[np.zeros(100, bool)]]) == 1.0


def test_tail_of_f_is_scipys():
    for ratio, over, under in ((2.0, 3, 5), (0.4, 10, 2), (1.3, 40, 60.5), (7.0, 1, 1)):
        assert intervals.f_tail(ratio, over, under) == pytest.approx(
            stats.f.sf(ratio, over, under), rel=1e-9
        )
    # Against what is known for sure it is a chi-squared variable.
    assert intervals.f_tail(2.5, 4, math.inf) == pytest.approx(stats.chi2.sf(10.0, 4), rel=1e-5)


def test_ends_of_the_beta_distribution():
    assert (intervals.beta_quantile(0.0, 2, 3), intervals.beta_quantile(1.0, 2, 3)) == (0.0, 1.0)
    assert (intervals.beta_share(2, 3, 0.0), intervals.beta_share(2, 3, 1.0)) == (0.0, 1.0)


def test_student_quantiles_at_the_very_ends_have_no_bound():
    for p in (0.0, 1.0):
        assert (
            intervals.student_quantile(p, 5.0)
            == stats.t.ppf(p, 5.0)
            == math.copysign(math.inf, p - 0.5)
        )


def test_slope_of_three_points_by_hand():
    """0, 1 and 3.5 at 0, 1, 2 with u = 1: slope 1.75 ± t(0.975, 1) / sqrt(2), the chi² below 1."""
    x, y, u = np.arange(3.0), np.array([0.0, 1.0, 3.5]), np.ones(3)
    found, (low, high) = intervals.slope(x, y, u)
    half = stats.t.ppf(0.975, 1) / math.sqrt(2)
    assert (found, low, high) == pytest.approx((1.75, 1.75 - half, 1.75 + half))
    narrow = intervals.slope(x, y, u, 0.5)[1]
    assert narrow[1] - 1.75 == pytest.approx(stats.t.ppf(0.75, 1) / math.sqrt(2))
    for few in (x[:2], np.ones(3)):
        n = len(few)
        nothing, ends = intervals.slope(few, y[:n], u[:n])
        assert math.isnan(nothing) and ends == (-math.inf, math.inf)


def slowly(values: np.ndarray) -> float:
    """Correlation time in plain loops: Wolff's equation 49 with the window of Madras & Sokal (five
    times what is found, half the series at the most); an autoregression's, of the correlation of
    neighbours less its bias (Marriott & Pope), where that is beyond two of its deviations."""
    x = (values - sum(values) / len(values)).tolist()
    n, square = len(x), sum(v * v for v in x)
    rho = [sum(a * b for a, b in zip(x, x[k:], strict=False)) / square for k in range(n // 2 + 1)]
    time = 1.0
    for window in range(1, n // 2 + 1):
        time += 2 * rho[window]
        if window >= 5 * time:
            break
    time *= 1 + (2 * window + 1) / n
    if rho[1] <= 2 / math.sqrt(n):
        return max(1.0, time)
    alike = min(rho[1] + (1 + 3 * rho[1]) / n, 1 - 4 / n)
    return max(time, (1 + alike) / (1 - alike))


@pytest.mark.parametrize("n", [4, 5, 6, 9, 20, 30, 64, 150, 400])
def test_correlation_time_in_plain_loops(n: int):
    rng = np.random.default_rng(n)
    series = [wandering(n, memory, rng) for memory in (0.2, 1.0, 5.0, 30.0, 200.0)]
    series += [np.arange(n) * 1.0, np.arange(n) % 2 * 1.0, np.arange(n) // 2 % 2 * 1.0]
    series += [10 + np.repeat([0.0, 1.0], (n - 1, 1)), np.repeat([0.0, 1.0], (n // 2, n - n // 2))]
    found = [intervals.correlation_time(one) for one in series]
    assert found == pytest.approx([slowly(one) for one in series], rel=1e-9)
    assert max(found) > 1.5 and min(found) == 1.0
    assert intervals.correlation_time(series[5][:3]) == 1.0


def visit(n: int, *events: int) -> np.ndarray:
    made = np.zeros(n, bool)
    made[list(events)] = True
    return made


def test_a_spell_may_have_single_answers_in_it():
    """Events 10, 11 and 13 are one spell, 20 and 23 are two: (9 + 1 + 1) / 5 of them, less what
    chance makes of a share of 5 in 1000: of two in turn, q = 1 - 0.995^2, (1 + q) / (1 - q)."""
    q = 1 - 0.995**2
    one = visit(1000, 10, 11, 13, 20, 23)
    assert intervals.clumping([[one]]) == pytest.approx(2.2 * (1 - q) / (1 + q))
    # In two visits, or at two places, spells stay apart; what has no answers says nothing.
    q = 1 - (1 - 5 / 2000) ** 2
    two = [visit(1000, 998, 999), visit(1000, 0, 1, 3)]
    for places in ([two], [two[:1], two[1:]], [[*two, visit(0)]]):
        assert intervals.clumping(places) == pytest.approx(13 / 5 * (1 - q) / (1 + q))


@pytest.mark.parametrize(("single", "found"), [(4, 8 / 6), (5, None)])
def test_a_spell_counts_that_is_longer_than_chance_by_three_tenths(single: int, found):
    """A pair and four alone: 8 / 6 of one; with five 9 / 7, which is below 1.3."""
    events = visit(100_000, 0, 1, *range(100, 100 + 9 * single, 9))
    q = 1 - (1 - (2 + single) / 100_000) ** 2
    wanted = found * (1 - q) / (1 + q) if found else 1.0
    assert intervals.clumping([[events]]) == pytest.approx(wanted)


def test_chance_makes_spells_no_longer_than_nineteen():
    """All of 100 missed: q is taken for 0.9 at the most, which makes 1.9 / 0.1."""
    assert intervals.clumping([[np.ones(100, bool)]]) == pytest.approx(100 / 19)
    few = np.ones(100, bool)
    few[::4] = False  # three of four, in one spell: 0.9 is less than 1 - 0.0625
    assert intervals.clumping([[few]]) == pytest.approx(75 / 19)
    half = np.arange(100) % 4 < 2  # spells of 2 beside two answers: q = 0.75, chance makes 7
    assert intervals.clumping([[half]]) == 1.0


def test_a_share_that_scatters_from_visit_to_visit():
    """100 in each of five visits, ten missed in one, each alone: the share 0.02, chi2 80 / 1.96 of
    4 freedoms. Of four visits there are too few freedoms to tell; another place adds its own."""
    ten = visit(100, *range(0, 100, 10))
    five = [ten, *[visit(100)] * 4]
    chi2 = (8**2 + 4 * 2**2) / (100 * 0.02 * 0.98)
    assert intervals.clumping([five]) == pytest.approx(chi2 / 4)
    assert intervals.clumping([five[:4]]) == 1.0
    assert intervals.clumping([[*five, visit(0)]]) == pytest.approx(chi2 / 4)
    again = [visit(100, 50)] * 3  # no scatter: 2 freedoms more
    assert intervals.clumping([five, again]) == pytest.approx(chi2 / 6)
    # A place of one visit, one of no misses and one of nothing else say nothing of scatter.
    q = 1 - (1 - 10 / 800) ** 2
    assert (1 + q) / (1 - q) < 1.3
    assert intervals.clumping([five, [ten[:50]], [visit(100)] * 2]) == pytest.approx(chi2 / 4)
    assert intervals.clumping([five, [visit(1, 0)] * 2]) == pytest.approx(chi2 / 4)
    three = [five, [np.ones(100, bool)] * 2]
    q = 0.9 if 210 / 700 > 0.9 else 1 - (1 - 210 / 700) ** 2
    spell = (10 + 2 * 100**2) / 210 * (1 - q) / (1 + q)
    assert intervals.clumping(three) == pytest.approx(max(spell, chi2 / 4))


@pytest.mark.parametrize(
    ("misses", "others", "visits", "more"),
    [(8, 2, 5, False), (10, 3, 5, False), (12, 4, 5, True), (9, 2, 9, True), (11, 3, 9, False)],
)
def test_scatter_that_chance_alone_has_is_none(misses, others, visits, more: bool):
    """Visits of 100 with so many misses, one with more. 1 + 2 sqrt(2 / f) of f freedoms: 2.414 of
    4, 2 of 8; by hand 2.32, 2.33, 2.421, 2.016 and 1.90."""
    share, freedom = (misses + others * (visits - 1)) / (100 * visits), visits - 1
    some = [visit(100, *range(0, 8 * misses, 8))]
    some += [visit(100, *range(5, 95, 24)[:others])] * freedom
    off = (misses - 100 * share) ** 2 + freedom * (others - 100 * share) ** 2
    scatter = off / (100 * share * (1 - share)) / freedom
    assert (scatter > {4: 2.414214, 8: 2.0}[freedom]) is more and 1.9 < scatter < 2.43
    assert intervals.clumping([some]) == pytest.approx(scatter if more else 1.0)
