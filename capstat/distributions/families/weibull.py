"""Weibull thresholds: the error is the minimum extreme value, the shape 1/sigma, the scale exp(location)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from capstat.distributions.families.location_scale import LocationScale, StandardError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["WEIBULL"]


def _log_cdf(z: NDArray[np.float64]) -> NDArray[np.float64]:
    hazard = np.exp(z)
    # the two forms keep their digits for small and for large z
    near = np.log(-np.expm1(-np.minimum(hazard, 1.0)))
    return np.asarray(np.where(hazard < 0.7, near, np.log1p(-np.exp(-np.maximum(hazard, 0.5)))))


WEIBULL = LocationScale(
    "Weibull",
    StandardError(
        log_cdf=_log_cdf,
        log_sf=lambda z: -np.exp(z),
        log_pdf=lambda z: z - np.exp(z),
        score=lambda z: 1 - np.exp(z),
        curvature=lambda z: -np.exp(z),
        quantile=lambda p: np.log(-np.log1p(-np.asarray(p))),
    ),
)
