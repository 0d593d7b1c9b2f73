"""Draws of the normal law of latent values, and of latent values inside their cells, for many chains at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "FLAT_CORRELATION",
    "ONE_COLUMN",
    "PAIRED_T",
    "NormalLaw",
    "Prior",
    "draw_law",
    "draw_truncated",
    "log_density",
]

# a normal quantile beyond which floating point has no probability left
FARTHEST = 37.0


@dataclass(frozen=True, slots=True, eq=False)
class NormalLaw:
    """Mean and covariance of each chain: shapes (p, chains) and (p, p, chains), p 1 or 2."""

    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]

    def conditional(
        self, z: NDArray[np.float64], column: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
        """Mean (rows, chains) and SD (chains,) of one column given the other; ``z`` has shape (rows, p, chains)."""
        mean, variance = self.mean[column], self.covariance[column, column]
        if z.shape[1] == 1:
            return np.broadcast_to(mean, (z.shape[0], z.shape[2])), np.sqrt(variance)
        other = 1 - column
        slope = self.covariance[0, 1] / self.covariance[other, other]
        residual = variance - slope * self.covariance[0, 1]
        return mean + slope * (z[:, other] - self.mean[other]), np.sqrt(residual)


@dataclass(frozen=True, slots=True)
class Prior:
    """Prior of the covariance of p columns, flat in the mean: two powers.

    |Sigma|^-((extra_df + p + 1) / 2) (1 - rho^2)^correlation_power, with no SD below ``smallest_sd``.  One column:
    1 / sigma^2 (``extra_df`` 0), Student's one-sample limits.  Two columns with ``extra_df`` 1 and power 0:
    differences have the limits of a paired t test, but see :data:`FLAT_CORRELATION`.
    """

    extra_df: int = 0
    correlation_power: float = 0.0
    smallest_sd: float = 0.0


ONE_COLUMN = Prior()
PAIRED_T = Prior(extra_df=1)
# 1 / (sigma_1 sigma_2) in the SDs and flat in the correlation.  Among the data sets that agree with a printed summary
# some lie on a line, and in some a placement has one setting throughout: priors with a power of |Sigma| alone are then
# improper, for they pile up at a correlation of 1, and 1 / sigma piles up at 0.  A log SD below 0.02 is excluded.
FLAT_CORRELATION = Prior(correlation_power=1.5, smallest_sd=0.02)


def draw_law(
    z: NDArray[np.float64], prior: Prior, before: NormalLaw | None, rng: np.random.Generator
) -> NormalLaw:  # fmt: skip
    """Mean and covariance given latent values of shape (rows, p, chains).

    Sigma is proposed from the inverse Wishart law with rows - 1 + extra_df degrees of freedom (Bartlett's
    decomposition) and accepted by the power of 1 - rho^2; the mean is normal given Sigma (Gelman et al., Bayesian Data
    Analysis, section 3.6, from memory).  ``before`` is the law that stays where the proposal is refused.
    """
    n, p, chains = z.shape
    centre = z.mean(axis=0)
    deviation = z - centre
    scatter = np.empty((chains, p, p))
    for i in range(p):
        for j in range(p):
            scatter[:, i, j] = (deviation[:, i] * deviation[:, j]).sum(axis=0)
    bartlett = np.zeros((chains, p, p))
    for i in range(p):
        bartlett[:, i, i] = np.sqrt(rng.chisquare(n - 1 + prior.extra_df - i, chains))
    if p == 2:
        bartlett[:, 1, 0] = rng.standard_normal(chains)
    half = np.linalg.cholesky(scatter) @ np.swapaxes(np.linalg.inv(bartlett), 1, 2)
    covariance = half @ np.swapaxes(half, 1, 2)
    if before is None:
        covariance += 2 * prior.smallest_sd**2 * np.eye(p)
    elif prior != ONE_COLUMN:
        previous = np.moveaxis(before.covariance, -1, 0)
        kept = np.log(rng.random(chains)) >= _log_extra(covariance, prior) - _log_extra(previous, prior)
        covariance[kept] = previous[kept]
    noise = np.linalg.cholesky(covariance) @ rng.standard_normal((chains, p, 1))
    return NormalLaw(centre + noise[:, :, 0].T / np.sqrt(n), np.ascontiguousarray(np.moveaxis(covariance, 0, -1)))


def _log_extra(covariance: NDArray[np.floating[Any]], prior: Prior) -> NDArray[np.float64]:
    """Log of the factor of the prior that the inverse Wishart law lacks."""
    one, two = covariance[:, 0, 0], covariance[:, -1, -1]
    unexplained = np.maximum(one * two - covariance[:, 0, -1] ** 2, 1e-300) / (one * two)
    below = np.where(np.minimum(one, two) < prior.smallest_sd**2, -np.inf, 0.0)
    return np.asarray(prior.correlation_power * np.log(unexplained) + below)


def draw_truncated(
    mean: NDArray[np.float64],
    sd: NDArray[np.float64],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Normal draws inside [lower, upper] by inverting the distribution function in the nearer tail."""
    a, b = (lower - mean) / sd, (upper - mean) / sd
    flip = a > 0
    a, b = np.where(flip, -b, a), np.where(flip, -a, b)
    p_a, p_b = special.ndtr(a), special.ndtr(b)
    draw = special.ndtri(p_a + rng.random(a.shape) * (p_b - p_a))
    draw = np.clip(draw, np.maximum(a, -FARTHEST), np.maximum(np.minimum(b, FARTHEST), -FARTHEST))
    return np.asarray(np.clip(mean + sd * np.where(flip, -draw, draw), lower, upper))


def log_density(
    mean: NDArray[np.float64], covariance: NDArray[np.float64], z: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log density without its constant, summed over rows.

    Parameters
    ----------
    mean, covariance : ndarray, shapes (p, m) and (p, p, m)
        Law of each entry.
    z : ndarray, shape (rows, p, m)
        Values.
    """
    one = z[:, 0] - mean[0]
    if z.shape[1] == 1:
        return np.asarray(-0.5 * (one * one).sum(axis=0) / covariance[0, 0])
    two = z[:, 1] - mean[1]
    a, b, d = covariance[0, 0], covariance[0, 1], covariance[1, 1]
    quadratic = d * (one * one).sum(axis=0) - 2 * b * (one * two).sum(axis=0) + a * (two * two).sum(axis=0)
    return np.asarray(-0.5 * quadratic / (a * d - b * b))
