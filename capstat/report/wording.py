"""Numbers, units and plain sentences; all rounding happens here."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = [
    "CAUTIONS",
    "estimate_text",
    "interval_text",
    "milliampere",
    "of_hundred",
    "p_text",
    "percent",
    "percentage_points",
    "ratio_text",
    "value_text",
]

CAUTIONS = (
    "For research and education. This is not a medical device and not bedside guidance.",
    "Local protocols, the instructions of the device in use and licensed clinicians decide.",
    "Results from observational records show association; they do not prove that a placement causes a difference.",
)


def milliampere(value: float) -> str:
    """Return a current in mA, whole where it is on a device's grid."""
    return f"{value:.0f}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def percent(value: float) -> str:
    """Return a proportion as a percentage without the sign, with a digit only where it matters."""
    scaled = 100 * value
    return f"{scaled:.1f}" if 0 < scaled < 1 or 99 < scaled < 100 else f"{scaled:.0f}"


def percentage_points(value: float) -> str:
    """Return a difference of proportions in percentage points, signed."""
    rounded = round(100 * value)
    return "0" if rounded == 0 else f"{rounded:+d}".replace("-", "\u2212")


def ratio_text(value: float) -> str:
    """Return a ratio with two decimals."""
    return f"{value:.2f}"


def of_hundred(value: float) -> str:
    """Return a proportion as a natural frequency."""
    return f"{round(100 * value)} of 100"


def p_text(value: float | None) -> str:
    """Return a p-value: two significant digits, never a bare zero."""
    if value is None:
        return ""
    if value < 0.0005:
        return "p < 0.001"
    return f"p = {value:.3f}" if value < 0.1 else f"p = {value:.2f}"


def _number(estimate: Estimate, value: float) -> str:
    if estimate.unit == "proportion":
        return percentage_points(value) if estimate.direction else percent(value)
    if estimate.unit == "ratio":
        return ratio_text(value)
    if estimate.unit == "mA" and estimate.direction:
        return f"{value:+.0f}".replace("-", "\u2212") if abs(value) >= 0.5 else "0"
    return milliampere(value)


def unit_text(estimate: Estimate) -> str:
    """Return the unit that goes behind the number."""
    if estimate.unit == "proportion":
        return " percentage points" if estimate.direction else " %"
    return " mA" if estimate.unit == "mA" else ""


def interval_text(estimate: Estimate) -> str:
    """Return the confidence limits in words, open sides included; empty when there are none."""
    low, high = estimate.lower, estimate.upper
    if low is None or high is None or (low <= 0 and np.isinf(high)):
        return ""
    if np.isinf(high):
        return f"{_number(estimate, low)} or more"
    if low <= 0 and estimate.unit in ("ratio", "mA") and not estimate.direction.count("minus"):
        return f"{_number(estimate, high)} or less"
    return f"{_number(estimate, low)} to {_number(estimate, high)}"


def value_text(estimate: Estimate) -> str:
    """Return the value with its unit, or that there is none."""
    if estimate.value is None:
        return "not estimable"
    return f"{_number(estimate, estimate.value)}{unit_text(estimate)}"


def estimate_text(estimate: Estimate) -> str:
    """Return value and limits: ``80 mA (95 % CI 70 to 90)``; the reason where there is no value."""
    limits = interval_text(estimate)
    shown = f"{100 * estimate.level:g} % CI {limits}" if limits else ""
    if estimate.value is None:
        return f"not estimable ({estimate.reason}{'; ' + shown if shown else ''})"
    return value_text(estimate) + (f" ({shown})" if shown else "")
