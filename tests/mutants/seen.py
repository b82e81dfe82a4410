"""pytest plugin: which lines of the core each test runs, and how long it takes.

MicroPython cannot be traced. So the tests get a copy of the firmware whose functions note that they
were called, on the same lines: a test that calls one counts for all its lines, and one that loads a
file for what is outside of the functions.
"""

import ast
import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware"
NOTES = "notes_of_a_test.py"

# Under MicroPython and CPython alike. Once a process for each, so that little is slowed down.
# The stand-ins for a board's modules have an `os` without getenv: there coverage sees the lines.
_NOTES = """import os
_seen = set()
_file = os.getenv("SPARKWITNESS_NOTES") if hasattr(os, "getenv") else None
def note(number):
    if _file and number not in _seen:
        _seen.add(number)
        with open(_file, "a") as file:
            file.write("%d\\n" % number)
"""
_BEARS_A_NOTE = {"micropython.viper", "micropython.native", "property", "staticmethod"}


def digest(paths: list[Path]) -> str:
    """Of what these files hold."""
    sha = hashlib.sha256()
    for path in paths:
        sha.update(path.read_bytes())
    return sha.hexdigest()


def noting(folder: Path) -> list[tuple[str, set[int]]]:
    """A copy of the firmware that notes what is called: (file, lines) of each number noted."""
    shutil.copytree(FIRMWARE, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / NOTES).write_text(_NOTES, encoding="utf-8")
    places: list[tuple[str, set[int]]] = []
    for path in sorted(folder.rglob("*.py")):
        if path.name == NOTES:
            continue
        name = f"firmware/{path.relative_to(folder).as_posix()}"
        text = path.read_text(encoding="utf-8")
        tree, rows = ast.parse(text), text.splitlines()
        rest = set(range(1, len(rows) + 1))
        begins: list[tuple[int, int, str]] = []
        for node in ast.walk(tree):
            if not isinstance(node, ast.FunctionDef) or any(
                ast.unparse(one) not in _BEARS_A_NOTE for one in node.decorator_list
            ):
                continue
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            if not body or isinstance(
                body[0], ast.If | ast.For | ast.While | ast.Try | ast.With | ast.FunctionDef
            ):
                continue
            lines = set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
            # The name is none of the firmware's own.
            begins.append((body[0].lineno, body[0].col_offset, f"_NOTE({len(places)}); "))
            places.append((name, lines))
            rest -= lines
        if tree.body and ast.get_docstring(tree) is not None:
            at = tree.body[0].end_lineno or 1
            rows[at - 1] += f"; from notes_of_a_test import note as _NOTE; _NOTE({len(places)})"
            places.append((name, rest))
            for line, column, call in begins:
                rows[line - 1] = rows[line - 1][:column] + call + rows[line - 1][column:]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return places


class Watch:
    """Switches the coverage's context with each test; writes what it saw at the end."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.took: dict[str, float] = {}
        self.passed: dict[str, bool] = {}
        self.folder = Path(tempfile.mkdtemp(prefix="mutants-")).resolve()
        self.copy = self.folder / "firmware"
        self.places = noting(self.copy)
        self.called: dict[str, set[int]] = {}
        self.notes = self.folder / "notes"
        self.notes.touch()
        os.environ["SPARKWITNESS_NOTES"] = str(self.notes)
        self.cover = coverage.Coverage(
            data_file=None, config_file=False,
            include=[str(ROOT / "host" / "sparkwitness" / "*"), str(self.copy / "*")],
            omit=[str(self.copy / NOTES)],
        )  # fmt: skip
        sys.path.append(str(self.copy))  # for NOTES, where a test loads one of the files by itself
        self.cover.start()
        import firmware_board
        import thumb  # noqa: F401  an emulated processor has no files: it keeps the firmware itself
        from sparkwitness import shipped

        kept = shipped.folder
        firmware_board.FIRMWARE = self.copy
        shipped.folder = lambda name: self.copy if name == "firmware" else kept(name)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.cover.switch_context(item.nodeid)
        yield
        self.cover.switch_context("")
        numbers = {int(n) for n in self.notes.read_text(encoding="utf-8").split()}
        self.called.setdefault(item.nodeid, set()).update(numbers)
        self.notes.write_text("", encoding="utf-8")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.took[report.nodeid] = self.took.get(report.nodeid, 0.0) + report.duration
        self.passed[report.nodeid] = self.passed.get(report.nodeid, True) and not report.failed

    def pytest_sessionfinish(self) -> None:
        self.cover.stop()
        data = self.cover.get_data()
        lines: dict[str, dict[int, set[str]]] = {}
        loaded: dict[str, list[int]] = {}
        for path in data.measured_files():
            place = Path(path)
            name = (
                f"firmware/{place.relative_to(self.copy).as_posix()}"
                if place.is_relative_to(self.copy)
                else place.relative_to(ROOT).as_posix()
            )
            for line, tests in data.contexts_by_lineno(path).items():
                if "" in tests:
                    loaded.setdefault(name, []).append(line)
                lines.setdefault(name, {}).setdefault(line, set()).update(t for t in tests if t)
        for test, called in self.called.items():
            for number in called:
                name, there = self.places[number]
                for line in there:
                    lines.setdefault(name, {}).setdefault(line, set()).add(test)
        numbers = {test: n for n, test in enumerate(self.took)}
        self.out.write_text(json.dumps({
            "tests": [[test, round(took, 3)] for test, took in self.took.items()],
            "lines": {
                file: {line: sorted(numbers[t] for t in tests) for line, tests in rows.items()}
                for file, rows in lines.items()
            },
            "loaded": loaded,  # by no test: when the file was loaded
            "core": {file: digest([ROOT / file]) for file in lines},
            "failed": [test for test, passed in self.passed.items() if not passed],
        }), encoding="utf-8")  # fmt: skip
        shutil.rmtree(self.folder, ignore_errors=True)


class Passed:
    """Untraced, for what tracing itself makes fail: the names of those that pass."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.failed: set[str] = set()
        self.ran: set[str] = set()

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.ran.add(report.nodeid)
        if report.failed:
            self.failed.add(report.nodeid)

    def pytest_sessionfinish(self) -> None:
        told = json.loads(self.out.read_text(encoding="utf-8"))
        # What passes here was cut short by the tracing: it has more lines than were seen.
        told["short"] = sorted(self.ran - self.failed)
        told["failed"] = sorted(set(told["failed"]) - (self.ran - self.failed))
        self.out.write_text(json.dumps(told), encoding="utf-8")


def pytest_configure(config: pytest.Config) -> None:
    out = Path(os.environ["SPARKWITNESS_SEEN"])
    plain = os.environ.get("SPARKWITNESS_PLAIN")
    config.pluginmanager.register(Passed(out) if plain else Watch(out))
