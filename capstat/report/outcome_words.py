"""Times, ends, groups and outcomes in words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capstat.report.wording import bounds_text, interval_text, listed, plain_name, value_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capstat.outcomes.immortal_rows import ImmortalRow
    from capstat.results import Estimate

__all__ = [
    "OBSERVED",
    "ORIGINS",
    "all_of",
    "begin",
    "bounded_sentence",
    "cell",
    "end",
    "limits_words",
    "method_words",
    "outcome_words",
    "points",
    "scaled",
]

ORIGINS = {
    "onset": "onset",
    "arrival": "arrival",
    "pads": "the placing of the pads",
    "pacing-start": "the first pulse",
}
OBSERVED = "This describes groups as they came about (association); it does not show that the one thing made the other."
METHODS = {
    "naive": "ever captured against never (naive)",
    "landmark": "captured by the landmark",
    "time-varying": "captured from its moment on (time-varying)",
    "clone-censor-weight": "captured within the time of grace (clone, censor, weight)",
}
OUTCOME_WORDS = {
    "survived_to_arrival": "survived to arrival",
    "survived_to_admission": "survived to admission",
    "survived_to_discharge": "survived to discharge",
    "survived_30_days": "survived 30 days",
    "good_neurological_outcome": "had a good neurological outcome",
}


def begin(text: str) -> str:
    """Return the text with a capital letter at its beginning."""
    return text[:1].upper() + text[1:]


def end(text: str) -> str:
    """Return the text with exactly one full stop at its end."""
    return text.rstrip(". ") + "."


def all_of(words: Sequence[str], otherwise: str) -> str:
    """Return ``a, b and c``, or what is said where there are none."""
    return listed(words) if words else otherwise


def outcome_words(name: str) -> str:
    """Return an outcome as what patients did: ``survived to discharge``."""
    return OUTCOME_WORDS.get(name, f"had {plain_name(name)}")


def method_words(row: ImmortalRow) -> str:
    """Return what a method compares; the naive one is called BIASED first."""
    return f"BIASED: {METHODS[row.method]}" if row.biased else METHODS[row.method]


def scaled(estimate: Estimate) -> Estimate:
    """Return shares in per cent and differences in percentage points as proportions, which the wording knows how to round."""
    if estimate.unit not in ("%", "percentage points"):
        return estimate

    def hundredth(value: float | None) -> float | None:
        return None if value is None else value / 100

    bounds = estimate.identified
    return replace(
        estimate, value=hundredth(estimate.value), lower=hundredth(estimate.lower), upper=hundredth(estimate.upper),
        unit="proportion", identified=None if bounds is None else (bounds[0] / 100, bounds[1] / 100),
    )  # fmt: skip


def cell(estimate: Estimate | None) -> str:
    """Return value, or bounds, and limits in one cell; a dash where there is nothing."""
    if estimate is None:
        return "\u2013"
    told = scaled(estimate)
    if told.unit == "min" and told.direction:
        return _signed_minutes(told)
    if told.value is None and told.identified is None:
        if told.unit == "min" and told.lower is not None and told.upper is not None and np.isinf(told.upper):
            return f"not reached ({interval_text(told)})"
        return "\u2013"
    value = bounds_text(told).replace(" percentage points", " points")
    if told.lower is None or told.upper is None:
        return value
    return f"{value} ({_bare(told)})"


def _signed_minutes(told: Estimate) -> str:
    """Difference of minutes with its sign."""

    def signed(value: float) -> str:
        text = f"{value:+.1f}"
        return "0" if float(text) == 0 else text.replace("-", "\u2212")

    bounds = told.identified if told.value is None else (told.value, told.value)
    if bounds is None:
        return "\u2013"
    low, high = map(signed, bounds)
    value = f"{low} min" if low == high else f"{low} to {high} min"
    if told.lower is None or told.upper is None:
        return value
    return f"{value} ({signed(told.lower)} to {signed(told.upper)})"


def _bare(told: Estimate) -> str:
    """Limits without a unit that the value before them has."""
    return interval_text(told).removesuffix(" percentage points").removesuffix(" %").removesuffix(" min")


def limits_words(estimate: Estimate) -> str:
    """Return the limits with their level: ``95 % CI 70 to 80 %``."""
    told = scaled(estimate)
    return f"{100 * told.level:g} % CI {_bare(told)}{' %' if told.unit == 'proportion' and not told.direction else ''}"


def points(estimate: Estimate) -> str:
    """Return a difference of shares: ``+12 points (95 % CI 4 to 20)``; its bounds, or why there is none."""
    told = scaled(estimate)
    if told.value is None:
        return bounded_sentence(estimate)
    value = value_text(told).removesuffix(" percentage points")
    if told.lower is None or told.upper is None:
        return f"{value} points"
    return f"{value} points ({limits_words(estimate)})"


def bounded_sentence(estimate: Estimate) -> str:
    """Return bounds and limits of what is not known to a point; else the reason."""
    told = scaled(estimate)
    if told.identified is None:
        return f"not known ({told.reason.rstrip('.')})"
    text = bounds_text(told).replace(" percentage points", " points")
    if " to " not in text:
        return f"{text} ({limits_words(estimate)})"
    return f"between {text.replace(' to ', ' and ')} ({limits_words(estimate)})"
