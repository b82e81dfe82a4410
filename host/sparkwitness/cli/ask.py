"""Questions to a person at a terminal: the one place that reads what they type.

Any input ends in a value, in another try after one sentence, or in a clean end: "?" shows help,
an empty line takes the value in brackets, end of input and Ctrl-C end the command. What a pasted
page leaves behind is thrown away, so that its lines do not answer the questions that follow.
"""

import os
import select
import signal
import sys
import threading
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

import click

from sparkwitness.cli import options
from sparkwitness.errors import UserError

_T = TypeVar("_T")
_MOST = 200
"""Characters of one answer; more is a pasted page."""


class Ended(UserError):
    """The input ended before the question was answered."""


def question(
    text: str,
    kind: "click.ParamType[Any] | type | Callable[[str], _T]" = str,
    default: Any = None,
    help: str = "",
    empty: bool = False,
    bare: bool = False,
) -> Any:
    """Ask until an answer can be used.

    Args:
        text: the question; what may be typed stands in it.
        kind: click type, `int`, `str`, or a function that raises UserError or click.UsageError.
        default: taken for an empty line and shown in brackets; None: an answer is needed.
        help: why it is asked and where the answer is found, shown for "?".
        empty: an empty line is an answer too, and gives None.
        bare: "?" is an answer like another.

    Raises:
        Ended: the input has ended.
        click.Abort: Ctrl-C.
    """
    shown = "" if default is None else _text(default)
    if isinstance(kind, click.Choice):
        text = f"{text} ({', '.join(map(str, kind.choices))})"
    while True:
        typed = _line(text, shown)
        if typed == "?" and not bare:
            click.echo(f"  {help or 'There is no more to say about this one.'}")
            continue
        if not typed:
            if default is not None:
                return default
            if empty:
                return None
            click.echo(f"  An answer is needed here{'; ? tells more' if help else ''}.")
            continue
        try:
            if kind is str and _drop():
                raise UserError("that was more than one line; type one short line")
            return _value(kind, typed)
        except (UserError, click.UsageError) as error:
            _drop()
            click.echo(f"  {_sentence(error.message)}")


def yes_no(text: str, default: bool | None = None, help: str = "") -> bool:
    """A yes or a no."""

    def convert(typed: str) -> bool:
        word = typed.lower()
        if word in ("y", "yes", "n", "no"):
            return word.startswith("y")
        raise UserError("type y for yes or n for no")

    hint = {None: "y/n", True: "Y/n", False: "y/N"}[default]
    answer = question(f"{text} [{hint}]", convert, None, help, empty=default is not None)
    return bool(default) if answer is None else bool(answer)


def cautions_taken(text: str = "Have you read this and taken the precautions?") -> None:
    """Go on only after a yes.

    Raises:
        UserError: it was a no.
    """
    _drop()  # a yes must be typed after the cautions were shown
    if not yes_no(text, False):
        raise UserError("nothing was done; take the precautions first, then start again")


def _line(text: str, default: str) -> str:
    """One line as typed, in plain characters and without blanks around it."""
    shown = f"{text} [{default}]: " if default else f"{text}: "
    # Bytes that are no text are then an answer like another; a decoder that has met one begins
    # every line after it with the same fault.
    with suppress(AttributeError, OSError):
        sys.stdin.reconfigure(errors="surrogateescape")  # type: ignore[union-attr]
    while True:
        try:
            if waited := _a_terminal():
                _wait(shown)
            typed = click.prompt(
                "" if waited else shown, default=default, show_default=False, prompt_suffix=""
            )
        except click.Abort as abort:
            if isinstance(abort.__context__, EOFError):
                click.echo()
                raise Ended(
                    "the input ended before the question was answered; answer it, or give the "
                    "answers as options (--help lists them)"
                ) from None
            raise
        except UnicodeDecodeError:
            click.echo("  That cannot be read as text; type it again.")
            continue
        except OSError as error:
            raise UserError(f"the terminal cannot be read ({error.strerror})") from None
        # Full-width digits and the like become plain ones; a true minus becomes the keyboard's.
        plain = unicodedata.normalize("NFKC", str(typed)).replace("\N{MINUS SIGN}", "-").strip()
        if len(plain) > _MOST:
            _drop()
            click.echo(f"  That is {len(plain)} characters; a short answer is wanted.")
            continue
        if not plain.isprintable():
            click.echo("  That has characters that cannot be shown; type it again.")
            continue
        return plain


def _a_terminal() -> bool:
    """Somebody may press Ctrl-C or Ctrl-Z here."""
    posix = sys.platform != "win32" and sys.stdin is not None and sys.stdin.isatty()
    return posix and threading.current_thread() is threading.main_thread()


def _wait(question: str) -> None:
    """Show the question and wait until a line, or the end of input, is there to be read.

    A signal that comes just before a read is not seen until a line has come; so the wait is here,
    where each is seen. After Ctrl-Z and back the question stands there again: at that key a
    terminal throws away what was typed and not read yet (POSIX, General Terminal Interface, SUSP
    and NOFLSH), where the computer is busy a whole line.

    Raises:
        click.Abort: Ctrl-C.
    """
    ours, theirs = os.pipe()
    os.set_blocking(ours, False)
    os.set_blocking(theirs, False)
    told = signal.set_wakeup_fd(theirs, warn_on_full_buffer=False)
    before = signal.signal(signal.SIGCONT, lambda *_: click.echo(f"\n{question}", nl=False))
    try:
        click.echo(question, nl=False)
        while sys.stdin not in select.select([sys.stdin, ours], [], [])[0]:
            os.read(ours, 100)
    except KeyboardInterrupt:
        raise click.Abort from None
    finally:
        signal.signal(signal.SIGCONT, before)
        signal.set_wakeup_fd(told)
        os.close(ours)
        os.close(theirs)


def _drop() -> bool:
    """Throw away lines that wait already; whether there were any."""
    if sys.platform == "win32":
        return False
    import termios

    with suppress(OSError, ValueError, termios.error):
        waiting = sys.stdin.isatty() and bool(select.select([sys.stdin], [], [], 0.02)[0])
        if waiting:
            termios.tcflush(sys.stdin, termios.TCIFLUSH)
        return waiting
    return False


def _value(kind: Any, typed: str) -> Any:
    if kind is str:
        return typed
    if isinstance(kind, click.Choice):
        word = typed.lower()
        if any("_" in str(c) for c in kind.choices):
            word = word.replace("-", "_").replace(" ", "_")
        near = [c for c in kind.choices if str(c).lower().startswith(word)]
        exact = [c for c in near if str(c).lower() == word]
        if len(near) == 1 or exact:
            return (exact or near)[0]
        raise UserError(f"type one of {', '.join(map(str, kind.choices))}")
    if kind is int or isinstance(kind, click.IntRange):
        number = options.NUMBER.convert(typed, None, None)
        if number != int(number):
            raise UserError(f"{typed} is not a whole number")
        if isinstance(kind, click.IntRange):
            return kind.convert(int(number), None, None)
        return int(number)
    if isinstance(kind, click.ParamType):
        return kind.convert(typed, None, None)
    return kind(typed)


def _text(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."
