"""What sensors make of an engine: reference edges, sparks of every kind, a clamp that rings.

All times in seconds, angles in crank degrees; angle 0 is the first cylinder's firing dead centre.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .engine import Engine, Motion

Floats = NDArray[np.float64]

# What the circuits add: their simulation's word, and no second copy of it, which would get old.
_FILE = Path(__file__).parents[2] / "hardware" / "delays.json"
_CIRCUITS = json.loads(_FILE.read_text(encoding="utf-8"))["inputs"]


def late_us(rng: np.random.Generator, circuit: str, edge: str = "rising") -> float:
    """One board's delay from the cause to the pin, µs."""
    one = _CIRCUITS[circuit][edge]
    drawn = rng.normal(one["delay_us"], one["u_us"])
    return float(np.clip(drawn, one["least_us"], one["most_us"]))


def clamp_late_us(rng: np.random.Generator) -> float:
    """The clamp's, kinds of ignition in equal parts: what a person has, nobody typed."""
    kind = "inductive" if rng.random() < 0.5 else "capacitive"
    return late_us(rng, f"clamp_{kind}")


@dataclass(frozen=True)
class Reluctor:
    """A variable-reluctance sensor with its input, either way round.

    A tooth's flux is a bell, its voltage that one's slope (Faraday's law): the right way round it
    falls through zero at the tooth, swapped it rises there. The input makes a low pass of the coil,
    goes high above a level and low where the voltage falls through zero, or some mV off it.

    Attributes:
        width: standard deviation of the bell, pitches.
        volts: peak of one tooth's voltage.
        turn: of the low pass, pitches that pass in its time constant.
        offset: volts at which the comparator takes the voltage for zero.
        arm: volts.
        swapped: its wires are.
    """

    width: float
    volts: float
    turn: float
    offset: float
    arm: float = 0.147
    swapped: bool = True

    def places(self, teeth: int, missing: int) -> tuple[Floats, Floats]:
        """Where a turn's rises and falls come, each rise before its fall, pitches past the first
        tooth's middle."""
        fine = max(256, 9216 // teeth)
        x = np.arange(teeth * fine) / fine
        flux_slope = np.zeros(len(x))
        for k in range(teeth - missing):
            off = (x - k + teeth / 2) % teeth - teeth / 2
            flux_slope += off / self.width * np.exp(0.5 - 0.5 * (off / self.width) ** 2)
        waves = np.fft.rfft(self.volts * flux_slope * (1 if self.swapped else -1))
        waves /= 1 + 2j * np.pi * np.arange(len(waves)) / teeth * self.turn
        volts = np.fft.irfft(waves, len(x))
        rise, pulses = None, []
        for at, value in enumerate(np.tile(volts, 3)):
            if value > self.arm:
                rise = at if rise is None else rise
            elif rise is not None and value < self.offset:
                pulses.append((rise, at))
                rise = None
        edges = np.array(pulses, float).reshape(-1, 2)
        half = len(x) // 2
        edges = edges[(edges[:, 1] >= half + len(x)) & (edges[:, 1] < half + 2 * len(x))] / fine
        return edges[:, 0] - teeth, edges[:, 1] - teeth


@dataclass(frozen=True)
class Mark:
    """A reference as it really is.

    Attributes:
        teeth, missing, turns: as on the wheel; turns 2: on the cam. teeth 1: one pulse.
        angle: crank degrees BTDC at which the index edge passes.
        tooth_error: standard deviation of the teeth's places, crank degrees.
        index_error: how far the index tooth stands past the place that `angle` says, degrees.
        eccentric: crank degrees, amplitude of the wheel's run-out.
        flip: "" or, for a sensor wired the wrong way round, "last": every edge half a pitch late
            and the one before the gap by `odd` pitches more; "first": half a pitch early, the one
            after the gap by `odd` more.
        odd: pitches.
        jitter_us: of each edge.
        strays: edges a second that come from nowhere.
        dropped: probability of an edge not to be seen.
        delay_us: from the tooth to the pin.
        number: of the wheel: the same number has the same tooth errors; 0: another one each time.
        reluctor: a variable-reluctance sensor, whose pin falls at a tooth; None: another one.
    """

    teeth: int = 36
    missing: int = 1
    turns: int = 1
    angle: float = 60.0
    tooth_error: float = 0.0
    index_error: float = 0.0
    eccentric: float = 0.0
    flip: str = ""
    odd: float = 0.15
    jitter_us: float = 0.3
    strays: float = 0.0
    dropped: float = 0.0
    delay_us: float = 2.6
    number: int = 0
    reluctor: "Reluctor | None" = None

    def flanks(self, motion: Motion, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Times of the reluctor's rises and falls."""
        assert self.reluctor is not None
        pitch = 360.0 * self.turns / self.teeth
        rises, falls = self.reluctor.places(self.teeth, self.missing)
        return (
            self._passed(rises * pitch, motion, rng),
            np.sort(
                np.concatenate(
                    (self._passed(falls * pitch, motion, rng), _anywhere(self.strays, motion, rng))
                )
            ),
        )

    def edges(self, motion: Motion, rng: np.random.Generator) -> Floats:
        """Times of the edges; of a reluctor the falls."""
        if self.reluctor is not None:
            return self.flanks(motion, rng)[1]
        pitch = 360.0 * self.turns / self.teeth
        places = np.arange(self.teeth - self.missing) * pitch
        maker = np.random.default_rng(self.number) if self.number else rng
        if self.tooth_error:
            places = places + maker.normal(0, self.tooth_error, len(places))
        places[0] += self.index_error
        if self.eccentric:
            turn = 2 * np.pi * np.arange(len(places)) / self.teeth + maker.uniform(0, 2 * np.pi)
            places = places + self.eccentric * np.sin(turn)
        if self.flip == "last":
            places = places + pitch / 2
            places[-1] += self.odd * pitch
        elif self.flip == "first":
            places = places - pitch / 2
            places[0] -= self.odd * pitch
        at = self._passed(places, motion, rng)
        if self.dropped:
            at = at[rng.random(len(at)) >= self.dropped]
        return np.sort(np.concatenate((at, _anywhere(self.strays, motion, rng))))

    def _passed(self, places: Floats, motion: Motion, rng: np.random.Generator) -> Floats:
        """Times at which places of the wheel, crank degrees past its index edge, come by."""
        low, high = motion.degrees[[0, -1]]
        whole = 360.0 * self.turns
        first, last = np.floor((low + self.angle) / whole) - 1, np.ceil((high + self.angle) / whole)
        at = (np.arange(first, last + 1)[:, None] * whole - self.angle + places).ravel()
        at = motion.at(at[(at > low) & (at < high)]) + self.delay_us * 1e-6
        return at + rng.normal(0, self.jitter_us * 1e-6, len(at))


def _anywhere(rate: float, motion: Motion, rng: np.random.Generator) -> Floats:
    return rng.uniform(0, motion.length, rng.poisson(rate * motion.length))


@dataclass(frozen=True)
class Sparks:
    """The ignition as it really is.

    Attributes:
        advance: degrees BTDC of the first spark of each event.
        jitter: its standard deviation, degrees; heavy: share of events with five times as much.
        each: "cycle": each cylinder fires once per cycle; "turn": and once more a turn later.
        burst: sparks per event, and `spacing_us` between them, each `slower` times longer.
        fall: how a burst ends: "fixed"; "weak": later ones are ever weaker; "holes": some in the
            middle fail; "chance": a geometric number; "angle": as many as fit in 20 degrees.
        first_missed: probability that the first spark of an event jumps unseen.
        misfire: probability of an event without a spark.
        late: probability of an event that comes `late_deg` later as a whole (a slow gap).
        delay_us: from the angle to the spark, as a module's delay.
    """

    advance: float = 20.0
    jitter: float = 0.15
    heavy: float = 0.0
    each: str = "cycle"
    burst: int = 1
    spacing_us: float = 900.0
    slower: float = 1.02
    fall: str = "fixed"
    first_missed: float = 0.0
    misfire: float = 0.0
    late: float = 0.0
    late_deg: float = 4.0
    delay_us: float = 0.0

    def of(
        self, tdc: float, engine: Engine, motion: Motion, rng: np.random.Generator
    ) -> tuple[Floats, Floats]:
        """All sparks of the cylinder with that dead centre: seconds and strength (1: usual)."""
        every = 360.0 if self.each == "turn" and engine.cycle > 360 else engine.cycle
        low, high = motion.degrees[[0, -1]]
        centre = tdc + every * np.arange(np.floor((low - tdc) / every), (high - tdc) / every + 1)
        wide = np.where(rng.random(len(centre)) < self.heavy, 5.0, 1.0)
        at = centre - self.advance + self.jitter * wide * rng.standard_normal(len(centre))
        at = at + self.late_deg * (rng.random(len(centre)) < self.late)
        at = at[(rng.random(len(at)) >= self.misfire) & (at > low) & (at < high)]
        first = motion.at(at) + self.delay_us * 1e-6
        strong = np.exp(0.15 * rng.standard_normal(len(first)))
        if self.burst == 1:
            seen = rng.random(len(first)) >= self.first_missed
            return first[seen], strong[seen]
        times, strength = [], []
        gaps = self.spacing_us * 1e-6 * self.slower ** np.arange(self.burst - 1)
        after = np.concatenate(([0.0], np.cumsum(gaps)))
        for k, begin in enumerate(first):
            t = begin + after * (1 + 0.01 * rng.standard_normal())
            s = strong[k] * np.ones(len(t))
            if self.fall == "weak":
                s = s * np.exp(-rng.uniform(0.05, 0.5) * np.arange(len(t)))
            elif self.fall == "holes":
                hole = rng.random(len(t)) < 0.15
                hole[0] = False
                t, s = t[~hole], s[~hole]
            elif self.fall == "chance":
                n = min(len(t), int(rng.geometric(1.6 / self.burst)))
                t, s = t[:n], s[:n]
            elif self.fall == "angle":
                end = motion.at(np.array([at[k] + 20.0]))[0]
                t, s = t[(t < end) | (t == begin)], s[(t < end) | (t == begin)]
            if rng.random() < self.first_missed:
                t, s = t[1:], s[1:]
            times.append(t)
            strength.append(s)
        return np.concatenate(times), np.concatenate(strength)


@dataclass(frozen=True)
class Clamp:
    """A clamp on leads: a decaying sine per spark, stamped where it rises through a threshold.

    Attributes:
        on: number of the cylinder (in firing order) whose lead it holds; -1: the coil's lead,
            which carries all.
        reversed: it sees the sine's other half waves.
        ring_us: period of the sine.
        decay: amplitude of each half wave by the one before.
        threshold: against a usual spark's first half wave.
        others: strength with which a neighbour's lead induces, by cylinder: ((cylinder, share of
            events), ...).
        strays: edges a second from nowhere.
        delay_us: from the spark to the pin.
        coil_on: share of the events whose coil is heard being switched on, and ms before the
            spark; ends: share whose spark is heard to end, and ms after its first.
    """

    on: int = 0
    reversed: bool = False
    ring_us: float = 120.0
    decay: float = 0.45
    threshold: float = 0.25
    others: tuple[tuple[int, float], ...] = ()
    strays: float = 0.0
    delay_us: float = -0.2
    coil_on: tuple[float, float] = (0.0, 0.0)
    ends: tuple[float, float] = (0.0, 0.0)

    def edges(
        self, engine: Engine, sparks: Sparks, motion: Motion, rng: np.random.Generator
    ) -> Floats:
        """Times of the edges."""
        held = range(len(engine.tdc)) if self.on < 0 else (self.on % len(engine.tdc),)
        heard = [(k, 1.0) for k in held]
        heard += [((k + max(self.on, 0)) % len(engine.tdc), share) for k, share in self.others]
        found = []
        for k, share in heard:
            t, s = sparks.of(engine.tdc[k], engine, motion, rng)
            if share < 1.0:
                # The whole burst is heard, or nothing of it.
                events = np.cumsum(np.diff(t, prepend=-1.0) > 0.006)
                kept = rng.random(int(events[-1]) + 1 if len(events) else 1) < share
                t, s = t[kept[events]], s[kept[events]]
            found.append(self._stamped(t, s))
            first = t[np.diff(t, prepend=-1.0) > 0.006]
            for (often, ms), side in ((self.coil_on, -1e-3), (self.ends, 1e-3)):
                if often:
                    found.append(first[rng.random(len(first)) < often] + side * ms)
        found.append(_anywhere(self.strays, motion, rng))
        return np.sort(np.concatenate(found)) + self.delay_us * 1e-6

    def _stamped(self, t: Floats, s: Floats) -> Floats:
        stamped = []
        for half in range(1 if self.reversed else 0, 12, 2):
            over = s * self.decay**half > self.threshold
            stamped.append(t[over] + half * self.ring_us * 0.5e-6)
        return np.concatenate(stamped)
