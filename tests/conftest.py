"""What many tests share: a logbook of their own, recordings made through the simulated board."""

import os

# Before numpy is loaded: its linear algebra has kernels by processor, whose last bits differ, and
# threads that spin while tests beside them wait for a core.
os.environ.setdefault("OPENBLAS_CORETYPE", "Haswell")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import json
import signal
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import hypothesis
import jsonschema
import pytest

from sparkwitness.cli import sources
from sparkwitness.decode.recording import Recorder
from sparkwitness.device import run as session
from sparkwitness.device.link import Link
from sparkwitness.faces import answers
from sparkwitness.timing.setup import Setup


def pytest_configure(config: pytest.Config) -> None:
    """No test may touch what the person who runs it keeps; Ctrl-C works in all."""
    import tempfile

    folder = tempfile.TemporaryDirectory(prefix="sparkwitness-test-")
    config.add_cleanup(folder.cleanup)
    os.environ["SPARKWITNESS_LOGBOOK"] = str(Path(folder.name) / "logbook.db")
    os.environ["SPARKWITNESS_ENGINES"] = str(Path(folder.name) / "engines")
    os.environ["SPARKWITNESS_CONFIG"] = str(Path(folder.name) / "config.toml")
    # A shell's background job, and all that it starts, would ignore Ctrl-C.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    # The same inputs in each run; `make fuzz` draws new ones.
    hypothesis.settings.register_profile("repeatable", derandomize=True, database=None)
    hypothesis.settings.load_profile("repeatable")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What goes through the simulated board takes long."""
    for item in items:
        if {"marine", "corrected", "far"} & set(getattr(item, "fixturenames", ())):
            item.add_marker("slow")


class Made:
    """A recording made through the simulated board: its file, set-up and live result."""

    def __init__(self, path: Path, scenario: str, setting: float | None = None) -> None:
        self.path = path
        with sources.board(scenario, None) as source:
            assert source.setup is not None
            typed = dict(source.setup)
            if setting is not None:
                source.enter_setting(setting)
                typed["setting"] = setting
            self.setup = Setup.from_dict(typed)
            with Link(source.port) as board:
                recorder = Recorder(path, board.hello, self.setup.to_dict())
                self.result = session.run(board, self.setup, recorder, lambda _: None)
            self.truth = source.simulated.world.truth()


@pytest.fixture(scope="session", autouse=True)
def published() -> Iterator[None]:
    """Whatever a command prints as JSON in this process is what its schema says, name by name.

    But for `logbook show`: attacks keep names there that no version has.
    """
    publish = answers.publish

    def judged(command: str, values: Mapping[str, Any]) -> dict[str, Any]:
        found = publish(command, values)
        plain = json.loads(json.dumps(found, allow_nan=False))
        jsonschema.validate(plain, answers.schema(command, closed=command != "logbook show"))
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(answers, "publish", judged)
        yield


@pytest.fixture(scope="session")
def marine(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A marine four with a multi-spark module, as found: 4.5° late by its setting."""
    return Made(tmp_path_factory.mktemp("recordings") / "marine.rec", "marine-four")


@pytest.fixture(scope="session")
def corrected(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The same engine with the right setting entered."""
    return Made(tmp_path_factory.mktemp("recordings") / "corrected.rec", "marine-four", 3.25)


@pytest.fixture(scope="session")
def far(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A single reference pulse far from the spark."""
    return Made(tmp_path_factory.mktemp("recordings") / "far.rec", "pulse-far")
