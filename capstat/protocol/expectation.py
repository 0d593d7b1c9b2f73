"""Expectations, shares and quantiles of what a policy does, over its courses and the cells of the threshold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from capstat.results import Estimate, UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.protocol.courses import Courses
    from capstat.protocol.threshold_law import Pieces

__all__ = ["ROUNDING", "Bounds", "Expectation", "estimate_of"]

# sums of probabilities carry rounding; a share that is reached exactly counts as reached
ROUNDING = 1e-9
# bounds closer than this are one number
SAME = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Bounds:
    """A number for the estimate and every draw: lower and upper bound, equal where the law identifies it.

    Attributes
    ----------
    lower, upper : ndarray, shape (draws + 1,)
        The estimate first.
    """

    lower: NDArray[np.float64]
    upper: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Expectation:
    """A law of thresholds applied to the courses of a policy.

    Attributes
    ----------
    courses : Courses
        What can happen in each cell.
    pieces : Pieces
        How probable the cells are.
    """

    courses: Courses
    pieces: Pieces

    def mean(self, value: NDArray[np.float64] | NDArray[np.bool_]) -> Bounds:
        """Mean of a value of each course; a share, where the value is yes or no."""
        courses = self.courses
        by_cell = np.bincount(courses.cell, courses.probability * value, minlength=courses.n_cells)
        return Bounds(*self.pieces.expect(by_cell.astype(np.float64)))

    def distribution(
        self, value: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Distinct values (k,) and the probability of each or less: bounds of shape (draws + 1, k)."""
        courses = self.courses
        distinct, code = np.unique(np.round(value, 9), return_inverse=True)
        by_cell = np.zeros((courses.n_cells, distinct.size))
        np.add.at(by_cell, (courses.cell, code), courses.probability)
        low, high = self.pieces.expect(np.cumsum(by_cell, axis=1))
        return distinct, low, high

    def quantile(self, value: NDArray[np.float64], share: float) -> Bounds:
        """Lowest value that ``share`` of patients do not exceed; infinite where fewer have a finite one."""
        distinct, low, high = self.distribution(value)
        # the largest values have probability at most 1 less rounding
        at = [np.minimum((p < share - ROUNDING).sum(axis=1), distinct.size - 1) for p in (high, low)]
        return Bounds(distinct[at[0]], distinct[at[1]])


def estimate_of(
    bounds: Bounds,
    quantity: str,
    unit: str,
    *,
    level: float,
    n: int,
    method: str,
    missing: str = "",
    notes: tuple[str, ...] = (),
) -> Estimate:
    """Put the estimate and its limits (percentiles of the draws) into words.

    Parameters
    ----------
    bounds : Bounds
        The estimate and the draws.
    missing : str
        Why there is no value where it is infinite.

    Raises
    ------
    UsageError
        When the level is none.
    """
    if not 0 < level < 1:
        raise UsageError(f"A confidence level lies strictly between 0 and 1, not at {level:g}.")
    low, high = float(bounds.lower[0]), float(bounds.upper[0])
    limits: tuple[float | None, float | None] = (None, None)
    if bounds.lower.size > 1:
        # an order statistic: nothing is interpolated between a number and infinity
        limits = (
            float(np.quantile(bounds.lower[1:], 0.5 - level / 2, method="inverted_cdf")),
            float(np.quantile(bounds.upper[1:], 0.5 + level / 2, method="inverted_cdf")),
        )
    identified, value, reason = None, low if high - low <= SAME * max(1.0, abs(low)) else None, ""
    if np.isinf(low):
        value, reason = None, missing
    elif value is None:
        identified, reason = (low, high), "only bounds are known without a model"
    return Estimate(
        quantity, value, *limits, level, unit, "identity", n, method, notes=notes, reason=reason, identified=identified
    )
