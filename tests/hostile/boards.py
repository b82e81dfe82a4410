"""Attacks by boards: those that lie, clocks and counters that jump, a cable pulled at any step."""

import json
import os
import pty
import subprocess
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any, TextIO

from board_at_prompt import ALWAYS, PromptBoard
from firmware_board import FIRMWARE
from hostile.ends import DATA, LOST, REFUSED, TRIED, outcome, run, worst
from hostile.liar import Liar
from sparkwitness.decode import framing, wire
from sparkwitness.device import install, link, prompt
from sparkwitness.errors import UserError
from streams import HELLO

HERE = prompt.Traits("rp2", "unix port on x64", (1, 24, 1), 0x0B06, 800_000, 4096)
MEASURE = ("measure", "--commanded", "10", "--reference", "36-1", "--reference-angle", "84",
           "--reference-within", "0.5", "--cylinders", "4", "--strokes", "4", "--clamp", "plug",
           "--setting", "0", "--counts", "crank", "--longest", "1", "--once", "--yes",
           "--no-log")  # fmt: skip
BENCH = ("bench", "--kind", "inductive", "--width", "3000", "--cylinders", "4", "--active", "high",
         "--steps", "1000", "--seconds", "1", "--yes", "--no-log")  # fmt: skip


def boards_that_lie(rng: Random, place: Path) -> str:
    """A port behind which sits a liar: another version, limits of no sense, floods, a modem."""
    with Liar(rng, framing.unseal(wire.encode("hello", 1, 0, **HELLO)[:-1])) as board:
        command = rng.choice([
            ("board", "identify"), ("board", "selftest", "--yes"), MEASURE, BENCH,
        ])  # fmt: skip
        return outcome(run(*command, "--port", board.port, "--patience", "0.1", typed=""))


def a_second_host(rng: Random, place: Path) -> str:
    """The port is taken: the second is told by whom, and the first notices nothing."""
    ours, theirs = pty.openpty()
    try:
        tty.setraw(theirs)
        port = os.ttyname(theirs)
        with link.open_port(port) as first, open(theirs, closefd=False) as end, _holds(end):
            command = rng.choice([("board", "identify"), MEASURE, BENCH])
            result = run(*command, "--port", port, "--patience", "0.1", typed="")
            first.write(b"still mine")
            told = "is busy: sleep (process" in " ".join(result.output.split())
            if os.read(ours, 100) != b"still mine" or not told:
                return LOST
            return TRIED if outcome(result) == REFUSED else LOST
    finally:
        os.close(ours)
        os.close(theirs)


@contextmanager
def _holds(end: TextIO) -> Iterator[None]:
    """Another program that has it open."""
    with subprocess.Popen(["sleep", "60"], stdin=end) as holder:
        try:
            yield
        finally:
            holder.kill()


JUMPS = [0, 1, -1, 1 << 31, -(1 << 31), (1 << 31) - 1, (1 << 32) - 1, 1000, -1000]


def _jumped(rng: Random, message: wire.Message) -> dict[str, Any]:
    """The fields of a message, one of them moved as by a wrap, a step back or a start anew."""
    fields = dict(message.fields)
    name = rng.choice([key for key, value in fields.items() if not isinstance(value, str | bytes)])
    value = fields[name]
    if isinstance(value, list | tuple):
        value = list(value)
        if value:
            k = rng.randrange(len(value))
            value[k] = (value[k] + rng.choice(JUMPS)) & 0xFFFFFFFF
    else:
        size = {"time": (1 << 64) - 1}.get(name, (1 << 32) - 1)
        value = (int(value) + rng.choice([*JUMPS, 1 << 40, -(1 << 40)])) & size
    return {**fields, name: value}


def clocks_and_counters(rng: Random, place: Path) -> str:
    """A recording in which time, sequence and counters wrap, stand, or go back at random places.

    Every count in the result is a count: nothing below 0, nothing as large as a wrap gives.
    """
    data = rng.choice(sorted(DATA.glob("*.swrec"))).read_bytes()
    at = data.index(b"\n") + 1
    frames = data[at:].split(b"\0")
    for _ in range(rng.randint(1, 12)):
        k = rng.randrange(len(frames))
        try:
            message = wire.decode_body(framing.unseal(frames[k]))
        except framing.FrameError:
            continue
        session, seq = message.session, message.seq
        if rng.random() < 0.3:
            seq = (seq + rng.choice(JUMPS)) & 0xFFFFFFFF
        if rng.random() < 0.1:
            session = (session + rng.choice([1, -1, 0x8000])) & 0xFFFF
        try:
            made = wire.encode(message.name, session, seq, **_jumped(rng, message))
        except Exception:  # the field does not hold such a number: no such frame can come
            continue
        frames[k] = made.strip(b"\0")
        if rng.random() < 0.2:  # and from here on time stands
            frames[k + 1 :] = [frames[k]] * rng.randint(1, 200)
    path = place / "jumped.swrec"
    path.write_bytes(data[:at] + b"\0".join(frames))
    result = run("measure", "--from", path, "--once", "--json", "--no-log", typed="")
    end = outcome(result)
    if end == TRIED or result.stdout.startswith("{"):
        loss = json.loads(result.stdout)["loss"]
        numbers = [n for one in loss.values() for n in (one if isinstance(one, list) else [one])]
        if any(isinstance(n, int) and not 0 <= n < 1 << 33 for n in numbers):
            return LOST
        end = worst(end if end != LOST else TRIED, TRIED)
    return end


def _folder(place: Path, mark: str) -> Path:
    """The firmware, each file marked, so that an old and a new one can be told apart."""
    made = place / mark
    made.mkdir()
    for path in FIRMWARE.glob("*.py"):
        (made / path.name).write_text(f"{path.read_text()}\n# {mark}\n")
    return made


def install_pulled(rng: Random, place: Path) -> str:
    """A cable pulled after any byte of an installation over another one, or the power lost in the
    middle of any write to the board's disk.

    What boots then is whole, old or new, or has no main.py; a second installation mends it.
    """
    left = [1 << 40]

    def cable(data: bytes) -> bytes:
        passed = data[: max(0, left[0])]
        left[0] -= len(data)
        return passed

    old, new = _folder(place, "old"), _folder(place, "new")
    with PromptBoard(place, to_board=cable) as board:
        form = rng.choice(["py", "py", "mpy"])
        install.install(board.port, form, folder=old)
        if rng.random() < 0.5:
            size = sum(path.stat().st_size for path in new.glob("*.py")) * 4 // 3
            left[0] = rng.randrange(round(1.3 * size))
        else:
            board.power_for(rng.randrange(round(1.1 * (ALWAYS - board.power_left))))
        try:
            install.install(board.port, "py", patience=0.15, folder=new)
            end = TRIED
        except UserError as error:
            end = REFUSED if "again" in error.message or "unplug" in error.message else LOST
        left[0] = 1 << 40
        end = worst(end, boots_to_one_of(board, [built(old, form), built(new, "py")]))
        done = install.install(board.port, "py", folder=new)
        return end if done.hello["protocol"] == wire.PROTOCOL else LOST


def built(folder: Path, form: str) -> dict[str, str]:
    """Hashes of an installation's files, by name."""
    return {name: install.sha256(data) for name, data in install.build(HERE, form, folder).items()}


def boots_to_one_of(board: PromptBoard, whole: list[dict[str, str]]) -> str:
    """LOST unless the board has no main.py, or all of one installation and nothing that hides it,
    by its own hashes, and says hello."""
    speaks = _boots_and_speaks(board)
    install.to_prompt(board.port, 1.0)
    with install.Prompt(board.port, 1.0) as at:
        found = at.hashes(sorted({name for one in whole for name in one}))
    if (install.MAIN in found) != speaks:
        return LOST
    if install.MAIN not in found:
        return TRIED
    sources = {name for name in found if name.endswith(".py")}
    for one in whole:
        hidden = {name for name in one if name.endswith(".mpy") and name[:-3] + "py" in sources}
        if one.items() <= found.items() and not hidden:
            return TRIED
    return LOST


def _boots_and_speaks(board: PromptBoard) -> bool:
    """Whether it says hello before there is a prompt: listened to, since asking for the prompt
    stops a boot that a busy computer has made slow."""
    line = link.open_port(board.port)
    try:
        _power_cycle(board)
        heard, end = b"", time.monotonic() + 30
        while time.monotonic() < end and not heard.endswith(b">>> "):
            heard += line.read(max(1, line.in_waiting))
            if prompt._speaks(heard):
                return True
        return False
    finally:
        line.close()


def _power_cycle(board: PromptBoard) -> None:
    assert board.process is not None
    boots = board.boots
    board.process.kill()
    while board.boots == boots:
        pass
