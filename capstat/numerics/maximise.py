"""Maximum of a smooth log-likelihood, profile-likelihood limits, and honest failure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["NoMaximumError", "Optimum", "maximise_newton", "profile_interval", "profile_limit"]

# largest curvature below which nothing is left to estimate, and relative curvature that is rounding error
FLAT, ROUNDING = 1e-9, 1e-14

type_of_objective = Callable[["NDArray[np.float64]"], "tuple[float, NDArray[np.float64], NDArray[np.float64]]"]


class NoMaximumError(ArithmeticError):
    """The function has no finite maximum, or none was found; the message says which."""


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """A certified local maximum.

    Attributes
    ----------
    x : ndarray, shape (p,)
        Where it is.
    value : float
        The function there.
    hessian : ndarray, shape (p, p)
        Second derivatives there; negative definite.
    decrement : float
        Newton decrement: half of it squared is what another step would gain.
    """

    x: NDArray[np.float64]
    value: float
    hessian: NDArray[np.float64]
    decrement: float


def _damped_step(gradient: NDArray[np.float64], hessian: NDArray[np.float64], damping: float) -> NDArray[np.float64]:
    scale: NDArray[np.float64] = np.maximum(np.abs(np.diag(hessian)), 1e-8)
    return np.asarray(np.linalg.solve(-hessian + damping * np.diag(scale), gradient))


def maximise_newton(
    objective: type_of_objective,
    start: NDArray[np.float64],
    bound: float = 50.0,
    max_iterations: int = 200,
) -> Optimum:
    """Maximise by damped Newton steps.

    Parameters
    ----------
    objective : callable
        Returns value, gradient and Hessian.
    start : ndarray, shape (p,)
        Where to begin; the value there must be finite.
    bound : float
        A coordinate that moves further than this from the start is taken to run away.

    Raises
    ------
    NoMaximumError
        When the function keeps rising towards infinity or is flat along a direction.
    """
    x = np.asarray(start, dtype=float)
    value, gradient, hessian = objective(x)
    if not np.isfinite(value):
        raise NoMaximumError("The likelihood is zero at the starting values.")
    damping = 0.0
    for _ in range(max_iterations):
        eigenvalues = np.linalg.eigvalsh(-hessian)
        if eigenvalues[-1] < FLAT:
            raise NoMaximumError("The likelihood is flat: every parameter value fits equally well from here on.")
        if eigenvalues[0] > ROUNDING * eigenvalues[-1]:
            decrement = float(np.sqrt(max(float(gradient @ np.linalg.solve(-hessian, gradient)), 0.0)))
            if decrement < 1e-7:
                return _certified(x, value, hessian, decrement)
        else:
            damping = max(damping, 1e-3, -2 * float(eigenvalues[0]) / max(float(eigenvalues[-1]), 1e-8))
        for _ in range(60):
            candidate = x + _damped_step(gradient, hessian, damping)
            if np.abs(candidate - x).max() <= 5.0:
                new = objective(candidate)
                usable = np.isfinite(new[0]) and np.isfinite(new[1]).all() and np.isfinite(new[2]).all()
                if usable and new[0] >= value - 1e-12 * abs(value):
                    break
            damping = max(4 * damping, 1e-4)
        else:
            raise NoMaximumError("No step raises the likelihood although its slope is not zero.")
        x, (value, gradient, hessian) = candidate, new
        damping = 0.0 if damping < 1e-3 else damping / 10
        if np.abs(x - start).max() > bound:
            raise NoMaximumError("The likelihood keeps rising as a parameter grows without bound.")
    raise NoMaximumError("The likelihood keeps rising without reaching a maximum.")


def _certified(x: NDArray[np.float64], value: float, hessian: NDArray[np.float64], decrement: float) -> Optimum:
    """Refuse a point where the likelihood is flat: a run-away parameter with vanishing slope looks like this."""
    scale = np.sqrt(np.diag(-hessian))
    if scale.min() < 1e-4 or np.linalg.cond(hessian / np.outer(scale, scale)) > 1e12:
        raise NoMaximumError("The likelihood is flat in some direction: the data do not determine it.")
    return Optimum(x, value, hessian, decrement)


def profile_limit(
    profile: Callable[[float], float],
    maximum: float,
    at: float,
    scale: float,
    drop: float,
    side: float,
    reach: float = 60.0,
) -> float:
    """One limit of :func:`profile_interval`: below ``at`` for a ``side`` of -1, above it for 1."""

    def excess(position: float) -> float:
        return profile(position) - (maximum - drop)

    if excess(at) < 0:
        raise NoMaximumError("The profile likelihood could not be traced from its maximum.")
    inner, distance = at, scale
    while distance <= reach * scale:
        outer = at + side * distance
        if excess(outer) < 0:
            try:
                return float(brentq(excess, min(inner, outer), max(inner, outer), xtol=1e-5 * scale))
            except ValueError as error:  # a maximisation inside the profile gave another answer the second time
                raise NoMaximumError("The profile likelihood could not be traced.") from error
        inner, distance = outer, distance * 1.6
    return side * np.inf


def profile_interval(
    profile: Callable[[float], float],
    maximum: float,
    at: float,
    scale: float,
    drop: float,
    reach: float = 60.0,
) -> tuple[float, float]:
    """Limits where the profile log-likelihood has fallen by ``drop``.

    Parameters
    ----------
    profile : callable
        Profile log-likelihood of the parameter.
    maximum : float
        Log-likelihood at the maximum, or its supremum when it is reached only at infinity.
    at : float
        Where to start from: the maximum, or any point on the plateau.
    scale : float
        First step to try, for example the standard error.
    drop : float
        Half the chi-square quantile, or its small-sample counterpart.
    reach : float
        How many multiples of ``scale`` to go before a side is called unbounded (an infinite limit).
    """
    low, high = (profile_limit(profile, maximum, at, scale, drop, side, reach) for side in (-1.0, 1.0))
    return low, high
