"""The study: tables that were checked, and what was found on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from capstat.attempts.findings import Finding

__all__ = ["Study", "StudyError", "attempt_covariates"]


class StudyError(ValueError):
    """A study with errors; the message lists them, one on each line, with lines to copy indented below.

    Attributes
    ----------
    findings : tuple of Finding
        Errors and warnings.
    """

    def __init__(self, findings: tuple[Finding, ...]) -> None:
        """Hold the findings and put the errors among them into the message."""
        super().__init__("\n".join(line for found in findings if found.severity == "error" for line in found.lines()))
        self.findings = findings


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """Pacing attempts that passed every check for errors.

    All fields of a table are columns of its frame, recorded or not.  Numbers are float64 (NaN when missing),
    yes/no columns are pandas "boolean", closed lists are categoricals over the whole list, identifiers are
    ``str``.

    Attributes
    ----------
    attempts : DataFrame
        One row for each attempt; RangeIndex.
    steps : DataFrame
        One row for each current setting, by attempt and order; may be empty.  ``attempt_row`` (int32) is
        the row of ``attempts`` and stands in place of the attempt's code.
    periods : DataFrame
        One row for each period with capture, by attempt and beginning; may be empty.  ``attempt_row`` (int32) stands
        in place of the attempt's code.
    patients : DataFrame
        One row for each patient who was described; may be empty.
    findings : tuple of Finding
        Warnings.
    fingerprint : str
        SHA-256 of what was read.
    sources : tuple of str
        Names of the files, the mapping file last.
    attempt_source_rows : ndarray of int64
        Row of each attempt in its file, as a spreadsheet shows it.
    """

    attempts: pd.DataFrame
    steps: pd.DataFrame
    periods: pd.DataFrame
    patients: pd.DataFrame
    findings: tuple[Finding, ...]
    fingerprint: str
    sources: tuple[str, ...]
    attempt_source_rows: NDArray[np.int64]

    @property
    def n_patients(self) -> int:
        """Patients with at least one attempt."""
        return int(self.attempts["patient_id"].nunique())


def attempt_covariates(study: Study) -> pd.DataFrame:
    """Return what is known of each attempt's patient, aligned to ``study.attempts``.

    Returns
    -------
    DataFrame
        The columns of ``study.patients`` without ``patient_id``, and ``body_mass_index`` (kg/m²), which is
        NaN where weight or height is.  Everything is missing for a patient who was not described.
    """
    where = pd.Index(study.patients["patient_id"]).get_indexer(pd.Index(study.attempts["patient_id"]))
    described = study.patients.drop(columns="patient_id").reset_index(drop=True)
    covariates = described.reindex(where).reset_index(drop=True)
    height_m = covariates["height_cm"].to_numpy() / 100
    return covariates.assign(body_mass_index=covariates["weight_kg"].to_numpy() / height_m**2)
