"""Value change dumps (IEEE 1364-2005, clause 18): wires of one bit, and events."""

from pathlib import Path
from typing import Any

import numpy as np

from sparkwitness.errors import UserError, needed
from sparkwitness.records.import_.base import (
    MOST_TICKS,
    Channel,
    Logged,
    Options,
    Ticks,
    levels_to_edges,
    one_clock,
    one_flank,
    simulated,
    strictly,
)

_UNIT_FS = {"s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3, "fs": 1}
_LEVEL = {"0": 0, "1": 1, "l": 0, "h": 1}  # all else is not known
_UNKNOWN = -1


class _Var:
    """Changes of one variable as they come."""

    def __init__(self, name: str, event: bool) -> None:
        self.name, self.event = name, event
        self.time: list[int] = []
        self.level: list[int] = []

    def channel(self, pulses: bool) -> Channel:
        """Its edges, in units of the file's time; a change from or to unknown is none.

        Args:
            pulses: only the rises are edges.
        """
        time = np.array(self.time, np.int64)
        if self.event:
            return Channel(self.name, time, directed=False)
        level = np.array(self.level, np.int8)
        known = level >= 0
        edge = np.zeros(len(level), np.bool_)
        edge[1:] = known[1:] & known[:-1]
        rising, falling = levels_to_edges(time, level == 1, None)
        rising, falling = (e[np.isin(e, time[edge])] for e in (rising, falling))
        if pulses:
            return Channel(self.name, rising, directed=False)
        return Channel(self.name, rising, falling)


def read(path: Path, options: Options) -> Logged:
    """Edges of a dump's wires.

    Raises:
        UserError: it is no dump, damaged, or its times fall.
    """
    reader = needed("vcd.reader", "vcd")
    try:
        with open(path, "rb") as file:
            unit, variables, last, comment = _changes(path, reader.tokenize(file))
    except (reader.VCDParseError, UnicodeDecodeError, ValueError, OverflowError) as error:
        raise UserError(
            f"{path} is no value change dump, or it is damaged: {str(error)[:100]}"
        ) from None
    if not variables:
        raise UserError(f"{path} has no wire of one bit: export the logic channels")
    pulses = one_flank(comment)
    channels = [one.channel(one.name.rpartition(".")[2] in pulses) for one in variables]
    scale, divide = max(1, unit // 1000), max(1, 1000 // unit)
    if last // divide > MOST_TICKS // scale:
        raise UserError(f"{path} ends {last * unit * 1e-15:.3g} s after 0: its times are damaged")
    every: list[Ticks] = [t // divide * scale for c in channels for t in (c.rising, c.falling)]
    tick = one_clock(every, scale, options.rate)
    merged = 0
    for channel in channels:
        for name in ("rising", "falling"):
            picoseconds: Ticks = getattr(channel, name) // divide * scale
            ticks, double = strictly((picoseconds + tick // 2) // tick)
            setattr(channel, name, ticks)
            merged += double
    notes = []
    if merged:
        notes.append(f"{merged} edges closer than {tick / 1000:g} ns to the one before left out")
    end = last // divide * scale // tick
    return Logged([{c.name: c for c in channels}], tick, [end], notes, origin=simulated(comment))


def _changes(path: Path, tokens: Any) -> tuple[int, list[_Var], int, str]:
    """Femtoseconds of a unit, the variables in order, the last time, and the comments."""
    unit, now, scope, comment = 1000, 0, [], ""
    by_code: dict[str, list[_Var]] = {}
    for token in tokens:
        kind, data = token.kind.name, token.data
        if kind == "CHANGE_SCALAR":
            for var in by_code.get(data.id_code, ()):
                var.time.append(now)
                var.level.append(_LEVEL.get(data.value.lower(), _UNKNOWN))
        elif kind == "CHANGE_TIME":
            if data < now:
                raise UserError(f"{path} is damaged: its time goes back from {now} to {data}")
            if data > MOST_TICKS:
                raise UserError(f"{path} has a time of {data}: its times are damaged")
            now = data
        elif kind == "CHANGE_VECTOR" and data.id_code in by_code:
            for var in by_code[data.id_code]:
                var.time.append(now)
                var.level.append(data.value if data.value in (0, 1) else _UNKNOWN)
        elif kind == "TIMESCALE":
            unit = int(data.magnitude) * _UNIT_FS[data.unit.value]
        elif kind == "COMMENT":
            comment += data
        elif kind == "SCOPE":
            scope.append(data.ident)
        elif kind == "UPSCOPE" and scope:
            scope.pop()
        elif kind == "VAR" and data.size == 1 and data.type_.value not in ("real", "realtime"):
            var = _Var(".".join((*scope, data.ref_str)), data.type_.value == "event")
            by_code.setdefault(data.id_code, []).append(var)
    return unit, [v for same in by_code.values() for v in same], now, comment
