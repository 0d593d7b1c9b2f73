"""A table as it was found: columns of text or numbers, and the row that each record has in its file."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "LARGEST_EXACT",
    "ColumnBuilder",
    "NumberColumn",
    "RawColumn",
    "RawTable",
    "TextColumn",
    "number_text",
    "raw_from_frame",
    "spreadsheet_letter",
    "text_column",
]

LARGEST_EXACT: Final = 2.0**53
"""From here on, floating point cannot hold every whole number, so that two codes would become one."""


@dataclass(frozen=True, slots=True, eq=False)
class TextColumn:
    """Text as codes into its distinct labels, so that work on text is done once for each distinct label.

    ``codes`` is int32 with -1 for an absent cell; ``labels`` are distinct strings.
    """

    codes: NDArray[np.int32]
    labels: pa.StringArray

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.codes)


@dataclass(frozen=True, slots=True, eq=False)
class NumberColumn:
    """Numbers that were numbers in the source; NaN for an absent cell."""

    values: NDArray[np.float64]

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.values)


RawColumn = TextColumn | NumberColumn


@dataclass(frozen=True, slots=True, eq=False)
class RawTable:
    """Columns as found, before any of them is understood.

    Attributes
    ----------
    file : str
        Name for findings.
    headers : tuple of str
        Column names as written.
    columns : tuple of RawColumn
        One for each header.
    rows : ndarray of int64
        Row of each record as a spreadsheet shows it (the header is row 1).
    comma_decimal : bool
        Whether a single comma in a number is a decimal comma beyond doubt.
    """

    file: str
    headers: tuple[str, ...]
    columns: tuple[RawColumn, ...]
    rows: NDArray[np.int64]
    comma_decimal: bool = False

    def __len__(self) -> int:
        """Return the number of records."""
        return len(self.rows)


def spreadsheet_letter(index: int) -> str:
    """Return the letter that a spreadsheet shows over column ``index`` (0 is A, 26 is AA)."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


class ColumnBuilder:
    """Collects records part by part; each is encoded at once, so that no column is held as Python text."""

    __slots__ = ("_parts",)

    def __init__(self, width: int) -> None:
        self._parts: list[list[pa.Array]] = [[] for _ in range(width)]

    def add(self, records: Sequence[Sequence[str | None]]) -> None:
        """Append records, all as wide as the builder."""
        for part, cells in zip(self._parts, zip(*records, strict=True), strict=False):
            part.append(pa.array(cells, type=pa.string()).dictionary_encode())

    def columns(self) -> tuple[TextColumn, ...]:
        """Return what was collected."""
        encoded = pa.dictionary(pa.int32(), pa.string())
        return tuple(text_column(pa.chunked_array(part, type=encoded)) for part in self._parts)


def text_column(cells: pa.Array | pa.ChunkedArray) -> TextColumn:
    """Return Arrow strings as codes and distinct labels."""
    chunked = cells if isinstance(cells, pa.ChunkedArray) else pa.chunked_array([cells])
    if not pa.types.is_dictionary(chunked.type):
        chunked = chunked.dictionary_encode()
    if len(chunked) == 0:
        return TextColumn(np.empty(0, dtype=np.int32), pa.array([], type=pa.string()))
    one = chunked.unify_dictionaries().combine_chunks()
    if isinstance(one, pa.ChunkedArray):  # some versions keep a single chunk chunked
        one = one.chunk(0)
    codes = one.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int32, copy=False)
    return TextColumn(codes, one.dictionary.cast(pa.string()))


def number_text(number: float) -> str:
    """Return a number as its shortest text, whole numbers without a decimal point or exponent."""
    return str(int(number)) if number.is_integer() else repr(number)


def raw_from_frame(frame: pd.DataFrame, file: str) -> RawTable:
    """Return a pandas frame as a raw table; its first row counts as row 2, as if written to a file."""
    columns = tuple(_raw_from_series(frame.iloc[:, at]) for at in range(frame.shape[1]))
    rows = np.arange(2, len(frame) + 2, dtype=np.int64)
    return RawTable(file, tuple(map(str, frame.columns)), columns, rows)


def _raw_from_series(series: pd.Series) -> RawColumn:
    dtype = series.dtype
    if isinstance(dtype, pd.CategoricalDtype):
        labels = pa.array([str(label) for label in dtype.categories], type=pa.string())
        return TextColumn(np.asarray(series.cat.codes, dtype=np.int32), labels)
    if pd.api.types.is_bool_dtype(dtype):
        codes = np.asarray(series.astype("Int32").fillna(-1), dtype=np.int32)
        return TextColumn(codes, pa.array(["no", "yes"]))
    if pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_complex_dtype(dtype):
        values = series.to_numpy(dtype=np.float64, na_value=np.nan)
        exact = np.fmax.reduce(np.abs(values), initial=0.0) < LARGEST_EXACT
        if exact or not pd.api.types.is_integer_dtype(dtype):
            return NumberColumn(values)
    found, distinct = pd.factorize(series)
    return _distinct_text(found, [_as_text(value) for value in distinct])


def _distinct_text(codes: NDArray[np.intp], labels: list[str]) -> TextColumn:
    # Different objects may print alike (1 and "1"); labels must stay distinct.
    merged, distinct = pd.factorize(np.array(labels, dtype=object))
    codes = np.where(codes < 0, -1, merged[codes]) if len(merged) else codes
    return TextColumn(codes.astype(np.int32), pa.array(list(distinct), type=pa.string()))


def _as_text(value: object) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    if isinstance(value, dt.timedelta):
        return f"{value.total_seconds()!r} s"
    return str(value).encode("utf-8", "replace").decode("utf-8")
