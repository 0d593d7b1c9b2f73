"""The user's own study beside the pooled published ones: how unusual it is, and both together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special, stats

from capstat.numerics.binomial_normal_counts import central_counts, count_cdf
from capstat.numerics.new_value import new_value
from capstat.numerics.updating import WEIGHTS, posterior, posterior_by_weight
from capstat.numerics.updating_evidence import BinomialLikelihood, NormalLikelihood, NormalPrior, StudentLikelihood
from capstat.results import Estimate, NotEstimableError
from capstat.synthesis.scales import SCALES, natural_estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.updating import Posterior
    from capstat.numerics.updating_evidence import Likelihood
    from capstat.synthesis.pooled_record import PooledEvidence
    from capstat.synthesis.study_effect import Measure, StudyEffect

__all__ = [
    "CLOSE_ENOUGH",
    "CONFLICT_BELOW",
    "SPREAD_SCALE",
    "Densities",
    "LocalPosition",
    "LocalUpdate",
    "place_local",
    "service_prior",
    "update_local",
]

CLOSE_ENOUGH: Final = 0.02
"""Largest difference of distribution functions at which the normal approximation counts as enough: no probability that
it gives is off by more than two percentage points."""

CONFLICT_BELOW: Final = 0.05
"""Prior predictive p-value below which prior and data are said to be in conflict; a convention."""

SPREAD_SCALE: Final = {"log": 0.25, "logit": 1.0, "identity": 15.0}
"""Scale of the half-normal prior of the standard deviation between services, on the pooling scale: an assumption, no
source.

With probability one half it lies below 0.17 of the logarithm, 0.67 of the log odds, 10 mA; with 95 % below
0.49, 2 and 29 mA.  The centres of seven published studies of thresholds spread by about 13 mA, 0.19 of the logarithm.
"""
SPREAD_WORDS: Final = {
    "log": "it is assumed to lie below 0.17 of the logarithm with probability one half, below 0.49 with 95 %",
    "logit": "it is assumed to lie below 0.67 of the log odds with probability one half, below 2 with 95 %",
    "identity": "it is assumed to lie below 10 mA with probability one half and below 29 mA with 95 %",
}
_DRAWN: Final = 401


@dataclass(frozen=True, slots=True)
class LocalPosition:
    """How unusual the local study is among studies like the published ones, differences between studies included.

    Attributes
    ----------
    share_below : float
        Share of such studies expected below the local result (ties halved).
    p_value : float
        Two-sided.
    lower, upper : float
        Range of the results of ``level`` of such studies of the local size, as it is told.
    level : float
        Level of the range.
    method : str
        How it was worked out.
    """

    share_below: float
    p_value: float
    lower: float
    upper: float
    level: float
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class Densities:
    """Curves over the quantity as it is told; each integrates to 1 over the axis that is drawn.

    That axis is the logarithm for ratios and currents, and the share itself, between 0 and 1, for shares.

    Attributes
    ----------
    x : ndarray, shape (m,)
        Values as they are told.
    prior, weighted, local, posterior : ndarray, shape (m,)
        Published studies at full weight and downweighted, local data, both.
    """

    x: NDArray[np.float64]
    prior: NDArray[np.float64]
    weighted: NDArray[np.float64]
    local: NDArray[np.float64]
    posterior: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LocalUpdate:
    """Local data and published studies together, the latter as a downweighted prior.

    Attributes
    ----------
    prior : Estimate
        Where the true value of a further service lies according to the published studies, at full weight.
    weight : float
        Weight of the prior; an assumption.
    combined : Estimate
        Posterior median with its interval.
    by_weight : tuple of (float, Estimate)
        The same for weights from none to all, ``weight`` among them.
    conflict_p : float
        Chance of local data at least as far away as these, were the published studies right for this service: that of
        `place_local`.
    normal_gap : float
        Largest difference between the posterior's distribution function and its normal approximation.
    densities : Densities
        For a picture.
    studies : int
        Published studies behind the prior.
    notes : tuple of str
        What a reader must know.
    """

    prior: Estimate
    weight: float
    combined: Estimate
    by_weight: tuple[tuple[float, Estimate], ...]
    conflict_p: float
    normal_gap: float
    densities: Densities
    studies: int
    notes: tuple[str, ...]

    @property
    def conflict(self) -> bool:
        """Whether prior and local data contradict each other."""
        return self.conflict_p < CONFLICT_BELOW


def service_prior(pooled: PooledEvidence, level: float = 0.95) -> NormalPrior:
    """Where the true value of one more service like the published ones lies.

    A flat mean, and a half-normal prior of the spread between services, which few studies hardly tell; normal, with the
    limits of the exact predictive distribution (`capstat.numerics.new_value`).  Shares enter as log odds with half an
    event more on both sides.

    Raises
    ------
    NotEstimableError
        When no published study has a value with a standard error.
    """
    values = [_value_and_variance(study.effect) for study in pooled.studies]
    used = [one for one in values if one is not None]
    if not used:
        raise NotEstimableError(pooled.not_pooled or "The published studies give no distribution.")
    y, v = zip(*used, strict=True)
    mean, sd = new_value(y, v, scale=SPREAD_SCALE[SCALES[pooled.question.measure].name], level=level).normal
    return NormalPrior(mean, sd**2)


def _value_and_variance(effect: StudyEffect) -> tuple[float, float] | None:
    if effect.measure == "capture" and effect.events is not None and effect.total is not None:
        yes, no = effect.events + 0.5, effect.total - effect.events + 0.5
        return float(np.log(yes / no)), 1 / yes + 1 / no
    return None if effect.value is None or effect.se is None else (effect.value, effect.se**2)


def place_local(local: StudyEffect, pooled: PooledEvidence) -> LocalPosition:
    """Place the local result among the results of services of its size like the published ones.

    Prior predictive check (Box 1980, from memory) under `service_prior`; counts are mixed with the binomial
    distribution.

    Raises
    ------
    NotEstimableError
        When no study, or not the local one, has a value with a standard error.
    """
    method = "predictive distribution of a further service of the local size"
    prior, level = service_prior(pooled, pooled.level), pooled.level
    if local.events is not None and local.total is not None:
        before, at_most = (
            float(p) for p in count_cdf([local.events - 1, local.events], local.total, prior.mean, prior.sd)
        )
        below = (before + at_most) / 2
        low, high = central_counts(local.total, prior.mean, prior.sd, np.inf, level)
        return LocalPosition(
            below, 2 * min(below, 1 - below), low / local.total, high / local.total, level, f"{method}, binomial counts"
        )
    if local.value is None or local.se is None:
        raise NotEstimableError("The local study gives no value with a standard error.")
    scale, sd = SCALES[local.measure], float(np.hypot(prior.sd, local.se))
    below = float(stats.norm.cdf(local.value, prior.mean, sd))
    half = float(stats.norm.ppf(0.5 + level / 2)) * sd
    return LocalPosition(
        below,
        2 * min(below, 1 - below),
        scale.natural(prior.mean - half),
        scale.natural(prior.mean + half),
        level,
        method,
    )


def _likelihood(local: StudyEffect, level: float) -> Likelihood:
    if local.events is not None and local.total is not None:
        return BinomialLikelihood(local.events, local.total)
    if local.value is None or local.se is None:
        raise NotEstimableError("The local study gives no value with a standard error.")
    if local.df is None:
        return NormalLikelihood(local.value, local.se)
    # the standard error was read from the limits as if normal; this one gives the same limits by t
    tail = 0.5 + level / 2
    return StudentLikelihood(
        local.value, local.se * float(stats.norm.ppf(tail) / stats.t.ppf(tail, local.df)), local.df
    )


def _told(measure: Measure, found: Posterior, n: int, direction: str) -> Estimate:
    scale = SCALES[measure]
    low, middle, high = (scale.natural(x) for x in (found.lower, found.median, found.upper))
    return Estimate(
        scale.quantity, middle, low, high, found.level, scale.unit, scale.name, n,
        f"posterior median and equal-tailed interval, {found.method}", direction=direction,
    )  # fmt: skip


def update_local(local: StudyEffect, pooled: PooledEvidence, *, weight: float, level: float = 0.95) -> LocalUpdate:
    """Combine the local study with the published ones as a prior for one more service.

    The prior at full weight is `service_prior` (meta-analytic predictive); its precision is multiplied by ``weight``
    (power prior).

    Raises
    ------
    NotEstimableError
        When the published studies give no distribution, or the local study no value.
    """
    prior = service_prior(pooled, level)
    likelihood = _likelihood(local, level)
    combined = posterior(prior, likelihood, weight=weight, level=level)
    rows = tuple(
        (row.weight, _told(local.measure, row.posterior, local.n, pooled.direction))
        for row in posterior_by_weight(prior, likelihood, weights=sorted({*WEIGHTS, weight}), level=level)
        if row.posterior is not None
    )
    half, scale = float(stats.norm.ppf(0.5 + level / 2)) * prior.sd, SCALES[local.measure]
    return LocalUpdate(
        prior=natural_estimate(
            local.measure, prior.mean, prior.mean - half, prior.mean + half, level=level, n=pooled.n,
            method="flat mean, half-normal prior of the spread between services; normal with the same limits",
            quantity=f"{scale.quantity} expected in a further service", direction=pooled.direction,
        ),
        weight=weight,
        combined=_told(local.measure, combined, local.n, pooled.direction),
        by_weight=rows,
        conflict_p=place_local(local, pooled).p_value,
        normal_gap=combined.largest_difference,
        densities=_densities(local, prior, weight, likelihood, combined),
        studies=sum(_value_and_variance(study.effect) is not None for study in pooled.studies),
        notes=(f"how much services differ is hardly told by so few studies: {SPREAD_WORDS[scale.name]}",),
    )  # fmt: skip


def _densities(
    local: StudyEffect, prior: NormalPrior, weight: float, likelihood: Likelihood, combined: Posterior
) -> Densities:
    scale = SCALES[local.measure]
    lighter = prior.weighted(weight)
    centre, se = likelihood.normal()
    low = min(prior.mean - 3.5 * prior.sd, centre - 3.5 * se)
    high = max(prior.mean + 3.5 * prior.sd, centre + 3.5 * se)
    at = np.linspace(low, high, _DRAWN)
    middle, step = (at[1:] + at[:-1]) / 2, float(at[1] - at[0])
    alone = _alone(likelihood, middle)
    x = np.array([scale.natural(float(value)) for value in middle])
    # the second factor is 1 - x, which would be 0 where x rounds to 1
    stretch = 1 / (x * special.expit(-middle)) if scale.name == "logit" else 1.0
    return Densities(
        x,
        stretch * np.asarray(stats.norm.pdf(middle, prior.mean, prior.sd)),
        stretch * np.asarray(stats.norm.pdf(middle, lighter.mean, lighter.sd)),
        stretch * alone / (alone.sum() * step),
        # a distribution function that is rounded may fall by its last digit
        stretch * np.maximum(np.diff(np.asarray(combined.cdf(at))), 0.0) / step,
    )


def _alone(likelihood: Likelihood, at: NDArray[np.float64]) -> NDArray[np.float64]:
    if isinstance(likelihood, NormalLikelihood):
        return np.asarray(stats.norm.pdf(at, likelihood.estimate, likelihood.se))
    values = likelihood.log_likelihood(at)
    return np.asarray(np.exp(values - values.max()))
