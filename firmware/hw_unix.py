"""Hardware of the unix port: edges come from a simulated world over two pipes.

This docstring is the description of the interface between app.py and any hardware module; a
module for a new board defines a class Hardware with the same names.

Attributes:
    board (str), uid (8 bytes)
    tick_ps, clock_hz, dead_ns, min_pulse_ns, edge_rate: as in the hello message (protocol/wire.md)
    link: link.Link or its like: receive, ready, send, cut, stuck
    rings: ring.Rings: counts of the edges; the hardware moves `written`, `stalls` and `now` only
    driven: array('I') of one word
    told: array('I'): pauses of the bench pulses, flashes dropped, CUT_... bits (wire.md, driving)
    leased: ticks_ms() from which the lease counts; the loop puts that of a renew here
    outputs: bits of the outputs that are on (OUTPUT_BITS_...)
    notes: list of (LEVEL_... of wire.py, str) to be said to the host, once each, when it reads
    meter: meter.Meter when there is a display, else None
    heard: the loop puts ticks_ms() of the last good frame here
Methods:
    configure(enabled, falling, both): inputs to capture, those that stamp the falling edge, those
        that stamp both flanks; bit masks; only while stopped. Returns None, or one sentence that
        says what cannot be done; then nothing has changed. Counts of an input that stamps both
        are written to its ring doubled, with the level after the edge in bit 0.
    start(): capture from time 0; rings and driven have been cleared
    poll(streaming): first thing in each turn of the loop. While streaming, bring rings.now and then
        rings.written up to date, so that every edge older than `now` is in the rings. May wait
        a few milliseconds when there is nothing to do. Returns the microseconds spent on work but
        looking, 0 for none. Does not allocate.
    halt(): end of capture, with a last poll; stop(): everything at rest
    drive(payload, since), lamp(payload, since): bytes of the command's payload, ranges checked;
        ticks_ms() from which the lease counts. Returns None, or one sentence that says what cannot
        be done.
    fill(): before something that takes its time; what plays at the outputs must not run dry
    outputs_off(): always works, allowed at any time
    sample(): look at the supply voltage; now and then, at least once between two heartbeats
    supply_mv(): lowest since the last call, 65535 when not measured; does not allocate
    rest(): pass a short time, about a millisecond
    enter(), leave(): the loop begins, the loop has ended for good
    wants_prompt(): a static method; whether the user holds the board back from starting

A display and buttons at the desk: see desk.py.

The pipes, by file descriptors in the environment: SPARKWITNESS_WORLD="read,write".
To the world: 32 bytes: byte 0 is the operation, from byte 4 on the payload of the command.
From the world, in answer to ADVANCE: 4096 bytes: u64 time up to which all edges have been
delivered, u16 supply in mV, u8 flags (bit 0: the engine is off for good; bit 1: the world does
not follow the wall clock, so it is not moved on while the host does not read), u8 0, u16 edges
per input [4], u32 driven, 8 bytes 0, then the u32 counts, input after input.
"""

import os
import select
import sys
from array import array
from time import sleep_ms, ticks_diff, ticks_ms

import micropython
from micropython import const

import wire
from limits import USED_UP, Budget, drive_fault, take
from link import Link
from pulses import read_drive
from ring import INPUTS, plain_rings

RING_EDGES = const(2048)
ANSWER_SIZE = const(4096)
TICKS_PER_MS = const(41667)
COUNTS_WORD = const(8)
WORLD_WAITS = const(2)
NOT_MEASURED = const(65535)

ADVANCE = const(1)
DRIVE = const(2)
LAMP = const(3)
OUTPUTS_OFF = const(4)
SESSION_START = const(5)
CONFIGURE = const(6)


@micropython.viper
def _read_answer(answer, now, driven):
    a = ptr32(answer)
    n = ptr32(now)
    n[0] = a[0]
    n[1] = a[1]
    ptr32(driven)[0] = a[5]


def _half(answer, at):
    return answer[at] | answer[at + 1] << 8


class Hardware:
    """The board as seen by the world at the other end of the pipes."""

    def __init__(self):
        self.board = "unix port, " + sys.implementation.name
        self.uid = b"unixport"
        self.tick_ps = 24000
        self.clock_hz = 125000000
        self.dead_ns = 32
        self.min_pulse_ns = 32
        self.edge_rate = 100000
        self.link = Link()
        self.rings = plain_rings(RING_EDGES)
        self.driven = array("I", [0])
        self.told = array("I", [0, 0, 0])
        self.notes = []
        self.meter = None
        self.heard = self.leased = ticks_ms()
        self._budget = Budget()
        self._width_us = self._counted = self._then = 0
        self._supply = NOT_MEASURED
        self._record = bytearray(32)
        self._answer = bytearray(ANSWER_SIZE)
        place = os.getenv("SPARKWITNESS_WORLD")
        if not place:
            sys.stderr.write("The unix port needs a world: start it from the simulator.\n")
            sys.exit(2)
        read, write = place.split(",")
        self._from_world = open(int(read), "rb", 0)
        self._to_world = open(int(write), "wb", 0)
        self._idle = select.poll()
        self._idle.register(sys.stdin, select.POLLIN)
        self._idle.register(self._from_world, select.POLLIN)
        if os.getenv("SPARKWITNESS_PANEL"):
            import desk

            self.meter = desk.meter(self)
        self.outputs_off()

    def _tell(self, operation, payload=b""):
        record = self._record
        for k in range(32):
            record[k] = 0
        record[0] = operation
        size = min(len(payload), 28)
        record[4 : 4 + size] = payload[:size]
        self._to_world.write(record)

    def configure(self, enabled, falling, both=0):
        self._tell(CONFIGURE, bytes((enabled, falling, both)))

    def start(self):
        self._supply = NOT_MEASURED
        self._waits = False
        self._tell(SESSION_START)

    def poll(self, streaming):
        if not streaming:
            self._wait_for_host()
        elif self._waits and not self.link.ready():
            sleep_ms(1)
        else:
            self._advance()
        return 0

    def _wait_for_host(self):
        for source, events in self._idle.ipoll(10):
            if source is self._from_world:
                sys.exit(0)  # the world has closed its end
            if not events & select.POLLIN:
                sleep_ms(5)  # a terminal that nobody has open

    def _advance(self):
        answer = self._answer
        self._record[0] = ADVANCE
        self._to_world.write(self._record)
        if self._from_world.readinto(answer) != ANSWER_SIZE:
            sys.exit(0)
        _read_answer(answer, self.rings.now, self.driven)
        self._account()
        self._supply = min(self._supply, _half(answer, 8))
        self._waits = bool(answer[10] & WORLD_WAITS)
        place = COUNTS_WORD
        for i in range(INPUTS):
            n = _half(answer, 12 + 2 * i)
            if n:
                self.rings.write(i, answer, place, n)
                place += n

    def halt(self):
        pass

    def stop(self):
        pass

    def _now_ms(self):
        return (self.rings.now[1] << 32 | self.rings.now[0]) // TICKS_PER_MS & 0x3FFFFFFF

    def _account(self):
        """Pulses driven since the last look, against the budget."""
        more = (self.driven[0] - self._counted) & 0x3FFFFFFF
        self._counted = self.driven[0]
        now = self._now_ms()
        # A step of the world may be a second long: then its pulses were spread over it.
        steps = max(ticks_diff(now, self._then), 0) // 10 + 1
        self._then = now
        if not more or not self.outputs & wire.OUTPUT_BITS_BENCH:
            return
        us = more * self._width_us
        for k in range(steps):
            part = us * (k + 1) // steps - us * k // steps
            why = take(self._budget.words, part, now - 10 * (steps - 1 - k) & 0x3FFFFFFF)
            if why:
                self.outputs_off()
                self.told[2] |= why
                text = USED_UP.format("second" if why == wire.CUT_SECOND else "minute")
                self.notes.append((wire.LEVEL_WARNING, text))
                return

    def drive(self, payload, since):
        order = read_drive(payload)
        mrpm_from, mrpm_to, _, width_us, firings, _, _, teeth, _, load = order
        running = (mrpm_from or mrpm_to) and (firings or teeth)
        if running:
            fault = drive_fault(order) or self._budget.fault(order, self._now_ms())
            if fault:
                return fault
            self.leased = since
            self._budget.set_load(load)
        self._width_us = width_us
        self._counted = self.driven[0] = 0
        self.told[0] = 0
        self.outputs &= wire.OUTPUT_BITS_LAMP
        if running and firings:
            self.outputs |= wire.OUTPUT_BITS_BENCH
        if running and teeth:
            self.outputs |= wire.OUTPUT_BITS_CRANK
        self._tell(DRIVE, payload)
        return None

    def lamp(self, payload, since):
        self.outputs &= ~wire.OUTPUT_BITS_LAMP
        if payload[wire.LAMP_MODE - wire.HEADER_SIZE]:
            self.leased = since
            self.outputs |= wire.OUTPUT_BITS_LAMP
        self._tell(LAMP, payload)
        return None

    def fill(self):
        pass

    def outputs_off(self):
        self.outputs = 0
        try:
            self._tell(OUTPUTS_OFF)
        except OSError:  # the world is gone, and with it the outputs
            pass

    def sample(self):
        pass

    def supply_mv(self):
        lowest = self._supply
        self._supply = NOT_MEASURED
        return lowest

    def rest(self):
        sleep_ms(1)

    def enter(self):
        pass

    def leave(self):
        if self.meter:
            self.meter.close()

    @staticmethod
    def wants_prompt():
        return False
