"""Simulate the circuits: ratings, delays, dead time.

    python hardware/simulate.py              worst cases, delays, dead time: a table
    python hardware/simulate.py --check      worst cases only; exit code 1 where a limit is passed
    python hardware/simulate.py --write      all, and write hardware/delays.json

Needs ngspice (Debian: apt-get install ngspice).
"""

from __future__ import annotations

import argparse
import json
import re
import sys

import claims
import parts
import summary
from delays import find_delays
from stress import judge, passed, worst_cases


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--check", action="store_true", help="worst cases only")
    parser.add_argument("--write", action="store_true", help="write hardware/delays.json")
    parser.add_argument("--runs", type=int, default=400, help="boards per input (default 400)")
    parser.add_argument("--seed", type=int, default=8, help="of the random boards (default 8)")
    parser.add_argument("--workers", type=int, default=2, help="ngspice processes (default 2)")
    asked = parser.parse_args()
    try:
        pins, used = judge(worst_cases(), asked.workers)
        print("\n".join([*summary.pin_table(pins), "", *summary.stress_table(used, 15)]))
        wrong = passed(pins, used) + claims.broken(asked.workers)
        for sentence in wrong:
            print(sentence, file=sys.stderr)
        if wrong or asked.check:
            return 1 if wrong else 0
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
