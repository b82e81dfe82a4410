"""`sparkwitness demo --meter`: the firmware's own display in the terminal."""

from __future__ import annotations

import itertools
import re

from click.testing import CliRunner

import meter_pictures
from firmware_board import micropython
from sparkwitness.cli import main
from sparkwitness.faces import dots
from sparkwitness.simulator import desk


def demo(*words: str):
    return CliRunner().invoke(main, ["demo", *words])


def read(said: str) -> list[str]:
    """The picture between the frames, as rows of '#' and blanks."""
    rows = re.findall("│([^│]{64})│", said)
    found = []
    for row in rows:
        codes = [dots._BLOCKS.index(one) for one in row]
        for low in (0, 2):
            found.append("".join("#" if code >> low + k & 1 else " " for code in codes
                                 for k in (0, 1)))  # fmt: skip
    return found


def test_a_new_meter_says_what_is_missing():
    micropython()
    said = demo("--meter", "--new", "--seconds", "2.5")
    assert said.exit_code == 0, said.output
    picture = read(said.output)
    (new,) = meter_pictures.draw([meter_pictures.SCENES["new"]])
    # But for the mark of life in its corner.
    assert [row[:120] for row in picture] == [row[:120] for row in new]


def test_a_set_meter_shows_the_error_of_the_scenario():
    micropython()
    said = demo("--meter", "--seconds", "8")
    assert said.exit_code == 0, said.output
    picture = read(said.output)
    # The van's spark comes at 6.38 degrees, 5.6 late: one of the pictures near that.
    scenes = [
        {**meter_pictures.NUMBER, "error": error, "timing": 120 + error, "within": within}
        for error, within in itertools.product(range(-59, -53), range(3, 9))
    ]
    near = [[row[:128] for row in one[:44]] for one in meter_pictures.draw(scenes)]
    assert [row[:128] for row in picture[:44]] in near


def test_options_without_the_meter_are_refused():
    said = demo("--new")
    assert said.exit_code != 0
    assert "belong to --meter" in said.output


def test_both_ways_of_drawing_show_every_dot():
    lit = [(x, y) for x in range(8) for y in range(8) if (3 * x + 5 * y) % 7 < 3]

    def count(rows, table):
        return sum(table(one) for row in rows for one in row)

    by_blocks = dots.blocks(lambda x, y: (x, y) in lit, 8, 8)
    by_braille = dots.braille(lambda x, y: (x, y) in lit, 8, 8)
    assert count(by_blocks, lambda one: dots._BLOCKS.index(one).bit_count()) == len(lit)
    assert count(by_braille, lambda one: (ord(one) - 0x2800).bit_count()) == len(lit)
    assert by_braille[0][0] == chr(0x2800 + sum(
        bit for (x, y), bit in {(0, 0): 1, (0, 1): 2, (0, 2): 4, (1, 0): 8, (1, 1): 16,
                                (1, 2): 32, (0, 3): 64, (1, 3): 128}.items() if (x, y) in lit
    ))  # fmt: skip


def test_the_display_understands_both_addressings():
    display = desk.Display()
    display.take(b"\x00\xd5\x80\xaf")
    display.take(b"\x80\xb3\x80\x02\x80\x11\x40\x81")
    assert display.on
    assert display.lit(18, 24)
    assert display.lit(18, 31)
    assert not display.lit(18, 25)
