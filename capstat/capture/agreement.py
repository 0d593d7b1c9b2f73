"""How far two readings of capture agree with each other, neither being the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa

from capstat.capture.accuracy import FEW_PATIENTS
from capstat.numerics.clustered import clustered_proportion
from capstat.numerics.proportions import wilson
from capstat.results import Estimate, NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.attempts import Study

__all__ = ["Agreement", "agreement_of_columns", "assess_agreement", "kappa_from_table"]

KAPPA: Final = "Cohen's kappa (1960); "
LARGE_SAMPLE: Final = KAPPA + "large-sample limits (Fleiss, Cohen & Everitt 1969), p-value with the null standard error"
JACKKNIFE: Final = KAPPA + "limits by a jackknife over patients, t quantile"
PERFECT: Final = (
    KAPPA + "its standard error is zero, so Wilson limits of the observed agreement at the chance agreement seen"
)
SHARE: Final = "{}; Wilson limits, patients as clusters (Korn & Graubard 1998, from memory)"
SPECIFIC: Final = (
    "{}: twice the steps where both say so over all times that either does (Cicchetti & Feinstein 1990, from memory); "
    "limits from the Wilson limits of the share of both, patients as clusters"
)
NO_CHANCE: Final = "both gave the same single answer throughout, so agreement by chance alone would be complete"


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement of two yes/no readings of the same steps.

    Attributes
    ----------
    both_yes, first_only, second_only, both_no : int
        Steps.
    n_steps, n_patients : int
        Steps that both read, and patients that they come from.
    kappa : Estimate
        Cohen's kappa.
    observed, positive, negative : Estimate
        Share of steps on which both agree; agreement on yes, and on no.
    notes : tuple of str
        What a reader must know.
    """

    both_yes: int
    first_only: int
    second_only: int
    both_no: int
    n_steps: int
    n_patients: int
    kappa: Estimate
    observed: Estimate
    positive: Estimate
    negative: Estimate
    notes: tuple[str, ...]


def _chance(table: NDArray[np.float64]) -> float:
    shares = table / table.sum()
    return float(shares.sum(axis=0) @ shares.sum(axis=1))


def _at_chance(limits: tuple[float, float], chance: float) -> tuple[float, float]:
    """Kappa at the limits of the observed agreement, chance agreement held."""
    lower, upper = limits
    return max((lower - chance) / (1 - chance), -1.0), (upper - chance) / (1 - chance)


def kappa_from_table(table: ArrayLike, level: float = 0.95) -> Estimate:
    """Cohen's kappa of a square table, one step from each patient.

    Parameters
    ----------
    table : array_like, shape (k, k)
        Counts; one reader in rows, the other in columns, answers in the same order.
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        The non-null standard error gives the limits, the null one the p-value.  Without a value when chance
        agreement is complete.

    Raises
    ------
    UsageError
        The table is not square, or a count is negative.
    NotEstimableError
        The table is empty.
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2 or counts.min() < 0:
        raise UsageError("Kappa needs a square table of counts with at least two answers, none of them negative.")
    n = int(counts.sum())
    if n == 0:
        raise NotEstimableError("The table of both readings is empty.")
    chance = _chance(counts)
    if chance > 1 - 1e-12:
        return Estimate(
            "kappa", None, None, None, level, "", "identity", n, LARGE_SAMPLE, "between two readings", reason=NO_CHANCE
        )
    # a reader who gave one answer throughout makes the null standard error zero, and statsmodels divides by it
    with np.errstate(invalid="ignore", divide="ignore"):
        found = cohens_kappa(counts)
    value, error = float(found.kappa), float(np.sqrt(max(found.var_kappa, 0.0)))
    p_value = float(found.pvalue_two_sided) if found.var_kappa0 > 0 else None
    method = LARGE_SAMPLE
    if error > 1e-9:
        reach = float(stats.norm.ppf(0.5 + level / 2)) * error
        lower, upper = max(value - reach, -1.0), min(value + reach, 1.0)
    else:
        method = PERFECT
        agreed = float(np.trace(counts))
        lower, upper = _at_chance(wilson(agreed, n, level), chance)
    return Estimate(
        "kappa", value, min(lower, value), max(upper, value), level, "", "identity", n, method, "between two readings",
        p_value=p_value,
    )  # fmt: skip


def _kappas(tables: NDArray[np.float64]) -> NDArray[np.float64]:
    """Kappa of two-by-two tables in the rows (both, first only, second only, neither); NaN where undefined."""
    both, first, second, neither = tables.T
    n = tables.sum(axis=1)
    crossed = (both + first) * (first + neither) + (both + second) * (second + neither)
    with np.errstate(invalid="ignore", divide="ignore"):
        found: NDArray[np.float64] = np.where(n > 0, 2 * (both * neither - first * second) / crossed, np.nan)
    return found


def _jackknife(
    plain: Estimate, cells: NDArray[np.intp], patient: NDArray[np.intp], observed: tuple[float, float], level: float
) -> Estimate:
    labels, codes = np.unique(patient, return_inverse=True)
    groups = labels.size
    plain = replace(plain, n=groups, p_value=None, method=JACKKNIFE)
    if plain.value is None:
        return plain
    counts = np.zeros((groups, 4))
    np.add.at(counts, (codes, cells), 1.0)
    total = counts.sum(axis=0)
    left = _kappas(total - counts)
    if groups < 2 or np.isnan(left).any():
        told = "kappa rests on one patient, so the jackknife gives no limits"
        return replace(plain, lower=None, upper=None, notes=(told,))
    error = float(np.sqrt((groups - 1) / groups * ((left - left.mean()) ** 2).sum()))
    if error > 1e-9:
        reach = float(stats.t.ppf(0.5 + level / 2, groups - 1)) * error
        return replace(plain, lower=max(plain.value - reach, -1.0), upper=min(plain.value + reach, 1.0))
    lower, upper = _at_chance(observed, _chance(total.reshape(2, 2)))
    return replace(plain, lower=min(lower, plain.value), upper=max(upper, plain.value), method=PERFECT)


def _specific(quantity: str, cells: NDArray[np.intp], agreed: int, patient: NDArray[np.intp], level: float) -> Estimate:
    """Agreement on one answer, 2a/(2a + b + c) = 2s/(1 + s) with s = a/(a + b + c)."""
    used = (cells == agreed) | (cells == 1) | (cells == 2)
    method = SPECIFIC.format(quantity)
    if not used.any():
        reason = f"neither reading said {('no', 'yes')[agreed == 0]} at any step"
        return Estimate(quantity, None, None, None, level, "proportion", "identity", 0, method, reason=reason)
    share = clustered_proportion(cells[used] == agreed, patient[used], level)
    value, lower, upper = (2 * end / (1 + end) for end in (share.value, share.lower, share.upper))
    return Estimate(quantity, value, lower, upper, level, "proportion", "identity", share.clusters, method)


def assess_agreement(
    first: NDArray[np.float64], second: NDArray[np.float64], patient: NDArray[np.intp], level: float = 0.95
) -> Agreement:
    """Agreement of two yes/no readings, with limits that allow for several steps of one patient.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        1 yes, 0 no, NaN not read; only steps that both read count.
    patient : ndarray, shape (n,)
        Codes of patients.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        No step was read by both.
    """
    used = ~(np.isnan(first) | np.isnan(second))
    if not used.any():
        raise NotEstimableError("No step was read twice, so agreement cannot be assessed.")
    cells = (2 * (first[used] != 1) + (second[used] != 1)).astype(np.intp)
    patient = patient[used]
    counts = np.bincount(cells, minlength=4)
    n, patients = int(counts.sum()), int(np.unique(patient).size)
    found = clustered_proportion((cells == 0) | (cells == 3), patient, level)
    observed = Estimate(
        "observed agreement", found.value, found.lower, found.upper, level, "proportion", "identity", patients,
        SHARE.format("share of steps on which both agree"),
    )  # fmt: skip
    kappa = kappa_from_table(counts.reshape(2, 2), level)
    if patients < n:
        kappa = _jackknife(kappa, cells, patient, (found.lower, found.upper), level)
    notes: tuple[str, ...] = ()
    if patients < FEW_PATIENTS:
        notes = (f"only {patients} patient{'s' * (patients != 1)}: the limits are rough",)
    both_yes, first_only, second_only, both_no = (int(count) for count in counts)
    return Agreement(
        both_yes, first_only, second_only, both_no, n, patients, kappa, observed,
        _specific("positive agreement", cells, 0, patient, level),
        _specific("negative agreement", cells, 3, patient, level), notes,
    )  # fmt: skip


def agreement_of_columns(
    study: Study, first: str = "adjudicated_capture", second: str = "second_review_capture", level: float = 0.95
) -> Agreement:
    """Agreement of two yes/no columns of the steps, by default of two reviewers of strips.

    Raises
    ------
    UsageError
        A column is not a yes/no column of the steps, or both are the same.
    NotEstimableError
        The study has no steps, or none was read twice.
    """
    steps = study.steps
    for name in (first, second):
        if name not in steps.columns or steps[name].dtype != "boolean":
            raise UsageError(f"{name} is not a yes/no column of the steps.")
    if first == second:
        raise UsageError(f"{first} agrees with itself; name two columns.")
    if not len(steps):
        raise NotEstimableError("The study has no steps table, so no step was read twice.")
    one, two = (steps[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in (first, second))
    codes = study.attempts["patient_id"].astype("category").cat.codes.to_numpy()
    return assess_agreement(one, two, codes[steps["attempt_row"].to_numpy()].astype(np.intp), level)
