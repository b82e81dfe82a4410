"""`make mutants`: the core is changed by a little, one place at a time; the tests must notice.

A table says for each file how many changes were tried, noticed, not noticed, equivalent (listed
with a reason in equivalent.toml) and not run by any test; each that was not noticed is listed. The
kept tools for this choose no tests by coverage or do not bear files that run under two
interpreters, so this one is small and ours. Tests come by coverage: those that run the changed
line, quick ones first, up to --most seconds.
"""

import argparse
import hashlib
import importlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections import Counter
from dataclasses import asdict, dataclass
from multiprocessing.pool import ThreadPool
from pathlib import Path
from typing import Any

from mutants.sites import Mutant, mutants

ROOT = Path(__file__).resolve().parents[2]
BUILD = ROOT / "build" / "mutants"
CORE = (
    "host/sparkwitness/timing", "host/sparkwitness/bench", "host/sparkwitness/decode",
    "host/sparkwitness/fault", "firmware",
)  # fmt: skip
# Tests that can notice a number; browsers, documents and release are not among them.
TESTS = (
    "tests/decode", "tests/timing", "tests/module", "tests/fault", "tests/firmware",
    "tests/device", "tests/records", "tests/truth", "tests/cli", "tests/faces/test_report.py",
    "tests/faces/test_live.py", "tests/faces/test_live_server.py", "tests/faces/test_picture.py",
    "tests/faces/test_voice.py", "tests/whole/test_api.py", "tests/whole/test_mended.py",
    "tests/whole/test_faults.py",
)  # fmt: skip
# What cannot be traced: compiled code.
COMPILED = "host/sparkwitness/decode/kernels/compiled.py"
UNTRACED = {COMPILED: ("tests/decode/",)}
GOAL_FILE, GOAL = 0.90, 0.95


@dataclass(frozen=True)
class Result:
    """What became of one mutant: killed, survived, not covered; `by`: tests that were run."""

    mutant: Mutant
    became: str
    by: int
    seconds: float


def _files() -> list[Path]:
    found = [p for folder in CORE for p in sorted((ROOT / folder).rglob("*.py"))]
    return [p for p in found if mutants("", p.read_text(encoding="utf-8"))]


def _test_files() -> list[Path]:
    found = [p for t in TESTS for p in sorted((ROOT / t).rglob("test_*.py"))]
    return found + [ROOT / t for t in TESTS if t.endswith(".py")]


def _digest(paths: list[Path]) -> str:
    sha = hashlib.sha256()
    for path in paths:
        sha.update(path.read_bytes())
    return sha.hexdigest()


def _map(jobs: int, keep: bool) -> list[Path]:
    """For each file of tests: which of its tests runs which line, found by one traced run of it.

    Found once and kept until the core, what tests share or the file itself is changed; `keep`:
    until the file itself is.
    """
    shared = [p for f in ("host/sparkwitness", "firmware") for p in (ROOT / f).rglob("*.py")]
    shared += [p for p in (ROOT / "tests").rglob("*.py") if not p.name.startswith("test_")]
    common = "" if keep else _digest(sorted(shared))
    (BUILD / "seen").mkdir(parents=True, exist_ok=True)
    maps: list[Path] = []
    todo: list[tuple[Path, Path, str]] = []
    for path in _test_files():
        told = (
            BUILD / "seen" / f"{path.relative_to(ROOT / 'tests').as_posix().replace('/', '-')}.json"
        )
        maps.append(told)
        mark = told.with_suffix(".of")
        own = _digest([path])
        had = mark.read_text(encoding="utf-8").split() if told.exists() and mark.exists() else []
        if had != [own, common] and not (keep and had[:1] == [own]):
            todo.append((path, told, f"{own} {common}"))
    if todo:
        print(f"which test runs which line: {len(todo)} files of tests, traced", flush=True)
    with ThreadPool(jobs) as pool:
        for path, seconds in pool.imap_unordered(_traced, todo):
            print(f"{seconds:7.1f} s  {path.relative_to(ROOT)}", flush=True)
    return maps


def _traced(one: tuple[Path, Path, str]) -> tuple[Path, float]:
    path, told, mark = one
    begun = time.monotonic()
    run = [sys.executable, "-m", "pytest", "-p", "mutants.seen", "-p", "no:cacheprovider"]
    env = {**os.environ, "SPARKWITNESS_SEEN": str(told), "PYTHONPATH": "tests"}
    told.unlink(missing_ok=True)
    quiet: dict[str, Any] = {"cwd": ROOT, "stdout": subprocess.DEVNULL, "stderr": subprocess.STDOUT}
    subprocess.run([*run, str(path)], env=env, check=False, **quiet)
    if told.exists():
        failed = json.loads(told.read_text(encoding="utf-8"))["failed"]
        if failed:
            subprocess.run(
                [*run, *failed], env={**env, "SPARKWITNESS_PLAIN": "1"}, check=False, **quiet
            )
        told.with_suffix(".of").write_text(mark, encoding="utf-8")
    return path, time.monotonic() - begun


class Chosen:
    """Which tests to run for a line."""

    def __init__(self, maps: list[Path], most_s: float) -> None:
        self._tests: list[tuple[str, float]] = []
        self._lines: dict[str, dict[str, list[int]]] = {}
        for seen in maps:
            if not seen.exists():
                continue
            told = json.loads(seen.read_text(encoding="utf-8"))
            first, failed = len(self._tests), set(told["failed"])
            self._tests += [(name, took) for name, took in told["tests"]]
            for file, lines in told["lines"].items():
                mine = self._lines.setdefault(file, {})
                for line, tests in lines.items():
                    mine.setdefault(line, []).extend(
                        first + n for n in tests if told["tests"][n][0] not in failed
                    )
        self._most = most_s
        self._killers: dict[str, list[tuple[int, str]]] = {}

    def killed(self, mutant: Mutant, by: str) -> None:
        """Tests that noticed a change near by come first."""
        self._killers.setdefault(mutant.file, []).append((mutant.line, by))

    def tests(self, mutant: Mutant) -> tuple[list[str], float]:
        """Their names, and the seconds that they take when all pass."""
        lines = self._lines.get(mutant.file, {})
        numbers = set(lines.get(str(mutant.line), []))
        if not numbers:  # a constant of the module, or a default: whoever uses the file
            numbers = {n for tests in lines.values() for n in tests}
        for name, folders in UNTRACED.items():
            if mutant.file.startswith(name):
                numbers |= {
                    n for n, (test, _) in enumerate(self._tests) if test.startswith(folders)
                }
        names: list[str] = []
        seconds = 0.0
        near = sorted(self._killers.get(mutant.file, []), key=lambda k: abs(k[0] - mutant.line))
        first = {name: n for n, name in reversed(list(enumerate(name for _, name in near[:12])))}
        for name, took in sorted(
            (self._tests[n] for n in numbers), key=lambda t: (first.get(t[0], len(near)), t[1])
        ):
            if names and seconds + took > self._most:
                break
            names.append(name)
            seconds += took
        return names, seconds


def _tree(number: int) -> Path:
    """A copy of the project, in which files may be changed."""
    tree = BUILD / f"tree{number}"
    shutil.rmtree(tree, ignore_errors=True)
    shutil.copytree(
        ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "build", "dist", "__pycache__")
    )
    return tree


def _tried(mutant: Mutant, tree: Path, chosen: Chosen, number: int) -> Result:
    names, expected = chosen.tests(mutant)
    if not names:
        return Result(mutant, "not covered", 0, 0.0)
    path = tree / mutant.file
    before, stat = path.read_text(encoding="utf-8"), path.stat()
    path.write_text(mutant.apply(before), encoding="utf-8")
    # Compiled files are known by their time in seconds.
    os.utime(path, (1_700_000_000 + number, 1_700_000_000 + number))
    begun = time.monotonic()
    try:
        code = _run(tree, names, 3 * expected + 60)
        if code in (4, 5):  # a case named by what was changed: all cases of its test
            code = _run(tree, sorted({n.partition("[")[0] for n in names}), 3 * expected + 120)
    finally:
        path.write_text(before, encoding="utf-8")
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    became = "survived" if code == 0 else "killed"
    noticed = tree / "noticed"
    if noticed.exists():
        chosen.killed(mutant, noticed.read_text(encoding="utf-8"))
        noticed.unlink()
    return Result(mutant, became, len(names), time.monotonic() - begun)


def _run(tree: Path, names: list[str], most_s: float) -> int:
    """Exit code of pytest, in a process forked from this one, that has the libraries already."""
    child = os.fork()
    if child == 0:
        try:
            os._exit(_pytest(tree, names))
        finally:
            os._exit(99)
    end = time.monotonic() + most_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return 98


def _pytest(tree: Path, names: list[str]) -> int:
    import pytest

    os.setsid()
    os.chdir(tree)
    out = os.open(tree / "pytest.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(out, 1)
    os.dup2(out, 2)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.environ["PYTHONPATH"] = str(tree / "host")
    sys.path[:] = [str(tree / "host"), *(p for p in sys.path if not p.startswith(str(ROOT / "host"))
                                         and not p.startswith(str(ROOT / "tests")))]  # fmt: skip
    for name in [n for n in sys.modules if n.split(".")[0] in ("mutants", "sparkwitness")]:
        del sys.modules[name]
    if (tree / COMPILED).stat().st_mtime < 1_750_000_000:
        os.environ["NUMBA_DISABLE_JIT"] = "1"  # to compile it anew takes longer than the tests
    options = ["-x", "-q", "-p", "no:cacheprovider", "--rootdir", str(tree)]
    return int(pytest.main([*options, *names], plugins=[_Noticed(tree / "noticed")]))


class _Noticed:
    """Writes down which test noticed."""

    def __init__(self, out: Path) -> None:
        self.out = out

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.out.write_text(report.nodeid, encoding="utf-8")


_mine: dict[str, Any] = {}  # of a worker: its tree, and which tests to run


def _worker(numbers: Any, chosen: Chosen) -> None:
    _mine.update(tree=_tree(numbers.get()), chosen=chosen)


def _one(numbered: tuple[int, Mutant]) -> Result:
    return _tried(numbered[1], _mine["tree"], _mine["chosen"], numbered[0])


def _equivalent(mutant: Mutant, text: str, known: list[dict[str, str]]) -> bool:
    line = text.splitlines()[mutant.line - 1].strip()
    return any(
        one["file"] == mutant.file and one["line"] == line
        and one["old"] == mutant.old and one["new"] == mutant.new
        for one in known
    )  # fmt: skip


def _preload() -> None:
    """Libraries that each run would load again."""
    for name in ("hypothesis", "numba", "pytest", "scipy.stats"):
        importlib.import_module(name)


def main() -> int:
    """The table, and 0 if the goals are met."""
    parser = argparse.ArgumentParser(prog="mutants", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--per-file", type=int, default=20)
    parser.add_argument("--only", action="append", default=[], help="files whose name holds this")
    parser.add_argument("--most", type=float, default=45.0, help="seconds of tests for a mutant")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--keep-map", action="store_true", help="even if the core has changed")
    asked = parser.parse_args()
    BUILD.mkdir(parents=True, exist_ok=True)
    chosen = Chosen(_map(asked.jobs, asked.keep_map), asked.most)
    known = tomllib.loads((Path(__file__).parent / "equivalent.toml").read_text(encoding="utf-8"))
    texts: dict[str, str] = {}
    drawn: list[Mutant] = []
    same: Counter[str] = Counter()
    for path in _files():
        name = str(path.relative_to(ROOT))
        if asked.only and not any(part in name for part in asked.only):
            continue
        texts[name] = path.read_text(encoding="utf-8")
        all_of_it = mutants(name, texts[name])
        rng = random.Random(f"{asked.seed} {name}")
        for mutant in rng.sample(all_of_it, min(asked.per_file, len(all_of_it))):
            if _equivalent(mutant, texts[name], known.get("mutant", [])):
                same[name] += 1
            else:
                drawn.append(mutant)
    _preload()
    results: list[Result] = []
    # Workers of one thread each: they fork once more for each run of the tests.
    fork = multiprocessing.get_context("fork")
    numbers = fork.SimpleQueue()
    for number in range(asked.jobs):
        numbers.put(number)
    with fork.Pool(asked.jobs, _worker, (numbers, chosen)) as pool:
        for result in pool.imap_unordered(_one, enumerate(drawn)):
            results.append(result)
            if result.became != "killed":
                m = result.mutant
                print(f"{result.became}: {m.file}:{m.line}: {m.old!r} -> {m.new!r} "
                      f"({result.by} tests)", flush=True)  # fmt: skip
    (BUILD / f"seed{asked.seed}.json").write_text(
        json.dumps([asdict(r) for r in results], indent=1), encoding="utf-8"
    )
    return _table(results, same, sorted(texts))


def _table(results: list[Result], same: Counter[str], files: list[str]) -> int:
    print(f"\n{'file':<48} tried killed survived equivalent not covered  killed")
    met = True
    total: Counter[str] = Counter()
    for file in files:
        count = Counter(r.became for r in results if r.mutant.file == file)
        total += count + Counter({"equivalent": same[file]})
        n = sum(count.values())
        share = count["killed"] / n if n else 1.0
        met = met and share >= GOAL_FILE and same[file] <= max(1, 0.1 * (n + same[file]))
        print(f"{file:<48} {n + same[file]:5} {count['killed']:6} {count['survived']:8} "
              f"{same[file]:10} {count['not covered']:11} {100 * share:6.0f} %")  # fmt: skip
    n = sum(total.values()) - total["equivalent"]
    share = total["killed"] / n if n else 1.0
    print(f"{'all':<48} {n + total['equivalent']:5} {total['killed']:6} {total['survived']:8} "
          f"{total['equivalent']:10} {total['not covered']:11} {100 * share:6.1f} %")  # fmt: skip
    return 0 if met and share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
