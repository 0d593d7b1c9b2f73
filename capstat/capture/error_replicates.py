"""Errors of judgement and masses refitted in bootstrap replicates.

A replicate begins at the estimate, in coordinates in which the likelihood curves alike in all directions, so that a
quasi-Newton search is there after a few steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

from capstat.capture.estimated_errors import errors_of
from capstat.numerics.mixing import GAP_ACCEPTED
from capstat.results import NotEstimableError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capstat.capture.estimated_errors import ErrorProfile, JointFit

__all__ = ["Replicate", "ReplicateSearch", "draw_added", "prepare_replicates", "refit_replicate"]

# an error that was not seen is begun with at this logit (a quarter of a percent), not at its bound
LOWEST_START = -6.0
STEP = 1e-3
# slope at which a replicate is settled, in standard errors of the logits
SETTLED = 0.02
ACCEPTED = 0.2
# largest distance from the estimate that makes sense, in standard errors
FURTHEST = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class ReplicateSearch:
    """Where and in which coordinates replicates are searched.

    Attributes
    ----------
    profile : ErrorProfile
        Likelihood of the errors.
    start : ndarray, shape (3,)
        Logits of the estimate.
    mass : ndarray, shape (c,)
        Masses of the estimate.
    step : ndarray, shape (q, q)
        Change of the estimated logits for a unit of each coordinate: a square root of their covariance.
    """

    profile: ErrorProfile
    start: NDArray[np.float64]
    mass: NDArray[np.float64]
    step: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Replicate:
    """One refit.

    Attributes
    ----------
    logits : ndarray, shape (3,)
        Of the errors.
    mass : ndarray, shape (c,)
        Masses.
    """

    logits: NDArray[np.float64]
    mass: NDArray[np.float64]


def draw_added(replicates: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Judgements added to those that the reference judged: half of one wrong and half of one right, for each error.

    Their weights are drawn from a gamma distribution of shape 1/2: the Bayesian bootstrap (Rubin 1981) with Jeffreys'
    prior for a proportion (both from memory).  Without them an error that the reference never saw would be zero in
    every replicate, as if it were known to be impossible.

    Returns
    -------
    ndarray, shape (replicates, 2, 2)
        Of missed and of false captures: wrong and right judgements.
    """
    return rng.gamma(0.5, size=(replicates, 2, 2))


def _added_terms(logits: NDArray[np.float64], added: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Log-likelihood of the added judgements, at 80 mA, and its gradient."""
    value = added[:, 0] @ special.log_expit(logits[:2]) + added[:, 1] @ special.log_expit(-logits[:2])
    return float(value), np.append(added[:, 0] - added.sum(axis=1) * special.expit(logits[:2]), 0.0)


def prepare_replicates(profile: ErrorProfile, fit: JointFit) -> ReplicateSearch:
    """Coordinates for the replicates of an estimate.

    Raises
    ------
    NotEstimableError
        When the likelihood is flat in some direction.
    """
    start = np.where(profile.free, np.maximum(fit.logits, LOWEST_START), fit.logits)
    free = np.flatnonzero(profile.free)
    count, expected = profile.table.count, np.full((2, 2), 0.5)

    def slope(point: NDArray[np.float64]) -> NDArray[np.float64]:
        _, gradient, _ = profile.at(point, count, fit.masses.mass)
        return (gradient + _added_terms(point, expected)[1])[free]

    moves = STEP * np.eye(3)[free]
    bend = np.array([(slope(start + move) - slope(start - move)) / (2 * STEP) for move in moves])
    information = -(bend + bend.T) / 2
    eigenvalues, vectors = np.linalg.eigh(information)
    if eigenvalues[0] <= 1e-6 * eigenvalues[-1]:
        raise NotEstimableError(
            "The errors of judgement cannot be told apart from these ramps: the likelihood is flat."
        )
    return ReplicateSearch(profile, start, fit.masses.mass, vectors / np.sqrt(eigenvalues))


def refit_replicate(search: ReplicateSearch, weights: NDArray[np.float64], added: NDArray[np.float64]) -> Replicate:
    """Refit errors and masses with the weights of a replicate.

    Parameters
    ----------
    search : ReplicateSearch
        Where to search.
    weights : ndarray, shape (m,)
        Of the distinct ramps.
    added : ndarray, shape (2, 2)
        Added judgements, see :func:`draw_added`.

    Raises
    ------
    NotEstimableError
        When the search does not settle, or ends where the judgement is no better than chance.
    """
    free = search.profile.free
    mass = search.mass

    def point_at(z: NDArray[np.float64]) -> NDArray[np.float64]:
        point = search.start.copy()
        point[free] += search.step @ z
        return point

    def objective(z: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        nonlocal mass
        if np.abs(z).max() > FURTHEST:
            return np.inf, np.zeros_like(z)
        point = point_at(z)
        value, gradient, fit = search.profile.at(point, weights, mass, GAP_ACCEPTED / 10)
        mass = fit.mass
        more, slope = _added_terms(point, added)
        return -value - more, -(gradient + slope)[free] @ search.step

    found = optimize.minimize(
        objective, np.zeros(int(free.sum())), jac=True, method="BFGS", options={"gtol": SETTLED}
    )  # fmt: skip
    if np.abs(found.jac).max() > ACCEPTED:
        raise NotEstimableError("A bootstrap replicate of the errors of judgement did not settle.")
    logits = point_at(found.x)
    errors_of(logits)
    return Replicate(logits, mass)
