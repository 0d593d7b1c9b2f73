"""Which figures an analysis of confirmation gets."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.report.figures.claimed_captures import claimed_captures_picture
from capstat.report.figures.corrected import corrected_curve_picture
from capstat.report.figures.false_capture import false_capture_groups_picture
from capstat.report.figures.false_capture_chart import false_capture_chart_picture
from capstat.report.figures.latent import latent_dependence_picture
from capstat.report.figures.measured_signs import roc_picture
from capstat.report.figures.misjudgement import misjudgement_ratio_picture, misjudgement_surface_picture
from capstat.report.figures.signs import signs_picture

if TYPE_CHECKING:
    from capstat.analysis import ConfirmationAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["figures_of_confirmation"]


def figures_of_confirmation(analysis: ConfirmationAnalysis) -> list[Picture]:
    """Draw every figure for which there is something to show."""
    signs, claims, corrected = analysis.signs, analysis.false_capture, analysis.corrected
    pictures: list[Picture | None] = []
    if claims is not None:
        same = next((found for found in signs.references if found.reference == claims.reference), None)
        pictures += [
            claimed_captures_picture(claims, same),
            false_capture_groups_picture(claims),
            false_capture_chart_picture(claims),
        ]
    for reference in signs.references:
        pictures += [signs_picture(reference), roc_picture(reference)]
    if signs.latent is not None:
        pictures.append(latent_dependence_picture(signs.latent))
    if corrected is not None:
        pictures += [corrected_curve_picture(corrected), misjudgement_surface_picture(corrected)]
        if corrected.differential is not None:
            pictures.append(misjudgement_ratio_picture(corrected.differential))
    return [picture for picture in pictures if picture is not None]
