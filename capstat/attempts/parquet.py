"""Parquet files: columns keep their type, and what is neither number nor text becomes text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from capstat.attempts.raw import NumberColumn, RawColumn, RawTable, TextColumn, text_column

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog

__all__ = ["read_parquet"]


def read_parquet(data: bytes, file: str, log: FindingLog) -> RawTable | None:
    """Read a Parquet file; ``None`` when it cannot be used, with the reason in ``log``.

    Rows are numbered as a spreadsheet would show them, the first one below the column names as row 2.
    """
    from pyarrow import parquet  # noqa: PLC0415 - slow to load and needed for these files only

    try:
        table = parquet.read_table(pa.BufferReader(data), use_threads=False)
        columns = tuple(_column(column) for column in table.columns)
    except Exception:
        log.add(
            "error",
            "unreadable-parquet",
            "the file is damaged or is not a Parquet file",
            file=file,
            remedy="Write the file again.",
        )
        return None
    rows = np.arange(2, table.num_rows + 2, dtype=np.int64)
    return RawTable(file, tuple(table.column_names), columns, rows)


def _column(column: pa.ChunkedArray) -> RawColumn:
    kind = column.type
    if pa.types.is_boolean(kind):
        return text_column(pc.if_else(column, "yes", "no").cast(pa.string()))
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return NumberColumn(column.cast(pa.float64(), safe=False).to_numpy())
    if pa.types.is_dictionary(kind) and pa.types.is_integer(kind.value_type):
        return _column(column.cast(kind.value_type))
    if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        # Nobody's measurement; every field refuses it where it holds something.
        return TextColumn(np.where(column.is_null().to_numpy(), -1, 0).astype(np.int32), pa.array(["<binary>"]))
    return text_column(column.cast(pa.string()))
