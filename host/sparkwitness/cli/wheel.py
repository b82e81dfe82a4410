"""`sparkwitness wheel`: learn a reference wheel's tooth errors from a steady run."""

import json
from pathlib import Path

import click
import numpy as np

from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.flanks import Flank, meant
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import new_file
from sparkwitness.faces import text as show
from sparkwitness.timing.analyzer import CRANK
from sparkwitness.timing.angle import CrankTracker, Reference
from sparkwitness.timing.wheel import WheelLearner


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--reference", required=True, help="The wheel: 36-1, 60-2, cam 36-1, …")
@click.option("--cylinders", type=click.IntRange(1, 16), default=4, show_default=True)
@click.option("--strokes", type=click.Choice(["2", "4"]), default="4", show_default=True)
@click.option("--out", type=click.Path(path_type=Path), help="File to write for `measure --wheel`.")
def command(
    recording: Path, reference: str, cylinders: int, strokes: str, out: Path | None
) -> None:
    """Tooth errors of the wheel, from a recording at a high and steady speed.

    The higher the speed, the less the engine's own speed swing gets into them: 3000 rpm and more
    for some ten seconds. Record with `sparkwitness measure --record FILE` or `curve --record`.
    """
    source = Recording(recording)
    wheel = Reference.parse(reference, 0.0, 0.0)
    decoder, tracker, learner = EdgeDecoder(), CrankTracker(wheel), WheelLearner(wheel)
    flank: Flank | None = None
    for chunk in source.chunks():
        for batch in decoder.feed(chunk):
            flank = flank or Flank(meant(decoder.hello, CRANK))
            edges = flank.feed(batch.ticks[CRANK], batch.breaks[CRANK], batch.levels[CRANK])
            learner.feed(tracker.feed(*edges)[0])
    none = np.empty(0, np.int64)
    learner.feed(tracker.feed(none, none, last=True)[0])
    firings = cylinders / (int(strokes) / 2)
    learned = learner.result(firings, source.tick_ps * 1e-12, int(strokes))
    errors = np.array(learned.reference.errors)
    click.echo(
        f"{learned.periods} turns at {learned.rpm:.0f} rpm: teeth are off by "
        f"{errors.std():.3f}° (standard deviation), {np.abs(errors).max():.3f}° at most; each "
        f"known to ±{2 * learned.reference.u_errors:.3f}° (k = 2)"
    )
    click.echo(f"lost: {show.loss(decoder.loss)}")
    if out is None:
        return
    with new_file(out) as file:
        json.dump(learned.to_dict(), file, indent=1)
    click.echo(f"written to {out}: use it with `sparkwitness measure --wheel {out}`")
