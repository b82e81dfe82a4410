"""Orders for the marker lamp under the real MicroPython, to the cycle: by hand.

The state machine is not there: what it would be sent is what is looked at. That it then flashes
where it should is shown on the emulated chip (test_pio_board.py).
"""

from __future__ import annotations

import json
import struct
from array import array
from fractions import Fraction
from typing import Any

import pytest

import pio_chip
from firmware_board import run_script

LAMP = """
import sys, json
from array import array
given = json.loads(sys.stdin.read())
class Any_: pass
done = []
def told(name):
    return lambda *a: done.append([name] + list(a)) or (7 if name == "place" else None)
machines = Any_()
for name in ("disable", "enable", "give", "place", "rewind", "take"):
    setattr(machines, name, told(name))
programs = Any_()
programs.lamp_falling, programs.lamp_rising = "falling", "rising"
rp2, machine = Any_(), Any_()
class Pin:
    def __init__(self, number): self.number = number
class StateMachine:
    def __init__(self, number): done.append(["machine", number])
    def init(self, program, in_base, sideset_base):
        done.append(["init", program, in_base.number, sideset_base.number])
class PIO:
    def __init__(self, number): self.number = number
    def remove_program(self, program): done.append(["remove", self.number, program])
rp2.StateMachine, rp2.PIO, machine.Pin = StateMachine, PIO, Pin
class Clock:
    ms = us = 5000
    def ticks_ms(self): return self.ms
    def ticks_us(self): return self.us
    def ticks_diff(self, a, b): return a - b
clock = Clock()
sys.modules.update(machines=machines, programs=programs, rp2=rp2, machine=machine, time=clock)
import crank, lamp, pins, wire
sent, answers = [], []
def order(*a):
    sent.append([list(x) if isinstance(x, array) else x for x in a])
    return answers.pop(0) if answers else 1
lamp._send = order
class Rings: pass
class Hardware: pass
class Outputs: pass
def make(mhz=1):
    hw, outputs = Hardware(), Outputs()
    hw.clock_hz, hw.falling, hw.input_pins = mhz * 1000000, 0b0010, (12, 13, 14, 15)
    hw.rings = Rings()
    hw.rings.state, hw.rings.size, hw.rings.written = "state", 8, [0, 40, 0, 0]
    hw.rings.buffers = [array("I", [0] * 8)]
    outputs.told, outputs.on, outputs.registers = [0, 9, 0], 1, "registers"
    made = lamp.Lamp(hw, outputs)
    made._crank.follow = lambda: None
    return made
def wheel(made, teeth, missing, period, tooth, seen):
    made._crank.set_wheel(teeth, missing)
    state = made._crank.state
    state[crank.KNOWN], state[crank.PERIOD] = 7, period
    state[crank.TOOTH], state[crank.SEEN] = tooth, seen
    return state
"""
MASK = 0x3FFFFFFF


def say(script: str, given: object = None) -> Any:
    return json.loads(run_script(LAMP + script, stdin=json.dumps(given).encode()))


def by_hand(teeth: int, missing: int, period: int, angle: int, flash: int) -> list[int]:
    """Tooth, edges hidden, and the order's lengths: flash, delay, blind less the least; its end.

    A tick is three cycles. 5 cycles pass from the edge to the flash and 2 from the flash to the
    end; a flash takes 2 cycles at the least and a twentieth of the time at the most. Blind ends
    half-way to the first edge that comes a 64th of a tooth and 60 cycles or more after the flash,
    from the flash or from the edge before.
    """
    turn, present = 3 * period, teeth - missing
    tooth = min(angle * teeth // 360_000, present - 1)
    delay = max(turn * Fraction(angle, 360_000) - Fraction(turn * tooth, teeth), 5)
    flash = max(min(flash, turn // 20), 2)
    over = delay + flash
    edges = [turn * n + Fraction(turn * k, teeth) for n in range(4) for k in range(present)]
    after = [e - Fraction(turn * tooth, teeth) for e in edges]
    coming = next(e for e in after if e > 0 and e >= over + turn // teeth // 64 + 60)
    hidden = [e for e in after if 0 < e < coming]
    end = (max([over, *hidden]) + coming) // 2
    assert delay.denominator == 1 if isinstance(delay, Fraction) else True
    blind = max(end - over - 2, 0)
    return [tooth, len(hidden), flash - 1, int(delay) - 5, int(blind), int(over + blind + 2)]


CASES = [
    # teeth, missing, ticks of a revolution, 1/1000 degrees, cycles of the flash
    *((12, 1, 36_000, angle, 3_000) for angle in (0, 1_000, 20_000, 29_000, 30_000, 299_000)),
    *((12, 1, 36_000, angle, 3_000) for angle in (300_000, 311_000, 329_000, 340_000, 359_000)),
    *((12, 1, 36_000, 25_000, flash) for flash in (0, 1, 2, 3, 1_299, 1_300, 1_301, 5_399, 5_400)),
    *((12, 1, 36_000, 325_000, flash) for flash in (1_300, 1_301, 5_401, 9_000)),
    *((60, 2, 36_000, angle, 6_000) for angle in (0, 3_000, 6_000, 330_000, 342_000, 354_000)),
    *((60, 2, 36_000, 180_000, flash) for flash in (1_707, 1_707 + 5, 1_800, 3_507, 3_513)),
    *((1, 0, 36_000, angle, 2_000) for angle in (0, 90_000, 350_000, 353_000, 359_000)),
    (4, 0, 720_000, 271_000, 50_000), (4, 3, 720_000, 271_000, 50_000), (4, 2, 36_000, 95_000, 77),
    (36, 1, 3_600, 15_000, 400), (12, 1, 333_000, 30_000, 60_000),
]  # fmt: skip


def test_the_first_order_for_an_angle() -> None:
    script = """
found = []
lamp._begin = lambda *a: order(*a) and a[5][1]
for teeth, missing, period, angle, flash in given:
    made = make()
    state = wheel(made, teeth, missing, period, 0, 100)
    made._angle, made._flash = angle, flash
    del sent[:]
    good = made._order_at_angle(state)
    found.append([sent[:], good, made._anchor, made._end, made._next, made._running])
print(json.dumps(found))
"""
    for case, (sent, *rest) in zip(CASES, say(script, CASES), strict=True):
        tooth, hidden, flash, delay, blind, end = by_hand(*case)
        present = case[0] - case[1]
        waits = tooth or present  # after tooth 0
        ordered = ["state", 0, flash, delay, blind, [100, waits], present]
        assert sent == [ordered], case
        anchor = 100 + waits - 1
        assert rest == [True, anchor, end, anchor + 1 + hidden, True], case


@pytest.mark.parametrize("at", [0, 3, 4, 5, 10])
def test_edges_until_the_tooth_comes(at: int) -> None:
    """Tooth 4 of eleven; the number of edges wraps at 30 bits; an edge that came between counts."""
    script = """
at, seen, count = given
made = make()
state = wheel(made, 12, 1, 36000, at, seen)
made._angle, made._flash = 130000, 500
lamp._begin = lambda *a: order(*a) and a[5][1] + count
good = made._order_at_angle(state)
print(json.dumps([sent[0][5], made._anchor, made._next - made._anchor, made._outputs.told[1]]))
"""
    waits = {0: 4, 3: 1, 4: 11, 5: 10, 10: 5}[at]
    for seen, later in ((100, 0), (100, 11), (MASK, 0)):
        anchor = (seen + waits + later - 1) & MASK
        assert say(script, [at, seen, later]) == [[seen, waits], anchor, 1, 9]


RUNNING = """
found = []
lamp._begin = lambda *a: order(*a) and 0
for one in given:
    made = make()
    state = wheel(made, one["teeth"], one["missing"], 36000, one["at"], one["seen"])
    made._angle, made._flash = one["angle"], one.get("flash", 500)
    made._anchor, made._next, made._end = one["anchor"], one["next"], one.get("end", 0)
    made._running = one.get("running", True)
    for k, stamp in enumerate(one.get("stamps", [])):
        made._hw.rings.buffers[0][k] = stamp
    del sent[:], answers[:], done[:]
    answers += one.get("answers", [])
    good = made._order_at_angle(state)
    found.append([good, sent[:], made._anchor, made._next, made._outputs.told[1], made._running,
                  [d[0] for d in done]])
print(json.dumps(found))
"""


def test_the_next_order_counts_from_the_end_of_the_last_one() -> None:
    """Edges from the first that the machine sees then to the tooth, the first of them being 1."""
    wheel = {"teeth": 12, "missing": 1, "angle": 130_000}  # tooth 4, 10 degrees after it
    lengths = [499, 3 * 36_000 // 36 - 5]  # flash of 500, 10 of 360 degrees
    blind = (3_500 + 9_000) // 2 - 3_500 - 2
    good = [
        # Two edges hidden by the last one; then none; one that would lie 11 edges further on.
        ({**wheel, "at": 4, "seen": 100, "anchor": 99, "next": 102}, 9, 110, 0),
        ({**wheel, "at": 7, "seen": 103, "anchor": 99, "next": 100}, 11, 110, 0),
        ({**wheel, "at": 4, "seen": 100, "anchor": 110, "next": 111}, 11, 121, 0),
        ({**wheel, "at": 4, "seen": 100, "anchor": 99, "next": 110}, 1, 110, 0),
        ({**wheel, "at": 4, "seen": 100, "anchor": 99, "next": 111}, 11, 121, 1),
        ({**wheel, "at": 4, "seen": 100, "anchor": 99, "next": 122}, 11, 132, 2),
    ]
    found = say(RUNNING, [one for one, *_ in good])
    for (one, count, anchor, dropped), got in zip(good, found, strict=True):
        sent = [[count, *lengths, blind]]
        assert got == [True, sent, anchor, anchor + 1, 9 + dropped, True, []], one
    # The machine has had to wait: nothing is ordered. The wheel is elsewhere: begin anew.
    late = {**good[0][0], "answers": [0]}
    off = {**good[0][0], "anchor": 98}
    wait, lost = say(RUNNING, [late, off])
    assert (wait[0], wait[2:6], wait[6]) == (False, [99, 102, 9, True], [])
    assert lost == [False, [], -1, 102, 9, False, ["disable", "rewind", "enable"]]
    # An edge forbids the first one.
    (none,) = say(RUNNING, [{**good[0][0], "running": False, "anchor": -1}])
    assert none[0] is False and none[5:] == [False, ["disable", "rewind", "enable"]]


def test_an_order_where_the_number_of_edges_wraps() -> None:
    """At 30 bits: the same orders as anywhere, none left out, none counted as left out.

    Of wheels of eleven edges, of four (of which 2^30 is a multiple) and of one.
    """
    eleven = {"teeth": 12, "missing": 1, "angle": 130_000, "at": 4}
    four = {"teeth": 4, "missing": 0, "angle": 95_000, "at": 1}
    one = {"teeth": 1, "missing": 0, "angle": 90_000, "at": 0}
    some = [
        ({**eleven, "seen": 100, "anchor": 99, "next": 102}, 9, 110, 0),
        ({**eleven, "seen": 100, "anchor": 110, "next": 111}, 11, 121, 0),
        ({**eleven, "seen": 100, "anchor": 99, "next": 122}, 11, 132, 2),
        ({**four, "seen": 100, "anchor": 99, "next": 100}, 4, 103, 0),
        ({**four, "seen": 100, "anchor": 95, "next": 96}, 4, 99, 0),
        ({**four, "seen": 100, "anchor": 99, "next": 105}, 3, 107, 1),
        ({**one, "seen": 100, "anchor": 99, "next": 100}, 1, 100, 0),
        ({**one, "seen": 100, "anchor": 100, "next": 101}, 1, 101, 0),
    ]
    given, wanted = [], []
    for by in range(MASK - 135, MASK - 90):
        for case, count, anchor, dropped in some:
            before = (case["anchor"] + by) & MASK
            given.append({**case, "seen": (case["seen"] + by) & MASK, "anchor": before,
                          "next": before + case["next"] - case["anchor"]})  # fmt: skip
            after = (anchor + by) & MASK
            wanted.append((count, after, after + 1, 9 + dropped))
    assert len({one["seen"] < one["anchor"] for one in given}) == 2
    for case, (count, *rest), got in zip(given, wanted, say(RUNNING, given), strict=True):
        assert got[0] is True and got[1][0][0] == count, case
        assert got[2:5] == rest and got[6] == [], case


def test_flashes_left_out_before_it_runs_again_are_counted() -> None:
    """From the last tooth to the next one that is lit: 33 edges are three turns, two were dark."""
    script = """
found = []
for count, anchor, before in given:
    made = make()
    state = wheel(made, 12, 1, 36000, 4, 100)
    made._angle, made._flash, made._anchor = 130000, 500, anchor
    made._outputs.told[1] = before
    lamp._begin = lambda *a: count
    made._order_at_angle(state)
    found.append(made._outputs.told[1])
print(json.dumps(found))
"""
    cases = [
        (11, 99, 0),
        (11, 77, 0),
        (11, 77, 65_534),
        (11, 66, 65_534),
        (11, -1, 3),
        (11, 110 - 55, 9),
    ]
    assert say(script, cases) == [0, 2, 65_535, 65_535, 3, 13]


def test_one_edge_that_the_flash_hides_is_followed_by_time() -> None:
    """One edge a turn of 36 000 ticks, 358 degrees after it, 2000 cycles: over the next edge.

    The last order ends 109 407 cycles after edge 99: half-way to the one after the next is not
    hidden. From edge k, whose stamp is there, the flash is a turn later for each edge between.
    """
    turn, delay, flash = 108_000, 358 * 300, 2_000
    over = delay + flash
    blind = (over + 2 * turn) // 2 - over - 2
    end = over + blind + 2
    base = {"teeth": 1, "missing": 0, "angle": 358_000, "flash": flash, "at": 0, "anchor": 99,
            "next": 101, "end": end}  # fmt: skip
    stamps = [5_000 + 36_101 * ((k - 99) % 8) for k in range(96, 104)]  # edge k is in place k & 7
    given = [{**base, "seen": seen, "stamps": stamps} for seen in (99, 100, 101, 102)]
    found = say(RUNNING, given)
    assert found[0] == [False, [], 99, 101, 9, True, []]  # edge 99 itself has not come
    for got, known in zip(found[1:], (99, 100, 101), strict=True):
        left = end - 3 * 36_101 * (known - 99)
        turns = next(n for n in range(9) if delay + n * turn >= left + 6)
        pause = delay + n_turns(turns, turn) - left - 6
        assert got[:2] == [True, [[0, flash - 1, pause, blind]]], known
        anchor = known + turns
        assert got[2:] == [anchor, anchor + 2, 9 + known + turns - 100, True, []], known
    # The same where the number of edges wraps at 30 bits: 99 becomes 0 less one, or two.
    for by in (MASK - 99, MASK - 100, MASK - 101):
        moved = [stamps[(k - by) % 8] for k in range(8)]
        shifted = [
            {**one, "seen": (one["seen"] + by) & MASK, "anchor": 99 + by, "next": 101 + by,
             "stamps": moved}
            for one in given
        ]  # fmt: skip
        for was, now in zip(found, say(RUNNING, shifted), strict=True):
            anchor = (was[2] + by) & MASK
            assert now == [*was[:2], anchor, anchor + 2, *was[4:]]
    # Just room for the 6 cycles between, and one less: a turn more.
    for spare, more in ((6, 0), (5, turn)):
        (got,) = say(RUNNING, [{**base, "seen": 100, "stamps": stamps, "end": delay - spare}])
        assert got[1] == [[0, flash - 1, delay + more - (delay - spare) - 6, blind]]
    (got,) = say(RUNNING, [{**given[1], "answers": [0]}])
    assert got == [False, got[1], 99, 101, 9, True, []]


def n_turns(turns: int, turn: int) -> int:
    return turns * turn


def test_time_for_an_angle() -> None:
    """Never more than a tick short: 30 bits of ticks times an angle do not fit in a word."""
    script = """
made = make()
print(json.dumps([(wheel(made, 1, 0, p, 0, 0), made._delay(a))[1] for p, a in given]))
"""
    cases = [(p, a) for p in (359, 360, 361, 36_000, 1_000_003, 36_000_359, 500_000_123)
             for a in (0, 1, 359, 360, 999, 1_000, 1_001, 89_999, 123_456, 359_999)]  # fmt: skip
    for (period, angle), found in zip(cases, say(script, cases), strict=True):
        assert 0 <= Fraction(period * angle, 360_000) - found < 2, (period, angle)


def test_time_for_an_angle_in_small_numbers() -> None:
    """Of a 32-bit board's, below 2^30: a larger one would take memory in the loop."""
    script = """
class Small:
    def __init__(self, value):
        assert -(1 << 30) <= value < 1 << 30, value
        self.value = value
def by(work):
    return lambda a, b: Small(work(a.value, b.value if isinstance(b, Small) else b))
for name, work in (("add", lambda a, b: a + b), ("sub", lambda a, b: a - b),
                   ("mul", lambda a, b: a * b), ("floordiv", lambda a, b: a // b)):
    setattr(Small, "__%s__" % name, by(work))
made = make()
found = []
for period, angle in given:
    made._crank.state = [Small(period)] * 32
    found.append(made._delay(Small(angle)).value)
print(json.dumps(found))
"""
    # As long as a turn of the wheel can be, 2^28 ticks.
    cases = [(p, a) for p in (36_000, 1_000_003, 36_000_359, 2**28)
             for a in (1, 999, 89_999, 359_999)]  # fmt: skip
    for (period, angle), found in zip(cases, say(script, cases), strict=True):
        assert 0 <= Fraction(period * angle, 360_000) - found < 2, (period, angle)


def test_orders_as_long_as_there_is_room() -> None:
    """Three at once; below 15 ms a revolution two may wait (five words), else one (two words).

    33 MHz of 3 cycles a tick are 11 000 ticks a ms. Where the wheel is lost, all is forgotten.
    """
    script = """
found = []
for period, known, rooms, goods, anchor in given:
    made = make(33)
    state = wheel(made, 12, 1, period, 0, 100)
    state[crank.KNOWN] = known
    made.mode, made._anchor, made._running = 1, anchor, True
    asked = []
    def room(words):
        asked.append(words)
        return rooms.pop(0)
    lamp._room = room
    made._order_at_angle = lambda state: goods.pop(0)
    del done[:]
    found.append([made.turn(), asked, len(goods), made._anchor, made._running, len(done)])
print(json.dumps(found))
"""
    always, yes = [2] * 9, [True] * 9
    cases: list[tuple[list[Any], list[Any]]] = [
        ([164_999, 7, always, yes, 5], [True, [5] * 4, 6, 5, True, 0]),
        ([165_000, 7, always, yes, 5], [True, [2] * 4, 6, 5, True, 0]),
        ([164_999, 7, [2, 0], yes, 5], [True, [5] * 2, 8, 5, True, 0]),
        ([164_999, 7, [0], yes, 5], [False, [5], 9, 5, True, 0]),
        ([164_999, 7, [3, 1], yes, 5], [True, [5] * 2, 8, 5, False, 0]),
        ([164_999, 7, always, [True, False, True], 5], [True, [5] * 2, 1, 5, True, 0]),
        ([164_999, 7, always, [False, True], 5], [False, [5], 1, 5, True, 0]),
        ([164_999, 4, always, yes, 5], [True, [5] * 4, 6, 5, True, 0]),
        ([164_999, 3, always, yes, 5], [False, [], 9, -1, False, 3]),
        ([0, 7, always, yes, 0], [False, [], 9, -1, False, 3]),
        ([0, 7, always, yes, -1], [False, [], 9, -1, True, 0]),
    ]
    for (given, wanted), got in zip(cases, say(script, [one for one, _ in cases]), strict=True):
        assert got == wanted, given


def test_an_order_on_the_first_spark() -> None:
    """An event is over 1.8 ms after its last spark; the next is lit nine tenths of a turn and a ms
    after the flash, after 10 ms where the crank is not known; a twentieth of that at the most."""
    script = """
found = []
made = make(12)  # 4000 ticks a ms
made.mode, made._source, made._flash, made._flashed_ms, made._seen = 2, 1, given, 5000, 0
room = 1
lamp._room = lambda words: room if words == 0 else 0
begun = []
lamp._begin = lambda *a: begun.append([list(x) if isinstance(x, array) else x for x in a]) or fine
fine = 1
state = made._crank.state
def look(us, ms, written, period=0):
    clock.us, clock.ms, made._hw.rings.written[1], state[crank.PERIOD] = us, ms, written, period
    del done[:]
    begun_before = len(begun)
    said = made.turn()
    found.append([said, begun[begun_before:], made._running, made._flashed_ms, len(done)])
look(5000, 5100, 40)  # edges that came before
look(5000 + 1799, 5100, 40)
look(5000 + 1800, 5009, 40)  # quiet, but too soon
look(5000 + 1801, 5010, 40)
look(7000, 5020, 41)  # it has flashed
look(9000, 5029, 41)
look(9001, 5030, 41)
look(9500, 5040, 41)  # flashed again: 24 000 ticks are 6 ms; 5.4, cut, and one
look(9600, 5045, 41, 24000)
fine = 0
look(9700, 5046, 41, 24000)
# 44 000 ticks are 11 ms: 9.9, cut, and one. An order that waits for its spark is let wait.
fine = 1
look(9700, 5049, 41, 44000)
look(9700, 5050, 41, 44000)
for room in (0, 2):
    look(9800, 5090, 41, 44000)
print(json.dumps(found))
"""
    nothing: list[Any] = []
    order = [["state", 1, 29, 0, 0, [41, 1], 0]]
    for flash, known, turning in ((30, 30, 30), (9_999, 9 * 600, 5 * 600), (1, 2, 2)):
        first = [["state", 1, known - 1, 0, 0, [40, 1], 0]]
        second = [["state", 1, known - 1, 0, 0, [41, 1], 0]]
        last = [["state", 1, turning - 1, 0, 0, [41, 1], 0]]
        slower = [["state", 1, min(known, 9 * 600) - 1, 0, 0, [41, 1], 0]]
        assert order == second or flash != 30
        assert say(script, flash) == [
            [False, nothing, False, 5000, 0], [False, nothing, False, 5000, 0],
            [False, nothing, False, 5000, 0], [True, first, True, 5000, 0],
            [False, nothing, False, 5020, 0], [False, nothing, False, 5020, 0],
            [True, second, True, 5020, 0], [False, nothing, False, 5040, 0],
            [False, nothing, False, 5040, 0], [False, last, False, 5040, 3],
            [False, nothing, False, 5040, 0], [True, slower, True, 5040, 0],
            [0, nothing, True, 5040, 0], [0, nothing, True, 5040, 0],
        ]  # fmt: skip


def test_a_command() -> None:
    """See protocol/wire.md: mode, teeth, missing, input, angle, flash. At an angle it is the crank
    (input 0) that counts, whatever input is named; input 1 stamps the falling edge here."""
    script = """
made = make(125)
found = [done[:], made.mode]
for payload in given:
    del done[:]
    clock.ms, clock.us, made._outputs.told[1], made._anchor = 7000, 8000, 9, 55
    made._quiet = True
    said = made.command(bytes(payload))
    crank_ = made._crank
    found.append([said, done[:], made.mode, made._outputs.on, made._outputs.told[1], made._anchor,
                  made._source, made._angle, made._flash, crank_.teeth, crank_.missing, made._seen,
                  made._quiet, made._heard_us, made._flashed_ms, made._running])
made.stopped()
print(json.dumps([found, made.mode]))
"""

    def payload(*fields: int) -> list[int]:
        return list(struct.pack("<BBBBIH", *fields) + bytes(2))

    orders = [
        payload(1, 36, 1, 1, 200_000, 100), payload(2, 0, 0, 1, 0, 30), payload(2, 3, 2, 0, 5, 7),
        payload(1, 3, 3, 0, 0, 50), payload(0, 0, 0, 0, 0, 0),
    ]  # fmt: skip
    (begin, mode, *found), after = say(script, orders)
    assert begin == [["machine", 4 + 3]] and mode == after == 0
    off = [["take", "registers", 1 << 8, 0], ["disable", 1 << 3]]
    ready = [["place", 3], ["disable", 8], ["rewind", 3, 7], ["enable", 8, 8],
             ["give", "registers", 1 << 8]]  # fmt: skip
    rising, falling = ["init", "rising", 12, 8], ["init", "falling", 13, 8]
    assert found[0] == [None, [*off, rising, *ready], 1, 1 | 4, 0, -1, 0, 200_000, 12_500, 36, 1,
                        0, False, 8000, 7000, False]  # fmt: skip
    assert found[1] == [None, [*off, ["remove", 1, "rising"], falling, *ready], 2, 5, 0, -1, 1, 0,
                        3_750, 1, 0, 40, False, 8000, 7000, False]  # fmt: skip
    assert found[2][1] == [*off, ["remove", 1, "falling"], rising, *ready]
    assert found[2][6:12] == [0, 5, 7 * 125, 3, 2, 0]
    assert found[3][:5] == ["missing is 3, must be less than teeth, 3", off, 0, 1, 9]
    assert found[4][:5] == [None, off, 0, 1, 9]


# What is sent to the machine: block 1's registers by hand (RP2040 datasheet, from memory): FDEBUG
# is word 2, bit 27 "machine 3 has found its queue empty"; FLEVEL is word 3, machine 3's orders in
# bits 24 to 27; its queue is word 7.


class Block1:
    def __init__(self, empty: int, queued: int) -> None:
        self.words = {2: empty << 27 | 0xF7FFFFFF, 3: 0xF0FFFFFF | queued << 24}
        self.written: list[tuple[int, int]] = []

    def __getitem__(self, at: int) -> int:
        return self.words[at]

    def __setitem__(self, at: int, value: int) -> None:
        self.written.append((at, value))


class Counter:
    """What is left of a DMA channel's order: fewer from the `later`th look on."""

    def __init__(self, left: int, later: int) -> None:
        self.left, self.later, self.looks = left, later, 0

    def __getitem__(self, at: int) -> int:
        assert at == 0
        self.looks += 1
        return self.left - (self.looks >= self.later)


def registers(lamp: Any, block: Block1, counter: Counter | None = None) -> None:
    places = {0x50300000: block, 0x1234: counter}
    lamp.ptr32 = lambda place: places[place] if isinstance(place, int) else pio_chip.Words(place)


def test_an_order_is_three_words_unless_the_machine_had_to_wait() -> None:
    (lamp,) = pio_chip.load("lamp")
    for empty in (0, 1):
        block = Block1(empty, 0)
        registers(lamp, block)
        assert lamp._send(7, 20, 3000, 55) == 1 - empty
        assert block.written == ([] if empty else [(7, 7 | 20 << 8), (7, 3000), (7, 55)])


def test_how_much_room_there_is() -> None:
    (lamp,) = pio_chip.load("lamp")
    for queued in range(9):
        for words in (0, 2, 5):
            for empty in (0, 1):
                registers(lamp, Block1(empty, queued))
                wanted = 3 if empty else 2 if queued <= words else 0
                assert lamp._room(words) == wanted, (queued, words, empty)


def test_the_first_order_takes_off_the_edges_that_came_meanwhile() -> None:
    """`seen` edges were known when `waits` were to be waited for; a turn has `step` of them."""
    (lamp,) = pio_chip.load("lamp")
    order = [(7, 20 << 8), (7, 3000), (7, 55), (2, 1 << 27)]  # and from now on it is noted again
    for come, seen, waits, step, sent, told in (
        (100, 100, 4, 11, 4, 4), (103, 100, 4, 11, 1, 4), (104, 100, 4, 11, 11, 15),
        (105, 100, 4, 11, 10, 15), (115, 100, 4, 11, 11, 26), (2, MASK, 4, 11, 1, 4),
        (100, 100, 1, 0, 1, 1), (101, 100, 1, 0, None, 0), (100, 100, 1, 1, 1, 1),
        (101, 100, 1, 1, 1, 2),
    ):  # fmt: skip
        for later, spoilt in ((99, False), (2, True), (11, True), (12, False)):
            counter, block = Counter(900, later), Block1(1, 0)
            registers(lamp, block, counter)
            state = array("I", [0] * 40)
            state[31 + 2], state[35 + 2] = 0x1234, (come + 900) & 0xFFFFFFFF
            found = lamp._begin(state, 2, 20, 3000, 55, array("I", [seen, waits]), step)
            if sent is None:
                assert (found, block.written) == (0, [])
                continue
            wanted = [(7, sent | order[0][1]), *order[1:]]
            assert found == (0 if spoilt else told)
            # Where an edge came in the middle all is thrown away by who called.
            assert block.written == (wanted[:3] if spoilt else wanted)
            assert counter.looks == (later if spoilt else 11)
