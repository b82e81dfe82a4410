"""Tables of what the simulation found: worst level of each pin, worst stress of each part against
its rating, spread of each input's delay.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import parts
from stress import PinResult, Stress


def hardest(used: Sequence[Stress]) -> list[Stress]:
    """The worst of each part and quantity, hardest used part first."""
    found: dict[tuple[str, str], Stress] = {}
    for s in used:
        key = (s.reference, s.quantity)
        if key not in found or s.value / s.rated > found[key].value / found[key].rated:
            found[key] = s
    return sorted(found.values(), key=lambda s: -s.value / s.rated)


def pin_table(pins: Sequence[PinResult]) -> list[str]:
    """One line per pin of the microcontroller or of a block's output."""
    lines = [f"{'pin':9}{'low V':>8}{'high V':>8}{'mA':>8}  case of the highest"]
    for pin in dict.fromkeys(p.pin for p in pins):
        own = [p for p in pins if p.pin == pin]
        worst = max(own, key=lambda p: p.high)
        low, amp = min(p.low for p in own), max(p.injected for p in own)
        lines.append(f"{pin:9}{low:8.3f}{worst.high:8.3f}{amp * 1e3:8.3f}  {worst.case}")
    return lines


def stress_table(used: Sequence[Stress], most: int | None = None) -> list[str]:
    """One line per part: the quantity nearest to its rating, and the case."""
    lines = [f"{'part':6}{'worst':>9} {'of rating':16}share  case"]
    seen: set[str] = set()
    for s in hardest(used):
        if s.reference not in seen:
            seen.add(s.reference)
            share = s.value / s.rated
            rated = f"of {s.rated:<7.4g}{s.quantity}"
            lines.append(f"{s.reference:6}{s.value:9.3g} {rated:16}{share:5.0%}  {s.case}")
    return lines[: most + 1] if most else lines


def delay_table() -> list[str]:
    """delays.json: mean and standard uncertainty of each input and edge, first and last speed."""
    table = json.loads((parts.FOLDER / "delays.json").read_text(encoding="utf-8"))["inputs"]
    lines = [f"{'input':19}{'edge':9}{'delay us':>9}{'u us':>8}"]
    for name, found in table.items():
        for edge, entry in found.items():
            if isinstance(entry, dict) and "delay_us" in entry:
                lines.append(f"{name:19}{edge:9}{entry['delay_us']:9.3f}{entry['u_us']:8.3f}")
            elif isinstance(entry, dict) and "by_rpm" in entry:
                for row in (entry["by_rpm"][0], entry["by_rpm"][-1]):
                    what = f"{edge}, {row['rpm']:g}/min"
                    lines.append(f"{name:12}{what:16}{row['delay_us']:9.3f}{row['u_us']:8.3f}")
    return lines
