"""A line that does not take what is sent: frames torn, given up, or too old, each counted once."""

from __future__ import annotations

import json

from firmware_board import body_of, run_script

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


SHUT = """
import json
from array import array
from app import App
from ring import Rings
class Line:
    cut = 0
    open = False
    frames = []
    def ready(self): return self.open
    def receive(self): return -1
    def send(self, frame, at, size): self.frames.append(bytes(frame[at:at + size]))
class Board:
    notes = []
    meter = None
    outputs = 0
    heard = 0
    tick_ps = 24000
    def __init__(self):
        self.link = Line()
        self.rings = Rings(2048, [bytearray(8192) for _ in range(4)])
        self.now = array("I", [0, 0])
        self.stalls = array("I", [0] * 4)
        self.driven = array("I", [0])
    def poll(self, streaming): pass
    def refresh(self, i): pass
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
for step in range(5):  # a tenth of a wrap each
    wide = (step + 1) * (1 << 32) // 10
    board.now[0], board.now[1] = wide & 0xFFFFFFFF, wide >> 32
    app.turn()
    found.append([board.rings.taken[1], board.rings.lost[1]])
board.link.open = True
for _ in range(3):
    app.turn()
print(json.dumps([given_up, found, len(board.link.frames),
                  app._beat[0]]))
"""


def test_what_waits_for_a_quarter_of_a_wrap_is_dropped_and_counted() -> None:
    given_up, found, frames, beat = json.loads(run_script(SHUT))
    assert given_up == 1
    # Two tenths are less than a quarter, three are more: then the edge is given up.
    assert found == [[0, 0], [0, 0], [1, 1], [1, 1], [1, 1]]
    # No edge block, and heartbeats whose first carries the time at which that was decided.
    assert frames == 2
    assert beat == 5 * 2**32 // 10
