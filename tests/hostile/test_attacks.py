"""The attacks of `make hostile` in short form."""

import pytest

from hostile.__main__ import batch
from hostile.kinds import KINDS

# Those that measure, wait for an answer, or are a process of their own, take a second or more.
FEW = {
    "files by nasty names": 1, "disks": 3, "boards that lie": 3, "a second host": 2,
    "prompts at a terminal": 2, "races": 8, "the page": 4,
}  # fmt: skip


# Cables are pulled in tests/device/test_board_install.py.
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "install pulled"])
def test_attacks_are_borne(kind):
    ends, failed = batch(kind, range(FEW.get(kind, 12)))
    assert not failed
    assert sum(ends.values()) == FEW.get(kind, 12)
