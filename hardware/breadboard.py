"""The breadboard of the first spark: which lead stands in which hole, drawn and read back.

    python hardware/breadboard.py            write hardware/schematic/first-spark-breadboard.svg
    python hardware/breadboard.py --check    exit code 1 when it is not up to date

A hole is half, column, row: "B36g" (lower half, rows f to j), "T30a" (upper half, rows a to e);
the rails are "T+", "T-", "B+", "B-" with a column: "B-40". The five holes of a column's half are
joined, and each rail along its length.
"""

from __future__ import annotations

import re
import sys

import parts

PATH = parts.FOLDER / "schematic" / "first-spark-breadboard.svg"
COLUMNS = 47
# pins of M21 in use; USB at the left, pins 1 to 20 in row h, 40 to 21 in row c
PLACES: dict[str, list[str]] = {
    "M21": ["T5c", "T3c", "B5h", "B4h"],
    "T21": ["B30j", "B-31", "B32j"],
    "D21": ["B30g", "B36g"],
    "D22": ["B32h", "B36h"],
    "R21": ["B36f", "B40f"],
    "C21": ["B40j", "B-36"],
    "R22": ["B40i", "B-40"],
    "D23": ["B-43", "B40h"],
    "R23": ["B40g", "B44g"],
    "D24": ["B44i", "B+46"],
    "J21": ["T30a", "T-29"],
    "R24": ["T30e", "T36e"],
    "C22": ["T36a", "T-32"],
    "D25": ["T-37", "T36b"],
    "D26": ["T36c", "T+42"],
    "R25": ["T36d", "T40d"],
    "R26": ["T+26", "T26b"],
    "D27": ["T26d", "T30d"],
}
WIRES: list[tuple[str, str, str]] = [
    ("T5a", "T+5", "#c0392b"),
    ("T3a", "T-3", "#1c2833"),
    ("T-45", "B-45", "#1c2833"),
    ("T+47", "B+47", "#c0392b"),
    ("B44j", "B5j", "#1e8449"),
    ("T40b", "B4i", "#2471a3"),
]


def strip(hole: str) -> str:
    """What the hole is joined with: a rail, or a column's half.

    Raises:
        ValueError: there is no such hole.
    """
    match = re.fullmatch(r"([TB])(?:([+-])(\d+)|(\d+)([a-j]))", hole)
    if not match:
        raise ValueError(f"{hole!r} is not a hole")
    half, rail, _, column, row = match.groups()
    if rail:
        return half + rail
    if (row in "abcde") != (half == "T"):
        raise ValueError(f"row {row} is not in half {half}")
    return half + column


def nets() -> set[frozenset[tuple[str, int]]]:
    """What the breadboard joins: groups of (reference, index of the pin in first-spark.net)."""
    parent: dict[str, str] = {}

    def root(name: str) -> str:
        while parent.setdefault(name, name) != name:
            name = parent[name]
        return name

    for a, b, _ in WIRES:
        parent[root(strip(a))] = root(strip(b))
    groups: dict[str, set[tuple[str, int]]] = {}
    for reference, holes in PLACES.items():
        for i, hole in enumerate(holes):
            groups.setdefault(root(strip(hole)), set()).add((reference, i))
    return {frozenset(group) for group in groups.values()}


def wanted() -> set[frozenset[tuple[str, int]]]:
    """The same from first-spark.net."""
    groups: dict[str, set[tuple[str, int]]] = {}
    for members in parts.read_net("first-spark").values():
        for reference, nodes in members.items():
            for i, node in enumerate(nodes):
                groups.setdefault(node, set()).add((reference, i))
    return {frozenset(group) for group in groups.values()}


# --- the drawing

PITCH = 22.0
ROWS = {
    **{row: 4 + i for i, row in enumerate("abcde")},
    **{r: 11 + i for i, r in enumerate("fghij")},
}
RAILS = {"T+": 1, "T-": 2, "B-": 17, "B+": 18}
LABELS = {  # where the words stand beside a part that is not level
    "R26": (-44, 0), "C22": (-54, 6), "D25": (-62, 24), "D22": (0, 20), "D26": (56, 14),
    "C21": (-62, 0), "R22": (-38, -14), "D23": (44, -12), "D24": (52, 8),
}  # fmt: skip
COLOURS = {"R": "#d6b98c", "D": "#5d6d7e", "C": "#e59866"}


def _at(hole: str) -> tuple[float, float]:
    match = re.fullmatch(r"([TB])(?:([+-])(\d+)|(\d+)([a-j]))", hole)
    assert match is not None
    half, rail, along, column, row = match.groups()
    line = RAILS[half + rail] if rail else ROWS[row]
    return (int(along or column) + 1.5) * PITCH, line * PITCH


def _text(x: float, y: float, words: str, size: float = 12, colour: str = "#17202a") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill="{colour}" '
        f'text-anchor="middle" font-family="DejaVu Sans, Arial, sans-serif">{words}</text>'
    )


def svg() -> str:
    """The drawing as SVG text."""
    bom = parts.read_bom("first-spark")
    wide, high = (COLUMNS + 4) * PITCH, 21.5 * PITCH
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-8 -24 {wide + 8:.0f} {high + 24:.0f}" '
        f'width="{wide + 8:.0f}" height="{high + 24:.0f}">',
        "<title>sparkwitness, first spark on a breadboard</title>",
        f'<rect x="-8" y="-24" width="{wide + 8:.0f}" height="{high + 24:.0f}" fill="white"/>',
        f'<rect x="{PITCH * 1.5:.1f}" y="8" width="{(COLUMNS + 1) * PITCH:.1f}" '
        f'height="{PITCH * 18.6:.1f}" rx="8" fill="#f4f6f6" stroke="#aab7b8"/>',
    ]
    for name, line in RAILS.items():
        colour = "#c0392b" if name.endswith("+") else "#1c2833"
        y = line * PITCH
        words = "3.3 V" if name.endswith("+") else "ground"
        out.append(_text(PITCH * 0.8, y + 4, words, 10, colour))
        out += [
            f'<circle cx="{(c + 1.5) * PITCH:.1f}" cy="{y:.1f}" r="2.6" fill="{colour}" '
            'fill-opacity="0.45"/>'
            for c in range(1, COLUMNS + 1)
        ]
    for row, line in ROWS.items():
        out.append(_text(PITCH * 1.1, line * PITCH + 4, row, 11, "#7f8c8d"))
        out += [
            f'<circle cx="{(c + 1.5) * PITCH:.1f}" cy="{line * PITCH:.1f}" r="2.6" fill="#aab7b8"/>'
            for c in range(1, COLUMNS + 1)
        ]
    for c in range(5, COLUMNS + 1, 5):
        out.append(_text((c + 1.5) * PITCH, 9.5 * PITCH + 4, str(c), 11, "#7f8c8d"))
    # the microcontroller board
    (x1, y1), (x2, y2) = _at("T1c"), _at("B20h")
    out.append(
        f'<rect x="{x1 - 16:.1f}" y="{y1 - 9:.1f}" width="{x2 - x1 + 32:.1f}" '
        f'height="{y2 - y1 + 18:.1f}" rx="6" fill="#1e8449" fill-opacity="0.85"/>'
    )
    out.append(
        f'<rect x="{x1 - 30:.1f}" y="{(y1 + y2) / 2 - 18:.1f}" width="34" height="36" '
        'rx="3" fill="#bdc3c7"/>'
    )
    out.append(_text((x1 + x2) / 2, (y1 + y2) / 2 + 5, "M21  Pico, USB at the left", 15, "white"))
    for hole, words in (("T5c", "3V3"), ("T3c", "GND"), ("B5h", "GP3"), ("B4h", "GP2")):
        x, y = _at(hole)
        out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="#f4d03f"/>')
        up = hole.startswith("T")
        out.append(_text(x, y + (17 if up else -10), words, 9, "white"))
    for a, b, colour in WIRES:
        (x1, y1), (x2, y2) = _at(a), _at(b)
        bend = 0.0 if x1 == x2 or abs(x1 - x2) < 2 * PITCH else 1.2 * PITCH
        low = max(y1, y2) + bend if a.startswith("B") else (y1 + y2) / 2
        path = f"M{x1:.1f} {y1:.1f} C{x1:.1f} {low:.1f} {x2:.1f} {low:.1f} {x2:.1f} {y2:.1f}"
        out.append(
            f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="4" '
            'stroke-linecap="round" stroke-opacity="0.9"/>'
        )
    for reference, holes in PLACES.items():
        if reference == "M21":
            continue
        points = [_at(hole) for hole in holes]
        if reference in ("T21", "J21"):
            names = ("end", "centre, shield", "end") if reference == "T21" else ("signal", "engine")
            edge = high - 40 if reference == "T21" else -6.0
            for x, y in points:
                out.append(
                    f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{x:.1f}" y2="{edge:.1f}" '
                    'stroke="#7d3c98" stroke-width="4" stroke-opacity="0.8"/>'
                )
            x = points[0][0]
            words = f"{reference}: {', '.join(names)}"
            out.append(_text(x, high - 24 if reference == "T21" else -10, words, 12, "#7d3c98"))
            continue
        (x1, y1), (x2, y2) = points
        a, b = (0.5 - 0.28, 0.5 + 0.28)
        mid = [(x1 + (x2 - x1) * k, y1 + (y2 - y1) * k) for k in (a, b)]
        out.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="#7b7d7d" '
            'stroke-width="2.5"/>'
        )
        out.append(
            f'<line x1="{mid[0][0]:.1f}" y1="{mid[0][1]:.1f}" x2="{mid[1][0]:.1f}" '
            f'y2="{mid[1][1]:.1f}" stroke="{COLOURS[reference[0]]}" stroke-width="12"/>'
        )
        if reference[0] == "D":  # the stripe: the cathode, pin index 1
            ux, uy = mid[1][0] - mid[0][0], mid[1][1] - mid[0][1]
            sx, sy = mid[1][0] - ux * 0.18, mid[1][1] - uy * 0.18
            out.append(
                f'<line x1="{sx:.1f}" y1="{sy:.1f}" x2="{sx + ux * 0.12:.1f}" '
                f'y2="{sy + uy * 0.12:.1f}" stroke="white" stroke-width="12"/>'
            )
        words = f"{reference} {bom[reference].value}"
        dx, dy = LABELS.get(reference, (0, -8))
        out.append(_text((x1 + x2) / 2 + dx, (y1 + y2) / 2 + dy, words, 10.5))
    return "\n".join([*out, "</svg>", ""])


def main() -> int:
    """Write or check the drawing."""
    return parts.generated(__doc__, [(PATH, svg(), "")])


if __name__ == "__main__":
    sys.exit(main())
