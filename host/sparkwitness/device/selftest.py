"""The board checks itself: its bench outputs, jumpered to its inputs, are stamped and judged.

loopback.py drives and collects; `evaluate` is a pure function of what was collected.
"""

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.decode.edges import Ticks
from sparkwitness.device.loopback import (
    BENCH,
    CRANK,
    LOOPBACK,
    PINS,
    TICK_PPM,
    Stage,
    pin,
    tick_fit,
)

SKEW_TICKS = 2
OUTPUT_CYCLES = 4
"""How far an edge of one output may lie from its place, clock cycles (firmware/pulses.py)."""
CYCLES_PER_TICK = 3
COUPLED_US = 20.0
"""Within this an edge is taken for the echo, or for the other end, of another; outputs lie 2 ms and
more apart."""
DELAY_TICKS = 2
HOST_CLOCK_PPM = 100.0
"""Bound of a computer's clock, crystal and steering by a time service: common practice, no
source."""
SUPPLY_SHARE, SUPPLY_OFFSET_V = 0.03, 0.25
"""Bounds of the supply reading: resistors of 1 % and a 3.3 V reference of 2 %; 30 mV offset of the
board's converter (Raspberry Pi Pico datasheet, "Using the ADC", from memory) times the divider."""
BUSY_PERMILLE = 700
"""A board that is in order takes up to half; the rest is for a display, the meter, commands."""
NOT_MEASURED = 65535
UNEVEN_PPM = 3000.0  # not by USB: so comes what an emulator sends that cannot keep up
# Two stamps are each uniform over one tick: their difference has u = 1/sqrt(6) tick, k = 2.
U_STAMPS = 2 / math.sqrt(6)


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
        faults: what the failed checks point to, a sentence each.
        checks: all lines.
        board: its hello.
        said: warnings and errors of the board.
    """

    passed: bool
    verdict: str
    jumpers: list[str]
    faults: list[str]
    checks: list[Check]
    board: dict[str, Any]
    said: list[str]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        plain = asdict(self)
        plain["board"]["uid"] = bytes(self.board["uid"]).hex()
        return plain


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
    faults = list(_faults(steady, good, {c.name: c for c in checks if c.verdict == "fail"}))
    skipped = [c.name for c in checks if c.verdict == "open"]
    if wrong:
        verdict = "NOT PASSED: put the jumpers right and run the self-test again"
    elif failed:
        verdict = f"FAILED: {'; '.join(faults) or ', '.join(failed)}"
    elif skipped:
        verdict = f"NOT COMPLETE: not checked are {', '.join(skipped)}"
    else:
        verdict = "PASSED: every check is within its limit"
    said = [text for stage in stages for text in stage.said]
    passed = not (wrong or failed or skipped)
    return Result(passed, verdict, list(wrong.values()), faults, checks, hello, said)


def _faults(stage: Stage, good: set[str], failed: dict[str, Check]) -> Iterable[str]:
    """What failed checks point to; the name of the check where that is all there is to say."""
    inverted = inversions(stage, good)
    yield from inverted.values()
    for name, check in failed.items():
        if name == "tick length" and check.value is not None:
            longer = "longer" if check.value > 0 else "shorter"
            yield (
                f"a tick of the board is {abs(check.value) / 1e4:.2g} % {longer} than it says, by "
                "this computer's clock: its crystal or clock setting is wrong"
            )
        # A train upside down that is stopped within a pulse ends with an edge of its own.
        elif not inverted or not name.startswith(("skew", "delay", "count, crank", "full load, e")):
            yield f"{name}: {check.measured}, must be {check.limit}"


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
                sent = len(stage.ticks[wire.INPUTS.index(b)])
                if sent <= 2 * drive.firings:  # nothing can be said about them
                    found[b] = (
                        f"the board counts {seen[b]} edges at {pin(b)} and sent {sent}: install "
                        "the firmware again"
                    )
                continue
            if not seen[b]:
                found[b] = (
                    f"the jumper from {pin(output)} to {pin(b)} is missing, or that input is stuck"
                )
            elif abs(seen[b] - due[other]) <= room[other]:
                found[b] = f"{pin(b)} is on {pin(other)}: put its jumper on {pin(output)}"
            elif _coupled(stage, b, other):
                found[b] = (
                    f"{pin(b)} sees its own edges and those of {pin(other)}: the two are coupled; "
                    "look for a bridge of solder, or a jumper too many"
                )
            else:
                found[b] = (
                    f"{pin(b)} sees {seen[b]} edges in place of {due[output]:.0f}: the jumper from "
                    f"{pin(output)} is loose, or something else is connected there"
                )
    return found


def _coupled(stage: Stage, name: str, other: str) -> bool:
    """Whether an input sees edges of the output that it is not on.

    Once in a revolution both outputs begin a pulse together; more in common is a coupling.
    """
    mine = stage.ticks[wire.INPUTS.index(name)]
    (source, *_) = (stage.ticks[wire.INPUTS.index(b)] for a, b in LOOPBACK if a == other)
    if not len(mine) or not len(source):
        return False
    late = COUPLED_US * 1e-6 / stage.tick_s
    drive = stage.drive
    together = 1 / (drive.firings if other == BENCH else drive.teeth - drive.missing)
    shared = float(np.mean(np.abs(nearest(mine, source) - source) <= late))
    return shared > together + 0.05


def inversions(stage: Stage, good: set[str]) -> dict[str, str]:
    """Outputs or inputs that come upside down: check that shows it to a sentence.

    The first tooth of a revolution and a trigger pulse begin together. A signal upside down rises
    where it should fall: a pulse's width later, half a place of the wheel later.
    """
    inputs = [b for a, b in LOOPBACK if a == BENCH and b in good]
    crank = stage.ticks[wire.INPUTS.index("crank")]
    if "crank" not in good or not inputs or not len(crank):
        return {}
    near = COUPLED_US * 1e-6 / stage.tick_s
    first = crank[:: stage.drive.teeth - stage.drive.missing]
    late = {}
    for b in inputs:
        mine = stage.ticks[wire.INPUTS.index(b)]
        mine = mine[:: stage.drive.firings]
        n = min(len(mine), len(first))
        late[b] = float(np.median(mine[:n] - first[:n]))
    width = stage.drive.width_us * 1e-6 / stage.tick_s
    half = 30.0 / stage.drive.rpm / stage.drive.teeth / stage.tick_s
    found = {}
    if all(abs(one + half) < near or abs(one + half - width) < near for one in late.values()):
        found["skew, crank to trigger"] = (
            f"{pin(CRANK)} comes upside down: low where it should be high"
        )
        late = {b: one + half for b, one in late.items()}
    wrong = [b for b, one in late.items() if abs(one - width) < near]
    if wrong == inputs:
        found["delay, trigger to clamp B"] = (
            f"{pin(BENCH)} comes upside down: low where it should be high"
        )
    else:
        for b in wrong:
            found[f"skew, {b.replace('_', ' ')} to trigger"] = (
                f"{pin(b)} stamps the wrong flank: its signal comes upside down"
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
            # Once in a revolution a tooth and a trigger start together, the first ones of all.
            first = trigger[:: stage.drive.firings]
            off = nearest(mine, first) - first
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
    bad, good = abs(ppm) > TICK_PPM + fit, abs(ppm) <= TICK_PPM and fit <= TICK_PPM
    if fit > UNEVEN_PPM or not (bad or good):
        why = (
            f"cannot tell: {measured}; this computer was held up: close other programs and run the "
            "self-test again, or give more --seconds"
        )
        return _open(title, limit, why)
    return Check(title, measured, limit, _judge(good), ppm, expanded, "ppm")


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
