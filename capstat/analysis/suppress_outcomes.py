"""Small groups and small counts taken out of the analysis of times and outcomes before anything is written from it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from capstat.analysis.suppress_counts import HIDDEN, closed, large, left_out, nothing, reason_told, scrubbed, small
from capstat.outcomes.episodes import CAPTURE, CAUSES
from capstat.outcomes.immortal_rows import row_without

if TYPE_CHECKING:
    from typing import TypeVar

    from capstat.analysis.outcome_analysis import OutcomeAnalysis
    from capstat.outcomes.immortal import ImmortalComparison
    from capstat.outcomes.immortal_landmark import Landmark
    from capstat.outcomes.kept import CaptureKept
    from capstat.outcomes.kept_group import KeptGroup
    from capstat.outcomes.outcome_compare import OutcomeComparison
    from capstat.outcomes.states import StateOccupation
    from capstat.outcomes.time_group_results import TimeGroup
    from capstat.outcomes.time_hazards import HazardRatios
    from capstat.outcomes.time_regression import TimeRegression
    from capstat.outcomes.time_to_capture import TimeToCapture

    T = TypeVar("T")

__all__ = ["suppress_outcomes"]


def suppress_outcomes(found: OutcomeAnalysis, fewest: int) -> OutcomeAnalysis:
    """Hide small groups, small counts, and what would give them away by subtraction.

    A group with fewer than ``fewest`` patients or captures is gone, and with it every comparison of groups; where it
    would follow from the total, the next smallest group goes, too.  Ends of the wait that are small are absent from
    ``counts``, and so are their curves.  An outcome with a small cell is gone, as are comparisons of deaths.  Notes and
    reasons that hold a small count are left out.  Shares times the size of their group still give counts back.

    Parameters
    ----------
    found : OutcomeAnalysis
        All results.
    fewest : int
        Smallest number of patients that may be shown; 1 changes nothing.
    """
    if fewest <= 1:
        return found
    reasons = list(found.reasons)

    def shown(part: str, made: T | None, before: object) -> T | None:
        if made is None and before is not None:
            reasons.append((part, f"It is not shown: {HIDDEN}."))
        return made

    made_waits = [_wait(wait, fewest) for wait in found.waits]
    waits = tuple(one for one in made_waits if one is not None)
    if len(waits) < len(found.waits):
        reasons.append(("time to capture", f"Not every kind of capture is shown: {HIDDEN}."))
    # models and deaths are about the last kind of capture
    last = made_waits[-1] if made_waits else None
    hidden = last is None or _pair_hidden(found, last)
    kept = None if found.kept is None else _kept(found.kept, fewest)
    states = None if found.states is None else _states(found.states, fewest)
    immortal = None if found.immortal is None or last is None else _immortal(found.immortal, fewest)
    regression = None if found.regression is None or hidden else _regression(found.regression, fewest)
    standardised = found.standardised
    if standardised is not None and (
        hidden or small((standardised.n, standardised.captured, standardised.other_ends), fewest)
    ):
        standardised = None
    elif standardised is not None:
        standardised = replace(standardised, missing=large(standardised.missing, fewest))
    outcomes = []
    for one in found.outcomes:
        kept_outcome = shown(one.outcome, _outcome(one, fewest), one)
        if kept_outcome is not None:
            outcomes.append(kept_outcome)
    changed = replace(
        found, waits=waits,
        other_waits=tuple(one for one in (_wait(wait, fewest) for wait in found.other_waits) if one is not None),
        regression=shown("regression of time to capture", regression, found.regression),
        standardised=shown("standardised time to capture", standardised, found.standardised),
        kept=shown("capture kept or lost", kept, found.kept),
        states=shown("where patients are over time", states, found.states),
        immortal=shown("death after capture", immortal, found.immortal),
        outcomes=tuple(outcomes), reasons=(),
    )  # fmt: skip
    told = tuple((part, reason_told(why, fewest)) for part, why in reasons)
    return replace(cast("OutcomeAnalysis", scrubbed(changed, fewest)), reasons=told)


def _pair_hidden(found: OutcomeAnalysis, last: TimeToCapture) -> bool:
    """Whether a compared group of the last wait is gone."""
    before, after = ({group.label for group in wait.groups} for wait in (found.waits[-1], last))
    return bool({found.first, found.minus} & (before - after))


def _wait(wait: TimeToCapture, fewest: int) -> TimeToCapture | None:
    if _few_captured(wait.everybody, fewest):
        return None
    sizes = [*(group.n for group in wait.groups), wait.n_without_group]
    few = {k for k, group in enumerate(wait.groups) if _few_captured(group, fewest)}
    if small((wait.n_without_group,), fewest):
        few.add(len(wait.groups))
    gone = closed(sizes, few, fewest)
    groups = [group for k, group in enumerate(wait.groups) if k not in gone]
    table = _hidden_ends([wait.everybody, *groups], [g for k, g in enumerate(wait.groups) if k in gone], fewest)
    made = replace(
        wait, everybody=_ends_hidden(wait.everybody, table[0]),
        groups=tuple(_ends_hidden(group, ends) for group, ends in zip(groups, table[1:], strict=True)),
        n_without_group=0 if len(wait.groups) in gone else wait.n_without_group,
        left_out=left_out(wait.left_out, fewest),
    )  # fmt: skip
    if len(groups) < len(wait.groups):
        return replace(
            made, tests=(), differences=(), other_differences=(), waiting_difference=None, with_capture_difference=None
        )
    untold = {CAUSES[code] for ends in table for code in ends}
    return replace(
        made,
        tests=tuple(test for test in wait.tests if test.cause not in untold or test.cause == CAUSES[CAPTURE]),
        other_differences=tuple((cause, found) for cause, found in wait.other_differences if cause not in untold),
    )


def _few_captured(group: TimeGroup, fewest: int) -> bool:
    return small((group.n, dict(group.counts)[CAUSES[CAPTURE]]), fewest)


def _hidden_ends(shown: list[TimeGroup], gone: list[TimeGroup], fewest: int) -> list[set[int]]:
    """Ends that are not told, for everybody and each group: small ones, and what they would follow from."""
    counts = np.array([[count for _, count in group.counts] for group in [*shown, *gone]])
    rest = counts[0] - counts[1:].sum(axis=0)
    # patients without a group are one more row; nothing is shown of it, or of the groups that are gone
    counts = np.vstack([counts, rest])
    hidden = (counts > 0) & (counts < fewest)
    hidden[len(shown) :] = True
    for _ in range(counts.size):
        before = hidden.copy()
        for row in range(len(shown)):
            for end in closed(counts[row].tolist(), set(np.flatnonzero(hidden[row]).tolist()), fewest):
                hidden[row, end] = True
        if len(shown) > 1:
            for end in range(counts.shape[1]):
                column = counts[1:, end].tolist()
                own = set(np.flatnonzero(hidden[1:, end]).tolist())
                if not hidden[0, end]:
                    for row in closed(column, own, fewest):
                        hidden[1 + row, end] = True
                elif not any(column[row] > 0 for row in own):
                    # a hidden total would be the sum of what is shown
                    _hide_smallest(hidden, counts, end)
        if (hidden == before).all():
            break
    return [set(np.flatnonzero(hidden[row]).tolist()) for row in range(len(shown))]


def _hide_smallest(hidden: np.ndarray[Any, Any], counts: np.ndarray[Any, Any], end: int) -> None:
    rows = [row for row in range(1, len(counts)) if counts[row, end] > 0]
    if rows:
        hidden[min(rows, key=lambda row: int(counts[row, end])), end] = True


def _ends_hidden(group: TimeGroup, ends: set[int]) -> TimeGroup:
    names = {CAUSES[code] for code in ends}
    kept = [cause not in names for cause, _ in group.competing_by]
    return replace(
        group,
        counts=tuple((name, count) for name, count in group.counts if name not in names),
        competing=tuple(curve for curve, keep in zip(group.competing, kept, strict=True) if keep),
        competing_by=tuple(pair for pair, keep in zip(group.competing_by, kept, strict=True) if keep),
    )


def _few_ratios(found: HazardRatios, fewest: int) -> HazardRatios:
    return replace(found, ratios=(), events=0, reason=HIDDEN) if small((found.events,), fewest) else found


def _regression(found: TimeRegression, fewest: int) -> TimeRegression | None:
    if small((found.n, found.capture.events), fewest):
        return None
    # each point of the picture is one patient
    check = found.proportionality
    check = replace(check, minutes=check.minutes[:0], log_ratios=check.log_ratios[:0])
    return replace(
        found, proportionality=check,
        capture=_few_ratios(found.capture, fewest), other_ends=_few_ratios(found.other_ends, fewest),
        subdistribution=_few_ratios(found.subdistribution, fewest), missing=large(found.missing, fewest),
    )  # fmt: skip


def _kept_cells(group: KeptGroup) -> tuple[int, ...]:
    return (
        group.n_paced, group.n_captured, group.n_paced - group.n_captured, group.n_lost,
        group.n_captured - group.n_lost, group.losses,
    )  # fmt: skip


def _kept(found: CaptureKept, fewest: int) -> CaptureKept | None:
    if small(_kept_cells(found.everybody), fewest):
        return None
    if not found.groups:
        return found
    parts = [_kept_cells(group) for group in found.groups]
    rest = tuple(
        a - sum(column) for a, column in zip(_kept_cells(found.everybody), zip(*parts, strict=True), strict=True)
    )
    parts.append(rest)
    gone = {k for k, cells in enumerate(parts) if small(cells, fewest)}
    for column in zip(*parts, strict=True):
        gone = closed(column, gone, fewest) if gone else gone
    groups = tuple(group for k, group in enumerate(found.groups) if k not in gone)
    if len(groups) == len(found.groups):
        return found
    return replace(found, groups=groups, rate_ratio=nothing(found.rate_ratio), gap_ratio=nothing(found.gap_ratio))


def _states(found: StateOccupation, fewest: int) -> StateOccupation | None:
    if found.n < fewest:
        return None
    told = ~((found.at_risk > 0) & (found.at_risk < fewest)).any(axis=0)
    return replace(found, risk_times_min=found.risk_times_min[told], at_risk=found.at_risk[:, told])


def _immortal(found: ImmortalComparison, fewest: int) -> ImmortalComparison | None:
    groups = (found.naive.captured, found.naive.not_captured)
    if small([count for group in groups for count in (group.n, group.deaths, group.n - group.deaths)], fewest):
        return None
    landmarks = tuple(one for one in found.landmarks if not small(_landmark_cells(one), fewest))
    emulations = tuple(
        one for one in found.emulations
        if not small((one.included, one.deaths, one.there, one.captured_by, one.there - one.captured_by), fewest)
    )  # fmt: skip
    at = {("landmark", one.at_min) for one in landmarks} | {("clone-censor-weight", e.within_min) for e in emulations}
    had = {("landmark", one.at_min) for one in found.landmarks}
    had |= {("clone-censor-weight", one.within_min) for one in found.emulations}
    rows = tuple(
        row_without(row.method, row.at_min, HIDDEN)
        if row.at_min is not None and (row.method, row.at_min) in had - at
        else row
        for row in found.rows
    )
    return replace(
        found, rows=rows, landmarks=landmarks, emulations=emulations, left_out=left_out(found.left_out, fewest)
    )


def _landmark_cells(one: Landmark) -> tuple[int, ...]:
    groups = (one.captured, one.not_captured)
    return (one.included, *(n for group in groups for n in (group.n, group.deaths, group.n - group.deaths)))


def _outcome(found: OutcomeComparison, fewest: int) -> OutcomeComparison | None:
    risks = found.risks
    for group in risks.groups:
        if group.n < fewest or small((group.known, group.events, group.known - group.events), fewest):
            return None
    groups = tuple(
        replace(group, n=group.known, missing=0) if small((group.missing,), fewest) else group for group in risks.groups
    )
    others = 0 if small((risks.others,), fewest) else risks.others
    per_variable, notes = found.events_per_variable, found.notes
    if per_variable is not None and small((per_variable.events,), fewest):
        notes = tuple(note for note in notes if note != per_variable.note)
        per_variable = None
    return replace(
        found, risks=replace(risks, groups=(groups[0], groups[1]), others=others),
        missing=large(found.missing, fewest), events_per_variable=per_variable, notes=notes,
    )  # fmt: skip
