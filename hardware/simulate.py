"""Run the SPICE decks of hardware/spice many at a time and say what comes out.

    python hardware/simulate.py              worst cases, delays, dead time: a table
    python hardware/simulate.py --write      the same, and write hardware/delays.json

Needs ngspice (Debian: apt-get install ngspice). One ngspice process runs many decks.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
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
    return f"{text}\n.temp {temperature:.6g}\n.save {' '.join(keep)}\n.end\n"


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
        if not raw.exists():
            tail = "\n".join((done.stdout + done.stderr).splitlines()[-20:])
            raise RuntimeError(f"ngspice gave no result for deck {i} of the batch:\n{tail}")
        waves.append(_read_raw(raw))
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

    The defaults are the guaranteed levels of the RP2040's inputs at 3.3 V (its data sheet's V_IH and
    V_IL, from memory).
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
    "ISO 7637-2 pulse 1": (dict(us=-150, tr=1e-6, td=2e-3, ri=10, tstop=6e-3), 0.5),
    "ISO 7637-2 pulse 2a": (dict(us=112, tr=1e-6, td=50e-6, ri=2, tstop=1e-3), 0.2),
    "ISO 7637-2 pulse 3a": (dict(us=-220, tr=5e-9, td=150e-9, ri=50, tstop=105e-6), 0.0),
    "ISO 7637-2 pulse 3b": (dict(us=150, tr=5e-9, td=150e-9, ri=50, tstop=105e-6), 0.0),
    "ISO 16750-2 load dump": (dict(us=87.5, tr=10e-3, td=0.4, ri=0.5, tstop=0.6), 60.0),
    "ISO 16750-2 jump start": (dict(ua=24, us=0.0, ri=0.1, tstop=10e-3), 0.0),
    "ISO 16750-2 reversed battery, first 0.1 s": (dict(ua=-14, us=0.0, ri=0.1, tstop=0.1), 1.0),
}


def worst_cases() -> list[Case]:
    """All worst cases of the inputs and outputs."""
    blocks = ("clamp_a", "clamp_threshold")
    solid = dict(kv=40, kv_us=2, rlead=5, rplug=1, llead=0.6e-6, rgap=5, tgap=5e-9)
    fine = dict(tstop=50e-6, tmax=2e-9)
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
            dict(kv=40, kv_us=2, iarc=0.1, tarc=1e-3, tstop=1.2e-3, tmax=100e-9),
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
                    f"{name}, {'5 V tap' if five else '12 V tap'}, pull-up {'on' if pull else 'off'}",
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
            dict(ua=-14, us=0.0, ri=0.1, tstop=10e-3),
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
                dict(icoil=6, spark=spark, vbat=16, period=10e-3, topen=6e-3, tstop=20e-3),
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
                dict(vpk=volt, freq=36 * rpm / 60, rsens=10, lsens=1e-3),
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
                dict(oc=oc, vhi=5.5, tedge=5e-9),
                0.0,
                ("crank",),
            )
        )
    cases.append(
        Case("isolated, 16 V", "isolated", ("isolated",), dict(vhi=16), 0.0, ("trigger",))
    )
    outputs = ("bench", "bench_crank", "bench_power", "lamp")
    tripped = {f: 400.0 for f in ("F901", "F902", "F911", "F912")}
    for name, vext, single, values in (
        ("outputs shorted to 16 V, lasting, fuses open", 16, 0.0, tripped),
        ("outputs shorted to 16 V, first 30 ms", 16, 0.3, {}),
        ("outputs shorted to ground, lasting", 0, 0.0, {}),
        ("outputs on a reversed battery, first 30 ms", -14, 1.0, {}),
        ("outputs on a reversed battery, lasting, fuses open", -14, 0.0, tripped),
    ):
        cases.append(
            Case(name, "outputs", outputs, dict(vext=vext), single, (), (), values)
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
    """Largest magnitude that lasts for `window`: one point alone is the solver's, not the part's."""
    grid = np.arange(time[0], time[-1], window)
    if len(grid) < 3:
        return float(np.abs(y).max())
    charge = np.concatenate(([0.0], np.cumsum(np.diff(time) * (y[1:] + y[:-1]) / 2)))
    return float(np.abs(np.diff(np.interp(grid, time, charge)) / window).max())


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
