"""The second hand itself, and a few runs of the rows whose errors would do most harm.

All rows with many runs are `make accuracy`.
"""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from sparkwitness.cli import main
from sparkwitness.decode.edges import EdgeDecoder
from truth import cases, engine, frames, score

# The dangerous ones first: each once gave a wrong angle that looked sure, with a next setting.
DANGEROUS = (
    "60 even teeth, not looked", "cam 36-1 typed as 36-1, auto, plug",
    "36-1 typed as cam 36-1, auto, wasted", "cam typed as pulse, auto, plug",
    "cam 4 typed as 4, auto, plug", "36-1 odd firing, coil lead", "36-1 odd number on auto, coil",
    "first sparks missed in 20 to 40 %", "another lead induces in 45 to 60 %",
    "36-1 sensor reversed, last", "60-2 sensor reversed", "wrong lead, next cylinder",
    "two sessions", "reference angle typed far off",
)  # fmt: skip


def test_bytes_are_those_of_the_protocol():
    """What is encoded here decodes there, to the tick."""
    rng = np.random.default_rng(1)
    edges = {name: np.sort(rng.uniform(0, 1.5, 400)) for name in ("crank", "clamp_a", "trigger")}
    decoder = EdgeDecoder()
    batches = list(decoder.feed(frames.encode(edges, 1.5)))
    for k, name in enumerate(frames.INPUTS):
        wanted = np.unique(np.floor(edges.get(name, np.empty(0)) / frames.TICK_S).astype(np.int64))
        assert np.array_equal(np.concatenate([b.ticks[k] for b in batches]), wanted)
    assert not decoder.loss.frames_damaged and not decoder.loss.frames_missing


def test_an_engine_swings_as_told_and_a_dead_cylinder_shows():
    """Energy balance: peak swing as given; one dead of four adds the order of the cycle."""
    for swing in (0.01, 0.05):
        motion = engine.turn(engine.Engine(swing=swing, uneven=0, jitter=0), 40, _rng())
        speed = np.diff(motion.degrees) / np.diff(motion.seconds)
        assert np.ptp(speed[3000:-3000]) / 2 / speed.mean() == pytest.approx(swing, rel=0.05)
    dead = engine.Engine(swing=0.02, uneven=0, jitter=0, strength=(0, 1, 1, 1))
    motion = engine.turn(dead, 40, _rng())
    speed = (np.diff(motion.degrees) / np.diff(motion.seconds))[1440:-1440]
    turn = 2j * np.pi * np.arange(len(speed)) / 720
    slow, firing = (abs((speed * np.exp(-turn * k)).mean()) for k in (1, 4))
    assert slow > firing / 2


def _rng() -> np.random.Generator:
    return np.random.default_rng(0)


@pytest.mark.parametrize("name", DANGEROUS)
def test_no_wrong_angle_looks_sure(name):
    done = score.score(name, 4, 70_000)
    assert not done.silent and not done.advised and not done.forbidden


@pytest.mark.parametrize("name", ["36-1 idle", "60-2 dead cylinder", "cam 36-1 coil lead"])
def test_what_is_as_typed_is_measured(name):
    done = score.score(name, 4, 70_000)
    assert not done.refused and not done.silent


def test_the_command_line_says_the_same(tmp_path):
    """The harness measures in process; `measure --from` gives that number from a file."""
    row = next(r for r in cases.rows() if r.name == "36-1 idle")
    rng = np.random.default_rng(5)
    case = row.draw(rng)
    data = cases.recording(case.world, rng)
    path = tmp_path / "second.swrec"
    header = {"format": "sparkwitness recording", "version": 1, "board": {"tick_ps": 24000}}
    path.write_bytes(json.dumps(header).encode() + b"\n" + data)
    words = ["measure", "--from", str(path), "--json", "--no-log"]
    for name, value in case.typed.items():
        option = "--confirm" if name == "confirmed" else "--" + name.replace("_", "-")
        for one in value if isinstance(value, tuple) else (value,):
            words += [option, str(one)]
    told = CliRunner().invoke(main, words)
    assert told.exit_code == 0, told.output
    direct = score.measured(data, case.typed)
    said = json.loads(told.stdout)
    assert said["timing_deg_btdc"] == direct["timing_deg_btdc"]
    assert said["findings"] == direct["findings"]
    assert said["budget"]["expanded_deg"] == direct["budget"]["expanded_deg"]
