"""Exit codes have one meaning in all commands, and it stands where people look."""

import re
from pathlib import Path

from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.cli import codes

ROOT = Path(__file__).resolve().parents[2]


def test_help_and_docs_tell_them_all():
    told = (ROOT / "host/docs/using.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d) \| (.+?) \|$", told, re.MULTILINE)
    assert {int(code): meaning for code, meaning in rows} == codes.MEANINGS
    said = " ".join(CliRunner().invoke(cli.main, ["--help"]).output.split())
    listed = said[said.index("Exit codes:") :].split(".")[0]
    assert re.findall(r"\b\d\b", listed) == [str(code) for code in codes.MEANINGS]


def test_no_command_leaves_with_a_number_of_its_own():
    for path in (ROOT / "host/sparkwitness/cli").glob("*.py"):
        for left in re.findall(
            r"(?:sys\.exit|ctx\.exit)\((.*)\)", path.read_text(encoding="utf-8")
        ):
            numbers = set(re.findall(r"\b\d+\b", left))
            assert numbers <= {"0"} or (path.name, left) == ("__init__.py", "1"), (path, left)


def test_every_code_in_a_command_s_help_is_said_with_its_meaning():
    """A help text names 3, 4 or 5 only in words that agree with the table."""
    words = {3: r"not over|nothing measured|not\s+cranked|without a result",
             4: r"not fine|outside|suspect|one fails|not the same|bad news",
             5: r"cannot\s+be told|could not|without being sure|cut short"}  # fmt: skip
    for name in cli.COMMANDS:
        text = " ".join(CliRunner().invoke(cli.main, [name, "--help"]).output.split())
        for part in re.findall(r"Exit codes?:? (.*?)\.(?: |$)", text):
            for code, meaning in re.findall(r"(\d)[:,]? ([^;]+)", part):
                if int(code) in words:
                    assert re.search(words[int(code)], meaning), (name, code, meaning)
