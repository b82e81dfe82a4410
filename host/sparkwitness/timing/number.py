"""A number that carries its uncertainty."""

from math import nan


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
