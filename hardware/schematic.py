"""Draw the schematic, one SVG per sheet; values come from bom.csv.

python hardware/schematic.py            write hardware/schematic/*.svg
python hardware/schematic.py --check    exit code 1 when a drawing is not up to date
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

import parts
import sheets_board
import sheets_inputs
from sheet import Sheet

FOLDER = parts.FOLDER / "schematic"
SHEETS: dict[str, Callable[[], Sheet]] = {
    "clamps": sheets_inputs.clamps,
    "crank": sheets_inputs.crank,
    "trigger": sheets_inputs.trigger,
    "board": sheets_board.board,
    "outputs": sheets_board.outputs,
    "first-spark": sheets_inputs.first_spark,
}


def main() -> int:
    """Write or check the drawings."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="write nothing, compare")
    check = parser.parse_args().check
    FOLDER.mkdir(exist_ok=True)
    for name, sheet in SHEETS.items():
        path = FOLDER / f"{name}.svg"
        text = sheet().svg()
        if not check:
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            print(f"{path.name} is out of date: run `make hardware`.", file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
