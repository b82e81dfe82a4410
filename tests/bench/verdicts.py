"""Verdicts harness (`make verdicts`): how often a verdict is wrong and looks sure.

Modules, courses, circuits and people of `tests/truth`, which share no code with what judges them.
Goals: wrong and sure at most 5 %, cannot tell at most 20 % where the difference is twice the
margin, intervals hold the truth in 93 to 97 % (`x` marks a share whose whole 95 % interval lies
beyond its goal).
"""

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

# One case a core: threads of the linear algebra inside would only wait for each other.
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent.parent))

from sparkwitness.timing import stats
from truth import verdict_cases as cases

_MOST_TESTS = {0.0: 6, 0.1: 8}


def _one(job: tuple[str, int]) -> tuple[cases.Mark, float]:
    """One run, and what it cost in CPU seconds."""
    begin = time.process_time()
    mark = cases.CASES[job[0]](job[1])
    return mark, time.process_time() - begin


def _fleet(job: tuple[str, int, float, int]) -> list[cases.Searched]:
    return cases.searches(*job)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0, help="of the first run")
    parser.add_argument(
        "--only", action="append", metavar="TEXT",
        help="cases whose name holds this ('': all), or 'search'; may be given again",
    )  # fmt: skip
    parser.add_argument("--part", default="1/1", help="2/4: the second of four parts of the cases")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--show", type=int, default=0, help="so many of what went wrong")
    typed = parser.parse_args()
    part, parts = map(int, typed.part.split("/"))
    only = typed.only or ["", "search"]
    names = [n for n in cases.CASES if any(text in n for text in only)][part - 1 :: parts]
    bad, spent = 0, 0.0
    with ProcessPoolExecutor(typed.jobs) as pool:
        heads = ("wrong and sure, %", "cannot tell, %", "held, %")
        print(f"{'case':45s} {' '.join(f'{h:>18s}' for h in heads)} {'CPU, s':>8s}")
        for name in names:
            jobs = [(name, typed.seed + k) for k in range(typed.runs)]
            marks, costs = zip(*pool.map(_one, jobs), strict=True)
            spent += sum(costs)
            n, wrong = len(marks), sum(m.wrong for m in marks)
            unknown = sum(m.unknown for m in marks)
            held = [m.held for m in marks if m.held is not None]
            beyond = stats.clopper_pearson(wrong, n)[0] > 0.05
            beyond |= stats.clopper_pearson(unknown, n)[0] > 0.20
            beyond |= bool(held) and stats.clopper_pearson(sum(held), len(held))[1] < 0.93
            bad += beyond
            print(
                f"{name:45s} {cases.share95(wrong, n):>18s} {cases.share95(unknown, n):>18s} "
                f"{cases.share95(sum(held), len(held)) if held else '-':>18s} {sum(costs):8.1f} "
                f"{'x' if beyond else ''}",
                flush=True,
            )
            for m in [m for m in marks if m.wrong or m.unknown or m.held is False][: typed.show]:
                print(f"    {m}")
        print(f"{'all of these':45s} {spent:66.1f}", flush=True)
        if "search" in only:
            bad += _searches(pool, typed.runs, typed.seed + 3)
    sys.exit(1 if bad else 0)


def _searches(pool: ProcessPoolExecutor, runs: int, seed: int) -> int:
    print("\nsearch: engines, answers wrong; named right, sure, wrong and sure, not found, tests")
    jobs = [(what, runs, wrong, seed) for wrong in (0.0, 0.1) for what in cases.FLEETS]
    bad = 0
    fleet: dict[float, list[cases.Searched]] = {}
    for (what, _, wrong, _), found in zip(jobs, pool.map(_fleet, jobs), strict=True):
        n = len(found)
        fleet.setdefault(wrong, []).extend(found)
        lies = sum(s.sure and not s.right for s in found)
        beyond = stats.clopper_pearson(lies, n)[0] > 0.05
        bad += beyond
        kinds = {k: sum(s.kind == k for s in found) for k in ("nothing", "unlisted", "fleeting")}
        erred = [s for s in found if s.erred]
        print(
            f"{what:9s} {wrong:4.0%}  right {sum(s.right for s in found) / n:4.0%}  sure "
            f"{sum(s.sure for s in found) / n:4.0%}  wrong and sure {cases.share95(lies, n)}  "
            f"told as {', '.join(f'{k} {v / n:.0%}' for k, v in kinds.items())}  contradiction "
            f"told {sum(s.doubted for s in erred)} of {len(erred)}  tests "
            f"{sum(s.tests for s in found) / n:.2f} {'x' if beyond else ''}",
            flush=True,
        )
    for wrong, found in fleet.items():
        sure = [s for s in found if s.sure]
        right, mean = sum(s.right for s in sure), sum(s.tests for s in found) / len(found)
        beyond = stats.clopper_pearson(right, len(sure))[1] < 0.95 or mean > _MOST_TESTS[wrong]
        bad += beyond
        print(
            f"all five  {wrong:4.0%}  of {len(sure)} sure links right "
            f"{cases.share95(right, len(sure))}  tests {mean:.2f} (goal {_MOST_TESTS[wrong]}) "
            f"{'x' if beyond else ''}"
        )
    return bad


if __name__ == "__main__":
    main()
