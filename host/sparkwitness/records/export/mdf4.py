"""ASAM MDF 4."""

from contextlib import suppress
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.errors import needed
from sparkwitness.records.export.base import About, Files, edge_columns, unit_of
from sparkwitness.records.tables import SECONDS, TABLES, Columns, Piece

_NOT_HERE = {"input", *SECONDS}  # said by the group; on its axis of time


class Mdf4Writer:
    """ASAM MDF 4.10: a channel group per input and table, all sessions on one axis of time.

    The channels' names begin with the group's, so that each is there once.
    """

    def __init__(self, about: About, files: Files) -> None:
        self._asammdf = needed("asammdf", "mdf4")
        self._about = about
        self._path = files.new(about.stem.with_name(f"{about.stem.name}.mf4"))
        self._mdf = self._asammdf.MDF(version="4.10")
        self._mdf.header.start_time = datetime.fromisoformat(about.meta["recorded"])
        self._mdf.header.comment = "; ".join(f"{k}: {v}" for k, v in about.meta.items())
        self._groups: dict[str, int] = {}
        for table, parts in about.small.items():
            for number, columns in parts:
                if len(columns["tick"]):
                    self._add(table, table, about.whole(table, number, columns))

    def _signal(self, group: str, table: str, name: str, values: NDArray[Any], time: Any) -> Any:
        column = TABLES[table][name]
        known = column.known(values) if values.dtype.kind in "if" else None
        if values.dtype == np.bool_:
            values = values.astype(np.uint8)
        return self._asammdf.Signal(
            values, time, name=f"{group}_{name}", comment=column.about,
            unit=unit_of(column, self._about.tick_ps), master_metadata=(f"{group}_time", 1),
            invalidation_bits=None if known is None else ~known,
        )  # fmt: skip

    def _add(self, group: str, table: str, columns: Columns) -> None:
        """Rows to a channel group, made when its first rows come."""
        time = columns["time_s"]
        signals = [
            self._signal(group, table, name, values, time)
            for name, values in columns.items()
            if name not in _NOT_HERE
        ]
        if group in self._groups:
            more = [(time, None), *((s.samples, s.invalidation_bits) for s in signals)]
            self._mdf.extend(self._groups[group], more)
        else:
            self._groups[group] = len(self._groups)
            self._mdf.append(signals, acq_name=group, comment=group, common_timebase=True)

    def edges(self, piece: Piece) -> None:
        whole = self._about.whole("edges", piece.number, edge_columns(piece))
        for which in np.unique(piece.which).tolist():
            mine = piece.which == which
            self._add(wire.INPUTS[which], "edges", {n: v[mine] for n, v in whole.items()})

    def close(self) -> None:
        # asammdf gives the file the suffix it wants, so write beside and rename.
        with open(self._path, "wb+") as file:
            self._mdf.save(file, compression=2)
        self._mdf.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self._mdf.close()
