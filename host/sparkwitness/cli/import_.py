"""`sparkwitness import`: another logger's data as a recording."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from sparkwitness.cli import ask, options, printing
from sparkwitness.cli import typed as typing
from sparkwitness.decode import wire
from sparkwitness.errors import UserError, whole_file
from sparkwitness.faces.console import Console, consoles
from sparkwitness.records import engines, logbook
from sparkwitness.records.import_ import write as imports
from sparkwitness.records.import_.base import UNITS, Logged, Options, chosen, listed, near_to
from sparkwitness.timing.setup import Setup

_U_DELAY_US = 0.5
_NEEDED = ("crank", "clamp_a")
_CLAMPS = wire.INPUTS[1:3]


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The recording. Default: the file's name with .rec, in this folder.",
)
@click.option(
    "--format", "kind", type=click.Choice(list(imports.FORMATS)), help="Default: found in it."
)
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="INPUT=NAME",
    help="The file's channel of an input (crank, clamp_a, clamp_b, trigger), such as crank=D0.",
)
@click.option("--time", metavar="COLUMN", help="Column with the times. Default: by its name.")
@click.option(
    "--unit",
    type=click.Choice(UNITS),
    help="Unit of the times. Default: by the column's name, or s.",
)
@click.option(
    "--rate",
    type=options.NUMBER,
    help="Samples or clock steps a second, where the file lacks them.",
)
@click.option(
    "--threshold",
    multiple=True,
    metavar="NAME=LEVEL",
    help="Voltage (sound file: share of full scale) at which a channel has an edge. "
    "Default: half way up its pulses.",
)
@click.option(
    "--hysteresis",
    multiple=True,
    metavar="NAME=WIDTH",
    help="Width about the threshold that a channel must pass, so that noise is no edge.",
)
@click.option(
    "--delay", type=options.NUMBER, default=0.0, show_default=True,
    help="How much later the logger's spark input is than its crank input, µs.",
)  # fmt: skip
@click.option(
    "--delay-within", type=options.NUMBER, help="How well that is known, ± µs. Default: 1."
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Picture of voltages and levels. Default: the recording's name with .svg.",
)
@click.option("--engine", help="A saved engine, kept as what was typed.")
@click.option("--force", is_flag=True, help="Replace the recording and the picture.")
@typing.setup_options
@options.as_json
def command(
    file: Path,
    out: Path | None,
    kind: str | None,
    channels: tuple[str, ...],
    time: str | None,
    unit: str | None,
    rate: float | None,
    threshold: tuple[str, ...],
    hysteresis: tuple[str, ...],
    delay: float,
    delay_within: float | None,
    picture: Path | None,
    engine: str | None,
    force: bool,
    as_json: bool,
    **typed: Any,
) -> None:
    """Make a recording of another logger's FILE, which all commands take like one of a board.

    FILE is a VCD, a sigrok session (.sr), a Parquet table, a sound file (WAV, FLAC) or a text table
    (CSV): one row an edge with the channel's name, levels or voltages at times, or a column of
    times for each channel. Crank and spark must be logged by one clock.

    The recording says that it is imported, and so does every result from it. Nothing is known of
    the logger's inputs: say how late they are with --delay.
    """
    out_console, beside = consoles(as_json)
    out = out or Path(f"{file.stem}.rec")
    _free(out, force)
    said = Options(time, unit, rate, _levels("threshold", threshold),
                   _levels("hysteresis", hysteresis))  # fmt: skip
    logged = imports.read(file, said, kind)
    asks = options.someone_answers(as_json)
    inputs = _inputs(logged, _pairs(channels), asks, out_console)
    falling = _falling(logged, inputs, typed["falling"], logged.notes)
    within = max(2 * _U_DELAY_US, 2 * logged.blur_us) if delay_within is None else delay_within
    assumed = {
        "delay_us": delay, "u_delay_us": within / 2, "u_trigger_delay_us": within / 2,
        "falling": list(falling),
    }  # fmt: skip
    setup = _setup({**typed, "falling": falling}, engine, assumed, asks)
    about = {
        "format": kind or imports.format_of(file), "file": file.name,
        "sha256": logbook.hash_of(file)[0], "channels": inputs, "assumed": assumed,
        "notes": logged.notes,
    }  # fmt: skip
    with whole_file(out, force) as part:
        counts = imports.write(logged, inputs, falling, part, file, setup, about)
    drawn = _draw(logged, inputs, picture or out.with_suffix(".svg"), picture, force, beside)
    if as_json:
        told = {
            "recording": str(out), "source": imports.source_of(logged, file),
            "format": about["format"],
            "channels": inputs, "edges": counts, "tick_ps": logged.tick_ps,
            "falling": list(falling), "delay_us": delay, "delay_expanded_us": within,
            "setup": setup, "picture": str(drawn) if drawn else None, "notes": logged.notes,
        }  # fmt: skip
        printing.answer("import", told)
        return
    by_name = {c.name: c for c in logged.channels}
    for name, channel in inputs.items():
        edge = "falling" if name in falling else "rising"
        if name == "trigger" and by_name[channel].directed:
            edge = "rising and falling"
        out_console.print(
            f"{name.replace('_', ' ')}: {counts[name]} {edge} edges of {channel}",
            soft_wrap=True,
        )
    out_console.print(
        f"clock: steps of {logged.tick_ps / 1000:g} ns; the two inputs are taken to be "
        f"{'equally late' if not delay else f'{delay:g} µs apart'}, to within ± {within:.3g} µs",
        soft_wrap=True,
    )
    for note in logged.notes:
        out_console.print(f"! {note}", soft_wrap=True)
    if drawn:
        out_console.print(f"levels of the voltages: {drawn}", soft_wrap=True)
    out_console.print(f"{out}  {out.stat().st_size / 1e6:.2f} MB", soft_wrap=True)
    if setup is None and not options.quiet():
        out_console.print(
            f"next: sparkwitness measure --from {out} --reference … --reference-angle …",
            style="dim", soft_wrap=True,
        )  # fmt: skip


def _free(path: Path, force: bool) -> None:
    if path.exists() and not (force and path.is_file()):
        raise UserError(f"{path} already exists; choose another name with --out, or --force")


def _pairs(words: tuple[str, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign or not name or not value:
            raise UserError(f"write {word!a} as INPUT=NAME, such as crank=D0")
        if found.setdefault(name.strip(), value) != value:
            raise UserError(f"{name} is named twice")
    return found


def _levels(option: str, words: tuple[str, ...]) -> dict[str, float]:
    found = {}
    for word in words:
        name, sign, value = word.rpartition("=")
        if not sign or not name:
            raise UserError(f"write --{option} {word!a} as NAME=LEVEL, such as left=0.2")
        try:
            found[name] = float(options.NUMBER.convert(value, None, None))
        except click.UsageError as error:
            raise UserError(f"--{option} of {name}: {error.message}") from None
        if option == "hysteresis" and found[name] < 0:
            raise UserError(f"--hysteresis of {name} is a width: it must not be below 0")
    return found


def _inputs(logged: Logged, names: dict[str, str], asks: bool, out: Console) -> dict[str, str]:
    """Input: channel, as said, as named alike, or as answered."""
    try:
        return chosen(logged, names)
    except UserError:
        if not asks:
            raise
    out.print(f"The file has {listed(logged)}.", soft_wrap=True)
    for name in _NEEDED:
        if name in names:
            continue
        names[name] = ask.question(
            f"Which channel is the {name.replace('_', ' ')}",
            _channel_of(logged),
            None,
            "The crank's reference has the most edges of a wheel, or one a turn; the clamp on a "
            "plug lead has one for each spark of that cylinder.",
        )
    return chosen(logged, names)


def _channel_of(logged: Logged) -> Any:
    """Converts an answer to a channel's name."""
    names = [channel.name for channel in logged.channels]

    def convert(typed: str) -> str:
        near = near_to(typed, names)
        if len(near) != 1:
            raise UserError(f"type one of {', '.join(names[:16])}")
        return near[0]

    return convert


def _falling(
    logged: Logged, inputs: dict[str, str], typed: tuple[str, ...], notes: list[str]
) -> tuple[str, ...]:
    """Inputs of which the falling edge is taken: as said, and clamps whose pulses go down."""
    falling = list(typed)
    by_name = {c.name: c for c in logged.channels}
    for name, channel in inputs.items():
        one = by_name[channel]
        if name in falling and not one.directed:
            raise UserError(
                f"channel {channel} has edges without their direction: leave out --falling {name}"
            )
        if name not in falling and one.directed and one.down:
            if name in _CLAMPS:
                falling.append(name)
                notes.append(f"the pulses of {channel} go down: their falling edge is the first")
            elif name == "crank":
                notes.append(
                    f"{channel} rests high: its rising edge is the end of a pulse; "
                    "--falling crank takes the beginning"
                )
    return tuple(falling)


def _setup(
    typed: dict[str, Any], engine: str | None, assumed: dict[str, Any], asks: bool
) -> dict[str, Any] | None:
    """What was typed of the engine; None where nothing was."""
    given = {k for k, v in typed.items() if v is not None and v != () and k != "falling"}
    known: dict[str, Any] | None = None
    if engine is not None:
        known = engines.load(engine)[1].to_dict()
    elif not given and not (
        asks and ask.yes_no("Type now what the engine is? It can wait until you measure", False)
    ):
        return None
    # What is known of a board's conditioners is not true for another logger's.
    setup: Setup = typing.setup_from(typed, {**(known or {}), **assumed}, asks, save=False)
    return replace(setup, falling=tuple(assumed["falling"])).to_dict()


def _draw(
    logged: Logged,
    inputs: dict[str, str],
    path: Path,
    wanted: Path | None,
    force: bool,
    beside: Console,
) -> Path | None:
    """The picture of the levels; its want costs nothing else."""
    if not logged.traces:
        if wanted is not None:
            beside.print("! no picture: the file has levels, not voltages")
        return None
    from sparkwitness.faces import traces

    try:
        with whole_file(path, force) as part:
            data = traces.svg(logged.traces, {channel: name for name, channel in inputs.items()})
            part.write_bytes(data)
    except UserError as error:
        beside.print(f"! no picture: {error.message}", soft_wrap=True)
        return None
    return path
