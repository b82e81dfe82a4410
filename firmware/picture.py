"""What the display shows, drawn dot by dot. 128 x 64; no allocation once it is made.

Large digits are of bars, 32 dots high: 5.4 mm on a display of 0.96 inch (21.7 x 10.9 mm).
"""

import framebuf
from micropython import const

from menu import CHANGE, CLOSED, ITEMS, SAID
from reasons import FINE, REASONS

WIDTH = const(128)
HEIGHT = const(64)
GLYPHS = ("0", "1", "2", "3", "4", "5", "6", "7", "8", "9")
# Bars of a digit: top, upper left, upper right, middle, lower left, lower right, bottom.
BARS = (0x77, 0x24, 0x5D, 0x6D, 0x2E, 0x6B, 0x7B, 0x25, 0x7F, 0x6F)
WIDE = const(17)  # of a large digit, and its height and stroke
TALL = const(32)
BAR = const(4)
SIGN = const(10)
WORD = const(84)  # where the words beside the large number begin
LINES = (35, 45, 56)  # tops of the small lines


class Picture:
    """`dots`: the picture as the display wants it, columns of eight dots, lowest bit on top."""

    def __init__(self):
        self.dots = bytearray(WIDTH * HEIGHT // 8)
        self._draw = framebuf.FrameBuffer(self.dots, WIDTH, HEIGHT, framebuf.MONO_VLSB)
        self._draw.text("sparkwitness", 16, 28)

    def clear(self):
        self._draw.fill(0)

    def draw(self, meter):
        """What the meter, or its menu, has to say."""
        self._draw.fill(0)
        if meter.menu.mode == CLOSED:
            self._meter(meter)
        else:
            self._menu(meter, meter.menu)
        self._alive(meter.life)

    def _meter(self, meter):
        draw = self._draw
        if meter.timed:
            value, word = meter.timing, "BTDC" if meter.timing >= 0 else "ATDC"
            if meter.error is not None:
                value = meter.error
                word = "EARLY" if value > 0 else "LATE" if value < 0 else "EXACT"
            fits = self._large(value, meter.error is not None)
            draw.text(word if fits else "OVER", WORD, 0)
            self._within(WORD, 12, meter.within)
            draw.text("deg", WORD, 24)
        else:
            self._dashes()
        if meter.reason != FINE:
            self._reason(meter, LINES[0])
        elif meter.error is not None:
            self._number(40, LINES[0], meter.timing, 1)
            draw.text("BTDC" if meter.timing >= 0 else "ATDC", 48, LINES[0])
        if meter.lamp is not None:
            draw.text("LAMP", 0, LINES[2])
            self._number(88, LINES[2], meter.lamp // 100, 1)
        elif meter.menu.said:
            draw.text(SAID[meter.menu.said], 0, LINES[2])
        elif meter.timed:
            draw.text("of", 0, LINES[2])
            self._number(40, LINES[2], meter.events, 0)
            draw.text("events", 48, LINES[2])
        else:
            draw.text(REASONS[meter.reason][1], 0, LINES[2])
        if meter.rpm >= 0:
            self._number(40, LINES[1], meter.rpm, 0)
        else:
            draw.text("-----", 0, LINES[1])
        draw.text("rpm", 44, LINES[1])
        if meter.sparks:
            draw.text("x", 80, LINES[1])
            self._number(120, LINES[1], meter.sparks, 1)

    def _reason(self, meter, top):
        self._draw.text(REASONS[meter.reason][0], 0, top)
        if meter.figure:
            self._number(128, top, meter.figure, 1)

    def _menu(self, meter, menu):
        draw = self._draw
        name, title, about, _ = ITEMS[menu.item]
        draw.text(title, 0, 0)
        self._number(96, 0, menu.item + 1, 0)
        draw.text("/", 96, 0)
        self._number(112, 0, len(ITEMS), 0)
        word = menu.word()
        if word is None:
            value = meter.values[name]
            if name == "cylinders" or name == "strokes":
                self._number(64, 20, value, 0)
            else:
                self._number(64, 20, value // 100, 1)
        else:
            draw.text(word, 8, 20)
        if menu.mode == CHANGE:
            draw.rect(0, 14, 122, 20, 1)
        draw.text(about, 0, LINES[0] + 2)
        if name == "reference_mdeg" and meter.known:
            draw.fill_rect(0, LINES[0], WIDTH, 10, 0)
            draw.text("now", 0, LINES[0] + 2)
            self._number(88, LINES[0] + 2, meter.raw, 1)
        if menu.said:
            draw.text(SAID[menu.said], 0, LINES[2])
        elif menu.mode == CHANGE:
            draw.text("A less    B more", 0, LINES[1] + 2)
            draw.text("wait: kept", 0, LINES[2])
        else:
            draw.text("A next  B change", 0, LINES[1] + 2)

    def _alive(self, life):
        """A dot that goes round: the program runs."""
        k = life & 3
        self._draw.fill_rect(121 + 4 * (k == 1 or k == 2), 57 + 4 * (k >> 1), 3, 3, 1)

    def _within(self, left, top, tenths):
        draw = self._draw
        draw.hline(left, top + 3, 5, 1)
        draw.vline(left + 2, top + 1, 5, 1)
        draw.hline(left, top + 7, 5, 1)
        self._number(left + 40, top, tenths, 1)

    def _number(self, right, top, value, decimals):
        """Small digits that end before column `right`; more than five are said to be too many."""
        minus = value < 0
        value = abs(value)
        if value > 99999:
            self._draw.text("over", right - 32, top)
            return
        place = 0
        while value or place <= decimals:
            if decimals and place == decimals:
                right -= 8
                self._draw.text(".", right, top)
            right -= 8
            self._draw.text(GLYPHS[value % 10], right, top)
            value //= 10
            place += 1
        if minus:
            self._draw.text("-", right - 8, top)

    def _large(self, tenths, plus):
        """The main number with one decimal; False, and nothing drawn, where it does not fit."""
        draw = self._draw
        minus = tenths < 0
        tenths = abs(tenths)
        if tenths > 999:
            return False
        if minus or (plus and tenths):
            draw.fill_rect(0, 14, SIGN, BAR, 1)
            if not minus:
                draw.fill_rect(3, 11, BAR, SIGN, 1)
        if tenths >= 100:
            self._digit(13, tenths // 100)
        self._digit(34, tenths // 10 % 10)
        draw.fill_rect(54, TALL - BAR, BAR, BAR, 1)
        self._digit(61, tenths % 10)
        return True

    def _digit(self, x, number):
        bars = BARS[number]
        draw = self._draw
        for k in range(3):  # bars that lie
            if bars >> 3 * k & 1:
                draw.fill_rect(x, k * (TALL - BAR) // 2, WIDE, BAR, 1)
        half = TALL // 2 + 1
        if bars & 2:
            draw.fill_rect(x, 0, BAR, half, 1)
        if bars & 4:
            draw.fill_rect(x + WIDE - BAR, 0, BAR, half, 1)
        if bars & 16:
            draw.fill_rect(x, TALL - half, BAR, half, 1)
        if bars & 32:
            draw.fill_rect(x + WIDE - BAR, TALL - half, BAR, half, 1)

    def _dashes(self):
        for x in (13, 34, 61):
            self._draw.fill_rect(x, (TALL - BAR) // 2, WIDE, BAR, 1)
        self._draw.fill_rect(54, TALL - BAR, BAR, BAR, 1)
