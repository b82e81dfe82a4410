"""Ring, wrap and overrun arithmetic of the firmware against a plain model with unbounded ints."""

from __future__ import annotations

import json
from collections import deque

from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_board import run_script

SIZE = 64
BLOCK = 20
WORD = 2**32

# Runs operations on input 1; counts written are the running index times 7, low 32 bits.
SCRIPT = """
import sys, json
from array import array
from ring import Rings
SIZE = 64
results = []
for start, operations in json.loads(sys.stdin.read()):
    rings = Rings(SIZE, [bytearray(4 * SIZE) for _ in range(4)])
    rings.written[1] = rings.taken[1] = start
    index = start
    source = array("I", [0] * 300)
    frame = array("I", [0] * 64)
    now = array("I", [0, 0])
    marks = array("I", [start] * 4)
    log = []
    for operation, n in operations:
        if operation == "write":
            for k in range(n):
                source[3 + k] = (index + k) * 7 & 0xFFFFFFFF
            index += n
            rings.write(1, source, 3, n)
        elif operation == "mark":
            for k in range(4):
                marks[k] = rings.written[k]
        elif operation == "discard":
            rings.discard(1)
        else:
            if n & 1:
                rings.settle(1)
            else:
                rings.settle_all()
            now[0] = (index * 7 + 5) & 0xFFFFFFFF
            waiting = rings.waiting(1)
            age = rings.oldest_age(1, now) if waiting else -1
            n = min(n, waiting)
            rings.copy(1, n, frame, 4)
            rings.advance(1, n)
            log.append((waiting, rings.waiting_until(1, marks), age, frame[4],
                        [frame[5 + k] for k in range(n)], rings.lost[1]))
    log.append((rings.written[0], rings.taken[2], rings.lost[3]))
    results.append(log)
print(json.dumps(results))
"""

OPERATIONS = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.integers(0, 200)),
        st.tuples(st.just("take"), st.integers(0, BLOCK)),
        st.tuples(st.just("mark"), st.just(0)),
        st.tuples(st.just("discard"), st.just(0)),
    ),
    max_size=40,
)
STARTS = st.one_of(
    st.integers(0, WORD - 1), st.integers(WORD - 150, WORD - 1), st.integers(2**31 - 99, 2**31)
)


def model(start: int, operations: list[tuple[str, int]]) -> list:
    """The same with a deque and Python's own integers."""
    ring: deque[int] = deque()
    index, lost, taken, mark = start, 0, start, start
    log: list = []
    for operation, n in operations:
        if operation == "write":
            ring.extend(range(index, index + n))
            index += n
        elif operation == "mark":
            mark = index
        elif operation == "discard":
            lost += len(ring)
            ring.clear()
            taken = index
        else:
            if len(ring) > SIZE:  # then a sixteenth more goes, to have room for a while
                while len(ring) > SIZE - SIZE // 16:
                    ring.popleft()
                    lost += 1
                    taken += 1
            waiting = len(ring)
            age = index * 7 + 5 - ring[0] * 7 if ring else -1
            n = min(n, waiting)
            first = taken
            counts = [ring.popleft() * 7 % WORD for _ in range(n)]
            taken += n
            until = mark - taken if mark > taken and mark - taken <= SIZE else 0
            log.append([waiting, until, age, first % WORD, counts, lost % WORD])
    log.append([0, 0, 0])
    return log


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(STARTS, OPERATIONS), min_size=5, max_size=20))
def test_ring_does_what_the_model_does(cases: list[tuple[int, list[tuple[str, int]]]]) -> None:
    found = json.loads(run_script(SCRIPT, stdin=json.dumps(cases).encode()))
    assert found == [model(start, operations) for start, operations in cases]


TIMES = """
import sys, json
from array import array
from ring import since, widen
results = []
for then, now in json.loads(sys.stdin.read()):
    a = array("I", [then & 0xFFFFFFFF, then >> 32])
    b = array("I", [now & 0xFFFFFFFF, now >> 32])
    d = since(b, a)
    widen(a, b, 0)
    results.append((d, a[0] | a[1] << 32))
print(json.dumps(results))
"""

WIDE = st.one_of(
    st.integers(0, 2**62 - 1),
    st.builds(
        lambda high, low: max((high << 32) + low, 0), st.integers(0, 2**20), st.integers(-9, 9)
    ),
)
STEPS = st.one_of(st.integers(0, 2**32 - 1), st.integers(0, 20), st.integers(2**30 - 3, 2**30 + 3))


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(WIDE, STEPS), min_size=20, max_size=100))
def test_wide_time_passes_every_wrap(cases: list[tuple[int, int]]) -> None:
    pairs = [(then, then + step) for then, step in cases]
    found = json.loads(run_script(TIMES, stdin=json.dumps(pairs).encode()))
    assert found == [[min(now - then, 2**30 - 1), now] for then, now in pairs]


def test_far_times_saturate() -> None:
    pairs = [(5, 5 + 2**32 + 1), (0, 2**60), (2**33 - 1, 2**40)]
    found = json.loads(run_script(TIMES, stdin=json.dumps(pairs).encode()))
    assert [difference for difference, _ in found] == [2**30 - 1] * 3


CHASED = """
from array import array
from app import App
from ring import Rings
class Line:
    cut = 0
    def send(self, frame, at, size): pass
class Board:
    notes = []
    meter = None
    outputs = 0
    tick_ps = 24000
    def __init__(self):
        self.link = Line()
        self.rings = Rings(2048, [bytearray(8192) for _ in range(4)])
        self.now = array("I", [0, 0])
        self.copies = 0
    def refresh(self, i):  # two more edges come in while a block is copied
        self.copies += 1
        self.rings.written[i] += 2
board = Board()
app = App(board)
board.rings.written[1] = 5000
board.rings.settle_all()
for _ in range(2000):
    app._send_block(1, 58)
    board.rings.written[1] += 58
print(board.copies)
"""


def test_a_full_ring_cannot_hold_up_the_loop() -> None:
    # Edges come in as fast as they are sent: at most one block in 32 has to be copied again.
    assert int(run_script(CHASED)) <= 2000 + 2000 // 30
