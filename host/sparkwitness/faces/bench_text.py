"""Bench results as text for a terminal of 80 columns, and as rows for plots."""

import csv
from collections.abc import Sequence
from math import isfinite
from pathlib import Path

import numpy as np
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sparkwitness.bench.claim import Claim
from sparkwitness.bench.plan import Plan
from sparkwitness.bench.result import Delay, Mean, Point, Result, Soak, Sweep
from sparkwitness.bench.steps import Change
from sparkwitness.bench.verdict import Check, Verdict
from sparkwitness.errors import new_file
from sparkwitness.faces import text as show
from sparkwitness.timing import stats as intervals

NAMES = {
    "delay_us": "delay, µs", "spread_us": "spread, µs", "drop_out_percent": "drop-outs, %",
    "double_percent": "double events, %", "sparks_per_event": "sparks per event",
    "switch_over_rpm": "switch-over, rpm", "burst_window_deg": "burst window, °",
    "rev_limit_rpm": "rev limit, rpm", "supply_v": "supply, V",
}  # fmt: skip
_STYLE = {"within": "green", "same": "green", "outside": "bold red", "differs": "bold red"}


def plan(what: Plan, seconds: float) -> RenderableType:
    """What will be driven."""
    steps = ", ".join(f"{rpm:g}" for rpm in what.steps)
    rows = _rows()
    rows.add_row(
        "trigger",
        f"{what.kind}, fires on the {what.edge} edge; active {what.active} for "
        f"{what.width_us:g} µs, every {what.pitch_deg:g}° of crank",
    )
    if what.steps:
        again = f", {what.repeats} times, up and down" if what.repeats > 1 else ""
        rows.add_row("steps", f"{steps} rpm, {what.seconds:g} s each{again}")
    for rpm_from, rpm_to, ramp_s in what.ramps:
        rows.add_row("ramp", f"{rpm_from:g} to {rpm_to:g} rpm in {ramp_s:g} s")
    if what.soak_minutes:
        rows.add_row("soak", f"{what.soak_rpm:g} rpm for {what.soak_minutes:g} min")
    for name, limit in what.limits.items():
        ends = ["" if end is None else f"{end:g}" for end in (limit.least, limit.most)]
        rows.add_row("limit", f"{NAMES[name]}: {_span(*ends)}")
    length = f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
    rows.add_row("takes", f"about {length}; Ctrl-C stops at any moment and keeps what is there")
    return rows


def result(what: Result) -> RenderableType:
    """Everything but verdicts."""
    parts: list[RenderableType] = []
    if what.points:
        parts += [_answers(what.points, what.ramps), Text()]
    if any(p.delay_us for p in what.points):
        parts += [_delays(what.points, what.plan), Text()]
    if any(p.duration_us for p in what.points):
        parts += [_bursts(what.points), Text()]
    rows = _rows()
    if what.answered:
        for row in sweep_words(what.sweep):
            rows.add_row(*row)
    if what.soak:
        _soak(rows, what.soak)
    supplies = [p.supply_mv for p in what.points if p.supply_mv is not None]
    lowest = f"lowest {min(supplies) / 1000:.1f} V (± 3 %, divider)" if supplies else "not measured"
    rows.add_row("supply", lowest)
    rows.add_row("counted", f"{what.triggers} triggers, {what.answered} answered")
    rows.add_row("not counted", _left_out(what))
    rows.add_row("lost", show.loss(what.loss))
    if what.missing:
        rows.add_row("not measured", ", ".join(what.missing))
    parts.append(rows)
    parts += [Text(f"! {f.text}", style="bold") for f in what.findings]
    return Group(*parts)


def _rows() -> Table:
    rows = Table.grid(padding=(0, 2))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column()
    return rows


def _table(title: str, *headings: str) -> Table:
    table = Table(title=title, title_justify="left", title_style="bold", box=None, padding=(0, 1))
    for heading in headings:
        table.add_column(heading, justify="right", no_wrap=True)
    return table


def _rpm(point: Point) -> str:
    if point.segment.kind == "ramp":
        return f"to {point.segment.rpm_to:g}"
    return "soak" if point.segment.kind == "soak" else f"{point.segment.rpm_to:g}"


def _percent(hits: int, n: int, ends: intervals.Interval | None = None) -> str:
    """A share in % with its 95 % interval; None: the exact one for single events."""
    if not n:
        return "no data"
    low, high = intervals.clopper_pearson(hits, n) if ends is None else ends
    return f"{100 * hits / n:.2f} ({100 * low:.2f} to {100 * high:.2f})"


def _answers(points: list[Point], ramps: list[Point]) -> RenderableType:
    table = _table("Answers", "rpm", "triggers", "drop-outs, %", "double, %", "sparks per event")
    for p in [*points, *ramps]:
        table.add_row(
            _rpm(p), str(p.triggers), _percent(p.drop_outs, p.triggers, p.drop_out),
            _percent(p.doubles, p.answered), _distribution(p.sparks) or "-",
        )  # fmt: skip
    together = max((p.clumping for p in points), default=1.0)
    note = "In brackets: exact 95 % intervals."
    if together > 1.5:
        note = f"In brackets: 95 % intervals; some {together:.0f} drop-outs come together."
    return Group(table, Text(note, style="dim"))


def _pm(mean: Mean | None, u: float | None = None) -> str:
    """Mean and expanded uncertainty (k = 2) without unit."""
    return show.plus_minus(mean.value, mean.expanded if u is None else 2 * u) if mean else "-"


def _delays(points: list[Point], plan: Plan) -> RenderableType:
    table = _table(
        "Trigger to first spark", "rpm", "µs", "degrees", "spread, µs", "worst", "supply, V"
    )
    for p in points:
        d = p.delay_us
        supply = "-" if p.supply_mv is None else f"{p.supply_mv / 1000:.1f}"
        if d is None:
            table.add_row(_rpm(p), f"{p.answered} answered", "too few", "-", "-", supply)
            continue
        degrees = d.scaled(p.to_degrees)
        table.add_row(
            _rpm(p), _pm(d, _seen(d)), _pm(degrees, _seen(d) * p.to_degrees),
            show.plus_minus(d.s, 2 * d.u_s), f"{d.most:.2f}", supply,
        )  # fmt: skip
    note = (
        f"± from scatter, k = 2; the clamp's path adds ± {2 * plan.u_clamp_delay_us:g} µs to all "
        "alike. Worst: a single stamp, ± 0.03 µs. Supply: lowest seen, ± 3 %."
    )
    return Group(table, Text(note, style="dim"))


def _seen(mean: Mean) -> float:
    """Standard uncertainty from scatter, not below that of the stamps."""
    return max(mean.u, 0.014)


def _bursts(points: list[Point]) -> Table:
    table = _table(
        "Bursts", "rpm", "sparks per event", "spacing, µs", "lasts, µs", "lasts, degrees"
    )
    for p in points:
        if p.count is None:
            continue
        duration = p.duration_us
        table.add_row(
            _rpm(p), _count(p),
            show.plus_minus(p.spacing_us.value, p.spacing_us.expanded) if p.spacing_us else "-",
            _pm(duration), _pm(duration.scaled(p.to_degrees) if duration else None),
        )  # fmt: skip
    return table


def _count(point: Point) -> str:
    assert point.count is not None
    return show.plus_minus(point.count.value, point.half_count(0.95))


def headline(what: Result, verdicts: Sequence[Verdict]) -> str:
    """The finding in one line."""
    said = []
    sweep = what.sweep
    if sweep.delay:
        said.append(
            "delay " + show.plus_minus(sweep.delay.mean_us, 2 * sweep.delay.u_mean_us, " µs")
        )
    if what.triggers:
        out = what.triggers - what.answered
        said.append(f"{_percent(out, what.triggers)} % of {what.triggers} triggers unanswered")
    if sweep.switch_up:
        one = sweep.switch_up
        said.append(f"switch-over at {one.value:.0f} rpm ({one.low:.0f} to {one.high:.0f})")
    said += [f"{OVERALL[v.overall]}" for v in verdicts]
    return "; ".join(said) or "nothing measured"


def _distribution(counts: dict[int, int]) -> str:
    total = sum(counts.values())
    common = sorted(counts.items(), key=lambda one: -one[1])
    said = [f"{n}: {100 * k / total:.0f} %" for n, k in sorted(common[:2])]
    return ", ".join(said) + (" …" if len(common) > 2 else "")


def sweep_words(sweep: Sweep) -> list[tuple[str, str]]:
    """What shows only over all speeds: name and text of each line."""
    rows: list[tuple[str, str]] = []

    def say(name: str, text: str) -> None:
        rows.append((name, text))

    if sweep.delay:
        say("delay", delay(sweep.delay))
    if sweep.switch_up or sweep.switch_down:
        for name, one in (("up", sweep.switch_up), ("down", sweep.switch_down)):
            if one:
                ends = "many to single, going up" if name == "up" else "single to many, going down"
                say(
                    "switch-over",
                    f"{one.value:.0f} rpm ({one.low:.0f} to {one.high:.0f}), {ends}; {_width(one)}",
                )
        if sweep.hysteresis:
            value, low, high = sweep.hysteresis
            seen = f"{value:.0f} rpm ({low:.0f} to {high:.0f})"
            say("hysteresis", f"none shown: {seen}" if low <= 0 <= high else seen)
    elif sweep.always:
        word = "single sparks" if sweep.always == "single" else "many sparks"
        say("switch-over", f"none: {word} at every speed up to {sweep.most_rpm:.0f} rpm")
    if sweep.window_deg:
        low, high = sweep.window_deg
        say(
            "burst window",
            f"{low:.1f} to {high:.1f}° of crank",
        )
    if sweep.first_drop_out is None:
        say(
            "drop-outs",
            f"none in {sweep.clean_triggers} triggers up to {sweep.clean_to:.0f} rpm: fewer than "
            f"{100 * intervals.most_with_none(sweep.clean_triggers):.2f} % (95 %)",
        )
    else:
        clean = "at the lowest speed already"
        if sweep.clean_to is not None:
            clean = f"none in the {sweep.clean_triggers} triggers up to {sweep.clean_to:.0f} rpm"
        say("drop-outs", f"the first at {sweep.first_drop_out:.0f} rpm; {clean}")
    if sweep.rev_limit:
        at = sweep.rev_limit
        say("rev limit", f"{at.value:.0f} rpm ({at.low:.0f} to {at.high:.0f})")
    else:
        say("rev limit", f"none up to {sweep.most_rpm:.0f} rpm, the greatest driven")
    return rows


def delay(fit: Delay) -> str:
    """How the delay depends on speed, in words."""
    flat = f"{show.plus_minus(fit.mean_us, 2 * fit.u_mean_us, ' µs')}"
    if fit.model == "constant":
        return f"{flat}; three speeds or more would tell whether it depends on rpm"
    unit = " µs per 1000 rpm" if fit.model == "speed" else "° of crank"
    share = show.plus_minus(fit.per_x, 2 * fit.u_per_x, unit)
    if not fit.depends:
        return f"{flat}; no part that depends on speed is shown ({share})"
    constant = show.plus_minus(fit.constant_us, 2 * fit.u_constant_us, " µs")
    poor = "" if fit.fits < 4 else f"; the points miss this line (chi² per freedom {fit.fits:.0f})"
    return f"{constant} constant, and {share}{poor}"


def _width(one: Change) -> str:
    """How gradual a switch-over is."""
    if not one.width_low:
        return f"sharp, within {one.width_high:.0f} rpm"
    return (
        f"gradual: from 9 in 10 to 1 in 10 over {one.width:.0f} rpm "
        f"({one.width_low:.0f} to {one.width_high:.0f})"
    )


def _soak(rows: Table, soak: Soak) -> None:
    if soak.delay_change_us is not None:
        low, high = soak.delay_change_95
        rows.add_row(
            "heat",
            f"delay {soak.delay_change_us:+.2f} µs ({low:+.2f} to {high:+.2f}) from first to last "
            f"quarter of {soak.minutes:.1f} min",
        )
    low, high = soak.drop_out_change_95
    rows.add_row(
        "",
        f"drop-outs {100 * soak.drop_out_change:+.2f} % points ({100 * low:+.2f} to "
        f"{100 * high:+.2f})",
    )


def _left_out(what: Result) -> str:
    parts = [
        (sum(s.cut for s in what.stretches), "triggers at a gap or at the end"),
        (sum(s.off_speed for s in what.stretches), "triggers at another speed"),
        (what.ringing, "edges as ringing"),
        (what.trigger_noise, "trigger edges too soon after another"),
    ]
    settle = "the first 0.2 s after each change"
    return ", ".join([*(f"{n} {text}" for n, text in parts if n), settle])


def verdict(what: Verdict) -> RenderableType:
    """All checks, and what they come to."""
    compare = what.against != "limits"
    title = f"Against {what.against}" if compare else "Against the limits"
    table = _table(title, "quantity", "at", "difference" if compare else "value", "interval")
    table.columns[0].justify = "left"
    table.add_column("margin" if compare else "limits", justify="right", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    for c in what.checks:
        table.add_row(
            NAMES[c.quantity], c.where, short(c.value, compare), _interval(c, compare),
            f"± {c.most:g}" if compare else _span(_end(c.least), _end(c.most)),
            Text(c.verdict, style=_STYLE.get(c.verdict, "yellow")),
        )  # fmt: skip
    lines: list[RenderableType] = [table]
    reasons: dict[str, list[str]] = {}
    for c in what.checks:
        if c.note:
            reasons.setdefault(f"{NAMES[c.quantity]}: {c.note}", []).append(c.where)
    lines += [
        Text(f"  {note} ({', '.join(places)})", style="dim") for note, places in reasons.items()
    ]
    lines += [Text(f"  {note}", style="dim") for note in what.notes]
    if len(what.checks) > 1:
        together = f"All {len(what.checks)} intervals hold together at 95 %"
        lines.append(Text(f"{together} (each at {100 * what.each_at:.2f} %).", style="dim"))
    lines.append(Text(f"Verdict: {OVERALL[what.overall]}", style="bold"))
    return Group(*lines)


OVERALL = {
    "within": "within all limits",
    "outside": "OUTSIDE the limits",
    "same": "the same as the known good module, within the margins",
    "differs": "DIFFERS from the known good module",
    "cannot tell": "cannot tell from this run",
}


def short(value: float | None, sign: bool) -> str:
    """A value with the digits that matter."""
    if value is None:
        return "-"
    return f"{value:{'+' if sign else ''}.{_digits(value)}f}"


def _digits(value: float) -> int:
    return 0 if abs(value) >= 1000 else 1 if abs(value) >= 100 else 2


def _end(value: float) -> str:
    return f"{value:g}" if isfinite(value) else ""


def _span(low: str, high: str) -> str:
    if low and high:
        return f"{low} to {high}"
    return f"least {low}" if low else f"most {high}"


def _interval(check: Check, sign: bool) -> str:
    if check.value is None:
        return "-"
    low = short(check.low, sign) if isfinite(check.low) else "…"
    high = short(check.high, sign) if isfinite(check.high) else "…"
    return f"{low} to {high}"


def claim(what: Claim, measured: bool) -> RenderableType:
    """A claim and what it would need."""
    source = "as measured" if measured else "common practice, no source"
    rows = _rows()
    rows.add_row("claim", f"{what.sparks_per_rev:g} sparks per revolution at {what.rpm:g} rpm")
    rows.add_row(
        "that is", f"{what.sparks_per_event:.2f} per event, events {what.pitch_deg:g}° apart"
    )
    if what.spacing_us is not None:
        rows.add_row(
            "it needs",
            f"a window of {what.window_deg:.1f}° with sparks {what.spacing_given_us:.0f} µs apart, "
            f"or sparks {what.spacing_us:.0f} µs apart within {what.window_given_deg:.1f}°",
        )
    rows.add_row(
        "with these",
        f"{what.spacing_given_us:.0f} µs and {what.window_given_deg:.1f}° ({source}): at most "
        f"{what.possible:g} sparks per revolution",
    )
    text = {
        "possible": "possible",
        "not with these": "not with this spacing and window",
        "impossible": "impossible: the bursts would run into each other",
    }[what.verdict]
    return Group(rows, Text(f"Claim: {text}", style="bold"))


_POINT_COLUMNS = (
    "kind", "rpm_set", "rpm", "triggers", "answered", "drop_outs", "drop_out_low_95",
    "drop_out_high_95", "double_events", "delay_us", "delay_expanded_us", "delay_u_scatter_us",
    "delay_sd_us", "delay_least_us", "delay_most_us", "delay_deg", "sparks_per_event",
    "sparks_u", "spacing_us", "spacing_expanded_us", "duration_us", "duration_expanded_us",
    "duration_deg", "supply_least_mv",
)  # fmt: skip
_SHOT_COLUMNS = (
    "part_of", "time_s", "rpm", "delay_us", "sparks", "duration_us", "false_events",
    "false_event_us",
)  # fmt: skip


def write_points(path: Path, what: Result) -> None:
    """One row per speed, for plots.

    Raises:
        UserError: the file already exists, or cannot be written.
    """
    rows: list[list[object]] = []
    for p in what.points:
        d, n, s, t = p.delay_us, p.count, p.spacing_us, p.duration_us
        rows.append([
            p.segment.kind, p.segment.rpm_to, p.rpm and p.rpm.value, p.triggers, p.answered,
            p.drop_outs, *p.drop_out, p.doubles, d and d.value, d and d.expanded, d and d.u,
            d and d.s, d and d.least, d and d.most, d and d.value * p.to_degrees,
            n and n.value, n and n.u, s and s.value, s and s.expanded, t and t.value,
            t and t.expanded, t and t.value * p.to_degrees, p.supply_mv,
        ])  # fmt: skip
    _write(path, _POINT_COLUMNS, rows)


def write_shots(path: Path, what: Result) -> None:
    """One row per trigger, for plots: ramps show the switch-over, a soak the drift.

    Raises:
        UserError: the file already exists, or cannot be written.
    """
    rows: list[list[object]] = []
    for stretch in what.stretches:
        shots = stretch.shots
        columns = (
            np.round(shots.time, 9), np.round(shots.rpm, 3),
            np.round(shots.delay_us - what.plan.clamp_delay_us, 3), shots.sparks,
            np.round(shots.duration_us, 3), shots.false, np.round(shots.false_us, 3),
        )  # fmt: skip
        for row in zip(*(c.tolist() for c in columns), strict=True):
            rows.append([stretch.segment.name, *("" if v != v else v for v in row)])
    _write(path, _SHOT_COLUMNS, rows)


def _write(path: Path, columns: tuple[str, ...], rows: list[list[object]]) -> None:
    with new_file(path, newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)
