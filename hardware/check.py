"""Everything in hardware/ that must agree, and every limit that must hold.

    python hardware/check.py            exit code 1, and a sentence for each thing that is wrong

Tables against each other, drawings against the net list, pin numbers against data sheets, the first
spark's breadboard against its net list, the printed board against board.net, then SPICE: ratings,
pins, claims, delays. Needs ngspice (Debian: apt-get install ngspice); no KiCad.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "layout"))

import breadboard
import claims
import footprints
import parts
import schematic
import stress
import summary
import verify

# Pin numbers in the order of board.net's nodes, by type; data sheets, from memory.
PINOUTS = {
    "LM393 A": "3 2 1 8 4",
    "LM393 B": "5 6 7 8 4",
    "TC4427 A": "2 7 6 3",
    "TC4427 B": "4 5 6 3",
    "6N137": "2 3 6 8 5 7",
    "LM317L": "3 2 1",
    "BC337": "1 2 3",
    "BD139": "2 3 1",
    "NMOS 30V": "3 1 2",
    "5V to 12V": "2 1 4 3",
}
# GPIO number -> pin of the microcontroller's board (its data sheet, from memory)
PICO = {2: 4, 3: 5, 4: 6, 5: 7, 6: 9, 7: 10, 8: 11, 14: 19, 15: 20, 16: 21, 17: 22, 26: 31}
PICO_POWER = {"v5": "40", "v33": "36", "gnd": "3,8,13,18,23,28,33,38"}


def tables() -> list[str]:
    """The parts table and the net list of each circuit, the SPICE library."""
    wrong = []
    for circuit, (bom_name, net_name) in parts.CIRCUITS.items():
        bom, net = parts.read_bom(circuit), parts.read_net(circuit)
        placed = {parts.of_unit(reference) for block in net.values() for reference in block}
        wrong += [f"{r} is in {bom_name} but not in {net_name}." for r in sorted(set(bom) - placed)]
        wrong += [f"{r} is in {net_name} but not in {bom_name}." for r in sorted(placed - set(bom))]
        ends: dict[str, int] = {}
        for block in net.values():
            for nodes in block.values():
                for node in nodes:
                    ends[node] = ends.get(node, 0) + 1
        wrong += [
            f"{net_name}: node {node} has one end only."
            for node, n in ends.items()
            if n < 2 and not node.endswith("_open")
        ]
    if not wrong:
        wrong = parts.stale(parts.LIBRARY, parts.library_text(), "spice/board.lib")
    return wrong


def pin_numbers() -> list[str]:
    """Numbers in the net lists against the types' pin-outs and against pins.json."""
    wrong = []
    gpio = {name: PICO[int(str(pin["gpio"]))] for name, pin in parts.pins().items()}
    for circuit in parts.CIRCUITS:
        bom = parts.read_bom(circuit)
        for members in parts.read_pins(circuit).values():
            for reference, pairs in members.items():
                value = bom[parts.of_unit(reference)].value
                unit = reference[-1] if reference[-1] in "AB" else ""
                numbers = " ".join(pin for pin, _ in pairs)
                expected = PINOUTS.get(f"{value} {unit}".strip())
                if reference[0] == "D":
                    expected = "2 1"
                if reference[0] == "M":
                    expected = " ".join(PICO_POWER.get(n, str(gpio.get(n))) for _, n in pairs)
                    expected = (
                        expected
                        if circuit == "board"
                        else expected.replace(PICO_POWER["gnd"], "38")
                    )
                if expected is None and reference[0] in "UQ":
                    wrong.append(f"{reference}: nothing is known of the pins of {value}.")
                elif expected is not None and numbers != expected:
                    wrong.append(f"{reference}: pins {numbers}, a {value} has {expected}.")
        try:
            parts.read_pads(circuit)
        except ValueError as error:
            wrong.append(f"{error}.")
    return wrong


def drawings() -> list[str]:
    """Every line as drawn against the net lists, and the files against their source."""
    flat = {
        reference: nodes
        for circuit in parts.CIRCUITS
        for block in parts.read_net(circuit).values()
        for reference, nodes in block.items()
    }
    wrong, drawn = [], set()
    for name, make in schematic.SHEETS.items():
        sheet = make()
        pins, names = sheet.nets()
        node_of: dict[int, str] = {}
        net_of: dict[str, int] = {}
        for (reference, pin), net in pins.items():
            drawn.add(reference)
            nodes = flat.get(reference, [])
            if pin >= len(nodes):
                wrong.append(f"{name}.svg shows {reference}, which the net list has not.")
                continue
            node = nodes[pin]
            if node_of.setdefault(net, node) != node or net_of.setdefault(node, net) != net:
                wrong.append(f"{name}.svg and the net list differ at {reference}, {node}.")
        for label, net in names.items():
            if node_of.get(net, label) != label:
                wrong.append(f"{name}.svg: {label} stands at {node_of[net]}.")
        wrong += parts.stale(schematic.FOLDER / f"{name}.svg", make().svg())
    missing = sorted(set(flat) - drawn - ({"M21"} if "M21" in drawn else set()))
    wrong += [f"{reference} is on no drawing." for reference in missing]
    for group in breadboard.nets() ^ breadboard.wanted():
        who = ", ".join(f"{r} {i + 1}" for r, i in sorted(group))
        wrong.append(f"the breadboard and first-spark.net differ at {who}.")
    return wrong


def values() -> list[str]:
    """Facts that stand in two places."""
    wrong = []
    bom = parts.read_bom()
    divider = parts.supply_divider()
    if bom["R801"].number + bom["R802"].number != divider["top_ohm"]:
        wrong.append("R801 and R802 are not pins.json's supply divider.")
    if bom["R803"].number != divider["bottom_ohm"]:
        wrong.append("R803 is not pins.json's supply divider.")
    for a, b in zip("AB", ("clamp_a", "clamp_b"), strict=True):
        if len(parts.read_net()[b]) != len(parts.read_net()["clamp_a"]):
            wrong.append(f"clamp {a} has other parts than clamp A.")
    for reference, part in bom.items():
        if not (
            part.type and part.package and part.withstands and re.fullmatch("[a-d]", part.price)
        ):
            wrong.append(f"{reference}: bom.csv lacks its type, package, duty or price class.")
    return wrong


def ratings() -> list[str]:
    """Parts and pins in SPICE, worst cases; prints what they came to."""
    pins, used = stress.judge(stress.worst_cases())
    print("\n".join([*summary.pin_table(pins), "", *summary.stress_table(used), ""]))
    print("\n".join([*summary.delay_table(), ""]))
    return stress.passed(pins, used) + printed_ratings(used)


def printed_ratings(used: Sequence[stress.Stress]) -> list[str]:
    """The same on the printed board, whose small parts are of smaller types."""
    wrong = []
    for s in used:
        rated = None
        if parts.of_unit(s.reference) in footprints.load():
            rated = footprints.rating(parts.of_unit(s.reference), s.quantity)
        if rated is not None and s.value > rated:
            wrong.append(
                f"{s.case}: {s.reference} of the printed board sees {s.value:.3g} {s.quantity}, "
                f"rated {rated:g}."
            )
    return wrong


def printed_board() -> list[str]:
    """hardware/board as it is kept."""
    return verify.faults()


CHECKS: tuple[Callable[[], list[str]], ...] = (
    tables,
    pin_numbers,
    values,
    drawings,
    ratings,
    claims.broken,
    claims.late,
    printed_board,
)


def main() -> int:
    """All checks in turn; the later ones only where the earlier ones found nothing."""
    for check in CHECKS:
        try:
            wrong = check()
        except (KeyError, ValueError) as error:
            wrong = [f"{check.__name__}: {error.args[0]} is missing or cannot be read."]
        except RuntimeError as error:
            wrong = [str(error)]
        if wrong:
            print("\n".join(wrong), file=sys.stderr)
            return 1
    print(
        f"hardware: {len(parts.read_bom())} parts, {len(claims.claims())} claims, the printed "
        "board: all well"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
