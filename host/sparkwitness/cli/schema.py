"""`sparkwitness schema`: what --json prints, for programs that read it."""

import json

import click

from sparkwitness.faces import answers


@click.command()
@click.argument("words", metavar="[COMMAND]...", nargs=-1)
@click.option("--list", "listing", is_flag=True, help="Only the commands that print JSON.")
def command(words: tuple[str, ...], listing: bool) -> None:
    """JSON Schema (draft 2020-12) of what --json prints: of one COMMAND, or of all.

    Each answer holds its command and the schema's version. The version rises when a name goes or
    changes its meaning; new names may come without. Units are in the names.
    """
    if listing:
        click.echo("\n".join(answers.commands()))
        return
    click.echo(json.dumps(answers.schema(" ".join(words) or None), indent=2))
