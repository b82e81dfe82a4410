"""A recording measured again: the number, what its uncertainty is made of, and another assumption.

python a_recording.py FILE.swrec
"""

import sys
from dataclasses import replace

from sparkwitness import measure_recording, recorded_setup


def main(path: str) -> None:
    result = measure_recording(path)
    if result.timing is None or result.budget is None:
        raise SystemExit("no angle can be told: " + result.findings[0].text)
    print(
        f"timing {result.timing:.2f}° ± {result.timing.u95:.2f}° BTDC from {result.events} events"
    )
    for line in sorted(result.budget.components, key=lambda line: -line.u):
        print(f"  {line.u:.3f}°  {line.name} ({line.note})")

    setup = recorded_setup(path)
    moved = replace(setup, reference=replace(setup.reference, angle=setup.reference.angle + 1))
    other = measure_recording(path, moved)
    print(f"with the reference angle 1° larger: {other.timing:.2f}° BTDC")


if __name__ == "__main__":
    main(sys.argv[1])
