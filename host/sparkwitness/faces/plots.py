"""Plots of a recording for a report: SVG with words that say the same.

Colours are of Okabe & Ito's set (Color Universal Design, 2008), told apart in every kind of colour
vision; every difference that matters is also one of line, marker or hatch, so that a black and
white print loses nothing.
"""

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import needed
from sparkwitness.faces import text as show
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed

Floats = NDArray[np.float64]

BLUE, VERMILLION, GREEN, INK, PALE = "#0072B2", "#D55E00", "#009E73", "#222222", "#9a9a9a"
_WIDTH, _HEIGHT = 4.6, 3.0  # inches, at 100 dots each on the screen
_MANY = 1500  # points above which an image is smaller than as many drawn marks
_RASTER_ROWS = 400
STYLE: dict[str, Any] = {
    "font.family": "sans-serif", "font.size": 9, "axes.spines.top": False,
    "axes.spines.right": False, "axes.edgecolor": INK, "axes.labelcolor": INK, "axes.grid": True,
    "grid.color": "#dddddd", "grid.linewidth": 0.6, "axes.axisbelow": True, "text.color": INK,
    "xtick.color": INK, "ytick.color": INK, "legend.fontsize": 8, "legend.framealpha": 0.9,
    "legend.edgecolor": "#cccccc", "svg.fonttype": "path", "svg.hashsalt": "sparkwitness",
}  # fmt: skip


@dataclass(frozen=True)
class Plot:
    """A plot: its SVG, a heading, and what it shows in words for those who cannot see it."""

    svg: str
    title: str
    words: str
    wide: bool = False


@dataclass(frozen=True)
class Line:
    """timing = offset + slope * rpm over all events, with what its 95 % band needs.

    Attributes:
        offset: degrees BTDC at 0 rev/min.
        slope: degrees per rev/min, with its 95 % interval `low`, `high`.
        covariance: float64[2, 2] of offset and slope.
    """

    offset: float
    slope: float
    low: float
    high: float
    covariance: Floats
    freedom: int

    def at(self, rpm: Floats) -> tuple[Floats, Floats]:
        """Timing and the half width of its 95 % interval at speeds, float64[n] each."""
        rows = np.column_stack((np.ones_like(rpm), rpm))
        spread = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows))
        factor = intervals.student_quantile(0.975, self.freedom)
        return self.offset + self.slope * rpm, factor * spread


def line_through(timed: Timed) -> Line | None:
    """A straight line through all events where their speeds differ enough to tell one.

    None below a range of 10 % of the speed, or fewer than 30 events. Neighbouring events may be
    alike, so the points are means of 20 consecutive ones, with the scatter between those.
    """
    known = np.isfinite(timed.speed)
    speed, angles = timed.speed[known], timed.angles[known]
    if len(speed) < 60 or np.ptp(np.percentile(speed, (5, 95))) < 0.1 * np.median(speed):
        return None
    whole = len(speed) // 20 * 20
    x = speed[:whole].reshape(-1, 20).mean(axis=1)
    y = angles[:whole].reshape(-1, 20).mean(axis=1)
    if len(x) < 3 or np.ptp(x) == 0:
        return None
    u = np.full(len(x), max(1e-6, 1e-3 * float(np.std(y))))
    fit = intervals.least_squares(np.column_stack((np.ones_like(x), x)), y, u)
    slope, (low, high) = intervals.slope(x, y, u)
    return Line(float(fit.values[0]), slope, low, high, fit.covariance, fit.freedom)


def all_of(
    setup: Setup,
    tables: Tables,
    timed: Timed,
    steady: NDArray[np.bool_],
    expanded: float | None,
    supply: tuple[Floats, Floats],
) -> list[Plot]:
    """The plots of a measurement.

    Args:
        setup: what was typed.
        tables, timed: of the recording.
        steady: bool per event of `timed`, those that the result rests on.
        expanded: the result's expanded uncertainty, degrees.
        supply: seconds float64[n] and volts float64[n].

    Raises:
        UserError: matplotlib is not installed.
    """
    sparks = _bursts(tables, timed)
    plots = [
        _against_speed(setup, timed, steady, expanded),
        _histogram(setup, timed, steady, expanded),
        _raster(sparks),
        _counts(timed),
    ]
    if any(len(burst) > 1 for burst in sparks):
        plots.append(_burst(sparks, float(np.nanmean(timed.speed))))
    plots.append(_against_time(setup, timed, steady, tables.tick_s))
    if len(supply[0]):
        plots.append(_supply(*supply))
    return plots


def _figure(wide: bool) -> tuple[Any, Any]:
    """A figure without the library's global state, so that a server may draw too."""
    figure_module = needed("matplotlib.figure", "report")
    size = (2.07 * _WIDTH, 0.7 * _HEIGHT) if wide else (_WIDTH, _HEIGHT)
    figure = figure_module.Figure(figsize=size, layout="constrained")
    return figure, figure.add_subplot()


def drawn(make: Any, title: str, wide: bool = False) -> Plot:
    """Draw with our style; `make` gets the axes and gives the words."""
    matplotlib = needed("matplotlib", "report")
    with matplotlib.rc_context(STYLE):
        figure, axes = _figure(wide)
        words = make(axes)
        out = io.StringIO()
        figure.savefig(out, format="svg", dpi=200, metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    return Plot(svg[svg.index("<svg") :], title, words, wide)


def _against_speed(
    setup: Setup,
    timed: Timed,
    steady: NDArray[np.bool_],
    expanded: float | None,
) -> Plot:
    def make(axes: Any) -> str:
        many = len(timed.angles) > _MANY
        known = np.isfinite(timed.speed)
        rest, used = ~steady & known, steady & known
        if rest.any():
            axes.plot(timed.speed[rest], timed.angles[rest], "x", ms=3.5, color=PALE,
                      label="at another speed", rasterized=many)  # fmt: skip
        if used.any():
            axes.plot(timed.speed[used], timed.angles[used], ".", ms=4, color=BLUE, alpha=0.6,
                      label="events, first sparks", rasterized=many)  # fmt: skip
        words = f"{len(timed.angles)} events from {np.nanmin(timed.speed):.0f} to " \
                f"{np.nanmax(timed.speed):.0f} rpm."  # fmt: skip
        if setup.commanded is not None:
            axes.axhline(setup.commanded, color=VERMILLION, ls="--", lw=1.5, label="commanded")
            words += f" Commanded: {show.angle(setup.commanded, 'g')}, a dashed line."
        line = line_through(timed)
        if line is not None:
            x = np.linspace(np.nanmin(timed.speed), np.nanmax(timed.speed), 50)
            y, half = line.at(x)
            axes.fill_between(x, y - half, y + half, color=INK, alpha=0.18, lw=0)
            axes.plot(x, y, color=INK, lw=1.5, label="straight line, 95 % band")
            per = 1000 * line.slope
            half_width = 500 * (line.high - line.low)
            words += (
                f" A straight line through all of them changes by "
                f"{show.plus_minus(per, half_width, '°')} per 1000 rpm (by scatter alone)."
            )
        elif expanded is not None and used.any():
            mean = float(timed.angles[used].mean())
            rpm = float(timed.speed[used].mean())
            axes.errorbar([rpm], [mean], [expanded], fmt="D", ms=5, color=INK, capsize=5,
                          label="mean ± U (k = 2)", zorder=5)  # fmt: skip
            words += (
                f" Mean {show.angle(mean)} ± {expanded:.2f}° at {rpm:.0f} rpm; one speed tells "
                "no slope, so no line is fitted."
            )
        axes.set_xlabel("crank speed, rpm")
        axes.set_ylabel("first spark, ° BTDC")
        _room(axes, timed.speed[known])
        axes.legend(loc="best")
        return words

    return drawn(make, "Timing against speed")


def _room(axes: Any, speed: Floats) -> None:
    """At steady speed, enough room left and right that a swing of a few rpm does not look big."""
    if len(speed) and np.ptp(speed) < 0.1 * np.mean(speed):
        middle = float(np.mean(speed))
        axes.set_xlim(0.9 * middle, 1.1 * middle)


def _histogram(
    setup: Setup,
    timed: Timed,
    steady: NDArray[np.bool_],
    expanded: float | None,
) -> Plot:
    def make(axes: Any) -> str:
        angles = timed.angles[steady] if steady.any() else timed.angles
        # Freedman & Diaconis (1981), between 8 and 60 bins.
        width = 2 * float(np.subtract(*np.percentile(angles, (75, 25)))) / len(angles) ** (1 / 3)
        span = float(np.ptp(angles))
        bins = int(np.clip(span / width if width > 0 else 8, 8, 60))
        axes.hist(angles, bins, color=BLUE, edgecolor="white", linewidth=0.5)
        mean = float(angles.mean())
        words = (
            f"{len(angles)} first sparks from {show.angle(angles.min())} to "
            f"{show.angle(angles.max())}, mean {show.angle(mean)}, in {bins} bars."
        )
        axes.axvline(mean, color=INK, lw=1.5, label="mean")
        if expanded is not None:
            axes.axvspan(mean - expanded, mean + expanded, facecolor="none", edgecolor=INK,
                         hatch="///", alpha=0.35, lw=0, label="± U (k = 2)")  # fmt: skip
            words += f" The interval of the mean, ±{expanded:.2f}°, is hatched."
        if setup.commanded is not None:
            # Far off, it would squeeze the bars: then it is named, not drawn.
            reach = 3 * max(span, 2 * (expanded or 0), 0.2)
            if abs(setup.commanded - mean) < reach:
                axes.axvline(setup.commanded, color=VERMILLION, ls="--", lw=1.5, label="commanded")
            else:
                side = "left" if setup.commanded < mean else "right"
                at, off = (0.0, 0.06) if side == "left" else (1.0, 0.94)
                axes.annotate(
                    f"commanded {setup.commanded:g}°", (at, 0.62), (off, 0.62),
                    "axes fraction", "axes fraction", ha=side, va="center", fontsize=8,
                    color=VERMILLION, arrowprops={"arrowstyle": "->", "color": VERMILLION},
                )  # fmt: skip
                words += f" The commanded {setup.commanded:g}° lies outside, to the {side}."
        axes.set_xlabel("first spark, ° BTDC")
        axes.set_ylabel("events")
        axes.legend(loc="upper right")
        return words

    return drawn(make, "Spread of the first spark")


def _bursts(tables: Tables, timed: Timed) -> list[Floats]:
    """Crank degrees of each spark after the first of its event: one array per event."""
    events, sparks = timed.events, tables.sparks
    # Crank angles rise over the whole recording, times only within a session.
    placed = sparks.degrees[sparks.segment >= 0]
    first = np.searchsorted(placed, events.degrees)
    last = np.searchsorted(placed, events.last_degrees, "right")
    return [placed[i:j] - d for i, j, d in zip(first, last, events.degrees, strict=True)]


def _raster(bursts: list[Floats]) -> Plot:
    def make(axes: Any) -> str:
        begin = max(0, len(bursts) - _RASTER_ROWS)
        rows, angles = [], bursts[begin:]
        for row, burst in enumerate(angles, begin + 1):
            rows.append(np.full(len(burst), row))
        y, x = np.concatenate(rows), np.concatenate(angles)
        first_ones = x == 0
        many = len(x) > _MANY
        axes.plot(x[~first_ones], y[~first_ones], "|", ms=4, mew=1.2, color=BLUE,
                  label="repeats", rasterized=many)  # fmt: skip
        axes.plot(x[first_ones], y[first_ones], ".", ms=2.5, color=INK, label="first spark",
                  rasterized=many)  # fmt: skip
        axes.set_xlabel("crank degrees after the first spark")
        axes.set_ylabel("event")
        axes.margins(x=0.05)
        axes.legend(loc="upper right")
        shown = f"the last {len(rows)} of {len(bursts)}" if begin else f"all {len(rows)}"
        if (x > 0).any():
            widest = f"the last one {x.max():.1f}° after the first"
        else:
            widest = "no repeats"
            axes.set_xlim(-1, 20)
        return f"One row per event, {shown}; {len(x)} sparks, {widest}."

    return drawn(make, "Sparks of each event")


def _burst(bursts: list[Floats], rpm: float) -> Plot:
    """What a burst looks like: where its nth spark comes, and in how many events."""

    def make(axes: Any) -> str:
        words = []
        most = max(map(len, bursts))
        for k in range(most):
            at = np.array([burst[k] for burst in bursts if len(burst) > k])
            share = 100 * len(at) / len(bursts)
            low, middle, high = np.percentile(at, (2.5, 50, 97.5))
            axes.bar(middle, share, width=0.4, color=INK if k == 0 else BLUE, zorder=3)
            if k:
                axes.plot([low, high], [share, share], color=VERMILLION, lw=2.5, zorder=4,
                          label="95 % of them" if k == 1 else None)  # fmt: skip
            words.append(f"{k + 1}: {middle:.1f}° in {share:.0f} %")
        axes.set_ylim(0, 118)
        axes.set_xlabel("crank degrees after the first spark")
        axes.set_ylabel("% of events that have it")
        per_ms = 6e-3 * rpm
        above = axes.secondary_xaxis(
            "top", functions=(lambda d: d / per_ms, lambda ms: ms * per_ms)
        )
        above.set_xlabel("ms, at the mean speed", fontsize=8)
        if most > 1:
            axes.legend(loc="upper right")
        told = words if most <= 8 else [*words[:7], "…", words[-1]]
        return f"Each spark of a burst, by its number: {', '.join(told)} of {len(bursts)} events."

    return drawn(make, "A burst, spark by spark")


def _against_time(setup: Setup, timed: Timed, steady: NDArray[np.bool_], tick_s: float) -> Plot:
    seconds: Floats = timed.events.tick.astype(np.float64) * tick_s

    def make(axes: Any) -> str:
        many = len(seconds) > _MANY
        for mask, mark, size, colour, label in (
            (~steady, "x", 3.5, PALE, "at another speed"),
            (steady, ".", 4, BLUE, "events, first sparks"),
        ):
            if mask.any():
                axes.plot(seconds[mask], timed.angles[mask], mark, ms=size, color=colour,
                          label=label, rasterized=many)  # fmt: skip
        words = f"{len(seconds)} events from {seconds.min():.1f} s to {seconds.max():.1f} s"
        part = timed.angles[steady] if steady.any() else timed.angles
        if len(part) >= 8:
            first, last = np.array_split(part, 4)[0].mean(), np.array_split(part, 4)[-1].mean()
            words += f"; the last quarter's mean is {last - first:+.2f}° against the first's"
        if setup.commanded is not None:
            axes.axhline(setup.commanded, color=VERMILLION, ls="--", lw=1.5, label="commanded")
        axes.set_xlabel("seconds by the board's clock")
        axes.set_ylabel("first spark, ° BTDC")
        axes.legend(loc="best")
        return f"{words}."

    return drawn(make, "Timing against time", wide=True)


def _counts(timed: Timed) -> Plot:
    def make(axes: Any) -> str:
        seen = (timed.events.sparks > 0) & np.isfinite(timed.speed)
        counts, speed = timed.events.sparks[seen], timed.speed[seen]
        # A small sideways step for each mark, always the same one, so that equal ones show.
        step = (np.arange(len(counts)) * 0.381966) % 1 - 0.5
        axes.plot(speed, counts + 0.5 * step, "o", ms=3, mfc="none", mew=0.7, color=BLUE,
                  rasterized=len(counts) > _MANY)  # fmt: skip
        top = int(counts.max()) if len(counts) else 1
        axes.set_yticks(range(0, top + 2, max(1, (top + 2) // 8)))
        axes.set_ylim(0, top + 1)
        axes.set_xlabel("crank speed, rpm")
        axes.set_ylabel("sparks per event")
        _room(axes, speed)
        if not len(counts):
            return "No event whose end was seen."
        values, times = np.unique(counts, return_counts=True)
        shares = ", ".join(
            f"{v} in {100 * t / len(counts):.0f} %" for v, t in zip(values, times, strict=True)
        )
        return f"Sparks per event over the speed, marks spread up and down a little: {shares}."

    return drawn(make, "Sparks per event against speed")


def _supply(seconds: Floats, volts: Floats) -> Plot:
    def make(axes: Any) -> str:
        axes.plot(seconds, volts, color=GREEN, lw=1.2, drawstyle="steps-pre")
        k = int(np.argmin(volts))
        axes.plot(seconds[k], volts[k], "v", color=INK, ms=6, label=f"lowest {volts[k]:.1f} V")
        axes.set_xlabel("seconds by the board's clock")
        axes.set_ylabel("supply, V (± 3 %)")
        low, high = float(volts.min()), float(volts.max())
        axes.set_ylim(min(low - 0.5, 0.97 * low), max(high + 0.5, 1.03 * high))
        axes.legend(loc="best")
        return (
            f"Lowest supply voltage in each tenth of a second: from {low:.1f} V to {high:.1f} V, "
            f"lowest after {seconds[k]:.1f} s; known to ±3 % by the divider's resistors."
        )

    return drawn(make, "Supply voltage", wide=True)
