"""Top dead centre against handbook kinematics and reference root finders."""

import json

import numpy as np
import pytest
from scipy import optimize

from sparkwitness.errors import UserError
from sparkwitness.simulator.world import World
from sparkwitness.timing import tdc
from test_measure import invoke, sentence


@pytest.mark.parametrize("ratio", [3.0, 3.5, 4.0])
def test_piston_position_is_the_handbooks(ratio):
    # Piston travel from the top, common handbook series for lambda = r / l:
    # s = r [(1 - cos a) + (1/lambda)(1 - sqrt(1 - lambda^2 sin^2 a))].
    a = np.arange(0.0, 360.0, 5.0)
    r, rod = 50.0, 50.0 * ratio
    turn = np.radians(a)
    travel = r * (1 - np.cos(turn) + ratio * (1 - np.sqrt(1 - (np.sin(turn) / ratio) ** 2)))
    ours = tdc.piston_height(np.zeros(1), 100.0, rod)[0] - tdc.piston_height(a, 100.0, rod)
    np.testing.assert_allclose(ours, travel, atol=1e-10)


def test_piston_position_closes_the_loop():
    # Independent of the closed formula: the rod's length must come out between pin and crank.
    rng = np.random.default_rng(0)
    for a in rng.uniform(0, 360, 50):
        y = tdc.piston_height(np.array([a]), 86.0, 143.0, 0.8)[0]
        pin = np.array([0.8, y])
        crank = 43 * np.array([np.sin(np.radians(a)), np.cos(np.radians(a))])
        assert np.hypot(*(pin - crank)) == pytest.approx(143.0, abs=1e-9)


@pytest.mark.parametrize("offset", [-1.5, -0.5, 0.8, 1.5])
@pytest.mark.parametrize("half", [10.0, 35.0, 60.0])
def test_offset_pin_against_scipy(offset, half):
    stroke, rod = 86.0, 143.0

    def height(a):
        return tdc.piston_height(np.atleast_1d(a), stroke, rod, offset)[0]

    top = optimize.minimize_scalar(lambda a: -height(a), bounds=(-10, 10), method="bounded",
                                   options={"xatol": 1e-9}).x  # fmt: skip
    assert tdc.top_angle(stroke, rod, offset) == pytest.approx(top, abs=1e-4)
    middle = optimize.brentq(lambda m: height(m + half) - height(m - half), -8, 8)
    correction = tdc.pin_correction(half, stroke, rod, offset)
    assert correction == pytest.approx(top - middle, abs=1e-4)
    found = tdc.from_stops(middle - half, middle + half, 0.1, stroke, rod, offset)
    assert found.reading == pytest.approx(top, abs=1e-4)


def test_midpoint_and_its_uncertainty():
    # Piston-stop method, common practice, no source: the top is midway between the stops.
    found = tdc.from_stops(-34.0, 31.0, u_reading=0.2)
    assert found.reading == pytest.approx(-1.5) and found.half == pytest.approx(32.5)
    assert found.u == pytest.approx(0.2 / np.sqrt(2))
    found = tdc.from_stops(328.0, 30.0)
    assert found.reading == pytest.approx(-1.0)
    assert found.u == pytest.approx(0.25 / np.sqrt(2))  # of a wheel read to a quarter of a degree


@pytest.mark.parametrize(
    ("before", "after", "more"),
    [(30.0, 30.5, {}), (31.0, -34.0, {}), (float("nan"), 3.0, {}),
     (-30.0, 30.0, {"offset": 1.0}), (-30.0, 30.0, {"offset": -100.0, "stroke": 86, "rod": 143}),
     (-30.0, 30.0, {"offset": 1.0, "stroke": 0, "rod": 143}),
     (-30.0, 30.0, {"offset": 1.0, "stroke": 100, "rod": 40})],
)  # fmt: skip
def test_nonsense_is_refused(before, after, more):
    with pytest.raises(UserError) as caught:
        tdc.from_stops(before, after, **more)
    assert "\n" not in caught.value.message


def test_command_line():
    done = invoke("tdc", "stops", "--json", "--pulse", "-61", "--", "-34", "31")
    values = json.loads(done.stdout)
    assert values["tdc_deg"] == pytest.approx(-1.5)
    assert values["reference_angle_deg_btdc"] == pytest.approx(59.5)
    shown = invoke("tdc", "stops", "--pulse", "-61", "--", "-34", "31").output
    assert "59.50° BTDC" in shown and "ignition off" in shown
    assert "lie" in sentence(invoke("tdc", "stops", "30", "30"))


def test_lamp_flashes_where_it_is_told(monkeypatch):
    flashed = []
    original = World.lamp

    def watched(self, lamp):
        original(self, lamp)
        flashed.append(self.lamp_btdc())

    monkeypatch.setattr(World, "lamp", watched)
    done = invoke("tdc", "lamp", "--simulate", "idle-four", "--reference", "36-1",
                  "--reference-angle", "84", "--at", "10", "--seconds", "0.3")  # fmt: skip
    assert done.exit_code == 0, done.output
    assert flashed[0] == pytest.approx(10)
    refused = invoke("tdc", "lamp", "--simulate", "idle-four", "--reference", "cam",
                     "--reference-angle", "84")  # fmt: skip
    assert "one pulse per crank revolution" in sentence(refused)


def test_a_reading_that_no_degree_wheel_has_is_refused():
    with pytest.raises(UserError, match="does not read 1e\\+09"):
        tdc.from_stops(1e9, 20)


@pytest.mark.parametrize(
    ("offset", "half"), [(20.0, 90.0), (60.0, 90.0), (95.0, 60.0), (-80.0, 90.0)]
)
def test_a_pin_far_off_against_scipy(offset: float, half: float):
    """However far the middle between the stops lies from the top: up to 13° here."""

    def apart(middle: float) -> float:
        low, high = tdc.piston_height(np.array([middle - half, middle + half]), 86.0, 143.0, offset)
        return float(high - low)

    top = np.degrees(np.arcsin(offset / (143.0 + 43.0)))  # crank and rod in line
    middle = optimize.brentq(apart, top - 45, top + 45, xtol=1e-12)
    assert tdc.pin_correction(half, 86.0, 143.0, offset) == pytest.approx(top - middle, abs=1e-9)


@pytest.mark.parametrize(
    ("before", "after", "reading"),
    [(150.0, 230.0, -170.0), (-200.0, -170.0, 175.0), (100.0, 250.0, 175.0), (359.5, 30.0, 14.75),
     (-360.0, 20.0, 10.0), (340.0, 360.0, -10.0)],
)  # fmt: skip
def test_readings_round_the_wheel(before: float, after: float, reading: float):
    assert tdc.from_stops(before, after).reading == pytest.approx(reading)


def test_readings_and_measures_that_are_refused():
    for before, after in ((360.5, 20.0), (-360.5, 20.0), (340.0, 360.5), (-20.0, -360.5)):
        with pytest.raises(UserError, match="a degree wheel does not read"):
            tdc.from_stops(before, after)
    for stroke, rod in ((86.0, None), (None, 143.0), (None, None)):
        with pytest.raises(UserError, match="needs stroke and rod"):
            tdc.from_stops(-30.0, 30.0, stroke=stroke, rod=rod, offset=0.8)
