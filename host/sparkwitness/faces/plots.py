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
from sparkwitness.timing import measure
from sparkwitness.timing import stats as intervals
from sparkwitness.timing.analyzer import Tables
from sparkwitness.timing.fit import DelayFit
from sparkwitness.timing.setup import Setup

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


def line_through(timed: measure.Timed) -> Line | None:
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
    timed: measure.Timed,
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
    plots = [
        _against_speed(setup, timed, steady, expanded),
        _histogram(setup, timed, steady, expanded),
        _raster(tables, timed),
        _counts(timed),
    ]
    if len(supply[0]):
        plots.append(_supply(*supply))
    return plots


def of_curve(bins: list[dict[str, Any]], fit: DelayFit | None) -> list[Plot]:
    """The plots of a curve, from its bins as `curve.Curve.to_dict` gives them, and its fit."""
    if not bins:
        return []
    plots = [_timing_of(bins)]
    known = [b for b in bins if b.get("error") is not None]
    if len(known) > 1:
        plots.append(_error_of(known, fit))
    return plots


def _bin_arrays(bins: list[dict[str, Any]], key: str) -> tuple[Floats, Floats, Floats]:
    """Speed, value and half width of the interval of each bin."""
    rpm, value, half = (np.array([b[k] for b in bins]) for k in ("rpm", key, "expanded"))
    return rpm, value, half


def _timing_of(bins: list[dict[str, Any]]) -> Plot:
    rpm, value, half = _bin_arrays(bins, "timing")

    def make(axes: Any) -> str:
        axes.errorbar(rpm, value, half, fmt="o-", ms=4, lw=1, color=BLUE, capsize=3,
                      label="measured ± U (k = 2)")  # fmt: skip
        for key, mark, colour in (("rising", "^", GREEN), ("falling", "v", INK)):
            part = [b for b in bins if b.get(key) is not None]
            if part:
                axes.plot([b["rpm"] for b in part], [b[key] for b in part], mark, ms=5,
                          mfc="none", color=colour, label=f"speed {key}")  # fmt: skip
        wanted = [b for b in bins if b.get("wanted") is not None]
        if wanted:
            axes.plot([b["rpm"] for b in wanted], [b["wanted"] for b in wanted], "--", lw=1.5,
                      color=VERMILLION, label="wanted")  # fmt: skip
        axes.set_xlabel("crank speed, rpm")
        axes.set_ylabel("first spark, ° BTDC")
        axes.legend(loc="best")
        return (
            f"{len(bins)} spans of speed from {rpm.min():.0f} to {rpm.max():.0f} rpm; timing from "
            f"{value.min():.1f}° to {value.max():.1f}° BTDC."
        )

    return _drawn(make, "Timing against speed", wide=True)


def _error_of(bins: list[dict[str, Any]], fit: DelayFit | None) -> Plot:
    rpm, value, half = _bin_arrays(bins, "error")

    def make(axes: Any) -> str:
        axes.errorbar(rpm, value, half, fmt="o", ms=4, color=BLUE, capsize=3,
                      label="measured ± U (k = 2)", zorder=3)  # fmt: skip
        axes.axhline(0, color=VERMILLION, ls="--", lw=1.5, label="as wanted")
        words = (
            f"{len(bins)} spans of speed; errors from {value.min():+.2f}° to {value.max():+.2f}°."
        )
        if fit is not None:
            x = np.linspace(rpm.min(), rpm.max(), 60)
            y, band = np.array([fit.predict(float(one)) for one in x]).T
            axes.fill_between(x, y - band, y + band, color=INK, alpha=0.18, lw=0)
            axes.plot(x, y, color=INK, lw=1.5, label="fixed angle and delay, 95 % band")
            words += (
                f" The line: {fit.fixed:+.2f}° ± {fit.u_fixed:.2f}° and a delay of "
                f"{show.plus_minus(fit.delay_us, fit.u_delay_us, ' µs')}."
            )
        axes.set_xlabel("crank speed, rpm")
        axes.set_ylabel("error, °")
        axes.legend(loc="best")
        return words

    return _drawn(make, "Error against speed", wide=True)


def of_bench(points: list[dict[str, Any]]) -> list[Plot]:
    """The plots of a bench test, from its points as `bench.Point.to_dict` gives them."""
    plots = []
    for key, title, label in (
        ("delay_us", "Delay against speed", "trigger to first spark, µs"),
        ("sparks_per_event_mean", "Sparks per event against speed", "sparks per event"),
    ):
        known = [p for p in points if p.get(key) and p.get("rpm")]
        if known:
            plots.append(_bench_plot(known, key, title, label))
    if any(p.get("drop_outs") or p.get("double_events") for p in points):
        plots.append(_false_events([p for p in points if p.get("rpm") and p["triggers"]]))
    return plots


def half_of(q: dict[str, Any], key: str) -> float:
    """Expanded uncertainty of a bench point's quantity.

    That of a count is never below 3 / n: what was not once otherwise in n events may be so in 3 of
    n (rule of three: Hanley & Lippman-Hand, JAMA 249(13), 1983).
    """
    half = float(q["expanded"])
    return max(half, 3 / max(1, q.get("n", 1))) if key == "sparks_per_event_mean" else half


def _bench_plot(points: list[dict[str, Any]], key: str, title: str, label: str) -> Plot:
    def make(axes: Any) -> str:
        rpm = [p["rpm"]["mean"] for p in points]
        mean = np.array([p[key]["mean"] for p in points])
        half = np.array([half_of(p[key], key) for p in points])
        low = mean - np.array([p[key]["least"] for p in points])
        high = np.array([p[key]["most"] for p in points]) - mean
        axes.errorbar(rpm, mean, [low, high], fmt="none", ecolor=PALE, elinewidth=4, alpha=0.6,
                      label="least to most")  # fmt: skip
        axes.errorbar(rpm, mean, half, fmt="o", ms=5, color=BLUE, capsize=4,
                      label="mean ± U (k = 2)")  # fmt: skip
        axes.set_ylim(0, 1.35 * float(np.max(mean + np.maximum(half, high))))  # room for words
        axes.set_xlabel("crank speed, rpm")
        axes.set_ylabel(label)
        axes.legend(loc="best")
        pairs = ", ".join(
            f"{show.plus_minus(m, u)} at {r:.0f} rpm"
            for r, m, u in zip(rpm, mean, half, strict=True)
        )
        return f"{label[:1].upper()}{label[1:]}: {pairs}."

    return _drawn(make, title)


def _false_events(points: list[dict[str, Any]]) -> Plot:
    def make(axes: Any) -> str:
        words = []
        for key, share, name, mark, colour in (
            ("drop_outs", "drop_out_share_95", "drop-outs", "s", VERMILLION),
            ("double_events", "double_share_95", "double events", "^", BLUE),
        ):
            rpm = [p["rpm"]["mean"] for p in points]
            of = [p["triggers"] if key == "drop_outs" else max(1, p["answered"]) for p in points]
            value = np.array([100 * p[key] / n for p, n in zip(points, of, strict=True)])
            ends = np.array([p[share] for p in points]) * 100
            axes.errorbar(
                rpm, value, np.maximum([value - ends[:, 0], ends[:, 1] - value], 0), fmt=mark,
                ms=5, mfc="none", color=colour, capsize=4, label=f"{name}, 95 % interval",
            )  # fmt: skip
            worst = int(np.argmax(value))
            words.append(f"most {name}: {value[worst]:.1f} % at {rpm[worst]:.0f} rpm")
        axes.set_ylim(bottom=0)
        axes.set_xlabel("crank speed, rpm")
        axes.set_ylabel("% of triggers")
        axes.legend(loc="best")
        return f"{'; '.join(words)[:1].upper()}{'; '.join(words)[1:]}."

    return _drawn(make, "Drop-outs and double events")


def _figure(wide: bool) -> tuple[Any, Any]:
    """A figure without the library's global state, so that a server may draw too."""
    figure_module = needed("matplotlib.figure", "report")
    size = (2.07 * _WIDTH, 0.7 * _HEIGHT) if wide else (_WIDTH, _HEIGHT)
    figure = figure_module.Figure(figsize=size, layout="constrained")
    return figure, figure.add_subplot()


def _drawn(make: Any, title: str, wide: bool = False) -> Plot:
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
    timed: measure.Timed,
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
            words += f" Commanded: {setup.commanded:g}° BTDC, a dashed line."
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

    return _drawn(make, "Timing against speed")


def _room(axes: Any, speed: Floats) -> None:
    """At steady speed, enough room left and right that a swing of a few rpm does not look big."""
    if len(speed) and np.ptp(speed) < 0.1 * np.mean(speed):
        middle = float(np.mean(speed))
        axes.set_xlim(0.9 * middle, 1.1 * middle)


def _histogram(
    setup: Setup,
    timed: measure.Timed,
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
            f"{len(angles)} first sparks from {angles.min():.2f}° to {angles.max():.2f}° BTDC, "
            f"mean {mean:.2f}°, in {bins} bars."
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

    return _drawn(make, "Spread of the first spark")


def _raster(tables: Tables, timed: measure.Timed) -> Plot:
    def make(axes: Any) -> str:
        events, sparks = timed.events, tables.sparks
        begin = max(0, len(events.tick) - _RASTER_ROWS)
        # Crank angles rise over the whole recording, times only within a session.
        placed = sparks.degrees[sparks.segment >= 0]
        rows, angles = [], []
        for row in range(begin, len(events.tick)):
            first = int(np.searchsorted(placed, events.degrees[row]))
            last = int(np.searchsorted(placed, events.last_degrees[row], "right"))
            rows.append(np.full(last - first, row + 1))
            angles.append(placed[first:last] - events.degrees[row])
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
        shown = f"the last {len(rows)} of {len(events.tick)}" if begin else f"all {len(rows)}"
        if (x > 0).any():
            widest = f"the last one {x.max():.1f}° after the first"
        else:
            widest = "no repeats"
            axes.set_xlim(-1, 20)
        return f"One row per event, {shown}; {len(x)} sparks, {widest}."

    return _drawn(make, "Sparks of each event")


def _counts(timed: measure.Timed) -> Plot:
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

    return _drawn(make, "Sparks per event against speed")


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

    return _drawn(make, "Supply voltage", wide=True)
