"""How an attack ends, and what all attacks use.

TRIED means that it was taken and did no harm, REFUSED that one sentence says why not; LOST that
something kept before is gone, a number makes no sense, or the result did not appear; RAW that
something reached the terminal on which it acts; TRACEBACK speaks for itself.
"""

import re
from collections.abc import Callable
from pathlib import Path
from random import Random

from click.testing import CliRunner, Result

from hostile import nasty
from sparkwitness.cli import main

TRIED, REFUSED, LOST, RAW, TRACEBACK = OUTCOMES = ("tried", "refused", "lost", "raw", "traceback")
DATA = Path(__file__).resolve().parents[1] / "data"
RECORDING = DATA / "idle-four.swrec"
SMALL = DATA / "pulse-near.swrec"
# A fault of the program's own that is shown as if it were a sentence.
_UNSAID = re.compile(r"\b[A-Z][A-Za-z]+(Error|Exception)\b[:(]")
Attack = Callable[[Random, Path], str]


def run(*arguments: str | Path, typed: str | None = None) -> Result:
    """A command in this process."""
    return CliRunner().invoke(main, [str(a) for a in arguments], input=typed)


def outcome(result: Result) -> str:
    """How a command ended."""
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return TRACEBACK
    return ended(result.exit_code, result.output)


def ended(code: int, said: str) -> str:
    """How it ended, by its exit code and what it said."""
    if "Traceback" in said or _UNSAID.search(said) or code < 0:
        return TRACEBACK
    if nasty.acts(said):
        return RAW
    if code == 0 or (code == 3 and "Go on with: sparkwitness findfault" in said):
        return TRIED  # or the search goes on, and says how
    lines = [line for line in said.splitlines() if line.startswith(("Error: ", "! "))]
    return REFUSED if lines or "Aborted!" in said or "Usage:" in said else LOST


def worst(*outcomes: str) -> str:
    """The one that matters most."""
    return max(outcomes, key=OUTCOMES.index)
