"""Value change dump."""

import heapq
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from sparkwitness import __version__
from sparkwitness.decode import wire
from sparkwitness.errors import needed
from sparkwitness.records.export.base import PAUSE_S, ROWS, About, Files
from sparkwitness.records.tables import Columns, Piece


class VcdWriter:
    """Value change dump (IEEE 1364-2005, clause 18): an event variable per input.

    One time axis: where the recording has several sessions, each begins one second after the last
    sign of the one before.
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
        register = self._vcd.register_var
        self._inputs = [register("sparkwitness", n, "event") for n in wire.INPUTS]
        self._losses = [register("sparkwitness", f"{n}_lost_before", "event") for n in wire.INPUTS]
        self._small = {
            name: register("sparkwitness", f"{name}_{unit_of}".rstrip("_"), kind, size=64)
            for table, name, unit_of, kind in (
                ("events", "timing", "deg_btdc", "real"), ("events", "speed", "rpm", "real"),
                ("events", "sparks", "", "integer"), ("supply", "supply", "mv", "integer"),
            )
            if table in about.small
        }  # fmt: skip
        self._session = register("sparkwitness", "session", "integer", size=64)
        self._shift = self._place_sessions()
        begins = ((at, self._session, about.sessions[k].id) for k, at in enumerate(self._shift))
        small = (self._changes_of(parts) for parts in about.small.values())
        self._changes = heapq.merge(begins, *small, key=lambda change: change[0])
        self._next = next(self._changes, None)

    def _place_sessions(self) -> list[int]:
        shifts, at = [], 0
        pause = round(PAUSE_S * 1e12 / self._about.tick_ps)
        for session in self._about.sessions:
            shifts.append(at)
            at += session.last + pause
        return shifts

    def _changes_of(
        self, parts: Iterator[tuple[int, Columns]]
    ) -> Iterator[tuple[int, Any, float | int]]:
        """(tick on the axis, variable, value) of a small table, in order of time."""
        for number, columns in parts:
            names = [name for name in columns if name in self._small]
            for at in range(0, len(columns["tick"]), ROWS):
                piece = slice(at, at + ROWS)
                ticks = (columns["tick"][piece] + self._shift[number]).tolist()
                values = zip(*(columns[name][piece].tolist() for name in names), strict=True)
                for tick, row in zip(ticks, values, strict=True):
                    for name, value in zip(names, row, strict=True):
                        if value == value:  # NaN: not known, no change
                            yield tick, self._small[name], value

    def _until(self, tick: int) -> None:
        while self._next is not None and self._next[0] <= tick:
            at, var, value = self._next
            self._vcd.change(var, at * self._scale, value)
            self._next = next(self._changes, None)

    def edges(self, piece: Piece) -> None:
        shift = self._shift[piece.number]
        change, scale = self._vcd.change, self._scale
        rows = zip(piece.tick.tolist(), piece.which.tolist(), piece.lost_before.tolist(),
                   strict=True)  # fmt: skip
        for tick, which, lost in rows:
            tick += shift
            self._until(tick)
            if lost:
                change(self._losses[which], tick * scale, True)
            change(self._inputs[which], tick * scale, True)

    def close(self) -> None:
        self._until(1 << 62)
        self._vcd.close()
        self._open.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self._open.close()


def _timescale(tick_ps: int) -> tuple[int, str]:
    """VCD allows 1, 10 and 100 of a unit: the largest that divides a tick, and ticks in it."""
    for power in range(11, -1, -1):
        if tick_ps % 10**power == 0:
            unit = ("ps", "ns", "us", "ms")[power // 3]
            return tick_ps // 10**power, f"{10 ** (power % 3)} {unit}"
    raise AssertionError("unreachable: every whole number is divisible by 1")
