"""The stand-alone meter under the real MicroPython: its clock, pins, bus and edges are the test's.

`run` plays edges to firmware/meter.py and gives what it would show at every look, `script` is the
ground for tests of their own: a clock that the script moves, pins that it sets, and a bus that
keeps what was written.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firmware_board import run_script

TICK_S = 24e-9

FAKES = """
import sys, gc, json
from array import array
class Clock:
    now = 1000
    def ticks_ms(self): return self.now & 0x3FFFFFFF
    def ticks_us(self): return self.now * 1000 & 0x3FFFFFFF
    def ticks_diff(self, a, b): return ((a - b + 0x20000000) & 0x3FFFFFFF) - 0x20000000
    def ticks_add(self, a, b): return (a + b) & 0x3FFFFFFF
    def sleep_ms(self, ms): self.now += ms
    def sleep_us(self, us): pass
clock = Clock()
sys.modules["time"] = clock
levels = {}
class Pin:
    IN, OUT, PULL_UP, PULL_DOWN = 0, 1, 1, 2
    moved = []
    def __init__(self, number, mode=0, pull=0, value=0):
        self.number, self.pull = number, pull
    def init(self, mode=0, pull=0, value=0):
        Pin.moved.append((self.number, mode))
    def value(self):
        return levels.get(self.number, self.pull == Pin.PULL_UP)
class Display:
    '''SSD1306 in page addressing, as its data sheet has it.'''
    def __init__(self):
        self.ram = bytearray(8 * 132)
        self.page = self.column = 0
        self.on = False
        self.mode = 2
        self.commands = 0
    def take(self, data):
        at = 0
        while at < len(data):
            control = data[at]
            at += 1
            if control == 0x80:
                at = self.command(data, at)
            elif control == 0x00:
                while at < len(data):
                    at = self.command(data, at)
            else:
                for byte in data[at:]:
                    if self.column < 132:
                        self.ram[132 * self.page + self.column] = byte
                    self.column += 1
                return
    def command(self, data, at):
        code = data[at]
        self.commands += 1
        if code in (0xd5, 0xa8, 0xd3, 0x8d, 0xda, 0x81, 0xd9, 0xdb, 0x20):
            if code == 0x20:
                self.mode = data[at + 1]
            return at + 2
        if code == 0xaf: self.on = True
        if code == 0xae: self.on = False
        if code >> 4 == 0xb: self.page = code & 7
        if code < 0x10: self.column = self.column & 0xf0 | code
        elif code < 0x20: self.column = self.column & 15 | (code & 15) << 4
        return at + 1
display = Display()
class I2C:
    fail = 0  # transfers that fail
    count = 0
    pieces = []
    def __init__(self, number, sda, scl, freq, timeout=0): pass
    def writeto(self, address, data):
        I2C.count += 1
        if I2C.fail:
            I2C.fail -= 1
            raise OSError(5)
        assert address == 0x3C
        display.take(data)
        return len(data)
class Machine: pass
machine = Machine()
machine.Pin, machine.I2C = Pin, I2C
sys.modules["machine"] = machine
levels[16] = levels[17] = 1
import panel, settings
from meter import Meter
from ring import plain_rings
TICKS = 41667  # per ms
class Board:
    def __init__(self):
        self.rings = plain_rings(2048)
        self.tick_ps = 24000
        self.outputs = 0
one = array("I", [0])
def edge(board, i, when):
    one[0] = when & 0xFFFFFFFF
    board.rings.write(i, one, 0, 1)
def make(board, folder="", **values):
    meter = Meter(board, panel.find(), folder)
    meter.values.update(values)
    meter.apply()
    meter.restart(meter.enabled, meter.falling, 0)
    return meter
"""

PLAY = (
    FAKES
    + """
class Quiet:
    def buttons(self):
        from menu import Button
        return Button(Pin(14, 0, 1)), Button(Pin(15, 0, 1))
    def show(self, meter):
        if meter.menu.mode == 0:
            said.append([clock.now - start, meter.reason, meter.figure, meter.rpm, meter.timing,
                meter.error, meter.within, meter.sparks, meter.events, meter.timed])
    def work(self, now): pass
    def clear(self): pass
source = sys.stdin.buffer
while True:
    line = source.readline()
    if not line:
        break
    case = json.loads(line)
    streams = [source.read(4 * n) for n in case["counts"]]
    said = []
    board = Board()
    meter = Meter(board, Quiet())
    meter.values.update(case["settings"])
    wrong = settings.fault(meter.values)
    assert not wrong, wrong
    meter.apply()
    clock.now += 100
    start = clock.now
    meter.restart(meter.enabled, meter.falling, 0)
    at = [0, 0, 0, 0]
    words = [array("I", s) for s in streams]
    step = case["step"]
    ms = 0
    while ms < case["ms"]:
        ms += step
        clock.now += step
        end = ms * TICKS
        for i in range(4):
            k = at[i]
            w = words[i]
            n = len(w)
            # Rings are filled by time; a ring takes at most its size.
            begun = k
            while k < n and w[k] < end:
                k += 1
            if k > begun:
                if case["first"]:
                    for j in range(begun, k):
                        w[j] = (w[j] + case["first"]) & 0xFFFFFFFF
                board.rings.write(i, w, begun, k - begun)
                at[i] = k
        before = gc.mem_alloc() if case["strict"] else 0
        meter.turn(False)
        if case["strict"] and ms > 500 and not said[-1][0] == ms:
            assert gc.mem_alloc() == before, "the meter allocates"
    print(json.dumps(said))
"""
)

NAMES = ("", "SET_WHEEL", "HOST", "NO_CRANK", "NOT_WHEEL", "ON_CRANK", "UNEVEN", "NO_SPARKS",
         "WAIT", "LOST", "ELSEWHERE", "SPACING", "PLACES", "SCATTER", "REVERSED", "REPEATS",
         "IMPLAUSIBLE", "CHECK", "FALLING", "COIL_ON", "FAR", "WIRES", "VARIES",
         "TRUE", "TWICE")  # fmt: skip


@dataclass(frozen=True)
class Look:
    """What one picture shows; degrees, `timed`: a number is shown."""

    ms: int
    reason: str
    figure: float
    rpm: int
    timing: float
    error: float | None
    within: float
    sparks: float
    events: int
    timed: bool


@dataclass
class Play:
    """Edges for the meter: ticks per input, and its settings."""

    crank: NDArray[np.int64]
    clamp: NDArray[np.int64]
    settings: dict[str, Any]
    index: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    ms: int = 6_000
    step: int = 1
    first: int = 0
    strict: bool = False


def run(plays: Sequence[Play]) -> list[list[Look]]:
    """All looks of each."""
    data = b""
    for play in plays:
        streams = [play.crank, play.clamp, np.empty(0, np.int64), play.index]
        head = {
            "settings": play.settings, "counts": [len(s) for s in streams], "ms": play.ms,
            "step": play.step, "first": play.first, "strict": play.strict,
        }  # fmt: skip
        data += json.dumps(head).encode() + b"\n"
        for stream in streams:
            data += struct.pack(f"<{len(stream)}I", *(int(t) for t in stream))
    lines = run_script(PLAY, stdin=data).splitlines()
    return [[_look(row) for row in json.loads(line)] for line in lines]


def _look(row: list[Any]) -> Look:
    ms, reason, figure, rpm, timing, error, within, sparks, events, timed = row
    return Look(ms, NAMES[reason], figure / 10, rpm, timing / 10,
                None if error is None else error / 10, within / 10, sparks / 10, events,
                timed)  # fmt: skip


def ticks(seconds: NDArray[np.float64]) -> NDArray[np.int64]:
    """Seconds as the board stamps them, none before 0."""
    seconds = seconds[seconds > 0]
    return np.sort(np.floor(seconds / TICK_S).astype(np.int64))
