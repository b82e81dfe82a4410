"""Two recordings compared: what changed, how surely, and what cancels.

python two_runs.py BEFORE.swrec AFTER.swrec
"""

import sys

from sparkwitness import Setup, UserError
from sparkwitness.decode.recording import Recording
from sparkwitness.timing import compare


def side(path: str) -> compare.Side:
    """One of the two, with what was typed when it was recorded."""
    typed = Recording(path).setup
    if typed is None:
        raise UserError(f"{path} does not say what was typed")
    return compare.side_of_recording(path, path, Setup.from_dict(typed))


def main(before: str, after: str) -> None:
    found = compare.compare(side(before), side(after))
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
