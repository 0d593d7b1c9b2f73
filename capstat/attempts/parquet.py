"""Parquet files: columns keep their type, and what is neither number nor text becomes text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from capstat.attempts.raw import LARGEST_EXACT, NumberColumn, RawColumn, RawTable, TextColumn, text_column

if TYPE_CHECKING:
    from capstat.attempts.findings import FindingLog

__all__ = ["read_parquet"]

_PER_SECOND: Final = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}


def read_parquet(data: bytes, file: str, log: FindingLog) -> RawTable | None:
    """Read a Parquet file; ``None`` when it cannot be used, with the reason in ``log``.

    Rows are numbered as a spreadsheet would show them, the first one below the column names as row 2.
    """
    from pyarrow import parquet  # noqa: PLC0415 - slow to load and needed for these files only

    try:
        # Read as a single file, because a data set refuses two columns of one name without saying which.
        table = parquet.ParquetFile(pa.BufferReader(data)).read(use_threads=False)
        table.validate(full=True)  # damaged text would fail later, where nobody expects it
        names = tuple(table.column_names)
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
    return RawTable(file, names, columns, rows)


def _column(column: pa.ChunkedArray) -> RawColumn:
    kind = column.type
    if pa.types.is_boolean(kind):
        return text_column(pc.if_else(column, "yes", "no").cast(pa.string()))
    if pa.types.is_integer(kind) or pa.types.is_decimal(kind):
        return _exact_numbers(column)
    if pa.types.is_floating(kind):
        return NumberColumn(column.cast(pa.float64(), safe=False).to_numpy())
    if pa.types.is_dictionary(kind) and not _is_text(kind.value_type):
        return _column(column.cast(kind.value_type))
    return _durations(column) if pa.types.is_duration(kind) else _text(column)


def _text(column: pa.ChunkedArray) -> TextColumn:
    kind = column.type
    if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        # Nobody's measurement; every field refuses it where it holds something.
        return TextColumn(np.where(column.is_null().to_numpy(), -1, 0).astype(np.int32), pa.array(["<binary>"]))
    return text_column(column.cast(pa.string()))


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def _exact_numbers(column: pa.ChunkedArray) -> RawColumn:
    """Return whole and decimal numbers; as text where floating point would lose digits of a code."""
    values = column.cast(pa.float64(), safe=False).to_numpy()
    if np.fmax.reduce(np.abs(values), initial=0.0) < LARGEST_EXACT:
        return NumberColumn(values)
    return text_column(column.cast(pa.string()))


def _durations(column: pa.ChunkedArray) -> RawColumn:
    """Return durations with their unit, so that only a field in seconds accepts them."""
    seconds = column.cast(pa.int64()).to_numpy() / _PER_SECOND[column.type.unit]
    nothing = column.is_null().to_numpy()
    texts = [None if absent else f"{float(value)!r} s" for value, absent in zip(seconds, nothing, strict=True)]
    return text_column(pa.array(texts, type=pa.string()))
