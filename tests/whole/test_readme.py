"""What README and DEVELOPERS say is there is there."""

import re
from pathlib import Path

from sparkwitness import cli

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCS = {path.name: path.read_text(encoding="utf-8") for path in ROOT.glob("host/docs/*.md")}
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_first_paragraph_states_the_job():
    first = README.split("\n\n")[1]
    assert all(words in first for words in ("true timing", "error", "next setting", "spark"))


def test_it_is_one_screen():
    lines = README.splitlines()
    assert len(lines) <= 60 and max(map(len, lines)) <= 120


def test_commands_shown_exist():
    for text in (README, *DOCS.values()):
        for name in re.findall(r"^(?:\.venv/bin/)?sparkwitness (\w+)", text, re.MULTILINE):
            assert name in cli.COMMANDS, name


def test_links_and_files_exist():
    for link in re.findall(r"\]\(([^)#:]+)\)", README + DEVELOPERS):
        assert (ROOT / link).exists(), link
    modules = re.findall(r"`((?:firmware|host|tests|protocol|hardware)/[\w./-]+\.\w+)`", DEVELOPERS)
    for name in modules:
        assert (ROOT / name).exists(), name


def test_make_targets_exist():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for target in re.findall(r"^make (\w+)", README + "\n" + DEVELOPERS, re.MULTILINE):
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target


def test_promises_name_tests_that_exist():
    section = DOCS["promises.md"]
    names = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", section)
    assert len(names) >= 10
    for path, test in names:
        assert (ROOT / path).exists(), path
        assert not test or f"def {test}" in (ROOT / path).read_text(encoding="utf-8"), test
