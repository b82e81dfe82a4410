"""What a person types before measuring: the options, the questions, and the set-up made of them."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from sparkwitness.cli import ask as asking
from sparkwitness.cli import options
from sparkwitness.decode import wire
from sparkwitness.errors import UserError
from sparkwitness.records import engines
from sparkwitness.timing import conditioner, gates, gates_tap, wheel
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import CLAMPS, COUNTS, TRIGGERS, Setup

WHOLE_ROW, NUMBER_ROW = options.Row("-", whole=True), options.Row(",")
WHOLE_COMMAS = options.Row(",", whole=True)


class _Named(click.Choice[str]):
    """A choice that takes first-spark for first_spark."""

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        return super().convert(str(value).strip().replace("-", "_"), param, ctx)


setup_options = options.stack(
    [
        click.option(
            "--commanded", type=options.NUMBER, help="Angle the controller is locked at, ° BTDC."
        ),
        click.option(
            "--reference",
            help="What marks the crank: pulse, cam, 36-1, 60-2, a number of even teeth, …",
        ),
        click.option(
            "--reference-angle",
            type=options.NUMBER,
            help="Crank degrees BTDC of the pulse, or of the first edge after the gap.",
        ),
        click.option(
            "--reference-within",
            type=options.NUMBER,
            help="How well that angle is known, ± degrees (k = 2). Default: ±0.5.",
        ),
        click.option("--cylinders", type=int, help="Number of cylinders."),
        click.option("--strokes", type=int, help="4 or 2."),
        click.option("--clamp", type=click.Choice(list(CLAMPS)), help="Where the clamp sits."),
        click.option(
            "--clamp-input", type=click.Choice(wire.INPUTS[1:3]), help="Which clamp to use."
        ),
        click.option("--setting", type=options.NUMBER, help="Controller's reference offset now."),
        click.option("--counts", type=click.Choice(COUNTS), help="Degrees the setting counts."),
        click.option(
            "--retards", is_flag=True, default=None, help="A larger setting retards the spark."
        ),
        click.option("--step", type=options.NUMBER, help="Smallest change of the setting."),
        click.option("--least", type=options.NUMBER, help="Least setting the controller takes."),
        click.option("--most", type=options.NUMBER, help="Greatest setting the controller takes."),
        click.option("--target", type=options.NUMBER, help="Stop at this uncertainty, ± degrees."),
        click.option(
            "--swing", type=options.NUMBER, help="Speed swing in a revolution; 0.02 is ±2 %."
        ),
        click.option(
            "--dead-time", type=options.NUMBER, help="Edges sooner than this are ringing, µs."
        ),
        click.option(
            "--falling",
            multiple=True,
            type=click.Choice(wire.INPUTS),
            help="Stamp this input's falling edge. May be repeated.",
        ),
        click.option(
            "--seen",
            type=options.NUMBER,
            help="Timing as a lamp or strobe shows it against the marks, ° BTDC.",
        ),
        click.option(
            "--seen-within",
            type=options.NUMBER,
            help="How well that was read, ± degrees.",
            show_default="3",
        ),
        click.option(
            "--confirm",
            "confirmed",
            multiple=True,
            type=click.Choice((*gates.NAMES, *(row.name for row in gates_tap.ROWS if row.confirm))),
            metavar="CODE",
            help="You have checked what this finding says. May be repeated.",
        ),
        click.option(
            "--sensor",
            type=_Named(conditioner.CRANK_KINDS),
            help="Crank sensor's conditioner, for its delay. Default: hall_optical.",
        ),
        click.option(
            "--sensor-ohm", type=options.NUMBER, help="Resistance of a vr sensor's coil, Ω."
        ),
        click.option("--sensor-henry", type=options.NUMBER, help="Its inductance where known, H."),
        click.option(
            "--clamp-kind",
            type=_Named(conditioner.CLAMP_KINDS),
            help="Kind of ignition under the clamp, for its delay. Default: not known.",
        ),
        click.option(
            "--trigger",
            type=click.Choice(list(TRIGGERS)),
            help="Flank of the trigger tap that fires. Default: found from the sparks.",
        ),
        click.option(
            "--trigger-kind",
            type=click.Choice(conditioner.TRIGGER_KINDS),
            help="What the tap is on, for its delay. Default: logic.",
        ),
        click.option(
            "--coil-ms",
            type=options.NUMBER,
            help="Coil's time constant L/R, ms, as `sparkwitness check` tells it.",
        ),
        click.option(
            "--order",
            type=WHOLE_ROW,
            metavar="1-3-4-2",
            help="Firing order, to look at each cylinder (clamp on the coil lead).",
        ),
        click.option(
            "--firing",
            type=NUMBER_ROW,
            metavar="0,90,…",
            help="Crank degrees of each firing in that order, from the first; default: even.",
        ),
        click.option(
            "--bank",
            type=WHOLE_COMMAS,
            metavar="1,2,3",
            help="Cylinders of the first bank, to compare it with the other.",
        ),
        click.option(
            "--index",
            type=click.Choice(wire.INPUTS[1:3]),
            help="Second clamp, on cylinder 1's plug lead: tells which cylinder is which.",
        ),
        click.option(
            "--rotor",
            type=options.NUMBER,
            help="° BTDC at which the rotor points at its segment's middle, to see where in its "
            "window the sparks fall (clamp on the coil lead).",
        ),
        click.option(
            "--rotor-within",
            type=options.NUMBER,
            help="How well that is known, ± crank degrees.",
            show_default="4",
        ),
        click.option(
            "--cranking-volts",
            type=options.NUMBER,
            help="Lowest supply while cranking, V, where the board does not measure it.",
        ),
        click.option(
            "--wheel",
            "wheel_file",
            type=click.Path(path_type=Path),
            help="Tooth errors of the wheel, from `sparkwitness wheel`.",
        ),
    ]
)


@dataclass(frozen=True)
class Question:
    """One question about the set-up.

    Attributes:
        name: of the value in `Setup`.
        text, kind, default, help: as in `ask.question`; `default` where nothing is remembered.
        empty: an empty line means that it is not known.
    """

    name: str
    text: str
    kind: Any
    default: Any
    help: str
    empty: bool = False


QUESTIONS = (
    Question(
        "commanded", "Angle the controller is locked at, ° BTDC", options.NUMBER, None,
        "The error is the measured angle less this one. Lock the timing in the controller (or use "
        "the fixed angle that the service manual names), or nothing can be said about an error.",
    ),
    Question("cylinders", "Cylinders", int, 4, "Tells how many sparks the clamp should see."),
    Question("strokes", "Strokes (4 or 2)", int, 4, "A two-stroke fires every revolution."),
    Question(
        "clamp", "The clamp sits on", click.Choice(list(CLAMPS)), "auto",
        "; ".join(f"{name}: {about}" for name, about in CLAMPS.items()) + ". It tells which sparks "
        "belong to one cylinder; a wrong place is found where it can be.",
    ),
    Question(
        "setting", "Controller's reference offset now (Enter: not known)", options.NUMBER, None,
        "The number that the controller shows now. The next setting is computed from it; without "
        "it the error is measured all the same.", True,
    ),
    Question(
        "counts", "It counts degrees of", click.Choice(COUNTS), "crank",
        "The distributor turns once in two crank turns: one degree there is two at the crank. "
        "Trials of the setting will show if this is wrong.",
    ),
    Question(
        "retards", "A larger setting", click.Choice(("advances", "retards")), "advances",
        "Which way the spark goes when the number grows. Trials will show if this is wrong.",
    ),
    Question(
        "step", "Smallest step of the setting", options.NUMBER, 1.0,
        "The controller takes whole degrees, halves, tenths ...; the advice is a value that can "
        "be entered.",
    ),
    Question(
        "least", "Least setting it takes (Enter: not known)", options.NUMBER, None,
        "The advice stays within the range.", True,
    ),
    Question(
        "most", "Greatest setting it takes (Enter: not known)", options.NUMBER, None,
        "The advice stays within the range.", True,
    ),
    Question(
        "sensor_ohm", "Resistance of the sensor's coil, Ω (Enter: not known)", options.NUMBER, None,
        "By an ohmmeter on the sensor's two wires, engine off. The coil delays the signal, 5 to "
        "80 µs; known, the result is surer.", True,
    ),
    Question(
        "sensor_henry", "Its inductance, H (Enter: not known)", options.NUMBER, None,
        "From its data sheet or an LCR meter; 0.05 to 2 H.", True,
    ),
)  # fmt: skip
_SENSOR = Question(
    "sensor", "Crank sensor's input", _Named(conditioner.CRANK_KINDS), "hall_optical",
    "vr: a coil on two wires; hall_optical: open collector; logic: a driven 5 V output; "
    "first_spark...: the breadboard of hardware/first-spark.md. Each has its own delay.",
)  # fmt: skip
_REFERENCE = "What marks the crank (pulse, cam, 36-1, 60-2, …)"
_ANGLE = "Crank degrees BTDC of the pulse or of the first edge after the gap"
_ONLY_WITH_SETTING = ("counts", "retards", "step", "least", "most")


def setup_from(
    typed: dict[str, Any],
    defaults: dict[str, Any] | None,
    ask: bool,
    last: dict[str, Any] | None = None,
    save: bool = True,
) -> Setup:
    """What was typed over the defaults; what is then missing is asked for, or said.

    Args:
        typed: values of `setup_options`, None where nothing was typed.
        defaults: plain values as in `Setup.to_dict`, or None.
        ask: somebody is there to answer.
        last: plain values of the last set-up, offered as answers.
        save: offer to save the answers as an engine.

    Raises:
        UserError: a value out of range, or one is missing and nobody can be asked.
    """
    values = dict(defaults or {})
    if "bench" in values:
        raise UserError(
            "this is a bench run, not one of an engine: use `sparkwitness bench --from`"
        )
    stored = values.pop("reference", None) or {}
    if not isinstance(stored, dict):
        raise UserError("the stored set-up cannot be used (its reference is damaged)")
    given = {k: v for k, v in typed.items() if v is not None and v != ()}
    if "dead_time" in given:
        given["dead_time_us"] = given.pop("dead_time")
    last = dict(last or {})
    if ask and (missing := _missing(values | given, stored, given)):
        click.echo(
            f"{missing} question{'s' * (missing > 1)} first. ? tells why it is asked, Enter takes "
            "the value in brackets, Ctrl-C ends."
        )
    values["reference"] = _reference(given, stored, values, ask, last)
    values.update(given)
    for name in ("falling", "confirmed", "order", "firing", "bank"):
        listed = values.get(name, ())
        values[name] = tuple(listed) if isinstance(listed, list | tuple) else (listed,)
    asked = False
    for one in QUESTIONS if ask else ():
        if one.name == "setting" and one.name not in given and values.get(one.name) is not None:
            # A saved engine's setting may have been changed since: the advice would be wrong.
            values[one.name] = asking.question(
                "Controller's reference offset now", one.kind, values[one.name], one.help
            )
        if one.name in values or _needless(one, values):
            continue
        values[one.name] = _answer(one, last)
        asked = True
    try:
        setup = Setup(**{k: v for k, v in values.items() if v is not None or k not in _DEFAULTED})
    except TypeError as error:
        raise UserError(f"the stored set-up cannot be used ({error})") from None
    if asked and save:
        _offer_saving(setup)
    return setup


_DEFAULTED = ("counts", "retards", "step", "clamp", "cylinders", "strokes")


def _reference(
    given: dict[str, Any],
    stored: dict[str, Any],
    values: dict[str, Any],
    ask: bool,
    last: dict[str, Any],
) -> Reference:
    """The reference as typed, stored or asked for; takes what belongs to it out of `given`."""
    before = last.get("reference") or {}
    kind = given.pop("reference", None)
    angle = given.pop("reference_angle", stored.get("angle"))
    within = given.pop("reference_within", None)
    wheel_file = given.pop("wheel_file", None)
    fresh = kind is None and not stored
    if fresh:
        if not ask:
            raise _unknown(_REFERENCE, "--reference")
        kind = asking.question(
            _REFERENCE, _kind_of_reference, _named_reference(before),
            "pulse: one mark per crank turn; cam: one per two turns (cam or distributor); 36-1: a "
            "wheel of 36 places with one tooth left out. Count the teeth, or see the manual.",
        )  # fmt: skip
    if angle is None:
        if not ask:
            raise _unknown(_ANGLE, "--reference-angle")
        angle = asking.question(
            _ANGLE, _angle, before.get("angle"),
            "Every angle rests on this one. Find it with two piston stops (`sparkwitness tdc "
            "stops`); a mark on a damper with a rubber ring may have crept.",
        )  # fmt: skip
    if within is None and ask and (fresh or not stored):
        within = asking.question(
            "How well is that known, ± degrees", _within, 2 * before.get("u_angle", 0.25),
            "It goes into the uncertainty of every result. A tape read to half a degree at two "
            "piston stops gives about ±0.4; a mark that was never checked ±2 or more.",
        )  # fmt: skip
    if fresh and ask and "sensor" not in given and "sensor" not in values:
        values["sensor"] = _answer(_SENSOR, last)
    if fresh and ask and given.get("sensor", values.get("sensor")) == "vr":
        values.setdefault("falling", ("crank",))  # its other edge has no delay that is known
    if fresh and ask and "falling" not in given and "falling" not in values:
        edge = asking.question(
            "Edge of the crank signal that this angle is true for",
            click.Choice(("rising", "falling")),
            "falling" if "crank" in (last.get("falling") or ()) else "rising",
            "A tooth has two edges, some degrees apart; the board stamps one of them. Take the one "
            "at which the angle was read (hardware/bring-up.md, step 7).",
        )
        values["falling"] = ("crank",) if edge == "falling" else ()
    u_angle = within / 2 if within is not None else stored.get("u_angle", 0.25)
    if kind is not None:
        made = Reference.parse(kind, angle, u_angle)
    else:
        try:
            rest = {k: v for k, v in stored.items() if k != "errors"}
            errors = tuple(stored.get("errors", ()))
            made = Reference(**{**rest, "angle": angle, "u_angle": u_angle, "errors": errors})
        except TypeError as error:
            raise UserError(f"the stored set-up cannot be used ({error})") from None
    return made if wheel_file is None else wheel.load(wheel_file, made)


def _kind_of_reference(text: str) -> str:
    Reference.parse(text, 0.0, 0.0)
    return text


def _angle(text: str) -> float:
    return Reference(1, angle=options.NUMBER.convert(text, None, None)).angle


def _within(text: str) -> float:
    return 2 * Reference(1, u_angle=options.NUMBER.convert(text, None, None) / 2).u_angle


def _named_reference(before: dict[str, Any]) -> str | None:
    """How a person types the reference that was used last."""
    try:
        return str(Reference(before["teeth"], before["missing"], before["turns"]))
    except (KeyError, UserError):
        return None


def _missing(values: dict[str, Any], stored: dict[str, Any], given: dict[str, Any]) -> int:
    """How many questions will be asked at most."""
    count = sum(one.name not in values and not _needless(one, values) for one in QUESTIONS)
    if not stored:
        of_reference = (
            "reference", "reference_angle", "reference_within", "sensor", "falling",
        )  # fmt: skip
        count += sum(name not in given for name in of_reference)
    return count


def _needless(one: Question, values: dict[str, Any]) -> bool:
    """Nothing hangs on the answer: a coil that is none, the controller's habits unknown."""
    if one.name in ("sensor_ohm", "sensor_henry"):
        return values.get("sensor") != "vr"
    return one.name in _ONLY_WITH_SETTING and "setting" in values and values["setting"] is None


def _answer(one: Question, last: dict[str, Any]) -> Any:
    """Ask; what can be checked alone is checked at once."""
    before = last.get(one.name)
    if one.name == "retards":
        before = None if before is None else "retards" if before else "advances"
    if one.name == "step" and not before:
        before = None
    text = one.text
    if one.name == "setting":
        # It changes from run to run: an old one is told, not offered.
        text += f" (last time {before:g})" if before is not None else ""
        before = None
    checked = Reference(1)

    def convert(typed: str) -> Any:
        value: Any = one.kind.convert(typed, None, None) if one.kind is not int else _whole(typed)
        if one.name not in ("retards",):
            Setup(checked, **{one.name: value})
        return value

    kind = one.kind if isinstance(one.kind, click.Choice) else convert
    default = one.default if before is None else before
    answer = asking.question(text, kind, default, one.help, one.empty)
    return answer == "retards" if one.name == "retards" else answer


def _whole(typed: str) -> int:
    number = options.NUMBER.convert(typed, None, None)
    if number != int(number):
        raise UserError(f"{typed} is not a whole number")
    return int(number)


def _offer_saving(setup: Setup) -> None:
    """Offer to save the answers under a name."""

    def save(name: str) -> str:
        engines.save(name, setup)
        return name

    name = asking.question(
        "Save these answers as an engine? Its name (Enter: no)", save, None,
        "A saved engine is one file; next time `--engine NAME` asks nothing of this.", True,
    )  # fmt: skip
    if name:
        click.echo(f"  saved: `sparkwitness measure --engine {name!r}` uses it.")


def _unknown(text: str, option: str) -> UserError:
    return UserError(f"{text.split(' (')[0].lower()} is not known: give {option}")
