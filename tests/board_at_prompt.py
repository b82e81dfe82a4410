"""A board with a disk and a prompt: MicroPython's unix port with its own raw REPL and LittleFS.

What stands in for what: the interpreter, its REPL, `hashlib`, `os` and the file system are
MicroPython's own. The disk is a file of the host; `sys.platform` says rp2 at the prompt; a soft
reset ends the unix port, so it is started anew here, as a board starts itself anew. USB and flash
are not tested by this.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import subprocess
import threading
import tty
from collections.abc import Callable
from pathlib import Path

from firmware_board import FIRMWARE, micropython
from sparkwitness.simulator import scenario
from sparkwitness.simulator.board import drive_of, pack_answer
from sparkwitness.simulator.world import World

ALWAYS = 99_999_999
RAW = b"raw REPL; CTRL-B to exit\r\n>"

# Follows a line CONFIG = {...}.
BOOT = """
import os, sys, vfs
class Disk:
    def __init__(self, path, blocks, power):
        self.file, self.blocks, self.power = open(path, "r+b"), blocks, open(power, "r+b")
    def readblocks(self, n, buf, at=0):
        self.file.seek(n * 4096 + at)
        self.file.readinto(buf)
    def writeblocks(self, n, buf, at=0):
        self.file.seek(n * 4096 + at)
        self.put(buf)
    def put(self, buf):
        # As long as there is power; the last write is cut short.
        self.power.seek(0)
        self.power.readinto(DIGITS)
        left = int(DIGITS)
        self.power.seek(0)
        self.power.write("%8d" % (left - 1))
        self.power.flush()
        self.file.write(buf if left else buf[: len(buf) // 3])
        self.file.flush()
        if not left:
            os_here.system("kill -9 $PPID")
    def ioctl(self, op, n):
        if op == 6:
            self.file.seek(n * 4096)
            self.put(BLANK)
        return {4: self.blocks, 5: 4096, 6: 0}.get(op)
# Made once: little memory is taken inside the file system.
BLANK, DIGITS, os_here = b"\\xff" * 4096, bytearray(8), os
extra = [(name, open(path, "rb").read()) for name, path in CONFIG["extra"]]
disk = Disk(CONFIG["disk"], CONFIG["blocks"], CONFIG["power"])
try:
    fs = vfs.VfsLfs2(disk)
except OSError:
    vfs.VfsLfs2.mkfs(disk)
    fs = vfs.VfsLfs2(disk)
vfs.umount("/")
vfs.mount(fs, "/")
os.chdir("/")
sys.path[:] = ["", "/lib"]
for name, data in extra:
    with open(name, "wb") as f:
        f.write(data)
if CONFIG["friendly"] and "main.py" in os.listdir():
    try:
        exec(compile(open("main.py").read(), "main.py", "exec"))
    except Exception as error:
        sys.print_exception(error)
class Named:
    version, _machine = CONFIG["release"], CONFIG["machine"]
    _mpy = CONFIG["mpy"] or sys.implementation._mpy
class Sys:
    platform, implementation = CONFIG["platform"], Named
    stdin, stdout, print_exception, path = sys.stdin, sys.stdout, sys.print_exception, sys.path
sys.modules["sys"] = Sys
del extra
"""


class PromptBoard:
    """Use as a context manager; `port` is what a host opens.

    Args:
        folder: for the disk and the boot script.
        blocks: of 4096 bytes, size of the disk.
        to_board: what the cable makes of bytes on their way to the board (cut, damage).
        files: put onto the disk before the first boot.
    """

    def __init__(
        self,
        folder: Path,
        blocks: int = 128,
        platform: str = "rp2",
        machine: str = "Raspberry Pi Pico with RP2040",
        release: tuple[int, ...] = (1, 24, 1),
        mpy: int = 0,
        files: dict[str, bytes] | None = None,
        to_board: Callable[[bytes], bytes] = lambda data: data,
    ) -> None:
        self.folder = folder
        self.disk = folder / "disk"
        if not self.disk.exists():
            self.disk.write_bytes(b"\xff" * 4096 * blocks)
        self._power = folder / "power"
        self.power_for(ALWAYS)
        self.to_board = to_board
        self.boots = 0
        self.process: subprocess.Popen[bytes] | None = None
        self._values = {
            "disk": str(self.disk), "power": str(self._power), "blocks": blocks,
            "platform": platform, "machine": machine, "release": release, "mpy": mpy,
        }  # fmt: skip
        self._extra = {"hw_unix.py": (FIRMWARE / "hw_unix.py").read_bytes(), **(files or {})}
        self._closing = threading.Event()
        self.world = World(scenario.load("bench-jumpers"))

    def __enter__(self) -> PromptBoard:
        self._outer, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing.set()
        if self.process is not None:
            self.process.kill()
        self._thread.join(10)
        os.close(self._outer)
        os.close(self._slave)

    def power_for(self, writes: int) -> None:
        """The power goes in the middle of the write (or erasure) of the disk after so many."""
        self._power.write_text(f"{writes:8}")

    @property
    def power_left(self) -> int:
        """Writes until then."""
        return int(self._power.read_text())

    def _start(self, friendly: bool) -> int:
        """One life of the interpreter; gives the master of its terminal."""
        self.boots += 1
        extra = []
        for name, data in self._extra.items() if self.boots == 1 else ():
            path = self.folder / f"extra-{name}"
            path.write_bytes(data)
            extra.append((name, str(path)))
        script = self.folder / "boot.py"
        config = {**self._values, "extra": extra, "friendly": friendly}
        script.write_text(f"CONFIG = {config!r}\n{BOOT}")
        master, slave = pty.openpty()
        tty.setraw(slave)
        board_reads, world_writes = os.pipe()
        world_reads, board_writes = os.pipe()
        self.process = subprocess.Popen(
            [micropython(), "-i", str(script)],
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            pass_fds=(board_reads, board_writes), cwd=self.folder,
            env={**os.environ, "SPARKWITNESS_WORLD": f"{board_reads},{board_writes}"},
        )  # fmt: skip
        for fd in (slave, board_reads, board_writes):
            os.close(fd)
        threading.Thread(target=self._world, args=(world_reads, world_writes), daemon=True).start()
        return master

    def _world(self, reading: int, writing: int) -> None:
        zero = 0
        with open(reading, "rb") as source, open(writing, "wb", buffering=0) as sink:
            while len(record := source.read(32)) == 32:
                if record[0] == 1:
                    step = self.world.advance(200_000, 1000)
                    with contextlib.suppress(BrokenPipeError):
                        sink.write(pack_answer(step, zero, fast=True))
                elif record[0] == 2:
                    self.world.drive(drive_of(record[4:]))
                elif record[0] == 5:
                    zero = self.world.now

    def _serve(self) -> None:
        """The cable, and the reset."""
        raw = False
        while not self._closing.is_set():
            inner = self._start(friendly=not raw)
            raw = self._live(inner, raw)
            os.close(inner)
            assert self.process is not None
            self.process.kill()
            self.process.wait()
            if not self._closing.is_set():
                os.write(self._outer, b"MPY: soft reboot\r\n")

    def _live(self, inner: int, raw: bool) -> bool:
        """Relay until the process ends; gives whether it was at its raw prompt."""
        tail = b""
        if raw:
            os.write(inner, b"\x01")
            while not tail.endswith(RAW):
                tail += os.read(inner, 4096)
            os.write(self._outer, RAW)
        while not self._closing.is_set():
            ready, _, _ = select.select([inner, self._outer], [], [], 0.1)
            try:
                if inner in ready:
                    data = os.read(inner, 4096)
                    if not data:
                        break
                    tail = (tail + data)[-4:]
                    os.write(self._outer, data)
                if self._outer in ready:
                    os.write(inner, self.to_board(os.read(self._outer, 4096)))
            except OSError:
                break
        return tail == b"OK\r\n"
