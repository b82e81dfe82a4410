"""The board checks itself: its bench outputs, jumpered to its inputs, are stamped and judged.

`run` drives and collects, `evaluate` is a pure function of what was collected.
"""

import json
import math
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field, replace
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

SKEW_TICKS = 2
OUTPUT_CYCLES = 4
"""How far an edge of one output may lie from its place, clock cycles (firmware/pulses.py)."""
CYCLES_PER_TICK = 3
DELAY_TICKS = 2
TICK_PPM = 300.0
HOST_CLOCK_PPM = 100.0
"""Bound of a computer's clock, crystal and steering by a time service: common practice, no
source."""
SUPPLY_SHARE, SUPPLY_OFFSET_V = 0.03, 0.25
"""Bounds of the supply reading: resistors of 1 % and a 3.3 V reference of 2 %; 30 mV offset of the
board's converter (Raspberry Pi Pico datasheet, "Using the ADC", from memory) times the divider."""
BUSY_PERMILLE = 500
NOT_MEASURED = 65535
# Two stamps are each uniform over one tick: their difference has u = 1/sqrt(6) tick, k = 2.
U_STAMPS = 2 / math.sqrt(6)
_QUIET_S = 3.0
_FRAME_S = 1e-3  # full-speed frame (USB 2.0 specification, 8.4.3)
_PARTS = 12
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
        said: warnings and errors of the board.
    """

    drive: Drive
    ticks: tuple[Ticks, ...]
    beats: list[dict[str, Any]]
    arrived: NDArray[np.float64]
    timed: Ticks
    loss: Loss
    said: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Check:
    """One line of the result.

    Attributes:
        name: what was checked.
        measured: in words, with uncertainty (k = 2) or why there is none.
        limit: in words.
        verdict: "pass", "fail", or "open": could not be checked.
        value, expanded, unit: the number behind it, where there is one.
    """

    name: str
    measured: str
    limit: str
    verdict: str
    value: float | None = None
    expanded: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Result:
    """The self-test's outcome.

    Attributes:
        passed: every check passed.
        verdict: in a sentence.
        jumpers: what is wrong with the jumpers, a sentence each.
        checks: all lines.
        board: its hello.
        said: warnings and errors of the board.
    """

    passed: bool
    verdict: str
    jumpers: list[str]
    checks: list[Check]
    board: dict[str, Any]
    said: list[str]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        plain = asdict(self)
        plain["board"]["uid"] = bytes(self.board["uid"]).hex()
        return plain


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
        said,
    )


# Judging


def evaluate(
    stages: list[Stage],
    hello: dict[str, Any],
    supply_v: float | None = None,
    simulated: bool = False,
) -> Result:
    """Judge what the stages brought back.

    Args:
        stages: steady, delay and load.
        hello: of the board.
        supply_v: what a meter shows at the supply terminals, or None.
        simulated: the loop's use of time says nothing about a board's.
    """
    steady, delay, load = stages
    tick_ns = hello["tick_ps"] / 1000.0
    wrong = jumper_faults(steady)
    good = {b for _, b in LOOPBACK} - set(wrong)
    checks = [
        *_counts(steady, good),
        *_skews(steady, good, tick_ns),
        _period(steady, good, tick_ns),
        tick_length(steady, hello),
        _delay(delay, good, tick_ns),
        _supply(steady, supply_v),
        *_load(load, good, simulated),
        _losses(stages),
    ]
    failed = [c.name for c in checks if c.verdict == "fail"]
    skipped = [c.name for c in checks if c.verdict == "open"]
    if wrong:
        verdict = "NOT PASSED: put the jumpers right and run the self-test again"
    elif failed:
        verdict = f"FAILED: {', '.join(failed)}"
    elif skipped:
        verdict = f"NOT COMPLETE: not checked are {', '.join(skipped)}"
    else:
        verdict = "PASSED: every check is within its limit"
    said = [text for stage in stages for text in stage.said]
    passed = not (wrong or failed or skipped)
    return Result(passed, verdict, list(wrong.values()), checks, hello, said)


def _live_beats(stage: Stage) -> list[dict[str, Any]]:
    """Heartbeats while the bench trigger was on."""
    return [b for b in stage.beats if b["outputs"] & wire.ENUMS["output_bits"]["bench"]]


def jumper_faults(stage: Stage) -> dict[str, str]:
    """What is wrong with the jumpers: input to a sentence; empty if nothing is.

    The two outputs pulse at different rates, so that an input tells which one it is on.
    """
    beats = _live_beats(stage)
    if not beats or not beats[-1]["driven"]:
        sentence = "the board says that it drives nothing: install the firmware again"
        return {b: sentence for _, b in LOOPBACK}
    drive = stage.drive
    driven = beats[-1]["driven"]
    turns = driven * drive.turns / drive.firings
    due = {BENCH: float(driven), CRANK: turns * (drive.teeth - drive.missing)}
    # One turn's worth of either, for the place in the turn at which the heartbeat came.
    room = {BENCH: 1.0, CRANK: 2.0 + drive.teeth * drive.turns / drive.firings}
    seen = dict(zip(wire.INPUTS, beats[-1]["total"], strict=True))
    found: dict[str, str] = {}
    for output in due:
        inputs = [b for a, b in LOOPBACK if a == output]
        if len(inputs) > 1 and not any(seen[b] for b in inputs):
            names = ", ".join(pin(b) for b in inputs)
            for b in inputs:
                found[b] = (
                    f"nothing comes from {pin(output)}: its jumpers to {names} are missing, or "
                    "that output is dead"
                )
            continue
        for b in inputs:
            other = CRANK if output == BENCH else BENCH
            if abs(seen[b] - due[output]) <= room[output]:
                continue
            if not seen[b]:
                found[b] = f"the jumper from {pin(output)} to {pin(b)} is missing"
            elif abs(seen[b] - due[other]) <= room[other]:
                found[b] = f"{pin(b)} is on {pin(other)}: put its jumper on {pin(output)}"
            else:
                found[b] = (
                    f"{pin(b)} sees {seen[b]} edges in place of {due[output]:.0f}: the jumper from "
                    f"{pin(output)} is loose, or something else is connected there"
                )
    return found


def _open(name: str, limit: str, why: str = "not checked: see the jumpers") -> Check:
    return Check(name, why, limit, "open")


def _judge(good: bool) -> str:
    return "pass" if good else "fail"


def _counts(stage: Stage, good: set[str]) -> list[Check]:
    """Pulses driven against edges stamped."""
    beats = _live_beats(stage)
    checks = []
    limit = "all; one may be under way at a heartbeat"
    for name in (b for a, b in LOOPBACK if a == BENCH):
        title = f"count, {name.replace('_', ' ')}"
        if name not in good:
            checks.append(_open(title, limit))
            continue
        i = wire.INPUTS.index(name)
        off = np.asarray([b["driven"] - b["total"][i] for b in beats])
        exact = int(np.median(off)) == 0 and bool((np.abs(off) <= 1).all())
        checks.append(
            Check(
                title,
                f"{beats[-1]['total'][i]} of {beats[-1]['driven']} pulses driven (a count)",
                limit, _judge(exact), float(beats[-1]["total"][i]), None, "pulses",
            )
        )  # fmt: skip
    limit = f"{stage.drive.teeth - stage.drive.missing} per revolution"
    if not {"crank", "trigger"} <= good:
        return [*checks, _open("count, crank", limit)]
    crank, trigger = stage.ticks[0], stage.ticks[wire.INPUTS.index("trigger")]
    turns = (len(trigger) - 1) // stage.drive.firings
    half = (trigger[1] - trigger[0]) // 8
    ends = np.searchsorted(crank, [trigger[0] - half, trigger[turns * stage.drive.firings] - half])
    n, due = int(ends[1] - ends[0]), turns * (stage.drive.teeth - stage.drive.missing)
    measured = f"{n} of {due} in {turns} revolutions (a count)"
    return [*checks, Check("count, crank", measured, limit, _judge(n == due), n, None, "edges")]


def nearest(times: Ticks, to: Ticks) -> Ticks:
    """For each of `to`, int64[m], the nearest of the ascending `times`, int64[n] with n > 0."""
    at = np.searchsorted(times, to)
    left = times[np.maximum(at - 1, 0)]
    right = times[np.minimum(at, len(times) - 1)]
    return np.where(to - left <= right - to, left, right)


def _skews(stage: Stage, good: set[str], tick_ns: float) -> list[Check]:
    """The same edge at two inputs."""
    checks = []
    trigger = stage.ticks[wire.INPUTS.index("trigger")]
    for name in ("clamp_a", "clamp_b", "crank"):
        title = f"skew, {name.replace('_', ' ')} to trigger"
        limit = f"{SKEW_TICKS} ticks"
        allowed: float = SKEW_TICKS
        if name == "crank":
            allowed += OUTPUT_CYCLES / CYCLES_PER_TICK
            limit += f" and {OUTPUT_CYCLES} clock cycles between the two outputs"
        if not {name, "trigger"} <= good:
            checks.append(_open(title, limit))
            continue
        mine = stage.ticks[wire.INPUTS.index(name)]
        if name == "crank":
            # Once in a revolution a tooth and a trigger start together.
            phases = [trigger[k :: stage.drive.firings] for k in range(stage.drive.firings)]
            off = min((nearest(mine, p) - p for p in phases), key=lambda d: np.median(np.abs(d)))
        else:
            off = nearest(mine, trigger) - trigger
        # The outputs are switched off at any time: a last pulse may have gone to one only.
        off = off[:-1]
        worst = int(off[np.argmax(np.abs(off))])
        checks.append(
            Check(
                title,
                f"at most {worst:+d} ticks ({worst * tick_ns:+.0f} ± {U_STAMPS * tick_ns:.0f} ns) "
                f"of {len(off)}",
                limit, _judge(abs(worst) <= allowed), worst * tick_ns, U_STAMPS * tick_ns, "ns",
            )
        )  # fmt: skip
    return checks


def _period(stage: Stage, good: set[str], tick_ns: float) -> Check:
    """Outputs and inputs count by the same clock."""
    due_us = 1e6 * stage.drive.trigger_period_s
    title, limit = "period of the bench trigger", f"{due_us:g} µs within {SKEW_TICKS} ticks, each"
    if "trigger" not in good:
        return _open(title, limit)
    apart = np.diff(stage.ticks[wire.INPUTS.index("trigger")])
    due = 1e3 * due_us / tick_ns
    worst = float(np.max(np.abs(apart - due)))
    mean_us, u_us = float(np.mean(apart)) * tick_ns / 1e3, U_STAMPS * tick_ns / 1e3
    return Check(
        title,
        f"{mean_us:.3f} ± {u_us:.3f} µs by the board's clock, worst {worst:.1f} ticks off",
        limit, _judge(worst <= SKEW_TICKS), mean_us, u_us, "µs",
    )  # fmt: skip


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
    frame of the USB only, at the beginning and at the end.
    """
    # The first are late by the start of the outputs.
    board, host = timed[2:].astype(np.float64) * (tick_ps * 1e-12), arrived[2:]
    if len(board) < _PARTS:
        return None
    rough, _ = line(board, host)
    late = host - rough * board
    parts = np.array_split(np.arange(len(board)), _PARTS)
    best = np.asarray([part[np.argmin(late[part])] for part in parts])
    slope, u = line(board[best], host[best])
    frames = 2.0 * _FRAME_S / math.sqrt(6) / float(board[-1] - board[0])
    return 1e6 * (slope - 1.0), 1e6 * math.hypot(_STUDENT * u, frames)


def tick_length(stage: Stage, hello: dict[str, Any]) -> Check:
    """Length of a tick against the host's clock."""
    tick = hello["tick_ps"]
    title, limit = "tick length", f"{tick} ps within {TICK_PPM:g} ppm"
    found = tick_fit(stage.arrived, stage.timed, tick)
    if found is None:
        return _open(title, limit, "not checked: too few heartbeats, give more --seconds")
    ppm, fit = found
    expanded = math.hypot(fit, 2.0 * HOST_CLOCK_PPM / math.sqrt(3))
    measured = (
        f"{tick * (1 + ppm * 1e-6):.1f} ± {tick * expanded * 1e-6:.1f} ps "
        f"({ppm:+.0f} ± {expanded:.0f} ppm; the host's clock is taken as ±{HOST_CLOCK_PPM:g} ppm, "
        f"its reading as ±{fit:.0f} ppm)"
    )
    if fit > TICK_PPM:
        return _open(title, limit, f"not decided: {measured}; give more --seconds")
    return Check(title, measured, limit, _judge(abs(ppm) <= TICK_PPM), ppm, expanded, "ppm")


def _delay(stage: Stage, good: set[str], tick_ns: float) -> Check:
    """From the trigger's leading edge to clamp B's trailing edge: the width of the pulse."""
    width = stage.drive.width_us
    title, limit = "delay, trigger to clamp B", f"{width} µs within {DELAY_TICKS} ticks"
    if not {"trigger", "clamp_b"} <= good:
        return _open(title, limit)
    begin = stage.ticks[wire.INPUTS.index("trigger")]
    end = stage.ticks[wire.INPUTS.index("clamp_b")]
    # Those whose end came; the last may have been cut by switching off.
    begin = begin[:-1]
    at = np.searchsorted(end, begin, side="right")
    if not len(begin) or at[-1] >= len(end):
        return Check(title, "no trailing edges came", limit, "fail")
    took = end[at] - begin
    worst = float(np.max(np.abs(took - 1e3 * width / tick_ns)))
    mean_us, u_us = float(np.mean(took)) * tick_ns / 1e3, U_STAMPS * tick_ns / 1e3
    return Check(
        title,
        f"{mean_us:.3f} ± {u_us:.3f} µs by the board's clock, worst {worst:.1f} ticks off "
        f"of {len(took)}",
        limit, _judge(worst <= DELAY_TICKS), mean_us, u_us, "µs",
    )  # fmt: skip


def _supply(stage: Stage, supply_v: float | None) -> Check:
    divider = PINS["supply_divider"]
    full = 3.3 * (divider["top_ohm"] + divider["bottom_ohm"]) / divider["bottom_ohm"]
    read = [b["supply_mv"] / 1000.0 for b in stage.beats if b["supply_mv"] != NOT_MEASURED]
    if not read:
        return Check("supply reading", "not measured by this board", "a reading", "fail")
    lowest = min(read)
    expanded = 2.0 * math.hypot(SUPPLY_SHARE * lowest, SUPPLY_OFFSET_V) / math.sqrt(3)
    measured = f"{lowest:.2f} ± {expanded:.2f} V, the lowest"
    if supply_v is None:
        return Check(
            "supply reading",
            f"{measured}; not compared: give --supply with what a meter shows",
            f"below full scale, {full:.1f} V",
            _judge(lowest < 0.99 * full), lowest, expanded, "V",
        )  # fmt: skip
    allowed = max(0.5, 0.05 * supply_v)
    return Check(
        "supply reading", measured, f"{supply_v:g} V within {allowed:.1f} V",
        _judge(abs(lowest - supply_v) <= allowed), lowest, expanded, "V",
    )  # fmt: skip


def _load(stage: Stage, good: set[str], simulated: bool) -> Iterable[Check]:
    """A 60-2 wheel at 12 000 rev/min and as many triggers as it gets."""
    drive, beats = stage.drive, _live_beats(stage)
    names = [b for a, b in LOOPBACK if a == BENCH]
    title, limit = "full load, edges", "none missing, none too many"
    if not set(names) | {"crank"} <= good:
        yield _open(title, limit)
    else:
        inputs = [stage.ticks[wire.INPUTS.index(n)] for n in names]
        apart = np.diff(inputs[0])
        even = bool(len(apart)) and float(np.max(apart)) < 1.5 * float(np.median(apart))
        equal = max(map(len, inputs)) - min(map(len, inputs)) <= 1
        teeth = np.diff(stage.ticks[0])
        # In a whole turn there is one gap, of missing + 1 pitches, and no other distance.
        pitches = np.rint(teeth / np.median(teeth)) if len(teeth) else teeth
        gaps = np.flatnonzero(pitches == drive.missing + 1)
        whole = bool(
            len(gaps) > 1
            and (np.diff(gaps) == drive.teeth - drive.missing).all()
            and np.isin(pitches, (1, drive.missing + 1)).all()
        )
        n = sum(map(len, stage.ticks))
        yield Check(
            title,
            f"{n} edges ({drive.rpm} rpm, {drive.teeth}-{drive.missing} wheel, "
            f"{1 / drive.trigger_period_s:.0f} triggers/s; a count)",
            limit, _judge(even and equal and whole), float(n), None, "edges",
        )  # fmt: skip
    if beats:
        busy = max(b["busy_permille"] for b in beats)
        worst = max(b["worst_us"] for b in beats)
        said = f"{busy / 10:.0f} % of the loop's time, longest turn {worst / 1000:.1f} ms"
        if simulated:
            yield Check("full load, time", f"{said} (of a simulated board: no judgement)", "none",
                        "pass", busy / 10, None, "%")  # fmt: skip
        else:
            yield Check(
                "full load, time", f"{said} (by the board's clock, to 1 %)",
                f"{BUSY_PERMILLE / 10:.0f} %", _judge(busy <= BUSY_PERMILLE), busy / 10, 1.0, "%",
            )  # fmt: skip


def _losses(stages: list[Stage]) -> Check:
    lost = [stage.loss for stage in stages]
    frames = sum(loss.frames_good for loss in lost)
    if not any(loss.any() for loss in lost):
        return Check("losses", f"nothing of {frames} frames (a count)", "nothing", "pass", 0)
    edges = sum(sum(loss.edges_lost) for loss in lost)
    stalls = sum(sum(loss.board_stalls) for loss in lost)
    bad = sum(loss.frames_damaged + loss.frames_missing + loss.board_unsent for loss in lost)
    return Check(
        "losses",
        f"{edges} edges, {stalls} full capture queues, {bad} frames damaged, missing or unsent "
        f"of {frames} (counts)",
        "nothing", "fail", float(edges + bad),
    )  # fmt: skip
