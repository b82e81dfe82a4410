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
            due = 8 * beating + old
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
            log.append([made, lost % WORD, all(k >= mark for k in ring), due])
    log.append([0, 0, 0])
    return log


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 1), STARTS, OPERATIONS), min_size=5, max_size=20))
def test_rings_do_what_the_model_does(cases: list[tuple[int, int, list[tuple[str, int]]]]) -> None:
    found = json.loads(run_script(SCRIPT, stdin=json.dumps(cases).encode()))
    for (both, start, operations), log in zip(cases, found, strict=True):
        expected = model(both, start, operations)
        assert log[-1] == expected[-1]
        for (due, data, lost, drained), (made, gone, empty, wanted) in zip(
            log[:-1], expected[:-1], strict=True
        ):
            assert [list(block) for block in blocks(bytes.fromhex(data), both)] == made
            assert lost == gone
            assert due & 9 == wanted
            if due & 8:
                assert bool(drained) == empty


TIMES = """
import sys, json
from ring import plain_rings
results = []
for then, now in json.loads(sys.stdin.read()):
    rings = plain_rings(64)
    rings.clear(1)
    rings.pace(1000, 4166666 + (now & 1))
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
    assert found == [2 * (b - a >= 4_166_666 + b % 2) + 4 * (b - a >= 2**29) for a, b in pairs]


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


AGES = """
import sys, json
from array import array
from ring import plain_rings, FRAMES
found = []
for both, which, time, ahead, age in json.loads(sys.stdin.read()):
    rings = plain_rings(64)
    rings.clear(1)
    rings.pace(age, 1 << 29)
    rings.stamp_both(both << which)
    now = time + ahead
    rings.written[which] = rings.taken[which] = gone = 5 + 61 * which
    rings.write(which, array("I", [time << both & 0xFFFFFFFF]), 0, 1)
    rings.now[0] = rings.beat[0] = now & 0xFFFFFFFF
    found.append([rings.survey(), rings.pack(), rings.taken[which] - gone])
print(json.dumps(found))
"""


def test_an_edge_waits_for_others_no_longer_than_it_may() -> None:
    """4096 ticks are added, since it may be younger than `now`; older by 2^30 and more it is due,
    whatever its lower bits, up to 2^32 ticks, or 2^31 where counts are doubled."""
    cases, wanted = [], []
    for both, age in ((0, 10_000), (1, 10_000), (0, 10_001), (1, 10_001)):
        most = 32 - both
        for ahead, due in (
            (age - 4_097, 0), (age - 4_096, 1), (0, 0), (-4_096, 0), (-4_097, 1),
            (age, 1), ((1 << 29), 1), ((1 << 30) - 4_097, 1), ((1 << 30) - 4_096 + 9, 1),
            ((1 << 31) - 4_096 + 9, 1 - both), (3 * (1 << 30) - 4_096 + 9, 1),
            ((1 << most) - 4_097, 1), ((1 << most) - 4_096, 0),
        ):  # fmt: skip
            for which, time in ((0, 5_000), (3, 50), (2, (1 << 31) - 40), (1, (1 << 32) - 300)):
                cases.append((both, which, time, ahead, age))
                # One count: 4 of code and type, 4, block of 8, count, CRC, and a delimiter.
                wanted.append([due, 26 * due, due])
    found = json.loads(run_script(AGES, stdin=json.dumps(cases).encode()))
    for case, one, want in zip(cases, found, wanted, strict=True):
        assert one == want, case


def test_twelve_frames_full_are_due_however_young() -> None:
    """Wherever the numbers of edges wrap. A heartbeat that waits does not make edges due."""
    script = """
import sys, json
from array import array
from ring import plain_rings
found = []
for start, counts in json.loads(sys.stdin.read()):
    rings = plain_rings(2048)
    rings.clear(1)
    rings.pace(1 << 29, 1 << 29)
    for i in range(4):
        rings.written[i] = rings.taken[i] = start
        rings.write(i, array("I", [0] * counts[i]), 0, counts[i])
    found.append(rings.survey())
    rings.mark()
    found.append(rings.survey())
print(json.dumps(found))
"""
    cases = [(695, 0, 0, 0), (696, 0, 0, 0), (348, 0, 347, 0), (300, 48, 300, 48), (0, 0, 0, 696)]
    given = [(start, counts) for start in (0, 2**30 - 9, WORD - 9) for counts in cases]
    found = json.loads(run_script(script, stdin=json.dumps(given).encode()))
    assert found == [0, 8, 1, 9, 0, 8, 1, 9, 1, 9] * 3


def test_a_heartbeat_is_due_at_each_border() -> None:
    powers = (28, 29, 30, 31, 32, 33, 47, 48, 61)
    steps = [*range(4_166_665, 4_166_668), 0, *((1 << k) + by for k in powers for by in (-1, 0, 5))]
    thens = [high * 2**32 + low for high in (0, 7, 2**31 - 1)
             for low in (0, 5, 2**31 - 3, 2**31, 2**32 - 1)]  # fmt: skip
    pairs = [(then, then + step) for then in thens for step in steps]
    found = json.loads(run_script(TIMES, stdin=json.dumps(pairs).encode()))
    for (then, now), one in zip(pairs, found, strict=True):
        due = now - then >= 4_166_666 + now % 2  # of an odd time one tick more was asked for
        assert one == 2 * due + 4 * (now - then >= 2**29), (then, now - then)


def test_what_goes_before_a_heartbeat_and_what_is_given_up() -> None:
    """A mark up to a ring's size ahead waits; what lies behind, or beyond, is no edge to send."""
    script = """
import sys, json
from array import array
from ring import plain_rings, MARKS, WRITTEN, TAKEN, LOST, STALLS
found = []
for marks, taken in json.loads(sys.stdin.read()):
    rings = plain_rings(64)
    for i in range(4):
        rings.state[MARKS + i], rings.state[TAKEN + i] = marks[i], taken[i]
        rings.state[STALLS + i] = 3  # no mark
    found.append(rings.drained())
rings = plain_rings(64)
for i in range(4):
    rings.state[WRITTEN + i] = (7, 5, 0xFFFFFFFF, 3)[i]
    rings.state[TAKEN + i] = (7, 2, 0xFFFFFFF0, 0xFFFFFFFE)[i]
    rings.state[LOST + i] = (1, 0xFFFFFFFF, 2, 3)[i]
    rings.state[STALLS + i] = 20 + i
rings.now[0], rings.now[1] = 11, 12
rings.mark()
marked = [rings.beating(), list(rings.beat), list(rings.state[MARKS:MARKS + 4])]
rings.discard()
rings.beaten()
print(json.dumps([found, marked, list(rings.lost), list(rings.taken), rings.beating(),
                  list(rings.state)]))
"""
    even = [9, 9, 9, 9]
    cases, wanted = [(even, even)], [1]
    for i in range(4):
        for ahead, drained in ((1, 0), (64, 0), (65, 1), (-1, 1), (1 << 30, 1), (3 << 30, 1),
                               ((1 << 30) + 5, 1), ((2 << 30) + 5, 1)):  # fmt: skip
            taken = (WORD - 30) if ahead in (1, 64) else 9
            cases.append(([*even[:i], (taken + ahead) % WORD, *even[i + 1 :]],
                          [*even[:i], taken, *even[i + 1 :]]))  # fmt: skip
            wanted.append(drained)
    found, marked, lost, taken, beating, state = json.loads(
        run_script(script, stdin=json.dumps(cases).encode())
    )
    assert found == wanted
    assert marked == [1, [11, 12], [7, 5, WORD - 1, 3]]
    assert lost == [1, 2, 2 + 15, 3 + 5] and taken == [7, 5, WORD - 1, 3] and beating == 0
    # Nothing else has moved: written, taken, lost, marks, stalls, times, no mark, size.
    ends = [7, 5, WORD - 1, 3]
    assert state == [*ends, *ends, *lost, *ends, 20, 21, 22, 23, 11, 12, 11, 12, 0, 0, 0, 0, 64,
                     *[0] * 14]  # fmt: skip


def test_what_was_overwritten_is_counted_however_much_it_was() -> None:
    """Of more than a ring of 64 a quarter goes with it, 48 stay; at 2^30 edges and more as well."""
    script = """
import sys, json
from ring import plain_rings, WRITTEN, TAKEN, LOST
found = []
for taken, waiting in json.loads(sys.stdin.read()):
    rings = plain_rings(64)
    rings.pace(1 << 29, 1 << 29)
    for i in range(4):
        rings.state[TAKEN + i] = taken
        rings.state[WRITTEN + i] = (taken + (waiting if i == 2 else 0)) & 0xFFFFFFFF
    rings.survey()
    found.append([list(rings.lost), (rings.written[2] - rings.taken[2]) & 0xFFFFFFFF,
                  [rings.taken[i] == taken for i in (0, 1, 3)]])
print(json.dumps(found))
"""
    sizes = [0, 63, 64, 65, 1000, *((1 << k) + by for k in (30, 31) for by in (-1, 0, 5, 64)),
             3 << 30]  # fmt: skip
    cases = [(taken, n) for n in sizes for taken in (0, 5, WORD - 30)]
    found = json.loads(run_script(script, stdin=json.dumps(cases).encode()))
    for (_, n), one in zip(cases, found, strict=True):
        left = n if n <= 64 else 48
        assert one == [[0, 0, n - left, 0], left, [True] * 3], n


def test_inputs_take_turns_and_four_frames_go_at_once() -> None:
    """Two full frames on each input: of two inputs at a time, and the next turn goes on there.

    What fills no frame waits, of 58 edges as few as 57.
    """
    script = """
import json, binascii
from array import array
from ring import plain_rings, SEQ
rings = plain_rings(256)
rings.clear(0x1234)
rings.pace(1 << 29, 1 << 29)
for i in range(4):
    n = (117, 118, 119, 173)[i]
    rings.write(i, array("I", [1000 * i + k for k in range(n)]), 0, n)
sent = []
for _ in range(3):
    size = rings.pack()
    sent.append(binascii.hexlify(rings.out[3:3 + size]).decode())
rings.mark()
size = rings.pack()
sent.append(binascii.hexlify(rings.out[3:3 + size]).decode())
print(json.dumps([sent, list(rings.taken), rings.seq[0], rings.drained()]))
"""
    sent, taken, seq, drained = json.loads(run_script(script))
    heads, number = [], 0
    for data in sent:
        heads.append([])
        for piece in bytes.fromhex(data).split(b"\0"):
            if piece:
                body = body_of(piece)
                kind, flags, session, frame, which, n, levels, first = struct.unpack(
                    "<BBHIBBHI", body[:16]
                )
                assert (kind, flags, session, frame, levels) == (2, 0, 0x1234, number, 0)
                counts = struct.unpack(f"<{n}I", body[16:])
                assert list(counts) == [1000 * which + first + k for k in range(n)]
                heads[-1].append((which, first, n))
                number += 1
    assert heads[:3] == [
        [(0, 0, 58), (0, 58, 58), (1, 0, 58), (1, 58, 58)],
        [(2, 0, 58), (2, 58, 58), (3, 0, 58), (3, 58, 58)], [],
    ]  # fmt: skip
    # A turn in which nothing was due ended where it had begun.
    assert heads[3] == [(0, 116, 1), (1, 116, 2), (2, 116, 3), (3, 116, 57)]
    assert (taken, seq, bool(drained)) == ([117, 118, 119, 173], 12, True)


def test_a_ring_that_is_just_full_goes_and_nothing_beyond_a_mark_that_was_overtaken() -> None:
    """Of 64: 58 and 6 at once, none lost. Of 10 before a mark and 64 after it a quarter is lost
    with what is too much, 26; what is left is younger than the heartbeat, which waits no more."""
    script = """
import json
from array import array
from ring import plain_rings
found = []
for before, after in ((64, 0), (10, 64), (10, 54), (0, 5)):
    for i in range(4):
        rings = plain_rings(64)
        rings.clear(1)
        rings.pace(1 << 29, 1 << 29)
        source = array("I", [0] * 64)
        rings.write(i, source, 0, before)
        rings.mark()
        rings.write(i, source, 0, after)
        due = rings.survey()
        size = rings.pack()
        found.append([due, size, rings.taken[i], rings.lost[i], rings.drained()])
print(json.dumps(found))
"""
    found = json.loads(run_script(script))
    # A frame of n edges has 4 (n + 6) bytes with all its delimiters, of which the ends lack 2.
    assert found[:4] == [[8, 4 * (64 + 6 + 6) - 2, 64, 0, 1]] * 4
    assert found[4:8] == [[8, 0, 26, 26, 1]] * 4
    assert found[8:12] == [[8, 4 * (10 + 6) - 2, 10, 0, 1]] * 4
    assert found[12:] == [[8, 0, 0, 0, 1]] * 4
