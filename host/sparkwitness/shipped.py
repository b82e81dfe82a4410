"""Where the files that ship beside the Python code are: firmware, protocol, hardware."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """Folder `name` ("firmware", "protocol" or "hardware"), in an installed copy or a checkout.

    Raises:
        FileNotFoundError: the installation is incomplete.
    """
    for candidate in (_PACKAGE / "shipped" / name, _PACKAGE.parent.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"the folder {name} is missing from this installation of sparkwitness")
