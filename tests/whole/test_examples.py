"""Each program in host/examples runs as its first lines say, and its numbers are true."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from sparkwitness.cli import sources

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "host" / "examples"
DATA = ROOT / "tests" / "data"


def run(name: str, *arguments: object, fails: bool = False) -> str:
    done = subprocess.run(
        [sys.executable, EXAMPLES / name, *map(str, arguments)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.returncode != 0) == fails, done.stderr
    assert "Traceback" not in done.stderr
    return done.stderr if fails else done.stdout


def test_every_example_is_tried() -> None:
    tried = set(re.findall(r'run\("(\w+\.py)"', Path(__file__).read_text(encoding="utf-8")))
    assert {path.name for path in EXAMPLES.glob("*.py")} == tried


def angle(told: str) -> tuple[float, float]:
    """Timing and its uncertainty, from what an example printed."""
    found = re.search(r"^timing (-?[\d.]+)° ± ([\d.]+)°", told, re.MULTILINE)
    assert found, told
    return float(found[1]), float(found[2])


def test_own_edges(tmp_path: Path) -> None:
    timing, within = angle(run("own_edges.py"))
    assert abs(timing - 12) <= within < 0.2  # as made_here says

    # The same engine's times from two files, written with a microsecond's resolution.
    sys.path.insert(0, str(EXAMPLES))
    try:
        from own_edges import made_here
    finally:
        sys.path.remove(str(EXAMPLES))
    names = tmp_path / "crank.txt", tmp_path / "spark.txt"
    for name, times in zip(names, made_here(), strict=True):
        np.savetxt(name, times, fmt="%.6f")
    again, _ = angle(run("own_edges.py", *names))
    assert again == pytest.approx(timing, abs=0.02)


def test_a_recording() -> None:
    told = run("a_recording.py", DATA / "idle-four.swrec")
    stored = json.loads((DATA / "idle-four.json").read_text())
    first, _ = angle(told)
    last = float(re.search(r"1° larger: (-?[\d.]+)°", told)[1])
    assert first == pytest.approx(stored["timing_deg_btdc"], abs=0.005)
    assert last == pytest.approx(first + 1, abs=0.011)
    assert "reference angle (as typed)" in told


def test_two_runs() -> None:
    same = run("two_runs.py", DATA / "idle-four.swrec", DATA / "idle-four.swrec")
    assert "not seen to move" in same and "(moved)" not in same
    assert "cancel" in same
    assert run("two_runs.py", DATA / "idle-four.swrec", "none.swrec", fails=True).startswith(
        "error: cannot read none.swrec"
    )


def test_live_numbers() -> None:
    with sources.board("idle-four", None) as source:
        lines = [json.loads(line) for line in run("live_numbers.py", source.port, 12).splitlines()]
        truth = source.simulated.world.truth()
    assert len(lines) == 12
    last = lines[-1]
    true = float(np.mean(truth.btdc_deg[truth.sparks > 0]))
    assert abs(last["timing_deg_btdc"] - true) <= last["u95_deg"] < 1
    # The example's loop was left with the board streaming: it was stopped.
    assert "error: " in run("live_numbers.py", "/dev/no-such-port", fails=True)
