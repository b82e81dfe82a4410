"""What all foreign formats share: channels with their edges, and one clock for all of them."""

import re
import stat
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.decode.recording import SIMULATED
from sparkwitness.errors import UserError

Ticks = NDArray[np.int64]
Floats = NDArray[np.float64]

NONE: Ticks = np.empty(0, np.int64)
COARSEST_PS = 10**9  # 1 ms: no crank angle can be told with a coarser clock
MOST_TICKS = 1 << 61
_FINEST_PS = 1000  # finer steps are rounding of a coarser clock, unless a rate is given
_UNITS = {"s": 10**12, "ms": 10**9, "us": 10**6, "ns": 10**3, "ps": 1}
UNITS = (*_UNITS, "samples")
_ONE_FLANK = re.compile(r"\bone flank: ([\w ]+)")
_SIMULATED = re.compile(rf"\bsource: ((?:[^;]*\b)?{SIMULATED}[^;]*)")


@dataclass(frozen=True)
class Options:
    """What a person may say about a file.

    Attributes:
        time: name of the column with the times, None: found by its name.
        unit: one of `UNITS`, None: as the column's name says, else seconds.
        rate: samples or steps a second of the logger's clock; None: as the file says.
        threshold: channel: level at which a voltage is an edge; the others are found.
        hysteresis: the same for the full width about it that a voltage must pass.
    """

    time: str | None = None
    unit: str | None = None
    rate: float | None = None
    threshold: dict[str, float] = field(default_factory=dict)
    hysteresis: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Trace:
    """A stretch of a voltage with the level at which edges were taken, for a picture.

    Attributes:
        channel: its name.
        time: float64[n] seconds.
        value: float64[n] in the file's unit; in sound files 1 is full scale.
        threshold: where an edge is.
        hysteresis: full width about it that a voltage must pass.
    """

    channel: str
    time: Floats
    value: Floats
    threshold: float
    hysteresis: float


@dataclass
class Channel:
    """Edges of one channel.

    Attributes:
        name: as the file calls it.
        rising, falling: int64[n] ticks, strictly rising; all are in `rising` where a file has
            edges without their direction.
        lost: int64[k] ticks of edges just before which others were lost.
        directed: rising and falling edges are told apart.
        goes_down: its pulses go down, so that the falling edge is the first; None: not said.
    """

    name: str
    rising: Ticks = field(default_factory=lambda: NONE)
    falling: Ticks = field(default_factory=lambda: NONE)
    lost: Ticks = field(default_factory=lambda: NONE)
    directed: bool = True
    goes_down: bool | None = None

    @property
    def down(self) -> bool:
        """Whether its pulses go down: as said, else if it is high for most of the time."""
        if self.goes_down is not None or not self.directed:
            return bool(self.goes_down)
        n = min(len(self.rising), len(self.falling))
        if not n:
            return len(self.falling) > len(self.rising)
        # From a rise to the next fall it is high.
        high = self.falling[:n] - self.rising[:n]
        if high[0] < 0:
            high = self.falling[1:n] - self.rising[: n - 1]
        spacing = np.diff(self.rising)
        return bool(len(high) and len(spacing) and np.median(high) > 0.5 * np.median(spacing))

    def edges(self, falling: bool) -> Ticks:
        """The edges of one direction; all where the directions are not known."""
        return self.falling if falling and self.directed else self.rising

    def both(self) -> tuple[Ticks, Ticks]:
        """All edges int64[n] strictly rising, and the level after each, 1 or 0."""
        ticks = np.concatenate((self.rising, self.falling))
        level = np.repeat(np.array([1, 0], np.int64), (len(self.rising), len(self.falling)))
        order = np.argsort(ticks, kind="stable")
        ticks, level = ticks[order], level[order]
        keep = np.diff(ticks, prepend=-1) > 0
        return ticks[keep], level[keep]

    def __str__(self) -> str:
        if not self.directed:
            return f"{self.name} ({len(self.rising)} edges)"
        return f"{self.name} ({len(self.rising)} rising, {len(self.falling)} falling edges)"


@dataclass
class Logged:
    """What a foreign file holds.

    Attributes:
        sessions: channels by name, for each stretch of one time base; most files have one.
        tick_ps: length of a tick, picoseconds.
        last: of each session, the tick at its end.
        notes: sentences that a person should see.
        traces: where edges were made of voltages.
        blur_us: standard uncertainty of an edge's time beyond the clock's step, µs.
        ids: of each session, the number by which the file calls it.
        origin: "simulated: NAME" where the file is our own export of that; else "".
    """

    sessions: list[dict[str, Channel]]
    tick_ps: int
    last: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    blur_us: float = 0.0
    ids: list[int] = field(default_factory=lambda: [1])
    origin: str = ""

    @property
    def channels(self) -> list[Channel]:
        """All channels, of the session that has most of each one's edges."""
        best: dict[str, Channel] = {}
        for session in self.sessions:
            for name, one in session.items():
                if name not in best or len(one.rising) > len(best[name].rising):
                    best[name] = one
        return list(best.values())


def simulated(text: str) -> str:
    """What an export of ours says of a simulated source; "" if it is not that."""
    match = _SIMULATED.search(text)
    return match[1].strip() if match else ""


def one_flank(text: str) -> set[str]:
    """Inputs of which an export of ours has one flank only; a pulse's end then means nothing."""
    match = _ONE_FLANK.search(text)
    return set(match[1].split()) if match else set()


def regular(path: Path) -> int:
    """Bytes of a file that can be read from its beginning to its end.

    Raises:
        UserError: there is none, or it is a pipe, a device, a folder, or empty.
    """
    try:
        about = path.stat()
    except OSError as error:
        raise UserError(f"cannot read {path}: {error.strerror}") from None
    if not stat.S_ISREG(about.st_mode):
        kind = "folder" if stat.S_ISDIR(about.st_mode) else "pipe or device"
        raise UserError(f"{path} is a {kind}, not a file: save the logger's data to a file first")
    if not about.st_size:
        raise UserError(f"{path} is empty: export it again from the logger's program")
    return about.st_size


def tick_of_rate(rate: float) -> int:
    """Length of a sample in whole picoseconds.

    Raises:
        UserError: slower than 1000 or faster than 10^12 samples a second.
    """
    if not 1e3 <= rate <= 1e12:
        raise UserError(
            f"{rate:g} samples a second cannot be used: an angle needs from 1000 to 1e12"
        )
    return round(1e12 / rate)


def unit_ps(unit: str, rate: float | None) -> Fraction:
    """Picoseconds of one unit of time.

    Raises:
        UserError: samples, and their rate is not known.
    """
    if unit != "samples":
        return Fraction(_UNITS[unit])
    if rate is None:
        raise UserError("the times count samples: give their number a second as --rate")
    tick_of_rate(rate)
    return Fraction(10**12) / Fraction(rate)


def one_clock(times: Sequence[NDArray[np.int64]], unit: int, rate: float | None) -> int:
    """Length of a tick in ps for times in whole picoseconds: the greatest that divides them all.

    Args:
        times: int64[n] each.
        unit: ps, step of the times as the file states it; 1 where it does not.
        rate: steps a second of the logger's clock, where it was said.

    Raises:
        UserError: the steps are coarser than a millisecond.
    """
    if rate is not None:
        return tick_of_rate(rate)
    step = 0
    for one in times:
        step = int(np.gcd(step, np.gcd.reduce(one))) if len(one) else step
    if step == 0 or (step > COARSEST_PS and unit > 1):
        step = unit
    if step > COARSEST_PS:
        raise UserError(
            f"its times come in steps of {step * 1e-12:g} s; an angle needs 1 ms or finer"
        )
    return max(step, _FINEST_PS)


def strictly(ticks: Ticks) -> tuple[Ticks, int]:
    """Ticks without those that are no later than the one before, and how many these were.

    Args:
        ticks: int64[n], not falling.
    """
    keep = np.ones(len(ticks), np.bool_)
    keep[1:] = np.diff(ticks) > 0
    return ticks[keep], len(ticks) - int(np.count_nonzero(keep))


def levels_to_edges(ticks: Ticks, levels: NDArray[np.bool_], before: bool | None) -> list[Ticks]:
    """Rising and falling edges of levels that hold from their times on.

    Args:
        ticks: int64[n] times.
        levels: bool[n].
        before: the level before the first of them; None: not known, so that it is no edge.
    """
    if not len(ticks):
        return [NONE, NONE]
    first = levels[0] if before is None else before
    change = np.diff(np.concatenate(([first], levels)).astype(np.int8))
    return [ticks[change > 0], ticks[change < 0]]


def chosen(logged: Logged, names: dict[str, str]) -> dict[str, str]:
    """Which channel is which input: as said, else by the inputs' own names.

    Args:
        logged: what the file holds.
        names: input: channel, as the person said.

    Raises:
        UserError: no such channel, one channel twice, or no crank or no clamp.
    """
    there = {channel.name for channel in logged.channels}
    found = {}
    for name, channel in names.items():
        if name not in wire.INPUTS:
            raise UserError(f"there is no input {name}: use {', '.join(wire.INPUTS)}")
        found[name] = _named(channel, there, logged)
    for name in wire.INPUTS:
        if name not in found and (like := _alike(name, there)) is not None:
            found[name] = like
    for channel in found.values():
        inputs = [i for i, c in found.items() if c == channel]
        if len(inputs) > 1:
            raise UserError(f"channel {channel} cannot be {' and '.join(inputs)} at once")
    if not ({"crank", "trigger"} & set(found)) or len(found) < 2:
        first, second = [*(c.name for c in logged.channels if len(c.rising)), "NAME", "NAME"][:2]
        raise UserError(
            f"say which channel is which, such as --channel crank={first} --channel "
            f"clamp_a={second}; the file has {listed(logged)}"
        )
    return found


def near_to(wanted: str, names: Iterable[str]) -> list[str]:
    """The name itself, else all of that name whatever module they stand in, capital or not."""
    names = list(names)
    return [c for c in names if c == wanted] or [
        c for c in names if c.rpartition(".")[2].lower() == wanted.lower()
    ]


def _named(wanted: str, there: set[str], logged: Logged) -> str:
    near = near_to(wanted, there)
    if len(near) == 1:
        return near[0]
    if near:
        raise UserError(f"{wanted} is more than one channel: write one of {', '.join(near)}")
    raise UserError(f"there is no channel {wanted!a}; the file has {listed(logged)}")


def _alike(name: str, there: set[str]) -> str | None:
    """The only channel that is called as an input, whatever module it stands in."""
    near = [c for c in there if c.rpartition(".")[2].lower() in (name, name.replace("_", " "))]
    return near[0] if len(near) == 1 else None


def listed(logged: Logged) -> str:
    """The channels in words, those with most edges first; at most 16."""
    channels = sorted(logged.channels, key=lambda c: -len(c.rising) - len(c.falling))
    more = f" and {len(channels) - 16} more" if len(channels) > 16 else ""
    return ", ".join(map(str, channels[:16])) + more or "no channel"
