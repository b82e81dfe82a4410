"""Value change dump."""

import heapq
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness import __version__
from sparkwitness.decode import wire
from sparkwitness.decode.flanks import UNKNOWN
from sparkwitness.errors import needed
from sparkwitness.records.export.base import ROWS, About, Files
from sparkwitness.records.tables import SECONDS, TABLES, Columns, Piece

_PULSE_S = 20e-6
_FAR = 1 << 48  # ticks; beyond any recording
_TIMES = ("tick", "last_spark_tick")


class VcdWriter:
    """Value change dump (IEEE 1364-2005, clause 18): a wire per input, reals for the events.

    Where one flank is stamped, an edge is the rise of a pulse of 20 us, or of half the time to the
    next edge where that is shorter; where both are, the wire has the input's levels. Wires are x
    where nobody watched: before a session and after its last sign. Reals are NaN until the first
    value, and where one is not known.

    One axis of time: each session begins a second after the last sign of the one before.
    """

    def __init__(self, about: About, files: Files) -> None:
        vcd = needed("vcd", "vcd")
        self._about = about
        self._scale, unit = _timescale(about.tick_ps)
        self._open = open(  # noqa: SIM115
            files.new(about.stem.with_name(f"{about.stem.name}.vcd")), "w", encoding="utf-8"
        )
        comment = "; ".join(f"{k}: {v}" for k, v in about.meta.items())
        self._vcd = vcd.VCDWriter(
            self._open, timescale=unit, date=about.meta["recorded"], comment=comment,
            version=f"sparkwitness {__version__}", check_values=False,
        )  # fmt: skip

        def register(name: str, kind: str, init: Any) -> Any:
            return self._vcd.register_var("sparkwitness", name, kind, size=1 if kind == "wire" else
                                          64, init=init)  # fmt: skip

        names = wire.INPUTS
        self._wires = [register(name, "wire", "x") for name in names]
        self._wires += [register(f"{name}_lost_before", "wire", "x") for name in names]
        unknown = float("nan")
        self._small = {
            (table, name): register(name, "real", unknown)
            for table in about.small
            for name, column in TABLES[table].items()
            if name not in (*_TIMES, *SECONDS) and column.kind in ("int64", "float64")
        }
        session = register("session", "real", unknown)
        self._shift = about.shifts
        self._pulse = max(1, round(_PULSE_S * 1e12 / about.tick_ps))
        none = np.empty(0, np.int64)
        self._held: list[NDArray[Any]] = [none, none, none.astype(np.int8), none.astype(np.bool_)]
        self._falls: list[NDArray[Any]] = [none, none, none]  # ends of pulses: time, wire, value
        small = [self._changes_of(table, parts) for table, parts in about.small.items()]
        begins = ((at, 1, session, about.sessions[k].id) for k, at in enumerate(self._shift))
        low, unseen = (0,) * len(names), ("x",) * len(names)
        watched = (
            (tick, 0, var, level)
            for session_of, at in zip(about.sessions, self._shift, strict=True)
            for tick, levels in (
                (at, (*(level or 0 for level in session_of.levels), *low)),
                (at + session_of.last + self._pulse + 1, (*unseen, *unseen)),
            )
            for var, level in zip(self._wires, levels, strict=True)
        )
        self._changes = heapq.merge(begins, watched, *small, key=lambda change: change[:2])
        self._next = next(self._changes, None)

    def _changes_of(
        self, table: str, parts: Iterator[tuple[int, Columns]]
    ) -> Iterator[tuple[int, int, Any, Any]]:
        """(tick on the axis, rank, variable, value) of a small table, in order of time."""
        for number, columns in parts:
            names = [name for name in columns if (table, name) in self._small]
            for at in range(0, len(columns["tick"]), ROWS):
                piece = slice(at, at + ROWS)
                ticks = (columns["tick"][piece] + self._shift[number]).tolist()
                plain = []
                for name in names:
                    values = columns[name][piece]
                    known = TABLES[table][name].known(values)
                    plain.append(np.where(known, values, np.nan).tolist())
                for tick, *row in zip(ticks, *plain, strict=True):
                    for name, value in zip(names, row, strict=True):
                        yield tick, 2, self._small[table, name], value

    def _until(self, time: int) -> None:
        """Write what comes before or at a time, in units of the file."""
        while self._next is not None and self._next[0] * self._scale <= time:
            at, _, var, value = self._next
            self._vcd.change(var, at * self._scale, value)
            self._next = next(self._changes, None)

    def edges(self, piece: Piece) -> None:
        """The next edges; those whose pulse a later one may shorten are held back."""
        if len(piece.tick):
            tick = piece.tick + self._shift[piece.number]
            held: list[NDArray[Any]] = [tick, piece.which, piece.level, piece.lost_before]
            self._held = [np.concatenate(pair) for pair in zip(self._held, held, strict=True)]
            self._write(int(tick[-1]) - 2 * self._pulse)

    def _write(self, before: int) -> None:
        """Write the held edges before a tick, and the ends of pulses."""
        tick, which, level, lost = self._held
        ready = tick < before
        end = np.full(len(tick), _FAR, np.int64)
        for i in range(len(wire.INPUTS)):
            mine = np.flatnonzero(which == i)
            end[mine[:-1]] = tick[mine[1:]]
        # Half the way to the next edge, or the pulse's length, in units of the file.
        up = tick * self._scale
        down = up + np.minimum(end - tick, 2 * self._pulse) * self._scale // 2
        pulse = level == UNKNOWN
        n = len(wire.INPUTS)
        parts = [self._falls]
        for some, var, times, value in (
            (ready, which, up, np.where(pulse, 1, level)), (ready & pulse, which, down, None),
            (ready & lost, which + n, up, np.ones(len(tick), np.int64)),
            (ready & lost, which + n, down, None),
        ):  # fmt: skip
            values = np.zeros(len(tick), np.int64) if value is None else value
            parts.append([times[some], var[some], values[some]])
        changes = [np.concatenate(column) for column in zip(*parts, strict=True)]
        later = changes[0] >= min(before, _FAR) * self._scale
        self._held = [column[~ready] for column in self._held]
        self._falls = [column[later] for column in changes]
        time, var, value = (column[~later] for column in changes)
        order = np.lexsort((value, time))
        rows = zip(*(x[order].tolist() for x in (time, var, value)), strict=True)
        change = self._vcd.change
        for at, k, new in rows:
            self._until(at)
            change(self._wires[k], at, new)

    def close(self) -> None:
        self._write(_FAR)
        self._until(_FAR * self._scale)
        self._vcd.close()
        self._open.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self._open.close()


def _timescale(tick_ps: int) -> tuple[int, str]:
    """VCD allows 1, 10 and 100 of a unit: the largest of which a tick has two or more, and how
    many, so that a pulse ends before the next tick.
    """
    for power in range(11, -1, -1):
        if tick_ps % 10**power == 0 and tick_ps // 10**power > 1:
            unit = ("ps", "ns", "us", "ms")[power // 3]
            return tick_ps // 10**power, f"{10 ** (power % 3)} {unit}"
    return 1000, "1 fs"  # a tick of 1 ps
