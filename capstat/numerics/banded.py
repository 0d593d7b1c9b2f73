"""Solve many symmetric positive definite band systems of one shape at once, replicates along the last axis.

The matrices are M-matrices (weighted graph Laplacians with some grounded nodes); elimination without pivoting
is stable for them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["factorise", "solve"]


def factorise(band: NDArray[np.float64], reach: NDArray[np.intp]) -> None:
    """Overwrite ``band`` by its LDL' factors.

    Parameters
    ----------
    band : ndarray, shape (n, w + 1, B)
        ``band[j, d]`` holds element (j + d, j); afterwards D for ``d = 0`` and L below it.
    reach : ndarray of int, shape (n,)
        How far below the diagonal column j reaches, fill-in included and never past the last row.
    """
    for j, r in enumerate(reach.tolist()):
        if r == 0:
            continue
        row = band[j]
        lower = row[1 : r + 1] / row[0]
        for i in range(1, r + 1):
            band[j + i, : r + 1 - i] -= lower[i - 1] * row[i : r + 1]
        row[1 : r + 1] = lower


def solve(band: NDArray[np.float64], reach: NDArray[np.intp], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solve with the factors of :func:`factorise`; ``right``, shape (n, B), is overwritten and returned."""
    reaches = reach.tolist()
    for j, r in enumerate(reaches):
        if r:
            right[j + 1 : j + 1 + r] -= band[j, 1 : r + 1] * right[j]
    right /= band[:, 0]
    for j in range(len(reaches) - 2, -1, -1):
        r = reaches[j]
        if r:
            right[j] -= (band[j, 1 : r + 1] * right[j + 1 : j + 1 + r]).sum(axis=0)
    return right
