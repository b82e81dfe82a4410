"""`make hostile`: attacks by the thousand, a table of how they ended; fails unless all were borne.

cd tests && python -m hostile --attacks 10000
"""

import argparse
import os
import secrets
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from random import Random

from hostile.ends import OUTCOMES, REFUSED, TRACEBACK, TRIED
from hostile.kinds import KINDS

_ENOUGH = 100
# Attacks that are done one behind the other in a process; few where each takes long.
PIECE = {"install pulled": 1, "prompts at a terminal": 4, "boards that lie": 5, "a second host": 5,
         "disks": 5}  # fmt: skip


def batch(kind: str, seeds: range) -> tuple[Counter[str], list[str]]:
    """Attacks of one kind, a seed each; how they ended, and which were not borne."""
    attack, _ = KINDS[kind]
    ends: Counter[str] = Counter()
    failed = []
    home = Path.cwd()
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            os.environ["SPARKWITNESS_ENGINES"] = f"{folder}/engines"
            os.environ["XDG_DATA_HOME"] = os.environ["XDG_CONFIG_HOME"] = folder
            try:
                end = attack(Random(f"{kind} {seed}"), Path(folder))
            except Exception as error:  # an attack of ours that ends so is not borne either
                end = TRACEBACK
                failed.append(f"{kind}, seed {seed}: {error!r:.300}")
            finally:
                os.chdir(home)
        ends[end] += 1
        if end not in (TRIED, REFUSED):
            failed.append(f"{kind}, seed {seed}: {end}")
    return ends, failed


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--attacks", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1 << 30))
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", choices=list(KINDS))
    given = parser.parse_args()
    whole = sum(share for _, share in KINDS.values())
    print(f"seed {given.seed}; {'attack':24}" + "".join(f"{one:>11}" for one in ("all", *OUTCOMES)))
    began, borne = time.monotonic(), True
    counts = {
        kind: given.attacks if given.only else -(-given.attacks * share // whole)
        for kind, (_, share) in KINDS.items()
        if given.only in (None, kind)
    }
    # More than there are processors, since some attacks wait; those that wait longest begin first.
    with ProcessPoolExecutor(2 * given.jobs) as pool:
        at_work = {
            kind: [pool.submit(batch, kind, range(k, min(k + PIECE.get(kind, 25), end)))
                   for end in (given.seed + counts[kind],)
                   for k in range(given.seed, end, PIECE.get(kind, 25))]
            for kind in sorted(counts, key=lambda kind: PIECE.get(kind, 25))
        }  # fmt: skip
        for kind, parts in at_work.items():
            ends: Counter[str] = Counter()
            failed = []
            for part in parts:
                found, what = part.result()
                ends += found
                failed += what
            if counts[kind] >= _ENOUGH and not ends[TRIED]:
                failed.append(f"{kind}: all were refused, which shows nothing")
            row = "".join(f"{n:11}" for n in (counts[kind], *(ends[one] for one in OUTCOMES)))
            print(f"{kind:40}{row}", flush=True)
            for one in failed[:10]:
                print(f"  not borne: {one}", flush=True)
            borne = borne and not failed
    print(f"{time.monotonic() - began:.0f} s")
    return not borne


if __name__ == "__main__":
    sys.exit(main())
