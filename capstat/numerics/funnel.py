"""Pseudo limits of a funnel plot, as numbers for a figure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from capstat.results import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["FunnelLimits", "funnel_limits"]


@dataclass(frozen=True, slots=True, eq=False)
class FunnelLimits:
    """Pseudo limits around a value, for a figure.

    Attributes
    ----------
    mu : float
        The value.
    se : ndarray, shape (n,)
        Standard errors, from 0.
    levels : tuple of float
        Levels of the contours.
    lower, upper : ndarray, shape (levels, n)
        ``mu -+ z se``.
    """

    mu: float
    se: NDArray[np.float64]
    levels: tuple[float, ...]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]


def funnel_limits(
    mu: float, largest_se: float, *, levels: tuple[float, ...] = (0.90, 0.95, 0.99), points: int = 2
) -> FunnelLimits:
    """Work out within which limits values would lie around ``mu`` without a variance between studies.

    ``points`` standard errors run from 0 to ``largest_se``; the limits are straight lines, so that two are enough.

    Raises
    ------
    UsageError
        When the largest standard error is not above zero, a level is not between 0 and 1, or there are fewer than two
        points.
    """
    if not (np.isfinite(mu) and np.isfinite(largest_se) and largest_se > 0):
        raise UsageError("A funnel needs a finite value and a largest standard error above 0.")
    if points < 2 or not all(0 < level < 1 for level in levels):
        raise UsageError("A funnel needs two points at least, and levels between 0 and 1.")
    se = np.linspace(0.0, largest_se, points)
    half = np.asarray(stats.norm.ppf([0.5 + level / 2 for level in levels]))[:, None] * se
    return FunnelLimits(mu, se, tuple(levels), mu - half, mu + half)
