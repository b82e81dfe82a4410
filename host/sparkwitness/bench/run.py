"""One bench run on a live board, and a stored one read back.

A stored run is a recording like any other; its header holds the plan and which segments are
driven. A run that was cut short goes on in a further recording beside it: NAME, NAME-2, NAME-3.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

from sparkwitness.bench.evaluate import evaluate, remaining
from sparkwitness.bench.plan import SETTLE_S, Plan
from sparkwitness.bench.result import Result
from sparkwitness.bench.shots import Collector
from sparkwitness.decode import wire
from sparkwitness.decode.recording import Recorder, Recording, part_path
from sparkwitness.device.link import Link
from sparkwitness.device.stream import Stopped, Stream
from sparkwitness.errors import UserError

_LOOK_S = 0.1
_DEAD_S, _DEAD_TRIGGERS = 2.0, 20
_SURE_S = 0.3
_EXTRA_S = 0.15  # a heartbeat more, so that the end of a segment is told


@dataclass(frozen=True)
class Progress:
    """Where a live run is.

    Attributes:
        segment: number of it among those to drive, from 0, and its name.
        done_s, total_s: board seconds.
        triggers, sparks: stamps so far.
    """

    segment: int
    name: str
    done_s: float
    total_s: float
    triggers: int
    sparks: int


@dataclass
class Ending:
    """How a live run ended; `why` is empty when everything was driven.

    Attributes:
        why: one sentence.
        collector: with everything measured up to then.
        hopeless: no spark, or no trigger stamp, at all: going on would show nothing new.
    """

    collector: Collector
    why: str = ""
    hopeless: bool = False


def setup_of(plan: Plan, order: Sequence[tuple[int, float]]) -> dict[str, Any]:
    """What a stored run's header holds."""
    return {"bench": plan.to_dict(), "order": [list(one) for one in order]}


def run(
    link: Link,
    plan: Plan,
    order: Sequence[tuple[int, float]],
    recorder: Recorder | None,
    watch: Callable[[Progress], None],
    unrecorded: Callable[[str], None] | None = None,
) -> Ending:
    """Drive segments of a plan and keep what comes back, whatever happens.

    The outputs are off when this returns or raises: the board is told to stop, and where it can
    no longer be told it switches them off itself, 1 s after the last renewal of its lease, which
    this loop gives (protocol/wire.md, "The lease").

    Args:
        link: to an idle board.
        plan: checked.
        order: (index into the plan's segments, seconds) to drive.
        recorder: gets every byte, or None.
        watch: called some ten times a second.
        unrecorded: called with a sentence when the recording can go no further; see `Stream`.

    Raises:
        UserError: nothing was driven: the board refuses, or has no such outputs.
    """
    plan.check_board(link.hello)
    falling = ["trigger"] if plan.edge == "falling" else []
    if plan.clamp_falling:
        falling.append(plan.clamp_input)
    collector = Collector(plan, order, link.hello["tick_ps"])
    ending = Ending(collector)
    enabled = ("trigger", plan.clamp_input)
    try:
        with Stream(link, falling, enabled, recorder, unrecorded) as stream:
            live = _Live(stream, collector, watch, order)
            try:
                for number, (index, seconds) in enumerate(order):
                    live.hold(number, plan, index, seconds)
            except Stopped:
                ending.why = "stopped by hand"
            except _Ended as ended:
                ending.why, ending.hopeless = ended.why, ended.hopeless
            stream.end()
            for data in stream:
                collector.feed(data)
    except UserError as error:
        if not collector.drives:
            raise
        ending.why = ending.why or error.message
    collector.finish()
    return ending


class _Ended(Exception):
    """The run cannot usefully go on."""

    def __init__(self, why: str, hopeless: bool = False) -> None:
        self.why, self.hopeless = why, hopeless


_CUT = {
    "lease": "the host was silent for too long",
    "second": "the active time that a second allows was used up",
    "minute": "the active time that a minute allows was used up",
    "fault": "it found a fault of its own",
}


def why_cut(bits: int) -> str:
    """Why a board switched its outputs off, from a `driving` message's `cut`."""
    told = [text for name, text in _CUT.items() if bits & wire.ENUMS["cut"][name]]
    return " and ".join(told) or "it does not say why"


class _Live:
    """Bytes of a live board into recorder and collector, with an eye on what goes wrong."""

    def __init__(
        self,
        stream: Stream,
        collector: Collector,
        watch: Callable[[Progress], None],
        order: Sequence[tuple[int, float]],
    ) -> None:
        self.stream, self.collector, self.watch = stream, collector, watch
        self.total = sum(seconds + 2 * SETTLE_S for _, seconds in order)
        self.before = 0.0
        self.first = inf  # board time at which the first drive command surely stood
        self.looked = time.monotonic()

    def hold(self, number: int, plan: Plan, index: int, seconds: float) -> None:
        """Drive one segment and take what comes until its time is over."""
        collector, segment = self.collector, plan.segments[index]
        began = collector.seconds
        self.stream.command("drive", **plan.drive(segment))
        self.stream.within(seconds + 2 * SETTLE_S + _EXTRA_S)
        while collector.drives <= number or (
            collector.seconds < collector.driving_since + seconds + _EXTRA_S
        ):
            collector.feed(self.stream.receive(0.05))
            self._check(number)
            now = time.monotonic()
            if now - self.looked >= _LOOK_S:
                self.looked = now
                done = self.before + max(0.0, min(collector.seconds - began, seconds))
                self.watch(Progress(number, segment.name, done, self.total,
                                    collector.trigger_edges, collector.spark_edges))  # fmt: skip
        self.before += seconds + 2 * SETTLE_S

    def _check(self, number: int) -> None:
        collector = self.collector
        if collector.restarted:
            raise _Ended(
                "the board restarted in the middle, as ignition noise or a weak supply can make "
                "it do; outputs are off"
            )
        if collector.drives <= number or collector.seconds < collector.driving_since + _SURE_S:
            return
        if collector.outputs_cut:
            raise _Ended(f"the board switched its outputs off: {why_cut(collector.cut)}")
        self.first = min(self.first, collector.driving_since)
        if collector.seconds < self.first + _DEAD_S:
            return
        if not collector.trigger_edges:
            raise _Ended("the trigger input saw none of the pulses driven", hopeless=True)
        if collector.trigger_edges >= _DEAD_TRIGGERS and not collector.spark_edges:
            raise _Ended("no spark at all", hopeless=True)


@dataclass
class Stored:
    """A stored run: its plan, and the collectors of its parts, finished."""

    plan: Plan
    parts: list[Collector]
    paths: list[Path]

    @property
    def result(self) -> Result:
        """Evaluated."""
        return evaluate(self.plan, self.parts)

    @property
    def remaining(self) -> list[tuple[int, float]]:
        """What is left to drive."""
        return remaining(self.plan, [s for part in self.parts for s in part.stretches()])

    @property
    def next_path(self) -> Path:
        """Where a continuation is recorded."""
        return part_path(self.paths[0], len(self.paths) + 1)


def load(path: Path) -> Stored:
    """A stored run with all its parts.

    Raises:
        UserError: not readable, no recording, or not of a bench test.
    """
    parts = [path]
    while (following := part_path(path, len(parts) + 1)).exists():
        parts.append(following)
    return load_parts(parts)


def load_parts(parts: list[Path]) -> Stored:
    """As `load`, of the parts named."""
    path, stored = parts[0], None
    for part in parts:
        recording = Recording(part)
        plan, order = _header(part, recording.setup)
        if stored is not None and plan != stored.plan:
            raise UserError(f"{part} is not a continuation of {path}: it has another plan")
        collector = Collector(plan, order, recording.tick_ps)
        for chunk in recording.chunks():
            collector.feed(chunk)
        collector.finish()
        if not collector.decoder.loss.frames_good:
            raise UserError(
                f"{part} holds {collector.decoder.loss.bytes_total} bytes but not one good frame: "
                "it is damaged, or it was not recorded from a sparkwitness board"
            )
        if stored is None:
            stored = Stored(plan, [], [])
        stored.parts.append(collector)
        stored.paths.append(part)
    assert stored is not None
    return stored


def _header(path: Path, setup: dict[str, Any] | None) -> tuple[Plan, list[tuple[int, float]]]:
    values = (setup or {}).get("bench")
    if not isinstance(values, dict):
        raise UserError(
            f"{path} is a recording, but not of a bench test; one is made by "
            "`sparkwitness bench --record FILE`"
        )
    plan = Plan.from_dict(values, f"the plan in {path}")
    order = (setup or {}).get("order")
    n = len(plan.segments)
    try:
        listed = [(int(index), float(seconds)) for index, seconds in order or []]
    except (TypeError, ValueError):
        listed = []
    if not listed or any(not 0 <= index < n for index, _ in listed):
        raise UserError(f"{path} does not say what was driven; its first line is damaged")
    return plan, listed
