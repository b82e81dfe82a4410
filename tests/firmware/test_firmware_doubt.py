"""Why the stand-alone meter shows no number: each limit of firmware/meter.py from both sides.

What crank and sparks have found is the test's (their own sums: test_firmware_wheel.py,
test_firmware_events.py); limits are those of the guide (stand-alone.md) and of the comments
beside them, typed here once more. Under CPython, on a clock that the test moves.
"""

from __future__ import annotations

import functools
import types
from array import array
from typing import Any

import pytest

import pio_chip
from meter_rig import NAMES

MS = 125_000  # cycles
NOW = 100_000  # ms
TURN = 2_500_000  # ticks of 24 ns: 1000 rev/min
FINE = ""


class Clock:
    def __init__(self) -> None:
        self.cycle = NOW * MS

    def run(self, cycles: int) -> None:
        self.cycle += cycles


@functools.cache
def loaded() -> list[Any]:
    return pio_chip.load("meter", "settings", "crank", "sparks", "ring", chip=Clock)


class Panel:
    """Two buttons that nobody presses."""

    def __init__(self) -> None:
        self.did: list[str] = []

    def buttons(self) -> tuple[Any, Any]:
        pin = types.SimpleNamespace(value=lambda: 1)
        menu = loaded()[0].Menu.__init__.__globals__
        return menu["Button"](pin), menu["Button"](pin)

    def show(self, meter: Any) -> None:
        self.did.append("show")

    def work(self, now: int) -> None:
        self.did.append("work")

    def clear(self) -> None:
        self.did.append("clear")


class Events:
    """What sparks.Events says, as the test has it; `ages`: ms of the newest events."""

    def __init__(self, words: int) -> None:
        self.state, self.order = array("I", [0] * words), array("I", [0] * words)
        self.ages = [100] * 20
        self.mean, self.deviation, self.kept, self.central = 40_000, 100, 20, 20
        self.late_ones = self.pair_ones = 0
        self.apart = 720_000
        self.two = False
        self.asked: dict[str, tuple[Any, ...]] = {}
        self.forgot = 0

    def fresh(self, ms: int, limit: int) -> int:
        assert ms == NOW
        return sum(age <= limit for age in self.ages)

    def sparks(self, n: int) -> int:
        return 10 * n  # so that it is seen of how many

    def late(self, n: int) -> int:
        return self.late_ones

    def pairs(self, n: int) -> int:
        return self.pair_ones

    def summarize(self, *what: Any) -> None:
        self.asked["summarize"] = what

    def spacing(self, *what: Any) -> int:
        self.asked["spacing"] = what
        return self.apart

    def second(self, *what: Any) -> bool:
        self.asked["second"] = what
        return self.two

    def forget(self) -> None:
        self.forgot += 1

    def follow(self, now: int) -> None:
        self.asked["follow"] = (now,)


def fresh(tick_ps: int = 24_000) -> Any:
    """A meter at boot, with nothing set."""
    module, _, _, _, ring = loaded()
    pio_chip.CHIP = Clock()  # type: ignore[assignment]
    board = types.SimpleNamespace(rings=ring.plain_rings(2048), tick_ps=tick_ps, outputs=0)
    return module.Meter(board, Panel())


def meter(**values: Any) -> Any:
    """A meter of a 36-1 wheel on a four, all well: 20 degrees before top dead centre."""
    _, settings, crank, sparks, _ = loaded()
    made = fresh()
    made.values.update({"teeth": 36, "missing": 1, "reference_mdeg": 60_000, **values})
    assert settings.fault(made.values) is None
    made.apply()
    made._events = Events(sparks.ORDER_WORDS + sparks.SPARK_WORDS)
    made._teeth = types.SimpleNamespace(seen=False, known=False, square=lambda after: 0,
                                        look=lambda *_: looked.append(1))  # fmt: skip
    looked = made._teeth.looked = []
    made._bound = types.SimpleNamespace(at=lambda after, rpm: 0)
    made._delay = lambda what: 0
    made._crank_ms = made._clamp_ms = made._good_ms = NOW
    made._began = NOW - 60_000
    state = made._crank.state
    state[crank.TICKS], state[crank.TURNED] = TURN, 1
    state[crank.GOOD] = made._good = 100
    state[crank.ODD_LAST] = state[crank.ODD_FIRST] = crank.MIDDLE
    return made


def reason(made: Any) -> str:
    made.figure, made.timed, made.known, made.rpm, made.sparks, made.events = 9, 1, 1, 9, 9, 9
    made._judge(NOW)
    assert made.timed is (NAMES[made.reason] in (FINE, "FAR", "WIRES", "VARIES", "TRUE", "TWICE"))
    return NAMES[made.reason]


def crank_of(made: Any, **words: int) -> None:
    for name, value in words.items():
        made._crank.state[getattr(loaded()[2], name)] = value
        if name == "GOOD":
            made._good = value  # none of them new


def sparks_of(made: Any, **words: int) -> None:
    for name, value in words.items():
        made._events.state[getattr(loaded()[3], name)] = value


def test_all_is_well() -> None:
    made = meter(commanded_mdeg=15_000)
    assert reason(made) == FINE
    assert (made.rpm, made.timing, made.raw, made.error) == (1000, 200, 200, 50)
    assert (made.events, made.sparks, made.known, made.figure) == (20, 200, True, 0)
    # A plug lead: once in two turns, of a wheel that tells one; strays are 2 degrees off.
    assert made._events.asked == {
        "summarize": (20, 1, 360_000, 2_000), "spacing": (20, 360_000, 1, 360_000, 2_000),
        "second": (20, 1, 360_000, 2_000, 2_000),
    }  # fmt: skip
    made = meter(teeth=0, missing=0)
    assert reason(made) == "SET_WHEEL"
    assert (made.figure, made.known, made.rpm, made.sparks, made.events) == (0, False, -1, 0, 0)
    made = meter()
    made._bound.at = lambda after, rpm: 300
    assert reason(made) == "FAR"


@pytest.mark.parametrize(
    ("mine", "enabled", "falling", "both", "foreign"),
    [
        ({}, 3, 0, 0, False), ({}, 15, 12, 8, False), ({}, 1, 0, 0, True), ({}, 2, 0, 0, True),
        ({}, 3, 1, 0, True), ({}, 3, 2, 0, True), ({}, 3, 0, 1, True), ({}, 3, 0, 2, True),
        ({"clamp_b": 1}, 5, 0, 0, False), ({"clamp_b": 1}, 5, 2, 2, False),
        ({"clamp_b": 1}, 3, 0, 0, True), ({"falling": 1}, 3, 1, 0, False),
        ({"falling": 1}, 3, 0, 0, True),
        ({"missing": 0, "index": 1}, 11, 0, 0, False), ({"missing": 0, "index": 1}, 3, 0, 0, True),
    ],
)  # fmt: skip
def test_inputs_that_a_host_has_set_otherwise(
    mine: dict[str, int], enabled: int, falling: int, both: int, foreign: bool
) -> None:
    """Only those that the meter uses matter: crank 1, clamp A 2 or B 4, index 8."""
    made = meter(**mine)
    made._events.restart = made._teeth.forget = lambda: None
    made.restart(enabled, falling, both)
    assert (reason(made) == "HOST") is foreign
    assert (made._began, made._crank_ms, made._clamp_ms) == (NOW, NOW - 1000, NOW - 1000)


def test_a_vr_sensor_wants_the_falling_edge() -> None:
    assert reason(meter(sensor=1, falling=0)) == "FALLING"
    assert reason(meter(sensor=1, falling=1)) == "WIRES"
    assert reason(meter(sensor=0, falling=0)) == FINE


def test_signals_that_have_been_away_for_a_second() -> None:
    for name, said in (("_crank_ms", "NO_CRANK"), ("_clamp_ms", "NO_SPARKS")):
        for away, wanted in ((1000, FINE), (1001, said)):
            made = meter()
            setattr(made, name, NOW - away)
            assert reason(made) == wanted
            assert made._gone(NOW) is (away > 1000)
    assert made.rpm == 1000  # without sparks the speed is shown
    for ago, wanted in ((999, "LOST"), (1000, FINE)):
        made = meter()
        made._lost_ms = NOW - ago
        assert reason(made) == wanted


def test_edges_that_do_not_fit_the_wheel() -> None:
    """No good turn for a second; two seconds after the start it is said, before that: wait."""
    for good, began, sparks, wanted in (
        (1000, 60_000, 0, FINE), (1001, 60_000, 0, "NOT_WHEEL"), (1001, 1999, 0, "WAIT"),
        (1001, 2000, 0, "NOT_WHEEL"), (1001, 2000, 1, "ON_CRANK"), (1001, 1999, 1, "WAIT"),
    ):  # fmt: skip
        made = meter()
        made._good_ms, made._began = NOW - good, NOW - began
        sparks_of(made, KEPT=sparks, TOGETHER=sparks)
        assert reason(made) == wanted
        assert (made.rpm, made._period) == ((1000, TURN) if wanted == FINE else (-1, 0))
    made = meter()
    made._good_ms = NOW - 5000
    crank_of(made, GOOD=101)
    made._good = 100
    assert reason(made) == FINE and made._good_ms == NOW
    made = meter()
    crank_of(made, TURNED=0)
    assert reason(made) == "WAIT"
    for ticks, wanted, rpm in ((125_000, FINE, 20_000), (124_994, "NOT_WHEEL", -1)):
        made = meter()
        crank_of(made, TICKS=ticks)
        assert (reason(made), made.rpm) == (wanted, rpm)


def test_a_wheel_of_even_teeth_counts_its_turn_from_the_teeth_that_passed() -> None:
    """Seven of 36 in 97 228 ticks: 97 228 / 7 * 36 = 500 029.7 ticks a turn."""
    made = meter(missing=0)
    crank_of(made, TICKS=97_228, TURNED=7)
    made._judge(NOW)
    assert made._period == 500_029


def test_sparks_that_come_with_the_crank() -> None:
    """More than half of them, of one at least, where all hangs on one pulse a turn."""
    for kept, together, wanted in ((2, 1, FINE), (3, 2, "ON_CRANK"), (1, 1, "ON_CRANK")):
        made = meter(teeth=1, missing=0)
        sparks_of(made, KEPT=kept, TOGETHER=together)
        assert reason(made) == wanted
        made = meter()
        sparks_of(made, KEPT=kept, TOGETHER=together)
        assert reason(made) == FINE
    for old, wanted in ((73, "ON_CRANK"), (72, FINE)):  # an eighth of it fades: 64 and 63
        made = meter(teeth=1, missing=0)
        made._kept = made._together = old
        assert reason(made) == wanted


def test_twelve_events_make_a_number() -> None:
    """Of the last second and a half; where those are fewer, twelve of the last twelve seconds."""
    for ages, wanted, n in (
        ([1500] + [12_000] * 11, FINE, 12), ([1500] + [12_000] * 10 + [12_001], "WAIT", 0),
        ([1501] + [12_000] * 19, "WAIT", 0), ([1500] * 12 + [1501] * 9, FINE, 12),
        ([1500] * 13 + [1501] * 9, FINE, 13), ([1500] * 11 + [1501] * 9, FINE, 12),
    ):  # fmt: skip
        made = meter()
        made._events.ages = ages
        made._events.kept = made._events.central = n
        assert (reason(made), made.events, made.sparks) == (wanted, n, 10 * n)
    assert made._events.asked["second"][0] == 20  # all of the last twelve seconds


def test_nothing_is_known_at_boot() -> None:
    made = fresh()
    assert NAMES[made.reason] == "SET_WHEEL"
    assert (made.figure, made.rpm, made.timed, made.known) == (0, -1, False, False)
    assert (made.timing, made.within, made.sparks, made.events, made.raw, made.life) == (0,) * 6
    assert (made.error, made.lamp, made.stale, made._spread, made._period) == (None, None, False,
                                                                               0, 0)  # fmt: skip
    assert (made.enabled, made.falling, made._began, made._foreign) == (3, 0, NOW, False)
    assert NOW - made._lost_ms == 1000  # nothing has been lost
    # Counts at 0, so that the first edge is noticed.
    assert (made._crank_edges, made._clamp_edges, made._stalls) == (0, 0, 0)
    values = made.values
    values.update(teeth=36, missing=1)
    made.apply()
    made._crank.period = lambda: 0
    assert reason(made) == "WAIT"  # no signal yet, for a second


@pytest.mark.parametrize("tick_ps", [24_000, 20_000])
def test_times_in_ticks(tick_ps: int) -> None:
    """Ringing as long as the clamp's table has it, 20 us and 1.8 ms."""
    _, _, _, sparks, _ = loaded()
    delays = loaded()[0].delays
    made = fresh(tick_ps)
    for word, us in ((sparks.DEAD, delays.DEAD_US), (sparks.NEAR, 20), (sparks.FARTHEST, 1800)):
        assert made._events.order[word] == pytest.approx(us * 1e6 / tick_ps, abs=1, rel=4e-5)


def test_what_the_settings_mean() -> None:
    """Degrees from event to event, from tooth to tooth, modulo what the wheel tells, and modulo
    what of it the events' sum tells; inputs: crank 1, clamp A 2 or B 4, index 8."""
    cases: list[tuple[dict[str, int], tuple[int, ...]]] = [
        # scale, spacing, step, told, fold, enabled
        ({}, (1, 720_000, 10_000, 360_000, 360_000, 3)),
        ({"turns": 2}, (1, 720_000, 20_000, 720_000, 720_000, 3)),
        ({"turns": 2, "clamp": 1}, (1, 360_000, 20_000, 720_000, 360_000, 3)),
        ({"strokes": 2}, (1, 360_000, 10_000, 360_000, 360_000, 3)),
        ({"clamp": 2}, (4, 180_000, 10_000, 360_000, 720_000, 3)),
        ({"clamp": 2, "cylinders": 3}, (3, 240_000, 10_000, 360_000, 360_000, 3)),
        ({"clamp_b": 1}, (1, 720_000, 10_000, 360_000, 360_000, 5)),
        ({"teeth": 1, "missing": 0}, (1, 720_000, 360_000, 360_000, 360_000, 3)),
        ({"teeth": 7, "missing": 0}, (1, 720_000, 51_428, 51_428, 51_428, 3)),
        ({"teeth": 7, "missing": 0, "clamp": 2, "cylinders": 6},
         (6, 120_000, 51_428, 51_428, 102_857, 3)),
        ({"teeth": 2, "missing": 0, "index": 1}, (1, 720_000, 180_000, 360_000, 360_000, 11)),
        ({"teeth": 8, "missing": 0, "index": 1}, (1, 720_000, 45_000, 360_000, 360_000, 11)),
    ]  # fmt: skip
    for values, wanted in cases:
        made = fresh()
        made.values.update({"teeth": 36, "missing": 1, "cylinders": 4, "strokes": 4, **values})
        bound: list[tuple[int, ...]] = []
        teeth: list[Any] = []
        made._bound.set, made._teeth.set = (
            lambda *a, b=bound: b.append(a),
            lambda *a, t=teeth: t.extend(a),
        )
        made._period = made._spread = made._began = 7
        crank, sparks = loaded()[2], loaded()[3]
        made._crank.state[crank.DECIDED] = 9
        made.apply()
        found = (made._scale, made._spacing, made._step, made._told, made._fold, made.enabled)
        assert found == wanted, values
        of = made.values
        assert bound == [(of["teeth"], of["missing"], of["turns"], of["cylinders"], of["strokes"])]
        assert teeth == [made._crank.wheel, of["cylinders"] * 2 / of["strokes"]]
        assert (made._period, made._spread, made._began) == (0, 0, NOW)
        order = made._events.order
        assert (order[sparks.TEETH], order[sparks.STEP], order[sparks.HOLE]) == (
            of["teeth"], wanted[2], of["missing"] + 1)  # fmt: skip
        assert order[sparks.TURN] == 360_000 * of["turns"]
        assert made._events.state[sparks.RUNNING] == 1  # begun anew
        assert made._clamp == made._events._j == (2 if of["clamp_b"] else 1)
        assert made._crank.wheel[0] == of["teeth"]


def test_what_begins_anew_when_a_setting_changes() -> None:
    for name, anew in (("reference_mdeg", False), ("commanded_mdeg", False), ("display", False),
                       ("sensor", False), ("teeth", True), ("falling", True), ("clamp", True),
                       ("cylinders", True), ("strokes", True)):  # fmt: skip
        made = fresh()
        made._period = 7
        made.change(name)
        assert (made.stale, made._period) == ((True, 0) if anew else (False, 7))
    made._teeth.forget = made._events.restart = lambda: None
    made._crank_edges = made._clamp_edges = made._stalls = 5
    made.restart(3, 0, 0)
    assert (made.stale, made._crank_edges, made._clamp_edges, made._stalls) == (False, 0, 0, 0)


def test_events_that_have_no_place() -> None:
    """One is 64; more than that for three seconds: the crank is not understood."""
    for unplaced, began, together, wanted in (
        (1, 3001, 0, "WAIT"), (2, 3001, 0, "UNEVEN"), (2, 3000, 0, "WAIT"),
        (2, 3001, 3, "ON_CRANK"),
    ):  # fmt: skip
        made = meter()
        made._events.ages = []
        made._began = NOW - began
        sparks_of(made, UNPLACED=unplaced, KEPT=together, TOGETHER=together)
        assert (reason(made), made.events) == (wanted, 0)
    for old, wanted in ((73, "WAIT"), (74, "UNEVEN")):  # an eighth of it fades: 64 and 65
        made = meter()
        made._events.ages = []
        made._unplaced = old
        assert reason(made) == wanted


def test_a_quarter_with_a_late_second_edge_are_of_a_coil_switched_on() -> None:
    for late, wanted in ((5, "COIL_ON"), (4, FINE)):
        made = meter()
        made._events.late_ones = late
        assert (reason(made), made.events) == (wanted, 20)


def test_more_bad_turns_than_good_ones() -> None:
    for uneven, together, wanted in ((40, 0, FINE), (44, 0, "UNEVEN"), (44, 3, "ON_CRANK")):
        made = meter()
        made._even, made._uneven = 40, uneven  # a quarter fades: 30 and 33
        sparks_of(made, KEPT=together, TOGETHER=together)
        assert reason(made) == wanted


def test_events_at_another_distance_than_is_set() -> None:
    """More than 15 % from 720 degrees; the speed may be wrong by as much, so it is not shown."""
    for apart, wanted in ((828_000, FINE), (828_001, "SPACING"), (612_000, FINE),
                          (611_999, "SPACING"), (360_000, "SPACING"), (0, "UNEVEN")):  # fmt: skip
        made = meter()
        made._events.apart = apart
        assert reason(made) == wanted
        assert made.rpm == (-1 if wanted == "SPACING" else 1000)
    made = meter(clamp=1)  # wasted spark: each revolution
    made._events.apart = 360_000
    assert reason(made) == FINE
    made = meter(clamp=2)  # coil lead of a four: each half
    made._events.apart = 180_000
    assert reason(made) == FINE


def test_more_than_two_in_five_elsewhere() -> None:
    for kept, wanted in ((12, FINE), (11, "ELSEWHERE")):
        made = meter()
        made._events.kept = made._events.central = kept
        assert reason(made) == wanted


def test_two_places() -> None:
    """As sparks.Events finds them; or few near the mean: less than one in five, where the standard
    deviation is more than half a degree. How far is near goes with the deviation."""
    made = meter()
    made._events.two = True
    assert reason(made) == "PLACES"
    for deviation, reach, close in ((666, 2000, 2000), (667, 2001, 2000), (1142, 3426, 2000 - 2),
                                    (1144, 3432, 2002)):  # fmt: skip
        made = meter()
        made._events.deviation = deviation
        reason(made)
        assert made._events.asked["spacing"][-1] == reach
        assert made._events.asked["second"][-2:] == (reach, max(close, 2000))
    for deviation, kept, central, wanted in (
        (501, 20, 4, FINE), (501, 20, 3, "PLACES"), (500, 20, 3, FINE), (501, 16, 3, "PLACES"),
        (501, 17, 4, FINE),
    ):  # fmt: skip
        made = meter()
        made._events.deviation, made._events.central = deviation, central
        made._events.kept = kept
        assert reason(made) == wanted
    made = meter(clamp=2, cylinders=4)  # angles are of four times a degree
    made._events.apart, made._events.deviation, made._events.central = 180_000, 2003, 3
    assert reason(made) == FINE
    assert made._events.asked["summarize"] == (20, 4, 720_000, 8_000)
    assert made._events.asked["second"] == (20, 4, 720_000, 8_000, 8_000)
    made._events.deviation = 2004
    assert reason(made) == "PLACES"


def test_how_much_sparks_may_scatter() -> None:
    """2 degrees; as a standard deviation, in tenths."""
    for deviation, wanted, figure in ((2000, "VARIES", 20), (2001, "SCATTER", 20),
                                      (2999, "SCATTER", 29), (3000, "SCATTER", 30)):  # fmt: skip
        made = meter()
        made._events.deviation = deviation
        assert (reason(made), made.figure) == (wanted, figure)
        made._bound.at = lambda after, rpm: 4000  # something else makes the interval wider
        crank_of(made, TICKS=TURN, TURNED=1)
        assert (reason(made), made.figure) == (
            ("FAR", 0) if wanted == "VARIES" else (wanted, figure))  # fmt: skip


def test_teeth_that_have_not_been_looked_at_yet() -> None:
    """Eight good turns before anything is shown, of wheels whose teeth can be looked at."""
    for good, looks in ((7, 0), (8, 1)):
        made = meter(missing=0, teeth=24)
        made._teeth.seen = made._teeth.known = True
        crank_of(made, GOOD=good)
        reason(made)
        assert len(made._teeth.looked) == looks
    made = meter()
    made._teeth.seen = True
    assert reason(made) == "WAIT" and len(made._teeth.looked) == 1
    made._teeth.known = True
    crank_of(made, TICKS=TURN, TURNED=1)
    assert reason(made) == FINE
    for good, wanted in ((7, "WAIT"), (8, FINE)):
        made = meter()
        crank_of(made, GOOD=good)
        assert reason(made) == wanted
        made = meter(missing=0, teeth=35)  # no gap beside which to look
        crank_of(made, GOOD=good)
        assert reason(made) == "REPEATS"


def test_teeth_beside_the_gap_where_no_wheel_has_them() -> None:
    """0.08 steps, in 1/4096 of a step and four times: 1310.7; the sensor is the wrong way round."""
    middle = loaded()[2].MIDDLE
    for teeth, seen in ((36, True), (12, True), (11, False)):  # eleven edges at least
        for word in ("ODD_LAST", "ODD_FIRST"):
            for off, wanted in ((1311, FINE), (1312, "REVERSED"), (-1311, FINE),
                                (-1312, "REVERSED")):  # fmt: skip
                made = meter(teeth=teeth)
                crank_of(made, **{word: middle + off})
                assert reason(made) == (wanted if seen else FINE), (teeth, word, off)


def test_losses_start_everything_anew() -> None:
    """Stalls of the crank's queue or the clamp's, edges passed over; said for a second."""
    for what in ("crank", "clamp", "crank skipped", "sparks skipped", "both skipped",
                 "another clamp"):  # fmt: skip
        made = meter()
        made._crank.forget = lambda made=made: made._events.asked.update(crank=())
        made._kept, made._spread = 500, 700
        made._teeth.forget = lambda: None
        if "skipped" in what:
            crank_of(made, CRANK_SKIPPED=what[0] in "cb")
            sparks_of(made, SKIPPED=what[0] in "sb")
        else:
            made._hw.rings.stalls[{"crank": 0, "clamp": 1}.get(what, 2)] = 1
        if what == "another clamp":
            assert reason(made) == FINE and not made._events.forgot
            continue
        assert reason(made) == "LOST", what
        assert made._events.forgot == 1 and "crank" in made._events.asked
        assert (made._lost_ms, made._began, made._spread) == (NOW, NOW, 0)
        crank_of(made, CRANK_SKIPPED=0)
        sparks_of(made, SKIPPED=0)
        assert reason(made) == "LOST" and made._events.forgot == 1  # the same ones count once


# What goes on between two pictures


def test_how_long_a_pause_ends_an_event() -> None:
    """3 ms, or an eighth of a revolution if that is longer; 2/5 of what lies between two events at
    most. And crank edges: 16 a millisecond at most since the last turn of the loop."""
    _, _, _, sparks, _ = loaded()
    cases = [
        # period in ticks, degrees from event to event, ticks of the pause
        (0, {}, 3 * 41_666),
        (1_000_000, {}, 125_000),
        (TURN, {}, 312_500),
        (999_984, {}, 124_998),
        (416_667, {}, 124_998),
        # A coil lead: 180 degrees of a four, 90 of an eight, 45 of a sixteen with four strokes.
        (TURN, {"clamp": 2, "cylinders": 4}, 312_500),
        (TURN, {"clamp": 2, "cylinders": 8}, TURN // 360 * 90 * 2 // 5),
        (250_000, {"clamp": 2, "cylinders": 4}, 250_000 // 360 * 180 * 2 // 5),
        (62_500, {}, 62_500 // 360 * 720 * 2 // 5),
    ]
    for period, values, gap in cases:
        made = meter(**values)
        did: list[str] = []
        made._crank = types.SimpleNamespace(
            state=made._crank.state, allow=lambda most: None,
            follow=lambda did=did: did.append("follow"), period=lambda period=period: period,
        )  # fmt: skip
        made._follow(NOW)
        assert did == ["follow"]
        assert made._events.order[sparks.PAUSE] == gap
        assert made._events.asked["follow"] == (NOW,)
    for since, most in ((0, 64), (1, 80), (59, 1008), (60, 1024), (61, 1024), (900, 1024)):
        made = meter()
        allowed: list[int] = []
        made._crank.allow, made._crank.follow = allowed.append, lambda: None
        made._turned = NOW - since
        made._follow(NOW)
        assert allowed == [most] == [made._events.order[sparks.MOST]]


def test_edges_and_their_absence_are_noticed() -> None:
    made = meter()
    made._crank.follow = lambda: None
    rings = made._hw.rings
    made._crank_ms = made._clamp_ms = NOW - 1001
    rings.written[0], rings.written[1], rings.written[2] = 5, 0, 9
    made._follow(NOW)
    assert (made._crank_ms, made._clamp_ms, made._crank_edges) == (NOW, NOW - 1001, 5)
    rings.written[1] = 7
    made._follow(NOW)
    assert (made._clamp_ms, made._clamp_edges) == (NOW, 7)
    forgot: list[int] = []
    made._forget = forgot.append
    for known, away, wanted in ((1, 1000, []), (0, 1001, []), (1, 1001, [NOW])):
        crank_of(made, KNOWN=known)
        made._crank_ms = NOW - away
        made._follow(NOW)
        assert forgot == wanted


def test_how_often_it_is_shown() -> None:
    """Four times a second, twice while a host is served; at once when the signals have gone."""
    for served, wait in ((False, 250), (True, 500)):
        made = meter()
        made._follow = lambda now: None
        for since, shown in ((wait - 1, False), (wait, True)):
            made._shown, made.life, made.timed = NOW - since, 7, True
            made._panel.did.clear()
            made.turn(served)
            assert made._panel.did == (["show"] if shown else ["work"])
            assert (made.life, made._shown) == ((8, NOW) if shown else (7, NOW - since))
    made._shown, made._clamp_ms = NOW, NOW - 1001
    made.timed = True
    made.turn(False)
    assert made._panel.did[-1] == "show" and made.timed is False
    made.turn(False)
    assert made._panel.did[-1] == "work"


def test_what_a_turn_does() -> None:
    for values, foreign, follows in (({}, False, True), ({}, True, False),
                                     ({"teeth": 0, "missing": 0}, False, False)):  # fmt: skip
        made = meter(**values)
        did: list[Any] = []
        made._follow = lambda now, did=did: did.append(now)
        made.menu.turn = lambda now, served, did=did: did.append((now, served))
        made.menu.fresh = True
        made._foreign, made._turned, made._shown = foreign, 0, NOW
        made.turn(True)
        assert did == [NOW, (NOW, True)][not follows :]
        assert made._turned == NOW and made._panel.did == ["show"]


def test_the_lamps_angle() -> None:
    """Degrees before top dead centre, within half a turn; none of the first spark, or when off."""
    made = meter()
    for angle, shown in ((0, 60_000), (60_000, 0), (240_000, 180_000), (239_999, -179_999),
                         (240_001, 179_999), (359_999, 60_001)):  # fmt: skip
        made.lit(1, angle)
        assert made.lamp == shown
    made._hw.outputs = 4
    reason(made)
    assert made.lamp == 60_001
    made._hw.outputs = 3
    reason(made)
    assert made.lamp is None
    for mode in (2, 0):
        made.lit(1, 0)
        made.lit(mode, 0)
        assert made.lamp is None
    made.close()
    assert made._panel.did == ["clear"]


def test_no_engine_fires_earlier_than_70_or_later_than_minus_30_degrees() -> None:
    """To the thousandth; of several places that look alike the one that can be, and if two can:
    it repeats. A 36-1 wheel tells a whole turn, of teeth without a gap each is like the next."""
    for timing, wanted in ((70_000, FINE), (70_001, "IMPLAUSIBLE"), (-30_000, FINE),
                           (-30_001, "IMPLAUSIBLE"), (179_999, "IMPLAUSIBLE")):  # fmt: skip
        made = meter()
        made._events.mean = (60_000 - timing) % 360_000
        assert (reason(made), made.raw, made.known) == (wanted, (timing + 50) // 100, True)
    for teeth, timing, wanted, raw in (
        (3, 60_000, FINE, 600), (3, -59_000, FINE, 610), (3, 0, FINE, 0),  # 120 degrees
        (3, -31_000, "IMPLAUSIBLE", -310), (3, -50_000, FINE, 700),
        (3, -49_999, "IMPLAUSIBLE", -500),
        (4, 70_000, "REPEATS", 700), (4, 20_001, FINE, 200), (4, -20_001, "REPEATS", 700),  # 90
        (4, -20_000, "REPEATS", 700), (4, -30_000, "REPEATS", 600), (4, -30_001, FINE, 600),
        (4, -19_999, FINE, -200), (36, 0, "REPEATS", 700), (36, 4_999, "REPEATS", 650),
        (120, 1_000, "REPEATS", 700),
    ):  # fmt: skip
        made = meter(teeth=teeth, missing=0)
        made._events.mean = (60_000 - timing) % 360_000
        assert (reason(made), made.raw) == (wanted, raw), (teeth, timing)
        assert made.known is (wanted != "REPEATS")
        if wanted == "REPEATS":
            assert made.figure == 3600 // teeth


# What is left of before


def test_nothing_of_an_earlier_run_is_counted_on() -> None:
    """After a loss, and in a new session: edges, events and turns count from 0 on."""
    counts = ("_good", "_refused", "_even", "_uneven", "_kept", "_together", "_unplaced",
              "_was_kept", "_was_together", "_was_unplaced", "_period", "_spread")  # fmt: skip
    for begin in ("_forget", "restart"):
        made = meter()
        forgot: list[str] = []
        made._teeth.forget = lambda forgot=forgot: forgot.append("teeth")
        made._events.restart = lambda: None
        for name in counts:
            setattr(made, name, 77)
        made._began = made._good_ms = 5
        if begin == "restart":
            made.restart(3, 0, 0)
        else:
            made._forget(NOW)
        assert {name: getattr(made, name) for name in counts} == dict.fromkeys(counts, 0)
        assert (made._began, made._good_ms, forgot) == (NOW, NOW, ["teeth"])
        assert made._crank.state[loaded()[2].GOOD] == 0


def test_an_error_goes_with_the_commanded_angle() -> None:
    made = meter(commanded_mdeg=15_000)
    assert (reason(made), made.error) == (FINE, 50)
    made.values["commanded_mdeg"] = 100_000  # not known
    assert (reason(made), made.timing, made.error) == (FINE, 200, None)


def test_angles_of_a_coil_lead_are_divided_by_its_firings() -> None:
    """Four firings a cycle: the sum is of four times an angle, 240 000 less what it is.

    80 197 / 4 and 80 198 / 4 are 20.0493 and 20.0495 degrees, to thousandths 20.049 and 20.050.
    """
    for four_times, raw in ((80_197, 200), (80_198, 201)):
        made = meter(clamp=2, cylinders=4)
        made._events.apart, made._events.mean = 180_000, 240_000 - four_times
        asked: list[int] = []
        made._bound.at = lambda after, rpm, asked=asked: asked.extend((after, rpm)) or 0
        made._teeth.square = lambda after, asked=asked: asked.append(after) or 0
        assert (reason(made), made.raw) == (FINE, raw)
        # Where between two edges the spark is, 39.95 degrees after the index edge, and the speed.
        assert asked == [(240_000 - four_times) // 4, 1000, (240_000 - four_times) // 4]
    # Eight: every 90 degrees one; -20 and 70 degrees can both be.
    made = meter(clamp=2, cylinders=8)
    made._events.apart, made._events.mean = 90_000, 8 * 80_000
    assert (reason(made), made.figure, made.raw, made.known) == ("REPEATS", 900, 700, False)
