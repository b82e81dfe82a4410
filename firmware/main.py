"""Boots by itself: the one place where board and unix port part."""

import gc
import sys

if sys.platform == "rp2":
    # Outputs at rest, before anything else runs.
    from machine import Pin

    import pins
    import rest

    for pin in pins.OUTPUTS:
        Pin(pin, Pin.OUT, value=rest.high() >> pin & 1)

    from hw_rp2 import Hardware
else:
    from hw_unix import Hardware

gc.collect()

if __name__ == "__main__" and not Hardware.wants_prompt():
    hardware = Hardware()  # before the rest is loaded: it needs the largest pieces of memory
    from app import App

    gc.collect()
    App(hardware).run()
