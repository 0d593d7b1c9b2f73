"""Sensitivity and specificity when the reference was recorded more often after one answer of the sign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special, stats

from capstat.capture.accuracy import FEW_PATIENTS, assess_sign
from capstat.capture.patient_bootstrap import draw_patients, percentile_limits
from capstat.numerics.clustered import clustered_proportion
from capstat.numerics.proportions import difference_from_intervals
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.signs import SignRecord

__all__ = ["VerificationCorrection", "correct_for_verification"]

ASSUMPTION: Final = (
    "assumes that whether the reference was recorded depended on the sign only, not otherwise on capture"
)
BOUNDS: Final = "the identified range makes no assumption: unverified steps may all have been captured, or none"
CORRECTED: Final = "correction for partial verification (Begg & Greenes 1983, from memory); "
LOGIT: Final = CORRECTED + "logit limits by the delta method (Zhou 1993, as in the R package PVBcorrect)"
BOOTSTRAP: Final = CORRECTED + "percentile limits from a bootstrap of patients"
HALF: Final = (
    CORRECTED + "a verified cell is zero, so logit limits with one half added to each (common practice, no source), "
    "for as many steps as there are patients"
)
SHARE: Final = "proportion of steps; Wilson limits, patients as clusters"


@dataclass(frozen=True, slots=True)
class VerificationCorrection:
    """Accuracy of a sign, corrected for partial verification, and uncorrected.

    Attributes
    ----------
    verified_present, verified_absent : Estimate
        Share of the steps with the sign, and of those without, at which the reference was recorded.
    sensitivity, specificity : Estimate
        Corrected; ``identified`` holds their bounds without any assumption.
    uncorrected_sensitivity, uncorrected_specificity : Estimate
        From the verified steps alone.
    unverified_patients : tuple of int
        Patients with a setting at which the sign was seen, and not seen, and the reference was not recorded.
    notes : tuple of str
        The assumption, and what a reader must know.
    """

    verified_present: Estimate
    verified_absent: Estimate
    sensitivity: Estimate
    specificity: Estimate
    uncorrected_sensitivity: Estimate
    uncorrected_specificity: Estimate
    unverified_patients: tuple[int, int]
    notes: tuple[str, ...]

    @property
    def likelihood_ratios(self) -> tuple[float | None, float | None]:
        """Of the sign seen and not seen, from the corrected shares; ``None`` where there is none or it is infinite."""
        se, sp = self.sensitivity.value, self.specificity.value
        if se is None or sp is None:
            return None, None
        return (se / (1 - sp) if sp < 1 else None), ((1 - se) / sp if sp > 0 else None)


# columns of the counts: sign present and capture, present and none, present and unverified; absent likewise
PRESENT, ABSENT = slice(0, 3), slice(3, 6)


def _counts(record: SignRecord) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Steps of each patient in each of the six cells, and the patients."""
    used = ~np.isnan(record.value)
    patients, codes = np.unique(record.patient[used], return_inverse=True)
    reference = record.reference[used]
    column = np.where(np.isnan(reference), 2, np.where(reference == 1, 0, 1)) + np.where(record.value[used] == 1, 0, 3)
    counts = np.zeros((patients.size, 6))
    np.add.at(counts, (codes, column), 1.0)
    return counts, patients


def _corrected(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sensitivity and specificity of Begg & Greenes, shape (..., 2); NaN where a part is missing."""
    with np.errstate(invalid="ignore", divide="ignore"):
        parts = []
        for side in (PRESENT, ABSENT):
            cells = counts[..., side]
            total, verified = cells.sum(axis=-1), cells[..., 0] + cells[..., 1]
            parts += [total * cells[..., 0] / verified, total * cells[..., 1] / verified]
        captured, not_captured, missed, rejected = parts
        return np.stack([captured / (captured + missed), rejected / (rejected + not_captured)], axis=-1)


def _bounds(counts: NDArray[np.float64], *, sensitivity: bool) -> tuple[float, float] | None:
    """Range over everything that unverified steps may have been; None when all were verified."""
    yes1, no1, open1, yes0, no0, open0 = counts
    if open1 + open0 == 0:
        return None
    hit, miss, open_hit, open_miss = (yes1, yes0, open1, open0) if sensitivity else (no0, no1, open0, open1)
    lowest = hit / (hit + miss + open_miss) if hit + miss + open_miss > 0 else 0.0
    highest = (hit + open_hit) / (hit + open_hit + miss) if hit + open_hit + miss > 0 else 1.0
    return float(lowest), float(highest)


def _logit_limits(counts: NDArray[np.float64], level: float, which: int) -> tuple[float, float]:
    """Delta-method limits on the logit scale; ``which`` is 0 for sensitivity, 1 for specificity."""
    variance = 0.0
    for side in (PRESENT, ABSENT):
        cells = counts[side]
        verified = cells[0] + cells[1]
        variance += 1 / float(cells.sum()) + float(cells[1 - which] / (cells[which] * verified))
    centre = float(special.logit(_corrected(counts)[which]))
    reach = float(stats.norm.ppf(0.5 + level / 2)) * np.sqrt(variance)
    return float(special.expit(centre - reach)), float(special.expit(centre + reach))


def _reason(counts: NDArray[np.float64], which: int) -> str:
    for side, words in ((PRESENT, "with"), (ABSENT, "without")):
        if counts[side][:2].sum() == 0:
            return f"the reference was recorded at no step {words} the sign"
    if counts[which] + counts[3 + which] == 0:
        return f"the reference found capture at {('no step', 'every step')[which]}"
    return ""


def _estimate(
    counts: NDArray[np.float64], per_patient: NDArray[np.float64], drawn: NDArray[np.float64], level: float, which: int
) -> Estimate:
    quantity = ("sensitivity", "specificity")[which]
    patients = per_patient.shape[0]
    repeated = bool(counts.sum() > patients)
    reason = _reason(counts, which)
    bounds = _bounds(counts, sensitivity=which == 0)
    notes = (ASSUMPTION, BOUNDS) if bounds else (ASSUMPTION,)
    method = BOOTSTRAP if repeated else LOGIT
    limits: tuple[float, float] | None = None
    value = None if reason else float(_corrected(counts)[which])
    if value is not None and counts[[0, 1, 3, 4]].min() == 0:
        method = HALF
        padded = counts * (patients / counts.sum())
        padded[[0, 1, 3, 4]] += 0.5
        lower, upper = _logit_limits(padded, level, which)
        limits = min(lower, value), max(upper, value)
    elif value is not None and repeated:
        limits = percentile_limits(drawn[:, which], patients, level)
        if limits is None:
            notes = (*notes, "too few patients for limits")
    elif value is not None:
        limits = _logit_limits(counts, level, which)
    lower_limit, upper_limit = limits or (None, None)
    return Estimate(
        quantity, value, lower_limit, upper_limit, level, "proportion", "identity" if method == BOOTSTRAP else "logit",
        patients, method, notes=notes, reason=reason, identified=bounds,
    )  # fmt: skip


def _share_verified(record: SignRecord, answer: int, level: float) -> Estimate:
    quantity = f"share verified of steps {('without', 'with')[answer]} the sign"
    used = record.value == answer
    if not used.any():
        reason = f"the sign was {('absent', 'present')[answer]} at no step"
        return Estimate(quantity, None, None, None, level, "proportion", "identity", 0, SHARE, reason=reason)
    found = clustered_proportion(~np.isnan(record.reference[used]), record.patient[used], level)
    return Estimate(
        quantity, found.value, found.lower, found.upper, level, "proportion", "identity", found.clusters, SHARE
    )


def _notes(record: SignRecord, present: Estimate, absent: Estimate, patients: int) -> tuple[str, ...]:
    notes = [*record.notes, ASSUMPTION]
    shares = [
        (share.value, (share.lower, share.upper))
        for share in (present, absent)
        if share.value is not None and share.lower is not None and share.upper is not None
    ]
    if len(shares) == 2:
        (p1, limits1), (p0, limits0) = shares
        lower, upper = difference_from_intervals(p1, limits1, p0, limits0)
        if p1 == p0 == 1:
            notes.append("the reference was recorded at every step, so there is nothing to correct")
        elif lower <= 0 <= upper:
            notes.append("the share verified did not detectably depend on the sign: the correction adds little")
    if patients < FEW_PATIENTS:
        notes.append(f"only {patients} patient{'s' * (patients != 1)}: the limits are rough")
    return tuple(notes)


def correct_for_verification(
    record: SignRecord, level: float = 0.95, replicates: int = 1000, seed: int = 1
) -> VerificationCorrection:
    """Correct sensitivity and specificity for steps at which the sign was recorded but the reference was not.

    Begg & Greenes (1983, Biometrics 39:207, from memory).  Limits are closed with one step in each patient, from a
    bootstrap of patients otherwise.

    Parameters
    ----------
    record : SignRecord
        A yes/no sign and a reference that may be missing.
    level : float
        Confidence level.
    replicates : int
        Resamples of patients.
    seed : int
        The same seed gives the same result.

    Raises
    ------
    UsageError
        The sign is a number.
    NotEstimableError
        Sign and reference were never recorded together.
    """
    accuracy = assess_sign(record, level).accuracy
    per_patient, patients = _counts(record)
    counts = per_patient.sum(axis=0)
    drawn = np.empty((0, 2))
    if counts.sum() > patients.size:
        drawn = _corrected(draw_patients(patients.size, replicates, seed) @ per_patient)
    present, absent = (_share_verified(record, answer, level) for answer in (1, 0))
    return VerificationCorrection(
        present, absent,
        _estimate(counts, per_patient, drawn, level, 0), _estimate(counts, per_patient, drawn, level, 1),
        accuracy.sensitivity, accuracy.specificity,
        (int((per_patient[:, 2] > 0).sum()), int((per_patient[:, 5] > 0).sum())),
        _notes(record, present, absent, patients.size),
    )  # fmt: skip
