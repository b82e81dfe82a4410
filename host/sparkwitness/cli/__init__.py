"""The command `sparkwitness`. Each command lives in its own module and is loaded when called."""

import importlib
import keyword
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, NoReturn

import click

from sparkwitness import __version__, foreign
from sparkwitness.errors import UserError
from sparkwitness.foreign import shown

COMMANDS = {
    "measure": "True timing at steady speed, its error, and the next setting.",
    "live": "The numbers as they come, on a page for a phone or in the terminal.",
    "curve": "Timing against speed while you sweep; fixed angle or delay.",
    "tdc": "True top dead centre from two piston stops; check with the marker lamp.",
    "wheel": "Learn a reference wheel's tooth errors from a steady run.",
    "demo": "A simulated engine or module played through, without hardware.",
    "scenarios": "The simulated engines and modules, with a line each.",
    "check": "Electrical checks: coil, supply, degrees.",
    "engine": "Saved engines: add, list, show, edit, remove.",
    "logbook": "Past results, and a check that they still reproduce.",
    "compare": "Before against after: what a part swap changed.",
    "report": "One run as a self-contained page, or PDF.",
    "import": "Another logger's data as a recording: VCD, CSV, sigrok, WAV, Parquet.",
    "export": "A recording's edges and events as CSV, Parquet, VCD or MDF4.",
    "summarize": "All recordings of a folder in one table.",
    "bench": "Test a removed ignition module: delay, drop-outs, switch-over, verdict.",
    "findfault": "Guided search for the link that lost the spark.",
    "case": "One repair from the symptom to the proof, step by step.",
    "schema": "JSON Schema of what --json prints.",
    "config": "The file with your defaults of options.",
    "completion": "Completion for bash, zsh or fish.",
    "board": "Find, identify, install and self-test the board.",
}


@contextmanager
def _said() -> Iterator[None]:
    """Refusals as sentences of click, with nothing in them that acts on a terminal."""
    try:
        yield
    except UserError as error:
        raise click.ClickException(shown(error.message)) from None
    except click.ClickException as error:
        error.message = shown(error.message)  # type: ignore[misc]  # final in its type only
        raise


def _give_up(error: OSError) -> NoReturn:
    """What the system refused and no command has put in words: often the output itself."""
    if not isinstance(error, BrokenPipeError):  # who reads has seen enough
        where = f"{shown(os.fsdecode(error.filename))}: " if error.filename else ""
        if not where:
            where = "the output could not be written: "
        click.echo(f"Error: {where}{error.strerror or error}; look at the disk", err=True)
    # What waits to be written would fail once more at the end of the program.
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(1)


class _Lazy(click.Group):
    """Commands by name, imported on demand, so that help is quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        name = f"{cmd_name}_" if keyword.iskeyword(cmd_name) else cmd_name
        module = importlib.import_module(f"{__name__}.{name}")
        command: click.Command = module.command
        command.name = cmd_name
        return command

    def main(self, *args: Any, **extra: Any) -> Any:
        # In this order each takes the number of the closed one, so that no file of ours does.
        for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
            if getattr(sys, name) is None:
                setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), mode))
        foreign.plain_where_needed()
        try:
            try:
                return super().main(*args, **extra)
            finally:
                sys.stdout.flush()
        except OSError as error:
            _give_up(error)

    def make_context(self, *args: Any, **extra: Any) -> click.Context:
        with _said():
            return super().make_context(*args, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        with _said():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(
    cls=_Lazy,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__)
@click.option("--quiet", is_flag=True, help="Only results, findings and cautions.")
@click.pass_context
def main(ctx: click.Context, quiet: bool) -> None:
    """Witness an engine's real spark: measure true ignition timing, find what is wrong with it,
    and get the next setting to enter.

    A board with MicroPython time-stamps a clamp on a plug lead and a crank reference; no board is
    needed for --simulate, --from and the demo.

    Exit codes: 0 done; 1 refused or failed, one sentence says why; 2 a wrong option; 3 ended
    without a result; 4 a result, and it is bad news; 5 a result that is not whole or not sure.
    """
    if ctx.invoked_subcommand not in (None, "config", "completion"):
        from sparkwitness.cli import config

        group = ctx.command
        assert isinstance(group, click.Group)
        ctx.default_map = config.defaults(config.path(), group, ctx)
