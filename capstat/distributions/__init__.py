"""How capture thresholds are distributed."""

from capstat.distributions.bootstrap import bootstrap_capture_currents
from capstat.distributions.families import FAMILIES, LOGLOGISTIC, LOGNORMAL, WEIBULL, Family
from capstat.distributions.npmle import NpmleFit, fit_npmle
from capstat.distributions.parametric import ParametricFit, fit_parametric
from capstat.distributions.regression import ThresholdRegression, fit_regression
from capstat.distributions.summary import CaptureSummary, summarise_capture

__all__ = [
    "FAMILIES",
    "LOGLOGISTIC",
    "LOGNORMAL",
    "WEIBULL",
    "CaptureSummary",
    "Family",
    "NpmleFit",
    "ParametricFit",
    "ThresholdRegression",
    "bootstrap_capture_currents",
    "fit_npmle",
    "fit_parametric",
    "fit_regression",
    "summarise_capture",
]
