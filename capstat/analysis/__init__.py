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

__all__ = [
    "ALL_PLACEMENTS",
    "AnalysisOptions",
    "CaptureAnalysis",
    "GroupAnalysis",
    "StudyAnalysis",
    "StudyFacts",
    "analyse_study",
    "capture_definitions_for",
]
