"""README's commands, as typed, in a fresh clone with a new environment; and what stands in the way.

The libraries come from the lock files, so the first test needs a package index or a filled cache.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
NO_INDEX = ("NewConnectionError", "Could not find a version", "No matching distribution",
            "Temporary failure in name resolution", "timed out")  # fmt: skip

if sys.platform == "win32" or not shutil.which("make") or not shutil.which("git"):
    pytest.skip("needs make and git", allow_module_level=True)


def typed() -> list[str]:
    """The commands of README in their order: blocks, and what stands in the text with a path."""
    blocks = re.findall(r"```\n(.*?)```", README, re.DOTALL)
    inline = re.findall(r"`(\.venv/bin/[^`\n]+)`", README)
    return [line for block in blocks for line in block.splitlines()] + inline


def new_person(home: Path) -> dict[str, str]:
    """The environment of someone who has nothing of ours."""
    kept = {
        k: v for k, v in os.environ.items() if not k.startswith(("SPARKWITNESS", "XDG", "VIRTUAL"))
    }
    here = str(Path(sys.executable).parent)
    path = os.pathsep.join(p for p in kept["PATH"].split(os.pathsep) if p != here)
    cache = os.environ.get("PIP_CACHE_DIR", str(Path.home() / ".cache/pip"))
    return {**kept, "PATH": path, "HOME": str(home), "PIP_CACHE_DIR": cache}


def test_the_commands_are_those_that_are_played_here():
    assert typed()[0] == "make demo"
    assert [line.split()[:2] for line in typed()[1:]] == [
        [".venv/bin/sparkwitness", "measure"],
        [".venv/bin/pip", "install"],
        [".venv/bin/sparkwitness", "report"],
    ]


@pytest.mark.slow
def test_readme_s_commands_work_as_typed_in_a_fresh_clone(tmp_path: Path):
    if not (ROOT / ".git").exists():
        pytest.skip("no clone can be made: this is not a git checkout")
    clone = tmp_path / "clone"
    subprocess.run(["git", "clone", "--quiet", str(ROOT), str(clone)], check=True)
    said = []
    for line in typed():
        done = subprocess.run(
            line, shell=True, cwd=clone, env=new_person(tmp_path), text=True, check=False,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        if done.returncode and any(words in done.stdout for words in NO_INDEX):
            if os.environ.get("CI"):
                pytest.fail(done.stdout[-2000:])
            pytest.skip("no package index can be reached")
        assert done.returncode == 0, f"{line}:\n{done.stdout[-3000:]}"
        said.append(done.stdout)
    demo, measured, _, _ = said
    assert demo.count("inside the interval") == 2 and "no more than half a step" in demo.replace(
        "\n", " "
    )
    assert "true timing" in measured and "kept as run 1" in measured
    page = (clone / "report-1.html").read_text(encoding="utf-8")
    assert page.count("<img") >= 5
    # Nothing is left in the clone but what git ignores and the page.
    left = subprocess.run(
        ["git", "status", "--porcelain"], cwd=clone, capture_output=True, text=True, check=True
    )
    assert left.stdout.split() == ["??", "report-1.html"]


def fake(folder: Path, version: str) -> Path:
    """A Python that says it is another one."""
    made = folder / "python"
    made.write_text(f'#!/bin/sh\n[ "$1" = --version ] && echo "Python {version}" && exit\nexit 1\n')
    made.chmod(0o755)
    return made


@pytest.mark.parametrize("python", ["3.9.2", ""], ids=["old", "none"])
def test_a_python_that_will_not_do_is_named_and_leaves_nothing(tmp_path: Path, python: str):
    shutil.copy(ROOT / "Makefile", tmp_path)
    given = str(fake(tmp_path, python)) if python else ""
    done = subprocess.run(
        ["make", "demo", f"PYTHON={given}"], cwd=tmp_path, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode != 0
    said = " ".join(done.stderr.split())
    assert "Python 3.11 or newer is needed" in said and python in said
    assert "numpy" not in said and not (tmp_path / ".venv").exists()


def test_an_environment_that_was_left_half_made_is_made_anew(tmp_path: Path):
    """What an earlier try with another Python left behind must not spoil the next."""
    shutil.copy(ROOT / "Makefile", tmp_path)
    (tmp_path / "host/requirements").mkdir(parents=True)
    (tmp_path / "host/requirements/demo.txt").write_text("")
    (tmp_path / ".venv/bin").mkdir(parents=True)
    (tmp_path / ".venv/bin/python").write_text("old")
    done = subprocess.run(
        ["make", "--dry-run", "demo", f"PYTHON={sys.executable}"], cwd=tmp_path,
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    steps = done.stdout
    assert steps.index("rm -rf .venv") < steps.index("-m venv .venv") < steps.index("pip install")
