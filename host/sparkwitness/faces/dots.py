"""A small picture of dots in a terminal, by block or braille characters."""

from collections.abc import Callable

# Index: upper left 1, upper right 2, lower left 4, lower right 8.
_BLOCKS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"
# Braille dots by row and column (Unicode 15, "Braille Patterns").
_BRAILLE = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def blocks(lit: Callable[[int, int], bool], width: int, height: int) -> list[str]:
    """Two by two dots a character.

    Args:
        lit: whether the dot at column x, row y is on.
        width, height: of the picture, dots.
    """
    return [
        "".join(
            _BLOCKS[sum(lit(x + k % 2, y + k // 2) << k for k in range(4))]
            for x in range(0, width, 2)
        )
        for y in range(0, height, 2)
    ]


def braille(lit: Callable[[int, int], bool], width: int, height: int) -> list[str]:
    """Two by four dots a character, for small terminals. Arguments: see `blocks`."""
    return [
        "".join(
            chr(0x2800 + sum(
                _BRAILLE[dy][dx] for dy in range(4) for dx in range(2) if lit(x + dx, y + dy)
            ))
            for x in range(0, width, 2)
        )
        for y in range(0, height, 4)
    ]  # fmt: skip
