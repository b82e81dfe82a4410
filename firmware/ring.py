"""Edge rings, and the frames made of them: who has written how far, what is sent, what is lost.

Pure arithmetic on arrays of 32-bit words, without allocation; the same on board and unix port.
All counters wrap at 2^32, so only differences count; Python code sees numbers below 2^30 only,
since larger ones would be objects on the heap of a 32-bit board.

On a board the DMA copies edges into frames and its sniffer computes their CRC on the way; where
there is none, or where it computes something else, a loop does the same.
"""

from array import array

import micropython
from micropython import const

import wire
from frame import CRC_TABLE, CRC_TABLE_1, CRC_TABLE_2, CRC_TABLE_3, stuff, sum_up

INPUTS = const(4)
FRAMES = const(4)  # at once: USB still has as many to send while the next are made
ROOM = const(4 * 256 + 4)  # bytes for them

# What Rings.survey() finds
EDGES_DUE = const(1)
BEAT_DUE = const(2)
STALE = const(4)  # since an eighth of a wrap, see wire.md, "Counting losses"
BEATING = const(8)  # a heartbeat waits for edges that go before it

# Words of the state of Rings. Viper code has the numbers; these names are for Python.
WRITTEN = const(0)
TAKEN = const(4)
LOST = const(8)
MARKS = const(12)  # edges that go out before the heartbeat that is due
STALLS = const(16)
NOW = const(20)  # wide time of the session, low word first
BEAT = const(22)  # and of the last heartbeat, or of the one that is due
MARKED = const(24)  # whether one is due
SEQ = const(25)  # of the next frame
HEAD = const(26)  # first word of an edge frame: type, session
NEXT = const(27)  # input whose turn it is
SIZE = const(28)
AGE = const(29)  # ticks after which an edge is sent, though its frame is not full
EVERY = const(30)  # ticks from heartbeat to heartbeat
BOTH = const(42)  # bit i: counts of input i are doubled, bit 0 is the level after the edge
# Only where DMA fills the rings, else 0:
COUNTERS = const(31)  # addresses of what is left of each ring's order
BASES = const(35)  # edges in all when nothing of the order is left
COPIER = const(39)  # address of the DMA channel that copies
BUSY = const(40)  # its busy bit
SNIFFED = const(41)  # address of the sniffer's sum
WORDS = const(43)


@micropython.viper
def _mark(state):
    s = ptr32(state)
    s[22] = s[20]
    s[23] = s[21]
    s[24] = 1
    for i in range(4):
        s[12 + i] = s[i]


@micropython.viper
def _drained(state) -> int:
    s = ptr32(state)
    for i in range(4):
        n = s[12 + i] - s[4 + i]
        if n != 0 and (n >> 30) & 3 == 0 and (n & 0x3FFFFFFF) <= s[28]:
            return 0
    return 1


@micropython.viper
def _discard(state):
    s = ptr32(state)
    for i in range(4):
        s[8 + i] = s[8 + i] + s[i] - s[4 + i]
        s[4 + i] = s[i]


@micropython.viper
def _survey(state, rings) -> int:
    s = ptr32(state)
    r = ptr32(rings)
    size = s[28]
    total = 0
    due = 8 if s[24] else 0
    for i in range(4):
        n = s[i] - s[4 + i]
        if (n >> 30) & 3 or (n & 0x3FFFFFFF) > size:
            n = size - (size >> 2)
            first = s[i] - n
            s[8 + i] = s[8 + i] + first - s[4 + i]
            s[4 + i] = first
        n &= 0x3FFFFFFF
        if n:
            total += n
            # An edge may be a little younger than `now`.
            both = s[42] >> i & 1
            age = ((s[20] + 0x1000) << both) - r[i * size + (s[4 + i] & (size - 1))]
            if age >> (30 + both) & (3 - both * 2) or (age >> both & 0x3FFFFFFF) >= s[29]:
                due |= 1
    if total >= 696:  # twelve full frames: fewer take more of the time
        due |= 1
    # Wide time since the last heartbeat. The borrow of its low word counts below 2^31 only.
    low = s[20] - s[22]
    age = s[21] - s[23] - (((s[20] ^ -1) & s[22]) >> 31 & 1)
    if age & 0xFFFF or (age >> 16) & 0xFFFF or (low >> 30) & 3 or (low & 0x3FFFFFFF) >= 0x20000000:
        due |= 4
    if s[24] == 0 and (due & 4 or (low & 0x3FFFFFFF) >= s[30]):
        due |= 2
    return due


@micropython.viper
def _pack(state, rings, out, frames: int) -> int:
    s = ptr32(state)
    o = ptr32(out)
    p = 0
    r = ptr32(rings)
    size = s[28]
    i = s[27]
    inputs = 4
    while inputs > 0 and frames > 0:
        end = s[12 + i] if s[24] else s[i]
        both = s[42] >> i & 1
        n = 1
        while n > 0 and frames > 0:
            first = s[4 + i]
            n = (end - first) & 0x3FFFFFFF
            if n > size:  # a mark that lies behind
                n = 0
            at = i * size + (first & (size - 1))
            if n > 58:
                n = 58
            elif n < 58 and s[24] == 0:
                k = ((s[20] + 0x1000) << both) - r[at]
                if k >> (30 + both) & (3 - both * 2) == 0 and (k >> both & 0x3FFFFFFF) < s[29]:
                    n = 0
            if n > 0:
                o[p] = 0
                o[p + 1] = s[26]
                o[p + 2] = s[25]
                o[p + 3] = i | (n << 8) | (both << 16)
                o[p + 4] = first
                if s[39]:
                    c = ptr32(s[39])
                    ptr32(s[41])[0] = -1
                    k = int(o) + ((p + 1) << 2)
                    c[5] = k
                    c[6] = k
                    c[7] = 4  # go
                    while c[4] & s[40]:
                        pass
                    c[5] = int(r) + (at << 2)
                    c[6] = k + 16
                    c[7] = n
                    while c[4] & s[40]:
                        pass
                    o[p + 5 + n] = ptr32(s[41])[0]
                else:
                    k = p + 5
                    at = first & (size - 1)
                    while k < p + 5 + n:
                        o[k] = r[i * size + at]
                        k += 1
                        at = (at + 1) & (size - 1)
                k = 0
                if s[31 + i]:  # written over meanwhile?
                    k = (s[35 + i] - ptr32(s[31 + i])[0] - first) & 0x3FFFFFFF
                if k > size:
                    n = 0  # counted as lost in the next turn
                else:
                    s[4 + i] = first + n
                    s[25] = s[25] + 1
                    p += n + 6
                    frames -= 1
        inputs -= 1
        i = (i + 1) & 3
    s[27] = i
    o[p] = 0
    return p


@micropython.viper
def _write(rings, state, i: int, source, place: int, n: int):
    r = ptr32(rings)
    w = ptr32(state)
    s = ptr32(source)
    size = w[28]
    at = w[i]
    for k in range(n):
        r[i * size + ((at + k) & (size - 1))] = s[place + k]
    w[i] = at + n


class Rings:
    """Four rings of `size` counts each (a power of two), one after the other in `memory`.

    buffers: the four as views of their own. out: ROOM bytes for frames. `written`, `stalls` and
    `now` are brought up to date by the hardware module; all else moves here.
    """

    def __init__(self, size, memory, buffers, out):
        self.size = size
        self.buffers = buffers
        self.out = out
        self._memory = memory
        self.state = array("I", [0] * WORDS)
        self.state[SIZE] = size
        view = memoryview(self.state)
        self.written = view[WRITTEN : WRITTEN + INPUTS]
        self.taken = view[TAKEN : TAKEN + INPUTS]
        self.lost = view[LOST : LOST + INPUTS]
        self.stalls = view[STALLS : STALLS + INPUTS]
        self.now = view[NOW : NOW + 2]
        self.beat = view[BEAT : BEAT + 2]
        self.seq = view[SEQ : SEQ + 1]
        self.stuff = None  # the chip's own stuff(out, words); then a DMA channel copies and sums

    def clear(self, session):
        """Back to the start of a session."""
        for k in range(MARKED + 1):
            self.state[k] = 0
        self.state[HEAD] = wire.EDGES | session << 16

    def pace(self, age, every):
        """Ticks that an edge may wait for others to fill its frame; from heartbeat to heartbeat."""
        self.state[AGE] = age
        self.state[EVERY] = every

    def stamp_both(self, inputs):
        """Inputs, as bits, whose counts are doubled and carry their level in bit 0."""
        self.state[BOTH] = inputs

    def mark(self):
        """A heartbeat is due for now: what has been written until now goes out before it."""
        _mark(self.state)

    def beating(self):
        """Whether a heartbeat is due."""
        return self.state[MARKED]

    def drained(self):
        """Whether all has gone out that goes before the heartbeat that is due."""
        return _drained(self.state)

    def beaten(self):
        """The heartbeat has been sent."""
        self.state[MARKED] = 0

    def discard(self):
        """Give up all that waits and count it as lost."""
        _discard(self.state)

    def survey(self):
        """Count what was overwritten as lost. Returns what is due, as bits.

        A quarter of the ring goes with it: else the next edges would overwrite what is being
        copied, and so on for ever.
        """
        return _survey(self.state, self._memory)

    @micropython.native
    def pack(self):
        """Make frames of the edges that are due, one after the other in `out`.

        Returns the number of bytes, from the first COBS code at out[3] to the last delimiter; 0
        when nothing is due. Between two frames there are four delimiters, as counts want to be on
        a 4-byte boundary.
        """
        words = _pack(self.state, self._memory, self.out, FRAMES)
        if not words:
            return 0
        if self.stuff:
            self.stuff(self.out, words)
        else:
            sum_up(0, 0, 0, self.out, words, CRC_TABLE, CRC_TABLE_1, CRC_TABLE_2, CRC_TABLE_3)
            stuff(0, 0, 0, self.out, words)
        return 4 * words - 2

    def write(self, i, source, place, n):
        """Append n counts from words place ... of source: for boards without DMA."""
        _write(self._memory, self.state, i, source, place, n)


def plain_rings(size):
    """Rings in memory of their own, for boards whose hardware does not ask for a place."""
    memory = memoryview(bytearray(4 * size * INPUTS))
    views = [memory[4 * size * i : 4 * size * (i + 1)] for i in range(INPUTS)]
    return Rings(size, memory, views, bytearray(ROOM))
