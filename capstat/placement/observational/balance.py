"""How different the groups are in what was known beforehand, before and after weighting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.placement.observational.weighting import Weighting, propensity_weights

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.placement.observational.propensity import PropensityModel

__all__ = ["COMMON_THRESHOLD", "Balance", "BalanceRow", "balance_table", "standardised_mean_difference"]

COMMON_THRESHOLD = 0.1


@dataclass(frozen=True, slots=True)
class BalanceRow:
    """Standardised mean differences of one column of the design, first placement minus second.

    Attributes
    ----------
    name : str
        Covariate, or covariate and level.
    before, after_inverse_probability, after_overlap : float
        Unweighted and weighted; all in standard deviations of the unweighted groups.
    """

    name: str
    before: float
    after_inverse_probability: float
    after_overlap: float


@dataclass(frozen=True, slots=True)
class Balance:
    """Balance of the groups.

    Attributes
    ----------
    rows : tuple of BalanceRow
        One for each column of the design.
    threshold : float
        Absolute difference that common practice takes as negligible.
    notes : tuple of str
        What remains unbalanced, in words.
    method : str
        Definition of the difference.
    """

    rows: tuple[BalanceRow, ...]
    threshold: float
    notes: tuple[str, ...]
    method: str


def standardised_mean_difference(
    values: NDArray[np.float64], is_first: NDArray[np.bool_], weight: NDArray[np.float64]
) -> float:
    """Weighted difference of means over ``sqrt((s1^2 + s0^2) / 2)`` of the unweighted groups (Austin 2009).

    The denominator stays the same, so that weighting cannot improve balance by changing the spread.
    """
    one, two = values[is_first], values[~is_first]
    spread = np.sqrt((one.var(ddof=1) + two.var(ddof=1)) / 2)
    gap = np.average(one, weights=weight[is_first]) - np.average(two, weights=weight[~is_first])
    return float(gap / spread)


def balance_table(model: PropensityModel) -> Balance:
    """Standardised mean differences of every column of the design before and after either weighting."""
    weights = (
        np.ones(model.n_complete),
        propensity_weights(model.score, model.is_first, Weighting.INVERSE_PROBABILITY),
        propensity_weights(model.score, model.is_first, Weighting.OVERLAP),
    )
    rows = tuple(
        BalanceRow(name, *(standardised_mean_difference(values, model.is_first, weight) for weight in weights))
        for name, values in zip(model.names[1:], model.design.T[1:], strict=True)
    )
    left = [row.name for row in rows if abs(row.after_inverse_probability) > COMMON_THRESHOLD]
    notes = ["An absolute difference of 0.1 is a convention of common practice, not a test."]
    if left:
        notes.append(f"Inverse-probability weights leave more than 0.1 in: {', '.join(left)}.")
    return Balance(
        rows, COMMON_THRESHOLD, tuple(notes),
        "standardised mean difference, unweighted standard deviations (Austin 2009)",
    )  # fmt: skip
