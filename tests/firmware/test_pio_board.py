"""The firmware's own RP2 modules, app included, on the emulated chip's PIO, DMA and GPIO.

Longer than other files: one board, and all that it does.
"""

from __future__ import annotations

import random
import struct
from itertools import pairwise
from typing import Any

import pytest

import pio_chip
from firmware_board import (
    ACK,
    ALIVE,
    CONFIGURE,
    DRIVE,
    EDGES,
    HEARTBEAT,
    HELLO,
    LAMP,
    LEAVE,
    LOG,
    RENEW,
    START,
    STOP,
    command,
    drive,
    lamp,
)

MS = pio_chip.CLOCK_HZ // 1000
BENCH, BENCH_CRANK, LAMP_PIN = 6, 7, 8


class Board:
    """App and hardware, turned by the test; `turn_cycles` stands for the loop's bytecode."""

    def __init__(self, turn_cycles: int = 4_000) -> None:
        self.modules = pio_chip.load("hw_rp2", "app")
        hw_rp2, app = self.modules
        self.chip = pio_chip.CHIP
        self.hardware = hw_rp2.Hardware()
        self.app = app.App(self.hardware)
        self.line = self.hardware.link
        self.turn_cycles = turn_cycles
        self.talk = True
        self._seq = 0
        self.lease = 0
        self._said = self.chip.cycle
        self.app._hello()

    def send(self, number: int, payload: bytes = b"") -> tuple[int, str]:
        """A command and the board's answer."""
        acks = len(self.of(ACK))
        self._seq += 1
        self.line.coming += command(number, payload, self._seq)
        if number in (DRIVE, LAMP):
            self.lease = self._seq
        for _ in range(20):
            self.turn()
            if len(self.of(ACK)) > acks:
                ack = self.of(ACK)[-1]
                return ack.payload[1], ack.text
        raise AssertionError("no answer")

    def turn(self) -> None:
        if self.talk and self.chip.cycle - self._said > 200 * MS:
            self._seq += 1
            self.line.coming += command(RENEW, struct.pack("<I", self.lease), self._seq)
            self._said = self.chip.cycle
        self.app.turn()
        self.chip.run(self.turn_cycles)

    def run(self, cycles: int) -> None:
        end = self.chip.cycle + cycles
        while self.chip.cycle < end:
            self.turn()

    def of(self, number: int) -> list[Any]:
        return [frame for frame in self.line.frames() if frame.number == number]

    def counts(self) -> list[list[int]]:
        """Stamps per input from the edge frames; asserts that indices only jump by losses."""
        found: list[list[int]] = [[], [], [], []]
        index = [0, 0, 0, 0]
        jumped = [0, 0, 0, 0]
        for frame in self.line.frames():
            if frame.number == HELLO:
                found, index, jumped = [[], [], [], []], [0] * 4, [0] * 4
            if frame.number == EDGES:
                which, n, first = struct.unpack("<BBxxI", frame.payload[:8])
                jumped[which] += first - index[which]
                index[which] = first + n
                found[which] += struct.unpack(f"<{n}I", frame.payload[8:])
            if frame.number == HEARTBEAT:
                total = struct.unpack("<4I", frame.payload[8:24])
                lost = struct.unpack("<4I", frame.payload[24:40])
                for i in range(4):
                    jumped[i] += total[i] - index[i]
                    index[i] = total[i]
                assert jumped == list(lost)
        return found


def train(pin: int, start: int, end: int, low: int, high: int, rng: random.Random):
    """Random pulses on one pin."""
    edges, now = [], start
    while now < end:
        edges += [(now, pin, True), (now + rng.randint(3, 40), pin, False)]
        now += rng.randint(low, high)
    return edges


def rises(edges: list[tuple[int, int, bool]], pin: int) -> list[int]:
    return [cycle for cycle, which, level in edges if which == pin and level]


def check_stamps(stamps: list[int], cycles: list[int], offset: range) -> None:
    assert len(stamps) == len(cycles)
    errors = [3 * stamp - cycle for stamp, cycle in zip(stamps, cycles, strict=True)]
    assert max(errors) - min(errors) < 3
    assert offset.start <= -errors[0] < offset.stop


def test_edges_go_through_dma_and_frames() -> None:
    board = Board()
    assert board.hardware.rings.stuff is not None  # copied and summed by DMA
    assert board.send(START) == (0, "")
    start = board.chip.cycle
    rng = random.Random(5)
    edges = [
        edge
        for pin, gaps in ((2, (900, 1100)), (3, (50, 20_000)), (4, (60, 200)), (5, (99_999, 10**6)))
        for edge in train(pin, start + 100, start + 6 * MS, *gaps, rng)
    ]
    board.chip.schedule(edges)
    board.run(6 * MS)
    board.send(STOP)
    counts = board.counts()
    assert len(counts[2]) > 5_000
    for i, pin in enumerate((2, 3, 4, 5)):
        check_stamps(counts[i], rises(edges, pin), range(start + 1))
    last = board.of(HEARTBEAT)[-1].payload
    assert struct.unpack("<4I", last[8:24]) == tuple(len(one) for one in counts)
    assert last[40:56] == bytes(16)  # no stalls
    # Pin voltage 30000/65536 of 3.3 V, times (100 + 15) / 15.
    (supply,) = struct.unpack("<H", last[68:70])
    assert supply == pytest.approx(30_000 / 65_536 * 3_300 * 115 / 15, rel=0.002)
    # The wide time lags the counts by less than 10 us.
    (now,) = struct.unpack("<Q", last[:8])
    assert now >= max(one[-1] for one in counts if one)


def test_a_chip_whose_crc_differs_sends_what_the_program_computes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pio_chip.Sniffer, "wrong", True)
    board = Board()
    assert board.hardware.rings.stuff is None
    board.send(START)
    start = board.chip.cycle
    edges = train(3, start + 100, start + MS // 2, 300, 900, random.Random(5))
    board.chip.schedule(edges)
    board.run(MS // 2)
    board.send(STOP)
    check_stamps(board.counts()[1], rises(edges, 3), range(start + 1))
    assert any("CRC unit differs" in log.text for log in board.of(LOG))


def test_every_heartbeat_comes_after_the_edges_older_than_it() -> None:
    board = Board(turn_cycles=20_000)
    board.app.rings.pace(800_000, 20_000)  # every 0.5 ms, to have some
    board.send(START)
    start = board.chip.cycle
    edges = train(3, start + 10, start + 6 * MS, 30, 3_000, random.Random(6))
    board.chip.schedule(edges)
    board.run(6 * MS)
    board.send(STOP)
    everything = board.counts()[1]
    sent = beats = 0
    for frame in board.line.frames():
        if frame.number == EDGES:
            sent += frame.payload[1]
        if frame.number == HEARTBEAT:
            (now,) = struct.unpack("<Q", frame.payload[:8])
            beats += 1
            assert sent >= sum(count < now for count in everything)
    assert beats > 5


def test_orders_of_the_dma_are_renewed_without_loss() -> None:
    board = Board(turn_cycles=500)
    board.hardware._order = 5_000  # below the limit: renewed in every turn
    board.send(START)
    start = board.chip.cycle
    edges = train(3, start + 10, start + 2 * MS, 300, 900, random.Random(7))
    board.chip.schedule(edges)
    board.run(2 * MS)
    board.send(STOP)
    check_stamps(board.counts()[1], rises(edges, 3), range(start + 1))
    assert struct.unpack("<4I", board.of(HEARTBEAT)[-1].payload[40:56]) == (0, 0, 0, 0)


def test_a_closed_line_costs_counted_edges_only() -> None:
    board = Board()
    board.send(START)
    start = board.chip.cycle
    edges = train(3, start + 10, start + 3 * MS, 60, 140, random.Random(8))
    board.chip.schedule(edges)
    board.run(MS // 5)
    board.line.open = False
    board.run(5 * MS // 2)
    board.line.open = True
    board.run(MS)
    board.send(STOP)
    found = board.counts()[1]
    lost = struct.unpack("<4I", board.of(HEARTBEAT)[-1].payload[24:40])[1]
    assert lost > 500
    assert len(found) + lost == len(rises(edges, 3))
    assert sorted(found) == found


def test_a_full_queue_is_counted_as_stall() -> None:
    board = Board()
    board.send(START)
    board.hardware._dma[1].active(0)  # nobody empties the queue of clamp A
    start = board.chip.cycle
    board.chip.schedule(train(3, start + 10, start + MS // 2, 300, 900, random.Random(9)))
    board.run(MS)
    board.send(STOP)
    stalls = struct.unpack("<4I", board.of(HEARTBEAT)[-1].payload[40:56])
    assert stalls[1] > 0
    assert stalls[0] == stalls[2] == stalls[3] == 0


def test_configured_inputs_and_polarity_and_a_second_session() -> None:
    board = Board()
    assert board.send(CONFIGURE, bytes((0b0110, 0b0010))) == (0, "")
    for _ in range(2):
        board.send(START)
        start = board.chip.cycle
        rng = random.Random(10)
        edges = [
            edge
            for pin in (2, 3, 4, 5)
            for edge in train(pin, start + 100, start + MS // 2, 5_000, 9_000, rng)
        ]
        board.chip.schedule(edges)
        board.run(MS)
        board.send(STOP)
        counts = board.counts()
        assert counts[0] == counts[3] == []
        falls = [cycle for cycle, pin, level in edges if pin == 3 and not level]
        check_stamps(counts[1], falls, range(board.chip.cycle))
        check_stamps(counts[2], rises(edges, 4), range(board.chip.cycle))


def test_both_flanks_of_the_trigger_beside_one_of_the_others() -> None:
    board = Board()
    result, reason = board.send(CONFIGURE, bytes((15, 0b0001, 0b1000)))
    assert result == 3
    assert "the same edge" in reason  # the block has no room for all three programs
    for falling in (0b0111, 0b1000, 0):
        assert board.send(CONFIGURE, bytes((15, falling, 0b1000))) == (0, "")
        board.send(START)
        start = board.chip.cycle
        rng = random.Random(12)
        edges = [
            edge
            for pin, gaps in ((2, (900, 1_100)), (5, (300, 9_000)))
            for edge in train(pin, start + 100, start + MS // 2, *gaps, rng)
        ]
        board.chip.schedule(edges)
        board.run(MS)
        board.send(STOP)
        counts = board.counts()
        flanks = [cycle for cycle, pin, _ in edges if pin == 5]
        levels = [level for _, pin, level in edges if pin == 5]
        assert [bool(count & 1) for count in counts[3]] == levels
        errors = [3 * (n >> 1) - cycle for n, cycle in zip(counts[3], flanks, strict=True)]
        assert max(errors) - min(errors) < 9  # pulses of 3 cycles among them
        mine = [cycle for cycle, pin, level in edges if pin == 2 and level == (not falling & 1)]
        check_stamps(counts[0], mine, range(board.chip.cycle))
        marks = {frame.payload[0]: frame.payload[2] for frame in board.of(EDGES)}
        assert marks == {0: 0, 3: 1}
    assert board.send(CONFIGURE, bytes((15, 0b1010))) == (0, "")  # as a host of version 1 says it
    assert board.hardware.both == 0


def test_what_is_missing_is_said_once() -> None:
    board = Board()
    board.run(MS // 10)
    assert board.of(LOG) == []  # nobody there to hear it
    board.send(ALIVE)
    board.run(MS // 10)
    assert [log.text for log in board.of(LOG)] == ["no display found: going on without one"]


def test_a_display_is_looked_for_only_where_its_lines_are_held_up() -> None:
    board = Board()
    looked = []
    panel = type("Panel", (), {"find": staticmethod(lambda: looked.append("panel"))})
    before = pio_chip.sys.modules.get("panel")
    pio_chip.sys.modules["panel"] = panel  # type: ignore[assignment]
    try:
        assert board.hardware._find_meter() is None
        board.chip.rp2040.gpio[16].set_input_value(True)
        assert board.hardware._find_meter() is None
        assert looked == []
        board.chip.rp2040.gpio[17].set_input_value(True)
        assert board.hardware._find_meter() is None  # nothing answers
        assert looked == ["panel"]
    finally:
        if before is None:
            del pio_chip.sys.modules["panel"]
        else:
            pio_chip.sys.modules["panel"] = before


def run_until_left(board: Board, data: bytes) -> None:
    pio_chip.INTERRUPT_CHARACTERS.clear()
    board.line.coming += data
    board.app.run()
    # Ctrl-C is data for as long as the loop runs, and an interrupt again at the prompt.
    assert pio_chip.INTERRUPT_CHARACTERS == [-1, 3]
    assert not board.app.running


def test_leave_and_the_knock_of_other_tools_lead_to_the_prompt() -> None:
    run_until_left(Board(), command(LEAVE))
    board = Board()
    run_until_left(board, b"\r\x03\r\x01")
    assert board.line.coming == b"\r\x01"  # left for the prompt to read
    assert board.of(ACK) == []
    # A piece of a frame that nobody finished does not get in the way.
    board = Board()
    board.line.coming += b"\x02\x11\x03\x0d\x03"
    board.turn()
    assert board.app.running
    board.chip.run(200 * MS)
    run_until_left(board, b"\x03")


def test_ctrl_c_is_data_while_a_host_streams() -> None:
    board = Board()
    board.send(START)
    board.line.coming += b"\x03"
    board.turn()
    assert board.app.running
    board.chip.cycle += 4_000 * MS  # the host has gone
    board.line.coming += b"\0\x03"
    board.turn()
    assert not board.app.running


def test_button_a_alone_holds_the_board_back() -> None:
    board = Board()
    wants = board.modules[0].Hardware.wants_prompt
    gpio = board.chip.rp2040.gpio
    assert not wants()
    gpio[14].set_input_value(False)
    assert wants()
    gpio[15].set_input_value(False)  # both low: no buttons, or an emulator without pull-ups
    assert not wants()


# Outputs


def test_trigger_and_crank_are_exact_and_in_phase() -> None:
    board = Board()
    board.send(START)
    bench, crank = board.chip.watch(BENCH), board.chip.watch(BENCH_CRANK)
    board.chip.wires = {BENCH: [5, 3, 4], BENCH_CRANK: [2]}
    order = drive(15_000_000, 15_000_000, width_us=100, firings=4, turns=2, teeth=1)
    assert board.send(DRIVE, order) == (0, "")
    board.run(33 * MS)
    # 15 000 rev/min: 4 ms per revolution, two triggers in each.
    ups = [cycle for cycle, level in bench if level]
    downs = [cycle for cycle, level in bench if not level]
    teeth = [cycle for cycle, level in crank if level]
    assert len(ups) >= 15
    assert {b - a for a, b in pairwise(ups)} == {250_000}
    assert {b - a for a, b in pairwise(teeth)} == {500_000}
    assert {b - a for a, b in zip(ups, downs, strict=False)} == {12_500}
    assert set(teeth) <= set(ups)
    board.send(STOP)
    counts = board.counts()
    # Looped back: equal stamps on the three inputs, 250 000 cycles apart to one tick.
    assert counts[3] == counts[1] == counts[2]
    assert {b - a for a, b in pairwise(counts[3])} <= {83_333, 83_334}
    driven = [struct.unpack("<I", beat.payload[56:60])[0] for beat in board.of(HEARTBEAT)]
    assert driven[-1] == len(ups)


def test_missing_tooth_wheel() -> None:
    board = Board()
    board.send(START)
    crank = board.chip.watch(BENCH_CRANK)
    assert board.send(DRIVE, drive(20_000_000, 20_000_000, firings=0, teeth=60, missing=2))[0] == 0
    board.run(10 * MS)
    ups = [cycle for cycle, level in crank if level]
    gaps = [b - a for a, b in pairwise(ups)]
    # 375 000 cycles per revolution, 6250 per tooth; the last tooth comes 4 cycles late.
    assert gaps[:58] == [6_250] * 56 + [6_254, 3 * 6_250 - 4]
    assert sum(gaps[:58]) == 375_000
    assert gaps[58:116] == gaps[:58]
    assert board.of(HEARTBEAT)[-1].payload[-1] in (0, 2)


def test_active_low_pulses_rest_high() -> None:
    board = Board()
    board.send(START)
    bench = board.chip.watch(BENCH)
    order = drive(20_000_000, 20_000_000, width_us=300, firings=2, turns=1, active_low=1)
    assert board.send(DRIVE, order) == (0, "")
    board.run(8 * MS)
    downs = [cycle for cycle, level in bench if not level]
    assert bench[0][1]  # first to the inactive level
    ups = [cycle for cycle, level in bench[1:] if level]
    assert {b - a for a, b in zip(downs, ups, strict=False)} == {37_500}
    assert {b - a for a, b in pairwise(downs)} == {187_500}
    board.send(STOP)
    board.chip.run(MS)
    # High is where such a module does nothing, after the stop too.
    assert bench[-1] == (bench[-1][0], True)
    assert board.chip.level(BENCH)
    # The next order says otherwise: the pin goes to its new rest before the first pulse.
    board.send(START)
    assert board.send(DRIVE, drive(width_us=300)) == (0, "")
    assert not bench[-2][1] or not bench[-1][1]
    board.send(STOP)
    assert not board.chip.level(BENCH)


def test_a_train_waits_for_the_rest_of_another_only() -> None:
    """wire.md: 2 ms of rest between two trains."""
    rest = 2 * MS - MS // 1000  # by a clock in steps of 1 µs
    board = Board()
    board.send(START)
    bench = board.chip.watch(BENCH)

    def first_pulse(active_low: int) -> int:
        """Cycles of rest before it."""
        since = board.chip.cycle
        assert board.send(DRIVE, drive(width_us=300, active_low=active_low)) == (0, "")
        board.run(3 * MS)
        edges = [(cycle, level) for cycle, level in bench if cycle >= since]
        at = next(cycle for cycle, level in edges if level != bool(active_low))
        return at - max([cycle for cycle, _ in bench if cycle < at], default=since)

    board.run(3 * MS)
    assert first_pulse(0) < MS
    board.send(DRIVE, drive(0, 0))
    assert first_pulse(0) >= rest
    board.send(DRIVE, drive(0, 0))
    board.run(5 * MS)
    assert first_pulse(1) >= rest  # low was no rest for this one
    board.send(STOP)


def test_an_order_for_the_wheel_alone_leaves_the_lamp_and_moves_the_trigger_to_its_rest() -> None:
    """Active low: high is its rest, though no pulse of it is ordered. The lamp flashes on."""
    board = Board()
    board.send(START)
    flashes = board.chip.watch(LAMP_PIN)
    start, turn = board.chip.cycle, 400_000
    board.chip.schedule([
        edge for k in range(16)
        for edge in ((start + k * turn, 2, True), (start + k * turn + 5_000, 2, False))
    ])  # fmt: skip
    assert board.send(LAMP, lamp(angle_mdeg=90_000, flash_us=50)) == (0, "")
    board.run(7 * turn)
    before = len(flashes)
    assert before >= 6 and not board.chip.level(BENCH)
    assert board.send(DRIVE, drive(firings=0, teeth=12, active_low=1)) == (0, "")
    board.run(8 * turn)
    assert len(flashes) >= before + 12
    assert board.chip.level(BENCH) and board.hardware.outputs == 6
    board.send(STOP)


def test_steps_and_ramps_are_made_without_a_glitch() -> None:
    board = Board()
    board.send(START)
    bench = board.chip.watch(BENCH)
    board.send(DRIVE, drive(12_000_000, 12_000_000, width_us=200, firings=1, turns=1))
    board.run(12 * MS)
    board.send(DRIVE, drive(15_000_000, 15_000_000, width_us=200, firings=1, turns=1))
    board.run(12 * MS)
    board.send(DRIVE, drive(15_000_000, 20_000_000, 20, width_us=200, firings=1, turns=1))
    board.run(55 * MS)
    ups = [cycle for cycle, level in bench if level]
    downs = [cycle for cycle, level in bench if not level]
    gaps = [b - a for a, b in pairwise(ups)]
    # 625 000 and 500 000 cycles for the two speeds, then evenly faster to 375 000.
    steps = list(dict.fromkeys(gaps))
    assert steps[:2] == [625_000, 500_000]
    assert steps[-1] == 375_000
    assert gaps == sorted(gaps, reverse=True)
    assert 4 <= len(steps) <= 9
    # Never a short or a long pulse.
    assert {b - a for a, b in zip(ups, downs, strict=False)} == {25_000}


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (drive(19_000, 19_000), "the slowest bench speed is 20 rev/min"),
        (drive(width_us=0), "width_us is 0"),
        (drive(6_000_000, 6_000_000, width_us=3_501), "at most 70 % of the 5000 us"),
        (drive(teeth=3, missing=3), "missing is 3, must be less than teeth, 3"),
        (drive(width_us=15_001, firings=1), "must be at most 15000 for this load, inductive"),
        (drive(width_us=20_001, firings=1, load=1), "at most 20000 for this load, capacitive"),
        (drive(14_000_000, 14_000_000, width_us=50, firings=32, turns=1), "at most 6000 are"),
    ],
)
def test_impossible_pulses_are_refused(payload: bytes, reason: str) -> None:
    board = Board()
    board.send(START)
    result, text = board.send(DRIVE, payload)
    assert result == 3
    assert reason in text
    assert board.hardware.outputs == 0


def everything_on(board: Board) -> None:
    board.send(START)
    order = drive(18_000_000, 18_000_000, width_us=1_000, firings=2, turns=1, teeth=1)
    assert board.send(DRIVE, order) == (0, "")
    assert board.send(LAMP, lamp()) == (0, "")
    board.chip.wires = {BENCH_CRANK: [2]}
    assert board.hardware.outputs == 7
    board.run(12 * MS)


def off_for_good(board: Board) -> None:
    """All three low now, and they stay low while the chip goes on."""
    for pin in (BENCH, BENCH_CRANK, LAMP_PIN):
        assert not board.chip.level(pin)
    changes = [board.chip.watch(pin) for pin in (BENCH, BENCH_CRANK, LAMP_PIN)]
    before = [len(change) for change in changes]
    board.chip.run(8 * MS)
    assert [len(change) for change in changes] == before
    assert board.hardware.outputs == 0


def test_outputs_are_off_at_boot() -> None:
    board = Board()
    for pin in (BENCH, BENCH_CRANK, LAMP_PIN):
        assert board.chip.rp2040.gpio[pin].output_enable
    off_for_good(board)


def test_outputs_are_off_after_stop() -> None:
    board = Board()
    everything_on(board)
    board.send(STOP)
    off_for_good(board)


def test_outputs_are_off_after_a_fault() -> None:
    board = Board()
    everything_on(board)

    def broken() -> int:
        raise RuntimeError("broken")

    board.hardware.supply_mv = broken
    board.app.rings.mark()
    with pytest.raises(RuntimeError):
        board.run(MS)
    board.app._recover(RuntimeError("broken"))  # what run() does with it
    off_for_good(board)
    assert "broken" in board.of(LOG)[-1].text


def silence(board: Board) -> None:
    """The last renewal, then most of a second without running the peripherals."""
    board.send(RENEW, struct.pack("<I", board.lease))
    board.talk = False
    board.chip.cycle += 800 * MS


def test_outputs_are_off_within_a_second_of_silence() -> None:
    board = Board(turn_cycles=100_000)
    everything_on(board)
    heard = board.chip.cycle
    silence(board)
    board.run(20 * MS)
    assert board.hardware.outputs == 7
    while board.hardware.outputs:
        board.turn()
    assert board.chip.cycle - heard < 1_000 * MS
    off_for_good(board)


def test_outputs_are_off_even_when_the_loop_stands_still() -> None:
    board = Board(turn_cycles=20_000)
    everything_on(board)
    heard = board.chip.cycle
    silence(board)
    while board.hardware.outputs:
        board.chip.run(10 * MS)  # no turn of the loop: the timer alone
    assert board.chip.cycle - heard < 1_000 * MS
    off_for_good(board)
    for _ in range(4):  # what waits goes first
        board.turn()
    assert "outputs are off" in board.of(LOG)[-1].text


# Lamp


def test_lamp_at_an_angle_from_a_single_pulse() -> None:
    board = Board()
    board.send(START)
    flashes = board.chip.watch(LAMP_PIN)
    start = board.chip.cycle
    turn = 400_000  # cycles
    edges = [
        edge
        for k in range(12)
        for edge in ((start + k * turn, 2, True), (start + k * turn + 5_000, 2, False))
    ]
    board.chip.schedule(edges)
    assert board.send(LAMP, lamp(angle_mdeg=90_000, flash_us=50)) == (0, "")
    board.run(12 * turn)
    ups = [cycle for cycle, level in flashes if level]
    downs = [cycle for cycle, level in flashes if not level]
    assert len(ups) >= 8
    places = [(cycle - start) % turn for cycle in ups]
    # A quarter of the revolution, to the rounding of the delay (360 ticks of 3 cycles).
    assert all(abs(place - turn // 4) < 400 for place in places)
    assert max(places) - min(places) <= 6
    assert {down - up for up, down in zip(ups, downs, strict=False)} == {6_250}
    revolutions = [(cycle - start) // turn for cycle in ups]
    assert len(set(revolutions)) == len(revolutions)


def test_lamp_counts_teeth_of_a_wheel() -> None:
    board = Board(turn_cycles=2_000)
    board.send(START)
    flashes = board.chip.watch(LAMP_PIN)
    start = board.chip.cycle + 1_000
    turn, teeth = 720_000, 12
    edges = [
        (start + (k * teeth + tooth) * turn // teeth + after, 2, level)
        for k in range(9)
        for tooth in range(teeth - 1)
        for after, level in ((0, True), (9_000, False))
    ]
    board.chip.schedule(edges)
    order = lamp(teeth=12, missing=1, angle_mdeg=200_000, flash_us=20)
    assert board.send(LAMP, order) == (0, "")
    board.run(9 * turn)
    ups = [cycle for cycle, level in flashes if level]
    assert len(ups) >= 5
    for cycle in ups:
        assert abs((cycle - start) % turn - turn * 200 // 360) < 600
    revolutions = [(cycle - start) // turn for cycle in ups]
    assert len(set(revolutions)) == len(revolutions)


@pytest.mark.parametrize(("teeth", "missing"), [(1, 0), (6, 1)])
def test_flashes_left_out_while_the_board_was_held_up_are_counted(teeth: int, missing: int) -> None:
    """wire.md, driving, dropped: revolutions without a flash though the crank was known."""
    board = Board(turn_cycles=3_000)
    board.send(START)
    flashes = board.chip.watch(LAMP_PIN)
    start, turn = board.chip.cycle + 1_000, 360_000
    edges = [
        (start + k * turn + tooth * turn // teeth + after, 2, level)
        for k in range(18)
        for tooth in range(teeth - missing)
        for after, level in ((0, True), (5_000, False))
    ]
    board.chip.schedule(edges)
    order = lamp(teeth=teeth, missing=missing, angle_mdeg=150_000, flash_us=20)
    assert board.send(LAMP, order) == (0, "")
    dropped = board.hardware.told
    board.run(7 * turn)
    assert dropped[1] == 0 and flashes
    board.chip.run(5 * turn)  # the loop stands still
    board.run(5 * turn)
    lit = [(cycle - start) // turn for cycle, level in flashes if level]
    for cycle, level in flashes:
        assert not level or abs((cycle - start) % turn - turn * 150 // 360) < 600
    left_out = lit[-1] - lit[0] + 1 - len(lit)
    assert len(lit) == len(set(lit)) and left_out >= 2
    assert dropped[1] == left_out


@pytest.mark.parametrize("every", [6, 9])  # at 9 ms its rest ends amid an event
def test_lamp_flashes_on_the_first_spark_only(every: int) -> None:
    board = Board(turn_cycles=2_000)
    board.send(START)
    flashes = board.chip.watch(LAMP_PIN)
    start = board.chip.cycle + 100_000
    # Every so many ms four sparks, 1 ms apart; no crank.
    firsts = [start + every * MS * k for k in range(9)]
    edges = [
        (first + MS * spark + after, 3, level)
        for first in firsts
        for spark in range(4)
        for after, level in ((0, True), (2_000, False))
    ]
    board.chip.schedule(edges)
    assert board.send(LAMP, lamp(mode=2, source=1, flash_us=30)) == (0, "")
    board.run(9 * every * MS)
    ups = [cycle for cycle, level in flashes if level]
    # Not more often than every 10 ms when the crank is not known: every other event, none left out.
    assert len(ups) == 4
    for cycle, first in zip(ups, firsts[2::2], strict=True):
        assert abs(cycle - first) < 20
    assert min(b - a for a, b in pairwise(ups)) >= 10 * MS
