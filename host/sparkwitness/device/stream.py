"""The one live loop: configure, start, take bytes, keep alive, stop. Outputs off whatever happens.

Whoever measures on a board does it inside a `Stream`:

    with Stream(link, falling=("crank",)) as stream:
        for data in stream:
            ...
            if enough:
                stream.end()

Interrupts are handled here and nowhere else.
"""

import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from math import inf
from typing import Any, Literal

from sparkwitness.decode import wire
from sparkwitness.decode.recording import Behind, Recorder
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError

QUIET_S = 3.0
_TAIL_S = 3.0  # to empty what a stopped board had still to send
# How many times as long as asked for a run may last by this computer's clock: longer only while the
# board's clock goes on, as that of a simulated board on a busy computer does; and never longer.
_CLOCKS, _SLOWEST = 1.5, 10.0
WAIT_S = 0.1
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")


class Stopped(UserError):
    """A person, or the system, ended the run."""


class Stream:
    """A board that streams, from configure to stop.

    Args:
        link: to a board; a stream that an earlier host left behind is ended first.
        falling: inputs whose falling edge is stamped.
        enabled: inputs that are stamped; all unless said.
        recorder: gets every byte, or None; closed at the end in any case.
        unrecorded: called with a sentence when the recording can go no further, and the stream
            goes on without it; None: the run ends with that sentence.
        interrupts: what Ctrl-C does: "stop" breaks the run off, "end" is the way to end it,
            "leave" leaves it to the caller.
        both: inputs of which both flanks are stamped, each with its level; a board of protocol 1
            stamps one.
    """

    def __init__(
        self,
        link: Link,
        falling: Iterable[str] = (),
        enabled: Iterable[str] = wire.INPUTS,
        recorder: Recorder | None = None,
        unrecorded: Callable[[str], None] | None = None,
        interrupts: Literal["stop", "end", "leave"] = "stop",
        both: Iterable[str] = (),
    ) -> None:
        self.link = link
        self._enabled, self._falling, self._both = mask(enabled), mask(falling), mask(both)
        self._recorder = None if recorder is None else Behind(recorder)
        self._unrecorded = unrecorded
        self._interrupts = interrupts
        self._signal: int | None = None
        self._before: dict[int, Any] = {}
        self._ended = False
        self._running = False
        self._since = time.monotonic()
        self._latest = self._last_of_all = inf

    def __enter__(self) -> "Stream":
        self._listen()
        try:
            # It may stream still, for a host that has gone.
            with suppress(UserError):
                self.link.stop()
            both = self._both if self.link.hello["protocol"] > 1 else 0
            self.link.command("configure", enabled=self._enabled, falling=self._falling, both=both)
            for _ in self._left(0):
                pass
            self._running = True
            self.link.command("start")
        except BaseException:
            self.close()
            raise
        self._since = time.monotonic()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _listen(self) -> None:
        """Signals only set a mark, so that no piece of work is broken off in its middle."""
        if self._interrupts == "leave" or threading.current_thread() is not threading.main_thread():
            return

        def note(number: int, _: object) -> None:
            self._signal = number

        for name in _SIGNALS:
            if hasattr(signal, name):
                number = getattr(signal, name)
                self._before[number] = signal.signal(number, note)

    def close(self) -> None:
        """Stop the board, and let go of recording and signals; may be called twice.

        A board that can no longer be told switches its outputs off by itself.
        """
        try:
            if self._running:
                self._running = False
                with suppress(UserError, OSError):
                    self.link.stop()
        finally:
            for number, handler in self._before.items():
                signal.signal(number, handler)
            self._before = {}
            recorder, self._recorder = self._recorder, None
            if recorder is not None:
                with self._said():
                    recorder.close()

    @property
    def quiet_s(self) -> float:
        """Seconds since the board last sent part of its stream, in units of the link's patience."""
        return (time.monotonic() - max(self._since, self.link.streamed)) / self.link.patience

    def stamps_both(self, name: str) -> bool:
        """Both flanks of that input are stamped."""
        return bool(self._both & mask((name,))) and self.link.hello["protocol"] > 1

    @property
    def live(self) -> bool:
        """The board has not been stopped yet."""
        return self._running

    @property
    def interrupted(self) -> bool:
        """Ctrl-C, or the system, asked for the end."""
        return self._signal is not None

    def end(self) -> None:
        """Enough: the board is stopped, and `for` gives what is still on the way."""
        self._ended = True

    def command(self, name: str, **fields: Any) -> None:
        """See `Link.command`."""
        self.link.command(name, **fields)
        self._since = time.monotonic()

    def within(self, seconds: float) -> None:
        """From now on about so long, by this computer's clock too.

        What is driven ends by the board's clock; where that stands, the lease would be renewed for
        ever.
        """
        now, patience = time.monotonic(), self.link.patience
        self._latest = now + (_CLOCKS * seconds + QUIET_S) * patience
        self._last_of_all = now + _SLOWEST * (seconds + QUIET_S) * patience

    def receive(self, wait: float = WAIT_S) -> bytes:
        """Bytes that came since, recorded; empty after `wait` s without any.

        Raises:
            UserError: the board went away or fell silent.
            Stopped: Ctrl-C, where it does not end the run.
        """
        data = self.link.receive(wait)
        if data:
            self._keep(data)
        if not data and self.quiet_s > QUIET_S:
            raise UserError(
                f"the board on {self.link.port} stopped sending; unplug it, plug it in, try again"
            )
        if self._stands():
            raise UserError(
                f"the clock of the board on {self.link.port} does not go on as it should; unplug "
                "it, plug it in, try again"
            )
        self._obey()
        return data

    def _stands(self) -> bool:
        """Whether the board's clock does not go on while the time that was asked for is over."""
        now = time.monotonic()
        still = now - self.link.ticked > QUIET_S * self.link.patience
        return now > self._last_of_all or (now > self._latest and still)

    def __iter__(self) -> Iterator[bytes]:
        """Pieces as they come, an empty one where there is a pause; then those after the stop."""
        while not self._ended and not self.interrupted:
            yield self.receive()
        self._obey()
        self._running = False
        self.link.stop()
        for data in self._left(2 * WAIT_S):
            self._keep(data)
            yield data

    def _left(self, wait: float) -> Iterator[bytes]:
        """What still comes of a board that was stopped; one that never ends is left to itself."""
        latest = time.monotonic() + _TAIL_S * self.link.patience
        while time.monotonic() < latest and (data := self.link.receive(wait)):
            yield data

    def _obey(self) -> None:
        """Break off where a signal says so and does not merely end the run."""
        if self.interrupted and not (self._interrupts == "end" and self._signal == signal.SIGINT):
            raise Stopped("stopped")

    def _keep(self, data: bytes) -> None:
        recorder = self._recorder
        if recorder is None:
            return
        with self._said():
            try:
                recorder.write(data)
            except UserError:
                self._recorder = None
                with suppress(UserError):
                    recorder.close()
                raise

    @contextmanager
    def _said(self) -> Iterator[None]:
        """A fault of the recording goes to whom it was promised."""
        try:
            yield
        except UserError as error:
            if self._unrecorded is None:
                raise
            self._unrecorded(error.message)


def mask(inputs: Iterable[str]) -> int:
    """One bit per input."""
    return sum(1 << wire.INPUTS.index(name) for name in inputs)
