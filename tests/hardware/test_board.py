"""hardware/board: the kept board against board.net, a standard's distances and what is sent away.
No KiCad: the files are read as text, their copper as geometry. What KiCad itself finds is in the
last tests, where it is.
"""

import itertools
import json
import math
import re
import shutil
import struct
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
sys.path[:0] = [str(HARDWARE), str(HARDWARE / "layout")]

import footprints  # noqa: E402
import gerber  # noqa: E402
import kept  # noqa: E402
import parts  # noqa: E402
import rules  # noqa: E402
import verify  # noqa: E402

BOARD = HARDWARE / "board"
PCB = BOARD / "sparkwitness.kicad_pcb"
TEXT = PCB.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def board() -> kept.Board:
    return kept.read(PCB)


def test_the_kept_board_is_without_fault() -> None:
    assert verify.faults() == []


# --- the standard


# IEC 60664-1:2007, table F.4, pollution degree 2, V r.m.s. to mm; from memory
CREEPAGE_GROUP_III = {50: 1.2, 100: 1.4, 200: 2.0, 250: 2.5, 400: 4.0, 500: 5.0}
CREEPAGE_PRINTED = {50: 0.04, 100: 0.16, 200: 0.63, 250: 1.0, 400: 2.0, 500: 2.5}


def test_distances_are_those_of_the_standard() -> None:
    assert rules.CLASSES["points"][1] >= CREEPAGE_GROUP_III[400]
    assert rules.CLASSES["isolated"][1] >= 2 * CREEPAGE_GROUP_III[400]  # reinforced: the double
    assert rules.CLASSES["inputs"][1] >= CREEPAGE_PRINTED[400]
    assert CREEPAGE_PRINTED[100] <= rules.CLEAR  # all else: below 60 V
    for net in ("pt_in", "pt_1", "pt_2"):
        assert rules.class_of(net) == "points"
    # every net of the isolated side, by what board.net joins there
    primary = {"J701": "123", "R701": "12", "R704": "12", "R702": "12", "D701": "12", "D702": "12",
               "U4": "23"}  # fmt: skip
    pads = parts.read_pads()
    for reference, numbers in primary.items():
        for number in numbers:
            assert rules.class_of(pads[reference][number]) == "isolated", (reference, number)


def test_smallest_distances_measured_on_the_copper(board: kept.Board) -> None:
    """Brute force, apart from verify: points sampled on every piece of copper."""

    def sampled(copper):
        for x1, y1, x2, y2 in copper.pieces:
            n = max(2, int(math.hypot(x2 - x1, y2 - y1) / 0.1) + 1)
            t = np.linspace(0, 1, n)[:, None]
            yield np.array([[x1, y1]]) * (1 - t) + np.array([[x2, y2]]) * t

    for name in ("points", "isolated"):
        own = [c for c in board.copper if rules.class_of(c.net) == name]
        rest = [c for c in board.copper if rules.class_of(c.net) != name]
        assert len(own) > 5
        a = np.vstack([p for c in own for p in sampled(c)])
        radius_a = np.concatenate([np.full(len(p), c.radius) for c in own for p in sampled(c)])
        least = math.inf
        for c in rest:
            for p in sampled(c):
                d = np.hypot(a[:, None, 0] - p[:, 0], a[:, None, 1] - p[:, 1])
                least = min(least, float((d - radius_a[:, None]).min()) - c.radius)
        assert rules.CLASSES[name][1] - 0.02 <= least < rules.CLASSES[name][1] + 1.0


# --- planted faults


def faults_of(text: str, tmp_path: Path) -> list[str]:
    path = tmp_path / PCB.name
    path.write_text(text, encoding="utf-8")
    found = kept.read(path)
    return [*verify.net_list(found), *verify.connections(found), *verify.distances(found),
            *verify.placing(found), *verify.silk(found)]  # fmt: skip


def with_track(
    net: str, *points: tuple[float, float], layer: str = "F.Cu", width: float = 0.25
) -> str:
    number = re.search(rf'\(net (\d+) "{net}"\)', TEXT)[1]
    new = "".join(
        f"  (segment (start {a[0] + 20} {a[1] + 20}) (end {b[0] + 20} {b[1] + 20}) (width {width}) "
        f'(layer "{layer}") (net {number}) (tstamp 00000000-0000-0000-0000-000000000000))\n'
        for a, b in itertools.pairwise(points)
    )
    end = TEXT.rstrip().rindex(")")
    return TEXT[:end] + new + ")\n"


def test_a_track_two_millimetres_from_the_primary_side_is_found(board, tmp_path: Path) -> None:
    x, y, _ = board.parts["J601"].pads["1"]
    pad = next(c for c in board.copper if c.what == "J601 1")
    top = y - (pad.high[1] - y) - 2 - 0.125
    found = faults_of(with_track("gnd", (x - 2, top), (x + 2, top)), tmp_path)
    assert any(re.search(r"pt_in .*gnd .* 2\.0\d mm apart, least 4 mm", s) for s in found), found


@pytest.mark.parametrize("layer", ["F.Cu", "B.Cu"])
def test_ground_in_the_isolated_corner_is_found(layer, tmp_path: Path) -> None:
    found = faults_of(with_track("gnd", (30, 78), (30, 79), layer=layer), tmp_path)
    assert any("least 8 mm" in s and "gnd" in s and "iso" in s for s in found), found


def test_a_track_near_an_input_that_may_see_400_volt_is_found(board, tmp_path: Path) -> None:
    _x, y, net = board.parts["R301"].pads["1"]
    assert net == "vr_in"
    pad = next(c for c in board.copper if c.what == "R301 1")
    side = pad.high[0] + 1.5 + 0.125
    found = faults_of(with_track("v33", (side, y - 0.3), (side, y + 0.3)), tmp_path)
    assert any("vr_in" in s and "v33" in s and "least 2 mm" in s for s in found), found


def block(reference: str) -> tuple[int, int]:
    """Where a part's footprint begins and ends in the file."""
    for match in re.finditer(r"(?m)^  \(footprint ", TEXT):
        end = TEXT.index("\n  )", match.start())
        if f'(fp_text reference "{reference}"' in TEXT[match.start() : end]:
            return match.start(), end
    raise KeyError(reference)


def swapped(reference: str, one: str, other: str) -> str:
    """The board with the nets of two pads of a part exchanged, as a wrong footprint has it."""
    start, end = block(reference)
    body = TEXT[start:end]
    nets = {
        n: re.search(rf'\(pad "{n}" [\s\S]*?\(net (\d+ "[^"]*")\)', body)[1] for n in (one, other)
    }
    for n, new in ((one, nets[other]), (other, nets[one])):
        body = re.sub(rf'(\(pad "{n}" [\s\S]*?\(net )\d+ "[^"]*"', rf"\g<1>{new}", body, count=1)
    return TEXT[:start] + body + TEXT[end:]


def test_a_swapped_pad_is_found(tmp_path: Path) -> None:
    found = faults_of(swapped("D101", "1", "2"), tmp_path)
    assert "D101 pad 1 is ca_p, board.net has ca_hold." in found
    assert any(s.startswith("Short:") for s in found)  # the tracks still go where they went


def test_a_missing_part_is_found(tmp_path: Path) -> None:
    start, end = block("F801")
    found = faults_of(TEXT[:start] + TEXT[end + 5 :], tmp_path)
    assert "F801 is missing on the printed board." in found


def test_a_missing_track_is_found(board, tmp_path: Path) -> None:
    number = re.search(r'\(net (\d+) "ca_hold"\)', TEXT)[1]
    lost = re.sub(rf"(?m)^  \(segment .*\(net {number}\).*\n", "", TEXT)
    found = faults_of(lost, tmp_path)
    assert any(re.match(r"ca_hold is in \d+ pieces", s) for s in found), found


def test_a_bridge_between_two_pads_is_found(board, tmp_path: Path) -> None:
    a, b = (board.parts["M1"].pads[n][:2] for n in ("4", "5"))
    found = faults_of(with_track("crank", a, b), tmp_path)
    assert any(s.startswith("Short:") and "clamp_a" in s and "crank" in s for s in found), found


def test_a_part_far_from_what_it_serves_is_found(board, tmp_path: Path) -> None:
    start, end = block("C1")
    moved = re.sub(
        r"\(at ([\d.]+) ", lambda m: f"(at {float(m[1]) + 8:g} ", TEXT[start:end], count=1
    )
    found = faults_of(TEXT[:start] + moved + TEXT[end:], tmp_path)
    assert any(s.startswith("C1 pad 1 is") for s in found), found


def test_a_part_without_its_name_on_the_silk_is_found(tmp_path: Path) -> None:
    start, end = block("R205")
    line = re.compile(r'(\(fp_text reference "R205" [^\n]*\(layer "F.SilkS"\))')
    hidden = line.sub(r"\1 hide", TEXT[start:end])
    assert hidden != TEXT[start:end]
    found = faults_of(TEXT[:start] + hidden + TEXT[end:], tmp_path)
    assert found == ["The front does not say 'R205'."]


def test_copper_over_the_isolated_corners_line_is_found(tmp_path: Path) -> None:
    """8 mm from everything there, so no distance is broken: but whoever trusts the line is."""
    found = faults_of(with_track("gnd", (44, 56.5), (44, 57.6)), tmp_path)
    assert any("gnd, crosses the isolated corner's line." in s for s in found), found
    assert not any("8 mm" in s for s in found), found


def test_a_nut_on_a_word_is_found(board: kept.Board, monkeypatch) -> None:
    x, y = rules.HOLES[2]
    monkeypatch.setattr(verify.hand, "LABELS", [*verify.hand.LABELS, ("DANGER", x + 4, y, 0.9, 0)])
    assert verify.silk(board) == [f"The nut at {x:g}, {y:g} lies on 'DANGER'."]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    shutil.copytree(BOARD, tmp_path / "board")
    return tmp_path / "board"


def test_a_report_of_another_board_is_refused(copy: Path) -> None:
    (copy / PCB.name).write_text(TEXT + "\n", encoding="utf-8")
    assert (
        "board/drc.txt is not of sparkwitness.kicad_pcb as it is: run `make board`."
        in verify.reports(copy)
    )
    sheet = copy / "crank.kicad_sch"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("R301", "R302"), encoding="utf-8")
    assert any("erc.txt is not of crank.kicad_sch" in s for s in verify.reports(copy))
    assert any("crank.kicad_sch is out of date" in s for s in verify.schematic(copy))


def test_an_error_in_a_report_is_not_passed_over(copy: Path) -> None:
    with (copy / "drc.txt").open("a", encoding="utf-8") as file:
        file.write("[clearance]: Clearance violation\n    Rule: isolated: 8 mm; Severity: error\n")
        file.write("[new_thing]: Something else\n    Local override; Severity: warning\n")
    found = verify.reports(copy)
    assert "board/drc.txt has an error: clearance." in found
    assert any("new_thing is not explained" in s for s in found)


def test_looser_rules_are_found(copy: Path) -> None:
    path = copy / "sparkwitness.kicad_dru"
    path.write_text(
        path.read_text(encoding="utf-8").replace("(min 8mm)", "(min 3mm)"), encoding="utf-8"
    )
    assert (
        "board/sparkwitness.kicad_dru is not what rules.py says: run `make board`."
        in verify.reports(copy)
    )


def rezip(copy: Path, change) -> list[str]:
    with zipfile.ZipFile(copy / "order.zip") as archive:
        files = {n: archive.read(n).decode() for n in archive.namelist()}
    change(files)
    with zipfile.ZipFile(copy / "order.zip", "w") as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return verify.ordered(copy, kept.read(copy / PCB.name))


def test_a_zip_that_is_not_the_board_is_found(copy: Path) -> None:
    assert rezip(copy, lambda f: None) == []

    x, y, _ = kept.read(PCB).parts["U1"].pads["3"]
    flash = f"X{round((x + 20) * 1e6)}Y{round(-(y + 20) * 1e6)}D03*\n"

    def lose_pad(files):
        assert flash in files["sparkwitness-F_Cu.gbr"]
        files["sparkwitness-F_Cu.gbr"] = files["sparkwitness-F_Cu.gbr"].replace(flash, "", 1)

    assert "order.zip, F_Cu: nothing at U1 3." in rezip(copy, lose_pad)

    def lose_hole(files):
        name = "sparkwitness-PTH.drl"
        files[name] = re.sub(r"(?m)^X.*\n", "", files[name], count=1)

    assert "order.zip: the drill files are not the board's holes." in rezip(copy, lose_hole)

    def lose_row(files):
        files["parts-bench.csv"] = re.sub(r"(?m)^R101.*\n", "", files["parts-bench.csv"])

    assert any("parts-bench.csv" in s for s in rezip(copy, lose_row))


# --- geometry of the reader, against what is known


def piece(net, pieces, radius, filled=False):
    return kept.Copper("x", net, kept.BOTH, np.array(pieces, float), radius, filled)


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        (([[0, 0, 10, 0]], 0.5), ([[0, 3, 10, 3]], 0.5), 2.0),  # side by side
        (([[0, 0, 10, 0]], 0.5), ([[13, 4, 13, 9]], 0.5), 4.0),  # 3-4-5
        (([[0, 0, 10, 0]], 0.1), ([[5, -5, 5, 5]], 0.1), 0.0),  # crossing
    ],
)
def test_distance_of_two_tracks(one, other, apart) -> None:
    assert kept.distance(piece("a", *one), piece("b", *other), 9.0) == pytest.approx(apart)


def test_distance_to_a_filled_outline() -> None:
    square = piece("a", [[0, 0, 10, 0], [10, 0, 10, 10], [10, 10, 0, 10], [0, 10, 0, 0]], 0.0, True)
    assert kept.distance(square, piece("b", [[5, 5, 5, 5]], 0.4), 1.0) == 0.0
    assert kept.distance(square, piece("b", [[12, 5, 12, 5]], 0.4), 3.0) == pytest.approx(1.6)
    assert kept.distance(square, piece("b", [[30, 5, 30, 5]], 0.4), 3.0) == math.inf


def test_gerber_reader_on_a_file_written_by_hand() -> None:
    """Forms of the Gerber Layer Format Specification (Ucamco), from memory."""
    text = (
        "%FSLAX46Y46*%\n%MOMM*%\n%LPD*%\n%ADD10C,0.500000*%\n%ADD11R,1.000000X2.000000*%\nG01*\n"
        "D10*\nX20000000Y-20000000D02*\nX30000000Y-20000000D01*\nD11*\nX25000000Y-30000000D03*\n"
        "G36*\nX21000000Y-21000000D02*\nX22000000Y-21000000D01*\nX22000000Y-22000000D01*\nG37*\n"
        "D10*\nX30000000Y-40000000D02*\nG75*\nG03*\nX30000000Y-40000000I-5000000J0D01*\nG01*\nM02*\n"
    )
    image = gerber.read(text)
    assert image.lines[0] == ([(0.0, 0.0), (10.0, 0.0)], 0.5)
    assert image.flashes == [(5.0, 10.0, gerber.Aperture("R", (1.0, 2.0)))]
    assert image.regions == [[(1.0, 1.0), (2.0, 1.0), (2.0, 2.0)]]
    circle = np.array(image.lines[1][0])
    assert np.hypot(circle[:, 0] - 5, circle[:, 1] - 20) == pytest.approx(5.0)
    with pytest.raises(ValueError, match="is not read"):
        gerber.read(text.replace("%LPD*%", "%LPC*%"))


# --- variants, parts, size of the repository


def test_variants_differ_by_population_only() -> None:
    timing, bench = (set(footprints.fitted(v)) for v in rules.VARIANTS)
    assert timing < bench == set(footprints.load())
    left_out = bench - timing
    blocks = parts.read_net()
    for block in ("clamp_a", "clamp_b", "crank_vr", "crank_logic", "supply", "board"):
        assert not left_out & {parts.of_unit(r) for r in blocks[block]}, block
    assert {"J901", "J911", "U5", "Q901", "Q903"} <= left_out
    with pytest.raises(ValueError, match="no variant"):
        footprints.fitted("all")


def test_surface_mount_parts_are_of_sizes_that_a_hand_can_solder() -> None:
    small = {"0805", "1206", "SOD-123", "SOT-23", "SOIC-8"}
    for reference, entry in footprints.load().items():
        if footprints.surface(reference):
            name = entry["footprint"][1]
            assert any(s in name for s in small), (reference, name)
        elif reference[0] == "R" and (parts.read_bom()[reference].rated_w or 0) >= 0.6:
            assert "Axial" in entry["footprint"][1], reference


def test_what_is_kept_is_small() -> None:
    size = sum(p.stat().st_size for f in ("board", "case") for p in (HARDWARE / f).iterdir())
    assert (BOARD / "order.zip").stat().st_size + PCB.stat().st_size < 3e6
    assert size < 6e6


@pytest.mark.parametrize("script", ["sheets.py", "picture.py", "labels.py"])
def test_what_is_drawn_is_up_to_date(script: str) -> None:
    command = [sys.executable, str(HARDWARE / "layout" / script), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_voltages_at_the_test_points_cover_random_boards() -> None:
    """board.md's table against SPICE: parts within tolerance and age, -10 to 70 degrees, USB."""
    import delays
    import ngspice

    guide = (HARDWARE / "board.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"(?m)^\| (\w+) \| ([^|]+) \|", guide))
    span = {n: [float(x) for x in re.findall(r"[\d.]+", rows[n])[:2]]
            for n in ("clamp_th", "logic_th", "vr_k", "v12", "sens5")}  # fmt: skip
    drive_rows = r"vdr \| ([\d.]+) to ([\d.]+) with JP901 on 2-3, ([\d.]+) to ([\d.]+) on"
    low5, high5, low12, high12 = (float(x) for x in re.search(drive_rows, guide).groups())
    draw = delays.Draw(5)
    decks, five = [], []
    blocks = ("clamp_threshold", "logic_threshold", "crank_vr", "sensor_supply")
    for i in range(30):
        values, extras, supplies, temperature = draw.board(blocks)
        five.append(i % 2)
        decks.append(ngspice.deck("test_points", {**supplies, "five": i % 2}, values, extras,
                                  temperature, ("all",)))  # fmt: skip
    seen: dict[str, list[float]] = {}
    for waves, low_level in zip(ngspice.run(decks), five, strict=True):
        for name in span:
            seen.setdefault(name, []).append(float(waves[f"v({name})"][-1]))
        drive = float(waves["v(vdr)"][-1])
        assert (low5 <= drive <= high5) if low_level else (low12 <= drive <= high12), drive
    for name, (low, high) in span.items():
        least, most = min(seen[name]), max(seen[name])
        assert low <= least and most <= high, (name, least, most)
        # nor so wide that a wrong part passes; the converter's own spread is not simulated
        assert name == "v12" or high - low < 2.5 * (most - least) + 0.1 * high, name


# --- the case


def triangles(name: str) -> np.ndarray:
    data = (HARDWARE / "case" / name).read_bytes()
    count = struct.unpack_from("<I", data, 80)[0]
    assert len(data) == 84 + 50 * count, "not a binary STL"
    rows = np.frombuffer(
        data, np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]), count, 84
    )
    return rows["v"].astype(float)


@pytest.mark.parametrize("name", ["body.stl", "lid.stl"])
def test_case_is_a_closed_solid(name: str) -> None:
    solid = triangles(name)
    corners = {
        p: i for i, p in enumerate(sorted({tuple(np.round(v, 4)) for t in solid for v in t}))
    }
    edges: dict[tuple[int, int], int] = {}
    for t in solid:
        a, b, c = (corners[tuple(np.round(v, 4))] for v in t)
        for edge in ((a, b), (b, c), (c, a)):
            edges[edge] = edges.get(edge, 0) + 1
    assert all(edges.get((b, a)) == n for (a, b), n in edges.items()), "not watertight"
    volume = np.einsum("ij,ij->i", solid[:, 0], np.cross(solid[:, 1], solid[:, 2])).sum() / 6
    assert 20e3 < volume < 200e3  # mm3


def hits(solid: np.ndarray, start, direction) -> int:
    """Triangles that a ray passes (Moeller and Trumbore, 1997)."""
    a, e1, e2 = solid[:, 0], solid[:, 1] - solid[:, 0], solid[:, 2] - solid[:, 0]
    h = np.cross(np.asarray(direction, float), e2)
    det = np.einsum("ij,ij->i", e1, h)
    ok = np.abs(det) > 1e-9
    f = 1 / np.where(ok, det, 1)
    s = np.asarray(start, float) - a
    u = f * np.einsum("ij,ij->i", s, h)
    q = np.cross(s, e1)
    v = f * np.einsum("j,ij->i", np.asarray(direction, float), q)
    t = f * np.einsum("ij,ij->i", e2, q)
    return int((ok & (u > 0) & (v > 0) & (u + v < 1) & (t > 1e-6)).sum())


def test_every_connector_has_its_opening_and_the_wall_is_closed_elsewhere(
    board: kept.Board,
) -> None:
    solid = triangles("body.stl")
    shift, face = 2.4 + 0.8, 2.4 + 6 + 1.6  # case.scad: wall, gap; floor, leads, board
    assert np.ptp(solid[..., 0]) > 160 + 1 and np.ptp(solid[..., 1]) > 100 + 1
    ways = {"left": (-1, 0, 0), "right": (1, 0, 0), "bottom": (0, -1, 0)}
    rows = re.findall(r'\["(\w+)",\s*"(\w+)",', (HARDWARE / "case" / "case.scad").read_text())
    assert {r for r, _ in rows} == {
        r for r in board.parts if re.match(r"J[1-9]01|J[39]11|J951|M1$", r)
    }
    for reference, side in rows:
        pads = np.array([p[:2] for p in board.parts[reference].pads.values()])
        x, y = pads[[0, -1]].mean(0) if reference == "M1" else pads.mean(0)
        if reference == "M1":  # between the pins 1 and 40
            y = (pads[:, 1].max() + pads[:, 1].min()) / 2
        high = 12.0 if reference == "M1" else 5.0
        start = (x + shift, 100 + shift - y, face + high)
        assert hits(solid, start, ways[side]) == 0, f"{reference} is walled in"
        assert hits(solid, (*start[:2], face + 22), ways[side]) > 0
    for hole in rules.HOLES:
        assert hits(solid, (hole[0] + shift, 100 + shift - hole[1], face), (0, 0, -1)) == 0


# --- with KiCad, where it is


# All of the kept files is checked above without it, so nothing is skipped where it is not: there
# these two are no tests.
KICAD = Path("/usr/share/kicad/footprints/Resistor_SMD.pretty").exists()


def make_board_gives_the_kept_bytes(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    folder.mkdir()
    for path in BOARD.glob("*"):
        if path.suffix in (".kicad_sch", ".txt"):
            shutil.copy(path, folder)
    layout = HARDWARE / "layout"
    command = ["/usr/bin/python3", layout / "pcb.py", layout / "layout.json", folder]
    subprocess.run(command, check=True, capture_output=True)
    for name in (
        PCB.name,
        "sparkwitness.kicad_pro",
        "sparkwitness.kicad_dru",
        "drc.txt",
        "order.zip",
    ):
        assert (folder / name).read_bytes() == (BOARD / name).read_bytes(), name


def kicads_own_check_finds_planted_tracks(board, tmp_path: Path) -> None:
    x, y, _ = board.parts["J601"].pads["1"]
    for name, text, says in (
        ("near", with_track("gnd", (x - 2, y - 3.5), (x + 2, y - 3.5)), "points: 4 mm"),
        ("inside", with_track("gnd", (30, 78), (30, 79)), "isolated: 8 mm"),
    ):
        for ending in ("kicad_pro", "kicad_dru"):
            shutil.copy(BOARD / f"sparkwitness.{ending}", tmp_path / f"{name}.{ending}")
        (tmp_path / f"{name}.kicad_pcb").write_text(text, encoding="utf-8")
        script = (
            "import pcbnew, sys; b = pcbnew.LoadBoard(sys.argv[1]); "
            "pcbnew.WriteDRCReport(b, sys.argv[2], pcbnew.EDA_UNITS_MILLIMETRES, True)"
        )
        report = tmp_path / f"{name}.txt"
        subprocess.run(["/usr/bin/python3", "-c", script, tmp_path / f"{name}.kicad_pcb", report],
                       check=True, capture_output=True)  # fmt: skip
        assert f"Rule: {says}; Severity: error" in report.read_text(), name


if KICAD:
    test_make_board_gives_the_kept_bytes = make_board_gives_the_kept_bytes
    test_kicads_own_check_finds_planted_tracks = kicads_own_check_finds_planted_tracks


def test_layout_is_the_placed_board(board: kept.Board) -> None:
    places = json.loads((HARDWARE / "layout" / "layout.json").read_text(encoding="utf-8"))["places"]
    for reference, (x, y, angle) in places.items():
        part = board.parts[reference]
        assert (part.x, part.y) == pytest.approx((x, y), abs=1e-3)
        assert (part.angle - angle) % 360 == pytest.approx(0)
