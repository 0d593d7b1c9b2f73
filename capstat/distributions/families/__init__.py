"""Threshold families: small objects, one file each, listed in FAMILIES."""

from capstat.distributions.families.family import CellTerms, Family
from capstat.distributions.families.gamma import GAMMA
from capstat.distributions.families.generalised_gamma import GENERALISED_GAMMA
from capstat.distributions.families.location_scale import (
    LocationScale,
    StandardError,
    log_difference,
    log_probability,
)
from capstat.distributions.families.loglogistic import LOGLOGISTIC
from capstat.distributions.families.lognormal import LOGNORMAL, NORMAL
from capstat.distributions.families.weibull import WEIBULL

__all__ = [
    "FAMILIES",
    "GAMMA",
    "GENERALISED_GAMMA",
    "LOGLOGISTIC",
    "LOGNORMAL",
    "NORMAL",
    "TWO_PARAMETER_FAMILIES",
    "WEIBULL",
    "CellTerms",
    "Family",
    "LocationScale",
    "StandardError",
    "log_difference",
    "log_probability",
]

FAMILIES: tuple[Family, ...] = (LOGNORMAL, WEIBULL, LOGLOGISTIC, GAMMA, GENERALISED_GAMMA)
# a further shape parameter needs more patients than most comparisons have
TWO_PARAMETER_FAMILIES = tuple(family for family in FAMILIES if len(family.ancillary_names) == 1)
