"""What the crank's edges show beyond the angle: waves that are typed in come out again, by hand."""

from typing import Any

import numpy as np
import pytest
from scipy import stats

from sparkwitness.timing import ripple as crank
from sparkwitness.timing.angle import Periods, Reference, Track
from sparkwitness.timing.ripple import Ripple, Turns

WHEEL = Reference(36, 1, 1, 60.0)
TICKS = 1e6  # a turn


def turns(waves=(), n=60, wheel=WHEEL, off=(), faster=0.0, shift=0, segment=0, noise=0.0):
    """Turns with a deviation of Re(a exp(i order angle / turns)) in degrees.

    `waves`: (order per turn of the wheel, a); `off`: degrees by which an edge stands further on;
    `faster`: relative rise of the speed a turn; `shift`: of the turns' numbers.
    """
    m = wheel.teeth - wheel.missing
    whole = 360.0 * wheel.turns
    places = np.arange(m) * wheel.step
    for edge, degrees in off:
        places[edge] += degrees
    angle = (whole * np.arange(n + 1)[:, None] + places).ravel()
    late = sum(
        (a * np.exp(1j * order * np.radians(angle / wheel.turns))).real for order, a in waves
    )
    share = (angle - late) / whole
    if noise:
        share = share + np.random.default_rng(2).normal(0, noise / whole, len(share))
    # Speed 1 + faster · t: angle = t + faster t² / 2.
    time = (np.sqrt(1 + 2 * faster * share) - 1) / faster if faster else share
    edges = np.rint(time * TICKS).astype(np.int64).reshape(n + 1, m)
    rows = np.hstack((edges[:-1], edges[1:, :1]))
    return Turns(rows, np.full(n, segment), np.arange(n) + shift)


def joined(*parts: Turns) -> Turns:
    return Turns(*(np.concatenate([getattr(p, f) for p in parts])
                   for f in ("edges", "segment", "number")))  # fmt: skip


WAVES = ((0.5, 0.3j), (1.0, 0.2), (2.0, 0.5 - 0.4j), (3.5, 0.1))


@pytest.mark.parametrize("wheel", [WHEEL, Reference(60, 2, 1, 60.0), Reference(36, 1, 2, 60.0)])
def test_waves_come_out_again(wheel: Reference):
    found = crank.ripple(turns(WAVES, wheel=wheel), wheel)
    assert (found.pairs, found.turns) == (30, wheel.turns)
    # Three unknowns of each four data: 2 / 3 of 35, 58 and 35 edges, 36 at the most.
    assert len(found.amplitude) == {35: 23, 58: 36}[wheel.teeth - wheel.missing]
    expected = np.zeros(len(found.amplitude), np.complex128)
    for order, a in WAVES:
        expected[round(2 * order) - 1] = a
    assert np.abs(found.amplitude - expected).max() < 2e-3 * wheel.turns
    assert found.noise.max() < 1e-3 * wheel.turns
    assert found.at(2.0) == (pytest.approx(abs(0.5 - 0.4j), abs=3e-3), found.noise[3])
    assert found.at(0.5)[0] == pytest.approx(0.3, abs=3e-3)
    beyond = (len(found.amplitude) + 1) / 2
    assert found.at(0.0) == found.at(beyond) == found.at(50.0) == (0.0, np.inf)
    # Against the index edge 70° on, or against the middle: 0.2 cos(70°), less 0.2.
    degrees = 70.0 * wheel.turns
    assert found.once_per_turn(degrees) == pytest.approx(
        0.2 - 0.2 * np.cos(np.radians(70)), abs=3e-3
    )
    assert found.once_per_turn(0.0) == pytest.approx(0.2, abs=3e-3)


def test_teeth_that_are_known_to_be_off_are_no_ripple():
    """One half a degree further on, the last one a degree back, as the wheel was learned."""
    off = ((7, 0.5), (34, -1.0))
    errors = np.zeros(35)
    for edge, degrees in off:
        errors[edge] = degrees
    learned = Reference(36, 1, 1, 60.0, errors=tuple(errors))
    found = crank.ripple(turns(WAVES, off=off), learned)
    assert found.amplitude[:4] == pytest.approx([0.3j, 0.2, 0.0, 0.5 - 0.4j], abs=3e-3)
    assert crank.odd_gap(turns(off=off), learned, 2.0) is None
    assert crank.odd_gap(turns(off=off), WHEEL, 2.0) is not None


def test_noise_of_an_amplitude():
    """Edges that scatter by 0.1°: 30 pairs of 70 edges give each amplitude 0.1 sqrt(4 / 2100)."""
    found = crank.ripple(turns(WAVES, noise=0.1), WHEEL)
    assert np.median(found.noise[:8]) == pytest.approx(0.1 * np.sqrt(4 / 2100), rel=0.3)


def test_noise_is_the_standard_error_of_the_mean():
    """Twelve pairs, 0.2 ± 0.05 by turns: s² = 12 / 11 of 0.05², over twelve (JCGM 100, 4.2)."""
    more, less = (turns(((1.0, a),), n=24) for a in (0.25, 0.15))
    here = (np.arange(24) // 2 % 2 == 0)[:, None]
    found = crank.ripple(Turns(np.where(here, more.edges, less.edges), more.segment, more.number),
                         WHEEL)  # fmt: skip
    assert found.amplitude[1] == pytest.approx(0.2, abs=1e-3)
    assert found.noise[1] == pytest.approx(0.05 / np.sqrt(11), rel=0.01)


def test_a_rise_of_the_speed_is_no_ripple():
    """A thousandth a turn, over sixty turns."""
    steady, rising = (crank.ripple(turns(WAVES, faster=f), WHEEL) for f in (0.0, 1e-3))
    assert np.abs(steady.amplitude - rising.amplitude).max() < 0.02
    bare = np.abs(turns(faster=1e-3).edges[:2, 18] / TICKS - np.array([0.5, 1.5]))
    assert bare.max() * 360 > 0.04  # of which there would be as much without correction


def test_pairs_of_turns():
    """An even turn and the next: twelve pairs, of one segment, none across a turn that is gone."""
    assert crank.ripple(turns(WAVES, n=24), WHEEL).pairs == 12
    assert crank.ripple(turns(WAVES, n=23), WHEEL) is None
    assert crank.ripple(turns(WAVES, n=24, shift=1), WHEEL) is None
    assert crank.ripple(turns(WAVES, n=26, shift=1), WHEEL).pairs == 12
    some = turns(WAVES, n=40)
    gone = Turns(*(np.delete(x, 11, axis=0) for x in (some.edges, some.segment, some.number)))
    assert crank.ripple(gone, WHEEL).pairs == 19
    two = Turns(some.edges, (np.arange(40) > 20).astype(np.int64), some.number)
    assert crank.ripple(two, WHEEL).pairs == 19


def test_half_orders_of_segments_whose_first_turn_is_the_cycles_other():
    """Counted from the other turn on, half orders turn round; whole ones do not."""
    long, other = turns(WAVES, n=60), turns(WAVES, n=41, segment=1)
    other = Turns(other.edges[1:], other.segment[1:], other.number[1:] - 1)
    found = crank.ripple(joined(long, other), WHEEL)
    assert found.pairs == 50
    assert found.amplitude[:4] == pytest.approx([0.3j, 0.2, 0.0, 0.5 - 0.4j], abs=3e-3)
    assert found.noise[:8].max() < 1e-3
    # A segment of few pairs is taken as it is: with the turns exchanged it takes away.
    short = Turns(other.edges[:6], other.segment[:6], other.number[:6])
    mixed = crank.ripple(joined(long, short), WHEEL)
    assert mixed.amplitude[0] == pytest.approx(0.3j * 27 / 33, abs=3e-3)
    # Of three the longest tells which way round the others are.
    last = turns(WAVES, n=40, segment=2)
    three = crank.ripple(joined(long, other, last), WHEEL)
    assert three.pairs == 70 and three.amplitude[0] == pytest.approx(0.3j, abs=3e-3)


@pytest.mark.parametrize(
    ("longest", "short", "turned"),
    [(12, 4, True), (13, 4, False), (13, 5, True), (9, 3, False), (6, 4, True)],
)
def test_a_segment_tells_how_it_is_turned_from_a_third_of_the_longest_on(longest, short, turned):
    """And from four pairs on. Orders 1/2, 3/2 and 5/2 agree or not, together; no others count."""
    each = np.zeros((8, longest + short), complex)
    each[[0, 2, 4]] = [[1j], [0.5], [0.25]]
    each[[0, 2, 4], longest:] *= -1
    each[[1, 3, 5, 6, 7]] = 100.0
    segment = np.repeat([7, 3], [longest, short])
    found = crank._signs(each, segment)
    assert found.tolist() == [1.0] * longest + [-1.0 if turned else 1.0] * short
    if longest > short:  # the order in time is none of it
        assert crank._signs(each[:, ::-1], segment[::-1]).tolist() == found.tolist()[::-1]
    # So they do in any phase.
    each[[0, 2, 4]] *= 1j ** np.array([[0], [1], [3]])
    assert crank._signs(each, segment).tolist() == found.tolist()
    # What is at right angles agrees; one segment has nothing to agree with.
    each[[0, 2, 4]] = [[1j], [0.5], [0.25]]
    each[[0, 2, 4], longest:] = [[1.0], [0.5j], [0.25j]]
    assert crank._signs(each, segment).tolist() == [1.0] * (longest + short)
    assert crank._signs(-each, segment * 0).tolist() == [1.0] * (longest + short)


def test_the_first_order_at_its_place():
    """0.2 at 0.5 rad: cos(0.5 + 1.2217), less cos(0.5); at 1.9 rad more than against the middle."""
    for phase, degrees, most in ((0.5, 70.0, np.cos(0.5) - np.cos(0.5 + np.radians(70))),
                                 (1.9, np.degrees(1.0), -np.cos(2.9))):  # fmt: skip
        found = Ripple(np.array([0.0, 0.2 * np.exp(1j * phase)]), np.ones(2), 20, 1)
        assert found.once_per_turn(degrees) == pytest.approx(0.2 * most)
    assert Ripple(np.array([0.3j]), np.ones(1), 20, 1).once_per_turn(0.0) == 0.0


def test_how_much_a_speed_rises_over_a_pair():
    """Pairs of turns 100, 98, 95 long follow each other, one of 90 does not, nor has it a mate."""
    number, segment = np.array([0, 2, 4, 8]), np.array([1, 1, 1, 1])
    found = crank._rise(np.array([100.0, 98.0, 95.0, 90.0]), number, segment)
    assert found == pytest.approx([2 / 100, 5 / 2 / 98, 3 / 95, 0.0])
    last = crank._rise(np.array([100.0, 98.0, 95.0]), number[:3], segment[:3])
    assert last == pytest.approx([2 / 100, 5 / 2 / 98, 3 / 95])
    apart = crank._rise(np.array([100.0, 98.0]), number[:2], np.array([1, 2]))
    assert apart.tolist() == [0.0, 0.0]


def test_turns_of_two_kinds():
    """One of 1/2, 3/2 and 5/2 beyond Student's t (scipy) of once in a million, both sides."""
    for order, pairs in ((0, 20), (2, 20), (4, 200)):
        least = stats.t.ppf(1 - 0.5e-6, pairs - 1)
        amplitude = np.zeros(8, np.complex128)
        amplitude[order] = 1j * least
        for noise, said in ((0.999, True), (1.001, False)):
            for size in (0.01, 1.0, 100.0):  # a ratio
                found = Ripple(size * amplitude, np.full(8, size * noise), pairs, 1)
                assert found.alternates == said
    # Three that a chance firing bends alike are not surer than one of them.
    amplitude = np.zeros(8, np.complex128)
    amplitude[[0, 2, 4]] = 6.0, 6.0, 6.0
    assert not Ripple(amplitude, np.ones(8), 20, 1).alternates
    amplitude[:] = 0, 9, 0, 9, 0, 9, 9, 9
    assert not Ripple(amplitude, np.ones(8), 20, 1).alternates


@pytest.mark.parametrize(
    ("two", "four", "noise", "where"),
    # Four cylinders: order 2 on the crank, 4 on the cam; twice the other, five times its noise.
    [(0.5, 0.24, 0.09, 1), (0.5, 0.25, 0.09, 0), (0.25, 0.5, 0.09, 0), (0.5, 0.26, 0.09, 0),
     (0.24, 0.5, 0.09, 2), (0.26, 0.5, 0.09, 0), (0.5, 0.0, 0.101, 0), (0.5, 0.0, 0.099, 1),
     (0.0, 0.5, 0.101, 0), (0.0, 0.5, 0.099, 2)],
)  # fmt: skip
def test_where_the_wheel_sits(two: float, four: float, noise: float, where: int):
    amplitude = np.zeros(10, np.complex128)
    amplitude[3], amplitude[7] = two, 1j * four
    found = Ripple(amplitude, np.full(10, noise), 20, 1)
    assert crank.shaft(found, False, 4) == where
    assert crank.shaft(found, True, 4) == 1 and crank.shaft(None, False, 4) == 0
    if where == 1:  # three cylinders fire at 3/2 and 3 only
        amplitude[2] = two
        assert crank.shaft(found, False, 3) == 0


# A pulse a turn


def pulses(n=40, by=0.01, noise=0.002, drift=0.0, segments=1) -> Periods:
    number = np.arange(n)
    even = np.where(number % 2 == 0, 1 + by, 1 - by)
    even = even * (1 + drift * number) + noise * np.random.default_rng(1).standard_normal(n)
    length = np.rint(TICKS * even).astype(np.int64)
    segment = number * segments // n
    start = np.concatenate(([0], np.cumsum(length)[:-1]))
    none: Any = np.full(n, np.nan)
    return Periods(start, length, segment, number, none, none)


def test_pulses_longer_and_shorter_in_turn():
    """A contrast of 2 by with an error of some sqrt(1.5 / n) of the noise: six of those."""
    assert crank.pulse_alternates(pulses()) and crank.pulse_alternates(pulses(by=-0.01))
    assert not crank.pulse_alternates(pulses(by=0.0))
    # 19 middles: 0.002 sqrt(1.5 / 19) = 0.00056; six times that are 0.0034 = 2 · 0.0017.
    assert crank.pulse_alternates(pulses(by=0.0026))
    assert not crank.pulse_alternates(pulses(by=0.0009))
    assert crank.pulse_alternates(pulses(drift=0.005))
    assert not crank.pulse_alternates(pulses(by=0.0, noise=0.0, drift=0.01))
    # Twelve even ones with a neighbour on either side.
    assert crank.pulse_alternates(pulses(41)) and crank.pulse_alternates(pulses(27))
    assert crank.pulse_alternates(pulses(26)) and not crank.pulse_alternates(pulses(24))
    # Of several segments the longest must tell alone.
    assert crank.pulse_alternates(pulses(60, segments=2))
    assert not crank.pulse_alternates(pulses(48, segments=2))


def test_pulses_in_turn_are_told_from_six_standard_errors_on():
    """Of each even one against the mean of its neighbours, in plain loops."""
    told = []
    for by in np.linspace(-0.0026, 0.0026, 53):
        made = pulses(by=by)
        length = made.length.tolist()
        apart = [length[k] / ((length[k - 1] + length[k + 1]) / 2) - 1 for k in range(2, 39, 2)]
        told.append(abs(np.mean(apart)) / (np.std(apart, ddof=1) / np.sqrt(len(apart))))
        assert crank.pulse_alternates(made) is bool(told[-1] > 6), by
    assert any(5 < one < 6 for one in told) and any(6 < one < 7 for one in told)


# What is kept of a track


@pytest.mark.parametrize("piece", [1, 3, 1000])
def test_turns_of_a_wheel_with_a_gap(piece: int):
    """The newest four hundred, less two that were not synchronised."""
    n, m = 410, 6
    segment = np.where(np.isin(np.arange(n), (20, 300)), -1, np.arange(n) // 301)
    keeper = crank.TurnKeeper(Reference(7, 1, 1, 60.0))
    edges = 7 * np.arange(n * m + 1) ** 2
    for first in range(0, n, piece):
        of = np.arange(first, min(first + piece, n))
        part = edges[first * m : (of[-1] + 1) * m + 1]
        keeper.feed(Track(part, m * (of - first), 7 * of, segment[of]))
    kept = np.flatnonzero(segment >= 0)[-400:]
    found = keeper.turns()
    assert found.number.tolist() == kept.tolist()
    assert found.segment.tolist() == segment[kept].tolist()
    assert (found.edges == edges[m * kept[:, None] + np.arange(m + 1)]).all()
    keeper.clear()
    assert len(keeper.turns().number) == 0


@pytest.mark.parametrize("edges", [5, 6])
def test_fewer_than_six_edges_show_no_ripple(edges: int):
    keeper = crank.TurnKeeper(Reference(edges + 1, 1, 1, 60.0))
    track = Track(7 * np.arange(3 * edges + 1), edges * np.arange(3), np.arange(3) * (edges + 1),
                  np.zeros(3, np.int64))  # fmt: skip
    keeper.feed(track)
    keeper.feed(Track.join([]))
    assert keeper.turns().number.tolist() == ([] if edges == 5 else [0, 1, 2])
    whole = track.edges[edges * np.arange(3)[:, None] + np.arange(edges + 1)]
    assert keeper.turns().edges.tolist() == ([] if edges == 5 else whole.tolist())
    assert keeper.turns().edges.shape[1] == edges + 1


@pytest.mark.parametrize("sizes", [(1,), (3, 11), (8,), (40, 3), (5000,)])
def test_turns_of_even_teeth(sizes: tuple[int, ...]):
    """Eight a turn, counted from the fourth edge on; some steps without synchronisation."""
    n, m, begin = 3501, 8, 3  # the last turn ends with the last edge
    edges = 5 * np.arange(n + 1) ** 2
    known = ~np.isin(np.arange(n), range(1000, 1010))
    segment = np.where(np.arange(n) < 1000, 0, 1)
    keeper = crank.TurnKeeper(Reference(8))
    at, k = 0, 0
    while at < n:
        end = min(at + sizes[k % len(sizes)], n)
        cuts = [at, *(c for c in (1000, 1010) if at < c < end)]
        parts = [segment[c] if known[c] else -1 for c in cuts]
        keeper.feed(Track(edges[at : end + 1], np.array(cuts) - at, begin + np.array(cuts),
                          np.array(parts)))  # fmt: skip
        at, k = end, k + 1
    whole = [
        first for first in range(n - m + 1)
        if (first + begin) % m == 0 and known[first : first + m].all()
        and segment[first] == segment[first + m - 1]
    ][-400:]  # fmt: skip
    found = keeper.turns()
    assert found.number.tolist() == [(first + begin) // m for first in whole]
    assert found.segment.tolist() == [segment[first] for first in whole]
    assert (found.edges == edges[np.array(whole)[:, None] + np.arange(m + 1)]).all()


# Beside the gap


def gap(off=(), waves=(), wheel=WHEEL, firings=2.0):
    return crank.odd_gap(turns(waves, 40, wheel, off), wheel, firings)


@pytest.mark.parametrize("wheel", [WHEEL, Reference(60, 2, 1, 60.0)])
def test_edges_beside_the_gap(wheel: Reference):
    """A tenth of a pitch off, the last edge or the first: by hand in pitches."""
    tenth, last = wheel.step / 10, wheel.teeth - wheel.missing - 1
    whole = wheel.missing + 1
    assert gap(((last, -tenth),), wheel=wheel) == (
        pytest.approx(whole + 0.1, abs=1e-3), pytest.approx(0.9, abs=1e-3), True,
    )  # fmt: skip
    assert gap(((0, tenth),), wheel=wheel)[:2] == pytest.approx((whole + 0.1, 0.9), abs=1e-3)
    assert gap(((0, -tenth),), wheel=wheel)[:2] == pytest.approx((whole - 0.1, 1.1), abs=1e-3)
    both = gap(((0, tenth), (last, -2 * tenth)), wheel=wheel)
    assert both[:2] == pytest.approx((whole + 0.3, 0.8), abs=1e-3) and both[2]
    assert gap(wheel=wheel) is None and gap(((7, tenth),), wheel=wheel) is None


def test_the_gap_is_measured_in_steps_near_it():
    """Two on either side, beyond those that touch it: 10.2, 9.9, 10.1 and 10.3°, the median 10.15.
    The gap is 22° wide, the step beside it 8.2°."""
    off = ((2, 0.2), (3, 0.1), (4, 0.5), (31, -0.6), (32, -0.3), (33, -0.2), (34, -2.0))
    assert gap(off)[:2] == pytest.approx((22 / 10.15, 8.2 / 10.15), abs=1e-3)


def test_a_twentieth_of_a_pitch_is_how_teeth_are_made():
    assert gap(((34, -0.45),)) is None and gap(((34, -0.55),)) is not None


def test_a_speed_that_swings_is_no_odd_gap():
    """The firing order and half orders are taken off; what is left may be beside the gap, too."""
    swing = ((2.0, 0.8), (0.5, 0.3j), (1.0, 0.2))
    assert gap(waves=swing) is None
    at, beside, sure = gap(((34, -1.0),), swing)
    assert (at, beside) == pytest.approx((2.1, 0.9), abs=0.03) and sure
    assert gap(((34, -1.0),), (*swing, (16.0, 1.2)))[2] is False
    assert crank.odd_gap(turns(n=40), Reference(36), 2.0) is None
    assert crank.odd_gap(turns((), 22, WHEEL, ((34, -1.0),)), WHEEL, 2.0) is None
    assert crank.odd_gap(turns((), 24, WHEEL, ((34, -1.0),)), WHEEL, 2.0) is not None


def test_a_wheel_on_the_cam():
    cam = Reference(36, 1, 2, 60.0)
    # A twentieth of 20° of the crank, as on any other wheel.
    assert gap(((34, -0.9),), wheel=cam) is None and gap(((34, -1.1),), wheel=cam) is not None
    # 24 places are twelve a turn of the crank: of three firings a turn order 6 is not seen.
    coarse = Reference(24, 1, 2, 60.0)
    assert gap(((22, -4.5),), wheel=coarse, firings=3.0) is not None
    found = gap(((34, -2.0),), ((4.0, 0.2),), cam)
    assert found[:2] == pytest.approx((2.1, 0.9), abs=0.03) and found[2]


def test_edges_are_told_by_what_is_left_of_the_others():
    """The two beside the gap, a mean and sines of two orders take seven of eight edges; of seven
    edges nothing is left, and no model is made."""
    (one,) = crank._models(Reference(9, 1, 2), 8, 2.0)
    assert one.free == 1 and one.columns.shape == (8, 7)
    assert crank._models(Reference(8, 1, 2), 7, 2.0) == []


@pytest.mark.parametrize(
    ("other", "said"),
    # A twentieth of a pitch is 0.5°; 0.85 of what would be no chance.
    [((0.86, 1.0, 9), True), ((0.84, 1.0, 9), False), ((0.51, 0.59, 9), True),
     ((0.49, 0.55, 9), False), ((0.69, 0.75, 3), False), ((0.71, 0.75, 3), True)],
)  # fmt: skip
def test_what_other_orders_all_but_prove(monkeypatch, other, said: bool):
    """The surest set of orders finds 0.4° off, which teeth may be; another one finds more."""
    both = iter(((0.4, 0.5, 9), other))
    monkeypatch.setattr(crank, "_models", lambda *_: [None, None])
    monkeypatch.setattr(crank, "_standing_off", lambda *_: next(both))
    found = gap(((34, -0.4),))
    assert (found is not None) is said
    if found is not None:  # and is not sure of it
        assert found == (pytest.approx(2.04, abs=1e-3), pytest.approx(0.96, abs=1e-3), False)


def test_orders_that_a_ripple_may_be_made_of():
    """18 teeth a turn show orders below 9, 35 edges bear 12 of them: (35 - 3 - 8) / 2."""
    low = (0.5, 1.0, 1.5, 2.0, 4.0)
    first, *wide = crank._orders(2.0, 18.0, 35)
    assert first == low
    assert wide == [tuple(np.arange(1, 9) / 2), tuple(np.arange(1, 13) / 2)]
    # 20 edges bear (20 - 3 - 5) / 2 = 6, 11 bear 2, 7 none: then two all the same.
    assert crank._orders(2.0, 18.0, 20) == [low]
    assert crank._orders(2.0, 18.0, 11) == crank._orders(2.0, 18.0, 7) == [low[:2]]
    # Of one firing a turn those up to 2 are the low ones; then up to 3 and 4, 8 are too many.
    assert crank._orders(1.0, 36.0, 35) == [tuple(np.arange(1, n) / 2) for n in (5, 7, 9)]
    # A quarter of the edges stays over: 16 orders want 47, (47 - 3 - 11)/2; 45 tell of 15.
    assert [len(one) for one in crank._orders(1.0, 36.0, 45)] == [4, 6, 8]
    assert [len(one) for one in crank._orders(1.0, 36.0, 47)] == [4, 6, 8, 16]
    # 12 edges bear (12 - 3 - 3) / 2 of them; two turns of 60 - 2 those up to 12.
    assert crank._orders(2.0, 18.0, 12) == [low[:3]]
    assert [len(one) for one in crank._orders(1.0, 60.0, 116)] == [4, 6, 8, 16, 24]
    # Of 12 teeth order 8 looks like 4, order 6 is not seen, nor 12 from nothing.
    assert crank._orders(4.0, 12.0, 20)[0] == (0.5, 1.0, 1.5, 4.0)
    assert crank._orders(6.0, 12.0, 20)[0] == (0.5, 1.0, 1.5)
    assert crank._orders(7.0, 12.0, 20)[0] == (0.5, 1.0, 1.5, 2.0, 5.0)  # 14 like 2, 7 like 5


def test_by_how_much_an_edge_stands_off_at_least():
    """Teeth are made to a hundredth or two of a pitch: common practice, no source."""
    assert [crank._least_odd(free) for free in (1, 3, 4, 30)] == [0.07, 0.07, 0.05, 0.05]


def test_an_edge_that_stands_off_by_hand():
    """3 off eighteen that scatter about their mean: u² = s² (1 + 1 / 18), s² of 17 degrees; of a
    single one that is far out half is noise."""
    beside = np.zeros((20, 2))
    beside[0, 0] = beside[19, 1] = 1.0
    columns = np.column_stack((beside, np.ones(20)))
    model = crank._Model(columns, np.linalg.pinv(columns), np.sqrt(19 / 18), 17)
    even = 0.1 * np.resize([1.0, -1.0], 18)
    off, least, free = crank._standing_off(np.concatenate(([3.0], even, [0.5])), model)
    assert (off, free) == (pytest.approx(3.0), 17)
    assert least == pytest.approx(5 * np.sqrt(0.18 / 17 * 19 / 18))
    one = np.full(18, -0.9 / 17)
    one[4] = 0.9
    assert crank._standing_off(np.concatenate(([0.1], one, [-2.0])), model)[:2] == pytest.approx(
        (2.0, 5 * 0.9 / 2)
    )
    early = crank._standing_off(np.concatenate(([0.1], -one, [-2.0])), model)
    assert early[:2] == pytest.approx((2.0, 5 * 0.9 / 2))
    few = crank._Model(columns, np.linalg.pinv(columns), np.sqrt(19 / 18), 3)
    times = stats.t.ppf(1 - 1e-4, 3)
    assert crank._standing_off(np.concatenate(([3.0], even, [0.5])), few)[1] == pytest.approx(
        times * np.sqrt(0.18 / 3 * 19 / 18)
    )


@pytest.mark.parametrize("odd", [(2, 3), (9, 8), (8, 9)])
def test_how_well_a_gaps_neighbours_are_told(odd: tuple[int, int]):
    """Standard errors are the norms of the solution's rows (JCGM 100:2008, H.3): the larger."""
    errors = np.zeros(11)
    errors[list(odd)] = 6.0, -3.0
    wheel = Reference(12, 1, 1, 60.0, errors=tuple(errors))
    for model in crank._models(wheel, 11, 1.0):
        both = np.linalg.norm(model.solve[:2], axis=1)
        assert model.spread == pytest.approx(both.max()) and both.max() > 1.001 * both.min()
        assert model.free == 22 - len(model.solve)
