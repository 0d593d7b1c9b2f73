"""Exact null distributions of sums of whole numbers: signs flipped at random, or units dealt into two groups.

Both are built up unit by unit (dynamic programming over the attainable sums, as in Streitberg & Roehmel 1986,
Stat Softw Newsl 12:10, from memory), so nothing is drawn and ties are ties of integers.  All terms are
non-negative and halving is exact, so a probability keeps a relative error of about the number of units times
1e-16.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["SumTest", "allocation_test", "sign_flip_test"]

# table entries times units up to which all allocations are counted; about two seconds
ALLOCATION_WORK = 5e9


@dataclass(frozen=True, slots=True)
class SumTest:
    """Two-sided test of a sum of whole numbers.

    Attributes
    ----------
    statistic : int
        The observed sum; zero is expected.
    p_value : float
        Probability of a sum at least as large in size.
    p_mid : float
        The same with half of the probability of sums exactly as large in size; 1 when the sum is zero.
    n_informative : int
        Units that can move the sum.
    exact : bool
        Whether the whole distribution was counted; otherwise the normal approximation with its exact variance.
    """

    statistic: int
    p_value: float
    p_mid: float
    n_informative: int
    exact: bool


def sign_flip_test(values: NDArray[np.int64]) -> SumTest:
    """Test a sum against all ways of flipping the signs of its terms, each flipped with probability one half.

    Parameters
    ----------
    values : ndarray of int, shape (n,)
        The observed terms; zeros move nothing.
    """
    size = np.sort(np.abs(values[values != 0]))
    statistic = int(values.sum())
    if statistic == 0:
        return SumTest(0, 1.0, 1.0, size.size, True)
    divisor = int(np.gcd.reduce(size))
    size = size // divisor
    probability = _subset_sums(size)
    # with the sum of positive terms P and of all sizes S the flipped sum is 2 P - S: symmetric about zero
    at = (int(size.sum()) + abs(statistic) // divisor) // 2
    tail, point = float(probability[at:].sum()), float(probability[at])
    return SumTest(statistic, min(1.0, 2 * tail), min(1.0, 2 * tail - point), size.size, True)


def _subset_sums(size: NDArray[np.int64]) -> NDArray[np.float64]:
    """Probability of every sum of a random subset, shape (sum + 1,); ascending sizes keep the early arrays short."""
    probability = np.zeros(int(size.sum()) + 1)
    probability[0] = 1.0
    end = 1
    for step in size:
        half = probability[:end] / 2
        probability[:end] = half
        probability[step : end + step] += half
        end += int(step)
    return probability


def allocation_test(scores: NDArray[np.int64], in_first: NDArray[np.bool_]) -> SumTest:
    """Test the sum of scores in a group against all groups of its size.

    Parameters
    ----------
    scores : ndarray of int, shape (n,)
        Scores that sum to zero.
    in_first : ndarray of bool, shape (n,)
        Members of the group.

    Raises
    ------
    ValueError
        When the scores do not sum to zero.
    """
    if scores.sum() != 0:
        raise ValueError("Scores must sum to zero.")
    statistic = int(scores[in_first].sum())
    informative = int((scores != 0).sum())
    # the other group's sum is the negative of this one's, so the smaller group will do
    k = int(min(in_first.sum(), (~in_first).sum()))
    low = int(scores.min())
    shifted = np.sort(scores - low)
    divisor = int(np.gcd.reduce(shifted))
    if statistic == 0 or divisor == 0 or k == 0:
        return SumTest(statistic, 1.0, 1.0, informative, True)
    shifted = shifted // divisor
    if float(shifted[-k:].sum()) * k * shifted.size > ALLOCATION_WORK:
        variance = k * (scores.size - k) / scores.size / (scores.size - 1) * float((scores.astype(float) ** 2).sum())
        p = float(2 * stats.norm.sf(abs(statistic) / np.sqrt(variance)))
        return SumTest(statistic, p, p, informative, False)
    probability = _group_sums(shifted, k)
    attainable = np.abs(k * low + divisor * np.arange(probability.size))
    beyond = float(probability[attainable > abs(statistic)].sum())
    equal = float(probability[attainable == abs(statistic)].sum())
    return SumTest(statistic, min(1.0, beyond + equal), min(1.0, beyond + equal / 2), informative, True)


def _group_sums(shifted: NDArray[np.int64], k: int) -> NDArray[np.float64]:
    """Probability of every sum of ``k`` of the ascending non-negative scores drawn without replacement.

    Units join with probability one half each; the row of ``k`` joined is then divided by its total.
    """
    n = shifted.size
    table = np.zeros((k + 1, int(shifted[-k:].sum()) + 1))
    table[0, 0] = 1.0
    for m in range(n):
        step = int(shifted[m])
        # rows that can still end at k, and the largest sum of that many among the scores so far
        first, last = max(0, k - (n - m)), min(k, m)
        end = int(shifted[max(0, m - last) : m].sum()) + 1
        half = table[first : last + 1, :end] / 2
        table[first : last + 1, :end] = half
        joining = half[: k - first]
        width = min(end, table.shape[1] - step)
        table[first + 1 : first + 1 + joining.shape[0], step : step + width] += joining[:, :width]
    return np.asarray(table[k] / table[k].sum())
