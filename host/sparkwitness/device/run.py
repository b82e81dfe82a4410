"""A live run: stream, look at what there is, decide when to stop."""

import time
from collections.abc import Callable
from typing import Literal

from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recorder
from sparkwitness.device.link import Link
from sparkwitness.device.stream import Stream
from sparkwitness.timing.analyzer import LOOK_SPARKS, Analyzer, Tables
from sparkwitness.timing.measure import Measurement, evaluate
from sparkwitness.timing.setup import Setup

# Board seconds after which a finding that waiting does not mend ends the run.
_GIVE_UP = {
    "no_reference": 6.0, "no_sync": 6.0, "no_spark": 12.0, "spacing": 12.0,
}  # fmt: skip
_LOOK_S = 0.25


def flanks(setup: Setup, lamp: bool = False) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Inputs whose falling edge is stamped, and those of which both are, for `Stream`.

    Both flanks of the trigger, if the tap is used, and of the crank, if a VR sensor is to show
    which way round it is wired. The board then stamps the same edge of all the others (wire.md):
    where those differ, the crank's is taken out of both as well if the tap was asked for, else one
    flank has to do; and for the lamp, which counts one flank of the crank.
    """
    if setup.trigger == "none" and (lamp or setup.sensor != "vr"):
        return setup.falling, ()
    falling = tuple(name for name in setup.falling if name != "trigger")
    clamps = [name in falling for name in wire.INPUTS[1:3]]
    if clamps[0] == clamps[1]:
        if clamps[0] == ("crank" in falling) and setup.sensor != "vr":
            return falling, ("trigger",)
        if not lamp and (setup.trigger != "auto" or setup.sensor == "vr"):
            return falling, ("crank", "trigger")
    return (*falling, *(("trigger",) if setup.trigger == "falling" else ())), ()


def collect(
    link: Link,
    setup: Setup,
    recorder: Recorder | None,
    done: Callable[[Tables], bool],
    interrupt_ends: bool = False,
    newest: int | None = None,
    unrecorded: Callable[[str], None] | None = None,
) -> Tables:
    """Stream until `done` says so.

    Args:
        link: to an idle board.
        setup: what was typed.
        recorder: gets every byte, or None; closed at the end in any case.
        done: called with what there is so far, some four times a second.
        newest: of the sparks, how many `done` is shown at most; None: all.
        interrupt_ends: Ctrl-C is the way to end this run, not to break it off.
        unrecorded: called with a sentence when the recording can go no further; see `Stream`.

    Returns:
        The final tables, which a recording of the run gives again, bit for bit.

    Raises:
        UserError: the board went away or fell silent; what was recorded stays.
    """
    interrupts: Literal["stop", "end"] = "end" if interrupt_ends else "stop"
    falling, both = flanks(setup)
    with Stream(
        link, falling, both=both, recorder=recorder, interrupts=interrupts, unrecorded=unrecorded
    ) as stream:
        analyzer = Analyzer(setup, link.hello["tick_ps"])
        last_look = time.monotonic()
        for data in stream:
            analyzer.feed(data)
            if stream.live and time.monotonic() - last_look >= _LOOK_S:
                if done(analyzer.tables(newest)):
                    stream.end()
                last_look = time.monotonic()
    return analyzer.finish()


def tables(
    link: Link,
    setup: Setup,
    recorder: Recorder | None,
    watch: Callable[[Measurement], None],
    longest_s: float = 90.0,
    unrecorded: Callable[[str], None] | None = None,
) -> Tables:
    """What is seen until the target is met, or waiting cannot help.

    Args:
        link, setup, recorder, unrecorded: see `collect`.
        watch: called with the result so far, some four times a second.
        longest_s: board seconds after which the run ends in any case.

    Raises:
        UserError: see `collect`.
    """

    def done(so_far: Tables) -> bool:
        result = evaluate(setup, so_far)
        watch(result)
        return result.ready or _hopeless(result) or result.seconds > longest_s

    return collect(link, setup, recorder, done, newest=LOOK_SPARKS, unrecorded=unrecorded)


def run(
    link: Link,
    setup: Setup,
    recorder: Recorder | None,
    watch: Callable[[Measurement], None],
    longest_s: float = 90.0,
) -> Measurement:
    """Measure: what `tables` gives, evaluated; arguments and errors are the same."""
    return evaluate(setup, tables(link, setup, recorder, watch, longest_s))


def _hopeless(result: Measurement) -> bool:
    return any(result.seconds > _GIVE_UP.get(f.code, 1e9) for f in result.findings)
