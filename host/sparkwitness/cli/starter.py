"""One crank of the starter with the board listening; shared by `check supply` and `findfault`."""

import time
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Any

from rich.console import Console

from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device import link
from sparkwitness.errors import UserError
from sparkwitness.fault import cranking
from sparkwitness.timing.angle import Reference

_QUIET_S = 3.0
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
    mask = sum(1 << wire.INPUTS.index(name) for name in falling)
    with link.Link(port, patience) as board:
        recorder = Recorder(record, board.hello, {"cranking": True}) if record else None
        listener = cranking.Listener(reference, board.hello["tick_ps"])
        waiting: Any = beside.status("listening") if beside.is_terminal else nullcontext()
        try:
            with waiting as line:
                board.command("configure", enabled=15, falling=mask)
                board.receive(0)
                board.command("start")
                last = shown = time.monotonic()
                while listener.seconds < seconds:
                    data = board.receive(0.1)
                    now = time.monotonic()
                    if data:
                        last = now
                        if recorder is not None:
                            recorder.write(data)
                        listener.feed(data)
                    elif now - last > _QUIET_S * patience:
                        raise UserError(
                            f"the board on {port} stopped sending; unplug it, plug it in, try again"
                        )
                    if line is not None and now - shown > _SHOW_S:
                        shown = now
                        left = seconds - listener.seconds
                        doing = "turning" if listener.dipped else "CRANK NOW: waiting for it"
                        line.update(f"{doing}, {left:.0f} s left")
                board.command("stop")
                while data := board.receive(0.1):
                    if recorder is not None:
                        recorder.write(data)
                    listener.feed(data)
        except KeyboardInterrupt:
            with suppress(Exception):
                board.command("stop")
            raise UserError("stopped; nothing was judged") from None
        finally:
            if recorder is not None:
                recorder.close()
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
