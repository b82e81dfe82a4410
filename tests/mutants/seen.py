"""pytest plugin: which lines of the core each test runs, and how long it takes.

Tests of the firmware under the unix port of MicroPython run it in a process of their own, which
cannot be traced: they are kept for every file of the firmware.
"""

import json
import os
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
TRACED = ("host/sparkwitness", "firmware")


class Watch:
    """Switches the coverage's context with each test; writes what it saw at the end."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.took: dict[str, float] = {}
        self.passed: dict[str, bool] = {}
        self.cover = coverage.Coverage(
            data_file=None, include=[str(ROOT / f / "*") for f in TRACED], config_file=False
        )
        self.cover.start()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.cover.switch_context(item.nodeid)
        yield
        self.cover.switch_context("")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.took[report.nodeid] = self.took.get(report.nodeid, 0.0) + report.duration
        self.passed[report.nodeid] = self.passed.get(report.nodeid, True) and not report.failed

    def pytest_sessionfinish(self) -> None:
        self.cover.stop()
        data = self.cover.get_data()
        lines: dict[str, dict[int, list[str]]] = {}
        for path in data.measured_files():
            name = str(Path(path).relative_to(ROOT))
            lines[name] = {
                line: [test for test in tests if test and self.passed.get(test)]
                for line, tests in data.contexts_by_lineno(path).items()
            }
        numbers = {test: n for n, test in enumerate(self.took)}
        self.out.write_text(json.dumps({
            "tests": [[test, round(took, 3)] for test, took in self.took.items()],
            "lines": {
                file: {line: [numbers[t] for t in tests] for line, tests in rows.items()}
                for file, rows in lines.items()
            },
        }), encoding="utf-8")  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(Watch(Path(os.environ["SPARKWITNESS_SEEN"])))
