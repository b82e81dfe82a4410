"""Where the error arises, as text: controller, module, dwell, cylinder by cylinder."""

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from sparkwitness.timing.cylinders import Cylinders
from sparkwitness.timing.dwell import Dwell
from sparkwitness.timing.number import Number
from sparkwitness.timing.trigger import Counts, Split
from sparkwitness.timing.wording import angle, plus_minus

Row = tuple[str, Text | str]


def split_rows(split: Split) -> list[Row]:
    """Controller and module, for the top of the screen."""
    asked = Text(f"asks at {angle(split.angle)} ± {split.angle.u95:.2f}°", style="bold")
    if split.controller is not None:
        asked += Text(f"  {controller(split)}")
    answers = Text(
        f"answers after {plus_minus(split.delay_us, split.delay_us.u95, ' µs')}", style="bold"
    )
    answers += Text(f"  {split.module:+.2f}° ± {split.module.u95:.2f}° at this speed")
    return [("controller", asked), ("module", answers)]


def controller(split: Split) -> str:
    """The controller's part in words."""
    one = split.controller
    if one is None:
        return ""
    if abs(one) <= one.u95:
        return "as commanded, within the uncertainty"
    side = "too early" if one > 0 else "too late"
    return f"{abs(one):.2f}° ± {one.u95:.2f}° {side}"


def more_rows(split: Split) -> list[Row]:
    """What stands further down: the flank, missing sparks by cause, dwell."""
    how = "found: the sparks follow it" if split.found else "as typed"
    scatter = f"scatter {split.scatter:.2f}°, answer {split.scatter_us:.1f} µs"
    rows: list[Row] = [
        ("trigger", f"{split.flank} flank fires ({how}); {scatter}, over {split.events} events"),
        ("by cause", causes(split.counts)),
    ]
    if split.dwell is not None:
        rows.append(("dwell", dwell(split.dwell)))
        if len(split.dwell.course) > 1:
            rows.append(("", Text("\n".join(course(split.dwell)))))
    return rows


def causes(counts: Counts) -> str:
    """Missing and needless sparks by cause."""
    parts = [
        (counts.no_spark, "triggers without a spark"),
        (counts.no_trigger, "firings without a trigger"),
        (counts.unasked, "sparks without a trigger"),
        (counts.lost, "not judged, edges were lost there"),
    ]
    said = ", ".join(f"{n} {text}" for n, text in parts if n)
    return f"{said or 'every trigger has its spark'} (of {counts.asked} triggers)"


def dwell(found: Dwell) -> str:
    """The on-time in words."""
    text = (
        f"{plus_minus(found.ms, found.ms.u95, ' ms')}, "
        f"{plus_minus(found.crank_deg, found.crank_deg.u95, '° crank')} "
        f"({found.cam_deg:.1f}° distributor), {100 * found.share:.0f} % of the interval; "
        f"scatter {found.scatter_ms:.3f} ms"
    )
    if found.charged is not None:
        text += f"; the coil's current reaches {100 * found.charged:.0f} %"
    return text


def course(found: Dwell) -> list[str]:
    """Dwell by speed and supply, a line each."""
    lines = []
    for one in found.course:
        volts = "" if one.volts is None else f" at {one.volts:.1f} V"
        lines.append(
            f"{one.rpm:.0f} rpm{volts}: {plus_minus(one.ms, one.u_ms, ' ms')}, "
            f"{one.crank_deg:.1f}° crank ({one.firings} firings)"
        )
    return lines


def cylinders(found: Cylinders) -> list[RenderableType]:
    """The table of the cylinders and what it points at."""
    table = Table(
        title="Cylinder by cylinder, in firing order: crank degrees, dwell in ms",
        title_justify="left", box=None, padding=(0, 1, 0, 0), pad_edge=False,
    )  # fmt: skip
    heads, rows = cylinder_table(found)
    for k, head in enumerate(heads):
        table.add_column(head, justify="right" if k else "left", no_wrap=True)
    for row, one in zip(rows, found.rows, strict=True):
        table.add_row(*row, style="bold" if one.differs else "")
    said: list[RenderableType] = [table]
    if found.banks is not None:
        said.append(
            Text(f"first bank less the second: {found.banks:+.2f}° ± {found.banks.u95:.2f}°")
        )
    return [*said, *(Text(f"→ {line}") for line in found.words)]


def cylinder_table(found: Cylinders) -> tuple[list[str], list[list[str]]]:
    """Headings and rows as text; columns that nothing is known of are left out."""
    columns: list[tuple[str, list[str]]] = [
        ("cyl.", [r.name for r in found.rows]),
        ("BTDC", [_with(r.timing) for r in found.rows]),
        ("others", [_with(r.deviation, sign=True) for r in found.rows]),
        ("scatter", [_plain(r.scatter, ".2f") for r in found.rows]),
        ("sparks", [_plain(r.sparks, ".2f") for r in found.rows]),
        ("missing", [f"{r.missing}/{r.expected}" for r in found.rows]),
        ("asked", [_plain(r.no_spark, "d") for r in found.rows]),
        ("dwell", [_plain(r.dwell_ms, ".2f") for r in found.rows]),
        ("°", [_plain(r.dwell_deg, ".1f") for r in found.rows]),
        ("torque", [_with(r.torque) for r in found.rows]),
    ]
    kept = [(head, cells) for head, cells in columns if any(cells)]
    return [h for h, _ in kept], [list(row) for row in zip(*(c for _, c in kept), strict=True)]


def _plain(value: float | None, form: str, unit: str = "") -> str:
    return "" if value is None else f"{value:{form}}{unit}"


def _with(value: Number | None, sign: bool = False) -> str:
    if value is None:
        return ""
    return f"{value:{'+' if sign else ''}.2f}±{value.u95:.2f}"


def grid(rows: list[Row]) -> RenderableType:
    """Rows as a table without lines."""
    table = Table.grid(padding=(0, 3))
    table.add_column(style="dim", no_wrap=True)
    table.add_column()
    for name, text in rows:
        table.add_row(name, text)
    return table
