"""The rows of the accuracy table: engines, faults, and what a person types about them.

A row draws a world and what is typed from a random generator. Its `kind`:

"as typed"  nothing is wrong: the number must come, and must be right
"fault"     something is wrong, or typed wrong: a right number, or a finding
"blind"     no time stamp can tell: there the caution beside the number is all that helps

Over 500 lines, as it is one table.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from .engine import Engine, even, turn
from .frames import encode
from .pickups import Clamp, Mark, Reluctor, Sparks, clamp_late_us, late_us

Rng = np.random.Generator
# Why an interval may hold the truth more often than 97 in 100, by words of a row's name.
WIDE = {
    "pulse": "a pulse shows neither swing nor a weak cylinder: U bounds what is met",
    "cam within": "as with a pulse",
    "cam 60°": "as with a pulse",
    "cam anywhere": "as with a pulse",
    "weak": "a ripple once a turn may be the wheel's run-out, and is the cylinder's here",
    "dead": "a ripple once a turn may be the wheel's run-out, and is the cylinder's here",
    "learned": "the index tooth may stand off by what was learned, and the angle is its own here",
    "coarse": "run-out and speed that look alike are both allowed for",
    "vr ": "all coils and teeth that are met",
    "1 to 16": "with one or two cylinders a ripple may be the wheel's run-out",
}
ODD_FIRING = {
    "V-twin 45°": ((0.0, 315.0), 720.0),
    "V-twin 90°": ((0.0, 270.0), 720.0),
    "twin 180°": ((0.0, 180.0), 720.0),
    "V6 90/150": ((0.0, 90.0, 240.0, 330.0, 480.0, 570.0), 720.0),
    "V4 76°": ((0.0, 180.0, 256.0, 436.0), 720.0),
}


@dataclass(frozen=True)
class World:
    """All that is really there.

    Attributes:
        after: a second session in the same recording.
        held_us: for so long after a spark the crank's input is deaf; an edge in there comes at its
            end.
    """

    engine: Engine
    mark: Mark
    sparks: Sparks
    clamp: Clamp
    cycles: int = 55
    lost: float = 0.0
    after: "World | None" = None
    held_us: float = 0.0


@dataclass(frozen=True)
class Case:
    """One run: the world, the options typed, and what is true of what is asked.

    Attributes:
        typed: options of `sparkwitness measure`, by their names with underscores.
        learn: the same engine at a higher speed, from which the wheel is learned before.
    """

    world: World
    typed: dict[str, Any]
    learn: World | None = None

    @property
    def truths(self) -> tuple[float, ...]:
        """Degrees BTDC of the first spark.

        Where some events are late as a whole, the mean of all is as true as that of the others.
        """
        sparks = (self.world.after or self.world).sparks
        mean = sparks.advance - sparks.late * sparks.late_deg
        return (sparks.advance, mean) if sparks.late else (sparks.advance,)


@dataclass(frozen=True)
class Row:
    name: str
    kind: str
    draw: Callable[[Rng], Case]
    options: dict[str, Any] = field(default_factory=dict)


def recording(world: World | None, rng: Rng) -> bytes:
    """The bytes of a run."""
    parts, session = [], int(rng.integers(1, 60000))
    while world is not None:
        motion = turn(world.engine, world.cycles, rng)
        mark, falling = world.mark, None
        if mark.reluctor is None:
            crank = mark.edges(motion, rng)
        else:
            crank, down = mark.flanks(motion, rng)
            falling = {"crank": down}
        clamp = world.clamp.edges(world.engine, world.sparks, motion, rng)
        if world.held_us:
            spark = clamp[np.maximum(np.searchsorted(clamp, crank, "right") - 1, 0)]
            held = (crank >= spark) & (crank < spark + world.held_us * 1e-6)
            late = spark + world.held_us * 1e-6 + rng.normal(0, 1e-7, len(crank))
            crank = np.where(held, late, crank)
        edges = {"crank": crank, "clamp_a": clamp}
        parts.append(encode(edges, motion.length, session, world.lost, rng, falling))
        world, session = world.after, session + 1
    return b"".join(parts)


def _error(rng: Rng) -> float:
    """A standard error as a person or a workshop makes it: nobody who says 1° is off by 2.3°.

    Without an end some of the many thousand runs would call what was typed too surely the
    measurement's own mistake.
    """
    return float(np.clip(rng.standard_normal(), -3.0, 3.0))


def mark_of(text: str, angle: float) -> Mark:
    """The wheel that a word names (own reading of 36-1, cam 36-1, 24, pulse, cam)."""
    turns = 2 if text.startswith("cam") else 1
    rest = text.removeprefix("cam").strip() or "pulse"
    if rest == "pulse":
        return Mark(1, 0, turns, angle)
    teeth, _, missing = rest.partition("-")
    return Mark(int(teeth), int(missing or 0), turns, angle)


def usual(
    rng: Rng,
    reference: str = "36-1",
    *,
    cylinders: int | None = None,
    cycle: float = 720.0,
    clamp: str = "plug",
    rpm: tuple[float, float] = (700, 1100),
    within: float | None = None,
    near: tuple[float, float] | None = None,
    error: float = 6.0,
    look: bool = False,
) -> Case:
    """A healthy engine, everything typed as it is.

    Args:
        reference: what is on the engine.
        cylinders: None: 1, 2, 3, 4, 5, 6, 8, 10 or 12.
        clamp: plug, wasted, coil; typed so.
        rpm: range of speeds.
        within: ± degrees typed for the reference angle; None: 0.1 to 1.
        near: range of degrees from the spark to the index edge; None: anywhere.
        error: standard deviation of measured less commanded.
        look: the person has looked with a lamp and typed what it showed.
    """
    n = int(rng.choice((1, 2, 3, 4, 5, 6, 8, 10, 12))) if cylinders is None else cylinders
    speed = float(rng.uniform(*rpm))
    # Torque pulses of fewer cylinders swing more; the square of the speed tames them.
    swing = float(rng.uniform(0.2, 0.7)) * 0.08 * (4 / n) ** 1.2 * (800 / speed) ** 2
    engine = Engine(even(n, cycle), cycle, speed, float(np.clip(swing, 5e-4, 0.25)))
    commanded = float(np.round(rng.uniform(2, 36), 1))
    advance = float(np.clip(commanded + np.clip(rng.normal(0, error), -20, 20), -25, 60))
    whole = 720.0 if reference.startswith("cam") else 360.0
    if near is None:
        angle = float(rng.uniform(-whole / 2, whole / 2))
    else:
        angle = advance + float(rng.uniform(*near)) * float(rng.choice((-1, 1)))
    within = float(rng.choice((0.1, 0.3, 0.5, 1.0))) if within is None else within
    mark = mark_of(reference, angle)
    mark = replace(mark, delay_us=late_us(rng, "hall_optical"))
    delay = clamp_late_us(rng)
    sparks = Sparks(advance, float(rng.uniform(0.05, 0.4)), each="turn" if clamp == "wasted" else
                    "cycle")  # fmt: skip
    held = Clamp(-1 if clamp == "coil" else 0, delay_us=delay)
    events = 70 if clamp == "plug" else 90
    cycles = max(30, events if clamp == "plug" else 45)
    typed = {
        "commanded": commanded,
        "reference": reference,
        "reference_angle": angle + within / 2 * _error(rng),
        "reference_within": within,
        "cylinders": n,
        "strokes": int(cycle / 180),
        "clamp": clamp,
        "setting": 0.0,
        "confirmed": ("clamp_side",),  # turned round once, as the cautions say
    }
    if abs(typed["reference_angle"]) > 360:
        typed["reference_angle"] -= np.copysign(whole, typed["reference_angle"])
    if look:
        typed["seen"] = advance + 0.8 * float(np.clip(rng.standard_normal(), -2.4, 2.4))
    return Case(World(engine, mark, sparks, held, cycles), typed)


def change(case: Case, **parts: dict[str, Any]) -> Case:
    """A case with its world's parts changed: engine={...}, mark={...}, sparks, clamp, world."""
    world = case.world
    for name, values in parts.items():
        if name == "world":
            world = replace(world, **values)
        elif name != "typed":
            world = replace(world, **{name: replace(getattr(world, name), **values)})
    return replace(case, world=world, typed={**case.typed, **parts.get("typed", {})})


def _bursts(rng: Rng) -> dict[str, Any]:
    return {
        "burst": int(rng.integers(2, 7)), "spacing_us": float(rng.uniform(700, 1500)),
        "fall": str(rng.choice(("fixed", "weak", "holes", "chance", "angle"))),
    }  # fmt: skip


def _weak(rng: Rng, case: Case, least: float = 0.0, most: float = 0.6) -> Case:
    n = len(case.world.engine.tdc)
    strength = np.ones(n)
    strength[rng.choice(n, min(n, int(rng.integers(1, 3))), replace=False)] = rng.uniform(
        least, most
    )
    if n == 1:
        strength[:] = 1.0
    return change(case, engine={"strength": tuple(strength)})


def as_typed() -> list[Row]:
    """Nothing is wrong."""

    def row(name: str, draw: Callable[[Rng], Case]) -> Row:
        return Row(name, "as typed", draw)

    fine = ("36-1", "60-2", "36-2", "12-1", "24-1", "cam 36-1", "cam 60-2")
    rows = [row(f"{kind} idle", lambda r, k=kind: usual(r, k)) for kind in fine]
    rows += [
        row("36-1 3000 to 8000 rpm", lambda r: usual(r, rpm=(3000, 8000))),
        row("60-2 1 to 16 cylinders", lambda r: usual(r, "60-2", cylinders=int(r.integers(1, 17)))),
        row("36-1 two-stroke", lambda r: usual(r, cycle=360.0, cylinders=int(r.integers(1, 5)))),
        row("36-1 wasted spark", lambda r: usual(r, clamp="wasted", cylinders=4)),
        row("36-1 coil lead", lambda r: usual(r, clamp="coil", cylinders=int(
            r.choice((2, 4, 6, 8))))),
        row("cam 36-1 coil lead", lambda r: usual(r, "cam 36-1", clamp="coil", cylinders=int(
            r.choice((2, 3, 4, 5, 6, 8))))),
        row("36-1 plug on auto", lambda r: change(usual(r), typed={"clamp": "auto"})),
        row("36-1 cranking", lambda r: _cranking(r, "36-1")),
        row("60-2 cranking, weak cylinders", lambda r: _cranking(r, "60-2", weak=True)),
        row("36-1 weak cylinder", lambda r: _weak(r, usual(r))),
        row("60-2 dead cylinder", lambda r: _weak(r, usual(r, "60-2"), 0.0, 0.05)),
        row("cam 36-1 weak cylinder", lambda r: _weak(r, usual(r, "cam 36-1"))),
        row("36-1 hunting", lambda r: change(usual(r), engine={
            "hunting": r.uniform(0.01, 0.06), "jitter": 0.003})),
        row("36-1 multi-spark", lambda r: change(usual(r), sparks=_bursts(r))),
        row("60-2 multi-spark coil lead", lambda r: change(usual(
            r, "60-2", clamp="coil", cylinders=int(r.choice((2, 4)))), sparks={
            **_bursts(r), "burst": 3})),
        row("36-1 teeth off by 0.05 to 0.2°", lambda r: change(usual(r), mark={
            "tooth_error": r.uniform(0.05, 0.2)})),
        row("36-1 index tooth off", lambda r: change(usual(r, within=0.2), mark={
            "tooth_error": (s := r.uniform(0.03, 0.15)),
            "index_error": s * _error(r)})),
        row("first-spark board, 800 to 9000 rpm", _breadboard),
        *(row(f"vr {kind}, {what}", lambda r, k=kind, w=what: _vr(r, k, w))
          for kind in ("36-1", "60-2", "12-1", "pulse")
          for what in ("coil not known", "ohm typed", "ohm and henry typed")
          if kind == "36-1" or what != "ohm typed"),
        *(row(f"vr {kind} any teeth, looked at", lambda r, k=kind: reluctor(r, k, False))
          for kind in ("12-1", "36-1", "60-2", "pulse")),
        *(row(f"{kind} learned, {state}", lambda r, k=kind, s=state: _learned(r, k, s))
          for kind in ("36-1", "60-2", "cam 36-1") for state in ("healthy", "weak cylinder")),
        row("coarse wheel, teeth off by 0.05 to 0.2°", _coarse),
        row("36-1 eccentric 0.05 to 0.3°", lambda r: change(usual(r, within=0.2), mark={
            "eccentric": r.uniform(0.05, 0.3)})),
        row("60-2 eccentric 3000 rpm", lambda r: change(usual(
            r, "60-2", within=0.1, rpm=(2500, 5000)), mark={"eccentric": r.uniform(0.05, 0.3)})),
        row("36-1 clamp noise", lambda r: change(usual(r), clamp={"strays": r.uniform(0.2, 4)})),
        row("36-1 crank noise", lambda r: change(usual(r), mark={"strays": r.uniform(0.2, 3)})),
        row("60-2 crank noise", lambda r: change(usual(r, "60-2"), mark={
            "strays": r.uniform(0.2, 3)})),
        row("36-1 frames lost", lambda r: change(usual(r), world={
            "lost": r.uniform(0.002, 0.03)})),
        row("36-1 misfires", lambda r: change(usual(r), sparks={"misfire": r.uniform(0.02, 0.3)})),
        row("36-1 most firings without a spark", lambda r: change(
            usual(r), sparks={"misfire": r.uniform(0.5, 0.8)}, world={"cycles": 260})),
        row("36-1 heavy tails", lambda r: change(usual(r), sparks={"heavy": r.uniform(0.02, 0.2)})),
        row("36-1 odd firing, plug", lambda r: _odd(r, "36-1", "plug")),
        row("V6 90/150 cam, coil lead of even V6", lambda r: usual(
            r, "cam 36-1", clamp="coil", cylinders=6)),
        row("24 even teeth, looked", lambda r: usual(r, "24", look=True)),
        row("60 even teeth, looked", lambda r: usual(r, "60", look=True)),
        row("12 even teeth, looked", lambda r: usual(r, "12", look=True)),
    ]  # fmt: skip
    for kind in ("pulse", "cam"):
        rows += [
            row(f"{kind} within 5°", lambda r, k=kind: usual(r, k, near=(0, 5))),
            row(f"{kind} 60° away", lambda r, k=kind: usual(r, k, near=(55, 65))),
            row(f"{kind} anywhere, 3000 rpm", lambda r, k=kind: usual(r, k, rpm=(2500, 6000))),
            row(f"{kind} 60° away, weak cylinder", lambda r, k=kind: _weak(
                r, usual(r, k, near=(55, 65)))),
            row(f"{kind} anywhere, dead cylinder", lambda r, k=kind: _weak(
                r, usual(r, k), 0.0, 0.05)),
        ]  # fmt: skip
    return rows


def _coarse(rng: Rng) -> Case:
    """So few teeth for so many cylinders that the wheel does not show the firings' swing."""
    kinds = {"12-1": (8, 10, 12), "cam 24-1": (8, 10, 12), "cam 36-1": (10, 12), "cam 8": (8,)}
    kind = str(rng.choice(list(kinds)))
    case = usual(
        rng, kind, cylinders=int(rng.choice(kinds[kind])), within=0.2, look=kind == "cam 8"
    )
    off = case.world.mark.turns * rng.uniform(0.05, 0.2)
    return change(case, mark={
        "number": int(rng.integers(1, 1 << 30)), "tooth_error": off,
        "eccentric": rng.choice((0.0, off))})  # fmt: skip


def _learned(rng: Rng, kind: str, state: str) -> Case:
    """A wheel with tooth errors, learned at a higher speed on the same engine."""
    case = usual(rng, kind, within=0.1)
    case = case if state == "healthy" else _weak(rng, case)
    turns = case.world.mark.turns
    case = change(case, mark={
        "number": int(rng.integers(1, 1 << 30)), "tooth_error": turns * rng.uniform(0.03, 0.2),
        "eccentric": rng.choice((0.0, turns * rng.uniform(0.03, 0.2)))})  # fmt: skip
    engine = case.world.engine
    fast = float(rng.uniform(2500, 6000))
    swing = engine.swing * (engine.rpm / fast) ** 2
    return replace(case, learn=replace(
        case.world, engine=replace(engine, rpm=fast, swing=swing), cycles=200))  # fmt: skip


def _breadboard(rng: Rng) -> Case:
    """hardware/first-spark.md."""
    case = usual(rng, str(rng.choice(("36-1", "60-2", "12-1"))), rpm=(800, 9000), within=0.1)
    sensor = str(rng.choice(("first_spark", "first_spark_hall", "first_spark_logic")))
    logic = sensor.endswith("logic") or (sensor == "first_spark" and rng.random() < 0.5)
    late = late_us(rng, "first_spark_logic" if logic else "first_spark_hall", "falling")
    return change(
        case,
        mark={"delay_us": late},
        clamp={"delay_us": late_us(rng, "first_spark_clamp")},
        typed={"sensor": sensor, "falling": ("crank",)},
    )


_VR_REST = {150: (140.9, 200.0), 200: (66.3, 109.7), 300: (12.5, 47.7), 500: (-9.6, 17.1),
            1000: (-5.0, 7.5), 2000: (2.8, 2.0), 5000: (5.7, 2.1), 9000: (6.9, 2.3)}  # fmt: skip


def _vr(rng: Rng, kind: str, what: str) -> Case:
    """A variable-reluctance sensor of 0.05 to 2 H, from cranking to 9000 rpm.

    The coil's lag is that of an R-L low pass at the frequency of the teeth; what the comparator
    adds is the simulation's of the circuit (hardware/delays.json, vr, model, rest, 36 teeth).
    """
    speed = float(np.exp(rng.uniform(np.log(155), np.log(8900))))
    near = (0.0, 5.0) if kind == "pulse" else None
    case = usual(rng, kind, rpm=(speed, speed), within=0.1, near=near)
    case = change(case, engine={"swing": min(case.world.engine.swing, _most_swing(case))})
    teeth = case.world.mark.teeth
    henry = float(np.exp(rng.uniform(np.log(0.05), np.log(2.0))))
    ohm = henry / (1e-3 * float(rng.uniform(0.1, 1.1)))
    late_s = henry / (22e3 + ohm)
    pace = 2 * np.pi * teeth * speed / 60
    alike = speed * np.sqrt(teeth / 36)
    rest, u = (
        float(np.interp(np.log(alike), np.log(list(_VR_REST)), [v[k] for v in _VR_REST.values()]))
        for k in (0, 1)
    )
    if alike < 150:
        u *= (150 / alike) ** 2
    delay = (
        1e6 * np.arctan(pace * late_s) / pace + rest + u * np.clip(rng.standard_normal(), -2.5, 2.5)
    )
    typed: dict[str, Any] = {
        "sensor": "vr", "falling": ("crank",), "confirmed": ("clamp_side", "vr_wires"),
    }  # fmt: skip
    if what != "coil not known":
        typed["sensor_ohm"] = ohm
    if what == "ohm and henry typed":
        typed["sensor_henry"] = float(np.clip(henry * rng.normal(1, 0.04), 0.05, 2.0))
    return change(case, mark={"delay_us": float(delay)}, typed=typed)


def _most_swing(case: Case) -> float:
    """What cranking swings at the most."""
    return 0.2 * 4 / max(len(case.world.engine.tdc), 4)


def reluctor(rng: Rng, kind: str, swapped: bool, rpm: tuple[float, float] = (155, 8900)) -> Case:
    """A variable-reluctance sensor that shows both flanks, teeth from narrow to wide.

    Somebody looked which way round it is, unless it is `swapped`. The comparator lets go some mV
    beside zero, either way.
    """
    speed = float(np.exp(rng.uniform(*np.log(rpm))))
    case = usual(rng, kind, rpm=(speed, speed), near=(0.0, 5.0) if kind == "pulse" else None)
    henry = float(np.exp(rng.uniform(np.log(0.05), np.log(2.0))))
    tau = henry / (22e3 + henry / (1e-3 * float(rng.uniform(0.1, 1.1))))
    mark = case.world.mark
    width = rng.uniform(0.01, 0.04) if mark.teeth == 1 else rng.uniform(0.05, 0.34)
    sensor = Reluctor(
        float(width), speed * float(np.exp(rng.uniform(np.log(0.003), np.log(0.011)))),
        tau * mark.teeth * speed / 60, float(rng.normal(-0.01, 0.02)), swapped=swapped,
    )  # fmt: skip
    swing = min(case.world.engine.swing, _most_swing(case))
    return change(
        case,
        engine={"swing": swing},
        mark={"reluctor": sensor, "delay_us": 0.0},
        typed={
            "sensor": "vr",
            "falling": ("crank",),
            "confirmed": () if swapped else ("vr_wires",),
        },
    )


def _cranking(rng: Rng, kind: str, weak: bool = False) -> Case:
    """Compression alone swings the speed, and the spark does not fire the engine yet."""
    case = usual(rng, kind, rpm=(150, 280), cylinders=int(rng.choice((3, 4, 6, 8))))
    n = len(case.world.engine.tdc)
    swing = float(rng.uniform(0.06, 0.2)) * 4 / max(n, 4)
    case = change(case, engine={"swing": swing, "strength": (0.0,) * n, "jitter": 0.004})
    if weak:
        strength = np.zeros(n)
        strength[int(rng.integers(n))] = rng.uniform(0.3, 1.0)  # one that fires now and then
        case = change(case, engine={"strength": tuple(strength), "uneven": 0.3})
    return case


def _odd(rng: Rng, kind: str, clamp: str) -> Case:
    tdc, cycle = ODD_FIRING[str(rng.choice(list(ODD_FIRING)))]
    case = usual(rng, kind, cylinders=len(tdc), clamp=clamp)
    return change(case, engine={"tdc": tdc, "cycle": cycle})


def _typed_as(rng: Rng, real: str, said: str, **more: Any) -> Case:
    """A reference typed as another one."""
    typed = more.pop("typed", {})
    case = usual(rng, real, **more)
    angle = case.typed["reference_angle"]
    return change(case, typed={"reference": said, "reference_angle": angle, **typed})


def faults() -> list[Row]:
    """Something is wrong, or typed wrong."""

    def row(name: str, draw: Callable[[Rng], Case]) -> Row:
        return Row(name, "fault", draw)

    auto = {"typed": {"clamp": "auto"}}
    rows = [
        row(f"{kind} even teeth, not looked", lambda r, k=kind: _pitch_off(r, k))
        for kind in ("12", "24", "36", "60", "cam 8")
    ]
    for said, real in (
        ("36-1", "cam 36-1"), ("cam 36-1", "36-1"), ("60-2", "cam 60-2"), ("pulse", "cam"),
        ("cam", "pulse"), ("4", "cam 4"), ("cam 4", "4"),
    ):  # fmt: skip
        for clamp in ("plug", "wasted", "coil"):
            rows.append(row(f"{real} typed as {said}, auto, {clamp}", lambda r, a=real, b=said,
                            c=clamp: _typed_as(r, a, b, clamp=c, **auto)))  # fmt: skip
        rows.append(row(f"{real} typed as {said}, plug", lambda r, a=real, b=said:
                        _typed_as(r, a, b)))  # fmt: skip
        if "-" in said:
            rows.append(row(f"{real} typed as {said}, coil", lambda r, a=real, b=said:
                            _typed_as(r, a, b, clamp="coil")))  # fmt: skip
    for real, said in (("36-1", "36-2"), ("60-2", "60-1"), ("36-1", "35-1"), ("36-2", "36-1"),
                       ("24", "12"), ("12", "24"), ("60", "36"), ("36-1", "36")):  # fmt: skip
        rows.append(row(f"{real} typed as {said}", lambda r, a=real, b=said: _typed_as(r, a, b)))
    rows += [
        row("36 even teeth typed 35 or 37, looked", lambda r: _typed_as(
            r, "36", str(r.choice((35, 37))), look=True)),
        row("60 even teeth typed 59 or 61, looked, coil", lambda r: _typed_as(
            r, "60", str(r.choice((59, 61))), look=True, clamp="coil",
            cylinders=int(r.choice((4, 6, 8))))),
        row("wrong number of cylinders, coil", lambda r: _miscounted(r, "coil")),
        row("wrong number of cylinders, plug", lambda r: _miscounted(r, "plug")),
        row("wrong number of cylinders, auto", lambda r: _miscounted(r, "auto")),
        row("strokes typed wrong", lambda r: _strokes(r)),
        row("wasted typed plug", lambda r: change(usual(r, clamp="wasted"), typed={
            "clamp": "plug"})),
        row("plug typed wasted", lambda r: change(usual(r), typed={"clamp": "wasted"})),
        row("coil typed plug", lambda r: change(usual(r, clamp="coil", cylinders=4), typed={
            "clamp": "plug"})),
        row("plug typed coil", lambda r: change(usual(r, cylinders=4), typed={"clamp": "coil"})),
        row("36-1 odd firing, coil lead", lambda r: _odd(r, "36-1", "coil")),
        row("cam 36-1 odd firing, coil lead", lambda r: _odd(r, "cam 36-1", "coil")),
        row("36-1 odd firing, coil, auto", lambda r: change(_odd(r, "36-1", "coil"), **auto)),
        row("36-1 odd number on auto, coil", lambda r: change(usual(
            r, clamp="coil", cylinders=int(r.choice((3, 5, 7, 9, 11, 13, 14, 15)))), **auto)),
    ]  # fmt: skip
    for low, high in ((0.02, 0.1), (0.1, 0.2), (0.2, 0.4), (0.4, 0.7)):
        rows.append(row(f"first sparks missed in {100 * low:.0f} to {100 * high:.0f} %",
                        lambda r, a=low, b=high: change(usual(r), sparks={
                            **_bursts(r), "burst": int(r.integers(3, 7)),
                            "first_missed": r.uniform(a, b)})))  # fmt: skip
    rows.append(row("first sparks missed, 2000 to 4000 rpm", lambda r: change(
        usual(r, rpm=(2000, 4000)), sparks={**_bursts(r), "burst": 3,
                                            "first_missed": r.uniform(0.1, 0.5)})))  # fmt: skip
    for low, high in ((0.02, 0.1), (0.1, 0.4), (0.45, 0.6), (0.6, 1.0)):
        rows.append(row(f"another lead induces in {100 * low:.0f} to {100 * high:.0f} %",
                        lambda r, a=low, b=high: _induced(r, r.uniform(a, b))))  # fmt: skip
    rows += [
        row("pulse held back by the spark", lambda r: _held(r)),
        row("two leads induce", lambda r: change(usual(r, cylinders=8), clamp={
            "others": ((1, r.uniform(0.2, 0.9)), (int(r.integers(2, 7)), r.uniform(0.2, 0.9)))})),
        *(row(f"coil heard switching on, {clamp}", lambda r, c=clamp: change(
            usual(r, clamp=c, cylinders=4), clamp={
                "coil_on": (r.choice((1.0, r.uniform(0.3, 1))), r.uniform(2, 6))}))
          for clamp in ("plug", "coil", "wasted")),
        row("something heard 0.4 to 1.7 ms before each spark", lambda r: change(
            usual(r), clamp={"coil_on": (r.uniform(0.9, 1.0), r.uniform(0.4, 1.7))})),
        row("spark heard to end", lambda r: change(usual(r), clamp={
            "ends": (r.uniform(0.3, 1), r.uniform(0.8, 2.5))})),
        row("some events late as a whole", lambda r: change(usual(r), sparks={
            "late": r.uniform(0.05, 0.5), "late_deg": r.uniform(2, 10)})),
        row("wrong lead, next cylinder", lambda r: _wrong_lead(r, 1)),
        row("wrong lead, any other", lambda r: _wrong_lead(r, 2)),
        row("36-1 sensor reversed, last", lambda r: change(usual(r), mark={
            "flip": "last", "odd": r.uniform(0.1, 0.25)})),
        row("36-1 sensor reversed, first", lambda r: change(usual(r), mark={
            "flip": "first", "odd": r.uniform(0.09, 0.25)})),
        row("60-2 sensor reversed", lambda r: change(usual(r, "60-2"), mark={
            "flip": str(r.choice(("first", "last"))), "odd": r.uniform(0.1, 0.25)})),
        *(row(f"{kind} sensor reversed", lambda r, k=kind: change(usual(
            r, k, cylinders=int(r.choice((2, 3, 4, 6, 8, 12)))), mark={
                "flip": str(r.choice(("first", "last"))), "odd": r.uniform(0.08, 0.25)}))
          for kind in ("12-1", "36-2", "cam 36-1")),
        row("36-1 sensor reversed, 3000 rpm", lambda r: change(usual(r, rpm=(2500, 5000)), mark={
            "flip": str(r.choice(("first", "last"))), "odd": r.uniform(0.1, 0.25)})),
        *(row(f"vr {kind} swapped, {low} to {high} rpm", lambda r, k=kind, a=low, b=high: reluctor(
            r, k, True, (a, b)))
          for kind in ("12-1", "36-1", "60-2", "pulse")
          for low, high in ((155, 1150), (1250, 8900))),
        row("two sessions", lambda r: _two(r)),
        row("36-1 teeth unseen now and then", lambda r: change(usual(r), mark={
            "dropped": r.uniform(2e-4, 5e-3)})),
        row("36-1 heavy crank noise", lambda r: change(usual(r), mark={
            "strays": r.uniform(10, 100)})),
        row("36-1 heavy clamp noise", lambda r: change(usual(r), clamp={
            "strays": r.uniform(10, 100)})),
        row("reference angle typed far off", lambda r: change(c := usual(r), typed={
            "reference_angle": (c.typed["reference_angle"] + r.uniform(50, 310) + 180) % 360 - 180
        })),
        row("scatter of a worn distributor", lambda r: change(usual(r), sparks={
            "jitter": r.uniform(2, 5)})),
    ]  # fmt: skip
    return rows


def blind() -> list[Row]:
    """What no time stamp can tell."""

    def row(name: str, draw: Callable[[Rng], Case]) -> Row:
        return Row(name, "blind", draw)

    return [
        row(f"clamp reversed, {low} to {high} rpm", lambda r, a=low, b=high: change(
            usual(r, rpm=(a, b)), clamp={"reversed": True, "ring_us": r.uniform(60, 130),
                                         "decay": r.uniform(0.35, 0.75)},
            typed={"confirmed": ()}))
        for low, high in ((700, 1100), (2500, 4000), (5000, 8000))
    ] + [
        row("12-1 sensor reversed, one cylinder", lambda r: change(
            usual(r, "12-1", cylinders=1), mark={
                "flip": str(r.choice(("first", "last"))), "odd": r.uniform(0.08, 0.25)})),
        row("two magnets typed pulse, wasted typed plug", lambda r: change(
            _typed_as(r, "2", "pulse", clamp="wasted"), typed={
                "clamp": str(r.choice(("auto", "plug")))})),
        row("reference angle off by 2 to 10°", lambda r: change(c := usual(r), typed={
            "reference_angle": c.typed["reference_angle"] + r.uniform(2, 10) * r.choice((-1, 1))
        })),
    ]  # fmt: skip


def wide(name: str) -> str:
    """The reason of a row, or nothing."""
    return next((why for words, why in WIDE.items() if words in name), "")


def rows() -> list[Row]:
    """All rows."""
    return as_typed() + faults() + blind()


def _pitch_off(rng: Rng, kind: str) -> Case:
    """Even teeth: the spark is anywhere within some pitches of the commanded place."""
    return usual(rng, kind, error=8.0)


def _miscounted(rng: Rng, clamp: str) -> Case:
    case = usual(rng, clamp="plug" if clamp == "auto" else clamp, cylinders=int(
        rng.choice((2, 3, 4, 6, 8))))  # fmt: skip
    others = [n for n in (1, 2, 3, 4, 5, 6, 8, 12) if n != case.typed["cylinders"]]
    return change(case, typed={"cylinders": int(rng.choice(others)), "clamp": clamp})


def _strokes(rng: Rng) -> Case:
    cycle = float(rng.choice((360.0, 720.0)))
    case = usual(rng, cycle=cycle, cylinders=int(rng.integers(1, 5)))
    return change(case, typed={"strokes": 2 if cycle == 720 else 4})


def _induced(rng: Rng, share: float) -> Case:
    case = usual(rng, cylinders=int(rng.choice((4, 6, 8))))
    other = int(rng.integers(1, len(case.world.engine.tdc)))
    return change(case, clamp={"others": ((other, share),)})


def _wrong_lead(rng: Rng, most: int) -> Case:
    case = usual(rng, cylinders=int(rng.choice((3, 4, 5, 6, 8, 10, 12, 16))))
    n = len(case.world.engine.tdc)
    on = int(rng.choice((1, n - 1))) if most == 1 else int(rng.integers(1, n))
    return change(case, clamp={"on": on})


def _held(rng: Rng) -> Case:
    case = usual(rng, str(rng.choice(("pulse", "cam"))), rpm=(700, 5000), near=(0, 0))
    after = float(rng.uniform(0, 4))
    return change(
        case,
        mark={"angle": case.world.mark.angle - after},
        typed={"reference_angle": case.typed["reference_angle"] - after},
        world={"held_us": float(rng.uniform(50, 400))},
    )


def _two(rng: Rng) -> Case:
    case = usual(rng)
    moved = replace(case.world.sparks, advance=case.world.sparks.advance + rng.uniform(2, 12))
    return change(case, world={"after": replace(case.world, sparks=moved)})
