"""Time to capture, capture kept or lost, and what became of the patient."""

from capstat.outcomes.episodes import CAUSES, Awaited, Episodes, Origin, derive_episodes
from capstat.outcomes.immortal import ImmortalComparison, immortal_comparison
from capstat.outcomes.immortal_course import SurvivalCourse, survival_course
from capstat.outcomes.kept import CaptureKept, capture_kept
from capstat.outcomes.outcome_compare import OutcomeComparison, compare_outcome
from capstat.outcomes.outcome_data import OutcomeData
from capstat.outcomes.states import StateOccupation, occupation
from capstat.outcomes.time_regression import TimeRegression, time_regression
from capstat.outcomes.time_standardised import StandardisedCapture, standardised_capture
from capstat.outcomes.time_to_capture import TimeToCapture, time_to_capture

__all__ = [
    "CAUSES",
    "Awaited",
    "CaptureKept",
    "Episodes",
    "ImmortalComparison",
    "Origin",
    "OutcomeComparison",
    "OutcomeData",
    "StandardisedCapture",
    "StateOccupation",
    "SurvivalCourse",
    "TimeRegression",
    "TimeToCapture",
    "capture_kept",
    "compare_outcome",
    "derive_episodes",
    "immortal_comparison",
    "occupation",
    "standardised_capture",
    "survival_course",
    "time_regression",
    "time_to_capture",
]
