"""Rings, losses and the frames made of them, under the real MicroPython, against a plain model."""

from __future__ import annotations

import json
import struct
from collections import deque

from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_board import body_of, run_script

SIZE = 64
BLOCK = 58
PACK = 4
WORD = 2**32
SESSION = 0xBEEF

# Runs operations on input 1; counts written are the running index times 7, low 32 bits.
SCRIPT = """
import sys, json, binascii
from array import array
from ring import plain_rings, AGE, EVERY
SIZE = 64
results = []
for both, start, operations in json.loads(sys.stdin.read()):
    rings = plain_rings(SIZE)
    rings.clear(0xBEEF)
    rings.pace(100 * 7, 1 << 29)
    rings.stamp_both(both << 1)
    rings.written[1] = rings.taken[1] = start
    index = start
    source = array("I", [0] * 300)
    log = []
    for operation, n in operations:
        now = (index * 7 + n) & 0xFFFFFFFF
        rings.now[0] = rings.beat[0] = now
        if operation == "write":
            for k in range(n):
                count = (index + k) * 7
                source[3 + k] = (2 * count + (k & 1) if both else count) & 0xFFFFFFFF
            index += n
            rings.write(1, source, 3, n)
        elif operation == "mark":
            rings.mark()
        elif operation == "beaten":
            rings.beaten()
        elif operation == "discard":
            rings.discard()
        else:
            due = rings.survey()
            size = rings.pack() if due else 0
            log.append((due, binascii.hexlify(rings.out[3:3 + size]).decode(), rings.lost[1],
                        rings.drained()))
    log.append((rings.written[0], rings.taken[2], rings.lost[3]))
    results.append(log)
print(json.dumps(results))
"""

OPERATIONS = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.integers(0, 200)),
        st.tuples(st.just("send"), st.integers(0, 1_000)),
        st.tuples(st.just("mark"), st.just(0)),
        st.tuples(st.just("beaten"), st.just(0)),
        st.tuples(st.just("discard"), st.just(0)),
    ),
    max_size=40,
)
STARTS = st.one_of(
    st.integers(0, WORD - 1), st.integers(WORD - 150, WORD - 1), st.integers(2**31 - 99, 2**31)
)


def blocks(data: bytes, both: int) -> list[tuple[int, list[int]]]:
    """(first, counts) of the edge frames between delimiters; asserts what else they say."""
    found = []
    for piece in data.split(b"\0"):
        if piece:
            body = body_of(piece)
            number, flags, session, _, which, n, levels, first = struct.unpack(
                "<BBHIBBHI", body[:16]
            )
            assert (number, flags, session, which, levels) == (2, 0, SESSION, 1, both)
            counts = struct.unpack(f"<{n}I", body[16:])
            found.append((first, [count >> both for count in counts]))
    return found


def model(both: int, start: int, operations: list[tuple[str, int]]) -> list:
    """The same with a deque and Python's own integers: (blocks, lost, drained) per send."""
    ring: deque[int] = deque()
    index, lost, mark, beating = start, 0, start, False
    log: list = []
    for operation, n in operations:
        now = index * 7 + n
        if operation == "write":
            ring.extend(range(index, index + n))
            index += n
        elif operation == "mark":
            mark, beating = index, True
        elif operation == "beaten":
            beating = False
        elif operation == "discard":
            lost += len(ring)
            ring.clear()
        else:
            if len(ring) > SIZE:  # then a quarter more goes, to have room for a while
                while len(ring) > SIZE - SIZE // 4:
                    ring.popleft()
                    lost += 1
            old = bool(ring) and now - ring[0] * 7 + 4096 >= 700
            made: list = []
            if beating or old:
                while ring and len(made) < PACK:
                    most = sum(k < mark for k in ring) if beating else len(ring)
                    count = min(most, BLOCK)
                    if not count or (count < BLOCK and not beating and not old):
                        break
                    made.append(
                        [ring[0] % WORD, [k * 7 % (WORD >> both) for k in list(ring)[:count]]]
                    )
                    for _ in range(count):
                        ring.popleft()
                    old = bool(ring) and now - ring[0] * 7 + 4096 >= 700
            log.append([made, lost % WORD, all(k >= mark for k in ring)])
    log.append([0, 0, 0])
    return log


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 1), STARTS, OPERATIONS), min_size=5, max_size=20))
def test_rings_do_what_the_model_does(cases: list[tuple[int, int, list[tuple[str, int]]]]) -> None:
    found = json.loads(run_script(SCRIPT, stdin=json.dumps(cases).encode()))
    for (both, start, operations), log in zip(cases, found, strict=True):
        expected = model(both, start, operations)
        assert log[-1] == expected[-1]
        for (due, data, lost, drained), (made, gone, empty) in zip(
            log[:-1], expected[:-1], strict=True
        ):
            assert [list(block) for block in blocks(bytes.fromhex(data), both)] == made
            assert lost == gone
            if due & 8:
                assert bool(drained) == empty


TIMES = """
import sys, json
from ring import plain_rings
results = []
for then, now in json.loads(sys.stdin.read()):
    rings = plain_rings(64)
    rings.clear(1)
    rings.pace(1000, 4166666)
    for words, time in ((rings.beat, then), (rings.now, now)):
        words[0], words[1] = time & 0xFFFFFFFF, time >> 32
    results.append(rings.survey())
print(json.dumps(results))
"""

WIDE = st.one_of(
    st.integers(0, 2**62 - 1),
    st.builds(
        lambda high, low: max((high << 32) + low, 0), st.integers(0, 2**20), st.integers(-9, 9)
    ),
)
STEPS = st.one_of(
    st.integers(0, 2**60),
    st.integers(0, 20),
    st.integers(4_166_660, 4_166_670),
    st.integers(2**29 - 20, 2**29 + 3),
    st.integers(2**32 - 3, 2**32 + 20),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(WIDE, STEPS), min_size=20, max_size=100))
def test_a_heartbeat_is_due_across_every_wrap(cases: list[tuple[int, int]]) -> None:
    pairs = [(then, then + step) for then, step in cases]
    found = json.loads(run_script(TIMES, stdin=json.dumps(pairs).encode()))
    assert found == [
        2 * (step >= 4_166_666) + 4 * (step >= 2**29) for step in (b - a for a, b in pairs)
    ]


FULL = """
import json
from array import array
from ring import plain_rings
rings = plain_rings(2048)
rings.clear(1)
rings.pace(1 << 29, 1 << 29)
source = array("I", [0] * 1000)
sent = turns = 0
which = [0] * 4
for turn in range(400):  # more edges than can be sent, on two inputs; some on a third
    rings.write(0, source, 0, 500)
    rings.write(2, source, 0, 400)
    rings.write(3, source, 0, 3)
    if rings.survey():
        before = list(rings.taken)
        size = rings.pack()
        turns += 1
        for i in range(4):
            which[i] += rings.taken[i] - before[i]
print(json.dumps([turns, which, list(rings.written), list(rings.taken), list(rings.lost)]))
"""


def test_dense_inputs_share_the_line_and_every_loss_is_counted() -> None:
    turns, sent, written, taken, lost = json.loads(run_script(FULL))
    assert turns == 400
    for i in range(4):
        assert sent[i] + lost[i] == taken[i]
        assert 0 <= written[i] - taken[i] <= 2048
    assert sent[0] + sent[2] + sent[3] == sum(taken) - sum(lost)
    # Turn and turn about; the rare one is not starved.
    assert abs(sent[0] - sent[2]) < sent[0] / 20
    assert sent[0] > 40_000
    assert sent[3] >= 1_200 - 1_200 % BLOCK - BLOCK
    assert lost[3] == 0
