"""From a study to every result that a report shows."""

from capstat.analysis.confirmation import ConfirmationAnalysis, FalseCaptureAnalysis, analyse_confirmation
from capstat.analysis.confirmation_question import ConfirmationQuestion
from capstat.analysis.corrected_analysis import CorrectedAnalysis, CorrectedGroup
from capstat.analysis.covariate_analysis import CovariateAnalysis
from capstat.analysis.facts import study_facts
from capstat.analysis.placement_detail import DecisionQuestion, PlacementDetail, detail_comparison
from capstat.analysis.ramp_analysis import RampAnalysis, RampGroup, RampPart, analyse_ramps
from capstat.analysis.ramp_question import RampQuestion
from capstat.analysis.sign_analysis import LatentAnalysis, ReferenceAnalysis, SignAnalysis
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
from capstat.analysis.suppress_ramps import suppress_ramps
from capstat.analysis.threshold_detail import ModelSummary, ThresholdDetail

__all__ = [
    "ALL_PLACEMENTS",
    "AnalysisOptions",
    "CaptureAnalysis",
    "ConfirmationAnalysis",
    "ConfirmationQuestion",
    "CorrectedAnalysis",
    "CorrectedGroup",
    "CovariateAnalysis",
    "DecisionQuestion",
    "FalseCaptureAnalysis",
    "GroupAnalysis",
    "LatentAnalysis",
    "ModelSummary",
    "PlacementDetail",
    "RampAnalysis",
    "RampGroup",
    "RampPart",
    "RampQuestion",
    "ReferenceAnalysis",
    "SignAnalysis",
    "StudyAnalysis",
    "StudyFacts",
    "ThresholdDetail",
    "analyse_confirmation",
    "analyse_ramps",
    "analyse_study",
    "capture_definitions_for",
    "detail_comparison",
    "study_facts",
    "suppress_ramps",
    "suppress_small_groups",
]
