"""Which figures an analysis of time and outcome gets."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.figures.outcome_capture import time_to_capture_picture
from capstat.report.figures.outcome_immortal import after_capture_picture
from capstat.report.figures.outcome_kept import capture_kept_picture
from capstat.report.figures.outcome_proportional import hazards_over_time_picture
from capstat.report.figures.outcome_risks import outcomes_picture
from capstat.report.figures.outcome_states import patients_over_time_picture

if TYPE_CHECKING:
    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["figures_of_outcomes"]


def figures_of_outcomes(found: OutcomeAnalysis) -> tuple[Picture, ...]:
    """Draw every figure for which there is something to show."""
    pictures = (
        time_to_capture_picture(found),
        hazards_over_time_picture(found),
        patients_over_time_picture(found),
        capture_kept_picture(found),
        after_capture_picture(found),
        outcomes_picture(found),
    )
    return tuple(picture for picture in pictures if picture is not None)
