"""`sparkwitness demo`: the main job without hardware."""

import sys
from dataclasses import replace

import click
import numpy as np

from sparkwitness.cli import codes, sources
from sparkwitness.device import run as session
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces import text as show
from sparkwitness.faces.console import Console
from sparkwitness.timing import measure
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup

DEFAULT = "van-six"
_OTHER = {
    "curve": ["curve", "--seconds", "55", "--yes", "--no-log"],
    "findfault": ["findfault", "--yes", "--no-log"],
    "bench": ["bench", "--yes", "--no-log"],
}
"""Commands that play a scenario in whole, by its key `play`."""


@click.command()
@click.argument("name", default=DEFAULT)
@click.option("--meter", is_flag=True, help="Show the display of the meter without a computer.")
@click.option("--seconds", type=click.FloatRange(1, 3600), help="With --meter: for how long.")
@click.option("--new", is_flag=True, help="With --meter: nothing is set yet, as on a new board.")
def command(name: str, meter: bool, seconds: float | None, new: bool) -> None:
    """Play a scenario without hardware; without a NAME, the main job on a van's engine.

    Measures, advises, enters the setting and measures again; or does what the scenario is made
    for: a sweep of the speed, a search for the lost spark, a bench test. `sparkwitness scenarios`
    lists them. Only the world outside is simulated: the firmware is the board's own, the bytes
    are those of a board, and the truth printed beside a result is never read by what measures.

    With --meter, the display and the two buttons of the meter without a computer are in the
    terminal, drawn by the firmware itself: try it before you build one.
    """
    from sparkwitness.simulator import scenario

    loaded = scenario.load(name)
    out = Console()
    if meter:
        from sparkwitness.cli import demo_meter

        demo_meter.play(out, name, seconds, new)
        return
    if seconds or new:
        raise UserError("--seconds and --new belong to --meter")
    kind = "bench" if loaded.kind == "bench" else loaded.play
    if kind in _OTHER:
        from sparkwitness.cli import main

        out.print(f"{loaded.title}\n{loaded.about}".rstrip(), style="bold")
        typed = [_OTHER[kind][0], "--simulate", name, *_OTHER[kind][1:]]
        out.print(f"$ sparkwitness {' '.join(typed)}\n", style="dim")
        main.main(typed, standalone_mode=False)
        return
    safety.show(out, safety.RUNNING_ENGINE)
    with sources.board(name, None) as source:
        assert source.setup is not None
        setup = Setup.from_dict(source.setup)
        out.print(f"\n{loaded.title}\nBoard: {source.simulated.interpreter}")
        first = _measure(out, source, setup, "1. As found")
        if first.timing is None:
            sys.exit(codes.NOTHING)
        if first.advice is None or first.advice.setting == setup.setting:
            return
        entered = first.advice.setting
        out.print(
            f"\n→ setting {entered:g} entered in the simulated controller, ignition off and on"
        )
        source.enter_setting(entered)
        setup = replace(setup, setting=entered)
        second = _measure(out, source, setup, "2. After the correction")
    if second.error is None or second.expanded is None or second.advice is None:
        sys.exit(codes.NOTHING)
    half = abs(setup.gain) * setup.step / 2
    near = abs(second.error) <= second.expanded + half
    out.print(
        f"\nWhat is left of the error, {second.error:+.2f}° ± {second.expanded:.2f}°, is "
        f"{'no more' if near else 'MORE'} than half a step of the setting ({half:.2f}°) and the "
        "interval."
    )


def _truth(source: sources.Source, setup: Setup) -> float:
    """Mean angle at which the first sparks really came on clamp A with this setting."""
    truth = source.simulated.world.truth()
    mine = truth.on_a & (truth.setting == setup.setting) & (truth.sparks > 0)
    return float(np.mean(truth.btdc_deg[mine]))


def _parts(source: sources.Source, setup: Setup) -> tuple[float, float]:
    """Trigger angle, degrees BTDC, and module's delay, µs, as they really were on clamp A."""
    truth = source.simulated.world.truth()
    mine = truth.on_a & (truth.setting == setup.setting) & (truth.sparks > 0)
    late = (truth.spark_s - truth.trigger_s)[mine]
    asked = truth.btdc_deg[mine] + 6.0 * truth.rpm[mine] * late
    return float(np.mean(asked)), 1e6 * float(np.mean(late))


def _inside(found: Number, truth: float) -> str:
    return "inside" if abs(found - truth) <= found.u95 else "OUTSIDE"


def _measure(out: Console, source: sources.Source, setup: Setup, title: str) -> measure.Measurement:
    out.print(f"\n{title}", style="bold")
    with Link(source.port) as board, out.status("measuring") as line:
        result = session.run(
            board, setup, None, lambda so_far: line.update(show.status(so_far, setup.target))
        )
    out.print(show.measurement(result, setup))
    if result.timing is not None and result.expanded is not None:
        truth = _truth(source, setup)
        inside = "inside" if abs(result.timing - truth) <= result.expanded else "OUTSIDE"
        out.print(
            f"   truth         {show.angle(truth)} in the simulated world: {inside} the interval"
        )
    if result.split is not None:
        asked, late = _parts(source, setup)
        split = result.split
        out.print(
            f"   of its parts  the trigger came at {show.angle(asked)}: "
            f"{_inside(split.angle, asked)}; the module took {late:.1f} µs: "
            f"{_inside(split.delay_us, late)}"
        )
    return result
