"""Display and buttons of the stand-alone meter, transfer by transfer and press by press: by hand.

The display's bytes are those of the data sheets of SSD1306 and SH1106, typed once more. The clock
is the test's (`meter_rig.FAKES`).
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from firmware_board import run_script
from meter_rig import FAKES
from sparkwitness.timing.angle import Reference


def say(script: str, given: object = None) -> Any:
    """What a script that reads `given` prints as JSON."""
    head = FAKES + "\nimport menu\ngiven = json.loads(sys.stdin.read())\n"
    return json.loads(run_script(head + script, stdin=json.dumps(given).encode()))


# Display

PANEL = """
class Drawn:
    dots = bytearray(1024)
    def draw(self, meter): pass
    def clear(self):
        for k in range(1024): self.dots[k] = 0
class Told:
    values = {"display": given}
sent = []
plain = I2C.writeto
def writeto(self, address, data):
    sent.append(list(data))
    return plain(self, address, data)
I2C.writeto = writeto
shown = panel.find()
shown._picture = drawn = Drawn()
def work(now):
    "Pieces that went out in this turn; -1: the set-up."
    before = len(sent)
    shown.work(now)
    return [-1 if len(s) == 25 else (s[1] & 15) * 4 + ((s[5] & 15) * 16 + s[3]) // 32
            for s in sent[before:]]
def turns(n, now):
    found = []
    for _ in range(n): found += work(now)
    return found
"""
EVERY = list(range(32))


@pytest.mark.parametrize("display", [0, 1])
def test_pieces_with_their_addresses(display: int) -> None:
    """32 columns of a page each; an SH1106 begins two columns further on. Set-up first."""
    script = """
for k in range(1024): drawn.dots[k] = k * 7 & 255
shown.show(Told)
turns(40, 1001)
drawn.dots[1023] ^= 1
turns(3, 1002)
shown.show(Told)
turns(3, 1003)
shown.clear()
print(json.dumps(sent))
"""
    sent = say(PANEL + script, display)
    # Clock divide 0x80; multiplex 64; no offset; line 0; pump; page mode; mirrored; pins; ...
    setup = "00 d580 a83f d300 40 8d14 2002 a1 c8 da12 81cf d9f1 db40 a4 a6 af"
    dots = [k * 7 & 255 for k in range(1024)]

    def piece(k: int, dots: list[int]) -> list[int]:
        column = 32 * (k % 4) + 2 * display
        return [0x80, 0xB0 + k // 4, 0x80, column % 16, 0x80, 0x10 + column // 16, 0x40,
                *dots[32 * k : 32 * k + 32]]  # fmt: skip

    assert sent[:2] == [list(bytes.fromhex(setup))] * 2  # to find it, and before the first picture
    assert sent[2:34] == [piece(k, dots) for k in range(32)]
    dots[-1] ^= 1
    assert sent[34:35] == [piece(31, dots)]  # it is looked for once something is shown anew
    assert sent[35:67] == [piece(k, [0] * 1024) for k in range(32)]
    assert sent[67:] == [[0x00, 0xAE]]  # off


def test_only_what_has_changed_goes_out_and_all_of_it_every_two_seconds() -> None:
    script = """
found = [turns(34, 1001)]
for piece, byte in ((0, 0), (1, 4), (2, 11), (5, 12), (30, 19), (30, 20), (31, 24), (9, 31)):
    drawn.dots[32 * piece + byte] ^= 16
    shown.show(Told)
    found.append(turns(3, 1500))
for piece in (3, 17, 28):
    drawn.dots[32 * piece + 5] ^= 2
shown.show(Told)
found += [turns(5, 2000), turns(2, 2999)]
found += [work(3000), turns(10, 3001)]
shown.show(Told)  # does not begin the whole anew
found += [turns(40, 3002), turns(2, 4999), turns(40, 5000)]
print(json.dumps(found))
"""
    assert say(PANEL + script, 0) == [
        [-1, *EVERY], [0], [1], [2], [5], [30], [30], [31], [9], [3, 17, 28], [],
        [-1], EVERY[:10], EVERY[10:], [], [-1, *EVERY],
    ]  # fmt: skip


def test_after_an_error_the_bus_is_let_alone_for_three_tenths() -> None:
    """Then the set-up, and where that goes well, all pieces; else it waits as long again."""
    script = """
made = []
def begin(self, number, sda, scl, freq, timeout=0):
    made.append([number, sda.number, scl.number, freq, timeout])
I2C.__init__ = begin
found = [turns(20, 1001)]
I2C.fail = 1
found += [work(1100), work(1399)]
I2C.fail = 1
found += [work(1400), work(1699), work(1700), turns(40, 1701), turns(3, 3699), turns(40, 3700)]
I2C.fail = 1
drawn.dots[0] ^= 1
shown.show(Told)
found += [work(4000), work(4299), turns(40, 4300)]
print(json.dumps([found, made]))
"""
    found, made = say(PANEL + script, 0)
    assert found == [
        [-1, *EVERY[:19]], [19], [], [-1], [], [-1], EVERY, [], [-1, *EVERY],
        [0], [], [-1, *EVERY],
    ]  # fmt: skip
    assert made == [[0, 16, 17, 400_000, 3_000]] * 3  # bus 0 of the board's pins, 400 kHz, 3 ms


def test_a_held_data_line_is_clocked_free() -> None:
    """Nine clocks, one for each bit of a byte and its acknowledge (I2C specification, UM10204
    3.1.16), low for 5 us and let go for 5: a fast bus's line needs 1.3 and 0.6."""
    script = """
done = []
Pin.init = lambda self, mode=0, pull=0, value=None: done.append([self.number, mode, pull, value])
panel.sleep_us = lambda us: done.append(us)
levels[16] = 0
panel.connect()
first, done = done[:], []
levels[16] = 1
panel.connect()
print(json.dumps([first, done, [Pin.OUT, Pin.IN, Pin.PULL_UP]]))
"""
    first, then, (out, in_, up) = say(script)
    low, free = [17, out, 0, 0], [17, in_, up, None]
    assert first == [low, 5, free, 5] * 9 and then == []


# Buttons


def pressed(steps: list[tuple[int, int]], begins: int = 1) -> list[int]:
    """What a button says at (time, level)."""
    script = """
begins, steps = given
class Wire:
    level = begins
    def value(self): return self.level
wire = Wire()
button = menu.Button(wire)
found = []
for now, level in steps:
    clock.now, wire.level = now, level
    found.append(button.turn(now))
print(json.dumps(found))
"""
    found: list[int] = say(script, [begins, steps])
    return found


def test_a_level_that_lasts_eight_milliseconds_is_a_press() -> None:
    assert pressed([(2000, 0), (2007, 0), (2008, 0), (2009, 0)]) == [0, 0, 1, 0]
    # A bounce begins the eight anew; letting go is no press.
    steps = [(2000, 0), (2006, 1), (2007, 0), (2014, 0), (2015, 0), (2100, 1), (2107, 1),
             (2108, 1), (2200, 0), (2208, 0)]  # fmt: skip
    assert pressed(steps) == [0, 0, 0, 0, 1, 0, 0, 0, 0, 1]
    # Down from the start: once it was up.
    steps = [(2000, 0), (2900, 0), (3000, 1), (3008, 1), (3100, 0), (3108, 0)]
    assert pressed(steps, begins=0) == [0, 0, 0, 0, 0, 1]


def test_a_button_held_repeats() -> None:
    """After 600 ms every 100; where a turn took long, what was missed is left out."""
    down = [(2000, 0), (2008, 0)]
    often = [*range(2600, 2612), *range(2700, 2712), *range(2800, 2812)]
    found = pressed([*down, *((t, 0) for t in often)])[2:]
    assert [t for t, said in zip(often, found, strict=True) if said] == [2608, 2708, 2808]
    assert set(found) == {0, 2}
    # The second at 2708 is seen 200 late: two are made up for. 201 late: only what came last.
    for late, more in ((2908, [2909, 2910]), (2909, [2910])):
        times = [2608, late, late + 1, late + 2, late + 3, late + 60]
        found = pressed([*down, *((t, 0) for t in times)])[2:]
        said = [t for t, one in zip(times, found, strict=True) if one]
        assert said == [2608, late, *more], late
    # Let go: at once no more.
    assert pressed([*down, (2700, 0), (2701, 1), (2800, 1), (3500, 1)])[2:] == [2, 0, 0, 0]


def test_steps_grow_while_it_is_held() -> None:
    """By tenths of a degree; from two seconds on ten, from four a hundred of them."""
    script = """
class Wire:
    level = 1
    def value(self): return self.level
wire = Wire()
button = menu.Button(wire)
for now, wire.level in ((2000, 0), (2008, 0)): button.turn(now)
print(json.dumps([button.pace(2008 + t) for t in given]))
"""
    times = [0, 1999, 2000, 3999, 4000, 60_000]
    assert say(script, times) == [1, 1, 10, 10, 100, 100]


# The list

MENU = """
class Fake:
    said = 0
    def turn(self, now): return self.said
    def pace(self, now): return self.step
    step = 1
class Panel:
    a, b = Fake(), Fake()
    def buttons(self): return self.a, self.b
class Meter_:
    values = settings.first()
    changed = []
    saves = 0
    fine = True
    def change(self, name): self.changed.append(name)
    def save(self):
        self.saves += 1
        return self.fine
meter = Meter_()
shown = Panel()
made = menu.Menu(meter, shown)
"""


def test_a_menu_begins_closed_and_has_nothing_new() -> None:
    said = say(MENU + "print(json.dumps([made.mode, made.item, made.said, made.fresh]))")
    assert said == [0, 0, 0, False]


def test_the_list_press_by_press() -> None:
    """Closed 0, list 1, change 2; said: kept 1, later 2, failed 3."""
    steps: list[tuple[tuple[int, int, int, bool], list[object]]] = [
        # time, A, B, whether a host is served: mode, item, said, something new, times kept
        ((1400, 0, 0, False), [0, 0, 0, False, 0]),
        ((1500, 1, 0, False), [1, 0, 0, True, 0]),
        ((1501, 0, 0, False), [1, 0, 0, False, 0]),
        ((1600, 2, 0, False), [1, 0, 0, False, 0]),  # held: nothing more
        ((1700, 1, 0, False), [1, 1, 0, True, 0]),
        ((1800, 0, 1, False), [2, 1, 0, True, 0]),
        ((1900, 0, 2, False), [2, 1, 0, False, 0]),  # held since before the change
        ((2000, 0, 1, False), [2, 1, 0, True, 0]),  # crank edge: falling
        ((2100, 0, 2, False), [2, 1, 0, True, 0]),  # and rising again, while held
        ((2200, 0, 2, False), [2, 1, 0, True, 0]),
        ((5200, 0, 0, False), [2, 1, 0, False, 0]),  # 3 s
        ((5201, 0, 0, False), [1, 1, 1, True, 1]),
        ((6701, 0, 0, False), [1, 1, 1, False, 1]),  # said for 1.5 s
        ((6702, 0, 0, False), [1, 1, 0, True, 1]),
        ((15_201, 0, 0, False), [1, 1, 0, False, 1]),  # 10 s
        ((15_202, 0, 0, False), [0, 1, 0, True, 1]),
        ((40_000, 0, 0, False), [0, 1, 0, False, 1]),
        ((40_100, 0, 1, False), [1, 0, 0, True, 1]),  # any button opens it
        ((40_200, 0, 1, False), [2, 0, 0, True, 1]),
        ((40_300, 1, 1, False), [2, 0, 0, True, 1]),  # both: A
        ((43_301, 0, 0, True), [1, 0, 2, True, 1]),  # a host is served: later
        ((43_302, 0, 0, True), [1, 0, 2, False, 1]),
        ((43_303, 0, 0, False), [1, 0, 3, True, 2]),  # a disk that is full
        ((43_304, 0, 0, False), [1, 0, 3, False, 2]),
        ((43_400, 1, 0, False), [1, 1, 0, True, 2]),
        *(((43_500 + k, 1, 0, False), [1, k, 0, True, 2]) for k in range(2, 9)),
        ((43_600, 1, 0, False), [0, 9, 0, True, 2]),  # past the last
        ((43_700, 1, 0, False), [1, 0, 0, True, 2]),
        ((43_701, 0, 1, False), [2, 0, 0, True, 2]),
        ((46_702, 0, 0, True), [1, 0, 0, True, 2]),  # nothing was changed: nothing is kept
    ]
    script = """
found = []
for now, shown.a.said, shown.b.said, served in given:
    clock.now = now
    meter.fine = now < 40000
    made.turn(now, served)
    found.append([made.mode, made.item, made.said, made.fresh, meter.saves])
print(json.dumps([found, meter.changed, meter.values["falling"], menu.SAID]))
"""
    found, changed, falling, words = say(MENU + script, [step for step, _ in steps])
    for (step, wanted), one in zip(steps, found, strict=True):
        assert one == wanted, step
    assert changed == ["falling"] * 3 + ["teeth"] and falling == 1
    assert words[1:] == ["KEPT", "KEPT LATER:HOST", "NOT KEPT: FULL?"]


MOVES: list[tuple[str, int, int, int, int]] = [
    # setting, what it was, A (-1) or B (1), pace, what it is then
    ("falling", 0, 1, 1, 1), ("falling", 1, 1, 1, 0), ("falling", 0, -1, 1, 1),
    ("sensor", 3, 1, 1, 4), ("sensor", 4, 1, 100, 0), ("sensor", 0, -1, 1, 4),
    ("clamp", 1, 1, 1, 2), ("clamp", 2, 1, 1, 0), ("display", 0, 1, 1, 1), ("display", 1, 1, 1, 0),
    ("strokes", 4, 1, 1, 2), ("strokes", 2, 1, 1, 4), ("strokes", 4, -1, 1, 2),
    ("cylinders", 4, 1, 100, 5), ("cylinders", 4, -1, 1, 3), ("cylinders", 1, -1, 1, 1),
    ("cylinders", 2, -1, 1, 1), ("cylinders", 15, 1, 1, 16), ("cylinders", 16, 1, 1, 16),
    ("reference_mdeg", 60_000, 1, 1, 60_100), ("reference_mdeg", 60_000, -1, 10, 59_000),
    ("reference_mdeg", -50, -1, 100, -10_050), ("reference_mdeg", 179_900, 1, 1, 180_000),
    ("reference_mdeg", 179_901, 1, 1, -179_999), ("reference_mdeg", -179_899, -1, 1, -179_999),
    ("reference_mdeg", -179_900, -1, 1, 180_000), ("reference_mdeg", 175_000, 1, 100, -175_000),
    ("commanded_mdeg", 100_000, 1, 1, 10_000), ("commanded_mdeg", 100_000, -1, 100, 10_000),
    ("commanded_mdeg", 10_000, 1, 1, 10_100), ("commanded_mdeg", 10_000, -1, 10, 9_000),
    ("commanded_mdeg", -19_900, -1, 1, -20_000), ("commanded_mdeg", -20_000, -1, 1, 100_000),
    ("commanded_mdeg", 79_900, 1, 1, 80_000), ("commanded_mdeg", 79_901, 1, 1, 80_000),
    ("commanded_mdeg", 79_000, 1, 100, 80_000),
]  # fmt: skip


def test_each_setting_by_a_step() -> None:
    """Angles by 0.1 degrees, from the other side beyond half a turn; -20 to 80 or not known."""
    script = """
found = []
names = [item[0] for item in menu.ITEMS]
for name, was, way, pace in given:
    meter.values.update(settings.first())
    meter.values[name] = was
    made.item = names.index(name)
    made._move(way, pace)
    found.append(meter.values[name])
    meter.values.update(turns=2, reference_mdeg=was)
    if name == "reference_mdeg":
        made._move(way, pace)
        found.append(meter.values[name])
print(json.dumps(found))
"""
    wanted = []
    for name, was, way, pace, is_ in MOVES:
        wanted.append(is_)
        if name == "reference_mdeg":  # of a wheel that turns once in 720 degrees
            wanted.append(was + 100 * way * pace)
    assert say(MENU + script, [move[:4] for move in MOVES]) == wanted
    edge = ("reference_mdeg", 180_000, 1, 1), ("reference_mdeg", -180_000, -1, 1)
    assert say(MENU + script, edge) == [-179_900, 180_100, 179_900, -180_100]


def test_beyond_a_turn_of_the_cam_it_is_the_same_from_the_other_side() -> None:
    script = """
found = []
made.item = 3
for was, way in given:
    meter.values.update(turns=2, reference_mdeg=was)
    made._move(way, 1)
    found.append(meter.values["reference_mdeg"])
print(json.dumps(found))
"""
    given = [(360_000, 1), (359_900, 1), (-359_900, -1), (-359_800, -1)]
    assert say(MENU + script, given) == [-359_900, 360_000, 360_000, -359_900]


def test_wheels_are_what_their_names_say() -> None:
    """As the host reads a wheel's name; an index is the trigger input's. Round the list, back."""
    script = """
found = []
made.item = 0
for way in [1] * len(menu.WHEELS) + [-1]:
    word = made.word()
    v = meter.values
    found.append([word, v["teeth"], v["missing"], v["turns"], v["index"]])
    made._move(way, 100)
    assert not settings.fault(v)
found.append(made.word())
for name, value in (("teeth", 37), ("missing", 1), ("turns", 2), ("index", 1)):
    meter.values.update(teeth=24, missing=0, turns=1, index=1)
    meter.values[name] = 0 if name == "index" else value
    found.append(made.word())
print(json.dumps(found))
"""
    *walked, back, last, a, b, c, d = say(MENU + script)
    assert walked[0] == ["none", 0, 0, 1, 0] and len({row[0] for row in walked}) == len(walked)
    assert back == walked[0] and last == walked[-1][0] == "24 + index"
    for name, *numbers in walked[1:]:
        if name.endswith(" + index"):
            assert numbers == [int(name.split()[0]), 0, 1, 1]
        else:
            wheel = Reference.parse(name, 0.0, 0.0)
            assert numbers == [wheel.teeth, wheel.missing, wheel.turns, 0]
    assert len(walked) == 17 and [a, b, c, d] == ["as sent"] * 4


def test_values_in_words() -> None:
    script = """
found = []
names = [item[0] for item in menu.ITEMS]
for name, value in given:
    meter.values.update(settings.first())
    meter.values[name] = value
    made.item = names.index(name)
    found.append(made.word())
print(json.dumps(found))
"""
    given = [("falling", 0), ("falling", 1), ("sensor", 0), ("sensor", 1), ("sensor", 4),
             ("clamp", 0), ("clamp", 2), ("display", 1), ("strokes", 4), ("cylinders", 4),
             ("reference_mdeg", 0), ("commanded_mdeg", 80_000), ("commanded_mdeg", 100_000),
    ]  # fmt: skip
    assert say(MENU + script, given) == [
        "rising", "falling", "Hall", "VR", "breadb. logic", "plug lead", "coil lead", "SH1106",
        None, None, None, None, "not known",
    ]  # fmt: skip


@pytest.mark.parametrize(("number", "taken"), [(1, False), (2, True), (3, False)])
def test_settings_of_another_version_are_not_taken(number: int, taken: bool, tmp_path: Any) -> None:
    values = {
        "teeth": 36, "missing": 1, "turns": 2, "index": 0, "falling": 1, "sensor": 1,
        "reference_mdeg": -5_000, "within_mdeg": 250, "cylinders": 6, "strokes": 4, "clamp": 2,
        "clamp_b": 1, "commanded_mdeg": 12_000, "display": 1,
    }  # fmt: skip
    (tmp_path / "meter.json").write_text(json.dumps({**values, "format": number}))
    script = """
values, found = settings.load(given)
print(json.dumps([values, found, settings.first()]))
"""
    found, told, first = say(script, f"{tmp_path}/")
    assert told is taken and found == (values if taken else first)
    assert first == {
        "teeth": 0, "missing": 0, "turns": 1, "index": 0, "falling": 0, "sensor": 0,
        "reference_mdeg": 0, "within_mdeg": 500, "cylinders": 4, "strokes": 4, "clamp": 0,
        "clamp_b": 0, "commanded_mdeg": 100_000, "display": 0,
    }  # fmt: skip


def test_settings_are_kept_under_their_name_and_read_back(tmp_path: Any) -> None:
    """A folder that is not there and a disk that keeps something else: not kept."""
    script = """
values = settings.first()
values["teeth"] = 60
values["raw"] = 7  # none of the table's
found = [settings.save(values, given), settings.save(values, given + "none/")]
plain = settings.text
settings.text = lambda values: plain(settings.first())
found.append(settings.save(values, given))
settings.text = lambda values: "{"
found.append(settings.save(settings.first(), given))
settings.text = plain
values["missing"] = 2
found.append(settings.save(values, given))
print(json.dumps(found))
"""
    assert say(script, f"{tmp_path}/") == [True, False, False, False, True]
    assert [path.name for path in tmp_path.iterdir()] == ["meter.json"]
    kept = json.loads((tmp_path / "meter.json").read_text())
    assert (kept["format"], kept["teeth"], kept["missing"], len(kept)) == (2, 60, 2, 15)
