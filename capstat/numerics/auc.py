"""Area under the receiver operating characteristic curve, with observations that may come in clusters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["AreaUnderCurve", "area_under_curve", "score_limits_of_area"]


@dataclass(frozen=True, slots=True)
class AreaUnderCurve:
    """Chance that a positive observation has the higher value, ties counting half.

    Attributes
    ----------
    value : float
        The area.
    lower, upper : float
        Limits.
    variance : float or None
        Variance of ``value``; ``None`` where there are too few clusters to tell.
    by_score : bool
        Whether the limits are score limits, because the variance is zero or unknown.
    """

    value: float
    lower: float
    upper: float
    variance: float | None
    by_score: bool


def score_limits_of_area(value: float, positives: int, negatives: int, level: float) -> tuple[float, float]:
    """Limits of an area that is 0 or 1 as well as of any other (Newcombe 2006, Stat Med 25:559, from memory).

    The areas whose distance from the estimate is at most z standard errors, with the variance of Hanley & McNeil
    (1982) in Newcombe's symmetric form: ``A (1 - A) [1 + N (1 - A)/(2 - A) + N A/(1 + A)] / (m n)``, N being the mean
    of m and n less 1.
    """
    z2 = float(stats.norm.ppf(0.5 + level / 2)) ** 2
    typical = (positives + negatives) / 2 - 1

    def lower(estimate: float) -> float:
        def excess(area: float) -> float:
            variance = area * (1 - area) * (1 + typical * (1 - area) / (2 - area) + typical * area / (1 + area))
            return (estimate - area) ** 2 - z2 * variance / (positives * negatives)

        # both sides vanish at an estimate of 1, so the search stops just below the estimate
        return float(optimize.brentq(excess, 0.0, estimate * (1 - 1e-9))) if estimate > 0 else 0.0

    return lower(value), 1 - lower(1 - value)


def _variance(
    above: NDArray[np.float64],
    below: NDArray[np.float64],
    area: float,
    positive: NDArray[np.bool_],
    codes: NDArray[np.intp],
    groups: int,
) -> float | None:
    """Variance of Obuchowski (1997) from how much of the other side each lies beyond."""
    m, n = above.size, below.size
    held_m = np.unique(codes[positive]).size
    held_n = np.unique(codes[~positive]).size
    if min(held_m, held_n) < 2:
        return None
    sums_m = np.bincount(codes[positive], weights=above - area, minlength=groups)
    sums_n = np.bincount(codes[~positive], weights=below - area, minlength=groups)
    s10 = held_m / ((held_m - 1) * m) * float(sums_m @ sums_m)
    s01 = held_n / ((held_n - 1) * n) * float(sums_n @ sums_n)
    s11 = groups / (groups - 1) * float(sums_m @ sums_n)
    return max(s10 / m + s01 / n + 2 * s11 / (m * n), 0.0)


def area_under_curve(
    value: NDArray[np.float64], positive: NDArray[np.bool_], cluster: NDArray[np.intp], level: float = 0.95
) -> AreaUnderCurve:
    """Area under the curve with limits on the logit scale.

    The variance is that of Obuchowski (1997, Biometrics 53:567, from memory), which with one observation in each
    cluster is that of DeLong, DeLong & Clarke-Pearson (1988, Biometrics 44:837, from memory).  Quantiles are normal
    without clusters, t with the clusters less 1 otherwise.  Where the variance is zero (areas of 0 and 1) or the
    positives or the negatives all lie in one cluster, the limits are :func:`score_limits_of_area` for as many
    observations as there are clusters.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Higher speaks for positive.
    positive : ndarray of bool, shape (n,)
        Which are positive.
    cluster : ndarray, shape (n,)
        Labels; observations of one cluster are not independent of each other.
    level : float
        Confidence level.

    Raises
    ------
    ValueError
        There are no positives, or no negatives.
    """
    m, n = int(positive.sum()), int((~positive).sum())
    if min(m, n) == 0:
        raise ValueError("An area under the curve needs positives and negatives.")
    codes, labels = pd.factorize(cluster)
    groups = len(labels)
    ranks = stats.rankdata(value)
    above = (ranks[positive] - stats.rankdata(value[positive])) / n
    below = 1 - (ranks[~positive] - stats.rankdata(value[~positive])) / m
    area = float(above.mean())
    variance = _variance(above, below, area, positive, codes, groups)
    if variance is None or variance <= 0 or not 0 < area < 1:
        held = (np.unique(codes[positive]).size, np.unique(codes[~positive]).size)
        lower, upper = score_limits_of_area(area, held[0], held[1], level)
        return AreaUnderCurve(area, lower, upper, variance, by_score=True)
    tail = 0.5 + level / 2
    quantile = stats.norm.ppf(tail) if groups == m + n else stats.t.ppf(tail, groups - 1)
    reach = float(quantile) * np.sqrt(variance) / (area * (1 - area))
    lower, upper = special.expit(special.logit(area) + np.array([-reach, reach]))
    return AreaUnderCurve(area, float(lower), float(upper), variance, by_score=False)
