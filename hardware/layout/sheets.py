"""The drawings' geometry and board.net -> KiCad's schematic: sparkwitness.kicad_sch and one sheet
per drawing.

    python hardware/layout/sheets.py             write hardware/board/*.kicad_sch
    python hardware/layout/sheets.py --check     exit code 1 where one is not up to date

Needs no KiCad. Symbols are embedded; every pin has the package's number from board.net and an
electrical type, so that KiCad's rule check of the schematic means something.
"""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import itertools

import canonical
import footprints
import parts
import rules
import schematic

BOARD = parts.FOLDER / "board"
SCALE = 5.08  # mm per unit of the drawings
_FONT = "(effects (font (size 1.27 1.27)))"
# electrical type of each pin in the order of board.net's nodes
_TYPES = {
    "LM393": ("input", "input", "open_collector", "power_in", "power_in"),
    "6N137": ("passive", "passive", "open_collector", "power_in", "power_in", "input"),
    "TC4427": ("input", "output", "power_in", "power_in"),
    "LM317L": ("power_in", "power_out", "passive"),
    "5V to 12V": ("power_in", "power_in", "power_out", "passive"),
}
FLAGS = ("vdr",)  # nets that a jumper feeds: PWR_FLAG says so to the rule check

Point = tuple[float, float]


def _num(value: float) -> str:
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _uid(*words: object) -> str:
    return canonical.name(*words)


def _type(reference: str, value: str, index: int, node: str) -> str:
    if reference == "M1":
        return "power_out" if node in ("v5", "v33", "gnd") else "bidirectional"
    types = _TYPES.get(value)
    return types[index] if types else "passive"


def _lines(reference: str, pins: dict[int, Point]) -> list[tuple[Point, Point]]:
    """Strokes of a symbol: a small box on the line of a part with two pins, else one round all."""
    xs, ys = [p[0] for p in pins.values()], [p[1] for p in pins.values()]
    if len(pins) != 2:
        left, top, right, low = min(xs), min(ys), max(xs), max(ys)
        corners = [(left, top), (right, top), (right, low), (left, low), (left, top)]
        return list(itertools.pairwise(corners))
    (x1, y1), (x2, y2) = (pins[k] for k in sorted(pins))
    long = math.hypot(x2 - x1, y2 - y1)
    half = min(2.54, long / 3)
    ux, uy = (x2 - x1) / long, (y2 - y1) / long
    cx, cy, nx, ny = (x1 + x2) / 2, (y1 + y2) / 2, -uy, ux
    a, b = (cx - ux * half, cy - uy * half), (cx + ux * half, cy + uy * half)
    a1, a2 = (a[0] + nx, a[1] + ny), (a[0] - nx, a[1] - ny)
    b1, b2 = (b[0] + nx, b[1] + ny), (b[0] - nx, b[1] - ny)
    strokes = [((x1, y1), a), ((x2, y2), b), (a1, a2), (b1, b2)]
    return strokes + ([(a1, b), (a2, b)] if reference[0] == "D" else [(a1, b1), (a2, b2)])


class _Page:
    """One sheet: KiCad's coordinates of a drawing, and what was written of it."""

    def __init__(self, name: str, library: dict[str, list[str]], shared: set[str]) -> None:
        self.name, self.drawing = name, schematic.SHEETS[name]()
        self.library, self.shared = library, shared
        self.used: list[str] = []
        d = self.drawing
        points = [*d.pins.values(), *(p for s in d.segments for p in s)]
        self.x0 = 25.4 - self._grid(min(p[0] for p in points))
        self.y0 = 25.4 + self._grid(max(p[1] for p in points))
        self.body: list[str] = []
        self.instances: list[tuple[str, str, int, str, str]] = []

    @staticmethod
    def _grid(value: float) -> float:
        return round(value * SCALE * 100) / 100

    def at(self, point: Point) -> Point:
        """A drawing's point on the sheet, mm."""
        return (
            round(self.x0 + self._grid(point[0]), 2),
            round(self.y0 - self._grid(point[1]), 2),
        )

    def symbol(self, reference: str, pins: dict[int, Point], pairs: list[tuple[str, str]]) -> None:
        """One symbol (a unit of a package) with its pins where the drawing has them."""
        package = parts.of_unit(reference)
        unit = 1 if package == reference else "AB".index(reference[-1]) + 1
        part = parts.read_bom()[package]
        cx = round(sum(p[0] for p in pins.values()) / len(pins), 2)
        cy = round(sum(p[1] for p in pins.values()) / len(pins), 2)
        strokes = "".join(
            f"(polyline (pts (xy {_num(a[0] - cx)} {_num(cy - a[1])}) "
            f"(xy {_num(b[0] - cx)} {_num(cy - b[1])})) (stroke (width 0.2)) (fill (type none)))"
            for a, b in _lines(reference, pins)
        )
        legs = []
        for i, (x, y) in sorted(pins.items()):
            numbers, node = pairs[i]
            for k, number in enumerate(numbers.split(",")):
                kind = "passive" if k else _type(reference, part.value, i, node)
                legs.append(self._leg(kind, x - cx, cy - y, node, number))
            if node.endswith("_open"):
                self.body.append(
                    f"(no_connect (at {_num(x)} {_num(y)}) (uuid "
                    f"{_uid(self.name, 'nc', reference, i)}))"
                )
        if reference == "U4":  # two pins of the package that lead nowhere
            for k, number in enumerate(("1", "4")):
                legs.append(self._leg("no_connect", 1.27 * k, 0.0, "nc", number))
        own = f'(symbol "{package}_{unit}_1" {strokes}{"".join(legs)})'
        self.library.setdefault(package, []).append(own)
        entry = footprints.load().get(package, {}).get("footprint")
        library = f"{entry[0]}:{entry[1]}" if entry else f"{rules.NAME}:Pico_2x20_sockets"  # type: ignore[index]
        if package in footprints.OFF_BOARD:
            library = ""
        stamp = _uid("symbol", package if unit == 1 else reference)
        on_board = "no" if package in footprints.OFF_BOARD else "yes"
        self._place(package, package, unit, (cx, cy), part.value, library, stamp, on_board)

    @staticmethod
    def _leg(kind: str, x: float, y: float, name: str, number: str) -> str:
        return (
            f"(pin {kind} line (at {_num(x)} {_num(y)} 0) (length 0) "
            f'(name "{name}" {_FONT}) (number "{number}" {_FONT}))'
        )

    def _place(self, library: str, reference: str, unit: int, at: Point, value: str, footprint: str,
               stamp: str, on_board: str = "yes") -> None:  # fmt: skip
        self.used.append(library)

        def field(i: int, name: str, text: str, dx: float, dy: float, hide: bool) -> str:
            how = "(effects (font (size 1.27 1.27)) hide)" if hide else (
                "(effects (font (size 1.27 1.27)) (justify left))")  # fmt: skip
            x, y = _num(at[0] + dx), _num(at[1] + dy)
            return f'(property "{name}" "{text}" (id {i}) (at {x} {y} 0) {how})'

        self.body.append(
            f'(symbol (lib_id "{rules.NAME}:{library}") (at {_num(at[0])} {_num(at[1])} 0) '
            f"(unit {unit}) (in_bom yes) (on_board {on_board}) (uuid {stamp}) "
            + field(0, "Reference", reference, 1.6, -1.4, False)
            + field(1, "Value", value, 1.6, 1.0, False)
            + field(2, "Footprint", footprint, 0, 0, True)
            + field(3, "Datasheet", "", 0, 0, True)
            + ")"
        )
        self.instances.append((stamp, reference, unit, value, footprint))

    def fill(self) -> None:
        """Symbols, wires, labels; the symbols' units go to the library."""
        pins: dict[str, dict[int, Point]] = {}
        for (reference, i), point in self.drawing.pins.items():
            pins.setdefault(reference, {})[i] = self.at(point)
        pairs = {r: p for members in parts.read_pins("board").values() for r, p in members.items()}
        for reference, own in pins.items():
            self.symbol(reference, own, pairs[reference])
        segments = [
            (self.at(a), self.at(b)) for a, b in self.drawing.segments if self.at(a) != self.at(b)
        ]
        for k, (a, b) in enumerate(segments):
            self.body.append(
                f"(wire (pts (xy {_num(a[0])} {_num(a[1])}) (xy {_num(b[0])} {_num(b[1])})) "
                f"(stroke (width 0) (type default) (color 0 0 0 0)) (uuid "
                f"{_uid(self.name, 'wire', k)}))"
            )
        self._junctions(segments, [p for own in pins.values() for p in own.values()])
        named = {net for _, net in self.drawing.names}
        names = [(self.at(where), net) for where, net in self.drawing.names]
        for (
            reference,
            own,
        ) in pins.items():  # nets that go on elsewhere without a name in the drawing
            for i, point in own.items():
                node = pairs[reference][i][1]
                if node in self.shared and node not in named:
                    named.add(node)
                    names.append((point, node))
        for k, ((x, y), net) in enumerate(names):
            self.body.append(
                f'(global_label "{net}" (shape passive) (at {_num(x)} {_num(y)} 0) '
                f"(fields_autoplaced) "
                f"(effects (font (size 1.27 1.27)) (justify left)) (uuid "
                f"{_uid(self.name, 'label', k)}))"
            )
            if net in FLAGS and "PWR_FLAG" not in self.library:
                self.library["PWR_FLAG"] = [
                    '(symbol "PWR_FLAG_1_1" (polyline (pts (xy 0 0) (xy 0 2.54)) '
                    "(stroke (width 0.2)) (fill (type none))) "
                    f"{self._leg('power_out', 0, 0, 'pwr', '1')})"
                ]
                self._place("PWR_FLAG", f"#FLG_{net}", 1, (x, y), "PWR_FLAG", "", _uid("flag", net))

    def text(self) -> str:
        """Text of the sheet."""
        symbols = "\n".join(
            symbol_text(name, self.library[name], f"{rules.NAME}:")
            for name in dict.fromkeys(self.used)
        )
        return (
            f"(kicad_sch (version 20211123) (generator {rules.NAME}) (uuid "
            f"{_uid('sheet', self.name)}) "
            f'(paper "A2") (lib_symbols\n{symbols})\n' + "\n".join(self.body) + "\n)\n"
        )

    def _junctions(self, segments: list[tuple[Point, Point]], pins: list[Point]) -> None:
        """A junction wherever an end or a pin meets a line, or three meet."""
        ends = [p for s in segments for p in s]
        for p in sorted(set(ends + pins)):
            meets = any(
                min(a[0], b[0]) - 0.02 <= p[0] <= max(a[0], b[0]) + 0.02
                and min(a[1], b[1]) - 0.02 <= p[1] <= max(a[1], b[1]) + 0.02
                and p not in (a, b)
                for a, b in segments
            )
            if meets or ends.count(p) + pins.count(p) > 2:
                self.body.append(
                    f"(junction (at {_num(p[0])} {_num(p[1])}) (diameter 0) (color 0 0 0 0) "
                    f"(uuid {_uid(self.name, 'junction', *p)}))"
                )


def symbol_text(name: str, units: list[str], library: str) -> str:
    """A symbol of the library, or of a sheet's copy of it."""
    letters = re.match("[A-Z]+", name)
    prefix = letters[0] if letters and name != "PWR_FLAG" else "#FLG"
    power = "(power) " if name == "PWR_FLAG" else ""
    fields = "".join(
        f'(property "{field}" "{text}" (id {i}) (at 0 0 0) {_FONT})'
        for i, (field, text) in enumerate(
            (("Reference", prefix), ("Value", ""), ("Footprint", ""), ("Datasheet", ""))
        )
    )
    return (
        f'(symbol "{library}{name}" {power}(pin_numbers hide) (pin_names (offset 0) hide) '
        f"(in_bom yes) (on_board yes) {fields}{''.join(units)})"
    )


def texts() -> dict[str, str]:
    """Every schematic file: {name: text}."""
    names = [n for n in schematic.SHEETS if not n.startswith("first-spark")]
    found, frames, pages, symbols = {}, [], [], []
    library: dict[str, list[str]] = {}
    nodes = {r: [n for _, n in p] for m in parts.read_pins("board").values() for r, p in m.items()}
    seen: dict[str, set[str]] = {}
    for name in names:
        for reference, i in schematic.SHEETS[name]().pins:
            seen.setdefault(nodes[reference][i], set()).add(name)
    shared = {node for node, where in seen.items() if len(where) > 1}
    sheets = [_Page(name, library, shared) for name in names]
    for page in sheets:
        page.fill()
    for i, (name, page) in enumerate(zip(names, sheets, strict=True)):
        found[f"{name}.kicad_sch"] = page.text()
        sheet = _uid("frame", name)
        y = 25.4 + 20.32 * i
        frames.append(
            f"(sheet (at 25.4 {_num(y)}) (size 40.64 12.7) (fields_autoplaced) (stroke "
            f"(width 0.15) "
            f"(type solid) (color 0 0 0 0)) (fill (color 0 0 0 0)) (uuid {sheet}) "
            f'(property "Sheet name" "{name}" (id 0) (at 25.4 {_num(y - 0.7)} 0) '
            "(effects (font (size 1.27 1.27)) (justify left bottom))) "
            f'(property "Sheet file" "{name}.kicad_sch" (id 1) (at 25.4 {_num(y + 13.3)} 0) '
            "(effects (font (size 1.27 1.27)) (justify left top))))"
        )
        pages.append(f'(path "/{sheet}" (page "{i + 2}"))')
        for stamp, reference, unit, value, footprint in page.instances:
            symbols.append(
                f'(path "/{sheet}/{stamp}" (reference "{reference}") (unit {unit}) (value '
                f'"{value}") '
                f'(footprint "{footprint}"))'
            )
    found[f"{rules.NAME}.kicad_sch"] = (
        f"(kicad_sch (version 20211123) (generator {rules.NAME}) (uuid {_uid('root')}) "
        '(paper "A4") (lib_symbols)\n' + "\n".join(frames) + '\n(sheet_instances (path "/" '
        '(page "1"))'
        + "".join(pages) + ")\n(symbol_instances\n" + "\n".join(symbols) + "))\n"
    )  # fmt: skip
    found[f"{rules.NAME}.kicad_sym"] = (
        f"(kicad_symbol_lib (version 20211014) (generator {rules.NAME})\n"
        + "\n".join(symbol_text(which, units, "") for which, units in library.items())
        + "\n)\n"
    )
    found["sym-lib-table"] = (
        f'(sym_lib_table\n  (lib (name "{rules.NAME}")(type "KiCad")'
        f'(uri "${{KIPRJMOD}}/{rules.NAME}.kicad_sym")(options "")(descr ""))\n)\n'
    )
    return found


def main() -> int:
    """Write or check."""
    files = ((BOARD / name, text, f"board/{name}") for name, text in texts().items())
    return parts.generated(__doc__, files)


if __name__ == "__main__":
    sys.exit(main())
