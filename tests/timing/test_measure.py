"""The main job on the real firmware under MicroPython, and on what can go wrong with it."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from sparkwitness import cli
from sparkwitness.cli import sources
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device import run as session
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError
from sparkwitness.timing import measure
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup
from test_edges import damage

pytestmark = pytest.mark.slow  # all through the simulated board


def simulate(scenario, tmp_path=None, seed=1, **changes):
    """One run through the firmware; returns (result, setup, truth, path of the recording)."""
    with sources.board(scenario, None, seed=seed) as source, Link(source.port) as board:
        assert source.simulated.interpreter.startswith("MicroPython")
        setup = replace(Setup.from_dict(source.setup), **changes)
        path = tmp_path / f"{scenario}.swrec" if tmp_path else None
        recorder = Recorder(path, board.hello, setup.to_dict()) if path else None
        result = session.run(board, setup, recorder, lambda _: None)
        return result, setup, source.simulated.world.truth(), path


def replay(path, setup, chunk=1 << 20):
    analyzer = Analyzer(setup, Recording(path).tick_ps)
    for data in Recording(path).chunks(chunk):
        analyzer.feed(data)
    return measure.evaluate(setup, analyzer.finish())


@pytest.fixture(scope="module")
def marine(tmp_path_factory):
    return simulate("marine-four", tmp_path_factory.mktemp("marine"))


def test_late_distributor_is_found_within_its_interval(marine):
    result, setup, truth, _ = marine
    assert result.expanded <= 0.3
    assert abs(result.error + 4.6) <= result.expanded
    true = truth.btdc_deg[truth.sparks > 0].mean()
    assert abs(result.timing - true) <= result.expanded
    # The controller counts quarters of a distributor degree here, and a larger number retards.
    assert setup.gain == -2 and setup.step == 0.25 and result.advice.setting == 3.25
    assert not result.loss.any()


def test_sparks_per_event_are_the_truth(marine):
    result, _, truth, _ = marine
    counts = truth.sparks[truth.sparks > 0]
    share = {int(k): float(np.mean(counts == k)) for k in np.unique(counts)}
    total = sum(result.sparks.values())
    for number, part in share.items():
        assert abs(result.sparks.get(number, 0) / total - part) < 0.1
    assert abs(result.spacing_us - 640) < 5


@pytest.mark.parametrize("chunk", [1 << 20, 1000, 17])
def test_recording_gives_the_same_numbers_bit_for_bit(marine, chunk):
    result, setup, _, path = marine
    assert replay(path, setup, chunk).to_dict() == result.to_dict()
    assert Setup.from_dict(Recording(path).setup) == setup


def test_setting_corrects_the_controller():
    with sources.board("marine-four", None) as source:
        setup = Setup.from_dict(source.setup)
        for expected in (-4.6, -0.1):
            with Link(source.port) as board:
                result = session.run(board, setup, None, lambda _: None)
            assert abs(result.error - expected) <= result.expanded <= 0.3
            source.enter_setting(result.advice.setting)
            setup = replace(setup, setting=result.advice.setting)


@pytest.mark.parametrize("scenario", ["idle-four", "noisy-four", "wasted-twin", "cam-pulse",
                                      "pulse-near", "pulse-far", "fast-six"])  # fmt: skip
def test_every_healthy_scenario_is_within_its_interval(scenario):
    result, _, truth, _ = simulate(scenario, u_delay_us=5.0)
    assert result.timing is not None, result.findings
    mine = truth.on_a & (truth.sparks > 0)
    true = float(np.mean(truth.btdc_deg[mine]))
    off = abs((result.timing - true + 180) % 360 - 180)
    assert off <= result.expanded * 1.5, (off, result.expanded)
    assert not result.loss.any()


def test_no_spark_is_a_finding():
    result, _, _, _ = simulate("no-start")
    text = result.findings[0].text
    assert result.findings[0].code == "no_spark" and result.timing is None
    assert re.fullmatch(r"no spark on clamp A in \d+ s while the crank turned at 1[78]\d rpm", text)
    assert result.seconds >= 12


def test_no_reference_is_a_finding():
    result, _, _, _ = simulate("no-reference")
    assert result.findings[0].code == "no_reference"


def test_wrong_wheel_is_a_finding_not_an_angle():
    result, _, _, _ = simulate("marine-four", reference=Reference(60, 2, angle=68))
    assert result.findings[0].code == "no_sync" and result.timing is None


def test_wrong_cylinder_count_is_a_finding_not_an_angle():
    result, _, _, _ = simulate("marine-four", cylinders=6)
    assert result.findings[0].code == "spacing" and result.timing is None


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    kinds=st.lists(st.sampled_from(["drop", "flip", "repeat", "insert"]), min_size=1, max_size=12),
)
def test_damage_in_the_stream_never_makes_a_wrong_angle(marine, seed, kinds):
    result, setup, _, path = marine
    data = b"".join(Recording(path).chunks())
    analyzer = Analyzer(setup)
    analyzer.feed(damage(np.random.default_rng(seed), data, kinds))
    tables = analyzer.finish()
    again = measure.evaluate(setup, tables)
    if again.timing is not None:
        assert abs(again.timing - result.timing) < 0.1
    # No single event may stand where the undamaged stream has none.
    whole = Analyzer(setup)
    whole.feed(data)
    truth = whole.finish()
    known = np.isfinite(tables.sparks.degrees)
    at = np.searchsorted(truth.sparks.tick, tables.sparks.tick[known])
    same = truth.sparks.tick[np.minimum(at, len(truth.sparks.tick) - 1)]
    # A ringing edge may come through where the edge before it was lost; never one made up.
    missing = tables.sparks.tick[known] != same
    assert missing.mean() < 0.02
    off = tables.sparks.degrees[known][~missing] - truth.sparks.degrees[at[~missing]]
    off = off[np.isfinite(off)]
    assert np.abs((off + 180) % 360 - 180).max(initial=0) < 0.05


SETUP = ["--commanded", "9", "--reference", "36-1", "--reference-angle", "68"]


def invoke(*arguments, **more):
    return CliRunner().invoke(cli.main, list(arguments), **more)


def sentence(result) -> str:
    """The one sentence of a refusal; fails on a traceback or a zero exit."""
    assert result.exit_code != 0
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result.output.strip().splitlines()[-1]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--port", "/dev/nowhere"], "no such port"),
        (["--port", "socket://127.0.0.1:1"], "cannot open"),
        (["--port", "nonsense://x"], "not a port"),
        (["--commanded", "400"], "commanded must be from -60 to 80"),
        (["--commanded", "nan"], "not a usable number"),
        (["--commanded", "twenty"], "is not a number"),
        (["--cylinders", "0"], "cylinders must be from 1 to 16"),
        (["--strokes", "3"], "strokes must be one of 2, 4"),
        (["--reference", "36-40"], "cannot have 40 left out"),
        (["--target", "0"], "target must be from 0.01"),
        (["--simulate", "no-such-engine"], "no-such-engine"),
        (["--simulate", "idle-four", "--port", "x"], "give one of"),
    ],
)
def test_bad_input_gets_one_sentence(arguments, words):
    simulated = [] if any(a in ("--port", "--simulate") for a in arguments) else [
        "--simulate", "idle-four"]  # fmt: skip
    assert words in sentence(invoke("measure", "--yes", *SETUP, *simulated, *arguments))


def test_nothing_typed_says_what_is_missing(tmp_path):
    assert "--reference" in sentence(invoke("measure", "--port", "/dev/null"))


def test_files_that_are_no_recording(tmp_path):
    for name, content, words in (
        ("text", b"hello\nworld", "is not a sparkwitness recording"),
        ("binary", bytes(range(256)) * 40, "is not a sparkwitness recording"),
        ("nothing", b"", "is not a sparkwitness recording"),
        ("empty", b'{"format": "sparkwitness recording", "version": 1}\n', "empty recording"),
        ("later", b'{"format": "sparkwitness recording", "version": 9}\nx', "format 9"),
        ("tick", b'{"format": "sparkwitness recording", "version": 1}\nx', "tick length"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        assert words in sentence(invoke("measure", *SETUP, "--from", str(path)))
    assert "cannot read" in sentence(invoke("measure", *SETUP, "--from", str(tmp_path / "none")))
    header = {"format": "sparkwitness recording", "version": 1, "board": {"tick_ps": 24000}}
    (tmp_path / "noise").write_bytes(json.dumps(header).encode() + b"\n" + b"\x01\x00" * 999)
    found = sentence(invoke("measure", *SETUP, "--from", str(tmp_path / "noise")))
    assert "not one good frame" in found


def test_recording_is_never_overwritten(tmp_path):
    path = tmp_path / "kept"
    path.write_bytes(b"precious")
    found = sentence(invoke("measure", "--simulate", "idle-four", "--record", str(path)))
    assert "never overwritten" in found and path.read_bytes() == b"precious"


@pytest.mark.parametrize("cut", [0.1, 0.5, 0.999])
def test_recording_cut_anywhere_is_readable(marine, tmp_path, cut):
    result, setup, _, path = marine
    data = path.read_bytes()
    short = tmp_path / "short"
    start = data.index(b"\n") + 2
    short.write_bytes(data[: start + int(cut * (len(data) - start))])
    again = replay(short, setup)
    assert again.loss.frames_damaged <= 1
    assert again.timing is None or abs(again.timing - result.timing) < 0.5


def test_json_for_scripts():
    done = invoke("measure", "--simulate", "marine-four", "--json")
    assert done.exit_code == 0
    values = json.loads(done.stdout)
    assert abs(values["error_deg"] + 4.6) <= values["error_expanded_deg"]
    assert values["advice"]["next_setting"] == 3.25 and values["loss"]["edges_lost"] == [0, 0, 0, 0]
    found = invoke("measure", "--simulate", "no-start", "--json")
    assert found.exit_code == 3
    assert json.loads(found.stdout)["findings"][0]["code"] == "no_spark"


@pytest.mark.parametrize("bad", [{"commanded": float("nan")}, {"least": 3, "most": 2},
                                 {"clamp": "belt"}, {"swing": 2.0}])  # fmt: skip
def test_setup_refuses_nonsense(bad):
    with pytest.raises(UserError):
        Setup(Reference(36, 1), **bad)
