"""`sparkwitness check` as a script and as a person uses it."""

import json
import math
from typing import Any

import pytest
from click.testing import CliRunner
from scipy.optimize import brentq

from sparkwitness.cli import main
from sparkwitness.faces import safety


def call(*words: str, code: int = 0) -> Any:
    result = CliRunner().invoke(main, ["check", *words, "--json"])
    assert result.exit_code == code, result.output
    return json.loads(result.stdout)


def test_coil_takes_off_the_leads_and_the_heat() -> None:
    # 0.57 ohm net at 45 °C is 0.57 / (1 + 0.00393 * 25) = 0.519 ohm at 20 °C (IEC 60028).
    found = call("coil", "--primary", "0.72", "--primary-limits", "0.45", "0.65", "--lead", "0.15",
                 "--temp", "45")["primary"]  # fmt: skip
    assert found["verdict"] == "fine"
    assert found["at_20_ohm"] == pytest.approx(0.57 / 1.09825)
    assert 0.005 < found["expanded_ohm"] < 0.03


@pytest.mark.parametrize(
    ("reading", "verdict", "code"),
    [("open", "open", 4), ("0.2", "shorted", 4), ("0.9", "high", 4), ("0.55", "fine", 0),
     ("0.45", "unsure", 5)],
)  # fmt: skip
def test_coil_verdicts_and_exit_codes(reading: str, verdict: str, code: int) -> None:
    found = call("coil", "--primary", reading, "--primary-limits", "0.45", "0.65", code=code)
    assert found["primary"]["verdict"] == verdict


def test_dwell_against_a_root_finder_and_the_speed_where_it_stops_fitting() -> None:
    charge = call("coil", "--supply", "13.5", "--inductance", "5mH", "--resistance", "0.8",
                  "--current", "6", "--cylinders", "4", "--rpm", "3000")["charge"]  # fmt: skip
    dwell = brentq(lambda t: 13.5 / 0.8 * (1 - math.exp(-t * 0.8 / 5e-3)) - 6, 1e-6, 0.1)
    assert charge["dwell_s"] == pytest.approx(dwell, rel=1e-6)
    assert charge["energy_j"] == pytest.approx(0.090)
    # Four cylinders, one coil: two firings a turn, each with dwell and 1 ms of spark.
    assert charge["dwell_fits_up_to_rpm"] == pytest.approx(60 / (2 * (dwell + 1e-3)))
    assert charge["rows"][0]["rpm"] == 3000 and charge["rows"][0]["fits"]


def test_points_charge_less_as_the_engine_turns_faster() -> None:
    # Eight cylinders, points closed for 30 of 45 distributor degrees (trade textbook figure).
    found = call("coil", "--supply", "12", "--inductance", "8mH", "--resistance", "3",
                 "--cylinders", "8", "--dwell-share", "66.7", "--rpm", "600",
                 "--rpm", "6000")  # fmt: skip
    rows = found["charge"]["rows"]
    assert rows[0]["peak_a"] == pytest.approx(4.0, rel=0.02) and rows[1]["peak_a"] < 1.9
    assert rows[1]["dwell_s"] == pytest.approx(30 / (6 * 3000), rel=1e-3)


def test_capacitive_energy() -> None:
    found = call("coil", "--capacitor", "1uF", "--capacitor-volts", "450")
    assert found["capacitor_energy_j"] == pytest.approx(0.10125)


def test_supply_by_hand() -> None:
    assert call("supply", "--rest", "12.6", "--lowest", "10.2")["verdict"] == "fine"
    assert call("supply", "--rest", "12.6", "--lowest", "9.1", code=4)["verdict"] == "suspect"
    cold = call("supply", "--rest", "12.6", "--lowest", "9.1", "--temp", "-18")
    assert cold["verdict"] == "fine" and cold["limit_v"] == pytest.approx(8.5)
    typed = call("supply", "--rest", "12.6", "--lowest", "10.2", "--limit", "10.5", code=4)
    assert typed["verdict"] == "suspect"


def test_degrees_both_ways() -> None:
    assert call("degrees", "--ms", "1", "--rpm", "1000")["deg"] == pytest.approx(6)
    assert call("degrees", "--deg", "6", "--rpm", "1000")["ms"] == pytest.approx(1)
    assert call("degrees", "--deg", "6", "--ms", "1")["rpm"] == pytest.approx(1000)
    arc = call("degrees", "--deg", "10", "--diameter", "165")["arc"]
    assert arc == pytest.approx(math.pi * 165 / 36)
    back = call("degrees", "--arc", str(arc), "--diameter", "165", "--rpm", "1000")
    assert back["deg"] == pytest.approx(10) and back["ms"] == pytest.approx(10 / 6)


def test_cautions_stand_before_the_readings() -> None:
    text = (
        CliRunner()
        .invoke(main, ["check", "coil", "--primary", "0.55", "--primary-limits", "0.45", "0.65"])
        .output
    )
    first = safety.RESISTANCE.split()[0]
    assert "Take the leads off" in text and text.index(first) < text.index("primary")
    assert "service manual" in text
    text = (
        CliRunner()
        .invoke(main, ["check", "coil", "--capacitor", "1uF", "--capacitor-volts", "450"])
        .output
    )
    assert "500 V" in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["coil"], "--primary or --secondary"),
        (["coil", "--primary", "-1", "--primary-limits", "1", "2"], "cannot be"),
        (["coil", "--primary", "twelve", "--primary-limits", "1", "2"], "is not a value in ohm"),
        (["coil", "--primary", "1"], "limits too"),
        (["coil", "--primary-limits", "1", "2"], "the reading too"),
        (["coil", "--primary", "1", "--primary-limits", "2", "1"], "lower one first"),
        (["coil", "--primary", "1", "--primary-limits", "1", "2", "--temp", "400"], "cannot be"),
        (["coil", "--primary", "1", "--primary-limits", "1", "2", "--lead", "3"], "leads alone"),
        (["coil", "--supply", "12"], "both --supply and --inductance"),
        (["coil", "--supply", "12", "--inductance", "5mH", "--resistance", "1", "--current", "20"],
         "never reached"),
        (["coil", "--supply", "12", "--inductance", "0", "--resistance", "1", "--current", "2"],
         "above 0"),
        (["coil", "--supply", "12", "--inductance", "5mH", "--resistance", "1"],
         "either --current"),
        (["coil", "--current", "6"], "--supply and --inductance"),
        (["coil", "--capacitor", "1uF"], "both --capacitor"),
        (["supply", "--rest", "12.6"], "both --rest"),
        (["supply", "--rest", "volts", "--lowest", "9"], "is not a value in V"),
        (["supply", "--rest", "9", "--lowest", "12"], "above the rest"),
        (["supply", "--rest", "12", "--lowest", "9", "--simulate", "no-start"], "give one of"),
        (["supply", "--simulate", "no-such-engine"], "no-such-engine"),
        (["supply", "--from", "/nowhere.rec"], "nowhere"),
        (["degrees"], "give two of"),
        (["degrees", "--ms", "1"], "give two of"),
        (["degrees", "--ms", "1", "--deg", "2", "--rpm", "3"], "fix each other"),
        (["degrees", "--ms", "1", "--rpm", "0"], "above 0"),
        (["degrees", "--ms", "one", "--rpm", "1000"], "is not a number"),
        (["degrees", "--arc", "5"], "--diameter"),
        (["degrees", "--deg", "5", "--diameter", "-2"], "above 0"),
    ],
)  # fmt: skip
def test_nonsense_gets_one_sentence(words: list[str], says: str) -> None:
    result = CliRunner().invoke(main, ["check", *words])
    assert result.exit_code in (1, 2)
    assert says in result.output and "Traceback" not in result.output
    assert sum(line.startswith("Error:") for line in result.output.splitlines()) == 1
