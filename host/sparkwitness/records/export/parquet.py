"""Apache Parquet."""

from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.decode import wire
from sparkwitness.errors import needed
from sparkwitness.records.export.base import About, Files, edge_columns, unit_of
from sparkwitness.records.tables import TABLES, Columns, Piece


class ParquetWriter:
    """Apache Parquet, one file per table, units and meanings in the fields' metadata."""

    def __init__(self, about: About, files: Files) -> None:
        self._arrow = needed("pyarrow", "parquet")
        self._about = about
        parquet = needed("pyarrow.parquet", "parquet")
        self._schema = {t: self._schema_of(t, about) for t in about.tables}
        self._writers = {
            t: parquet.ParquetWriter(files.new(about.path(t, ".parquet")), schema)
            for t, schema in self._schema.items()
        }
        for table, parts in about.small.items():
            for number, columns in parts:
                self._rows(table, about.whole(table, number, columns))

    def _schema_of(self, table: str, about: About) -> Any:
        pa = self._arrow
        kinds = {
            "str": pa.dictionary(pa.int8(), pa.string()), "bool": pa.bool_(), "int64": pa.int64(),
            "uint16": pa.uint16(), "int8": pa.int8(), "float64": pa.float64(),
        }  # fmt: skip
        fields = [
            pa.field(
                name, kinds[c.kind],
                nullable=c.kind == "float64" or c.unknown is not None,
                metadata={"unit": unit_of(c, about.tick_ps), "description": c.about},
            )
            for name, c in TABLES[table].items()
        ]  # fmt: skip
        return pa.schema(fields, metadata=about.meta)

    def _rows(self, table: str, columns: Columns) -> None:
        schema = self._schema[table]
        arrays = [self._array(table, name, values) for name, values in columns.items()]
        self._writers[table].write_table(self._arrow.table(arrays, schema=schema))

    def _array(self, table: str, name: str, values: NDArray[Any]) -> Any:
        """A column, null where a value is not known."""
        kind = self._schema[table].field(name).type
        known = TABLES[table][name].known(values) if values.dtype.kind in "ifu" else None
        mask = None if known is None or known.all() else ~known
        return self._arrow.array(values, kind, mask=mask)

    def edges(self, piece: Piece) -> None:
        columns: dict[str, Any] = self._about.whole("edges", piece.number, edge_columns(piece))
        columns["level"] = self._array("edges", "level", columns["level"])
        names = self._arrow.array(wire.INPUTS)
        which = self._arrow.array(piece.which.astype(np.int8))
        columns["input"] = self._arrow.DictionaryArray.from_arrays(which, names)
        schema = self._schema["edges"]
        table = self._arrow.table(list(columns.values()), schema=schema)
        self._writers["edges"].write_table(table)

    def close(self) -> None:
        for writer in self._writers.values():
            writer.close()

    def abandon(self) -> None:
        with suppress(Exception):
            self.close()
