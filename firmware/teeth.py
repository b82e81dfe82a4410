"""What the wheel itself may do to an angle, from its own edges: teeth that are off, run-out.

The host's rules in 32-bit integers, see host/sparkwitness/timing/interpolation.py and budget.py,
run_out_uncertainty. Two turns of the wheel are looked at from time to time; nothing is allocated.
"""

from array import array
from math import cos, radians, sin

import micropython
from micropython import const

FEWEST = const(9)  # edges per period, for a look at them
HALF = const(200)  # words for each turn, and for cosine and sine
MOST = const(300)  # 1/1000 degree of the wheel: none runs out more (common practice, no source)
LIKE_TEETH = 6  # swing that grows less from span to span is not told from teeth
LARGE = const(20000)  # 1/1000 degree: so that a sum of squares is a small integer
MIDDLE = const(0x100000)


@micropython.viper
def _survey(ring, size: int, state, wheel, marks, table, work, out) -> int:
    """The last two turns of the wheel, against a speed that changes evenly; 0: not to be had.

    Out come cosine and sine of what comes again once a turn, in 1/1000 crank degree, turn by turn,
    plus MIDDLE; and the mean squares, 1/16, by which edges miss the cubic through their four
    neighbours, and through those twice as far.
    """
    r = ptr32(ring)
    w = ptr32(wheel)
    m = ptr8(marks)
    t = ptr32(table)
    k = ptr32(work)
    o = ptr32(out)
    mask = size - 1
    teeth = w[0]
    edges = w[5]
    last = ptr32(state)[13]
    middle = last - edges
    first = middle - edges
    if m[last & 511] & 1 == 0 or m[middle & 511] & 3 != 3 or m[first & 511] & 3 != 3:
        return 0
    h = (r[middle & mask] - r[first & mask]) & 0x3FFFFFFF
    q = (r[last & mask] - r[middle & mask]) & 0x3FFFFFFF
    shift = 0
    while (h | q) >> shift >= 0x20000:
        shift += 1
    h >>= shift
    q = (q >> shift) - h  # how much longer the second turn takes
    if h < 0x2000 or q > h >> 2 or q < 0 - (h >> 2):
        return 0
    for turn in range(2):
        at = turn * 200
        begun = r[first & mask]
        step = h >> 6
        d = 0
        c = 0
        s = 0
        for j in range(teeth):
            if j < edges:
                d = ((r[(first + j) & mask] - begun) & 0x3FFFFFFF) >> shift
                d += ((q * j) // teeth) * (teeth - j) // (2 * teeth) - h * j // teeth
                if d > h >> 3:
                    d = h >> 3
                if d < 0 - (h >> 3):
                    d = 0 - (h >> 3)
                d = d * (5625 * w[6]) // step
                k[at + j] = d + 0x100000
            else:  # over the gap, in a straight line
                d = d * (teeth - j) // (teeth - j + 1)
            c += (d * (t[j] - 1024)) >> 10
            s += (d * (t[200 + j] - 1024)) >> 10
        c = 2 * c // teeth
        s = 2 * s // teeth
        o[2 * turn] = c + 0x100000
        o[2 * turn + 1] = s + 0x100000
        first = middle
        h += q
    for wide in range(1, 3):
        squares = 0
        n = 0
        for turn in range(2):
            for j in range(turn * 200 + 2 * wide, turn * 200 + edges - 2 * wide):
                d = k[j - 2 * wide] + k[j + 2 * wide] - 4 * (k[j - wide] + k[j + wide]) + 6 * k[j]
                d //= 6
                if d > 3000 or d < 0 - 3000:
                    d = 3000
                squares += (d * d) >> 4
                n += 1
        o[3 + wide] = squares // n
    return 1


class Teeth:
    """Standard uncertainty that teeth and run-out give an angle; `known`: from a look at them."""

    def __init__(self):
        self._table = array("I", [0] * (2 * HALF))
        self._work = array("I", [0] * (2 * HALF))
        self._out = array("I", [0] * 6)
        self._curved = 0  # by how much more the far misses have of the swing; 0: not told apart
        self._cos = self._sin = self._near = self._far = 0
        self.seen = False  # such a wheel is looked at
        self.known = False

    def set(self, wheel, firings):
        """Another wheel or engine; firings of the engine per revolution. With floating point."""
        teeth = self._teeth = wheel[0]
        self._turns = wheel[6]
        self.seen = wheel[5] >= FEWEST
        for j in range(teeth):
            angle = radians(360 * j / teeth)
            self._table[j] = 1024 + round(1024 * cos(angle))
            self._table[HALF + j] = 1024 + round(1024 * sin(angle))
        # A wave that moves by x from tooth to tooth: 16 cos(x / 2)^4, see cubic_shares.
        x = radians(firings * 360 * self._turns / teeth)
        told = 16 * cos(min(x, 1.5)) ** 4 >= LIKE_TEETH
        self._curved = int(256 * cos(x / 2) ** 8) - 1 if told else 0
        self.known = False

    def forget(self):
        """What has been seen may be another wheel's."""
        self.known = False

    def look(self, rings, crank):
        """Look at the two last turns, where they are good ones."""
        out = self._out
        if not _survey(
            rings.buffers[0],
            rings.size,
            crank.state,
            crank.wheel,
            crank.marks,
            self._table,
            self._work,
            out,
        ):
            return
        c = min(max(((out[0] + out[2]) >> 1) - MIDDLE, -LARGE), LARGE)
        s = min(max(((out[1] + out[3]) >> 1) - MIDDLE, -LARGE), LARGE)
        if not self.known:
            self._cos, self._sin, self._near, self._far = c, s, out[4], out[5]
            self.known = True
            return
        self._cos += (c - self._cos) >> 3
        self._sin += (s - self._sin) >> 3
        self._near += (out[4] - self._near) >> 3
        self._far += (out[5] - self._far) >> 3

    def square(self, after):
        """Square of the standard uncertainty of an angle after the index edge, 1/1000 degree."""
        if not self.known:
            return 0
        turns = self._turns
        step = 360000 * turns // self._teeth
        j = (after + step // 2) // step % self._teeth
        x, y = self._table[j] - 1024, self._table[HALF + j] - 1024
        reach = max(1024, 2 * (1024 - x))  # square of the distance on a circle, 1/1024
        c, s = self._cos, self._sin
        most = MOST * turns
        size = min(c * c + s * s, most * most + 1)
        if size > most * most:
            u = most * most // 6 * reach // 1024
        else:
            seen = (c * (x - 1024) + s * y) // 1024
            u = max(seen * seen // 3, size // 24 * reach // 1024)
        near = self._near
        if self._curved:
            near -= min(max(self._far - near, 0) // self._curved, near)
        return u + 16 * near
