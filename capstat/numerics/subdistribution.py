"""Proportional subdistribution hazards for one of several competing causes (Fine & Gray), without expanding rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.hazards_fit import maximise
from capstat.numerics.hazards_rows import check_names, checked_rows, cluster_codes, standardised
from capstat.numerics.hazards_sets import RiskSets, binned, breslow_terms
from capstat.numerics.hazards_variance import clustered, score_residuals
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from capstat.numerics.hazards_fit import Maximum

__all__ = ["SubdistributionFit", "fit_subdistribution", "predict_incidence"]


@dataclass(frozen=True, slots=True, eq=False)
class SubdistributionFit:
    """A fitted regression; arrays of p follow the columns of the design.

    Attributes
    ----------
    names : tuple of str
        Columns.
    which : int
        Cause of interest.
    coefficients : ndarray, shape (p,)
        Log subdistribution hazard ratios for one unit of each column.
    covariance : ndarray, shape (p, p)
        Fine and Gray's sandwich, by cluster where there are clusters.
    log_likelihood, null_log_likelihood : float
        Weighted partial log-likelihood at the estimate, and with all coefficients 0.
    iterations : int
        Newton steps.
    scaled_score : float
        Certificate: the largest score divided by the root of its information; 0 at the exact maximum.
    n, n_events, n_competing : int
        Rows, those with an event of the cause, and those with another cause.
    clusters : int or None
        Number of clusters.
    means : ndarray, shape (p,)
        Means of the columns.
    baseline_times, baseline_hazard : ndarray, shape (k,)
        Event times and the cumulative subdistribution hazard there of a row at ``means``; 0 before.
    last : float
        Longest time of any row: nothing is known beyond.
    """

    names: tuple[str, ...]
    which: int
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    log_likelihood: float
    null_log_likelihood: float
    iterations: int
    scaled_score: float
    n: int
    n_events: int
    n_competing: int
    clusters: int | None
    means: NDArray[np.float64]
    baseline_times: NDArray[np.float64]
    baseline_hazard: NDArray[np.float64]
    last: float


@dataclass(frozen=True, slots=True, eq=False)
class _Censoring:
    """Kaplan and Meier's curve of the ends of follow-up: distinct times (c,), number at risk, and hazard there."""

    times: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    hazard: NDArray[np.float64]

    def before(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of being followed up to just before each time."""
        free = np.concatenate([[1.0], np.cumprod(1 - self.hazard)])
        return np.asarray(free[np.searchsorted(self.times, t, side="left")])


def _censoring(time: NDArray[np.float64], censored: NDArray[np.bool_]) -> _Censoring:
    """Rows with any event at a time are still at risk of censoring there, as in R's cmprsk."""
    times, counts = np.unique(time[censored], return_counts=True)
    at_risk = time.size - np.searchsorted(np.sort(time), times, side="left").astype(float)
    return _Censoring(times, at_risk, counts / at_risk)


def fit_subdistribution(
    time: ArrayLike,
    cause: ArrayLike,
    design: ArrayLike,
    *,
    which: int = 1,
    cluster: ArrayLike | None = None,
    names: Sequence[str] | None = None,
) -> SubdistributionFit:
    """Maximise Fine and Gray's weighted partial likelihood (1999, from memory); ties by Breslow, as R's cmprsk::crr.

    A row with another cause at ``T`` stays at risk after it with the weight ``G(t-)/G(T-)``, G being Kaplan and Meier's
    curve of the ends of follow-up.  The weight is a factor of the time and a factor of the row, so that all sums over
    those at risk are cumulative sums.  Censoring must not depend on the columns.  The covariance holds the term for
    the estimated G; with clusters the same influences are added up by cluster, without a correction for few.

    Parameters
    ----------
    time : array, shape (n,)
        Time of the event or of the end of follow-up, any unit, not negative.
    cause : array of int, shape (n,)
        0 for no event, else the cause.
    design : array, shape (n, p)
        Columns without an intercept, known at the beginning.
    which : int
        Cause of interest.
    cluster : array, shape (n,), optional
        Labels.
    names : sequence of str, optional
        Of the columns, for messages.

    Raises
    ------
    UsageError
        When shapes do not fit, or a value is not as above.
    NotEstimableError
        When there are no events of the cause, a column does not vary or follows from others, or events are separated
        by a column.
    """
    at, code, columns, ones = checked_rows(time, cause, design, None, names)
    if which < 1 or not ((code >= 0) & (code == np.floor(code))).all():
        raise UsageError("Causes must be whole numbers from 0 (no event), and the cause of interest at least 1.")
    labels = check_names(names, columns.shape[1])
    codes = np.arange(at.size) if cluster is None else cluster_codes(cluster, at.size)
    died, competing = np.flatnonzero(code == which), (code > 0) & (code != which)
    if died.size == 0:
        raise NotEstimableError(f"There are no events of cause {which}, so that no hazards can be compared.")
    times, place = np.unique(at[died], return_inverse=True)
    stop = np.searchsorted(times, at, side="right")
    censoring = _censoring(at, code == 0)
    kept_by = np.where(competing, 1 / censoring.before(at), 0.0)
    sets = RiskSets(
        times, None, stop, died, place, ones, *breslow_terms(place, ones[died], times.size),
        kept_at=censoring.before(times), kept_by=kept_by,
    )  # fmt: skip
    scaled, means, scales = standardised(columns, ones, labels)
    best = maximise(sets, scaled, labels, None)
    influence = score_residuals(scaled, best) + _censoring_residuals(scaled, best, at, code == 0, censoring)
    covariance = clustered(influence @ np.linalg.inv(best.information), codes) / np.outer(scales, scales)
    increments = sets.term_weight / best.at.at_risk * np.exp(-best.at.shift)
    return SubdistributionFit(
        labels, which, best.at.beta / scales, covariance, best.at.log_likelihood, best.null_log_likelihood,
        best.iterations, best.scaled_score, at.size, died.size, int(competing.sum()),
        None if cluster is None else int(codes.max()) + 1, means, times, np.cumsum(increments), float(at.max()),
    )  # fmt: skip


def _censoring_residuals(
    design: NDArray[np.float64],
    best: Maximum,
    time: NDArray[np.float64],
    censored: NDArray[np.bool_],
    censoring: _Censoring,
) -> NDArray[np.float64]:
    """What each row adds to the score through the estimated curve of the ends of follow-up, shape (n, p).

    ``q(s)/pi(s)`` integrated over the row's censoring martingale; q(s) is what rows ended by another cause before s
    add from s on (Fine & Gray's indicator ``X < s <= u``, also at ties, as in crr).
    """
    sets = best.at.sets
    if censoring.times.size == 0 or sets.kept_at is None or sets.kept_by is None:
        return np.zeros_like(design)
    increments = sets.kept_at * sets.term_weight / best.at.at_risk
    size, p = censoring.times.size, design.shape[1]
    after = np.searchsorted(sets.times, censoring.times, side="left")
    place = np.searchsorted(censoring.times, time, side="left")
    ended = np.searchsorted(censoring.times, time, side="right")
    # first column for the sums of weights, the others for the columns of the design
    kept = (best.at.risk * sets.kept_by)[:, None] * np.column_stack([np.ones(time.size), design])
    hazard = increments[:, None] * np.column_stack([np.ones(increments.size), best.means])
    earlier = np.cumsum(binned(ended, kept, size + 1), axis=0)[:size]
    later = np.concatenate([np.cumsum(hazard[::-1], axis=0)[::-1], np.zeros((1, p + 1))])[after]
    ratio = (earlier[:, 1:] * later[:, :1] - earlier[:, :1] * later[:, 1:]) / censoring.at_risk[:, None]
    exposed = np.concatenate([np.zeros((1, p)), np.cumsum(ratio * censoring.hazard[:, None], axis=0)])
    own = np.where(censored[:, None], ratio[np.minimum(place, size - 1)], 0.0)
    return np.asarray(own - exposed[ended])


def predict_incidence(fit: SubdistributionFit, design: ArrayLike, times: ArrayLike) -> NDArray[np.float64]:
    """Cumulative incidence ``1 - exp(-H(t) exp(x'b))`` of each row at each time, shape (rows, times).

    Raises
    ------
    UsageError
        When the columns do not fit, or a time lies beyond the longest one that was observed.
    """
    rows, at = np.asarray(design, dtype=float), np.asarray(times, dtype=float)
    if rows.ndim != 2 or rows.shape[1] != fit.means.size:
        raise UsageError(f"The design must have {fit.means.size} columns.")
    if not (at <= fit.last).all():
        raise UsageError(f"Nobody was followed beyond {fit.last:g}.")
    hazard = np.concatenate([[0.0], fit.baseline_hazard])[np.searchsorted(fit.baseline_times, at, side="right")]
    # rows far outside the data: certain or impossible events, never inf times 0
    ratio = np.exp(np.clip((rows - fit.means) @ fit.coefficients, -500, 500))
    return np.asarray(-np.expm1(-np.outer(ratio, hazard)))
