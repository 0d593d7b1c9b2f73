"""A study as the files that it could have been read from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from capstat.attempts.fields import TABLES
from capstat.output import csv_text

if TYPE_CHECKING:
    from capstat.attempts.field import Table
    from capstat.attempts.study import Study

__all__ = ["study_to_csv_texts"]


def study_to_csv_texts(study: Study) -> dict[str, str]:
    """Return file names and CSV texts that `read_study` turns into the same tables again.

    Columns in which nothing is recorded are left out unless they are required.
    """
    codes = study.attempts["attempt_id"].to_numpy(dtype=object)
    texts = {"attempts.csv": _table_text("attempts", study.attempts)}
    if len(study.steps):
        steps = study.steps.assign(attempt_id=codes[study.steps["attempt_row"].to_numpy()])
        texts["steps.csv"] = _table_text("steps", steps)
    if len(study.periods):
        periods = study.periods.assign(attempt_id=codes[study.periods["attempt_row"].to_numpy()])
        texts["periods.csv"] = _table_text("periods", periods)
    if len(study.patients):
        texts["patients.csv"] = _table_text("patients", study.patients)
    return texts


def _table_text(table: Table, frame: pd.DataFrame) -> str:
    columns = {}
    for field in TABLES[table]:
        column = frame[field.name]
        if field.required or column.notna().any():
            columns[field.name] = _yes_no_text(column) if field.kind == "yes_no" else column
    return csv_text(pd.DataFrame(columns), digits=None)


def _yes_no_text(column: pd.Series) -> pd.Series:
    words = np.array(["no", "yes", None], dtype=object)
    codes = column.to_numpy(dtype=np.int8, na_value=2)
    return pd.Series(words[codes], index=column.index)
