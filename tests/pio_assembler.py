"""The `asm_pio` language of MicroPython, for tests: decorated functions in, instruction words out.

Written from the RP2040 datasheet (section 3.4, instruction encodings) and the MicroPython
documentation of `rp2.asm_pio`. Where MicroPython's own `rp2.py` is at hand (it is frozen into the
boards' firmware and in no package for CPython), name it in SPARKWITNESS_RP2_PY and the tests
compare every word of every program with what that makes.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from typing import Any


class PIO:
    """Constants, with the values that MicroPython gives them."""

    IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = 0, 1, 2, 3
    SHIFT_LEFT, SHIFT_RIGHT = 0, 1
    JOIN_NONE, JOIN_TX, JOIN_RX = 0, 1, 2


CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6, "not_osre": 7}
PLACES = {"pins": 0, "x": 1, "y": 2, "null": 3, "pindirs": 4, "status": 5, "pc": 5, "isr": 6,
          "osr": 7}  # fmt: skip
NOBLOCK, BLOCK, IF_FULL = 1, 0x21, 0x40


class _Step:
    """One instruction being written; `.side()` and `[delay]` add to it."""

    def __init__(self, word: int | Callable[[dict[str, int]], int]) -> None:
        self.word, self.side_value, self.wait = word, None, 0

    def side(self, value: int) -> _Step:
        self.side_value = value
        return self

    def __getitem__(self, cycles: int) -> _Step:
        self.wait = cycles
        return self


class Program:
    """Instruction words of one program and the settings that go with it."""

    def __init__(self, **options: Any) -> None:
        self.options = options
        self.steps: list[_Step] = []
        self.labels: dict[str, int] = {}
        self.target = 0
        self.end: int | None = None
        self.words = array("H")
        self.offset: int | None = None  # where a block of the chip holds it

    def _add(self, word: int | Callable[[dict[str, int]], int]) -> _Step:
        self.steps.append(_Step(word))
        return self.steps[-1]

    def _jmp(self, condition: Any, label: str | None = None) -> _Step:
        if label is None:
            condition, label = 0, condition
        return self._add(lambda labels: condition << 5 | labels[label])

    def _wait(self, polarity: int, source: int, index: int) -> _Step:
        # "pin" is also a jump condition, hence its value.
        return self._add(
            0x2000 | polarity << 7 | (1 if source == CONDITIONS["pin"] else source) << 5 | index
        )

    def _transfer(self, word: int) -> Callable[..., _Step]:
        def step(first: int = 0, second: int = 0) -> _Step:
            flags = first | second
            if not flags & NOBLOCK:
                flags |= 0x20
            return self._add(word | flags & 0x60)

        return step

    def names(self) -> dict[str, Any]:
        """What a program may use."""

        def place_label(name: str) -> None:
            assert name not in self.labels
            self.labels[name] = len(self.steps)

        def wrap_target() -> None:
            self.target = len(self.steps)

        def wrap() -> None:
            self.end = len(self.steps) - 1

        return {
            **CONDITIONS,
            **PLACES,
            "gpio": 0,
            "noblock": NOBLOCK,
            "block": BLOCK,
            "iffull": IF_FULL,
            "ifempty": IF_FULL,
            "invert": lambda source: source | 8,
            "reverse": lambda source: source | 16,
            "label": place_label,
            "wrap_target": wrap_target,
            "wrap": wrap,
            "jmp": self._jmp,
            "wait": self._wait,
            "in_": lambda source, bits: self._add(0x4000 | source << 5 | bits & 31),
            "out": lambda place, bits: self._add(0x6000 | place << 5 | bits & 31),
            "push": self._transfer(0x8000),
            "pull": self._transfer(0x8080),
            "mov": lambda place, source: self._add(0xA000 | place << 5 | source),
            "set": lambda place, value: self._add(0xE000 | place << 5 | value),
            "nop": lambda: self._add(0xA042),
        }

    def assemble(self, source: Callable[[], None]) -> None:
        """Run the decorated function with the language's names as its globals."""
        run = type(source)(source.__code__, self.names())
        run()
        side = self.options.get("sideset_init")
        side_bits = 0 if side is None else 1
        for step in self.steps:
            word = step.word if isinstance(step.word, int) else step.word(self.labels)
            assert (step.side_value is not None) == bool(side_bits), "side on all steps or on none"
            assert step.wait < 1 << 5 - side_bits
            if side_bits:
                word |= step.side_value << 12
            self.words.append(word | step.wait << 8)
        if self.end is None:
            self.end = len(self.words) - 1

    @property
    def execctrl(self) -> int:
        """Wrap, before the program's place is added."""
        assert self.end is not None
        return self.end << 12 | self.target << 7

    @property
    def shiftctrl(self) -> int:
        """Queue joining and shift directions (datasheet, SMx_SHIFTCTRL)."""
        options = self.options
        return (
            options.get("fifo_join", 0) << 30
            | options.get("autopull", False) << 17
            | options.get("out_shiftdir", 0) << 19
            | options.get("in_shiftdir", 0) << 18
        )


def asm_pio(**options: Any) -> Callable[[Callable[[], None]], Program]:
    """The decorator of the same name."""

    def decorate(source: Callable[[], None]) -> Program:
        program = Program(**options)
        program.assemble(source)
        return program

    return decorate


def encode(text: str) -> int:
    """One instruction in source text, as StateMachine.exec takes it."""
    program = Program()
    exec(text, program.names())
    (step,) = program.steps
    assert isinstance(step.word, int)
    return step.word
