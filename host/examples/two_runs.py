"""Two recordings compared: what changed, how surely, and what cancels.

python two_runs.py BEFORE.swrec AFTER.swrec
"""

import sys
from pathlib import Path

from sparkwitness import UserError, recorded_setup
from sparkwitness.records.replay import side_of_recording
from sparkwitness.timing.compare import compare


def main(before: str, after: str) -> None:
    one, other = (side_of_recording(Path(p), p, recorded_setup(p)) for p in (before, after))
    found = compare(one, other)
    print(found.headline)
    for change in found.changes:
        print(f"  {change.name}: {change.text()} ({change.verdict})")
    for line in found.assumed:
        print(f"- {line}")


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except UserError as error:
        raise SystemExit(f"error: {error}") from None
