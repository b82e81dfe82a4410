"""Parquet tables of other programs, and our own."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sparkwitness.errors import UserError, needed
from sparkwitness.records.import_ import columns
from sparkwitness.records.import_.base import Logged, Options, simulated

_TICK = re.compile(rb"(\d+) ps")


def read(path: Path, options: Options) -> Logged:
    """Edges of a Parquet table; what its columns mean is in `columns`.

    Raises:
        UserError: it is no Parquet file, or its columns' meaning cannot be told.
    """
    arrow = needed("pyarrow", "parquet")
    parquet = needed("pyarrow.parquet", "parquet")
    try:
        with parquet.ParquetFile(path) as file:
            schema = file.schema_arrow
    except (arrow.ArrowException, OSError) as error:
        raise UserError(f"{path} is no whole Parquet file: {str(error)[:100]}") from None
    usable = [f.name for f in schema if _usable(arrow, f.type)]
    if not usable:
        raise UserError(f"{path} has no column of numbers or text")

    def pieces() -> Iterator[columns.Table]:
        try:
            with parquet.ParquetFile(path) as file:
                for batch in file.iter_batches(columns=usable):
                    yield {name: _array(arrow, batch.column(name)) for name in batch.schema.names}
        except (arrow.ArrowException, OSError) as error:
            raise UserError(f"{path} is damaged: {str(error)[:100]}") from None

    tick = None
    if "tick" in schema.names:
        unit = (schema.field("tick").metadata or {}).get(b"unit", b"")
        match = _TICK.fullmatch(unit)
        tick = int(match[1]) if match else None
    logged = columns.read(columns.Source(pieces, tick), options)
    source = (schema.metadata or {}).get(b"source", b"").decode("utf-8", "replace")
    logged.origin = simulated(f"source: {source}")
    return logged


def _usable(arrow: Any, kind: Any) -> bool:
    types = arrow.types
    return bool(
        types.is_integer(kind) or types.is_floating(kind) or types.is_boolean(kind)
        or types.is_string(kind) or types.is_large_string(kind) or types.is_dictionary(kind)
        or types.is_decimal(kind) or kind == getattr(arrow, "string_view", lambda: None)()
    )  # fmt: skip


def _array(arrow: Any, column: Any) -> NDArray[Any]:
    types = arrow.types
    if types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if types.is_decimal(column.type):
        column = column.cast(arrow.float64())
    if types.is_integer(column.type) and not column.null_count:
        values: NDArray[Any] = column.cast(arrow.int64()).to_numpy(zero_copy_only=False)
        return values
    if types.is_integer(column.type) or types.is_floating(column.type):
        column = column.cast(arrow.float64())
        return np.asarray(column.to_numpy(zero_copy_only=False), np.float64)
    if types.is_boolean(column.type):
        return np.asarray(column.to_numpy(zero_copy_only=False), np.bool_)
    return np.asarray(column.to_pylist(), np.str_)
