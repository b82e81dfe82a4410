"""What the printed board must keep to: size, net classes, distances between them with their
sources, what must stand close to what, who lies in which corner. Read by the scripts that make the
board and by the checks of what is kept; needs nothing but Python.

Distances, all from memory of the standard:
IEC 60664-1:2007, table F.4 (creepage), pollution degree 2, material group III (FR-4): 4.0 mm at
400 V, 1.2 mm at 50 V; for printed wiring 2.0 mm at 400 V, 0.04 mm at 50 V. Reinforced insulation
takes the double (5.3.5 there).
"""

from __future__ import annotations

NAME = "sparkwitness"
W, H = 160.0, 100.0  # mm
THICK = 1.6
HOLES = ((48.0, 4.0), (W - 3.5, H - 3.5), (4.0, 53.3), (W - 4.0, 30.0))  # M3
HOLE_MM = 3.2
EDGE = 0.5  # copper to the board's edge
CLEAR = 0.2  # what the makers of boards offer as their ordinary
LEAST_TRACK, LEAST_DRILL, VIA, VIA_DRILL = 0.2, 0.3, 0.8, 0.4

# Nets of a class: its distance to every other class, width of its tracks, why.
POINTS = ("pt_in", "pt_1", "pt_2")
ISOLATED = ("iso_12", "iso_5", "iso_ret", "iso_m", "iso_a", "u4_1_open", "u4_4_open")
INPUTS = ("vr_in", "cl_in", "tl_in", "cl_jp", "tl_jp", "sup_in")
POWER = ("v5", "v12", "vdr", "sens5", "s5_f", "s5_r", "lp_r", "lp_d", "lp_c", "lead", "bo_12",
         "ko_12", "bo_c", "ko_c", "bench_oc", "bench_12", "crank_oc", "crank_12")  # fmt: skip
CLASSES = {
    "points": (POINTS, 4.0, 0.6, "points and coil negative, 400 V at every firing: basic, "
    "400 V, F.4"),
    "isolated": (ISOLATED, 8.0, 0.6, "isolated tap against a board that a mains adapter may lift: "
                 "reinforced, twice 400 V of F.4"),
    "inputs": (INPUTS, 2.0, 0.6, "inputs that see 400 V by mistake only: printed wiring, "
    "400 V, F.4"),
    "power": (POWER, CLEAR, 0.6, "supplies, outputs, the lead to the engine"),
}  # fmt: skip
SIGNAL_WIDTH = 0.25

# The two corners where nothing of the board's own side may lie: left, top, right, bottom.
POINTS_CORNER = ((0.6, 5.0, 39.6, 14.5), (15.0, 14.4, 39.6, 22.3), (15.0, 22.2, 31.0, 30.5))
ISOLATED_CORNER = (0.6, 57.0, 59.2, H - 0.6)

# Pads that must stand close together, mm between their centres: what the circuit's speed, its
# threshold or its warmth asks for. (pad, pad, most, why)
CLOSE = [
    ("C1", "1", "U1", "8", 6.0, "supply of the clamps' comparator"),
    ("C2", "1", "U2", "8", 6.0, "supply of the crank's comparator"),
    ("C3", "1", "U3", "8", 6.0, "supply of the tap's comparator"),
    ("C7", "1", "U7", "8", 6.0, "supply of the points' comparator"),
    ("C701", "1", "U4", "8", 8.0, "supply of the optocoupler"),
    ("C903", "1", "U5", "6", 10.0, "supply of the driver"),
    ("C108", "1", "U1", "2", 12.0, "clamps' threshold"),
    ("C408", "1", "U2", "6", 20.0, "logic threshold"),
    ("C101", "1", "D101", "1", 14.0, "clamp A's hold: small loop"),
    ("C101", "1", "D102", "1", 14.0, "clamp A's hold: small loop"),
    ("C101", "1", "R103", "1", 10.0, "clamp A's hold: small loop"),
    ("C201", "1", "D201", "1", 14.0, "clamp B's hold: small loop"),
    ("C201", "1", "D202", "1", 14.0, "clamp B's hold: small loop"),
    ("C201", "1", "R203", "1", 10.0, "clamp B's hold: small loop"),
    ("R104", "2", "U1", "3", 10.0, "clamp A's comparator input"),
    ("R204", "2", "U1", "5", 10.0, "clamp B's comparator input"),
    ("C301", "1", "U2", "3", 12.0, "VR input, 220 pF"),
    ("C401", "1", "R404", "1", 12.0, "logic input, 100 pF"),
    ("C501", "1", "R504", "1", 12.0, "tap's input, 100 pF"),
    ("C601", "1", "R605", "1", 12.0, "points input, 100 pF"),
    ("C901", "1", "PS901", "4", 9.0, "12 V converter"),
    ("C902", "1", "PS901", "2", 9.0, "12 V converter"),
]  # fmt: skip

# Parts of the bench side: left out where only timing is wanted. All else is in both variants.
BENCH_BLOCKS = ("bench", "bench_crank", "bench_power")
BENCH_ALSO = ("TP8",)
VARIANTS = ("timing", "bench")


def class_of(net: str) -> str:
    """Name of a net's class; "Default" for signals and the ground."""
    return next((name for name, entry in CLASSES.items() if net in entry[0]), "Default")


def distance(a: str, b: str) -> float:
    """Least distance (mm) between copper of two nets."""
    one, other = class_of(a), class_of(b)
    if one == other:
        return CLEAR
    return max(CLASSES[c][1] if c in CLASSES else CLEAR for c in (one, other))


def width(net: str) -> float:
    """Width of a net's tracks, mm."""
    name = class_of(net)
    return CLASSES[name][2] if name in CLASSES else SIGNAL_WIDTH
