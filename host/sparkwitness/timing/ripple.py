"""What the crank's own edges show beyond the angle: the ripple of the speed, and the wheel's shape.

From the newest whole turns of the wheel, laid over each other: how each edge deviates from where
an even rotation would have it. Firing swings the speed at the firing order; unequal cylinders add
orders of the cycle; a wheel that runs out, or a tooth that is off, deviates the same in every turn.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.angle import Periods, Reference, Track
from sparkwitness.timing.stats import student_quantile

Floats = NDArray[np.float64]
Ticks = NDArray[np.int64]

KEPT = 400  # turns
_LEAST_EDGES = 6  # per turn, for a ripple to be seen
_FEWEST = 12  # pairs of turns
_MOST_ORDERS = 36  # half orders looked at
_ALTERNATES = 1e-6  # chance of each of three amplitudes to pass for one that is there
_PULSE_ALTERNATES = 6.0  # standard errors
_CLEARLY = 2.0  # one amplitude against another
_SURE = 25.0  # squared amplitude against noise
# What a gap's neighbours may be off, in pitches: teeth are made to a hundredth or two.
_ODD_TOOTH = 0.05
_ODD_FEW, _FEW = 0.07, 4  # pitches, where fewer degrees of freedom tell little of the speed
_ODD_SURELY = 5.0  # standard errors; more where few degrees of freedom are left:
_ODD_CHANCE = 1e-4  # of a true wheel to be taken for an odd one, on each side
_ALMOST = 0.85  # of those


@dataclass(frozen=True)
class Turns:
    """Whole turns of the wheel, the newest ones.

    Attributes:
        edges: int64[n, m + 1] ticks of the m edges of each turn and of the next turn's first.
        segment: int64[n] see `angle.Track`.
        number: int64[n] counts turns within a segment.
    """

    edges: Ticks
    segment: Ticks
    number: Ticks

    def between(self, first: int, last: int) -> "Turns":
        """Those that begin in a span of ticks."""
        keep = (self.edges[:, 0] >= first) & (self.edges[:, 0] <= last)
        return Turns(self.edges[keep], self.segment[keep], self.number[keep])


class TurnKeeper:
    """Streaming: keeps the newest turns of a track; the pieces it comes in change nothing."""

    def __init__(self, reference: Reference) -> None:
        self._reference = reference
        self._edges = reference.teeth - reference.missing
        self._tail = Track.join([])
        self._kept = self._none()

    def _none(self) -> Turns:
        none = np.empty(0, np.int64)
        return Turns(np.empty((0, self._edges + 1), np.int64), none, none)

    def clear(self) -> None:
        """Begin anew, as at a new time base."""
        self._tail, self._kept = Track.join([]), self._none()

    def feed(self, track: Track) -> None:
        """Take the next intervals."""
        m = self._edges
        if m < _LEAST_EDGES or not len(track):
            return
        if self._reference.missing:
            at = track.begin[track.segment >= 0][-KEPT:]
            segment = track.segment[track.segment >= 0][-KEPT:]
            step = track.step[track.segment >= 0][-KEPT:]
        else:
            track = Track.join([self._tail, track])
            size = np.diff(track.begin, append=len(track))
            steps = np.repeat(track.step - track.begin, size) + np.arange(len(track))
            segments = np.repeat(track.segment, size)
            at = np.flatnonzero((segments >= 0) & (steps % m == 0))
            # A turn that is not whole yet is looked at again, and none that is.
            waiting = at[at + m > len(track)]
            at = at[: len(at) - len(waiting)]
            ends = at + m - 1
            at = at[(segments[at] == segments[ends]) & (steps[ends] - steps[at] == m - 1)][-KEPT:]
            segment, step = segments[at], steps[at]
            self._tail = track.cut(int(waiting[0]) if len(waiting) else len(track))
        if len(at):
            rows = track.edges[at[:, None] + np.arange(m + 1)]
            number = step // self._reference.teeth
            kept = self._kept
            self._kept = Turns(
                np.concatenate((kept.edges, rows))[-KEPT:],
                np.concatenate((kept.segment, segment))[-KEPT:],
                np.concatenate((kept.number, number))[-KEPT:],
            )

    def turns(self) -> Turns:
        """The newest turns so far."""
        return self._kept


@dataclass(frozen=True)
class Ripple:
    """Deviations from even rotation, by half orders of the wheel's turn.

    Attributes:
        amplitude: complex128[k] crank degrees, of orders 1/2, 1, 3/2, ... per turn of the wheel;
            the deviation at wheel angle a (degrees of crank from the index edge) is the real part
            of amplitude * exp(i order a / turns).
        noise: float64[k] root mean square of the amplitude's own error.
        pairs: pairs of turns that went in.
        turns: crank revolutions per turn of the wheel.
    """

    amplitude: NDArray[np.complex128]
    noise: Floats
    pairs: int
    turns: int

    def at(self, order: float) -> tuple[float, float]:
        """Amplitude and noise of an order per turn of the wheel; (0, inf) where not seen."""
        k = round(2 * order) - 1
        if not 0 <= k < len(self.amplitude):
            return 0.0, np.inf
        return float(abs(self.amplitude[k])), float(self.noise[k])

    @property
    def alternates(self) -> bool:
        """Turns of two kinds follow each other, as those of a four-stroke's crank do."""
        odd = slice(0, 6, 2)
        power = np.abs(self.amplitude[odd]) ** 2 / np.maximum(self.noise[odd], 1e-9) ** 2
        # A firing that is weaker by chance bends all of them alike, in one phase: no more than one
        # of them counts, and as Student's t in one dimension, not as a square of two.
        return bool(power.max() > student_quantile(1 - _ALTERNATES / 2, self.pairs - 1) ** 2)

    def once_per_turn(self, degrees: float) -> float:
        """What the first order does at an angle past the index edge, degrees.

        Either against the index edge or against the wheel's middle, whichever is more: the typed
        angle may be meant for either. Run-out of the wheel or a true swing of the speed, the
        edges alone cannot tell which.
        """
        if len(self.amplitude) < 2:
            return 0.0
        here = (self.amplitude[1] * np.exp(1j * np.radians(degrees / self.turns))).real
        return float(max(abs(here), abs(here - self.amplitude[1].real)))


def ripple(turns: Turns, reference: Reference) -> Ripple | None:
    """The ripple of a stretch; None where too few turns follow each other.

    Args:
        turns: of steady speed.
        reference: the wheel.
    """
    m = turns.edges.shape[1] - 1
    pair = _pairs(turns)
    if len(pair) < _FEWEST:
        return None
    found = _half_orders(reference, m) @ _deviations(turns, reference, pair).T
    k = len(found) // 2
    each = found[1 : k + 1] + 1j * found[k + 1 :]
    # From segment to segment it is not known which turn of the cycle comes first.
    sign = _signs(each, turns.segment[pair])
    each[::2] *= sign
    mean = each.mean(axis=1)
    noise = np.sqrt((np.abs(each - mean[:, None]) ** 2).sum(axis=1) / (len(pair) - 1) / len(pair))
    return Ripple(mean, noise, len(pair), reference.turns)


@lru_cache(maxsize=16)
def _half_orders(reference: Reference, m: int) -> Floats:
    """Solution, by least squares, of a mean and half orders per turn through `m` edges of two."""
    k = min(_MOST_ORDERS, (2 * m) // 3)
    nominal = _nominal(reference, m) / reference.turns
    waves = np.exp(1j * np.radians(np.outer(nominal, np.arange(1, k + 1) / 2)))
    return np.linalg.pinv(np.hstack((np.ones((2 * m, 1)), waves.real, -waves.imag)))


def _pairs(turns: Turns) -> Ticks:
    """Even turns that are followed by the next."""
    follows = (turns.segment[1:] == turns.segment[:-1]) & (np.diff(turns.number) == 1)
    return np.flatnonzero(follows & (turns.number[:-1] % 2 == 0))


def _deviations(turns: Turns, reference: Reference, pair: Ticks) -> Floats:
    """By how much each edge of pairs of turns comes late, against an even rotation.

    Returns:
        float64[pairs, 2 m] crank degrees.
    """
    m = turns.edges.shape[1] - 1
    start = turns.edges[pair, 0][:, None]
    both = np.concatenate((turns.edges[pair, :-1], turns.edges[pair + 1, :-1]), axis=1) - start
    whole = (turns.edges[pair + 1, -1][:, None] - start).astype(np.float64)
    nominal = _nominal(reference, m)
    share = both / whole
    # A mean speed that rises or falls bends the deviation to a parabola: by how much, the lengths
    # of the pairs before and after tell.
    bend = _rise(whole[:, 0], turns.number[pair], turns.segment[pair])[:, None] / 2
    return np.asarray(nominal - (share + bend * (share - 1) * share) * (720.0 * reference.turns))


def _rise(length: Floats, number: Ticks, segment: Ticks) -> Floats:
    """Relative rise of the speed over each pair of turns, from its neighbours' lengths."""
    joined = (np.diff(number) == 2) & (np.diff(segment) == 0)
    step = np.where(joined, np.diff(length), 0.0)
    left, right = np.append(0.0, step), np.append(step, 0.0)
    sides = np.append(0, joined) + np.append(joined, 0)
    rise: Floats = -(left + right) / np.maximum(sides, 1) / length
    return rise


def _nominal(reference: Reference, m: int) -> Floats:
    """Places of the `m` edges of two turns past the first edge, crank degrees."""
    errors = np.zeros(m)
    errors[: len(reference.errors)] = reference.errors
    places = np.arange(m) * reference.step + errors
    return np.concatenate((places, places + 360.0 * reference.turns))


def _signs(each: Any, segment: Ticks) -> Floats:
    """By which sign the half orders of each segment agree with those of the longest."""
    names, where, counts = np.unique(segment, return_inverse=True, return_counts=True)
    if len(names) == 1:
        return np.ones(len(segment))
    odd = each[0:6:2]
    means = np.array([odd[:, where == j].mean(axis=1) for j in range(len(names))])
    main = means[np.argmax(counts)]
    # Chance agrees too: short segments would add up to a ripple that is not there.
    long = counts >= max(4, counts.max() / 3)
    agree = np.where((means * main.conj()).real.sum(axis=1) >= 0, 1.0, -1.0)
    return np.where(long, agree, 1.0)[where]


def pulse_alternates(periods: Periods) -> bool:
    """Whether a pulse's periods are longer and shorter in turn.

    So a pulse per revolution of a four-stroke whose cylinders do not give quite the same; a pulse
    per cycle sees no such thing.
    """
    joined = (np.diff(periods.segment) == 0) & (np.diff(periods.number) == 1)
    middle = np.flatnonzero(joined[:-1] & joined[1:]) + 1
    middle = middle[periods.number[middle] % 2 == 0]
    if len(middle) < _FEWEST:
        return False
    # Against both neighbours, so that a speed that rises or falls is not taken for it.
    around = (periods.length[middle - 1] + periods.length[middle + 1]) / 2
    contrast = periods.length[middle] / around - 1
    where = np.unique(periods.segment[middle], return_inverse=True)[1]
    longest = contrast[where == np.argmax(np.bincount(where))]
    if len(longest) < _FEWEST:
        return False
    error = float(longest.std(ddof=1)) / np.sqrt(len(longest))
    return bool(abs(float(longest.mean())) > _PULSE_ALTERNATES * max(error, 1e-7))


def shaft(found: Ripple | None, alternates: bool, cylinders: int) -> int:
    """Revolutions of a four-stroke's crank per turn of the wheel, as the ripple tells.

    Args:
        found: the wheel's ripple, where it has teeth enough.
        alternates: its turns, or a pulse's periods, differ in turn.
        cylinders: that fire evenly within a cycle.

    Returns:
        1: on the crank; 2: on the cam; 0: nothing sure.
    """
    if alternates:
        return 1
    if found is None:
        return 0
    # Per turn of a wheel on the crank half of the cylinders fire, on the cam all. What does not
    # fire evenly adds orders below, but no engine swings least at the order of its firing.
    half, noise_half = found.at(cylinders / 2)
    whole, noise = found.at(cylinders)
    if whole > _CLEARLY * half and whole**2 > _SURE * noise**2:
        return 2
    if half > _CLEARLY * whole and half**2 > _SURE * noise_half**2 and cylinders % 2 == 0:
        return 1
    return 0


def odd_gap(
    turns: Turns, reference: Reference, firings_per_rev: float
) -> tuple[float, float, bool] | None:
    """Whether the edges beside the gap stand where no wheel of that kind has them.

    A sensor wired the wrong way round stamps the other zero of its voltage, which beside the gap
    lies elsewhere than at the other teeth.

    Args:
        turns: of the wheel.
        reference: a wheel with a gap.
        firings_per_rev: firings of the whole engine per crank revolution.

    Returns:
        None, or what the gap measures and the tooth step beside it, both in pitches, and whether
        that is sure: a speed that swings much against few teeth may look like it.
    """
    if not reference.missing:
        return None
    pairs = _pairs(turns)
    m = turns.edges.shape[1] - 1
    if len(pairs) < _FEWEST:
        return None
    mean = _deviations(turns, reference, pairs).mean(axis=0)
    if reference.turns == 2:  # a turn is a whole cycle, the next one says nothing new
        mean = (mean[:m] + mean[m:]) / 2
    found = [_standing_off(mean, model) for model in _models(reference, m, firings_per_rev)]
    if not found:
        return None
    off, sure, free = min(found, key=lambda one: one[1])
    if off < _least_odd(free) * reference.step:
        # Another set of orders may all but prove what these ones have explained away.
        if not any(o >= max(_least_odd(f) * reference.step, _ALMOST * s) for o, s, f in found):
            return None
        sure = np.inf
    start = turns.edges[:, :1]
    share = (turns.edges[:, :-1] - start) / (turns.edges[:, -1:] - start)
    # The speed's ripple stretches all three alike; what they share counts.
    steps = np.diff(share.mean(axis=0), append=1.0)
    near = np.median(steps[[1, 2, -3, -4]])
    gap, left, right = (steps[[-1, -2, 0]] / near).tolist()
    return gap, left if abs(left - 1) > abs(right - 1) else right, off >= sure


def _least_odd(free: int) -> float:
    """Pitches by which an edge stands off at least, by the degrees of freedom left."""
    return _ODD_TOOTH if free >= _FEW else _ODD_FEW


@dataclass(frozen=True)
class _Model:
    """Two sets of edges that may stand off, and sines of the engine's orders through all others.

    Attributes:
        columns: float64[n, k], of the sets first.
        solve: float64[k, n], by least squares.
        spread: standard error of the sets, of edges that scatter by 1.
        free: degrees of freedom.
    """

    columns: Floats
    solve: Floats
    spread: float
    free: int


@lru_cache(maxsize=16)
def _models(reference: Reference, m: int, firings: float) -> list[_Model]:
    """What the edges beside the gap are held against.

    Args:
        reference: a wheel with a gap.
        m: its edges.
        firings: of the whole engine per crank revolution.
    """
    nominal = _nominal(reference, m)
    if reference.turns == 2:
        nominal = nominal[:m]
    n = len(nominal)
    beside = np.zeros((n, 2))
    beside[::m, 0] = beside[m - 1 :: m, 1] = 1.0
    made = []
    for orders in _orders(firings, reference.teeth / reference.turns, n):
        angle = np.radians(np.outer(nominal, orders))
        columns = np.column_stack((beside, np.ones(n), np.cos(angle), np.sin(angle)))
        free = n - columns.shape[1]
        if free < 1 or np.linalg.matrix_rank(columns) < columns.shape[1]:
            continue
        inverse = np.linalg.inv(columns.T @ columns)
        spread = float(np.sqrt(inverse.diagonal()[:2].max()))
        made.append(_Model(columns, np.linalg.pinv(columns), spread, free))
    return made


def _orders(firings: float, teeth: float, data: int) -> list[tuple[float, ...]]:
    """Sets of orders per crank revolution that a speed's ripple may be made of.

    Args:
        firings: per crank revolution.
        teeth: places for teeth per crank revolution; higher orders look like lower ones.
        data: edges that are to tell.
    """

    def seen(orders: Any) -> tuple[float, ...]:
        mirrored = {abs(o - teeth * round(o / teeth)) for o in map(float, orders)}
        return tuple(sorted(o for o in mirrored if 0 < o < teeth / 2))

    low = seen((0.5, 1.0, 1.5, firings, 2 * firings))
    most = (data - 3 - max(3, data // 4)) // 2
    wide = (seen(np.arange(1, 2 * k + 1) / 2) for k in (2 * firings, 3 * firings, 4, 8, 12))
    return list(dict.fromkeys((low[: max(2, most)], *(w for w in wide if len(w) <= most))))


def _standing_off(mean: Floats, model: _Model) -> tuple[float, float, int]:
    """By how much one of two sets of edges is off what all others show of the engine's orders.

    Args:
        mean: float64[n] degrees by which each edge is late.
        model: for as many.

    Returns:
        Degrees, those from which it is no chance (Student's t), and the degrees of freedom.
    """
    found = model.solve @ mean
    rest = mean - model.columns @ found
    spread = model.spread * float(np.sqrt(rest @ rest / model.free))
    # What is left is no noise where the speed has higher orders: as much may be beside the gap.
    spread = max(spread, float(np.abs(rest).max()) / 2)
    times = max(_ODD_SURELY, student_quantile(1 - _ODD_CHANCE, model.free))
    return float(np.abs(found[:2]).max()), times * spread, model.free
