"""Whether local data are surprising under a normal prior."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.numerics.binomial_normal_checks import checked_pair
from capstat.numerics.binomial_normal_counts import count_cdf
from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.numerics.updating_evidence import NormalPrior

__all__ = ["CountConflict", "EstimateConflict", "count_conflict", "prior_data_conflict"]


@dataclass(frozen=True, slots=True)
class EstimateConflict:
    """An estimate in its prior predictive distribution.

    Attributes
    ----------
    statistic : float
        Distance from the prior mean in standard deviations ``sqrt(variance + se^2)``.
    p_value : float
        Two-sided; 1 at agreement.
    """

    statistic: float
    p_value: float


@dataclass(frozen=True, slots=True)
class CountConflict:
    """A count in its prior predictive distribution.

    Attributes
    ----------
    events, total : int
        The data.
    p_value : float
        Probability of counts that are no more probable than the one seen; 1 at the most probable count.
    mid_p_value : float
        The same, with half the probability of those as probable as the one seen.
    p_at_most, p_at_least : float
        ``P(X <= events)`` and ``P(X >= events)``.
    """

    events: int
    total: int
    p_value: float
    mid_p_value: float
    p_at_most: float
    p_at_least: float


def prior_data_conflict(prior: NormalPrior, estimate: float, se: float) -> EstimateConflict:
    """Prior predictive p-value of an estimate (Box 1980; Evans & Moshonov 2006, both from memory).

    It is the probability, under the prior, of estimates whose predictive density is no higher than that of the one
    seen.

    Raises
    ------
    UsageError
        When the estimate is not finite or the standard error not above 0.
    """
    if not np.isfinite([estimate, se]).all() or se <= 0:
        raise UsageError("An estimate must be finite, and its standard error finite and above 0.")
    statistic = (estimate - prior.mean) / float(np.hypot(prior.sd, se))
    return EstimateConflict(statistic, float(2 * stats.norm.sf(abs(statistic))))


def count_conflict(prior: NormalPrior, events: int, total: int) -> CountConflict:
    """Prior predictive p-values of a count, the prior being normal on the logit scale (Box 1980, from memory).

    All probabilities are exact up to quadrature; nothing is approximated by a normal distribution.

    Raises
    ------
    UsageError
        When the counts are impossible.
    """
    x, n = checked_pair(events, total)
    # in blocks, since every count has nodes of its own
    blocks = np.array_split(np.arange(n + 1), 1 + n // 256)
    cdf = np.concatenate([count_cdf(block, n, prior.mean, prior.sd) for block in blocks])
    mass = np.diff(cdf, prepend=0.0)
    # counts that are equally probable by symmetry differ by rounding
    rarer = mass < mass[x] * (1 - 1e-9) - 1e-14
    alike = ~rarer & (mass <= mass[x] * (1 + 1e-9) + 1e-14)
    below, ties = float(mass[rarer].sum()), float(mass[alike].sum())
    return CountConflict(
        events=x,
        total=n,
        p_value=1.0 if (rarer | alike).all() else min(1.0, below + ties),
        mid_p_value=below + ties / 2,
        p_at_most=float(cdf[x]),
        p_at_least=float(1 - cdf[x - 1]) if x > 0 else 1.0,
    )
