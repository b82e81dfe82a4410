"""Edges of voltages: a threshold with hysteresis, both found where they are not said."""

from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError
from sparkwitness.records.import_.base import Channel, Floats, Options, Trace

BLOCK_S = 0.25
_MOST_POINTS = 4000  # of a trace
Block = tuple[Floats, NDArray[np.float64]]
"""Times float64[n] in ps, and values float64[n, channels]."""


class Levels:
    """How far a voltage goes from where it rests, in most quarters of a second."""

    def __init__(self) -> None:
        self._rest: list[float] = []
        self._up: list[float] = []
        self._down: list[float] = []

    def take(self, values: Floats) -> None:
        rest = float(np.median(values))
        self._rest.append(rest)
        self._up.append(float(values.max()) - rest)
        self._down.append(rest - float(values.min()))

    def found(self) -> tuple[float, float, bool]:
        """Threshold, hysteresis, and whether pulses go down.

        Half way from the rest to what nine in ten stretches stay below, so that one spike does not
        set it; a quarter of the way on each side for noise.
        """
        rest = float(np.median(self._rest))
        up, down = (float(np.percentile(side, 90)) for side in (self._up, self._down))
        low = down > 1.2 * up
        height = -down if low else up
        return rest + 0.5 * height, abs(0.5 * height), low


class Trigger:
    """An edge is where the voltage crosses the threshold, if it then goes on by half the hysteresis
    and has come from as far on the other side.

    The time is where the straight line between two samples crosses.
    """

    def __init__(self, threshold: float, hysteresis: float) -> None:
        self.threshold = threshold
        self.upper = threshold + hysteresis / 2
        self.lower = threshold - hysteresis / 2
        self._high: bool | None = None
        self._before: tuple[float, float] | None = None
        self._crossed = [0.0, 0.0]  # last times, upwards and downwards

    def feed(self, time: Floats, value: Floats) -> tuple[Floats, Floats]:
        """Times of the rising and of the falling edges in the next samples.

        Args:
            time: float64[n] rising.
            value: float64[n].
        """
        if self._before is not None:
            time = np.concatenate(([self._before[0]], time))
            value = np.concatenate(([self._before[1]], value))
        self._before = float(time[-1]), float(value[-1])
        # 1 and 0 where it is sure; between the levels the one before holds.
        state = np.where(value >= self.upper, 1, np.where(value <= self.lower, 0, -1))
        at = np.maximum.accumulate(np.where(state >= 0, np.arange(len(state)), -1))
        before = -1 if self._high is None else int(self._high)
        state = np.where(at >= 0, state[at], before)
        if state[-1] >= 0:
            self._high = bool(state[-1])
        change = np.flatnonzero((state[1:] != state[:-1]) & (state[:-1] >= 0))
        above = value >= self.threshold
        return (
            self._times(0, time, value, ~above[:-1] & above[1:], change[state[change + 1] == 1]),
            self._times(1, time, value, above[:-1] & ~above[1:], change[state[change + 1] == 0]),
        )

    def _times(
        self,
        way: int,
        time: Floats,
        value: Floats,
        crossing: NDArray[np.bool_],
        switched: NDArray[np.int64],
    ) -> Floats:
        """When the threshold was crossed last before each switch, perhaps in an earlier piece."""
        at = np.flatnonzero(crossing)
        share = (self.threshold - value[at]) / (value[at + 1] - value[at])
        crossed = np.concatenate(
            ([self._crossed[way]], time[at] + share * (time[at + 1] - time[at]))
        )
        self._crossed[way] = float(crossed[-1])
        found: Floats = crossed[np.searchsorted(at, switched, side="right")]
        return found


def edges(
    blocks: Callable[[], Iterable[Block]], names: Sequence[str], options: Options
) -> tuple[list[tuple[Channel, Floats, Floats]], list[Trace]]:
    """Edges of all channels of a sampled file, in two passes through its blocks.

    Returns:
        (channel without edges yet, times in ps of its rising, of its falling edges), and a
        stretch of each for a picture.

    Raises:
        UserError: a threshold for a channel that is not there.
    """
    for name in (*options.threshold, *options.hysteresis):
        if name not in names:
            raise UserError(f"there is no channel {name!a}; the file has {', '.join(names)}")
    levels = [Levels() for _ in names]
    for _, values in blocks():
        for k, one in enumerate(levels):
            one.take(values[:, k])
    triggers, channels = [], []
    for name, one in zip(names, levels, strict=True):
        threshold, hysteresis, down = one.found()
        if name in options.threshold:
            wanted = options.threshold[name]
            # As far to each side as half the way from the rest: the rest is half a way off.
            rest = threshold + (0.5 if down else -0.5) * abs(hysteresis) * 2
            down, threshold = wanted < rest, wanted
            hysteresis = abs(wanted - rest)
        hysteresis = options.hysteresis.get(name, hysteresis)
        triggers.append((Trigger(threshold, hysteresis), threshold, hysteresis))
        channels.append(Channel(name, goes_down=down))
    found: list[tuple[list[Floats], list[Floats]]] = [([], []) for _ in names]
    shown: list[tuple[int, Trace]] = [
        (-1, Trace(name, np.empty(0), np.empty(0), t[1], t[2]))
        for name, t in zip(names, triggers, strict=True)
    ]
    for time, values in blocks():
        counts = []
        for k, (trigger, _, _) in enumerate(triggers):
            rises, falls = trigger.feed(time, values[:, k])
            found[k][0].append(rises)
            found[k][1].append(falls)
            counts.append(len(rises) + len(falls))
        if counts and sum(counts) > 0 and min(counts) > min(n for n, _ in shown):
            part = slice(0, _MOST_POINTS)
            shown = [
                (n, Trace(t.channel, time[part] * 1e-12, values[part, k].copy(), t.threshold,
                          t.hysteresis))
                for k, (n, (_, t)) in enumerate(zip(counts, shown, strict=True))
            ]  # fmt: skip
    made = [
        (channel, np.concatenate([np.empty(0), *up]), np.concatenate([np.empty(0), *down]))
        for channel, (up, down) in zip(channels, found, strict=True)
    ]
    return made, [trace for n, trace in shown if n >= 0]


def in_blocks(parts: Iterable[Block], length: int) -> Iterator[Block]:
    """The same samples in blocks of `length`, the last one shorter."""
    held: list[Block] = []
    count = 0
    for part in parts:
        held.append(part)
        count += len(part[0])
        if count >= length:
            time = np.concatenate([t for t, _ in held])
            values = np.concatenate([v for _, v in held])
            whole = count - count % length
            for at in range(0, whole, length):
                yield time[at : at + length], values[at : at + length]
            held, count = [(time[whole:], values[whole:])], count - whole
    if count:
        yield np.concatenate([t for t, _ in held]), np.concatenate([v for _, v in held])
