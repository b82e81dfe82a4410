"""Courtyard and pads of every footprint in use -> geometry.json. Needs KiCad 6's pcbnew.

    /usr/bin/python3 hardware/layout/geometry.py FOLDER

Per reference: box (courtyard: left, top, right, bottom), pads {number: [x, y, width, height,
round, front only]}, block, nets {pad: net}; mm from the footprint's origin, not turned. Holes
without copper are "_1" ..., a second pad of one number has a + behind it.
"""

import json
import sys
from pathlib import Path

import footprints
import pcbnew
from pico import BOX, PAD_MM, PADS

LIBRARY = "/usr/share/kicad/footprints/"
MM = 1e6


def measured(library, name):
    """Box and pads of one footprint."""
    module = pcbnew.FootprintLoad(f"{LIBRARY}{library}.pretty", name)
    area = None
    for item in module.GraphicalItems():
        if item.GetLayer() == pcbnew.F_CrtYd:
            bounds = item.GetBoundingBox()
            if area is None:
                area = bounds
            else:
                area.Merge(bounds)
    if area is None:
        area = module.GetBoundingBox(False, False)
    box = (area.GetLeft() / MM, area.GetTop() / MM, area.GetRight() / MM, area.GetBottom() / MM)
    pads = {}
    for p in module.Pads():
        q, b = p.GetPosition(), p.GetBoundingBox()
        w, h = b.GetWidth() / MM, b.GetHeight() / MM
        ring = p.GetShape() in (pcbnew.PAD_SHAPE_CIRCLE, pcbnew.PAD_SHAPE_OVAL)
        number = p.GetNumber() or f"_{len(pads)}"
        while number in pads:  # a button has two pads of each number
            number += "+"
        pads[number] = [
            q.x / MM, q.y / MM, w, h, ring and abs(w - h) < 0.002,
            p.GetAttribute() == pcbnew.PAD_ATTRIB_SMD,
        ]  # fmt: skip
    return box, pads


def main():
    """Write FOLDER/geometry.json."""
    out = {}
    known = {}
    for reference, entry in footprints.load().items():
        if entry["footprint"] is None:
            pads = {n: [x, y, PAD_MM, PAD_MM, n != "1", False] for n, (x, y) in PADS.items()}
            found = (BOX, pads)
        else:
            if entry["footprint"] not in known:
                known[entry["footprint"]] = measured(*entry["footprint"])
            found = known[entry["footprint"]]
        nets = {n: entry["pads"][n.rstrip("+")] for n in found[1] if n.rstrip("+") in entry["pads"]}
        out[reference] = {"box": found[0], "pads": found[1], "block": entry["block"], "nets": nets}
    Path(sys.argv[1], "geometry.json").write_text(json.dumps(out))


if __name__ == "__main__":
    main()
