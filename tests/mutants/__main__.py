"""`make mutants`: the core is changed by a little, one place at a time; the tests must notice.

A table says for each file how many changes were tried, noticed, not noticed, equivalent (listed
with a reason in equivalent.toml) and not run by any test; each that was not noticed is listed. The
kept tools for this choose no tests by coverage or do not bear files that run under two
interpreters, so this one is small and ours. Tests come by coverage: those that run the changed
line, or where it sets a constant those that run a line with its name, quick ones first and those
that noticed a change near by in any run, up to --most seconds.
"""

import argparse
import functools
import importlib
import json
import multiprocessing
import os
import random
import re
import subprocess
import sys
import time
import tomllib
from collections import Counter
from dataclasses import asdict, replace
from multiprocessing.pool import ThreadPool
from pathlib import Path
from typing import Any

from mutants.seen import digest
from mutants.sites import Mutant, function_at, mutants, names_set
from mutants.trial import BUILD, COMPILED, ROOT, Result, Worker

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
UNTRACED = {
    COMPILED: ("tests/decode/",),
    "firmware/arm.py": ("tests/firmware/test_firmware_arm.py",),
    "firmware/chip.py": ("tests/firmware/test_registers.py",),
    # What works the registers runs on an emulated processor.
    "firmware/lamp.py": ("tests/firmware/test_firmware_arm.py::test_arm_code_works_the_registers",),
    # Generated: a test makes them anew.
    **{
        f"firmware/{name}.py": ("tests/firmware/test_firmware_codec.py::test_generated",)
        for name in ("delays", "pins", "wire")
    },
}
GOAL_FILE, GOAL = 0.90, 0.95
NOTICED = BUILD / "noticed"  # which test noticed a change of which line: the next run is quicker
NEAR = 12


def _files() -> list[Path]:
    found = [p for folder in CORE for p in sorted((ROOT / folder).rglob("*.py"))]
    return [p for p in found if mutants("", p.read_text(encoding="utf-8"))]


def _test_files() -> list[Path]:
    found = [p for t in TESTS for p in sorted((ROOT / t).rglob("test_*.py"))]
    return found + [ROOT / t for t in TESTS if t.endswith(".py")]


def _map(jobs: int, keep: bool, parts: list[str]) -> list[Path]:
    """For each file of tests: which of its tests runs which line, found by one traced run of it.

    Found once and kept until it, a file of the core that it runs, or what tests share is changed;
    `keep`: until it is.
    """
    helpers = [p for p in (ROOT / "tests").rglob("*.py") if not p.name.startswith("test_")]
    shared = sorted(p for p in helpers if p.parent.name != "mutants" or p.name == "seen.py")
    common = "" if keep else digest(shared)
    (BUILD / "seen").mkdir(parents=True, exist_ok=True)
    maps: list[Path] = []
    todo: list[tuple[Path, Path, str]] = []
    for path in _test_files():
        if parts and not any(part in str(path) for part in parts):
            continue
        told = (
            BUILD / "seen" / f"{path.relative_to(ROOT / 'tests').as_posix().replace('/', '-')}.json"
        )
        maps.append(told)
        mark = told.with_suffix(".of")
        own = digest([path])
        had = mark.read_text(encoding="utf-8").split() if told.exists() and mark.exists() else []
        if not (had[:1] == [own] and (keep or (had[1:] == [common] and not _changed(told)))):
            todo.append((path, told, f"{own} {common}"))
    if todo:
        print(f"which test runs which line: {len(todo)} files of tests, traced", flush=True)
    with ThreadPool(jobs) as pool:
        for path, seconds in pool.imap_unordered(_traced, todo):
            print(f"{seconds:7.1f} s  {path.relative_to(ROOT)}", flush=True)
    for told in maps:
        seen = json.loads(told.read_text(encoding="utf-8")) if told.exists() else {}
        for name in seen.get("short", ()):
            print(f"fails when traced, so that not all of its lines are known: {name}")
    return maps


def _changed(seen: Path) -> set[str]:
    """Files of the core that are not what they were when the map was made."""
    core = json.loads(seen.read_text(encoding="utf-8"))["core"]
    return {
        file for file, was in core.items()
        if not (ROOT / file).exists() or digest([ROOT / file]) != was
    }  # fmt: skip


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
    else:  # or its tests would be left out without a word, and what they notice be called missed
        raise SystemExit(f"{path.relative_to(ROOT)}: its traced run came to no end")
    return path, time.monotonic() - begun


@functools.cache
def used(file: str, line: int) -> list[tuple[str, int]]:
    """Where the names stand that are set on this line outside of all functions: (file, line).

    That line itself is run by whichever test loads the file first, and says little.
    """
    text = (ROOT / file).read_text(encoding="utf-8")
    names, own = names_set(text, line)
    if not names:
        return [(file, own)] if own else []
    folder = (ROOT / file).parent
    word = re.compile(rf"\b({'|'.join(names)})\b")
    return [
        (str(path.relative_to(ROOT)), n)
        for path in sorted(folder.rglob("*.py"))
        for n, row in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if word.search(row) and (path, n) != (ROOT / file, line)
    ]


class Chosen:
    """Which tests to run for a line."""

    def __init__(self, maps: list[Path], most_s: float) -> None:
        self._tests: list[tuple[str, float]] = []
        self._lines: dict[str, dict[str, list[int]]] = {}
        self._loaded: dict[str, set[int]] = {}
        for seen in maps:
            if not seen.exists():
                continue
            told = json.loads(seen.read_text(encoding="utf-8"))
            first, failed = len(self._tests), set(told["failed"])
            for file, rows in told.get("loaded", {}).items():
                self._loaded.setdefault(file, set()).update(rows)
            self._tests += [(name, took) for name, took in told["tests"]]
            changed = _changed(seen)
            for file, lines in told["lines"].items():
                mine = self._lines.setdefault(file, {})
                if file in changed:  # other lines than then: whoever runs the file
                    lines = {"": sorted({n for tests in lines.values() for n in tests})}
                for line, tests in lines.items():
                    mine.setdefault(line, []).extend(
                        first + n for n in tests if told["tests"][n][0] not in failed
                    )
        self._most = most_s
        self.took = dict(self._tests)
        self._killers: dict[str, list[tuple[int, str]]] = {}
        self._read = 0
        self._known: set[str] = set()
        self._left: set[str] = set()

    def trusts(self, name: str) -> bool:
        """Whether this test noticed a change before, in this run."""
        return name in self._known

    def keep(self, mutant: Mutant, by: str) -> None:
        """For the changes near by, of this run, of both workers, and of later runs."""
        self._known.add(by)
        with NOTICED.open("a", encoding="utf-8") as file:
            file.write(json.dumps([mutant.file, mutant.line, by]) + "\n")

    def _near(self, mutant: Mutant) -> set[str]:
        """The tests that noticed the changes nearest to this one."""
        NOTICED.touch()
        with NOTICED.open(encoding="utf-8") as file:
            file.seek(self._read)
            while (row := file.readline()).endswith("\n"):
                name, line, by = json.loads(row)
                if by in self.took:
                    self._killers.setdefault(name, []).append((line, by))
                self._read = file.tell()
        killers = sorted(self._killers.get(mutant.file, []), key=lambda k: abs(k[0] - mutant.line))
        return set(list(dict.fromkeys(by for _, by in killers))[:NEAR])

    def leave(self, name: str) -> None:
        """A test that fails without any change, here, says nothing."""
        self._left.add(name)

    def runs(self, mutant: Mutant) -> bool:
        """Whether any test was seen to run the line; what a process of its own runs is not seen."""
        lines = self._lines.get(mutant.file, {})
        seen = lines.get(str(mutant.line)) or lines.get("") or self.at_load(mutant)
        return bool(seen) or mutant.file in UNTRACED

    def at_load(self, mutant: Mutant) -> bool:
        """Whether the line has its effect, or a part of it, when the file is loaded."""
        return mutant.line in self._loaded.get(mutant.file, ())

    def tests(self, mutant: Mutant) -> tuple[list[str], float]:
        """Their names, and the seconds that they take when all pass."""
        lines = self._lines.get(mutant.file, {})
        numbers = {*lines.get(str(mutant.line), []), *lines.get("", [])}
        places = used(mutant.file, mutant.line)
        users = {
            n for file, line in places for n in self._lines.get(file, {}).get(str(line), [])
        }  # fmt: skip
        if not numbers or places or self.at_load(mutant):  # a constant: whoever uses the file
            numbers = {n for tests in lines.values() for n in tests}
        made: set[int] = set()
        for name, folders in UNTRACED.items():
            if mutant.file.startswith(name):
                made = {n for n, (test, _) in enumerate(self._tests) if test.startswith(folders)}
        numbers |= users | made
        names: list[str] = []
        seconds = 0.0
        near = self._near(mutant)
        first = users | made
        for name, took, _ in sorted(
            ((*self._tests[n], n in first) for n in numbers),
            # Whoever noticed one near by may be slower and still come before the others.
            key=lambda t: (
                bool(first) and not t[2] and t[0] not in near,
                t[1] / 20 if t[0] in near else t[1],
            ),
        ):
            if name in self._left:
                continue
            if names and seconds + took > self._most:
                break
            names.append(name)
            seconds += took
        return names, seconds


_mine: dict[str, Any] = {}  # of a worker: the copy that it changes, and which tests to run


def _begin(numbers: Any, chosen: Chosen, files: list[str]) -> None:
    _mine.update(worker=Worker(numbers.get(), files, chosen.took), chosen=chosen)


def _one(numbered: tuple[int, Mutant]) -> Result:
    number, mutant = numbered
    chosen, worker = _mine["chosen"], _mine["worker"]
    while True:
        names, expected = chosen.tests(mutant)
        if not names:
            return Result(mutant, "not covered", 0, 0.0)
        # What ran when the tests' own shared parts were loaded, before all tracing, nobody saw.
        anew = chosen.at_load(mutant) or not chosen.runs(mutant)
        result: Result = worker.tried(mutant, names, 3 * expected + 60, number, anew)
        if result.became == "survived" and result.within and not chosen.runs(mutant):
            result = replace(result, became="not covered")
        noticed = worker.noticed()
        if not noticed or chosen.trusts(noticed) or worker.passes(mutant.file, noticed):
            if noticed:
                chosen.keep(mutant, noticed)
            return result
        chosen.leave(noticed)


def _equivalent(mutant: Mutant, text: str, known: list[dict[str, Any]]) -> bool:
    line = text.splitlines()[mutant.line - 1].strip()
    return any(
        one["file"] == mutant.file and one["line"] == line
        and one["old"] == mutant.old and one["new"] == mutant.new
        and one.get("within") in (None, function_at(text, mutant.line))
        for one in known
    )  # fmt: skip


def _preload() -> None:
    """Libraries that each run would load again."""
    for name in (
        "hypothesis.extra.numpy", "jsonschema", "numba", "pandas", "pytest", "scipy.interpolate",
        "scipy.optimize", "scipy.signal", "scipy.stats",
    ):  # fmt: skip
        importlib.import_module(name)


def main() -> int:
    """The table, and 0 if the goals are met."""
    parser = argparse.ArgumentParser(prog="mutants", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--per-file", type=int, default=20)
    parser.add_argument("--only", action="append", default=[], help="files whose name holds this")
    parser.add_argument("--most", type=float, default=30.0, help="seconds of tests for a mutant")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--keep-map", action="store_true", help="even if the core has changed")
    parser.add_argument("--tests", action="append", default=[], help="files of tests, likewise")
    asked = parser.parse_args()
    BUILD.mkdir(parents=True, exist_ok=True)
    chosen = Chosen(_map(asked.jobs, asked.keep_map, asked.tests), asked.most)
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
        some = rng.sample(all_of_it, min(asked.per_file, len(all_of_it)))
        for mutant in sorted(some, key=lambda m: (m.line, m.begin)):  # near ones, near in time
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
    needed = {name.partition("::")[0] for m in drawn for name in chosen.tests(m)[0]}
    with fork.Pool(asked.jobs, _begin, (numbers, chosen, sorted(needed))) as pool:
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
        met = met and share >= GOAL_FILE
        print(f"{file:<48} {n + same[file]:5} {count['killed']:6} {count['survived']:8} "
              f"{same[file]:10} {count['not covered']:11} {100 * share:6.0f} %")  # fmt: skip
    n = sum(total.values()) - total["equivalent"]
    share = total["killed"] / n if n else 1.0
    print(f"{'all':<48} {n + total['equivalent']:5} {total['killed']:6} {total['survived']:8} "
          f"{total['equivalent']:10} {total['not covered']:11} {100 * share:6.1f} %")  # fmt: skip
    return 0 if met and share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
