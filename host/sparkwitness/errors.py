"""The one exception that carries a sentence for the user, and where it arises most."""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any, TextIO


class UserError(Exception):
    """One clear sentence that says what is wrong and what to do; never a traceback.

    Attributes:
        message: the sentence, without a full stop at its end.
    """

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


def needed(module: str, extra: str) -> Any:
    """An optional library.

    Args:
        module: its name for `import`.
        extra: of sparkwitness, which installs it.

    Raises:
        UserError: it is not installed.
    """
    try:
        return import_module(module)
    except ImportError:
        raise UserError(
            f"{module.partition('.')[0]} is not installed: pip install 'sparkwitness[{extra}]'"
        ) from None


@contextmanager
def new_file(path: Path, newline: str | None = None) -> Iterator[TextIO]:
    """A new text file to write to; one that is there is never written over.

    Args:
        newline: as for `open`.

    Raises:
        UserError: it is there, or cannot be written.
    """
    try:
        with open(path, "x", encoding="utf-8", newline=newline) as file:
            yield file
    except FileExistsError:
        raise UserError(f"{path} already exists; choose another name") from None
    except OSError as error:
        raise UserError(f"cannot write {path}: {error.strerror}") from None
