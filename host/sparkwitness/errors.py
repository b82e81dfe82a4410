"""The one exception that carries a sentence for the user, and where it arises most."""

from importlib import import_module
from typing import Any


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
