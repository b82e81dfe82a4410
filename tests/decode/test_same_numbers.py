"""Recordings of an earlier version give the same numbers to the last bit.

The three in tests/data were made through the simulated board by the version before the modules
moved into rooms, together with what `sparkwitness measure --from FILE --json` said of each then
(FILE.json) and, from the same code, hashes of the tables on the way to it (FILE.tables.json).

When a number changes on purpose, look at what changed, then keep it:
    python tests/decode/test_same_numbers.py          lists every difference
    python tests/decode/test_same_numbers.py keep     takes today's numbers as those to be kept
"""

import hashlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sparkwitness.decode import wire
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.recording import Recording
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed, time_events

DATA = Path(__file__).resolve().parents[1] / "data"
NAMES = ("idle-four", "pulse-near", "wasted-twin")
STAGES = ("edges", "sparks", "periods", "events", "timed")


def described(array: np.ndarray) -> str:
    """An array in a line: type, length, first and last value, hash of its bytes."""
    array = np.ascontiguousarray(array)
    ends = " .. ".join(repr(v.item()) for v in (array[:1], array[-1:]) if len(v))
    return f"{array.dtype.str}[{len(array)}] {ends} {hashlib.sha256(array).hexdigest()[:32]}"


def tables_of(name: str) -> dict[str, dict[str, str]]:
    """Every table from bytes to timed events, by stage and column, described."""
    recording = Recording(DATA / f"{name}.swrec")
    decoder = EdgeDecoder()
    batches = [batch for data in recording.chunks() for batch in decoder.feed(data)]
    none = np.empty(0, np.int64)
    ticks = [np.concatenate([none, *(b.ticks[i] for b in batches)]) for i in range(4)]
    setup = Setup.from_dict(recording.setup)
    analyzer = Analyzer(setup, recording.tick_ps)
    for data in recording.chunks():
        analyzer.feed(data)
    tables = analyzer.finish()
    found = time_events(setup, tables)
    assert isinstance(found, Timed), found
    stages: dict[str, dict[str, np.ndarray]] = {
        "edges": dict(zip(wire.INPUTS, ticks, strict=True)),
        "sparks": {**vars(tables.sparks), "lost_before": tables.lost_before},
        "periods": vars(tables.periods),
        "events": vars(found.events),
        "timed": {"angles": found.angles, "speed": found.speed},
    }
    return {
        stage: {column: described(array) for column, array in columns.items()}
        for stage, columns in stages.items()
    }


def result_of(name: str) -> dict[str, Any]:
    """What `measure --from` says as JSON, but for the run's number in the logbook."""
    recording = Recording(DATA / f"{name}.swrec")
    setup = Setup.from_dict(recording.setup)
    analyzer = Analyzer(setup, recording.tick_ps)
    for data in recording.chunks():
        analyzer.feed(data)
    result = measure.evaluate(setup, analyzer.finish())
    found = {"run": None, "setup": setup.to_dict(), **result.to_dict()}
    return json.loads(json.dumps(found))  # as a reader gets it


def flat(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Path and value of every leaf; sentences are no numbers and are left out."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from flat(one, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for k, one in enumerate(value):
            # Named things by name, so that a new one among them shifts none.
            label = one.get("name", one.get("code", k)) if isinstance(one, dict) else k
            yield from flat(one, f"{path}[{label}]")
    elif path.rpartition(".")[2] not in ("text", "note"):
        yield path, repr(value)  # a float's repr tells its last bit and the sign of zero


def differences(kept: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """One line per kept value that is another one now. What is new is no difference."""
    today = dict(flat(now))
    return [
        f"{path}: was {value}, is {today.get(path, 'gone')}"
        for path, value in flat(kept)
        if today.get(path) != value
    ]


def kept(name: str, kind: str) -> dict[str, Any]:
    """What is kept of a recording: `.json` or `.tables.json`."""
    return json.loads((DATA / f"{name}{kind}").read_text(encoding="utf-8"))


@pytest.fixture(scope="module", params=NAMES)
def tables(request) -> tuple[dict[str, Any], dict[str, Any]]:
    return kept(request.param, ".tables.json"), tables_of(request.param)


@pytest.mark.locked  # numpy sums in another order from version to version
@pytest.mark.parametrize("stage", STAGES)
def test_tables_are_the_same_to_the_last_bit(tables, stage):
    before, now = tables
    assert before[stage]
    assert not differences(before[stage], now[stage])


@pytest.mark.locked
@pytest.mark.parametrize("name", NAMES)
def test_final_numbers_are_the_same_to_the_last_bit(name):
    before = kept(name, ".json")
    assert len(dict(flat(before))) > 90
    assert not differences(before, result_of(name))


def test_a_last_bit_is_a_difference():
    before = kept("idle-four", ".json")
    now = {**before, "timing_deg_btdc": np.nextafter(before["timing_deg_btdc"], 90).item()}
    (line,) = differences(before, now)
    assert line.startswith("timing_deg_btdc: was ")
    ticks = np.array([5, 7, 9], np.int64)
    assert described(ticks) != described(ticks // 1.0)
    assert described(ticks) != described(np.array([5, 8, 9], np.int64))


def main(arguments: list[str]) -> int:
    """List what differs, or keep it."""
    for name in NAMES:
        now = {".tables.json": tables_of(name), ".json": result_of(name)}
        for kind, values in now.items():
            path = DATA / f"{name}{kind}"
            if path.exists():
                for line in differences(kept(name, kind), values):
                    print(f"{name}: {line}")
            if arguments == ["keep"]:
                path.write_text(json.dumps(values, indent=2) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
