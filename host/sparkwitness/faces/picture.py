"""A small picture of a measurement for the terminal: where its first sparks came."""

import numpy as np
from numpy.typing import NDArray
from rich.bar import Bar
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sparkwitness.timing.measure import Measurement

_ROWS = 9
_FEWEST = 10  # events, below which a picture says less than the numbers


def spread(result: Measurement, angles: NDArray[np.float64]) -> RenderableType | None:
    """A histogram of the first sparks' angles, with the mean and the commanded angle marked.

    None where there are too few events. One row per class of angle, the earliest on top.

    Args:
        result: the measurement.
        angles: float64[n] degrees BTDC of the events that it rests on, see `measure.used`.
    """
    if len(angles) < _FEWEST or result.timing is None:
        return None
    edges = classes(angles)
    counts, _ = np.histogram(angles, edges)
    table = Table.grid(padding=(0, 1))
    table.add_column(justify="right", style="dim", no_wrap=True)
    table.add_column(width=36)
    table.add_column(no_wrap=True)
    places = max(0, int(np.ceil(-np.log10(edges[1] - edges[0]))))
    for k in range(len(counts) - 1, -1, -1):
        row = (float(edges[k]), float(edges[k + 1]))
        table.add_row(
            f"{sum(row) / 2:.{places}f}°", Bar(int(counts.max()), 0, int(counts[k])),
            _marks(result, row),
        )  # fmt: skip
    title = f"first sparks, ° BTDC, {len(angles)} events"
    return Group(Text(title, style="dim"), table, Text(_beside(result, edges), style="dim"))


def classes(angles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Edges of at most `_ROWS` classes of a round width that hold all angles.

    Args:
        angles: float64[n] degrees.
    """
    low, high = float(angles.min()), float(angles.max())
    rough = max(high - low, 0.01) / (_ROWS - 1)
    power = 10.0 ** np.floor(np.log10(rough))
    width = next(one * power for one in (1, 2, 5, 10) if one * power >= rough * (1 - 1e-9))
    first = np.floor(low / width)
    count = max(1, int(np.ceil(high / width + 1e-9) - first))
    return np.asarray((first + np.arange(count + 1)) * width)


def _marks(result: Measurement, row: tuple[float, float]) -> Text:
    def here(angle: float | None) -> bool:
        return angle is not None and row[0] <= angle < row[1]

    text = Text()
    if here(result.timing):
        text.append("← mean ", style="bold")
    if here(result.commanded):
        text.append("← commanded", style="bold")
    return text


def _beside(result: Measurement, edges: NDArray[np.float64]) -> str:
    """What lies off the picture."""
    commanded = result.commanded
    if commanded is None or edges[0] <= commanded < edges[-1]:
        return "earlier is up"
    where = "above" if commanded > edges[-1] else "below"
    return f"earlier is up; the commanded {commanded:g}° lies {where} this picture"
