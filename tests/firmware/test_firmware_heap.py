"""The board's own hardware module does not allocate either: its Python code under the real
MicroPython, with the register functions replaced (those are native code, see test_firmware_arm).
"""

from __future__ import annotations

import select
import struct
import time

from firmware_board import (
    ACK,
    DRIVE,
    EDGES,
    HEARTBEAT,
    LAMP,
    RENEW,
    START,
    World,
    drive,
    lamp,
    running,
)

SCRIPT = """
import gc, micropython, sys
from array import array
class Module: pass
# The board's clock goes on by 20 us a look, and stands still while a renewal of the lease is due:
# what happens does not depend on how fast the host or this machine is.
clock, held = [0], [None]
def ticks_us():
    hardware = held[0]
    if hardware is None or not hardware.outputs or clock[0] // 1000 - hardware.leased < 450:
        clock[0] += 20
    return clock[0]
def sleep_us(us):
    clock[0] += us
time = Module()
time.ticks_us, time.ticks_ms = ticks_us, lambda: ticks_us() // 1000
time.ticks_add, time.ticks_diff = (lambda a, b: a + b), (lambda a, b: a - b)
time.sleep_us, time.sleep_ms = sleep_us, lambda ms: sleep_us(1000 * ms)
sys.modules["time"] = time
class Anything:
    def __init__(self, *args, **names): self.channel = 0
    def __call__(self, *args, **names): return self
    def __getattr__(self, name): return anything
anything = None
anything = Anything()
class Pin:
    IN, OUT, PULL_UP, PULL_DOWN = 0, 1, 1, 2
    def __init__(self, *args, **names): pass
    def value(self): return 0
class ADC:
    def __init__(self, pin): self.n = 0
    def read_u16(self):
        self.n = (self.n + 1) & 1023
        return 30000 + self.n
class Timer:
    PERIODIC = 1
    def __init__(self, *args, **names): pass
    def deinit(self): pass
class StateMachine(Anything):
    def rx_fifo(self): return 0
    def tx_fifo(self): return 0
    def restart(self): pass
machine = Module()
machine.Pin, machine.ADC, machine.Timer, machine.I2C = Pin, ADC, Timer, None
class WDT:
    def __init__(self, *args, **names): pass
    def feed(self): pass
machine.WDT = WDT
machine.mem32 = {0x4005800C: 0}
machine.freq, machine.unique_id = (lambda: 125000000), (lambda: b"12345678")
sys.modules["machine"] = machine
class PIO(Anything):
    OUT_LOW, OUT_HIGH, SHIFT_LEFT, SHIFT_RIGHT, JOIN_TX, JOIN_RX = 2, 3, 0, 1, 1, 2
rp2 = Module()
rp2.PIO, rp2.StateMachine, rp2.DMA = PIO, StateMachine, Anything
rp2.asm_pio = lambda **names: lambda source: []
sys.modules["rp2"] = rp2
import os
uname = Module()
uname.machine = "stand-in"
fake_os = Module()
fake_os.uname, fake_os.urandom = (lambda: uname), os.urandom
sys.modules["os"] = fake_os
import machines  # stand-ins for what stores to registers, before anybody imports it
# No *args: that would make a tuple.
machines.take = lambda registers, mask, high: None
machines.give = lambda registers, mask: None
machines.enable = lambda what, fresh: None
machines.disable = machines.calm = lambda what: None
machines.rewind = lambda number, start: None
machines.starved = lambda numbers: 0
machines.place = lambda number: 5
machines.whole = lambda mask, high, numbers, tries: 1
sys.modules["arm"] = Module()  # in assembler: it takes a buffer and a number, and gives none
import hw_rp2, lamp, outputs

# Registers: time goes on by 0.1 ms per look, every input has 8 more edges each 8th look.
def look(machines, state):
    hw_rp2.looks = (hw_rp2.looks + 1) & 7
    state[20] = (state[20] + 4167) & 0x3FFFFFFF
    for i in range(4):
        if hw_rp2.looks == 0:
            state[i] = (state[i] + 8) & 0x3FFFFFFF
        state[hw_rp2.COUNTERS + i] = 0  # no DMA to be asked
    return 0
hw_rp2.looks = 0
def nothing(machines): pass  # no *args: that would make a tuple
hw_rp2._start, hw_rp2._stop = nothing, lambda: None
hw_rp2._look = look
hw_rp2.Hardware._find_copier = lambda self: None
hw_rp2._halt = lambda channel, abort, busy: 0
from limits import take
from pulses import next_record
@micropython.viper
def play(bench, crank, lengths, budget, driven, machines: int, known: int, ahead: int, now: int
         ) -> int:
    n = ptr32(outputs.orders)
    n[0] = n[0] + 1
    if n[0] & 7:
        return 0
    needed = int(next_record(crank, lengths, known))
    if needed < 0:
        needed = int(next_record(bench, lengths, known))
    if needed >= 0:
        n[0] = n[0] - 1
        return -1 - needed
    n[1] = n[1] + 1
    return int(take(budget, 1, now))
outputs.orders = array("I", [0, 0, 0, 0])
outputs._play = play
def begin(rings, i, flash, delay, blind, at, step):
    outputs.orders[3] += 1
    return 1
def send(count, flash, delay, blind):
    outputs.orders[3] += 1
    return 1
lamp._begin, lamp._send, lamp._room = begin, send, lambda words: 2
from app import App
hardware = hw_rp2.Hardware()
for i in range(4):
    ring = memoryview(hardware.rings.buffers[i])
    for k in range(2048):  # an edge every 20 000 ticks
        word = k * 20000
        for byte in range(4):
            ring[4 * k + byte] = (word >> 8 * byte) & 255
held[0] = hardware
app = App(hardware)
app._hello()
while hardware.outputs != 7:
    app.turn()
for _ in range(500):
    app.turn()
before = grown = 0
beat = app._since_us
gc.collect()
gc.disable()
before = gc.mem_alloc()
end = clock[0] + 2000000  # four renewals and more
while clock[0] < end:
    app.turn()
grown = gc.mem_alloc() - before
print(grown, app._since_us != beat, outputs.orders[1] > 50, outputs.orders[3] > 5,
      file=sys.stderr)
app.run()
"""


def test_capture_outputs_and_lamp_do_not_allocate() -> None:
    with running(World(lambda _: (1, [[], [], [], []])), SCRIPT) as board:
        assert board.ask(START) == (0, "")
        order = drive(3_000_000, 6_000_000, 600_000, teeth=36, missing=1, width_us=20)
        assert board.ask(DRIVE, order) == (0, "")
        assert board.ask(LAMP, lamp(angle_mdeg=30_000)) == (0, "")
        lease = board.asked
        assert board.process.stderr is not None
        said = ""
        end = time.monotonic() + 60
        while not said and time.monotonic() < end:
            if len(board.of(ACK)) == board.asked:  # else the line could fill up
                board.send(RENEW, struct.pack("<I", lease))
            board.pump(0.02)
            if select.select([board.process.stderr], [], [], 0)[0]:
                said = board.process.stderr.readline().decode()
        assert said == "0 True True True\n"
        assert len(board.of(EDGES)) > 500
        assert len(board.of(HEARTBEAT)) > 3
        assert len(board.of(ACK)) > 5
