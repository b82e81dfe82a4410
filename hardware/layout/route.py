"""Maze router with negotiated congestion, two layers (needs numba).

    python hardware/layout/route.py FOLDER       geometry.json, place.json -> routes.json

Each net is routed by A* on a 0.2 mm grid over what the others occupy, at a price that grows until
nobody shares a cell (McMurchie and Ebeling's PathFinder, 1995). The back is dearer than the front,
so that the ground poured there stays in one piece. Ground is poured and routed besides, so that no
island stays alone; each surface-mount pad of it gets a via beside it first.
"""

import heapq
import itertools
import json
import math
import sys
import time
from pathlib import Path

import hand
import numpy as np
from numba import njit
from place import turned
from rules import CLEAR, EDGE, HOLES, ISOLATED, POINTS, H, W, class_of, distance, width

G = 0.2
MARGIN = 0.03
BACK_COST = 1.5
SIGNAL, POWER, VIA, INPUT = range(4)
HALF = (0.125, 0.3, 0.4, 0.3)
SAMPLE = ("gnd", "v5", "gnd", "vr_in")  # a net of each kind


def board_data(folder):
    """Pads of the placed board (position, size, net) and the hand tracks of the corners."""
    geometry = json.loads((folder / "geometry.json").read_text())
    places = json.loads((folder / "place.json").read_text())
    pads = []
    for reference, part in geometry.items():
        x, y, angle = places[reference]
        for number, (px, py, w, h, ring, front) in part["pads"].items():
            dx, dy = turned((px, py), angle)
            w, h = (w, h) if angle % 180 == 0 else (h, w)
            pads.append({
                "reference": reference, "number": number, "x": x + dx, "y": y + dy, "w": w, "h": h,
                "round": ring, "net": part["nets"].get(number, ""), "hole": number.startswith("_"),
                "front_only": front,
            })  # fmt: skip
    spot = {(p["reference"], p["number"]): (p["x"], p["y"]) for p in pads}
    tracks = [
        [net, *a, *b, width(net)]
        for net, _, points in hand.tracks(lambda r, n: spot[r, n])
        for a, b in itertools.pairwise(points)
    ]
    for x, y in HOLES:
        pads.append({"reference": "H", "number": "_", "x": x, "y": y, "w": 3.2, "h": 3.2,
                     "round": True, "net": "", "hole": True, "front_only": False})  # fmt: skip
    return {"pads": pads, "tracks": tracks}


@njit(cache=True)
def _search(own, occupied, history, net, kind, sources, targets, best, previous, price, nx, ny,
            via_cost):  # fmt: skip
    best[:] = np.inf
    heap = [(0.0, 0)]
    heap.pop()
    n = nx * ny
    for s in sources:
        best[s] = 0
        previous[s] = -1
        heapq.heappush(heap, (0.0, s))
    tx0, tx1, ty0, ty1 = nx, 0, ny, 0
    for i in range(len(targets)):
        if targets[i]:
            c = i % n
            tx0, tx1 = min(tx0, c % nx), max(tx1, c % nx)
            ty0, ty1 = min(ty0, c // nx), max(ty1, c // nx)
    while len(heap) > 0:
        f, u = heapq.heappop(heap)
        layer = u // n
        c = u % n
        x = c % nx
        y = c // nx
        hx, hy = max(0, max(tx0 - x, x - tx1)), max(0, max(ty0 - y, y - ty1))
        if f > best[u] + max(hx, hy) + 0.414 * min(hx, hy) + 1e-3:
            continue
        if targets[u]:
            return u
        for d in range(9):
            if d == 8:
                if via_cost > 1e6:
                    continue
                free = True
                for m in range(2):
                    o = own[2, m, y, x]
                    free = free and (o == -1 or o == net)
                if not free:
                    continue
                v = (1 - layer) * n + c
                cost = (
                    via_cost * (1 + price * (occupied[2, 0, y, x] + occupied[2, 1, y, x]))
                    + history[0, y, x]
                    + history[1, y, x]
                )
                px, py, pl = x, y, 1 - layer
            else:
                dx = (1, 1, 0, -1, -1, -1, 0, 1)[d]
                dy = (0, 1, 1, 1, 0, -1, -1, -1)[d]
                px, py, pl = x + dx, y + dy, layer
                if px < 0 or py < 0 or px >= nx or py >= ny:
                    continue
                o = own[kind, pl, py, px]
                if o != -1 and o != net:
                    continue
                v = pl * n + py * nx + px
                step = 1.4142 if dx != 0 and dy != 0 else 1.0
                if pl == 1:
                    step *= BACK_COST
                cost = step * (1 + history[pl, py, px]) * (1 + price * occupied[kind, pl, py, px])
            total = best[u] + cost
            if total < best[v] - 1e-6:
                best[v] = total
                previous[v] = u
                a, b = max(0, max(tx0 - px, px - tx1)), max(0, max(ty0 - py, py - ty1))
                heapq.heappush(heap, (total + max(a, b) + 0.414 * min(a, b), v))
    return -1


@njit(cache=True)
def _stamp(occupied, cells, layers, disc, kind, sign):
    for c in range(len(cells)):
        x, y = cells[c]
        for i in range(len(disc)):
            px, py = x + disc[i, 0], y + disc[i, 1]
            if 0 <= px < occupied.shape[3] and 0 <= py < occupied.shape[2]:
                occupied[kind, layers[c], py, px] += sign


def disc(radius):
    """Grid offsets within a radius."""
    n = int(radius / G) + 1
    return np.array(
        [
            (x, y)
            for x in range(-n, n + 1)
            for y in range(-n, n + 1)
            if math.hypot(x, y) * G < radius
        ],
        np.int32,
    )


class Router:
    """Grid, pads and paths of one board."""

    def __init__(self, data):
        self.data = data
        self.nx, self.ny = int(W / G) + 1, int(H / G) + 1
        self.n = self.nx * self.ny
        names = sorted({p["net"] for p in data["pads"] if p["net"]})
        self.number = {n: i for i, n in enumerate(names)}
        self.own = np.full((4, 2, self.ny, self.nx), -1, np.int32)
        self.occupied = np.zeros((4, 2, self.ny, self.nx), np.int16)
        self.history = np.zeros((2, self.ny, self.nx), np.float32)
        self.best = np.empty(2 * self.n, np.float32)
        self.previous = np.empty(2 * self.n, np.int32)
        self.discs = {
            (a, b): disc(
                HALF[a] + HALF[b] + MARGIN + (distance(SAMPLE[a], SAMPLE[b]) if a != b else CLEAR)
            )
            for a in range(4)
            for b in range(4)
        }
        self.paths, self.stamps, self.failed = {}, {}, {}
        self._block()
        self.pins = {}
        for p in data["pads"]:
            skip = (*ISOLATED, *POINTS, "")
            if p["net"] not in skip and not (p["net"] == "gnd" and p["front_only"]):
                self.pins.setdefault(p["net"], []).append(p)
        self.grounds, lost = self.ground_vias()
        print("ground vias", len(self.grounds), "none for", lost, flush=True)
        for _, x, y in self.grounds:
            self.pins["gnd"].append({"x": x, "y": y, "w": 0.8, "h": 0.8, "front_only": False})
        self.todo = [n for n in self.pins if len(self.pins[n]) > 1]
        self.cells = {n: [self._cells(p) for p in self.pins[n]] for n in self.todo}
        self.todo.sort(key=lambda n: (n == "gnd", self._spread(n)))

    def kind(self, net):
        """Width class of a net."""
        return {"inputs": INPUT, "power": POWER}.get(class_of(net), SIGNAL)

    def clearance(self, net, other):
        """mm between a pad of `net` and a track of kind `other`."""
        return distance(net, SAMPLE[other])

    def _spread(self, net):
        xs, ys = [p["x"] for p in self.pins[net]], [p["y"] for p in self.pins[net]]
        return max(xs) - min(xs) + max(ys) - min(ys)

    def _rect(self, p, radius, kind, layers, net):
        x0 = max(0, int((p["x"] - p["w"] / 2 - radius) / G))
        x1 = min(self.nx - 1, int((p["x"] + p["w"] / 2 + radius) / G) + 1)
        y0 = max(0, int((p["y"] - p["h"] / 2 - radius) / G))
        y1 = min(self.ny - 1, int((p["y"] + p["h"] / 2 + radius) / G) + 1)
        gx, gy = np.meshgrid(np.arange(x0, x1 + 1) * G, np.arange(y0, y1 + 1) * G)
        if p["round"]:
            far = np.hypot(gx - p["x"], gy - p["y"]) - p["w"] / 2
        else:
            far = np.hypot(np.maximum(abs(gx - p["x"]) - p["w"] / 2, 0),
                           np.maximum(abs(gy - p["y"]) - p["h"] / 2, 0))  # fmt: skip
        for layer in layers:
            view = self.own[kind, layer, y0 : y1 + 1, x0 : x1 + 1]
            near = far < radius
            view[near] = np.where((view[near] == -1) | (view[near] == net), net, -2)

    def _block(self):
        for p in self.data["pads"]:
            layers = (0,) if p["front_only"] else (0, 1)
            for kind in range(4):
                gap = 0.3 if p["hole"] else self.clearance(p["net"], kind)
                net = -2 if p["hole"] or not p["net"] else self.number[p["net"]]
                where = (0, 1) if kind == VIA and p["front_only"] else layers
                # a via beside its own pad only, never in it: solder would run down
                self._rect(p, gap + HALF[kind] + MARGIN, kind, where,
                           -2 if kind == VIA and p["front_only"] else net)  # fmt: skip
        for net, x1, y1, x2, y2, wide in self.data["tracks"]:
            steps = max(1, int(math.hypot(x2 - x1, y2 - y1) / 0.2))
            for i in range(steps + 1):
                spot = {"x": x1 + (x2 - x1) * i / steps, "y": y1 + (y2 - y1) * i / steps,
                        "w": wide, "h": wide, "round": True}  # fmt: skip
                for kind in range(4):
                    gap = self.clearance(net, kind)
                    self._rect(spot, gap + HALF[kind] + MARGIN, kind, (0, 1), -2)
        for kind in range(4):
            m = int((EDGE + HALF[kind]) / G) + 1
            for view in (self.own[kind, :, :m], self.own[kind, :, -m:], self.own[kind, :, :, :m],
                         self.own[kind, :, :, -m:]):  # fmt: skip
                view[:] = -2

    def _cells(self, p):
        cx, cy = round(p["x"] / G), round(p["y"] / G)
        layers = (0,) if p["front_only"] else (0, 1)
        return [
            layer * self.n + (cy + dy) * self.nx + cx + dx
            for dx in (-1, 0, 1)
            for dy in (-1, 0, 1)
            if abs((cx + dx) * G - p["x"]) <= p["w"] / 2 - 0.1
            and abs((cy + dy) * G - p["y"]) <= p["h"] / 2 - 0.1
            for layer in layers
        ]

    def mark(self, net, sign):
        """Add or take away what a net's path occupies."""
        if net not in self.stamps:
            return
        own = self.kind(net)
        cells, layers, vias = self.stamps[net]
        for kind in range(4):
            _stamp(self.occupied, cells, layers, self.discs[own, kind], kind, sign)
            if len(vias):
                for layer in (0, 1):
                    where = np.full(len(vias), layer, np.int64)
                    _stamp(self.occupied, vias, where, self.discs[VIA, kind], kind, sign)

    def keep(self, net, paths):
        """Take paths (lists of cells) as the net's own."""
        cells, layers, vias = [], [], []
        for path in paths:
            for a in path:
                c = a % self.n
                cells.append((c % self.nx, c // self.nx))
                layers.append(a // self.n)
            for a, b in itertools.pairwise(path):
                if a // self.n != b // self.n:
                    c = a % self.n
                    vias.append((c % self.nx, c // self.nx))
        self.paths[net] = paths
        self.stamps[net] = (
            np.array(cells, np.int64).reshape(-1, 2), np.array(layers, np.int64),
            np.array(sorted(set(vias)), np.int64).reshape(-1, 2),
        )  # fmt: skip
        self.mark(net, 1)

    def route(self, net, price):
        """One net anew."""
        self.mark(net, -1)
        kind, pads = self.kind(net), self.cells[net]
        left, tree, paths = set(range(1, len(pads))), list(pads[0]), []
        self.failed[net] = 0
        while left:
            targets = np.zeros(2 * self.n, np.bool_)
            for i in left:
                targets[pads[i]] = True
            u = _search(self.own, self.occupied, self.history, self.number[net], kind,
                        np.array(tree, np.int64), targets, self.best, self.previous, price,
                        self.nx, self.ny, 1e9 if kind == INPUT else 12.0)  # fmt: skip
            if u < 0:
                self.failed[net] = len(left)
                break
            path = []
            while u >= 0:
                path.append(int(u))
                u = self.previous[u]
            paths.append(path)
            tree += path
            for i in list(left):
                if path[0] in pads[i]:
                    left.discard(i)
                    tree += pads[i]
        self.keep(net, paths)

    def conflicts(self, net):
        """Cells of a net that another occupies too; they become dearer for ever."""
        self.mark(net, -1)
        cells, layers, vias = self.stamps[net]
        bad = self.occupied[self.kind(net), layers, cells[:, 1], cells[:, 0]] > 0
        self.history[layers[bad], cells[bad, 1], cells[bad, 0]] += 0.6
        count = int(bad.sum())
        for x, y in vias:
            for layer in (0, 1):
                if self.occupied[VIA, layer, y, x] > 0:
                    self.history[layer, y, x] += 2
                    count += 1
        self.mark(net, 1)
        return count

    def ground_vias(self):
        """A short track and a via beside each surface-mount pad of ground, kept for good."""
        found, lost = [], []
        net = self.number["gnd"]
        for p in self.data["pads"]:
            if p["net"] != "gnd" or not p["front_only"]:
                continue
            cx, cy = round(p["x"] / G), round(p["y"] / G)
            spots = sorted(
                ((math.hypot(dx, dy), dx, dy) for dx in range(-14, 15) for dy in range(-14, 15)),
                key=lambda s: s[0],
            )
            for _, dx, dy in spots:
                x, y = cx + dx, cy + dy
                if not (0 <= x < self.nx and 0 <= y < self.ny):
                    continue
                clear = all(self.own[VIA, m, y, x] in (-1, net) for m in (0, 1))
                clear = clear and not self.occupied[VIA, :, y, x].any()
                steps = max(abs(dx), abs(dy), 1)
                for i in range(steps + 1):
                    tx, ty = cx + round(dx * i / steps), cy + round(dy * i / steps)
                    clear = clear and self.own[SIGNAL, 0, ty, tx] in (-1, net)
                    clear = clear and self.occupied[SIGNAL, 0, ty, tx] == 0
                if clear:
                    cells = [(cx + round(dx * i / steps), cy + round(dy * i / steps))
                             for i in range(steps + 1)]  # fmt: skip
                    where = np.array(cells, np.int64)
                    for kind in range(4):
                        _stamp(self.occupied, where, np.zeros(len(where), np.int64),
                               self.discs[SIGNAL, kind], kind, 1)  # fmt: skip
                        for layer in (0, 1):
                            _stamp(self.occupied, where[-1:], np.array([layer], np.int64),
                                   self.discs[VIA, kind], kind, 1)  # fmt: skip
                    found.append((p, x * G, y * G))
                    break
            else:
                lost.append(f"{p['reference']} {p['number']}")
        # what is kept for good is as solid as a pad
        solid = self.occupied > 0
        self.own[solid] = np.where((self.own[solid] == -1) | (self.own[solid] == net), net, -2)
        self.occupied[:] = 0
        return found, lost

    def run(self):
        """All nets until none is in conflict; the routes as data."""
        began, price, dirty = time.time(), 0.5, self.todo
        for turn in range(80):
            for net in dirty:
                self.route(net, price)
            bad = {n: c for n in self.todo if (c := self.conflicts(n))}
            failed = {n: c for n, c in self.failed.items() if c}
            print(turn, "in conflict", len(bad), sum(bad.values()), "failed", failed,
                  round(time.time() - began, 1), "s", flush=True)  # fmt: skip
            if not bad:
                break
            dirty, price = list(bad), min(price * 1.4, 40)
        out = [self._segments(net) for net in self.todo]
        out.append({
            "net": "gnd",
            "segments": [(0, p["x"], p["y"], x, y) for p, x, y in self.grounds],
            "vias": [(x, y) for _, x, y in self.grounds],
        })  # fmt: skip
        return out

    def _segments(self, net):
        segments, vias = [], set()
        for path in self.paths[net]:
            points = [(a // self.n, (a % self.n) % self.nx, (a % self.n) // self.nx) for a in path]
            vias |= {a[1:] for a, b in itertools.pairwise(points) if a[0] != b[0]}
            i = 0
            while i < len(points) - 1:
                a, b = points[i], points[i + 1]
                if a[0] != b[0]:
                    i += 1
                    continue
                step, j = (b[1] - a[1], b[2] - a[2]), i + 1
                while j < len(points) - 1:
                    c, d = points[j], points[j + 1]
                    if d[0] != a[0] or (d[1] - c[1], d[2] - c[2]) != step:
                        break
                    j += 1
                e = points[j]
                segments.append((a[0], a[1] * G, a[2] * G, e[1] * G, e[2] * G))
                i = j
            for layer, x, y in (points[0], points[-1]):  # into the middle of the pad
                for p in self.pins[net]:
                    dx, dy = abs(x * G - p["x"]), abs(y * G - p["y"])
                    inside = dx < p["w"] / 2 and dy < p["h"] / 2
                    if inside and max(dx, dy) > 0.01 and not (p["front_only"] and layer):
                        segments.append((layer, x * G, y * G, p["x"], p["y"]))
        segments = _pruned(segments, vias, self.pins[net])
        through = [p for p in self.pins[net] if not p["front_only"]]
        spots = [(x * G, y * G) for x, y in sorted(vias)]
        spots = [  # a via inside an own through-hole pad is none
            (x, y)
            for x, y in spots
            if not any(
                abs(x - p["x"]) < p["w"] / 2 and abs(y - p["y"]) < p["h"] / 2 for p in through
            )
        ]
        return {"net": net, "segments": segments, "vias": spots}


def _pruned(segments, vias, pins):
    """Without short ends that lead nowhere (a path that began within a pad)."""

    def held(x, y, layer, own):
        if any(abs(x - vx * G) < 1e-6 and abs(y - vy * G) < 1e-6 for vx, vy in vias):
            return True
        if any(abs(x - p["x"]) < 1e-6 and abs(y - p["y"]) < 1e-6 for p in pins):
            return True
        for s in segments:
            if s is own or s[0] != layer:
                continue
            dx, dy = s[3] - s[1], s[4] - s[2]
            long = math.hypot(dx, dy)
            along = ((x - s[1]) * dx + (y - s[2]) * dy) / long if long else 0.0
            away = abs((x - s[1]) * dy - (y - s[2]) * dx) / long if long else 1.0
            if away < 1e-6 and -1e-6 <= along <= long + 1e-6:
                return True
        return False

    while True:
        loose = [
            s
            for s in segments
            if math.hypot(s[3] - s[1], s[4] - s[2]) < 0.5
            and not (held(s[1], s[2], s[0], s) and held(s[3], s[4], s[0], s))
        ]
        if not loose:
            return segments
        segments.remove(loose[0])


def main():
    """Write FOLDER/routes.json; exit code 1 where a net is not routed."""
    folder = Path(sys.argv[1])
    router = Router(board_data(folder))
    out = router.run()
    (folder / "routes.json").write_text(json.dumps(out))
    print("segments", sum(len(o["segments"]) for o in out), "vias",
          sum(len(o["vias"]) for o in out))  # fmt: skip
    return 1 if any(router.failed.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
