"""Lognormal thresholds."""

from __future__ import annotations

import numpy as np
from scipy import special

from capstat.distributions.families.location_scale import LocationScale, StandardError

__all__ = ["LOGNORMAL", "NORMAL"]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)

NORMAL = StandardError(
    log_cdf=special.log_ndtr,
    log_sf=lambda z: special.log_ndtr(-z),
    log_pdf=lambda z: -0.5 * z * z - _HALF_LOG_2PI,
    score=lambda z: -z,
    curvature=lambda z: -np.ones_like(z),
    quantile=special.ndtri,
)
LOGNORMAL = LocationScale("lognormal", NORMAL)
