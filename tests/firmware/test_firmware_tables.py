"""Small tables and registers of the firmware, under CPython: typed here once more."""

from __future__ import annotations

import struct
from array import array

import pio_chip
from firmware_board import DRIVE, LAMP, RENEW

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


def body(number: int, seq: int, session: int = 0, lease: int = 0) -> bytearray:
    """A command as frame.open_frame leaves it, from index 1 on; layout: protocol/wire.md."""
    return bytearray(b"?" + struct.pack("<BxHII", number, session, seq & 0xFFFFFFFF, lease))


WORDS = (0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x12345678, 0xFEDC0000)


def test_which_seq_is_ahead_of_which() -> None:
    """wire.md, "The lease": ahead by 1 to 2^31 - 1, modulo 2^32."""
    (lease,) = pio_chip.load("lease")
    for last in WORDS:
        for by in (1, 2, 0x10000, 0x7FFFFFFF, 0, 0x80000000, 0x80000001, 0xFFFFFFFF, 0xFFFF0000):
            found = lease._ahead(body(DRIVE, last + by), array("I", [last, 0]))
            assert found == (0 < by < 0x80000000), (last, by)
        for bit in range(32):
            other = body(RENEW, 5, lease=last ^ 1 << bit)
            assert lease._equal(other, 9, array("I", [0, last])) == 0, (last, bit)
        assert lease._equal(body(RENEW, 5, lease=last), 9, array("I", [last ^ 1, last])) == 1


def test_which_commands_count() -> None:
    """wire.md, "The lease": the session's own or 0, ahead of the last one, and a renew must name
    the last drive or lamp that was obeyed. What does not count says why and changes nothing."""
    lease = pio_chip.load("lease")[0].Lease()

    def said(number: int, seq: int, session: int = 0, named: int = 0) -> str:
        return (lease.stale(body(number, seq, session, named), 0xBEEF) or "").partition(" is ")[2]

    other, elsewhere = "of another command than the last drive or lamp", "of another session"
    old = 0
    for first in (0, 0x90000000, 7):  # of a session the first one may have any
        assert said(RENEW, first, named=old) == other  # nothing is on, whatever it names
        assert said(DRIVE, first + 1) == ""
        assert lease.stale(body(DRIVE, first + 1), 0xBEEF) == "this command has come before"
        for session in (1, 0xBEEE, 0xBFEF, 0xBE00, 0xEF):
            assert said(LAMP, first + 5, session) == elsewhere
        assert said(DRIVE, first + 2, 0xBEEF) == ""
        lease.grant(body(DRIVE, first + 2))
        assert said(RENEW, first + 3, named=first + 2) == ""
        assert said(RENEW, first + 4, named=first + 1) == other
        assert said(LAMP, first + 5, 0xBEEF) == ""  # not obeyed: the lease is the drive's
        assert said(RENEW, first + 6, named=first + 5) == other
        assert said(RENEW, first + 7, named=first + 2) == ""
        lease.grant(body(LAMP, first + 5))
        assert said(RENEW, first + 8, named=first + 2) == other
        assert said(RENEW, first + 9, named=first + 5) == ""
        old = first + 5
        lease.clear()


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


class Registers:
    """A block's registers: fixed numbers, or one after the other; what is written is kept."""

    def __init__(self, read: dict[int, int | list[int]]) -> None:
        self.read, self.written = read, list[tuple[int, int]]()

    def __getitem__(self, at: int) -> int:
        found = self.read[at]
        return found.pop(0) if isinstance(found, list) else found

    def __setitem__(self, at: int, value: int) -> None:
        self.written.append((at, value))


def test_the_boards_wide_time_and_what_its_inputs_have_lost() -> None:
    """The fifth value is the fresh one; a count that is less than the last has wrapped, as Python
    compares them. `written`: what an order had in all less what is left of it."""
    hw, ring = pio_chip.load("hw_rp2", "ring")
    ends = (0, 1, 2**30 - 1, 2**30, 2**31 - 1, 2**31, 2**31 + 1, 2**32 - 2, 2**32 - 1)
    for was in ends:
        for now in ends:
            rings = ring.plain_rings(8)
            state = rings.state
            state[ring.NOW], state[ring.NOW + 1] = was, 7
            left = [0x0FFFFFF0, 0x00100000, 0x000FFFFF, 3]
            for i in range(4):
                state[ring.COUNTERS + i], state[ring.BASES + i] = 0x1000 + i, 0x10000000 + i
                state[ring.STALLS + i] = 10 * i
            clock = Registers({1: [0x100, 0, 0, 0x100, 0, 0, 0, 0], 8: [11, 22, 33, 44, now, 99]})
            queues = Registers({1: [0xE00, 0xF00, 0xF00, 0, 0xF00, 0x800], 2: 0x0A})
            places = {0x50300000: clock, 0x50200000: queues,
                      **{0x1000 + i: {0: left[i]} for i in range(4)}}  # fmt: skip
            hw.ptr32 = lambda place, p=places: p[place] if isinstance(place, int) else place
            renew = hw._look(0b0111, state)
            wide = [state[ring.NOW], state[ring.NOW + 1]]
            assert wide == [now, 8 if now < was else 7], (was, now)
            assert list(rings.stalls) == [0, 11, 20, 31] and queues.written == [(2, 0x0A)]
            # Three inputs are captured; the third's order, and only it, is nearly used up.
            assert list(rings.written) == [
                0x10, 0x10000001 - 0x00100000, 0x10000002 - 0x000FFFFF, 0
            ]  # fmt: skip
            assert renew == 0b0100
            assert clock.read[8] == [99] and queues.read[1] == []


def test_words_of_the_rings_have_the_numbers_of_the_code_that_works_on_them() -> None:
    """Viper code cannot take names: _mark, _survey and _pack of firmware/ring.py have numbers."""
    (ring,) = pio_chip.load("ring")
    numbers = {
        "WRITTEN": 0, "TAKEN": 4, "LOST": 8, "MARKS": 12, "STALLS": 16, "NOW": 20, "BEAT": 22,
        "MARKED": 24, "SEQ": 25, "HEAD": 26, "NEXT": 27, "SIZE": 28, "AGE": 29, "EVERY": 30,
        "COUNTERS": 31, "BASES": 35, "COPIER": 39, "BUSY": 40, "SNIFFED": 41, "BOTH": 42,
    }  # fmt: skip
    assert {name: getattr(ring, name) for name in numbers} == numbers
    assert len(ring.plain_rings(8).state) == ring.WORDS > max(numbers.values())
    assert (ring.EDGES_DUE, ring.BEAT_DUE, ring.STALE, ring.BEATING) == (1, 2, 4, 8)
