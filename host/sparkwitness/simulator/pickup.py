"""Inductive clamps: which edges a lead's sparks leave at the board, and which should not be."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sparkwitness.simulator.ignition import Response, Rows
from sparkwitness.simulator.scenario import PickupSpec

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Seen:
    """Edges of one clamp, seconds, in no particular order; strays are among them."""

    rising: Floats
    strays: Floats


class Clamp:
    """One clamp with its conditioner.

    Args:
        spec: both clamps' manner.
        seed: for random streams of its own, one per quantity, so that each goes on in order.
    """

    def __init__(self, spec: PickupSpec, seed: np.random.SeedSequence) -> None:
        self.spec = spec
        streams = [np.random.default_rng(one) for one in seed.spawn(5)]
        self._per_event = Rows(streams[0], 3, normal=False)
        self._per_spark, self._per_ring, self._spread, self._stray_spread = streams[1:]

    def see(
        self,
        response: Response,
        first_number: int,
        on_lead: Flags,
        trigger: Floats,
        period: Floats,
    ) -> Seen:
        """Edges that a run of triggers leaves.

        Args:
            response: what the module made of them.
            first_number: number of the first trigger since the world began.
            on_lead: whether each trigger's event runs through the clamped lead.
            trigger: their times, seconds.
            period: seconds between two events on the lead; NaN: unknown.
        """
        spec, n = self.spec, len(trigger)
        chance = self._per_event.get(first_number, first_number + n)
        crossed = ~on_lead & (chance[:, 0] < spec.crossfire_share)
        mine = on_lead[response.owner]
        spark = response.spark[mine]
        draws = self._per_spark.random((len(spark), 3)) if self._draws_per_spark else None
        if draws is not None:
            seen = draws[:, 0] >= spec.miss_share
            spark, draws = spark[seen], draws[seen]
        strays = [response.first[crossed & (response.sparks > 0)]]
        if spec.stray_share:
            noisy = on_lead & (chance[:, 1] < spec.stray_share) & np.isfinite(period)
            strays.append(trigger[noisy] + chance[noisy, 2] * period[noisy])
        stray = np.concatenate(strays)
        spark = self._passed(spark, self._spread)
        stray = self._passed(stray, self._stray_spread)
        if draws is not None and spec.ring_share:
            stray = np.concatenate((stray, self._ring(spark, draws[:, 1:])))
        return Seen(np.concatenate((spark, stray)), stray)

    def _passed(self, times: Floats, rng: np.random.Generator) -> Floats:
        """Times after clamp and conditioner."""
        late = np.full(len(times), self.spec.delay_us * 1e-6)
        if self.spec.jitter_us:
            late += rng.standard_normal(len(times)) * (self.spec.jitter_us * 1e-6)
        return np.asarray(times + late)

    @property
    def _draws_per_spark(self) -> bool:
        return self.spec.miss_share > 0 or self.spec.ring_share > 0

    def _ring(self, spark: Floats, chance: Floats) -> Floats:
        """Ringing edges: at most ring_edges, each at least the conditioner's pulse apart."""
        spec = self.spec
        rings = np.flatnonzero(chance[:, 0] < spec.ring_share)
        count = 1 + (chance[rings, 1] * spec.ring_edges).astype(np.int64)
        places = self._per_ring.random((len(rings), 8))
        places = np.where(np.arange(8) < count[:, None], places, np.inf)
        places = np.sort(places, axis=1) * (spec.ring_us * 1e-6)
        least = (spec.pulse_us + 1.0) * 1e-6
        with np.errstate(invalid="ignore"):
            apart = np.diff(places, axis=1, prepend=0.0) >= least
        kept = np.isfinite(places) & apart
        return np.asarray((spark[rings, None] + places)[kept])
