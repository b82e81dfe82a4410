"""Draw the schematic, one SVG per sheet; values come from bom.csv.

python hardware/schematic.py            write hardware/schematic/*.svg
python hardware/schematic.py --check    exit code 1 when a drawing is not up to date
"""

from __future__ import annotations

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
    files = ((FOLDER / f"{name}.svg", sheet().svg(), "") for name, sheet in SHEETS.items())
    return parts.generated(__doc__, files)


if __name__ == "__main__":
    sys.exit(main())
