"""The firmware's small sums under the real MicroPython, against the same sums by hand.

Limits are those that protocol/wire.md promises, typed here once more. Longer than other files:
small sums of many files, each beside the others of its kind.
"""

from __future__ import annotations

import json
import struct
from math import ceil, cos, radians, sin, sqrt
from typing import Any

import numpy as np
import pytest

from firmware_board import run_script
from meter_rig import FAKES


def say(script: str, given: object = None) -> Any:
    """What a script that reads `given` prints as JSON."""
    head = "import sys, json\ngiven = json.loads(sys.stdin.read())\n"
    return json.loads(run_script(head + script, stdin=json.dumps(given).encode()))


# What may be driven

SLOW, FIVE_MS = 1_000_000, 6_000_000  # mrpm; 4 firings in 2 turns at 6000 rev/min: 5 ms apart


def order(fastest=SLOW, slowest=None, width=1000, firings=4, turns=2, teeth=0, missing=0, load=0):
    return [fastest if slowest is None else slowest, fastest, 0, width, firings, turns, 0, teeth,
            missing, load]  # fmt: skip


DRIVES = [
    (order(20_000), ""), (order(19_999), "slowest bench speed"), (order(10_000, 20_000), ""),
    (order(teeth=3, missing=2), ""), (order(teeth=3, missing=3), "missing is 3, must be less than"),
    (order(45_000_000, firings=0, teeth=60), ""),
    (order(45_001_000, firings=0, teeth=60), "45001 teeth a second at 45001 rev/min, at most"),
    (order(9_000_000, width=10, firings=40, turns=1), ""),
    (order(9_002_000, width=10, firings=40, turns=1), "6001 pulses a second at 9002 rev/min"),
    (order(18_000_000, width=10, firings=40, turns=2), ""),
    (order(1_000_000, 18_004_000, width=10, firings=40), "6001 pulses a second at 18004"),
    (order(width=0), "width_us is 0"), (order(width=0, firings=0, teeth=3), ""),
    (order(width=15_000), ""), (order(width=15_001), "at most 15000 for this load, inductive"),
    (order(width=20_000, load=1), ""),
    (order(width=20_001, load=1), "at most 20000 for this load, capacitive"),
    (order(FIVE_MS, width=3_500), ""), (order(FIVE_MS, width=3_501), "at most 70 % of the 5000 us"),
    (order(FIVE_MS, width=3_750, load=1), ""),
    (order(FIVE_MS, width=3_751, load=1), "at most 75 % of the 5000 us between pulses at 6000"),
    (order(SLOW, FIVE_MS, width=3_501), "at most 70 %"),
    # Faster and faster: the end tells.
    (order(FIVE_MS, SLOW, width=3_500), ""), (order(FIVE_MS, SLOW, width=3_501), "at most 70 %"),
    (order(20_000, 10_000), ""), (order(19_999, 10_000), "slowest bench speed"),
    (order(45_001_000, SLOW, firings=0, teeth=60), "45001 teeth a second at 45001 rev/min"),
    (order(FIVE_MS, width=1_750, turns=1), ""), (order(FIVE_MS, width=1_751, turns=1), "2500 us"),
]  # fmt: skip


def test_drive_orders_from_both_sides_of_each_limit() -> None:
    said = say(
        "from limits import drive_fault\nprint(json.dumps([drive_fault(x) for x in given]))",
        [one for one, _ in DRIVES],
    )
    for (one, wanted), found in zip(DRIVES, said, strict=True):
        assert (found is None) if not wanted else (found is not None and wanted in found), one


class Vessels:
    """Of a second and of a minute, filled by what is active, leaking by its share of the time."""

    def __init__(self, load: int) -> None:
        self.second = self.minute = 0.0
        self.then = 0
        self.leak, self.mean = ((700, 500), (750, 750))[load]
        self.most = (60_000, 80_000)[load]

    def take(self, us: int, now: int) -> int:
        passed, self.then = now - self.then, now
        self.second = max(0.0, self.second - passed * self.leak)
        self.minute = max(0.0, self.minute - passed * self.mean)
        if self.second + us > self.most:
            return 2
        if self.minute + us > 6_000_000:
            return 4
        self.second += us
        self.minute += us
        return 0


@pytest.mark.parametrize("load", [0, 1])
def test_active_time_of_a_second_and_of_a_minute(load: int) -> None:
    """Against the two vessels in floating point: bursts, a long train, rests, the clock's wrap."""
    # 60 001 and 19 999 are just what a capacitive load may have at once.
    steps = [(60_000, 0), (1, 0), (20_000, 0), (19_999, 0), (1, 0)]
    steps += [(700, 1), (50, 1), (1, 1), (800, 3)]
    steps += [(60_000, 200), (1, 200)]
    now = 200
    for k in range(900):  # ten times faster than a minute fills it
        now += 60
        steps.append((42_000 if load == 0 else 45_000, now + k % 2))
    steps += [(1_000, now + 1_000), (60_000, now + 24_000), (60_000, now + 24_010)]
    vessels = Vessels(load)
    wanted = [vessels.take(us, at) for us, at in steps]
    assert {0, 2} <= set(wanted) and (load or 4 in wanted)
    start = (1 << 30) - 20_000  # the board's clock wraps on the way
    script = """
from limits import Budget, take, THEN
from array import array
budget = Budget()
budget.set_load(given[0])
budget.words[THEN] = given[1]
print(json.dumps([take(budget.words, us, (given[1] + at) & 0x3FFFFFFF) for us, at in given[2]]))
"""
    assert say(script, [load, start, steps]) == wanted


def test_the_minutes_active_time_to_the_microsecond() -> None:
    """6 s at once and not a microsecond more; what is refused uses nothing up."""
    script = """
from limits import Budget, take, SECOND, MINUTE
budget = Budget()
budget.words[MINUTE] = given[0]
found = [take(budget.words, us, 0) for us in given[1]]
print(json.dumps([found, budget.words[SECOND], budget.words[MINUTE]]))
"""
    assert say(script, [5_999_000, [1001, 999, 2, 1, 1]]) == [[4, 0, 4, 0, 4], 1000, 6_000_000]


def test_how_long_it_must_rest() -> None:
    """A quarter of the second's burst may be left, three quarters of the minute's: by hand."""
    script = """
from limits import Budget, take, SECOND, MINUTE, THEN
found, left = [], []
for load, second, minute, back in given:
    budget = Budget()
    budget.set_load(load)
    words = budget.words
    words[SECOND], words[MINUTE], words[THEN] = second, minute, 1000 + back
    found.append([budget.wait_ms(1000)])
    left.append([words[SECOND], words[MINUTE]])
    words[SECOND], words[MINUTE], words[THEN] = second, minute, 1000 + back
    for firings in (4, 0):
        found[-1].append(budget.fault([0, 0, 0, 0, firings], 1000))
print(json.dumps([found, left]))
"""
    cases = [(0, 60_000, 0, 0), (1, 80_000, 0, 0), (0, 15_000, 4_500_000, 0),
             (0, 0, 6_000_000, 0), (1, 0, 6_000_000, 0), (0, 0, 6_000_000, 5),
             (0, 60_000, 0, -20), (1, 0, 6_000_000, -800),
             (0, 60_000, 0, 1 << 29), (0, 60_000, 6_000_000, (1 << 29) + 1),
             (0, 0, 4_999_999, 0), (0, 0, 5_000_000, 0), (0, 0, 5_499_999, 0)]  # fmt: skip
    found, left = say(script, cases)
    assert left[:6] == [list(case[1:3]) for case in cases[:6]]  # to ask uses nothing up
    assert left[6:8] == [[60_000 - 20 * 700, 0], [0, 6_000_000 - 800 * 750]]
    # From half of the clock's 2^30 ms on it was set back; what is just below has passed.
    assert left[8:10] == [[60_000, 0], [0, 0]]
    assert [one[0] for one in found] == [
        45_000 // 700, 60_000 // 750, 0, 3000, 2000, 3000,  # a clock set back has passed no time
        (45_000 - 20 * 700) // 700, (1_500_000 - 800 * 750) // 750,  # what leaked since
        45_000 // 700, 0, 999, 1000, 1999,
    ]  # fmt: skip
    # In whole seconds: less than one is none.
    assert found[10][1] is None
    assert all("must rest for 1 s" in one[1] for one in found[11:])
    assert "must rest for 3 s" in found[3][1] and "must rest for 2 s" in found[4][1]
    assert [one[1] for one in found[:3]] == [None] * 3 and all(one[2] is None for one in found)


# The meter's settings

RANGES = {
    "teeth": (0, 200), "missing": (0, 3), "turns": (1, 2), "index": (0, 1), "falling": (0, 1),
    "sensor": (0, 4), "reference_mdeg": (-360_000, 360_000), "within_mdeg": (0, 20_000),
    "cylinders": (1, 16), "strokes": (2, 4), "clamp": (0, 2), "clamp_b": (0, 1),
    "commanded_mdeg": (-60_000, 80_000), "display": (0, 1),
}  # fmt: skip


def test_settings_from_both_sides_of_each_range() -> None:
    cases: list[tuple[dict[str, Any], bool]] = [({}, True)]
    for name, (low, high) in RANGES.items():
        more = {"teeth": 36} if name in ("missing", "index") else {}
        cases += [({**more, name: low}, True), ({**more, name: high}, True)]
        cases += [({**more, name: low - 1}, False), ({**more, name: high + 1}, False)]
        cases += [({name: 0.5}, False), ({name: True}, False), ({name: None}, False)]
    cases += [({"commanded_mdeg": 100_000}, True), ({"commanded_mdeg": 99_999}, False),
              ({"strokes": 3}, False), ({"teeth": 6, "missing": 3}, True),
              ({"teeth": 5, "missing": 3}, False), ({"teeth": 36, "missing": 1, "index": 1}, False),
              ({"teeth": 2, "index": 1}, True), ({"teeth": 1, "index": 1}, False)]  # fmt: skip
    script = """
import settings
found = []
for changes in given:
    values = settings.first()
    values.update(changes)
    found.append(settings.fault(values))
print(json.dumps(found))
"""
    said = say(script, [one for one, _ in cases])
    for (one, good), found in zip(cases, said, strict=True):
        assert (found is None) is good, (one, found)


# The meter's number

MADE = (
    FAKES
    + """
import delays
import reasons as why
given = json.loads(sys.stdin.read())
board = Board()
found = []
class Fixed:
    known = seen = True
    def __init__(self, value): self.value = value
    def at(self, after, rpm): return self.value
    def square(self, after): return self.value
for case in given:
    values = {"teeth": 36, "missing": 1, "reference_mdeg": 60000, "within_mdeg": 500}
    values.update(case["set"])
    meter = make(board, **values)
    meter._bound, meter._teeth = Fixed(case.get("bound", 0)), Fixed(case.get("teeth", 0))
    events = meter._events
    events.mean, events.deviation = case["mean"], case.get("dev", 0)
    for k in range(64):  # the newest of n is not whole yet
        events.words[192 + k] = 2 if k < case.get("pairs", 0) else 1
    events.state[8] = case.get("n", 100)
    events.kept = case.get("n", 100)
    rows = [(1000, 5000, case.get("u", 400)), (2000, 3000, case.get("u", 200))]
    delays.CLAMP_LESS_CRANK = [[rows] * 2] * 5
    meter.rpm, meter._spread = case.get("rpm", 1000), case.get("spread", 0)
    reason = meter._angle(case.get("n", 100))
    found.append([reason, meter.raw, meter.error, meter.within, meter.figure, meter._spread])
print(json.dumps(found))
"""
)
FINE, REPEATS, IMPLAUSIBLE, CHECK = 0, 15, 16, 17
FAR, WIRES, VARIES, TRUE, TWICE = 20, 21, 22, 23, 24


def angles(*cases: dict[str, Any]) -> list[list[Any]]:
    full = [{"set": {}, "mean": 40_000, **case} for case in cases]
    found: list[list[Any]] = json.loads(run_script(MADE, stdin=json.dumps(full).encode()))
    return found


def test_timing_and_error_by_hand() -> None:
    """Reference 60° less where the spark is, plus 6 N t of the clamp's 5 µs at 1000 rpm: 0.03°."""
    found = angles(
        {}, {"mean": 40_090}, {"set": {"commanded_mdeg": 15_000}},
        {"set": {"commanded_mdeg": 25_000}}, {"mean": 75_000}, {"mean": 355_000},
        {"rpm": 2000, "mean": 40_014}, {"rpm": 1500, "mean": 40_014}, {"rpm": 500},
        {"rpm": 9000, "mean": 40_112},
    )  # fmt: skip
    # 20.03, 19.94, ...; 3 µs at 2000 rpm: 0.036; 4 µs at 1500: 0.036; 9000 rpm: 0.162.
    assert [one[1] for one in found] == [200, 199, 200, 200, -150, 650, 200, 200, 200, 201]
    assert [one[2] for one in found[:4]] == [None, None, 50, -50]
    assert {one[0] for one in found} == {FINE}


def test_what_is_shown_is_rounded_to_the_nearest_tenth() -> None:
    """20.049 and 20.050 degrees; 5.049 and 5.050 more than commanded, and so much less."""
    found = angles({"mean": 39_981}, {"mean": 39_980},
                   *({"mean": mean, "set": {"commanded_mdeg": commanded}}
                     for mean, commanded in ((39_981, 15_000), (39_980, 15_000), (39_981, 25_100),
                                             (39_980, 25_101))))  # fmt: skip
    assert [one[1] for one in found] == [200, 201, 200, 201, 200, 201]
    assert [one[2] for one in found[2:]] == [50, 51, -51, -51]


def test_how_far_back_is_looked() -> None:
    """1.5 s of events, and of fewer than twelve 12 s; a second place among those of 12 s."""
    script = (
        FAKES
        + """
board = Board()
meter = make(board, teeth=36, missing=1)
turn, now, edges, sparks = 40 * TICKS, 0, 0, 0
asked = []
fresh = meter._events.fresh
def noted(ms, limit):
    asked.append(limit)
    return fresh(ms, limit)
meter._events.fresh = noted
for ms in range(1, 4000):
    clock.now += 1
    while edges // 35 * turn + edges % 35 * turn // 36 < ms * TICKS:
        edge(board, 0, edges // 35 * turn + edges % 35 * turn // 36)
        edges += 1
    while sparks * 2 * turn + turn // 3 < ms * TICKS:
        edge(board, 1, sparks * 2 * turn + turn // 3)
        sparks += 1
    meter.turn(False)
print(json.dumps([meter.reason, asked[-4:]]))
"""
    )
    reason, asked = json.loads(run_script(script))
    assert reason == IMPLAUSIBLE and asked == [1_500, 12_000, 1_500, 12_000]


def test_what_the_meter_asks_of_its_parts() -> None:
    """Ticks of 24 ns, 41 666 a ms: 230 us (firmware/delays.py), 20 us, 1.8 ms; an event ends after
    3 ms or an eighth of a turn, or after two fifths of the way to the next; 16 edges a ms and 4 ms
    more, half a ring at the most."""
    script = (
        FAKES
        + """
import crank as c, sparks as s
given = json.loads(sys.stdin.read())
found = []
for values, period, passed in given:
    meter = make(Board(), teeth=36, missing=1, **values)
    order = meter._events.order
    meter._crank.state[c.PERIOD] = period
    meter._turned = clock.now
    meter._follow(clock.now + passed)
    found.append([order[s.DEAD], order[s.NEAR], order[s.FARTHEST], order[s.PAUSE], order[s.MOST],
                  meter._crank._most])
print(json.dumps(found))
"""
    )
    coil = {"clamp": 2, "cylinders": 16, "strokes": 2}
    cases = [({}, 0, 0), ({}, 2_500_000, 1), ({}, 400_000, 59), (coil, 400_000, 60), ({}, 0, 999)]
    found = json.loads(run_script(script, stdin=json.dumps(cases).encode()))
    near = [230 * 41_666 // 1000, 20 * 41_666 // 1000, 1800 * 41_666 // 1000]
    assert found == [
        [*near, 3 * 41_666, 64, 64], [*near, 2_500_000 // 8, 80, 80],
        [*near, 3 * 41_666, 63 * 16, 63 * 16], [*near, 400_000 // 360 * 22 * 2 // 5, 1024, 1024],
        [*near, 3 * 41_666, 1024, 1024],
    ]  # fmt: skip


def test_when_the_meter_looks_and_when_a_signal_is_gone() -> None:
    """A picture each 250 ms, each 500 ms beside a host; at once when no edge came for over 1 s."""
    script = (
        FAKES
        + """
found = []
for served in (False, True):
    meter, seen = make(Board()), []
    for ms in range(2100):
        clock.now += 1
        life = meter.life
        meter.turn(served)
        if meter.life != life:
            seen.append(clock.now)
    found.append([b - a for a, b in zip(seen, seen[1:])])
for input_ in (0, 1):
    board = Board()
    meter = make(board, teeth=36, missing=1, reference_mdeg=130000)
    turn, count, last = 40 * TICKS, [0, 0], 0
    for ms in range(1, 5200):
        clock.now += 1
        for i in (0, 1):
            while not (i == input_ and ms > 4000):
                k = count[i]
                when = (k * 2 * turn + turn // 3) if i else k // 35 * turn + k % 35 * turn // 36
                if when >= ms * TICKS:
                    break
                edge(board, i, when)
                count[i] += 1
                if i == input_:
                    last = ms
        was = meter.timed
        meter.turn(False)
        if ms > 4000 and was and not meter.timed:
            found.append([ms - last, meter.reason])
print(json.dumps(found))
"""
    )
    alone, beside, crank, clamp = json.loads(run_script(script))
    assert alone == [250] * 7 and beside == [500] * 3
    no_crank, no_sparks = 3, 7
    assert crank == [1_001, no_crank] and clamp == [1_001, no_sparks]


WAIT, LOST, ELSEWHERE, SPACING, PLACES, SCATTER, REVERSED = range(8, 15)
NOT_WHEEL, ON_CRANK, UNEVEN, NO_SPARKS, COIL_ON = 4, 5, 6, 7, 19


def test_each_doubt_from_both_sides() -> None:
    """15 % of the spacing, two strays in five, a quarter late, 0.08 steps (4096 times 4), 2 degrees
    of spread, a spread of half a degree with less than a fifth in its middle: common practice, no
    source; one at a time beside an engine that is fine."""
    script = (
        FAKES
        + """
import crank as c
given = json.loads(sys.stdin.read())
class Sparks:
    mean, deviation, kept, central, n, late_, space = 0, 0, 20, 20, 20, 0, 720000
    def fresh(self, now, limit): return self.n
    def sparks(self, n): return 10
    def late(self, n): return self.late_
    def summarize(self, *what): pass
    def spacing(self, *what):
        self.asked = [what[-1]]
        return self.space
    def second(self, n, scale, fold, reach, close):
        self.asked += [reach, close]
        return False
class Teeth:
    seen = False
found = []
meter = make(Board(), teeth=36, missing=1)
meter._teeth = Teeth()
meter._losses = meter._count = lambda now: None
meter._angle = lambda n: 0
for changes in given:
    meter._events = sparks = Sparks()
    now = clock.now
    for name in ("crank", "clamp", "good", "shown"):
        setattr(meter, "_" + name + "_ms", now)
    meter._lost_ms, meter._began = now - 5000, now - 9000
    meter._period, meter._spread, meter._even, meter._uneven = 2500000, 0, 5, 5
    meter._kept = meter._together = meter._unplaced = meter.figure = 0
    meter._told, meter.rpm, meter.events, meter.sparks = 360000, -1, 0, 0
    state = meter._crank.state
    state[c.GOOD], state[c.ODD_LAST], state[c.ODD_FIRST] = 8, c.MIDDLE, c.MIDDLE
    for name, value in changes.items():
        if name in ("GOOD", "ODD_LAST", "ODD_FIRST"):
            state[getattr(c, name)] += value
        elif name.endswith("_ago"):
            setattr(meter, name[:-4], now - value)
        elif name[0] == "_":
            setattr(meter, name, value)
        else:
            setattr(sparks, name, value)
    found.append([meter._doubt(now), meter.figure, meter.rpm, meter.events, meter.sparks,
                  getattr(sparks, "asked", None)])
print(json.dumps(found))
"""
    )
    wide = {"_good_ms_ago": 1001, "_began_ago": 9000}
    cases: list[tuple[dict[str, int], int]] = [
        ({}, FINE), ({"_period": 125_000}, FINE), ({"_period": 124_996}, NOT_WHEEL),
        ({"_period": 0}, WAIT), ({"_lost_ms_ago": 999}, LOST), ({"_lost_ms_ago": 1000}, FINE),
        ({"_good_ms_ago": 1000}, FINE), ({"_good_ms_ago": 1001, "_began_ago": 1999}, WAIT),
        ({"_good_ms_ago": 1001, "_began_ago": 2000}, NOT_WHEEL), (wide, NOT_WHEEL),
        ({**wide, "_kept": 64, "_together": 33}, ON_CRANK),
        ({**wide, "_kept": 64, "_together": 32}, NOT_WHEEL),
        ({**wide, "_kept": 63, "_together": 60}, NOT_WHEEL),
        # Sparks that come with the crank's edges: of teeth alike nothing else can be told.
        ({"_kept": 64, "_together": 64}, FINE), ({"_told": 10_000}, FINE),
        ({"_kept": 64, "_together": 64, "_told": 10_000}, ON_CRANK),
        ({"_clamp_ms_ago": 1000}, FINE), ({"_clamp_ms_ago": 1001}, NO_SPARKS),
        ({"n": 12, "kept": 12}, FINE), ({"n": 11}, WAIT), ({"n": 11, "_unplaced": 64}, WAIT),
        ({"n": 11, "_unplaced": 65}, UNEVEN),
        ({"n": 11, "_unplaced": 65, "_began_ago": 3000}, WAIT),
        ({"n": 11, "_unplaced": 65, "_began_ago": 3001}, UNEVEN),
        ({"late_": 4}, FINE), ({"late_": 5}, COIL_ON), ({"_uneven": 6}, UNEVEN),
        ({"space": 828_000}, FINE), ({"space": 828_001}, SPACING), ({"space": 612_000}, FINE),
        ({"space": 611_999}, SPACING), ({"space": 0}, UNEVEN),
        ({"kept": 12}, FINE), ({"kept": 11}, ELSEWHERE), ({"GOOD": -1}, WAIT),
        *(({word: sign * by}, FINE if by == 1311 else REVERSED)
          for word in ("ODD_LAST", "ODD_FIRST") for sign in (1, -1) for by in (1311, 1312)),
        ({"_spread": 2000}, FINE), ({"_spread": 2001}, SCATTER),
        ({"deviation": 500, "central": 3}, FINE), ({"deviation": 501, "central": 3}, PLACES),
        ({"deviation": 501, "central": 4}, FINE),
    ]  # fmt: skip
    found = json.loads(run_script(script, stdin=json.dumps([one for one, _ in cases]).encode()))
    for (one, wanted), (reason, figure, rpm, events, sparks, _) in zip(cases, found, strict=True):
        assert reason == wanted, one
        assert figure == (20 if wanted == SCATTER else 0)
        # A wheel that is another one tells no speed.
        fine = 20_000 if one.get("_period") == 125_000 else 1000
        assert wanted != FINE or [rpm, events, sparks] == [fine, 20 if "n" not in one else 12, 10]
        assert wanted not in (NOT_WHEEL, SPACING) or rpm == -1
    # A place is as wide as three deviations, or 2 degrees; a second one begins at 7/4 of one.
    widths = [{"deviation": one, "central": 20} for one in (600, 667, 1142, 1143, 1144)]
    found = json.loads(run_script(script, stdin=json.dumps(widths).encode()))
    assert [asked for *_, asked in found] == [
        [2000, 2000, 2000], [2001, 2001, 2000], [3426, 3426, 2000], [3429, 3429, 2000],
        [3432, 3432, 2002],
    ]  # fmt: skip


def test_events_of_a_coil_lead_are_folded_by_cylinders() -> None:
    """A four on the coil lead: sums are of 4 times an angle, modulo 4 · 180°."""
    coil = {"clamp": 2, "cylinders": 4}
    found = angles({"set": coil, "mean": 160_000, "dev": 400}, {"set": coil, "mean": 168_000})
    assert [one[1] for one in found] == [200, 180] and found[0][5] == 100


@pytest.mark.parametrize(
    ("clamp", "at", "reason"),
    # One wheel of 36 - 1 tells the angle modulo 360°: no engine fires before 70 or after -30.
    [(0, 69_900, FINE), (0, 70_100, IMPLAUSIBLE), (0, -29_900, FINE), (0, -30_100, IMPLAUSIBLE)],
)
def test_no_engine_fires_there(clamp: int, at: int, reason: int) -> None:
    (found,) = angles({"set": {"clamp": clamp}, "mean": (60_000 - at + 30) % 360_000})
    assert found[0] == reason and found[1] == round(at / 100)
    if reason == IMPLAUSIBLE:
        assert found[4] == found[1]


def test_a_large_error_a_repeating_wheel_and_a_vr_sensor_are_said() -> None:
    found = angles(
        {"set": {"commanded_mdeg": -4_900}}, {"set": {"commanded_mdeg": -5_000}},
        {"set": {"commanded_mdeg": 45_000}}, {"set": {"commanded_mdeg": 45_100}},
        {"set": {"teeth": 24, "missing": 0}}, {"set": {"sensor": 1, "falling": 1}},
        {"set": {"teeth": 4, "missing": 0}}, {"set": {"teeth": 3, "missing": 0}},
    )  # fmt: skip
    assert [one[0] for one in found[:6]] == [FINE, CHECK, FINE, CHECK, REPEATS, WIRES]
    assert (found[1][2], found[1][4]) == (250, 250) and (found[3][2], found[3][4]) == (-251, -251)
    assert found[4][4] == 150  # every 15 degrees, in tenths
    assert found[6][0] == FINE  # 90 degrees on: -70 and 110 are none
    assert found[7][0] == FINE  # 120


def test_three_in_five_with_just_two_edges_are_said() -> None:
    """Of 21 events 20 are whole: 12 of them are three in five; a VR sensor's doubt comes after."""
    vr = {"sensor": 1, "falling": 1}
    found = angles(
        {"n": 21, "pairs": 11}, {"n": 21, "pairs": 12}, {"n": 21, "pairs": 20, "set": vr},
        {"n": 21, "pairs": 21, "set": {"commanded_mdeg": -5_000}},
    )  # fmt: skip
    assert [one[0] for one in found] == [FINE, TWICE, TWICE, CHECK]


def test_interval_is_the_root_of_the_sum_of_squares_rounded_up() -> None:
    """U = 2 sqrt(s²/n (n + 1) / (n - 1) + 0.05² + teeth + bound² + (6 N u)² + (within / 2)²)."""
    cases: list[dict[str, Any]] = [
        {}, {"dev": 1500, "n": 12}, {"dev": 1500, "n": 100}, {"bound": 900}, {"teeth": 810_000},
        {"set": {"within_mdeg": 2000}}, {"rpm": 2000, "mean": 40_014}, {"rpm": 20_000, "n": 2},
        {"dev": 600, "n": 12, "bound": 500, "teeth": 90_000, "set": {"within_mdeg": 1200}},
        # As of a VR sensor: 22 µs are 0.26°; and no more than 8° are taken.
        {"rpm": 2000, "u": 22_000}, {"rpm": 2000, "u": 700_000},
    ]  # fmt: skip
    for case, found in zip(cases, angles(*cases), strict=True):
        n, s, rpm = case.get("n", 100), case.get("dev", 0), case.get("rpm", 1000)
        u_ns = case.get("u", 400 if rpm <= 1000 else 200)
        u = (
            s * s / n * (n + 1) / (n - 1) + 50**2 + case.get("teeth", 0) + case.get("bound", 0) ** 2
            + min(6e-6 * rpm * u_ns, 8000) ** 2
            + (case.get("set", {}).get("within_mdeg", 500) / 2) ** 2
        )  # fmt: skip
        assert found[3] == ceil(2 * sqrt(u) / 100), case


def test_where_a_wide_interval_is_from() -> None:
    found = angles(
        {"bound": 190}, {"bound": 200}, {"dev": 650, "n": 10}, {"dev": 550, "n": 10},
        {"teeth": 45_000}, {"teeth": 37_000}, {"bound": 210, "teeth": 45_000},
        {"bound": 210, "dev": 800, "n": 10}, {"teeth": 37_496}, {"teeth": 37_497},
    )  # fmt: skip
    # More than 0.2 degrees, of the largest part; 0.05 and 0.002 of the delay are in each.
    assert [one[0] for one in found] == [
        FINE, FAR, VARIES, FINE, TRUE, FINE, TRUE, VARIES, FINE, TRUE,
    ]  # fmt: skip
    assert found[2][4] == 6 and found[7][4] == 8


def test_a_spread_that_was_seen_fades_slowly() -> None:
    found = angles({"spread": 1600}, {"spread": 1600, "dev": 1550}, {"spread": 100, "dev": 90})
    assert [one[5] for one in found] == [1500, 1550, 94]


# What the speed may do between two edges


def left(x: float, order: float, step: float) -> float:
    """Largest part squared that the cubic through edges at -1, 0, 1, 2 steps leaves of a wave."""
    nodes = (-step, 0.0, step, 2 * step)
    weights = []
    for a in nodes:
        product = 1.0
        for b in nodes:
            if b != a:
                product *= (x - b) / (a - b)
        weights.append(product)
    c = cos(radians(order * x)) - sum(
        w * cos(radians(order * a)) for w, a in zip(weights, nodes, strict=True)
    )
    s = sin(radians(order * x)) - sum(
        w * sin(radians(order * a)) for w, a in zip(weights, nodes, strict=True)
    )
    return c * c + s * s


@pytest.mark.parametrize(
    ("teeth", "turns", "cylinders", "strokes"),
    [(1, 1, 4, 4), (4, 1, 8, 4), (1, 2, 2, 4), (2, 1, 3, 2), (1, 1, 1, 4), (1, 1, 1, 2)],
)  # fmt: skip
def test_bound_of_a_coarse_wheel(teeth: int, turns: int, cylinders: int, strokes: int) -> None:
    """The host's lines "speed swing" and "unequal cylinders", with half as much swing again.

    In 32 places, each with the value of its far end: not below the formula, and little above it.
    Kept in 16ths of 1/1000 degree at a swing of 1/1000, cut, and one more.
    """
    script = """
from bound import Bound
bound = Bound()
bound.set(given[0], 0, given[1], given[2], given[3])
print(json.dumps([[bound.at(after, rpm) for after, rpm in given[4]], list(bound._curve)]))
"""
    step, n = 360.0 * turns / teeth, cylinders * 2 / strokes
    asked = [(round(1000 * x), rpm) for rpm in (600, 800, 1600, 5000)
             for x in (0.03 * step, 0.2 * step, 0.45 * step, 0.75 * step, 1.2 * step)]  # fmt: skip
    found, curve = say(script, [teeth, turns, cylinders, strokes, asked])

    def formula(x: float, rpm: float) -> float:
        return at_swing(x, min(max(0.12 * (2 / n) ** 1.5 * (800 / rpm) ** 2, 0.002), 0.25))

    def at_swing(x: float, swing: float) -> float:
        square = (57.3 * swing / n) ** 2 * (1 - cos(radians(n * x)))
        for one in (0.5, 1.0, 1.5) if strokes == 4 else (1.0,):
            if cylinders > 1:
                size = swing * n / (one * cylinders) * (1 + n * n / 4) / (1 + one * one / 4)
                square += 0.7**2 * (57.3 * size / one) ** 2 * left(x, one, step) / 2
        return 1000 * sqrt(square)

    for (after, rpm), u in zip(asked, found, strict=True):
        x = after / 1000 % step
        x = min(x, step - x)
        ends = [formula(min(max(x + by * step / 64, 0.0), step / 2), rpm) for by in (-0.1, 0, 1.1)]
        assert min(u, 14_999) >= min(0.97 * min(ends) - 60, 14_999), (after, rpm, u, ends)
        assert u <= 15_000 and u <= 1.03 * max(ends) + 120, (after, rpm, u, ends)
    for k, kept in enumerate(curve):
        assert 0 < kept - 16 * at_swing(step / 2 * (k + 1) / 32, 0.001) <= 1 + 1e-9, k


@pytest.mark.parametrize(
    ("teeth", "missing", "cylinders", "strokes"), [(36, 1, 4, 4), (60, 2, 8, 4), (24, 2, 6, 4)]
)
def test_bound_of_a_fine_wheel(teeth: int, missing: int, cylinders: int, strokes: int) -> None:
    """Root mean square of what a cubic leaves of eight waves of torque, at its worst place.

    Wave m has (1 + (n/2)²) / (1 + (m n/2)²) / m² of the first one's size in angle, 57.3° swing / n:
    the docstring of firmware/bound.py by hand. Away from the gap, and in or beside it.
    """
    script = """
from bound import Bound
bound = Bound()
bound.set(given[0], given[1], 1, given[2], given[3])
print(json.dumps([bound.at(after, rpm) for after, rpm in given[4]]))
"""
    step, n = 360.0 / teeth, cylinders * 2 / strokes
    last = (teeth - missing - 2) * step  # from there on the gap is one of the cubic's pieces
    places = [0.5 * step, 1.1 * step, last - 0.1 * step, last + 0.1 * step, 360 - 0.5 * step]
    asked = [(round(1000 * x), rpm) for x in places for rpm in (300, 400, 800, 1200, 9000)]
    found = say(script, [teeth, missing, cylinders, strokes, asked])

    def formula(wide: float) -> float:
        def square(x: float) -> float:
            return sum(
                left(x, m * n, wide)
                * (57.3 / n * (1 + (n / 2) ** 2) / (1 + (m * n / 2) ** 2) / m**2) ** 2
                for m in range(1, 9)
            )

        return 1000 * sqrt(max(square(wide * k / 100) for k in range(101)) / 2)

    away, beside = formula(step), formula(step * (missing + 1))
    assert beside > 2 * away  # so that one in the other's place is seen
    for (after, rpm), u in zip(asked, found, strict=True):
        swing = min(max(0.12 * (2 / n) ** 1.5 * (800 / rpm) ** 2, 0.002), 0.25)
        wanted = swing * (away if step <= after / 1000 < last else beside)
        # The worst of seven places, steps of 1/16 and of 1/1000 swing, and whole 1/1000 degrees.
        assert 0.97 * wanted - 2 <= u <= 1.01 * wanted + 1000 * swing / 16 + 1, (after, rpm, wanted)


def test_the_curve_of_a_fine_wheel_has_eight_waves() -> None:
    """Of one firing in two turns a wave more or less is one of the curve's 16ths: by the formula
    above at the seven places 1/8 apart, cut, and one more."""
    wheels = [(12, 1), (18, 2)]
    script = """
from bound import Bound
bound = Bound()
found = []
for teeth, missing in given:
    bound.set(teeth, missing, 1, 1, 4)
    found.append([bound._fine, bound._curve[0], bound._curve[1]])
print(json.dumps(found))
"""
    n = 0.5

    def curve(wide: float, waves: int) -> int:
        def square(x: float) -> float:
            return sum(
                left(x, m * n, wide)
                * (57.3 / n * (1 + (n / 2) ** 2) / (1 + (m * n / 2) ** 2) / m**2) ** 2
                for m in range(1, waves + 1)
            )

        return int(16 * sqrt(max(square(wide * k / 8) for k in range(1, 8)) / 2)) + 1

    for (teeth, missing), found in zip(wheels, say(script, wheels), strict=True):
        step, beside = 360 / teeth, 360 / teeth * (missing + 1)
        assert found == [True, curve(step, 8), curve(beside, 8)]
        assert curve(beside, 7) < curve(beside, 8) < curve(beside, 9)


def test_a_bound_at_a_place_and_a_speed() -> None:
    """Curve times swing / 16: 120 thousandths at 800 rev/min, with the square of the speed, from 2
    to 250. Of a coarse wheel 32 places to the middle of a step; of a fine one its gap's own."""
    script = """
from bound import Bound
bound = Bound()
found = []
for fine, step, gap, near, swing, asked in given:
    bound._fine, bound._step, bound._gap, bound._near, bound._swing = fine, step, gap, near, swing
    for k in range(32):
        bound._curve[k] = 16 * (k + 1)
    found.append([bound.at(after, rpm) for after, rpm in asked])
for most in (59, 60, 61):
    bound._curve[31] = 16 * most
    found.append(bound.at(99_999, 100))
print(json.dumps(found))
"""
    speeds = [(0, 799), (0, 800), (0, 1600), (0, 554), (0, 553), (0, 6192), (0, 6197), (0, 20_000)]
    # 120 * 640000 // (rpm^2 + 1), cut: 120 119 29 250 251->250 2 1->2 0->2
    places = [(k, 800) for k in (0, 3_124, 3_125, 99_999, 100_000, 100_001, 196_875, 196_876)]
    coarse = [False, 200_000, 0, 0, 120]
    fine = [(k, 800) for k in (0, 9_999, 10_000, 329_999, 330_000, 359_999)]
    found = say(script, [
        [*coarse, speeds], [*coarse, places], [True, 10_000, 1, 330_000, 120, fine],
        [True, 10_000, 0, 330_000, 120, fine], [False, 200_000, 0, 0, 100_000, [(99_999, 100)]],
        [False, 200_000, 0, 0, 60, [(99_999, 565), (200_000 + 99_999, 800)]],
        # 45 440 000 / 488 602 is 93.00003.
        [False, 200_000, 0, 0, 71, [(99_999, 699)]],
    ])  # fmt: skip
    assert found[0] == [120, 119, 29, 250, 250, 2, 2, 2]
    assert found[1] == [119 * k for k in (1, 1, 2, 32, 32, 32, 2, 1)]
    assert found[2] == [238, 238, 119, 119, 238, 238] and found[3] == [119] * 6
    assert found[4] == [32 * 250] and found[5] == [32 * 120, 32 * 59] and found[6] == [32 * 93]
    assert found[7:] == [59 * 250, 60 * 250, 15_000]


def test_what_the_swing_is_by_the_number_of_firings() -> None:
    """120 thousandths with two a turn, falling with the power 1.5: 42 with four, 339 with one."""
    script = """
from bound import Bound
bound = Bound()
found = []
for teeth, missing, turns, cylinders, strokes in given:
    bound.set(teeth, missing, turns, cylinders, strokes)
    found.append([bound._step, bound._gap, bound._near, bound._fine, bound._swing])
print(json.dumps(found))
"""
    cases = [(36, 1, 1, 4, 4), (36, 1, 1, 8, 4), (12, 1, 1, 6, 4), (11, 1, 1, 6, 4),
             (4, 0, 1, 1, 2), (24, 2, 2, 2, 4), (8, 0, 1, 4, 4)]  # fmt: skip
    assert say(script, cases) == [
        [10_000, 1, 330_000, True, 120], [10_000, 1, 330_000, True, 42],
        [30_000, 1, 270_000, True, 65], [32_727, 1, 8 * 32_727, False, 65],
        [90_000, 0, 180_000, True, 339], [30_000, 2, 600_000, True, 339],
        [45_000, 0, 270_000, True, 120],
    ]  # fmt: skip


# Frames and the lease, byte by byte


def test_numbers_stand_in_a_frame_as_struct_has_them() -> None:
    """Little endian, from body offset 0 at index 4 on; nothing beside them is touched."""
    numbers = [0, 1, 0xFF, 0x100, 0x1234, 0xFFFF, 0x12345678, 0x3FFFFFFF, 0x01020304, 0x2A00FF55]
    words = [0xFFFFFFFF, 0x80000000, 0x01020304, 7]
    script = """
from array import array
from frame import put16, put32, put_words, put_header
found = []
numbers, words = given
for k, value in enumerate(numbers):
    for put, at in ((put16, 3 + k), (put32, 2 * k)):
        frame = bytearray(b"\\xee" * 64)
        put(frame, at, value & 0xFFFF if put is put16 else value)
        found.append(list(frame))
frame = bytearray(b"\\xee" * 64)
put_words(frame, 8, array("I", words), 3)
found.append(list(frame))
for seq in (0, 0x3FFFFFFE):
    counter = array("I", [seq])
    frame = bytearray(b"\\xee" * 64)
    put_header(frame, 0x13, 0x2345, counter)
    found.append([list(frame), counter[0]])
print(json.dumps(found))
"""
    found = say(script, [numbers, words])

    def with_(at: int, data: bytes) -> list[int]:
        return list((b"\xee" * at + data).ljust(64, b"\xee"))

    wanted: list[Any] = []
    for k, value in enumerate(numbers):
        wanted.append(with_(4 + 3 + k, struct.pack("<H", value & 0xFFFF)))
        wanted.append(with_(4 + 2 * k, struct.pack("<I", value)))
    wanted.append(with_(4 + 8, struct.pack("<3I", *words[:3])))
    wanted += [
        [with_(4, struct.pack("<BBHI", 0x13, 0, 0x2345, seq)), seq + 1] for seq in (0, 0x3FFFFFFE)
    ]
    assert found == wanted


def test_each_byte_of_a_number_counts_against_its_limits() -> None:
    """Little endian, of 1, 2 or 4 bytes; what lies beside it does not count. The first bad one of
    three is named; one of 2^30 and more is above any limit."""
    script = """
from array import array
from frame import outside
found = []
for data, limits, n in given:
    found.append(outside(bytearray(data), array("I", limits), n))
print(json.dumps(found))
"""
    cases: list[tuple[list[int], list[int], int]] = []
    wanted = []
    for wide, low, high in ((1, 3, 200), (2, 3, 200), (2, 300, 1000), (4, 3, 200), (4, 300, 70_000),
                            (4, 70_000, 20_000_000), (4, 0, (1 << 30) - 1)):  # fmt: skip
        values = {low - 1, low, low + 1, high - 1, high, high + 1, 0}
        values |= {near + (1 << bit) for near in (low, high) for bit in range(8 * wide)}
        for value in values:
            if 0 <= value < 1 << 8 * wide:
                data = [0xFF, 0xFF, *value.to_bytes(wide, "little"), 0xFF, 0xFF]
                bad = not low <= value <= high
                cases.append((data, [2, wide, low, high], 1))
                wanted.append(0 if bad else -1)
                good = [0, 1, 0, 255]
                cases.append((data, [*good, 2, wide, low, high, *good], 3))
                wanted.append(1 if bad else -1)
                cases.append((data, [*good, 2, wide, low, high], 1))  # not asked for
                wanted.append(-1)
    assert len(set(wanted)) == 3 and say(script, cases) == wanted


def test_the_lease_against_whole_numbers() -> None:
    """A command counts when its seq is ahead by 1 to 2^31 - 1, and a renew when it names the last
    one obeyed: against Python's integers, with every bit of a number flipped."""
    drive, renew, session = 20, 24, 0x1234
    bits = [1 << k for k in range(32)]
    base = 0x81C30F5A
    sets = []
    for bit in bits:
        granted = base ^ bit
        sets.append([[drive, 0, granted, 0], [renew, 0, (granted + 1) % 2**32, granted]])
        sets.append([[drive, 0, base, 0], [renew, 0, (base + 1) % 2**32, base ^ bit]])
        sets.append([[drive, 0, base, 0], [drive, 0, (base + bit) % 2**32, 0]])
        sets.append([[drive, 0, base, 0], [drive, 0, (base - bit) % 2**32, 0]])
        sets.append([[drive, session, base, 0], [drive, session ^ (bit % 65_535), base + 1, 0]])
    sets += [
        [[renew, 0, 5, 5]], [[drive, 0, 7, 0], [drive, 0, 7, 0]],
        [[drive, session, 7, 0], [renew, session, 8, 7], [renew, session, 9, 8]],
        [[drive, 0, 0xFFFFFFFF, 0], [drive, 0, 0, 0], [renew, 0, 1, 0], [renew, 0, 2, 0xFFFFFFFF]],
        [[drive, 0, 9, 0], [drive, 0, 0x80000008, 0]],
        [[drive, 0, 9, 0], [drive, 0, 0x80000009, 0]],
    ]  # fmt: skip
    script = """
from lease import Lease
import wire
found = []
def four(body, at, value):
    for k in range(4):
        body[at + k] = value >> 8 * k & 255
for commands in given[1]:
    lease = Lease()
    row = []
    for number, named, seq, of in commands:
        body = bytearray(40)
        body[1] = number
        body[1 + wire.HEADER_SESSION] = named & 255
        body[2 + wire.HEADER_SESSION] = named >> 8
        four(body, 5, seq)
        four(body, 1 + wire.RENEW_LEASE, of)
        why = lease.stale(body, given[0])
        row.append(why)
        if why is None and number != wire.RENEW:
            lease.grant(body)
    lease.clear()
    row.append(lease.stale(body, 0))
    found.append(row)
print(json.dumps(found))
"""
    found = say(script, [session, sets])
    for commands, said in zip(sets, found, strict=True):
        last = granted = None
        for (number, named, seq, of), why in zip(commands, said, strict=False):
            if named and named != session:
                wanted = "another session"
            elif last is not None and not 0 < (seq - last) % 2**32 < 2**31:
                wanted = "has come before"
            else:
                last, wanted = seq, ""
                if number == renew and of != granted:
                    wanted = "of another command"
                granted = seq if number == drive else granted
            assert (why is None) if not wanted else wanted in why, (commands, said)
        # Of a new session nothing is known: a drive counts, a renew is of no command.
        number, named = commands[-1][:2]
        if not named:
            assert said[-1] is None if number == drive else "of another command" in said[-1]


def test_speed_of_a_turn_of_the_crank() -> None:
    """60 s over the turn's length, to the nearest whole rev/min; a tick is 24 ns."""
    periods = [
        2_500_000,
        2_499_000,
        416_667,
        131_579,
        25_000_001,
        250_000_123,
        1_666_944,
        3_333_700,
    ]
    script = (
        FAKES
        + """
given = json.loads(sys.stdin.read())
meter = make(Board())
found = []
for period in given:
    meter._period = period
    meter._speed()
    found.append(meter.rpm)
fresh = Meter(Board(), panel.find(), "")  # with what is kept, before anybody sets anything
found += [fresh._crank.wheel[0], fresh.enabled]
print(json.dumps(found))
"""
    )
    *found, teeth, enabled = json.loads(run_script(script, stdin=json.dumps(periods).encode()))
    assert (teeth, enabled) == (1, 3)
    assert found == [round(60 / (period * 24e-9)) for period in periods]
    assert found[0] == 1000


def test_delays_of_the_paths_at_a_speed_and_what_the_crank_turns_meanwhile() -> None:
    """On straight lines between the table's speeds; 6 N t degrees, N no more than 20 000."""
    script = (
        FAKES
        + """
import delays
given = json.loads(sys.stdin.read())
delays.CLAMP_LESS_CRANK = [[[(1000, 5000, 400), (2000, 3000, 200), (4000, -7000, 900)]] * 2] * 5
meter = make(Board(), teeth=36, missing=1)
found = []
for rpm, ns in given:
    meter.rpm = rpm
    found.append([meter._delay(1), meter._delay(2), meter._turned_in(ns)])
print(json.dumps(found))
"""
    )
    rpms = [0, 999, 1000, 1250, 1500, 1999, 2000, 2001, 3000, 3900, 4000, 9000, 20_000, 25_000]
    cases = [[rpm, ns] for rpm in rpms for ns in (50_000, -50_000, 2_000_000)]
    found = json.loads(run_script(script, stdin=json.dumps(cases).encode()))
    speeds = [1000, 2000, 4000]
    for (rpm, ns), (late, u, turned) in zip(cases, found, strict=True):
        assert late == pytest.approx(np.interp(rpm, speeds, [5000, 3000, -7000]), abs=25)
        assert u == pytest.approx(np.interp(rpm, speeds, [400, 200, 900]), abs=8)
        wanted = 6 * min(rpm, 20_000) * ns * 1e-9 * 1000
        assert turned == pytest.approx(wanted, rel=0.002, abs=7)
        assert rpm < 20_000 or turned == 120 * ns // 1000


def test_newest_counts_fade_away() -> None:
    """A quarter of what is new, of periods 16 for each; an eighth gone at a look, of events 64.

    A turn from the ticks of some turns, or of some steps where teeth are alike.
    """
    script = (
        FAKES
        + """
import crank as c, sparks as s
found = []
for teeth, missing, turns in ((36, 1, 1), (24, 0, 1), (36, 1, 2)):
    meter = make(Board(), teeth=teeth, missing=missing, turns=turns)
    crank, sparks = meter._crank.state, meter._events.state
    row = []
    for good, refused, kept, together, unplaced, ticks, turned in (
        (8, 4, 5, 2, 1, 7500003, 3), (8, 4, 5, 2, 1, 0, 0), (10, 5, 9, 2, 3, 2000000, 1)):
        crank[c.GOOD], crank[c.REFUSED] = good, refused
        sparks[s.KEPT], sparks[s.TOGETHER], sparks[s.UNPLACED] = kept, together, unplaced
        crank[c.TICKS], crank[c.TURNED] = ticks, turned
        meter._count(clock.now)
        row.append([meter._even, meter._uneven, meter._kept, meter._together, meter._unplaced,
                    meter._period, crank[c.TICKS] + crank[c.TURNED]])
    found.append(row)
print(json.dumps(found))
"""
    )
    found = json.loads(run_script(script))
    for row, period in zip(found, (1, 24, 0.5), strict=True):
        first, still, more = row
        assert first[:5] == [32, 16, 320, 128, 64]
        assert still[:5] == [24, 12, 280, 112, 56]
        assert more[:5] == [24 + (32 - 24) // 4, 12 + (16 - 12) // 4, 245 + 256, 98, 49 + 128]
        assert first[5] == still[5] == int(2_500_001 * period)
        assert more[5] == 2_000_000 * period and first[6] == more[6] == 0


def test_a_new_session_counts_from_zero() -> None:
    """wire.md: time, totals and losses begin at 0; what was seen before is not missed."""
    script = (
        FAKES
        + """
import crank as c, sparks as s
board = Board()
meter = make(board, teeth=36, missing=1)
for session in (1, 2):
    for k in range(40):
        edge(board, 0, 5000 + 40000 * k)
        edge(board, 1, 25000 + 40000 * k)
        if k % 10 == 9:
            clock.now += 10
            meter.turn(False)
    seen = [meter._crank.state[c.SEEN], meter._events.state[s.SEEN], meter._crank_edges,
            meter._clamp_edges, meter._crank.state[c.CRANK_SKIPPED], meter._events.state[s.SKIPPED]]
    print(json.dumps(seen))
    board.rings.clear(session + 1)
    meter.restart(meter.enabled, meter.falling, 0)
    seen = [meter._crank.state[c.SEEN], meter._crank.state[c.DECIDED], meter._events.state[s.SEEN],
            meter._events.state[s.EDGE], meter._crank_edges, meter._clamp_edges]
    print(json.dumps(seen))
"""
    )
    said = [json.loads(line) for line in run_script(script).splitlines()]
    assert said[0][0] == 40 and said[0][2:] == [40, 40, 0, 0] and said[0] == said[2]
    assert said[1] == said[3] == [0] * 6


def test_cosines_and_the_waves_that_a_wheels_teeth_can_tell() -> None:
    """1024 (1 + cos), 1024 (1 + sin) of each tooth; 256 cos(x / 2)^8 of a wave that moves by x."""
    wheels = [(36, 1, 1, 2.0), (60, 2, 1, 4.0), (24, 1, 2, 2.0), (200, 3, 1, 2.0)]
    script = """
from crank import Crank
from teeth import Teeth, HALF
class Rings:
    size = 512
found = []
for teeth, missing, turns, firings in given:
    crank = Crank(Rings, 0)
    crank.set_wheel(teeth, missing, turns)
    made = Teeth()
    made.set(crank.wheel, firings)
    found.append([[made._table[j] for j in range(teeth)],
                  [made._table[HALF + j] for j in range(teeth)], made._curved, made.seen])
print(json.dumps(found))
"""
    for (teeth, _, turns, firings), (cosine, sine, curved, seen) in zip(
        wheels, say(script, wheels), strict=True
    ):
        turn = np.radians(360 * np.arange(teeth) / teeth)
        assert np.abs(np.array(cosine) - 1024 * (1 + np.cos(turn))).max() <= 0.51
        assert np.abs(np.array(sine) - 1024 * (1 + np.sin(turn))).max() <= 0.51
        x = radians(firings * 360 * turns / teeth)
        if curved:
            assert curved == int(256 * cos(x / 2) ** 8) - 1
        assert seen and (curved > 0) == (16 * cos(x) ** 4 >= 6 and x < radians(60))
