"""Defaults of options from a file, and `sparkwitness config`, which shows it."""

import difflib
import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click
import platformdirs

from sparkwitness.errors import UserError
from sparkwitness.records.engines import table_from

SAMPLE = """\
# Defaults of sparkwitness; what is typed comes before them. One table per command; a key is an
# option's long name. `sparkwitness COMMAND --help` lists the options.

[measure]
# port = "/dev/ttyACM0"
# target = 0.3
# engine = "name of a saved engine"

[live]
# lan = true

[tdc.lamp]
# reference = "36-1"
"""


def path() -> Path:
    """The file: $SPARKWITNESS_CONFIG, else config.toml in the user's configuration folder."""
    named = os.environ.get("SPARKWITNESS_CONFIG")
    if named:
        return Path(named)
    return platformdirs.user_config_path("sparkwitness", appauthor=False) / "config.toml"


def defaults(file: Path, group: click.Group, ctx: click.Context) -> dict[str, Any]:
    """The file's tables as click's default map; empty where there is no file.

    Raises:
        UserError: it cannot be used, or has a table or key that nothing is called.
    """
    if not file.exists():
        return {}
    try:
        table = table_from(file)
        if "\\u0000" in json.dumps(table, default=str):
            raise UserError("a text in it holds a NUL character: take it out")
        return _checked(table, group, ctx, "")
    except UserError as error:
        raise UserError(f"{error.message} ({file}; `sparkwitness config` tells more)") from None


def _checked(
    table: dict[str, Any], group: click.Group, ctx: click.Context, where: str
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, inner in table.items():
        if where and not isinstance(inner, dict) and (known := _flags(group)):
            # A command that has commands of its own and options too.
            found[_option(name, f"{where}{name}", known)] = inner
            continue
        if name not in group.list_commands(ctx):
            raise UserError(_unknown(f"{where}{name}", name, group.list_commands(ctx), "command"))
        if not isinstance(inner, dict):
            raise UserError(f"{where}{name} must be a table of options, such as [{where}{name}]")
        # Only the command that is called is imported, so that the others stay quick to start.
        called = where or name == ctx.invoked_subcommand
        command = group.get_command(ctx, name) if called else None
        if isinstance(command, click.Group):
            found[name] = _checked(inner, command, ctx, f"{where}{name}.")
        elif command is not None:
            known = _flags(command)
            found[name] = {
                _option(key, f"{where}{name}.{key}", known): value for key, value in inner.items()
            }
    return found


def _flags(command: click.Command) -> dict[str, str]:
    """Long names of a command's options as a file has them, with the parameters' names."""
    return {
        flag.lstrip("-").replace("-", "_"): p.name or ""
        for p in command.params
        if isinstance(p, click.Option)
        for flag in p.opts
    }


def _option(key: str, full: str, known: dict[str, str]) -> str:
    plain = key.replace("-", "_")
    if plain not in known:
        raise UserError(_unknown(full, plain, known, "option"))
    return known[plain]


def _unknown(full: str, name: str, known: Iterable[str], what: str) -> str:
    near = difflib.get_close_matches(name, list(known), 1)
    hint = f"; did you mean {near[0]}?" if near else ""
    return f"there is no {what} {full!a} to set a default for{hint}"


@click.command()
def command() -> None:
    """Show the file with your defaults of options, or a sample to start one with.

    What is typed comes first, then the file. $SPARKWITNESS_CONFIG names another file.
    """
    file = path()
    if file.is_file():
        click.echo(f"# {file}")
        try:
            click.echo(file.read_text(encoding="utf-8"), nl=False)
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(f"cannot read {file}: {error}") from None
    else:
        click.echo(f"# There is no {file} yet; this is a sample.\n{SAMPLE}", nl=False)
