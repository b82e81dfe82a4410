"""What the meter's display shows, drawn by the firmware's own code: the guide's pictures.

python tests/meter_pictures.py --write   makes hardware/pictures/*.svg anew
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from firmware_board import run_script
from meter_rig import FAKES, NAMES

FOLDER = Path(__file__).resolve().parent.parent / "hardware" / "pictures"
WIDTH, HEIGHT = 128, 64

# What a picture is drawn from: names of Meter, of its settings, and of its menu.
NUMBER = {"timed": True, "timing": 123, "within": 4, "rpm": 1520, "sparks": 30, "events": 19}
SCENES: dict[str, dict[str, object]] = {
    "new": {"reason": "SET_WHEEL"},
    "error": {**NUMBER, "error": -17},
    "early": {**NUMBER, "timing": 213, "error": 73, "rpm": 812, "sparks": 10, "life": 1},
    "timing": {**NUMBER, "life": 2},
    "after": {**NUMBER, "timing": -45, "rpm": 9012, "life": 3},
    "far": {**NUMBER, "reason": "FAR", "error": 21, "within": 64},
    "varies": {**NUMBER, "reason": "VARIES", "figure": 16, "error": 21, "within": 11, "events": 12},
    "true": {**NUMBER, "reason": "TRUE", "error": -8, "within": 7},
    "lamp": {**NUMBER, "error": -17, "lamp": 12300},
    "wait": {"reason": "WAIT", "rpm": 1515},
    "crank": {"reason": "NO_CRANK"},
    "wheel": {"reason": "NOT_WHEEL"},
    "clamp": {"reason": "NO_SPARKS", "rpm": 1520},
    "together": {"reason": "ON_CRANK"},
    "lead": {"reason": "IMPLAUSIBLE", "figure": -1500, "rpm": 1520, "sparks": 30},
    "repeats": {"reason": "REPEATS", "figure": 100, "rpm": 1520, "sparks": 30},
    "list": {"menu.mode": 1, "menu.item": 0, "values.teeth": 36, "values.missing": 1},
    "change": {"menu.mode": 2, "menu.item": 3, "values.reference_mdeg": 114500, "known": True,
               "raw": 123},
    "kept": {"menu.mode": 1, "menu.item": 3, "values.reference_mdeg": -5500, "menu.said": 1},
    "commanded": {"menu.mode": 1, "menu.item": 4, "menu.said": 3},
}  # fmt: skip

DRAW = (
    FAKES
    + """
from picture import Picture
import binascii
scenes = json.loads(sys.stdin.read())
for scene in scenes:
    meter = Meter(Board(), panel.find())
    for name, value in scene:
        if name.startswith("values."):
            meter.values[name[7:]] = value
        elif name.startswith("menu."):
            setattr(meter.menu, name[5:], value)
        else:
            setattr(meter, name, value)
    picture = Picture()
    picture.draw(meter)
    print(binascii.hexlify(picture.dots).decode())
"""
)


def draw(scenes: list[dict[str, object]]) -> list[list[str]]:
    """Rows of '#' and blanks, as the firmware draws them."""
    plain = []
    for scene in scenes:
        reason = NAMES.index(str(scene.get("reason", "")))
        plain.append([*scene.items(), ("reason", reason)])
    said = run_script(DRAW, stdin=json.dumps(plain).encode())
    return [rows(bytes.fromhex(line.decode())) for line in said.split()]


def rows(dots: bytes, stride: int = WIDTH, first: int = 0) -> list[str]:
    """A display's memory as text: pages of eight rows, lowest bit on top."""
    return [
        "".join("#" if dots[(y >> 3) * stride + first + x] >> (y & 7) & 1 else " "
                for x in range(WIDTH))
        for y in range(HEIGHT)
    ]  # fmt: skip


def svg(picture: list[str]) -> str:
    """A picture with square dots, light on dark, as the display is seen."""
    runs = []
    for y, row in enumerate(picture):
        x = 0
        while x < len(row):
            end = x
            while end < len(row) and row[end] == "#":
                end += 1
            if end > x:
                runs.append(f"M{x + 4} {y + 4}h{end - x}v1h-{end - x}z")
            x = end + 1
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{4 * (WIDTH + 8)}" '
        f'height="{4 * (HEIGHT + 8)}" viewBox="0 0 {WIDTH + 8} {HEIGHT + 8}">\n'
        f'<rect width="{WIDTH + 8}" height="{HEIGHT + 8}" rx="3" fill="#101418"/>\n'
        f'<path fill="#d8f0ff" shape-rendering="crispEdges" d="{"".join(runs)}"/>\n</svg>\n'
    )


def files() -> dict[str, str]:
    """Name and text of every kept picture."""
    pictures = draw(list(SCENES.values()))
    return {f"{name}.svg": svg(one) for name, one in zip(SCENES, pictures, strict=True)}


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("usage: meter_pictures.py --write")
    FOLDER.mkdir(exist_ok=True)
    for name, text in files().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
