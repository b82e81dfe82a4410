"""Marker lamp on PIO block 1: flashes at an angle of the crank, or on the first spark of an event.

At an angle: each flash is ordered one to three revolutions ahead, in edges of the wheel and in
cycles after the last edge before it, so that it comes right however long a turn of the loop takes.
The machine counts edges, but not while it flashes: an order ends with a time of blindness, half-way
between two edges, and this program knows which edge the machine sees next. A wheel of one edge
whose flash hides that edge is followed by time alone, from the edges as they were stamped.
"""

import struct
from array import array
from time import ticks_diff, ticks_ms, ticks_us

import micropython
import rp2
from machine import Pin
from micropython import const

import limits
import pins
import programs
import wire
from crank import KNOWN, PERIOD, SEEN, TOOTH, Crank
from machines import disable, enable, give, place, rewind, take

LAMP = const(3)  # state machine of PIO block 1
DROPPED = const(1)  # word of Outputs.told
# Cycles that the program adds, see programs.py: from the edge, or the end of the order before, to
# the flash; from the flash to the end of the order.
AFTER_EDGE = const(5)
AFTER_ORDER = const(6)
AFTER_FLASH = const(2)
SHORT_MS = const(15)  # a revolution at 4000 rev/min
EVENT_GAP_US = const(1800)  # sparks of one event come closer together than this
MASK = const(0x3FFFFFFF)
HALF = const(0x20000000)


@micropython.viper
def _send(count: int, flash: int, delay: int, blind: int) -> int:
    """An order after those that wait: edges to wait for, lengths in cycles less the least.

    Returns 0 and sends nothing when the machine has had to wait: it may have missed edges.
    """
    p = ptr32(0x50300000)
    if p[2] & (1 << 27):  # FDEBUG: found its queue empty
        return 0
    p[7] = count | (flash << 8)
    p[7] = delay
    p[7] = blind
    return 1


@micropython.viper
def _begin(rings, i: int, flash: int, delay: int, blind: int, at, step: int) -> int:
    """The first order, which counts edges from now.

    rings: the state of Rings, of input i; at: array of edges seen, edges to wait for.

    Edges that came since are taken off, or the next revolution of `step` edges is taken (none
    when step is 0: then they forbid the order). Returns how many edges after those seen the last
    one is that is waited for; 0 when an edge came in the middle, or forbade it.
    """
    s = ptr32(rings)
    left = ptr32(s[31 + i])  # COUNTERS and BASES, see ring.py
    base = s[35 + i]
    a = ptr32(at)
    p = ptr32(0x50300000)
    before = left[0]
    came = (base - before - a[0]) & 0x3FFFFFFF
    if came and step == 0:
        return 0
    count = a[1]
    while count <= came:
        count += step
    p[7] = (count - came) | (flash << 8)
    p[7] = delay
    p[7] = blind
    tries = 0
    while tries < 10:  # until an edge of before the order is surely counted
        if left[0] != before:
            return 0
        tries += 1
    p[2] = 1 << 27  # FDEBUG: from now on note when the queue is found empty
    return count


@micropython.viper
def _apart(ring, then: int, now: int, mask: int) -> int:
    """Ticks from edge number `then` to edge number `now`, by their stamps."""
    r = ptr32(ring)
    return (r[now & mask] - r[then & mask]) & 0x3FFFFFFF


@micropython.viper
def _room(words: int) -> int:
    """Whether the machine waits for an order: bit 0; at most `words` wait for it: bit 1."""
    p = ptr32(0x50300000)
    if p[2] & (1 << 27):
        return 3
    return 2 if (p[3] >> 24) & 15 <= words else 0


def _after(edge, other):
    """By how many edges one is after another: numbers of edges wrap at 30 bits."""
    return ((edge - other + HALF) & MASK) - HALF


class Lamp:
    """The lamp; `mode` as in the command, 0 when it is off."""

    def __init__(self, hw, outputs):
        self._hw = hw
        self._outputs = outputs
        self._mhz = hw.clock_hz // 1000000
        self._ticks_per_ms = self._mhz * 1000 // 3
        self._crank = Crank(hw.rings, 0)
        self._program = None
        self._machine = rp2.StateMachine(4 + LAMP)
        self._start = 0
        self.mode = 0
        self._running = False  # the machine has orders that follow on each other
        self._anchor = -1  # edge from which the last flash was reckoned
        self._end = 0  # cycles from that edge to the end of the order
        self._next = 0  # first edge that the machine sees after it
        self._at = array("I", [0, 0])  # for _begin

    def stopped(self):
        """All outputs have been switched off."""
        self.mode = 0

    @micropython.native
    def command(self, payload):
        """See wire.md; None or what cannot be done."""
        mode, teeth, missing, source, angle, flash_us = struct.unpack_from(
            wire.LAMP_FORMAT, payload
        )
        self._off()
        if not mode:
            return None
        teeth = teeth or 1
        if missing >= teeth:
            return f"missing is {missing}, must be less than teeth, {teeth}"
        self._source = source = 0 if mode == wire.LAMP_MODE_ANGLE else source
        self._angle = angle
        self._flash = flash_us * self._mhz
        self._crank.set_wheel(teeth, missing)
        self._load(self._hw.falling >> source & 1)
        self._seen = self._hw.rings.written[source]
        self._heard_us = ticks_us()
        self._quiet = False
        self._flashed_ms = ticks_ms()
        self._outputs.told[DROPPED] = 0
        self._anchor = -1
        self._empty()
        give(self._outputs.registers, 1 << pins.LAMP)
        self.mode = mode
        self._outputs.on |= wire.OUTPUT_BITS_LAMP
        return None

    @micropython.native
    def _load(self, falling):
        program = programs.lamp_falling if falling else programs.lamp_rising
        if self._program is not program and self._program:
            rp2.PIO(1).remove_program(self._program)
        self._program = program
        source = Pin(self._hw.input_pins[self._source])
        self._machine.init(program, in_base=source, sideset_base=Pin(pins.LAMP))
        self._start = place(LAMP)

    def _off(self):
        take(self._outputs.registers, 1 << pins.LAMP, 0)
        disable(1 << LAMP)
        self.mode = 0
        self._outputs.on &= ~wire.OUTPUT_BITS_LAMP

    def _empty(self):
        """No order any more."""
        disable(1 << LAMP)
        rewind(LAMP, self._start)
        enable(1 << LAMP, 1 << LAMP)
        self._running = False

    def turn(self):
        """Order the next flash, where there is room. Returns whether one was ordered."""
        self._crank.follow()
        if self.mode == wire.LAMP_MODE_FIRST_SPARK:
            self._listen()
            return _room(0) & 1 and self._order_on_spark()
        state = self._crank.state
        if not state[PERIOD] or state[KNOWN] & 4 == 0:
            if self._anchor >= 0:
                self._empty()
                self._anchor = -1
            return False
        # One order ahead; two at high speed, where a turn of the loop may take longer.
        words = 5 if state[PERIOD] < SHORT_MS * self._ticks_per_ms else 2
        room = _room(words)
        if room & 1:
            self._running = False
        orders = 3
        while orders and room & 2 and self._order_at_angle(state):
            room = _room(words)
            orders -= 1
        return orders < 3

    # At an angle

    def _delay(self, mdeg):
        """Ticks that the crank takes for some 1/1000 degrees."""
        period = self._crank.state[PERIOD]
        degree = period // 360
        whole = mdeg // 1000
        part = mdeg - whole * 1000
        rest = (period - degree * 360) * mdeg // 360000
        return degree * whole + degree * part // 1000 + rest

    def _gap(self, tooth, pitch):
        """Cycles from a tooth to the next."""
        crank = self._crank
        if tooth == crank.teeth - crank.missing - 1:
            return pitch * (crank.missing + 1)
        return pitch

    @micropython.native
    def _order_at_angle(self, state):
        """The flash of the revolution after the last one ordered, or the first one.

        Returns whether it was ordered.
        """
        teeth = self._crank.teeth
        present = teeth - self._crank.missing
        # The last tooth before the flash, and the rest of the way from there.
        tooth = min(self._angle * teeth // 360000, present - 1)
        delay = 3 * self._delay(self._angle - tooth * 360000 // teeth)
        delay = max(delay, AFTER_EDGE)
        period = 3 * state[PERIOD]
        # Shorter where a long flash would be bright for more than its share of the time.
        flash = max(min(self._flash, period // 1000 * limits.FLASH_PERMILLE), 2)
        # Blind until half-way to the next edge, or half-way between two if one is near.
        pitch = period // teeth
        over = delay + flash
        last = edges = 0
        coming = self._gap(tooth, pitch)
        while coming < over + (pitch >> 6) + 60:
            edges += 1
            last = coming
            coming += self._gap((tooth + edges) % present, pitch)
        end = (max(over, last) + coming) >> 1
        blind = end - over - AFTER_FLASH
        flash -= 1
        # Edges until this tooth comes, the first of them being 1.
        waits = (tooth - state[TOOTH] - 1) % present + 1
        if not self._running:
            self._start_at_angle(state, waits, flash, delay - AFTER_EDGE, blind, present)
            if not self._running:
                return False
        else:
            anchor = self._anchor + present
            if _after(anchor, state[SEEN] + waits - 1) % present:
                self._empty()  # the wheel is not where it was thought to be: start over
                self._anchor = -1
                return False
            count = _after(anchor, self._next) + 1
            dropped = 0
            if count > 0 or present > 1:
                while count <= 0:
                    count += present
                    anchor += present
                    dropped += 1
                if not _send(count, flash, delay - AFTER_EDGE, blind):
                    return False
            elif not self._order_by_time(state, flash, delay, blind, period):
                return False
            else:
                anchor = self._anchor
            self._drop(dropped)
            self._anchor = anchor & MASK
        self._end = end
        self._next = self._anchor + 1 + edges
        return True

    @micropython.native
    def _start_at_angle(self, state, waits, flash, delay, blind, present):
        at = self._at
        at[0] = state[SEEN]
        at[1] = waits
        count = _begin(self._hw.rings.state, 0, flash, delay, blind, at, present)
        if not count:
            self._empty()
            return
        anchor = (state[SEEN] + count - 1) & MASK
        if self._anchor >= 0:
            self._drop(((anchor - self._anchor) & MASK) // present - 1)
        self._anchor = anchor
        self._running = True

    @micropython.native
    def _order_by_time(self, state, flash, delay, blind, period):
        """The machine cannot see the one edge of the wheel: from the end of the last order on."""
        known = state[SEEN] - 1
        gone = _after(known, self._anchor)
        if gone < 0:
            return False  # the edge from which that end is reckoned has not come yet
        rings = self._hw.rings
        passed = 3 * _apart(rings.buffers[0], self._anchor, known, rings.size - 1)
        end = self._end - passed  # from the last edge, which may be later
        turns = 0
        while delay < end + AFTER_ORDER:
            delay += period
            turns += 1
        if not _send(0, flash, delay - end - AFTER_ORDER, blind):
            return False
        self._drop(gone + turns - 1)
        self._anchor = known + turns
        return True

    def _drop(self, flashes):
        told = self._outputs.told
        if flashes > 0:
            told[DROPPED] = min(told[DROPPED] + flashes, 65535)

    # On the first spark

    def _listen(self):
        """Notice when the sparks of an event are over."""
        written = self._hw.rings.written[self._source]
        if written != self._seen:
            self._seen = written
            self._heard_us = ticks_us()
            self._quiet = False
        elif not self._quiet and ticks_diff(ticks_us(), self._heard_us) >= EVENT_GAP_US:
            self._quiet = True

    @micropython.native
    def _order_on_spark(self):
        """Not within an event, and not before nine tenths of a revolution have passed.

        Returns whether it was ordered.
        """
        if self._running:  # the order has been played
            self._running = False
            self._flashed_ms = ticks_ms()
        if not self._quiet:
            return False
        # Ticks of a revolution to ms: 9/10 of it, and one for the clock's step; 10 ms when the
        # crank is not known.
        period = self._crank.state[PERIOD]
        wait_ms = period // 10 * 9 // self._ticks_per_ms + 1 if period else 10
        if ticks_diff(ticks_ms(), self._flashed_ms) < wait_ms:
            return False
        share = (wait_ms - 1) * self._mhz * limits.FLASH_PERMILLE
        at = self._at
        at[0] = self._seen
        at[1] = 1
        flash = max(min(self._flash, share), 2)
        if _begin(self._hw.rings.state, self._source, flash - 1, 0, 0, at, 0):
            self._running = True
        else:
            self._empty()
        return self._running
