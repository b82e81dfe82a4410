"""What commands print as JSON is what `sparkwitness schema` says: jsonschema is the judge.

`tests/conftest.py` has each answer of all other tests judged in the same way, where they run in one
process: boards that are installed, searches with answers, bench tests, curves and refusals.
"""

import json
from pathlib import Path

import click
import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner, Result

from sparkwitness import cli
from sparkwitness.faces import answers

CHAIN = ("--switch", "inductive", "--trigger", "pickup", "--sensor", "coil",
         "--distribution", "leads", "--feed", "steady", "--by-hand")  # fmt: skip
UNITS = {
    "deg", "btdc", "rpm", "us", "ms", "ns", "ps", "hz", "s", "v", "mv", "ohm", "henry", "a", "w",
    "j", "c", "permille", "min", "minutes", "seconds", "minute", "bits", "share",
}  # fmt: skip
# Numbers with no unit in their name: shares, ratios and powers; means of counts; the setting in the
# controller's own unit; and parts of an object whose key or `unit` tells it.
_BARE = """
supply_relative_expanded
after an_answer_wrong answers_without_scatter arc before between change change_standard
confidence_each confidence_together correlation coverage_factor diameter drop_out_change
drop_out_change_95 drop_outs_together each_wrong exact_setting expanded fits freedom high least
left low margins mean misfit_probability most moved named_alike next_setting odds per_x
per_x_standard possible_sparks_per_rev probability probability_high probability_low
result_probability revolutions second setting setting_expanded setting_least setting_most
setting_step sparks_per_event sparks_per_rev speed_swing spread standard_deviation
standard_deviation_expanded standard_scatter standard_spread sure together torque_index
torque_interval two_links value width width_high width_low
"""


def run(*typed: object) -> Result:
    return CliRunner().invoke(cli.main, [str(one) for one in typed])


def judged(command: str, *typed: object, code: int = 0) -> dict:
    """The answer, after its schema has passed it; names that are not in it are refused."""
    done = run(*typed, *(() if "--json" in typed else ("--json",)))
    assert done.exit_code == code, done.output
    answer = json.loads(done.stdout, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    jsonschema.validate(answer, answers.schema(command, closed=True))
    return answer


def test_every_command_that_prints_json_has_a_schema_and_no_other():
    found = set()

    def walk(command: click.Command, ctx: click.Context, name: str) -> None:
        if any("--json" in option.opts for option in command.params):
            found.add(name)
        if isinstance(command, click.Group):
            for one in command.list_commands(ctx):
                inner = command.get_command(ctx, one)
                assert inner is not None
                walk(inner, click.Context(inner, parent=ctx), f"{name} {one}".strip())

    walk(cli.main, click.Context(cli.main), "")
    assert found | {"bench --claim-only", "logbook export"} == set(answers.commands())
    assert run("schema", "--list").stdout.split("\n")[:-1] == list(answers.commands())


@pytest.mark.parametrize("command", [None, *answers.commands()])
def test_each_schema_is_one(command: str | None):
    typed = (command or "").split()
    done = run("schema", *typed) if "--" not in (command or "") else run("schema", "--", *typed)
    schema = json.loads(done.stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema == answers.schema(command)


def test_an_unknown_command_gets_a_sentence():
    done = run("schema", "sing")
    assert done.exit_code == 1 and "'sing'" in done.output and "measure" in done.output


def test_units_are_in_the_names():
    bare = {
        name for _, name, kind in answers.names()
        if kind in ("number", "span") and not set(name.split("_")) & UNITS
    }  # fmt: skip
    assert bare == set(_BARE.split())


def test_measure(marine):
    answer = judged("measure", "measure", "--from", marine.path, "--no-log")
    assert list(answer)[:2] == ["command", "schema"]
    # The same numbers, to the last digit, under names with units.
    assert answer["timing_deg_btdc"] == marine.result.timing
    assert answer["setup"]["commanded_deg_btdc"] == marine.setup.commanded
    assert answer["setup"]["reference"]["angle_deg_btdc"] == marine.setup.reference.angle
    assert answer["advice"]["next_setting"] == marine.result.advice.setting
    lines = answer["budget"]["components"]
    assert np.hypot.reduce([one["standard_deg"] for one in lines]) == pytest.approx(
        answer["timing_expanded_deg"] / 2
    )


def test_what_needs_no_board(tmp_path: Path, marine, corrected, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("SPARKWITNESS_LOGBOOK", str(tmp_path / "book.db"))
    monkeypatch.chdir(tmp_path)
    first = judged("measure", "measure", "--from", marine.path)["run"]
    then = judged("measure", "measure", "--from", corrected.path)["run"]
    judged("logbook list", "logbook", "list")
    shown = judged("logbook show", "logbook", "show", first)
    assert shown["result"]["timing_deg_btdc"] == marine.result.timing
    judged("logbook recompute", "logbook", "recompute", first)
    judged("logbook tidy", "logbook", "tidy", "--yes")
    for line in run("logbook", "export").stdout.splitlines():
        jsonschema.validate(json.loads(line), answers.schema("logbook export", closed=True))
    assert judged("compare", "compare", first, then)["changes"]
    judged("export", "export", marine.path, "--to", "csv", "--out", "told")
    out = tmp_path / "other.csv"
    times = np.arange(1, 400)
    out.write_text(
        "time_s,channel\n"
        + "".join(f"{0.01 * k:.6f},crank\n{0.01 * k + 0.004321:.6f},clamp\n" for k in times)
    )
    judged("import", "import", out, "--channel", "crank=crank", "--channel", "clamp_a=clamp")
    judged("summarize", "summarize", marine.path.parent, "--out", "all.parquet", "--jobs", 1)
    run("engine", "add", "Teal", "--reference", "36-1", "--reference-angle", 60)
    judged("engine list", "engine", "list")
    assert judged("engine show", "engine", "show", "Teal")["setup"]["reference"]["teeth"] == 36
    run("engine", "remove", "Teal", "--yes")
    judged("findfault", "findfault", *CHAIN, code=3)
    run("case", "start", "does not start")
    judged("case list", "case", "list")
    judged("case show", "case", "show", 1)
    judged("scenarios", "scenarios")
    judged("board list", "board", "list")
    judged("bench --claim-only", "bench", "--claim", "9@2000", "--claim-only")


def test_checks_and_stops():
    judged(
        "check coil", "check", "coil", "--primary", "0.72", "--primary-limits", "0.45", "0.65",
        "--supply", "13.5", "--inductance", "5mH", "--resistance", "0.8", "--current", "6",
        "--capacitor", "1uF", "--capacitor-volts", "450", code=4,
    )  # fmt: skip
    judged("check supply", "check", "supply", "--rest", "12.6", "--lowest", "10.1")
    judged("check degrees", "check", "degrees", "--ms", "1", "--rpm", "1000")
    found = judged("tdc stops", "tdc", "stops", "--pulse", 5, "--json", "--", -34.5, 31.5)
    assert found["tdc_deg"] == -1.5 and found["reference_angle_deg_btdc"] == -6.5
