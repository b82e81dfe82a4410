"""Run the targets with libFuzzer (atheris) and the board's parser in batches; a table at the end.

cd tests && python -m fuzz --runs 1000000
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from random import Random

KEPT = Path(__file__).resolve().parents[2] / "build" / "fuzz"
HANG_S, MEMORY_MB = 30, 600
# atheris 3.0 loses some 19 kB of memory per traced comparison of arrays: a leak of its own, since
# the same inputs without tracing leave the process at 48 MB. These modules run, but untraced.
NUMPY = [f"sparkwitness.{name}" for name in (
    "advice", "angle", "conditioner", "cranking", "edges", "events", "faultfind", "kernels",
    "measure", "timing",
)]  # fmt: skip


def libfuzzer(name: str, runs: int) -> None:
    """In a process of its own: libFuzzer ends the process itself."""
    import atheris

    with atheris.instrument_imports(include=["sparkwitness"], exclude=NUMPY):
        from fuzz import targets
    target = targets.TARGETS[name]

    def mutator(data: bytes, most: int, seed: int) -> bytes:
        rng = Random(seed)
        if rng.random() < 0.2:
            return bytes(atheris.Mutate(data, most))
        return target.mutate(rng, data)[:most]

    corpus = tempfile.TemporaryDirectory()
    seeds = target.seeds()
    for k, seed in enumerate(seeds):
        Path(corpus.name, str(k)).write_bytes(seed)
    longest = 2 * max(map(len, seeds)) + 1000
    KEPT.mkdir(parents=True, exist_ok=True)
    arguments = [
        sys.argv[0], f"-runs={runs}", f"-timeout={HANG_S}", f"-rss_limit_mb={MEMORY_MB}",
        f"-max_len={longest}", f"-artifact_prefix={KEPT}/{name}-", "-print_final_stats=1",
        "-verbosity=1", "-close_fd_mask=0", corpus.name,
    ]  # fmt: skip

    def one(data: bytes) -> None:
        target.check(data)

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
        print(f"#{done} obeyed {obeyed}", file=sys.stderr, flush=True)
    print(f"stat::number_of_executed_units: {done}", file=sys.stderr)


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m fuzz", description=__doc__)
    parser.add_argument("names", nargs="*", help="targets; all if none is named")
    parser.add_argument("--runs", type=int, default=1_000_000, help="inputs for each target")
    parser.add_argument("--seed", type=int, default=1, help="of the board's inputs")
    parser.add_argument("--in-process", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.in_process == "board":
        board(options.runs, options.seed)
        return 0
    if options.in_process:
        libfuzzer(options.in_process, options.runs)
        return 0
    from fuzz.targets import TARGETS

    failed = []
    print(f"{'target':<11}{'inputs':>10}{'seconds':>9}{'per s':>8}{'peak MB':>9}")
    for name in options.names or [*TARGETS, "board"]:
        runs = round(options.runs * (TARGETS[name].share if name in TARGETS else 1.0))
        begun = time.monotonic()
        run = subprocess.run(
            [sys.executable, "-m", "fuzz", "--in-process", name, "--runs", str(runs),
             "--seed", str(options.seed)],
            capture_output=True, text=True, errors="replace", check=False,
        )  # fmt: skip
        took = time.monotonic() - begun
        found = dict(re.findall(r"stat::(\w+):\s+(\d+)", run.stderr))
        done = int(found.get("number_of_executed_units", 0))
        memory = found.get("peak_rss_mb", "-")
        good = run.returncode == 0 and done >= runs
        line = f"{name:<11}{done:>10}{took:>9.0f}{done / took:>8.0f}{memory:>9}"
        print(line + ("" if good else "  FAILED"), flush=True)
        if not good:
            failed.append(name)
            print("\n".join((run.stdout + run.stderr).splitlines()[-40:]))
    if failed:
        print(f"failed: {', '.join(failed)}; inputs that fail are kept in {KEPT}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
