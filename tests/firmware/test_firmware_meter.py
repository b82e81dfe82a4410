"""The stand-alone meter under the real MicroPython: display, buttons, settings, and the loop.

What it measures is held against engines of a second hand in test_meter_truth.py.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

import meter_pictures
from firmware_board import LAMP, START, World, lamp, run_script, running
from meter_rig import FAKES
from test_firmware import wheel


def say(script: str, *arguments: str, stdin: bytes = b"") -> object:
    """What a script prints as JSON."""
    return json.loads(run_script(FAKES + script, *arguments, stdin=stdin))


# Pictures


def test_pictures_are_the_kept_ones() -> None:
    """Kept ones were looked at; `python tests/meter_pictures.py --write` makes them anew."""
    kept = {path.name: path.read_text() for path in meter_pictures.FOLDER.glob("*.svg")}
    assert meter_pictures.files() == kept


def test_the_guide_shows_pictures_and_names_reasons_that_there_are() -> None:
    guide = (meter_pictures.FOLDER.parent / "stand-alone.md").read_text()
    shown = set(re.findall(r"\(pictures/(.+?)\)", guide))
    assert shown >= {"error.svg", "early.svg", "change.svg"}
    assert shown <= set(meter_pictures.files())
    words = json.loads(run_script("import json, reasons\nprint(json.dumps(reasons.REASONS))"))
    named = re.findall(r"[A-Z]{2}[A-Z ?]+[A-Z?]{2}", guide.split("Other dashes:")[1].split("## ")[0]
                       .replace("\n", " "))  # fmt: skip
    assert len(named) >= 9
    firsts = {first.removesuffix(" by") for first, _ in words}
    assert all(any(one.strip() in first for first in firsts) for one in named), named
    # A line holds sixteen letters; the dot in the corner takes the last of the lowest line.
    assert all(len(first) <= 16 and len(second) <= 15 for first, second in words)


def test_large_digits_are_five_millimetres_high_and_nothing_is_cut() -> None:
    # 0.96 inch, 128 x 64: 21.7 mm x 10.9 mm (data sheets of such modules, from memory).
    (picture,) = meter_pictures.draw([{**meter_pictures.NUMBER, "timing": 888}])
    lines = [y for y, row in enumerate(picture) if "#" in row[:80]]
    tall = next(y for y in lines if y + 1 not in lines) + 1
    assert tall * 10.9 / 64 >= 5.0
    # Whatever the number, its sign and its digits are told apart from all others.
    values = [*range(-999, 1000, 7), 0, 1, -1, 999, -999]
    drawn = meter_pictures.draw([{"timed": True, "error": v, "timing": v} for v in values])
    large = {tuple(row[:80] for row in one[:32]) for one in drawn}
    assert len(large) == len(set(values))
    # What does not fit is said.
    (over,) = meter_pictures.draw([{"timed": True, "timing": 1000}])
    assert not any("#" in row[:80] for row in over[:32])
    assert any("#" in row[84:] for row in over[:8])


FONT = """
import framebuf, json
found = {}
for code in range(33, 127):
    cell = bytearray(8)
    framebuf.FrameBuffer(cell, 8, 8, framebuf.MONO_VLSB).text(chr(code), 0, 0)
    found[chr(code)] = list(cell)
print(json.dumps(found))
"""
# Segments a to g of the digits of a display of seven (common practice, no source).
SEVEN = ("abcdef", "bc", "abdeg", "abcdg", "bcfg", "acdfg", "acdefg", "abc", "abcdefg", "abcdfg")


def large(picture: list[str]) -> str:
    """The main number, read by its segments: sign, two digits, point, one digit."""
    places = {"a": (8, 1), "b": (15, 8), "c": (15, 24), "d": (8, 30), "e": (1, 24), "f": (1, 8),
              "g": (8, 15)}  # fmt: skip
    said = "+" if picture[12][4] == "#" else "-" if picture[15][1] == "#" else ""
    for left in (13, 34, 54, 61):
        if left == 54:
            said += "." if picture[30][55] == "#" else ""
            continue
        lit = "".join(s for s, (x, y) in sorted(places.items()) if picture[y][left + x] == "#")
        said += str(SEVEN.index(lit)) if lit else ""
    return said


def test_what_a_picture_shows_is_the_number() -> None:
    """Read from the dots: by segments, and by the letters of MicroPython's own font."""
    font = {tuple(cell): char for char, cell in json.loads(run_script(FONT)).items()}

    def small(picture: list[str], left: int, right: int, top: int) -> str:
        said = ""
        for x in range(left, right, 8):
            cell = tuple(
                sum(1 << y for y in range(8) if picture[top + y][x + k] == "#") for k in range(8)
            )
            said += font.get(cell, "?") if any(cell) else " "
        return said.strip()

    values = [0, 1, 9, 10, 11, 99, 100, 101, 109, 110, 250, 346, 678, 999]
    values += [-v for v in values[1:]]
    scenes = [
        {"timed": True, "error": v, "timing": -v, "within": abs(v), "rpm": 7 * abs(v),
         "sparks": abs(v), "events": abs(v), "known": True}
        for v in values
    ]  # fmt: skip
    for v, one in zip(values, meter_pictures.draw(scenes), strict=True):
        word = "EARLY" if v > 0 else "LATE" if v < 0 else "EXACT"
        assert large(one) == (f"{v / 10:+.1f}" if v else "0.0")
        assert [small(one, 84, 124, 0), small(one, 92, 124, 12), small(one, 84, 108, 24)] == [
            word, f"{abs(v) / 10:.1f}", "deg",
        ]  # fmt: skip
        assert small(one, 0, 40, 35) == f"{-v / 10:.1f}"
        assert small(one, 48, 80, 35) == ("ATDC" if -v < 0 else "BTDC")
        assert small(one, 0, 40, 45) == str(7 * abs(v))
        sparks = f"{abs(v) / 10:.1f}"
        assert [small(one, 80, 88, 45), small(one, 88, 120, 45)] == (
            ["x", sparks] if v else ["", ""]
        )
        assert small(one, 0, 40, 56).removeprefix("of").strip() == str(abs(v))
    kept = (
        (3, "values.reference_mdeg", 114_500, "114.5"), (4, "values.commanded_mdeg", -5000, "-5.0"),
        (5, "values.cylinders", 8, "8"), (6, "values.strokes", 2, "2"),
    )  # fmt: skip
    scenes = [{"menu.mode": 1, "menu.item": item, name: value} for item, name, value, _ in kept]
    for (*_, said), one in zip(kept, meter_pictures.draw(scenes), strict=True):
        assert small(one, 16, 64, 20) == said
    # A dot of 3 by 3 goes round a square: the program runs.
    for picture, (x, y) in zip(
        meter_pictures.draw([{"life": life} for life in range(5)]),
        ((121, 57), (125, 57), (125, 61), (121, 61), (121, 57)), strict=True,
    ):  # fmt: skip
        lit = {(n % 7, n // 7) for n in range(49) if picture[57 + n // 7][121 + n % 7] == "#"}
        assert lit == {(x - 121 + n % 3, y - 57 + n // 3) for n in range(9)}
    # Without a commanded angle it is the timing itself: no plus, and where it is.
    plain = [{"timed": True, "timing": v, "rpm": 100_000, "lamp": 100 * v} for v in values]
    for v, one in zip(values, meter_pictures.draw(plain), strict=True):
        assert large(one) == f"{v / 10:.1f}" and small(one, 0, 40, 45) == "over"
        assert small(one, 84, 124, 0) == ("BTDC" if v >= 0 else "ATDC")
        assert small(one, 40, 88, 56) == f"{v / 10:.1f}"
    (said,) = meter_pictures.draw([{"timed": True, "timing": 100, "rpm": 700, "menu.said": 1}])
    assert (small(said, 0, 112, 56), small(said, 0, 40, 45)) == ("KEPT", "700")
    # What is too large for the place says so.
    shown = [{"timed": True, "timing": v, "error": v} for v in (1000, -1000)]
    for one in meter_pictures.draw(shown):
        assert large(one) == "" and small(one, 84, 116, 0) == "OVER"
    reasons = [{"reason": "SCATTER", "figure": v, "rpm": 99_999} for v in (0, 5, 100, -123)]
    for v, one in zip((0, 5, 100, -123), meter_pictures.draw(reasons), strict=True):
        assert small(one, 88, 128, 35) == (f"{v / 10:.1f}" if v else "")
        assert small(one, 0, 40, 45) == "99999"


BUS = """
board = Board()
meter = make(board)
def turns(ms, served=False):
    for _ in range(ms):
        clock.now += 1
        meter.turn(served)
def whole():
    # After the next picture: what is on the glass is what was drawn, dot by dot.
    before = meter._shown
    while meter._shown == before:
        turns(1)
    dots = meter._panel._picture.dots
    turns(100)
    first = panel.FIRST_COLUMN[meter.values["display"]]
    return display.on and all(
        display.ram[132 * (k // 128) + first + k % 128] == dots[k] for k in range(1024))
"""


def test_one_failed_transfer_at_each_place_is_mended() -> None:
    script = """
good = [whole()]
for place in range(70):
    # As many transfers go well, then one fails; what had been sent is lost with it.
    wanted = I2C.count + place
    while I2C.count < wanted:
        turns(1)
    I2C.fail = 1
    count = I2C.count
    while I2C.count == count:
        turns(1)
    turns(1400)
    good.append(whole())
print(json.dumps(good))
"""
    assert say(BUS + script) == [True] * 71


def test_what_goes_out_is_what_the_meter_says_now() -> None:
    """A new meter asks for its wheel; one that has it waits for the crank. The name of the start
    is gone."""
    script = """
from picture import Picture
good = []
for teeth in (0, 36):
    meter.values["teeth"] = teeth
    good.append(whole())
    before = meter._shown
    while meter._shown == before:
        turns(1)
    said = Picture()
    start = bytes(said.dots)
    said.draw(meter)
    good += [bytes(meter._panel._picture.dots) == bytes(said.dots) != start, meter.reason]
print(json.dumps(good))
"""
    first, told, new, second, still, known = say(BUS + script)  # type: ignore[misc]
    assert (first, told, second, still) == (True,) * 4 and new != known


def test_a_display_that_loses_its_state_or_is_put_back_comes_up_within_two_seconds() -> None:
    script = """
good = []
for column in (0, 1):
    meter.values["display"] = column
    turns(2300)
    # Reset without an error on the bus: off, another mode, dots of chance.
    display.on = False
    display.mode = 0
    display.page = 5
    display.column = 77
    for k in range(len(display.ram)):
        display.ram[k] = k * 37 & 255
    turns(2000)
    good.append(whole() and display.mode == 2)
    # Pulled off for three seconds.
    I2C.fail = 1000000
    turns(3000)
    I2C.fail = 0
    display.on = False
    for k in range(len(display.ram)):
        display.ram[k] = 255
    turns(1400)
    good.append(whole())
# A display that holds the data line: clocked out of the middle of a byte.
levels[16] = 0
I2C.fail = 1
Pin.moved.clear()
turns(900)
good.append(sum(1 for number, mode in Pin.moved if number == 17 and mode == Pin.OUT) >= 9)
levels[16] = 1
good.append(whole())
print(json.dumps(good))
"""
    assert say(BUS + script) == [True] * 6


def test_an_absent_display_is_noticed_and_the_end_clears_it() -> None:
    script = """
good = [whole(), any(display.ram)]
meter.close()
good += [not any(display.ram), not display.on]
I2C.fail = 1000
meter.close()  # one that is gone does no harm
good.append(panel.find() is None)
print(json.dumps(good))
"""
    assert say(BUS + script) == [True] * 5


# Buttons and settings

BUTTONS = """
import os
folder = sys.argv[1] if len(sys.argv) > 1 else ""
board = Board()
meter = Meter(board, panel.find(), folder)
def turns(ms, served=False):
    for _ in range(ms):
        clock.now += 1
        meter.turn(served)
seed = [12345]
def chance(n):
    seed[0] = (seed[0] * 1103515245 + 12345) & 0x7FFFFFFF
    return seed[0] // 65536 % n
def bounce(pin, level, ms):
    for _ in range(ms):
        levels[pin] = chance(2)
        turns(1)
    levels[pin] = level
def press(pin, ms=60, rough=0, served=False):
    bounce(pin, 0, rough)
    turns(ms, served)
    bounce(pin, 1, rough)
    turns(30, served)
A, B = 14, 15
levels[A] = levels[B] = 1
turns(50)
def item(k):  # from closed to the item k, to be changed
    press(A)
    for _ in range(k):
        press(A)
    press(B)
"""


def test_every_press_counts_once_under_five_milliseconds_of_bounce(tmp_path: Path) -> None:
    script = """
item(3)
got = []
for rough in (0, 1, 3, 5):
    before = meter.values["reference_mdeg"]
    for _ in range(20):
        press(B, 40, rough)
    for _ in range(7):
        press(A, 40, rough)
    got.append(meter.values["reference_mdeg"] - before)
print(json.dumps(got))
"""
    assert say(BUTTONS + script, f"{tmp_path}/") == [1300] * 4


def test_a_button_held_goes_faster_and_other_items_do_not_run_away(tmp_path: Path) -> None:
    script = """
item(3)
got = []
for ms in (500, 1500, 3500):
    before = meter.values["reference_mdeg"]
    press(B, ms)
    got.append(meter.values["reference_mdeg"] - before)
turns(20000)
got.append(meter.menu.mode)
press(A, 3000)  # opens the list, and no more
got += [meter.menu.mode, meter.menu.item]
press(B, 3000)  # begins the change, and no more
got += [meter.menu.mode, meter.values["teeth"]]
turns(30000)
got.append(meter.menu.mode)
print(json.dumps(got))
"""
    found = say(BUTTONS + script, f"{tmp_path}/")
    assert isinstance(found, list)
    slow, longer, longest = found[:3]
    assert slow == 100  # a press is one step of 0.1 degrees
    assert 900 <= longer <= 1100
    assert longest > 5 * longer
    assert found[3:] == [0, 1, 0, 2, 0, 0]


def test_settings_are_kept_said_to_be_kept_and_read_back(tmp_path: Path) -> None:
    script = """
log = [meter.values["teeth"], meter.reason]
item(0)
for _ in range(3): press(B)  # pulse, cam pulse, 36-1
turns(3100)
log += [meter.menu.said, os.listdir(folder)]
turns(11000)
press(A)
for _ in range(4): press(A)  # commanded
press(B); press(B)
turns(3500, True)  # a host is served: later
log.append(meter.menu.said)
turns(5)
log.append(meter.menu.said)
again, found = settings.load(folder)
log += [found, again["teeth"], again["missing"], again["commanded_mdeg"]]
# A folder that cannot be written to: said, and the meter goes on.
meter._folder = folder + "none/"
press(B); press(B); turns(3100)
log.append(meter.menu.said)
print(json.dumps(log))
"""
    found = say(BUTTONS + script, f"{tmp_path}/")
    assert found == [0, 1, 1, ["meter.json"], 2, 1, True, 36, 1, 10_000, 3]


def test_settings_survive_power_off_at_any_moment() -> None:
    """LittleFS in memory; from some write of a block on, nothing reaches it any more."""
    script = """
import os, vfs
class Flash:
    def __init__(self, data, left):
        self.data, self.left = data, left
    def readblocks(self, n, buffer, at=0):
        for k in range(len(buffer)):
            buffer[k] = self.data[n * 512 + at + k]
    def writeblocks(self, n, buffer, at=0):
        self.left -= 1
        if self.left == 0:  # the last one is cut in the middle
            buffer = buffer[:len(buffer) // 2]
        if self.left < 0:
            return
        for k in range(len(buffer)):
            self.data[n * 512 + at + k] = buffer[k]
    def ioctl(self, op, n):
        if op == 6 and self.left > 0:
            self.left -= 1
            for k in range(512):
                self.data[n * 512 + k] = 255
        return {4: 64, 5: 512, 6: 0}.get(op)
flash = Flash(bytearray(64 * 512), 1 << 30)
vfs.VfsLfs2.mkfs(flash)
vfs.mount(vfs.VfsLfs2(flash), "/flash")
old, new = settings.first(), settings.first()
old["teeth"], new["teeth"] = 36, 60
for k in range(9):  # the file system's log has begun new blocks
    assert settings.save(old, "/flash/")
before = bytes(flash.data)
flash.left = 1 << 20
assert settings.save(new, "/flash/")
steps = (1 << 20) - flash.left
vfs.umount("/flash")
seen = []
for left in range(1, steps + 2):
    flash = Flash(bytearray(before), left)
    vfs.mount(vfs.VfsLfs2(flash), "/flash")
    kept = False
    try:
        kept = settings.save(new, "/flash/")
    except OSError:
        pass
    vfs.umount("/flash")
    flash = Flash(flash.data, 1 << 30)
    vfs.mount(vfs.VfsLfs2(flash), "/flash")
    values, found = settings.load("/flash/")
    seen.append([found, values["teeth"]])
    assert not (left > steps) or values == new
    assert settings.save(new, "/flash/")
    vfs.umount("/flash")
print(json.dumps([steps, seen]))
"""
    steps, seen = say(script)  # type: ignore[misc]
    assert steps > 3
    assert all(found and teeth in (36, 60) for found, teeth in seen)
    assert {teeth for _, teeth in seen} == {36, 60}


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"format": 1, "reference_mdeg": 500}', '{"format": 2}', "\x00" * 90],
)
def test_a_file_that_is_no_good_counts_as_nothing_set(text: str, tmp_path: Path) -> None:
    (tmp_path / "meter.json").write_text(text)
    script = """
values, found = settings.load(sys.argv[1])
print(json.dumps([found, values == settings.first(), values["teeth"]]))
"""
    assert say(script, f"{tmp_path}/") == [False, True, 0]


# In the loop

ALONE = """
import json, os, sys
sys.path.insert(0, sys.path[0])
from app import App
from hw_unix import Hardware
from meter import Meter
class Pin:
    def value(self): return 1
class Panel:
    def buttons(self):
        from menu import Button
        return Button(Pin()), Button(Pin())
    def show(self, meter):
        if meter.timed or meter.reason == 2:
            sys.stderr.write("%d %d %d %d\\n" % (meter.reason, meter.rpm, meter.timing,
                                                 meter.sparks))
    def work(self, now): pass
    def clear(self): sys.stderr.write("cleared\\n")
hardware = Hardware()
meter = hardware.meter = Meter(hardware, Panel())
meter.values.update(teeth=1, missing=0, cylinders=1, strokes=2, reference_mdeg=60000,
                    sensor=2, falling=1)
meter.apply()
app = App(hardware)
app.run()
"""
CONFIGURED, STARTED = 6, 5


def test_works_without_a_host_and_goes_on_when_one_comes() -> None:
    # 1000 rev/min: 2 500 000 ticks; clamp A at 45 degrees after the reference of 60.
    turn = 2_500_000

    def step(now: int) -> tuple[int, list[list[int]]]:
        ticks, edges = wheel((turn, 0, 0, 0), 41_666)(now)
        first = turn // 8
        sparks = [
            when
            for k in range(now // turn - 1, (now + ticks) // turn + 1)
            if now <= (when := k * turn + first) < now + ticks
        ]
        return ticks, [edges[0], sparks, [], []]

    def configured(world: World) -> list[bytes]:
        return [payload[:3] for _, operation, payload in world.records if operation == CONFIGURED]

    with running(World(step), ALONE) as board:
        assert board.process.stderr is not None
        world = board.world
        for _ in range(40):  # "no edges" as often as the panel is shown before the first of them
            line = board.process.stderr.readline().split()
            if line[0] != b"2":
                break
        assert line[:2] == [b"20", b"1000"]  # far from the pulse
        assert abs(int(line[2]) - 150) <= 1
        assert line[3] == b"10"
        assert configured(world) == [b"\3\1\0"]  # crank and clamp A; the crank's falling edge
        # A host wants it otherwise: no number meanwhile, and its choice ends with its session.
        assert board.ask(17, b"\x0f\x00\x00\x00") == (0, "")
        assert board.ask(18) == (0, "")  # start
        assert configured(world)[-1] == b"\x0f\0\0"
        session = board.of(1)[-1].session
        board.pump(1.5)
        assert len(board.of(2, session)) > 3
        for _ in range(20):
            line = board.process.stderr.readline().split()
            if line[0] == b"2":
                break
        assert line[0] == b"2"
        assert board.ask(19) == (0, "")  # stop: the meter goes on by itself
        before = len(world.records)
        board.pump(0.3)
        assert [operation for _, operation, _ in world.records[before - 2 :]].count(STARTED) == 1
        assert configured(world)[-1] == b"\3\1\0"
        for _ in range(40):
            line = board.process.stderr.readline().split()
            if line[0] == b"20":
                break
        assert abs(int(line[2]) - 150) <= 1
        board.send(22)  # leave: the display is cleared
        for _ in range(20):
            line = board.process.stderr.readline().split()
            if line == [b"cleared"]:
                break
        assert line == [b"cleared"]


def test_the_lamps_angle_is_shown_while_the_lamp_is_on() -> None:
    """The host's command carries degrees after the index edge; the display shows them BTDC."""
    script = ALONE.replace("    def work(self, now): pass", """
        sys.stderr.write("shown %s\\n" % meter.lamp)
    was = 0
    def work(self, now):
        if meter.lamp != self.was:
            self.was = meter.lamp
            sys.stderr.write("%s\\n" % meter.lamp)
""")  # fmt: skip
    assert script != ALONE
    with running(World(lambda now: (41_666, [[], [], [], []])), script) as board:
        stderr = board.process.stderr
        assert stderr is not None

        def now() -> bytes:
            return next(line for line in stderr if not line.startswith(b"shown"))

        assert now() == b"None\n"
        assert board.ask(START) == (0, "")
        # The reference is 60 degrees BTDC; angles that need two and three of the field's bytes.
        for after, angle in ((47_700, 12_300), (65_535, -5_535), (70_000, -10_000)):
            assert board.ask(LAMP, lamp(angle_mdeg=after)) == (0, "")
            assert now() == b"%d\n" % angle
        assert board.ask(LAMP, lamp(mode=2)) == (0, "")  # with the spark: at no angle of its own
        assert now() == b"None\n"
        assert board.ask(LAMP, lamp(angle_mdeg=0)) == (0, "")
        assert now() == b"60000\n"
        assert next(line for line in stderr if line.startswith(b"shown")) == b"shown 60000\n"
        assert board.ask(LAMP, bytes(12)) == (0, "")  # off
        assert now() == b"None\n"


def test_a_fault_of_the_program_leaves_no_number() -> None:
    """Whatever ends the program clears the display."""
    script = ALONE.replace(
        "app.run()",
        """
def bad(): raise KeyboardInterrupt
app.turn = bad
try:
    app.run()
except KeyboardInterrupt:
    sys.stderr.write("ended\\\\n")
""".replace("\\\\", "\\"),
    )
    with running(World(lambda now: (41_666, [[], [], [], []])), script) as board:
        assert board.process.stderr is not None
        assert board.process.stderr.readline() == b"cleared\n"
        assert board.process.stderr.readline() == b"ended\n"


def test_no_board_meter_json_is_left_in_the_source() -> None:
    assert "meter.json" not in os.listdir(meter_pictures.FOLDER.parent.parent / "firmware")
