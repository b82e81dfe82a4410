"""Edge rings: who has written how far, what has been taken, what was overwritten.

Pure arithmetic on arrays of 32-bit words, without allocation; the same on board and unix port.
All counters wrap at 2^32, so only differences count; Python code sees numbers below 2^30 only,
since larger ones would be objects on the heap of a 32-bit board.
"""

from array import array

import micropython
from micropython import const

INPUTS = const(4)
MANY = const(0x3FFFFFFF)  # stands for every larger number


@micropython.viper
def since(now, then) -> int:
    """Ticks from wide time `then` to the later `now` (arrays of low, high word), at most MANY."""
    n = ptr32(now)
    t = ptr32(then)
    low = n[0] - t[0]
    borrow = (((n[0] ^ -1) & t[0]) | (((n[0] ^ -1) | t[0]) & low)) >> 31
    high = n[1] - t[1] - (borrow & 1)
    if ((high & 0xFFFF) | ((high >> 16) & 0xFFFF)) or ((low >> 30) & 3):
        return 0x3FFFFFFF
    return low & 0x3FFFFFFF


@micropython.viper
def widen(now, source, at: int):
    """Bring wide time `now` on to the 32-bit count source[at], counting a wrap in the high word.

    To be called more often than the count wraps.
    """
    n = ptr32(now)
    s = ptr32(source)
    low = s[at]
    was = n[0]
    # Wrapped when `low` < `was` as unsigned numbers: the borrow of low - was.
    borrow = (((low ^ -1) & was) | (((low ^ -1) | was) & (low - was))) >> 31
    if borrow & 1:
        n[1] = n[1] + 1
    n[0] = low


@micropython.viper
def copy_words(target, source, n: int):
    """Copy the first `n` words of one array('I') to another."""
    t = ptr32(target)
    s = ptr32(source)
    for i in range(n):
        t[i] = s[i]


@micropython.viper
def _waiting(written, taken, i: int) -> int:
    d = ptr32(written)[i] - ptr32(taken)[i]
    if (d >> 30) & 3:
        return 0x3FFFFFFF
    return d & 0x3FFFFFFF


@micropython.viper
def _settle(written, taken, lost, i: int, keep: int) -> int:
    w = ptr32(written)
    t = ptr32(taken)
    new = w[i] - keep
    gone = new - t[i]
    n = ptr32(lost)
    n[i] = n[i] + gone
    t[i] = new
    if (gone >> 30) & 3:
        return 0x3FFFFFFF
    return gone & 0x3FFFFFFF


@micropython.viper
def _settle_all(written, taken, lost, size: int, keep: int):
    w = ptr32(written)
    t = ptr32(taken)
    n = ptr32(lost)
    for i in range(4):
        d = w[i] - t[i]
        if (d >> 30) & 3 or (d & 0x3FFFFFFF) > size:
            new = w[i] - keep
            n[i] = n[i] + new - t[i]
            t[i] = new


@micropython.viper
def _oldest_age(ring, taken, now, i: int, mask: int) -> int:
    d = ptr32(now)[0] - ptr32(ring)[ptr32(taken)[i] & mask]
    if (d >> 30) & 3:
        return 0x3FFFFFFF
    return d & 0x3FFFFFFF


@micropython.viper
def _copy(place: int, at: int, end: int, ring, taken, i: int, mask: int, n: int, frame):
    # `at` and `end` are parameters since the first three are kept in registers; call with 0, 0.
    r = ptr32(ring)
    f = ptr32(frame)
    at = ptr32(taken)[i]
    f[place] = at
    place += 1
    at &= mask
    end = place + n
    while place < end:
        f[place] = r[at]
        place += 1
        at = (at + 1) & mask


@micropython.viper
def _advance(taken, i: int, n: int):
    t = ptr32(taken)
    t[i] = t[i] + n


@micropython.viper
def _write(ring, written, i: int, mask: int, source, place: int, n: int):
    r = ptr32(ring)
    w = ptr32(written)
    s = ptr32(source)
    at = w[i]
    for k in range(n):
        r[(at + k) & mask] = s[place + k]
    w[i] = at + n


class Rings:
    """Four rings of `size` (a power of two) counts each, in the buffers given.

    `written` is brought up to date by the hardware module; `taken` and `lost` move here.
    """

    def __init__(self, size, buffers):
        self.size = size
        self._keep = size - (size >> 4)
        self.buffers = buffers
        self.written = array("I", [0] * INPUTS)
        self.taken = array("I", [0] * INPUTS)
        self.lost = array("I", [0] * INPUTS)

    def clear(self):
        """Back to the start of a session."""
        for i in range(INPUTS):
            self.written[i] = self.taken[i] = self.lost[i] = 0

    def waiting(self, i):
        """Edges of input i that are written and not taken, overwritten ones left out."""
        n = _waiting(self.written, self.taken, i)
        return self.size if n > self.size else n

    def waiting_until(self, i, marks):
        """Edges of input i that wait and were written before `written` was copied to marks."""
        n = _waiting(marks, self.taken, i)
        return 0 if n > self.size else n

    def settle(self, i):
        """Count what was overwritten as lost. Returns how many edges that were.

        A sixteenth of the ring goes with them: else the next edge would overwrite what is being
        copied, and so on for ever.
        """
        if _waiting(self.written, self.taken, i) > self.size:
            return _settle(self.written, self.taken, self.lost, i, self._keep)
        return 0

    def settle_all(self):
        """settle() of all inputs."""
        _settle_all(self.written, self.taken, self.lost, self.size, self._keep)

    def discard(self, i):
        """Give up all that waits on input i and count it as lost."""
        return _settle(self.written, self.taken, self.lost, i, 0)

    def oldest_age(self, i, now):
        """Ticks since the oldest waiting edge of input i; only when one waits."""
        return _oldest_age(self.buffers[i], self.taken, now, i, self.size - 1)

    def copy(self, i, n, frame, place):
        """Put `taken` and the next n counts of input i into words place, place + 1 ... of frame."""
        _copy(place, 0, 0, self.buffers[i], self.taken, i, self.size - 1, n, frame)

    def advance(self, i, n):
        """The n edges copied last have been taken."""
        _advance(self.taken, i, n)

    def write(self, i, source, place, n):
        """Append n counts from words place ... of source: for boards without DMA."""
        _write(self.buffers[i], self.written, i, self.size - 1, source, place, n)
