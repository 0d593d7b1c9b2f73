"""Claimed captures beside the reference: what was believed at the bedside, and what the reference says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from capstat.attempts import attempt_covariates
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.attempts import Study

__all__ = [
    "CLAIM_COLUMNS",
    "REFERENCE_COLUMNS",
    "Claims",
    "read_claims",
]

CLAIM_COLUMNS: Final = (
    "electrical_capture", "mechanical_capture", "qrs_with_t_wave", "femoral_pulse", "carotid_pulse",
    "oximetry_waveform", "arterial_line", "ultrasound",
)  # fmt: skip
REFERENCE_COLUMNS: Final = ("adjudicated_capture", "ultrasound", "arterial_line", "mechanical_capture")


@dataclass(frozen=True, slots=True, eq=False)
class Claims:
    """The first claim of capture in each attempt that has one, and whether the reference upholds it.

    Attributes
    ----------
    claim, reference : str
        Columns of the steps.
    attempt_row : ndarray of int, shape (n,)
        Row of ``study.attempts``; increasing.
    patient : ndarray of int, shape (n,)
        Code of the patient.
    current_ma : ndarray, shape (n,)
        Setting of the claim: the first, in the order tested, at which the claim column says yes.
    upheld : ndarray, shape (n,)
        1 where the reference says capture at that setting, 0 where it says none, NaN where it did not judge it.
    placement, setting : ndarray of str, shape (n,)
        ``"unknown"`` where not recorded.
    study_month, body_mass_index, arrest : ndarray, shape (n,)
        Month, kg/m² and 1 or 0; NaN where not recorded.
    with_steps, assessed : int
        Attempts with settings, and those among them in which the claim column was filled in at least once.
    """

    claim: str
    reference: str
    attempt_row: NDArray[np.intp]
    patient: NDArray[np.intp]
    current_ma: NDArray[np.float64]
    upheld: NDArray[np.float64]
    placement: NDArray[np.object_]
    setting: NDArray[np.object_]
    study_month: NDArray[np.float64]
    body_mass_index: NDArray[np.float64]
    arrest: NDArray[np.float64]
    with_steps: int
    assessed: int

    @property
    def claimed(self) -> int:
        """Attempts that claimed capture."""
        return self.upheld.size

    @property
    def is_judged(self) -> NDArray[np.bool_]:
        """Whether the reference judged the claim, shape (n,)."""
        return ~np.isnan(self.upheld)

    @property
    def is_false(self) -> NDArray[np.bool_]:
        """Whether the claim was judged and not upheld, shape (n,)."""
        return np.asarray(self.upheld == 0)

    @property
    def judged(self) -> int:
        """Claims that the reference judged."""
        return int(self.is_judged.sum())

    @property
    def false(self) -> int:
        """Claims that the reference did not uphold."""
        return int(self.is_false.sum())

    def patients(self, rows: NDArray[np.bool_]) -> int:
        """Count the patients of the selected claims (boolean, shape (n,))."""
        return int(np.unique(self.patient[rows]).size)

    def repeats(self, rows: NDArray[np.bool_]) -> bool:
        """Whether a patient has several of the selected claims (boolean, shape (n,))."""
        return self.patients(rows) < int(rows.sum())


def _check_choice(claim: str, reference: str) -> None:
    for role, name, accepted in (("claim", claim, CLAIM_COLUMNS), ("reference", reference, REFERENCE_COLUMNS)):
        if name not in accepted:
            raise UsageError(f"'{name}' cannot be the {role}; accepted are: {', '.join(accepted)}.")
    if claim == reference:
        raise UsageError(f"'{claim}' cannot be both claim and reference; the reference must be another column.")


def read_claims(study: Study, claim: str = "electrical_capture", reference: str = "adjudicated_capture") -> Claims:
    """Find the first claimed capture of every attempt, and the judgement of the reference on that setting.

    A judgement on another setting of the attempt does not count: whether a higher current captured says nothing
    about the claim.

    Parameters
    ----------
    study : Study
        Checked tables.
    claim : str
        Column of the steps that holds the judgement at the bedside, one of ``CLAIM_COLUMNS``.
    reference : str
        Column of the steps that it is held against, one of ``REFERENCE_COLUMNS``.

    Raises
    ------
    UsageError
        When a column cannot play its part, or both are the same.
    NotEstimableError
        When no capture was claimed, or no claim was judged.
    """
    _check_choice(claim, reference)
    steps = study.steps
    claimed = steps[claim].fillna(False).to_numpy(dtype=bool)
    if not claimed.any():
        raise NotEstimableError(f"No capture was claimed: the column '{claim}' of the steps never says yes.")
    first = steps[claimed].drop_duplicates("attempt_row")
    upheld = _zero_one(first[reference])
    if np.isnan(upheld).all():
        raise NotEstimableError(
            f"No claimed capture was judged by the reference: '{reference}' is empty at every setting at which "
            f"'{claim}' first says yes."
        )
    rows = first["attempt_row"].to_numpy(dtype=np.intp)
    attempts = study.attempts.iloc[rows]
    codes, _ = pd.factorize(study.attempts["patient_id"])
    return Claims(
        claim=claim,
        reference=reference,
        attempt_row=rows,
        patient=np.asarray(codes, dtype=np.intp)[rows],
        current_ma=first["current_ma"].to_numpy(dtype=float),
        upheld=upheld,
        placement=_words(attempts["placement"]),
        setting=_words(attempts["setting"]),
        study_month=attempts["study_month"].to_numpy(dtype=float),
        body_mass_index=attempt_covariates(study)["body_mass_index"].to_numpy(dtype=float)[rows],
        arrest=_zero_one(attempts["arrest"]),
        with_steps=int(steps["attempt_row"].nunique()),
        assessed=int(steps.loc[steps[claim].notna(), "attempt_row"].nunique()),
    )


def _zero_one(column: pd.Series[bool]) -> NDArray[np.float64]:
    return np.asarray(column.astype("Float64").to_numpy(dtype=np.float64, na_value=np.nan))


def _words(column: pd.Series[str]) -> NDArray[np.object_]:
    return column.astype(object).where(column.notna(), "unknown").to_numpy(dtype=object)
