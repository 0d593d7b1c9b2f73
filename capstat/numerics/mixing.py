"""Nonparametric maximum likelihood of a mixing distribution, with a certificate.

Maximise ``sum_i w_i log (A p)_i`` over probabilities ``p``.  The problem is concave, and for any ``p`` the
gradient ``d_j = sum_i w_i A_ij / (A p)_i`` bounds how far the likelihood still is from its maximum:
``max l - l(p) <= max_j d_j - sum w``.  The solver stops on that bound, not on the size of its last step.

The method is the constrained Newton method of Wang (2007, J R Stat Soc B 69:185): a quadratic
model on a small support, nonnegativity by active sets, a line search, and all local maxima of the gradient
as new support points.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import nnls

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["DenseLikelihood", "IntervalLikelihood", "LikelihoodOperator", "MixingFit", "maximise_mixing"]

GAP_TARGET = 1e-10
GAP_ACCEPTED = 1e-8


class LikelihoodOperator(Protocol):
    """What the solver needs of the likelihood matrix ``A`` (m rows, k columns)."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of ``A``."""

    def apply(self, mass: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A @ mass``."""

    def adjoint(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A.T @ values``."""

    def columns(self, index: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the dense columns ``A[:, index]``."""

    def gram(self, index: NDArray[np.intp], weights: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A[:, index].T @ diag(weights) @ A[:, index]`` for an increasing ``index``."""


@dataclass(frozen=True, slots=True, eq=False)
class IntervalLikelihood:
    """A 0/1 matrix whose rows are runs of ones: row i covers columns ``first[i]`` to ``last[i]``.

    Products cost O(m + k) by cumulative sums.
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    n_columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the matrix."""
        return self.first.size, self.n_columns

    def apply(self, mass: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A @ mass``."""
        total = np.concatenate(([0.0], np.cumsum(mass)))
        return np.asarray(total[self.last + 1] - total[self.first])

    def adjoint(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A.T @ values``."""
        k = self.n_columns
        rises = np.bincount(self.first, weights=values, minlength=k + 1)
        falls = np.bincount(self.last + 1, weights=values, minlength=k + 1)
        return np.asarray(np.cumsum(rises - falls)[:k])

    def columns(self, index: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the dense columns ``A[:, index]``."""
        inside = (self.first[:, None] <= index) & (index <= self.last[:, None])
        return inside.astype(float)

    def gram(self, index: NDArray[np.intp], weights: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A[:, index].T @ diag(weights) @ A[:, index]`` for an increasing ``index``.

        A row contributes to (a, b) when it begins by a and ends at b or later: two cumulative sums of a table of
        beginnings and ends, whose cost per row does not depend on the number of columns.
        """
        s = index.size
        begin = np.searchsorted(index, self.first)
        end = np.searchsorted(index, self.last, side="right") - 1
        inside = begin <= end
        table = np.bincount(begin[inside] * s + end[inside], weights=weights[inside], minlength=s * s).reshape(s, s)
        upper = np.triu(np.cumsum(np.cumsum(table, axis=0)[:, ::-1], axis=1)[:, ::-1])
        return np.asarray(upper + np.triu(upper, 1).T)


@dataclass(frozen=True, slots=True, eq=False)
class DenseLikelihood:
    """Any nonnegative matrix, held as it is.

    Attributes
    ----------
    matrix : ndarray, shape (m, k)
        The matrix ``A``.
    """

    matrix: NDArray[np.float64]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the matrix."""
        return self.matrix.shape[0], self.matrix.shape[1]

    def apply(self, mass: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A @ mass``."""
        return np.asarray(self.matrix @ mass)

    def adjoint(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A.T @ values``."""
        return np.asarray(values @ self.matrix)

    def columns(self, index: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the columns ``A[:, index]``."""
        return self.matrix[:, index]

    def gram(self, index: NDArray[np.intp], weights: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return ``A[:, index].T @ diag(weights) @ A[:, index]``."""
        chosen = self.matrix[:, index]
        return np.asarray(chosen.T @ (weights[:, None] * chosen))


@dataclass(frozen=True, slots=True, eq=False)
class MixingFit:
    """Maximum, and the proof that it is one.

    Attributes
    ----------
    mass : ndarray, shape (k,)
        Probabilities, summing to one.
    log_likelihood : float
        ``sum_i w_i log (A p)_i``.
    optimality_gap : float
        ``max_j d_j / sum(w) - 1`` (at least zero): no distribution has a log-likelihood per unit of weight
        that is larger by more than this.
    """

    mass: NDArray[np.float64]
    log_likelihood: float
    optimality_gap: float


def _local_maxima(gradient: NDArray[np.float64], total: float) -> NDArray[np.intp]:
    """Columns where the gradient has a local maximum above its bound: candidates for new mass."""
    padded = np.concatenate(([-np.inf], gradient, [-np.inf]))
    peak = (gradient >= padded[:-2]) & (gradient > padded[2:]) & (gradient > total * (1 + GAP_TARGET / 10))
    return np.flatnonzero(peak)


def _quadratic_step(gram: NDArray[np.float64], target: NDArray[np.float64]) -> NDArray[np.float64]:
    """Nonnegative maximiser of the quadratic model ``target' p - p' gram p / 2`` on the support."""
    # The ridge only matters for columns that the rows cannot tell apart.
    gram[np.diag_indices_from(gram)] += 1e-13 * np.trace(gram) / gram.shape[0]
    try:
        factor = np.linalg.cholesky(gram)
    except np.linalg.LinAlgError:
        gram[np.diag_indices_from(gram)] += 1e-9 * np.trace(gram) / gram.shape[0]
        factor = np.linalg.cholesky(gram)
    half = solve_triangular(factor, target, lower=True)
    free = solve_triangular(factor, half, lower=True, trans="T")
    if free.min() >= 0:
        return np.asarray(free)
    return np.asarray(nnls(factor.T, half, maxiter=50 * half.size)[0])


def _em_steps(
    likelihood: LikelihoodOperator, weights: NDArray[np.float64], mass: NDArray[np.float64], steps: int
) -> NDArray[np.float64]:
    total = float(weights.sum())
    for _ in range(steps):
        mass = mass * likelihood.adjoint(weights / likelihood.apply(mass)) / total
    return mass


def _starting_mass(likelihood: LikelihoodOperator, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sparse start: a few EM steps from the uniform distribution, then the mass at the local maxima.

    EM quickly finds where mass belongs and never leaves a row without probability; it is far too slow to
    finish the work.
    """
    k = likelihood.shape[1]
    mass = _em_steps(likelihood, weights, np.full(k, 1.0 / k), 12)
    if k <= 64:
        return mass
    padded = np.concatenate(([-1.0], mass, [-1.0]))
    peaks = (mass >= padded[:-2]) & (mass > padded[2:])
    sparse = np.where(peaks, mass, 0.0)
    # Rows without a peak keep the mass of their own best column.
    for row in np.flatnonzero(likelihood.apply(sparse) <= 0):
        if likelihood.apply(sparse)[row] <= 0:
            covered = np.zeros(likelihood.shape[0])
            covered[row] = 1.0
            best = int(np.argmax(mass * likelihood.adjoint(covered)))
            sparse[best] = mass[best]
    return np.asarray(sparse / sparse.sum())


def maximise_mixing(
    likelihood: LikelihoodOperator,
    weights: NDArray[np.float64],
    start: NDArray[np.float64] | None = None,
    max_iterations: int = 200,
    gap_target: float = GAP_TARGET,
) -> MixingFit:
    """Maximise ``sum_i w_i log (A p)_i`` over the simplex.

    Parameters
    ----------
    likelihood : LikelihoodOperator
        The nonnegative matrix ``A``; every row needs a positive entry.
    weights : ndarray, shape (m,)
        Positive weights of the rows.
    start : ndarray, shape (k,), optional
        Starting probabilities that give every row a positive likelihood.
    gap_target : float
        Certificate at which to stop.

    Raises
    ------
    ArithmeticError
        When the certificate stays above 1e-8 (seen only with weights that differ by a factor of a million).
    """
    total = float(weights.sum())
    mass = _starting_mass(likelihood, weights) if start is None else start / start.sum()
    fitted = likelihood.apply(mass)
    value = float(weights @ np.log(fitted))
    gap = np.inf
    for _ in range(max_iterations):
        gradient = likelihood.adjoint(weights / fitted)
        gap = max(float(gradient.max()) / total - 1.0, 0.0)
        if gap <= gap_target:
            return MixingFit(mass, value, gap)
        support = np.union1d(np.flatnonzero(mass > 0), _local_maxima(gradient, total))
        proposal = np.zeros_like(mass)
        # the model of sum w log(A p) - total * sum p around the present mass
        gram = likelihood.gram(support, weights / fitted**2)
        proposal[support] = _quadratic_step(gram, 2 * gradient[support] - total)
        direction = proposal - mass
        slope = float(gradient @ direction) - total * float(direction.sum())
        step = 1.0
        moved = False
        while step > 1e-8:
            candidate = mass + step * direction
            mixed = likelihood.apply(candidate)
            if mixed.min() > 0:
                gain = float(weights @ np.log(mixed)) - total * (float(candidate.sum()) - 1.0) - value
                if gain >= step * slope / 3 - 1e-13 * abs(value):
                    moved = True
                    break
            step /= 2
        # where rounding stops the Newton step, a few EM steps always gain something
        mass = np.maximum(candidate, 0.0) if moved else _em_steps(likelihood, weights, mass, 20)
        mass /= mass.sum()
        fitted = likelihood.apply(mass)
        value = float(weights @ np.log(fitted))
    if gap <= max(GAP_ACCEPTED, gap_target):
        return MixingFit(mass, value, gap)
    raise ArithmeticError(f"The nonparametric estimate did not converge: optimality gap {gap:.2g}.")
