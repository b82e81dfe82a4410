"""Scenarios: what the simulated world is like, read from TOML and checked key by key.

A scenario has two sides. `[setup]` holds what a user standing at the engine would type; programs
may read it. `[truth.*]` holds what the world really is; nothing that measures may read it.
"""

import dataclasses
import difflib
import itertools
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from sparkwitness.errors import UserError, small_text

_FOLDER = Path(__file__).resolve().parent / "scenarios"
_T = TypeVar("_T")

REFERENCE = re.compile(r"(cam-)?(pulse|[1-9]\d{0,2}|[1-9]\d{0,2}-[1-9])")
"""How `[setup] reference` is written: pulse, cam-pulse, 24, 36-1, 60-2, cam-4 …"""


def _number(default: float, low: float, high: float, doc: str) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "doc": doc})


def _whole(default: int, low: int, high: int, doc: str) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "doc": doc})


def _choice(default: str, choices: tuple[str, ...], doc: str) -> Any:
    return field(default=default, metadata={"choices": choices, "doc": doc})


def _flag(default: bool, doc: str) -> Any:
    return field(default=default, metadata={"doc": doc})


def _text(default: str, doc: str) -> Any:
    return field(default=default, metadata={"doc": doc})


def _pairs(low: tuple[float, float], high: tuple[float, float], doc: str) -> Any:
    return field(default=(), metadata={"pair_low": low, "pair_high": high, "doc": doc})


def _numbers(low: float, high: float, doc: str, ascending: bool = True) -> Any:
    rule = {"each_low": low, "each_high": high, "ascending": ascending, "doc": doc}
    return field(default=(), metadata=rule)


@dataclass(frozen=True)
class Setup:
    """What a user would type. Angles in crank degrees BTDC, advance positive."""

    commanded: float = _number(10.0, -60.0, 90.0, "commanded angle, degrees BTDC")
    reference: str = _text("pulse", "reference kind: pulse, cam-pulse, 24, 36-1, 60-2")
    reference_angle: float = _number(60.0, -720.0, 720.0, "degrees BTDC of the reference edge")
    reference_within: float = _number(0.5, 0.0, 30.0, "how well that is known, ± degrees, k = 2")
    cylinders: int = _whole(4, 1, 16, "number of cylinders")
    strokes: int = _whole(4, 2, 4, "strokes per cycle, 2 or 4")
    setting: float = _number(0.0, -720.0, 720.0, "present reference-offset setting")
    counts: str = _choice("crank", ("crank", "distributor"), "what the setting counts")
    sign: int = _whole(1, -1, 1, "1: a larger setting advances; -1: it retards")
    step: float = _number(1.0, 0.001, 90.0, "step of the setting")
    setting_min: float = _number(-30.0, -720.0, 720.0, "smallest setting")
    setting_max: float = _number(30.0, -720.0, 720.0, "largest setting")
    clamp: str = _choice("plug", ("plug", "coil"), "lead that clamp A sits on")
    layout: str = _choice(
        "distributor", ("distributor", "wasted", "coil-on-plug"), "how sparks reach the plugs"
    )
    trigger_edge: str = _choice("rising", ("rising", "falling"), "edge that fires the module")
    width_us: float = _number(1000.0, 1.0, 100000.0, "bench: dwell or trigger pulse width, us")
    tap: str = _choice(
        "none",
        ("none", "auto", "rising", "falling"),
        "trigger tap: not there, or which flank fires",
    )
    order: str = _text("", "firing order such as 1-3-4-2; empty: not typed")
    index: str = _choice("none", ("none", "clamp_b"), "second clamp, on cylinder 1's lead")


@dataclass(frozen=True)
class EngineSpec:
    """Slider-crank engine with gas torque on a flywheel."""

    cylinders: int = _whole(4, 1, 16, "number of cylinders")
    strokes: int = _whole(4, 2, 4, "strokes per cycle, 2 or 4")
    firing_deg: tuple[float, ...] = _numbers(
        0.0, 689.0, "firing TDCs in crank degrees from cylinder 1's; empty: evenly spread"
    )
    bore_mm: float = _number(86.0, 20.0, 300.0, "bore")
    stroke_mm: float = _number(86.0, 20.0, 300.0, "stroke")
    rod_mm: float = _number(143.0, 25.0, 700.0, "rod length between centres")
    compression: float = _number(9.5, 4.0, 20.0, "compression ratio")
    reciprocating_kg: float = _number(0.55, 0.0, 10.0, "reciprocating mass per cylinder")
    manifold_bar: float = _number(0.4, 0.1, 3.0, "absolute pressure at the start of compression")
    imep_bar: float = _number(2.0, 0.0, 30.0, "mean effective pressure that combustion adds")
    combustion: bool = _flag(True, "false: motored, as while cranking without a start")
    swing_percent: float = _number(
        4.0, 0.0, 40.0, "peak-to-peak speed swing in a cycle at swing_rpm; 16 is plus and minus 8"
    )
    swing_rpm: float = _number(800.0, 30.0, 20000.0, "speed at which swing_percent holds")
    variation: float = _number(
        0.05, 0.0, 0.5, "standard deviation of combustion work from cycle to cycle, relative"
    )
    governor: float = _number(0.3, 0.01, 1.0, "share of a speed error taken back per cycle")


@dataclass(frozen=True)
class SpeedSpec:
    """Speed program: straight lines through (second, rpm); the last speed is held."""

    program: tuple[tuple[float, float], ...] = _pairs(
        (0.0, 0.0), (1e6, 20000.0), "points (second, rpm)"
    )
    repeat: bool = _flag(False, "true: the program starts again at its end")
    rock_back_deg: float = _number(15.0, 0.0, 90.0, "how far a stalled engine swings back")


@dataclass(frozen=True)
class ReferenceSpec:
    """Reference wheel and its sensor. Tooth 0 is the first after the gap, or the only pulse."""

    shaft: str = _choice("crank", ("crank", "cam"), "shaft the wheel sits on")
    teeth: int = _whole(1, 1, 360, "tooth places, those in the gap counted")
    missing: int = _whole(0, 0, 9, "teeth left out")
    angle_btdc: float = _number(60.0, -720.0, 720.0, "degrees BTDC at the edge of tooth 0")
    tooth_error_deg: float = _number(
        0.0, 0.0, 2.0, "standard deviation of tooth positions against tooth 0"
    )
    jitter_us: float = _number(0.2, 0.0, 100.0, "standard deviation of each edge's time")
    delay_us: float = _number(0.0, 0.0, 1000.0, "delay of sensor and conditioner")
    width_deg: float = _number(0.0, 0.0, 180.0, "tooth width, shaft degrees; 0: half a pitch")
    missing_share: float = _number(0.0, 0.0, 1.0, "share of edges that do not come")
    strays_per_s: float = _number(0.0, 0.0, 10000.0, "noise edges a second")
    present: bool = _flag(True, "false: no edge ever comes from the sensor")


@dataclass(frozen=True)
class ControllerSpec:
    """Ignition controller. True static timing = commanded + gain * (setting - right_setting)."""

    commanded: float = _number(10.0, -60.0, 90.0, "locked angle, degrees BTDC")
    curve: tuple[tuple[float, float], ...] = _pairs(
        (0.0, -60.0), (20000.0, 90.0), "points (rpm, degrees BTDC) in place of the locked angle"
    )
    setting: float = _number(0.0, -720.0, 720.0, "setting at the start")
    right_setting: float = _number(0.0, -720.0, 720.0, "setting with which timing is right")
    counts: str = _choice("crank", ("crank", "distributor"), "what the setting counts")
    sign: int = _whole(1, -1, 1, "1: a larger setting advances; -1: it retards")
    step: float = _number(1.0, 0.001, 90.0, "step of the setting")
    setting_min: float = _number(-30.0, -720.0, 720.0, "smallest setting")
    setting_max: float = _number(30.0, -720.0, 720.0, "largest setting")
    delay_ms: float = _number(0.0, 0.0, 5.0, "delay t_d between the due angle and the trigger")
    cylinder_deg: tuple[float, ...] = _numbers(
        -10.0, 10.0, "advance of each cylinder against their mean; empty: none", ascending=False
    )
    jitter_deg: float = _number(0.0, 0.0, 2.0, "standard deviation of the angle, shot to shot")
    dwell_ms: float = _number(3.0, 0.05, 50.0, "active part of the trigger pulse")


@dataclass(frozen=True)
class ModuleSpec:
    """Ignition module: what it makes of its trigger."""

    kind: str = _choice("inductive", ("inductive", "capacitive", "dead", "jumper"), "principle")
    fires_on: str = _choice("falling", ("rising", "falling"), "trigger edge that makes the spark")
    delay_us: float = _number(10.0, 0.0, 5000.0, "trigger to first spark")
    delay_us_per_krpm: float = _number(0.0, -100.0, 100.0, "change of the delay per 1000 rpm")
    delay_us_hot: float = _number(0.0, -1000.0, 1000.0, "change of the delay when fully hot")
    jitter_us: float = _number(0.5, 0.0, 1000.0, "standard deviation of the delay")
    spacing_ms: float = _number(0.8, 0.05, 20.0, "capacitive: time between sparks of one event")
    spacing_jitter_us: float = _number(2.0, 0.0, 500.0, "capacitive: spread of that time")
    window_deg: float = _number(
        24.0, 0.0, 180.0, "capacitive: crank degrees in which sparks repeat"
    )
    most_sparks: int = _whole(60, 1, 200, "capacitive: most sparks of one event")
    single_above_rpm: float = _number(
        0.0, 0.0, 20000.0, "capacitive: goes to one spark above this; 0: only the window decides"
    )
    multi_below_rpm: float = _number(
        0.0, 0.0, 20000.0, "capacitive: goes back to many below this (hysteresis)"
    )
    misfire_share: float = _number(0.0, 0.0, 1.0, "share of triggers without a spark")
    misfire_per_krpm: float = _number(0.0, 0.0, 1.0, "added to it per 1000 rpm")
    misfire_hot: float = _number(0.0, 0.0, 1.0, "added to it when fully hot")
    heat_seconds: float = _number(120.0, 0.1, 100000.0, "time constant of warming up")
    hot_rpm: float = _number(6000.0, 100.0, 20000.0, "speed that makes it fully hot in the end")
    double_share: float = _number(0.0, 0.0, 1.0, "share of events with a second event after them")
    limit_rpm: float = _number(0.0, 0.0, 20000.0, "rev limit: no spark above; 0: none")


@dataclass(frozen=True)
class PickupSpec:
    """Clamps and their conditioner."""

    clamp_a: str = _choice("plug", ("plug", "coil", "none"), "lead of clamp A")
    clamp_b: str = _choice("none", ("plug", "coil", "none"), "lead of clamp B")
    cylinder_a: int = _whole(1, 1, 16, "cylinder, in firing order, of clamp A's plug lead")
    cylinder_b: int = _whole(2, 1, 16, "cylinder, in firing order, of clamp B's plug lead")
    layout: str = _choice(
        "distributor", ("distributor", "wasted", "coil-on-plug"), "how sparks reach the plugs"
    )
    delay_us: float = _number(0.0, 0.0, 1000.0, "spark to edge")
    jitter_us: float = _number(0.1, 0.0, 100.0, "standard deviation of that")
    pulse_us: float = _number(5.0, 0.1, 1000.0, "length of the conditioner's pulse")
    ring_share: float = _number(0.0, 0.0, 1.0, "share of sparks with ringing edges after them")
    ring_edges: int = _whole(3, 1, 8, "most ringing edges of one spark")
    ring_us: float = _number(60.0, 1.0, 900.0, "ringing edges come within this")
    crossfire_share: float = _number(
        0.0, 0.0, 1.0, "share of other cylinders' events that a plug clamp sees too"
    )
    stray_share: float = _number(
        0.0, 0.0, 1.0, "noise edges at any angle, per event that the clamp should see"
    )
    miss_share: float = _number(0.0, 0.0, 1.0, "share of sparks that the clamp does not see")


@dataclass(frozen=True)
class SupplySpec:
    """Engine supply voltage."""

    rest_mv: float = _number(12600.0, 0.0, 30000.0, "engine standing")
    cranking_mv: float = _number(10400.0, 0.0, 30000.0, "mean while cranking")
    running_mv: float = _number(14100.0, 0.0, 30000.0, "engine running")
    ripple_mv: float = _number(500.0, 0.0, 5000.0, "fall at each compression while cranking")
    inrush_mv: float = _number(1500.0, 0.0, 15000.0, "further fall as the starter engages")
    running_rpm: float = _number(400.0, 0.0, 5000.0, "below this the starter does the turning")
    noise_mv: float = _number(15.0, 0.0, 1000.0, "standard deviation of a reading")


@dataclass(frozen=True)
class TruthSpec:
    """What the world really is."""

    engine: EngineSpec = EngineSpec()
    speed: SpeedSpec = SpeedSpec()
    reference: ReferenceSpec = ReferenceSpec()
    controller: ControllerSpec = ControllerSpec()
    module: ModuleSpec = ModuleSpec()
    pickup: PickupSpec = PickupSpec()
    supply: SupplySpec = SupplySpec()


@dataclass(frozen=True)
class Scenario:
    """One world. kind "engine": a running engine; "bench": a module that the board drives."""

    name: str = _text("", "name, from the file's name")
    title: str = _text("", "one line for a list")
    about: str = _text("", "what to learn from it")
    kind: str = _choice("engine", ("engine", "bench"), "engine or bench")
    play: str = _choice(
        "measure", ("measure", "curve", "findfault"), "engine: command that a demo shows"
    )
    seconds: float = _number(0.0, 0.0, 1e6, "after this the engine is off for good; 0: never")
    setup: Setup = Setup()
    truth: TruthSpec = TruthSpec()


def names(kind: str | None = None) -> list[str]:
    """Names of the scenarios that come with the package, sorted; all, or of one kind."""
    found = sorted(path.stem for path in _FOLDER.glob("*.toml"))
    return found if kind is None else [name for name in found if load(name).kind == kind]


def load(name_or_path: str | Path) -> Scenario:
    """Scenario by its name, or from a TOML file.

    Raises:
        UserError: no such scenario, not readable, not TOML, or a bad value in it.
    """
    text = str(name_or_path)
    path = _FOLDER / f"{text}.toml"
    if not re.fullmatch(r"[A-Za-z0-9_-]+", text) or not path.is_file():
        path = Path(name_or_path)
        if not path.suffix and not path.is_file():
            near = difflib.get_close_matches(text, names(), 1)
            hint = f"did you mean {near[0]}?" if near else f"choose one of {', '.join(names())}."
            raise UserError(f"There is no scenario called {text!r}; {hint}")
    try:
        table = tomllib.loads(small_text(path))
    except (OSError, ValueError, RecursionError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error).splitlines()[0]
        raise UserError(f"The scenario file {path} cannot be read as TOML: {reason}.") from None
    return from_dict(table, path.stem)


def from_dict(table: Mapping[str, Any], name: str = "scenario") -> Scenario:
    """Scenario from nested dictionaries as TOML gives them.

    Raises:
        UserError: one sentence that names the key, what it is and what it should be.
    """
    table = {"name": name, **table}
    built = _build(Scenario, table, name, "")
    _check_together(built, name)
    return built


def vary(scenario: Scenario, changes: Mapping[str, Any]) -> Scenario:
    """Copy with some values changed, checked anew.

    Args:
        changes: dotted key to value, such as {"truth.engine.swing_percent": 8.0}.
    Raises:
        UserError: unknown key or bad value.
    """
    table = dataclasses.asdict(scenario)
    for key, value in changes.items():
        place: Any = table
        *folders, last = key.split(".")
        for folder in folders:
            place = place.get(folder) if isinstance(place, dict) else None
        if not isinstance(place, dict) or last not in place:
            raise UserError(f"Scenario {scenario.name}: there is no key {key}.")
        place[last] = value
    return from_dict(table, scenario.name)


def _build(cls: type[_T], table: Any, name: str, where: str) -> _T:
    if not isinstance(table, Mapping):
        raise UserError(
            f"Scenario {name}: {where.rstrip('.')} must be a table, not {_show(table)}."
        )
    fields = {one.name: one for one in dataclasses.fields(cls)}  # type: ignore[arg-type]
    for key in table:
        if key not in fields:
            near = difflib.get_close_matches(str(key), fields, 1)
            hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(fields)}."
            raise UserError(f"Scenario {name}: there is no key {where}{_show(key)}; {hint}")
    values = {}
    for key, value in table.items():
        default = fields[key].default
        if dataclasses.is_dataclass(default):
            values[key] = _build(type(default), value, name, f"{where}{key}.")
        else:
            values[key] = _checked(fields[key], value, f"Scenario {name}: {where}{key}")
    return cls(**values)


def _show(value: Any) -> str:
    try:
        text = " ".join(repr(value).split())
    except ValueError:  # Python does not print a whole number of more than 4300 digits
        text = "a number of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."


def _is_number(value: Any) -> bool:
    # Not math.isfinite, which fails on a whole number that no float can hold.
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


def _checked(one: "dataclasses.Field[Any]", value: Any, where: str) -> Any:
    rule, doc = one.metadata, one.metadata["doc"]
    if "choices" in rule:
        if value not in rule["choices"] or not isinstance(value, str):
            choices = " or ".join(f'"{choice}"' for choice in rule["choices"])
            raise UserError(f"{where} ({doc}) must be {choices}, not {_show(value)}.")
        return value
    if "low" in rule:
        low, high = rule["low"], rule["high"]
        whole = isinstance(one.default, int)
        good = _is_number(value) and low <= value <= high
        if not good or (whole and not isinstance(value, int)):
            kind = "a whole number" if whole else "a number"
            raise UserError(
                f"{where} ({doc}) must be {kind} from {low:g} to {high:g}, not {_show(value)}."
            )
        return value if whole else float(value)
    if "pair_low" in rule:
        (low_x, low_y), (high_x, high_y) = rule["pair_low"], rule["pair_high"]
        good = isinstance(value, list | tuple) and all(
            isinstance(pair, list | tuple)
            and len(pair) == 2
            and all(_is_number(item) for item in pair)
            and low_x <= pair[0] <= high_x
            and low_y <= pair[1] <= high_y
            for pair in value
        )
        if not good or any(b[0] <= a[0] for a, b in itertools.pairwise(value)):
            raise UserError(
                f"{where} ({doc}) must be a list of pairs with ascending first numbers from "
                f"{low_x:g} to {high_x:g} and second numbers from {low_y:g} to {high_y:g}, "
                f"not {_show(value)}."
            )
        return tuple((float(x), float(y)) for x, y in value)
    if "each_low" in rule:
        low, high = rule["each_low"], rule["each_high"]
        good = isinstance(value, list | tuple) and all(
            _is_number(item) and low <= item <= high for item in value
        )
        sort = "ascending numbers" if rule["ascending"] else "numbers"
        falls = good and any(b <= a for a, b in itertools.pairwise(value))
        if not good or (falls and rule["ascending"]):
            raise UserError(
                f"{where} ({doc}) must be a list of {sort} from {low:g} to {high:g}, "
                f"not {_show(value)}."
            )
        return tuple(float(item) for item in value)
    if isinstance(one.default, bool):
        if not isinstance(value, bool):
            raise UserError(f"{where} ({doc}) must be true or false, not {_show(value)}.")
        return value
    if not isinstance(value, str):
        raise UserError(f"{where} ({doc}) must be text, not {_show(value)}.")
    return value


def _check_together(scenario: Scenario, name: str) -> None:
    """Rules over more than one key."""
    setup, truth = scenario.setup, scenario.truth
    engine, speed, reference = truth.engine, truth.speed, truth.reference

    def refuse(sentence: str) -> None:
        raise UserError(f"Scenario {name}: {sentence}")

    for where, strokes in (("setup", setup.strokes), ("truth.engine", engine.strokes)):
        if strokes not in (2, 4):
            refuse(f"{where}.strokes must be 2 or 4, not {strokes}.")
    for where, table in (("setup", setup), ("truth.controller", truth.controller)):
        if table.sign == 0:
            refuse(f"{where}.sign must be 1 or -1, not 0.")
        if table.setting_min >= table.setting_max:
            refuse(f"{where}.setting_min must be below setting_max.")
        if not table.setting_min <= table.setting <= table.setting_max:
            refuse(f"{where}.setting must lie from setting_min to setting_max.")
    if not REFERENCE.fullmatch(setup.reference):
        refuse(
            "setup.reference must be pulse, cam-pulse, a number of teeth such as 24, or teeth and "
            f"gap such as 36-1, not {_show(setup.reference)}."
        )
    cycle = 180 * engine.strokes
    if engine.firing_deg:
        if len(engine.firing_deg) != engine.cylinders or engine.firing_deg[0] != 0:
            refuse("truth.engine.firing_deg must have one angle per cylinder and begin with 0.")
        if engine.firing_deg[-1] > cycle - 31:
            refuse(f"truth.engine.firing_deg must stay below {cycle - 31} degrees.")
    if engine.rod_mm <= 0.55 * engine.stroke_mm:
        refuse("truth.engine.rod_mm must be longer than 0.55 strokes.")
    if truth.controller.cylinder_deg and len(truth.controller.cylinder_deg) != engine.cylinders:
        refuse("truth.controller.cylinder_deg must have one angle per cylinder.")
    if reference.missing >= reference.teeth:
        refuse("truth.reference.missing must be less than truth.reference.teeth.")
    for which, cylinder in (("a", truth.pickup.cylinder_a), ("b", truth.pickup.cylinder_b)):
        lead = truth.pickup.clamp_a if which == "a" else truth.pickup.clamp_b
        if scenario.kind == "engine" and lead == "plug" and cylinder > engine.cylinders:
            refuse(f"truth.pickup.cylinder_{which} must be at most truth.engine.cylinders.")
    if truth.pickup.layout == "wasted" and engine.strokes == 2:
        refuse('truth.pickup.layout cannot be "wasted" on a two-stroke engine.')
    module = truth.module
    if module.single_above_rpm and not 0 < module.multi_below_rpm <= module.single_above_rpm:
        refuse("truth.module.multi_below_rpm must be above 0 and at most single_above_rpm.")
    if scenario.kind == "engine":
        if not speed.program or speed.program[0][0] != 0:
            refuse("truth.speed.program must begin at second 0, for example [[0, 900]].")
        for (t0, n0), (t1, n1) in itertools.pairwise(speed.program):
            if abs(n1 - n0) > 20000 * (t1 - t0):
                refuse("truth.speed.program must not change faster than 20000 rpm a second.")
        if any(0 < rpm < 30 for _, rpm in speed.program):
            refuse("truth.speed.program must have speeds of 0 or at least 30 rpm.")
        if speed.repeat and (len(speed.program) < 2 or speed.program[0][1] != speed.program[-1][1]):
            refuse("truth.speed.repeat needs a program that ends at the speed it begins with.")
