"""One crank of the starter, by hand: what was heard is typed in, each count worked beside it."""

import numpy as np
import pytest

from sparkwitness.decode import wire
from sparkwitness.fault import cranking
from sparkwitness.fault.cranking import Cranking, Engine
from sparkwitness.timing.angle import CrankTracker, Reference
from streams import HELLO, Stream

FOUR = Engine(4)
TICK_S = 24e-9


def heard(beats=(), supply=(), rpm=None, revolutions=None, **edges) -> Cranking:
    return Cranking(
        {k: np.asarray(v, float) for k, v in edges.items()}, np.asarray(beats, float),
        np.asarray(supply, float), 5.0, rpm=rpm, revolutions=revolutions,
    )  # fmt: skip


def test_firings_of_a_lead_in_a_turn():
    """A four-stroke fires each cylinder every second turn; a wasted spark or two-stroke every."""
    assert (FOUR.per_rev("coil"), FOUR.per_rev("plug")) == (2.0, 0.5)
    assert (Engine(6, 2).per_rev("coil"), Engine(6, 2).per_rev("plug")) == (6.0, 1.0)
    assert (Engine(4, wasted=True).per_rev("coil"), Engine(4, wasted=True).per_rev("plug")) == (
        4,
        1,
    )


@pytest.mark.parametrize(
    ("crank", "span"),
    [
        ((0.1, 0.4, 0.6, 0.95), (0.1, 0.95)),
        ((0.1, 0.4, 0.95), None),  # three pulses
        ((0.0, 0.4, 0.6, 0.8), (0.0, 0.8)),
        ((0.0, 0.4, 0.6, 0.799), None),
        ((0.1, 0.4, 0.6, 0.85), None),  # three quarters of a second
    ],
)
def test_crank_pulses_that_are_cranking(crank, span):
    assert cranking.turning(heard(crank=crank)) == span


def test_a_dip_of_half_a_volt_is_cranking():
    beats = (0.1, 0.2, 0.3, 0.4, 0.5)
    assert cranking.turning(heard(beats, (12.6, 12.6, 12.0, 10.0, 12.5))) == (0.2, 0.4)
    assert cranking.turning(heard(beats, (12.0, 12.6, 12.6, 12.0, 12.5))) == (0.0, 0.4)
    assert cranking.turning(heard(beats, (12.6, 12.6, 12.2, 12.2, 12.6))) is None
    assert cranking.turning(heard(beats[:2], (12.6, 10.0))) is None
    assert cranking.turning(heard(beats[:3], (12.6, 12.6, 10.0))) == (0.2, 0.3)


def test_first_edges_of_events():
    found = cranking.events(np.array([0.0, 0.039, 0.041, 0.079, 0.2]), 0.1)
    assert found.tolist() == [0.0, 0.041, 0.2]
    # Of two fifths of the time between events on the dot, it is still of the event.
    assert cranking.events(np.array([0.0, 0.4]), 1.0).tolist() == [0.0]


def steady(n: int, apart: float = 0.15, since: float = 0.07) -> np.ndarray:
    return since + apart * np.arange(n)


@pytest.mark.parametrize(
    ("kept", "outcome"),
    # 200 rpm: a turn is 0.3 s. From two turns after 0 s on, 8 turns of 2 firings: 16 are due.
    [(16, 0), (14, 0), (13, 1), (1, 1), (0, 2)],
)
def test_firings_by_the_crank(kept, outcome):
    pulses = np.linspace(0.0, 3.0, 200)
    early = steady(4)  # a controller fires nothing yet; what comes there counts for nothing
    late = steady(16, since=0.67)[:kept]
    both = np.sort(np.concatenate((early, late, late + 0.05)))  # a burst is one event
    found = cranking.judge_firings(
        heard(crank=pulses, rpm=200.0, revolutions=10.0, clamp_a=both), FOUR, "clamp_a", "coil"
    )
    assert (found.seen, found.outcome, found.about) == (kept, outcome, False)
    assert found.expected == pytest.approx(16.0)
    assert found.sentence == f"{kept} events of 16 firings"


def test_one_of_many_firings_is_none_and_too_many_are_noise():
    def judged(times, until=3.0):
        pulses = np.linspace(0.0, until, 300)
        known = heard(crank=pulses, rpm=200.0, revolutions=10.0, clamp_a=times)
        return cranking.judge_firings(known, FOUR, "clamp_a", "coil")

    # 1 of 24 is less than a twentieth.
    assert judged([2.0], 4.2).outcome == 2 and judged([2.0, 2.5], 4.2).outcome == 1
    # 1.3 · 16 + 2 = 22.8 events at the most.
    assert judged(steady(22, 0.1, 0.65)).outcome == 0
    noise = judged(steady(23, 0.1, 0.65))
    assert noise.outcome is None and "23 events where 16 firings can be" in noise.sentence


@pytest.mark.parametrize(("revolutions", "expected"), [(4.0, 16.0), (3.9, 20.0)])
def test_without_enough_turns_the_trigger_tells_what_is_due(revolutions, expected):
    known = heard(
        crank=np.linspace(0.0, 3.0, 200), rpm=200.0, revolutions=revolutions,
        trigger=steady(20), clamp_a=steady(20) + 0.001,
    )  # fmt: skip
    found = cranking.judge_firings(known, FOUR, "clamp_a", "coil")
    assert found.expected == pytest.approx(expected) and found.outcome == 0
    assert not found.about


def test_a_plug_lead_has_a_quarter_of_the_triggers():
    """20 triggers 0.15 s apart: 5 sparks of one of four cylinders, 0.6 s apart."""
    beats = np.arange(0.1, 3.3, 0.1)
    supply = np.where(beats < 0.15, 12.6, 10.5)

    def judged(times):
        known = heard(beats, supply, trigger=steady(20), clamp_a=times)
        return cranking.judge_firings(known, FOUR, "clamp_a", "plug")

    own = steady(5, 0.6, 0.08)
    found = judged(own)
    assert (found.seen, found.expected, found.outcome) == (5, 5.0, 0)
    # What comes long before the first trigger or long after the last is another matter.
    assert judged([*own[:4], 3.25]).seen == 4
    assert judged(own[:3]).outcome == 1 and judged([]).outcome == 2


def test_by_the_time_alone_it_is_a_guess():
    """4 s at 60 rpm and more: at least 8 firings at the coil, 2 at a plug."""
    beats = np.arange(0.1, 4.35, 0.1)
    supply = np.where((beats > 0.15) & (beats < 4.25), 10.5, 12.6)

    def judged(times, lead="coil"):
        return cranking.judge_firings(heard(beats, supply, clamp_a=times), FOUR, "clamp_a", lead)

    span = cranking.turning(heard(beats, supply))
    assert span == pytest.approx((0.1, 4.2))
    even = judged(steady(20, 0.15, 0.3))
    assert (even.seen, even.expected, even.about, even.outcome) == (20, 20.0, True, 0)
    uneven = judged([0.3, 0.5, 1.5, 1.7, 2.9])
    assert uneven.expected == pytest.approx(8.2) and uneven.outcome == 1
    assert uneven.sentence == "5 events of about 8 firings"
    assert judged([1.0, 2.0], "plug").outcome == 0 and judged([], "plug").outcome == 2
    short = heard(beats[:39], supply[:39], clamp_a=[1.0])
    assert cranking.judge_firings(short, FOUR, "clamp_a", "plug") is None  # 1.9 firings at 60 rpm
    assert cranking.judge_firings(heard(), FOUR, "clamp_a", "coil") is None


def test_crank_pulses_that_fit_the_wheel():
    """36 less 1: 35 pulses a turn. Three turns at the ends are never whole."""

    def judged(count, revolutions, rpm=None):
        known = heard(crank=np.linspace(0, 3, count), revolutions=revolutions, rpm=rpm)
        return cranking.judge_crank(known, Engine(4, reference=Reference(36, 1)))

    # 350 pulses: at least 0.9 - 105 / 350 = 0.6 of them, 6 turns.
    fits = judged(350, 6.1, 200.0)
    assert (fits.outcome, fits.seen) == (0, 214)
    assert fits.sentence == "214 of 350 crank pulses fit a 36-1 wheel, 200 rpm"
    assert judged(350, 5.9).outcome == 1 and judged(350, 0.0).outcome == 1
    # Of few pulses at least two in five, however many turns the ends may be.
    assert judged(140, 1.7).outcome == 0 and judged(140, 1.5).outcome == 1
    none = cranking.judge_crank(heard([0.1, 0.2, 0.3, 0.4], [12.6, 10.0, 10.0, 12.6]), FOUR)
    assert (none.outcome, none.seen) == (2, 0)
    assert cranking.judge_crank(heard(crank=steady(20)), FOUR).outcome == 0
    odd = np.concatenate((steady(10), steady(10, 0.4, 1.6)))
    assert cranking.judge_crank(heard(crank=odd), FOUR).outcome == 1
    assert cranking.judge_crank(heard(), FOUR) is None


def test_evenness_by_hand():
    """Nine in ten steps within a factor of 1.7 of the median; four steps at least."""

    def even(*steps):
        return cranking._even(np.cumsum(np.array([0.0, *steps])))

    assert even(1, 1, 1, 1) and not even(1, 1, 1)
    assert even(1, 1, 1, 1, 1.65) and not even(1, 1, 1, 1, 1.75)
    assert even(1, 1, 1, 1, 0.6) and not even(1, 1, 1, 1, 0.55)
    assert even(*[1] * 9, 5) and not even(*[1] * 8, 5, 5)


def test_supply_at_rest_as_it_engages_and_while_it_turns():
    beats = (0.1, 0.2, 0.25, 0.4, 0.5, 0.75, 0.9, 1.5, 2.1, 2.3)
    volts = (12.6, 12.5, 12.4, 9.0, 8.0, 9.4, 10.6, 10.2, 9.9, 9.0)
    known = heard(beats, volts, crank=(0.3, 0.8, 1.4, 2.0))
    assert cranking.supply_fall(known) == cranking.Fall(12.5, 8.0, 9.9)
    # Nothing before the crank: the highest; nothing after it engaged: what there is.
    early = heard(beats, volts, crank=(0.0, 0.2, 0.4, 0.85))
    assert cranking.supply_fall(early) == cranking.Fall(12.6, 8.0, 9.4)
    assert cranking.supply_fall(heard(crank=(0.3, 0.8, 1.4, 2.0))) is None
    assert cranking.supply_fall(heard(beats, [12.6] * 10)) is None


def test_supply_at_the_triggers():
    known = heard((0.1, 0.2, 0.3), (12.0, 11.0, 10.0), trigger=(0.05, 0.1, 0.15, 0.25, 0.35))
    assert cranking.supply_at_triggers(known).tolist() == [12.0, 12.0, 11.0, 10.0]
    assert not len(cranking.supply_at_triggers(heard(trigger=(0.1,))))


def test_from_bytes_with_turns_speed_and_volts():
    """A 4-tooth wheel at 180 rpm: a pulse every 1/12 s; 65535 mV is "not measured"."""
    made = Stream()
    made.hello()
    made.heartbeat(0, supply_mv=12_600)
    pulse = np.rint((0.5 + np.arange(37) / 12) / TICK_S).astype(np.int64)
    made.edges(0, pulse)
    sparks = pulse[::6] + 1000
    made.edges(1, sparks)
    listener = cranking.Listener(Reference(4))
    for at, mv in ((1.0, 10_400), (2.0, 65_535), (3.0, 10_900), (4.0, 12_500)):
        made.heartbeat(round(at / TICK_S), supply_mv=mv)
    listener.feed(made.data)
    assert listener.seconds == pytest.approx(4.0) and listener.dipped
    found = listener.finish()
    assert found.rpm == pytest.approx(180.0, rel=1e-6)
    assert found.revolutions == pytest.approx(8.5)  # 34 of 36 steps have one on either side
    assert found.beats == pytest.approx([0.0, 1.0, 3.0, 4.0])
    assert found.supply == pytest.approx([12.6, 10.4, 10.9, 12.5])
    assert found.edges["crank"] == pytest.approx(pulse * TICK_S)
    plain = cranking.to_dict(found)
    assert plain["edges"]["crank"] == 37 and plain["edges"]["clamp_a"] == 7
    assert plain["rpm"] == found.rpm and plain["seconds"] == pytest.approx(4.0)


def test_crank_pulses_that_do_not_fit_are_told():
    """A 12-1 wheel, six turns, and in the midst of the fourth two pulses too many: as many as the
    same pulses leave over where an engine runs, of one turn or two."""
    step = 1_000_000
    teeth = np.array([k for k in range(6 * 12) if k % 12 != 11])
    pulse = np.sort(np.append(10 * step + step * teeth, [51_300_000, 51_600_000]))
    tracker = CrankTracker(Reference(12, 1))
    none = np.empty(0, np.int64)
    tracker.feed(pulse, none)
    tracker.feed(none, none, last=True)
    made = Stream()
    made.hello()
    made.heartbeat(0)
    made.edges(0, pulse)
    made.heartbeat(int(pulse[-1]) + step)
    listener = cranking.Listener(Reference(12, 1))
    listener.feed(made.data)
    found = listener.finish()
    assert 11 <= found.crank_rejected == tracker.edges_rejected <= 2 * 11 + 2
    assert cranking.to_dict(found)["crank_edges_rejected"] == found.crank_rejected
    whole = cranking.Listener(Reference(12, 1))
    clean = Stream()
    clean.hello()
    clean.heartbeat(0)
    clean.edges(0, 10 * step + step * teeth)
    whole.feed(clean.data)
    assert whole.finish().crank_rejected == 0


@pytest.mark.parametrize(
    ("low", "dipped"), [(12_050, True), (12_099, True), (12_100, False), (12_150, False)]
)
def test_a_starter_is_seen_by_half_a_volt(low, dipped):
    made = Stream()
    made.hello()
    for k, mv in enumerate((12_600, low, 65_535)):
        made.heartbeat(k * 4_000_000, supply_mv=mv)
    listener = cranking.Listener()
    listener.feed(made.data)
    assert listener.dipped is dipped


def test_triggers_that_are_a_rhythm():
    """Six at least, apart by more than 0.4 of what 400 rpm give: 30 ms of 75 ms at two a turn."""
    bounced = np.sort(np.concatenate((steady(6), steady(6) + 0.029)))
    assert cranking._rhythm(bounced, 2.0) == (6, pytest.approx(0.07), pytest.approx(0.82))
    assert cranking._rhythm(np.sort(np.concatenate((steady(6), steady(6) + 0.031))), 2.0) is None
    assert cranking._rhythm(steady(5), 2.0) is None
    assert cranking._rhythm(np.concatenate((steady(6), [2.0, 4.0])), 2.0) is None
    # One lead of four sees a fourth as many: 120 ms of 300 ms.
    assert cranking._rhythm(steady(9, 0.119), 0.5) is None
    assert cranking._rhythm(steady(9, 0.121), 0.5)[0] == 9


def test_turns_that_are_enough_and_the_time_after_them():
    """A dip of the supply is cranking to the end of its last interval, and 0.15 s more."""
    beats, crank = (0.1, 0.2, 0.9, 1.4, 2.14, 2.16), (0.3, 0.8, 1.4, 2.0)
    known = heard(beats, (12.6, 12.6, 10.0, 11.0, 9.0, 8.0), crank=crank)
    assert cranking.supply_fall(known) == cranking.Fall(12.6, 9.0, 9.0)
    # What comes 0.5 s after its begin, at 0.8 s, is after the starter engaged.
    known = heard((0.1, 0.2, 0.79, 0.81), (12.6, 12.6, 9.0, 10.0), crank=crank)
    assert cranking.supply_fall(known) == cranking.Fall(12.6, 9.0, 10.0)
    # Pulses by their number are a guess: no reference was typed.
    typed = cranking.judge_crank(heard(crank=steady(20)), FOUR)
    assert (typed.about, typed.expected, typed.seen) == (True, 20.0, 20)
    none = cranking.judge_crank(heard([0.1, 0.2, 0.3, 0.4], [12.6, 10.0, 10.0, 12.6]), FOUR)
    assert none.about and none.expected == 1.0
    fits = heard(crank=np.linspace(0, 3, 350), revolutions=8.0, rpm=160.0)
    judged = cranking.judge_crank(fits, Engine(4, reference=Reference(36, 1)))
    assert (judged.about, judged.expected, judged.seen) == (False, 350.0, 280)


def test_counts_at_their_very_limits():
    """120 rpm: two turns are 1 s. What comes right at their end is not counted, at the end it is.

    17 of 20 are every firing, 1 of 20 is some.
    """
    pulses = np.linspace(0.0, 11.0, 99)
    for times, seen in (((1.0, 11.0), 1), ((1.001, 11.0), 2), ((0.9, 11.001), 0)):
        known = heard(crank=pulses, rpm=120.0, revolutions=22.0, clamp_b=times)
        found = cranking.judge_firings(known, FOUR, "clamp_b", "plug")
        assert (found.seen, found.expected) == (seen, pytest.approx(10.0))
    by_taps = {"crank": pulses, "trigger": steady(20)}
    for kept, outcome in ((17, 0), (16, 1), (1, 1), (0, 2)):
        found = cranking.judge_firings(
            heard(clamp_a=steady(20)[:kept], **by_taps), FOUR, "clamp_a", "coil"
        )
        assert (found.seen, found.outcome) == (kept, outcome)
    # Four teeth, no gap: four pulses a turn; 40 of 44 of ten turns fit.
    known = heard(crank=np.linspace(0, 3, 44), revolutions=10.0, rpm=200.0)
    found = cranking.judge_crank(known, Engine(4, reference=Reference(4)))
    assert (found.seen, found.expected, found.outcome) == (40, 44.0, 0)


def test_a_pulse_in_any_piece_is_seen():
    made = Stream()
    made.hello()
    made.heartbeat(0, supply_mv=65_535)
    first = made.data
    listener = cranking.Listener()
    listener.feed(first)
    assert not listener.dipped
    made.edges(0, np.array([1000, 2000]))
    made.heartbeat(4_000_000, supply_mv=65_535)
    listener.feed(made.data[len(first) :])
    assert listener.dipped


def test_what_is_not_there_is_not_heard():
    """No such input, no supply, nothing known of the crank."""
    bare = heard()
    assert cranking.turning(bare) is None and cranking.supply_fall(bare) is None
    assert not len(cranking.supply_at_triggers(bare))
    dip = heard((0.1, 0.2, 1.0, 2.0, 9.0), (12.6, 12.6, 10.0, 10.0, 10.0))
    found = cranking.judge_firings(dip, FOUR, "clamp_b", "coil")
    assert (found.seen, found.outcome, found.about) == (0, 2, True)
    assert (len(Cranking().beats), len(Cranking().supply), Cranking().seconds) == (0, 0, 0.0)
    unknown = cranking.judge_crank(heard(crank=steady(20)), Engine(4, reference=Reference(36, 1)))
    assert (unknown.seen, unknown.outcome) == (0, 1)


def test_the_last_session_counts():
    """The board began anew: what it heard before is of another crank."""
    first, second = Stream(1), Stream(2)
    for made, n, mv in ((first, 9, 12_000), (second, 5, 11_000)):
        made.hello()
        made.heartbeat(0, supply_mv=65_535)
        made.edges(0, np.arange(1, n + 1) * 1_000_000)
        made.heartbeat(12_000_000, supply_mv=mv)
    listener = cranking.Listener()
    listener.feed(first.data + second.data + b"\x05ab")
    assert listener.decoder.loss.bytes_damaged == 0
    found = listener.finish()
    assert found.loss.bytes_damaged == 3
    assert len(found.edges["crank"]) == 5 and found.supply.tolist() == [11.0]
    assert found.beats == pytest.approx([0.288]) and found.loss.sessions == 2


def test_what_comes_before_the_first_trigger_is_of_it_within_three_tenths():
    """Triggers from 0.07 s on, a plug's sparks 0.6 s apart: from 0.11 s before on."""
    beats = np.arange(0.1, 3.9, 0.1)
    supply = np.where(beats < 0.15, 12.6, 10.5)
    for first, seen in ((0.83, 5), (0.81, 4)):
        known = heard(beats, supply, trigger=steady(20, since=1.0),
                      clamp_a=[first, *steady(4, 0.6, 1.6)])  # fmt: skip
        found = cranking.judge_firings(known, FOUR, "clamp_a", "plug")
        assert (found.seen, found.expected) == (seen, 5.0)
    # The last trigger comes at 3.85 s: to 4.03 s.
    for last, seen in ((4.02, 5), (4.04, 4)):
        known = heard(beats, supply, trigger=steady(20, since=1.0),
                      clamp_a=[*steady(4, 0.6, 1.0), last])  # fmt: skip
        assert cranking.judge_firings(known, FOUR, "clamp_a", "plug").seen == seen


def test_by_the_time_alone_what_comes_30_ms_later_is_another_event():
    """0.4 of 75 ms, at 400 rpm and two a turn; eight are due in 4 s at 60 rpm."""
    beats = np.arange(0.1, 4.35, 0.1)
    supply = np.where((beats > 0.15) & (beats < 4.25), 10.5, 12.6)
    for later, seen in ((0.0299, 20), (0.0301, 40)):
        times = np.sort(np.concatenate((steady(20, 0.2, 0.15), steady(20, 0.2, 0.15) + later)))
        found = cranking.judge_firings(heard(beats, supply, clamp_a=times), FOUR, "clamp_a", "coil")
        assert found.seen == seen and found.about


def test_volts_as_the_first_pulse_comes_are_not_at_rest():
    beats, crank = (0.1, 0.2, 0.3, 0.4, 1.5), (0.3, 0.8, 1.4, 2.0)
    known = heard(beats, (12.5, 12.75, 12.75, 9.0, 10.0), crank=crank)
    assert cranking.supply_fall(known) == cranking.Fall(12.625, 9.0, 10.0)
    # Half a volt below the highest is no rest; what is read with the first pulse is of it.
    known = heard(beats, (12.5, 12.0, 8.0, 9.0, 10.0), crank=crank)
    assert cranking.supply_fall(known) == cranking.Fall(12.5, 8.0, 10.0)
    assert cranking.turning(heard((0.1, 0.2, 0.3), (12.5, 12.0, 12.5))) is None


def test_a_third_more_and_two_are_as_many_as_may_be():
    """10 triggers: 1.3 · 10 + 2 events and no more."""
    for n, outcome in ((15, 0), (16, None)):
        known = heard(crank=steady(20, 0.5), trigger=steady(10), clamp_a=steady(n, 1.35 / (n - 1)))
        found = cranking.judge_firings(known, FOUR, "clamp_a", "coil")
        assert (found.seen, found.expected, found.outcome) == (n, 10.0, outcome)


def test_two_firings_must_be_due_in_the_time():
    """At 60 rpm one plug's every other second: 4 s."""
    for until, told in ((4.0, True), (3.9, False)):
        beats, volts = (until / 2, until, until + 0.5), (10.0, 10.0, 12.6)
        found = cranking.judge_firings(heard(beats, volts), FOUR, "clamp_a", "plug")
        assert (found is not None) == told
    assert found is None and cranking.Listener().seconds == 0.0


def test_times_are_of_the_boards_own_tick():
    """10 ns in place of 24."""
    made = Stream()
    made.add("hello", **{**HELLO, "tick_ps": 10_000})
    made.heartbeat(0, supply_mv=12_000)
    made.edges(1, np.array([50_000_000]))
    made.heartbeat(100_000_000, supply_mv=12_000)
    listener = cranking.Listener()
    listener.feed(made.data)
    assert listener.seconds == pytest.approx(1.0)
    found = listener.finish()
    assert found.edges["clamp_a"] == pytest.approx([0.5]) and found.beats == pytest.approx([0, 1])
    # Without a typed reference nobody turned a crank pulse down, nor counted turns.
    assert (found.crank_rejected, found.rpm, found.revolutions) == (0, None, None)


def test_of_both_flanks_each_inputs_own_counts():
    """A board that stamps both, asked for the falling flank of inputs 1 and 3: of pulses of 0.1 ms
    that come each 0.48 s on each input, a little apart."""
    made, first = Stream(), np.arange(1, 7) * 20_000_000
    made.add("hello", **{**HELLO, "both": 15, "falling": 0b1010})
    made.heartbeat(0)
    both, levels = np.sort(np.append(first, first + 4_000)), np.tile([1, 0], 6)
    for which in range(4):
        made.edges(which, both + 10 * which, levels=levels)
    made.heartbeat(int(both[-1]) + 1_000_000)
    listener = cranking.Listener()
    listener.feed(made.data)
    found = listener.finish()
    for which, name in enumerate(wire.INPUTS):
        wanted = first + 10 * which + (4_000 if which in (1, 3) else 0)
        assert found.edges[name] == pytest.approx(wanted * TICK_S, rel=1e-12), name
