"""Distinct intervals with their weights: most of what is estimated needs nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Cells", "tabulate", "tabulate_any", "tabulate_grid"]

# Currents on a grid are coded as this many small integers; the last stands for an infinite bound.
CODES = 2048
# With fewer rows the table of all pairs of codes costs more than it saves.
MANY_ROWS = 100_000
# rows handled at once: temporaries stay in the cache
BLOCK = 2**17


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Distinct intervals with their total weight.

    Attributes
    ----------
    lower_ma, upper_ma : ndarray, shape (m,)
        The distinct intervals (lower, upper], sorted.
    count : ndarray, shape (m,)
        Sum of the weights of the attempts in each.
    index : ndarray of int, shape (n,)
        Cell of every attempt.
    """

    lower_ma: NDArray[np.float64]
    upper_ma: NDArray[np.float64]
    count: NDArray[np.float64]
    index: NDArray[np.intp]


def tabulate(lower: NDArray[np.float64], upper: NDArray[np.float64], weight: NDArray[np.float64]) -> Cells:
    """Tabulate the distinct pairs of bounds (mA), each array of shape (n,); ``upper`` may be infinite."""
    if lower.size >= MANY_ROWS:
        for steps_per_ma in (1, 10):
            cells = tabulate_grid(lower, upper, weight, steps_per_ma)
            if cells is not None:
                return cells
    return tabulate_any(lower, upper, weight)


def tabulate_any(lower: NDArray[np.float64], upper: NDArray[np.float64], weight: NDArray[np.float64]) -> Cells:
    """Tabulate bounds that may be any numbers."""
    # hashing, then sorting the few distinct values: sorting all rows costs ten times as much
    lower_code, lower_values = pd.factorize(lower, sort=True)
    upper_code, upper_values = pd.factorize(upper, sort=True)
    index, present = pd.factorize(lower_code * upper_values.size + upper_code, sort=True)
    count = np.bincount(index, weights=weight, minlength=present.size).astype(np.float64)
    return Cells(
        lower_values[present // upper_values.size],
        upper_values[present % upper_values.size],
        count,
        np.asarray(index, dtype=np.intp),
    )


def tabulate_grid(
    lower: NDArray[np.float64], upper: NDArray[np.float64], weight: NDArray[np.float64], steps_per_ma: int
) -> Cells | None:
    """Tabulate bounds that are whole multiples of 1/``steps_per_ma`` mA; ``None`` when some are not.

    Counting small integers needs no hashing: it is limited by reading the rows once.
    """
    index = np.empty(lower.size, dtype=np.intp)
    highest = CODES - 2
    for a in range(0, lower.size, BLOCK):
        part = slice(a, a + BLOCK)
        open_end = np.isinf(upper[part])
        low = _code(lower[part], steps_per_ma, highest)
        high = _code(upper[part], steps_per_ma, highest)
        # dividing the whole number gives the very float that was read, or the bound is not on the grid
        if not ((low / steps_per_ma == lower[part]).all() and ((high / steps_per_ma == upper[part]) | open_end).all()):
            return None
        index[part] = low * CODES + (high + open_end)
    only_ones = bool((weight == 1).all())
    table = np.bincount(index) if only_ones else np.bincount(index, weights=weight)
    present = np.flatnonzero(table)
    rank = np.zeros(table.size, dtype=np.intp)
    rank[present] = np.arange(present.size)
    for a in range(0, lower.size, BLOCK):
        index[a : a + BLOCK] = rank[index[a : a + BLOCK]]
    last = present % CODES
    return Cells(
        present // CODES / steps_per_ma,
        np.where(last == CODES - 1, np.inf, last / steps_per_ma),
        table[present].astype(np.float64),
        index,
    )


def _code(bound: NDArray[np.float64], steps_per_ma: int, highest: int) -> NDArray[np.int32]:
    scaled = bound if steps_per_ma == 1 else np.rint(bound * steps_per_ma)
    return np.asarray(np.minimum(scaled, highest).astype(np.int32))
