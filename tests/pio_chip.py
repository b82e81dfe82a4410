"""The firmware's RP2 modules on the peripherals of an emulated RP2040, without its processor.

`rp2040py` gives PIO, DMA, GPIO and memory. The firmware's files run unchanged under CPython: every
register access of viper code goes to the emulated bus and lets some clock cycles pass.
MicroPython's classes around the registers (StateMachine, DMA, Pin, Timer) are written here after
the datasheet; they stand in for the C code of the port, so they are not themselves under test.
"""

from __future__ import annotations

import builtins
import functools
import importlib
import os
import struct
import sys
import types
import zlib
from collections.abc import Callable
from typing import Any

from rp2040py.rp2040 import RP2040
from rp2040py.utils.fifo import FIFO

import pio_assembler
from firmware_board import FIRMWARE, Frame, body_of
from pio_assembler import Program

PIO_BASES = (0x50200000, 0x50300000)
DMA_BASE = 0x50000000
SRAM = 0x20000000
CLOCK_HZ = 125_000_000
NS_PER_CYCLE = 8
ACCESS_CYCLES = 4
MASK = 0xFFFFFFFF


class Chip:
    """Time, pins and bus. `edges` is the input's future: (cycle, pin, level), ascending."""

    def __init__(self) -> None:
        self.rp2040 = RP2040()
        self.rp2040.simulator = types.SimpleNamespace()  # type: ignore[assignment]
        self.clock = self.rp2040.clock
        self.blocks = self.rp2040.pio
        self.cycle = 0
        self.future: list[tuple[int, int, bool]] = []
        self.timers: list[Timer] = []
        self.watched: dict[int, list[tuple[int, bool]]] = {}
        self.wires: dict[int, list[int]] = {}  # output pin -> input pins
        self._levels: dict[int, bool] = {}
        self._next = 0
        self._heap = SRAM + 0x8130
        self.dog_due: int | None = None
        self.sniffer = Sniffer(self.rp2040.dma)

    def read(self, address: int) -> int:
        self.run(ACCESS_CYCLES)
        return self.rp2040.read_uint32(address)

    def write(self, address: int, value: int) -> None:
        self.run(ACCESS_CYCLES)
        self.put(address, value & MASK)

    def put(self, address: int, value: int) -> None:
        """Write a register; what the emulator leaves out of a change of queue joining is here."""
        block, at = address >> 20 & 1, (address & 0xFFF) - 0xD0
        if address & 0xFFE00000 == PIO_BASES[0] and 0 <= at < 96 and at % 24 == 0:
            machine = self.blocks[block].machines[at // 24]
            if (value ^ machine.shift_ctrl) >> 30:
                machine.tx_fifo = FIFO((4, 8, 0, 4)[value >> 30])
                machine.rx_fifo = FIFO((4, 0, 8, 4)[value >> 30])
        self.rp2040.write_uint32(address, value)

    def allocate(self, size: int) -> int:
        """Emulated memory that stays where it is."""
        place = self._heap
        self._heap += size + 16
        assert self._heap < SRAM + 0x40000
        return place

    def watch(self, pin: int) -> list[tuple[int, bool]]:
        """From now on note the changes of an output pin: (cycle, level)."""
        return self.watched.setdefault(pin, [])

    def level(self, pin: int) -> bool:
        """What the chip drives on this pin; low when it drives nothing."""
        gpio = self.rp2040.gpio[pin]
        return bool(gpio.output_enable and gpio.output_value)

    def run(self, cycles: int) -> None:
        """Let the peripherals work. DMA gets its turn every fourth cycle."""
        first, second = self.blocks[0].advance, self.blocks[1].advance
        clock, future = self.clock, self.future
        outputs, driving = self.blocks[1], self.blocks[1].pin_values
        self._look()
        end = self.cycle + cycles
        while self.cycle < end:
            while self._next < len(future) and future[self._next][0] <= self.cycle:
                _, pin, level = future[self._next]
                self.rp2040.gpio[pin].set_input_value(level)
                self._next += 1
            stop = min(end, future[self._next][0]) if self._next < len(future) else end
            while self.cycle < stop:
                if stop - self.cycle > 60:
                    self._skip(stop - self.cycle - 10)
                for cycle in range(self.cycle, min(stop, self.cycle + 30)):
                    if cycle & 3 == 0:
                        clock.tick(4 * NS_PER_CYCLE)
                    first(1)
                    second(1)
                    self.cycle = cycle + 1
                    if outputs.pin_values != driving:
                        driving = outputs.pin_values
                        self._look()
        for timer in list(self.timers):
            timer.tell(self.cycle)

    def _skip(self, most: int) -> None:
        """Pass over up to this many cycles in which every machine does the same over and over.

        Nothing is skipped unless three cycles have changed no more than the X of each machine:
        by 1 in a loop that counts, by 3 in one that waits for X to be 0 and must not be passed.
        """
        machines = [one for block in self.blocks for one in block.machines if one.enabled]

        def state() -> list[tuple[int, ...]]:
            return [
                (one.pc, one.y, one.rx_fifo.item_count, one.tx_fifo.item_count, one.waiting)
                for one in machines
            ]

        before, xs = state(), [one.x for one in machines]
        if any(not one.rx_fifo.empty for one in self.blocks[0].machines):
            return
        pins = self.blocks[1].pin_values
        for _ in range(3):
            self.blocks[0].advance(1)
            self.blocks[1].advance(1)
            self.cycle += 1
            if self.blocks[1].pin_values != pins:
                self._look()
                return
        if state() != before:
            return
        times = most // 3 - 1
        steps = [x - one.x & MASK for one, x in zip(machines, xs, strict=True)]
        for one, step in zip(machines, steps, strict=True):
            assert step in (0, 1, 3)
            if step == 3:
                times = min(times, one.x // 3 - 4)
        if times > 0:
            for one, step in zip(machines, steps, strict=True):
                one.x = one.x - times * step & MASK
            self.cycle += 3 * times

    def _look(self) -> None:
        """Note and pass on what the outputs have done."""
        for pin in {*self.watched, *self.wires}:
            now = self.level(pin)
            if now != self._levels.get(pin, False):
                self._levels[pin] = now
                if pin in self.watched:
                    self.watched[pin].append((self.cycle, now))
                for target in self.wires.get(pin, ()):
                    self.rp2040.gpio[target].set_input_value(now)

    def schedule(self, edges: list[tuple[int, int, bool]]) -> None:
        """Add to the inputs' future."""
        self.future.extend(edges)
        self.future[self._next :] = sorted(self.future[self._next :])


class Timer:
    """machine.Timer: calls back between two accesses, as a scheduled callback does."""

    PERIODIC = 1

    def __init__(
        self, number: int, *, period: int, mode: int, callback: Callable[[Any], None]
    ) -> None:
        if number != -1:
            raise ValueError("Timer doesn't exist")  # as MicroPython's of this chip (from memory)
        assert mode == self.PERIODIC
        self._period = period * CLOCK_HZ // 1000
        self._due = CHIP.cycle + self._period
        self._callback = callback
        CHIP.timers.append(self)

    def tell(self, now: int) -> None:
        if now >= self._due:
            self._due = now + self._period
            self._callback(self)

    def deinit(self) -> None:
        if self in CHIP.timers:
            CHIP.timers.remove(self)


class WDT:
    """machine.WDT: notes when it would have reset the chip."""

    def __init__(self, *, timeout: int) -> None:
        self._span = timeout * CLOCK_HZ // 1000
        CHIP.dog_due = CHIP.cycle + self._span

    def feed(self) -> None:
        CHIP.dog_due = CHIP.cycle + self._span


class Pin:
    """machine.Pin: pads, function select and SIO."""

    IN, OUT = 0, 1
    PULL_UP, PULL_DOWN = 1, 2

    def __init__(self, number: int, mode: int = -1, pull: int = -1, value: int | None = None):
        self.number = number
        write = CHIP.rp2040.write_uint32
        if value is not None:
            write(0xD0000014 if value else 0xD0000018, 1 << number)
        if mode >= 0:
            pulls = (pull == self.PULL_UP) << 3 | (pull == self.PULL_DOWN) << 2
            write(0x4001C004 + 4 * number, 0x42 | (pulls if pull >= 0 else 0))
            write(0xD0000024 if mode else 0xD0000028, 1 << number)
            write(0x40014004 + 8 * number, 5)

    def value(self) -> int:
        return int(CHIP.rp2040.gpio[self.number].input_value)


class Mem32:
    """machine.mem32."""

    def __getitem__(self, address: int) -> int:
        return CHIP.rp2040.read_uint32(address)

    def __setitem__(self, address: int, value: int) -> None:
        CHIP.rp2040.write_uint32(address, value)


class ADC:
    """machine.ADC: a number that the test sets."""

    value = 30_000

    def __init__(self, pin: Pin) -> None:
        assert pin.number == 26

    def read_u16(self) -> int:
        return ADC.value


INTERRUPT_CHARACTERS: list[int] = []
LOADED: list[list[Program | None]] = [[None] * 32, [None] * 32]


class StateMachine:
    """rp2.StateMachine, as far as the firmware uses it."""

    def __init__(self, number: int, program: Program | None = None, **pins: Any) -> None:
        self._block, self._index = divmod(number, 4)
        self._base = PIO_BASES[self._block]
        self._registers = self._base + 0xC8 + 0x18 * self._index
        self._place = 0
        if program is not None:
            self.init(program, **pins)

    def _load(self, program: Program) -> int:
        memory = LOADED[self._block]
        length = len(program.words)
        if program in memory:
            return memory.index(program)
        for place in range(32 - length, -1, -1):
            if not any(memory[place : place + length]):
                memory[place : place + length] = [program] * length
                for i, word in enumerate(program.words):
                    moved = word + place if word >> 13 == 0 else word
                    CHIP.rp2040.write_uint32(self._base + 0x48 + 4 * (place + i), moved)
                return place
        raise OSError(12, "ENOMEM")

    def init(self, program: Program, *, jmp_pin: Pin | None = None, in_base: Pin | None = None,
             sideset_base: Pin | None = None) -> None:  # fmt: skip
        write = CHIP.rp2040.write_uint32
        self._place = place = self._load(program)
        write(self._base, CHIP.rp2040.read_uint32(self._base) & 15 & ~(1 << self._index))
        write(self._registers, 1 << 16)
        control = program.execctrl + (place << 12) + (place << 7)
        write(self._registers + 4, control | (jmp_pin.number << 24 if jmp_pin else 0))
        CHIP.put(self._registers + 8, program.shiftctrl ^ 1 << 30)
        CHIP.put(self._registers + 8, program.shiftctrl)
        self.restart()
        pins = in_base.number << 15 if in_base else 0
        if sideset_base:
            # First level and direction, then the pin is given to the block.
            start = program.options["sideset_init"]
            number = sideset_base.number
            write(self._registers + 0x14, number << 5 | 1 << 26)
            self.exec(f"set(pins, {start & 1})")
            self.exec(f"set(pindirs, {start >> 1})")
            CHIP.blocks[self._block].check_changed_pins()
            write(0x40014004 + 8 * number, 6 + self._block)
            pins |= number << 10 | 1 << 29
        write(self._registers + 0x14, pins)

    def exec(self, instruction: str | int) -> None:
        word = pio_assembler.encode(instruction) if isinstance(instruction, str) else instruction
        CHIP.rp2040.write_uint32(self._registers + 0x10, word)

    def restart(self) -> None:
        enabled = CHIP.rp2040.read_uint32(self._base) & 15
        CHIP.rp2040.write_uint32(self._base, enabled | 16 << self._index)
        self.exec(self._place)

    def tx_fifo(self) -> int:
        return CHIP.blocks[self._block].machines[self._index].tx_fifo.item_count

    def rx_fifo(self) -> int:
        return CHIP.blocks[self._block].machines[self._index].rx_fifo.item_count

    def get(self) -> int:
        return CHIP.rp2040.read_uint32(self._base + 0x20 + 4 * self._index)


class DMA:
    """rp2.DMA."""

    made = 0

    def __init__(self) -> None:
        self.channel = DMA.made
        DMA.made += 1
        self._registers = DMA_BASE + 0x40 * self.channel

    def pack_ctrl(self, *, size: int, inc_read: bool, inc_write: bool, ring_size: int,
                  ring_sel: bool, treq_sel: int, irq_quiet: bool,
                  sniff_en: bool = False) -> int:  # fmt: skip
        return (
            1 | size << 2 | inc_read << 4 | inc_write << 5 | ring_size << 6 | ring_sel << 10
            | self.channel << 11 | treq_sel << 15 | irq_quiet << 21
            | sniff_en << 23
        )  # fmt: skip

    def config(self, *, ctrl: int, read: int = 0, write: int = 0, count: int = 0,
               trigger: bool = False) -> None:  # fmt: skip
        put = CHIP.rp2040.write_uint32
        put(self._registers, read)
        put(self._registers + 4, write)
        put(self._registers + 8, count)
        put(self._registers + (0xC if trigger else 0x10), ctrl)

    def active(self, on: int | None = None) -> bool:
        if on == 0:
            CHIP.rp2040.write_uint32(DMA_BASE + 0x444, 1 << self.channel)
        return bool(CHIP.rp2040.read_uint32(self._registers + 0xC) >> 24 & 1)


class Sniffer:
    """The DMA's sniffer, which the emulator lacks, after the data sheet: CRC-32 of words.

    `wrong`: a chip that computes something else.
    """

    wrong = False

    def __init__(self, dma: Any) -> None:
        self._control = 0
        self._sum = 0
        self._read, self._write = dma.read_uint32, dma.write_uint32
        dma.read_uint32, dma.write_uint32 = self.read, self.write
        for channel in dma.channels:
            channel.transfer32 = types.MethodType(self._transfer(channel), channel)

    def _transfer(self, channel: Any) -> Callable[[Any], None]:
        bus = channel.rp2040

        def transfer32(_: Any) -> None:
            word = bus.read_uint32(channel._read_addr)
            if channel._ctrl >> 23 & 1 and self._control & 1:
                assert self._control >> 1 & 15 == channel.index
                self.take(word)
            bus.write_uint32(channel._write_addr, word)

        return transfer32

    def take(self, word: int) -> None:
        """One word: mode 1 is the CRC-32 of IEEE 802.3 on bit-reversed data, first bit on top."""
        assert self._control >> 5 & 15 == 1
        word ^= self.wrong
        kept = _reversed(self._sum) ^ MASK
        self._sum = _reversed(zlib.crc32(word.to_bytes(4, "little"), kept) ^ MASK)

    def read(self, offset: int) -> int:
        if offset == 0x434:
            return self._control
        if offset == 0x438:
            found = _reversed(self._sum) if self._control >> 10 & 1 else self._sum
            return found ^ MASK if self._control >> 11 & 1 else found
        return self._read(offset)

    def write(self, offset: int, value: int) -> None:
        if offset == 0x434:
            self._control = value
        elif offset == 0x438:
            self._sum = value
        else:
            self._write(offset, value)


def _reversed(word: int) -> int:
    return int(f"{word:032b}"[::-1], 2)


class PIO(pio_assembler.PIO):
    """rp2.PIO."""

    def __init__(self, number: int) -> None:
        self._memory = LOADED[number]

    def remove_program(self, program: Program) -> None:
        if program not in self._memory:
            raise ValueError("prog not in instruction memory")  # as MicroPython (from memory)
        for place, held in enumerate(self._memory):
            if held is program:
                self._memory[place] = None


class Memory:
    """What uctypes.bytearray_at gives: emulated memory."""

    def __init__(self, address: int, size: int) -> None:
        self.address, self.size = address, size

    def __getitem__(self, part: slice) -> bytes:
        read = CHIP.rp2040.read_uint8
        return bytes(read(self.address + k) for k in range(*part.indices(self.size)))


class Words:
    """ptr32: of an address, of emulated memory, or of a buffer of CPython."""

    __slots__ = ("_address", "_view")

    def __init__(self, place: Any) -> None:
        self._address = place.address if isinstance(place, Memory) else place
        self._view = None
        if not isinstance(self._address, int):
            view = memoryview(place)
            self._view = view if view.format == "I" else view.cast("B").cast("I")

    def __getitem__(self, index: int) -> int:
        if self._view is not None:
            return self._view[index]
        return CHIP.read(self._address + 4 * index)

    def __int__(self) -> int:
        assert self._view is None
        return self._address

    def __setitem__(self, index: int, value: int) -> None:
        if self._view is not None:
            self._view[index] = value & MASK
        else:
            CHIP.write(self._address + 4 * index, value)


class Bytes:
    """ptr8 of emulated memory or of a buffer of CPython."""

    def __init__(self, place: Any) -> None:
        self._address = place.address if isinstance(place, Memory) else 0
        self._view = None if self._address else memoryview(place).cast("B")

    def __getitem__(self, index: int) -> int:
        if self._view is not None:
            return self._view[index]
        return CHIP.rp2040.read_uint8(self._address + index)

    def __setitem__(self, index: int, value: int) -> None:
        if self._view is not None:
            self._view[index] = value & 0xFF
        else:
            CHIP.rp2040.write_uint8(self._address + index, value & 0xFF)


class Line:
    """In place of link.Link: bytes for the board are put in, frames are taken out."""

    def __init__(self, usb: bool) -> None:
        assert usb
        self.coming = bytearray()
        self.byte = bytearray(1)
        self.raw = b""
        self.open = True
        self.stuck = False
        self.cut = 0

    def receive(self, into: bytearray, at: int) -> int:
        if not self.coming:
            return -1
        self.byte[0] = self.coming.pop(0)
        if self.byte[0] and at < len(into):
            into[at] = self.byte[0]
            at += 1
        return at

    def comes(self) -> bool:
        return bool(self.coming)

    def wait(self, wait_ms: int) -> None:
        CHIP.run(1000)

    def ready(self) -> bool:
        return self.open

    def send(self, frame: Any, at: int, size: int) -> bool:
        assert self.open
        self.raw += bytes(frame[at : at + size])
        return True

    def frames(self) -> list[Frame]:
        found = []
        for piece in self.raw.split(b"\0"):
            if piece:
                body = body_of(piece)
                found.append(Frame(*struct.unpack("<BxHI", body[:8]), body[8:]))
        return found


CHIP: Chip
NAMES = ("wire", "pins", "chip", "arm", "frame", "ring", "pulses", "crank", "programs",
         "machines", "limits", "lease", "rest", "lamp", "outputs", "hw_rp2", "app", "meter",
         "panel", "sparks", "settings", "delays", "menu", "picture", "bound", "teeth", "reasons",
         "link")  # fmt: skip


def _same(thing: Any) -> Any:
    return thing


def _in_viper(function: Any) -> Any:
    """In place of a function in assembler: its twin of the same name in frame.py."""

    source = getattr(importlib.import_module("frame"), function.__name__)
    return functools.partial(source, 0, 0, 0)


def _ticks_us() -> int:
    return CHIP.cycle // 125 & 0x3FFFFFFF


def _ticks_ms() -> int:
    return CHIP.cycle // 125_000 & 0x3FFFFFFF


def _modules() -> dict[str, types.ModuleType]:
    def module(name: str, **names: Any) -> types.ModuleType:
        made = types.ModuleType(name)
        made.__dict__.update(names)
        return made

    addresses: dict[int, int] = {}

    def addressof(buffer: Any) -> int:
        return addresses.setdefault(id(buffer), CHIP.allocate(len(buffer)))

    return {
        "os": module("os", uname=lambda: types.SimpleNamespace(machine="emulated RP2040"),
                     urandom=os.urandom),
        "micropython": module("micropython", const=_same, viper=_same, native=_same,
                              asm_thumb=_in_viper, kbd_intr=INTERRUPT_CHARACTERS.append),
        "framebuf": module("framebuf"),
        "machine": module("machine", Pin=Pin, ADC=ADC, I2C=None, Timer=Timer, WDT=WDT,
                          mem32=Mem32(),
                          freq=lambda *_: CLOCK_HZ,
                          unique_id=lambda: b"emulated"),
        "rp2": module("rp2", asm_pio=pio_assembler.asm_pio, PIO=PIO, StateMachine=StateMachine,
                      DMA=DMA),
        "uctypes": module("uctypes", addressof=addressof, bytearray_at=Memory),
        "link": module("link", Link=Line, CTRL_C=3),
        "time": module("time", ticks_us=_ticks_us, ticks_ms=_ticks_ms,
                       ticks_diff=lambda a, b: ((a - b + (1 << 29)) & 0x3FFFFFFF) - (1 << 29),
                       ticks_add=lambda a, b: (a + b) & 0x3FFFFFFF,
                       sleep_ms=lambda ms: CHIP.run(125_000 * ms),
                       sleep_us=lambda us: CHIP.run(125 * us)),
    }  # fmt: skip


def load(*names: str, chip: Callable[[], Any] = Chip, **of_rp2: Any) -> list[Any]:
    """A new chip, and these firmware modules on it; `of_rp2`: other classes of the module rp2."""
    global CHIP
    CHIP = chip()
    LOADED[0][:] = LOADED[1][:] = [None] * 32
    DMA.made = 0
    given = _modules()
    vars(given["rp2"]).update(of_rp2)
    saved = {name: sys.modules.get(name) for name in {*given, *NAMES}}
    pointers = {"ptr8": Bytes, "ptr16": None, "ptr32": Words, "uint": int}
    try:
        for name in NAMES:
            sys.modules.pop(name, None)
        sys.modules.update(given)
        sys.path.insert(0, str(FIRMWARE))
        for name, pointer in pointers.items():
            setattr(builtins, name, pointer)
        return [importlib.import_module(name) for name in names]
    finally:
        sys.path.remove(str(FIRMWARE))
        for name, module in saved.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module
