"""Display (SSD1306, 128 x 64, I2C) and two buttons. No allocation once it is made.

A picture goes out in pieces of 32 bytes, one per turn of the loop, since a whole one takes 25 ms.
"""

from time import ticks_diff

import framebuf
import micropython
from machine import I2C, Pin
from micropython import const

import pins

ADDRESS = const(0x3C)
WIDTH = const(128)
HEIGHT = const(64)
PIECE = const(32)
PIECES = const(32)
HOLD_MS = const(600)
REPEAT_MS = const(80)
GLYPHS = ("0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "-", ".")
MINUS = const(10)
POINT = const(11)
# Off; clock; 64 lines; no offset; start line 0; charge pump; horizontal addressing; mirrored both
# ways; pins; contrast; precharge; level; from memory; not inverted; whole area; on (data sheet).
SETUP = (
    b"\x00\xae\xd5\x80\xa8\x3f\xd3\x00\x40\x8d\x14\x20\x00\xa1\xc8\xda\x12\x81\xcf\xd9\xf1"
    b"\xdb\x40\xa4\xa6\x21\x00\x7f\x22\x00\x07\xaf"
)


@micropython.viper
def _piece(target, source, at: int):
    t = ptr8(target)
    s = ptr8(source)
    for k in range(32):
        t[1 + k] = s[at + k]


@micropython.viper
def _double(target, column: int, page: int, glyph):
    """Draw an 8 x 8 glyph (8 columns, lowest bit on top) twice as large."""
    t = ptr8(target)
    g = ptr8(glyph)
    for x in range(8):
        bits = g[x]
        wide = 0
        for y in range(8):
            if bits & (1 << y):
                wide |= 3 << (y << 1)
        at = page * 128 + column + (x << 1)
        t[at] = wide & 255
        t[at + 1] = wide & 255
        t[at + 128] = (wide >> 8) & 255
        t[at + 129] = (wide >> 8) & 255


def find():
    """A Panel, or None when no display answers."""
    try:
        bus = I2C(0, sda=Pin(pins.I2C_SDA), scl=Pin(pins.I2C_SCL), freq=400000)
        return Panel(bus)
    except OSError:
        return None


class Panel:
    """What the meter writes to."""

    def __init__(self, bus):
        self._bus = bus
        self._picture = bytearray(WIDTH * HEIGHT // 8)
        self._draw = framebuf.FrameBuffer(self._picture, WIDTH, HEIGHT, framebuf.MONO_VLSB)
        self._glyph = bytearray(8)
        self._small = framebuf.FrameBuffer(self._glyph, 8, 8, framebuf.MONO_VLSB)
        self._out = bytearray(1 + PIECE)
        self._out[0] = 0x40
        self._sent = PIECES
        self._buttons = (
            Pin(pins.BUTTON_A, Pin.IN, Pin.PULL_UP),
            Pin(pins.BUTTON_B, Pin.IN, Pin.PULL_UP),
        )
        self._down = [0, 0]  # a button that is down from the start counts once it was up
        self._since = [0, 0]
        self._armed = [False, False]
        bus.writeto(ADDRESS, SETUP)
        self._draw.text("sparkwitness", 16, 28)
        self._sent = 0

    def work(self):
        """Send the next piece of the picture, if there is one."""
        if self._sent < PIECES:
            _piece(self._out, self._picture, self._sent * PIECE)
            self._sent += 1
            try:
                self._bus.writeto(ADDRESS, self._out)
            except OSError:
                self._sent = PIECES

    def pressed(self, now):
        """1 for a press of A, -1 for one of B, again while held down; else 0."""
        for k in range(2):
            if self._buttons[k].value():
                self._armed[k] = True
                self._down[k] = 0
            elif self._armed[k]:
                if not self._down[k]:
                    self._down[k] = 1
                    self._since[k] = now
                    return 1 - 2 * k
                wait = HOLD_MS if self._down[k] == 1 else REPEAT_MS
                if ticks_diff(now, self._since[k]) >= wait:
                    self._down[k] = 2
                    self._since[k] = now
                    return 1 - 2 * k
        return 0

    def show(self, meter):
        """Draw what the meter says; it goes out in the next turns."""
        draw = self._draw
        draw.fill(0)
        self._number(80, 0, meter.rpm, 0)
        draw.text("rpm", 100, 8)
        if meter.timed:
            self._number(80, 3, meter.timing, 1)
        else:
            draw.text("--.-", 48, 28)
        draw.text("BTDC", 96, 32)
        draw.text("sparks", 0, 47)
        self._line(88, 47, meter.sparks)
        if meter.lost:
            draw.text("LOSS", 0, 56)
        draw.text("ref", 40, 56)
        self._line(104, 56, meter.reference_mdeg // 100)
        self._sent = 0

    def _number(self, right, page, value, decimals):
        """Large digits that end at column `right`."""
        minus = value < 0
        value = abs(value)
        column = right
        place = 0
        while value or place <= decimals:
            if decimals and place == decimals:
                column = self._large(column, page, POINT)
            column = self._large(column, page, value % 10)
            value //= 10
            place += 1
        if minus:
            self._large(column, page, MINUS)

    def _large(self, column, page, glyph):
        column -= 16
        if column >= 0:
            self._small.fill(0)
            self._small.text(GLYPHS[glyph], 0, 0)
            _double(self._picture, column, page, self._glyph)
        return column

    def _line(self, right, top, tenths):
        """Small digits with one decimal."""
        column = right - 8
        place = 0
        while tenths or place < 2:
            if place == 1:
                self._draw.text(GLYPHS[POINT], column, top)
                column -= 8
            self._draw.text(GLYPHS[tenths % 10], column, top)
            column -= 8
            tenths //= 10
            place += 1
