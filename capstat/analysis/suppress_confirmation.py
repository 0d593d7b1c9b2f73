"""Small counts taken out of the analysis of confirmation."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capstat.analysis.confirmation import ConfirmationAnalysis, FalseCaptureAnalysis
    from capstat.analysis.corrected_analysis import CorrectedAnalysis
    from capstat.analysis.sign_analysis import ReferenceAnalysis, SignAnalysis
    from capstat.capture import FalseCaptureAudit, SignAccuracy

__all__ = ["suppress_confirmation"]

HIDDEN = "Claims were held against the reference, but the counts are too small to be shown."
JUDGED_HIDDEN = "How many claims the reference did not judge is withheld."
HIDDEN_GROUP = "one of the groups is too small to be shown"


def suppress_confirmation(found: ConfirmationAnalysis, fewest: int) -> ConfirmationAnalysis:
    """Remove every table, group or month with a count above 0 and below ``fewest``.

    A share times its group gives a count back, so that a small count takes its whole group with it, and a hidden group
    its whole grouping.  Curves of measured signs, which show single values, are gone in any case.
    """
    false_capture = None if found.false_capture is None else _false_capture(found.false_capture, fewest)
    reasons = found.reasons
    if false_capture is None and found.false_capture is not None:
        reasons = (*reasons, HIDDEN)
    corrected = None if found.corrected is None else _corrected(found.corrected, fewest)
    return replace(
        found, signs=_signs(found.signs, fewest), false_capture=false_capture, corrected=corrected, reasons=reasons
    )


def _small(counts: Iterable[int], fewest: int) -> bool:
    return any(0 < count < fewest for count in counts)


def _signs(signs: SignAnalysis, fewest: int) -> SignAnalysis:
    references = tuple(_reference(reference, fewest) for reference in signs.references)
    agreement = signs.agreement
    if agreement is not None:
        cells = (agreement.both_yes, agreement.first_only, agreement.second_only, agreement.both_no)
        agreement = None if _small((*cells, agreement.n_patients), fewest) else agreement
    latent, reason = signs.latent, signs.not_latent
    if latent is not None and latent.model.patients < fewest:
        latent, reason = None, HIDDEN_GROUP
    return replace(signs, references=references, agreement=agreement, latent=latent, not_latent=reason)


def _reference(found: ReferenceAnalysis, fewest: int) -> ReferenceAnalysis:
    kept = tuple(sign for sign in found.signs if not _small(_cells(sign), fewest))
    labels = {sign.label for sign in kept}
    verification = tuple(
        (label, v) for label, v in found.verification if label in labels and not _small(v.unverified_patients, fewest)
    )
    return replace(found, signs=kept, verification=verification, continuous=())


def _cells(sign: SignAccuracy) -> tuple[int, ...]:
    # settings of one patient may be many
    return (sign.n_patients, *sign.cell_patients)


def _false_capture(found: FalseCaptureAnalysis, fewest: int) -> FalseCaptureAnalysis | None:
    by_grouping: defaultdict[str, list[int]] = defaultdict(list)
    for row in found.audit.groups:
        by_grouping[row.grouping] += [row.false, row.judged - row.false, row.claims - row.judged]
    if _small((found.audit.false, found.audit.judged - found.audit.false), fewest):
        return None
    gone = {grouping for grouping, counts in by_grouping.items() if _small(counts, fewest)}
    # months are small groups; a median of few is close to single values
    chart = found.chart
    if chart is not None and _small((*map(int, chart.false), *map(int, chart.judged - chart.false)), fewest):
        chart = None
    change = found.before_after
    if change is not None:
        sides = [(round((e.value or 0.0) * e.n), e.n) for e in (change.before, change.after)]
        change = None if _small([c for false, n in sides for c in (false, n - false)], fewest) else change
    judged = found.judged
    if _small((judged.claims - judged.judged,), fewest):
        judged = replace(judged, sentence=JUDGED_HIDDEN)
    if judged is found.judged and not gone and chart is found.chart and change is found.before_after:
        return found
    withheld = [
        *sorted(gone),
        *(["study month"] if chart is not found.chart else []),
        *(["before and after the change"] if change is not found.before_after else []),
    ]
    told = (f"Withheld, because of small counts: false claims by {', '.join(withheld)}.",) if withheld else ()
    return replace(
        found,
        audit=_audit(found.audit, gone),
        judged=judged,
        chart=chart,
        before_after=change,
        reasons=(*found.reasons, *told),
    )


def _audit(audit: FalseCaptureAudit, gone: set[str]) -> FalseCaptureAudit:
    return replace(
        audit,
        groups=tuple(row for row in audit.groups if row.grouping not in gone),
        tests=tuple(test for test in audit.tests if test.grouping not in gone),
    )


def _corrected(found: CorrectedAnalysis, fewest: int) -> CorrectedAnalysis:
    kept = tuple(group for group in found.groups if not _small((group.n_patients, group.n_reviewed), fewest))
    overall = found.overall
    rest = 0 if overall is None else overall.n_ramps - sum(g.n_ramps for g in found.groups if g is not overall)
    if len(kept) == len(found.groups) and not _small((rest,), fewest):
        return found
    # without one of the groups the whole would give the hidden one away
    named = tuple(group for group in kept if group is not overall)
    return replace(
        found, groups=named, families=(), surface=(), differential=None, own_errors=None, not_differential=HIDDEN_GROUP
    )
