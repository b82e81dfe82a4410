"""Follows the crank's edges on the board itself, for lamp and display.

The host's rules in 32-bit integers, see host/sparkwitness/timing/angle.py: a gap is longer than the
steps on either side of it, a period of the wheel counts if it has all its edges and no step is
longer than the next by half. Nothing is allocated. Times are counts of the capture; differences
up to 2^27 ticks (some 3 s) are told, longer ones are a stop.
"""

from array import array

import micropython
from micropython import const

MARKS = const(512)  # edges whose marks are kept, a power of two, more than two periods have
FEWEST_FOR_GAP = const(11)  # edges, for a look at the teeth beside the gap
MANY = const(0x3FFFFFFF)

# Words of the state of a Crank. Viper code has the numbers; these names are for Python.
SEEN = const(0)  # edges looked at so far, modulo 2^30
LAST = const(1)  # time of the last edge
TOOTH = const(3)  # number of the last edge in its revolution, 0 at the reference edge
REFERENCE = const(4)  # time of the last reference edge
PERIOD = const(5)  # between the last two reference edges; 0: not known
KNOWN = const(6)  # 0: nothing, 1: LAST, 5: TOOTH and REFERENCE too
STEP = const(7)  # from the edge before the last to the last
WIDTH = const(8)  # tooth steps in it; 0: not known
BAD = const(10)  # the running period has an edge that does not fit
ENDED = const(11)  # the period that ended with the last edge: 1 good so far, 2 bad, 0 none
DECIDED = const(13)  # all periods that end with this edge or before it have been judged
INDEXED = const(15)  # edges of the index input looked at
ODD_LAST = const(16)  # 4 times the mean kink beside the gap, 1/4096 step, plus MIDDLE
ODD_FIRST = const(17)
GOOD = const(18)  # periods that fit, since the crank was forgotten
REFUSED = const(20)  # and those that did not
TICKS = const(21)  # of the good ones since the last look, and their number
TURNED = const(22)
CRANK_SKIPPED = const(23)  # how often edges were passed over, since there were too many
CRANK_WORDS = const(24)
MIDDLE = const(0x100000)


@micropython.viper
def _follow(ring, written, i: int, size: int, most: int, state, wheel, marks, other, j: int):
    r = ptr32(ring)
    s = ptr32(state)
    w = ptr32(wheel)
    m = ptr8(marks)
    x = ptr32(other)
    end = ptr32(written)[i]
    index_end = ptr32(written)[j]
    mask = size - 1
    at = s[0]
    left = (end - at) & 0x3FFFFFFF
    if left > most:  # overrun, or more than a crank can make: start over with what comes
        at = end
        left = 0
        s[5] = 0
        s[6] = 0
        s[13] = at
        s[15] = index_end
        s[23] = s[23] + 1
    missing = w[1]
    present = w[2]
    indexed = w[3]
    longer = w[4]
    while left > 0:
        left -= 1
        now = r[at & mask]
        gap = (now - s[1]) & 0x3FFFFFFF
        s[1] = now
        known = s[6]
        mark = 0
        index = 0
        if indexed:
            while s[15] != index_end and (now - x[s[15] & mask]) & 0x3FFFFFFF < 0x20000000:
                s[15] = s[15] + 1
                index = 1
        if known == 0 or gap >= 0x8000000:
            s[3] = 0
            s[4] = now
            s[5] = 0
            s[6] = 1 if missing | indexed else 5
            s[8] = 0
            s[11] = 0
            s[13] = at
        else:
            before = s[7]
            width = 1
            even = s[8]
            if missing and s[8] and (gap >> 5) > ((before >> 5) * longer) >> 6:
                index = 1
                width = missing + 1
            if s[8] > 1 and (before >> 5) <= ((gap >> 5) * longer) >> 6:
                # What was taken for the gap is followed by a step as long: it was none.
                even = 0
                known = 1
                s[5] = 0
            a = gap * s[8]
            b = before * width
            if a > b + (b >> 1) + (b >> 4) - (b >> 6) or b > a + (a >> 1) + (a >> 4) - (a >> 6):
                even = 0
            if s[11]:
                # The period that ended with the edge before, now that the edge after it is here.
                if s[11] == 1 and even:
                    first = s[13]  # the one before was judged at its end, where this one began
                    m[first & 511] = 3
                    s[18] = s[18] + 1
                    if s[21] < 0x10000000:
                        s[21] = s[21] + ((r[(at - 1) & mask] - r[first & mask]) & 0x3FFFFFFF)
                        s[22] = s[22] + 1
                    if missing and present >= 11:
                        # The step beside the gap against a line through the gap and the next.
                        for side in range(2):
                            if side:
                                p = r[(first + 1) & mask]
                                near = (p - r[first & mask]) & 0x3FFFFFFF
                                far = (r[(first + 2) & mask] - p) & 0x3FFFFFFF
                                hole = (r[first & mask] - r[(first - 1) & mask]) & 0x3FFFFFFF
                            else:
                                p = r[(at - 3) & mask]
                                near = (r[(at - 2) & mask] - p) & 0x3FFFFFFF
                                far = (p - r[(at - 4) & mask]) & 0x3FFFFFFF
                                hole = before
                            while hole >= 0x40000:  # steps are shorter
                                near >>= 1
                                far >>= 1
                                hole >>= 1
                            if far:
                                p = (((hole << 1) // (missing + 1)) << 11) // far
                                p = (((missing + 2) << 12) + (p << 1)) // (missing + 4)
                                k = s[16 + side] - 0x100000
                                k += (near << 12) // far - p - (k >> 2)
                                s[16 + side] = k + 0x100000
                else:
                    s[20] = s[20] + 1
                s[13] = at - 1
                s[11] = 0
            if even == 0:
                s[10] = 1
            tooth = s[3] + 1
            if missing | indexed == 0:
                if tooth >= present:
                    tooth = 0
                    s[5] = (now - s[4]) & 0x3FFFFFFF
                    s[4] = now
                known = 5
                s[11] = 2 if s[10] else 1
            elif index:
                s[11] = 2
                s[5] = 0
                if tooth == present and s[10] == 0:  # it is not where the place is not known
                    s[11] = 1
                    s[5] = (now - s[4]) & 0x3FFFFFFF
                tooth = 0
                s[4] = now
                known = 5
            else:
                if tooth >= present:  # more teeth than there are
                    s[5] = 0
                    known = 1
                    tooth = 0
                    s[10] = 1
                if known == 1:
                    s[13] = at - 1
            if s[11]:
                mark = 1
                s[10] = 0
            s[3] = tooth
            s[6] = known
            s[8] = width
        s[7] = gap
        m[at & 511] = mark
        at += 1
    s[0] = at & 0x3FFFFFFF


class Crank:
    """Place and speed of the crank from the edges in one ring.

    wheel: teeth, missing ones, edges per turn of the wheel, whether an input tells the index
    edge, by how much a gap is longer than a step (1/64), edges per period, crank revolutions per
    turn of the wheel.
    """

    def __init__(self, rings, i):
        self._rings = rings
        self._i = i
        self._most = rings.size
        self.state = array("I", [0] * CRANK_WORDS)
        self.wheel = array("I", [0] * 7)
        self.marks = bytearray(MARKS)
        self.set_wheel(1, 0)

    @property
    def teeth(self):
        return self.wheel[0]

    @property
    def missing(self):
        return self.wheel[1]

    def set_wheel(self, teeth, missing, turns=1, index=-1):
        """Another wheel: start over. index: number of the input that tells its first tooth."""
        wheel = self.wheel
        wheel[0] = teeth
        wheel[1] = missing
        wheel[2] = teeth - missing
        wheel[3] = 1 if index >= 0 else 0
        wheel[4] = (95, 116, 134)[missing - 1] if 0 < missing < 4 else 150
        wheel[5] = teeth - missing if missing or index >= 0 else 1
        wheel[6] = turns
        self._index = index if index >= 0 else self._i
        self.forget()

    def allow(self, most):
        """Edges per call at most; where more wait, all are passed over."""
        self._most = most

    def forget(self):
        """Nothing is known: the crank has stopped, or a session has begun."""
        state = self.state
        state[KNOWN] = 0  # the next edge is the first one
        state[PERIOD] = 0
        state[ODD_LAST] = state[ODD_FIRST] = MIDDLE
        state[GOOD] = state[REFUSED] = state[TICKS] = state[TURNED] = 0
        state[CRANK_SKIPPED] = 0

    def restart(self):
        """A new session: edge counts begin at 0."""
        self.state[SEEN] = self.state[INDEXED] = self.state[DECIDED] = 0
        self.forget()

    @micropython.native
    def follow(self):
        """Look at the edges that came since the last call."""
        rings = self._rings
        _follow(
            rings.buffers[self._i],
            rings.written,
            self._i,
            rings.size,
            self._most,
            self.state,
            self.wheel,
            self.marks,
            rings.buffers[self._index],
            self._index,
        )

    def period(self):
        """Ticks of the last whole revolution, 0 when not known (always below 2^30)."""
        return self.state[PERIOD]
