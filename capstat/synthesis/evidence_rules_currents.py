"""Rules about the currents of one record, and about its comparison with another arm."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from capstat.synthesis.evidence_rule import COMPARISON_LIMITS, CURRENTS, ArmRule, Complaint, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capstat.synthesis.study_arm import StudyArm

__all__ = ["COMPARISON_RULES", "CURRENT_RULES"]

_PLACES: Final = tuple(name for name in CURRENTS if name != "sd_ma")
_ORDER: Final = ("minimum_ma", "q1_ma", "median_ma", "q3_ma", "maximum_ma")


def _given(arm: StudyArm, names: tuple[str, ...]) -> list[tuple[str, float]]:
    return [(name, value) for name in names if (value := getattr(arm, name)) is not None]


def _no_sd(arm: StudyArm) -> Iterator[Complaint]:
    if arm.mean_ma is not None and arm.sd_ma is None and arm.current_means != "applied" and not arm.not_pooled:
        yield Complaint("sd_ma", "is empty beside a mean, which cannot be pooled by itself")


def _sd_alone(arm: StudyArm) -> Iterator[Complaint]:
    if arm.sd_ma is not None and arm.mean_ma is None:
        yield Complaint("sd_ma", "has no mean beside it", "Enter mean_ma, or leave sd_ma empty.")


def _sd_zero(arm: StudyArm) -> Iterator[Complaint]:
    if arm.sd_ma == 0:
        yield Complaint("sd_ma", "says that all currents were the same", "Check it; it may be a rounded number.")


def _sd_large(arm: StudyArm) -> Iterator[Complaint]:
    if arm.sd_ma is not None and arm.mean_ma is not None and arm.sd_ma > arm.mean_ma:
        yield Complaint("sd_ma", f"is above the mean, {shown(arm.mean_ma)}", "Check that it is a standard deviation.")


def _order(arm: StudyArm) -> Iterator[Complaint]:
    for (low, small), (high, large) in pairwise(_given(arm, _ORDER)):
        if small > large:
            yield Complaint(
                low, f"is above {high}, {shown(large)}", "The order is: lowest, quartile, median, quartile, highest."
            )


def _mean_outside(arm: StudyArm) -> Iterator[Complaint]:
    if arm.mean_ma is None:
        return
    if arm.minimum_ma is not None and arm.mean_ma < arm.minimum_ma:
        yield Complaint("mean_ma", f"is below minimum_ma, {shown(arm.minimum_ma)}", "Correct one of the two.")
    if arm.maximum_ma is not None and arm.mean_ma > arm.maximum_ma:
        yield Complaint("mean_ma", f"is above maximum_ma, {shown(arm.maximum_ma)}", "Correct one of the two.")


def _zero_current(arm: StudyArm) -> Iterator[Complaint]:
    for name, value in _given(arm, (*_PLACES, "max_output_ma", "imputed_as_ma")):
        if value == 0:
            yield Complaint(name, "is no current", "Enter a current above 0 mA, or leave the cell empty.")


def _above_output(arm: StudyArm) -> Iterator[Complaint]:
    highest = "max_output_ma" if arm.imputed_as_ma is None else "imputed_as_ma"
    most = getattr(arm, highest)
    for name, value in _given(arm, _PLACES):
        if most is not None and value > most:
            yield Complaint(name, f"is above {highest}, {shown(most)}", f"Correct {name} or {highest}.")


def _imputed_too_low(arm: StudyArm) -> Iterator[Complaint]:
    put_in, most = arm.imputed_as_ma, arm.max_output_ma
    if put_in is not None and most is not None and put_in <= most:
        yield Complaint(
            "imputed_as_ma",
            f"is not above max_output_ma, {shown(most)}",
            "What stands for 'not captured' lies above every current that was tried.",
        )


def _imputed_word(arm: StudyArm) -> Iterator[Complaint]:
    if arm.imputed_as_ma is not None and arm.non_capture != "imputed":
        yield Complaint("imputed_as_ma", "is given, but non_capture is not imputed", "Set non_capture to imputed.")


def _imputed_number(arm: StudyArm) -> Iterator[Complaint]:
    if arm.non_capture == "imputed" and arm.imputed_as_ma is None:
        yield Complaint(
            "non_capture", "needs imputed_as_ma, which is empty", "Enter the number that stands for 'not captured'."
        )


def _meaning(arm: StudyArm) -> Iterator[Complaint]:
    named = [name for name, _ in _given(arm, (*CURRENTS, "difference_ma"))]
    if named and not arm.current_means:
        yield Complaint(
            "current_means", f"is empty, but there is {named[0]}", "Enter threshold, or applied for currents as set."
        )


def _how_not_captured(arm: StudyArm) -> Iterator[Complaint]:
    if arm.current_means == "threshold" and _given(arm, _PLACES) and not arm.non_capture:
        yield Complaint(
            "non_capture",
            "is empty beside thresholds",
            "Say how 'not captured' enters them: none, left-out, imputed, censored or not-stated.",
        )


def _half_an_interval(arm: StudyArm) -> Iterator[Complaint]:
    for estimate, limits in COMPARISON_LIMITS.items():
        found = _given(arm, limits)
        if len(found) == 1:
            yield Complaint(found[0][0], "is the only limit", "Enter both limits or none.")
        if found and getattr(arm, estimate) is None:
            yield Complaint(found[0][0], f"has no {estimate} beside it", f"Enter {estimate}.")


def _outside_limits(arm: StudyArm) -> Iterator[Complaint]:
    for estimate, limits in COMPARISON_LIMITS.items():
        value, lower, upper = (getattr(arm, name) for name in (estimate, *limits))
        if lower is not None and upper is not None and lower > upper:
            yield Complaint(limits[0], f"is above {limits[1]}, {shown(upper)}", "Exchange the two.")
        elif value is not None and lower is not None and upper is not None and not lower <= value <= upper:
            yield Complaint(
                estimate,
                f"is not between its limits, {shown(lower)} and {shown(upper)}",
                "Correct the estimate or its limits; a turned sign exchanges the limits.",
            )


def _level(arm: StudyArm) -> Iterator[Complaint]:
    found = [name for limits in COMPARISON_LIMITS.values() for name, _ in _given(arm, limits)]
    if found and arm.interval_percent is None:
        yield Complaint("interval_percent", f"is empty, but there is {found[0]}", "Enter the level, for example 95.")
    if arm.interval_percent is not None and not found:
        yield Complaint("interval_percent", "has no limits beside it", "Enter the limits, or leave the cell empty.")


def _with_whom(arm: StudyArm) -> Iterator[Complaint]:
    found = [name for name, _ in _given(arm, ("difference_ma", "ratio", "n_pairs"))]
    if found and not arm.compared_with:
        yield Complaint("compared_with", f"is empty, but there is {found[0]}", "Name the other arm of the comparison.")


def _with_itself(arm: StudyArm) -> Iterator[Complaint]:
    if arm.compared_with and arm.compared_with == arm.arm:
        yield Complaint("compared_with", "is the record itself", "Name the other arm of the comparison.")


_LIMITS: Final = tuple(name for limits in COMPARISON_LIMITS.values() for name in limits)

CURRENT_RULES: Final = (
    ArmRule("no-sd", "warning", _no_sd, ("sd_ma",)),
    ArmRule("sd-alone", "error", _sd_alone, ("mean_ma",)),
    ArmRule("sd-zero", "warning", _sd_zero),
    ArmRule("sd-above-mean", "warning", _sd_large),
    ArmRule("current-order", "error", _order),
    ArmRule("mean-outside-range", "error", _mean_outside),
    ArmRule("zero-current", "error", _zero_current),
    ArmRule("current-above-output", "error", _above_output, ("imputed_as_ma",)),
    ArmRule("imputed-too-low", "error", _imputed_too_low),
    ArmRule("imputed-word", "error", _imputed_word, ("non_capture",)),
    ArmRule("imputed-number", "error", _imputed_number, ("imputed_as_ma",)),
    ArmRule("current-without-meaning", "error", _meaning, ("current_means",)),
    ArmRule("non-capture-not-told", "error", _how_not_captured, ("non_capture",)),
)
"""Rules about currents; the tests break each of them."""

COMPARISON_RULES: Final = (
    ArmRule("half-an-interval", "error", _half_an_interval, (*COMPARISON_LIMITS, *_LIMITS)),
    ArmRule("estimate-outside-limits", "error", _outside_limits),
    ArmRule("interval-level", "error", _level, ("interval_percent", *_LIMITS)),
    ArmRule("compared-with-nobody", "error", _with_whom, ("compared_with",)),
    ArmRule("compared-with-itself", "error", _with_itself),
)
"""Rules about comparisons; the tests break each of them."""
