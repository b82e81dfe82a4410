"""The one loop over a live board: start, take what comes, and always stop.

Whatever ends it (done, Ctrl-C, a fault, a board that goes away), the board is told to stop until it
says that it has; a lease that nobody renews switches its outputs off where it cannot be told.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recorder
from sparkwitness.device.link import Link
from sparkwitness.errors import UserError

QUIET_S = 3.0
"""A board that streams sends ten heartbeats a second: so long without a byte, and it is gone."""


class Stream:
    """A board that streams, from `streaming`.

    Attributes:
        heard: time.monotonic() of the last byte, or of whatever the user of this takes for life.
    """

    def __init__(self, link: Link, take: Callable[[bytes], None]) -> None:
        self._link, self._take = link, take
        self.heard = time.monotonic()

    def step(self, timeout: float = 0.1) -> bool:
        """Take what has come, waiting at most `timeout` s for it. Whether anything came.

        Each step renews the lease of outputs that are on: a loop that stands still loses them.

        Raises:
            UserError: the board went away, or has been silent for too long.
        """
        data = self._link.receive(timeout)
        now = time.monotonic()
        if data:
            self.heard = now
            self._take(data)
        elif now - self.heard > QUIET_S * self._link.patience:
            raise UserError(
                f"the board on {self._link.port} stopped sending; unplug it, plug it in, try again"
            )
        return bool(data)


@contextmanager
def streaming(
    link: Link,
    take: Callable[[bytes], None],
    recorder: Recorder | None = None,
    enabled: int = 15,
    falling: int = 0,
) -> Iterator[Stream]:
    """Configure and start; leave with the board stopped and everything it had sent taken.

    Args:
        link: to a board; one that still streams, for a host that has gone, is stopped first.
        take: gets every piece of bytes, after the recorder.
        recorder: gets every byte, or None; closed at the end in any case.
        enabled, falling: bit masks of the inputs, as in the configure command.

    Raises:
        UserError: as `Stream.step`; or the board did not say that it has stopped.
    """

    def both(data: bytes) -> None:
        if recorder is not None:
            recorder.write(data)
        take(data)

    try:
        link.command("configure", enabled=enabled, falling=falling)
        while link.receive(0):
            pass  # of a session before
        failed = True
        try:
            link.command("start")
            yield Stream(link, both)
            failed = False
        finally:
            _silence(link, both, failed)
    finally:
        if recorder is not None:
            recorder.close()


def _silence(link: Link, take: Callable[[bytes], None], failed: bool) -> None:
    """Stop the board and take the rest; further Ctrl-C cannot keep this from being done."""
    interrupts = 0
    while True:
        try:
            try:
                link.stop()
            except UserError:
                if not failed:
                    raise
            with suppress(UserError):
                while data := link.receive(0.1):
                    take(data)
            break
        except KeyboardInterrupt:
            interrupts += 1
            if interrupts > 3:  # the lease does it
                raise


def mask(names: Iterator[str] | frozenset[str] | tuple[str, ...]) -> int:
    """Bit mask of inputs by their names."""
    return sum(1 << wire.INPUTS.index(name) for name in names)
