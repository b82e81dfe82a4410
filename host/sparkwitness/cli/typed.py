"""What a person types before measuring: the options, the questions, and the set-up made of them."""

from pathlib import Path
from typing import Any

import click

from sparkwitness.cli import options
from sparkwitness.decode import wire
from sparkwitness.errors import UserError
from sparkwitness.timing import conditioner, wheel
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import CLAMPS, COUNTS, Setup

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
            "--sensor",
            type=click.Choice(conditioner.CRANK_KINDS),
            help="Crank sensor's conditioner, for its delay. Default: hall_optical.",
        ),
        click.option(
            "--clamp-kind",
            type=click.Choice(conditioner.CLAMP_KINDS),
            help="Kind of ignition under the clamp, for its delay. Default: not known.",
        ),
        click.option(
            "--wheel",
            "wheel_file",
            type=click.Path(path_type=Path),
            help="Tooth errors of the wheel, from `sparkwitness wheel`.",
        ),
    ]
)


def setup_from(typed: dict[str, Any], defaults: dict[str, Any] | None, ask: bool) -> Setup:
    """What was typed over the defaults; what is then missing is asked for, or said.

    Args:
        typed: values of `setup_options`, None where nothing was typed.
        defaults: plain values as in `Setup.to_dict`, or None.
        ask: somebody is there to answer.

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
    reference = dict(stored)
    given = {k: v for k, v in typed.items() if v is not None and v != ()}
    kind = given.pop("reference", None)
    angle = given.pop("reference_angle", reference.get("angle"))
    within = given.pop("reference_within", None)
    wheel_file = given.pop("wheel_file", None)
    if "dead_time" in given:
        given["dead_time_us"] = given.pop("dead_time")
    if kind is None and not reference:
        kind = _asked(ask, "What marks the crank (pulse, cam, 36-1, 60-2, …)", str, "--reference")
    if angle is None:
        text = "Crank degrees BTDC of the pulse or of the first edge after the gap"
        angle = _asked(ask, text, options.NUMBER, "--reference-angle")
    if within is None and ask:
        within = click.prompt("How well is that known, ± degrees", type=options.NUMBER, default=0.5)
    u_angle = within / 2 if within is not None else reference.get("u_angle", 0.25)
    if kind is not None:
        made = Reference.parse(kind, angle, u_angle)
    else:
        try:
            errors = tuple(reference.pop("errors", ()))
            made = Reference(**{**reference, "angle": angle, "u_angle": u_angle, "errors": errors})
        except TypeError as error:
            raise UserError(f"the stored set-up cannot be used ({error})") from None
    values["reference"] = made if wheel_file is None else wheel.load(wheel_file, made)
    values.update(given)
    falling = values.get("falling", ())
    values["falling"] = tuple(falling) if isinstance(falling, list | tuple) else (falling,)
    if ask:
        for name, text, kind_of, default in (
            ("commanded", "Angle the controller is locked at, ° BTDC", options.NUMBER, None),
            ("cylinders", "Cylinders", int, 4),
            ("strokes", "Strokes", int, 4),
            ("setting", "Controller's reference offset now", options.NUMBER, None),
            ("counts", "It counts degrees of", click.Choice(COUNTS), "crank"),
        ):
            if name not in values:
                values[name] = click.prompt(text, type=kind_of, default=default)
    try:
        return Setup(**values)
    except TypeError as error:
        raise UserError(f"the stored set-up cannot be used ({error})") from None


def _asked(ask: bool, text: str, kind: Any, option: str) -> Any:
    if not ask:
        raise UserError(f"{text.split(' (')[0].lower()} is not known: give {option}")
    return click.prompt(text, type=kind)
