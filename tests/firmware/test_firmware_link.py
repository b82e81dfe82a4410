"""A line that does not take what is sent: frames torn, given up, or too old, each counted once."""

from __future__ import annotations

import importlib.util
import json
import select
import sys
import types
from collections.abc import Callable
from typing import Any

import pytest

import pio_chip
from firmware_board import FIRMWARE, body_of, run_script

TORN = """
import sys, json, binascii
from time import sleep_ms
from frame import BODY, BUFFER_SIZE, FRAME, seal
from link import Link
class Slow:
    def __init__(self):
        self.taken = bytearray()
        self.pieces = 0
    def write(self, data, at=0, n=None):
        self.pieces += 1
        n = len(data) if n is None else n
        if self.pieces == 3:  # nobody reads: half of the piece is dropped without a word
            sleep_ms(450)
            self.taken += data[at:at + n // 2]
        else:
            self.taken += data[at:at + n]
        return n
link = Link(True)
link._drops = True  # as under MicroPython before 1.27
link._out = Slow()
frame = bytearray(BUFFER_SIZE)
for k in range(3):
    for i in range(200):
        frame[BODY + i] = k + 1
    size = seal(frame, 200)
    link.send(frame, FRAME, size)
print(json.dumps([link.cut, binascii.hexlify(link._out.taken).decode()]))
"""


def test_a_torn_frame_is_counted_and_does_not_spoil_the_next() -> None:
    cut, taken = json.loads(run_script(TORN))
    pieces = bytes.fromhex(taken).split(b"\0")
    assert cut == 1
    assert len(pieces[0]) == 160
    assert [body_of(piece) for piece in pieces[1:3]] == [b"\x02" * 200, b"\x03" * 200]
    assert pieces[3:] == [b""]


SHORT = """
import sys, json, binascii
from link import Link
class Line:
    def __init__(self):
        self.taken = bytearray()
        self.room = 0
    def write(self, data, at=0, n=None):
        n = min(len(data) if n is None else n, self.room)
        self.room -= n
        self.taken += data[at:at + n]
        return n
link = Link(True)
link._drops = False
link._out = line = Line()
all_out = []
for size, room in ((1000, 300), (500, 0), (1, 5000)):
    data = bytes(k & 255 for k in range(size))
    line.room = room
    all_out.append(link.send(data, 0, size))
    while link._left:
        line.room = 77
        link.ready()
print(json.dumps([all_out, link.cut, binascii.hexlify(line.taken).decode()]))
"""


def test_what_the_line_does_not_take_goes_out_later() -> None:
    # MicroPython from 1.27 on says how much of a write USB has taken when the host stops reading.
    all_out, cut, taken = json.loads(run_script(SHORT))
    assert all_out == [False, False, True]
    assert cut == 0
    assert bytes.fromhex(taken) == b"".join(
        bytes(k & 255 for k in range(size)) for size in (1000, 500, 1)
    )


STUCK = """
import json, sys, binascii, link as module
from time import sleep_ms
class Poll:  # POLLOUT wherever a byte fits, as USB serial says it
    def ipoll(self, wait):
        return [(0, 4)] if line.room else []
class Line:
    room = 300
    waited = 0
    taken = bytearray()
    def write(self, data, at, n):
        if n > self.room:
            n = self.room
            self.waited += 1
            sleep_ms(450)
        self.room -= n
        self.taken += data[at:at + n]
        return n
line = Line()
link = module.Link(True)
link._drops = False
link._out = line
link._writable = Poll()
data = bytes(k & 127 for k in range(1000))
found = [link.send(data, 0, 1000)]
for room in (0, 0, 40, 0, 7):  # nobody reads but a little
    line.room += room
    found.append(link.ready())
found.append(line.waited)
while link._left:  # and then all of it
    line.room += 200
    link.ready()
while link.stuck:
    line.room += 200
    link.send(data, 0, 600)
    while link._left:
        line.room += 200
        link.ready()
line.taken = line.taken[:1000]
line.room = 5000
found += [link.ready(), link.send(data, 0, 1000), line.waited, line.taken == data + data]
print(json.dumps(found))
"""


def test_a_host_that_stops_reading_is_waited_for_once() -> None:
    found = json.loads(run_script(STUCK))
    assert found == [False, *[False] * 5, 1, True, True, 1, True]


SHUT = """
import json
from array import array
from app import App
from ring import plain_rings
class Line:
    cut = stuck = 0
    open = False
    frames = []
    def ready(self): return self.open
    def receive(self, into, at): return -1
    def comes(self): return False
    def send(self, frame, at, size):
        self.frames.append(bytes(frame[at:at + size]))
        return True
class Board:
    notes = []
    meter = None
    outputs = 0
    heard = 0
    tick_ps = 24000
    def __init__(self):
        self.link = Line()
        self.rings = plain_rings(2048)
        self.driven = array("I", [0])
        self.told = array("I", [0, 0, 0])
    def poll(self, streaming): return 0
    def sample(self): pass
    def rest(self): pass
    def supply_mv(self): return 65535
board = Board()
app = App(board)
app.state = 1
app.log(1, "nobody hears this")
given_up = app.unsent
one = array("I", [5])
board.rings.write(1, one, 0, 1)
found = []
for step in range(5):  # a twentieth of a wrap each
    wide = (step + 1) * (1 << 32) // 20
    board.rings.now[0], board.rings.now[1] = wide & 0xFFFFFFFF, wide >> 32
    app.turn()
    found.append([board.rings.taken[1], board.rings.lost[1]])
board.link.open = True
for _ in range(3):
    app.turn()
print(json.dumps([given_up, found, len(board.link.frames),
                  board.rings.beat[0]]))
"""


def test_what_waits_for_an_eighth_of_a_wrap_is_dropped_and_counted() -> None:
    given_up, found, frames, beat = json.loads(run_script(SHUT))
    assert given_up == 1
    # Two twentieths are less than an eighth, three are more: then the edge is given up.
    assert found == [[0, 0], [0, 0], [1, 1], [1, 1], [1, 1]]
    # No edge block, and heartbeats whose first carries the time at which that was decided.
    assert frames == 2
    assert beat == 5 * 2**32 // 20


def test_what_the_host_says_goes_first_in_every_other_turn_and_cuts_a_turn_of_many_frames() -> None:
    """A host that never stops sending does not keep the edges back."""
    setup = SHUT.split("board = Board()")[0].replace("open = False", "open = True; said = True")
    setup = setup.replace("comes(self): return False", "comes(self): return self.said")
    script = """
board = Board()
app = App(board)
app.state = 1
many = array("I", range(2000))
board.rings.write(1, many, 0, 2000)
found = []
for said in (True, True, True, False, True):
    board.link.said = said
    before = board.rings.taken[1]
    app.turn()
    found.append(board.rings.taken[1] - before)
print(json.dumps(found))
"""
    found = json.loads(run_script(setup + script))
    # Four frames of 58 edges go out at once, and four times as many in a turn that nobody cuts.
    assert found == [0, 4 * 58, 0, 16 * 58, 0]


def test_bytes_are_taken_up_to_a_delimiter_a_ctrl_c_or_sixteen() -> None:
    """The docstring of Link.receive; what has no room is read and left out."""
    coming = b"abc\0\0de\x03f" + bytes(range(65, 65 + 20)) + b"\0xyz"
    script = """
from link import Link
link = Link()
into = bytearray(b"-" * 24)
while True:
    at = link.receive(into, 2)
    print(at, link.byte[0], into.decode())
    if at < 0:
        break
    into[:] = b"-" * 24
into = bytearray(4)
"""
    said = [line.split(" ", 2) for line in run_script(script, stdin=coming).decode().splitlines()]
    assert [(int(at), int(last), text.rstrip("-").lstrip("-")) for at, last, text in said] == [
        (5, 0, "abc"), (2, 0, ""), (5, 3, "de\x03"), (18, 79, "fABCDEFGHIJKLMNO"),
        (7, 0, "PQRST"), (5, 122, "xyz"), (-1, 122, ""),
    ]  # fmt: skip
    script = """
from link import Link
link = Link()
into = bytearray(4)
print(link.receive(into, 2), bytes(into), link.receive(into, 0), bytes(into))
"""
    said = run_script(script, stdin=b"abcdef\0g").decode().strip()
    assert said == r"4 b'\x00\x00ab' 1 b'g\x00ab'"


# Under CPython, on a clock that the test moves


class Port:
    """Standard input and output: what comes, how much is taken, and how long that takes."""

    def __init__(self) -> None:
        self.coming = bytearray()
        self.taken = b""
        self.rooms: list[int] = []  # of each write to come; then all is taken
        self.ms = 0  # that a write lasts
        self.event = select.POLLOUT
        self.open = True
        self.waited: list[int] = []
        self.fault: OSError | None = None
        self.buffer = self

    def write(self, data: bytes, at: int = 0, n: int | None = None) -> int | None:
        if self.fault:
            raise self.fault
        n = len(data) if n is None else n
        pio_chip.CHIP.cycle += 125_000 * self.ms
        room = self.rooms.pop(0) if self.rooms else n
        self.taken += bytes(data[at : at + min(n, room)])
        return min(n, room) if room else None  # nothing taken: None, as a stream that would block

    def readinto(self, one: bytearray) -> int | None:
        if self.fault:
            raise self.fault
        if not self.coming:
            return None
        one[0] = self.coming.pop(0)
        return 1

    # select.poll, of the one or the other

    def reading(self) -> Any:
        def ipoll(wait: int) -> list[tuple[Any, int]]:
            self.waited.append(wait)
            return [(self, select.POLLIN)] if self.coming else []

        return types.SimpleNamespace(ipoll=ipoll)

    def writing(self) -> Any:
        def ipoll(wait: int) -> list[tuple[Any, int]]:
            self.waited.append(wait)
            return [(self, self.event)] if self.open else []

        return types.SimpleNamespace(ipoll=ipoll)


def line(*usb: bool | None, version: tuple[int, ...] = (1, 27, 0)) -> tuple[Any, Port]:
    """A link.Link on a port of the test."""
    pio_chip.load("wire", chip=lambda: types.SimpleNamespace(cycle=0))
    given = {name: pio_chip._modules()[name] for name in ("micropython", "time")}
    saved = {name: sys.modules.get(name) for name in given}
    spec = importlib.util.spec_from_file_location("link_itself", FIRMWARE / "link.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules.update(given)
    try:
        spec.loader.exec_module(module)
    finally:
        for name, was in saved.items():
            if was is None:
                del sys.modules[name]
            else:
                sys.modules[name] = was
    port = Port()
    polls = iter((port.reading(), port.writing()))

    def poll() -> Any:
        found = next(polls)
        found.register = lambda source, events: None
        return found

    module.select = types.SimpleNamespace(poll=poll, POLLIN=1, POLLOUT=4)  # type: ignore[attr-defined]
    module.sys = types.SimpleNamespace(  # type: ignore[attr-defined]
        stdin=port, stdout=port, implementation=types.SimpleNamespace(version=version)
    )
    made: Callable[..., Any] = module.Link
    return (made() if usb == (None,) else made(*(usb or (True,)))), port


DATA = bytes(range(256)) * 4


def test_which_micropython_drops_what_usb_has_not_taken() -> None:
    """Before 1.27, on USB alone (ports/rp2, from memory)."""
    for usb, version, drops in (
        (True, (1, 26, 1), True), (True, (1, 27, 0), False), (True, (1, 28, 0), False),
        (True, (2, 0, 0), False), (True, (0, 28, 0), True), (False, (1, 26, 0), False),
    ):  # fmt: skip
        made, port = line(usb, version=version)
        port.ms = 401  # the first packet is torn, or all is out
        assert made.send(DATA, 0, 200) is True
        assert (made.cut, len(port.taken)) == ((1, 64) if drops else (0, 200))
    made, port = line(None, version=(1, 26, 0))  # what is no board has no USB
    port.ms = 401
    assert made.send(DATA, 0, 200) is True and (made.cut, len(port.taken)) == (0, 200)


@pytest.mark.parametrize(("ms", "torn"), [(400, False), (401, True)])
def test_an_old_micropython_is_given_packets_and_0_4_s_for_each(ms: int, torn: bool) -> None:
    """MicroPython waits 500 ms for USB and then drops the bytes: one that took long is given up.

    The frame after it begins with a delimiter, and only that one."""
    made, port = line(version=(1, 26, 0))
    assert made.send(DATA, 3, 130) is True and port.taken == DATA[3:133]
    port.taken, port.ms = b"", ms
    made.send(DATA, 0, 130)
    assert (made.cut, made.stuck) == (torn, False)
    assert port.taken == DATA[: 64 if torn else 130]
    port.taken, port.ms = b"", 0
    for k in range(2):
        assert made.ready() is True and made.send(DATA, 5, 10) is True
        assert port.taken == (b"\0" if torn and k == 0 else b"") + DATA[5:15]
        port.taken = b""
    assert made.cut == torn
    # What is not taken at once goes out later, packet by packet.
    port.rooms = [64, 10, 0]
    assert made.send(DATA, 0, 200) is False and port.taken == DATA[:74]
    port.rooms = [0]
    assert made.ready() is False and port.taken == DATA[:74]
    port.open = False
    assert made.ready() is False and port.taken == DATA[:200]
    port.open = True
    assert made.ready() is True


@pytest.mark.parametrize(("ms", "stuck"), [(400, False), (401, True)])
def test_a_new_micropython_that_has_waited_in_vain(ms: int, stuck: bool) -> None:
    """Stuck: what is left goes byte by byte, no more than there is room, 64 in a turn; until more
    than USB can hold, 512 bytes, have gone without a stop."""
    made, port = line()
    port.ms, port.rooms = ms, [100]
    assert made.send(DATA, 0, 1000) is False and made.stuck is stuck
    port.ms = 0
    if not stuck:
        port.rooms = [0]
        assert made.ready() is False and port.taken == DATA[:100]
        assert made.ready() is True and port.taken == DATA[:1000] and made.cut == 0
        return
    port.open = False
    assert made.ready() is False and len(port.taken) == 100
    port.open = True
    for k in range(1, 4):
        assert made.ready() is False and port.taken == DATA[: 100 + 64 * k]
    port.open = False  # a stop: what has gone before does not count
    assert made.ready() is False
    port.open = True
    for k in range(4, 12):
        assert made.ready() is False and made.stuck, k
    assert len(port.taken) == 100 + 64 * 11  # 512 since the stop
    assert made.ready() is False and not made.stuck
    assert port.taken == DATA[: 100 + 64 * 12]
    assert made.ready() is True and port.taken == DATA[:1000] and made.cut == 0
    # From the beginning when it is stuck again: 512 bytes are not enough, one more is.
    for left in (512, 513):
        port.taken, port.ms, port.rooms = b"", ms, [7]
        assert made.send(DATA, 0, left + 7) is False and made.stuck
        port.ms = 0
        for _ in range(left // 64):
            made.ready()
        assert made.ready() is True and made.stuck is (left == 512)
        assert port.taken == DATA[: left + 7]
        made.stuck = False
    port.ms, port.rooms = ms, [9]
    assert made.send(DATA, 0, 10) is False and made.stuck  # one byte left
    port.ms = 0
    assert made.ready() is True
    made.stuck = False
    # All out at last, however long it took, is no reason.
    port.ms = 500
    assert made.send(DATA, 0, 10) is True and made.stuck is False


def test_a_terminal_whose_other_end_is_closed() -> None:
    """Each frame is given up and counted; a line that only hangs up has no room."""
    made, port = line()
    port.fault = OSError(5)
    assert made.send(DATA, 0, 10) is True and made.cut == 1
    port.fault = None
    assert made.ready() is True and port.taken == b""
    assert made.send(DATA, 1, 4) is True and port.taken == b"\0" + DATA[1:5] and made.cut == 1
    port.event = select.POLLHUP
    assert made.ready() is False
    port.event = select.POLLHUP | select.POLLOUT
    assert made.ready() is True
    port.coming += b"x"
    port.fault = OSError(5)
    assert made.receive(bytearray(4), 0) == -1


def test_whether_something_comes() -> None:
    made, port = line()
    assert made.ready() is True and port.taken == b""  # before anything was sent
    assert made.comes() is False and made.receive(bytearray(9), 0) == -1
    port.coming += b"ab"
    assert made.comes() is True and port.coming == b"ab" and set(port.waited) == {0}
    made.wait(7)
    assert port.waited[-1] == 7 and port.coming == b"ab"
