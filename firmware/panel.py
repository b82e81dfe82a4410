"""Display (SSD1306, SSD1309 or SH1106, 128 x 64, I2C) and two buttons.

A picture goes out in pieces of 32 columns of a page, one per turn of the loop, each with its own
address, so that a lost byte shifts nothing. Pieces that have not changed are left out, but every
two seconds the whole set-up and all pieces go out, and after an error as soon as the display
answers: what is pulled off and put back comes up again. No allocation but after an error.
"""

from time import sleep_us, ticks_diff, ticks_ms

import micropython
from machine import I2C, Pin
from micropython import const

import pins
from menu import Button
from picture import Picture

ADDRESS = const(0x3C)
PIECE = const(32)
PIECES = const(32)
AGAIN_MS = const(2000)  # from one whole picture to the next
PATIENCE_MS = const(300)  # after an error
TIMEOUT_US = const(3000)  # of a transfer: one piece takes 0.9 ms
# Clock; 64 lines; no offset; start line 0; charge pump; page addressing; mirrored both ways; pins;
# contrast; precharge; level; from memory; not inverted; on (data sheets of SSD1306 and SH1106).
SETUP = (
    b"\x00\xd5\x80\xa8\x3f\xd3\x00\x40\x8d\x14\x20\x02\xa1\xc8\xda\x12\x81\xcf\xd9\xf1"
    b"\xdb\x40\xa4\xa6\xaf"
)
OFF = b"\x00\xae"
FIRST_COLUMN = (0, 2)  # by kind of display: the SH1106 has 132 columns, two unseen on each side


@micropython.viper
def _different(dots, sent, start: int) -> int:
    """The first piece from start on that has not been sent; 32 where there is none."""
    d = ptr32(dots)
    s = ptr32(sent)
    piece = start
    while piece < 32:
        at = piece << 3
        for k in range(8):
            if d[at + k] != s[at + k]:
                return piece
        piece += 1
    return 32


@micropython.viper
def _load(out, dots, piece: int, column: int):
    """A piece with its address: control bytes 0x80 come before one command, 0x40 before data."""
    o = ptr8(out)
    d = ptr8(dots)
    column += (piece & 3) << 5
    o[1] = 0xB0 | (piece >> 2)
    o[3] = column & 15
    o[5] = 0x10 | (column >> 4)
    for k in range(32):
        o[7 + k] = d[(piece << 5) + k]


@micropython.viper
def _note(sent, dots, piece: int):
    s = ptr32(sent)
    d = ptr32(dots)
    at = piece << 3
    for k in range(8):
        s[at + k] = d[at + k]


def connect():
    """The bus, after whoever holds its data line has been clocked out of the middle of a byte."""
    clock, data = Pin(pins.I2C_SCL, Pin.IN, Pin.PULL_UP), Pin(pins.I2C_SDA, Pin.IN, Pin.PULL_UP)
    if not data.value():
        for _ in range(9):
            clock.init(Pin.OUT, value=0)
            sleep_us(5)
            clock.init(Pin.IN, Pin.PULL_UP)
            sleep_us(5)
    return I2C(0, sda=Pin(pins.I2C_SDA), scl=Pin(pins.I2C_SCL), freq=400000, timeout=TIMEOUT_US)


def find():
    """A Panel, or None when no display answers."""
    try:
        bus = connect()
        bus.writeto(ADDRESS, SETUP)
        return Panel(bus)
    except OSError:
        return None


class Panel:
    """What the meter writes to."""

    def __init__(self, bus):
        self._bus = bus
        self._picture = Picture()
        self._sent = bytearray(PIECE * PIECES)
        self._out = bytearray(7 + PIECE)
        self._out[0] = self._out[2] = self._out[4] = 0x80
        self._out[6] = 0x40
        self._next = 0  # piece that is looked at next
        self._whole = True  # set-up and all pieces are going out
        self._set_up = False
        self._failed = False
        self._ms = ticks_ms()  # of the last whole picture, or of the error
        self._column = 0

    def buttons(self):
        """Both buttons."""
        return (
            Button(Pin(pins.BUTTON_A, Pin.IN, Pin.PULL_UP)),
            Button(Pin(pins.BUTTON_B, Pin.IN, Pin.PULL_UP)),
        )

    def show(self, meter):
        """Draw what the meter says; it goes out in the next turns."""
        self._column = FIRST_COLUMN[meter.values["display"]]
        self._picture.draw(meter)
        if not self._whole:
            self._next = 0

    def work(self, now):
        """Send the next piece of the picture, if there is one."""
        since = ticks_diff(now, self._ms)
        if self._failed:
            if since >= PATIENCE_MS:
                self._mend(now)
            return
        if not self._whole and since >= AGAIN_MS:
            self._whole = True
            self._set_up = False
            self._next = 0
            self._ms = now
        dots = self._picture.dots
        piece = self._next
        if not self._whole:
            piece = _different(dots, self._sent, piece)
        try:
            if self._whole and not self._set_up:
                self._bus.writeto(ADDRESS, SETUP)
                self._set_up = True
            elif piece < PIECES:
                _load(self._out, dots, piece, self._column)
                self._bus.writeto(ADDRESS, self._out)
                _note(self._sent, dots, piece)
                self._next = piece + 1
                if self._next == PIECES:
                    self._whole = False
            else:
                self._next = PIECES
        except OSError:
            self._failed = True
            self._ms = now

    def _mend(self, now):
        """The display has not answered: the bus anew, and everything from the start."""
        self._ms = now
        try:
            self._bus = connect()
            self._bus.writeto(ADDRESS, SETUP)
        except OSError:
            return
        self._failed = False
        self._whole = self._set_up = True
        self._next = 0

    def clear(self):
        """Leave the display empty and off."""
        self._picture.clear()
        try:
            for piece in range(PIECES):
                _load(self._out, self._picture.dots, piece, self._column)
                self._bus.writeto(ADDRESS, self._out)
            self._bus.writeto(ADDRESS, OFF)
        except OSError:
            pass
