"""Risks of an outcome weighted by a propensity score, and the balance that the weights give."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from statsmodels.discrete.discrete_model import Logit
from statsmodels.tools.sm_exceptions import PerfectSeparationError

from capstat.numerics.batch_logistic import batch_logistic
from capstat.numerics.firth import check_columns
from capstat.outcomes.outcome_contrast import AdjustedContrast, RiskPair, adjusted_contrast
from capstat.outcomes.outcome_models import confounder_design
from capstat.placement.observational.balance import BalanceRow, standardised_mean_difference
from capstat.placement.observational.propensity import FEWEST_IN_GROUP, MOST_ITERATIONS
from capstat.placement.observational.weighting import Weighting, effective_size, propensity_weights
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.outcome_data import CompleteOutcome, OutcomeData

__all__ = ["GroupScore", "balance_rows", "fit_group_score", "weighted_contrasts", "weighted_risks"]

# of a coefficient for one standard deviation of its column, in resamples only: wide enough to change nothing but a
# resample in which the confounders tell the group
PRIOR_SD = 10.0
BLOCK = 4_000_000  # numbers in one array of a block of resamples


@dataclass(frozen=True, slots=True, eq=False)
class GroupScore:
    """Propensity score of the first group.

    Attributes
    ----------
    names : tuple of str
        Columns of the confounders, without the intercept.
    design : ndarray, shape (m, q)
        Intercept and confounders, these with mean 0 and standard deviation 1.
    coefficients : ndarray, shape (q,)
        Maximum-likelihood estimates for these columns.
    score : ndarray, shape (m,)
        Probability of the first group, strictly between 0 and 1.
    """

    names: tuple[str, ...]
    design: NDArray[np.float64]
    coefficients: NDArray[np.float64]
    score: NDArray[np.float64]


def fit_group_score(complete: CompleteOutcome) -> GroupScore:
    """Fit the propensity score by logistic regression with main effects (Rosenbaum & Rubin 1983, from memory).

    Raises
    ------
    NotEstimableError
        When a group has fewer than 5 patients, a confounder follows from the others, or the confounders tell the group.
    """
    is_first = complete.is_first
    smaller = int(min(is_first.sum(), (~is_first).sum()))
    if smaller < FEWEST_IN_GROUP:
        raise NotEstimableError(
            f"A propensity score needs at least {FEWEST_IN_GROUP} patients with all confounders in each group; there "
            f"are {smaller} in one."
        )
    design, names = confounder_design(complete)
    check_columns(design, names)
    columns = design[:, 1:]
    design = np.column_stack((design[:, :1], (columns - columns.mean(axis=0)) / columns.std(axis=0)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what they warn of is looked at below
        try:
            fit = Logit(is_first.astype(float), design).fit(disp=0, maxiter=MOST_ITERATIONS)
            converged = bool(fit.mle_retvals["converged"])
        except (PerfectSeparationError, np.linalg.LinAlgError):
            converged = False
    if not converged:
        raise NotEstimableError(
            f"Some combination of {', '.join(complete.confounders)} occurs in one of the groups only, so its patients "
            "have nobody to be compared with."
        )
    coefficients = np.asarray(fit.params)
    return GroupScore(names[1:], design, coefficients, special.expit(design @ coefficients))


def balance_rows(score: GroupScore, is_first: NDArray[np.bool_]) -> tuple[BalanceRow, ...]:
    """Standardised mean differences of every column of the confounders, before and after either weighting."""
    weights = (
        np.ones(is_first.size),
        propensity_weights(score.score, is_first, Weighting.INVERSE_PROBABILITY),
        propensity_weights(score.score, is_first, Weighting.OVERLAP),
    )
    return tuple(
        BalanceRow(name, *(standardised_mean_difference(values, is_first, weight) for weight in weights))
        for name, values in zip(score.names, score.design.T[1:], strict=True)
    )


def weighted_risks(
    score: NDArray[np.float64], count: NDArray[np.float64], complete: CompleteOutcome, weighting: Weighting
) -> NDArray[np.float64]:
    """Weighted risks of the first and of the second group (Hajek).

    Parameters
    ----------
    score : ndarray, shape (..., m)
        Propensity score.
    count : ndarray, shape (..., m)
        How often each patient counts.
    complete : CompleteOutcome
        Patients.
    weighting : Weighting
        Whom the groups are to stand for.

    Returns
    -------
    ndarray, shape (..., 2)
    """
    weight = propensity_weights(score, complete.is_first, weighting) * count
    groups = np.column_stack((complete.is_first, ~complete.is_first)).astype(float)
    return np.asarray((weight * complete.value) @ groups / (weight @ groups))


def _resampled(
    score: GroupScore, complete: CompleteOutcome, replicates: int, seed: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Counts (b, m) of patients drawn within each group, and the scores (b, m) refitted to them."""
    rng = np.random.default_rng(seed)
    is_first, m = complete.is_first, complete.is_first.size
    count = np.zeros((replicates, m))
    for own in (is_first, ~is_first):
        size = int(own.sum())
        count[:, own] = rng.multinomial(size, np.full(size, 1 / size), size=replicates)
    block = max(1, BLOCK // m)
    refitted = [
        batch_logistic(score.design, part * is_first, part, prior_sd=PRIOR_SD, start=score.coefficients)
        for part in (count[i : i + block] for i in range(0, replicates, block))
    ]
    coefficients = np.concatenate(refitted)
    settled = ~np.isnan(coefficients).any(axis=1)
    # a score of exactly 0 or 1 would give a weight without end
    rate = np.clip(special.expit(coefficients[settled] @ score.design.T), 1e-9, 1 - 1e-9)
    return count[settled], rate


def weighted_contrasts(
    data: OutcomeData, complete: CompleteOutcome, score: GroupScore, *, level: float, replicates: int, seed: int
) -> tuple[AdjustedContrast, AdjustedContrast]:
    """Compare weighted risks: inverse-probability weights, then overlap weights.

    The variances come from a bootstrap of patients within each group that refits the score.

    Parameters
    ----------
    data : OutcomeData
        For the names.
    complete : CompleteOutcome
        Patients.
    score : GroupScore
        Their propensity score.
    level : float
        Confidence level.
    replicates, seed : int
        Of the bootstrap.
    """
    count, rate = _resampled(score, complete, replicates, seed)
    is_first = complete.is_first
    results = []
    for weighting in (Weighting.INVERSE_PROBABILITY, Weighting.OVERLAP):
        risks = weighted_risks(score.score, np.ones(is_first.size), complete, weighting)
        covariance = np.cov(weighted_risks(rate, count, complete, weighting), rowvar=False)
        weight = propensity_weights(score.score, is_first, weighting)
        sizes = effective_size(weight[is_first]), effective_size(weight[~is_first])
        pair = RiskPair(float(risks[0]), float(risks[1]), covariance, sizes, is_first.size)
        # the groups of the enumeration are named after placements; here they may be any two
        whom = "all patients" if weighting is Weighting.INVERSE_PROBABILITY else "patients who could be in either group"
        name = "inverse-probability" if weighting is Weighting.INVERSE_PROBABILITY else "overlap"
        method = (
            f"{name} weights from a logistic propensity score, which stand for {whom}; variance from {len(rate)} "
            "bootstrap resamples of patients within groups, the score refitted in each"
        )
        note = f"Effective sizes of the weighted groups: {sizes[0]:.0f} {data.first}, {sizes[1]:.0f} {data.minus}."
        results.append(adjusted_contrast(data, pair, method, level, (note,)))
    return results[0], results[1]
