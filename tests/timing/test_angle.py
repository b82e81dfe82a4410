"""Crank angle: synchronisation, interpolation, and nothing across a gap.

Longer than other files: every kind of wheel, with what each edge of it becomes.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import BarycentricInterpolator, CubicSpline

from sparkwitness.errors import UserError
from sparkwitness.timing import placing
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


def test_a_reference_on_the_cam_in_any_spelling():
    for text in ("cam 36-1", "CAM36-1", " cam-36-1 ", "cam  36-1"):
        assert Reference.parse(text, 10, 0.1) == Reference(36, 1, 2, 10, 0.1)
    assert Reference.parse("cam", 10, 0.1) == Reference(1, 0, 2, 10, 0.1)


@pytest.mark.parametrize("text", ["", "x", "0", "36-", "36-9", "2-1", "-3", "1e3", "36-1-1"])
def test_nonsense_reference_is_one_sentence(text):
    with pytest.raises(UserError) as caught:
        Reference.parse(text, 10, 0.1)
    assert "\n" not in caught.value.message


# What a reference may be, from both sides


@pytest.mark.parametrize(
    ("good", "bad", "said"),
    [
        ({"teeth": 1}, {"teeth": 0}, "from 1 to 720 teeth, not 0"),
        ({"teeth": 720}, {"teeth": 721}, "from 1 to 720 teeth, not 721"),
        ({"teeth": 36, "missing": 3}, {"teeth": 36, "missing": 4}, "cannot have 4 left out"),
        ({"teeth": 4, "missing": 1}, {"teeth": 3, "missing": 1}, "3 teeth cannot have 1"),
        ({"teeth": 6, "missing": 3}, {"teeth": 5, "missing": 3}, "5 teeth cannot have 3"),
        ({"teeth": 36}, {"teeth": 36, "missing": -1}, "cannot have -1"),
        ({"teeth": 36, "turns": 2}, {"teeth": 36, "turns": 3}, "once per crank revolution"),
        ({"teeth": 36, "turns": 1}, {"teeth": 36, "turns": 0}, "once per crank revolution"),
        ({"teeth": 36, "angle": 360.0}, {"teeth": 36, "angle": 360.1}, "not 360.1"),
        ({"teeth": 36, "angle": -360.0}, {"teeth": 36, "angle": -360.1}, "not -360.1"),
        ({"teeth": 36, "u_angle": 90.0}, {"teeth": 36, "u_angle": 90.1}, "not 90.1 with 0.0"),
        ({"teeth": 36, "u_angle": 0.0}, {"teeth": 36, "u_angle": -0.1}, "not -0.1"),
        ({"teeth": 36, "u_errors": 90.0}, {"teeth": 36, "u_errors": 90.1}, "with 90.1 for"),
        ({"teeth": 36, "u_errors": 0.0}, {"teeth": 36, "u_errors": -0.1}, "with -0.1 for"),
        # A quarter of 10°, or of 20 on the cam.
        ({"teeth": 36, "missing": 1, "errors": (0.0, 2.49, *(0.0,) * 33)},
         {"teeth": 36, "missing": 1, "errors": (0.0, 2.5, *(0.0,) * 33)}, "quarter of the tooth"),
        ({"teeth": 36, "missing": 1, "turns": 2, "errors": (-4.9,) * 35},
         {"teeth": 36, "missing": 1, "turns": 2, "errors": (-5.0,) * 35}, "quarter of the tooth"),
        ({"teeth": 36, "missing": 1, "errors": (0.1,) * 35},
         {"teeth": 36, "missing": 1, "errors": (0.1,) * 36}, "36 tooth errors do not fit"),
        ({"teeth": 36, "errors": (0.1,)}, {"teeth": 36, "errors": (0.1,) * 36}, "with 1 teeth"),
        ({"teeth": 36, "angle": 7}, {"teeth": 36.0}, "made of numbers"),
        ({"teeth": 36}, {"teeth": 36, "angle": "7"}, "made of numbers"),
    ],
)  # fmt: skip
def test_what_a_reference_may_be(good, bad, said):
    assert Reference(**good).teeth == good["teeth"]
    with pytest.raises(UserError, match=said):
        Reference(**bad)


@pytest.mark.parametrize(
    ("reference", "step", "period", "edges", "steps", "per_rev"),
    [
        (Reference(36, 1), 10, 360, 35, 36, 1), (Reference(36, 2, 2), 20, 720, 34, 36, 0.5),
        (Reference(24), 15, 15, 1, 1, 24), (Reference(4, 0, 2), 180, 180, 1, 1, 2),
        (Reference(1, 0, 2), 720, 720, 1, 1, 0.5),
    ],
)  # fmt: skip
def test_what_follows_from_a_wheel(reference, step, period, edges, steps, per_rev):
    assert (reference.step, reference.period) == (step, period)
    assert (reference.edges, reference.steps, reference.periods_per_rev) == (edges, steps, per_rev)
    assert reference.offsets.tolist() == [0.0] * steps
    assert replace(reference, angle=60.0).btdc(np.array([40.0])).tolist() == [20.0]
    assert reference.btdc(np.array([40.0])).tolist() == [-40.0]  # at TDC, where nothing is told


def test_tooth_errors_in_steps():
    errors = tuple(0.1 * k for k in range(8))
    found = Reference(10, 2, 2, errors=errors).offsets  # of 72°
    assert found == pytest.approx([0.1 * k / 72 for k in range(8)] + [0.0, 0.0])


def test_which_edge_is_left_out():
    """At least four before the end, 13 further back each turn, round the 35 there are.

    Turn 0 leaves out place 31; turn 1 is 17 back, place 18; turn 8 38, which is 3 before the turn:
    place 32 of the turn before. Four even neighbours either way have the places 4 to 30.
    """
    turn = np.array([0, 1, 3, 8, 21, 27, 29])
    place = [310, 180, 270, -40, 30, 300, 40]
    wheel = Reference(36, 1)
    assert wheel.left_out(turn).tolist() == (360 * turn + place).tolist()
    assert wheel.even_around(turn).tolist() == [False, True, True, False, False, True, True]
    # Of even teeth a turn is as many periods: three before the next index, then sixteen.
    even = Reference(24)
    assert even.left_out(np.array([0, 23, 24, 47])).tolist() == [-45, 300, 120, 465]
    assert even.even_around(np.array([0, 24])).all()


# Tables of edges


def track() -> Track:
    """Ten intervals: three of a stretch, four of none, three of the next."""
    return Track(
        10 * np.arange(11), np.array([0, 3, 7]), np.array([0, 100, 200]), np.array([0, -1, 1])
    )


@pytest.mark.parametrize(
    ("first", "begin", "step", "segment"),
    [
        (0, [0, 3, 7], [0, 100, 200], [0, -1, 1]), (2, [0, 1, 5], [2, 100, 200], [0, -1, 1]),
        (3, [0, 4], [100, 200], [-1, 1]), (4, [0, 3], [101, 200], [-1, 1]), (9, [0], [202], [1]),
    ],
)  # fmt: skip
def test_a_track_without_its_beginning(first, begin, step, segment):
    whole = track()
    found = whole.cut(first)
    assert found.edges.tolist() == list(range(10 * first, 101, 10)) and len(found) == 10 - first
    assert (found.begin.tolist(), found.step.tolist()) == (begin, step)
    assert found.segment.tolist() == segment
    found.step[0] = found.edges[0] = 77  # a copy
    assert whole.step.tolist() == [0, 100, 200] and whole.edges[first] == 10 * first


@pytest.mark.parametrize(
    ("least", "intervals", "stretches"),
    [(0, 0, 0), (1, 3, 1), (3, 3, 1), (4, 7, 2), (7, 7, 2), (8, 10, 3)],
)
def test_the_first_stretches_of_a_track(least, intervals, stretches):
    found = track().head(least)
    assert (len(found), len(found.begin)) == (intervals, stretches)
    assert found.edges.tolist() == list(range(0, 10 * intervals + 1, 10))


def test_tracks_and_periods_joined():
    one = track()
    two = Track(100 + 7 * np.arange(4), np.array([0, 2]), np.array([300, 302]), np.array([1, 2]))
    three = Track(np.array([121, 130]), np.array([0]), np.array([303]), np.array([2]))
    nothing = Track.join([])
    assert [len(column) for column in vars(nothing).values()] == [0] * 4 and len(nothing) == 0
    assert Track.join([nothing, two, nothing]) is two
    found = Track.join([one, nothing, two, three])
    assert found.edges.tolist() == [*range(0, 101, 10), 107, 114, 121, 130]
    assert found.begin.tolist() == [0, 3, 7, 10, 12, 13] and len(found) == 14
    assert found.step.tolist() == [0, 100, 200, 300, 302, 303]
    assert found.segment.tolist() == [0, -1, 1, 1, 2, 2]
    none = Periods.join([])
    assert all(len(column) == 0 for column in vars(none).values())
    n = np.arange(6)
    made = Periods(100 * n, n * 0 + 100, np.array([0, 0, 1, 1, 1, 3]), n, n * 0.0, n * 0.0)
    assert Periods.join([none, made]).start.tolist() == made.start.tolist()
    for segment, tick, first in (
        (0, 0, 0), (0, 1, 1), (0, 101, 2), (1, 200, 2), (1, 201, 3), (1, 999, 5), (2, 0, 5),
        (3, 500, 5), (3, 501, 6),
    ):  # fmt: skip
        assert made.since(segment, tick) == first, (segment, tick)
    # After a restart the ticks begin anew: what follows the last of a segment is no later one's.
    anew = Periods(n % 2 * 100, n * 0 + 100, n // 2, n, n * 0.0, n * 0.0)
    for segment, tick, first in ((0, 150, 2), (1, 150, 4), (1, 50, 3), (2, 0, 4)):
        assert anew.since(segment, tick) == first, (segment, tick)


# What fits a wheel: tooth steps of 1000 ticks


def wheel_of(gap: float, reference: Reference, breaks=(), turns: int = 6) -> tuple[int, int]:
    """Periods and refused edges of turns that all have this gap, the first from the index edge."""
    one = np.append(np.full(reference.edges - 1, 1000.0), gap)
    edges = np.rint(np.append(0.0, np.cumsum(np.tile(one, turns)))).astype(np.int64)
    tracker = CrankTracker(reference)
    _, periods = tracker.feed(edges, np.array(breaks, np.int64), True)
    return len(periods.start), tracker.edges_rejected


@pytest.mark.parametrize(
    ("reference", "least", "most"),
    [
        # Longer than a step by 1.05 sqrt(missing + 1); each of its places within 1.55 of a step.
        (Reference(36, 1), 1.485, 2 * 1.55), (Reference(36, 2), 1.8187, 3 * 1.55),
        (Reference(60, 2), 3 / 1.55, 3 * 1.55), (Reference(36, 3), 4 / 1.55, 4 * 1.55),
    ],
)  # fmt: skip
def test_how_wide_a_gap_is(reference, least, most):
    least = max(least, (reference.missing + 1) / 1.55)
    for gap, found in ((least - 0.01, 0), (least + 0.01, 4), (most - 0.01, 4), (most + 0.01, 0)):
        assert wheel_of(1000 * gap, reference)[0] == found, gap


@pytest.mark.parametrize(
    ("at", "periods", "refused"),
    # Of ten turns eight lie between two gaps. The fourth ends with edge 139 and its gap.
    [(137, 7, 35), (138, 7, 35), (139, 6, 70), (140, 6, 70), (141, 6, 70), (142, 7, 35),
     (1, 8, 0), (345, 8, 0), (312, 7, 35), (314, 7, 0), (315, 7, 35)],
)  # fmt: skip
def test_a_loss_beside_a_gap_spoils_both_turns(at: int, periods: int, refused: int):
    assert wheel_of(2000.0, Reference(36, 1), (at,), 10) == (periods, refused)


@pytest.mark.parametrize(
    ("first", "pace", "fits"),
    [(1000, 1550, 1), (1000, 1551, 0), (1000, 646, 1), (1000, 644, 0), (1550, 1000, 1)],
)
def test_how_much_the_pace_may_change_from_tooth_to_tooth(first: int, pace: int, fits: int):
    """A single tooth of an even wheel, by 1.55 either way: what it touches is refused."""
    steps = np.full(40, first)
    steps[20:] = pace
    tracker = CrankTracker(Reference(24))
    found, periods = tracker.feed(np.append(0, np.cumsum(steps)), NONE, True)
    # Unknown, known, unknown; and what is refused in the middle.
    assert found.segment.tolist() == ([-1, 0, -1] if fits else [-1, 0, -1, 1, -1])
    assert (len(set(periods.segment.tolist())) == 1) is bool(fits)
    assert len(periods.start) == (38 if fits else 36)
    assert tracker.edges_rejected == (0 if fits else 2) and tracker.edges_seen == 41


@pytest.mark.parametrize(("after", "periods"), [(0, 4), (1, 5), (2, 5), (3, 5)])
def test_a_turn_is_known_with_the_edge_after_its_end(after: int, periods: int):
    """Six turns of 36 - 1 from an index edge on. The first has no edge before it; the sixth ends
    with an index edge, which is one only if a single step follows the gap."""
    one = np.append(np.full(34, 1000), 2000)
    steps = np.append(np.tile(one, 6), np.full(after, 1000))
    tracker = CrankTracker(Reference(36, 1))
    _, found = tracker.feed(np.append(0, np.cumsum(steps)), NONE, True)
    assert found.start.tolist() == [36_000 * k for k in range(1, 1 + periods)]
    assert tracker.edges_rejected == 0


def test_a_gap_at_the_very_edge_up_to_which_all_was_given_up():
    """Sixty steps alike are no turn of 36 - 1: all but the last two edges are given up. The gap
    lies between these two, and two turns follow."""
    wheel = Reference(36, 1)
    turns = np.tile(np.append(np.full(34, 1000), 2000), 2)
    steps = np.concatenate((np.full(60, 1000), [2000], turns, np.full(3, 1000)))
    edges = np.append(0, np.cumsum(steps))
    for first in range(55, 66):
        tracker = CrankTracker(wheel)
        parts = [tracker.feed(edges[:first], NONE), tracker.feed(edges[first:], NONE, True)]
        found = Periods.join([periods for _, periods in parts])
        assert found.start.tolist() == [62_000, 98_000], first
        assert found.length.tolist() == [36_000] * 2, first


@pytest.mark.parametrize(
    ("lost", "unread"),
    [((33,), (6, 7)), ((32, 33), (6, 7)), ((1,), (5, 6)), ((1, 2), (5, 6))],
)  # fmt: skip
def test_teeth_lost_beside_the_gap_hide_it(lost: tuple[int, ...], unread: tuple[int, int]):
    """Of 36 - 1, in the sixth turn: two or three steps beside the gap's two. So it is not told
    where one turn ends and the next begins."""
    wheel = Reference(36, 1)
    every = teeth(wheel, 12)
    whole, some = (
        run(wheel, time_of(at, 3000), NONE)[1].start.tolist()
        for at in (every, every[~np.isin(every, 360.0 * 6 + 10.0 * np.array(lost))])
    )
    turns = time_of(360.0 * np.array(unread), 3000).tolist()
    assert set(turns) < set(whole) and some == [at for at in whole if at not in turns]


def test_a_lost_edge_spoils_the_periods_beside_it():
    """Told by a break alone: edges that fit are refused there, and a segment ends."""
    edges = 1000 * np.arange(41)
    tracker = CrankTracker(Reference(24))
    _, periods = tracker.feed(edges, np.array([20]), True)
    gone = sorted(set(range(1000, 39_000, 1000)) - set(periods.start.tolist()))
    assert gone == [18_000, 19_000, 20_000]
    assert tracker.edges_rejected == 3 and len(set(periods.segment.tolist())) == 2
    follows = tracker.successor()
    _, more = follows.feed(edges, NONE, True)
    assert more.segment.tolist() == [periods.segment[-1] + 1] * 38
    assert more.number.tolist() == list(range(len(periods.start), len(periods.start) + 38))
    assert (follows.edges_seen, follows.edges_rejected) == (82, 3)


def test_no_miss_is_taken_across_a_break():
    """Eight even teeth at steady speed, 38 and 39 periods with a pause of 3.4 teeth between them.

    Of each eighth period one edge is left out, `back` edges before its end; with four more on its
    other side it needs back + 4 good periods. back is 4 and the rest of 13 times the turn by 8:
    turns 1 to 9 of 13, 10, 15, 12, 9, 14, 11, 8, 13 periods; turn 5 begins as the third after the
    pause, turn 6 as the eleventh.
    """
    steps = np.full(82, 1000)
    steps[40] = 3400
    _, periods = CrankTracker(Reference(8)).feed(np.append(0, np.cumsum(steps)), NONE, True)
    assert np.flatnonzero(np.diff(periods.segment)).tolist() == [37] and len(periods.start) == 77
    for missed in (periods.miss, periods.wide):
        known = np.isfinite(missed)
        assert periods.number[known].tolist() == [16, 24, 32, 56, 64, 72]
        assert missed[known] == pytest.approx(0.0, abs=1e-9)


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
    ticks = np.append([-9_000, -8_000], ticks)  # before all that is known
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


@pytest.mark.parametrize(
    ("complete", "looked"),
    [(16_000, [(33, 8), (100, 81)]), (15_999, [(117, 89)]), (40_000, [(33, 8), (100, 81)])],
)  # fmt: skip
def test_how_much_is_copied_where_two_pieces_join(monkeypatch, complete, looked):
    """Once all that came before the 16th interval is known: what came in the first eight is looked
    for in these and in what was held, the rest in the new intervals alone; else all in all."""
    seen: list[tuple[int, int]] = []
    plain = placing.place

    def place(track, ticks, reference):
        seen.append((len(track), len(ticks)))
        return plain(track, ticks, reference)

    monkeypatch.setattr(placing, "place", place)
    wheel, begin = Reference(12, 0, 1, 60.0), np.arange(0, 100, 4)
    reader = AngleReader(wheel)
    first = 1000 * np.arange(-17, 1)
    zero = np.zeros(1, np.int64)
    reader.feed(Track(first, zero, zero, zero), np.empty(0, np.int64), -20_000)
    assert len(reader._track) == 17 and not seen
    ticks = np.append(1000 * np.arange(8) + 500, 8_000 + 1000 * np.arange(81))
    edges = 1000 * np.arange(101)
    reader.feed(Track(edges, begin, begin, 0 * begin), ticks, complete)
    assert seen == looked


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
