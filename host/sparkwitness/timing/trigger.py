"""Where the error arises: the controller that asks, and the module that answers.

With the trigger tap each event has a command edge: trigger flank, trigger angle, first spark. So

    error = (trigger angle - commanded) + (-6 N delay)

at one speed N: a controller that asks at the wrong angle and a module that answers late are told
apart, each with its uncertainty, and a spark that is missing has a cause.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode.flanks import UNKNOWN, Levels
from sparkwitness.timing import budget as timing
from sparkwitness.timing import dwell as charging
from sparkwitness.timing import firings
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.angle import Periods, Track
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.dwell import Dwell
from sparkwitness.timing.events import Events, fold
from sparkwitness.timing.firings import Choice, Firings
from sparkwitness.timing.number import Number
from sparkwitness.timing.placing import Marked, place
from sparkwitness.timing.ripple import Ripple
from sparkwitness.timing.setup import Setup

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]
Bools = NDArray[np.bool_]

_NAME = {level: name for name, level in firings.NAMES.items()}
_OTHER = {"rising": "falling", "falling": "rising"}
_FEWEST = 10
_TRIED = 3  # triggers that the course of an odd engine's firings is laid at


@dataclass(frozen=True)
class Counts:
    """What came of each firing that the crank says was due, at this clamp and this speed.

    Attributes:
        asked: triggers.
        no_spark: of these, without a spark: the cause is behind the trigger.
        no_trigger: firings that nobody asked for, and that had no spark: before the module.
        unasked: sparks without a trigger before them.
        lost: triggers or sparks not judged, since edges were lost there.
    """

    asked: int
    no_spark: int = 0
    no_trigger: int = 0
    unasked: int = 0
    lost: int = 0


@dataclass(frozen=True)
class Split:
    """Controller and module told apart. Angles in crank degrees, advance (BTDC) positive.

    Attributes:
        flank: that fires, "rising" or "falling"; `found`: by the sparks, not typed.
        angle: mean trigger angle, degrees BTDC; u95 its expanded uncertainty (k = 2).
        scatter: its standard deviation.
        controller: trigger angle less the commanded one, with u95; None: none was typed.
        delay_us: from the trigger to the first spark, with u95.
        scatter_us: its standard deviation.
        module: what the delay does at this speed, -6 N delay in degrees, with u95.
        events: triggers with their sparks that went in.
        counts: of all.
        dwell: where both flanks are stamped.
        budget: of `angle`.
        flanks_u_us: standard uncertainty of the difference of the two flanks' delays, µs.
    """

    flank: str
    found: bool
    angle: Number
    scatter: float
    controller: Number | None
    delay_us: Number
    scatter_us: float
    module: Number
    events: int
    counts: Counts
    dwell: Dwell | None
    budget: Budget
    flanks_u_us: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        one = self.controller
        return {
            "flank": self.flank, "flank_found": self.found,
            "trigger_deg_btdc": self.angle, "trigger_expanded_deg": self.angle.u95,
            "trigger_scatter_deg": self.scatter,
            "controller_error_deg": one,
            "controller_expanded_deg": None if one is None else one.u95,
            "module_delay_us": self.delay_us, "module_delay_expanded_us": self.delay_us.u95,
            "module_delay_scatter_us": self.scatter_us,
            "module_error_deg": self.module, "module_expanded_deg": self.module.u95,
            "events": self.events, "triggers": self.counts.asked,
            "triggers_without_spark": self.counts.no_spark,
            "firings_without_trigger": self.counts.no_trigger,
            "sparks_without_trigger": self.counts.unasked,
            "not_judged": self.counts.lost,
            "dwell": None if self.dwell is None else self.dwell.to_dict(),
            "budget": self.budget.to_dict(),
        }  # fmt: skip


@dataclass(frozen=True)
class Tap:
    """What the tap shows beside the events of a steady stretch.

    Attributes:
        choice: of the flank.
        fires: firings of the whole recording; None where the flank is not known.
        split: None where it cannot be told.
        fire_of: int64[k] indices of the firings that the stretch's events follow.
        window: ticks before and after a firing within which its spark comes.
        tick_s: seconds per tick.
        late: degrees by which the trigger's path is later than the clamp's.
    """

    choice: Choice
    fires: Firings | None = None
    split: Split | None = None
    fire_of: Ticks | None = None
    window: tuple[int, int] = (0, 0)
    tick_s: float = 1.0
    late: float = 0.0


def read(
    setup: Setup,
    tables: Tables,
    steady: Events,
    angles: Floats,
    every: Ticks,
    spacing: float,
    rpm: float,
    turned: Periods,
    ripple: Ripple | None,
) -> Tap | None:
    """What the tap tells of a stretch; None where it is not connected.

    Args:
        setup: what was typed.
        tables: of one session.
        steady: events at steady speed, strays taken out.
        angles: float64[n] their timing, degrees BTDC.
        every: ticks of all events' first sparks, strays and those of other speeds as well.
        spacing: see `timed.Timed`.
        rpm: mean speed, rev/min.
        turned, ripple: of the wheel in the same time.
    """
    if setup.trigger == "none" or not len(tables.trigger):
        return None
    tick_s = tables.tick_s
    typed = _level(setup)
    choice = firings.choose(tables.trigger, steady.tick, tick_s, typed)
    if choice.level is None:
        return Tap(choice)
    fires = firings.firings(tables.trigger, choice.level, every, tick_s)
    spark, fire, (early, latest) = _matched(fires, steady.tick, setup, tick_s)
    good = np.isfinite(fires.degrees[fire]) & (fires.segment[fire] == steady.segment[spark])
    spark, fire = spark[good], fire[good]
    if len(spark) < _FEWEST:
        return Tap(Choice(None, "few"))
    counts = _counts(setup, tables, steady, fires, spark, fire, every, spacing, (early, latest))
    falls = choice.level == firings.FALLING
    path = setup.trigger_delay(rpm, falls)
    # Of the same turn and cylinder as the spark, and with its own path's delay.
    late = timing.degrees_of((path.us - setup.delay(rpm).us) * 1e-6, rpm)
    asked = angles[spark] + (steady.degrees[spark] - fires.degrees[fire]) + late
    mean, scatter = timing.mean_and_deviation(asked)
    lines = timing.budget(
        asked, 6.0 * rpm * tick_s, fires.to_edge[fire], turned, setup.reference,
        setup.firings_per_rev, rpm, path.u_us * 1e-6, setup.swing, ripple, setup.strokes,
        fires.degrees[fire],
    )  # fmt: skip
    between = setup.answer_delay(falls)
    delay = (steady.tick[spark] - fires.tick[fire]) * (tick_s * 1e6) - between.us
    delay_us, delay_scatter = timing.mean_and_deviation(delay)
    u_us = float(
        np.sqrt(timing.standard_error(delay) ** 2 + between.u_us**2 + (tick_s * 1e6) ** 2 / 6)
    )
    module = -timing.degrees_of(delay_us * 1e-6, rpm)
    swing = setup.swing
    if timing.resolves_swing(setup.reference, setup.firings_per_rev):
        swing = 0.0
    elif swing is None:
        swing = timing.default_swing(rpm, setup.firings_per_rev)
    u_module = float(np.hypot(timing.degrees_of(u_us * 1e-6, rpm), module * swing / np.sqrt(2)))
    angle = Number(mean, lines.expanded)
    error = None
    if setup.commanded is not None:
        error = Number(mean - setup.commanded, lines.expanded)
    flanks_u = float(np.sqrt(2)) * path.u_us
    first, last = np.searchsorted(fires.tick, steady.tick[[0, -1]]).tolist()
    dwell = charging.of(fires.pick(np.arange(first, last)), setup, tick_s, flanks_u)
    flank = _OTHER[_NAME[choice.level]] if _inverted(setup) else _NAME[choice.level]
    split = Split(
        flank, typed == "auto", angle, scatter, error,
        Number(delay_us, timing.COVERAGE * u_us), delay_scatter,
        Number(module, timing.COVERAGE * u_module), len(spark), counts, dwell, lines, flanks_u,
    )  # fmt: skip
    return Tap(choice, fires, split, fire, (early, latest), tick_s, late)


def firing(setup: Setup, tick: Ticks, level: Levels, sparks: Ticks, tick_s: float) -> Ticks:
    """Of the tap's edges those that fire: all where one flank is stamped, none where it is unclear.

    Args:
        setup: what was typed.
        tick, level: int64[n], int8[n] of the tap, the level after each edge or `UNKNOWN`.
        sparks: int64[m] ticks of first sparks.
        tick_s: seconds per tick.
    """
    if (level == UNKNOWN).any():
        return tick
    tap = Marked(place(Track.join([]), tick, setup.reference), np.zeros(len(tick), np.bool_), level)
    fires = firings.choose(tap, sparks, tick_s, _level(setup)).level
    return tick[level == fires] if fires is not None else tick[:0]


def _matched(
    fires: Firings, sparks: Ticks, setup: Setup, tick_s: float
) -> tuple[Ticks, Ticks, tuple[int, int]]:
    """Indices of sparks and of the firings that they follow, and `Tap.window`."""
    even = 1.0
    if setup.odd:  # the long step of one cylinder would take in the next one's spark
        steps = np.diff([*setup.firing_angles, setup.cycle])
        even = float(steps.min() / steps.max())
    typed = _level(setup) in firings.NAMES
    window = (int(firings.EARLY_S / tick_s), firings.window(fires.tick, tick_s, typed, even))
    return *firings.delays(fires.tick, sparks, *window), window


def _level(setup: Setup) -> str:
    """The flank of the pin that was typed."""
    # Points fire when they open, and their input is timed on that.
    typed = "rising" if setup.trigger_kind == "points" else setup.trigger
    # Behind an isolator the pin is the other way round (hardware/delays.json).
    return _OTHER.get(typed, typed) if _inverted(setup) else typed


def _inverted(setup: Setup) -> bool:
    return setup.trigger_kind.startswith("isolated")


@dataclass(frozen=True)
class Each:
    """What the tap shows of each event, NaN where nothing; float64[n] each.

    Attributes:
        asked: trigger angle, degrees BTDC.
        delay_us: from the trigger to the first spark, paths' delays taken off.
        dwell_ms: on-time before it.
    """

    asked: Floats
    delay_us: Floats
    dwell_ms: Floats


def each(setup: Setup, tables: Tables, events: Events, angles: Floats, rpm: Floats) -> Each:
    """What the tap shows event by event.

    Args:
        setup, tables: as for `read`.
        events, angles: any, with their timing, degrees BTDC.
        rpm: float64[n] speed around each, rev/min; NaN where it is not known.
    """
    nan = [np.full(len(events.tick), np.nan) for _ in range(3)]
    shown = Each(*nan)
    if setup.trigger == "none":
        return shown
    typed, tick_s = _level(setup), tables.tick_s
    choice = firings.choose(tables.trigger, events.tick, tick_s, typed)
    if choice.level is None:
        return shown
    fires = firings.firings(tables.trigger, choice.level, events.tick, tick_s)
    spark, fire, _ = _matched(fires, events.tick, setup, tick_s)
    falls = choice.level == firings.FALLING
    late_us = setup.answer_delay(falls).us
    shown.delay_us[spark] = (events.tick[spark] - fires.tick[fire]) * (tick_s * 1e6) - late_us
    same = fires.segment[fire] == events.segment[spark]
    turned = events.degrees[spark] - fires.degrees[fire]
    speed = np.nan_to_num(rpm[spark])
    asked = angles[spark] + turned - 6e-6 * late_us * speed
    shown.asked[spark] = np.where(same, asked, np.nan)
    have = fires.on_tick[fire] >= 0
    on_time = (fires.tick[fire] - fires.on_tick[fire]) * (tick_s * 1e3)
    shown.dwell_ms[spark] = np.where(have, on_time, np.nan)
    return shown


def _ours(
    at: Floats, segment: Ticks, matched: Floats, matched_segment: Ticks, period: float, near: float
) -> Bools:
    """Which angles are whole periods from the nearest matched one of their segment."""
    if not len(matched):
        return np.zeros(len(at), np.bool_)
    # Segments follow each other in time, and angles rise within one: together they are in order.
    order = np.searchsorted(_joint(matched_segment, matched), _joint(segment, at))
    result = np.zeros(len(at), np.bool_)
    for side in (order - 1, order):
        k = np.clip(side, 0, len(matched) - 1)
        off = np.abs(fold(at - matched[k], period))
        result |= (matched_segment[k] == segment) & (off < near)
    return result


def _joint(segment: Ticks, degrees: Floats) -> Floats:
    """One rising number for segment and angle."""
    return np.multiply(segment, 1e9, dtype=np.float64) + degrees


def _nearest(setup: Setup, period: float) -> float:
    """Least degrees from one cylinder's firing to another's, where all repeat after `period`."""
    at = np.unique(np.round(np.mod(setup.firing_angles, period), 3) % period)
    return float(np.diff([*at, at[0] + period]).min())


def _passed(ours: Firings, setup: Setup, near: float) -> Floats:
    """Firings of an engine that fires unevenly from each trigger to the next; float64[n - 1].

    The course of the firing angles lies where the triggers miss it least, in each segment anew.
    """
    at, cycle = np.array(setup.firing_angles), setup.cycle
    place = np.zeros(len(ours), np.int64)
    for segment in np.unique(ours.segment):
        mine = ours.segment == segment
        degrees, least = ours.degrees[mine], np.inf
        # One that is no firing's may be the first.
        for begin in np.subtract.outer(degrees[:_TRIED], at).ravel():
            off = np.abs(fold(degrees[:, None] - begin - at, cycle))
            missed = float(np.minimum(off.min(axis=1), near).sum())
            if missed < least:
                least, place[mine] = missed, off.argmin(axis=1)
    turned = np.diff(ours.degrees) - np.diff(at[place])
    passed: Floats = len(at) * np.rint(turned / cycle) + np.diff(place)
    return passed


def _counts(
    setup: Setup, tables: Tables, steady: Events, fires: Firings, spark: Ticks, fire: Ticks,
    every: Ticks, spacing: float, window: tuple[int, int],
) -> Counts:  # fmt: skip
    """Missing and needless sparks by cause, between the first and the last event."""
    early, latest = window
    # Over a cycle: of an odd engine one step alone may be longer than 1.5 of the mean.
    step = fires.step(setup.cylinders if setup.odd else 1)
    period, near = float(np.fmax(spacing, step)), float(np.fmin(spacing, step)) / 2
    # Of an odd engine on the coil lead all are due, and the nearest matched may be another's.
    mixed = setup.odd and setup.clamp in ("coil", "auto")
    if setup.odd:
        period = setup.cycle if mixed else spacing
        near = _nearest(setup, period) / 2
    inside = np.flatnonzero((fires.tick >= steady.tick[0]) & (fires.tick <= steady.tick[-1]))
    part = fires.pick(inside)
    placed = np.isfinite(part.degrees)
    mine = placed
    if not mixed:
        mine = placed & _ours(
            part.degrees, part.segment, fires.degrees[fire], fires.segment[fire], period, near
        )
    # Any spark in the window answers, be it a stray or one whose event was cut.
    sparks, lost_at = tables.sparks.tick, np.cumsum(tables.lost_before)
    low = np.searchsorted(sparks, part.tick - early)
    high = np.searchsorted(sparks, part.tick + latest)
    # The first event's own spark comes before all that are silent.
    doubt = lost_at[np.minimum(high, len(lost_at) - 1)] > lost_at[low - 1]
    silent = mine & (high == low)
    no_spark = int(np.count_nonzero(silent & ~doubt))
    # Sparks that no trigger of the tap came before.
    alone = every[(every >= steady.tick[0]) & (every <= steady.tick[-1])]
    of = firings.before(fires.tick, alone, early)
    answered = (of >= 0) & (alone - fires.tick[of] <= latest)
    known = (of + 1 < len(fires)) & fires.known[np.minimum(of + 1, len(fires) - 1)]
    due = np.ones(len(alone), np.bool_)
    one_coil = step > 1.5 * spacing
    if one_coil:
        # The tap is on one coil of several: only sparks at its firings have a trigger.
        where = np.searchsorted(steady.tick, alone)  # none of them is after the last
        here = steady.tick[where] == alone
        due = here & _ours(
            steady.degrees[where], steady.segment[where], steady.degrees[spark],
            steady.segment[spark], period, near,
        )  # fmt: skip
    unasked = int(np.count_nonzero(due & ~answered & known))
    # What the crank expects, between triggers of one segment that are not lost.
    ours = part.pick(mine)
    passed = np.rint(np.diff(ours.degrees) / period)
    if mixed and not one_coil:
        passed = _passed(ours, setup, near)
    gaps = np.maximum(passed[(np.diff(ours.segment) == 0) & ours.known[1:]] - 1, 0)
    no_trigger = max(0, int(gaps.sum()) - unasked)
    lost = int(np.count_nonzero(silent & doubt)) + int(np.count_nonzero(due & ~answered & ~known))
    return Counts(int(np.count_nonzero(mine)), no_spark, no_trigger, unasked, lost)
