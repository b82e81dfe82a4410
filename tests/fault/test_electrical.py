"""Electrical arithmetic against published tables, worked examples, a circuit simulator and
reference libraries."""

import math
import re
import shutil
import subprocess
from itertools import pairwise

import numpy as np
import pytest
from GTC import ureal
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from sparkwitness.fault import electrical as el

# Multiplying factors for the resistance of copper wire, 25 °C = 1, as a published wire-resistance
# table prints them for 25 to 200 °C.
WIRE_TABLE_25 = {
    25: 1.000, 40: 1.058, 50: 1.096, 55: 1.116, 60: 1.135, 65: 1.154, 70: 1.173, 75: 1.193,
    80: 1.212, 85: 1.231, 90: 1.250, 100: 1.289, 105: 1.308, 125: 1.385, 130: 1.404, 150: 1.482,
    200: 1.674,
}  # fmt: skip
# IEC 60228:2004, annex A, table of k_t with R20 = R_t k_t, printed from 250/(230 + t), which is
# meant for copper and aluminium alike; its annex B gives copper exactly as 254.5/(234.5 + t).
IEC_60228_A = {
    5: 1.064, 10: 1.042, 15: 1.020, 20: 1.000, 25: 0.980, 30: 0.962, 35: 0.943, 40: 0.926,
    50: 0.893, 60: 0.862, 70: 0.833, 80: 0.806, 90: 0.781, 100: 0.758,
}  # fmt: skip
# Temperature coefficient of copper referred to other temperatures: Copper Wire Tables, National
# Bureau of Standards Handbook 100 (from memory).
NBS_ALPHA = {0: 0.00427, 15: 0.00401, 20: 0.00393, 25: 0.00385, 30: 0.00378, 50: 0.00352}


@pytest.mark.parametrize("celsius", WIRE_TABLE_25)
def test_copper_follows_a_published_wire_table(celsius: int) -> None:
    factor = el.copper_at_20(1.0, 25) / el.copper_at_20(1.0, celsius)
    assert factor == pytest.approx(WIRE_TABLE_25[celsius], abs=8e-4)


@pytest.mark.parametrize("celsius", IEC_60228_A)
def test_copper_follows_iec_60228(celsius: int) -> None:
    k = el.copper_at_20(1.0, celsius)
    assert k == pytest.approx(254.5 / (234.5 + celsius), abs=1e-4)  # annex B
    assert k == pytest.approx(IEC_60228_A[celsius], rel=5e-3)  # annex A, both metals


@pytest.mark.parametrize("celsius", NBS_ALPHA)
def test_copper_follows_the_copper_wire_tables(celsius: int) -> None:
    at, warmer = 1 / el.copper_at_20(1.0, celsius), 1 / el.copper_at_20(1.0, celsius + 1)
    assert warmer / at - 1 == pytest.approx(NBS_ALPHA[celsius], abs=6e-6)


@given(
    st.floats(0.05, 5e4), st.floats(0, 0.5), st.floats(-20, 120), st.floats(0, 3),
    st.floats(0, 0.02), st.floats(0, 15),
)  # fmt: skip
def test_winding_uncertainty_agrees_with_gtc(
    net: float, leads: float, celsius: float, percent: float, digit: float, half: float
) -> None:
    """Against the uncertainty library GTC (JCGM 100 propagation)."""
    reading = net + leads
    found = el.winding_at_20(
        reading, leads=leads, celsius=celsius, percent=percent, digit=digit, celsius_half=half
    )
    r3 = math.sqrt(3)
    total = ureal(reading, math.hypot(reading * percent / 100, digit) / r3)
    own = ureal(leads, (math.hypot(leads * percent / 100, digit) if leads else 0.0) / r3)
    hot = ureal(celsius, half / r3)
    r20 = (total - own) / (1 + 0.00393 * (hot - 20))
    assert found.value == pytest.approx(r20.x, rel=1e-12)
    assert found.expanded == pytest.approx(2 * r20.u, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize(
    ("reading", "verdict"),
    [(0.40, "shorted"), (0.45, "unsure"), (0.55, "fine"), (0.65, "unsure"), (0.72, "high"),
     (math.inf, "open"), (20.0, "open")],
)  # fmt: skip
def test_verdict_needs_the_whole_interval_on_one_side(reading: float, verdict: str) -> None:
    found = el.judge_winding(reading, (0.45, 0.65), percent=1.0)
    assert found.verdict == verdict
    if found.at_20 is not None and verdict == "fine":
        assert found.at_20.low >= 0.45 and found.at_20.high <= 0.65


def test_what_is_not_typed_of_a_winding() -> None:
    """20 °C to 5 K, a meter of 1 % and no leads: rectangular half-widths, JCGM 100, 4.3.7."""
    found = el.winding_at_20(2.0)
    u = 2.0 * math.hypot(0.01, 0.00393 * 5) / math.sqrt(3)
    assert (found.value, found.expanded) == pytest.approx((2.0, 2 * u), rel=1e-9)
    judged = el.judge_winding(2.0, (1.0, 3.0))
    assert judged.at_20 == found and judged.limits == (1.0, 3.0)


def test_hot_coil_and_leads_would_fool_a_plain_reading() -> None:
    # 0.60 ohm at 20 °C read at 80 °C through leads of 0.15 ohm shows 0.89 ohm.
    reading = 0.60 * (1 + 0.00393 * 60) + 0.15
    assert el.judge_winding(reading, (0.5, 0.7)).verdict == "high"
    assert el.judge_winding(reading, (0.5, 0.7), leads=0.15, celsius=80).verdict == "fine"


CIRCUITS = [(13.5, 0.8, 5e-3), (6.0, 3.0, 8e-3), (9.6, 0.45, 2.5e-3), (14.0, 1.2, 3e-3)]


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize(("volts", "ohm", "henry"), CIRCUITS)
def test_current_rise_follows_ngspice(volts: float, ohm: float, henry: float) -> None:
    """The same RL circuit in ngspice's transient analysis, within 0.5 %."""
    end = 4 * henry / ohm
    deck = f"""* primary
V1 1 0 {volts}
R1 1 2 {ohm}
L1 2 0 {henry} ic=0
.tran {end / 400} {end} 0 {end / 2000} uic
.control
run
print -i(v1)
.endc
.end
"""
    said = subprocess.run(
        ["ngspice", "-b"], input=deck, capture_output=True, text=True, timeout=60, check=False
    ).stdout
    rows = re.findall(r"^\d+\s+(\S+)\s+(\S+)\s*$", said, re.MULTILINE)
    t, amps = np.array(rows, dtype=float).T
    assert len(t) > 300
    ours = el.primary_current(t, volts, ohm, henry)
    after = amps > 0.01 * amps.max()
    assert np.max(np.abs(ours[after] / amps[after] - 1)) < 0.005


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_dwell_follows_ngspice() -> None:
    """ngspice measures when the current crosses 6 A."""
    deck = """* dwell
V1 1 0 13.5
R1 1 2 0.8
L1 2 0 5m ic=0
.tran 1u 5m 0 1u uic
.meas tran dwell when i(L1)=6
.end
"""
    said = subprocess.run(
        ["ngspice", "-b"], input=deck, capture_output=True, text=True, timeout=60, check=False
    ).stdout
    found = re.search(r"dwell\s*=\s*(\S+)", said)
    assert found
    assert el.dwell_for(6, 13.5, 0.8, 5e-3) == pytest.approx(float(found[1]), rel=0.005)


def test_time_constant_of_the_college_physics_example() -> None:
    # OpenStax College Physics 23.10: 7.50 mH with 3.00 ohm has a time constant of 2.50 ms; the
    # current falls from 10.0 A to 1.35 A in 5.00 ms, so it rises by 10.0 - 1.35 A (from memory).
    risen = el.primary_current(5e-3, 30.0, 3.0, 7.5e-3)
    assert float(risen) == pytest.approx(10.0 - 1.35, abs=0.005)
    assert el.dwell_for(10 * (1 - math.exp(-1)), 30.0, 3.0, 7.5e-3) == pytest.approx(2.5e-3)


@given(
    st.floats(200, 9000), st.floats(5e-4, 8e-3), st.floats(6, 15), st.floats(0.3, 3),
    st.floats(1e-3, 1e-2), st.sampled_from([1, 2, 4, 8]),
)  # fmt: skip
def test_average_and_rms_current_against_quadrature(
    rpm: float, dwell: float, volts: float, ohm: float, henry: float, cylinders: int
) -> None:
    """The closed forms against numerical integration of the current (scipy)."""
    table = el.charge_against_rpm([rpm], dwell, volts, ohm, henry, firings=cylinders)
    period = 120.0 / (rpm * cylinders)
    charge = float(table.dwell[0])
    assert table.fits[0] == (dwell <= max(period - 1e-3, 0))

    def amps(t: float) -> float:
        return float(el.primary_current(t, volts, ohm, henry))

    average = quad(amps, 0, charge)[0] / period
    square = quad(lambda t: amps(t) ** 2, 0, charge)[0] / period
    assert table.average[0] == pytest.approx(average, rel=1e-6, abs=1e-9)
    assert table.rms[0] == pytest.approx(math.sqrt(square), rel=1e-6, abs=1e-6)
    assert table.heat[0] == pytest.approx(square * ohm, rel=1e-6, abs=1e-9)


def test_dwell_stops_fitting_where_the_table_says_so() -> None:
    dwell = el.dwell_for(6, 13.5, 0.8, 5e-3)
    top = el.highest_rpm(dwell, 4)
    table = el.charge_against_rpm([top * 0.999, top * 1.001], dwell, 13.5, 0.8, 5e-3, firings=4)
    assert table.fits.tolist() == [True, False]
    assert table.peak[0] == pytest.approx(6) and table.peak[1] < 6


def test_firing_period_of_a_textbook_four() -> None:
    # Four-stroke four at 2000 rpm: 4000 sparks a minute (trade school textbook on dwell).
    assert 60 / float(el.firing_period(2000, 4)) == pytest.approx(4000)


def test_stored_energy_follows_the_fields_own_integral() -> None:
    """½LI² and ½CV² as the integral of power while charging (scipy), not the formula again."""
    henry, farad = 5e-3, 1e-6
    assert el.coil_energy(henry, 6) == pytest.approx(quad(lambda i: henry * i, 0, 6)[0])
    assert el.capacitor_energy(farad, 450) == pytest.approx(quad(lambda v: farad * v, 0, 450)[0])


# Load-test table of a 12 V battery as vehicle workshop manuals print it: °F and volts.
LOAD_TEST = [(70, 9.6), (60, 9.5), (50, 9.4), (40, 9.3), (30, 9.1), (20, 8.9), (10, 8.7), (0, 8.5)]


@pytest.mark.parametrize(("fahrenheit", "volts"), LOAD_TEST)
def test_lowest_cranking_voltage_follows_the_load_test_table(
    fahrenheit: float, volts: float
) -> None:
    assert el.lowest_cranking((fahrenheit - 32) / 1.8) == pytest.approx(volts, abs=0.03)


def test_lowest_cranking_voltage_between_its_rows_and_beyond() -> None:
    """The same table to whole °C, 70 °F being 20 °C and warmer: half way it is the mean."""
    rows = [(min(20, round((f - 32) / 1.8)), v) for f, v in LOAD_TEST][::-1]
    for (at, volts), (warmer, more) in pairwise(rows):
        assert el.lowest_cranking(at) == pytest.approx(volts)
        assert el.lowest_cranking((at + warmer) / 2) == pytest.approx((volts + more) / 2)
    assert (el.lowest_cranking(-30), el.lowest_cranking(20), el.lowest_cranking(40)) == (
        8.5, 9.6, 9.6,
    )  # fmt: skip


@pytest.mark.parametrize("name", ["reading", "leads", "percent", "digit"])
def test_each_number_of_a_meter_from_both_sides(name: str) -> None:
    fine = {"leads": 0.0, "percent": 0.0, "digit": 0.0, "celsius_half": 0.0, "reading": 1.0}
    assert el.winding_at_20(**{**fine, name: 0.0}).expanded == 0.0
    for wrong in (-1e-9, math.inf, math.nan):
        with pytest.raises(ValueError, match=r"cannot be; it must be 0|has no resistance"):
            el.winding_at_20(**{**fine, name: wrong})


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("470p", "F", 470e-12), ("22n", "F", 22e-9), ("10u", "F", 10e-6), ("10μF", "F", 10e-6),
     ("10 µF", "F", 10e-6), ("2K", "ohm", 2000.0), ("5m", "ohm", 5e-3), ("3 mohm", "ohm", 3e-3),
     ("3 Mohm", "ohm", 3e6), ("12 ohms", "ohm", 12.0), ("12Ω", "ohm", 12.0), ("4R", "ohm", 4.0),
     (".5", "V", 0.5), ("5.", "V", 5.0), ("+5", "V", 5.0), ("800 rpm", "rpm", 800.0),
     ("800 1/min", "rpm", 800.0), ("10°", "deg", 10.0), ("10 deg", "deg", 10.0),
     ("20 C", "C", 20.0), ("165 mm", "mm", 165.0), ("5A", "A", 5.0)],
)  # fmt: skip
def test_each_prefix_and_each_unit(text: str, unit: str, value: float) -> None:
    assert el.parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("rest", "lowest", "verdict"),
    [(12.6, 10.4, "fine"), (12.6, 8.4, "suspect"), (12.6, 9.65, "unsure"), (11.6, 9.0, "flat"),
     (12.6, 12.5, "not cranked")],
)  # fmt: skip
def test_supply_verdicts(rest: float, lowest: float, verdict: str) -> None:
    assert el.judge_supply(rest, lowest).verdict == verdict


def test_degrees_by_hand() -> None:
    # 1 ms at 1000 rpm is 6 degrees; at 6000 rpm a degree lasts 27.8 µs (plain arithmetic).
    assert el.degrees_from_time(1e-3, 1000) == pytest.approx(6)
    assert el.time_from_degrees(1, 6000) == pytest.approx(27.78e-6, rel=1e-3)
    assert el.rpm_from(6, 1e-3) == pytest.approx(1000)
    assert el.degrees_from_time(1.0, 0.5) == pytest.approx(3.0)
    assert el.time_from_degrees(3.0, 0.5) == pytest.approx(1.0)
    # The rim of a 165 mm damper: the whole turn is its circumference.
    assert el.arc_on_damper(360, 165) == pytest.approx(2 * math.pi * 82.5)


@given(st.floats(0.01, 720), st.floats(10, 9000), st.floats(1, 500))
def test_degree_conversions_undo_each_other(deg: float, rpm: float, diameter: float) -> None:
    assert el.degrees_from_time(el.time_from_degrees(deg, rpm), rpm) == pytest.approx(deg)
    assert el.rpm_from(deg, el.time_from_degrees(deg, rpm)) == pytest.approx(rpm)
    assert el.degrees_from_arc(el.arc_on_damper(deg, diameter), diameter) == pytest.approx(deg)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("8.6k", "ohm", 8600), ("0,52 ohm", "ohm", 0.52), ("8.6 kΩ", "ohm", 8600), ("1M", "ohm", 1e6),
     ("6mH", "H", 6e-3), ("6 mH", "H", 6e-3), ("1uF", "F", 1e-6), ("0.22 µF", "F", 0.22e-6),
     ("3ms", "s", 3e-3), ("13.5V", "V", 13.5), ("-5 °C", "C", -5), ("open", "ohm", math.inf),
     ("OL", "ohm", math.inf), ("1e3", "ohm", 1000), ("12 mV", "V", 0.012)],
)  # fmt: skip
def test_quantities_as_people_type_them(text: str, unit: str, value: float) -> None:
    assert el.parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit"),
    [("twelve", "V"), ("", "V"), ("12A", "V"), ("nan", "V"), ("1e999", "V"), ("open", "V"),
     ("5 kg", "ohm"), ("0x10", "ohm"), ("20k", "C"), ("--5", "ohm")],
)  # fmt: skip
def test_nonsense_quantities_get_one_sentence(text: str, unit: str) -> None:
    with pytest.raises(ValueError, match="type a number such as"):
        el.parse_quantity(text, unit)


@pytest.mark.parametrize(
    ("work", "says"),
    [
        (lambda: el.copper_at_20(-1, 20), "must be 0 or more"),
        (lambda: el.copper_at_20(1, 400), "cannot be the temperature"),
        (lambda: el.winding_at_20(1, celsius=251), "cannot be the temperature"),
        (lambda: el.winding_at_20(0.1, leads=0.3), "below that of the leads"),
        (lambda: el.judge_winding(1, (2, 1)), "lower one first"),
        (lambda: el.primary_current(-1, 12, 1, 1e-3), "before switch-on"),
        (lambda: el.primary_current(1, 12, 0, 1e-3), "must be above 0"),
        (lambda: el.dwell_for(20, 12, 1, 5e-3), "never reached"),
        (lambda: el.judge_supply(12, 13), "above the rest"),
        (lambda: el.judge_supply(12, math.nan), "cannot be"),
        (lambda: el.judge_supply(1e6, 9), "cannot be"),
        (lambda: el.degrees_from_time(1, 0), "above 0"),
        (lambda: el.time_from_degrees(1, 0), "above 0"),
        (lambda: el.arc_on_damper(10, -3), "above 0"),
        (lambda: el.lowest_cranking(math.nan), "cannot be the temperature"),
    ],
)  # fmt: skip
def test_nonsense_numbers_get_one_sentence(work: object, says: str) -> None:
    with pytest.raises(ValueError, match=says) as error:
        work()  # type: ignore[operator]
    assert str(error.value).count(".") - str(error.value).count("0.") <= 3
    assert "\n" not in str(error.value)


def test_a_forgotten_k_and_a_shifted_point_get_a_question_not_a_verdict() -> None:
    for ohm, times, words in (
        (8.6, "a thousandth of", "k forgotten"), (860.0, "a tenth of", "decimal point"),
        (8.6e6, "a thousand times", "a k typed"),
    ):  # fmt: skip
        found = el.judge_winding(ohm, (7e3, 9e3))
        assert found.verdict == "unsure" and words in found.sentence
        assert found.sentence.startswith(times)
    assert el.judge_winding(3.5e3, (7e3, 9e3)).verdict == "shorted"
    assert el.judge_winding(0.5, (7e3, 9e3)).verdict == "shorted"
    assert el.judge_winding(5e6, (7e3, 9e3)).verdict == "open"


def test_a_24_volt_system_is_two_batteries_in_series() -> None:
    good, weak = el.judge_supply(25.2, 20.4), el.judge_supply(25.2, 17.0)
    assert (good.verdict, weak.verdict) == ("fine", "suspect") and good.limit == 19.2
    assert "24 V system" in good.sentence and el.judge_supply(23.4, 20.4).verdict == "flat"
    assert el.judge_supply(12.6, 10.4).verdict == "fine"
    for odd in (1.26, 18.0, 60.0):
        found = el.judge_supply(odd, 0.8 * odd)
        assert found.verdict == "unsure" and "decimal point" in found.sentence


@pytest.mark.parametrize(
    ("rest", "lowest", "verdict"),
    [
        # Within 0.1 V of 12.2 at rest and of 9.6 while cranking it is not told; less than 0.3 V
        # of a fall is no cranking. A system of 24 V has twice each limit.
        (12.6, 12.31, "not cranked"), (12.6, 12.29, "fine"), (12.11, 9.9, "fine"),
        (12.09, 9.9, "flat"), (12.6, 9.71, "fine"), (12.6, 9.69, "unsure"), (12.6, 9.51, "unsure"),
        (12.6, 9.49, "suspect"), (5.0, 4.0, "flat"), (4.99, 4.0, "unsure"), (16.0, 10.0, "fine"),
        (16.01, 10.0, "unsure"), (19.99, 19.3, "unsure"), (20.0, 19.3, "flat"),
        (24.31, 19.31, "fine"), (24.29, 19.31, "flat"), (25.0, 19.09, "suspect"),
        (25.0, 19.29, "unsure"), (32.0, 20.0, "fine"), (32.01, 20.0, "unsure"),
    ],
)  # fmt: skip
def test_supply_from_both_sides_of_each_limit(rest: float, lowest: float, verdict: str) -> None:
    assert el.judge_supply(rest, lowest).verdict == verdict


def test_numbers_at_their_very_limits() -> None:
    assert el.judge_supply(12.6, 9.0, limit=9.0, expanded=0.0).verdict == "unsure"
    held = el.judge_supply(12.2, 10.0, expanded=0.0)
    assert held.verdict == "fine" and el.judge_supply(12.0, 12.0, expanded=0.0).limit == 9.6
    # A fourth of the lower limit is low, not a slip of the decimal point.
    assert el.judge_winding(2.5, (10.0, 30.0)).verdict == "shorted"
    assert float(el.firing_period(0.5, 1)) == pytest.approx(240.0)
    with pytest.raises(ValueError, match="before switch-on"):
        el.primary_current([1.0, -1.0], 12.0, 1.0, 1e-3)


def test_supply_is_judged_by_what_was_typed() -> None:
    found = el.judge_supply(12.6, 9.0, [9.1, 9.3], limit=8.5, rest_limit=12.55, expanded=0.0)
    assert (found.verdict, found.limit) == ("fine", 8.5) and found.at_triggers.tolist() == [
        9.1,
        9.3,
    ]
    assert (found.rest, found.lowest) == (12.6, 9.0)
    assert el.judge_supply(12.5, 9.0, limit=8.5, rest_limit=12.55, expanded=0.0).verdict == "flat"
    # A limit typed for 24 V is taken as it is, one of a 12 V battery is doubled: 12 V apart.
    for typed, used in ((8.5, 17.0), (12.0, 24.0), (12.01, 12.01), (18.0, 18.0)):
        assert el.judge_supply(25.0, 20.0, limit=typed).limit == used
    for volts in (-1.0, 100.0):
        assert el.judge_supply(100.0, volts).rest == 100.0
        assert el.judge_supply(12.6, 9.0, limit=volts)
    assert "24 V system" in el.judge_supply(20.0, 17.0).sentence
    assert not el.judge_supply(19.99, 17.0).sentence.startswith("24 V system")
    for wrong in (-1.01, 100.01, math.inf):
        with pytest.raises(ValueError, match=r"A lowest voltage of .* cannot be"):
            el.judge_supply(100.0, wrong)
        with pytest.raises(ValueError, match=r"A limit voltage of .* cannot be"):
            el.judge_supply(12.0, 9.0, limit=wrong)
    assert el.judge_supply(12.0, 12.1, expanded=0.11).verdict == "not cranked"
    assert el.judge_supply(12.0, 12.5, expanded=0.5).verdict == "not cranked"
    with pytest.raises(ValueError, match="above the rest"):
        el.judge_supply(12.0, 12.12, expanded=0.11)


def test_winding_limits_to_their_ends() -> None:
    """7 to 9 kilo-ohm: a thousandth is 7 to 9 ohm, a tenth 700 to 900, a thousandfold 7 to 9 M."""
    asked = {
        7.0: "k forgotten", 9.0: "k forgotten", 700.0: "decimal point", 900.0: "decimal point",
        7e6: "a k typed", 9e6: "a k typed",
    }  # fmt: skip
    for ohm, words in asked.items():
        assert words in el.judge_winding(ohm, (7e3, 9e3)).sentence
    for ohm, verdict in ((6.99, "shorted"), (9.01, "shorted"), (699.0, "shorted"),
                         (901.0, "shorted"), (6.99e6, "open"), (9.01e6, "open"),
                         (180_000.0, "high"), (180_001.0, "open")):  # fmt: skip
        assert el.judge_winding(ohm, (7e3, 9e3)).verdict == verdict, ohm
    # Limits a decade wide: a tenth of them, and yet more than a fourth of the lower one, is low.
    assert el.judge_winding(2.6, (10.0, 100.0)).verdict == "shorted"
    assert "decimal point" in el.judge_winding(2.4, (10.0, 100.0)).sentence
    for wrong in ((0.0, 1.0), (1.0, 1.0), (1.0, math.inf), (-1.0, 1.0)):
        with pytest.raises(ValueError, match="lower one first"):
            el.judge_winding(0.5, wrong)
    # Twenty times the upper limit itself is neither a forgotten k nor open.
    assert el.judge_winding(2000.0, (1.0, 100.0)).verdict == "high"
    assert "a k typed" in el.judge_winding(2000.1, (1.0, 100.0)).sentence
    # A meter without any doubt: ends are inside.
    exact = {"percent": 0.0, "celsius_half": 0.0}
    for ohm, verdict in ((0.45, "fine"), (0.65, "fine"), (0.4499, "shorted"), (0.6501, "high")):
        assert el.judge_winding(ohm, (0.45, 0.65), **exact).verdict == verdict
    for celsius in (-60.0, 250.0):
        assert el.copper_at_20(0.0, celsius) == 0.0 and el.lowest_cranking(celsius) in (8.5, 9.6)
    for celsius in (-60.1, 250.1):
        with pytest.raises(ValueError, match="cannot be the temperature"):
            el.copper_at_20(1.0, celsius)
    for half in (-0.1, 100.1):
        with pytest.raises(ValueError, match="is no use"):
            el.winding_at_20(1.0, celsius_half=half)
    assert el.winding_at_20(1.0, celsius_half=100.0).expanded > 0.4
    assert el.winding_at_20(0.3, leads=0.3).value == 0.0


def test_a_charge_by_hand_where_the_dwell_is_cut_short() -> None:
    """6000 rpm, two sparks a turn: 5 ms apart; with 1 ms of spark there are 4 ms for a dwell.

    12 V less 1 V, 2 ohm, 8 mH: 5.5 A in the end, tau 4 ms: after 4 ms 5.5 (1 - 1/e) A.
    """
    table = el.charge_against_rpm([6000, 60_000], 0.004001, 12.0, 2.0, 8e-3, firings=4, drop=1.0)
    peak = 5.5 * (1 - math.exp(-1))
    assert table.dwell.tolist() == pytest.approx([0.004, 0.0]) and not table.fits.any()
    assert table.peak.tolist() == pytest.approx([peak, 0.0])
    # The mean over 5 ms: 5.5 A (4 ms - 4 ms (1 - 1/e)) / 5 ms; of the square by quadrature.
    assert table.average[0] == pytest.approx(5.5 * 0.8 / math.e)
    square = quad(lambda t: (5.5 * (1 - math.exp(-t / 4e-3))) ** 2, 0, 4e-3)[0] / 5e-3
    assert (table.rms[0], table.heat[0]) == pytest.approx((math.sqrt(square), 2 * square))
    assert table.energy[0] == pytest.approx(0.5 * 8e-3 * peak**2)
    assert el.charge_against_rpm([6000], 0.004, 12.0, 2.0, 8e-3, firings=4).fits.all()
    # A quarter of the time of a two-stroke single: 60 / 3000 s, 5 ms.
    share = el.charge_against_rpm([3000], 1.0, 12.0, 2.0, 8e-3, firings=1, turns=1, share=0.25)
    assert share.dwell[0] == pytest.approx(0.005) and share.fits.all()
    assert el.highest_rpm(0.004, 4) == pytest.approx(6000.0)
    assert el.highest_rpm(0.004, 1, 1, 0.0) == pytest.approx(15_000.0)
    for share_of in (0.0, 1.0):
        with pytest.raises(ValueError, match="a part of each period"):
            el.charge_against_rpm([3000], 1.0, 12.0, 2.0, 8e-3, firings=1, share=share_of)
    for nonsense in (
        lambda: el.charge_against_rpm([3000], -1e-3, 12.0, 2.0, 8e-3, firings=1),
        lambda: el.highest_rpm(0.0, 4), lambda: el.coil_energy(0.0, 6.0),
        lambda: el.capacitor_energy(-1e-6, 400.0), lambda: el.rpm_from(0.0, 1e-3),
        lambda: el.rpm_from(6.0, 0.0), lambda: el.degrees_from_arc(1.0, 0.0),
        lambda: el.dwell_for(0.0, 12.0, 2.0, 8e-3), lambda: el.dwell_for(1.0, 12.0, 0.0, 8e-3),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="it must be above 0"):
            nonsense()
    with pytest.raises(ValueError, match="cannot be negative"):
        el.highest_rpm(0.004, 4, burn=-1e-6)
    with pytest.raises(ValueError, match="leaves nothing of 12 V"):
        el.primary_current(1.0, 12.0, 1.0, 1e-3, 12.0)
    assert el.dwell_for(5.5 * (1 - math.exp(-1)), 12.0, 2.0, 8e-3, 1.0) == pytest.approx(0.004)
    with pytest.raises(ValueError, match="ends at 6 A"):
        el.dwell_for(6.0, 12.0, 2.0, 8e-3)
    for firings, turns in ((0, 2), (4, 3), (4, 0)):
        with pytest.raises(ValueError, match="at least once in one or two"):
            el.firing_period(3000, firings, turns)
    with pytest.raises(ValueError, match="above 0 rpm"):
        el.firing_period([3000, 0], 4)
