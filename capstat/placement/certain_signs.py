"""What two intervals in each patient make certain: which threshold is the higher one, and how differences rank.

Column 0 belongs to the first placement and column 1 to the second; bounds in mA, shapes (n, 2).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["capture_signs", "certain_signs", "count_signs", "signed_rank_values", "threshold_signs"]

# products of currents that are equal on the device's grid may differ in their last digits
TIE = 1e-12


def _exceeds(left: NDArray[np.float64], right: NDArray[np.float64], attained: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether what lies above ``left`` certainly exceeds what lies below ``right``.

    An interval is open below, so equal bounds suffice, unless both bounds can be attained (thresholds known exactly).
    """
    return np.where(attained, left > right * (1 + TIE), left * (1 + TIE) >= right)


def certain_signs(lower: NDArray[np.float64], upper: NDArray[np.float64]) -> tuple[NDArray[np.int64], ...]:
    """Signs of d_i + d_j and of d_i - d_j where the bounds make them certain, else 0; two arrays (n, n).

    d is the log threshold of column 0 less that of column 1.  It lies above log(lower_0 / upper_1), which it can
    attain when threshold 0 is known exactly, and below log(upper_0 / lower_1); so all comparisons are of products
    of currents, which are exact for whole numbers.
    """
    (l0, l1), (u0, u1), (e0, e1) = lower.T, upper.T, (lower == upper).T
    above = _exceeds(np.outer(l0, l0), np.outer(u1, u1), np.outer(e0, e0))
    below = _exceeds(np.outer(l1, l1), np.outer(u0, u0), np.outer(e1, e1))
    greater = _exceeds(np.outer(l0, l1), np.outer(u1, u0), np.outer(e0, e1))
    return above.astype(np.int64) - below, greater.astype(np.int64) - greater.T


def signed_rank_values(lower: NDArray[np.float64], upper: NDArray[np.float64]) -> NDArray[np.int64]:
    """Twice the weight of every pair in the sum of certain signs of d_i + d_j over i <= j.

    A flip of pair i turns d_i into -d_i.  The sign of s_i d_i + s_j d_j is s_i times that of d_i + d_j when both
    flips are alike and s_i times that of d_i - d_j when they differ, so the sum is linear in the flips.
    """
    sums, differences = certain_signs(lower, upper)
    return np.asarray(np.diag(sums) + (sums + differences).sum(axis=1))


def threshold_signs(lower: NDArray[np.float64], upper: NDArray[np.float64]) -> NDArray[np.int64]:
    """1 where the threshold is certainly higher with the first placement, -1 where certainly lower, else 0."""
    exact = lower == upper
    higher_first = _exceeds(lower[:, 0], upper[:, 1], exact[:, 0])
    higher_second = _exceeds(lower[:, 1], upper[:, 0], exact[:, 1])
    return np.asarray(higher_first.astype(np.int64) - higher_second)


def capture_signs(lower: NDArray[np.float64], upper: NDArray[np.float64], current_ma: float) -> NDArray[np.int64]:
    """As :func:`threshold_signs`, from capture at one current alone."""
    captured, failed = upper <= current_ma, lower >= current_ma
    second_only, first_only = failed[:, 0] & captured[:, 1], captured[:, 0] & failed[:, 1]
    return np.asarray(second_only.astype(np.int64) - first_only)


def count_signs(signs: NDArray[np.int64]) -> tuple[int, int, int]:
    """Patients whose threshold is certainly lower with the first, with the second placement, and undecided ones."""
    return int((signs < 0).sum()), int((signs > 0).sum()), int((signs == 0).sum())
