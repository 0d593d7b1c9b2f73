"""Many nonparametric maximum likelihood problems with one interval matrix and different weights, all certified.

Every problem maximises ``sum_i w_i log (A p)_i`` over probabilities ``p`` for the same 0/1 matrix ``A``, as in
:mod:`capstat.numerics.mixing`, and ends with the same certificate.  The Newton matrix is that of a network, with the
same narrow band for every problem (:mod:`capstat.numerics.interval_network`), so that one pass of vectorised
elimination serves all of them.

The method is the primal-dual predictor-corrector interior-point method (Mehrotra 1992, SIAM J Optim 2:575; for
mixtures Koenker & Mizera 2014, J Am Stat Assoc 109:674; both from memory).  Each element of the network has an
extent ``s`` (a difference of ``F``) and a tension ``y``.  At the maximum ``s y`` is the weight for a row and zero
for a column, and the tensions balance at every node.

Where rows are long (bounds that lie anywhere, not on a grid) the band is wide and elimination dear; such
problems go one by one through the solver with a small support.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csr_array

from capstat.numerics.banded import factorise, solve
from capstat.numerics.interval_network import interval_network
from capstat.numerics.mixing import GAP_ACCEPTED, GAP_TARGET, IntervalLikelihood, maximise_mixing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.numerics.interval_network import Network

__all__ = ["BatchFit", "maximise_mixing_batch", "share_among_alike"]

MOST_ITERATIONS = 30
# numbers of one block of band matrices: it should stay in the cache of one core
BLOCK_SIZE = 2**18
# Elimination costs this many operations when it takes as long as the one-by-one solver (both about 2 ms).
MOST_OPERATIONS = 2e4
# a column is empty when its extent is this much smaller than its tension
EMPTY = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class BatchFit:
    """Maxima of all problems, and the proof that each is one.

    Attributes
    ----------
    mass : ndarray, shape (B, k)
        Probabilities; each row sums to one.
    log_likelihood : ndarray, shape (B,)
        ``sum_i w_i log (A p)_i``.
    optimality_gap : ndarray, shape (B,)
        ``max_j d_j / sum(w) - 1`` of each problem, see :class:`capstat.numerics.mixing.MixingFit`.
    """

    mass: NDArray[np.float64]
    log_likelihood: NDArray[np.float64]
    optimality_gap: NDArray[np.float64]


def _longest(value: NDArray[np.float64], change: NDArray[np.float64]) -> NDArray[np.float64]:
    """Longest step, at most 1, of every problem that keeps ``value`` nonnegative."""
    ratio = np.divide(-value, change, out=np.full_like(value, np.inf), where=change < 0)
    return np.asarray(np.minimum(ratio.min(axis=0), 1.0))


def _step(
    network: Network, s: NDArray[np.float64], y: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Extents and tensions after one predictor-corrector step of every problem."""
    m, k = network.n_rows, network.n_columns
    stiffness = y / s
    band = (network.to_band @ stiffness).reshape(k - 1, -1, s.shape[1])
    factorise(band, network.reach)

    def change(product: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        tension = product / s
        ds = network.extent(solve(band, network.reach, network.to_nodes @ tension))
        return ds, tension - y - stiffness * ds

    wanted = np.concatenate((weights, np.zeros((k, s.shape[1]))))
    ds, dy = change(wanted)
    along, across = _longest(s[m:], ds[m:]), _longest(y, dy)
    now = (s[m:] * y[m:]).mean(axis=0)
    ahead = ((s[m:] + along * ds[m:]) * (y[m:] + across * dy[m:])).mean(axis=0)
    # The floor: smaller products drown in the rounding of the rows, and the matrix becomes singular.
    wanted[m:] = np.maximum(now * (ahead / now) ** 3, GAP_TARGET / 100 / k)
    ds, dy = change(wanted - along * across * ds * dy)
    short_of_boundary = np.maximum(0.9, 1.0 - k * now)
    return (
        s + short_of_boundary * _longest(s[m:], ds[m:]) * ds,
        y + short_of_boundary * _longest(y, dy) * dy,
    )


def _certificate(
    network: Network, weights: NDArray[np.float64], mass: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log-likelihood and optimality gap; weights, shape (m, B), and masses, shape (k, B), sum to one."""
    m = network.n_rows
    total = np.concatenate((np.zeros((1, mass.shape[1])), np.cumsum(mass, axis=0)))
    fitted = total[network.end[:m]] - total[network.begin[:m]]
    present = weights > 0
    sound = present & (fitted > 0)
    ratio = np.divide(weights, fitted, out=np.zeros_like(weights), where=sound)
    gradient = np.cumsum(network.to_gradient @ ratio, axis=0)
    value = (weights * np.log(np.where(sound, fitted, 1.0))).sum(axis=0)
    gap = np.maximum(gradient.max(axis=0) - 1.0, 0.0)
    return value, np.where((sound == present).all(axis=0), gap, np.inf)


def _solve_block(network: Network, weights: NDArray[np.float64], start: NDArray[np.float64]) -> BatchFit:
    """Solve the problems of one block; weights have shape (B, m) and sum to one."""
    n_problems, m, k = weights.shape[0], network.n_rows, network.n_columns
    mass, slack = np.empty((k, n_problems)), np.empty((k, n_problems))
    edges = np.concatenate(([0.0], np.cumsum(start)))
    w = np.ascontiguousarray(weights.T)
    s = np.repeat((edges[network.end] - edges[network.begin])[:, None], n_problems, axis=1)
    y = np.concatenate((w, np.full((k, n_problems), 0.1 / k))) / s
    left = np.arange(n_problems)
    for _ in range(MOST_ITERATIONS):
        s, y = _step(network, s, y, w[:, left])
        mass[:, left], slack[:, left] = s[m:] / s[m:].sum(axis=0), y[m:]
        going = _certificate(network, w[:, left], mass[:, left])[1] > GAP_TARGET
        if not going.any():
            break
        left, s, y = left[going], s[:, going], y[:, going]
    # an interior method approaches the columns without mass and never arrives
    emptied = np.where(mass < EMPTY * slack, 0.0, mass)
    emptied /= emptied.sum(axis=0)
    good = _certificate(network, w, emptied)[1] <= GAP_ACCEPTED
    mass[:, good] = emptied[:, good]
    return BatchFit(mass.T, *_certificate(network, w, mass))


def maximise_mixing_batch(
    likelihood: IntervalLikelihood, weights: NDArray[np.float64], start: NDArray[np.float64] | None = None
) -> BatchFit:
    """Maximise ``sum_i w_i log (A p)_i`` over the simplex for every row ``w`` of ``weights``.

    Where a problem lacks the rows that tell neighbouring columns apart, its mass is one of many with the same
    likelihood; see :func:`share_among_alike`.

    Parameters
    ----------
    likelihood : IntervalLikelihood
        The 0/1 matrix ``A`` with m rows and k columns, common to all problems.
    weights : ndarray, shape (B, m)
        Nonnegative weights; a row with weight zero is absent from that problem.  Every problem needs some.
    start : ndarray, shape (k,), optional
        Probabilities near the maxima, such as those of the pooled problem.

    Raises
    ------
    ValueError
        When a problem has no positive weight.
    ArithmeticError
        When the certificate of a problem stays above 1e-8, as in :func:`capstat.numerics.mixing.maximise_mixing`.
    """
    k = likelihood.n_columns
    totals = weights.sum(axis=1)
    if not np.all(totals > 0):
        raise ValueError("Every problem needs a row with positive weight.")
    if k == 1:
        return BatchFit(np.ones((totals.size, 1)), np.zeros(totals.size), np.zeros(totals.size))
    network = interval_network(likelihood)
    uniform = np.full(k, 1.0 / k)
    inner = uniform if start is None else 0.8 * start / start.sum() + 0.2 * uniform
    fit = BatchFit(np.empty((totals.size, k)), np.empty(totals.size), np.full(totals.size, np.inf))
    if float((network.reach**2).sum()) <= MOST_OPERATIONS:
        block = max(8, BLOCK_SIZE // (k * (int(network.reach.max(initial=0)) + 1)))
        for a in range(0, totals.size, block):
            part = slice(a, a + block)
            solved = _solve_block(network, weights[part] / totals[part, None], inner)
            fit.mass[part], fit.optimality_gap[part] = solved.mass, solved.optimality_gap
            fit.log_likelihood[part] = totals[part] * solved.log_likelihood
    for b in np.flatnonzero(fit.optimality_gap > GAP_ACCEPTED):
        present = weights[b] > 0
        rows = IntervalLikelihood(likelihood.first[present], likelihood.last[present], k)
        single = maximise_mixing(rows, weights[b][present], gap_target=GAP_ACCEPTED)
        fit.mass[b], fit.log_likelihood[b], fit.optimality_gap[b] = (
            single.mass,
            single.log_likelihood,
            single.optimality_gap,
        )
    return fit


def share_among_alike(
    likelihood: IntervalLikelihood,
    weights: NDArray[np.float64],
    mass: NDArray[np.float64],
    reference: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Share the mass of columns that a problem cannot tell apart as in ``reference``.

    A problem may lack the rows that begin or end between neighbouring columns.  They are then one column for
    it, and its likelihood is the same however their mass is split.  Where ``reference`` has no mass on any of
    them either, the first gets all.

    Parameters
    ----------
    likelihood, weights, mass
        As given to and returned by :func:`maximise_mixing_batch`.
    reference : ndarray, shape (k,)
        Probabilities of the pooled problem.

    Returns
    -------
    ndarray, shape (B, k)
    """
    n_problems, k = mass.shape
    m = likelihood.first.size
    both = np.concatenate((np.arange(m), np.arange(m)))
    edge = np.concatenate((likelihood.first, likelihood.last + 1))
    touches = csr_array((np.ones(2 * m), (both, edge)), shape=(m, k + 1))
    leads = ((weights > 0).astype(float) @ touches)[:, :k] > 0
    leads[:, 0] = True
    # groups numbered through all problems, so that one pass sums them
    group = np.cumsum(leads.ravel()) - 1
    kept = np.tile(reference, n_problems)
    whole, known = np.bincount(group, weights=mass.ravel()), np.bincount(group, weights=kept)
    none = known[group] == 0
    share = np.where(none, leads.ravel(), kept / np.where(none, 1.0, known[group]))
    return np.asarray((whole[group] * share).reshape(n_problems, k))
