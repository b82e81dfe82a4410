"""What the meter is told about the engine: a table of numbers, kept in one small file.

The host reads and writes the same file by the same table (`sparkwitness board meter`). A file is
written beside the old one and then takes its name, which the file system does as a whole: power may
go at any moment, and either the old settings or the new ones are there.
"""

import json
import os

FILE = "meter.json"
FORMAT = 2
NONE = 100000  # commanded_mdeg: the controller's angle is not known

SENSORS = ("hall", "vr", "logic", "breadboard hall", "breadboard logic")
VR = 1  # it is timed on the falling edge only
CLAMPS = ("plug", "wasted", "coil")
DISPLAYS = ("ssd1306", "sh1106")

# Name, lowest, highest, at first
TABLE = (
    ("teeth", 0, 200, 0),  # places on the wheel; 0: no wheel has been chosen
    ("missing", 0, 3, 0),
    ("turns", 1, 2, 1),  # crank revolutions per turn of the wheel
    ("index", 0, 1, 0),  # 1: the trigger input tells the first tooth
    ("falling", 0, 1, 0),  # 1: the crank's falling edge is stamped
    ("sensor", 0, 4, 0),  # index into SENSORS
    ("reference_mdeg", -360000, 360000, 0),  # index edge before top dead centre
    ("within_mdeg", 0, 20000, 500),  # how well that is known (k = 2)
    ("cylinders", 1, 16, 4),
    ("strokes", 2, 4, 4),
    ("clamp", 0, 2, 0),  # index into CLAMPS
    ("clamp_b", 0, 1, 0),  # 1: the clamp is clamp B
    ("commanded_mdeg", -60000, NONE, NONE),
    ("display", 0, 1, 0),  # index into DISPLAYS
)
NAMES = tuple(row[0] for row in TABLE)


def fault(values):
    """What is wrong with a dict of settings, in a few words; None when it can be used."""
    for name, low, high, _ in TABLE:
        value = values.get(name)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            return name + " must be a whole number from " + str(low) + " to " + str(high)
    if values["strokes"] == 3:
        return "strokes must be 2 or 4"
    if 80000 < values["commanded_mdeg"] < NONE:
        return "commanded_mdeg must be at most 80000"
    teeth, missing = values["teeth"], values["missing"]
    if missing and (teeth - missing < 3 or values["index"]):
        return "a wheel with missing teeth has at least 3 others and no index of its own"
    if values["index"] and teeth < 2:
        return "a wheel with an index has at least 2 teeth"
    return None


def first():
    """The settings of a new board."""
    return {name: value for name, _, _, value in TABLE}


def load(folder=""):
    """(settings, whether they are those of the file)."""
    try:
        with open(folder + FILE) as file:
            values = json.load(file)
        if isinstance(values, dict) and values.get("format") == FORMAT and not fault(values):
            return {name: values[name] for name in NAMES}, True
    except (OSError, ValueError, MemoryError):
        pass
    return first(), False


def text(values):
    """The file's text."""
    kept = {name: values[name] for name in NAMES}
    kept["format"] = FORMAT
    return json.dumps(kept)


def save(values, folder=""):
    """Keep settings and read them back; returns whether they are kept. Takes some ms."""
    try:
        with open(folder + FILE + ".new", "w") as file:
            file.write(text(values))
        os.rename(folder + FILE + ".new", folder + FILE)
    except OSError:
        return False
    kept, found = load(folder)
    return found and kept == {name: values[name] for name in NAMES}
