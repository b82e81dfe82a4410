"""`sparkwitness engine`: saved engines."""

from pathlib import Path

import click
from rich.table import Table

from sparkwitness.cli import ask, options, printing
from sparkwitness.cli import keeping as keep
from sparkwitness.cli import typed as typing
from sparkwitness.errors import UserError
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console
from sparkwitness.records import engines
from sparkwitness.timing.setup import Setup


@click.group(short_help="Saved engines: add, list, show, edit, remove.")
def command() -> None:
    """Saved engines: what is typed about an engine, kept under a name.

    Use one with `--engine NAME`. Each is a plain TOML file that can be sent to a friend; `engine
    add FILE.toml` takes one in.
    """


@command.command()
@click.argument("name")
@click.option("--like", type=int, metavar="RUN", help="Take the set-up of this logbook run.")
@click.option("--replace", is_flag=True, help="Write over one that is saved already.")
@typing.setup_options
@keep.logbook_option
def add(
    name: str, like: int | None, replace: bool, logbook_file: Path | None, **typed: object
) -> None:
    """Save an engine from options and questions, a logbook run, or a file.

    NAME is the new name, or a TOML file from somebody else.
    """
    out = Console()
    if name.endswith(".toml"):
        if like is not None or any(v not in (None, ()) for v in typed.values()):
            raise UserError("a file says it all: leave the other options out")
        name, setup = engines.read(Path(name))
    else:
        engines.path_of(name)
        if engines.has(name) and not replace:
            raise UserError(f"an engine called {name} is saved already; --replace writes it anew")
        before = None
        if like is not None:
            with keep.open_logbook(logbook_file, out) as book:
                before = keep.setup_of(book, like)
        setup = typing.setup_from(typed, before, options.someone_answers(), save=False)
    path = engines.save(name, setup, replace)
    out.print(f"saved as {path}")


@command.command("list")
@options.as_json
def list_(as_json: bool) -> None:
    """All saved engines with a line each."""
    out = Console()
    found: dict[str, Setup | str] = {}
    for name in engines.names():
        try:
            found[name] = engines.load(name)[1]
        except UserError as error:
            found[name] = error.message
    if as_json:
        rows = [
            {"name": n, **({"setup": s.to_dict()} if isinstance(s, Setup) else {"error": s})}
            for n, s in found.items()
        ]
        printing.answer("engine list", {"engines": rows})
        return
    if not found:
        out.print("No engine is saved: `sparkwitness engine add NAME` saves one.")
        return
    table = Table.grid(padding=(0, 2))
    for name, setup in found.items():
        table.add_row(name, _line(setup) if isinstance(setup, Setup) else f"! {setup}")
    out.print(table)


@command.command("show")
@click.argument("name")
@options.as_json
def show_(name: str, as_json: bool) -> None:
    """Print an engine's file, to read or to send."""
    name, setup = engines.load(name)
    if as_json:
        printing.answer("engine show", {"name": name, "setup": setup.to_dict()})
    else:
        click.echo(engines.to_toml(name, setup), nl=False)


@command.command()
@click.argument("name")
def edit(name: str) -> None:
    """Change an engine's file in your editor ($EDITOR); it is checked before it is kept."""
    name, setup = engines.load(name)
    text: str | None = engines.to_toml(name, setup)
    while True:
        try:
            text = click.edit(text, extension=".toml", require_save=True)
        except click.ClickException as error:
            raise UserError(f"no editor could be started ({error.message}); set $EDITOR") from None
        if text is None:
            raise UserError("nothing was changed")
        try:
            new, setup = engines.parse(text)
            if new != name and engines.has(new):
                raise UserError(f"an engine called {new} is saved already")
            break
        except UserError as error:
            click.echo(f"Not kept: {error.message}.")
            if not options.someone_answers() or not ask.yes_no("Edit it again?", True):
                raise UserError("nothing was changed") from None
    path = engines.save(new, setup, replace=True)
    if new != name:
        engines.remove(name)
    click.echo(f"saved as {path}")


@command.command()
@click.argument("name")
@click.option("--yes", is_flag=True, help="Do not ask.")
def remove(name: str, yes: bool) -> None:
    """Delete a saved engine; the logbook keeps its runs."""
    if not engines.has(name):
        engines.load(name)
    if not yes and options.someone_answers() and not ask.yes_no(f"Delete {name}?", False):
        raise UserError("nothing was deleted")
    engines.remove(name)


def _line(setup: Setup) -> str:
    commanded = "" if setup.commanded is None else f", commanded {show.angle(setup.commanded)}"
    return (
        f"{setup.cylinders} cylinders, {setup.strokes}-stroke, reference {setup.reference} at "
        f"{setup.reference.angle:g}° BTDC{commanded}"
    )
