"""The small picture at the end of `measure`."""

import sys
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from sparkwitness.faces import picture
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.number import Number


@pytest.mark.parametrize("spread", [1e-6, 0.01, 0.3, 7.0, 90.0, 359.0])
@pytest.mark.parametrize("middle", [-12.3, 0.0, 9.99])
def test_classes_hold_every_angle_and_are_few_and_round(spread: float, middle: float):
    angles = np.random.default_rng(1).uniform(middle - spread, middle + spread, 200)
    edges = picture.classes(angles)
    counts, _ = np.histogram(angles, edges)
    assert counts.sum() == 200 and 1 <= len(counts) <= 10
    width = edges[1] - edges[0]
    digit = f"{width:.0e}"[0]
    assert digit in "125"
    assert np.allclose(edges / width, np.round(edges / width))


def drawn(timing: float, commanded: float | None, angles) -> list[str]:
    result = Measurement(timing=Number(timing), commanded=commanded)
    shown = picture.spread(result, np.asarray(angles))
    assert shown is not None
    console = Console(width=70, no_color=True, force_terminal=False, record=True, file=None)
    with console.capture() as got:
        console.print(shown)
    return got.get().splitlines()


def test_bars_are_as_long_as_the_counts_and_earlier_is_up():
    angles = [10.25] * 40 + [11.25] * 20 + [12.25] * 10
    lines = drawn(10.7, 12.0, angles)[1:-1]
    lengths = {float(line.split("°")[0]): line.count("█") for line in lines if "█" in line}
    assert list(lengths) == sorted(lengths, reverse=True)
    assert list(lengths.values()) == [9, 18, 36]
    marked = {name: line for line in lines for name in ("mean", "commanded") if name in line}
    for name, angle in (("mean", 10.7), ("commanded", 12.0)):
        assert abs(float(marked[name].split("°")[0]) - angle) <= 0.25 + 1e-9


def test_a_commanded_angle_off_the_picture_is_named():
    assert drawn(10.0, 30.0, np.linspace(9, 11, 50))[-1].endswith("30° lies above this picture")
    assert drawn(10.0, -3.0, np.linspace(9, 11, 50))[-1].endswith("-3° lies below this picture")
    assert drawn(10.0, None, np.linspace(9, 11, 50))[-1].strip() == "earlier is up"


def test_few_events_or_no_timing_give_none():
    assert picture.spread(Measurement(timing=Number(1.0)), np.ones(9)) is None
    assert picture.spread(Measurement(), np.ones(50)) is None


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_measure_ends_with_it_in_a_terminal_only(tmp_path: Path):
    from click.testing import CliRunner

    from sparkwitness import cli
    from terminal import Terminal

    typed = ("measure", "--simulate", "marine-four", "--once", "--no-log")
    shell = Terminal(*typed)
    shell.expect("true timing")
    before = shell.expect("← mean")
    assert "█" in before
    assert shell.close() == 0
    assert "█" not in CliRunner().invoke(cli.main, list(typed)).output
