"""Crank angle: synchronisation, interpolation, and nothing across a gap."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BarycentricInterpolator, CubicSpline

from sparkwitness.errors import UserError
from sparkwitness.timing.angle import CrankTracker, Periods, Reference, Track
from sparkwitness.timing.placing import AngleReader, Marked, Placed, place

NONE = np.empty(0, np.int64)
TICK_S = 24e-9
KINDS = ("pulse", "cam", "2", "4", "24", "36-1", "36-2", "60-2", "cam 24-1")


def teeth(reference: Reference, revolutions: int) -> np.ndarray:
    """Crank degrees at which edges pass."""
    place = np.arange(int(revolutions * 360 / reference.step))
    return place[place % reference.teeth < reference.teeth - reference.missing] * reference.step


def time_of(degrees: np.ndarray, rpm: float, swing: float = 0.0, n: int = 2) -> np.ndarray:
    """Ticks at which angles pass when 1/speed is (1 - swing cos(n angle)) / mean speed."""
    turned = np.radians(degrees)
    seconds = (turned - swing / n * np.sin(n * turned)) / (rpm * 2 * np.pi / 60)
    return np.rint(seconds / TICK_S).astype(np.int64)


def run(reference, crank, marks, breaks=(), chunk=1 << 30):
    tracker, reader = CrankTracker(reference), AngleReader(reference)
    breaks = np.asarray(breaks, np.int64)
    placed, periods, tracks = [], [], []
    done = 0
    for at in range(0, len(crank), chunk):
        end = min(at + chunk, len(crank))
        last = end == len(crank)
        mine = breaks[(breaks >= at) & (breaks < end)] - at
        track, found = tracker.feed(crank[at:end], mine, last)
        until = len(marks) if last else int(np.searchsorted(marks, crank[end - 1]))
        placed.append(reader.feed(track, marks[done:until], int(crank[end - 1]), last))
        done = until
        periods.append(found)
        tracks.append(track.cut(0))
    return Placed.join(placed), Periods.join(periods), Track.join(tracks), tracker


def errors(placed: Placed, truth: np.ndarray, period: float) -> np.ndarray:
    """Angle errors up to whole periods, where the angle is known."""
    off = placed.degrees - truth
    off = off[np.isfinite(off)]
    return (off + period / 2) % period - period / 2


@pytest.mark.parametrize("kind", KINDS)
def test_steady_speed_is_exact_to_the_tick(kind):
    reference = Reference.parse(kind, 0, 0)
    crank = time_of(teeth(reference, 60), 3000)
    truth = np.sort(np.random.default_rng(0).uniform(2000, 18000, 500))
    placed, periods, _, tracker = run(reference, crank, time_of(truth, 3000))
    assert np.isfinite(placed.degrees).all()
    # One tick is 0.00043 degrees at 3000 rev/min; the cubic passes on a tick's rounding.
    assert np.abs(errors(placed, truth, reference.period)).max() < 0.0015
    assert tracker.edges_rejected == 0
    rpm = reference.period / 6 / (periods.length * TICK_S)
    np.testing.assert_allclose(rpm, 3000, rtol=3e-5)  # a tick of the shortest interval


def intervals(track, reference):
    """Of each interval: tooth steps to its beginning and over it, and segment."""
    n, size = len(track), np.diff(track.begin, append=len(track))
    step = np.repeat(track.step - track.begin, size) + np.arange(n)
    width = np.ones(n, np.int64)
    width[track.begin[1:] - 1] = width[-1:] = reference.missing + 1
    return step, width, np.repeat(track.segment, size)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("chunk", [1, 7, 100])
def test_chunks_change_nothing(kind, chunk):
    reference = Reference.parse(kind, 0, 0)
    rng = np.random.default_rng(1)
    crank = time_of(teeth(reference, 40), 900, 0.05)
    crank = np.delete(crank, rng.integers(0, len(crank), 3))
    crank = np.unique(np.append(crank, rng.integers(crank[0], crank[-1], 3)))
    breaks = np.sort(rng.integers(1, len(crank), 2))
    marks = np.unique(rng.integers(0, crank[-1] + 1000, 300))
    whole = run(reference, crank, marks, breaks)
    parts = run(reference, crank, marks, breaks, chunk)
    for a, b in zip(whole[:2], parts[:2], strict=True):
        for name in a.__dataclass_fields__:
            np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)
    np.testing.assert_array_equal(whole[2].edges, parts[2].edges)
    (step, width, a), (other, same, b) = (intervals(one[2], reference) for one in (whole, parts))
    np.testing.assert_array_equal(a, b)
    np.testing.assert_array_equal(step[a >= 0], other[a >= 0])
    np.testing.assert_array_equal(width[a >= 0], same[a >= 0])


def test_interpolation_against_scipy():
    # Where speed swings, the local cubic comes near a cubic spline through all teeth.
    reference = Reference(36, 1)
    at = teeth(reference, 60)
    crank = time_of(at, 800, 0.06, 2)
    truth = np.sort(np.random.default_rng(2).uniform(1800, 19000, 3000))
    marks = time_of(truth, 800, 0.06, 2)
    placed, _, _, _ = run(reference, crank, marks)
    ours = np.sqrt(np.mean(errors(placed, truth, 360.0) ** 2))
    spline = CubicSpline(crank, at)(marks) - truth
    linear = np.interp(marks, crank, at) - truth
    assert ours < 5 * np.sqrt(np.mean(spline**2))
    assert ours < 0.1 * np.sqrt(np.mean(linear**2))
    assert ours < 0.001


@pytest.mark.parametrize("kind", ["36-1", "60-2", "24", "cam 12-3", "6-3"])
def test_left_out_edges_miss_as_scipy_says(kind):
    """Each miss is that of some edge of the last turn, by scipy's interpolation through four."""
    reference = Reference.parse(kind, 0, 0)
    if reference.missing:
        errors = np.random.default_rng(5).normal(0, 0.02 * reference.step, reference.edges)
        reference = replace(reference, errors=tuple((errors - errors[0]).tolist()))
    at = teeth(reference, 30)
    stands = at + np.resize(reference.errors or (0.0,), len(at))
    crank = time_of(at, 1500, 0.05)
    _, periods, _, _ = run(reference, crank, NONE)
    present = reference.teeth - reference.missing
    for column, reach in ((periods.miss, 1), (periods.wide, 2)):
        known = np.flatnonzero(np.isfinite(column))
        assert len(known) > 30 / reference.turns - 8
        left_out = set()
        for k in known:
            ends = int(np.searchsorted(crank, periods.start[k] + periods.length[k]))
            near = range(ends - present - 3, ends - 3)
            found = []
            for c in near:
                nodes = c + reach * np.array([-2, -1, 1, 2])
                through = BarycentricInterpolator(
                    crank[nodes] - crank[c], stands[nodes] - stands[c]
                )
                found.append(float(through(0.0)))
            best = int(np.argmin(np.abs(np.array(found) - column[k])))
            assert found[best] == pytest.approx(column[k], abs=1e-9)
            left_out.add((ends - present - 3 + best) % present)
        assert len(left_out) > min(present, len(known)) / 2  # not always the same one


def test_acceleration_is_followed_with_one_pulse():
    # 1000 to 4000 rev/min at 3000 rev/min per second: second order is not enough to miss.
    reference = Reference(1)
    seconds = np.linspace(0, 1, 2_000_001)
    turned = 6 * (1000 * seconds + 1500 * seconds**2)
    pulses = np.interp(np.arange(0, turned[-1], 360.0), turned, seconds)
    truth = np.random.default_rng(3).uniform(1500, 13000, 400)
    truth.sort()
    marks = np.interp(truth, turned, seconds)
    placed, _, _, _ = run(
        reference, np.rint(pulses / TICK_S).astype(np.int64),
        np.rint(marks / TICK_S).astype(np.int64),
    )  # fmt: skip
    assert np.abs(errors(placed, truth, 360.0)).max() < 0.2


@pytest.mark.parametrize("kind", ["pulse", "36-1", "60-2", "24"])
def test_no_angle_across_lost_edges(kind):
    reference = Reference.parse(kind, 0, 0)
    crank = time_of(teeth(reference, 40), 1200)
    cut = len(crank) // 2
    lost = slice(cut, cut + max(3, len(crank) // 20))
    gap = crank[cut - 1], crank[lost.stop]
    kept = np.delete(crank, np.arange(cut, lost.stop))
    marks = np.arange(kept[10], kept[-10], 100_001)
    placed, _, _, _ = run(reference, kept, marks, [cut])
    inside = (marks > gap[0]) & (marks < gap[1])
    assert inside.any() and np.isnan(placed.degrees[inside]).all()
    before, after = placed.segment[marks < gap[0]], placed.segment[marks > gap[1]]
    assert set(before[before >= 0]).isdisjoint(after[after >= 0])


@pytest.mark.parametrize("kind", ["pulse", "cam", "24", "36-1", "36-2", "60-2"])
@pytest.mark.parametrize("fault", ["stray", "missing", "half"])
def test_a_wrong_edge_gives_no_angle_rather_than_a_wrong_one(kind, fault):
    reference = Reference.parse(kind, 0, 0)
    crank = time_of(teeth(reference, 60), 1000)
    rng = np.random.default_rng(4)
    worst = 0.0
    for _ in range(40):
        k = int(rng.integers(len(crank) // 4, len(crank) // 2))
        if fault == "missing":
            bad = np.delete(crank, k)
        else:
            share = 0.5 if fault == "half" else rng.uniform(0.01, 0.99)
            new = int(crank[k] + share * (crank[k + 1] - crank[k]))
            bad = np.insert(crank, k + 1, new)
        truth = np.sort(rng.uniform(1000, 20000, 400))
        placed, _, _, tracker = run(reference, bad, time_of(truth, 1000))
        off = np.abs(errors(placed, truth, reference.period))
        worst = max(worst, float(off.max()))
        assert tracker.edges_rejected > 0
        assert np.isfinite(placed.degrees).mean() > 0.8
    assert worst < 0.01


def test_resynchronises_after_a_stall():
    reference = Reference(36, 1)
    first = time_of(teeth(reference, 20), 900)
    second = time_of(teeth(reference, 20), 900) + first[-1] + 50_000_000
    marks = np.arange(first[100], second[-100], 200_003)
    placed, periods, _, _ = run(reference, np.concatenate((first, second)), marks)
    standing = (marks > first[-1]) & (marks < second[0])
    assert np.isnan(placed.degrees[standing]).all()
    assert len(set(periods.segment.tolist())) == 2


@pytest.mark.parametrize(
    ("text", "teeth", "missing", "turns", "period"),
    [
        ("pulse", 1, 0, 1, 360), ("cam", 1, 0, 2, 720), ("4", 4, 0, 1, 90),
        ("36-1", 36, 1, 1, 360), ("60-2", 60, 2, 1, 360), ("cam 36-1", 36, 1, 2, 720),
        ("cam 4", 4, 0, 2, 180),
    ],
)  # fmt: skip
def test_reference_as_typed(text, teeth, missing, turns, period):
    reference = Reference.parse(text, 10, 0.1)
    assert (reference.teeth, reference.missing, reference.turns) == (teeth, missing, turns)
    assert reference.period == period
    assert str(reference) == text


@pytest.mark.parametrize("text", ["", "x", "0", "36-", "36-9", "2-1", "-3", "1e3", "36-1-1"])
def test_nonsense_reference_is_one_sentence(text):
    with pytest.raises(UserError) as caught:
        Reference.parse(text, 10, 0.1)
    assert "\n" not in caught.value.message


# Placing, piece by piece


def uneven(n: int) -> np.ndarray:
    """Ticks of n + 1 edges at a speed that changes."""
    return np.cumsum(np.append(0, 1000 + np.rint(300 * np.sin(np.arange(n) / 9)))).astype(np.int64)


@pytest.mark.parametrize("pieces", [(1,), (2, 1, 5), (30,), (17, 40), (999,)])
def test_edges_are_placed_once_and_as_soon_as_their_interval_has_a_neighbour(pieces):
    """Twelve even teeth, a stretch without synchronisation: as of the whole, to the last bit."""
    n, wheel = 400, Reference(12, 0, 1, 60.0)
    edges = uneven(n)
    ticks = np.unique(np.random.default_rng(2).integers(-500, edges[-1] + 500, 900))
    cuts = np.array([0, 120, 140])
    parts = np.array([0, -1, 1])
    whole = Track(edges, cuts, cuts.copy(), parts)
    reader, found = AngleReader(wheel), []
    at, k, fed, out = 0, 0, 0, 0
    while at < n:
        end = min(at + pieces[k % len(pieces)], n)
        begin = np.unique(np.append(at, cuts[(cuts > at) & (cuts < end)]))
        segment = parts[np.searchsorted(cuts, begin, side="right") - 1]
        # In turn all that came so far, and less than that: the clamp's edges come late.
        upto = int(edges[end]) if k % 2 else int(edges[max(0, end - 7)])
        more = ticks[(np.arange(len(ticks)) >= fed) & (ticks < upto)]
        fed += len(more)
        found.append(
            reader.feed(Track(edges[at : end + 1], begin - at, begin, segment), more, upto)
        )
        out += len(found[-1])
        assert out == min(fed, np.searchsorted(ticks, edges[end - 1]) if end > 1 else 0)
        at, k = end, k + 1
    found.append(reader.feed(Track.join([]), ticks[fed:], int(edges[-1]) + 1000, last=True))
    joined, expected = Placed.join(found), place(whole, ticks, wheel)
    for name in ("tick", "degrees", "segment", "to_edge"):
        np.testing.assert_array_equal(getattr(joined, name), getattr(expected, name))
    assert np.isfinite(joined.degrees).sum() > 700 and (joined.segment == -1).any()


def test_no_more_of_the_crank_is_held_than_is_needed():
    """The interval of what is still to come, and one on either side."""
    wheel, zero = Reference(12, 0, 1, 60.0), np.zeros(1, np.int64)
    edges = 1000 * np.arange(31)
    for complete, held in ((12_500, 19), (12_000, 19), (29_999, 3), (99_000, 3), (500, 30)):
        reader = AngleReader(wheel)
        reader.feed(Track(edges, zero, zero, zero), np.empty(0, np.int64), complete)
        assert len(reader._track) == held, complete
    # An edge that waits holds its own interval.
    reader = AngleReader(wheel)
    late = reader.feed(Track(edges, zero, zero, zero), np.array([29_100, 29_500]), 40_000)
    assert len(late) == 0 and len(reader._track) == 3


def test_an_edge_of_the_wheel_is_where_its_tooth_is():
    """Five teeth of six, two of them off: each at its own place, not at the even one."""
    wheel = Reference(6, 1, 1, 60.0, 0.2, errors=(0.0, 1.5, 0.0, -2.0, 0.0))
    places = 60.0 * np.arange(5) + np.array(wheel.errors)
    turns = np.arange(4)
    at = (360.0 * turns[:, None] + places).ravel()
    edges = np.append(np.rint(at * 1000), 4 * 360_000).astype(np.int64)
    track = Track(edges, 5 * turns, 6 * turns, 0 * turns)
    found = place(track, edges[:-1], wheel)
    assert found.degrees == pytest.approx(at, abs=1e-6)
    assert found.to_edge == pytest.approx(np.zeros(20), abs=1e-6)
    between = place(track, edges[6:9] + 20_000, wheel)
    assert between.degrees == pytest.approx(at[6:9] + 20, abs=0.01)
    assert place(track, edges[-1:] + 5, wheel).segment.tolist() == [-1]


def test_nothing_placed_and_nothing_marked():
    none = place(Track.join([]), np.array([5, 6]), Reference(6))
    assert np.isnan(none.degrees).all() and np.isnan(none.to_edge).all()
    assert none.segment.tolist() == [-1, -1] and none.tick.tolist() == [5, 6]
    empty = Marked.none()
    assert [len(empty), len(empty.lost), len(empty.level)] == [0, 0, 0]
    assert len(Placed.join([]).degrees) == len(Placed.join([]).tick) == 0
