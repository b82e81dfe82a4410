"""Statistics, budget and advice against published values and reference libraries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import interpolate, signal, stats

from sparkwitness.errors import UserError
from sparkwitness.timing import advice, interpolation
from sparkwitness.timing import budget as timing
from sparkwitness.timing.angle import CrankTracker, Periods, Reference
from sparkwitness.timing.placing import AngleReader

# NIST Statistical Reference Datasets, univariate summary statistics, data set Michelson
# (public domain): speed of light in air less 299 000 km/s, here in km/s.
MICHELSON = """
850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960
960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800
880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840
890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780
890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870
"""


def agreeing_digits(value: float, certified: float) -> float:
    """Log relative error, as NIST StRD compares."""
    return 15.0 if value == certified else -np.log10(abs(value - certified) / abs(certified))


def test_michelson():
    # Certified: mean 299.852400000000, standard deviation 0.0790105478190518 (thousand km/s).
    data = 299 + np.array(MICHELSON.split(), float) / 1000
    mean, deviation = timing.mean_and_deviation(data)
    assert agreeing_digits(mean, 299.852400000000) > 14
    assert agreeing_digits(deviation, 0.0790105478190518) > 13


@pytest.mark.parametrize(("level", "digits"), [(1_000_000.2, 9.4), (10_000_000.2, 8.2)])
def test_numacc(level, digits):
    # NIST StRD NumAcc3 and NumAcc4: the first value, then 500 times 0.1 below and 0.1 above it.
    # Certified: mean 1000000.2 and 10000000.2, standard deviation 0.1 exactly. Doubles cannot
    # hold the data to more digits than asked for here.
    data = np.concatenate(([level], np.tile([round(level - 0.1, 1), round(level + 0.1, 1)], 500)))
    mean, deviation = timing.mean_and_deviation(data)
    assert agreeing_digits(mean, level) > 14
    assert agreeing_digits(deviation, 0.1) > digits


@given(st.lists(st.floats(-1000, 1000), min_size=2, max_size=60), st.sampled_from([90.0, 360.0]))
def test_circular_mean_and_deviation_against_scipy(values, period):
    data = np.array(values)
    turn = data * (2 * np.pi / period)
    length = np.hypot(np.cos(turn).mean(), np.sin(turn).mean())
    if length < 1e-6:
        return  # no direction
    ours = timing.circular_mean(data, period)
    theirs = stats.circmean(data, high=period, low=0)
    assert abs((ours - theirs + period / 2) % period - period / 2) < 1e-6
    if length < 1 - 1e-9:
        assert timing.circular_deviation(data, period) == pytest.approx(
            stats.circstd(data, high=period, low=0), rel=1e-5
        )


@pytest.mark.parametrize(
    ("rpm", "seconds", "degrees"),
    [
        # Rotation in handbooks: degrees = 6 N t, N in rev/min.
        (1000, 1e-3, 6.0),
        (1000, 20 / 6000, 20.0),
        (6000, 1 / 36000, 1.0),
    ],
)
def test_degrees_of_time(rpm, seconds, degrees):
    assert timing.degrees_of(seconds, rpm) == pytest.approx(degrees, rel=1e-12)


def test_standard_error_of_independent_values_is_the_textbook_one():
    data = np.random.default_rng(0).normal(0, 1, 4000)
    # JCGM 100:2008, 4.2.3: s / sqrt(n). Newey-West adds little where neighbours are independent.
    textbook = data.std(ddof=1) / np.sqrt(len(data))
    assert textbook <= timing.standard_error(data) < 1.15 * textbook


def test_standard_error_covers_alike_neighbours():
    # AR(1) with coefficient 0.5: variance of the mean is s^2 / n (1 + rho) / (1 - rho), e.g.
    # Box, Jenkins & Reinsel, Time Series Analysis, 2.1.
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 1, 5000)
    series = np.empty_like(noise)
    series[0] = noise[0]
    for k in range(1, len(noise)):
        series[k] = 0.5 * series[k - 1] + noise[k]
    expected = series.std(ddof=1) / np.sqrt(len(series)) * np.sqrt(3)
    assert timing.standard_error(series) == pytest.approx(expected, rel=0.15)


def test_budget_combines_as_the_guide_says():
    reference = Reference(36, 1, angle=60, u_angle=0.3)
    n = 400
    angles = np.random.default_rng(2).normal(20, 0.5, n)
    zero = np.zeros(n)
    none = np.zeros(n, np.int64)
    periods = Periods(none, none + 1000, none, np.arange(n), zero, zero)
    made = timing.budget(angles, 1e-4, zero + 5, periods, reference, 2, 1000, 50e-6)
    by_name = {c.name: c.u for c in made.components}
    assert by_name["reference angle"] == 0.3
    assert by_name["clamp and conditioner delay"] == pytest.approx(0.3)
    assert by_name["scatter of the sparks"] == pytest.approx(0.5 / np.sqrt(n), rel=0.3)
    # JCGM 100:2008, 5.1.2 and 6.2.1.
    assert made.expanded == pytest.approx(2 * np.sqrt(sum(u**2 for u in by_name.values())))


@pytest.mark.parametrize("kind", ["24", "36-1", "60-2"])
@pytest.mark.parametrize("overtone", [0.0, 0.04, 0.15])
@pytest.mark.parametrize("tooth", [0.0, 0.05])
def test_interpolation_errs_by_what_is_stated(kind, overtone, tooth):
    """Speed with an overtone and teeth that are off: stated against the true RMS of the angles."""
    rng = np.random.default_rng(7)
    reference, n = Reference.parse(kind, 0, 0), 4
    place = np.arange(200 * reference.teeth)
    at = place[place % reference.teeth < reference.teeth - reference.missing] * reference.step
    off = np.resize(rng.normal(0, tooth, reference.teeth - reference.missing), len(at))

    def tick(degrees):
        turned = np.radians(degrees)
        swing = 0.06 / n * np.sin(n * turned) + 0.06 * overtone / n * np.sin(2 * n * turned + 1)
        return np.rint((turned - swing) / (800 * 2 * np.pi / 60) / 24e-9).astype(np.int64)

    truth = np.sort(rng.uniform(5000, 60000, 4000))
    track, periods = CrankTracker(reference).feed(tick(at + off), np.empty(0, np.int64), last=True)
    marks = tick(truth)
    placed = AngleReader(reference).feed(track, marks, int(marks[-1]), last=True)
    error = (placed.degrees - truth + reference.period / 2) % reference.period
    error = error[np.isfinite(error)] - reference.period / 2
    u, _, _ = interpolation.interpolation(
        periods.miss, periods.wide, periods.number, reference, n, placed.degrees
    )
    # The mean over all teeth is the reference angle's matter, not the interpolation's.
    assert 0.75 * error.std() < u < 1.35 * error.std() + 0.003


def test_swing_uncertainty_is_the_mean_square_over_all_phases():
    # Direct average over phases of the error of constant-speed interpolation.
    phase = np.linspace(0, 2 * np.pi, 3601)[:-1]
    for n, swing, distance in ((2, 0.08, 60), (4, 0.02, 14), (0.5, 0.1, 200)):
        x = np.radians(distance)
        error = np.degrees(swing / n * (np.sin(n * x + phase) - np.sin(phase)))
        ours = timing.swing_uncertainty(distance, swing, n)
        assert ours == pytest.approx(np.sqrt(np.mean(error**2)), rel=1e-9)
        # A pulse far away is wrong by at most distance times swing: 60 deg at 8 % is 4.8 deg.
        assert np.abs(error).max() <= distance * swing + 1e-9


def next_setting(
    setting: float, error: float, expanded: float, gain: float, step: float = 0.0,
    least: float = -np.inf, most: float = np.inf,
) -> advice.Advice:  # fmt: skip
    """Of a controller that takes any number, where nothing else is said."""
    return advice.next_setting(setting, error, expanded, gain, step, least, most)


@pytest.mark.parametrize(
    ("setting", "measured", "commanded", "gain", "expected"),
    [
        (4, 21, 15, 2, 1),  # common practice, no source: distributor degrees
        (4, 21, 15, 1, -2),  # the same in crank degrees
        (4, 21, 15, -2, 7),  # a controller whose larger setting retards
        (60, 8, 10, 1, 62),
    ],
)
def test_next_setting(setting, measured, commanded, gain, expected):
    tip = next_setting(setting, measured - commanded, 0.2, gain)
    assert tip.setting == pytest.approx(expected)
    assert tip.remaining == pytest.approx(0)
    assert tip.expanded == pytest.approx(0.2 / abs(gain))


def test_next_setting_keeps_step_and_range():
    tip = next_setting(4, 5.9, 0.2, 2, step=0.5, least=0, most=30)
    assert tip.setting == 1 and tip.exact == pytest.approx(1.05)
    assert tip.remaining == pytest.approx(-0.1)
    tip = next_setting(3, 16, 0.2, 2, step=1, least=0, most=30)
    assert tip.setting == 0 and "range" in tip.note and tip.remaining == pytest.approx(10)
    assert "may stay" in next_setting(3, 0.1, 0.2, 2).note
    with pytest.raises(UserError):
        next_setting(3, 0.1, 0.2, 0)


@pytest.mark.parametrize(
    ("setting", "error", "gain", "step", "exact", "entered", "remaining"),
    [
        # By hand: exact = setting - error / gain, to the nearest step; what is left is
        # error + gain (entered - setting).
        (4.0, 3.3, 1.0, 0.5, 0.7, 0.5, -0.2),
        (4.0, -3.3, 1.0, 0.5, 7.3, 7.5, 0.2),
        (4.0, 3.3, 2.0, 0.25, 2.35, 2.25, -0.2),
        (4.0, 3.3, -1.0, 0.5, 7.3, 7.5, -0.2),
        (4.0, 3.3, -2.0, 0.0, 5.65, 5.65, 0.0),
        (20.0, 9.0, 1.0, 4.0, 11.0, 12.0, 1.0),
    ],
)
def test_next_setting_by_steps_that_are_not_one(
    setting, error, gain, step, exact, entered, remaining
):
    tip = next_setting(setting, error, 0.3, gain, step)
    assert (tip.exact, tip.setting, tip.remaining) == pytest.approx((exact, entered, remaining))
    assert tip.expanded == pytest.approx(0.3 / abs(gain)) and tip.gain == gain and tip.note == ""


def test_ends_of_the_range_and_of_the_uncertainty():
    def tip(error, **more):
        return next_setting(10.0, error, 0.5, 1.0, **more)

    # At an end is still inside; a little beyond is held at it and said.
    assert (tip(4.0, least=6.0).setting, tip(4.0, least=6.0).note) == (6.0, "")
    assert (tip(-5.0, most=15.0).setting, tip(-5.0, most=15.0).note) == (15.0, "")
    # The nearest step of 4 to 14.5 is 16, past the end: 12. Of 0.1 three are 0.3 and no more.
    step = tip(-4.5, least=5.5, most=15.0, step=4.0), tip(4.5, least=5.0, most=15.0, step=4.0)
    assert [(one.setting, one.remaining, one.note) for one in step] == [
        (12.0, -2.5, ""), (8.0, 2.5, "")
    ]  # fmt: skip
    # So where what is exact is the very end.
    end = tip(-4.5, least=5.5, most=14.5, step=4.0), tip(4.5, least=5.5, most=15.0, step=4.0)
    assert [(one.setting, one.note) for one in end] == [(12.0, ""), (8.0, "")]
    tenths = (
        next_setting(0.0, -0.3, 0.2, 1.0, 0.1, -0.3, 0.3),
        next_setting(0.0, 0.3, 0.2, 1.0, 0.1, -0.3, 0.3),
    )
    assert [(one.setting, one.note) for one in tenths] == [(0.3, ""), (-0.3, "")]
    low, high = tip(4.5, least=6.0, most=15.0), tip(-5.5, least=6.0, most=15.0)
    assert (low.setting, low.remaining, low.exact) == pytest.approx((6.0, 0.5, 5.5))
    assert (high.setting, high.remaining, high.exact) == pytest.approx((15.0, -0.5, 15.5))
    assert low.note.startswith("5.50 is outside") and high.note.endswith("15 is as far as it goes")
    assert "may stay" in tip(0.5).note and "may stay" in tip(-0.5).note and not tip(0.51).note


def test_learned_gain_is_the_weighted_line_of_a_reference_library():
    """numpy.polyfit with weights 1/u and the known scale; three trials, the middle one poor."""
    trials = [advice.Trial(0, 8.0, 0.1), advice.Trial(2, 5.0, 0.4), advice.Trial(5, 3.1, 0.2)]
    learned = advice.learn_gain(trials, 2)
    (slope, _), covariance = np.polyfit(
        [0, 2, 5], [8.0, 5.0, 3.1], 1, w=[10, 2.5, 5], cov="unscaled"
    )
    u = np.sqrt(covariance[0, 0])
    assert learned.gain == pytest.approx(slope) and learned.u == pytest.approx(u)
    assert learned.contradicts
    assert f"{slope:+.2f} ± {2 * u:.2f} crank degrees" in learned.note and "+2 as" in learned.note


def test_when_trials_contradict():
    def learned(error, u=0.1, stated=1.0):
        """From setting 0 to 2 the error goes from 0 to `error`; u of the slope is u / sqrt(2)."""
        return advice.learn_gain([advice.Trial(0, 0, u), advice.Trial(2, error, u)], stated)

    # Three standard uncertainties, 0.212 at u = 0.1; a tenth of the stated gain where u is small.
    assert not learned(2.40).contradicts and learned(2.44).contradicts
    assert not learned(1.60).contradicts and learned(1.56).contradicts
    assert not learned(2.18, 0.01).contradicts and learned(2.22, 0.01).contradicts
    assert learned(-2.0).gain == pytest.approx(-1.0) and learned(-2.0).contradicts
    below = learned(-2.18, 0.01, -1.0), learned(-2.22, 0.01, -1.0)
    assert not below[0].contradicts and below[1].contradicts
    assert learned(2.0).gain == 1.0 and learned(2.0).u == pytest.approx(0.1 / np.sqrt(2))
    # A slope less certain than half the stated gain tells nothing: u = 0.5 is the end.
    assert learned(6.0, 0.70).contradicts and not learned(6.0, 0.72).contradicts
    assert learned(6.0, 1.40, 2.0).u == pytest.approx(1.40 / np.sqrt(2))
    # What is said to be known without error is known to a millionth of a degree.
    assert learned(2.0, 0.0).u == pytest.approx(1e-6 / np.sqrt(2))
    assert advice.learn_gain([], 2.0).gain == 2.0
    one = advice.learn_gain([advice.Trial(3, 1, 0.1), advice.Trial(3, 2, 0.1)], -2.0)
    assert one.gain == -2.0 and one.u == np.inf and "one setting" in one.note
    assert not one.contradicts
    # Four trials known to 1°, two at each end: u is 0.5, half of the gain as stated; three of it
    # are 1.5, no contradiction yet.
    for error, told in ((5.0, False), (5.001, True), (-1.0, False), (-1.001, True)):
        four = [advice.Trial(s, s / 2 * error, 1.0) for s in (0, 2, 0, 2)]
        assert advice.learn_gain(four, 1.0).u == 0.5
        assert advice.learn_gain(four, 1.0).contradicts is told


def test_gain_is_learned_and_contradiction_said():
    trials = [advice.Trial(4, 6, 0.1), advice.Trial(1, 3, 0.1)]
    learned = advice.learn_gain(trials, 2)
    assert learned.contradicts and learned.gain == pytest.approx(1)
    assert "+1.00" in learned.note
    agreed = advice.learn_gain([advice.Trial(4, 6, 0.1), advice.Trial(1, 0.1, 0.1)], 2)
    assert not agreed.contradicts and agreed.gain == 2
    assert agreed.note == "the trials agree with +2 crank degrees per unit"  # they say 1.97
    unsure = advice.learn_gain([advice.Trial(4, 6, 2), advice.Trial(3.9, 6, 2)], 2)
    assert not unsure.contradicts and unsure.gain == 2
    assert advice.learn_gain(trials[:1], 2).gain == 2


def test_cubic_shares_of_a_fine_wheel_are_those_of_the_error_term():
    # Error of cubic interpolation, e.g. Abramowitz & Stegun 25.2.11: f'''' h^4 / 24 times the
    # product of distances to the nodes. Left-out edge: 4; between nodes: x (x^2 - 1) (x - 2).
    x = (np.arange(1000) + 0.5) / 1000
    between = np.sqrt(np.mean((x * (x**2 - 1) * (x - 2)) ** 2))
    share, growth = interpolation.cubic_shares(1.0, 0.5)
    assert share == pytest.approx(between / 4, rel=1e-3)
    assert growth == pytest.approx(16, rel=1e-3)
    # A coarse wheel: against direct interpolation of a sine by scipy.
    nodes = np.arange(-3, 5)
    at = (np.arange(64) + 0.5) / 64
    turn = np.radians(4 * 15.0)
    errors = [
        interpolate.barycentric_interpolate(nodes[2:6], np.sin(turn * nodes[2:6] + p), at)
        - np.sin(turn * at + p)
        for p in np.linspace(0, 2 * np.pi, 16, endpoint=False)
    ]
    missed = 1 - 4 / 3 * np.cos(turn) + np.cos(2 * turn) / 3
    expected = np.sqrt(2 * np.mean(np.square(errors))) / missed
    assert interpolation.cubic_shares(15.0, 4)[0] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("n", "memory", "noise_beside", "least"),
    [(60, 0.6, 0.0, 0.9), (120, 0.9, 0.0, 0.9), (400, 0.97, 0.0, 0.9),
     (70, 0.951, 0.2, 0.88), (140, 0.951, 1.0, 0.9), (300, 0.951, 1.0, 0.93)],
)  # fmt: skip
def test_twice_the_standard_error_covers_a_slow_wander(n, memory, noise_beside, least):
    """AR(1) about a mean of 0; and no more than some wider than its own theory says.

    Variance of its mean: s^2 / n (1 + a) / (1 - a), e.g. Box, Jenkins & Reinsel, 2.1. Noise beside
    it hides how much neighbours are alike: its mean's variance is added.
    """
    rng = np.random.default_rng(5)
    noise = rng.normal(0, np.sqrt(1 - memory**2), (300, n + 400))
    series = signal.lfilter([1.0], [1.0, -memory], noise)[:, 400:]
    series = series + rng.normal(0, noise_beside, series.shape)
    twice = 2 * np.array([timing.standard_error(each) for each in series])
    assert np.mean(abs(series.mean(axis=1)) <= twice) > least
    theory = 2 * np.sqrt(((1 + memory) / (1 - memory) + noise_beside**2) / n)
    assert 0.8 * theory < np.median(twice) < 1.7 * theory


def test_a_drift_is_no_surer_than_its_range():
    """Over 6 degrees: the mean within them, and the person is told that it wandered."""
    angles = np.linspace(17, 23, 120) + np.random.default_rng(6).normal(0, 0.15, 120)
    assert 1.0 < 2 * timing.standard_error(angles) < 8.0
