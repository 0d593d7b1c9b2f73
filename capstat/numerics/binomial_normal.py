"""Pooling of single proportions with the binomial-normal model.

The model is ``x_i ~ Bin(n_i, expit(theta_i))``, ``theta_i ~ N(mu, tau^2)`` (Hamza, van Houwelingen & Stijnen 2008, from
memory; Stijnen, Hamza & Ozdemir 2010, Stat Med 29:3046).  It needs no correction of empty cells, and nothing is
transformed back from a scale that hangs on the sizes of the studies, as with the double arcsine: pooled shares on that
scale can lie outside of all that was seen (Schwarzer et al. 2019, Res Synth Methods 10:476, from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats
from scipy.special import expit

from capstat.numerics.binomial_normal_checks import checked_counts, checked_level
from capstat.numerics.binomial_normal_fit import maximum
from capstat.numerics.binomial_normal_limits import (
    covariance,
    limit_at_the_end,
    limits_of_mu,
    limits_of_tau,
    logit_of_mean,
)
from capstat.numerics.binomial_normal_record import (
    ALL_EVENTS,
    EXACT_WORDS,
    HEADLINE_WORDS,
    NO_EVENTS,
    NO_INTERIOR,
    TOO_FEW_FOR_A_LIMIT,
    TOO_FEW_TO_PREDICT,
    PooledProportion,
)
from capstat.numerics.proportions import clopper_pearson
from capstat.numerics.small_sample import drop_in_log_likelihood

if TYPE_CHECKING:
    from capstat.numerics.binomial_normal_fit import Maximum, Studies
    from capstat.numerics.binomial_normal_record import Limits

__all__ = ["PooledProportion", "pool_proportions"]


def _drops(k: int, level: float) -> tuple[float, float]:
    return float(stats.chi2.ppf(level, 1)) / 2, drop_in_log_likelihood(k, 1, level)


def _around(centre: float, width: float) -> Limits:
    return float(expit(centre - width)), float(expit(centre + width))


def _common(studies: Studies, level: float) -> tuple[float, Limits]:
    events, total = float(studies.events.sum()), float(studies.totals.sum())
    return events / total, clopper_pearson(events, total, level)


def _pooled_inside(studies: Studies, best: Maximum, level: float) -> PooledProportion:
    k = studies.events.size
    variance = covariance(best)
    se = float(np.sqrt(variance[0, 0]))
    profile, corrected = (expit(limits_of_mu(studies, best, drop)) for drop in _drops(k, level))
    statistic = max(0.0, 2 * (best.slopes.value - studies.at(studies.crude_logit, 0.0).value))
    t = float(stats.t.ppf(0.5 + level / 2, k - 1))
    mean, logit, slopes = logit_of_mean(best.mu, best.tau)
    prediction = None
    if k > 2:
        wide = float(stats.t.ppf(0.5 + level / 2, k - 2) * np.hypot(best.tau, se))
        prediction = _around(best.mu, wide)
    common, common_limits = _common(studies, level)
    return PooledProportion(
        k=k,
        level=level,
        share=float(expit(best.mu)),
        lower=float(corrected[0]),
        upper=float(corrected[1]),
        headline=HEADLINE_WORDS,
        profile=(float(profile[0]), float(profile[1])),
        profile_small_sample=(float(corrected[0]), float(corrected[1])),
        wald=_around(best.mu, t * se),
        reason="",
        mu=best.mu,
        se=se,
        tau=best.tau,
        tau_limits=limits_of_tau(studies, best, level),
        log_likelihood=best.slopes.value,
        log_likelihood_no_spread=best.slopes.value - statistic / 2,
        spread_statistic=statistic,
        spread_p=float(stats.chi2.sf(statistic, 1)) / 2 if statistic > 0 else 1.0,
        mean_share=mean,
        mean_limits=_around(logit, t * float(np.sqrt(slopes @ variance @ slopes))),
        common_share=common,
        common_limits=common_limits,
        prediction=prediction,
        prediction_reason="" if prediction else TOO_FEW_TO_PREDICT,
    )


def _pooled_at_the_end(studies: Studies, level: float) -> PooledProportion:
    events = bool(studies.events[0] > 0)
    share = 1.0 if events else 0.0
    reason = ALL_EVENTS if events else NO_EVENTS
    at = limit_at_the_end(studies, level)
    other = 1.0 - share if at is None else float(expit(at))
    if at is None:
        reason = f"{reason}; {TOO_FEW_FOR_A_LIMIT}"
    return _without_estimate(studies, level, share, (min(share, other), max(share, other)), reason, 0.0, 0.0)


def _pooled_at_both_ends(studies: Studies, level: float) -> PooledProportion:
    full = int((studies.events > 0).sum())
    k = studies.events.size
    # the limit of the likelihood: each study is at its end with a probability that mu/tau sets
    value = full * np.log(full / k) + (k - full) * np.log(1 - full / k)
    zero = studies.at(studies.crude_logit, 0.0).value
    return _without_estimate(studies, level, None, (None, None), NO_INTERIOR, float(value), zero)


def _without_estimate(
    studies: Studies, level: float, share: float | None, limits: tuple[float | None, float | None], reason: str,
    value: float, zero: float,
) -> PooledProportion:  # fmt: skip
    common, common_limits = _common(studies, level)
    return PooledProportion(
        k=studies.events.size,
        level=level,
        share=share,
        lower=limits[0],
        upper=limits[1],
        headline=EXACT_WORDS if share is not None else "",
        profile=None,
        profile_small_sample=None,
        wald=None,
        reason=reason,
        mu=None,
        se=None,
        tau=None,
        tau_limits=None,
        log_likelihood=value,
        log_likelihood_no_spread=zero,
        spread_statistic=None,
        spread_p=None,
        mean_share=None,
        mean_limits=None,
        common_share=common,
        common_limits=common_limits,
        prediction=None,
        prediction_reason=reason,
    )


def pool_proportions(events: Any, totals: Any, *, level: float = 0.95) -> PooledProportion:
    """Pool proportions of several studies by maximum likelihood in the binomial-normal model.

    The headline limits are those of the profile likelihood with the small-sample drop.  In a simulation (500 reviews
    each; 2, 3, 5 and 10 studies of 10 to 300; median share 0.5, 0.9, 0.97; tau 0, 0.5, 1; 95 %) they held the share of
    the median study in 94.8 to 100 %, Wald limits with ``t_{k-1}`` in 92.8 to 100 %, chi-square profile limits in 80 to
    99.8 %, limits of the common share in 30 to 98.5 %.  With two studies they are very wide, as a t test of two values
    is.

    Where every study is at 0 %, or every one at 100 %, the share is reported as such with the one limit that the
    profile gives, and tau cannot be had.  Where studies are at both ends and none between, there is no share either.

    Parameters
    ----------
    events, totals : array_like of int, shape (k,)
        Events and observations of each study.
    level : float
        Confidence level.

    Raises
    ------
    NotEstimableError
        With fewer than two studies.
    UsageError
        When a total is below 1, events exceed their total, or numbers are not whole.
    """
    studies, level = checked_counts(events, totals), checked_level(level)
    x, n = studies.events, studies.totals
    if x.sum() in (0, n.sum()):
        return _pooled_at_the_end(studies, level)
    if ((x == 0) | (x == n)).all():
        return _pooled_at_both_ends(studies, level)
    return _pooled_inside(studies, maximum(studies), level)
