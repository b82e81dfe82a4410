"""What must be known with a number, and whether it may be shown."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """Something a person must know: a stable code for scripts and a sentence."""

    code: str
    text: str
