"""Log-logistic thresholds."""

from __future__ import annotations

from scipy import special

from capstat.distributions.families.location_scale import LocationScale, StandardError

__all__ = ["LOGLOGISTIC"]

LOGLOGISTIC = LocationScale(
    "log-logistic",
    StandardError(
        log_cdf=special.log_expit,
        log_sf=lambda z: special.log_expit(-z),
        log_pdf=lambda z: special.log_expit(z) + special.log_expit(-z),
        score=lambda z: 1 - 2 * special.expit(z),
        curvature=lambda z: -2 * special.expit(z) * special.expit(-z),
        quantile=special.logit,
    ),
)
