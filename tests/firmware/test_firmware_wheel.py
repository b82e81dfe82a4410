"""What the meter makes of its wheel: firmware/teeth.py and crank.py under CPython.

Wheels of this file are drawn in floating point: a tooth that is late by so much, an edge beside the
gap that is off by so much of a step. What must come out is worked out beside each.
"""

from __future__ import annotations

from array import array
from itertools import pairwise
from math import cos, pi, radians, sin
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import pio_chip

SIZE = 512
MIDDLE = 0x100000


def wheel(crank: Any, teeth: int, missing: int, turns: int = 1) -> Any:
    rings = SimpleNamespace(size=SIZE, buffers=[array("I", [0] * SIZE)],
                            written=array("I", [0] * 4))  # fmt: skip
    made = crank.Crank(rings, 0)
    made.set_wheel(teeth, missing, turns)
    return made


def places(teeth: int, missing: int, periods: int) -> NDArray[np.float64]:
    """Turns of the wheel at which its edges come."""
    return (np.arange(periods)[:, None] + np.arange(teeth - missing) / teeth).ravel()


def times(
    turns: NDArray[np.float64], late: NDArray[np.float64], length: float, gain: float = 0.0
) -> NDArray[np.int64]:
    """Ticks: the first turn lasts `length`, each turn `gain` of that more than the one before.

    The wheel's angle is a polynomial of second degree of the time, as of a torque that is steady.
    `late`: turns by which each edge comes late.
    """
    # One turn takes T, two take (2 + gain) T: t - b t² = turns, solved for t.
    b = gain / ((2 + gain) * (1 + gain))
    a = 1 + b
    x = turns + late
    t = x if not gain else (a - np.sqrt(a * a - 4 * b * x)) / (2 * b)
    return np.rint(length * t).astype(np.int64)


def survey(modules: Any, teeth: int, missing: int, turns: int, tick: NDArray[np.int64],
           first: int = 700, marks: dict[int, int] | None = None) -> list[int] | None:  # fmt: skip
    """What _survey finds in the last two turns, of three."""
    crank, found = modules
    tracker = wheel(crank, teeth, missing, turns)
    edges = teeth - missing
    looks = found.Teeth()
    looks.set(tracker.wheel, 2.0)
    ring = tracker._rings.buffers[0]
    for k, when in enumerate(tick.tolist()):
        ring[(first + k) & (SIZE - 1)] = (when + 0xFFF00000) & 0xFFFFFFFF
    for period in range(3):
        tracker.marks[(first + period * edges) & 511] = (marks or {}).get(period, 3)
    tracker.state[crank.DECIDED] = (first + 2 * edges) & 0x3FFFFFFF
    if not found._survey(ring, SIZE, tracker.state, tracker.wheel, tracker.marks, looks._table,
                         looks._work, looks._out):  # fmt: skip
        return None
    return list(looks._out)


@pytest.fixture(scope="module")
def modules() -> Any:
    return pio_chip.load("crank", "teeth")


@pytest.mark.parametrize(
    ("teeth", "missing", "turns"), [(60, 2, 1), (36, 1, 1), (36, 1, 2), (12, 1, 1)]
)
@pytest.mark.parametrize("gain", [0.0, 0.06, -0.06])
@pytest.mark.parametrize("length", [60_000, 2_500_000])
def test_a_wheel_that_runs_out(
    modules: Any, teeth: int, missing: int, turns: int, gain: float, length: float
) -> None:
    """Late by A cos(x) + B sin(x), x from the index edge: A and B come out, at a steady torque."""
    at = places(teeth, missing, 3)
    degree = 360 * turns
    a, b = 0.8 * turns, -0.5 * turns  # crank degrees
    late = (a * np.cos(2 * pi * at) + b * np.sin(2 * pi * at)) / degree
    found = survey(modules, teeth, missing, turns, times(at, late, length, gain))
    assert found is not None
    off = 60 * turns + (200 * turns if abs(gain) else 0)  # a wave beside a slope of the speed
    for c, s in (found[:2], found[2:4]):
        assert c - MIDDLE == pytest.approx(1000 * a, abs=off)
        assert s - MIDDLE == pytest.approx(1000 * b, abs=off)


@pytest.mark.parametrize(("teeth", "missing", "turns"), [(60, 2, 1), (36, 1, 2), (16, 3, 1)])
def test_by_how_much_teeth_miss_the_cubic_through_their_neighbours(
    modules: Any, teeth: int, missing: int, turns: int
) -> None:
    """numpy: mean squares of (1, -4, 6, -4, 1) / 6 over edges 1 and 2 apart, none over the gap.

    Of both turns, the second of which has other teeth here.
    """
    rng = np.random.default_rng(teeth)
    edges = teeth - missing
    late = rng.normal(0, np.repeat((0.2, 0.35, 0.25), edges))  # crank degrees
    tick = times(places(teeth, missing, 3), late / (360 * turns), 2_500_000 * turns)
    found = survey(modules, teeth, missing, turns, tick)
    assert found is not None
    for wide in (1, 2):
        k = 1000 * late
        middle = np.concatenate(
            [np.arange(2 * wide, edges - 2 * wide) + turn * edges for turn in (0, 1)]
        )
        miss = (k[middle - 2 * wide] + k[middle + 2 * wide]
                - 4 * (k[middle - wide] + k[middle + wide]) + 6 * k[middle]) / 6  # fmt: skip
        assert found[3 + wide] == pytest.approx(np.mean(miss**2) / 16, rel=0.04)


@pytest.mark.parametrize(("teeth", "missing"), [(45, 1), (36, 1), (60, 2)])
def test_a_wheel_with_steps_alike_has_nothing(modules: Any, teeth: int, missing: int) -> None:
    """Steps of whole ticks, an odd number of them too: no run-out, and no edge misses."""
    at = places(teeth, missing, 3)
    for step in (251, 252, 1_501):
        tick = np.rint(at * teeth).astype(np.int64) * step
        for first in (700, 701):
            found = survey(modules, teeth, missing, 1, tick, first)
            assert found == [MIDDLE] * 4 + [0, 0], step


@pytest.mark.parametrize("missing", [1, 2, 3])
def test_over_the_gap_it_goes_in_a_straight_line(modules: Any, missing: int) -> None:
    """12 places of 6400 ticks; the last tooth late by 2160: 10.125 degrees, and then in equal parts
    down to the index edge. 2 / 12 of the sums of cosines and sines."""
    edges = 12 - missing
    tick = np.rint(places(12, missing, 3) * 12).astype(np.int64) * 6_400
    tick[edges - 1 :: edges] += 2_160
    found = survey(modules, 12, missing, 1, tick)
    assert found is not None
    late = [10_125 * (12 - j) / (missing + 1) for j in range(edges - 1, 12)]
    for k, wave in enumerate((np.cos, np.sin)):
        turn = 2 * pi * np.arange(edges - 1, 12) / 12
        wanted = 2 / 12 * float(np.sum(late * wave(turn)))
        assert found[k] - MIDDLE == pytest.approx(wanted, abs=2)
        assert found[2 + k] - MIDDLE == pytest.approx(wanted, abs=2)


def looked(modules: Any, late: NDArray[np.float64]) -> Any:
    """A 36-1 wheel after one look."""
    crank, found = modules
    tracker = wheel(crank, 36, 1)
    looks = found.Teeth()
    looks.set(tracker.wheel, 2.0)
    for k, when in enumerate(times(places(36, 1, 3), late, 2_500_000).tolist()):
        tracker._rings.buffers[0][k] = when & 0xFFFFFFFF
    for period in range(3):
        tracker.marks[period * 35] = 3
    tracker.state[crank.DECIDED] = 70
    looks.look(tracker._rings, tracker)
    assert looks.known
    return looks


def test_what_is_no_wheel_is_bounded(modules: Any) -> None:
    """A wheel that is off by a tenth of a turn: 20 and 3 degrees are the most."""
    at = places(36, 1, 3)
    for sign in (1, -1):
        assert looked(modules, sign * 0.09 * np.cos(2 * pi * at))._cos == sign * 20_000
        assert looked(modules, sign * 0.09 * np.sin(2 * pi * at))._sin == sign * 20_000
    jagged = np.tile(0.03 * (-1.0) ** np.arange(36), 3)[: len(at)]
    found = survey(modules, 36, 1, 1, times(at, jagged, 2_500_000))
    assert found is not None and found[4] == 3000**2 >> 4


def test_an_edge_that_misses_by_three_degrees_counts_for_three(modules: Any) -> None:
    """36 places of 2000 ticks: a tick is 5/1000 degree. Edge 15 late by 600 ticks, edge 17 by some:
    edge 15 misses the cubic by (6 * 3000 + its) / 6, 13 and 17 by a sixth of it and more, 14 and 16
    by two thirds; mean square over 2 * 31 edges, 1/16, each cut downward."""
    tick = np.rint(places(36, 1, 3) * 36).astype(np.int64) * 2_000
    for late, more in ((600, 0), (600, 2), (600, 200), (-600, 0), (-600, -1), (-600, -200)):
        off = np.zeros(35, dtype=np.int64)
        off[15], off[17] = late, more
        k = [int(v) for v in 5 * off]
        total = 0
        for j in range(2, 33):
            miss = (k[j - 2] + k[j + 2] - 4 * (k[j - 1] + k[j + 1]) + 6 * k[j]) // 6
            total += min(abs(miss), 3_000) ** 2 >> 4
        found = survey(modules, 36, 1, 1, tick + np.tile(off, 3))
        assert found is not None and found[4] == 2 * total // 62, (late, more)


@pytest.mark.parametrize("sign", [1, -1])
def test_an_eighth_of_a_turn_to_the_tick(modules: Any, sign: int) -> None:
    """32 places of 256 ticks, a turn of 8192: edges 14 to 17 are off by five places, 1280 ticks,
    and 1024 count, 45 degrees: 2 / 32 of the sum of their cosines, -0.9239 (7/8 and 9/8 of half a
    turn) -0.9808 (15/16) -1 -0.9808 = -3.8856 for edges 14 to 17."""
    off = np.zeros(31, dtype=np.int64)
    off[14:18] = sign * 1_280
    tick = np.rint(places(32, 1, 3) * 32).astype(np.int64) * 256
    found = survey(modules, 32, 1, 1, tick + np.tile(off, 3))
    assert found is not None
    assert found[0] - MIDDLE == pytest.approx(sign * 45_000 * -3.8856 / 16, abs=4)


@pytest.mark.parametrize("early", [False, True])
def test_no_edge_counts_for_more_than_an_eighth_of_a_turn(modules: Any, early: bool) -> None:
    """Edges of a fifth of the turn crowd at its end or its beginning: up to 68 degrees off, and 45
    count; 2 / 36 of the sums of cosines and sines, by the definition of the first harmonic."""
    turn = np.arange(35) / 36
    inside = (turn >= 0.3) & (turn < 0.5)
    crowded = 0.3 + 0.05 * (turn - 0.3) if early else 0.5 - 0.05 * (0.5 - turn)
    late = np.where(inside, crowded - turn, 0.0)
    assert 57 < 360 * np.abs(late).max() < 69
    found = survey(modules, 36, 1, 1, times(places(36, 1, 3), np.tile(late, 3), 2_500_000))
    assert found is not None
    counted = 360_000 * np.clip(late, -1 / 8, 1 / 8)
    for k, wave in enumerate((np.cos, np.sin)):
        wanted = 2 / 36 * float(np.sum(counted * wave(2 * pi * turn)))
        plain = 2 / 36 * float(np.sum(360_000 * late * wave(2 * pi * turn)))
        assert found[k] - MIDDLE == pytest.approx(wanted, abs=60)
        assert k or abs(plain - wanted) > 200


def test_two_turns_that_are_not_to_be_had(modules: Any) -> None:
    """A period that is not good, a speed that changes by more than a quarter, one that is too high.

    Bit 0 of a mark: a period begins here; bit 1: it is a good one.
    """
    at = places(36, 1, 3)
    even = np.zeros(len(at))
    steady = times(at, even, 100_000)
    for first in (700, 701, 2**30 - 36, 2**30 - 35):  # the number of edges wraps
        assert survey(modules, 36, 1, 1, steady, first) is not None, first
    for period, mark, good in ((0, 1, False), (0, 2, False), (1, 1, False), (1, 2, False),
                               (2, 1, True), (2, 2, False), (2, 0, False)):  # fmt: skip
        found = survey(modules, 36, 1, 1, steady, marks={period: mark})
        assert (found is not None) is good, (period, mark)
    for gain, good in ((0.24, True), (0.26, False), (-0.24, True), (-0.26, False)):
        found = survey(modules, 36, 1, 1, times(at, even, 100_000, gain))
        assert (found is not None) is good, gain
    assert survey(modules, 36, 1, 1, times(at, even, 0x2000)) is not None
    assert survey(modules, 36, 1, 1, times(at, even, 0x1FFF)) is None
    for second, good in ((125_000, True), (125_001, False), (75_000, True), (74_999, False)):
        turn = np.minimum(at, 1) * 100_000 + np.maximum(at - 1, 0) * second
        found = survey(modules, 36, 1, 1, np.rint(turn).astype(np.int64))
        assert (found is not None) is good, second


def formula(c: float, s: float, near: float, after: float, turns: int) -> float:
    """host/docs, run-out: all or none of what is seen, no more than 0.3 degrees of the wheel.

    What is seen at an angle x is c (cos x - 1) + s sin x, over root 3; at least the size over root
    24 by the distance on a circle, which counts as 1 at least; beyond the most: over root 6.
    """
    x = radians(after / 1000 / turns)
    reach = max(1.0, abs(complex(cos(x) - 1, sin(x))))
    size, most = (c * c + s * s) ** 0.5, 300 * turns
    if size > most:
        return (most * reach) ** 2 / 6 + near
    seen = c * (cos(x) - 1) + s * sin(x)
    return max(seen**2 / 3, (size * reach) ** 2 / 24) + near


@pytest.mark.parametrize("turns", [1, 2])
def test_uncertainty_of_a_wheel_that_runs_out(modules: Any, turns: int) -> None:
    crank, found = modules
    looks = found.Teeth()
    assert not looks.seen and not looks.known  # nothing before a wheel is told
    looks.set(wheel(crank, 60, 2, turns).wheel, 2.0)
    assert looks.seen and not looks.known and looks.square(90_000) == 0
    looks.known = True
    for c, s in (
        (150, 0),
        (0, -200),
        (-120, 160),
        (299, 0),
        (301, 0),
        (-900, 2000),
        (20_000, 20_000),
    ):
        for near in (0, 50):
            looks._cos, looks._sin, looks._near, looks._far = c * turns, s * turns, near, 0
            for degrees in (0, 12, 54, 90, 132, 180, 222, 270, 354):
                after = 1000 * degrees * turns
                wanted = formula(c * turns, s * turns, 16 * near, after, turns)
                assert looks.square(after) == pytest.approx(wanted, rel=0.03, abs=40 * turns)
                # The nearest tooth counts: 6 degrees apart.
                assert looks.square(after + 2900 * turns) == looks.square(after)
                if degrees:
                    assert looks.square(after - 2900 * turns) == looks.square(after)
    # Opposite the index edge the distance is 2. 200² / 24 · 2²; (2 · 120)² / 3; 300² / 6 · 2², and
    # at the index edge, where it counts as 1, 300² / 6.
    most = 1 if turns == 1 else 4
    for c, s, degrees, low, high in (
        (0, 200, 180, 6_662, 6_667), (-120, 0, 180, 19_200, 19_200), (0, 400, 180, 60_000, 60_000),
        (0, 400, 0, 15_000, 15_000), (300, 0, 0, 3_750, 3_750), (301, 0, 0, 15_000, 15_000),
        # A quarter of a turn on, 200 (cos - 1) or 200 sin are 200, up or down: 200² / 3.
        (200, 0, 90, 13_333, 13_333), (-200, 0, 90, 13_333, 13_333), (0, 200, 90, 13_333, 13_333),
        (0, -200, 90, 13_333, 13_333), (120, 0, 180, 19_200, 19_200),
    ):  # fmt: skip
        looks._cos, looks._sin, looks._near = c * turns, s * turns, 0
        assert (
            low * most - 3 * (turns - 1)
            <= looks.square(1000 * degrees * turns)
            <= high * most + turns - 1
        )
    looks.forget()
    assert looks.square(90_000) == 0
    looks.known = True
    looks.set(wheel(crank, 60, 2, turns).wheel, 2.0)  # another wheel
    assert not looks.known


def test_swing_is_not_taken_for_teeth(modules: Any) -> None:
    """36 teeth, 2 firings: x = 20°; far misses have 256 cos(10°)^8 = 226.6 as much of the swing."""
    crank, found = modules
    looks = found.Teeth()
    # 75 and 8: x = 38.4°, 256 cos(19.2°)^8 = 161.96, and near teeth have 16 cos(38.4°)^4 = 6.03 of
    # the swing. Less than 6, or a wave that is over in three teeth: it is not told from teeth.
    # So of 28 and 3: x = 38.6°, and 16 cos(38.6°)^4 = 5.98.
    # Four teeth and two firings: half a wave from tooth to tooth, cos(180°)^4 is 1 again; so of
    # 2.5 rad, 9 teeth and 3.58.
    for teeth, firings, curved in ((75, 8, 160), (28, 3, 0), (9, 1, 0), (9, 4, 0), (12, 6, 0),
                                   (36, 14.4, 0), (36, 17.2, 0)):  # fmt: skip
        looks.set(wheel(crank, teeth, 0).wheel, firings)
        assert looks._curved == curved
    # Of eight edges none is left between four neighbours twice as far away on both sides.
    for teeth, missing, seen in ((9, 1, False), (10, 1, True), (12, 3, True), (36, 0, False)):
        looks.set(wheel(crank, teeth, missing).wheel, 2.0)
        assert looks.seen is seen, (teeth, missing)
    looks.set(wheel(crank, 36, 1).wheel, 2.0)
    assert looks._curved == 225
    looks.known = True
    for near, far, left in ((100, 100, 100), (100, 100 + 225 * 40, 60), (100, 100 + 225 * 300, 0),
                            (100, 50, 100), (300, 300 + 225 * 40, 260),
                            (300, 299 + 225 * 40, 261)):  # fmt: skip
        looks._near, looks._far = near, far
        assert looks.square(0) == 16 * left


def test_each_number_of_a_look_fades_by_itself(modules: Any, monkeypatch: Any) -> None:
    """The mean of two turns about the middle, cut; then an eighth of what is new, cut downward."""
    crank, found = modules
    looks, tracker = found.Teeth(), wheel(crank, 36, 1)
    looks.set(tracker.wheel, 2.0)
    told: list[int] = []

    def survey(*given: Any) -> int:
        for k, value in enumerate(told):
            given[-1][k] = value
        return len(told)

    monkeypatch.setattr(found, "_survey", survey)
    middle = 0x100000  # as _survey has it, which cannot take the name
    looks.look(tracker._rings, tracker)
    assert not looks.known  # no two good turns
    for turns, wanted in (
        ((801, -400, 802, -407, 100, 5_000), (801, -404, 100, 5_000)),
        ((1, 4, 2, 5, 9, 77), (801 - 100, -404 + 51, 88, 5_000 - 616)),
        ((1_501, -353, 1_500, -354, 888, 12_000), (701 + 99, -354, 188, 4_384 + 952)),
    ):
        told[:] = [*(middle + v for v in turns[:4]), *turns[4:]]
        looks.look(tracker._rings, tracker)
        assert (looks._cos, looks._sin, looks._near, looks._far) == wanted
    looks.forget()
    looks.look(tracker._rings, tracker)  # as it is, again
    assert (looks._cos, looks._sin, looks._near, looks._far) == (1_500, -354, 888, 12_000)
    # Twenty degrees are the most of each.
    for c, s in ((20_000, -20_000), (20_001, -20_001), (-20_001, 20_001), (-19_999, 19_999)):
        told[:4] = [middle + c, middle + s] * 2
        looks.forget()
        looks.look(tracker._rings, tracker)
        assert looks._cos == min(max(c, -20_000), 20_000)
        assert looks._sin == min(max(s, -20_000), 20_000)


def test_looks_fade_by_an_eighth(modules: Any) -> None:
    """The first look as it is, each further one an eighth; of the mean of two turns."""
    crank, found = modules
    tracker = wheel(crank, 36, 1)
    looks = found.Teeth()
    looks.set(tracker.wheel, 2.0)
    at = places(36, 1, 3)
    ring = tracker._rings.buffers[0]
    for period in range(3):
        tracker.marks[period * 35] = 3
    tracker.state[crank.DECIDED] = 70
    kept: list[list[int]] = []
    for size in (0.4, 0.4, 1.2, 1.2):
        late = size * (np.cos(2 * pi * at) - 2 * np.sin(2 * pi * at)) / 360
        late += size * np.tile((-1.0) ** np.arange(35), 3) / 3600
        for k, when in enumerate(times(at, late, 2_500_000).tolist()):
            ring[k] = when
        looks.look(tracker._rings, tracker)
        assert looks.known
        kept.append([looks._cos, looks._sin, looks._near, looks._far])
    assert kept[0][:2] == pytest.approx([400, -800], abs=40)
    # One of four neighbours that alternate: (1 + 4 + 6 + 4 + 1) / 6 of 40; farther ones: nothing.
    assert kept[0][2] == pytest.approx((40 * 16 / 6) ** 2 / 16, rel=0.1)
    fresh = [3 * kept[0][0], 3 * kept[0][1], 9 * kept[0][2], 9 * kept[0][3]]
    for before, after in pairwise(kept):
        new = kept[0] if after is kept[1] else fresh
        for was, now, then in zip(before, after, new, strict=True):
            assert now == pytest.approx(was + (then - was) / 8, abs=3 + 0.02 * abs(then))
    # What is not to be had changes nothing.
    tracker.marks[35] = 1
    looks.look(tracker._rings, tracker)
    assert [looks._cos, looks._sin, looks._near, looks._far] == kept[-1]


@pytest.mark.parametrize(("teeth", "missing"), [(36, 1), (60, 2), (24, 3), (12, 1), (11, 1)])
@pytest.mark.parametrize("gain", [0.0, 0.02])
def test_an_edge_beside_the_gap_that_is_off(
    modules: Any, teeth: int, missing: int, gain: float
) -> None:
    """Off by d of a step: near / far is 1 + d, and the line from the gap's middle to the next step,
    (m + 2 + 2 (m + 1 - d) / (m + 1)) / (m + 4) there, says 1 - 2 d / ((m + 1) (m + 4)).

    Four times their difference is what the mean goes to. None where fewer than 11 edges are.
    """
    crank, _ = modules
    at, edges = places(teeth, missing, 16), teeth - missing
    for side, d in ((0, 0.1), (0, -0.1), (1, 0.1), (1, -0.1), (0, 0.0)):
        late = np.zeros(len(at))
        # The last tooth of a period late makes its step longer; the first one early.
        late[edges - 1 :: edges] += d / teeth if side == 0 else 0
        late[0::edges] -= d / teeth if side == 1 else 0
        tick = times(at, late, 400_000, gain / 16)
        tracker = wheel(crank, teeth, missing)
        for k, when in enumerate((tick + 5000).tolist()):
            tracker._rings.buffers[0][k & (SIZE - 1)] = when
            tracker._rings.written[0] = k + 1
            tracker.follow()
        state = tracker.state
        assert state[crank.REFUSED] <= 1 and state[crank.GOOD] >= 13
        kink = d + 2 * d / ((missing + 1) * (missing + 4))
        wanted = 4 * 4096 * kink * (1 - 0.75 ** state[crank.GOOD])
        told = [state[crank.ODD_LAST] - MIDDLE, state[crank.ODD_FIRST] - MIDDLE]
        if edges < 11:
            assert told == [0, 0]
            continue
        # Where one is off, the other's line goes over the same gap.
        other = -4 * 4096 * 2 * d / ((missing + 1) * (missing + 4))
        assert told[side] == pytest.approx(wanted, abs=60)
        assert told[1 - side] == pytest.approx(-other, abs=60)


def test_the_edges_beside_the_gap_of_an_even_wheel(modules: Any) -> None:
    """A line through steps that are alike goes through each: nothing is off, to the last bit."""
    crank, _ = modules
    for missing in (1, 2, 3):
        for step in (1000, 70_000, 1 << 20):  # that halve without a rest
            tracker = wheel(crank, 24, missing)
            turn = [(missing + 1) * step, *[step] * (23 - missing)]
            state = fed(crank, tracker, [50, step, *turn * 5])
            assert state[crank.GOOD] == 4
            assert state[crank.ODD_LAST] == state[crank.ODD_FIRST] == MIDDLE, (missing, step)


def test_the_edges_beside_the_gap_to_the_tick(modules: Any) -> None:
    """12 - 1, one good period: last step 111, the one before 103, the gap 203, then 97 and 101.

    The gap's middle is 5 halves of a step from the middle of the step before the last one, which is
    one from the last one's: there the line says (3 far + 2 hole / 2) / 5, in steps of `far`.
    """
    crank, _ = modules
    steps = [50, 101, 203, 97, 101, *[101] * 6, 103, 111, 203, 97, 101]
    for slower in (1, 600, 5_000, 100_000):  # slow ones do not fit in the sums: they are halved
        tracker = wheel(crank, 12, 1)
        state = fed(crank, tracker, [slower * step for step in steps])
        assert state[crank.GOOD] == 1
        for word, near, far in ((crank.ODD_LAST, 111, 103), (crank.ODD_FIRST, 97, 101)):
            wanted = 4096 * (near / far - (3 + 2 * 203 / 2 / far) / 5)
            assert state[word] - MIDDLE == pytest.approx(wanted, abs=4), slower


# The crank: by hand, step by step


def fed(crank: Any, tracker: Any, steps: list[int], piece: int = 1, start: int = 0xFFFFF000) -> Any:
    """Edges by the steps before them, looked at in pieces; the clock wraps early on."""
    rings = tracker._rings
    now = start
    for k, step in enumerate(steps):
        now = (now + step) & 0xFFFFFFFF
        rings.buffers[0][k & (SIZE - 1)] = now
        rings.written[0] = k + 1
        if k % piece == piece - 1 or k == len(steps) - 1:
            tracker.follow()
    return tracker.state


def marks(tracker: Any, n: int) -> str:
    """`|` where a period begins, `G` where a good one does, `.` elsewhere."""
    return "".join(".|?G"[mark] for mark in tracker.marks[:n])


@pytest.mark.parametrize("piece", [1, 7, 100])
def test_periods_of_a_wheel_with_a_gap(modules: Any, piece: int) -> None:
    """6 - 1, started amid a period: two edges, a gap, then five edges to each period."""
    crank, _ = modules
    tracker = wheel(crank, 6, 1)
    state = fed(crank, tracker, [100, 1000, 1000, *[2001, 1000, 1000, 1000, 1000] * 4, 2001], piece)
    # Edges 0 to 2 are of a period whose beginning nobody saw; the last one is not judged yet.
    assert marks(tracker, 24) == "...G....G....G....|....|"
    assert (state[crank.GOOD], state[crank.REFUSED]) == (3, 1)
    assert (state[crank.TICKS], state[crank.TURNED]) == (18_003, 3)
    assert (state[crank.PERIOD], tracker.period()) == (6001, 6001)
    assert (state[crank.TOOTH], state[crank.KNOWN], state[crank.SEEN]) == (0, 5, 24)
    assert state[crank.DECIDED] == 18  # the edge at which the last judged period ended
    assert state[crank.REFERENCE] == state[crank.LAST] == 2100 + 4 * 6001 + 2001 - 0x1000
    assert (state[crank.STEP], state[crank.WIDTH]) == (2001, 2)
    # The period that ended with the last edge waits for the next one; it began at edge 18.
    assert (state[crank.ENDED], state[crank.DECIDED]) == (1, 18)
    # One whose beginning nobody saw is a bad one: of a wheel with a gap, and of teeth alike.
    for teeth, missing, steps in ((6, 1, [100, 1000, 2000]), (4, 0, [100, 1000])):
        early = wheel(crank, teeth, missing)
        assert fed(crank, early, steps)[crank.ENDED] == 2
    for step, bad in ((1000, 0), (600, 1), (600, 1)):  # judged; then one that does not fit
        rings = tracker._rings
        rings.buffers[0][rings.written[0]] = (state[crank.LAST] + step) & 0xFFFFFFFF
        rings.written[0] += 1
        tracker.follow()
        assert (state[crank.ENDED], state[crank.DECIDED]) == (0, 23)
        assert state[crank.BAD] == bad


def test_a_tooth_lost_and_an_edge_too_many_spoil_their_period_alone(modules: Any) -> None:
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    # Lost: a step of 2000 amid the period looks like the gap. Too many: 500 and 500.
    for bad, refused in (
        ([2000, 1000, 2000, 1000], 2), ([2000, 1000, 500, 500, 1000, 1000], 2),
        ([2000, 1000, 1000, 1000, 1000, 1000], 2), ([2000, 1000, 1000, 1000], 1),
    ):  # fmt: skip
        tracker = wheel(crank, 6, 1)
        state = fed(crank, tracker, [100, 1000, *good * 4, *bad, *good * 4, 2000, 1000])
        said = marks(tracker, 48)
        assert said.startswith("..G....G....G....G....|"), said
        # Of the good ones after it the first three count at least, and nothing in between does.
        assert state[crank.GOOD] in (7, 8) and state[crank.REFUSED] >= refused, (bad, said)
        assert state[crank.TICKS] == 6000 * state[crank.GOOD] and state[crank.PERIOD] == 6000


def test_a_step_longer_than_the_next_by_half_spoils_a_period(modules: Any) -> None:
    """12 teeth alike: each step is a period. 1.547 times as long is the limit, both ways."""
    crank, _ = modules
    # 1 + 1/2 + 1/16 - 1/64 of 1024 are 1584.
    for a, b, good in (
        (1540, 1000, 1), (1550, 1000, 0), (1000, 1540, 1), (1000, 1550, 0),
        (1584, 1024, 1), (1585, 1024, 0), (1024, 1584, 1), (1024, 1585, 0),
    ):  # fmt: skip
        tracker = wheel(crank, 12, 0)
        state = fed(crank, tracker, [50, *[a] * 6, *[b] * 6])
        # Twelve periods, of which the last is not judged yet; the first has no step before it.
        # A change is in doubt on both sides.
        assert (state[crank.GOOD], state[crank.REFUSED]) == ((10, 1) if good else (8, 3)), (a, b)
        assert state[crank.KNOWN] == 5


def test_teeth_alike_make_a_revolution_of_so_many(modules: Any) -> None:
    crank, _ = modules
    tracker = wheel(crank, 4, 0)
    steps = [50, 1000, 1001, 1002, 1004, 1004, 1005, 1006, 1008, 1008]
    for n, period in ((4, 0), (5, 4007), (8, 4007), (9, 4023), (10, 4023)):
        tracker = wheel(crank, 4, 0)
        assert fed(crank, tracker, steps[:n])[crank.PERIOD] == period, n
        assert tracker.state[crank.TOOTH] == (n - 1) % 4


def test_a_stop_of_three_seconds_forgets_where_the_crank_is(modules: Any) -> None:
    """2^27 ticks; what comes then is counted anew, without a gap known."""
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    for rest, known in ((0x7FFFFFF, True), (0x8000000, False), (0x3FFFFFFF, False)):
        tracker = wheel(crank, 6, 1)
        state = fed(crank, tracker, [100, 1000, *good * 3, rest])
        assert (state[crank.KNOWN] != 1) is known
        assert state[crank.PERIOD] == 0 or known
        if not known:
            assert (state[crank.TOOTH], state[crank.WIDTH], state[crank.ENDED]) == (0, 0, 0)
            assert state[crank.DECIDED] == 17
    # At an index edge, whose period waits for the next edge: it is not judged by one that late.
    tracker = wheel(crank, 6, 1)
    state = fed(crank, tracker, [100, 1000, *good * 3, 2000, 0x8000000, 1000, 1000])
    assert (state[crank.ENDED], state[crank.GOOD], state[crank.REFUSED]) == (0, 2, 1)
    assert marks(tracker, 21) == "..G....G....|....|..."


def test_edges_that_nobody_could_look_at_are_passed_over_and_counted(modules: Any) -> None:
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    for most, skipped in ((20, 1), (21, 1), (22, 0)):
        tracker = wheel(crank, 6, 1)
        tracker.allow(most)
        state = fed(crank, tracker, [100, 1000, *good * 4], 22)
        assert state[crank.CRANK_SKIPPED] == skipped
        assert (state[crank.SEEN], state[crank.KNOWN]) == (22, 0 if skipped else 5)
        if skipped:
            assert state[crank.DECIDED] == 22 and state[crank.GOOD] == 0
            assert state[crank.PERIOD] == 0
            tracker._rings.written[0] = 44
            tracker.follow()
            assert (state[crank.SEEN], state[crank.CRANK_SKIPPED]) == (44, 2)
    tracker.restart()
    words = (crank.SEEN, crank.INDEXED, crank.DECIDED, crank.KNOWN, crank.PERIOD, crank.GOOD,
             crank.REFUSED, crank.TICKS, crank.TURNED, crank.CRANK_SKIPPED)  # fmt: skip
    assert [state[word] for word in words] == [0] * 10
    assert state[crank.ODD_LAST] == state[crank.ODD_FIRST] == MIDDLE


def test_edges_passed_over_leave_no_speed(modules: Any) -> None:
    """What was known of the crank is not known any more, its period too."""
    crank, _ = modules
    tracker = wheel(crank, 6, 1)
    good = [2000, 1000, 1000, 1000, 1000]
    state = fed(crank, tracker, [100, 1000, *good * 4])
    assert (state[crank.PERIOD], state[crank.KNOWN]) == (6000, 5)
    tracker._rings.written[0] = 22 + SIZE + 1
    tracker.follow()
    assert (state[crank.PERIOD], state[crank.KNOWN], state[crank.CRANK_SKIPPED]) == (0, 0, 1)
    assert state[crank.INDEXED] == state[crank.SEEN] == state[crank.DECIDED] == 22 + SIZE + 1


def test_what_looked_like_the_gap_and_is_followed_by_a_step_as_long_was_none(modules: Any) -> None:
    """firmware/crank.py: a gap is longer than the steps on either side of it, by 95/64 (1 missing),
    116/64 (2) or 134/64 (3); steps of whole 32 ticks. Else where the crank is, is not known.
    """
    crank, _ = modules
    for missing, sixtyfourth in ((1, 95), (2, 116), (3, 134)):
        step = 64 * 32
        gap = sixtyfourth * 32  # just not long enough
        turn = [(missing + 1) * step, *[step] * (11 - missing)]
        for before, after, still in (
            (gap + 32, step, True), (gap + 32, step + 32, False), (gap + 32, gap, False),
            (gap, step, False),
        ):  # fmt: skip
            tracker = wheel(crank, 12, missing)
            state = fed(crank, tracker, [99, step, *turn * 3, before])
            assert (state[crank.TOOTH], state[crank.KNOWN]) == (0, 5 if before > gap else 1)
            if missing == 1:  # of the others such a gap is too short for a good period
                assert state[crank.PERIOD] == (before + 10 * step if before > gap else 0)
            tracker = wheel(crank, 12, missing)
            state = fed(crank, tracker, [99, step, *turn * 3, before, after])
            assert (state[crank.KNOWN] & 4 != 0) is still, (missing, before, after)
            assert still or state[crank.PERIOD] == 0
            # The period that ended with it: of two missing ones or three it is too short anyhow.
            assert state[crank.GOOD] == (3 if still and missing == 1 else 2)
            assert missing > 1 or state[crank.BAD] == (not still)
            # What comes next is judged at once, where its place is not known.
            rings = tracker._rings
            rings.buffers[0][rings.written[0]] = (state[crank.LAST] + step) & 0xFFFFFFFF
            rings.written[0] += 1
            tracker.follow()
            assert state[crank.SEEN] - state[crank.DECIDED] == (3 if still else 2)


def test_a_period_that_is_too_short_tells_no_speed_and_the_next_one_does(modules: Any) -> None:
    """6 - 1: four edges and then the gap. A period that is not known is none of the last one's."""
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    begin = [100, 1000, *good * 3]
    for steps, period, known in (
        ([], 6000, 5), ([2000], 6000, 5), ([2000, 1000, 1000, 1000], 6000, 5),
        ([2000, 1000, 1000, 1000, 2000], 0, 5),
        ([2000, 1000, 1000, 1000, 2000, 1000, 1000, 1000, 1000], 0, 5),
        ([2000, 1000, 1000, 1000, 2000, 1000, 1000, 1000, 1000, 2001], 6001, 5),
        ([*good, 1000], 0, 1),
    ):  # fmt: skip
        tracker = wheel(crank, 6, 1)
        state = fed(crank, tracker, [*begin, *steps])
        assert (state[crank.PERIOD], state[crank.KNOWN]) == (period, known), steps


def test_periods_with_the_right_number_of_edges_that_are_none(modules: Any) -> None:
    """One with a step of 600 after 1000 (more than 1.547 times), 850 after that: no good one, and
    no speed, though its edges are five. And where a gap was lost, five edges later."""
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    for steps in ([2000, 1000, 600, 850, 1000], [2000, *[1000] * 9]):
        tracker = wheel(crank, 6, 1)
        state = fed(crank, tracker, [100, 1000, *good * 3, *steps, 2000])
        assert (state[crank.GOOD], state[crank.PERIOD], state[crank.TOOTH]) == (3, 0, 0)
        tracker = wheel(crank, 6, 1)
        state = fed(crank, tracker, [100, 1000, *good * 3, *steps, 2000, 1000])
        assert (state[crank.GOOD], state[crank.REFUSED], state[crank.PERIOD]) == (3, 2, 0)
        assert marks(tracker, 17) == "..G....G....G...."


def test_edges_whose_place_is_not_known_are_judged_at_once(modules: Any) -> None:
    """Each with the next one, so that sparks do not wait for the gap: before the first one, and
    after one tooth too many. Of a known place they wait for the period's end."""
    crank, _ = modules
    tracker = wheel(crank, 6, 1)
    said = []
    for step in (100, 1000, 1000, 1000, 2000, *[1000] * 7, 2000, 1000, 1000):
        rings = tracker._rings
        rings.buffers[0][rings.written[0]] = (tracker.state[crank.LAST] + step) & 0xFFFFFFFF
        rings.written[0] += 1
        tracker.follow()
        said.append(tracker.state[crank.DECIDED])
    # Edges 4 and 12 begin a period and are judged with the next one; 9 is one too many.
    assert said == [0, 0, 1, 2, 2, 4, 4, 4, 4, 8, 9, 10, 10, 12, 12]


def test_the_sum_of_good_periods_stays_below_30_bits(modules: Any) -> None:
    """2^28 ticks, 6 s, and one period more: then nothing is added until they have been taken."""
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    for had, wanted in ((0x0FFFFFFF, (0x0FFFFFFF + 6000, 8)), (0x10000000, (0x10000000, 7))):
        tracker = wheel(crank, 6, 1)
        rings = tracker._rings
        state = fed(crank, tracker, [100, 1000, *good * 3])
        assert (state[crank.TICKS], state[crank.TURNED], state[crank.GOOD]) == (12_000, 2, 2)
        state[crank.TICKS], state[crank.TURNED] = had, 7
        for step in (*good, 2000, 1000):
            rings.buffers[0][rings.written[0]] = (state[crank.LAST] + step) & 0xFFFFFFFF
            rings.written[0] += 1
            tracker.follow()
        assert state[crank.GOOD] == 4 and (state[crank.TICKS], state[crank.TURNED]) == wanted


def test_the_number_of_edges_wraps_at_30_bits(modules: Any) -> None:
    """Of a wheel as of any other place; nothing is passed over, nothing refused."""
    crank, _ = modules
    good = [2000, 1000, 1000, 1000, 1000]
    steps = [100, 1000, *good * 5, 2000, 1000]
    plain = fed(crank, wheel(crank, 6, 1), steps)[:]
    for first in (2**30 - 12, 2**30 - 1, 2**32 - 12):
        tracker = wheel(crank, 6, 1)
        rings = tracker._rings
        tracker.state[crank.SEEN] = first & (2**30 - 1)
        now = 0xFFFFF000
        for k, step in enumerate(steps):
            now = (now + step) & 0xFFFFFFFF
            rings.buffers[0][(first + k) & (SIZE - 1)] = now
            rings.written[0] = (first + k + 1) & 0xFFFFFFFF
            tracker.follow()
        assert tracker.state[crank.SEEN] == (first + len(steps)) & (2**30 - 1)
        for word in (crank.GOOD, crank.REFUSED, crank.TICKS, crank.TURNED, crank.PERIOD,
                     crank.TOOTH, crank.KNOWN, crank.CRANK_SKIPPED, crank.REFERENCE):  # fmt: skip
            assert tracker.state[word] == plain[word], word


def test_an_index_input_tells_the_first_tooth(modules: Any) -> None:
    """4 teeth; the index comes 10 ticks before the first one of its revolution."""
    crank, _ = modules
    rings = SimpleNamespace(size=SIZE, written=array("I", [0] * 4),
                            buffers=[array("I", [0] * SIZE) for _ in range(4)])  # fmt: skip
    tracker = crank.Crank(rings, 0)
    tracker.set_wheel(4, 0, 1, 3)
    assert list(tracker.wheel) == [4, 0, 4, 1, 150, 4, 1]
    state = tracker.state
    now, said = 0xFFFFF800, []
    indexes = 0
    for k in range(24):
        now = (now + 1000) & 0xFFFFFFFF
        if k % 4 == 2 and k != 14:  # once it is missing
            rings.buffers[3][indexes] = (now - 10) & 0xFFFFFFFF
            indexes += 1
            rings.written[3] = indexes
        rings.buffers[0][k] = now
        rings.written[0] = k + 1
        tracker.follow()
        said.append((state[crank.TOOTH], state[crank.PERIOD]))
    assert [tooth for tooth, _ in said[2:14]] == [0, 1, 2, 3] * 3
    assert [period for _, period in said[2:15]] == [0] * 4 + [4000] * 8 + [0]
    assert [tooth for tooth, _ in said[18:]] == [0, 1, 2, 3, 0, 1]
    assert [period for _, period in said[18:]] == [0, 0, 0, 0, 4000, 4000]
    assert marks(tracker, 24) == "..G...G...|.......G...|."
    assert state[crank.INDEXED] == indexes


def test_an_index_edge_counts_for_the_edge_that_comes_next(modules: Any) -> None:
    """At the same tick it is there already; 2^29 ticks (13 s) before it may be one yet to come."""
    crank, _ = modules
    for before, taken in ((-1, 0), (0, 1), (1, 1), (2**29 - 1, 1), (2**29, 0)):
        rings = SimpleNamespace(size=SIZE, written=array("I", [1, 0, 0, 1]),
                                buffers=[array("I", [0] * SIZE) for _ in range(4)])  # fmt: skip
        tracker = crank.Crank(rings, 0)
        tracker.set_wheel(4, 0, 1, 3)
        rings.buffers[0][0] = 1_000
        rings.buffers[3][0] = (1_000 - before) & 0xFFFFFFFF
        tracker.follow()
        assert tracker.state[crank.INDEXED] == taken, before


def test_what_a_wheel_is_made_of(modules: Any) -> None:
    """teeth, missing, edges per turn, index, gap over step in 64ths, edges per period, turns."""
    crank, _ = modules
    assert list(wheel(crank, 36, 1).wheel) == [36, 1, 35, 0, 95, 35, 1]
    assert list(wheel(crank, 60, 2, 2).wheel) == [60, 2, 58, 0, 116, 58, 2]
    assert list(wheel(crank, 24, 3).wheel) == [24, 3, 21, 0, 134, 21, 1]
    assert list(wheel(crank, 24, 4).wheel)[4] == 150
    # Any input may be the index, the first one too; none is what it was before.
    tracker = crank.Crank(SimpleNamespace(size=8), 1)
    for index, wanted in ((0, [4, 0, 4, 1, 150, 4, 1]), (-1, [4, 0, 4, 0, 150, 1, 1])):
        tracker.set_wheel(4, 0, 1, index)
        assert list(tracker.wheel) == wanted and tracker._index == (0 if index == 0 else 1)
    assert list(wheel(crank, 8, 0).wheel) == [8, 0, 8, 0, 150, 1, 1]
    assert list(crank.Crank(SimpleNamespace(size=8), 0).wheel) == [1, 0, 1, 0, 150, 1, 1]
