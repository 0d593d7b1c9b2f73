"""Whether a nonparametric maximum likelihood estimate is the only one.

The fitted row probabilities ``A p`` are the same for every maximum (the log-likelihood is strictly concave in
them), and mass can only be on columns whose gradient equals its bound.  Two maxima therefore differ by a
direction ``v`` on those columns with ``A v = 0``: none exists when the columns are linearly independent (Gentleman &
Geyer 1994, Biometrika 81:618, from memory).  Dependent columns are not yet enough, because mass that is zero
cannot fall; linear programs then decide, column by column.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from capstat.numerics.mixing import IntervalLikelihood

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.mixing import LikelihoodOperator

__all__ = ["movable_columns"]

# A gradient this close to its bound (as a share of it) counts as equal: far above what a certified fit leaves.
AT_BOUND = 1e-6
# Mass or movement below this is rounding.
NOTHING = 1e-9


def _independent_runs(likelihood: IntervalLikelihood, columns: NDArray[np.intp], present: NDArray[np.bool_]) -> bool:
    """Whether columns of an interval matrix are linearly independent, exactly and without any decomposition.

    In the cumulative sums of ``v``, one for each edge between columns, a row says that two edges have the same
    sum.  Only ``v = 0`` satisfies all rows when they connect all the edges.
    """
    begin = np.searchsorted(columns, likelihood.first[present])
    end = np.searchsorted(columns, likelihood.last[present], side="right")
    n = columns.size + 1
    links = csr_array((np.ones(begin.size), (begin, end)), shape=(n, n))
    parts, _ = connected_components(links, directed=False)
    return bool(parts == 1)


def movable_columns(
    likelihood: LikelihoodOperator, weights: NDArray[np.float64], mass: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Columns whose mass can change without changing the likelihood.

    Parameters
    ----------
    likelihood : LikelihoodOperator
        The nonnegative matrix ``A``.
    weights : ndarray, shape (m,)
        Nonnegative weights of the rows.
    mass : ndarray, shape (k,)
        A maximum, as found by :func:`capstat.numerics.mixing.maximise_mixing`.

    Returns
    -------
    ndarray of int
        Empty when the maximum is unique.
    """
    present = weights > 0
    ratio = np.divide(weights, likelihood.apply(mass), out=np.zeros_like(weights), where=present)
    gradient = likelihood.adjoint(ratio)
    tied = np.flatnonzero(gradient >= weights.sum() * (1 - AT_BOUND))
    if isinstance(likelihood, IntervalLikelihood) and _independent_runs(likelihood, tied, present):
        return np.empty(0, dtype=np.intp)
    matrix = likelihood.columns(tied)[present]
    if np.linalg.matrix_rank(matrix) == tied.size:
        return np.empty(0, dtype=np.intp)
    bounds = [(-1.0 if held > NOTHING else 0.0, 1.0) for held in mass[tied]]
    moves = np.zeros(tied.size, dtype=bool)
    for j in range(tied.size):
        for sign in (1.0, -1.0):
            cost = np.zeros(tied.size)
            cost[j] = sign
            found = linprog(cost, A_eq=matrix, b_eq=np.zeros(matrix.shape[0]), bounds=bounds)
            moves |= np.abs(np.asarray(found.x, dtype=np.float64)) > NOTHING
    return np.asarray(tied[moves])
