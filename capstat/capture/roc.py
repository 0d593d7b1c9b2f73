"""Signs of capture that are numbers: how well they tell capture apart, and the best cut to read them by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.capture.accuracy import FEW_PATIENTS
from capstat.capture.patient_bootstrap import draw_patients, percentile_limits
from capstat.numerics.auc import area_under_curve
from capstat.numerics.clustered import clustered_proportion
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.signs import SignRecord

__all__ = ["BestCut", "ContinuousSignAccuracy", "RocCurve", "assess_continuous_sign"]

AREA_METHOD = (
    "area under the receiver operating characteristic curve (Mann-Whitney, ties half); logit limits with the variance "
    "of {}"
)
AREA_SCORE_METHOD = (
    "area under the receiver operating characteristic curve (Mann-Whitney, ties half); score limits for as many steps "
    "as there are patients (Newcombe 2006, from memory)"
)
CUT_METHOD = "whole number with the largest Youden index (Youden 1950); percentile limits from a bootstrap of patients"
APPARENT_METHOD = (
    "proportion of steps at the best cut, on the data that chose it; Wilson limits, patients as clusters, as if the "
    "cut had been fixed beforehand"
)
CORRECTED_METHOD = (
    "apparent proportion less its optimism in a bootstrap of patients (Efron & Gong 1983, from memory); percentile "
    "limits shifted by the optimism (Noma and others 2021, from memory)"
)
SINGLE: Final = "DeLong, DeLong & Clarke-Pearson (1988, from memory)"
REPEATED: Final = "Obuchowski (1997, from memory) for patients as clusters, t quantile"


@dataclass(frozen=True, slots=True, eq=False)
class RocCurve:
    """Receiver operating characteristic curve.

    Attributes
    ----------
    cut : ndarray, shape (k,)
        Falling from infinity to the lowest value; the sign counts as present from the cut upwards.
    sensitivity, specificity : ndarray, shape (k,)
        At each cut.
    """

    cut: NDArray[np.float64]
    sensitivity: NDArray[np.float64]
    specificity: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BestCut:
    """The cut with the largest Youden index.

    Attributes
    ----------
    words : str
        The cut as it can be read at the bedside; empty when there is none.
    cut : Estimate
        A whole number in the unit of the sign.
    apparent_sensitivity, apparent_specificity : Estimate
        On the data that chose the cut, hence too good.
    sensitivity, specificity : Estimate
        Corrected for that optimism.
    """

    words: str
    cut: Estimate
    apparent_sensitivity: Estimate
    apparent_specificity: Estimate
    sensitivity: Estimate
    specificity: Estimate


@dataclass(frozen=True, slots=True, eq=False)
class ContinuousSignAccuracy:
    """A sign that is a number, held against a reference.

    Attributes
    ----------
    name, label, unit : str
        The sign.
    reference_name, reference_label : str
        The reference.
    n_steps, n_patients : int
        Steps at which both were recorded, and patients that they come from.
    area : Estimate
        Chance that the sign is higher at a step with capture than at one without, ties half.
    curve : RocCurve
        Its points.
    best : BestCut
        The best cut.
    notes : tuple of str
        What a reader must know about all of them.
    """

    name: str
    label: str
    unit: str
    reference_name: str
    reference_label: str
    n_steps: int
    n_patients: int
    area: Estimate
    curve: RocCurve
    best: BestCut
    notes: tuple[str, ...]


def _curve(value: NDArray[np.float64], positive: NDArray[np.bool_]) -> RocCurve:
    cut = np.append(np.inf, np.unique(value)[::-1])
    with_capture, without = np.sort(value[positive]), np.sort(value[~positive])
    below = np.searchsorted(with_capture, cut, side="left") / with_capture.size
    return RocCurve(cut, 1 - below, np.searchsorted(without, cut, side="left") / without.size)


def _area(value: NDArray[np.float64], positive: NDArray[np.bool_], patient: NDArray[np.intp], level: float) -> Estimate:
    found = area_under_curve(value, positive, patient, level)
    patients = int(np.unique(patient).size)
    method = AREA_METHOD.format(SINGLE if patients == value.size else REPEATED)
    notes = ("below 0.5: the sign is lower with capture than without",) if found.value < 0.5 else ()
    return Estimate(
        "area under the curve", found.value, found.lower, found.upper, level, "", "logit", patients,
        AREA_SCORE_METHOD if found.by_score else method,
        "steps with capture against steps without; higher speaks for capture", notes,
    )  # fmt: skip


def _shares(
    weights: NDArray[np.float64],
    value: NDArray[np.float64],
    positive: NDArray[np.bool_],
    codes: NDArray[np.intp],
    cuts: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sensitivity and specificity of every cut in every replicate, each of shape (replicates, cuts)."""
    patients = weights.shape[1]
    parts = []
    for side in (positive, ~positive):
        # steps of each patient on this side, at least as high as the cuts: counted up to the highest cut reached
        reached = np.searchsorted(cuts, value[side], side="right")
        tally = np.zeros((patients, cuts.size + 1))
        np.add.at(tally, (codes[side], reached), 1.0)
        from_cut = tally[:, ::-1].cumsum(axis=1)[:, ::-1]
        drawn = weights @ from_cut
        with np.errstate(invalid="ignore"):
            parts.append(drawn[:, 1:] / drawn[:, :1])
    return parts[0], 1 - parts[1]


def _best_index(sensitivity: NDArray[np.float64], specificity: NDArray[np.float64]) -> NDArray[np.intp]:
    """Cut with the largest Youden index in each row; of equal ones the highest, which claims least."""
    youden = np.round(sensitivity + specificity, 12)
    return np.asarray(youden.shape[1] - 1 - np.argmax(youden[:, ::-1], axis=1), dtype=np.intp)


def _best_cut(record: SignRecord, used: NDArray[np.bool_], level: float, replicates: int, seed: int) -> BestCut:
    value, positive = record.value[used], record.reference[used] == 1
    labels, codes = np.unique(record.patient[used], return_inverse=True)
    patients = labels.size
    # somebody reads whole numbers: a value reaches a whole cut exactly when its whole part does
    cuts = np.unique(np.floor(value))
    names = ("sensitivity", "specificity")
    observed = [part[0] for part in _shares(np.ones((1, patients)), value, positive, codes, cuts)]
    at = int(_best_index(observed[0][None], observed[1][None])[0])

    def estimate(quantity: str, number: float | None, limits: tuple[float, float] | None, unit: str, method: str,
                 reason: str = "", n: int = patients) -> Estimate:  # fmt: skip
        lower, upper = limits or (None, None)
        lacking = limits is None and number is not None
        notes = ("too few patients, or too few resamples with both kinds of steps, for limits",) if lacking else ()
        return Estimate(quantity, number, lower, upper, level, unit, "identity", n, method, "", notes, reason)

    quantity = f"cut of {record.label}"
    if observed[0][at] + observed[1][at] <= 1:
        reason = "no cut tells steps with capture from steps without"
        none = [estimate(name, None, None, "proportion", APPARENT_METHOD, reason) for name in names]
        corrected = [estimate(name, None, None, "proportion", CORRECTED_METHOD, reason) for name in names]
        return BestCut("", estimate(quantity, None, None, record.unit, CUT_METHOD, reason), *none, *corrected)

    drawn = np.stack(_shares(draw_patients(patients, replicates, seed), value, positive, codes, cuts))
    whole = ~np.isnan(drawn).any(axis=(0, 2))
    drawn = drawn[:, whole]
    chosen = _best_index(drawn[0], drawn[1]) if whole.any() else np.empty(0, dtype=np.intp)
    lacking = np.full(replicates - chosen.size, np.nan)
    cut_limits = percentile_limits(np.append(cuts[chosen], lacking), patients, level)
    apparent, corrected = [], []
    for name, side, share, own in zip(names, (positive, ~positive), observed, drawn, strict=True):
        present = value[side] >= cuts[at]
        found = clustered_proportion(present if name == "sensitivity" else ~present, record.patient[used][side], level)
        apparent.append(
            estimate(name, found.value, (found.lower, found.upper), "proportion", APPARENT_METHOD, n=found.clusters)
        )
        there = own[np.arange(chosen.size), chosen]
        if chosen.size == 0 or patients < 2:
            corrected.append(
                estimate(
                    name,
                    None,
                    None,
                    "proportion",
                    CORRECTED_METHOD,
                    "too few patients to tell how optimistic the cut is",
                )
            )
            continue
        optimism = float(np.mean(there - share[chosen]))
        limits = percentile_limits(np.append(there, lacking), patients, level)
        if limits is not None:
            limits = tuple(float(np.clip(end - optimism, 0, 1)) for end in limits)  # type: ignore[assignment]
        number = float(np.clip(found.value - optimism, 0, 1))
        corrected.append(estimate(name, number, limits, "proportion", CORRECTED_METHOD))
    words = f"{record.label} of at least {cuts[at]:g} {record.unit}"
    return BestCut(
        words, estimate(quantity, float(cuts[at]), cut_limits, record.unit, CUT_METHOD), *apparent, *corrected
    )


def assess_continuous_sign(
    record: SignRecord, level: float = 0.95, replicates: int = 1000, seed: int = 1
) -> ContinuousSignAccuracy:
    """How well a number, higher with capture, tells steps with capture from steps without.

    Parameters
    ----------
    record : SignRecord
        Sign and reference; only steps at which both were recorded count.
    level : float
        Confidence level.
    replicates : int
        Resamples of patients, for the cut and its optimism.
    seed : int
        The same seed gives the same result.

    Raises
    ------
    UsageError
        The sign is yes or no.
    NotEstimableError
        Sign and reference were never recorded together, or the reference has one answer only.
    """
    used = record.require_both(continuous=True)
    value, positive, patient = record.value[used], record.reference[used] == 1, record.patient[used]
    if positive.all() or not positive.any():
        answer = "every step" if positive.all() else "no step"
        raise NotEstimableError(
            f"{record.reference_name} found capture at {answer} with {record.name}; telling apart needs both kinds."
        )
    patients = int(np.unique(patient).size)
    notes = record.notes
    if patients < FEW_PATIENTS:
        notes = (*notes, f"only {patients} patient{'s' * (patients != 1)}: the limits are rough")
    return ContinuousSignAccuracy(
        record.name, record.label, record.unit, record.reference_name, record.reference_label, value.size, patients,
        _area(value, positive, patient, level), _curve(value, positive),
        _best_cut(record, used, level, replicates, seed), notes,
    )  # fmt: skip
