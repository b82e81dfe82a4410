"""Pulses of the crank that a spark makes or holds back: their share and time, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from sparkwitness.timing import timed
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

TICK_S = 1e-8  # 10 ns
SETUP = Setup(Reference(1))


def seen(after_us: np.ndarray) -> tuple[float, float]:
    """Sparks each 0.1 s, and a pulse so long after each."""
    sparks = np.arange(1, len(after_us) + 1) * 10_000_000
    edges = sparks + np.rint(100 * np.asarray(after_us)).astype(np.int64)
    tables = SimpleNamespace(
        sparks=SimpleNamespace(tick=sparks), periods=SimpleNamespace(start=edges), tick_s=TICK_S
    )
    return timed.caused(SETUP, tables)  # type: ignore[arg-type]


def test_pulses_held_back_come_at_once():
    """Twelve of thirty at 150 µs, the rest evenly from 152 to 237 µs, 5 µs apart."""
    share, after = seen(np.append(np.full(12, 150.0), 152 + 5.0 * np.arange(18)))
    assert share == pytest.approx(12 / 30) and after == pytest.approx(150e-6)


def test_an_engine_does_not_keep_half_a_microsecond():
    """0.05° at 9000 rev/min are 0.93 µs: the steadiest spark of the fastest engine."""
    found = [seen(np.random.default_rng(k).normal(300, 0.93, 60))[0] for k in range(200)]
    assert max(found) < 0.3
    # A heap in the middle of the others is the engine's own.
    assert seen(np.append(np.full(12, 150.0), np.linspace(50, 149, 18)))[0] < 0.1


def test_few_pulses_or_late_ones_tell_nothing():
    assert seen(np.full(14, 150.0)) == (0.0, 0.0)
    assert seen(np.full(15, 150.0))[0] == 1.0
    assert seen(np.full(15, 1001.0)) == (0.0, 0.0)
