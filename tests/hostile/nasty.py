"""Texts that people, files and boards may bring: own list; each is one way to break a program."""

from random import Random

STRINGS = [
    "see [/photos]", "[bold red]x", "[link=http://x]y[/link]", "[/]", "\\[", ":warning:",
    "\x1b[2J\x1b[H", "\x1b]0;title\x07", "\x1b]52;c;aGVsbG8=\x07", "\x9b31m", "\x1bP$q\x1b\\",
    "a\rb", "a\nb", "a\r\nError: none", "a\x08\x08b", "\x07", "a\x00b", "\x7f", "a\tb", "\x0b\x0c",
    "\u202egnp.exe", "\u2066a\u2069", "a\u200bb", "\ufeffa", "\u2028a\u2029", "\U000e0041",
    "\ud800", "a\udcffb", "\udfff\ud800",
    "=1+1", "=HYPERLINK(\"http://x\")", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "'=1", "|calc",
    "<script>alert(1)</script>", "\"><img src=x onerror=1>", "'; DROP TABLE runs;--", "${7*7}",
    "{{7*7}}", "{0}", "%s%n", "%(x)s", "`id`", "$(id)", "&amp;", "</title>",
    "../../etc/passwd", "/dev/zero", "CON", "nul.txt", "a/b", "a\\b", "-h", "--help", "--", ".",
    "..", "", " ", "\u3000", "x" * 5000, "\u0301" * 300, "\U0001f600" * 50, "ﷺ" * 40, "你好", "٣",
    "NaN", "1e999", "-0", "１２", "1,5", "0x10", "1_000", "∞", "null", "True",
]  # fmt: skip
PIECES = [*STRINGS, "a", "Engine 1", "°", "µ", "Ω", "→"]
# What a terminal acts on; a line feed and a tab only move on.
ACTS = [*map(chr, [*range(9), *range(11, 32), *range(127, 160)]), "\u202e", "\u2066", "\u2028"]


def text(rng: Random) -> str:
    """One of the list, or some of them one behind the other."""
    if rng.random() < 0.4:
        return rng.choice(STRINGS)
    return "".join(rng.choice(PIECES) for _ in range(rng.randint(1, 4)))


def acts(shown: str) -> bool:
    """Whether there is something in it that a terminal would act on, or that no file can hold."""
    return any(one in shown for one in ACTS) or any("\ud800" <= one <= "\udfff" for one in shown)
