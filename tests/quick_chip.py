"""The pulse outputs of an emulated RP2 chip by events instead of cycles: hours in minutes.

The firmware's own app, outputs, limits and pulses run unchanged on it. What its state machines do
with their records is computed from what firmware/programs.py says of them; that this is what the
instructions do is shown on the cycles (test_output_limits.py compares the two chips, and
test_pio_board.py runs the instructions). Levels of the pads are noted, with their cycle.
"""

from __future__ import annotations

import types
from collections import deque
from typing import Any

import pio_chip
from pio_chip import CLOCK_HZ, NS_PER_CYCLE, Pin, Timer

__all__ = ["CLOCK_HZ", "NS_PER_CYCLE", "Board", "QuickChip", "Timer"]

PIO1 = 0x50300000
ACCESS_CYCLES = 4
OUTPUTS = (6, 7, 8)
BENCH, BENCH_CRANK = 1, 2  # machines of block 1
INPUTS = 4


class Machine:
    """A state machine of block 1 with one of the two pulse programs, or with none that matters."""

    def __init__(self) -> None:
        self.queue: deque[tuple[int, int]] = deque()  # (cycle written, word)
        self.todo: deque[tuple[int, int]] = deque()  # (cycle, level of the pin), ascending
        self.changes: list[tuple[int, int]] = []
        self.enabled = False
        self.plays = False
        self.pin = -1
        self.rest = self.level = 0
        self.ready = 0  # when it wants, or will want, the first word of a record
        self.busy = False  # in a record, until `ready`
        self.starved = False
        self.shift = 0

    def set(self, cycle: int, level: int) -> None:
        if level != self.level:
            self.level = level
            self.changes.append((cycle, level))

    def sync(self, now: int) -> None:
        """Play until this cycle."""
        while self.enabled and self.plays:
            while self.todo and self.todo[0][0] <= now:
                self.set(*self.todo.popleft())
            if self.busy and self.ready > now:
                return
            self.busy = False
            if len(self.queue) < 2:
                self.starved |= now > self.ready
                return
            (first_at, first), (second_at, second) = self.queue.popleft(), self.queue.popleft()
            self.starved |= first_at > self.ready
            pulled = max(max(self.ready, first_at) + 3, second_at)
            at = pulled + 1
            active, inactive = (first >> 8) + 2, second + 3
            for _ in range((first & 255) + 1):
                self.todo += ((at, 1 - self.rest), (at + active, self.rest))
                at += active + inactive
            self.ready, self.busy = at, True

    def enable(self, now: int, on: bool) -> None:
        self.sync(now)
        if self.enabled and not on:
            self.stopped = now
        elif on and not self.enabled:
            late = now - getattr(self, "stopped", now)
            self.todo = deque((at + late, level) for at, level in self.todo)
            self.ready = self.ready + late if self.busy else now
        self.enabled = on

    def rewind(self, now: int) -> None:
        """A jump to the first instruction, whose side-set is the level of rest."""
        self.todo.clear()
        self.busy, self.ready = False, now
        self.set(now, self.rest)


class Bus:
    """Registers by address, for what the stand-ins for MicroPython's classes write."""

    def __init__(self, chip: QuickChip) -> None:
        self.chip = chip

    def write_uint32(self, address: int, value: int) -> None:
        self.chip.put(address, value)

    def read_uint32(self, address: int) -> int:
        return self.chip.get(address)


class QuickChip:
    """Time, pads and the registers that the outputs use."""

    def __init__(self) -> None:
        self.cycle = 0
        self.machines = [Machine() for _ in range(4)]
        self._players = self.machines[BENCH : BENCH_CRANK + 1]
        self.timers: list[Timer] = []
        self.dog_due: int | None = None
        self.bites = 0
        self.high = 0  # SIO: pins driven high
        self.by_machine = 0  # pins given to block 1
        self.pads: dict[int, list[tuple[int, int]]] = {pin: [(0, 0)] for pin in OUTPUTS}
        self.rp2040 = Bus(self)
        self._heap = 0x20000000

    def allocate(self, size: int) -> int:
        self._heap += size + 16
        return self._heap

    def run(self, cycles: int) -> None:
        """Let time pass; the timers call back on their way."""
        end = self.cycle + cycles
        while True:
            due = min((timer._due for timer in self.timers), default=end)
            self.cycle = max(self.cycle, min(due, end))
            self.sync()
            for timer in list(self.timers):
                timer.tell(self.cycle)
            if self.dog_due is not None and self.cycle > self.dog_due:
                self.bites += 1
                self.dog_due = None
            if self.cycle >= end:
                return

    def sync(self) -> None:
        for machine in self._players:
            if machine.enabled:
                machine.sync(self.cycle)
            if machine.changes:
                if machine.pin in self.pads and self.by_machine >> machine.pin & 1:
                    for change in machine.changes:
                        self._note(machine.pin, *change)
                machine.changes.clear()

    def watch(self, pin: int) -> list[tuple[int, int]]:
        return self.pads[pin]

    def _note(self, pin: int, cycle: int, level: int) -> None:
        if self.pads[pin][-1][1] != level:
            self.pads[pin].append((cycle, level))

    def _look(self) -> None:
        """A pin has another master, or its master says otherwise."""
        for pin in OUTPUTS:
            level = self.high >> pin & 1
            if self.by_machine >> pin & 1:
                level = next((m.level for m in self.machines if m.pin == pin), 0)
            self._note(pin, self.cycle, level)

    # Registers

    def read(self, address: int) -> int:
        self.cycle += ACCESS_CYCLES
        if address == PIO1 + 0x3C:  # who waits for a pin looks until it changes
            self.sync()
            playing = [m for m in self._players if m.todo]
            if all(m.enabled for m in playing):
                coming = min((m.todo[0][0] for m in playing), default=0)
                self.cycle = max(self.cycle, coming - ACCESS_CYCLES)
        return self.get(address)

    def write(self, address: int, value: int) -> None:
        self.cycle += ACCESS_CYCLES
        self.put(address, value & 0xFFFFFFFF)

    def get(self, address: int) -> int:
        self.sync()
        machines, at = self.machines, address - PIO1
        if at == 0:
            return sum(m.enabled << k for k, m in enumerate(machines))
        if at == 8:
            return machines[1].starved << 25 | machines[2].starved << 26
        if at == 12:
            return len(machines[1].queue) << 8 | len(machines[2].queue) << 16
        if at == 0x3C:
            return sum(m.level << m.pin for m in machines if m.pin >= 0)
        if 0xC8 <= at < 0x128:
            machine, which = machines[(at - 0xC8) // 24], (at - 0xC8) % 24
            return machine.shift if which == 8 else 0
        return 0

    def put(self, address: int, value: int) -> None:
        self.sync()
        machines, at = self.machines, address - PIO1
        if at == 0:
            for k, machine in enumerate(machines):
                machine.enable(self.cycle, bool(value >> k & 1))
        elif at == 8:
            for k, machine in enumerate(machines):
                if value >> 24 + k & 1:
                    machine.starved = False
        elif 0x10 <= at < 0x20:
            machine = machines[(at - 0x10) // 4]
            if len(machine.queue) < 8:
                machine.queue.append((self.cycle, value))
        elif 0xC8 <= at < 0x128:
            machine, which = machines[(at - 0xC8) // 24], (at - 0xC8) % 24
            if which == 8:
                machine.shift = value
                machine.queue.clear()
            elif which == 16:
                machine.rewind(self.cycle)
        elif address == 0xD0000014:
            self.high |= value
        elif address == 0xD0000018:
            self.high &= ~value
        elif 0x40014004 <= address < 0x40014100:
            pin = (address - 0x40014004) // 8
            self.by_machine &= ~(1 << pin)
            self.by_machine |= (value & 31 == 7) << pin
        elif address == 0x40058000 and not value >> 30 & 1:
            self.dog_due = None
        self.sync()
        self._look()


class StateMachine:
    """rp2.StateMachine: the program decides what level the pin rests at."""

    def __init__(self, number: int) -> None:
        self._machine = pio_chip.CHIP.machines[number - 4]  # type: ignore[attr-defined]

    def init(self, program: Any, *, sideset_base: Pin, in_base: Any = None) -> None:
        chip, machine = pio_chip.CHIP, self._machine
        machine.enable(chip.cycle, False)
        machine.queue.clear()
        machine.plays = not in_base
        machine.pin = sideset_base.number
        machine.rest = program.options["sideset_init"] & 1
        machine.rewind(chip.cycle)
        chip.put(0x40014004 + 8 * machine.pin, 7)


class PIO:
    """rp2.PIO: there is always room."""

    OUT_LOW, OUT_HIGH, SHIFT_LEFT, SHIFT_RIGHT, JOIN_TX, JOIN_RX = 2, 3, 0, 1, 1, 2

    def __init__(self, number: int) -> None:
        assert number == 1

    def remove_program(self, program: Any) -> None:
        pass


class Hardware:
    """hw_rp2.Hardware without what captures."""

    def __init__(self, modules: dict[str, types.ModuleType]) -> None:
        self.clock_hz, self.tick_ps = CLOCK_HZ, 24000
        self.dead_ns = self.min_pulse_ns = 56
        self.edge_rate = 120_000
        self.board, self.uid = "quick", b"quick..."
        self.notes: list[str] = []
        self.meter = None
        self.link = pio_chip.Line(True)
        self.rings = modules["ring"].plain_rings(16)
        self.input_pins = (2, 3, 4, 5)
        self.falling = 0
        self.heard = self.leased = 0
        self.driver = modules["outputs"].Outputs(self)
        self.driven, self.told = self.driver.driven, self.driver.told
        self.drive, self.lamp = self.driver.drive, self.driver.light
        self.outputs_off, self.fill = self.driver.off, self.driver.fill

    @property
    def outputs(self) -> int:
        return self.driver.on

    def poll(self, streaming: bool) -> int:
        wide = pio_chip.CHIP.cycle // 3
        self.rings.now[0], self.rings.now[1] = wide & 0xFFFFFFFF, wide >> 32
        return int(self.driver.feed())

    def supply_mv(self) -> int:
        return 65535

    def configure(self, enabled: int, falling: int, both: int) -> None:
        self.falling = falling

    def nothing(self) -> None: ...

    start = stop = halt = sample = enter = leave = nothing

    def rest(self) -> None:
        pio_chip.CHIP.run(CLOCK_HZ // 1000)
        self.driver.feed()


NAMES = ("outputs", "app", "ring", "limits", "pulses")


class Board:
    """App and outputs, turned by the test."""

    def __init__(self, chip: type = QuickChip) -> None:
        quick = {"StateMachine": StateMachine, "PIO": PIO} if chip is QuickChip else {}
        loaded = pio_chip.load(*NAMES, chip=chip, **quick)
        self.modules = dict(zip(NAMES, loaded, strict=True))
        self.chip: QuickChip = pio_chip.CHIP  # type: ignore[assignment]
        # Collecting CPython's garbage takes longer than all else.
        self.modules["app"].gc = types.SimpleNamespace(collect=lambda: None)
        self.hardware = Hardware(self.modules)
        self.app = self.modules["app"].App(self.hardware)
        self.line = self.hardware.link

    def turn(self, cycles: int) -> None:
        """One turn of the loop, that takes so long."""
        self.app.turn()
        self.chip.run(cycles)

    def sent(self) -> list[pio_chip.Frame]:
        """What the board has sent since the last call."""
        frames = self.line.frames()
        self.line.raw = b""
        return frames
