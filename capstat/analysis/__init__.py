"""From a study to every result that a report shows."""

from capstat.analysis.confirmation import ConfirmationAnalysis, FalseCaptureAnalysis, analyse_confirmation
from capstat.analysis.confirmation_question import ConfirmationQuestion
from capstat.analysis.corrected_analysis import CorrectedAnalysis, CorrectedGroup
from capstat.analysis.covariate_analysis import CovariateAnalysis
from capstat.analysis.evidence_analysis import EvidenceAnalysis, EvidencePart, LocalBeside, analyse_evidence
from capstat.analysis.evidence_brief import BriefPart, EvidenceBrief, Frequency, LocalBrief, evidence_brief
from capstat.analysis.evidence_local import LocalStudy, describe_local
from capstat.analysis.evidence_question import LiteratureQuestion
from capstat.analysis.evidence_reanalysis import Reanalysis
from capstat.analysis.facts import study_facts
from capstat.analysis.outcome_analysis import OutcomeAnalysis, analyse_outcomes
from capstat.analysis.outcome_question import OutcomeQuestion
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
from capstat.analysis.suppress_evidence import suppress_evidence
from capstat.analysis.suppress_outcomes import suppress_outcomes
from capstat.analysis.suppress_ramps import suppress_ramps
from capstat.analysis.threshold_detail import ModelSummary, ThresholdDetail

__all__ = [
    "ALL_PLACEMENTS",
    "AnalysisOptions",
    "BriefPart",
    "CaptureAnalysis",
    "ConfirmationAnalysis",
    "ConfirmationQuestion",
    "CorrectedAnalysis",
    "CorrectedGroup",
    "CovariateAnalysis",
    "DecisionQuestion",
    "EvidenceAnalysis",
    "EvidenceBrief",
    "EvidencePart",
    "FalseCaptureAnalysis",
    "Frequency",
    "GroupAnalysis",
    "LatentAnalysis",
    "LiteratureQuestion",
    "LocalBeside",
    "LocalBrief",
    "LocalStudy",
    "ModelSummary",
    "OutcomeAnalysis",
    "OutcomeQuestion",
    "PlacementDetail",
    "RampAnalysis",
    "RampGroup",
    "RampPart",
    "RampQuestion",
    "Reanalysis",
    "ReferenceAnalysis",
    "SignAnalysis",
    "StudyAnalysis",
    "StudyFacts",
    "ThresholdDetail",
    "analyse_confirmation",
    "analyse_evidence",
    "analyse_outcomes",
    "analyse_ramps",
    "analyse_study",
    "capture_definitions_for",
    "describe_local",
    "detail_comparison",
    "evidence_brief",
    "study_facts",
    "suppress_evidence",
    "suppress_outcomes",
    "suppress_ramps",
    "suppress_small_groups",
]
