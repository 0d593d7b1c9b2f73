"""Numbers, units and plain sentences; all rounding happens here."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.results import Estimate

__all__ = [
    "CAUTIONS",
    "LARGEST_RATIO",
    "NOT_BOUNDED",
    "OBSERVATIONAL_CAUTION",
    "RANDOMISED_CAUTION",
    "SMALLEST_RATIO",
    "bounds_text",
    "confidence_text",
    "counted",
    "estimate_text",
    "interval_text",
    "listed",
    "milliampere",
    "p_text",
    "percent",
    "percentage_points",
    "plain_name",
    "ratio_text",
    "share_of_patients",
    "value_text",
]

CAUTIONS = (
    "For research and education. This is not a medical device and not bedside guidance.",
    "Local protocols, the instructions of the device in use and licensed clinicians decide.",
)
RANDOMISED_CAUTION = "A randomised comparison holds for patients, pads and devices like these."
OBSERVATIONAL_CAUTION = (
    "Results from observational records show association; they do not prove that a placement causes a difference."
)
NOT_BOUNDED = "too few patients to give limits"
# limits beyond these say only that nothing is known on that side; the CSV files hold them as computed
SMALLEST_RATIO, LARGEST_RATIO = 0.1, 10.0
LARGEST_MA = 1000.0
# units that stand behind a number
UNITS = ("mA", "mmHg", "s", "min", "minutes", "pulses", "%")

# below this many patients "of 100" would claim more than was seen
ENOUGH_FOR_HUNDRED = 50
FEWEST_FOR_PERCENT = 10


def counted(count: int, noun: str) -> str:
    """Return ``1 patient``, ``2 patients``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def listed(words: Sequence[str]) -> str:
    """Return ``a``, ``a and b``, ``a, b and c``."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def milliampere(value: float) -> str:
    """Return a current in mA, whole where it is on a device's grid."""
    return f"{value:.0f}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def percent(value: float) -> str:
    """Return a proportion as a percentage without the sign, with a digit only where it matters."""
    scaled = 100 * value
    return f"{scaled:.1f}" if 0.05 <= scaled < 1 or 99 < scaled < 99.95 else f"{scaled:.0f}"


def percentage_points(value: float) -> str:
    """Return a difference of proportions in percentage points, signed, with a digit where it is small."""
    scaled = 100 * value
    text = f"{scaled:+.1f}" if 0.05 <= abs(scaled) < 9.95 else f"{scaled:+.0f}"
    return "0" if float(text) == 0 else text.replace("-", "\u2212")


def plain_name(column: str) -> str:
    """Return a column's name without underscores and unit."""
    words = {"conscious": "consciousness", "arrest": "cardiac arrest"}.get(column, column.replace("_", " "))
    for unit in (" kg", " cm", " years", " ma", " ms", " ppm"):
        words = words.removesuffix(unit)
    return words


def ratio_text(value: float) -> str:
    """Return a ratio with two decimals."""
    return f"{value:.2f}"


def share_of_patients(value: float, patients: int) -> str:
    """Return a proportion as a natural frequency; as a percentage where there are few patients."""
    if patients < FEWEST_FOR_PERCENT:
        return f"{round(value * patients)} of {counted(patients, 'patient')}"
    if patients < ENOUGH_FOR_HUNDRED:
        return f"{percent(value)} % of {counted(patients, 'patient')}"
    rounded = round(100 * value)
    if rounded == 0 and value > 0:
        return "fewer than 1 of 100 patients"
    if rounded == 100 and value < 1:
        return "more than 99 of 100 patients"
    return f"{rounded} of 100 patients"


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
    if estimate.unit in ("ratio", "odds ratio", ""):
        return ratio_text(value)
    if estimate.unit == "mA" and estimate.direction:
        return f"{value:+.0f}".replace("-", "\u2212") if abs(value) >= 0.5 else "0"
    return milliampere(value)


def _unit(estimate: Estimate) -> str:
    if estimate.unit == "proportion":
        return " percentage points" if estimate.direction else " %"
    return f" {estimate.unit}" if estimate.unit in UNITS else ""


def _told_limits(estimate: Estimate) -> tuple[float | None, float | None]:
    """Limits with those that say nothing opened."""
    low, high = estimate.lower, estimate.upper
    if low is None or high is None:
        return low, high
    if estimate.unit == "ratio":
        return (low if low >= SMALLEST_RATIO else 0.0), (high if high <= LARGEST_RATIO else np.inf)
    if estimate.unit == "mA":
        return (low if low >= -LARGEST_MA else -np.inf), (high if high <= LARGEST_MA else np.inf)
    return low, high


def interval_text(estimate: Estimate) -> str:
    """Return the confidence limits with their unit, open sides in words; never empty."""
    low, high = _told_limits(estimate)
    signed = bool(estimate.direction) and estimate.unit != "ratio"
    if low is None or high is None or (np.isinf(high) and (np.isinf(low) or (low <= 0 and not signed))):
        return NOT_BOUNDED
    if estimate.unit == "proportion" and estimate.direction and low <= -1 and high >= 1:
        return NOT_BOUNDED
    if np.isinf(low) and np.isinf(high):
        return NOT_BOUNDED
    unit = _unit(estimate)
    if np.isinf(high):
        return f"{_number(estimate, low)}{unit} or more"
    if np.isinf(low) or (low <= 0 and not signed and estimate.unit in ("ratio", "mA")):
        return f"{_number(estimate, high)}{unit} or less"
    return f"{_number(estimate, low)} to {_number(estimate, high)}{unit}"


def confidence_text(estimate: Estimate) -> str:
    """Return the limits with their level: ``95 % confidence interval 70 to 80 mA``."""
    limits = interval_text(estimate)
    return limits if limits == NOT_BOUNDED else f"{100 * estimate.level:g} % confidence interval {limits}"


def value_text(estimate: Estimate) -> str:
    """Return the value with its unit, or that there is none."""
    if estimate.value is None:
        return "not estimable"
    return f"{_number(estimate, estimate.value)}{_unit(estimate)}"


def bounds_text(estimate: Estimate) -> str:
    """Return the value, or the bounds between which it is known to lie; a dash without either."""
    if estimate.value is not None:
        return value_text(estimate)
    if estimate.identified is None:
        return "\u2013"
    low, high = estimate.identified
    if np.isinf(high):
        return "\u2013" if np.isinf(low) else f"{_number(estimate, low)}{_unit(estimate)} or more"
    if _number(estimate, low) == _number(estimate, high):
        return f"{_number(estimate, low)}{_unit(estimate)}"
    return f"{_number(estimate, low)} to {_number(estimate, high)}{_unit(estimate)}"


def estimate_text(estimate: Estimate) -> str:
    """Return value and limits: ``80 mA (95 % CI 70 to 90 mA)``; the reason where there is no value."""
    limits = interval_text(estimate)
    shown = limits if limits == NOT_BOUNDED else f"{100 * estimate.level:g} % CI {limits}"
    if estimate.value is None:
        reason = estimate.reason.rstrip(".")
        return f"not estimable ({reason})" if limits == NOT_BOUNDED else f"not estimable ({reason}; {shown})"
    return f"{value_text(estimate)} ({shown})"
