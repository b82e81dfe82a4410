"""Arguments for the viper functions of the stand-alone meter: see test_firmware_arm.py."""

from __future__ import annotations

import random
from array import array
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pio_chip

EDGE_WORDS = (0, 1, 2, 2**30 - 1, 2**30, 2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1)
WHEELS = ((1, 0, 1), (1, 0, 2), (4, 0, 1), (36, 1, 1), (60, 2, 1), (36, 2, 2), (8, 3, 1))


def crank_case(rng: random.Random) -> list[Any]:
    """Edges of a wheel that swings, with teeth lost and strays; the tracker at any place."""
    (crank,) = pio_chip.load("crank")
    tracker = crank.Crank(SimpleNamespace(size=256), 0)
    teeth, missing, turns = rng.choice(WHEELS)
    indexed = not missing and teeth > 1 and rng.random() < 0.3
    tracker.set_wheel(teeth, missing, turns, 2 if indexed else -1)
    start = rng.choice(EDGE_WORDS)
    ring, now, at = array("I", [0] * 256), start, rng.getrandbits(32)
    other, n = array("I", [0] * 256), rng.randint(0, 250)
    length = rng.choice((4_000, 50_000, 2_500_000, 70_000_000))
    for k in range(n):
        gap = length * rng.randint(80, 120) // 100
        if missing and k % (teeth - missing) == 7:
            gap *= missing + 1
        if rng.random() < 0.01:
            gap = rng.getrandbits(31)
        now = (now + gap) & 0xFFFFFFFF
        ring[(at + k) & 255] = now
        if k % teeth == 0:
            other[k // teeth & 255] = (now - 10) & 0xFFFFFFFF
    state = tracker.state
    state[crank.SEEN], state[crank.LAST] = at, start
    state[crank.KNOWN] = rng.choice((0, 1, 5))
    state[crank.STEP], state[crank.WIDTH] = length, rng.randrange(2)
    state[crank.TOOTH] = rng.randrange(teeth - missing)
    state[crank.BAD], state[crank.ENDED] = rng.randrange(2), rng.randrange(3)
    state[crank.DECIDED] = (at - 1) & 0xFFFFFFFF
    written = array("I", [(at + n) & 0xFFFFFFFF, 0, n // teeth, 0])
    most = rng.choice((256, 256, 40))
    return [ring, written, 0, 256, most, state, tracker.wheel, tracker.marks, other,
            2 if indexed else 0]  # fmt: skip


def sparks_case(rng: random.Random) -> list[Any]:
    """Sparks between the edges that a tracker has judged."""
    crank, sparks = pio_chip.load("crank", "sparks")
    case = crank_case(rng)
    state, wheel = case[5], case[6]
    first = (case[0][(state[crank.SEEN] - 1) & 255]) & 0xFFFFFFFF
    state[crank.DECIDED] = edge = state[crank.SEEN]
    crank._follow(*case)
    events = sparks.Events(SimpleNamespace(size=256, written=case[1]), 1,
                           SimpleNamespace(state=state, wheel=wheel))  # fmt: skip
    events.set_wheel(SimpleNamespace(state=state, wheel=wheel), 1)
    order = events.order
    order[sparks.DEAD], order[sparks.PAUSE] = 9_583, rng.choice((125_000, 1_000_000))
    order[sparks.NEAR], order[sparks.MOST] = 833, 200
    order[sparks.FARTHEST] = 75_000
    ring, at, now = array("I", [0] * 256), rng.getrandbits(32), first
    n = rng.randint(0, 150)
    for k in range(n):
        now = (now + rng.choice((2_000, 40_000, rng.randint(100_000, 5_000_000)))) & 0xFFFFFFFF
        ring[(at + k) & 255] = now
    mine = events.state
    mine[sparks.SEEN], mine[sparks.LAST], mine[sparks.EDGE] = at, first, edge
    mine[sparks.RUNNING] = rng.randrange(2)
    mine[sparks.FIRST] = first
    written = array("I", [0, (at + n) & 0xFFFFFFFF, 0, 0])
    return [ring, case[0], written, 1, 256, mine, state, case[7], order, events.words,
            rng.getrandbits(29)]  # fmt: skip


def kept_events(rng: random.Random) -> tuple[array, int, int, int, int]:
    """Slots of events at one or two places, which is the first, how many; scale and fold."""
    places = [rng.randrange(720_000) for _ in range(rng.choice((1, 2)))]
    angles = [(rng.choice(places) + round(rng.gauss(0, 300))) % 720_000 + 1000 for _ in range(64)]
    numbers = [rng.randrange(3) + 2 * k + 1000 * (k > 40) for k in range(64)]
    ages = [1000 + 50 * k for k in range(64)]
    counts = [rng.randint(1, 13) for _ in range(64)]
    late = [rng.randrange(2) for _ in range(64)]
    scale, fold = rng.choice(((1, 360_000), (1, 720_000), (16, 720_000), (7, 360_000)))
    return array("I", [*angles, *numbers, *ages, *counts, *late]), rng.getrandbits(30), rng.randint(
        1, 64), scale, fold  # fmt: skip


def unroll_case(rng: random.Random) -> list[Any]:
    events, first, n, scale, fold = kept_events(rng)
    return [events, array("I", [0] * 128), first, n, scale, fold]


def work_case(rng: random.Random) -> tuple[array, int, int]:
    """Angles as _unroll leaves them, how many, and modulo what."""
    (sparks,) = pio_chip.load("sparks")
    events, work, first, n, scale, fold = unroll_case(rng)
    sparks._unroll(events, work, first, n, scale, fold)
    return work, n, fold


def sorted_case(rng: random.Random) -> list[Any]:
    work, n, _ = work_case(rng)
    work[:n] = array("I", sorted(work[:n]))
    return [work, n, work[n // 2]]


def steps_case(rng: random.Random) -> list[Any]:
    events, first, n, scale, fold = kept_events(rng)
    period = rng.choice((6_000, 360_000, 720_000))
    mean, reach = rng.randrange(fold), rng.choice((2_000, 30_000, 300_000))
    return [events, array("I", [0] * 128), first, n, period, scale, fold, mean, reach]


def changes_case(rng: random.Random) -> list[Any]:
    events, first, n, scale, fold = kept_events(rng)
    zero, middle = rng.randrange(fold), fold >> 1
    return [events, first, n, scale, fold, zero, middle - 2000, middle + 2000,
            rng.randrange(fold), 2000]  # fmt: skip


def survey_case(rng: random.Random) -> list[Any]:
    """Two good turns of a wheel that swings, runs out, speeds up, at any place of the ring."""
    crank, teeth_ = pio_chip.load("crank", "teeth")
    tracker = crank.Crank(SimpleNamespace(size=512), 0)
    teeth, missing, turns = rng.choice([w for w in WHEELS if w[0] - w[1] >= teeth_.FEWEST])
    tracker.set_wheel(teeth, missing, turns)
    found = teeth_.Teeth()
    found.set(tracker.wheel, rng.choice((0.5, 2.0, 4.0)))
    ring, at = array("I", [0] * 512), rng.getrandbits(32)
    edges, when = teeth - missing, rng.choice(EDGE_WORDS)
    length = rng.choice((3_000, 50_000, 1_000_000, 120_000_000 // teeth))
    even = rng.random() < 0.2  # a turn below 2^26 ticks, then one above: no bit alike
    length = (1 << 26) // teeth if even else length
    for turn in range(3):
        tracker.marks[(at + turn * edges) & 511] = rng.choice((3, 3, 3, 3, 3, 3, 3, 3, 1, 0))
        for j in range(teeth):
            if j < edges:
                off = 0 if even else rng.choice((0, length // 50, length // 5))
                ring[(at + turn * edges + j) & 511] = (when + rng.randint(-off, off)) & 0xFFFFFFFF
            when += length
            length = length * (100 if even else rng.choice((100, 100, 101, 103))) // 100
        length += even
    tracker.state[crank.DECIDED] = (at + 2 * edges) & 0xFFFFFFFF
    return [ring, 512, tracker.state, tracker.wheel, tracker.marks, found._table, found._work,
            found._out]  # fmt: skip


def _words(rng: random.Random) -> array:
    return array("I", [rng.choice((rng.choice(EDGE_WORDS), rng.getrandbits(32)))
                       for _ in range(256)])  # fmt: skip


CASES: dict[tuple[str, str], Callable[[random.Random], list[Any]]] = {
    ("crank", "_follow"): crank_case,
    ("sparks", "_place"): sparks_case,
    ("sparks", "_unroll"): unroll_case,
    ("sparks", "_centre"): lambda r: [*work_case(r)],
    ("sparks", "_around"): lambda r: [*(w := work_case(r))[:2], r.randrange(w[2]), w[2]],
    ("sparks", "_sort"): lambda r: [*work_case(r)[:1], 0, r.randint(0, 64)],
    ("sparks", "_away"): lambda r: [*work_case(r)[:2], r.randrange(720_000)],
    ("sparks", "_moments"): lambda r: [
        *sorted_case(r),
        r.choice((2_000, 32_000, 300_000, 4_000_000)),
        array("I", [0] * 4),
    ],
    ("sparks", "_below"): lambda r: [*sorted_case(r)[:2], r.randrange(720_000)],
    ("sparks", "_second"): lambda r: [
        (w := sorted_case(r))[0],
        r.randint(0, w[1]),
        w[1],
        r.choice((2_000, 32_000)),
        array("I", [r.choice((0, 0, 3)), 0, 0, 0]),
    ],
    ("sparks", "_changes"): changes_case,
    ("sparks", "_fresh"): lambda r: [
        kept_events(r)[0],
        r.getrandbits(30),
        64,
        r.randint(1_000, 9_000),
        r.randint(0, 4_000),
    ],
    ("sparks", "_sparks"): lambda r: [
        kept_events(r)[0],
        r.choice((192, 256)),
        r.getrandbits(30),
        r.randint(0, 64),
    ],
    ("sparks", "_pairs"): lambda r: [kept_events(r)[0], r.getrandbits(30), r.randint(0, 64)],
    ("sparks", "_steps"): steps_case,
    ("teeth", "_survey"): survey_case,
    ("panel", "_different"): lambda r: [
        (d := _words(r)),
        array("I", [w ^ (r.random() < 0.01) for w in d]),
        r.randrange(33),
    ],
    ("panel", "_load"): lambda r: [
        bytearray(40),
        bytearray(r.randbytes(1024)),
        r.randrange(32),
        r.choice((0, 2)),
    ],
    ("panel", "_note"): lambda r: [_words(r), _words(r), r.randrange(32)],
}
