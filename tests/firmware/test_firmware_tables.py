"""Small tables and registers of the firmware, under CPython: typed here once more."""

from __future__ import annotations

from array import array

import pio_chip

# What each reason must speak of in its first line.
SPEAKS_OF = {
    "FINE": "", "SET_WHEEL": "WHEEL", "HOST": "HOST", "NO_CRANK": "NO CRANK",
    "NOT_WHEEL": "NOT THIS",
    "ON_CRANK": "ON CRANK", "UNEVEN": "UNEVEN", "NO_SPARKS": "NO SPARKS", "WAIT": "WAIT",
    "LOST": "LOST", "ELSEWHERE": "OTHER", "SPACING": "LEAD", "PLACES": "TWO PLACES",
    "SCATTER": "UNSTEADY", "REVERSED": "REVERSED", "REPEATS": "REPEATS", "IMPLAUSIBLE": "TIMING",
    "CHECK": "ERROR", "FALLING": "FALLING", "COIL_ON": "COIL", "FAR": "FAR", "WIRES": "WIRES",
    "VARIES": "VARYING", "TRUE": "TRUE", "TWICE": "TWO EDGES",
}  # fmt: skip
SHOWN_WITH_THE_NUMBER = {"FAR", "WIRES", "VARIES", "TRUE", "TWICE"}


def test_each_reason_has_its_number_and_its_lines() -> None:
    (reasons,) = pio_chip.load("reasons")
    numbers = {name: getattr(reasons, name) for name in SPEAKS_OF}
    assert sorted(numbers.values()) == list(range(len(reasons.REASONS)))
    for name, number in numbers.items():
        first, second = reasons.REASONS[number]
        assert SPEAKS_OF[name] in first and len(first) <= 16 and len(second) <= 16, name
        assert (number >= reasons.FAR) is (name in SHOWN_WITH_THE_NUMBER), name
    assert numbers["FINE"] == 0 and reasons.REASONS[0] == ("", "")


def test_which_outputs_rest_high_is_kept_over_a_reset() -> None:
    """A mark in the upper half tells it from what else may be there; GP6 alone may be high."""
    rest, chip = pio_chip.load("rest", "chip")
    kept = {chip.WATCHDOG_SCRATCH0: 0}
    rest.mem32 = kept
    assert rest.high() == 0
    rest.keep(1 << 6)
    assert rest.high() == 1 << 6 and list(kept) == [chip.WATCHDOG_SCRATCH0]
    told = kept[chip.WATCHDOG_SCRATCH0]
    for bit in range(32):
        kept[chip.WATCHDOG_SCRATCH0] = told ^ 1 << bit
        # A bit of the mark, or the pin's own, says that none does; the others say nothing.
        assert rest.high() == (0 if bit >= 16 or bit == 6 else 1 << 6), bit
    rest.keep(0)
    assert rest.high() == 0


def test_plain_rings_lie_one_after_the_other() -> None:
    ring, wire = pio_chip.load("ring", "wire")
    rings = ring.plain_rings(8)
    source = array("I", range(100, 120))
    for i in range(4):
        assert len(rings.buffers[i]) == 4 * 8
        rings.write(i, source, i, 6)
        rings.write(i, source, 6 + i, 5)  # over the end, where it begins anew
    assert list(rings.written) == [11] * 4 and rings.size == 8 and len(rings.out) == 4 * 256 + 4
    for i in range(4):
        newest = [100 + i + k for k in range(11)]
        wanted = newest[8:] + newest[3:8]
        assert list(rings.buffers[i].cast("I")) == wanted
    rings.clear(0x1234)
    assert list(rings.written) == [0] * 4 and rings.state[ring.HEAD] == wire.EDGES | 0x1234 << 16
