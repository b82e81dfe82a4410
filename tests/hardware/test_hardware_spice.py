"""hardware/ in ngspice: worst cases, delays, trains of sparks into the real decoder.

Levels of ISO 7637-2 and ISO 16750-2, semiconductor figures and ratings are from memory, as
hardware/simulate.py and hardware/bom.csv mark them.
"""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from sparkwitness.errors import UserError
from sparkwitness.timing import budget as timing
from sparkwitness.timing import conditioner
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.events import DeadTime
from sparkwitness.timing.measure import evaluate
from sparkwitness.timing.setup import Setup
from streams import HELLO, TICK_PS, Stream

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
sys.path.insert(0, str(HARDWARE))

import delays  # noqa: E402
import ngspice  # noqa: E402
import parts  # noqa: E402
import stress  # noqa: E402

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (apt-get install ngspice)"
)
TICK = TICK_PS * 1e-12
RUNS, SEED = 60, 20
DELAYS = json.loads((HARDWARE / "delays.json").read_text(encoding="utf-8"))


# --- the simulation itself against closed forms and published figures


def waves_of(text: str) -> ngspice.Waves:
    return ngspice.run([f"check\n.include {ngspice.SPICE / 'models.lib'}\n{text}\n.end\n"])[0]


def test_current_transformer_divides_by_its_turns_and_droops_with_l_over_r() -> None:
    """Ideal transformer with magnetising inductance: i2 = i1/n exp(-t R/(n^2 AL)), any textbook."""
    burden, turns, al = 47.0, 20, 0.8e-6
    waves = waves_of(
        "I1 0 l1 PULSE(0 1 1u 20n 20n 50u)\nXT l1 0 a 0 b ct cw=1p ll=1n rc=100k ca=1f cb=1f\n"
        f"Rb a 0 {burden}\nRo b 0 1G\n.tran 20n 20u 0 20n\n.save all"
    )
    time, volt = waves["time"], np.abs(waves["v(a)"])
    assert volt.max() == pytest.approx(burden / turns, rel=0.03)
    tau = turns**2 * al / (burden + 0.6)
    at = np.interp([2e-6, 2e-6 + tau], time, volt)
    assert at[1] / at[0] == pytest.approx(np.exp(-1), rel=0.02)


def test_current_transformer_saturates_where_its_core_does() -> None:
    """0.3 T in 50 mm2 is 15 uWb a turn; beyond, a volt-second costs far more current."""
    waves = waves_of(
        "V1 a 0 PULSE(0 10 1u 10n 10n 100u)\nXT l1 0 a 0 b ct ll=1n\nRl l1 0 1G\nRo b 0 1G\n"
        ".tran 50n 60u 0 50n\n.save all"
    )
    flux, drawn = waves["v(xt.phi)"], np.abs(waves["i(v1)"])

    def ampere(uwb: float) -> float:
        return float(np.interp(uwb, flux, drawn))

    assert ampere(12) / ampere(6) == pytest.approx(2, rel=0.25)
    assert ampere(21) - ampere(20) > 5 * (ampere(7) - ampere(6))


@pytest.mark.parametrize(
    ("overdrive", "least", "most"), [(5e-3, 0.9e-6, 1.7e-6), (0.1, 0.3e-6, 0.6e-6)]
)
def test_comparator_is_as_slow_as_its_data_sheet_says(overdrive, least, most) -> None:
    """LM393 type: 1.3 us at 5 mV overdrive of a 100 mV step, 0.3 us large signal (from memory)."""
    waves = waves_of(
        f"V1 p 0 PULSE({-0.1 + 1.0} {overdrive + 1.0} 5u 5n 5n 50u)\nV2 n 0 1\nV3 c 0 5\n"
        "V4 d 0 3.3\nR1 d o 2.2k\nX1 p n o c 0 cmp393\n.tran 10n 15u 0 10n\n.save all"
    )
    rise = ngspice.edges(waves["time"], waves["v(o)"])
    assert len(rise) == 1 and least < rise[0] - 5e-6 < most


def test_supply_divider_is_ohms_law() -> None:
    params = {"vstrap": 0, "vbat": 12.0}
    waves = ngspice.run([ngspice.deck("ground", params)])[0]
    assert waves["v(supply)"][-1] == pytest.approx(12 * 15 / (100 + 15), rel=2e-3)


def test_hold_capacitor_lets_go_with_its_time_constant() -> None:
    waves = ngspice.run([ngspice.deck("clamp", {"kv": 20})])[0]
    time, hold = waves["time"], waves["v(ca_hold)"]
    after = time > time[np.argmax(hold)] + 2e-6
    t2, t1 = (time[after][np.argmax(hold[after] < level)] for level in (2.0, 1.0))
    ohm = {r: parts.read_bom()[r].number for r in ("R103", "R104", "R105")}
    # junctions of D103 (420 pF), D101 and D102 (50 pF each) at 1 to 2 V; R105 pulls a little up
    tau = ohm["R103"] * (parts.read_bom()["C101"].number + 520e-12)
    rest = 3.3 * ohm["R103"] / sum(ohm.values())
    assert t1 - t2 == pytest.approx(tau * np.log((2 - rest) / (1 - rest)), rel=0.03)


@pytest.mark.parametrize(
    ("name", "peak"), [("ISO 7637-2 pulse 1", -150), ("ISO 7637-2 pulse 2a", 112)]
)
def test_surges_have_the_standards_shape(name, peak) -> None:
    """Open circuit: peak within 10 %, duration at 10 % of the peak within 20 %, rise below 1 us
    (ISO 7637-2:2011, pulses 1 and 2a, from memory)."""
    params = {**stress.SURGES[name][0], "ri": 1e-3}
    waves = ngspice.run([ngspice.deck("surge", params)])[0]
    time, size = waves["time"], (waves["v(src)"] - waves["v(lead)"] - 13.5) / peak
    assert size.max() == pytest.approx(1, abs=0.1)
    above = time[size > 0.1 * size.max()]
    assert above[-1] - above[0] == pytest.approx(params["td"], rel=0.2)
    start, end = (time[np.argmax(size > share * size.max())] for share in (0.1, 0.9))
    assert end - start <= 1.1 * params["tr"]


def test_unknown_parameters_and_failures_are_said() -> None:
    with pytest.raises(KeyError, match="no parameter nonsense"):
        ngspice.deck("clamp", {"nonsense": 1})
    with pytest.raises(RuntimeError, match="did not run"):
        ngspice.run(["broken\nV1 a 0 1\nD1 a 0 nowhere\n.tran 1n 1u\n.end\n"])


def test_edges_are_those_of_an_input_with_hysteresis() -> None:
    time = np.arange(9.0)
    volt = np.array([0, 1, 3, 1, 3, 0, 1, 1.5, 3])
    assert ngspice.edges(time, volt).tolist() == [1.5, pytest.approx(7 + 1 / 3)]
    assert ngspice.edges(time, volt, falling=True).tolist() == [pytest.approx(4 + 2.2 / 3)]


# --- worst cases


@pytest.fixture(scope="module")
def worst():
    return stress.judge(stress.worst_cases())


def test_pins_stay_within_their_limits_and_parts_within_their_ratings(worst) -> None:
    """Limits and margins as `stress.passed` states them."""
    pins, used = worst
    assert {p.pin for p in pins} >= {
        "clamp_a",
        "crank",
        "pin_cl",
        "trigger",
        "pin_pt",
        "pin_iso",
        "supply",
    }
    assert stress.passed(pins, used) == []


def test_every_rated_part_of_the_board_was_judged(worst) -> None:
    """So that nothing is left out in silence. Channel B is channel A again (test_hardware.py)."""
    _, used = worst
    judged = {s.reference for s in used}
    net = parts.read_net()
    for block, members in net.items():
        if block == "clamp_b":
            continue
        for reference in members:
            if reference[0] in "RCDQF" or reference.startswith(("U1", "U2", "U3", "U4")):
                assert reference in judged or block in ("crank_select", "trigger_select"), reference


def test_outputs_give_what_the_drawing_states() -> None:
    """Open collector about 30 mA from 16 V; lamp's mean current below 80 mA with Q951 shorted."""
    waves = ngspice.run([ngspice.deck("outputs", {"vext": 16, "rext": 10})])[0]
    for terminal in ("bench_oc", "crank_oc"):
        sunk = (16 - waves[f"v({terminal})"]) / 10
        assert 20e-3 < sunk.max() < 35e-3
    lamp = ngspice.deck("outputs", {"v5": 5.25})
    lamp = lamp.replace("XQ951", "Rfail lp_d 0 10m\nXQ951")
    waves = ngspice.run([lamp])[0]
    assert 0.04 < waves["@d951[id]"][-1] < 0.09


def test_outputs_are_off_while_the_pins_float() -> None:
    text = ngspice.deck("outputs", {"vext": 16, "rext": 1000})
    text = re.sub(r"(?m)^(R[bkl] p[bkl] \w+) 50$", r"\1 1G", text)
    assert text.count(" 1G\n") == 3
    waves = ngspice.run([text])[0]
    for transistor in ("@q901[ic]", "@q911[ic]"):
        assert np.abs(waves[transistor]).max() < 10e-6
    for driver in ("v(dr_ao)", "v(dr_bo)"):
        assert waves[driver].max() < 0.2
    assert waves["@d951[id]"].max() < 10e-6


def test_core_stays_far_from_saturation() -> None:
    """0.3 T is the limit; the worst breakdown and the longest arc stay below a tenth of it."""
    cases = [c for c in stress.worst_cases() if c.deck == "clamp"]
    for waves in ngspice.run([ngspice.deck(c.deck, c.params) for c in cases]):
        assert np.abs(waves["v(xt101.phi)"]).max() < 1.5  # uWb per turn


def test_vr_gives_one_edge_per_tooth_from_cranking_to_the_limit() -> None:
    for volt, rpm in ((0.3, 100), (100.0, 9000)):
        freq = delays.VR_TEETH * rpm / 60
        deck = ngspice.deck("crank_vr", {"vpk": volt, "freq": freq}, save=("v(crank)", "v(emf)"))
        deck = re.sub(r"(?m)^\.tran .*", ".tran {1/freq/400} {8/freq} 0 {1/freq/400}", deck)
        waves = ngspice.run([deck])[0]
        falls = ngspice.edges(waves["time"], waves["v(crank)"], falling=True)
        assert len(falls) == 8
        assert np.diff(falls) == pytest.approx(np.full(7, 1 / freq), rel=2e-3)


@pytest.mark.parametrize("path", sorted(ngspice.SPICE.glob("*.cir")), ids=lambda p: p.stem)
def test_every_deck_runs_by_itself(path: Path, tmp_path: Path) -> None:
    """As its head says: `ngspice hardware/spice/NAME.cir` (plots left out, there is no screen)."""
    for name in ("models.lib", "board.lib"):
        shutil.copy(ngspice.SPICE / name, tmp_path)
    text = re.sub(r"(?m)^plot .*\n", "", path.read_text(encoding="utf-8"))
    (tmp_path / path.name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["ngspice", "-b", path.name], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    asked = re.findall(r"(?m)^meas tran (\w+)", text)
    given = re.findall(r"(?m)^(\w+)\s+=\s+[-+\d]", done.stdout)
    assert asked and set(asked) <= set(given), done.stdout[-2000:] + done.stderr[-2000:]


def test_clamp_weighs_charge_as_the_bring_up_guide_says() -> None:
    guide = (HARDWARE / "bring-up.md").read_text(encoding="utf-8")
    rows = re.findall(r"\| (\d+) V \| (\d+) nC \| (stays low|one pulse) \|", guide)
    assert len(rows) == 2
    for volt, charge, says in rows:
        assert float(charge) == pytest.approx(10 * float(volt))  # Q = C U, 10 nF
        for al in (0.48e-6, 0.8e-6, 1.12e-6):
            text = ngspice.deck("clamp_charge", {"volt": float(volt)}, {}, {"XT101": f"al={al}"})
            waves = ngspice.run([text])[0]
            rises = ngspice.edges(waves["time"], waves["v(clamp_a)"])
            assert len(rises) == (1 if says == "one pulse" else 0)


def test_second_clamp_test_of_the_bring_up_guide_sees_a_weak_core() -> None:
    """18 V through 100 ohm: a core within tolerance stamps, one of a sixteenth does not."""
    guide = (HARDWARE / "bring-up.md").read_text(encoding="utf-8")
    assert "18 V, and 100 Ω" in guide and "a sixteenth of its inductance" in guide
    for al, pulses in ((0.48e-6, 1), (0.8e-6, 1), (0.05e-6, 0)):
        text = ngspice.deck("clamp_charge", {"volt": 18, "ohm": 100}, {}, {"XT101": f"al={al}"})
        waves = ngspice.run([text])[0]
        assert len(ngspice.edges(waves["time"], waves["v(clamp_a)"])) == pulses


@pytest.mark.parametrize(
    ("blocks", "terminal", "pin", "top", "up", "down", "select"),
    [
        (("crank_logic", "logic_threshold"), "cl_in", "cl_out", 5, 2.9, 2.3, "crank_logic"),
        (("points", "logic_threshold"), "pt_in", "pt_out", 8, 5.9, 4.4, "points"),
        (("crank_vr",), "vr_in", "vr_out", 0.3, 0.13, 0.0, "crank_vr"),
    ],
)
def test_thresholds_are_those_the_drawings_state(
    blocks, terminal, pin, top, up, down, select
) -> None:
    """A slow ramp up and down; within 0.1 V (VR: 25 mV) of the sheets' notes."""
    sections = parts.library()
    waves = waves_of(
        "\n".join(sections[block] for block in blocks) + f"\nV5 v5 0 5\nV33 v33 0 3.3\n"
        f"Vin in 0 PWL(0 {-top / 3} 10m {top} 20m {-top / 3})\nRin in {terminal} 800\n"
        ".tran 10u 20m 0 10u\n.save all"
    )
    time, volt = waves["time"], waves[f"v({pin})"]
    close = 0.025 if select == "crank_vr" else 0.1
    for falling, level in ((False, up), (True, down)):
        at = ngspice.edges(time, volt, falling)
        assert len(at) == 1
        assert np.interp(at[0], time, waves["v(in)"]) == pytest.approx(level, abs=close)


# --- delays: the file against a fresh Monte Carlo


def agree(fresh: np.ndarray, row: dict) -> None:
    """Means within five standard errors of the difference, spreads within 40 %."""
    assert np.isfinite(fresh).all(), "an edge was missed or doubled"
    mean, u = fresh.mean() * 1e6, fresh.std(ddof=1) * 1e6
    assert mean == pytest.approx(
        row["delay_us"], abs=5 * row["u_us"] * np.hypot(1 / np.sqrt(200), 1 / np.sqrt(RUNS))
    )
    assert u == pytest.approx(row["u_us"], rel=0.4)


@pytest.mark.parametrize("kind", list(delays.KINDS))
def test_delays_come_out_again(kind: str) -> None:
    found = delays.monte_carlo(kind, RUNS, SEED)
    for edge, _ in delays.KINDS[kind].timed:
        agree(found[edge], DELAYS["inputs"][kind][edge])


def test_vr_delay_comes_out_again() -> None:
    row = next(p for p in DELAYS["inputs"]["vr"]["falling"]["by_rpm"] if p["rpm"] == 1000)
    total, lag = delays.monte_carlo_vr(1000, RUNS, SEED)
    (low, high), wide = np.quantile(total * 1e6, (0.1, 0.9)), np.sqrt(3) * row["u_us"]
    assert row["delay_us"] - wide < low and high < row["delay_us"] + wide
    rest = next(p for p in DELAYS["inputs"]["vr"]["model"]["rest"] if p["rpm"] == 1000)
    agree(total - lag, rest)


# --- trains into the real decoder


def ticks_of(seconds: np.ndarray) -> np.ndarray:
    return np.round(np.asarray(seconds) / TICK).astype(np.int64)


@pytest.fixture(scope="module")
def trains():
    return {
        (period, capacitive): delays.trains(period, 3, 20, SEED, capacitive)
        for period, capacitive in ((0.5e-3, True), (0.5e-3, False), (1e-3, True), (2e-3, True))
    }


def test_first_spark_is_never_missed_nor_doubled(trains) -> None:
    dead = round(conditioner.dead_time_us() * 1e-6 / TICK)
    for (_, capacitive), shots in trains.items():
        kind = "clamp_capacitive" if capacitive else "clamp_inductive"
        row = DELAYS["inputs"][kind]["rising"]
        for train in shots:
            kept, _ = DeadTime(dead).feed(ticks_of(train.rises), np.empty(0, np.int64))
            assert len(train.sparks) == 3 and len(kept) == 3
            late = (kept * TICK - train.sparks) * 1e6
            assert (late > row["least_us"] - 1).all() and (late < row["most_us"] + 1).all()


def test_dead_time_lies_between_one_sparks_pulse_and_the_next_spark(trains) -> None:
    dead = DELAYS["dead_time"]["clamp_us"] * 1e-6
    for (period, _), shots in trains.items():
        for train in shots:
            n = min(len(train.rises), len(train.falls))
            width = train.falls[:n] - train.rises[:n]
            # far longer than the shortest pulse that the capture surely sees
            assert width.min() > 20 * HELLO["min_pulse_ns"] * 1e-9
            assert width.max() * 1.5 < dead
            assert np.diff(train.rises).min() > period - 20e-6 > 1.5 * dead


def test_dead_time_of_the_points_outlasts_their_ringing() -> None:
    assert delays.points_ringing(40, SEED) * 1e6 < DELAYS["dead_time"]["points_us"]
    # eight cylinders, four strokes, 6000 rev/min: a firing every 2.5 ms (arithmetic)
    assert DELAYS["dead_time"]["points_us"] < 60e6 / 6000 / 4


@pytest.mark.parametrize(("period", "capacitive"), [(0.5e-3, True), (1e-3, True), (0.5e-3, False)])
def test_simulated_sparks_go_through_the_whole_host(trains, period, capacitive) -> None:
    """Edges of the simulated front end as frames; count, spacing and timing must come out.

    A 36-1 wheel at constant 1200 rev/min is the truth: arithmetic, no simulator of ours.
    """
    rpm, teeth, sparks, revs = 1200.0, 36, 3, 110
    advance = 20.0
    turn = 60 / rpm
    reference = Reference.parse(f"{teeth}-1", 90.0, 0.0)
    crank = conditioner.delay("hall_optical", falling=True)
    tooth = np.arange(revs * teeth)
    tooth = tooth[tooth % teeth != teeth - 1]
    crank_edges = 0.01 + tooth * turn / teeth + crank.us * 1e-6
    shots = trains[period, capacitive]
    clamp_edges = []
    for k in range(2, revs - 2, 2):
        train = shots[k // 2 % len(shots)]
        first = 0.01 + (k + (90.0 - advance) / 360) * turn
        clamp_edges.append(first + train.rises - train.sparks[0])
    stream = Stream()
    stream.hello()
    stream.heartbeat(0)
    both = [(ticks_of(crank_edges), 0), (ticks_of(np.concatenate(clamp_edges)), 1)]
    for low in range(0, int((revs * turn + 0.1) / TICK), int(0.1 / TICK)):
        high = low + int(0.1 / TICK)
        for ticks, which in both:
            stream.edges(which, ticks[(ticks >= low) & (ticks < high)])
        stream.heartbeat(high)

    kind = "clamp_capacitive" if capacitive else "clamp_inductive"
    path = conditioner.clamp_less_crank(kind, "hall_optical", True, rpm)
    setup = Setup(
        reference, commanded=advance, clamp="plug", dead_time_us=conditioner.dead_time_us(),
        delay_us=path.us, u_delay_us=path.u_us,
    )  # fmt: skip
    analyzer = Analyzer(setup)
    analyzer.feed(stream.data)
    tables = analyzer.finish()
    result = evaluate(setup, tables)
    assert result.sparks == {sparks: result.events} and result.events >= 50
    assert (result.ringing, result.missing, result.stray) == (0, 0, 0)
    assert result.spacing_us == pytest.approx(period * 1e6, abs=2)
    error_us = abs(result.error) / timing.degrees_of(1e-6, rpm)
    assert error_us < 3 * path.u_us, "the file's delay does not undo the front end's"
    assert abs(result.error) < result.expanded


# --- the host's reader


def test_reader_gives_what_the_file_says() -> None:
    for kind, entry in DELAYS["inputs"].items():
        for edge in ("falling", "rising"):
            row = entry.get(edge)
            if row is None:
                with pytest.raises(UserError, match="stamp that one"):
                    conditioner.delay(kind, edge == "falling", 1000)
            elif "by_rpm" in row:
                for point in row["by_rpm"]:
                    got = conditioner.delay(kind, True, point["rpm"])
                    assert got.us == pytest.approx(point["delay_us"])
                    # An unknown coil's whole range counts, not only 95 of 100 in it.
                    assert got.u_us >= point["u_us"] * (1 - 1e-9)
                    assert got.u_us <= 1.5 * point["u_us"]
            else:
                got = conditioner.delay(kind, edge == "falling")
                assert (got.us, got.u_us) == (row["delay_us"], row["u_us"])
    known = {*conditioner.CRANK_KINDS, *conditioner.CLAMP_KINDS, *conditioner.TRIGGER_KINDS}
    assert known - {"first_spark"} == set(DELAYS["inputs"])


def test_a_breadboard_of_unknown_sensor_is_an_equal_mix_of_both() -> None:
    """Mean, and second moment about it, of two kinds in equal parts; its clamp goes with it."""
    hall, logic = (conditioner.delay(f"first_spark_{k}", True) for k in ("hall", "logic"))
    mix = conditioner.delay("first_spark", True)
    assert mix.us == pytest.approx((hall.us + logic.us) / 2)
    each = [(k.us - mix.us) ** 2 + k.u_us**2 for k in (hall, logic)]
    assert mix.u_us**2 == pytest.approx(sum(each) / 2)
    clamp = conditioner.delay("first_spark_clamp")
    path = conditioner.clamp_less_crank("clamp", "first_spark_hall", True, 1000.0)
    assert path.us == pytest.approx(clamp.us - hall.us)


@pytest.mark.parametrize("henry", [0.05, 0.3, 1.0, 2.0])
def test_a_known_coil_delays_as_its_low_pass_does(henry: float) -> None:
    """Group of R and L: arctan(w tau) / w (any textbook on circuits), and the table's rest."""
    ohm, rpm = henry / 0.5e-3, 2000.0
    model = DELAYS["inputs"]["vr"]["model"]
    pace = 2 * np.pi * 36 * rpm / 60
    lag = 1e6 * np.arctan(pace * henry / (model["r301_ohm"] + ohm)) / pace
    rest = next(p for p in model["rest"] if p["rpm"] == rpm)
    known = conditioner.delay("vr", True, rpm, conditioner.Coil(36, ohm, henry))
    guess = conditioner.delay("vr", True, rpm)
    assert known.us == pytest.approx(rest["delay_us"] + lag, abs=0.02 * lag)
    assert known.u_us < guess.u_us and abs(guess.us - known.us) < 2 * guess.u_us
    with pytest.raises(UserError, match="not simulated"):
        conditioner.delay("vr", True, rpm, conditioner.Coil(36, ohm, 3.0))


def test_reader_combines_as_the_gum_does() -> None:
    """Difference of independent quantities: variances add (JCGM 100:2008, 5.1.2)."""
    clamp, crank = conditioner.delay("clamp"), conditioner.delay("logic", True)
    path = conditioner.clamp_less_crank("clamp", "logic", True, 1000.0)
    assert path.us == pytest.approx(clamp.us - crank.us)
    assert path.u_us**2 == pytest.approx(clamp.u_us**2 + crank.u_us**2)


@pytest.mark.parametrize(
    ("ask", "sentence"),
    [(lambda: conditioner.delay("steam"), "no conditioner is named steam"),
     (lambda: conditioner.delay("vr", True), "depends on the speed"),
     (lambda: conditioner.delay("vr", False, 1000), "timed on its falling edge"),
     (lambda: conditioner.dead_time_us("steam"), "use clamp or points")],
)  # fmt: skip
def test_reader_says_in_one_sentence_what_is_wrong(ask, sentence) -> None:
    with pytest.raises(UserError, match=sentence):
        ask()
