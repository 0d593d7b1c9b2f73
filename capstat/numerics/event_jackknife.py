"""Infinitesimal-jackknife variance of curves of competing events, by cluster, without a matrix of rows by times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["RiskRows", "jackknife_variance", "with_zero"]


@dataclass(frozen=True, slots=True, eq=False)
class RiskRows:
    """Rows placed among the ``k`` distinct event times.

    Attributes
    ----------
    entry, time : ndarray, shape (n,)
        The row is observed in ``(entry, time]``; minus infinity without delayed entry.
    first, stop : ndarray of int, shape (n,)
        The row is at risk at the event times ``first, ..., stop - 1``.
    cause : ndarray of int, shape (n,)
        0 without an event; a row with an event has it at event time ``stop - 1``.
    weight : ndarray, shape (n,)
        Case weights.
    cluster : ndarray of int, shape (n,)
        Codes ``0, 1, ...``; rows with one code are not independent of each other.
    """

    entry: NDArray[np.float64]
    time: NDArray[np.float64]
    first: NDArray[np.intp]
    stop: NDArray[np.intp]
    cause: NDArray[np.intp]
    weight: NDArray[np.float64]
    cluster: NDArray[np.intp]


def with_zero(increments: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cumulative sums with a leading zero, so that differences are sums over ranges of event times."""
    return np.concatenate([[0.0], np.cumsum(increments)])


def jackknife_variance(
    rows: RiskRows,
    own: NDArray[np.bool_],
    before: NDArray[np.float64],
    hazard: NDArray[np.float64],
    own_hazard: NDArray[np.float64],
    at_risk: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sum over clusters of the squared derivative of a cumulative incidence in the cluster's weights.

    With ``F(t) = sum S(s-) h_c(s)`` the derivative in the weight of row i is the sum over event times s up to t of
    ``S(s-) dh_ci(s) - (F(t) - F(s)) dh_i(s) / (1 - h(s))`` with ``dh_i(s) = (dN_i(s) - Y_i(s) h(s)) / Y(s)``
    (infinitesimal jackknife: Jaeckel 1972; as in Therneau's survival package; both from memory).  Between the times at
    which rows of a cluster enter and leave, its sum is ``A + L(t) B + z(t) W`` with constants A, B, W, where L(t) is
    what the curve has yet to rise.  Six cumulative sums of products therefore give all times in O(n log n).

    Parameters
    ----------
    rows : RiskRows
        ``n`` rows.
    own : ndarray of bool, shape (n,)
        Whether the row had the event of interest.
    before : ndarray, shape (k,)
        Share free of any event just before each event time.
    hazard, own_hazard : ndarray, shape (k,)
        Share of those at risk with any event, and with the event of interest.
    at_risk : ndarray, shape (k,)
        Weight at risk.

    Returns
    -------
    ndarray, shape (k,)
        Variances at the event times.
    """
    k = before.size
    rise = before * own_hazard
    # summed backwards: late, where the other factors are large, this is small and nothing cancels
    left = np.cumsum(rise[::-1])[::-1] - rise
    # where everybody at risk has the event the curve rises no more and the factor is immaterial
    inverse = np.divide(1.0, (1 - hazard) * at_risk, out=np.zeros(k), where=hazard < 1)
    P, Q, R = (with_zero(step) for step in (rise / at_risk, hazard * inverse, left * hazard * inverse))

    kept = np.flatnonzero(rows.stop > rows.first)
    first, stop, w = rows.first[kept], rows.stop[kept], rows.weight[kept]
    last = stop - 1
    event = rows.cause[kept] > 0
    entry = np.stack([w * (P[first] - R[first]), w * Q[first], w])
    constant = own[kept] * (before / at_risk)[last] - event * (left * inverse)[last]
    constant = w * (constant - (P[stop] - P[first]) + (R[stop] - R[first]))
    slope = w * (event * inverse[last] - (Q[stop] - Q[first]))
    leaving = np.stack([constant, slope, np.zeros_like(w)]) - entry

    change = np.concatenate([entry, leaving], axis=1)
    position = np.concatenate([first, last])
    cluster = np.tile(rows.cluster[kept], 2)
    order = np.lexsort((position, cluster))
    change, position, cluster = change[:, order], position[order], cluster[order]
    after = np.cumsum(change, axis=1)
    begins = np.flatnonzero(np.diff(cluster, prepend=-1))
    offset = (after - change)[:, begins]
    after -= np.repeat(offset, np.diff(np.append(begins, cluster.size)), axis=1)
    prior = after - change
    factors = np.stack([np.ones(k), left, R[1:] - P[1:] - left * Q[1:]])
    variance = np.zeros(k)
    for i in range(3):
        for j in range(i, 3):
            steps = np.bincount(position, weights=after[i] * after[j] - prior[i] * prior[j], minlength=k)
            variance += (1 + (i != j)) * factors[i] * factors[j] * np.cumsum(steps)
    return variance
