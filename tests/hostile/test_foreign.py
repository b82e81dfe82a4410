"""Text from people, files and boards: on a terminal, on a page, in a table, in another alphabet."""

import csv
import io
import os
import subprocess
import sys
import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import pytest
from rich.table import Table

from hostile import nasty
from sparkwitness import foreign
from sparkwitness.faces.console import Console

PACKAGE = Path(foreign.__file__).parent


@pytest.mark.parametrize("text", nasty.STRINGS)
def test_nothing_that_is_shown_acts_on_a_terminal(text):
    said = foreign.shown(text)
    assert not nasty.acts(said)
    # The Unicode Character Database knows by itself what is a control, a format or no character.
    kinds = {unicodedata.category(c) for c in said if c not in "\n\t\u200c\u200d"}
    assert not kinds & {"Cc", "Cs", "Cf"}
    assert foreign.shown(said) == said
    said.encode()


@pytest.mark.parametrize("text", nasty.STRINGS)
def test_a_name_is_one_short_line(text):
    name = foreign.one_line(text)
    assert len(name.splitlines()) <= 1 and len(name) <= 200 and name == name.strip()
    assert foreign.one_line(name) == name


def test_plain_text_stays_as_it_is():
    for text in ("Straße 5 °C ± 2 µs → 3 Ω", "エンジン 1", "мотор", "a\u200cb", "two\nlines\tand"):
        assert foreign.shown(text) == text


@pytest.mark.parametrize("text", nasty.STRINGS)
def test_no_cell_begins_a_formula(text):
    # OWASP, CSV Injection: a cell must begin with none of these.
    cell = foreign.cell(text)
    assert cell[:1] not in ("=", "+", "-", "@", "\t", "\r", "\n")
    if "\0" not in text and not any("\ud800" <= c <= "\udfff" for c in text):
        file = io.StringIO(newline="")
        csv.writer(file).writerow([cell, "after"])
        assert next(csv.reader(io.StringIO(file.getvalue(), newline=""))) == [cell, "after"]


@pytest.mark.parametrize("text", nasty.STRINGS)
def test_a_page_holds_text_and_no_element_of_it(text):
    tags, held = [], []
    parser = HTMLParser()
    parser.handle_starttag = lambda tag, _: tags.append(tag)
    parser.handle_data = held.append
    parser.feed(f"<p>{foreign.html(text)}</p>")
    parser.close()
    assert tags == ["p"]
    assert "".join(held) == foreign.shown(text)


@pytest.mark.parametrize("text", nasty.STRINGS)
def test_consoles_print_what_they_are_given(text):
    console = Console()
    console.file = io.StringIO()
    console.width = 6000
    table = Table.grid()
    table.add_row(text, "x")
    console.print(text, style="bold")
    console.print(table)
    said = console.file.getvalue()
    assert not nasty.acts(said)
    if text.isprintable() and text.strip() and len(text) < 100:
        assert said.count(text) == 2


def test_no_other_console_is_made():
    """One that reads names as markup, or hands escape sequences on."""
    for path in PACKAGE.rglob("*.py"):
        if path.name != "console.py":
            assert "rich.console import Console" not in path.read_text("utf-8"), path


COMMANDS = [
    ("--help",), ("check", "coil", "--primary", "1.2", "--primary-limits", "1", "1.5"),
    ("scenarios",), ("check", "supply", "--rest", "12.6", "--lowest", "10.5"),
    ("measure", "--help"),
    ("nonsense-±",),
]  # fmt: skip


@pytest.mark.parametrize("alphabet", ["ascii", "cp1252", "cp437", "cp932"])
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_poor_alphabet_loses_no_result(alphabet, command):
    rich = _said(command, "utf-8")
    poor = _said(command, alphabet)
    assert poor.returncode == rich.returncode
    assert b"Traceback" not in poor.stderr + poor.stdout
    digits = [c for c in rich.stdout.decode() if c.isdigit()]
    # click takes ASCII for a mistake of the system's and writes its own lines in UTF-8 then.
    kept = [c for c in poor.stdout.decode(alphabet.replace("ascii", "utf-8")) if c.isdigit()]
    superscripts = sum(rich.stdout.decode().count(c) for c in "²½")
    assert len(kept) >= len(digits) - superscripts
    assert [d for d in digits if d.isascii()][:40] == [d for d in kept if d.isascii()][:40]


def _said(command, alphabet):
    return subprocess.run(
        [sys.executable, "-m", "sparkwitness", *command], capture_output=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": alphabet, "COLUMNS": "200"},
    )  # fmt: skip


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_an_output_that_takes_nothing_gets_a_sentence():
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "sparkwitness", "scenarios"], stdout=full,
            stderr=subprocess.PIPE, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.decode().splitlines() == [
        "Error: the output could not be written: No space left on device; look at the disk"
    ]


def test_a_reader_who_has_seen_enough_is_no_fault():
    done = subprocess.run(
        f"{sys.executable} -m sparkwitness scenarios | head -n 1", shell=True, capture_output=True,
        check=False,
    )  # fmt: skip
    assert done.stdout and not done.stderr
