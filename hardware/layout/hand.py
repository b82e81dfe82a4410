"""What is decided by hand on the printed board: where connectors and the two dangerous corners
lie, which ground each block may take, the corners' tracks, the words on it. mm from the board's
top left corner.
"""

from __future__ import annotations

from collections.abc import Callable

from rules import H, W

# reference: (pad, its x, its y, turned by degrees counter-clockwise)
FIXED = {
    # 400 V corner
    "J601": ("1", 8, 10, 270), "R601": ("1", 20, 10, 0), "R602": ("1", 35.24, 18, 180),
    "R603": ("1", 20, 26, 0),
    # isolated corner
    "J701": ("1", 8, 66, 270), "R701": ("1", 18, 66, 0), "R704": ("1", 18, 74, 0),
    "D702": ("1", 38.32, 82, 180), "R702": ("1", 38.32, 88, 0), "D701": ("1", 48.48, 93, 180),
    "U4": ("1", 50, 74, 0),
    # left edge
    "J801": ("1", 8, 41, 270),
    # microcontroller at the top right, its USB plug to the right edge
    "M1": ("1", W - 4, 5, 270),
    # right edge
    "J901": ("1", W - 8, 48, 90), "J911": ("1", W - 8, 66, 90), "J951": ("1", W - 6, 79, 90),
    # bottom edge
    "J501": ("1", 66, H - 7.5, 0), "J401": ("1", 83.5, H - 7.5, 0), "J301": ("1", 101, H - 7.5, 0),
    "J201": ("1", 114.5, H - 6, 0), "J101": ("1", 128, H - 6, 0),
    # top edge
    "J961": ("1", 60, 4, 90), "SW1": ("1", 74, 4, 0), "SW2": ("1", 86, 4, 0),
}  # fmt: skip
KEEP_OUT = [
    (0, 0, 40, 31), (0, 54.5, 60.8, H), (0, 31, 4, 55), (4, 31, 18, 37), (4, 47, 24, 54.5),
]  # fmt: skip
# Ground of each block: left, top, right, bottom. The signal goes from the edge to the comparator
# to the
# microcontroller; the bench side keeps to the right, away from the clamps.
REGIONS = {
    "points": (41, 10, 61, 50), "supply": (14, 32, 46, 53), "isolated": (60, 64, 68, 88),
    "power": (62, 10, 104, 28), "sensor_supply": (62, 10, 104, 28),
    "bench_power": (80, 10, 116, 36),
    "trigger_logic": (60, 30, 82, 99), "trigger_select": (50, 30, 84, 60),
    "logic_threshold": (66, 36, 98, 66),
    "crank_logic": (79, 46, 100, 99), "crank_select": (82, 34, 112, 66),
    "crank_vr": (92, 44, 110, 99),
    "clamp_a": (118, 50, 144, 99), "clamp_b": (104, 48, 131, 99),
    "clamp_threshold": (112, 52, 134, 76),
    "bench": (84, 26, 148, 54), "bench_crank": (84, 26, 148, 60),
    "lamp": (132, 62, 160, 99),
}  # fmt: skip

Pad = Callable[[str, str], tuple[float, float]]
FRONT, BACK = 0, 1


def tracks(pad: Pad) -> list[tuple[str, int, list[tuple[float, float]]]]:
    """Tracks of the two corners: (net, layer, points)."""
    u4_in, u4_out = pad("U4", "2"), pad("U4", "3")
    return [
        ("pt_in", FRONT, [pad("J601", "1"), pad("R601", "1")]),
        ("pt_1", FRONT, [pad("R601", "2"), pad("R602", "1")]),
        ("pt_2", FRONT, [pad("R602", "2"), pad("R603", "1")]),
        ("iso_12", FRONT, [pad("J701", "1"), pad("R701", "1")]),
        ("iso_5", FRONT, [pad("J701", "2"), (15, 71.08), pad("R704", "1")]),
        ("iso_m", FRONT, [pad("R701", "2"), pad("R704", "2"), pad("D702", "1"), pad("R702", "1")]),
        ("iso_a", FRONT, [pad("D701", "1"), pad("R702", "2")]),
        ("iso_a", FRONT, [pad("D701", "1"), (46.5, 91.02), (46.5, u4_in[1]), u4_in]),
        ("iso_ret", BACK, [pad("J701", "3"), (8, 82), pad("D702", "2"),
        (25.62, 93), pad("D701", "2"),
                           (43, 90.86), (43, u4_out[1]), u4_out]),
    ]  # fmt: skip


# Words on the front: text, x, y, size, degrees.
LABELS = [
    ("POINTS, COIL NEG", 10, 3.2, 1.2, 0), ("DANGER 400 V", 28, 3.4, 1.7, 0),
    ("1 points", 3.2, 10, 0.8, 90), ("2 engine", 3.2, 18, 0.8, 90),
    ("SUPPLY SENSE", 9.5, 35.4, 1.1, 0), ("1 ignition +", 2.2, 41, 0.8, 90),
    ("2 engine block:", 10, 49.7, 0.9, 0), ("ground lead", 11.7, 51.2, 0.9, 0),
    ("ISOLATED TAP", 10, 60.3, 1.2, 0),
    ("8 mm to the board: nothing may bridge it", 27, 97.8, 1.1, 0),
    ("1 12 V", 2.2, 66, 0.8, 90), ("2 5 V", 2.2, 71.2, 0.8, 90), ("3 return", 2.2, 76.6, 0.8, 90),
    ("TRIGGER", 71, H - 2.0, 0.9, 0), ("5V   sig   gnd", 71, H - 0.75, 0.75, 0),
    ("CRANK", 88.6, H - 2.0, 0.9, 0), ("5V   sig   gnd", 88.6, H - 0.75, 0.75, 0),
    ("VR", 103.6, H - 2.0, 0.9, 0), ("sig   gnd", 103.6, H - 0.75, 0.75, 0),
    ("CLAMP B", 117, H - 1.2, 1.1, 0), ("CLAMP A", 130.5, H - 1.2, 1.1, 0),
    ("BENCH TRIGGER", W - 0.9, 43, 0.9, 90), ("BENCH CRANK", W - 0.9, 61, 0.9, 90),
    ("gnd", W - 2.4, 37.9, 0.7, 90), ("push-pull", W - 2.4, 43, 0.7, 90),
    ("OC", W - 2.4, 48.1, 0.7, 90),
    ("gnd", W - 2.4, 55.9, 0.7, 90), ("push-pull", W - 2.4, 61, 0.7, 90),
    ("OC", W - 2.4, 66.1, 0.7, 90),
    ("LAMP", W - 0.9, 77.8, 0.9, 90), ("module off first", W - 0.9, 21.5, 0.85, 90),
    ("USB", W - 1.0, 11.4, 0.9, 90), ("sparkwitness", 131, 10.5, 2.0, 0),
    ("revision 1: simulated, not yet measured", 131, 17, 1.1, 0),
]  # fmt: skip
BACK_LABELS = [
    ("DANGER 400 V", 27.6, 14, 1.6, 0), ("ISOLATED TAP", 27, 70, 2.0, 0),
    ("8 mm: nothing may bridge it", 30, 97, 1.2, 0), ("sparkwitness", 131, 14, 2.0, 0),
]  # fmt: skip
# Words beside a part: reference, its pad ("": the part), text. words.py finds the place.
NOTES = [
    ("JP301", "1", "VR"), ("JP301", "3", "logic"), ("JP401", "", "pull-up"),
    ("JP501", "", "pull-up"), ("JP502", "1", "logic"), ("JP502", "3", "points"),
    ("JP503", "", "isolated"), ("JP901", "1", "12V"), ("JP901", "3", "5V"),
    ("J951", "1", "+"), ("J961", "", "display"), *((f"J97{i}", "", "test") for i in range(1, 5)),
]  # fmt: skip
# Lines round the two corners, on both sides. No copper of the board's own side is beyond the
# isolated corner's, whose slope leaves out the lead and v5.
BORDERS = (
    ((40.4, 1), (40.4, 31), (1, 31)),
    ((58.9, H - 1), (58.9, 84)),
    ((57.2, 70.2), (53.4, 66.4), (53.4, 64.6), (46.2, 57.4), (1, 57.4)),
)  # fmt: skip
