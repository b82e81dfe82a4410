"""References and notes on the silk layer: each where it covers no pad, line or other word. Needs
KiCad's pcbnew."""

import pcbnew

GAP, SIZE, LEAST = 0.12, 0.7, 0.55  # mm
ROUNDS = 4000


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
    for away in (0.25, 0.8, 1.4, 2.0, 2.6):
        up, down = top - h / 2 - away, low + h / 2 + away
        west, east = left - w / 2 - away, right + w / 2 + away
        for k in (0, -1, 1):
            yield from ((cx + k * (right - left - w) / 2, y) for y in (up, down))
        for k in (0, -1, 1):
            yield from ((x, cy + k * (low - top - h) / 2) for x in (west, east))
        for k in (-2, 2, -3, 3):
            yield from ((cx + k * w / 4, y) for y in (up, down))
            yield from ((x, cy + k * h / 4) for x in (west, east))


def _gap(a, b):
    """Distance between two boxes, mm."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3], 0.0)


def _places(edges, words, blocked, vias, others, size=SIZE):
    """Spots of words round a box that nothing fixed takes: [(x, y, angle, box, size, price)].

    The price is that of being misread: under another part, nearer to another than to its own, with
    a via's hole in a letter. Smaller words where there is no spot.
    """
    found = []
    long, high = (0.89 * len(words) + 0.14) * size, 1.29 * size
    for angle in (0, 90):
        w, h = (long, high) if angle == 0 else (high, long)
        for x, y in _spots(*edges, w, h):
            me = (x - w / 2, y - h / 2, x + w / 2, y + h / 2)
            inside = me[0] > 21 and me[2] < 179 and me[1] > 21 and me[3] < 119
            if inside and not any(_hit(me, t) for t in blocked):
                next_to = min(_gap(me, o) for o in others)
                price = 6 if next_to == 0 else 2 if next_to < _gap(me, edges) else 0
                found.append((x, y, angle, me, size, price + any(_hit(me, v) for v in vias)))
    if not found and size > LEAST:
        return _places(edges, words, blocked, vias, others, size - 0.05)
    return sorted(found, key=lambda spot: spot[5])


def _choose(asked):
    """One spot for each name so that no two cover each other. asked: {name: its spots}.

    A name without a free spot takes the one where it displaces the fewest, rather not one where it
    did so before; those look anew. Names left without a place are missing.
    """
    taken, cost, todo = {}, {}, sorted(asked, key=lambda name: (-len(asked[name]), name))
    for _ in range(ROUNDS):
        if not todo:
            break
        name = todo.pop()
        best = None
        for rank, spot in enumerate(asked[name]):
            out = [other for other, there in taken.items() if _hit(spot[3], there[3])]
            price = (spot[5] + len(out) + cost.get((name, rank), 0), rank)
            if best is None or price < best[0]:
                best = (price, spot, out)
            if best[0][0] <= spot[5]:
                break
        if best is None:
            continue
        (_, rank), _, out = best
        cost[name, rank] = cost.get((name, rank), 0) + bool(out)
        for other in out:
            del taken[other]
            todo.insert(0, other)
        taken[name] = best[1]
    return taken


def _set(text, spot, turned=0.0):
    """Words on a spot; turned: of the part they belong to, tenths of a degree."""
    x, y, angle, _, size, _ = spot
    text.SetTextSize(pcbnew.wxSizeMM(size, size))
    text.SetTextThickness(pcbnew.FromMM(0.12))
    if hasattr(text, "SetKeepUpright"):  # a part's own words
        text.SetKeepUpright(False)
    text.SetTextAngle(angle * 10 - turned)
    text.SetPosition(pcbnew.wxPointMM(x, y))
    text.SetHorizJustify(pcbnew.GR_TEXT_HJUSTIFY_CENTER)


def _around(boxes):
    """The box round boxes."""
    return (min(b[0] for b in boxes), min(b[1] for b in boxes),
            max(b[2] for b in boxes), max(b[3] for b in boxes))  # fmt: skip


def arrange(board, notes):
    """Set every reference's place and the notes'; those that find none are hidden and returned.

    A test point shows what it carries instead of its number. notes: (reference, pad or "", words).
    """
    feet = {f.GetReference(): f for f in board.GetFootprints()}
    fixed = [_box(p) for f in feet.values() for p in f.Pads()]
    fixed += [_box(d) for d in board.GetDrawings() if d.GetLayer() == pcbnew.F_SilkS]
    vias = []
    for via in board.GetTracks():
        if via.GetClass() == "PCB_VIA":
            x, y = via.GetPosition().x / 1e6, via.GetPosition().y / 1e6
            vias.append((x - 0.1, y - 0.1, x + 0.1, y + 0.1))
    outlines, bodies = {}, []
    for reference, f in feet.items():
        for g in f.GraphicalItems():
            if g.GetLayer() == pcbnew.F_SilkS:
                if g.GetClass() == "MTEXT":  # a diode's K, a plus: the outline shows it too
                    g.SetVisible(False)
                else:
                    outlines.setdefault(reference, []).extend(_strokes(g))
                    if g.GetShape() in (pcbnew.SHAPE_T_ARC, pcbnew.SHAPE_T_CIRCLE):
                        bodies.append((reference, _box(g)))
    fixed += [b for o in outlines.values() for b in o if min(b[2] - b[0], b[3] - b[1]) < 0.4]
    around = {r: _around([_box(p) for p in f.Pads()] + outlines.get(r, []))
              for r, f in feet.items() if not r.startswith("H")}  # fmt: skip
    texts, asked = {}, {}
    for reference, f in feet.items():
        text, words = f.Reference(), reference
        if not text.IsVisible():
            continue
        if words.startswith("TP"):
            text.SetVisible(False)
            text, words = f.Value(), f.GetValue()
            text.SetLayer(pcbnew.F_SilkS)
        discs = [b for who, b in bodies if who != reference]
        others = [b for who, b in around.items() if who != reference]
        texts[reference] = (text, f.GetOrientation())
        asked[reference] = _places(around[reference], words, fixed + discs, vias, others)
    for reference, number, words in notes:
        f = feet[reference]
        pads = [_box(p) for p in f.Pads() if p.GetNumber() == number or not number]
        edges = _around(pads if number else pads + outlines.get(reference, []))
        text = pcbnew.PCB_TEXT(board)
        text.SetText(words)
        text.SetLayer(pcbnew.F_SilkS)
        board.Add(text)
        name = f"{reference} {number} {words}"
        texts[name] = (text, 0.0)
        others = [b for who, b in around.items() if who != reference]
        asked[name] = _places(edges, words, fixed + [b for _, b in bodies], vias, others)
    found = _choose(asked)
    hidden = sorted(set(texts) - set(found))
    for name, (text, turned) in texts.items():
        if name in found:
            _set(text, found[name], turned)
        else:
            text.SetVisible(False)
    print("without a place on the silk:", ", ".join(hidden) or "none")
    return hidden
