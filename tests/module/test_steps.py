"""Steps in a yes/no property: against steps of known place and width."""

import math

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
