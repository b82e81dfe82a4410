"""Sheets of the inputs: clamps, crank reference, trigger tap, first spark."""

from __future__ import annotations

import schemdraw.elements as elm
from sheet import FRAME, NET, VALUE, Point, Sheet, divider, output, terminals


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
    output(s, (19.9, top), out, r(5), r(6))
    s.two(r(7), (out[0] + 2.6, out[1]), (out[0] + 4.4, out[1]))
    s.wire((out[0] + 1.2, out[1]), (out[0] + 2.6, out[1]))
    s.tag((out[0] + 4.4, out[1]), f"clamp_{letter}")


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
    divider(s, (31.6, 6.2), "clamp_th", "R108", "R109", "C108")
    s.head(30.4, 9.4, "Threshold, both clamps")
    return s


def _logic(s: Sheet, y: float, number: int, unit: str, prefix: str, plus5: bool = True) -> Point:
    """A 5 V logic or open-collector input, its main line at y; the comparator's output node."""
    r, d = f"R{number}0{{}}".format, f"D{number}0{{}}".format
    rows = ((0, "1  5 V out", y + 1.2), (1, "2  signal", y), (2, "3  ground", y - 1.2))
    j = terminals(s, f"J{number}01", 0, rows)
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
    output(s, (13.9, y), out, r(5), r(6))
    return out


def crank() -> Sheet:
    """Crank reference."""
    s = Sheet(
        "crank reference",
        "VR: the pin falls when the sensor's voltage falls through zero (tooth centre); it arms "
        "above 0.13 V. Shift, reference and clamps D301, D302 keep both inputs between 0.2 V and "
        "1.7 V for any sensor voltage.\n"
        "Hall, optical, 5 V logic: high above 2.9 V, low below 2.3 V at the terminal. JP401 on for "
        "an open collector; D401 keeps battery voltage out of the 5 V rail.",
    )
    # VR
    y = 9.0
    s.head(-2.7, y + 3.2, "Variable-reluctance sensor")
    j = terminals(s, "J301", 0, ((0, "1  signal", y), (1, "2  ground", y - 1.2)))
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
    output(s, (13.9, y), out, "R305", "R306")
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
    divider(s, (x + 0.8, -1.4), "logic_th", "R408", "R409", "C408")
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
    s.two("D605", (x + 8.8, low), (x + 8.8, y), "l")
    s.wire((x + 2.8, y), (x + 13.0, y), dots=[(x + 8.8, y), (x + 10.6, y), (x + 12.3, y)])
    s.two("R610", (x + 10.6, y), (x + 10.6, y - 1.8))
    s.ground((x + 10.6, y - 1.8))
    _, minus, out = s.comparator("U7A", (x + 13.0, y))
    s.wire(minus, (x + 12.3, minus[1]), (x + 12.3, y - 1.8))
    s.tag((x + 12.3, y - 1.8), "logic_th", left=True)
    output(s, (x + 12.3, y), out, "R612", "R611")
    return out


def trigger() -> Sheet:
    """Trigger tap."""
    s = Sheet(
        "trigger tap",
        "One source at a time: JP502 chooses logic or points, JP503 the isolated tap (then JP502 "
        "off). Points: high above 5.9 V, low below 4.4 V; R601 to R603 share a kick of 400 V. C602 "
        "bridges the gaps of a contact that bounces while it closes.\n"
        "Isolated: the pin is inverted. Its terminals share nothing with the board's ground; keep "
        "copper and wires of both sides 8 mm apart.",
    )
    s.head(-2.7, 16.9, "5 V logic, open collector")
    a = _logic(s, 13.2, 5, "U3A", "tl")
    # points
    y = 7.2
    s.head(-2.7, y + 2.9, "Points, coil negative (12 V, kick to 400 V)")
    j = terminals(s, "J601", 0, ((0, "1  points", y), (1, "2  ground", y - 1.2)))
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
    output(s, (13.9, y), b, "R606", "R607")
    b = _hold(s, (b[0] + 1.2, b[1]))
    # isolated
    y = 1.0
    s.head(-2.7, y + 3.2, "Isolated (5 V or 12 V signal)")
    rows = ((0, "1  12 V", y + 1.7), (1, "2  5 V", y), (2, "3  return", y - 1.6))
    j = terminals(s, "J701", 0, rows)
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


def first_spark() -> Sheet:
    """The circuit of first-spark.md."""
    s = Sheet(
        "first spark",
        "A microcontroller board and some fifteen parts. The clamp's two half windings are "
        "rectified, C21 keeps the charge of the breakdown; the pin's own threshold decides. "
        "R26 and D27 only for an open collector.\n"
        "No protection against flash-over, a solid lead on a plug without resistor, a coil's "
        "primary on J21, or a ground offset above 1 V.",
    )
    s.head(-3.6, 5.6, "Clamp")
    ends = ((0.0, 4.0), (0.0, 2.0), (0.0, 0.0))
    s.drawing.add(elm.Inductor2(loops=3).endpoints(ends[0], ends[1]).flip())
    s.drawing.add(elm.Inductor2(loops=3).endpoints(ends[1], ends[2]).flip())
    for x in (-0.62, -0.5):
        s.drawing.add(elm.Line().endpoints((x, 0.3), (x, 3.7)))
    s.drawing.add(elm.Line(arrow="->").endpoints((-1.1, -0.2), (-1.1, 4.3)).linewidth(3))
    s.text((-1.35, 2.2), "plug lead", halign="right", size=10.5)
    s.text((-0.3, 4.86), "T21", halign="center", size=10.5)
    s.text((-0.3, 4.5), s._bom["T21"].value, VALUE, halign="center", size=10.5)
    s.shown["T21"] = s._bom["T21"].value
    for pin, at in enumerate(ends):
        s.pins["T21", pin] = at
    s.wire(ends[1], (1.2, 2.0), (1.2, 1.6))
    s.ground((1.2, 1.6))
    for reference, y in (("D21", 4.0), ("D22", 0.0)):
        s.wire((0.0, y), (2.0, y))
        s.two(reference, (2.0, y), (3.8, y))
    s.wire((3.8, 0.0), (4.4, 0.0), (4.4, 4.0), dots=[(4.4, 4.0)])
    s.wire((3.8, 4.0), (4.8, 4.0))
    s.two("R21", (4.8, 4.0), (6.6, 4.0))
    xs = (7.2, 8.9, 10.6)
    s.wire((6.6, 4.0), (12.2, 4.0), dots=[(x, 4.0) for x in xs])
    s.two("C21", (xs[0], 4.0), (xs[0], 2.0))
    s.two("R22", (xs[1], 4.0), (xs[1], 2.0))
    s.two("D23", (xs[2], 2.0), (xs[2], 4.0))
    s.ground(*((x, 2.0) for x in xs))
    s.two("R23", (12.2, 4.0), (14.0, 4.0))
    s.wire((14.0, 4.0), (16.0, 4.0), dots=[(14.8, 4.0)])
    s.two("D24", (14.8, 4.0), (14.8, 5.8))
    s.rail((14.8, 5.8), "v33")
    s.tag((16.0, 4.0), "clamp_a")
    s.head(-3.6, -1.6, "Crank: Hall, optical or logic")
    y = -4.4
    j = terminals(s, "J21", 0, ((0, "1  signal", y), (1, "2  engine", y - 1.2)))
    s.wire(j[1], (0.0, y - 1.5))
    s.ground((0.0, y - 1.5))
    s.wire(j[0], (4.8, y), dots=[(3.0, y)])
    s.two("D27", (3.0, y + 1.8), (3.0, y), "l")
    s.wire((3.0, y + 1.8), (3.4, y + 1.8))
    s.two("R26", (5.2, y + 1.8), (3.4, y + 1.8))
    s.rail((5.2, y + 1.8), "v33")
    s.two("R24", (4.8, y), (6.6, y))
    s.wire((6.6, y), (12.2, y), dots=[(x, y) for x in xs])
    s.two("C22", (xs[0], y), (xs[0], y - 2.0))
    s.two("D25", (xs[1], y - 2.0), (xs[1], y))
    s.ground((xs[0], y - 2.0), (xs[1], y - 2.0))
    s.two("D26", (xs[2], y), (xs[2], y + 1.8))
    s.rail((xs[2], y + 1.8), "v33")
    s.two("R25", (12.2, y), (14.0, y))
    s.wire((14.0, y), (16.0, y))
    s.tag((16.0, y), "crank")
    m = s.box(
        "M21",
        (20.4, -3.0),
        (3.0, 4.8),
        left=((2, "GP3", 3.4), (3, "GP2", 1.4)),
        right=((0, "3V3(OUT)", 3.4), (1, "GND", 1.4)),
    )
    s.tag(m[2], "clamp_a", left=True)
    s.tag(m[3], "crank", left=True)
    s.wire(m[0], (24.2, m[0][1]), (24.2, m[0][1] + 0.4))
    s.rail((24.2, m[0][1] + 0.4), "v33")
    s.wire(m[1], (24.2, m[1][1]), (24.2, m[1][1] - 0.3))
    s.ground((24.2, m[1][1] - 0.3))
    return s
