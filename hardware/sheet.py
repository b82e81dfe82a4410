"""A drawing that is a picture and a netlist at once: parts are drawn between points, and
`Sheet.nets` says which pins the lines join, so that a check can hold it against board.net.
"""

from __future__ import annotations

import itertools
import re
import textwrap
from collections.abc import Sequence
from xml.etree import ElementTree

import parts
import schemdraw
import schemdraw.elements as elm

Point = tuple[float, float]

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
        self._bom = {r: p for c in parts.CIRCUITS for r, p in parts.read_bom(c).items()}

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
        # schemdraw registers it once, at import; another library may have taken the place since.
        ElementTree.register_namespace("", "http://www.w3.org/2000/svg")
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


# --- what several sheets have


def terminals(
    s: Sheet, reference: str, x: float, rows: Sequence[tuple[int, str, float]], left: bool = True
) -> dict[int, Point]:
    """A connector as a box of terminals; its pins at `x`."""
    ys = [y for _, _, y in rows]
    low, high = min(ys) - 0.5, max(ys) + 0.5
    side = {"right" if left else "left": [(i, n, y - low) for i, n, y in rows]}
    corner = (x - 2.7, low) if left else (x + 0.5, low)
    return s.box(reference, corner, (2.2, high - low), words=(corner[0] + 1.1, high + 0.32), **side)


def output(s: Sheet, plus: Point, out: Point, feedback: str, pull: str) -> None:
    """Hysteresis from `out` back to the + node, and the pull-up."""
    over = plus[1] + 1.95
    s.wire(plus, (plus[0], over), (plus[0] + 1.2, over))
    s.two(feedback, (out[0] + 0.4 - 0.6, over), (plus[0] + 1.2, over))
    s.wire((out[0] - 0.2, over), (out[0] + 0.4, over), (out[0] + 0.4, out[1]))
    s.dot((out[0] + 0.4, out[1]))
    s.wire(out, (out[0] + 1.2, out[1]), dots=[(out[0] + 1.2, out[1])])
    s.two(pull, (out[0] + 1.2, out[1] + 2), (out[0] + 1.2, out[1]))
    s.rail((out[0] + 1.2, out[1] + 2), "v33")


def divider(
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
