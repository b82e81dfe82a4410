"""Bench trigger, bench crank and marker lamp on PIO block 1 of an RP2 board.

Off means: pin low, as without power, whatever the polarity of the pulses. A timer switches off
even when the loop is held up: by a host that neither speaks nor reads, for example.
"""

import struct
from array import array
from time import ticks_diff, ticks_ms, ticks_us

import micropython
import rp2
from machine import Pin, Timer
from micropython import const

import pins
import programs
import wire
from crank import KNOWN, PERIOD, SEEN, TOOTH, Crank
from pulses import ACTIVE_CYCLES, Speed, Train, drive_fault, read_drive

BENCH = const(1)  # state machines of PIO block 1
CRANK = const(2)
LAMP = const(3)
RECORD_MS = const(3)  # a record should last this long, so that the loop can keep up
AHEAD_MS = const(30)  # and this much may wait in the queue
SILENCE_MS = const(900)
EVENT_GAP_US = const(1800)  # sparks of one event come closer together than this
GUARD_MS = const(50)
PAUSED = "the bench pulses had to pause: the board was held up"
NOTHING = [0, 1, 0, 0, 0]
BOTH = const(6)  # bits of bench and crank
DELAY_CYCLES = const(3)
FLASH_CYCLES = const(2)


@micropython.viper
def _level(machine: int) -> int:
    """Words in the send queue of a state machine of block 1."""
    return (ptr32(0x50300000)[3] >> (machine << 3)) & 15


@micropython.viper
def _put(machine: int, count: int, active: int, words: int):
    """Send two words: count | active << 8, and the other one."""
    p = ptr32(0x50300000)
    p[4 + machine] = count | (active << 8)
    p[4 + machine] = words


@micropython.viper
def _enable(machines: int):
    """Start machines of block 1 in one cycle; others go on as they are."""
    p = ptr32(0x50300000)
    p[2] = machines << 24  # FDEBUG: forget that they have been empty
    p[0] = (p[0] & 15) | machines | (machines << 8)


@micropython.viper
def _disable(machines: int):
    p = ptr32(0x50300000)
    p[0] = p[0] & (15 ^ machines)


@micropython.viper
def _empty(machines: int) -> int:
    """Which of the machines have found their queue empty since the last call."""
    p = ptr32(0x50300000)
    found = (p[2] >> 24) & machines
    if found:
        p[2] = found << 24
    return found


@micropython.viper
def _place(machine: int) -> int:
    """Program counter of a machine of block 1."""
    return ptr32(int(0x503000D4) + machine * 24)[0] & 31


def _machine(number):
    """A machine of block 1, at rest and with an empty send queue."""
    machine = rp2.StateMachine(4 + number)
    _disable(1 << number)
    while machine.tx_fifo():
        machine.exec("pull(noblock)")
    return machine


class Player:
    """Feeds one train of pulses to its state machine."""

    def __init__(self, number, train):
        self._machine = number
        self.train = train
        self.cycles_ahead = 0
        self.fed = 0
        self._last = self._before = 0

    def restart(self):
        self.fed = self._last = self._before = 0

    def feed(self, ahead):
        """Top up the queue, two records at most, no more than `ahead` cycles."""
        level = _level(self._machine)
        while level == 0 or (level <= 2 and self.cycles_ahead < ahead):
            train = self.train
            train.next()
            _put(self._machine, train.count - 1, train.active, train.inactive)
            self.cycles_ahead = train.cycles
            self._before = self._last
            self._last = train.count
            self.fed = (self.fed + train.count) & 0x3FFFFFFF
            level += 2

    def begun(self):
        """Pulses of the records that have begun."""
        level = _level(self._machine)
        waiting = self._last if level >= 2 else 0
        if level >= 4:
            waiting += self._before
        return (self.fed - waiting) & 0x3FFFFFFF


class Outputs:
    """The three outputs; `on` has their bits, `driven` the count of trigger pulses."""

    def __init__(self, hw):
        self._hw = hw
        self.on = 0
        self.driven = array("I", [0])
        self._mhz = hw.clock_hz // 1000000
        self._speed = Speed(hw.clock_hz)
        shortest = RECORD_MS * 1000 * self._mhz
        self._bench = Player(BENCH, Train(self._speed, shortest))
        self._wheel = Player(CRANK, Train(self._speed, shortest))
        self._ahead = AHEAD_MS * 1000 * self._mhz
        self._shape = NOTHING
        self._carried = self._before = 0
        self.pauses = 0  # times that both trains had to be started again
        self._crank = Crank(hw.rings, 0)
        self._lamp_program = None
        self._lamp_machine = rp2.StateMachine(4 + LAMP)
        self._ticks_per_ms = self._mhz * 1000 // 3
        self._mode = 0
        self._machines = 0
        self._timer = None
        self.off()

    # All off

    def off(self):
        """Everything off, at once."""
        _disable(14)
        for number in (pins.BENCH, pins.BENCH_CRANK, pins.LAMP):
            Pin(number, Pin.OUT, value=0)
        self.on = 0
        self._machines = 0
        self._mode = 0
        self._shape = NOTHING
        if self._timer:
            self._timer.deinit()
            self._timer = None

    def _guard(self):
        """Watch host and loop from a timer for as long as an output is on."""
        self._hw.heard = ticks_ms()
        if not self._timer:
            self._timer = Timer(-1, period=GUARD_MS, mode=Timer.PERIODIC, callback=self._check)

    def _check(self, _timer):
        if self.on and ticks_diff(ticks_ms(), self._hw.heard) > SILENCE_MS:
            self.off()
            self._hw.notes.append("the board could not hear the host for 1 s: outputs are off")

    def feed(self):
        """Once in each turn of the loop: keep the pulses going, order the next flash."""
        if self._machines:
            if _empty(self._machines) and self._machines == BOTH:
                # One train may have paused without the other: start them together again.
                self._carried += self._bench.begun() - self._before
                self._before = 0
                _disable(BOTH)
                self._begin()
                self.pauses += 1
                if self.pauses == 1:
                    self._hw.notes.append(PAUSED)
            self._feed_bench()
            self.driven[0] = (self._carried + self._bench.begun() - self._before) & 0x3FFFFFFF
        if self._mode:
            self._order_flash()

    # Bench

    def drive(self, payload):
        """See wire.md; None or what cannot be done."""
        mrpm_from, mrpm_to, ramp_ms, width_us, *shape = read_drive(payload)
        firings, turns, _, teeth, missing = shape
        if not (mrpm_from or mrpm_to) or not (firings or teeth):
            self._bench_off()
            return None
        fault = drive_fault(mrpm_from, mrpm_to, width_us, firings, turns, teeth, missing)
        if fault:
            return fault
        going_on = shape == self._shape
        if not going_on:
            self._bench_off()
        self._bench.train.set_width(max(width_us * self._mhz, ACTIVE_CYCLES))
        self._speed.order(mrpm_from, mrpm_to, ramp_ms)
        if going_on:
            self._before = self._bench.begun()
        else:
            self._shape = shape
            self._begin()
            self._before = 0
        self._carried = 0
        self.pauses = 0
        self.driven[0] = 0
        self._guard()
        return None

    def _begin(self):
        """Start both trains together, from the beginning of a revolution."""
        firings, turns, active_low, teeth, missing = self._shape
        self._speed.restart(max(teeth, 1))
        self._machines = 0
        if firings:
            program = programs.pulses_low if active_low else programs.pulses_high
            _machine(BENCH).init(program, sideset_base=Pin(pins.BENCH))
            self._bench.train.restart(firings, firings, turns)
            self._machines |= 1 << BENCH
        if teeth:
            _machine(CRANK).init(programs.pulses_high, sideset_base=Pin(pins.BENCH_CRANK))
            self._wheel.train.restart(teeth, teeth - missing, 1)
            self._machines |= 1 << CRANK
        self._bench.restart()
        self._wheel.restart()
        self._feed_bench()
        bits = self.on & wire.OUTPUT_BITS_LAMP
        if firings:
            bits |= wire.OUTPUT_BITS_BENCH
        if teeth:
            bits |= wire.OUTPUT_BITS_CRANK
        self.on = bits
        _enable(self._machines)

    def _feed_bench(self):
        if self._machines & 1 << BENCH:
            self._bench.feed(self._ahead)
        if self._machines & 1 << CRANK:
            self._wheel.feed(self._ahead)

    def _bench_off(self):
        _disable(BOTH)
        Pin(pins.BENCH, Pin.OUT, value=0)
        Pin(pins.BENCH_CRANK, Pin.OUT, value=0)
        self._machines = 0
        self._shape = NOTHING
        self.on &= wire.OUTPUT_BITS_LAMP

    # Lamp

    def lamp(self, payload):
        """See wire.md; None or what cannot be done."""
        mode, teeth, missing, source, angle, flash_us = struct.unpack_from(
            wire.LAMP_FORMAT, payload
        )
        self._lamp_off()
        if not mode:
            return None
        teeth = teeth or 1
        if missing >= teeth:
            return f"missing is {missing}, must be less than teeth, {teeth}"
        if mode == wire.LAMP_MODE_ANGLE:
            source = 0
        self._angle = angle
        self._flash = flash_us * self._mhz - FLASH_CYCLES
        self._source = source
        self._crank.set_wheel(teeth, missing)
        falling = self._hw.falling >> source & 1
        program = programs.lamp_falling if falling else programs.lamp_rising
        if self._lamp_program is not program:
            if self._lamp_program:
                rp2.PIO(1).remove_program(self._lamp_program)
            self._lamp_program = program
        self._lamp_machine = _machine(LAMP)
        self._lamp_machine.init(
            program, in_base=Pin(self._hw.input_pins[source]), sideset_base=Pin(pins.LAMP)
        )
        _enable(1 << LAMP)
        self._rest = _place(LAMP)  # where the program waits for an order
        self._ordered = False
        self._seen = self._hw.rings.written[source]
        self._heard_us = ticks_us()
        self._quiet = False
        self._flashed_ms = ticks_ms()
        self._mode = mode
        self.on |= wire.OUTPUT_BITS_LAMP
        self._guard()
        return None

    def _lamp_off(self):
        _disable(1 << LAMP)
        Pin(pins.LAMP, Pin.OUT, value=0)
        self._mode = 0
        self.on &= ~wire.OUTPUT_BITS_LAMP

    def _order_flash(self):
        """Order the next flash when the last one is over."""
        self._crank.follow()
        if self._mode == wire.LAMP_MODE_FIRST_SPARK:
            self._listen()
        if _level(LAMP) or _place(LAMP) != self._rest:
            return
        if self._ordered:
            self._ordered = False
            self._flashed_ms = ticks_ms()
        if self._mode == wire.LAMP_MODE_FIRST_SPARK:
            self._order_on_spark()
        else:
            self._order_at_angle()

    def _order(self, source, ahead, delay, seen):
        """Order a flash, unless an edge of the source has come that was not reckoned with."""
        self._hw.refresh(source)
        if self._hw.rings.written[source] != seen:
            return
        _put(LAMP, ahead, self._flash, delay)
        self._hw.refresh(source)
        if self._hw.rings.written[source] != seen:
            _disable(1 << LAMP)
            self._lamp_machine.restart()
            _enable(1 << LAMP)
            return
        self._ordered = True

    def _order_at_angle(self):
        """Count from the last tooth before the flash, by the length of the last revolution."""
        state = self._crank.state
        period = state[PERIOD]
        if not period or state[KNOWN] & 4 == 0:
            return
        present = self._crank.teeth - self._crank.missing
        pitch = 360000 // self._crank.teeth
        tooth = min(self._angle // pitch, present - 1)
        rest = self._angle - tooth * pitch
        degree = period // 360
        ticks = degree * (rest // 1000) + degree * (rest % 1000) // 1000
        ahead = tooth - state[TOOTH] - 1
        if ahead < 0:
            ahead += present
        self._order(0, ahead, max(3 * ticks - DELAY_CYCLES, 0), state[SEEN])

    def _listen(self):
        """Notice when the sparks of an event are over."""
        written = self._hw.rings.written[self._source]
        if written != self._seen:
            self._seen = written
            self._heard_us = ticks_us()
            self._quiet = False
        elif not self._quiet and ticks_diff(ticks_us(), self._heard_us) >= EVENT_GAP_US:
            self._quiet = True

    def _order_on_spark(self):
        """Not within an event, and not before nine tenths of a revolution have passed."""
        if not self._quiet:
            return
        # Ticks of a revolution to ms: 9/10 of it; 10 ms when the crank is not known.
        period = self._crank.state[PERIOD]
        wait_ms = period // self._ticks_per_ms * 9 // 10 if period else 10
        if ticks_diff(ticks_ms(), self._flashed_ms) >= wait_ms:
            self._order(self._source, 0, 0, self._seen)
