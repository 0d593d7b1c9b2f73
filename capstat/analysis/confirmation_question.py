"""Whose judgement of capture is questioned, and what it is held against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.results import UsageError
from capstat.thresholds import ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE

if TYPE_CHECKING:
    from capstat.attempts import Study
    from capstat.thresholds import CaptureDefinition

__all__ = ["CLAIMS", "REFERENCE_COLUMNS", "ConfirmationQuestion", "claim_and_reference", "sign_references"]

CLAIMS: tuple[CaptureDefinition, ...] = (ELECTRICAL_CAPTURE, MECHANICAL_CAPTURE)
REFERENCE_COLUMNS = ("ultrasound", "arterial_line", "adjudicated_capture")

# A reviewed strip shows whether the heart was excited, ultrasound and a pressure whether it ejected: each is held
# against the claim that it can refute.
_PAIRS = (
    (ELECTRICAL_CAPTURE, "adjudicated_capture"),
    (MECHANICAL_CAPTURE, "ultrasound"),
    (MECHANICAL_CAPTURE, "arterial_line"),
    (MECHANICAL_CAPTURE, "adjudicated_capture"),
    (ELECTRICAL_CAPTURE, "ultrasound"),
    (ELECTRICAL_CAPTURE, "arterial_line"),
)


@dataclass(frozen=True, slots=True)
class ConfirmationQuestion:
    """Choices of the analysis of confirmation.

    Attributes
    ----------
    claim : CaptureDefinition or None
        Judgement at the bedside that is questioned, electrical or mechanical; by what was recorded when ``None``.
    reference : str or None
        Column of the steps that is taken to be right; by what was recorded when ``None``.
    change_month : int or None
        First study month after a change, such as training.
    sensitivity, specificity : float or None
        Of the judgement, where they are known from elsewhere (the specificity at 80 mA); estimated from the reference
        when ``None``.
    odds_ratio_per_10_ma : float
        Change of the odds of a false "captured" for 10 mA more, where the specificity is given.
    specificities : tuple of float
        Stated range, at 80 mA, over which judgement may differ between placements.
    replicates : int
        Bootstrap resamples of corrected thresholds and latent classes, which are refitted in each.
    """

    claim: CaptureDefinition | None = None
    reference: str | None = None
    change_month: int | None = None
    sensitivity: float | None = None
    specificity: float | None = None
    odds_ratio_per_10_ma: float = 1.0
    specificities: tuple[float, ...] = (1.0, 0.98, 0.96, 0.94, 0.92, 0.9)
    replicates: int = 200


def _recorded_together(study: Study, claim: CaptureDefinition, reference: str) -> bool:
    """Whether the reference judged any setting that was claimed to capture."""
    if not len(study.steps) or claim.step_column is None:
        return False
    claimed = study.steps[claim.step_column].fillna(value=False).to_numpy(dtype=bool)
    return bool((claimed & study.steps[reference].notna().to_numpy()).any())


def claim_and_reference(study: Study, question: ConfirmationQuestion) -> tuple[CaptureDefinition | None, str | None]:
    """Choose what was not chosen: the first pair, a strip against electrical capture leading, that was recorded.

    Returns
    -------
    claim : CaptureDefinition or None
        ``None`` when no kind of capture was judged in any step.
    reference : str or None
        ``None`` when no reference judged a claimed capture.

    Raises
    ------
    UsageError
        When the chosen reference is none of the accepted columns, or what was chosen was not recorded.
    """
    if question.reference is not None and question.reference not in REFERENCE_COLUMNS:
        raise UsageError(f"'{question.reference}' is not a reference; use one of {', '.join(REFERENCE_COLUMNS)}.")
    if question.reference is not None and not (len(study.steps) and study.steps[question.reference].notna().any()):
        raise UsageError(f"The reference '{question.reference}' was asked for, but no step has a value in that column.")
    if question.claim is not None and not _judged(study, question.claim):
        raise UsageError(
            f"{question.claim.name.capitalize()} capture was asked for, but no step has a value in "
            f"'{question.claim.step_column}'."
        )
    for claim, reference in _PAIRS:
        if question.claim not in (None, claim) or question.reference not in (None, reference):
            continue
        if _recorded_together(study, claim, reference):
            return claim, reference
    judged = [claim for claim in CLAIMS if question.claim in (None, claim) and _judged(study, claim)]
    return (judged[0] if judged else None), None


def _judged(study: Study, claim: CaptureDefinition) -> bool:
    column = claim.step_column
    return bool(len(study.steps)) and column is not None and bool(study.steps[column].notna().any())


def sign_references(study: Study, question: ConfirmationQuestion) -> tuple[str, ...]:
    """References against which signs are held: the chosen one, else all that were recorded."""
    wanted = REFERENCE_COLUMNS if question.reference is None else (question.reference,)
    return tuple(name for name in wanted if len(study.steps) and study.steps[name].notna().any())
