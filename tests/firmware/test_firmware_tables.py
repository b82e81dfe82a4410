"""Small tables and registers of the firmware, under CPython: typed here once more."""

from __future__ import annotations

import struct
from array import array
from typing import Any

import pytest

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
    for k in range(ring.SEQ):
        rings.state[k] = 9
    rings.clear(0x1234)
    # No edge, loss, stall, time nor heartbeat that was due is left of the session before.
    assert list(rings.state)[: ring.SEQ] == [0] * 25
    assert rings.state[ring.HEAD] == wire.EDGES | 0x1234 << 16


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


def test_a_queue_that_does_not_empty_is_not_waited_for() -> None:
    """20 looks at each input's, 200 at the clock's (our own choice); what had come counts."""
    hw, ring = pio_chip.load("hw_rp2", "ring")
    state = ring.plain_rings(8).state
    state[ring.NOW] = 55
    clock = Registers({1: [0x100] * 200, 8: [7]})
    queues = Registers({1: [0] * 80, 2: 0})
    places = {0x50300000: clock, 0x50200000: queues}
    hw.ptr32 = lambda place: places[place] if isinstance(place, int) else place
    assert hw._look(0, state) == 0
    assert (state[ring.NOW], clock.read, queues.read) == (55, {1: [], 8: [7]}, {1: [], 2: 0})


def test_capture_starts_and_stops_without_the_outputs_machines() -> None:
    """CTRL: enables in bits 0 to 3, restarts of the clocks in bits 8 to 11; machine 0 of block 1 is
    the clock, the others of it play outputs."""
    (hw,) = pio_chip.load("hw_rp2")
    for playing in (0, 0b0110, 0b1110):
        for was in (0, 1):
            for act, first, wanted in (
                (lambda: hw._start(0b1011), 0b1011 | 0b1011 << 8, playing | 1 | 1 << 8),
                (hw._stop, 0, playing),
            ):  # fmt: skip
                capture, block = Registers({}), Registers({0: 0xF00 | playing | was})
                blocks = {0x50200000: capture, 0x50300000: block}
                hw.ptr32 = lambda place, b=blocks: b[place]
                act()
                assert capture.written == [(0, first)] and block.written == [(0, wanted)]


def test_a_dma_channel_is_halted_where_it_is_and_goes_on_there() -> None:
    """RP2040 datasheet, 2.5: of channel n at 0x40 n READ, WRITE, COUNT and CTRL (bit 0 enables; at
    0x10 its copy without a trigger); what is under way gets home first, and counts."""
    (hw,) = pio_chip.load("hw_rp2")
    busy = 1 << 24
    for waits in (0, 3, 1_000):
        channel = Registers({2: [50, 50, 48, *[0xF000002F] * 20], 4: [0x23, *[busy] * waits, 0]})
        abort = Registers({})
        places = {0x50000000 + 64 * 5: channel, 0xABC: abort}
        hw.ptr32 = lambda place, p=places: p[place]
        assert hw._halt(5, 0xABC, busy) == 47  # of 28 bits
        assert channel.written == [(4, 0x22)] and abort.written == [(0, 1 << 5)]
        left = channel.read[4]
        assert isinstance(left, list) and (not left if waits < 4 else len(left) > 500)
    # 3001 words of an order of 5000 are left: 1999 more than the 100 of before are in the ring.
    channel = Registers({4: 0x22})
    state = array("I", [0] * 43)
    state[35 + 2] = 5_100
    places = {0x50000000 + 64 * 5: channel}
    hw.ptr32 = lambda place, p=places: p[place] if isinstance(place, int) else place
    hw._renew(5, 3_001, 2, state, 0x20004000, 0x0FFFFFFF)
    assert state[35 + 2] == 2_099 + 0x0FFFFFFF
    assert channel.written == [(1, 0x20004000 + 4 * (2_099 - 2_048)), (2, 0x0FFFFFFF), (3, 0x23)]


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


# Pins and machines of PIO block 1, by the registers of the RP2040's datasheet (from memory): CTRL
# has enable, restart and clock restart of each machine in bits 0, 4 and 8 on; FDEBUG at 0x08 its
# empty queue from bit 24 on; the pads' levels at 0x3C; of machine n, 24 n further on, SHIFTCTRL at
# 0xD0 (bit 30 joins its queues), ADDR at 0xD4 and INSTR at 0xD8.

PIO1, FDEBUG, PADS = 0x50300000, 0x50300008, 0x5030003C
OUT_SET, OUT_CLR, OE_SET, CTRL0, DOG = 0x100, 0x200, 0x300, 0x1000, 0x4000
ADDRESSES = array("I", [OUT_SET, OUT_CLR, OE_SET, CTRL0, DOG])


class Bus:
    """Registers by address; a list is read from its front. Writes are noted and kept."""

    def __init__(self, held: dict[int, int | list[int]]) -> None:
        self.held = held
        self.written: list[tuple[int, int]] = []

    def at(self, place: int | array[int]) -> object:
        if not isinstance(place, int):
            return place
        bus = self

        class Words:
            def __getitem__(self, k: int) -> int:
                found = bus.held[place + 4 * k]
                return found.pop(0) if isinstance(found, list) else found

            def __setitem__(self, k: int, value: int) -> None:
                bus.written.append((place + 4 * k, value))
                bus.held[place + 4 * k] = value

        return Words()


def machines_on(held: dict[int, int | list[int]]) -> tuple[Any, Bus]:
    (machines,) = pio_chip.load("machines")
    bus = Bus(held)
    machines.ptr32 = bus.at
    return machines, bus


def test_a_pin_has_its_level_before_it_is_driven_and_is_driven_before_it_is_taken() -> None:
    for high, up in ((0, 0), (1 << 6, 1 << 6), (1 << 7 | 1 << 5 | 1, 1 << 7)):
        machines, bus = machines_on({})
        machines.take(ADDRESSES, 1 << 6 | 1 << 7, high)
        assert bus.written == [
            (OUT_SET, up), (OUT_CLR, (1 << 6 | 1 << 7) ^ up), (OE_SET, 1 << 6 | 1 << 7),
            (CTRL0 + 8 * 6, 5), (CTRL0 + 8 * 7, 5),
        ]  # fmt: skip
    machines, bus = machines_on({})
    machines.take(ADDRESSES, 1, 0)
    assert bus.written == [(OUT_SET, 0), (OUT_CLR, 1), (OE_SET, 1), (CTRL0, 5)]
    machines, bus = machines_on({})
    machines.give(ADDRESSES, 1 << 6 | 1 << 8 | 1)
    assert bus.written == [(CTRL0, 7), (CTRL0 + 8 * 6, 7), (CTRL0 + 8 * 8, 7)]


def test_machines_start_in_one_cycle_and_stop_without_the_others() -> None:
    machines, bus = machines_on({PIO1: 0b1001})
    machines.enable(0b0110, 0b0010)
    assert bus.written == [(FDEBUG, 1 << 25), (PIO1, 0b1111 | 0b0110 << 8)]
    machines, bus = machines_on({PIO1: 0xF0F})
    machines.enable(0b0010, 0)
    assert bus.written == [(FDEBUG, 0), (PIO1, 0b1111 | 0b0010 << 8)]
    machines, bus = machines_on({PIO1: 0xFFF})
    machines.disable(0b0110)
    assert bus.written == [(PIO1, 0b1001)]
    machines, bus = machines_on({PIO1: 0b0011})
    machines.disable(0b0110)
    assert bus.written == [(PIO1, 0b0001)]


def test_a_machine_is_rewound() -> None:
    """Parting and joining its queues empties them; then it restarts and jumps."""
    for n in (1, 2, 3):
        at = 24 * n
        joined = 1 << 30 | 0x12345
        machines, bus = machines_on({PIO1: 0xF0D, 0x503000D0 + at: joined, 0x503000D4 + at: 0x3E9})
        machines.rewind(n, 0x1005)
        assert bus.written == [
            (0x503000D0 + at, 0x12345), (0x503000D0 + at, joined), (PIO1, 0xD | 16 << n),
            (0x503000D8 + at, 0x1005),
        ]  # fmt: skip
        assert machines.place(n) == 9


def test_which_machines_found_their_queue_empty_is_told_once() -> None:
    for empty, asked, found in ((0b1111, 6, 6), (0b0100, 6, 4), (0b1001, 6, 0), (0b1000, 8, 8)):
        machines, bus = machines_on({FDEBUG: empty << 24 | 0xF0F0F})
        assert machines.starved(asked) == found
        assert bus.written == ([(FDEBUG, found << 24)] if found else [])


def test_a_machine_is_stopped_between_two_pulses_only() -> None:
    """One that begins between the look and the store goes on, and its end is waited for."""
    up, junk = 1 << 6, 1 << 7 | 1
    for levels, tries, result, stores in (
        ([0, 0], 1, 1, [0b1001]),
        ([up, up, 0, 0], 3, 1, [0b1001]),
        ([up, up], 2, 0, []),
        ([], 0, 0, []),
        ([0, up, up, 0, 0], 3, 1, [0b1001, 0b1011, 0b1001]),
        ([0, up, 0, up], 2, 0, [0b1001, 0b1011, 0b1001, 0b1011]),
    ):
        for high in (0, up):
            seen: list[int] = [(level ^ high) | junk for level in levels]
            machines, bus = machines_on({PIO1: 0xF0B, PADS: seen})
            assert machines.whole(up, high, 0b0010, tries) == result
            assert bus.written == [(PIO1, one) for one in stores] and not seen
    machines, bus = machines_on({PIO1: 0xF09, PADS: [junk, junk]})
    assert machines.whole(up, 0, 0b0011, 1) == 1  # one of them stands still already
    assert bus.written == [(PIO1, 0b1000)]
    machines, bus = machines_on({PIO1: 0xF0F, PADS: [0, 0]})
    assert machines.whole(up, 1 << 7, 0b0110, 1) == 1  # the other one's rest is not asked
    assert bus.written == [(PIO1, 0b1001)]


def test_the_watchdog_alone_is_stopped() -> None:
    machines, bus = machines_on({DOG: 0x47001234})
    machines.calm(ADDRESSES)
    assert [(at, value & 0xFFFFFFFF) for at, value in bus.written] == [(DOG, 0x07001234)]


def test_one_call_looks_at_all_inputs_and_makes_four_frames() -> None:
    """A frame of n edges has n + 6 words; what lies before its code byte and behind its last
    delimiter is left out, 2 bytes in all. The turn goes on where it ended."""
    ring, _ = pio_chip.load("ring", "wire")
    for counts, words, taken in (
        ([0, 0, 0, 5], 11, [0, 0, 0, 5]), ([5, 0, 0, 0], 11, [5, 0, 0, 0]),
        ([3 * 58, 58, 0, 0], 4 * 64, [3 * 58, 58, 0, 0]),
        ([4 * 58, 58, 0, 0], 4 * 64, [4 * 58, 0, 0, 0]), ([7, 6, 5, 4], 46, [7, 6, 5, 4]),
        ([0, 0, 0, 0], 0, [0, 0, 0, 0]),
    ):  # fmt: skip
        rings = ring.plain_rings(512)
        rings.clear(1)
        rings.pace(1, 1 << 29)
        for i, n in enumerate(counts):
            rings.write(i, array("I", [9] * n), 0, n)
        rings.now[0] = 1000
        assert rings.pack() == (4 * words - 2 if words else 0)
        assert list(rings.taken) == taken


def test_each_of_the_two_copies_to_a_frame_is_waited_for() -> None:
    """RP2040 datasheet, 2.5.7: of a channel CTRL at word 4, then READ, WRITE and COUNT, which
    starts it; busy is bit 24. Its head is copied onto itself, to be summed; then the edges."""
    (ring,) = pio_chip.load("ring")
    rings = ring.plain_rings(64)
    rings.clear(1)
    state = rings.state
    state[ring.COPIER], state[ring.BUSY], state[ring.SNIFFED] = 0x500, 1 << 24, 0x434
    rings.write(2, array("I", range(60)), 0, 60)
    rings.mark()
    memory, out = array("I", [0] * 256), array("I", [0] * 257)
    left = [0]

    class Channel(Registers):
        def __getitem__(self, at: int) -> int:
            if at != 4:
                return 0x20000000
            left[0] -= 1
            return (left[0] >= 0) << 24 | 0x23

        def __setitem__(self, at: int, value: int) -> None:
            assert left[0] < 0, "changed while it copies"
            left[0] = 5 if at == 7 else -1
            self.written.append((at, value))

    class Sum(Registers):
        def __getitem__(self, at: int) -> int:
            assert left[0] < 0, "read while it is summed"
            return 0xABCD0123

    class At(pio_chip.Words):
        def __int__(self) -> int:
            return 0x20004000 if self._view.obj is memory else 0x20008000

    left[0] = -1
    channel, sniffer = Channel({}), Sum({})
    ring.ptr32 = lambda place: {0x500: channel, 0x434: sniffer}[place] if isinstance(
        place, int) else At(place)  # fmt: skip
    assert ring._pack(state, memory, out, 4) == 64 + 8
    first, second = 0x20008000 + 4, 0x20008000 + 4 * 65
    edges = 0x20004000 + 4 * 2 * 64
    assert channel.written == [
        (5, first), (6, first), (7, 4), (5, edges), (6, first + 16), (7, 58),
        (5, second), (6, second), (7, 4), (5, edges + 4 * 58), (6, second + 16), (7, 2),
    ]  # fmt: skip
    assert sniffer.written == [(0, -1)] * 2  # a CRC-32 begins with all ones
    assert (out[63], out[64 + 7]) == (0xABCD0123, 0xABCD0123)


@pytest.mark.parametrize("first", [0, 1, 1_000, 2**30 + 7, 2**32 - 5])
@pytest.mark.parametrize("i", range(4))
def test_what_the_dma_has_written_over_while_it_was_copied_is_not_sent(i: int, first: int) -> None:
    """Ten edges wait on the one input that is captured; 54 more may come in a ring of 64, not 55.

    That is told by what is left of the order by which the DMA fills the ring.
    """
    for behind in (10, 64, 65, 1_000):
        (ring,) = pio_chip.load("ring")
        rings = ring.plain_rings(64)
        rings.clear(1)
        state = rings.state
        state[ring.WRITTEN + i], state[ring.TAKEN + i] = (first + 10) & 0xFFFFFFFF, first
        state[ring.COUNTERS + i], state[ring.BASES + i] = 0x1000, (first + 5_000) & 0xFFFFFFFF
        rings.mark()
        places = {0x1000: {0: 5_000 - behind}}
        ring.ptr32 = lambda place, p=places: (
            p[place] if isinstance(place, int) else pio_chip.Words(place)
        )
        words = ring._pack(state, rings._memory, rings.out, 4)
        sent = behind <= 64
        assert words == 16 * sent and rings.seq[0] == sent
        assert (rings.taken[i] - first) & 0xFFFFFFFF == 10 * sent
