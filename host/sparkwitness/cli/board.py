"""`sparkwitness board`: find, identify, install, self-test a board, and get its prompt."""

import sys
from typing import Any

import click
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from sparkwitness.cli import ask, codes, meter, options, printing, sources
from sparkwitness.decode import wire
from sparkwitness.device import install as installer
from sparkwitness.device import link, loopback, selftest
from sparkwitness.device.link import Link
from sparkwitness.device.prompt import to_prompt
from sparkwitness.errors import UserError
from sparkwitness.faces import answers, safety
from sparkwitness.faces.console import Console, consoles

_LONGEST_S = 60.0


@click.group()
def command() -> None:
    """The board itself: find it, identify it, install the firmware, test it.

    A new board: put MicroPython 1.24 or newer on it (hold BOOTSEL while plugging it in, copy the
    UF2 file for its type to the drive that appears), then `sparkwitness board install`.
    """


command.add_command(meter.command)


# list and identify


@command.command(name="list")
@options.as_json
def list_boards(as_json: bool) -> None:
    """Ports with a board, and who answers there.

    Each board is asked once; one that another program has open is left alone.
    """
    out = Console()
    found = []
    for port in link.boards():
        entry: dict[str, Any] = {"port": port.device, "usb_serial": port.serial_number}
        try:
            with Link(port.device, patience=0.4) as board:
                entry |= {"identity": answers.board(board.hello), "note": None}
        except UserError as error:
            entry |= {"identity": None, "note": error.message}
        found.append(entry)
    if as_json:
        printing.answer("board list", {"boards": found})
        return
    if not found:
        out.print(
            "No board is plugged in. (A board in BOOTSEL mode shows as a drive, not as a port; "
            "other serial ports can be named with --port.)"
        )
        return
    table = Table("port", "board", "id", "firmware")
    for entry in found:
        who = entry["identity"]
        if who:
            table.add_row(entry["port"], who["board"], who["uid"], who["firmware"])
        else:
            table.add_row(entry["port"], entry["note"], entry["usb_serial"] or "", "")
    out.print(table)


def in_words(hello: dict[str, Any]) -> Table:
    """A hello as a table of sentences."""
    plain = answers.board(hello)
    rows = Table.grid(padding=(0, 3))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column()
    rows.add_row("board", f"{plain['board']}, id {plain['uid']}")
    rows.add_row("firmware", f"{plain['firmware']}, protocol {plain['protocol']}, {plain['state']}")
    rows.add_row(
        "tick",
        f"{hello['tick_ps'] / 1000:g} ns from a clock of {hello['clock_hz'] / 1e6:g} MHz "
        "(nominal: the crystal's error, some 30 ppm by common practice, is the same for all times "
        "and cancels in angles)",
    )
    for i, name in enumerate(wire.INPUTS):
        edge = "falling" if hello["falling"] >> i & 1 else "rising"
        said = f"stamps the {edge} edge" if hello["enabled"] >> i & 1 else "not captured"
        rows.add_row(name.replace("_", " "), f"{said}, GP{loopback.PINS['pins'][name]['gpio']}")
    rows.add_row(
        "limits",
        f"pulses of {hello['min_pulse_ns']} ns are surely seen, dead time at most "
        f"{hello['dead_ns']} ns, room for {hello['ring_edges']} edges per input (bounds, no "
        "uncertainty)",
    )
    return rows


@command.command()
@options.source
@options.as_json
def identify(port: str | None, simulate: str | None, patience: float, as_json: bool) -> None:
    """Who the board is: name, id, firmware, tick, inputs and their edges, limits."""
    if simulate is not None and port is not None:
        raise UserError("give one of --port and --simulate")
    with sources.board(simulate, port) as source, Link(source.port, patience) as board:
        hello = board.hello
    if as_json:
        printing.answer("board identify", answers.board(hello))
    else:
        Console().print(in_words(hello))


# install and leave


@command.command()
@options.port
@options.patience
@click.option(
    "--as",
    "form",
    type=click.Choice(installer.FORMS),
    default="mpy",
    show_default=True,
    help="mpy: compiled for the board by mpy-cross, starts faster; py: source files.",
)
@click.option("--replace", is_flag=True, help="Overwrite files of another program.")
@options.as_json
def install(port: str | None, patience: float, form: str, replace: bool, as_json: bool) -> None:
    """Put the firmware on a board with MicroPython, verify it and start it.

    Works on a fresh board, on one at its prompt and on one that runs the firmware. Files that are
    there already are left alone; every file is verified by SHA-256 computed on the board. May be
    interrupted and repeated at any time: main.py goes last.
    """
    out, beside = consoles(as_json)
    chosen = port or link.choose_port()
    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
        console=beside, transient=True,
    )  # fmt: skip
    with bar:
        task = bar.add_task("reaching the board", total=None)

        def advance(name: str, done: int, total: int) -> None:
            bar.update(task, description=name or "verifying", completed=done, total=total or 1)

        done = installer.install(chosen, form, patience, replace, advance)
    if as_json:
        plain = {
            "port": chosen, "written": done.written, "same": done.same, "removed": done.removed,
            "bytes": done.size, "machine": done.traits.machine,
            "micropython": ".".join(map(str, done.traits.release)),
            "architecture": done.traits.architecture, "identity": answers.board(done.hello),
        }  # fmt: skip
        printing.answer("board install", plain)
        return
    release = ".".join(map(str, done.traits.release))
    out.print(f"{done.traits.machine}, MicroPython {release}, on {chosen}")
    out.print(
        f"{len(done.written)} files written, {len(done.same)} were there already, "
        f"{len(done.removed)} removed; all {done.size} bytes verified by SHA-256 on the board"
    )
    out.print(in_words(done.hello))


@command.command()
@options.port
@options.patience
@options.as_json
def leave(port: str | None, patience: float, as_json: bool) -> None:
    """Stop the firmware and give the board's MicroPython prompt, for mpremote.

    The firmware starts again when the board is reset or plugged in.
    """
    chosen = port or link.choose_port()
    to_prompt(chosen, patience)
    if as_json:
        printing.answer("board leave", {"port": chosen, "prompt": True})
    else:
        click.echo(f"The board is at its MicroPython prompt: mpremote connect {chosen}")


# self-test


@command.command(name="selftest")
@options.source
@click.option(
    "--seconds",
    type=click.FloatRange(2, 600),
    default=loopback.STEADY.seconds,
    show_default=True,
    help="Least length of the main stage; it goes on for up to a minute until the tick's length "
    "is known well.",
)
@click.option(
    "--supply", type=options.NUMBER, help="Supply voltage by a meter, V, to compare with."
)
@options.yes
@options.as_json
def selftest_command(
    port: str | None,
    simulate: str | None,
    patience: float,
    seconds: float,
    supply: float | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Check the board with its bench outputs jumpered to its inputs; prints a table and a verdict.

    Checks counts, skew between the inputs, length of the tick, a known delay, the supply reading
    and that nothing is lost under full load. Exit code 0 only if all pass; 4: one fails; 5:
    one could not be judged.
    """
    if simulate is not None and port is not None:
        raise UserError("give one of --port and --simulate")
    out, beside = consoles(as_json)
    interactive = sys.stdin.isatty() and not as_json
    safety.show(beside, _only_jumpers(), safety.LIVE_MODULE)
    if simulate is None and not yes:
        if not interactive:
            raise UserError(
                "the self-test drives the bench outputs: see that nothing but the jumpers is "
                "connected, then add --yes"
            )
        ask.cautions_taken("Is nothing but the jumpers connected?")
    plan = loopback.plan(seconds, max(seconds, _LONGEST_S))
    # A simulated board keeps the wall clock's time only where that is looked at: at full load a
    # busy computer would lose edges that a board does not.
    parts = [(plan, 0.0)] if simulate is None else [(plan[:1], 1.0), (plan[1:], 0.0)]
    stages = []
    with beside.status("self-test") as line:
        for some, speed in parts:
            with (
                sources.board(simulate, port, speed=speed) as source,
                Link(source.port, patience) as board,
            ):
                stages += loopback.run(
                    board, some, lambda name, share: line.update(f"{name} {100 * share:.0f} %")
                )
                hello = board.hello
    result = selftest.evaluate(stages, hello, supply, simulate is not None)
    if as_json:
        told = {**result.to_dict(), "board": answers.board(result.board)}
        printing.answer("board selftest", told)
    else:
        _show(out, result)
    unsure = all(check.verdict != "fail" for check in result.checks) and not result.jumpers
    sys.exit(0 if result.passed else codes.NOT_SURE if unsure else codes.BAD_NEWS)


def _only_jumpers() -> str:
    return (
        "The self-test drives the bench outputs. Nothing may be connected but these jumpers: "
        f"{', '.join(loopback.jumper_list())}.\nNo module, coil, clamp or engine: a module on the "
        "bench output would fire."
    )


def _show(out: Console, result: selftest.Result) -> None:
    out.print(in_words(result.board))
    table = Table("check", "measured (uncertainty: k = 2)", "limit", "")
    colour = {"pass": "green", "fail": "bold red", "open": "yellow"}
    for check in result.checks:
        table.add_row(
            check.name, check.measured, check.limit,
            Text(check.verdict, colour[check.verdict]),
        )  # fmt: skip
    out.print(table)
    for sentence in dict.fromkeys(result.jumpers):
        out.print(f"! {sentence}")
    for sentence in result.faults:
        out.print(f"! {sentence}")
    for sentence in result.said:
        out.print(f"! the board says: {sentence}")
    out.print(result.verdict, style="bold")
