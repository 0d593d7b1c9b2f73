"""Safety margins: how often capture is lost with each, and the one that is needed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from capstat.protocol.drift_law import REFERENCE_MINUTES, DriftLaw
from capstat.protocol.loss import MaximumRise
from capstat.protocol.policy_parts import Margin, MarginUnit
from capstat.results import Estimate, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "ASSUMED_SDS",
    "USUAL_MARGINS",
    "USUAL_MINUTES",
    "MarginLoss",
    "assumed_drift",
    "assumed_drift_table",
    "margin_needed",
    "margin_table",
]

USUAL_MARGINS: Final = (
    Margin(5, MarginUnit.PERCENT),
    Margin(10, MarginUnit.PERCENT),
    Margin(20, MarginUnit.PERCENT),
    Margin(5, MarginUnit.MILLIAMPERE),
    Margin(10, MarginUnit.MILLIAMPERE),
    Margin(1, MarginUnit.STEPS),
    Margin(2, MarginUnit.STEPS),
)
"""Margins in common use (common practice, no source)."""

USUAL_MINUTES: Final = (10.0, 30.0, 60.0)
ASSUMED_SDS: Final = (0.02, 0.05, 0.10, 0.15, 0.20)
"""Standard deviations of the log threshold's change over 30 minutes that are assumed where there are no data."""

FROM_THRESHOLD = (
    "The margin is counted from the threshold itself; a ramp stops up to one step above it, which adds to the margin."
)
ASSUMED_NOTE = (
    "Assumed, not estimated: random walk with a chosen standard deviation; no published variability of repeated "
    "threshold checks was found."
)


@dataclass(frozen=True, slots=True)
class MarginLoss:
    """Chance that capture is lost with one margin within one time.

    Attributes
    ----------
    margin : Margin
        What is added to the threshold.
    threshold_ma, final_ma : float
        Threshold at the start and current left on, in mA.
    minutes : float
        Time from the start.
    assumed_sd : float or None
        Standard deviation of the log threshold's change over 30 minutes where it is assumed; ``None`` where estimated.
    chance : Estimate
        Chance that the threshold is above the current at some time, as a proportion.
    """

    margin: Margin
    threshold_ma: float
    final_ma: float
    minutes: float
    assumed_sd: float | None
    chance: Estimate


def _final(margin: Margin, threshold_ma: float, step_ma: float) -> float:
    if margin.unit is MarginUnit.PERCENT:
        return threshold_ma * (1 + margin.amount / 100)
    return threshold_ma + margin.amount * (step_ma if margin.unit is MarginUnit.STEPS else 1.0)


def _refuse_amounts(threshold_ma: float, step_ma: float) -> None:
    for name, value in (("threshold_ma", threshold_ma), ("step_ma", step_ma)):
        if not (np.isfinite(value) and value > 0):
            raise UsageError(f"{name} must be a current above 0 mA, not {value:g}.")


def _limits(rows: NDArray[np.float64], level: float) -> tuple[float | None, float | None]:
    """Percentiles of the draws, around the estimate; none without draws."""
    if rows.size == 1:
        return None, None
    low, high = np.quantile(rows[1:], [0.5 - level / 2, 0.5 + level / 2])
    return min(float(low), float(rows[0])), max(float(high), float(rows[0]))


def margin_table(
    rise: MaximumRise,
    *,
    threshold_ma: float,
    step_ma: float,
    margins: Sequence[Margin] = USUAL_MARGINS,
    minutes: Sequence[float] = USUAL_MINUTES,
    level: float = 0.95,
) -> tuple[MarginLoss, ...]:
    """Chance that capture is lost at some time, for each margin and time.

    Parameters
    ----------
    rise : MaximumRise
        Drift, from `DriftFit.law` with draws.
    threshold_ma : float
        Threshold at the time of capture, say the median; margins in mA and steps depend on it.
    step_ma : float
        Step of the ramp.
    margins : sequence of Margin
        Margins above the threshold, not rounded to what a device can be set to.
    minutes : sequence of float
        Times.
    level : float
        Confidence level; limits are percentiles of the draws.

    Raises
    ------
    UsageError
        When threshold or step is not a current.
    """
    _refuse_amounts(threshold_ma, step_ma)
    finals = [_final(margin, threshold_ma, step_ma) for margin in margins]
    log_margins = np.log(np.array(finals) / threshold_ma)
    found = []
    for time in minutes:
        chances = rise.exceeds(log_margins, time)
        for i, margin in enumerate(margins):
            lower, upper = _limits(chances[:, i], level)
            estimate = Estimate(
                f"chance that capture is lost within {time:g} minutes with {margin.words}", float(chances[0, i]), lower,
                upper, level, "proportion", "percentiles of draws", rise.law.n, rise.law.source,
                notes=(*rise.law.notes, FROM_THRESHOLD),
            )  # fmt: skip
            found.append(MarginLoss(margin, threshold_ma, finals[i], time, None, estimate))
    return tuple(found)


def margin_needed(
    rise: MaximumRise, *, minutes: float = REFERENCE_MINUTES, at_most: float = 0.05, level: float = 0.95
) -> Estimate:
    """Margin, in percent above the threshold, with which capture is lost in at most a given share within some minutes.

    Parameters
    ----------
    rise : MaximumRise
        Drift, from `DriftFit.law` with draws.
    minutes : float
        Time from the start.
    at_most : float
        Largest chance of loss.
    level : float
        Confidence level; limits are percentiles of the draws.

    Raises
    ------
    UsageError
        When ``at_most`` is not between 0 and 1, or ``minutes`` not above 0.
    """
    if not 0 < at_most < 1:
        raise UsageError(f"at_most must be a chance between 0 and 1, not {at_most:g}.")
    if not (np.isfinite(minutes) and minutes > 0):
        raise UsageError(f"minutes must be a time above 0, not {minutes:g}.")
    with np.errstate(over="ignore"):
        percent = 100 * np.expm1(rise.margin(at_most, minutes))
    lower, upper = _limits(percent, level)
    return Estimate(
        f"margin for at most {100 * at_most:g} % loss of capture within {minutes:g} minutes", float(percent[0]), lower,
        upper, level, "%", "percentiles of draws", rise.law.n, rise.law.source,
        notes=(*rise.law.notes, FROM_THRESHOLD),
    )  # fmt: skip


def assumed_drift(sd_over_30_min: float) -> DriftLaw:
    """Random walk with an assumed standard deviation of the log threshold's change over 30 minutes.

    For studies without repeated checks: no published retest variability was found.

    Raises
    ------
    UsageError
        When the standard deviation is negative or no number.
    """
    if not (np.isfinite(sd_over_30_min) and sd_over_30_min >= 0):
        raise UsageError(f"The assumed standard deviation must be 0 or more, not {sd_over_30_min:g}.")
    rate = np.array([sd_over_30_min**2 / REFERENCE_MINUTES])
    source = f"assumed random walk, SD {sd_over_30_min:g} of the log threshold over {REFERENCE_MINUTES:g} minutes"
    return DriftLaw(rate, np.zeros(1), None, None, 0, source, (ASSUMED_NOTE,))


def assumed_drift_table(
    *,
    threshold_ma: float,
    step_ma: float,
    sds_over_30_min: Sequence[float] = ASSUMED_SDS,
    margins: Sequence[Margin] = USUAL_MARGINS,
    minutes: Sequence[float] = USUAL_MINUTES,
) -> tuple[MarginLoss, ...]:
    """Chance of loss for assumed drifts, where there are no repeated checks.

    No published retest variability of capture thresholds was found, so nothing says which row applies.  Every row
    carries its assumed standard deviation and has no limits.

    Raises
    ------
    UsageError
        When a standard deviation is negative, or threshold or step is not a current.
    """
    rows = []
    for sd in sds_over_30_min:
        table = margin_table(
            MaximumRise(assumed_drift(sd)), threshold_ma=threshold_ma, step_ma=step_ma, margins=margins, minutes=minutes
        )
        rows += [MarginLoss(r.margin, r.threshold_ma, r.final_ma, r.minutes, sd, r.chance) for r in table]
    return tuple(rows)
