"""A command's answer as JSON."""

import json
from collections.abc import Mapping
from typing import Any

import click

from sparkwitness.faces import answers


def answer(command: str, values: Mapping[str, Any]) -> None:
    """Print plain values as the schema names them; `command` as in `answers.commands()`."""
    click.echo(json.dumps(answers.publish(command, values), indent=2, allow_nan=False))
