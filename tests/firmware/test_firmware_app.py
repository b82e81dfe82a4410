"""The board's loop by hand, on a clock that the test moves: what it sends, when, what it counts.

Times, limits and places of fields are those of protocol/wire.md, typed here once more; hardware and
line are the test's and note what they are asked, in order.
"""

from __future__ import annotations

import functools
import os
import struct
import types
from array import array
from collections.abc import Callable
from typing import Any

import pytest

import pio_chip
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
    Frame,
    command,
    drive,
    lamp,
)

MS = 125_000  # cycles
BENCH = 1
OK, BAD_VALUE, NOT_NOW = 0, 3, 4
BLOCK = 58  # edges of a full frame
PACK = 4 * BLOCK
OLD = 2_000_000  # ticks of 20 ns: 40 ms, more than an edge may wait


class Clock:
    """All that the loop sees of a chip."""

    def __init__(self) -> None:
        self.cycle = 0

    def run(self, cycles: int) -> None:
        self.cycle += cycles


def pass_us(us: int) -> None:
    pio_chip.CHIP.run(125 * us)


def now_ms() -> int:
    return pio_chip.CHIP.cycle // MS


class Line(pio_chip.Line):
    """Notes what is sent; `arrivals`: (ms, bytes) that come by themselves."""

    def __init__(self, did: Callable[..., None]) -> None:
        super().__init__(True)
        self.did = did
        self.byte_us = 0
        self.opens_ms = 0
        self.fills = False  # whether a frame leaves no room for another
        self.arrivals: list[tuple[int, bytes]] = []

    def look(self) -> None:
        while self.arrivals and self.arrivals[0][0] <= now_ms():
            self.coming += self.arrivals.pop(0)[1]

    def receive(self, into: bytearray, at: int) -> int:
        self.look()
        pass_us(self.byte_us if self.coming else 0)
        return super().receive(into, at)

    def comes(self) -> bool:
        self.look()
        return super().comes()

    def ready(self) -> bool:
        return self.open and now_ms() >= self.opens_ms

    def send(self, frame: Any, at: int, size: int) -> bool:
        assert self.ready()
        data = bytes(frame[at : at + size])
        self.raw += data
        self.did("send", *[data[1]] if size > 1 else [])
        self.open = not self.fills
        return True


class Hardware:
    """hw_unix.Hardware for the docstring's sake: each call is noted and may take its time."""

    tick_ps, clock_hz = 20_000, 150_000_000
    dead_ns, min_pulse_ns, edge_rate = 0x1234, 0x2345, 0x01234567
    board, uid = "a board", b"\x01\x02\x03\x04\x05\x06\x07\x08"

    def __init__(self, ring: Any) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self.takes: dict[str, int] = {}  # microseconds
        self.link = Line(self.did)
        self.rings = ring.plain_rings(2048)
        self.driven, self.told = array("I", [0]), array("I", [0, 0, 0])
        self.outputs = 0
        self.heard = self.leased = -1
        self.notes: list[tuple[int, str]] = []
        self.meter: Any = None
        self.fed_us = 0
        self.says: str | None = None  # of drive, lamp and configure
        self.supply = 12_345
        self.fault: BaseException | None = None

    def did(self, name: str, *what: Any) -> None:
        self.calls.append((name, *what))
        pass_us(self.takes.get(name, 0))

    def poll(self, streaming: bool) -> int:
        self.did("poll", bool(streaming))
        if self.fault:
            fault, self.fault = self.fault, None
            raise fault
        return self.fed_us

    def outputs_off(self) -> None:
        self.did("off")
        self.outputs = 0

    def configure(self, *what: int) -> str | None:
        self.did("configure", *what)
        return self.says

    def drive(self, payload: bytes, since: int) -> str | None:
        self.did("drive", payload, since)
        if not self.says:
            self.outputs, self.leased = BENCH, since
        return self.says

    def lamp(self, payload: bytes, since: int) -> str | None:
        self.did("lamp", payload, since)
        return self.says

    def rest(self) -> None:
        self.did("rest")
        pass_us(1000)

    def supply_mv(self) -> int:
        return self.supply

    def __getattr__(self, name: str) -> Any:  # what returns nothing
        if name not in ("start", "stop", "halt", "sample", "fill", "enter", "leave"):
            raise AttributeError(name)
        return lambda: self.did(name)


class Meter:
    stale = False
    enabled, falling = 3, 2

    def __init__(self, did: Callable[..., None]) -> None:
        self.did = did

    def turn(self, streaming: bool) -> None:
        self.did("meter", bool(streaming))

    def restart(self, *what: int) -> None:
        self.did("restart", *what)

    def lit(self, mode: int, angle: int) -> None:
        self.did("lit", mode, angle)


@functools.cache
def loaded() -> list[Any]:
    return pio_chip.load("app", "ring", chip=Clock)


class Rig:
    """App, hardware and line."""

    def __init__(self, meter: bool = False) -> None:
        self.module, ring = loaded()
        pio_chip.CHIP = Clock()  # type: ignore[assignment]
        self.hw = Hardware(ring)
        self.module.os = os
        self.module.gc = types.SimpleNamespace(collect=lambda: self.hw.did("collect"))
        pass_us(7_000_000)  # not all times are 0
        if meter:
            self.hw.meter = Meter(self.hw.did)
        self.app = self.module.App(self.hw)
        self.line = self.hw.link
        self.rings = self.hw.rings
        self.seq = 0x01020300

    def say(self, number: int, payload: bytes = b"") -> bytes:
        """A command for the board; returns its seq's bytes."""
        self.seq += 1
        self.line.coming += command(number, payload, self.seq)
        return struct.pack("<I", self.seq)

    def turn(self, n: int = 1, us: int = 0) -> list[Frame]:
        """Some turns, with time after each; what was sent meanwhile."""
        self.line.raw = b""
        for _ in range(n):
            self.app.turn()
            pass_us(us)
        return self.line.frames()

    def ask(self, number: int, payload: bytes = b"") -> Frame:
        """Say it and turn until it is answered."""
        seq = self.say(number, payload)
        for _ in range(5):
            for frame in self.turn():
                if frame.number == ACK and frame.payload[4:8] == seq:
                    return frame
        raise AssertionError("no answer")

    def result(self, number: int, payload: bytes = b"") -> tuple[int, str]:
        frame = self.ask(number, payload)
        return frame.payload[1], frame.text

    def start(self) -> None:
        assert self.result(START) == (OK, "")
        self.hw.calls.clear()

    def edges(self, n: int, i: int = 0) -> None:
        """Edges of an input at time 0, and the time at which they are due."""
        self.rings.write(i, array("I", [0] * n), 0, n)
        self.rings.now[0] = OLD

    def past(self, name: str) -> list[tuple[Any, ...]]:
        """Calls of a kind so far."""
        return [call for call in self.hw.calls if call[0] == name]


# What it says


def test_hello_field_by_field() -> None:
    """Places and widths as in wire.md, "hello"; the limits as in its table "Limits"."""
    rig = Rig()
    assert rig.result(CONFIGURE, b"\x0d\x05\x06") == (OK, "")
    # Both flanks only of what is captured.
    assert rig.past("configure") == [("configure", 0x0D, 0x05, 0x04)]
    for chip_makes_the_sum in (False, True):
        rig.rings.stuff = (lambda *_: None) if chip_makes_the_sum else None
        rig.say(IDENTIFY)
        hello, ack = rig.turn()
        assert (hello.number, ack.number) == (HELLO, ACK) and ack.seq == hello.seq + 1
        assert hello.payload == (
            struct.pack("<H3BBIIBBHHH", 2, 0, 1, 0, 0, 20_000, 150_000_000, 0x0D, 0x05,
                        0x1234, 0x2345, 2048)
            + bytes(range(1, 9))
            + struct.pack("<BIHHH", 4, 0x01234567, 900, 6000, 45_000)
            + struct.pack("<10H", 15_000, 20_000, 700, 750, 810, 900, 36_100, 51_100, 500, 750)
            + struct.pack("<HHB", 200, 50, chip_makes_the_sum) + b"a board"
        )  # fmt: skip
    rig.start()
    rig.say(IDENTIFY)
    assert rig.turn()[0].payload[5] == 1  # streaming


def test_hello_before_any_command() -> None:
    """All inputs, rising edges, one flank: bytes 14, 15 and 30 of the payload."""
    rig = Rig()
    rig.say(IDENTIFY)
    hello = rig.turn()[0]
    assert hello.session != 0  # wire.md: never
    assert (hello.payload[14], hello.payload[15], hello.payload[30]) == (15, 0, 0)


def test_texts_end_where_a_body_does() -> None:
    """A body is at most 254 bytes, CRC included: header 8, CRC 4, and what stands before a text."""
    rig = Rig()
    text = "".join(chr(48 + k % 75) for k in range(400))
    rig.app.log(1, text)
    (log,) = rig.line.frames()
    assert log.payload == b"\x01" + text[: 254 - 8 - 4 - 1].encode()
    rig.hw.says = text
    assert rig.ask(CONFIGURE, b"\x0f\x00").payload[8:] == text[: 254 - 8 - 4 - 8].encode()
    rig.hw.board = text
    rig.say(IDENTIFY)
    assert rig.turn()[0].payload[66:] == text[: 254 - 8 - 4 - 66].encode()


def test_an_answer_names_its_command_and_nothing_of_what_was_sent_before() -> None:
    rig = Rig()
    rig.app.log(2, "\xff" * 100)
    for number, payload in ((ALIVE, b""), (99, b""), (CONFIGURE, b"\x01")):
        seq = rig.say(number, payload)
        (ack,) = rig.turn()
        result = {ALIVE: 0, 99: 1, CONFIGURE: 2}[number]
        assert ack.payload[:8] == bytes([number, result, 0, 0]) + seq
        assert (ack.text == "") is (number == ALIVE)


def test_heartbeat_field_by_field() -> None:
    rig = Rig()
    rig.start()
    rings, state = rig.rings, rig.rings.state
    for k in range(4):
        state[k] = state[4 + k] = 0x01000010 + k  # written and handed over
        state[8 + k], state[16 + k] = 0x02000020 + k, 0x03000030 + k  # lost, stalls
    rings.now[0], rings.now[1] = 0x12345678, 0x9ABC
    rig.hw.driven[0], rig.hw.outputs, rig.hw.leased = 0x04050607, 5, now_ms()
    rig.app.unsent, rig.line.cut = 300, 40
    (beat,) = rig.turn()
    assert rig.past("send") == [("send", HEARTBEAT)]  # not one byte more
    assert beat.number == HEARTBEAT and len(beat.payload) == 80 - 8
    fields = struct.unpack("<Q4I4I4IIIHHHBB", beat.payload)
    assert fields[0] == 0x9ABC12345678
    assert fields[1:13] == (
        *(0x01000010 + k for k in range(4)), *(0x02000020 + k for k in range(4)),
        *(0x03000030 + k for k in range(4)),
    )  # fmt: skip
    assert fields[13] == 0x04050607 and fields[16:] == (340, 12_345, 1, 5)
    rings.now[0] += 4_999_999  # of 20 ns: not yet 100 ms
    assert rig.turn() == []
    rings.now[0] += 1
    for unsent, said in ((65_494, 65_534), (65_495, 65_535), (65_496, 65_535), (70_000, 65_535)):
        rig.app.unsent = unsent
        assert struct.unpack_from("<H", rig.turn()[0].payload, 66) == (said,)
        rings.now[0] += 5_000_000


def test_share_of_busy_time_and_the_longest_turn() -> None:
    """Busy: turns that sent or heard something whole, of others what the outputs were fed; since
    the last heartbeat, in thousandths of the milliseconds since then."""
    rig = Rig()
    rig.say(START)
    begun = rig.turn(us=2000)[-2]
    assert struct.unpack_from("<IH", begun.payload, 60) == (0, 0)  # no time has passed
    rig.hw.takes["poll"], rig.hw.fed_us = 3000, 40
    assert rig.turn(5) == []  # 5 times 40 of 15 000
    rig.edges(10)
    assert [f.number for f in rig.turn()] == [EDGES]  # 3000 of 3000
    rig.say(ALIVE)
    rig.hw.takes["poll"] = 4500
    rig.turn()  # 4500 of 4500
    rig.rings.now[0] = 5_000_000
    rig.hw.takes["poll"] = 1500
    (beat,) = rig.turn()
    # 200 + 3000 + 4500 us of 2000 + 15 000 + 3000 + 4500 + 1500, cut to whole ms: 26.
    assert struct.unpack_from("<IH", beat.payload, 60) == (4500, 7700 // 26)
    rig.rings.now[0] += 5_000_000
    (beat,) = rig.turn()  # the turn of the last heartbeat: 1500 of 1500
    assert struct.unpack_from("<IH", beat.payload, 60) == (1500, 1000)
    rig.hw.takes["poll"] = 0
    rig.turn()
    for busy, said in ((998, 998), (999, 999), (1000, 1000), (1001, 1000), (5000, 1000)):
        rig.rings.now[0] += 5_000_000
        rig.turn()
        rig.hw.fed_us = busy
        rig.turn()
        rig.hw.fed_us = 0
        pass_us(1_999)  # one whole millisecond
        rig.rings.now[0] += 5_000_000
        assert struct.unpack_from("<IH", rig.turn()[0].payload, 60) == (0, said)


def test_a_session_begins_with_nothing_of_the_one_before() -> None:
    rig = Rig()
    rig.start()
    rig.hw.takes["poll"] = 9000
    rig.turn(3)
    rig.app.unsent, rig.line.cut = 7, 8
    rig.hw.driven[0] = 5
    for k in range(3):
        rig.hw.told[k] = k + 1
    rig.edges(10)
    first = rig.turn()[0].session
    rig.ask(STOP)
    rig.hw.calls.clear()
    rig.say(START)
    hello, beat, ack = rig.turn()
    assert (hello.number, beat.number, ack.number) == (HELLO, HEARTBEAT, ACK)
    assert [f.seq for f in (hello, beat, ack)] == [0, 1, 2]
    assert {f.session for f in (hello, beat, ack)} == {hello.session} != {first}
    assert struct.unpack("<Q4I4I4IIIHH", beat.payload[:-4]) == (0,) * 17
    assert rig.turn() == [] and list(rig.hw.told) == [0, 0, 0]  # nothing is news
    calls = [c for c in rig.hw.calls if c[0] not in ("poll", "sample")]
    assert calls[:6] == [("off",), ("stop",), ("collect",), ("start",), ("send", 1), ("send", 3)]


def test_busy_time_of_a_session_whose_first_heartbeat_nobody_took() -> None:
    """It counts from the start: 2 ms of 4, not the 9 ms of the session before, nor its 90."""
    rig = Rig()
    rig.start()
    rig.hw.takes["poll"] = 9000
    rig.ask(STOP)
    rig.hw.takes["poll"] = 0
    pass_us(90_000)
    rig.line.open, rig.line.stuck = False, True
    rig.say(START)
    rig.app.turn()
    rig.hw.fed_us = 2000
    rig.app.turn()
    rig.hw.fed_us = 0
    pass_us(4_000)
    rig.line.open, rig.line.stuck = True, False
    (beat,) = rig.turn()
    assert struct.unpack_from("<IH", beat.payload, 60) == (0, 500)


def test_session_numbers() -> None:
    """Never 0, never the one before."""
    rig = Rig()
    given = [0, 0x1234, 0x1234, 0, 0x4321]
    rig.module.os = types.SimpleNamespace(urandom=lambda n: given.pop(0).to_bytes(n, "little"))
    found = []
    for _ in range(2):
        rig.app._new_session()
        found.append(rig.app.session)
    assert found == [0x1234, 0x4321] and not given


# The line


def test_patience_with_a_line_that_takes_nothing() -> None:
    """50 ms, then the frame is given up and counted; at once where the line is stuck."""
    rig = Rig()
    rig.line.opens_ms = now_ms() + 50
    rig.app.log(0, "in time")
    assert len(rig.line.frames()) == 1 and rig.app.unsent == 0
    begun = now_ms()
    rig.line.open = False
    rig.app.log(0, "late")
    assert now_ms() - begun == 51 and rig.app.unsent == 1
    begun = now_ms()
    rig.line.stuck = True
    for tell in (rig.app._hello, lambda: rig.app.log(0, "stuck"), rig.app._clear_line):
        tell()
    rig.say(ALIVE)
    rig.app.turn()
    assert now_ms() == begun and rig.app.unsent == 5
    # A session whose first frames nobody reads counts them: hello, heartbeat and answer.
    rig.say(START)
    rig.app.turn()
    rig.line.open, rig.line.stuck = True, False
    pass_us(25_000)
    (beat,) = rig.turn()
    assert struct.unpack_from("<IHH", beat.payload, 60) == (0, 0, 3)


def test_order_of_a_run_and_of_its_end() -> None:
    rig = Rig()
    rig.hw.fault = None
    rig.line.arrivals = [(now_ms(), command(LEAVE, seq=1))]
    rig.app.run()
    assert rig.line.raw[:1] == b"\0" and [f.number for f in rig.line.frames()] == [HELLO, ACK]
    calls = [c for c in rig.hw.calls if c[0] != "sample"]
    assert calls == [
        ("enter",), ("send",), ("send", HELLO), ("collect",), ("poll", False), ("off",),
        ("send", ACK), ("off",), ("stop",), ("leave",),
    ]  # fmt: skip


def test_leave_ends_the_session_like_a_stop() -> None:
    """wire.md, leave: outputs off, acknowledged, then the prompt; what waits goes out first."""
    for number in (STOP, LEAVE):
        rig = Rig()
        rig.start()
        rig.edges(3 * PACK)
        rig.hw.takes["poll"], rig.hw.takes["send"] = 5000, 1000
        rig.line.arrivals = [(now_ms() + 6, command(number, seq=9))]  # with the first pack
        frames = rig.turn()
        assert frames[-1].number == ACK and frames[-2].number == HEARTBEAT
        assert struct.unpack_from("<4I4I", frames[-2].payload, 8) == (3 * PACK, *[0] * 7)
        order = [c[0] for c in rig.hw.calls if c[0] in ("off", "halt", "stop")]
        assert order == ["off", "halt", "stop"]
        last = [c for c in rig.hw.calls if c[0] in ("stop", "send")]
        assert last[-2:] == [("stop",), ("send", ACK)]
        assert rig.app.state == 0 and rig.app.running is (number == STOP)
        assert rig.past("poll")[-1] == ("poll", True)
        rig.hw.calls.clear()
        rig.turn()
        assert rig.past("poll") == [("poll", False)]


@pytest.mark.parametrize("fault", [MemoryError("full"), KeyboardInterrupt()])
def test_outputs_are_off_after_a_fault(fault: BaseException) -> None:
    """A fault of the program is told in words and in `driving` (bit 3), and the loop goes on; what
    ends the program ends the outputs."""
    rig = Rig()
    rig.start()
    rig.ask(DRIVE, drive())
    rig.edges(4 * PACK)
    rig.hw.takes["send"] = 1000
    rig.line.arrivals = [(now_ms() + 4, command(DRIVE, drive(firings=2), rig.seq + 1))]
    rig.turn()  # so much is sent that the order waits for the next turn
    assert len(rig.past("drive")) == 1 and rig.hw.outputs == BENCH
    rig.hw.calls.clear()
    rig.line.raw = b""
    if isinstance(fault, KeyboardInterrupt):
        rig.hw.fault = fault
        with pytest.raises(KeyboardInterrupt):
            rig.app.run()
        assert [c[0] for c in rig.hw.calls[-3:]] == ["off", "stop", "leave"]
        assert rig.hw.outputs == 0
        return
    rig.line.comes = lambda: False  # type: ignore[method-assign]
    rig.app._received = 3  # a piece of a command has come
    rig.hw.fault = fault
    rig.hw.told[2] = 2  # of before, and it stays
    rig.hw.takes["poll"] = 1000
    rig.line.arrivals = [(now_ms() + 5, command(IDENTIFY, seq=4) + command(LEAVE, seq=5))]
    rig.app.run()
    calls = [c[0] for c in rig.hw.calls if c[0] not in ("sample", "collect")]
    assert calls[:3] == ["enter", "send", "send"]
    assert calls[3:9] == ["poll", "off", "stop", "send", "send", "poll"]
    hello, log, cut, again, one, ack = rig.line.frames()
    assert log.number == LOG and log.payload[0] == 2
    assert log.text == "the board stopped after a fault of its own: MemoryError full"
    assert (cut.number, cut.payload) == (DRIVING, struct.pack("<HHB3x", 0, 0, 10))
    assert (hello.payload[5], again.payload[5]) == (1, 0)
    assert (one.payload[0], ack.payload[0]) == (IDENTIFY, LEAVE) and not rig.past("drive")
    # The heap is cleared before the loop goes on.
    assert len(rig.past("collect")) == 2


# The lease and what is to be said


def test_lease_to_the_millisecond() -> None:
    rig = Rig()
    rig.start()
    rig.ask(DRIVE, drive())
    leased = rig.hw.leased
    assert leased == now_ms()
    rig.hw.told[2] = 18  # wire.md, `cut`: since the start, so that what was stays
    pass_us(900_000)
    assert rig.turn() == [] and rig.hw.outputs == BENCH
    pass_us(1_000)
    frames = rig.turn()
    assert rig.hw.outputs == 0 and rig.past("off") == [("off",)]
    assert [(f.number, f.payload[0]) for f in frames] == [(LOG, 1)]
    assert frames[0].text == "the host did not renew its lease for 1 s: outputs are off"
    assert list(rig.hw.told) == [0, 0, 19]
    rig.rings.now[0] = 5_000_000
    beat, cut = rig.turn()
    assert beat.number == HEARTBEAT and cut.payload == struct.pack("<HHB3x", 0, 0, 19)
    pass_us(5_000_000)
    assert rig.turn() == [] and len(rig.past("off")) == 1  # once


def test_notes_wait_for_a_host_that_has_spoken_and_reads() -> None:
    """Eight wait, the oldest; one is said in each look."""
    rig = Rig()
    rig.hw.notes = [(k % 3, f"note {k}") for k in range(10)]
    assert rig.turn() == [] and len(rig.hw.notes) == 8
    rig.line.open = False
    rig.line.stuck = True
    rig.say(ALIVE)
    assert rig.turn(2) == [] and len(rig.hw.notes) == 8
    rig.line.open = True
    said = rig.turn(9)
    assert [(f.number, f.payload[0], f.text) for f in said] == [
        (LOG, k % 3, f"note {k}") for k in range(8)
    ]


def test_supply_and_lease_are_looked_at_in_every_fourth_busy_turn() -> None:
    rig = Rig()
    rig.start()
    rig.turn()
    looks = []
    for _ in range(12):
        rig.hw.calls.clear()
        rig.edges(10)
        rig.turn()
        looks.append(len(rig.past("sample")))
    assert looks == [0, 0, 0, 1] * 3
    rig.hw.calls.clear()
    rig.turn(3)
    assert len(rig.past("sample")) == 3


def test_what_went_wrong_is_said_once_and_when_it_is_read() -> None:
    """pauses u16, dropped u16, cut u8, 3 reserved; after a heartbeat."""
    rig = Rig()
    rig.start()
    for words in ([0x0102, 0, 0], [0x0102, 0x0304, 0], [0x0102, 0x0304, 16], [0, 0x0304, 16]):
        rig.hw.told[:] = array("I", words)
        rig.rings.now[0] += 5_000_000
        beat, told = rig.turn()
        assert (beat.number, told.number) == (HEARTBEAT, DRIVING)
        assert told.payload == struct.pack("<HHB3x", *words)
        rig.rings.now[0] += 5_000_000
        assert [f.number for f in rig.turn()] == [HEARTBEAT]
    rig.hw.told[0] = 77
    rig.rings.now[0] += 5_000_000
    rig.line.fills = True
    assert [f.number for f in rig.turn()] == [HEARTBEAT]
    rig.line.fills, rig.line.open = False, True
    rig.rings.now[0] += 5_000_000
    assert [f.number for f in rig.turn()] == [HEARTBEAT, DRIVING]


def test_what_went_wrong_is_news_in_each_session() -> None:
    """One pause, and another one in the next session: its count begins anew, and it is told."""
    rig = Rig()
    for _ in range(2):
        rig.start()
        rig.rings.now[0] += 5_000_000
        assert [f.number for f in rig.turn()] == [HEARTBEAT]  # nothing so far
        rig.hw.told[0] = 1
        rig.rings.now[0] += 5_000_000
        assert [f.number for f in rig.turn()] == [HEARTBEAT, DRIVING]
        rig.ask(STOP)


# Edges against commands


def test_an_edge_goes_out_within_twenty_milliseconds() -> None:
    """1 000 000 ticks of 20 ns; not sooner, so that frames fill."""
    rig = Rig()
    rig.start()
    rig.edges(3, i=2)
    rig.rings.now[0] = 980_000
    assert rig.turn() == []
    rig.rings.now[0] = 1_000_000
    (block,) = rig.turn()
    assert block.payload == struct.pack("<BBBxI3I", 2, 3, 0, 0, 0, 0, 0)


def test_a_line_that_takes_nothing_is_no_work_and_old_edges_are_given_up() -> None:
    """What waits for an eighth of a wrap, 2^29 ticks, is counted as lost; the heartbeat says so."""
    rig = Rig()
    rig.start()
    rig.line.open = False
    rig.edges(70)
    rig.hw.takes["poll"] = 1000
    rig.rings.now[0] = (1 << 29) - 1
    assert rig.turn(3) == [] and len(rig.past("sample")) == 3
    assert list(rig.rings.lost) == [0] * 4
    rig.rings.now[0] = 1 << 29
    assert rig.turn() == [] and list(rig.rings.lost) == [70, 0, 0, 0]
    rig.rings.now[0] += 1000
    rig.line.open = True
    (beat,) = rig.turn()
    assert struct.unpack("<Q4I4I", beat.payload[:40]) == (1 << 29, 70, 0, 0, 0, 70, 0, 0, 0)
    assert struct.unpack_from("<IH", beat.payload, 60) == (1000, 0)


def test_a_turn_of_much_sending_leaves_an_order_for_the_next() -> None:
    """After three packs or four of a turn the outputs are fed and the order waits one turn, in
    which one pack goes out; after fewer it is obeyed at once."""
    for packs, behind in ((1, 0), (2, 0), (3, 0), (4, 0), (4, 1)):
        rig = Rig()
        rig.start()
        rig.edges(6 * PACK)
        rig.hw.takes["send"] = 1000
        coming = command(DRIVE, drive(), rig.seq + 1)
        coming += command(ALIVE, seq=rig.seq + 2) * behind
        rig.line.arrivals = [(now_ms() + packs, coming)]
        if packs < 4:
            rig.edges(packs * PACK - 6 * PACK)
            rig.rings.written[0] = packs * PACK
        rig.turn()
        assert rig.rings.taken[0] == packs * PACK
        late = packs >= 3
        assert len(rig.past("drive")) == (not late)
        assert [c[0] for c in rig.hw.calls if c[0] in ("fill", "drive")] == ["fill", "drive"][
            : 1 if late else 2
        ]
        rig.edges(2 * PACK)
        before = rig.rings.taken[0]
        rig.turn()
        assert len(rig.past("drive")) == 1
        if late:
            assert rig.rings.taken[0] - before == (0 if behind else PACK)
            assert [c[0] for c in rig.hw.calls if c[0] in ("fill", "drive")] == [
                "fill", "fill", "drive",
            ]  # fmt: skip
            (order,) = rig.past("drive")
            assert order[1] == drive()
        rig.line.raw = b""
        rig.app.turn()
        answers = [f.payload[:2] for f in rig.line.frames() if f.number == ACK]
        assert answers == [bytes([ALIVE, OK])] * behind
        assert [f.number for f in rig.turn(2)].count(ACK) == 0


def test_an_order_that_goes_before_the_edges_does_not_wait_for_a_turn_of_less() -> None:
    """The turn before sent much; the one that begins with the order sends nothing."""
    rig = Rig()
    rig.start()
    rig.edges(6 * PACK)
    rig.turn()
    assert rig.rings.taken[0] == 4 * PACK
    rig.say(DRIVE, drive())
    (ack,) = rig.turn()
    assert ack.payload[:2] == bytes([DRIVE, OK]) and len(rig.past("drive")) == 1
    assert rig.rings.taken[0] == 4 * PACK


def test_what_comes_while_edges_go_out_cuts_the_sending() -> None:
    rig = Rig()
    rig.start()
    rig.edges(8 * PACK)
    rig.hw.takes["send"] = 1000
    rig.line.arrivals = [(now_ms() + 2, command(ALIVE, seq=rig.seq + 1))]
    frames = rig.turn()
    assert [f.number for f in frames] == [EDGES] * 8 + [ACK]
    assert [f.number for f in rig.turn()] == [EDGES] * 16  # four packs, no more
    rig.line.send = lambda *_: False  # type: ignore[method-assign]  # the line has enough
    before = rig.rings.taken[0]
    rig.turn()
    assert rig.rings.taken[0] - before == PACK


def test_a_heartbeat_goes_after_the_edges_that_came_before_it() -> None:
    """wire.md: every edge older than T has been sent before it. Here it takes two turns; what comes
    meanwhile, and its time, are for the next one."""
    rig = Rig()
    rig.start()
    rig.edges(5 * PACK)
    rig.rings.now[0] = 5_000_000  # of 20 ns: 100 ms
    assert [f.number for f in rig.turn()] == [EDGES] * 16
    rig.edges(10)
    rig.rings.now[0] = 5_001_000
    frames = rig.turn()
    assert [f.number for f in frames] == [EDGES] * 4 + [HEARTBEAT]
    assert struct.unpack_from("<Q4I4I", frames[-1].payload) == (5_000_000, 5 * PACK, *[0] * 7)


def test_a_heartbeat_waits_for_a_line_that_the_edges_have_filled() -> None:
    rig = Rig()
    rig.start()
    rig.edges(10)
    rig.rings.now[0] = 5_000_000
    rig.line.fills = True
    assert [f.number for f in rig.turn()] == [EDGES] and rig.turn() == []
    rig.line.fills, rig.line.open = False, True
    assert [f.number for f in rig.turn()] == [HEARTBEAT]


def test_the_end_of_a_session_waits_half_a_second_for_the_line() -> None:
    for opens, number in ((501, HEARTBEAT), (502, ACK)):
        rig = Rig()
        rig.start()
        rig.edges(10)
        rig.hw.takes["halt"] = 0
        begun = now_ms()
        rig.line.opens_ms = begun + opens
        looked = rig.line.ready

        def ready(looked: Callable[[], bool] = looked) -> bool:
            pass_us(1000)
            return looked()

        rig.line.ready = ready  # type: ignore[method-assign]
        rig.say(STOP)
        frames = rig.turn()
        assert [f.number for f in frames][-2 if opens == 501 else -1] == number
        assert (EDGES in [f.number for f in frames]) is (opens == 501)
        assert rig.app.state == 0 and now_ms() - begun < 510
        assert rig.past("stop") == [("stop",)]


# What comes from the host


def test_whether_bytes_came() -> None:
    """Which makes the turn a busy one; a piece, a whole command, a slice, and one that waited."""
    rig = Rig()
    rig.start()
    assert rig.app._listen() is False
    rig.line.coming += b"\x05pi"
    assert rig.app._listen() is True
    rig.line.coming += b"ece\0" + command(ALIVE, seq=rig.seq + 1)
    assert rig.app._listen() is True and rig.app._listen() is False
    rig.line.coming += b"\x05a longer piece"
    rig.line.byte_us = 1_000
    assert rig.app._listen() is True and rig.line.coming
    rig.app._listen()
    rig.line.coming += b"\0" + command(DRIVE, drive(), rig.seq + 2)
    rig.line.byte_us, rig.app._full = 0, True
    assert rig.app._listen() is True and not rig.past("drive")
    assert rig.app._listen() is True and rig.past("drive")
    assert rig.app._listen() is False


def test_the_longest_command_and_one_byte_more() -> None:
    """wire.md: a stuffed body has at most 255 bytes; a longer piece is dropped as a whole."""
    whole = command(ALIVE, bytes(range(242)), 7)
    assert len(whole) == 256
    for more, good in ((b"", True), (b"x", False), (b"xy", False), (b"x" * 300, False)):
        rig = Rig()
        rig.line.coming += whole[:-1] + more + b"\0"
        assert len(rig.turn()) == good
        rig.say(ALIVE)
        assert len(rig.turn()) == 1


def test_renewals_without_a_pause_keep_the_outputs_on() -> None:
    """One in each turn, 30 ms apart: nothing waits behind it when it has been read."""
    rig = Rig()
    rig.start()
    rig.ask(DRIVE, drive())
    lease = struct.pack("<I", rig.seq)
    for _ in range(60):
        rig.say(RENEW, lease)
        (ack,) = rig.turn(us=30_000)
        assert ack.payload[1] == OK and rig.hw.outputs == BENCH


def test_a_piece_of_a_frame_is_forgotten_after_a_tenth_of_a_second() -> None:
    whole = command(ALIVE, seq=7)
    for pause, good in ((100, True), (101, False)):
        rig = Rig()
        rig.line.coming += whole[:6]
        rig.turn()
        pass_us(1000 * pause)
        rig.line.coming += whole[6:]
        assert len(rig.turn()) == good
        rig.line.coming += b"noise"
        rig.turn()
        pass_us(1000 * pause)
        rig.line.coming += whole
        assert len(rig.turn()) == (not good)


def test_bytes_are_taken_in_slices_while_streaming() -> None:
    """4 ms in one turn; what is left waits, and a turn that took long makes it no other frame."""
    whole = command(ALIVE, seq=7)  # 14 bytes
    for each, at_once in ((300, True), (450, False)):
        for streaming in (True, False):
            rig = Rig()
            if streaming:
                rig.start()
            rig.line.coming += whole
            rig.line.byte_us = each
            assert len(rig.turn()) == (at_once or not streaming)
            rig.hw.takes["poll"] = 150_000
            if not at_once and streaming:
                assert len(rig.line.coming) == len(whole) - 12  # 12 times 450 is 5.4 ms
                assert len(rig.turn()) == 1
                rig.line.coming += b"noise"
                rig.turn()
                pass_us(101_000)
                rig.line.coming += whole
                assert len(rig.turn(2)) == 1


def test_renewals_in_plenty_are_answered_in_one_turn_and_other_commands_one_by_one() -> None:
    rig = Rig()
    rig.start()
    rig.ask(DRIVE, drive())
    lease = struct.pack("<I", rig.seq)
    for _ in range(3):
        rig.say(RENEW, lease)
    rig.say(ALIVE)
    rig.say(RENEW, lease)
    assert [f.payload[0] for f in rig.turn()] == [RENEW] * 3 + [ALIVE]
    assert [f.payload[0] for f in rig.turn()] == [RENEW]
    rig.line.coming += b"\0\0" + b"\x05no frame\0"  # ignored, and what follows obeyed at once
    rig.say(ALIVE)
    assert [f.payload[0] for f in rig.turn()] == [ALIVE]
    # A slice is over, or the line is full.
    rig.line.byte_us = 450
    rig.say(RENEW, lease)
    rig.say(RENEW, lease)
    for _ in range(2):
        seen = rig.turn() + rig.turn()
        assert [f.payload[0] for f in seen] == [RENEW]


def test_what_is_left_out_of_a_command_is_zero() -> None:
    """A longer command came before it."""
    rig = Rig()
    rig.start()
    assert rig.result(DRIVE, b"\xff" * 30)[0] == BAD_VALUE
    rig.ask(STOP)
    assert rig.result(CONFIGURE, b"\x0f\x00") == (OK, "")
    assert rig.past("configure") == [("configure", 15, 0, 0)]


def test_ctrl_c_asks_for_the_prompt() -> None:
    """Alone, or behind a carriage return, and only of a board that no host uses."""
    for said, leaves in ((b"\x03", True), (b"\r\x03", True), (b"a\x03", False),
                         (b"\r\r\x03", False), (b"\r\0\x03", True)):  # fmt: skip
        rig = Rig()
        rig.ask(ALIVE)  # of an idle one at once, however lately a host has spoken
        rig.line.coming += said
        rig.turn()
        assert rig.app.running is not leaves, said
    for silent, leaves in ((3000, False), (3001, True)):
        rig = Rig()
        rig.start()
        pass_us(5_000_000)
        rig.ask(ALIVE)
        rig.line.coming += b"\x03"
        pass_us(1000 * silent)
        rig.turn()
        assert rig.app.running is not leaves
        rig.line.coming += b"\0"


def test_what_the_hardware_refuses_is_said_and_grants_nothing() -> None:
    rig = Rig()
    rig.start()
    assert rig.result(DRIVE, drive()) == (OK, "")
    lease = struct.pack("<I", rig.seq)
    rig.hw.says = "cannot be done"
    assert rig.result(DRIVE, drive(firings=8)) == (BAD_VALUE, "cannot be done")
    assert rig.past("drive")[-1][1] == drive(firings=8)
    assert rig.result(RENEW, lease) == (OK, "")  # of the one that is on
    assert rig.result(RENEW, struct.pack("<I", rig.seq - 1))[0] == NOT_NOW
    said = "command too short: 11 of 12 bytes"  # header 8, lease 4
    assert rig.result(RENEW, lease[:3]) == (2, said)
    rig.hw.outputs = 0
    assert rig.result(RENEW, lease) == (NOT_NOW, "no output is on")
    rig.ask(STOP)
    assert rig.result(CONFIGURE, b"\x03\x01\x02") == (BAD_VALUE, "cannot be done")
    rig.say(IDENTIFY)
    hello = rig.turn()[0].payload
    assert (hello[14], hello[15], hello[30]) == (15, 0, 0)  # nothing has changed


def test_a_lease_counts_from_when_nothing_waited() -> None:
    """What lies in the line for the whole time was perhaps sent long ago."""
    rig = Rig()
    rig.start()
    begun = now_ms()
    rig.turn()
    pass_us(50_000)
    assert rig.result(DRIVE, drive()) == (OK, "")
    assert rig.past("drive")[0][2] == rig.hw.leased == begun
    lease = struct.pack("<I", rig.seq)
    rig.turn()
    empty = now_ms()
    for k in range(4):  # the line is never found empty
        rig.say(ALIVE)
        rig.say(RENEW, lease)
        rig.say(ALIVE)
        rig.turn(us=30_000)
        assert rig.hw.leased == (begun if k < 1 else empty)
    rig.hw.leased = empty + 5  # by a later order
    rig.turn(8)
    rig.hw.leased = now_ms() + 5
    rig.result(RENEW, lease)
    assert rig.hw.leased == now_ms() + 5  # nothing goes back
    rig.turn()
    pass_us(2_000)
    rig.hw.leased = now_ms() - 3  # the line was last found empty 2 ms ago
    rig.result(RENEW, lease)
    assert rig.hw.leased == now_ms() - 2
    for waited, result in ((900, OK), (901, NOT_NOW)):
        rig.turn()
        rig.line.coming += command(ALIVE, seq=rig.seq + 1) + command(DRIVE, drive(), rig.seq + 2)
        rig.seq += 2
        rig.turn()
        pass_us(1000 * waited)
        (ack,) = (frame for frame in rig.turn() if frame.number == ACK)
        assert (ack.payload[0], ack.payload[1]) == (DRIVE, result)
    assert ack.text == "this command has waited in the line for too long"
    # Off is always allowed.
    assert rig.result(DRIVE, drive(0, 0)) == (OK, "")


def test_orders_of_a_new_session_are_counted_anew() -> None:
    """wire.md, "The lease": ahead of the last one *in this session*."""
    rig = Rig()
    rig.start()
    assert rig.result(DRIVE, drive()) == (OK, "")
    rig.seq -= 9
    assert rig.result(DRIVE, drive()) == (NOT_NOW, "this command has come before")
    rig.ask(STOP)
    rig.ask(START)
    assert rig.result(DRIVE, drive()) == (OK, "")


def test_the_lamp_wants_a_crank_of_one_flank() -> None:
    for both, refused in ((1, True), (2, False), (3, True)):
        rig = Rig()
        rig.ask(CONFIGURE, bytes([15, 0, both]))
        rig.start()
        assert rig.result(DRIVE, drive()) == (OK, "")
        said = "the lamp counts one flank of the crank, not both"
        assert rig.result(LAMP, lamp()) == ((NOT_NOW, said) if refused else (OK, ""))


def test_a_range_that_is_left_is_said() -> None:
    """Numbers of one, two and four bytes, little endian; the first that is wrong."""
    rig = Rig()
    rig.start()
    for number, payload, text in (
        (DRIVE, drive(turns=3), "turns is 3, must be 1 to 2"),
        (DRIVE, drive(rpm_to=0xFEDCBA98), "rpm_to is 4275878552, must be 0 to 20000000"),
        (DRIVE, drive(ramp_ms=600_001, load=2), "ramp_ms is 600001, must be 0 to 600000"),
        (LAMP, lamp(flash_us=0x0201), "flash_us is 513, must be 2 to 200"),
    ):
        assert rig.result(number, payload) == (BAD_VALUE, text)
    assert not rig.past("drive") and not rig.past("lamp")
    assert rig.result(LAMP, lamp(mode=0, flash_us=0)) == (OK, "")  # off, whatever else
    assert rig.result(DRIVE, drive(0, 0, turns=9)) == (OK, "")
    assert rig.result(DRIVE, drive(0, 1, turns=9))[0] == BAD_VALUE
    assert rig.result(DRIVE, drive(1, 0, turns=9))[0] == BAD_VALUE


# The meter


def test_the_meter_takes_the_inputs_when_no_host_uses_them() -> None:
    """What a host has set of them ends with its session, and comes back with the next."""
    rig = Rig(meter=True)
    assert rig.result(CONFIGURE, b"\x0f\x04\x08") == (OK, "")
    rig.hw.calls.clear()
    rig.turn()
    assert rig.past("configure") == [("configure", 3, 2, 0)]
    kept = ("off", "stop", "restart", "collect", "start", "poll", "meter")
    assert [c for c in rig.hw.calls if c[0] in kept] == [
        ("off",), ("stop",), ("restart", 3, 2, 0), ("collect",), ("start",), ("poll", True),
        ("meter", False),
    ]  # fmt: skip
    rig.hw.calls.clear()
    rig.turn(3)
    assert [c for c in rig.hw.calls if c[0] != "sample"] == [("poll", True), ("meter", False)] * 3
    rig.hw.calls.clear()
    rig.hw.meter.stale = True
    rig.turn()
    assert [c for c in rig.hw.calls if c[0] in kept][:3] == [("stop",), ("off",), ("stop",)]
    rig.hw.meter.stale = False
    rig.hw.calls.clear()
    assert rig.rings.state[42] == 0
    rig.say(START)
    rig.turn()
    assert rig.rings.state[42] == 8
    assert [c for c in rig.hw.calls if c[0] in (*kept, "configure")] == [
        ("poll", True), ("stop",), ("configure", 15, 4, 8), ("off",), ("stop",),
        ("restart", 15, 4, 8), ("collect",), ("start",), ("meter", False),
    ]  # fmt: skip
    rig.hw.calls.clear()
    rig.ask(STOP)
    rig.turn()
    assert ("restart", 3, 2, 0) in rig.hw.calls


def test_a_configure_or_a_fault_ends_the_meters_capture() -> None:
    rig = Rig(meter=True)
    rig.turn()
    rig.hw.calls.clear()
    rig.say(CONFIGURE, b"\x05\x01")
    rig.turn()
    assert [c for c in rig.hw.calls if c[0] in ("stop", "configure")] == [
        ("stop",), ("configure", 5, 1, 0),
    ]  # fmt: skip
    rig.turn()
    rig.hw.calls.clear()
    rig.app._recover(ValueError("x"))
    rig.turn()
    assert ("configure", 3, 2, 0) in rig.hw.calls and rig.past("poll") == [("poll", True)]


def test_the_meter_is_left_out_of_long_turns_while_streaming() -> None:
    """Turns of 4 ms and more: each 32nd; shorter ones: each."""
    rig = Rig(meter=True)
    rig.start()
    for took, every in ((3_999, 1), (4_000, 32)):
        rig.hw.takes["poll"] = took
        rig.turn()
        if every > 1:
            rig.turn(31)
        for _ in range(3):
            rig.hw.calls.clear()
            rig.turn(every - 1)
            assert rig.past("meter") == []
            rig.turn()
            assert rig.past("meter") == [("meter", True)]
    rig.ask(STOP)
    rig.hw.calls.clear()
    rig.turn(5)
    assert rig.past("meter") == [("meter", False)] * 5


def test_the_meter_knows_what_the_lamp_shows() -> None:
    rig = Rig(meter=True)
    rig.start()
    assert rig.result(LAMP, lamp(mode=1, angle_mdeg=0x00012345)) == (OK, "")
    assert rig.result(LAMP, lamp(mode=2, angle_mdeg=0x00054321)) == (OK, "")
    rig.hw.says = "no"
    assert rig.result(LAMP, lamp(mode=1, angle_mdeg=1))[0] == BAD_VALUE
    rig.hw.says = None
    assert rig.result(DRIVE, drive()) == (OK, "")
    assert rig.past("lit") == [("lit", 1, 0x12345), ("lit", 2, 0x54321)]
    assert rig.past("lamp")[0][1] == lamp(mode=1, angle_mdeg=0x00012345)
