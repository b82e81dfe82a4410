"""Sparks to events by hand: firmware/sparks.py under CPython, each limit from both sides.

Crank edges come every 10 000 ticks, 8 to a turn, 45 degrees apart: a spark p ticks after edge e is
at 45 (e mod 8) + 45 p / 10 000 degrees.
"""

from __future__ import annotations

from array import array
from types import SimpleNamespace

import numpy as np
import pytest

import pio_chip

SIZE, STEP, START = 256, 10_000, 0xFFFF0000
DEAD, PAUSE, NEAR, FARTHEST = 300, 30_001, 100, 7_000


class Rig:
    """Edges of crank and clamp, as a tracker has judged them; `bad`: periods that are not good."""

    def __init__(self, sparks: list[int], edges: int = 100, bad: tuple[int, ...] = (),
                 most: int = 200, near: int = NEAR) -> None:  # fmt: skip
        self.crank, self.sparks = pio_chip.load("crank", "sparks")
        s = self.sparks
        rings = SimpleNamespace(size=SIZE, written=array("I", [0] * 4),
                                buffers=[array("I", [0] * SIZE) for _ in range(4)])  # fmt: skip
        tracker = self.crank.Crank(rings, 0)
        tracker.set_wheel(8, 0)
        tracker.wheel[5] = 8  # periods of eight edges
        self.tracker, self.rings = tracker, rings
        self.events = events = s.Events(rings, 1, tracker)
        events.set_wheel(tracker, 1)
        events.restart()
        events.state[s.RUNNING] = 0
        order = events.order
        assert list(order)[s.STEP : s.HOLE + 1] == [45_000, 360_000, 8, 8, 1]
        order[s.DEAD], order[s.PAUSE], order[s.NEAR] = DEAD, PAUSE, near
        order[s.FARTHEST], order[s.MOST] = FARTHEST, most
        for k in range(edges + 3):
            rings.buffers[0][k & (SIZE - 1)] = START + STEP * k & 0xFFFFFFFF
            tracker.marks[k & 511] = 0 if k % 8 else 1 if k // 8 in bad else 3
        self.decided = edges
        for k, when in enumerate(sparks):
            rings.buffers[1][k & (SIZE - 1)] = START + when & 0xFFFFFFFF
        rings.written[1] = len(sparks)
        events.follow(1234)

    @property
    def decided(self) -> int:
        decided: int = self.tracker.state[self.crank.DECIDED]
        return decided

    @decided.setter
    def decided(self, edges: int) -> None:
        """All edges have been looked at and judged."""
        for word in (self.crank.SEEN, self.crank.DECIDED):
            self.tracker.state[word] = edges

    def state(self, *names: str) -> list[int]:
        return [self.events.state[getattr(self.sparks, name)] for name in names]

    def column(self, which: int, n: int) -> list[int]:
        return [self.events.words[64 * which + k] for k in range(n)]


def at(edge: int, after: int = 2_000) -> int:
    return STEP * edge + after


COUNTED = ("WROTE", "KEPT", "TOGETHER", "UNPLACED", "RINGING", "SKIPPED")


def test_where_a_spark_is_and_when() -> None:
    """2000 of 10 000 ticks are 9 degrees; periods 1, 2 and 4 from the start."""
    rig = Rig([at(9), at(17, 5_000), at(39, 7_500)])
    assert rig.state(*COUNTED) == [3, 3, 0, 0, 0, 0]
    assert rig.column(0, 3) == pytest.approx([55_000, 68_500, 349_750 + 0], abs=3)
    assert [b - a for a, b in zip([1, 2, 4], rig.column(1, 3), strict=True)] == [
        rig.column(1, 1)[0] - 1
    ] * 3
    assert rig.column(2, 3) == [1234] * 3
    assert rig.column(3, 3) == [1, 1, 1] and rig.column(4, 3) == [0, 0, 0]
    assert rig.state("SEEN", "EDGE", "LAST") == [3, 100, START + at(39, 7_500) - 2**32]


def test_a_spark_at_an_edge_is_exactly_at_its_tooth() -> None:
    """45 degrees from tooth to tooth; kept with one degree added."""
    rig = Rig([at(9 * k, 0) for k in range(1, 11)])
    assert rig.state(*COUNTED) == [10, 10, 10, 0, 0, 0]
    assert rig.column(0, 10) == [45_000 * (k % 8) + 1_000 for k in range(1, 11)]


@pytest.mark.parametrize(
    ("gap", "counted", "sparks"),
    [
        (DEAD - 1, [1, 1, 0, 0, 1, 0], [1]),  # ringing
        (DEAD, [1, 2, 0, 0, 0, 0], [2]),  # a second spark
        (PAUSE - 1, [1, 2, 0, 0, 0, 0], [2]),
        (PAUSE, [2, 2, 0, 0, 0, 0], [1, 1]),  # the next event
    ],
)
def test_ringing_bursts_and_events(gap: int, counted: list[int], sparks: list[int]) -> None:
    """The last one closes what came before, whose sparks are then counted whole."""
    rig = Rig([at(20), at(20) + gap, at(60)])
    assert rig.state(*COUNTED) == [counted[0] + 1, counted[1] + 1, *counted[2:]]
    assert rig.column(3, len(sparks)) == sparks


def test_ringing_goes_on_from_the_last_edge() -> None:
    """Edges 299 apart are ringing however many there are; none is a spark of the burst."""
    rig = Rig([at(20) + 299 * k for k in range(10)] + [at(20) + 299 * 9 + 300, at(60)])
    assert rig.state("WROTE", "KEPT", "RINGING") == [2, 3, 9]
    assert rig.column(3, 1) == [2]


@pytest.mark.parametrize(("late", "told"), [(FARTHEST, 0), (FARTHEST + 1, 1)])
def test_a_second_spark_that_comes_late(late: int, told: int) -> None:
    """As of a coil that is heard being switched on: said of the second alone, by its event."""
    rig = Rig([at(10), at(20), at(20) + late, at(20) + 2 * late, at(60)])
    assert rig.column(4, 3) == [0, told, 0] and rig.column(3, 2) == [1, 3]
    assert rig.events.late(3) == told and rig.events.late(1) == 0
    assert rig.events.pairs(3) == 0 and rig.events.sparks(3) == 20  # (1 + 3) / 2, the last is open
    rig = Rig([at(20), at(20) + 1000, at(20) + 1000 + late, at(60)])
    assert rig.column(4, 2) == [0, 0]


def test_sparks_together_with_a_crank_edge() -> None:
    """Less than so many ticks after an edge or before one."""
    for near in (100, 101):
        for by, together in ((near - 1, 2), (near, 0)):
            rig = Rig([at(10, by), at(20, STEP - by)], near=near)
            assert rig.state("KEPT", "TOGETHER") == [2, together], (near, by)


@pytest.mark.parametrize(("missing", "turns"), [(0, 1), (1, 1), (2, 2), (3, 1)])
@pytest.mark.parametrize("tick", [1, 17, 20_011])
def test_a_spark_between_uneven_edges_is_on_the_cubic_through_four(
    missing: int, turns: int, tick: int
) -> None:
    """numpy's polynomial through the two edges on either side; 8 places on the wheel.

    A step is of 101 to 139 ticks, so that one tick more or less is 0.3 degrees.
    """
    crank, sparks = pio_chip.load("crank", "sparks")
    edges = 8 - missing
    rng = np.random.default_rng(10 * missing + tick)
    places = (8 * np.arange(6)[:, None] + np.arange(edges)).ravel()  # steps
    steps = np.diff(places, append=places[-1] + 1) * rng.integers(101, 140, len(places))
    times = tick * (np.cumsum(steps) - steps + 1_001)
    rings = SimpleNamespace(size=SIZE, written=array("I", [0] * 4),
                            buffers=[array("I", [0] * SIZE) for _ in range(4)])  # fmt: skip
    tracker = crank.Crank(rings, 0)
    tracker.set_wheel(8, missing, turns)
    tracker.wheel[5] = edges
    events = sparks.Events(rings, 1, tracker)
    events.set_wheel(tracker, 1)
    assert events.order[sparks.HOLE] == missing + 1
    events.order[sparks.DEAD], events.order[sparks.PAUSE] = 1, 2
    events.order[sparks.MOST] = 200
    for k, when in enumerate(times.tolist()):
        rings.buffers[0][k] = START + when & 0xFFFFFFFF
        tracker.marks[k] = 0 if k % edges else 3
    tracker.state[crank.DECIDED] = len(times) - 2
    when, wanted = [], []
    for k in range(edges, 5 * edges):  # the first event may be the end of a burst
        parts = tick * rng.integers(0, steps[k] // 3), tick * (steps[k] - rng.integers(1, 30))
        for now in (times[k] + parts[0], times[k] + parts[1]):
            four = times[k - 1 : k + 3] - times[k]
            line = np.polynomial.Polynomial.fit(four, places[k - 1 : k + 3], 3)
            when.append(int(now))
            wanted.append(45_000 * turns * line(now - times[k]) % (360_000 * turns))
    for k, now in enumerate(when):
        rings.buffers[1][k] = START + now & 0xFFFFFFFF
    rings.written[1] = len(when)
    events.restart()
    events.state[sparks.RUNNING] = 0
    events.follow(5)
    assert [events.state[w] for w in (sparks.WROTE, sparks.UNPLACED)] == [len(when), 0]
    newest = min(64, len(when))
    for k in range(len(when) - newest, len(when)):
        off = (events.words[k & 63] - 1000 - wanted[k] + 180_000) % (360_000 * turns) - 180_000
        assert abs(off) < 4 * (missing + 1), (k, off)


def test_events_of_a_bad_period_have_no_angle_and_the_count_of_turns_a_break() -> None:
    rig = Rig([at(9), at(17), at(25), at(33)], bad=(2,))
    assert rig.state("WROTE", "KEPT", "UNPLACED") == [3, 4, 1]
    assert rig.column(0, 3) == pytest.approx([55_000] * 3, abs=3)
    first, third, fourth = rig.column(1, 3)
    # Into the bad period and out of it again: the true number of turns is not known.
    assert (third - first, fourth - third) == (2000, 1)


def test_sparks_of_an_event_without_an_angle_are_of_no_other() -> None:
    """Two, the second late, in the bad period: the event before has three, none late."""
    burst = [at(9), at(9) + 1_000, at(9) + 2_000]
    rig = Rig([*burst, at(17), at(17) + FARTHEST + 1, at(25), at(33)], bad=(2,))
    assert rig.state("WROTE", "KEPT", "UNPLACED") == [3, 7, 1]
    assert rig.column(3, 3) == [3, 1, 1] and rig.column(4, 3) == [0, 0, 0]


def test_each_loss_is_counted_by_itself() -> None:
    """Two events without an angle and four edges of ringing; passed over twice."""
    ringing = [at(33) + 200 * k for k in range(1, 5)]
    rig = Rig([at(9), at(17), at(21), at(25), at(33), *ringing], bad=(2,))
    assert rig.state(*COUNTED) == [3, 5, 0, 2, 4, 0]
    for written, decided in ((201, 101), (402, 102)):
        rig.rings.written[1], rig.decided = written + 9, decided
        rig.events.follow(7)
    assert rig.state(*COUNTED, "SEEN") == [3, 5, 0, 2, 4, 2, 411]


def test_after_edges_were_passed_over_nothing_is_placed_before_the_next_period() -> None:
    """Which tooth it is then is not known: the edges between were not looked at."""
    rig = Rig([at(20)], edges=60, most=3)
    events = rig.events
    assert rig.state("WROTE", "GOOD", "RUNNING") == [1, 2, 2]
    for k in range(60, 140):
        rig.rings.buffers[0][k & (SIZE - 1)] = START + STEP * k & 0xFFFFFFFF
        rig.tracker.marks[k & 511] = 0 if k % 8 else 3
    passed = [at(61 + 4 * k) for k in range(4)]
    for k, when in enumerate([*passed, at(102), at(107)], 1):
        rig.rings.buffers[1][k] = START + when & 0xFFFFFFFF
    rig.rings.written[1], rig.decided = 5, 101
    events.follow(7)
    assert rig.state("SEEN", "EDGE", "GOOD", "RUNNING", "SKIPPED") == [5, 101, 0, 1, 1]
    rig.rings.written[1], rig.decided = 7, 130
    events.follow(8)
    assert rig.state("WROTE", "KEPT", "UNPLACED", "SKIPPED") == [2, 3, 1, 1]
    # The third tooth after that of 104, and 9 degrees.
    assert rig.column(0, 2)[1] == pytest.approx(1_000 + 3 * 45_000 + 9_000, abs=3)


def test_more_than_a_clamp_makes_is_passed_over_and_counted() -> None:
    sparks = [at(k) for k in range(4, 54)]
    assert Rig(sparks, most=50).state("SEEN", "SKIPPED", "KEPT") == [50, 0, 50]
    number = Rig([], edges=0).state("NUMBER")[0]
    rig = Rig(sparks, most=49)
    assert rig.state("NUMBER") == [number + 1000]  # how often it turned meanwhile is not known
    assert rig.state("SEEN", "EDGE", "SKIPPED", "KEPT", "RUNNING") == [50, 100, 1, 0, 1]
    # So it is after more crank edges than there are marks of.
    for edges, skipped in ((512, 0), (513, 1)):
        rig = Rig([], edges=edges)
        assert rig.state("EDGE", "SKIPPED") == [edges, skipped]


@pytest.mark.parametrize(("edges", "skipped"), [(512, 0), (513, 1), (900, 1)])
def test_no_spark_is_placed_by_the_marks_of_other_edges(edges: int, skipped: int) -> None:
    """A wheel of 6 - 1 whose edges were all looked at in one turn of the loop; a spark each turn, a
    quarter of the way from the third tooth to the fourth: (2 + 1 / 4) * 60 degrees."""
    crank, sparks = pio_chip.load("crank", "sparks")
    rings = SimpleNamespace(size=2048, written=array("I", [0] * 4),
                            buffers=[array("I", [0] * 2048) for _ in range(4)])  # fmt: skip
    tracker = crank.Crank(rings, 0)
    tracker.set_wheel(6, 1)
    events = sparks.Events(rings, 1, tracker)
    events.set_wheel(tracker, 1)
    events.order[sparks.DEAD], events.order[sparks.PAUSE] = DEAD, PAUSE
    events.order[sparks.MOST] = 1024
    events.restart()
    for k in range(edges):
        when = STEP * (6 * (k // 5) + k % 5) + START & 0xFFFFFFFF
        rings.buffers[0][k] = when
        if k % 5 == 2:
            rings.buffers[1][k // 5] = when + STEP // 4 & 0xFFFFFFFF
    rings.written[0], rings.written[1] = edges, (edges + 2) // 5
    tracker.follow()
    events.follow(5)
    assert tracker.state[crank.GOOD] > edges // 5 - 4
    state = events.state
    assert state[sparks.SKIPPED] == skipped
    newest = min(64, state[sparks.WROTE])
    assert newest == (0 if skipped else 64)
    assert events.words[:newest].tolist() == pytest.approx([136_000] * newest, abs=3)


def test_what_comes_first_after_a_start_may_be_the_end_of_a_burst() -> None:
    """It is no event of its own if it comes within the pause of what was before the start."""
    rig = Rig([at(9), at(9) + 1_000, at(20)])
    events, s = rig.events, rig.sparks
    assert rig.column(3, 1) == [2]
    events.forget()
    assert rig.state(*COUNTED, "RUNNING", "GOOD") == [0] * 6 + [1, 0]
    assert rig.state("SEEN", "EDGE") == [3, 100]
    # 8 edges more, one spark shortly after the last one's, and one of its own.
    number = events.state[s.NUMBER]
    for k in range(100, 140):
        rig.rings.buffers[0][k & (SIZE - 1)] = START + STEP * k & 0xFFFFFFFF
        rig.tracker.marks[k & 511] = 0 if k % 8 else 3
    for k, when in enumerate((at(20) + 1_000, at(113), at(121)), 3):
        rig.rings.buffers[1][k] = START + when & 0xFFFFFFFF
    rig.rings.written[1] = 6
    rig.decided = 136
    events.follow(99)
    assert rig.state("WROTE", "KEPT", "UNPLACED") == [2, 3, 0]
    assert rig.column(1, 2) == [number + 1001, number + 1002] and rig.column(2, 2) == [99, 99]


def test_the_newest_64_events_are_kept() -> None:
    rig = Rig([at(8 * k + 9, 20 * k) for k in range(12)])
    events, s = rig.events, rig.sparks
    events.state[s.WROTE] = 60
    rig.rings.written[1] = 12
    events.state[s.SEEN], events.state[s.EDGE], events.state[s.RUNNING] = 0, 8, 0
    events.state[s.LAST] = START - 2**32 & 0xFFFFFFFF
    events.state[s.GOOD] = 2
    for k in range(64):  # what was there of older ones
        events.words[192 + k], events.words[256 + k] = 7, 1
    events.follow(5)
    assert rig.state("WROTE") == [72]
    slots = [(60 + k) & 63 for k in range(12)]
    assert [events.words[192 + k] for k in slots] == [1] * 12
    assert [events.words[256 + k] for k in slots] == [0] * 12 and sum(rig.column(4, 64)) == 52
    wanted = [46_000 + 90 * k for k in range(12)]
    found = [events.words[(60 + k) & 63] for k in range(12)]
    assert found == pytest.approx(wanted, abs=3)


def test_how_many_are_fresh() -> None:
    """No older than the limit, from the newest back; the clock of milliseconds wraps at 2^30."""
    rig = Rig([at(8 * k + 9) for k in range(5)])
    events = rig.events
    now = 100
    for k, age in enumerate((900, 500, 400, 100, 0)):
        events.words[128 + k] = (now - age) & 0x3FFFFFFF
    for limit, n in ((0, 1), (99, 1), (100, 2), (400, 3), (499, 3), (500, 4), (2_000, 5)):
        assert events.fresh(now, limit) == n
    # The newest one is too old, or there is none yet.
    assert [events.fresh(now + 1, limit) for limit in (0, 1)] == [0, 1]
    assert Rig([]).events.fresh(now, 2_000) == 0


def test_what_is_forgotten_and_what_goes_on() -> None:
    """Edges that nobody looked at are passed by; counts wrap at 30 bits; a break is 1000 turns."""
    rig = Rig([at(20), at(20) + 299, at(28)])
    events, s = rig.events, rig.sparks
    events.state[s.SKIPPED], events.state[s.UNPLACED], events.state[s.TOGETHER] = 3, 4, 5
    events.state[s.NUMBER], last = 0x30000005, events.state[s.LAST]
    rig.rings.written[1], rig.tracker.state[rig.crank.DECIDED] = 0xC0000007, 0x4000006E
    assert rig.state("WROTE", "KEPT", "RINGING", "RUNNING", "GOOD") == [2, 2, 1, 2, 2]
    events.forget()
    gone = [*COUNTED, "GOOD"]
    assert rig.state(*gone) == [0] * 7
    assert rig.state("SEEN", "EDGE", "NUMBER", "RUNNING") == [7, 0x6E, 1005, 1]
    assert rig.state("LAST") == [last]
    for name in gone:
        events.state[getattr(s, name)] = 9
    events.restart()
    assert rig.state(*gone, "SEEN", "EDGE", "LAST") == [0] * 10
    assert rig.state("NUMBER", "RUNNING") == [2005, 1]


@pytest.mark.parametrize(("far", "kept_"), [(18_900, 5), (18_901, 4)])
def test_how_far_from_the_median_is_left_out(far: int, kept_: int) -> None:
    """8.9 times the middle one of the five distances: 0, 500, 1000, 1200 and that."""
    rig = kept([200_000, 9_000, 9_500, 10_000, 11_200, far])
    rig.events.summarize(5, 1, 360_000, 0)
    assert rig.events.kept == kept_


def test_the_median_of_odd_and_of_even() -> None:
    """The middle one, or half-way between the two: the farthest are 2 degrees from it."""
    for angles in (
        [8_000, 9_900, 10_000, 10_100, 12_000], [9_000, 10_900, 10_900, 11_100, 11_100, 13_000],
    ):  # fmt: skip
        rig = kept(angles)
        rig.events.summarize(len(angles), 1, 360_000, 2_000)
        assert rig.events.kept == len(angles)


def test_sparks_of_an_event_and_events_of_two() -> None:
    """Of the last ones but the very last, in tenths, rounded: 7 / 4, 4 / 3, 3 / 2, 1."""
    rig = kept([10_000] * 5)
    for counts, n, sparks, pairs in (
        ((3, 1, 2, 1, 9), (5, 4, 3, 2, 1, 0), [18, 13, 15, 10, 0, 0], [1, 1, 1, 0, 0]),
        ((2, 3, 1, 2, 2), (5, 4, 3, 2, 1), [20, 20, 15, 20, 0], [2, 1, 1, 1, 0]),
    ):  # fmt: skip
        for k, count in enumerate(counts):
            rig.events.words[192 + ((50 + k) & 63)] = count
        assert [rig.events.sparks(k) for k in n] == sparks
        assert [rig.events.pairs(k) for k in n if k] == pairs


def kept(angles: list[int], turns: list[int] | None = None) -> Rig:
    """Events at these angles, 1/1000 degree, one a turn or at these turns."""
    rig = Rig([])
    words, s = rig.events.words, rig.sparks
    for k, angle in enumerate(angles):
        words[(50 + k) & 63] = angle + 1000
        words[64 + ((50 + k) & 63)] = turns[k] if turns else k
    rig.events.state[s.WROTE] = 50 + len(angles)
    return rig


@pytest.mark.parametrize(("scale", "fold"), [(1, 360_000), (4, 360_000), (1, 720_000)])
@pytest.mark.parametrize("middle", [90_000, 20, 359_900])
def test_mean_and_deviation_without_strays(scale: int, fold: int, middle: int) -> None:
    """numpy's, of what is within 6 robust deviations of the median; modulo the fold."""
    rng = np.random.default_rng(middle)
    off = np.rint(rng.normal(0, 700, 40)).astype(int)
    off[[3, 17]] = 9_000, -12_000
    angles = (middle + off) % (720_000 if fold == 720_000 else 360_000)
    rig = kept(angles.tolist())
    rig.events.summarize(40, scale, fold, 2_000 * scale)
    good = np.delete(off, [3, 17])
    assert np.abs(good).max() < 6 * 1.4826 * np.median(np.abs(off)) < 9_000
    assert (rig.events.kept, rig.events.deviation) == (
        38, pytest.approx(scale * good.std(ddof=1), rel=0.01, abs=8))  # fmt: skip
    wanted = scale * (middle + good.mean())
    assert (rig.events.mean - wanted + fold / 2) % fold - fold / 2 == pytest.approx(
        0, abs=2 * scale
    )
    near = np.count_nonzero(np.abs(good - good.mean()) <= good.std(ddof=1) / 2)
    assert rig.events.central == pytest.approx(near, abs=2)


def test_as_many_as_are_kept_are_summed() -> None:
    """64, the most: numpy's, all of them within six robust deviations."""
    off = np.rint(np.random.default_rng(5).uniform(-3_000, 3_000, 64)).astype(int)
    rig = kept((90_000 + off).tolist())
    rig.events.summarize(64, 1, 360_000, 2_000)
    assert np.abs(off - np.median(off)).max() < 5 * np.median(np.abs(off - np.median(off)))
    assert rig.events.kept == 64
    assert rig.events.mean == pytest.approx(90_000 + off.mean(), abs=2)
    assert rig.events.deviation == pytest.approx(off.std(ddof=1), rel=0.01)


def test_small_deviations_and_what_is_near_the_mean_by_hand() -> None:
    """(9 + 1 + 0 + 1 + 9) / 4 = 5, its root 2.2; within half of 2 of the mean, both ends too,
    are three. (1 + 1) / 1 = 2, its root 1.4. Whole thousandths, rounded down."""
    rig = kept([10_003, 9_999, 10_000, 9_997, 10_001])
    rig.events.summarize(5, 1, 360_000, 2_000)
    assert (rig.events.mean, rig.events.deviation, rig.events.central) == (10_000, 2, 3)
    rig = kept([10_001, 9_999])
    rig.events.summarize(2, 1, 360_000, 2_000)
    assert (rig.events.mean, rig.events.deviation, rig.events.central) == (10_000, 1, 0)
    # (16 + 0 + 1 + 9) / 3 = 8.7, its root 2.9.
    rig = kept([10_003, 9_996, 10_000, 10_001])
    rig.events.summarize(4, 1, 360_000, 2_000)
    assert (rig.events.mean, rig.events.deviation) == (10_000, 2)
    # 4 * 36 / 4 = 36, in steps of 2, as a limit of 3000 has them.
    rig = kept([10_006, 9_994, 10_000, 9_994, 10_006])
    rig.events.summarize(5, 1, 360_000, 3_000)
    assert (rig.events.mean, rig.events.deviation) == (10_000, 6)
    # What is just at the limit counts: 2 * 2000 ** 2 / 4, its root 1414.2.
    rig = kept([10_000, 12_000, 10_000, 8_000, 10_000])
    rig.events.summarize(5, 1, 360_000, 2_000)
    assert (rig.events.kept, rig.events.mean, rig.events.deviation) == (5, 10_000, 1_414)
    rig = kept([10_000])
    rig.events.summarize(1, 1, 360_000, 2_000)
    assert (rig.events.kept, rig.events.mean) == (1, 10_000) and rig.events.deviation <= 1


def test_what_is_near_is_kept_however_close_the_others_lie() -> None:
    """The floor: 2 degrees; no more than the newest n events count."""
    rig = kept([300_000, 10_000, 10_010, 10_020, 10_030, 10_000, 12_010, 12_011, 8_010, 8_009])
    rig.events.summarize(9, 1, 360_000, 2_000)
    assert rig.events.kept == 7  # the median is 10 010
    rig = kept([10_000, 10_010, 10_020])
    rig.events.summarize(3, 1, 360_000, 2_000)
    assert (rig.events.kept, rig.events.mean) == (3, 10_010)


@pytest.mark.parametrize(
    ("n", "early", "second"),
    [(20, [14], True), (20, [9], True), (20, [5], True), (20, [0], False),
     (10, [0], True), (11, [0], False), (23, [17], True), (24, [18], False),
     (24, [14, 18], False), (24, [10, 14, 18], True), (9, [], False),
     # Many: more than one in twelve, and three changes, or it is there that they now come.
     (35, [10, 14, 18], True), (36, [10, 14, 18], False), (24, [10, 11, 12], False),
     (24, [0, 10, 11], True), (24, [21, 22, 23], True), (24, [20, 21, 22], False)],
)  # fmt: skip
def test_of_few_events_one_earlier_is_a_second_place(
    n: int, early: list[int], second: bool
) -> None:
    """20 degrees earlier; of 24 and more it takes three. Of few, ten in a row at last and no more
    than one change of place are a timing that has been moved."""
    angles = [200_000] * n
    for k in early:
        angles[k] = 180_000
    rig = kept(angles)
    assert rig.events.second(n, 1, 360_000, 2_000, 2_000) is second


@pytest.mark.parametrize(
    ("n", "early", "by", "second"),
    # Nearer than 2 degrees is no place of its own among few, nearer than half a degree among many.
    [(20, [5, 10, 15], 2_001, True), (20, [5, 10, 15], 2_000, False),
     (36, [8, 16, 24, 32], 501, True), (36, [8, 16, 24, 32], 500, False),
     # A first spark that was missed is 45 degrees before the others at most.
     (20, [9], 45_000, True), (20, [9], 45_001, False)],
)  # fmt: skip
def test_how_much_earlier_a_second_place_is(
    n: int, early: list[int], by: int, second: bool
) -> None:
    angles = [200_000] * n
    for k in early:
        angles[k] -= by
    assert kept(angles).events.second(n, 1, 360_000, 2_000, 500) is second


@pytest.mark.parametrize(("by", "second"), [(22_500, True), (22_501, False)])
def test_a_quarter_of_a_firing_is_the_most_that_a_spark_is_missed_by(by: int, second: bool) -> None:
    """A coil lead of four: angles are counted four times, modulo a firing; a quarter of it."""
    angles = [50_000] * 20
    angles[9] -= by
    assert kept(angles).events.second(20, 4, 360_000, 8_000, 2_000) is second


@pytest.mark.parametrize(
    ("n", "there", "by", "second"),
    # Two at least, one in seven, and three changes; farther away than two degrees.
    [(14, [3, 7], 20_000, True), (15, [3, 7], 20_000, False), (12, [0, 1, 6], 20_000, True),
     (12, [5, 6], 20_000, False), (14, [3, 7], 2_001, True), (14, [3, 7], 2_000, False),
     (14, [3, 13], 20_000, True),
     (28, [3, 7, 11, 15], 20_000, True), (29, [3, 7, 11, 15], 20_000, False),
     # Earlier than a spark is missed by: so many are wanted, too.
     (14, [3, 7], -50_000, True), (15, [3, 7], -50_000, False), (7, [3], -50_000, False)],
)  # fmt: skip
def test_a_second_place_that_no_missed_spark_explains(
    n: int, there: list[int], by: int, second: bool
) -> None:
    """As the meter asks: after the mean, of the same events."""
    angles = [200_000] * n
    for k in there:
        angles[k] += by
    rig = kept(angles)
    rig.events.summarize(n, 1, 360_000, 2_000)
    assert rig.events.second(n, 1, 360_000, 2_000, 500) is second


def test_few_that_are_near_do_not_hide_a_second_place_that_is_far() -> None:
    """Four of 28 a degree early, in one row: no place of their own. Four 20 degrees late, one in
    seven, each by itself: one."""
    angles = [200_000] * 28
    angles[9:13] = [199_000] * 4
    assert kept(angles).events.second(28, 1, 360_000, 2_000, 500) is False
    for k in (3, 7, 16, 20):
        angles[k] = 220_000
    assert kept(angles).events.second(28, 1, 360_000, 2_000, 500) is True


def test_what_is_within_reach_of_the_first_place_is_of_it() -> None:
    """Three at its very end are no place of their own, nor hide one; nor does one just beside it
    when they come at the one again: early, early, that, early, early are four changes."""
    angles = [200_000] * 14
    angles[3], angles[7], angles[9:12] = 220_000, 220_000, [202_000] * 3
    assert kept(angles).events.second(14, 1, 360_000, 2_000, 500) is True
    angles = [200_000] * 28
    angles[10:15] = 180_000, 180_000, 199_000, 180_000, 180_000
    assert kept(angles).events.second(28, 1, 360_000, 2_000, 500) is True
    angles[12] = 200_000 - 5_000  # elsewhere
    assert kept(angles).events.second(28, 1, 360_000, 2_000, 500) is False


def test_spacing_within_a_turn_and_over_many() -> None:
    """Two firings a turn, of one lead; the end of the slots; half a break is none yet."""
    rig = kept([10_000, 190_000, 10_000, 190_000], [0, 0, 1, 1])
    rig.events.summarize(4, 1, 180_000, 2_000)
    assert rig.events.spacing(4, 360_000, 1, 180_000, 2_000) == 180_000
    # The same, the angles counted twice.
    rig.events.summarize(4, 2, 360_000, 4_000)
    assert rig.events.spacing(4, 360_000, 2, 360_000, 4_000) == 180_000
    # None but the last three: one turn from each to the next, but three before.
    rig = kept([10_000] * 4, [0, 3, 4, 5])
    rig.events.summarize(3, 1, 360_000, 2_000)
    assert rig.events.spacing(3, 360_000, 1, 360_000, 2_000) == 360_000
    for last in (63, 64, 65, 66):
        rig = kept([10_000] * (last - 49), [2 * k for k in range(last - 49)])
        rig.events.summarize(3, 1, 360_000, 2_000)
        assert rig.events.spacing(3, 360_000, 1, 360_000, 2_000) == 720_000
    for turns, spacing in ((499, 499 * 360_000), (500, 0)):
        rig = kept([10_000] * 3, [0, turns, 2 * turns])
        rig.events.summarize(3, 1, 360_000, 2_000)
        assert rig.events.spacing(3, 360_000, 1, 360_000, 2_000) == spacing


def test_spacing_is_the_median_of_the_steps() -> None:
    """Every second turn of 360 degrees; one event missed, one a stray; two steps at least."""
    angles = [10_000, 10_100, 9_900, 10_000, 60_000, 10_000]
    rig = kept(angles, [0, 2, 4, 8, 9, 10])
    rig.events.summarize(6, 1, 360_000, 2_000)
    assert rig.events.spacing(6, 360_000, 1, 360_000, 2_000) == 720_100  # of four the third
    assert rig.events.spacing(3, 360_000, 1, 360_000, 2_000) == 0  # one step alone
    rig = kept([10_000, 10_000, 10_000], [0, 2, 4])
    rig.events.summarize(3, 1, 360_000, 2_000)
    assert rig.events.spacing(3, 360_000, 1, 360_000, 2_000) == 720_000
    assert rig.events.spacing(2, 360_000, 1, 360_000, 2_000) == 0
