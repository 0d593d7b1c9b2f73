"""From a study to every result that a report shows."""

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

__all__ = [
    "ALL_PLACEMENTS",
    "AnalysisOptions",
    "CaptureAnalysis",
    "GroupAnalysis",
    "StudyAnalysis",
    "StudyFacts",
    "analyse_study",
    "capture_definitions_for",
    "suppress_small_groups",
]
