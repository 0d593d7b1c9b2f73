"""Groups of episodes compared: differences of shares and mean times, and Gray's test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capstat.numerics.gray_test import gray_test
from capstat.numerics.mover import Bounded, mover_difference
from capstat.outcomes.episodes import CAUSES
from capstat.results import Estimate, NotEstimableError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from capstat.outcomes.episodes import Episodes
    from capstat.outcomes.time_group_results import TimeGroup

__all__ = ["GroupTest", "group_difference", "group_test"]

DIFFERENCE = "square-and-add from the separate limits (Zou & Donner 2008, from memory)"
OBSERVED = (
    "groups are compared as they came about, which is not what a choice brings about unless they were drawn by lot"
)


@dataclass(frozen=True, slots=True)
class GroupTest:
    """Gray's test that all groups have the same cumulative incidence of one end.

    Attributes
    ----------
    cause : str
        The end.
    statistic, p_value : float or None
        Chi-square statistic and its p-value; ``None`` where it cannot be had (then ``reason`` says why).
    df : int
        Degrees of freedom; 0 without a test.
    reason : str
        Why there is no test; empty when there is one.
    """

    cause: str
    statistic: float | None
    p_value: float | None
    df: int
    reason: str = ""


def _bounded(estimate: Estimate) -> Bounded | None:
    """Bounds and limits of an estimate; ``None`` when it has neither value nor bounds, or no limits."""
    if estimate.lower is None or estimate.upper is None:
        return None
    if estimate.value is not None:
        return Bounded(estimate.value, estimate.value, estimate.lower, estimate.upper)
    if estimate.identified is None:
        return None
    return Bounded(*estimate.identified, estimate.lower, estimate.upper)


def group_difference(one: Estimate, two: Estimate, groups: tuple[TimeGroup, TimeGroup], unit: str) -> Estimate:
    """First less second."""
    first, second = (_bounded(part) for part in (one, two))
    quantity, n = f"difference of {one.quantity}", groups[0].n + groups[1].n
    method, direction = f"{one.method}; {DIFFERENCE}", f"{groups[0].label} minus {groups[1].label}"
    if first is None or second is None:
        reasons = [
            f"{group.label}: {part.reason or 'no limits'}"
            for group, part, bounds in zip(groups, (one, two), (first, second), strict=True)
            if bounds is None
        ]
        return Estimate(
            quantity, None, None, None, one.level, unit, "identity", n, method, direction, reason="; ".join(reasons)
        )
    found = mover_difference(first, second, 0.0)
    settled = found.high - found.low < 1e-9
    return Estimate(
        quantity, found.low if settled else None, found.limit_low, found.limit_high, one.level, unit, "identity", n,
        method, direction, notes=(OBSERVED,),
        reason="" if settled else f"times of capture are intervals: between {found.low:.3g} and {found.high:.3g}",
        identified=None if settled else (found.low, found.high),
    )  # fmt: skip


def group_test(episodes: Episodes, code: NDArray[np.intp], cause: int) -> GroupTest:
    known = code >= 0
    if episodes.delayed:
        reason = "Gray's test needs patients who are observed from time zero, and with this origin they enter later"
        return GroupTest(CAUSES[cause], None, None, 0, reason)
    if not (episodes.earliest_s[known] == episodes.latest_s[known]).all():
        reason = "Gray's test needs known times, and times of capture are intervals"
        return GroupTest(CAUSES[cause], None, None, 0, reason)
    try:
        found = gray_test(episodes.latest_s[known], episodes.cause[known], code[known], which=cause)
    except NotEstimableError as error:
        return GroupTest(CAUSES[cause], None, None, 0, str(error).rstrip("."))
    return GroupTest(CAUSES[cause], found.statistic, found.p_value, found.df)
