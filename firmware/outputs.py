"""Bench trigger and bench crank on PIO block 1 of an RP2 board; what all outputs have in common.

Rest is the level at which a module does nothing: the pin low, unless the last drive order said
that its pulses are active low (rest.py). Every way to rest takes the pins first, in a few stores,
and stops the machines then; a machine alone never makes a pulse longer than it was ordered. What
the loop does not look after is looked after by a timer (the lease) and by the chip's watchdog (the
loop).
"""

from array import array
from time import sleep_us, ticks_diff, ticks_ms, ticks_us

import micropython
import rp2
from machine import WDT, Pin, Timer
from micropython import const

import chip
import limits
import pins
import programs
import rest
import wire
from lamp import Lamp
from limits import take as spend
from machines import calm, disable, enable, give, place, rewind, starved, take, whole
from pulses import OFFSET, TOTAL, Speed, Train, next_record, read_drive

BENCH = const(1)  # state machines of PIO block 1
CRANK = const(2)
BOTH = const(6)  # bits of bench and crank
RECORD_MS = const(3)  # a record should last this long, so that the loop can keep up
GROUP_MS = const(10)  # and one of trigger pulses no longer than this
TURN_MS = const(250)  # and one of teeth no longer than this; its cycles stay below 2^30
AHEAD_MS = const(20)  # so much may wait in the queue
FIRST_MS = const(5)  # and so much has to before a train begins
GUARD_MS = const(50)
DOG_MS = const(1000)
WHOLE_MS = const(25)  # how long a new train waits for the end of a pulse of the old one
REST_US = const(2000)  # between two trains: a driver that hardly opens would make one long pulse
NOTHING = []  # type: list[int]
PAUSES, CUT = const(0), const(2)  # words of `told`; the lamp has another
PAUSED = "the bench pulses had to pause: the board was held up"


@micropython.viper
def _play(
    bench, crank, lengths, budget, driven, machines: int, known: int, ahead: int, now: int
) -> int:
    """Top up the queues by up to `ahead` cycles.

    Returns 0, or a limit that would be passed (CUT_... of wire.py), or 8 where a machine has found
    its queue empty, or -1 - r where the length of revolution r is needed first.
    """
    p = ptr32(0x50300000)
    if (p[2] >> 24) & machines:  # FDEBUG
        return 8
    number = 1
    while number <= 2:
        train = bench
        if number == 2:
            train = crank
        t = ptr32(train)
        more = machines & (1 << number)
        while more:
            queued = ((p[3] >> (number << 3)) & 15) >> 1
            waiting = 0
            pulses = 0
            k = t[14]
            n = queued
            while n:
                waiting += t[19 + k]
                pulses += t[15 + k]
                k = (k - 1) & 3
                n -= 1
            if number == 1:
                ptr32(driven)[0] = (t[23] + t[13] - pulses) & 0x3FFFFFFF
            if queued >= 4 or (queued and waiting >= ahead):
                more = 0
            else:
                needed = int(next_record(train, lengths, known))
                if needed >= 0:
                    return -1 - needed
                if number == 1:
                    mhz = t[12] // 10000
                    us = (t[7] * (t[8] + 2) + mhz - 1) // mhz
                    why = int(spend(budget, us, now))
                    if why:
                        return why
                p[4 + number] = (t[7] - 1) | (t[8] << 8)
                p[4 + number] = t[9]
        number += 1
    return 0


class Player:
    """One train of pulses and its state machine."""

    def __init__(self, number, pin, train):
        self.number = number
        self.pin = pin
        self.train = train
        self._machine = rp2.StateMachine(4 + number)
        self._program = None
        self._start = 0

    def load(self, low):
        """Make the machine play pulses that are active low, or high; its pin is taken."""
        program = programs.pulses_low if low else programs.pulses_high
        disable(1 << self.number)
        if self._program is not program:
            self._program = program
            self._machine.init(program, sideset_base=Pin(self.pin))
            self._start = place(self.number) | (low << 12)

    def restart(self):
        """An empty queue; the machine is disabled."""
        rewind(self.number, self._start)


class Outputs:
    """The three outputs; `on` has their bits, `driven` the count of trigger pulses.

    told: counts for the heartbeat, see PAUSES, CUT and lamp.DROPPED.
    """

    def __init__(self, hw):
        self._hw = hw
        self.registers = array(
            "I",
            (
                chip.SIO_GPIO_OUT_SET,
                chip.SIO_GPIO_OUT_CLR,
                chip.SIO_GPIO_OE_SET,
                chip.IO_BANK0_GPIO0_CTRL,
                chip.WATCHDOG_CTRL,
            ),
        )
        self._pins = sum(1 << pin for pin in pins.OUTPUTS)
        self._high = rest.high()
        self.driven = array("I", [0])
        self.told = array("I", [0, 0, 0])
        for pin in pins.OUTPUTS:
            Pin(pin, Pin.OUT, value=self._high >> pin & 1)
        self._mhz = hw.clock_hz // 1000000
        self._speed = Speed(hw.clock_hz)
        ms = 1000 * self._mhz
        bench = Train(self._speed, RECORD_MS * ms, GROUP_MS * ms, 1)
        crank = Train(self._speed, RECORD_MS * ms, TURN_MS * ms, 0)
        self._bench = Player(BENCH, pins.BENCH, bench)
        self._wheel = Player(CRANK, pins.BENCH_CRANK, crank)
        self._ahead = AHEAD_MS * ms
        self._first = FIRST_MS * ms
        self._budget = limits.Budget()
        self._timer, self._shape = None, NOTHING
        self._machines = 0
        self._rested_us = ticks_us()
        self.lamp = Lamp(hw, self)
        self.off()

    # All off

    def off(self):
        """Everything at rest, at once."""
        take(self.registers, self._pins, self._high)
        disable(14)
        self.on = 0
        self._ended()
        self.lamp.stopped()
        calm(self.registers)
        if self._timer:
            self._timer.deinit()
            self._timer = None

    def cut(self, why, text):
        """The board itself switches off."""
        self.off()
        self.told[CUT] |= why
        self._hw.notes.append((wire.LEVEL_WARNING, text))

    def guard(self, since):
        """A new lease, from then (ms); watch it, and the loop, for as long as an output is on."""
        self._hw.leased = since
        if not self._timer:
            self._timer = Timer(-1, period=GUARD_MS, mode=Timer.PERIODIC, callback=self._check)
        self._dog = WDT(timeout=DOG_MS)

    def _check(self, _timer=None):
        if self.on and ticks_diff(ticks_ms(), self._hw.leased) > limits.LEASE_MS:
            self.cut(wire.CUT_LEASE, limits.SILENT)

    def feed(self):
        """Once in each turn of the loop: keep the pulses going, order the next flash.

        Returns the microseconds that it took, 0 when there was nothing to do.
        """
        if not self.on:
            return 0
        start = ticks_us()
        self._dog.feed()
        bench, wheel = self._bench.train.state, self._wheel.train.state
        pulses, teeth = bench[TOTAL], wheel[TOTAL]
        if self._machines:
            if self._dry:
                self._resume()
            else:
                self._top_up(self._ahead)
        worked = pulses != bench[TOTAL] or teeth != wheel[TOTAL]
        if self.on & wire.OUTPUT_BITS_LAMP:
            worked = self.lamp.turn() or worked
        return ticks_diff(ticks_us(), start) if worked else 0

    def fill(self):
        """Before something that takes its time: the queue of a fast wheel lasts 6 ms."""
        if self._machines and not self._dry:
            self._top_up(self._ahead)

    # Lamp

    def light(self, payload, since):
        """The lamp command, see wire.md; None or what cannot be done."""
        fault = self.lamp.command(payload)
        if self.lamp.mode:
            self.guard(since)
        elif not self.on:
            self.off()
        return fault

    # Bench

    @micropython.native
    def drive(self, payload, since):
        """See wire.md; None or what cannot be done."""
        order = read_drive(payload)
        mrpm_from, mrpm_to, ramp_ms, width_us, *shape = order
        firings, _, active_low, teeth, _, load = shape
        if not (mrpm_from or mrpm_to) or not (firings or teeth):
            self._rest()
            return None
        fault = limits.drive_fault(order)
        if fault:
            return fault
        if shape != self._shape:
            fault = self._budget.fault(order, ticks_ms())
            if fault:
                return fault
        going_on = shape == self._shape
        if self._machines and not going_on:
            self._finish()
            self._rest()
        # Not for the old lease to end it. A slow tooth may have kept `_finish` waiting for 0.1 s.
        self._hw.leased = since
        self._budget.set_load(load)
        self._speed.order(mrpm_from, mrpm_to, ramp_ms, width_us * self._mhz)
        self.told[PAUSES] = 0
        if going_on:
            # Count from 0 again: what has begun so far is taken off.
            state = self._bench.train.state
            state[OFFSET] = (state[OFFSET] - self.driven[0]) & 0x3FFFFFFF
        self.driven[0] = 0
        if not going_on:
            high = active_low << pins.BENCH
            if high != self._high:  # until now the pin was not at this rest
                self._rested_us = ticks_us()
            self._high = high
            rest.keep(high)
            take(self.registers, 1 << pins.BENCH | 1 << pins.BENCH_CRANK, high)
            self._shape = shape
            self._begin(0)
        if self.on:
            self.guard(since)
        return None

    @micropython.native
    def _begin(self, driven):
        """Start both trains together, from a revolution's beginning; `driven`: count from here."""
        firings, turns, active_low, teeth, missing, _ = self._shape
        self._speed.restart(max(teeth, 1))
        self._machines = given = 0
        bits = self.on & wire.OUTPUT_BITS_LAMP
        if firings:
            self._bench.load(active_low)
            self._bench.train.restart(firings, firings, turns)
            self._bench.train.state[OFFSET] = driven
            self._bench.restart()
            self._machines |= 1 << BENCH
            given |= 1 << pins.BENCH
            bits |= wire.OUTPUT_BITS_BENCH
        if teeth:
            self._wheel.load(0)
            self._wheel.train.restart(teeth, teeth - missing, 1)
            self._wheel.restart()
            self._machines |= 1 << CRANK
            given |= 1 << pins.BENCH_CRANK
            bits |= wire.OUTPUT_BITS_CRANK
        self.on = bits
        enable(0, self._machines)
        self._top_up(self._first)
        rested = ticks_diff(ticks_us(), self._rested_us)
        if 0 <= rested < REST_US:
            sleep_us(REST_US - rested)
        if self._machines:
            give(self.registers, given)
            enable(self._machines, self._machines)
            self._top_up(self._ahead)

    @micropython.native
    def _top_up(self, ahead):
        """Feed both trains, so that their queues last for as many cycles."""
        speed = self._speed
        while True:
            found = _play(
                self._bench.train.state,
                self._wheel.train.state,
                speed.lengths,
                self._budget.words,
                self.driven,
                self._machines,
                speed.known,
                ahead,
                ticks_ms(),  # type: ignore[arg-type]
            )
            if found >= 0:
                break
            speed.reach(-1 - found)
        if found == 8:
            self._dry = starved(self._machines)
        elif found:
            self.cut(found, limits.USED_UP.format("second" if found == 2 else "minute"))

    def _resume(self):
        """A train ran dry: let the other do so too, so that no pulse is cut, then start both."""
        self._dry |= starved(self._machines)
        if self._dry != self._machines:
            return
        self.told[PAUSES] = min(self.told[PAUSES] + 1, 65535)
        if not self.told[CUT] & wire.CUT_PAUSE:
            self.told[CUT] |= wire.CUT_PAUSE
            self._hw.notes.append((wire.LEVEL_WARNING, PAUSED))
        disable(self._machines)
        self._dry = 0
        # All that was made has been played, what waited at the last look too.
        state = self._bench.train.state
        self._begin((state[OFFSET] + state[TOTAL]) & 0x3FFFFFFF)

    @micropython.native
    def _finish(self):
        """Let the pulse under way on either output come to its end: a shape follows."""
        for player in (self._bench, self._wheel):
            machines = self._machines & 1 << player.number
            if machines:
                whole(1 << player.pin, self._high, machines, WHOLE_MS * 4000)

    def _rest(self):
        """Bench trigger and crank at rest."""
        mask = 1 << pins.BENCH | 1 << pins.BENCH_CRANK
        take(self.registers, mask, self._high)
        disable(BOTH)
        self._ended()
        self.on &= wire.OUTPUT_BITS_LAMP
        if not self.on:
            self.off()

    def _ended(self):
        """The trains are over; their rest begins when there were any."""
        if self._machines:
            self._rested_us = ticks_us()
        self._machines = self._dry = 0
        self._shape = NOTHING
