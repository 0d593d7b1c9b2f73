"""Excel workbooks: values only, formulas are never calculated."""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
from itertools import islice, repeat
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.attempts.delimited import MOST_COLUMNS
from capstat.attempts.raw import ColumnBuilder, RawTable, number_text
from capstat.attempts.worksheets import SheetTop, choose_sheets, sheet_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from collections.abc import Set as AbstractSet

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog

__all__ = ["read_workbook"]

_LARGEST_UNPACKED: Final = 2_000_000_000
_ROWS_AT_ONCE: Final = 20_000
_FORMULA: Final = "="
"""Stands for a formula that was saved without its value; every field refuses it."""


def read_workbook(
    data: bytes, file: str, wanted: Sequence[Table], names: AbstractSet[str], log: FindingLog
) -> dict[Table, RawTable]:
    """Read the sheets that hold the tables in ``wanted``; parameters as for `choose_sheets`.

    The result is empty when the workbook cannot be used, with the reason in ``log``.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            if unpacked > _LARGEST_UNPACKED:
                log.add(
                    "error",
                    "too-large",
                    "the workbook unpacks to more than 2 GB",
                    file=file,
                    remedy="Save it as CSV.",
                )
                return {}
            sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
            formulas = any(_has_formulas(archive, name) for name in sheets)
        with warnings.catch_warnings():
            # Said about decoration, such as drop-down lists, that holds no values.
            warnings.simplefilter("ignore")
            book = _Book(data, formulas=formulas)
            chosen = choose_sheets(book.tops(), wanted, names, file, log)
            return {
                name: table
                for name, sheet in chosen.items()
                if (table := _table(book.records(sheet), sheet_name(file, sheet), log)) is not None
            }
    except Exception:
        log.add(
            "error",
            "unreadable-workbook",
            "the workbook is damaged or is not an Excel workbook",
            file=file,
            remedy="Open it in a spreadsheet program and save it as .xlsx or as CSV.",
        )
        return {}


def _has_formulas(archive: zipfile.ZipFile, name: str) -> bool:
    with archive.open(name) as sheet:
        end = b""
        while part := sheet.read(1_000_000):
            if b"<f" in end + part:
                return True
            end = part[-1:]
    return False


class _Book:
    """A workbook that is read row by row."""

    __slots__ = ("_values", "_written")

    def __init__(self, data: bytes, *, formulas: bool) -> None:
        from openpyxl import load_workbook  # noqa: PLC0415 - slow to load and needed for workbooks only

        self._values = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        self._written = load_workbook(io.BytesIO(data), read_only=True, keep_links=False) if formulas else None

    def tops(self) -> list[SheetTop]:
        """Return the title and the column names of each sheet."""
        return [
            SheetTop(at, sheet.title, tuple(name or "" for name in _first_filled(_records(sheet, None))[1]))
            for at, sheet in enumerate(self._values.worksheets, start=1)
        ]

    def records(self, sheet: SheetTop) -> Iterator[list[str | None]]:
        """Yield the rows of a sheet as text."""
        written = None if self._written is None else self._written.worksheets[sheet.position - 1]
        return _records(self._values.worksheets[sheet.position - 1], written)


def _records(values: object, written: object | None) -> Iterator[list[str | None]]:
    """Yield the rows of a sheet as text; ``written`` is the sheet with formulas in place of values."""
    formula_rows = repeat(()) if written is None else _rows(written)
    for row, formula_row in zip(_rows(values), formula_rows, strict=False):
        record = [_cell_text(value) for value in row]
        for at, formula in enumerate(formula_row):
            if at < len(record) and record[at] is None and formula is not None:
                record[at] = _FORMULA
        yield record


def _rows(sheet: object) -> Iterator[tuple[object, ...]]:
    sheet.reset_dimensions()  # type: ignore[attr-defined] # the stated size may be wrong, or a million empty rows
    return sheet.iter_rows(values_only=True)  # type: ignore[attr-defined, no-any-return]


def _table(records: Iterator[list[str | None]], file: str, log: FindingLog) -> RawTable | None:
    header_row, header = _first_filled(records)
    width = len(_trimmed(header))
    if not width:
        log.add("error", "empty-file", "the sheet is empty", file=file, remedy="Fill it in or delete it.")
        return None
    if width > MOST_COLUMNS:
        log.add("error", "too-many-columns", f"there are {width:,} columns", file=file, row=header_row)
        return None
    builder, rows, row = ColumnBuilder(width), [], header_row
    while part := list(islice(records, _ROWS_AT_ONCE)):
        kept = []
        for record in part:
            row += 1
            if not _filled(record):
                continue
            if _filled(record[width:]):
                log.add(
                    "error",
                    "ragged-row",
                    "has a value to the right of the last column name",
                    file=file,
                    row=row,
                    remedy="Name the column in the first row or clear the cell.",
                )
                continue
            kept.append([*record[:width], *repeat(None, width - len(record))])
            rows.append(row)
        builder.add(kept)
    names = tuple((name or "").strip() for name in header[:width])
    return RawTable(file, names, builder.columns(), np.array(rows, dtype=np.int64))


def _first_filled(records: Iterator[list[str | None]]) -> tuple[int, list[str | None]]:
    """Return the number and the cells of the first row that holds something."""
    return next(((at, record) for at, record in enumerate(records, start=1) if _filled(record)), (0, []))


def _filled(record: Sequence[str | None]) -> bool:
    return any(cell is not None and not cell.isspace() and cell for cell in record)


def _trimmed(record: list[str | None]) -> list[str | None]:
    width = len(record)
    while width and not _filled(record[width - 1 : width]):
        width -= 1
    return record[:width]


def _cell_text(value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        text = number_text(value) if np.isfinite(value) else str(value)
        # One more digit, because three alone may be thousands where other cells have decimal commas.
        return f"{text}0" if re.fullmatch(r"-?[0-9]+\.[0-9]{3}", text) else text
    if isinstance(value, dt.timedelta):
        return f"{value.total_seconds()!r} s"
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        return value.date().isoformat()
    return str(value)
