"""The firmware's PIO programs as text, for an assembler that knows nothing of this project."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

_JUMPS = {"x_dec": "x--", "y_dec": "y--", "not_x": "!x", "not_y": "!y", "x_not_y": "x!=y",
          "not_osre": "!osre", "pin": "pin"}  # fmt: skip


class _Line(list):
    """One instruction's text; `.side()` adds to it."""

    def side(self, value: int) -> _Line:
        self.append(f"side {value}")
        return self


def pioasm(source: Callable[[], None], sideset: bool) -> str:
    """Text of a function written in `asm_pio`'s language."""
    lines: list[Any] = [".program p", *([".side_set 1"] if sideset else [])]

    def add(*words: Any) -> _Line:
        line = _Line([" ".join(map(str, words))])
        lines.append(line)
        return line

    def name(label: str) -> str:
        return label.replace(" ", "_")

    def jmp(condition: str, label: str | None = None) -> _Line:
        if label is None:
            return add("jmp", name(condition))
        return add("jmp", f"{_JUMPS[condition]},", name(label))

    names: dict[str, Any] = {k: k for k in (*_JUMPS, "x", "y", "isr", "osr", "pins", "null",
                                            "noblock", "block", "gpio")}  # fmt: skip
    names |= {
        "label": lambda label: lines.append(f"{name(label)}:"),
        "wrap_target": lambda: lines.append(".wrap_target"),
        "wrap": lambda: lines.append(".wrap"),
        "invert": lambda what: f"~{what}",
        "jmp": jmp,
        "wait": lambda level, what, index: add("wait", level, what, index),
        "in_": lambda what, bits: add("in", f"{what},", bits),
        "out": lambda where, bits: add("out", f"{where},", bits),
        "push": lambda how: add("push", how),
        "pull": lambda how: add("pull", how),
        "mov": lambda where, what: add("mov", f"{where},", what),
    }
    type(source)(source.__code__, names)()
    return "\n".join(" ".join(x) if isinstance(x, list) else x for x in lines) + "\n"
