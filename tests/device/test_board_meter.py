"""`sparkwitness board meter`, at MicroPython's own prompt on its own LittleFS."""

from __future__ import annotations

import json

import jsonschema
import pytest
from click.testing import CliRunner

from board_at_prompt import PromptBoard
from firmware_board import run_script
from sparkwitness.cli import main
from sparkwitness.device import install, meter
from sparkwitness.errors import UserError
from sparkwitness.faces import answers
from sparkwitness.records import engines
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup


def command(*words: str):
    # Patience: the machine that runs the tests may be busy.
    done = CliRunner().invoke(main, ["board", "meter", "--patience", "5", *words])
    assert "--json" not in words or done.exit_code == 0, done.output
    return done


ENGINE = Setup(
    Reference(36, 1, 1, 114.5, 0.2), commanded=15.0, cylinders=6, clamp="coil",
    falling=("crank",), sensor="vr",
)  # fmt: skip


def test_settings_are_written_for_an_engine_read_back_and_in_use(tmp_path, monkeypatch):
    monkeypatch.setenv("SPARKWITNESS_ENGINES", str(tmp_path / "engines"))
    engines.save("van", ENGINE)
    with PromptBoard(tmp_path) as board:
        install.install(board.port)
        found = json.loads(command("--port", board.port, "--json").stdout)
        assert found["kept"] is False
        assert found["settings"] == meter.plain(meter.first())
        said = command("--port", board.port, "--engine", "van", "--display", "sh1106")
        assert said.exit_code == 0, said.output
        assert "piston stop" in said.output
        assert "114.5° BTDC ± 0.4°" in said.output
        assert "36-1" in said.output
        # One value more; the others stay.
        said = command("--port", board.port, "--commanded", "12.5", "--json")
        assert said.exit_code == 0, said.output
        found = json.loads(said.stdout)
        assert found["written"] is True
        assert found["settings"] == {
            "teeth": 36, "missing": 1, "turns": 1, "index": False, "falling": True, "sensor": "vr",
            "reference_angle_deg_btdc": 114.5, "reference_expanded_deg": 0.4, "cylinders": 6,
            "strokes": 4, "clamp": "coil", "clamp_input": "clamp_a", "commanded_deg_btdc": 12.5,
            "display": "sh1106",
        }  # fmt: skip
        jsonschema.validate(found, answers.schema("board meter", closed=True))
        # A second look, and the firmware's own reader.
        again = json.loads(command("--port", board.port, "--json").stdout)
        assert again["settings"] == found["settings"]
    values = {
        **meter.from_setup(ENGINE, meter.first()), "commanded_mdeg": 12_500, "display": 1,
    }  # fmt: skip
    (tmp_path / "meter.json").write_text(meter.text(values))
    script = "import json, sys, settings\nprint(json.dumps(settings.load(sys.argv[1])))"
    assert json.loads(run_script(script, f"{tmp_path}/")) == [values, True]


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--engine", "nobody"], "no engine called"),
        (["--clear", "--cylinders", "4"], "--clear takes no other"),
    ],
)
def test_what_cannot_be_set_is_said(words, text, tmp_path, monkeypatch):
    monkeypatch.setenv("SPARKWITNESS_ENGINES", str(tmp_path))
    said = command("--port", "/dev/null", *words)
    assert said.exit_code != 0
    assert text in said.output
    assert "Traceback" not in said.output


def test_set_ups_that_the_meter_cannot_measure():
    def refused(**changed):
        values = {**ENGINE.to_dict(), **changed}
        with pytest.raises(UserError) as error:
            meter.from_setup(Setup.from_dict(values), meter.first())
        return error.value.message

    assert "where the clamp sits" in refused(clamp="auto")
    assert "falling edge" in refused(falling=())
    assert "rising edge only" in refused(falling=("crank", "clamp_a"))
    assert "teeth" in refused(reference={**ENGINE.to_dict()["reference"], "teeth": 360})


def test_a_set_up_comes_back_as_it_was():
    values = meter.from_setup(ENGINE, meter.first())
    again = Setup.from_dict({**meter.as_setup(values)})
    assert meter.from_setup(again, values) == values
    assert (again.reference.teeth, again.reference.angle) == (36, 114.5)
