"""The page's server: what it serves, to whom, and what it refuses.

The page needs nothing from elsewhere, runs no inline script or style and cannot be framed. A
request must name this host (against DNS rebinding), a socket must come from this page (Origin),
and both must carry the token where the page is open to more than this machine; the socket, by
which outputs are driven, always.
"""

import asyncio
import hmac
import os
import re
import secrets
import socket
import stat
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from sparkwitness.errors import UserError
from sparkwitness.faces import safety
from sparkwitness.faces.live.stream import Pages
from sparkwitness.foreign import cell
from sparkwitness.foreign import html as escape

_KINDS = {
    "page.js": "text/javascript", "sound.js": "text/javascript", "page.css": "text/css",
    "icon.svg": "image/svg+xml",
}  # fmt: skip
_KEPT_S = 12 * 3600
"""A page that is still open finds the program again after a restart within this time."""
# Connections that are no stream (yet): of all, of one address, and how long one may be that.
_MOST_CONNECTIONS, _MOST_OF_ONE, _LONGEST_S = 64, 32, 10.0
# New connections a second, and how many more at once: the next ones wait at the door. Each takes
# some 2 ms from the measuring thread. To the door come more: a look at one takes 0.1 ms.
_PER_SECOND, _BURST = 50.0, 60
_KNOCKS_PER_SECOND, _KNOCKS = 500.0, 20
_LONGEST_MESSAGE = 2048
_USER_TIMEOUT_MS = 10_000
_STALE = "This address lacks the right token: scan the code in the terminal again.\n"


@dataclass(frozen=True)
class Address:
    """Where the page is.

    Attributes:
        host: what goes into the address.
        port: TCP port.
        token: shared secret.
        lan: the page is open to other machines, so the address carries the token.
        names: values of the Host header that are this server's.
    """

    host: str
    port: int
    token: str
    lan: bool
    names: frozenset[str]

    @property
    def url(self) -> str:
        """What a person opens."""
        secret = f"?token={self.token}" if self.lan else ""
        port = "" if self.port == 80 else f":{self.port}"
        return f"http://{self.host}{port}/{secret}"


def listen(port: int, lan: bool, kept: Path | None = None) -> tuple[socket.socket, Address]:
    """Bind the socket and make the address.

    Args:
        port: TCP port, 0 for any free one.
        lan: listen on every interface, else on loopback.
        kept: file of the token, so that a page that is open finds the program again after a
            restart; None: a fresh one.

    Raises:
        UserError: the port is taken or not allowed.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    with suppress(OSError):
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        # A reader that has stopped reading is given up by the system, not kept for ever.
        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _USER_TIMEOUT_MS)
    try:
        listener.bind(("0.0.0.0" if lan else "127.0.0.1", port))
        listener.listen(64)
    except OSError as error:
        listener.close()
        raise UserError(
            f"cannot listen on port {port} ({error.strerror}): choose another one with --http-port"
        ) from None
    port = listener.getsockname()[1]
    own = _own_addresses() if lan else []
    suffix = "" if port == 80 else f":{port}"  # browsers leave out the usual port
    names = {f"{host}{suffix}".lower() for host in ("127.0.0.1", "localhost", *own)}
    host = own[0] if own else "127.0.0.1"
    return listener, Address(host, port, _token(kept), lan, frozenset(names))


def _token(kept: Path | None) -> str:
    """The shared secret: the kept one for `_KEPT_S` after its last use, else a new one.

    The file must be this user's alone, or it is made anew.
    """
    fresh = secrets.token_urlsafe(16)
    if kept is None:
        return fresh
    with suppress(OSError, UnicodeDecodeError):
        known, info = kept.read_text("ascii"), kept.lstat()
        mine = not hasattr(os, "getuid") or (info.st_uid, info.st_mode & 0o77) == (os.getuid(), 0)
        new = time.time() - info.st_mtime < _KEPT_S
        if mine and new and stat.S_ISREG(info.st_mode) and re.fullmatch(r"[\w-]{22}", known):
            os.utime(kept)
            return known
    with suppress(OSError):  # then an open page needs the new address
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.unlink(missing_ok=True)
        with open(os.open(kept, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(fresh)
    return fresh


def _own_addresses() -> list[str]:
    """Addresses and names that the local network may use for this machine, the likeliest first."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # Nothing is sent: the system only tells which interface leads outside (RFC 5737 address).
        probe.connect(("192.0.2.1", 9))
        found.append(probe.getsockname()[0])
    name = socket.gethostname()
    with suppress(OSError):
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(name, None, socket.AF_INET)]
    found = [address for address in found if not address.startswith(("127.", "0."))]
    return list(dict.fromkeys([*found, name, f"{name}.local"] if name else found))


def application(address: Address, pages: Pages, table: Callable[[], str]) -> ASGIApp:
    """The ASGI application.

    Args:
        address: of the page.
        pages: who serves the sockets.
        table: gives the marked points as CSV.
    """
    folder = resources.files("sparkwitness.faces.live")
    static = {name: folder.joinpath(name).read_bytes() for name in _KINDS}
    html = folder.joinpath("page.html").read_text("utf-8")
    html = html.replace("{{token}}", address.token).replace("{{cautions}}", _cautions())

    def allowed(connection: HTTPConnection) -> bool:
        given = connection.query_params.get("token", "")
        return hmac.compare_digest(given.encode(), address.token.encode())

    def page(request: Request) -> Response:
        # On loopback only this machine gets here, and only this page's origin can read the token.
        if address.lan and not allowed(request):
            return PlainTextResponse(_STALE, 403)
        return Response(html, media_type="text/html; charset=utf-8")

    def file(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in static:
            return PlainTextResponse("There is no such page.\n", 404)
        return Response(static[name], media_type=_KINDS[name])

    def points(request: Request) -> Response:
        if not allowed(request):
            return PlainTextResponse(_STALE, 403)
        headers = {"Content-Disposition": 'attachment; filename="points.csv"'}
        return Response(table(), media_type="text/csv; charset=utf-8", headers=headers)

    async def stream(connection: WebSocket) -> None:
        origin = connection.headers.get("origin", "").lower()
        host = connection.headers.get("host", "").lower()
        if origin != f"http://{host}" or not allowed(connection):
            await connection.close()  # before accepting: answered with 403
            return
        await pages.serve(connection)

    routes = [
        Route("/", page), Route("/points.csv", points), Route("/{name}", file),
        WebSocketRoute("/stream", stream),
    ]  # fmt: skip
    return _Guard(Starlette(routes=routes), address.names)


def _cautions() -> str:
    lines = [*safety.RUNNING_ENGINE.splitlines(), safety.DEFER]
    return "\n".join(f"<p>{escape(one)}</p>" for one in lines)


class _Guard:
    """Refuses requests to another host's name; puts the protecting headers on every answer."""

    def __init__(self, app: ASGIApp, names: frozenset[str]) -> None:
        self._app, self._names = app, names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        host = hosts[0].decode("latin-1").lower() if len(hosts) == 1 else ""
        if host not in self._names:
            if scope["type"] == "websocket":
                await WebSocket(scope, receive, send).close()
                return
            refusal = PlainTextResponse("This is not the host you asked for.\n", 421)
            await refusal(scope, receive, self._protecting(send, None))
            return
        await self._app(scope, receive, self._protecting(send, host))

    @staticmethod
    def _protecting(send: Send, host: str | None) -> Send:
        # Some browsers do not count ws: as 'self'.
        sockets = f" ws://{host}" if host else ""
        headers = {
            "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
            f"img-src 'self'; connect-src 'self'{sockets}; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'",
            "x-frame-options": "DENY",
            "x-content-type-options": "nosniff",
            "referrer-policy": "no-referrer",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
            "cache-control": "no-store",
        }
        extra = [(name.encode(), value.encode()) for name, value in headers.items()]

        async def protected(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), *extra]}
            await send(message)

        return protected


class _Http(H11Protocol):
    """A connection until it becomes a stream: it has not long to live, and makes room.

    Whoever holds many connections and says nothing loses the oldest of them to the next one, so
    that there is always a place for a page with the token.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.since = self.loop.time()
        self.loop.call_later(_LONGEST_S, self._end)
        held = [one for one in self.connections if isinstance(one, _Http)]
        same = [one for one in held if self._address == one._address]
        for group, most in ((same, _MOST_OF_ONE), (held, _MOST_CONNECTIONS)):
            if len(group) > most:
                min(group, key=lambda one: one.since)._end()

    @property
    def _address(self) -> str | None:
        return self.client[0] if self.client else None

    def _end(self) -> None:
        if self in self.connections:  # neither closed nor a stream by now
            self.connections.discard(self)
            self.transport.abort()


class _Socket(WebSocketsSansIOProtocol):
    """Reads nothing more from a peer that does not read: its pings would fill our memory."""

    def pause_writing(self) -> None:
        super().pause_writing()
        self.transport.pause_reading()

    def resume_writing(self) -> None:
        super().resume_writing()
        if not self.read_paused:
            self.transport.resume_reading()


class Door:
    """Those who wait to be let in: one of each address in turn, so that a crowd from one address
    keeps nobody else waiting. Of one address, and in all, only the newest wait.
    """

    def __init__(self) -> None:
        self._waiting: dict[str, deque[socket.socket]] = {}

    def comes(self, one: socket.socket, address: str) -> None:
        """One more; who comes too often takes the place of his own oldest."""
        self._waiting.setdefault(address, deque()).append(one)
        if sum(map(len, self._waiting.values())) > _MOST_CONNECTIONS:
            address = max(self._waiting, key=lambda each: len(self._waiting[each]))
        elif len(self._waiting[address]) <= _MOST_OF_ONE:
            return
        self._take(address).close()

    def next(self) -> socket.socket | None:
        """Whose turn it is; None if nobody waits."""
        return self._take(next(iter(self._waiting))) if self._waiting else None

    def _take(self, address: str) -> socket.socket:
        """The oldest of an address, which then goes behind the others."""
        queue = self._waiting.pop(address)
        oldest = queue.popleft()
        if queue:
            self._waiting[address] = queue
        return oldest


class _Pace:
    """So many a second, and some more at once after a rest."""

    def __init__(self, per_second: float, burst: int) -> None:
        self._step, self._rest, self._due = 1 / per_second, burst / per_second, 0.0

    async def __call__(self) -> None:
        now = asyncio.get_running_loop().time()
        self._due = max(self._due + self._step, now - self._rest)
        if self._due > now:
            await asyncio.sleep(self._due - now)


class _Server(uvicorn.Server):
    """Lets connections in one by one, and not too fast for those who measure meanwhile."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup([])
        self._door, self._knocked = Door(), asyncio.Event()
        self._tasks = [asyncio.ensure_future(self._listen(one)) for one in sockets or ()]
        self._tasks.append(asyncio.ensure_future(self._let_in()))

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        for task in self._tasks:
            task.cancel()
        while one := self._door.next():
            one.close()
        await super().shutdown(sockets)

    async def _listen(self, listener: socket.socket) -> None:
        loop, pace = asyncio.get_running_loop(), _Pace(_KNOCKS_PER_SECOND, _KNOCKS)
        listener.setblocking(False)
        while True:
            await pace()
            try:
                taken, (address, *_) = await loop.sock_accept(listener)
            except OSError:  # it has gone again, or this process has too many files open
                await asyncio.sleep(0.1)
                continue
            self._door.comes(taken, address)
            self._knocked.set()

    async def _let_in(self) -> None:
        loop, pace = asyncio.get_running_loop(), _Pace(_PER_SECOND, _BURST)
        while True:
            await self._knocked.wait()
            await pace()
            one = self._door.next()
            if one is None:
                self._knocked.clear()
                continue
            try:
                await loop.connect_accepted_socket(self._protocol, one)
            except OSError:  # it has gone again
                one.close()

    def _protocol(self) -> asyncio.Protocol:
        return _Http(
            config=self.config, server_state=self.server_state, app_state=self.lifespan.state
        )


def server(address: Address, pages: Pages, table: Callable[[], str]) -> uvicorn.Server:
    """A server, to be run with the socket that `listen` has bound; arguments as `application`."""
    config = uvicorn.Config(
        application(address, pages, table),
        http=_Http,
        ws=_Socket,
        ws_max_size=_LONGEST_MESSAGE,
        ws_per_message_deflate=False,
        ws_ping_interval=5.0,
        ws_ping_timeout=5.0,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
        log_level="error",
        access_log=False,
        server_header=False,
        lifespan="off",
        proxy_headers=False,
    )
    return _Server(config)


def points_csv(marks: Sequence[dict[str, Any]]) -> str:
    """Marked points as CSV, one row each; the texts carry their uncertainty."""
    import csv
    import io

    names = ("number", "utc", "rpm", "timing", "error", "sparks", "commanded", "setting", "note")
    out = io.StringIO()
    writer = csv.DictWriter(out, names, extrasaction="ignore")
    writer.writeheader()
    for mark in marks:
        writer.writerow({**mark, "note": cell(mark["note"])})
    return out.getvalue()
