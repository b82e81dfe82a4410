"""Sheets of the board itself and of its outputs."""

from __future__ import annotations

import parts
import schemdraw.elements as elm
from sheet import FRAME, VALUE, Sheet, _point, terminals


def board() -> Sheet:
    """Microcontroller, power, supply sense, jumpers."""
    s = Sheet(
        "board, supply sense, power",
        "Power comes from USB only. The one ground lead is J801 pin 2, to the engine block; "
        "nothing else ties the board to the vehicle; F801 opens when starter current takes that "
        "way. D801 holds the divider's middle: the pin "
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
    j = terminals(s, "J801", x, ((0, "1  supply +", y), (1, "2  engine", y - 1.2)))
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
    s.wire(
        u[2], (x + 1.6, u[2][1]), (x + 1.6, y - 1.5), (x + 2.6, y - 1.5), dots=[(x + 2.6, y - 1.5)]
    )
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
        cx = -1.6 + 1.8 * i
        s.two(reference, (cx, y), (cx, y - 1.6))
        s.ground((cx, y - 1.6))
        s.rail((cx, y), "v5")
    s.two("C4", (7.9, y), (7.9, y - 1.6))
    s.rail((7.9, y), "v33")
    s.ground((7.9, y - 1.6))
    s.head(-2.4, y - 3.1, "Test points")
    for i, (reference, nodes) in enumerate(parts.read_net()["test_points"].items()):
        at = (-1.6 + 3.4 * i, y - 4.0)
        s.pins[reference, 0] = at
        s.shown[reference] = s._bom[reference].value
        s.tag(at, nodes[0])
        s.text((at[0] - 0.22, at[1]), reference, halign="right", size=10.5)
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


def _bench(s: Sheet, y: float, number: int, name: str, unit: str, names: tuple[str, str]) -> None:
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
    j = terminals(
        s,
        connector,
        12.6,
        ((0, names[0], mid + 1.1), (1, names[1], mid), (2, "3  ground", mid - 1.1)),
        left=False,
    )
    s.wire((11.2, top), (11.8, top), (11.8, j[0][1]), j[0])
    s.wire((11.2, low), (11.8, low), (11.8, j[1][1]), j[1])
    s.wire(j[2], (12.5, j[2][1]), (12.5, j[2][1] - 0.2))
    s.lead((12.5, j[2][1] - 0.2))
    _rest(s, low, number, name)


def _rest(s: Sheet, low: float, number: int, name: str) -> None:
    """Holds the push-pull terminal low against the module's own pull-up; off while driven."""
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
        "30 mA, whatever they are wired to; push-pull gives 12 V or 5 V (JP901) through 47 ohm; "
        "at rest Q903 holds it low against the module's pull-up, with the board unpowered too.\n"
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
    y = 3.4
    s.head(x - 0.6, y + 2.2, "Level of the push-pull outputs")
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
