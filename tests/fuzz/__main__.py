"""Run the targets with libFuzzer (atheris) and the board's parser in batches; a line for each.

cd tests && python -m fuzz --runs 1000000
"""

import argparse
import os
import re
import secrets
import subprocess
import sys
import tempfile
import time
import warnings
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from random import Random

KEPT = Path(__file__).resolve().parents[2] / "build" / "fuzz"
HANG_S, MEMORY_MB = 30, 600
SLOW_ONE_IN = 8  # frames read in the slow ways too, see targets.frames
# atheris 3.0 loses 6 to 19 kB of memory per traced input: a leak of its own, since the same inputs
# without tracing leave the process at 60 MB. So a process tries no more than PIECE, and what works
# with arrays runs, but untraced; what the decoder meets is told by tracing its reference, which
# knows no arrays.
PIECE = 25_000
NUMPY = [f"sparkwitness.{name}" for name in ("bench", "decode", "fault", "timing")]


def libfuzzer(name: str, runs: int, seed: int, corpus: str) -> None:
    """In a process of its own, which libFuzzer ends; what is new goes to the corpus."""
    import atheris

    with atheris.instrument_imports(include=["sparkwitness", "fuzz.reference"], exclude=NUMPY):
        from fuzz import targets
    target = targets.TARGETS[name]
    targets.ONE_IN = SLOW_ONE_IN
    warnings.simplefilter("error", RuntimeWarning)  # numpy's, about numbers that are none

    seeds = target.seeds()

    def mutator(data: bytes, most: int, seed: int) -> bytes:
        rng = Random(seed)
        if rng.random() < target.afresh:
            data = rng.choice(seeds)
        elif rng.random() < 0.2:
            return bytes(atheris.Mutate(data, most))
        return target.mutate(rng, data)[:most]

    for k, good in enumerate(seeds):
        Path(corpus, str(k)).write_bytes(good)
    KEPT.mkdir(parents=True, exist_ok=True)
    arguments = [
        sys.argv[0], f"-runs={runs}", f"-seed={seed}", f"-timeout={HANG_S}",
        f"-rss_limit_mb={MEMORY_MB}", f"-max_len={target.longest}",
        f"-artifact_prefix={KEPT}/{name}-", "-print_final_stats=1", "-verbosity=1",
        "-close_fd_mask=0", corpus,
    ]  # fmt: skip
    done = accepted = 0

    def one(data: bytes) -> None:
        nonlocal done, accepted
        accepted += target.check(data)
        done += 1
        if done == runs:  # libFuzzer does not come back
            print(f"stat::accepted: {accepted}", file=sys.stderr, flush=True)

    atheris.Setup(arguments, one, custom_mutator=mutator)
    atheris.Fuzz()


def board(runs: int, seed: int) -> None:
    """The command parser under MicroPython, in batches."""
    from fuzz import board as target

    rng, done, obeyed = Random(seed), 0, 0
    while done < runs:
        size = min(target.BATCH, runs - done)
        obeyed += target.check(target.inputs(rng, size))
        done += size
    print(f"stat::accepted: {obeyed}", file=sys.stderr)
    print(f"stat::number_of_executed_units: {done}", file=sys.stderr)


def child(name: str, runs: int, seed: int) -> tuple[bool, str]:
    """One target in a process of its own: whether all went well, and its line of the table."""
    begun = time.monotonic()
    done = accepted = peak = 0
    good = True
    with tempfile.TemporaryDirectory() as corpus:
        while good and done < runs:
            size = min(PIECE, runs - done)
            run = subprocess.run(
                [sys.executable, "-m", "fuzz", "--in-process", name, "--runs", str(size),
                 "--seed", str(seed + done), "--corpus", corpus],
                capture_output=True, text=True, errors="replace", check=False,
            )  # fmt: skip
            found = {k: int(n) for k, n in re.findall(r"stat::(\w+):\s+(\d+)", run.stderr)}
            tried = found.get("number_of_executed_units", 0)
            good = run.returncode == 0 and tried >= size
            done += tried
            accepted += found.get("accepted", 0)
            peak = max(peak, found.get("peak_rss_mb", 0))
    took = time.monotonic() - begun
    line = f"{name:<11}{done:>10}{accepted / max(done, 1):>10.0%}{took:>9.0f}{done / took:>8.0f}"
    line += f"{peak or '-':>9}"
    if not good:
        told = run.stderr.splitlines()[-20:] + run.stdout.splitlines()[-40:]  # the exception last
        line += "\n".join(("  FAILED", *told))
    return good, line


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m fuzz", description=__doc__)
    parser.add_argument("names", nargs="*", help="targets; all if none is named")
    parser.add_argument("--runs", type=int, default=1_000_000, help="inputs for each target")
    parser.add_argument("--seed", type=int, help="to try the same inputs again")
    parser.add_argument(
        "--jobs", type=int, default=os.cpu_count() or 1, help="targets side by side"
    )
    parser.add_argument("--in-process", help=argparse.SUPPRESS)
    parser.add_argument("--corpus", help=argparse.SUPPRESS)
    options = parser.parse_args()
    seed = secrets.randbelow(1 << 31) + 1 if options.seed is None else options.seed
    if options.in_process == "board":
        board(options.runs, seed)
        return 0
    if options.in_process:
        libfuzzer(options.in_process, options.runs, seed, options.corpus)
        return 0
    from fuzz.targets import TARGETS

    names = options.names or [*TARGETS, "board"]
    if unknown := {*names} - {*TARGETS, "board"}:
        parser.error(f"no target {', '.join(sorted(unknown))}; there are {', '.join(TARGETS)}")
    failed = []
    print(f"seed {seed}; accepted: well formed enough to be used, the rest is refused")
    print(f"{'target':<11}{'inputs':>10}{'accepted':>10}{'seconds':>9}{'per s':>8}{'peak MB':>9}")
    with ThreadPoolExecutor(max(options.jobs, 1)) as pool:
        running = {}
        for name in names:
            runs = round(options.runs * (TARGETS[name].share if name in TARGETS else 1.0))
            running[pool.submit(child, name, runs, seed)] = name
        for one in as_completed(running):
            good, line = one.result()
            print(line, flush=True)
            if not good:
                failed.append(running[one])
    if failed:
        print(f"failed: {', '.join(failed)}; inputs that fail are kept in {KEPT}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
