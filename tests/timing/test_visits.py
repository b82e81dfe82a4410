"""Means from visits in turn: what wanders between them, against sums done another way."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from sparkwitness.timing import visits

UP_AND_DOWN = np.concatenate((np.arange(6), np.arange(5)[::-1], np.arange(1, 6)))


def held(found: visits.Visits, true: np.ndarray) -> np.ndarray:
    """Which 95 % intervals hold the truth."""
    half = stats.t.ppf(0.975, np.minimum(found.freedom, 1e6)) * found.u
    return np.abs(found.values - true) <= half


def test_covariance_of_means_over_spans():
    """exp(-|s - t| / memory) integrated over both spans by quadrature (scipy)."""
    begin, end = np.array([0.0, 2.5, 4.0]), np.array([2.0, 4.0, 9.0])
    found = visits._alike(begin, end, 1.7)
    for i in range(3):
        for j in range(3):
            value, _ = integrate.dblquad(
                lambda s, t: np.exp(-abs(s - t) / 1.7), begin[i], end[i], begin[j], end[j],
                epsabs=1e-5, epsrel=1e-5,
            )  # fmt: skip
            value /= (end[i] - begin[i]) * (end[j] - begin[j])
            assert found[i, j] == pytest.approx(value, rel=1e-4)


def test_ways_of_any_shape_against_quadrature():
    """Each kernel of Rasmussen & Williams 4.2.1 integrated over both spans (scipy); 4 nodes."""
    begin, end = np.array([0.0, 2.5, 4.0]), np.array([2.0, 4.0, 9.0])
    ways = list(visits.of_any_shape(begin, end))
    last = begin[0] + 2 * 0.0694318442, end[2] - 5 * 0.0694318442  # tabulated Gauss-Legendre node
    longest, third = last[1] - last[0], 3**0.5
    kernels = (
        lambda d: np.exp(-d),
        lambda d: (1 + third * d) * np.exp(-third * d),
        lambda d: np.exp(-d * d / 2),
    )
    for found, kernel in zip(ways[8::9], kernels, strict=True):
        for i in range(3):
            for j in range(3):
                value, _ = integrate.dblquad(
                    lambda s, t, k=kernel: k(abs(s - t) / longest),
                    begin[i], end[i], begin[j], end[j], epsabs=1e-5, epsrel=1e-5,
                )  # fmt: skip
                value /= (end[i] - begin[i]) * (end[j] - begin[j])
                assert found[i, j] == pytest.approx(value, rel=0.01)
    for found in ways:  # of variance 1 or less, and no direction negative
        assert np.linalg.eigvalsh(found).min() > -1e-9 and (np.diag(found) <= 1 + 1e-9).all()


def test_gain_and_covariance_of_a_line():
    """With one known wander: generalised least squares (Aitken), by the textbook's formula."""
    rng = np.random.default_rng(4)
    n = 40
    at = np.arange(n, dtype=float)
    columns = np.column_stack((np.ones(n), np.minimum(at, n - at) / 10))
    kernel = np.exp(-np.abs(at[:, None] - at[None, :]) / 10)
    y = np.linalg.cholesky(kernel) @ rng.standard_normal(n) + 0.05 * rng.standard_normal(n)
    found = visits.wander(columns, y, np.full(n, 0.05), [kernel])
    assert found.gain @ y == pytest.approx(found.values)
    assert found.gain @ columns == pytest.approx(np.eye(2), abs=1e-9)  # no bias
    weight = np.linalg.inv(found.size**2 * kernel + 0.05**2 * np.eye(n))
    aitken = np.linalg.inv(columns.T @ weight @ columns)
    assert found.values == pytest.approx(aitken @ columns.T @ weight @ y, abs=0.02)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(np.sqrt(np.diag(aitken)), rel=0.15)


def test_smooth_drifts_are_covered_as_rough_ones():
    """A line up and down beside one sine wave or one walk: 95 % of 80, three standard deviations.

    With rough kernels alone the sines are held in some 60 %.
    """
    rng = np.random.default_rng(24)
    at = np.arange(28.0)
    speed = np.minimum(at, 27 - at)
    columns = np.column_stack((np.ones(28), speed))
    inside = {"wave": 0, "walk": 0}
    for _ in range(80):
        turns = rng.uniform(0.3, 2.0) * at / 27 + rng.random()
        drifts = {"wave": 0.5 * np.sin(2 * np.pi * turns),
                  "walk": 0.1 * np.cumsum(rng.standard_normal(28))}  # fmt: skip
        for name, drift in drifts.items():
            y = 3 - 0.1 * speed + drift + 0.02 * rng.standard_normal(28)
            ways = visits.of_any_shape(at, at + 1)
            found = visits.wander(columns, y, np.full(28, 0.02), ways, few=True)
            half = stats.t.ppf(0.975, found.freedom[1]) * found.u[1]
            inside[name] += abs(found.values[1] + 0.1) <= half
    assert min(inside.values()) >= 0.88 * 80


def test_a_mixture_of_normals_as_students_t():
    """Variances f / chi2 of f = 9 mix to a t of f (its definition); alike ones to a normal."""
    f = 9.0
    p = (np.arange(4000) + 0.5) / 4000
    variance = np.column_stack((4 * f / stats.chi2.ppf(p, f), np.full(4000, 2.0)))
    u, freedom = visits._student(np.full(4000, 1 / 4000), variance, np.zeros(2))
    assert freedom[0] == pytest.approx(f, rel=0.1) and u[0] == pytest.approx(2.0, rel=0.01)
    assert np.isinf(freedom[1]) and u[1] == pytest.approx(np.sqrt(2.0))


def test_nothing_left_beside_the_model_is_weighted_least_squares():
    """Values on their places to the digit: u is what the scatter inside the visits makes it."""
    place = np.arange(8) % 2
    found = visits.from_visits(place, np.arange(8.0), 5.0 + place, np.full(8, 0.2))
    assert found.values == pytest.approx([5.0, 6.0])
    assert found.u == pytest.approx(np.full(2, 0.2 / 2), rel=1e-3)


def test_the_order_of_the_visits_is_that_of_time():
    rng = np.random.default_rng(3)
    at, y, u = np.arange(16.0), rng.standard_normal(16), rng.uniform(0.1, 0.2, 16)
    weight = rng.uniform(100, 600, 16)
    mixed = rng.permutation(16)
    one = visits.from_visits(UP_AND_DOWN, at, y, u, weight)
    two = visits.from_visits(UP_AND_DOWN[mixed], at[mixed], y[mixed], u[mixed], weight[mixed])
    assert one.values == pytest.approx(two.values) and one.u == pytest.approx(two.u)


def test_a_quiet_spell_is_not_the_surest_visit():
    """Two levels 8 apart in turn: seven visits by luck on one of them, still; the rest between."""
    rng = np.random.default_rng(5)
    at, weight = np.arange(16.0), np.full(16, 300.0)
    for _ in range(5):
        quiet = at < 7
        y = np.where(quiet, 33.0, 29.0 + rng.normal(0, 1.5, 16))
        u = np.where(quiet, 0.07, rng.uniform(1.0, 2.6, 16))
        found = visits.from_visits(UP_AND_DOWN, at, y, u, weight)
        assert held(found, np.full(6, 29.0)).sum() >= 5


def test_visits_tell_places_from_a_drift():
    """Up, down and up again over 7 places, with a drift in time and what each visit adds.

    A wander with a memory cannot be ruled out by so few visits, so more than 95 % are held.
    """
    rng = np.random.default_rng(22)
    place = np.concatenate((np.arange(7), np.arange(7)[::-1], np.arange(7)))
    at, u = np.arange(21.0), np.full(21, 0.1)
    true = np.linspace(20, 26, 7)
    drifted, inside = 0, {0.0: 0, 0.3: 0}
    for k in range(100):
        slope = 0.3 * (k % 2)
        y = true[place] + slope * (at - 10) + 2 * rng.standard_normal(21)
        found = visits.from_visits(place, at, y, u)
        inside[slope] += int(held(found, true).sum())
        t = stats.t.ppf(0.975, found.of_trend)
        drifted += bool(slope) and abs(found.drift - 6.0) <= t * found.u_drift
    assert 0.94 * 350 <= inside[0.0] < 350
    assert inside[0.3] >= 0.93 * 350  # a trend may be a slow wander: more room
    assert drifted >= 41  # 47.5 expected, four standard deviations


def test_wanders_of_any_memory_are_covered():
    """Gaussian with an exponential memory, a twelfth to four lengths of a visit."""
    rng = np.random.default_rng(23)
    n, fine = 16, 24  # points of a visit
    inside: dict[float, int] = {}
    for memory in (0.08, 0.5, 4.0):
        keep = np.exp(-1 / (fine * memory))
        for _ in range(30):
            white = rng.standard_normal(n * fine) * np.sqrt(1 - keep**2)
            walk = np.empty(n * fine)
            now = rng.standard_normal()
            for k, step in enumerate(white):
                now = keep * now + step
                walk[k] = now
            y = 30 + 5 * walk.reshape(n, fine).mean(axis=1) + 0.05 * rng.standard_normal(n)
            found = visits.from_visits(UP_AND_DOWN, np.arange(16.0), y, np.full(n, 0.05))
            inside[memory] = inside.get(memory, 0) + int(held(found, np.full(6, 30.0)).sum())
    # 95 % of 180; the six of a run fail together: three standard deviations of 30 runs.
    assert min(inside.values()) >= 0.83 * 180


def slow_of_series(values: np.ndarray) -> float | None:
    """The same with whole matrices: a mean and a scale of which nothing is known are integrated out
    (generalised least squares, Aitken), of each memory and size, those by a normal's quantile."""
    m = min(len(values), 40)
    cuts = np.linspace(0, len(values), m + 1).astype(int)
    y = np.array([values[a:b].mean() for a, b in pairwise(cuts)])
    one, lag = np.ones(m), np.abs(np.subtract.outer(np.arange(m), np.arange(m)))
    told = []
    for memory in np.geomspace(0.5, 0.4 * m, 8):
        # Two parts of length 1: mean of exp(-|s - t| / memory) over both.
        inside = memory * (1 - np.exp(-1 / memory))
        kernel = inside**2 * np.exp(-np.maximum(lag - 1, 0) / memory)
        kernel[lag == 0] = 2 * memory * (1 - inside)
        for size in (0.0, *np.geomspace(0.05, 200.0, 10)):
            whole = np.eye(m) + size * kernel
            inverse = np.linalg.inv(whole)
            weight = one @ inverse @ one
            rest = y - one * (one @ inverse @ y) / weight
            square = rest @ inverse @ rest
            log = -(np.linalg.slogdet(whole)[1] + np.log(weight) + (m - 1) * np.log(square)) / 2
            u = np.sqrt(square / (m - 1) * (one @ whole @ one)) / m
            told.append((log + np.log(300 / 8 if size == 0 else 1.0), u, size))
    log, u, size = np.array(told).T
    share = np.exp(log - log.max())
    share /= share.sum()
    if share[size == 0].sum() > 0.5:
        return None
    beyond = 2 * stats.norm.sf(2)
    u = u * stats.t.isf(beyond / 2, m - 1) / 2
    found = optimize.brentq(
        lambda half: share @ (2 * stats.norm.sf(half / u)) - beyond, 0.0, 9 * u.max()
    )
    return found / 2


@pytest.mark.parametrize(
    ("n", "memory", "noise"), [(160, 20.0, 0.3), (123, 60.0, 0.3), (30, 12.0, 0.1), (8, 9.0, 0.01)]
)
def test_half_of_what_holds_a_wandering_mean(n: int, memory: float, noise: float):
    rng = np.random.default_rng(n)
    values = np.zeros(n)
    for k in range(1, n):
        values[k] = values[k - 1] * np.exp(-1 / memory) + rng.normal(0, np.sqrt(2 / memory))
    values = 20 + values + rng.normal(0, noise, n)
    found, expected = visits.of_series(values), slow_of_series(values)
    assert (found is None) == (expected is None)
    # What is less likely by a thousand is left out.
    assert found is None or found == pytest.approx(expected, rel=0.02)
    assert n == 8 or found is not None


def test_a_series_that_tells_of_no_wander():
    still = np.random.default_rng(1).normal(20, 0.5, 200)
    assert visits.of_series(still) is None and slow_of_series(still) is None
    assert visits.of_series(np.arange(7.0)) is None and visits.of_series(np.arange(8.0)) is not None
    assert visits.of_series(np.full(50, 20.0)) is None
    # Each part has the same mean.
    assert visits.of_series(np.tile([1.0, -1.0], 40)) is None


def test_how_far_the_trend_slowed_and_how_surely():
    """Two places in turn on a parabola: its halves by least squares with numpy, and the standard
    uncertainty of their ratio by the law of propagation (JCGM 100, 5.2.2)."""
    n = 12
    at, place = np.arange(float(n)), np.arange(n) % 2
    y = place + 0.6 * at - 0.02 * at**2
    found = visits.from_visits(place, at, y, np.full(n, 0.1))
    x = 2 * at / (n - 1) - 1
    columns = np.column_stack((place == 0, place == 1, x, x**2 - np.mean(x**2)))
    covariance = np.linalg.inv(columns.T @ columns) * 0.01
    values = np.linalg.lstsq(columns, y, rcond=None)[0]
    ends = np.array([[0, 0, 1, -1], [0, 0, 1, 1]])
    (first, last), spread = ends @ values, ends @ covariance @ ends.T
    assert (found.drift, found.drift_late) == pytest.approx((first + last, last))
    assert found.u_drift == pytest.approx(np.sqrt(spread.sum()))
    ratio = last / first
    by = np.array([-last / first**2, 1 / first])
    assert found.slowed == pytest.approx((ratio, np.sqrt(by @ spread @ by)))
