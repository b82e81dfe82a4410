"""Follows the crank and the spark events on the board itself, for lamp and display.

Coarser than what the host computes from the same edges: 32-bit integers, no allocation. Times are
counts of the capture; differences up to 2^28 ticks (some 6 s) are told, longer ones are a stop.
"""

from array import array

import micropython
from micropython import const

# Words of the state of a Crank
SEEN = const(0)  # edges looked at so far
LAST = const(1)  # time of the last edge
GAP = const(2)  # time between neighbouring teeth, as last seen
TOOTH = const(3)  # number of the last edge in its revolution, 0 at the reference edge
REFERENCE = const(4)  # time of the last reference edge
PERIOD = const(5)  # between the last two reference edges; 0: not known
KNOWN = const(6)  # bit 0: LAST, bit 1: GAP, bit 2: TOOTH and REFERENCE
CRANK_WORDS = const(7)


@micropython.viper
def _follow(ring, written, i: int, size: int, state, teeth: int, missing: int):
    r = ptr32(ring)
    s = ptr32(state)
    end = ptr32(written)[i]
    at = s[0]
    left = (end - at) & 0x3FFFFFFF
    if left > size:  # overrun, or a new session: start over with what comes
        at = end
        left = 0
        s[5] = 0
        s[6] = 0
    present = teeth - missing
    while left > 0:
        left -= 1
        now = r[at & (size - 1)]
        at += 1
        gap = (now - s[1]) & 0x3FFFFFFF
        s[1] = now
        known = s[6]
        if known & 1 == 0 or gap >= 0x10000000:
            s[5] = 0
            s[3] = 0
            s[4] = now
            s[6] = 1 if missing else 5
        elif missing == 0:
            s[2] = gap
            s[3] = s[3] + 1
            if s[3] >= present:
                s[3] = 0
                s[5] = (now - s[4]) & 0x3FFFFFFF
                s[4] = now
            s[6] = 7
        elif known & 2 and (gap << 1) > s[2] * 3:
            # Longer than one and a half of the last gap: teeth are missing before this edge.
            if known & 4 and s[3] == present - 1:
                s[5] = (now - s[4]) & 0x3FFFFFFF
            else:
                s[5] = 0
            s[2] = gap // (missing + 1)
            s[3] = 0
            s[4] = now
            s[6] = 7
        else:
            s[2] = gap
            s[3] = s[3] + 1
            if s[3] >= present:  # more teeth than there are
                s[5] = 0
                known &= 1
            s[6] = known | 3
    s[0] = at


class Crank:
    """Place and speed of the crank from the edges in one ring."""

    def __init__(self, rings, i):
        self._rings = rings
        self._i = i
        self.state = array("I", [0] * CRANK_WORDS)
        self.teeth = 1
        self.missing = 0

    def set_wheel(self, teeth, missing):
        """Another wheel: start over."""
        self.teeth = teeth
        self.missing = missing
        self.forget()

    def forget(self):
        """Nothing is known: the crank has stopped, or a session has begun."""
        self.state[KNOWN] = 0
        self.state[PERIOD] = 0

    def follow(self):
        """Look at the edges that came since the last call."""
        rings, i = self._rings, self._i
        _follow(
            rings.buffers[i], rings.written, i, rings.size, self.state, self.teeth, self.missing
        )

    def period(self):
        """Ticks of the last whole revolution, 0 when not known (always below 2^30)."""
        return self.state[PERIOD]
