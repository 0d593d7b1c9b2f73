"""Bootstrap weights for units that each contribute a pattern of cells."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["UnitPatterns", "draw_cell_weights", "unit_patterns"]


@dataclass(frozen=True, slots=True, eq=False)
class UnitPatterns:
    """Units grouped by what they contribute to the cells.

    Attributes
    ----------
    counts : ndarray of int, shape (g,)
        Units with each pattern.
    contents : csr_array, shape (g, m)
        Weight that such a unit gives to each cell.
    """

    counts: NDArray[np.intp]
    contents: csr_array


def unit_patterns(
    unit: NDArray[np.intp], cell: NDArray[np.intp], weight: NDArray[np.float64], n_cells: int
) -> UnitPatterns:
    """Group units with equal contents.

    Parameters
    ----------
    unit, cell : ndarray of int, shape (n,)
        Unit and cell of every row.
    weight : ndarray, shape (n,)
        Weight of every row.
    n_cells : int
        How many cells there are.
    """
    codes, distinct = pd.factorize(unit)
    if distinct.size == unit.size and np.all(weight == 1):
        return UnitPatterns(np.bincount(cell, minlength=n_cells).astype(np.intp), csr_array(np.eye(n_cells)))
    contents = csr_array((weight, (codes, cell)), shape=(distinct.size, n_cells))
    contents.sum_duplicates()
    starts = contents.indptr
    keys = [(contents.indices[a:b].tobytes(), contents.data[a:b].tobytes()) for a, b in itertools.pairwise(starts)]
    pattern, _ = pd.factorize(pd.Series(keys, dtype=object))
    _, first = np.unique(pattern, return_index=True)
    return UnitPatterns(np.bincount(pattern).astype(np.intp), csr_array(contents[first]))


def draw_cell_weights(patterns: UnitPatterns, replicates: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw units with replacement and return the weight of every cell in every replicate.

    Units with equal contents are interchangeable, so a replicate is one multinomial draw over the distinct
    patterns: the cost does not depend on the number of units.

    Returns
    -------
    ndarray, shape (replicates, m)
    """
    n = int(patterns.counts.sum())
    draws = rng.multinomial(n, patterns.counts / n, size=replicates)
    return np.asarray(draws @ patterns.contents, dtype=float)
