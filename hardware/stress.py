"""Worst cases of every input and output: what each pin sees and how hard each part is used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import parts
from ngspice import SPICE, Waves, deck, run
from numpy.typing import NDArray


@dataclass(frozen=True)
class Case:
    """One worst case: a deck, the pins it judges, how often it comes.

    `repeat_s`: mean power is taken over this time where it is longer than the run; 0: it lasts.
    """

    name: str
    deck: str
    blocks: tuple[str, ...]
    params: Mapping[str, float]
    repeat_s: float = 0.0
    pins: tuple[str, ...] = ("clamp_a",)
    instances: tuple[str, ...] = ("xpin",)
    values: Mapping[str, float] = field(default_factory=dict)


_SURGE_BLOCKS = (
    "crank_vr",
    "crank_logic",
    "trigger_logic",
    "logic_threshold",
    "points",
    "isolated",
    "supply",
    "sensor_supply",
    "power",
    "board",
)
_SUPPLY = ("sensor_supply", "power")
_SURGE_PINS = ("crank", "pin_cl", "trigger", "pin_pt", "pin_iso", "supply")

# Shapes for 12 V systems. Pulses 1, 2a, 3a, 3b: ISO 7637-2:2011, level IV. Load dump A (without
# suppression), jump start, reversed battery: ISO 16750-2. Every level from memory. "five": the
# 5 V terminal of the isolated tap, which is not for a load dump (wiring.md says so).
SURGES: dict[str, tuple[dict[str, float], float]] = {
    "ISO 7637-2 pulse 1": ({"us": -150, "tr": 1e-6, "td": 2e-3, "ri": 10, "tstop": 6e-3}, 0.5),
    "ISO 7637-2 pulse 2a": ({"us": 112, "tr": 1e-6, "td": 50e-6, "ri": 2, "tstop": 1e-3}, 0.2),
    "ISO 7637-2 pulse 3a": ({"us": -220, "tr": 5e-9, "td": 150e-9, "ri": 50, "tstop": 105e-6}, 0.0),
    "ISO 7637-2 pulse 3b": ({"us": 150, "tr": 5e-9, "td": 150e-9, "ri": 50, "tstop": 105e-6}, 0.0),
    "ISO 16750-2 load dump": ({"us": 87.5, "tr": 10e-3, "td": 0.4, "ri": 0.5, "tstop": 0.6}, 60.0),
    "ISO 16750-2 jump start": ({"ua": 24, "us": 0.0, "ri": 0.1, "tstop": 10e-3}, 0.0),
    "ISO 16750-2 reversed battery, first 0.1 s": (
        {"ua": -14, "us": 0.0, "ri": 0.1, "tstop": 0.1},
        1.0,
    ),
}


def worst_cases() -> list[Case]:
    """All worst cases of the inputs and outputs."""
    blocks = ("clamp_a", "clamp_threshold")
    solid = {"kv": 40, "kv_us": 2, "rlead": 5, "rplug": 1, "llead": 0.6e-6, "rgap": 5, "tgap": 5e-9}
    fine = {"tstop": 50e-6, "tmax": 2e-9}
    cases = [
        Case(
            f"clamp, 40 kV, solid lead, {'negative' if pol < 0 else 'positive'}",
            "clamp",
            blocks,
            {**solid, **fine, "pol": pol},
            repeat_s=1 / 200,
        )
        for pol in (-1, 1)
    ]
    cases += [
        Case(
            "clamp, 40 kV, resistive lead, arc of 100 mA for 1 ms",
            "clamp",
            blocks,
            {"kv": 40, "kv_us": 2, "iarc": 0.1, "tarc": 1e-3, "tstop": 1.2e-3, "tmax": 100e-9},
            repeat_s=1 / 200,
        ),
        Case(
            "clamp, 40 kV, solid lead, ringing at 5 MHz",
            "clamp",
            blocks,
            {**solid, **fine, "llead": 6.8e-6, "ccoil": 150e-12, "rgap": 10},
            repeat_s=1 / 200,
        ),
        Case(
            "clamp, 40 kV in 3 us, solid lead, arc of 0.4 A",
            "clamp",
            blocks,
            {**solid, **fine, "kv_us": 15, "iarc": 0.4, "tarc": 0.2e-3},
            repeat_s=1 / 200,
        ),
    ]
    for name, (params, repeat) in SURGES.items():
        for five, pull in ((0, 1), (1, 0)):
            if five and ("load dump" in name):
                continue
            cases.append(
                Case(
                    f"{name}, {'5' if five else '12'} V tap, pull-up {'on' if pull else 'off'}",
                    "surge",
                    _SURGE_BLOCKS,
                    {**params, "five": five, "pull": pull},
                    repeat,
                    _SURGE_PINS,
                    tuple(f"xp{i}" for i in range(1, 7)),
                )
            )
    cases.append(
        Case(
            "ISO 16750-2 reversed battery, lasting, F1 open",
            "surge",
            _SURGE_BLOCKS,
            {"ua": -14, "us": 0.0, "ri": 0.1, "tstop": 10e-3},
            0.0,
            _SURGE_PINS,
            tuple(f"xp{i}" for i in range(1, 7)),
            {"F1": 150.0},
        )
    )
    for spark in (0, 1):
        cases.append(
            Case(
                f"points, kick of 400 V, {'spark' if spark else 'open lead'}",
                "points",
                ("points", "logic_threshold"),
                {
                    "icoil": 6,
                    "spark": spark,
                    "vbat": 16,
                    "period": 10e-3,
                    "topen": 6e-3,
                    "tstop": 20e-3,
                },
                0.0,
                ("trigger",),
            )
        )
    for volt, rpm in ((0.3, 100), (100, 9000)):
        cases.append(
            Case(
                f"VR sensor, {volt} V at {rpm} rev/min",
                "crank_vr",
                ("crank_vr",),
                {"vpk": volt, "freq": 36 * rpm / 60, "rsens": 10, "lsens": 1e-3},
                0.0,
                ("crank",),
            )
        )
    for oc in (1, 0):
        cases.append(
            Case(
                f"crank logic, {'open collector' if oc else '5 V'}",
                "crank_logic",
                ("crank_logic", "logic_threshold"),
                {"oc": oc, "vhi": 5.5, "tedge": 5e-9},
                0.0,
                ("crank",),
            )
        )
    for name, peak, wide, after in (
        ("coil primary, 400 V", 400, 60e-6, 18),
        ("capacitive module, -500 V", -500, 50e-6, 0),
    ):
        cases.append(
            Case(
                f"by mistake on J301, J401, J501, J801: {name}",
                "miswire",
                ("crank_vr", "crank_logic", "trigger_logic", "supply"),
                {"peak": peak, "wide": wide, "after": after},
                0.0,
                ("crank", "pin_cl", "trigger", "supply"),
                ("xp1", "xp2", "xp3", "xp4"),
            )
        )
    cases.append(Case("isolated, 16 V", "isolated", ("isolated",), {"vhi": 16}, 0.0, ("trigger",)))
    cases.append(Case("sensor supply shorted", "sensor_supply", _SUPPLY, {"load": 0.1}, 60.0, ()))
    cases.append(Case("sensor supply at 15 mA", "sensor_supply", _SUPPLY, {"load": 330}, 0.0, ()))
    outputs = ("bench", "bench_crank", "bench_power", "lamp")
    half = dict.fromkeys(("F902", "F912"), 1000.0)
    tripped = dict.fromkeys(("F901", "F902", "F911", "F912"), 400.0)
    # lasting: both a pin that pulses at half duty and one that stays high (a program that hangs),
    # since the mean power of the open collector is twice as large there
    held = {"td": 0.0, "ton": 1.0, "tper": 2.0}
    for name, vext, single, values, params in (
        ("outputs shorted to 16 V, lasting, fuses open", 16, 0.0, tripped, {}),
        ("outputs shorted to 16 V, first 30 ms", 16, 0.3, {}, {}),
        ("outputs shorted to 24 V, first 30 ms", 24, 1.0, {}, {}),
        ("outputs shorted to 24 V, lasting, fuses of the push-pull open", 24, 0.0, half, {}),
        (
            "outputs shorted to 24 V, driven without end, fuses of the push-pull open",
            24,
            0.0,
            half,
            held,
        ),
        ("outputs shorted to ground, lasting", 0, 0.0, {}, {}),
        ("outputs shorted to ground, driven without end", 0, 0.0, {}, held),
        ("outputs on a reversed battery, first 30 ms", -14, 1.0, {}, {}),
        ("outputs on a reversed battery, lasting, fuses open", -14, 0.0, tripped, {}),
    ):
        params = {"vext": vext, **params}
        cases.append(Case(name, "outputs", outputs, params, single, (), (), values))
    cases += _first_spark(solid | fine)
    # the highest supplies that USB and the board's regulator can give
    high = {"v5": 5.25, "v33": 3.4}
    return [
        replace(case, params={**case.params, **{k: v for k, v in high.items() if _has(case, k)}})
        for case in cases
    ]


def _has(case: Case, parameter: str) -> bool:
    return f"{parameter}=" in (SPICE / f"{case.deck}.cir").read_text(encoding="utf-8")


def _first_spark(solid: Mapping[str, float]) -> list[Case]:
    """Worst cases of the first spark's circuit; what it does not survive is in first-spark.md."""
    cases = [
        Case(
            f"first spark, clamp, 40 kV, {'negative' if pol < 0 else 'positive'}",
            "first_spark_clamp",
            ("first_spark_clamp",),
            {**solid, "rlead": 5000, "rplug": 5000, "pol": pol},
            1 / 200,
            ("clamp_a",),
        )
        for pol in (-1, 1)
    ]
    for name in ("load dump", "jump start", "reversed battery"):
        key = next(k for k in SURGES if name in k)
        params, repeat = SURGES[key]
        cases.append(
            Case(
                f"first spark, {key}",
                "first_spark_surge",
                ("first_spark_crank",),
                params,
                repeat if "dump" in name else 0.0,
                ("crank",),
            )
        )
    return cases


@dataclass(frozen=True)
class Stress:
    """One quantity of one part against its rating."""

    case: str
    reference: str
    quantity: str
    value: float
    rated: float


@dataclass(frozen=True)
class PinResult:
    """What one pin saw: lowest and highest volt, highest protection-diode current in ampere."""

    case: str
    pin: str
    low: float
    high: float
    injected: float


def _mean(time: NDArray[np.float64], y: NDArray[np.float64], repeat: float) -> float:
    return float(np.trapezoid(y, time)) / max(float(time[-1] - time[0]), repeat)


def _peak(time: NDArray[np.float64], y: NDArray[np.float64], window: float = 2e-9) -> float:
    """Largest mean of |y| over `window` s: a point alone is the solver's doing, not the part's."""
    size = np.abs(y)
    area = np.concatenate(([0.0], np.cumsum(np.diff(time) * (size[1:] + size[:-1]) / 2)))
    start = np.append(time[time <= time[-1] - window], time[-1] - window)
    both = np.interp(np.concatenate((start, start + window)), time, area)
    return float(np.max(both[len(start) :] - both[: len(start)]) / window)


def stresses(case: Case, waves: Waves) -> list[Stress]:
    """Every rated quantity of every part of the case's blocks that the simulation can see."""
    bom = {r: p for circuit in parts.CIRCUITS for r, p in parts.read_bom(circuit).items()}
    net = {b: m for circuit in parts.CIRCUITS for b, m in parts.read_net(circuit).items()}
    time = waves["time"]
    found: list[Stress] = []

    def volt(node: str) -> NDArray[np.float64]:
        return np.zeros_like(time) if node == "gnd" else waves[f"v({node})"]

    def note(reference: str, quantity: str, value: float, rated: float | None) -> None:
        if rated is not None:
            found.append(Stress(case.name, reference, quantity, value, rated))

    for block in case.blocks:
        for reference, nodes in net[block].items():
            part = bom[parts.of_unit(reference)]
            if any(node != "gnd" and f"v({node})" not in waves for node in nodes):
                continue
            kind = reference.rstrip("0123456789AB")
            if kind in ("R", "F"):
                across = volt(nodes[0]) - volt(nodes[1])
                ohm = case.values.get(reference, part.number)
                note(reference, "V", float(np.abs(across).max()), part.rated_v)
                note(reference, "W", _mean(time, across**2 / ohm, case.repeat_s), part.rated_w)
                if kind == "F" or part.rated_a is not None:
                    note(reference, "A", float(np.abs(across).max()) / ohm, part.rated_a)
            elif kind == "C":
                note(reference, "V", float((volt(nodes[0]) - volt(nodes[1])).max()), part.rated_v)
            elif kind == "D":
                across = volt(nodes[0]) - volt(nodes[1])
                current = waves[f"@{reference.lower()}[id]"]
                if not part.model.startswith(("zen", "tvs")):
                    note(reference, "V", float((-across).max()), part.rated_v)
                note(reference, "A", _peak(time, current), part.rated_a)
                loss = _mean(time, np.abs(across * current), case.repeat_s)
                note(reference, "W", loss, part.rated_w)
            elif kind == "Q" and part.model != "nmos":
                collector = waves[f"@{reference.lower()}[ic]"]
                across = volt(nodes[0]) - volt(nodes[2])
                note(reference, "V", float(across.max()), part.rated_v)
                note(reference, "A", _peak(time, collector), part.rated_a)
                loss = _mean(time, np.abs(across * collector), case.repeat_s)
                note(reference, "W", loss, _derated(part.rated_w))
            elif kind == "Q":
                note(reference, "V", float((volt(nodes[0]) - volt(nodes[2])).max()), part.rated_v)
            elif kind == "U" and part.model == "cmp393":
                note(reference, "V", float(max(volt(n).max() for n in nodes[:3])), part.rated_v)
            elif kind == "U" and part.model == "lm317l":
                across = volt(nodes[0]) - volt(nodes[1])
                current = (volt(nodes[1]) - volt(nodes[2])) / bom["R11"].number + waves["@d1[id]"]
                note(reference, "V", float(np.abs(across).max()), part.rated_v)
                loss = _mean(time, np.abs(across * current), case.repeat_s)
                note(reference, "W", loss, _derated(part.rated_w))
            elif kind == "U" and part.model == "opto137":
                led = waves[f"i(v.x{reference.lower()}.vled)"]
                note(reference, "A", _mean(time, np.abs(led), case.repeat_s), part.rated_a)
    return found


def _derated(watt: float | None) -> float | None:
    """Rating of a transistor or regulator at 70 degrees: linear from 25 to 150 (any data sheet)."""
    return None if watt is None else watt * (150 - 70) / (150 - 25)


def judge(cases: Sequence[Case], workers: int = 2) -> tuple[list[PinResult], list[Stress]]:
    """Run worst cases; what the pins saw and how hard each part was used."""
    decks = [deck(c.deck, c.params, c.values) for c in cases]
    pins, parts_used = [], []
    for case, waves in zip(cases, run(decks, workers, per_process=4), strict=True):
        for pin, instance in zip(case.pins, case.instances, strict=False):
            injected = max(
                _peak(waves["time"], np.maximum(waves[f"i(v.{instance}.{side})"], 0), 5e-9)
                for side in ("vhi", "vlo")
            )
            v = waves[f"v({pin})"]
            pins.append(PinResult(case.name, pin, float(v.min()), float(v.max()), injected))
        parts_used += stresses(case, waves)
    return pins, parts_used


def passed(pins: Sequence[PinResult], used: Sequence[Stress]) -> list[str]:
    """A sentence for every limit that is passed; none: all is well.

    Pins of the board: -0.3 to 3.6 V and 0.5 mA are the microcontroller's (its data sheet, from
    memory); 0.15 V and half of the current are kept as a margin. The first spark has a diode of its
    own to 3.3 V (here 3.4 V): 0.3 V above that is the limit.
    """
    found = []
    for p in pins:
        first = p.case.startswith("first spark")
        low, high = (-0.3, 3.7) if first else (-0.15, 3.45)
        if not (low < p.low and p.high < high):
            found.append(f"{p.case}: {p.pin} sees {p.low:.2f} to {p.high:.2f} V.")
        if not first and p.injected >= 0.25e-3:
            found.append(f"{p.case}: {p.injected * 1e3:.2f} mA goes into {p.pin}.")
    found += [
        f"{s.case}: {s.reference} sees {s.value:.3g} {s.quantity}, rated {s.rated:g}."
        for s in used
        if s.value > s.rated
    ]
    return found
