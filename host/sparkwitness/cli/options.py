"""Options that several commands share."""

import math
import re
import sys
from collections.abc import Callable
from typing import Any

import click

Command = Callable[..., Any]


def stack(options: list[Callable[[Command], Command]]) -> Callable[[Command], Command]:
    """One decorator of several options, in the order in which help shows them."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


class Number(click.ParamType[float]):
    """A finite number; says what to type when it is none."""

    name = "number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        text = str(value).strip()
        shown = ascii(text) if len(text) <= 40 else ascii(text[:37]) + "..."
        if re.fullmatch(r"[+-]?\d+,\d+", text):
            self.fail(f"write a point for the decimals: {text.replace(',', '.')}", param, ctx)
        try:
            if "_" in text:
                raise ValueError
            number = float(text)
        except ValueError:
            self.fail(f"{shown} is not a number; type one such as 20 or 7.5", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{shown} is not a usable number; type one such as 20 or 7.5", param, ctx)
        return number


NUMBER = Number()


class Row(click.ParamType[tuple[float, ...]]):
    """Numbers in a row.

    Args:
        separator: between them.
        whole: whole numbers.
    """

    name = "row"

    def __init__(self, separator: str, whole: bool = False) -> None:
        self._separator, self._whole = separator, whole

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        if isinstance(value, tuple | list):
            return tuple(value)
        numbers = [NUMBER.convert(one, param, ctx) for one in str(value).split(self._separator)]
        if self._whole and any(one != int(one) for one in numbers):
            self.fail(f"{value!a} has numbers that are not whole", param, ctx)
        return tuple(int(one) for one in numbers) if self._whole else tuple(numbers)


def quiet() -> bool:
    """Whether --quiet was given: no progress, no hints."""
    ctx = click.get_current_context(silent=True)
    return bool(ctx is not None and ctx.find_root().params.get("quiet"))


def someone_answers(as_json: bool = False) -> bool:
    """Whether a person sits at the terminal and may be asked."""
    return sys.stdin.isatty() and not as_json


def _scenarios(ctx: click.Context, param: click.Parameter, begun: str) -> list[str]:
    from sparkwitness.simulator import scenario

    return [name for name in scenario.names() if name.startswith(begun)]


port = click.option(
    "--port",
    help="Serial port or pyserial URL of the board, such as /dev/ttyACM0, COM5 or "
    "socket://127.0.0.1:4321. Default: the one board that is plugged in.",
)
patience = click.option(
    "--patience",
    type=click.FloatRange(0.1, 1000),
    default=1.0,
    show_default=True,
    help="Factor on all time-outs, for a slow (emulated) board.",
)
source = stack(
    [
        port,
        click.option(
            "--simulate",
            metavar="SCENARIO",
            shell_complete=_scenarios,
            help="A simulated engine, by name or file; `sparkwitness scenarios` lists them.",
        ),
        patience,
    ]
)
as_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
yes = click.option("--yes", is_flag=True, help="I have read the cautions; do not prompt.")
