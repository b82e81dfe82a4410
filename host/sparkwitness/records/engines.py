"""Saved engines: what a person types about an engine, as plain TOML that can be sent to a friend.

One file per engine in the user's configuration folder; read with the same checks as what is typed.
"""

import difflib
import json
import os
import re
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import Any

import platformdirs

from sparkwitness.errors import UserError, not_written, whole_file
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

FORMAT = 1
_MOST_BYTES = 64 * 1024
_NAME = re.compile(r"[^\W_](?:[\w .-]{0,38}[\w])?")

_TOLD = {
    "reference": "what marks the crank: pulse, cam, 36-1, 60-2, a number of even teeth",
    "reference_angle": "crank degrees BTDC of the pulse, or of the first edge after the gap",
    "reference_within": "how well that is known, ± degrees (k = 2)",
    "tooth_errors": "crank degrees each tooth stands past its even place, from the index one on",
    "tooth_errors_u": "their standard uncertainty, degrees",
    "commanded": "angle the controller is locked at for the measurement, degrees BTDC",
    "cylinders": "", "strokes": "4 or 2",
    "clamp": "plug, wasted, coil (the lead from coil to distributor) or auto",
    "clamp_input": "clamp_a or clamp_b",
    "setting": "the controller's reference offset when this was saved",
    "counts": "the setting counts crank or distributor degrees",
    "retards": "true: a larger setting retards the spark",
    "step": "smallest change of the setting", "least": "least setting", "most": "greatest setting",
    "learned_gain": "crank degrees per unit of the setting, as trials showed",
    "target": "stop at this uncertainty, ± degrees",
    "swing": "peak speed swing in a revolution; 0.02 is ±2 %",
    "dead_time_us": "edges sooner than this after one are ringing, microseconds",
    "delay_us": "clamp path's delay less the crank path's, microseconds, where measured",
    "u_delay_us": "its standard uncertainty", "sensor": "kind of crank sensor",
    "sensor_ohm": "resistance of a vr sensor's coil, ohm", "sensor_henry": "its inductance, henry",
    "clamp_kind": "kind of ignition under the clamp",
    "falling": "inputs of which the falling edge counts",
    "trigger": "flank of the trigger tap that fires: rising, falling, auto, none (no tap)",
    "trigger_kind": "what the tap is on",
    "trigger_delay_us": "trigger path's delay less the crank path's, microseconds, where measured",
    "u_trigger_delay_us": "its standard uncertainty",
    "coil_ms": "coil's time constant L/R, milliseconds",
    "order": "cylinders in firing order", "firing": "crank degrees of each firing from the first",
    "bank": "cylinders of the first bank",
    "index": "input of a second clamp, on cylinder 1's plug lead",
    "rotor": "degrees BTDC at which the rotor points at its segment's middle",
    "rotor_within": "how well that is known, ± crank degrees (k = 2)",
}  # fmt: skip
# A look and a check belong to one run.
_NOT_KEPT = {"reference", "seen", "seen_within", "confirmed", "cranking_volts"}


def folder() -> Path:
    """Where engines are kept; $SPARKWITNESS_ENGINES in its place."""
    named = os.environ.get("SPARKWITNESS_ENGINES")
    if named:
        return Path(named)
    return platformdirs.user_config_path("sparkwitness", appauthor=False) / "engines"


def path_of(name: str) -> Path:
    """The file of an engine.

    Raises:
        UserError: the name cannot be a file's name everywhere.
    """
    if not _NAME.fullmatch(name):
        raise UserError(
            f"an engine's name has up to 40 letters, digits, blanks, dots, - and _ and begins "
            f"with a letter or digit, unlike {name[:40]!a}"
        )
    return folder() / f"{name}.toml"


def names() -> list[str]:
    """Names of all saved engines, sorted."""
    return sorted(path.stem for path in folder().glob("*.toml") if _NAME.fullmatch(path.stem))


def has(name: str) -> bool:
    """Whether an engine of that name is saved."""
    return bool(_NAME.fullmatch(name)) and path_of(name).is_file()


def load(name: str) -> tuple[str, Setup]:
    """A saved engine by its name, or the engine in a file (name ending in .toml).

    Returns:
        Its name and its set-up.

    Raises:
        UserError: there is none, or its file cannot be used.
    """
    if name.endswith(".toml"):
        return read(Path(name))
    path = path_of(name)
    if not path.is_file():
        near = difflib.get_close_matches(name, names(), 1)
        hint = f"did you mean {near[0]}?" if near else "`sparkwitness engine list` shows them"
        raise UserError(f"no engine called {name!a} is saved; {hint}")
    return name, read(path)[1]


def read(path: Path) -> tuple[str, Setup]:
    """Name and set-up from a file.

    Raises:
        UserError: not readable, not an engine, or a value out of range.
    """
    table = table_from(path)
    try:
        return from_table(table)
    except UserError as error:
        raise UserError(f"the engine file {path}: {error.message}") from None


def table_from(path: Path) -> dict[str, Any]:
    """A small TOML file, read in bounded time and memory.

    Raises:
        UserError: it is no regular file, too large, no text, or no TOML.
    """
    try:
        if not path.is_file():  # a FIFO or a device would not end
            raise UserError(f"there is no file {path}")
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
        if len(data) > _MOST_BYTES:
            raise UserError(f"{path} is larger than {_MOST_BYTES // 1024} kB")
        return _table(data.decode("utf-8"))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise UserError(f"{path} is no text in UTF-8") from None
    except _NoToml as error:
        raise UserError(f"{path} cannot be read as TOML ({error})") from None


class _NoToml(ValueError):
    """What tomllib had against a text."""


def _table(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        reason = str(error).splitlines()[0] if str(error) else "nested too deeply"
        raise _NoToml(f"{reason:.200}") from None


def parse(text: str) -> tuple[str, Setup]:
    """Name and set-up from a file's text.

    Raises:
        UserError: not TOML, not an engine, or a value out of range.
    """
    try:
        return from_table(_table(text))
    except _NoToml as error:
        raise UserError(f"it cannot be read as TOML ({error})") from None


def from_table(table: dict[str, Any]) -> tuple[str, Setup]:
    """Name and set-up from what TOML gave.

    Raises:
        UserError: a key that is not known, one that is missing, or a bad value.
    """
    values = dict(table)
    if values.pop("format", None) != FORMAT:
        raise UserError(f'it must say "format = {FORMAT}"; another one needs a newer sparkwitness')
    name = values.pop("name", None)
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise UserError("it has no usable name")
    for key in values:
        if key not in _TOLD:
            near = difflib.get_close_matches(key, _TOLD, 1)
            hint = f"did you mean {near[0]}?" if near else "see `sparkwitness engine show`"
            raise UserError(f"there is no key {ascii(key)[:60]}; {hint}")
    kind = values.pop("reference", None)
    angle = values.pop("reference_angle", None)
    within = values.pop("reference_within", 0.5)
    errors = values.pop("tooth_errors", [])
    u_errors = values.pop("tooth_errors_u", 0.0)
    if not isinstance(kind, str) or not _numbers(angle, within, u_errors):
        raise UserError("reference (a text), reference_angle and reference_within are needed")
    if not isinstance(errors, list) or not _numbers(*errors):
        raise UserError("tooth_errors must be a list of numbers")
    bare = Reference.parse(kind, float(angle), float(within) / 2)
    values["reference"] = Reference(
        bare.teeth, bare.missing, bare.turns, bare.angle, bare.u_angle, tuple(errors), u_errors
    )
    falling = values.get("falling", [])
    if not isinstance(falling, list) or not all(isinstance(one, str) for one in falling):
        raise UserError("falling must be a list of names of inputs")
    values["falling"] = tuple(falling)
    for key in ("order", "firing", "bank"):
        row = values.get(key, [])
        if not isinstance(row, list) or not _numbers(*row):
            raise UserError(f"{key} must be a list of numbers")
        values[key] = tuple(row)
    if not isinstance(values.get("retards", False), bool):
        raise UserError("retards must be true or false")
    for key, value in values.items():
        if isinstance(value, bool) and key != "retards":
            raise UserError(f"{key} must not be true or false")
    return name, Setup(**values)


def to_toml(name: str, setup: Setup) -> str:
    """The file's text: every key with what it means; values that are not known are left out."""
    reference = setup.reference
    values: dict[str, Any] = {
        "reference": str(reference), "reference_angle": reference.angle,
        "reference_within": 2 * reference.u_angle,
    }  # fmt: skip
    if reference.errors:
        values |= {"tooth_errors": list(reference.errors), "tooth_errors_u": reference.u_errors}
    values |= {
        one.name: getattr(setup, one.name) for one in fields(setup) if one.name not in _NOT_KEPT
    }
    lines = [
        "# An engine for sparkwitness. Angles are crank degrees before top dead centre (BTDC).",
        "# Check every line against the engine in front of you: a wrong one gives a wrong number.",
        f"format = {FORMAT}",
        f"name = {_toml(name)}",
        "",
    ]
    for key, value in values.items():
        if value is None or value == ():
            continue
        told = _TOLD[key]
        lines.append(f"{key} = {_toml(value)}" + (f"  # {told}" if told else ""))
    return "\n".join(lines) + "\n"


def save(name: str, setup: Setup, replace: bool = False) -> Path:
    """Keep an engine.

    Raises:
        UserError: a bad name, one that is taken, or the file cannot be written.
    """
    path = path_of(name)
    if path.exists() and not replace:
        raise UserError(f"an engine called {name} is saved already; take another name")
    text = to_toml(name, setup)
    parse(text)  # what cannot be read back is not written
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise not_written(path, error) from None
    with whole_file(path, replace) as part:
        part.write_text(text, "utf-8")
    return path


def remove(name: str) -> None:
    """Delete a saved engine.

    Raises:
        UserError: there is none.
    """
    load_path = path_of(name)
    try:
        load_path.unlink()
    except FileNotFoundError:
        raise UserError(f"no engine called {name!a} is saved") from None
    except OSError as error:
        raise UserError(
            f"cannot remove {load_path}: {error.strerror}; look at the disk and its permissions"
        ) from None


def _numbers(*values: Any) -> bool:
    return all(
        isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e9 for v in values
    )


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # its escapes are among those of TOML
    return repr(value)
