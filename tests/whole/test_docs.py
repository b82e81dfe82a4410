"""The documentation builds without a warning, holds what it should, and loads nothing from afar."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import sparkwitness
from sparkwitness import cli

ROOT = Path(__file__).resolve().parents[2]
pytest.importorskip("sphinx", reason="Sphinx is in host/requirements/test.txt")
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("docs")
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", "--quiet", "--fail-on-warning", "--keep-going",
         "-d", folder / "trees", "-c", ROOT / "host" / "docs", ROOT, folder / "pages"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return folder / "pages"


def text_of(pages: Path, name: str) -> str:
    return (pages / "host" / "docs" / f"{name}.html").read_text(encoding="utf-8")


def test_every_command_and_public_name_is_described(pages: Path) -> None:
    commands, api = text_of(pages, "commands"), text_of(pages, "api")
    for name in cli.COMMANDS:
        assert f'id="sparkwitness-{name}"' in commands, name
    for name in sparkwitness.__all__:
        assert f'id="sparkwitness.{name}"' in api, name


def test_formulas_are_drawn_by_the_browser_itself(pages: Path) -> None:
    number = text_of(pages, "number")
    assert number.count("<math") > 20 and "$" not in re.sub(r"<script.*?</script>", "", number)


def test_nothing_is_loaded_from_another_place(pages: Path) -> None:
    for page in pages.rglob("*.html"):
        tags = re.findall(r"<(?:script|link|img|iframe)[^>]*>", page.read_text(encoding="utf-8"))
        assert not [tag for tag in tags if re.search(r"(?:src|href)=\"(?:https?:)?//", tag)], page
    for sheet in pages.rglob("*.css"):
        text = sheet.read_text(encoding="utf-8", errors="replace")
        assert not re.search(r"(@import|url\()\s*[\"']?(https?:)?//", text), sheet


def test_the_newest_change_is_of_this_version() -> None:
    changes = (ROOT / "host" / "docs" / "CHANGELOG.md").read_text(encoding="utf-8")
    versions = re.findall(r"^## (\d+\.\d+\.\d+)", changes, re.MULTILINE)
    assert versions[0] == sparkwitness.__version__
