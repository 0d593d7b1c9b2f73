"""Where the true value of one more study or centre lies, when few studies hardly tell how much such values differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import optimize, stats

from capstat.numerics.weighted_studies import checked_values
from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["NewValue", "new_value"]

_PANELS, _NODES, _REACH = 12, 16, 6.0


@dataclass(frozen=True, slots=True)
class NewValue:
    """Predictive distribution of one more true value.

    Attributes
    ----------
    median, lower, upper : float
        Quantiles; the limits are equal-tailed.
    level : float
        Probability between the limits.
    spread : float
        Posterior mean of the standard deviation between studies.
    k : int
        Studies.
    """

    median: float
    lower: float
    upper: float
    level: float
    spread: float
    k: int

    @property
    def normal(self) -> tuple[float, float]:
        """Mean and standard deviation of the normal distribution with the same limits."""
        half = float(stats.norm.ppf(0.5 + self.level / 2))
        return (self.lower + self.upper) / 2, (self.upper - self.lower) / (2 * half)


def new_value(yi: Any, vi: Any, *, scale: float, level: float = 0.95) -> NewValue:
    """Predict by the normal-normal model with a flat mean and a half-normal prior of the spread between studies.

    The spread is integrated out by quadrature, so that its uncertainty is in the limits; with few studies the prior
    decides, and with one it is the only thing that is known of the spread (Gelman 2006; Röver 2020, J Stat Softw 93(6);
    from memory).

    Parameters
    ----------
    yi, vi : array-like, shape (k,)
        Estimates and their variances; one study will do.
    scale : float
        Scale of the half-normal prior: the spread lies below ``0.67 scale`` with probability one half, below
        ``1.96 scale`` with 95 %.
    level : float
        Probability between the limits.

    Raises
    ------
    UsageError
        When the values are not finite, a variance or the scale is not above 0, or the level is not between 0 and 1.
    """
    y, v = checked_values(yi, vi)
    if not (np.isfinite(scale) and scale > 0):
        raise UsageError(f"The scale of the spread must be finite and above 0, not {scale:g}.")
    if not 0 < level < 1:
        raise UsageError(f"The level lies between 0 and 1, not at {level:g}.")
    tau, weight = _grid(scale)
    precision = 1 / (v + tau[:, None] ** 2)
    total = precision.sum(axis=1)
    centre = (precision * y).sum(axis=1) / total
    # likelihood of the spread with the mean integrated out
    log_likelihood = 0.5 * np.log(precision).sum(axis=1) - 0.5 * np.log(total)
    log_likelihood -= 0.5 * (precision * (y - centre[:, None]) ** 2).sum(axis=1)
    density = weight * np.exp(log_likelihood - log_likelihood.max() - 0.5 * (tau / scale) ** 2)
    density /= density.sum()
    sd = np.sqrt(tau**2 + 1 / total)

    def quantile(share: float) -> float:
        ends = centre.min() - 12 * sd.max(), centre.max() + 12 * sd.max()
        found = optimize.brentq(lambda x: float(density @ stats.norm.cdf(x, centre, sd)) - share, *ends, xtol=1e-13)
        return float(found)

    return NewValue(
        quantile(0.5), quantile((1 - level) / 2), quantile((1 + level) / 2), level, float(density @ tau), y.size
    )


def _grid(scale: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Spreads and quadrature weights, closer together near 0."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    edges = _REACH * scale * np.linspace(0, 1, _PANELS + 1) ** 2
    half = np.diff(edges)[:, None] / 2
    middle = (edges[1:] + edges[:-1])[:, None] / 2
    return (middle + half * nodes).ravel(), (half * weights).ravel()
