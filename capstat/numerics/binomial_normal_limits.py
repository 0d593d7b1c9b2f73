"""Limits of the binomial-normal model: profiles, Wald limits, and what is left where every study is at 0 or 100 %."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, stats

from capstat.numerics.binomial_normal_fit import (
    LARGEST_MU,
    LARGEST_TAU,
    Studies,
    profile_of_mu,
    profile_of_tau,
)
from capstat.numerics.binomial_normal_likelihood import log_likelihood
from capstat.numerics.binomial_normal_search import limit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.binomial_normal_fit import Maximum

__all__ = ["covariance", "limit_at_the_end", "limits_of_mu", "limits_of_tau", "logit_of_mean"]


def covariance(best: Maximum) -> NDArray[np.float64]:
    """Inverse of the observed information of (mu, tau); at tau = 0 that of mu alone, tau taken as known."""
    slopes = best.slopes
    if best.tau == 0:
        return np.array([[-1 / slopes.mu_mu, 0.0], [0.0, 0.0]])
    return np.asarray(-np.linalg.inv([[slopes.mu_mu, slopes.mu_tau], [slopes.mu_tau, slopes.tau_tau]]))


def limits_of_mu(studies: Studies, best: Maximum, drop: float) -> tuple[float, float]:
    """Where the profile over tau has fallen by ``drop``; infinite where it has not fallen that far at +-35."""
    se = float(np.sqrt(covariance(best)[0, 0]))
    found = []
    for side in (-1.0, 1.0):
        tau = best.tau

        def profile(mu: float) -> tuple[float, float]:
            nonlocal tau
            point = profile_of_mu(studies, mu, tau)
            tau = point.tau
            return point.slopes.value, point.slopes.mu

        end = side * LARGEST_MU
        at = limit(profile, best.slopes.value, best.mu, best.mu + side * se * np.sqrt(2 * drop), end, drop)
        found.append(side * np.inf if at is None else at)
    return found[0], found[1]


def limits_of_tau(studies: Studies, best: Maximum, level: float) -> tuple[float, float]:
    """Where the profile over mu has fallen by half of the chi-square quantile; 0 and infinity where it has not.

    Near tau = 0 the quantile is too large (Self & Liang 1987, from memory), so that limits are wide there.
    """
    drop = float(stats.chi2.ppf(level, 1)) / 2
    mu = best.mu

    def profile(tau: float) -> tuple[float, float]:
        nonlocal mu
        point = profile_of_tau(studies, tau, mu)
        mu = point.mu
        return point.slopes.value, point.slopes.tau

    lower = None
    if best.tau > 0:
        lower = limit(profile, best.slopes.value, best.tau, best.tau / 2, 0.0, drop)
        mu = best.mu
    upper = limit(profile, best.slopes.value, best.tau, 2 * best.tau + 0.2, LARGEST_TAU, drop)
    return 0.0 if lower is None else lower, np.inf if upper is None else upper


def limit_at_the_end(studies: Studies, level: float) -> float | None:
    """Lower limit of mu where every observation is an event, or the upper one where none is.

    The limit is exact: beyond it the data have probability below ``(1 - level)/2`` whatever tau is.  With tau = 0 it is
    that of Clopper and Pearson.  A fall of the log-likelihood by half of a chi-square quantile would leave a
    probability of 0.147 there.  Whatever mu is, a huge tau puts half of all studies at 100 %, so that the probability
    is never below ``2^-k``, as in a sign test: with fewer than six studies there is no limit at 95 %, and ``None`` is
    returned.
    """
    k = studies.events.size
    full = studies.events[0] > 0
    rare = float(np.log((1 - level) / 2))
    even = -k * float(np.log(2))
    if even >= rare:
        return None
    # the model has no side: without an event, count the others
    mirrored = Studies(studies.totals, studies.totals)

    def excess(mu: float) -> float:
        # the probability may be largest at tau = 0, inside, or with a tau without bound, where it is 2^-k
        inside = max(profile_of_mu(mirrored, mu, start).slopes.value for start in (0.5, 4.0))
        return max(inside, even) - rare

    # at mu = 0 it is 2^-k or less; where tau = 0 alone reaches the level, the limit cannot be further out
    p = np.exp(rare / studies.totals.sum())
    end = float(np.log(p) - np.log1p(-p)) + 1e-6
    lower = float(optimize.brentq(excess, 0.0, end, xtol=1e-9))
    return lower if full else -lower


def logit_of_mean(mu: float, tau: float) -> tuple[float, float, NDArray[np.float64]]:
    """Mean share ``E[expit(mu + tau Z)]``, its logit, and the derivatives of the logit by mu and tau."""
    one = np.ones(1)
    inside = log_likelihood(one, one, mu, tau)
    outside = log_likelihood(0 * one, one, mu, tau)
    slopes = np.array([inside.mu - outside.mu, inside.tau - outside.tau])
    return float(np.exp(inside.value)), inside.value - outside.value, slopes
