"""Gamma thresholds: shape ``1/sigma^2``, mean ``exp(location)``.

The gamma law is the log-gamma law of Prentice with its shape tied to its scale, ``Q = sigma``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families.family import CellTerms
from capstat.distributions.families.log_gamma import log_cdf, log_gamma_terms, log_sf, quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["GAMMA", "Gamma"]


def _tied(ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([ancillary[0], np.exp(ancillary[0])])


@dataclass(frozen=True, slots=True, eq=False)
class Gamma:
    """The gamma family; see :class:`Family`."""

    name: str = "gamma"

    @property
    def ancillary_names(self) -> tuple[str, ...]:
        """Return the name of the one ancillary parameter, the log coefficient of variation."""
        return ("log sigma",)

    def terms(
        self,
        a: NDArray[np.float64],
        b: NDArray[np.float64],
        exact: NDArray[np.bool_],
        ancillary: NDArray[np.float64],
    ) -> CellTerms:
        """Terms of the log-gamma law, by the chain rule of ``Q = sigma``."""
        sigma = float(np.exp(ancillary[0]))
        full = log_gamma_terms(a, b, exact, _tied(ancillary))
        tie = np.array([[1.0, 0.0], [0.0, 1.0], [0.0, sigma]])
        gradient = full.gradient @ tie
        hessian = tie.T @ full.hessian @ tie
        hessian[:, 1, 1] += sigma * full.gradient[:, 2]
        return CellTerms(full.value, gradient, hessian)

    def log_cdf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the distribution function of ``r``."""
        return log_cdf(r, _tied(ancillary))

    def log_sf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the survival function of ``r``."""
        return log_sf(r, _tied(ancillary))

    def quantile(self, p: float, ancillary: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Quantile of ``r`` and its derivative in log sigma."""
        r, slope = quantile(p, _tied(ancillary))
        return r, np.array([slope[0] + np.exp(ancillary[0]) * slope[1]])

    def starts(self, spread: float) -> tuple[NDArray[np.float64], ...]:
        """One start: the spread as the coefficient of variation."""
        return (np.array([np.log(spread)]),)


GAMMA = Gamma()
