"""From cranking to running in one recording: first spark, timing in each phase, supply beside it.

The starter turns the crank at some speed, the engine catches, and runs by itself. Many controllers
use another angle while cranking, and a supply that sags holds sparks back just then.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import budget as timing
from sparkwitness.timing import trigger
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.angle import Periods
from sparkwitness.timing.events import missing_between
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Whole
from sparkwitness.timing.torque import CRANKING_RPM

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

MEASURED, TYPED = "measured", "typed"
_FEWEST = 4  # events of a phase, for a mean
_TURNS = 2.0  # of cranking, at the least
_KEEPS = 4.0  # turns above cranking speed: it runs
_PULLS = 1.15  # of the starter's speed: faster is the engine's own doing
_SETTLED = 0.10  # of the speed that it settles at
_STOOD_S = 0.5  # without an edge: the crank stood
_TAKES_HOLD_S = 1.0  # before the reference can be read
_STRAY_DEG, _STRAY_SIGMA = 6.0, 8.0  # from the middle of the neighbours on either side
_REACH = 5  # neighbours on a side
_MOST_POINTS = 400
_SUPPLY_U = 0.03  # relative, of the divider and the board's reference, as the results say it


@dataclass(frozen=True)
class Phase:
    """A part of the start.

    Attributes:
        name: "cranking", "catching" or "running".
        from_s, to_s: seconds since the session began.
        rpm_low, rpm_high: mean speeds of its cycles; None: it is shorter than one.
        events: with a crank angle.
        timing: mean, degrees BTDC, with u95; None: too few, or the reference cannot tell.
        scatter: standard deviation, degrees.
        earliest, latest: of the events, degrees BTDC.
        trigger: mean trigger angle, degrees BTDC; delay_us: mean from trigger to spark. None: no
            tap, or it cannot tell.
        missing, expected: firings without a spark, and all that should have come.
        supply_v: lowest in it; None: not measured.
    """

    name: str
    from_s: float
    to_s: float
    rpm_low: float | None
    rpm_high: float | None
    events: int
    timing: Number | None
    scatter: float | None
    earliest: float | None
    latest: float | None
    trigger: float | None
    delay_us: float | None
    missing: int
    expected: int
    supply_v: float | None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        found = self.timing
        return {
            "name": self.name, "from_s": self.from_s, "to_s": self.to_s,
            "rpm_low": self.rpm_low, "rpm_high": self.rpm_high, "events": self.events,
            "timing_deg_btdc": found, "timing_expanded_deg": None if found is None else found.u95,
            "scatter_deg": self.scatter, "earliest_deg_btdc": self.earliest,
            "latest_deg_btdc": self.latest, "trigger_deg_btdc": self.trigger,
            "module_delay_us": self.delay_us, "firings_missing": self.missing,
            "firings_expected": self.expected, "supply_least_v": self.supply_v,
        }  # fmt: skip


@dataclass(frozen=True)
class Start:
    """The start.

    Attributes:
        stood: the crank stood when the recording began, so that what is said of the first spark
            holds.
        sync_s: when the reference was first read, seconds since the session began.
        first_s, first_deg: from there to the first spark, seconds and crank degrees; None: no spark
            had an angle, or the beginning of the session is not kept. The degrees alone are None
            where the crank was not followed from there to it.
        before: sparks before that.
        caught_s: from `sync_s` to the last cycle at cranking speed; None: it did not catch.
        tries: how often it ran before it did for good, and went back to cranking speed.
        phases: in order; those that are there.
        supply: where its voltages come from: "measured", "typed", or "" where there are none.
        rest_v, low_v: highest before the reference could be read, and lowest while cranking, the
            moment in which the starter takes hold among it; None: not known.
        points: float64[n, 3] of the events: seconds, rev/min, degrees BTDC.
        why: why phases have no timing; "": they have.
    """

    stood: bool
    sync_s: float
    first_s: float | None
    first_deg: float | None
    before: int
    caught_s: float | None
    tries: int
    phases: tuple[Phase, ...]
    supply: str
    rest_v: float | None
    low_v: float | None
    points: tuple[tuple[float, float, float], ...]
    why: str = ""

    def phase(self, name: str) -> Phase | None:
        """One of them, where it is there."""
        return next((p for p in self.phases if p.name == name), None)

    def without_angles(self) -> "Start":
        """The same where no angle may be shown."""
        bare = tuple(
            replace(one, timing=None, scatter=None, earliest=None, latest=None, trigger=None)
            for one in self.phases
        )
        why = self.why or "no timing is told of this run"
        return replace(self, phases=bare, points=(), why=why)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        return {
            "crank_stood": self.stood, "sync_s": self.sync_s, "first_spark_s": self.first_s,
            "first_spark_deg": self.first_deg, "sparks_before_sync": self.before,
            "caught_s": self.caught_s, "tries": self.tries,
            "phases": [one.to_dict() for one in self.phases], "supply": self.supply or None,
            "supply_rest_v": self.rest_v, "supply_low_v": self.low_v,
            "supply_relative_expanded": _SUPPLY_U if self.supply == MEASURED else None,
            "points_s_rpm_deg": [[round(v, 4) for v in one] for one in self.points],
            "no_timing_since": self.why or None,
        }  # fmt: skip


def _periods(setup: Setup) -> int:
    """Periods of the reference in a cycle, or one that is longer."""
    return max(1, round(setup.cycle / setup.reference.period))


def cycles(periods: Periods, setup: Setup, tick_s: float) -> tuple[Ticks, Floats]:
    """Ends of the crank's cycles and mean speeds over each, so that compressions fall out.

    Args:
        periods: of the reference.
        setup: what was typed.
        tick_s: seconds per tick.

    Returns:
        int64[n] ticks and float64[n] rev/min, one for each period that ends a whole cycle (or, of
        a longer period, itself) of unbroken synchronisation.
    """
    many = _periods(setup)
    n = len(periods.start)
    if n < many:
        return np.empty(0, np.int64), np.empty(0)
    length = np.convolve(periods.length, np.ones(many), "valid")
    ends = (periods.start + periods.length)[many - 1 :]
    whole = periods.segment[many - 1 :] == periods.segment[: n - many + 1]
    speed: Floats = many * setup.reference.period / 6.0 / (length * tick_s)
    return ends[whole], speed[whole]


def _runs(fast: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and past-the-last index of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], fast.astype(np.int8), [0]))))
    return [(a, b) for a, b in edges.reshape(len(edges) // 2, 2).tolist()]


def read(setup: Setup, tables: Tables, events: Callable[[], Whole] | None) -> Start | None:
    """The start that a session holds; None where it began with the engine running.

    Args:
        setup: what was typed.
        tables: of one session.
        events: gives its events, where there is a start; None: there are none that could be timed.
    """
    ends, speed = cycles(tables.periods, setup, tables.tick_s)
    if not len(ends):
        return None
    # Speeds are means over cycles that overlap: so many of them lie within so many turns.
    per_turn = setup.reference.periods_per_rev
    more = _periods(setup) - 1
    least, keeps = (max(1, round(turns * per_turn) - more) for turns in (_TURNS, _KEEPS))
    fast = speed >= CRANKING_RPM
    if np.count_nonzero(~fast[:least]) < least:
        return None
    found = None if events is None else events()
    ran = [(a, b) for a, b in _runs(fast) if b - a >= keeps]
    tick_s = tables.tick_s
    sync = int(tables.periods.start[0])
    last = ends.item(-1)
    # The longest run is the one that counts; what ran before it was a try.
    caught = None
    later: list[tuple[str, int, int]] = []
    tries = 0
    if ran:
        a, b = max(ran, key=lambda run: run[1] - run[0])
        tries = ran.index((a, b))
        cranked = np.flatnonzero(speed[:a] <= _PULLS * float(np.median(speed[:a])))
        caught, last = ends.item(cranked.item(-1)), ends.item(b - 1)
        level = float(np.median(speed[a + (b - a) // 2 : b]))
        near = np.flatnonzero(np.abs(speed[a:b] / level - 1) < _SETTLED)
        settled = ends.item(a + near.item(0)) if len(near) else last
        later = [("catching", caught, settled), ("running", settled, last)]
    spans = [("cranking", sync, last if caught is None else caught), *later]
    phases: list[Phase] = []
    shown, why = None if found is None else _own(found), ""
    if not timing.resolves_swing(setup.reference, setup.firings_per_rev):
        why = (
            "the reference has too few marks in a turn to follow a speed that changes as much as "
            "it does while cranking and catching"
        )
    tap = None
    if shown is not None and not why:
        tap = trigger.each(setup, tables, shown.events, shown.angles, shown.speed)
    supply = np.array(tables.supply_tick, np.int64)
    volts: Floats = np.array(tables.supply_mv[len(tables.supply_mv) - len(supply) :]) / 1000.0
    for name, begins, stops in spans:
        if stops > begins:
            in_it = volts[(supply > begins) & (supply <= stops)]
            low = float(in_it.min()) if len(in_it) else None
            of = speed[(ends > begins) & (ends <= stops)]
            phases.append(_phase(name, (begins, stops), of, setup, tables, shown, tap, low, why))
    before = tables.sparks.tick < sync
    # Where the recording begins in the turning, or its beginning is forgotten, nothing is first.
    stood = sync * tick_s > _STOOD_S and not tables.cut
    first_s, first_deg = _first(shown, sync, setup, tables)
    # The starter draws most as it takes hold, before the reference can be read.
    stops = last if caught is None else caught
    cranks = volts[(supply > sync - _TAKES_HOLD_S / tick_s) & (supply <= stops)]
    low_v = float(cranks.min()) if len(cranks) else None
    at_rest = volts[supply <= sync] if stood else volts[:0]
    typed = setup.cranking_volts
    kind = MEASURED if len(volts) else TYPED if typed is not None else ""
    return Start(
        stood,
        sync * tick_s,
        first_s,
        first_deg,
        int(np.count_nonzero(before)),
        None if caught is None else (caught - sync) * tick_s,
        tries,
        tuple(phases),
        kind,
        float(at_rest.max()) if len(at_rest) else None,
        low_v if kind == MEASURED else typed,
        () if shown is None or why else _points(shown, sync, last, tick_s),
        why,
    )


def _own(found: Whole) -> Whole:
    """Events with an angle, without those far from their neighbours: strays, crossfire."""
    known = np.isfinite(found.angles) & (found.events.segment >= 0)
    found = found.pick(known)
    n = len(found.angles)
    if n < _FEWEST:
        return found
    # A step of the timing is none: one side of it is like its neighbours.
    side = min(_REACH, n - 1)
    middles = np.median(np.lib.stride_tricks.sliding_window_view(found.angles, side), axis=1)
    at = np.arange(n)
    before = middles[np.maximum(at - side, 0)]
    after = middles[np.minimum(at + 1, len(middles) - 1)]
    off = np.minimum(np.abs(found.angles - before), np.abs(found.angles - after))
    limit = max(_STRAY_DEG, _STRAY_SIGMA * 1.4826 * float(np.median(off)))
    return found.pick(off <= limit)


def _first(
    found: Whole | None, sync: int, setup: Setup, tables: Tables
) -> tuple[float | None, float | None]:
    """Seconds and crank degrees from the reference's first reading to the first spark.

    The crank may be lost for a moment just as the engine catches: the first spark counts without an
    angle too, its degrees are not known then.
    """
    after = np.flatnonzero(tables.sparks.tick >= sync)
    if found is None or tables.cut or not np.isfinite(tables.sparks.degrees[after]).any():
        return None, None
    k = int(after[0])
    periods = tables.periods
    base = float(periods.number[0]) * setup.reference.period
    same = tables.sparks.segment[k] == periods.segment[0]
    turned = float(tables.sparks.degrees[k]) - base
    known = same and np.isfinite(turned)
    return (int(tables.sparks.tick[k]) - sync) * tables.tick_s, turned if known else None


def _phase(
    name: str, span: tuple[int, int], speed: Floats, setup: Setup, tables: Tables,
    found: Whole | None, tap: trigger.Each | None, low: float | None, why: str,
) -> Phase:  # fmt: skip
    """One phase; `tap` of all of `found`, `low` its lowest supply voltage."""
    begins, stops = span
    tick_s = tables.tick_s
    low_rpm, high_rpm = (float(speed.min()), float(speed.max())) if len(speed) else (None, None)
    mine = None
    if found is not None:
        now = (found.events.tick > begins) & (found.events.tick <= stops)
        mine = found.pick(now)
    if mine is None or len(mine.angles) < _FEWEST:
        n = 0 if mine is None else len(mine.angles)
        return Phase(
            name, begins * tick_s, stops * tick_s, low_rpm, high_rpm, n,
            None, None, None, None, None, None, 0, 0, low,
        )  # fmt: skip
    events, angles = mine.events, mine.angles
    mean, scatter = timing.mean_and_deviation(angles)
    around = float(np.nanmean(mine.speed))
    periods = tables.periods
    turned = periods.pick((periods.start + periods.length > begins) & (periods.start < stops))
    lines = timing.budget(
        angles, 6.0 * around * tick_s, events.to_edge, turned, setup.reference,
        setup.firings_per_rev, around, setup.delay(around).u_us * 1e-6, setup.swing, None,
        setup.strokes,
    )  # fmt: skip
    missing, expected = missing_between(events, _spacing(mine, setup))
    return Phase(
        name, begins * tick_s, stops * tick_s, low_rpm, high_rpm, len(angles),
        None if why else Number(mean, lines.expanded), None if why else scatter,
        None if why else float(angles.max()), None if why else float(angles.min()),
        None if tap is None else _mean(tap.asked[now]),
        None if tap is None else _mean(tap.delay_us[now]), missing, expected, low,
    )  # fmt: skip


def _spacing(found: Whole, setup: Setup) -> float:
    """Degrees between firings at the clamp: the nearest of what it may be."""
    steps = found.events.steps()
    steps = steps[np.isfinite(steps)]
    if not len(steps):
        return setup.cycle / setup.cylinders
    usual = float(np.median(steps))
    return min(setup.spacings, key=lambda one: abs(one - usual))


def _mean(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) >= _FEWEST else None


def _points(
    found: Whole, sync: int, last: int, tick_s: float
) -> tuple[tuple[float, float, float], ...]:
    """Of each event seconds since the sync, speed and timing; thinned where there are many."""
    tick = found.events.tick
    good = np.flatnonzero((tick >= sync) & (tick <= last) & np.isfinite(found.speed))
    good = good[:: len(good) // _MOST_POINTS + 1]
    columns = ((tick[good] - sync) * tick_s, found.speed[good], found.angles[good])
    return tuple(zip(*(c.tolist() for c in columns), strict=True))
