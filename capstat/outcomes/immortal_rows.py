"""One row of the comparison of methods: what a method found, what it takes for granted, and what it cannot give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capstat.outcomes.immortal_emulation import HOLDS_IF

if TYPE_CHECKING:
    from capstat.results import Estimate

__all__ = ["ASSUMPTIONS", "ImmortalRow", "row_of", "row_without"]

ASSUMPTIONS: Final = {
    "naive": "BIASED: holds only if capture had been known at time zero, which it was not",
    "landmark": "association with capture by the landmark among those who lived to it; later captures stay unexposed",
    "time-varying": "association of the hazard with being captured; holds if the ratio stays the same over time",
    "clone-censor-weight": HOLDS_IF,
}
"""What each method takes for granted, in one sentence."""

_NO_CONFOUNDERS = "no confounders were named"


@dataclass(frozen=True, slots=True)
class ImmortalRow:
    """One method.

    Attributes
    ----------
    method : str
        Key of ``ASSUMPTIONS``.
    at_min : float or None
        Landmark or end of the grace period, minutes since time zero.
    biased : bool
        Whether immortal time is in it.
    assumption : str
        What it takes for granted.
    n : int
        Patients; 0 where the method has no answer.
    hazard_ratio, adjusted_hazard_ratio : Estimate or None
        Captured over not captured.
    risk_difference, risk_ratio : Estimate or None
        Of risks of death by the horizon.
    reasons : tuple of (str, str)
        For each estimate that is absent, its name and why.
    """

    method: str
    at_min: float | None
    biased: bool
    assumption: str
    n: int
    hazard_ratio: Estimate | None
    adjusted_hazard_ratio: Estimate | None
    risk_difference: Estimate | None
    risk_ratio: Estimate | None
    reasons: tuple[tuple[str, str], ...]


def row_of(
    method: str,
    at_min: float | None,
    n: int,
    hazard: Estimate | None,
    adjusted: Estimate | None,
    difference: Estimate | None,
    ratio: Estimate | None,
    reasons: tuple[tuple[str, str], ...],
) -> ImmortalRow:
    """Row of a method with an answer; ``reasons`` names what it does not give."""
    if adjusted is None and "adjusted_hazard_ratio" not in dict(reasons):
        reasons = (*reasons, ("adjusted_hazard_ratio", _NO_CONFOUNDERS))
    return ImmortalRow(
        method, at_min, method == "naive", ASSUMPTIONS[method], n, hazard, adjusted, difference, ratio, reasons
    )


def row_without(method: str, at_min: float, reason: str) -> ImmortalRow:
    """Row of a method without an answer."""
    absent = ("hazard_ratio", "adjusted_hazard_ratio", "risk_difference", "risk_ratio")
    return ImmortalRow(
        method, at_min, False, ASSUMPTIONS[method], 0, None, None, None, None,
        tuple((name, reason) for name in absent),
    )  # fmt: skip
