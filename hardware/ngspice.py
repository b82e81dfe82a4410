"""Run the SPICE decks of hardware/spice many at a time, and find the edges a pin sees.

Needs ngspice (Debian: apt-get install ngspice). One ngspice process runs many decks.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
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
