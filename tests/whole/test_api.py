"""The public names: light to import, typed, right about a known truth, clear about bad input."""

import copy
import json
import pickle
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import sparkwitness
from sparkwitness import (
    Measurement,
    Number,
    Reference,
    Setup,
    UserError,
    measure_edges,
    measure_recording,
    recorded_setup,
    stream,
)
from sparkwitness.cli import sources

DATA = Path(__file__).resolve().parents[1] / "data"
SETUP = Setup(reference=Reference.parse("36-1", 60, 0.05), cylinders=4, clamp="plug", commanded=20)


def engine(btdc: float, rpm: float = 2400.0, cycles: int = 120, seed: int = 1, jitter: float = 0.1):
    """Times of a 36-1 wheel whose index edge passes at 60° BTDC, and sparks at `btdc`.

    By definition a turn of 360° takes 60 / rpm seconds; nothing of the package is used.
    """
    second = 1 / (6 * rpm)
    turns = np.arange(2 * cycles)[:, None] * 360.0
    crank = (turns + np.arange(35) * 10.0).ravel() * second
    noise = np.random.default_rng(seed).normal(0, jitter, cycles)
    return crank, (np.arange(cycles) * 720.0 + 60.0 - btdc + noise) * second


def modules_after(code: str) -> set[str]:
    """Packages loaded by a fresh interpreter."""
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return set(done.stdout.split())


def test_numbers_and_lists_from_arrays_are_taken_as_ones_own():
    wheel = Reference(np.int64(36), np.int8(1), angle=np.float32(60), u_angle=np.float64(0.05))
    given = Setup(
        reference=wheel, cylinders=np.int64(4), clamp="plug", commanded=np.float32(20),
        order=np.array([1, 3, 4, 2]), firing=[0, 180, 360, 540],
    )  # fmt: skip
    assert given == replace(SETUP, order=(1, 3, 4, 2), firing=(0, 180, 360, 540))
    assert json.loads(json.dumps(given.cylinders)) == 4 and type(wheel.teeth) is int
    with pytest.raises(UserError, match=r"cylinders must be a whole number, not 4\.0"):
        replace(SETUP, cylinders=np.float64(4))


def test_the_import_loads_nothing_but_the_standard_library():
    new = modules_after("import sparkwitness") - modules_after("import importlib, typing")
    assert new == {"sparkwitness"}


def test_measuring_from_arrays_needs_no_terminal_and_no_port():
    code = "import sparkwitness as s; s.measure_edges, s.measure_recording, s.stream, s.Setup"
    loaded = modules_after(code)
    assert "numpy" in loaded
    heavy = {"rich", "click", "serial", "matplotlib", "starlette", "sparkwitness.simulator"}
    assert not loaded & heavy


def test_every_public_name_is_there():
    for name in sparkwitness.__all__:
        assert getattr(sparkwitness, name).__doc__
        assert name in dir(sparkwitness)
    with pytest.raises(AttributeError, match="no attribute 'measure_edge'"):
        _ = sparkwitness.measure_edge
    assert Path(sparkwitness.__file__).with_name("py.typed").exists()


@pytest.mark.parametrize("truth", [-4.0, 11.5, 20.0, 38.25])
def test_own_edges_give_the_known_angle(truth: float):
    result = measure_edges(*engine(truth), SETUP)
    assert result.timing is not None and result.error is not None and result.rpm is not None
    assert abs(result.timing - truth) <= result.timing.u95 < 0.15
    assert result.error == result.timing - 20 and result.error.u95 == result.timing.u95
    assert abs(result.rpm - 2400) <= max(result.rpm.u95, 2400 * 1e-9)
    assert not result.loss.any()


def test_the_interval_holds_the_truth_as_often_as_it_says():
    # The reference angle is off by a normal error of the stated size, as a typed one is.
    rng, inside = np.random.default_rng(5), 0
    for seed in range(200):
        crank, spark = engine(15.0, seed=seed)
        typed = replace(SETUP.reference, angle=60 + float(rng.normal(0, 0.05)))
        timing = measure_edges(crank, spark, replace(SETUP, reference=typed)).timing
        assert timing is not None
        inside += abs(timing - 15.0) <= timing.u95
    # Binomial, n = 200: 3 standard deviations below 95 % is 181.
    assert inside >= 181


def test_when_the_clock_began_and_how_fine_it_is_changes_little():
    crank, spark = engine(17.0)
    result = measure_edges(crank, spark, SETUP)
    later = measure_edges(crank + 86_400.0, spark + 86_400.0, SETUP)
    coarse = measure_edges(np.round(crank, 5), np.round(spark, 5), SETUP, resolution_s=1e-5)
    assert later.timing == pytest.approx(result.timing, abs=1e-4)
    # 10 µs at 2400 rev/min are 0.144°; both ends rectangular: 0.144 / sqrt(6).
    line = {c.name: c.u for c in coarse.budget.components}["time stamp"]
    assert line == pytest.approx(6 * 2400 * 1e-5 / 6**0.5, rel=1e-6)
    assert abs(coarse.timing - 17.0) <= coarse.timing.u95


def test_a_logger_is_not_taken_for_a_board():
    # Without a typed delay the board's front end would shift the angle; a logger has none.
    crank, spark = engine(10.0, jitter=0.0)
    assert measure_edges(crank, spark, SETUP).timing == pytest.approx(10.0, abs=1e-3)
    late = measure_edges(crank, spark + 20e-6, replace(SETUP, delay_us=20.0, u_delay_us=1.0))
    assert late.timing == pytest.approx(10.0, abs=1e-3)


def test_nothing_to_measure_is_a_finding():
    crank, _ = engine(10.0)
    for result in (measure_edges([], [], SETUP), measure_edges(crank, [], SETUP)):
        assert result.timing is None and result.findings[0].code in ("no_reference", "no_spark")


@pytest.mark.parametrize(
    ("crank", "spark", "more", "words"),
    [
        ([0, 1, 1], [], {}, "crank times must rise .* element 2"),
        ([0, 1], [3, 2], {}, "spark times must rise .* element 1"),
        ([[0, 1], [2, 3]], [], {}, "one row, not 2 dimensions"),
        ([0, float("nan")], [], {}, "element 1 is not"),
        (["a"], [], {}, "must be numbers, in seconds"),
        ([0, 1e30], [], {}, "are they in seconds"),
        ([0, 1], [], {"resolution_s": 0}, "resolution must be from"),
        ([0, 1], [], {"resolution_s": float("nan")}, "resolution must be from"),
        ([0, 1e-9], [], {}, "rise by 2.4e-08 s or more"),
    ],
)
def test_bad_times_get_one_sentence(crank, spark, more, words):
    with pytest.raises(UserError, match=words):
        measure_edges(crank, spark, SETUP, **more)


def test_a_recording_gives_the_numbers_it_gave():
    stored = json.loads((DATA / "idle-four.json").read_text())
    result = measure_recording(DATA / "idle-four.swrec")
    assert isinstance(result, Measurement)
    plain = result.as_dict()
    for name in ("timing_deg_btdc", "timing_expanded_deg", "rpm", "events", "seconds"):
        assert plain[name] == stored[name], name
    typed = recorded_setup(str(DATA / "idle-four.swrec"))
    assert measure_recording(str(DATA / "idle-four.swrec"), typed).as_dict() == plain
    json.dumps(plain, allow_nan=False)


def test_recordings_that_are_none_get_one_sentence(tmp_path: Path):
    with pytest.raises(UserError, match="cannot read"):
        measure_recording(tmp_path / "none.swrec")
    bare = tmp_path / "bare.swrec"
    header, _, data = (DATA / "idle-four.swrec").read_bytes().partition(b"\n")
    bare.write_bytes(json.dumps({**json.loads(header), "setup": None}).encode() + b"\n" + data)
    with pytest.raises(UserError, match="does not say what was typed"):
        measure_recording(bare)


def test_a_number_is_a_float_with_its_uncertainty():
    number = Number(20.5, 0.25)
    assert number == 20.5 and f"{number:.1f} ± {number.u95:.2f}" == "20.5 ± 0.25"
    for same in (copy.deepcopy(number), pickle.loads(pickle.dumps(number))):
        assert same == number and same.u95 == 0.25
    assert json.dumps({"a": number}) == '{"a": 20.5}'
    assert type(number + 1) is float


@pytest.mark.slow
def test_a_live_board_gives_measurements_and_is_stopped():
    with sources.board("idle-four", None) as source:
        setup = Setup.from_dict(source.setup)
        for result in stream(source.port, setup):
            if result.ready:
                break
        truth = source.simulated.world.truth()
        true = float(np.mean(truth.btdc_deg[truth.sparks > 0]))
        assert result.timing is not None
        assert abs(result.timing - true) <= result.timing.u95
        # The loop was left, so the board is free for the next one.
        assert next(iter(stream(source.port, setup))).findings is not None


def test_no_board_gets_one_sentence():
    with pytest.raises(UserError, match="no-such-port"):
        next(iter(stream("/dev/no-such-port", SETUP)))
