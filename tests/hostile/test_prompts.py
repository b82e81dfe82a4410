"""Prompts that are left and come back to; strange answers are in attacks.py."""

from contextlib import suppress

import pytest

from terminal import Terminal

COMMANDS = [
    (("findfault", "--store", "{place}/search.json", "--no-log"), "[Y/n]: ", "y for yes"),
    (("case", "go", "--logbook", "{place}/logbook.db"), "What is wrong?: ", "Engine's name"),
]


@pytest.mark.parametrize(("command", "asks", "then"), COMMANDS, ids=["yes or no", "words"])
def test_ctrl_z_and_back_leaves_the_question_open(tmp_path, command, asks, then):
    shell = Terminal(*[one.format(place=tmp_path) for one in command], jobs=True)
    shell.expect(asks)
    shell.send(b"\x1a")
    shell.expect("stopped")
    # What is typed before the program is back may be lost, as at any terminal.
    for _ in range(30):
        shell.send("no spark, cold")
        shell._more(1.0)
        if then in shell.said:
            break
    shell.expect(then)
    while shell._more(1.0):
        with suppress(OSError):
            shell.send(b"\x04")
    assert shell.close(30) == 1
    assert "the input ended before the question was answered" in shell.said
