"""Both kinds of innermost loops against plain Python; `compiled` uncompiled where that can be."""

import zlib
from fractions import Fraction
from itertools import pairwise, product
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sparkwitness.decode import wire
from sparkwitness.decode.kernels import compiled, plain
from streams import Stream, loops

# Where numba would wrap round, numpy says so.
pytestmark = pytest.mark.filterwarnings("ignore:overflow encountered in scalar")
BOTH = pytest.mark.parametrize("kernel", [plain, loops()], ids=["plain", "compiled"])
PLACES = wire.PLACES
FIXER = 0x4C9DD581


def test_all_of_them_are_compiled_once(monkeypatch):
    """The machine code is kept on disk; a division by zero is as numpy has it; one that wants
    them later need not load them. Without numba there are none."""
    loaded: list[Any] = []
    monkeypatch.setattr(compiled, "loaded", loaded)
    compilers = []

    def njit(**how):
        compilers.append(how)
        return lambda function: ("compiled", function)

    monkeypatch.setattr(compiled.importlib, "import_module", lambda _: SimpleNamespace(njit=njit))
    made = compiled.load.__wrapped__()
    assert loaded == [made] and compilers == [{"cache": True, "error_model": "numpy"}]
    names = ("gather", "spread", "uneven", "misses", "place", "firsts")
    assert vars(made) == {n: ("compiled", getattr(compiled, n)) for n in names}

    def missing(name):
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(compiled.importlib, "import_module", missing)
    assert compiled.load.__wrapped__() is None and loaded == [made]


# Angles


def track(rng: np.random.Generator, present: int, gap: int, turns: int, cuts: tuple[int, ...]):
    """Whole turns of `present` edges and a gap: edges, begins, steps, segments, and each edge's
    place. A new segment begins at each cut; every fifth turn behind the second is of none."""
    length = rng.integers(900, 1_100, turns * present)
    length[present - 1 :: present] += (gap - 1) * 1_000
    edges = np.concatenate(([50], 50 + np.cumsum(length)))
    begin = present * np.arange(turns)
    place = np.concatenate(([0], np.cumsum(np.resize([1] * (present - 1) + [gap], len(length)))))
    step = place[begin]
    segment = np.searchsorted(np.array(cuts), np.arange(turns), side="right")
    segment = np.where(np.arange(turns) % 5 == 2, -1, segment)
    return edges, begin, step, segment, place


def lagrange(nodes: list[tuple[int, Fraction]], at: int) -> Fraction:
    total = Fraction(0)
    for k, (x, y) in enumerate(nodes):
        for j, (other, _) in enumerate(nodes):
            if j != k:
                y *= Fraction(at - other, x - other)
        total += y
    return total


@BOTH
@pytest.mark.parametrize(
    ("present", "gap", "turns", "cuts", "errors"),
    [(5, 2, 12, (4, 9), False), (5, 2, 12, (4, 9), True), (1, 1, 12, (6,), False),
     (1, 3, 12, (6,), False), (1, 3, 12, (6,), True), (2, 2, 9, (), True),
     (3, 4, 11, (1, 2, 3), True), (8, 1, 1, (), False), (4, 3, 2, (), False)],
)  # fmt: skip
def test_angles_by_lagrange(kernel: Any, present: int, gap: int, turns: int, cuts, errors: bool):
    """Through the edges on either side and one more where that belongs to the same segment."""
    rng = np.random.default_rng(present)
    edges, begin, step, segment, place = track(rng, present, gap, turns, cuts)
    around = present - 1 + gap
    offsets = rng.uniform(-0.1, 0.1, around) if errors else np.empty(0)
    off = [Fraction(float(offsets[p % around])) if errors else Fraction(0) for p in place]
    stands = [int(p) + o for p, o in zip(place, off, strict=True)]
    ticks = np.unique(np.concatenate((
        [0, 49, edges[-1] - 1, edges[-1], edges[-1] + 500], edges, edges + 1,
        rng.integers(edges[0], edges[-1], 60),
    )))  # fmt: skip
    owner, table = np.zeros(len(ticks), np.int64), np.zeros((2, len(ticks)))
    kernel.place(edges, begin, step, segment, ticks, gap, 10.0, offsets, owner, table)
    of = np.repeat(segment, present)  # of each interval
    for tick, mine, (degrees, near) in zip(ticks.tolist(), owner.tolist(), table.T, strict=True):
        i = int(np.searchsorted(edges, tick, side="right")) - 1
        if i < 0 or i >= len(of) or of[i] < 0:
            assert mine == -1 and np.isnan(degrees) and np.isnan(near), tick
            continue
        first = i - 1 if i and of[i - 1] == of[i] else i
        last = i + 2 if i + 1 < len(of) and of[i + 1] == of[i] else i + 1
        nodes = [(int(edges[k]), stands[k]) for k in range(first, last + 1)]
        found = lagrange(nodes, tick)
        assert mine == of[i] and degrees == pytest.approx(10 * float(found), abs=1e-9), tick
        edge = min(found - stands[i], stands[i + 1] - found)
        assert near == pytest.approx(10 * float(edge), abs=1e-9), tick
    # The same alone and from the last to the first, wherever the one before had been found.
    for order in (np.arange(len(ticks))[::-1], *np.arange(len(ticks))[:, None]):
        again, other = np.zeros((2, len(order))), np.zeros(len(order), np.int64)
        kernel.place(edges, begin, step, segment, ticks[order], gap, 10.0, offsets, other, again)
        assert other.tolist() == owner[order].tolist()
        assert again.tobytes() == table[:, order].tobytes()


@BOTH
def test_angles_of_no_ticks_and_of_ticks_in_any_order(kernel: Any):
    edges, begin, step, segment, _ = track(np.random.default_rng(1), 5, 2, 4, ())
    for ticks in (np.empty(0, np.int64), np.array([9_000, 300, 15_000, 300, 40, 9_001])):
        owner, table = np.zeros(len(ticks), np.int64), np.zeros((2, len(ticks)))
        kernel.place(edges, begin, step, segment, ticks, 2, 1.0, np.empty(0), owner, table)
        alone = [np.zeros((2, 1)) for _ in ticks]
        for tick, one in zip(ticks, alone, strict=True):
            kernel.place(edges, begin, step, segment, np.array([tick]), 2, 1.0, np.empty(0),
                         np.zeros(1, np.int64), one)  # fmt: skip
        assert np.array_equal(table, np.hstack([np.zeros((2, 0)), *alone]), equal_nan=True)


@BOTH
def test_which_sparks_begin_an_event(kernel: Any):
    """Further on by more than the gap, in another segment, or behind a loss; the first does."""
    degrees = np.array([0.0, 5.0, 10.1, 15.1, 20.0, 21.0, 1.0])
    segment = np.array([0, 0, 0, 0, 1, 1, 1])
    lost = np.array([False, False, False, True, False, False, False])
    first = np.zeros(7, bool)
    kernel.firsts(degrees, segment, lost, 5.0, first)
    assert first.tolist() == [True, False, True, True, True, False, False]


@BOTH
@pytest.mark.parametrize("piece", [4, 8, 1 << 15])
def test_where_the_pace_changes_in_pieces(kernel: Any, piece: int, monkeypatch):
    """More than a quarter longer than the one beside it, wherever the pieces are cut."""
    monkeypatch.setattr(plain, "_PIECE", piece)
    rng = np.random.default_rng(piece)
    for n in (0, 1, 2, 3, 4, 5, 17, 18, 19, 70):
        steps = rng.choice([100, 124, 125, 126, 160], max(n - 1, 0))
        ticks = np.concatenate(([9] if n else [], 9 + np.cumsum(steps))).astype(np.int64)
        index = np.full(n, -7, np.int64)
        found = kernel.uneven(ticks, index)
        wanted = [
            k + 1 for k, (a, b) in enumerate(zip(steps.tolist(), steps.tolist()[1:], strict=False))
            if b > a + a // 4 or a > b + b // 4
        ]  # fmt: skip
        assert index[:found].tolist() == wanted, n


@BOTH
@pytest.mark.parametrize("pace", [(100, 126), (126, 100), (100, 125), (125, 100)])
def test_where_the_pace_changes_once(kernel: Any, pace: tuple[int, int]):
    """100 and a quarter is 125: that is still even. At each place of trains of each length."""
    for n in range(3, 40):
        for at in range(1, n - 1):
            steps = np.where(np.arange(n - 1) < at, *pace)
            index = np.full(n, -7, np.int64)
            found = kernel.uneven(np.cumsum([3, *steps]), index)
            assert index[:found].tolist() == ([at] if 126 in pace else []), (n, at)


# Frames


def gathered(
    kernel: Any, data: bytes, session=7, seq=-1, firsts=(-1, -1, -1, -1), before=b"", after=9
):
    """What `gather` makes of whole frames: words, begins, heartbeats' places, counts, firsts.

    What it is to write to holds ones before, as memory may.
    """
    room = len(data) + len(before) + 260
    packed, begins = np.full(room, 0xFFFFFFFF, np.uint32), np.full((2, room), -1, np.int64)
    first, counts = np.array(firsts, np.int64), np.zeros(4, np.int64)
    stuffed = np.frombuffer(before + data + b"\0" * after, np.uint8)
    words, frames, beats = kernel.gather(
        PLACES, stuffed, len(before), len(before) + len(data), FIXER, session, seq & 0xFFFFFFFF,
        first, counts, packed, *begins,
    )  # fmt: skip
    if words < 0:
        assert (words, frames, beats) == (-1, 0, 0)
        return None
    return (packed[:words], begins[0, :frames].tolist(), begins[1, :beats].tolist(),
            counts.tolist(), first.tolist())  # fmt: skip


def stream(seq: int = 0) -> Stream:
    made = Stream(seq=seq, first=[5, 0, 2**32 - 3, 9])
    made.edges(0, np.arange(100, 258))  # 58, 58 and 42
    made.heartbeat(300)
    made.edges(2, np.array([400, 0x00FF0000, 0]))
    made.edges(3, np.array([1]))
    made.heartbeat(500)
    made.edges(0, np.arange(600, 658))
    return made


@BOTH
@pytest.mark.parametrize("shift", range(8))
@pytest.mark.parametrize("after", [0, 9])
def test_frames_in_order(kernel: Any, shift: int, after: int):
    """Each frame's body and CRC behind a fixer; the number of edges counts on, over 32 bits."""
    made = stream()
    found = gathered(kernel, b"".join(made.frames), firsts=(5, 7, 2**32 - 3, 9),
                     before=b"\5" * shift, after=after)  # fmt: skip
    assert found is not None
    packed, begins, beats, counts, firsts = found
    assert beats == [3, 6] and counts == [158 + 58, 0, 3, 1]
    assert firsts == [5 + 216, 7, 0, 10]
    bodies = [wire.framing.unseal(f[:-1]) for f in made.frames]
    whole = [b + zlib.crc32(b).to_bytes(4, "little") for b in bodies]
    assert begins == np.cumsum([0, *(1 + len(b) // 4 for b in whole)])[:-1].tolist()
    assert packed.tobytes() == b"".join(FIXER.to_bytes(4, "little") + b for b in whole)


@BOTH
def test_frames_that_are_not_as_they_should_be(kernel: Any):
    """Another session or number, a count that is missing, damage, a frame of another kind."""
    good = {"firsts": (5, -1, 2**32 - 3, 9)}
    data = b"".join(stream().frames)
    assert gathered(kernel, data, **good) is not None
    for change in (
        {"session": 8}, {"seq": 0}, {"seq": 2**32 - 2}, {"firsts": (4, -1, 2**32 - 3, 9)},
        {"firsts": (5, -1, -1, 9)}, {"firsts": (5, -1, 2**32 - 3, 8)},
    ):  # fmt: skip
        assert gathered(kernel, data, **{**good, **change}) is None, change
    frames = stream().frames
    for k in range(len(frames)):  # a frame is missing
        rest = [f for j, f in enumerate(frames) if j != k]
        assert (gathered(kernel, b"".join(rest), **good) is None) is (k < len(frames) - 1)
    last = stream(2**32 - 2)  # numbers wrap
    wrapped = [wire.encode(m.name, m.session, m.seq & 0xFFFFFFFF, **m.fields) for m in (
        wire.decode(f[:-1]) for f in last.frames)]  # fmt: skip
    assert gathered(kernel, b"".join(wrapped), seq=2**32 - 3, **good) is not None
    hello = Stream()
    hello.hello()
    assert gathered(kernel, hello.data[1:]) is None
    assert gathered(kernel, wire.encode("log", 7, 0, level=1, text="abc")) is None
    assert gathered(kernel, b"\0" + data, **good) is None


@BOTH
def test_heartbeats_by_kind_and_length(kernel: Any):
    """A log as long as a heartbeat is none (its text fills what its level leaves), nor is a
    heartbeat of four bytes more or less; beside blocks too."""
    made = Stream()
    made.edges(1, np.array([10, 20]))
    made.heartbeat(30)
    body = wire.framing.unseal(made.frames[1][:-1])
    log = wire.encode("log", 7, 1, level=1, text="a" * (len(body) - 9))
    assert len(wire.framing.unseal(log[:-1])) == len(body)
    for frame, good in (
        (made.frames[1], True), (log, False), (wire.framing.seal(body + bytes(4)), False),
        (wire.framing.seal(body[:-4]), False),
    ):  # fmt: skip
        assert (gathered(kernel, made.frames[0] + frame, firsts=(0,) * 4) is not None) is good
        assert (gathered(kernel, frame, seq=0) is not None) is good


@BOTH
def test_the_longest_frame(kernel: Any):
    """252 bytes are 58 edges; the next longer, 256 of 59, is longer than a frame may be."""
    for n, good in ((58, True), (59, False)):
        head = wire.HEADER.build({"type": PLACES.edges, "flags": 0, "session": 7, "seq": 0})
        body = head + bytes([0, n, 0, 0, 0, 0, 0, 0]) + np.arange(n, dtype="<u4").tobytes()
        assert len(body) + 4 == 4 * n + 20
        found = gathered(kernel, wire.framing.seal(body), firsts=(0,) * 4)
        assert (found is not None) is good


@BOTH
def test_bytes_behind_a_good_frame(kernel: Any):
    """One to three, the first a zero, so that the frame's codes meet at its old end as well; with
    as many codes before as there may be. Two such frames make up for their lengths at times."""
    codes = set()
    for value in (0x01010101, 0x010101, 0x0101, 0x01):
        made = Stream()
        made.edges(1, np.array([value, 0x01010101, 0x02020202]))
        made.edges(1, np.array([0x01020304]))
        both = [f[:-1] for f in made.frames]
        assert gathered(kernel, b"".join(made.frames), firsts=(0,) * 4) is not None
        whole = [wire.framing.cobs_decode(f) for f in both]
        codes.add(whole[0].count(0) % 4)
        for more, last in product((b"\0", b"\0\5", b"\0\5\5"), repeat=2):
            longer = [
                wire.framing.cobs_encode(w + m) + b"\0"
                for w, m in zip(whole, (more, last), strict=True)
            ]
            for frames in (longer, longer[:1], [made.frames[0], longer[1]]):
                assert gathered(kernel, b"".join(frames), firsts=(0,) * 4) is None
    assert codes == {0, 1, 2, 3}
    for n in range(1, 9):  # delimiters with nothing between
        data = made.frames[0] + bytes(n) + made.frames[1]
        assert gathered(kernel, data, firsts=(0,) * 4) is None


@BOTH
def test_a_block_without_an_edge(kernel: Any):
    """Its number of edges is told as it is; or the frame ends in its header."""
    made = Stream()
    made.edges(1, np.array([10, 20]))
    body = bytearray(wire.framing.unseal(made.frames[0][:-1]))
    assert len(body) == 8 + 8 + 2 * 4
    body[9] = 0
    for size in (4, 8, 12, 16):
        data = wire.framing.seal(bytes(body[:size]))
        assert gathered(kernel, data, firsts=(0, 0, 0, 0)) is None
        assert gathered(kernel, data + data, firsts=(0, 0, 0, 0)) is None


@BOTH
@pytest.mark.parametrize(
    ("at", "value"), [(8, 4), (8, 255), (9, 0), (9, 1), (9, 3), (0, 3), (0, 4), (9, 255)]
)
def test_a_block_that_lies(kernel: Any, at: int, value: int):
    """Its input (byte 8), its number of edges (byte 9) or its kind (byte 0)."""
    made = Stream()
    made.edges(1, np.array([10, 20]))
    body = bytearray(wire.framing.unseal(made.frames[0][:-1]))
    assert gathered(kernel, made.frames[0], firsts=(0, 0, 0, 0)) is not None
    body[at] = value
    assert gathered(kernel, wire.framing.seal(bytes(body)), firsts=(0, 0, 0, 0)) is None


@BOTH
def test_codes_that_lead_astray(kernel: Any):
    """One code more or less by one, two, or to the end of the block: no frame; or one whose CRC
    then does not fit."""
    made = Stream()
    made.edges(0, np.array([0x00010203, 0x00000100, 0x01020304]))
    made.edges(0, np.array([0x0A0B0C0D]))
    data = b"".join(made.frames)
    codes, at = [], 0
    while data[at]:
        codes.append(at)
        at += data[at]
    assert len(codes) > 3
    for code in codes:
        for by in (-2, -1, 1, 2, 200):
            wrong = bytearray(data)
            wrong[code] = (wrong[code] + by) % 255 + 1 if wrong[code] + by < 1 else min(
                wrong[code] + by, 255)  # fmt: skip
            if bytes(wrong) == data or 0 in wrong[: len(made.frames[0]) - 1]:
                continue
            found = gathered(kernel, bytes(wrong), firsts=(0, 0, 0, 0))
            fits = found is not None and wire.framing.crc_good(found[0])
            assert not fits, (code, by)


# Times


def spread(kernel: Any, frames: list[tuple[int, Any]], beat: int, last=(-1, -1, -1, -1), around=77):
    """Times of blocks (input, times), heartbeats (-1, time) between; None where they do not rise.

    Also the plain sum: a count is the time nearest to the heartbeat's before it. All words that
    are neither counts nor say how many there are hold `around`.
    """
    words: list[int] = []
    begins, beats_at, beats, counts = [], [], [], [0] * 4
    for k, (which, times) in enumerate(frames):
        begins.append(len(words))
        if which < 0:
            beats_at.append(k)
            beats.append(times)
            words += [around, *[0xFFFFFFFF] * 20]
        else:
            head = [around] * 3 + [which | len(times) << 8, around]
            words += [*head, *(t % 2**32 for t in times), around]
            counts[which] += len(times)
    filled = np.concatenate(([0], np.cumsum(counts)))
    ticks, ends = np.zeros(filled[-1], np.int64), np.array(last, np.int64)
    into = filled[:-1].copy()
    good = kernel.spread(
        PLACES, np.array(words, np.uint32), np.array(begins), beat, np.array(beats_at, np.int64),
        np.array(beats, np.int64), ends, into, ticks,
    )  # fmt: skip
    if not good:
        return None
    assert into.tolist() == filled[1:].tolist()
    return [ticks[a:b].tolist() for a, b in pairwise(filled)], ends.tolist()


@BOTH
@pytest.mark.parametrize("start", [1_000, 2**31 - 500, 2**32 - 500, 7 * 2**32 + 2**31 - 90])
def test_times_of_blocks(kernel: Any, start: int):
    """Before and after their heartbeat, over the end of 31 and of 32 bits; few words and many."""
    a, b = start + 10 * np.arange(58), start + 5 + 10 * np.arange(40)
    frames: list[tuple[int, Any]] = [
        (0, a.tolist()), (2, [start + 3]), (0, (a + 600).tolist()), (-1, start + 1_000),
        (2, [start + 4, start + 900]), (0, (a + 1_200).tolist()), (-1, start + 5 * 2**32),
        (2, [start + 5 * 2**32 + k for k in (-2**31, 0, 2**31 - 1)]), (3, (b + 5 * 2**32).tolist()),
    ]  # fmt: skip
    found = spread(kernel, frames, start)
    wanted = [
        [t for w, times in frames if w == which for t in times] for which in range(4)
    ]  # fmt: skip
    assert found is not None and found[0] == wanted
    assert found[1] == [times[-1] if times else -1 for times in wanted]
    only = [(0, a.tolist()), (0, (a + 600).tolist())]  # all words are its own
    found = spread(kernel, only, start, last=(start - 1, 5, 6, 7))
    assert found is not None and found[0][0] == a.tolist() + (a + 600).tolist()
    assert found[1] == [start + 1_170, 5, 6, 7]
    assert spread(kernel, [(-1, 5)], 3, last=(1, 2, 3, 4)) == ([[], [], [], []], [1, 2, 3, 4])


@BOTH
@pytest.mark.parametrize("around", [0, 2**32 - 1])
def test_times_over_the_end_of_32_bits(kernel: Any, around: int):
    """Between each two edges of a block; what stands before and behind it says nothing of that."""
    end = 3 * 2**32
    for n in range(1, 8):
        for over in range(n + 1):
            times = [end + k - over for k in range(n)]
            frames = [(2, [end - 50]), (0, times), (2, [end + 50]), (0, [t + 100 for t in times])]
            found = spread(kernel, frames, end - 60, around=around)
            assert found is not None
            assert found[0] == [times + [t + 100 for t in times], [], [end - 50, end + 50], []]


@BOTH
@pytest.mark.parametrize(
    ("times", "last", "rise"),
    [([[10, 20], [21]], 9, True), ([[10, 20], [21]], 10, False), ([[10, 20], [20]], 9, False),
     ([[10, 10], [21]], 9, False), ([[20, 10], [21]], 9, False), ([[10, 20], [15]], 9, False),
     ([[10, 20], [21, 22, 22]], 9, False), ([[10], [11]], 50, False)],
)  # fmt: skip
def test_times_that_do_not_rise(kernel: Any, times, last: int, rise: bool):
    found = spread(kernel, [(1, one) for one in times], 5, last=(-1, last, -1, -1))
    assert (found is not None) is rise
    beside = [(0, [3, 4]), *((1, one) for one in times), (3, [1])]
    assert (spread(kernel, beside, 5, last=(-1, last, -1, -1)) is not None) is rise


# What an edge misses


@BOTH
def test_what_an_edge_misses_where_a_turn_has_periods(kernel: Any):
    """12 even teeth in periods of 4: in each third period one edge is left out, 4 and some before
    its end, and from turn to turn 5 teeth further round; the wheel turns ever slower."""
    k = np.arange(300)
    edges = 10_000 * k + k * k
    starts = 4 * np.arange(20, 40)
    number = np.arange(20) + 6
    table = np.full((2, 20), np.nan)
    kernel.misses(
        edges, starts, starts + 4, number, np.full(20, 9), 12, 4, 5,
        np.arange(-60.0, 60.0), -60, 30.0, table,
    )  # fmt: skip
    for p in range(20):
        if (p + 6) % 3:
            assert np.isnan(table[:, p]).all()
            continue
        at = int(starts[p]) + 4 - (4 + (p + 6) // 3 * 5 % 12)
        for reach in (1, 2):
            nodes = [(int(edges[at + j * reach]), Fraction(j * reach)) for j in (-2, -1, 1, 2)]
            missed = 30 * float(lagrange(nodes, int(edges[at])))
            assert table[reach - 1, p] == pytest.approx(missed, rel=1e-6), p


@BOTH
@pytest.mark.parametrize("swing", [0.0, 0.3])
def test_what_an_edge_misses_by_lagrange(kernel: Any, swing: float):
    """Of a wheel of 12 steps, a gap of 2: the edge left out moves by 5 from turn to turn; near, and
    with neighbours twice as far. Places of the edges from two before a period's first on."""
    present, gap, turns = 11, 2, 9
    place = np.concatenate(([0], np.cumsum(np.resize([1] * 10 + [gap], turns * present))))
    edges = np.rint(1_000 * place + 900 * swing * np.sin(place) + place % 7).astype(np.int64)
    starts = present * np.arange(turns)
    number, run = np.arange(turns) + 3, np.arange(turns) % 2
    # The same places for each period: the period's own edges, 22 before and 22 after.
    steps_from = -22
    around = np.arange(-22, present + 23)
    steps = (around // present * 12 + around % present).astype(np.float64)
    table = np.full((2, turns), np.nan)
    kernel.misses(
        edges, starts, starts + present, number, run, present, present, 5, steps, steps_from,
        30.0, table,
    )  # fmt: skip
    known = 0
    for p in range(turns):
        back = 4 + int(number[p]) * 5 % present
        if back + 4 > (run[p] + 1) * present:
            assert np.isnan(table[:, p]).all()
            continue
        known += 1
        at = starts[p] + present - back
        stands = [int(steps[k - starts[p] - steps_from]) for k in range(at - 4, at + 5)]
        for reach in (1, 2):
            nodes = [(int(edges[at + k * reach]), Fraction(stands[4 + k * reach]))
                     for k in (-2, -1, 1, 2)]  # fmt: skip
            missed = lagrange(nodes, int(edges[at])) - stands[4]
            assert table[reach - 1, p] == pytest.approx(30 * float(missed), abs=1e-8), p
    assert 4 <= known < turns
