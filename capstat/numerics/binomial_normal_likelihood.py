"""Likelihood of the binomial-normal model with its exact first and second derivatives.

``x_i ~ Bin(n_i, expit(theta_i))`` with ``theta_i ~ N(mu, tau^2)``; ``theta_i = mu + tau z_i`` is integrated over
``z_i``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, gammaln

from capstat.numerics.quadrature import log_concave_nodes

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Slopes", "log_likelihood"]

_LOG_ROOT_TWO_PI = float(np.log(2 * np.pi) / 2)


@dataclass(frozen=True, slots=True)
class Slopes:
    """The log-likelihood at one point, binomial coefficients included, with its derivatives by mu and tau."""

    value: float
    mu: float
    tau: float
    mu_mu: float
    mu_tau: float
    tau_tau: float


def _log_coefficients(x: NDArray[np.float64], n: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1))


def _without_spread(x: NDArray[np.float64], n: NDArray[np.float64], mu: float) -> Slopes:
    """At tau = 0 the moments of z are those of the standard normal."""
    p = float(expit(mu))
    score, bend = x - n * p, -n * p * (1 - p)
    value = _log_coefficients(x, n) - x * np.logaddexp(0, -mu) - (n - x) * np.logaddexp(0, mu)
    return Slopes(
        float(value.sum()), float(score.sum()), 0.0, float(bend.sum()), 0.0, float((score**2 + bend).sum())
    )  # fmt: skip


def _reach(n: NDArray[np.float64], mu: float, tau: float) -> float:
    """Bound of every mode of the integrand in z.

    A mode solves ``z = tau (x - n p)``, so that ``|z| <= tau n``; and where the linear predictor has passed ``log n``,
    fewer than one observation remains on the other side, so that ``|z| <= tau``.
    """
    far = np.maximum(tau, (np.log(n) + abs(mu)) / tau)
    return max(9.0, 1.0 + float(np.minimum(tau * n, far).max()))


def log_likelihood(x: NDArray[np.float64], n: NDArray[np.float64], mu: float, tau: float) -> Slopes:
    """Log-likelihood of ``(mu, tau)`` with exact derivatives, each integral with nodes of its own.

    The nodes are those of :func:`capstat.numerics.quadrature.log_concave_nodes` (Gauss-Legendre panels between the
    points where an integrand has fallen to exp(-36) of its peak).  Adaptive Gauss-Hermite rules, which are usual here,
    lose digits when every observation of a study is an event and tau is large: the integrand is then a flat piece with
    an edge.  Derivatives are posterior means of those of the complete data (Louis 1982, from memory).

    Parameters
    ----------
    x, n : ndarray, shape (k,)
        Events and totals, ``0 <= x <= n``, ``n >= 1``.
    mu, tau : float
        Mean and standard deviation on the logit scale, ``tau >= 0``.
    """
    if tau == 0:
        return _without_spread(x, n, mu)
    events, totals = x[:, None], n[:, None]

    def log_integrand(z: NDArray[np.float64]) -> NDArray[np.float64]:
        eta = mu + tau * z
        # x log p + (n - x) log(1 - p) with one call of the costly function
        return np.asarray(events * eta - totals * np.logaddexp(0, eta) - z**2 / 2)

    def slope(z: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(tau * (events - totals * expit(mu + tau * z)) - z)

    bend_bound = 1 + tau**2 * float(n.max()) / 4
    z, weights = log_concave_nodes(log_integrand, slope, bend_bound, x.size, _reach(n, mu, tau))
    height = log_integrand(z)
    top = height.max(axis=1, keepdims=True)
    mass = weights * np.exp(height - top)
    total = mass.sum(axis=1, keepdims=True)
    posterior = mass / total
    value = _log_coefficients(x, n) + (top + np.log(total))[:, 0] - _LOG_ROOT_TWO_PI

    p = expit(mu + tau * z)
    score = events - totals * p
    second = score**2 - totals * p * (1 - p)
    by_mu = (posterior * score).sum(axis=1)
    by_tau = (posterior * score * z).sum(axis=1)
    return Slopes(
        float(value.sum()),
        float(by_mu.sum()),
        float(by_tau.sum()),
        float(((posterior * second).sum(axis=1) - by_mu**2).sum()),
        float(((posterior * second * z).sum(axis=1) - by_mu * by_tau).sum()),
        float(((posterior * second * z**2).sum(axis=1) - by_tau**2).sum()),
    )
