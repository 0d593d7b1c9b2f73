"""Sheets to a study: tables are linked, ordered and checked against each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.attempts.check_attempts import check_attempts
from capstat.attempts.check_outcomes import check_follow_up, check_outcomes
from capstat.attempts.check_patients import check_body_size, check_patient_links
from capstat.attempts.check_periods import check_periods
from capstat.attempts.check_steps import check_only_positive, check_steps
from capstat.attempts.convert import convert_table, empty_sheet
from capstat.attempts.merge_patients import merge_patients
from capstat.attempts.periods import order_periods
from capstat.attempts.ramps import order_steps

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from capstat.attempts.field import Table
    from capstat.attempts.findings import FindingLog
    from capstat.attempts.mapping import StudyMapping
    from capstat.attempts.raw import RawTable
    from capstat.attempts.sheet import Sheet

__all__ = ["Assembled", "assemble"]


@dataclass(frozen=True, slots=True, eq=False)
class Assembled:
    """Tables after all checks, whether or not they are free of errors."""

    attempts: pd.DataFrame
    attempt_source_rows: NDArray[np.int64]
    steps: pd.DataFrame
    periods: pd.DataFrame
    patients: pd.DataFrame


def assemble(tables: Mapping[Table, RawTable | None], mapping: StudyMapping, log: FindingLog) -> Assembled | None:
    """Convert, link and check the tables of a study; ``None`` when the attempts cannot be used at all.

    A table that exists but could not be read is ``None`` in ``tables``.
    """
    # an empty table of periods, as in a blank template, links to nothing
    periods_raw = tables.get("periods")
    linked = "steps" in tables or (periods_raw is not None and len(periods_raw) > 0)
    sheets = {
        table: convert_table(
            raw, table, mapping.table(table), mapping.name, log, with_steps="steps" in tables, linked=linked
        )
        for table, raw in tables.items()
        if raw is not None
    }
    for table, raw in tables.items():
        if raw is not None and sheets[table] and not len(raw):
            log.add(
                "error" if table == "attempts" else "warning",
                "no-rows",
                "there are no rows below the column names",
                file=raw.file,
                remedy="Add at least one row, or remove the file.",
            )
    if not sheets.get("attempts"):
        return None
    attempts, *beside = sheets["attempts"]
    steps = (sheets.get("steps") or [empty_sheet("steps")])[0]
    patients = (sheets.get("patients") or [empty_sheet("patients")])[0]
    ramps = order_steps(steps, attempts, log)
    check_attempts(attempts, ramps, log, steps_lost="steps" in tables and not sheets.get("steps"))
    check_steps(attempts, ramps, log)
    periods = order_periods((sheets.get("periods") or [empty_sheet("periods")])[0], attempts, log)
    check_periods(attempts, periods, log)
    for sheet in (attempts, patients, *beside):
        check_only_positive(sheet, log)
    for sheet in (patients, *beside):
        check_body_size(sheet, log)
    if len(patients):
        check_patient_links(patients, attempts, log)
    for sheet in (patients, *beside):
        check_outcomes(sheet, log)
    described = merge_patients(patients, beside[0] if beside else empty_sheet("patients"), log)
    steps_frame = ramps.sheet.frame.drop(columns="attempt_id")
    steps_frame.insert(0, "attempt_row", ramps.attempt_row)
    check_follow_up(attempts, described, log)
    return Assembled(_named_attempts(attempts), attempts.rows, steps_frame, periods.frame, described)


def _named_attempts(attempts: Sheet) -> pd.DataFrame:
    """Return the attempts with plain text identifiers; a code that was not given is the position."""
    frame = attempts.frame.copy(deep=False)
    codes = frame["attempt_id"].to_numpy(dtype=object)
    nameless = frame["attempt_id"].isna().to_numpy()
    if nameless.any():
        codes[nameless] = [f"A{at + 1:06d}" for at in np.flatnonzero(nameless).tolist()]
    frame["attempt_id"] = codes
    frame["patient_id"] = frame["patient_id"].to_numpy(dtype=object)
    return frame
