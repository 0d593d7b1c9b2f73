"""Is one pad placement better?"""

from capstat.placement.comparison import (
    ANTERIOR_LATERAL,
    ANTERIOR_POSTERIOR,
    Assignment,
    PlacementComparison,
    compare_placements,
    paired_by_design,
)
from capstat.placement.contrasts import GroupContrasts, group_contrasts
from capstat.placement.decision import Claim, Decision, decide
from capstat.placement.difference import CurveDifference, curve_difference
from capstat.placement.grouping import compared_values, grouped_by
from capstat.placement.imputation import ImputedRatio, imputed_ratio
from capstat.placement.modifiers import ModifierAnalysis, SubgroupForest, modifier_analysis, subgroup_forest
from capstat.placement.observational import ObservationalAnalysis, observational_analysis
from capstat.placement.order import first_attempt_of_each_patient
from capstat.placement.paired import PairedCapture, PairedIntervals, paired_capture
from capstat.placement.paired_ratio import PairedRatio, paired_ratio
from capstat.placement.paired_tests import PairedTests, paired_tests
from capstat.placement.posterior import Posterior, posterior_probability
from capstat.placement.random_intercept import RandomInterceptFit, fit_random_intercept
from capstat.placement.score_form import score_form_test
from capstat.placement.score_tests import ScoreTest, score_tests
from capstat.placement.unpaired import UnpairedRatio, body_size_column, unit_step, unpaired_ratio

__all__ = [
    "ANTERIOR_LATERAL",
    "ANTERIOR_POSTERIOR",
    "Assignment",
    "Claim",
    "CurveDifference",
    "Decision",
    "GroupContrasts",
    "ImputedRatio",
    "ModifierAnalysis",
    "ObservationalAnalysis",
    "PairedCapture",
    "PairedIntervals",
    "PairedRatio",
    "PairedTests",
    "PlacementComparison",
    "Posterior",
    "RandomInterceptFit",
    "ScoreTest",
    "SubgroupForest",
    "UnpairedRatio",
    "body_size_column",
    "compare_placements",
    "compared_values",
    "curve_difference",
    "decide",
    "first_attempt_of_each_patient",
    "fit_random_intercept",
    "group_contrasts",
    "grouped_by",
    "imputed_ratio",
    "modifier_analysis",
    "observational_analysis",
    "paired_by_design",
    "paired_capture",
    "paired_ratio",
    "paired_tests",
    "posterior_probability",
    "score_form_test",
    "score_tests",
    "subgroup_forest",
    "unit_step",
    "unpaired_ratio",
]
