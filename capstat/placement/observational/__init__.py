"""Placements that were chosen, not assigned: comparisons between patients that allow for declared confounders."""

from capstat.placement.observational.adjustment_sets import AdjustmentRow, AdjustmentSets, ratio_by_adjustment_set
from capstat.placement.observational.analysis import ObservationalAnalysis, observational_analysis
from capstat.placement.observational.balance import Balance, BalanceRow, balance_table
from capstat.placement.observational.confounders import DEFAULT_CONFOUNDERS, choose_confounders
from capstat.placement.observational.doubly_robust import DoublyRobustCapture, doubly_robust_capture
from capstat.placement.observational.evalue import (
    EValue,
    e_value,
    e_value_of_risk_ratio,
    e_value_of_threshold_ratio,
    risk_ratio_from_hazard_ratio,
    risk_ratio_from_odds_ratio,
)
from capstat.placement.observational.overlap import GroupOverlap, Overlap, score_overlap
from capstat.placement.observational.propensity import PropensityModel, fit_propensity
from capstat.placement.observational.weighted_curves import WeightedCapture, weighted_capture
from capstat.placement.observational.weighting import Weighting, effective_size, propensity_weights

__all__ = [
    "DEFAULT_CONFOUNDERS",
    "AdjustmentRow",
    "AdjustmentSets",
    "Balance",
    "BalanceRow",
    "DoublyRobustCapture",
    "EValue",
    "GroupOverlap",
    "ObservationalAnalysis",
    "Overlap",
    "PropensityModel",
    "WeightedCapture",
    "Weighting",
    "balance_table",
    "choose_confounders",
    "doubly_robust_capture",
    "e_value",
    "e_value_of_risk_ratio",
    "e_value_of_threshold_ratio",
    "effective_size",
    "fit_propensity",
    "observational_analysis",
    "propensity_weights",
    "ratio_by_adjustment_set",
    "risk_ratio_from_hazard_ratio",
    "risk_ratio_from_odds_ratio",
    "score_overlap",
    "weighted_capture",
]
