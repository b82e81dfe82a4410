"""What keeps a number from being shown as it is, and what to do about it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """Something a person must know: a stable code for scripts and a sentence."""

    code: str
    text: str
