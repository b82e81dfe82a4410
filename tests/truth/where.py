"""Rows of the accuracy table on where the error arises: controller, module, dwell, cylinders.

Every run draws its engine, ignition, wheel and what is typed; what is typed is off by normal errors
of the stated uncertainty. The truth is what the ignition did, and is read after the measurement.
"""

import os
import zlib
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

from . import rotors, starts
from .cases import mark_of
from .engine import Engine, even, turn
from .frames import TICK_PS, encode
from .ignitions import Fired, Ignition, fire
from .judged import U_ANGLE, U_DELAY_US, Row, Score
from .pickups import Mark

Rng = np.random.Generator
COUNTS = (1, 2, 3, 4, 5, 6, 8, 10, 12)


@dataclass(frozen=True)
class World:
    """An engine, its ignition and wheel, and for how many cycles it runs."""

    engine: Engine
    ignition: Ignition
    mark: Mark
    cycles: int
    coil: bool = True
    lost: float = 0.0


def run(row: Row, seed: int) -> dict[str, tuple[bool, str]]:
    """Draw, record, measure, compare."""
    rng = np.random.default_rng((seed, zlib.crc32(row.name.encode())))
    if row.make is not None:
        return row.judge(*row.make(rng))
    assert row.draw is not None
    world, typed = row.draw(rng)
    return row.judge(*measured(world, typed, rng), world)


def measured(world: World, typed: dict[str, Any], rng: Rng) -> tuple[measure.Measurement, Fired]:
    """A world's recording as it is measured, and the truth of it."""
    motion = turn(world.engine, world.cycles, rng)
    fired = fire(world.engine, world.ignition, motion, rng)
    late = rng.normal(0, U_DELAY_US, 2) * 1e-6
    mine = fired.sparks
    first = fired.spark[np.isfinite(fired.spark) & (fired.cylinder == 0)]
    if not world.coil:
        mine = first
    edges = {
        "crank": world.mark.edges(motion, rng), "clamp_a": mine + late[0],
        "clamp_b": first + late[0], "trigger": fired.rising + late[1],
    }  # fmt: skip
    both = {"trigger": fired.falling + late[1]}
    data = encode(edges, motion.length, 1, world.lost, rng, both)
    wheel = world.mark
    off = float(rng.normal(0, U_ANGLE))
    setup = Setup(
        Reference(wheel.teeth, wheel.missing, wheel.turns, wheel.angle + off, U_ANGLE),
        cylinders=len(world.engine.tdc), strokes=round(world.engine.cycle / 180),
        clamp="coil" if world.coil else "plug", delay_us=0.0, u_delay_us=U_DELAY_US,
        trigger_delay_us=0.0, u_trigger_delay_us=U_DELAY_US, target=0.02,
        swing=world.engine.swing, **typed,
    )  # fmt: skip
    analyzer = Analyzer(setup, TICK_PS)
    analyzer.feed(data)
    return measure.evaluate(setup, analyzer.finish()), fired


def usual(
    rng: Rng, rpm: float, cylinders: int | None = None, reference: str = "60-2", cycles: int = 60,
    swing: float | None = None, coil: bool | None = None, **ignition: Any,
) -> tuple[World, dict[str, Any]]:  # fmt: skip
    """A healthy engine with a controller that asks wrongly and a module that answers late."""
    n = int(rng.choice(COUNTS)) if cylinders is None else cylinders
    rpm = float(rpm * rng.uniform(0.95, 1.05))
    if swing is None:
        swing = float(rng.uniform(0.2, 0.7)) * 0.08 * (4 / n) ** 1.2 * (800 / rpm) ** 2
    # The starter turns an engine that only compresses.
    strength = (0.0,) * n if rpm < 300 else ()
    swing = float(np.clip(swing, 5e-4, 0.08))
    engine = Engine(even(n), 720.0, rpm, swing, strength, jitter=0.0005)
    commanded = float(np.round(rng.uniform(4, 35), 1))
    interval_ms = 120e3 / rpm / n
    dwell = min(float(rng.uniform(1.5, 5)), 0.6 * interval_ms)
    made = Ignition(
        **{
            "advance": commanded + float(np.clip(rng.normal(0, 5), -12, 12)),
            "jitter": float(rng.uniform(0.05, 0.3)), "delay_us": float(rng.uniform(5, 200)),
            "delay_jitter_us": float(rng.uniform(0.3, 3)), "falls": bool(rng.random() < 0.5),
            "dwell_ms": dwell, **ignition,
        }
    )  # fmt: skip
    made = replace(made, misfire=made.misfire[:n])
    mark = mark_of(reference, float(np.round(rng.uniform(30, 330), 1)))
    mark = Mark(**{**vars(mark), "delay_us": 0.0, "jitter_us": 0.2})
    coil = n > 1 and bool(rng.random() < 0.5) if coil is None else coil
    typed = {
        "commanded": commanded, "seen": made.advance - 6e-6 * rpm * made.delay_us,
        "trigger": "falling" if made.falls else "rising",
        "confirmed": ("clamp_side", "large_error"),
    }  # fmt: skip
    return World(engine, made, mark, max(cycles, 40 if coil else 60), coil), typed


def _chosen(fired: Fired, world: World) -> np.ndarray:
    """Firings whose spark the clamp sees."""
    mine = np.isfinite(fired.spark)
    return mine if world.coil else mine & (fired.cylinder == 0)


def parts(found: measure.Measurement, fired: Fired, world: World) -> dict[str, tuple[bool, str]]:
    """Controller's and module's part, each within its interval."""
    split = found.split
    if split is None or split.controller is None:
        return {"told": (False, "true")}
    mine = _chosen(fired, world)
    wrong = float(fired.asked[mine].mean()) - (found.commanded or 0.0)
    late = 1e6 * float((fired.spark - fired.trigger)[mine].mean())
    return {
        "told": (True, "true"),
        "controller": (abs(split.controller - wrong) <= split.controller.u95, "cover"),
        "module": (abs(split.delay_us - late) <= split.delay_us.u95, "cover"),
    }


def told_apart(
    found: measure.Measurement, fired: Fired, world: World
) -> dict[str, tuple[bool, str]]:
    """20 µs of delay are told from none, and from an angle, at one speed."""
    split = found.split
    if split is None:
        return {"told": (False, "true")}
    return {
        "late": (split.delay_us - split.delay_us.u95 > 0, "often"),
        "not the controller": (abs(split.controller or 9.0) <= (split.angle.u95), "often"),
    }


def on_time(found: measure.Measurement, fired: Fired, world: World) -> dict[str, tuple[bool, str]]:
    """Dwell against what was made, in ms and degrees."""
    dwell = found.split.dwell if found.split else None
    if dwell is None:
        return {"told": (False, "true")}
    ms = 1e3 * float(np.nanmean(fired.trigger - fired.on))
    return {
        "told": (True, "true"),
        "ms": (abs(dwell.ms - ms) <= dwell.ms.u95, "all"),
        "bounce": (
            abs(dwell.bounced - float(np.mean(fired.bounced))) < 0.02, "true",
        ),
    }  # fmt: skip


def flank(found: measure.Measurement, fired: Fired, world: World) -> dict[str, tuple[bool, str]]:
    """The flank that fires is found, or refused; never the other one."""
    wanted = "falling" if world.ignition.falls else "rising"
    split = found.split
    return {
        "right": (split is None or split.flank == wanted, "true"),
        "found": (split is not None, "often"),
    }


def counted(found: measure.Measurement, fired: Fired, world: World) -> dict[str, tuple[bool, str]]:
    """Missing sparks by cause, between the first and the last spark, to a few beside losses."""
    split = found.split
    if split is None:
        return {"told": (False, "true")}
    mine = np.ones(len(fired.asked), bool) if world.coil else fired.cylinder == 0
    seen = np.flatnonzero(mine & (fired.spark >= found.from_s) & (fired.spark <= found.to_s))
    mine[: seen[0]] = mine[seen[-1] :] = False
    silent = int(np.count_nonzero(np.isfinite(fired.trigger) & np.isnan(fired.spark) & mine))
    nobody = int(np.count_nonzero(np.isnan(fired.trigger) & mine))
    return {
        "no spark": (abs(split.counts.no_spark - silent) <= 2, "true"),
        "no trigger": (abs(split.counts.no_trigger - nobody) <= 2, "true"),
        "unasked": (split.counts.unasked <= 1, "true"),
    }


def by_cylinder(
    rng: Rng, rpm: float, cylinders: int | None = None, reference: str = "60-2",
    firing: tuple[float, ...] = (), index: bool = True, **more: Any,
) -> tuple[World, dict[str, Any]]:  # fmt: skip
    """An engine with the clamp on its coil's lead, its firing order typed."""
    n = len(firing) if firing else cylinders or int(rng.choice((2, 3, 4, 5, 6, 8, 10, 12)))
    world, typed = usual(rng, rpm, n, reference, coil=True, **more)
    if firing:
        world = replace(world, engine=replace(world.engine, tdc=firing))
        typed["firing"] = firing
    order = (1, *(1 + rng.permutation(np.arange(1, n))).tolist())
    typed["order"] = tuple(int(k) for k in order)
    if index:
        typed["index"] = "clamp_b"
    return world, typed


def _true_timing(fired: Fired, world: World) -> np.ndarray:
    """Mean timing of each place of the firing order, degrees BTDC."""
    late = 6e-6 * world.engine.rpm * world.ignition.delay_us
    n = len(world.engine.tdc)
    there = np.isfinite(fired.spark)
    return np.array([fired.asked[there & (fired.cylinder == k)].mean() for k in range(n)]) - late


def each_covered(
    found: measure.Measurement, fired: Fired, world: World
) -> dict[str, tuple[bool, str]]:
    """Each cylinder's timing, and its difference from the others, jointly."""
    table = found.cylinders
    if table is None or any(r.timing is None or r.deviation is None for r in table.rows):
        return {"told": (False, "true")}
    true = _true_timing(fired, world)
    n = len(true)
    others = np.array([np.median(np.delete(true, k)) for k in range(n)])
    apart = np.array([r.deviation for r in table.rows]) - (true - others)
    half = np.array([r.deviation.u95 for r in table.rows])
    one = int(fired.cylinder[0]) % n
    return {
        "told": (True, "true"),
        "differences": (bool((np.abs(apart) <= half).all()), "all"),
        "timing": (abs(table.rows[one].timing - true[one]) <= table.rows[one].timing.u95, "all"),
    }


def alike(found: measure.Measurement, fired: Fired, world: World) -> dict[str, tuple[bool, str]]:
    """No cylinder differs, and none is said to."""
    if found.cylinders is None:
        return {"told": (False, "true")}
    said = {what for r in found.cylinders.rows for what in r.differs}
    return {
        "told": (True, "true"), "timing": ("timing" in said, "rare"),
        "misfires": ("misfires" in said, "rare"), "scatter": ("scatter" in said, "rare"),
        "torque": ("torque" in said, "rare"),
    }  # fmt: skip


def the_odd_one(
    found: measure.Measurement, fired: Fired, world: World
) -> dict[str, tuple[bool, str]]:
    """The one that differs is found, by its name, and no other."""
    if found.cylinders is None:
        return {"told": (False, "true")}
    where = {r.after for r in found.cylinders.rows if "timing" in r.differs}
    wanted = world.engine.tdc[int(np.argmax(np.abs(world.ignition.each)))]
    return {"told": (True, "true"), "it and no other": (where == {wanted}, "often")}


def the_bad_lead(
    found: measure.Measurement, fired: Fired, world: World
) -> dict[str, tuple[bool, str]]:
    """The one that misfires is found, and that its triggers came."""
    if found.cylinders is None:
        return {"told": (False, "true")}
    wanted = world.engine.tdc[int(np.argmax(world.ignition.misfire))]
    bad = [r for r in found.cylinders.rows if "misfires" in r.differs]
    return {
        "found": ({r.after for r in bad} == {wanted}, "often"),
        "with its triggers": (
            all((r.no_spark or 0) >= 0.8 * r.missing - 2 for r in bad), "true",
        ),
    }  # fmt: skip


def the_weak_one(
    found: measure.Measurement, fired: Fired, world: World
) -> dict[str, tuple[bool, str]]:
    """The cylinder that gives less is found."""
    if found.cylinders is None or not found.cylinders.torque_kind:
        return {"told": (False, "true")}
    weak = {r.after for r in found.cylinders.rows if "torque" in r.differs}
    wanted = world.engine.tdc[int(np.argmin(world.engine.strength))]
    return {"told": (True, "true"), "found": (weak == {wanted}, "often")}


def _weak(rng: Rng) -> tuple[World, dict[str, Any]]:
    """A four at idle with one cylinder that gives a third to two thirds."""
    world, typed = by_cylinder(rng, 900, 4, cycles=120, swing=float(rng.uniform(0.02, 0.05)))
    at, gives = int(rng.integers(4)), float(rng.uniform(0.3, 0.65))
    strength = tuple(gives if k == at else 1.0 for k in range(4))
    return replace(world, engine=replace(world.engine, strength=strength)), typed


def _one_of(n: int, at: int, value: float) -> tuple[float, ...]:
    return tuple(value if k == at else 0.0 for k in range(n))


def _odd_one(rng: Rng, reference: str, degrees: float) -> tuple[World, dict[str, Any]]:
    """A minute at idle with one cylinder that far off."""
    n = int(rng.choice((4, 6, 8)))
    each = _one_of(n, int(rng.integers(n)), degrees * float(rng.choice((-1, 1))))
    return by_cylinder(
        rng, 800, n, reference, cycles=400, each=each, jitter=0.3, delay_us=30.0,
        misfire=(0.01,) * n,
    )  # fmt: skip


def cylinder_rows() -> list[Row]:
    """Rows of the cylinders."""
    made = [
        Row(
            f"each cylinder, {kind}",
            lambda rng, k=kind: by_cylinder(
                rng, float(rng.uniform(600, 4000)), reference=k, cycles=80,
                jitter=float(rng.uniform(0.1, 0.6)),
            ),
            each_covered,
        )
        for kind in ("60-2", "36-1", "cam 60-2")
    ]  # fmt: skip
    made += [
        Row(
            f"jitter and misfires, {kind}",
            lambda rng, k=kind: by_cylinder(
                rng, float(rng.uniform(600, 4000)), reference=k, cycles=80,
                jitter=float(rng.uniform(0.3, 1.0)), misfire=tuple(rng.uniform(0, 0.1, 12)),
            ),
            each_covered,
        )
        for kind in ("60-2", "36-1", "cam 60-2")
    ]  # fmt: skip
    made += [
        Row(
            f"alike, {kind}",
            lambda rng, k=kind: by_cylinder(
                rng, float(rng.uniform(600, 4000)), reference=k, cycles=80,
                jitter=float(rng.uniform(0.1, 0.6)), misfire=(float(rng.uniform(0, 0.05)),) * 12,
            ),
            alike,
        )
        for kind in ("60-2", "36-1", "cam 60-2")
    ]  # fmt: skip
    made += [
        Row(f"1° off in 60 s, {kind}", lambda rng, k=kind: _odd_one(rng, k, 1.0), the_odd_one)
        for kind in ("60-2", "36-1")
    ]
    made.append(Row("8° off", lambda rng: _odd_one(rng, "60-2", 8.0), the_odd_one))
    made.append(
        Row(
            "a bad lead",
            lambda rng: by_cylinder(
                rng, 1200, 6, cycles=150, misfire=_one_of(6, int(rng.integers(6)), 0.15)
            ),
            the_bad_lead,
        )
    )
    made.append(Row("a weak cylinder", _weak, the_weak_one))
    made += [
        Row(
            f"odd firing, {name}",
            lambda rng, f=firing, i=index: by_cylinder(
                rng, float(rng.uniform(700, 3000)), firing=f, cycles=80, index=i
            ),
            each_covered,
        )
        for name, firing, index in (
            ("V-twin 0-315", (0.0, 315.0), False),
            ("V6 90/150", (0.0, 90.0, 240.0, 330.0, 480.0, 570.0), True),
            ("V4 0-180-256-436", (0.0, 180.0, 256.0, 436.0), False),
        )
    ]
    return made


def rows() -> list[Row]:
    """All rows."""
    made = [
        Row(f"split {kind} {rpm} rpm", lambda rng, k=kind, n=rpm: usual(rng, n, reference=k), parts)
        for kind in ("60-2", "36-1", "cam 60-2")
        for rpm in (180, 800, 3000, 9000)
    ]
    made += [
        Row(
            f"20 µs at {rpm} rpm",
            lambda rng, n=rpm: _right(
                usual(rng, n, delay_us=20.0, advance=12.0, delay_jitter_us=1.0)
            ),
            told_apart,
        )
        for rpm in (800, 3000, 9000)
    ]
    made += [
        Row("dwell, trigger", lambda rng: usual(rng, 1500), on_time),
        Row(
            "dwell, contacts that bounce",
            lambda rng: usual(
                rng, 900, 4, coil=True, falls=False, bounce=float(rng.uniform(0, 0.9)),
                dwell_deg=(float(rng.uniform(70, 120)),) * 4, delay_us=4.0,
            ),
            on_time,
        ),
        Row("flank found, dwell in ms", lambda rng: _auto(usual(rng, 1200)), flank),
        Row(
            "flank found, contacts",
            lambda rng: _auto(
                usual(
                    rng, 900, 4, coil=True, falls=False, bounce=0.3, dwell_deg=(100.0,) * 4,
                    delay_us=4.0,
                )
            ),
            flank,
        ),
        Row(
            "missing by cause",
            lambda rng: usual(
                rng, 1200, 4, misfire=tuple(rng.uniform(0, 0.06, 4)),
                skipped=float(rng.uniform(0, 0.04)), cycles=150,
            ),
            counted,
        ),
        Row("missing by cause, odd firing", _odd_missing, counted),
    ]  # fmt: skip
    return made + cylinder_rows() + starts.rows() + rotors.rows()


def _odd_missing(rng: Rng) -> tuple[World, dict[str, Any]]:
    """Some firings without a spark, some without a trigger as well."""
    firing = ((0.0, 150.0), (0.0, 315.0), (0.0, 540.0), (0.0, 570.0), (0.0, 180.0, 256.0, 436.0))
    which = firing[int(rng.integers(len(firing)))]
    return by_cylinder(
        rng, float(rng.uniform(800, 5000)), firing=which, cycles=150,
        misfire=tuple(rng.uniform(0, 0.06, len(which))), skipped=float(rng.uniform(0, 0.04)),
    )  # fmt: skip


def _right(drawn: tuple[World, dict[str, Any]]) -> tuple[World, dict[str, Any]]:
    """The controller asks as it is told."""
    return drawn[0], {**drawn[1], "commanded": drawn[0].ignition.advance}


def _auto(drawn: tuple[World, dict[str, Any]]) -> tuple[World, dict[str, Any]]:
    return drawn[0], {**drawn[1], "trigger": "auto"}


def score(name: str, runs: int, first: int) -> Score:
    """All runs of a row; by name, since what draws cannot be handed to another process."""
    row = next(r for r in rows() if r.name == name)
    outcomes: dict[str, tuple[int, int, str]] = {}
    for k in range(runs):
        for what, (so, kind) in run(row, first + k).items():
            hits, n, _ = outcomes.get(what, (0, 0, kind))
            outcomes[what] = hits + bool(so), n + 1, kind
    return Score(name, outcomes)


def table(chosen: Iterable[Row], runs: int, seed: int) -> Iterable[Score]:
    """Scores of rows, in order, made on all cores."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for job in [pool.submit(score, r.name, runs, seed * 100_000) for r in chosen]:
            yield job.result()
