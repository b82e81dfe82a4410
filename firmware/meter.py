"""The stand-alone meter: speed, timing and sparks per event from clamp A and the crank.

Integers only and no allocation while it runs; the figures are means over half a second. The host
measures better from the same edges; this is for the eye, without a host.
"""

import json
from array import array
from time import ticks_diff, ticks_ms

import micropython
from micropython import const

from crank import KNOWN, PERIOD, Crank

CLAMP_A = const(1)
FILE = "meter.json"
SHOW_MS = const(500)
STOPPED_MS = const(1500)
SAVE_MS = const(3000)
STEP_MDEG = const(500)
FULL_MDEG = const(360000)
EVENT_GAP_MS = const(3)  # a longer pause ends an event, if it is an eighth of a revolution too

# Words of the state of the events
SEEN = const(0)
LAST = const(1)
COUNT = const(2)  # sparks of the running event
EVENTS = const(3)  # events that have begun since the last look
SPARKS = const(4)  # sparks since the last look
ANGLES = const(5)  # events with a known angle since the last look
BASE = const(6)  # angle of the first of them after the reference edge, tenths of a degree
SUM = const(7)  # sum of (angle - BASE, -1800 to 1799, + 1800)
EVENT_WORDS = const(8)


@micropython.viper
def _follow(ring, written, size: int, state, crank, gap: int):
    r = ptr32(ring)
    s = ptr32(state)
    c = ptr32(crank)
    end = ptr32(written)[1]
    at = s[0]
    left = (end - at) & 0x3FFFFFFF
    if left > size:
        at = end
        left = 0
        s[2] = 0
    while left > 0:
        left -= 1
        now = r[at & (size - 1)]
        at += 1
        pause = (now - s[1]) & 0x3FFFFFFF
        s[1] = now
        s[4] = s[4] + 1
        if s[2] != 0 and pause < gap:
            s[2] = s[2] + 1
        else:
            s[2] = 1
            s[3] = s[3] + 1
            period = c[5]
            if period != 0 and c[6] & 4:
                after = (now - c[4]) & 0x3FFFFFFF
                if after >= 0x20000000:  # the reference edge came after the spark
                    after = period - ((c[4] - now) & 0x3FFFFFFF)
                if after >= period:
                    after -= period
                if after >= 0 and after < period:
                    while period >= 0x40000:
                        period >>= 1
                        after >>= 1
                    angle = (after * 3600 + (period >> 1)) // period
                    if s[5] == 0:
                        s[6] = angle
                    from_base = angle - s[6] + 1800
                    if from_base < 0:
                        from_base += 3600
                    if from_base >= 3600:
                        from_base -= 3600
                    s[7] = s[7] + from_base
                    s[5] = s[5] + 1
    s[0] = at


class Meter:
    """Reads rings, writes to a panel.Panel or its like; its buttons move the reference angle."""

    def __init__(self, hw, panel):
        self._hw = hw
        self._panel = panel
        self._ticks_per_ms = 1000000 // (hw.tick_ps // 1000)
        self._tick_ns = hw.tick_ps // 1000
        self._crank = Crank(hw.rings, 0)
        self._state = array("I", [0] * EVENT_WORDS)
        self._shown = self._turned = self._pressed = ticks_ms()
        self._edges = 0
        self._unsaved = False
        self.reference_mdeg = 0  # of the reference edge before top dead centre
        self.rpm = 0
        self.timing = 0  # tenths of a degree before top dead centre
        self.timed = False  # whether `timing` holds
        self.sparks = 0  # per event, tenths
        self.lost = False
        self._load()

    def _load(self):
        try:
            with open(FILE) as file:
                kept = json.load(file)
            self.reference_mdeg = int(kept["reference_mdeg"]) % FULL_MDEG
            teeth, missing = int(kept["teeth"]), int(kept["missing"])
            if 1 <= teeth <= 120 and 0 <= missing < teeth:
                self._crank.set_wheel(teeth, missing)
        except (OSError, ValueError, KeyError, TypeError):
            pass  # the first start, or a file that is no good: reference 0, one pulse

    def save(self):
        """Keep the settings in flash; takes some ms, so not while a host is served."""
        kept = {
            "reference_mdeg": self.reference_mdeg,
            "teeth": self._crank.teeth,
            "missing": self._crank.missing,
        }
        with open(FILE, "w") as file:
            json.dump(kept, file)
        self._unsaved = False

    def restart(self):
        """A new session: edge counts begin at 0."""
        self._crank.forget()
        for k in range(EVENT_WORDS):
            self._state[k] = 0
        self._crank.state[0] = 0
        self._edges = 0

    def turn(self, served):
        """Once in each turn of the loop; `served`: a host is streaming."""
        rings, crank = self._hw.rings, self._crank
        crank.follow()
        period = crank.state[PERIOD]
        gap = EVENT_GAP_MS * self._ticks_per_ms
        if period >> 3 > gap:
            gap = period >> 3
        _follow(rings.buffers[CLAMP_A], rings.written, rings.size, self._state, crank.state, gap)
        now = ticks_ms()
        edges = rings.written[0]
        if edges != self._edges:
            self._edges = edges
            self._turned = now
        elif ticks_diff(now, self._turned) > STOPPED_MS:
            crank.forget()
            self._turned = now
        self._buttons(now, served)
        if ticks_diff(now, self._shown) >= SHOW_MS:
            self._shown = now
            self._sum_up()
            self._panel.show(self)
        else:
            self._panel.work()

    def _sum_up(self):
        state = self._state
        period = self._crank.state[PERIOD] if self._crank.state[KNOWN] & 4 else 0
        period_us = period // 1000 * self._tick_ns
        self.rpm = 60000000 // period_us if period_us else 0
        self.timed = state[ANGLES] > 0
        if self.timed:
            after = state[BASE] + state[SUM] // state[ANGLES] - 1800
            timing = (self.reference_mdeg // 100 - after) % 3600
            self.timing = timing - 3600 if timing > 1800 else timing
        self.sparks = state[SPARKS] * 10 // state[EVENTS] if state[EVENTS] else 0
        self.lost = False
        for i in range(4):
            if self._hw.rings.stalls[i] or self._hw.rings.lost[i]:
                self.lost = True
        state[EVENTS] = state[SPARKS] = state[ANGLES] = state[SUM] = 0

    def _buttons(self, now, served):
        step = self._panel.pressed(now)
        if step:
            self.reference_mdeg = (self.reference_mdeg + step * STEP_MDEG) % FULL_MDEG
            self._pressed = now
            self._unsaved = True
        elif self._unsaved and not served and ticks_diff(now, self._pressed) > SAVE_MS:
            self.save()
