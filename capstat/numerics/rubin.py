"""Pooling the results of imputed data sets (Rubin 1987; Barnard & Rubin 1999)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["Pooled", "pool"]

# relative to the variance within: less than this between imputations is rounding
ROUNDING = 1e-14


@dataclass(frozen=True, slots=True)
class Pooled:
    """A scalar estimate over m imputed data sets.

    Attributes
    ----------
    estimate : float
        Mean of the m estimates.
    within, between, total : float
        Mean of the variances, variance of the estimates, ``within + (1 + 1/m) between``.
    fraction : float
        Share of the total variance that is due to imputation (lambda).
    increase : float
        Relative increase in variance (r).
    df : float
        Degrees of freedom: Barnard & Rubin's when those of the complete data are known, else Rubin's; infinite without
        variance between imputations and without complete-data degrees of freedom.
    missing_information : float
        ``(r + 2/(df + 3))/(r + 1)``.
    """

    estimate: float
    within: float
    between: float
    total: float
    fraction: float
    increase: float
    df: float
    missing_information: float

    def interval(self, level: float) -> tuple[float, float]:
        """t interval."""
        reach = float(stats.t.ppf(0.5 + level / 2, self.df)) * float(np.sqrt(self.total))
        return self.estimate - reach, self.estimate + reach

    def p_value(self, null: float = 0.0) -> float:
        """Two-sided p-value."""
        return float(2 * stats.t.sf(abs(self.estimate - null) / np.sqrt(self.total), self.df))


def pool(estimates: ArrayLike, variances: ArrayLike, complete_df: float | None = None) -> Pooled:
    """Pool m estimates and their variances, each of shape (m,), m at least 2.

    ``complete_df`` are the degrees of freedom that the complete data would have had.
    """
    estimate, variance = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    m = estimate.size
    if m < 2 or variance.shape != estimate.shape:
        raise ValueError("Pooling needs at least two estimates, each with its variance.")
    within, between = float(variance.mean()), float(estimate.var(ddof=1))
    if between <= ROUNDING * within:
        between = 0.0
    extra = (1 + 1 / m) * between
    total = within + extra
    fraction, increase = extra / total, extra / within
    df = (m - 1) / fraction**2 if fraction > 0 else np.inf
    if complete_df is not None:
        observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - fraction)
        df = observed if np.isinf(df) else df * observed / (df + observed)
    missing = 0.0 if fraction == 0 else (increase + 2 / (df + 3)) / (increase + 1)
    return Pooled(float(estimate.mean()), within, between, total, fraction, increase, float(df), float(missing))
