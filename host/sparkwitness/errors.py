"""The one exception that carries a sentence for the user, and where it arises most."""

import errno
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO, TextIO


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


def small_text(path: Path, most: int = 4 << 20) -> str:
    """Text of a file that a person wrote, read in bounded time and memory.

    Raises:
        OSError: it cannot be read, is no ordinary file (a pipe or a device may not end), or has
            more than `most` bytes; `strerror` says so.
        UnicodeDecodeError: it is not UTF-8.
    """
    with ordinary(path) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, "it is too large to be one")
    return data.decode("utf-8")


def ordinary(path: Path) -> BinaryIO:
    """A file open for reading, which ends, and does not wait for somebody who writes.

    Raises:
        OSError: it cannot be read, or is a pipe or a device; `strerror` says so.
    """
    file = open(path, "rb", opener=_no_waiting)  # noqa: SIM115 (the caller's)
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise OSError(errno.EINVAL, "it is no ordinary file")
    return file


def _no_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def part_of(path: Path) -> Path:
    """Name beside a file to write it under until it is whole.

    It cannot be guessed: in a folder that others may write to, nobody can lay a link there.
    """
    return path.with_name(f".{secrets.token_hex(8)}.part")


@contextmanager
def whole_file(path: Path, replace: bool) -> Iterator[Path]:
    """A file that is there whole or not at all; gives the name to write it under.

    Args:
        replace: a file that is there may be replaced; it stays where the new one fails.

    Raises:
        UserError: it is there, is no file, or cannot be written.
    """
    if path.exists() and not replace:
        raise UserError(f"{path} already exists; choose another name with --out, or --force")
    if path.exists() and not path.is_file():
        raise UserError(f"{path} is no file that can be replaced; choose another name")
    part = part_of(path)
    try:
        yield part
        _name(part, path, replace)
    except (OSError, UserError) as error:
        why = error.__cause__ if isinstance(error, UserError) else error
        if not isinstance(why, OSError):
            raise
        raise not_written(path, why) from None
    finally:
        with suppress(OSError):
            part.unlink()


def not_written(path: Path, error: OSError) -> UserError:
    """Why a file cannot be written, in the system's words: a library's may name others."""
    why = os.strerror(error.errno) if error.errno else error.strerror or str(error)
    return UserError(f"cannot write {path}: {why}; look at the disk, or choose another place")


def _name(part: Path, path: Path, replace: bool) -> None:
    """Give a whole file its name; of two who make a new one at once one is told."""
    if not replace:
        try:
            os.link(part, path)
            return
        except FileExistsError:
            raise UserError(f"{path} was made by another program just now") from None
        except OSError:  # a file system without links
            pass
    os.replace(part, path)


@contextmanager
def new_file(path: Path, newline: str | None = None) -> Iterator[TextIO]:
    """A new text file to write to, whole or not at all; one that is there is never written over.

    Args:
        newline: as for `open`.

    Raises:
        UserError: it is there, or cannot be written.
    """
    if path.exists():
        raise UserError(f"{path} already exists; choose another name")
    with (
        whole_file(path, False) as part,
        open(part, "x", encoding="utf-8", newline=newline) as file,
    ):
        yield file
