"""Check the firmware's types against MicroPython's stubs for the RP2 boards.

    python tests/firmware_types.py

The stubs lie beside CPython's own packages, where mypy does not take them for the standard library;
so they are laid out as a typeshed of their own in build/typings.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from importlib.metadata import files
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TYPINGS = ROOT / "build" / "typings"
STUBS = ("micropython-rp2-rpi_pico-stubs", "micropython-stdlib-stubs")


def lay_out() -> None:
    """Copy every stub file of the two packages to build/typings."""
    shutil.rmtree(TYPINGS, ignore_errors=True)
    for package in STUBS:
        for file in files(package) or ():
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                target = TYPINGS / file
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(str(file.locate()), target)


def main() -> int:
    """Returns mypy's exit code."""
    lay_out()
    command = [sys.executable, "-m", "mypy", "--config-file", "tests/firmware-mypy.ini"]
    return subprocess.run(command, cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
