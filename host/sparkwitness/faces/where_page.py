"""Where the error arises, for a page: from a result's plain values, as they are kept."""

from typing import Any

from sparkwitness.foreign import html as escape
from sparkwitness.timing.wording import angle, plus_minus

Values = dict[str, Any]


def answers(split: Values) -> list[tuple[str, str, str]]:
    """Name, value (HTML) and what to know of it, for the top of a page."""
    cards = []
    if split.get("controller_error_deg") is not None:
        error, u = split["controller_error_deg"], split["controller_expanded_deg"]
        cards.append((
            "The controller asks", f"{error:+.2f}° <small>± {u:.2f}°</small>".replace("-", "−"),
            f"at {angle(split['trigger_deg_btdc'])}, "
            + ("as commanded" if abs(error) <= u else "too early" if error > 0 else "too late"),
        ))  # fmt: skip
    delay, u = split["module_delay_us"], split["module_delay_expanded_us"]
    degrees = f"{split['module_error_deg']:+.2f}° at this speed".replace("-", "−")
    cards.append(("The module answers after", plus_minus(delay, u, " µs"), degrees))
    return cards


def split_pairs(split: Values) -> list[tuple[str, str]]:
    """Rows of the section on trigger and dwell."""
    how = "found, since the sparks follow it" if split["flank_found"] else "as typed"
    rows = [
        ("Flank that fires", f"{split['flank']}, {how}"),
        (
            "Trigger angle",
            f"{angle(split['trigger_deg_btdc'])} ± {split['trigger_expanded_deg']:.2f}°, scatter "
            f"{split['trigger_scatter_deg']:.2f}° over {split['events']} events",
        ),
        (
            "Module's answer",
            plus_minus(split["module_delay_us"], split["module_delay_expanded_us"], " µs")
            + f" after it, scatter {split['module_delay_scatter_us']:.1f} µs",
        ),
        ("Triggers without a spark", f"{split['triggers_without_spark']} of {split['triggers']}"),
        ("Firings without a trigger", str(split["firings_without_trigger"])),
        ("Sparks without a trigger", str(split["sparks_without_trigger"])),
    ]
    dwell = split.get("dwell")
    if dwell:
        rows += [
            (
                "Dwell",
                f"{plus_minus(dwell['ms'], dwell['expanded_ms'], ' ms')}, "
                f"{plus_minus(dwell['crank_deg'], dwell['crank_expanded_deg'], '° crank')} "
                f"({dwell['cam_deg']:.1f}° distributor), "
                f"{100 * dwell['share_of_interval']:.0f} % of the interval",
            ),
            ("Its scatter", f"{dwell['scatter_ms']:.3f} ms"),
        ]
        if dwell.get("charged_share") is not None:
            share = f"{100 * dwell['charged_share']:.0f} % of its final value"
            rows.append(("Coil's current reaches", share))
        if dwell.get("bounced_share"):
            rows.append(
                (
                    "Contacts bounce",
                    f"in {100 * dwell['bounced_share']:.0f} % of the firings, for "
                    f"{dwell['bounce_us']:.0f} µs",
                )
            )
        for k, one in enumerate(dwell.get("course") or []):
            volts = "" if one["volts"] is None else f", {one['volts']:.1f} V"
            rows.append(
                (
                    "Dwell by speed and supply" if k == 0 else "",
                    f"{one['rpm']:.0f} rpm{volts}: {plus_minus(one['ms'], one['u_ms'], ' ms')}, "
                    f"{one['crank_deg']:.1f}° crank",
                )
            )
    return rows


_COLUMNS = (
    ("name", "cylinder", ""), ("timing", "timing, ° BTDC", "timing_expanded"),
    ("deviation", "against the others, °", "deviation_corrected"), ("scatter", "scatter, °", ""),
    ("sparks", "sparks", ""), ("missing", "missing", ""), ("no_spark", "with trigger", ""),
    ("dwell_ms", "dwell, ms", ""), ("dwell_deg", "dwell, ° crank", ""),
    ("torque", "torque index", "torque_corrected"),
)  # fmt: skip


def cylinder_table(found: Values) -> str:
    """The table of the cylinders and its words, HTML."""
    kept = [c for c in _COLUMNS if any(row.get(c[0]) is not None for row in found["rows"])]
    top = "".join(f'<th class="number">{escape(head)}</th>' for _, head, _ in kept)
    body = ""
    for row in found["rows"]:
        cells = ""
        for key, _, u in kept:
            value = row.get(key)
            text = "" if value is None else value if isinstance(value, str) else f"{value:.2f}"
            if isinstance(value, int):
                text = str(value)
            if value is not None and u:
                sign = "+" if key == "deviation" else ""
                text = f"{value:{sign}.2f} ± {row[u]:.2f}".replace("-", "−")
            if key == "missing":
                text = f"{value} of {row['expected']}"
            weight = "<strong>" if row["differs"] else ""
            cells += f'<td class="number">{weight}{escape(text)}{weight.replace("<", "</")}</td>'
        body += f"<tr>{cells}</tr>"
    words = "".join(f"<p>{escape(line[:1].upper() + line[1:])}.</p>" for line in found["words"])
    note = (
        "<p>Differences are against the middle of the other cylinders; their intervals are "
        "corrected for looking at all of them (Šidák).</p>"
    )
    table = f'<table class="points"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'
    return f'<div class="scroll" tabindex="0">{table}</div>{words}{note}'
