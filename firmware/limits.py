"""What the outputs may do: the one place of their limits. The hello frame tells them to the host.

A pulse, a train or a flash beyond them is refused by name before anything is driven; what adds up
over commands is counted here and cut. Per load (wire.md): inductive, where the pulse charges a
coil, and capacitive, where it only triggers.
"""

from array import array

import micropython
from micropython import const

LEASE_MS = const(900)  # the promise is 1 s, one turn of the loop included
BENCH_RATE = const(6000)  # trigger pulses and tooth places a second: what the drivers follow
CRANK_RATE = const(45000)
ACTIVE_US = (15000, 20000)  # dwell of a coil: 2 to 8 ms, more when starting; common practice
DUTY_PERMILLE = (700, 750)  # of a train; contact breakers close for up to 70 %, common practice
# A steady train may use DUTY of each second for ever; what comes at once is bounded by _BURST_US.
# With what may wait in the queue (50 ms, or three pulses) no second has more than SECOND_MS.
_BURST_US = (60000, 80000)
SECOND_MS = (810, 900)
# Heat: on average no more than MEAN_PERMILLE; 6 s more at once. No minute has more than this.
MEAN_PERMILLE = (500, 750)
_MINUTE_BURST_US = const(6000000)
MINUTE_MS = (36100, 51100)
FLASH_US = const(200)
FLASH_PERMILLE = const(50)

SILENT = "the host did not renew its lease for 1 s: outputs are off"
USED_UP = "the bench trigger has used up its active time of a {}: outputs are off"


# Words of a Budget
SECOND = const(0)  # active time in the vessels, microseconds
MINUTE = const(1)
THEN = const(2)  # when they last leaked, ms
DUTY = const(3)  # microseconds that leak per ms
MEAN = const(4)
BURST = const(5)  # what the first vessel holds


@micropython.viper
def take(budget, us: int, now: int) -> int:
    """Whether `us` more may be active: 0, or the limit that forbids it, a CUT_... of wire.py.

    now: milliseconds, wrapping like ticks_ms().
    """
    b = ptr32(budget)
    passed = (now - b[2]) & 0x3FFFFFFF
    if passed >= 0x20000000:
        passed = 0  # a clock that was set back
    elif passed > 25000:
        passed = 25000
    b[2] = now
    second = b[0] - passed * b[3]
    if second < 0:
        second = 0
    minute = b[1] - passed * b[4]
    if minute < 0:
        minute = 0
    why = 0
    if second + us > b[5]:
        why = 2
    elif minute + us > 6000000:
        why = 4
    else:
        second += us
        minute += us
    b[0] = second
    b[1] = minute
    return why


class Budget:
    """Active time of the bench trigger, as of two vessels that leak: of a second, of a minute.

    Whatever is driven, and by whatever commands, passes through take() before it is queued.
    """

    def __init__(self):
        self.words = array("I", [0] * 6)
        self.set_load(0)

    def set_load(self, load):
        """The kind of module from here on; what has been used stays used."""
        words = self.words
        words[DUTY] = DUTY_PERMILLE[load]
        words[MEAN] = MEAN_PERMILLE[load]
        words[BURST] = _BURST_US[load]

    def wait_ms(self, now):
        """How long to rest before a train may begin again."""
        words = self.words
        take(words, 0, now)
        second = (words[SECOND] - words[BURST] // 4) // words[DUTY]
        minute = (words[MINUTE] - _MINUTE_BURST_US * 3 // 4) // words[MEAN]
        return max(second, minute, 0)

    def fault(self, order, now):
        """What forbids a train ordered anew, in words; None when nothing does."""
        rest = self.wait_ms(now) // 1000
        if order[4] and rest:
            return f"the bench trigger has been active for too long: it must rest for {rest} s"
        return None


@micropython.native
def drive_fault(order):
    """What makes a drive order impossible, in words; None when nothing does.

    order: fields of the command as pulses.read_drive gives them.
    """
    mrpm_from, mrpm_to, _, width_us, firings, turns, _, teeth, missing, load = order
    fastest = max(mrpm_from, mrpm_to)
    if fastest < 20000:
        return "the slowest bench speed is 20 rev/min"
    if missing and missing >= teeth:
        return f"missing is {missing}, must be less than teeth, {teeth}"
    rpm = fastest // 1000
    rate = fastest // 1000 * teeth // 60
    if rate > CRANK_RATE:
        return f"{rate} teeth a second at {rpm} rev/min, at most {CRANK_RATE} are allowed"
    if not firings:
        return None
    if not width_us:
        return "width_us is 0, must be at least 1 when there are trigger pulses"
    rate = fastest // 1000 * firings // (60 * turns)
    if rate > BENCH_RATE:
        return f"{rate} pulses a second at {rpm} rev/min, at most {BENCH_RATE} are allowed"
    if width_us > ACTIVE_US[load]:
        kind = ("inductive", "capacitive")[load]
        return f"width_us is {width_us}, must be at most {ACTIVE_US[load]} for this load, {kind}"
    between_us = 60000000000 * turns // (fastest * firings)
    if width_us * 1000 > between_us * DUTY_PERMILLE[load]:
        # Two parts, since old versions of MicroPython cannot join f-strings by themselves.
        limit = f"must be at most {DUTY_PERMILLE[load] // 10} % of the {between_us} us"
        return f"width_us is {width_us}, {limit} between pulses at {rpm} rev/min"
    return None
