"""Rules about the counts and the outcome of one record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capstat.synthesis.evidence_rule import CURRENTS, ArmRule, Complaint, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.synthesis.study_arm import StudyArm

__all__ = ["COUNT_RULES"]


def _at_most(name: str, part: str, whole: str) -> ArmRule:
    def find(arm: StudyArm) -> Iterator[Complaint]:
        few, many = getattr(arm, part), getattr(arm, whole)
        if few is not None and many is not None and few > many:
            yield Complaint(part, f"is above {whole}, {many}", f"Correct {part} or {whole}.")

    return ArmRule(name, "error", find)


def _zero_counts(arm: StudyArm) -> Iterator[Complaint]:
    for name in ("n", "n_current", "n_pairs", "outcome_n"):
        if getattr(arm, name) == 0:
            yield Complaint(name, "means that nobody was studied", "Enter at least 1, or leave the cell empty.")


def _more_in_statistic(arm: StudyArm) -> Iterator[Complaint]:
    captured, n_current = arm.n_captured, arm.n_current
    if arm.non_capture == "left-out" and n_current is not None and captured is not None and n_current > captured:
        yield Complaint(
            "n_current",
            f"is above n_captured, {captured}, although those not captured are left out",
            "Correct one of n_current, n_captured and non_capture.",
        )


def _somebody_not_captured(arm: StudyArm) -> Iterator[Complaint]:
    if arm.non_capture == "none" and arm.n is not None and arm.n_captured is not None and arm.n_captured < arm.n:
        yield Complaint(
            "non_capture",
            f"says that everybody was captured, but n_captured is {arm.n_captured} and n is {arm.n}",
            "Say how non-capture enters the statistic: left-out, imputed, censored or not-stated.",
        )


def _captured_control(arm: StudyArm) -> Iterator[Complaint]:
    for name in ("n_captured", "n_current", *CURRENTS):
        if not arm.paced and getattr(arm, name) is not None:
            yield Complaint(
                name, "is given for an arm that was not paced", "Leave the cell empty, or set paced to yes."
            )


def _outcome_parts(arm: StudyArm) -> Iterator[Complaint]:
    if not arm.outcome and (arm.outcome_events is not None or arm.outcome_n is not None):
        counts = " and ".join(n for n in ("outcome_events", "outcome_n") if getattr(arm, n) is not None)
        yield Complaint("outcome", f"is empty, but there is {counts}", "Say in words what happened.")
    if arm.outcome_events is not None and arm.outcome_n is None:
        yield Complaint(
            "outcome_n",
            f"is empty, but outcome_events is {shown(arm.outcome_events)}",
            "Enter in how many patients the outcome is known.",
        )


def _undefined_capture(arm: StudyArm) -> Iterator[Complaint]:
    currents = any(getattr(arm, name) is not None for name in CURRENTS) and arm.current_means == "threshold"
    if not arm.capture_definition and arm.n_captured is not None:
        what = "n_captured"
    elif not arm.capture_definition and (currents or arm.difference_ma is not None or arm.ratio is not None):
        what = "a threshold"
    else:
        return
    yield Complaint(
        "capture_definition",
        f"is empty, but there is {what}, which means nothing without its definition of capture",
        "Enter the definition, or undescribed where the source does not say.",
    )


COUNT_RULES: Final = (
    _at_most("captured-above-n", "n_captured", "n"),
    _at_most("current-above-n", "n_current", "n"),
    _at_most("pairs-above-n", "n_pairs", "n"),
    _at_most("events-above-outcome-n", "outcome_events", "outcome_n"),
    _at_most("outcome-above-n", "outcome_n", "n"),
    ArmRule("zero-count", "error", _zero_counts),
    ArmRule("current-above-captured", "error", _more_in_statistic),
    ArmRule("somebody-not-captured", "error", _somebody_not_captured),
    ArmRule("captured-control", "error", _captured_control, ("paced",)),
    ArmRule("outcome-parts", "error", _outcome_parts, ("outcome", "outcome_n")),
    ArmRule("undefined-capture", "error", _undefined_capture, ("capture_definition",)),
)
"""Rules about counts; the tests break each of them."""
