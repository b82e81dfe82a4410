"""Text that people, files and boards bring, made fit to be shown and kept.

A name may hold escape sequences that move a terminal's cursor, marks that turn the direction of
writing (both: Unicode Technical Report 36, section 2), halves of characters that no file can hold,
or the beginning of a spreadsheet's formula. Everything from outside passes through here on its way
to a terminal, a page or a file.
"""

import re
import sys
import unicodedata
from codecs import register_error
from contextlib import suppress
from html import escape
from io import TextIOWrapper

# C0 and C1 control characters but line feed and tab; marks that turn the writing's direction or
# cannot be seen (UAX 9; UTR 36); surrogates. What remains can be shown and encoded.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e"
    "\u2060-\u2064\u2066-\u206f\ufeff\ufff9-\ufffb\ufffe\uffff\ud800-\udfff\U000e0000-\U000e007f]"
)
_LONGEST = 200
_WAITING = range(0x2800, 0x2900)  # Braille: the wheel that turns while one waits
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
# How the characters that we write ourselves look where a terminal's alphabet lacks them.
_PLAIN = {
    "±": "+/-", "°": " deg", "µ": "u", "μ": "u", "Ω": "ohm", "→": "->", "←": "<-", "↔": "<->",
    "×": "x", "·": "*", "²": "^2", "½": "1/2", "≤": "<=", "≥": ">=", "≈": "~", "…": "...",
    "–": "-", "—": "-", "−": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "•": "*", "∞": "inf",
    "█": "#", "▉": "#", "▊": "#", "▋": "#", "▌": "#", "▍": " ", "▎": " ", "▏": " ", "━": "-",
    "╸": "-", "╺": "-", "θ": "theta", "π": "pi", "τ": "tau", "σ": "sigma", "∫": "integral of ",
    "△": "delta", "Δ": "delta", "√": "sqrt", "ϕ": "phi", "║": "|", "│": "|", "─": "-",
    "┌": "+", "┐": "+", "└": "+", "┘": "+", "▘": "'", "▝": "'", "▀": '"', "▖": ".", "▗": ".",
    "▄": "_", "▐": "#", "▞": "/", "▚": "\\", "▛": "#", "▜": "#", "▙": "#", "▟": "#",
}  # fmt: skip


def shown(text: str) -> str:
    """The same text with nothing in it that acts on a terminal: each such character as its code.

    >>> shown("plug\\x1b[2J")
    'plug\\\\x1b[2J'
    """
    return _UNSEEN.sub(lambda match: _code(match[0]), text)


def one_line(text: str) -> str:
    """A name or a note as it may be kept and listed: one line, at most 200 characters."""
    line = shown(" ".join(text.split()))
    return line if len(line) <= _LONGEST else line[: _LONGEST - 1] + "…"


def html(text: str) -> str:
    """A text for a page or a report."""
    return escape(shown(text))


def cell(text: str) -> str:
    """A text for a table that a spreadsheet may open: never a formula.

    Source: OWASP, CSV Injection: such a cell begins with an apostrophe.
    """
    return "'" + text if text.startswith(_FORMULA) else text


def plain_where_needed() -> None:
    """From now on a character that standard output or error cannot show is no error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            with suppress(OSError, ValueError):  # closed, or already read from
                stream.reconfigure(errors="sparkwitness")


def _code(character: str) -> str:
    number = ord(character)
    if number < 0x100:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Handler of `errors`: what an alphabet lacks, in characters that all have."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    missing = error.object[error.start : error.end]
    return "".join(map(plain, missing)), error.end


def plain(character: str) -> str:
    """What stands for a character where it cannot be shown."""
    if ord(character) in _WAITING:
        return "*"
    letters = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return _PLAIN.get(character) or letters or "?"


register_error("sparkwitness", _plain)
