"""Maximum and profiles of the binomial-normal likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.numerics.binomial_normal_likelihood import log_likelihood
from capstat.numerics.binomial_normal_search import stationary

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from capstat.numerics.binomial_normal_likelihood import Slopes

__all__ = [
    "LARGEST_MU",
    "LARGEST_TAU",
    "Maximum",
    "Studies",
    "common_tau",
    "maximum",
    "profile_of_mu",
    "profile_of_tau",
]

LARGEST_MU: Final = 35.0
"""Shares beyond expit(35) differ from 1 by less than 1e-15: limits further out are open."""
LARGEST_TAU: Final = 30.0
"""At tau = 30 nearly every study's true share is 0 or 1 to many digits: limits further out are open."""

_SMALLEST_TAU: Final = 1e-5
# one of these lies in the basin of every maximum that was met in tests
_STARTS: Final = (0.1, 0.3, 1.0, 3.0)


@dataclass(frozen=True, slots=True, eq=False)
class Studies:
    """Events and totals, each of shape (k,)."""

    events: NDArray[np.float64]
    totals: NDArray[np.float64]

    def at(self, mu: float, tau: float) -> Slopes:
        """Log-likelihood and derivatives."""
        return log_likelihood(self.events, self.totals, mu, tau)

    @property
    def crude_logit(self) -> float:
        """Logit of all events over all totals: the maximum where tau is 0."""
        events = float(self.events.sum())
        return float(np.log(events) - np.log(float(self.totals.sum()) - events))


@dataclass(frozen=True, slots=True)
class Maximum:
    """Where the log-likelihood is largest, and its value there with derivatives."""

    mu: float
    tau: float
    slopes: Slopes


def _best_mu(studies: Studies, tau: float, start: float) -> float:
    """Maximum over mu for one tau; the likelihood is log-concave in mu (Prekopa 1973, from memory)."""

    def evaluate(mu: float) -> tuple[float, float]:
        slopes = studies.at(mu, tau)
        return slopes.mu, slopes.mu_mu

    bound = LARGEST_MU * (1 + tau)
    return stationary(evaluate, start, -bound, bound, 1 + tau)


def _best_tau(studies: Studies, mu: float, start: float) -> float:
    """Local maximum over tau for one mu, from a start above zero; 0 when it runs into the boundary."""

    def evaluate(tau: float) -> tuple[float, float]:
        if tau < _SMALLEST_TAU:
            return 0.0, -1.0
        slopes = studies.at(mu, tau)
        return slopes.tau, slopes.tau_tau

    tau = stationary(evaluate, start, 0.0, LARGEST_TAU, max(start, 0.25))
    return 0.0 if tau < _SMALLEST_TAU else tau


def profile_of_mu(studies: Studies, mu: float, start: float) -> Maximum:
    """Maximise over tau >= 0 for one mu.

    The likelihood is even in tau, so that its slope at 0 is always 0; the curvature there tells whether 0 is a maximum.
    A second one inside is looked for in any case.
    """
    zero = Maximum(mu, 0.0, studies.at(mu, 0.0))
    inside = _best_tau(studies, mu, start if start > 0 else 1.0)
    if inside == 0 and zero.slopes.tau_tau > 0:
        inside = _best_tau(studies, mu, 0.01)
    if inside == 0:
        return zero
    other = Maximum(mu, inside, studies.at(mu, inside))
    return other if other.slopes.value > zero.slopes.value else zero


def profile_of_tau(studies: Studies, tau: float, start: float) -> Maximum:
    """Maximise over mu for one tau."""
    mu = _best_mu(studies, tau, start)
    return Maximum(mu, tau, studies.at(mu, tau))


def common_tau(groups: Sequence[Studies]) -> tuple[float, tuple[float, ...], float]:
    """Maximise over one tau and a mu for each group, the boundary tau = 0 included.

    The profile over tau is looked at from several starts, and the largest of its maxima and of the value at 0 is taken.
    A group at 0 or 100 % has an infinite mu and adds nothing to the log-likelihood; the tau of a group with studies at
    both ends and none between would be infinite by itself.

    Returns
    -------
    tau : float
    mus : tuple of float
    log_likelihood : float
    """
    inside = [group for group in groups if 0 < group.events.sum() < group.totals.sum()]
    mus = [group.crude_logit for group in inside]

    def profile(tau: float) -> list[Maximum]:
        points = [profile_of_tau(group, tau, mu) for group, mu in zip(inside, mus, strict=True)]
        mus[:] = [point.mu for point in points]
        return points

    def total(points: list[Maximum]) -> float:
        return sum(point.slopes.value for point in points)

    def evaluate(tau: float) -> tuple[float, float]:
        if tau < _SMALLEST_TAU:
            return 0.0, -1.0
        slopes = [point.slopes for point in profile(tau)]
        return sum(s.tau for s in slopes), sum(s.tau_tau - s.mu_tau**2 / s.mu_mu for s in slopes)

    best = [Maximum(mu, 0.0, group.at(mu, 0.0)) for group, mu in zip(inside, mus, strict=True)]
    start = 0.01 if sum(point.slopes.tau_tau for point in best) > 0 else 0.0
    looked = {tau: total(profile(tau)) for tau in _STARTS}
    highest = max(looked, key=lambda tau: looked[tau])
    if looked[highest] > total(best):
        start = highest
    if start > 0:
        mus[:] = [group.crude_logit for group in inside]
        tau = stationary(evaluate, start, 0.0, LARGEST_TAU, start)
        found = profile(max(tau, _SMALLEST_TAU))
        if total(found) > total(best):
            best = found
    # a group that was left out runs away to its own end
    found_mus = {id(group): point.mu for group, point in zip(inside, best, strict=True)}
    ends = [found_mus.get(id(group), np.inf if group.events.sum() > 0 else -np.inf) for group in groups]
    return best[0].tau, tuple(ends), total(best)


def maximum(studies: Studies) -> Maximum:
    """Maximum-likelihood estimate of one group; at least one study must have events and non-events."""
    tau, (mu,), _ = common_tau((studies,))
    return Maximum(mu, tau, studies.at(mu, tau))
