"""How capture thresholds are distributed."""

from capstat.distributions.families import (
    FAMILIES,
    GAMMA,
    GENERALISED_GAMMA,
    LOGLOGISTIC,
    LOGNORMAL,
    WEIBULL,
    Family,
)
from capstat.distributions.likelihood_ratio import likelihood_ratio_currents, likelihood_ratio_curve
from capstat.distributions.never_captured import FollowUp, NeverCaptured, estimate_never_captured, follow_up
from capstat.distributions.npmle import NpmleFit, fit_npmle
from capstat.distributions.parametric import ParametricFit, fit_parametric
from capstat.distributions.parametric_bootstrap import bootstrap_capture_currents
from capstat.distributions.profile import profile_capture_current
from capstat.distributions.regression import ThresholdRegression, fit_regression
from capstat.distributions.restricted_mean import restricted_mean_threshold
from capstat.distributions.summary import CaptureSummary, summarise_capture

__all__ = [
    "FAMILIES",
    "GAMMA",
    "GENERALISED_GAMMA",
    "LOGLOGISTIC",
    "LOGNORMAL",
    "WEIBULL",
    "CaptureSummary",
    "Family",
    "FollowUp",
    "NeverCaptured",
    "NpmleFit",
    "ParametricFit",
    "ThresholdRegression",
    "bootstrap_capture_currents",
    "estimate_never_captured",
    "fit_npmle",
    "fit_parametric",
    "fit_regression",
    "follow_up",
    "likelihood_ratio_currents",
    "likelihood_ratio_curve",
    "profile_capture_current",
    "restricted_mean_threshold",
    "summarise_capture",
]
