"""One crank of the starter, as the board heard it: pulses, triggers, sparks, supply.

Bytes in, counts and outcomes out; the same bytes give the same result, live or replayed. Nothing
here needs the engine to run, nor a crank wheel that is known.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from sparkwitness.decode import wire
from sparkwitness.decode.edges import EdgeDecoder, Loss
from sparkwitness.decode.flanks import Flank, meant
from sparkwitness.timing.angle import CrankTracker, Reference

Floats = npt.NDArray[np.float64]

_NONE: Floats = np.empty(0)
NOT_MEASURED = 65535
SUPPLY_RELATIVE = 0.03
"""Expanded relative uncertainty of the board's supply reading: divider and ADC reference."""

DIP_V = 0.5
"""The supply falls by at least this much when a starter turns."""

SLOWEST_RPM, FASTEST_RPM = 60.0, 400.0
"""Cranking speeds that are believed where no crank pulse tells it; common practice, no source."""

_ENGAGE_S = 0.5
_FEWEST_PULSES = 4
_SHORTEST_S = 0.8
_TOO_MANY = 1.3
_SETTLE_REVS = 2.0  # a controller finds its place in these, and fires nothing
_BURST_SHARE = 0.4  # of the firing interval: edges within it belong to one event


@dataclass
class Cranking:
    """What the board heard. Times in seconds since the session began.

    Attributes:
        edges: input name to float64[n] times, ascending.
        beats: float64[m] ends of the intervals (about 0.1 s) that `supply` is the lowest of.
        supply: float64[m] volts; empty when not measured.
        seconds: how long it listened.
        loss: what was lost on the way.
    """

    edges: dict[str, Floats] = field(default_factory=dict)
    beats: Floats = field(default_factory=lambda: _NONE)
    supply: Floats = field(default_factory=lambda: _NONE)
    seconds: float = 0.0
    loss: Loss = field(default_factory=Loss)
    crank_rejected: int = 0
    revolutions: float | None = None
    """Of the crank, from whole periods of a typed reference; None without."""
    rpm: float | None = None


class Listener:
    """Feed bytes, then `finish`. The last session in the bytes is the one that counts."""

    def __init__(self, reference: Reference | None = None, tick_ps: int = 24_000) -> None:
        self._reference, self._tick_ps = reference, tick_ps
        self.decoder = EdgeDecoder()
        self._open(None)

    def _open(self, session: int | None) -> None:
        self._session = session
        self._ticks: list[list[npt.NDArray[np.int64]]] = [[] for _ in wire.INPUTS]
        self._flanks = [
            Flank(meant(self.decoder.hello, which)) for which in range(len(wire.INPUTS))
        ]
        self._tracker = CrankTracker(self._reference) if self._reference else None
        self._lengths: list[npt.NDArray[np.int64]] = []
        self._beats: list[tuple[int, int]] = []
        self._complete = 0

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        for batch in self.decoder.feed(data):
            if batch.session != self._session:
                self._open(batch.session)
            for message in batch.messages:
                if message.name == "hello":
                    self._tick_ps = message.fields["tick_ps"]
                elif message.name == "heartbeat":
                    self._beats.append((message.fields["time"], message.fields["supply_mv"]))
            wanted = [
                flank.feed(batch.ticks[k], batch.breaks[k], batch.levels[k])
                for k, flank in enumerate(self._flanks)
            ]
            for kept, (ticks, _) in zip(self._ticks, wanted, strict=True):
                kept.append(ticks)
            if self._tracker is not None:
                _, periods = self._tracker.feed(*wanted[0])
                self._lengths.append(periods.length)
            self._complete = batch.complete

    @property
    def seconds(self) -> float:
        """Board time heard so far."""
        return self._complete * self._tick_ps * 1e-12

    @property
    def dipped(self) -> bool:
        """Whether the supply has fallen as under a starter, or crank pulses have come."""
        volts = [mv for _, mv in self._beats if mv != NOT_MEASURED]
        low = bool(volts) and max(volts) - min(volts) > 1000 * DIP_V
        return low or any(len(ticks) for ticks in self._ticks[0])

    def finish(self) -> Cranking:
        """Judge what was held back; nothing may be fed after it."""
        self.decoder.finish()
        tick = self._tick_ps * 1e-12
        none = np.empty(0, np.int64)
        ticks = [np.concatenate([none, *kept]) for kept in self._ticks]
        known = [(at, mv) for at, mv in self._beats if mv != NOT_MEASURED]
        result = Cranking(
            {name: t * tick for name, t in zip(wire.INPUTS, ticks, strict=True)},
            np.array([at * tick for at, _ in known]),
            np.array([mv / 1000.0 for _, mv in known]),
            self.seconds,
            self.decoder.loss,
        )
        if self._tracker is not None:
            _, periods = self._tracker.feed(none, none, last=True)
            lengths = np.concatenate([none, *self._lengths, periods.length])
            result.crank_rejected = self._tracker.edges_rejected
            result.revolutions = len(lengths) / self._tracker.reference.periods_per_rev
            if len(lengths):
                result.rpm = 60.0 * result.revolutions / float(lengths.sum() * tick)
        return result


@dataclass(frozen=True)
class Engine:
    """What must be known of the engine: how many firings a lead sees per crank revolution."""

    cylinders: int
    strokes: int = 4
    reference: Reference | None = None
    wasted: bool = False

    def per_rev(self, lead: str) -> float:
        """Firings per revolution on "coil" (all cylinders) or "plug" (one)."""
        share = 1.0 if self.strokes == 2 or self.wasted else 0.5
        return share * (self.cylinders if lead == "coil" else 1)


def turning(heard: Cranking) -> tuple[float, float] | None:
    """Begin and end of the cranking, seconds: from crank pulses, else from the supply's dip.

    None where neither shows it; a few stray pulses are no cranking.
    """
    crank = heard.edges.get("crank", _NONE)
    if len(crank) >= _FEWEST_PULSES and crank[-1] - crank[0] >= _SHORTEST_S:
        return float(crank[0]), float(crank[-1])
    if len(heard.supply) >= 3:
        low = np.flatnonzero(heard.supply < heard.supply.max() - DIP_V)
        if len(low):
            first = heard.beats[low[0] - 1] if low[0] else 0.0
            return float(first), float(heard.beats[low[-1]])
    return None


def events(times: Floats, apart: float) -> Floats:
    """First edge of each event: one that comes later than a share of `apart` s after the last
    event began. Bursts fit into that (some 20° of crank); dense noise makes too many events.
    """
    first: list[float] = []
    for time in times.tolist():
        if not first or time - first[-1] > _BURST_SHARE * apart:
            first.append(time)
    return np.array(first)


@dataclass(frozen=True)
class Heard:
    """One input's verdict: events seen of those expected. `about`: expected is only a guess;
    `outcome` as the caller says, None when the edges cannot be what they should."""

    seen: int
    expected: float
    about: bool
    outcome: int | None
    sentence: str


def judge_firings(
    heard: Cranking, engine: Engine, name: str, lead: str, tap: str = "coil"
) -> Heard | None:
    """Whether an input showed every firing (0), some (1) or none (2); None: it saw noise.

    Args:
        name: input, such as "clamp_a".
        lead: "coil" when the input sees all firings, "plug" when one cylinder's.
        tap: the same of the trigger tap, whose rhythm may be what tells how many are due.
    Returns:
        None when the engine did not turn for long enough to tell.

    Expected firings come from crank pulses where the typed reference fits, else from the trigger
    tap where that has a steady rhythm, else from the time and 60 to 400 rpm.
    """
    span = turning(heard)
    if span is None:
        return None
    begin, end = span
    times = heard.edges.get(name, _NONE)
    per_rev = engine.per_rev(lead)
    rpm = heard.rpm if heard.revolutions and heard.revolutions >= 2 + _SETTLE_REVS else None
    if rpm is not None:
        rev = 60.0 / rpm
        since = begin + _SETTLE_REVS * rev
        expected = (end - since) / rev * per_rev
        found = events(times[(times > since) & (times <= end)], rev / per_rev)
        return _verdict(len(found), expected, False)
    rhythm = _rhythm(heard.edges.get("trigger", _NONE), engine.per_rev(tap))
    if rhythm is not None:
        count, since, until = rhythm
        share = per_rev / engine.per_rev(tap)
        apart = (until - since) / (count - 1) / share
        inside = times[(times > since - 0.3 * apart) & (times <= until + 0.3 * apart)]
        return _verdict(len(events(inside, apart)), count * share, False)
    slow = (end - begin) * SLOWEST_RPM / 60.0 * per_rev
    if slow < 2:
        return None
    apart = 60.0 / FASTEST_RPM / per_rev
    found = events(times, apart)
    return _verdict(len(found), max(slow, float(len(found)) if _even(found) else slow), True)


def judge_crank(heard: Cranking, engine: Engine) -> Heard | None:
    """Whether crank pulses came steadily (0), irregularly (1) or not at all (2)."""
    span = turning(heard)
    if span is None:
        return None
    count = len(heard.edges.get("crank", _NONE))
    if count == 0:
        return Heard(0, 1.0, True, 2, "no crank pulse while the supply shows the starter turning")
    if engine.reference is None:
        steady = _even(heard.edges["crank"])
        words = f"{count} crank pulses; without a typed reference only their evenness is judged"
        return Heard(count, float(count), True, 0 if steady else 1, words)
    per_rev = engine.reference.edges * engine.reference.periods_per_rev
    fitting = (heard.revolutions or 0.0) * per_rev
    share = fitting / count
    # Up to two revolutions at the start and one at the end are never whole.
    spare = min(0.5, 3.0 * per_rev / count)
    outcome = 0 if share >= 0.9 - spare and heard.revolutions else 1
    words = f"{fitting:.0f} of {count} crank pulses fit a {engine.reference} wheel"
    if heard.rpm:
        words += f", {heard.rpm:.0f} rpm"
    return Heard(round(fitting), float(count), False, outcome, words)


@dataclass(frozen=True)
class Fall:
    """Volts: at rest, lowest as the starter engages, lowest while it turns after that."""

    rest: float
    engaging: float
    turning: float


def supply_fall(heard: Cranking) -> Fall | None:
    """How far the supply fell; None if nothing turned or the supply was not measured.

    The dip while the starter engages (its first `_ENGAGE_S`) says nothing about the ignition and
    is kept apart; a meter's min-hold cannot do that.
    """
    span = turning(heard)
    if span is None or not len(heard.supply):
        return None
    beats, supply = heard.beats, heard.supply
    before = supply[(beats < span[0]) & (supply > supply.max() - DIP_V)]
    rest = float(np.median(before)) if len(before) else float(supply.max())
    inside = (beats >= span[0]) & (beats <= span[1] + 0.15)
    # An interval's reading may have begun to fall up to 0.1 s before its end.
    later = inside & (beats > span[0] + _ENGAGE_S)
    first = supply[inside] if inside.any() else supply
    return Fall(rest, float(first.min()), float((supply[later] if later.any() else first).min()))


def supply_at_triggers(heard: Cranking, name: str = "trigger") -> Floats:
    """Lowest volts of the heartbeat interval (about 0.1 s) that each edge falls in, shape (n,)."""
    times = heard.edges.get(name, _NONE)
    if not len(heard.supply):
        return _NONE
    at = np.searchsorted(heard.beats, times)
    return np.asarray(heard.supply[at[at < len(heard.supply)]])


def to_dict(heard: Cranking) -> dict[str, Any]:
    """Plain values for JSON, units in the names."""
    return {
        "seconds": heard.seconds,
        "edges": {name: len(times) for name, times in heard.edges.items()},
        "revolutions": heard.revolutions,
        "rpm": heard.rpm,
        "crank_edges_rejected": heard.crank_rejected,
        "loss": heard.loss.to_dict(),
    }


def _verdict(seen: int, expected: float, about: bool) -> Heard:
    share = seen / max(expected, 1e-9)
    if not about and seen > _TOO_MANY * expected + 2:
        words = f"{seen} events where {expected:.0f} firings can be: noise or another lead's spark"
        return Heard(seen, expected, about, None, f"{words}; move it and crank again")
    outcome = 2 if seen == 0 or share < 0.05 else 0 if share >= 0.85 else 1
    kind = "about " if about else ""
    return Heard(seen, expected, about, outcome, f"{seen} events of {kind}{expected:.0f} firings")


def _rhythm(times: Floats, per_rev: float) -> tuple[int, float, float] | None:
    """Count, begin and end of a steady run of trigger edges, so many a revolution, or None."""
    found = events(times, 60.0 / FASTEST_RPM / per_rev)
    if len(found) < 6 or not _even(found):
        return None
    return len(found), float(found[0]), float(found[-1])


def _even(times: Floats) -> bool:
    """Whether nine in ten intervals lie within a factor of 1.7 of the median (speed swings)."""
    steps = np.diff(times)
    if len(steps) < 4:
        return False
    middle = float(np.median(steps))
    return bool(np.mean((steps > middle / 1.7) & (steps < middle * 1.7)) >= 0.9)
