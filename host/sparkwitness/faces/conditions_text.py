"""Runs of one module under several conditions, as text and as rows for a page."""

from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sparkwitness.bench.conditions import FACTORS, Conditions
from sparkwitness.timing.wording import plus_minus

Values = dict[str, Any]
HEADS = ("run", "rpm", "dwell, ms", "supply, V", "°C", "delay, µs")


def table(found: Conditions) -> RenderableType:
    """The runs, and what each condition does."""
    values = found.to_dict()
    made = Table(
        title="Trigger to first spark by condition", title_justify="left", title_style="bold",
        box=None, padding=(0, 1),
    )  # fmt: skip
    for k, head in enumerate(HEADS):
        made.add_column(head, justify="right" if k else "left", no_wrap=k > 0)
    for row in cells(values):
        made.add_row(*row)
    return Group(made, *(Text(f"→ {line}") for line in words(values)))


def cells(found: Values) -> list[tuple[str, ...]]:
    """A row of `HEADS` for each run and speed."""
    made: list[tuple[str, ...]] = []
    for row in found["rows"]:
        volts, warm = row["supply_v"], row["temperature_c"]
        typed = " typed" if row["supply"] == "typed" else ""
        made.append(
            (
                row["run"], f"{row['rpm']:g}", f"{row['dwell_ms']:.3g}",
                "-" if volts is None else f"{volts:.1f}{typed}",
                "-" if warm is None else f"{warm:g}",
                plus_minus(row["delay_us"], row["expanded_us"]),
            )
        )  # fmt: skip
    return made


def words(found: Values) -> list[str]:
    """What each condition does to the delay, a sentence each."""
    said = []
    for one in found["effects"]:
        word, unit = FACTORS[one["factor"]]
        low, high = one["interval_95"]
        value = one["us_per_unit"]
        span = f"between {one['varied_from']:.3g} and {one['varied_to']:.3g} {unit}"
        if one["surely"]:
            said.append(
                f"{word}: {plus_minus(value, (high - low) / 2)} µs for each {unit} more, {span}"
            )
        else:
            most = max(abs(low), abs(high))
            said.append(f"{word}: no effect seen {span}; at most {most:.2g} µs for each {unit}")
    if found["chi2_per_freedom"] is not None and found["chi2_per_freedom"] > 4:
        said.append(
            "straight lines describe these delays poorly: between the conditions driven the delay "
            "may be another one"
        )
    return [*said, *(f"not told of {why}" for why in found["not_told"])]
