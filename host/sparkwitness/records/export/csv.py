"""Comma-separated values."""

import csv
import json
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.records.export.base import ROWS, About, Files, edge_columns, unit_of
from sparkwitness.records.tables import (
    TABLES,
    Column,
    Columns,
    Piece,
)


class CsvWriter:
    """Comma-separated values, one file per table, with a description of the columns beside it.

    The description follows W3C's Metadata Vocabulary for Tabular Data (2015).
    """

    def __init__(self, about: About, files: Files) -> None:
        self._about = about
        self._open: dict[str, Any] = {}
        self._csv: dict[str, Any] = {}
        for table in about.tables:
            path = about.path(table, ".csv")
            file = open(files.new(path), "w", encoding="utf-8", newline="")  # noqa: SIM115
            self._open[table] = file
            self._csv[table] = csv.writer(file, lineterminator="\n")
            self._csv[table].writerow(TABLES[table])
            beside = files.new(path.with_name(f"{path.name}-metadata.json"))
            beside.write_text(json.dumps(self._metadata(table, path.name), indent=2))
        for table, parts in about.small.items():
            for number, columns in parts:
                self._rows(table, number, columns)

    def _metadata(self, table: str, name: str) -> dict[str, Any]:
        types = {
            "int64": "integer", "uint16": "integer", "int8": "integer", "float64": "double",
            "str": "string",
        }  # fmt: skip
        return {
            "@context": "http://www.w3.org/ns/csvw",
            "url": name,
            "dc:description": "; ".join(f"{k}: {v}" for k, v in self._about.meta.items()),
            "tableSchema": {
                "columns": [
                    {
                        "name": key, "datatype": types.get(c.kind, "boolean"),
                        "dc:description": c.about,
                        **({"schema:unitText": unit_of(c, self._about.tick_ps)} if c.unit else {}),
                    }
                    for key, c in TABLES[table].items()
                ]
            },
        }  # fmt: skip

    def _rows(self, table: str, number: int, columns: Columns) -> None:
        whole = self._about.whole(table, number, columns)
        for at in range(0, len(columns["tick"]), ROWS):
            plain = [
                _plain(TABLES[table][name], values[at : at + ROWS])
                for name, values in whole.items()
            ]
            self._csv[table].writerows(zip(*plain, strict=True))

    def edges(self, piece: Piece) -> None:
        self._rows("edges", piece.number, edge_columns(piece))

    def close(self) -> None:
        for file in self._open.values():
            file.close()

    def abandon(self) -> None:
        with suppress(OSError):
            self.close()


def _plain(column: Column, values: NDArray[Any]) -> list[Any]:
    """Values as CSV on the Web spells them: true and false, nothing where they are not known."""
    if values.dtype == np.bool_:
        values = np.where(values, "true", "false")
    plain: list[Any] = values.tolist()
    known = column.known(values)
    if known.all():
        return plain
    return [v if k else "" for v, k in zip(plain, known.tolist(), strict=True)]
