"""Small groups taken out of an analysis before anything is written from it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from capstat.analysis.study_analysis import ALL_PLACEMENTS
from capstat.analysis.suppress_confirmation import suppress_confirmation
from capstat.analysis.suppress_evidence import suppress_evidence
from capstat.analysis.suppress_outcomes import suppress_outcomes
from capstat.analysis.suppress_ramps import suppress_ramps

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.analysis.placement_detail import PlacementDetail
    from capstat.analysis.study_analysis import CaptureAnalysis, StudyAnalysis
    from capstat.placement import PlacementComparison
    from capstat.placement.modifiers import SubgroupRow

__all__ = ["suppress_small_groups"]

WITHHELD = "Tables of subgroups or of missing values are withheld, because they hold small counts."
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
        return replace(analysis, captures=(), confirmation=None, ramps=None, evidence=None, outcomes=None)
    captures = tuple(_suppress_capture(capture, fewest) for capture in analysis.captures)
    confirmation = None if analysis.confirmation is None else suppress_confirmation(analysis.confirmation, fewest)
    return replace(
        analysis, captures=tuple(capture for capture in captures if capture.groups), confirmation=confirmation,
        ramps=None if analysis.ramps is None else suppress_ramps(analysis.ramps, fewest),
        evidence=None if analysis.evidence is None else suppress_evidence(analysis.evidence, fewest),
        outcomes=None if analysis.outcomes is None else suppress_outcomes(analysis.outcomes, fewest),
    )  # fmt: skip


def _suppress_capture(capture: CaptureAnalysis, fewest: int) -> CaptureAnalysis:
    kept = [group for group in capture.groups if group.counts.patients >= fewest]
    hidden = [group.counts.patients for group in capture.groups if group.counts.patients < fewest]
    if hidden and (len(hidden) == 1 or sum(hidden) < fewest):
        kept = [group for group in kept if group.summary.label != ALL_PLACEMENTS]
    comparison, reason, detail = capture.comparison, capture.not_compared, capture.placement_detail
    if comparison is not None and min(comparison.n_first, comparison.n_minus) < fewest:
        comparison, reason, detail = None, TOO_SMALL, None
    if comparison is not None:
        comparison = _suppress_pairs(comparison, fewest)
    if detail is not None:
        detail = _suppress_detail(detail, fewest)
    # coefficients of a model with a hidden group would speak of that group
    covariates = None if hidden else capture.covariates
    return replace(
        capture, groups=tuple(kept), covariates=covariates, comparison=comparison, placement_detail=detail,
        not_compared=reason, derivation=None,
    )  # fmt: skip


def _small(counts: Iterable[int], fewest: int) -> bool:
    return any(0 < count < fewest for count in counts)


def _suppress_pairs(comparison: PlacementComparison, fewest: int) -> PlacementComparison:
    pairs, tests, shortcut = comparison.paired_capture, comparison.paired_tests, comparison.shortcut
    if pairs is not None:
        cells = (pairs.both, pairs.first_only, pairs.second_only, pairs.neither, pairs.undetermined)
        pairs = None if _small(cells, fewest) else pairs
    if tests is not None:
        found = [tests.sign, tests.signed_rank]
        counts: list[int] = []
        if tests.period_adjusted is not None:
            adjusted = tests.period_adjusted
            found += [adjusted.capture, adjusted.sign, adjusted.rank]
            counts += [adjusted.n_first_first, adjusted.n_second_first, adjusted.n_left_out]
        for t in found:
            counts += [t.first_lower, t.second_lower, t.undecided, t.n_pairs - t.n_informative]
        tests = None if _small(counts, fewest) else tests
    if shortcut is not None and _small((shortcut.n_made_up, shortcut.n_left_out), fewest):
        shortcut = None
    return replace(comparison, paired_capture=pairs, paired_tests=tests, paired_intervals=None, shortcut=shortcut)


def _suppress_detail(detail: PlacementDetail, fewest: int) -> PlacementDetail:
    """Without histograms of single patients, small subgroups, and analyses that rest on a few missing values."""
    observational = detail.observational
    if observational is not None:
        observational = replace(observational, overlap=None, propensity=None)
    forest = detail.forest
    if forest is not None:
        counts = [n for row in forest.rows for n in _cells_of(row)]
        forest = None if _small(counts, fewest) else forest
    imputed = detail.imputed
    if imputed is not None and imputed.n_total - imputed.n_complete < fewest:
        imputed = None
    withheld = forest is not detail.forest or imputed is not detail.imputed
    reasons = (*detail.reasons, WITHHELD) if withheld else detail.reasons
    return replace(detail, observational=observational, forest=forest, imputed=imputed, reasons=reasons)


def _cells_of(row: SubgroupRow) -> tuple[int, ...]:
    """Captured and not captured with either placement."""
    return (
        row.n_captured_first, row.n_first - row.n_captured_first, row.n_captured_minus,
        row.n_minus - row.n_captured_minus,
    )  # fmt: skip
