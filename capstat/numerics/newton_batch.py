"""Maxima of many smooth functions at once by damped Newton steps within bounds, and limits of their profiles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["BatchOptima", "maximise_many", "profile_limits_many", "type_of_objective"]

# objective(points (k, q), which (k,)) -> values (k,), gradients (k, q), Hessians (k, q, q)
type_of_objective = Callable[
    ["NDArray[np.float64]", "NDArray[np.intp]"],
    "tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]",
]

CONVERGED = 1e-11
MOST_ITERATIONS = 100
LARGEST_STEP = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class BatchOptima:
    """Maxima of S functions of q variables.

    Attributes
    ----------
    x : ndarray, shape (S, q)
        Where they are.
    value : ndarray, shape (S,)
        The functions there.
    gradient : ndarray, shape (S, q)
        Slopes there: zero except along a coordinate that is held or at a bound.
    hessian : ndarray, shape (S, q, q)
        Second derivatives there.
    free : ndarray of bool, shape (S, q)
        Coordinates that are neither held nor at a bound.
    converged : ndarray of bool, shape (S,)
        Whether another Newton step would gain nothing and the free coordinates have negative curvature; false too where
        the function or its derivatives are no numbers at the start.
    """

    x: NDArray[np.float64]
    value: NDArray[np.float64]
    gradient: NDArray[np.float64]
    hessian: NDArray[np.float64]
    free: NDArray[np.bool_]
    converged: NDArray[np.bool_]


def _steps(
    gradient: NDArray[np.float64], hessian: NDArray[np.float64], free: NDArray[np.bool_], damping: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Damped Newton steps of the free coordinates, the gain they promise, and whether the curvature is negative."""
    slope = np.where(free, gradient, 0.0)
    both = free[:, :, None] & free[:, None, :]
    size: NDArray[np.float64] = np.maximum(np.abs(np.diagonal(hessian, axis1=1, axis2=2)), 1e-8)
    # scaled to a unit diagonal, so that one damping and one tolerance fit all coordinates
    root = np.sqrt(size)
    scaled = np.where(both, -hessian / (root[:, :, None] * root[:, None, :]), 0.0)
    identity = np.eye(size.shape[1])
    scaled += identity * ~free[:, :, None]
    values, vectors = np.linalg.eigh(scaled)
    good = values[:, 0] > 1e-10
    # directions in which the function curves upwards are climbed as if they curved down
    lifted = np.maximum(np.abs(values), 1e-6) + damping[:, None]
    rotated = np.matmul(vectors.transpose(0, 2, 1), (slope / root)[:, :, None])[:, :, 0]
    step = np.matmul(vectors, (rotated / lifted)[:, :, None])[:, :, 0] / root
    gain = (rotated**2 / lifted).sum(axis=1)
    step *= np.minimum(1.0, LARGEST_STEP / np.maximum(np.abs(step).max(axis=1), 1e-300))[:, None]
    return step, gain, good


def maximise_many(
    objective: type_of_objective,
    start: NDArray[np.float64],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    held: NDArray[np.bool_] | None = None,
) -> BatchOptima:
    """Maximise S functions at once.

    Parameters
    ----------
    objective : callable
        Values, gradients and Hessians at one point for each of the functions asked for.
    start : ndarray, shape (S, q)
        Where to begin.
    lower, upper : ndarray, shape (q,)
        Bounds; a coordinate that is pushed against its bound stays there.
    held : ndarray of bool, shape (q,), optional
        Coordinates that keep their starting value.
    """
    x = np.clip(np.asarray(start, dtype=float), lower, upper)
    count = x.shape[0]
    may_move = np.ones(x.shape[1], dtype=bool) if held is None else ~held
    everyone = np.arange(count, dtype=np.intp)
    value, gradient, hessian = objective(x, everyone)
    free = np.broadcast_to(may_move, x.shape).copy()
    damping, converged = np.zeros(count), np.zeros(count, dtype=bool)
    active = everyone[np.isfinite(value) & np.isfinite(gradient).all(axis=1) & np.isfinite(hessian).all(axis=(1, 2))]
    for _ in range(MOST_ITERATIONS):
        if active.size == 0:
            break
        blocked = ((x[active] >= upper) & (gradient[active] > 0)) | ((x[active] <= lower) & (gradient[active] < 0))
        free[active] = may_move & ~blocked
        step, gain, good = _steps(gradient[active], hessian[active], free[active], damping[active])
        # half the gain is what another step adds to the function
        done = good & (gain <= CONVERGED * np.maximum(1.0, np.abs(value[active]) * 1e-3))
        converged[active[done]] = True
        active, step = active[~done], step[~done]
        if active.size == 0:
            break
        candidate = np.clip(x[active] + step, lower, upper)
        new = objective(candidate, active)
        usable = np.isfinite(new[0]) & np.isfinite(new[1]).all(axis=1) & np.isfinite(new[2]).all(axis=(1, 2))
        better = usable & (new[0] >= value[active] - 1e-11 * np.abs(value[active]))
        moved = active[better]
        x[moved], value[moved] = candidate[better], new[0][better]
        gradient[moved], hessian[moved] = new[1][better], new[2][better]
        damping[moved] = np.where(damping[moved] < 1e-3, 0.0, damping[moved] / 10)
        stuck = active[~better]
        damping[stuck] = np.maximum(4 * damping[stuck], 1e-2)
        active = active[damping[active] < 1e12]
    return BatchOptima(x, value, gradient, hessian, free, converged)


def profile_limits_many(
    objective: type_of_objective,
    optima: BatchOptima,
    column: int,
    drop: NDArray[np.float64],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    side: float,
) -> NDArray[np.float64]:
    """One limit of the profile of a coordinate for each of S functions: where it has fallen by ``drop``.

    By Newton's method on the profile, whose slope is the partial derivative at the constrained maximum; the signed
    root of twice the fall is nearly straight, so few steps are needed.

    Parameters
    ----------
    objective, lower, upper
        As in :func:`maximise_many`.
    optima : BatchOptima
        Its result.
    column : int
        The coordinate.
    drop : ndarray, shape (S,)
        How far the profile may fall; infinite where there is no limit.
    side : float
        -1 for the lower limit, 1 for the upper one.

    Returns
    -------
    ndarray, shape (S,)
        Infinite where the profile does not fall that far within 20 units or could not be traced.
    """
    count, q = optima.x.shape
    held = np.zeros(q, dtype=bool)
    held[column] = True
    limit = np.full(count, side * np.inf)
    information = np.where(optima.free[:, :, None] & optima.free[:, None, :], -optima.hessian, np.eye(q))
    # a fit that has not settled has no profile to trace
    active = np.flatnonzero(np.isfinite(drop) & optima.converged & optima.free[:, column])
    error = np.zeros(count)
    error[active] = np.sqrt(np.linalg.inv(information[active])[:, column, column])
    x = optima.x.copy()
    x[active, column] += side * error[active] * np.sqrt(2 * drop[active])
    goal = np.sqrt(2 * drop)
    for _ in range(40):
        if active.size == 0:
            break
        own = active

        def restricted(
            points: NDArray[np.float64], which: NDArray[np.intp], own: NDArray[np.intp] = own
        ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
            return objective(points, own[which])

        found = maximise_many(restricted, x[own], lower, upper, held)
        x[own] = found.x
        fall = np.maximum(optima.value[own] - found.value, 1e-12)
        root = np.sqrt(2 * fall)
        with np.errstate(divide="ignore", invalid="ignore"):
            change = (goal[own] - root) / np.maximum(-side * found.gradient[:, column] / root, 1e-12)
        # never more than doubles the distance, nor falls back to the maximum
        distance = np.abs(x[own, column] - optima.x[own, column])
        change = np.clip(change, -0.9 * distance, distance)
        near = found.converged & (np.abs(goal[own] - root) < 1e-6)
        limit[own[near]] = x[own[near], column]
        lost = ~found.converged | (distance > 20)
        x[own, column] += side * change
        active = own[~near & ~lost]
    return limit
