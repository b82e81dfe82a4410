"""Ignition modules on a bench, of a second hand: what they do to each trigger, with the truth.

Nothing here is taken from the package's simulator or from what measures. A module is a law in
numbers: how late it answers, how that wanders, when it does not answer, how often it sparks. The
numbers are plausible ones (common practice, no source); what matters is that they are known.

`drive` is the bench's own arithmetic: trigger edges of a plan's segments, from the definition of
speed alone (360 crank degrees a turn). `bytes_of` is the board: the same edges as frames.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from . import frames

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TICK_S = 24e-9
BEAT_S = 0.1
INPUTS = 4
CLAMP, TRIGGER = 1, 3


@dataclass(frozen=True)
class Module:
    """One module and what its wires do to the clamp.

    Delay of the firing edge, µs: `delay_us` + `per_krpm` per 1000 rpm + `angle_deg` as time + what
    moves: white `jitter_us`, Student's t of `tails` degrees of freedom times that if `tails`;
    `wander_us` of an autoregression that forgets over `wander_events`; `state_us`, added in every
    other spell of about `state_events`; `warm_us` exp(-t / `warm_s`), t from `age_s` on; `jump_us`
    from `jump_at` of the run on; `settle_us` exp(-t / `settle_s`) after each change of speed;
    `per_volt` below 13.1 V; `per_width` for each µs that the pulse is longer than 800 µs.

    Not answered: a share `drop_share` in spells of about `drop_run`; a share `band_share` in
    `dead_bands` (rpm), with `band_up` only while the speed rises; all above `limit_rpm`;
    everything if `dead`.

    Sparks per event: above `single_rpm` one, below as many as fit into `window_deg` at
    `spacing_us`. The change is spread like a logistic curve of which the middle four fifths take
    `single_width` rpm; going down it lies `hysteresis` lower. `double_share` of the events are
    followed by one false spark `double_us` later, in `double_band` (rpm) only if it is given.

    `other_edge`: it answers the pulse's other edge. Wires: `couple_share` of the pulses give an
    edge in the clamp `couple_us` after the drive's own edge, scatter `couple_ns`; with
    `couple_both` the pulse's other edge does so too.
    """

    delay_us: float = 25.0
    jitter_us: float = 1.0
    per_krpm: float = 0.0
    angle_deg: float = 0.0
    wander_us: float = 0.0
    wander_events: float = 200.0
    state_us: float = 0.0
    state_events: float = 300.0
    warm_us: float = 0.0
    warm_s: float = 60.0
    age_s: float = 0.0
    tails: float = 0.0
    jump_us: float = 0.0
    jump_at: float = 0.5
    settle_us: float = 0.0
    settle_s: float = 1.0
    per_volt: float = 0.0
    per_width: float = 0.0
    band_share: float = 1.0
    band_up: bool = False
    double_band: tuple[float, float] | None = None
    drop_share: float = 0.0
    drop_run: float = 1.0
    dead_bands: tuple[tuple[float, float], ...] = ()
    limit_rpm: float = np.inf
    dead: bool = False
    single_rpm: float = 0.0
    single_width: float = 0.0
    hysteresis: float = 0.0
    spacing_us: float = 1000.0
    window_deg: float = 20.0
    double_share: float = 0.0
    double_us: float = 3000.0
    other_edge: bool = False
    couple_share: float = 0.0
    couple_us: float = 0.5
    couple_ns: float = 15.0
    couple_both: bool = True

    def law_us(self, rpm: Floats) -> Floats:
        """Mean delay of the module at a speed, when warm, in the long run, µs."""
        own = self.delay_us + self.per_krpm * rpm / 1000 + self.angle_deg / (6e-6 * rpm)
        return np.asarray(own + self.state_us / 2)


@dataclass
class Train:
    """Pulses of one run in order of time: firing edge and other edge, s; speed; segment."""

    fire: Floats
    other: Floats
    rpm: Floats
    rising: Bools
    segment: NDArray[np.int64]
    spans: list[tuple[float, float]] = field(default_factory=list)


def drive(
    segments: Sequence[tuple[str, float, float, float]], pitch_deg: float, width_s: float,
    at_end: bool, settle_s: float = 0.4, start_s: float = 0.05,
) -> Train:  # fmt: skip
    """The bench's pulses.

    Args:
        segments: (kind, rpm at the begin, rpm at the end, seconds).
        pitch_deg: crank degrees from pulse to pulse.
        width_s: of the pulse.
        at_end: the module fires at the pulse's end, else at its begin.
        settle_s: a segment is driven so much longer than asked for.
    """
    fires, speeds, which, spans = [], [], [], []
    begin = start_s
    for number, (kind, low, high, seconds) in enumerate(segments):
        rate = (high - low) / seconds if kind == "ramp" else 0.0
        t_end = seconds + settle_s
        # Degrees turned at t: 6 (low t + rate t^2 / 2), at `high` once the ramp is over.
        ramp_deg = 6 * (low * seconds + rate * seconds**2 / 2)
        total = ramp_deg + 6 * high * settle_s
        angle = np.arange(0.0, total, pitch_deg)
        if rate:
            inside = (-low + np.sqrt(np.maximum(low**2 + rate * angle / 3, 0.0))) / rate
            t = np.where(angle <= ramp_deg, inside, seconds + (angle - ramp_deg) / (6 * high))
        else:
            t = angle / (6 * low)
        fires.append(begin + t)
        speeds.append(np.clip(low + rate * t, min(low, high), max(low, high)))
        which.append(np.full(len(t), number))
        spans.append((begin, begin + t_end))
        begin += t_end
    fire = np.concatenate(fires)
    fire = fire + width_s if at_end else fire
    other = fire - width_s if at_end else fire + width_s
    rising = np.diff(np.concatenate(speeds), prepend=0.0) >= 0
    return Train(fire, other, np.concatenate(speeds), rising, np.concatenate(which), spans)


def spells(n: int, share: float, run: float, rng: np.random.Generator) -> Bools:
    """bool[n]: True in a `share` of the places, in spells of geometric length, mean `run`."""
    if share <= 0 or not n:
        return np.zeros(n, np.bool_)
    if run <= 1:
        return np.asarray(rng.random(n) < share)
    made = np.zeros(n, np.bool_)
    between = run * (1 - share) / share
    # So that the first place is like any other: start in a spell with chance `share`.
    on, at = bool(rng.random() < share), 0
    while at < n:
        length = int(rng.geometric(1 / max(1.0, run if on else between)))
        made[at : at + length] = on
        at, on = at + length, not on
    return made


@dataclass
class Truth:
    """What the module did: per pulse the delay of its first spark (NaN: none) and its sparks."""

    train: Train
    delay_us: Floats
    sparks: NDArray[np.int64]
    clamp: Floats


def answer(
    module: Module, train: Train, rng: np.random.Generator, volts: Floats | None = None
) -> Truth:
    """What a module makes of a drive.

    Args:
        volts: supply in each `BEAT_S`, repeated; None: 13.1 V.
    """
    n, rpm = len(train.fire), train.rpm
    late = module.delay_us + module.per_krpm * rpm / 1000 + module.angle_deg / (6e-6 * rpm)
    white = rng.standard_t(module.tails, n) if module.tails else rng.standard_normal(n)
    late = late + module.jitter_us * white
    late = late + module.jump_us * (np.arange(n) >= module.jump_at * n)
    width_us = 1e6 * np.abs(train.other - train.fire)
    late = late + module.per_width * (width_us - 800.0)
    if volts is not None:
        beat = (train.fire / BEAT_S).astype(np.int64) % len(volts)
        late = late + module.per_volt * (13.1 - volts[beat])
    if module.settle_us:
        since = train.fire - np.array([begin for begin, _ in train.spans])[train.segment]
        late = late + module.settle_us * np.exp(-since / module.settle_s)
    if module.wander_us:
        keep = np.exp(-1 / module.wander_events)
        steps = rng.standard_normal(n) * np.sqrt(1 - keep**2)
        steps[0] = rng.standard_normal()
        walk = np.empty(n)
        now = 0.0
        for k in range(n):
            now = keep * now + steps[k] if k else steps[0]
            walk[k] = now
        late = late + module.wander_us * walk
    if module.state_us:
        late = late + module.state_us * spells(n, 0.5, module.state_events, rng)
    late = late + module.warm_us * np.exp(-(train.fire + module.age_s) / module.warm_s)
    cause = train.other if module.other_edge else train.fire

    out = spells(n, module.drop_share, module.drop_run, rng) | (rpm > module.limit_rpm)
    for low, high in module.dead_bands:
        there = (rpm >= low) & (rpm <= high) & (rng.random(n) < module.band_share)
        out |= there & train.rising if module.band_up else there
    out |= module.dead

    sparks = np.ones(n, np.int64)
    if module.single_rpm:
        middle = module.single_rpm - np.where(train.rising, 0.0, module.hysteresis)
        if module.single_width:
            # A logistic curve runs from 0.9 to 0.1 within 4.394 of its scale.
            scale = module.single_width / 4.394449
            many = rng.random(n) < 1 / (1 + np.exp(np.clip((rpm - middle) / scale, -50, 50)))
        else:
            many = rpm < middle
        fit = 1 + np.floor(module.window_deg / (6e-6 * rpm) / module.spacing_us).astype(np.int64)
        sparks = np.where(many, np.maximum(fit, 2), 1)
    sparks[out] = 0
    edges = []
    for k in range(int(sparks.max()) if n else 0):
        has = sparks > k
        step = k * module.spacing_us + (2.0 * rng.standard_normal(n) if k else 0.0)
        edges.append((cause + (late + step) * 1e-6)[has])
    extra = (rng.random(n) < module.double_share) & ~out
    if module.double_band:
        extra &= (rpm >= module.double_band[0]) & (rpm <= module.double_band[1])
    jump = module.double_us + 20.0 * rng.standard_normal(n)
    edges.append((cause + (late + jump) * 1e-6)[extra])
    if module.couple_share:
        for at in (train.fire, train.other) if module.couple_both else (train.fire,):
            there = rng.random(n) < module.couple_share
            shift = module.couple_us * 1e-6 + module.couple_ns * 1e-9 * rng.standard_normal(n)
            edges.append((at + shift)[there])
    # What a board cannot tell apart: edges closer than its dead time of 144 ns.
    clamp = np.sort(np.concatenate(edges)) if edges else np.empty(0)
    kept = np.diff(clamp, prepend=-1.0) > 150e-9
    return Truth(train, np.where(out, np.nan, late), sparks, clamp[kept])


def bytes_of(truth: Truth, supply_mv: Floats | None = None) -> bytes:
    """A board's stream of the run, from protocol/wire.md alone.

    Args:
        supply_mv: lowest supply of each heartbeat, repeated where there are more; None: 13.1 V.
    """
    sender = frames.Sender(session=7)
    first = [0] * INPUTS
    supply = np.array([13_100.0]) if supply_mv is None else supply_mv

    def beat(at: float, driven: int, on: int) -> None:
        volts = round(float(supply[round(at / BEAT_S) % len(supply)]))
        sender.frame(
            frames.HEARTBEAT,
            struct.pack("<Q4I4I4IIIHHHBB", round(at / TICK_S), *first, *([0] * 8), driven, 50, 10,
                        0, volts, 1, on),
        )  # fmt: skip

    sender.hello()
    train = truth.train
    streams = {
        TRIGGER: np.floor(train.fire / TICK_S).astype(np.int64),
        CLAMP: np.floor(truth.clamp / TICK_S).astype(np.int64),
    }
    begun = np.sort(np.minimum(train.fire, train.other))
    beat(0.0, 0, 0)
    sent = dict.fromkeys(streams, 0)
    low = {which: (ticks & 0xFFFFFFFF).astype("<u4") for which, ticks in streams.items()}
    for begin, end in train.spans:
        sender.frame(ACK, struct.pack("<BBHI", DRIVE, 0, 0, 1))
        nows = begin + BEAT_S * np.arange(1, round((end - begin) / BEAT_S) + 1)
        uptos = {w: np.searchsorted(t, nows / TICK_S).tolist() for w, t in streams.items()}
        driven = np.searchsorted(begun, nows).tolist()
        for k, now in enumerate(nows.tolist()):
            for which, counts in low.items():
                upto = uptos[which][k]
                for at in range(sent[which], upto, 58):
                    part = counts[at : min(at + 58, upto)]
                    head = struct.pack("<BBHI", which, len(part), 0, first[which])
                    sender.frame(frames.EDGES, head + part.tobytes())
                    first[which] += len(part)
                sent[which] = upto
            beat(now, driven[k], 1)
    return b"".join(sender.parts)


ACK, DRIVE = 5, 20
"""Numbers of the ack message and of the drive command (protocol/wire.md)."""
