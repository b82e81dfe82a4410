"""The newest view to every page, and commands back: bounded in memory, time and number.

One text is made per view, whoever listens. A page that reads slowly gets the newest view when it
is ready for it, and is dropped when it takes too long; a page that talks too much is dropped.
"""

import asyncio
import json
import time
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect, WebSocketState

from sparkwitness.errors import UserError

MOST_PAGES = 24
_SLOWEST_S = 5.0  # to take one view
_ANSWER_S = 8.0
_LAMP_ALONE_S = 5.0
_BURST, _PER_SECOND = 12.0, 4.0  # messages from a page
_TOO_MUCH, _CROWDED, _TOO_SLOW = 1008, 1013, 1001

Ask = Callable[[str, dict[str, Any]], "Future[str]"]


class Broadcast:
    """The newest text, from one thread to any number of coroutines."""

    def __init__(self) -> None:
        self._text = ""
        self._version = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed = asyncio.Event()

    def publish(self, view: dict[str, Any]) -> None:
        """Make this the newest; from any thread, never waits."""
        text = json.dumps(view, separators=(",", ":"), allow_nan=False)
        loop = self._loop
        if loop is None:
            self._text, self._version = text, self._version + 1
            return
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(self._set, text)

    def _set(self, text: str) -> None:
        self._text, self._version = text, self._version + 1
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    async def after(self, version: int) -> tuple[int, str]:
        """The newest version and its text, once it is newer than a version."""
        self._loop = asyncio.get_running_loop()
        while self._version == version:
            await self._changed.wait()
        return self._version, self._text


class Pages:
    """All pages that are connected.

    Args:
        broadcast: what they get.
        ask: hands a command to the capture.
    """

    def __init__(self, broadcast: Broadcast, ask: Ask) -> None:
        self._broadcast, self._ask = broadcast, ask
        self._count = 0
        self._lamp_on = False
        self._lamp_watch: asyncio.Task[None] | None = None

    @property
    def count(self) -> int:
        """Pages connected now."""
        return self._count

    async def serve(self, socket: WebSocket) -> None:
        """One page, from its accepted handshake to its end; the caller has checked who it is."""
        if self._count >= MOST_PAGES:
            await socket.accept()
            await socket.close(_CROWDED, f"{MOST_PAGES} pages are open already")
            return
        self._count += 1
        try:
            await socket.accept()
            tasks = [asyncio.ensure_future(one(socket)) for one in (self._tell, self._listen)]
            try:
                done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    with suppress(WebSocketDisconnect, RuntimeError):
                        task.result()
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
        finally:
            self._count -= 1
            if not self._count and self._lamp_on:
                self._lamp_watch = asyncio.ensure_future(self._lamp_alone())

    async def _tell(self, socket: WebSocket) -> None:
        version = 0
        while True:
            version, text = await self._broadcast.after(version)
            if not await _send(socket, text):
                return

    async def _listen(self, socket: WebSocket) -> None:
        left, last = _BURST, time.monotonic()
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            text = message.get("text")
            now = time.monotonic()
            left, last = min(_BURST, left + (now - last) * _PER_SECOND), now
            if left < 1:
                await _close(socket, _TOO_MUCH, "too many messages")
                return
            left -= 1
            answer = await self._answer(text) if text is not None else None
            if answer is None:
                await _close(socket, _TOO_MUCH, "not a command")
                return
            if not await _send(socket, json.dumps(answer)):
                return

    async def _answer(self, text: str) -> dict[str, Any] | None:
        """Answer to a command; None if it is none."""
        try:
            message = json.loads(text)
        except (ValueError, RecursionError):
            return None
        if not isinstance(message, dict) or not isinstance(message.get("do"), str):
            return None
        number = message.get("id")
        if not isinstance(number, int):
            return None
        try:
            asked = asyncio.wrap_future(self._ask(message["do"], message))
            said, ok = await asyncio.wait_for(asked, _ANSWER_S), True
        except UserError as error:
            said, ok = error.message, False
        except TimeoutError:
            said, ok = "the program did not get to it in time; look at the state of the link", False
        if ok and message["do"] == "lamp":
            self._lamp_on = message.get("mode") != "off"
        return {"kind": "answer", "id": number, "ok": ok, "text": said}

    async def _lamp_alone(self) -> None:
        """An output that nobody watches goes off."""
        await asyncio.sleep(_LAMP_ALONE_S)
        if not self._count and self._lamp_on:
            self._lamp_on = False
            with suppress(UserError, TimeoutError):
                await asyncio.wait_for(
                    asyncio.wrap_future(self._ask("lamp", {"mode": "off"})), _ANSWER_S
                )


async def _send(socket: WebSocket, text: str) -> bool:
    """Send within the time allowed; a page that cannot take it is dropped."""
    try:
        await asyncio.wait_for(socket.send_text(text), _SLOWEST_S)
    except TimeoutError:
        return False
    return True


async def _close(socket: WebSocket, code: int, reason: str) -> None:
    if socket.application_state is WebSocketState.CONNECTED:
        with suppress(RuntimeError, WebSocketDisconnect, TimeoutError):
            await asyncio.wait_for(socket.close(code, reason), 1.0)
