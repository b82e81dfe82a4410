"""The host's self-test against the board's own firmware modules on the emulated chip.

PIO, DMA and GPIO are those of `rp2040py` (see pio_chip.py); the outputs are wired to the inputs as
hardware/pins.json says. Shorter than on a board, since every clock cycle is emulated.
"""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import pytest

from sparkwitness.decode import framing, wire
from sparkwitness.device import loopback, selftest
from test_pio_board import Board

STREAMING = wire.ENUMS["state"]["streaming"]
GPIO = {name: one["gpio"] for name, one in loopback.PINS["pins"].items()}
WIRES: dict[int, list[int]] = {}
for output, taken in loopback.LOOPBACK:
    WIRES.setdefault(GPIO[output], []).append(GPIO[taken])


class ChipLink:
    """In place of link.Link, whose time-outs an emulated chip cannot keep."""

    port, patience, streamed = "the emulated chip", 1.0, 0.0
    ticked = float("inf")  # as if its clock had just gone on

    def __init__(self, wires: dict[int, list[int]] = WIRES) -> None:
        self.board = Board(turn_cycles=8_000)
        self.board.chip.wires = wires
        self.seq = self.taken = 0
        self.hello: dict[str, Any] = {}
        self.command("identify")

    def command(self, name: str, **fields: Any) -> None:
        line, at = self.board.line, len(self.board.line.raw)
        self.seq += 1
        line.coming += b"\0" + wire.encode(name, 0, self.seq, **fields)
        for _ in range(50):
            self.board.turn()
            for message in self._messages(at):
                if message.name == "hello":
                    self.hello = message.fields
                if message.name == "ack" and message.fields["command_seq"] == self.seq:
                    assert message.fields["result"] == 0, message.fields["text"]
                    return
        raise AssertionError(f"no answer to {name}")

    def stop(self) -> None:
        self.command("stop")

    def _messages(self, at: int) -> list[wire.Message]:
        found = []
        for piece in self.board.line.raw[at:].split(b"\0"):
            if piece:
                found.append(wire.decode_body(framing.unseal(piece)))
        return found

    def receive(self, _timeout: float) -> bytes:
        if self.board.app.state == STREAMING:
            self.streamed = time.monotonic()
            for _ in range(100):
                self.board.turn()
        data = self.board.line.raw[self.taken :]
        self.taken += len(data)
        return bytes(data)


@pytest.fixture(scope="module")
def stages() -> tuple[list[loopback.Stage], dict[str, Any]]:
    """All three stages of the self-test."""
    link = ChipLink()
    plan = [
        ("steady", replace(loopback.STEADY, seconds=0.45), 0.0),
        ("delay", replace(loopback.DELAY, seconds=0.15), 0.0),
        ("load", replace(loopback.LOAD, seconds=0.15), 0.0),
    ]
    return loopback.run(link, plan), link.hello  # type: ignore[arg-type]


def test_the_board_passes_its_self_test(stages):
    found, hello = stages
    result = selftest.evaluate(found, hello)
    assert result.jumpers == []
    # The emulated chip's time does not follow the host's clock, nor does CPython turn as fast.
    checks = {c.name: c for c in result.checks if c.name not in ("tick length", "full load, time")}
    assert {c.name: c.measured for c in checks.values() if c.verdict != "pass"} == {}
    assert checks["full load, edges"].value > 2000


def test_steady_outputs_and_inputs_agree_to_the_tick(stages):
    """1250 rev/min: 1 500 000 cycles of 8 ns from trigger to trigger, 500 000 counts of 24 ns."""
    steady = stages[0][0]
    crank, clamp_a, clamp_b, trigger = steady.ticks
    assert set(trigger[1:] - trigger[:-1]) == {500_000}
    assert set(crank[1:] - crank[:-1]) == {400_000}
    assert (clamp_a == trigger).all() and (clamp_b == trigger).all()


def test_a_missing_jumper_on_the_chip():
    wires = {output: [pin for pin in pins if pin != GPIO["clamp_a"]] for output, pins in
             WIRES.items()}  # fmt: skip
    link = ChipLink(wires)
    stage = loopback.collect(link, replace(loopback.STEADY, seconds=0.2))  # type: ignore[arg-type]
    assert selftest.jumper_faults(stage) == {
        "clamp_a": "the jumper from bench (GP6) to clamp a (GP3) is missing, or that input is stuck"
    }
