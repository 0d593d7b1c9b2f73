"""The network behind a 0/1 interval matrix, on which many weightings of it are solved at once.

In the distribution function ``F`` at the ``k + 1`` edges of the columns, every row and every column of the matrix is
a difference of ``F`` at two edges: an element between two nodes.  The Newton matrix of a likelihood in ``F`` is
the Laplacian of this network, a narrow band when rows are short.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csr_array

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.mixing import IntervalLikelihood

__all__ = ["Network", "interval_network"]


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Rows, then columns, as elements between nodes 0 to k; ``F`` is fixed at the first and the last node.

    ``to_band`` assembles the Newton matrix (a band of the inner nodes), ``to_nodes`` sums tensions at the inner
    nodes, and ``to_gradient`` gives ``A' v`` as the cumulative sum of its product.
    """

    begin: NDArray[np.intp]
    end: NDArray[np.intp]
    n_rows: int
    n_columns: int
    reach: NDArray[np.intp]
    to_band: csr_array
    to_nodes: csr_array
    to_gradient: csr_array

    def extent(self, inner: NDArray[np.float64]) -> NDArray[np.float64]:
        """Differences, over every element, of a function that is zero at both fixed nodes."""
        whole = np.zeros((inner.shape[0] + 2, inner.shape[1]))
        whole[1:-1] = inner
        return np.asarray(whole[self.end] - whole[self.begin])


def _reach(begin: NDArray[np.intp], end: NDArray[np.intp], n: int) -> NDArray[np.intp]:
    """How far below the diagonal every column of the factored band reaches."""
    reach = np.zeros(n, dtype=np.intp)
    np.maximum.at(reach, begin - 1, end - begin)
    for node in range(1, n):
        # elimination of a node joins all the nodes that it reaches
        reach[node] = max(reach[node], reach[node - 1] - 1)
    return reach


def interval_network(likelihood: IntervalLikelihood) -> Network:
    """Lay out the network of a matrix with at least two columns."""
    m, k = likelihood.shape
    begin = np.concatenate((likelihood.first, np.arange(k)))
    end = np.concatenate((likelihood.last + 1, np.arange(1, k + 1)))
    up, down = np.flatnonzero(end < k), np.flatnonzero(begin > 0)
    both = np.flatnonzero((end < k) & (begin > 0))
    reach = _reach(begin[both], end[both], k - 1)
    stride = int(reach.max(initial=0)) + 1
    on_diagonal = np.concatenate((end[up], begin[down])) - 1
    below = (begin[both] - 1) * stride + (end - begin)[both]
    to_band = csr_array(
        (
            np.concatenate((np.ones(up.size + down.size), -np.ones(both.size))),
            (np.concatenate((on_diagonal * stride, below)), np.concatenate((up, down, both))),
        ),
        shape=((k - 1) * stride, m + k),
    )
    sign = np.concatenate((np.ones(up.size), -np.ones(down.size)))
    to_nodes = csr_array((sign, (on_diagonal, np.concatenate((up, down)))), shape=(k - 1, m + k))
    falls = up[up < m]
    to_gradient = csr_array(
        (
            np.concatenate((np.ones(m), -np.ones(falls.size))),
            (np.concatenate((begin[:m], end[falls])), np.concatenate((np.arange(m), falls))),
        ),
        shape=(k, m),
    )
    return Network(begin, end, m, k, reach, to_band, to_nodes, to_gradient)
