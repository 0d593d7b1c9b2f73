"""Generalised gamma thresholds (Prentice 1974): lognormal at Q = 0, Weibull at Q = 1, gamma at Q = sigma."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families.family import CellTerms
from capstat.distributions.families.log_gamma import log_cdf, log_gamma_terms, log_sf, quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["GENERALISED_GAMMA", "GeneralisedGamma"]

# Beyond this the law is nearly a power of the current cut off at one point.  Data whose likelihood rises towards it
# hold no information on the shape, and a maximisation that runs there is stopped.
LARGEST_SHAPE = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class GeneralisedGamma:
    """The generalised gamma family; see :class:`Family`."""

    name: str = "generalised gamma"

    @property
    def ancillary_names(self) -> tuple[str, ...]:
        """Return the names of the logarithm of the scale and of the shape."""
        return ("log sigma", "Q")

    def terms(
        self,
        a: NDArray[np.float64],
        b: NDArray[np.float64],
        exact: NDArray[np.bool_],
        ancillary: NDArray[np.float64],
    ) -> CellTerms:
        """Terms of the log-gamma law; likelihood zero for shapes beyond +-4."""
        if abs(ancillary[1]) > LARGEST_SHAPE:
            m = a.size
            return CellTerms(np.full(m, -np.inf), np.zeros((m, 3)), np.zeros((m, 3, 3)))
        return log_gamma_terms(a, b, exact, ancillary)

    def log_cdf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the distribution function of ``r``."""
        return log_cdf(r, ancillary)

    def log_sf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the survival function of ``r``."""
        return log_sf(r, ancillary)

    def quantile(self, p: float, ancillary: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Quantile of ``r`` and its derivatives in log sigma and Q."""
        return quantile(p, ancillary)

    def starts(self, spread: float) -> tuple[NDArray[np.float64], ...]:
        """Three starts: the likelihood may have a ridge in Q."""
        return tuple(np.array([np.log(spread), q]) for q in (0.0, 0.8, -0.8))


GENERALISED_GAMMA = GeneralisedGamma()
