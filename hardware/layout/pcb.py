"""Placement and routes -> the board's KiCad files, the rule check's report, the zip to order.

    /usr/bin/python3 hardware/layout/pcb.py LAYOUT BOARD

LAYOUT: layout.json (places and routes). BOARD: folder of sparkwitness.kicad_pcb, .kicad_pro,
.kicad_dru, drc.txt and order.zip. Needs KiCad 6's pcbnew. The same bytes each time: UUIDs follow
from what they name, dates are the revision's.
"""

import itertools
import json
import re
import sys
import tempfile
from pathlib import Path

import canonical
import footprints
import hand
import order
import pcbnew
import pico
import project
import words
from rules import HOLES, ISOLATED_CORNER, NAME, POINTS_CORNER, VIA, VIA_DRILL, H, W, width

LIBRARY = "/usr/share/kicad/footprints/"
OX, OY = 20, 20  # board's corner on the sheet
MM = pcbnew.FromMM
LAYERS = (pcbnew.F_Cu, pcbnew.B_Cu)


def at(x, y):
    """Board's millimetres to the sheet's units."""
    return pcbnew.wxPointMM(x + OX, y + OY)


def sockets(board):
    """Footprint of the microcontroller's two rows of sockets."""
    f = pcbnew.FOOTPRINT(board)
    f.SetFPID(pcbnew.LIB_ID(NAME, "Pico_2x20_sockets"))
    f.SetAttributes(pcbnew.FP_THROUGH_HOLE)
    for number, (x, y) in pico.PADS.items():
        a = pcbnew.PAD(f)
        a.SetNumber(number)
        a.SetAttribute(pcbnew.PAD_ATTRIB_PTH)
        a.SetShape(pcbnew.PAD_SHAPE_RECT if number == "1" else pcbnew.PAD_SHAPE_CIRCLE)
        a.SetSize(pcbnew.wxSizeMM(pico.PAD_MM, pico.PAD_MM))
        a.SetDrillSize(pcbnew.wxSizeMM(pico.DRILL_MM, pico.DRILL_MM))
        a.SetLayerSet(a.PTHMask())
        a.SetPos0(pcbnew.wxPointMM(x, y))
        a.SetPosition(pcbnew.wxPointMM(x, y))
        f.Add(a)
    left, top, right, low = pico.BOX
    for layer, line, more in ((pcbnew.F_SilkS, 0.15, -0.3), (pcbnew.F_CrtYd, 0.05, 0)):
        r = pcbnew.FP_SHAPE(f, pcbnew.SHAPE_T_RECT)
        a, b = pcbnew.wxPointMM(left - more, top - more), pcbnew.wxPointMM(right + more, low + more)
        r.SetStart0(a)
        r.SetEnd0(b)
        r.SetStart(a)
        r.SetEnd(b)
        r.SetLayer(layer)
        r.SetWidth(MM(line))
        f.Add(r)
    return f


def outline(zone, points):
    """Closed polygon into a zone."""
    shape = zone.Outline()
    shape.NewOutline()
    for x, y in points:
        shape.Append(MM(x + OX), MM(y + OY))


def box(left, top, right, low):
    """Corners of a rectangle."""
    return ((left, top), (right, top), (right, low), (left, low))


def add_track(board, net, layer, a, b):
    """One straight piece."""
    t = pcbnew.PCB_TRACK(board)
    t.SetStart(at(*a))
    t.SetEnd(at(*b))
    t.SetWidth(MM(width(net.GetNetname())))
    t.SetLayer(LAYERS[layer])
    t.SetNet(net)
    board.Add(t)


def add_text(board, layer, text, x, y, size, angle):
    """Words on a silk layer."""
    t = pcbnew.PCB_TEXT(board)
    t.SetText(text)
    t.SetPosition(at(x, y))
    t.SetLayer(layer)
    t.SetTextSize(pcbnew.wxSizeMM(size, size))
    t.SetTextThickness(MM(max(0.12, size * 0.15)))
    t.SetTextAngle(angle * 10)
    t.SetMirrored(layer == pcbnew.B_SilkS)
    board.Add(t)


def pour(board, layer, net, points, priority=0):
    """A copper zone."""
    z = pcbnew.ZONE(board)
    z.SetLayer(layer)
    z.SetNet(net)
    z.SetPriority(priority)
    z.SetLocalClearance(MM(0.3))
    z.SetMinThickness(MM(0.25))
    z.SetThermalReliefGap(MM(0.4))
    z.SetThermalReliefSpokeWidth(MM(0.5))
    z.SetIslandRemovalMode(pcbnew.ISLAND_REMOVAL_MODE_ALWAYS)
    outline(z, points)
    board.Add(z)


def forbid(board, points):
    """Rule area without pour and vias, both sides: a dangerous corner."""
    z = pcbnew.ZONE(board)
    layers = pcbnew.LSET()
    for layer in LAYERS:
        layers.AddLayer(layer)
    z.SetLayerSet(layers)
    z.SetIsRuleArea(True)
    z.SetDoNotAllowCopperPour(True)
    z.SetDoNotAllowTracks(False)
    z.SetDoNotAllowVias(True)
    z.SetDoNotAllowPads(False)
    z.SetDoNotAllowFootprints(False)
    outline(z, points)
    board.Add(z)


def place(board, nets, places):
    """Footprints with their nets; {reference: footprint}."""
    modules, paths = {}, footprints.paths()
    for reference, entry in footprints.load().items():
        fp = entry["footprint"]
        f = (
            sockets(board)
            if fp is None
            else pcbnew.FootprintLoad(f"{LIBRARY}{fp[0]}.pretty", fp[1])
        )
        if fp:
            f.SetFPID(pcbnew.LIB_ID(*fp))
        f.SetReference(reference)
        f.SetValue(entry["part"].value)
        f.SetPath(pcbnew.KIID_PATH(paths[reference]))
        board.Add(f)
        modules[reference] = f
        x, y, angle = places[reference]
        f.SetPosition(at(x, y))
        f.SetOrientationDegrees(angle)
        f.Value().SetLayer(pcbnew.F_Fab)
        for pad in f.Pads():
            name = entry["pads"].get(pad.GetNumber())
            if name:
                pad.SetNet(nets[name])
    for i, (x, y) in enumerate(HOLES):
        f = pcbnew.FootprintLoad(f"{LIBRARY}MountingHole.pretty", "MountingHole_3.2mm_M3")
        f.SetReference(f"H{i + 1}")
        f.SetAttributes(pcbnew.FP_EXCLUDE_FROM_POS_FILES | pcbnew.FP_EXCLUDE_FROM_BOM
                        | pcbnew.FP_BOARD_ONLY)  # fmt: skip
        board.Add(f)
        f.SetPosition(at(x, y))
        f.Reference().SetVisible(False)
        f.Value().SetLayer(pcbnew.F_Fab)
    return modules


def make(layout, target):
    """The board, without its pours filled."""
    board = pcbnew.NewBoard(str(target))
    nets = {}
    entries = footprints.load()
    for name in sorted({n for e in entries.values() for n in e["pads"].values()}):
        nets[name] = pcbnew.NETINFO_ITEM(board, name)
        board.Add(nets[name])
    modules = place(board, nets, layout["places"])

    edge = pcbnew.PCB_SHAPE(board, pcbnew.SHAPE_T_RECT)
    edge.SetStart(at(0, 0))
    edge.SetEnd(at(W, H))
    edge.SetLayer(pcbnew.Edge_Cuts)
    edge.SetWidth(MM(0.1))
    board.Add(edge)
    for layer, labels in ((pcbnew.F_SilkS, hand.LABELS), (pcbnew.B_SilkS, hand.BACK_LABELS)):
        for label in labels:
            add_text(board, layer, *label)
        for points in hand.BORDERS:
            for a, b in itertools.pairwise(points):
                line = pcbnew.PCB_SHAPE(board, pcbnew.SHAPE_T_SEGMENT)
                line.SetStart(at(*a))
                line.SetEnd(at(*b))
                line.SetLayer(layer)
                line.SetWidth(MM(0.3))
                board.Add(line)

    def pad(reference, number):
        q = next(a for a in modules[reference].Pads() if a.GetNumber() == number).GetPosition()
        return (q.x / 1e6 - OX, q.y / 1e6 - OY)

    for name, layer, points in hand.tracks(pad):
        for a, b in itertools.pairwise(points):
            add_track(board, nets[name], layer, a, b)
    for route in layout["routes"]:
        net = nets[route["net"]]
        for layer, x1, y1, x2, y2 in route["segments"]:
            add_track(board, net, layer, (x1, y1), (x2, y2))
        for x, y in route["vias"]:
            v = pcbnew.PCB_VIA(board)
            v.SetPosition(at(x, y))
            v.SetWidth(MM(VIA))
            v.SetDrill(MM(VIA_DRILL))
            v.SetNet(net)
            board.Add(v)
    forbid(board, box(*ISOLATED_CORNER))
    for corner in POINTS_CORNER:
        forbid(board, box(*corner))
    for layer in LAYERS:
        # two outlines, since the first gives way to the isolated corner altogether
        pour(board, layer, nets["gnd"], ((0.6, 0.6), (W - 0.6, 0.6), (W - 0.6, H - 0.6),
             (59.4, H - 0.6), (59.4, 56.8), (0.6, 56.8)))  # fmt: skip
    words.arrange(board, hand.NOTES)
    pcbnew.SaveBoard(str(target), board, True)
    target.write_text(canonical.text(target.read_text()))


def main():
    """Write all."""
    layout, folder = json.loads(Path(sys.argv[1]).read_text()), Path(sys.argv[2])
    folder.mkdir(exist_ok=True)
    (folder / f"{NAME}.kicad_pro").write_text(project.settings())
    (folder / f"{NAME}.kicad_dru").write_text(project.rule_file())
    target = folder / f"{NAME}.kicad_pcb"
    make(layout, target)
    # anew from the file: only so the classes of the project count
    board = pcbnew.LoadBoard(str(target))
    pcbnew.ZONE_FILLER(board).Fill(board.Zones())
    board.BuildConnectivity()
    pcbnew.SaveBoard(str(target), board, True)
    target.write_text(canonical.text(target.read_text()))
    (folder / f"{NAME}.kicad_pro").write_text(project.settings())  # KiCad adds its own habits to it
    (folder / f"{NAME}.kicad_prl").unlink(missing_ok=True)

    board = pcbnew.LoadBoard(str(target))
    with tempfile.TemporaryDirectory() as temporary:
        report = Path(temporary, "drc.txt")
        pcbnew.WriteDRCReport(board, str(report), pcbnew.EDA_UNITS_MILLIMETRES, True)
        text = re.sub(r"(?m)^\*\* (Drc report for|Created on) .*\n", "", report.read_text())
    head = f"** Of {NAME}.kicad_pcb, SHA-256 {order.digest(target)}\n"
    (folder / "drc.txt").write_text(head + text)
    order.write(board, folder)
    (folder / f"{NAME}.kicad_prl").unlink(missing_ok=True)
    (folder / f"{NAME}.kicad_pro").write_text(project.settings())
    for line in re.findall(r"\*\* Found.*", text):
        print(line.strip("* "))


if __name__ == "__main__":
    main()
