"""The user's own study beside the pooled published ones: how unusual it is, and both together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special, stats

from capstat.numerics.predictive import position_of_count, position_of_estimate
from capstat.numerics.updating import WEIGHTS, posterior, posterior_by_weight
from capstat.numerics.updating_conflict import count_conflict, prior_data_conflict
from capstat.numerics.updating_evidence import BinomialLikelihood, NormalLikelihood, NormalPrior, StudentLikelihood
from capstat.results import Estimate, NotEstimableError
from capstat.synthesis.scales import SCALES, natural_estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.updating import Posterior
    from capstat.numerics.updating_evidence import Likelihood
    from capstat.synthesis.pooled_record import PooledEvidence
    from capstat.synthesis.study_effect import Measure, StudyEffect

__all__ = ["CLOSE_ENOUGH", "CONFLICT_BELOW", "Densities", "LocalPosition", "LocalUpdate", "place_local", "update_local"]

CLOSE_ENOUGH: Final = 0.02
"""Largest difference of distribution functions at which the normal approximation counts as enough: no probability that
it gives is off by more than two percentage points."""

CONFLICT_BELOW: Final = 0.05
"""Prior predictive p-value below which prior and data are said to be in conflict; a convention."""

FEWEST_FOR_SPREAD: Final = 3

ASSUMED_SPREAD: Final = {
    "log": (0.2, "0.2 of the logarithm, about 20 %,"),
    "logit": (0.7, "0.7 of the log odds"),
    "identity": (10.0, "10 mA"),
}
"""Standard deviation between services where one or two studies do not tell it; assumed, no source.

Where services differ by 10, 20 and 30 %, one like a single published service is found far from it in 2, 12 and 26 % of
simulated cases (13, 31 and 47 % with 0 in its place), one like two of them in 0, 4 and 10 %.
"""
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
        Posterior mean or median with its interval.
    by_weight : tuple of (float, Estimate)
        The same for weights from none to all, ``weight`` among them.
    conflict_p : float
        Chance of local data at least as far away as these, were the published studies right for this service; from
        three studies on by the predictive distribution of `place_local`, which knows that their spread is uncertain,
        otherwise under the normal prior at full weight, with its assumed difference between services.
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
        """Whether prior and local data contradict each other; one or two studies do not know their own spread."""
        return self.conflict_p < CONFLICT_BELOW and self.studies >= FEWEST_FOR_SPREAD

    @property
    def far_apart(self) -> bool:
        """Whether they are further apart than an assumed difference between services explains."""
        return self.conflict_p < CONFLICT_BELOW and self.studies < FEWEST_FOR_SPREAD


def place_local(local: StudyEffect, pooled: PooledEvidence) -> LocalPosition:
    """Place the local result in the distribution of the results of studies like the published ones.

    Predictive check with t on k - 2 degrees of freedom (the convention of Higgins, Thompson & Spiegelhalter 2009), for
    counts mixed with the binomial distribution.

    Raises
    ------
    NotEstimableError
        With fewer than three studies, or without a fitted distribution.
    """
    method = "predictive distribution of a further study of the local size, t with k - 2 degrees of freedom"
    level = pooled.level
    if pooled.shares is not None and local.events is not None and local.total is not None:
        count = position_of_count(local.events, local.total, pooled.shares, level=level)
        low, high = count.lower / local.total, count.upper / local.total
        return LocalPosition(count.mid_p_below, count.mid_p_value, low, high, level, f"{method}, binomial counts")
    found = pooled.distribution
    if found is None or local.value is None or local.se is None:
        raise NotEstimableError(pooled.not_pooled or "The published studies give no distribution.")
    place = position_of_estimate(
        local.value, local.se, mu=found.mu, se_mu=found.se, tau2=found.tau**2, k=found.k, level=level
    )
    scale = SCALES[local.measure]
    return LocalPosition(
        place.share_below, place.p_value, scale.natural(place.lower), scale.natural(place.upper), level, method
    )


def _prior(pooled: PooledEvidence) -> tuple[NormalPrior, tuple[str, ...]]:
    """Normal prior of the true value in a further service."""
    assumed, words = ASSUMED_SPREAD[SCALES[pooled.question.measure].name]
    note = f"so few published studies do not tell how much services differ: a standard deviation of {words} is assumed"
    found = pooled.distribution
    if found is not None and found.k >= FEWEST_FOR_SPREAD:
        return NormalPrior(found.mu, found.tau**2 + found.se**2), ()
    if found is not None:
        return NormalPrior(found.mu, max(found.tau, assumed) ** 2 + found.se**2), (note,)
    single = [s.effect for s in pooled.studies if s.effect.value is not None and s.effect.se is not None]
    if len(single) != 1 or single[0].value is None or single[0].se is None:
        raise NotEstimableError(pooled.not_pooled or "The published studies give no distribution.")
    return NormalPrior(single[0].value, assumed**2 + single[0].se ** 2), (note,)


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

    The prior at full weight is normal, with the pooled mean and the variance between studies added to that of the mean
    (meta-analytic predictive); its precision is multiplied by ``weight`` (power prior).

    Raises
    ------
    NotEstimableError
        When the published studies give no distribution, or the local study no value.
    """
    prior, notes = _prior(pooled)
    likelihood = _likelihood(local, level)
    combined = posterior(prior, likelihood, weight=weight, level=level)
    rows = tuple(
        (row.weight, _told(local.measure, row.posterior, local.n, pooled.direction))
        for row in posterior_by_weight(prior, likelihood, weights=sorted({*WEIGHTS, weight}), level=level)
        if row.posterior is not None
    )
    if pooled.distribution is not None and pooled.distribution.k >= FEWEST_FOR_SPREAD:
        conflict_p = place_local(local, pooled).p_value
    elif isinstance(likelihood, BinomialLikelihood):
        conflict_p = count_conflict(prior, likelihood.events, likelihood.total).p_value
    else:
        conflict_p = prior_data_conflict(prior, *likelihood.normal()).p_value
    half = float(stats.norm.ppf(0.5 + level / 2)) * prior.sd
    return LocalUpdate(
        prior=natural_estimate(
            local.measure, prior.mean, prior.mean - half, prior.mean + half, level=level, n=pooled.n,
            method="normal prior from the published studies: pooled mean, and their spread added to its variance",
            quantity=f"{SCALES[local.measure].quantity} expected in a further service", direction=pooled.direction,
        ),
        weight=weight,
        combined=_told(local.measure, combined, local.n, pooled.direction),
        by_weight=rows,
        conflict_p=conflict_p,
        normal_gap=combined.largest_difference,
        densities=_densities(local, prior, weight, likelihood, combined),
        studies=1 if pooled.distribution is None else pooled.distribution.k,
        notes=notes,
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
