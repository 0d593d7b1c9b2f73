"""From reported counts to shares captured, ratios of shares, and risk ratios of outcomes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capstat.numerics.two_by_two_effects import table_values
from capstat.results import NotEstimableError, UsageError
from capstat.synthesis.evidence_words import CAPTURE_DEFINITION
from capstat.synthesis.study_effect import StudyEffect

if TYPE_CHECKING:
    from capstat.synthesis.study_arm import StudyArm
    from capstat.synthesis.study_effect import Measure

__all__ = [
    "capture_effect",
    "capture_ratio_effect",
    "check_poolable",
    "definition_sentence",
    "outcome_effect",
    "same_people",
]


AS_IF_INDEPENDENT: Final = (
    "Both arms are the same people and their table of pairs was not published: the standard error is that of "
    "independent arms, too large if capture with one placement goes with capture with the other."
)
BY_CHOICE: Final = "The arms were not formed by chance: the ratio is an association."


def check_poolable(arm: StudyArm) -> None:
    """Refuse a record that may not be pooled.

    Raises
    ------
    NotEstimableError
        When it comes from memory or is marked as never pooled.
    """
    if arm.provenance == "memory":
        raise NotEstimableError(f"{arm.arm}: recalled from memory, no number of it was read.")
    if arm.not_pooled:
        raise NotEstimableError(f"{arm.arm}: not pooled: {arm.not_pooled.rstrip('.')}.")


def definition_sentence(arm: StudyArm) -> str:
    """What counted as capture in this record, as a sentence."""
    for term in CAPTURE_DEFINITION.terms:
        if term.value == arm.capture_definition:
            return f"Capture means: {term.meaning}."
    return "What counted as capture was not said."


def same_people(arm: StudyArm, other: StudyArm) -> bool:
    """Whether two records hold some of the same people."""
    crossover = arm.study == other.study and "crossover" in {arm.design, other.design}
    return crossover or other.arm in arm.overlaps or arm.arm in other.overlaps


def _checked_counts(arm: StudyArm, events: int | None, total: int | None, what: str) -> tuple[int, int]:
    check_poolable(arm)
    if arm.counted != "patients":
        raise NotEstimableError(f"{arm.arm}: {arm.counted} are clustered in patients.")
    if events is None or total is None:
        raise NotEstimableError(f"{arm.arm}: the number {what} or the number of patients was not reported.")
    if total < 1:
        raise NotEstimableError(f"{arm.arm}: there are no patients.")
    if not 0 <= events <= total:
        raise NotEstimableError(f"{arm.arm}: {events} {what} cannot be among {total} patients.")
    return events, total


def _captured(arm: StudyArm) -> tuple[int, int]:
    if not arm.paced:
        raise NotEstimableError(f"{arm.arm}: a control that was not paced cannot be captured.")
    counts = _checked_counts(arm, arm.n_captured, arm.n, "captured")
    if not arm.capture_definition:
        raise NotEstimableError(f"{arm.arm}: a count of captures without its definition (capture_definition).")
    return counts


def capture_effect(arm: StudyArm) -> StudyEffect:
    """Share captured of one arm: the counts, which are pooled as they are (binomial-normal model).

    Raises
    ------
    NotEstimableError
        When the record may not be pooled, was not paced, counts trials or episodes, lacks a count or the definition of
        capture, or the counts are impossible; one sentence names the record.
    """
    events, total = _captured(arm)
    return StudyEffect(
        arm=arm.arm,
        label=arm.short_citation,
        measure="capture",
        n=total,
        method="counts",
        assumptions=(definition_sentence(arm),),
        events=events,
        total=total,
    )


def _ratio(
    measure: Measure,
    arms: tuple[StudyArm, StudyArm],
    counts: tuple[tuple[int, int], tuple[int, int]],
    words: str,
    assumptions: tuple[str, ...],
) -> StudyEffect:
    """Log risk ratio of the first arm against the second; without a value where a ratio tells nothing."""
    (arm, other), ((events, total), (other_events, other_total)) = arms, counts
    try:
        found = table_values([events], [total], [other_events], [other_total], measure="RR")
    except UsageError as problem:
        raise NotEstimableError(f"{arm.arm} and {other.arm}: {problem}") from None
    known = bool(found.included[0])
    if found.corrected[0]:
        words += ", 0.5 added to each of the four cells because one is zero"
    return StudyEffect(
        arm=arm.arm,
        other=other.arm,
        label=arm.short_citation,
        measure=measure,
        # the same people count once
        n=max(total, other_total) if same_people(arm, other) else total + other_total,
        method=words,
        value=float(found.yi[0]) if known else None,
        se=float(found.vi[0]) ** 0.5 if known else None,
        assumptions=assumptions if known else (*assumptions, found.reasons[0]),
        events=events,
        total=total,
        other_events=other_events,
        other_total=other_total,
    )


def capture_ratio_effect(arm: StudyArm, other: StudyArm) -> StudyEffect:
    """Logarithm of the ratio of two shares captured, first arm against second, with its large-sample standard error.

    Where the two arms are the same people, the variance needs the number captured with one placement and not with the
    other, which is not published.  They are then treated as if independent, which makes the standard error too large
    when those captured with one placement are more often captured with the other too.

    Raises
    ------
    NotEstimableError
        As :func:`capture_effect` for either arm, and when their definitions of capture differ.
    """
    if arm.arm == other.arm:
        raise NotEstimableError(f"{arm.arm}: cannot be compared with itself.")
    counts = _captured(arm), _captured(other)
    if arm.capture_definition != other.capture_definition:
        raise NotEstimableError(
            f"{arm.arm} and {other.arm}: capture is defined differently, "
            f"{arm.capture_definition} and {other.capture_definition}."
        )
    if same_people(arm, other):
        words = "log ratio of shares of the same people, as if independent"
        return _ratio("capture-ratio", (arm, other), counts, words, (AS_IF_INDEPENDENT, definition_sentence(arm)))
    words = "log ratio of independent shares"
    return _ratio("capture-ratio", (arm, other), counts, words, (definition_sentence(arm),))


def outcome_effect(arm: StudyArm, control: StudyArm) -> StudyEffect:
    """Logarithm of the risk ratio of an outcome, first arm against control, with its large-sample standard error.

    0.5 is added to all four cells only where one of them is zero.  With no event (or only events) in both arms there is
    no value; the counts stay, and the last of the assumptions says why.

    Raises
    ------
    NotEstimableError
        When a record may not be pooled, counts trials or episodes, lacks a count, holds impossible counts, the outcomes
        differ, or the arms share people; one sentence names the record.
    """
    if not arm.outcome or arm.outcome.casefold() != control.outcome.casefold():
        named = f"{arm.outcome or 'none'} and {control.outcome or 'none'}"
        raise NotEstimableError(f"{arm.arm} and {control.arm}: the outcomes differ, {named}.")
    if arm.arm == control.arm or same_people(arm, control):
        raise NotEstimableError(f"{arm.arm} and {control.arm}: some people are in both, and their pairs are not known.")
    counts = tuple(_checked_counts(a, a.outcome_events, a.outcome_n, "with the outcome") for a in (arm, control))
    by_chance = arm.design == control.design == "randomised"
    return _ratio(
        "outcome", (arm, control), (counts[0], counts[1]), "log risk ratio", () if by_chance else (BY_CHOICE,)
    )
