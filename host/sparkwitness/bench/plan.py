"""What a bench test drives and what it is judged by: typed or from TOML, checked before anything
is driven.

`sample` is a plan file with every entry explained.
"""

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from math import floor, isfinite
from pathlib import Path
from typing import Any

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.errors import UserError, small_text

KINDS = {
    "inductive": "fires at the end of the dwell",
    "capacitive": "fires at the edge that is typed",
}
QUANTITIES = {
    "delay_us": "trigger to first spark, µs",
    "spread_us": "standard deviation of that delay, µs",
    "drop_out_percent": "share of triggers without a spark, %",
    "double_percent": "share of events followed by a false one, %",
    "sparks_per_event": "mean number of sparks per event",
    "switch_over_rpm": "rpm at which many sparks become one, going up",
    "burst_window_deg": "crank degrees in which sparks repeat",
    "rev_limit_rpm": "rpm above which no spark is given",
    "supply_v": "lowest supply voltage, V",
}
_RANGES = {
    "delay_us": (0.0, 1e4), "spread_us": (0.0, 1e4), "drop_out_percent": (0.0, 100.0),
    "double_percent": (0.0, 100.0), "sparks_per_event": (0.0, 200.0),
    "switch_over_rpm": (0.0, 20000.0), "burst_window_deg": (0.0, 360.0),
    "rev_limit_rpm": (0.0, 20000.0), "supply_v": (0.0, 60.0),
}  # fmt: skip
# Differences too small to matter at an engine; our own choice, typed values come before them.
DEFAULT_MARGINS = {
    "delay_us": 5.0, "drop_out_percent": 1.0, "double_percent": 1.0, "sparks_per_event": 0.25,
    "switch_over_rpm": 100.0, "spread_us": 3.0, "rev_limit_rpm": 100.0,
}  # fmt: skip
SETTLE_S = 0.2
"""Time after a change of speed that is not counted; the board tells of the change only to 0.1 s."""
LEAST_RPM = 60.0
MOST_DUTY = 0.85
_DRIVE = {f["name"]: f.get("range") for f in wire.DEFINITION["messages"]["drive"]["fields"]}
MOST_RPM = _DRIVE["rpm_to"][1] / 1000.0
_MOST_RAMP_S = _DRIVE["ramp_ms"][1] / 1000.0
_MOST_WIDTH_US = float(_DRIVE["width_us"][1])


@dataclass(frozen=True)
class Limit:
    """Least and most value of a quantity; None: no limit on that side."""

    least: float | None = None
    most: float | None = None


@dataclass(frozen=True)
class Segment:
    """One drive command and how long it stands.

    Attributes:
        kind: "step", "ramp" or "soak".
        rpm_from, rpm_to: rev/min, equal but for a ramp.
        seconds: board time to measure; for a ramp its length.
    """

    kind: str
    rpm_from: float
    rpm_to: float
    seconds: float

    @property
    def name(self) -> str:
        """For a person."""
        if self.kind == "ramp":
            return f"{self.rpm_from:g} → {self.rpm_to:g} rpm"
        return f"{self.rpm_to:g} rpm" + (", soak" if self.kind == "soak" else "")


@dataclass(frozen=True)
class Plan:
    """A checked plan; see the module's text for the fields.

    `delay_us` and `u_delay_us` are of the clamp path (typed, as in `Setup`);
    `u_clip_us` is the standard uncertainty that clipping the clamp on anew adds when two runs are
    compared (from memory). `supply_v` and `temperature_c` are the module's supply and temperature
    as read elsewhere; None: not typed.
    """

    title: str = ""
    kind: str = "inductive"
    active: str = "high"
    fires_at: str = "end"
    width_us: float = 3000.0
    cylinders: int = 4
    strokes: int = 4
    steps: tuple[float, ...] = (500, 1000, 2000, 3000, 4000, 5000, 6000)
    seconds: float = 4.0
    repeats: int = 1
    ramps: tuple[tuple[float, float, float], ...] = ((500, 6500, 20), (6500, 500, 20))
    soak_rpm: float = 3000.0
    soak_minutes: float = 0.0
    clamp_input: str = "clamp_a"
    clamp_falling: bool = False
    dead_time_us: float = 150.0
    clamp_delay_us: float = 0.0
    u_clamp_delay_us: float = 2.0
    u_clip_us: float = 0.5
    supply_v: float | None = None
    temperature_c: float | None = None
    limits: dict[str, Limit] = field(default_factory=dict)
    margins: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, low, high, unit in (
            ("width_us", 1, _MOST_WIDTH_US, "µs"), ("cylinders", 1, 16, ""),
            ("seconds", 0.5, 3600, "s"), ("repeats", 1, 50, ""),
            ("soak_rpm", LEAST_RPM, MOST_RPM, "rpm"),
            ("soak_minutes", 0, 1440, "minutes"), ("dead_time_us", 1, 400, "µs"),
            ("clamp_delay_us", -1e4, 1e4, "µs"), ("u_clamp_delay_us", 0, 1e4, "µs"),
            ("u_clip_us", 0, 1e4, "µs"),
        ):  # fmt: skip
            _check(getattr(self, name), low, high, unit, name)
        for name, low, high, unit in (("supply_v", 0, 60, "V"), ("temperature_c", -60, 200, "°C")):
            value = getattr(self, name)
            if value is not None:
                _check(value, low, high, unit, name)
        for name, allowed in (
            ("kind", tuple(KINDS)), ("active", ("high", "low")), ("fires_at", ("start", "end")),
            ("strokes", (2, 4)), ("clamp_input", wire.INPUTS[1:3]),
        ):  # fmt: skip
            if getattr(self, name) not in allowed:
                known = ", ".join(map(str, allowed))
                raise UserError(f"{name} must be one of {known}, not {getattr(self, name)!r}")
        if self.kind == "inductive" and self.fires_at != "end":
            raise UserError(
                "an inductive module fires at the end of the dwell: leave fires_at at end"
            )
        for rpm in self.steps:
            _check(rpm, LEAST_RPM, MOST_RPM, "rpm, the drive's range", "a step")
        for rpm_from, rpm_to, seconds in self.ramps:
            _check(rpm_from, LEAST_RPM, MOST_RPM, "rpm, the drive's range", "a ramp's start")
            _check(rpm_to, LEAST_RPM, MOST_RPM, "rpm, the drive's range", "a ramp's end")
            _check(seconds, 1, _MOST_RAMP_S, "s", "a ramp's length")
            if rpm_from == rpm_to:
                raise UserError(f"a ramp from {rpm_from:g} to {rpm_to:g} rpm is a step: type it so")
        if not self.segments:
            raise UserError("the plan drives nothing: give steps, ramps or a soak")
        fastest = max(max(s.rpm_from, s.rpm_to) for s in self.segments)
        least_period = 1e6 * self.pitch_deg / (6 * fastest)
        if self.width_us > MOST_DUTY * least_period:
            raise UserError(
                f"{self.width_us:g} µs of dwell or pulse do not fit between firings "
                f"{least_period:.0f} µs apart at {fastest:g} rpm: shorten it to "
                f"{floor(MOST_DUTY * least_period)} µs, or lower the speed"
            )
        if self.dead_time_us > 0.3 * least_period:
            raise UserError(
                f"a dead time of {self.dead_time_us:g} µs is too long for firings "
                f"{least_period:.0f} µs apart at {fastest:g} rpm"
            )
        for name, limit in self.limits.items():
            low, high = _RANGES[_known(name, QUANTITIES, "limit")]
            for value in (limit.least, limit.most):
                if value is not None:
                    _check(value, low, high, "", f"the limit of {name}")
            if limit.least is None and limit.most is None:
                raise UserError(f"the limit of {name} has neither least nor most: give one")
            if limit.least is not None and limit.most is not None and limit.least > limit.most:
                raise UserError(
                    f"the limit of {name} has its least, {limit.least:g}, above its most, "
                    f"{limit.most:g}: swap them"
                )
        for name, margin in self.margins.items():
            high = _RANGES[_known(name, DEFAULT_MARGINS, "margin")][1]
            _check(margin, 1e-6, high, "", f"the margin of {name}")

    @property
    def firings(self) -> int:
        """Trigger pulses per `turns` crank revolutions."""
        return self.cylinders

    @property
    def turns(self) -> int:
        """Crank revolutions of a working cycle."""
        return self.strokes // 2

    @property
    def pitch_deg(self) -> float:
        """Crank degrees between two triggers."""
        return 360.0 * self.turns / self.firings

    @property
    def edge(self) -> str:
        """Edge of the trigger pulse that fires the module: rising or falling."""
        return "rising" if (self.fires_at == "start") == (self.active == "high") else "falling"

    @property
    def segments(self) -> tuple[Segment, ...]:
        """Everything to drive, in order."""
        made = []
        for k in range(self.repeats):
            # There and back, so that time and speed do not go together.
            made += [Segment("step", n, n, self.seconds) for n in self.steps[:: -1 if k % 2 else 1]]
        made += [Segment("ramp", *ramp) for ramp in self.ramps]
        if self.soak_minutes:
            made.append(Segment("soak", self.soak_rpm, self.soak_rpm, 60 * self.soak_minutes))
        return tuple(made)

    def drive(self, segment: Segment) -> dict[str, int]:
        """Fields of the wire's drive message for a segment."""
        return {
            "rpm_from": round(1000 * segment.rpm_from),
            "rpm_to": round(1000 * segment.rpm_to),
            "ramp_ms": round(1000 * segment.seconds) if segment.kind == "ramp" else 0,
            "width_us": round(self.width_us),
            "firings": self.firings,
            "turns": self.turns,
            "active_low": int(self.active == "low"),
            "teeth": 0,
            "missing": 0,
            "load": wire.ENUMS["load"][self.kind],
        }

    def check_board(self, hello: Mapping[str, Any]) -> None:
        """Whether a board may drive this plan, by the limits that its hello tells.

        Raises:
            UserError: what lies beyond them, before anything is driven.
        """
        load = wire.ENUMS["load"][self.kind]
        longest, duty = hello["active_us"][load], hello["duty_permille"][load] / 1000
        if self.width_us > longest:
            raise UserError(
                f"{self.width_us:g} µs of dwell or pulse are more than this board allows for an "
                f"{self.kind} module, {longest} µs: type a shorter one"
            )
        fastest = max(max(s.rpm_from, s.rpm_to) for s in self.segments)
        rate = fastest / 60 * self.firings / self.turns
        if rate > hello["bench_rate"]:
            raise UserError(
                f"{rate:.0f} pulses a second at {fastest:g} rpm are more than this board drives, "
                f"{hello['bench_rate']}: lower the speed"
            )
        if rate * self.width_us > 1e6 * duty:
            raise UserError(
                f"{self.width_us:g} µs at {fastest:g} rpm are active for "
                f"{rate * self.width_us / 1e4:.0f} % of the time; this board allows "
                f"{100 * duty:.0f} % for an {self.kind} module: type at most "
                f"{floor(1e6 * duty / rate)} µs, or lower the speed"
            )
        # Heat: a vessel that leaks, as the firmware has it (firmware/limits.py).
        leak = hello["mean_permille"][load] / 1000
        room, filled = hello["minute_ms"][load] / 1000 - 60 * leak - 0.2, 0.0
        for segment in self.segments:
            n = max(1, round(2 * segment.seconds))
            rpms = np.linspace(segment.rpm_from, segment.rpm_to, n)
            for part in rpms / 60 * self.firings / self.turns * self.width_us * 1e-6 - leak:
                filled = max(0.0, filled + float(part) * segment.seconds / n)
                if filled > room:
                    raise UserError(
                        f"{self.width_us:g} µs at {segment.name} would heat the module for longer "
                        f"than this board allows, {100 * leak:.0f} % of the time in the long run: "
                        "type a shorter pulse, or less time at high speed"
                    )

    def margin(self, quantity: str) -> float | None:
        """Difference that does not matter, as typed or by default; None where there is none."""
        return self.margins.get(quantity, DEFAULT_MARGINS.get(quantity))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; `from_dict` takes them back."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: Mapping[str, Any], where: str = "the plan") -> "Plan":
        """A plan from plain values, each checked.

        Raises:
            UserError: an unknown name or a bad value.
        """
        given = dict(values)
        known = {f.name: f for f in fields(cls)}
        for name in given:
            _known(name, known, "entry", where)
        for name, value in given.items():
            default = known[name].default
            if name in ("supply_v", "temperature_c") and value is not None:
                given[name] = _number(value, f"{where}: {name}")
            if name in ("limits", "margins") and not isinstance(value, Mapping):
                raise UserError(f"{where}: {name} must be a table, not {_show(value)}")
            if name in ("steps", "ramps") and not isinstance(value, list | tuple):
                raise UserError(f"{where}: {name} must be a list, not {_show(value)}")
            if isinstance(default, bool | str) and not isinstance(value, type(default)):
                kind = "true or false" if isinstance(default, bool) else "text"
                raise UserError(f"{where}: {name} must be {kind}, not {_show(value)}")
            if isinstance(default, int | float) and not isinstance(default, bool):
                given[name] = _number(value, f"{where}: {name}", isinstance(default, int))
        if "kind" in given and "fires_at" not in given:
            given["fires_at"] = "start" if given["kind"] == "capacitive" else "end"
        if "steps" in given:
            given["steps"] = tuple(_number(v, f"{where}: a step") for v in given["steps"])
        if "ramps" in given:
            given["ramps"] = tuple(_ramp(ramp, where) for ramp in given["ramps"])
        if "limits" in given:
            given["limits"] = {k: _limit(k, v, where) for k, v in given["limits"].items()}
        if "margins" in given:
            given["margins"] = {
                k: _number(v, f"{where}: the margin of {k}") for k, v in given["margins"].items()
            }
        return cls(**given)


_SAMPLE = """\
# Plan of a bench test: `sparkwitness bench --plan THIS-FILE`. What is left out has the value shown
# here. The service manual of the module says what is right for it: go by that.

title = ""                  # what is tested, such as "spare module, label rubbed off"

# The module
kind = {kind:<21}# inductive: fires at the end of the dwell; capacitive: at an edge
active = "high"             # level of the active part of the trigger pulse: high or low
fires_at = {fires_at:<17}# of the active part: start or end; inductive: always end
width_us = {width:<17g}# {what}, microseconds; too long overheats module or coil
cylinders = 4               # firings per working cycle
strokes = 4                 # 4: a working cycle is two turns; 2: one turn

# What is driven, in this order
steps = [500, 1000, 2000, 3000, 4000, 5000, 6000]   # crank speeds, rpm
seconds = 4                 # each of them is held so long
repeats = 3                 # up, down and up again tells heat and chance from speed
ramps = [[500, 6500, 20], [6500, 500, 20]]          # from rpm, to rpm, in seconds
soak_minutes = 0            # at the end, to warm it up; 0: not
soak_rpm = 3000

# Conditions, to compare runs by them (`--beside`): take the # away where you know them
# supply_v = 13.5           # the module's supply, where the board does not measure it
# temperature_c = 25        # of the module's case

# The clamp on the coil lead
clamp_input = "clamp_a"     # or clamp_b
clamp_falling = false       # true: stamp its falling edge
dead_time_us = 150          # edges sooner than this after another are ringing

# Limits, if you have them: take the # away and write your own numbers. Either may be left out.
[limits]
{limits}
# Differences that do not matter when two modules are compared (`--against`).
[margins]
{margins}"""


def sample(kind: str = "inductive") -> str:
    """A plan file as text, every entry explained; `Plan.from_dict` takes it as it is.

    Args:
        kind: key of `KINDS`.
    """
    inductive = kind == "inductive"
    shown = {
        "delay_us": "{ most = 60 }", "spread_us": "{ most = 5 }",
        "drop_out_percent": "{ most = 1 }", "double_percent": "{ most = 1 }",
        "sparks_per_event": "{ least = 1 }", "switch_over_rpm": "{ least = 2000, most = 3000 }",
        "burst_window_deg": "{ least = 10 }", "rev_limit_rpm": "{ least = 6000 }",
        "supply_v": "{ least = 11 }",
    }  # fmt: skip
    limits = "".join(f"{f'# {n} = {shown[n]}':<51}# {QUANTITIES[n]}\n" for n in QUANTITIES)
    margins = "".join(f"{n} = {v:g}\n" for n, v in DEFAULT_MARGINS.items())
    return _SAMPLE.format(
        kind=f'"{kind}"', fires_at='"end"' if inductive else '"start"',
        width=3000 if inductive else 1000, what="dwell" if inductive else "pulse width",
        limits=limits, margins=margins,
    )  # fmt: skip


def load(path: Path) -> dict[str, Any]:
    """Plain values of a plan file, still to be checked by `Plan.from_dict`.

    Raises:
        UserError: not readable, or not TOML.
    """
    try:
        return tomllib.loads(small_text(path))
    except OSError as error:
        raise UserError(f"cannot read the plan {path}: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        reason = str(error).splitlines()[0]
        raise UserError(f"the plan {path} is not TOML: {reason}") from None


def _known(name: str, known: Mapping[str, Any], what: str, where: str = "") -> str:
    if name not in known:
        near = difflib.get_close_matches(name, known)
        hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
        raise UserError(f"{where + ': ' if where else ''}there is no {what} called {name}; {hint}")
    return name


def _show(value: Any) -> str:
    try:
        return f"{value!r:.60}"
    except ValueError:  # Python does not print a whole number of more than 4300 digits
        return "a number of thousands of digits"


def _number(value: Any, where: str, whole: bool = False) -> float:
    good = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
    if not good:
        kind = "a whole number" if whole else "a number"
        raise UserError(f"{where} must be {kind}, not {_show(value)}")
    if isinstance(value, int) and abs(value) > 1e300:
        raise UserError(f"{where} is far too large")
    return value if whole else float(value)


def _check(value: float, low: float, high: float, unit: str, what: str) -> None:
    if not (isfinite(value) and low <= value <= high):
        text = f"{what} must be from {low:g} to {high:g} {unit}".rstrip()
        raise UserError(f"{text}, not {value:g}")


def _ramp(ramp: Any, where: str) -> tuple[float, float, float]:
    if not isinstance(ramp, list | tuple) or len(ramp) != 3:
        raise UserError(f"{where}: a ramp is [from rpm, to rpm, seconds], not {_show(ramp)}")
    a, b, c = (_number(v, f"{where}: a ramp") for v in ramp)
    return a, b, c


def _limit(name: str, value: Any, where: str) -> Limit:
    if not isinstance(value, Mapping) or set(value) - {"least", "most"}:
        raise UserError(
            f"{where}: the limit of {name} must be like {{ least = 1, most = 2 }}, "
            f"not {_show(value)}"
        )
    found = {
        k: _number(v, f"{where}: the limit of {name}") for k, v in value.items() if v is not None
    }
    return Limit(**found)
