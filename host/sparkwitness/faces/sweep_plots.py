"""Plots of what was driven or swept over the speed: curves and bench tests, from what was kept."""

from typing import Any

import numpy as np

from sparkwitness.faces import text as show
from sparkwitness.faces.plots import BLUE, GREEN, INK, PALE, VERMILLION, Floats, Plot, drawn
from sparkwitness.timing.fit import DelayFit
from sparkwitness.timing.gates import btdc


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
            f"{btdc(value.min())} to {btdc(value.max())}."
        )

    return drawn(make, "Timing against speed", wide=True)


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

    return drawn(make, "Error against speed", wide=True)


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

    return drawn(make, title)


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

    return drawn(make, "Drop-outs and double events")
