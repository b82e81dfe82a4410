"""Targets at the rims: names, engines, other loggers' files, answers at a terminal, requests of
the page. As in `targets`: True if the input was taken, False if it was refused as promised.
"""

import asyncio
import io
import json
import math
import os
import pty
import sys
import tempfile
import termios
import threading
import zipfile
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import redirect_stdout
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import click
import numpy as np
import soundfile

from hostile import nasty
from sparkwitness import foreign
from sparkwitness.cli import ask, options
from sparkwitness.decode.edges import EdgeDecoder
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.faces.live import server
from sparkwitness.faces.live.capture import Capture
from sparkwitness.faces.live.stream import Broadcast, Pages
from sparkwitness.records import engines
from sparkwitness.records.import_ import write as imports
from sparkwitness.records.import_.base import Options
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.setup import Setup

from . import mutate

SETUP = Setup(Reference.parse("36-1", 60.0, 0.1), cylinders=4, clamp="plug", commanded=10.0)


def names(data: bytes) -> bool:
    """A name of a person, a file or a board, on its way to a terminal, a page and a table."""
    text = data.decode("utf-8", "surrogateescape")
    said, line = foreign.shown(text), foreign.one_line(text)
    for one in (said, line):
        one.encode()
        assert not nasty.acts(one)
    assert foreign.shown(said) == said and foreign.one_line(line) == line
    assert len(line) <= 200 and len(line.splitlines()) <= 1 and line == line.strip()
    html = foreign.html(text)
    assert not {*html} & {*"<>\"'"}
    assert foreign.cell(said)[:1] not in ("=", "+", "-", "@", "\t", "\r", "\n")
    return said == text


def name_seeds() -> list[bytes]:
    return [b"Heron 4", *(text.encode("utf-8", "surrogatepass") for text in nasty.STRINGS)]


def saved_engines(data: bytes) -> bool:
    """An engine's file; what is taken is written and read again the same."""
    try:
        name, setup = engines.parse(data.decode("utf-8", "replace"))
    except UserError as error:
        assert error.message and not nasty.acts(foreign.shown(error.message))
        return False
    assert engines.parse(engines.to_toml(name, setup)) == (name, setup)
    _finite(setup.to_dict())
    return True


def name_mutate(rng: Random, data: bytes) -> bytes:
    return (mutate.raw(rng, data) + nasty.text(rng).encode("utf-8", "surrogatepass"))[:2000]


def engine_seeds() -> list[bytes]:
    return [engines.to_toml("Heron 4", SETUP).encode()]


def _finite(value: Any) -> None:
    for one in value.values() if isinstance(value, dict) else value:
        if isinstance(one, float):
            assert math.isfinite(one)
        elif isinstance(one, dict | list | tuple):
            _finite(one)


SCRATCH = tempfile.TemporaryDirectory()


def others(data: bytes) -> bool:
    """Another logger's file; the recording made of it holds as many edges as are said."""
    path, out = Path(SCRATCH.name, "logged"), Path(SCRATCH.name, "made.rec")
    path.write_bytes(data)
    out.unlink(missing_ok=True)
    try:
        logged = imports.read(path, Options())
        chosen = [c.name for c in logged.channels if len(c.rising) or len(c.falling)][:2]
        inputs = dict(zip(("crank", "clamp_a"), chosen, strict=False))
        about = {"format": imports.format_of(path)}
        counts = imports.write(logged, inputs, (), out, path, None, about)
    except UserError as error:
        assert error.message
        return False
    recording, decoder, found = Recording(out), EdgeDecoder(), 0
    assert recording.imported and 1 <= recording.tick_ps <= 10**9
    for chunk in recording.chunks():
        for batch in decoder.feed(chunk):
            for ticks in batch.ticks:
                found += len(ticks)
                assert (np.diff(ticks) > 0).all()
    assert found == sum(counts.values())
    return True


@cache
def other_seeds() -> list[bytes]:
    """Small files of each format."""
    level = [(k, k % 2, k // 7 % 2) for k in range(60)]
    csv = "time (ms),crank,clamp_a\n" + "".join(f"{t * 0.5},{a},{b}\n" for t, a, b in level)
    rows = "time,channel\n" + "".join(f"{k / 1e3},{'ab'[k % 3 == 0]}\n" for k in range(1, 60))
    vcd = '$timescale 1 us $end\n$var wire 1 ! crank $end\n$var wire 1 " clamp_a $end\n'
    vcd += "$enddefinitions $end\n" + "".join(f'#{t * 500}\n{a}!\n{b}"\n' for t, a, b in level)
    session = io.BytesIO()
    with zipfile.ZipFile(session, "w") as archive:
        archive.writestr("version", "2")
        archive.writestr(
            "metadata",
            "[device 1]\ncapturefile=logic-1\ntotal probes=2\nsamplerate=2 kHz\nprobe1=crank\n"
            "probe2=clamp_a\nunitsize=1\n",
        )
        archive.writestr("logic-1-1", bytes(a | b << 1 for _, a, b in level))
    sound = io.BytesIO()
    wave = np.array([(a * 1.6 - 0.8, b * 1.6 - 0.8) for _, a, b in level for _ in range(4)])
    soundfile.write(sound, wave, 8000, format="WAV", subtype="PCM_16")
    made = [csv.encode(), rows.encode(), vcd.encode(), session.getvalue(), sound.getvalue()]
    return [*made, csv.replace(",", ";").encode()]


def other_mutate(rng: Random, data: bytes) -> bytes:
    text = data[:2] not in (b"PK", b"RI")
    return mutate.text(rng, data) if text and rng.random() < 0.8 else mutate.raw(rng, data)


KINDS: list[tuple[Any, Callable[[Any], bool]]] = [
    (options.NUMBER, lambda x: isinstance(x, float) and math.isfinite(x)),
    (click.IntRange(1, 16), lambda x: isinstance(x, int) and 1 <= x <= 16),
    (click.Choice(["plug", "wasted", "coil"]), lambda x: x in ("plug", "wasted", "coil")),
    (int, lambda x: type(x) is int),
    (str, lambda x: isinstance(x, str) and x.isprintable() and len(x) <= 200),
]  # fmt: skip
WAIT_S = 0.002


def prompts(data: bytes) -> bool:
    """What is typed at a pseudo-terminal, and then the end of input, as often as it takes."""
    kind, right = KINDS[len(data) % len(KINDS)]
    ours, theirs = pty.openpty()
    modes = termios.tcgetattr(theirs)
    modes[0] &= ~termios.IXON  # a typed XOFF would stop the writing of this test itself
    termios.tcsetattr(theirs, termios.TCSANOW, modes)
    answered = threading.Event()

    def person() -> None:
        typed = data
        while not answered.is_set():
            typed = typed[os.write(ours, typed[:200]) :] if typed else b""
            if not typed:
                os.write(ours, b"\n\x04")
            answered.wait(WAIT_S)

    def listener() -> None:
        while not answered.is_set():
            try:
                os.read(ours, 4096)
            except OSError:
                return

    before = sys.stdin
    threads = [threading.Thread(target=one, daemon=True) for one in (person, listener)]
    try:
        with open(theirs, closefd=False) as sys.stdin, redirect_stdout(io.StringIO()) as said:
            for one in threads:
                one.start()
            value = ask.question("What", kind)
        assert right(value), value
        return True
    except UserError as error:
        assert error.message
        return False
    finally:
        answered.set()
        sys.stdin = before
        os.write(theirs, b"\n")  # the listener waits for a byte
        for one in threads:
            one.join(5)
        os.close(theirs)
        os.close(ours)
        assert not nasty.acts(said.getvalue().replace("\a", ""))


def prompt_seeds() -> list[bytes]:
    """The first one is taken, whatever the kind that its length picks."""
    first = b"4\n" + b" " * 3  # five bytes: a number
    return [first, b"12\n", b"nan\n7\n", b"plug\n", b"\x03\x04", "１２\n".encode(), b"1,5\n2\n",
            b"?\n?\n3\n", b"a\nb\nc\n" * 20, b"\xff\xfe\n4\n", b"\xcf\x04"]  # fmt: skip


TOKEN = "a-token-of-22-letters-x"
HOST = "192.0.2.7:8467"
ADDRESS = server.Address("192.0.2.7", 8467, TOKEN, True, frozenset({HOST}))


def _capture() -> Capture:
    return Capture(lambda: "nowhere", SETUP, lambda view: None)


def requests(data: bytes) -> bool:
    """A request of the page, or a socket and what is said on it; True if it was served.

    First line: method, path, query. Then headers. After an empty line each line is a message.
    """
    head, _, rest = data.partition(b"\n\n")
    first, *lines = head.split(b"\n")
    method, path, query, *_ = [*first.split(b" "), b"", b"", b""]
    headers = [tuple(line.split(b": ", 1)) for line in lines if b": " in line]
    headers = [(name.lower(), value) for name, value in headers]
    socket = method == b"SOCKET"
    scope: dict[str, Any] = {
        "type": "websocket" if socket else "http", "http_version": "1.1",
        "asgi": {"version": "3.0"}, "scheme": "ws" if socket else "http",
        "method": method.decode("latin-1"), "path": path.decode("utf-8", "replace"),
        "raw_path": path, "query_string": query, "root_path": "", "headers": headers,
        "client": ("192.0.2.9", 5), "server": ("192.0.2.7", 8467), "subprotocols": [],
    }  # fmt: skip
    capture = _capture()

    def obey(do: str, values: dict[str, Any]) -> "Future[str]":
        answer: Future[str] = Future()
        try:
            answer.set_result(capture._obey(do, values))
        except UserError as error:
            answer.set_exception(error)
        return answer

    sent: list[dict[str, Any]] = []

    async def talk() -> None:
        broadcast = Broadcast()
        coming = [{"type": "websocket.connect"}] if socket else [{"type": "http.request"}]
        if socket:
            said = [line.decode("utf-8", "replace") for line in rest.split(b"\n")]
            coming += [{"type": "websocket.receive", "text": text} for text in said]
            coming.append({"type": "websocket.disconnect", "code": 1000})

        async def receive() -> dict[str, Any]:
            if coming:
                return coming.pop(0)
            await asyncio.sleep(3600)
            raise AssertionError

        async def send(message: Any) -> None:
            sent.append(message)

        app = server.application(ADDRESS, Pages(broadcast, obey), lambda: "number\r\n")
        await asyncio.wait_for(app(scope, receive, send), 20)

    asyncio.run(talk())
    capture._keeper.shutdown()
    capture._helper.shutdown()
    hosts = [value for name, value in headers if name == b"host"]
    host_right = len(hosts) == 1 and hosts[0].decode("latin-1").lower() == HOST
    knows = f"token={TOKEN}".encode() in query
    if socket:
        taken = any(one["type"] == "websocket.accept" for one in sent)
        assert not taken or (host_right and knows)
        for one in sent:
            if one["type"] == "websocket.send":
                answer = json.loads(one["text"])
                assert answer["kind"] == "answer" and not nasty.acts(foreign.shown(answer["text"]))
        return taken and any(one["type"] == "websocket.send" for one in sent)
    start, body = sent[0], b"".join(one.get("body", b"") for one in sent[1:])
    status = start["status"]
    assert status in (200, 307, 403, 404, 405, 421), status
    assert b"content-security-policy" in dict(start["headers"])
    assert host_right or status == 421
    if TOKEN.encode() in body:
        assert status == 200 and knows and host_right
    return bool(status == 200)


def request_seeds() -> list[bytes]:
    host, token = f"\nhost: {HOST}", f"token={TOKEN}"
    said = [{"do": "commanded", "value": 12, "id": 1}, {"do": "setting", "value": 3.5, "id": 2},
            {"do": "mark", "note": "warm", "id": 3}, {"do": "afresh", "id": 4},
            {"do": "lamp", "mode": "angle", "btdc": 10, "id": 5}]  # fmt: skip
    talk = "\n".join(map(json.dumps, said))
    return [one.encode() for one in (
        f"GET / {token}{host}", f"GET /page.js {host}", f"GET /points.csv {token}{host}",
        f"HEAD / {token}{host}", f"GET / token=x{host}",
        f"SOCKET /stream {token}{host}\norigin: http://{HOST}\n\n{talk}",
    )]  # fmt: skip
