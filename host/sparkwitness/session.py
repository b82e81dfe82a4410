"""One measurement run on a live board: configure, start, feed, decide when to stop."""

import time
from collections.abc import Callable
from contextlib import suppress

from . import wire
from .errors import UserError
from .link import Link
from .measure import Analyzer, Measurement, Setup, evaluate
from .recording import Recorder

# Board seconds after which a finding that waiting does not mend ends the run.
_GIVE_UP = {
    "no_reference": 6.0, "no_sync": 6.0, "no_spark": 12.0, "spacing": 12.0,
}  # fmt: skip
_LOOK_S = 0.25
_QUIET_S = 3.0


def run(
    link: Link,
    setup: Setup,
    recorder: Recorder | None,
    watch: Callable[[Measurement], None],
    longest_s: float = 90.0,
) -> Measurement:
    """Measure until the target is met, or waiting cannot help.

    Args:
        link: to an idle board.
        setup: what was typed.
        recorder: gets every byte, or None.
        watch: called with the result so far, some four times a second.
        longest_s: board seconds after which the run ends in any case.

    Returns:
        The final result, which a recording of the run gives again, bit for bit.

    Raises:
        UserError: the board went away or fell silent; what was recorded stays.
    """
    mask = sum(1 << wire.INPUTS.index(name) for name in setup.falling)
    link.command("configure", enabled=15, falling=mask)
    link.receive(0)
    analyzer = Analyzer(setup, link.hello["tick_ps"])
    link.command("start")
    last_bytes = last_look = time.monotonic()
    try:
        while True:
            data = link.receive(0.1)
            now = time.monotonic()
            if data:
                last_bytes = now
                _take(data, recorder, analyzer)
            elif now - last_bytes > _QUIET_S * link.patience:
                raise UserError(
                    f"the board on {link.port} stopped sending; unplug it, plug it in, try again"
                )
            if now - last_look < _LOOK_S:
                continue
            result = evaluate(setup, analyzer.tables())
            last_look = time.monotonic()
            watch(result)
            if result.ready or _hopeless(result) or result.seconds > longest_s:
                break
        link.command("stop")
        while data := link.receive(0.1):
            _take(data, recorder, analyzer)
    except BaseException:
        with suppress(Exception):
            link.command("stop")
        raise
    finally:
        if recorder is not None:
            recorder.close()
    return evaluate(setup, analyzer.finish())


def _take(data: bytes, recorder: Recorder | None, analyzer: Analyzer) -> None:
    if recorder is not None:
        recorder.write(data)
    analyzer.feed(data)


def _hopeless(result: Measurement) -> bool:
    return any(result.seconds > _GIVE_UP.get(f.code, 1e9) for f in result.findings)
