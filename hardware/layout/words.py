"""References on the silk layer: each where it covers no pad, line or other word. Needs KiCad's
pcbnew."""

import pcbnew

GAP, HIGH = 0.12, 0.9  # mm


def _box(item):
    b = item.GetBoundingBox()
    return (b.GetLeft() / 1e6, b.GetTop() / 1e6, b.GetRight() / 1e6, b.GetBottom() / 1e6)


def _strokes(shape):
    """Boxes of a shape's lines: a rectangle's four edges, else its own box."""
    left, top, right, low = _box(shape)
    if shape.GetShape() != pcbnew.SHAPE_T_RECT:
        return [(left, top, right, low)]
    return [(left, top, right, top + 0.2), (left, low - 0.2, right, low),
            (left, top, left + 0.2, low), (right - 0.2, top, right, low)]  # fmt: skip


def _hit(a, b):
    return a[0] < b[2] + GAP and b[0] < a[2] + GAP and a[1] < b[3] + GAP and b[1] < a[3] + GAP


def _spots(left, top, right, low, w, h):
    """Places round a part and in its middle, nearest first."""
    cx, cy = (left + right) / 2, (top + low) / 2
    yield cx, cy
    for away in (0.25, 0.8):
        up, down = top - h / 2 - away, low + h / 2 + away
        west, east = left - w / 2 - away, right + w / 2 + away
        for y in (up, down):
            for x in (cx, left + w / 2, right - w / 2):
                yield x, y
        for x in (west, east):
            for y in (cy, top + h / 2, low - h / 2):
                yield x, y


def arrange(board):
    """Set every reference's place; one that finds none is hidden and its name returned.

    A test point shows what it carries instead of its number.
    """
    pads = [_box(p) for f in board.GetFootprints() for p in f.Pads()]
    taken = pads + [_box(d) for d in board.GetDrawings()
                    if d.GetLayer() == pcbnew.F_SilkS and d.GetClass() == "PTEXT"]  # fmt: skip
    taken += [_box(d) for d in board.GetDrawings()
              if d.GetLayer() == pcbnew.F_SilkS and d.GetClass() != "PTEXT"]  # fmt: skip
    outlines, bodies = {}, []
    for f in board.GetFootprints():
        for g in f.GraphicalItems():
            if g.GetLayer() == pcbnew.F_SilkS:
                if g.GetClass() == "MTEXT":  # a diode's K, a plus: the outline shows it too
                    g.SetVisible(False)
                else:
                    for b in _strokes(g):
                        outlines.setdefault(f.GetReference(), []).append(b)
                    if g.GetShape() in (pcbnew.SHAPE_T_ARC, pcbnew.SHAPE_T_CIRCLE):
                        bodies.append((f.GetReference(), _box(g)))
    lines = [b for boxes in outlines.values() for b in boxes if min(b[2] - b[0], b[3] - b[1]) < 0.4]
    hidden = []
    # what has least choice first
    for f in sorted(board.GetFootprints(), key=lambda f: (len(list(f.Pads())), f.GetReference())):
        text = f.Reference()
        if not text.IsVisible():
            continue
        words = f.GetReference()
        if words.startswith("TP"):
            text.SetVisible(False)
            text, words = f.Value(), f.GetValue()
            text.SetLayer(pcbnew.F_SilkS)
        body = [_box(p) for p in f.Pads()] + outlines.get(f.GetReference(), [])
        edges = (min(b[0] for b in body), min(b[1] for b in body),
                 max(b[2] for b in body), max(b[3] for b in body))  # fmt: skip
        text.SetTextSize(pcbnew.wxSizeMM(0.7, 0.7))
        text.SetTextThickness(pcbnew.FromMM(0.12))
        others = [b for who, b in bodies if who != f.GetReference()]
        long = 0.62 * len(words) + 0.1
        found = None
        for angle in (0, 90):
            w, h = (long, HIGH) if angle == 0 else (HIGH, long)
            for x, y in _spots(*edges, w, h):
                me = (x - w / 2, y - h / 2, x + w / 2, y + h / 2)
                inside = me[0] > 21 and me[2] < 179 and me[1] > 21 and me[3] < 119
                if inside and not any(_hit(me, t) for t in taken + lines + others):
                    found = (x, y, angle, me)
                    break
            if found:
                break
        if found is None:
            text.SetVisible(False)
            hidden.append(words)
            continue
        x, y, angle, me = found
        text.SetKeepUpright(False)
        text.SetTextAngle((angle * 10) - f.GetOrientation())
        text.SetPosition(pcbnew.wxPointMM(x, y))
        text.SetHorizJustify(pcbnew.GR_TEXT_HJUSTIFY_CENTER)
        taken.append(me)
    print("references without a place on the silk:", " ".join(hidden) or "none")
    return hidden
