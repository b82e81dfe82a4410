"""The kept board against board.net, its rules and what is sent away: without KiCad.

    python hardware/layout/verify.py [FOLDER]      exit code 1, and a sentence for each thing that
    is wrong

FOLDER: hardware/board or a copy. `make hardware` runs it through check.py.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import math
import re
import sys
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import footprints
import gerber
import hand
import kept
import numpy as np
import parts
import project
import rules
import sheets

BOARD = parts.FOLDER / "board"
NUT = 3.2  # radius of an M3 nut's corners, mm
# Silk words that must be on the front: what the connectors are, which side is dangerous.
WORDS = ("DANGER 400 V", "POINTS, COIL NEG", "ISOLATED TAP", "SUPPLY SENSE", "TRIGGER", "CRANK",
         "VR", "CLAMP A", "CLAMP B", "BENCH TRIGGER", "BENCH CRANK", "LAMP", "USB",
         "module off first", "2 engine block:", "ground lead")  # fmt: skip


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def net_list(board: kept.Board) -> list[str]:
    """Parts, footprints and pads against bom.csv and board.net."""
    wrong = []
    entries = footprints.load()
    here = {r: f for r, f in board.parts.items() if not re.fullmatch(r"H\d+", r)}
    wrong += [f"{r} is missing on the printed board." for r in entries if r not in here]
    wrong += [
        f"{r} is on the printed board, but not in board.net." for r in here if r not in entries
    ]
    for reference, entry in entries.items():
        if reference not in here:
            continue
        part = here[reference]
        fp = entry["footprint"]
        name = f"{fp[0]}:{fp[1]}" if fp else f"{rules.NAME}:Pico_2x20_sockets"  # type: ignore[index]
        if part.library != name:
            wrong.append(f"{reference} has the footprint {part.library}, not {name}.")
        nets: dict[str, str] = entry["pads"]  # type: ignore[assignment]
        for number, (_, _, net) in part.pads.items():
            want = nets.get(number.rstrip("+"), "")
            if net != want:
                wrong.append(
                    f"{reference} pad {number} is {net or 'free'}, board.net has {want or 'none'}."
                )
        wrong += [f"{reference} has no pad {n}." for n in nets if n not in part.pads]
    holes = [r for r in board.parts if r not in here]
    if len(holes) != len(rules.HOLES):
        wrong.append(f"{len(holes)} mounting holes, not {len(rules.HOLES)}.")
    return wrong


def connections(board: kept.Board) -> list[str]:
    """Copper that touches is one net, and each net is one piece."""
    wrong = []
    pieces: dict[str, int] = {}
    for group in kept.islands(board.copper):
        nets = sorted({board.copper[i].net for i in group})
        if len(nets) > 1:
            at = {
                n: next(board.copper[i].what for i in group if board.copper[i].net == n)
                for n in nets
            }
            wrong.append("Short: " + ", ".join(f"{n or 'no net'} ({at[n]})" for n in nets) + ".")
        for net in nets:
            pieces[net] = pieces.get(net, 0) + 1
    wrong += [f"{net} is in {n} pieces." for net, n in pieces.items() if net and n > 1]
    return wrong


def distances(board: kept.Board) -> list[str]:
    """Distances between nets, of copper to the edge; widths and drills."""
    wrong: dict[tuple[str, str], tuple[float, str]] = {}
    gaps = np.array([_gap(c.net) for c in board.copper])
    for near in sorted({rules.CLEAR, *(entry[1] for entry in rules.CLASSES.values())}):
        for i, j in kept.pairs(board.copper, near, None if near == rules.CLEAR else gaps == near):
            _judge(wrong, board.copper[i], board.copper[j], near)
    found = [text for _, text in wrong.values()]
    width, high = board.size
    if (width, high) != (rules.W, rules.H):
        found.append(f"The board is {width:g} by {high:g} mm, not {rules.W:g} by {rules.H:g}.")
    for c in board.copper:
        edge = min(*c.low, *(np_size - v for np_size, v in zip(board.size, c.high, strict=True)))
        if edge < rules.EDGE - 1e-3:
            found.append(f"{c.what}, {c.net}: {edge:.2f} mm from the edge, least {rules.EDGE:g}.")
    for net, wide in board.tracks:
        if wide < min(rules.width(net), rules.LEAST_TRACK) - 1e-6:
            found.append(f"A track of {net} is {wide:g} mm wide, least {rules.width(net):g}.")
    found += [f"A drill of {d:g} mm, least {rules.LEAST_DRILL:g}." for _, _, d, _ in board.holes
              if d < rules.LEAST_DRILL]  # fmt: skip
    return found


def _gap(net: str) -> float:
    name = rules.class_of(net)
    return rules.CLASSES[name][1] if name in rules.CLASSES else rules.CLEAR


def _judge(wrong: dict[tuple[str, str], tuple[float, str]], a: kept.Copper, b: kept.Copper,
           near: float) -> None:  # fmt: skip
    if a.net == b.net and a.net:
        return
    least = rules.distance(a.net, b.net)
    if least > near + 1e-9:
        return
    far = kept.distance(a, b, least)
    # KiCad draws its arcs within max_error of the true ones
    if far < least - project.MAX_ERROR:
        key = (a.net, b.net) if a.net < b.net else (b.net, a.net)
        text = (
            f"{a.net or 'no net'} ({a.what}) and {b.net or 'no net'} ({b.what}): {far:.2f} mm "
            f"apart, least {least:g} mm."
        )
        if key not in wrong or wrong[key][0] > far:
            wrong[key] = (far, text)


def placing(board: kept.Board) -> list[str]:
    """What must stand close together does; no two parts on one spot; the words are there."""
    wrong = []
    for a, i, b, j, most, why in rules.CLOSE:
        if a in board.parts and b in board.parts:
            one, other = board.parts[a].pads[i], board.parts[b].pads[j]
            far = math.hypot(one[0] - other[0], one[1] - other[1])
            if far > most:
                wrong.append(
                    f"{a} pad {i} is {far:.1f} mm from {b} pad {j}, most {most:g} ({why})."
                )
    boxes = [(r, p.box) for r, p in board.parts.items() if p.box]
    for k, (a, one) in enumerate(boxes):
        for b, two in boxes[k + 1 :]:
            if one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]:
                wrong.append(f"{a} and {b} stand on one spot.")
    return wrong


def silk(board: kept.Board) -> list[str]:
    """The front says what each part, jumper and connector is, no nut lies on a word, and no copper
    of the board's own side is beyond the isolated corner's line."""
    front = {text for layer, text in board.words if layer == "F.SilkS"}
    wanted = [*WORDS, *(words for _, _, words in hand.NOTES)]
    for reference, entry in footprints.load().items():
        name = entry["part"].value if reference.startswith("TP") else reference  # type: ignore[attr-defined]
        wanted.append(name)
    wrong = [f"The front does not say {word!r}." for word in dict.fromkeys(wanted)
             if word not in front]  # fmt: skip
    for text, x, y, size, angle in hand.LABELS:
        along, across = 0.38 * size * len(text), size / 2  # half of its length and height, seen
        w, h = (along, across) if angle == 0 else (across, along)
        for hx, hy in rules.HOLES:
            if math.hypot(max(abs(x - hx) - w, 0), max(abs(y - hy) - h, 0)) < NUT:
                wrong.append(f"The nut at {hx:g}, {hy:g} lies on {text!r}.")
    for points in hand.BORDERS[1:]:
        ends = np.array([[*a, *b] for a, b in itertools.pairwise(points)], float)
        line = kept.Copper("line", "", kept.BOTH, ends, 0.15)
        wrong += [f"{c.what}, {c.net}, crosses the isolated corner's line." for c in board.copper
                  if kept.distance(line, c, 0.0) == 0.0]  # fmt: skip
    return wrong


def schematic(folder: Path) -> list[str]:
    """The .kicad_sch files are those of the drawings."""
    texts = sheets.texts().items()
    return [w for name, text in texts for w in parts.stale(folder / name, text, f"board/{name}")]


def reports(folder: Path) -> list[str]:
    """KiCad's own checks are of the files as they are, and found nothing that is not explained."""
    wrong = []
    explained = (parts.FOLDER / "board.md").read_text(encoding="utf-8")
    for name, sources in (
        ("drc.txt", [f"{rules.NAME}.kicad_pcb"]),
        ("erc.txt", sorted(p.name for p in folder.glob("*.kicad_sch"))),
    ):
        text = (folder / name).read_text(encoding="utf-8") if (folder / name).exists() else ""
        for source in sources:
            if f"{source}, SHA-256 {digest(folder / source)}" not in text:
                wrong.append(f"board/{name} is not of {source} as it is: run `make board`.")
        for kind, severity in re.findall(r"(?m)^\[(\w+)\].*\n(?:.*\n)*?.*Severity: (\w+)", text):
            if severity == "error":
                wrong.append(f"board/{name} has an error: {kind}.")
            elif f"`{kind}`" not in explained:
                wrong.append(f"board/{name}: the warning {kind} is not explained in board.md.")
        clean = "Found 0 unconnected" if name == "drc.txt" else ", equal to board.net"
        if clean not in text:
            wrong.append(f"board/{name}: not all is connected as board.net has it.")
    for name, text in ((f"{rules.NAME}.kicad_pro", project.settings()),
                       (f"{rules.NAME}.kicad_dru", project.rule_file())):  # fmt: skip
        if (folder / name).read_text(encoding="utf-8") != text:
            wrong.append(f"board/{name} is not what rules.py says: run `make board`.")
    return wrong


def ordered(folder: Path, board: kept.Board) -> list[str]:
    """The zip against the board: every pad and via is flashed and drilled, every part listed."""
    wrong = []
    data = (folder / "order.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        files = {n: archive.read(n).decode("utf-8") for n in archive.namelist()}
    for layer in gerber.LAYERS:
        if f"{rules.NAME}-{layer}.gbr" not in files:
            wrong.append(f"order.zip has no {layer}.")
    if wrong:
        return wrong
    for layer, name in ((kept.FRONT, "F_Cu"), (kept.BACK, "B_Cu")):
        image = gerber.read(files[f"{rules.NAME}-{name}.gbr"])
        flashed = np.array([f[:2] for f in image.flashes])
        for c in board.copper:
            if layer in c.layers and not c.what.startswith(("track", "pour")):
                far = np.hypot(*(flashed - c.pieces.reshape(-1, 2).mean(0)).T).min()
                if far > 0.01:
                    wrong.append(f"order.zip, {name}: nothing at {c.what}.")
    drilled = [
        h for kind in ("PTH", "NPTH") for h in gerber.drills(files[f"{rules.NAME}-{kind}.drl"])
    ]
    have = sorted((round(x, 2), round(y, 2), d) for x, y, d in drilled)
    want = sorted((round(x, 2), round(y, 2), d) for x, y, d, _ in board.holes)
    if len(have) != len(want) or any(
        math.hypot(a[0] - b[0], a[1] - b[1]) > 0.02 or abs(a[2] - b[2]) > 1e-3
        for a, b in zip(have, want, strict=True)
    ):
        wrong.append("order.zip: the drill files are not the board's holes.")
    for variant in rules.VARIANTS:
        if files.get(f"parts-{variant}.csv") != footprints.parts_list(variant):
            wrong.append(f"order.zip: parts-{variant}.csv is not bom.csv's: run `make board`.")
        placed = re.findall(r"(?m)^([A-Z]+\d+),", files.get(f"positions-{variant}.csv", ""))
        surface = [r for r in footprints.fitted(variant) if footprints.surface(r)]
        if sorted(placed) != sorted(surface):
            wrong.append(
                f"order.zip: positions-{variant}.csv does not list the parts to be placed."
            )
    return wrong


def faults(folder: Path = BOARD) -> list[str]:
    """A sentence for each thing that is wrong; none: all is well."""
    try:
        board = kept.read(folder / f"{rules.NAME}.kicad_pcb")
    except (OSError, ValueError) as error:
        return [f"{error}."]
    return [
        *net_list(board), *connections(board), *distances(board), *placing(board), *silk(board),
        *schematic(folder), *reports(folder), *ordered(folder, board),
    ]  # fmt: skip


def main() -> int:
    """The command line."""
    wrong = faults(Path(sys.argv[1]) if len(sys.argv) > 1 else BOARD)
    for sentence in wrong:
        print(sentence, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
