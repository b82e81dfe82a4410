"""Events at several places of the crank: counts, middles, shares and names, by hand."""

import numpy as np
import pytest

from sparkwitness.timing import groups
from sparkwitness.timing.events import Events

OFF = 0.2 * np.array([1.0, -1.0])


def events(degrees, sparks=1) -> Events:
    degrees = np.asarray(degrees, float)
    zero = np.zeros(len(degrees), np.int64)
    tick = np.rint(degrees * 1000).astype(np.int64)
    return Events(tick, degrees, zero, zero + np.asarray(sparks), tick, degrees, degrees * 0)


def run(at: np.ndarray) -> np.ndarray:
    """An event each 720°, so far from 100°, alternating by 0.2°."""
    n = len(at)
    return 720.0 * np.arange(n) + 100.0 + at + np.resize(OFF, n)


def test_spans_of_angles_that_belong_together():
    """The count begins past the widest gap; three angles, and eight of a hundred, are a place."""
    a, b = np.linspace(350.0, 366.0, 50), np.linspace(100.0, 104.0, 50)
    (low, high), (first, last) = sorted(groups.heaps(np.append(a, b), 360.0))
    assert {(low, high), (first, last)} == {(100.0, 104.0), (350.0, 366.0)} or (
        (low % 360, first % 360) in ((350.0, 100.0), (100.0, 350.0))
    )
    for few, found in ((3, 2), (2, 1)):
        assert len(groups.heaps(np.append(np.full(30, 10.0), np.full(few, 50.0)), 360.0)) == found
    for few, found in ((8, 2), (7, 1)):
        many = np.append(np.full(100 - few, 10.0), np.full(few, 50.0))
        assert len(groups.heaps(many, 360.0)) == found
    assert groups.heaps(np.array([5.0]), 360.0) == []
    # Of more than two thousand about each third is looked at, here; that two places take turns
    # does not hide one of them.
    turn = np.resize(np.linspace(30.0, 31.0, 7), 6001)
    turn[1:3] = 29.0, 33.0
    assert groups.heaps(turn, 360.0) == [(30.0, 31.0)]
    assert groups.heaps(turn[:2000], 360.0) == [(29.0, 33.0)]
    for n in (2001, 3990, 4100, 6100):
        assert sorted(groups.heaps(np.resize([10.0, 50.0], n), 360.0)) == [(10, 10), (50, 50)]


@pytest.mark.parametrize(("apart", "found"), [(0.9, 1), (1.0, 2), (1.1, 2)])
def test_places_are_a_degree_apart(apart: float, found: int):
    two = np.append(np.full(20, 10.0), np.full(20, 10.0 + apart))
    assert len(groups.heaps(two, 360.0)) == found


@pytest.mark.parametrize(("gap", "found"), [(1.40, 1), (1.55, 2)])
def test_a_gap_is_wide_against_the_narrower_beside_it(gap: float, found: int):
    """Evenly over 1°: half lie within 0.25 of the middle; times 1.4826, and four times that."""
    narrow, wide = np.linspace(0.0, 1.0, 41), np.linspace(0.0, 10.0, 41)
    for both in (np.append(narrow, 1 + gap + wide), np.append(wide, 10 + gap + narrow)):
        assert len(groups.heaps(both + 20, 360.0)) == found


def test_two_that_nearly_touch_are_parted_by_the_split():
    """Means 5 deviations apart: evenly over ±0.5 each, 0.296 in a sample of 21; gap below four."""
    even = np.linspace(-0.5, 0.5, 41)
    for apart, found in ((1.55, 2), (1.35, 1)):
        both = np.append(even, apart + even)
        assert len(groups.heaps(both + 50, 360.0)) == found


def test_a_late_place_with_its_counts():
    """Of 100, each tenth is 8° late less 0.2, with three sparks in place of four."""
    late = np.arange(100) % 10 == 3
    made = events(run(np.where(late, 8.0, 0.0)), np.where(late, 3, 4))
    found = groups.places(made, 360.0, 720.0, np.nan)
    main, other = found.places
    assert found.kind == groups.LATE and found.late == pytest.approx(0.1)
    assert (main.degrees % 360, other.degrees % 360) == pytest.approx((100 + 2 / 90, 107.8))
    assert (main.events, other.events, main.sparks, other.sparks) == (90, 10, 4.0, 3.0)
    assert (main.presence, other.presence) == pytest.approx((0.9, 0.1), rel=1e-3)
    assert main.spread == pytest.approx(0.2, rel=0.02) and other.spread < 1e-6
    assert (found.of == late).all()
    # A burst whose end was not seen has no number of sparks.
    some = events(run(np.where(late, 8.0, 0.0)), np.where(late, 0, np.resize([4, 0, 3], 100)))
    one, none = groups.places(some, 360.0, 720.0, np.nan).places
    assert 3.4 < one.sparks < 3.6 and np.isnan(none.sparks)


def test_first_sparks_that_were_missed():
    """The same with sparks 4° apart: 8° late are two spacings, and two sparks less."""
    late = np.arange(100) % 10 == 3
    made = run(np.where(late, 8.0, 0.0))
    found = groups.places(events(made, np.where(late, 2, 4)), 360.0, 720.0, 4.0)
    assert (found.kind, found.late) == (groups.FIRST_MISSED, pytest.approx(0.1))
    for less, spacing in ((3, 4.0), (2, 6.0), (2, 5.3)):
        other = groups.places(events(made, np.where(late, less, 4)), 360.0, 720.0, spacing)
        assert other.kind == groups.LATE, (less, spacing)
    # Mostly missed: the earliest is the main one all the same.
    early = np.arange(100) % 10 < 3
    most = groups.places(
        events(run(np.where(early, 0.0, 8.0)), np.where(early, 4, 2)), 360.0, 720.0, 4.0
    )
    assert most.kind == groups.FIRST_MISSED and most.late == pytest.approx(0.7)
    assert most.places[0].degrees % 360 == pytest.approx(100.0, abs=0.1)
    assert (most.of == np.where(early, 0, 1)).all()


@pytest.mark.parametrize(("share", "kind"), [(24, groups.LATE), (25, groups.SEVERAL)])
def test_late_is_a_quarter_at_most(share: int, kind: str):
    late = np.resize(np.arange(100) * 37 % 100 < share, 100)
    assert groups.places(events(run(8.0 * late)), 360.0, 720.0, np.nan).kind == kind


@pytest.mark.parametrize(
    ("degrees", "kind"),
    [(44.0, groups.LATE), (46.0, groups.SEVERAL), (-44.0, groups.LATE), (-46.0, groups.SEVERAL)],
)
def test_late_is_45_degrees_at_most(degrees: float, kind: str):
    late = np.arange(100) % 10 == 3
    assert groups.places(events(run(degrees * late)), 360.0, 720.0, np.nan).kind == kind


def test_one_place_after_the_other():
    then = np.arange(100) >= 40
    found = groups.places(events(run(8.0 * then)), 360.0, 720.0, np.nan)
    assert found.kind == groups.MOVED and (found.of == np.where(then, 0, 1)).all()
    assert [p.events for p in found.places] == [60, 40]
    back = (np.arange(100) >= 40) & (np.arange(100) < 60)
    assert groups.places(events(run(8.0 * back)), 360.0, 720.0, np.nan).kind == groups.MOVED


@pytest.mark.parametrize(
    ("mine", "beside", "kind"),
    [(100, 65, groups.OTHER_LEAD), (100, 72, groups.SEVERAL), (82, 60, groups.OTHER_LEAD),
     (78, 60, groups.SEVERAL)],
)  # fmt: skip
def test_another_lead_is_heard_now_and_then(mine: int, beside: int, kind: str):
    """Of a hundred firings: its own in more than 80, another's, 90° later, in less than 70."""
    keep = np.arange(100) * 37 % 100
    own, other = run(np.zeros(100)), run(np.full(100, 90.0))
    inner = np.isin(np.arange(100), (0, 99))
    made = np.sort(np.append(own[inner | (keep < mine)], other[(keep * 7 % 100 < beside) & ~inner]))
    found = groups.places(events(made), 360.0, 720.0, np.nan)
    assert found.kind == kind
    count = np.count_nonzero(inner | (keep < mine))
    assert found.places[0].events == count
    assert found.places[0].presence == pytest.approx(count / 100, rel=2e-3)


def test_an_event_belongs_to_the_nearest_place_where_two_nearly_touch():
    """Evenly over ±0.5° at 0 and at 1.55°, one after the other: each place has its own 41."""
    even = np.random.default_rng(1).permutation(np.linspace(-0.5, 0.5, 41))
    at = 720.0 * np.arange(82) + 50.0 + np.append(even, 1.55 + even)
    found = groups.places(events(at), 720.0, 720.0, float("nan"))
    assert found.kind == groups.MOVED
    assert [p.events for p in found.places] == [41, 41]
    assert sorted(p.degrees for p in found.places) == pytest.approx([50.0, 51.55])


def slowly(x: list[float], least: float) -> list[list[float]]:
    """Parts of sorted values, in plain loops: the widest gap first, else the split that leaves the
    least spread on both sides (Otsu), of what lies between the 2nd and the 98th hundredth."""
    n = len(x)

    def middle(values):
        return float(np.median(values))

    def robust(values):
        return 1.4826 * middle([abs(v - middle(values)) for v in values])

    cuts = [k for k in range(1, n) if k >= least and n - k >= least]
    if not cuts:
        return [x]
    k = max(cuts, key=lambda k: x[k] - x[k - 1])
    if x[k] - x[k - 1] > max(1.0, 4 * min(robust(x[:k]), robust(x[k:]))):
        return slowly(x[:k], least) + slowly(x[k:], least)
    low, high = np.quantile(x, 0.02), np.quantile(x, 0.98)
    core = [v for v in x if low <= v <= high]

    def spread(k):
        middles = [(side, sum(side) / len(side)) for side in (core[:k], core[k:])]
        return sum((v - middle) ** 2 for side, middle in middles for v in side)

    k = min(range(1, len(core)), key=spread)
    apart = np.mean(core[k:]) - np.mean(core[:k])
    few = min(k, len(core) - k) < least
    if few or apart < 1.0 or apart < 5 * np.sqrt(spread(k) / len(core)):
        return [x]
    at = sum(v < (core[k - 1] + core[k]) / 2 for v in x)
    return slowly(x[:at], least) + slowly(x[at:], least)


def test_parts_as_plain_loops_find_them():
    """Two heaps that nearly touch, of any share, some of them hardly enough."""
    rng = np.random.default_rng(7)
    counts = []
    for few in (3, 4, 5, 8, 12) * 4:
        heaps = (rng.uniform(-0.5, 0.5, 30), rng.uniform(-0.5, 0.5, few) + rng.uniform(1.2, 2.2))
        x = np.sort(np.concatenate(heaps))
        found = [part.tolist() for part in groups._parted(x, 4)]
        assert found == slowly(x.tolist(), 4)
        counts.append(len(found))
    assert min(counts) == 1 and max(counts) == 2
    # The second part's lowest lies nearer to the first than to its own next.
    x = np.array([-0.6, -0.6, -0.3, 0.1, 0.2, 0.9, 1.8, 1.9, 2.0, 2.2, 3.1])
    assert (
        [len(part) for part in groups._parted(x, 4)]
        == [5, 6]
        == [len(part) for part in slowly(x.tolist(), 4)]
    )


@pytest.mark.parametrize("share", [4, 5, 6, 10, 21])
def test_where_the_split_begins_as_plain_loops_find_it(share: int):
    """Two heaps of 42 by that share, a few outliers beside, moved apart by hundredths."""
    rng = np.random.default_rng(share)
    left = np.append(rng.uniform(-0.5, 0.5, share), -0.9 * (share > 4))
    right = np.append(rng.uniform(-0.5, 0.5, 42 - share), [0.7, 0.95])
    counts = []
    for apart in np.arange(1.1, 2.0, 0.03):
        x = np.sort(np.append(left, right + apart))
        for turned in (x, -x[::-1]):
            found = [part.tolist() for part in groups._parted(turned, 4)]
            assert found == slowly(turned.tolist(), 4)
            counts.append(len(found))
    assert min(counts) < max(counts)


def test_how_far_apart_two_heaps_are_to_the_last_hundredth():
    """Thirty-six spread wide and twenty-four that are not: moved apart by thousandths, until they
    are five of their common deviation apart."""
    wide, narrow = np.linspace(-0.6, 0.6, 36), np.linspace(-0.05, 0.05, 24)
    for turn in (1, -1):
        counts = []
        for apart in np.arange(1.3, 1.4, 0.002):
            x = np.sort(turn * np.append(wide, narrow + apart))
            found = [part.tolist() for part in groups._parted(x, 4)]
            assert found == slowly(x.tolist(), 4), apart
            counts.append(len(found))
        assert (min(counts), max(counts)) == (1, 2)


@pytest.mark.parametrize(("few", "parts"), [(3, 1), (4, 1), (5, 2)])
def test_how_few_make_a_part_by_the_split(few: int, parts: int):
    """Less than a degree apart, so by no gap; the outermost value of each side is left out, and
    four must be left."""
    x = np.concatenate((0.01 * np.arange(few), 1.0 + 0.015 * np.arange(20)))
    for turned in (x, 2.0 - x[::-1]):
        found = groups._parted(turned, 4)
        assert sorted(map(len, found)) == ([few, 20] if parts == 2 else [few + 20])
        assert [part.tolist() for part in found] == slowly(turned.tolist(), 4)


def test_what_is_spread_wide_is_strays_beside_a_place():
    """Sixty at 100°, singles to 102.9°; forty from 105.5 to 165° are none, nor belong to it."""
    rng = np.random.default_rng(1)
    narrow = [97.1, *[100.0] * 60, 101.0, 102.0, 102.9]
    wide = np.linspace(105.5, 165.0, 40)
    at = rng.permutation(np.append(narrow, wide))
    found = groups.places(events(720.0 * np.arange(104) + at), 360.0, 720.0, np.nan)
    assert found.kind == groups.OWN and (found.of == np.where(at < 105, 0, -1)).all()
    assert [(p.events, p.sparks) for p in found.places] == [(64, 1.0)]
    # Where all are wide the one with most is all there is; the other lies across the turn.
    both = np.append(np.linspace(300.0, 340.0, 30), np.linspace(20.0, 60.0, 20))
    assert groups.heaps(both, 360.0) == [(300.0, 340.0)]
    assert groups.heaps(np.append(both, [33.0] * 60), 360.0) != [(300.0, 340.0)]


def test_a_single_event_is_a_stray():
    found = groups.places(events([100.0]), 360.0, 720.0, np.nan)
    assert (found.places, found.kind, found.of.tolist()) == ((), groups.OWN, [-1])


@pytest.mark.parametrize(("last", "kind"), [(90, groups.MOVED), (85, groups.SEVERAL)])
def test_how_often_one_place_takes_the_others_turn(last: int, kind: str):
    """Of 100 events 50 are late: a fifth of those, 10 changes there and back, are no one move."""
    late = np.zeros(100, bool)
    for at in (5, 25, 45, 65, last):  # ten each; the last ten have no change back
        late[at : at + 10] = True
    assert groups.places(events(run(8.0 * late)), 360.0, 720.0, np.nan).kind == kind
    three = np.isin(np.arange(100), (30, 31, 50, 51, 70, 71, 72, 73))  # twice the places' number
    assert groups.places(events(run(8.0 * three)), 360.0, 720.0, np.nan).kind == groups.LATE
    four = np.isin(np.arange(100), (30, 31, 32, 33, 70, 71, 72, 73))
    assert groups.places(events(run(8.0 * four)), 360.0, 720.0, np.nan).kind == groups.LATE
    two = np.isin(np.arange(100), (30, 31, 32, 33, 96, 97, 98, 99))
    assert groups.places(events(run(8.0 * two)), 360.0, 720.0, np.nan).kind == groups.MOVED


APART = 7.8 - 2 / 90  # late ones alternate with the others


@pytest.mark.parametrize(
    ("spacing", "less", "missed"),
    # A spacing of 7.8° / 1.2 at the most; sparks 1 less, give or take 0.45.
    [(APART / 1.19, 10, True), (APART / 1.21, 10, False), (8.0, 14, True), (8.0, 15, False),
     (8.0, 6, True), (8.0, 5, False)],
)  # fmt: skip
def test_how_near_a_missed_spark_is_to_a_spacing(spacing: float, less: int, missed: bool):
    """Of ten late events as many have a spark less, or two."""
    late = np.arange(100) % 10 == 3
    sparks = np.full(100, 4)
    sparks[late] = (
        4 - np.minimum(1, np.maximum(0, less - np.arange(10))) - (np.arange(10) < less - 10)
    )
    assert (4 - sparks[late]).sum() == less
    found = groups.places(events(run(np.where(late, 8.0, 0.0)), sparks), 360.0, 720.0, spacing)
    assert found.kind == (groups.FIRST_MISSED if missed else groups.LATE)


@pytest.mark.parametrize(
    ("late", "less", "spacing", "missed"),
    [(8.0, 1, APART / 0.81, True), (8.0, 1, APART / 0.79, False),
     (8.0, 2, APART / 2.38, True), (8.0, 2, APART / 2.42, False),
     (8.0, 2, APART / 1.62, True), (8.0, 2, APART / 1.58, False)],
)  # fmt: skip
def test_how_near_two_missed_sparks_are_to_spacings(late, less, spacing, missed):
    """A fifth of a spacing of one, two fifths of two."""
    at = np.arange(100) % 10 == 3
    made = events(run(np.where(at, late, 0.0)), np.where(at, 4 - less, 4))
    found = groups.places(made, 360.0, 720.0, spacing)
    assert found.kind == (groups.FIRST_MISSED if missed else groups.LATE)


@pytest.mark.parametrize(
    ("fewer", "missed"), [(11, False), (13, True), (27, True), (29, False), (20, True)]
)
def test_how_many_sparks_less_two_missed_ones_are(fewer: int, missed: bool):
    """Two spacings late: two sparks less in the mean of ten, give or take 0.8."""
    late = np.arange(100) % 10 == 3
    sparks = np.full(100, 5)
    sparks[late] -= fewer // 10 + (np.arange(10) < fewer % 10)
    found = groups.places(events(run(np.where(late, 8.0, 0.0)), sparks), 360.0, 720.0, 3.9)
    assert found.kind == (groups.FIRST_MISSED if missed else groups.LATE)


@pytest.mark.parametrize(("degrees", "missed"), [(170.0, True), (180.0, False), (190.0, False)])
def test_a_first_spark_is_missed_by_less_than_half_a_turn(degrees: float, missed: bool):
    """One spacing late and one spark less, of which side of the turn it may be."""
    late = np.arange(100) % 10 == 3
    at = 720.0 * np.arange(100) + 100 + degrees * late
    found = groups.places(events(at, np.where(late, 3, 4)), 360.0, 720.0, degrees)
    assert found.kind == (groups.FIRST_MISSED if missed else groups.SEVERAL)


def besides(own: int, other: int, degrees: float) -> Events:
    """A hundred firings: four sparks at 100° in so many, three in so many others, later; exact."""
    mine = np.rint(np.linspace(0, 99, own))
    more = np.rint(np.linspace(1, 98, other))
    at = np.append(720 * mine + 100, 720 * more + 100 + degrees)
    order = np.argsort(at)
    return events(at[order], np.repeat([4, 3], [own, other])[order])


@pytest.mark.parametrize(
    ("own", "other", "degrees", "kind"),
    [
        # More than 0.8 of its own, less than 0.7 of another's.
        (80, 60, 90.0, groups.SEVERAL), (81, 60, 90.0, groups.OTHER_LEAD),
        (90, 70, 90.0, groups.SEVERAL), (90, 69, 90.0, groups.OTHER_LEAD),
        # One lead's have no more than 1.1 together, and are no more than 45° late.
        (90, 20, 90.0, groups.OTHER_LEAD), (90, 19, 90.0, groups.SEVERAL),
        (90, 20, 45.0, groups.OTHER_LEAD), (90, 19, 45.0, groups.SEVERAL),
        (90, 19, 44.0, groups.LATE),
    ],
)  # fmt: skip
def test_shares_at_their_limits(own: int, other: int, degrees: float, kind: str):
    found = groups.places(besides(own, other, degrees), 360.0, 720.0, np.nan)
    assert found.kind == kind
    assert [(p.degrees, p.events, p.sparks) for p in found.places] == [
        (100.0, own, 4.0), (100.0 + degrees, other, 3.0),
    ]  # fmt: skip
    assert [p.presence for p in found.places] == pytest.approx([own / 100, other / 100])


@pytest.mark.parametrize(
    ("other", "kind"), [(24, groups.FIRST_MISSED), (25, groups.LATE), (26, groups.LATE)]
)
def test_missed_first_sparks_come_but_once_a_firing(other: int, kind: str):
    """Together less than 1.15 for each firing; else, here, another lead's besides."""
    found = groups.places(besides(90, other, 8.0), 360.0, 720.0, 8.0)
    assert found.kind == (kind if kind == groups.FIRST_MISSED else groups.OTHER_LEAD)
    assert found.late == (other / (90 + other) if kind == groups.FIRST_MISSED else 0.0)


def test_late_ones_to_either_side():
    """30° early and 30° late are both within 45° of the main place, not of each other."""
    k = np.arange(100) % 10
    at = 720.0 * np.arange(100) + 100 + 30.0 * (k == 3) - 30.0 * (k == 7)
    found = groups.places(events(at), 360.0, 720.0, np.nan)
    assert (found.kind, [p.events for p in found.places]) == (groups.LATE, [80, 10, 10])
    assert (found.of[[0, 3, 7]].tolist(), found.late) == ([0, 2, 1], pytest.approx(0.2))


def test_how_many_places_at_most_and_how_few_angles():
    """Eight of nine; of two angles none; as few below the others as above."""
    nine = np.repeat(40.0 * np.arange(9), 12)
    assert groups.heaps(nine, 720.0) == [(40.0 * k, 40.0 * k) for k in range(8)]
    for few, found in ((2, 1), (3, 2)):
        assert len(groups.heaps(np.append(np.full(20, 10.0), np.full(few, 50.0)), 360.0)) == found
    for few, found in ((7, 1), (8, 2)):
        low = np.append(np.full(few, 10.0), np.full(100 - few, 50.0))
        assert len(groups.heaps(low, 360.0)) == found


@pytest.mark.parametrize(("few", "found"), [(7, 1), (8, 2)])
def test_eight_of_a_hundred_that_are_not_alike_are_a_place(few: int, found: int):
    """A hundredth of a degree apart each. The split takes the two outermost for strays: then it is
    the gap of 40° that tells, on either side of the others."""
    rest = 50 + 0.001 * np.arange(100 - few)
    for first in (10.0, 90.0):
        spans = groups.heaps(np.append(first + 0.01 * np.arange(few), rest), 360.0)
        assert len(spans) == found


@pytest.mark.parametrize(("step", "found"), [(0.5, 2), (0.55, 1)])
def test_a_place_is_less_than_six_degrees_wide(step: float, found: int):
    """Forty in even steps have a deviation of step times root of 1599 / 12: 5.77°, or 6.35."""
    both = np.append(np.full(60, 100.0), 120 + step * np.arange(40))
    assert len(groups.heaps(both, 360.0)) == found


@pytest.mark.parametrize(
    ("half", "off", "place"),
    [(0.0, 1.0, 0), (0.0, 1.125, -1), (0.0, -1.0, 0), (0.0, -1.125, -1), (1.5, 1.5, 0),
     (1.5, 1.625, -1), (4.0, 2.0, 0), (4.0, -2.0, 0), (4.0, 2.125, -1)],
)  # fmt: skip
def test_how_far_off_a_span_an_angle_still_belongs_to_it(half: float, off: float, place: int):
    """As far as half its width, from 1° to 2. The second of 4000 is not among the 2000 looked at,
    the first and the last are: the span is from the one to the other."""
    spread = np.random.default_rng(1).permutation(np.linspace(-0.99, 0.99, 4000))
    spread[[0, -1]] = -1.0, 1.0
    at = 720.0 * np.arange(4000) + 100 + half * spread
    assert groups.heaps(at, 720.0) == [(100.0 - half, 100.0 + half)]
    at[1] = 720.0 + 100 + np.copysign(half, off) + off
    found = groups.places(events(at), 720.0, 720.0, np.nan)
    assert found.of.tolist() == [0, place, *[0] * 3998]
