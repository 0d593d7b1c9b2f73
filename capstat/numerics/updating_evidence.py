"""A normal prior, and the likelihoods that may be combined with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, stats
from scipy.special import expit, gammaln

from capstat.numerics.binomial_normal_checks import checked_pair
from capstat.numerics.updating_laws import GridLaw, LogitBetaLaw, StudentLaw
from capstat.results import NotEstimableError, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "BinomialLikelihood",
    "Likelihood",
    "NormalLikelihood",
    "NormalPrior",
    "StudentLikelihood",
    "conjugate",
    "grid_law",
]

# exp(-9**2 / 2) is 3e-18: what a normal factor leaves further out does not matter
_FAR = 9.0
_OFFSETS = np.arange(-_FAR, _FAR + 1)


@dataclass(frozen=True, slots=True)
class NormalPrior:
    """Normal prior of a parameter.

    Raises
    ------
    UsageError
        When a number is not finite or the variance is not above 0.
    """

    mean: float
    variance: float

    def __post_init__(self) -> None:
        """Refuse an improper prior."""
        if not np.isfinite([self.mean, self.variance]).all() or self.variance <= 0:
            raise UsageError("A normal prior needs a finite mean and a finite variance above 0.")

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return float(np.sqrt(self.variance))

    def weighted(self, weight: float) -> NormalPrior:
        """Multiply the precision by ``weight`` in (0, 1].

        That is a normal density raised to the power ``weight`` (power prior, Ibrahim & Chen 2000, from memory).
        """
        if not 0 < weight <= 1:
            raise UsageError(f"The weight of a prior is above 0 and at most 1, not {weight!r}.")
        return NormalPrior(self.mean, self.variance / weight)

    def log_density(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log density."""
        return np.asarray(stats.norm.logpdf(value, self.mean, self.sd))


def _check_estimate(estimate: float, se: float) -> None:
    if not np.isfinite([estimate, se]).all() or se <= 0:
        raise UsageError("An estimate must be finite, and its standard error finite and above 0.")


def _ladder(centre: float, scale: float, reach: float) -> NDArray[np.float64]:
    """Ends of panels that grow in both directions away from a centre."""
    rungs = max(1, int(np.ceil(np.log2(max(reach / scale, 2.0)))))
    steps = scale * 2.0 ** np.arange(-1, rungs)
    return np.concatenate([centre - steps, [centre], centre + steps])


def _within(low: float, high: float, *points: NDArray[np.float64]) -> NDArray[np.float64]:
    every = np.concatenate(points)
    return np.concatenate([[low, high], every[(every > low) & (every < high)]])


@dataclass(frozen=True, slots=True)
class NormalLikelihood:
    """An estimate with a known standard error."""

    estimate: float
    se: float

    def __post_init__(self) -> None:
        """Refuse numbers that are not finite."""
        _check_estimate(self.estimate, self.se)

    def normal(self) -> tuple[float, float]:
        """Estimate and standard error, as a normal approximation takes them."""
        return self.estimate, self.se

    def alone(self) -> StudentLaw:
        """Posterior under a flat prior."""
        return StudentLaw(self.estimate, self.se, np.inf)


@dataclass(frozen=True, slots=True)
class StudentLikelihood:
    """An estimate with a standard error that was itself estimated with ``df`` degrees of freedom."""

    estimate: float
    se: float
    df: float

    def __post_init__(self) -> None:
        """Refuse numbers that are not finite."""
        _check_estimate(self.estimate, self.se)
        if not np.isfinite(self.df) or self.df <= 0:
            raise UsageError("Degrees of freedom must be finite and above 0; a normal likelihood has none.")

    def normal(self) -> tuple[float, float]:
        """Estimate and standard error, as if the latter were known."""
        return self.estimate, self.se

    def alone(self) -> StudentLaw:
        """Posterior under a flat prior."""
        return StudentLaw(self.estimate, self.se, self.df)

    def log_likelihood(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log density of the estimate."""
        return np.asarray(stats.t.logpdf(self.estimate, self.df, value, self.se))

    def breaks(self, prior: NormalPrior) -> NDArray[np.float64]:
        """Ends of panels: the posterior has one or two peaks, the roots of a cubic."""
        gap, a = prior.mean - self.estimate, self.df * self.se**2
        roots = np.roots([1.0, -gap, a + prior.variance * (self.df + 1), -gap * a])
        scale = (1 / prior.variance + (self.df + 1) / a) ** -0.5
        low = min(prior.mean, self.estimate) - _FAR * prior.sd
        high = max(prior.mean, self.estimate) + _FAR * prior.sd
        reach = high - low
        ladders = [_ladder(float(root.real) + self.estimate, scale, reach) for root in roots]
        return _within(low, high, prior.mean + prior.sd * _OFFSETS, _ladder(self.estimate, self.se, reach), *ladders)


@dataclass(frozen=True, slots=True)
class BinomialLikelihood:
    """Events of a total; the parameter is the logit of the share."""

    events: int
    total: int

    def __post_init__(self) -> None:
        """Refuse impossible counts."""
        checked_pair(self.events, self.total)

    def normal(self) -> tuple[float, float]:
        """Logit of the share and its standard error; half an event is added on both sides when one side is empty."""
        extra = 0.5 if self.events in (0, self.total) else 0.0
        yes, no = self.events + extra, self.total - self.events + extra
        return float(np.log(yes / no)), float(np.sqrt(1 / yes + 1 / no))

    def alone(self) -> LogitBetaLaw:
        """Posterior under a prior that is flat on the logit scale: beta(events, others)."""
        if self.events in (0, self.total):
            raise NotEstimableError("Without a prior the logit of a share of 0 or 100 % has no distribution.")
        return LogitBetaLaw(self.events, self.total - self.events)

    def log_likelihood(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log probability of the events."""
        x, n = self.events, self.total
        constant = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
        return np.asarray(constant - x * np.logaddexp(0, -value) - (n - x) * np.logaddexp(0, value))

    def breaks(self, prior: NormalPrior) -> NDArray[np.float64]:
        """Ends of panels: the posterior is log-concave, and falls from its peak at least as fast as the prior."""
        x, n, v = self.events, self.total, prior.variance

        def slope(value: float) -> float:
            return (prior.mean - value) / v + x - n * float(expit(value))

        mode = float(optimize.brentq(slope, prior.mean - v * n - 1, prior.mean + v * n + 1, xtol=1e-12))
        p = float(expit(mode))
        scale = (1 / v + n * p * (1 - p)) ** -0.5
        reach = _FAR * prior.sd
        ladders = (_ladder(mode, scale, reach), _ladder(self.normal()[0], 1.0, 2 * reach + 2.0))
        return _within(mode - reach, mode + reach, mode + scale * _OFFSETS, *ladders)


Likelihood = NormalLikelihood | StudentLikelihood | BinomialLikelihood


def conjugate(prior: NormalPrior, estimate: float, se: float) -> tuple[float, float]:
    """Mean and standard deviation of the posterior when the likelihood is normal."""
    precision = 1 / prior.variance + 1 / se**2
    mean = (prior.mean / prior.variance + estimate / se**2) / precision
    return mean, float(precision**-0.5)


def grid_law(prior: NormalPrior, likelihood: StudentLikelihood | BinomialLikelihood) -> GridLaw:
    """Posterior by quadrature; its ``log_total`` is the log probability (density) of the data under the prior."""
    return GridLaw(
        lambda value: prior.log_density(value) + likelihood.log_likelihood(value), likelihood.breaks(prior)
    )  # fmt: skip
