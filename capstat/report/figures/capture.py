"""Which figures a definition of capture gets."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.analysis import ALL_PLACEMENTS
from capstat.report.figures.canvas import COLOURS
from capstat.report.figures.curves import curves_picture, model_fit_picture
from capstat.report.figures.icons import icons_picture
from capstat.report.figures.observational import balance_picture, overlap_picture, robust_picture
from capstat.report.figures.placement import difference_picture, pairs_picture, standardised_picture, within_picture
from capstat.report.figures.subgroups import forest_picture, modifier_picture
from capstat.report.figures.thresholds import never_captured_picture, quantiles_picture

if TYPE_CHECKING:
    from capstat.analysis import CaptureAnalysis, GroupAnalysis
    from capstat.report.figures.canvas import Picture

__all__ = ["figures_of_capture"]


def _shown(capture: CaptureAnalysis) -> tuple[GroupAnalysis, ...]:
    """The placements where there are several, else all attempts together; no more than can be told apart."""
    named = [group for group in capture.groups if group.summary.label != ALL_PLACEMENTS]
    return tuple((named if len(named) > 1 else capture.groups[:1])[: len(COLOURS)])


def figures_of_capture(capture: CaptureAnalysis) -> tuple[Picture, ...]:
    """Draw the figures of one definition of capture.

    Those that look closer (quantiles, icons, standardised curves, share never captured) are drawn under the leading
    definition only.
    """
    name, shown = capture.capture.name, _shown(capture)
    pictures: list[Picture | None] = [curves_picture(shown, name), model_fit_picture(shown, name)]
    # detail is estimated under the leading definition alone
    if any(group.detail is not None for group in capture.groups):
        pictures += [
            quantiles_picture(shown, name),
            icons_picture(capture, shown),
            never_captured_picture(capture.groups, name),
        ]
        if capture.covariates is not None:
            pictures.append(standardised_picture(capture.covariates, name))
    comparison = capture.comparison
    if comparison is not None:
        pictures.append(difference_picture(comparison, name))
        pairs = comparison.paired_intervals
        if pairs is not None and len(pairs.first):
            pictures.append(pairs_picture(pairs, comparison, name))
        if comparison.paired_ratio is not None:
            pictures.append(within_picture(comparison.paired_ratio.curves, comparison, name))
    pictures += _detail_pictures(capture, name)
    return tuple(picture for picture in pictures if picture is not None)


def _detail_pictures(capture: CaptureAnalysis, name: str) -> list[Picture | None]:
    """Confounding and subgroups, which are worked out under the leading definition alone."""
    detail, comparison = capture.placement_detail, capture.comparison
    if detail is None or comparison is None:
        return []
    pictures: list[Picture | None] = []
    if detail.observational is not None:
        pictures += [
            overlap_picture(detail.observational, name),
            balance_picture(detail.observational, name),
            robust_picture(detail.observational, name),
        ]
    if detail.forest is not None:
        pictures += [
            forest_picture(detail.forest, comparison, name),
            modifier_picture(detail.forest, comparison, name),
        ]
    return pictures
