"""Results as text for a terminal. Every number with its uncertainty, or the reason why not."""

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Loss
from sparkwitness.decode.recording import MEASURED, SIMULATED
from sparkwitness.faces import start_text, where_text
from sparkwitness.faces.console import Console
from sparkwitness.timing import gates
from sparkwitness.timing.budget import Budget
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.setup import CLAMPS, Setup
from sparkwitness.timing.wording import angle as angle
from sparkwitness.timing.wording import plus_minus as plus_minus


def origin(out: Console, source: str) -> None:
    """Say where the bytes come from, unless a board measured them just now."""
    if SIMULATED in source:
        out.print(f"! no engine was measured: {source}", style="bold")
    elif source != MEASURED:
        out.print(source, style="dim")


def measurement(result: Measurement, setup: Setup) -> RenderableType:
    """The whole result."""
    rows = Table.grid(padding=(0, 3))
    rows.add_column(style="dim", no_wrap=True)
    rows.add_column()
    if result.split is not None:
        for name, said in where_text.split_rows(result.split):
            rows.add_row(name, said)
    if result.rpm is not None:
        rows.add_row("speed", plus_minus(result.rpm, result.u_rpm, " rpm"))
    if result.timing is not None:
        value = f"{angle(result.timing)} ± {result.expanded:.2f}°{_repeats(result)}"
        rows.add_row("true timing", Text(value, style="bold"))
        rows.add_row("", f"scatter {result.scatter:.2f}° over {result.events} events, first sparks")
    if setup.clamp == "auto" and result.clamp is not None:
        rows.add_row("clamp", f"found to be on {CLAMPS[result.clamp]}")
    if result.sparks:
        rows.add_row("sparks per event", sparks(result.sparks))
    if result.spacing_us is not None and result.duration_us is not None:
        rows.add_row(
            "burst",
            f"every {plus_minus(result.spacing_us, result.u_spacing_us, ' µs')}, lasts "
            f"{plus_minus(result.duration_us, result.u_duration_us, ' µs')} "
            f"({6e-6 * (result.rpm or 0) * result.duration_us:.1f}°)",
        )
    if result.error is not None and result.commanded is not None:
        side = "advanced against" if result.error > 0 else "retarded against"
        if abs(result.error) <= (result.expanded or 0.0):
            side = "indistinguishable from"
        rows.add_row(
            "error",
            Text(f"{result.error:+.2f}° ± {result.expanded:.2f}°", style="bold")
            + Text(f"  {side} the commanded {angle(result.commanded)}"),
        )
    if result.advice is not None and setup.setting is not None:
        rows.add_row("next setting", _advice(result, setup))
    for name, said in where_text.more_rows(result.split) if result.split else ():
        rows.add_row(name, said)
    if result.start is not None:
        for name, said in start_text.start(result.start.to_dict()):
            rows.add_row(name, said)
    if result.rotor is not None:
        for name, said in start_text.rotor(result.rotor.to_dict()):
            rows.add_row(name, said)
    if result.supply_least_mv is not None:
        rows.add_row("supply", f"lowest {result.supply_least_mv / 1000:.1f} V (± 3 %, divider)")
    rows.add_row("not counted", left_out(result))
    rows.add_row("lost", loss(result.loss))
    findings = [Text(f"! {f.text}") for f in result.findings]
    if result.timing is not None:
        findings.append(Text(gates.CANNOT_TELL, style="dim"))
    table = where_text.cylinders(result.cylinders) if result.cylinders else []
    return Group(rows, *table, *findings)


def sparks(counts: dict[int, int]) -> str:
    """Distribution of sparks per event in shares."""
    total = sum(counts.values())
    parts = [f"{n}: {100 * k / total:.0f} %" for n, k in sorted(counts.items())]
    mean = sum(n * k for n, k in counts.items()) / total
    return f"{mean:.2f} on average  ({', '.join(parts)} of {total} events)"


def side(result: Measurement) -> str:
    """The side of top dead centre, and what else the angle may be."""
    return f"{'BTDC' if (result.timing or 0.0) >= 0 else 'ATDC'}{_repeats(result)}"


def _repeats(result: Measurement) -> str:
    if not any(f.code == "ambiguous" for f in result.findings):
        return ""
    return f"  or that ± k · {result.modulo:.4g}°"


def _advice(result: Measurement, setup: Setup) -> Text:
    assert result.advice is not None
    tip = result.advice
    text = Text(f"{tip.setting:g}", style="bold")
    text += Text(
        f"  (now {setting_text(setup)}; unrounded {tip.exact:.2f} ± {tip.expanded:.2f}"
        f"{unit_text(setup, tip.gain)}; expected remaining error {tip.remaining:+.2f}°)"
    )
    if tip.note:
        text += Text(f"\n{tip.note}")
    return text


def unit_text(setup: Setup, gain: float) -> str:
    """What one degree of the setting does, where that is not one crank degree of advance."""
    if gain == 1:
        return ""
    return f", 1 {setup.counts} degree = {gain:+g} crank degrees"


def setting_text(setup: Setup) -> str:
    """The present setting as typed."""
    return "unknown" if setup.setting is None else f"{setup.setting:g}"


def left_out(result: Measurement) -> str:
    parts = [
        (result.missing, f"missing sparks of {result.expected} firings"),
        (result.stray, "stray events"),
        (result.cut, "events with unseen beginning"),
        (result.unsteady, "events at another speed"),
        (result.unplaced, "sparks without crank angle"),
        (result.ringing, "edges as ringing"),
        (result.crank_rejected, "crank edges that do not fit the wheel"),
    ]
    return ", ".join(f"{n} {text}" for n, text in parts if n) or "nothing"


def loss(counts: Loss) -> str:
    """What was lost on the way, in words."""
    edges = [
        f"{n} edges of {name.replace('_', ' ')}"
        for n, name in zip(counts.edges_lost, wire.INPUTS, strict=True)
        if n
    ]
    overrun = sum(counts.board_lost)
    parts = [
        (counts.frames_damaged, f"damaged frames ({counts.bytes_damaged} bytes)"),
        (counts.frames_missing, "missing frames"),
        (counts.frames_repeated, "repeated frames"),
        (counts.frames_unknown, "frames of unknown type"),
        (counts.edges_unplaced, "edges before the first heartbeat"),
        (overrun, "of these overwritten on the board"),
        (sum(counts.board_stalls), "times a capture queue was full"),
        (counts.board_unsent, "frames the board could not send"),
        (max(0, counts.sessions - 1), "restarts of the board"),
    ]
    said = edges + [f"{n} {text}" for n, text in parts if n]
    return ", ".join(said) or f"nothing of {counts.frames_good} frames"


def budget(lines: Budget) -> RenderableType:
    """The uncertainty budget as a table."""
    table = Table(title="Uncertainty budget (JCGM 100), crank degrees", title_justify="left")
    for heading in ("component", "type", "u", "from"):
        table.add_column(heading, justify="right" if heading == "u" else "left")
    for line in lines.components:
        table.add_row(line.name, line.kind, f"{line.u:.4f}", line.note)
    table.add_row("combined", "", f"{lines.u:.4f}", "root of the sum of squares")
    table.add_row("expanded", "", f"{lines.expanded:.4f}", "k = 2")
    return table


def status(result: Measurement, target: float) -> str:
    """One line while measuring."""
    if result.timing is not None and result.expanded is not None:
        return (
            f"{result.rpm or 0:.0f} rpm  {angle(result.timing)} ± {result.expanded:.2f}°"
            f"{_repeats(result)} "
            f"(to ±{target:g}°)  {result.events} events"
        )
    if result.findings:
        return result.findings[0].text
    return f"{result.seconds:.0f} s, waiting for events"
