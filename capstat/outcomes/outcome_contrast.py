"""Difference and ratio of two adjusted risks, with limits that stay between 0 and 1."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.numerics.mover import Bounded, mover_difference, mover_ratio
from capstat.numerics.proportions import wilson
from capstat.results import Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.outcomes.outcome_data import OutcomeData

__all__ = ["AdjustedContrast", "RiskPair", "adjusted_contrast", "no_contrast"]

LIMITS = (
    "Wilson limits of each risk at its effective sample size (Korn & Graubard 1998, from memory), put together by "
    "square-and-add for the difference (Zou & Donner 2008, from memory) and its counterpart for the ratio (Donner & "
    "Zou 2012, from memory)"
)


@dataclass(frozen=True, slots=True)
class AdjustedContrast:
    """Two groups compared after adjustment.

    Attributes
    ----------
    method : str
        How it was adjusted.
    risks : tuple of Estimate
        In the first and in the second group.
    difference, ratio : Estimate
        First minus, or over, second.
    notes : tuple of str
        What a reader must know.
    """

    method: str
    risks: tuple[Estimate, Estimate]
    difference: Estimate
    ratio: Estimate
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RiskPair:
    """Two risks and how they vary.

    Attributes
    ----------
    first, second : float
        Risks, 0 to 1.
    covariance : ndarray, shape (2, 2)
        Of the two.
    sizes : tuple of float
        Effective sizes of the groups, for a risk of 0 or 1, which has no variance.
    n : int
        Patients.
    """

    first: float
    second: float
    covariance: NDArray[np.float64]
    sizes: tuple[float, float]
    n: int


def _side(risk: float, variance: float, size: float, n: int, level: float) -> Bounded:
    """Wilson limits of the sample of independent patients that would be as informative."""
    plain = risk * (1 - risk)
    effective = min(plain / variance, float(n)) if plain > 1e-12 and variance > 0 else size
    lower, upper = wilson(risk * effective, effective, level)
    # limits of a risk next to 0 or 1 may miss it by a rounding error
    return Bounded(risk, risk, min(lower, risk), max(upper, risk))


def adjusted_contrast(
    data: OutcomeData, pair: RiskPair, method: str, level: float, notes: tuple[str, ...] = ()
) -> AdjustedContrast:
    """Put limits on both risks, their difference and their ratio.

    Parameters
    ----------
    data : OutcomeData
        For the names.
    pair : RiskPair
        The risks.
    method : str
        How they were adjusted.
    level : float
        Confidence level.
    notes : tuple of str
        For the result.
    """
    values, covariance = (pair.first, pair.second), pair.covariance
    one, two = (_side(values[k], float(covariance[k, k]), pair.sizes[k], pair.n, level) for k in (0, 1))
    product = float(covariance[0, 0] * covariance[1, 1])
    rho = float(np.clip(covariance[0, 1] / np.sqrt(product), -1, 1)) if product > 0 else 0.0
    difference, ratio = mover_difference(one, two, rho), mover_ratio(one, two, rho)
    told = f"{method}; {LIMITS}"

    def estimate(
        quantity: str, value: float | None, found: Bounded, unit: str, direction: str, reason: str
    ) -> Estimate:
        return Estimate(
            quantity, value, found.limit_low, found.limit_high, level, unit, "score", pair.n, told, direction,
            reason=reason,
        )  # fmt: skip

    risks = [
        estimate(f"adjusted risk of {data.outcome}, {group}", value, side, "proportion", "", "")
        for group, value, side in zip((data.first, data.minus), values, (one, two), strict=True)
    ]
    value = pair.first / pair.second if pair.second > 0 else None
    why = "" if pair.second > 0 else f"nobody with the event was in the group {data.minus}"
    difference = Bounded(
        difference.low, difference.high, max(difference.limit_low, -1.0), min(difference.limit_high, 1.0)
    )
    return AdjustedContrast(
        method, (risks[0], risks[1]),
        estimate(
            f"adjusted difference in risk of {data.outcome}", pair.first - pair.second, difference, "proportion",
            f"{data.first} minus {data.minus}", "",
        ),
        estimate(
            f"adjusted ratio of risks of {data.outcome}", value, ratio, "ratio", f"{data.first} over {data.minus}", why
        ),
        notes,
    )  # fmt: skip


def no_contrast(data: OutcomeData, method: str, level: float, n: int, reason: str) -> AdjustedContrast:
    """Say why there is no adjusted comparison."""

    def none(quantity: str, unit: str, direction: str = "") -> Estimate:
        return Estimate(quantity, None, None, None, level, unit, "score", n, method, direction, reason=reason)

    return AdjustedContrast(
        method,
        (
            none(f"adjusted risk of {data.outcome}, {data.first}", "proportion"),
            none(f"adjusted risk of {data.outcome}, {data.minus}", "proportion"),
        ),
        none(f"adjusted difference in risk of {data.outcome}", "proportion", f"{data.first} minus {data.minus}"),
        none(f"adjusted ratio of risks of {data.outcome}", "ratio", f"{data.first} over {data.minus}"),
    )  # fmt: skip
