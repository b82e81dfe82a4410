"""Tooth errors of a reference wheel: learned from a steady run, removed from later ones.

A tooth that stands off its even place is off in every revolution. So is the speed swing at
multiples of the firing frequency: those harmonics cannot be told apart. Each is taken out where
the swing is likely the larger, else left in, and what that costs is stated. Swing that repeats
every revolution for another reason (unequal cylinders) would be taken for tooth errors; it falls
with the square of the speed, so learn at a high, steady speed.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.timing.angle import Reference, Track
from sparkwitness.timing.budget import default_swing

Floats = NDArray[np.float64]

_FIXED = 1 << 30  # deviations are summed as whole numbers of 2^-30 period: exact in any order
_SWING_HARMONICS = 3
_FEWEST = 50
_STEADY = 0.02
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
        self._sum = np.zeros(reference.edges, np.int64)
        self._squares = 0.0
        self._count = 0
        self._ticks = 0
        self._last = 0

    def feed(self, track: Track) -> None:
        """Take the next intervals; every good period lies in one track as a whole."""
        edges = self.reference.edges
        begin = track.begin[track.segment >= 0]
        start = track.edges[begin[:, None] + np.arange(edges)]
        length = track.edges[begin + edges] - track.edges[begin]
        before = np.concatenate(([self._last], length[:-1]))
        if len(length):
            self._last = int(length[-1])
        steady = np.abs(length - before) < _STEADY * length
        start, length = start[steady], length[steady]
        deviation = (start - start[:, :1]) / length[:, None] - self._places
        self._sum += np.rint(deviation * _FIXED).astype(np.int64).sum(axis=0)
        self._squares += float((deviation[:, edges // 2] ** 2).sum())
        self._count += len(length)
        self._ticks += int(length.sum())

    def result(self, firings_per_rev: float, tick_s: float) -> Learned:
        """Tooth errors so far.

        Args:
            firings_per_rev: whose harmonics are left to the speed swing.
            tick_s: seconds per tick.

        Raises:
            UserError: too few steady revolutions.
        """
        if self._count < _FEWEST:
            raise UserError(
                f"only {self._count} steady turns of the wheel, {_FEWEST} are needed: hold the "
                "speed for longer"
            )
        mean = self._sum / (_FIXED * self._count) * self.reference.period
        rpm = self._count * self.reference.period / 6 / (self._ticks * tick_s)
        harmonics = [
            m
            for m in range(1, _SWING_HARMONICS + 1)
            if 2 * m * firings_per_rev * self.reference.turns < self.reference.edges
        ]
        bare = self._without(mean, harmonics, firings_per_rev)
        share = np.sqrt(2 / self.reference.edges)
        unseen = float(bare.std()) * share  # of the tooth errors, in one harmonic
        # The angle swings by swing / n at the firing harmonic; higher ones fall with their square.
        swing = np.degrees(default_swing(rpm, firings_per_rev) / firings_per_rev) / np.sqrt(2)
        out = [m for m in harmonics if swing / m**2 > unseen]
        rest = self._without(mean, out, firings_per_rev)
        left = [unseen if m in out else swing / m**2 for m in harmonics]
        errors = rest - rest[0]
        middle = mean[self.reference.edges // 2] / self.reference.period
        variance = max(0.0, self._squares / self._count - middle**2)
        u = float(np.sqrt(variance / self._count)) * self.reference.period
        u_errors = float(np.sqrt(np.sum(np.square(left)) + u**2))
        reference = replace(self.reference, errors=tuple(errors.tolist()), u_errors=u_errors)
        return Learned(reference, u, self._count, rpm)

    def _without(self, mean: Floats, harmonics: list[int], firings_per_rev: float) -> Floats:
        """Deviations less their mean and less harmonics of the firing frequency."""
        columns = [np.ones_like(mean)]
        for m in harmonics:
            turn = 2 * np.pi * m * firings_per_rev * self.reference.turns * self._places
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
        values = json.loads(path.read_text(encoding="utf-8"))
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
