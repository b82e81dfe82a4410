"""What angles read between a wheel's edges may err by, as the wheel's own edges show it.

Each edge that is left out misses the cubic through its neighbours: by the teeth's errors, and by
how the speed swings. Both are told apart, and carried over to where the sparks come.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.angle import Reference

Floats = NDArray[np.float64]

# What interpolation errs by where teeth are off, as a share of what a left-out edge misses by: the
# edge misses by 1.39 tooth errors (weights -1/6 and 2/3 of its neighbours, 1 of its own), the cubic
# by 0.8 (midway) to 1, so by 0.58 to 0.72 of that; beside a gap as `_rms_weight` says. Own
# derivation.
_TEETH_SHARE = 0.70
_MISS_OF_TEETH = 1.39
_LIKE_TEETH = 6  # what grows less from span to span
_REGRESSED = 4000  # misses tell enough
_ENOUGH = 12  # of them away from the gap
_FEW = 4  # beside it
_PULSE = 15.0  # crank degrees: a quarter of one firing's torque (common practice, no source)


_EVEN_NODES = (-1, 0, 1, 2)


@lru_cache(maxsize=64)
def cubic_shares(
    step: float, firings_per_rev: float, nodes: tuple[int, ...] = _EVEN_NODES
) -> tuple[float, float]:
    """How a cubic through the wheel's edges follows the speed swing at the firing frequency.

    For a sine whose phase moves by x from node to node, the edge left out between its four
    neighbours misses by 1 - 4/3 cos x + 1/3 cos 2x of its amplitude. Own derivation.

    Args:
        step: degrees from one tooth place to the next.
        firings_per_rev: periods of the sine per revolution.
        nodes: tooth places of the cubic's four edges; angles lie between the middle two, of which
            the first is 0.

    Returns:
        RMS error of the cubic between nodes as a share of that miss (0.11 for fine, even wheels),
        and by what factor the miss grows with neighbours twice as far (16 for fine wheels).
    """
    x = np.radians(firings_per_rev * step)

    def miss(x: float) -> float:
        return float(1 - 4 / 3 * np.cos(x) + np.cos(2 * x) / 3)

    f, weights = _cubic_weights(nodes)
    sine = sum(w * np.exp(1j * k * x) for w, k in zip(weights, nodes, strict=True))
    error = float(np.sqrt(np.mean(np.abs(sine - np.exp(1j * f * x)) ** 2)))
    return error / miss(x), miss(2 * x) / miss(x)


def _cubic_weights(nodes: tuple[int, ...]) -> tuple[Floats, list[Floats]]:
    """Places between the middle two of four nodes, and the cubic's weight of each node there."""
    f = nodes[2] * (np.arange(32) + 0.5) / 32
    weights = [np.prod([(f - m) / (k - m) for m in nodes if m != k], axis=0) for k in nodes]
    return f, weights


def _nodes(reference: Reference, past: Floats) -> list[tuple[tuple[int, ...], float]]:
    """Tooth places of the cubics through which angles are read, and the share of each.

    Args:
        reference: the wheel.
        past: float64[n] crank degrees past an index edge.
    """
    gap = reference.missing
    if not gap or not len(past):
        return [(_EVEN_NODES, 1.0)]
    place = np.floor(past % reference.period / reference.step).astype(np.int64)
    last = reference.edges - 1
    kinds = (
        (place >= last, (-1, 0, 1 + gap, 2 + gap)),
        (place == last - 1, (-1, 0, 1, 2 + gap)),
        (place == 0, (-1 - gap, 0, 1, 2)),
    )
    found = [(nodes, float(np.mean(here))) for here, nodes in kinds]
    return [*found, (_EVEN_NODES, 1.0 - sum(share for _, share in found))]


@lru_cache(maxsize=64)
def _rms_weight(nodes: tuple[int, ...]) -> float:
    """By how much errors of single edges come into the cubic's angles, root mean square."""
    _, weights = _cubic_weights(nodes)
    return float(np.sqrt(np.mean(np.sum(np.square(weights), axis=0))))


def _gap_square(missing: int) -> float:
    """How much larger the square of a miss is beside a gap, in the mean of its places.

    A cubic's error is as the product of the distances to its nodes: 2 x 1 x 1 x 2 steps, and with
    a gap between the last two or before the last one step for each missing tooth more.
    """
    far = missing + 2
    return ((far / 2) ** 2 + (far * (missing + 1) / 2) ** 2) / 2


def split_miss(near: float, far: float, growth: float) -> tuple[float, float]:
    """Tooth errors and curvature of the speed, told apart by two spans.

    Over twice the span the cubic errs `growth` times as much, tooth errors are the same.

    Args:
        near, far: mean squares of the misses of left-out edges in degrees^2, see `angle.Periods`.
        growth: see `cubic_shares`.

    Returns:
        RMS of both parts of the near ones in degrees.
    """
    curvature = min(max(0.0, (far - near) / (growth**2 - 1)), near)
    return float(np.sqrt(near - curvature)), float(np.sqrt(curvature))


def overtone(miss: Floats, at: Floats, firings_per_rev: float, teeth: int) -> float:
    """Mean square of the misses that come again at twice the firing frequency.

    By least squares on sines of crank angle (harmonic regression), if it stands out from what the
    errors of so many teeth give by chance: four times its mean is passed once in e^4 = 55 times
    (squared amplitudes of noise are exponentially distributed).

    Args:
        miss: float64[n] degrees by which left-out edges miss.
        at: float64[n] crank angles of those edges.
        firings_per_rev: firings of the whole engine per crank revolution.
        teeth: different edges that are left out in turn.

    Returns:
        degrees^2.
    """
    every = len(miss) // _REGRESSED + 1
    miss, at = miss[::every], np.radians(at[::every])
    free = min(len(miss), teeth) - 4
    if free < 4:
        return 0.0
    phases = np.outer(at * firings_per_rev, (1, 2))
    waves = np.hstack((np.cos(phases), np.sin(phases)))
    found = np.linalg.lstsq(waves, miss, rcond=None)[0]
    chance = 2 * float(np.mean((miss - waves @ found) ** 2)) / free
    square = float(found[1] ** 2 + found[3] ** 2) / 2
    return square - chance if square > 4 * chance else 0.0


def interpolation(
    miss: Floats,
    wide: Floats,
    number: NDArray[np.int64],
    reference: Reference,
    firings_per_rev: float,
    past: Floats,
) -> tuple[float, float, float]:
    """Standard uncertainty of angles between the wheel's edges, from how its own edges miss.

    Args:
        miss, wide: float64[n], see `angle.Periods`; NaN where they are not known.
        number: int64[n] of the periods.
        reference: the wheel.
        firings_per_rev: firings of the whole engine per crank revolution.
        past: float64[k] crank degrees past an index edge of the angles that are read.

    Returns:
        Degrees, the RMS of the misses, and the RMS of the tooth errors; a whole tooth step where
        nothing is known.
    """
    known = np.isfinite(miss) & np.isfinite(wide)
    if not known.any():
        return reference.step, reference.step, 0.0
    miss, wide, number = miss[known], wide[known], number[known]
    # Beside the gap a miss is larger with the same speed, and would be taken for tooth errors.
    even, beside = reference.even_around(number), 0.0
    if np.count_nonzero(even) >= _ENOUGH:
        # On a wheel as coarse as one firing's pulse the speed may change there, and nowhere else.
        if reference.step >= _PULSE and np.count_nonzero(~even) >= _FEW:
            beside = float(np.mean(miss[~even] ** 2)) / _gap_square(reference.missing)
        miss, wide, number = miss[even], wide[even], number[even]
    near, far = float(np.mean(miss**2)), float(np.mean(wide**2))
    near = max(near, beside)
    rms, square = float(np.sqrt(near)), 0.0
    _, growth = cubic_shares(reference.step, 2 * firings_per_rev)
    if growth < _LIKE_TEETH:
        # On a coarse wheel the spans alone would take an overtone of the speed for tooth errors.
        teeth = reference.teeth - reference.missing
        at = reference.left_out(number)
        square = min(overtone(miss, at, firings_per_rev, teeth), near)
        near, far = near - square, max(0.0, far - growth**2 * square)
    _, growth = cubic_shares(reference.step, firings_per_rev)
    errors, curvature = split_miss(near, far, growth)
    variance = 0.0
    for nodes, share in _nodes(reference, past):
        swing, _ = cubic_shares(reference.step, firings_per_rev, nodes)
        twice, _ = cubic_shares(reference.step, 2 * firings_per_rev, nodes)
        teeth_share = _TEETH_SHARE * _rms_weight(nodes) / _rms_weight(_EVEN_NODES)
        each = (teeth_share * errors) ** 2 + (swing * curvature) ** 2 + twice**2 * square
        variance += share * each
    u = float(np.sqrt(variance))
    return u, rms, errors / _MISS_OF_TEETH


def teeth_at_most(
    miss: Floats, number: NDArray[np.int64], reference: Reference
) -> tuple[float, float, float]:
    """What tooth errors may come to on a wheel too coarse to show the swing of the speed.

    All by which its edges miss is taken for tooth errors, though some of it is speed.

    Args:
        miss, number, reference: as in `interpolation`.

    Returns:
        As `interpolation` does.
    """
    known = np.isfinite(miss)
    if not known.any():
        return reference.step, reference.step, 0.0
    miss, number = miss[known], number[known]
    even = reference.even_around(number)
    if np.count_nonzero(even) >= _ENOUGH:
        miss = miss[even]
    rms = float(np.sqrt(np.mean(miss**2)))
    return _TEETH_SHARE * rms, rms, rms / _MISS_OF_TEETH
