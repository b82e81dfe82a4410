"""When the pulses of bench trigger and bench crank fall, in cycles of the clock: pure integers.

Both trains take the lengths of the revolutions from one table, so that they stay in phase for as
long as both are played without a pause. Speed changes from one revolution to the next, and with it
the width of the pulses: else a wide pulse of a slow order would fill a revolution of a fast one.
Numbers stay below 2^30 and nothing is allocated while pulses are made.
"""

import struct
from array import array

import micropython
from micropython import const

import wire

ACTIVE_CYCLES = const(2)  # the PIO program adds them to a pulse's active part, see programs.py

SLOWEST_MRPM = const(20000)
TABLE = const(16)

# Words of the state of a Train
STEPS = const(0)
PRESENT = const(1)
TURNS = const(2)
PLACE = const(3)  # of the next record's first pulse
BASE = const(4)  # revolution of place 0
LATE = const(5)  # cycles that the last record ends late, plus BIAS
WIDTH = const(6)  # whether pulses have the width ordered; 0: a share of their place, see Train
COUNT = const(7)  # the record, as the PIO program takes it
ACTIVE = const(8)
INACTIVE = const(9)
CYCLES = const(10)
SHORTEST = const(11)
LONGEST = const(12)
TOTAL = const(13)  # pulses in all records
LAST = const(14)  # which of the last four records is the newest
COUNTS = const(15)  # of the last four records: pulses
SPANS = const(19)  # and cycles
OFFSET = const(23)  # to be added to TOTAL for the pulses since the last drive command
TRAIN_WORDS = const(24)
BIAS = const(0x1000000)


def read_drive(payload):
    """Fields of a drive command's payload, in the order of wire.md.

    (mrpm_from, mrpm_to, ramp_ms, width_us, firings, turns, active_low, teeth, missing, load)
    """
    return struct.unpack_from(wire.DRIVE_FORMAT, payload)


@micropython.viper
def _quotient(numerator, divisor: int) -> int:
    """numerator (array of low word, high word below the divisor) // divisor (below 2^29)."""
    n = ptr32(numerator)
    low = n[0]
    rest = n[1]
    result = 0
    for bit in range(32):
        rest = (rest << 1) | ((low >> (31 - bit)) & 1)
        result <<= 1
        if rest >= divisor:
            rest -= divisor
            result |= 1
    return result


class Speed:
    """Lengths of revolutions: constant, a step, or a ramp that is linear in time."""

    def __init__(self, clock_hz):
        self._mhz = clock_hz // 1000000
        minute = clock_hz * 60000
        self._minute = array("I", [minute & 0xFFFFFFFF, minute >> 32])
        # Of revolution r at r % TABLE: its length; TABLE words further on: its pulses' active part.
        self.lengths = array("I", [0] * (2 * TABLE))
        self._mrpm_known = self._ideal = 0  # the last speed asked for, and its revolution
        self.restart(1)  # the rest comes with the first order

    def restart(self, multiple):
        """Forget all revolutions; lengths are multiples of `multiple` cycles (right on average)."""
        self.known = 0
        self._multiple = multiple
        self._left_over = 0

    def order(self, mrpm_from, mrpm_to, ramp_ms, width):
        """From the next revolution whose length nobody has asked for; width in cycles."""
        self._from = max(mrpm_from, SLOWEST_MRPM)
        self._to = max(mrpm_to, SLOWEST_MRPM)
        self._width = max(width, ACTIVE_CYCLES)
        self._ramp_ms = ramp_ms
        self._elapsed_ms = self._elapsed_us = 0

    def _mrpm(self):
        if self._elapsed_ms >= self._ramp_ms:
            return self._to
        part = self._elapsed_ms * 1024 // self._ramp_ms
        change = self._to - self._from
        return self._from + (change >> 10) * part + ((change & 1023) * part >> 10)

    def reach(self, revolution):
        """Know the lengths up to this revolution's."""
        while self.known <= revolution:
            mrpm = self._mrpm()
            if mrpm != self._mrpm_known:
                self._mrpm_known = mrpm
                self._ideal = _quotient(self._minute, mrpm)
            ideal = self._ideal + self._left_over
            length = ideal - ideal % self._multiple
            self._left_over = ideal - length
            self.lengths[self.known % TABLE] = length
            self.lengths[TABLE + self.known % TABLE] = self._width
            self.known += 1
            self._elapsed_us += length // self._mhz
            self._elapsed_ms += self._elapsed_us // 1000
            self._elapsed_us %= 1000


@micropython.viper
def next_record(train, lengths, known: int) -> int:
    """Make the next record of a train: -1, or the revolution whose length has to be known first."""
    t = ptr32(train)
    n = ptr32(lengths)
    steps = t[0]
    turns = t[2]
    place = t[3]
    base = t[4]
    last = place + 1 >= t[1]
    turn = place * turns // steps
    first = base + turn
    part = place * turns - turn * steps
    after = place + 1
    if last:
        after = 0
        base += turns
    turn = after * turns // steps
    other = base + turn
    if after * turns == turn * steps:
        other -= 1  # a place that opens its revolution needs that one's length only later
    if other >= known:
        return other
    length = n[first & 15]
    pitch = length // steps
    start = pitch * part + (length - pitch * steps) * part // steps
    count = 1
    distance = 0
    more = True
    while more:
        more = False
        # Cycles from this place to the one after the record.
        turn = after * turns // steps
        part = after * turns - turn * steps
        other = base + turn
        length = n[other & 15]
        pitch = length // steps
        distance = pitch * part + (length - pitch * steps) * part // steps - start
        while other > first:
            other -= 1
            distance += n[other & 15]
        if count == 1 and not last and distance < t[11]:
            # As many pulses of this revolution as there are, but for its last one, which is a
            # record of its own and takes up the remainder.
            end = ((place * turns // steps + 1) * steps - 1) // turns
            if end > t[1] - 1:
                end = t[1] - 1
            most = t[12] // (distance + 1)
            if most > 255:
                most = 255
            if end > place + most:
                end = place + most
            if end > after:
                count = end - place
                after = end
                more = True
    ideal = distance - (t[5] - 0x1000000)
    pitch = ideal // count
    active = n[16 + (first & 15)]
    if t[6] == 0:
        active = pitch // (2 if steps > 1 else 36)
        if active > 0xFFFFFF:
            active = 0xFFFFFF
    inactive = pitch - active - 3
    cycles = pitch
    if count > 1:
        cycles = count * pitch + 4
    else:
        inactive -= 4
    if inactive < 0:
        cycles -= inactive * count
        inactive = 0
    t[5] = cycles - ideal + 0x1000000
    t[7] = count
    t[8] = active - 2
    t[9] = inactive
    t[10] = cycles
    newest = (t[14] + 1) & 3
    t[14] = newest
    t[15 + newest] = count
    t[19 + newest] = cycles
    t[13] = (t[13] + count) & 0x3FFFFFFF
    t[3] = after
    t[4] = base
    return -1


class Train:
    """Pulses at the first `present` of `steps` even places in `turns` revolutions, over and over.

    next() makes one record for the PIO program (see programs.py) in `state`: COUNT pulses, ACTIVE
    and INACTIVE as the program wants them; CYCLES from its first edge to that of the next record.
    Edges lie within 4 cycles of their place, in a revolution that is no multiple of `steps` within
    4 and one for each pulse of the record; the error is not carried on. What has been made is
    noted, so that what still waits can be told by the number of records in the queue.
    """

    def __init__(self, speed, shortest, longest, ordered):
        """shortest, longest: cycles that a record should last, where it can.

        ordered: the active part is as ordered; else half of a place, a thirty-sixth of one that is
        alone.
        """
        self._speed = speed
        self.state = array("I", [0] * TRAIN_WORDS)
        self.state[SHORTEST] = shortest
        self.state[LONGEST] = longest
        self.state[WIDTH] = ordered

    def restart(self, steps, present, turns):
        """From the start of revolution 0."""
        state = self.state
        state[STEPS] = steps
        state[PRESENT] = present
        state[TURNS] = turns
        state[PLACE] = state[BASE] = 0
        state[LATE] = BIAS
        state[TOTAL] = 0

    def next(self):
        """Make the next record."""
        speed = self._speed
        needed = next_record(self.state, speed.lengths, speed.known)
        while needed >= 0:
            speed.reach(needed)
            needed = next_record(self.state, speed.lengths, speed.known)
