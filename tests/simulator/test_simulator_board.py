"""The simulated board: what the real firmware sends on the pseudo-terminal is the world's edges.

Frames are taken apart with the `cobs` package and zlib, not with the project's host code.
"""

from __future__ import annotations

import os
import select
import struct
import subprocess
import sys
import threading
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
import serial
from cobs import cobs

from sparkwitness.device.link import Link
from sparkwitness.errors import UserError
from sparkwitness.simulator import board as board_module
from sparkwitness.simulator import scenario
from sparkwitness.simulator.board import SimulatedBoard
from sparkwitness.simulator.world import TICK_PS, World, edges_for

HELLO, EDGES, HEARTBEAT, ACK = 1, 2, 3, 5
IDENTIFY, CONFIGURE, START, STOP, DRIVE, ALIVE = 16, 17, 18, 19, 20, 23
BOTH = ["cpython"] + (["micropython"] if board_module.find_micropython() else [])


class Host:
    """Just enough of a host to talk to a board."""

    def __init__(self, port: str) -> None:
        self.file = os.open(port, os.O_RDWR | os.O_NOCTTY)
        self.frames: list[tuple[int, int, bytes]] = []
        self.rest = b""
        self.seq = 0

    def send(self, number: int, payload: bytes = b"") -> None:
        self.seq += 1
        body = struct.pack("<BBHI", number, 0, 0, self.seq) + payload
        os.write(self.file, cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0")

    def read(self, wait: float = 0.05) -> None:
        if not select.select([self.file], [], [], wait)[0]:
            return
        *pieces, self.rest = (self.rest + os.read(self.file, 65536)).split(b"\0")
        for piece in filter(None, pieces):
            body = cobs.decode(piece)
            assert zlib.crc32(body[:-4]) == int.from_bytes(body[-4:], "little")
            self.frames.append((body[0], struct.unpack("<H", body[2:4])[0], body[8:-4]))

    def wait(self, number: int, seconds: float = 20.0) -> bytes:
        """Payload of the next frame of a kind."""
        seen, end = len(self.frames), time.monotonic() + seconds
        while True:
            for kind, _, payload in self.frames[seen:]:
                if kind == number:
                    return payload
            seen = len(self.frames)
            assert time.monotonic() < end, f"no message {number} came"
            self.read()

    def run(self, ticks: int) -> list[np.ndarray]:
        """Start, take everything until the board's time has reached ticks, stop."""
        self.send(START)
        # A hello from boot may be on its way: the session that counts is the one after start.
        self.wait(ACK)
        session = self.frames[-1][1]
        now, alive = 0, time.monotonic()
        while now < ticks:
            if time.monotonic() - alive > 0.3:
                self.send(ALIVE)
                alive = time.monotonic()
            self.read()
            beats = [p for kind, s, p in self.frames if kind == HEARTBEAT and s == session]
            now = struct.unpack("<Q", beats[-1][:8])[0] if beats else 0
        parts: list[list[int]] = [[], [], [], []]
        beat = 0
        for kind, of, payload in self.frames:
            if of == session and kind == HEARTBEAT:
                beat = struct.unpack("<Q", payload[:8])[0]
                assert struct.unpack("<4I", payload[24:40]) == (0, 0, 0, 0)
            elif of == session and kind == EDGES:
                source, n, first = struct.unpack("<BBxxI", payload[:8])
                assert first == len(parts[source])
                for count in struct.unpack(f"<{n}I", payload[8:]):
                    parts[source].append(beat + ((count - beat + 2**31) % 2**32) - 2**31)
        return [np.array([tick for tick in part if tick < ticks], dtype=np.int64) for part in parts]

    def close(self) -> None:
        os.close(self.file)


@pytest.mark.parametrize("interpreter", BOTH)
@pytest.mark.parametrize("name", ["marine-four", "fast-six"])
def test_every_edge_of_the_world_comes_through(name: str, interpreter: str) -> None:
    made = scenario.load(name)
    seconds = 2.0
    ticks = round(seconds * 1e12 / TICK_PS)
    with SimulatedBoard(World(made, seed=8), interpreter=interpreter) as board:
        assert interpreter in board.interpreter.lower()
        host = Host(board.port)
        try:
            found = host.run(ticks)
        finally:
            host.close()
        assert board.stderr == ""
    expected, _ = edges_for(made, seconds + 1, seed=8)
    for ticks_found, ticks_made in zip(found, expected.values(), strict=True):
        assert np.array_equal(ticks_found, ticks_made[ticks_made < ticks])


@pytest.mark.parametrize("interpreter", BOTH)
def test_bench_drive_goes_round(interpreter: str) -> None:
    """1000 rpm, 4 pulses in 2 turns: 33.3 triggers a second, each answered after 22 us."""
    world = World(scenario.load("bench-capacitive"), seed=8)
    with SimulatedBoard(world, interpreter=interpreter) as board:
        host = Host(board.port)
        host.send(START)
        host.wait(ACK)
        host.send(DRIVE, struct.pack("<IIIIBBBBB3x", 10**6, 10**6, 0, 1000, 4, 2, 0, 36, 1))
        host.wait(ACK)
        end = time.monotonic() + 0.7
        while time.monotonic() < end:
            host.read()
        host.close()
    truth = world.truth()
    assert len(truth.number) > 10
    assert np.diff(truth.trigger_s) == pytest.approx(0.03, abs=1e-9)
    assert np.mean(truth.spark_s - truth.trigger_s) == pytest.approx(22e-6, abs=1e-6)


def test_falling_edges_are_the_falling_edges() -> None:
    made = scenario.load("idle-four")
    ticks = round(1.0 * 1e12 / TICK_PS)
    with SimulatedBoard(World(made, seed=8)) as board:
        host = Host(board.port)
        host.send(CONFIGURE, bytes((0b0011, 0b0001)))
        host.wait(ACK)
        found = host.run(ticks)
        host.close()
    expected, _ = edges_for(made, 2.0, seed=8, enabled=0b0011, falling=0b0001)
    for ticks_found, ticks_made in zip(found, expected.values(), strict=True):
        assert np.array_equal(ticks_found, ticks_made[ticks_made < ticks])
    assert len(found[0]) > 400


@pytest.mark.parametrize("speed", [1.0, 4.0])
def test_pace_follows_the_wall_clock(speed: float) -> None:
    world = World(scenario.load("idle-four"))
    with SimulatedBoard(world, speed=speed) as board:
        host = Host(board.port)
        host.send(START)
        host.wait(ACK)
        began, first = time.monotonic(), world.seconds
        while time.monotonic() - began < 0.8:
            host.read()
        passed, turned = time.monotonic() - began, world.seconds - first
        host.close()
    # A loaded machine may fall behind; nothing may run ahead.
    assert turned <= passed * speed + 0.05 * speed
    assert turned > 0.3 * passed * speed


def test_a_second_session_starts_at_time_0() -> None:
    made = scenario.load("idle-four")
    ticks = round(0.5 * 1e12 / TICK_PS)
    with SimulatedBoard(World(made, seed=8)) as board:
        host = Host(board.port)
        first = host.run(ticks)
        host.send(STOP)
        host.wait(ACK)
        second = host.run(ticks)
        host.close()
    assert len(first[0]) == pytest.approx(len(second[0]), abs=20)
    assert second[0][0] < 10**6


def open_files() -> int:
    return len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0


@pytest.mark.parametrize("interpreter", BOTH)
def test_closing_leaves_nothing_behind(interpreter: str) -> None:
    files, threads = open_files(), threading.active_count()
    for close_twice in (False, True):
        with SimulatedBoard(World(scenario.load("idle-four")), interpreter=interpreter) as board:
            process = board._run.process
            host = Host(board.port)
            host.send(START)
            host.wait(ACK)
            host.close()
            if close_twice:
                board.close()
        assert not board.running
        assert process.returncode is not None
        board.close()
    assert threading.active_count() == threads
    assert open_files() == files


def test_closing_with_a_full_line_does_not_hang() -> None:
    """Nobody reads: the terminal is full and the firmware waits."""
    with SimulatedBoard(World(scenario.load("fast-six"))) as board:
        host = Host(board.port)
        host.send(START)
        time.sleep(0.5)
        began = time.monotonic()
        board.close()
        host.close()
    assert time.monotonic() - began < 5


def test_fast_world_waits_for_a_host_that_does_not_read() -> None:
    world = World(scenario.load("idle-four"), seed=8)
    ticks = round(3.0 * 1e12 / TICK_PS)
    with SimulatedBoard(world) as board:
        host = Host(board.port)
        host.send(START)
        waiting, end = -1.0, time.monotonic() + 30
        while world.seconds != waiting:  # until the line is full
            assert time.monotonic() < end
            waiting = world.seconds
            time.sleep(0.5)
        host.close()
        host = Host(board.port)
        found = host.run(ticks)
        host.close()
    assert len(found[0]) == pytest.approx(3 * 850 / 60 * 35, rel=0.05)


def test_unplug_and_plug_in_again() -> None:
    world = World(scenario.load("idle-four"))
    with SimulatedBoard(world) as board:
        old = board.port
        with serial.Serial(old, timeout=0.2) as line:
            line.write(b"\0")
            board.unplug()
            assert not board.running
            # A program that looks for it again must not find another's terminal of its number.
            with pytest.raises(UserError, match="no such port"):
                Link(board.port)
            # The host notices: an error or nothing more, and the port is gone.
            with pytest.raises((serial.SerialException, OSError)):
                for _ in range(50):
                    line.read(4096)
                    line.write(b"\0")
        board.reset(new_port=True)
        assert board.running
        host = Host(board.port)
        host.send(IDENTIFY)
        assert host.wait(HELLO)
        host.close()
        # The same port: as when the board's own reset button is pressed.
        port = board.port
        board.reset()
        assert board.port == port
        host = Host(board.port)
        host.send(IDENTIFY)
        host.wait(ACK)
        host.close()
    with pytest.raises(ValueError, match="closed"):
        board.reset()


def test_a_board_that_dies_switches_the_bench_off() -> None:
    world = World(scenario.load("bench-inductive"))
    with SimulatedBoard(world) as board:
        host = Host(board.port)
        host.send(START)
        host.wait(ACK)
        host.send(DRIVE, struct.pack("<IIIIBBBBB3x", 10**6, 10**6, 0, 1000, 4, 2, 0, 0, 0))
        host.wait(ACK)
        board._run.process.kill()
        board._run.process.wait()
        board._run._thread.join(timeout=5)
        assert not board.running
        host.close()
    assert world.source.rig.drive.rpm_to == 0


def test_without_micropython_it_says_so_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_module, "find_micropython", lambda: None)
    with SimulatedBoard(World(scenario.load("idle-four"))) as board:
        assert board.interpreter.startswith("CPython")
        assert "no MicroPython" in board.interpreter
        assert "\n" not in board.interpreter
        host = Host(board.port)
        host.send(IDENTIFY)
        assert b"cpython" in host.wait(HELLO)
        host.close()
    with pytest.raises(UserError, match="pip install"):
        SimulatedBoard(World(scenario.load("idle-four")), interpreter="micropython")


def test_a_broken_micropython_is_passed_over(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "micropython"
    broken.write_text("#!/bin/sh\nexit 1\n")
    broken.chmod(0o755)
    monkeypatch.setattr(board_module, "find_micropython", lambda: str(broken))
    with SimulatedBoard(World(scenario.load("idle-four"))) as board:
        assert board.interpreter.startswith("CPython")


def test_launcher_gives_micropython_s_names() -> None:
    """Stores truncate and ticks wrap as MicroPython's documentation says of ptr8 and ticks_diff."""
    script = """
from sparkwitness.simulator.cpython_launcher import prepare
prepare()
import time, select, micropython
from time import ticks_diff, ticks_add, ticks_ms, sleep_ms
buffer = bytearray(8)
ptr8(buffer)[0] = 0x1FF
ptr16(buffer)[1] = -1
ptr32(buffer)[1] = 0x123456789
assert buffer == bytes([0xFF, 0, 0xFF, 0xFF, 0x89, 0x67, 0x45, 0x23]), buffer
assert uint(-1) == 0xFFFFFFFF
assert micropython.const(7) == 7
late = ticks_add(ticks_ms(), 1000)
assert 900 < ticks_diff(late, ticks_ms()) <= 1000
assert ticks_diff(5, 2**30 - 5) == 10
assert ticks_diff(2**30 - 5, 5) == -10
import sys
poll = select.poll()
poll.register(sys.stdin, select.POLLIN)
assert [thing for thing, _ in poll.ipoll(1000)] == [sys.stdin]
one = bytearray(1)
assert sys.stdin.buffer.readinto(one) == 1 and one == b"a"
assert sys.stdout.buffer.write(b"xyz!", 1, 2) == 2
"""
    run = subprocess.run(
        [sys.executable, "-c", script], input=b"abc", capture_output=True, timeout=30, check=False
    )
    assert run.returncode == 0, run.stderr.decode()
    assert run.stdout == b"yz"
