"""A claimed number of sparks per revolution, weighed against spacing and window."""

from dataclasses import asdict, dataclass
from math import ceil
from typing import Any

from sparkwitness.timing import budget as timing


@dataclass(frozen=True)
class Claim:
    """What a claimed number of sparks per crank revolution would need.

    Attributes:
        sparks_per_event: that the claim means.
        window_deg: crank degrees it needs at the spacing; pitch_deg: degrees there are.
        spacing_us: spacing it needs in the window; None where one spark is enough.
        possible: most sparks per revolution with this spacing and window.
        verdict: "possible", "not with these" or "impossible".
    """

    sparks_per_rev: float
    rpm: float
    sparks_per_event: float
    spacing_given_us: float
    window_given_deg: float
    window_deg: float
    pitch_deg: float
    spacing_us: float | None
    possible: float
    verdict: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def check_claim(
    sparks_per_rev: float, rpm: float, pitch_deg: float, spacing_us: float, window_deg: float
) -> Claim:
    """Weigh a claim of so many sparks per crank revolution at a speed.

    An event of k sparks lasts (k - 1) spacings, 6 N t degrees of crank each; where k is not whole
    on the average, the fullest events have the next whole number.

    Args:
        sparks_per_rev: claimed, > 0.
        rpm: speed for which it is claimed.
        pitch_deg: crank degrees from firing to firing.
        spacing_us: time between two sparks.
        window_deg: crank degrees in which sparks repeat.
    """
    firings = 360.0 / pitch_deg
    each = sparks_per_rev / firings
    # There is no part of a spark: what is claimed on the average, some events must exceed.
    between = max(0, ceil(each - 1e-9) - 1)
    needed = between * timing.degrees_of(spacing_us * 1e-6, rpm)
    most = 1 + int(window_deg / timing.degrees_of(spacing_us * 1e-6, rpm) + 1e-9)
    if each <= most + 1e-9:
        verdict = "possible"
    else:
        verdict = "impossible" if needed >= pitch_deg else "not with these"
    return Claim(
        sparks_per_rev=sparks_per_rev,
        rpm=rpm,
        sparks_per_event=each,
        spacing_given_us=spacing_us,
        window_given_deg=window_deg,
        window_deg=needed,
        pitch_deg=pitch_deg,
        spacing_us=window_deg / (6e-6 * rpm * between) if between else None,
        possible=most * firings,
        verdict=verdict,
    )
