"""The kept board read back without KiCad: its copper as geometry, its nets by what touches what.

Lengths in mm from the board's top left corner, y downwards. Copper is straight pieces with a radius
(tracks, vias, pads) and filled outlines (pads with corners, pours).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Node = list[Any]
OX, OY = 20.0, 20.0
FRONT, BACK = "F.Cu", "B.Cu"
BOTH = frozenset((FRONT, BACK))
MANY = 64  # lines from which on an outline is looked through by height


@dataclass
class Copper:
    """One piece: pieces[n, 4] are lines x1 y1 x2 y2 with a common radius. filled: they enclose
    it."""

    what: str
    net: str
    layers: frozenset[str]
    pieces: Array
    radius: float
    filled: bool = False
    low: Array = field(init=False)
    high: Array = field(init=False)
    line: tuple[float, ...] = field(init=False)  # the only line of a piece that is not filled
    _bands: dict[int, NDArray[np.int64]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.line = tuple(self.pieces[0].tolist()) if len(self.pieces) == 1 else ()
        ends = self.pieces.reshape(-1, 2)
        self.low, self.high = ends.min(0) - self.radius, ends.max(0) + self.radius
        if len(self.pieces) > MANY:
            top = np.floor(np.minimum(self.pieces[:, 1], self.pieces[:, 3])).astype(int)
            low = np.floor(np.maximum(self.pieces[:, 1], self.pieces[:, 3])).astype(int)
            for band in range(top.min(), low.max() + 1):
                self._bands[band] = np.flatnonzero((top <= band) & (low >= band))

    def between(self, y1: float, y2: float) -> Array:
        """Lines that may come between two heights: all, or of a pour those of each millimetre."""
        if not self._bands:
            return self.pieces
        bands = range(math.floor(y1), math.floor(y2) + 1)
        some = [self._bands[b] for b in bands if b in self._bands]
        return self.pieces[np.unique(np.concatenate(some))] if some else self.pieces[:0]


@dataclass
class Footprint:
    """One placed part. pads: {number: (x, y, net)}, a second of one number with a +; box: of its
    courtyard, None without one."""

    library: str
    x: float
    y: float
    angle: float
    pads: dict[str, tuple[float, float, str]]
    box: tuple[float, float, float, float] | None
    path: str


@dataclass
class Board:
    """All that the checks need of a .kicad_pcb."""

    parts: dict[str, Footprint]
    copper: list[Copper]
    holes: list[tuple[float, float, float, bool]]  # x, y, drill, plated
    tracks: list[tuple[str, float]]  # net, width
    words: list[tuple[str, str]]  # layer, text
    size: tuple[float, float]


def parse(text: str) -> Node:
    """An S-expression as nested lists of strings."""
    stack: list[Node] = [[]]
    for token in re.findall(r'"(?:[^"\\]|\\.)*"|[()]|[^\s()"]+', text):
        if token == "(":
            stack.append([])
        elif token == ")":
            node = stack.pop()
            stack[-1].append(node)
        else:
            stack[-1].append(token[1:-1] if token[0] == '"' else token)
    return stack[0][0]  # type: ignore[no-any-return]


def children(node: Node, kind: str) -> Iterator[Node]:
    """Nodes of a kind directly below."""
    return (n for n in node if isinstance(n, list) and n and n[0] == kind)


def first(node: Node, kind: str, default: Node | None = None) -> Node:
    """The first of them."""
    return next(children(node, kind), default if default is not None else [])


def _xy(node: Node) -> tuple[float, float]:
    return float(node[1]), float(node[2])


def _turn(x: float, y: float, degrees: float) -> tuple[float, float]:
    """Counter-clockwise as seen, y down."""
    a = math.radians(degrees)
    return x * math.cos(a) + y * math.sin(a), y * math.cos(a) - x * math.sin(a)


def _ring(points: list[tuple[float, float]]) -> Array:
    a = np.array(points, float)
    return np.hstack((a, np.roll(a, -1, axis=0)))


def _pad(pad: Node, x: float, y: float) -> tuple[Array, float, bool]:
    """Pieces, radius, filled of a pad at x, y (its angle in the file is the sheet's)."""
    shape = pad[3]
    at = first(pad, "at")
    angle = float(at[3]) if len(at) > 3 else 0.0
    w, h = _xy(first(pad, "size"))
    if shape in ("circle", "oval"):
        radius = min(w, h) / 2
        dx, dy = (w / 2 - radius, 0.0) if w > h else (0.0, h / 2 - radius)
        dx, dy = _turn(dx, dy, angle)
        return np.array([[x - dx, y - dy, x + dx, y + dy]]), radius, False
    ratio = float(first(pad, "roundrect_rratio", ["", "0"])[1])
    radius = ratio * min(w, h) if shape == "roundrect" else 0.0
    a, b = w / 2 - radius, h / 2 - radius
    corners = [(x + p[0], y + p[1]) for p in
               (_turn(*c, angle) for c in ((-a, -b), (a, -b), (a, b), (-a, b)))]  # fmt: skip
    return _ring(corners), radius, True


def _footprint(node: Node, board: Board) -> None:
    at = first(node, "at")
    fx, fy = float(at[1]) - OX, float(at[2]) - OY
    angle = float(at[3]) if len(at) > 3 else 0.0
    reference = next(t[2] for t in children(node, "fp_text") if t[1] == "reference")
    pads: dict[str, tuple[float, float, str]] = {}
    for pad in children(node, "pad"):
        dx, dy = _turn(*_xy(first(pad, "at")), angle)
        x, y = fx + dx, fy + dy
        net = first(pad, "net", ["", "", ""])[2]
        drill = [v for v in first(pad, "drill") if re.fullmatch(r"[\d.]+", str(v))]
        plated = pad[2] != "np_thru_hole"
        if drill:
            board.holes.append((x, y, float(drill[0]), plated))
        layers = first(pad, "layers")
        on = frozenset(c for c in BOTH if c in layers or "*.Cu" in layers)
        if not plated or not on:
            continue
        number = pad[1]
        while number in pads:  # a button has two pads of each number
            number += "+"
        pads[number] = (x, y, net)
        pieces, radius, filled = _pad(pad, x, y)
        board.copper.append(Copper(f"{reference} {pad[1]}", net, on, pieces, radius, filled))
    edges = [
        _turn(*_xy(first(line, end)), angle)
        for kind in ("fp_line", "fp_rect", "fp_circle")
        for line in children(node, kind)
        if first(line, "layer")[1:] == ["F.CrtYd"]
        for end in (("start", "end") if kind != "fp_circle" else ("end",))
    ]
    box = None
    if edges:
        xs, ys = [p[0] for p in edges], [p[1] for p in edges]
        box = (fx + min(xs), fy + min(ys), fx + max(xs), fy + max(ys))
    for text in children(node, "fp_text"):  # of the part's own words, those that are printed
        if text[1] in ("reference", "value") and "hide" not in text:
            board.words.append((first(text, "layer")[1], text[2]))
    path = first(node, "path", ["", ""])[1]
    board.parts[reference] = Footprint(node[1], fx, fy, angle, pads, box, path)


def read(path: Path) -> Board:
    """A .kicad_pcb of KiCad 6.

    Raises:
        ValueError: not such a file, or two parts of one name.
    """
    root = parse(path.read_text(encoding="utf-8"))
    if not root or root[0] != "kicad_pcb":
        raise ValueError(f"{path.name} is not a board of KiCad")
    board = Board({}, [], [], [], [], (0.0, 0.0))
    names = {n[1]: n[2] for n in children(root, "net")}
    count = 0
    for node in children(root, "footprint"):
        _footprint(node, board)
        count += 1
    if count != len(board.parts):
        raise ValueError(f"{path.name} has two parts of one name")
    for node in children(root, "segment"):
        (x1, y1), (x2, y2) = _xy(first(node, "start")), _xy(first(node, "end"))
        net, wide = names[first(node, "net")[1]], float(first(node, "width")[1])
        layer = frozenset((first(node, "layer")[1],))
        piece = np.array([[x1 - OX, y1 - OY, x2 - OX, y2 - OY]])
        board.copper.append(
            Copper(f"track at {x1 - OX:.1f}, {y1 - OY:.1f}", net, layer, piece, wide / 2)
        )
        board.tracks.append((net, wide))
    for node in children(root, "via"):
        x, y = _xy(first(node, "at"))
        x, y = x - OX, y - OY
        net = names[first(node, "net")[1]]
        radius = float(first(node, "size")[1]) / 2
        board.copper.append(
            Copper(f"via at {x:.1f}, {y:.1f}", net, BOTH, np.array([[x, y, x, y]]), radius)
        )
        board.holes.append((x, y, float(first(node, "drill")[1]), True))
    for node in children(root, "zone"):
        for outline in children(node, "filled_polygon"):
            points = [
                (float(p[1]) - OX, float(p[2]) - OY) for p in children(first(outline, "pts"), "xy")
            ]
            layer = frozenset((first(outline, "layer")[1],))
            board.copper.append(
                Copper("pour", first(node, "net_name")[1], layer, _ring(points), 0.0, True)
            )
    for node in children(root, "gr_text"):
        board.words.append((first(node, "layer")[1], node[1]))
    for node in children(root, "gr_rect"):
        if first(node, "layer")[1] == "Edge.Cuts":
            (x1, y1), (x2, y2) = _xy(first(node, "start")), _xy(first(node, "end"))
            board.size = (abs(x2 - x1), abs(y2 - y1))
    return board


# --- geometry


def _to_points(points: Array, lines: Array) -> Array:
    """Distance of each of n points to each of m lines: [n, m]."""
    a, d = lines[:, :2], lines[:, 2:] - lines[:, :2]
    along = np.einsum("nmk,mk->nm", points[:, None] - a, d)
    share = np.clip(along / np.maximum((d**2).sum(1), 1e-18), 0, 1)
    return np.asarray(np.hypot(*np.moveaxis(points[:, None] - a - share[..., None] * d, 2, 0)))


def _two_lines(a: Copper, b: Copper) -> float:
    """Distance between the middles of two single lines: most pairs are such, so without arrays."""
    (ax, ay, bx, by), (cx, cy, dx, dy) = a.line, b.line

    def side(px: float, py: float, qx: float, qy: float, x: float, y: float) -> float:
        return (qx - px) * (y - py) - (qy - py) * (x - px)

    if (
        side(ax, ay, bx, by, cx, cy) * side(ax, ay, bx, by, dx, dy) < 0
        and side(cx, cy, dx, dy, ax, ay) * side(cx, cy, dx, dy, bx, by) < 0
    ):
        return 0.0
    least = math.inf
    for x, y, px, py, qx, qy in (
        (ax, ay, cx, cy, dx, dy), (bx, by, cx, cy, dx, dy),
        (cx, cy, ax, ay, bx, by), (dx, dy, ax, ay, bx, by),
    ):  # fmt: skip
        ux, uy = qx - px, qy - py
        long = ux * ux + uy * uy
        share = min(1.0, max(0.0, ((x - px) * ux + (y - py) * uy) / long)) if long else 0.0
        least = min(least, math.hypot(x - px - share * ux, y - py - share * uy))
    return least


def _cross(one: Array, other: Array) -> bool:
    """Whether a line of one crosses a line of the other."""

    def side(a: Array, b: Array) -> Array:
        d = a[:, 2:] - a[:, :2]
        p = b[None, :, :2] - a[:, None, :2]
        q = b[None, :, 2:] - a[:, None, :2]
        s = d[:, None, 0] * p[..., 1] - d[:, None, 1] * p[..., 0]
        t = d[:, None, 0] * q[..., 1] - d[:, None, 1] * q[..., 0]
        return np.asarray(s * t < 0)

    return bool((side(one, other) & side(other, one).T).any())


def _inside(point: Array, ring: Array) -> bool:
    """Whether a point lies within an outline (even-odd rule)."""
    x1, y1, x2, y2 = ring.T
    up = (y1 > point[1]) != (y2 > point[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x1 + (point[1] - y1) * (x2 - x1) / (y2 - y1)
    return bool(np.count_nonzero(up & (point[0] < at)) % 2)


def distance(a: Copper, b: Copper, near: float) -> float:
    """Between two pieces of copper; 0 where they touch; inf where surely more than `near`."""
    if a.line and b.line:
        return max(0.0, _two_lines(a, b) - a.radius - b.radius)
    if (a.low - near > b.high).any() or (b.low - near > a.high).any():
        return math.inf

    def close(c: Copper, to: Copper) -> Array:
        reach = near + a.radius + b.radius
        low, high = to.low - reach, to.high + reach
        p = c.between(low[1], high[1])
        keep = (np.minimum(p[:, :2], p[:, 2:]) <= high).all(1)
        keep &= (np.maximum(p[:, :2], p[:, 2:]) >= low).all(1)
        return np.asarray(p[keep])

    for outer, inner in ((a, b), (b, a)):
        point = inner.pieces[0, :2]
        if outer.filled and _inside(point, outer.between(point[1], point[1])):
            return 0.0
    one, other = close(a, b), close(b, a)
    if not len(one) or not len(other):
        return math.inf
    if _cross(one, other):
        return 0.0
    least = min(
        _to_points(one.reshape(-1, 2), other).min(), _to_points(other.reshape(-1, 2), one).min()
    )
    return max(0.0, float(least) - a.radius - b.radius)


def pairs(
    copper: list[Copper], near: float, of: NDArray[np.bool_] | None = None
) -> Iterator[tuple[int, int]]:
    """Indices of pieces that share a layer and whose boxes come within `near`.

    of: only pairs of one of these with one of the others.
    """
    low = np.array([c.low for c in copper]) - near
    high = np.array([c.high for c in copper])
    layers = np.array([[FRONT in c.layers, BACK in c.layers] for c in copper])
    for i in range(len(copper)) if of is None else np.flatnonzero(of):
        rest = slice(i + 1, None) if of is None else slice(None)
        hit = (low[i] <= high[rest]).all(1) & (low[rest] <= high[i]).all(1)
        hit &= (layers[rest] & layers[i]).any(1)
        if of is not None:
            hit &= ~of
        for j in np.flatnonzero(hit):
            yield int(i), int(j) + (i + 1 if of is None else 0)


def islands(copper: list[Copper]) -> list[list[int]]:
    """Groups of pieces that touch each other (whatever net the file says they are)."""
    parent = list(range(len(copper)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    for i, j in pairs(copper, 0.0):
        if root(i) != root(j) and distance(copper[i], copper[j], 0.0) < 1e-4:
            parent[root(i)] = root(j)
    groups: dict[int, list[int]] = {}
    for i in range(len(copper)):
        groups.setdefault(root(i), []).append(i)
    return list(groups.values())
