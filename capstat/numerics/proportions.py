"""Intervals and exact tests for proportions: one sample, two independent samples, and pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from capstat.numerics.mover import square_and_add

__all__ = [
    "McNemarResult",
    "clopper_pearson",
    "difference_from_intervals",
    "mcnemar",
    "paired_difference_newcombe",
    "paired_difference_tango",
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
    difference = p1 - p2
    lower = difference - square_and_add(p1 - l1, u2 - p2, correlation)
    upper = difference + square_and_add(u1 - p1, p2 - l2, correlation)
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


def _tango_variance(n: int, b: int, c: int, difference: float) -> float:
    """Variance of b - c when p12 - p21 is ``difference`` and p21 is its constrained maximum-likelihood estimate."""
    B = -b - c + (2 * n - b + c) * difference
    C = -c * difference * (1 - difference)
    root = float(np.sqrt(max(B * B - 8 * n * C, 0.0)))
    # the larger root of 2n q^2 + B q + C; the second form loses no digits where B is positive
    q = (root - B) / (4 * n) if B <= 0 else -2 * C / (B + root)
    return n * max(2 * q + difference * (1 - difference), 0.0)


def paired_difference_tango(n11: int, n12: int, n21: int, n22: int, level: float = 0.95) -> tuple[float, float]:
    """Interval for (n12 - n21)/n of pairs: the differences that Tango's score test does not reject.

    Tango (1998, Stat Med 17:891).  Without discordant pairs it is -+ z^2/(n + z^2); the limit on the side of the
    observed difference is 1 (or -1) only when all pairs are discordant in that way.  The interval is asymptotic.

    Raises
    ------
    ValueError
        When there are no pairs, or a count is negative.
    """
    n = n11 + n12 + n21 + n22
    if min(n11, n12, n21, n22) < 0:
        raise ValueError("Counts of pairs cannot be negative.")
    if n == 0:
        raise ValueError("A difference of paired proportions needs at least one pair.")
    z2 = float(stats.norm.ppf(0.5 + level / 2)) ** 2

    def limit(end: float) -> float:
        # the statistic falls with the difference, so what is not rejected reaches from the estimate to the limit;
        # halving never evaluates the estimate itself, where the statistic is 0/0 without discordant pairs
        kept, rejected = (n12 - n21) / n, end
        for _ in range(60):
            middle = (kept + rejected) / 2
            if (n12 - n21 - n * middle) ** 2 <= z2 * _tango_variance(n, n12, n21, middle):
                kept = middle
            else:
                rejected = middle
        return (kept + rejected) / 2

    return limit(-1.0), limit(1.0)
