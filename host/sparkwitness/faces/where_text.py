"""Where the error arises, as text: controller, module, dwell, cylinder by cylinder."""

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from sparkwitness.timing.dwell import Dwell
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


def grid(rows: list[Row]) -> RenderableType:
    """Rows as a table without lines."""
    table = Table.grid(padding=(0, 3))
    table.add_column(style="dim", no_wrap=True)
    table.add_column()
    for name, text in rows:
        table.add_row(name, text)
    return table
