"""One change tried: a worker has a copy of the project, all tests loaded once, and forks for each.

What is changed within a function is put into the functions that are loaded, and into the file, for
tests that start a process of their own: the firmware's, the command line's. Anything else (a
constant, a default, a field) is tried by loading all of the project anew.
"""

import ast
import contextlib
import gc
import os
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from multiprocessing.connection import Connection, Pipe
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

from mutants.sites import Mutant

ROOT = Path(__file__).resolve().parents[2]
BUILD = ROOT / "build" / "mutants"
COMPILED = "host/sparkwitness/decode/kernels/compiled.py"  # cannot be traced, nor be replaced
_NO_CASE = {4, 5}  # exit codes of pytest: no such test
_ANEW = 97  # the change cannot be put into what is loaded
_LATE = 98
_FIRST = 3  # tests that are loaded first when all is loaded anew: fewer files, and one will notice
_OPTIONS = ["-x", "-q", "-p", "no:cacheprovider", "--continue-on-collection-errors"]


@dataclass(frozen=True)
class Result:
    """What became of one mutant: killed, survived, not covered; `by`: tests that were run.

    `within`: a function's body, else a constant, a default or a field.
    """

    mutant: Mutant
    became: str
    by: int
    seconds: float
    within: bool = False


class Worker:
    """A copy of the project, and a process that has all tests of `files` loaded.

    `took`: seconds of each test.
    """

    def __init__(self, number: int, files: Iterable[str], took: dict[str, float]) -> None:
        self.tree = BUILD / f"tree{os.getppid()}-{number}"
        self._took = took
        shutil.rmtree(self.tree, ignore_errors=True)
        left = (".git", ".venv", "build", "dist", "__pycache__")
        shutil.copytree(ROOT, self.tree, ignore=shutil.ignore_patterns(*left))
        self._loaded, theirs = Pipe()
        mine = self._loaded
        if os.fork() == 0:
            try:
                mine.close()
                _pytest(self.tree, list(files), took, _Loaded(theirs, self.tree))
            finally:
                os._exit(0)
        theirs.close()
        self._loaded.recv()  # or it would load the first change for good

    def tried(
        self, mutant: Mutant, names: list[str], most_s: float, number: int, anew: bool = False
    ) -> Result:
        """Run the tests with the change in place; `number` differs from change to change.

        `anew`: the line runs when its file is loaded, so that all must be loaded with the change.
        """
        path = self.tree / mutant.file
        before, stat = path.read_text(encoding="utf-8"), path.stat()
        after = mutant.apply(before)
        path.write_text(after, encoding="utf-8")
        # Compiled files are known by their time in seconds.
        os.utime(path, (1_700_000_000 + number, 1_700_000_000 + number))
        begun = time.monotonic()
        try:
            code, within = _ANEW, _within_function(mutant, before)
            if within and not anew and mutant.file != COMPILED:
                self._loaded.send((mutant.file, before, after, names, most_s))
                code = self._loaded.recv()
            if code == _ANEW:
                code = self._anew(names, mutant, most_s)
        finally:
            path.write_text(before, encoding="utf-8")
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        took = time.monotonic() - begun
        return Result(mutant, "killed" if code else "survived", len(names), took, within)

    def _anew(self, names: list[str], mutant: Mutant, most_s: float) -> int:
        if mutant.file == COMPILED:
            os.environ["NUMBA_DISABLE_JIT"] = "1"  # compiling it takes longer than the tests

        def run(tests: list[str], more_s: float = 60.0) -> int:
            return _in_child(lambda: _pytest(self.tree, tests, self._took), most_s + more_s)

        try:
            code = run(names[:_FIRST])
            if code == 0 and names[_FIRST:]:
                code = run(names[_FIRST:])
            if code in _NO_CASE:  # a case named by what was changed: all cases of its test
                code = run(sorted({n.partition("[")[0] for n in names}), 120.0)
            return code
        finally:
            os.environ.pop("NUMBA_DISABLE_JIT", None)

    def passes(self, file: str, name: str) -> bool:
        """Whether this test passes with nothing changed."""
        text = (self.tree / file).read_text(encoding="utf-8")
        self._loaded.send((file, text, text, [name], 120.0))
        code = self._loaded.recv()
        self.noticed()
        return code in (0, _ANEW)

    def noticed(self) -> str:
        """Name of the test that noticed the last change; empty if none did."""
        told = self.tree / "noticed"
        name = told.read_text(encoding="utf-8") if told.exists() else ""
        told.unlink(missing_ok=True)
        return name


def _in_child(run: Callable[[], int], most_s: float) -> int:
    """Exit code of a fork of this process; nothing that it started goes on."""
    child = os.fork()
    if child == 0:
        try:
            os.setsid()
            os._exit(run())
        finally:
            os._exit(99)
    end, code = time.monotonic() + most_s, _LATE
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            break
        time.sleep(0.01)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    if code == _LATE:
        os.waitpid(child, 0)
    return code


def _pytest(tree: Path, names: list[str], took: dict[str, float], *plugins: object) -> int:
    import pytest

    os.chdir(tree)
    out = os.open(tree / "pytest.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(out, 1)
    os.dup2(out, 2)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.environ["PYTHONPATH"] = str(tree / "host")
    here = str(ROOT / "host"), str(ROOT / "tests")
    sys.path[:] = [str(tree / "host"), *(p for p in sys.path if not p.startswith(here))]
    for name in [n for n in sys.modules if n.split(".")[0] in ("mutants", "sparkwitness")]:
        del sys.modules[name]
    options = [*_OPTIONS, "--rootdir", str(tree), "--basetemp", str(tree / "temporary")]
    watch = _Watch(tree / "noticed", took)
    return int(pytest.main([*options, *names], plugins=[watch, *plugins]))


class _Watch:
    """Writes down which test noticed; one that does not come to its end has noticed too."""

    def __init__(self, out: Path, took: dict[str, float]) -> None:
        self.out, self.took = out, took

    def pytest_runtest_setup(self, item: Any) -> None:
        # A loop without an end is cut long before the time of all tests is over.
        signal.alarm(10 + int(10 * self.took.get(item.nodeid, 1.0)))

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.out.write_text(report.nodeid, encoding="utf-8")


class _Loaded:
    """Takes the place of pytest's loop over the tests: waits for a change, forks, runs some."""

    def __init__(self, asked: Connection, tree: Path) -> None:
        self.asked, self.tree = asked, tree

    def pytest_runtestloop(self, session: Any) -> bool:
        self.items = {item.nodeid: item for item in session.items}
        self.functions: dict[str, list[FunctionType]] = {}
        for one in gc.get_objects():
            if isinstance(one, FunctionType):
                self.functions.setdefault(one.__code__.co_filename, []).append(one)
            elif hasattr(type(one), "cache_clear"):  # what loading the tests has worked out
                one.cache_clear()
        gc.collect()
        gc.freeze()  # else each fork would look at it all, and so copy it
        self.asked.send(None)
        while True:
            try:
                file, before, after, names, most_s = self.asked.recv()
            except EOFError:
                return True
            self.asked.send(
                _in_child(lambda: self._run(session, file, before, after, names), most_s)  # noqa: B023
            )

    def _run(self, session: Any, file: str, before: str, after: str, names: list[str]) -> int:
        place = str(self.tree / file)
        try:
            replaced = _replaced(before, after)
            for function in self.functions.get(place, []):
                function.__code__ = replaced[function.__code__]
        except (KeyError, ValueError):
            return _ANEW
        own = self.tree / "temporary-own"
        shutil.rmtree(own, ignore_errors=True)
        own.mkdir()
        for name in ("SPARKWITNESS_LOGBOOK", "SPARKWITNESS_ENGINES", "SPARKWITNESS_CONFIG"):
            os.environ[name] = str(own / Path(os.environ[name]).name)
        chosen = [self.items[name] for name in names if name in self.items]
        if not chosen:
            return _ANEW
        for item, following in zip(chosen, [*chosen[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if session.testsfailed:
                return 1
        return 0


def _codes(code: CodeType) -> list[CodeType]:
    found = [code]
    for one in code.co_consts:
        if isinstance(one, CodeType):
            found += _codes(one)
    return found


def _replaced(before: str, after: str) -> dict[CodeType, CodeType]:
    """The code after the change for each function before it.

    Raises:
        ValueError: it has other functions.
    """
    old, new = (_codes(compile(text, "x", "exec", dont_inherit=True)) for text in (before, after))
    if [c.co_qualname for c in old] != [c.co_qualname for c in new]:
        raise ValueError("other functions than before")
    return dict(zip(old, new, strict=True))


def _within_function(mutant: Mutant, text: str) -> bool:
    """Whether the change is in a function's body: not in a default, a constant, a field."""
    raw = text.encode()
    begin = len(text[: mutant.begin].encode())
    starts = [0]
    for row in raw.splitlines(keepends=True):
        starts.append(starts[-1] + len(row))
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            body = node.body if isinstance(node.body, list) else [node.body]
            first, last = body[0], body[-1]
            assert last.end_lineno is not None and last.end_col_offset is not None
            if (
                starts[first.lineno - 1] + first.col_offset
                <= begin
                < starts[last.end_lineno - 1] + last.end_col_offset
            ):
                return True
    return False
