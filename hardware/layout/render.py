"""What another program sees in the zip to order: gerbv draws every layer ->
hardware/board/gerbv.png.

    python hardware/layout/render.py

Exit code 1 where gerbv is missing, complains of a file, or draws nothing.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import gerber
import parts
import rules

BOARD = parts.FOLDER / "board"
COLORS = {
    "F_Silkscreen": "#ffffffff",
    "PTH.drl": "#000000ff",
    "NPTH.drl": "#000000ff",
    "F_Paste": "#c0c0c060",
    "F_Mask": "#d9b45ba0",
    "F_Cu": "#c05020a0",
    "Edge_Cuts": "#ffff00ff",
    "B_Silkscreen": "#ff80ff60",
    "B_Mask": "#4060c040",
    "B_Cu": "#2040a060",
}


def draw(files: list[str], colors: list[str], target: Path, dpi: int) -> str:
    """gerbv's complaint about files, empty where it has none."""
    command = ["gerbv", "-x", "png", "-D", str(dpi), "-b", "#102010", "-o", str(target)]
    command += [f"-f{c}" for c in colors] + files
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    said = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()]
    said = [line for line in said if "CRITICAL" in line or "rror" in line or "arning" in line]
    if done.returncode or said or not target.exists() or target.stat().st_size < 500:
        return "; ".join(said) or f"exit code {done.returncode}, nothing drawn"
    return ""


def main() -> int:
    """Each layer alone, then all in one picture."""
    wrong = []
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        with zipfile.ZipFile(BOARD / "order.zip") as archive:
            archive.extractall(folder)
        names = [f"{rules.NAME}-{layer}.gbr" for layer in gerber.LAYERS]
        names += [f"{rules.NAME}-PTH.drl", f"{rules.NAME}-NPTH.drl"]
        try:
            for name in names:
                complaint = draw([str(folder / name)], ["#ffffffff"], folder / "one.png", 100)
                if complaint:
                    wrong.append(f"gerbv, {name}: {complaint}.")
            order = [f"{rules.NAME}-{k}" + ("" if k.endswith("drl") else ".gbr") for k in COLORS]
            complaint = draw([str(folder / n) for n in order], list(COLORS.values()),
                             BOARD / "gerbv.png", 150)  # fmt: skip
            if complaint:
                wrong.append(f"gerbv: {complaint}.")
        except FileNotFoundError:
            wrong = ["gerbv is missing: install it with `apt-get install gerbv`."]
    for sentence in wrong:
        print(sentence, file=sys.stderr)
    if not wrong:
        print(f"gerbv drew {len(names)} files without a complaint")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
