"""Places in the firing order, by hand: which stretches count, which patterns look alike, votes.

Angles are counted from the index edge, which stands 60° before top dead centre: a timing of 10°
is at 50°, and so is the first firing of each cycle's pattern.
"""

import numpy as np
import pytest

from sparkwitness.timing.angle import Reference
from sparkwitness.timing.seating import Seats, evened, levelled, seat
from sparkwitness.timing.setup import Setup

CRANK, CAM = Reference(36, 1, 1, 60.0), Reference(36, 1, 2, 60.0)
FOUR = (0.0, 180.0, 360.0, 540.0)


def setup(reference: Reference = CRANK, **more) -> Setup:
    return Setup(reference, **{"cylinders": 4, "clamp": "coil", **more})


def sparks(n: int, firing=FOUR, at: float = 50.0, first: int = 0) -> np.ndarray:
    """n angles of the pattern, from its firing `first` on."""
    k = first + np.arange(n)
    return 720.0 * (k // len(firing)) + np.array(firing)[k % len(firing)] + at


def seated(x, segment=None, reference=CRANK, index=None, tick=None, **more) -> Seats:
    zero = np.zeros(len(x), np.int64)
    made = setup(reference, **more)
    return seat(x, zero if segment is None else segment, made, 10.0, index, tick, 1e-6)


def test_the_pattern_begins_where_the_typed_timing_says():
    """Each spark off by its own, and all by 3°: the pattern stays at 50° of each cycle."""
    off = np.resize([0.3, -0.1, 0.5], 12)
    for firing, count in ((FOUR, 4), ((0.0, 315.0), 2), ((0.0, 100.0, 405.0), 3)):
        for at in (47.0, 53.0):
            for first in (0, 1):
                x = sparks(12, firing, at, first) + off
                found = seated(x, reference=CAM, cylinders=count, firing=firing)
                k = first + np.arange(12)
                assert found.sure and found.place.tolist() == (k % count).tolist()
                assert found.base == pytest.approx(720.0 * (k // count) + 50)
    some = found.pick(k < 4)
    assert (some.place.tolist(), len(some.base), some.turned) == ([1, 2, 0], 3, (0,))


def test_a_two_stroke_has_its_cycle_in_one_turn():
    x = np.array([50.0, 175.0, 290.0] * 3) + np.repeat([0.0, 360.0, 720.0], 3)
    found = seated(x, cylinders=3, strokes=2, firing=(0.0, 125.0, 240.0))
    assert found.sure and found.place.tolist() == [0, 1, 2] * 3
    assert found.base == pytest.approx(np.repeat([50.0, 410.0, 770.0], 3))


@pytest.mark.parametrize(("count", "known"), [(5, False), (6, True)])
def test_six_events_make_a_stretch(count: int, known: bool):
    """Behind one of twelve; by themselves they leave nothing that could be turned."""
    x = np.append(sparks(12), sparks(count, first=1))
    segment = np.repeat([-1, 3], [12, count])
    found = seated(x, segment, CAM)
    assert found.place[:12].tolist() == [0, 1, 2, 3] * 3
    assert found.place[12:].tolist() == ([1, 2, 3, 0, 1, 2] if known else [-1] * 5)
    assert np.isfinite(found.base).tolist() == [True] * 12 + [known] * count
    alone = seated(x[12:], segment[12:] - 1)
    assert (alone.turned, bool((alone.place >= 0).any())) == ((0, 2) if known else (0,), known)


def test_the_longest_stretch_says_how_all_are_turned():
    """On the crank an even four looks alike after a turn: two stretches do not tell each other."""
    x = np.append(sparks(8), sparks(12, first=1))
    segment = np.repeat([0, 1], [8, 12])
    found = seated(x, segment)
    assert found.turned == (0, 2) and found.place.tolist() == [-1] * 8 + [1, 2, 3, 0] * 3
    tick = 10_000 * np.arange(20)
    # Cylinder 1 heard in the short one alone; then in the long one alone, at the pattern's third.
    found = seated(x, segment, index=tick[[0, 4]], tick=tick, order=(1, 3, 4, 2))
    assert found.turned == (0, 2)
    assert found.place.tolist() == [0, 1, 2, 3] * 2 + [1, 2, 3, 0] * 3
    found = seated(x, segment, index=tick[[9, 13]], tick=tick, order=(1, 3, 4, 2))
    assert found.turned == (0,) and found.place.tolist() == [-1] * 8 + [3, 0, 1, 2] * 3
    assert found.base[8:12] == pytest.approx([-310.0, 410.0, 410.0, 410.0])


@pytest.mark.parametrize(("uneven", "turned"), [(1.9, (0, 1)), (2.0, (0,))])
def test_patterns_that_fit_within_two_degrees_are_alike(uneven: float, turned):
    """Turned by one, each spark of the twin lies so far from the next firing, to either side."""
    firing = (0.0, 360.0 - uneven)
    found = seated(sparks(20, firing), cylinders=2, firing=firing)
    assert found.turned == turned
    assert found.place.tolist() == [0, 1] * 10


def test_a_wheel_that_looks_alike_thrice_a_turn():
    """Three even teeth, twelve cylinders of a two-stroke, 30° apart: turned by 0, 4 and 8."""
    x = 30.0 * np.arange(60) + 50
    found = seated(x, reference=Reference(3, 0, 1, 60.0), cylinders=12, strokes=2)
    assert found.turned == (0, 4, 8) and found.place.tolist() == [*range(12)] * 5


@pytest.mark.parametrize("n", [399, 400, 401, 900, 4000])
def test_of_many_events_some_tell_the_pattern(n: int):
    """A twin at 0° and 315°, seen 1° late; all of them get their place."""
    found = seated(sparks(n, (0.0, 315.0), 51.0, 1), cylinders=2, firing=(0.0, 315.0))
    assert found.sure and found.place.tolist() == np.resize([1, 0], n).tolist()


def test_each_of_few_events_counts_alike():
    """Twin 2.5° uneven, the last of six 2.4° late. As it is: off by 2.4 / 6 in the mean. Turned:
    the median moves to 1.2, four are 1.3 and two 3.7 from it. The difference, 2.5 - 2.4 / 3, is
    below two degrees; without the last one it is 2.5."""
    firing = (0.0, 357.5)
    x = sparks(6, firing)
    assert seated(x, cylinders=2, firing=firing).turned == (0,)
    x[-1] += 2.4
    assert seated(x, cylinders=2, firing=firing).turned == (0, 1)


@pytest.mark.parametrize(("at", "begins"), [(56.9, 50.0), (57.0, 62.0), (44.9, 50.0)])
def test_of_even_teeth_the_nearest_to_the_typed_timing(at: float, begins: float):
    """30 teeth: the pattern may begin each 12°. As far to either side within 2°: the typed one."""
    x = sparks(20, at=at)
    found = seated(x, reference=Reference(30, 0, 1, 60.0))
    assert found.turned == (0, 1, 2, 3)
    assert found.base[:4] == pytest.approx([begins] * 4)


def test_a_wheel_of_169_even_teeth_has_338_places_in_a_cycle():
    """A tooth before the typed timing is the last of them: 720 by 360 / 169 is a little less."""
    step = 360 / 169
    x = sparks(20, (0.0,), 50 - step)
    found = seated(x, reference=Reference(169, 0, 1, 60.0), cylinders=1)
    assert found.base == pytest.approx(x)


def test_a_quarter_of_strays_does_not_move_the_pattern():
    """Fifteen of twenty 1° late, five strays 41°: the middle one is at 1°, the mean at 11."""
    x = sparks(20, at=51.0)
    x[[3, 8, 11, 14, 17]] += 40.0
    found = seated(x, reference=Reference(60, 0, 1, 60.0))
    assert found.base[:3] == pytest.approx([50.0] * 3)


@pytest.mark.parametrize("first", [0, 3])
def test_each_spark_of_the_index_clamp_has_one_vote(first: int):
    """Three of five at one place are no more than 0.6; so where the first of them was heard just
    before the first event of all, or the last just after the last one."""
    x, tick = sparks(13, first=first), 10_000 * np.arange(13)
    index = tick[[0, 4, 8, 2, 6]] - 5 if first == 0 else tick[[2, 6, 4, 8, 12]] + 5
    found = seated(x, index=np.sort(index), tick=tick)
    assert found.turned == (0, 2)


@pytest.mark.parametrize(("votes", "sure"), [(6, False), (7, True)])
def test_more_than_six_of_ten_say_which_is_cylinder_1(votes: int, sure: bool):
    """Ten sparks on its lead, so many at one place, the others at the next in the order."""
    x, tick = sparks(80), 10_000 * np.arange(80)
    index = tick[np.append(2 + 4 * np.arange(votes), 43 + 4 * np.arange(10 - votes))]
    found = seated(x, index=index, tick=tick)
    assert found.sure is sure
    assert found.place[:4].tolist() == ([2, 3, 0, 1] if sure else [0, 1, 2, 3])


@pytest.mark.parametrize(
    ("event", "off", "order", "place"),
    [(11, 5, (1, 3, 4, 2), 0), (11, -5, (), 0), (0, -5, (3, 1, 4, 2), 1), (0, 5, (4, 2, 3, 1), 3),
     (9, -998, (1, 3, 4, 2), 0), (9, 998, (3, 2, 1, 4), 2), (9, 1_000, (1, 3, 4, 2), None),
     (9, -1_000, (1, 3, 4, 2), None), (10, 0, (1, 3, 4, 2), None)],
)  # fmt: skip
def test_one_spark_on_the_lead_of_cylinder_1(event: int, off: int, order, place: int | None):
    """Heard within 1 ms of the first event or the last, before or after it; without an order 1 is
    the first. The crank tells that event 10 is the second or the fourth, so never the first."""
    x, tick = sparks(12, first=1), 10_000 * np.arange(12)
    found = seated(x, index=tick[[event]] + off, tick=tick, order=order)
    if place is None:
        assert found.turned == (0, 2) and found.place[:3].tolist() == [1, 2, 3]
    else:
        assert found.turned == (0,) and found.place[event] == place


def test_angles_as_if_the_engine_fired_evenly():
    """100° for 240°, 405° for 480°; one of no known place."""
    odd = setup(cylinders=3, firing=(0.0, 100.0, 405.0))
    seats = Seats(np.array([0, 1, 2, -1, 0]), (0,), np.zeros(5))
    even = evened(np.array([50.0, 151.0, 457.0, 600.0, 771.0]), seats, odd)
    assert even[[0, 1, 2, 4]] == pytest.approx([50.0, 291.0, 532.0, 771.0])
    assert np.isnan(even[3])


def test_angles_without_what_each_cylinder_has_for_itself():
    """Medians 1°, 2° and 6° past the even place, 3° in the mean: less -2, -1 and 3."""
    three = setup(cylinders=3)
    base = 720.0 * np.array([0, 0, 0, 1, 1, 1, 2, 2]) + 50
    place = np.array([0, 1, 2, 0, 1, 2, 0, -1])
    off = np.array([0.9, 1.5, 6.0, 1.0, 2.5, 6.0, 9.0, 77.0])
    x = base + 240 * np.maximum(place, 0) + off
    level = levelled(x, Seats(place, (0,), base), three)
    assert level - x == pytest.approx([2.0, 1.0, -3.0, 2.0, 1.0, -3.0, 2.0, 0.0])
    # The third has no event: the mean is of the two others; no known place at all: as it was.
    some = np.where(place == 2, -1, place)
    level = levelled(x, Seats(some, (0,), base), three)
    assert level - x == pytest.approx([0.5, -0.5, 0.0, 0.5, -0.5, 0.0, 0.5, 0.0])
    assert levelled(x, Seats(np.full(8, -1), (0,), base), three).tolist() == x.tolist()
