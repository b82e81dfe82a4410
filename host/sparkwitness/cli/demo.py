"""`sparkwitness demo`: the main job without hardware."""

from dataclasses import replace

import click
import numpy as np
from rich.console import Console

from sparkwitness.cli import sources
from sparkwitness.device import run as session
from sparkwitness.device.link import Link
from sparkwitness.faces import safety
from sparkwitness.faces import text as show
from sparkwitness.timing import measure
from sparkwitness.timing.setup import Setup

SCENARIO = "early-eight"


@click.command()
def command() -> None:
    """Measure, advise, enter the setting and measure again, on a simulated engine.

    A V8 whose newly fitted capacitive multi-spark module fires early. The simulated world is all
    that is simulated: the firmware is the board's own, the bytes are those of a board, and the
    truth printed beside each result is never read by what measures.
    """
    out = Console(highlight=False)
    safety.show(out, safety.RUNNING_ENGINE)
    with sources.board(SCENARIO, None) as source:
        assert source.setup is not None
        setup = Setup.from_dict(source.setup)
        out.print(
            f"\n{source.simulated.world.scenario.title}\nBoard: {source.simulated.interpreter}"
        )
        first = _measure(out, source, setup, "1. As found")
        assert first.advice is not None
        entered = first.advice.setting
        out.print(
            f"\n→ setting {entered:g} entered in the simulated controller, ignition off and on"
        )
        source.enter_setting(entered)
        setup = replace(setup, setting=entered)
        second = _measure(out, source, setup, "2. After the correction")
    assert second.error is not None and second.expanded is not None
    verdict = "is gone: it is" if abs(second.error) <= second.expanded else "is still there, not"
    out.print(f"\nThe error {verdict} inside its own interval of ±{second.expanded:.2f}°.")


def _truth(source: sources.Source, setup: Setup) -> float:
    """Mean angle at which the simulated engine's first sparks really came with this setting."""
    truth = source.simulated.world.truth()
    mine = (truth.setting == setup.setting) & (truth.sparks > 0)
    return float(np.mean(truth.btdc_deg[mine]))


def _measure(out: Console, source: sources.Source, setup: Setup, title: str) -> measure.Measurement:
    out.print(f"\n[bold]{title}[/bold]")
    with Link(source.port) as board, out.status("measuring") as line:
        result = session.run(
            board, setup, None, lambda so_far: line.update(show.status(so_far, setup.target))
        )
    out.print(show.measurement(result, setup))
    truth = _truth(source, setup)
    assert result.timing is not None and result.expanded is not None
    inside = "inside" if abs(result.timing - truth) <= result.expanded else "OUTSIDE"
    out.print(f"   truth         {show.angle(truth)} in the simulated world: {inside} the interval")
    return result
