"""Which outputs rest high: low is rest, but for a bench trigger whose pulses are active low.

Kept in a scratch register of the chip, which a reset by the watchdog leaves alone; RUN and
power-on clear it. So it never outlives the circuit that it was said for by more than that.
"""

from machine import mem32

import chip
import pins

_MARK = 0x7E570000


def high():
    """Pins that rest high, as bits."""
    kept = mem32[chip.WATCHDOG_SCRATCH0]
    return kept & 1 << pins.BENCH if kept & 0xFFFF0000 == _MARK else 0


def keep(pins_high):
    """From here on these pins rest high."""
    mem32[chip.WATCHDOG_SCRATCH0] = _MARK | pins_high
