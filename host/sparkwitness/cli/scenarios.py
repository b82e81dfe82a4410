"""`sparkwitness scenarios`: the simulated worlds that come with the package."""

import click
from rich.table import Table

from sparkwitness.cli import printing
from sparkwitness.faces.console import Console


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def command(as_json: bool) -> None:
    """Simulated engines and modules, with a line each.

    Play one with `sparkwitness demo NAME`; give one in place of a board with `--simulate NAME`.
    """
    from sparkwitness.simulator import scenario

    every = [scenario.load(name) for name in scenario.names()]
    if as_json:
        rows = [{k: getattr(one, k) for k in ("name", "kind", "title", "about")} for one in every]
        printing.answer("scenarios", {"scenarios": rows})
        return
    out = Console()
    for kind, heading in (("engine", "Engines"), ("bench", "Modules on the bench")):
        table = Table.grid(padding=(0, 2))
        table.add_column(no_wrap=True, style="bold")
        table.add_column()
        for one in every:
            if one.kind == kind:
                table.add_row(f"  {one.name}", one.title.removeprefix("bench: "))
        out.print(heading)
        out.print(table)
    out.print("\nPlay one: sparkwitness demo NAME", style="dim")
