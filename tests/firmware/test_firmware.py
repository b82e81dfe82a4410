"""The whole firmware under the real MicroPython, over a pseudo-terminal, in a world of the test."""

from __future__ import annotations

import itertools
import os
import select
import struct
import time

import pytest

from firmware_board import (
    ACK,
    ALIVE,
    CONFIGURE,
    DRIVE,
    DRIVING,
    EDGES,
    HEARTBEAT,
    HELLO,
    IDENTIFY,
    LAMP,
    LEAVE,
    LOG,
    RENEW,
    START,
    STOP,
    TICKS_PER_MS,
    World,
    command,
    counts_received,
    drive,
    lamp,
    running,
)

OP_DRIVE, OP_LAMP, OP_OFF, OP_SESSION, OP_CONFIGURE = 2, 3, 4, 5, 6
STREAMING = b"\x01"


def quiet(ticks: int):
    """A world without edges that goes on by this much per step."""
    return lambda _time: (ticks, [[], [], [], []])


def wheel(periods: tuple[int, int, int, int], ticks: int):
    """A world with edges at multiples of a period on each input (0: none)."""

    def step(now: int) -> tuple[int, list[list[int]]]:
        edges = []
        for period in periods:
            first = -(-now // period) * period if period else 0
            edges.append(list(range(first, now + ticks, period)) if period else [])
        return ticks, edges

    return step


def session_of(board) -> int:
    """Session of the last hello."""
    return board.of(HELLO)[-1].session


def test_hello_at_boot_and_on_identify() -> None:
    with running(World(quiet(TICKS_PER_MS))) as board:
        first = board.wait(HELLO)
        assert first.seq == 0
        protocol, major, minor, patch, state, tick_ps, clock_hz = struct.unpack(
            "<HBBBBII", first.payload[:14]
        )
        assert (protocol, major, minor, patch, state) == (2, 0, 1, 0, 0)
        # One count is three cycles of the clock.
        assert tick_ps * clock_hz == 3 * 10**12
        assert first.payload[66:].decode().startswith("unix port")
        # The limits of the outputs, as the firmware's own table has them.
        limits = struct.unpack("<HHH2H2H2H2H2HHHB", first.payload[35:66])
        assert limits == (900, 6000, 45000, 15000, 20000, 700, 750, 810, 900, 36100, 51100,
                          500, 750, 200, 50, 0)  # fmt: skip
        assert board.ask(IDENTIFY) == (0, "")
        assert [frame.seq for frame in board.frames] == [0, 1, 2]
        assert board.frames[1].payload == first.payload


def test_every_edge_arrives_with_its_time() -> None:
    world = World(wheel((2_000, 40_000, 0, 777_777), 2 * TICKS_PER_MS), fast=True)
    with running(world) as board:
        assert board.ask(START) == (0, "")
        session = session_of(board)
        board.pump(1.0)
        assert board.ask(STOP) == (0, "")
        assert counts_received(board, session) == world.delivered
        assert len(world.delivered[0]) > 10_000
        seqs = [frame.seq for frame in board.frames if frame.session == session]
        assert seqs == list(range(len(seqs)))
        beats = [struct.unpack("<Q", frame.payload[:8])[0] for frame in board.of(HEARTBEAT)]
        assert beats[0] < 5 * TICKS_PER_MS
        assert beats[-1] == world.time
        steps = [later - earlier for earlier, later in itertools.pairwise(beats)]
        assert all(99 * TICKS_PER_MS < step < 130 * TICKS_PER_MS for step in steps[:-1])


def test_edges_older_than_a_heartbeat_came_before_it() -> None:
    world = World(wheel((50_000, 3_333, 90_001, 0), TICKS_PER_MS), fast=True)
    with running(world) as board:
        board.ask(START)
        session = session_of(board)
        board.wait(HEARTBEAT, lambda _: len(board.of(HEARTBEAT)) > 11, 60)
        board.ask(STOP)
        newest = [0, 0, 0, 0]
        sent = [0, 0, 0, 0]
        beats = 0
        for frame in board.frames:
            if frame.session == session and frame.number == EDGES:
                which, n = frame.payload[0], frame.payload[1]
                sent[which] += n
                newest[which] = struct.unpack("<I", frame.payload[-4:])[0]
            if frame.session == session and frame.number == HEARTBEAT:
                beats += 1
                (now,) = struct.unpack("<Q", frame.payload[:8])
                for which in range(3):
                    older = sum(count < now for count in world.delivered[which])
                    assert sent[which] >= older
        assert beats > 10


def test_silence_longer_than_a_wrap_and_the_wrap_itself() -> None:
    # Half a minute of engine time per step: 2^32 ticks are 103 s.
    minute = 60_000 * TICKS_PER_MS
    world = World(wheel((0, 0, 7 * minute + 12_345, minute // 3), minute // 2), fast=True)
    with running(world) as board:
        board.ask(START)
        session = session_of(board)
        board.wait(HEARTBEAT, lambda beat: struct.unpack("<Q", beat.payload[:8])[0] > 30 * minute)
        board.ask(STOP)
        assert world.time > 4 * 2**32
        assert counts_received(board, session) == world.delivered
        assert len(world.delivered[2]) >= 4


def test_a_host_that_does_not_read_costs_counted_edges_only() -> None:
    world = World(wheel((5_000, 20_000, 0, 100_000), TICKS_PER_MS))
    with running(world) as board:
        board.ask(START)
        session = session_of(board)
        board.pump(0.3)
        time.sleep(1.5)  # the line is full after some 4 KB, the ring after 2048 edges
        board.pump(0.5)
        board.ask(STOP)
        received = counts_received(board, session)  # asserts that gaps equal the losses counted
        lost = struct.unpack("<4I", board.of(HEARTBEAT, session)[-1].payload[24:40])
        assert lost[0] > 2_000
        for got, true, gone in zip(received, world.delivered, lost, strict=True):
            assert len(true) == len(got) + gone
            assert set(got) <= set(true)


def test_a_new_session_starts_from_nothing() -> None:
    world = World(wheel((9_000, 0, 0, 0), TICKS_PER_MS))
    with running(world) as board:
        board.ask(START)
        board.pump(0.3)
        board.ask(STOP)
        first = session_of(board)
        board.ask(START)
        second = session_of(board)
        assert first != second
        board.pump(0.3)
        board.ask(STOP)
        assert counts_received(board, second) == world.delivered
        assert board.of(HELLO, second)[0].seq == 0


@pytest.mark.parametrize(
    ("number", "payload", "result", "reason"),
    [
        (99, b"", 1, "unknown command 99"),
        (HELLO, b"", 1, "unknown command 1"),
        (CONFIGURE, b"\x0f", 2, "command too short: 9 of 10 bytes"),
        (CONFIGURE, b"\x00\x00", 3, "enabled is 0, must be 1 to 15"),
        (CONFIGURE, b"\x01\x10", 3, "falling is 16, must be 0 to 15"),
        (DRIVE, drive(), 4, "outputs work only while streaming: start first"),
        (LAMP, lamp(), 4, "outputs work only while streaming: start first"),
    ],
)
def test_refusals_while_idle(number: int, payload: bytes, result: int, reason: str) -> None:
    with running(World(quiet(TICKS_PER_MS))) as board:
        assert board.ask(number, payload) == (result, reason)
        assert board.ask(ALIVE) == (0, "")


def test_refusals_while_streaming() -> None:
    world = World(quiet(TICKS_PER_MS))
    with running(world) as board:
        board.ask(START)
        assert board.ask(CONFIGURE, b"\x0f\x00")[0] == 4
        for payload, word in (
            (drive(rpm_to=20_000_001), "rpm_to"),
            (drive(ramp_ms=600_001), "ramp_ms"),
            (drive(turns=3), "turns"),
            (drive(firings=33), "firings"),
            (drive(rpm_from=2**32 - 1), "rpm_from is 4294967295"),
            (drive(missing=4), "missing"),
            (drive(teeth=2, missing=2), "missing is 2, must be less than teeth, 2"),
            (drive(19_999, 19_999), "the slowest bench speed is 20 rev/min"),
            (drive(width_us=0), "width_us is 0"),
            (drive(6_000_000, 6_000_000, width_us=3_501), "70 % of the 5000 us between pulses at"),
            (drive()[:-4], "too short"),
        ):
            result, reason = board.ask(DRIVE, payload)
            assert result in (2, 3)
            assert word in reason
        assert board.ask(LAMP, lamp(flash_us=1))[1] == "flash_us is 1, must be 2 to 200"
        assert board.ask(LAMP, lamp(angle_mdeg=360_000))[0] == 3
        assert not any(op in (OP_DRIVE, OP_LAMP) for _, op, _ in world.records)
        # A crank of both flanks would be counted twice: the lamp would flash at a wrong angle.
        assert board.ask(STOP) == (0, "")
        assert board.ask(CONFIGURE, b"\x0f\x00\x01") == (0, "")
        assert board.ask(START) == (0, "")
        assert board.ask(LAMP, lamp())[1] == "the lamp counts one flank of the crank, not both"
        # Off is always allowed, whatever the other fields hold.
        assert board.ask(DRIVE, bytes(24)) == (0, "")
        assert board.ask(LAMP, bytes(12)) == (0, "")


def test_configure_is_passed_on_and_said_in_hello() -> None:
    world = World(quiet(TICKS_PER_MS))
    with running(world) as board:
        assert board.ask(CONFIGURE, b"\x05\x04") == (0, "")
        time.sleep(0.1)  # the world reads in its own time
        assert world.records[-1][1:] == (OP_CONFIGURE, b"\x05\x04" + bytes(26))
        board.ask(IDENTIFY)
        assert board.of(HELLO)[-1].payload[14:16] == b"\x05\x04"


def test_damaged_frames_from_the_host_are_not_answered() -> None:
    with running(World(quiet(TICKS_PER_MS))) as board:
        board.wait(HELLO)
        good = command(IDENTIFY, seq=7)
        broken = bytearray(good)
        broken[3] ^= 0x40
        os.write(board.slave, bytes(broken) + b"\0\0" + b"x" * 700 + b"\0" + good[:5] + b"\0")
        board.pump(0.3)
        assert len(board.frames) == 1
        os.write(board.slave, good)
        ack = board.wait(ACK)
        assert struct.unpack("<BBHI", ack.payload) == (IDENTIFY, 0, 0, 7)


def outputs_on(board) -> None:
    """Start, drive and flash; asserts that the board says so."""
    board.ask(START)
    assert board.ask(DRIVE, drive(teeth=60, missing=2)) == (0, "")
    assert board.ask(LAMP, lamp()) == (0, "")
    board.wait(HEARTBEAT, lambda beat: beat.payload[-1] == 7)


def last_outputs(world: World) -> int:
    """The last record that says something about outputs."""
    time.sleep(0.1)  # the world reads in its own time
    return [op for _, op, _ in world.records if op in (OP_DRIVE, OP_LAMP, OP_OFF)][-1]


def test_outputs_are_off_at_boot() -> None:
    world = World(quiet(TICKS_PER_MS))
    with running(world) as board:
        board.wait(HELLO)
        assert world.records[0][1] == OP_OFF


def test_outputs_go_on_and_off_with_stop() -> None:
    world = World(quiet(TICKS_PER_MS))
    with running(world) as board:
        outputs_on(board)
        assert [op for _, op, _ in world.records][-2:] == [OP_DRIVE, OP_LAMP]
        board.ask(STOP)
        assert last_outputs(world) == OP_OFF
        assert board.of(HEARTBEAT)[-1].payload[-1] == 0


def test_outputs_off_within_a_second_of_host_silence() -> None:
    world = World(quiet(TICKS_PER_MS))
    with running(world) as board:
        outputs_on(board)
        lease = struct.pack("<I", board.asked)
        for _ in range(8):  # as long as the host renews, they stay on
            assert board.ask(RENEW, lease) == (0, "")
            board.pump(0.25)
        assert last_outputs(world) != OP_OFF
        seq = board.send(RENEW, lease)
        board.wait(ACK, lambda ack: ack.payload[4:8] == struct.pack("<I", seq))
        silent = time.monotonic()
        while time.monotonic() < silent + 1.3:  # other words of the host keep nothing on
            board.ask(ALIVE)
            board.pump(0.1)
        off = next(when for when, op, _ in reversed(world.records) if op == OP_OFF)
        assert 0.5 < off - silent <= 1.0
        assert "outputs are off" in board.wait(LOG).text
        assert board.of(HEARTBEAT)[-1].payload[-2:] == STREAMING + b"\0"
        # wire.md, driving: bit 0 of `cut`, since start; said when it is news, and only then.
        board.ask(START)
        board.pump(0.3)
        assert [frame.payload for frame in board.of(DRIVING)] == [struct.pack("<HHB3x", 0, 0, 1)]


def test_an_order_after_a_long_silence_has_not_waited_in_the_line() -> None:
    """wire.md: an order counts from when nothing was waiting: here, just before it came."""
    with running(World(quiet(TICKS_PER_MS))) as board:
        board.ask(START)
        board.pump(1.5)
        assert board.ask(DRIVE, drive()) == (0, "")
        board.wait(HEARTBEAT, lambda beat: beat.payload[-1] == 1)
        assert not board.of(DRIVING)


def test_outputs_off_when_the_host_neither_speaks_nor_reads() -> None:
    world = World(wheel((2_000, 2_000, 0, 0), TICKS_PER_MS))
    with running(world) as board:
        outputs_on(board)
        silent = time.monotonic()
        time.sleep(1.3)
        off = next(when for when, op, _ in reversed(world.records) if op == OP_OFF)
        assert off - silent <= 1.05


def test_outputs_off_on_leave_and_on_interrupt() -> None:
    for interrupt in (False, True):
        world = World(quiet(TICKS_PER_MS))
        with running(world) as board:
            outputs_on(board)
            if interrupt:
                board.process.send_signal(2)
            else:
                assert board.ask(LEAVE) == (0, "")
            board.process.wait(timeout=5)
            assert last_outputs(world) == OP_OFF
            assert interrupt or board.process.returncode == 0


FAULTY = """
from app import App
from hw_unix import Hardware
class Faulty(Hardware):
    def supply_mv(self):
        if self.outputs == 7:
            self.turns += 1
            if self.turns > 3:
                raise ValueError("supply converter gone")
        return 9000
    turns = 0
App(Faulty()).run()
"""


def test_a_fault_switches_off_and_leaves_the_board_reachable() -> None:
    world = World(quiet(TICKS_PER_MS))
    with running(world, FAULTY) as board:
        outputs_on(board)
        log = board.wait(LOG)
        assert log.payload[0] == 2
        assert "ValueError supply converter gone" in log.text
        assert last_outputs(world) == OP_OFF
        assert board.ask(IDENTIFY) == (0, "")
        assert board.of(HELLO)[-1].payload[5] == 0  # idle
        assert board.ask(START) == (0, "")


FROZEN = """
import gc, sys
from app import App
from hw_unix import Hardware
class Counting(App):
    obeyed = 0
    def _obey(self, size):
        self.obeyed += 1
        App._obey(self, size)
app = Counting(Hardware())
app._hello()
while app.state == 0:
    app.turn()
for _ in range(300):
    app.turn()
before = turns = 0
beats = app._since_us
gc.collect()
gc.disable()
before = gc.mem_alloc()
while turns < 6000 or app.obeyed < 25:  # a fast machine has its turns done before the host's words
    app.turn()
    turns += 1
grown = gc.mem_alloc() - before
print(grown, app._since_us != beats, file=sys.stderr)
app.run()
"""


@pytest.mark.parametrize("fast", [True, False])
def test_streaming_does_not_allocate(fast: bool) -> None:
    # Some 100 000 edges per second of engine time, alive answered all the while.
    world = World(wheel((1_000, 2_000, 4_000, 5_000), TICKS_PER_MS // 2), fast=fast)
    with running(world, FROZEN) as board:
        board.ask(START)
        said = ""
        end = time.monotonic() + 60
        while not said and time.monotonic() < end:
            board.send(ALIVE)
            board.pump(0.02)
            if select.select([board.process.stderr], [], [], 0)[0]:
                said = board.process.stderr.readline().decode()
        assert said == "0 True\n"
        assert len(board.of(EDGES)) > 1000
        assert len(board.of(HEARTBEAT)) > 10
        assert len(board.of(ACK)) > 20
        board.ask(STOP)
        received = counts_received(board, session_of(board))  # asserts that losses are counted
        assert not fast or received == world.delivered
