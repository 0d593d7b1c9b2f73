"""Proportions of observations that come in clusters, with limits that hold at 0 and 100 %."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from capstat.numerics.proportions import wilson

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["ClusteredProportion", "clustered_proportion"]


@dataclass(frozen=True, slots=True)
class ClusteredProportion:
    """A share with limits that allow for clusters.

    Attributes
    ----------
    value, lower, upper : float
        The share and its limits.
    n, clusters : int
        Observations, and clusters that they come from.
    effective_n : float
        Size of a sample of independent observations that would be as informative.
    """

    value: float
    lower: float
    upper: float
    n: int
    clusters: int
    effective_n: float


def clustered_proportion(
    success: NDArray[np.bool_], cluster: NDArray[np.intp], level: float = 0.95
) -> ClusteredProportion:
    """Share of successes with Wilson limits at the effective sample size (Korn & Graubard 1998, from memory).

    The variance is that of the ratio estimator, ``G/(G-1) sum_g (sum_i (y_gi - p))^2 / n^2`` (Cochran 1977, from
    memory), and the size is reduced by the squared ratio of t quantiles for n observations and for G clusters.  At 0
    and 100 % there is no variance, and every cluster counts once.  With one observation in each cluster these are
    Wilson's plain limits.

    Parameters
    ----------
    success : ndarray of bool, shape (n,)
        What was seen.
    cluster : ndarray, shape (n,)
        Labels; observations of one cluster are not independent of each other.
    level : float
        Confidence level.

    Raises
    ------
    ValueError
        When there are no observations.
    """
    n = success.size
    if n == 0:
        raise ValueError("A proportion needs at least one observation.")
    codes, labels = pd.factorize(cluster)
    groups = len(labels)
    value = float(success.mean())
    effective = float(n)
    if groups < n:
        totals = np.bincount(codes, weights=success - value, minlength=groups)
        variance = groups / max(groups - 1, 1) * float(totals @ totals) / n**2
        plain = value * (1 - value)
        # clusters with equal shares, or one cluster alone, leave only rounding
        effective = min(plain / variance, n) if variance > 1e-12 * plain / n else float(groups)
        own, fewer = np.asarray(stats.t.ppf(0.5 + level / 2, [n - 1, max(groups - 1, 1)]))
        effective *= float(own / fewer) ** 2
    lower, upper = wilson(value * effective, effective, level)
    return ClusteredProportion(value, lower, upper, n, groups, effective)
