"""Settings of the meter without a computer: made of a set-up, read from a board, written to one.

What they are, and how they are kept, stands once: in firmware/settings.py, which this reads.
"""

import json
import runpy
from functools import cache
from typing import Any

from sparkwitness import shipped
from sparkwitness.device.prompt import BoardFault, Prompt, full_sentence
from sparkwitness.errors import UserError
from sparkwitness.timing.setup import Setup

# In the order of SENSORS, CLAMPS and DISPLAYS of firmware/settings.py.
_SENSORS = ("hall_optical", "vr", "logic", "first_spark_hall", "first_spark_logic")
_SAID = {"first_spark": "first_spark_hall"}  # whose sensor is not said more closely
CLAMPS = ("plug", "wasted", "coil")
DISPLAYS = ("ssd1306", "sh1106")


@cache
def _firmware() -> dict[str, Any]:
    return runpy.run_path(str(shipped.folder("firmware") / "settings.py"))


def first() -> dict[str, int]:
    """The settings of a new board: no wheel has been chosen."""
    result: dict[str, int] = _firmware()["first"]()
    return result


def from_setup(setup: Setup, before: dict[str, int]) -> dict[str, int]:
    """The settings for an engine; those that a set-up does not have stay as they are.

    Raises:
        UserError: the meter cannot be set so, and what to do.
    """
    if setup.clamp not in CLAMPS:
        raise UserError(
            "the meter must be told where the clamp sits: give --clamp plug, wasted or coil"
        )
    if setup.clamp_input in setup.falling:
        raise UserError("the meter stamps the clamp's rising edge only: leave it out of --falling")
    if setup.sensor == "vr" and "crank" not in setup.falling:
        raise UserError("a VR sensor is timed on its falling edge: add --falling crank")
    reference = setup.reference
    none: int = _firmware()["NONE"]
    commanded = none if setup.commanded is None else round(1000 * setup.commanded)
    values = {
        **before,
        "teeth": reference.teeth,
        "missing": reference.missing,
        "turns": reference.turns,
        "index": 0,
        "falling": int("crank" in setup.falling),
        "sensor": _SENSORS.index(_SAID.get(setup.sensor, setup.sensor)),
        "reference_mdeg": round(1000 * reference.angle),
        "within_mdeg": round(2000 * reference.u_angle),
        "cylinders": setup.cylinders,
        "strokes": setup.strokes,
        "clamp": CLAMPS.index(setup.clamp),
        "clamp_b": int(setup.clamp_input == "clamp_b"),
        "commanded_mdeg": commanded,
    }
    return checked(values)


def as_setup(values: dict[str, int]) -> dict[str, Any]:
    """Settings as plain values for a set-up, without a reference where no wheel is chosen."""
    commanded = values["commanded_mdeg"]
    plain: dict[str, Any] = {
        "cylinders": values["cylinders"],
        "strokes": values["strokes"],
        "clamp": CLAMPS[values["clamp"]],
        "clamp_input": "clamp_b" if values["clamp_b"] else "clamp_a",
        "falling": ("crank",) if values["falling"] else (),
        "sensor": _SENSORS[values["sensor"]],
        "commanded": None if commanded == _firmware()["NONE"] else commanded / 1000,
    }
    if values["teeth"]:
        plain["reference"] = {
            "teeth": values["teeth"],
            "missing": values["missing"],
            "turns": values["turns"],
            "angle": values["reference_mdeg"] / 1000,
            "u_angle": values["within_mdeg"] / 2000,
        }
    return plain


def plain(values: dict[str, int]) -> dict[str, Any]:
    """Settings as plain values for JSON, in degrees and words."""
    setup = as_setup(values)
    return {
        **{name: values[name] for name in ("teeth", "missing", "turns", "cylinders", "strokes")},
        **{name: setup[name] for name in ("sensor", "clamp", "clamp_input")},
        "index": bool(values["index"]),
        "falling": bool(values["falling"]),
        "reference_angle_deg_btdc": values["reference_mdeg"] / 1000,
        "reference_expanded_deg": values["within_mdeg"] / 1000,
        "commanded_deg_btdc": setup["commanded"],
        "display": DISPLAYS[values["display"]],
    }


def checked(values: dict[str, int]) -> dict[str, int]:
    """The same, if the firmware takes them.

    Raises:
        UserError: it does not.
    """
    fault = _firmware()["fault"](values)
    if fault:
        raise UserError(f"the meter does not take that: {fault}")
    return values


def text(values: dict[str, int]) -> str:
    """What is kept on the board, as its file has it."""
    result: str = _firmware()["text"](values)
    return result


def read(board: Prompt) -> dict[str, int] | None:
    """The settings kept on a board; None where none are, or none that the firmware takes."""
    firmware = _firmware()
    if not board.hashes([firmware["FILE"]]):
        return None
    try:
        values = json.loads(board.read(firmware["FILE"]))
        if values.pop("format") != firmware["FORMAT"] or firmware["fault"](values):
            return None
        return {name: values[name] for name in firmware["NAMES"]}
    except (ValueError, KeyError, AttributeError, TypeError):
        return None


def write(board: Prompt, values: dict[str, int]) -> None:
    """Keep settings on a board, as a whole or not at all, and read them back.

    Raises:
        UserError: they are not kept.
    """
    file: str = _firmware()["FILE"]
    board.write(file + ".new", text(values).encode(), lambda sent: None)
    try:
        board.run(f"os.rename({file + '.new'!r}, {file!r})")
    except BoardFault:
        raise UserError(full_sentence(file)) from None
    if read(board) != values:
        raise UserError(
            "the board does not give back what was written: try again; if it happens again, "
            "change the cable, then the board"
        )


def in_words(values: dict[str, int]) -> list[tuple[str, str]]:
    """The settings as rows for a person."""
    if not values["teeth"]:
        wheel = "none: the meter shows no number before one is chosen"
    else:
        wheel = "cam " if values["turns"] == 2 else ""
        wheel += str(values["teeth"]) if values["teeth"] > 1 else "pulse"
        wheel += f"-{values['missing']}" if values["missing"] else ""
        wheel += " with an index on the trigger input" if values["index"] else ""
    commanded = values["commanded_mdeg"]
    none = _firmware()["NONE"]
    return [
        ("wheel", wheel),
        ("crank edge", "falling" if values["falling"] else "rising"),
        ("sensor", _firmware()["SENSORS"][values["sensor"]]),
        (
            "reference",
            f"{values['reference_mdeg'] / 1000:g}° BTDC ± {values['within_mdeg'] / 1000:g}°",
        ),
        ("commanded", "not known" if commanded == none else f"{commanded / 1000:g}° BTDC"),
        ("engine", f"{values['cylinders']} cylinders, {values['strokes']}-stroke"),
        (
            "clamp",
            ("one plug lead", "one lead of a wasted-spark coil", "the coil lead")[values["clamp"]]
            + (", clamp B" if values["clamp_b"] else ", clamp A"),
        ),
        ("display", DISPLAYS[values["display"]].upper()),
    ]
