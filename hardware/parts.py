"""The tables of both circuits, bom.csv and first-spark.csv (what each part is), board.net and
first-spark.net (where its pins go), and the SPICE library made from them.

    python hardware/parts.py            write spice/board.lib
    python hardware/parts.py --check    exit code 1 when spice/board.lib is not up to date
"""

from __future__ import annotations

import argparse
import csv
import functools
import json
import re
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
LIBRARY = FOLDER / "spice" / "board.lib"

_PREFIX = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "R": 1.0, "k": 1e3, "M": 1e6}
# cold resistance of the resettable fuses, ohm (from memory)
_FUSE_OHM = {"PTC 50mA": 8.0, "PTC 100mA": 4.0, "PTC 500mA": 0.8}
CIRCUITS = {
    "board": ("bom.csv", "board.net"),
    "first-spark": ("first-spark.csv", "first-spark.net"),
}


@dataclass(frozen=True)
class Part:
    """One row of bom.csv. Ratings: volt, ampere (peak), watt (mean); None where none is stated.

    `type`, `alternative`: makers' type numbers, from memory. `price`: class of one piece, a below
    0.2, b below 1, c below 5 euro, d above (from memory).
    """

    reference: str
    value: str
    tolerance: float
    tempco_ppm: float
    rated_v: float | None
    rated_a: float | None
    rated_w: float | None
    package: str
    part: str
    type: str
    alternative: str
    price: str
    withstands: str
    model: str

    @property
    def number(self) -> float:
        """Value in ohm or farad of a resistor, capacitor or fuse.

        Raises:
            ValueError: the value is not a number with a prefix.
        """
        if self.value in _FUSE_OHM:
            return _FUSE_OHM[self.value]
        return number(self.value)


def number(text: str) -> float:
    """'4k7' -> 4700.0, '220p' -> 2.2e-10, '2R2' -> 2.2 (IEC 60062 notation).

    Raises:
        ValueError: not in that notation.
    """
    match = re.fullmatch(r"(\d+)([pnumRkM])(\d*)", text)
    if not match:
        raise ValueError(f"{text!r} is not a value such as 4k7, 220p or 2R2")
    whole, prefix, fraction = match.groups()
    return round(float(f"{whole}.{fraction or 0}") * _PREFIX[prefix], 18)


@functools.cache
def read_bom(circuit: str = "board") -> dict[str, Part]:
    """Parts of one circuit's table by reference."""
    parts = {}
    with (FOLDER / CIRCUITS[circuit][0]).open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            rated = {
                k: float(row[k]) if row[k] else None for k in ("rated_v", "rated_a", "rated_w")
            }
            parts[row["reference"]] = Part(
                row["reference"],
                row["value"],
                float(row["tolerance_pct"] or 0) / 100,
                float(row["tempco_ppm"] or 0),
                rated["rated_v"],
                rated["rated_a"],
                rated["rated_w"],
                row["package"],
                row["part"],
                row["type"],
                row["alternative"],
                row["price"],
                row["withstands"],
                row["model"],
            )
    return parts


@functools.cache
def read_pins(circuit: str) -> dict[str, dict[str, list[tuple[str, str]]]]:
    """{block: {reference: [(pin numbers, node)]}}, as the net file has them."""
    blocks: dict[str, dict[str, list[tuple[str, str]]]] = {}
    block: dict[str, list[tuple[str, str]]] = {}
    text = (FOLDER / CIRCUITS[circuit][1]).read_text(encoding="utf-8")
    for line in text.splitlines():
        words = line.split("#")[0].split()
        if not words:
            continue
        if words[0].startswith("["):
            block = blocks.setdefault(words[0].strip("[]"), {})
        else:
            pairs = [word.rpartition(":")[::2] for word in words[1:]]
            block[words[0]] = [(pin or str(i), node) for i, (pin, node) in enumerate(pairs, 1)]
    return blocks


def read_net(circuit: str = "board") -> dict[str, dict[str, list[str]]]:
    """Blocks of a circuit: {block: {reference (U1A for a unit): [node at each pin]}}."""
    return {
        block: {reference: [node for _, node in pairs] for reference, pairs in members.items()}
        for block, members in read_pins(circuit).items()
    }


def read_pads(circuit: str = "board") -> dict[str, dict[str, str]]:
    """The same by package: {reference: {pin number: node}}; units of one package are joined.

    Raises:
        ValueError: one pin of a package stands at two nodes.
    """
    found: dict[str, dict[str, str]] = {}
    for members in read_pins(circuit).values():
        for reference, pairs in members.items():
            pads = found.setdefault(of_unit(reference), {})
            for numbers, node in pairs:
                for pin in numbers.split(","):
                    if pads.setdefault(pin, node) != node:
                        raise ValueError(f"{reference}: pin {pin} is {pads[pin]} and {node}")
    return found


def of_unit(reference: str) -> str:
    """Reference of the package a unit sits in: U1A -> U1."""
    return re.sub(r"^(U\d+)[A-Z]$", r"\1", reference)


def spice_line(
    reference: str, nodes: list[str], part: Part, value: float | None = None, extra: str = ""
) -> str | None:
    """Netlist line of one part; None where it has no model (connectors, jumpers, buttons).

    `value` replaces the nominal ohm or farad; `extra` is appended (parameters of a subcircuit, area
    of a diode).
    """
    kind = re.match(r"[A-Z]+", reference)
    assert kind is not None
    pins = " ".join("0" if node == "gnd" else node for node in nodes)
    match kind.group():
        case "R" | "C":
            return f"{reference} {pins} {part.number if value is None else value:.6g}"
        case "F":
            return f"R{reference} {pins} {part.number if value is None else value:.6g}"
        case "D":
            return f"{reference} {pins} {part.model} {extra}".rstrip()
        case "Q" if part.model == "nmos":
            return f"X{reference} {pins} {part.model}"
        case "Q":
            return f"{reference} {pins} {part.model}"
        case "U":
            return f"X{reference} {pins} {part.model} {extra}".rstrip()
        case "PS":
            return f"X{reference} {pins} dcdc"
        case _:
            return None


def library(
    values: Mapping[str, float] | None = None, extras: Mapping[str, str] | None = None
) -> dict[str, str]:
    """SPICE text of each block, with nominal values or those given by reference."""
    bom = {ref: part for circuit in CIRCUITS for ref, part in read_bom(circuit).items()}
    blocks = {block: parts for circuit in CIRCUITS for block, parts in read_net(circuit).items()}
    sections = {}
    for block, parts in blocks.items():
        lines = [
            spice_line(
                reference,
                nodes,
                bom[of_unit(reference)],
                (values or {}).get(reference),
                (extras or {}).get(reference, ""),
            )
            for reference, nodes in parts.items()
        ]
        sections[block] = "\n".join(line for line in lines if line)
    return sections


def library_text() -> str:
    """spice/board.lib: one .lib section per block that has parts with a model."""
    head = "* Made by hardware/parts.py from the .csv and .net files; do not edit.\n"
    return head + "".join(
        f"\n.lib {block}\n{text}\n.endl {block}\n" for block, text in library().items() if text
    )


@functools.cache
def pins() -> dict[str, dict[str, object]]:
    """pins.json's pins by name."""
    found: dict[str, dict[str, object]] = json.loads((FOLDER / "pins.json").read_text())["pins"]
    return found


def loopback() -> list[tuple[str, str]]:
    """Pairs of pins that the self-test's jumpers join, as pins.json lists them."""
    pairs = json.loads((FOLDER / "pins.json").read_text(encoding="utf-8"))["loopback"]
    return [(str(a), str(b)) for a, b in pairs]


def supply_divider() -> dict[str, float]:
    """pins.json's divider of the engine's supply."""
    found = json.loads((FOLDER / "pins.json").read_text(encoding="utf-8"))["supply_divider"]
    return {name: float(found[name]) for name in ("top_ohm", "bottom_ohm")}


def stale(path: Path, text: str, name: str = "") -> list[str]:
    """A sentence where a generated file is not what would be generated now.

    Args:
        name: what the sentence calls it; else the file's own name.
    """
    if path.exists() and path.read_text(encoding="utf-8") == text:
        return []
    return [f"{name or path.name} is out of date: run `make hardware`."]


def generated(about: str | None, files: Iterable[tuple[Path, str, str]]) -> int:
    """The command line of what generates files: writes them, or with --check compares.

    Args:
        about: the program's docstring.
        files: path, text, and name as in `stale`, of each.

    Returns:
        Exit code: 1 where a file is out of date, and a line on standard error says which.
    """
    parser = argparse.ArgumentParser(description=(about or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, compare")
    check = parser.parse_args().check
    for path, text, name in files:
        if not check:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        elif wrong := stale(path, text, name):
            print(wrong[0], file=sys.stderr)
            return 1
    return 0


def main() -> int:
    """Write or check spice/board.lib."""
    return generated(__doc__, [(LIBRARY, library_text(), "spice/board.lib")])


if __name__ == "__main__":
    sys.exit(main())
