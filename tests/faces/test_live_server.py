"""The page's server against real requests: who gets in, what is refused, what a flood costs."""

import json
import os
import socket
import threading
import time
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from live_rig import http, serving, wait_until
from sparkwitness.faces.live import server, stream


@pytest.fixture(scope="module")
def live():
    with serving() as rig:
        rig.newest.wait(lambda v: v["error"])
        yield rig


def page(rig, origin=None, **more):
    return connect(rig.socket_url, origin=origin or f"http://{rig.host}", compression=None, **more)


def take(socket, wanted, seconds=10.0):
    """The first message for which `wanted` is true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        message = json.loads(socket.recv(timeout=seconds))
        if wanted(message):
            return message
    raise AssertionError("no such message")


def ask(socket, do, **values):
    socket.send(json.dumps({"do": do, "id": 1, **values}))
    return take(socket, lambda m: m["kind"] == "answer")


def status_of(url, **more):
    with pytest.raises(InvalidStatus) as caught, connect(url, **more):
        pass
    return caught.value.response.status_code


def test_page_is_whole_and_protected(live):
    status, headers, body = http(live, "/")
    assert status == 200
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )
    # CSP level 3 (W3C): nothing by default, code and style from here only, no frames around it.
    assert policy["default-src"] == "'none'" and policy["script-src"] == "'self'"
    assert policy["style-src"] == "'self'" and policy["frame-ancestors"] == "'none'"
    assert policy["base-uri"] == "'none'" and policy["form-action"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-frame-options"] == "DENY" and headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer" and headers["cache-control"] == "no-store"
    assert "server" not in headers
    # Nothing from elsewhere, nothing inline.
    assert "http" not in body.replace("http-equiv", "") and "style=" not in body
    assert "<script>" not in body and " onclick" not in body and "{{" not in body
    assert "Exhaust kills" in body and "tens of kV" in body
    for name, kind in (("page.js", "text/javascript"), ("page.css", "text/css")):
        status, headers, body = http(live, f"/{name}")
        assert status == 200 and headers["content-type"].startswith(kind) and body
        assert "https:" not in body and "//cdn" not in body
        assert "content-security-policy" in headers


@pytest.mark.parametrize(
    "path", ["/none", "/../pyproject.toml", "/server.py", "/%2e%2e/x", "/page.html"]
)
def test_nothing_else_is_served(live, path):
    status, headers, _ = http(live, path)
    assert status == 404 and "content-security-policy" in headers


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil:80", ""]
)
def test_another_hosts_name_is_refused(live, host):
    status, _, body = http(live, "/", Host=host)
    assert status in (400, 421) and live.address.token not in body


def test_localhost_is_a_name_of_ours(live):
    assert http(live, "/", Host=f"LOCALHOST:{live.address.port}")[0] == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1", None]
)
def test_a_socket_of_another_origin_is_refused(live, origin):
    assert status_of(live.socket_url, origin=origin) == 403


def test_a_socket_by_another_hosts_name_is_refused(live):
    # As after DNS rebinding: Host and Origin agree with each other, but are not ours.
    with pytest.raises(InvalidStatus) as caught, socket.create_connection(
        ("127.0.0.1", live.address.port)
    ) as raw, connect(
        f"ws://evil.example:{live.address.port}/stream?token={live.address.token}",
        sock=raw, origin=f"http://evil.example:{live.address.port}",
    ):  # fmt: skip
        pass
    assert caught.value.response.status_code == 403


@pytest.mark.parametrize(
    "token", ["", "?token=", "?token=x", "?token=%C3%A9", "?tokens={}", "?token={}x"]
)
def test_a_socket_without_the_token_is_refused(live, token):
    url = f"ws://{live.host}/stream{token.format(live.address.token)}"
    assert status_of(url, origin=f"http://{live.host}") == 403


def test_the_token_is_compared_in_constant_time(live, monkeypatch):
    seen = []
    compare = server.hmac.compare_digest
    monkeypatch.setattr(server.hmac, "compare_digest", lambda a, b: seen.append(a) or compare(a, b))
    assert http(live, "/points.csv?token=guess")[0] == 403
    assert seen == [b"guess"] and len(live.address.token) >= 22  # 128 bits in base64


def test_commands_are_obeyed_with_the_token(live):
    with page(live) as socket:
        shown = take(socket, lambda m: m["kind"] == "view" and m["timing"])
        assert shown["timing"]["text"].endswith("°")
        answer = ask(socket, "mark", note="=2+3")
        assert answer["ok"] and "marked" in answer["text"]
        refusal = ask(socket, "setting", value=99)
        assert not refusal["ok"] and "above the controller's greatest" in refusal["text"]
    status, headers, body = http(live, f"/points.csv?token={live.address.token}")
    assert status == 200 and "attachment" in headers["content-disposition"]
    assert body.splitlines()[0].startswith("number,utc,rpm,timing") and "'=2+3" in body
    assert http(live, "/points.csv")[0] == 403


def test_lamp_nobody_watches_goes_off(live, monkeypatch):
    monkeypatch.setattr(stream, "_LAMP_ALONE_S", 0.5)
    with page(live) as socket:
        assert ask(socket, "lamp", mode="first_spark")["ok"]
        wait_until(lambda: live.simulated.world.lamp_now.mode == 2)
    wait_until(lambda: live.simulated.world.lamp_now.mode == 0, 5)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"do": 1}', '{"do": "mark"}', "[" * 2000, b"\0\1"]
)
def test_what_is_no_command_ends_the_connection(live, text):
    with page(live) as socket:
        socket.send(text)
        with pytest.raises(ConnectionClosed) as caught:
            take(socket, lambda m: False)
    assert caught.value.rcvd.code == 1008


def test_a_message_too_long_ends_the_connection(live):
    with page(live) as socket:
        socket.send("x" * 3000)
        with pytest.raises(ConnectionClosed) as caught:
            take(socket, lambda m: False)
    assert caught.value.rcvd.code == 1009


def test_a_flood_of_commands_ends_the_connection_and_nothing_else(live):
    with page(live) as bystander:
        marks = len(live.capture.marks)
        with page(live) as socket, pytest.raises(ConnectionClosed) as caught:
            for _ in range(2000):
                socket.send('{"do": "mark", "id": 1}')
            take(socket, lambda m: False)
        assert caught.value.rcvd is None or caught.value.rcvd.code == 1008
        assert len(live.capture.marks) - marks <= 20
        take(bystander, lambda m: m["kind"] == "view")


def memory_kb():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmRSS"))


def raw_socket(rig):
    """A connected web socket as a plain socket that reads only when told to."""
    raw = socket.socket()
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    raw.connect(("127.0.0.1", rig.address.port))
    raw.sendall(
        f"GET /stream?token={rig.address.token} HTTP/1.1\r\nHost: {rig.host}\r\n"
        f"Origin: http://{rig.host}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
    )
    answer = raw.recv(512)
    # The key and its answer are the example of RFC 6455, 1.3.
    assert b" 101 " in answer and b"s3pPLMBiTxaQ9kYGzzhZRbK+xOo=" in answer
    return raw


@pytest.mark.skipif(not os.path.exists("/proc/self/status"), reason="needs /proc")
def test_a_flood_of_pings_by_one_who_does_not_read_is_bounded(live):
    ping = b"\x89\xfd\0\0\0\0" + b"x" * 125  # masked with zeros
    with page(live) as bystander, raw_socket(live) as raw:
        before = memory_kb()
        raw.settimeout(0.5)
        sent = 0
        try:
            while sent < 200 << 20:
                sent += raw.send(ping * 500)
        except (TimeoutError, OSError):
            pass
        assert sent < 30 << 20, "the server went on reading"
        assert memory_kb() - before < 15_000
        take(bystander, lambda m: m["kind"] == "view")


def test_a_page_that_does_not_read_is_dropped_and_costs_the_others_nothing(live, monkeypatch):
    monkeypatch.setattr(stream, "_SLOWEST_S", 1.0)
    # More than any socket buffer holds, so that the server has to wait for the reader.
    real = json.dumps

    def padded(value, **more):
        text = real(value, **more)
        return (
            text[:-1] + f',"padding":"{"x" * 400_000}"}}' if value.get("kind") == "view" else text
        )

    monkeypatch.setattr(stream.json, "dumps", padded)
    with page(live, max_size=None) as bystander, raw_socket(live):
        wait_until(lambda: live.pages.count == 2)
        times = []
        while live.pages.count == 2:
            take(bystander, lambda m: m["kind"] == "view")
            times.append(time.monotonic())
            assert len(times) < 200, "the slow reader is still there"
        assert len(times) >= 3
        assert (
            max(b - a for a, b in pairwise(times)) < 2.0
        )  # a view four times a second, on a machine that may be busy


def test_there_is_an_end_to_the_number_of_pages(live, monkeypatch):
    monkeypatch.setattr(stream, "MOST_PAGES", 3)
    wait_until(lambda: live.pages.count == 0)
    with ExitStack() as several:
        first = several.enter_context(page(live))
        for _ in range(2):
            several.enter_context(page(live))
        with page(live) as one_more, pytest.raises(ConnectionClosed) as caught:
            one_more.recv(timeout=5)
        assert caught.value.rcvd.code == 1013
        take(first, lambda m: m["kind"] == "view")


def test_ten_pages_leave_the_capture_its_time(live):
    wait_until(lambda: live.pages.count == 0)
    stop = threading.Event()

    def look():
        with page(live) as socket:
            while not stop.is_set():
                socket.recv(timeout=5)

    threads = [threading.Thread(target=look) for _ in range(10)]
    for thread in threads:
        thread.start()
    try:
        wait_until(lambda: live.pages.count == 10)
        seen = len(live.newest.times)
        shown = live.newest.wait(lambda v: len(live.newest.times) >= seen + 12)
        assert shown["link"]["state"] == "streaming" and not shown["anything_lost"]
    finally:
        stop.set()
        for thread in threads:
            thread.join(5)


def test_for_the_network_the_page_itself_needs_the_token():
    with serving(lan=True) as rig:
        assert rig.address.url.startswith(f"http://{rig.address.host}:{rig.address.port}/?token=")
        status, _, body = http(rig, "/")
        assert status == 403 and rig.address.token not in body and "scan the code" in body
        assert http(rig, f"/?token={rig.address.token[:-1]}")[0] == 403
        assert http(rig, f"/?token={rig.address.token}")[0] == 200
        assert http(rig, "/?token=" + rig.address.token, Host="evil.example")[0] == 421
        with page(rig) as socket:
            take(socket, lambda m: m["kind"] == "view")


def test_on_loopback_only_this_machine_is_listened_to():
    listener, address = server.listen(0, lan=False)
    with listener:
        assert listener.getsockname()[0] == "127.0.0.1" and not address.lan
        assert "token" not in address.url


def test_the_token_is_kept_for_a_restart_by_this_user_alone_and_not_for_ever(tmp_path: Path):
    kept = tmp_path / "page.token"

    def token() -> str:
        listener, address = server.listen(0, lan=True, kept=kept)
        listener.close()
        return address.token

    first = token()
    assert kept.stat().st_mode & 0o777 == 0o600 and len(first) == 22
    assert token() == first
    kept.chmod(0o644)  # others could have read it
    second = token()
    assert second != first and kept.stat().st_mode & 0o777 == 0o600
    os.utime(kept, (1e9, 1e9))  # long ago
    third = token()
    assert third not in (first, second)
    kept.write_text("x" * 22 + "\n", "ascii")
    assert token() not in (third, "x" * 22)
    kept.unlink()
    kept.mkdir()  # cannot be written: a fresh one each time
    assert token() != token()
