"""One crank of the starter with the board listening; shared by `check supply` and `findfault`."""

import time
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from rich.console import Console

from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device import link, stream
from sparkwitness.errors import UserError
from sparkwitness.fault import cranking
from sparkwitness.timing.angle import Reference

_SHOW_S = 0.2


def listen(
    port: str,
    patience: float,
    seconds: float,
    beside: Console,
    reference: Reference | None = None,
    falling: frozenset[str] = frozenset(),
    record: Path | None = None,
) -> cranking.Cranking:
    """Listen for `seconds` of the board's time.

    Raises:
        UserError: the board went away or fell silent.
    """
    with link.Link(port, patience) as board:
        recorder = Recorder(record, board.hello, {"cranking": True}) if record else None
        listener = cranking.Listener(reference, board.hello["tick_ps"])
        waiting: Any = beside.status("listening") if beside.is_terminal else nullcontext()
        try:
            with (
                waiting as line,
                stream.streaming(
                    board, listener.feed, recorder, falling=stream.mask(falling)
                ) as live,
            ):
                shown = time.monotonic()
                while listener.seconds < seconds:
                    live.step()
                    now = time.monotonic()
                    if line is not None and now - shown > _SHOW_S:
                        shown = now
                        left = seconds - listener.seconds
                        doing = "turning" if listener.dipped else "CRANK NOW: waiting for it"
                        line.update(f"{doing}, {left:.0f} s left")
        except KeyboardInterrupt:
            raise UserError("stopped; nothing was judged") from None
    return listener.finish()


def replay(path: Path, reference: Reference | None = None) -> cranking.Cranking:
    """The same from a recording."""
    recording = Recording(path)
    listener = cranking.Listener(reference, recording.tick_ps)
    for chunk in recording.chunks():
        listener.feed(chunk)
    heard = listener.finish()
    if not heard.loss.frames_good:
        raise UserError(
            f"{path} holds not one good frame: it is damaged, or what was recorded was no board"
        )
    return heard
