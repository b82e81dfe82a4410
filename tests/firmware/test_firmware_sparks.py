"""The meter's sums over sparks under the real MicroPython, against numpy and plain loops."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from firmware_board import run_script
from meter_rig import FAKES

SLOTS = 64


def say(script: str, given: object) -> Any:
    head = "import sys, json\nfrom array import array\ngiven = json.loads(sys.stdin.read())\n"
    return json.loads(run_script(head + script, stdin=json.dumps(given).encode()))


def test_moments_are_numpys() -> None:
    """Of those within the limit: number, mean, deviation (n - 1), number within half of that."""
    rng = np.random.default_rng(1)
    cases = []
    for spread, limit, n in ((300, 2000, 12), (3000, 20_000, 40), (50, 2000, 2), (900, 3000, 64)):
        values = np.rint(180_000 + spread * rng.standard_normal(n)).astype(int)
        values[0] += 3 * limit if n > 2 else 0
        cases.append((values.tolist(), int(np.median(values)), limit))
    cases.append(([1000, 3000, 3001], 2000, 1000))  # at the limit is within
    cases.append(([500], 500, 100))
    script = """
from sparks import _moments
found = []
for values, middle, limit in given:
    work, out = array("I", [0] * 128), array("I", [0] * 4)
    for k, value in enumerate(values):
        work[k] = value
    _moments(work, len(values), middle, limit, out)
    found.append(list(out))
print(json.dumps(found))
"""
    for (values, middle, limit), (count, total, deviation, near) in zip(
        cases, say(script, cases), strict=True
    ):
        d = np.array(values) - middle
        d = d[np.abs(d) <= limit]
        assert count == len(d) and total == int((d + limit).sum())
        coarse = 1 << max(0, limit.bit_length() - 11)
        if len(d) > 1:
            assert deviation == pytest.approx(np.std(d, ddof=1), rel=0.01, abs=coarse + 1)
        mean = total // count - limit
        assert near == np.count_nonzero(np.abs(d - mean) <= deviation >> 1)


def test_angles_around_their_centre() -> None:
    """Median of a circle's values, each moved to within half a turn of the centre."""
    angles = [350_000, 10_000, 20_000, 355_000, 5_000]
    script = """
from sparks import _unroll, _centre, _around, _sort, _away, _below
events, work = array("I", [0] * 128), array("I", [0] * 128)
angles, first, scale, fold = given
for k, angle in enumerate(angles):
    events[(first + k) & 63] = angle + 1000
n = len(angles)
_unroll(events, work, first, n, scale, fold)
unrolled = list(work[:n])
centre = _centre(work, n, fold)
_around(work, n, centre, fold)
_sort(work, 0, n)
around = list(work[:n])
_away(work, n, around[n // 2])
print(json.dumps([unrolled, centre, around, list(work[64:64 + n]),
                  [_below(work, n, v) for v in (0, around[1], around[1] + 1, fold)]]))
"""
    unrolled, centre, around, away, below = say(script, [angles, 62, 1, 360_000])
    assert unrolled == angles and centre == 5_000
    assert around == [165_000, 170_000, 180_000, 185_000, 195_000]
    assert away == [15_000, 10_000, 0, 5_000, 15_000] and below == [0, 1, 2, 5]
    # Four times an angle, modulo four firings: what differs by a firing is the same.
    unrolled, _, around, _, _ = say(script, [[10_000, 190_000, 280_500], 0, 4, 360_000])
    assert unrolled == [40_000, 40_000, 42_000] and around == [180_000, 180_000, 182_000]


def test_steps_from_event_to_event() -> None:
    """Degrees between neighbours by turns and angle, without strays and breaks of 500 turns."""
    rows = [(10_000, 5), (10_100, 7), (9_900, 9), (60_000, 10), (10_000, 11), (10_000, 600),
            (10_000, 602)]  # fmt: skip
    script = """
from sparks import _steps
events, work = array("I", [0] * 128), array("I", [0] * 128)
for k, (angle, turn) in enumerate(given[0]):
    events[(60 + k) & 63], events[64 + ((60 + k) & 63)] = angle + 1000, turn
n = _steps(events, work, 60, len(given[0]), 360000, 1, 360000, *given[1])
print(json.dumps(list(work[:n])))
"""
    assert say(script, [rows, [10_000, 2_000]]) == [720_100, 719_800, 720_100, 720_000]
    assert say(script, [rows, [10_000, 60]]) == [1_440_000 + 720_000, 720_000]
    assert say(script, [rows, [9_900, 100]]) == [1_440_000 - 100, 720_100, 720_000]
    # Both ends of the reach are within it.
    assert say(script, [rows, [10_000, 100]]) == [720_100, 719_800, 720_100, 720_000]


def test_a_second_place_and_how_often_it_changes() -> None:
    script = """
from sparks import _second, _changes
found = []
for values, start, n, reach, has in given[0]:
    work, out = array("I", [0] * 128), array("I", [has, 0])
    for k, value in enumerate(values):
        work[k] = value
    _second(work, start, n, reach, out)
    found.append(list(out))
for kinds, low, high, at, reach in given[1]:
    events = array("I", [0] * 128)
    for k, angle in enumerate(kinds):
        events[(50 + k) & 63] = angle + 1000
    found.append(_changes(events, 50, len(kinds), 1, 360000, 180000, low, high, at, reach))
print(json.dumps(found))
"""
    values = [100, 200, 300, 1000, 1050, 1100, 1150, 5000]
    seconds = [
        (values, 0, 8, 200, 0), (values, 0, 8, 150, 0), (values, 0, 3, 200, 0),
        (values, 4, 8, 100, 0), (values, 0, 8, 150, 4), (values, 7, 8, 10, 0),
    ]  # fmt: skip
    one, two = 20_000, 50_000
    places = [
        ([one, one, two, one, two, two], 19_000, 21_000, 49_000, 2_000),
        ([two, one, one, 90_000, one], 19_000, 21_000, 49_000, 2_000),
        ([19_000, 21_000, 18_999, 51_000, 51_001, 49_000], 19_000, 21_000, 49_000, 2_000),
        # Both ends of both places are of them.
        *(
            ([one, last], 19_000, 21_000, 49_000, 2_000)
            for last in (18_999, 19_000, 21_000, 21_001, 48_999, 49_000, 51_000, 51_001)
        ),
    ]
    assert say(script, [seconds, places]) == [
        [4, 1000], [4, 1000], [3, 100], [3, 1050], [4, 0], [1, 5000],
        3 * 256 + 0, 1 * 256 + 3, 1 * 256 + 0, 1, 2, 2, 1, 1, 256, 256, 1,
    ]  # fmt: skip


PLACED = (
    FAKES
    + """
given = json.loads(sys.stdin.read())
import sparks
found = []
for teeth, missing, turns, edges, clamp in given:
    board = Board()
    meter = make(board, teeth=teeth, missing=missing, turns=turns)
    events = meter._events
    events.order[sparks.PAUSE] = 125000
    events.order[sparks.MOST] = 400
    meter._crank.allow(400)
    k = 0
    for n, when in enumerate(edges):
        while k < len(clamp) and clamp[k] < when:
            edge(board, 1, clamp[k])
            k += 1
        edge(board, 0, when)
        if n % 10 == 9:
            meter._crank.follow()
            events.follow(n)
    meter._crank.follow()
    events.follow(len(edges))
    state, words = events.state, events.words
    kept = [state[w] for w in (sparks.WROTE, sparks.KEPT, sparks.TOGETHER, sparks.UNPLACED,
                               sparks.RINGING)]
    found.append([kept, [words[i] - 1000 for i in range(min(64, kept[0]))],
                  [words[192 + i] for i in range(min(64, kept[0]))]])
print(json.dumps(found))
"""
)


def wheel(teeth: int, missing: int, turns: int, swing: float, periods: int) -> tuple[Any, Any]:
    """Edge times in ticks and their crank degrees, at 1200 rev/min with a swing twice a turn."""
    places = np.arange(teeth - missing) * 360.0 * turns / teeth
    degrees = (np.arange(periods)[:, None] * 360.0 * turns + places).ravel()
    seconds = degrees / 7200 + swing / 2 / 7200 * np.degrees(np.sin(np.radians(2 * degrees)))
    return np.rint((0.1 + seconds) / 24e-9).astype(int), degrees


@pytest.mark.parametrize(("teeth", "missing", "turns"), [(36, 1, 1), (12, 2, 1), (24, 1, 2)])
@pytest.mark.parametrize("swing", [0.0, 0.04])
def test_a_spark_is_placed_by_the_cubic_through_four_edges(
    teeth: int, missing: int, turns: int, swing: float
) -> None:
    """numpy's polynomial through the same four edges; sparks anywhere, also in the gap."""
    tick, degrees = wheel(teeth, missing, turns, swing, 16)
    rng = np.random.default_rng(teeth)
    period = teeth - missing
    after = np.sort(rng.choice(np.arange(4 * period, 13 * period, 4), 20, replace=False))
    after[:3] = 5 * period - 2, 6 * period - 1, 7 * period
    after = np.unique(after)
    part = rng.uniform(0.1, 0.9, len(after))
    spark = np.rint(tick[after] + part * (tick[after + 1] - tick[after])).astype(int)
    spark = spark[np.diff(spark, prepend=0) > 130_000]
    (found,) = json.loads(run_script(PLACED, stdin=json.dumps(
        [[teeth, missing, turns, tick.tolist(), spark.tolist()]]).encode()))  # fmt: skip
    (wrote, kept, _, unplaced, ringing), angles, _ = found
    assert (kept, ringing) == (len(spark), 0) and wrote + unplaced == len(spark) and wrote >= 12
    wanted = []
    for one in spark.tolist():
        k = int(np.searchsorted(tick, one, side="right")) - 1
        four = slice(k - 1, k + 3)
        at = (tick[four] - one) / 1e5
        wanted.append(1000 * np.polyfit(at, degrees[four], 3)[-1] % (360_000 * turns))
    off = (np.array(angles) - np.array(wanted[-wrote:]) + 180_000) % (360_000 * turns) - 180_000
    assert np.abs(off).max() < 12, off


def test_bursts_ringing_and_what_comes_with_the_crank_are_counted() -> None:
    tick, _ = wheel(36, 1, 1, 0.0, 12)
    dead_ticks = 5_000  # 120 µs, less than any clamp's dead time
    first = [int(tick[35 * k + 20] + 30_000) for k in range(4, 9)]
    burst = [t + by for t in first for by in (0, 41_667, 83_334)]
    ringing = [t + dead_ticks for t in first[:2]]
    with_crank = [int(tick[35 * 9 + 5] + 400)]
    spark = sorted(burst + ringing + with_crank)
    (found,) = json.loads(run_script(PLACED, stdin=json.dumps(
        [[36, 1, 1, tick.tolist(), spark]]).encode()))  # fmt: skip
    (wrote, kept, together, unplaced, rang), angles, sparks = found
    assert (wrote, kept, together, unplaced, rang) == (6, 16, 1, 0, 2)
    assert sparks[:5] == [3] * 5 and sparks[5] == 1
    assert angles[:5] == pytest.approx([200_000 + 7.2 * 30_000 * 24e-6 * 1000] * 5, abs=10)


def test_how_much_longer_than_a_step_a_gap_is() -> None:
    """A gap of 1 to 4 missing teeth is told from 95, 116, 134, 150 sixty-fourths of a step on.

    As it should be it is 2 to 5 steps, and the crank's period is known: `teeth` steps.
    """
    script = (
        FAKES
        + """
given = json.loads(sys.stdin.read())
import crank
found = []
for teeth, missing, longer in given:
    board = Board()
    meter = make(board, teeth=teeth, missing=min(missing, 3))
    meter._crank.set_wheel(teeth, missing)
    meter._crank.allow(400)
    when = 1000
    for n in range(4 * (teeth - missing)):
        when += longer if n % (teeth - missing) == 0 else 6400
        edge(board, 0, when)
        if n % 10 == 9:
            meter._crank.follow()
    meter._crank.follow()
    found.append([meter._crank.state[crank.KNOWN] & 4, meter._crank.period()])
print(json.dumps(found))
"""
    )
    cases = [
        [36, missing, 6400 * sixty_fourths // 64]
        for missing, least in ((1, 95), (2, 116), (3, 134), (4, 150))
        for sixty_fourths in (least - 1, least + 2, 64 * (missing + 1))
    ]
    found = json.loads(run_script(script, stdin=json.dumps(cases).encode()))
    assert [known for known, _ in found] == [0, 4, 4] * 4
    assert [period for _, period in found[2::3]] == [36 * 6400] * 4
