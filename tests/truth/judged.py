"""What a row of the table on where the error arises is, and how its runs are scored."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from sparkwitness.timing import measure

Rng = np.random.Generator
U_ANGLE, U_DELAY_US = 0.1, 0.5  # what is typed is off by normal errors of these


def chance(share: float, n: float) -> float:
    """By how much a share seen in `n` runs may be off by chance: three standard errors.

    Some three hundred shares are judged in a run of the tables: at two standard errors one of them
    misses its goal in every second run with nothing wrong, at three hardly ever.
    """
    return 3.0 * float(np.sqrt(share * (1.0 - share) / max(n, 1)))


@dataclass(frozen=True)
class Row:
    """A line of the table: what is drawn, and what is looked at of each run.

    Attributes:
        judge: gets the measurement, the truth, and the world; gives named outcomes: (value, kind),
            kind "cover" (within its interval: 93 to 97 %), "all" (within a joint interval: 93 %
            and more), "true" (must always be so), "rare" (at most 5 %), "often" (at least 95 %).
        make: in place of `draw`: measurement, truth and world at once.
    """

    name: str
    draw: Callable[[Rng], tuple[Any, dict[str, Any]]] | None
    judge: Callable[[measure.Measurement, Any, Any], dict[str, tuple[bool, str]]]
    make: Callable[[Rng], tuple[measure.Measurement, Any, Any]] | None = None


@dataclass
class Score:
    """A row's outcomes: by name, (how often so, of how many, kind)."""

    name: str
    outcomes: dict[str, tuple[int, int, str]]

    def missed(self) -> list[str]:
        """Goals that the row misses, beyond `chance`."""
        faults = []
        for name, (hits, n, kind) in self.outcomes.items():
            share = hits / n
            few = share < 0.93 - chance(0.93, n)
            wrong = {
                "cover": few or share > 0.97 + chance(0.97, n),
                "all": few, "often": share < 0.95 - chance(0.95, n),
                "rare": share > 0.05 + chance(0.05, n), "true": hits < n,
            }[kind]  # fmt: skip
            faults += [name] if wrong else []
        return faults

    def line(self) -> str:
        parts = [f"{name} {100 * h / n:.1f} %" for name, (h, n, _) in self.outcomes.items()]
        return f"{self.name:34.34}{', '.join(parts)}"
