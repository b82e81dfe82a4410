"""Outputs are off within a second of the last valid renewal: real processes, a real terminal.

The command that drives is ended as a person or a system ends it, in front of the real firmware; a
proxy on the line loses, damages or repeats frames of the stop. test_losing_the_host.py goes through
many more of these, in emulated time. SPARKWITNESS_LONG=1 takes each way with each place.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from typing import Any

import pytest

from firmware_board import body_of
from sparkwitness.decode import wire
from sparkwitness.simulator import scenario
from sparkwitness.simulator.board import SimulatedBoard
from sparkwitness.simulator.rig import Drive
from sparkwitness.simulator.world import World

WAYS = {
    "interrupt": signal.SIGINT, "terminal closed": signal.SIGHUP, "terminate": signal.SIGTERM,
    "stopped": signal.SIGSTOP, "crash": signal.SIGKILL, "cable": None,
}  # fmt: skip
# What the proxy does to frames of a kind after the host was lost: all of them, or the first.
PLACES: dict[str, dict[str, str]] = {
    "nothing": {}, "stop lost": {"stop": "lose"}, "stop damaged": {"stop": "damage"},
    "answer lost": {"ack": "lose"}, "answer damaged": {"ack": "damage"},
    "last heartbeat lost": {"heartbeat": "lose"}, "all stops lost": {"stop": "lose all"},
    "renewed again": {"stop": "again"},
}  # fmt: skip
TOLD = (signal.SIGINT, signal.SIGHUP, signal.SIGTERM)  # such a host sends a stop
LONG = bool(os.environ.get("SPARKWITNESS_LONG"))
TELLING = [way for way, number in WAYS.items() if number in TOLD]
CASES = [(way, "nothing") for way in WAYS] + [
    (way, place)
    for k, place in enumerate(PLACES)
    for way in (TELLING if LONG else [TELLING[k % len(TELLING)]])
    if k
]
ON = (wire.NUMBER["drive"], wire.NUMBER["renew"])


class Noting(World):
    """Notes when its outputs are driven, and when they are off."""

    def __init__(self) -> None:
        self.events: list[tuple[float, bool]] = []
        super().__init__(scenario.load("bench-jumpers"))

    def drive(self, drive: Drive) -> None:
        self.events.append((time.monotonic(), drive.rpm_to > 0))
        super().drive(drive)


class Between:
    """A pseudo-terminal for the host, and the board's at the other side."""

    def __init__(self, port: str) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)
        self.board = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.board)
        self.plan: dict[str, str] = {}
        self.renewed = 0.0
        self.held_up = 0.0  # longest time for which a busy machine did not let this thread run
        self._newest = -1
        self._last = b""
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        parts = {self.master: b"", self.board: b""}
        while not self._closing.is_set():
            with contextlib.suppress(OSError):
                since = time.monotonic()
                ready = select.select(list(parts), [], [], 0.05)[0]
                self.held_up = max(self.held_up, time.monotonic() - since - 0.05)
                for source in ready:
                    data = os.read(source, 65536)
                    *pieces, parts[source] = (parts[source] + data).split(b"\0")
                    for piece in pieces:
                        if piece:
                            self._pass(piece, source == self.master)

    def _pass(self, piece: bytes, to_board: bool) -> None:
        try:
            body = body_of(piece)
        except Exception:  # damaged before it came here
            return
        name = wire.NAME.get(body[0], "")
        act = self.plan.get(name, "")
        if act == "lose all":
            return
        if act:
            self.plan[name] = ""
        if act == "lose":
            return
        if act == "damage":
            piece = piece[:-1] + bytes([piece[-1] % 255 + 1])
        if act == "again":
            piece = piece + (b"\0" + self._last) * 9
        seq = int.from_bytes(body[4:8], "little")
        if to_board and body[0] in ON and seq > self._newest:
            self._newest, self._last, self.renewed = seq, piece, time.monotonic()
        os.write(self.board if to_board else self.master, piece + b"\0")

    def pull(self) -> None:
        """Pull the cable."""
        self.plan = dict.fromkeys(wire.NUMBER, "lose all")
        self._close()

    def _close(self) -> None:
        self._closing.set()
        self._thread.join()
        for number in (self.master, self.slave):
            with contextlib.suppress(OSError):
                os.close(number)

    def close(self) -> None:
        if not self._closing.is_set():
            self._close()
        os.close(self.board)


@contextlib.contextmanager
def driving() -> Iterator[tuple[Noting, Between, Any]]:
    """The self-test's command at work on a simulated board."""
    world = Noting()
    with SimulatedBoard(world, speed=1.0) as board:
        line = Between(board.port)
        command = [sys.executable, "-m", "sparkwitness", "board", "selftest", "--yes",
                   "--port", line.port, "--seconds", "60", "--patience", "3"]  # fmt: skip
        run = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True
        )
        try:
            deadline = time.monotonic() + 60
            while not world.events or not world.events[-1][1]:
                assert run.poll() is None and time.monotonic() < deadline
                time.sleep(0.01)
            time.sleep(0.6)
            yield world, line, run
        finally:
            run.kill()
            run.communicate()
            line.close()


@pytest.mark.slow
@pytest.mark.parametrize(("way", "place"), CASES)
def test_outputs_are_off_within_a_second(way: str, place: str) -> None:
    with driving() as (world, line, run):
        assert world.events[-1][1]
        line.plan = dict(PLACES[place])
        number = WAYS[way]
        if number is None:
            line.pull()
        else:
            run.send_signal(number)
        lost = time.monotonic()
        while world.events[-1][1]:
            assert time.monotonic() - lost < 5, "still on after 5 s"
            time.sleep(0.005)
        driven = next(when for when, on in reversed(world.events) if on)
        off = next(when for when, on in world.events if when > driven and not on)
        assert off - line.renewed <= 1.0 + line.held_up
        time.sleep(1.0)
        assert not world.events[-1][1]  # for good
        if number in TOLD:
            _, said = run.communicate(timeout=60)
            assert run.returncode != 0
            assert b"Traceback" not in said
