"""Delay of each conditioner over tolerance, temperature and sources; trains of sparks; the dead
time that follows: what delays.json says. Longer than other files: one draw of parts serves all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import parts
from ngspice import deck, edges, run
from numpy.typing import NDArray

TEMPERATURE = (-10.0, 70.0)  # of the board, degrees Celsius
AGEING = {"R": 0.005, "C": 0.02}  # of a value over the years (from memory)


class Draw:
    """Random boards: every part within its tolerance (rectangular, as JCGM 100 4.3.7 has it where
    only limits are known), temperature, supplies; spreads of semiconductors from memory."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self._bom = {r: p for c in parts.CIRCUITS for r, p in parts.read_bom(c).items()}
        self._net = {b: m for c in parts.CIRCUITS for b, m in parts.read_net(c).items()}

    def between(self, low: float, high: float) -> float:
        """Rectangular."""
        return float(self.rng.uniform(low, high))

    def ratio(self, low: float, high: float) -> float:
        """Rectangular in the logarithm."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def board(
        self, blocks: Iterable[str]
    ) -> tuple[dict[str, float], dict[str, str], dict[str, float], float]:
        """One board: values, extras, supply parameters, temperature."""
        temperature = self.between(*TEMPERATURE)
        values: dict[str, float] = {}
        extras: dict[str, str] = {}
        for block in blocks:
            for reference in self._net[block]:
                part = self._bom[parts.of_unit(reference)]
                if reference[0] in "RC":
                    drift = 1e-6 * part.tempco_ppm * (temperature - 27) * self.between(-1, 1)
                    tolerance = 1 + part.tolerance * self.between(-1, 1)
                    aged = 1 + AGEING[reference[0]] * self.between(-1, 1)
                    values[reference] = part.number * tolerance * (1 + drift) * aged
                elif reference[0] == "D":
                    extras[reference] = f"area={self.ratio(0.6, 1.7):.4g}"
                elif part.model == "cmp393":
                    offset = float(np.clip(self.rng.normal(0, 2.5e-3), -7e-3, 7e-3))
                    tau = 0.58e-6 * self.between(0.65, 1.35) * (1 + 0.003 * (temperature - 27))
                    bias = self.ratio(10e-9, 150e-9)
                    extras[reference] = f"vos={offset:.4g} tau={tau:.4g} ib={bias:.4g}"
                elif part.model == "opto137":
                    extras[reference] = f"tau={72e-9 * self.between(0.6, 1.5):.4g}"
        supplies = {"v5": self.between(4.6, 5.25), "v33": self.between(3.2, 3.4)}
        return values, extras, supplies, temperature

    def head(self) -> str:
        """Parameters of one clamp head with its foil, as an extra of its XT."""
        al, ca = 0.8e-6 * self.between(0.6, 1.4), self.between(0.02e-12, 0.2e-12)
        return (
            f"al={al:.4g} ca={ca:.4g} cb={ca * self.between(0.4, 1):.4g} "
            f"cs={self.between(2e-12, 8e-12):.4g} cw={self.between(100e-12, 350e-12):.4g} "
            f"rc={self.between(80, 250):.4g}"
        )

    def sensor(self, kind: str) -> dict[str, float]:
        """One source for `kind` of input: what it may be connected to, from memory of the trade."""
        match kind:
            case "clamp_inductive" | "clamp_capacitive" | "first_spark_clamp":
                slow = kind == "clamp_inductive" or (
                    kind == "first_spark_clamp" and self.rng.random() < 0.5
                )
                kv = self.ratio(8 if kind == "first_spark_clamp" else 5, 35)
                kv_us = self.ratio(0.5, 2) if slow else self.ratio(5, 15)
                return {
                    "kv": kv,
                    "kv_us": kv_us,
                    "tonset": self.between(1e-6, 3e-6) if slow else self.between(0.2e-6, 0.5e-6),
                    "pol": float(self.rng.choice([-1, 1])),
                    "rlead": self.ratio(500, 12e3),
                    "rplug": self.ratio(1e3, 6e3),
                    "ccoil": self.between(50e-12, 100e-12),
                    "cplug": self.between(8e-12, 25e-12),
                    "llead": self.between(0.3e-6, 1e-6),
                    "tgap": self.between(2e-9, 8e-9),
                    "rgap": self.ratio(10, 60),
                    "iarc": self.between(0.03, 0.1) if slow else self.between(0.1, 0.4),
                    "t0": 4e-6,
                    "tstop": 4e-6 + kv / kv_us * 1e-6 + 6e-6,
                }
            case "hall_optical" | "first_spark_hall":
                return {
                    "oc": 1,
                    "goff": self.between(-1, 1) * (0.3 if kind.startswith("first") else 0.5),
                    "rlow": self.between(20, 150),
                    "ccable": self.ratio(0.1e-9, 1e-9),
                    "tedge": self.ratio(20e-9, 500e-9),
                }
            case "logic" | "first_spark_logic":
                return {
                    "oc": 0,
                    "goff": self.between(-1, 1) * (0.3 if kind.startswith("first") else 0.5),
                    "rout": self.ratio(30, 1000),
                    "vhi": self.between(4.4, 5.3),
                    "ccable": self.ratio(0.1e-9, 1e-9),
                    "tedge": self.ratio(20e-9, 500e-9),
                }
            case "points":
                amp = self.between(2, 6)
                return {
                    "icoil": amp,
                    "ccond": self.between(0.15e-6, 0.3e-6),
                    "lprim": self.between(4e-3, 9e-3),
                    "vbat": self.between(9, 15),
                    "kick": self.between(200, 400),
                    "tstop": 140e-6,
                }
            case "isolated_5v":
                return {
                    "twelve": 0,
                    "vhi": self.between(4.5, 5.25),
                    "rout": self.between(10, 60),
                    "tedge": self.ratio(20e-9, 500e-9),
                }
            case "isolated_12v":
                return {
                    "twelve": 1,
                    "vhi": self.between(9, 15),
                    "rout": self.between(10, 120),
                    "tedge": self.ratio(20e-9, 500e-9),
                }
        raise KeyError(kind)

    def level(self) -> tuple[float, float]:
        """Levels (high, low) at which one microcontroller's input switches, within its limits."""
        high = self.between(1.1, 2.0)
        return high, self.between(0.8, high - 0.2)


@dataclass(frozen=True)
class Kind:
    """How the delay of one kind of input is simulated."""

    deck: str
    blocks: tuple[str, ...]
    pin: str
    node: str
    level: float
    # (edge of the pin, edge of the source): which is timed against which
    timed: tuple[tuple[str, str], ...]


_CLAMP = ("clamp_a", "clamp_threshold")
_LOGIC = ("logic_threshold",)
_BOTH = (("falling", "falling"), ("rising", "rising"))
KINDS = {
    "clamp_inductive": Kind("clamp", _CLAMP, "clamp_a", "gate", 0.1, (("rising", "rising"),)),
    "clamp_capacitive": Kind("clamp", _CLAMP, "clamp_a", "gate", 0.1, (("rising", "rising"),)),
    "hall_optical": Kind(
        "crank_logic", ("crank_logic", "crank_select", *_LOGIC), "crank", "g", 0.5, _BOTH
    ),
    "logic": Kind(
        "trigger_logic", ("trigger_logic", "trigger_select", *_LOGIC), "trigger", "g", 0.5, _BOTH
    ),
    "first_spark_clamp": Kind(
        "first_spark_clamp",
        ("first_spark_clamp",),
        "clamp_a",
        "gate",
        0.1,
        (("rising", "rising"),),
    ),
    "first_spark_hall": Kind("first_spark_crank", ("first_spark_crank",), "crank", "g", 0.5, _BOTH),
    "first_spark_logic": Kind(
        "first_spark_crank", ("first_spark_crank",), "crank", "g", 0.5, _BOTH
    ),
    "points": Kind(
        "points",
        ("points", "trigger_select", *_LOGIC),
        "trigger",
        "g",
        0.5,
        (("rising", "falling"),),
    ),
    "isolated_5v": Kind(
        "isolated",
        ("isolated", "trigger_select"),
        "trigger",
        "g",
        0.5,
        (("falling", "rising"), ("rising", "falling")),
    ),
    "isolated_12v": Kind(
        "isolated",
        ("isolated", "trigger_select"),
        "trigger",
        "g",
        0.5,
        (("falling", "rising"), ("rising", "falling")),
    ),
}
VR_TEETH = 36
VR_SPEEDS = (150, 200, 300, 500, 1000, 2000, 5000, 9000)


def _crossings(
    time: NDArray[np.float64], volt: NDArray[np.float64], level: float, falling: bool
) -> NDArray[np.float64]:
    return edges(time, volt, falling, level, level)


def monte_carlo(
    kind: str, runs: int, seed: int, workers: int = 2
) -> dict[str, NDArray[np.float64]]:
    """Delays of one kind of input over random boards and sources.

    Returns:
        {edge of the pin: float64[runs] s}, NaN where the edge did not come exactly once; and
        "width": float64[runs] s, how long the pin stays high (NaN where it does not fall in the
        run).
    """
    how = KINDS[kind]
    draw = Draw(seed)
    decks, levels = [], []
    for _ in range(runs):
        values, extras, supplies, temperature = draw.board(how.blocks)
        params = draw.sensor(kind)
        if how.deck.endswith("clamp"):
            extras["XT101" if how.deck == "clamp" else "XT21"] = draw.head()
            params["tmax"] = 50e-9
        save = (f"v({how.pin})", f"v({how.node})")
        if how.deck.startswith("first_spark"):
            del supplies["v5"]
        decks.append(deck(how.deck, {**params, **supplies}, values, extras, temperature, save))
        levels.append(draw.level())
    found = {edge: np.full(runs, np.nan) for edge, _ in how.timed}
    width = np.full(runs, np.nan)
    for i, waves in enumerate(run(decks, workers)):
        time, pin, node = waves["time"], waves[f"v({how.pin})"], waves[f"v({how.node})"]
        for edge, source in how.timed:
            cause = _crossings(time, node, how.level, source == "falling")
            stamp = edges(time, pin, edge == "falling", *levels[i])
            if len(stamp) == 1 and len(cause):
                found[edge][i] = stamp[0] - cause[0]
        up, down = edges(time, pin, False, *levels[i]), edges(time, pin, True, *levels[i])
        if len(up) and len(down) and down[-1] > up[0]:
            width[i] = down[-1] - up[0]
    return {**found, "width": width}


R301_OHM = 22e3
COIL_MS = (0.1, 1.1)  # inductance over resistance of a sensor's coil, ms (from memory)
COIL_OHM, COIL_H = (300.0, 3000.0), (0.05, 2.0)


def vr_lag_us(rpm: float, henry: float, ohm: float, teeth: int = VR_TEETH) -> float:
    """What the coil adds to the delay: first-order lag of its inductance over the whole loop.

    Phase of a series R-L circuit, atan(w L / R) (any textbook), as time at the teeth's frequency.
    """
    omega = 2 * np.pi * teeth * rpm / 60
    return float(1e6 * np.arctan(omega * henry / (R301_OHM + ohm)) / omega)


def monte_carlo_vr(
    rpm: float, runs: int, seed: int, workers: int = 2
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Delay (s) from the sensor voltage's falling zero to the pin's falling edge.

    Sensor: 36 teeth; 0.2 V at 150 rev/min to 100 V at 9000 rev/min, its voltage growing with speed;
    coil 0.05 to 2 H, its resistance by `COIL_MS`.

    Returns:
        The delays, float64[runs], and what `vr_lag_us` says of each coil, in s.
    """
    draw = Draw(seed)
    blocks = ("crank_vr", "crank_select")
    freq = VR_TEETH * rpm / 60
    decks, levels, lags = [], [], []
    for _ in range(runs):
        values, extras, supplies, temperature = draw.board(blocks)
        henry = draw.between(*COIL_H)
        ohm = float(np.clip(henry / (draw.between(*COIL_MS) * 1e-3), *COIL_OHM))
        params = {
            "freq": freq,
            "vpk": rpm * draw.ratio(0.2 / 150, 100 / 9000),
            "lsens": henry,
            "rsens": ohm,
        }
        lags.append(vr_lag_us(rpm, henry, ohm) * 1e-6)
        text = deck(
            "crank_vr",
            {**params, **supplies},
            values,
            extras,
            temperature,
            ("v(crank)", "v(emf)"),
        )
        # the third period: the coil's and the reference's first swing is over
        decks.append(text.replace("{2.2/freq}", "{3.2/freq}"))
        levels.append(draw.level())
    found = np.full(runs, np.nan)
    for i, waves in enumerate(run(decks, workers)):
        stamp = edges(waves["time"], waves["v(crank)"], True, *levels[i])
        zero = 2.5 / freq
        near = stamp[np.abs(stamp - zero) < 0.4 / freq]
        if len(near) == 1:
            found[i] = near[0] - zero
    return found, np.array(lags)


# --- trains of sparks, and the dead time that follows


@dataclass(frozen=True)
class Train:
    """One simulated train: when the gap broke down, and when the pin rose and fell, s."""

    sparks: NDArray[np.float64]
    rises: NDArray[np.float64]
    falls: NDArray[np.float64]


def trains(
    period: float, sparks: int, runs: int, seed: int, capacitive: bool = True, workers: int = 2
) -> list[Train]:
    """Trains of `sparks` sparks, `period` s apart, through random boards and sources."""
    draw = Draw(seed)
    decks, levels = [], []
    kind = "clamp_capacitive" if capacitive else "clamp_inductive"
    for _ in range(runs):
        values, extras, supplies, temperature = draw.board(_CLAMP)
        params = draw.sensor(kind)
        params["tarc"] = min(draw.between(0.1e-3, 0.3e-3), period - 0.15e-3)
        params |= {"period": period, "tstop": 4e-6 + (sparks - 0.6) * period, "tmax": 2e-6}
        extras["XT101"] = draw.head()
        keep = ("v(clamp_a)", "v(gate)")
        decks.append(deck("clamp", {**params, **supplies}, values, extras, temperature, keep))
        levels.append(draw.level())
    found = []
    for waves, level in zip(run(decks, workers), levels, strict=True):
        time, pin = waves["time"], waves["v(clamp_a)"]
        found.append(
            Train(
                _crossings(time, waves["v(gate)"], 0.1, False),
                edges(time, pin, False, *level),
                edges(time, pin, True, *level),
            )
        )
    return found


def points_ringing(runs: int, seed: int, workers: int = 2) -> float:
    """Longest time (s) between two edges of one opening of the points, over random coils."""
    draw = Draw(seed)
    decks = []
    for i in range(runs):
        values, extras, supplies, temperature = draw.board(KINDS["points"].blocks)
        params = {
            **draw.sensor("points"),
            "spark": i % 2,
            "tarc": draw.between(0.5e-3, 1.6e-3),
            "tstop": 7e-3,
        }
        decks.append(
            deck("points", {**params, **supplies}, values, extras, temperature, ("v(trigger)",))
        )
    longest = 0.0
    for waves in run(decks, workers):
        rises = edges(waves["time"], waves["v(trigger)"])
        longest = max(longest, float(np.diff(rises).max(initial=0.0)))
    return longest


# --- delays.json

SHORTEST_REPEAT = 0.5e-3  # s between the sparks of a burst, the shortest that must be told apart
_FOUND = {
    "clamp": "equal mix of clamp_inductive and clamp_capacitive, for when the ignition is unknown",
    "clamp_inductive": "from breakdown of the gap; coil rising at 0.5 to 2 kV/us, 5 to 35 kV",
    "first_spark_clamp": "first-spark.md; from breakdown of the gap; inductive and capacitive "
    "ignitions in equal parts, 8 to 35 kV",
    "first_spark_hall": "first-spark.md; from the switching of the sensor; open collector, "
    "pull-up; the sensor's ground within 0.3 V of the board's",
    "first_spark_logic": "first-spark.md; from the middle of the output's edge; 5 V logic; the "
    "ground of its source within 0.3 V of the board's",
    "clamp_capacitive": "from breakdown of the gap; rising at 5 to 15 kV/us, 5 to 35 kV: the "
    "lead's charging current may stamp up to some us before breakdown, hence the negative mean",
    "vr": "from the falling zero of the sensor's own voltage; 36 teeth, 0.2 V at 150 to 100 V at "
    "9000 rev/min; by_rpm: coil not known, 0.05 to 2 H: middle and half range / sqrt(3) of "
    "95 of 100 runs; where its resistance or inductance is known, see model",
    "hall_optical": "from the switching of the sensor; open collector, pull-up jumper on; "
    "the sensor's ground within 0.5 V of the board's",
    "logic": "from the middle of the output's edge; 5 V logic, pull-up jumper off; "
    "the ground of its source within 0.5 V of the board's",
    "points": "from the opening of the contact; condenser 0.15 to 0.3 uF, 2 to 6 A",
    "isolated": "equal mix of isolated_5v and isolated_12v",
    "isolated_5v": "from the signal's edge on the 5 V terminal; the pin is inverted",
    "isolated_12v": "from the signal's edge on the 12 V terminal; the pin is inverted",
}


def _summary(delays: NDArray[np.float64], kind: str = "vr") -> dict[str, float]:
    good = delays[np.isfinite(delays)] * 1e6
    if len(good) < len(delays):
        lost = len(delays) - len(good)
        raise RuntimeError(f"{kind}: {lost} of {len(delays)} runs gave no single edge.")
    return {
        "delay_us": round(float(good.mean()), 3),
        "u_us": round(float(good.std(ddof=1)), 3),
        "least_us": round(float(good.min()), 3),
        "most_us": round(float(good.max()), 3),
    }


def _middle(delays: NDArray[np.float64]) -> dict[str, float]:
    """Where only limits are known (which coil it is): middle, and half range / sqrt(3), as JCGM
    100, 4.3.7, has it; the limits are those of 95 of 100 runs."""
    low, high = np.quantile(delays * 1e6, (0.025, 0.975))
    return {
        "delay_us": round(float(low + high) / 2, 3),
        "u_us": round(float(high - low) / 2 / np.sqrt(3), 3),
    }


def find_delays(runs: int, seed: int, workers: int = 2) -> dict[str, object]:
    """Everything that delays.json says."""
    samples = {kind: monte_carlo(kind, runs, seed, workers) for kind in KINDS}
    inputs: dict[str, dict[str, object]] = {}
    for kind, found in samples.items():
        inputs[kind] = {edge: _summary(found[edge], kind) for edge, _ in KINDS[kind].timed}
    for name, a, b in (
        ("clamp", "clamp_inductive", "clamp_capacitive"),
        ("isolated", "isolated_5v", "isolated_12v"),
    ):
        inputs[name] = {
            edge: _summary(np.concatenate((samples[a][edge], samples[b][edge])))
            for edge in inputs[a]
        }
    by_rpm, rest = [], []
    for rpm in VR_SPEEDS:
        total, lag = monte_carlo_vr(rpm, runs, seed, workers)
        by_rpm.append({"rpm": rpm, **_summary(total), **_middle(total)})
        rest.append({"rpm": rpm, **_summary(total - lag)})
    model = {
        "doc": "Where the coil is known: delay_us = rest(rpm) + lag, lag = 1e6 atan(w tau) / w, "
        "tau = L / (r301_ohm + R), w = 2 pi teeth rpm / 60; L, R: the coil's inductance in henry "
        "and resistance in ohm. R is measured with an ohmmeter at the connector, engine off. L not "
        "known: coil_ms has the least and most of L / R in ms, within coil_henry; take the middle, "
        "and half of the range / sqrt(3) as its standard uncertainty. Uncertainty: u^2 = "
        "u_rest(rpm)^2 + u_lag^2, u_lag = 1e6 tau / (1 + (w tau)^2) times u(L) / L. rest is for "
        "36 teeth: for another wheel read it at rpm sqrt(teeth / 36), where the voltage falls as "
        "fast. Between the rows: linear in the logarithm of rpm. Outside coil_henry: no delay.",
        "r301_ohm": R301_OHM,
        "coil_ms": list(COIL_MS),
        "coil_henry": list(COIL_H),
        "teeth": VR_TEETH,
        "rest": rest,
    }
    polarity = {
        "doc": "A sensor whose wires are swapped stamps up to half a tooth wrong. Below check_rpm, "
        "the right way round: the time over the wheel's gap is missing + 1 tooth times within "
        "gap_within of itself, and there the pin is high for no longer than most_high_pitches "
        "tooth times. Swapped, one of the two is broken, or the teeth are so narrow that pulses "
        "look alike both ways: that hangs on the sign of the voltage at which the comparator lets "
        "go, some mV either way from board to board (hardware/spice/vr_wheel.cir). So these two "
        "refuse a swapped sensor; what shows a right one is that the pulse of the first tooth "
        "after the gap is longer than that of the last one by more than longer_pitches: swapped, "
        "it is shorter. What shows neither has to be looked at (bring-up.md, step 6). A single "
        "tooth: the right way round the pin is high for the approach only, most_high_turn of a "
        "turn; swapped, about as long, or until the tooth comes again.",
        "check_rpm": 1200,
        "gap_within": 0.05,
        "most_high_pitches": 1.2,
        "longer_pitches": 0.1,
        "most_high_turn": 0.25,
    }
    inputs["vr"] = {"falling": {"by_rpm": by_rpm}, "model": model, "polarity": polarity}
    for name, text in _FOUND.items():
        inputs[name] = {"found": text, **inputs[name]}
    shots = [
        train
        for capacitive in (True, False)
        for train in trains(SHORTEST_REPEAT, 4, max(runs // 8, 10), seed, capacitive, workers)
    ]
    widest = max(float((t.falls - t.rises[: len(t.falls)]).max()) for t in shots)
    least = min(float(np.diff(t.rises).min()) for t in shots)
    ringing = points_ringing(max(runs // 4, 20), seed, workers)
    return {
        "doc": "Delay of each conditioner, from the cause to the edge of the microcontroller's "
        "pin: mean, standard uncertainty (standard deviation over boards, temperature and sources, "
        "k = 1), least and most. Simulated, not yet measured on a board. "
        "Made by `python hardware/simulate.py --write`.",
        "method": f"ngspice Monte Carlo, {runs} boards per input, every part within its tolerance, "
        f"board at {TEMPERATURE[0]:g} to {TEMPERATURE[1]:g} degrees Celsius, USB 4.6 to 5.25 V, "
        "semiconductor spreads from memory",
        "inputs": {name: inputs[name] for name in _FOUND},
        "dead_time": {
            "doc": "An edge sooner than this after the one before is ringing. The clamp's lies at "
            "the geometric mean of the longest pulse that one spark makes and the least time "
            "between the pulses of sparks 0.5 ms apart; the points' 10 % above the longest time "
            "between two edges of one opening (arc up to 1.6 ms, then the coil's ringing).",
            "clamp_us": round(float(np.sqrt(widest * least)) * 1e6 / 10) * 10,
            "clamp_longest_pulse_us": round(widest * 1e6, 1),
            "clamp_least_repeat_us": round(least * 1e6, 1),
            "points_us": round(1.1 * ringing * 1e6 / 10) * 10,
            "points_longest_gap_us": round(ringing * 1e6, 1),
        },
    }
