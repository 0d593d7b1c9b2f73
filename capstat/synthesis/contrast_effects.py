"""From reported ratios and differences of two arms, with their confidence limits, to values that can be pooled."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import stats

from capstat.results import NotEstimableError
from capstat.synthesis.count_effects import check_poolable, definition_sentence
from capstat.synthesis.study_effect import StudyEffect

if TYPE_CHECKING:
    from capstat.synthesis.study_arm import StudyArm

__all__ = ["difference_effect", "ratio_effect"]

LOPSIDED: Final = 0.15
"""Distance of the limits' midpoint from the estimate, as a share of half their distance, from which a sentence says so;
a rule of thumb, no source.  Rounding to two figures stays below it."""


def _checked_pair(arm: StudyArm, other: StudyArm) -> None:
    for one in (arm, other):
        check_poolable(one)
        if not one.paced:
            raise NotEstimableError(f"{one.arm}: a control that was not paced has no threshold.")
        if one.current_means == "applied":
            raise NotEstimableError(f"{one.arm}: applied current is not a threshold.")
    if arm.compared_with != other.arm:
        raise NotEstimableError(f"{arm.arm}: it was compared with {arm.compared_with or 'no arm'}, not {other.arm}.")
    if arm.capture_definition != other.capture_definition:
        raise NotEstimableError(f"{arm.arm} and {other.arm}: capture is defined differently.")


def _imputed(arm: StudyArm, other: StudyArm) -> str:
    """Number that stands for "not captured" in either mean, in words; empty when neither has one."""
    for one in (arm, other):
        if one.non_capture == "imputed":
            return "a number" if one.imputed_as_ma is None else f"{one.imputed_as_ma:g} mA"
    return ""


def _imputed_sentence(arm: StudyArm, other: StudyArm, what: str) -> tuple[str, ...]:
    number = _imputed(arm, other)
    if not number:
        return ()
    number = f"{number[0].upper()}{number[1:]}"
    return (
        f"{number} stands for 'not captured', where the threshold is higher: the {what} is not that of thresholds.",
    )


def _se_from_limits(
    arm: StudyArm, value: float, lower: float | None, upper: float | None, what: str
) -> tuple[float, str, tuple[str, ...]]:
    """Standard error from confidence limits, how, and whether they are lopsided; on the scale of symmetry."""
    if lower is None or upper is None or arm.interval_percent is None:
        raise NotEstimableError(f"{arm.arm}: its {what} has no confidence limits with their level.")
    if not lower < upper:
        raise NotEstimableError(f"{arm.arm}: the lower limit of its {what} is not below the upper one.")
    if not lower <= value <= upper:
        raise NotEstimableError(f"{arm.arm}: the confidence limits of its {what} do not contain it.")
    tail = 0.5 + arm.interval_percent / 200
    if arm.n_pairs is not None:
        if arm.n_pairs < 2:
            raise NotEstimableError(f"{arm.arm}: n_pairs is {arm.n_pairs}; limits need at least 2 pairs.")
        quantile, how = float(stats.t.ppf(tail, arm.n_pairs - 1)), f"t with {arm.n_pairs - 1} degrees of freedom"
    else:
        quantile, how = float(stats.norm.ppf(tail)), "a normal quantile (number of pairs not reported)"
    half = (upper - lower) / 2
    away = abs(upper + lower - 2 * value) / 2 / half
    notes = (f"The limits are {100 * away:.0f} % of their half-width off centre.",) if away > LOPSIDED else ()
    return half / quantile, f"standard error from the {arm.interval_percent:g} % limits by {how}", notes


def _patients(arm: StudyArm, other: StudyArm) -> int:
    """Pairs, or the patients of both arms where they are not pairs."""
    if arm.n_pairs is not None:
        return arm.n_pairs
    counts = [one.n_current if one.n_current is not None else one.n for one in (arm, other)]
    if counts[0] is None or counts[1] is None:
        raise NotEstimableError(f"{arm.arm} and {other.arm}: how many patients were compared was not reported.")
    return counts[0] + counts[1]


def ratio_effect(arm: StudyArm, other: StudyArm) -> StudyEffect:
    """Logarithm of the ratio of thresholds, first arm divided by second, with the standard error from its limits.

    The limits are taken as symmetric on the log scale; the quantile is Student's t with ``n_pairs - 1`` degrees of
    freedom where the number of pairs is known, otherwise normal.

    A difference is never turned into a ratio: that takes the correlation of the two thresholds of a patient, and where
    "not captured" was imputed the means themselves are wrong.

    Raises
    ------
    NotEstimableError
        When a record may not be pooled, the arms were not compared with each other, no ratio with limits was reported,
        the limits contradict the ratio, or thresholds are applied currents; one sentence names the record.
    """
    _checked_pair(arm, other)
    if arm.ratio is None:
        if arm.difference_ma is None:
            raise NotEstimableError(f"{arm.arm}: no ratio of thresholds was reported.")
        number = _imputed(arm, other)
        if number:
            raise NotEstimableError(
                f"{arm.arm}: the means have {number} in place of 'not captured', so that no ratio follows from their "
                "difference; see the reanalysis from summaries."
            )
        raise NotEstimableError(
            f"{arm.arm}: a difference without the correlation of the two thresholds of a patient gives no ratio."
        )
    if any(x is not None and x <= 0 for x in (arm.ratio, arm.ratio_lower, arm.ratio_upper)):
        raise NotEstimableError(f"{arm.arm}: its ratio and the confidence limits must be above 0.")
    value = float(np.log(arm.ratio))
    lower, upper = (None if x is None else float(np.log(x)) for x in (arm.ratio_lower, arm.ratio_upper))
    se, how, notes = _se_from_limits(arm, value, lower, upper, "ratio")
    return StudyEffect(
        arm=arm.arm,
        other=other.arm,
        label=arm.short_citation,
        measure="ratio",
        n=_patients(arm, other),
        method=f"log ratio as reported, {how}",
        value=value,
        se=se,
        df=None if arm.n_pairs is None else float(arm.n_pairs - 1),
        assumptions=(
            "Limits are taken as symmetric on the log scale.",
            *notes,
            *_imputed_sentence(arm, other, "ratio"),
            definition_sentence(arm),
        ),
    )


def difference_effect(arm: StudyArm, other: StudyArm) -> StudyEffect:
    """Difference of mean thresholds in mA, first arm minus second, with the standard error from its limits.

    The quantile is Student's t with ``n_pairs - 1`` degrees of freedom where the number of pairs is known, otherwise
    normal.

    Raises
    ------
    NotEstimableError
        As :func:`ratio_effect`, with the difference in place of the ratio.
    """
    _checked_pair(arm, other)
    if arm.difference_ma is None:
        raise NotEstimableError(f"{arm.arm}: no difference of thresholds was reported.")
    se, how, notes = _se_from_limits(
        arm, arm.difference_ma, arm.difference_lower_ma, arm.difference_upper_ma, "difference"
    )
    return StudyEffect(
        arm=arm.arm,
        other=other.arm,
        label=arm.short_citation,
        measure="difference",
        n=_patients(arm, other),
        method=f"difference in mA as reported, {how}",
        value=arm.difference_ma,
        se=se,
        df=None if arm.n_pairs is None else float(arm.n_pairs - 1),
        assumptions=(*notes, *_imputed_sentence(arm, other, "difference"), definition_sentence(arm)),
    )
