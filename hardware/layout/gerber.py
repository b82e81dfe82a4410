"""Gerber and Excellon as KiCad 6 writes them, read apart from KiCad: what a maker of boards will
see.

After the Gerber Layer Format Specification (Ucamco), from memory, as far as the files use it: C,
R, O and rounded-rectangle apertures, flashes, lines, arcs, regions. mm from the board's top left
corner, y down.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

LAYERS = (
    "F_Cu",
    "B_Cu",
    "F_Mask",
    "B_Mask",
    "F_Silkscreen",
    "B_Silkscreen",
    "F_Paste",
    "Edge_Cuts",
)
OX, OY = 20.0, 20.0
Point = tuple[float, float]


@dataclass(frozen=True)
class Aperture:
    """kind: C (diameter), R or O (width, height), RoundRect (radius, then the corners' x, y)."""

    kind: str
    sizes: tuple[float, ...]


@dataclass
class Image:
    """What one Gerber file draws."""

    flashes: list[tuple[float, float, Aperture]] = field(default_factory=list)
    lines: list[tuple[list[Point], float]] = field(default_factory=list)  # points, width
    regions: list[list[Point]] = field(default_factory=list)


def _arc(a: Point, b: Point, centre: Point, clockwise: bool) -> list[Point]:
    """Points from a to b round a centre, in steps of 6 degrees at most (y up)."""
    radius = math.hypot(a[0] - centre[0], a[1] - centre[1])
    start = math.atan2(a[1] - centre[1], a[0] - centre[0])
    turn = math.atan2(b[1] - centre[1], b[0] - centre[0]) - start
    if clockwise:
        turn -= math.ceil(turn / math.tau) * math.tau if turn > 0 else 0
        turn = turn or -math.tau
    else:
        turn += math.ceil(-turn / math.tau) * math.tau if turn < 0 else 0
        turn = turn or math.tau
    n = max(2, math.ceil(abs(turn) / math.radians(6)))
    return [
        (centre[0] + radius * math.cos(start + turn * i / n),
         centre[1] + radius * math.sin(start + turn * i / n))
        for i in range(1, n + 1)
    ]  # fmt: skip


def read(text: str) -> Image:
    """One Gerber file.

    Raises:
        ValueError: something that this reader does not know, rather than a picture without it.
    """
    image, apertures = Image(), {}
    now: Aperture | None = None
    at: Point = (0.0, 0.0)
    mode, region = "01", None
    for command in re.findall(r"%[^%]*%|[^*%]+\*", text):
        command = command.strip().strip("%").strip()
        body = command.rstrip("*").strip()
        if body.startswith(
            ("G04", "TF", "TA", "TD", "TO", "AM", "MOMM", "LPD", "G75", "M02", "G90")
        ):
            continue
        if body.startswith("FS"):
            if body != "FSLAX46Y46":
                raise ValueError(f"Gerber: format {body} is not read")
            continue
        if body.startswith("AD"):
            number, kind, sizes = re.fullmatch(r"ADD(\d+)(\w+),?(.*)", body).groups()  # type: ignore[union-attr]
            if kind not in ("C", "R", "O", "RoundRect"):
                raise ValueError(f"Gerber: aperture {kind} is not read")
            apertures[number] = Aperture(kind, tuple(float(s) for s in sizes.split("X")))
            continue
        if body in ("G36", "G37"):
            if body == "G37" and region:
                image.regions.append(region)
            region = [] if body == "G36" else None
            continue
        if match := re.fullmatch(r"(?:G54)?D(\d\d+)", body):
            now = apertures[match[1]]
            continue
        if match := re.fullmatch(r"G0([123])", body):
            mode = f"0{match[1]}"
            continue
        match = re.fullmatch(
            r"(?:G(0[123]))?(?:X(-?\d+))?(?:Y(-?\d+))?(?:I(-?\d+))?(?:J(-?\d+))?D0([123])", body
        )
        if not match:
            raise ValueError(f"Gerber: {body[:40]!r} is not read")
        mode = match[1] or mode
        to = (
            int(match[2]) / 1e6 if match[2] else at[0],
            int(match[3]) / 1e6 if match[3] else at[1],
        )
        points = [to]
        if mode != "01" and match[6] == "1":
            centre = (at[0] + int(match[4] or 0) / 1e6, at[1] + int(match[5] or 0) / 1e6)
            points = _arc(at, to, centre, mode == "02")
        if match[6] == "2":
            if region:
                image.regions.append(region)
            if region is not None:
                region = [_here(to)]
        elif match[6] == "1" and region is not None:
            region += [_here(p) for p in points]
        elif match[6] == "1":
            image.lines.append(([_here(at), *map(_here, points)], now.sizes[0] if now else 0.0))
        elif now:
            image.flashes.append((*_here(to), now))
        at = to
    return image


def _here(p: Point) -> Point:
    return p[0] - OX, -p[1] - OY


def drills(text: str) -> list[tuple[float, float, float]]:
    """Holes of one Excellon file: x, y, diameter."""
    if "METRIC" not in text:
        raise ValueError("Excellon: only metric files are read")
    sizes = dict(re.findall(r"(?m)^T(\d+)C([\d.]+)$", text))
    found, size = [], 0.0
    for line in text.splitlines():
        if match := re.fullmatch(r"T(\d+)", line):
            size = float(sizes.get(match[1], 0))
        elif match := re.fullmatch(r"X(-?[\d.]+)Y(-?[\d.]+)", line):
            found.append((*_here((float(match[1]), float(match[2]))), size))
    return found
