"""One record for each patient, from a patients table and from columns beside the attempts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.attempts.fields import TABLES
from capstat.attempts.repeats import repeats

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts.findings import FindingLog
    from capstat.attempts.sheet import Sheet

__all__ = ["merge_patients"]

_FIELDS = TABLES["patients"][1:]


def merge_patients(table: Sheet, beside: Sheet, log: FindingLog) -> pd.DataFrame:
    """Return one row for each patient, in the order of first appearance, and report contradictions.

    Parameters
    ----------
    table : Sheet
        The patients table; it holds one record for each patient, so a second one is a contradiction or a
        surplus.
    beside : Sheet
        Columns beside the attempts; they repeat a patient's record, and only two different values contradict.
    log : FindingLog
        Receives the contradictions.
    """
    ids = [sheet.frame["patient_id"].to_numpy(dtype=object) for sheet in (table, beside)]
    codes, patients = pd.factorize(np.concatenate(ids))
    values = pd.concat([_as_numbers(table), _as_numbers(beside)], ignore_index=True)
    used = codes >= 0
    used[_report_second_records(table, codes[: len(table)], log)] = False
    for field in _FIELDS:
        if field.name in beside.given:
            places = _differences(np.where(used, codes, -1), values[field.name].to_numpy())
            _report_differences(field.name, table, beside, places, log)
    first = values[used].groupby(codes[used], sort=False).first()
    merged: dict[str, object] = {"patient_id": np.asarray(patients, dtype=object)[first.index]}
    for field in _FIELDS:
        merged[field.name] = _decoded(first[field.name].to_numpy(), table.frame[field.name])
    return pd.DataFrame(merged)


def _report_second_records(table: Sheet, codes: NDArray[np.intp], log: FindingLog) -> NDArray[np.intp]:
    """Report and return the positions of records of patients who already have one."""
    keys = pd.DataFrame({"patient": codes})
    second, first = repeats(keys, codes >= 0)
    identical = np.zeros(len(table), dtype=bool)
    identical[repeats(table.frame, codes >= 0)[0]] = True
    same = identical[second]
    table.report_repeats(
        log,
        "patient-records-differ",
        second[~same],
        first[~same],
        None,
        message="differs from row {row}, which is the same patient",
        remedy="Keep one record for each patient.",
    )
    table.report_repeats(
        log,
        "patient-record-repeated",
        second[same],
        first[same],
        None,
        message="repeats row {row}, which is the same patient",
        remedy="Keep one record for each patient.",
        severity="warning",
    )
    return second


def _differences(codes: NDArray[np.intp], column: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the positions of values that differ from the patient's first known one, and of that one."""
    known = np.flatnonzero(~np.isnan(column) & (codes >= 0))
    _, first, patient = np.unique(codes[known], return_index=True, return_inverse=True)
    of_first = known[first][patient]
    differs = column[known] != column[of_first]
    return known[differs], of_first[differs]


def _report_differences(
    name: str, table: Sheet, beside: Sheet, places: tuple[NDArray[np.intp], NDArray[np.intp]], log: FindingLog
) -> None:
    later, first = places
    rows = np.concatenate([table.rows, beside.rows])
    files = (table.file, beside.file)

    def message(at: int) -> str:
        place = f"{files[int(first[at] >= len(table))]}, row {rows[first[at]]}"
        return f"differs from {place}, which is the same patient"

    log.add_rows(
        "error",
        "patient-records-differ",
        message,
        file=beside.file,
        rows=rows[later],
        column=name,
        header=beside.headers.get(name),
        remedy="A patient has one value, the same in every row.",
    )


def _as_numbers(sheet: Sheet) -> pd.DataFrame:
    """Return every field but the identifier as numbers, categories as their codes, NaN where missing."""
    columns = {}
    for field in _FIELDS:
        if field.kind == "category":
            codes = sheet.codes(field.name).astype(np.float64)
            columns[field.name] = np.where(codes < 0, np.nan, codes)
        else:
            columns[field.name] = sheet.frame[field.name].to_numpy(dtype=np.float64, na_value=np.nan)
    return pd.DataFrame(columns)


def _decoded(values: NDArray[np.float64], like: pd.Series) -> object:
    """Undo `_as_numbers` for one column."""
    missing = np.isnan(values)
    filled = np.where(missing, 0, values)
    if isinstance(like.dtype, pd.CategoricalDtype):
        return pd.Categorical.from_codes(np.where(missing, -1, filled).astype(np.int8), dtype=like.dtype)
    return pd.arrays.BooleanArray(filled.astype(bool), missing) if like.dtype == "boolean" else values
