"""Delays at the trigger tap computed again from a recording, against times set by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sparkwitness.decode.recording import Recording
from sparkwitness.records.import_ import write
from sparkwitness.records.import_.base import Channel, Logged
from sparkwitness.records.replay import tap_delays
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

TICK_PS = 8000
TURN_US, TURNS = 40_000.0, 200  # 1500 rev/min


def ticks(us) -> np.ndarray:
    return np.rint(np.asarray(us) * 1e6 / TICK_PS).astype(np.int64)


@pytest.mark.parametrize("pulse_us", [20.0, 3000.0], ids=["ends before the spark", "ends after it"])
@pytest.mark.parametrize("both", [True, False], ids=["both flanks", "one flank"])
def test_delay_is_from_the_flank_that_fires(tmp_path: Path, pulse_us: float, both: bool):
    """A module that fires at the rising flank and answers after 50 µs."""
    turns = 1000.0 + TURN_US * np.arange(TURNS)
    teeth = (turns[:, None] + TURN_US / 36 * np.arange(35)).ravel()
    asked = turns[1:-1:2] + 0.7 * TURN_US + np.random.default_rng(1).normal(0, 3.0, TURNS // 2 - 1)
    falls = ticks(asked + pulse_us) if both else np.empty(0, np.int64)
    channels = {
        "crank": Channel("crank", ticks(teeth)),
        "clamp_a": Channel("clamp_a", ticks(asked + 50.0)),
        "trigger": Channel("trigger", ticks(asked), falls, directed=both),
    }
    logged = Logged([channels], TICK_PS, [int(ticks(turns[-1] + TURN_US))])
    setup = Setup(
        reference=Reference.parse("36-1", 60, 0.1), cylinders=4, clamp="plug", trigger="rising"
    )
    path = tmp_path / "made.rec"
    names = {name: name for name in channels}
    write.write(logged, names, (), path, Path("by hand.csv"), setup.to_dict(), {"format": "csv"})
    found = tap_delays(Recording(path), setup)
    assert len(found) > 80
    assert found == pytest.approx(50.0, abs=2 * TICK_PS * 1e-6)
    # Where the sparks follow both flanks alike, and nothing was typed, no delay is made up.
    untold = len(tap_delays(Recording(path), replace(setup, trigger="auto")))
    assert untold == (0 if both and pulse_us < 50 else len(found))
