"""Draw the schematic, one SVG per sheet; values come from bom.csv.

    python hardware/schematic.py            write hardware/schematic/*.svg
    python hardware/schematic.py --check    exit code 1 when a drawing is not up to date

Each sheet also knows which pins its lines join (`Sheet.nets`), so that a test can hold the drawing
against board.net: it is a picture and a netlist at once.
"""

from __future__ import annotations

import argparse
import itertools
import re
import sys
import textwrap
from collections.abc import Callable, Sequence

import parts
import schemdraw
import schemdraw.elements as elm

Point = tuple[float, float]

FOLDER = parts.FOLDER / "schematic"
INK, VALUE, NET, WIRE, FRAME = "#17202a", "#1f618d", "#922b21", "#17202a", "#85929e"
_DEFAULTS = {"fontsize": 11.0, "font": "DejaVu Sans, Arial, sans-serif", "lw": 1.4, "unit": 2.0}


class Sheet:
    """One drawing. Coordinates are grid units; two-pin parts are drawn from pin 1 to pin 2."""

    def __init__(self, title: str, note: str = "") -> None:
        schemdraw.use("svg")
        self.drawing = schemdraw.Drawing(show=False)
        self.drawing.config(color=INK, bgcolor="white", margin=0.4, **_DEFAULTS)
        self.title, self.note = title, note
        self.pins: dict[tuple[str, int], Point] = {}
        self.names: list[tuple[Point, str]] = []
        self.segments: list[tuple[Point, Point]] = []
        self.shown: dict[str, str] = {}
        self._bom = parts.read_bom()

    # --- text

    def text(
        self,
        at: Point,
        text: str,
        color: str = INK,
        size: float = 11,
        halign: str = "left",
        valign: str = "center",
    ) -> None:
        """Words without a meaning for the nets."""
        low = 0.017 * size  # the backend centres on the base line
        label = (
            elm.Label()
            .at((at[0], at[1] - low))
            .theta(0)
            .label(text, loc="center", halign=halign, valign=valign, fontsize=size, color=color)
        )
        self.drawing.add(label)

    def head(self, x: float, y: float, text: str) -> None:
        """Heading of a block."""
        self.text((x, y), text, size=15, color=FRAME)

    def _mark(self, reference: str, at: Point, halign: str, gap: float = 0.36) -> None:
        """Reference and value, the value below."""
        value = self._bom[parts.of_unit(reference)].value
        self.shown[reference] = value
        self.text((at[0], at[1] + gap / 2), reference, halign=halign, size=10.5)
        self.text((at[0], at[1] - gap / 2), value, VALUE, halign=halign, size=10.5)

    # --- parts

    def two(self, reference: str, first: Point, second: Point, side: str = "") -> None:
        """A part with two pins. side: where its words go: "l", "r", "t" or "b"."""
        if reference.startswith("JP"):
            self._jumper(first, second)
        else:
            element = _element(reference, self._bom[reference])
            self.drawing.add(element.endpoints(first, second))
        self.pins[reference, 0], self.pins[reference, 1] = first, second
        x, y = (first[0] + second[0]) / 2, (first[1] + second[1]) / 2
        vertical = abs(first[0] - second[0]) < 1e-6
        side = side or ("r" if vertical else "t")
        bom = self._bom[reference]
        self.shown[reference] = bom.value
        wide = 0.5 if reference[0] in "CD" else 0.4
        if "LED" in bom.part:
            wide = 0.95
        if reference.startswith("SW"):
            wide = 0.62
        if side in "lr":
            away = wide if side == "r" else -wide - 0.14
            self._mark(reference, (x + away, y), "left" if side == "r" else "right")
        elif side == "s":  # split: reference above, value below
            self.text((x, y + wide), reference, halign="center", size=10.5)
            self.text((x, y - wide), bom.value, VALUE, halign="center", size=10.5)
        else:
            away = wide + 0.3
            self._mark(reference, (x, y + (away if side == "t" else -away)), "center")

    def _jumper(self, first: Point, second: Point) -> None:
        """Two posts and the cap that may join them."""
        posts = [
            tuple(a + (b - a) * share for a, b in zip(first, second, strict=True))
            for share in (0.3, 0.7)
        ]
        for end, post in zip((first, second), posts, strict=True):
            self.drawing.add(elm.Line().endpoints(end, post).color(WIRE))
            self.drawing.add(elm.Dot(open=True, radius=0.1).at(post))
        self.drawing.add(elm.Line(ls="--").endpoints(*posts).linewidth(1))

    def comparator(self, reference: str, at: Point) -> tuple[Point, Point, Point]:
        """A comparator unit with its + input at `at`; the points of in+, in- and output."""
        plus = at
        body = elm.Opamp(leads=True).flip().right().anchor("in2").at(at)
        placed = self.drawing.add(body)
        a = placed.absanchors
        minus, out = _point(a["in1"]), _point(a["out"])
        top, bottom = _point(a["vs"]), _point(a["vd"])
        above, below = (top[0], top[1] + 0.45), (bottom[0], bottom[1] - 0.45)
        self.wire(top, above)
        self.wire(bottom, below)
        self.rail(above, "v5")
        self.ground(below)
        for pin, point in enumerate((plus, minus, out, top, bottom)):
            self.pins[reference, pin] = point
        value = self._bom[parts.of_unit(reference)].value
        self.shown[reference] = value
        self.text((at[0] + 1.85, at[1] + 0.32), reference, size=10.5)
        self.text((at[0] + 1.95, at[1] - 1.55), value, VALUE, size=9.5)
        return plus, minus, out

    def npn(self, reference: str, base: Point, mirror: bool = False) -> tuple[Point, Point]:
        """An NPN transistor with its base at `base`; the points of collector and emitter."""
        element = elm.BjtNpn(circle=True).right().anchor("base").at(base)
        placed = self.drawing.add(element.flip().reverse() if mirror else element)
        a = placed.absanchors
        collector, emitter = _point(a["collector"]), _point(a["emitter"])
        if collector[1] < emitter[1]:
            raise ValueError("collector below emitter")
        for pin, point in enumerate((collector, base, emitter)):
            self.pins[reference, pin] = point
        return collector, emitter

    def box(
        self,
        reference: str,
        corner: Point,
        size: Point,
        left: Sequence[tuple[int, str, float]] = (),
        right: Sequence[tuple[int, str, float]] = (),
        lead: float = 0.5,
        words: Point | None = None,
        value: bool = True,
    ) -> dict[int, Point]:
        """A box with pins. left, right: (pin index, name inside, y above the lower edge).

        Returns:
            The outer end of each pin by index.
        """
        x, y = corner
        w, h = size
        self.drawing.add(
            elm.Rect(corner1=corner, corner2=(x + w, y + h), fill="#f8f9f9", lw=1.4)
            .at((0, 0))
            .theta(0)
        )
        ends = {}
        for pins, edge, out, halign, inside in (
            (left, x, -lead, "left", 0.14),
            (right, x + w, lead, "right", -0.2),
        ):
            for index, name, height in pins:
                end = (edge + out, y + height)
                self.drawing.add(elm.Line().endpoints((edge, y + height), end).color(WIRE))
                self.text((edge + inside, y + height), name, halign=halign, size=9.5)
                self.pins[reference, index] = end
                ends[index] = end
        spot = words or (x + w / 2, y + h + 0.32)
        shown = self._bom[parts.of_unit(reference)].value
        self.shown[reference] = shown
        if value:
            self.text((spot[0], spot[1]), f"{reference}  {shown}", halign="center", size=10.5)
        else:
            self.text((spot[0], spot[1]), reference, halign="center", size=10.5)
        return ends

    # --- lines and nets

    def wire(self, *points: Point, dots: Sequence[Point] = ()) -> None:
        """Straight lines through the points, and junction dots."""
        for a, b in itertools.pairwise(points):
            self.drawing.add(elm.Line().endpoints(a, b).color(WIRE))
            self.segments.append((a, b))
        for dot in dots:
            self.dot(dot)

    def dot(self, *points: Point) -> None:
        """Junctions."""
        for point in points:
            self.drawing.add(elm.Dot(radius=0.07).at(point))

    def ground(self, *points: Point) -> None:
        """The one ground."""
        for at in points:
            self.drawing.add(elm.Ground().at(at))
            self.names.append((at, "gnd"))

    def lead(self, *points: Point) -> None:
        """What goes to the engine: behind the fuse F801."""
        for at in points:
            self.drawing.add(elm.GroundChassis().at(at).color(NET))
            self.names.append((at, "lead"))

    def rail(self, at: Point, name: str) -> None:
        """A supply rail, drawn upwards."""
        words = {"v5": "5 V", "v33": "3.3 V", "v12": "12 V", "vdr": "drive"}[name]
        bar = 0.3
        self.drawing.add(elm.Line().endpoints(at, (at[0], at[1] + 0.22)).color(NET))
        top = at[1] + 0.22
        self.drawing.add(elm.Line().endpoints((at[0] - bar, top), (at[0] + bar, top)).color(NET))
        self.text((at[0], top + 0.22), words, NET, halign="center", size=10)
        self.names.append((at, name))

    def tag(self, at: Point, name: str, left: bool = False) -> None:
        """A named net that goes on elsewhere; microcontroller pins show their GPIO number."""
        pin = parts.pins().get(name)
        words = f"{name} · GP{pin['gpio']}" if pin else name
        self.drawing.add(elm.Dot(open=True, radius=0.09).at(at).color(NET))
        gap = -0.36 if left else 0.22
        self.text((at[0] + gap, at[1]), words, NET, halign="right" if left else "left", size=10.5)
        self.names.append((at, name))

    def nets(self) -> tuple[dict[tuple[str, int], int], dict[str, int]]:
        """Which points the drawing joins: number of the net at each (reference, pin index), and of
        the net that carries each name."""
        ends = [end for segment in self.segments for end in segment]
        points = [*self.pins.values(), *(point for point, _ in self.names), *ends]
        parent = list(range(len(points)))

        def root(i: int) -> int:
            while parent[i] != i:
                i = parent[i]
            return i

        def join(i: int, j: int) -> None:
            parent[root(i)] = root(j)

        place: dict[tuple[int, int], int] = {}
        for i, (x, y) in enumerate(points):
            join(i, place.setdefault((round(x * 200), round(y * 200)), i))
        for a, b in self.segments:
            first = place[round(a[0] * 200), round(a[1] * 200)]
            for i, point in enumerate(points):
                if _on(point, a, b):
                    join(i, first)
        named: dict[str, int] = {}
        for i, (_, name) in enumerate(self.names, len(self.pins)):
            join(i, named.setdefault(name, i))
        return (
            {pin: root(i) for i, pin in enumerate(self.pins)},
            {name: root(i) for name, i in named.items()},
        )

    def svg(self) -> str:
        """The drawing as SVG text."""
        box = self.drawing.get_bbox()
        self.text((box.xmin, box.ymax + 1.1), f"sparkwitness · {self.title}", size=19)
        if self.note:
            columns = int((box.xmax - box.xmin) / 0.178)
            lines = [w for line in self.note.splitlines() for w in textwrap.wrap(line, columns)]
            for i, line in enumerate(lines):
                self.text((box.xmin, box.ymin - 0.7 - 0.55 * i), line, FRAME, size=11.5)
        data = self.drawing.get_imagedata("svg").decode("utf-8")
        title = f"<title>sparkwitness, {self.title}</title>"
        return re.sub(r"(<svg[^>]*>)", rf"\1{title}", data, count=1) + "\n"


def _point(p: Sequence[float]) -> Point:
    return (float(p[0]), float(p[1]))


def _on(p: Point, a: Point, b: Point) -> bool:
    """Whether p lies on the straight line from a to b (which runs along the grid)."""
    e = 4e-3
    return (
        min(a[0], b[0]) - e <= p[0] <= max(a[0], b[0]) + e
        and min(a[1], b[1]) - e <= p[1] <= max(a[1], b[1]) + e
        and abs((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])) < 1e-2
    )


def _element(reference: str, part: parts.Part) -> elm.Element2Term:
    if reference.startswith("R"):
        return elm.ResistorIEC()
    if reference.startswith("C"):
        return elm.Capacitor2(polar=True) if "aluminium" in part.part else elm.Capacitor()
    if reference.startswith("F"):
        return elm.FuseIEC()
    if reference.startswith("SW"):
        return elm.Button()
    if "LED" in part.part:
        return elm.LED()
    if "suppressor" in part.part or "Zener" in part.part:
        return elm.Zener()
    if "Schottky" in part.part:
        return elm.Schottky()
    return elm.Diode()


# --- sheets


def _clamp(s: Sheet, y: float, letter: str, number: int) -> None:
    """One clamp channel, its upper line at y + 4."""
    r = f"R{number}0{{}}".format
    d = f"D{number}0{{}}".format
    top, mid, low = y + 4, y + 2, y
    s.head(-2.6, y + 6.3, f"Clamp {letter.upper()}")
    # the head: a plug lead through a split sleeve, two half windings
    s.drawing.add(elm.Inductor2(loops=3).endpoints((0, top), (0, mid)).flip())
    s.drawing.add(elm.Inductor2(loops=3).endpoints((0, mid), (0, low)).flip())
    for x in (-0.62, -0.5):
        s.drawing.add(elm.Line().endpoints((x, low + 0.3), (x, top - 0.3)))
    s.drawing.add(elm.Line(arrow="->").endpoints((-1.1, low - 0.2), (-1.1, top + 0.3)).linewidth(3))
    s.text((-1.35, mid + 0.2), "plug lead", halign="right", size=10.5)
    s.text((-1.35, mid - 0.2), "to the plug", FRAME, halign="right", size=9.5)
    s.text((-0.3, top + 0.86), f"T{number}01", halign="center", size=10.5)
    s.text((-0.3, top + 0.5), s._bom[f"T{number}01"].value, VALUE, halign="center", size=10.5)
    s.shown[f"T{number}01"] = s._bom[f"T{number}01"].value
    for pin, at in enumerate(((0.0, top), (0.0, mid), (0.0, low))):
        s.pins[f"T{number}01", pin] = at
        joint = (2.0, at[1])
        s.pins[f"J{number}01", pin] = joint
        s.drawing.add(elm.Dot(open=True, radius=0.1).at(joint))
        s.text((1.72, at[1] + 0.26), str(pin + 1), FRAME, size=9, halign="center")
    s.shown[f"J{number}01"] = s._bom[f"J{number}01"].value
    s.drawing.add(
        elm.Rect(corner1=(1.45, low - 0.45), corner2=(2.45, top + 0.6), ls=":", lw=1)
        .at((0, 0))
        .theta(0)
    )
    s.text((1.95, top + 0.86), f"J{number}01", halign="center", size=10.5)
    s.wire((0, top), (4.9, top), (7.5, top), dots=[(4.9, top)])
    s.wire((0, low), (4.9, low), (7.5, low), dots=[(4.9, low)])
    s.wire((0, mid), (2.9, mid), (2.9, mid - 0.4))
    s.ground((2.9, mid - 0.4))
    s.two(d(4), (4.9, mid), (4.9, top), "l")
    s.two(d(5), (4.9, mid), (4.9, low), "l")
    s.dot((4.9, mid))
    s.two(d(6), (4.9, mid), (6.5, mid), "t")
    s.wire((6.5, mid), (6.8, mid), (6.8, mid - 0.4))
    s.ground((6.8, mid - 0.4))
    s.two(r(1), (7.5, top), (9.1, top))
    s.two(r(2), (7.5, low), (9.1, low))
    s.two(d(1), (9.4, top), (11.0, top))
    s.two(d(2), (9.4, low), (11.0, low))
    s.wire((9.1, top), (9.4, top))
    s.wire((9.1, low), (9.4, low))
    s.wire((11.0, low), (11.5, low), (11.5, top), dots=[(11.5, top)])
    xs = (12.4, 14.1, 15.8)
    s.wire((11.0, top), (17.6, top), dots=[(x, top) for x in xs])
    s.two(f"C{number}01", (xs[0], top), (xs[0], mid))
    s.two(r(3), (xs[1], top), (xs[1], mid))
    s.two(d(3), (xs[2], mid), (xs[2], top))
    s.ground(*((x, mid) for x in xs))
    s.text((11.6, top + 0.28), "hold", NET, size=9.5)
    s.two(r(4), (17.6, top), (19.4, top))
    s.wire((19.4, top), (20.6, top), dots=[(19.9, top)])
    _, minus, out = s.comparator(f"U1{letter.upper()}", (20.6, top))
    s.wire(minus, (19.9, minus[1]), (19.9, mid + 0.2))
    s.tag((19.9, mid + 0.2), "clamp_th", left=True)
    _output(s, (19.9, top), out, r(5), r(6))
    s.two(r(7), (out[0] + 2.6, out[1]), (out[0] + 4.4, out[1]))
    s.wire((out[0] + 1.2, out[1]), (out[0] + 2.6, out[1]))
    s.tag((out[0] + 4.4, out[1]), f"clamp_{letter}")


def _output(s: Sheet, plus: Point, out: Point, feedback: str, pull: str) -> None:
    """Hysteresis from `out` back to the + node, and the pull-up."""
    over = plus[1] + 1.95
    s.wire(plus, (plus[0], over), (plus[0] + 1.2, over))
    s.two(feedback, (out[0] + 0.4 - 0.6, over), (plus[0] + 1.2, over))
    s.wire((out[0] - 0.2, over), (out[0] + 0.4, over), (out[0] + 0.4, out[1]))
    s.dot((out[0] + 0.4, out[1]))
    s.wire(out, (out[0] + 1.2, out[1]), dots=[(out[0] + 1.2, out[1])])
    s.two(pull, (out[0] + 1.2, out[1] + 2), (out[0] + 1.2, out[1]))
    s.rail((out[0] + 1.2, out[1] + 2), "v33")


def _divider(
    s: Sheet, at: Point, name: str, upper: str, lower: str, capacitor: str, top: str = "v33"
) -> None:
    """A threshold: divider and capacitor, the named node at `at`."""
    x, y = at
    s.two(upper, (x, y + 1.8), at)
    s.rail((x, y + 1.8), top)
    s.two(lower, at, (x, y - 1.8))
    s.ground((x, y - 1.8))
    s.two(capacitor, (x + 1.7, y), (x + 1.7, y - 1.8))
    s.ground((x + 1.7, y - 1.8))
    s.wire(at, (x + 1.7, y), (x + 2.6, y), dots=[at, (x + 1.7, y)])
    s.tag((x + 2.6, y), name)


def clamps() -> Sheet:
    """Both clamps."""
    s = Sheet(
        "clamps",
        "A breakdown of the gap sends some ampere through the lead for some ten nanoseconds. The "
        "centre tap makes the lead's voltage cancel; the two diodes make the polarity not matter.\n"
        "C101 keeps the charge of the breakdown, R103 lets it go in 33 us: one breakdown, one "
        "pulse of 25 to 110 us. D104 to D106 and D103 take what a 40 kV spark on a solid lead has "
        "to spare.",
    )
    _clamp(s, 8.4, "a", 1)
    _clamp(s, 0, "b", 2)
    _divider(s, (31.6, 6.2), "clamp_th", "R108", "R109", "C108")
    s.head(30.4, 9.4, "Threshold, both clamps")
    return s


def _terminals(
    s: Sheet, reference: str, x: float, rows: Sequence[tuple[int, str, float]], left: bool = True
) -> dict[int, Point]:
    """A connector as a box of terminals; its pins at `x`."""
    ys = [y for _, _, y in rows]
    low, high = min(ys) - 0.5, max(ys) + 0.5
    side = {"right" if left else "left": [(i, n, y - low) for i, n, y in rows]}
    corner = (x - 2.7, low) if left else (x + 0.5, low)
    return s.box(reference, corner, (2.2, high - low), words=(corner[0] + 1.1, high + 0.32), **side)


def _logic(s: Sheet, y: float, number: int, unit: str, prefix: str, plus5: bool = True) -> Point:
    """A 5 V logic or open-collector input, its main line at y; the comparator's output node."""
    r, d = f"R{number}0{{}}".format, f"D{number}0{{}}".format
    rows = ((0, "1  5 V out", y + 1.2), (1, "2  signal", y), (2, "3  ground", y - 1.2))
    j = _terminals(s, f"J{number}01", 0, rows)
    s.tag(j[0], "sens5")
    s.wire(j[2], (j[2][0], j[2][1] - 0.3))
    s.lead((j[2][0], j[2][1] - 0.3))
    over = y + 2.2
    s.wire(j[1], (2.4, y), (2.4, over), (2.8, over), dots=[(2.4, y)])
    s.two(f"JP{number}01", (4.4, over), (2.8, over))
    s.two(d(1), (6.2, over), (4.4, over))
    s.two(r(1), (8.2, over), (6.4, over))
    s.wire((6.2, over), (6.4, over))
    s.wire((8.2, over), (8.2, over + 0.3))
    s.rail((8.2, over + 0.3), "v5")
    s.wire((2.4, y), (3.2, y))
    s.two(r(2), (3.2, y), (5.0, y))
    xs = (5.6, 7.35, 9.1, 10.85)
    s.wire((5.0, y), (12.0, y), dots=[(x, y) for x in xs])
    s.two(r(3), (xs[0], y), (xs[0], y - 1.8))
    s.two(f"C{number}01", (xs[1], y), (xs[1], y - 1.8))
    s.two(d(2), (xs[2], y - 1.8), (xs[2], y))
    s.two(d(3), (xs[3], y - 1.8), (xs[3], y))
    s.ground(*((x, y - 1.8) for x in xs))
    s.two(r(4), (12.0, y), (13.6, y))
    s.wire((13.6, y), (14.6, y), dots=[(13.9, y)])
    _, minus, out = s.comparator(unit, (14.6, y))
    s.wire(minus, (13.9, minus[1]), (13.9, y - 1.8))
    s.tag((13.9, y - 1.8), "logic_th", left=True)
    _output(s, (13.9, y), out, r(5), r(6))
    return out


def crank() -> Sheet:
    """Crank reference."""
    s = Sheet(
        "crank reference",
        "VR: the pin falls when the sensor's voltage falls through zero (tooth centre); it arms "
        "above 0.15 V. Shift, reference and clamps D301, D302 keep both inputs between 0.2 V and "
        "1.7 V for any sensor voltage.\n"
        "Hall, optical, 5 V logic: high above 2.9 V, low below 2.3 V at the terminal. JP401 on for "
        "an open collector; D401 keeps battery voltage out of the 5 V rail.",
    )
    # VR
    y = 9.0
    s.head(-2.7, y + 3.2, "Variable-reluctance sensor")
    j = _terminals(s, "J301", 0, ((0, "1  signal", y), (1, "2  ground", y - 1.2)))
    s.wire(j[1], (0.0, y - 1.5))
    s.lead((0.0, y - 1.5))
    s.wire(j[0], (1.4, y))
    s.two("R301", (1.4, y), (3.2, y))
    s.two("R302", (4.2, y + 2), (4.2, y))
    s.rail((4.2, y + 2), "v5")
    k = y - 2.2
    xs = (6.0, 8.2, 10.4)
    s.wire((3.2, y), (13.9, y), dots=[(4.2, y), *((x, y) for x in xs)])
    s.two("D301", (xs[0], y), (xs[0], k))
    s.two("D302", (xs[1], k), (xs[1], y))
    s.two("C301", (xs[2], y), (xs[2], k))
    s.two("R303", (1.6, k), (3.4, k))
    s.rail((1.6, k), "v5")
    s.two("R304", (4.2, k), (4.2, k - 1.8), "l")
    s.two("C302", (5.4, k), (5.4, k - 1.8))
    s.ground((4.2, k - 1.8), (5.4, k - 1.8))
    s.wire((13.9, y), (14.6, y), dots=[(13.9, y)])
    _, minus, out = s.comparator("U2A", (14.6, y))
    s.wire((3.4, k), (13.9, k), (13.9, minus[1]), minus)
    s.dot((4.2, k), (5.4, k), *((x, k) for x in xs))
    _output(s, (13.9, y), out, "R305", "R306")
    # logic
    s.head(-2.7, 4.1, "Hall, optical, 5 V logic")
    low = _logic(s, 0.6, 4, "U2B", "cl")
    # select
    x = out[0] + 3.4
    mid = (out[1] + low[1]) / 2
    pins = s.box(
        "JP301",
        (x + 0.5, mid - 1.3),
        (1.5, 2.6),
        left=((0, "1", 2.1), (2, "3", 0.5)),
        right=((1, "2", 1.3),),
        words=(x + 1.25, mid + 1.62),
        value=False,
    )
    s.text((x + 1.25, mid - 1.6), "1-2 VR", FRAME, halign="center", size=9.5)
    s.text((x + 1.25, mid - 1.95), "2-3 Hall, logic", FRAME, halign="center", size=9.5)
    s.wire((out[0] + 1.2, out[1]), (x - 0.4, out[1]), (x - 0.4, pins[0][1]), pins[0])
    s.wire((low[0] + 1.2, low[1]), (x - 0.4, low[1]), (x - 0.4, pins[2][1]), pins[2])
    s.two("R307", pins[1], (pins[1][0] + 1.8, pins[1][1]))
    s.tag((pins[1][0] + 1.8, pins[1][1]), "crank")
    _divider(s, (x + 0.8, -1.4), "logic_th", "R408", "R409", "C408")
    s.head(x + 0.2, 1.7, "Threshold, logic and points")
    return s


def _hold(s: Sheet, at: Point) -> Point:
    """Holds the points' level for a while after it falls; the output node."""
    x, y = at
    low = y - 2.2
    s.wire(at, (x + 0.8, y), (x + 1.2, y), dots=[(x + 0.8, y)])
    s.two("D604", (x + 1.2, y), (x + 2.8, y))
    s.wire((x + 0.8, y), (x + 0.8, low), (x + 1.2, low))
    s.two("R608", (x + 1.2, low), (x + 2.8, low))
    s.wire((x + 2.8, low), (x + 3.2, low))
    s.two("D603", (x + 3.2, low), (x + 4.8, low))
    s.wire((x + 4.8, low), (x + 8.8, low), dots=[(x + 5.4, low), (x + 7.1, low)])
    s.two("C602", (x + 5.4, low), (x + 5.4, low - 1.8))
    s.two("R609", (x + 7.1, low), (x + 7.1, low - 1.8))
    s.ground((x + 5.4, low - 1.8), (x + 7.1, low - 1.8))
    s.two("D605", (x + 8.8, low), (x + 8.8, y))
    s.wire((x + 2.8, y), (x + 13.0, y), dots=[(x + 8.8, y), (x + 10.6, y), (x + 12.3, y)])
    s.two("R610", (x + 10.6, y), (x + 10.6, y - 1.8))
    s.ground((x + 10.6, y - 1.8))
    _, minus, out = s.comparator("U7A", (x + 13.0, y))
    s.wire(minus, (x + 12.3, minus[1]), (x + 12.3, y - 1.8))
    s.tag((x + 12.3, y - 1.8), "logic_th", left=True)
    _output(s, (x + 12.3, y), out, "R612", "R611")
    return out


def trigger() -> Sheet:
    """Trigger tap."""
    s = Sheet(
        "trigger tap",
        "One source at a time: JP502 chooses logic or points, JP503 the isolated tap (then JP502 "
        "off). Points: high above 5.9 V, low below 4.3 V; R601 to R603 share a kick of 400 V. C602 "
        "bridges the gaps of a contact that bounces while it closes.\n"
        "Isolated: the pin is inverted. Its terminals share nothing with the board's ground; keep "
        "copper and wires of both sides 8 mm apart.",
    )
    s.head(-2.7, 16.9, "5 V logic, open collector")
    a = _logic(s, 13.2, 5, "U3A", "tl")
    # points
    y = 7.2
    s.head(-2.7, y + 2.9, "Points, coil negative (12 V, kick to 400 V)")
    j = _terminals(s, "J601", 0, ((0, "1  points", y), (1, "2  ground", y - 1.2)))
    s.wire(j[1], (0.0, y - 1.5))
    s.lead((0.0, y - 1.5))
    s.wire(j[0], (0.4, y))
    for i, reference in enumerate(("R601", "R602", "R603")):
        s.two(reference, (0.4 + 1.6 * i, y), (2.0 + 1.6 * i, y))
    xs = (5.6, 7.35, 9.1, 10.85)
    s.wire((5.2, y), (12.0, y), dots=[(x, y) for x in xs])
    s.two("R604", (xs[0], y), (xs[0], y - 1.8))
    s.two("C601", (xs[1], y), (xs[1], y - 1.8))
    s.two("D601", (xs[2], y - 1.8), (xs[2], y))
    s.two("D602", (xs[3], y - 1.8), (xs[3], y))
    s.ground(*((x, y - 1.8) for x in xs))
    s.two("R605", (12.0, y), (13.6, y))
    s.wire((13.6, y), (14.6, y), dots=[(13.9, y)])
    _, minus, b = s.comparator("U3B", (14.6, y))
    s.wire(minus, (13.9, minus[1]), (13.9, y - 1.8))
    s.tag((13.9, y - 1.8), "logic_th", left=True)
    _output(s, (13.9, y), b, "R606", "R607")
    b = _hold(s, (b[0] + 1.2, b[1]))
    # isolated
    y = 1.0
    s.head(-2.7, y + 3.2, "Isolated (5 V or 12 V signal)")
    rows = ((0, "1  12 V", y + 1.7), (1, "2  5 V", y), (2, "3  return", y - 1.6))
    j = _terminals(s, "J701", 0, rows)
    s.wire(j[0], (1.2, y + 1.7))
    s.two("R701", (1.2, y + 1.7), (3.0, y + 1.7))
    s.wire((3.0, y + 1.7), (4.2, y + 1.7), (4.2, y))
    s.wire(j[1], (1.2, y))
    s.two("R704", (1.2, y), (3.0, y))
    s.wire((3.0, y), (6.2, y), dots=[(4.2, y), (5.2, y)])
    s.two("D702", (5.2, y - 1.6), (5.2, y))
    s.two("R702", (6.2, y), (8.0, y))
    s.wire((8.0, y), (10.6, y), dots=[(8.8, y)])
    s.two("D701", (8.8, y - 1.6), (8.8, y))
    s.wire(j[2], (10.6, y - 1.6), dots=[(5.2, y - 1.6), (8.8, y - 1.6)])
    u = s.box(
        "U4",
        (11.1, y - 2.1),
        (2.6, 2.6),
        left=((0, "anode", 2.1), (1, "cathode", 0.5)),
        right=(
            (3, "supply", 2.3),
            (5, "enable", 1.75),
            (2, "output", 1.15),
            (4, "ground", 0.5),
        ),
        words=(12.4, y + 1.2),
        value=False,
    )
    s.text((12.4, y + 0.82), s._bom["U4"].value, VALUE, halign="center", size=10)
    s.wire(u[3], (15.6, u[3][1]), dots=[(15.0, u[3][1])])
    s.wire((15.0, u[3][1]), (15.0, u[3][1] + 0.3))
    s.rail((15.0, u[3][1] + 0.3), "v5")
    s.wire(u[5], (15.0, u[5][1]), (15.0, u[3][1]))
    s.two("C701", (15.6, u[3][1]), (15.6, u[3][1] - 1.8))
    s.ground((15.6, u[3][1] - 1.8))
    s.wire(u[4], (u[4][0], u[4][1] - 0.3))
    s.ground((u[4][0], u[4][1] - 0.3))
    line = u[2][1]
    s.wire(u[2], (14.8, line), (14.8, y - 2.9), (17.4, y - 2.9), dots=[(17.4, y - 2.9)])
    s.two("R703", (17.4, y - 0.9), (17.4, y - 2.9))
    s.rail((17.4, y - 0.9), "v33")
    # select
    x = b[0] + 3.4
    mid = (a[1] + b[1]) / 2
    pins = s.box(
        "JP502",
        (x + 0.5, mid - 1.3),
        (1.5, 2.6),
        left=((0, "1", 2.1), (2, "3", 0.5)),
        right=((1, "2", 1.3),),
        words=(x + 1.25, mid + 1.62),
        value=False,
    )
    s.text((x + 1.25, mid - 1.6), "1-2 logic", FRAME, halign="center", size=9.5)
    s.text((x + 1.25, mid - 1.95), "2-3 points", FRAME, halign="center", size=9.5)
    s.wire((a[0] + 1.2, a[1]), (x - 0.4, a[1]), (x - 0.4, pins[0][1]), pins[0])
    s.wire((b[0] + 1.2, b[1]), (x - 0.4, b[1]), (x - 0.4, pins[2][1]), pins[2])
    node = (pins[1][0] + 0.5, pins[1][1])
    s.wire(pins[1], (node[0] + 0.5, node[1]), dots=[node])
    s.two("R507", (node[0] + 0.5, node[1]), (node[0] + 2.3, node[1]))
    s.tag((node[0] + 2.3, node[1]), "trigger")
    s.two("JP503", (node[0], y + 1.2), (node[0], y - 0.6))
    s.wire(node, (node[0], y + 1.2))
    s.wire((17.4, y - 2.9), (node[0], y - 2.9), (node[0], y - 0.6))
    return s


def board() -> Sheet:
    """Microcontroller, power, supply sense, jumpers."""
    s = Sheet(
        "board, supply sense, power",
        "Power comes from USB only. The one ground lead is J801 pin 2, to the engine block; "
        "nothing else ties the board to the vehicle; F801 opens when starter current takes that way.  D801 holds the divider's middle: the pin "
        "stays between -0.11 V and 3 V without feeding the rail.\n"
        "Readings end at 21 V. Loop-back jumpers are on only for the self-test (J971 also for the "
        "bench test), with no sensor clipped on (bring-up.md).",
    )
    left = ["crank", "clamp_a", "clamp_b", "trigger", "bench", "bench_crank", "lamp"]
    right = ["button_a", "button_b", "i2c_sda", "i2c_scl", "supply"]
    order = parts.read_net()["board"]["M1"]
    h = 8.4
    ends = s.box(
        "M1",
        (0, 0),
        (4.6, h),
        left=[
            (order.index(n), f"GP{parts.pins()[n]['gpio']}", h - 0.7 - 1.1 * i)
            for i, n in enumerate(left)
        ],
        right=[
            (0, "VBUS", h - 0.7),
            (1, "3V3(OUT)", h - 1.8),
            (2, "GND", h - 2.9),
            *(
                (order.index(n), f"GP{parts.pins()[n]['gpio']}", h - 4.0 - 0.9 * i)
                for i, n in enumerate(right)
            ),
        ],
    )
    for name in left:
        s.tag(ends[order.index(name)], name, left=True)
    for name in ("button_a", "button_b", "i2c_sda", "i2c_scl", "supply"):
        s.tag(ends[order.index(name)], name)
    s.head(-0.2, h + 1.1, "Microcontroller")
    s.wire(ends[0], (5.6, h - 0.7), (5.6, h - 0.2))
    s.rail((5.6, h - 0.2), "v5")
    s.wire(ends[1], (6.6, h - 1.8), (6.6, h - 1.3))
    s.rail((6.6, h - 1.3), "v33")
    s.wire(ends[2], (5.6, h - 2.9), (5.6, h - 3.0))
    s.ground((5.6, h - 3.0))
    # supply sense
    y = 7.4
    x = 12.4
    s.head(x - 2.7, y + 1.8, "Supply sense and ground lead")
    j = _terminals(s, "J801", x, ((0, "1  supply +", y), (1, "2  engine", y - 1.2)))
    s.wire(j[1], (x, y - 1.5))
    s.lead((x, y - 1.5))
    s.tag((x + 11.6, y), "lead")
    s.two("F801", (x + 11.6, y), (x + 11.6, y - 1.8))
    s.ground((x + 11.6, y - 1.8))
    s.wire(j[0], (x + 0.6, y))
    s.two("R801", (x + 0.6, y), (x + 2.4, y))
    s.wire((x + 2.4, y), (x + 3.8, y), dots=[(x + 3.0, y)])
    s.two("D801", (x + 3.0, y - 1.8), (x + 3.0, y))
    s.two("R802", (x + 3.8, y), (x + 5.6, y))
    s.wire((x + 5.6, y), (x + 9.0, y), dots=[(x + 6.4, y), (x + 8.0, y)])
    s.two("R803", (x + 6.4, y), (x + 6.4, y - 1.8))
    s.two("C801", (x + 8.0, y), (x + 8.0, y - 1.8))
    s.ground((x + 3.0, y - 1.8), (x + 6.4, y - 1.8), (x + 8.0, y - 1.8))
    s.tag((x + 9.0, y), "supply")
    # sensor supply
    y = 1.9
    s.head(x - 2.7, y + 1.7, "Sensor supply, 5 V, 15 mA")
    s.rail((x - 2.4, y + 0.3), "v12")
    u = s.box(
        "U6",
        (x - 1.5, y - 1.3),
        (2.2, 1.8),
        left=((0, "in", 1.3),),
        right=((1, "out", 1.3), (2, "adj", 0.4)),
        words=(x - 0.4, y + 0.8),
    )
    s.wire((x - 2.4, y + 0.3), (x - 2.4, y), u[0])
    s.wire(u[1], (x + 5.2, y), dots=[(x + 2.6, y), (x + 4.6, y)])
    s.two("R11", (x + 2.6, y), (x + 2.6, y - 1.5))
    s.wire(u[2], (x + 1.6, u[2][1]), (x + 1.6, y - 1.5), (x + 2.6, y - 1.5), dots=[(x + 2.6, y - 1.5)])
    s.two("R12", (x + 2.6, y - 1.5), (x + 2.6, y - 3.0))
    s.two("C6", (x + 4.6, y), (x + 4.6, y - 1.8))
    s.ground((x + 2.6, y - 3.0), (x + 4.6, y - 1.8))
    s.two("D1", (x + 5.2, y), (x + 7.0, y))
    s.wire((x + 7.0, y), (x + 8.4, y), dots=[(x + 7.5, y)])
    s.two("D2", (x + 7.5, y - 1.8), (x + 7.5, y))
    s.ground((x + 7.5, y - 1.8))
    s.two("F1", (x + 8.4, y), (x + 10.2, y))
    s.tag((x + 10.2, y), "sens5")
    # the comparator that is left over
    _, minus, _ = s.comparator("U7B", (x + 14.2, y))
    s.head(x + 12.8, y + 2.6, "Not used")
    s.wire((x + 14.2, y), (x + 13.4, y), (x + 13.4, y - 0.4))
    s.ground((x + 13.4, y - 0.4))
    s.wire(minus, (x + 12.2, minus[1]), (x + 12.2, y))
    s.rail((x + 12.2, y), "v33")
    # decoupling
    y = -4.2
    s.head(-0.2, y + 1.6, "Decoupling")
    for i, reference in enumerate(("C1", "C2", "C3", "C7", "C5")):
        cx = 0.4 + 1.45 * i
        s.two(reference, (cx, y), (cx, y - 1.6))
        s.ground((cx, y - 1.6))
        s.rail((cx, y), "v5")
    s.two("C4", (7.9, y), (7.9, y - 1.6))
    s.rail((7.9, y), "v33")
    s.ground((7.9, y - 1.6))
    # buttons, display, loop-back
    s.head(9.9, y + 1.6, "Buttons")
    for i, n in enumerate("ab"):
        by = y - 0.1 - 1.65 * i
        s.two(f"SW{i + 1}", (12.2, by), (13.8, by))
        s.wire((13.8, by), (14.3, by), (14.3, by - 0.2))
        s.ground((14.3, by - 0.2))
        s.tag((12.2, by), f"button_{n}", left=True)
    s.head(15.8, y + 1.6, "Display")
    j = s.box(
        "J961",
        (18.6, y - 1.6),
        (1.6, 1.8),
        left=((2, "3", 1.3), (3, "4", 0.5)),
        right=((0, "1", 1.3), (1, "2", 0.5)),
        words=(19.4, y + 0.55),
        value=False,
    )
    s.shown["J961"] = s._bom["J961"].value
    s.wire(j[0], (20.9, j[0][1]), (20.9, j[0][1] + 0.1))
    s.rail((20.9, j[0][1] + 0.1), "v33")
    s.wire(j[1], (20.9, j[1][1]), (20.9, j[1][1] - 0.1))
    s.ground((20.9, j[1][1] - 0.1))
    s.tag(j[2], "i2c_sda", left=True)
    s.tag(j[3], "i2c_scl", left=True)
    s.head(22.6, y + 1.6, "Loop-back, self-test only")
    for i, (a, b) in enumerate(parts.loopback()):
        ly = y + 0.35 - 0.85 * i
        reference = f"J97{i + 1}"
        for pin, (lx, name) in enumerate(((25.6, a), (26.8, b))):
            s.pins[reference, pin] = (lx, ly)
            s.tag((lx, ly), name, left=pin == 0)
        s.drawing.add(elm.Line(ls="--").endpoints((25.7, ly), (26.7, ly)))
        s.text((26.2, ly + 0.26), reference, halign="center", size=10)
        s.shown[reference] = s._bom[reference].value
    return s


def _bench(
    s: Sheet, y: float, number: int, name: str, unit: str, terminals: tuple[str, str]
) -> None:
    """Open collector and push-pull from one pin."""
    r, d = f"R9{number}{{}}".format, f"D9{number}{{}}".format
    q = f"Q9{number}{{}}".format
    s.tag((0, y), name, left=True)
    s.wire((0, y), (1.2, y), dots=[(0.7, y)])
    s.two(r(2), (0.7, y), (0.7, y - 1.9), "l")
    s.ground((0.7, y - 1.9))
    s.two(r(1), (1.2, y), (3.0, y))
    s.wire((3.0, y), (5.2, y))
    c, e = s.npn(q(1), (5.2, y))
    s._mark(q(1), (c[0] + 0.75, y), "left")
    # limiter: Q2 takes base current once R3 carries 30 mA
    sense_y = e[1] - 0.55
    s.wire(e, (e[0], sense_y))
    s.two(r(3), (e[0], sense_y), (e[0], sense_y - 1.8))
    s.ground((e[0], sense_y - 1.8))
    base2 = (e[0] - 0.9, sense_y)
    placed = s.drawing.add(elm.BjtNpn(circle=True).left().anchor("base").at(base2).flip())
    a = placed.absanchors
    c2, e2 = _point(a["collector"]), _point(a["emitter"])
    for pin, point in enumerate((c2, base2, e2)):
        s.pins[q(2), pin] = point
    s.wire((e[0], sense_y), base2, dots=[(e[0], sense_y)])
    s.wire(c2, (c2[0], y), dots=[(c2[0], y)])
    s.wire(e2, (e2[0], sense_y - 1.8))
    s.ground((e2[0], sense_y - 1.8))
    s._mark(q(2), (c2[0] - 0.5, sense_y - 0.1), "right")
    top = y + 1.5
    s.wire(c, (c[0], top), (9.4, top), dots=[(8.6, top)])
    s.two(d(1), (8.6, top - 1.8), (8.6, top))
    s.ground((8.6, top - 1.8))
    s.two(f"F9{number}1", (9.4, top), (11.2, top))
    # push-pull
    low = y - 6.0
    s.tag((0.6, low), name, left=True)
    s.wire((0.6, low), (1.2, low))
    s.two(r(4), (1.2, low), (3.0, low))
    u = s.box(
        unit,
        (3.5, low - 0.9),
        (2.2, 1.8),
        left=((0, "in", 0.9),),
        right=((1, "out", 0.9),),
        words=(5.1, low + 1.2),
        value=False,
    )
    s.text((4.7, low - 1.25), s._bom["U5"].value, VALUE, size=10)
    for pin, px, py in ((2, 4.2, low + 0.9), (3, 4.2, low - 0.9)):
        s.pins[unit, pin] = (px, py)
    s.wire((4.2, low + 0.9), (4.2, low + 1.2))
    s.rail((4.2, low + 1.2), "vdr")
    s.wire((4.2, low - 0.9), (4.2, low - 1.1))
    s.ground((4.2, low - 1.1))
    s.two(r(5), u[1], (u[1][0] + 1.8, low))
    s.wire((u[1][0] + 1.8, low), (9.4, low), dots=[(8.6, low), (8.0, low)])
    s.two(d(2), (8.6, low - 1.8), (8.6, low))
    s.ground((8.6, low - 1.8))
    s.two(f"F9{number}2", (9.4, low), (11.2, low))
    connector = "J901" if number == 0 else "J911"
    mid = (top + low) / 2
    j = _terminals(
        s,
        connector,
        12.6,
        ((0, terminals[0], mid + 1.1), (1, terminals[1], mid), (2, "3  ground", mid - 1.1)),
        left=False,
    )
    s.wire((11.2, top), (11.8, top), (11.8, j[0][1]), j[0])
    s.wire((11.2, low), (11.8, low), (11.8, j[1][1]), j[1])
    s.wire(j[2], (12.5, j[2][1]), (12.5, j[2][1] - 0.2))
    s.lead((12.5, j[2][1] - 0.2))
    _rest(s, low, number, name)


def _rest(s: Sheet, low: float, number: int, name: str) -> None:
    """Holds the push-pull terminal low, from the module's own pull-up, while the pin is not high."""
    r, q = f"R9{number}{{}}".format, f"Q9{number}{{}}".format
    level, top = low - 4.6, low - 2.6
    c, e = s.npn(q(3), (7.3, level))
    s.wire((8.0, low), (8.0, top), c if abs(c[0] - 8.0) < 1e-6 else (c[0], top), c)
    s.dot((c[0], top))
    s.two(r(6), (c[0], top), (c[0] - 1.8, top))
    s.wire((c[0] - 1.8, top), (c[0] - 1.8, level), (7.3, level), dots=[(c[0] - 1.8, level)])
    s.ground(e)
    s._mark(q(3), (c[0] + 0.75, level), "left")
    base = (4.0, level - 1.2)
    c2, e2 = s.npn(q(4), base)
    s.wire(c2, (c2[0], level), (c[0] - 1.8, level))
    s.ground(e2)
    s._mark(q(4), (c2[0] + 0.75, base[1]), "left")
    s.two(r(7), (1.6, base[1]), (3.4, base[1]))
    s.wire((3.4, base[1]), base)
    s.tag((0.9, base[1]), name, left=True)
    s.wire((0.9, base[1]), (1.6, base[1]))


def outputs() -> Sheet:
    """Bench outputs and lamp."""
    s = Sheet(
        "outputs: bench drivers, lamp",
        "Both kinds of output are off while the microcontroller starts. Open collectors sink about "
        "30 mA, whatever they are wired to; push-pull gives 12 V or 5 V (JP901) through 47 ohm; at rest Q903 "
        "holds it low against the module's own pull-up, with the board unpowered too.\n"
        "Never wire them to a coil primary, a capacitive module's output or a plug lead. The "
        "lamp's charge sits in C951; R951 holds the mean current below 80 mA even if Q951 fails.",
    )
    s.head(-2.2, 10.9, "Bench trigger")
    _bench(s, 8.2, 0, "bench", "U5A", ("1  open coll.", "2  push-pull"))
    s.head(-2.2, -6.2, "Bench crank")
    _bench(s, -8.9, 1, "bench_crank", "U5B", ("1  open coll.", "2  push-pull"))
    x = 18.6
    y = 8.6
    s.head(x - 0.6, 10.9, "12 V: push-pull outputs, sensor supply")
    p = s.box(
        "PS901",
        (x + 2.3, y - 1.9),
        (2.6, 2.2),
        left=((0, "in +", 1.6), (1, "in −", 0.6)),
        right=((2, "out +", 1.6), (3, "out −", 0.6)),
        words=(x + 3.6, y + 0.62),
    )
    top = p[0][1]
    s.wire(p[0], (x + 0.3, top), dots=[(x + 0.9, top)])
    s.wire((x + 0.3, top), (x + 0.3, top + 0.3))
    s.rail((x + 0.3, top + 0.3), "v5")
    s.two("C902", (x + 0.9, top), (x + 0.9, top - 1.8), "l")
    s.ground((x + 0.9, top - 1.8))
    s.wire(p[1], (p[1][0], top - 1.8))
    s.ground((p[1][0], top - 1.8))
    s.wire(p[3], (p[3][0], top - 1.8))
    s.ground((p[3][0], top - 1.8))
    s.wire(p[2], (x + 7.2, top), dots=[(x + 6.2, top)])
    s.wire((x + 7.2, top), (x + 7.2, top + 0.3))
    s.rail((x + 7.2, top + 0.3), "v12")
    s.two("C901", (x + 6.2, top), (x + 6.2, top - 1.8))
    s.ground((x + 6.2, top - 1.8))
    # level of the push-pull outputs
    y = 4.4
    s.head(x - 0.6, y + 1.9, "Level of the push-pull outputs")
    pins = s.box(
        "JP901",
        (x + 3.3, y - 1.3),
        (1.5, 2.6),
        left=((0, "1", 2.1), (2, "3", 0.5)),
        right=((1, "2", 1.3),),
        words=(x + 4.05, y + 1.62),
        value=False,
    )
    s.text((x + 4.05, y - 1.6), "1-2 12 V, 2-3 5 V", FRAME, halign="center", size=9.5)
    s.rail((x + 0.3, pins[0][1]), "v12")
    s.wire((x + 0.3, pins[0][1]), pins[0])
    s.rail((x + 0.3, pins[2][1] + 0.2), "v5")
    s.wire((x + 0.3, pins[2][1] + 0.2), (x + 0.3, pins[2][1]), (x + 0.6, pins[2][1]))
    s.two("D904", (x + 0.6, pins[2][1]), (x + 2.2, pins[2][1]), "b")
    s.wire((x + 2.2, pins[2][1]), pins[2])
    s.wire(pins[1], (x + 9.0, y), dots=[(x + 6.2, y), (x + 8.1, y)])
    s.two("C903", (x + 6.2, y), (x + 6.2, y - 1.8))
    s.two("D903", (x + 8.1, y - 1.8), (x + 8.1, y))
    s.ground((x + 6.2, y - 1.8), (x + 8.1, y - 1.8))
    s.wire((x + 9.0, y), (x + 9.0, y + 0.3))
    s.rail((x + 9.0, y + 0.3), "vdr")
    # lamp
    s.head(x - 0.6, -0.4, "Marker lamp")
    y = -2.4
    s.rail((x + 0.3, y + 0.3), "v5")
    s.wire((x + 0.3, y + 0.3), (x + 0.3, y), (x + 0.6, y))
    s.two("R951", (x + 0.6, y), (x + 2.4, y))
    s.wire((x + 2.4, y), (x + 5.4, y), dots=[(x + 3.0, y)])
    s.two("C951", (x + 3.0, y), (x + 3.0, y - 1.8), "l")
    s.ground((x + 3.0, y - 1.8))
    s.pins["J951", 0], s.pins["J951", 1] = (x + 5.4, y), (x + 5.4, y - 2.0)
    for pin in (0, 1):
        at = s.pins["J951", pin]
        s.drawing.add(elm.Dot(open=True, radius=0.1).at(at))
        s.text((at[0], at[1] + 0.3), str(pin + 1), FRAME, size=9, halign="center")
    s.drawing.add(
        elm.Rect(corner1=(x + 4.95, y - 2.45), corner2=(x + 5.85, y + 0.55), ls=":", lw=1)
        .at((0, 0))
        .theta(0)
    )
    s.text((x + 5.4, y + 0.85), "J951", halign="center", size=10.5)
    s.shown["J951"] = s._bom["J951"].value
    s.wire((x + 5.4, y), (x + 7.2, y))
    s.two("D951", (x + 7.2, y), (x + 7.2, y - 2.0))
    s.wire((x + 7.2, y - 2.0), (x + 5.4, y - 2.0), (x + 4.4, y - 2.0), (x + 4.4, y - 2.4))
    s.two("R952", (x + 4.4, y - 2.4), (x + 4.4, y - 4.2))
    placed = s.drawing.add(elm.NMos().theta(0).anchor("drain").at((x + 4.4, y - 4.6)))
    a = {k: _point(v) for k, v in placed.absanchors.items() if k in ("gate", "drain", "source")}
    for pin, name in enumerate(("drain", "gate", "source")):
        s.pins["Q951", pin] = a[name]
    s.wire((x + 4.4, y - 4.2), a["drain"])
    s.ground(a["source"])
    s._mark("Q951", (a["source"][0] + 0.5, a["gate"][1] + 0.3), "left")
    g = a["gate"]
    s.wire((x + 2.4, g[1]), g)
    s.two("R953", (x + 0.6, g[1]), (x + 2.4, g[1]))
    s.tag((x + 0.0, g[1]), "lamp", left=True)
    s.wire((x + 0.0, g[1]), (x + 0.6, g[1]), dots=[(x + 0.3, g[1])])
    s.two("R954", (x + 0.3, g[1]), (x + 0.3, g[1] - 1.8))
    s.ground((x + 0.3, g[1] - 1.8))
    return s


SHEETS: dict[str, Callable[[], Sheet]] = {
    "clamps": clamps,
    "crank": crank,
    "trigger": trigger,
    "board": board,
    "outputs": outputs,
}


def main() -> int:
    """Write or check the drawings."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, compare")
    check = parser.parse_args().check
    FOLDER.mkdir(exist_ok=True)
    for name, sheet in SHEETS.items():
        path = FOLDER / f"{name}.svg"
        text = sheet().svg()
        if not check:
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            print(f"{path.name} is out of date: run `make hardware`.", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
