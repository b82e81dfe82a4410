"""Pictures of both sides from the files of order.zip: hardware/board/front.svg, back.svg.

python hardware/layout/picture.py             write them
python hardware/layout/picture.py --check     exit code 1 where one is not up to date
"""

from __future__ import annotations

import sys
import zipfile
from collections.abc import Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import gerber
import parts
import rules

BOARD = parts.FOLDER / "board"
SIDES = {"front": "F", "back": "B"}
MASK, COPPER, PAD, SILK, HOLE = "#0f5132", "#1d7a4d", "#d9b45b", "#ffffff", "#202020"


def _n(value: float) -> int:
    """Hundredths of a millimetre."""
    return round(value * 100)


def _path(points: Iterable[gerber.Point], close: bool) -> str:
    out, last = [], None
    for x, y in points:
        here = (_n(x), _n(y))
        if last is None:
            out.append(f"M{here[0]} {here[1]}l")
        elif here != last:
            out.append(f"{here[0] - last[0]} {here[1] - last[1]} ")
        last = here
    return "".join(out).rstrip().replace(" -", "-") + ("z" if close else "")


def _flash(x: float, y: float, a: gerber.Aperture, grow: float = 0.0) -> str:
    if a.kind == "C":
        return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(a.sizes[0] / 2 + grow)}"/>'
    if a.kind == "RoundRect":
        xs, ys, r = a.sizes[1::2], a.sizes[2::2], a.sizes[0]
        left, top, w, h = (
            min(xs) - r,
            -max(ys) - r,
            max(xs) - min(xs) + 2 * r,
            max(ys) - min(ys) + 2 * r,
        )
    else:
        w, h = a.sizes[0], a.sizes[1]
        left, top, r = -w / 2, -h / 2, min(w, h) / 2 if a.kind == "O" else 0.0
    size = f'width="{_n(w)}" height="{_n(h)}"'
    return f'<rect x="{_n(x + left)}" y="{_n(y + top)}" {size} rx="{_n(r)}"/>'


def _layer(image: gerber.Image, color: str) -> str:
    body = [f'<path d="{_path(r, True)}"/>' for r in image.regions]
    body += [_flash(*f) for f in image.flashes]
    widths: dict[float, list[str]] = {}
    for points, width in image.lines:
        widths.setdefault(width, []).append(_path(points, False))
    for width, paths in widths.items():
        body.append(
            f'<path d="{"".join(paths)}" fill="none" stroke="{color}" stroke-width="{_n(width)}"/>'
        )
    return f'<g fill="{color}" stroke-linecap="round" stroke-linejoin="round">{"".join(body)}</g>'


def svg(files: dict[str, str], side: str) -> str:
    """One side of the board; the back as it looks from behind."""
    letter = SIDES[side]

    def image(layer: str) -> gerber.Image:
        return gerber.read(files[f"{rules.NAME}-{layer}.gbr"])

    holes = [
        h for kind in ("PTH", "NPTH") for h in gerber.drills(files[f"{rules.NAME}-{kind}.drl"])
    ]
    wide, high = _n(rules.W), _n(rules.H)
    turn = f' transform="translate({wide} 0) scale(-1 1)"' if letter == "B" else ""
    dots = "".join(f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(d / 2)}"/>' for x, y, d in holes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-100 -100 {wide + 200} {high + 200}" '
        f'width="960"><title>sparkwitness, printed board, {side}</title><g{turn}>'
        f'<rect width="{wide}" height="{high}" fill="{MASK}"/>'
        + _layer(image(f"{letter}_Cu"), COPPER)
        + _layer(image(f"{letter}_Mask"), PAD)
        + _layer(image(f"{letter}_Silkscreen"), SILK)
        + f'<g fill="{HOLE}">{dots}</g></g></svg>\n'
    )


def pictures() -> dict[str, str]:
    """{file name: text} from the kept zip."""
    with zipfile.ZipFile(BOARD / "order.zip") as archive:
        files = {n: archive.read(n).decode("utf-8") for n in archive.namelist()}
    return {f"{side}.svg": svg(files, side) for side in SIDES}


def main() -> int:
    """Write or check."""
    files = ((BOARD / name, text, f"board/{name}") for name, text in pictures().items())
    return parts.generated(__doc__, files)


if __name__ == "__main__":
    sys.exit(main())
