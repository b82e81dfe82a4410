"""Texts of the board's .kicad_pro and .kicad_dru, from rules.py."""

from __future__ import annotations

import json
from collections.abc import Iterable

from rules import (
    CLASSES,
    CLEAR,
    EDGE,
    LEAST_DRILL,
    LEAST_TRACK,
    NAME,
    SIGNAL_WIDTH,
    VIA,
    VIA_DRILL,  # fmt: skip
)

MAX_ERROR = 0.02  # mm; arcs of pours as KiCad draws them


def net_class(name: str, track: float, nets: Iterable[str]) -> dict[str, object]:
    """One class of the project file."""
    return {
        "name": name, "track_width": track, "clearance": CLEAR, "via_diameter": VIA,
        "via_drill": VIA_DRILL, "microvia_diameter": 0.3, "microvia_drill": 0.1,
        "diff_pair_gap": 0.25, "diff_pair_via_gap": 0.25, "diff_pair_width": 0.2, "line_style": 0,
        "bus_width": 12.0, "wire_width": 6.0, "pcb_color": "rgba(0, 0, 0, 0.000)",
        "schematic_color": "rgba(0, 0, 0, 0.000)", "nets": sorted(nets),
    }  # fmt: skip


def settings() -> str:
    """Text of the .kicad_pro: rules and classes."""
    least = {
        "max_error": MAX_ERROR, "min_clearance": CLEAR, "min_track_width": LEAST_TRACK,
        "min_via_diameter": 0.6, "min_through_hole_diameter": LEAST_DRILL, "min_hole_to_hole": 0.25,
        "min_copper_edge_clearance": EDGE, "min_silk_clearance": 0.0,
    }  # fmt: skip
    classes = [net_class("Default", SIGNAL_WIDTH, ())]
    classes += [net_class(name, entry[2], entry[0]) for name, entry in CLASSES.items()]
    return (
        json.dumps(
            {
                "board": {"design_settings": {"rules": least}},
                "net_settings": {"classes": classes, "meta": {"version": 2}},
                "meta": {"filename": f"{NAME}.kicad_pro", "version": 1},
            },
            indent=1,
        )
        + "\n"
    )


def rule_file() -> str:
    """Text of the .kicad_dru: the distances between classes."""
    lines = ["(version 1)"]
    for name, (_, gap, _, why) in CLASSES.items():
        if gap > CLEAR:
            lines.append(f"# {why}")
            lines.append(
                f'(rule "{name}: {gap:g} mm" (condition "A.NetClass == \'{name}\' && '
                f"B.NetClass != '{name}'\") (constraint clearance (min {gap:g}mm)))"
            )
    return "\n".join(lines) + "\n"
