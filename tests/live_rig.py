"""A live run for tests: the real firmware in front of a simulated engine, capture and server."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sparkwitness.cli import sources
from sparkwitness.faces.live import server, stream
from sparkwitness.faces.live.capture import Capture
from sparkwitness.timing.setup import Setup


class Newest:
    """Takes a capture's views and waits for one that is wanted."""

    def __init__(self) -> None:
        self.view: dict[str, Any] = {}
        self.times: list[float] = []
        self._more = threading.Condition()

    def publish(self, view: dict[str, Any]) -> None:
        with self._more:
            self.view = {**self.view, **view}
            self.times.append(time.monotonic())
            self._more.notify_all()

    def wait(
        self, wanted: Callable[[dict[str, Any]], Any], seconds: float = 20.0
    ) -> dict[str, Any]:
        """The first view from now on for which `wanted` is true."""
        with self._more:
            reached = self._more.wait_for(lambda: self.view and wanted(self.view), seconds)
            assert reached, f"no such view in {seconds} s; the newest: {self.view}"
            return self.view


@dataclass
class Rig:
    """What a test holds of a live run."""

    capture: Capture
    simulated: Any
    newest: Newest
    address: Any = None
    pages: Any = None

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.address.port}"

    @property
    def socket_url(self) -> str:
        return f"ws://{self.host}/stream?token={self.address.token}"


@contextmanager
def capturing(
    scenario: str = "marine-four", speed: float = 1.0, publish=None, typed=None, **more
) -> Iterator[Rig]:
    """A capture on a simulated board; `typed`: gets the scenario's set-up and gives another."""
    newest = Newest()

    def both(view: dict[str, Any]) -> None:
        newest.publish(view)
        if publish is not None:
            publish(view)

    with sources.board(scenario, None, speed=speed) as source:
        simulated = source.simulated

        def entered(setting: float) -> None:
            simulated.world.controller.setting = setting

        setup = Setup.from_dict(source.setup)
        setup = setup if typed is None else typed(setup)
        capture = Capture(lambda: simulated.port, setup, both, **{"entered": entered, **more})
        capture.start()
        try:
            yield Rig(capture, simulated, newest)
        finally:
            capture.close()


@contextmanager
def running(rig: Rig, listener: socket.socket) -> Iterator[None]:
    """The server of a rig, on a socket that is bound."""
    served = server.server(rig.address, rig.pages, lambda: server.points_csv(rig.capture.marks))
    thread = threading.Thread(target=lambda: served.run(sockets=[listener]), daemon=True)
    thread.start()
    wait_until(lambda: served.started)
    try:
        yield
    finally:
        served.should_exit = True
        thread.join(10)
        assert not thread.is_alive()


@contextmanager
def serving(scenario: str = "marine-four", lan: bool = False, **more: Any) -> Iterator[Rig]:
    """A capture with its page."""
    listener, address = server.listen(0, lan)
    broadcast = stream.Broadcast()
    with listener, capturing(scenario, publish=broadcast.publish, **more) as rig:
        rig.address = address
        rig.pages = stream.Pages(broadcast, rig.capture.ask)
        with running(rig, listener):
            yield rig


def wait_until(reached: Callable[[], Any], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not reached():
        assert time.monotonic() < end, f"not reached in {seconds} s"
        time.sleep(0.02)


def http(rig: Rig, path: str, **headers: str) -> tuple[int, dict[str, str], str]:
    """One GET, header by header as given; (status, headers in lower case, body)."""
    lines = {"Host": rig.host, "Connection": "close", **headers}
    head = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
    with socket.create_connection(("127.0.0.1", rig.address.port), 5) as connection:
        connection.sendall(f"GET {path} HTTP/1.1\r\n{head}\r\n".encode())
        answer = b""
        while piece := connection.recv(65536):
            answer += piece
    top, _, body = answer.partition(b"\r\n\r\n")
    status, *fields = top.decode().split("\r\n")
    pairs = (field.split(": ", 1) for field in fields)
    return int(status.split()[1]), {name.lower(): value for name, value in pairs}, body.decode()
