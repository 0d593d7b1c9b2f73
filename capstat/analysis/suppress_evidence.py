"""Small groups of the local study taken out of what stands beside the published ones."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from capstat.analysis.facts import ALL_PLACEMENTS
from capstat.synthesis.range_check import suppress_ranges

if TYPE_CHECKING:
    from capstat.analysis.evidence_analysis import EvidenceAnalysis, EvidencePart, LocalBeside

__all__ = ["suppress_evidence"]

_COUNT: Final = re.compile(r"(\d+) of \d+ ")


def suppress_evidence(found: EvidenceAnalysis, fewest: int) -> EvidenceAnalysis:
    """Remove local groups of fewer than ``fewest`` patients, and counts that would give such a group away.

    Published numbers stay: they are public.

    Parameters
    ----------
    found : EvidenceAnalysis
        The published studies, with a local one beside them.
    fewest : int
        Smallest number of patients that may be shown; 1 changes nothing.
    """
    if fewest <= 1:
        return found
    return replace(
        found,
        parts=tuple(_suppress_part(part, fewest) for part in found.parts),
        ranges=None if found.ranges is None else suppress_ranges(found.ranges, fewest),
    )


def _small(beside: LocalBeside, fewest: int) -> bool:
    e = beside.effect
    counts = [e.n, *(total for total in (e.total, e.other_total) if total is not None)]
    if e.events is not None and e.total is not None:
        counts += [e.events, e.total - e.events]
    return any(0 < count < fewest for count in counts)


def _rest_is_small(part: EvidencePart, fewest: int) -> bool:
    """Whether patients in neither of the groups, which follow from the total by subtraction, are few."""
    total = [beside.effect for beside in part.local if ALL_PLACEMENTS in beside.effect.label]
    groups = [beside.effect for beside in part.local if ALL_PLACEMENTS not in beside.effect.label]
    if not total or not groups:
        return False
    rest = total[0].n - sum(one.n for one in groups)
    captured = (total[0].events or 0) - sum(one.events or 0 for one in groups)
    # below 0 where patients are in several groups: nothing follows then
    return rest > 0 and any(0 < count < fewest for count in (rest, captured, rest - captured))


def _without_few_early(beside: LocalBeside, fewest: int) -> LocalBeside:
    """Without a count of few attempts among the assumptions."""
    kept = tuple(
        words for words in beside.effect.assumptions if not (found := _COUNT.match(words)) or int(found[1]) >= fewest
    )
    effect = replace(beside.effect, assumptions=kept)
    return replace(beside, effect=effect, estimate=replace(beside.estimate, notes=kept))


def _suppress_part(part: EvidencePart, fewest: int) -> EvidencePart:
    hidden = [beside for beside in part.local if _small(beside, fewest)]
    kept = [beside for beside in part.local if beside not in hidden]
    groups = [beside for beside in hidden if ALL_PLACEMENTS not in beside.effect.label]
    # one hidden group would follow from the total by subtraction
    single = len(groups) == 1 or 0 < sum(beside.effect.n for beside in groups) < fewest
    if single or _rest_is_small(part, fewest):
        kept = [beside for beside in kept if ALL_PLACEMENTS not in beside.effect.label]
    return replace(part, local=tuple(_without_few_early(beside, fewest) for beside in kept))
