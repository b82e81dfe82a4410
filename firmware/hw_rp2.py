"""Hardware of RP2040 and RP2350 boards with stock MicroPython. Interface: see hw_unix.py.

PIO block 0 captures, block 1 makes time and outputs; DMA fills the rings and copies them to frames.
All registers that are read in the loop are read by viper code into arrays, since a 32-bit number
would be an object.
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
import wire
from link import Link
from outputs import Outputs
from ring import BASES, BUSY, COPIER, COUNTERS, INPUTS, ROOM, SNIFFED, Rings

try:
    import arm
except ImportError:  # another processor: the program computes the CRC
    arm = None  # type: ignore[assignment]

RING_EDGES = const(2048)
RING_BYTES = const(8192)
RING_BITS = const(13)
NOT_MEASURED = const(65535)
CLOCK_MACHINE = const(4)  # the first state machine of PIO block 1
PIO0_RX0 = 0x50200020
DREQ_PIO0_RX0 = const(4)
UNPACED = const(63)
# Edges a second without loss for a minute, as measured on an emulated RP2040 with a slow flash
# cache: frames by DMA and assembler, by viper code.
EDGE_RATE = const(120000)
EDGE_RATE_PLAIN = const(80000)
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
def _look(machines: int, state) -> int:
    """Bring the rings' `now`, `written` and `stalls` up to date, in this order.

    To be called more often than the clock wraps. Returns a mask of DMA orders to renew.
    """
    s = ptr32(state)
    p = ptr32(0x50300000)
    was = s[20]
    n = 0
    tries = 0
    while n < 5 and tries < 200:  # behind the four old values is a fresh one
        if p[1] & 0x100:  # FSTAT: receive queue of machine 0 is empty
            tries += 1
        else:
            s[20] = p[8]
            n += 1
    # Wrapped when `now` < `was` as unsigned numbers: the borrow of now - was.
    n = s[20]
    if ((((n ^ -1) & was) | (((n ^ -1) | was) & (n - was))) >> 31) & 1:
        s[21] = s[21] + 1
    p = ptr32(0x50200000)
    # What was stamped before now is in the rings when the queues have been empty once.
    for i in range(4):
        tries = 0
        while tries < 20 and p[1] & (0x100 << i) == 0:
            tries += 1
    full = p[2] & 15  # FDEBUG: receive queue was full
    if full:
        p[2] = full
        for i in range(4):
            if full & (1 << i):
                s[16 + i] = s[16 + i] + 1
    renew = 0
    for i in range(4):
        if machines & (1 << i):
            left = ptr32(s[31 + i])[0]
            s[i] = s[35 + i] - left
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
def _renew(channel: int, left: int, i: int, state, ring: int, order: int):
    """Give a halted DMA channel a new order of words, to go on where it was."""
    ch = ptr32(int(0x50000000) + (channel << 6))
    s = ptr32(state)
    done = s[35 + i] - left
    s[35 + i] = done + order
    ch[1] = ring + ((done & 2047) << 2)
    ch[2] = order
    ch[3] = ch[4] | 1


@micropython.viper
def _set_sniffer(control: int, channel: int):
    """Let the sniffer sum what this channel copies, as the frames' CRC-32 wants it.

    On, CRC-32 of bit-reversed data, result reversed and inverted.
    """
    ptr32(control)[0] = 0xC21 | (channel << 1)


def _memory():
    """(rings at a multiple of their size, as the DMA's wrap wants it, address, views, room).

    What lies before or after the rings has room for frames.
    """
    raw = bytearray(RING_BYTES * (INPUTS + 1))
    start = uctypes.addressof(raw)
    base = (start + RING_BYTES - 1) & ~(RING_BYTES - 1)
    views = [uctypes.bytearray_at(base + i * RING_BYTES, RING_BYTES) for i in range(INPUTS)]
    room = start if base - start >= ROOM else base + RING_BYTES * INPUTS
    return raw, base, views, uctypes.bytearray_at(room, ROOM)


MIXED = "with both flanks of one input, the others must stamp the same edge: rising or falling"


class Hardware:
    """A Raspberry Pi Pico, Pico 2 or a board like them."""

    def __init__(self):
        self._raw, self._base, views, room = _memory()
        memory = uctypes.bytearray_at(self._base, RING_BYTES * INPUTS)
        self.rings = Rings(RING_EDGES, memory, views, room)
        self._state = self.rings.state
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
        self._order = ORDER
        self._dma = [rp2.DMA() for _ in range(INPUTS)]
        self._channels = array("I", [dma.channel for dma in self._dma])  # type: ignore[attr-defined]
        self._machines = 0
        self._find_copier()
        self._clock = rp2.StateMachine(CLOCK_MACHINE, programs.clock)
        self.input_pins = (pins.CRANK, pins.CLAMP_A, pins.CLAMP_B, pins.TRIGGER)
        self._loaded = []
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
            self._note("the supply voltage cannot be measured on this board")
        self.meter = self._find_meter()
        if not self.meter:
            self._note("no display found: going on without one")

    def _note(self, text):
        self.notes.append((wire.LEVEL_INFO, text))

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
    def edge_rate(self):
        return EDGE_RATE if self.rings.stuff else EDGE_RATE_PLAIN

    @property
    def outputs(self):
        return self._outputs.on

    def _find_copier(self):
        """Have the DMA copy edges to frames and sum them, if that makes the frames it should."""
        if arm is None:
            return
        rings, state = self.rings, self._state
        self._copier = dma = rp2.DMA()  # one that nobody holds is freed
        channel: int = dma.channel  # type: ignore[attr-defined]
        dma.config(
            ctrl=dma.pack_ctrl(
                size=2,
                inc_read=True,
                inc_write=True,
                ring_size=RING_BITS,
                ring_sel=False,
                treq_sel=UNPACED,
                sniff_en=True,
                irq_quiet=True,
            )
        )
        _set_sniffer(chip.DMA_SNIFF_CTRL, channel)
        state[BUSY] = chip.DMA_BUSY
        state[SNIFFED] = chip.DMA_SNIFF_DATA
        block = array("I", [0x9E3779B9 * k & 0xFFFFFFFF for k in range(58)])
        made = []
        for copier, stuff in ((0, None), (0x50000000 + 64 * channel, arm.stuff)):
            rings.clear(0x5A5A)
            rings.seq[0] = 0
            rings.written[0] = rings.taken[0] = RING_EDGES - 20  # over the ring's end
            rings.write(0, block, 0, 58)
            state[COPIER], rings.stuff = copier, stuff
            made.append(bytes(rings.out[: rings.pack()]))
        if made[0] != made[1]:
            state[COPIER], rings.stuff = 0, None
            self._note("this chip's CRC unit differs: the program computes the CRC")

    # Capture

    def configure(self, enabled, falling, both=0):
        single = enabled & ~both
        if both and single & falling and single & ~falling:
            return MIXED
        self.enabled = enabled
        self.falling = falling
        self.both = both
        for i in range(INPUTS):
            # An input with nothing on it rests where its edge does not begin. Early RP2350 chips
            # hold a pin with a pull-down near 2 V once it was high (erratum RP2350-E9), so that
            # whatever is connected has to drive both levels, as the conditioners do.
            Pin(self.input_pins[i], Pin.IN, Pin.PULL_UP if falling >> i & 1 else Pin.PULL_DOWN)
        return None

    def start(self):
        _stop()
        self._make_room()
        for i in range(INPUTS):
            _halt(self._channels[i], chip.DMA_CHAN_ABORT, chip.DMA_BUSY)
            if self.enabled >> i & 1:
                self._arm(i)
        self._clock.init(programs.clock)
        self._clock.exec("mov(x, invert(null))")
        self._lowest = NOT_MEASURED
        self._samples = self._sum = 0
        self._machines = self.enabled
        _start(self._machines)

    def _program(self, i):
        if self.both >> i & 1:
            return programs.capture_both
        return programs.capture_falling if self.falling >> i & 1 else programs.capture_rising

    def _make_room(self):
        """In the block's memory, which cannot hold all three programs."""
        needed = [self._program(i) for i in range(INPUTS) if self.enabled >> i & 1]
        for program in self._loaded:
            if program not in needed:
                rp2.PIO(0).remove_program(program)
        self._loaded = []
        for program in needed:
            if program not in self._loaded:
                self._loaded.append(program)

    def _arm(self, i):
        program = self._program(i)
        captor = rp2.StateMachine(i)
        while captor.rx_fifo():  # nothing of the last session
            captor.get()
        captor.init(program, jmp_pin=Pin(self.input_pins[i]))
        captor.exec("mov(x, invert(null))")
        if program is programs.capture_both:
            captor.exec("mov(y, invert(null))")
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
        self._state[COUNTERS + i] = 0x50000008 + 64 * self._channels[i]
        self._state[BASES + i] = self._order
        dma.config(
            read=PIO0_RX0 + 4 * i,
            write=self._base + i * RING_BYTES,
            count=self._order,
            ctrl=control,
            trigger=True,
        )

    def poll(self, streaming):
        if not streaming:
            self.link.wait(5)
            return 0
        self._update()
        return self._outputs.feed()

    def _update(self):
        renew = _look(self._machines, self._state)
        if renew:
            self._renew(renew)

    def _renew(self, renew):
        for i in range(INPUTS):
            if renew >> i & 1:
                # The queue holds the edges of these microseconds.
                left = _halt(self._channels[i], chip.DMA_CHAN_ABORT, chip.DMA_BUSY)
                ring = self._base + i * RING_BYTES
                _renew(self._channels[i], left, i, self._state, ring, self._order)

    def halt(self):
        self._update()  # time and edges; then the edges that came meanwhile
        _stop()
        self._update()

    def stop(self):
        _stop()
        self._machines = 0
        for channel in self._channels:
            _halt(channel, chip.DMA_CHAN_ABORT, chip.DMA_BUSY)

    # Supply

    def sample(self):
        """One conversion; every fourth makes a mean, and the lowest mean is kept."""
        if not self._measures:
            return
        self._sum += self._adc.read_u16()
        self._samples += 1
        if self._samples == 4:
            pin_mv = (self._sum >> 2) * 3300 >> 16
            total = pins.SUPPLY_TOP_OHM + pins.SUPPLY_BOTTOM_OHM
            self._supply = pin_mv * (total // 1000) // (pins.SUPPLY_BOTTOM_OHM // 1000)
            self._lowest = min(self._lowest, self._supply)
            self._samples = self._sum = 0

    def supply_mv(self):
        lowest = self._lowest
        self._lowest = self._supply
        return lowest

    # Outputs

    def drive(self, payload, since):
        return self._outputs.drive(payload, since)

    def lamp(self, payload, since):
        return self._outputs.light(payload, since)

    def fill(self):
        self._outputs.fill()

    def outputs_off(self):
        self._outputs.off()

    # Prompt

    def rest(self):
        sleep_ms(1)
        self._outputs.feed()

    def enter(self):
        micropython.kbd_intr(-1)  # a byte 3 in a frame is no Ctrl-C

    def leave(self):
        if self.meter:
            self.meter.close()
        micropython.kbd_intr(3)

    @staticmethod
    def wants_prompt():
        """Button A held down, and B not: where both read low there are no buttons at all."""
        held = not Pin(pins.BUTTON_A, Pin.IN, Pin.PULL_UP).value()
        return held and Pin(pins.BUTTON_B, Pin.IN, Pin.PULL_UP).value() == 1
