"""Ramps as sequences of fallible judgements, up to the first claimed capture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import (
    ADJUDICATED_CAPTURE,
    CaptureDefinition,
    CensoredThresholds,
    derive_thresholds,
    step_judgements,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from capstat.attempts import Study

__all__ = ["JudgedRamps", "join_ramps", "read_judged_ramps"]


@dataclass(frozen=True, slots=True, eq=False)
class JudgedRamps:
    """What was judged at each setting of each ramp, and what the reference says of some settings.

    A ramp counts up to its first claimed capture: what is judged after it is judged by somebody who believes that
    the heart is captured.  One that begins with a claim and steps down counts up to its first refusal.

    Attributes
    ----------
    ramp : ndarray of int, shape (s,)
        Which ramp a judgement belongs to, increasing.
    current_ma : ndarray, shape (s,)
        Setting in mA.
    claimed : ndarray of bool, shape (s,)
        Whether it was judged to capture.
    truth : ndarray of int8, shape (s,)
        1 capture, 0 no capture, -1 not known, by the reference.
    lower_ma, upper_ma : ndarray, shape (n,)
        Interval (lower, upper] that holds the threshold by the reference alone; 0 and infinity where it says nothing.
    patient : ndarray of int, shape (n,)
        Patient of each ramp.
    placement : ndarray of str, shape (n,)
        Pad placement.
    attempt_row : ndarray of int, shape (n,)
        Position in the attempts table.
    claim, reference : str
        Columns that were read, or "as given".
    """

    ramp: NDArray[np.intp]
    current_ma: NDArray[np.float64]
    claimed: NDArray[np.bool_]
    truth: NDArray[np.int8]
    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    patient: NDArray[np.intp]
    placement: NDArray[np.str_]
    attempt_row: NDArray[np.intp]
    claim: str
    reference: str

    def __len__(self) -> int:
        """Return the number of ramps."""
        return int(self.patient.size)

    @property
    def n_patients(self) -> int:
        """Number of patients."""
        return int(pd.unique(self.patient).size)

    @property
    def n_reviewed(self) -> int:
        """Ramps with at least one setting, up to the first claim, that the reference judged."""
        return int(pd.unique(self.ramp[self.truth >= 0]).size)

    @classmethod
    def from_arrays(
        cls,
        ramp: ArrayLike,
        current_ma: ArrayLike,
        claimed: ArrayLike,
        truth: ArrayLike | None = None,
        patient: ArrayLike | None = None,
        placement: ArrayLike | None = None,
        known_ma: tuple[ArrayLike, ArrayLike] | None = None,
    ) -> JudgedRamps:
        """Make ramps from judgements in the order tested.

        Parameters
        ----------
        ramp : array-like of int, shape (s,)
            Which ramp, 0 to n - 1, not decreasing; every ramp needs a judgement.
        current_ma : array-like, shape (s,)
            Setting in mA, positive.
        claimed : array-like of bool, shape (s,)
            Judged to capture.
        truth : array-like of int, shape (s,), optional
            1, 0 or -1 (not known) by the reference.
        patient, placement : array-like, shape (n,), optional
            Of each ramp; each ramp is its own patient when omitted.
        known_ma : pair of array-like, shape (n,), optional
            Interval (lower, upper] that holds the threshold by the reference; worked out from ``truth`` when omitted.

        Raises
        ------
        ValueError
            When ramps are out of order or a current is not positive.
        """
        row = np.asarray(ramp, dtype=np.intp)
        current = np.asarray(current_ma, dtype=float)
        yes = np.asarray(claimed, dtype=bool)
        known = np.full(row.size, -1, dtype=np.int8) if truth is None else np.asarray(truth, dtype=np.int8)
        n = int(row[-1]) + 1 if row.size else 0
        if row.size and (np.any(np.diff(row) < 0) or np.any(np.diff(row) > 1) or row[0] != 0):
            raise ValueError("Ramps are numbered from 0 without gaps, and their judgements stand together in order.")
        if not np.all(np.isfinite(current) & (current > 0)):
            raise ValueError("Every setting needs a current above 0 mA.")
        if known_ma is None:
            low, high = _interval_of(row, current, known, n)
        else:
            low, high = (np.asarray(side, dtype=float) for side in known_ma)
        keep = _up_to_the_end(row, current, yes, n)
        codes = np.arange(n, dtype=np.intp) if patient is None else pd.factorize(np.asarray(patient))[0]
        places = np.full(n, "unknown") if placement is None else np.asarray(placement, dtype=np.str_)
        return cls(
            row[keep], current[keep], yes[keep], known[keep], low, high, np.asarray(codes, dtype=np.intp), places,
            np.arange(n, dtype=np.intp), "as given", "as given",
        )  # fmt: skip

    def subset(self, keep: NDArray[np.bool_]) -> JudgedRamps:
        """Return the ramps where ``keep`` is true; patients keep their codes."""
        steps = keep[self.ramp]
        number = np.cumsum(keep) - 1
        return JudgedRamps(
            number[self.ramp[steps]], self.current_ma[steps], self.claimed[steps], self.truth[steps],
            self.lower_ma[keep], self.upper_ma[keep], self.patient[keep], self.placement[keep],
            self.attempt_row[keep], self.claim, self.reference,
        )  # fmt: skip

    def without_reference(self) -> JudgedRamps:
        """Return the judgements alone, as if nothing had been reviewed."""
        n = len(self)
        return replace(
            self, truth=np.full(self.truth.size, -1, dtype=np.int8), lower_ma=np.zeros(n), upper_ma=np.full(n, np.inf)
        )

    def as_claimed(self) -> CensoredThresholds:
        """Thresholds as they look when every judgement is believed.

        At or below the lowest claimed setting, above the highest one below it that was judged not to capture.
        """
        n = len(self)
        upper, lower = np.full(n, np.inf), np.zeros(n)
        np.minimum.at(upper, self.ramp[self.claimed], self.current_ma[self.claimed])
        failed = ~self.claimed & (self.current_ma < upper[self.ramp])
        np.maximum.at(lower, self.ramp[failed], self.current_ma[failed])
        return CensoredThresholds.from_bounds(lower, upper, self.patient, self.placement, capture="as claimed")


def join_ramps(parts: Sequence[JudgedRamps]) -> JudgedRamps:
    """Put subsets of the same ramps together again, in the order given."""
    offsets = np.cumsum([0, *(len(part) for part in parts[:-1])])
    ramp = np.concatenate([part.ramp + offset for part, offset in zip(parts, offsets, strict=True)])

    def joined(name: str) -> Any:
        return np.concatenate([getattr(part, name) for part in parts])

    return JudgedRamps(
        ramp, joined("current_ma"), joined("claimed"), joined("truth"), joined("lower_ma"), joined("upper_ma"),
        joined("patient"), joined("placement"), joined("attempt_row"), parts[0].claim, parts[0].reference,
    )  # fmt: skip


def _up_to_the_end(
    ramp: NDArray[np.intp], current: NDArray[np.float64], claimed: NDArray[np.bool_], n: int
) -> NDArray[np.bool_]:
    """Up to the first claim; up to the first refusal in a ramp that begins with a claim and steps down."""
    position = np.arange(ramp.size)
    start = np.searchsorted(ramp, np.arange(n))
    after = np.minimum(start + 1, ramp.size - 1)
    down = claimed[start] & (ramp[after] == np.arange(n)) & (current[after] < current[start])
    ending = np.where(down[ramp], ~claimed, claimed)
    end = np.full(n, ramp.size, dtype=np.intp)
    np.minimum.at(end, ramp[ending], position[ending])
    return np.asarray(position <= end[ramp])


def _interval_of(
    ramp: NDArray[np.intp], current: NDArray[np.float64], truth: NDArray[np.int8], n: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Threshold by the reference: at and above the upper end every setting that it judged captured."""
    lower, upper = np.zeros(n), np.full(n, np.inf)
    no = truth == 0
    np.maximum.at(lower, ramp[no], current[no])
    yes = (truth == 1) & (current > lower[ramp])
    np.minimum.at(upper, ramp[yes], current[yes])
    return lower, upper


def _reference_definition(column: str) -> CaptureDefinition:
    if column == ADJUDICATED_CAPTURE.step_column:
        return ADJUDICATED_CAPTURE
    return CaptureDefinition(column, "the reference", column, False, frozenset())


def read_judged_ramps(study: Study, *, claim: CaptureDefinition, reference: str) -> JudgedRamps:
    """Read the judgements of every ramp and what the reference says of them.

    Parameters
    ----------
    study : Study
        Checked records with steps.
    claim : CaptureDefinition
        Whose judgements are taken as fallible: electrical or mechanical capture as recorded at the bedside.
    reference : str
        Yes/no column of the steps that is taken to be right where it was recorded.

    Raises
    ------
    UsageError
        When claim and reference are the same column, or a column is not one of yes and no.
    NotEstimableError
        When no setting was judged.
    """
    if claim.step_column is None or claim.step_column == reference:
        raise UsageError(
            f"The judgement ({claim.name}) and the reference ({reference}) must be two different columns of the steps."
        )
    if reference not in study.steps.columns or study.steps[reference].dtype != "boolean":
        raise UsageError(f"The reference '{reference}' is not a column of the steps that holds yes and no.")
    steps = study.steps
    judged = step_judgements(steps, claim, len(study.attempts))
    current = steps["current_ma"].to_numpy(dtype=float)
    known = (judged >= 0) & (current > 0)
    if not known.any():
        raise NotEstimableError(
            f"No setting has a judgement of {claim.name} capture, so there are no ramps to correct."
        )
    row = steps["attempt_row"].to_numpy()[known].astype(np.intp)
    order = np.argsort(row, kind="stable")
    ramp, attempt = pd.factorize(row[order])
    truth = steps[reference].astype("Int8").fillna(-1).to_numpy(dtype=np.int8)[known][order]
    told = derive_thresholds(study, capture=_reference_definition(reference))
    lower, upper = np.zeros(len(study.attempts)), np.full(len(study.attempts), np.inf)
    told_rows = told.covariates["attempt_row"].to_numpy(dtype=np.intp)
    lower[told_rows], upper[told_rows] = told.lower_ma, told.upper_ma
    attempts = study.attempts.iloc[attempt]
    made = JudgedRamps.from_arrays(
        ramp, current[known][order], judged[known][order] == 1, truth,
        attempts["patient_id"].to_numpy(),
        attempts["placement"].astype(object).fillna("unknown").astype(str).to_numpy(),
        (lower[attempt], upper[attempt]),
    )  # fmt: skip
    return JudgedRamps(
        made.ramp, made.current_ma, made.claimed, made.truth, made.lower_ma, made.upper_ma, made.patient,
        made.placement, np.asarray(attempt, dtype=np.intp), claim.name, reference,
    )  # fmt: skip
