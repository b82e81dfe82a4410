"""Numbers of a recorded run, computed again."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recording
from sparkwitness.errors import UserError
from sparkwitness.records import tables
from sparkwitness.timing import trigger
from sparkwitness.timing.analyzer import Analyzer, Tables
from sparkwitness.timing.compare import Side
from sparkwitness.timing.measure import evaluate
from sparkwitness.timing.setup import Setup

_TRIGGER = wire.INPUTS.index("trigger")


def replay(recording: Recording, setup: Setup) -> Tables:
    """The tables of a recorded run: to the last bit those that the live run had at its end.

    Raises:
        UserError: the recording cannot be read, or holds no good frame.
    """
    analyzer = Analyzer(setup, recording.tick_ps)
    for chunk in recording.chunks():
        analyzer.feed(chunk)
    found = analyzer.finish()
    if not found.loss.frames_good:
        raise UserError(
            f"{recording.path} holds {found.loss.bytes_total} bytes but not one good frame: "
            "it is damaged, or it was not recorded from a sparkwitness board"
        )
    return found


def tap_delays(recording: Recording, setup: Setup) -> NDArray[np.float64]:
    """µs from each last firing edge of the trigger tap to the first spark after it, in order of
    time; see `trigger.firing`.

    An event without an edge in the half time between events before it has none.
    """
    tap: dict[int, list[tables.Piece]] = {}
    for piece in tables.pieces(recording):
        tap.setdefault(piece.number, []).append(piece.of(_TRIGGER))
    delays: list[NDArray[np.float64]] = [np.empty(0)]
    for number, columns in tables.events(recording, setup):
        first, mine = columns["tick"][~columns["stray"]], tap.get(number, [])
        if len(first) < 2 or not mine:
            continue
        edges = trigger.firing(
            setup, np.concatenate([one.tick for one in mine]),
            np.concatenate([one.level for one in mine]), first, recording.tick_ps * 1e-12,
        )  # fmt: skip
        if not len(edges):
            continue
        at = np.searchsorted(edges, first, side="right") - 1
        ticks = (first - edges[at])[at >= 0]
        near = ticks[ticks < 0.5 * np.median(np.diff(first))]
        delays.append(np.multiply(near, recording.tick_ps * 1e-6))
    return np.concatenate(delays)


def side_of_recording(path: Path, name: str, setup: Setup) -> Side:
    """A side computed from a recording.

    Raises:
        UserError: it cannot be read.
    """
    recording = Recording(path)
    result = evaluate(setup, replay(recording, setup))
    return Side(name, result.to_dict(), setup, tap_delays(recording, setup))
