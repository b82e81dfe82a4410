"""The trigger tap's edges to firings: which flank fires, what is bounce, which spark follows.

A tap sees two flanks per firing. The one that the spark follows is typed, or found: after it the
spark comes soon and always equally late, after the other one after an on-time that scatters.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.placing import Marked

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]
Bools = NDArray[np.bool_]

RISING, FALLING = 1, 0  # level after the flank
NAMES = {"rising": RISING, "falling": FALLING}

# A module answers within that (common practice, no source); typed flanks may take longer, as long
# as the next trigger is not nearer.
SOON_S, LATEST_S, NEAREST = 1e-3, 6e-3, 0.45
EARLY_S = 10e-6  # by which the paths' delays may make the spark seem to come first
_FOLLOW = 0.6  # share of the events that a flank must have just before it
_SHARPER = 3.0  # scatter of one flank's delay against the other's, to tell them apart
_NO_CHARGE_S = 0.2e-3  # no coil charges in less (common practice, no source)
# Contacts bounce for less (common practice, no source), and for less than a quarter of what the
# firings themselves have.
_BOUNCE_S, _BOUNCE_SHARE = 0.5e-3, 0.25
_FEWEST = 10


@dataclass
class Firings:
    """What fires, in order of time; one element per firing flank, contact bounce taken out.

    Attributes:
        level: after the flank, `RISING` or `FALLING`.
        tick, degrees, segment, to_edge: of the flank, see `placing.Placed`.
        on_tick, on_degrees: where the on-time before it began; -1, NaN where that is not known.
        bounces: int64[n] flanks taken out of it as bounce.
        bounced: int64[n] ticks from its first closing to the last bounce, 0 without one.
        known: bool[n] no edge of the tap was lost between the firing before and this one.
    """

    level: int
    tick: Ticks
    degrees: Floats
    segment: Ticks
    to_edge: Floats
    on_tick: Ticks
    on_degrees: Floats
    bounces: Ticks
    bounced: Ticks
    known: Bools

    def __len__(self) -> int:
        return len(self.tick)

    def pick(self, mask: Bools | Ticks) -> "Firings":
        """Those selected by a mask or indices."""
        names = [n for n in self.__dataclass_fields__ if n != "level"]
        return Firings(self.level, *(getattr(self, name)[mask] for name in names))

    def step(self, over: int = 1) -> float:
        """Median crank degrees from one to the next, each the mean of `over`; NaN where not known.

        Over as many firings as a cycle has, uneven ones are as far apart as even ones.
        """
        same = self.segment[over:] == self.segment[:-over]
        apart = (self.degrees[over:] - self.degrees[:-over])[same] / over
        apart = apart[np.isfinite(apart)]
        return float(np.median(apart)) if len(apart) else float("nan")


def before(fires: Ticks, sparks: Ticks, early: int) -> Ticks:
    """Index of the last firing not later than each spark (by more than `early` ticks), or -1."""
    return np.searchsorted(fires, sparks + early, side="right") - 1


def delays(fires: Ticks, sparks: Ticks, early: int, latest: int) -> tuple[Ticks, Ticks]:
    """Sparks and the firing that each follows.

    Args:
        fires, sparks: ticks, rising.
        early: ticks by which a spark may seem to come before its firing.
        latest: ticks after which a spark belongs to no firing.

    Returns:
        Indices of sparks and of their firings; no firing has two sparks.
    """
    of = before(fires, sparks, early)
    good = of >= 0
    good[good] = (sparks[good] - fires[of[good]]) <= latest
    spark, fire = np.flatnonzero(good), of[good]
    first = np.append(True, np.diff(fire) > 0) if len(fire) else np.zeros(0, np.bool_)
    return spark[first], fire[first]


def window(fires: Ticks, tick_s: float, typed: bool, even: float = 1.0) -> int:
    """Ticks within which a spark follows its flank; `even`: shortest step by the longest one."""
    # Bounce makes short steps; most of the long ones are from firing to firing.
    every = even * float(np.quantile(np.diff(fires), 0.9)) if len(fires) > 1 else np.inf
    return int(min((LATEST_S if typed else SOON_S) / tick_s, NEAREST * every))


def _spread(values: Floats) -> float:
    """Median absolute deviation."""
    return float(np.median(np.abs(values - np.median(values))))


@dataclass(frozen=True)
class Choice:
    """Which flank fires.

    Attributes:
        level: None where it cannot be told.
        why: "" or "none" (the sparks follow neither), "both", "one" (only that flank is stamped,
            and it may be the wrong one), "few".
        delay_s: of each flank that fits, by its name, for the sentence.
    """

    level: int | None
    why: str = ""
    delay_s: tuple[tuple[str, float], ...] = ()


def choose(trigger: Marked, sparks: Ticks, tick_s: float, typed: str) -> Choice:
    """The flank that fires.

    Args:
        trigger: edges of the tap.
        sparks: int64[n] ticks of the events' first sparks.
        tick_s: seconds per tick.
        typed: a key of `setup.TRIGGERS`.
    """
    early = int(EARLY_S / tick_s)
    fits: list[tuple[str, int, float, float]] = []
    stamped = [(name, level) for name, level in NAMES.items() if (trigger.level == level).any()]
    if typed in NAMES:
        stamped = [(name, level) for name, level in stamped if name == typed]
    for name, level in stamped:
        fires = trigger.at.tick[trigger.level == level]
        inside = sparks[(sparks >= fires[0]) & (sparks <= fires[-1])]
        if len(fires) < _FEWEST or len(inside) < _FEWEST:
            continue
        spark, fire = delays(fires, inside, early, window(fires, tick_s, typed in NAMES))
        # Fewer triggers than sparks: the tap is on one coil of several.
        if len(spark) < _FOLLOW * min(len(inside), len(fires)):
            continue
        late = (inside[spark] - fires[fire]) * tick_s
        fits.append((name, level, float(np.median(late)), max(_spread(late), tick_s)))
    told = tuple((name, late) for name, _, late, _ in fits)
    if not fits:
        if typed not in NAMES and len(stamped) == 1:
            return Choice(None, "one", told)
        return Choice(None, "few" if len(trigger) < 2 * _FEWEST else "none", told)
    if len(fits) == 1:
        if typed not in NAMES and len(stamped) == 1 and fits[0][2] > _NO_CHARGE_S:
            return Choice(None, "one", told)
        return Choice(fits[0][1], "", told)
    sharp, wide = sorted(fits, key=lambda fit: fit[3])
    if wide[3] < _SHARPER * sharp[3]:
        return Choice(None, "both", told)
    return Choice(sharp[1], "", told)


def firings(trigger: Marked, level: int, sparks: Ticks, tick_s: float) -> Firings:
    """The firings of a tap.

    Args:
        trigger: its edges.
        level: after the flank that fires.
        sparks: int64[n] ticks of first sparks; a flank with a spark right after it is no bounce.
        tick_s: seconds per tick.
    """
    at = np.flatnonzero(trigger.level == level)
    tick = trigger.at.tick
    fires = tick[at]
    on = np.maximum(at - 1, 0)  # of the very first flank itself, which is no closing
    has_on = (trigger.level[on] == 1 - level) & ~trigger.lost[at]
    losses = np.cumsum(trigger.lost)
    known = np.diff(losses[at], prepend=-1) == 0
    keep, opens, taken, lasted = _debounced(fires, tick[on], has_on, sparks, tick_s)
    start = on[opens]
    good = has_on[keep] & (losses[start] == losses[at[keep]])
    place = trigger.at.pick(at[keep])
    # A run of firings is known as a whole where none of its edges, bounce or not, was lost.
    begins = np.append(0, keep[:-1] + 1)[: len(keep)]
    whole = np.logical_and.reduceat(known, begins)
    return Firings(
        level, place.tick, place.degrees, place.segment, place.to_edge,
        np.where(good, tick[start], -1), np.where(good, trigger.at.degrees[start], np.nan),
        taken, lasted, whole,
    )  # fmt: skip


def _debounced(
    fires: Ticks, on: Ticks, has_on: Bools, sparks: Ticks, tick_s: float
) -> tuple[Ticks, Ticks, Ticks, Ticks]:
    """Bounce taken out.

    Args:
        fires: int64[n] ticks of the flanks that could fire.
        on, has_on: int64[n], bool[n] the flank before each, where there is one.
        sparks, tick_s: see `firings`.

    Returns:
        Indices of the firings that are left, of the flank whose on-time begins each, number of
        flanks taken out, and ticks from first closing to the last of these.
    """
    n = len(fires)
    index = np.arange(n)
    none = np.zeros(n, np.int64)
    if n < _FEWEST or not has_on.any():
        return index, index, none, none
    far = np.iinfo(np.int64).max  # where it is not known
    width = np.where(has_on, fires - on, far)
    # From a flank to the next closing, and from the flank before to this one's closing.
    gap = np.append(np.where(has_on[1:], on[1:] - fires[:-1], far), far)
    gap_before = np.append(far, gap[:-1])
    early = int(EARLY_S / tick_s)
    sparked = np.zeros(n, np.bool_)
    of = before(fires, sparks, early)
    of, late = of[of >= 0], (sparks - fires[of])[of >= 0]
    sparked[of[late <= window(fires, tick_s, typed=False)]] = True
    if not sparked.any():
        return index, index, none, none
    most = int(_BOUNCE_S / tick_s)
    # The longest from spark to spark are the firings' own, whatever bounces between.
    own = np.flatnonzero(sparked)
    long_gap = np.maximum.reduceat(gap * (gap != far), own)
    long_on = np.maximum.reduceat(width * has_on, own)
    short_gap = min(most, _BOUNCE_SHARE * float(np.median(long_gap)))
    short_on = min(most, _BOUNCE_SHARE * float(np.median(long_on)))
    bounce = ~sparked & ((gap < short_gap) | (width < short_on))
    if not bounce.any():
        return index, index, none, none
    keep = np.flatnonzero(~bounce)
    # The on-time begins at the first closing after a long gap; shorter ones are bounce of the
    # opening before.
    closing = np.flatnonzero(gap_before >= short_gap)
    previous = np.append(-1, keep[:-1])
    first = closing[np.minimum(np.searchsorted(closing, previous, side="right"), len(closing) - 1)]
    opens = np.where(first > previous, np.minimum(first, keep), keep)
    taken = keep - previous - 1
    return keep, opens, taken, on[keep] - on[opens]
