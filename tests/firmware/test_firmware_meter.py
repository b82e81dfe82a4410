"""The stand-alone meter and its panel under the real MicroPython; pins and clock are the test's."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from firmware_board import World, run_script, running
from test_firmware import wheel

# A clock that the script moves, pins that it sets, and a bus that keeps the picture.
FAKES = """
import sys, gc, json
from array import array
class Clock:
    now = 1000
    def ticks_ms(self): return self.now
    def ticks_us(self): return self.now * 1000
    def ticks_diff(self, a, b): return a - b
    def sleep_ms(self, ms): self.now += ms
clock = Clock()
sys.modules["time"] = clock
levels = {}
class Pin:
    IN, OUT, PULL_UP, PULL_DOWN = 0, 1, 1, 2
    def __init__(self, number, mode=0, pull=0):
        self.number, self.pull = number, pull
    def value(self):
        return levels.get(self.number, self.pull == Pin.PULL_UP)
class I2C:
    def __init__(self, number, sda, scl, freq):
        self.picture = bytearray(1024)
        self.at = 0
        self.fail = False
    def writeto(self, address, data):
        if self.fail:
            raise OSError(5)
        assert address == 0x3C
        if data[0] == 0x40:
            for k in range(1, len(data)):
                self.picture[self.at] = data[k]
                self.at = (self.at + 1) % 1024
        return len(data)
class Machine: pass
machine = Machine()
machine.Pin, machine.I2C = Pin, I2C
sys.modules["machine"] = machine
levels[16] = levels[17] = 1
import panel
from meter import Meter
from ring import plain_rings
TICKS = 41667  # per ms
class Board:
    def __init__(self):
        self.rings = plain_rings(2048)
        self.tick_ps = 24000
one = array("I", [0])
def edge(board, i, when):
    one[0] = when & 0xFFFFFFFF
    board.rings.write(i, one, 0, 1)
"""

RUN = (
    FAKES
    + """
case = json.loads(sys.stdin.read())
board = Board()
display = panel.find()
meter = Meter(board, display)
meter._crank.set_wheel(case["teeth"], case["missing"])
meter.reference_mdeg = case["reference_mdeg"]
start = case["start"]
edges = sorted(
    [(when, 0) for when in case["crank"]] + [(when, 1) for when in case["sparks"]])
before = 0
for ms in range(case["ms"]):
    while edges and edges[0][0] < (ms + 1) * TICKS:
        when, i = edges.pop(0)
        edge(board, i, start + when)
    if ms == 600:
        gc.collect()
    clock.now += 1
    before = gc.mem_alloc()
    meter.turn(True)
    assert gc.mem_alloc() == before, "the meter allocates"
print(json.dumps([meter.rpm, meter.timing, meter.timed, meter.sparks, meter.lost]))
"""
)


def run_case(
    rpm: float,
    btdc: float,
    reference: float,
    sparks: int = 3,
    teeth: int = 1,
    missing: int = 0,
    start: int = 0,
    ms: int = 2_100,
    stop_ms: int = 10_000,
) -> list:
    """What the meter shows for a steady engine whose event comes every second revolution."""
    turn = 60_000 / rpm * 41_666.67
    turns = int(ms * 41_667 / turn) + 2
    crank = [
        round((k + tooth / teeth) * turn) for k in range(turns) for tooth in range(teeth - missing)
    ]
    # The reference edge is `reference` degrees before top dead centre.
    after = (reference - btdc) % 360 / 360
    clamp = [
        round((2 * k + after) * turn + spark * 41_667)
        for k in range(turns // 2)
        for spark in range(sparks)
    ]
    limit = stop_ms * 41_667
    case = {
        "teeth": teeth,
        "missing": missing,
        "reference_mdeg": round(reference * 1000),
        "start": start,
        "ms": ms,
        "crank": [when for when in crank if when < limit],
        "sparks": [when for when in clamp if when < limit],
    }
    return json.loads(run_script(RUN, stdin=json.dumps(case).encode()))


@pytest.mark.parametrize(
    ("rpm", "btdc", "reference", "sparks", "teeth", "missing"),
    [
        (750, 10.0, 60.0, 4, 1, 0),
        (3_000, 29.0, 60.0, 1, 1, 0),
        (900, -5.0, 10.0, 3, 1, 0),  # after top dead centre
        (1_200, 20.0, 10.0, 3, 1, 0),  # the reference edge comes after the spark
        (1_000, 12.5, 114.0, 2, 36, 1),
        (6_000, 30.0, 78.0, 1, 60, 2),
        (2_000, 25.0, 90.0, 1, 4, 0),
    ],
)
def test_speed_timing_and_sparks(
    rpm: int, btdc: float, reference: float, sparks: int, teeth: int, missing: int
) -> None:
    found = run_case(rpm, btdc, reference, sparks, teeth, missing)
    assert found[0] == pytest.approx(rpm, rel=0.002)
    # Tenths of a degree, and the reference is the wheel's first tooth.
    assert found[1] == pytest.approx(10 * btdc, abs=1)
    assert found[2:] == [True, 10 * sparks, False]


def test_the_count_wraps() -> None:
    found = run_case(1_500, 15.0, 60.0, 3, start=2**32 - 41_667 * 1_000)
    assert found[0] == pytest.approx(1_500, rel=0.002)
    assert found[1] == pytest.approx(150, abs=1)


def test_a_crank_that_stands_still_has_no_speed_and_no_timing() -> None:
    found = run_case(1_500, 15.0, 60.0, ms=5_000, stop_ms=2_000)
    assert found[0] == 0
    assert found[2] is False


PICTURE = (
    FAKES
    + """
import framebuf
class Shown: pass
results = []
for rpm, timing, timed, sparks, lost, reference in json.loads(sys.stdin.read()):
    display = panel.find()
    shown = Shown()
    shown.rpm, shown.timing, shown.timed, shown.sparks = rpm, timing, timed, sparks
    shown.lost, shown.reference_mdeg = lost, reference
    for _ in range(32):
        display.work()
    display.show(shown)
    for _ in range(40):
        display.work()
    # The same again, dot by dot.
    wanted = bytearray(1024)
    draw = framebuf.FrameBuffer(wanted, 128, 64, framebuf.MONO_VLSB)
    def large(text, right, top):
        glyph = framebuf.FrameBuffer(bytearray(8), 8, 8, framebuf.MONO_VLSB)
        for k, letter in enumerate(text):
            glyph.fill(0)
            glyph.text(letter, 0, 0)
            for x in range(8):
                for y in range(8):
                    if glyph.pixel(x, y):
                        left = right - 16 * (len(text) - k)
                        draw.fill_rect(left + 2 * x, top + 2 * y, 2, 2, 1)
    large(str(rpm), 80, 0)
    draw.text("rpm", 100, 8)
    if timed:
        sign = "-" if timing < 0 else ""
        large(sign + "%d.%d" % (abs(timing) // 10, abs(timing) % 10), 80, 24)
    else:
        draw.text("--.-", 48, 28)
    draw.text("BTDC", 96, 32)
    draw.text("sparks", 0, 47)
    def small(tenths, right, top):
        text = "%d.%d" % (tenths // 10, tenths % 10)
        draw.text(text, right - 8 * len(text), top)
    small(sparks, 88, 47)
    if lost:
        draw.text("LOSS", 0, 56)
    draw.text("ref", 40, 56)
    small(reference // 100, 104, 56)
    results.append(display._bus.picture == wanted)
print(json.dumps(results))
"""
)


def test_the_picture_shows_the_numbers() -> None:
    cases = [
        (0, 0, False, 0, False, 0),
        (850, 105, True, 42, False, 60_000),
        (12_345, -73, True, 10, True, 359_500),
        (3_000, 5, True, 100, False, 7_500),
    ]
    assert json.loads(run_script(PICTURE, stdin=json.dumps(cases).encode())) == [True] * 4


ABSENT = (
    FAKES
    + """
found = [panel.find() is not None]
class Silent(I2C):
    def writeto(self, address, data):
        raise OSError(5)
panel.I2C = Silent
found.append(panel.find() is not None)
# One that is pulled off later does no harm.
panel.I2C = I2C
display = panel.find()
display._bus.fail = True
display.work()
display.work()
print(json.dumps(found))
"""
)


def test_an_absent_display_is_noticed() -> None:
    assert json.loads(run_script(ABSENT)) == [True, False]


BUTTONS = (
    FAKES
    + """
import os
os.chdir(sys.argv[1])
board = Board()
meter = Meter(board, panel.find())
log = [meter.reference_mdeg]
def turns(ms, served=False):
    for _ in range(ms):
        clock.now += 1
        meter.turn(served)
def press(pin, ms, served=False):
    levels[pin] = 0
    turns(ms, served)
    levels[pin] = 1
    turns(20, served)
turns(20)
press(14, 50); log.append(meter.reference_mdeg)
press(15, 50); press(15, 50); log.append(meter.reference_mdeg)
press(14, 1005); log.append(meter.reference_mdeg)  # held: one, then five every 80 ms from 600 on
turns(3500, True)
log.append("meter.json" in os.listdir())  # not while a host is served
turns(10)
log.append("meter.json" in os.listdir())
again = Meter(board, panel.find())
log.append(again.reference_mdeg)
with open("meter.json", "w") as file:
    file.write('{"reference_mdeg": "x')
log.append(Meter(board, panel.find()).reference_mdeg)
print(json.dumps(log))
"""
)


def test_buttons_move_the_reference_and_flash_keeps_it(tmp_path: Path) -> None:
    firmware = str(tmp_path)
    found = json.loads(run_script(BUTTONS, firmware))
    held = 3_500 - 500 - 500 + 500
    assert found[:3] == [0, 500, 359_500]
    assert found[3] == (359_500 + 500 * 7) % 360_000 == held
    assert found[4:6] == [False, True]
    assert found[6] == held
    assert found[7] == 0
    assert os.listdir(tmp_path) == ["meter.json"]


ALONE = """
import sys
sys.path.insert(0, sys.path[0])
from app import App
from hw_unix import Hardware
from meter import Meter
class Panel:
    def show(self, meter):
        if meter.timed:
            sys.stderr.write("%d %d %d\\n" % (meter.rpm, meter.timing, meter.sparks))
    def work(self): pass
    def pressed(self, now): return 0
hardware = Hardware()
hardware.meter = Meter(hardware, Panel())
hardware.meter.reference_mdeg = 60000
App(hardware).run()
"""


def test_works_without_a_host_and_goes_on_when_one_comes() -> None:
    # 1000 rev/min: 2 500 000 ticks; clamp A at 45 degrees after the reference of 60.
    turn = 2_500_000

    def step(now: int) -> tuple[int, list[list[int]]]:
        ticks, edges = wheel((turn, 0, 0, 0), 41_666)(now)
        first = turn // 8
        sparks = [
            when
            for k in range(now // turn - 1, (now + ticks) // turn + 1)
            if now <= (when := k * turn + first) < now + ticks
        ]
        return ticks, [edges[0], sparks, [], []]

    world = World(step)
    with running(world, ALONE) as board:
        assert board.process.stderr is not None
        said = [board.process.stderr.readline().split() for _ in range(2)]
        assert said[1] == [b"1000", b"150", b"10"]
        assert board.ask(18) == (0, "")  # start
        session = board.of(1)[-1].session
        board.pump(1.5)
        assert len(board.of(2, session)) > 3
        said = [board.process.stderr.readline().split() for _ in range(2)]
        assert said[1] == [b"1000", b"150", b"10"]
        assert board.ask(19) == (0, "")  # stop: the meter goes on by itself
        before = len(world.records)
        board.pump(0.3)
        assert [operation for _, operation, _ in world.records[before - 2 :]].count(5) == 1
