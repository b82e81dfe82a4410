"""`sparkwitness board meter`: settings of the meter without a computer."""

from dataclasses import asdict
from typing import Any

import click
from rich.table import Table

from sparkwitness.cli import options, printing
from sparkwitness.cli import typed as typing
from sparkwitness.device import link
from sparkwitness.device import meter as settings
from sparkwitness.device.prompt import Prompt, to_prompt
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces.console import consoles
from sparkwitness.records import engines

_NAMES = (
    "commanded", "reference", "reference_angle", "reference_within", "cylinders", "strokes",
    "clamp", "clamp_input", "falling", "sensor",
)  # fmt: skip


def _with_setup(command: click.Command) -> click.Command:
    """Give a command, before its --display, those of the set-up's options that the meter knows."""

    def bare() -> None:
        pass

    every = click.command(typing.setup_options(bare)).params
    at = [one.name for one in command.params].index("display")
    command.params[at:at] = [one for one in every if one.name in _NAMES]
    return command


@_with_setup
@click.command(name="meter")
@options.port
@options.patience
@click.option("--engine", metavar="NAME", help="Set it for this saved engine.")
@click.option("--display", type=click.Choice(settings.DISPLAYS), help="Kind of display.")
@click.option("--clear", is_flag=True, help="As a new board: no wheel is chosen.")
@options.as_json
def command(
    port: str | None,
    patience: float,
    engine: str | None,
    display: str | None,
    clear: bool,
    as_json: bool,
    **typed: Any,
) -> None:
    """Show or set what the meter without a computer is told about the engine.

    Without options: what the board keeps. With --engine, or with the same options as `measure`
    has: writes it to the board, reads it back, and starts the meter anew. What is not given stays
    as it is.
    """
    out, beside = consoles(as_json)
    given = {k: v for k, v in typed.items() if v is not None and v != ()}
    if clear and (given or engine or display):
        raise UserError("--clear takes no other setting beside it")
    stored = engines.load(engine)[1] if engine else None
    chosen = port or link.choose_port()
    if given or stored:
        safety.show(beside, _REFERENCE)
    to_prompt(chosen, patience)
    with Prompt(chosen, patience) as board:
        try:
            kept = settings.read(board)
            values = settings.first() if clear or kept is None else kept
            if given or stored:
                defaults = asdict(stored) if stored else settings.as_setup(values)
                setup = typing.setup_from(given, defaults, False, save=False)
                values = settings.from_setup(setup, values)
            if display:
                values = {**values, "display": settings.DISPLAYS.index(display)}
            changed = bool(clear or given or stored or display)
            if changed:
                settings.write(board, values)
        finally:
            board.restart()
    if as_json:
        told = {"port": chosen, "written": changed, "kept": changed or kept is not None}
        printing.answer("board meter", {**told, "settings": settings.plain(values)})
        return
    table = Table.grid(padding=(0, 3))
    table.add_column(style="dim", no_wrap=True)
    for name, words in settings.in_words(values):
        table.add_row(name, words)
    if changed:
        out.print("written to the board, read back, and in use:")
    elif kept is None:
        out.print("nothing is kept on the board; it starts with:")
    else:
        out.print("kept on the board:")
    out.print(table)
    if stored and stored.reference.errors:
        out.print("! the meter does not use this engine's tooth errors: its teeth count as even")


_REFERENCE = (
    "The angle on the display is only as right as the reference angle set here. Find top dead "
    "centre with a piston stop before you trust it; a wrong angle can burn a piston."
)
