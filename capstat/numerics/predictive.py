"""How unusual a new centre is beside the studies that were pooled.

The convention is that of prediction intervals by Higgins, Thompson & Spiegelhalter (2009, J R Stat Soc A 172:137): the
true value of a new centre is ``mu + sqrt(tau^2 + se^2) T`` with T of Student's t distribution with k - 2 degrees of
freedom, k being the number of studies.  Other conventions exist (k - 1 degrees of freedom, normal quantiles).  The
centre must not be one of the studies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.binomial_normal_checks import checked_level, checked_pair
from capstat.numerics.binomial_normal_counts import central_counts, count_cdf
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from capstat.numerics.binomial_normal_record import PooledProportion

__all__ = ["CountPosition", "EstimatePosition", "position_of_count", "position_of_estimate"]


@dataclass(frozen=True, slots=True)
class EstimatePosition:
    """Where the estimate of a new centre lies among those expected of new centres with the same standard error.

    Attributes
    ----------
    statistic : float
        Distance from ``mu`` in predictive standard deviations.
    df : int
        k - 2.
    p_value : float
        Two-sided.
    share_below : float
        Share of such centres expected to have a lower estimate.
    predictive_sd : float
        ``sqrt(tau2 + se_mu^2 + se^2)``.
    lower, upper : float
        Range that holds the estimates of ``level`` of such centres.
    level : float
        As asked for.
    """

    statistic: float
    df: int
    p_value: float
    share_below: float
    predictive_sd: float
    lower: float
    upper: float
    level: float


@dataclass(frozen=True, slots=True)
class CountPosition:
    """Where the events of a new centre lie among those expected of new centres of the same size.

    Attributes
    ----------
    events, total : int
        Of the new centre.
    p_at_most, p_at_least : float
        ``P(X <= events)`` and ``P(X >= events)``.
    mid_p_below : float
        ``P(X < events) + P(X = events)/2``: share of such centres expected to have fewer, ties halved.
    p_value : float
        Two-sided: twice the smaller of ``p_at_most`` and ``p_at_least``, at most 1.
    mid_p_value : float
        Two-sided with ties halved: twice the smaller of ``mid_p_below`` and its complement.
    df : int
        k - 2.
    lower, upper : int
        Counts between which ``level`` or more of such centres lie, at most half of the rest on each side.
    level : float
        As asked for.
    """

    events: int
    total: int
    p_at_most: float
    p_at_least: float
    mid_p_below: float
    p_value: float
    mid_p_value: float
    df: int
    lower: int
    upper: int
    level: float


def _degrees_of_freedom(k: int) -> int:
    if k < 3:
        raise NotEstimableError("A new centre can be placed beside at least three studies only.")
    return k - 2


def position_of_estimate(
    estimate: float, se: float, *, mu: float, se_mu: float, tau2: float, k: int, level: float = 0.95
) -> EstimatePosition:
    """Place a new estimate in the predictive distribution of the normal-normal model.

    Parameters
    ----------
    estimate, se : float
        Of the new centre; a standard error of 0 places a true value.
    mu, se_mu, tau2 : float
        Pooled mean, its standard error, and the variance between studies.
    k : int
        Studies.
    level : float
        Share of new centres that the range holds.

    Raises
    ------
    NotEstimableError
        With fewer than three studies.
    UsageError
        When a number is not finite, negative where it may not be, or nothing varies.
    """
    level = checked_level(level)
    if not np.isfinite([estimate, se, mu, se_mu, tau2]).all():
        raise UsageError("estimate, se, mu, se_mu and tau2 must be finite numbers.")
    if min(se, se_mu, tau2) < 0:
        raise UsageError("se, se_mu and tau2 must not be negative.")
    df = _degrees_of_freedom(k)
    sd = float(np.sqrt(tau2 + se_mu**2 + se**2))
    if sd == 0:
        raise UsageError("se, se_mu and tau2 are all 0: nothing varies.")
    statistic = (estimate - mu) / sd
    width = float(stats.t.ppf(0.5 + level / 2, df)) * sd
    return EstimatePosition(
        statistic=statistic,
        df=df,
        p_value=float(2 * stats.t.sf(abs(statistic), df)),
        share_below=float(stats.t.cdf(statistic, df)),
        predictive_sd=sd,
        lower=mu - width,
        upper=mu + width,
        level=level,
    )


def position_of_count(events: int, total: int, pooled: PooledProportion, *, level: float = 0.95) -> CountPosition:
    """Place the events of a new centre in the predictive distribution of the binomial-normal model.

    The logit of the centre's true share is ``mu + sqrt(tau^2 + se^2) T_{k-2}``, its events are binomial given that.

    Parameters
    ----------
    events, total : int
        Of the new centre.
    pooled : PooledProportion
        The other studies, from :func:`capstat.numerics.binomial_normal.pool_proportions`.
    level : float
        Share of new centres that the range holds.

    Raises
    ------
    NotEstimableError
        With fewer than three studies, or when they have no estimate on the logit scale.
    UsageError
        When the counts are impossible.
    """
    level = checked_level(level)
    x, n = checked_pair(events, total)
    df = _degrees_of_freedom(pooled.k)
    if pooled.mu is None or pooled.se is None or pooled.tau is None:
        raise NotEstimableError(f"No centre can be placed beside these studies: {pooled.reason}.")
    scale = float(np.hypot(pooled.tau, pooled.se))
    before, at_most = (float(p) for p in count_cdf([x - 1, x], n, pooled.mu, scale, df))
    middle = (before + at_most) / 2
    lower, upper = central_counts(n, pooled.mu, scale, df, level)
    return CountPosition(
        events=x,
        total=n,
        p_at_most=at_most,
        p_at_least=1 - before,
        mid_p_below=middle,
        p_value=min(1.0, 2 * min(at_most, 1 - before)),
        mid_p_value=2 * min(middle, 1 - middle),
        df=df,
        lower=lower,
        upper=upper,
        level=level,
    )
