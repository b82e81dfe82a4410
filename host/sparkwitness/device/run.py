"""Runs: on a live board (configure, start, feed, decide when to stop), or from a recording."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sparkwitness.decode.recording import Recorder, Recording
from sparkwitness.device.link import Link
from sparkwitness.device.stream import mask, streaming
from sparkwitness.errors import UserError
from sparkwitness.timing.measure import Analyzer, Measurement, Tables, evaluate
from sparkwitness.timing.setup import Setup

# Board seconds after which a finding that waiting does not mend ends the run.
_GIVE_UP = {
    "no_reference": 6.0, "no_sync": 6.0, "no_spark": 12.0, "spacing": 12.0,
}  # fmt: skip
_LOOK_S = 0.25
_LOOK_SPARKS = 20_000  # more would not make a look's result better


def stream(
    link: Link,
    setup: Setup,
    recorder: Recorder | None,
    done: Callable[[Tables], bool],
    interrupt_ends: bool = False,
    newest: int | None = None,
) -> Tables:
    """Stream until `done` says so.

    Args:
        link: to an idle board.
        setup: what was typed.
        recorder: gets every byte, or None; closed at the end in any case.
        done: called with what there is so far, some four times a second.
        newest: of the sparks, how many `done` is shown at most; None: all.
        interrupt_ends: Ctrl-C is the way to end this run, not to break it off.

    Returns:
        The final tables, which a recording of the run gives again, bit for bit.

    Raises:
        UserError: the board went away or fell silent; what was recorded stays.
    """
    analyzer = Analyzer(setup, link.hello["tick_ps"])
    falling = mask(setup.falling)
    with streaming(link, analyzer.feed, recorder, falling=falling) as live:
        last_look = time.monotonic()
        with _interrupts(interrupt_ends) as interrupted:
            while not interrupted.is_set():
                live.step()
                if time.monotonic() - last_look < _LOOK_S:
                    continue
                over = done(analyzer.tables(newest))
                last_look = time.monotonic()
                if over:
                    break
    return analyzer.finish()


@contextmanager
def _interrupts(wanted: bool) -> Iterator[threading.Event]:
    """An event that Ctrl-C sets, so that no piece of work is broken off in its middle."""
    event = threading.Event()
    if not wanted or threading.current_thread() is not threading.main_thread():
        yield event
        return
    before = signal.signal(signal.SIGINT, lambda *_: event.set())
    try:
        yield event
    finally:
        signal.signal(signal.SIGINT, before)


def run(
    link: Link,
    setup: Setup,
    recorder: Recorder | None,
    watch: Callable[[Measurement], None],
    longest_s: float = 90.0,
) -> Measurement:
    """Measure until the target is met, or waiting cannot help.

    Args:
        link, setup, recorder: see `stream`.
        watch: called with the result so far, some four times a second.
        longest_s: board seconds after which the run ends in any case.

    Raises:
        UserError: see `stream`.
    """

    def done(tables: Tables) -> bool:
        result = evaluate(setup, tables)
        watch(result)
        return result.ready or _hopeless(result) or result.seconds > longest_s

    return evaluate(setup, stream(link, setup, recorder, done, newest=_LOOK_SPARKS))


def replay(recording: Recording, setup: Setup) -> Tables:
    """The tables of a recorded run: to the last bit those that the live run had at its end.

    Raises:
        UserError: the recording cannot be read, or holds no good frame.
    """
    analyzer = Analyzer(setup, recording.tick_ps)
    for chunk in recording.chunks():
        analyzer.feed(chunk)
    tables = analyzer.finish()
    if not tables.loss.frames_good:
        raise UserError(
            f"{recording.path} holds {tables.loss.bytes_total} bytes but not one good frame: "
            "it is damaged, or what was recorded was no board"
        )
    return tables


def _hopeless(result: Measurement) -> bool:
    return any(result.seconds > _GIVE_UP.get(f.code, 1e9) for f in result.findings)
