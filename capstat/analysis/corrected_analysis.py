"""Thresholds corrected for misjudged capture, by placement and with what hangs on the errors."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from capstat.analysis.facts import ALL_PLACEMENTS
from capstat.capture import (
    ErrorModel,
    correct_thresholds,
    differential_misjudgement,
    fit_corrected,
    ratio_with_own_errors,
    read_judged_ramps,
    review_by_contradiction,
    sensitivity_surface,
)
from capstat.capture.judgement_table import tabulate_ramps
from capstat.distributions.families import TWO_PARAMETER_FAMILIES
from capstat.placement import paired_by_design
from capstat.results import NotEstimableError, UsageError
from capstat.thresholds import derive_thresholds, first_attempts

if TYPE_CHECKING:
    from capstat.analysis.confirmation_question import ConfirmationQuestion
    from capstat.attempts import Study
    from capstat.capture import (
        CorrectedCapture,
        CorrectedFit,
        DifferentialMisjudgement,
        JudgedRamps,
        SurfacePoint,
    )
    from capstat.results import Estimate
    from capstat.thresholds import CaptureDefinition

__all__ = ["CorrectedAnalysis", "CorrectedGroup", "analyse_corrected"]

# false claims that the reference must have seen before their dependence on the current is estimated
ENOUGH_FALSE_CLAIMS = 10


@dataclass(frozen=True, slots=True, eq=False)
class CorrectedGroup:
    """One group of ramps.

    Attributes
    ----------
    label : str
        The group.
    n_ramps, n_patients, n_reviewed : int
        Ramps, patients, and ramps that the reference judged at one setting or more.
    result : CorrectedCapture or None
        ``None`` when it cannot be had.
    reason : str
        Why not, or what was left out; else empty.
    """

    label: str
    n_ramps: int
    n_patients: int
    n_reviewed: int
    result: CorrectedCapture | None
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class CorrectedAnalysis:
    """Thresholds under misjudgement.

    Attributes
    ----------
    claim, reference : str
        What is questioned, and what it is held against (empty without a reference).
    selection : str
        Which ramps are analysed, in words.
    model : ErrorModel
        Which errors were given, and whether specificity may change with the current.
    groups : tuple of CorrectedGroup
        All placements first, then each of the compared ones.
    families : tuple of CorrectedFit
        Families of distributions with the same errors, best first; empty when none could be fitted.
    fractions : tuple of float
        Capture currents wanted.
    surface : tuple of SurfacePoint
        Capture currents under a range of errors.
    differential : DifferentialMisjudgement or None
        How far misjudgement that differs between placements could explain their difference.
    not_differential : str
        Why there is none; empty when there is one.
    own_errors : Estimate or None
        Ratio with the errors that were estimated for each placement.
    selected : str
        What was read after the claim, where it went with whether the ramp was reviewed; empty where nothing shows that.
    """

    claim: str
    reference: str
    selection: str
    model: ErrorModel
    groups: tuple[CorrectedGroup, ...]
    families: tuple[CorrectedFit, ...]
    fractions: tuple[float, ...]
    surface: tuple[SurfacePoint, ...]
    differential: DifferentialMisjudgement | None
    not_differential: str
    own_errors: Estimate | None
    selected: str

    @property
    def overall(self) -> CorrectedGroup | None:
        """The group of all placements; ``None`` where it is suppressed."""
        return next((group for group in self.groups if group.label == ALL_PLACEMENTS), None)


def _error_model(ramps: JudgedRamps, question: ConfirmationQuestion) -> ErrorModel:
    table = tabulate_ramps(ramps)
    seen = float(table.count @ table.absent_claimed.sum(axis=1))
    varies = question.specificity is None and seen >= ENOUGH_FALSE_CLAIMS
    odds_ratio = 1.0 if question.specificity is None else question.odds_ratio_per_10_ma
    return ErrorModel(question.sensitivity, question.specificity, varies, odds_ratio)


def _families(ramps: JudgedRamps, model: ErrorModel) -> tuple[CorrectedFit, ...]:
    found = []
    for family in TWO_PARAMETER_FAMILIES:
        for never_captured in (False, True):
            try:
                found.append(fit_corrected(ramps, family=family, errors=model, never_captured=never_captured))
            except NotEstimableError:
                continue  # a family without a finite estimate is not among the candidates
    return tuple(sorted(found, key=lambda fit: fit.regression.aic))


def _ramps_of(
    study: Study, claim: CaptureDefinition, reference: str | None, placements: tuple[str, str]
) -> tuple[JudgedRamps, str]:
    """Ramps that are analysed, and which they are in words."""
    ramps = read_judged_ramps(study, claim=claim, reference=reference or "adjudicated_capture")
    selection = "all ramps"
    if not paired_by_design(derive_thresholds(study, capture=claim), *placements):
        first = first_attempts(study.attempts)[ramps.attempt_row]
        if not first.any():
            raise NotEstimableError(f"No first attempt of a patient has a judgement of {claim.name} capture.")
        if not first.all():
            ramps, selection = ramps.subset(first), "the first attempt of each patient"
    return (ramps.without_reference() if reference is None else ramps), selection


def _own_errors(
    ramps: JudgedRamps, placements: tuple[str, str], groups: list[CorrectedGroup], level: float
) -> Estimate | None:
    results = {group.label: group.result for group in groups}
    first, minus = (results.get(name) for name in placements)
    if first is None or minus is None:
        return None
    try:
        return ratio_with_own_errors(ramps, *placements, (first.errors, minus.errors), level)
    except (NotEstimableError, UsageError):
        return None  # one of the two errors leaves no estimate; the grid tells the rest


def analyse_corrected(
    study: Study,
    claim: CaptureDefinition,
    reference: str | None,
    question: ConfirmationQuestion,
    *,
    placements: tuple[str, str],
    fractions: tuple[float, ...],
    level: float,
    seed: int,
) -> CorrectedAnalysis:
    """Correct thresholds for misjudged capture.

    Parameters
    ----------
    study : Study
        Checked records.
    claim : CaptureDefinition
        Judgement that is questioned.
    reference : str or None
        Column that is taken to be right; ``None`` when there is none.
    question : ConfirmationQuestion
        Other choices.
    placements : tuple of str
        The compared placements, first and minus.
    fractions, level, seed
        As in :class:`capstat.analysis.AnalysisOptions`.

    Raises
    ------
    NotEstimableError
        When no setting has a judgement.
    UsageError
        When given errors leave nothing to be learned.
    """
    ramps, selection = _ramps_of(study, claim, reference, placements)
    model = _error_model(ramps, question)

    def group(label: str, part: JudgedRamps) -> CorrectedGroup:
        result, reason = None, ""
        # a change with the current that cannot be told from this group's few false claims is left out
        for tried in dict.fromkeys((model, replace(model, varies_with_current=False))):
            try:
                result = correct_thresholds(
                    part,
                    tried,
                    label=label,
                    fractions=fractions,
                    level=level,
                    replicates=question.replicates,
                    seed=seed,
                )
                break
            except NotEstimableError as error:
                reason = reason or str(error)
        if result is not None and reason:
            reason = f"{reason.rstrip('.')}; the specificity is taken to be the same at every current."
        return CorrectedGroup(label, len(part), part.n_patients, part.n_reviewed, result, reason)

    groups = [group(ALL_PLACEMENTS, ramps)]
    groups += [group(name, ramps.subset(ramps.placement == name)) for name in placements if name in ramps.placement]
    overall = groups[0].result
    differential, why_not = None, groups[0].reason
    if overall is not None:
        try:
            differential = differential_misjudgement(
                ramps, *placements, errors=overall.errors, specificities=question.specificities, level=level
            )
        except (NotEstimableError, UsageError) as error:
            why_not = str(error)
    families = _families(ramps, model) if overall is not None else ()
    return CorrectedAnalysis(
        claim.name, reference or "", selection, model, tuple(groups), families, fractions,
        sensitivity_surface(ramps, fractions=fractions), differential, why_not,
        None if differential is None else _own_errors(ramps, placements, groups[1:], level),
        review_by_contradiction(study, claim, ramps),
    )  # fmt: skip
