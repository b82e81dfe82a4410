"""Every option and argument that names a file, in every command, with places that are no such file.

No command is forgotten: they are found by walking all of them.
"""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from hostile.ends import REFUSED, TRIED, run
from hostile.ends import outcome as how_it_ended
from sparkwitness.cli import main

if sys.platform == "win32":
    pytest.skip("no devices and pipes as files", allow_module_level=True)

# What a command needs besides, so that it gets as far as the file.
NEEDED: dict[str, tuple[str, ...]] = {
    "measure": ("--yes", "--once", "--no-log"),
    "curve": ("--reference", "36-1", "--reference-angle", "84", "--yes"),
    "wheel": ("--reference", "36-1"),
    "check supply": ("--rest", "12.6"),
    "engine add": ("Heron", "--cylinders", "4"),
    "logbook note": ("1", "warm"),
    "logbook recompute": ("1",),
    "logbook show": ("1",),
    "compare": ("1", "2"),
    "report": ("1",),
    "export": ("1", "--to", "csv"),
    "import": ("--channel", "crank=a"),
    "case add": ("1", "turns", "yes"),
    "case report": ("1",),
    "case show": ("1",),
    "case start": ("no spark",),
}
# Arguments that name a file or a run; with those the words above must not come too.
NAMES = {("report", "source"), ("export", "source"), ("compare", "before")}


def commands(one: click.Command, *words: str) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    if isinstance(one, click.Group):
        context = click.Context(one)
        for name in one.list_commands(context):
            below = one.get_command(context, name)
            assert below is not None
            yield from commands(below, *words, name)
    if not isinstance(one, click.Group) or one.params:
        yield words, one


def places() -> list[tuple[str, str, str]]:
    """Command, parameter, and its option or "" for an argument."""
    found = []
    for words, one in commands(main):
        for parameter in one.params:
            name = parameter.name or ""
            files = isinstance(parameter.type, click.Path | click.File)
            ports = name == "port"
            if words and (files or ports or (" ".join(words), name) in NAMES):
                option = max(parameter.opts, key=len) if isinstance(parameter, click.Option) else ""
                found.append((" ".join(words), name, option))
    return found


PLACES = places()
NASTY = ("folder", "file/below", "none/such", "empty", "text", "null", "long", "lines", "unread",
         "loop", "full", "pipe", "endless")  # fmt: skip


def nasty(name: str, at: Path) -> str:
    """One place that is no file of ours."""
    match name:
        case "folder":
            (at / "folder").mkdir()
        case "file/below":
            (at / "file").write_text("x")
        case "empty":
            (at / "empty").touch()
        case "text":
            (at / "text").write_text("no recording, no table\n" * 40)
        case "null":
            return os.devnull
        case "long":
            return str(at / ("x" * 300))
        case "lines":
            return str(at / "a\nb\x1b[31m" / "c")
        case "loop":
            (at / "loop").symlink_to(at / "loop")
        case "unread":
            (at / "unread").write_bytes(b"x")
            (at / "unread").chmod(0)
        case "full":
            return "/dev/full" if Path("/dev/full").exists() else str(at)
        case "pipe":
            os.mkfifo(at / "pipe")
        case "endless":
            return "/dev/zero" if Path("/dev/zero").exists() else str(at)
    return str(at / name)


def test_the_walk_finds_them():
    assert len(PLACES) > 50
    found = {option for _, _, option in PLACES}
    assert {"--from", "--record", "--wheel", "--logbook", "--out", "--against", "--recording",
            "--picture", "--answers", "--resume", "--store", "--port", ""} <= found  # fmt: skip


@pytest.mark.parametrize("kind", NASTY)
def test_no_file_of_ours(kind, tmp_path: Path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("SPARKWITNESS_LOGBOOK", str(tmp_path / "book.db"))
    monkeypatch.setenv("SPARKWITNESS_ENGINES", str(tmp_path / "engines"))
    at = tmp_path / "at"
    at.mkdir()
    path = nasty(kind, at)
    wrong = []
    for words, name, option in PLACES:
        needed = () if (words, name) in NAMES else NEEDED.get(words, ())
        beside = NEEDED.get(words, ())[1:] if words == "export" and not option else ()
        typed = (*words.split(), *needed, *beside, *((option, path) if option else ("--", path)))
        result = run(*typed, typed="")
        end = how_it_ended(result)
        if end not in (TRIED, REFUSED):
            wrong.append((end, typed, result.output[-300:], repr(result.exception)))
    assert not wrong, "\n".join(map(str, wrong))
