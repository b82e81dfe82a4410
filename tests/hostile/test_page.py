"""Those who hold on to the live page's server, or come back again and again.

What they cost the measuring loop is measured by tests/bench/live_pages.py, as `make hostile` does.
"""

import socket
import subprocess
import sys
import time
from contextlib import ExitStack, closing, suppress

import pytest

from live_rig import http, serving, wait_until
from sparkwitness.faces.live import server

VISITOR = """
import socket, sys
for _ in range(int(sys.argv[2])):
    try:
        with socket.create_connection(("127.0.0.1", int(sys.argv[1])), timeout=5) as one:
            one.sendall(b"GET /page.js HTTP/1.1\\r\\nHost: nobody\\r\\n\\r\\n")
            one.recv(100)
    except ConnectionError:
        pass
"""
VISITS = 120


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


class Knocking:
    closed = False

    def close(self):
        self.closed = True


def test_a_crowd_from_one_address_keeps_nobody_else_waiting():
    door, crowd = server.Door(), [Knocking() for _ in range(1000)]
    others = {f"192.0.2.{k}": Knocking() for k in range(4)}
    for k, one in enumerate(crowd):
        door.comes(one, "192.0.2.99")
        if k == 500:
            for address, other in others.items():
                door.comes(other, address)
    first = [door.next() for _ in range(5)]
    assert {*others.values()} <= {*first}
    let_in = list(iter(door.next, None))
    assert let_in == crowd[-len(let_in) :]  # of the crowd the newest, in their order
    assert len(let_in) == server._MOST_OF_ONE - 1 or first[0] in others.values()
    assert sum(one.closed for one in crowd) == 1000 - server._MOST_OF_ONE
    assert not any(one.closed for one in others.values())


def test_crowds_from_many_addresses_are_bounded_in_all():
    door, crowds = server.Door(), []
    for k in range(5000):
        crowds.append(Knocking())
        door.comes(crowds[-1], f"198.51.100.{k % 200}")
    assert len(list(iter(door.next, None))) == server._MOST_CONNECTIONS
    assert sum(one.closed for one in crowds) == 5000 - server._MOST_CONNECTIONS


def test_who_says_nothing_is_let_go(live, monkeypatch):
    monkeypatch.setattr(server, "_LONGEST_S", 0.3)
    with open_to(live) as idle:
        idle.settimeout(5)
        with suppress(ConnectionResetError):
            assert idle.recv(1) == b""


def test_coming_back_again_and_again_ends_nothing(live):
    # Another program, as every browser is.
    subprocess.run(
        [sys.executable, "-c", VISITOR, str(live.address.port), str(VISITS)],
        check=True,
        timeout=900,
    )
    live.newest.wait(lambda view: view["error"])
    assert http(live, "/")[0] == 200


STREAM = (
    "GET /stream?token={token} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
    "Upgrade: websocket\r\nConnection: Upgrade\r\n"
)
HOSTILE = {
    "a header without end": (
        "GET / HTTP/1.1\r\nHost: {host}\r\nX: " + "a" * (1 << 20), {400, None}),
    "headers by the thousand": ("GET / HTTP/1.1\r\nHost: {host}\r\n" + "X: 1\r\n" * 20_000, {200}),
    "two hosts": ("GET / HTTP/1.1\r\nHost: {host}\r\nHost: b\r\n", {400, 421}),
    "no host": ("GET / HTTP/1.1\r\n", {400, 421}),
    "another's host, ours forwarded": (
        "GET / HTTP/1.1\r\nHost: b\r\nX-Forwarded-Host: {host}\r\n", {421}),
    "a zero byte": ("GET / HTTP/1.1\r\nHost: {host}\r\nX: \0\r\n", {400}),
    "a length below none": ("POST / HTTP/1.1\r\nHost: {host}\r\nContent-Length: -5\r\n", {400}),
    "two lengths": ("POST / HTTP/1.1\r\nHost: {host}\r\nTransfer-Encoding: chunked\r\n"
                    "Content-Length: 5\r\n", {400, 405}),
    "a way up": ("GET /..%2f..%2fetc/passwd HTTP/1.1\r\nHost: {host}\r\n", {404}),
    "a socket without a key": (STREAM, {400}),
    "a socket of no version": (STREAM + "Sec-WebSocket-Version: 99\r\n", {400, 426}),
}  # fmt: skip


@pytest.mark.parametrize("kind", HOSTILE)
def test_hostile_headers_are_answered(live, kind):
    request, right = HOSTILE[kind]
    said = request.format(host=live.host, token=live.address.token) + "\r\n"
    with open_to(live) as one:
        status = None
        with suppress(ConnectionError):  # it may be refused before all of it is said
            one.sendall(said.encode())
            status = int(one.recv(100).split()[1])
        assert status in right
    assert http(live, "/")[0] == 200


def test_a_page_that_went_without_a_word_is_let_go(live):
    """A phone out of reach: the socket stands open, and nothing answers a ping."""
    assert live.pages.count == 0
    with open_to(live) as gone:
        lines = (
            f"GET /stream?token={live.address.token} HTTP/1.1", f"Host: {live.host}",
            f"Origin: http://{live.host}", "Upgrade: websocket", "Connection: Upgrade",
            "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==", "", "",
        )  # fmt: skip
        gone.sendall("\r\n".join(lines).encode())
        wait_until(lambda: live.pages.count == 1)
        before = views_per_second(live, 4.0)
        wait_until(lambda: live.pages.count == 0, 20)
        print(f"views a second: {before:.1f} with a page that is gone")
        assert before > 0.5
