"""What the trigger tap tells of a stretch: numbers from firings and sparks that are typed in."""

import json
from dataclasses import replace
from math import hypot, sqrt
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from sparkwitness.decode.flanks import UNKNOWN
from sparkwitness.timing import trigger
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.budget import Budget, Component
from sparkwitness.timing.dwell import Course, Dwell
from sparkwitness.timing.events import Events
from sparkwitness.timing.number import Number
from sparkwitness.timing.placing import Marked, Placed
from sparkwitness.timing.setup import Setup

N = 100
NONE = np.zeros(40, np.int64)
TURNS = Periods(NONE, NONE + 60_000, NONE, np.arange(40), np.zeros(40), np.zeros(40))
SETUP = Setup(
    Reference(36, 1, 1, 60.0, 0.2), cylinders=4, clamp="plug", commanded=18.0, trigger="rising",
    delay_us=12.0, u_delay_us=5.0,
)  # fmt: skip
# 1000 rev/min: 720° in 120 ms, 6° a ms; a tick is a µs.
AT = 120_000 * np.arange(N) + 50_000
DELAY = np.resize([190, 210], N)


def heard(fired=None, sparked=None, lost=(), delay=DELAY, dwell=3_000):
    """The tap's edges and the sparks; `fired`, `sparked`: which of the hundred came."""
    fired = np.ones(N, np.bool_) if fired is None else fired
    sparked = np.ones(N, np.bool_) if sparked is None else sparked
    fire = (AT - delay)[fired]
    tick = np.stack((fire - dwell, fire), axis=1).ravel()
    level = np.resize(np.array([0, 1], np.int8), len(tick))
    gone = np.zeros(len(tick), np.bool_)
    gone[[2 * int(np.count_nonzero(fired[:k])) for k in lost]] = True
    none = np.zeros(len(tick), np.int64)
    tap = Marked(Placed(tick, 6e-3 * tick, none, none + 45.0), gone, level)
    sparks = AT[sparked]
    tables = SimpleNamespace(
        trigger=tap, tick_s=1e-6, sparks=SimpleNamespace(tick=sparks),
        lost_before=np.zeros(len(sparks), np.bool_),
    )  # fmt: skip
    n = len(sparks)
    zero = np.zeros(n, np.int64)
    events = Events(sparks, 6e-3 * sparks, zero, zero + 1, sparks, 6e-3 * sparks, zero + 45.0)
    return tables, events


def read(tables, events, setup=SETUP, every=None, rpm=1000.0, spacing=720.0):
    return trigger.read(
        setup, cast(Any, tables), events, np.full(len(events.tick), 20.0),
        events.tick if every is None else every, spacing, rpm, TURNS, None,
    )  # fmt: skip


def test_controller_and_module_told_apart():
    """200 ± 10 µs, at 1000 rev/min 1.2°: the trigger is so much before 20° BTDC."""
    tap = read(*heard())
    found = tap.split
    between, path = SETUP.answer_delay(False), SETUP.trigger_delay(1000.0, False)
    assert (found.flank, found.found, found.events) == ("rising", False, N)
    assert float(found.delay_us) == pytest.approx(200.0 - between.us)
    assert found.scatter_us == pytest.approx(10 * sqrt(N / (N - 1)))
    few = stats.t.ppf(0.97725, N - 1) / 2
    u = sqrt((few * 10 / sqrt(N - 1)) ** 2 + between.u_us**2 + 1 / 6)
    assert found.delay_us.u95 == pytest.approx(2 * u, rel=1e-5)
    assert float(found.module) == pytest.approx(-6e-3 * (200 - between.us))
    assert found.module.u95 == pytest.approx(2 * 6e-3 * u, rel=1e-5)
    late = 6e-3 * (path.us - 12.0)
    assert tap.late == pytest.approx(late)
    assert float(found.angle) == pytest.approx(20 + 1.2 + late)
    assert found.scatter == pytest.approx(0.06 * sqrt(N / (N - 1)))
    assert float(found.controller) == pytest.approx(3.2 + late)
    assert found.controller.u95 == found.angle.u95 == found.budget.expanded
    lines = {c.name: c.u for c in found.budget.components}
    assert lines["time stamp"] == pytest.approx(6e-3 / sqrt(6))
    assert lines["reference angle"] == 0.2
    assert lines["clamp and conditioner delay"] == pytest.approx(6e-3 * path.u_us)
    assert lines["scatter of the sparks"] == pytest.approx(few * 0.06 / sqrt(N - 1), rel=1e-5)
    assert found.flanks_u_us == pytest.approx(sqrt(2) * path.u_us)
    assert found.dwell is not None and float(found.dwell.ms) == pytest.approx(3.0)
    # It does not scatter: left are both flanks' paths, a tick, and 50 ppm of the crystal.
    u = sqrt(2 * (1e-3 * path.u_us) ** 2 + 1e-6 / 6 + (3 * 50e-6) ** 2)
    assert found.dwell.ms.u95 == pytest.approx(2 * u, rel=1e-6)
    # From the first event to the last: the first one's own trigger comes before that.
    assert found.dwell.firings == N - 1 and found.counts == trigger.Counts(N - 1)
    assert tap.fire_of.tolist() == list(range(N))
    none = read(*heard(), replace(SETUP, commanded=None)).split
    assert none.controller is None and none.to_dict()["controller_expanded_deg"] is None
    plain = found.to_dict()
    assert plain["trigger_expanded_deg"] == found.angle.u95 and plain["triggers"] == N - 1
    assert plain["module_expanded_deg"] == found.module.u95
    assert plain["dwell"] == found.dwell.to_dict()
    assert read(*heard(), replace(SETUP, trigger="none")) is None
    by_spark = read(*heard(), replace(SETUP, trigger="auto"))
    assert by_spark.split.found and by_spark.split.flank == "rising"
    # A flank that was found is followed within a millisecond, one that was typed within six.
    assert by_spark.window == (10, 1_000) and tap.window == (10, 6_000)


def test_the_budget_of_the_trigger_is_that_of_its_engine(monkeypatch):
    """A two-stroke of three cylinders; the trigger's own way to its edge, and past it."""
    asked: list[tuple[Any, ...]] = []
    budget = trigger.timing.budget

    def noted(*args):
        asked.append(args)
        return budget(*args)

    monkeypatch.setattr(trigger.timing, "budget", noted)
    tables, events = heard()
    tables.tick_s = 2e-6
    tables.trigger.at.to_edge = np.arange(2 * N, dtype=float)
    setup = replace(SETUP, cylinders=3, strokes=2, swing=0.03, delay_us=None, falling=("crank",))
    ripple = cast(Any, SimpleNamespace(run_out=0.0, even=True, rms=0.0, orders={}))
    monkeypatch.setattr(trigger.timing, "run_out_uncertainty", lambda *_: 0.0)
    trigger.read(setup, cast(Any, tables), events, np.full(N, 20.0), events.tick, 360.0, 500.0,
                 TURNS, ripple)  # fmt: skip
    ((angles, rate, to_edge, turned, reference, firings, rpm, u_s, swing, of, strokes, past),) = (
        asked
    )
    assert len(angles) == N and rate == pytest.approx(6 * 500 * 2e-6)
    assert to_edge.tolist() == (2 * np.arange(N) + 1).tolist()  # rising: each second edge
    assert turned is TURNS and reference == setup.reference and of is ripple
    assert (firings, rpm, swing, strokes) == (3.0, 500.0, 0.03, 2)
    path, clamp = setup.trigger_delay(500.0, False), setup.delay(500.0)
    assert u_s == pytest.approx(1e-6 * path.u_us) and path.u_us != clamp.u_us
    assert past.tolist() == tables.trigger.at.degrees[1::2].tolist()


def test_the_split_in_plain_values():
    """Each number under its own name, its ± beside it."""
    dwell = Dwell(
        Number(3.0, 0.3), 0.1, Number(18.0, 1.8), Number(9.0, 0.9), 0.6, 0.2, 12.0, 97, 0.63, 0.25,
        120.0, (Course(1000.0, 12.5, 3.1, 0.05, 18.6, 40),),
    )  # fmt: skip
    counts = trigger.Counts(asked=91, no_spark=5, no_trigger=4, unasked=3, lost=2)
    split = trigger.Split(
        "falling", True, Number(21.2, 0.4), 0.07, Number(3.2, 0.5), Number(188.0, 2.2), 10.5,
        Number(-1.1, 0.02), 89, counts, dwell, Budget((Component("time stamp", "B", 0.2, "one"),)),
        0.7,
    )  # fmt: skip
    plain = split.to_dict()
    assert plain.pop("budget") == split.budget.to_dict()
    assert plain.pop("dwell") == {
        "ms": 3.0, "expanded_ms": 0.3, "scatter_ms": 0.1, "crank_deg": 18.0,
        "crank_expanded_deg": 1.8, "cam_deg": 9.0, "cam_expanded_deg": 0.9,
        "scatter_crank_deg": 0.6, "share_of_interval": 0.2, "pause_ms": 12.0, "firings": 97,
        "charged_share": 0.63, "bounced_share": 0.25, "bounce_us": 120.0,
        "course": [{"rpm": 1000.0, "volts": 12.5, "ms": 3.1, "u_ms": 0.05, "crank_deg": 18.6,
                    "firings": 40}],
    }  # fmt: skip
    assert plain == {
        "flank": "falling", "flank_found": True, "trigger_deg_btdc": 21.2,
        "trigger_expanded_deg": 0.4, "trigger_scatter_deg": 0.07, "controller_error_deg": 3.2,
        "controller_expanded_deg": 0.5, "module_delay_us": 188.0, "module_delay_expanded_us": 2.2,
        "module_delay_scatter_us": 10.5, "module_error_deg": -1.1, "module_expanded_deg": 0.02,
        "events": 89, "triggers": 91, "triggers_without_spark": 5, "firings_without_trigger": 4,
        "sparks_without_trigger": 3, "not_judged": 2,
    }  # fmt: skip


def test_a_swing_that_the_wheel_does_not_show_is_the_modules_too():
    """One pulse a turn, 2 % swing typed: 1.2° · 0.02 / sqrt(2)."""
    pulse = replace(SETUP, reference=Reference(1, 0, 1, 60.0, 0.2), swing=0.02)
    found, plain = read(*heard(), pulse).split, read(*heard()).split
    assert found.module.u95 == pytest.approx(
        hypot(plain.module.u95, 2 * found.module * 0.02 / sqrt(2)), rel=1e-6
    )
    assumed = read(*heard(), replace(pulse, swing=None)).split
    swing = 0.08 * 0.8**2  # of 8 % at 800 rev/min, two firings a turn
    assert assumed.module.u95 == pytest.approx(
        hypot(plain.module.u95, 2 * found.module * swing / sqrt(2)), rel=1e-6
    )


def which(*but: int) -> np.ndarray:
    return ~np.isin(np.arange(N), but)


def test_what_is_missing_and_whose_it_is():
    """5 without a spark, 3 without either, 2 sparks without a trigger."""
    tables, events = heard(which(20, 21, 40, 60, 61), which(5, 6, 30, 50, 70, 20, 21, 40))
    found = read(tables, events).split
    assert found.counts == trigger.Counts(asked=94, no_spark=5, no_trigger=3, unasked=2)
    assert found.events == N - 10 and isinstance(found.counts.no_trigger, int)
    # The first and the last event are the ends; what is missing beyond them is not asked for.
    found = read(*heard(which(0, 99), which(0, 99))).split
    assert found.counts == trigger.Counts(N - 3)
    found = read(*heard(None, which(0, 1, 98, 99))).split
    assert found.counts == trigger.Counts(N - 5)  # of 2 to 98, less the last spark's own
    # An event that was cut answers all the same, and so does a stray.
    tables, events = heard(None, which(5, 30))
    tables.sparks.tick = np.sort(np.append(tables.sparks.tick, [AT[5] + 40, AT[30] + 300]))
    tables.lost_before = np.zeros(N, np.bool_)
    found = read(tables, events).split
    assert found.counts == trigger.Counts(asked=N - 1)


@pytest.mark.parametrize("off", [300, -300])
def test_a_trigger_belongs_to_the_firing_that_is_nearest(off: int):
    """300° from its own place is 420 from the next one's: it asks for that firing's spark."""
    delay = DELAY.copy()
    delay[50] -= round(off / 6e-3)
    assert read(*heard(None, which(50), delay=delay)).split.counts.no_spark == 1


def test_a_tap_that_misses_two_of_five_is_on_all_coils():
    """Most of its triggers are one firing apart, though they are 5/3 on the mean; of the sparks
    without one, two in five, the last two are behind the last trigger. The first trigger comes
    before the first event."""
    fired = np.arange(N) % 5 < 3
    assert read(*heard(fired)).split.counts == trigger.Counts(59, unasked=38, lost=2)


def test_what_is_not_judged_since_edges_were_lost():
    """Triggers lost before 60: a spark without one there is nobody's; a spark lost: likewise."""
    found = read(*heard(which(59), None, lost=(60,))).split
    assert (found.counts.unasked, found.counts.lost) == (0, 1)
    found = read(*heard(which(58), None, lost=(60,))).split
    assert (found.counts.unasked, found.counts.lost) == (1, 0)
    # Of those without a spark as well: it is not known where a trigger before 60 was lost.
    for silent, missing in ((58, 1), (59, 0), (61, 1)):
        found = read(*heard(which(silent), which(silent), lost=(60,))).split
        assert (found.counts.no_trigger, found.counts.unasked) == (missing, 0)
    found = read(*heard(which(98), None, lost=(99,))).split  # the last of all
    assert (found.counts.unasked, found.counts.lost) == (0, 1)
    tables, events = heard(None, which(30, 70))
    tables.lost_before[np.searchsorted(tables.sparks.tick, AT[31])] = True
    found = read(tables, events).split
    assert (found.counts.no_spark, found.counts.lost) == (1, 1)
    # The loss of the spark after the next one is no doubt, nor that before the one before.
    for by in (1, -2):
        tables.lost_before = np.roll(tables.lost_before, by)
        assert read(tables, events).split.counts.no_spark == 2
    # The last spark of all is a next one too.
    tables, events = heard(None, which(30, 98))
    tables.lost_before[-1] = True
    assert read(tables, events).split.counts.no_spark == 1


def test_nothing_is_missing_across_a_break_of_the_reference():
    for cut, missing in ((N, 2), (50, 0)):
        tables, events = heard(which(49, 50), which(49, 50))
        tables.trigger.at.segment = (tables.trigger.at.tick > AT[cut - 1]).astype(np.int64)
        events.segment = (events.tick > AT[cut - 1]).astype(np.int64)
        found = read(tables, events).split
        assert found.counts.no_trigger == missing and found.counts.no_spark == 0
    assert json.loads(json.dumps(found.to_dict()))["firings_without_trigger"] == 0
    # A trigger before the break, whose angle is of before it, tells none of its spark after it.
    tables, events = heard()
    tables.trigger.at.segment = (tables.trigger.at.tick > AT[50]).astype(np.int64)
    events.segment = (events.tick >= AT[50]).astype(np.int64)
    events.degrees[50:] += 100.0
    tables.trigger.at.degrees[102:] += 100.0
    found, whole = read(tables, events).split, read(*heard()).split
    assert found.events == N - 1 and float(found.angle) == pytest.approx(whole.angle, abs=2e-3)
    asked = trigger.each(SETUP, cast(Any, tables), events, np.full(N, 20.0), np.full(N, 1000.0))
    assert np.flatnonzero(np.isnan(asked.asked)).tolist() == [50]
    assert np.isfinite(asked.delay_us).all()


def test_ticks_of_four_microseconds():
    """All is four times as long: 800 ± 40 µs at 250 rev/min, 4² / 6 of the ticks at both ends."""
    tables, events = heard()
    tables.tick_s = 4e-6
    found = read(tables, events, rpm=250.0).split
    few = stats.t.ppf(0.97725, N - 1) / 2
    u = sqrt((few * 40 / sqrt(N - 1)) ** 2 + 5.0**2 + 0.5**2 + 16 / 6)
    assert float(found.delay_us) == pytest.approx(788.0)
    assert found.delay_us.u95 == pytest.approx(2 * u, rel=1e-4)
    one = trigger.each(SETUP, cast(Any, tables), events, np.full(N, 20.0), np.full(N, 250.0))
    assert one.delay_us[:2] == pytest.approx([4 * 190 - 12, 4 * 210 - 12])
    assert one.dwell_ms[5] == pytest.approx(12.0)


def test_each_flank_has_its_own_delay():
    """Typed is nothing, so the conditioners' own: less that of the flank that fires."""
    bare = replace(SETUP, delay_us=None)
    tables, events = heard()
    angles, rpm = np.full(N, 20.0), np.full(N, 1000.0)
    up = trigger.each(bare, cast(Any, tables), events, angles, rpm)
    assert up.delay_us[0] == pytest.approx(190 - bare.answer_delay(False).us)
    whole = read(tables, events, bare)
    assert float(whole.split.delay_us) == pytest.approx(200 - bare.answer_delay(False).us)
    late = bare.trigger_delay(1000.0, False).us - bare.delay(1000.0).us
    assert whole.late == pytest.approx(6e-3 * late)
    tables.trigger.level = 1 - tables.trigger.level
    down = trigger.each(replace(bare, trigger="falling"), cast(Any, tables), events, angles, rpm)
    assert down.delay_us[0] == pytest.approx(190 - bare.answer_delay(True).us)
    assert bare.answer_delay(True).us != bare.answer_delay(False).us
    isolated = replace(bare, trigger_kind="isolated", trigger="falling")
    assert trigger._level(isolated) == "rising" and trigger._level(bare) == "rising"
    assert trigger._level(replace(bare, trigger_kind="points", trigger="auto")) == "rising"
    assert trigger._level(replace(bare, trigger="falling")) == "falling"


def test_where_nothing_is_tapped():
    tables, events = heard()
    angles, rpm = np.full(N, 20.0), np.full(N, 1000.0)
    for setup, of in ((replace(SETUP, trigger="none"), events),
                      (SETUP, events.pick(np.zeros(N, np.bool_)))):  # fmt: skip
        n = len(of.tick)
        found = trigger.each(setup, cast(Any, tables), of, angles[:n], rpm[:n])
        assert len(found.asked) == n and np.isnan(found.asked).all()
        assert np.isnan(found.delay_us).all() and np.isnan(found.dwell_ms).all()
    tables.trigger = Marked.none()
    assert np.isnan(trigger.each(SETUP, cast(Any, tables), events, angles, rpm).delay_us).all()


def test_edges_of_the_tap_that_fire():
    """Rising ones 200 µs before the sparks; none where the sparks follow neither; all of one."""
    tables, _ = heard()
    tick, level = tables.trigger.at.tick, tables.trigger.level
    auto = replace(SETUP, trigger="auto")
    assert trigger.firing(auto, tick, level, AT, 1e-6).tolist() == (AT - DELAY).tolist()
    rng = np.random.default_rng(3)
    apart = np.sort(AT + rng.integers(20_000, 90_000, N))
    assert trigger.firing(auto, tick, level, apart, 1e-6).tolist() == []
    unknown = np.full(len(tick), UNKNOWN, np.int8)
    assert trigger.firing(auto, tick, unknown, AT, 1e-6).tolist() == tick.tolist()
    unknown[1:] = level[1:]  # of one edge: one flank is stamped
    assert trigger.firing(auto, tick, unknown, AT, 1e-6).tolist() == tick.tolist()


def test_a_tap_on_one_coil_of_several():
    """A trigger each 1440°, sparks each 720: every other spark is another coil's."""
    found = read(*heard(np.arange(N) % 2 == 0)).split
    assert found.events == N // 2
    assert found.counts == trigger.Counts(N // 2 - 1)
    found = read(*heard((np.arange(N) % 2 == 0) & which(20, 40), which(60, 40))).split
    assert found.counts == trigger.Counts(asked=47, no_spark=1, no_trigger=1, unasked=1)
    # A stray 20 ms after another coil's spark is no firing of this one.
    tables, events = heard(np.arange(N) % 2 == 0)
    every = np.sort(np.append(events.tick, AT[51] + 20_000))
    assert read(tables, events, every=every).split.counts == trigger.Counts(N // 2 - 1)


def twin(second, clamp="coil", fired=None, sparked=None, rpm=1000.0, typed=None, early=0):
    """Counts of 50 cycles that fire at 0 and `second` degrees; which of the hundred came; by how
    many degrees the trigger of 40 is early."""
    cycle = 360 if clamp == "wasted" else 720
    degrees = (cycle * np.arange(50)[:, None] + [0, second % cycle]).ravel()
    at = np.rint(degrees / 6e-3).astype(np.int64) + 50_000
    fire = at - 200
    fire[40] -= round(early / 6e-3)
    fire = fire[which() if fired is None else fired]
    tick = np.stack((fire - 3_000, fire), axis=1).ravel()
    none = np.zeros(len(tick), np.int64)
    level = np.resize(np.array([0, 1], np.int8), len(tick))
    tap = Marked(Placed(tick, 6e-3 * tick, none, none + 45.0), none > 0, level)
    setup = replace(SETUP, cylinders=2, firing=(0.0, float(typed or second)), clamp=clamp)
    sparks = at[which() if sparked is None else sparked]
    zero = np.zeros(len(sparks), np.int64)
    turned = 6e-3 * sparks
    events = Events(sparks, turned, zero, zero + 1, sparks, turned, zero + 45.0)
    tables = SimpleNamespace(
        trigger=tap, tick_s=1e-3 / rpm, sparks=SimpleNamespace(tick=sparks), lost_before=zero > 0
    )
    spacing = 720.0 if clamp == "plug" else 360.0
    return read(tables, events, setup, spacing=spacing, rpm=rpm).split.counts


@pytest.mark.parametrize("second", [150, 180, 270, 315, 450, 540, 570])
def test_missing_sparks_of_a_twin_that_fires_unevenly(second: int):
    """At 0 and `second` degrees of 720, asked for alike; both on one lead, or the first alone."""
    first = np.arange(N) % 2 == 0
    # The last spark's own trigger or, on the first's lead, that of the other is beyond it.
    assert twin(second, sparked=which(20, 33)) == trigger.Counts(asked=99, no_spark=2)
    on_plug = twin(second, "plug", sparked=first & which(20, 34))
    assert on_plug == trigger.Counts(asked=49, no_spark=2)


@pytest.mark.parametrize("second", [150, 180, 270, 450, 540, 570])
@pytest.mark.parametrize("rpm", [1000.0, 6000.0])
def test_missing_triggers_of_a_twin_that_fires_unevenly(second: int, rpm: float):
    """A trigger of each missing and a spark of each, on the one lead of both.

    At 6000 rev/min 150° are 4.2 ms: another cylinder's spark comes within the 6 ms that a typed
    flank may take. Between 0 and 570° lie more than 1.5 of the mean, 540°: no tap of one coil.
    """
    for triggers, sparks in (((20, 41), (30, 51)), ((20, 41), (21, 40)), ((20, 50), (30, 60))):
        for clamp in ("coil", "auto"):
            found = twin(second, clamp, which(*triggers), which(*sparks), rpm)
            assert found == trigger.Counts(asked=97, no_spark=2, unasked=2)
    # The first one's coil alone: what the second's does nobody sees.
    first = np.arange(N) % 2 == 0
    one = twin(second, fired=first & which(20, 40), sparked=which(30, 51), rpm=rpm)
    assert one == trigger.Counts(asked=47, no_spark=1, unasked=2)


@pytest.mark.parametrize("second", [90, 150, 180, 270, 315, 450, 540, 570])
def test_firings_of_a_twin_without_trigger_and_spark(second: int):
    """Three of each cylinder's have neither, one has no trigger; the first one is at the end."""
    first, silent = np.arange(N) % 2 == 0, (20, 41, 60, 61, 62, 63)
    both = twin(second, fired=which(0, 80, *silent), sparked=which(0, *silent))
    assert both == trigger.Counts(asked=91, no_trigger=6, unasked=1)
    one = twin(second, fired=first & which(80, *silent), sparked=which(*silent))
    assert one == trigger.Counts(asked=45, no_trigger=3, unasked=1)
    for fired in (first, np.ones(N, np.bool_)):  # of a clamp on the first's lead, whatever is asked
        sparked = first & which(10, *silent)
        plug = twin(second, "plug", fired=fired & which(80, *silent), sparked=sparked)
        assert plug == trigger.Counts(asked=45, no_spark=1, no_trigger=3, unasked=1)


@pytest.mark.parametrize("second", [90, 150, 315, 570])
def test_a_twin_that_fires_each_turn(second: int):
    """A spark each 360° on the lead of the first: the next one is as near as `second` of 360."""
    first = np.arange(N) % 2 == 0
    for fired in (first, np.ones(N, np.bool_)):
        found = twin(second, "wasted", fired=fired & which(20, 40), sparked=first & which(20, 60))
        assert found == trigger.Counts(asked=47, no_spark=1, no_trigger=1, unasked=1)


def test_another_cylinder_that_fires_a_little_nearer_than_typed():
    """43° before the next of the first's, and 45 were typed: it is still the other's."""
    first = np.arange(N) % 2 == 0
    found = twin(317, "wasted", sparked=first & which(20, 34), typed=315)
    assert found == trigger.Counts(asked=49, no_spark=2)
    # So of an even one, each 360° on both coils, and 358 now and then.
    found = twin(358, "plug", sparked=first & which(20, 34), typed=360)
    assert found == trigger.Counts(asked=49, no_spark=2)


def test_a_trigger_is_of_the_cylinder_whose_firing_is_nearest():
    """Of 150° to the other one's firing up to 75 are its own: asked, and its spark too late."""
    first = np.arange(N) % 2 == 0
    own = twin(150, "plug", fired=first, sparked=first, early=73)
    assert own == trigger.Counts(asked=49, no_spark=1, unasked=1)
    other = twin(150, "plug", fired=first, sparked=first, early=77)
    assert other == trigger.Counts(asked=48, unasked=1)


def test_what_lies_beyond_the_steady_stretch_is_not_counted():
    """Of a hundred events ten to 89 are steady: no trigger is missed before or after these."""
    tables, events = heard(which(3, 40, 95))
    steady = events.pick(np.isin(np.arange(N), range(10, 90)))
    found = read(tables, steady, every=events.tick).split
    # Less the first one's own trigger, and the missing one.
    assert found.counts == trigger.Counts(asked=78, unasked=1)


def test_how_near_another_cylinder_fires():
    four = replace(SETUP, firing=(0.0, 90.3, 360.0, 450.3))
    assert trigger._nearest(four, 720.0) == trigger._nearest(four, 360.0) == pytest.approx(90.3)
    # A little less than a turn, as thirds of a degree add up to, is the place of the first.
    four = replace(four, firing=(0.0, 90.3, 360.0 - 1e-9, 450.3))
    assert trigger._nearest(four, 360.0) == pytest.approx(90.3)
    twin = replace(SETUP, cylinders=2, firing=(0.0, 315.0))
    assert trigger._nearest(twin, 720.0) == pytest.approx(315.0)
    assert trigger._nearest(twin, 360.0) == pytest.approx(45.0)


@pytest.mark.parametrize(
    "firing", [(0.0, 315.0), (0.0, 570.0), (0.0, 90.0, 360.0, 450.0), (0.0, 90.0, 180.0, 360.0)]
)
@pytest.mark.parametrize("strays", [0, 1, 2])
def test_firings_from_one_trigger_to_the_next(firing: tuple[float, ...], strays: int):
    """Of 40 cycles many are missing; after a break the angles begin elsewhere. Two first triggers
    that are none, 620° and 615° before a firing, spoil their own steps alone."""
    n = len(firing)
    every = (720 * np.arange(40)[:, None] + firing).ravel() + 233
    kept = np.flatnonzero(np.random.default_rng(n).random(40 * n) < 0.7)
    later = np.flatnonzero(np.random.default_rng(9).random(40 * n) < 0.7)
    degrees = every[kept] + 2 * (-1.0) ** kept
    degrees = np.append(degrees[0] - np.array([620, 615][:strays]), degrees)
    angles = np.append(degrees, every[later] - 400)
    segment = np.repeat([3, 4], [len(degrees), len(later)])
    none = np.zeros(len(angles))
    ours = trigger.Firings(1, segment, angles, segment, none, segment, none, segment, segment,
                           none > 0)  # fmt: skip
    setup = replace(SETUP, cylinders=n, firing=firing)
    found = trigger._passed(ours, setup, trigger._nearest(setup, 720.0) / 2)
    assert found[strays : len(degrees) - 1].tolist() == np.diff(kept).tolist()
    assert found[len(degrees) :].tolist() == np.diff(later).tolist()


def test_each_event_by_itself():
    """Delay and trigger angle of each, at its own speed; NaN where there is no trigger."""
    tables, events = heard(which(7), delay=np.where(np.arange(N) == 3, 400, 200))
    angles, rpm = np.full(N, 20.0), np.full(N, 1000.0)
    found = trigger.each(SETUP, cast(Any, tables), events, angles, rpm)
    late = SETUP.answer_delay(False).us
    assert found.delay_us[[2, 3]] == pytest.approx([200 - late, 400 - late])
    assert np.isnan(found.delay_us[7]) and np.isnan(found.asked[7]) and np.isnan(found.dwell_ms[7])
    assert found.asked[[2, 3]] == pytest.approx([21.2 - 6e-3 * late, 22.4 - 6e-3 * late])
    assert found.dwell_ms[2] == pytest.approx(3.0)
    rpm[4] = np.nan
    assert trigger.each(SETUP, cast(Any, tables), events, angles, rpm).asked[4] == (
        pytest.approx(21.2)
    )
    tables, events = heard(dwell=np.where(np.arange(N) == 0, AT[0] - DELAY[0], 3_000))
    found = trigger.each(SETUP, cast(Any, tables), events, angles, rpm)
    assert found.dwell_ms[:2] == pytest.approx([49.81, 3.0])  # on since the very first tick
    tables, events = heard()
    tables.trigger.lost[101] = True  # before it fires: since when it was on is not known
    found = trigger.each(SETUP, cast(Any, tables), events, angles, rpm)
    assert np.flatnonzero(np.isnan(found.dwell_ms)).tolist() == [50]


def test_which_angles_are_whole_periods_from_a_matched_one():
    matched, zero = np.array([10.0, 730.0, 1450.0]), np.zeros(3, np.int64)
    at = np.array([-710.0, 99.0, 101.0, -79.0, -81.0, 371.0, 1449.0, 2170.0 + 89.0])
    found = trigger._ours(at, np.zeros(8, np.int64), matched, zero, 720.0, 90.0)
    assert found.tolist() == [True, True, False, True, False, False, True, True]
    other = trigger._ours(at, np.ones(8, np.int64), matched, zero, 720.0, 90.0)
    assert not other.any()
    # The nearest before it may be the only one of its segment, or the nearest after it.
    for degrees, segment in ((11.0, 0), (729.0, 1), (10.0, 0), (731.0, 1)):
        pair = trigger._ours(np.array([degrees]), np.array([segment]), matched[:2],
                             np.array([0, 1]), 720.0, 90.0)  # fmt: skip
        assert pair.tolist() == [True]
    two, which_one = np.array([10.0, 730.0]), np.array([0, 1])
    alone = trigger._ours(at[:1] + 720, which_one[:1], two, which_one, 720.0, 90.0)
    assert alone.tolist() == [True]
    assert not trigger._ours(at, np.zeros(8, np.int64), matched[:0], zero[:0], 720.0, 90.0).any()


def test_far_strays_do_not_move_the_course_of_the_firings():
    """A twin of 0 and 150°: its firings at 0, 150 and 720 fit to the degree, strays at 30 and 420
    not at all. From 0 to 150 it fires once, and once to 720."""
    none = np.zeros(5, np.int64)
    angles = np.array([0.0, 30.0, 150.0, 420.0, 720.0])
    ours = trigger.Firings(1, none, angles, none, none, none, none, none, none, none > 0)
    setup = replace(SETUP, cylinders=2, firing=(0.0, 150.0))
    found = trigger._passed(ours, setup, 75.0)
    assert (found[:2].sum(), found[2:].sum()) == (1, 1)
    # Four of nine are strays, 285° from any firing: they count by no more than half of the way
    # from one to the other. 285 each, a course of their own would miss less.
    angles = np.array([0.0, 150.0, 435.0, 720.0, 870.0, 1155.0, 1440.0, 1875.0, 2595.0])
    none = np.zeros(9, np.int64)
    ours = trigger.Firings(1, none, angles, none, none, none, none, none, none, none > 0)
    found = trigger._passed(ours, setup, 75.0)
    assert (found[0], found[1:3].sum(), found[3], found[4:6].sum()) == (1, 1, 1, 1)


@pytest.mark.parametrize(("known", "told"), [(9, False), (10, True)])
def test_ten_triggers_with_an_angle_tell(known: int, told: bool):
    tables, events = heard()
    tables.trigger.at.degrees[2 * known :] = np.nan
    found = read(tables, events)
    if told:
        assert (found.split.events, found.choice.level) == (10, 1)
    else:
        assert found.split is None and found.choice.why == "few"


@pytest.mark.parametrize(("early", "found"), [(9, True), (12, False)])
def test_the_paths_may_put_a_spark_first_by_ten_microseconds(early: int, found: bool):
    tables, events = heard(delay=np.full(N, -early))
    split = read(tables, events).split
    assert (split is not None) is found
    if found:
        late = SETUP.answer_delay(False).us
        assert float(split.delay_us) == pytest.approx(-early - late) and split.events == N
        assert split.counts == trigger.Counts(N - 1)  # the last one's trigger is behind its spark


@pytest.mark.parametrize(("late", "unasked"), [(0, 0), (1, 1)])
def test_a_spark_answers_within_the_window(late: int, unasked: int):
    """At its very end, and a tick beyond it."""
    tables, events = heard()
    latest = read(tables, events).window[1]
    extra = AT[50] - DELAY[50] + latest + late
    assert AT[50] < extra < AT[51] - 300
    every = np.sort(np.append(events.tick, extra))
    found = read(tables, events, every=every).split
    assert found.counts == trigger.Counts(N - 1, unasked=unasked)


def test_a_short_pulse_with_a_spark_of_its_own_is_no_bounce():
    """0.1 ms long, 2 ms after a firing: contacts bounce so, but a stray spark follows this one."""
    tables, events = heard()
    tick = tables.trigger.at.tick
    fire = AT[50] - DELAY[50] + 2_000
    tick = np.insert(tick, 102, [fire - 100, fire])
    none = np.zeros(len(tick), np.int64)
    at = Placed(tick, 6e-3 * tick, none, none + 45.0)
    level = np.resize(np.array([0, 1], np.int8), len(tick))
    tables.trigger = Marked(at, none > 0, level)
    assert read(tables, events).split.counts == trigger.Counts(N - 1)
    tables.sparks.tick = np.sort(np.append(events.tick, fire + 200))
    tables.lost_before = np.zeros(N + 1, np.bool_)
    assert read(tables, events, every=tables.sparks.tick).split.counts == trigger.Counts(N)


def test_a_flank_that_was_typed_may_be_six_milliseconds_early():
    """One that is looked for a millisecond, or sparks might follow the other."""
    for late, split in ((5_950, True), (6_050, False)):
        found = read(*heard(delay=late + DELAY - 200, dwell=2_000)).split
        assert (found is not None) is split
    assert float(read(*heard(delay=DELAY + 3_000)).split.delay_us) == pytest.approx(3_188.0)


def test_where_triggers_come_fast_a_spark_follows_before_half_of_the_way_to_the_next():
    """At 20000 rev/min each 6 ms: 0.45 of that, 2.7 ms, and not the 6 that a typed flank may."""
    tables, events = heard(delay=np.full(N, 200))
    tables.tick_s = 5e-8
    assert read(tables, events, rpm=20_000.0).window == (200, 54_000)


def test_triggers_at_the_very_ends_and_a_last_spark_without_one():
    """A spark with its trigger, to the tick: the first and the last count. Before the first trigger
    and behind the last it is not known whether one was lost."""
    assert read(*heard(delay=np.zeros(N, np.int64))).split.counts == trigger.Counts(N)
    assert read(*heard(which(99))).split.counts == trigger.Counts(N - 2, lost=1)
    assert read(*heard(which(0))).split.counts == trigger.Counts(N - 1, lost=1)


def test_the_nearest_matched_angle_tells():
    """They drift by 40° a period, half of which is allowed; in the other segment they do not."""
    matched = np.append(760.0 * np.arange(6), 720.0 * np.arange(6))
    segment = np.repeat([3, 4], 6)
    at = np.array([0.0, 770.0, 1510.0, 2270.0, 3800.0, 3835.0, 15.0, 2170.0, 3500.0, 3625.0])
    of = np.repeat([3, 4], [6, 4])
    found = trigger._ours(at, of, matched, segment, 720.0, 20.0)
    assert found.tolist() == [True, True, True, True, True, False, True, True, False, False]
