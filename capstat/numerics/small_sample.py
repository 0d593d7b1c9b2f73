"""Corrections for few observations, exact for the uncensored normal model and carried over to censored ones.

With normal errors, n observations and p coefficients, the likelihood-ratio statistic of one coefficient is
``n log(1 + t^2 / (n - p))`` and its Wald interval is exact with the t quantile and a variance inflated by
``n / (n - p)``.  The normal and chi-square quantiles that likelihood theory offers are too small when n is small.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

__all__ = ["drop_in_log_likelihood", "p_from_likelihood_ratio", "p_from_wald", "wald_multiplier"]


def wald_multiplier(n: int, p: int, level: float) -> float:
    """Return the factor of a maximum-likelihood standard error in an interval; infinite when ``n <= p``."""
    if n <= p:
        return np.inf
    return float(stats.t.ppf(0.5 + level / 2, n - p) * np.sqrt(n / (n - p)))


def p_from_wald(statistic: float, n: int, p: int) -> float | None:
    """Return the two-sided p-value of estimate over standard error; ``None`` when ``n <= p``."""
    if n <= p:
        return None
    return float(2 * stats.t.sf(abs(statistic) * np.sqrt((n - p) / n), n - p))


def drop_in_log_likelihood(n: int, p: int, level: float) -> float:
    """Return how far the profile log-likelihood may fall inside an interval; infinite when ``n <= p``."""
    if n <= p:
        return np.inf
    t = float(stats.t.ppf(0.5 + level / 2, n - p))
    return n / 2 * float(np.log1p(t**2 / (n - p)))


def p_from_likelihood_ratio(statistic: float, n: int, p: int) -> float | None:
    """Return the two-sided p-value of twice the fall in log-likelihood; ``None`` when ``n <= p``."""
    if n <= p:
        return None
    t = float(np.sqrt((n - p) * np.expm1(max(statistic, 0.0) / n)))
    return float(2 * stats.t.sf(t, n - p))
