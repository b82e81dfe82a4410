"""The board's bench outputs, jumpered to its inputs: what is driven, and what comes back.

selftest.py judges it.
"""

import json
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness import shipped
from sparkwitness.decode import wire
from sparkwitness.decode.edges import EdgeDecoder, Loss, Ticks
from sparkwitness.device.link import Link
from sparkwitness.device.stream import Stream
from sparkwitness.errors import UserError

PINS: dict[str, Any] = json.loads(
    (shipped.folder("hardware") / "pins.json").read_text(encoding="utf-8")
)
LOOPBACK: tuple[tuple[str, str], ...] = tuple((a, b) for a, b in PINS["loopback"])
BENCH, CRANK = "bench", "bench_crank"

TICK_PPM = 300.0
_FRAME_S = 1e-3  # full-speed frame (USB 2.0 specification, 8.4.3)
_PARTS = 12
_WANDERS = 0.97  # Durbin and Watson's lower bound, 5 %, 12 points, one regressor (from memory)
_STUDENT = 2.28  # t for 95.45 % and 10 degrees of freedom (JCGM 100:2008, table G.2)


@dataclass(frozen=True)
class Drive:
    """One stage: what the bench outputs do and for how long (seconds of board time)."""

    rpm: int
    width_us: int
    firings: int
    turns: int
    teeth: int
    missing: int
    seconds: float
    falling: tuple[str, ...] = ()

    @property
    def trigger_period_s(self) -> float:
        """Seconds from one bench trigger to the next."""
        return 60.0 * self.turns / (self.rpm * self.firings)

    def fields(self) -> dict[str, Any]:
        """Fields of the drive command."""
        return {
            "rpm_from": 1000 * self.rpm, "rpm_to": 1000 * self.rpm, "ramp_ms": 0,
            "width_us": self.width_us, "firings": self.firings, "turns": self.turns,
            "active_low": 0, "teeth": self.teeth, "missing": self.missing,
            "load": wire.ENUMS["load"]["inductive"],
        }  # fmt: skip


# Periods and widths are whole numbers of ticks at 125 MHz and at 150 MHz.
STEADY = Drive(rpm=1250, width_us=1200, firings=4, turns=1, teeth=5, missing=0, seconds=12.0)
DELAY = Drive(1250, 1200, 4, 1, 5, 0, 1.5, falling=("clamp_b",))
# Nothing is driven: an input with edges has something else on it.
QUIET = Drive(0, 0, 0, 1, 0, 0, 0.3)
LOAD = Drive(rpm=12000, width_us=48, firings=32, turns=2, teeth=60, missing=2, seconds=2.0)


@dataclass
class Stage:
    """What came back of one stage.

    Attributes:
        drive: what was driven.
        ticks: per input, int64[n], edge times in ticks.
        beats: heartbeats' fields, in order.
        arrived: float64 seconds of the host's clock at which the heartbeats of `timed` came.
        timed: int64 board time of these, ticks.
        loss: of the stage.
        tick_s: length of a tick, seconds.
        said: warnings and errors of the board.
    """

    drive: Drive
    ticks: tuple[Ticks, ...]
    beats: list[dict[str, Any]]
    arrived: NDArray[np.float64]
    timed: Ticks
    loss: Loss
    tick_s: float = 24e-9
    said: list[str] = field(default_factory=list)


def pin(name: str) -> str:
    """A pin in words: "bench (GP6)"."""
    return f"{name.replace('_', ' ')} (GP{PINS['pins'][name]['gpio']})"


def jumper_list() -> list[str]:
    """The jumpers that the self-test needs, in words."""
    return [f"{pin(a)} to {pin(b)}" for a, b in LOOPBACK]


# Driving and collecting

Planned = tuple[str, Drive, float]
"""A stage's name, what it drives, and the longest that it may go on, seconds."""


def plan(seconds: float = STEADY.seconds, longest: float | None = None) -> list[Planned]:
    """The three stages: steady, delay, load.

    Args:
        seconds: of the first stage at least.
        longest: so long it may go on until the tick's length is known well; None: seconds.
    """
    steady = replace(STEADY, seconds=seconds)
    return [("steady", steady, longest or seconds), ("delay", DELAY, 0.0), ("load", LOAD, 0.0)]


def run(
    link: Link,
    stages: list[Planned],
    watch: Callable[[str, float], None] = lambda stage, share: None,
) -> list[Stage]:
    """Drive stages and collect what comes back.

    Args:
        link: to a board whose outputs are connected to nothing but its inputs.
        stages: from `plan`.
        watch: called with the stage's name and how much of it is done, 0 to 1.

    Raises:
        UserError: the board refuses, went away or fell silent; or the inputs are not quiet before
            anything is driven.
    """
    heard = collect(link, QUIET).ticks
    loud = [f"{pin(n)} sees {len(t)}" for n, t in zip(wire.INPUTS, heard, strict=True) if len(t)]
    if loud:
        raise UserError(
            f"something is connected to the inputs: {', '.join(loud)} edges in "
            f"{QUIET.seconds:g} s while nothing is driven; take off everything but the jumpers"
        )
    return [collect(link, drive, most, partial(watch, name)) for name, drive, most in stages]


def collect(
    link: Link,
    drive: Drive,
    longest: float = 0.0,
    watch: Callable[[float], None] = lambda share: None,
) -> Stage:
    """Drive one stage and collect what comes back; see `run`.

    Args:
        longest: so long it may go on until the tick's length is known well.
    """
    decoder = EdgeDecoder()
    parts: list[list[Ticks]] = [[] for _ in wire.INPUTS]
    beats: list[dict[str, Any]] = []
    arrived: list[float] = []
    timed: list[int] = []
    said: list[str] = []

    def take(data: bytes) -> None:
        now = time.perf_counter()
        batches = decoder.feed(data)
        for batch in batches:
            for part, ticks in zip(parts, batch.ticks, strict=True):
                part.append(ticks)
        messages = [m for batch in batches for m in batch.messages]
        mine = [m.fields for m in messages if m.name == "heartbeat"]
        beats.extend(mine)
        if mine:
            # Those before it in the same piece have waited.
            arrived.append(now)
            timed.append(mine[-1]["time"])
        said.extend(
            m.fields["text"]
            for m in messages
            if m.name == "log" and m.fields["level"] > wire.ENUMS["level"]["info"]
        )

    with Stream(link, drive.falling) as stream:
        stream.command("drive", **drive.fields())
        stream.within(max(drive.seconds, longest))
        tick = link.hello["tick_ps"]
        end, last_end = drive.seconds * 1e12 / tick, longest * 1e12 / tick
        while not timed or timed[-1] < end:
            if data := stream.receive():
                take(data)
                watch(min(1.0, timed[-1] / end) if timed else 0.0)
                if timed and timed[-1] >= end < last_end:
                    fit = tick_fit(np.asarray(arrived), np.asarray(timed), tick)
                    if fit is None or fit[1] > TICK_PPM / 3:
                        end = min(1.25 * end, last_end)
        live = len(arrived)
        stream.end()
        for data in stream:
            take(data)
    none = np.empty(0, np.int64)
    return Stage(
        drive,
        tuple(np.concatenate([none, *part]) for part in parts),
        beats,
        np.asarray(arrived[:live]),
        np.asarray(timed[:live], np.int64),
        decoder.loss,
        link.hello["tick_ps"] * 1e-12,
        said,
    )


# The tick by the host's clock


def line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Slope of the least-squares line through y over x, float64[n] with n > 2, and its standard
    uncertainty from the residuals (JCGM 100:2008, H.3)."""
    x, y = x - x.mean(), y - y.mean()
    slope = float(x @ y / (x @ x))
    variance = float(np.sum((y - slope * x) ** 2)) / (len(x) - 2)
    return slope, math.sqrt(variance / float(x @ x))


def tick_fit(
    arrived: NDArray[np.float64], timed: Ticks, tick_ps: float
) -> tuple[float, float] | None:
    """Deviation of the tick from tick_ps by the host's clock, and its expanded uncertainty
    (k = 2), both in ppm, without that of the host's clock; None: too few heartbeats.

    The slope of arrival time over board time. Arrivals are late by anything, but never early: of
    each of 12 parts of the time only the least late one is used. Even these are known to one
    frame of the USB only, at the beginning and at the end. Where even their lateness wanders (a
    computer that is held up, and catches up or not), it is taken for a random walk: then the slope
    is as uncertain as the walk's end.
    """
    # The first are late by the start of the outputs.
    board, host = timed[2:].astype(np.float64) * (tick_ps * 1e-12), arrived[2:]
    # One that the next one follows at once had waited for a reader that was held up.
    prompt = np.diff(host) > np.diff(board) / 2
    board, host = board[:-1][prompt], host[:-1][prompt]
    if len(board) < _PARTS:
        return None
    rough, _ = line(board, host)
    late = host - rough * board
    parts = np.array_split(np.arange(len(board)), _PARTS)
    best = np.asarray([part[np.argmin(late[part])] for part in parts])
    slope, u = line(board[best], host[best])
    left = host[best] - slope * board[best]
    steps = np.diff(left)
    if float(steps @ steps) < _WANDERS * float(np.sum((left - left.mean()) ** 2)):
        span = float(board[best[-1]] - board[best[0]])
        u = max(u, float(np.std(steps, ddof=1)) * math.sqrt(len(steps)) / span)
    frames = 2.0 * _FRAME_S / math.sqrt(6) / float(board[-1] - board[0])
    return 1e6 * (slope - 1.0), 1e6 * math.hypot(_STUDENT * u, frames)
