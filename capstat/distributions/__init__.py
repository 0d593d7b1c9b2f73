"""How capture thresholds are distributed."""

from capstat.distributions.averaging import FamilyComparison, averaged_capture_currents, compare_families
from capstat.distributions.covariate_model import CovariateModel, TermTest, fit_covariate_model
from capstat.distributions.covariates import Covariates, Spline
from capstat.distributions.families import (
    FAMILIES,
    GAMMA,
    GENERALISED_GAMMA,
    LOGLOGISTIC,
    LOGNORMAL,
    WEIBULL,
    Family,
)
from capstat.distributions.goodness import (
    GoodnessOfFit,
    QuantilePairs,
    goodness_of_fit,
    quantile_pairs,
)
from capstat.distributions.likelihood_ratio import likelihood_ratio_currents, likelihood_ratio_curve
from capstat.distributions.never_captured import FollowUp, NeverCaptured, estimate_never_captured, follow_up
from capstat.distributions.npmle import NpmleFit, fit_npmle
from capstat.distributions.parametric import ParametricFit, fit_parametric
from capstat.distributions.parametric_bootstrap import bootstrap_capture_currents
from capstat.distributions.profile import profile_capture_current
from capstat.distributions.regression import ThresholdRegression, fit_regression
from capstat.distributions.restricted_mean import restricted_mean_threshold
from capstat.distributions.shortcuts import ShortcutEstimates, shortcut_estimates
from capstat.distributions.standardised import StandardisedCurves, standardised_curves, standardised_difference
from capstat.distributions.summary import CaptureSummary, summarise_capture

__all__ = [
    "FAMILIES",
    "GAMMA",
    "GENERALISED_GAMMA",
    "LOGLOGISTIC",
    "LOGNORMAL",
    "WEIBULL",
    "CaptureSummary",
    "CovariateModel",
    "Covariates",
    "Family",
    "FamilyComparison",
    "FollowUp",
    "GoodnessOfFit",
    "NeverCaptured",
    "NpmleFit",
    "ParametricFit",
    "QuantilePairs",
    "ShortcutEstimates",
    "Spline",
    "StandardisedCurves",
    "TermTest",
    "ThresholdRegression",
    "averaged_capture_currents",
    "bootstrap_capture_currents",
    "compare_families",
    "estimate_never_captured",
    "fit_covariate_model",
    "fit_npmle",
    "fit_parametric",
    "fit_regression",
    "follow_up",
    "goodness_of_fit",
    "likelihood_ratio_currents",
    "likelihood_ratio_curve",
    "profile_capture_current",
    "quantile_pairs",
    "restricted_mean_threshold",
    "shortcut_estimates",
    "standardised_curves",
    "standardised_difference",
    "summarise_capture",
]
