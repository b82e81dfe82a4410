"""The meter without a computer: timing, error, speed and sparks from clamp and crank.

The arithmetic is in `crank` and `sparks`; here it is decided what of it is shown, by the host's
gates in small (host/sparkwitness/timing/gates.py): a number in doubt is not shown, and two lines
say why. Small integers only and no allocation while it runs. Angles are 1/1000 crank degrees,
advance (before top dead centre) positive; error = measured less commanded.
"""

from time import ticks_add, ticks_diff, ticks_ms

from micropython import const

import delays
import settings
import wire
from bound import Bound
from crank import (
    CRANK_SKIPPED,
    FEWEST_FOR_GAP,
    GOOD,
    KNOWN,
    MANY,
    MIDDLE,
    ODD_FIRST,
    ODD_LAST,
    REFUSED,
    TICKS,
    TURNED,
    Crank,
)
from menu import Menu
from reasons import (
    CHECK,
    COIL_ON,
    ELSEWHERE,
    FALLING,
    FAR,
    FINE,
    HOST,
    IMPLAUSIBLE,
    LOST,
    NO_CRANK,
    NO_SPARKS,
    NOT_WHEEL,
    ON_CRANK,
    PLACES,
    REPEATS,
    REVERSED,
    SCATTER,
    SET_WHEEL,
    SPACING,
    TRUE,
    TWICE,
    UNEVEN,
    VARIES,
    WAIT,
    WIRES,
)
from sparks import (
    DEAD,
    FARTHEST,
    KEPT,
    MOST,
    NEAR,
    PAUSE,
    SKIPPED,
    TOGETHER,
    UNPLACED,
    Events,
)
from teeth import Teeth

SHOW_MS = const(250)
SHOW_SERVED_MS = const(500)
GONE_MS = const(1000)
STALE_MS = const(1500)  # events decided later than that ago: the crank is no longer understood
SPAN_MS = const(1500)  # of the events that are shown; where fewer than ENOUGH,
LONGEST_MS = const(12000)  # as many as that, but none older than this
HISTORY_MS = const(12000)  # of the events among which a second place is looked for
ENOUGH = const(12)
EVENT_GAP_MS = const(3)  # a longer pause ends an event, if it is an eighth of a revolution too
TOGETHER_US = const(20)
# Sparks of a burst come sooner after each other, a coil charges longer (common practice, no source)
FARTHEST_US = const(1800)
EDGES_MS = const(16)  # crank edges a millisecond that no engine makes more of
EARLIEST = const(70000)  # no engine fires outside (common practice, no source)
LATEST = const(-30000)
LARGE_ERROR = const(25000)
UNSTEADY = const(2000)  # worn distributors reach 2 degrees (common practice, no source)
STRAY = const(2000)
TWO_PLACES = const(500)
ODD = const(1311)  # 0.08 tooth steps, times 4096 times 4
ODD_PERIODS = const(8)  # before that nothing is shown
U_TEETH = const(50)  # what even teeth and interpolation err by (common practice, no source)
WIDE = const(200)  # standard uncertainty from more than which on it is said where it is from


def _root(square):
    """Whole square root."""
    root = 32768
    while root > 1 and root > square // root:
        root = (root + square // root) >> 1
    return root


def _common(a, b):
    """Greatest common measure."""
    while b:
        a, b = b, a % b
    return a


class Meter:
    """Reads rings, writes to a panel.Panel or its like.

    What the picture is drawn from: reason and figure; rpm, -1 when not known; timed and timing,
    error (None: no commanded angle), within, sparks, all in 1/10; life; lamp (1/1000 degrees, or
    None); events.
    """

    def __init__(self, hw, panel, folder=""):
        self._hw = hw
        self._panel = panel
        self._folder = folder
        self._ticks_per_ms = 1000000 // (hw.tick_ps // 1000)
        self._tenth_s = 100000000 // hw.tick_ps * 1000 + 100000000 % hw.tick_ps * 1000 // hw.tick_ps
        self._crank = Crank(hw.rings, 0)
        self._events = Events(hw.rings, 1, self._crank)
        order = self._events.order
        order[DEAD] = delays.DEAD_US * self._ticks_per_ms // 1000
        order[NEAR] = TOGETHER_US * self._ticks_per_ms // 1000
        order[FARTHEST] = FARTHEST_US * self._ticks_per_ms // 1000
        now = ticks_ms()
        self._shown = self._turned = self._crank_ms = self._clamp_ms = self._good_ms = now
        self._lost_ms = ticks_add(now, -GONE_MS)
        self._crank_edges = self._clamp_edges = self._good = self._refused = 0
        self._stalls = 0
        self._uneven = self._even = self._kept = self._together = 0
        self._was_kept = self._was_together = self._was_unplaced = self._unplaced = 0
        self._foreign = False  # a host has set the inputs otherwise
        self._bound = Bound()
        self._teeth = Teeth()
        self.reason = SET_WHEEL
        self.figure = 0
        self.rpm = -1
        self.timed = False
        self.timing = self.within = self.sparks = self.events = self.raw = self.life = 0
        self.known = False  # `raw` holds: the angle whatever the gates say
        self.error = None
        self.lamp = None
        self.values, self.kept = settings.load(folder)
        self.stale = False  # the inputs are to be set anew
        self.menu = Menu(self, panel)
        self.apply()

    # What is set

    def apply(self):
        """Work with the settings of `values`."""
        values = self.values
        teeth = values["teeth"] or 1
        index = 3 if values["index"] else -1
        self._crank.set_wheel(teeth, values["missing"], values["turns"], index)
        self._clamp = 2 if values["clamp_b"] else 1
        self._events.set_wheel(self._crank, self._clamp)
        self._events.forget()
        self.enabled = 1 | 1 << self._clamp | (8 if values["index"] else 0)
        self.falling = values["falling"]
        cycle = 180000 * values["strokes"]
        self._scale = values["cylinders"] if values["clamp"] == 2 else 1
        # Events come every cycle, every revolution, or every cycle / cylinders.
        self._spacing = 360000 if values["clamp"] == 1 else cycle // self._scale
        wheel = self._crank.wheel
        whole = 360000 * wheel[6]
        self._step = whole // teeth
        self._told = whole if wheel[5] > 1 else self._step  # modulo this the wheel tells it
        spacing = 360000 if values["clamp"] == 1 else cycle
        if wheel[5] > 1:
            self._fold = _common(whole * self._scale, spacing)
        else:
            # Degrees / teeth need not be whole.
            self._fold = _common(whole * self._scale, spacing * teeth) // teeth
        self._bound.set(
            teeth, values["missing"], values["turns"], values["cylinders"], values["strokes"]
        )
        self._teeth.set(wheel, values["cylinders"] * 2 / values["strokes"])
        self._began = ticks_ms()
        self._period = 0  # ticks of a revolution, for the number
        self._spread = 0  # of the sparks, 1/1000 degree

    def change(self, name):
        """A setting has changed: where it is one of the wheel or the engine, begin anew."""
        if name not in ("reference_mdeg", "commanded_mdeg", "display", "sensor"):
            self.apply()
            self.stale = True

    def save(self):
        """Keep the settings in flash; returns whether they are kept. Takes some ms."""
        return settings.save(self.values, self._folder)

    # What comes

    def restart(self, enabled, falling, both):
        """A new capture with these inputs: edge counts begin at 0."""
        mine = self.enabled
        self._foreign = enabled & mine != mine or (falling ^ self.falling) & mine or both & mine
        self.stale = False
        self._crank.restart()
        self._events.restart()
        now = ticks_ms()
        self._crank_edges = self._clamp_edges = self._stalls = 0
        self._crank_ms = self._clamp_ms = ticks_add(now, -GONE_MS)
        self._begin(now)

    def _begin(self, now):
        self._began = self._good_ms = now
        self._good = self._refused = self._uneven = self._even = 0
        self._was_kept = self._was_together = self._was_unplaced = 0
        self._kept = self._together = self._unplaced = 0
        self._period = self._spread = 0
        self._teeth.forget()

    def turn(self, served):
        """Once in each turn of the loop; `served`: a host is streaming."""
        now = ticks_ms()
        if self.values["teeth"] and not self._foreign:
            self._follow(now)
        self._turned = now
        self.menu.turn(now, served)
        wait = SHOW_SERVED_MS if served else SHOW_MS
        since = ticks_diff(now, self._shown)
        if since >= wait or (self.timed and self._gone(now)) or self.menu.fresh:
            self._shown = now
            self._judge(now)
            self.life += 1
            self._panel.show(self)
        else:
            self._panel.work(now)

    def _follow(self, now):
        rings, crank, events = self._hw.rings, self._crank, self._events
        most = min((ticks_diff(now, self._turned) + 4) * EDGES_MS, rings.size >> 1)
        crank.allow(most)
        crank.follow()
        order = events.order
        order[MOST] = most
        period = crank.period()
        gap = EVENT_GAP_MS * self._ticks_per_ms
        if period:
            between = period // 360 * (self._spacing // 1000)
            gap = min(max(gap, period >> 3), between * 2 // 5)
        order[PAUSE] = gap
        events.follow(now)
        edges = rings.written[0] & MANY
        if edges != self._crank_edges:
            self._crank_edges = edges
            self._crank_ms = now
        elif crank.state[KNOWN] and ticks_diff(now, self._crank_ms) > GONE_MS:
            self._forget(now)
        edges = rings.written[self._clamp] & MANY
        if edges != self._clamp_edges:
            self._clamp_edges = edges
            self._clamp_ms = now

    def _gone(self, now):
        """The signals behind the number are more than a second old."""
        return (
            ticks_diff(now, self._crank_ms) > GONE_MS or ticks_diff(now, self._clamp_ms) > GONE_MS
        )

    # What is shown

    def _judge(self, now):
        self.figure = 0
        self.timed = self.known = False
        self.rpm = -1
        self.sparks = self.events = 0
        if not self._hw.outputs & wire.OUTPUT_BITS_LAMP:
            self.lamp = None
        self.reason = self._doubt(now)
        self.timed = self.reason == FINE or self.reason >= FAR

    def _doubt(self, now):
        """Work the numbers out; why they must not be shown."""
        if not self.values["teeth"]:
            return SET_WHEEL
        if self._foreign:
            return HOST
        if self.values["sensor"] == settings.VR and not self.falling:
            return FALLING
        crank, events = self._crank.state, self._events
        self._losses(now)
        if ticks_diff(now, self._crank_ms) > GONE_MS:
            return NO_CRANK
        self._count(now)
        together = self._kept >= 64 and 2 * self._together > self._kept
        if ticks_diff(now, self._lost_ms) < GONE_MS:
            return LOST
        if ticks_diff(now, self._good_ms) > GONE_MS:
            self._period = 0
            if ticks_diff(now, self._began) < 2 * GONE_MS:
                return WAIT
            return ON_CRANK if together else NOT_WHEEL
        if not self._period:
            return WAIT
        self._speed()
        if self.rpm > 20000:
            self.rpm = -1
            return NOT_WHEEL
        if ticks_diff(now, self._clamp_ms) > GONE_MS:
            return NO_SPARKS
        if together and self._told == self._step:
            return ON_CRANK
        n = max(events.fresh(now, SPAN_MS), min(events.fresh(now, LONGEST_MS), ENOUGH))
        if n < ENOUGH or not events.fresh(now, STALE_MS):
            if self._unplaced > 64 and ticks_diff(now, self._began) > 3 * GONE_MS:
                return ON_CRANK if together else UNEVEN
            return WAIT
        self.events = n
        self.sparks = events.sparks(n)
        if 4 * events.late(n) >= n:
            return COIL_ON  # what is timed is most likely the coil being switched on
        if self._teeth.seen and crank[GOOD] >= ODD_PERIODS:
            self._teeth.look(self._hw.rings, self._crank)
        scale = self._scale
        events.summarize(n, scale, self._fold, STRAY * scale)
        why = self._angle(n)
        reach = max(STRAY * scale, 3 * events.deviation)
        spacing = events.spacing(n, self._told, scale, self._fold, reach)
        if self._uneven > self._even:
            return ON_CRANK if together else UNEVEN
        if abs(spacing - self._spacing) * 20 > self._spacing * 3:
            if spacing:
                self.rpm = -1
                return SPACING
            return UNEVEN
        if 5 * (n - events.kept) > 2 * n:
            return ELSEWHERE
        close = max(STRAY * scale, 7 * events.deviation // 4)
        if events.second(events.fresh(now, HISTORY_MS), scale, self._fold, reach, close):
            return PLACES
        if self._teeth.seen and not self._teeth.known:
            return WAIT
        if self._crank.missing and self._crank.wheel[2] >= FEWEST_FOR_GAP:
            if crank[GOOD] < ODD_PERIODS:
                return WAIT
            for word in (ODD_LAST, ODD_FIRST):
                if abs(crank[word] - MIDDLE) > ODD:
                    return REVERSED
        if self._spread > UNSTEADY:
            self.figure = self._spread // 100
            return SCATTER
        deviation = events.deviation // scale
        if deviation > TWO_PLACES and 5 * events.central < events.kept:
            return PLACES
        return why

    def _losses(self, now):
        stalls = 0
        for i in (0, self._clamp):
            stalls += self._hw.rings.stalls[i] & 0xFFFF
        skipped = self._crank.state[CRANK_SKIPPED] + self._events.state[SKIPPED]
        if stalls != self._stalls or skipped:
            self._stalls = stalls
            self._lost_ms = now
            self._forget(now)

    def _forget(self, now):
        self._crank.forget()
        self._events.forget()
        self._begin(now)

    def _count(self, now):
        """Newest counts of what fits and what does not, old ones fading away."""
        crank, sparks = self._crank.state, self._events.state
        good, refused = crank[GOOD], crank[REFUSED]
        if good != self._good:
            self._good_ms = now
        self._even += (16 * (good - self._good) - self._even) >> 2
        self._uneven += (16 * (refused - self._refused) - self._uneven) >> 2
        self._good, self._refused = good, refused
        kept, together, unplaced = sparks[KEPT], sparks[TOGETHER], sparks[UNPLACED]
        # 64 for each, an eighth of it gone at each look.
        self._kept += 64 * (kept - self._was_kept) - (self._kept >> 3)
        self._together += 64 * (together - self._was_together) - (self._together >> 3)
        self._unplaced += 64 * (unplaced - self._was_unplaced) - (self._unplaced >> 3)
        self._was_kept, self._was_together, self._was_unplaced = kept, together, unplaced
        turned = crank[TURNED]
        if turned:
            per = self._crank.wheel[0] if self._told == self._step else 1
            ticks = crank[TICKS]
            whole = ticks // turned
            rest = (ticks - whole * turned) * per // turned
            self._period = (whole * per + rest) // self._crank.wheel[6]
            crank[TICKS] = crank[TURNED] = 0

    def _speed(self):
        period = self._period
        high = self._tenth_s * 200
        low = high % period
        self.rpm = 3 * (high // period) + (3 * low + period // 2) // period

    def _delay(self, what):
        """Nanoseconds of clamp path less crank path (1) or their uncertainty (2), at this speed."""
        rows = delays.CLAMP_LESS_CRANK[self.values["sensor"]][self.falling]
        rpm, k = self.rpm, 0
        while k < len(rows) - 1 and rows[k + 1][0] <= rpm:
            k += 1
        here = rows[k]
        if k == len(rows) - 1 or rpm <= here[0]:
            return here[what]
        after = rows[k + 1]
        part = 1000 * (rpm - here[0]) // (after[0] - here[0])
        return here[what] + (after[what] - here[what]) // 100 * part // 10

    def _turned_in(self, ns):
        """1/1000 degrees that the crank turns in some nanoseconds."""
        return ns // 10 * min(self.rpm, 20000) // 1000 * 6 // 100

    def _angle(self, n):
        """Timing, error and interval; why they are in doubt by themselves."""
        events, scale, fold = self._events, self._scale, self._fold
        values = self.values
        mean = events.mean
        late = self._turned_in(self._delay(1))
        timing = (values["reference_mdeg"] * scale - mean + late * scale) % fold
        if 2 * timing > fold:
            timing -= fold
        # Among those that the reference cannot tell apart, how many can be?
        low, high = LATEST * scale, EARLIEST * scale
        alike = (high - timing) // fold + (timing - low) // fold + 1
        found = timing + (high - timing) // fold * fold if alike else timing
        timing = (found + (scale >> 1)) // scale
        self.raw = (timing + 50) // 100
        self.known = True
        self.timing = self.raw
        # The interval (k = 2).
        # A few events of a loose distributor may lie close by chance: the spread fades slowly.
        deviation = min(events.deviation // scale, 20000)
        deviation = self._spread = max(deviation, self._spread - (self._spread >> 4))
        n = events.kept  # of twelve events at least six, see Events.summarize
        # Student's factor for few events (JCGM 100, G.3) is near 1 + 1.2 / (n - 1).
        varies = deviation * deviation // n * (n + 1) // (n - 1)
        after = mean // scale
        bound = self._bound.at(after, self.rpm)
        teeth = U_TEETH * U_TEETH + self._teeth.square(after)
        u = varies + teeth + bound * bound + min(self._turned_in(self._delay(2)), 8000) ** 2
        why = FINE
        if u > WIDE * WIDE:
            why = FAR if bound * bound > max(varies, teeth) else VARIES if varies > teeth else TRUE
            if why == VARIES:
                self.figure = deviation // 100
        u += (values["within_mdeg"] // 2) ** 2
        self.within = (_root(u) + 49) // 50  # twice the root, 1/10 degree, rounded up
        self.error = None
        if alike > 1:
            self.figure = (fold // scale + 50) // 100
            self.known = False
            return REPEATS
        if not alike:
            self.figure = self.raw
            return IMPLAUSIBLE
        if values["commanded_mdeg"] != settings.NONE:
            error = timing - values["commanded_mdeg"]
            self.error = (error + 50) // 100
            if abs(error) > LARGE_ERROR:
                self.figure = self.error
                return CHECK
        if 5 * events.pairs(n) >= 3 * (n - 1):
            return TWICE  # the first of the two may be the coil switched on after a short rest
        if values["sensor"] == settings.VR:
            return WIRES  # swapped, it reads up to half a tooth wrong, and not every wheel shows it
        return why

    # Lamp and end

    def lit(self, mode, angle_mdeg):
        """The lamp is on at this angle after the index edge (mode 1), otherwise, or off (0)."""
        self.lamp = None
        if mode == 1:
            lamp = (self.values["reference_mdeg"] - angle_mdeg) % 360000
            self.lamp = lamp - 360000 if lamp > 180000 else lamp

    def close(self):
        """The program ends: nothing of it stays on the display."""
        self._panel.clear()
