"""Searches behind Firth's logistic regression: the penalised maximum with some columns held, and profile limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import linalg, special

from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Maximum", "PenalisedLikelihood", "curvature", "held_at", "maximise", "profile_limit"]

MOST_STEPS = 200
MOST_HALVINGS = 40
LARGEST_STEP = 5.0
# promised gain of the last step, as a share of the value
SETTLED = 1e-12
# below this promised gain a step that does not climb is rounding (columns that nearly follow from each other)
ROUNDING = 1e-8
ROOT_SETTLED = 1e-9
NOT_FOUND = "The penalised likelihood of the regression has no maximum that the search could find."


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """A point of the penalised log-likelihood.

    Attributes
    ----------
    beta : ndarray, shape (p,)
        Coefficients.
    value : float
        The penalised log-likelihood.
    slope : ndarray, shape (p,)
        Its derivative.
    information : ndarray, shape (p, p)
        Expected information, without the penalty.
    bend : ndarray, shape (p, p)
        Minus the derivative of the slope with the leverages held, for the steps.
    """

    beta: NDArray[np.float64]
    value: float
    slope: NDArray[np.float64]
    information: NDArray[np.float64]
    bend: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PenalisedLikelihood:
    """Data of a regression: ``design`` (n, p), ``outcome`` (n,) of 0 and 1, ``count`` (n,) above 0."""

    design: NDArray[np.float64]
    outcome: NDArray[np.float64]
    count: NDArray[np.float64]

    def at(self, beta: NDArray[np.float64]) -> Maximum:
        """Value, slope and information; the value is minus infinity where the information is singular.

        The slope is ``X'(w (y - pi) + h (1/2 - pi))`` with the leverages h (Heinze & Schemper 2002, from memory).
        """
        X = self.design
        linear = X @ beta
        mean = special.expit(linear)
        spread = mean * special.expit(-linear)
        weighted = X * (self.count * spread)[:, None]
        information = weighted.T @ X
        sign, log_determinant = np.linalg.slogdet(information)
        if sign <= 0 or not np.isfinite(log_determinant):
            return Maximum(beta, -np.inf, np.zeros_like(beta), information, information)
        leverage = np.einsum("ij,ij->i", weighted @ np.linalg.inv(information), X)
        slope = X.T @ (self.count * (self.outcome - mean) + leverage * (0.5 - mean))
        value = float(self.count @ (self.outcome * linear - np.logaddexp(0, linear))) + log_determinant / 2
        bend = X.T @ (X * ((self.count + leverage) * spread)[:, None])
        return Maximum(beta, float(value), slope, information, bend)


def curvature(model: PenalisedLikelihood, point: Maximum) -> NDArray[np.float64]:
    """Minus the second derivative of the penalised log-likelihood, shape (p, p); exact, and not always definite."""
    X, p = model.design, point.beta.size
    mean = special.expit(X @ point.beta)
    spread = model.count * mean * (1 - mean)
    inverse = np.linalg.inv(point.information)
    leverage = np.einsum("ij,ij->i", X @ inverse, X) * spread
    # derivative of the information along each coefficient, times the inverse
    products = (X[:, :, None] * X[:, None, :]).reshape(-1, p * p)
    turned = inverse @ ((X * (spread * (1 - 2 * mean))[:, None]).T @ products).reshape(p, p, p)
    trace = turned.reshape(p, -1) @ turned.transpose(0, 2, 1).reshape(p, -1).T
    second = X.T @ (X * (leverage * (1 - 6 * mean * (1 - mean)))[:, None])
    return np.asarray(point.information - (second - trace) / 2)


def _step(model: PenalisedLikelihood, point: Maximum, free: NDArray[np.intp]) -> NDArray[np.float64]:
    """Newton's step; where that does not climb, a step with the leverages held, which always does."""
    slope, block = point.slope[free], np.ix_(free, free)
    try:
        return np.asarray(linalg.cho_solve(linalg.cho_factor(curvature(model, point)[block]), slope))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.solve(point.bend[block], slope))


def maximise(model: PenalisedLikelihood, start: NDArray[np.float64], free: NDArray[np.intp]) -> Maximum:
    """Climb over the ``free`` columns by Newton's method; the others stay where they start.

    A step that does not climb is halved.

    Raises
    ------
    NotEstimableError
        When the search does not settle.
    """
    point = model.at(start)
    if free.size == 0:
        return point
    for _ in range(MOST_STEPS):
        step = _step(model, point, free)
        size, gain = max(abs(point.value), 1.0), float(point.slope[free] @ step)
        step *= min(1.0, LARGEST_STEP / max(np.abs(step).max(), LARGEST_STEP))
        for _ in range(MOST_HALVINGS):
            beta = point.beta.copy()
            beta[free] += step
            tried = model.at(beta)
            if tried.value >= point.value - SETTLED * size:
                break
            # close to the top only rounding can keep a step from climbing
            if gain < ROUNDING * size:
                return point
            step /= 2
        else:
            return point
        point = tried
        if gain < SETTLED * size:
            return point
    raise NotEstimableError(NOT_FOUND)


def held_at(model: PenalisedLikelihood, near: Maximum, column: int, value: float) -> Maximum:
    """Maximum with one coefficient held, from a maximum nearby.

    The others start where a quadratic likelihood would have them.  Where that is so far off that the information is
    lost, the way is gone in parts.

    Raises
    ------
    NotEstimableError
        When a search does not settle.
    """
    others = np.flatnonzero(np.arange(near.beta.size) != column)
    for _ in range(MOST_STEPS):
        along = np.zeros(near.beta.size)
        along[column] = 1.0
        along[others] = -np.linalg.solve(near.bend[np.ix_(others, others)], near.bend[others, column])
        target = value
        for _ in range(MOST_HALVINGS):
            start = near.beta + (target - near.beta[column]) * along
            start[column] = target
            if np.isfinite(model.at(start).value):
                break
            target = (target + float(near.beta[column])) / 2
        near = maximise(model, start, others)
        if target == value:
            return near
    raise NotEstimableError(NOT_FOUND)


def profile_limit(model: PenalisedLikelihood, best: Maximum, column: int, step: float, drop: float) -> float:
    """Value of one coefficient at which twice the profile has fallen by ``drop``, on the side of ``step``.

    Newton's method on the signed root of the fall, which is nearly straight, inside a bracket; the slope of the profile
    is that of the penalised likelihood (envelope theorem).

    Parameters
    ----------
    best : Maximum
        Over all columns.
    column : int
        Which coefficient.
    step : float
        Its standard error, with the sign of the side.
    drop : float
        Above 0; a quantile of chi squared with 1 degree of freedom.
    """
    root, centre = float(np.sqrt(drop)), float(best.beta[column])
    inside, outside = 0.0, np.inf  # in standard errors from the estimate
    distance, point = root, best
    for _ in range(MOST_STEPS):
        point = held_at(model, point, column, centre + distance * step)
        fallen = float(np.sqrt(max(2 * (best.value - point.value), 0.0)))
        if abs(fallen - root) < ROOT_SETTLED * root:
            break
        if fallen < root:
            inside = distance
        else:
            outside = distance
        slope = -float(point.slope[column]) * step / fallen if fallen > 0 else 0.0
        following = distance + (root - fallen) / slope if slope > 0 else np.inf
        if not inside < following < min(outside, 4 * distance):
            following = (inside + outside) / 2 if np.isfinite(outside) else 2 * distance
        if abs(following - distance) < ROOT_SETTLED:
            distance = following
            break
        distance = following
    return centre + distance * step
