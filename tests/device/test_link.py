"""The link's refusals, and what is kept when a run is stopped."""

import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from types import SimpleNamespace

import pytest

from sparkwitness.cli import sources
from sparkwitness.decode import framing, wire
from sparkwitness.decode.recording import Recording
from sparkwitness.device import link
from sparkwitness.timing.setup import Setup
from streams import HELLO
from test_measure import invoke, replay, sentence


class Peer:
    """The other end of a terminal, answering every read with what `answer` gives."""

    def __init__(self, answer):
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._slave = slave
        self._answer = answer
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        try:
            while True:
                os.write(self.master, self._answer(os.read(self.master, 4096)))
        except OSError:
            return

    def __enter__(self):
        return self

    def __exit__(self, *_):
        os.close(self._slave)
        os.close(self.master)


def measured(port, *more):
    arguments = ("--yes", "--reference", "pulse", "--reference-angle", "10", "--patience", "0.3")
    return sentence(invoke("measure", "--port", port, *arguments, *more))


def test_nothing_answers():
    with Peer(lambda _: b"") as peer:
        assert "nothing answers" in measured(peer.port)


def test_something_else_talks():
    with Peer(lambda _: b"$GPGGA,123519,4807.038,N\r\n") as peer:
        assert "nothing there speaks the sparkwitness protocol" in measured(peer.port)


def test_board_at_its_prompt():
    with Peer(lambda _: b"\r\n>>> ") as peer:
        assert "at its MicroPython prompt" in measured(peer.port)


@pytest.mark.parametrize("layout", ["same", "other"])
def test_another_protocol_version(layout):
    hello = wire.encode("hello", 1, 0, **{**HELLO, "protocol": wire.PROTOCOL + 1})
    if layout == "other":
        head = wire.HEADER.build({"type": 1, "flags": 0, "session": 1, "seq": 0})
        hello = framing.seal(head + (7).to_bytes(2, "little") + b"?")
    with Peer(lambda _: hello) as peer:
        found = measured(peer.port)
    assert "speaks protocol version" in found and "board install" in found


def test_port_that_is_busy():
    with sources.board("idle-four", None) as source, link.Link(source.port):
        assert "is busy" in measured(source.port)


def test_refusal_carries_the_boards_reason():
    with sources.board("idle-four", None) as source, link.Link(source.port) as board:
        with pytest.raises(link.UserError, match="refuses lamp: "):
            board.command("lamp", mode=1, teeth=1, missing=0, input=0, angle_mdeg=0, flash_us=60)
        board.command("start")
        with pytest.raises(link.UserError, match="refuses configure"):
            board.command("configure", enabled=15, falling=0)
        board.command("stop")


def test_one_board_is_found_and_several_are_listed(monkeypatch):
    def port(name, vid=0x2E8A, pid=5):
        return SimpleNamespace(device=name, vid=vid, pid=pid, serial_number="e66")

    monkeypatch.setattr(link.list_ports, "comports", lambda: [port("a"), port("b", pid=10)])
    assert link.choose_port() == "a"
    monkeypatch.setattr(link.list_ports, "comports", lambda: [port("a"), port("b")])
    with pytest.raises(link.UserError, match=r"a \(e66\), b \(e66\); choose one with --port"):
        link.choose_port()
    monkeypatch.setattr(link.list_ports, "comports", lambda: [port("x", vid=None, pid=None)])
    with pytest.raises(link.UserError, match="no board is plugged in"):
        link.choose_port()


def test_board_that_goes_away_leaves_the_recording(tmp_path):
    path = tmp_path / "gone"
    with sources.board("no-start", None, speed=1.0) as source:
        timer = threading.Timer(1.5, source.simulated.unplug)
        timer.start()
        found = measured(source.port, "--record", str(path), "--reference", "36-1")
        timer.join()
    assert "went away" in found or "stopped sending" in found
    assert str(path) in found.replace("\n", "")
    assert Recording(path).setup


def test_ctrl_c_leaves_a_readable_recording_and_says_where(tmp_path):
    path = tmp_path / "stopped"
    script = (
        "import sys\n"
        "from sparkwitness import cli\n"
        "from sparkwitness.cli import sources\n"
        "fast = sources.board\n"
        "sources.board = lambda simulate, port: fast(simulate, port, speed=1.0)\n"
        "sys.argv = ['sparkwitness', 'measure', '--simulate', 'marine-four', '--target', '0.05',\n"
        f"            '--record', {str(path)!r}, '--longest', '60', '--clamp', 'plug']\n"
        "cli.main()\n"
    )
    run = subprocess.Popen(
        [sys.executable, "-c", script], stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 20
    while not (path.exists() and path.stat().st_size > 8000):
        assert time.monotonic() < deadline and run.poll() is None
        time.sleep(0.1)
    run.send_signal(signal.SIGINT)
    _, complaint = run.communicate(timeout=60)
    assert run.returncode != 0 and "Traceback" not in complaint
    assert str(path) in complaint.replace("\n", "")
    recording = Recording(path)
    result = replay(path, Setup.from_dict(recording.setup))
    assert result.loss.frames_good > 10 and result.loss.frames_damaged <= 1
