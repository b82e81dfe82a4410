"""Hardware of RP2040 and RP2350 boards with stock MicroPython. Interface: see hw_unix.py.

PIO block 0 captures, block 1 makes time and outputs; DMA fills the rings. All registers that are
read in the loop are read by viper code into arrays, since a 32-bit number would be an object.
"""

import os
from array import array
from time import sleep_ms

import machine
import micropython
import rp2
import uctypes
from machine import ADC, Pin
from micropython import const

import chip
import pins
import programs
from link import Link
from outputs import Outputs
from ring import INPUTS, Rings, widen

RING_EDGES = const(2048)
RING_BYTES = const(8192)
RING_BITS = const(13)
NOT_MEASURED = const(65535)
CLOCK_MACHINE = const(4)  # the first state machine of PIO block 1
PIO0_RX0 = 0x50200020
DREQ_PIO0_RX0 = const(4)
# Words of one DMA order: the most that both chips can count (28 bits on the RP2350). 45 minutes
# at 100 000 edges per second; then the order is renewed.
ORDER = 0x0FFFFFFF


@micropython.viper
def _start(machines: int):
    """Start these capture machines in one cycle, and the clock after them.

    The clock is late by a few cycles: a time read from it is never later than the edges' time.
    """
    ptr32(0x50200000)[0] = machines | (machines << 8)
    p = ptr32(0x50300000)
    p[0] = (p[0] & 15) | 0x101


@micropython.viper
def _stop():
    ptr32(0x50200000)[0] = 0
    p = ptr32(0x50300000)
    p[0] = p[0] & 14


@micropython.viper
def _read_clock(words):
    """words[0] = count of the clock now."""
    p = ptr32(0x50300000)
    n = 0
    tries = 0
    while n < 5 and tries < 200:
        if p[1] & 0x100:  # FSTAT: receive queue of machine 0 is empty
            tries += 1
        else:
            ptr32(words)[0] = p[8]
            n += 1


@micropython.viper
def _written(machines: int, channels, bases, written, stalls) -> int:
    """Bring `written` up to date from the DMA's counts. Returns a mask of orders to renew."""
    p = ptr32(0x50200000)
    # What was stamped before now is in the rings when the queues have been empty once.
    for i in range(4):
        tries = 0
        while tries < 20 and p[1] & (0x100 << i) == 0:
            tries += 1
    full = p[2] & 15  # FDEBUG: receive queue was full
    if full:
        p[2] = full
        s = ptr32(stalls)
        for i in range(4):
            if full & (1 << i):
                s[i] = s[i] + 1
    c = ptr32(channels)
    b = ptr32(bases)
    w = ptr32(written)
    renew = 0
    for i in range(4):
        if machines & (1 << i):
            left = ptr32(int(0x50000000) + (c[i] << 6))[2]
            w[i] = b[i] - left
            if left & 0x0FF00000 == 0:
                renew |= 1 << i
    return renew


@micropython.viper
def _halt(channel: int, abort: int, busy: int) -> int:
    """Stop a DMA channel where it is. Returns the words left of its order, below 2^28.

    They are read before the abort, after which the count need not hold.
    """
    ch = ptr32(int(0x50000000) + (channel << 6))
    ch[4] = ch[4] & -2  # not enabled; without a trigger
    tries = 0
    left = 0
    while tries < 8:  # let a transfer that is under way get home
        left = ch[2]
        tries += 1
    ptr32(abort)[0] = 1 << channel
    tries = 0
    while ch[4] & busy and tries < 100:
        tries += 1
    return left & 0xFFFFFFF


@micropython.viper
def _renew(channel: int, left: int, i: int, bases, ring: int, order: int):
    """Give a halted DMA channel a new order of words, to go on where it was."""
    ch = ptr32(int(0x50000000) + (channel << 6))
    b = ptr32(bases)
    done = b[i] - left
    b[i] = done + order
    ch[1] = ring + ((done & 2047) << 2)
    ch[2] = order
    ch[3] = ch[4] | 1


def _aligned_rings():
    raw = bytearray(RING_BYTES * (INPUTS + 1))
    base = (uctypes.addressof(raw) + RING_BYTES - 1) & ~(RING_BYTES - 1)
    views = [uctypes.bytearray_at(base + i * RING_BYTES, RING_BYTES) for i in range(INPUTS)]
    return raw, base, views


class Hardware:
    """A Raspberry Pi Pico, Pico 2 or a board like them."""

    def __init__(self):
        self._raw, self._base, views = _aligned_rings()
        self.rings = Rings(RING_EDGES, views)
        self.notes = []
        hz = machine.freq()
        if 3000000000000 % hz:
            hz = chip.CLOCK_HZ
            machine.freq(hz)
        self.clock_hz = hz
        self.tick_ps = 3000000000000 // hz
        # One look per count, and one clock cycle more for the pin's synchroniser.
        self.min_pulse_ns = -(-4000000000 // hz)
        self.dead_ns = -(-7000000000 // hz)
        self.board = os.uname().machine
        self.uid = (machine.unique_id() + bytes(8))[:8]
        self.link = Link(True)
        self.now = array("I", [0, 0])
        self.stalls = array("I", [0] * INPUTS)
        self._count = array("I", [0])
        self._order = ORDER
        self._dma = [rp2.DMA() for _ in range(INPUTS)]
        self._channels = array("I", [dma.channel for dma in self._dma])  # type: ignore[attr-defined]
        self._bases = array("I", [0] * INPUTS)
        self._machines = 0
        self._clock = rp2.StateMachine(CLOCK_MACHINE, programs.clock)
        self.input_pins = (pins.CRANK, pins.CLAMP_A, pins.CLAMP_B, pins.TRIGGER)
        self.configure(15, 0)
        self.heard = self.leased = 0
        self._outputs = Outputs(self)
        self.driven = self._outputs.driven
        self.told = self._outputs.told
        self._supply = self._lowest = NOT_MEASURED
        self._samples = 0
        self._sum = 0
        self._adc = ADC(Pin(pins.SUPPLY))
        self._measures = True
        try:
            self._adc.read_u16()
        except (OSError, ValueError):
            self._measures = False
            self.notes.append("the supply voltage cannot be measured on this board")
        self.meter = self._find_meter()
        if not self.meter:
            self.notes.append("no display found: going on without one")

    def _find_meter(self):
        """The stand-alone meter; its code is loaded only where there is a display for it."""
        for number in (pins.I2C_SDA, pins.I2C_SCL):
            # A display holds both lines up against the chip's weak pull-down.
            if not Pin(number, Pin.IN, Pin.PULL_DOWN).value():
                return None
        import panel

        display = panel.find()
        if not display:
            return None
        from meter import Meter

        return Meter(self, display)

    @property
    def outputs(self):
        return self._outputs.on

    @property
    def channels(self):
        """Numbers of the DMA channels that fill the rings, array('I')."""
        return self._channels

    @property
    def bases(self):
        """What their counts are subtracted from to get `written`, array('I')."""
        return self._bases

    # Capture

    def configure(self, enabled, falling):
        self.enabled = enabled
        self.falling = falling
        for i in range(INPUTS):
            # An input with nothing on it rests where its edge does not begin.
            Pin(self.input_pins[i], Pin.IN, Pin.PULL_UP if falling >> i & 1 else Pin.PULL_DOWN)

    def start(self):
        _stop()
        for i in range(INPUTS):
            _halt(self._channels[i], chip.DMA_CHAN_ABORT, chip.DMA_BUSY)
            if self.enabled >> i & 1:
                self._arm(i)
        self._clock.init(programs.clock)
        self._clock.exec("mov(x, invert(null))")
        self._lowest = NOT_MEASURED
        self._samples = self._sum = 0
        self._machines = self.enabled
        self._count[0] = 0
        _start(self._machines)
        _read_clock(self._count)

    def _arm(self, i):
        program = programs.capture_falling if self.falling >> i & 1 else programs.capture_rising
        captor = rp2.StateMachine(i)
        while captor.rx_fifo():  # nothing of the last session
            captor.get()
        captor.init(program, jmp_pin=Pin(self.input_pins[i]))
        captor.exec("mov(x, invert(null))")
        dma = self._dma[i]
        control = dma.pack_ctrl(
            size=2,
            inc_read=False,
            inc_write=True,
            ring_size=RING_BITS,
            ring_sel=True,
            treq_sel=DREQ_PIO0_RX0 + i,
            irq_quiet=True,
        )
        dma.config(
            read=PIO0_RX0 + 4 * i,
            write=self._base + i * RING_BYTES,
            count=self._order,
            ctrl=control,
            trigger=True,
        )
        self._bases[i] = self._order

    def poll(self, streaming):
        if not streaming:
            self.link.wait(5)
            return
        _read_clock(self._count)
        widen(self.now, self._count, 0)
        self._update()
        self._outputs.feed()
        if self._measures:
            self._sample()

    def _update(self):
        renew = _written(
            self._machines, self._channels, self._bases, self.rings.written, self.stalls
        )
        if renew:
            for i in range(INPUTS):
                if renew >> i & 1:
                    # The queue holds the edges of these microseconds.
                    left = _halt(self._channels[i], chip.DMA_CHAN_ABORT, chip.DMA_BUSY)
                    ring = self._base + i * RING_BYTES
                    _renew(self._channels[i], left, i, self._bases, ring, self._order)

    def refresh(self, i):
        self._update()

    def halt(self):
        _read_clock(self._count)
        widen(self.now, self._count, 0)
        _stop()
        self._update()

    def stop(self):
        _stop()
        self._machines = 0
        for channel in self._channels:
            _halt(channel, chip.DMA_CHAN_ABORT, chip.DMA_BUSY)

    # Supply

    def _sample(self):
        """One conversion; every fourth makes a mean, and the lowest mean is kept."""
        self._sum += self._adc.read_u16()
        self._samples += 1
        if self._samples == 4:
            pin_mv = (self._sum >> 2) * 3300 >> 16
            total = pins.SUPPLY_TOP_OHM + pins.SUPPLY_BOTTOM_OHM
            self._supply = pin_mv * (total // 1000) // (pins.SUPPLY_BOTTOM_OHM // 1000)
            if self._supply < self._lowest:
                self._lowest = self._supply
            self._samples = self._sum = 0

    def supply_mv(self):
        lowest = self._lowest
        self._lowest = self._supply
        return lowest

    # Outputs

    def drive(self, payload):
        return self._outputs.drive(payload)

    def lamp(self, payload):
        return self._outputs.light(payload)

    def outputs_off(self):
        self._outputs.off()

    # Prompt

    def rest(self):
        sleep_ms(1)
        self._outputs.feed()

    def enter(self):
        micropython.kbd_intr(-1)  # a byte 3 in a frame is no Ctrl-C

    def leave(self):
        micropython.kbd_intr(3)

    @staticmethod
    def wants_prompt():
        """Button A held down, and B not: where both read low there are no buttons at all."""
        held = not Pin(pins.BUTTON_A, Pin.IN, Pin.PULL_UP).value()
        return held and Pin(pins.BUTTON_B, Pin.IN, Pin.PULL_UP).value() == 1
