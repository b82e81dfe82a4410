"""What the board answers in a search: one crank typed in, each answer and its words by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from sparkwitness.decode.edges import Loss
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device.stream import Stopped
from sparkwitness.errors import UserError
from sparkwitness.fault import cranking, live
from sparkwitness.fault import model as ff
from streams import HELLO, Stream

CONTROLLED = ff.variant_of(
    switch="inductive", trigger="controller", sensor="coil", distribution="distributor",
    feed="steady",
)  # fmt: skip
EACH = ff.variant_of(
    switch="inductive", trigger="controller", sensor="coil", distribution="plugtop", feed="steady"
)
TESTS = ("supply_cranking", "crank_pulses", "trigger_edges", "primary_edges", "clamp_coil_lead",
         "clamp_plug_lead")  # fmt: skip
LEADS = {"clamp_a": "coil", "clamp_b": "plug"}
FOUR = cranking.Engine(4)


def crank(supply=10.456, until=3.3, loss=None, rpm=None, **edges) -> cranking.Cranking:
    """200 rpm for 3 s: 20 triggers and sparks 0.15 s apart, 5 at one plug, no crank pulse."""
    beats = np.arange(0.1, until + 0.35, 0.1)
    volts = np.where((beats > 0.15) & (beats < until + 0.05), supply, 12.6)
    every = 0.2 + 0.15 * np.arange(20)
    given = {"crank": [], "trigger": every, "clamp_a": every + 1e-3, "clamp_b": every[::4] + 1e-3}
    return cranking.Cranking(
        {k: np.asarray(v, float) for k, v in {**given, **edges}.items()}, beats, volts, 5.0,
        loss or Loss(), rpm=rpm,
    )  # fmt: skip


def answers(heard, leads=LEADS, tap=None, variant=CONTROLLED, names=TESTS):
    run = ff.Run(variant, True)
    tests = [run.chain().tests[n] for n in names if n in run.chain().tests]
    made = live.answers(run, tests, heard, FOUR, leads, tap)
    assert made is None or {a.how for a, _ in made} == {"board"}
    return None if made is None else {a.test: (a.outcome, a.reading, why) for a, why in made}


def test_one_crank_answers_each_test_that_is_connected():
    found = answers(crank())
    # 3 % of 10.456 V; at least 9.6 V is the first outcome.
    assert found["supply_cranking"] == (0, 10.46, "10.46 ± 0.31 V")
    assert found["crank_pulses"][0] == 2 and "no crank pulse" in found["crank_pulses"][2]
    for name in ("trigger_edges", "primary_edges", "clamp_coil_lead"):
        assert found[name] == (0, None, "20 events of 20 firings")
    assert found["clamp_plug_lead"] == (0, None, "5 events of 5 firings")
    assert answers(crank(supply=9.7))["supply_cranking"][0] == 0
    assert answers(crank(supply=9.5))["supply_cranking"][0] == 1
    assert answers(crank(supply=7.9))["supply_cranking"][0] == 2


@pytest.mark.parametrize(
    ("rest", "lowest", "outcome"),
    [
        # Two batteries in series: 9.6 and 8 V of each are 19.2 and 16 V.
        (25.0, 19.3, 0), (25.0, 19.1, 1), (25.0, 17.0, 1), (25.0, 16.1, 1), (25.0, 15.9, 2),
        (20.0, 17.0, 1), (20.0, 15.9, 2), (19.9, 15.9, 0), (12.6, 9.7, 0), (12.6, 9.5, 1),
    ],
)  # fmt: skip
def test_of_24_volts_each_battery_has_half(rest, lowest, outcome):
    heard = crank(supply=lowest)
    heard = replace(heard, supply=np.where(heard.supply == 12.6, rest, heard.supply))
    assert answers(heard)["supply_cranking"][:2] == (outcome, lowest)


def test_a_typed_voltage_finds_its_outcome():
    """Ends belong to the better side; above 16 V it is of two batteries."""
    tests = ff.Run(CONTROLLED, False).chain().tests
    rest, drop = tests["battery_rest"], tests["ground_drop"]
    for volts, outcome in (
        (12.2, 0), (12.19, 1), (11.5, 1), (11.49, 2), (0.0, 2), (-1.0, 2), (16.0, 0), (16.1, 2),
        (24.4, 0), (24.3, 1), (22.9, 2), (100.0, 0),
    ):  # fmt: skip
        assert rest.outcome_of(volts) == outcome, volts
    for volts, outcome in ((0.3, 0), (0.31, 1), (1.0, 1), (1.01, 2), (30.0, 2), (-0.5, 0)):
        assert drop.outcome_of(volts) == outcome, volts
    for wrong in (-1.01, 100.1, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="cannot be; type 0 to 100 V"):
            rest.outcome_of(wrong)
    with pytest.raises(ValueError, match="fuse_look takes no number"):
        tests["fuse_look"].outcome_of(12.0)


def test_an_input_answers_only_for_the_lead_that_it_is_on():
    every = crank().edges
    swapped = crank(clamp_a=every["clamp_b"], clamp_b=every["clamp_a"])
    found = answers(swapped, {"clamp_a": "plug", "clamp_b": "coil"})
    assert found["clamp_coil_lead"][:1] == found["clamp_plug_lead"][:1] == (0,)
    assert answers(swapped)["clamp_coil_lead"][0] == 1
    for leads in ({}, {"clamp_a": "none", "clamp_b": "none"}):
        found = answers(crank(), leads)
        assert found["clamp_coil_lead"] == found["clamp_plug_lead"] == (None, None, "not connected")
        assert found["trigger_edges"][0] == 0
    one = answers(crank(), {"clamp_b": "coil"})
    assert one["clamp_coil_lead"][2] == "5 events of 20 firings"
    # What was lost on an input that no lead is on is no reason of its own.
    lost = Loss()
    lost.edges_lost[2] = 1
    assert answers(crank(loss=lost), {"clamp_a": "coil"})["clamp_plug_lead"][2] == "not connected"
    # The tap is on one wire.
    found = answers(crank(), tap="primary_edges")
    assert found["trigger_edges"] == (None, None, "not connected")
    assert found["primary_edges"][0] == 0


def test_with_a_coil_on_each_plug_the_tap_is_on_one_cylinders_wire():
    """It tells how many are due there, not at all four: 8 triggers 0.6 s apart, 8 sparks."""
    every = 0.2 + 0.6 * np.arange(8)
    given = {"until": 4.6, "trigger": every, "clamp_a": [], "variant": EACH}

    def plug(sparks, **more):
        typed = {**given, "clamp_b": sparks, **more}
        variant = typed.pop("variant")
        return answers(crank(**typed), {"clamp_b": "plug"}, variant=variant)

    found = plug(every + 1e-3)
    assert found["trigger_edges"] == (0, None, "8 events of 8 firings")
    assert found["clamp_plug_lead"] == (0, None, "8 events of 8 firings")
    assert plug(every[::2])["clamp_plug_lead"] == (1, None, "4 events of 8 firings")
    assert plug([])["clamp_plug_lead"] == (2, None, "0 events of 8 firings")
    # Three in 1.2 s have no rhythm, and 1.4 s at 60 rpm are less than two firings.
    short = plug(every[:3], until=1.6, trigger=every[:3])
    for name in ("trigger_edges", "clamp_plug_lead"):
        assert short[name] == (None, None, "it did not turn for long enough")


@pytest.mark.parametrize("lost", ["edges_lost", "board_stalls"])
def test_lost_edges_are_no_missing_sparks(lost):
    for name, which in (("trigger_edges", 3), ("clamp_coil_lead", 1), ("clamp_plug_lead", 2),
                        ("crank_pulses", 0)):  # fmt: skip
        loss = Loss()
        getattr(loss, lost)[which] = 1
        found = answers(crank(loss=loss))
        again = (None, None, "edges were lost on the way: crank again")
        assert {n for n, said in found.items() if said == again} == (
            {name, "primary_edges"} if which == 3 else {name}
        )


def test_what_cannot_be_judged_is_said():
    unknown = replace(crank(crank=np.linspace(0.2, 3.2, 60)), beats=np.empty(0), supply=np.empty(0))
    assert answers(unknown)["supply_cranking"] == (
        None, None, "the board does not measure the supply"
    )  # fmt: skip
    assert answers(crank(supply=12.6)) is None  # nothing turned
    brief = crank(until=0.6, trigger=[], clamp_a=[0.3], clamp_b=[])
    assert answers(brief)["clamp_plug_lead"][2] == "it did not turn for long enough"
    for rpm in (None, 400.0):
        assert answers(crank(rpm=rpm)) is not None
    with pytest.raises(UserError, match="the crank turned at 401 rpm: the engine runs"):
        answers(crank(rpm=401.0))


# Listening


def stream(n=60):
    made = Stream()
    made.hello()
    parts = []
    for k in range(n):
        before = len(made.frames) if k else 0
        made.heartbeat(round(0.1 * k / 24e-9), supply_mv=12_600 if k < 20 else 10_000)
        parts.append(b"".join(made.frames[before:]))
    return parts


class Board:
    """In place of `Link` and of `Stream`: gives a beat at a time."""

    def __init__(self, parts, fails=None):
        self.hello, self.parts, self.fails, self.given = HELLO, parts, fails, 0
        self.ended = False

    def link(self, port, patience):
        self.linked = port, patience
        return self

    def stream(self, link, falling, recorder, unrecorded):
        self.falling, self.recorder = falling, recorder
        return self

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if getattr(self, "recorder", None):
            self.recorder.close()

    def end(self):
        self.ended = True

    def __iter__(self):
        for part in self.parts:
            if self.ended:
                return
            if self.given == self.fails:
                raise Stopped("stopped")
            self.given += 1
            if self.recorder:
                self.recorder.write(part)
            yield part


def listened(monkeypatch, board, **more):
    """Each look at the clock is 0.15 s later."""
    seen, clock = [], iter(0.15 * np.arange(1000))
    monkeypatch.setattr(live, "Link", board.link)
    monkeypatch.setattr(live, "Stream", board.stream)
    monkeypatch.setattr(live, "time", SimpleNamespace(monotonic=lambda: next(clock)))
    heard = live.listen("port", 2.0, 4.05, lambda dipped, left: seen.append((dipped, left)), **more)
    return heard, seen


def test_it_listens_for_its_time_and_says_how_long_yet(monkeypatch, tmp_path):
    board = Board(stream())
    path = tmp_path / "crank.swrec"
    heard, seen = listened(monkeypatch, board, record=path, falling=frozenset({"crank"}))
    # 4.1 s are the first that are not less than 4.05: the 42nd beat.
    assert board.given == 42 and heard.seconds == pytest.approx(4.1)
    assert board.linked == ("port", 2.0) and board.falling == {"crank"}
    # Told when more than 0.2 s have passed: a look, and one more to note the time, 0.15 s each.
    # The second beat is the first, then each second: 0.1, 0.3, ... s.
    shown = [4.05 - left for _, left in seen]
    assert shown == pytest.approx([0.1 + 0.2 * k for k in range(20)])
    assert [d for d, _ in seen] == [t > 1.95 for t in shown]
    assert Recording(path).setup == {"cranking": True}
    again = live.replay(path)
    assert again.seconds == heard.seconds and np.array_equal(again.supply, heard.supply)
    assert cranking.turning(again) == pytest.approx((1.9, 4.1))


def test_a_break_judges_nothing_and_damage_is_refused(monkeypatch, tmp_path):
    with pytest.raises(UserError, match="stopped; nothing was judged"):
        listened(monkeypatch, Board(stream(), fails=5))
    damaged = tmp_path / "damaged.swrec"
    recorder = Recorder(damaged, HELLO, None)
    recorder.write(b"\0noise\0")
    recorder.close()
    with pytest.raises(UserError, match="not one good frame"):
        live.replay(damaged)
