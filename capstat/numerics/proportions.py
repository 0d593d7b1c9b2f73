"""Intervals and exact tests for proportions: one sample, two independent samples, and pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

__all__ = [
    "McNemarResult",
    "clopper_pearson",
    "difference_from_intervals",
    "mcnemar",
    "paired_difference_newcombe",
    "wilson",
]


def _exact_ends(lower: Any, upper: Any, count: Any, nobs: Any) -> tuple[Any, Any]:
    """Set the limits to exactly 0 and 1 at the ends, where rounding leaves 1e-17."""
    lower = np.where(np.asarray(count) <= 0, 0.0, np.clip(lower, 0.0, 1.0))
    upper = np.where(np.asarray(count) >= np.asarray(nobs), 1.0, np.clip(upper, 0.0, 1.0))
    if lower.ndim == 0:
        return float(lower), float(upper)
    return lower, upper


def wilson(count: Any, nobs: Any, level: float = 0.95) -> tuple[Any, Any]:
    """Wilson score interval without continuity correction (Wilson 1927, as in Newcombe 1998).

    ``count`` and ``nobs`` may be arrays and need not be whole numbers, so that an effective sample size
    can be used (Korn & Graubard 1998).  ``nobs`` must be positive.
    """
    if np.any(np.asarray(nobs) <= 0):
        raise ValueError("A proportion needs at least one observation.")
    lower, upper = proportion_confint(count, nobs, alpha=1 - level, method="wilson")
    return _exact_ends(lower, upper, count, nobs)


def clopper_pearson(count: Any, nobs: Any, level: float = 0.95) -> tuple[Any, Any]:
    """Clopper-Pearson interval (Clopper & Pearson 1934): each tail has at most half of the error.

    Takes arrays and numbers that are not whole, as :func:`wilson` does.  Unlike Wilson's it holds its level for
    rare events at high levels.
    """
    if np.any(np.asarray(nobs) <= 0):
        raise ValueError("A proportion needs at least one observation.")
    lower, upper = proportion_confint(count, nobs, alpha=1 - level, method="beta")
    return _exact_ends(lower, upper, count, nobs)


def difference_from_intervals(
    p1: float,
    interval1: tuple[float, float],
    p2: float,
    interval2: tuple[float, float],
    correlation: float = 0.0,
) -> tuple[float, float]:
    """Interval for p1 - p2 from the separate intervals of both (square-and-add).

    Newcombe (1998, Stat Med 17:2635); Zou & Donner (2008) for any pair of estimators.  ``correlation`` is
    that of the two estimators; zero when no unit contributes to both.
    """
    (l1, u1), (l2, u2) = interval1, interval2
    down = (p1 - l1) ** 2 - 2 * correlation * (p1 - l1) * (u2 - p2) + (u2 - p2) ** 2
    up = (u1 - p1) ** 2 - 2 * correlation * (u1 - p1) * (p2 - l2) + (p2 - l2) ** 2
    difference = p1 - p2
    lower = difference - float(np.sqrt(max(down, 0.0)))
    upper = difference + float(np.sqrt(max(up, 0.0)))
    return max(-1.0, lower), min(1.0, upper)


@dataclass(frozen=True, slots=True)
class McNemarResult:
    """McNemar's test for a two-by-two table of pairs.

    Attributes
    ----------
    first_only, second_only : int
        Discordant pairs: success with the first only, with the second only.
    statistic : float or None
        (b - c)^2 / (b + c); ``None`` without discordant pairs.
    p_exact : float
        min(1, 2 P(Bin(b + c, 1/2) <= min(b, c))).
    p_mid : float
        Twice the one-sided p-value less the point probability of the observed table (Fagerland 2013);
        1 when both discordant counts are equal.
    """

    first_only: int
    second_only: int
    statistic: float | None
    p_exact: float
    p_mid: float


def mcnemar(first_only: int, second_only: int) -> McNemarResult:
    """Exact and mid-p McNemar test (McNemar 1947; Fagerland, Lydersen & Laake 2013).

    With no discordant pair the p-value is 1: statsmodels' asymptotic version returns 0 there.
    """
    b, c = first_only, second_only
    if b < 0 or c < 0:
        raise ValueError("Counts of pairs cannot be negative.")
    if b + c == 0:
        return McNemarResult(b, c, None, 1.0, 1.0)
    tail = float(stats.binom.cdf(min(b, c), b + c, 0.5))
    point = float(stats.binom.pmf(min(b, c), b + c, 0.5))
    p_exact, p_mid = min(1.0, 2 * tail), min(1.0, 2 * tail - point)
    return McNemarResult(b, c, (b - c) ** 2 / (b + c), p_exact, p_mid)


def _newcombe_phi(n11: int, n12: int, n21: int, n22: int) -> float:
    """Correlation of the margins with Newcombe's continuity correction of its numerator."""
    product = (n11 + n12) * (n21 + n22) * (n11 + n21) * (n12 + n22)
    if product == 0:
        return 0.0
    n = n11 + n12 + n21 + n22
    numerator = n11 * n22 - n12 * n21
    corrected = max(numerator - n / 2, 0.0) if numerator > 0 else float(numerator)
    return corrected / float(np.sqrt(product))


def paired_difference_newcombe(n11: int, n12: int, n21: int, n22: int, level: float = 0.95) -> tuple[float, float]:
    """Interval for (n12 - n21)/n of pairs: Newcombe (1998, Stat Med 17:2635) method 10."""
    n = n11 + n12 + n21 + n22
    return difference_from_intervals(
        (n11 + n12) / n,
        wilson(n11 + n12, n, level),
        (n11 + n21) / n,
        wilson(n11 + n21, n, level),
        _newcombe_phi(n11, n12, n21, n22),
    )
