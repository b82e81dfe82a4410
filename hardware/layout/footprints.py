"""Printed board: which footprint each part of bom.csv takes, and its type where that differs.

Runs under any Python; the footprints themselves are Debian's package kicad-footprints.
"""

from __future__ import annotations

import csv
import functools
import io
import re
import sys
from pathlib import Path

HARDWARE = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(HARDWARE))

import parts  # noqa: E402
import rules  # noqa: E402

OFF_BOARD = {"T101", "T201", "D951"}  # clamp heads and the lamp's LED
_R, _C, _D, _T = "Resistor_THT", "Capacitor_THT", "Diode_THT", "TerminalBlock_Phoenix"
_HEADER = "Connector_PinHeader_2.54mm"
_DISC = (_C, "C_Disc_D7.5mm_W4.4mm_P5.00mm")
PACKAGES = {
    "axial 0207": (_R, "R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
    "axial 0411": (_R, "R_Axial_DIN0411_L9.9mm_D3.6mm_P15.24mm_Horizontal"),
    "axial 0414": (_R, "R_Axial_DIN0414_L11.9mm_D4.5mm_P15.24mm_Horizontal"),
    "axial 0617": (_R, "R_Axial_DIN0617_L17.0mm_D6.0mm_P20.32mm_Horizontal"),
    "axial, 5 W": (_R, "R_Axial_DIN0617_L17.0mm_D6.0mm_P20.32mm_Horizontal"),
    "axial DO-41": (_D, "D_DO-41_SOD81_P10.16mm_Horizontal"),
    "axial DO-15": (_D, "D_DO-15_P10.16mm_Horizontal"),
    "axial DO-35": ("Diode_SMD", "D_SOD-123"),
    "radial 5 mm pitch": (_C, "CP_Radial_D10.0mm_P5.00mm"),
    "radial": _DISC,
    "pin header 2": (_HEADER, "PinHeader_1x02_P2.54mm_Vertical"),
    "pin header 3": (_HEADER, "PinHeader_1x03_P2.54mm_Vertical"),
    "pin header 4": (_HEADER, "PinHeader_1x04_P2.54mm_Vertical"),
    "TO-92": ("Package_TO_SOT_THT", "TO-92_Inline_Wide"),
    "TO-126": ("Package_TO_SOT_THT", "TO-126-3_Vertical"),
    "SOT-23": ("Package_TO_SOT_SMD", "SOT-23"),
    "screw terminal 7.62 mm, 2 pins": (
        "TerminalBlock",
        "TerminalBlock_Wuerth_691311400102_P7.62mm",
    ),
    "3 pins": ("Connector_JST", "JST_XH_B3B-XH-A_1x03_P2.50mm_Vertical"),
    "2 pins": ("Connector_JST", "JST_XH_B2B-XH-A_1x02_P2.50mm_Vertical"),
    "6 mm": ("Button_Switch_THT", "SW_PUSH_6mm"),
    "SIP-4": ("Converter_DCDC", "Converter_DCDC_Murata_MEE1SxxxxSC_THT"),
    "pad 2 mm": ("TestPoint", "TestPoint_THTPad_D2.0mm_Drill1.0mm"),
}
_SPECIAL = {
    "U4": ("Package_DIP", "DIP-8_W10.16mm"),
    "D702": (_D, "D_DO-201AD_P12.70mm_Horizontal"),
    "D701": (_D, "D_DO-35_SOD27_P7.62mm_Horizontal"),
}
# surface-mount types, from memory
_SMD_TYPE = {
    "LM393": "LM393DR", "TC4427": "TC4427ACOA", "1N4148": "1N4148W", "BAT85": "BAT46W",
    "12V": "BZT52C12", "18V": "BZT52C18", "NMOS 30V": "AO3400A",
}  # fmt: skip


def footprint(reference: str, part: parts.Part) -> tuple[str, str] | None:
    """(library, name); None for the microcontroller's sockets, which are drawn by build.py."""
    if reference in _SPECIAL:
        return _SPECIAL[reference]
    if reference[0] == "M":
        return None
    if reference[0] == "R" and part.package == "axial 0207" and (part.rated_w or 0) <= 0.25:
        return ("Resistor_SMD", "R_0805_2012Metric_Pad1.20x1.40mm_HandSolder")
    if reference[0] == "C" and part.package == "radial 5 mm":
        if part.value in ("10n", "22n", "10u"):
            return ("Capacitor_SMD", "C_1206_3216Metric_Pad1.33x1.80mm_HandSolder")
        return ("Capacitor_SMD", "C_0805_2012Metric_Pad1.18x1.45mm_HandSolder")
    if part.package == "DIP-8":
        return ("Package_SO", "SOIC-8_3.9x4.9mm_P1.27mm")
    match = re.fullmatch(r"screw terminal(?: 5\.08 mm)?, (\d) pins", part.package)
    if match:
        n = match[1]
        return (_T, f"TerminalBlock_Phoenix_MKDS-1,5-{n}-5.08_1x0{n}_P5.08mm_Horizontal")
    return PACKAGES[part.package]


def printed_type(reference: str, part: parts.Part) -> str:
    """Maker's type on the printed board (from memory)."""
    found = footprint(reference, part)
    if found is None or not any(s in found[0] for s in ("SMD", "Package_SO")):
        return part.type
    if reference[0] == "R":
        return f"0805 thick film 1 % {part.value}"
    if reference[0] == "C":
        size = "1206" if "1206" in found[1] else "0805"
        kind = "C0G" if part.value in ("10n", "22n", "100p", "220p") else "X7R"
        return f"{size} {kind} {part.value} {'25' if part.value == '10u' else '50'} V"
    return _SMD_TYPE[part.value]


@functools.cache
def load() -> dict[str, dict[str, object]]:
    """Parts on the printed board: {reference: {block, part, footprint, pads: {number: net}}}."""
    bom, pads = parts.read_bom(), parts.read_pads()
    found: dict[str, dict[str, object]] = {}
    for block, members in parts.read_net().items():
        for unit in members:
            reference = parts.of_unit(unit)
            if reference in OFF_BOARD or (reference in found and block == "board"):
                continue
            part = bom[reference]
            found[reference] = {
                "block": block,
                "part": part,
                "footprint": footprint(reference, part),
                "pads": dict(pads[reference]),
            }
    # two pins of the package without a connection, which yet lie on the isolated side
    found["U4"]["pads"] |= {"1": "u4_1_open", "4": "u4_4_open"}  # type: ignore[operator]
    return found


# What the smaller types of the printed board are rated: volt, watt by package (from memory).
_RATED = {
    "R_0805": {"V": 150.0, "W": 0.125},
    "C_0805": {"V": 50.0},
    "C_1206": {"V": 25.0},
    "D_SOD-123": {"W": 0.35},
    "SOIC-8": {"W": 0.45},
    "SOT-23": {"V": 30.0},
}


def rating(reference: str, quantity: str) -> float | None:
    """Rating of a surface-mount part in "V" or "W"; None where it is that of bom.csv."""
    if not surface(reference):
        return None
    name = load()[reference]["footprint"][1]  # type: ignore[index]
    return next((r.get(quantity) for kind, r in _RATED.items() if name.startswith(kind)), None)


def paths() -> dict[str, str]:
    """Where the drawing has each part: UUIDs of sheet and symbol, by sparkwitness.kicad_sch."""
    text = (HARDWARE / "board" / f"{rules.NAME}.kicad_sch").read_text(encoding="utf-8")
    found: dict[str, str] = {}
    for where, reference in re.findall(r'\(path "(/[^"]+)" \(reference "([^"]+)"\)', text):
        found.setdefault(reference, where)
    return found


def fitted(variant: str) -> list[str]:
    """References that a variant carries, in the order of board.net.

    Raises:
        ValueError: no such variant.
    """
    if variant not in rules.VARIANTS:
        raise ValueError(f"no variant {variant!r}; there are {', '.join(rules.VARIANTS)}")
    return [
        r
        for r, entry in load().items()
        if variant == "bench"
        or (entry["block"] not in rules.BENCH_BLOCKS and r not in rules.BENCH_ALSO)
    ]


def surface(reference: str) -> bool:
    """Whether a part is soldered on the surface, so that a maker of boards may place it."""
    fp = load()[reference]["footprint"]
    return bool(fp) and (fp[0].endswith("_SMD") or fp[0] == "Package_SO")  # type: ignore[index]


def parts_list(variant: str) -> str:
    """Parts of a variant as CSV, one line for each type; what hangs on cables comes last."""
    bom = parts.read_bom()
    lines: dict[tuple[str, ...], list[str]] = {}
    entries = load()
    for reference in [*fitted(variant), *sorted(OFF_BOARD)]:
        part = bom[reference]
        if reference in OFF_BOARD:
            where, package, kind = "on its cable", part.package, part.type
        else:
            fp = entries[reference]["footprint"]
            package = fp[1] if fp else "two rows of 20 sockets, 2.54 mm, 17.78 mm apart"  # type: ignore[index]
            if reference.startswith("TP"):
                continue
            where = "surface mount" if surface(reference) else "through hole"
            kind = printed_type(reference, part)
        lines.setdefault((part.value, package, where, kind, part.part), []).append(reference)
    rows = io.StringIO()
    out = csv.writer(rows, lineterminator="\n")
    out.writerow(["Designators", "Number", "Value", "Package", "Mounting", "Type", "What"])
    for (value, package, where, kind, what), who in lines.items():
        what = "" if where == "surface mount" else what
        out.writerow([" ".join(who), len(who), value, package, where, kind, what])
    return rows.getvalue()
