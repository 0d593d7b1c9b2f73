"""Was it capture at all: signs, false capture, and thresholds under misjudged capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from capstat.analysis.confirmation_question import claim_and_reference, sign_references
from capstat.analysis.corrected_analysis import CorrectedAnalysis, analyse_corrected
from capstat.analysis.sign_analysis import SignAnalysis, analyse_signs
from capstat.capture import (
    audit_false_capture,
    compare_before_after,
    compare_claimed_currents,
    false_capture_chart,
    judged_versus_not,
    read_claims,
)
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Callable

    from capstat.analysis.confirmation_question import ConfirmationQuestion
    from capstat.analysis.study_analysis import AnalysisOptions
    from capstat.attempts import Study
    from capstat.capture import (
        BeforeAfter,
        ClaimedCurrents,
        FalseCaptureAudit,
        FalseCaptureChart,
        JudgedVersusNot,
    )

T = TypeVar("T")

__all__ = ["ConfirmationAnalysis", "FalseCaptureAnalysis", "analyse_confirmation"]


@dataclass(frozen=True, slots=True, eq=False)
class FalseCaptureAnalysis:
    """Claimed captures against the reference.

    Attributes
    ----------
    claim, reference : str
        Columns of the steps.
    audit : FalseCaptureAudit
        Share not upheld, overall and by group.
    judged : JudgedVersusNot
        Which claims the reference judged.
    currents : ClaimedCurrents or None
        Currents of false and of upheld claims; ``None`` when one kind is missing.
    chart : FalseCaptureChart or None
        By study month; ``None`` when no month was recorded.
    before_after : BeforeAfter or None
        Around the stated change.
    reasons : tuple of str
        Why something is not there.
    """

    claim: str
    reference: str
    audit: FalseCaptureAudit
    judged: JudgedVersusNot
    currents: ClaimedCurrents | None
    chart: FalseCaptureChart | None
    before_after: BeforeAfter | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ConfirmationAnalysis:
    """Everything about confirmation.

    Attributes
    ----------
    question : ConfirmationQuestion
        Choices made.
    claim, reference : str
        Columns of the steps that were questioned and held against; empty where there is none.
    signs : SignAnalysis
        Which sign to trust.
    false_capture : FalseCaptureAnalysis or None
        Claimed captures against the reference.
    corrected : CorrectedAnalysis or None
        Thresholds.
    reasons : tuple of str
        Why something is not there.
    """

    question: ConfirmationQuestion
    claim: str
    reference: str
    signs: SignAnalysis
    false_capture: FalseCaptureAnalysis | None
    corrected: CorrectedAnalysis | None
    reasons: tuple[str, ...]


def _false_capture(
    study: Study, claim: str, reference: str, question: ConfirmationQuestion, level: float, seed: int
) -> FalseCaptureAnalysis:
    claims = read_claims(study, claim, reference)
    reasons: list[str] = []

    def attempt(make: Callable[[], T]) -> T | None:
        """A part that cannot be had leaves its reason."""
        try:
            return make()
        except NotEstimableError as error:
            reasons.append(str(error))
            return None

    change = question.change_month
    currents = attempt(lambda: compare_claimed_currents(claims, level, seed=seed))
    chart = attempt(lambda: false_capture_chart(claims, baseline_until=change))
    before_after = None if change is None else attempt(lambda: compare_before_after(claims, change, level))
    return FalseCaptureAnalysis(
        claim, reference, audit_false_capture(claims, level, seed=seed), judged_versus_not(claims), currents, chart,
        before_after, tuple(dict.fromkeys(reasons)),
    )  # fmt: skip


def analyse_confirmation(study: Study, options: AnalysisOptions) -> ConfirmationAnalysis | None:
    """Ask of a study whether what was called capture was capture.

    Parameters
    ----------
    study : Study
        Checked records.
    options : AnalysisOptions
        Choices; ``options.confirmation`` holds those of this part.

    Returns
    -------
    ConfirmationAnalysis or None
        ``None`` when the study has no steps: summary columns hold one judgement without anything to hold it against.

    Raises
    ------
    UsageError
        When a choice cannot be carried out.
    """
    if not len(study.steps):
        return None
    question = options.confirmation
    claim, reference = claim_and_reference(study, question)
    signs = analyse_signs(
        study, sign_references(study, question), level=options.level, replicates=options.replicates,
        refits=question.replicates, seed=options.seed,
    )  # fmt: skip
    reasons: list[str] = []
    false_capture = corrected = None
    column = "" if claim is None else claim.step_column or ""
    if claim is None:
        reasons.append("No step has a judgement of electrical or mechanical capture.")
    else:
        if reference is None:
            reasons.append(
                "No claimed capture was judged by a reference (adjudicated strip, ultrasound or arterial line): how "
                "many were false is not known."
            )
        else:
            try:
                false_capture = _false_capture(study, column, reference, question, options.level, options.seed)
            except NotEstimableError as error:
                reasons.append(str(error))
        try:
            corrected = analyse_corrected(
                study, claim, reference, question, placements=(options.first, options.minus),
                fractions=options.fractions, level=options.level, seed=options.seed,
            )  # fmt: skip
        except NotEstimableError as error:
            reasons.append(str(error))
    return ConfirmationAnalysis(question, column, reference or "", signs, false_capture, corrected, tuple(reasons))
