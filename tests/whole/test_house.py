"""The rooms: imports go one way, and the contract that says so notices when they do not."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LINTER = Path(sys.executable).with_name("lint-imports")
pytest.importorskip("importlinter", reason="import-linter is in host/requirements/test.txt")


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [LINTER, "--no-logo", "--no-cache", "--config", folder / "pyproject.toml"],
        cwd=folder, env={"PYTHONPATH": str(folder / "host"), "NO_COLOR": "1"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("house")
    shutil.copy(ROOT / "pyproject.toml", folder)
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "host" / "sparkwitness", folder / "host/sparkwitness", ignore=ignored)
    return folder


def test_no_import_runs_back_up(copy: Path) -> None:
    done = lint(copy)
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


@pytest.mark.parametrize(
    ("file", "line", "contract"),
    [
        ("decode/wire.py", "from sparkwitness.timing import angle", "Imports go one way"),
        ("timing/stats.py", "from sparkwitness.device import link", "Imports go one way"),
        ("records/tables.py", "from sparkwitness.device import link", "Imports go one way"),
        ("device/link.py", "from sparkwitness.bench import plan", "Imports go one way"),
        ("fault/model.py", "from sparkwitness.faces import text", "Imports go one way"),
        ("faces/text.py", "from sparkwitness.cli import options", "Imports go one way"),
        ("timing/stats.py", "import click", "The middle knows no terminal"),
        ("decode/framing.py", "from rich import table", "The middle knows no terminal"),
        ("timing/setup.py", "import serial.tools.list_ports", "The middle knows no terminal"),
        ("bench/plan.py", "from sparkwitness.simulator import world", "simulated world's truth"),
        ("timing/stats.py", "def f():\n    from sparkwitness.simulator import world",
         "simulated world's truth"),
        ("timing/angle.py", "from sparkwitness.timing import measure", "No circle of imports"),
    ],
)  # fmt: skip
def test_a_forbidden_import_is_noticed(copy: Path, file: str, line: str, contract: str) -> None:
    path = copy / "host" / "sparkwitness" / file
    before = path.read_text(encoding="utf-8")
    try:
        path.write_text(f"{before}\n\n{line}\n", encoding="utf-8")
        done = lint(copy)
    finally:
        path.write_text(before, encoding="utf-8")
    assert done.returncode == 1, done.stdout
    broken = [row for row in done.stdout.splitlines() if row.endswith("BROKEN")]
    assert any(contract in row for row in broken), done.stdout


def test_few_files_lie_beside_the_rooms() -> None:
    assert len(list((ROOT / "host" / "sparkwitness").glob("*.py"))) <= 8


def test_a_long_file_says_why() -> None:
    """More than 500 lines: the first lines give the reason."""
    for room in ("host", "firmware", "hardware", "protocol"):
        for path in (ROOT / room).rglob("*.py"):
            lines = path.read_text(encoding="utf-8").splitlines()
            if len(lines) > 500:
                assert "Longer than other files" in " ".join(lines[:25]), path
