"""The levels at which edges were taken from voltages, as a picture to judge them by."""

import io

import numpy as np

from sparkwitness.errors import needed
from sparkwitness.faces.plots import BLUE, INK, STYLE, VERMILLION
from sparkwitness.records.import_.base import Trace

_WIDTH, _ROW = 8.0, 2.2  # inches


def svg(traces: list[Trace], names: dict[str, str]) -> bytes:
    """One row a channel: its voltage, the threshold and the hysteresis about it.

    Args:
        traces: as an import gives them.
        names: channel: what it is used as.

    Raises:
        UserError: matplotlib is not installed.
    """
    matplotlib, module = needed("matplotlib", "report"), needed("matplotlib.figure", "report")
    with matplotlib.rc_context(STYLE):
        figure = module.Figure(figsize=(_WIDTH, _ROW * len(traces)), layout="constrained")
        rows = figure.subplots(len(traces), 1, squeeze=False, sharex=True)[:, 0]
        for axes, one in zip(rows, traces, strict=True):
            upper, lower = (one.threshold + k * one.hysteresis / 2 for k in (1, -1))
            axes.plot(1000 * one.time, one.value, color=BLUE, linewidth=0.8)
            axes.axhspan(lower, upper, color=VERMILLION, alpha=0.15)
            axes.axhline(one.threshold, color=VERMILLION, linewidth=1.0)
            for level in (upper, lower):
                axes.axhline(level, color=VERMILLION, linewidth=0.8, linestyle="--")
            axes.set_title(
                f"an edge at {one.threshold:.3g}, if it comes from one side of {lower:.3g} and "
                f"{upper:.3g} and goes on to the other",
                fontsize=8, loc="left", color=INK,
            )  # fmt: skip
            use = names.get(one.channel)
            axes.set_ylabel(f"{one.channel}\n{use.replace('_', ' ') if use else 'not used'}")
            low, high = float(np.min(one.value)), float(np.max(one.value))
            room = 0.1 * max(high - low, 1e-9)
            axes.set_ylim(min(low, lower) - room, max(high, upper) + room)
        rows[-1].set_xlabel("time / ms")
        file = io.BytesIO()
        figure.savefig(file, format="svg", metadata={"Date": None})
    return file.getvalue()
