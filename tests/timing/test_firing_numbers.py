"""Which flank of a tap fires, what bounces, and the dwell's course: by hand, a µs a tick."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from sparkwitness.timing import dwell, firings
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.firings import Choice, Firings
from sparkwitness.timing.placing import Marked, Placed
from sparkwitness.timing.setup import Setup

US = 1e-6
N = 51  # fires; between the first and the last of them 50 sparks
AT = 20_000 * np.arange(N) + 100_000


def tap(*flanks: tuple[int, np.ndarray | list[int]]) -> Marked:
    """Edges by the level after them."""
    tick = np.concatenate([np.asarray(at, np.int64) for _, at in flanks])
    level = np.repeat([lv for lv, _ in flanks], [len(at) for _, at in flanks]).astype(np.int8)
    order = np.argsort(tick)
    tick, level = tick[order], level[order]
    none = np.zeros(len(tick), np.int64)
    return Marked(Placed(tick, 6e-3 * tick, none, none + 1.0), none.astype(bool), level)


def turns(by: int, n: int = N) -> np.ndarray:
    return np.resize([by, -by], n)


# Which flank fires


@pytest.mark.parametrize(("wide", "told"), [(29, (None, "both")), (31, (1, ""))])
def test_of_two_flanks_the_one_three_times_sharper(wide: int, told: tuple[int | None, str]):
    """Rising 100 ± 10 µs before the spark, falling 600 ± so much before it."""
    sparks = AT + 100 + turns(10)
    both = tap((1, AT), (0, sparks - 600 - turns(wide)))
    found = firings.choose(both, sparks, US, "auto")
    assert (found.level, found.why) == told
    late = dict(found.delay_s)
    assert late["rising"] == pytest.approx(100e-6, abs=11e-6)
    assert late["falling"] == pytest.approx(600e-6, abs=wide * US)
    assert firings.choose(both, sparks, US, "falling").level == 0
    # What does not scatter at all is no sharper than a tick.
    sparks = AT + 100
    for by, level in ((2, None), (3, 1)):
        assert firings.choose(
            tap((1, AT), (0, AT - 500 + turns(by))), sparks, US, "auto"
        ).level == (level)


@pytest.mark.parametrize(
    ("late", "typed", "told"),
    [
        # Untyped within 1 ms, typed within 6 ms, or 45 % of the way to the next.
        (1_000, "auto", 1), (1_001, "auto", None), (6_000, "rising", 1), (6_001, "rising", None),
        (-10, "auto", 1), (-11, "auto", None),
    ],
)  # fmt: skip
def test_how_soon_a_spark_follows(late: int, typed: str, told: int | None):
    edges = tap((1, AT), (0, AT - 8_000))
    found = firings.choose(edges, AT + late, US, typed)
    assert (found.level, found.why) == ((1, "") if told else (None, "none"))
    assert found.delay_s == ((("rising", pytest.approx(late * US)),) if told else ())


def test_six_of_ten_follow():
    """Sparks of another lead half-way; and of a tap on one coil of two every other spark."""
    for follow, told in ((30, 1), (29, None)):
        sparks = AT + np.where(np.arange(N) <= follow, 100, 10_000)
        sparks[0] = AT[0] - 5_000  # outside
        found = firings.choose(tap((1, AT), (0, AT - 8_000)), sparks, US, "rising")
        assert found.level == told
    half = AT[::2]
    assert firings.choose(tap((1, half), (0, half - 8_000)), AT + 100, US, "auto").level == 1


@pytest.mark.parametrize(
    ("n", "why"), [(11, ""), (10, "none"), (9, "few")]
)  # of ten the last has no spark before the end
def test_how_few_tell_a_flank(n: int, why: str):
    edges = tap((1, AT[:n]), (0, AT[:n] - 8_000))
    assert firings.choose(edges, AT[:n] + 100, US, "auto").why == why


def test_the_first_and_the_last_flank_are_the_ends():
    """A spark just at them counts: ten of eleven with the one at the first, or at the last."""
    edges, sparks = tap((1, AT[:11]), (0, AT[:11] - 8_000)), AT[:11].copy()
    assert firings.choose(edges, sparks[:10], US, "auto").why == ""
    assert firings.choose(edges, sparks[1:], US, "auto").why == ""
    assert firings.choose(edges, sparks[1:10], US, "auto").why == "none"


@pytest.mark.parametrize(("late", "told"), [(200, (1, "")), (201, (None, "one"))])
def test_one_stamped_flank(late: int, told: tuple[int | None, str]):
    """No coil charges within 0.2 ms: what is later may be the flank that begins the on-time."""
    found = firings.choose(tap((1, AT)), AT + late, US, "auto")
    assert (found.level, found.why) == told and len(found.delay_s) == 1
    assert firings.choose(tap((1, AT)), AT + late, US, "rising") == Choice(1, "", found.delay_s)
    apart = firings.choose(tap((1, AT)), AT + 9_000, US, "auto")
    assert (apart.level, apart.why, apart.delay_s) == (None, "one", ())
    assert firings.choose(tap((1, AT)), AT + 100, US, "falling").why == "none"


# What bounces: fires every 20 ms after 8 ms closed, 12 ms open


def bounced(
    width: int, gap: int, sparks=None, n: int = 30, on: int = 8_000, apart: int = 20_000
) -> Firings:
    """The sixth closing opens once more after `width`, for `gap`."""
    at, k = 100_000 + apart * np.arange(n), 5
    first = int(at[k]) - on
    edges = tap((0, np.append(at - on, first + width + gap)), (1, np.append(at, first + width)))
    return firings.firings(edges, 1, at + 30 if sparks is None else sparks, US)


@pytest.mark.parametrize(
    ("width", "gap", "bounce"),
    [(499, 600, True), (500, 600, False), (600, 499, True), (600, 500, False), (90, 70, True)],
)
def test_what_is_shorter_than_half_a_millisecond_bounces(width: int, gap: int, bounce: bool):
    found = bounced(width, gap)
    first = int(AT[5]) - 8_000
    if bounce:
        assert found.tick.tolist() == AT[:30].tolist()
        assert found.bounces.tolist() == [int(k == 5) for k in range(30)]
        assert found.bounced.tolist() == [(width + gap) * (k == 5) for k in range(30)]
        assert found.on_tick.tolist() == (AT[:30] - 8_000).tolist()
        assert found.on_degrees == pytest.approx(6e-3 * (AT[:30] - 8_000))
    else:
        assert len(found) == 31 and found.tick[5] == first + width
        assert not found.bounces.any() and found.on_tick[6] == first + width + gap


def test_a_quarter_of_what_the_firings_have_is_no_bounce():
    """Closed for 1.6 ms: less than 0.4 ms bounces; of few, or where a spark follows, nothing."""
    assert len(bounced(399, 700, on=1_600)) == 30 and len(bounced(401, 700, on=1_600)) == 31
    # Open for 1.2 ms: less than 0.3 ms is.
    for gap, fires in ((299, 30), (301, 31)):
        assert len(bounced(600, gap, apart=9_200)) == fires
    assert len(bounced(90, 70, n=8)) == 9 and len(bounced(90, 70, n=9)) == 9  # of ten flanks on
    # A spark up to 10 µs before the flank, or 1 ms after it, is its own.
    flank = int(AT[5]) - 8_000 + 90
    for by, own in ((-10, True), (-11, False), (1_000, True), (1_001, False)):
        sparks = np.sort(np.append(AT[:30] + 30, flank + by))
        assert len(bounced(90, 2_000, sparks)) == 30 + own
    assert len(bounced(90, 70, np.empty(0, np.int64))) == 31  # no spark tells the firings


def test_opening_bounces_too():
    """Closed again 50 µs after it opened, for 70: the next on-time begins where it did."""
    at = AT[:30]
    edges = tap((0, np.append(at - 8_000, at[5] + 50)), (1, np.append(at, at[5] + 120)))
    found = firings.firings(edges, 1, at + 30, US)
    assert found.tick.tolist() == at.tolist()
    assert found.on_tick.tolist() == (at - 8_000).tolist()
    assert found.bounces.tolist() == [int(k == 6) for k in range(30)] and not found.bounced.any()


def test_where_an_on_time_is_not_known():
    """No flank before the first, one that is missing, edges that were lost."""
    edges = tap((0, np.delete(AT, 7) - 8_000), (1, AT))
    edges = edges.pick(np.arange(len(edges.level)) > 0)
    edges.lost[np.flatnonzero(edges.level == 1)[10]] = True
    found = firings.firings(edges, 1, AT + 30, US)
    unknown = [0, 7, 10]
    assert np.flatnonzero(found.on_tick < 0).tolist() == unknown
    assert np.flatnonzero(np.isnan(found.on_degrees)).tolist() == unknown
    assert np.flatnonzero(~found.known).tolist() == [0, unknown[2]]
    assert found.step() == pytest.approx(120.0)  # 20 ms at 6° a ms
    assert np.isnan(found.pick(np.arange(N) < 1).step())
    apart = replace(found, segment=np.arange(N) // 2, degrees=found.degrees * (np.arange(N) > 1))
    assert apart.step() == pytest.approx(120.0)


# The course of the dwell


SETUP = Setup(Reference(36, 1), cylinders=4)


def runs(*parts: tuple[float, float, int]) -> Firings:
    """(rev/min, on-time in ms, firings), one after the other; two firings a turn."""
    rpm = np.repeat([p[0] for p in parts], [p[2] for p in parts])
    on = np.repeat([p[1] for p in parts], [p[2] for p in parts]) * 1e-3
    at = np.cumsum(30 / rpm)
    none = np.zeros(len(rpm), np.int64)
    degrees = np.cumsum(np.full(len(rpm), 180.0))
    tick = np.rint(1e6 * at).astype(np.int64)
    return Firings(
        1, tick, degrees, none, degrees * 0, tick - np.rint(1e6 * on).astype(np.int64),
        degrees - 6 * rpm * on, none, none, np.ones(len(rpm), np.bool_),
    )  # fmt: skip


def test_where_a_course_begins():
    """A third and a bit faster; twenty firings of a speed; bins 0.15 wide in the logarithm."""
    assert dwell.course(runs((1000, 3, 100), (1340, 3, 100)), US, [], [], 2.0) == ()
    found = dwell.course(runs((1000, 3, 100), (1360, 2.5, 100)), US, [], [], 2.0)
    assert (found[0].rpm, found[-1].rpm) == pytest.approx((1000, 1360), rel=0.01)
    # The speed is that of 17 around, so that of a run all but sixteen are like its middle.
    for n, rows in ((19, 0), (20, 1)):
        some = runs((1000, 3, 100), (4000, 3, n + 16), (16_000, 2, 100))
        counted = [c for c in dwell.course(some, US, [], [], 2.0) if 3900 < c.rpm < 4100]
        assert len(counted) == rows
    for apart, rows in ((0.14, 2), (0.16, 3)):
        speeds = runs((1000, 3, 200), (1000 * np.exp(apart), 3, 200), (1700, 2, 200))
        assert len(dwell.course(speeds, US, [], [], 2.0)) == rows
    # Some of 1500 that are faster or slower, less than two in a hundred, are no course.
    for few in (((1000, 3, 1500), (2000, 3, 4)), ((500, 3, 6), (1000, 3, 1500))):
        assert dwell.course(runs(*few), US, [], [], 2.0) == ()
    many = runs(*((300 * np.exp(0.151 * k), 1.0, 80) for k in range(28)))
    # However many there are, each has its row, the fastest too.
    steps = [round(np.log(c.rpm / 300) / 0.151) for c in dwell.course(many, US, [], [], 2.0)]
    assert sorted(set(steps)) == list(range(28))


def test_dwell_of_a_steady_stretch_by_hand():
    """2 µs a tick, 12° a ms; on for 3 ± 0.1 ms in turn, of the first one it is not known.

    Five are 6 ms from the one before, so that half of that is on-time; the
    nine before which edges were lost and the nine across a break are 50 ms after theirs.
    """
    n, few = 24, stats.t.ppf(stats.norm.cdf(2), 22) / 2
    gap = np.resize([25_000, 25_000, 25_000, 25_000, 3_000], n - 1)
    gap[0] = 3_000
    good = np.flatnonzero(gap == 3_000)
    assert len(good) == 5
    others = np.flatnonzero(gap > 3_000)
    known = ~np.isin(np.arange(n), others[::2] + 1)
    segment = np.cumsum(np.isin(np.arange(n), others[1::2] + 1))
    tick = 1_000_000 + np.concatenate(([0], np.cumsum(gap)))
    ms = np.concatenate(([3.0], np.resize([3.1, 2.9], n - 1)))
    degrees = np.cumsum(np.full(n, 180.0))
    on = degrees - 12 * ms
    on[0] = np.nan
    bounces = np.resize([0, 0, 0, 2], n)
    fires = Firings(
        1, tick, degrees, segment, degrees * 0, tick - np.rint(500 * ms).astype(np.int64), on,
        bounces, np.where(bounces > 0, np.resize([80, 80, 80, 80, 80, 80, 80, 200], n), 0), known,
    )  # fmt: skip
    found = dwell.of(fires, SETUP, 2e-6, 0.5)
    # 12 of 3.1 and 11 of 2.9 ms.
    mean, s = 3 + 0.1 / 23, 0.1 * np.sqrt((23 - 1 / 23) / 22)
    assert (float(found.ms), found.scatter_ms) == pytest.approx((mean, s))
    assert (float(found.crank_deg), found.scatter_deg) == pytest.approx((12 * mean, 12 * s))
    assert float(found.cam_deg) == pytest.approx(6 * mean)
    u_b = np.hypot(0.5e-3, 2e-3 / np.sqrt(6))  # ms
    u = few * s / np.sqrt(23)
    assert found.ms.u95 == pytest.approx(2 * np.hypot(u, u_b), rel=1e-4)
    assert found.crank_deg.u95 == pytest.approx(24 * np.hypot(u, u_b), rel=1e-4)
    assert found.cam_deg.u95 == found.crank_deg.u95 / 2
    assert (found.share, found.pause_ms) == pytest.approx((mean / 6, 6 - mean))
    assert (found.firings, found.charged, found.bounced) == (23, None, 0.25)
    assert found.bounce_us == pytest.approx(280.0)  # three of 160 µs, three of 400
    plain = found.to_dict()
    assert plain == {
        "ms": found.ms, "expanded_ms": found.ms.u95, "scatter_ms": found.scatter_ms,
        "crank_deg": found.crank_deg, "crank_expanded_deg": found.crank_deg.u95,
        "cam_deg": found.cam_deg, "cam_expanded_deg": found.cam_deg.u95,
        "scatter_crank_deg": found.scatter_deg, "share_of_interval": found.share,
        "pause_ms": found.pause_ms, "firings": 23, "charged_share": None, "bounced_share": 0.25,
        "bounce_us": found.bounce_us, "course": [],
    }  # fmt: skip
    # A two-stroke's distributor turns with the crank; three time constants of the coil are 95 %.
    typed = replace(SETUP, strokes=2, cylinders=2, coil_ms=mean / 3)
    other = dwell.of(fires, typed, 2e-6, 0.5)
    assert (other.cam_deg, other.cam_deg.u95) == (found.crank_deg, found.crank_deg.u95)
    assert other.charged == other.to_dict()["charged_share"] == pytest.approx(1 - np.exp(-3))
    # Without scatter it is the flanks' delays, the tick, and 50 parts in a million of the crystal.
    even = replace(fires, on_tick=tick - 15_000, on_degrees=degrees - 360, bounces=bounces * 0)
    still = dwell.of(even, SETUP, 2e-6, 0.5)
    assert float(still.ms) == pytest.approx(30.0) and still.bounced == still.bounce_us == 0.0
    assert still.ms.u95 == pytest.approx(2 * np.hypot(u_b, 1.5e-3))
    assert still.crank_deg.u95 == pytest.approx(24 * u_b)
    # Ten tell a dwell, nine do not, whichever flank's angle is not known.
    at = np.arange(n)
    for name in ("on_degrees", "degrees"):
        for left, told in ((10, True), (9, False)):
            known_of = np.where(at < left, getattr(even, name), np.nan)
            assert (
                dwell.of(replace(even, **{name: known_of}), SETUP, 2e-6, 0.5) is not None
            ) is told
    lone = replace(even, segment=at)
    assert np.isnan(dwell.of(lone, SETUP, 2e-6, 0.5).pause_ms)


def test_the_speed_of_those_around():
    values = np.random.default_rng(1).uniform(0, 1, 60)
    found = dwell._smoothed(values)
    for k in (0, 3, 8, 30, 51, 59):
        assert found[k] == pytest.approx(values[max(0, k - 8) : k + 9].mean())


def test_supply_of_the_last_heartbeats():
    """Those of this session: the last ones of all; one alone tells no course."""
    slow = runs((1000, 3, 200))
    end = int(slow.tick[-1])
    beats = [0, int(slow.tick[99]), int(slow.tick[100]), end]
    found = dwell.course(slow, US, beats, [5_000, 6_000, 11_900, 11_900, 13_600, 13_600], 2.0)
    assert [c.volts for c in found] == pytest.approx([11.9, 13.6])
    assert [c.firings for c in found] == [100, 100]
    assert found[0].crank_deg == pytest.approx(18.0) and found[0].ms == pytest.approx(3.0)
    assert found[0].u_ms == pytest.approx(2 * 2e-3, rel=1e-3)
    for volts, rows in (([11_950, 12_950], 0), ([11_950, 12_960], 2)):
        told = dwell.course(slow, US, [0, end], volts, 2.0)
        assert len(told) == rows
    # A volt to the last bit is one.
    ends = [int(slow.tick[0]), end]
    borders = dwell.course(slow, US, ends, [12_000, 13_000], 2.0)
    assert [c.firings for c in borders] == [100, 99]  # 13 V begins the next half
    assert dwell.course(slow, US, [0], [13_600], 2.0) == ()
    two = dwell.course(runs((1000, 3, 100), (2000, 3, 100)), US, [0], [13_600], 2.0)
    assert [c.volts for c in two] == [None] * len(two) and len(two) >= 2
    # A firing whose own angle is not known is left out, and its neighbours stay.
    holed = replace(slow, degrees=np.where(np.arange(200) == 50, np.nan, slow.degrees))
    left = dwell.course(holed, US, beats, [11_900, 11_900, 13_600, 13_600], 2.0)
    assert [c.firings for c in left] == [99, 100] and left[0].rpm == pytest.approx(1000.0)
    nothing = replace(slow, on_degrees=np.full(200, np.nan))
    assert dwell.course(nothing, US, [0, end], [11_900, 13_600], 2.0) == ()


# Borders to the tick


def test_a_window_is_45_hundredths_of_the_way_to_the_next():
    """Untyped 1 ms, typed 6 ms, where that is nearer; of few firings nothing is nearer."""
    for fires, typed, ticks in (
        ([], True, 6000), ([7], True, 6000), ([7], False, 1000), ([0, 1000], True, 450),
        ([0, 1000], False, 450), ([0, 20_000], True, 6000), ([0, 10_000], True, 4500),
        # Bounce makes short steps: of ten, one long one is at nine tenths of them all.
        (np.cumsum([0, 10_000, *[100] * 7, 10_000, 10_000]), True, 4500),
    ):  # fmt: skip
        assert firings.window(np.array(fires, np.int64), US, typed) == ticks
    at = 2_000 * np.arange(N)
    for late, level in ((900, 1), (901, None)):
        assert firings.choose(tap((1, at), (0, at - 980)), at + late, US, "auto").level == level


def test_each_firing_has_the_first_spark_after_it():
    fires, sparks = np.array([0, 100, 300]), np.array([-6, -5, 10, 20, 94, 95, 150, 151, 160])
    spark, fire = firings.delays(fires, sparks, 5, 50)
    assert (spark.tolist(), fire.tolist()) == ([1, 5], [0, 1])
    spark, fire = firings.delays(fires, np.array([51, 150, 151]), 0, 50)
    assert (spark.tolist(), fire.tolist()) == ([1], [1])
    assert [len(some) for some in firings.delays(fires, fires[:0], 5, 50)] == [0, 0]


def test_borders_of_the_choice_to_the_tick():
    # 30 of the 50 sparks inside follow: just six of ten.
    for follow, told in ((30, 1), (29, None)):
        sparks = AT[:50] + np.where(np.arange(50) < follow, 100, 10_000)
        assert firings.choose(tap((1, AT), (0, AT - 8_000)), sparks, US, "rising").level == told
    # Ten flanks and ten sparks are enough, the last spark with the last flank.
    ten = AT[:10]
    assert firings.choose(tap((1, ten), (0, ten - 8_000)), ten, US, "auto").level == 1
    # Ticks of 0.1 ms: 0.2 ms is two of them to the last bit, and not yet too late.
    coarse = 200 * np.arange(N) + 1_000
    for late, why in ((2, ""), (3, "one")):
        assert firings.choose(tap((1, coarse)), coarse + late, 1e-4, "auto").why == why
    # Ticks of 2^-20 s, whose sums are exact: three times sharper is enough.
    for by, level in ((3, 1), (2, None)):
        both = tap((1, AT), (0, AT - 500 + turns(by)))
        assert firings.choose(both, AT + 100, 2**-20, "auto").level == level
    # The sharper one may be the later one.
    sparks = AT + 700 + turns(2)
    both = tap((1, AT), (0, sparks - 300 - turns(50)))
    assert firings.choose(both, sparks, US, "auto").level == 1


def test_levels_as_they_are_stamped():
    assert (firings.RISING, firings.FALLING) == (1, 0)
    assert firings.NAMES == {"rising": 1, "falling": 0}


def test_of_no_flank_there_is_no_firing():
    for edges in (Marked.none(), tap((0, AT))):
        found = firings.firings(edges, 1, AT, US)
        assert len(found) == len(found.known) == len(found.on_tick) == 0
        assert np.isnan(found.step())


def test_the_very_first_flank_is_not_known():
    """Whether an edge was lost before it or not; where no closing is known, -1."""
    for lost in (True, False):
        edges = tap((0, AT[1:] - 8_000), (1, AT))
        edges.lost[0] = lost
        found = firings.firings(edges, 1, AT + 30, US)
        assert np.flatnonzero(~found.known).tolist() == [0]
        assert found.on_tick.tolist() == [-1, *(AT[1:] - 8_000)]
    # Bounce is one with the firing that it belongs to: a loss at either is a loss of that.
    first = int(AT[5]) - 8_000
    for k in range(10, 13):  # its closing, the bounce's two flanks
        edges = tap((0, np.append(AT - 8_000, first + 160)), (1, np.append(AT, first + 90)))
        edges.lost[k] = True
        found = firings.firings(edges, 1, AT + 30, US)
        assert np.flatnonzero(~found.known).tolist() == [0, 5]
        assert found.on_tick[5] == (first if k == 10 else -1)


def last(*bounce: tuple[int, int]) -> Firings:
    """The last on-time opens so many µs after it began, for so many, once more and once more."""
    at = AT[:20]
    opened = np.array([width for width, _ in bounce])
    closed = opened + [gap for _, gap in bounce]
    first = at[-1] - 8_000
    edges = tap(
        (0, np.concatenate((at - 8_000, first + closed))), (1, np.append(at, first + opened))
    )
    return firings.firings(edges, 1, at + 30, US)


def test_what_bounces_at_the_end():
    found = last((90, 70), (200, 30))
    assert found.tick.tolist() == AT[:20].tolist()
    assert found.on_tick.tolist() == (AT[:20] - 8_000).tolist()
    assert (found.bounces[-1], found.bounced[-1]) == (2, 230) and not found.bounces[:-1].any()
    # Closed again at once, for long, with a spark at its end: fired twice, each with its on-time.
    at = AT[:20]
    again = at[-1] + 50
    edges = tap((0, np.append(at - 8_000, again)), (1, np.append(at, again + 8_000)))
    sparks = np.append(at, again + 8_000) + 30
    found = firings.firings(edges, 1, sparks, US)
    assert found.on_tick.tolist() == [*(at - 8_000), again] and not found.bounces.any()
    # The same where another one bounced, 90 µs after it closed, for 70.
    one = at[3] - 8_000
    edges = tap(
        (0, np.append(at - 8_000, [again, one + 160])),
        (1, np.append(at, [again + 8_000, one + 90])),
    )
    found = firings.firings(edges, 1, sparks, US)
    assert found.on_tick.tolist() == [*(at - 8_000), again]
    assert np.flatnonzero(found.bounces).tolist() == [3]
    # Both in the middle of a run.
    at = np.append(AT[:20], AT[20:30] + 50_000)
    edges = tap((0, np.append(at - 8_000, again)), (1, np.append(at, again + 8_000)))
    found = firings.firings(edges, 1, np.append(sparks, at[20:] + 30), US)
    assert found.on_tick[[19, 20, 21]].tolist() == [at[19] - 8_000, again, at[20] - 8_000]


@pytest.mark.parametrize(("off", "begins"), [(500, 0), (499, 160)])
def test_an_on_time_begins_after_half_a_millisecond_open(off: int, begins: int):
    """Closed again so many µs after it opened, for 90; then 70 open; then for long."""
    at = AT[:20].copy()
    first = int(at[9]) + off
    at[10] = first + 9_000
    edges = tap(
        (0, np.concatenate((np.delete(at - 8_000, 10), [first, first + 160]))),
        (1, np.append(at, first + 90)),
    )
    found = firings.firings(edges, 1, at + 30, US)
    assert found.tick.tolist() == at.tolist() and found.bounces[10] == 1
    assert found.on_tick[10] == first + begins


def test_closed_as_long_as_open():
    """10 ms each to the tick, closed at first: what bounces is bounce all the same."""
    for gap, fires in ((499, 30), (500, 31)):
        assert len(bounced(600, gap, on=10_000)) == fires
    # A quarter need be no whole tick: of 1 ms and 2 µs closed, 250.5 µs.
    for width, fires in ((250, 30), (251, 31)):
        assert len(bounced(width, 700, on=1_002)) == fires
        assert len(bounced(300, width, on=600, apart=1_602)) == fires


def test_where_most_on_times_are_unknown_nothing_bounces():
    """Two short pulses after a firing, 0.2 ms apart; edges were lost before two of three flanks."""
    spare = AT[20] + np.array([300, 600])
    made = tap((0, np.append(AT - 3_000, spare - 100)), (1, np.append(AT, spare)))
    sparks = AT + 50
    found = firings.firings(made, firings.RISING, sparks, US)
    assert len(found) == N and found.bounces.sum() == 2
    rises = np.flatnonzero(made.level == 1)
    lost = np.arange(len(rises)) % 3 != 0
    lost[20:24] = False
    made.lost[rises[lost]] = True
    found = firings.firings(made, firings.RISING, sparks, US)
    assert len(found) == N + 2 and found.bounces.sum() == 0
