"""What other programs call: arrays of times, a recording or a live board to measurements."""

from __future__ import annotations  # so that the documentation names ArrayLike, not what it is

import os
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Batch
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.records.replay import replay
from sparkwitness.timing.analyzer import LOOK_SPARKS, Analyzer
from sparkwitness.timing.measure import Measurement, evaluate
from sparkwitness.timing.setup import Setup

_NONE = np.empty(0, np.int64)
_FINEST_S, _COARSEST_S = 1e-12, 1e-3
_MOST_TICKS = 1 << 62
_LOOK_S = 0.25


def measure_edges(
    crank_s: ArrayLike, spark_s: ArrayLike, setup: Setup, resolution_s: float = 24e-9
) -> Measurement:
    """True timing from your own arrays of times, of any logger.

    Both inputs must be timed by one clock. How the number is made: JCGM 100:2008 and the page "How
    the number is made" of the documentation; the same way as for a live board.

    Args:
        crank_s: float64[n] seconds at which the edges of the crank reference came, rising. Each
            tooth gives one edge: the one that the reference angle belongs to.
        spark_s: float64[m] seconds at which the edges of the clamp came, rising; several for an
            event of several sparks.
        setup: what is known of the engine. Where `delay_us` is None, the logger's two inputs are
            taken to be equally late, to within `u_delay_us`; a sparkwitness board's are not.
        resolution_s: step of the logger's clock, seconds. Times are rounded to it, and the
            uncertainty budget has it.

    Returns:
        The measurement. Where no angle can be told, `timing` is None and `findings` say why.

    Raises:
        UserError: times that are not numbers, not rising or not in one dimension.
    """
    if not _FINEST_S <= resolution_s <= _COARSEST_S:
        raise UserError(
            f"the resolution must be from {_FINEST_S:g} to {_COARSEST_S:g} seconds, "
            f"not {resolution_s!s:.40}"
        )
    tick_ps = round(resolution_s * 1e12)
    crank, spark = _seconds("crank", crank_s), _seconds("spark", spark_s)
    start = min((float(t[0]) for t in (crank, spark) if len(t)), default=0.0)
    ticks = [_NONE] * len(wire.INPUTS)
    ticks[wire.INPUTS.index("crank")] = _ticks("crank", crank - start, tick_ps * 1e-12)
    ticks[wire.INPUTS.index(setup.clamp_input)] = _ticks("spark", spark - start, tick_ps * 1e-12)
    if setup.delay_us is None:
        setup = replace(setup, delay_us=0.0)
    analyzer = Analyzer(setup, tick_ps)
    complete = 1 + max((int(t[-1]) for t in ticks if len(t)), default=0)
    analyzer.take(Batch(1, tuple(ticks), (_NONE,) * len(ticks), complete, []))
    return evaluate(setup, analyzer.finish())


def measure_recording(path: str | os.PathLike[str], setup: Setup | None = None) -> Measurement:
    """True timing from a recording, to the last bit what the live run gave at its end.

    Args:
        path: of the recording, as `--record` made it.
        setup: other assumptions than those typed when it was recorded; None: those.

    Raises:
        UserError: it cannot be read, holds no good frame, or does not say what was typed.
    """
    if setup is None:
        setup = recorded_setup(path)
    recording = Recording(Path(path))
    if setup.delay_us is None and recording.imported:
        setup = replace(setup, delay_us=0.0)  # the delays of a board's inputs are not the logger's
    return evaluate(setup, replay(recording, setup))


def recorded_setup(path: str | os.PathLike[str]) -> Setup:
    """What was typed when a recording was made; change it with `dataclasses.replace`.

    Raises:
        UserError: the recording cannot be read, or does not say what was typed.
    """
    typed = Recording(Path(path)).setup
    if typed is None:
        raise UserError(f"{path} does not say what was typed: give a setup")
    return Setup.from_dict(typed)


def stream(port: str | None, setup: Setup) -> Iterator[Measurement]:
    """Measurements of a live board, some four a second, until the loop is left.

    However the loop is left (break, error, Ctrl-C), the board is stopped and its outputs are off.
    Someone is near a running engine: show your users cautions as `sparkwitness measure` does.

    Args:
        port: serial port or pyserial URL; None: the one board that is plugged in.
        setup: what is known of the engine.

    Yields:
        What is known so far of the newest 20 000 sparks; `ready` tells that the target is met, or
        that more events could not help.

    Raises:
        UserError: no board, several, or it went away or fell silent.
    """
    from sparkwitness.device.link import Link, choose_port
    from sparkwitness.device.run import flanks
    from sparkwitness.device.stream import Stream

    falling, both = flanks(setup)
    with (
        Link(port or choose_port()) as link,
        Stream(link, falling, both=both, interrupts="leave") as board,
    ):
        analyzer = Analyzer(setup, link.hello["tick_ps"])
        looked = time.monotonic()
        for data in board:
            analyzer.feed(data)
            if time.monotonic() - looked >= _LOOK_S:
                yield evaluate(setup, analyzer.tables(LOOK_SPARKS))
                looked = time.monotonic()


def _seconds(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """float64[n] of times, checked."""
    try:
        seconds = np.asarray(values, np.float64)
    except (TypeError, ValueError):
        raise UserError(f"the {name} times must be numbers, in seconds") from None
    if seconds.ndim != 1:
        raise UserError(f"the {name} times must be one row, not {seconds.ndim} dimensions")
    if not np.isfinite(seconds).all():
        first = int(np.flatnonzero(~np.isfinite(seconds))[0])
        raise UserError(f"the {name} times must be numbers, but element {first} is not")
    return seconds


def _ticks(name: str, seconds: NDArray[np.float64], resolution_s: float) -> NDArray[np.int64]:
    """int64[n] of whole steps of the clock, strictly rising."""
    steps = seconds / resolution_s
    if len(steps) and float(np.abs(steps).max()) > _MOST_TICKS:
        raise UserError(
            f"the {name} times span more than the clock can count: are they in seconds, and is "
            f"{resolution_s:g} s the logger's step?"
        )
    ticks: NDArray[np.int64] = np.rint(steps).astype(np.int64)
    late = np.flatnonzero(np.diff(ticks) <= 0)
    if len(late):
        raise UserError(
            f"the {name} times must rise by {resolution_s:g} s or more from one to the next, but "
            f"element {int(late[0]) + 1} does not: sort them, take double ones out"
        )
    return ticks
