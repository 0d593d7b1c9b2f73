"""Updating a normal prior, at full weight or less, with local evidence; and whether the two agree.

The prior may stem from other studies, whose evidence counts less than evidence from the place itself: its precision is
multiplied by a weight between 0 and 1 (power prior, Ibrahim & Chen 2000, from memory).  The weight is chosen, not
estimated.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from scipy import optimize

from capstat.numerics.binomial_normal_checks import checked_level
from capstat.numerics.updating_evidence import NormalLikelihood, conjugate, grid_law
from capstat.numerics.updating_laws import StudentLaw
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.numerics.updating_evidence import Likelihood, NormalPrior
    from capstat.numerics.updating_laws import Law

__all__ = ["WEIGHTS", "Posterior", "WeightRow", "posterior", "posterior_by_weight"]

WEIGHTS: Final = (0.0, 0.1, 0.25, 0.5, 1.0)
"""Weights of a prior from which a reader sees how much hangs on the choice (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """What is believed of the parameter after both.

    Attributes
    ----------
    weight : float
        Weight of the prior; 0 when there was none.
    mean, sd : float or None
        ``None`` where they do not exist (no prior, and few degrees of freedom).
    median, lower, upper : float
        Quantiles; the limits are equal-tailed.
    level : float
        Probability between the limits.
    normal_mean, normal_sd, normal_lower, normal_upper : float
        The same when the likelihood is taken to be normal.
    largest_difference : float
        Largest difference between the distribution functions of the posterior and of its normal approximation.
    method : str
        How it was computed.
    """

    weight: float
    mean: float | None
    sd: float | None
    median: float
    lower: float
    upper: float
    level: float
    normal_mean: float
    normal_sd: float
    normal_lower: float
    normal_upper: float
    largest_difference: float
    method: str
    _law: Law = field(repr=False, compare=False)

    def cdf(self, value: Any) -> Any:
        """Probability that the parameter is at most ``value`` (a number or an array)."""
        answer = self._law.cdf(value)
        return answer if answer.ndim else float(answer)

    def quantile(self, share: float) -> float:
        """Value that the parameter is below with probability ``share``."""
        if not 0 < share < 1:
            raise UsageError(f"A quantile needs a share between 0 and 1, not {share!r}.")
        return self._law.quantile(share)


def _law(prior: NormalPrior | None, likelihood: Likelihood) -> tuple[Law, str]:
    if prior is None:
        return likelihood.alone(), "likelihood alone, under a flat prior"
    if isinstance(likelihood, NormalLikelihood):
        return StudentLaw(*conjugate(prior, *likelihood.normal()), np.inf), "normal prior and likelihood, closed form"
    return grid_law(prior, likelihood), "quadrature on panels"


def _largest_difference(law: Law, normal: StudentLaw) -> float:
    ends = [one.quantile(share) for one in (law, normal) for share in (0.0005, 0.9995)]
    grid = np.linspace(min(ends), max(ends), 2001)

    def gap(value: Any) -> Any:
        return np.abs(law.cdf(value) - normal.cdf(value))

    values = gap(grid)
    at = int(np.argmax(values))
    between = (grid[max(at - 1, 0)], grid[min(at + 1, grid.size - 1)])
    found = optimize.minimize_scalar(lambda v: -float(gap(v)), bounds=between, method="bounded")
    return max(float(values[at]), -float(found.fun))


def posterior(
    prior: NormalPrior, likelihood: Likelihood, *, weight: float = 1.0, level: float = 0.95
) -> Posterior:  # fmt: skip
    """Combine a normal prior with a likelihood.

    Normal likelihoods are combined in closed form, others by deterministic quadrature (Gauss-Legendre panels, halved
    until nothing changes in the 13th digit).  With weight 0 the likelihood is normalised by itself: the prior is flat
    in the parameter, for counts on the logit scale.

    Parameters
    ----------
    prior : NormalPrior
        At full weight.
    likelihood : NormalLikelihood, StudentLikelihood or BinomialLikelihood
        Local evidence; for counts the parameter is the logit of the share.
    weight : float
        Weight of the prior between 0 (none) and 1.
    level : float
        Probability between the limits.

    Raises
    ------
    UsageError
        When the weight or the level is out of range.
    NotEstimableError
        Without a prior, when every observation is an event or none is.
    """
    level = checked_level(level)
    if not 0 <= weight <= 1:
        raise UsageError(f"The weight of a prior lies between 0 and 1, not {weight!r}.")
    used = prior.weighted(weight) if weight > 0 else None
    law, method = _law(used, likelihood)
    estimate, se = likelihood.normal()
    mean, sd = conjugate(used, estimate, se) if used else (estimate, se)
    normal = StudentLaw(mean, sd, np.inf)
    low, high = (1 - level) / 2, (1 + level) / 2
    return Posterior(
        weight=weight,
        mean=law.mean,
        sd=law.sd,
        median=law.quantile(0.5),
        lower=law.quantile(low),
        upper=law.quantile(high),
        level=level,
        normal_mean=mean,
        normal_sd=sd,
        normal_lower=normal.quantile(low),
        normal_upper=normal.quantile(high),
        largest_difference=0.0 if law == normal else _largest_difference(law, normal),
        method=method,
        _law=law,
    )


@dataclass(frozen=True, slots=True)
class WeightRow:
    """The posterior with one weight of the prior, or why there is none."""

    weight: float
    posterior: Posterior | None
    reason: str = ""


def posterior_by_weight(
    prior: NormalPrior, likelihood: Likelihood, *, weights: Sequence[float] = WEIGHTS, level: float = 0.95
) -> tuple[WeightRow, ...]:
    """Posteriors for several weights of the prior, in the order given."""
    rows = []
    for weight in weights:
        try:
            rows.append(WeightRow(weight, posterior(prior, likelihood, weight=weight, level=level)))
        except NotEstimableError as error:
            rows.append(WeightRow(weight, None, str(error)))
    return tuple(rows)
