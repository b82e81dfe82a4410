"""The meter's settings by two buttons: a list of items, of which one at a time is changed.

Closed: any button opens the list. List: A goes on to the next item, B changes this one. Change: A
takes the value down, B up, faster while held; three seconds after the last press it is kept in
flash and said to be kept. Ten seconds without a press close the list. No allocation but to keep.
"""

from time import ticks_add, ticks_diff, ticks_ms

from micropython import const

import settings

STEADY_MS = const(8)  # a level that has lasted so long is no bounce
HOLD_MS = const(600)
REPEAT_MS = const(100)
FASTER_MS = const(2000)
FASTEST_MS = const(4000)
DONE_MS = const(3000)
AWAY_MS = const(10000)
SAY_MS = const(1500)

CLOSED = const(0)
LIST = const(1)
CHANGE = const(2)

# What is said in the last line for a while
NOTHING = const(0)
KEPT = const(1)
LATER = const(2)
FAILED = const(3)
SAID = ("", "KEPT", "KEPT LATER:HOST", "NOT KEPT: FULL?")

# Name; teeth, missing, turns, index
WHEELS = (
    ("none", 0, 0, 1, 0),
    ("pulse", 1, 0, 1, 0),
    ("cam pulse", 1, 0, 2, 0),
    ("36-1", 36, 1, 1, 0),
    ("60-2", 60, 2, 1, 0),
    ("36-2", 36, 2, 1, 0),
    ("12-1", 12, 1, 1, 0),
    ("24-1", 24, 1, 1, 0),
    ("24-2", 24, 2, 1, 0),
    ("30-1", 30, 1, 1, 0),
    ("30-2", 30, 2, 1, 0),
    ("cam 36-1", 36, 1, 2, 0),
    ("cam 60-2", 60, 2, 2, 0),
    ("4 + index", 4, 0, 1, 1),
    ("8 + index", 8, 0, 1, 1),
    ("12 + index", 12, 0, 1, 1),
    ("24 + index", 24, 0, 1, 1),
)
OTHER = "as sent"  # a wheel of the host that is not in the list

# Items: name of the setting, title, what it means, words of its values (None: a number)
WHEEL = const(0)
ITEMS = (
    ("teeth", "WHEEL", "on the crank", None),
    ("falling", "CRANK EDGE", "as tooth passes", ("rising", "falling")),
    (
        "sensor",
        "SENSOR",
        "of the crank",
        ("Hall", "VR", "logic", "breadb. Hall", "breadb. logic"),
    ),
    ("reference_mdeg", "REFERENCE", "1st edge, BTDC", None),
    ("commanded_mdeg", "COMMANDED", "locked at, BTDC", None),
    ("cylinders", "CYLINDERS", "of the engine", None),
    ("strokes", "STROKES", "of the engine", None),
    ("clamp", "CLAMP ON", "", ("plug lead", "wasted spark", "coil lead")),
    ("display", "DISPLAY", "if edges are cut", ("SSD1306", "SH1106")),
)
LOWEST_COMMANDED = const(-20000)
FIRST_COMMANDED = const(10000)


class Button:
    """One button without its bounce; `pin` reads 0 while it is down."""

    def __init__(self, pin):
        self._pin = pin
        self._was = self.up = pin.value()  # one that is down from the start counts once it was up
        self._since = self._next = self.down_ms = ticks_ms()
        self._held = False

    def turn(self, now):
        """1 for a press, 2 again and again while it is held, else 0."""
        level = self._pin.value()
        if level != self._was:
            self._was = level
            self._since = now
        if level == self.up:
            if self._held and ticks_diff(now, self._next) >= HOLD_MS:
                self._next = ticks_add(self._next, REPEAT_MS)
                if ticks_diff(now, self._next) > HOLD_MS + REPEAT_MS:  # a turn took long
                    self._next = ticks_add(now, -HOLD_MS)
                return 2
            return 0
        if ticks_diff(now, self._since) < STEADY_MS:
            return 0
        self.up = level
        self._held = not level
        self.down_ms = self._next = now
        return 0 if level else 1

    def pace(self, now):
        """Steps of a number at once: more the longer it is held."""
        held = ticks_diff(now, self.down_ms)
        return 1 if held < FASTER_MS else 10 if held < FASTEST_MS else 100


class Menu:
    """What the buttons do; `fresh`: there is something new to be drawn."""

    def __init__(self, meter, panel):
        self._meter = meter
        self._a, self._b = panel.buttons()
        self.mode = CLOSED
        self.item = 0
        self.said = NOTHING
        self._pressed = self._said_ms = ticks_ms()
        self._unsaved = self._changing = False
        self.fresh = False

    def turn(self, now, served):
        """Once in each turn of the loop."""
        self.fresh = False
        a, b = self._a.turn(now), self._b.turn(now)
        if a or b:
            self._pressed = now
            # Held down, a button goes on changing, if it did so from the start.
            if a == 1 or b == 1 or self._changing:
                self._changing = self.mode == CHANGE
                self._press(now, a)
                self.fresh = True
            return
        quiet = ticks_diff(now, self._pressed)
        if self.mode == CHANGE and quiet > DONE_MS:
            self.mode = LIST
            self._pressed = now
            self.fresh = True
            if self._unsaved and served:
                self._say(now, LATER)
        elif self.mode == LIST and quiet > AWAY_MS:
            self.mode = CLOSED
            self.fresh = True
        if self._unsaved and not served and self.mode != CHANGE:
            self._unsaved = False
            self._say(now, KEPT if self._meter.save() else FAILED)
        if self.said and ticks_diff(now, self._said_ms) > SAY_MS:
            self.said = NOTHING
            self.fresh = True

    def _say(self, now, what):
        self.said = what
        self._said_ms = now
        self.fresh = True

    def _press(self, now, a):
        self.said = NOTHING
        if self.mode == CLOSED:
            self.mode = LIST
            self.item = 0
        elif self.mode == CHANGE:
            button = self._a if a else self._b
            pace = button.pace(now)
            self._move(-1 if a else 1, pace)
            self._unsaved = True
            self._meter.change(ITEMS[self.item][0])
        elif a:
            self.item += 1
            if self.item == len(ITEMS):
                self.mode = CLOSED
        else:
            self.mode = CHANGE

    def _move(self, way, pace):
        values = self._meter.values
        name, _, _, words = ITEMS[self.item]
        value = values[name]
        if self.item == WHEEL:
            k = (self.wheel() + way) % len(WHEELS)
            _, values["teeth"], values["missing"], values["turns"], values["index"] = WHEELS[k]
        elif name == "strokes":
            values[name] = 6 - value
        elif words:
            values[name] = (value + way) % len(words)
        elif name == "cylinders":
            values[name] = min(max(value + way, 1), 16)
        elif name == "reference_mdeg":
            value += 100 * way * pace
            # Beyond half a turn of the wheel it is the same from the other side.
            half = 180000 * values["turns"]
            if value > half:
                value -= 2 * half
            elif value <= -half:
                value += 2 * half
            values[name] = value
        elif value == settings.NONE:
            values[name] = FIRST_COMMANDED
        else:
            value += 100 * way * pace
            low = value < LOWEST_COMMANDED
            values[name] = settings.NONE if low else min(value, 80000)

    def wheel(self):
        """Number in WHEELS of the wheel that is set, -1 where it is none of them."""
        values = self._meter.values
        for k in range(len(WHEELS)):
            _, teeth, missing, turns, index = WHEELS[k]
            if (
                teeth == values["teeth"]
                and missing == values["missing"]
                and turns == values["turns"]
                and index == values["index"]
            ):
                return k
        return -1

    def word(self):
        """The value of the item in words, or None where it is a number."""
        name, _, _, words = ITEMS[self.item]
        value = self._meter.values[name]
        if self.item == WHEEL:
            k = self.wheel()
            return WHEELS[k][0] if k >= 0 else OTHER
        if words:
            return words[value]
        if value == settings.NONE:
            return "not known"
        return None
