"""`sparkwitness tdc`: true top dead centre, and a look at it with the marker lamp."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import click

from sparkwitness.cli import ask, options, printing, sources
from sparkwitness.decode import wire
from sparkwitness.device.link import Link
from sparkwitness.device.stream import Stream
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console, consoles
from sparkwitness.fault import electrical
from sparkwitness.timing import tdc
from sparkwitness.timing.angle import Reference


@click.group()
def command() -> None:
    """True top dead centre: from two piston stops, then checked with the marker lamp."""


@command.command()
@click.argument("before", type=options.NUMBER)
@click.argument("after", type=options.NUMBER)
@click.option("--within", type=options.NUMBER, default=0.5, show_default=True,
              help="How well the degree wheel is read, ± degrees (k = 2).")  # fmt: skip
@click.option("--stroke", type=options.NUMBER, help="Stroke, for an offset pin.")
@click.option("--rod", type=options.NUMBER, help="Rod length between centres, same unit.")
@click.option("--offset", type=options.NUMBER, default=0.0,
              help="Pin offset, same unit, positive to the side the crank pin moves to after the "
              "top.")  # fmt: skip
@click.option("--pulse", type=options.NUMBER,
              help="Wheel's reading where the reference pulse comes: gives its angle.")  # fmt: skip
@options.as_json
def stops(
    before: float,
    after: float,
    within: float,
    stroke: float | None,
    rod: float | None,
    offset: float,
    pulse: float | None,
    as_json: bool,
) -> None:
    """Top dead centre from the degree wheel's readings at the piston stop.

    BEFORE is the reading where the piston touches the stop turning in running direction, AFTER
    where it touches turning backwards; the wheel's numbers grow in running direction. Negative
    readings go after a "--", as in: tdc stops -- -34.5 31.5
    """
    out, beside = consoles(as_json)
    safety.show(beside, safety.STANDING_ENGINE)
    found = tdc.from_stops(before, after, within / 2, stroke, rod, offset)
    angle = None if pulse is None else (found.reading - pulse + 180.0) % 360.0 - 180.0
    u_angle = float((found.u**2 + (within / 2) ** 2) ** 0.5)
    if as_json:
        values = {
            "reading": found.reading, "tdc_expanded_deg": 2 * found.u,
            "half": found.half, "correction": found.correction,
            "reference_angle_deg_btdc": angle, "reference_expanded_deg": 2 * u_angle,
        }  # fmt: skip
        printing.answer("tdc stops", values)
        return
    out.print(f"top dead centre reads {found.reading:+.2f}° ± {2 * found.u:.2f}° (k = 2)")
    if found.correction:
        out.print(f"of that {found.correction:+.3f}° corrects the midpoint for the offset pin")
    if abs(found.reading) > 2 * found.u:
        out.print(f"so the wheel's (or damper's) zero mark is {found.reading:+.2f}° off the top")
    if angle is not None:
        out.print(
            f"reference pulse: {show.angle(angle)} ± {2 * u_angle:.2f}°; use "
            f"--reference-angle {angle:.2f} --reference-within {2 * u_angle:.2f}"
        )


@command.command()
@options.source
@click.option("--reference", required=True, help="What marks the crank: pulse, 36-1, 60-2.")
@click.option("--reference-angle", type=options.NUMBER, required=True,
              help="Its angle as believed now, degrees BTDC.")  # fmt: skip
@click.option("--at", type=options.NUMBER, default=0.0, show_default=True,
              help="Crank angle to flash at, degrees BTDC.")  # fmt: skip
@click.option("--flash", type=click.IntRange(20, 200), default=50, show_default=True,
              help="Length of the flash, µs.")  # fmt: skip
@click.option("--diameter", type=options.NUMBER, help="Damper's diameter, mm: read the mark in mm.")
@click.option(
    "--seconds",
    type=click.FloatRange(0.1, 3600),
    help="Stop after this many seconds (default: ask).",
)
@options.yes
def lamp(
    port: str | None,
    simulate: str | None,
    patience: float,
    reference: str,
    reference_angle: float,
    at: float,
    flash: int,
    diameter: float | None,
    seconds: float | None,
    yes: bool,
) -> None:
    """Flash the marker lamp at an angle, to see whether the damper's mark stands there."""
    out = Console()
    wheel = Reference.parse(reference, reference_angle, 0.0)
    if wheel.turns != 1 or (wheel.teeth > 1 and not wheel.missing):
        raise UserError("the lamp needs one pulse per crank revolution, or a wheel with a gap")
    safety.show(out, safety.RUNNING_ENGINE, safety.FLASHING_LAMP)
    if simulate is None and not yes:
        ask.cautions_taken()
    with (
        sources.board(simulate, port, speed=1.0) as source,
        Link(source.port, patience) as board,
        Stream(board, interrupts="leave") as stream,
    ):
        stream.command(
            "lamp",
            mode=wire.ENUMS["lamp_mode"]["angle"],
            teeth=wheel.teeth,
            missing=wheel.missing,
            input=0,
            angle_mdeg=round(((reference_angle - at) % 360.0) * 1000) % 360_000,
            flash_us=flash,
        )
        out.print(f"Flashing at {show.angle(at)}. Look where the mark stands.")
        seen = _wait(stream, seconds, diameter)
    if seen is None:
        return
    if diameter is not None:
        seen = electrical.degrees_from_arc(seen, diameter)
    out.print(
        f"The mark stands {abs(seen):.2f}° {'before' if seen > 0 else 'past'} its place: either "
        f"the mark is off by that, or the reference angle is {reference_angle + seen:.2f}° BTDC. "
        "Find out which with a piston stop."
    )


def _wait(stream: Stream, seconds: float | None, diameter: float | None) -> float | None:
    """Keep the lamp going until the person has looked; what they read, or None."""
    if seconds is not None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            stream.receive()
        return None
    unit = "degrees" if diameter is None else "mm"
    text = (
        f"How far has the mark still to go to its place, {unit} (past it: minus; Enter: not read)"
    )

    def convert(typed: str) -> float | None:
        return None if typed.lower() == "q" else options.NUMBER.convert(typed, None, None)

    # The lamp stays on for as long as the question stands, and no longer.
    answered = threading.Event()
    with ThreadPoolExecutor(1) as beside:
        keeping = beside.submit(_keep, stream, answered)
        try:
            seen: float | None = ask.question(text, convert, None, empty=True)
        finally:
            answered.set()
        keeping.result()
    return seen


def _keep(stream: Stream, answered: threading.Event) -> None:
    while not answered.is_set():
        stream.receive()
