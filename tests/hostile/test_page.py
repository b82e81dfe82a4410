"""Those who hold on to the live page's server, or come back ten thousand times."""

import socket
import time
from contextlib import ExitStack, closing, suppress

import pytest

from live_rig import http, serving
from sparkwitness.faces.live import server


@pytest.fixture(scope="module")
def live():
    with serving() as rig:
        rig.newest.wait(lambda view: view["error"])
        yield rig


def open_to(rig):
    return closing(socket.create_connection(("127.0.0.1", rig.address.port), timeout=5))


def views_per_second(rig, seconds=2.0):
    """How many views the measuring loop makes meanwhile."""
    before, began = len(rig.newest.times), time.monotonic()
    time.sleep(seconds)
    return (len(rig.newest.times) - before) / (time.monotonic() - began)


def test_many_who_say_nothing_lock_nobody_out(live):
    with ExitStack() as stack:
        idle = [stack.enter_context(open_to(live)) for _ in range(3 * server._MOST_CONNECTIONS)]
        for half in idle[::2]:
            half.sendall(b"GET / HTTP/1.1\r\nHost: ")  # and never the rest
        assert http(live, "/")[0] == 200
        open_still = 0
        for one in idle:
            one.settimeout(0.01)
            try:
                open_still += one.recv(1) != b""
            except TimeoutError:
                open_still += 1
            except ConnectionError:
                pass
        assert open_still <= server._MOST_OF_ONE


def test_who_says_nothing_is_let_go(live, monkeypatch):
    monkeypatch.setattr(server, "_LONGEST_S", 0.3)
    with open_to(live) as idle:
        idle.settimeout(5)
        with suppress(ConnectionResetError):
            assert idle.recv(1) == b""


def test_coming_back_again_and_again_is_not_noticed_by_the_measuring_loop(live):
    calm = views_per_second(live)
    before, began, came = len(live.newest.times), time.monotonic(), 0
    while time.monotonic() < began + 2.0:
        with open_to(live) as one:
            one.sendall(b"GET /page.js HTTP/1.1\r\nHost: nobody\r\n\r\n")
        came += 1
    busy = (len(live.newest.times) - before) / (time.monotonic() - began)
    print(f"views a second: {calm:.1f} calm, {busy:.1f} with {came} visits")
    assert came > 50
    assert busy > calm / 2
