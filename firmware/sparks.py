"""Sparks to events, events to an angle: what the host does with the same edges, in small integers.

Angles are 1/1000 crank degrees after the wheel's index edge. A spark's angle is read from the two
edges around it and one more on either side, by the cubic through all four (Newton's divided
differences, Abramowitz & Stegun 25.2.26), as the host reads it. Nothing is allocated.
Longer than other files: all that works on the same arrays.
"""

from array import array

import micropython
from micropython import const

from crank import DECIDED, MANY

SLOTS = const(64)  # events kept, a power of two
ABOVE = const(1000)  # added to an angle, so that rounding below 0 stays a positive number
AHEAD = const(45000)  # a missed first spark comes no earlier before the others
FEW = const(24)  # events: fewer may all be of the wrong place, so that one of another counts
IN_A_ROW = const(10)  # among so few, as many at last show that the timing has been moved
BREAK = const(1000)  # periods counted for a break, where the true number is not known

# Words of the state of Events
SEEN = const(0)  # edges of the clamp looked at
LAST = const(1)  # time of the last one
EDGE = const(2)  # crank edge at which the current interval begins
GOOD = const(3)  # whether it belongs to a good period
PLACE = const(4)  # its number in the period
NUMBER = const(5)  # of the period
RUNNING = const(6)  # 0: no event begun; 1: one whose angle is not known; 2: one in the last slot
COUNT = const(7)  # its sparks
WROTE = const(8)  # events kept since the start
KEPT = const(9)  # edges without ringing
TOGETHER = const(10)  # of these, such as came together with a crank edge
UNPLACED = const(11)  # events whose angle is not known
RINGING = const(12)  # edges left out
SKIPPED = const(13)  # how often edges were passed over, since there were too many
FIRST = const(14)  # time of the event's first spark
SPARK_WORDS = const(15)

# Words of the order
DEAD = const(0)  # ticks: an edge sooner after one is ringing
PAUSE = const(1)  # ticks: a longer pause ends an event
NEAR = const(2)  # ticks: nearer to a crank edge is together with it
STEP = const(3)  # 1/1000 degrees from tooth to tooth
TURN = const(4)  # and of a whole turn of the wheel
TEETH = const(5)
EDGES = const(6)  # per period
HOLE = const(7)  # tooth steps over the gap
MOST = const(8)  # edges per call; where more wait, all are passed over
FARTHEST = const(9)  # ticks: a burst's second spark comes no later after its first
ORDER_WORDS = const(10)


@micropython.viper
def _place(ring, teeth, written, j: int, size: int, state, crank, marks, order, events, ms: int):
    r = ptr32(ring)
    c = ptr32(teeth)
    s = ptr32(state)
    m = ptr8(marks)
    o = ptr32(order)
    v = ptr32(events)
    mask = size - 1
    end = ptr32(written)[j]
    left = (end - s[0]) & 0x3FFFFFFF
    edge = s[2]
    edges = (ptr32(crank)[13] - edge) & 0x3FFFFFFF
    # Marks are kept of 512 edges: of what is older they are those of newer ones. The first look
    # bounds the loop below, whatever the crank says.
    if left > o[8] or edges > 512 or (ptr32(crank)[0] - edge) & 0x3FFFFFFF > 512:
        s[0] = end
        left = 0
        edge = ptr32(crank)[13]
        edges = 0
        s[3] = 0
        s[5] = s[5] + 1000
        s[6] = 1
        s[13] = s[13] + 1
    while edges > 0:
        edges -= 1
        if m[edge & 511] & 1:  # a period begins
            good = m[edge & 511] & 2
            s[5] = s[5] + (1 if s[3] and good else 1000)
            s[3] = good
            s[4] = 0
        p1 = c[edge & mask]
        p2 = c[(edge + 1) & mask]
        going = left
        while going > 0:
            now = r[s[0] & mask]
            if (now - p2) & 0x3FFFFFFF < 0x20000000:  # not before the interval's end
                going = 0
            else:
                going -= 1
                left -= 1
                s[0] = s[0] + 1
                pause = (now - s[1]) & 0x3FFFFFFF
                s[1] = now
                if pause < o[0]:
                    s[12] = s[12] + 1
                else:
                    s[9] = s[9] + 1
                    x = (now - p1) & 0x3FFFFFFF
                    y = (p2 - now) & 0x3FFFFFFF
                    if x < o[2] or y < o[2]:
                        s[10] = s[10] + 1
                    if s[6] and pause < o[1]:
                        if s[6] == 2 and s[7] == 1 and (now - s[14]) & 0x3FFFFFFF > o[9]:
                            v[256 + ((s[8] - 1) & 63)] = 1
                        s[7] = s[7] + 1
                    else:
                        if s[6] == 2:
                            v[192 + ((s[8] - 1) & 63)] = s[7]
                        s[7] = 1
                        s[6] = 1
                        s[14] = now
                        if s[3] and x < 0x20000000:
                            place = s[4]
                            last = o[6] - 1
                            w = o[7] if place == last else 1
                            wl = o[7] if place == 0 else 1
                            wr = o[7] if place + 1 == last else 1
                            # The part of the interval that has passed, times 2^20.
                            n = p2 - p1 & 0x3FFFFFFF
                            p = x
                            while n >= 0x100000:
                                n >>= 1
                                p >>= 1
                            p <<= 10
                            q = p // n
                            x20 = (q << 10) + ((p - q * n) << 10) // n
                            # Lengths of the intervals on either side, times 2^14.
                            n = p2 - p1 & 0x3FFFFFFF
                            a = p1 - c[(edge - 1) & mask] & 0x3FFFFFFF
                            b = c[(edge + 2) & mask] - p2 & 0x3FFFFFFF
                            while (n | a | b) >= 0x10000:
                                n >>= 1
                                a >>= 1
                                b >>= 1
                            a = (a << 14) // n
                            b = 16384 + (b << 14) // n
                            x = x20 >> 6
                            left2 = (((w << 14) - (wl << 28) // a) << 14) // (16384 + a)
                            away = ((b >> 2) * ((b - 16384) >> 2)) >> 10
                            n = ((w + wr) << 14) - w * b - (((left2 >> 2) * (away >> 3)) >> 9)
                            n = (n << 14) // (((away >> 4) * ((b + a) >> 4)) >> 6)
                            n = left2 + ((n * (x + a)) >> 14)
                            q = (x * (16384 - x)) >> 12
                            x20 = w * x20 - (((n * q) >> 12) << 2)
                            p = o[3]
                            p = (p * (x20 >> 10) + ((p * (x20 & 1023)) >> 10)) >> 10
                            k = s[8] & 63
                            v[k] = (place * o[4]) // o[5] + p + 1000
                            v[64 + k] = s[5] & 0xFFFFFFF
                            v[128 + k] = ms
                            v[192 + k] = 1
                            v[256 + k] = 0
                            s[8] = s[8] + 1
                            s[6] = 2
                        else:
                            s[11] = s[11] + 1
        s[4] = s[4] + 1
        edge += 1
    s[2] = edge


@micropython.viper
def _unroll(events, work, first: int, n: int, scale: int, fold: int):
    """Angles in units of 1/1000 degree / scale, modulo fold, into work."""
    v = ptr32(events)
    k = ptr32(work)
    for i in range(n):
        k[i] = ((v[(first + i) & 63] - 1000) * scale) % fold


@micropython.viper
def _centre(work, n: int, fold: int) -> int:
    """The one of the angles from which the sum of circular distances to all is least."""
    k = ptr32(work)
    best = 0
    least = 0x3FFFFFFF
    for i in range(n):
        total = 0
        here = k[i]
        for j in range(n):
            d = k[j] - here
            if d < 0:
                d = 0 - d
            if d + d > fold:
                d = fold - d
            total += d
        if total < least:
            least = total
            best = here
    return best


@micropython.viper
def _around(work, n: int, centre: int, fold: int):
    """Angles moved so that the centre is at fold / 2."""
    k = ptr32(work)
    for i in range(n):
        k[i] = (k[i] - centre + (fold >> 1) + fold) % fold


@micropython.viper
def _sort(work, at: int, n: int):
    k = ptr32(work)
    for i in range(at + 1, at + n):
        value = k[i]
        j = i
        while j > at and k[j - 1] > value:
            k[j] = k[j - 1]
            j -= 1
        k[j] = value


@micropython.viper
def _away(work, n: int, middle: int):
    """Distances from the middle, behind the first 64 words."""
    k = ptr32(work)
    for i in range(n):
        d = k[i] - middle
        k[64 + i] = d if d >= 0 else 0 - d


@micropython.viper
def _moments(work, n: int, middle: int, limit: int, out):
    """Of those no further than limit from the middle: number, sum of (value - middle + limit),
    and mean square about the mean.
    """
    k = ptr32(work)
    o = ptr32(out)
    count = 0
    total = 0
    for i in range(n):
        d = k[i] - middle
        if d <= limit and d >= 0 - limit:
            count += 1
            total += d + limit
    o[0] = count
    o[1] = total
    if count:
        mean = total // count - limit
        # Squares of at most 12 bits, so that 64 of them fit.
        shift = 0
        while limit >> shift >= 2048:
            shift += 1
        squares = 0
        for i in range(n):
            d = k[i] - middle
            if d <= limit and d >= 0 - limit:
                d = (d - mean) >> shift
                squares += d * d
        squares //= count - 1 if count > 1 else 1
        # Root by Newton, from above.
        root = 8192
        while root > 1 and root > squares // root:
            root = (root + squares // root) >> 1
        o[2] = root << shift
        near = 0
        half = (root << shift) >> 1
        for i in range(n):
            d = k[i] - middle - mean
            if d <= half and d >= 0 - half:
                near += 1
        o[3] = near


@micropython.viper
def _steps(
    events, work, first: int, n: int, period: int, scale: int, fold: int, mean: int, reach: int
) -> int:
    """Degrees from event to event into work, where no break lies between; returns how many.

    Only events within reach of the mean count (as _changes has it).
    """
    v = ptr32(events)
    k = ptr32(work)
    found = 0
    a = 64
    for i in range(n):
        b = (first + i) & 63
        here = ((v[b] - 1000) * scale - mean + (fold >> 1) + fold) % fold - (fold >> 1)
        if here <= reach and here >= 0 - reach:
            if a < 64:
                turns = v[64 + b] - v[64 + a]
                if turns >= 0 and turns < 500:
                    k[found] = turns * period + v[b] - v[a]
                    found += 1
            a = b
    return found


@micropython.viper
def _below(work, n: int, value: int) -> int:
    """How many of sorted values are less."""
    k = ptr32(work)
    found = 0
    while found < n and k[found] < value:
        found += 1
    return found


@micropython.viper
def _second(work, start: int, n: int, reach: int, out):
    """Of sorted values from start on, the most within reach of one of them: how many, and which
    is the least, if there are more than out has.
    """
    k = ptr32(work)
    o = ptr32(out)
    for i in range(start, n):
        j = i
        while j < n and k[j] - k[i] <= reach:
            j += 1
        if j - i > o[0]:
            o[0] = j - i
            o[1] = k[i]


@micropython.viper
def _changes(
    events, first: int, n: int, scale: int, fold: int, zero: int, low: int, high: int, at: int,
    reach: int,
) -> int:  # fmt: skip
    """How often events of one place (low to high) and of another (at to at + reach) follow each
    other, times 256, and how many of the one came last in a row.
    """
    v = ptr32(events)
    was = 0
    changes = 0
    row = 0
    for i in range(n):
        here = ((v[(first + i) & 63] - 1000) * scale - zero + (fold >> 1) + fold) % fold
        kind = 0
        if here >= low and here <= high:
            kind = 1
        elif here >= at and here <= at + reach:
            kind = 2
        if kind:
            if was and kind != was:
                changes += 256
            row = row + 1 if kind == 1 else 0
            was = kind
    return changes + row


@micropython.viper
def _fresh(events, last: int, n: int, ms: int, limit: int) -> int:
    """How many of the last n events are no older than limit."""
    v = ptr32(events)
    found = 0
    while found < n and (ms - v[128 + ((last - found) & 63)]) & 0x3FFFFFFF <= limit:
        found += 1
    return found


@micropython.viper
def _sparks(events, column: int, first: int, n: int) -> int:
    v = ptr32(events)
    total = 0
    for i in range(n):
        total += v[column + ((first + i) & 63)]
    return total


@micropython.viper
def _pairs(events, first: int, n: int) -> int:
    v = ptr32(events)
    found = 0
    for i in range(n):
        if v[192 + ((first + i) & 63)] == 2:
            found += 1
    return found


class Events:
    """Events of one clamp, the newest ones with their angles."""

    def __init__(self, rings, j, crank):
        self._rings = rings
        self._j = j
        self._crank = crank
        self.state = array("I", [0] * SPARK_WORDS)
        self.order = array("I", [0] * ORDER_WORDS)
        self.words = array("I", [0] * (5 * SLOTS))
        self.work = array("I", [0] * (2 * SLOTS))
        self.out = array("I", [0] * 4)
        self.mean = self.deviation = self.kept = self.central = 0
        self.first = self.centre = 0  # of `_in_order`

    def set_wheel(self, crank, input_):
        """Follow this wheel, and the clamp at that input."""
        wheel, order = crank.wheel, self.order
        self._j = input_
        order[TURN] = 360000 * wheel[6]
        order[TEETH] = wheel[0]
        order[STEP] = order[TURN] // wheel[0]
        order[EDGES] = wheel[5]
        order[HOLE] = wheel[1] + 1

    def forget(self):
        """Begin anew with what comes."""
        state = self.state
        state[SEEN] = self._rings.written[self._j] & MANY
        state[EDGE] = self._crank.state[DECIDED] & MANY
        state[GOOD] = 0
        state[NUMBER] = (state[NUMBER] & 0xFFFFFFF) + BREAK
        state[RUNNING] = 1  # what comes first may be the end of a burst
        state[WROTE] = state[KEPT] = state[TOGETHER] = state[UNPLACED] = 0
        state[RINGING] = state[SKIPPED] = 0

    def restart(self):
        """A new session: edge counts and time begin at 0."""
        self.forget()
        self.state[SEEN] = self.state[EDGE] = self.state[LAST] = 0

    @micropython.native
    def follow(self, ms):
        """Place the sparks of the periods that have been judged; ms: the time now."""
        rings, crank = self._rings, self._crank
        _place(
            rings.buffers[self._j],
            rings.buffers[0],
            rings.written,
            self._j,
            rings.size,
            self.state,
            crank.state,
            crank.marks,
            self.order,
            self.words,
            ms,
        )

    def fresh(self, ms, limit):
        """How many of the newest events are no older than limit, milliseconds."""
        wrote = self.state[WROTE]
        return _fresh(self.words, wrote - 1, min(wrote, SLOTS), ms, limit)

    def sparks(self, n):
        """Sparks per event, tenths, of the last n but the very last, which may not be whole."""
        if n < 2:
            return 0
        first = self.state[WROTE] - n
        return (_sparks(self.words, 3 * SLOTS, first, n - 1) * 10 + (n - 1) // 2) // (n - 1)

    def late(self, n):
        """Of the last n events, how many have a second spark later than a burst's comes."""
        return _sparks(self.words, 4 * SLOTS, self.state[WROTE] - n, n)

    def pairs(self, n):
        """Of the last n events but the very last, how many have just two sparks."""
        return _pairs(self.words, self.state[WROTE] - n, n - 1)

    def _in_order(self, n, scale, fold):
        """Put the last n angles, around their centre and in order, into `work`; their median."""
        work = self.work
        self.first = (self.state[WROTE] - n) & (SLOTS - 1)
        _unroll(self.words, work, self.first, n, scale, fold)
        self.centre = _centre(work, n, fold)
        _around(work, n, self.centre, fold)
        _sort(work, 0, n)
        return (work[(n - 1) // 2] + work[n // 2]) >> 1

    def summarize(self, n, scale, fold, floor):
        """Mean, deviation, number kept, and number near the mean, of the last n angles.

        Angles and floor in units of 1/1000 degree / scale, modulo fold. What is further from the
        median than six robust deviations, and than the floor, is left out.
        """
        work, out = self.work, self.out
        middle = self._in_order(n, scale, fold)
        _away(work, n, middle)
        _sort(work, SLOTS, n)
        # 6 * 1.4826 times the median of the distances.
        limit = max(floor, work[SLOTS + (n - 1) // 2] * 89 // 10)
        _moments(work, n, middle, limit, out)
        self.kept = out[0]
        self.mean = (self.centre - (fold >> 1) + middle + out[1] // out[0] - limit) % fold
        self.deviation = out[2]
        self.central = out[3]

    def second(self, n, scale, fold, reach, close):
        """Whether the last n events come at a second place too, now at the one, now at the other.

        A timing that has been moved comes at one after the other, noise at no place. Of an earlier
        place few are enough: where first sparks are missed, the earliest is the true one.
        """
        work, out = self.work, self.out
        middle = self._in_order(n, scale, fold)
        few = n < FEW
        if few:
            close = reach
        before = _below(work, n, middle - close)
        near = _below(work, before, middle - min(AHEAD * scale, fold >> 2))
        out[0] = 0
        _second(work, near, before, close, out)
        if out[0] > (0 if few else n // 12):
            changes = self._order(n, scale, fold, middle, close)
            if changes & 255 < (IN_A_ROW if few else 1) or changes >= (2 if few else 3) << 8:
                return True
        out[0] = 0
        _second(work, 0, _below(work, n, middle - reach), reach, out)
        _second(work, _below(work, n, middle + reach + 1), n, reach, out)
        if out[0] < 2 or 7 * out[0] < n:
            return False
        return self._order(n, scale, fold, middle, reach) >= 3 << 8

    @micropython.native
    def _order(self, n, scale, fold, middle, reach):
        low, high, at = middle - reach, middle + reach, self.out[1]
        return _changes(self.words, self.first, n, scale, fold, self.centre, low, high, at, reach)

    def spacing(self, n, period, scale, fold, reach):
        """Median 1/1000 degrees from event to event among the last n; 0: not known."""
        work = self.work
        first = (self.state[WROTE] - n) & (SLOTS - 1)
        found = _steps(self.words, work, first, n, period, scale, fold, self.mean, reach)
        if found < 2:
            return 0
        _sort(work, 0, found)
        return work[found // 2]
