"""Which of the clamp's edges are a module's answers: stamps typed in, counts and shares by hand.

A tick is 0.1 µs: the box is 2 ticks, its surroundings 10 on each side, near is up to 50.
"""

from math import isnan, nan

import numpy as np
import pytest

from sparkwitness.bench import answers
from sparkwitness.bench.answers import Coupling, Late

TICK = 0.1
DEAD = 150


def triggers(n: int, pitch: int = 100_000) -> np.ndarray:
    return pitch * np.arange(1, n + 1, dtype=np.int64)


def found(trigger, offsets, other=30_000, dead=DEAD):
    """With an edge at each of the offsets from a trigger of its own, in turn."""
    at = np.sort(trigger[: len(offsets)] + np.asarray(offsets, np.int64))
    out, told = answers.coupled(trigger, other, at, dead, TICK)
    return (at - trigger[: len(offsets)])[out].tolist(), told


def test_edges_that_stand_still_beside_the_drives():
    """Half 2.0 µs, half 2.2 µs after the firing edge of 40 of 50 pulses: 2.1 ± 0.1."""
    out, (one,) = found(triggers(50), [20, 22] * 20)
    assert out == [20, 22] * 20
    assert one.edge == "firing" and (one.at_us, one.scatter_us) == pytest.approx((2.1, 0.1))
    assert (one.edges, one.share) == (40, 0.8) and isnan(one.lost)
    out, (one,) = found(triggers(10), [30_000 - 31] * 10)
    assert (one.edge, one.at_us, one.edges, out) == (
        "other",
        pytest.approx(-3.1),
        10,
        [29_969] * 10,
    )
    for offset, near in ((50, True), (51, False), (-50, True), (-51, False)):
        assert bool(found(triggers(10), [offset] * 10)[1]) == near, offset
    assert one.to_dict()["edges"] == 10


@pytest.mark.parametrize(("n", "enough"), [(8, True), (7, False)])
def test_eight_edges_and_eight_triggers_at_least(n: int, enough: bool):
    for trigger, offsets in ((triggers(n), [20] * n), (triggers(20), [20] * n)):
        assert bool(found(trigger, offsets)[1]) == enough
    trigger = triggers(n)
    spark = np.sort(np.concatenate((trigger + 20, trigger + 3_000, trigger + 5_000)))
    assert bool(answers.coupled(trigger, 30_000, spark, DEAD, TICK)[1]) == enough


@pytest.mark.parametrize(("n", "enough"), [(8, True), (7, False)])
def test_several_edges_of_a_trigger_are_not_several_triggers(n: int, enough: bool):
    trigger = triggers(n)
    spark = np.sort(np.concatenate((trigger + 20, trigger + 21, [trigger[0] - 100])))
    out, told = answers.coupled(trigger, 30_000, spark, DEAD, TICK)
    assert bool(told) == enough and out.sum() == (16 if enough else 0)


@pytest.mark.parametrize(("beside", "dense"), [(10, True), (11, False)])
def test_twelve_times_as_dense_as_around(beside: int, dense: bool):
    """12 in 2 ticks; 10 in the 20 ticks around are one for each 2 ticks. Ends count as around."""
    around = [10, 11, 12, 13, 14, 32, 31, 30, 29, 28, 27][:beside]
    out, told = found(triggers(40), [20] * 12 + around + [9, 33])
    assert bool(told) == dense and out == [20] * 12 * dense


def test_ringing_of_the_drives_edge_stands_still_as_well():
    """Up to its dead time; it is no coupling of its own."""
    trigger = triggers(20)
    for last, own in ((150, 60), (151, 40)):
        spark = np.sort(np.concatenate([trigger + k for k in (20, 100, last)]))
        out, told = answers.coupled(trigger, 30_000, spark, DEAD, TICK)
        assert np.count_nonzero(out) == own and [c.edges for c in told] == [20]
    # What stands still before the edge, too.
    both = np.sort(np.concatenate((trigger + 20, trigger - 20)))
    out, told = answers.coupled(trigger, 30_000, both, DEAD, TICK)
    assert out.all() and [c.edges for c in told] == [20]


@pytest.mark.parametrize(("beside", "few"), [(4, True), (5, False)])
def test_a_noisy_edge_is_wider_than_the_box(beside: int, few: bool):
    """Box 8 from 50 on: middle 54, up to 20 away its own; from there to 60 away beside it.

    Beside it is twice as wide: 4 there are 2 for each 24 within, a twelfth.
    """
    mine = [34, 74, *range(42, 64)]
    near = [-6, 114, 33, 75, 90][:beside]
    offset = np.array([*mine, *near, -7, 115, 100])
    inside = np.ones(len(offset), np.bool_)
    inside[-1] = False
    grown = offset[answers._grown(offset, inside, np.int64(50), 8)].tolist()
    assert grown == (mine if few else list(range(50, 59)))


# Edges that do not move with the answer

A, B = np.array([1.0, -1.0, 1.0, -1.0]), np.array([1.0, 1.0, -1.0, -1.0])  # independent


def beside(n, a_us=0.3, b_us=0.3, follows=0.0, far=0, all_of=None):
    """Pulses with an edge 1 µs before and an answer 40 µs after, `far` of them 340 or 640."""
    trigger = triggers(all_of or n)
    a, b = a_us * np.tile(A, n // 4), b_us * np.tile(B, n // 4)
    b = b + follows * a + np.where(np.arange(n) < far, 300.0 * (1 + np.arange(n) % 2), 0.0)
    edge, answer = (np.rint(x / TICK).astype(np.int64) for x in (a - 1.0, b + 40.0))
    spark = np.sort(np.concatenate((trigger[:n] + edge, trigger[:n] + answer)))
    close, told = answers.loose(trigger, spark, np.zeros(2 * n, np.bool_), TICK)
    if told is not None:
        assert np.isin(spark[close] - trigger[:n], edge).all() and close.sum() == n
    return told


def test_an_edge_with_which_the_answers_do_not_move():
    one = beside(80, all_of=100)
    assert one.edge == "firing" and (one.at_us, one.scatter_us) == pytest.approx((-1.0, 0.3))
    assert (one.edges, one.share) == (80, 0.8)
    # Slope 0 ± 1 / sqrt(n): surely below a half from 3 / sqrt(n) < 0.5 on.
    assert beside(40) is not None and beside(32) is None
    # Slope 0.3 ± 0.05, or 0.4 ± 0.05.
    assert beside(400, 0.5, 0.5, 0.2) is not None and beside(400, 0.5, 0.5, 0.4) is None
    assert beside(400, 0.5, 0.5, 1.0) is None
    # Half as much scatter of the answers tells from a fourth of the pulses on.
    assert beside(32, 0.4, 0.2) is not None and beside(28, 0.4, 0.2) is None
    assert beside(400, 0.5, 0.3) is not None and beside(400, 0.7, 0.3) is None
    assert beside(400, 0.0, 0.3) is None
    # Answers far from the others are none; half and more must be left.
    assert beside(80, far=36) is not None and beside(80, far=44) is None
    assert answers.loose(triggers(1), triggers(1), np.zeros(1, np.bool_), TICK)[1] is None
    assert beside(80, all_of=100).share == 0.8


# Answers that follow the drive as a stamp does


def test_share_of_answers_without_scatter():
    spread = np.linspace(20.0, 38.0, 60)
    assert answers.rigid(np.concatenate((np.full(20, 45.0), spread))) == 0.25
    assert answers.rigid(np.concatenate((np.full(8, 45.0), spread))) == 8 / 68
    assert answers.rigid(np.concatenate((np.full(7, 45.0), spread))) == 0.0
    assert answers.rigid(np.full(20, 45.0)) == 1.0 and answers.rigid(np.full(19, 45.0)) == 0.0
    assert answers.rigid(np.append(np.full(19, 45.0), nan)) == 0.0


@pytest.mark.parametrize(("beside", "share"), [(13, 24 / 37), (15, 0.0)])
def test_twelve_times_as_many_as_beside(beside: int, share: float):
    """24 in 0.1 µs, 0.7 around; 14 there are two for each 0.1 µs."""
    around = [*np.linspace(39.66, 39.84, 7), *np.linspace(40.2, 40.43, 8)][:beside]
    assert answers.rigid(np.array([*[40.0] * 24, *around])) == pytest.approx(share)
    outside = np.array([*[40.0] * 24, *around[:13], 39.63, 40.47])
    assert answers.rigid(outside) == pytest.approx(24 / 39)
    # Of 23: 13 beside are as many as may be; 14 are too many, those at the ends counted.
    for ends, told in (((39.65,), 23 / 36), ((40.45,), 23 / 36), ((39.65, 40.45), 0.0)):
        delay = np.array([*[40.0] * 23, *around[:12], *ends])
        assert answers.rigid(delay) == pytest.approx(told)


@pytest.mark.parametrize(
    ("at", "by", "share"),
    [(4.4, 0.5, 1.0), (5.6, 0.5, 0.5), (4.2, 0.7, 0.5), (3.0, 0.55, 1.0), (5.0, 0.5, 0.5)],
)
def test_beside_the_drives_edge_a_wider_scatter_is_suspect(at: float, by: float, share: float):
    assert answers.rigid(at + by * np.tile([1.0, -1.0], 15)) == share


# Answers that the coupling hides


@pytest.mark.parametrize(("n", "lost"), [(20, 0.2), (19, None)])
def test_answers_missing_where_the_drive_coupled_in(n: int, lost: float | None):
    """15 of 20 answered with such an edge, 38 of 40 without: 75 % against 95 %."""
    trigger = triggers(60)
    # An edge may run ahead of its trigger by up to 512 ticks.
    own = trigger[:n] + np.where(np.arange(n) % 2, 20, -511)
    answered = np.ones(60, np.bool_)
    answered[[0, 1, 2, 3, 4, 40, 41]] = False
    one = Coupling("firing", 2.0, 0.1, n, n / 60)
    (told,) = answers.hidden([one], trigger, own, answered)
    assert told.lost == pytest.approx(0.2) if lost else isnan(told.lost)
    assert told.edges == n and answers.hidden([], trigger, own, answered) == []
    # That of a pulse whose other edge comes first, before the first trigger: of none that counts.
    (before,) = answers.hidden([one], trigger, np.append(trigger[0] - 40_000, own), answered)
    assert before.lost == told.lost or n == 19
    (early,) = answers.hidden([one], trigger, trigger[1 : n + 1] - 513, answered)
    assert early.lost == told.lost or n == 19
    (rest,) = answers.hidden([one], trigger, trigger[: 60 - n] + 5, answered)
    if lost:  # 35 of 40 with, 18 of 20 without
        assert rest.lost == pytest.approx(0.9 - 0.875)
    else:
        assert isnan(rest.lost)


# Answers that come after the next trigger


def driven(delay_ticks, pitches=(20_000, 16_000, 12_000, 9_000, 7_000, 5_500), n=40):
    period = np.repeat(pitches, n)
    trigger = np.cumsum(np.append(50_000, period[:-1])).astype(np.int64)
    spark = np.sort(trigger + np.asarray(delay_ticks(period), np.int64))
    return trigger, np.diff(period) == 0, spark


def test_a_delay_is_followed_past_the_next_trigger():
    """7000 ticks at each speed, though from 7000 a turn on that is a whole interval and more."""
    late = answers.follow(*driven(lambda period: 0 * period + 7_000))
    assert late.period.tolist() == [20_000, 16_000, 12_000, 9_000, 7_000, 5_500]
    assert late.lag == pytest.approx([7_000.0] * 6, abs=1.0)
    angle = answers.follow(*driven(lambda period: period // 2))
    assert angle.lag == pytest.approx(angle.period / 2, abs=1.0)


def test_what_comes_soon_needs_no_following():
    """A fifth of the interval, or a little more, at one of the speeds."""
    assert answers.follow(*driven(lambda period: period * 19 // 100)) is None
    assert answers.follow(*driven(lambda period: period * 21 // 100)) is not None
    one = driven(lambda period: np.where(period == 9_000, 2_000, period // 10))
    assert answers.follow(*one).lag[3] == pytest.approx(2_000, abs=1.0)
    none = np.empty(0, np.int64)
    assert answers.follow(triggers(40), np.ones(39, np.bool_), none) is None
    assert answers.follow(triggers(2), np.ones(1, np.bool_), triggers(9)) is None
    assert answers.follow(none, none > 0, triggers(9)) is None


def test_sparks_at_no_phase_are_not_followed():
    rng = np.random.default_rng(1)
    spread = driven(lambda period: period * rng.random(len(period)))
    assert answers.follow(*spread) is None


def test_lag_between_the_speeds_that_were_driven():
    """Straight in the logarithm of the period; beyond the ends as at the ends."""
    late = Late(np.array([1_000.0, 100.0]), np.array([10.0, 20.0]))
    at = late.at(np.array([5_000.0, 1_000.0, np.sqrt(1e5), 100.0, 50.0]))
    assert at == pytest.approx([10.0, 10.0, 15.0, 20.0, 20.0])


def test_middles_of_the_arcs():
    """Three at most, the fullest first; each a tenth of the interval wide, round its end too."""
    phases = [*[0.30, 0.32, 0.34] * 10, *[0.98, 0.01] * 10, *[0.6] * 10, *[0.8] * 8]
    found = answers._arcs(np.array(phases), 8.0)
    assert found == pytest.approx([0.32, 0.995, 0.6])
    assert answers._arcs(np.array(phases), 20.0) == pytest.approx([0.32, 0.995])
    assert answers._arcs(np.array(phases), 21.0) == pytest.approx([0.32])
    assert answers._arcs(np.array([0.1, 0.1, 0.1, 0.5]), 1.0) == []
    assert answers._arcs(np.array([0.98] * 4 + [0.01] * 6), 1.0) == pytest.approx([0.01])
    assert (
        answers._arcs(np.full(4, 0.5), 1.0) == [0.5] and answers._arcs(np.full(3, 0.5), 1.0) == []
    )


def after_edges(n, answers_us, close_us=None, aside=()):
    """Of n pulses with a noisy edge 1 µs before each: an answer where one is given, in µs."""
    trigger = triggers(n)
    close = -1.0 + 0.3 * np.resize(A, n) if close_us is None else np.asarray(close_us)
    edges = np.rint(np.asarray(close) / TICK).astype(np.int64) + trigger[: len(close)]
    which = [k for k, x in enumerate(answers_us) if x is not None]
    late = np.array([answers_us[k] for k in which]) + 0.3 * np.resize(B, n)[which]
    answer = trigger[which] + np.rint(late / TICK).astype(np.int64)
    extra = trigger[: len(aside)] + np.asarray(aside, np.int64)
    every = np.concatenate((edges, answer, extra))
    order = np.argsort(every, kind="stable")
    out = (np.arange(len(every)) >= len(edges) + len(answer))[order]
    found, told = answers.loose(trigger, every[order], out, TICK)
    return np.sort(every[order][found]).tolist() == np.sort(edges).tolist(), told


def test_answers_are_those_within_a_tenth_of_a_millisecond_of_their_median():
    """52 of 100 at 40 µs; the others 99.5 µs later are answers too, and scatter too far to tell."""
    for later, told in ((99.0, False), (101.0, True)):
        found, one = after_edges(100, [40.0 if k % 25 < 13 else 40.0 + later for k in range(100)])
        assert found is told and (one is not None) is told
    # Half of those paired must be among them: of 120 the middle 64, or 56.
    for middle, told in ((64, True), (56, False)):
        side = (120 - middle) // 2
        given = [40.0] * side + [400.0] * middle + [760.0] * side
        assert after_edges(120, [given[k * 49 % 120] for k in range(120)])[0] is told
    # Half of the pulses with such an edge must have an answer.
    for answered, told in ((52, True), (48, False)):
        given = [40.0 if k * 49 % 100 < answered else None for k in range(100)]
        assert after_edges(100, given)[0] is told


def test_edges_set_aside_before_are_neither_beside_the_drive_nor_answers():
    """Set aside: 2 µs before each pulse, and 20 µs after; they would move with nothing."""
    for aside in (-20, 200):
        found, one = after_edges(80, [40.0] * 80, aside=[aside] * 80)
        assert found and one.edges == 80 and one.at_us == pytest.approx(-1.0)
        assert one.scatter_us == pytest.approx(0.3)
    found, one = after_edges(100, [40.0] * 100, close_us=-1.0 + 0.3 * np.resize(A, 60))
    assert found and (one.edges, one.share) == (60, 0.6)


def test_an_edge_5_us_after_the_drives_is_beside_it():
    """4.4 and 5.0 µs: no answers; those come 40 µs after, or 400."""
    for after in (40.0, 400.0):
        found, one = after_edges(80, [after] * 80, close_us=4.7 + 0.3 * np.resize(A, 80))
        assert found and (one.edges, one.at_us) == (80, pytest.approx(4.7))


@pytest.mark.parametrize(
    ("n", "answered", "far", "told"),
    [(30, 30, 0, True), (29, 29, 0, False), (64, 32, 0, True), (64, 31, 0, False),
     (60, 60, 30, True), (60, 60, 31, False), (120, 120, 60, True), (120, 120, 61, False)],
)  # fmt: skip
def test_thirty_pairs_of_edge_and_answer_and_half_of_what_there_is(n, answered, far, told):
    """Scatter of 0.5 and 0.3 µs: the slope 0 ± 0.6 / sqrt(30) is surely below a half. Answers far
    away on either side are left out."""
    given = [400.0 if k < answered else None for k in range(n)]
    given[n - far :] = [600.0 if k % 2 else 200.0 for k in range(far)]
    found, one = after_edges(n, given, close_us=-1.0 + 0.5 * np.resize(A, n))
    assert (one is not None) == told and found == told


# One speed alone, and two near each other


def test_at_one_speed_alone_answers_are_of_the_trigger_before_them():
    """No steps to tell by: neither a turn earlier nor a turn later."""
    late = answers.follow(*driven(lambda period: period // 2, (20_000,)))
    assert (late.period.tolist(), late.lag.tolist()) == ([20_000.0], [10_000.0])


@pytest.mark.parametrize(
    ("slow", "fast", "lag"),
    [
        # 20 000 and 16 000 ticks. As it stands the lag moves by 2857; a turn later, 28 000 and
        # 26 857, by 1143, less than half of it. Or by 2571 against 1429, more than half.
        (8_000, 10_857, (28_000, 26_857)), (8_000, 10_571, (8_000, 10_571)),
        # The same a turn sooner: -9143 and -8000; -9429 and -8000.
        (10_857, 8_000, (-9_143, -8_000)), (10_571, 8_000, (10_571, 8_000)),
    ],
)  # fmt: skip
def test_a_turn_more_or_less_must_halve_what_the_lag_moves_by(slow, fast, lag):
    made = driven(lambda period: np.where(period == 20_000, slow, fast), (20_000, 16_000))
    assert answers.follow(*made).lag == pytest.approx(lag, abs=1.0)


def test_a_second_event_does_not_make_the_first_late():
    """Something at a twentieth and at a half of each interval: the answer comes soon."""
    trigger, usable, first = driven(lambda period: period // 20)
    spark = np.sort(np.concatenate((first, driven(lambda period: period // 2)[2])))
    assert answers.follow(trigger, usable, spark) is None
    # A burst, each within 0.3 of an interval, is one event, past the next trigger too.
    _, _, late = driven(lambda period: period * 97 // 100)
    more = np.sort(np.concatenate((late, late + 800)))
    assert answers.follow(trigger, usable, more).lag == pytest.approx(
        -0.03 * np.array([20_000, 16_000, 12_000, 9_000, 7_000, 5_500]), abs=1.0
    )


@pytest.mark.parametrize(("octave", "together"), [(0.16, True), (0.17, False)])
def test_speeds_within_a_sixth_of_an_octave_are_one(octave, together):
    """5 intervals of each are too few, 10 are not. 2^13 begins a sixth."""
    pitches = tuple(round(2 ** (13 + x)) + 1 for x in (0.0, octave))
    found = answers.follow(*driven(lambda period: period // 2, pitches, 6))
    assert (found is not None) == together
    # Eight whole intervals at the least, eight sparks.
    for n, enough in ((9, True), (8, False)):
        made = driven(lambda period: period // 2, (8_200,), n)
        assert (answers.follow(*made) is not None) == enough


@pytest.mark.parametrize(("share", "told"), [(0.3, True), (0.29, False)])
def test_three_in_ten_answers_make_a_speed(share, told):
    """100 intervals, the first among those answered; the others have none."""
    trigger, usable, spark = driven(lambda period: period // 2, (20_000,), 101)
    kept = np.arange(100) * 37 % 100 < 100 * share
    assert (answers.follow(trigger, usable, spark[:100][kept]) is not None) == told
