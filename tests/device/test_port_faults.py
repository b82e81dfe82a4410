"""What a port does that no board does."""

import sys
from random import Random

import pytest

from sparkwitness.decode import framing, wire
from sparkwitness.device import link
from sparkwitness.errors import UserError
from streams import HELLO

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals", allow_module_level=True)
import termios

from hostile.liar import Liar


def test_a_frame_with_nothing_in_it_does_not_end_the_reader():
    board = Liar(Random(1), framing.unseal(wire.encode("hello", 1, 0, **HELLO)[:-1]))
    empty = framing.seal(b"")
    assert framing.unseal(empty.strip(b"\0")) == b""
    board.way = lambda: b"\0" + empty + b"\0" + board._acks()
    with board, link.Link(board.port) as opened:
        assert opened.hello["tick_ps"] == HELLO["tick_ps"]
        assert opened._thread.is_alive()


def test_a_port_that_vanishes_while_it_is_opened(monkeypatch):
    def gone(*_: object, **__: object) -> None:
        raise termios.error(5, "Input/output error")

    monkeypatch.setattr(link.serial, "serial_for_url", gone)
    with pytest.raises(UserError, match="not a port that can be opened"):
        link.open_port("/dev/ttyACM9")
