"""Which figures an analysis of ramp policies gets."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.figures.ramp_elapsed import ramp_elapsed_picture
from capstat.report.figures.ramp_margins import ramp_loss_picture
from capstat.report.figures.ramp_paths import ramp_paths_picture
from capstat.report.figures.ramp_reposition import ramp_reposition_picture
from capstat.report.figures.ramp_time import ramp_time_picture
from capstat.report.figures.ramp_tradeoff import ramp_tradeoff_picture

if TYPE_CHECKING:
    from capstat.analysis.ramp_analysis import RampAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["figures_of_ramps"]


def figures_of_ramps(found: RampAnalysis) -> tuple[Picture, ...]:
    """Draw every figure for which there is something to show, for the policies that look for the leading capture."""
    pictures = (
        ramp_paths_picture(found),
        ramp_tradeoff_picture(found),
        ramp_time_picture(found),
        ramp_loss_picture(found),
        ramp_elapsed_picture(found),
        ramp_reposition_picture(found),
    )
    return tuple(picture for picture in pictures if picture is not None)
