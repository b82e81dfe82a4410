"""Placement: connectors and the two dangerous corners by hand, the rest by simulated annealing.

    python hardware/layout/place.py FOLDER       geometry.json -> place.json (needs numba)

Cost: weighted half-perimeter of the nets, short ones where it matters (comparators' inputs, what
rules.CLOSE wants close), distance from the block's ground, and overlap of courtyards, which must
end at nothing. Boards are tried, seed after seed, until one has no overlap and all that is to be
close.
"""

import json
import sys
from pathlib import Path

import numpy as np
import rules
from hand import FIXED, KEEP_OUT, REGIONS
from numba import njit
from rules import HOLES, H, W

MARGIN, WIDE_MARGIN = 0.2, 0.9


def turned(point: tuple[float, float], angle: int) -> tuple[float, float]:
    """Counter-clockwise as seen, y down, as KiCad turns."""
    x, y = point
    for _ in range(angle // 90 % 4):
        x, y = y, -x
    return x, y


HEAVY = {
    3.0: ("ca_hold", "cb_hold", "ca_p", "ca_n", "cb_p", "cb_n", "vr_j", "vr_k", "ca_in", "cb_in"),
    1.5: ("cta_1", "cta_2", "ctb_1", "ctb_2", "ca_m", "cb_m", "cl_p", "tl_p", "pt_p", "pt_x"),
    0.4: ("v33",), 0.25: ("v5", "lead"), 0.0: ("gnd",),
}  # fmt: skip


@njit(cache=True)
def _span(members, start, n, pads, pos, rot):
    x0 = y0 = 1e9
    x1 = y1 = -1e9
    for i in range(start[n], start[n + 1]):
        p, q = members[i, 0], members[i, 1]
        x = pos[p, 0] + pads[q, rot[p], 0]
        y = pos[p, 1] + pads[q, rot[p], 1]
        x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
    return x1 - x0 + y1 - y0


@njit(cache=True)
def _overlap(r, box, pos, rot, keep, wide, high):
    a0 = pos[r, 0] + box[r, rot[r], 0]
    b0 = pos[r, 1] + box[r, rot[r], 1]
    a1 = pos[r, 0] + box[r, rot[r], 2]
    b1 = pos[r, 1] + box[r, rot[r], 3]
    s = 0.0
    for o in range(len(pos)):
        if o == r:
            continue
        c0 = pos[o, 0] + box[o, rot[o], 0]
        d0 = pos[o, 1] + box[o, rot[o], 1]
        c1 = pos[o, 0] + box[o, rot[o], 2]
        d1 = pos[o, 1] + box[o, rot[o], 3]
        if a0 < c1 and c0 < a1 and b0 < d1 and d0 < b1:
            s += (min(a1, c1) - max(a0, c0)) * (min(b1, d1) - max(b0, d0)) + 0.5
    for k in range(len(keep)):
        if a0 < keep[k, 2] and keep[k, 0] < a1 and b0 < keep[k, 3] and keep[k, 1] < b1:
            s += (min(a1, keep[k, 2]) - max(a0, keep[k, 0])) * (
                min(b1, keep[k, 3]) - max(b0, keep[k, 1])
            ) + 0.5
    out = max(0, 1 - a0) + max(0, 1 - b0) + max(0, a1 - wide + 1) + max(0, b1 - high + 1)
    return s + 20 * out


@njit(cache=True)
def _away(r, box, pos, rot, region):
    """How far a part lies outside its block's ground, mm."""
    a = pos[r, 0] + box[r, rot[r], 0]
    b = pos[r, 1] + box[r, rot[r], 1]
    c = pos[r, 0] + box[r, rot[r], 2]
    d = pos[r, 1] + box[r, rot[r], 3]
    return (
        max(0.0, region[r, 0] - a)
        + max(0.0, region[r, 1] - b)
        + max(0.0, c - region[r, 2])
        + max(0.0, d - region[r, 3])
    )


@njit(cache=True)
def _anneal(free, pos, rot, box, pads, members, start, weight, of, of_start, keep, region, wide,
    high,
            moves, seed):  # fmt: skip
    np.random.seed(seed)
    length = np.zeros(len(weight))
    for n in range(len(weight)):
        length[n] = weight[n] * _span(members, start, n, pads, pos, rot)
    for k in range(moves):
        f = k / moves
        hot = 60.0 * (0.2 / 60.0) ** f
        lam = 0.5 + 14 * f**1.5 + (80 * (f - 0.5) if f > 0.5 else 0.0)
        window = max(1.5, 70 * (1 - f) ** 1.5)
        r = free[np.random.randint(len(free))]
        x, y, t = pos[r, 0], pos[r, 1], rot[r]
        before = _overlap(r, box, pos, rot, keep, wide, high)
        away = _away(r, box, pos, rot, region)
        s = -1
        u = np.random.random()
        if u < 0.12:
            s = free[np.random.randint(len(free))]
            if s == r:
                continue
            before += _overlap(s, box, pos, rot, keep, wide, high)
            away += _away(s, box, pos, rot, region)
            xs, ys = pos[s, 0], pos[s, 1]
            pos[r, 0], pos[r, 1], pos[s, 0], pos[s, 1] = xs, ys, x, y
        elif u < 0.3:
            cx = x + (box[r, t, 0] + box[r, t, 2]) / 2
            cy = y + (box[r, t, 1] + box[r, t, 3]) / 2
            rot[r] = np.random.randint(4)
            pos[r, 0] = cx - (box[r, rot[r], 0] + box[r, rot[r], 2]) / 2
            pos[r, 1] = cy - (box[r, rot[r], 1] + box[r, rot[r], 3]) / 2
        else:
            pos[r, 0] += np.random.uniform(-window, window)
            pos[r, 1] += np.random.uniform(-window, window)
        pos[r, 0] = round(pos[r, 0] / 0.2) * 0.2
        pos[r, 1] = round(pos[r, 1] / 0.2) * 0.2
        after = _overlap(r, box, pos, rot, keep, wide, high)
        change = 2.0 * (_away(r, box, pos, rot, region) - away)
        if s >= 0:
            change += 2.0 * _away(s, box, pos, rot, region)
        for i in range(of_start[r], of_start[r + 1]):
            change += weight[of[i]] * _span(members, start, of[i], pads, pos, rot) - length[of[i]]
        if s >= 0:
            after += _overlap(s, box, pos, rot, keep, wide, high)
            for i in range(of_start[s], of_start[s + 1]):
                n = of[i]
                shared = False
                for j in range(of_start[r], of_start[r + 1]):
                    shared = shared or of[j] == n
                if not shared:
                    change += weight[n] * _span(members, start, n, pads, pos, rot) - length[n]
        change += lam * (after - before)
        if change < 0 or np.random.random() < np.exp(-change / hot):
            for who in (r, s):
                if who >= 0:
                    for i in range(of_start[who], of_start[who + 1]):
                        n = of[i]
                        length[n] = weight[n] * _span(members, start, n, pads, pos, rot)
        else:
            pos[r, 0], pos[r, 1], rot[r] = x, y, t
            if s >= 0:
                pos[s, 0], pos[s, 1] = xs, ys
    return length.sum()


@njit(cache=True)
def _settle(r, pos, rot, box, keep, wide, high):
    """Move an overlapping part to the nearest free place."""
    x, y, t = pos[r, 0], pos[r, 1], rot[r]
    cx = x + (box[r, t, 0] + box[r, t, 2]) / 2
    cy = y + (box[r, t, 1] + box[r, t, 3]) / 2
    least = 1e9
    for k in range(4):
        rot[r] = k
        for i in range(-200, 201):
            for j in range(-200, 201):
                far = np.hypot(i, j) + (3.0 if k % 2 != t % 2 else 0.0)
                if far >= least:
                    continue
                pos[r, 0] = round((cx + 0.2 * i - (box[r, k, 0] + box[r, k, 2]) / 2) / 0.2) * 0.2
                pos[r, 1] = round((cy + 0.2 * j - (box[r, k, 1] + box[r, k, 3]) / 2) / 0.2) * 0.2
                if _overlap(r, box, pos, rot, keep, wide, high) < 1e-6:
                    least, x, y, t = far, pos[r, 0], pos[r, 1], k
    pos[r, 0], pos[r, 1], rot[r] = x, y, t
    return least


def main() -> None:
    """Write FOLDER/place.json."""
    folder = Path(sys.argv[1])
    moves = int(sys.argv[2]) if len(sys.argv) > 2 else 5_000_000
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 24
    data = json.loads((folder / "geometry.json").read_text())
    names = list(data)
    index = {r: i for i, r in enumerate(names)}
    box = np.zeros((len(names), 4, 4))
    flat_pads, pad_at = [], {}
    for r, g in data.items():
        for k in range(4):
            a, b = turned(g["box"][:2], 90 * k), turned(g["box"][2:], 90 * k)
            # round parts that carry a class with a distance of its own: tracks and pads keep it
            wide = r not in FIXED and any(rules.class_of(n) == "inputs" for n in g["nets"].values())
            margin = WIDE_MARGIN if wide else MARGIN
            low, top = np.minimum(a, b) - margin, np.maximum(a, b) + margin
            box[index[r], k] = [*low, *top]
        for number, pad in g["pads"].items():
            pad_at[r, number] = len(flat_pads)
            flat_pads.append([turned(pad[:2], 90 * k) for k in range(4)])
    flat = np.array(flat_pads)
    nets: dict[str, list[tuple[str, str]]] = {}
    for r, g in data.items():
        for number, net in g["nets"].items():
            nets.setdefault(net, []).append((r, number))
    weights = dict.fromkeys(nets, 1.0)
    for value, who in HEAVY.items():
        weights |= dict.fromkeys(who, value)
    for k, (a, i, b, j, most, _) in enumerate(rules.CLOSE):
        nets[f"_{k}"] = [(a, i), (b, j)]
        weights[f"_{k}"] = 36.0 / most
    use = [n for n in nets if weights[n] > 0 and len(nets[n]) > 1]
    members, start = [], [0]
    of_list: list[list[int]] = [[] for _ in names]
    for k, n in enumerate(use):
        for r, number in nets[n]:
            members.append((index[r], pad_at[r, number]))
            if k not in of_list[index[r]]:
                of_list[index[r]].append(k)
        start.append(len(members))
    of = [n for row in of_list for n in row]
    of_start = np.concatenate(([0], np.cumsum([len(row) for row in of_list])))
    region = np.array([REGIONS.get(data[r]["block"], (0, 0, W, H)) for r in names], float)
    free = np.array([index[r] for r in names if r not in FIXED])
    holes = [(x - 4, y - 4, x + 4, y + 4) for x, y in HOLES]
    keep = np.array([*KEEP_OUT, *holes], float)
    for seed in range(first, first + 40):
        rng = np.random.default_rng(seed)
        pos = np.column_stack(
            (rng.uniform(64, W - 20, len(names)), rng.uniform(30, H - 20, len(names)))
        )
        rot = np.zeros(len(names), np.int64)
        for r, (number, x, y, angle) in FIXED.items():
            dx, dy = turned(data[r]["pads"][number][:2], angle)
            pos[index[r]], rot[index[r]] = (x - dx, y - dy), angle // 90
        total = _anneal(free, pos, rot, box, flat, np.array(members), np.array(start),
                        np.array([weights[n] for n in use]), np.array(of), of_start, keep, region,
                        W, H, moves, seed)  # fmt: skip
        for r in sorted(
            free, key=lambda r: (box[r, 0, 2] - box[r, 0, 0]) * (box[r, 0, 3] - box[r, 0, 1])
        ):
            if _overlap(r, box, pos, rot, keep, W, H) > 1e-6:
                print("settled", names[r], "by", 0.2 * _settle(r, pos, rot, box, keep, W, H), "mm")
        bad = [names[r] for r in free if _overlap(r, box, pos, rot, keep, W, H) > 1e-6]

        def spot(r: str, number: str, pos=pos, rot=rot):
            return pos[index[r]] + flat[pad_at[r, number], rot[index[r]]]

        far = [
            f"{a} {i} to {b} {j} {d:.1f}"
            for a, i, b, j, most, _ in rules.CLOSE
            if (d := float(np.hypot(*(spot(a, i) - spot(b, j))))) > most
        ]
        print("seed", seed, "length", round(total), "overlapping", bad, "far", far, flush=True)
        if not bad and not far:
            break
    else:
        raise SystemExit("no placement found")
    places = {r: [round(float(pos[i, 0]), 3), round(float(pos[i, 1]), 3), int(rot[i]) * 90]
              for r, i in index.items()}  # fmt: skip
    (folder / "place.json").write_text(json.dumps(places, indent=0))


if __name__ == "__main__":
    main()
