"""From a study to every result that a report shows."""

from capstat.analysis.covariate_analysis import CovariateAnalysis
from capstat.analysis.placement_detail import DecisionQuestion, PlacementDetail, detail_comparison
from capstat.analysis.study_analysis import (
    ALL_PLACEMENTS,
    AnalysisOptions,
    CaptureAnalysis,
    GroupAnalysis,
    StudyAnalysis,
    StudyFacts,
    analyse_study,
    capture_definitions_for,
)
from capstat.analysis.suppress import suppress_small_groups
from capstat.analysis.threshold_detail import ModelSummary, ThresholdDetail

__all__ = [
    "ALL_PLACEMENTS",
    "AnalysisOptions",
    "CaptureAnalysis",
    "CovariateAnalysis",
    "DecisionQuestion",
    "GroupAnalysis",
    "ModelSummary",
    "PlacementDetail",
    "StudyAnalysis",
    "StudyFacts",
    "ThresholdDetail",
    "analyse_study",
    "capture_definitions_for",
    "detail_comparison",
    "suppress_small_groups",
]
