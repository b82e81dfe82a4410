"""Tables that a stream makes, and a sweep from them: edges placed by formula, a µs a tick.

Longer than other files: one engine for all that is kept of it, and one sweep for all its bins.
"""

import json
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch, Loss
from sparkwitness.errors import UserError
from sparkwitness.timing import analyzer as analyzing
from sparkwitness.timing import curve, groups
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.setup import Setup

NONE = np.empty(0, np.int64)
TURN = 60_000  # ticks: 1000 rev/min


# Two sessions, four inputs: one crank pulse, one spark and two trigger edges a turn


PULSE = Setup(
    Reference(1, 0, 1, 60.0), clamp="wasted", index="clamp_b", trigger="rising", dead_time_us=200.0
)


def session(number: int, turns: int, tick_ps: int = 1_000_000, rung: int = 0) -> Batch:
    """Sparks 10 ms after the pulse, their trigger 3 ms long and 0.2 ms before them; every other
    spark in the second clamp too, 10 µs later; `rung` sparks ring once, 90 ticks after."""
    pulses = 5 + TURN * np.arange(turns)
    sparks = pulses + 10_000
    clamp = np.sort(np.append(sparks, sparks[:rung] + 90))
    tap = np.stack((sparks - 3_200, sparks - 200), axis=1).ravel()
    hello = wire.Message("hello", 1, number, 0, {"tick_ps": tick_ps})
    beats = np.zeros(2, wire.LAYOUT["heartbeat"])
    beats["time"], beats["supply_mv"] = [0, turns * TURN], [12_000 + number, 65_535]
    return Batch(
        number, (pulses, clamp, sparks[::2] + 10, tap), (NONE,) * 4, turns * TURN,
        [hello], beats, (None, None, None, np.resize(np.array([0, 1], np.int8), len(tap))),
    )  # fmt: skip


def fed(*batches: Batch, setup: Setup = PULSE) -> Analyzer:
    analyzer = Analyzer(setup, 1_000_000)
    stub = SimpleNamespace(feed=lambda all_: all_, hello=None, finish=lambda: None, loss=Loss())
    analyzer.decoder = cast(Any, stub)
    for batch in batches:
        analyzer.feed(cast(Any, [batch]))
    return analyzer


SPARKS = [(5 + TURN * np.arange(n) + 10_000).tolist() for n in (30, 10)]


def ticks(tables: Tables) -> list[list[int]]:
    return [part.at.tick.tolist() for part in (tables.trigger, tables.index)]


def test_two_sessions_and_what_each_has():
    tables = fed(session(7, 30, rung=3), session(9, 10, 2_000_000, rung=2)).finish()
    assert tables.sparks.tick.tolist() == SPARKS[0] + SPARKS[1]
    assert (tables.crank_edges, tables.crank_rejected, tables.clamp_edges) == (40, 0, 45)
    assert tables.ringing == 5
    assert tables.seconds == pytest.approx(30 * 0.06 + 10 * 0.12) and tables.tick_s == 2e-6
    assert tables.supply_mv == [12_007, 12_009] and tables.supply_tick == [0]
    assert (tables.cut, tables.dropped, tables.polarity) == (False, 0, None)
    assert not tables.lost_before.any() and not tables.trigger.lost.any()
    assert tables.trigger.level.tolist() == [0, 1] * 40 and set(tables.index.level) == {1}
    # The first and the last of a session's 29 and 9 have no neighbour to be judged by.
    assert tables.periods.length.tolist() == [TURN] * (27 + 7)
    assert tables.periods.start.tolist() == [5 + TURN * k for k in (*range(1, 28), *range(1, 8))]
    assert tables.sessions == ((0, 0, 0, 0), (30, 27, 60, 15))
    # 60° after the pulse; numbers go on over the gap, and so do the stretches.
    known = np.isfinite(tables.sparks.degrees)
    assert np.count_nonzero(known) == 27 + 7
    assert tables.sparks.degrees[known] % 360 == pytest.approx(np.full(known.sum(), 60.0))
    assert tables.periods.number.tolist() == list(range(34))
    assert tables.periods.segment.tolist() == [0] * 27 + [1] * 7
    first, second = tables.apart()
    for part, sparks, tap, index in ((first, SPARKS[0], 60, 15), (second, SPARKS[1], 20, 5)):
        assert part.sparks.tick.tolist() == sparks and len(part.lost_before) == len(sparks)
        assert (len(part.trigger), len(part.index)) == (tap, index)
        assert part.trigger.at.tick[1] == part.sparks.tick[0] - 200
        assert part.sessions == ((0, 0, 0, 0),) and part.ringing == 5
    assert (first.supply_tick, second.supply_tick) == ([], [0])
    assert first.turns is None and second.turns is tables.turns is not None


@pytest.mark.parametrize("later", range(24, 31))
def test_no_angle_from_the_turns_of_another_session(later: int):
    """The second session's ticks are those of the first one's end; its first and last turns are
    not known all the same."""
    second = session(9, 10)
    moved = tuple(ticks + later * TURN for ticks in second.ticks)
    second = replace(second, ticks=moved, complete=(later + 10) * TURN)
    tables = fed(session(7, 30), second).finish()
    for part, n in zip(tables.apart(), (30, 10), strict=True):
        known = [False] + [True] * (n - 3) + [False] * 2
        assert np.isfinite(part.sparks.degrees).tolist() == known
        assert (part.sparks.segment >= 0).tolist() == known


def test_a_tick_is_three_cycles_until_the_board_says_so():
    """Of 125 MHz: 24 ns; 36_000 of a board at 83 MHz."""
    analyzer = Analyzer(PULSE)
    assert analyzer.tables().tick_s == 24e-9 == pytest.approx(3 / 125e6)
    one = session(7, 30, 36_000)
    stub = SimpleNamespace(feed=lambda all_: all_, hello=None, finish=lambda: None, loss=Loss())
    analyzer.decoder = cast(Any, stub)
    analyzer.feed(cast(Any, [one]))
    assert analyzer.tables().tick_s == pytest.approx(36e-9)


def test_a_trigger_of_which_one_flank_is_stamped():
    """No hello tells which: as typed, the level after it is 1, or 0 of the falling one."""
    one = replace(session(7, 30), levels=(None,) * 4)
    for falling, level in ((PULSE.falling, 1), ((*PULSE.falling, "trigger"), 0)):
        table = fed(one, setup=replace(PULSE, falling=falling)).finish().trigger
        assert set(table.level.tolist()) == {level} and len(table) == 60
        assert not table.lost.any()


def test_the_boards_words():
    words = [wire.Message("log", 4, 7, k, {"level": 0, "text": f"word {k}"}) for k in range(3)]
    one = session(7, 30)
    analyzer = fed(replace(one, messages=[*one.messages, *words[:2], words[2]]))
    assert analyzer.log == ["word 0", "word 1", "word 2"]
    beats = [wire.Message("heartbeat", 2, 7, k, {}) for k in range(2)]
    assert fed(replace(one, messages=beats)).log == []


def test_a_session_without_a_spark_or_a_turn_is_no_part():
    none = session(8, 10)
    none = Batch(8, (none.ticks[0], NONE, NONE, NONE), (NONE,) * 4, 10 * TURN, [])
    still = session(8, 10)
    still = Batch(8, (NONE, *still.ticks[1:]), (NONE,) * 4, 10 * TURN, [], levels=still.levels)
    for idle in (none, still):
        parts = fed(session(7, 30), idle, session(9, 10)).finish().apart()
        assert [p.sparks.tick.tolist() for p in parts] == SPARKS
        assert [len(p.trigger) for p in parts] == [60, 20]


def test_the_oldest_go_with_all_that_came_before_them(monkeypatch: pytest.MonkeyPatch):
    """16 sparks of 40: six of the first session; their triggers came before them."""
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 16)
    tables = fed(session(7, 30), session(9, 10)).finish()
    assert tables.sparks.tick.tolist() == SPARKS[0][24:] + SPARKS[1]
    assert tables.dropped == 24 and tables.cut
    assert tables.lost_before.tolist() == [True] + [False] * 15
    tap, index = ticks(tables)
    assert tap[:3] == [SPARKS[0][25] - 3_200, SPARKS[0][25] - 200, SPARKS[0][26] - 3_200]
    assert index[:3] == [SPARKS[0][k] + 10 for k in (24, 26, 28)]
    assert tables.sessions == ((0, 0, 0, 0), (6, 27, 10, 3))
    assert [p.cut for p in tables.apart()] == [True, False]
    # As many as are kept: nothing goes, nor what came before the first of them.
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 40)
    tables = fed(session(7, 30), session(9, 10)).finish()
    assert len(tables.trigger) == 80 and tables.dropped == 0 and not tables.cut
    # Turns go, but no spark was in them.
    with monkeypatch.context() as patch:
        patch.setattr(analyzing, "MOST_PERIODS", 12)
        late = session(7, 30)
        late = replace(late, ticks=(late.ticks[0], late.ticks[1][20:], *late.ticks[2:]))
        tables = fed(late).finish()
        assert len(tables.periods.start) == 12 and tables.periods.start[0] == 5 + 16 * TURN
        assert tables.sparks.tick.tolist() == SPARKS[0][20:]
        assert tables.dropped == 0 and not tables.cut
    # Of the second session alone: the first has gone as a whole but for its turns.
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 10)
    tables = fed(session(7, 30), session(9, 10)).finish()
    assert tables.sparks.tick.tolist() == SPARKS[1] and tables.dropped == 30
    assert ticks(tables)[1] == [SPARKS[1][k] + 10 for k in range(0, 10, 2)]
    assert len(tables.trigger) == 18  # the first spark's own two are before it


def test_of_three_sessions_the_middle_one_is_cut(monkeypatch: pytest.MonkeyPatch):
    """50 sparks, 15 kept: from the sixth of the second session on."""
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 15)
    tables = fed(session(7, 30), session(9, 10), session(11, 10)).finish()
    assert tables.sparks.tick.tolist() == SPARKS[1][5:] + SPARKS[1] and tables.dropped == 35
    tap, index = ticks(tables)
    assert tap[0] == SPARKS[1][6] - 3_200 and len(tap) == 8 + 20
    assert index == [SPARKS[1][k] + 10 for k in (6, 8, 0, 2, 4, 6, 8)]
    assert tables.sessions == ((0, 0, 0, 0), (0, 27, 0, 0), (5, 34, 8, 2))
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 25)  # five of the first: it ends before the next
    tables = fed(session(7, 30), session(9, 10), session(11, 10)).finish()
    assert [len(part) for part in ticks(tables)] == [8 + 40, 2 + 10]
    assert [len(part.trigger) for part in tables.apart()] == [8, 20, 20]


def test_sparks_go_with_the_last_turn_of_their_session(monkeypatch: pytest.MonkeyPatch):
    """Seven turns are kept, all that the second session has: the first one's sparks go too."""
    monkeypatch.setattr(analyzing, "MOST_PERIODS", 7)
    tables = fed(session(7, 30), session(9, 10)).finish()
    assert tables.periods.start.tolist() == [5 + TURN * k for k in range(1, 8)]
    placed = tables.sparks.tick[tables.sparks.segment >= 0].tolist()
    assert placed == SPARKS[1][1:8]
    assert tables.dropped == 40 - len(tables.sparks) >= 28 and tables.cut


def test_a_turn_that_is_kept_keeps_its_spark(monkeypatch: pytest.MonkeyPatch):
    """The last turn of a session before the seven of the next; a spark at the very pulse."""
    monkeypatch.setattr(analyzing, "MOST_PERIODS", 8)
    tables = fed(session(7, 30), session(9, 10)).finish()
    assert tables.sparks.tick.tolist() == SPARKS[0][27:] + SPARKS[1] and tables.dropped == 27
    one = session(7, 30)
    pulses, _, other, tap = one.ticks
    tables = fed(replace(one, ticks=(pulses, pulses, other, tap))).finish()
    # Of turns 1 to 27 the last eight.
    assert tables.periods.start[0] == tables.sparks.tick[0] == pulses[20]


def test_a_session_that_has_lost_all_its_sparks_is_cut(monkeypatch: pytest.MonkeyPatch):
    """After one with nothing but a tap: all ten sparks lie in turns that go; ten more come."""
    monkeypatch.setattr(analyzing, "MOST_PERIODS", 12)
    tap, whole = session(8, 10), session(9, 50)
    tap = replace(tap, ticks=(NONE, NONE, NONE, tap.ticks[3]))
    pulses, clamp = whole.ticks[:2]
    pieces = [
        Batch(9, (p, c, NONE, NONE), (NONE,) * 4, int(p[-1]), [])
        for p, c in ((pulses[:10], clamp[:10]), (pulses[10:40], NONE), (pulses[40:], clamp[40:]))
    ]
    analyzer = fed(tap)
    for piece in pieces:
        analyzer.feed(cast(Any, [piece]))
        analyzer.tables()
    (part,) = analyzer.finish().apart()
    assert part.sparks.tick.tolist() == clamp[40:].tolist() and part.cut
    assert part.lost_before.tolist() == [True] + [False] * 9


def test_sparks_and_turns_that_are_both_too_many(monkeypatch: pytest.MonkeyPatch):
    """Of 30 turns twenty are kept, and of their sparks four; once a turn of the camshaft, a
    spark that is left has its turn as well."""
    monkeypatch.setattr(analyzing, "MOST_PERIODS", 20)
    with monkeypatch.context() as patch:
        patch.setattr(analyzing, "MOST_SPARKS", 4)
        few = fed(session(7, 30)).finish()
    assert few.sparks.tick.tolist() == SPARKS[0][-4:] and few.dropped == 26
    with monkeypatch.context() as patch:  # neither by an eighth
        patch.setattr(analyzing, "MOST_SPARKS", 27)
        patch.setattr(analyzing, "MOST_PERIODS", 26)
        some = fed(session(7, 30)).finish()
    assert some.sparks.tick.tolist() == SPARKS[0][3:] and some.dropped == 3
    cam = fed(session(7, 30), setup=replace(PULSE, reference=Reference(1, 0, 2, 60.0))).finish()
    assert cam.sparks.tick[0] == cam.periods.start[0] + 10_000 == SPARKS[0][8]


def test_ringing_in_the_other_clamp():
    """50 µs after the spark, within the 200 µs that are typed: no spark there either."""
    one = session(7, 10)
    pulses, clamp, other, tap = one.ticks
    rung = np.sort(np.append(other, other + 50))
    tables = fed(replace(one, ticks=(pulses, clamp, rung, tap))).finish()
    assert tables.index.at.tick.tolist() == other.tolist()


def test_ringing_by_the_tick_of_a_session():
    """200 µs are 200 ticks of 1 µs, and 100 of 2 µs: edges 90 and 150 ticks after a spark."""
    rung = []
    for after in (90, 150):
        two = session(9, 10, 2_000_000)
        clamp = np.sort(np.append(two.ticks[1], two.ticks[1] + after))
        two = replace(two, ticks=(two.ticks[0], clamp, *two.ticks[2:]))
        rung.append(fed(session(7, 30), two).finish().ringing)
    assert rung == [10, 0]


def test_whole_turns_are_of_the_last_session():
    """Twelve even teeth: of thirty turns and then ten, those of the ten alone, by their ticks."""

    def toothed(number: int, turns: int) -> Batch:
        one = session(number, turns)
        teeth = 5 + TURN // 12 * np.arange(12 * turns)
        return replace(one, ticks=(teeth, *one.ticks[1:]))

    setup = replace(PULSE, reference=Reference(12, 0, 1, 60.0))
    found = fed(toothed(7, 30), toothed(9, 10), setup=setup).finish().turns
    assert 7 <= len(found.edges) <= 10
    assert (np.diff(found.edges[:, 0]) == TURN).all() and found.edges.max() < 10 * TURN


def test_supply_in_bounded_memory(monkeypatch: pytest.MonkeyPatch):
    """Eight are kept and the lowest of all, once there are more than ten."""
    monkeypatch.setattr(analyzing, "_MOST_SUPPLY", 8)
    for n, left, at in ((10, 10, 10), (11, 9, 9)):
        one = session(7, 30)
        beats = np.zeros(n, wire.LAYOUT["heartbeat"])
        beats["time"], beats["supply_mv"] = np.arange(n), np.arange(n) + 12_000
        tables = fed(replace(one, beats=beats)).tables()
        assert tables.supply_mv == [12_000] + [12_000 + k for k in range(n - left + 1, n)]
        beats["supply_mv"] = 12_000 - np.arange(n)  # falling: the lowest of those that go
        lowest = 12_000 - (n - left)
        falls = fed(replace(one, beats=beats)).tables().supply_mv
        assert falls == [lowest] + [12_000 - k for k in range(n - left + 1, n)]
        assert tables.supply_tick == list(range(n - at, n))
    assert fed(session(7, 30)).tables().seconds == pytest.approx(1.8)


def test_how_much_is_kept():
    """Four sparks a cycle at 6000 rev/min are 200 a second: 62.5 minutes of them, and 50 s in a
    look; two turns a cycle and two flanks a spark. Rows of four numbers and two marks or of six:
    25.5, 72 and 51 MB."""
    assert analyzing.MOST_SPARKS == 62.5 * 60 * 200
    assert analyzing.MOST_PERIODS == analyzing.MOST_TRIGGERS == 2 * analyzing.MOST_SPARKS
    assert analyzing.LOOK_SPARKS == 50 * 200
    one = fed(session(7, 30))
    row = [sum(c.itemsize for c in table.all().values()) for table in (
        one._sparks.placed, one._sparks._marks, one._periods
    )]  # fmt: skip
    assert row == [4 * 8, 2, 6 * 8]


def test_supply_and_words_that_are_kept():
    """A minute of ten heartbeats a second once older ones are forgotten, and a hundred words; of
    the newest a hundred thousand, the lowest of all before them, and ten thousand words."""
    one = session(7, 30)
    beats = np.zeros(125_001, wire.LAYOUT["heartbeat"])
    beats["time"] = np.arange(len(beats))
    beats["supply_mv"] = np.append(9_000, np.resize([12_000, 12_001], len(beats) - 1))
    words = [wire.Message("log", 4, 7, k, {"level": 0, "text": f"word {k}"}) for k in range(10_001)]
    messages = [*[wire.Message("heartbeat", 2, 7, 0, {})] * len(beats), *words]
    analyzer = fed(replace(one, beats=beats, messages=messages))
    tables = analyzer.tables()
    assert (len(tables.supply_mv), len(tables.supply_tick)) == (100_001, 100_001)
    assert tables.supply_mv[:2] == [9_000, 12_000]
    assert tables.supply_tick[-1] == 125_000
    assert (len(analyzer.log), analyzer.log[0], analyzer.log[-1]) == (
        10_000,
        "word 1",
        "word 10000",
    )
    few = fed(replace(one, beats=beats[:-1], messages=messages)).tables()
    assert len(few.supply_mv) == 125_000 and few.supply_mv[0] == 9_000
    analyzer.forget(0)
    assert (len(tables.supply_mv), len(tables.supply_tick)) == (600, 600)
    assert (len(analyzer.log), analyzer.log[-1]) == (100, "word 10000")


def test_a_tap_that_chatters_and_turns_that_are_too_many(monkeypatch: pytest.MonkeyPatch):
    with monkeypatch.context() as patch:
        patch.setattr(analyzing, "MOST_TRIGGERS", 7)
        tables = fed(session(7, 30), session(9, 10)).finish()
        tap, index = ticks(tables)
        assert tap == [SPARKS[1][6] - 200] + [
            SPARKS[1][k] - by for k in (7, 8, 9) for by in (3_200, 200)
        ]
        assert index == [SPARKS[0][k] + 10 for k in (26, 28)] + [
            SPARKS[1][k] + 10 for k in range(0, 10, 2)
        ]
        assert len(tables.sparks) == 40 and tables.dropped == 0 and not tables.cut
    monkeypatch.setattr(analyzing, "MOST_PERIODS", 33)
    assert len(fed(session(7, 30), session(9, 10)).finish().periods.start) == 33
    monkeypatch.setattr(analyzing, "MOST_PERIODS", 12)
    tables = fed(session(7, 30), session(9, 10)).finish()
    # Turns 23 to 27 of the first session, seven of the second; a spark needs its own.
    turns = (*range(23, 28), *range(1, 8))
    assert tables.periods.start.tolist() == [5 + TURN * k for k in turns]
    assert tables.sparks.tick.tolist() == SPARKS[0][23:] + SPARKS[1]
    assert tables.dropped == 23 and tables.sessions[1] == (7, 5, 12, 3)


def test_more_is_held_by_an_eighth_until_the_oldest_go(monkeypatch: pytest.MonkeyPatch):
    """The last three turns wait for what follows them."""
    for name, of, first in (("SPARKS", 0, 21), ("PERIODS", 1, 21), ("TRIGGERS", 2, 12)):
        with monkeypatch.context() as patch:
            patch.setattr(analyzing, f"MOST_{name}", 16)
            held = [fed(session(7, turns))._rows()[of] for turns in (first, first + 1)]
        assert held == [18, 16], name
    # The other clamp, with every other spark, where there is no tap.
    monkeypatch.setattr(analyzing, "MOST_TRIGGERS", 16)
    bare = replace(PULSE, trigger="none")
    held = [fed(session(7, turns), setup=bare)._rows()[3] for turns in range(34, 44)]
    assert max(held) == 18 and held[-1] < 18


@pytest.mark.parametrize(("newest", "left"), [(4, 4), (10, 10), (15, 10), (39, 10), (40, 40)])
def test_a_look_at_the_newest(newest: int, left: int):
    """Of the last session only, unless all are wanted; the crank from the first one's turn on."""
    analyzer = fed(session(7, 30), session(9, 10))
    analyzer.finish()
    tables = analyzer.tables(newest)
    mine = SPARKS[0] * (left == 40) + SPARKS[1]
    assert tables.sparks.tick.tolist() == mine[-left:]
    assert tables.cut == (left < 40) == tables.lost_before[0] and not tables.lost_before[1:].any()
    tap, index = ticks(tables)
    if left < 40:
        assert tap == [t for s in mine for t in (s - 3_200, s - 200) if t >= mine[-left]]
        assert index == [s + 10 for s in mine[::2] if s >= mine[-left]]
        assert tables.periods.start[0] == max(mine[-left] - 10_000, 5 + TURN)
        assert tables.sessions == ((0, 0, 0, 0),)
    else:
        assert len(tap) == 80 and len(index) == 20 and len(tables.sessions) == 2
    # A look marks nothing in what is kept.
    assert not analyzer.tables().cut and not analyzer.tables().lost_before.any()


def test_what_is_forgotten():
    """Before the spark of turn 4 of the second session; the turn that it lies in stays."""
    analyzer = fed(session(7, 30), session(9, 10))
    assert analyzer.clock == (9, 10 * TURN)
    analyzer.finish()
    analyzer.forget(SPARKS[1][4])
    tables = analyzer.tables()
    assert tables.sparks.tick.tolist() == SPARKS[1][4:]
    assert tables.periods.start[0] == 5 + 4 * TURN and tables.cut and tables.dropped == 0
    tap, index = ticks(tables)
    assert tap[0] == SPARKS[1][5] - 3_200 and index == [SPARKS[1][k] + 10 for k in (4, 6, 8)]
    assert tables.sessions == ((0, 0, 0, 0),) and tables.clamp_edges == 40
    assert tables.supply_mv == [12_007, 12_009] and tables.lost_before.tolist()[:2] == [True, False]
    analyzer.forget(SPARKS[1][4])  # again, with nothing left to go
    again = analyzer.tables()
    assert again.cut and again.lost_before.tolist()[:2] == [True, False]
    analyzer.forget(5 + 6 * TURN)  # ends with turn 5, which is over by then
    assert analyzer.tables().periods.start[0] == 5 + 6 * TURN
    for before, left in ((SPARKS[0][0], 30), (SPARKS[0][1], 29)):
        one = fed(session(7, 30))
        one.finish()
        one.forget(before)
        assert (one.tables().cut, len(one.tables().sparks)) == (left < 30, left)


def test_what_is_known_of_an_edge_goes_with_it():
    """The tap's level and its lost edges stay with their edges when an odd number before goes:
    of ten turns the first four and the long edge of the fifth (nine)."""
    one = session(9, 10)
    analyzer = fed(replace(one, breaks=(NONE, NONE, NONE, np.array([11]))))
    analyzer.finish()
    analyzer.forget(SPARKS[0][4] - 1_000)
    tap = analyzer.tables().trigger
    assert tap.at.tick.tolist()[:2] == [SPARKS[0][4] - 200, SPARKS[0][5] - 3_200]
    assert tap.level.tolist() == [1, *[0, 1] * 5]
    assert np.flatnonzero(tap.lost).tolist() == [2]


@pytest.mark.parametrize("falling", [(), ("crank",), ("clamp_a",), ("crank", "clamp_b")])
def test_each_input_has_its_own_flank(falling: tuple[str, ...]):
    """A board that stamps both flanks of the clamp, 0.3 ms apart: one of them is the spark."""
    one = session(7, 10)
    rises = one.ticks[1]
    both = np.stack((rises, rises + 300), axis=1).ravel()
    level = np.resize(np.array([1, 0], np.int8), len(both))
    one = replace(
        one, ticks=(one.ticks[0], both, *one.ticks[2:]), levels=(None, level, *one.levels[2:])
    )
    tables = fed(one, setup=replace(PULSE, falling=falling)).finish()
    assert tables.sparks.tick.tolist() == (rises + 300 * ("clamp_a" in falling)).tolist()


def test_ringing_is_within_the_dead_time():
    """200 µs: an edge 199 µs after the one before is none, one 200 µs after is; 1 tick at least."""
    for after, rung in ((199, 1), (200, 0)):
        one = Batch(7, (NONE, np.array([1_000, 1_000 + after]), NONE, NONE), (NONE,) * 4, 9_000, [])
        assert fed(one).finish().ringing == rung
    # Whole ticks: 8333.3 of 24 ns are 8333; and of a dead time shorter than a tick one.
    for us, tick_ps, after, rung in (
        (200.0, 24_000, 8_332, 1), (200.0, 24_000, 8_333, 0), (1.0, 9_000_000, 1, 0),
    ):  # fmt: skip
        analyzer = Analyzer(replace(PULSE, dead_time_us=us), tick_ps)
        edges = np.array([1_000, 1_000 + after])
        analyzer.take(Batch(7, (NONE, edges, NONE, NONE), (NONE,) * 4, 20_000, []))
        assert analyzer.tables().ringing == rung


def test_which_way_round_a_sensor_is_looked_at(monkeypatch: pytest.MonkeyPatch):
    """Of a VR sensor alone; anew at each session, and with a break where one begins."""
    seen: list[Any] = []

    class Keeper:
        def __init__(self, reference: Reference, falls: bool) -> None:
            seen.append((reference, falls))

        def cut(self) -> None:
            seen.append("cut")

        def clear(self) -> None:
            seen.append("clear")

        def feed(self, ticks, breaks, levels) -> None:
            seen.append(len(ticks))

        def take(self, track, periods, tick_s: float) -> None:
            seen.append((len(track), tick_s))

        def result(self) -> str:
            return "told"

    monkeypatch.setattr(analyzing, "PolarityKeeper", Keeper)
    for falling, falls in (((), False), (("crank",), True), (("clamp_a",), False)):
        seen.clear()
        vr = replace(PULSE, sensor="vr", falling=falling)
        tables = fed(session(7, 30), session(9, 10, 2_000_000), setup=vr).finish()
        assert tables.polarity == "told"  # type: ignore[comparison-overlap]
        assert [part.polarity for part in tables.apart()] == [None, "told"]
        assert seen[0] == (PULSE.reference, falls) and seen.count("clear") == 1
        fed_, cuts = [one for one in seen if isinstance(one, int)], seen.count("cut")
        assert fed_ == [30, 10] and cuts >= 3
        taken = [one for one in seen[1:] if isinstance(one, tuple)]
        assert sum(n for n, tick_s in taken if tick_s == 1e-6) == 29
        assert sum(n for n, tick_s in taken if tick_s == 2e-6) == 9
        assert seen.index("clear") < seen.index(10)
    seen.clear()
    fed(session(7, 30))
    assert not seen


def test_one_that_is_too_many_goes(monkeypatch: pytest.MonkeyPatch):
    """With the flanks that came before the first one left; and a session without any spark."""
    monkeypatch.setattr(analyzing, "MOST_SPARKS", 29)
    tables = fed(session(7, 30)).finish()
    assert tables.sparks.tick.tolist() == SPARKS[0][1:]
    assert (tables.dropped, tables.cut, tables.lost_before[0]) == (1, True, True)
    tap, index = ticks(tables)
    assert tap[0] == SPARKS[0][2] - 3_200 and index[0] == SPARKS[0][2] + 10
    monkeypatch.undo()
    with monkeypatch.context() as patch:
        patch.setattr(analyzing, "MOST_PERIODS", 26)  # one of 27: the spark in it goes with it
        tables = fed(session(7, 30)).finish()
        assert tables.periods.start[0] == 5 + 2 * TURN and len(tables.periods.start) == 26
        patch.setattr(analyzing, "MOST_TRIGGERS", 59)
        assert ticks(fed(session(7, 30)).finish())[0][0] >= SPARKS[0][0] - 200
    # The turns of all sparks go: so do these, and their flanks that are not too many stay.
    with monkeypatch.context() as patch:
        patch.setattr(analyzing, "MOST_PERIODS", 12)
        early = session(7, 30)
        early = replace(early, ticks=(early.ticks[0], early.ticks[1][3:9], *early.ticks[2:]))
        tables = fed(early).finish()
        assert len(tables.sparks) == 0 and tables.dropped == 6 and len(tables.trigger) == 60


def test_a_look_where_the_last_session_has_no_spark_yet():
    """Then the newest spark of the one before is all that there is."""
    begun = session(9, 10)
    begun = replace(begun, ticks=(begun.ticks[0], NONE, NONE, begun.ticks[3]))
    tables = fed(session(7, 30), begun).tables(5)
    assert tables.sparks.tick.tolist() == SPARKS[0][-1:]


def test_the_decoder_ends_before_its_losses_are_told():
    analyzer = fed(session(7, 30))
    told: list[int] = []
    analyzer.decoder = cast(Any, SimpleNamespace(
        feed=lambda all_: all_, hello=None, finish=lambda: told.append(1), loss=told,
    ))  # fmt: skip
    assert analyzer.finish().loss == [1]  # type: ignore[comparison-overlap]


# A sweep: from 1000 to 2000 rev/min and back at 50 rev/min a second, 36 - 1


RISE, FROM, TO = 50.0, 1000.0, 2000.0
HALF = 6 * (TO**2 - FROM**2) / 2 / RISE  # degrees: 6 N t
FIXED, DELAY = 2.0, 150e-6


def when(degrees: np.ndarray) -> np.ndarray:
    """Seconds at which the crank has turned so far: of 6 (N0 t + r t² / 2), and its mirror."""
    up = np.minimum(degrees, 2 * HALF - degrees)
    t = (np.sqrt(FROM**2 + 2 * RISE * up / 6) - FROM) / RISE
    return np.where(degrees <= HALF, t, 2 * (TO - FROM) / RISE - t)


def speed(seconds: np.ndarray) -> np.ndarray:
    return FROM + RISE * np.minimum(seconds, 2 * (TO - FROM) / RISE - seconds)


def swept(
    commanded: float | None = 18.0, apart: float = 0.0, delay: float = DELAY, off: float = 0.0
):
    """Sparks FIXED degrees early and `delay` late, ± 0.1° in turn, `apart` earlier on the way up;
    a wheel that runs out by `off`."""
    setup = Setup(
        Reference(36, 1, 1, 60.0, 0.2), cylinders=4, clamp="plug", commanded=commanded,
        delay_us=0.0, u_delay_us=0.1,
    )  # fmt: skip
    places = np.arange(int(2 * HALF / 10))
    edges = places[places % 36 < 35] * 10.0
    crank = np.rint(1e6 * when(edges + off * np.sin(np.radians(edges)))).astype(np.int64)
    cycles = np.arange(1, int(2 * HALF / 720) - 1)
    wobble = 0.1 * (-1.0) ** cycles
    asked = 720.0 * cycles + 60 - 18 - FIXED - wobble
    rising = asked < HALF
    fired = when(asked - apart * rising) + delay
    sparks = np.rint(1e6 * fired).astype(np.int64)
    analyzer = Analyzer(setup, 1_000_000)
    end = int(crank[-1]) + 1
    analyzer.take(Batch(1, (crank, sparks, NONE, NONE), (NONE,) * 4, end, []))
    return setup, analyzer.finish(), speed(sparks * 1e-6), rising


def test_bins_and_fit_of_a_sweep():
    setup, tables, rpm, _ = swept()
    found = curve.curve(setup, tables)
    assert isinstance(found, curve.Curve)
    assert len(found.bins) == 4 and found.stray == found.sparse == 0
    assert not found.findings
    for k, row in enumerate(found.bins):
        low = FROM + 250 * k
        mine = rpm[(rpm >= low) & (rpm < low + 250)]
        assert abs(row.events - len(mine)) <= 3
        assert row.rpm == pytest.approx(mine.mean(), abs=3)
        assert row.timing == pytest.approx(20 - 6 * row.rpm * DELAY, abs=0.02)
        assert (row.wanted, row.sparks) == (18.0, 1.0)
        # ± 0.1 in turn, and 0.9° in 1000 rev/min over the bin's 250.
        assert row.scatter == pytest.approx(np.hypot(0.1, 0.225 / np.sqrt(12)), rel=0.03)
        assert abs(row.hysteresis) < 0.02 and row.rising == pytest.approx(row.timing, abs=0.02)
        assert 0.4 < row.expanded < 0.5  # ± 0.2° of the reference, k = 2
    fit = found.fit
    assert fit is not None and fit.told_apart
    assert fit.delay_us == pytest.approx(150, abs=2) and fit.fixed == pytest.approx(2, abs=0.02)
    assert 0.4 <= fit.u_fixed < 0.45 and fit.u_delay_us < 12
    plain = found.to_dict()
    assert plain["events_stray"] == plain["events_in_sparse_bins"] == 0
    assert [b["error"] for b in plain["bins"]] == [b.error for b in found.bins]
    assert plain["fit"]["delay_us"] == fit.delay_us


def test_narrow_bins_and_few_events():
    """15 rev/min last 0.3 s either way: from five events at 1000 rev/min to ten at 2000."""
    setup, tables, rpm, _ = swept()
    found = curve.curve(setup, tables, 15.0)
    assert isinstance(found, curve.Curve)
    counts = np.unique(np.floor(rpm / 15), return_counts=True)[1]
    assert json.loads(json.dumps(found.to_dict()))["events_in_sparse_bins"] == found.sparse
    assert found.sparse + sum(b.events for b in found.bins) == len(rpm)
    assert 10 < np.count_nonzero(counts >= 9) <= len(found.bins) <= np.count_nonzero(counts >= 7)
    none = curve.curve(setup, tables, 8.0)
    assert isinstance(none, Finding) and none.code == "few_events"
    assert none.text == "no span of 8 rpm holds 8 events yet"


def test_a_sweep_that_came_back_otherwise():
    setup, tables, _, _ = swept(apart=0.5)
    found = curve.curve(setup, tables)
    assert isinstance(found, curve.Curve)
    assert [b.hysteresis for b in found.bins[:3]] == pytest.approx([0.5] * 3, abs=0.05)
    told = {f.code: f.text for f in found.findings}
    assert "not the same on the way up and down" in told["drift"]


def test_a_sweep_against_a_curve_and_against_nothing():
    setup, tables, _, _ = swept()
    points = np.array([900.0, 1500.0, 1700.0]), np.array([10.0, 22.0, 22.0])
    found = curve.curve(setup, tables, 250.0, points)
    assert isinstance(found, curve.Curve)
    for row, wanted in zip(found.bins, (lambda n: 10 + 0.02 * (n - 900),) * 2 + (lambda _: 22.0,),
                           strict=False):  # fmt: skip
        assert row.wanted == pytest.approx(wanted(row.rpm))
        assert row.error == pytest.approx(row.timing - row.wanted)
    assert np.isnan(found.bins[3].wanted) and np.isnan(found.bins[3].error)
    assert found.to_dict()["bins"][3]["error"] is None
    bare = curve.curve(*swept(commanded=None)[:2])
    assert isinstance(bare, curve.Curve) and bare.fit is None and np.isnan(bare.bins[0].wanted)
    # What is kept of it computes it again.
    values = curve.kept(found, tables, 250.0, points)
    assert values["against"] == [[900, 10], [1500, 22], [1700, 22]]
    assert values["bin_width_rpm"] == 250.0
    assert str(curve.again(setup, tables, values)) == str(values)
    plain = curve.kept(curve.curve(setup, tables), tables, 250.0, None)  # type: ignore[arg-type]
    assert plain["against"] is None and str(curve.again(setup, tables, plain)) == str(plain)
    for wrong in ({}, {"bin_width_rpm": 250.0}, {"bin_width_rpm": "x", "against": None},
                  {"bin_width_rpm": 250.0, "against": [[1.0]]}):  # fmt: skip
        with pytest.raises(UserError, match="was not kept"):
            curve.again(setup, tables, wrong)
    with pytest.raises(UserError, match="gives no curve: no span of 1 rpm"):
        curve.again(setup, tables, {**plain, "bin_width_rpm": 1.0})


def test_each_bin_has_the_turns_of_its_own_speed(monkeypatch: pytest.MonkeyPatch):
    seen = []
    made = curve._bin

    def kept(setup, events, wheel, trend, *more):
        seen.append((events, wheel, trend))
        return made(setup, events, wheel, trend, *more)

    monkeypatch.setattr(curve, "_bin", kept)
    curve.curve(*swept()[:2])
    for k, (events, wheel, trend) in enumerate(seen):
        for rpm in (60e6 / wheel.length, events.speed):
            assert rpm.min() >= FROM + 250 * k and rpm.max() < FROM + 250 * (k + 1)
        assert len(wheel.start) == pytest.approx(2 * len(events.speed), abs=4)
        assert np.abs(trend).mean() == pytest.approx(RISE, rel=0.02)


def test_a_wheel_that_runs_out_is_in_each_bin():
    """0.2°, more than 36 - 1 itself shows of it 40° on: from 0.2 / sqrt(24) on beside ± 0.4."""
    setup, tables, _, _ = swept(off=0.2)
    found = curve.curve(setup, tables)
    bare = curve.curve(setup, replace(tables, turns=None))
    assert isinstance(found, curve.Curve) and isinstance(bare, curve.Curve)
    for row, other in zip(found.bins, bare.bins, strict=True):
        assert np.sqrt(row.expanded**2 - other.expanded**2) > 2 * 0.2 / np.sqrt(24) * 0.9
        assert row.timing == other.timing


def test_a_sweep_of_the_last_session():
    """What came before a restart is told and left out."""
    setup, alone, _, _ = swept()
    whole = curve.curve(setup, alone)
    analyzer = Analyzer(setup, 1_000_000)
    teeth = 60_000 * np.arange(400)[:, None] + np.rint(np.arange(35) * 60_000 / 36)
    crank = teeth.astype(np.int64).ravel()
    sparks = 120_000 * np.arange(1, 199) + 5_000
    analyzer.take(Batch(7, (crank, sparks, NONE, NONE), (NONE,) * 4, int(crank[-1]), []))
    first = analyzer.finish()
    joined = replace(
        alone,
        sparks=type(alone.sparks).join([first.sparks, alone.sparks]),
        lost_before=np.append(first.lost_before, alone.lost_before),
        periods=type(alone.periods).join([first.periods, alone.periods]),
        sessions=((0, 0, 0, 0), (len(first.sparks), len(first.periods.start), 0, 0)),
    )
    found = curve.curve(setup, joined)
    assert isinstance(found, curve.Curve) and isinstance(whole, curve.Curve)
    assert str(found.bins) == str(whole.bins)
    assert [f.code for f in found.findings] == ["sessions"] and not whole.findings
    assert "only the last is shown" in found.findings[0].text
    # With that no correction is told.
    assert found.fit is not None and not found.fit.told_apart
    assert found.fit.note == "no correction is told before what the findings say is cleared"


def test_findings_of_a_sweep():
    """A delay that a clamp the wrong way round would add; edges that do not fit the wheel."""
    setup, tables, _, _ = swept(delay=50e-6)
    found = curve.curve(setup, tables)
    assert isinstance(found, curve.Curve) and found.fit is not None
    assert [f.code for f in found.findings] == ["clamp_side"]
    assert found.fit.delay_us == pytest.approx(50, abs=3) and not found.fit.told_apart
    assert found.fit.note.startswith("no correction is told")
    setup, tables, _, _ = swept()
    for share, told in ((0.04, []), (0.06, ["crank_noise"])):
        noisy = replace(tables, crank_rejected=round(share * tables.crank_edges))
        found = curve.curve(setup, noisy)
        assert isinstance(found, curve.Curve) and [f.code for f in found.findings] == told


def test_a_sweep_that_is_not_shown_says_why_first(monkeypatch: pytest.MonkeyPatch):
    setup, tables, _, _ = swept()
    first, second = Finding("one", "why"), Finding("two", "and more")
    judged = SimpleNamespace(shown=False, error_shown=False, findings=(first, second))
    monkeypatch.setattr(curve.gates, "judge", lambda evidence: judged)
    assert curve.curve(setup, tables) is first


@pytest.mark.parametrize("teeth", [1, 36])
def test_a_pulse_alone_is_looked_at_for_turns_that_alternate(teeth, monkeypatch):
    """A wheel's turns are told by its ripple; of a pulse there is none."""
    setup, tables, _, _ = swept()
    tables = replace(tables, turns=None)
    found, rows = curve.time_events(setup, tables), curve.curve(setup, tables)
    assert not isinstance(found, Finding) and isinstance(rows, curve.Curve)
    monkeypatch.setattr(curve.crank, "pulse_alternates", lambda periods: "looked at")
    typed = replace(setup, reference=Reference(teeth, int(teeth > 1), 1, 60.0))
    seen = curve._evidence(typed, found, tables, list(rows.bins), None, "")
    assert seen.alternates == ("looked at" if teeth == 1 else False)
    most = max(rows.bins, key=lambda one: one.events)
    assert (seen.rpm, seen.timing, seen.sweep) == (most.rpm, most.timing, True)
    # In a sweep a place that moves is none that moved; others are what they are.
    for kind, told in ((groups.MOVED, groups.OWN), (groups.LATE, groups.LATE)):
        moved = replace(found, kind=kind)
        assert curve._evidence(typed, moved, tables, list(rows.bins), None, "").kind == told
    for edges, rejected, share in ((0, 0, 0.0), (1, 1, 1.0), (8, 2, 0.25)):
        few = replace(tables, crank_edges=edges, crank_rejected=rejected)
        assert curve._evidence(typed, found, few, list(rows.bins), None, "").noisy == share


@pytest.mark.parametrize(("wanted", "goal"), [(21.0, 21.0), (np.nan, None)])
def test_what_the_gates_look_at_is_of_the_fullest_bin(wanted, goal, monkeypatch):
    """The second of three; the speed of the two kinds of second edge, and what the wheel shows."""
    setup, tables, _, _ = swept()
    found, made = curve.time_events(setup, tables), curve.curve(setup, tables)
    tables = replace(tables, polarity=cast(Any, "told"))
    assert not isinstance(found, Finding) and isinstance(made, curve.Curve)
    rows = [
        replace(made.bins[0], rpm=1000.0 * k, events=n, expanded=0.1 * k, scatter=0.01 * k,
                wanted=wanted if k == 2 else 5.0)
        for k, n in ((1, 20), (2, 30), (3, 10))
    ]  # fmt: skip
    monkeypatch.setattr(curve, "second_edges", lambda events, tables, rpm: (0.1, 0.2, rpm))
    monkeypatch.setattr(curve, "pairs", lambda events, tick_s, rpm: (tick_s, 0.4, rpm))
    for alternates in (False, True):
        ripple = cast(Any, SimpleNamespace(alternates=alternates))
        seen = curve._evidence(setup, found, tables, rows, ripple, "words")
        assert seen.setup.commanded == goal and seen.alternates is alternates
        assert (seen.rpm, seen.expanded, seen.scatter) == (2000.0, 0.2, 0.02)
        assert seen.second == (0.1, 0.2, 2000.0) and seen.pairs == (tables.tick_s, 0.4, 2000.0)
        assert seen.polarity == "told" and seen.sessions == "words" and seen.sweep  # type: ignore[comparison-overlap]
    assert not curve._evidence(setup, found, tables, rows, None, "").alternates


def test_a_map_that_is_typed(tmp_path):
    path = tmp_path / "map.csv"

    def read(text: str):
        path.write_text(text)
        return [column.tolist() for column in curve.read_curve(path)]

    assert read("rpm,degrees\n# low\n3000,30,x\n\n 900 , 10.5\n") == [[900, 3000], [10.5, 30]]
    assert read("900,10\n3000,-3") == [[900, 3000], [10, -3]]
    assert read("900.5,11\n900,10") == [[900, 900.5], [10, 11]]
    for text, said in (
        ("900,10\n1000\n", "line 2 of"), ("900,10\n1000,11\n\nx,1\n", "line 4 of"),
        ("900,10\n", "two or more"), ("900,10\n900,11\n", "two or more"),
        ("900,10\n1000,nan\n", "two or more"), ("900,10\ninf,1\n", "two or more"),
        ("", "two or more"), ("rpm,degrees\n900,10", "two or more"),
    ):  # fmt: skip
        with pytest.raises(UserError, match=said):
            read(text)
    with pytest.raises(UserError, match="cannot read the curve"):
        curve.read_curve(tmp_path / "none.csv")
