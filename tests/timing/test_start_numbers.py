"""A start by hand: turns of typed lengths, sparks at typed angles, and each phase said of them."""

from dataclasses import replace
from math import sqrt
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from sparkwitness.timing import starting
from sparkwitness.timing.angle import Periods, Reference
from sparkwitness.timing.events import Events
from sparkwitness.timing.placing import Marked
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Whole

SETUP = Setup(Reference(36, 1, 1, 60.0), cylinders=4, clamp="plug", delay_us=0.0, u_delay_us=1.0)
SYNC = 1_200_000  # µs, a tick each
RPM = [200.0] * 12 + [500.0, 700.0, 900.0] + [1000.0] * 31


def start(rpm=RPM, at=None, dropped=(), supply=(), setup=SETUP, sync=SYNC, early=(), cut=False):
    """A spark each other turn from the second on, 10° BTDC ± 0.2 in turn, later 15°."""
    length = np.rint(60e6 / np.array(rpm)).astype(np.int64)
    begins = sync + np.concatenate(([0], np.cumsum(length)[:-1]))
    n = len(length)
    zero = np.zeros(n, np.int64)
    periods = Periods(begins, length, zero, np.arange(n), np.zeros(n), np.zeros(n))
    turns = np.array([k for k in range(1, n, 2) if k not in dropped])
    angle = np.where(turns < 12, 10.0, 15.0) + 0.2 * (-1.0) ** (turns // 2)
    angle = angle if at is None else at(turns, angle)
    degrees = 360.0 * turns + 60 - angle
    tick = begins[turns] + np.rint((60 - angle) / 360 * length[turns]).astype(np.int64)
    zero = np.zeros(len(turns), np.int64)
    events = Events(tick, degrees, zero, zero + 1, tick, degrees, zero + 50.0)
    found = Whole(events, angle, np.array(rpm)[turns])
    none = np.zeros(len(early), np.int64)
    sparks = SimpleNamespace(
        tick=np.concatenate((np.array(early, np.int64), tick)),
        degrees=np.concatenate((np.full(len(early), np.nan), degrees)),
        segment=np.concatenate((none - 1, zero)),
    )
    tables = SimpleNamespace(
        periods=periods, sparks=sparks, tick_s=1e-6, cut=cut, trigger=Marked.none(),
        supply_tick=[round(1e6 * t) for t, _ in supply], supply_mv=[mv for _, mv in supply],
    )  # fmt: skip
    return starting.read(setup, cast(Any, tables), lambda: found), begins, length


SUPPLY = ((0.1, 8_000), (0.5, 12_600), (1.0, 9_000), (2.0, 9_800), (5.0, 13_900), (6.0, 14_200))


def test_phases_of_a_start():
    """Twelve turns at 200, three faster each, then 1000 rev/min."""
    found, begins, length = start(supply=SUPPLY, dropped=(5,), early=(900_000,))
    assert [p.name for p in found.phases] == ["cranking", "catching", "running"]
    crank, catch, run = found.phases
    # A cycle is two turns. The last of two at 200 rev/min ends the cranking; 900 and 1000 are
    # 947 together, within a tenth of 1000: there it runs.
    caught, settled, last = (int(begins[k]) for k in (12, 16, -1))
    last += int(length[-1])
    assert (crank.from_s, crank.to_s) == pytest.approx((1.2, 1e-6 * caught))
    assert (catch.from_s, catch.to_s) == pytest.approx((1e-6 * caught, 1e-6 * settled))
    assert (run.from_s, run.to_s) == pytest.approx((1e-6 * settled, 1e-6 * last))
    assert found.caught_s == pytest.approx(12 * 0.3) and found.tries == 0
    assert (crank.rpm_low, crank.rpm_high) == pytest.approx((200.0, 200.0))
    assert (catch.rpm_low, catch.rpm_high) == pytest.approx(
        (2 / (1 / 200 + 1 / 500), 2 / (1 / 900 + 1 / 1000)), rel=1e-4
    )
    assert (run.rpm_low, run.rpm_high) == pytest.approx((1000.0, 1000.0))
    # Turns 1, 3, 7, 9 and 11, of 5 that should follow the first; 13 and 15 are too few.
    assert (crank.events, crank.missing, crank.expected) == (5, 1, 5)
    assert (catch.events, catch.timing, catch.scatter, catch.expected) == (2, None, None, 0)
    assert (run.events, run.missing, run.expected) == (15, 0, 14)
    signs = np.array([1, -1, -1, 1, -1])
    assert float(crank.timing) == pytest.approx(10 + 0.2 * signs.mean())
    assert crank.scatter == pytest.approx(0.2 * signs.std(ddof=1))
    assert (crank.earliest, crank.latest) == pytest.approx((10.2, 9.8))
    assert (run.earliest, run.latest) == pytest.approx((15.2, 14.8))
    assert 2 * 0.2 / sqrt(15) < run.timing.u95 < 1.0 and crank.timing.u95 > 0.1
    assert (found.sync_s, found.stood, found.before) == (1.2, True, 1)
    # The second turn's 50°, give or take: the first spark with an angle.
    assert found.first_deg == pytest.approx(360 + 60 - 10.2)
    assert found.first_s == pytest.approx(0.3 + (60 - 10.2) / 360 * 0.3, abs=1e-6)
    assert [p.supply_v for p in found.phases] == [9.8, 13.9, 14.2]
    # 9 V as the starter takes hold, a second before the sync at most; 8 V were earlier.
    assert (found.supply, found.rest_v, found.low_v) == ("measured", 12.6, 9.0)
    assert len(found.points) == 22 and found.points[0] == (found.first_s, 200.0, 10.2)
    plain = found.to_dict()
    assert len(plain["phases"]) == 3


def test_a_start_that_was_not_seen_or_is_none():
    assert start(sync=400_000)[0].stood is False and start(sync=510_000)[0].stood is True
    kept = start(cut=True)[0]
    assert (kept.stood, kept.first_s, kept.first_deg) == (False, None, None)
    assert start([1000.0] * 20)[0] is None and start([401.0] * 20)[0] is None
    only = start([399.0] * 20)[0]
    assert (only.caught_s, [p.name for p in only.phases]) == (None, ["cranking"])
    typed = start(setup=replace(SETUP, cranking_volts=9.2))[0]
    assert (typed.supply, typed.low_v, typed.rest_v) == ("typed", 9.2, None)
    bare = start()[0]
    assert (bare.supply, bare.low_v, bare.phases[0].supply_v) == ("", None, None)
    pulse = start(setup=replace(SETUP, reference=Reference(1, 0, 1, 60.0)))[0]
    assert "too few marks" in pulse.why and pulse.phases[0].timing is None and not pulse.points


def test_tries_before_it_runs():
    """Two turns above cranking speed more than it takes are a try; the longest run counts."""
    tried = [200.0] * 8 + [600.0] * 4 + [200.0] * 8 + [900.0] * 30
    found, begins, _ = start(tried)
    assert found.tries == 1 and found.caught_s == pytest.approx(1e-6 * int(begins[20]) - 1.2)
    brief = [200.0] * 8 + [600.0] * 2 + [200.0] * 8 + [900.0] * 30
    assert start(brief)[0].tries == 0
    twice = [*tried[:20], 700.0, 700.0, 700.0, 700.0, *tried[:8], *[900.0] * 30]
    assert start(twice)[0].tries == 2


def test_strays_are_out_of_a_starts_timing():
    """A step of the timing is none; 40° off both neighbours is one, more than 6° a little one."""

    def at(turns, angle):
        return angle + np.select([turns == 7, turns == 25, turns == 31], [40.0, -7.0, 5.5], 0.0)

    crank, _, run = start(at=at)[0].phases
    assert (crank.events, run.events) == (5, 14)
    assert run.latest == pytest.approx(14.8) and run.earliest > 20.0


def test_points_are_thinned():
    n = 1000
    found, *_ = start([200.0] * 12 + [1000.0] * (2 * n))
    assert 300 < len(found.points) <= 400
    assert found.points[1][0] - found.points[0][0] == pytest.approx(3 * 0.6, rel=0.01)
