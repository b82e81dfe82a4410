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
    if share[size == 0].sum() > 0.5 * share.sum():
        return None
    share[share <= share.max() / 1000] = 0.0  # is left out
    share /= share.sum()
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
    assert found is None or found == pytest.approx(expected, rel=1e-5)
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


def likelihood(columns, y, variance) -> tuple[float, np.ndarray, np.ndarray]:
    """Generalised least squares (Aitken), and the restricted likelihood's logarithm, less what is
    the same for all variances (Patterson & Thompson): Rasmussen & Williams, eq. 2.45."""
    inverse = np.linalg.inv(variance)
    information = columns.T @ inverse @ columns
    gain = np.linalg.solve(information, columns.T @ inverse)
    rest = y - columns @ (gain @ y)
    size = np.linalg.slogdet(variance)[1] + np.linalg.slogdet(information)[1]
    return -(size + rest @ inverse @ rest) / 2, gain, np.linalg.inv(information)


def mixed(share, variance, between) -> tuple[np.ndarray, np.ndarray]:
    """The t whose first two even moments are those of the mixture: freedom 4 + 2 / scatter."""
    mean = share @ variance
    freedom = 4 + 2 * mean**2 / (share @ (variance - mean) ** 2)
    return np.sqrt((mean + between) * (freedom - 2) / freedom), freedom


def slow_wander(columns, y, u, ways, few=False) -> visits.Wander:
    """The same with whole matrices, way by way and size by size."""
    n, p = columns.shape
    left = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
    scale = np.sqrt(left @ left / (n - p))
    least = 0.3 * min(np.median(u), scale)
    found = []
    for kernel in ways:
        for size in (0.0, *np.geomspace(least, (16 if few else 4) * scale, 16 if few else 11)):
            more = size**2 * kernel
            log, gain, covariance = likelihood(columns, y, np.diag(u**2) + more)
            prior = 4.0 if size == 0 else size / scale if few else 1.0
            found.append((np.exp(log) * prior, gain, covariance, np.diag(more)))
    most = max(one[0] for one in found)
    found = [one for one in found if one[0] > 0.01 * most]
    share = np.array([one[0] for one in found])
    share /= share.sum()
    gains, covariances, added = (np.array([one[k] for one in found]) for k in (1, 2, 3))
    values = gains @ y
    mean = share @ values
    off = values - mean
    of_mean = mixed(share, np.array([np.diag(c) for c in covariances]), share @ off**2)
    of_visit = mixed(share, u**2 + added, 0.0)
    together = np.tensordot(share, covariances, 1) + off.T @ (share[:, None] * off)
    size = np.sqrt(share @ added.mean(axis=1))
    return visits.Wander(mean, *of_mean, *of_visit, size, np.tensordot(share, gains, 1), together)


@pytest.mark.parametrize("few", [True, False])
@pytest.mark.parametrize(("n", "noise"), [(9, 0.4), (14, 1.5), (14, 0.05)])
def test_a_wander_of_any_size_against_whole_matrices(n: int, noise: float, few: bool):
    rng = np.random.default_rng(n + few)
    at = np.arange(float(n))
    columns = np.column_stack((np.ones(n), np.minimum(at, n - at)))
    u = noise * rng.uniform(0.5, 1.5, n)
    apart = np.abs(at[:, None] - at[None, :])
    ways = [np.exp(-apart / m) * (1 - 0.1 * k) for k, m in enumerate((0.4, 3.0, 20.0))]
    walk = np.linalg.cholesky(ways[1]) @ rng.standard_normal(n)
    y = 3 + 0.2 * columns[:, 1] + walk + u * rng.standard_normal(n)
    found, slow = visits.wander(columns, y, u, ways, few), slow_wander(columns, y, u, ways, few)
    for name in ("values", "u", "freedom", "u_visit", "of_visit", "size", "gain", "covariance"):
        assert getattr(found, name) == pytest.approx(getattr(slow, name), rel=1e-6), name


def test_memories_that_are_tried():
    """A fifth of the shortest visit to twice the whole; of smooth ones half a visit to the whole.

    Means by four nodes: Abramowitz & Stegun, table 25.4.
    """
    begin, end = np.array([1.0, 2.5, 4.0]), np.array([2.0, 4.0, 9.0])
    clocks = [(begin, end), visits.by_count(np.array([10.0, 40.0, 20.0]))]
    assert [c.tolist() for c in clocks[1]] == [[0.0, 10.0, 50.0], [10.0, 50.0, 70.0]]
    ways = list(visits.rough(clocks))
    tried = [*np.geomspace(0.2 * 1.0, 2.0 * 8.0, 9), *np.geomspace(0.2 * 10, 2.0 * 70, 9)]
    for k, (found, memory) in enumerate(zip(ways, tried, strict=True)):
        assert found == pytest.approx(visits._alike(*clocks[k // 9], memory), rel=1e-9)
    node = np.array([-0.8611363116, -0.3399810436, 0.3399810436, 0.8611363116])
    weight = np.array([0.3478548451, 0.6521451549, 0.6521451549, 0.3478548451]) / 2
    at = (begin + end)[:, None] / 2 + (end - begin)[:, None] / 2 * node
    apart = np.abs(at[:, :, None, None] - at[None, None])
    shapes = (
        lambda d: np.exp(-d), lambda d: (1 + 3**0.5 * d) * np.exp(-(3**0.5) * d),
        lambda d: np.exp(-d * d / 2),
    )  # fmt: skip
    memories = np.geomspace(0.5 * 1.5, at.max() - at.min(), 9)  # the median visit lasts 1.5
    ways = iter(visits.of_any_shape(begin, end))
    for shape in shapes:
        for memory in memories:
            fine = shape(apart / memory)
            means = np.einsum("iajb,a,b->ij", fine, weight, weight)
            assert next(ways) == pytest.approx(means, rel=1e-8)
    assert next(ways, None) is None


def test_the_scatter_of_one_value_in_all_visits():
    """Place 0: (10 · 4 + 30 · 1) / 40 = 1.75 of a value, place 1: 6.25; all: 170 / 56 = 3.04."""
    place, weight = np.array([0, 1, 0]), np.array([10.0, 16.0, 30.0])
    single = np.array([4.0, 6.25, 1.0])
    found = visits.pooled(place, np.sqrt(single / weight), weight)
    assert found == pytest.approx(np.sqrt(np.array([170 / 56, 6.25, 170 / 56]) / weight))


def slow_visits(place, at, y, u, weight, powers):
    """Means at places with a trend: the shape of what lies between that is likeliest, so large
    that the residuals come out right (Paule & Mandel), by scipy's root."""
    n, p = len(y), place.max() + 1
    columns = np.equal.outer(place, np.arange(p)).astype(float)
    x = 2 * (at - at.min()) / (at.max() - at.min()) - 1
    trends = [x, x**2 - np.mean(x**2)][:powers]
    columns = np.column_stack([columns, *trends])
    k = p + powers
    u = visits.pooled(place, u, weight)
    best = None
    for power in (0.0, 0.5, 1.0) if n - k > 1 else (0.0,):  # which one free number cannot tell
        shape = (np.mean(weight) / weight) ** power

        def left(size, shape=shape):
            inverse = np.diag(1 / (u**2 + size * shape))
            gain = np.linalg.solve(columns.T @ inverse @ columns, columns.T @ inverse)
            rest = y - columns @ (gain @ y)
            return rest @ inverse @ rest - (n - k)

        size = optimize.brentq(left, 0.0, 1e3, xtol=1e-14) if left(0.0) > 0 else 0.0
        log, gain, covariance = likelihood(columns, y, np.diag(u**2 + size * shape))
        if best is None or log > best[0]:
            best = log, gain @ y, covariance
    half = np.where(at % 1 == 0, 0.5, 1.0)
    count = np.cumsum(weight)
    ways = visits.rough([(count - weight, count), (at - half, at + half)])
    return best[1], best[2], slow_wander(columns[:, :p], y, u, ways), n - k


@pytest.mark.parametrize(
    ("places", "n", "powers", "by", "wander"),
    [
        (3, 4, 0, 0.3, 0.5), (3, 5, 1, 0.3, 0.5), (3, 8, 1, 0.3, 0.5), (3, 9, 2, 0.3, 0.5),
        (3, 12, 2, 3.0, 0.5), (4, 16, 2, 0.0, 2.0), (2, 11, 2, 6.0, 0.01), (2, 5, 1, 9.0, 0.01),
        (2, 11, 2, -6.0, 0.01), (3, 13, 2, 0.0, 0.5), (3, 17, 2, 0.0, 0.5), (3, 20, 2, 0.0, 0.5),
        (4, 21, 2, 0.0, 0.5), (2, 14, 2, 0.0, 0.3), (2, 15, 2, 0.0, 0.3),
    ],
)  # fmt: skip
def test_visits_against_whole_matrices(places, n, powers, by, wander):
    """A line through the time from two visits more than places on, from six on a parabola; where
    it is sure (99 % of a t, both sides), the means are those at its middle."""
    rng = np.random.default_rng(n)
    place = np.resize(np.arange(places), n)
    place[-2:] = place[-2:][::-1]
    at = np.arange(float(n)) + np.where(np.arange(n) % 4 == 2, 0.5, 0.0)
    weight = rng.uniform(50, 400, n)
    u = 2.0 / np.sqrt(weight) * rng.uniform(0.6, 1.6, n)
    x = 2 * at / at.max() - 1
    y = 10.0 + place + by * x - by * x**2 / 4 + wander * rng.standard_normal(n)
    y += u * rng.standard_normal(n)
    found = visits.from_visits(place, at, y, u, weight)
    values, covariance, other, freedom = slow_visits(place, at, y, u, weight, powers)
    assert found.u == pytest.approx(other.u, rel=1e-5)
    assert found.freedom == pytest.approx(other.freedom, rel=1e-4)
    assert found.between == pytest.approx(other.size, rel=1e-5) and found.of_trend == freedom
    first, last = (
        np.concatenate((np.zeros(places), end[:powers])) for end in ([1.0, -1.0], [1.0, 1.0])
    )  # the halves of the time: from -1 to 0, from 0 to 1
    drift = (first + last) @ values
    sure = np.sqrt((first + last) @ covariance @ (first + last))
    assert (found.drift, found.u_drift) == pytest.approx((drift, sure), rel=1e-5, abs=1e-9)
    assert found.drift_late == pytest.approx(last @ values, rel=1e-5, abs=1e-9)
    if powers > 1:
        ratio = (last @ values) / (first @ values)
        by_ends = (last - ratio * first) / (first @ values)
        u_ratio = np.sqrt(by_ends @ covariance @ by_ends)
        assert found.slowed == pytest.approx((ratio, u_ratio), rel=1e-5)
    else:
        assert found.slowed == (np.inf, np.inf)
    trend = powers and abs(drift) > stats.t.ppf(0.995, freedom) * sure
    assert found.values == pytest.approx(values[:places] if trend else other.values, rel=1e-5)
    assert bool(trend) is (abs(by) > 2), (drift, sure)


def test_places_that_were_visited_once():
    place, u = np.arange(3), np.array([0.1, 0.2, 0.3])
    weight = np.array([1.0, 2.0, 3.0])
    found = visits.from_visits(place, np.arange(3.0), np.array([3.0, 5.0, 4.0]), u, weight)
    assert found.values == pytest.approx([3.0, 5.0, 4.0]) and np.isinf(found.freedom).all()
    all_ = (0.01 + 4 * 0.04 + 9 * 0.09) / 6  # of one value, the mean of all
    single = np.maximum(weight * u**2, all_)
    assert found.u == pytest.approx(np.sqrt(single / weight))
    assert (found.between, found.drift, found.u_drift, found.drift_late) == (0.0, 0.0, 0.0, 0.0)
    assert found.slowed == (np.inf, np.inf) and found.of_trend == 0.0
    # All at one time: no trend can be told.
    still = visits.from_visits(np.resize(place, 9), np.zeros(9), np.resize(place, 9) * 1.0,
                               np.full(9, 0.1))  # fmt: skip
    assert (still.drift, still.of_trend) == (0.0, 6.0)
    # Nor where each place has a time of its own.
    apart = np.repeat([0, 1], 3)
    one = visits.from_visits(apart, apart * 5.0, apart * 1.0, np.full(6, 0.1))
    assert (one.drift, one.u_drift, one.of_trend) == (0.0, 0.0, 4.0)


@pytest.mark.parametrize("seed", [0, 1, 5, 6, 8, 23, 24])
def test_series_that_rather_stand_still_and_others(seed: int):
    """Noise beside a walk as wide as half of it: some are told as still, and some not."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1, 60) + 0.125 * np.cumsum(rng.normal(0, 1, 60))
    found, expected = visits.of_series(values), slow_of_series(values)
    assert (found is None) == (expected is None) == (seed in (0, 1, 8))
    # In any unit.
    for unit in (1e-15, 1e15):
        scaled = visits.of_series(unit * values)
        assert scaled is None if found is None else scaled == pytest.approx(unit * found, rel=1e-6)
    assert found is None or found == pytest.approx(expected, rel=1e-5)
