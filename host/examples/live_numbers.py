"""Numbers from a live board into a script: one JSON line for each look.

python live_numbers.py PORT [COUNT]

Read the cautions of `sparkwitness measure --help` and of hardware/wiring.md before you clip on.
"""

import json
import sys
from itertools import islice

from sparkwitness import Reference, Setup, UserError, stream


def main(port: str, count: int | None = None) -> None:
    setup = Setup(
        reference=Reference.parse("36-1", angle=84, u_angle=0.25),
        cylinders=4,
        clamp="plug",
        commanded=10,
    )
    for result in islice(stream(port, setup), count):
        line = {
            "rpm": result.rpm,
            "timing_deg_btdc": result.timing,
            "u95_deg": None if result.timing is None else result.timing.u95,
            "findings": [f.code for f in result.findings],
        }
        print(json.dumps(line), flush=True)


if __name__ == "__main__":
    try:
        main(sys.argv[1], *map(int, sys.argv[2:3]))
    except UserError as error:
        raise SystemExit(f"error: {error}") from None
