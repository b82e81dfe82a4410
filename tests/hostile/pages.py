"""Attacks on the page's server: requests and sockets of all kinds, without and with the token."""

from pathlib import Path
from random import Random

from fuzz import mutate, rims
from hostile.ends import REFUSED, TRIED


def requests(rng: Random, place: Path) -> str:
    """Changed requests, one after the other; what must not be served is not (see the target)."""
    seeds = rims.request_seeds()
    served = [rims.requests(mutate.text(rng, rng.choice(seeds))) for _ in range(10)]
    return TRIED if any(served) else REFUSED
