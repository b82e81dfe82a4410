"""When the pulses of bench trigger and bench crank fall, in cycles of the clock: pure integers.

Both trains take the lengths of the revolutions from one table, so that they stay in phase for as
long as both are played without a pause. Speed changes from one revolution to the next. Numbers
stay below 2^30 and nothing is allocated while pulses are made.
"""

import struct
from array import array

import micropython
from micropython import const

import wire

# What the PIO program adds to the numbers of a record, see programs.py.
RECORD_CYCLES = const(4)
ACTIVE_CYCLES = const(2)
INACTIVE_CYCLES = const(3)

SLOWEST_MRPM = const(20000)
TABLE = const(16)
LONGEST_ACTIVE = const(0xFFFFFF)


def read_drive(payload):
    """Fields of a drive command's payload, in the order of wire.md.

    (mrpm_from, mrpm_to, ramp_ms, width_us, firings, turns, active_low, teeth, missing)
    """
    return struct.unpack_from(wire.DRIVE_FORMAT, payload)


def drive_fault(mrpm_from, mrpm_to, width_us, firings, turns, teeth, missing):
    """What makes such pulses impossible, in words; None when nothing does."""
    fastest = max(mrpm_from, mrpm_to)
    if fastest < SLOWEST_MRPM:
        return "the slowest bench speed is 20 rev/min"
    if missing and missing >= teeth:
        return f"missing is {missing}, must be less than teeth, {teeth}"
    if firings:
        if not width_us:
            return "width_us is 0, must be at least 1 when there are trigger pulses"
        between_us = 60000000000 * turns // (fastest * firings)
        if width_us * 10 > between_us * 9:
            # Two parts, since old versions of MicroPython cannot join f-strings by themselves.
            limit = f"must be at most 90 % of the {between_us} us between pulses"
            return f"width_us is {width_us}, {limit} at {fastest // 1000} rev/min"
    return None


@micropython.viper
def _quotient(numerator, divisor: int) -> int:
    """numerator (array of low, high word, below 2^48) // divisor (below 2^29)."""
    n = ptr32(numerator)
    rest = 0
    result = 0
    for bit in range(48):
        place = 47 - bit
        digit = (n[1] >> (place - 32)) & 1 if place >= 32 else (n[0] >> place) & 1
        rest = (rest << 1) | digit
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
        self._lengths = array("I", [0] * TABLE)
        self._known = 0
        self._multiple = 1
        self._left_over = 0
        self._from = self._to = 0
        self._ramp_ms = 0
        self._elapsed_ms = 0
        self._elapsed_us = 0

    def restart(self, multiple):
        """Forget all revolutions; lengths are multiples of `multiple` cycles (right on average)."""
        self._known = 0
        self._multiple = multiple
        self._left_over = 0

    def order(self, mrpm_from, mrpm_to, ramp_ms):
        """From the next revolution whose length nobody has asked for."""
        self._from = max(mrpm_from, SLOWEST_MRPM)
        self._to = max(mrpm_to, SLOWEST_MRPM)
        self._ramp_ms = ramp_ms
        self._elapsed_ms = self._elapsed_us = 0

    def _mrpm(self):
        if self._elapsed_ms >= self._ramp_ms:
            return self._to
        part = self._elapsed_ms * 1024 // self._ramp_ms
        change = self._to - self._from
        return self._from + (change >> 10) * part + ((change & 1023) * part >> 10)

    def length(self, revolution):
        """Cycles of a revolution; to be asked in order, not further back than TABLE - 1."""
        while self._known <= revolution:
            ideal = _quotient(self._minute, self._mrpm()) + self._left_over
            length = ideal - ideal % self._multiple
            self._left_over = ideal - length
            self._lengths[self._known % TABLE] = length
            self._known += 1
            self._elapsed_us += length // self._mhz
            self._elapsed_ms += self._elapsed_us // 1000
            self._elapsed_us %= 1000
        return self._lengths[revolution % TABLE]


class Train:
    """Pulses at the first `present` of `steps` even places in `turns` revolutions, over and over.

    next() makes one record for the PIO program (see programs.py): `count` pulses, `active` and
    `inactive` as the program wants them; `cycles` from its first edge to that of the next record.
    Edges lie within 4 cycles of their place; the error is not carried on.
    """

    def __init__(self, speed, shortest):
        self._speed = speed
        self._shortest = shortest  # cycles that a record should last, where it can
        self.count = self.active = self.inactive = self.cycles = 0
        self._width = 0

    def restart(self, steps, present, turns):
        """From the start of revolution 0."""
        self._steps = steps
        self._present = present
        self._turns = turns
        self._base = 0  # revolution of place 0
        self._place = 0
        self._late = 0

    def set_width(self, cycles):
        """Length of the active part; 0: half of a place, a thirty-sixth of one that is alone."""
        self._width = cycles

    def _offset(self, place, revolution):
        """Cycles from the start of its revolution to a place."""
        part = place * self._turns % self._steps
        length = self._speed.length(revolution)
        return length // self._steps * part + length % self._steps * part // self._steps

    def _revolution(self, place):
        return self._base + place * self._turns // self._steps

    def _distance(self, place, later, base):
        """Cycles from a place to a later one, which counts from revolution `base`."""
        one = self._revolution(place)
        other = base + later * self._turns // self._steps
        distance = -self._offset(place, one)
        for revolution in range(one, other):
            distance += self._speed.length(revolution)
        return distance + self._offset(later, other)

    def next(self):
        """Make the next record."""
        place = self._place
        last = place + 1 >= self._present
        after = 0 if last else place + 1
        base = self._base + self._turns if last else self._base
        distance = self._distance(place, after, base)
        count = 1
        if distance < self._shortest and not last:
            # As many pulses of this revolution as there are, but for its last one, which is
            # a record of its own and takes up the remainder.
            turn = place * self._turns // self._steps
            end = ((turn + 1) * self._steps - 1) // self._turns
            end = min(end, self._present - 1, place + 255)
            if end > after:
                count = end - place
                after = end
                distance = self._distance(place, after, base)
        ideal = distance - self._late
        pitch = ideal // count
        active = self._width
        if not active:
            share = 2 if self._steps > 1 else 36
            active = min(pitch // share, LONGEST_ACTIVE)
        if count > 1:
            inactive = pitch - active - INACTIVE_CYCLES
            self.cycles = count * pitch + RECORD_CYCLES
        else:
            inactive = pitch - active - INACTIVE_CYCLES - RECORD_CYCLES
            self.cycles = pitch
        if inactive < 0:
            self.cycles -= inactive * count
            inactive = 0
        self._late = self.cycles - ideal
        self.count = count
        self.active = active - ACTIVE_CYCLES if active > ACTIVE_CYCLES else 0
        self.inactive = inactive
        self._place = after
        self._base = base
