"""ASAM MDF 4."""

from contextlib import suppress
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.errors import needed
from sparkwitness.records.export.base import About, Files, unit_of
from sparkwitness.records.tables import TABLES, Column, Columns, Piece


class Mdf4Writer:
    """ASAM MDF 4.10: a channel group per session and input, its own tick channel in each."""

    def __init__(self, about: About, files: Files) -> None:
        self._asammdf = needed("asammdf", "mdf4")
        self._about = about
        self._path = files.new(about.stem.with_name(f"{about.stem.name}.mf4"))
        self._mdf = self._asammdf.MDF(version="4.10")
        self._mdf.header.start_time = datetime.fromisoformat(about.meta["recorded"])
        self._mdf.header.comment = "; ".join(f"{k}: {v}" for k, v in about.meta.items())
        self._groups: dict[tuple[int, str], int] = {}
        for table, parts in about.small.items():
            for number, columns in parts:
                if len(columns["tick"]):
                    session = about.sessions[number].id
                    self._add((number, table), f"{table}, session {session}", table, columns)

    def _signal(self, name: str, column: Column, values: NDArray[Any], time: Any) -> Any:
        if values.dtype == np.bool_:
            values = values.astype(np.uint8)
        return self._asammdf.Signal(
            values, time, name=name, comment=column.about,
            unit=unit_of(column, self._about.tick_ps),
        )  # fmt: skip

    def _add(self, key: tuple[int, str], title: str, table: str, columns: Columns) -> None:
        """Rows to a channel group, made when its first rows come."""
        time = columns["tick"] * (self._about.tick_ps * 1e-12)
        prefix = f"{key[1]}_" if table == "edges" else ""
        signals = [
            self._signal(prefix + name, TABLES[table][name], values, time)
            for name, values in columns.items()
            if name != "session"
        ]
        if key in self._groups:
            more = [(time, None), *((signal.samples, None) for signal in signals)]
            self._mdf.extend(self._groups[key], more)
        else:
            self._groups[key] = len(self._groups)
            self._mdf.append(signals, acq_name=title, comment=title, common_timebase=True)

    def edges(self, piece: Piece) -> None:
        for which in np.unique(piece.which).tolist():
            mine = piece.which == which
            columns = {"tick": piece.tick[mine], "lost_before": piece.lost_before[mine]}
            name = wire.INPUTS[which]
            self._add((piece.number, name), f"{name}, session {piece.session}", "edges", columns)

    def close(self) -> None:
        # asammdf gives the file the suffix it wants, so write beside and rename.
        with open(self._path, "wb+") as file:
            self._mdf.save(file, compression=2)
        self._mdf.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self._mdf.close()
