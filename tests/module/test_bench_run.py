"""The live loop of a bench run, by a board that is written down: each beat's bytes, each figure by
hand. The real firmware is in test_bench_live.py.
"""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from sparkwitness.bench import run as bench_run
from sparkwitness.bench.plan import Plan
from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recorder
from sparkwitness.device.stream import Stopped
from sparkwitness.errors import UserError
from streams import HELLO, Stream

TICK_S = 24e-9
ON = wire.ENUMS["output_bits"]["bench"]
PLAN = Plan(steps=(3000.0, 1500.0), seconds=0.5, ramps=(), width_us=2000.0)


def at(k: int) -> float:
    """Of beat k, s: a tenth and a little more each, so that none lies on a limit."""
    return 0.101 * k


def board(n, acks=(2,), triggers=1, sparks=1, outputs=ON, cut=None, again=None, fails=()):
    """What each of n beats brings: drive commands taken, edges, a heartbeat; or an error."""
    made, parts, sent = Stream(), [], [0, 0]
    made.hello()
    for k in range(n):
        if k == again:  # the board begins anew
            made, sent = Stream(session=8), [0, 0]
            made.hello()
        before = len(made.frames) if k else 0
        if k in acks:
            made.add("ack", command=wire.NUMBER["drive"], result=0, command_seq=1, text="")
        since = at(k - 1) + 0.001
        for which, each, lag in ((3, triggers, 0.0), (1, sparks, 5e-5)):
            count = 0 if k == 0 else each if isinstance(each, int) else each[k]
            times = since + lag + 0.0002 * np.arange(count)
            made.edges(which, np.rint(times / TICK_S).astype(np.int64))
            sent[which == 1] += count
        on = outputs if isinstance(outputs, int) else outputs[k]
        made.heartbeat(round(at(k) / TICK_S), outputs=on if k > 2 else 0)
        if cut is not None and k > 2:
            made.add("driving", pauses=0, dropped=0, cut=cut, reserved=[0, 0, 0])
        parts.append(b"".join(made.frames[before if k != again else 0 :]))
    return [dict(fails).get(k, part) for k, part in enumerate(parts)]


class Written:
    """In place of `Stream`: gives a beat at each call, and writes down what it is asked."""

    def __init__(self, parts):
        self.parts, self.given, self.asked, self.within_s = parts, 0, [], []
        self.ended = None

    def __call__(self, link, falling, enabled, recorder, unrecorded):
        self.opened = (falling, enabled, recorder)
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None

    def command(self, name, **fields):
        self.asked.append((self.given, name, fields))

    def within(self, seconds):
        self.within_s.append(seconds)

    def receive(self, seconds):
        assert seconds == 0.05
        self.given += 1
        part = self.parts[self.given - 1]
        if isinstance(part, Exception):
            raise part
        return part

    def end(self):
        self.ended = self.given

    def __iter__(self):
        while self.given < len(self.parts):
            yield self.receive(0.05)


@pytest.fixture
def driven(monkeypatch):
    """Drives PLAN on a board that is written down; each look at the clock is 60 ms later."""

    def run(parts, order=((0, 0.5), (1, 0.6)), plan=PLAN):
        stream, seen, clock = Written(parts), [], iter(0.06 * np.arange(1000))
        monkeypatch.setattr(bench_run, "Stream", stream)
        monkeypatch.setattr(bench_run, "time", SimpleNamespace(monotonic=lambda: next(clock)))
        link = SimpleNamespace(hello=HELLO)
        return bench_run.run(link, plan, order, None, seen.append), stream, seen

    return run


def test_each_segment_is_held_for_its_time(driven):
    """An order stands from 0.1 s after the beat that follows its answer, and 0.15 s are added.

    The first, answered before 0.202 s: until 0.202 + 0.1 + 0.5 + 0.15 = 0.952, told at 1.01, the
    eleventh beat. The second, before 1.212: until 1.212 + 0.1 + 0.6 + 0.15 = 2.062, told at 2.121.
    """
    ending, stream, seen = driven(board(24, acks=(2, 12)))
    assert (ending.why, ending.hopeless) == ("", False)
    assert [(n, name) for n, name, _ in stream.asked] == [(0, "drive"), (11, "drive")]
    assert [f["rpm_to"] for _, _, f in stream.asked] == [3_000_000, 1_500_000]
    assert stream.ended == 22 and stream.given == 24  # what came after it is taken as well
    # The board's own time for both changes of speed, and one heartbeat more.
    assert stream.within_s == pytest.approx([0.5 + 0.4 + 0.15, 0.6 + 0.4 + 0.15])
    assert stream.opened == (["trigger"], ("trigger", "clamp_a"), None)
    assert len(ending.collector.finish()) == 2
    # Looked at each tenth of a second: every second beat. 0.4 s for each change of speed.
    assert [p.total_s for p in seen] == pytest.approx([0.5 + 0.4 + 0.6 + 0.4] * 11)
    assert [(p.segment, p.name) for p in seen] == [(0, "3000 rpm")] * 5 + [(1, "1500 rpm")] * 6
    first = [0.101, 0.303, 0.5, 0.5, 0.5]
    second = [at(11) - at(10), at(13) - at(10), at(15) - at(10), 0.6, 0.6, 0.6]
    assert [p.done_s for p in seen] == pytest.approx([*first, *(0.9 + s for s in second)])
    assert [p.triggers for p in seen] == [p.sparks for p in seen] == list(range(1, 22, 2))


def test_edges_that_the_plan_asks_for(driven):
    up = Plan(kind="capacitive", fires_at="start", steps=(3000.0,), seconds=0.5, ramps=(),
              width_us=2000.0, clamp_input="clamp_b", clamp_falling=True)  # fmt: skip
    _, stream, _ = driven(board(24), ((0, 0.5),), up)
    assert stream.opened[:2] == (["clamp_b"], ("trigger", "clamp_b"))


LONG = ((0, 0.5), (1, 3.0))


@pytest.mark.parametrize(
    ("parts", "given", "why"),
    [
        # The order stands from 0.302 s on; two seconds later there must be triggers, and sparks
        # of twenty of them: told at 2.323, the 24th beat.
        ({"triggers": 0, "sparks": 0}, 24, "the trigger input saw none of the pulses driven"),
        ({"triggers": [*[0] * 5, *[1] * 35], "sparks": 0}, 25, "no spark at all"),
        ({"triggers": 1, "sparks": 0}, 24, "no spark at all"),
        ({"triggers": [*[0] * 20, *[1] * 20], "sparks": 0}, 40, "no spark at all"),
        ({"triggers": 1, "sparks": [*[0] * 39, 1]}, 24, "no spark at all"),
    ],
)
def test_a_run_that_shows_nothing_is_hopeless(driven, parts, given, why):
    ending, stream, _ = driven(board(60, acks=(2, 12), **fill(parts)), LONG)
    assert (ending.why, ending.hopeless, stream.ended) == (why, True, given)


def fill(parts):
    """The last figure of a list for all beats after it."""
    return {k: v if isinstance(v, int) else [*v, *[v[-1]] * 60] for k, v in parts.items()}


def test_one_spark_is_a_reason_to_go_on(driven):
    parts = {"triggers": 1, "sparks": [*[0] * 10, 1, *[0] * 50]}
    ending, _, _ = driven(board(60, acks=(2, 12), **parts), LONG)
    assert ending.why == ""


@pytest.mark.parametrize(
    ("cut", "said"),
    [(None, "it does not say why"), (1, "the host was silent for too long"),
     (4 | 8, "the active time that a minute allows was used up and it found a fault of its own")],
)  # fmt: skip
def test_outputs_that_are_off_are_noticed_when_the_order_surely_stands(driven, cut, said):
    """It stands from 0.302 s on, 0.3 s later is told at 0.606 s, the seventh beat."""
    ending, stream, _ = driven(board(24, outputs=0, cut=cut))
    assert ending.why == f"the board switched its outputs off: {said}"
    assert not ending.hopeless and stream.ended == 7


def test_outputs_off_before_the_next_order_stands_are_no_fault(driven):
    """Its answer comes before 1.414 s: they are looked at from 1.814 s on, the 19th beat.

    Two beats on end must say so: one alone may be of the change of speed.
    """
    for off, ended in ((range(11, 18), 24), (range(11, 19), 19), (range(20, 22), 22)):
        outputs = [0 if k in off else ON for k in range(30)]
        ending, stream, _ = driven(board(30, acks=(2, 14), outputs=outputs))
        assert (ending.why == "", stream.ended) == (ended == 24, ended)


def test_a_board_that_begins_anew_ends_the_run(driven):
    ending, stream, _ = driven(board(24, again=8))
    assert ending.why.startswith("the board restarted in the middle") and not ending.hopeless
    assert stream.ended == 9 and stream.given == 24


def test_what_breaks_off_keeps_what_came(driven):
    ending, stream, _ = driven(board(24, fails={6: Stopped("stopped")}))
    assert (ending.why, ending.hopeless) == ("stopped by hand", False)
    assert stream.ended == 7 and ending.collector.trigger_edges == 22
    gone = UserError("the board went away")
    ending, stream, _ = driven(board(24, fails={6: gone}))
    assert ending.why == "the board went away" and ending.collector.trigger_edges == 5
    assert stream.ended is None
    with pytest.raises(UserError, match="went away"):  # nothing had been driven
        driven(board(24, fails={1: gone}))


# What is stored


def kept(path, plan=PLAN, order=((0, 0.5), (1, 0.6)), tick_ps=24_000, data=None, setup=None):
    setup = bench_run.setup_of(plan, order) if setup is None else setup
    recorder = Recorder(path, {"tick_ps": tick_ps}, setup)
    recorder.write(b"\0" + b"".join(board(24, acks=(2, 12))) if data is None else data)
    recorder.close()
    return path


def test_a_stored_run_knows_its_plan_its_order_and_its_parts(tmp_path):
    assert bench_run.setup_of(PLAN, ((0, 0.5),)) == {
        "bench": PLAN.to_dict(),
        "order": [[0, 0.5]],
    }
    first = kept(tmp_path / "a.swrec")
    one = bench_run.load(first)
    assert one.plan == PLAN and one.paths == [first] and len(one.parts) == 1
    assert one.parts[0].order == [(0, 0.5), (1, 0.6)] and one.parts[0].tick_ps == 24_000
    assert one.next_path.name == "a-2.swrec"
    short = bench_run.load(kept(tmp_path / "s.swrec", order=((1, 0.6),)))
    assert short.remaining == [(0, 0.5)]
    kept(tmp_path / "a-2.swrec", order=((1, 0.6), (0, 0.5)))
    both = bench_run.load(first)
    assert [p.name for p in both.paths] == ["a.swrec", "a-2.swrec"]
    assert both.next_path.name == "a-3.swrec"
    assert both.result.triggers == sum(
        len(s.shots.time) for part in both.parts for s in part.stretches()
    )
    other = kept(tmp_path / "b.swrec", Plan(steps=(900.0,), ramps=()), ((0, 1.0),))
    with pytest.raises(UserError, match=r"b\.swrec is not a continuation of .*a\.swrec"):
        bench_run.load_parts([first, other])


@pytest.mark.parametrize(
    "order", [[[2, 1.0]], [[-1, 1.0]], [[0, 1.0], [2, 1.0]], None, [[None, 1]]]
)
def test_an_order_beyond_the_plan_is_damage(tmp_path, order):
    path = kept(tmp_path / "o.swrec", setup={"bench": PLAN.to_dict(), "order": order})
    with pytest.raises(UserError, match="does not say what was driven"):
        bench_run.load(path)
    assert json.loads(path.read_bytes().split(b"\n")[0])["setup"]["order"] == order


def test_what_a_board_does_not_allow_is_not_driven(driven):
    """16 ms at 900 rpm, 33 ms apart: more than the 15 ms of this board."""
    plan = Plan(steps=(900.0,), ramps=(), width_us=16_000.0)
    with pytest.raises(UserError, match="16000 µs of dwell or pulse are more than this board"):
        driven(board(24), order=((0, 0.5),), plan=plan)


def test_what_is_cut_off_at_the_end_is_counted(driven, tmp_path):
    """Three bytes of a frame that never ended, live and from a file."""
    parts = board(24, acks=(2, 12))
    ending, stream, _ = driven([*parts[:-1], parts[-1] + b"\x05ab"])
    assert stream.given == 24 and ending.collector.decoder.loss.bytes_damaged == 3
    data = b"\0" + b"".join(parts) + b"\x05ab"
    one = bench_run.load(kept(tmp_path / "cut.swrec", data=data))
    assert one.parts[0].decoder.loss.bytes_damaged == 3
