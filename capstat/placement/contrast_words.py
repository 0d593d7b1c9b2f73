"""What a contrast of thresholds says of itself: its scale and the names of the two placements."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capstat.results import UsageError

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = ["contrast_is_ratio", "contrasted_names"]


def contrast_is_ratio(estimate: Estimate) -> bool:
    """Whether a contrast of thresholds is a ratio, not a difference in mA; UsageError when it is neither."""
    if estimate.unit not in {"ratio", "mA"}:
        raise UsageError(
            f"A margin can be read against a ratio of thresholds or a difference in mA, not against "
            f"'{estimate.quantity}' in '{estimate.unit}'."
        )
    return estimate.unit == "ratio"


def contrasted_names(estimate: Estimate) -> tuple[str, str]:
    """Names of the first and of the second placement from the direction of the contrast."""
    for word in (" relative to ", " minus "):
        one, found, two = estimate.direction.partition(word)
        if found:
            return one, two
    return "the first placement", "the second placement"
