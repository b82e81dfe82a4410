"""Tables of sparks and crank periods to events with their timing: pure; nothing is judged yet."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import budget as timing
from sparkwitness.timing import clamps, groups, seating
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.events import Events, Grouping, burst_gap, fold, fold_of, group, strays
from sparkwitness.timing.gates import FARTHEST_S, REFUSED, Finding
from sparkwitness.timing.seating import Seats
from sparkwitness.timing.setup import Setup

_FEWEST_STEPS = 3  # from event to event, that tell a rhythm
# A spark that disturbs the crank's input, or is heard by it, does so at once; and no engine keeps a
# spark at its place to half a microsecond.
_SOON_S, _LOCKED_S = 1e-3, 0.5e-6
_FEWEST_CAUSED = 15
_BEFORE = 0.05  # share of these pulses that may lie before the heap
_MISFIT = 0.1  # share of the crank's edges, from which on it is told as a cause


@dataclass
class Timed:
    """Events of one clamp with their timing; all arrays have one element per event.

    Attributes:
        events: strays taken out.
        angles: float64 first-spark angle, degrees BTDC, folded around the commanded one.
        speed: float64 rev/min around each event; NaN where no neighbour tells it.
        spacing: degrees between firings at the clamp.
        modulo: degrees modulo which the angles are known.
        stray, cut, unplaced: what was left out, see `Measurement`.
        clamp: where the clamp sits, as typed or as found, a key of `setup.CLAMPS`.
        kind, late: see `groups.Places`.
        places: degrees BTDC and share of the events of each place, the main one first.
        every: all events, those left out as well; where cylinders are looked at, each as it is.
        seats, seated: of these, their places in the firing order and their timing; None: not
            looked at.
    """

    events: Events
    angles: NDArray[np.float64]
    speed: NDArray[np.float64]
    spacing: float
    modulo: float
    stray: int
    cut: int
    unplaced: int
    clamp: str = "plug"
    kind: str = groups.OWN
    places: tuple[tuple[float, float], ...] = ()
    late: float = 0.0
    every: Events | None = None
    seats: Seats | None = None
    seated: NDArray[np.float64] | None = None

    def pick(self, mask: NDArray[np.bool_]) -> "Timed":
        """The events selected by a mask."""
        return replace(
            self,
            events=self.events.pick(mask),
            angles=self.angles[mask],
            speed=self.speed[mask],
        )


def time_events(setup: Setup, tables: Tables) -> Timed | Finding:
    """Tables to timed events: pure; or the finding that says why there are none."""
    where = setup.clamp_input.replace("_", " ")[:-1] + setup.clamp_input[-1].upper()
    if not len(tables.periods.start):
        return _no_crank(setup, tables)
    if not tables.clamp_edges:
        text = f"no spark on {where} in {tables.seconds:.0f} s while the crank turned at "
        return Finding("no_spark", f"{text}{mean_speed(setup, tables):.0f} rpm", REFUSED, False)
    grouping, firing = _events(setup, tables)
    events = grouping.events
    text = (
        f"{len(tables.sparks.tick)} sparks on {where}: not enough yet{crank_misses(setup, tables)}"
    )
    few = Finding("few_events", text, REFUSED, False)
    if np.count_nonzero(np.isfinite(events.steps())) < _FEWEST_STEPS:
        return few
    if firing is None:
        return clamps.no_reading(setup, events.steps())
    modulo = fold_of(setup.reference, setup.cycle, firing.parts)
    usual_speed = mean_speed(setup, tables)
    seats: Seats | None = None
    whole = events
    if setup.by_cylinder and firing.clamp == "coil":
        seats, whole, events = _seated(setup, tables, events, modulo)
    level = events
    if seats is not None:
        # What a cylinder alone has is no place of its own.
        level = replace(events, degrees=seating.levelled(events.degrees, seats, setup))
    found = groups.places(
        level, modulo, firing.spacing, _spark_degrees(events, tables.tick_s, usual_speed)
    )
    mine = np.ones(len(events.tick), np.bool_)
    if found.kind in (groups.OTHER_LEAD, groups.FIRST_MISSED, groups.LATE):
        mine = found.of == 0
    # Strays first, so that crossfire neither shifts the mean nor hides a missing spark.
    mine[mine] = ~strays(level.degrees[mine], modulo)
    good, even = whole.pick(mine), events.pick(mine)
    steps = even.steps()
    if np.count_nonzero(np.isfinite(steps)) < _FEWEST_STEPS:
        return few
    # What comes evenly, but not as often as typed, is a matter of what was typed.
    every = events.steps()
    every = every[np.isfinite(every)]  # a step across a break is no rarer one
    usual = float(np.median(every))
    often = np.mean(np.abs(every / usual - 1) < 0.15) > 0.8
    if found.kind == groups.SEVERAL and often and abs(usual / firing.spacing - 1) > 0.15:
        return clamps.no_reading(setup, every)
    step = float(np.nanmedian(steps))
    if found.kind != groups.SEVERAL and abs(step / firing.spacing - 1) > 0.15:
        alone = np.count_nonzero(mine) > 0.8 * len(mine)
        if not (alone and clamps.misfires(steps, firing.spacing)):
            return clamps.no_reading(setup, steps)
    if miscounted := clamps.miscounted(setup, steps, firing.spacing):
        return miscounted
    speed = _speed(good, tables.tick_s)
    delay = setup.delay(usual_speed).us * 1e-6
    late = timing.degrees_of(delay, np.where(np.isfinite(speed), speed, usual_speed))
    raw = setup.reference.btdc(even.degrees) + late
    around = fold(np.array([timing.circular_mean(raw, modulo)]), modulo, _expected(setup))
    delayed = timing.degrees_of(delay, usual_speed)
    seated = None
    if seats is not None:
        seated = fold(setup.reference.btdc(events.degrees) + delayed, modulo, float(around[0]))
    middles = setup.reference.btdc(np.array([p.degrees for p in found.places])) + delayed
    total = sum(p.events for p in found.places)
    return Timed(
        good,
        fold(raw, modulo, float(around[0])),
        speed,
        firing.spacing,
        modulo,
        int(np.count_nonzero(~mine)),
        grouping.cut,
        grouping.unplaced,
        firing.clamp,
        found.kind,
        tuple(
            (float(a), p.events / total)
            for a, p in zip(fold(middles, modulo, float(around[0])), found.places, strict=True)
        ),
        found.late,
        whole,
        seats,
        seated,
    )


def _expected(setup: Setup) -> float:
    """Degrees BTDC near which the timing is looked for."""
    typed = setup.commanded if setup.seen is None else setup.seen
    return 10.0 if typed is None else typed


def _seated(
    setup: Setup, tables: Tables, events: Events, modulo: float
) -> tuple[Seats | None, Events, Events]:
    """Places in the firing order, the events, and these as if the engine fired evenly."""
    around = _expected(setup)
    if not setup.odd:
        found = timing.circular_mean(setup.reference.btdc(events.degrees), modulo)
        around = float(fold(np.array([found]), modulo, around)[0])
    seats = seating.seat(
        events.degrees, events.segment, setup, around,
        tables.index.at.tick if setup.index else None, events.tick, tables.tick_s,
    )  # fmt: skip
    if not setup.odd:
        return seats, events, events
    known = seats.place >= 0
    seats, events = seats.pick(known), events.pick(known)
    even = seating.evened(events.degrees, seats, setup)
    moved = even - events.degrees
    return (
        seats, events,
        replace(events, degrees=even, last_degrees=events.last_degrees + moved),
    )  # fmt: skip


def _spark_degrees(events: Events, tick_s: float, rpm: float) -> float:
    """Crank degrees from one spark of a burst to the next; NaN without bursts."""
    bursts = events.pick(events.sparks > 1)
    if not len(bursts.tick):
        return float("nan")
    each = (bursts.last_degrees - bursts.degrees) / (bursts.sparks - 1)
    return float(np.median(each))


def mean_speed(setup: Setup, tables: Tables) -> float:
    """rev/min over all good periods."""
    periods = tables.periods
    turned = len(periods.length) * setup.reference.period
    return turned / 6.0 / (float(periods.length.sum()) * tables.tick_s)


def crank_misses(setup: Setup, tables: Tables) -> str:
    """What keeps events from being placed, where most likely the crank does; else nothing."""
    share = tables.crank_rejected / max(tables.crank_edges, 1)
    if share < _MISFIT:
        return ""
    return (
        f"; {100 * share:.0f} % of the crank's edges are in turns that do not fit a "
        f"{setup.reference} reference, and sparks there have no angle: check the sensor's gap, its "
        "screen and ground, and the wheel typed"
    )


def _no_crank(setup: Setup, tables: Tables) -> Finding:
    if tables.crank_edges:
        return Finding(
            "no_sync",
            f"{tables.crank_edges} edges on the crank reference do not fit a {setup.reference} "
            f"reference: check the wheel typed in, the edge polarity and the sensor's gap"
            + (", and whether its two wires are swapped" if setup.sensor == "vr" else ""),
            REFUSED,
            False,
        )
    return Finding(
        "no_reference",
        f"no crank reference pulse in {tables.seconds:.0f} s: check the sensor, its supply and "
        "its wire, and that the engine turns",
        REFUSED,
        False,
    )


def _events(setup: Setup, tables: Tables) -> tuple[Grouping, clamps.Reading | None]:
    """Group sparks; where the spacing is to be inferred, once more with what was found."""
    degrees = tables.sparks.degrees
    steps = np.diff(degrees)
    steps[np.diff(tables.sparks.segment) != 0] = np.nan
    widest = _widest_burst(setup, mean_speed(setup, tables))
    period = setup.reference.period

    def grouped(spacing: float) -> Grouping:
        gap = min(burst_gap(steps, spacing), widest)
        return group(tables.sparks, tables.lost_before, tables.periods, period, gap)

    if setup.clamp != "auto" or setup.odd:
        reading = clamps.typed(setup if setup.clamp != "auto" else replace(setup, clamp="coil"))
        return grouped(reading.spacing), reading
    first = grouped(float("nan"))
    between = first.events.steps()
    found = clamps.inferred(setup, between[np.isfinite(between)])
    return first if found is None else grouped(found.spacing), found


def _widest_burst(setup: Setup, rpm: float) -> float:
    """Degrees between sparks beyond which they are no longer one burst.

    What another cylinder's lead induces comes a firing interval away at the least, the sparks of
    one burst 2 ms apart at the most (common practice, no source).
    """
    interval = setup.cycle / setup.cylinders
    return min(max(0.4 * min(interval, 90.0), timing.degrees_of(2e-3, rpm)), 0.8 * interval)


def _speed(events: Events, tick_s: float) -> NDArray[np.float64]:
    """rev/min around each event: mean speed since the event before, or to the one after."""
    with np.errstate(invalid="ignore"):
        between = events.steps() / (np.diff(events.tick) * tick_s) / 6.0
    speed = np.concatenate(([np.nan], between))
    after = np.append(between, np.nan)
    return np.where(np.isfinite(speed), speed, after)


@dataclass(frozen=True)
class Whole:
    """All events of a recording at whatever speed, strays and other places among them.

    Attributes:
        events: one element each, as for the arrays below.
        angles: float64 first-spark angle, degrees BTDC, folded around the timing found.
        speed: float64 rev/min around each; NaN where not known.
    """

    events: Events
    angles: NDArray[np.float64]
    speed: NDArray[np.float64]

    def pick(self, mask: NDArray[np.bool_]) -> "Whole":
        """Those selected by a mask."""
        return Whole(self.events.pick(mask), self.angles[mask], self.speed[mask])


_SPEEDS = np.geomspace(20.0, 20000.0, 31)  # the paths' delay follows the speed smoothly


def whole(setup: Setup, tables: Tables, found: Timed) -> Whole:
    """All events at whatever speed, each with its own path's delay taken off.

    Args:
        setup, tables: as for `time_events`.
        found: what that gave.
    """
    events = found.events if found.every is None else found.every
    speed = _speed(events, tables.tick_s)
    known = np.isfinite(speed)
    usual = np.where(known, speed, mean_speed(setup, tables))
    at_speeds = [setup.delay(float(rpm)).us for rpm in _SPEEDS]
    late = np.interp(usual, _SPEEDS, at_speeds) * 6e-6 * usual
    degrees = events.degrees
    if found.seats is not None and setup.odd:
        degrees = seating.evened(degrees, found.seats, setup)
    raw = setup.reference.btdc(degrees) + late
    angles = fold(raw, found.modulo, float(np.median(found.angles)))
    return Whole(events, angles, speed)


def placed(steady: Timed) -> tuple[Seats, Events, NDArray[np.float64]] | None:
    """All events between the first and the last, with their places; None: not looked at."""
    every, seats, seated = steady.every, steady.seats, steady.seated
    if every is None or seats is None or seated is None:
        return None
    first, last = steady.events.tick[[0, -1]]
    now = (every.tick >= first) & (every.tick <= last) & (seats.place >= 0)
    return seats.pick(now), every.pick(now), seated[now]


def cylinder_numbers(setup: Setup, found: Timed) -> NDArray[np.int64]:
    """Number of the cylinder of each event, 0 where it is not told."""
    numbers = np.zeros(len(found.events.tick), np.int64)
    if found.seats is None or found.every is None or not found.seats.sure or not len(numbers):
        return numbers
    place = found.seats.place[np.searchsorted(found.every.tick, found.events.tick)]
    order = np.array(setup.numbers)
    return np.where(place >= 0, order[place], 0)


def second_edges(events: Events, tables: Tables, rpm: float) -> tuple[float, float, float]:
    """Events whose second edge comes later than a burst's would: see `gates.Evidence.second`."""
    many = events.pick(events.sparks > 1)
    if not len(many.tick):
        return 0.0, 0.0, 0.0
    ticks = tables.sparks.tick
    after = ticks[np.searchsorted(ticks, many.tick) + 1] - many.tick
    late: NDArray[np.float64] = np.multiply(after, tables.tick_s)
    late = late[late > FARTHEST_S]
    if not len(late):
        return 0.0, 0.0, 0.0
    usual = float(np.median(late))
    return len(late) / len(events.tick), usual, timing.degrees_of(usual, rpm)


def pairs(events: Events, tick_s: float, rpm: float) -> tuple[float, float, float]:
    """Events of just two edges: see `gates.Evidence.pairs`."""
    two = events.pick(events.sparks == 2)
    if not len(two.tick):
        return 0.0, 0.0, 0.0
    share = len(two.tick) / np.count_nonzero(events.sparks > 0)
    usual = float(np.median(two.last_tick - two.tick)) * tick_s
    return share, usual, timing.degrees_of(usual, rpm)


def caused(setup: Setup, tables: Tables) -> tuple[float, float]:
    """Pulses that come a constant time after a spark: see `gates.Evidence.caused`."""
    if setup.reference.teeth > 1:
        return 0.0, 0.0
    sparks, edges = tables.sparks.tick, tables.periods.start
    before = np.searchsorted(sparks, edges, "right") - 1
    after = np.sort((edges - sparks[before])[before >= 0] * tables.tick_s)
    after = after[after < _SOON_S]
    if len(after) < _FEWEST_CAUSED:
        return 0.0, 0.0
    # A pulse that was held back comes at once where it may: a heap with nothing before it.
    heap = np.searchsorted(after, after + _LOCKED_S, "right") - np.arange(len(after))
    first = np.argmax(heap[: round(_BEFORE * len(after)) + 1])
    return float(heap[first]) / len(after), float(after[first])
