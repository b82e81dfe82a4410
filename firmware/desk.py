"""The meter on the unix port: display and buttons are at the desk, at the other end of two pipes.

Their file descriptors are in the environment: SPARKWITNESS_PANEL="write,read". Out go the bytes
that the display's bus carries, each transfer after its length (u16, little-endian); in come bytes
whose bits say which buttons are down (bit 0: A). SPARKWITNESS_SETTINGS is the folder, with its
last slash, where the settings are kept.
"""

import os
import select
import sys

import pins

_write, _read = (os.getenv("SPARKWITNESS_PANEL") or "1,0").split(",")
_sink = open(int(_write), "wb", 0)
_source = open(int(_read), "rb", 0)
_waits = select.poll()
_waits.register(_source, select.POLLIN)


class _Pins:
    """What machine.Pin is to panel.py."""

    IN = OUT = PULL_UP = None  # nobody looks
    down = 0

    def __init__(self, number, *_):
        self._bit = {pins.BUTTON_A: 1, pins.BUTTON_B: 2}.get(number, 0)

    def init(self, *_, **__):
        pass

    def value(self):
        if self._bit:
            while _waits.poll(0):
                byte = _source.read(1)
                if not byte:  # nobody at the desk any more
                    _Pins.down = 0
                    break
                _Pins.down = byte[0]
        return 0 if _Pins.down & self._bit else 1


class _Bus:
    """What machine.I2C is to panel.py."""

    def __init__(self, *_, **__):
        pass

    def writeto(self, address, data):
        try:
            _sink.write(bytes((len(data), 0)) + bytes(data))
        except OSError:
            sys.exit(0)
        return len(data)


class _Machine:
    Pin, I2C = _Pins, _Bus


def meter(hw):
    """A meter.Meter whose display and buttons are at the desk."""
    sys.modules["machine"] = _Machine  # type: ignore[assignment]
    import panel
    from meter import Meter

    return Meter(hw, panel.find(), os.getenv("SPARKWITNESS_SETTINGS") or "")
