"""Is one pad placement better?"""

from capstat.placement.comparison import (
    ANTERIOR_LATERAL,
    ANTERIOR_POSTERIOR,
    Assignment,
    PlacementComparison,
    compare_placements,
    paired_by_design,
)
from capstat.placement.difference import CurveDifference, curve_difference
from capstat.placement.grouping import compared_values, grouped_by
from capstat.placement.order import first_attempt_of_each_patient
from capstat.placement.paired import PairedCapture, PairedIntervals, paired_capture
from capstat.placement.paired_ratio import PairedRatio, paired_ratio
from capstat.placement.random_intercept import RandomInterceptFit, fit_random_intercept
from capstat.placement.unpaired import UnpairedRatio, body_size_column, unit_step, unpaired_ratio

__all__ = [
    "ANTERIOR_LATERAL",
    "ANTERIOR_POSTERIOR",
    "Assignment",
    "CurveDifference",
    "PairedCapture",
    "PairedIntervals",
    "PairedRatio",
    "PlacementComparison",
    "RandomInterceptFit",
    "UnpairedRatio",
    "body_size_column",
    "compare_placements",
    "compared_values",
    "curve_difference",
    "first_attempt_of_each_patient",
    "fit_random_intercept",
    "grouped_by",
    "paired_by_design",
    "paired_capture",
    "paired_ratio",
    "unit_step",
    "unpaired_ratio",
]
