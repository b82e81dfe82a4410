"""Steps in a yes/no property: against steps of known place and width."""

import math
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest

from sparkwitness.bench import steps


def test_threshold_of_a_clean_step_is_the_gap():
    speed = np.random.default_rng(3).permutation(np.arange(100.0, 6000, 200))
    found = steps.threshold(speed, speed < 3000)
    assert found is not None
    assert (found.low, found.value, found.high) == (2900, 3000, 3100)
    few = steps.threshold(speed[speed < 4000][:8], speed[speed < 4000][:8] < 2000)
    assert few is None or few.high - few.low > 200  # few observations say less


@pytest.mark.parametrize("yes", [lambda n: n < 0, lambda n: n > 0, lambda n: n > 3000])
def test_no_threshold_where_there_is_none(yes):
    speed = np.linspace(500, 6000, 400)
    assert steps.threshold(speed, yes(speed)) is None
    assert steps.threshold(np.empty(0), np.empty(0, bool)) is None


def test_threshold_covers_the_truth_with_errors_on_both_sides():
    """3 % wrong answers below and 2 % above: the 95 % interval holds the truth in 95 % of runs."""
    rng = np.random.default_rng(11)
    held, width = 0, []
    for _ in range(600):
        truth = rng.uniform(2000, 4000)
        speed = np.sort(rng.uniform(500, 6000, 800))
        yes = np.where(speed < truth, rng.random(800) > 0.03, rng.random(800) < 0.02)
        found = steps.threshold(speed, yes)
        assert found is not None
        held += found.low <= truth <= found.high
        width.append(found.high - found.low)
    assert held >= 0.95 * 600
    assert np.median(width) < 40  # some six observations: covering by being wide would be cheap


def test_change_of_a_sharp_and_of_a_gradual_switch_over():
    rng = np.random.default_rng(23)
    held = sharp = hysteresis = width = 0
    for k in range(60):
        speed = np.sort(rng.uniform(500, 6500, 2000))
        scale = 100 / (2 * math.log(9)) if k % 2 else 1e-9
        share = 1 / (1 + np.exp(np.clip((speed - 2300) / scale, -50, 50)))
        up, down = (steps.change(speed, rng.random(2000) < share) for _ in range(2))
        held += up.low <= 2300 <= up.high
        hysteresis += not up.low - down.high <= 0 <= up.high - down.low
        sharp += (up.width_low == 0) == (k % 2 == 0)
        width += k % 2 == 1 and up.width_low <= 100 <= up.width_high
    assert width >= 26
    assert held >= 55 and hysteresis <= 2 and sharp >= 57


def plain_threshold(speed, yes, confidence):
    """The same by plain loops: a share of yes on each side of each place between two speeds."""

    def likely(side):
        n, k = len(side), sum(side)
        return sum(m * math.log(m / n) for m in (k, n - k) if m)

    both = sorted(zip(speed.tolist(), yes.tolist(), strict=True), key=lambda one: one[0])
    held = [h for _, h in both]
    fit = {
        k: likely(held[:k]) + likely(held[k:])
        for k in range(3, len(both) - 2)
        if both[k][0] > both[k - 1][0]
        and sum(held[:k]) / k > sum(held[k:]) / (len(both) - k)
    }  # fmt: skip
    if not fit:
        return None
    best = max(fit, key=lambda k: fit[k])
    below, above = sum(held[:best]) / best, sum(held[best:]) / (len(both) - best)
    if below - above < 0.5:
        return None
    least = fit[best] + math.log(1 - math.sqrt(confidence))
    inside = [k for k in fit if fit[k] >= least]
    return (
        (both[best - 1][0] + both[best][0]) / 2, both[inside[0] - 1][0], both[inside[-1]][0],
        below, above, len(both),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(12))
def test_threshold_agrees_with_plain_loops(seed):
    """Few observations, speeds that come again, answers that are wrong, steps at the ends."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 40))
    speed = rng.choice(np.arange(1000.0, 3000.0, (300.0, 70.0, 1.0)[seed % 3]), n)
    at = np.sort(speed)[int(rng.integers(2, n - 2))]
    yes = (speed < at) ^ (rng.random(n) < (0.0, 0.15)[seed % 2])
    confidence = (0.95, 0.6)[seed // 6]
    found = steps.threshold(speed, yes, confidence)
    wanted = plain_threshold(speed, yes, confidence)
    assert (found is None) == (wanted is None)
    if found is not None:
        made = (found.value, found.low, found.high, found.below, found.above, found.n)
        assert made == pytest.approx(wanted)


def test_threshold_lies_between_two_speeds():
    """All of five answered at 1000, two at 2000, none at 3000: 5 ln 1 + 2 ln 0.2 + 8 ln 0.8 = -5.0
    below 2000, 7 ln 0.7 + 3 ln 0.3 = -6.1 below 3000, within the 3.7 that 95 % allow."""
    speed = np.repeat([1000.0, 2000.0, 3000.0], 5)
    yes = np.array([1] * 5 + [1, 1, 0, 0, 0] + [0] * 5, bool)
    found = steps.threshold(speed, yes)
    assert (found.value, found.low, found.high) == (1500.0, 1000.0, 3000.0)
    assert (found.below, found.above, found.n) == (1.0, 0.2, 15)
    alone = steps.threshold(speed, yes, 0.0)
    assert (alone.low, alone.high) == (1000.0, 2000.0)
    half = np.array([1] * 3 + [0] * 3 + [0] * 3, bool)  # of six a half, of three none
    six = np.array([1.0, 1, 1, 1, 1, 1, 2, 2, 2])
    assert steps.threshold(six, half).below == 0.5
    assert steps.threshold(six, half & (np.arange(9) < 2)) is None
    # Three observations on either side at least.
    row = np.arange(6.0)
    for below in (2, 3, 4):
        assert steps.threshold(row, row < below).value == 2.5
    assert steps.threshold(row[:5], row[:5] < 3) is None


def plain_change(speed, yes, step, confidence=0.95):
    """The search for the likeliest logistic curve, by plain loops over all that it tries.

    Middles: 41 even ones over the step's interval on either side, no further than the data, and
    the middles between the neighbours nearest to the step; widths: a sharp one and twelve from
    half a gap to a sixth of the data. What lies three scales out on either side, if more than 20
    on both, tells the shares there, half a case more each. Three times as far while an end of the
    interval is not seen, three times at most. Ends are the next places outside of it.
    """
    both = sorted(zip(speed.tolist(), yes.tolist(), strict=True))
    first = sum(s < step.value for s, _ in both)
    both = both[max(0, first - 400) :][:800]
    x = [s for s, _ in both]
    cut = sum(s < step.value for s in x)
    gap = (x[-1] - x[0]) / len(x)
    ratio = (x[-1] - x[0]) / 6 / (gap / 2)
    scales = [gap / 20, *(gap / 2 * ratio ** (k / 11) for k in range(12))]
    reach, top, floor = max(step.high - step.low, 8 * gap), step.below, step.above
    level = NormalDist().inv_cdf(0.5 + confidence / 2) ** 2 / 2
    close = x[max(0, cut - 9) : cut + 8]
    for _ in range(3):
        low, high = max(x[0], step.value - reach), min(x[-1], step.value + reach)
        tried = [low + (high - low) * k / 40 for k in range(41)]
        tried = sorted({*tried, *((a + b) / 2 for a, b in pairwise(close))})

        def likely(m, s, up=top, down=floor):
            total = 0.0
            for at, held in both:
                share = down + (up - down) / (1 + math.exp(min(700, (at - m) / s)))
                share = share if held else 1 - share
                total += math.log(share) if share else -math.inf
            return total

        fit = {(m, s): likely(m, s) for m in tried for s in scales}
        m, s = best = max(fit, key=lambda p: (fit[p], -p[0], -p[1]))
        under = [h for at, h in both if at < m - 3 * s]
        over = [h for at, h in both if at > m + 3 * s]
        if len(under) > 20 and len(over) > 20:
            top = (sum(under) + 0.5) / (len(under) + 1)
            floor = (sum(over) + 0.5) / (len(over) + 1)
        by_middle = {m: max(fit[m, s] for s in scales) for m in tried}
        open_ended = any(by_middle[m] >= fit[best] - level for m in (tried[0], tried[-1]))
        if not open_ended:
            break
        reach *= 3
    m, s = best
    sharp = max(fit[m, scales[0]] for m in tried) >= fit[best] - level
    if sharp:
        level = max(level, -math.log(1 - math.sqrt(confidence)))
    inside = [k for k, m in enumerate(tried) if by_middle[m] >= fit[best] - level]
    wide = [
        k for k, s in enumerate(scales) if max(fit[m, s] for m in tried) >= fit[best] - level
    ]  # fmt: skip
    by = 2 * math.log(9)
    return (
        (tried[inside[0]] + tried[inside[-1]]) / 2 if sharp else m,
        tried[max(0, inside[0] - 1)], tried[min(len(tried) - 1, inside[-1] + 1)],
        0.0 if s == scales[0] else by * s,
        0.0 if sharp else by * scales[max(0, wide[0] - 1)],
        by * scales[min(12, wide[-1] + 1)],
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(20))
def test_change_agrees_with_plain_loops(seed):
    """The last four are long; of two of them a width is seen for certain."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(24, 90)) if seed < 16 else 250
    speed = np.sort(rng.uniform(1000, 3000, n))
    middle = speed[int(rng.integers(4, n - 4))] + 1 if seed % 4 else rng.uniform(1700, 2300)
    scale = (2.0, 30.0, 120.0, 400.0, 90.0)[seed // 4]
    wrong = rng.random(n) < (0.0, 0.04)[seed % 2]
    share = 1 / (1 + np.exp(np.clip((speed - middle) / scale, -50, 50)))
    yes = (rng.random(n) < share) ^ wrong
    order = rng.permutation(n)
    confidence = (0.95, 0.99)[seed // 2 % 2]
    step = steps.threshold(speed, yes, confidence)
    found = steps.change(speed[order], yes[order], confidence)
    if step is None:
        assert found is None and seed in (10, 13, 14)
        return
    assert found is not None
    assert (found.width_low > 0) == (seed in (16, 17))
    made = (found.value, found.low, found.high, found.width, found.width_low, found.width_high)
    assert made == pytest.approx(plain_change(speed, yes, step, confidence), rel=1e-9)
    assert (found.below, found.above, found.n) == (step.below, step.above, n)


# Chosen from 240 so that together they see every number of the search.
@pytest.mark.parametrize("seed", [166, 73, 79, 20, 55, 115, 28, 21, 27, 59, 80, 82, 90, 98])
def test_wide_changes_agree_with_plain_loops(seed):
    """Some need a wider look, with shares told by what lies far out."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(60, 260))
    speed = np.sort(rng.uniform(1000, 3000, n))
    scale = rng.choice([2.0, 30.0, 60.0, 90.0, 120.0])
    middle = rng.uniform(1150, 2850)
    wrong = rng.random(n) < rng.choice([0.0, 0.04])
    share = 1 / (1 + np.exp(np.clip((speed - middle) / scale, -50, 50)))
    yes = (rng.random(n) < share) ^ wrong
    step, found = steps.threshold(speed, yes), steps.change(speed, yes)
    made = (found.value, found.low, found.high, found.width, found.width_low, found.width_high)
    assert made == pytest.approx(plain_change(speed, yes, step), rel=1e-9)


def test_of_a_long_series_the_nearest_eight_hundred_are_looked_at():
    speed = 1000.0 + np.cumsum(1.0 + np.arange(1000) % 7)
    yes = (np.arange(1000) < 560) ^ np.isin(np.arange(1000), (300, 700))
    step, found = steps.threshold(speed, yes), steps.change(speed, yes)
    made = (found.value, found.low, found.high, found.width, found.width_low, found.width_high)
    assert made == pytest.approx(plain_change(speed, yes, step), rel=1e-9)


def test_a_step_upwards_hides_none_downwards():
    """8 of 8, then none of 14, then 9 of 9: as likely a step up at 22, 1 more likely than the one
    down at 8, which is told."""
    yes = np.repeat([True, False, True], [8, 14, 9])
    found = steps.threshold(np.arange(31.0), yes)
    assert (found.value, found.below, found.above) == (7.5, 1.0, pytest.approx(9 / 23))
    assert plain_threshold(np.arange(31.0), yes, 0.95)[0] == 7.5
