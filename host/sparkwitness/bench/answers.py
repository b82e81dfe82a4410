"""Which edges of the clamp can be a module's answers, and when they come.

Two things deceive: the drive's own edge that couples into the clamp, and an answer so late that
it comes after the next trigger. Pure functions of stamps in ticks.

A spark jumps its gap when the voltage has risen far enough, which is never twice the same; an
edge that follows the drive's with the scatter of a stamp is therefore the drive's own.
"""

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_NEAR_US = 5.0  # coupling goes by wires: it is at the edge that causes it
_BOX_US = 0.2  # no spark's delays lie in a span so short
_AROUND_US = 1.0
_STANDS_OUT = 12.0  # times as dense as around it
_LOOSE_US = 0.6  # standard deviation of a noisy edge of the drive's
_PAIRS = 30
_SPARKS_WITHIN_US = 100.0
_RIGID_BOX_US, _RIGID_AROUND_US = 0.1, 0.35
_FEWEST = 8
_ENOUGH = 20
_PER_OCTAVE = 6
_ARC = 0.1  # of the time between triggers: answers at one speed lie in it
_SHARE = 0.3  # of the triggers of one speed, below which an arc is no answer
_USUAL = 0.3  # answers within this share of the interval need no following


@dataclass(frozen=True)
class Coupling:
    """Edges of the clamp that are the drive's own.

    Attributes:
        edge: of the trigger pulse that makes them: "firing" or "other".
        at_us: after that edge; scatter_us: standard deviation.
        edges: how many; share: of the pulses.
        lost: of the answers to pulses with such an edge, the share that is missing against pulses
            without; NaN where there are too few of either to tell.
    """

    edge: str
    at_us: float
    scatter_us: float
    edges: int
    share: float
    lost: float = float("nan")

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def coupled(
    trigger: Ticks, other: int, spark: Ticks, dead: int, tick_us: float
) -> tuple[Bools, list[Coupling]]:
    """The clamp's edges that are the drive's own.

    Args:
        trigger: int64[n] firing edges, rising.
        other: the pulse's other edge, ticks after the firing one (negative: before it).
        spark: int64[m] edges of the clamp, rising, nothing taken out.
        dead: ticks after a coupled edge in which it may ring.
        tick_us: µs per tick.

    Returns:
        bool[m] True for the drive's own, and what was found.
    """
    out = np.zeros(len(spark), np.bool_)
    found: list[Coupling] = []
    if len(trigger) < _FEWEST:
        return out, found
    box, around = _BOX_US / tick_us, _AROUND_US / tick_us
    for edge, shift in (("firing", 0), ("other", other)):
        anchor = trigger + shift
        after = np.searchsorted(anchor, spark)
        before, after = np.maximum(after - 1, 0), np.minimum(after, len(anchor) - 1)
        first, second = spark - anchor[before], spark - anchor[after]
        offset = np.where(first <= np.abs(second), first, second)
        near = _NEAR_US / tick_us
        window = [-near, near]
        while True:
            inside = ~out & (offset >= window[0]) & (offset <= window[1])
            at = _dense(offset[inside], box, around)
            if at is None:
                break
            mine = inside & _grown(offset, inside, at, box)
            out |= mine
            if window[1] < dead:  # its ringing stands still as well
                own = offset[mine] * tick_us
                found.append(
                    Coupling(edge, float(own.mean()), float(own.std()), len(own),
                             len(own) / len(trigger))
                )  # fmt: skip
                window = [-near, dead]
    return out, found


def _grown(offset: Ticks, inside: Bools, at: np.int64, box: float) -> Bools:
    """The edges around a dense span that are of it: its noise may be wider than the span."""
    middle = at + box / 2
    far = np.abs(offset - middle)
    wide = 2.5 * box
    mine, beside = far <= wide, (far > wide) & (far <= 3 * wide)
    few = np.count_nonzero(inside & beside) / 2 * _STANDS_OUT <= np.count_nonzero(inside & mine)
    return np.asarray(mine if few else (offset >= at) & (offset <= at + box))


def loose(
    trigger: Ticks, spark: Ticks, out: Bools, tick_us: float
) -> tuple[Bools, Coupling | None]:
    """Edges beside the drive's, noisy ones too, that the pulse's answers do not move with.

    A spark's own ringing moves with it: what comes later and does not, is the answer, and what
    came before it is not.

    Args:
        trigger: int64[n] firing edges, rising.
        spark: int64[m] edges of the clamp, rising.
        out: bool[m], those set aside already.
        tick_us: µs per tick.

    Returns:
        bool[m] True for those found here, and what was found.
    """
    none = np.zeros(len(spark), np.bool_)
    if not len(trigger):
        return none, None
    near = _NEAR_US / tick_us
    owner = np.searchsorted(trigger, spark + near, side="right") - 1
    offset = spark - trigger[owner]
    usable = ~out & (owner >= 0)
    close = usable & (offset <= near)
    later = usable & (offset > near)
    pulses, first = np.unique(owner[close], return_index=True)
    followed, then = np.unique(owner[later], return_index=True)
    both, i, k = np.intersect1d(pulses, followed, return_indices=True)
    if len(both) < max(_PAIRS, len(pulses) / 2):
        return none, None
    a = offset[close][first][i] * tick_us
    b = offset[later][then][k] * tick_us
    kept = np.abs(b - np.median(b)) < _SPARKS_WITHIN_US
    a, b = a[kept], b[kept]
    if len(a) < max(_PAIRS, len(both) / 2) or a.std() > _LOOSE_US or not a.std():
        return none, None
    covariance = np.cov(a, b)
    follows = float(covariance[0, 1] / covariance[0, 0])
    error = float(b.std() / a.std() / np.sqrt(len(a)))
    if follows + 3 * error > 0.5:
        return none, None
    every = offset[close] * tick_us
    found = Coupling(
        "firing", float(every.mean()), float(every.std()), len(every), len(pulses) / len(trigger)
    )
    return close, found


def rigid(delay_us: Floats) -> float:
    """Share of the answers at one speed that follow the drive with the scatter of a stamp."""
    delay = np.sort(delay_us[np.isfinite(delay_us)])
    if len(delay) < _ENOUGH:
        return 0.0
    if float(np.median(delay)) < _NEAR_US and float(np.std(delay)) < _LOOSE_US:
        return 1.0  # beside the drive's edge even a wider scatter is suspect
    held = np.searchsorted(delay, delay + _RIGID_BOX_US, side="right") - np.arange(len(delay))
    k = np.argmax(held)
    low, high = delay[k] - _RIGID_AROUND_US, delay[k] + _RIGID_BOX_US + _RIGID_AROUND_US
    beside = np.count_nonzero((delay >= low) & (delay <= high)) - held[k]
    expected = beside * _RIGID_BOX_US / (2 * _RIGID_AROUND_US)
    sure = held[k] >= _FEWEST and held[k] >= _STANDS_OUT * expected
    return float(held[k] / len(delay)) if sure else 0.0


def _dense(offset: Ticks, box: float, around: float) -> np.int64 | None:
    """Begin of a span of `box` that holds far more than its surroundings; None: there is none."""
    if len(offset) < _FEWEST:
        return None
    offset = np.sort(offset)
    upto = np.searchsorted(offset, offset + box, side="right")
    held = upto - np.arange(len(offset))
    k = np.argmax(held)
    at, n = offset[k], held[k]
    beside = np.count_nonzero((offset >= at - around) & (offset <= at + box + around)) - n
    expected = beside * box / (2 * around)
    return at if n >= _FEWEST and n >= _STANDS_OUT * expected else None


def hidden(found: list[Coupling], trigger: Ticks, own: Ticks, answered: Bools) -> list[Coupling]:
    """The same with `lost`: whether answers are missing where the drive coupled in.

    Args:
        own: int64[m] edges that are the drive's own.
        answered: bool[n], per trigger.
    """
    if not found:
        return found
    # An edge that runs ahead of its trigger's stamp by some µs is still that trigger's.
    near = np.searchsorted(trigger, own + (1 << 9)) - 1
    has = np.zeros(len(trigger), np.bool_)
    has[near[near >= 0]] = True
    lost = float("nan")
    if min(has.sum(), (~has).sum()) >= _ENOUGH:
        lost = float(answered[~has].mean() - answered[has].mean())
    return [replace(c, lost=lost) for c in found]


@dataclass(frozen=True)
class Late:
    """Answers that come long after their trigger: lag against the time between triggers.

    Attributes:
        period, lag: float64[k] ticks, period falling; the lag is followed beyond the period.
    """

    period: Floats
    lag: Floats

    def at(self, period: Floats) -> Floats:
        """Lag expected at a time between triggers, ticks."""
        known = np.log(self.period[::-1])
        with np.errstate(invalid="ignore"):
            return np.asarray(np.interp(np.log(period), known, self.lag[::-1]))


def follow(trigger: Ticks, whole: Bools, spark: Ticks) -> Late | None:
    """How late the answers are, followed from the lowest speed to the highest.

    At each speed sparks stand at one phase of the interval between triggers; a delay that is
    constant in time grows in phase, past a whole interval too. None: they come soon after their
    trigger at every speed, or nowhere at one phase.

    Args:
        trigger: int64[n] firing edges, rising.
        whole: bool[n - 1], no trigger was lost between this one and the next.
        spark: int64[m] sparks, rising, ringing and coupling taken out.
    """
    period = np.diff(trigger).astype(np.float64)
    owner = np.searchsorted(trigger, spark, side="right") - 1
    between = (owner >= 0) & (owner < len(period))
    spark, owner = spark[between], owner[between]
    begins = np.ones(len(spark), np.bool_)
    begins[1:] = np.diff(spark) > _USUAL * period[owner[1:]]
    spark, owner = spark[begins], owner[begins]
    phase = (spark - trigger[owner]) / period[owner]
    group = (_PER_OCTAVE * np.log2(period)).astype(np.int64)
    known: list[tuple[float, list[float]]] = []
    strange = False
    for g in np.unique(group[whole])[::-1]:
        of_group = whole & (group == g)
        n = np.count_nonzero(of_group)
        arcs = _arcs(phase[of_group[owner]], _SHARE * n) if n >= _FEWEST else []
        if arcs:
            known.append((float(np.median(period[of_group])), arcs))
            strange |= min(arcs) > _USUAL - _ARC
    if not strange:
        return None
    best: tuple[float, list[float]] | None = None
    for turns, price in ((0, 1.0), (1, 2.0), (-1, 2.0)):
        for first in known[0][1]:
            last, lags = (first + turns) * known[0][0], []
            for length, arcs in known:
                lag = min(
                    ((a + k) * length for a in arcs for k in _near(last, a, length)),
                    key=lambda x: abs(x - last),
                )
                last = lag
                lags.append(lag)
            cost = price * float(np.abs(np.diff(lags)).sum())
            if best is None or cost < best[0]:
                best = cost, lags
    assert best is not None
    lengths = np.array([length for length, _ in known])
    return Late(lengths, np.array(best[1]))


def _near(last: float, arc: float, length: float) -> tuple[float, float]:
    turns = np.floor(last / length - arc)
    return turns, turns + 1


def _arcs(phase: Floats, least: float) -> list[float]:
    """Middles of up to three arcs of the interval that hold at least so many."""
    found: list[float] = []
    left = np.sort(phase)
    while len(found) < 3 and len(left):
        twice = np.concatenate((left, left + 1))
        upto = np.searchsorted(twice, left + _ARC, side="right")
        held = upto - np.arange(len(left))
        k = np.argmax(held)
        if held[k] < max(least, _FEWEST / 2):
            break
        members = twice[k : k + held[k]]
        found.append(float(np.median(members)) % 1.0)
        left = np.delete(left, np.arange(k, k + held[k]) % len(left))
    return found
