"""Ramp policies and their groups in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.analysis import ALL_PLACEMENTS
from capstat.capture.judgement_errors import REFERENCE_MA
from capstat.protocol import Direction, MarginUnit
from capstat.report.wording import milliampere, percent, plain_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.capture import JudgementErrors
    from capstat.protocol import Margin, RampPolicy
    from capstat.results import Estimate

__all__ = [
    "NOT_A_RECOMMENDATION",
    "bare",
    "errors_words",
    "group_words",
    "margin_words",
    "numbered",
    "order_words",
    "steps_words",
    "time_words",
]

NOT_A_RECOMMENDATION = (
    "Nothing here is a recommendation: it is what these policies would do if thresholds were as estimated from this study. "
    "Local protocol, the instructions of the device and licensed clinicians decide."
)


def bare(estimate: Estimate) -> str:
    """Return value and limits without the unit, which stands in the head of the column."""
    low, high = estimate.lower, estimate.upper
    share = 100 if estimate.unit == "proportion" else 1

    def number(value: float) -> str:
        if share == 100:
            # what a model calls hardly anybody is not nobody
            return "<0.1" if 0 < value < 0.0005 else percent(value)
        return milliampere(value)

    if estimate.value is None:
        if not low or low == float("inf") or not estimate.reason.startswith("not reached"):
            return "not reached" if estimate.reason.startswith("not reached") else "\u2013"
        return f"not reached ({number(low)} or more)"
    if low is None or high is None:
        return number(estimate.value)
    upper = "or more" if high == float("inf") else f"to {number(high)}"
    return f"{number(estimate.value)} ({number(low)} {upper})"


def errors_words(errors: JudgementErrors) -> str:
    """Errors of judgement in words."""
    slope = (
        ""
        if errors.odds_ratio_per_10_ma == 1
        else f", odds of a false claim times {errors.odds_ratio_per_10_ma:.2f} per 10 mA"
    )
    return (
        f"sensitivity {percent(errors.sensitivity)} %, specificity {percent(errors.specificity)} % at {milliampere(REFERENCE_MA)} "
        f"mA{slope}"
    )


def group_words(label: str, by: str) -> str:
    """One group, in words."""
    if label == ALL_PLACEMENTS:
        return label
    return f"{label} pads" if by == "placement" else f"{plain_name(by)} '{label}'"


def numbered(policies: Sequence[RampPolicy]) -> dict[str, str]:
    """Return every policy's name with its number, as in the figures; a single one goes without."""
    if len(policies) == 1:
        return {policies[0].name: policies[0].name}
    return {policy.name: f"{k}: {policy.name}" for k, policy in enumerate(policies, start=1)}


def steps_words(policy: RampPolicy) -> str:
    """Return the steps: ``10 mA``, or ``20 mA, from 100 mA on 10 mA``."""
    if not isinstance(policy.step_ma, tuple):
        return f"{milliampere(policy.step_ma)} mA"
    first, *rest = policy.step_ma
    return ", ".join(
        [
            f"{milliampere(first[1])} mA",
            *(f"from {milliampere(above)} mA on {milliampere(step)} mA" for above, step in rest),
        ]
    )


def order_words(policy: RampPolicy) -> str:
    """Return the order of the settings."""
    begin, top = milliampere(policy.start_ma), milliampere(policy.maximum_ma)
    if policy.direction is Direction.BISECTING:
        return f"halving {begin} to {top} mA"
    if policy.direction is Direction.FALLING:
        return f"from {begin} mA down to the loss and back up; up to {top} mA where {begin} mA does not capture"
    down = "" if policy.step_down_ma is None else f", then down by {milliampere(policy.step_down_ma)} mA to the loss"
    return f"rising {begin} to {top} mA{down}"


def time_words(policy: RampPolicy) -> str:
    """Return the time at each setting, and how long capture must be seen."""
    pulses = "" if policy.dwell_pulses is None else f" ({policy.dwell_pulses} pulses)"
    hold = "" if policy.hold_s == 0 else f"; capture seen for {policy.hold_s:g} s"
    return f"{policy.seconds_per_step:.3g} s{pulses} at {policy.rate_ppm:g} ppm{hold}"


def margin_words(margin: Margin) -> str:
    """Return a margin in words."""
    return margin.words if margin.amount == 0 or margin.unit is not MarginUnit.STEPS else f"{margin.words} of the ramp"
