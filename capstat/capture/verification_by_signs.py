"""Accuracy of signs when the reference was recorded more often after some findings than after others."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from capstat.capture.accuracy import two_by_two
from capstat.capture.patient_bootstrap import draw_patients
from capstat.capture.verification import VerificationCorrection, correct_for_verification
from capstat.numerics.batch_logistic import batch_logistic
from capstat.numerics.proportions import wilson
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.capture.signs import SignRecord
    from capstat.results import Estimate

__all__ = ["correct_for_verification_by_signs"]

ASSUMPTION: Final = (
    "assumes that whether the reference was recorded depended only on what was found and read at that setting, not "
    "otherwise on capture"
)
METHOD: Final = (
    "mean score imputation of the reference (Pepe, Reilly & Fleming 1994; Alonzo & Pepe 2005, both from memory) from a "
    "logistic model of all signs and their pairs; Wilson limits with the "
    "effective sample size of a bootstrap of patients"
)
# wide: four in five log odds ratios below 13; it only keeps separated patterns finite
PRIOR_SD = 10.0
# verified steps with, and without, capture from which the reference is modelled
ENOUGH_VERIFIED = 10


def _design(patterns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Constant, seen and looked for of every sign, and seen together of every pair; columns that vary."""
    seen = [np.where(column == 1, 1.0, 0.0) for column in patterns.T]
    looked = [np.where(np.isnan(column), 0.0, 1.0) for column in patterns.T]
    pairs = [a * b for a, b in itertools.combinations(seen, 2)]
    columns = [column for column in (*seen, *looked, *pairs) if np.ptp(column) > 0]
    return np.column_stack([np.ones(patterns.shape[0]), *columns])


def _check(records: Sequence[SignRecord], predictors: NDArray[np.float64]) -> None:
    first = records[0]
    for record in records:
        if record.reference_name != first.reference_name or record.value.size != predictors.shape[0]:
            raise UsageError("Signs that are corrected together need the same steps and the same reference.")
    verified = first.reference[~np.isnan(first.reference)]
    fewest = min(int((verified == 1).sum()), int((verified == 0).sum()))
    if fewest < ENOUGH_VERIFIED:
        raise NotEstimableError(
            f"The reference was recorded at fewer than {ENOUGH_VERIFIED} steps with or without capture: too few for a "
            "model of what it would have shown elsewhere."
        )


def correct_for_verification_by_signs(
    records: Sequence[SignRecord],
    predictors: NDArray[np.float64],
    level: float = 0.95,
    replicates: int = 1000,
    seed: int = 1,
) -> tuple[VerificationCorrection, ...]:
    """Correct sensitivity and specificity of several signs for steps at which the reference was not recorded.

    A scan that is done where no pulse is felt is missing by the pulse; a correction of another sign by that sign alone
    would then still be wrong.  Here the reference that was not recorded is replaced by its probability given
    everything else that was found at that step, and each replicate of the bootstrap repeats this.

    Parameters
    ----------
    records : sequence of SignRecord
        Yes/no signs or rules of them, all with the same steps and reference.
    predictors : ndarray, shape (n, q)
        Everything recorded at each step that the reference may have been chosen by, the signs themselves included: 1, 0
        or NaN.
    level : float
        Confidence level.
    replicates, seed : int
        Resamples of patients, and their seed.

    Returns
    -------
    tuple of VerificationCorrection
        One for each record.  Where a cell of the verified table is zero, no more count for its limits than the patients
        verified.

    Raises
    ------
    NotEstimableError
        The reference was recorded too seldom, or never together with one of the signs.
    UsageError
        The records do not belong together.
    """
    _check(records, predictors)
    reference, patient = records[0].reference, records[0].patient
    patterns, pattern = np.unique(np.where(np.isnan(predictors), -1.0, predictors), axis=0, return_inverse=True)
    patterns = np.where(patterns < 0, np.nan, patterns)
    pattern = pattern.ravel()
    patients, code = np.unique(patient, return_inverse=True)
    verified = ~np.isnan(reference)

    def counted(rows: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Steps of each patient in each pattern."""
        out = np.zeros((patients.size, patterns.shape[0]))
        np.add.at(out, (code[rows], pattern[rows]), 1.0)
        return out

    drawn = draw_patients(patients.size, replicates, seed)
    # the data themselves stand before the replicates
    weights = np.vstack([np.ones(patients.size), drawn])
    design = _design(patterns)
    events, trials = weights @ counted(verified & (reference == 1)), weights @ counted(verified)
    whole = batch_logistic(design, events[:1], trials[:1], prior_sd=PRIOR_SD)
    if np.isnan(whole).any():
        raise NotEstimableError("The model of what the reference would have shown did not settle.")
    beta = np.vstack([whole, batch_logistic(design, events[1:], trials[1:], prior_sd=PRIOR_SD, start=whole[0])])
    probability = special.expit(beta @ design.T)

    found = []
    for record in records:
        alone = correct_for_verification(record, level, replicates, seed)
        table = two_by_two(record)
        # where nothing of one kind was verified the replicates hardly differ: then patients count, not settings
        fewest = {
            1: _patients(patient, verified & (reference == 1) & ~np.isnan(record.value)),
            0: _patients(patient, verified & (reference == 0) & ~np.isnan(record.value)),
        }
        caps = (
            fewest[1] if min(table.true_positive, table.false_negative) == 0 else np.inf,
            fewest[0] if min(table.true_negative, table.false_positive) == 0 else np.inf,
        )
        cells = {}
        for answer in (1, 0):
            rows = record.value == answer
            known, unknown = (weights @ counted(rows & part) for part in (verified, ~verified))
            of_known = (weights @ counted(rows & verified & (reference == 1))).sum(axis=1)
            captured = of_known + (unknown * probability).sum(axis=1)
            cells[answer] = captured, (known + unknown).sum(axis=1) - captured
        (hit, alarm), (missed, quiet) = cells[1], cells[0]
        with np.errstate(invalid="ignore", divide="ignore"):
            values = hit / (hit + missed), quiet / (quiet + alarm)
        sensitivity, specificity = (
            _replaced(estimate, value, patients.size, level, cap)
            for estimate, value, cap in zip((alone.sensitivity, alone.specificity), values, caps, strict=True)
        )
        notes = tuple(dict.fromkeys((*record.notes, ASSUMPTION)))
        found.append(replace(alone, sensitivity=sensitivity, specificity=specificity, notes=notes))
    return tuple(found)


def _patients(patient: NDArray[np.intp], rows: NDArray[np.bool_]) -> float:
    return float(np.unique(patient[rows]).size)


def _replaced(estimate: Estimate, values: NDArray[np.float64], patients: int, level: float, largest: float) -> Estimate:
    value, drawn = float(values[0]), values[1:][~np.isnan(values[1:])]
    limits: tuple[float, float] | None = None
    if patients > 1 and 2 * drawn.size > values.size:
        variance = float(drawn.var(ddof=1)) * patients / (patients - 1)
        size = min(value * (1 - value) / max(variance, 1e-12), largest)
        limits = wilson(value * size, size, level)
    notes = (ASSUMPTION, *(note for note in estimate.notes[1:] if "limits" not in note))
    if limits is None:
        notes = (*notes, "too few patients for limits")
    lower, upper = limits or (None, None)
    return replace(estimate, value=value, lower=lower, upper=upper, scale="score", method=METHOD, notes=notes)
