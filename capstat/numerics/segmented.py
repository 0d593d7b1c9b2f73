"""Logistic regression of events on time with a change of level and of slope at a known time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import statsmodels.api as sm
from scipy import stats
from scipy.special import expit

from capstat.numerics.proportions import difference_from_intervals

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["SegmentedFit", "fit_segmented", "has_finite_estimate"]


@dataclass(frozen=True, slots=True, eq=False)
class SegmentedFit:
    """Logit of the probability: ``b0 + b1 s + b2 after + b3 s after``, ``s`` being time since the change.

    Attributes
    ----------
    change : float
        First time of the second segment.
    coefficients : ndarray, shape (4,)
        ``b0`` to ``b3``.
    covariance : ndarray, shape (4, 4)
        Robust to clustering where clusters repeat, and multiplied by ``max(1, dispersion)``.
    dispersion : float
        Pearson chi-square of the counts at each time over its degrees of freedom.
    df : int or None
        Degrees of freedom of the t quantiles; ``None`` (normal quantiles) where the dispersion is at most 1.
    """

    change: float
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    dispersion: float
    df: int | None

    def quantile(self, level: float) -> float:
        """Two-sided quantile for limits at this level."""
        tail = 0.5 + level / 2
        return float(stats.norm.ppf(tail) if self.df is None else stats.t.ppf(tail, self.df))

    def p_value(self, at: int) -> float:
        """Two-sided Wald p-value of one coefficient."""
        size = abs(self.coefficients[at]) / np.sqrt(self.covariance[at, at])
        return float(2 * (stats.norm.sf(size) if self.df is None else stats.t.sf(size, self.df)))

    def difference_at(self, time: float, level: float) -> tuple[float, float, float]:
        """Fitted probability less that of the first segment carried on, with limits.

        Square-and-add from the limits of both on the logit scale with the correlation of the two logits (Zou & Donner
        2008, from memory).  In simulated series limits of 95 % by the delta method held the truth in 83 to 90 %, these
        in 96 to 97 %: a trend carried on soon comes near 0 or 1.
        """
        s = time - self.change
        lines = np.array([[1.0, s, 1.0, s], [1.0, s, 0.0, 0.0]])
        logits, spread = lines @ self.coefficients, lines @ self.covariance @ lines.T
        errors = np.sqrt(np.diag(spread))
        half = self.quantile(level) * errors
        lower, value, upper = (expit(logits + shift) for shift in (-half, 0.0, half))
        correlation = float(spread[0, 1] / (errors[0] * errors[1]))
        ends = [(float(lower[k]), float(upper[k])) for k in (0, 1)]
        fitted, carried = (float(share) for share in value)
        return fitted - carried, *difference_from_intervals(fitted, ends[0], carried, ends[1], correlation)


def has_finite_estimate(event: NDArray[np.bool_], time: NDArray[np.float64], change: float) -> bool:
    """Whether the maximum-likelihood estimate exists: times of events and of the others overlap in both segments.

    The model is a logistic regression on one variable in each segment; that has a finite estimate unless a cut
    separates the two kinds, ties included (Albert & Anderson 1984, from memory).
    """
    for segment in (time < change, time >= change):
        yes, no = time[segment & event], time[segment & ~event]
        if not (yes.size and no.size and yes.min() < no.max() and no.min() < yes.max()):
            return False
    return True


def fit_segmented(
    event: NDArray[np.bool_], time: NDArray[np.float64], change: float, cluster: NDArray[np.intp]
) -> SegmentedFit:
    """Fit by maximum likelihood (statsmodels' GLM); all arrays of shape (n,).

    Standard errors are those of the model when every cluster occurs once, else cluster-robust; they are widened by
    the square root of the dispersion where that exceeds 1 (McCullagh & Nelder 1989, from memory), never narrowed.

    Raises
    ------
    ValueError
        When the estimate is not finite, or there are fewer than five distinct times.
    """
    if not has_finite_estimate(event, time, change):
        raise ValueError("The events are separated by time, so there is no finite estimate.")
    times, at = np.unique(time, return_inverse=True)
    if times.size < 5:
        raise ValueError("Four coefficients need at least five distinct times.")
    after = (time >= change).astype(float)
    design = np.column_stack((np.ones(time.size), time - change, after, (time - change) * after))
    model = sm.GLM(event.astype(float), design, family=sm.families.Binomial())
    _, codes = np.unique(cluster, return_inverse=True)
    if codes.max() + 1 < codes.size:
        fit = model.fit(tol=1e-12, cov_type="cluster", cov_kwds={"groups": codes})
    else:
        fit = model.fit(tol=1e-12)
    trials = np.bincount(at)
    expected = np.bincount(at, weights=fit.fittedvalues)
    pearson = (np.bincount(at, weights=event) - expected) ** 2 / (expected * (1 - expected / trials))
    df = times.size - 4
    dispersion = float(pearson.sum()) / df
    covariance = np.asarray(fit.cov_params()) * max(1.0, dispersion)
    return SegmentedFit(change, np.asarray(fit.params), covariance, dispersion, df if dispersion > 1 else None)
