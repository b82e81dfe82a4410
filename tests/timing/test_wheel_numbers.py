"""Tooth errors of a wheel, learned from turns made by hand: which count, what is taken off, how
well the rest is known; and the wheel's file.

The sums are done again in plain loops (`by_hand`). How much the speed swings is `test_budget`'s.
"""

import json
import math

import numpy as np
import pytest

from sparkwitness.errors import UserError
from sparkwitness.timing.angle import Reference, Track
from sparkwitness.timing.budget import default_swing, unequal_amplitude
from sparkwitness.timing.wheel import Learned, WheelLearner, load

TICK_S = 1e-9


def track(reference: Reference, degrees, lengths, first: int = 0, segment=None) -> Track:
    """Turns of these lengths in ticks whose edges stand off their even places by degrees[turn]."""
    degrees = np.asarray(degrees) * np.ones((len(lengths), 1))
    place = np.arange(reference.edges) / reference.steps + degrees / reference.period
    begins = np.cumsum([0, *lengths])
    edges = begins[:-1, None] + np.rint(place * np.array(lengths)[:, None]).astype(np.int64)
    n = np.arange(len(lengths))
    return Track(
        np.append(edges.ravel(), begins[-1]), n * reference.edges, (first + n) * reference.steps,
        n * 0 if segment is None else np.array(segment),
    )  # fmt: skip


def learned(reference: Reference, degrees, rpm: float, n: float, strokes: int = 4) -> Learned:
    """From so many turns as there are rows; the first is none, nothing being before it."""
    learner = WheelLearner(reference)
    length = round(60 / rpm / TICK_S * reference.turns)
    rows = np.concatenate((degrees[:1], degrees))
    learner.feed(track(reference, rows, [length] * len(rows), first=-1))
    return learner.result(n, TICK_S, strokes)


def by_hand(reference: Reference, degrees, rpm: float, n: float, strokes: int):
    """(errors, uncertainty of them, orders taken off, orders left) of an even number of turns.

    An order may be as large as the swing's harmonic (swing / n radians at the firings, speed
    harmonics falling with their number) and what unequal cylinders add, at the least by what the
    turns differ in turn. What the teeth themselves have in one order is unseen: two of so many
    freedoms. The smaller of both stays unknown in each order.
    """
    turns, edges = reference.turns, reference.edges
    mean = degrees.mean(axis=0)
    between = np.abs(degrees[::2].mean(axis=0) - degrees[1::2].mean(axis=0)).max() / 2
    swing = default_swing(rpm, n)
    every = 0.5 if turns == 2 and strokes == 4 else 1.0
    sizes = {}
    for k in range(1, 200):
        order = k * every
        harmonic = order / n if order in (n, 2 * n, 3 * n) else 0
        if order >= edges / 4 / turns or not (harmonic or order <= max(n, 6)):
            continue
        weak = max(0.7 * unequal_amplitude(order, swing, n, strokes), between / order / order)
        fires = math.degrees(swing / n) / harmonic**2 if harmonic else 0.0
        sizes[order] = math.sqrt((weak**2 + fires**2) / 2)

    def less(orders):
        rows = [[1.0] * edges]
        for order in orders:
            turn = [math.radians(360 * turns * order * k / reference.teeth) for k in range(edges)]
            rows += [[math.cos(t) for t in turn], [math.sin(t) for t in turn]]
        basis = np.array(rows)
        return mean - np.linalg.solve(basis @ basis.T, basis @ mean) @ basis

    free = edges - 1 - 2 * len(sizes)
    unseen = math.sqrt(sum(less(sizes) ** 2) / free * 2 / edges)
    off = [order for order in sizes if sizes[order] > unseen]
    rest = less(off)
    middle = degrees[:, edges // 2]
    u = middle.std() / math.sqrt(len(degrees))
    left = 2 * sum(min(size, unseen) ** 2 for size in sizes.values())
    return rest - rest[0], math.sqrt(left + u**2), off, [o for o in sizes if o not in off]


def teeth(reference: Reference, size: float, turns: int = 60, differ: float = 0.0, seed=3):
    """Errors of that size, the first tooth's none; each turn 0.2 of it more, odd turns differ."""
    rng = np.random.default_rng(seed)
    one = rng.normal(0, size, reference.edges)
    all_turns = one + rng.normal(0, 0.2 * size, (turns, reference.edges))
    all_turns[1::2, reference.edges // 3] += differ
    return all_turns - all_turns[:, :1]


@pytest.mark.parametrize(
    ("kind", "n", "strokes", "rpm", "size", "differ", "orders"),
    [
        # Whole orders to six, of a larger engine to its firings; two harmonics more of those.
        ("60-2", 2.0, 4, 4000.0, 0.05, 0.0, [1, 2, 3, 4, 5, 6]),
        ("60-2", 2.0, 4, 4000.0, 0.1, 0.4, [1, 2, 3, 4, 5, 6]),
        ("60-2", 2.0, 4, 4000.0, 0.1, -0.4, [1, 2, 3, 4, 5, 6]),
        ("60-2", 4.0, 4, 1000.0, 0.05, 0.0, [1, 2, 3, 4, 5, 6, 8, 12]),
        ("60-2", 8.0, 4, 600.0, 0.05, 0.0, [1, 2, 3, 4, 5, 6, 7, 8]),
        ("60-2", 3.0, 2, 4000.0, 0.03, 0.0, [1, 2, 3, 4, 5, 6, 9]),
        ("60-1", 5.0, 2, 1000.0, 0.03, 0.0, [1, 2, 3, 4, 5, 6, 10]),
        # Three, four-stroke: the wheel cannot have 1.5 and 4.5.
        ("36-1", 1.5, 4, 4000.0, 0.1, 0.0, [1, 2, 3, 4, 5, 6]),
        # An order less than a quarter of the edges: 24 / 4, 11 / 4.
        ("26-2", 1.0, 4, 4000.0, 0.5, 0.0, [1, 2, 3, 4, 5]),
        ("27-2", 1.0, 4, 4000.0, 0.5, 0.0, [1, 2, 3, 4, 5, 6]),
        ("12-1", 2.0, 4, 4000.0, 0.5, 0.0, [1, 2]),
        # On the cam half orders, but of a two-stroke; an eighth of the edges.
        ("cam 36-1", 2.0, 4, 6000.0, 0.3, 0.0, [0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]),
        ("cam 60-2", 2.0, 4, 3000.0, 0.3, 0.0, [k / 2 for k in range(1, 13)]),
        ("cam 60-2", 2.0, 2, 4000.0, 0.3, 0.3, [1, 2, 3, 4, 5, 6]),
    ],
)  # fmt: skip
def test_which_orders_are_taken_off_and_what_stays_unknown(
    kind, n, strokes, rpm, size, differ, orders
):
    reference = Reference.parse(kind, 60.0, 0.1)
    # Where odd turns have less, there is one even turn more.
    degrees = teeth(reference, size, 60 if differ >= 0 else 51, differ)
    errors, u_errors, off, left = by_hand(reference, degrees, rpm, n, strokes)
    assert sorted(off + left) == orders
    found = learned(reference, degrees, rpm, n, strokes)
    assert found.reference.errors == pytest.approx(errors, abs=2e-5)
    assert found.reference.u_errors == pytest.approx(u_errors, rel=1e-3)
    assert (found.periods, found.rpm) == (len(degrees), pytest.approx(rpm, rel=1e-6))
    middle = degrees[:, reference.edges // 2]
    assert found.u == pytest.approx(middle.std() / len(degrees) ** 0.5, rel=1e-3)


def test_teeth_much_worse_than_the_swing_are_taken_as_they_are():
    """Twelve places less one, two firings a turn, 4000 rpm: 0.08 (800 / 4000)^2 = 0.0032 of swing
    is 0.1833°. Order 1: 0.7 / 1.25 of it; order 2: 0.7 / 8 and, from the firings, 1 / 2. RMS, and
    twice as variances, since an error counts from the index edge on."""
    reference = Reference(12, 1, 1, 60.0)
    bad = np.array([0, 1, -1, 1, -1, 1, 1, -1, 1, -1, 1]) * np.ones((60, 1))
    found = learned(reference, bad, 4000.0, 2.0)
    assert found.reference.errors == pytest.approx(bad[0], abs=1e-5)
    swing = math.degrees(0.0032)
    both = (0.7 / 1.25) ** 2 + (0.7 / 8) ** 2 + 0.5**2
    assert found.reference.u_errors == pytest.approx(swing * math.sqrt(both), rel=1e-4)


@pytest.mark.parametrize(
    ("other", "count"),
    # 100 000 of 5 000 000 are just too many, 99 999 of 4 900 001 all the more; of 5 100 000 not.
    [(4_900_001, [5_000_000] * 2), (4_900_000, []), (5_100_000, [5_100_000] * 2), (5_102_041, [])],
)
def test_a_turn_counts_that_is_within_two_hundredths_of_the_one_before(other: int, count):
    """Of its own ticks; in pieces of any size."""
    reference = Reference(36, 1, 1, 60.0)
    wrong = teeth(reference, 0.3)[0]
    lengths = [*[5_000_000] * 70, other, 5_000_000, other, 5_000_000]
    made = set()
    for size in (1, 2, 3, len(lengths)):
        learner = WheelLearner(reference)
        for at in range(0, len(lengths), size):
            learner.feed(track(reference, wrong, lengths[at : at + size], at))
        found = learner.result(2.0, 1e-8)
        made.add(str(found))
        ticks = 69 * 5_000_000 + sum(count)
        assert found.periods == 69 + len(count)
        assert found.rpm == pytest.approx(60 * found.periods / (ticks * 1e-8), rel=1e-9)
    assert len(made) == 1


def test_turns_of_no_known_place_are_left_out():
    """A third of the turns, where the wheel was out of step, have their teeth anywhere."""
    reference = Reference(36, 1, 1, 60.0)
    degrees = teeth(reference, 0.3, turns=90)
    out = np.arange(90) % 3 == 1
    degrees[out] += np.random.default_rng(1).normal(0, 2.0, (30, 35)) * (np.arange(35) > 0)
    learner = WheelLearner(reference)
    learner.feed(track(reference, degrees, [5_000_000] * 90, 0, np.where(out, -1, 0)))
    found = learner.result(2.0, 1e-8)
    learner = WheelLearner(reference)
    for n in np.flatnonzero(~out):
        learner.feed(track(reference, degrees[[n]], [5_000_000], int(n)))
    assert found == learner.result(2.0, 1e-8) and found.periods == 59


@pytest.mark.parametrize("turns", [49, 50])
def test_fifty_steady_turns_are_needed(turns: int):
    reference = Reference(36, 1, 1, 60.0)
    degrees = teeth(reference, 0.3, turns)
    if turns == 50:
        assert learned(reference, degrees, 4000.0, 2.0).periods == 50
    else:
        with pytest.raises(UserError, match=r"^only 49 steady turns of the wheel, 50 are needed"):
            learned(reference, degrees, 4000.0, 2.0)


def test_what_the_swing_hides_is_refused_unless_it_is_too_little_to_matter():
    """Even teeth, the middle one off by 0.1° to either side: 0.1 / 10 is their mean's uncertainty
    in 100 turns. That matters; 0.0049° does not, with whatever is unseen beside it."""
    reference = Reference(36, 1, 1, 60.0)
    degrees = np.zeros((100, 35))
    degrees[:, 17] = np.resize([1.0, 1.0, -1.0, -1.0], 100)
    with pytest.raises(UserError, match=r"at 3000 rpm .* off by 0\.000°, known to ±0\.020° only"):
        learned(reference, 0.1 * degrees, 3000.0, 2.0)
    with pytest.raises(UserError, match=r"off by 0\.000°, known to ±0\.010° only"):
        learned(reference, 0.051 * degrees, 3000.0, 2.0)
    found = learned(reference, 0.049 * degrees, 3000.0, 2.0)
    assert found.reference.u_errors == pytest.approx(0.0049, rel=1e-3)
    # Few teeth have little freedom beside two orders.
    reference = Reference(12, 1, 1, 60.0)
    degrees = teeth(reference, 0.03)
    errors, u_errors, _, _ = by_hand(reference, degrees, 3000.0, 2.0, 4)
    assert u_errors > errors.std()
    with pytest.raises(UserError, match=rf"{errors.std():.3f}°, known to ±{2 * u_errors:.3f}°"):
        learned(reference, degrees, 3000.0, 2.0)


def test_turns_that_are_all_odd_differ_from_none():
    """Of a wheel on the cam each turn is a cycle; here the even ones were lost."""
    reference = Reference(36, 1, 1, 60.0)
    degrees = teeth(reference, 0.3)
    learner = WheelLearner(reference)
    for row in [degrees[0], *degrees]:
        learner.feed(track(reference, [row], [15_000_000], 3))
    found = learner.result(2.0, TICK_S)
    mean = degrees.mean(axis=0) * np.ones((2, 1))
    errors, u_errors, _, _ = by_hand(reference, mean, 4000.0, 2.0, 4)
    assert found.reference.errors == pytest.approx(errors, abs=2e-5)
    assert found.reference.u_errors == pytest.approx(math.hypot(u_errors, found.u), rel=1e-3)


def test_a_wheel_file_holds_what_was_learned(tmp_path):
    wheel = Reference(36, 1, 1, 60.0)
    found = learned(wheel, teeth(wheel, 0.3), 4000.0, 2.0)
    values = found.to_dict()
    assert all(type(v) in (str, int, float, list) for v in values.values())
    assert (values["format"], values["version"]) == ("sparkwitness wheel", 1)
    assert (values["reference"], values["periods"], values["rpm"], values["u_deg"]) == (
        "36-1", 60, pytest.approx(4000.0), found.u,
    )  # fmt: skip
    path = tmp_path / "wheel.json"
    path.write_text(json.dumps(values), "utf-8")
    assert load(path, wheel) == found.reference
    for wrong, words in (
        ([values], "is not a wheel file"), ({**values, "format": "wheel"}, "is not a wheel file"),
        ({**values, "reference": "60-2"}, "is of a 60-2 wheel, not 36-1"),
        ({**values, "errors_deg": None}, "holds no tooth errors"),
        ({**values, "u_errors_deg": "much"}, "holds no tooth errors"),
        ({k: v for k, v in values.items() if k != "errors_deg"}, "holds no tooth errors"),
    ):  # fmt: skip
        path.write_text(json.dumps(wrong), "utf-8")
        with pytest.raises(UserError, match=words):
            load(path, wheel)
    path.write_text("{", "utf-8")
    with pytest.raises(UserError, match="is not a wheel file"):
        load(path, wheel)
