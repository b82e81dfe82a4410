"""A number that carries its uncertainty; numbers of arrays as Python's own."""

from dataclasses import fields
from math import nan
from typing import Any

import numpy as np


class Number(float):
    """A float that carries its uncertainty; arithmetic with it gives plain floats.

    Attributes:
        u95: half-width of the interval that holds the true value in about 95 of 100 cases, in the
            number's own unit: the expanded uncertainty with k = 2 (JCGM 100:2008, 6.2).
    """

    u95: float

    def __new__(cls, value: float, u95: float = nan) -> "Number":
        made = super().__new__(cls, value)
        made.u95 = u95
        return made


def plain(record: Any) -> None:
    """Make numpy's numbers in a frozen dataclass Python's own, and lists in it tuples."""
    for one in fields(record):
        value = getattr(record, one.name)
        if isinstance(value, np.generic):
            object.__setattr__(record, one.name, value.item())
        elif isinstance(value, list | tuple | np.ndarray):
            made = tuple(v.item() if isinstance(v, np.generic) else v for v in value)
            object.__setattr__(record, one.name, made)
