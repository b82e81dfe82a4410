"""Run the SPICE decks of hardware/spice many at a time and say what comes out.

    python hardware/simulate.py              worst cases, delays, dead time: a table
    python hardware/simulate.py --write      the same, and write hardware/delays.json

Needs ngspice (Debian: apt-get install ngspice). One ngspice process runs many decks.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import parts
from numpy.typing import NDArray

SPICE = parts.FOLDER / "spice"
Waves = dict[str, NDArray[np.float64]]


def deck(
    name: str,
    params: Mapping[str, float] | None = None,
    values: Mapping[str, float] | None = None,
    extras: Mapping[str, str] | None = None,
    temperature: float = 27.0,
    save: Iterable[str] = (),
) -> str:
    """Text of spice/`name`.cir with parameters and part values replaced, without its .control.

    Args:
        params: replaces `.param` values; unknown names are an error.
        values: ohm or farad by reference, instead of bom.csv's.
        extras: subcircuit parameters by reference ("U1A": "vos=2m") or instance ("XT101": "al=1u").
        temperature: of every part, degrees Celsius.
        save: vectors to keep; none: all node voltages and every diode's current.

    Raises:
        KeyError: no such parameter or block.
    """
    text = (SPICE / f"{name}.cir").read_text(encoding="utf-8")
    text = re.sub(r"(?ms)^\.control.*?^\.endc\n", "", text)
    text = re.sub(r"(?m)^\.end$\n?", "", text)
    for key, value in (params or {}).items():
        text, found = re.subn(
            rf"(?m)^(\.param\b.*?\b{key}=)(?:\{{[^}}]*\}}|\S+)", rf"\g<1>{value:.9g}", text
        )
        if not found:
            raise KeyError(f"{name}.cir has no parameter {key}")
    sections = parts.library(values, extras)
    text = re.sub(r"(?m)^\.lib board\.lib (\w+)$", lambda m: sections[m[1]], text)
    text = text.replace(".include models.lib", f".include {SPICE / 'models.lib'}")
    for key, value in (extras or {}).items():
        if key.startswith("X"):
            text = re.sub(rf"(?m)^({key} .*)$", rf"\1 {value}", text)
    keep = list(save)
    if not keep:
        diodes = re.findall(r"(?m)^(D\d+) ", text)
        keep = ["all", *(f"@{d.lower()}[id]" for d in diodes)]
        keep += [
            f"@{q.lower()}[{current}]"
            for q in re.findall(r"(?m)^(Q\d+) ", text)
            for current in ("ic", "ib")
        ]
        for pin in re.findall(r"(?m)^(Xp\w+) ", text):
            keep += [f"i(v.{pin.lower()}.vhi)", f"i(v.{pin.lower()}.vlo)"]
    return f"{text}\n.options method=gear\n.temp {temperature:.6g}\n.save {' '.join(keep)}\n.end\n"


def _read_raw(path: Path) -> Waves:
    """One plot of ngspice's binary raw file: {vector name: values}."""
    data = path.read_bytes()
    head, body = data.split(b"Binary:\n", 1)
    text = head.decode("ascii", "replace")
    variables = int(re.search(r"No\. Variables:\s*(\d+)", text)[1])  # type: ignore[index]
    points = int(re.search(r"No\. Points:\s*(\d+)", text)[1])  # type: ignore[index]
    names = re.findall(r"(?m)^\t\d+\t(\S+)\t", text)[:variables]
    table = np.frombuffer(body, "<f8", points * variables).reshape(points, variables)
    plain = [re.sub(r"^i\((@.*)\)$", r"\1", name) for name in names]
    return {name: np.ascontiguousarray(table[:, i]) for i, name in enumerate(plain)}


def _run_batch(decks: Sequence[str], folder: Path) -> list[Waves]:
    lines = ["sparkwitness batch", ".control", "set filetype=binary", "set noaskquit"]
    for i, text in enumerate(decks):
        (folder / f"{i}.cir").write_text(text, encoding="utf-8")
        lines += [f"source {folder}/{i}.cir", "run", f"write {folder}/{i}.raw", "destroy all"]
        lines += ["remcirc"]
    lines += ["quit", ".endc", ".end", ""]
    (folder / "all.cir").write_text("\n".join(lines), encoding="utf-8")
    done = subprocess.run(
        ["ngspice", "-b", "all.cir"], cwd=folder, capture_output=True, text=True, check=False
    )
    waves = []
    for i in range(len(decks)):
        raw = folder / f"{i}.raw"
        result = _read_raw(raw) if raw.exists() else {}
        if "time" not in result:
            tail = "\n".join((done.stdout + done.stderr).splitlines()[-20:])
            raise RuntimeError(f"ngspice did not run deck {i} of the batch:\n{tail}")
        waves.append(result)
    return waves


def run(decks: Sequence[str], workers: int = 2, per_process: int = 100) -> list[Waves]:
    """Run decks; vectors of each, by ngspice's name ("time", "v(clamp_a)", "@d101[id]").

    Raises:
        RuntimeError: ngspice is missing, or a deck did not run.
    """
    if shutil.which("ngspice") is None:
        raise RuntimeError("ngspice is missing: install it with `apt-get install ngspice`.")
    size = max(1, min(per_process, -(-len(decks) // workers)))
    batches = [decks[i : i + size] for i in range(0, len(decks), size)]

    def one(batch: Sequence[str]) -> list[Waves]:
        with tempfile.TemporaryDirectory() as folder:
            return _run_batch(batch, Path(folder))

    with ThreadPoolExecutor(workers) as pool:
        return [waves for result in pool.map(one, batches) for waves in result]


# --- edges as the microcontroller sees them


def edges(
    time: NDArray[np.float64],
    volt: NDArray[np.float64],
    falling: bool = False,
    high: float = 2.0,
    low: float = 0.8,
) -> NDArray[np.float64]:
    """Times (s) at which the pin's input buffer switches: up at `high` volt, down at `low`.

    The defaults are the guaranteed levels of the RP2040's inputs at 3.3 V (its data sheet's V_IH
    and V_IL, from memory).
    """
    level = np.where(volt > high, 1, np.where(volt < low, 0, -1))
    known = np.flatnonzero(level >= 0)
    change = np.flatnonzero(np.diff(level[known]) == (-1 if falling else 1))
    at = known[change + 1]
    limit = low if falling else high
    before = volt[at - 1]
    return time[at - 1] + (limit - before) / (volt[at] - before) * (time[at] - time[at - 1])


# --- worst cases


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
    "board",
)
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
    cases.append(Case("isolated, 16 V", "isolated", ("isolated",), {"vhi": 16}, 0.0, ("trigger",)))
    outputs = ("bench", "bench_crank", "bench_power", "lamp")
    tripped = dict.fromkeys(("F901", "F902", "F911", "F912"), 400.0)
    for name, vext, single, values in (
        ("outputs shorted to 16 V, lasting, fuses open", 16, 0.0, tripped),
        ("outputs shorted to 16 V, first 30 ms", 16, 0.3, {}),
        ("outputs shorted to ground, lasting", 0, 0.0, {}),
        ("outputs on a reversed battery, first 30 ms", -14, 1.0, {}),
        ("outputs on a reversed battery, lasting, fuses open", -14, 0.0, tripped),
    ):
        cases.append(Case(name, "outputs", outputs, {"vext": vext}, single, (), (), values))
    # the highest supplies that USB and the board's regulator can give
    return [replace(case, params={**case.params, "v5": 5.25, "v33": 3.4}) for case in cases]


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
    bom, net = parts.read_bom(), parts.read_net()
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
                if kind == "F":
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
                note(reference, "W", loss, part.rated_w)
            elif kind == "Q":
                note(reference, "V", float((volt(nodes[0]) - volt(nodes[2])).max()), part.rated_v)
            elif kind == "U" and part.model == "cmp393":
                note(reference, "V", float(max(volt(n).max() for n in nodes[:3])), part.rated_v)
            elif kind == "U" and part.model == "opto137":
                led = waves[f"i(v.x{reference.lower()}.vled)"]
                note(reference, "A", _mean(time, np.abs(led), case.repeat_s), part.rated_a)
    return found


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


# --- Monte Carlo: delay of each conditioner over tolerance and temperature

TEMPERATURE = (-10.0, 60.0)  # of the board, degrees Celsius


class Draw:
    """Random boards: every part within its tolerance (rectangular, as JCGM 100 4.3.7 has it where
    only limits are known), temperature, supplies; spreads of semiconductors from memory."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self._bom, self._net = parts.read_bom(), parts.read_net()

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
                    values[reference] = part.number * tolerance * (1 + drift)
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

    def sensor(self, kind: str) -> dict[str, float]:
        """One source for `kind` of input: what it may be connected to, from memory of the trade."""
        match kind:
            case "clamp_inductive" | "clamp_capacitive":
                slow = kind == "clamp_inductive"
                kv = self.ratio(5, 35)
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
            case "hall_optical":
                return {
                    "oc": 1,
                    "rlow": self.between(20, 150),
                    "ccable": self.ratio(0.1e-9, 1e-9),
                    "tedge": self.ratio(20e-9, 500e-9),
                }
            case "logic":
                return {
                    "oc": 0,
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
VR_SPEEDS = (100, 200, 500, 1000, 2000, 5000, 9000)


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
        if how.deck == "clamp":
            al, ca = 0.8e-6 * draw.between(0.6, 1.4), draw.between(0.3e-12, 1.5e-12)
            extras["XT101"] = (
                f"al={al:.4g} ca={ca:.4g} cb={ca * draw.between(0.4, 1):.4g} "
                f"cw={draw.between(100e-12, 350e-12):.4g} rc={draw.between(80, 250):.4g}"
            )
            params["tmax"] = 50e-9
        save = (f"v({how.pin})", f"v({how.node})")
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


def monte_carlo_vr(rpm: float, runs: int, seed: int, workers: int = 2) -> NDArray[np.float64]:
    """Delay (s) from the sensor voltage's falling zero to the pin's falling edge, float64[runs].

    Sensor: 36 teeth; 0.3 V at 100 rev/min to 100 V at 9000 rev/min, its voltage growing with speed.
    """
    draw = Draw(seed)
    blocks = ("crank_vr", "crank_select")
    freq = VR_TEETH * rpm / 60
    decks, levels = [], []
    for _ in range(runs):
        values, extras, supplies, temperature = draw.board(blocks)
        params = {
            "freq": freq,
            "vpk": rpm * draw.ratio(0.3 / 100, 100 / 9000),
            "lsens": draw.between(0.05, 0.3),
            "rsens": draw.between(400, 1200),
        }
        decks.append(
            deck(
                "crank_vr",
                {**params, **supplies},
                values,
                extras,
                temperature,
                ("v(crank)", "v(emf)"),
            )
        )
        levels.append(draw.level())
    found = np.full(runs, np.nan)
    for i, waves in enumerate(run(decks, workers)):
        stamp = edges(waves["time"], waves["v(crank)"], True, *levels[i])
        zero = 1.5 / freq
        near = stamp[np.abs(stamp - zero) < 0.25 / freq]
        if len(near) == 1:
            found[i] = near[0] - zero
    return found


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
        al, ca = 0.8e-6 * draw.between(0.6, 1.4), draw.between(0.3e-12, 1.5e-12)
        extras["XT101"] = f"al={al:.4g} ca={ca:.4g} cb={ca * draw.between(0.4, 1):.4g}"
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
    "clamp_capacitive": "from breakdown of the gap; rising at 5 to 15 kV/us, 5 to 35 kV: the "
    "lead's charging current may stamp up to some us before breakdown, hence the negative mean",
    "vr": "from the falling zero of the sensor's own voltage; 36 teeth, 0.3 V at 100 to 100 V at "
    "9000 rev/min, coil 0.05 to 0.3 H; the delay in us depends on the speed, see by_rpm",
    "hall_optical": "from the switching of the sensor; open collector, pull-up jumper on",
    "logic": "from the middle of the output's edge; 5 V logic, pull-up jumper off",
    "points": "from the opening of the contact; condenser 0.15 to 0.3 uF, 2 to 6 A",
    "isolated": "equal mix of isolated_5v and isolated_12v",
    "isolated_5v": "from the signal's edge on the 5 V terminal; the pin is inverted",
    "isolated_12v": "from the signal's edge on the 12 V terminal; the pin is inverted",
}


def _summary(delays: NDArray[np.float64]) -> dict[str, float]:
    good = delays[np.isfinite(delays)] * 1e6
    if len(good) < len(delays):
        raise RuntimeError(f"{len(delays) - len(good)} of {len(delays)} runs gave no single edge.")
    return {
        "delay_us": round(float(good.mean()), 3),
        "u_us": round(float(good.std(ddof=1)), 3),
        "least_us": round(float(good.min()), 3),
        "most_us": round(float(good.max()), 3),
    }


def find_delays(runs: int, seed: int, workers: int = 2) -> dict[str, object]:
    """Everything that delays.json says."""
    samples = {kind: monte_carlo(kind, runs, seed, workers) for kind in KINDS}
    inputs: dict[str, dict[str, object]] = {}
    for kind, found in samples.items():
        inputs[kind] = {edge: _summary(found[edge]) for edge, _ in KINDS[kind].timed}
    for name, a, b in (
        ("clamp", "clamp_inductive", "clamp_capacitive"),
        ("isolated", "isolated_5v", "isolated_12v"),
    ):
        inputs[name] = {
            edge: _summary(np.concatenate((samples[a][edge], samples[b][edge])))
            for edge in inputs[a]
        }
    by_rpm = [
        {"rpm": rpm, **_summary(monte_carlo_vr(rpm, runs, seed, workers))} for rpm in VR_SPEEDS
    ]
    inputs["vr"] = {"falling": {"by_rpm": by_rpm}}
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


# --- the command


def _report(pins: Sequence[PinResult], used: Sequence[Stress]) -> None:
    print(f"{'pin':9}{'low V':>8}{'high V':>8}{'mA':>8}  case of the highest")
    for pin in dict.fromkeys(p.pin for p in pins):
        own = [p for p in pins if p.pin == pin]
        worst = max(own, key=lambda p: p.high)
        low, amp = min(p.low for p in own), max(p.injected for p in own)
        print(f"{pin:9}{low:8.3f}{worst.high:8.3f}{amp * 1e3:8.3f}  {worst.case}")
    hardest: dict[tuple[str, str], Stress] = {}
    for s in used:
        key = (s.reference, s.quantity)
        if key not in hardest or s.value / s.rated > hardest[key].value / hardest[key].rated:
            hardest[key] = s
    print("\nhardest used parts, against their ratings")
    for s in sorted(hardest.values(), key=lambda s: -s.value / s.rated)[:15]:
        share = s.value / s.rated
        print(f"{s.reference:6}{s.value:9.3g} of {s.rated:<7g}{s.quantity} {share:5.0%}  {s.case}")


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--write", action="store_true", help="write hardware/delays.json")
    parser.add_argument("--runs", type=int, default=400, help="boards per input (default 400)")
    parser.add_argument("--seed", type=int, default=8, help="of the random boards (default 8)")
    parser.add_argument("--workers", type=int, default=2, help="ngspice processes (default 2)")
    asked = parser.parse_args()
    try:
        _report(*judge(worst_cases(), asked.workers))
        found = find_delays(asked.runs, asked.seed, asked.workers)
    except RuntimeError as error:
        print(error, file=sys.stderr)
        return 1
    text = json.dumps(found, indent=1, ensure_ascii=False)
    # one line per result
    text = re.sub(r"\{\s+(\"(?:rpm|delay_us)\"[^{}]*?)\s+\}", _one_line, text)
    if asked.write:
        (parts.FOLDER / "delays.json").write_text(text + "\n", encoding="utf-8")
    print("\n" + text)
    return 0


def _one_line(match: re.Match[str]) -> str:
    return "{" + re.sub(r"\s+", " ", match[1]) + "}"


if __name__ == "__main__":
    sys.exit(main())
