"""People who test, and misread: how often depends on the kind of test.

Nothing is taken from the search's own table. Numbers: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .circuits import Circuit

# How much more (or less) often than the mean each way of testing goes wrong.
_LOOKS = {"burnt_look", "fuse_look", "pickup_look", "points_look", "cap_look", "plugs_leads"}
_EYES_ON_IT = {"rev_counter", "fault_lamp", "primary_lamp", "crank_speed", "air_fuel"}
_SPARK = {"spark_coil_lead", "spark_plug_lead", "spark_angle", "coil_swap"}
_BOARD = {
    "crank_pulses", "crank_pulses_hall", "trigger_edges", "primary_edges", "clamp_coil_lead",
    "clamp_plug_lead",
}  # fmt: skip
_FACTOR = ((_LOOKS, 1.4), (_EYES_ON_IT, 1.2), (_SPARK, 1.2), (_BOARD, 0.6))
_NUMBER = 0.9  # a meter read, a switch in the wrong place, a wrong line of the manual
_STICKS = 0.3
"""Chance that one who looks again makes the same mistake again."""


@dataclass
class Person:
    """One who tests.

    Attributes:
        wrong: share of wrong answers, on average over the ways of testing.
        cannot: share of the tests that cannot be done.
    """

    rng: np.random.Generator
    wrong: float = 0.10
    cannot: float = 0.03
    erred: int = 0
    asked: int = 0
    _slips: dict[str, int] = field(default_factory=dict)

    def answer(self, engine: Circuit, test: str, again: bool = False) -> int | None:
        """Index of the outcome that this person tells; None: it cannot be tested."""
        seen = engine.show(test)
        if seen is None or (not again and self.rng.random() < self.cannot):
            return None
        truth, outcomes = seen
        self.asked += 1
        if again and test in self._slips and self.rng.random() < _STICKS:
            self.erred += 1
            return self._slips[test]
        factor = next((f for names, f in _FACTOR if test in names), _NUMBER)
        if self.rng.random() >= self.wrong * factor:
            return truth
        self.erred += 1
        others = np.array([k for k in range(outcomes) if k != truth])
        # A misplaced clip sees less than there is; people mostly overlook, or see what is next.
        weight = 1.0 / np.abs(others - truth)
        if test in _BOARD:
            weight = np.where(others > truth, 1.0, 0.2)
        elif truth:
            weight = np.where(others == 0, 2.0, weight)
        told = int(self.rng.choice(others, p=weight / weight.sum()))
        self._slips[test] = told
        return told
