"""Location-scale families of log current: ``log T = location + sigma * e`` with a fixed law of ``e``.

The law of the standard error ``e`` is held by its logarithms, so that far tails keep their digits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families.family import CellTerms

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LocationScale", "StandardError", "log_difference", "log_probability"]

type_of_function = Callable[["NDArray[np.float64]"], "NDArray[np.float64]"]


@dataclass(frozen=True, slots=True, eq=False)
class StandardError:
    """A distribution on the real line without parameters.

    Attributes
    ----------
    log_cdf, log_sf, log_pdf : callable
        Logarithms of distribution, survival and density function.
    score, curvature : callable
        First and second derivative of ``log_pdf``.
    quantile : callable
        Inverse of the distribution function.
    """

    log_cdf: type_of_function
    log_sf: type_of_function
    log_pdf: type_of_function
    score: type_of_function
    curvature: type_of_function
    quantile: type_of_function


def log_difference(error: StandardError, a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """log(F(b) - F(a)), taken from the side where nothing cancels."""
    upper_side = a > 0
    big = np.where(upper_side, error.log_sf(a), error.log_cdf(b))
    small = np.where(upper_side, error.log_sf(b), error.log_cdf(a))
    ratio = small - big
    with np.errstate(divide="ignore"):
        log1mexp = np.where(ratio > -0.693, np.log(-np.expm1(np.minimum(ratio, 0.0))), np.log1p(-np.exp(ratio)))
    return np.asarray(big + log1mexp)


def log_probability(
    error: StandardError, a: NDArray[np.float64], b: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """log P(a < e <= b) of the standard error, with the edge terms of its derivatives.

    Parameters
    ----------
    a, b : ndarray
        Standardised bounds of the same shape, a < b, infinite where open.

    Returns
    -------
    value : ndarray
        log(F(b) - F(a)).
    flow, flow_z : ndarray
        (g(b) - g(a)) / P and (b g(b) - a g(a)) / P: minus the derivatives of the value in the location (in
        units of the scale) and in the log scale.
    """
    with np.errstate(invalid="ignore", over="ignore"):
        value = log_difference(error, a, b)
        low, high = _edge_terms(error, a, value), _edge_terms(error, b, value)
    return value, high[0] - low[0], high[1] - low[1]


def _edge_terms(
    error: StandardError, z: NDArray[np.float64], log_probability: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    """g, z g, g', z g' and z^2 g' at one edge, each divided by the probability; zero at an open edge."""
    inner = np.isfinite(z)
    safe = np.where(inner, z, 0.0)
    density = np.where(inner, np.exp(error.log_pdf(safe) - log_probability), 0.0)
    slope = density * np.where(inner, error.score(safe), 0.0)
    return density, safe * density, slope, safe * slope, safe * safe * slope


@dataclass(frozen=True, slots=True, eq=False)
class LocationScale:
    """A family with the logarithm of its scale as the only ancillary parameter; see :class:`Family`.

    Attributes
    ----------
    name : str
        The word used on the command line and in reports.
    error : StandardError
        Law of the standardised residual.
    """

    name: str
    error: StandardError

    @property
    def ancillary_names(self) -> tuple[str, ...]:
        """Return the name of the one ancillary parameter."""
        return ("log sigma",)

    def terms(
        self,
        a: NDArray[np.float64],
        b: NDArray[np.float64],
        exact: NDArray[np.bool_],
        ancillary: NDArray[np.float64],
    ) -> CellTerms:
        """Closed forms: every derivative of a probability is a difference of terms at its two edges."""
        sigma = np.exp(ancillary[0])
        low, high = a / sigma, b / sigma
        value = np.empty(a.size)
        gradient = np.empty((a.size, 2))
        hessian = np.empty((a.size, 2, 2))
        wide = ~exact
        value[wide] = log_difference(self.error, low[wide], high[wide])
        edges = [_edge_terms(self.error, z[wide], value[wide]) for z in (low, high)]
        flow, flow_z, slope, slope_z, slope_zz = (edges[1][k] - edges[0][k] for k in range(5))
        gradient[wide, 0] = -flow / sigma
        gradient[wide, 1] = -flow_z
        hessian[wide, 0, 0] = (slope - flow**2) / sigma**2
        hessian[wide, 0, 1] = (slope_z + flow - flow * flow_z) / sigma
        hessian[wide, 1, 1] = slope_zz + flow_z - flow_z**2
        if exact.any():
            z = high[exact]
            score, curvature = self.error.score(z), self.error.curvature(z)
            value[exact] = self.error.log_pdf(z) - ancillary[0]
            gradient[exact, 0] = -score / sigma
            gradient[exact, 1] = -z * score - 1
            hessian[exact, 0, 0] = curvature / sigma**2
            hessian[exact, 0, 1] = (z * curvature + score) / sigma
            hessian[exact, 1, 1] = z * score + z * z * curvature
        hessian[:, 1, 0] = hessian[:, 0, 1]
        return CellTerms(value, gradient, hessian)

    def log_cdf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the distribution function of ``r``."""
        return self.error.log_cdf(r / np.exp(ancillary[0]))

    def log_sf(self, r: NDArray[np.float64], ancillary: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of the survival function of ``r``."""
        return self.error.log_sf(r / np.exp(ancillary[0]))

    def quantile(self, p: float, ancillary: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Quantile of ``r`` and its derivative in log sigma."""
        r = float(np.exp(ancillary[0]) * self.error.quantile(np.asarray(p, dtype=float)))
        return r, np.array([r])

    def starts(self, spread: float) -> tuple[NDArray[np.float64], ...]:
        """One start: the spread as it is."""
        return (np.array([np.log(spread)]),)
