"""Hostile input, in short; `make fuzz` runs the same targets with a million inputs each."""

from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz import board
from fuzz.targets import TARGETS

EXAMPLES = {
    "logbook": 60, "frames": 250, "recording": 200, "others": 100, "requests": 100, "prompts": 40
}  # fmt: skip


@pytest.mark.filterwarnings("error::RuntimeWarning")  # numpy's, about numbers that are none
@pytest.mark.parametrize("name", TARGETS)
def test_hostile_input_is_refused_or_read_right(name):
    target = TARGETS[name]
    seeds = target.seeds()
    # What is well formed is accepted: else the rest would prove nothing.
    assert target.check(seeds[0])
    outcomes = set()

    @settings(
        max_examples=EXAMPLES.get(name, 400), deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )  # fmt: skip
    @given(st.integers(0, 2**32), st.sampled_from(seeds))
    def damaged(seed, data):
        outcomes.add(target.check(target.mutate(Random(seed), data)))

    @settings(max_examples=min(60, EXAMPLES.get(name, 60)), deadline=None)
    @given(st.binary(max_size=400))
    def noise(data):
        target.check(data)

    damaged()
    noise()
    assert outcomes == {True, False}


def test_commands_on_the_board_are_answered_as_the_protocol_says():
    """The real parser under MicroPython against a model from protocol/wire.json."""
    pieces = board.seeds() + board.inputs(Random(9), 3000)
    assert board.check(pieces) > 300
