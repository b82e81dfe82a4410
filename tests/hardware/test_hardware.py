"""hardware/: one parts table, one netlist; drawings, library, pins and guides agree with them."""

import cmath
import csv
import json
import math
import re
import subprocess
import sys
from pathlib import Path

import pytest

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
sys.path.insert(0, str(HARDWARE))

import parts  # noqa: E402
import schematic  # noqa: E402

BOM = {r: p for c in parts.CIRCUITS for r, p in parts.read_bom(c).items()}
NET = {b: m for c in parts.CIRCUITS for b, m in parts.read_net(c).items()}
FLAT = {reference: nodes for block in NET.values() for reference, nodes in block.items()}

# IEC 60063 preferred values, E24, and those of E96 in use
E24 = {
    10,
    11,
    12,
    13,
    15,
    16,
    18,
    20,
    22,
    24,
    27,
    30,
    33,
    36,
    39,
    43,
    47,
    51,
    56,
    62,
    68,
    75,
    82,
    91,
}
E96 = {115}


def rows() -> list[dict[str, str]]:
    found = []
    for name, _ in parts.CIRCUITS.values():
        with (HARDWARE / name).open(newline="", encoding="utf-8") as file:
            found += list(csv.DictReader(file))
    return found


@pytest.mark.parametrize(
    ("text", "value"),
    # examples of IEC 60062's notation (resistance 0,15 Ω is left out: no part needs it)
    [("1R0", 1.0), ("2R2", 2.2), ("47R", 47.0), ("4k7", 4700.0), ("100k", 1e5), ("1M0", 1e6),
     ("3p3", 3.3e-12), ("100n", 1e-7), ("10u", 1e-5)],
)  # fmt: skip
def test_values_are_read_as_iec_60062_writes_them(text: str, value: float) -> None:
    assert parts.number(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "4.7k", "k47", "10", "4k7k", "10 n"])
def test_other_notations_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a value"):
        parts.number(text)


def test_bom_and_netlist_name_the_same_parts() -> None:
    assert len(rows()) == len(BOM), "a reference stands twice in bom.csv"
    assert {parts.of_unit(reference) for reference in FLAT} == set(BOM)
    assert len(FLAT) == sum(len(block) for block in NET.values()), "a part stands in two blocks"


def test_every_part_says_what_it_is_and_must_withstand() -> None:
    for row in rows():
        for column in ("value", "package", "part", "type", "alternative", "price", "withstands"):
            assert row[column], f"{row['reference']}: {column} is empty"
        assert row["rated_v"], f"{row['reference']} has no rated voltage"
        if row["reference"][0] in "RC":
            parts.number(row["value"])
            assert float(row["tolerance_pct"]) > 0
        if row["reference"][0] == "R":
            assert float(row["rated_w"]) > 0
        if row["reference"][0] == "D":
            assert float(row["rated_a"]) > 0 and float(row["rated_w"]) > 0 and row["model"]


def test_values_are_preferred_values() -> None:
    for reference, part in BOM.items():
        if reference[0] in "RC":
            mantissa = float(f"{part.number:.2e}".split("e")[0]) * 100
            digits = round(mantissa)
            assert digits in {10 * e for e in E24} | E96, f"{reference} {part.value}"


def test_pin_count_of_every_part() -> None:
    count = {"R": 2, "C": 2, "D": 2, "F": 2, "SW": 2, "Q": 3, "U": 5, "PS": 4, "T": 3, "M": None}
    for reference, nodes in FLAT.items():
        kind = re.match("[A-Z]+", reference).group()
        if kind in count:
            expected = {"U4": 6, "U5A": 4, "U5B": 4, "U6": 3}.get(reference, count[kind])
            assert expected is None or len(nodes) == expected, reference
    # every node joins at least two pins, or it is a broken line
    ends: dict[str, int] = {}
    for nodes in FLAT.values():
        for node in nodes:
            ends[node] = ends.get(node, 0) + 1
    assert not [n for n, pins in ends.items() if pins < 2 and not n.endswith("_open")]


def test_both_clamp_channels_are_alike() -> None:
    a = dict(NET["clamp_a"].items())
    b = dict(NET["clamp_b"].items())

    def other(text: str) -> str:
        text = re.sub(r"^([A-Z]+)1(\d\d)$", r"\g<1>2\2", text).replace("U1A", "U1B")
        return re.sub(r"^(ct?)a_", r"\1b_", text).replace("clamp_a", "clamp_b")

    assert {other(r): [other(n) for n in nodes] for r, nodes in a.items()} == b
    for reference in a:
        if reference[0] in "RCD":
            twin = BOM[other(reference)]
            assert (BOM[reference].value, BOM[reference].part) == (twin.value, twin.part)


def test_spice_library_is_up_to_date() -> None:
    assert parts.LIBRARY.read_text(encoding="utf-8") == parts.library_text()


def test_spice_library_has_the_values_of_the_bom() -> None:
    """Read the SPICE text back, independently of how it was written."""
    seen = set()
    for line in parts.LIBRARY.read_text(encoding="utf-8").splitlines():
        words = line.split()
        if not words or words[0].startswith((".", "*")):
            continue
        name = re.sub(r"^(X|RF)(?=[A-Z]|\d)", lambda m: "" if m[1] == "X" else "F", words[0])
        reference = parts.of_unit(name)
        seen.add(name)
        assert reference in BOM, line
        if name[0] in "RC":
            assert float(words[3]) == pytest.approx(BOM[name].number, rel=1e-5)
        elif name[0] == "D":
            assert words[3] == BOM[name].model
        nodes = ["gnd" if n == "0" else n for n in words[1 : 1 + len(FLAT[name])]]
        assert nodes == FLAT[name]
    without = {r for r in FLAT if r[0] in "JTM" or r.startswith("SW")}
    assert seen == set(FLAT) - without


@pytest.fixture(scope="module")
def sheets() -> dict[str, schematic.Sheet]:
    return {name: draw() for name, draw in schematic.SHEETS.items()}


def test_schematic_shows_every_part_with_its_value(sheets) -> None:
    shown: dict[str, str] = {}
    for sheet in sheets.values():
        assert not set(shown) & set(sheet.shown), "a part is drawn twice"
        shown |= sheet.shown
    assert set(shown) == set(FLAT)
    text = "".join(sheet.svg() for sheet in sheets.values())
    for reference, value in shown.items():
        assert value == BOM[parts.of_unit(reference)].value
        assert re.search(rf">\s*{reference}\b", text), f"{reference} is not written on a sheet"


def test_schematic_joins_what_the_netlist_joins(sheets) -> None:
    """The lines as drawn, taken back into a netlist by geometry, against board.net."""
    drawn = set()
    for name, sheet in sheets.items():
        pins, names = sheet.nets()
        node_of: dict[int, str] = {}
        net_of: dict[str, int] = {}
        for (reference, pin), net in pins.items():
            drawn.add((reference, pin))
            node = FLAT[reference][pin]
            assert node_of.setdefault(net, node) == node, f"{name}: {reference} pin {pin + 1}"
            assert net_of.setdefault(node, net) == net, f"{name}: {node} is drawn in two pieces"
        for label, net in names.items():
            assert node_of.get(net, label) == label, f"{name}: {label} stands at another node"
    assert drawn == {(r, i) for r, nodes in FLAT.items() for i in range(len(nodes))}


def test_a_line_that_is_missing_is_noticed(sheets) -> None:
    sheet = schematic.SHEETS["clamps"]()
    before, _ = sheet.nets()
    sheet.segments.pop(0)
    after, _ = sheet.nets()
    assert len(set(before.values())) < len(set(after.values()))


def test_drawings_are_up_to_date(sheets) -> None:
    for name, sheet in sheets.items():
        path = schematic.FOLDER / f"{name}.svg"
        assert path.read_text(encoding="utf-8") == schematic.SHEETS[name]().svg(), (
            f"{path.name} is out of date: run `make hardware`"
        )
        assert sheet.title in path.read_text(encoding="utf-8")
    drawn = {p.stem for p in schematic.FOLDER.glob("*.svg")}
    assert drawn == {*schematic.SHEETS, "first-spark-breadboard"}


@pytest.mark.parametrize("script", ["parts.py", "schematic.py", "breadboard.py"])
def test_check_says_when_up_to_date(script: str) -> None:
    command = [sys.executable, str(HARDWARE / script), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_pins_are_the_firmwares_and_the_boards() -> None:
    pins = json.loads((HARDWARE / "pins.json").read_text(encoding="utf-8"))
    firmware = (HARDWARE.parent / "firmware" / "pins.py").read_text(encoding="utf-8")
    constants = {k.lower(): int(v) for k, v in re.findall(r"(\w+) = const\((\d+)\)", firmware)}
    assert constants.pop("rest") == pins["outputs"]["rest"]
    assert {n: p["gpio"] for n, p in pins["pins"].items()} == {
        k: v for k, v in constants.items() if not k.endswith("_ohm")
    }
    numbers = [p["gpio"] for p in pins["pins"].values()]
    assert len(numbers) == len(set(numbers))
    # 26 to 29 can be read as voltages, RP2040 data sheet, chapter ADC (from memory)
    assert pins["pins"]["supply"]["gpio"] in range(26, 30)
    assert set(pins["pins"]) <= set(FLAT["M1"])
    assert set(FLAT["M1"]) - set(pins["pins"]) == {"v5", "v33", "gnd"}


def test_supply_divider_is_the_one_in_pins_json() -> None:
    divider = json.loads((HARDWARE / "pins.json").read_text(encoding="utf-8"))["supply_divider"]
    assert BOM["R801"].number + BOM["R802"].number == divider["top_ohm"]
    assert BOM["R803"].number == divider["bottom_ohm"]


def test_loopback_jumpers_are_those_of_pins_json() -> None:
    pairs = json.loads((HARDWARE / "pins.json").read_text(encoding="utf-8"))["loopback"]
    assert [FLAT[f"J97{i}"] for i in range(1, 5)] == pairs
    guide = (HARDWARE / "bring-up.md").read_text(encoding="utf-8")
    table = re.findall(r"^\| (J97\d) \| `(\w+)` GP(\d+) \| `(\w+)` GP(\d+) \|", guide, re.M)
    gpio = {n: str(p["gpio"]) for n, p in parts.pins().items()}
    assert table == [
        (f"J97{i}", a, gpio[a], b, gpio[b]) for i, (a, b) in enumerate(parts.loopback(), 1)
    ]


def test_voltages_of_the_bring_up_table_follow_from_the_bom() -> None:
    """Ohm's law for the dividers; 3.3 V and 5 V nominal."""
    ohm = {r: part.number for r, part in BOM.items() if r[0] == "R"}
    guide = (HARDWARE / "bring-up.md").read_text(encoding="utf-8")
    for node, supply, upper, lower in (
        ("clamp_th", 3.3, "R108", "R109"),
        ("logic_th", 3.3, "R408", "R409"),
        ("vr_k", 5.0, "R303", "R304"),
    ):
        volt = float(re.search(rf"\| {node} \| ([\d.]+) \| {upper}, {lower} \|", guide)[1])
        assert FLAT[upper][1] == FLAT[lower][0] == node
        assert volt == pytest.approx(supply * ohm[lower] / (ohm[upper] + ohm[lower]), abs=0.005)
    # beside R604: R605, R606, R607 and what the board draws from 3.3 V, two dividers at least
    drawn = 1 / (1 / (ohm["R108"] + ohm["R109"]) + 1 / (ohm["R408"] + ohm["R409"]))
    beside = ohm["R605"] + ohm["R606"] + ohm["R607"] + drawn
    points = sum(ohm[r] for r in ("R601", "R602", "R603")) + 1 / (1 / ohm["R604"] + 1 / beside)
    assert f"{points / 1e3:.0f} kΩ within 2 %" in guide
    assert f"{(ohm['R801'] + ohm['R802'] + ohm['R803']) / 1e3:.0f} kΩ within 2 %" in guide


def test_piston_stop_example_is_the_circular_mean() -> None:
    """Midway between both stops (common practice, no source), as an angle of unit vectors."""
    guide = (HARDWARE / "bring-up.md").read_text(encoding="utf-8")
    found = re.search(r"A = ([\d.]+)°,\s+B = ([\d.]+)°: midway is ([\d.]+)°", guide)
    a, b, middle = (float(x) for x in found.groups())
    turn = cmath.exp(1j * math.radians(a)) + cmath.exp(1j * math.radians(b))
    assert math.degrees(cmath.phase(turn)) == pytest.approx(middle)


@pytest.mark.parametrize(
    "name", ["build.md", "board.md", "wiring.md", "bring-up.md", "first-spark.md"]
)
def test_guides_name_parts_that_exist(name: str) -> None:
    text = (HARDWARE / name).read_text(encoding="utf-8")
    known = set(BOM) | set(FLAT)
    named = set(re.findall(r"\b(?:R|C|D|U|F|J|JP|T|Q|PS|SW|M)\d{1,3}[AB]?\b", text))
    assert named and named <= known, named - known
    for link in re.findall(r"\]\(([^)#]+)", text):
        assert (HARDWARE / link).exists(), link
    for value, reference in re.findall(r"\b(\d+[kMRnpu]\d*) \(((?:R|C)\d+)\)", text):
        assert BOM[reference].value == value


@pytest.mark.parametrize(
    "name", ["build.md", "board.md", "wiring.md", "bring-up.md", "first-spark.md"]
)
def test_guides_carry_the_cautions(name: str) -> None:
    text = re.sub(r"\s+", " ", (HARDWARE / name).read_text(encoding="utf-8").lower())
    for word in ("service manual", "local", "licensed"):
        assert word in text, f"{name} does not defer to {word}"
    for danger in ("kv", "500 v", "belt", "fuel", "exhaust"):
        assert danger in text, f"{name} does not warn of {danger}"
