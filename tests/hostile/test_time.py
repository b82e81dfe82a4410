"""Clocks and counters that wrap, stand or go back, at the board and at this computer."""

import numpy as np
import pytest

from bench_world import BEAT, plan_for
from hostile.ends import RECORDING, run
from sparkwitness.bench.evaluate import evaluate
from sparkwitness.bench.shots import Collector
from sparkwitness.decode import wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.faces.live import server
from sparkwitness.records import logbook
from sparkwitness.records.logbook import Logbook
from sparkwitness.simulator import scenario
from streams import HELLO, Stream

TOP = 1 << 32


@pytest.mark.parametrize(
    ("looks", "gone"),
    [([0, 5, 5, 9], 9), ([TOP - 2, 3], 5), ([TOP - 1, 0], 1), ([10, 3], 3), ([7], 0),
     ([100, 200, 40, 50], 150), ([5, 4], 4), ([0, TOP - 1000], 0), ([0, TOP - 1000, 7], 1007)],
)  # fmt: skip
def test_a_counter_wraps_or_begins_anew_and_never_goes_back(looks, gone):
    assert wire.gone_on(np.array(looks, np.uint32)) == gone
    assert wire.gone_on(looks) == gone


def test_losses_of_a_board_that_begins_anew_are_counted_once_more():
    made = Stream()
    made.add("hello", **HELLO)
    for k, (lost, unsent) in enumerate([(0, 0), (7, 2), (1, 0), (TOP - 1, 0), (4, 1)]):
        made.heartbeat(k * BEAT, lost=[lost, 0, 0, 0], unsent=unsent)
    decoder = EdgeDecoder()
    decoder.feed(made.data)
    decoder.finish()
    # 7 and 1; 2^32 - 1 after 1 is a start anew there (or two back): 2^32 - 1 in all, then 5 more.
    assert min(decoder.loss.board_lost) >= 0 and decoder.loss.board_unsent == 3


def test_a_host_that_stood_reports_what_was_driven_and_no_wrap():
    """It was stopped, the board switched off and began to count anew when it went on."""
    plan = plan_for(scenario.load("bench-inductive"), steps=[1000], seconds=2.0)
    made = Stream()
    made.add("hello", **HELLO)
    made.heartbeat(0)
    made.add("ack", command=wire.NUMBER["drive"], result=0, command_seq=0, text="")
    for k in range(1, 25):
        driven = 3 * k if k < 12 else 3 * (k - 12)
        made.heartbeat(k * BEAT, driven=driven, outputs=1)
    collector = Collector(plan, [(0, 2.0)], 24_000)
    collector.feed(made.data)
    collector.finish()
    result = evaluate(plan, [collector])
    assert all(0 <= s.driven < 100 for s in result.stretches)
    assert not any("429496" in finding.text for finding in result.findings)


DAY = 86_400.0


@pytest.mark.parametrize("by", [-DAY, DAY, -400 * DAY])
def test_a_wall_clock_that_was_set_loses_nothing(tmp_path, monkeypatch, by):
    """Runs are kept in order of their numbers; no recording that may be written still is tidied."""
    book = tmp_path / "book.db"
    now = logbook.time.time
    for shift in (0.0, by, 0.0):
        monkeypatch.setattr(logbook.time, "time", lambda shift=shift: now() + shift)
        assert run("measure", "--from", RECORDING, "--logbook", book).exit_code == 0
    with Logbook(book) as log:
        assert [one.id for one in log.runs()] == [1]  # the same result is kept once
        fresh = log.new_recording()
        fresh.write_bytes(b"being written")
    assert run("logbook", "tidy", "--logbook", book, "--yes").exit_code in (0, 2)
    assert fresh.exists()


@pytest.mark.parametrize("by", [-DAY, DAY])
def test_a_token_from_another_day_is_not_kept_for_ever(tmp_path, monkeypatch, by):
    kept = tmp_path / "page.token"
    first = server._token(kept)
    assert server._token(kept) == first
    now = server.time.time
    monkeypatch.setattr(server.time, "time", lambda: now() + by)
    assert (server._token(kept) == first) == (by < 0)
