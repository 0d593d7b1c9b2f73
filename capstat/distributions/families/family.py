"""What every threshold family offers: a location family of log current with one or two further parameters."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["CellTerms", "Family"]


class CellTerms(NamedTuple):
    """Log-likelihood of cells with its first two derivatives in (location, ancillary parameters).

    Attributes
    ----------
    value : ndarray, shape (m,)
        ``log P(a < r <= b)``; for an exact cell the log density at ``b``, on the scale of log current.
    gradient : ndarray, shape (m, 1 + k)
        First derivatives.
    hessian : ndarray, shape (m, 1 + k, 1 + k)
        Second derivatives.
    """

    value: NDArray[np.float64]
    gradient: NDArray[np.float64]
    hessian: NDArray[np.float64]


class Family(Protocol):
    """A family of threshold distributions: ``log T = location + r``, where the law of ``r`` has ancillary parameters.

    ``ancillary`` is a vector throughout; its first entry is the logarithm of a scale.
    """

    @property
    def name(self) -> str:
        """The word used on the command line and in reports."""

    @property
    def ancillary_names(self) -> tuple[str, ...]:
        """Names of the ancillary parameters, the logarithm of the scale first."""

    def terms(
        self,
        a: NDArray[np.float64],
        b: NDArray[np.float64],
        exact: NDArray[np.bool_],
        ancillary: NDArray[np.float64],
    ) -> CellTerms:
        """Log probability of ``a < r <= b`` (residuals of log current, infinite where open) with derivatives."""

    def log_cdf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the distribution function of ``r``."""

    def log_sf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the survival function of ``r``."""

    def quantile(self, p: float, ancillary: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Quantile of ``r`` and its derivatives in the ancillary parameters."""

    def starts(self, spread: float) -> tuple[NDArray[np.float64], ...]:
        """Ancillary parameters to start a maximisation from, given a standard deviation of log current."""
