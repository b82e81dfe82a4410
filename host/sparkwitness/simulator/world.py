"""The world that the board sees: edges on its inputs in order of time, and the truth behind them.

All times are seconds of world time in float64 inside, int64 ticks at the inputs. A `World` is
advanced step by step while a board runs; `edges_for` gives a whole stretch at once, the very same
edges. Longer than other files: the engine's and the bench's source share one book of what happened.
"""

import math
import threading
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.simulator.engine import EARLY_DEG, Block, Engine, firing_angles
from sparkwitness.simulator.ignition import Controller, Module, Rows
from sparkwitness.simulator.pickup import Clamp, Seen
from sparkwitness.simulator.rig import Drive, Rig
from sparkwitness.simulator.scenario import Scenario
from sparkwitness.simulator.wheel import Wheel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

INPUTS = ("crank", "clamp_a", "clamp_b", "trigger")
TICK_PS = 24000
"""Tick of the RP2040 at its stock clock: 3 cycles at 125 MHz."""
CRANK, CLAMP_A, CLAMP_B, TRIGGER = range(4)
RISING, FALLING = 0, 1
_NO_EDGES: Ints = np.empty(0, dtype=np.int64)
_NEVER = 1 << 62
_NOISE_PULSE_S = 5e-6


@dataclass(frozen=True, eq=False)
class Truth:
    """What really happened. One entry per trigger that the module got, in order of time.

    Attributes:
        number: number of the trigger since the world began.
        cylinder: 1 for the first in the firing order.
        wasted: the cylinder was on its exhaust stroke.
        trigger_s: time of the trigger's firing edge, seconds.
        spark_s: time of the first spark, seconds; NaN: none came.
        btdc_deg: crank angle of that, degrees before the TDC of the cylinder; NaN on the bench.
        sparks: sparks of the event; 0: the module dropped out.
        doubled: a false second event followed.
        on_a, on_b: the event runs through the lead of clamp A, clamp B.
        setting: controller's setting then.
        commanded_deg: angle that the controller believed it gave, degrees BTDC.
        rpm: mean speed of the engine cycle then; on the bench the drive's speed, rev/min.
        many: the module was in its multi-spark state.
        cycle_s, cycle_rpm: start (seconds) and mean speed of each engine cycle, by cycle.
        stray_crank_s, stray_a_s, stray_b_s: edges that no tooth and no spark of the lead made:
            noise, ringing, crossfire.
    """

    number: Ints
    cylinder: Ints
    wasted: Flags
    trigger_s: Floats
    spark_s: Floats
    btdc_deg: Floats
    sparks: Ints
    doubled: Flags
    on_a: Flags
    on_b: Flags
    setting: Floats
    commanded_deg: Floats
    rpm: Floats
    many: Flags
    cycle_s: Floats
    cycle_rpm: Floats
    stray_crank_s: Floats
    stray_a_s: Floats
    stray_b_s: Floats

    @property
    def misfire(self) -> Flags:
        """No spark came."""
        return np.asarray(self.sparks == 0)

    @property
    def error_deg(self) -> Floats:
        """True angle less commanded, crank degrees, advance positive; NaN without a spark."""
        return self.btdc_deg - self.commanded_deg

    def between(self, start_s: float, end_s: float) -> "Truth":
        """The part with triggers, cycles and strays in start_s <= time < end_s."""
        found = {}
        for one in fields(self):
            keys = self.trigger_s
            if one.name.startswith("cycle_"):
                keys = self.cycle_s
            elif one.name.startswith("stray_"):
                keys = getattr(self, one.name)
            found[one.name] = getattr(self, one.name)[(keys >= start_s) & (keys < end_s)]
        return Truth(**found)

    def mean_btdc(self, on_clamp: str = "a") -> float:
        """Mean true angle of the events on a clamp's lead, degrees BTDC; NaN if there is none."""
        angles = self.btdc_deg[(self.on_a if on_clamp == "a" else self.on_b) & ~self.misfire]
        return float(np.mean(angles)) if len(angles) else math.nan


_PER_TRIGGER = [one.name for one in fields(Truth)][:14]


class _Book:
    """Keeps the truth; angles of sparks are filled in when the crank has got there."""

    def __init__(self, keep: bool) -> None:
        self.keep = keep
        self._events: list[dict[str, NDArray[np.generic]]] = []
        self._cycles: list[tuple[Floats, Floats]] = []
        self._strays: dict[int, list[Floats]] = {CRANK: [], CLAMP_A: [], CLAMP_B: []}
        self._open: list[tuple[Floats, Ints, Floats, Floats]] = []

    def events(self, **columns: NDArray[np.generic]) -> None:
        if self.keep:
            self._events.append(columns)

    def cycles(self, start: Floats, rpm: Floats) -> None:
        if self.keep:
            self._cycles.append((start, rpm))

    def strays(self, source: int, times: Floats) -> None:
        if self.keep and len(times):
            self._strays[source].append(times)

    def open_angles(self, into: Floats, top: Floats, times: Floats) -> None:
        """Angles of sparks at `times` are wanted `into` an array, before each `top`."""
        if self.keep:
            which = np.flatnonzero(np.isfinite(times))
            self._open.append((into, which, top[which], times[which]))

    def resolve(self, block: Block) -> None:
        """Fill in the angles of sparks that fall into a block."""
        waiting = []
        for into, which, top, times in self._open:
            now = times < block.end
            if block.turning:
                angle = block.angle_at(np.maximum(times[now], block.start))
            else:
                angle = np.full(np.count_nonzero(now), block.low)
            into[which[now]] = top[now] - angle
            if not np.all(now):
                waiting.append((into, which[~now], top[~now], times[~now]))
        self._open = waiting

    def truth(self, start_s: float, end_s: float) -> Truth:
        empty: dict[str, NDArray[np.generic]] = {
            name: np.empty(0, dtype=_TYPES.get(name, np.float64)) for name in _PER_TRIGGER
        }
        events: dict[str, Any] = {
            name: np.concatenate([empty[name], *(chunk[name] for chunk in self._events)])
            for name in _PER_TRIGGER
        }
        none = np.empty(0)
        cycle_s = np.concatenate([none, *(start for start, _ in self._cycles)])
        cycle_rpm = np.concatenate([none, *(rpm for _, rpm in self._cycles)])
        crank, a, b = (
            np.sort(np.concatenate([none, *self._strays[source]]))
            for source in (CRANK, CLAMP_A, CLAMP_B)
        )
        whole = Truth(
            **events,
            cycle_s=cycle_s,
            cycle_rpm=cycle_rpm,
            stray_crank_s=crank,
            stray_a_s=a,
            stray_b_s=b,
        )
        return whole.between(start_s, end_s)


_TYPES: dict[str, type[np.generic]] = {
    "number": np.int64,
    "cylinder": np.int64,
    "sparks": np.int64,
    "wasted": np.bool_,
    "doubled": np.bool_,
    "on_a": np.bool_,
    "on_b": np.bool_,
    "many": np.bool_,
}


class _Queue:
    """Edges of one flank of one input that the board has not yet got, in ticks."""

    def __init__(self, per_second: float) -> None:
        self._per_second = per_second
        self._sorted: Ints = np.empty(0, dtype=np.int64)
        self._new: list[Ints] = []
        self._ahead = _NEVER
        self.taken = 0
        """Everything before this tick has been taken."""

    def push(self, seconds: Floats) -> None:
        if len(seconds):
            self._new.append(np.floor(seconds * self._per_second).astype(np.int64))

    def peek(self, until: int) -> Ints:
        """Edges before the tick `until` that have not been taken, ascending, none twice."""
        if self._new:
            kept = self._sorted[self._sorted.searchsorted(self.taken) :]
            # An edge may be late by rounding only; it comes as soon as it can.
            merged = np.concatenate([kept, *(np.maximum(one, self.taken) for one in self._new)])
            if np.any(merged[1:] <= merged[:-1]):
                merged = np.unique(merged)
            self._sorted, self._new = merged, []
            self._ahead = int(merged[0])
        if self._ahead >= until:
            return _NO_EDGES
        return self._sorted[: self._sorted.searchsorted(until)]

    def take(self, until: int) -> Ints:
        found = self.peek(until)
        self.taken = until
        if len(found):
            self._sorted = self._sorted[len(found) :]
            self._ahead = int(self._sorted[0]) if len(self._sorted) else _NEVER
        return found

    def forget(self) -> None:
        """Lose all that has not been taken."""
        self._sorted, self._new, self._ahead = _NO_EDGES, [], _NEVER

    def drop(self, until: int) -> None:
        """Take without looking."""
        if self._new:
            self.take(until)
        self.taken = until


class _EngineSource:
    """A running engine with its wheel, controller, module and clamps."""

    def __init__(self, world: "World", seed: np.random.SeedSequence) -> None:
        truth = world.scenario.truth
        self._world, self._truth = world, truth
        streams = seed.spawn(10)

        def stream(index: int) -> np.random.Generator:
            return np.random.default_rng(streams[index])

        spec, pickup = truth.engine, truth.pickup
        self.wheel = Wheel(truth.reference, spec.strokes, stream(0))
        # Streams of their own for each flank, so that watching one does not change the other.
        edge_streams = [np.random.default_rng(one) for one in streams[1].spawn(4)]
        self._edge_jitter, self._edge_missing = edge_streams[:2], edge_streams[2:]
        self._noise = stream(2)
        self._next_noise = self._gap()
        self._chance = Rows(stream(3), 2, normal=False)
        ahead = Rows(stream(3), 2, normal=False)
        work = Rows(stream(4), spec.cylinders, normal=True)
        self._shift = Rows(stream(5), 2, normal=True)
        self.module = Module(truth.module, stream(6))
        self._clamps = [Clamp(pickup, streams[7]), Clamp(pickup, streams[8])]

        tops = firing_angles(spec)
        cylinder, wasted = np.arange(spec.cylinders), np.zeros(spec.cylinders, dtype=bool)
        if pickup.layout == "wasted":
            tops = np.concatenate((tops, (tops + 360.0) % 720.0))
            cylinder = np.concatenate((cylinder, cylinder))
            wasted = np.concatenate((wasted, ~wasted))
        order = np.argsort(tops, kind="stable")
        self._tops, self._cylinder, self._wasted = tops[order], cylinder[order], wasted[order]
        slots, cycle = len(tops), 180.0 * spec.strokes
        self._slots, self._cycle = slots, cycle
        live = np.flatnonzero(~self._wasted)
        live = live[np.argsort(self._cylinder[live])]

        def gains(first: int, last: int) -> Floats:
            drawn = 1.0 + spec.variation * work.get(first, last)
            share = truth.module.misfire_share
            if share:
                # The typed speed is the mean speed: the other firings do the work of the lost.
                chance = ahead.get(first * slots, last * slots)[:, 0].reshape(-1, slots)
                lost = chance[:, live] < share
                drawn = np.where(lost, 0.0, drawn / max(1.0 - share, 0.1))
            return np.asarray(np.maximum(drawn, 0.0))

        varies = spec.variation > 0 or truth.module.misfire_share > 0
        start = float(stream(9).random()) * cycle - EARLY_DEG
        self.engine = Engine(spec, truth.speed, start, gains, varies)
        if pickup.layout == "distributor":
            # One coil: the module's triggers are all firings.
            self._apart = np.diff(self._tops, prepend=self._tops[-1] - cycle)
        else:
            self._apart = np.full(slots, 360.0 if pickup.layout == "wasted" else cycle)
        self._on = [
            self._lead(pickup.clamp_a, pickup.cylinder_a),
            self._lead(pickup.clamp_b, pickup.cylinder_b),
        ]
        self._on_trigger = self._lead("coil", 1)
        # Each lead's own interval between events, by slot.
        self._lead_apart = [cycle / max(1, int(np.count_nonzero(on))) for on in self._on]
        self._next_firing = -1
        self._turning = False
        self._lengths = np.empty(0)
        self._began = 0.0
        self._end = 0.0
        self.block_cycles = 0
        self.until = math.inf
        self._blocks = self.engine.blocks(self._count)
        self._falls = truth.module.fires_on == "falling"
        self._dwell = truth.controller.dwell_ms * 1e-3
        self._margin = (
            8.0 * truth.reference.jitter_us * 1e-6
            + 8.0 * pickup.jitter_us * 1e-6
            + (self._dwell if self._falls else 0.0)
        )

    @property
    def ready(self) -> float:
        """Every edge before this time, seconds, has been pushed."""
        return self._end - self._margin

    def _lead(self, lead: str, cylinder: int) -> Flags:
        """Slots whose events run through a lead."""
        if lead == "none":
            return np.zeros(self._slots, dtype=bool)
        if lead == "coil" and self._truth.pickup.layout == "distributor":
            return np.ones(self._slots, dtype=bool)
        return np.asarray(self._cylinder == cylinder - 1)

    def _count(self, seconds: float) -> int:
        if self.block_cycles:
            return min(self.block_cycles, math.ceil((self.until - self._end) / seconds) + 1)
        return int(0.25 / seconds) + 1

    def extend(self) -> None:
        """One more block."""
        block = next(self._blocks)
        self._pulses(block)
        if block.turning:
            self._fire(block)
        else:
            self._turning = False
        self._world.book.resolve(block)
        self._voltage(block)
        self._end = block.end

    def _gap(self) -> float:
        """Seconds to the next noise edge."""
        rate = self._truth.reference.strays_per_s
        return float(self._noise.exponential(1.0 / rate)) if rate else math.inf

    def _pulses(self, block: Block) -> None:
        """Edges of the crank input."""
        world, spec = self._world, self._truth.reference
        if not spec.present:
            return
        late = spec.delay_us * 1e-6
        for flank in world.flanks(CRANK) if block.turning else ():
            times = block.time_at(self.wheel.angles(block.low, block.high, flank == FALLING))
            if spec.jitter_us:
                spread = self._edge_jitter[flank].standard_normal(len(times))
                times += spread * (spec.jitter_us * 1e-6)
            if spec.missing_share:
                times = times[self._edge_missing[flank].random(len(times)) >= spec.missing_share]
            world.push(CRANK, flank, times + late if late else times)
        if block.stalled:
            rising, falling = self.wheel.swing_back(block, self._truth.speed.rock_back_deg)
            world.push(CRANK, RISING, rising + late)
            world.push(CRANK, FALLING, falling + late)
        strays = []
        while self._next_noise < block.end:
            strays.append(self._next_noise)
            self._next_noise += self._gap()
        if strays:
            stray = np.array(strays)
            world.book.strays(CRANK, stray)
            world.push(CRANK, RISING, stray)
            world.push(CRANK, FALLING, stray + _NOISE_PULSE_S)

    def _fire(self, block: Block) -> None:
        """Triggers due in a block, their sparks and what the clamps see."""
        world, spec, controller = self._world, self._truth.controller, self._world.controller
        slots, cycle = self._slots, self._cycle
        lengths = np.diff(block.cycle_starts)
        world.book.cycles(block.cycle_starts[:-1], cycle / (6.0 * lengths))
        begins = not self._turning
        if begins:
            self._lengths = np.repeat(lengths[:1], 2)
            self._next_firing = max(self._next_firing, (block.cycle - 1) * slots, 0)
            self._turning = True
        lengths = np.concatenate((self._lengths, lengths))
        self._lengths = lengths[-2:]
        numbers = np.arange(self._next_firing, (block.cycle + block.cycles + 2) * slots)
        which = numbers // slots
        slot = numbers - which * slots
        top = which * cycle + self._tops[slot]
        # The controller goes by the speed of the cycle before the last.
        known = np.clip(which - block.cycle, 0, len(lengths) - 1)
        commanded = controller.commanded(cycle / (6.0 * lengths[known]))
        shift = self._shift.get(self._next_firing, int(numbers[-1]) + 1)
        angle = top - commanded - controller.offset_deg
        if spec.cylinder_deg:
            angle -= np.asarray(spec.cylinder_deg)[self._cylinder[slot]]
        if spec.jitter_deg:
            angle -= np.clip(shift[:, 0], -4.0, 4.0) * spec.jitter_deg
        first = int(np.count_nonzero(angle < block.low)) if begins else 0
        last = int(np.argmax(angle >= block.high))
        if last <= first:
            self._next_firing += last
            return
        due = slice(first, last)
        numbers, slot, top, commanded = numbers[due], slot[due], top[due], commanded[due]
        # After a change of the setting a firing may be overdue: it comes at once.
        angle = np.maximum(angle[due], block.low)
        trigger = np.maximum.accumulate(block.time_at(angle)) + spec.delay_ms * 1e-3
        apart = self._apart[slot]
        if begins:
            apart[0] = np.nan
        chance = self._chance.get(int(numbers[0]), int(numbers[-1]) + 1)
        made = self.module.respond(trigger, apart, chance, shift[due, 1])
        self._next_firing += last

        here = np.floor((angle + EARLY_DEG) / cycle).astype(np.int64) - block.cycle + 2
        length = lengths[np.clip(here, 0, len(lengths) - 1)]
        on = [lead[slot] for lead in self._on]
        for source, clamp, mine, lead_apart in zip(
            (CLAMP_A, CLAMP_B), self._clamps, on, self._lead_apart, strict=True
        ):
            if not np.any(self._on[source - CLAMP_A]):
                continue
            seen = clamp.see(made, int(numbers[0]), mine, trigger, length * (lead_apart / cycle))
            world.see(source, seen)
        tapped = self._on_trigger[slot]
        share = length[tapped] * (0.8 / max(1, int(np.count_nonzero(self._on_trigger))))
        world.tap(trigger[tapped], np.minimum(self._dwell, share), self._falls)
        n = len(numbers)
        btdc = np.full(n, np.nan)
        world.book.events(
            number=numbers,
            cylinder=self._cylinder[slot] + 1,
            wasted=self._wasted[slot],
            trigger_s=trigger,
            spark_s=made.first,
            btdc_deg=btdc,
            sparks=made.sparks,
            doubled=made.doubled,
            on_a=on[0],
            on_b=on[1],
            setting=np.full(n, controller.setting),
            commanded_deg=commanded,
            rpm=cycle / (6.0 * length),
            many=made.many,
        )
        world.book.open_angles(btdc, top, made.first)

    def _voltage(self, block: Block) -> None:
        """Supply voltage over the block, every 10 degrees."""
        world, spec = self._world, self._truth.supply
        if not world.live:
            return
        if not block.turning:
            world.supply(np.array([block.start, block.end]), np.full(2, spec.rest_mv))
            self._began = block.end
            return
        knots = slice(None, None, 5)
        time, slope = block.knots[knots], block.slopes[knots]
        work = self.engine.dynamics.steady[::10][:-1]
        reach = float(np.ptp(work))
        strain = (np.mean(work) - work) / reach if reach > 0 else np.zeros(len(work))
        strain = strain[np.arange(len(time)) % len(work)]
        rpm = np.repeat(1.0 / (6.0 * np.mean(slope)), len(time))
        cranking = spec.cranking_mv - spec.ripple_mv * strain
        cranking -= spec.inrush_mv * np.exp(-np.maximum(time - self._began, 0.0) / 0.08)
        running = self._truth.engine.combustion & (rpm > spec.running_rpm)
        inside = np.clip(time, block.start, block.end)
        world.supply(inside, np.where(running, spec.running_mv, cranking))


class _BenchSource:
    """A module on the bench, driven by the board, with the bench outputs looped back."""

    def __init__(self, world: "World", seed: np.random.SeedSequence) -> None:
        truth = world.scenario.truth
        self._world, self._truth = world, truth
        streams = seed.spawn(5)
        self.rig = Rig()
        self.module = Module(truth.module, np.random.default_rng(streams[0]))
        self._chance = Rows(np.random.default_rng(streams[1]), 2, normal=False)
        self._shift = Rows(np.random.default_rng(streams[2]), 1, normal=True)
        self._clamps = [Clamp(truth.pickup, streams[3]), Clamp(truth.pickup, streams[4])]
        self._number = 0
        self._pulses: list[tuple[int, int, Floats, Floats]] = []
        self.ready = 0.0

    def _push(self, source: int, flank: int, starts: Floats, ends: Floats) -> None:
        """Pulses on an input, which end with a flank; remembered until they are over."""
        self._world.push(source, 1 - flank, starts)
        self._world.push(source, flank, ends)
        self._pulses.append((source, flank, starts, ends))

    def off(self) -> None:
        """The board has taken its pins: the pulse that is on ends now, and no other comes."""
        now = self._world.seconds
        left = {(source, flank): 0 for source, flank, _, _ in self._pulses}
        for source, flank, starts, ends in self._pulses:
            left[source, flank] += int(np.sum(ends > now)) - int(np.sum(starts > now))
        self._pulses = []
        for (source, flank), on in left.items():
            self._world.forget(source)
            if on > 0:
                self._world.push(source, flank, np.array([now]))

    def extend(self, until: float) -> None:
        """All that the drive makes until a time, seconds."""
        world, module = self._world, self._truth.module
        now = world.seconds
        self._pulses = [
            p for p in self._pulses if max(p[2].max(initial=0), p[3].max(initial=0)) > now
        ]
        turned = self.rig.turn(self.ready, until)
        self._push(CRANK, FALLING, turned.crank_rising, turned.crank_falling)
        start, width, low = turned.trigger, turned.width, self.rig.drive.active_low
        end = start + width
        rising, falling = (end, start) if low else (start, end)
        looped = (CLAMP_A, CLAMP_B, TRIGGER) if module.kind == "jumper" else (TRIGGER,)
        for source in looped:
            self._push(source, RISING if low else FALLING, start, end)
        if module.kind != "jumper" and len(start):
            self._answer(rising if module.fires_on == "rising" else falling, turned.apart_deg)
        sag = 0.1 * self._truth.supply.ripple_mv * self.rig.rpm / 1000.0
        world.supply(np.array([self.ready, until]), np.full(2, self._truth.supply.rest_mv - sag))
        self.ready = until

    def _answer(self, trigger: Floats, apart: Floats) -> None:
        world, n = self._world, len(trigger)
        last = self._number + n
        chance, shift = self._chance.get(self._number, last), self._shift.get(self._number, last)
        made = self.module.respond(trigger, apart, chance, shift[:, 0])
        on = np.ones(n, dtype=bool)
        pickup = self._truth.pickup
        period = apart / (6.0 * made.rpm)
        for source, clamp, lead in (
            (CLAMP_A, self._clamps[0], pickup.clamp_a),
            (CLAMP_B, self._clamps[1], pickup.clamp_b),
        ):
            if lead != "none":
                world.see(source, clamp.see(made, self._number, on, trigger, period))
        none = np.full(n, np.nan)
        world.book.events(
            number=np.arange(self._number, last),
            cylinder=np.ones(n, dtype=np.int64),
            wasted=~on,
            trigger_s=trigger,
            spark_s=made.first,
            btdc_deg=none,
            sparks=made.sparks,
            doubled=made.doubled,
            on_a=np.full(n, pickup.clamp_a != "none"),
            on_b=np.full(n, pickup.clamp_b != "none"),
            setting=none,
            commanded_deg=none,
            rpm=self.rig.rpm_at(trigger),
            many=made.many,
        )
        self._number = last


@dataclass(frozen=True, eq=False)
class Advance:
    """What happened since the advance before.

    Attributes:
        time_end: ticks of world time; every edge before it has been given.
        edges: per input, ticks of world time, ascending, shape (n,) each.
        supply_mv: lowest supply voltage.
        ended: the engine is off for good.
        driven: bench trigger pulses since the last drive command.
        levels: per input, level after each edge where both flanks are captured, else None.
    """

    time_end: int
    edges: tuple[Ints, Ints, Ints, Ints]
    supply_mv: int
    ended: bool
    driven: int
    levels: tuple[Ints | None, ...] = (None,) * 4


@dataclass(frozen=True)
class Lamp:
    """Lamp command as the board passes it on; mode 0 off, 1 at an angle, 2 at the first spark."""

    mode: int = 0
    teeth: int = 0
    missing: int = 0
    input: int = 0
    angle_mdeg: int = 0
    flash_us: int = 0


class World:
    """One world that goes on as it is advanced. Safe to use from several threads.

    Args:
        scenario: what it is like.
        seed: the same seed gives the same edges.
        tick_ps: length of a tick in ps.
        live: for a board: small blocks, both flanks, supply voltage. `edges_for` does without.
        keep_truth: false: `truth` stays empty, memory stays bounded.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int = 1,
        tick_ps: int = TICK_PS,
        live: bool = True,
        keep_truth: bool = True,
    ) -> None:
        self.scenario = scenario
        self.seed = seed
        self.tick_ps = tick_ps
        self.live = live
        self.controller = Controller(scenario.truth.controller)
        self.lamp_now = Lamp()
        self.enabled, self.falling, self.both = 0b1111, 0, 0
        self.now = 0
        """World time, ticks."""
        self.book = _Book(keep_truth)
        self._lock = threading.RLock()
        self._per_second = 1e12 / tick_ps
        self._queues = [[_Queue(self._per_second) for _ in (RISING, FALLING)] for _ in INPUTS]
        self._supply = (np.empty(0), np.empty(0))
        root = np.random.SeedSequence(seed)
        source_seed, reading = root.spawn(2)
        self._reading = np.random.default_rng(reading)
        self._source: _EngineSource | _BenchSource
        if scenario.kind == "engine":
            self._source = _EngineSource(self, source_seed)
        else:
            self._source = _BenchSource(self, source_seed)

    @property
    def seconds(self) -> float:
        """World time, seconds."""
        return self.now / self._per_second

    @property
    def ended(self) -> bool:
        """The engine is off for good."""
        return bool(self.scenario.seconds) and self.seconds >= self.scenario.seconds

    @property
    def source(self) -> "_EngineSource | _BenchSource":
        """Engine or bench behind the inputs."""
        return self._source

    # What the sources tell.

    def flanks(self, source: int) -> tuple[int, ...]:
        """Flanks of an input that anyone may ask for."""
        if self.live:
            return RISING, FALLING
        return self._captured(source)

    def forget(self, source: int) -> None:
        """Lose the edges of an input that are still to come."""
        for queue in self._queues[source]:
            queue.forget()

    def push(self, source: int, flank: int, times: Floats) -> None:
        """Edges of one flank of an input, seconds."""
        if flank in self.flanks(source):
            self._queues[source][flank].push(times)

    def see(self, source: int, seen: Seen) -> None:
        """Edges of a clamp."""
        self.push(source, RISING, seen.rising)
        self.push(source, FALLING, seen.rising + self.scenario.truth.pickup.pulse_us * 1e-6)
        self.book.strays(source, seen.strays)

    def tap(self, fires: Floats, active: Floats, falls: bool) -> None:
        """Trigger pulses of the controller: firing edges and the length of the active part."""
        self.push(TRIGGER, RISING, fires - active if falls else fires)
        self.push(TRIGGER, FALLING, fires if falls else fires + active)

    def supply(self, times: Floats, millivolts: Floats) -> None:
        """Supply voltage at ascending times, seconds."""
        if self.live:
            old_times, old = self._supply
            self._supply = np.concatenate((old_times, times)), np.concatenate((old, millivolts))

    # What the board does.

    def configure(self, enabled: int, falling: int, both: int = 0) -> None:
        """Which inputs the board captures, on which flank or on both; bit masks."""
        with self._lock:
            rests = isinstance(self._source, _BenchSource) and not self._source.rig.drive.rpm_to
            for source, pair in enumerate(self._queues):
                for queue in pair:
                    queue.take(self.now)
                if rests:  # the end of a pulse that was cut right now belongs to what was before
                    self.forget(source)
            self.enabled, self.falling, self.both = enabled, falling, both

    def drive(self, drive: Drive) -> None:
        """Drive the bench outputs from now on. On an engine they are not connected."""
        with self._lock:
            if isinstance(self._source, _BenchSource):
                self._source.rig.command(drive, self.seconds)

    def outputs_off(self) -> None:
        """Bench outputs and lamp off."""
        with self._lock:
            if isinstance(self._source, _BenchSource):
                self._source.off()
            self.drive(Drive())
            self.lamp_now = Lamp()

    def lamp(self, lamp: Lamp) -> None:
        """Marker lamp as commanded."""
        with self._lock:
            self.lamp_now = lamp

    def lamp_btdc(self) -> float:
        """Crank angle, degrees BTDC in -180..180, at which the lamp flashes; NaN unless by angle.

        With a wheel on the cam it flashes once a cycle, with a gap or one pulse once a turn.
        """
        if self.lamp_now.mode != 1:
            return math.nan
        angle = self.scenario.truth.reference.angle_btdc - self.lamp_now.angle_mdeg / 1000.0
        return (angle + 180.0) % 360.0 - 180.0

    def advance(self, dt_ticks: int, most_edges: int = 0) -> Advance:
        """Go on by dt_ticks, or less if more than most_edges (not 0) edges would come.

        Raises:
            ValueError: dt_ticks is negative.
        """
        if dt_ticks < 0:
            raise ValueError("time does not go backwards")
        with self._lock:
            start, target = self.now, self.now + dt_ticks
            if self.scenario.seconds:
                target = min(target, math.ceil(self.scenario.seconds * self._per_second))
                target = max(target, start)
            self._reach(target)
            wanted = [
                self._queues[source][flank]
                for source in range(4)
                for flank in self._captured(source)
            ]
            if most_edges:
                ahead = [queue.peek(target) for queue in wanted]
                if sum(map(len, ahead)) > most_edges:
                    target = int(np.sort(np.concatenate(ahead))[most_edges])
            supply = self._lowest(start, target)
            found: list[Ints] = []
            levels: list[Ints | None] = []
            for source, pair in enumerate(self._queues):
                flanks = self._captured(source)
                taken = [pair[flank].take(target) for flank in flanks]
                for flank in {RISING, FALLING} - set(flanks):
                    pair[flank].drop(target)
                if len(taken) == 2:
                    edges, level = _merged(*taken)
                    found.append(edges)
                    levels.append(level)
                else:
                    found.append(taken[0] if taken else _NO_EDGES)
                    levels.append(None)
            self.now = target
            if self.scenario.seconds and dt_ticks and target == start:
                # The engine is off for good, but the board's time goes on.
                self.now = target = start + dt_ticks
            driven = 0
            if isinstance(self._source, _BenchSource):
                driven = self._source.rig.driven
            a, b, c, d = found
            return Advance(target, (a, b, c, d), supply, self.ended, driven, tuple(levels))

    def _captured(self, source: int) -> tuple[int, ...]:
        """Flanks of an input that the board stamps."""
        if not (self.enabled >> source) & 1:
            return ()
        return (RISING, FALLING) if self.both >> source & 1 else ((self.falling >> source) & 1,)

    def _reach(self, target: int) -> None:
        end = target / self._per_second
        if isinstance(self._source, _BenchSource):
            if end > self._source.ready:
                self._source.extend(end)
            return
        # One tick more, so that rounding cannot leave an edge behind.
        while self._source.ready < end + 2.0 / self._per_second:
            self._source.extend()

    def _lowest(self, start: int, end: int) -> int:
        times, values = self._supply
        if not len(times):
            return 0xFFFF
        low, high = start / self._per_second, end / self._per_second
        ends = np.interp((low, high), times, values)
        lowest = min(ends.tolist())
        first, last = times.searchsorted((low, high)).tolist()
        if last > first:
            lowest = min(lowest, float(values[first:last].min()))
        if first > 64:
            self._supply = times[first - 1 :], values[first - 1 :]
        lowest += self._reading.normal() * self.scenario.truth.supply.noise_mv
        return int(min(max(lowest, 0.0), 65534.0))

    def truth(self) -> Truth:
        """The truth so far: triggers, cycles and strays before now."""
        with self._lock:
            return self.book.truth(0.0, self.seconds)


def _merged(rising: Ints, falling: Ints) -> tuple[Ints, Ints]:
    """Edges of both flanks in order of time, and the level after each; of two at once the later
    one a tick later.
    """
    ticks = np.concatenate((rising, falling))
    levels = np.repeat((1, 0), (len(rising), len(falling)))
    order = np.argsort(ticks, kind="stable")
    ticks, levels = ticks[order], levels[order]
    ticks[1:] += ticks[1:] == ticks[:-1]
    return ticks, levels


def stream_edges(
    scenario: Scenario,
    seconds: float,
    seed: int = 1,
    *,
    tick_ps: int = TICK_PS,
    enabled: int = 0b1111,
    falling: int = 0,
    part_s: float = 10.0,
) -> Iterator[dict[str, Ints]]:
    """Edges of a whole stretch in parts of part_s seconds, in bounded memory and without truth.

    Yields:
        per input name the ticks, int64, ascending.
    """
    world = World(scenario, seed, tick_ps, live=False, keep_truth=False)
    world.configure(enabled, falling)
    if isinstance(world.source, _EngineSource):
        world.source.block_cycles = 256
        world.source.until = seconds
    end = math.ceil(seconds * 1e12 / tick_ps)
    part = max(1, math.ceil(part_s * 1e12 / tick_ps))
    while world.now < end:
        step = world.advance(min(part, end - world.now))
        yield dict(zip(INPUTS, step.edges, strict=True))


def edges_for(
    scenario: Scenario,
    seconds: float,
    seed: int = 1,
    *,
    tick_ps: int = TICK_PS,
    enabled: int = 0b1111,
    falling: int = 0,
    setting: float | None = None,
) -> tuple[dict[str, Ints], Truth]:
    """Edges of the first `seconds` of a world and the truth behind them.

    Args:
        scenario: an engine scenario; a bench does nothing without a board.
        seed: the same seed gives the same edges, the same as a `World` gives step by step.
        enabled, falling: bit masks as in the board's configuration.
        setting: setting of the controller in place of the scenario's.
    Returns:
        per input name the ticks (tick_ps each), int64, ascending; and the truth.
    Raises:
        ValueError: setting out of range or not on a step.
    """
    world = World(scenario, seed, tick_ps, live=False)
    world.configure(enabled, falling)
    if setting is not None:
        world.controller.setting = setting
    if isinstance(world.source, _EngineSource):
        world.source.block_cycles = 256
        world.source.until = seconds
    step = world.advance(math.ceil(seconds * 1e12 / tick_ps))
    return dict(zip(INPUTS, step.edges, strict=True)), world.truth()
