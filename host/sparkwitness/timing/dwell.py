"""Dwell: how long the trigger, or the points, let the coil charge before each firing.

ISO 6518-1 calls it the dwell period and, as an angle of the distributor, the dwell angle (closing
angle of contacts). On a four-stroke the distributor turns half as fast as the crank.
"""

from dataclasses import asdict, dataclass, field
from math import exp
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing import budget as timing
from sparkwitness.timing.firings import Firings
from sparkwitness.timing.number import Number
from sparkwitness.timing.setup import Setup

Floats = NDArray[np.float64]

FEWEST = 10
_CRYSTAL = 50e-6
_SPEED_BIN, _VOLT_BIN, _FEWEST_IN_BIN = 0.15, 0.5, 20  # relative, V, firings
_CHANGED = 1.35  # of the speed, for a course to be told


@dataclass(frozen=True)
class Course:
    """Dwell at one speed and supply voltage.

    Attributes:
        rpm, volts: means; volts None where the supply is not measured.
        ms, u_ms: mean and its expanded uncertainty (k = 2).
        crank_deg: the same in crank degrees.
        firings: how many.
    """

    rpm: float
    volts: float | None
    ms: float
    u_ms: float
    crank_deg: float
    firings: int


@dataclass(frozen=True)
class Dwell:
    """On-time before the firing flank at one speed.

    Attributes:
        ms: mean; u95 its expanded uncertainty (k = 2).
        scatter_ms: standard deviation from firing to firing.
        crank_deg, cam_deg: crank and distributor degrees.
        scatter_deg: standard deviation in crank degrees.
        share: of the time from firing to firing.
        pause_ms: what is left until the next on-time begins.
        firings: how many went in.
        charged: share of its final value that the coil's current has reached, by its L / R; None:
            not typed.
        bounced: share of the firings whose contacts bounced.
        bounce_us: of those, the mean time from the first closing to the last bounce.
        course: by speed and supply voltage, over the whole recording.
    """

    ms: Number
    scatter_ms: float
    crank_deg: Number
    cam_deg: Number
    scatter_deg: float
    share: float
    pause_ms: float
    firings: int
    charged: float | None = None
    bounced: float = 0.0
    bounce_us: float = 0.0
    course: tuple[Course, ...] = field(default_factory=tuple)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, units in the names."""
        return {
            "ms": self.ms, "expanded_ms": self.ms.u95, "scatter_ms": self.scatter_ms,
            "crank_deg": self.crank_deg, "crank_expanded_deg": self.crank_deg.u95,
            "cam_deg": self.cam_deg, "cam_expanded_deg": self.cam_deg.u95,
            "scatter_crank_deg": self.scatter_deg, "share_of_interval": self.share,
            "pause_ms": self.pause_ms, "firings": self.firings,
            "charged_share": self.charged, "bounced_share": self.bounced,
            "bounce_us": self.bounce_us, "course": [asdict(c) for c in self.course],
        }  # fmt: skip


def closing_angle(cylinders: int, share: float) -> float:
    """Closing angle of a distributor's contacts, distributor degrees, from the closed share.

    A distributor has 360 / z degrees for each of z cylinders; the closing angle is the closed
    share of them (a handbook's definition, from memory).
    """
    return 360.0 / cylinders * share


def charged(ms: float, coil_ms: float) -> float:
    """Share of the final current that an R-L circuit has after a time: 1 - exp(-t R / L)."""
    return 1.0 - exp(-ms / coil_ms)


def of(fires: Firings, setup: Setup, tick_s: float, flanks_u_us: float) -> Dwell | None:
    """Dwell of a stretch at steady speed.

    Args:
        fires: of that stretch.
        setup: what was typed.
        tick_s: seconds per tick.
        flanks_u_us: standard uncertainty of the difference of the two flanks' delays, µs.

    Returns:
        None where too few firings have both flanks.
    """
    have = np.isfinite(fires.on_degrees) & np.isfinite(fires.degrees)
    if np.count_nonzero(have) < FEWEST:
        return None
    ms: Floats = np.multiply((fires.tick - fires.on_tick)[have], tick_s * 1e3)
    degrees = (fires.degrees - fires.on_degrees)[have]
    mean, scatter = timing.mean_and_deviation(ms)
    angle, spread = timing.mean_and_deviation(degrees)
    u_b = float(np.hypot(flanks_u_us * 1e-3, tick_s * 1e3 / np.sqrt(6)))
    u_ms = float(np.sqrt(timing.standard_error(ms) ** 2 + u_b**2 + (_CRYSTAL * mean) ** 2))
    u_deg = float(np.hypot(timing.standard_error(degrees), u_b * angle / mean))
    every = np.diff(fires.tick)[fires.known[1:] & (np.diff(fires.segment) == 0)] * (tick_s * 1e3)
    interval = float(np.median(every)) if len(every) else float("nan")
    bounced = fires.bounces > 0
    lasted = fires.bounced[bounced]
    turns = setup.strokes / 2
    return Dwell(
        Number(mean, timing.COVERAGE * u_ms),
        scatter,
        Number(angle, timing.COVERAGE * u_deg),
        Number(angle / turns, timing.COVERAGE * u_deg / turns),
        spread,
        mean / interval,
        interval - mean,
        len(ms),
        None if setup.coil_ms is None else charged(mean, setup.coil_ms),
        float(np.mean(bounced)),
        float(lasted.mean()) * tick_s * 1e6 if len(lasted) else 0.0,
    )


def course(
    fires: Firings, tick_s: float, supply_tick: list[int], supply_mv: list[int], flanks_u_us: float
) -> tuple[Course, ...]:
    """Dwell by speed and supply voltage over all firings, the slowest first.

    Args:
        fires: all of one session.
        tick_s: seconds per tick.
        supply_tick, supply_mv: of that session's heartbeats.
        flanks_u_us: see `of`.

    Returns:
        Nothing where neither changed.
    """
    turned, passed = fires.degrees - fires.on_degrees, fires.tick - fires.on_tick
    have = np.isfinite(turned)
    if not have.any():
        return ()
    turned, tick = turned[have], fires.tick[have]
    seconds: Floats = np.multiply(passed[have], tick_s)
    rpm = turned / seconds / 6.0
    # A tooth's spacing would show its ripple: the speed is that of the firings around.
    rpm = _smoothed(rpm)
    volts = np.zeros(len(tick))
    measured = len(supply_tick) > 1
    if measured:
        volts = np.interp(tick, supply_tick, np.asarray(supply_mv[-len(supply_tick) :]) / 1000)
    low, high = np.quantile(rpm, (0.02, 0.98))
    if high / low < _CHANGED and float(np.ptp(volts)) < 2 * _VOLT_BIN:
        return ()
    speed_bin = np.floor(np.log(rpm / low) / _SPEED_BIN)
    key = np.stack((speed_bin, np.floor(volts / _VOLT_BIN)), axis=1)
    _, of_bin, counts = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    found = []
    for k in np.flatnonzero(counts >= _FEWEST_IN_BIN).tolist():
        mine = of_bin.ravel() == k
        ms = 1e3 * seconds[mine]
        found.append(
            Course(
                float(rpm[mine].mean()),
                float(volts[mine].mean()) if measured else None,
                float(ms.mean()),
                timing.COVERAGE * float(np.hypot(timing.standard_error(ms), flanks_u_us * 1e-3)),
                float(turned[mine].mean()),
                len(ms),
            )
        )
    return tuple(found)


def _smoothed(values: Floats, reach: int = 8) -> Floats:
    """Mean of each value and its neighbours."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(len(values))
    low, high = np.maximum(at - reach, 0), np.minimum(at + reach + 1, len(values))
    smooth: Floats = (sums[high] - sums[low]) / (high - low)
    return smooth
