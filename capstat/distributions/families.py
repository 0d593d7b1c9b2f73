"""Threshold families: small objects, listed in FAMILIES.

All are location-scale families of log current: ``log T = mu + sigma * e``.  An object holds the standard
error distribution ``e`` by its logarithms, so that far tails keep their digits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FAMILIES", "LOGLOGISTIC", "LOGNORMAL", "WEIBULL", "Family"]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)

type_of_function = Callable[["NDArray[np.float64]"], "NDArray[np.float64]"]


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """A location-scale family of log current.

    Attributes
    ----------
    name : str
        The word used on the command line and in reports.
    log_cdf, log_sf, log_pdf : callable
        Logarithms of distribution, survival and density function of the standard error.
    score, curvature : callable
        First and second derivative of ``log_pdf``.
    quantile : callable
        Inverse of the distribution function.
    """

    name: str
    log_cdf: type_of_function
    log_sf: type_of_function
    log_pdf: type_of_function
    score: type_of_function
    curvature: type_of_function
    quantile: type_of_function


def _gumbel_log_cdf(z: NDArray[np.float64]) -> NDArray[np.float64]:
    hazard = np.exp(z)
    # the two forms keep their digits for small and for large z
    near = np.log(-np.expm1(-np.minimum(hazard, 1.0)))
    return np.asarray(np.where(hazard < 0.7, near, np.log1p(-np.exp(-np.maximum(hazard, 0.5)))))


LOGNORMAL = Family(
    "lognormal",
    log_cdf=special.log_ndtr,
    log_sf=lambda z: special.log_ndtr(-z),
    log_pdf=lambda z: -0.5 * z * z - _HALF_LOG_2PI,
    score=lambda z: -z,
    curvature=lambda z: -np.ones_like(z),
    quantile=special.ndtri,
)
LOGLOGISTIC = Family(
    "log-logistic",
    log_cdf=special.log_expit,
    log_sf=lambda z: special.log_expit(-z),
    log_pdf=lambda z: special.log_expit(z) + special.log_expit(-z),
    score=lambda z: 1 - 2 * special.expit(z),
    curvature=lambda z: -2 * special.expit(z) * special.expit(-z),
    quantile=special.logit,
)
WEIBULL = Family(
    "Weibull",
    log_cdf=_gumbel_log_cdf,
    log_sf=lambda z: -np.exp(z),
    log_pdf=lambda z: z - np.exp(z),
    score=lambda z: 1 - np.exp(z),
    curvature=lambda z: -np.exp(z),
    quantile=lambda p: np.log(-np.log1p(-np.asarray(p))),
)
FAMILIES = (LOGNORMAL, WEIBULL, LOGLOGISTIC)
