"""Small groups taken out of an analysis before anything is written from it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from capstat.analysis.study_analysis import ALL_PLACEMENTS

if TYPE_CHECKING:
    from capstat.analysis.study_analysis import CaptureAnalysis, StudyAnalysis
    from capstat.placement import PlacementComparison

__all__ = ["suppress_small_groups"]

TOO_SMALL = "one of the groups is too small to be shown"


def suppress_small_groups(analysis: StudyAnalysis, fewest: int) -> StudyAnalysis:
    """Remove every group of fewer than ``fewest`` patients, and what would give it away.

    Gone are the groups themselves, a comparison with a small arm, the paired table when one of its cells is small,
    pictures of single patients, the account of single ramps, and the total over all placements when the removed ones
    would follow from it by subtraction.  The size of one hidden group can still be worked out
    from the totals, and a share times the size of its group gives a count back.

    Parameters
    ----------
    analysis : StudyAnalysis
        All results.
    fewest : int
        Smallest number of patients that may be shown; 1 changes nothing.
    """
    if fewest <= 1:
        return analysis
    if analysis.facts.n_patients < fewest:
        return replace(analysis, captures=())
    captures = tuple(_suppress_capture(capture, fewest) for capture in analysis.captures)
    return replace(analysis, captures=tuple(capture for capture in captures if capture.groups))


def _suppress_capture(capture: CaptureAnalysis, fewest: int) -> CaptureAnalysis:
    kept = [group for group in capture.groups if group.counts.patients >= fewest]
    hidden = [group.counts.patients for group in capture.groups if group.counts.patients < fewest]
    if hidden and (len(hidden) == 1 or sum(hidden) < fewest):
        kept = [group for group in kept if group.summary.label != ALL_PLACEMENTS]
    comparison, reason = capture.comparison, capture.not_compared
    if comparison is not None and min(comparison.n_first, comparison.n_minus) < fewest:
        comparison, reason = None, TOO_SMALL
    if comparison is not None:
        comparison = _suppress_pairs(comparison, fewest)
    # coefficients of a model with a hidden group would speak of that group
    covariates = None if hidden else capture.covariates
    return replace(
        capture, groups=tuple(kept), covariates=covariates, comparison=comparison, not_compared=reason, derivation=None
    )


def _suppress_pairs(comparison: PlacementComparison, fewest: int) -> PlacementComparison:
    pairs = comparison.paired_capture
    if pairs is not None:
        cells = (pairs.both, pairs.first_only, pairs.second_only, pairs.neither, pairs.undetermined)
        if any(0 < cell < fewest for cell in cells):
            pairs = None
    return replace(comparison, paired_capture=pairs, paired_intervals=None)
