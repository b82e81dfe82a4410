"""Tooth errors of a reference wheel: learned from a steady run, removed from later ones.

A tooth that stands off its even place is off in every revolution. So is the speed swing of the
firings, and of cylinders that do not give the same: those orders cannot be told apart from tooth
errors. Each is taken out where the swing may be the larger, else left in, and what that costs is
stated. The swing falls with the square of the speed, so learn at a high, steady speed. Turns that
differ in turn, which no wheel does, show how unequal the cylinders are at the least.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError, small_text
from sparkwitness.timing.angle import Reference, Track
from sparkwitness.timing.budget import WEAKNESS, default_swing, unequal_amplitude

Floats = NDArray[np.float64]

_FIXED = 1 << 30  # deviations are summed as whole numbers of 2^-30 period: exact in any order
_SWING_HARMONICS = 3
_LOW_ORDERS = 6.0  # per crank revolution, that unequal cylinders may add to
_FEWEST = 50
_STEADY = 0.02
_WORTH = 0.005  # degrees: no tooth error matters below
FORMAT = "sparkwitness wheel"


@dataclass(frozen=True)
class Learned:
    """Tooth errors of a wheel.

    Attributes:
        reference: the wheel, errors included.
        u: standard uncertainty of each tooth's error in crank degrees, from the spread.
        periods: wheel periods that went in.
        rpm: mean speed in rev/min.
    """

    reference: Reference
    u: float
    periods: int
    rpm: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "format": FORMAT,
            "version": 1,
            "reference": str(self.reference),
            "errors_deg": list(self.reference.errors),
            "u_deg": self.u,
            "u_errors_deg": self.reference.u_errors,
            "periods": self.periods,
            "rpm": self.rpm,
        }


class WheelLearner:
    """Streaming: tracks of a steady run in, tooth errors out; chunks change nothing."""

    def __init__(self, reference: Reference) -> None:
        """
        Raises:
            UserError: the wheel has no teeth to compare.
        """
        if not reference.missing:
            raise UserError(
                "tooth errors need a wheel with a gap (such as 36-1), which tells its teeth apart"
            )
        self.reference = reference
        self._places = np.arange(reference.edges) / reference.steps
        self._sum = np.zeros((2, reference.edges), np.int64)  # even turns and odd ones
        self._counts = np.zeros(2, np.int64)
        self._squares = 0
        self._count = 0
        self._ticks = 0
        self._last = 0

    def feed(self, track: Track) -> None:
        """Take the next intervals; every good period lies in one track as a whole."""
        edges = self.reference.edges
        begin = track.begin[track.segment >= 0]
        start = track.edges[begin[:, None] + np.arange(edges)]
        length = track.edges[begin + edges] - track.edges[begin]
        odd = track.step[track.segment >= 0] // self.reference.steps % 2
        before = np.concatenate(([self._last], length[:-1]))
        if len(length):
            self._last = int(length[-1])
        steady = np.abs(length - before) < _STEADY * length
        start, length, odd = start[steady], length[steady], odd[steady]
        deviation = (start - start[:, :1]) / length[:, None] - self._places
        fixed = np.rint(deviation * _FIXED).astype(np.int64)
        for k in (0, 1):
            self._sum[k] += fixed[odd == k].sum(axis=0)
            self._counts[k] += np.count_nonzero(odd == k)
        self._squares += sum(d * d for d in fixed[:, edges // 2].tolist())
        self._count += len(length)
        self._ticks += int(length.sum())

    def result(self, firings_per_rev: float, tick_s: float, strokes: int = 4) -> Learned:
        """Tooth errors so far.

        Args:
            firings_per_rev: firings of the whole engine per crank revolution.
            tick_s: seconds per tick.
            strokes: of the engine.

        Raises:
            UserError: too few steady revolutions, or the speed's ripple hides the tooth errors.
        """
        if self._count < _FEWEST:
            raise UserError(
                f"only {self._count} steady turns of the wheel, {_FEWEST} are needed: hold the "
                "speed for longer"
            )
        period, edges = self.reference.period, self.reference.edges
        mean = self._sum.sum(axis=0) / (_FIXED * self._count) * period
        rpm = self._count * period / 6 / (self._ticks * tick_s)
        ripple = self._ripple(firings_per_rev, rpm, strokes)
        bare = self._without(mean, list(ripple))
        # Of the tooth errors, in one order.
        unseen = float(np.sqrt(bare @ bare / max(1, edges - 1 - 2 * len(ripple)) * 2 / edges))
        out = [order for order, size in ripple.items() if size > unseen]
        rest = self._without(mean, out)
        left = [unseen if order in out else size for order, size in ripple.items()]
        errors = rest - rest[0]
        middle = int(self._sum[:, edges // 2].sum())
        variance = (self._squares * self._count - middle**2) / (self._count * _FIXED) ** 2
        u = float(np.sqrt(variance / self._count)) * period
        # An error counts from the index edge on, so that what is left comes in twice.
        u_errors = float(np.sqrt(2 * np.sum(np.square(left)) + u**2))
        if u_errors > _WORTH and u_errors > float(errors.std()):
            raise UserError(
                f"at {rpm:.0f} rpm the teeth cannot be told from the engine's speed swing: off by "
                f"{errors.std():.3f}°, known to ±{2 * u_errors:.3f}° only. Learn at a higher, "
                "steady speed, or measure without a wheel file"
            )
        reference = replace(self.reference, errors=tuple(errors.tolist()), u_errors=u_errors)
        return Learned(reference, u, self._count, rpm)

    def _ripple(self, n: float, rpm: float, strokes: int) -> dict[float, float]:
        """What the speed may add to each order per crank revolution, RMS in degrees."""
        lowest = 0.5 if self.reference.turns == 2 and strokes == 4 else 1.0
        swing = default_swing(rpm, n)
        firing = {m * n: np.degrees(swing / n) / m**2 for m in range(1, _SWING_HARMONICS + 1)}
        orders = {*np.arange(lowest, max(n, _LOW_ORDERS) + lowest, lowest).tolist(), *firing}
        between = self._between_turns()
        most = self.reference.edges / (4 * self.reference.turns)  # half of the edges' own freedom
        ripple = {}
        for order in sorted(o for o in orders if o < most and o % lowest == 0):
            size = WEAKNESS * unequal_amplitude(order, swing, n, strokes)
            # One cylinder alone adds to every half order nearly as much as to the next whole one.
            size = max(size, between / order**2)
            ripple[order] = float(np.hypot(size, firing.get(order, 0.0)) / np.sqrt(2))
        return ripple

    def _between_turns(self) -> float:
        """By how much turns differ in turn: largest deviation of either from their mean, degrees.

        Of a wheel on the cam, where every turn is a whole cycle, nothing.
        """
        if not self._counts.all():
            return 0.0
        even, odd = self._sum / (_FIXED * self._counts[:, None]) * self.reference.period
        return float(np.abs(even - odd).max() / 2)

    def _without(self, mean: Floats, orders: list[float]) -> Floats:
        """Deviations less their mean and less orders per crank revolution."""
        columns = [np.ones_like(mean)]
        for order in orders:
            turn = 2 * np.pi * order * self.reference.turns * self._places
            columns += [np.cos(turn), np.sin(turn)]
        basis = np.stack(columns, axis=1)
        rest: Floats = mean - basis @ np.linalg.lstsq(basis, mean, rcond=None)[0]
        return rest


def load(path: Path, reference: Reference) -> Reference:
    """The reference with the tooth errors of a file that `Learned.to_dict` made.

    Raises:
        UserError: no such file, not one of these, or of another wheel.
    """
    try:
        values = json.loads(small_text(path))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    except (ValueError, RecursionError):
        values = None
    if not isinstance(values, dict) or values.get("format") != FORMAT:
        raise UserError(f"{path} is not a wheel file; make one with `sparkwitness wheel`")
    if values.get("reference") != str(reference):
        raise UserError(f"{path} is of a {values.get('reference')} wheel, not {reference}")
    try:
        errors = tuple(float(e) for e in values["errors_deg"])
        return replace(reference, errors=errors, u_errors=float(values["u_errors_deg"]))
    except (KeyError, TypeError, ValueError, OverflowError):
        raise UserError(
            f"{path} holds no tooth errors; make a new one with `sparkwitness wheel`"
        ) from None
