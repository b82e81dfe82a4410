"""What place.py and route.py found -> layout.json, the source of `make board`.

python hardware/layout/keep.py FOLDER        place.json, routes.json of FOLDER
"""

import itertools
import json
import sys
from pathlib import Path


def split(segments):
    """Segments cut where another ends on them: KiCad takes a branch off a slope for loose."""
    ends = {(s[0], *p) for s in segments for p in ((s[1], s[2]), (s[3], s[4]))}
    out = []
    for layer, x1, y1, x2, y2 in segments:
        dx, dy = x2 - x1, y2 - y1
        on = []
        for other, x, y in ends:
            along = ((x - x1) * dx + (y - y1) * dy) / max(dx * dx + dy * dy, 1e-12)
            away = abs((x - x1) * dy - (y - y1) * dx)
            if other == layer and dx and dy and 1e-6 < along < 1 - 1e-6 and away < 1e-6:
                on.append((along, x, y))
        points = [(x1, y1), *((x, y) for _, x, y in sorted(on)), (x2, y2)]
        out += [[layer, *a, *b] for a, b in itertools.pairwise(points)]
    return out


def main() -> None:
    """Write layout.json: one line per part and per net."""
    folder = Path(sys.argv[1])
    places = json.loads((folder / "place.json").read_text())
    routes = json.loads((folder / "routes.json").read_text())

    def short(value):
        return json.loads(json.dumps(value), parse_float=lambda s: round(float(s), 3))

    for route in routes:
        route["segments"] = split(short(route["segments"]))
    lines = [f' "{r}": {json.dumps(short(at))}' for r, at in sorted(places.items())]
    nets = [" " + json.dumps(short(route), separators=(",", ":")) for route in routes]
    text = (
        '{"places": {\n' + ",\n".join(lines) + '\n},\n"routes": [\n' + ",\n".join(nets) + "\n]}\n"
    )
    (Path(__file__).parent / "layout.json").write_text(text)


if __name__ == "__main__":
    main()
