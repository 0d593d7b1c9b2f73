"""A file's table to a sheet: each column on its own, with a finding for each cell not understood."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from capstat.attempts.cells import Cells
from capstat.attempts.columns import plan_columns
from capstat.attempts.convert_numbers import number_cells
from capstat.attempts.convert_words import identifier_cells, word_cells, yes_no_cells
from capstat.attempts.fields import TABLES
from capstat.attempts.mapping_use import check_use
from capstat.attempts.raw import TextColumn
from capstat.attempts.sheet import Sheet

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.columns import ColumnPlan
    from capstat.attempts.field import Field, Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import Recode, TableMapping
    from capstat.attempts.raw import RawColumn, RawTable

__all__ = ["convert_table", "empty_sheet"]


def convert_table(
    raw: RawTable,
    table: Table,
    mapping: TableMapping,
    mapping_name: str,
    log: FindingLog,
    *,
    with_steps: bool = False,
    linked: bool = False,
) -> list[Sheet]:
    """Return the tables in one file: one, or attempts followed by the patients columns beside them.

    Parameters are those of `plan_columns`.  The list is empty when no column is recognised.
    """
    plan = plan_columns(raw, table, mapping, mapping_name, log, with_steps=with_steps, linked=linked)
    if plan is None:
        return []
    check_use(raw, table, mapping, mapping_name, plan.sources, log)
    sheet = _sheet(raw, table, plan, mapping, log)
    if table != "attempts":
        return [sheet]
    patients = _sheet(raw, "patients", plan, mapping, log, patient_id=sheet.frame["patient_id"])
    return [sheet, patients] if len(patients.given) > 1 else [sheet]


def empty_sheet(table: Table) -> Sheet:
    """Return a table that the study does not have."""
    no_rows = np.empty(0, dtype=np.int64)
    frame = pd.DataFrame({field.name: _empty_column(field, 0) for field in TABLES[table]})
    return Sheet(table, table, frame, no_rows)


def _sheet(
    raw: RawTable,
    table: Table,
    plan: ColumnPlan,
    mapping: TableMapping,
    log: FindingLog,
    *,
    patient_id: pd.Series | None = None,
) -> Sheet:
    data: dict[str, object] = {}
    invalid: dict[str, NDArray[np.bool_]] = {}
    given = {field.name for field in TABLES[table]} & (plan.sources.keys() | mapping.constants.keys())
    for field in TABLES[table]:
        name = field.name
        if name == "patient_id" and patient_id is not None:
            data[name] = patient_id  # converted with the attempts; twice would report every problem twice
        elif name not in given:
            data[name] = _empty_column(field, len(raw))
        else:
            column = (
                raw.columns[plan.sources[name]]
                if name in plan.sources
                else _constant(mapping.constants[name], len(raw))
            )
            bad = np.zeros(len(raw), dtype=bool)
            cells = Cells(field, raw.file, raw.rows, plan.headers.get(name), raw.comma_decimal, log, bad)
            data[name] = _converted(cells, column, mapping.recode.get(name))
            if bad.any():
                invalid[name] = bad
    frame = pd.DataFrame(data, index=pd.RangeIndex(len(raw)), copy=False)
    return Sheet(table, raw.file, frame, raw.rows, frozenset(given), plan.headers, invalid, raw.columns)


def _converted(cells: Cells, column: RawColumn, recode: Recode | None) -> pd.Series:
    field = cells.field
    values: object
    if field.numeric:
        values = number_cells(cells, column, recode)
    elif field.kind == "identifier":
        values = identifier_cells(cells, column, recode)
    elif field.kind == "category":
        values = word_cells(cells, column, recode)
    else:
        values = yes_no_cells(cells, column, recode)
    series = pd.Series(values, copy=False)
    if field.required:
        cells.remark("error", "missing-value", series.isna().to_numpy() & ~cells.bad, "the cell is empty")
    return series


def _constant(value: str, length: int) -> TextColumn:
    return TextColumn(np.zeros(length, dtype=np.int32), pa.array([value], type=pa.string()))


def _empty_column(field: Field, length: int) -> object:
    if field.numeric:
        return np.full(length, np.nan)
    if field.kind == "yes_no":
        return pd.arrays.BooleanArray(np.zeros(length, dtype=bool), np.ones(length, dtype=bool))
    nothing = np.full(length, -1, dtype=np.int8)
    return pd.Categorical.from_codes(nothing, categories=pd.Index(field.words, dtype=object))
