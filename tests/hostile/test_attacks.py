"""The attacks of `make hostile` in short form."""

import pytest

from hostile.__main__ import batch
from hostile.attacks import KINDS

FEW = 12


@pytest.mark.parametrize("kind", KINDS)
def test_attacks_are_borne(kind):
    ends, failed = batch(kind, range(FEW))
    assert not failed
    assert sum(ends.values()) == FEW
