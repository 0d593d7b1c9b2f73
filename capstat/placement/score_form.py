"""Log-rank test of interval-censored thresholds with the variance of the likelihood: for groups whose ramps differ."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.placement.interval_scores import (
    SCORES,
    Pooled,
    favoured,
    group_labels,
    interval_scores,
    pooled_estimate,
    score_patients,
)
from capstat.placement.score_tests import ScoreTest
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from capstat.thresholds import CensoredThresholds

__all__ = ["score_form_test"]

METHOD = (
    "score test of the discrete logistic hazards model with the observed information, masses profiled out "
    "(Sun 1996; Fay & Shaw 2010); needs no permutation and so no equal ramps, but settings fixed in advance"
)


def _curvature(pooled: Pooled, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Second derivatives of the log-likelihood in the logits of the hazards, shape (k - 1, k - 1).

    ``weights`` are those of the attempts.  A support interval has log probability log h_j + sum of
    log(1 - h_l) before it; the last hazard is 1 and no parameter.
    """
    k = pooled.mass.size
    hazard = pooled.hazard[:-1]
    slope = np.eye(k)[:, :-1] - np.tri(k)[:, :-1] * hazard
    size = np.bincount(pooled.cell, weights=weights, minlength=pooled.first.size)
    columns = np.arange(k)
    inside = (pooled.first[:, None] <= columns) & (columns <= pooled.last[:, None])
    share = inside * pooled.mass
    share /= share.sum(axis=1, keepdims=True)
    expected = share @ slope
    mixed = size @ share
    at_risk = np.cumsum(mixed[::-1])[::-1][:-1]
    return np.asarray(
        slope.T @ (mixed[:, None] * slope)
        - expected.T @ (size[:, None] * expected)
        - np.diag(at_risk * hazard * (1 - hazard))
    )


def score_form_test(thresholds: CensoredThresholds, groups: ArrayLike | None = None) -> ScoreTest:
    """Log-rank test (Sun's scores) with the variance of the likelihood instead of that of permutations.

    For groups whose ramps differ, where permutation is not justified.  The reference is the chi-square distribution
    alone; it rests on currents fixed in advance and on many attempts for each support interval.

    Parameters
    ----------
    thresholds : CensoredThresholds
        One attempt of each patient, without weights.
    groups : array-like of str, shape (n,), optional
        Group of every attempt; the placement when omitted.

    Raises
    ------
    NotEstimableError
        When a patient has several attempts, which the likelihood would take for independent ones, or when the data
        cannot tell the groups apart.
    """
    labels = group_labels(thresholds, groups)
    if thresholds.clustered:
        raise NotEstimableError("The score form takes attempts as independent, but some patients have several.")
    pooled = pooled_estimate(thresholds)
    units = score_patients(thresholds, labels, interval_scores(pooled)[:, [1]])
    sums = (units.table @ units.scores)[:, 0]
    each = [_curvature(pooled, (labels == name).astype(float)) for name in units.names]
    nuisance = -np.sum(each, axis=0)
    cross = np.array([-matrix.sum(axis=0) for matrix in each[1:]])
    information = np.diag(cross.sum(axis=1)) - cross @ np.linalg.solve(nuisance, cross.T)
    if np.linalg.eigvalsh(information).min() < 1e-9:
        raise NotEstimableError(
            "The attempts of some group say nothing about thresholds, so groups cannot be compared."
        )
    statistic = float(sums[1:] @ np.linalg.solve(information, sums[1:]))
    df = sums.size - 1
    whole = tuple(float(value) for value in sums)
    sizes = tuple(int(size) for size in units.table.sum(axis=1))
    return ScoreTest(
        SCORES[1], statistic, "chi-square", df, float(stats.chi2.sf(statistic, df)), None, False, 0, None,
        favoured(units.names, whole), units.names, sizes, whole, sum(sizes), (), METHOD,
    )  # fmt: skip
