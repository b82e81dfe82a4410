"""Numbers in words, the same for every face."""

from math import floor, log10


def angle(degrees: float, form: str = ".2f") -> str:
    """Degrees with the side of top dead centre in words, as a strobe's user says it."""
    return f"{abs(degrees):{form}}° {'BTDC' if degrees >= 0 else 'ATDC'}"


def plus_minus(value: float, expanded: float | None, unit: str = "") -> str:
    """A value and its expanded uncertainty, both to two significant digits of the latter."""
    if expanded is None:
        return f"{value:.0f}{unit} (uncertainty not known)"
    digits = 0 if expanded <= 0 else max(0, 1 - floor(log10(expanded)))
    return f"{value:.{digits}f} ± {expanded:.{digits}f}{unit}"
