"""The wheel: the same bytes from two builds, everything in it, and it works where it is installed.

Reproducible as reproducible-builds.org defines it: the same source gives the same bits, whatever
the folder, the time of the files and the umask.
"""

import hashlib
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ("host", "firmware", "protocol", "hardware", "README.md", "LICENSE", "pyproject.toml")
pytest.importorskip("hatchling", reason="hatchling is in host/requirements/test.txt")


def build(folder: Path, when: int, umask: int) -> Path:
    """Copy the source to a folder of its own and build a wheel there."""
    before = os.umask(umask)
    try:
        for name in SOURCE:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(
                    source, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".*_cache")
                )
            else:
                shutil.copy(source, folder / name)
        for path in folder.rglob("*"):
            os.utime(path, (when, when))
        made = subprocess.run(
            [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", "made"],
            cwd=folder, capture_output=True, text=True, check=False,
            env={k: v for k, v in os.environ.items() if k != "SOURCE_DATE_EPOCH"},
        )  # fmt: skip
    finally:
        os.umask(before)
    assert made.returncode == 0, made.stderr
    (wheel,) = (folder / "made").glob("*.whl")
    return wheel


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two builds that have nothing in common but the source."""
    return [
        build(tmp_path_factory.mktemp(name), when, umask)
        for name, when, umask in (("one", 1_000_000_000, 0o022), ("another", 1_700_000_000, 0o077))
    ]


def test_two_builds_have_the_same_hash(wheels: list[Path]) -> None:
    hashes = {hashlib.sha256(path.read_bytes()).hexdigest() for path in wheels}
    assert len(hashes) == 1
    print(f"\n{wheels[0].name} sha256 {hashes.pop()}")


def test_the_wheel_carries_firmware_protocol_and_hardware(wheels: list[Path]) -> None:
    names = set(zipfile.ZipFile(wheels[0]).namelist())
    for folder in ("firmware", "protocol", "hardware"):
        for path in (ROOT / folder).iterdir():
            if path.is_file() and not path.name.startswith("."):
                assert f"sparkwitness/shipped/{folder}/{path.name}" in names
    hidden = [n for n in names if "__pycache__" in n or "/." in n or n.endswith(".pyc")]
    assert not hidden


def test_an_installed_copy_runs_the_demo(wheels: list[Path], tmp_path: Path) -> None:
    """Not the checkout: a copy in a folder of its own, far from the source."""
    place = tmp_path / "installed"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--target",
         place, wheels[0]], check=True, capture_output=True,
    )  # fmt: skip
    env = {**os.environ, "PYTHONPATH": str(place)}
    script = (
        "import sys, sparkwitness; assert sparkwitness.__file__.startswith(sys.argv.pop(1))\n"
        "from sparkwitness.cli import main; main()"
    )
    for arguments, words in ((("demo",), "true timing"), (("--help",), "Usage")):
        ended = subprocess.run(
            [sys.executable, "-c", script, str(place), *arguments],
            cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        assert ended.returncode == 0, ended.stderr
        assert words in ended.stdout


@pytest.mark.parametrize("name", ["demo", "all", "test", "fuzz"])
def test_lock_files_pin_every_package_with_hashes(name: str) -> None:
    """pip refuses with --require-hashes what is not here; each direct dependency is."""
    import tomllib

    text = (ROOT / "host" / "requirements" / f"{name}.txt").read_text()
    hashed = r"((?:.*\\\n)(?:    --hash=sha256:[0-9a-f]{64}.*\n?)+)"
    entries = re.findall(r"^([a-zA-Z0-9._-]+)==\S+" + hashed, text, re.MULTILINE)
    lines = [line for line in text.splitlines() if line and line[0] not in " #"]
    assert len(entries) == len(lines) > 10
    locked = {entry[0].lower().replace("_", "-") for entry in entries}
    pyproject = tomllib.loads((ROOT / "pyproject.toml").read_text())
    extras, groups = pyproject["project"]["optional-dependencies"], pyproject["dependency-groups"]
    wanted, todo = set(), [*pyproject["project"]["dependencies"]]
    todo += extras[name] if name in extras else [*extras["all"], *groups[name]]
    if name != "all":  # what users get; the others build the package as well
        todo += groups["build"]
    while todo:
        one = todo.pop()
        if isinstance(one, dict):
            todo += groups[one["include-group"]]
        elif inner := re.match(r"sparkwitness\[(.*)\]", one):
            todo += [d for extra in inner[1].split(",") for d in extras[extra.strip()]]
        else:
            wanted.add(re.match(r"[A-Za-z0-9._-]+", one)[0].lower().replace("_", "-"))
    assert wanted <= locked, f"lock anew: {sorted(wanted - locked)}"


def test_what_only_contributors_need_is_in_no_extra() -> None:
    text = (ROOT / "host" / "requirements" / "all.txt").read_text()
    locked = set(re.findall(r"^([a-z0-9-]+)==", text, re.MULTILINE))
    assert not locked & {"pytest", "scipy", "hypothesis", "mypy", "hatchling", "sphinx"}
