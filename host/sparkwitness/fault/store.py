"""Searches kept in files, so that one can go on with them."""

import json
import os
from pathlib import Path

import platformdirs

from sparkwitness.errors import UserError, not_written, small_text, whole_file
from sparkwitness.fault import model as ff


def default_path(started: str) -> Path:
    """A file of its own in the user's data folder."""
    folder = Path(platformdirs.user_data_dir("sparkwitness")) / "findfault"
    name = started.replace(":", "").removesuffix("+0000")
    path, n = folder / f"{name}.json", 1
    while path.exists():
        n += 1
        path = folder / f"{name}-{n}.json"
    return path


def store(path: Path, run: ff.Run) -> None:
    """Write a run so that a crash leaves the old file or the new one, never half of one.

    Raises:
        UserError: the file cannot be written.
    """
    text = json.dumps(ff.run_to_dict(run), indent=1, ensure_ascii=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise not_written(path, error) from None
    with whole_file(path, True) as part, open(part, "x", encoding="utf-8") as file:
        file.write(text + "\n")
        file.flush()
        os.fsync(file.fileno())


def load(path: Path) -> ff.Run:
    """Read a stored run.

    Raises:
        UserError: it cannot be read, or is no such run; the file is left as it is.
    """
    try:
        return ff.run_from_dict(json.loads(small_text(path)))
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        broken = isinstance(error, (json.JSONDecodeError, RecursionError))
        why = "it is not JSON" if broken else str(error)
        if isinstance(error, UnicodeDecodeError):
            why = "it is not text"
        raise UserError(f"{path} cannot be resumed: {why}") from None
