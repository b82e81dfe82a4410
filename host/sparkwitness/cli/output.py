"""What goes to a terminal, a pipe or a file: in characters that it has, and with its own faults
said in a sentence.
"""

import codecs
import errno
import os
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from sparkwitness.errors import UserError

_PLAIN = {
    "°": " deg", "±": "+/-", "µ": "u", "μ": "u", "Ω": " ohm", "−": "-", "–": "-",
    "—": "-", "→": "->", "←": "<-", "↑": "^", "↓": "v", "≤": "<=", "≥": ">=", "≈": "~", "×": "x",
    "·": "*", "•": "*", "…": "...", "²": "^2", "³": "^3", "√": "sqrt ", "‘": "'", "’": "'",
    "“": '"', "”": '"', "█": "#", "▉": "#", "▊": "#", "▋": "#", "▌": "#", "▍": " ", "▎": " ",
    "▏": " ", "━": "-", "╸": "-", "╺": "-", "◐": "*", "θ": "theta",
    "π": "pi", "τ": "tau", "∞": "infinity", "∫": "integral of ", "\N{NO-BREAK SPACE}": " ",
}  # fmt: skip
"""What stands for a character where the output cannot show it."""
_BRAILLE = range(0x2800, 0x2900)  # the wheel that turns while one waits


def _replaced(error: UnicodeError) -> tuple[str, int]:
    """Plain characters in place of those that cannot be encoded; never an error."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    said = "".join(map(_plain, error.object[error.start : error.end]))
    return said, error.end


def _plain(character: str) -> str:
    character = "Ω" if character == "\N{OHM SIGN}" else character
    if character in _PLAIN:
        return _PLAIN[character]
    if ord(character) in _BRAILLE:
        return "*"
    letters = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return letters or "?"


# Every other file's faults are made a `UserError` where it is written.
_OF_OUTPUT = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)

codecs.register_error("sparkwitness", _replaced)


@contextmanager
def careful() -> Iterator[None]:
    """Output that never fails for a character; a full disk or a lost terminal is a `UserError`.

    A closed pipe is no fault: it is left to click, which ends in silence.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError, OSError):
            stream.reconfigure(errors="sparkwitness")  # type: ignore[union-attr]
    try:
        try:
            yield
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        if error.errno not in _OF_OUTPUT:
            raise
        _give_up()
        raise UserError(
            f"the output could not be written ({error.strerror}): not all of it has arrived"
        ) from None


def _give_up() -> None:
    """Drop what standard output still holds: Python would try it again at its end."""
    with suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
